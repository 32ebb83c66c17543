"""Owns enclosures: from ranges of what a line feels to a family of shapes that comes within a proven slack of every
true one.

A family has one shape parameter v: how much deeper the line hangs than as stated, at half its chord [m]. Its points are
linear in v, so the sweep can move them. `span_family` makes one for a tensioned span, given the range of u = w / H
and of the tilt of the load; `loose_family` for a slack jumper or dropper, whose length is fixed and whose load
changes direction.

The proof for a span, in the frame of the chord. By the facts of `planar`, for u within a cell [u1, u2] and a tilt
within d of psi, the true curve lies between those at (u1 exp(-K d), psi) and (u2 exp(K d), psi). The family at the v
of the cell's middle is compared with both at every vertex; over all cells the largest difference is the error at the
vertices. Between two vertices a step h apart the true curve leaves its chord by at most max |y''| h^2 / 8, and the
chord of the family is within the error of its ends. How far a string's end shifts along the chord within a cell is
added as well. All of this goes into slack; rounding is covered by 1e-9 m.

For a loose line the shapes are compared at samples of the load's direction, and the largest move between two
neighbouring samples is added whole: an allowance, not a proof, since a shape's path between two samples 1/64 of the
range apart is taken to be no longer than twice the straight distance between them. `tests/test_conductor_placing.py`
tries both on random weather.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, exp, hypot, sqrt
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.conductor import planar
from clearance.conductor.elastic import Hung, Segment, along, hang
from clearance.errors import InputError, Mistake
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]

CELL_M: Final = 0.002
"""[m] How far the middle of a span moves within one cell of the proof, and the part of it that goes into slack.
Smaller: a longer proof, less slack."""

MOST_CELLS: Final = 4000
"""[1] Cells of u at most; past that (a range of sag over 8 m) cells grow, and slack with them."""

SAMPLES: Final = 65
"""[1] Directions of the load at which a loose line is solved."""

LENGTHS: Final = 41
"""[1] Points of a loose line, at equal lengths, at which it is worked out how far moving ends take it."""

HALF: Final = sqrt(0.5)

WAYS: Final = tuple(
    np.array(way)
    for way in (
        (1.0, 0.0, 0.0), (-1.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0), (0.0, -1.0, 0.0),
        (HALF, 0.0, HALF), (HALF, 0.0, -HALF), (-HALF, 0.0, HALF), (-HALF, 0.0, -HALF),
    )
)  # fmt: skip
"""Directions an end of a loose line is moved in: along its chord, in its plane and across it."""

TAUT: Final = 0.9999
"""[1] A loose line whose ends are this part of its length apart counts as pulled straight."""

ROUNDING_M: Final = 1e-9
"""[m] Added to every slack for rounding."""


@dataclass(frozen=True, eq=False)
class Family:
    """Shapes of a line in the frame of its chord, linear in v.

    along, down: (n,) place of each vertex at v = 0, along the chord and across it towards the load [m]
    along_rate, down_rate: (n,) how they move per metre of v [1]
    cuts: indices of the vertices where the conductor begins and ends; before and after them are the strings
    range_m: lowest and highest v [m]
    slack_m: every true shape lies this close to the family at some v of the range
    """

    along: Floats
    down: Floats
    along_rate: Floats
    down_rate: Floats
    cuts: tuple[int, int]
    range_m: tuple[float, float]
    slack_m: float


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
    stated: u [1/m] and tilt [rad] of the shape as stated, which gets v = 0 (to within the slack)
    per_m, tilt_rad: ranges of u and of the tilt over the weather
    strings_m, ratios: lengths of the strain strings at both ends, and their load per metre over the conductor's
    chord_error_m: greatest chord error; part of the slack

    Examples
    --------
    >>> family = span_family(300.0, (1 / 1500, 0.0), (1 / 1600, 1 / 1300), (0.0, 0.0))
    >>> print([round(v, 2) for v in family.range_m], family.slack_m < 0.01)
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


def loose_family(
    chord_m: float,
    length_m: float,
    stated_tilt_rad: float,
    tilt_rad: tuple[float, float],
    chord_error_m: float = CHORD_ERROR_M,
    what: str = "wire",
) -> Family:
    """The family of a loose line of fixed length [m], whose load tilts along its chord within a range [rad].

    v is 0 at the stated tilt and is counted in metres of the vertex that moves most.
    """
    tilts = np.linspace(tilt_rad[0], tilt_rad[1], SAMPLES if tilt_rad[1] > tilt_rad[0] else 1)
    stated = _loose(chord_m, length_m, stated_tilt_rad, what)
    lines = [_loose(chord_m, length_m, float(tilt), what) for tilt in tilts]
    tightest = max(1.0 / max(_least(line), 1e-9) for line in (stated, *lines))
    # A bend tighter than a tenth of the length would ask for endless vertices; a fold is covered by its two legs.
    count = max(8, min(400, ceil(length_m * sqrt(tightest / (8.0 * chord_error_m)))))
    known = _at_shares(stated, count)
    shapes = np.array([_at_shares(line, count) for line in lines])
    chord_error = max(_chord_error(points, length_m / count) for points in (known, *shapes))
    direction = shapes[-1] - shapes[0]
    size = float(np.linalg.norm(direction, axis=1).max())
    if size <= 1e-6:
        off = float(np.linalg.norm(shapes[0] - known, axis=1).max())
        return Family(
            known[:, 0],
            known[:, 1],
            np.zeros(count + 1),
            np.zeros(count + 1),
            (0, count),
            (0.0, 0.0),
            off + chord_error + ROUNDING_M,
        )
    rate = direction / size
    # Each shape's v: where the family comes closest to it in the least-squares sense.
    weight = float((rate * rate).sum())
    values = ((shapes - shapes[0]) * rate).sum(axis=(1, 2)) / weight
    zero = float(((known - shapes[0]) * rate).sum() / weight)
    off = np.linalg.norm(shapes - (shapes[0] + values[:, None, None] * rate), axis=2).max()
    step = np.linalg.norm(np.diff(shapes, axis=0), axis=2).max() if len(shapes) > 1 else 0.0
    base = shapes[0] + zero * rate
    range_m = float(min(values.min(), zero) - zero), float(max(values.max(), zero) - zero)
    slack = float(off) + float(step) + chord_error + ROUNDING_M
    return Family(base[:, 0], base[:, 1], rate[:, 0], rate[:, 1], (0, count), range_m, slack)


def _loose(chord_m: float, length_m: float, tilt_rad: float, what: str) -> Hung:
    """A loose line under a unit load of the given tilt, in the plane of x along its chord and z against the load."""
    load = (-float(np.sin(tilt_rad)), 0.0, -float(np.cos(tilt_rad)))
    return hang([0.0, 0.0, 0.0], [chord_m, 0.0, 0.0], [Segment(length_m, load)], what=what)


def _least(line: Hung) -> float:
    load = np.asarray(line.segments[0].load_N_m)
    at = min(max(float(line.force @ load), 0.0), line.segments[0].length_m)
    return float(np.linalg.norm(line.force - load * at))


def _at_shares(line: Hung, count: int) -> Floats:
    """Points (count + 1, 2) at equal lengths: along the chord and down."""
    found = along(line.force, line.segments[0], np.linspace(0.0, line.segments[0].length_m, count + 1))
    return np.stack([found[:, 0], -found[:, 2]], axis=1)


def _chord_error(points: Floats, step_m: float) -> float:
    """Greatest distance of an arc of given length from its chord: a triangle over the chord at worst."""
    chords = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return float(np.sqrt(np.maximum(step_m**2 - chords**2, 0.0)).max()) / 2.0


def embed(family: Family, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """The family's vertices (n, 3) [m] at v = 0 and their rates (n, 3) [1], hanging in the vertical plane through two
    points."""
    unit = (end - start) / float(np.linalg.norm(end - start))
    down, _ = _frame(unit)
    points = start + family.along[:, None] * unit + family.down[:, None] * down
    return points, family.along_rate[:, None] * unit + family.down_rate[:, None] * down


def ends_worth(
    chord_m: float, length_m: float, tilt_rad: Sequence[float], moves_m: tuple[float, float], what: str = "wire"
) -> float:
    """How far [m] a loose line of fixed length may move anywhere: the most of `ends_worth_along`."""
    return float(ends_worth_along(chord_m, length_m, tilt_rad, moves_m, what).max())


def ends_worth_along(
    chord_m: float, length_m: float, tilt_rad: Sequence[float], moves_m: tuple[float, float], what: str = "wire"
) -> Floats:
    """How far [m] each of 41 points at equal lengths of a loose line may move when its ends move by up to `moves_m`
    each, in any direction.

    Each end is moved towards and away from the other, across it both ways and between, by as much as it may, the other
    held; at every tilt given. What the two do is added, and a tenth to it. Where the ends would pull the line straight
    it is taken as straight: it then holds them.
    """
    start, end = np.zeros(3), np.array([chord_m, 0.0, 0.0])
    worst = np.zeros(LENGTHS)
    for tilt in tilt_rad:
        load = np.array([-np.sin(tilt), 0.0, -np.cos(tilt)])
        still, both = _points(start, end, length_m, load, what), np.zeros(LENGTHS)
        for far, at_start in zip(moves_m, (True, False), strict=True):
            if far > 0:
                ends = [(start + far * way, end) if at_start else (start, end + far * way) for way in WAYS]
                moved = [_points(one, two, length_m, load, what) for one, two in ends]
                both += np.max([np.linalg.norm(points - still, axis=1) for points in moved], axis=0)
        worst = np.maximum(worst, both)
    return np.asarray(1.1 * worst, float)


def ends_moved(
    start: Floats,
    end: Floats,
    length_m: float,
    loads: Sequence[Floats],
    moves: tuple[Sequence[Floats], Sequence[Floats]],
    what: str = "wire",
) -> Floats:
    """How far [m] each of 41 points at equal lengths of a loose line moves when its ends take the displacements given,
    under each of the loads (3,).

    Straight where its ends would pull it so.
    """
    worst = np.zeros(LENGTHS)
    for load in loads:
        still = _points(start, end, length_m, load, what)
        for one in moves[0]:
            for two in moves[1]:
                moved = _points(start + one, end + two, length_m, load, what)
                worst = np.maximum(worst, np.linalg.norm(moved - still, axis=1))
    return worst


def at_places(values: Floats, count: int) -> Floats:
    """Of values at equal lengths the larger of the two around each of so many places at equal lengths.

    >>> at_places(np.array([0.0, 1.0, 0.5]), 5).tolist()
    [0.0, 1.0, 1.0, 1.0, 0.5]
    """
    at = np.linspace(0.0, len(values) - 1.0, count)
    low, high = np.floor(at + 1e-9).astype(int), np.ceil(at - 1e-9).astype(int)
    return np.asarray(np.maximum(values[low], values[high]), float)


def _points(start: Floats, end: Floats, length_m: float, load: Floats, what: str) -> Floats:
    """Points (41, 3) at equal lengths of a loose line, stretched out where it is too short."""
    chord = float(np.linalg.norm(end - start))
    true = max(length_m, chord / TAUT)
    line = hang(start, end, [Segment(true, (float(load[0]), float(load[1]), float(load[2])))], what=what)
    return np.asarray(start + along(line.force, line.segments[0], np.linspace(0.0, true, LENGTHS)), float)
