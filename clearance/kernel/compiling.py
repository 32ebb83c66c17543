"""Owns the first compilation: which functions are compiled for which types, and by which of two processes.

Numba compiles on one processor, while a user waits. So where the cache lacks the kernel, a second process compiles one
part of it beside this one, and each finds in the cache what the other has made. What is named here, and in which part,
decides how long it takes and nothing else: whatever is missing is compiled when it is first called.
"""

from __future__ import annotations

import contextlib
import gc
import multiprocessing
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args, get_type_hints

import numpy as np
from numba import typeof
from numba.core import config

from clearance.kernel import bounds, chain, edges, pairs, paths, room, sweep, tree, values
from clearance.kernel.cache import FOLDER

Part = list[tuple[Callable[..., Any], tuple[Any, ...]]]
"""Functions, each with arguments of the types it is compiled for."""

WHOLE = "whole"
"""Name of the file that says of a folder that it holds the whole kernel."""

PATIENCE_S = 300.0
"""[s] How long the second process is waited for; its part is compiled here after that."""

_BESIDE: list[subprocess.Popen[bytes]] = []
"""The second process, once there is one."""


def compiled_before() -> bool:
    """Whether the cache holds the whole kernel; False where there is no cache."""
    return FOLDER is not None and (FOLDER / WHOLE).exists()


def _ahead() -> bool:
    """Whether there is anything to compile ahead, and a place to keep it."""
    return FOLDER is not None and not compiled_before() and not config.DISABLE_JIT  # type: ignore[attr-defined]


def begin() -> None:
    """Let a second process compile its part, where that helps; returns at once."""
    # Processes started to work beside others leave the processors to them.
    alone = (os.cpu_count() or 1) == 1 or multiprocessing.parent_process() is not None
    if not _ahead() or _BESIDE or alone:
        return
    command = [sys.executable, "-c", "from clearance.kernel.compiling import beside; beside()"]
    home = Path(__file__).parents[2]
    with contextlib.suppress(OSError):
        nothing = subprocess.DEVNULL
        _BESIDE.append(subprocess.Popen(command, cwd=home, stdin=nothing, stdout=nothing, stderr=nothing))


def finish() -> None:
    """Compile what the cache lacks, sharing the work with the process that `begin` started."""
    if FOLDER is None or not _ahead():
        return
    begin()
    here, other, last = parts()
    _compile(here)
    while _BESIDE:
        process = _BESIDE.pop()
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    _compile(other + last)
    with contextlib.suppress(OSError):
        (FOLDER / WHOLE).touch()


def beside() -> None:
    """What the second process does."""
    _compile(parts()[1])
    # All is written: to free what was compiled would take another second, and the first process waits.
    os._exit(0)


def _compile(part: Part) -> None:
    # Looking for garbage again and again takes a tenth of the time, and finds little.
    looked = gc.isenabled()
    gc.disable()
    try:
        for function, given in part:
            function.compile(tuple(map(typeof, given)))  # type: ignore[attr-defined]
    finally:
        if looked:
            gc.enable()


def parts() -> tuple[Part, Part, Part]:
    """What this process compiles, what the second one does, and what needs both."""
    question, store, moving, links = _examples()
    made = room.new_room(question, links, moving, 1)
    place, boxes, forms, scratch = made.place, made.boxes, bounds.Forms(*(part[0] for part in made.sets)), made.scratch
    number, real, line, rows, solids = 0, 0.0, np.zeros(1), np.zeros((1, 3)), np.zeros((1, 3, 3))
    whole, table, cubes = np.zeros(1, np.int64), np.zeros((1, 2), np.int64), np.zeros((1, 2, 3))
    corners, names, short = np.zeros(1, np.int8), np.zeros(1, np.int32), np.zeros(1, np.float32)
    bodies, found = (store, moving, place), (line, line, rows, whole, whole, np.zeros((1, 1, 2), np.int64))
    heap = (rows, rows, line, whole)
    here: Part = [
        (bounds.pair_forms, (*bodies, line, number, number, number, forms, number, scratch)),
        (paths._bound_chain, (question, number, store, moving, line, real, made)),
    ]
    other: Part = [
        (pairs._measure, (solids, corners, solids, corners, line, cubes, rows)),
        (chain.place_moving, (links, moving, line, line, place)),
        (sweep._take, (whole, number, heap, number, real, rows, rows, line, whole, line)),
        (sweep._merge, (whole, number, number, heap, rows, rows, line, whole, number, real)),
        (tree.nearest_between, (store, number, number, number, tree.new_search())),
        (values.chain_at, (question, *bodies, line, number, table, solids, whole, line, scratch)),
        (tree._centre, (solids, short, short, short)),
        (tree._split, (short, short, short, names, number, names, names, names, table)),
        (tree._fill, (solids, corners, line, line, names, number, store, number, (number, number))),
        (edges.scan, (question, number, *bodies, boxes, line, real, line, whole, forms, made.entries, scratch)),
    ]
    last: Part = [(paths.bound_batch, (question, store, moving, links, rows, rows, line, real, real, made, found))]
    return here, other, last


def _examples() -> tuple[edges.Question, tree.Store, chain.Moving, chain.Chain]:
    """The kernel's arguments, of the right types and dimensions, without content."""

    def made(kind: Any, *dimensions: int) -> Any:
        # NDArray[T] is ndarray[shape, dtype[T]].
        scalars = [get_args(get_args(hint)[1])[0] for hint in get_type_hints(kind).values()]
        return kind(*(np.zeros((1,) * count, scalar) for count, scalar in zip(dimensions, scalars, strict=True)))

    return (
        made(edges.Question, 2, 2, 2, 1, 1, 2, 1, 2, 1, 1, 1, 1, 1),
        made(tree.Store, 2, 1, 1, 1, 2, 2, 1, 1, 1, 1),
        made(chain.Moving, 3, 1, 1, 1, 3, 1, 3, 3, 1),
        made(chain.Chain, 1, 1, 1, 1, 1, 2, 2, 3, 2, 2, 1, 2),
    )
