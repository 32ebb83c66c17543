"""Owns the shapes of wires that deform and swing with the weather: from what `clearance.conductor.placing` found to
`Shape`.

To move a wire with the sweep: `wire_shape` gives the conductor or bundle with its rate, `string_shape` a part of one
of its strings; both deform with the one shape parameter of the wire [m] and ride on a link that turns about
``placed.axis`` through ``placed.axis_point`` by the swing. The frame is the scene's: the link's pose at swing 0 is the
identity.

To have all of it stand still, wherever it may be: `envelope_shape`, `string_envelope` and `ring_envelope`, for wires
that swing independently of one another; `strays_m` says how far from its nominal place a point of a wire may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import acos, ceil, cos, hypot, pi, sin
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance import shapes
from clearance.bodies import insulator
from clearance.conductor.lines import Placed
from clearance.conductor.ranges import rotation
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape, nearest_on

Floats = NDArray[np.float64]
End = Literal["from string", "to string"]

BOW_M: Final = 0.01
"""[m] Greatest bow of a swing arc between two neighbouring angles of an envelope; goes into its radius. Smaller: more
triangles."""

THIN_M: Final = 0.005
"""[m] Vertices of a wire are merged in its envelope while it stays this close; goes into uncertainty. Smaller: more
triangles."""

LAYER_M: Final = 0.05
"""[m] Half the step between the shapes at which an envelope has its layers; goes into its radius. Smaller: more
layers."""

MOST_LAYERS: Final = 6
"""[1] Layers at most: past 0.6 m of shape they lie further apart, and are thicker."""

WHEREVER: Final = "wherever the weather may take it"
"""Note of a body that is an envelope: drawings show it as a place that something may be in, not as a thing."""

ROUNDING_M: Final = 1e-9
"""[m] Added to every uncertainty for rounding."""


def wire_shape(
    placed: Placed,
    diameter_m: float,
    uncertainty_m: float = 0.0,
    offsets_m: Sequence[tuple[float, float]] = ((0.0, 0.0),),
) -> Shape:
    """Capsules along the conductor, or along each subconductor of a bundle, with their rate.

    Parameters
    ----------
    placed: where the wire may be
    diameter_m: of one subconductor [m]
    uncertainty_m: survey and model error of the wire [m]; what the family of shapes leaves open is added
    offsets_m: places of the subconductors about the wire, across (left) and up [m]

    A subconductor keeps its offset in the wire's vertical plane at swing 0; spacers hold it square to the wire instead,
    which differs by the offset times the sine of the steepest slope. That goes into uncertainty.

    Examples
    --------
    >>> from clearance.conductor.lines import End, Known, Line
    >>> from clearance.conductor.placing import place
    >>> line = Line("bus", End((0, 0, 20)), End((100, 0, 20)), 0.028, known=Known(constant_m=900.0))
    >>> shape = wire_shape(place([line])["bus"], 0.028, 0.05)
    >>> shape.rate is not None, float(shape.vertices[0, 0, 2])
    (True, 20.0)
    """
    made = []
    for points, rate, uncertainty in _subconductors(placed, offsets_m):
        made.append(_shape(points, rate, diameter_m / 2, uncertainty + uncertainty_m))
    return shapes.join(made)


def _subconductors(placed: Placed, offsets_m: Sequence[tuple[float, float]]) -> list[tuple[Floats, Floats, Floats]]:
    """Points, rates and uncertainty (n,) of each subconductor."""
    piece = next(piece for piece in placed.pieces if piece.part == "wire")
    across = np.array([-placed.axis[1], placed.axis[0], 0.0])
    size = float(np.linalg.norm(across))
    across = across / size if size > 1e-9 else np.array([0.0, 1.0, 0.0])
    steepest = max(shapes.steepest(piece.points + v * piece.rate) for v in (0.0, *placed.shape_m))
    return [
        (
            piece.points + left * across + np.array([0.0, 0.0, up]),
            piece.rate,
            piece.room_m + hypot(left, up) * steepest,
        )
        for left, up in offsets_m
    ]


def string_shape(
    placed: Placed,
    which: End,
    open_m: tuple[float, float],
    radius_m: float,
    uncertainty_m: float = 0.0,
) -> Shape:
    """A part of a string, between two distances from its attachment [m], with its rate.

    Raises `InputError` where the wire has no such string of its own, or the part lies outside it.
    """
    points, rate, uncertainty = _part(placed, which, open_m)
    return _shape(points, rate, radius_m, uncertainty + uncertainty_m)


def _part(placed: Placed, which: End, open_m: tuple[float, float]) -> tuple[Floats, Floats, float]:
    """Points and rates of a part of a string, from its attachment on, and its uncertainty."""
    piece = next((piece for piece in placed.pieces if piece.part == which), None)
    if piece is None:
        raise InputError(Mistake((f"wire '{placed.line.name}'", which), "a string of its own", "none"))
    points, rate = piece.points, piece.rate
    top = np.asarray(placed.line.start.point if which == "from string" else placed.line.end.point, float)
    if np.linalg.norm(points[-1] - top) < np.linalg.norm(points[0] - top):
        points, rate = points[::-1], rate[::-1]
    stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    low, high = open_m
    # A polyline is shorter than its curve by less than a part in a thousand: the last station stands for the whole
    # length.
    whole = placed.line.start.string_m if which == "from string" else placed.line.end.string_m
    if not 0.0 <= low < high <= whole * (1 + 1e-9):
        found = f"{low:g} to {high:g} m"
        raise InputError(Mistake((f"wire '{placed.line.name}'", which), f"a part of its {whole:g} m", found))
    scaled = stations * (whole / stations[-1])
    inner = scaled[(scaled > low + ROUNDING_M) & (scaled < high - ROUNDING_M)]
    cuts = np.concatenate([[low], inner, [high]])
    cut = np.stack([np.interp(cuts, scaled, points[:, k]) for k in range(3)], axis=1)
    moved = np.stack([np.interp(cuts, scaled, rate[:, k]) for k in range(3)], axis=1)
    return cut, moved, piece.uncertainty_m


def _shape(points: Floats, rate: Floats, radius_m: float, uncertainty_m: float | Floats) -> Shape:
    """Capsules along points, with one uncertainty for all or one for each point: then the larger of its two ends'."""
    room = np.broadcast_to(np.asarray(uncertainty_m, float), len(points))
    made = shapes.polyline(points, radius_m, np.maximum(room[:-1], room[1:]))
    corners = np.stack([rate[:-1], rate[1:], rate[1:]], axis=1)
    return replace(made, rate=np.ascontiguousarray(corners))


def envelope_shape(
    placed: Placed,
    diameter_m: float,
    uncertainty_m: float = 0.0,
    offsets_m: Sequence[tuple[float, float]] = ((0.0, 0.0),),
) -> Shape:
    """Everywhere the conductor, or each subconductor of a bundle, may be: sheets that stand still.

    Parameters
    ----------
    placed: where the wire may be
    diameter_m: of one subconductor [m]
    uncertainty_m: survey and model error of the wire [m]
    offsets_m: places of the subconductors about the wire, across (left) and up [m]

    Every point of the true wire lies within radius and uncertainty of the shape. What the family of shapes leaves open
    (``lines.Piece.uncertainty_m``) is part of it, so let the wire be the family's at a shape v and a swing phi of their
    ranges, and x its point at a share t between two kept vertices. What the wire truly fills between layers and angles
    (2 and 3) goes into the radius, what is error (1, 4 and 5) into the uncertainty.

    1. Vertices are left out while, at the lowest and at the highest v, each stays within `THIN_M` of its share of the
       chord. The difference is linear in v, and along the wire between two vertices: its size is convex in both, so
       it holds everywhere.
    2. v is within half a step of the v of some layer, and x within that times the larger |rate| of the two vertices
       of the same point in the layer. The swing turns both alike.
    3. In the layer x has a distance r from the axis, convex in t, so no larger than at a vertex. Between neighbouring
       angles a step d apart it runs on an arc that leaves its chord by at most r (1 - cos(d / 2)): the ray from the
       axis through x meets the chord at r cos(d / 2) or further out.
    4. The chords of all t make the bilinear patch through a, b (the two vertices at the one angle) and c, d (at the
       other). It differs from the triangles a b d and a d c by |a - b - c + d| s (1 - t) with s <= t or the like, at
       most a quarter. Vertices in one plane with the axis give a plane trapezoid: the patch lies in its hull, which
       is the two triangles. So, seen along the normal of a convex a b d c, patch and triangles lie over one another,
       and differ by no more than the four corners do along it; the lesser of both bounds is taken.
    5. A bundle turns with the swing, or keeps level where its yokes do: the offset times 2 sin(phi / 2) covers both.

    Examples
    --------
    >>> from clearance.conductor.catalogue import find
    >>> from clearance.conductor.lines import End, Known, Line, Weather
    >>> from clearance.conductor.placing import place
    >>> line = Line("bus", End((0, 0, 9)), End((60, 0, 9)), 0.0281, find("Drake"), known=Known(sag_m=1.2, at_C=15.0))
    >>> placed = place([line], Weather((0, 30), (0, 10), conductor_C=(5, 60)))["bus"]
    >>> shape = envelope_shape(placed, 0.0281)
    >>> len(shape) < 250, bool(shape.radius.max() < 0.0281 / 2 + 0.061)
    (True, True)
    """
    far = min(max(abs(placed.swing_rad[0]), abs(placed.swing_rad[1])), pi)
    made = []
    for (points, rate, uncertainty), (left, up) in zip(_subconductors(placed, offsets_m), offsets_m, strict=True):
        level = hypot(left, up) * 2 * sin(far / 2)
        made.append(_envelope(placed, points, rate, diameter_m / 2, uncertainty + level + uncertainty_m))
    return shapes.join(made)


def string_envelope(
    placed: Placed, which: End, open_m: tuple[float, float], radius_m: float, uncertainty_m: float = 0.0
) -> Shape:
    """Everywhere a part of a string, between two distances from its attachment [m], may be; the proof is that of
    `envelope_shape`.

    Raises `InputError` where the wire has no such string of its own, or the part lies outside it.
    """
    points, rate, uncertainty = _part(placed, which, open_m)
    return _envelope(placed, points, rate, radius_m, uncertainty + uncertainty_m)


def ring_envelope(
    placed: Placed, which: End, at_m: float, diameter_m: float, tube_m: float, uncertainty_m: float = 0.0
) -> Shape:
    """Everywhere a ring about a string may be, across the string at a distance from its attachment [m].

    The ring keeps the direction of the string as stated; by how much the string turns over its shapes, times the ring's
    radius, goes into uncertainty.
    """
    points, rate, uncertainty = _part(placed, which, (0.0, at_m))
    tips = [points[-2:] + v * rate[-2:] for v in (0.0, *placed.shape_m)]
    ways = [(tip[1] - tip[0]) / float(np.linalg.norm(tip[1] - tip[0])) for tip in tips]
    turned = max(float(np.linalg.norm(way - ways[0])) for way in ways) * diameter_m / 2
    still = insulator.ring(points[-1], ways[0], diameter_m, tube_m, uncertainty_m)
    around = np.concatenate([still.vertices[:, 0], still.vertices[-1:, 1]])
    along = np.broadcast_to(rate[-1], around.shape)
    return _envelope(placed, around, along, tube_m / 2, uncertainty + turned + float(still.uncertainty.max()))


def strays_m(placed: Placed, point: ArrayLike) -> float:
    """How far [m] from its nominal place a point of a wire or of its strings may be, at any shape and swing.

    A vertex that shape moves by v |rate| is turned by at most 2 r sin(swing / 2); a point between two vertices moves
    no further than the one of them that moves more.
    """
    there = np.asarray(point, float)
    far = min(max(abs(placed.swing_rad[0]), abs(placed.swing_rad[1])), pi)
    best = (np.inf, 0.0)
    for piece in placed.pieces:
        moved = np.zeros(len(piece.points))
        for v in (0.0, *placed.shape_m):
            reach = _reach(placed, piece.points + v * piece.rate)
            turned = 2 * sin(far / 2) * reach + abs(v) * np.linalg.norm(piece.rate, axis=1)
            moved = np.maximum(moved, turned)
        first, way = piece.points[:-1], np.diff(piece.points, axis=0)
        _, away = nearest_on(first, way, there)
        near = int(np.argmin(away))
        if away[near] < best[0]:
            most = float(max(moved[near], moved[near + 1]))
            best = float(away[near]), float(away[near]) + most + float(piece.room_m[near : near + 2].max())
    return best[1]


def strays_along(placed: Placed) -> Floats:
    """How far (n,) [m] each point of a wire's first piece may be from its nominal place, at any shape and swing."""
    piece = placed.pieces[0]
    far = min(max(abs(placed.swing_rad[0]), abs(placed.swing_rad[1])), pi)
    moved = np.zeros(len(piece.points))
    for v in (0.0, *placed.shape_m):
        reach = _reach(placed, piece.points + v * piece.rate)
        moved = np.maximum(moved, 2 * sin(far / 2) * reach + abs(v) * np.linalg.norm(piece.rate, axis=1))
    return np.asarray(moved + piece.room_m, float)


def _reach(placed: Placed, points: Floats) -> Floats:
    """Distances (n,) of points from the axis of swing."""
    return np.asarray(np.linalg.norm(np.cross(points - placed.axis_point, placed.axis), axis=1), float)


def _envelope(placed: Placed, points: Floats, rate: Floats, radius_m: float, uncertainty_m: float | Floats) -> Shape:
    """Everything a polyline that deforms and swings may come to; uncertainty of all of it, or of each point."""
    low, high = placed.shape_m
    room = np.broadcast_to(np.asarray(uncertainty_m, float), len(points))
    kept, thinned = _thinned(points + low * rate, points + high * rate)
    # A point that is left out has the uncertainty of the segment that stands for it.
    rooms = np.array([room[one : two + 1].max() for one, two in pairwise(kept)])
    points, rate = points[kept], rate[kept]
    sizes = np.linalg.norm(rate, axis=1)
    open_m = np.maximum(sizes[:-1], sizes[1:])
    layers = min(MOST_LAYERS, max(1, ceil(float(open_m.max()) * (high - low) / (2 * LAYER_M))))
    half = (high - low) / (2 * layers)
    radius, uncertainty = radius_m + half * open_m, rooms + thinned + ROUNDING_M
    return shapes.join(
        part
        for layer in range(layers)
        for part in _sheet(placed, points + (low + half * (2 * layer + 1)) * rate, radius, uncertainty)
    )


def _thinned(first: Floats, last: Floats) -> tuple[NDArray[np.int64], float]:
    """Which vertices of two polylines (n, 3) stand for all, and how far others are from their share of a chord [m]."""
    middle = (first + last) / 2
    stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(middle, axis=0), axis=1))])

    def off(i: int, j: int) -> float:
        share = ((stations[i : j + 1] - stations[i]) / max(stations[j] - stations[i], 1e-30))[:, None]
        chords = [line[i : j + 1] - (1 - share) * line[i] - share * line[j] for line in (first, last)]
        return max(float(np.linalg.norm(chord, axis=1).max()) for chord in chords)

    kept, worst = [0], 0.0
    while kept[-1] < len(first) - 1:
        here = kept[-1]
        there, found = here + 1, 0.0
        while there < len(first) - 1 and (more := off(here, there + 1)) <= THIN_M:
            there, found = there + 1, more
        kept.append(there)
        worst = max(worst, found)
    return np.array(kept), worst


def _sheet(placed: Placed, line: Floats, radius: Floats, uncertainty: Floats) -> list[Shape]:
    """A polyline at every swing: per segment as many angles as its distance from the axis asks for."""
    low, high = placed.swing_rad
    reach = _reach(placed, line)
    made = []
    both = np.maximum(reach[:-1], reach[1:])
    for (p, q), far, thick, uncertainty_m in zip(pairwise(line), both, radius, uncertainty, strict=True):
        if far * (high - low) / 2 <= ROUNDING_M:
            one, two = (_turned(placed, point[None], (low + high) / 2) for point in (p, q))
            made.append(shapes.segments(one, two, thick, uncertainty_m + ROUNDING_M))
            continue
        cells = max(1, ceil((high - low) / (2 * acos(1 - min(BOW_M / far, 1.0)))))
        step = (high - low) / cells
        angles = np.linspace(low, high, cells + 1)
        one, two = (np.concatenate([_turned(placed, x[None], float(angle)) for angle in angles]) for x in (p, q))
        a, b, c, d = one[:-1], two[:-1], one[1:], two[1:]
        thick += far * (1 - cos(step / 2))
        around = uncertainty_m + _twist(a, b, c, d)
        made.append(shapes.triangles(np.stack([a, b, d], axis=1), thick, around))
        made.append(shapes.triangles(np.stack([a, d, c], axis=1), thick, around))
    return made


def _turned(placed: Placed, points: Floats, swing_rad: float) -> Floats:
    turn = rotation(placed.axis, swing_rad)
    return np.asarray((points - placed.axis_point) @ turn.T + placed.axis_point, float)


def _twist(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """How far bilinear patches through a, b, c, d, each (n, 3), are from their triangles a b d and a d c [m]."""
    whole = np.linalg.norm(a - b - c + d, axis=1) / 4
    normal = np.cross(d - a, c - b)
    size = np.linalg.norm(normal, axis=1)
    unit = normal / np.maximum(size, 1e-30)[:, None]
    corners = (a, b, d, c)
    heights = np.array([((corner - a) * unit).sum(axis=1) for corner in corners])
    sides = [corners[(k + 1) % 4] - corners[k] for k in range(4)]
    turns = np.array([(np.cross(sides[k - 1], sides[k]) * unit).sum(axis=1) for k in range(4)])
    # A corner that rounding alone bends inward is off by less than ROUNDING_M, which every uncertainty holds.
    convex = (size > 1e-12) & (turns >= -1e-12 * size).all(axis=0)
    flat = heights.max(axis=0) - heights.min(axis=0)
    return np.asarray(np.where(convex, np.minimum(whole, flat), whole), float)
