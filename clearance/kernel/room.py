"""Owns the scratch of the bounds: compiled code allocates nothing, so all it writes to comes from a `Room`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.kernel.bounds import Forms, Scratch, new_forms, new_scratch
from clearance.kernel.chain import Chain, Moving, Place, new_place
from clearance.kernel.edges import ROWS, Entries, Question, new_entries

LONGEST = 8
"""Edges in a chain; more are refused."""
MEMORY = 4096
"""Bounds of ways past a limited body that are kept while one box is bounded; a power of two."""


class Room(NamedTuple):
    """Scratch of `bound_batch`.

    place; boxes (2, m, 3) of the runs; sets: a set of forms for each edge of a chain and one more; order (edges, rows)
    entries, scratch: of one edge, of one pair
    sums (3, k), slopes (k, p), at (2, k): of combinations along a chain
    names (2, k, 2): the primitives of the worst combination of a chain, and of all chains
    found (2,): whether there is one, and the number of the box
    vector (8, p): see `bound_batch`
    corners (2, 3, 3), counts (2,), gaps (k,): of a value from above; state (3,), rows (4,): of a scan
    bound (2, edges): the least bound and gap of each edge; pair (2, edges, 2): their primitives
    memo (m, 3) two primitives and the box, known (m,): of ways past a limited body
    """

    place: Place
    boxes: NDArray[np.float64]
    sets: Forms
    order: NDArray[np.int64]
    entries: Entries
    scratch: Scratch
    sums: NDArray[np.float64]
    slopes: NDArray[np.float64]
    at: NDArray[np.int64]
    names: NDArray[np.int64]
    found: NDArray[np.int64]
    vector: NDArray[np.float64]
    corners: NDArray[np.float64]
    counts: NDArray[np.int64]
    gaps: NDArray[np.float64]
    state: NDArray[np.float64]
    rows: NDArray[np.int64]
    bound: NDArray[np.float64]
    pair: NDArray[np.int64]
    memo: NDArray[np.int64]
    known: NDArray[np.float64]


_ROOMS: dict[tuple[int, ...], list[Room]] = {}
"""Rooms not in use, by their sizes: to make one takes longer than to bound a box."""


SIZES = 32
"""Sizes of rooms that are kept."""


def _sizes(question: Question, chain: Chain, moving: Moving, size: int) -> tuple[int, ...]:
    longest = int((question.stop - question.first).max(initial=1))
    return longest, len(question.still), len(question.run), len(moving.corners), len(chain.first), size


@contextmanager
def borrowed_rooms(question: Question, chain: Chain, moving: Moving, size: int) -> Iterator[Callable[[int], Room]]:
    """A function that gives the k-th room of a sweep; all go back when it ends."""
    mine: list[Room] = []
    if len(_ROOMS) > SIZES:
        _ROOMS.clear()
    free = _ROOMS.setdefault(_sizes(question, chain, moving, size), [])

    def room(k: int) -> Room:
        while len(mine) <= k:
            try:
                mine.append(free.pop())
            except IndexError:
                mine.append(new_room(question, chain, moving, size))
            # Slopes by parameters that do not move a link are never written: they must not be another sweep's.
            mine[-1].place.slope.fill(0.0)
        return mine[k]

    try:
        yield room
    finally:
        free.extend(mine)


def new_room(question: Question, chain: Chain, moving: Moving, size: int) -> Room:
    """Scratch for one call of `bound_batch` at a time, with `size` parameters."""
    longest, edges = int((question.stop - question.first).max(initial=1)), len(question.still)
    # A question of single edges needs no room for forms of whole edges.
    rows = ROWS if longest > 1 else 32
    return Room(
        new_place(chain, moving, size), np.empty((2, len(question.run), 3)), new_forms(longest + 1, rows, size),
        np.empty((longest, rows), np.int64), new_entries(), new_scratch(), np.empty((3, LONGEST + 1)),
        np.empty((LONGEST + 1, size)), np.empty((2, LONGEST + 1), np.int64), np.empty((2, LONGEST, 2), np.int64),
        np.zeros(2, np.int64), np.empty((8, size)), np.empty((2, 3, 3)), np.empty(2, np.int64), np.empty(LONGEST),
        np.empty(3), np.empty(4, np.int64), np.empty((2, edges)), np.empty((2, edges, 2), np.int64),
        np.zeros((MEMORY, 3), np.int64), np.empty(MEMORY),
    )  # fmt: skip
