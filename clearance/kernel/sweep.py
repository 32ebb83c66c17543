"""Owns the certified sweep: the least value of a question over a box of parameters, enclosed from both sides.

Boxes wait in a heap by lower bound. A batch of fixed size is taken, each box is split along the parameter that matters
most, the halves are bounded in compiled code that releases the interpreter lock, on as many threads as there are, and
merged in order: the result does not depend on the number of threads. The proven lower bound is the least of the heap's
top and of every bound ever discarded.
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

from clearance.kernel.cache import compiled, inner
from clearance.kernel.chain import FIXED, SLIDE, TRACK, Chain, Moving
from clearance.kernel.edges import Question
from clearance.kernel.paths import bound_batch
from clearance.kernel.room import LONGEST, Room, borrowed_rooms
from clearance.kernel.tree import Store
from clearance.tolerances import ROUNDING

Floats = NDArray[np.float64]
Outcome = Literal["enclosed", "reached", "passed", "exhausted"]

BATCH = 32
"""Boxes split at once. Larger: fewer calls, but bounds within a batch do not profit from each other."""

_POOLS: dict[int, ThreadPoolExecutor] = {}
"""Threads by process: a forked process has none of its parent's."""


@dataclass(frozen=True, eq=False)
class Enclosure:
    """What a sweep found.

    lower: proven: nowhere in the box is the value below this [m]
    upper: witnessed: at `at` the value is this [m]
    at: (p,) parameters
    chain, pairs: the chain of that value and its (k, 2) primitives
    outcome: "enclosed" (upper - lower within tolerance), "reached" (lower at or above the target), "passed" (upper
        below the target), "exhausted" (the budget ended first, or the tolerance is finer than floating point)
    boxes: how many were bounded
    """

    lower: float
    upper: float
    at: Floats
    chain: int
    pairs: NDArray[np.int64]
    outcome: Outcome
    boxes: int


@inner
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


@inner
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
    """Pop up to `most` boxes whose bound is below `ceiling`; fill low, high, lower with their halves.

    Returns (size, how many); `split` is set where a box could not be split.
    """
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
                # Nor can any other: bound it once more, as it is, by what is known by now.
                split[0] = 1
                for k in range(box_low.shape[1]):
                    low[made, k], high[made, k] = box_low[key, k], box_high[key, k]
                lower[made] = box_lower[key]
                return size, made + 1
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


def rounding_of(store: Store, moving: Moving, chain: Chain, low: Floats, high: Floats) -> float:
    """What floating point may add to the bound of one edge [m]: ROUNDING times (1 m + the largest length that enters).

    Lengths are those of corners that stand still, of moving ones at the end of their chain of joints, and of what these
    may move over the box; a link of more than 32 joints counts more.
    """
    largest = 1.0
    if store.vertex.size:
        # Each body's box holds its corners.
        roots = store.root[store.root >= 0]
        largest += float(max(np.abs(store.low[roots]).max(), np.abs(store.high[roots]).max()))
    far = np.maximum(np.abs(low), np.abs(high))
    longest = 0.0
    for link in range(len(chain.first)):
        carried = moving.link == link
        if not carried.any():
            continue
        reach = float(np.linalg.norm(moving.vertices[carried], axis=2).max() + moving.around[carried].max())
        rates, rated = np.linalg.norm(moving.rate[carried], axis=2).max(axis=1), moving.rated[carried]
        change = float((rates * np.where(rated >= 0, far[rated], 0.0)).max())
        reach += change
        for joint in range(chain.stop[link] - 1, chain.first[link] - 1, -1):
            kind = chain.kind[joint]
            value = float(far[chain.parameter[joint]] * abs(chain.scale[joint])) if kind != FIXED else 0.0
            if kind == FIXED:
                reach += float(np.linalg.norm(chain.translation[joint]))
            elif kind == SLIDE:
                reach += value
                change += value
            elif kind == TRACK:
                place = chain.place[chain.knots[joint, 0] : chain.knots[joint, 1]]
                station = chain.station[chain.knots[joint, 0] : chain.knots[joint, 1]]
                reach += float(np.linalg.norm(place, axis=1).max())
                change += value * float((np.linalg.norm(np.diff(place, axis=0), axis=1) / np.diff(station)).max())
            else:
                reach += 2.0 * float(np.linalg.norm(chain.origin[joint]))
                change += value * reach
        bend = float((moving.curvature[carried] @ far @ far).max()) if len(far) else 0.0
        longest = max(longest, (reach + change + bend) * max(1.0, float(chain.stop[link] - chain.first[link]) / 32.0))
    return ROUNDING * (largest + longest)


def cuts_of(chain: Chain) -> tuple[tuple[int, float], ...]:
    """(parameter, value) at every inner vertex of a track: between them alone a track is straight."""
    found: dict[tuple[int, float], None] = {}
    for joint in np.flatnonzero(chain.kind == TRACK):
        for knot in range(chain.knots[joint, 0] + 1, chain.knots[joint, 1] - 1):
            found[int(chain.parameter[joint]), float(chain.station[knot] / chain.scale[joint])] = None
    return tuple(sorted(found))


def _check(question: Question, moving: Moving, low: Floats, high: Floats) -> None:
    """Raises: ValueError where arrays do not fit together; compiled code does not look."""
    size = len(low)
    if low.shape != high.shape or not (np.isfinite(low) & np.isfinite(high) & (low <= high)).all():
        raise ValueError(f"a box needs finite low <= high, got {low} and {high}")
    lengths = question.stop - question.first
    if len(lengths) and not ((lengths >= 1) & (lengths <= LONGEST)).all():
        raise ValueError(f"a chain needs 1 to {LONGEST} edges, got {sorted(set(lengths.tolist()))}")
    for group in np.flatnonzero(np.isfinite(question.extent)):
        if question.roots[group, 1] > question.roots[group, 0]:
            # Two bodies that stand still are represented by their nearest pair: enough for a sum, not for the way past.
            raise ValueError("a group of limited extent must move: let it ride on a link, perhaps one without joints")
    if moving.matters.shape[2] != size or moving.curvature.shape[1:] != (size, size):
        raise ValueError(f"moving primitives compiled for {moving.matters.shape[2]} parameters, a box of {size}")
    for name, values in (
        ("corner", moving.vertices),
        ("radius", moving.around),
        ("rate", moving.rate),
        ("curvature", moving.curvature),
    ):
        if not np.isfinite(values).all():
            raise ValueError(f"every {name} of a moving primitive must be a finite number")


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
    seconds: float = float("inf"),
    threads: int | None = None,
    rounding: float | None = None,
    progress: Callable[[float, float, int], None] | None = None,
) -> Enclosure:
    """Enclose the least value of the question over the box low .. high (p,).

    With a `target` it ends as soon as the verdict is known: the value is proved nowhere below it, or seen below it.
    `budget` [boxes] and `seconds` end it early, with the enclosure so far.
    `rounding` is what `rounding_of` gives for this box or a larger one, where that is known.
    Boxes are split at the vertices of tracks first.
    `progress(lower, upper, boxes)` is called about five times a second and may raise to interrupt.

    Raises: ValueError where the box is none, or the arrays do not fit together.
    """
    low, high = np.atleast_1d(np.asarray(low, float)), np.atleast_1d(np.asarray(high, float))
    size = len(low)
    _check(question, moving, low, high)
    capacity = 4096
    heap = np.empty(capacity, np.int64)
    boxes = (np.empty((capacity, size)), np.empty((capacity, size)), np.empty(capacity), np.empty(capacity, np.int64))
    starts = start_boxes(low, high, cuts_of(chain))
    batch_low, batch_high = (np.ascontiguousarray(part) for part in starts)
    made = len(batch_low)
    inherited = np.full(made, -np.inf)
    scale = np.where(high > low, high - low, 1.0)
    rounding = rounding_of(store, moving, chain, low, high) if rounding is None else rounding
    workers = (os.cpu_count() or 1) if threads is None else threads
    upper, at, through, pairs = np.inf, 0.5 * (low + high), -1, np.full((LONGEST, 2), -1)
    lower, was_upper, discarded, heap_size, stored, bounded, most = -np.inf, np.inf, np.inf, 0, 0, 0, 1
    stuck = np.zeros(1, np.int64)
    outcome: Outcome = "exhausted"
    began = told = time.monotonic()
    with borrowed_rooms(question, chain, moving, size) as room:
        while True:
            # Bounds are cut off at what is known, less rounding: the pad keeps one cut off at the target from failing.
            known = upper if target is None else min(upper, target + 2.0 * LONGEST * rounding)
            found = _bound(
                question, store, moving, chain, batch_low, batch_high, inherited, made, known, rounding, workers, room
            )
            bounded += made
            best = int(np.argmin(found[1]))
            if found[1][best] < upper:
                upper, at = float(found[1][best]), found[2][best].copy()
                through, pairs = int(found[4][best]), found[5][best].copy()
            if stored + made > capacity:
                capacity = 2 * max(capacity, stored + made)
                heap = np.resize(heap, capacity)
                boxes = tuple(np.resize(part, (capacity, *part.shape[1:])) for part in boxes)  # type: ignore[assignment]
            ceiling = upper - tolerance if target is None else min(upper - tolerance, target)
            heap_size, stored, dropped = _merge(
                heap, heap_size, stored, boxes, batch_low, batch_high, found[0], found[3], made, ceiling
            )
            discarded = min(discarded, float(dropped))
            top = float(boxes[2][heap[0]]) if heap_size else np.inf
            was, lower = (lower, was_upper), min(top, discarded, upper)
            if target is not None and upper < target:
                outcome = "passed"
                break
            if target is not None and min(top, discarded) >= target:
                outcome = "reached"
                break
            if top >= ceiling:
                outcome = "enclosed"
                break
            if bounded >= budget or time.monotonic() - began > seconds or (stuck[0] and was == (lower, upper)):
                break
            was_upper, stuck[0] = upper, 0
            if progress is not None and time.monotonic() - told > 0.2:
                told = time.monotonic()
                progress(lower, upper, bounded)
            most = min(BATCH, 2 * most)
            batch_low, batch_high = np.empty((2 * most, size)), np.empty((2 * most, size))
            inherited = np.empty(2 * most)
            heap_size, made = _take(
                heap, heap_size, boxes, most, ceiling, batch_low, batch_high, inherited, stuck, scale
            )
            if made == 0:
                break
    return Enclosure(lower, upper, at, through, pairs, outcome, bounded)


def start_boxes(low: Floats, high: Floats, cuts: Sequence[tuple[int, float]]) -> tuple[Floats, Floats]:
    """The box cut into boxes low, high (n, p) at every one of the cuts (parameter, value)."""
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
    question: Question, store: Store, moving: Moving, chain: Chain, low: Floats, high: Floats, inherited: Floats,
    made: int, known: float, rounding: float, workers: int, room: Callable[[int], Room],
) -> tuple[Floats, Floats, Floats, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:  # fmt: skip
    """`bound_batch` over the first `made` boxes, cut into as many slices as there are workers."""
    size = low.shape[1]
    found = (
        np.empty(made), np.empty(made), np.empty((made, size)), np.empty(made, np.int64), np.empty(made, np.int64),
        np.full((made, LONGEST, 2), -1),
    )  # fmt: skip
    slices = max(1, min(workers, made // 8))
    edges = [made * k // slices for k in range(slices + 1)]
    rooms = [room(k) for k in range(slices)]

    def run(k: int) -> None:
        part = slice(edges[k], edges[k + 1])
        bound_batch(
            question, store, moving, chain, low[part], high[part], inherited[part], known, rounding, rooms[k],
            tuple(values[part] for values in found),
        )  # fmt: skip

    if slices == 1:
        run(0)
    else:
        if os.getpid() not in _POOLS:
            _POOLS[os.getpid()] = ThreadPoolExecutor(max_workers=os.cpu_count() or 1, thread_name_prefix="sweep")
        for future in [_POOLS[os.getpid()].submit(run, k) for k in range(slices)]:
            future.result()
    return found
