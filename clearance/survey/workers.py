"""Owns the working on many things at a time: by threads, with what they give taken in order."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

WORKERS = min(4, os.cpu_count() or 1)
"""Threads: most of their time is numpy's, which lets others run meanwhile. Each needs the memory of one thing worked
on."""

Item = TypeVar("Item")
Result = TypeVar("Result")


def in_order(items: Iterable[Item], work: Callable[[Item], Result]) -> Iterator[Result]:
    """What work gives for each item, in their order, worked on somewhat ahead of who takes it.

    Nothing depends on how many threads there are or which is first, as long as work writes nothing that others read.

    >>> list(in_order([3, 1, 2], lambda item: item * item))
    [9, 1, 4]
    """
    with ThreadPoolExecutor(WORKERS) as pool:
        ahead: deque[Future[Result]] = deque()
        for item in items:
            ahead.append(pool.submit(work, item))
            if len(ahead) > WORKERS:
                yield ahead.popleft().result()
        while ahead:
            yield ahead.popleft().result()
