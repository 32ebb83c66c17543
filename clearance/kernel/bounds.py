"""Owns linear forms: what bounds the gap of two primitives from below over a whole box of parameters.

Take any unit direction n. For corners a of the one primitive and b of the other, n.(a - b) is at least its linear
model in the parameters less a bound of the second-order remainder; the least of these over all pairs of corners, less
both radii, bounds the gap everywhere in the box, whatever n was taken. Each pair of corners gives one form ``value +
slope.(q - centre)``, with radii and remainder already taken off `value`; its least over the box is `worst`. Where one
side stands still, its corners are put together first; a node of a tree stands for all its primitives by the corner of
its box furthest along n.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.kernel.cache import inner, spliced
from clearance.kernel.pairs import along, closest, unit
from clearance.kernel.tree import flat_gap

COARSE = 0.01
"""[1] Thickness of a node, along the direction of the gap, to what the box of parameters costs: below it a node stands
for its primitives. Smaller: better bounds along chains, from more forms."""


CENTRE, SWEPT = np.int64(0), np.int64(1)
"""Directions that are tried: between the nearest points at the centre; that, and between the boxes of all that is
swept. (Of a type that is no literal, so that compiled code is not made once for each.)"""


class Forms(NamedTuple):
    """Rows of linear forms: value (rows,) [m], slope (rows, p), worst (rows,) [m], name (rows, 2) the pair of
    primitives."""

    value: NDArray[np.float64]
    slope: NDArray[np.float64]
    worst: NDArray[np.float64]
    name: NDArray[np.int64]


def new_forms(sets: int, rows: int, size: int) -> Forms:
    """Room for several sets of rows of forms in `size` parameters, all with the number of the set first."""
    return Forms(
        np.empty((sets, rows)),
        np.empty((sets, rows, size)),
        np.empty((sets, rows)),
        np.empty((sets, rows, 2), np.int64),
    )


@inner
def forms_of(sets, k):  # type: ignore[no-untyped-def]
    """The k-th set of forms."""
    return Forms(sets.value[k], sets.slope[k], sets.worst[k], sets.name[k])


class Scratch(NamedTuple):
    """Room for one measurement: witness (2, 3), work (3, 3), direction n (3,)."""

    witness: NDArray[np.float64]
    work: NDArray[np.float64]
    n: NDArray[np.float64]


def new_scratch() -> Scratch:
    """Room for one measurement."""
    return Scratch(np.empty((2, 3)), np.empty((3, 3)), np.empty(3))


@inner
def corner_forms(place, i, corners, n, base, half, forms, k):  # type: ignore[no-untyped-def]
    """Rows of n.(corner of the moving primitive i) + base from row k on. Returns (least over the box, widest
    change)."""
    lower, widest = np.inf, 0.0
    for u in range(corners):
        value = along(n, place.corner[i, u]) + base
        change = 0.0
        for p in range(len(half)):
            slope = along(n, place.slope[i, u, p])
            forms.slope[k + u, p] = slope
            change += abs(slope) * half[p]
        forms.value[k + u], forms.worst[k + u] = value, value - change
        lower, widest = min(lower, value - change), max(widest, change)
    return lower, widest


@spliced
def moving_still(store, moving, place, half, i, s, swept, forms, k, scratch):  # type: ignore[no-untyped-def]
    """Forms of moving primitive i and primitive s of the store. Returns (gap at the centre, lower bound, rows).

    Two directions are tried, between the nearest points at the centre and, with `swept` above 0, between the boxes of
    all that is swept: that one stays straight down while a body passes over the ground. The better is kept.
    """
    witness, work, n = scratch
    core, other = place.corner[i, : moving.corners[i]], store.vertex[store.start[s] : store.start[s + 1]]
    around = moving.around[i] + store.around[s]
    apart = np.sqrt(closest(core, len(core), other, len(other), witness, work))
    unit(core, other, witness, apart, n)
    lower = _still_forms(place, i, core, other, n, around, half, forms, k)
    for d in range(3 * swept):
        lo, hi = other[0, d], other[0, d]
        for v in range(1, len(other)):
            lo, hi = min(lo, other[v, d]), max(hi, other[v, d])
        work[0, d], work[1, d] = lo, hi
    if swept > 0 and between_boxes(place.low[i], place.high[i], work[0], work[1], n) > 0.0:
        unit_of(n)
        again = _still_forms(place, i, core, other, n, around, half, forms, k + 3)
        if again > lower:
            lower = again
            _copy_rows(forms, k + 3, k, len(core))
    return apart - around, lower, len(core)


@inner
def _still_forms(place, i, core, other, n, around, half, forms, k):  # type: ignore[no-untyped-def]
    support = -np.inf
    for v in range(len(other)):
        support = max(support, along(n, other[v]))
    lower, _ = corner_forms(place, i, len(core), n, -support - around - place.bend[i], half, forms, k)
    return lower


@inner
def _copy_rows(forms, source, k, rows):  # type: ignore[no-untyped-def]
    for row in range(rows):
        forms.value[k + row], forms.worst[k + row] = forms.value[source + row], forms.worst[source + row]
        for p in range(forms.slope.shape[1]):
            forms.slope[k + row, p] = forms.slope[source + row, p]


@inner
def unit_of(n):  # type: ignore[no-untyped-def]
    norm = np.sqrt(along(n, n))
    for d in range(3):
        n[d] /= norm


@spliced
def moving_moving(moving, place, half, i, j, swept, forms, k, scratch):  # type: ignore[no-untyped-def]
    """Forms of two moving primitives. Returns (gap at the centre, lower bound, rows).

    A parameter that moves both links as one rigid whole does not change their gap: its slope is zero, and it takes no
    part in the remainder.
    """
    witness, work, n = scratch
    size = len(half)
    one, other = place.corner[i, : moving.corners[i]], place.corner[j, : moving.corners[j]]
    around = moving.around[i] + moving.around[j]
    matters = moving.matters[moving.link[i], moving.link[j]]
    apart = np.sqrt(closest(one, len(one), other, len(other), witness, work))
    unit(one, other, witness, apart, n)
    remainder = 0.0
    for p in range(size):
        if matters[p]:
            for r in range(size):
                if matters[r]:
                    remainder += (moving.curvature[i, p, r] + moving.curvature[j, p, r]) * half[p] * half[r]
    lower = _moving_forms(place, i, j, one, other, matters, n, around + 0.5 * remainder, half, forms, k)
    rows = len(one) * len(other)
    if swept > 0 and between_boxes(place.low[i], place.high[i], place.low[j], place.high[j], n) > 0.0:
        unit_of(n)
        again = _moving_forms(place, i, j, one, other, matters, n, around + 0.5 * remainder, half, forms, k + 9)
        if again > lower:
            lower = again
            _copy_rows(forms, k + 9, k, rows)
    return apart - around, lower, rows


@inner
def _moving_forms(place, i, j, one, other, matters, n, less, half, forms, k):  # type: ignore[no-untyped-def]
    lower, row = np.inf, k
    for u in range(len(one)):
        for v in range(len(other)):
            value = along(n, one[u]) - along(n, other[v]) - less
            worst = value
            for p in range(len(half)):
                slope = 0.0
                if matters[p]:
                    slope = along(n, place.slope[i, u, p]) - along(n, place.slope[j, v, p])
                forms.slope[row, p] = slope
                worst -= abs(slope) * half[p]
            forms.value[row], forms.worst[row] = value, worst
            lower = min(lower, worst)
            row += 1
    return lower


@spliced
def still_still(store, s, t, half, forms, k, scratch):  # type: ignore[no-untyped-def]
    """The constant form of two primitives of the store. Returns (gap, lower bound, rows)."""
    witness, work, n = scratch
    one, other = store.vertex[store.start[s] : store.start[s + 1]], store.vertex[store.start[t] : store.start[t + 1]]
    around = store.around[s] + store.around[t]
    apart = np.sqrt(closest(one, len(one), other, len(other), witness, work))
    unit(one, other, witness, apart, n)
    lower = flat_gap(one, other, n) - around
    for p in range(len(half)):
        forms.slope[k, p] = 0.0
    forms.value[k], forms.worst[k] = lower, lower
    return apart - around, lower, 1


@inner
def pair_forms(store, moving, place, half, a, b, swept, forms, k, scratch):  # type: ignore[no-untyped-def]
    """Forms of two primitives by name, i >= 0 the i-th moving one, -1 - s the s-th of the store, from row k on."""
    if a >= 0 and b >= 0:
        gap, lower, rows = moving_moving(moving, place, half, a, b, swept, forms, k, scratch)
    elif a >= 0 or b >= 0:
        i, s = (a, -1 - b) if a >= 0 else (b, -1 - a)
        gap, lower, rows = moving_still(store, moving, place, half, i, s, swept, forms, k, scratch)
    else:
        gap, lower, rows = still_still(store, -1 - a, -1 - b, half, forms, k, scratch)
    for row in range(k, k + rows):
        forms.name[row, 0], forms.name[row, 1] = a, b
    return gap, lower, rows


@inner
def between_boxes(low, high, other_low, other_high, n):  # type: ignore[no-untyped-def]
    """Fill n with the way from the other box to the one; returns its squared length."""
    for d in range(3):
        n[d] = 0.0
        if low[d] > other_high[d]:
            n[d] = low[d] - other_high[d]
        elif high[d] < other_low[d]:
            n[d] = high[d] - other_low[d]
    return along(n, n)


@inner
def between_cores(core, low, high, n):  # type: ignore[no-untyped-def]
    """As `between_boxes`, from a box to the box of corners core (k, 3)."""
    for d in range(3):
        lo, hi = core[0, d], core[0, d]
        for u in range(1, len(core)):
            lo, hi = min(lo, core[u, d]), max(hi, core[u, d])
        n[d] = 0.0
        if lo > high[d]:
            n[d] = lo - high[d]
        elif hi < low[d]:
            n[d] = hi - low[d]
    return along(n, n)


@inner
def node_forms(store, moving, place, half, i, node, forms, k, n):  # type: ignore[no-untyped-def]
    """Forms of moving primitive i and all primitives under a node of the store's trees.

    Returns (lower bound, looseness): by how much the node's thickness along n exceeds a small share of what the box
    costs anyway; where that is not above zero, a finer node would hardly bound better. Without a direction: (-inf,
    inf), no rows.
    """
    corners = np.int64(moving.corners[i])
    # Between the boxes of all it sweeps, so that nodes it passes over are all bounded straight down.
    norm = between_boxes(place.low[i], place.high[i], store.low[node], store.high[node], n)
    if not norm > 0.0:
        norm = between_cores(place.corner[i, :corners], store.low[node], store.high[node], n)
    if not norm > 0.0:
        return -np.inf, np.inf
    norm = np.sqrt(norm)
    support, thick = 0.0, 0.0
    for d in range(3):
        n[d] /= norm
        support += n[d] * (store.high[node, d] if n[d] > 0.0 else store.low[node, d])
        thick += abs(n[d]) * (store.high[node, d] - store.low[node, d])
    lower, widest = corner_forms(place, i, corners, n, -support - moving.around[i] - place.bend[i], half, forms, k)
    return lower, thick - COARSE * (widest + place.bend[i])
