"""Owns how far the points of a loose line go when its ends do, for a load whose tilt lies in a range.

The proof. Let the ends go by p and q, on straight ways and at even speed, |p| + |q| at most `reach`. On the way the
chord is at most its share of the way between the stated and the last one, and never longer than the line; it turns by
at most asin(reach / chord), and with it the tilt of the load. Loads of another turn about the chord are turned pictures
of the same. So all lines met lie in known cells of chord and tilt, whose `end_rates` hold. By the last chord a point
then goes no further than the least of three:

- by way: the rates of the ends times |p| and |q|, summed over the way;
- by part: as its place on the chord goes, and as it goes against that place. The place at share k goes by
  (1 - k) p + k q, the square of which is (1 - k) p^2 + k q^2 - k (1 - k) (q - p)^2, and q - p is no shorter than the
  chords differ. Against it the point goes by the rate `apart` summed over all that the chord gets longer and shorter,
  and by `aside` times `reach`;
- by line: as its place goes, and as far as both lines leave their chords. The point at share k of a line is within
  k S of its one end and (1 - k) S of the other, so within sqrt(k (1 - k) (S^2 - chord^2)) of its place on the chord;
  the first line is worked out.

Lines longer apart than `TAUT` of their length have no rates, but no room either. Where the ends would pull a line
straight it holds them.
"""

from __future__ import annotations

from dataclasses import fields
from functools import lru_cache
from itertools import pairwise
from math import asin, ceil, inf, log, pi
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.end_rates import EDGES, PARTS, TAUT, WIDER, Rates, points, rates
from clearance.conductor.envelope import ROUNDING_M
from clearance.conductor.lines import Line

Floats = NDArray[np.float64]
Pair = tuple[float, float]

TILT_CELL_RAD: Final = 0.015
"""[rad] Width of the cells of the load's tilt. Smaller: a longer proof, a lower bound."""

CHORD_CELL: Final = 0.01
"""[1] Width of the cells of the chord over the line's length; and by `GAP_RATIO` at most what it falls short of the
length differs at both ends of one."""

GAP_RATIO: Final = 1.08


@lru_cache(maxsize=256)
def ends_worth_along(chord_m: float, length_m: float, tilt_rad: Pair, moves_m: Pair, apart_m: float = inf) -> Floats:
    """How far [m] each of `PARTS` parts of a loose line, of equal length, may go when its ends do.

    Parameters
    ----------
    chord_m, length_m: between the ends as stated, and of the line [m]
    tilt_rad: least and greatest tilt of the load along the stated chord [rad]
    moves_m: how far its start and its end go at most, whatever way [m]
    apart_m: how far apart the ends come at most [m], where that is less than `moves_m` allow

    Examples
    --------
    A jumper goes no further than its end does; one that is nearly taut sinks by more:

    >>> print(round(float(ends_worth_along(5.0, 7.0, (0.2, 0.2), (0.3, 0.0)).max()), 1))
    0.3
    >>> print(round(float(ends_worth_along(5.0, 5.1, (0.2, 0.2), (0.05, 0.0)).max()), 1))
    0.2
    """
    if moves_m[0] + moves_m[1] == 0.0:
        return np.zeros(PARTS)
    reach = max(moves_m[0] + moves_m[1], ROUNDING_M)
    taut = TAUT * length_m
    shortest, longest = max(chord_m - reach, 0.0), max(chord_m, min(chord_m + reach, apart_m, length_m))
    below, above = _edges(shortest, chord_m, length_m), _edges(chord_m, min(longest, taut), length_m)
    edges = np.concatenate([below, above[1:]])
    place = _places(chord_m, edges, moves_m)
    room = np.sqrt(np.maximum(length_m**2 - edges**2, 0.0))[:, None] * np.sqrt(_middle())
    if chord_m >= taut:
        return _rounded((place + room + room[len(below) - 1]).max(axis=0))
    turn = asin(reach / chord_m) if reach < chord_m else pi
    most = _most(edges, (max(tilt_rad[0] - turn, -pi / 2), min(tilt_rad[1] + turn, pi / 2)), length_m)
    first, last = np.full(len(edges) - 1, chord_m), edges[1:]

    def mean(rate: Floats) -> Floats:
        """Over ways to each last chord, or to a shorter one of its cell."""
        step = (last - first)[:, None]
        sums = _integral(edges, rate, last) - _integral(edges, rate, first)
        return np.where(step != 0.0, sums / np.where(step != 0.0, step, 1.0), rate[len(below) - 2])

    by_way = moves_m[0] * mean(most.start) + moves_m[1] * mean(most.end)
    # On the way the chord may first get shorter, down to its distance from the start of it.
    across = np.clip((reach + (chord_m**2 - edges[:-1] ** 2) / reach) / 2.0, 0.0, reach)
    nearest = np.sqrt(np.maximum(np.minimum(chord_m**2 - across**2, edges[:-1] ** 2), shortest**2))
    back_and_forth = _integral(edges, most.apart, first) + _integral(edges, most.apart, last)
    by_length = back_and_forth - 2.0 * _integral(edges, most.apart, nearest)
    by_part = place[:-1] + by_length + reach * mean(most.aside)
    by_line = place + _off(chord_m, tilt_rad, length_m) + room
    worth = np.minimum(np.minimum(by_way, by_part), by_line[:-1]).max(axis=0)
    if longest > taut:
        # From the last line that has rates a point goes on by no more than the room of two.
        beyond = place[-1] + by_length[-1] + reach * most.aside[-1] + 2.0 * room[-1]
        worth = np.maximum(worth, np.minimum(beyond, by_line[-1]))
    return _rounded(worth)


def _rounded(worth: Floats) -> Floats:
    return np.asarray(worth * (1.0 + WIDER) + ROUNDING_M, float)


def line_worth_along(line: Line, tilt_rad: Pair, more_m: Pair = (0.0, 0.0)) -> Floats:
    """The same for a loose line whose ends go as its records say, and so much further each [m]."""
    start, end = np.asarray(line.start.point, float), np.asarray(line.end.point, float)
    first, last = (np.array(side.moves_m or [(0.0, 0.0, 0.0)]) for side in (line.start, line.end))
    uncertainties = line.start.moves_uncertainty_m + more_m[0], line.end.moves_uncertainty_m + more_m[1]
    sizes = [float(np.linalg.norm(ways, axis=1).max()) for ways in (first, last)]
    # The distance between two points is convex in both, so most at corners of what they may be.
    apart = float(np.linalg.norm((end + last)[None] - (start + first)[:, None], axis=2).max()) + sum(uncertainties)
    chord, length = float(np.linalg.norm(end - start)), line.length_m or 0.0
    return ends_worth_along(chord, length, tilt_rad, (sizes[0] + uncertainties[0], sizes[1] + uncertainties[1]), apart)


def at_vertices(worth: Floats, count: int) -> Floats:
    """Of what parts of a line are worth, a value at each of so many places at equal lengths: of the two around a step
    the larger is the most of the step and of what is next to it, and an end has that of its own part alone.

    >>> worth = np.zeros(PARTS)
    >>> worth[1] = 1.0
    >>> at_vertices(worth, 5).tolist()
    [0.0, 1.0, 0.0, 0.0, 0.0]
    """
    at = np.arange(count)
    low, high = (at - 0.5) / (count - 1), (at + 0.5) / (count - 1)
    low[1], high[0], low[-1], high[-2] = 0.0, 0.0, 1.0, 1.0
    first = np.clip(np.floor(low * PARTS - 1e-9), 0, PARTS - 1).astype(int)
    last = np.clip(np.ceil(high * PARTS + 1e-9), 1, PARTS).astype(int)
    return np.array([worth[one:two].max() for one, two in zip(first, last, strict=True)])


def _middle() -> Floats:
    """The most of k (1 - k) in each part."""
    middle = np.clip(0.5, EDGES[:-1], EDGES[1:])
    return np.asarray(middle * (1.0 - middle), float)


def _places(stated: float, edges: Floats, moves: Pair) -> Floats:
    """How far places on the chord go, by the last chord: from each edge (n,) to the next (n, PARTS) [m]."""
    ends = EDGES * (1.0 - EDGES)
    # The least by which the last chord differs from the first.
    gap = np.maximum(np.maximum(edges - stated, 0.0), np.append(stated - edges[1:], 0.0))
    squares, sizes = (moves[0] ** power + EDGES * (moves[1] ** power - moves[0] ** power) for power in (2, 1))
    most = np.maximum(squares[:-1], squares[1:]) - np.minimum(ends[:-1], ends[1:]) * gap[:, None] ** 2
    return np.asarray(np.minimum(np.sqrt(np.maximum(most, 0.0)), np.maximum(sizes[:-1], sizes[1:])), float)


def _edges(low: float, high: float, length: float) -> Floats:
    """Edges of cells of the chord [m], finer as it comes near to the length."""
    if high <= low:
        return np.array([low])
    ratio = max(length - high, 1e-9 * length) / (length - low)
    count = max(ceil(-log(ratio) / log(GAP_RATIO)), ceil((high - low) / (CHORD_CELL * length)), 1)
    edges = length - (length - low) * ratio ** np.linspace(0.0, 1.0, count + 1)
    edges[0], edges[-1] = low, high
    return np.asarray(edges, float)


def tilt_cells(tilt_rad: Pair) -> tuple[Floats, Floats]:
    """Least and greatest tilts (n,) of cells of a range [rad]."""
    edges = np.linspace(*tilt_rad, max(1, ceil((tilt_rad[1] - tilt_rad[0]) / TILT_CELL_RAD)) + 1)
    return edges[:-1], edges[1:]


def _most(edges: Floats, tilt_rad: Pair, length: float) -> Rates:
    """Largest rates of lines whose chord is in each cell, or in one of shorter chords, over a range of tilts."""
    tilts = tilt_cells(tilt_rad)
    found = [
        rates((np.full_like(tilts[0], low), np.full_like(tilts[0], high)), tilts, length)
        for low, high in pairwise(edges)
    ]
    return Rates(
        *(np.maximum.accumulate([getattr(one, field.name).max(axis=0) for one in found]) for field in fields(Rates))
    )


def _integral(edges: Floats, rate: Floats, to: Floats) -> Floats:
    """Integral of a rate (cells, PARTS), even over each cell, from the first edge to each of some places (n,)."""
    sums = np.concatenate([np.zeros((1, PARTS)), np.cumsum(np.diff(edges)[:, None] * rate, axis=0)])
    cell = np.clip(np.searchsorted(edges, to, side="right") - 1, 0, len(rate) - 1)
    return np.asarray(sums[cell] + (to - edges[cell])[:, None] * rate[cell], float)


def _off(chord: float, tilt_rad: Pair, length: float) -> Floats:
    """How far the parts of a line are from their places on its chord, over a range of tilts (PARTS,) [m].

    Within a cell of the tilt: as far as at its middle, and by what turning the chord by half a cell adds.
    """
    tilts = tilt_cells(tilt_rad)
    found = points(chord, (tilts[0] + tilts[1]) / 2.0, length, PARTS)
    off = np.hypot(found[..., 0] - EDGES * chord, found[..., 1])
    # An arc of a length leaves its chord by no more than a triangle does.
    steps = np.linalg.norm(np.diff(found, axis=1), axis=2)
    arcs = np.sqrt(np.maximum((length / PARTS) ** 2 - steps**2, 0.0)) / 2.0
    cell = np.full_like(tilts[0], chord)
    turned = (chord * (tilts[1] - tilts[0]) / 2.0)[:, None] * rates((cell, cell), tilts, length).aside
    most = (np.maximum(off[:, :-1], off[:, 1:]) + arcs + turned).max(axis=0)
    return np.asarray(np.minimum(most, np.sqrt(max(length**2 - chord**2, 0.0) * _middle())), float)
