"""Owns enclosures of loose lines: jumpers and droppers of fixed length, whose load changes direction and whose ends may
move.

`loose_family` makes a family (see `clearance.conductor.envelope`) over a range of the load's tilt along the chord;
`ends_worth_along` and `ends_moved` say how far each point goes when the ends move.

The proof of a family, ends held. In the frame of the load a line of length S between two points is a catenary of span
L = C cos psi and rise r = C sin psi. Its half parameter u, sinh(u) / u = sqrt(S^2 - r^2) / L, grows with |psi|, because
(S^2 - C^2 t) / (1 - t) grows with t = sin^2 psi for S > C; q = artanh(r / S) grows with psi. The height of the point at
the fraction k of the span, (L sinh(u k) / u) sinh(q - u (1 - k)), is a product of two factors that are each monotone
in L, u and q, and so is the arc between two fractions, (L sinh(u dk) / u) cosh(q + u (k1 + k2 - 1)) (`bodies.wire`
encloses a tail in the same way). So over a cell of psi every node lies within a known distance of where it is at the
cell's middle, and every point of the arc within half an arc of a node. The nodes at the middle are measured against
the family at the v that fits best; the largest sum over all cells is the slack. Where the chord comes near to the
direction of the load the span vanishes; there, and where cells would grow too many, the slack is an allowance: shapes
at samples of the direction, and the largest move between two neighbours added whole.

What moving ends are worth is an allowance too: the moves given are tried, and a tenth is added.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from math import ceil, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.catenary import half_parameter, log_ratio
from clearance.conductor.elastic import Hung, Segment, along, hang
from clearance.conductor.envelope import ROUNDING_M, Family
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]

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

NODES: Final = 600
"""[1] Chords of a true shape in the proof; half of one goes into slack, 7 mm on a line of 8 m."""

CELL_M: Final = 0.004
"""[m] About how far a point moves within one cell of the proof; goes into slack."""

MOST_CELLS: Final = 6000
"""[1] Cells of the tilt at most: past that the slack is an allowance."""

LEAST_SPAN: Final = 0.05
"""[1] A line whose span across the load is a smaller part of its length is not proved: its parameter runs away."""

SOLVER_WIDENING: Final = 1e-9
"""[1] Solved catenary parameters are widened by this part on both sides; the solver converges to about 1e-15."""


@lru_cache(maxsize=256)
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

    Examples
    --------
    >>> family = loose_family(5.0, 6.0, 0.3, (0.1, 0.5))
    >>> family.proved, family.slack_m < 0.05
    (True, True)
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
    tried = float(off) + float(step) + chord_error + ROUNDING_M
    made = Family(base[:, 0], base[:, 1], rate[:, 0], rate[:, 1], (0, count), range_m, tried, proved=False)
    proved = _proved(made, chord_m, length_m, tilt_rad)
    return made if proved is None else replace(made, slack_m=proved + ROUNDING_M, proved=True)


def _proved(family: Family, chord_m: float, length_m: float, tilt_rad: tuple[float, float]) -> float | None:
    """Largest distance [m] of any true shape from the family, or None where it cannot be had."""
    low, high = tilt_rad
    if chord_m * min(np.cos(low), np.cos(high)) < LEAST_SPAN * length_m or chord_m >= TAUT * length_m:
        return None
    # A point goes about its length per radian, and further the tauter the line: the cells' width is tried and halved.
    cells = max(8, ceil(length_m * (high - low) / CELL_M))
    for _ in range(6):
        if cells > MOST_CELLS:
            return None
        edges = np.linspace(low, high, cells + 1)
        far, room = _cells(family, chord_m, length_m, edges)
        if float(room.max()) <= 2.0 * CELL_M + length_m / NODES:
            return float((far + room).max())
        cells *= 2
    return float((far + room).max())


def _cells(family: Family, chord_m: float, length_m: float, edges: Floats) -> tuple[Floats, Floats]:
    """Per cell of the tilt: how far the line at its middle is from the family, and how far from there it may be [m]."""
    middle = (edges[:-1] + edges[1:]) / 2.0
    turn = (edges[1:] - edges[:-1]) / 2.0
    sizes = np.abs(np.stack([edges[:-1], edges[1:]]))
    largest = sizes.max(axis=0)
    least = np.where(edges[:-1] * edges[1:] <= 0, 0.0, sizes.min(axis=0))
    spans = chord_m * np.cos(largest), chord_m * np.cos(least)
    halves = tuple(
        half_parameter(log_ratio(chord_m * np.cos(tilt), chord_m * np.sin(tilt), length_m)) * (1.0 + wide)
        for tilt, wide in ((least, -SOLVER_WIDENING), (largest, SOLVER_WIDENING))
    )
    leans = tuple(np.arctanh(chord_m * np.sin(tilt) / length_m) for tilt in (edges[:-1], edges[1:]))
    half = half_parameter(log_ratio(chord_m * np.cos(middle), chord_m * np.sin(middle), length_m))
    lean = np.arctanh(chord_m * np.sin(middle) / length_m)
    # Nodes at equal lengths of the line at each cell's middle: the slope is sinh(q + u (2 k - 1)) at the fraction k.
    first, last = np.sinh(lean - half), np.sinh(lean + half)
    slopes = first[:, None] + (last - first)[:, None] * np.linspace(0.0, 1.0, NODES + 1)
    k = np.clip(((np.arcsinh(slopes) - lean[:, None]) / half[:, None] + 1.0) / 2.0, 0.0, 1.0)
    span = chord_m * np.cos(middle)
    at_middle = _grown(span, half, k) * np.sinh(lean[:, None] - half[:, None] * (1.0 - k))
    one = _grown(spans[0], halves[0], k), _grown(spans[1], halves[1], k)
    two = (
        np.sinh(leans[0][:, None] - halves[1][:, None] * (1.0 - k)),
        np.sinh(leans[1][:, None] - halves[0][:, None] * (1.0 - k)),
    )
    lowest = np.where(two[0] < 0, one[1], one[0]) * two[0]
    highest = np.where(two[1] < 0, one[0], one[1]) * two[1]
    level, up = span[:, None] * k, at_middle
    across = np.maximum(spans[1] - span, span - spans[0])[:, None] * k
    rise = np.maximum(highest - at_middle, at_middle - lowest)
    # The frame of the load turns by half a cell about the start.
    moved = np.hypot(across, rise) + turn[:, None] * np.hypot(level + across, np.abs(up) + rise)
    steps, sums = np.diff(k, axis=1), k[:, 1:] + k[:, :-1] - 1.0
    turns = halves[0][:, None] * sums, halves[1][:, None] * sums
    bends = np.maximum(np.abs(leans[1][:, None] + np.maximum(*turns)), np.abs(leans[0][:, None] + np.minimum(*turns)))
    arcs = _grown(spans[1], halves[1], steps) * np.cosh(bends)
    room = moved.max(axis=1) + arcs.max(axis=1) / 2.0
    # In the frame of the chord: x along it, y towards the load.
    cosine, sine = np.cos(middle)[:, None], np.sin(middle)[:, None]
    points = np.stack([level * cosine + up * sine, level * sine - up * cosine], axis=2)
    return _from_family(family, points), room


def _grown(span: Floats, half: Floats, k: Floats) -> Floats:
    """L sinh(u k) / u."""
    safe = np.maximum(half, 1e-12)[:, None]
    return np.asarray(span[:, None] * np.sinh(safe * k) / safe, float)


def _from_family(family: Family, points: Floats) -> Floats:
    """Per set of points (cells, n, 2): their largest distance from the family's line at the v that fits best [m]."""
    base = np.stack([family.along, family.down], axis=1)
    rate = np.stack([family.along_rate, family.down_rate], axis=1)
    size = float((rate * rate).sum())
    places = np.linspace(0.0, points.shape[1] - 1.0, len(base))
    found = []
    for line in points:
        own = np.stack([np.interp(places, np.arange(len(line)), line[:, axis]) for axis in (0, 1)], axis=1)
        v = float(((own - base) * rate).sum() / size) if size > 0 else 0.0
        chain = base + min(max(v, family.range_m[0]), family.range_m[1]) * rate
        found.append(_off(line, chain))
    return np.array(found)


def _off(points: Floats, chain: Floats) -> float:
    """Largest distance of points, in order along a line, from a polyline beside it: each from the chords near its own
    share of it, which bounds the distance from all."""
    last = len(chain) - 2
    near = np.clip((np.arange(len(points)) * (last + 1)) // max(len(points) - 1, 1), 0, last)
    best = np.full(len(points), np.inf)
    for step in (-2, -1, 0, 1, 2):
        index = np.clip(near + step, 0, last)
        start, way = chain[index], chain[index + 1] - chain[index]
        share = np.clip(((points - start) * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-30), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(points - start - share[:, None] * way, axis=1))
    return float(best.max())


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
