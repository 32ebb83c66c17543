"""Owns enclosures of loose lines: jumpers and droppers of fixed length, whose ends are held while their load changes
direction.

`loose_family` makes a family (see `clearance.conductor.envelope`) over a range of the load's tilt along the chord. What
ends that move are worth is in `moved_ends`.

The proof. In the frame of the load a turn of it is a turn of the chord the other way: the end goes square to the
chord, by the chord's length times the turn. So in the frame of the chord, which turns back, a point goes per radian by
no more than the least of three, with the rates of `end_rates`: about its place on the chord, `aside` times the chord
and its own distance from that place; about the start, `end` times the chord and its length of line from there; about
the end likewise. Cells of the tilt are so narrow that no point goes further than `CELL_M` from where it is at the
middle of one. There the line is worked out (`end_rates.points`) and measured against the family at the v that fits
best; between two nodes no point is further than half an arc from one. A line that is nearly straight lies within
sqrt(S^2 - chord^2) / 2 of its chord (`moved_ends`).
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from math import ceil, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.elastic import Hung, Segment, along, hang
from clearance.conductor.end_rates import PARTS, TAUT, points, rates
from clearance.conductor.envelope import ROUNDING_M, Family
from clearance.conductor.moved_ends import tilt_cells
from clearance.shapes import nearest_on
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]

SAMPLES: Final = 65
"""[1] Directions of the load at which a loose line is solved to find its family."""

NODES: Final = 5 * PARTS
"""[1] Chords of a true shape in the proof; half of one goes into uncertainty, 7 mm on a line of 8 m."""

CELL_M: Final = 0.006
"""[m] About how far a point goes within half a cell of the proof; goes into uncertainty."""

MOST_CELLS: Final = 6000
"""[1] Cells of the tilt at most: past that they grow, and uncertainty with them."""


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
    >>> family.uncertainty_m < 0.05
    True
    """
    tilts = np.linspace(tilt_rad[0], tilt_rad[1], SAMPLES if tilt_rad[1] > tilt_rad[0] else 1)
    stated = _loose(chord_m, length_m, stated_tilt_rad, what)
    lines = [_loose(chord_m, length_m, float(tilt), what) for tilt in tilts]
    tightest = max(1.0 / max(_least(line), 1e-9) for line in (stated, *lines))
    # A bend tighter than a tenth of the length would ask for endless vertices; a fold is covered by its two legs.
    count = max(8, min(400, ceil(length_m * sqrt(tightest / (8.0 * chord_error_m)))))
    known = _at_shares(stated, count)
    shapes = np.array([_at_shares(line, count) for line in lines])
    direction = shapes[-1] - shapes[0]
    size = float(np.linalg.norm(direction, axis=1).max())
    if tilt_rad[0] == tilt_rad[1]:
        off = float(np.linalg.norm(shapes[0] - known, axis=1).max())
        off += max(_chord_error(points, length_m / count) for points in (known, shapes[0]))
        still = np.zeros(count + 1)
        return Family(known[:, 0], known[:, 1], still, still, (0, count), (0.0, 0.0), off + ROUNDING_M)
    # Where nothing moves, any direction will do.
    rate = direction / max(size, 1e-6)
    # Each shape's v: where the family comes closest to it in the least-squares sense.
    weight = max(float((rate * rate).sum()), 1e-12)
    values = ((shapes - shapes[0]) * rate).sum(axis=(1, 2)) / weight
    zero = float(((known - shapes[0]) * rate).sum() / weight)
    base = shapes[0] + zero * rate
    range_m = float(min(values.min(), zero) - zero), float(max(values.max(), zero) - zero)
    made = Family(base[:, 0], base[:, 1], rate[:, 0], rate[:, 1], (0, count), range_m, 0.0)
    return replace(made, uncertainty_m=_uncertainty(made, chord_m, length_m, tilt_rad) + ROUNDING_M)


def _uncertainty(family: Family, chord: float, length: float, tilt_rad: tuple[float, float]) -> float:
    """Largest distance [m] of any true shape from the family."""
    share = np.linspace(0.0, 1.0, len(family.along))
    furthest = float(np.hypot(family.along - share * chord, family.down).max())
    straight = furthest + sqrt(max(length**2 - chord**2, 0.0)) / 2.0
    if chord >= TAUT * length:
        return straight
    tilts = tilt_cells(tilt_rad)
    far = (tilts[1] - tilts[0]) * _speed(chord, length, tilts)
    most = min(1.0 / (2.0 * CELL_M), MOST_CELLS / max(float(far.sum()), CELL_M))
    counts = np.maximum(np.ceil(far * most), 1.0).astype(int)  # a range of nothing is one cell too
    middles = [low + (high - low) * (np.arange(n) + 0.5) / n for low, high, n in zip(*tilts, counts, strict=True)]
    off = _from_family(family, points(chord, np.concatenate(middles), length, NODES))
    return min(straight, float(off.max()) + float((far / counts).max()) / 2.0 + length / (2.0 * NODES))


def _speed(chord: float, length: float, tilts: tuple[Floats, Floats]) -> Floats:
    """How far [m] a point of a line goes at most per radian of the tilt, in the frame of the chord, per cell (n,)."""
    cell = np.full_like(tilts[0], chord)
    found = rates((cell, cell), tilts, length)
    share = np.linspace(0.0, 1.0, PARTS + 1)
    about = found.aside * chord + np.sqrt(np.maximum(length**2 - chord**2, 0.0)) / 2.0
    from_start = found.end * chord + share[1:] * length
    from_end = found.start * chord + (1.0 - share[:-1]) * length
    return np.asarray(np.minimum(about, np.minimum(from_start, from_end)).max(axis=1), float)


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
    """Largest distance of points, in order along a line, from a polyline beside it: each from the chord of its own
    share, which bounds the distance from all."""
    last = len(chain) - 2
    own = np.clip((np.arange(len(points)) * (last + 1)) // max(len(points) - 1, 1), 0, last)
    start, way = chain[own], chain[own + 1] - chain[own]
    return float(nearest_on(start, way, points)[1].max())


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
