"""Owns the certified sweep: the least value of a question over a box of parameters, enclosed from both sides.

Boxes wait in a heap by lower bound. A batch of fixed size is taken, each box is split along the parameter that matters
most, the halves are bounded in compiled code that releases the interpreter lock, on as many threads as there are, and
merged in
order: the result does not depend on the number of threads. The proven lower bound is the least of the heap's top and of
    every bound ever discarded.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.kernel.cache import compiled
from clearance.kernel.chain import Chain, Moving
from clearance.kernel.edges import Question
from clearance.kernel.paths import LONGEST, bound_batch
from clearance.kernel.tree import Store
from clearance.tolerances import ROUNDING

Floats = NDArray[np.float64]
Outcome = Literal["enclosed", "reached", "passed", "exhausted"]

BATCH = 32
"""Boxes split at once. Larger: fewer calls, but bounds within a batch do not profit from each other."""

_POOL = ThreadPoolExecutor(max_workers=os.cpu_count() or 1, thread_name_prefix="sweep")


@dataclass(frozen=True, eq=False)
class Enclosure:
    """What a sweep found.

    lower: proven: nowhere in the box is the value below this [m]
    upper: witnessed: at `at` the value is this [m]
    at: (p,) parameters
    chain, pairs: the chain of that value and its (k, 2) primitives
    outcome: "enclosed" (upper - lower within tolerance), "reached" (lower at or above the target), "passed" (upper
        below the target), "exhausted" (the budget of boxes ended first, or the tolerance is finer than floating point)
    boxes: how many were bounded
    """

    lower: float
    upper: float
    at: Floats
    chain: int
    pairs: NDArray[np.int64]
    outcome: Outcome
    boxes: int


@compiled
def _push(heap, size, key, lower):  # type: ignore[no-untyped-def]
    """Add box `key` to a binary heap ordered by (lower, key)."""
    heap[size] = key
    child = size
    while child > 0:
        parent = (child - 1) // 2
        a, b = heap[child], heap[parent]
        if lower[a] < lower[b] or (lower[a] == lower[b] and a < b):
            heap[child], heap[parent] = b, a
            child = parent
        else:
            break
    return size + 1


@compiled
def _pop(heap, size, lower):  # type: ignore[no-untyped-def]
    """Move the least to the end of the heap and restore the order of the rest."""
    top = heap[0]
    size -= 1
    heap[0] = heap[size]
    heap[size] = top
    parent = 0
    while True:
        least = parent
        for child in (2 * parent + 1, 2 * parent + 2):
            if child < size:
                a, b = heap[child], heap[least]
                if lower[a] < lower[b] or (lower[a] == lower[b] and a < b):
                    least = child
        if least == parent:
            return size
        heap[parent], heap[least] = heap[least], heap[parent]
        parent = least


@compiled
def _take(heap, size, boxes, most, ceiling, low, high, lower, split, scale):  # type: ignore[no-untyped-def]
    """Pop up to `most` boxes whose bound is below `ceiling`; fill low, high, lower with their halves. Returns (size,
    halves)."""
    box_low, box_high, box_lower, box_split = boxes
    made = 0
    while size > 0 and made < 2 * most and box_lower[heap[0]] < ceiling:
        key = heap[0]
        size = _pop(heap, size, box_lower)
        p = box_split[key]
        middle = 0.5 * (box_low[key, p] + box_high[key, p])
        if not box_low[key, p] < middle < box_high[key, p]:
            # This parameter cannot be split any further in floating point: take the relatively widest one.
            widest = 0.0
            for k in range(box_low.shape[1]):
                width = (box_high[key, k] - box_low[key, k]) / scale[k]
                if width > widest:
                    p, widest = k, width
            middle = 0.5 * (box_low[key, p] + box_high[key, p])
            if not box_low[key, p] < middle < box_high[key, p]:
                split[0] = 1
                size = _push(heap, size, key, box_lower)
                return size, made
        for half in range(2):
            for k in range(box_low.shape[1]):
                low[made, k], high[made, k] = box_low[key, k], box_high[key, k]
            if half == 0:
                high[made, p] = middle
            else:
                low[made, p] = middle
            lower[made] = box_lower[key]
            made += 1
    return size, made


@compiled
def _merge(heap, size, stored, boxes, low, high, lower, split, made, keep_below):  # type: ignore[no-untyped-def]
    """Push the boxes whose bound is below `keep_below`. Returns (heap size, stored, least discarded bound)."""
    box_low, box_high, box_lower, box_split = boxes
    discarded = np.inf
    for n in range(made):
        if lower[n] >= keep_below:
            discarded = min(discarded, lower[n])
            continue
        for k in range(low.shape[1]):
            box_low[stored, k], box_high[stored, k] = low[n, k], high[n, k]
        box_lower[stored], box_split[stored] = lower[n], split[n]
        size = _push(heap, size, stored, box_lower)
        stored += 1
    return size, stored, discarded


def rounding_of(store: Store, moving: Moving, chain: Chain) -> float:
    """What floating point may add to the bound of one edge [m]: ROUNDING times (1 m + the largest length that
    enters)."""
    largest = 1.0
    for values in (
        store.vertices,
        moving.vertices,
        chain.place,
        chain.translation,
        chain.origin,
        moving.curvature,
        store.around,
    ):
        if values.size:
            largest += float(np.abs(values).max())
    return ROUNDING * largest


def least(
    question: Question,
    store: Store,
    moving: Moving,
    chain: Chain,
    low: ArrayLike,
    high: ArrayLike,
    *,
    tolerance: float,
    target: float | None = None,
    budget: int = 2_000_000,
    threads: int | None = None,
    cuts: Sequence[tuple[int, float]] = (),
    progress: Callable[[float, float, int], None] | None = None,
) -> Enclosure:
    """Enclose the least value of the question over the box low .. high (p,).

    With a `target` it ends as soon as the verdict is known: the value is proved nowhere below it, or seen below it.
    `cuts` are (parameter, value) pairs at which boxes must be split first, the vertices of tracks. `progress(lower,
    upper, boxes)` is called about five times a second and may raise to interrupt.
    """
    low, high = np.atleast_1d(np.asarray(low, float)), np.atleast_1d(np.asarray(high, float))
    size = len(low)
    if low.shape != high.shape or not (np.isfinite(low) & np.isfinite(high) & (low <= high)).all():
        raise ValueError(f"a box needs finite low <= high, got {low} and {high}")
    room = 4096
    heap = np.empty(room, np.int64)
    boxes = (np.empty((room, size)), np.empty((room, size)), np.empty(room), np.empty(room, np.int64))
    starts = _start_boxes(low, high, cuts)
    batch_low, batch_high = (np.ascontiguousarray(part) for part in starts)
    made = len(batch_low)
    inherited = np.full(made, -np.inf)
    scale = np.where(high > low, high - low, 1.0)
    rounding = rounding_of(store, moving, chain)
    workers = (os.cpu_count() or 1) if threads is None else threads
    upper, at, through, pairs = np.inf, 0.5 * (low + high), -1, np.full((LONGEST, 2), -1)
    discarded, heap_size, stored, bounded, most = np.inf, 0, 0, 0, 1
    stuck = np.zeros(1, np.int64)
    outcome: Outcome = "exhausted"
    told = time.monotonic()
    while True:
        # Bounds are cut off at what is known, less rounding: the pad keeps a bound cut off at the target from missing
        # it.
        known = upper if target is None else min(upper, target + 2.0 * LONGEST * rounding)
        found = _bound(question, store, moving, chain, batch_low, batch_high, inherited, made, known, rounding, workers)
        bounded += made
        best = int(np.argmin(found[1]))
        if found[1][best] < upper:
            upper, at = float(found[1][best]), found[2][best].copy()
            through, pairs = int(found[4][best]), found[5][best].copy()
        if stored + made > room:
            room = 2 * max(room, stored + made)
            heap = np.resize(heap, room)
            boxes = tuple(np.resize(part, (room, *part.shape[1:])) for part in boxes)  # type: ignore[assignment]
        ceiling = upper - tolerance if target is None else min(upper - tolerance, target)
        heap_size, stored, dropped = _merge(
            heap, heap_size, stored, boxes, batch_low, batch_high, found[0], found[3], made, ceiling
        )
        discarded = min(discarded, float(dropped))
        top = float(boxes[2][heap[0]]) if heap_size else np.inf
        lower = min(top, discarded, upper)
        if target is not None and upper < target:
            outcome = "passed"
            break
        if target is not None and min(top, discarded) >= target:
            outcome = "reached"
            break
        if top >= ceiling:
            outcome = "enclosed"
            break
        if bounded >= budget or stuck[0]:
            break
        if progress is not None and time.monotonic() - told > 0.2:
            told = time.monotonic()
            progress(lower, upper, bounded)
        most = min(BATCH, 2 * most)
        batch_low, batch_high, inherited = np.empty((2 * most, size)), np.empty((2 * most, size)), np.empty(2 * most)
        heap_size, made = _take(heap, heap_size, boxes, most, ceiling, batch_low, batch_high, inherited, stuck, scale)
        if made == 0:
            break
    return Enclosure(lower, upper, at, through, pairs, outcome, bounded)


def _start_boxes(low: Floats, high: Floats, cuts: Sequence[tuple[int, float]]) -> tuple[Floats, Floats]:
    lows, highs = [low.copy()], [high.copy()]
    for parameter, value in cuts:
        for k in range(len(lows)):
            if lows[k][parameter] < value < highs[k][parameter]:
                beyond_low, beyond_high = lows[k].copy(), highs[k].copy()
                beyond_low[parameter], highs[k][parameter] = value, value
                lows.append(beyond_low)
                highs.append(beyond_high)
    return np.array(lows), np.array(highs)


def _bound(
    question: Question,
    store: Store,
    moving: Moving,
    chain: Chain,
    low: Floats,
    high: Floats,
    inherited: Floats,
    made: int,
    known: float,
    rounding: float,
    workers: int,
) -> tuple[Floats, Floats, Floats, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """`bound_batch` over the first `made` boxes, cut into as many slices as there are workers."""
    size = low.shape[1]
    found = (
        np.empty(made),
        np.empty(made),
        np.empty((made, size)),
        np.empty(made, np.int64),
        np.empty(made, np.int64),
        np.full((made, LONGEST, 2), -1),
    )
    slices = max(1, min(workers, made // 8))
    edges = [made * k // slices for k in range(slices + 1)]

    def run(k: int) -> None:
        part = slice(edges[k], edges[k + 1])
        bound_batch(
            question,
            store,
            moving,
            chain,
            low[part],
            high[part],
            inherited[part],
            known,
            rounding,
            tuple(values[part] for values in found),
        )

    if slices == 1:
        run(0)
    else:
        for future in [_POOL.submit(run, k) for k in range(slices)]:
            future.result()
    return found
