"""Owns enclosures: from ranges of what a line feels to a family of shapes that comes within a proven uncertainty of
every true one.

A family has one shape parameter v: how much deeper the line hangs than as stated, at half its chord [m]. Its points are
linear in v, so the sweep can move them. `span_family` makes one for a tensioned span, given the range of u = w / H
and of the tilt of the load; `clearance.conductor.loose` for a jumper or dropper.

The proof for a span, in the frame of the chord. By the facts of `planar`, for u within a cell [u1, u2] and a tilt
within d of psi, the true curve lies between those at (u1 exp(-K d), psi) and (u2 exp(K d), psi). The family at the v
of the cell's middle is compared with both at every vertex; over all cells the largest difference is the error at the
vertices. Between two vertices a step h apart the true curve leaves its chord by at most max |y''| h^2 / 8, and the
chord of the family is within the error of its ends. How far a string's end shifts along the chord within a cell is
added as well. All of this goes into uncertainty; rounding is covered by 1e-9 m.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import asinh, ceil, cos, cosh, exp, hypot, pi, sqrt, tan
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.conductor import planar
from clearance.errors import InputError, Mistake
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]

CELL_M: Final = 0.002
"""[m] How far the middle of a span moves within one cell of the proof, and the part of it that goes into uncertainty.
Smaller: a longer proof, less uncertainty."""

MOST_CELLS: Final = 4000
"""[1] Cells of u at most; past that (a range of sag over 8 m) cells grow, and uncertainty with them."""

ROUNDING_M: Final = 1e-9
"""[m] Added to every uncertainty for rounding."""


@dataclass(frozen=True, eq=False)
class Family:
    """Shapes of a line in the frame of its chord, linear in v.

    along, down: (n,) place of each vertex at v = 0, along the chord and across it towards the load [m]
    along_rate, down_rate: (n,) how they move per metre of v [1]
    cuts: indices of the vertices where the conductor begins and ends; before and after them are the strings
    range_m: lowest and highest v [m]
    uncertainty_m: every true shape lies this close to the family at some v of the range
    """

    along: Floats
    down: Floats
    along_rate: Floats
    down_rate: Floats
    cuts: tuple[int, int]
    range_m: tuple[float, float]
    uncertainty_m: float


def span_family(
    chord_m: float,
    stated: tuple[float, float],
    per_m: tuple[float, float],
    tilt_rad: tuple[float, float],
    strings_m: tuple[float, float] = (0.0, 0.0),
    ratios: tuple[float, float] = (1.0, 1.0),
    chord_error_m: float = CHORD_ERROR_M,
    what: str = "wire",
) -> Family:
    """The family of a tensioned span.

    Parameters
    ----------
    chord_m: between the ends of the curve
    stated: u [1/m] and tilt [rad] of the shape as stated, which gets v = 0 (to within the uncertainty)
    per_m, tilt_rad: ranges of u and of the tilt over the weather
    strings_m, ratios: lengths of the strain strings at both ends, and their load per metre over the conductor's
    chord_error_m: greatest chord error; part of the uncertainty

    Examples
    --------
    >>> family = span_family(300.0, (1 / 1500, 0.0), (1 / 1600, 1 / 1300), (0.0, 0.0))
    >>> print([round(v, 2) for v in family.range_m], family.uncertainty_m < 0.01)
    [-0.47, 1.16] True
    """
    low, high = per_m
    if not (0 < low <= high and tilt_rad[0] <= tilt_rad[1]):
        raise InputError(Mistake((what, "range"), "ranges [lowest, highest]", f"{per_m}, {tilt_rad}"))
    middle = chord_m / 2

    def solved(tilt: ArrayLike, per: ArrayLike) -> planar.Planar:
        return planar.solve(chord_m, tilt, per, strings_m, ratios, what)

    known = solved(stated[1], stated[0])
    lowest, highest = (solved(stated[1], per) for per in per_m)
    bend = float(np.max(planar.curvature_bound(solved(np.array(tilt_rad), high)))) * 1.01
    # A string bends more than the conductor by what it weighs more.
    bends = bend * ratios[0], bend, bend * ratios[1]
    sizes = strings_m[0], chord_m, strings_m[1]
    counts = [
        max(2, ceil(size * sqrt(b / (8.0 * chord_error_m)))) if size > 0 else 0
        for size, b in zip(sizes, bends, strict=True)
    ]
    at_low, at_high = _vertices(lowest, counts), _vertices(highest, counts)
    flat = float(planar.depth_at(known, middle))
    first, last = float(planar.depth_at(lowest, middle)) - flat, float(planar.depth_at(highest, middle)) - flat
    width = last - first
    rate = (at_high - at_low) / width if width > 1e-6 else np.zeros_like(at_low)
    at_zero = at_low - first * rate
    range_m = (first, last)
    if width <= 1e-6:
        # One shape, wherever v is: nothing moves.
        at_zero = at_low
    worst, shift = _compare(chord_m, per_m, tilt_rad, solved, (at_zero, rate, range_m), strings_m, counts)
    steps = np.maximum(np.diff(at_low[0]), np.diff(at_high[0]))
    between = float((np.repeat(bends, counts) * steps**2).max()) / 8.0
    cuts = (counts[0], counts[0] + counts[1])
    return Family(at_zero[0], at_zero[1], rate[0], rate[1], cuts, range_m, worst + shift + between + ROUNDING_M)


def _vertices(shape: planar.Planar, counts: Sequence[int]) -> Floats:
    """Vertices (2, n) of a shape, with so many chords on the first string, the conductor and the second string."""
    one, two = shape.strings_m
    edges = np.cumsum([0.0, one, float(shape.length_m), two])
    parts = [np.linspace(a, b, count + 1) for (a, b), count in zip(pairwise(edges), counts, strict=True) if count]
    return np.array(planar.at_length(shape, np.concatenate([parts[0], *(part[1:] for part in parts[1:])])))


def _compare(
    chord_m: float,
    per_m: tuple[float, float],
    tilt_rad: tuple[float, float],
    solved: Callable[[ArrayLike, ArrayLike], planar.Planar],
    family: tuple[Floats, Floats, tuple[float, float]],
    strings_m: tuple[float, float],
    counts: Sequence[int],
) -> tuple[float, float]:
    """Largest difference across the chord at the vertices, and shift of the strings' ends along it [m]."""
    at_zero, rate, (first, last) = family
    cells = min(MOST_CELLS, max(1, ceil((last - first) / CELL_M)))
    extreme = solved(np.array(tilt_rad), per_m[1])
    worth = planar.tilt_worth(extreme)
    depth = float(np.max(planar.depth_at(extreme, chord_m / 2)))
    steep = max(float(np.abs(slope).max()) for slope in planar.slopes(extreme))
    tilts = max(1, ceil(worth * (tilt_rad[1] - tilt_rad[0]) / 2 * depth / (CELL_M / 2)))
    half = (tilt_rad[1] - tilt_rad[0]) / (2 * tilts)
    edges = np.linspace(per_m[0], per_m[1], cells + 1)
    ends = counts[0], -1 - counts[2]
    worst = shift = 0.0
    for tilt in tilt_rad[0] + half * (2 * np.arange(tilts) + 1):
        lower = solved(tilt, (edges[:-1] * exp(-worth * half))[:, None])
        upper = solved(tilt, (edges[1:] * exp(worth * half))[:, None])
        # The v of each cell: that of its middle, as far as the range goes.
        middle = (planar.depth_at(lower, chord_m / 2) + planar.depth_at(upper, chord_m / 2)) / 2
        flat = np.interp(chord_m / 2, at_zero[0], at_zero[1])
        gain = np.interp(chord_m / 2, at_zero[0], rate[1])
        v = np.clip((middle - flat) / gain if gain > 0.5 else np.zeros_like(middle), first, last)
        x = np.clip(at_zero[0] + v * rate[0], 0.0, chord_m)
        y = at_zero[1] + v * rate[1]
        for curve in (lower, upper):
            worst = max(worst, float(np.abs(planar.depth_at(curve, x) - y).max()))
            for there, string, index in zip(planar.live_ends(curve), strings_m, ends, strict=True):
                if string > 0:
                    shift = max(shift, float(np.abs(there - x[:, [index]]).max()) * hypot(1.0, 1.1 * steep))
    return worst, shift


def carried(
    chord_m: float,
    tilt_rad: float,
    per_m: float,
    ends_m: float,
    strings: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 0.0), (1.0, 1.0)),
) -> float:
    """How far a line goes at most per metre that its ends go, at one u and one direction of the load.

    Follow a place at a fixed distance square to the load, in the plane of line and load: an end that goes by v goes by
    no more than P v there, P the root of 1 + p^2 with p its slope against the load's normal. Between both ends what the
    line goes along the load is shared out as its length is (the derivative of y'' = u sqrt(1 + y'^2) is solved by a
    constant and by the length), what it goes aside as the distance is: shares that differ by less than (P - 1) / 2, so
    2 P - 1 holds for both together. A strain string has its far end held: its shares grow along the line as well, and
    what its end goes along the line is less than P^3 times its length over the line's. p is bounded by that of the
    chord and u times the load between there and the end; both while the ends are on their way.
    """
    (one, two), ratios = strings
    steep = min(tilt_rad + 2.0 * ends_m / chord_m, 0.499 * pi)
    worth = (chord_m + 2.0 * ends_m) / 2.0
    if one + two > 0.0:
        # What a heavy string weighs more lies between there and one end.
        worth = 2.0 * worth + sum(max(ratio - 1.0, 0.0) * size for ratio, size in zip(ratios, (one, two), strict=True))
    steepest = cosh(asinh(tan(steep)) + per_m * worth)
    return 2.0 * steepest - 1.0 + steepest**3 * (one + two) / (chord_m * cos(steep))


@dataclass(frozen=True)
class Directions:
    """Directions a load takes against a chord: its turn about the chord and its tilt along it, lowest and highest
    [rad]."""

    turn_rad: tuple[float, float]
    tilt_rad: tuple[float, float]


def load_directions(
    chord: Floats,
    weight_N_m: float,
    force_N_m: float,
    bearings_rad: tuple[float, float] | None = None,
    least_N_m: float = 0.0,
) -> Directions:
    """Range of directions of weight plus a horizontal wind force against a chord.

    Parameters
    ----------
    chord: from start to end (3,) [m]
    weight_N_m, force_N_m: weight per metre; greatest wind force per metre
    bearings_rad: range of headings the wind blows towards, anticlockwise from x; None for any
    least_N_m: least wind force, for a stated direction

    Along each direction turn and tilt move one way as the force grows (the end of the load moves on a straight line),
    so the ends of the force count; directions are tried every half degree and a degree is added on both sides.
    """
    unit = chord / float(np.linalg.norm(chord))
    down, side = _frame(unit)
    first, last = (0.0, 2 * np.pi) if bearings_rad is None else bearings_rad
    headings = np.linspace(first, last, max(2, ceil((last - first) / np.radians(0.5)) + 1))
    blows = np.stack([np.cos(headings), np.sin(headings), np.zeros_like(headings)], axis=1)
    loads = np.concatenate([blows * force_N_m, blows * least_N_m]) - np.array([0.0, 0.0, weight_N_m])
    turns = np.arctan2(loads @ side, loads @ down)
    tilts = np.arctan2(-(loads @ unit), np.hypot(loads @ side, loads @ down))
    edge = np.radians(1.0) if force_N_m > 0 else 0.0
    around = force_N_m > 0 and float(np.min(loads @ down)) <= 1e-3 * weight_N_m
    turn = (-np.pi, np.pi) if around else (float(turns.min()) - edge, float(turns.max()) + edge)
    top = np.pi / 2
    return Directions(turn, (max(-top, float(tilts.min()) - edge), min(top, float(tilts.max()) + edge)))


def _frame(unit: Floats) -> tuple[Floats, Floats]:
    """Unit vectors square to a chord: down in its vertical plane, and to the left of its heading."""
    down = np.array([0.0, 0.0, -1.0]) + unit[2] * unit
    size = float(np.linalg.norm(down))
    # A vertical chord has no vertical plane of its own: that of the x axis is taken.
    down = down / size if size > 1e-6 else np.array([1.0, 0.0, 0.0])
    return down, np.cross(down, -unit)


def embed(family: Family, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """The family's vertices (n, 3) [m] at v = 0 and their rates (n, 3) [1], hanging in the vertical plane through two
    points."""
    unit = (end - start) / float(np.linalg.norm(end - start))
    down, _ = _frame(unit)
    points = start + family.along[:, None] * unit + family.down[:, None] * down
    return points, family.along_rate[:, None] * unit + family.down_rate[:, None] * down
