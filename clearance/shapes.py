"""Owns `Shape`: what a body is to the engine.

A shape is a flat list of primitives, each a point, a segment or a triangle (the core) with a radius and an
uncertainty around
it. The true surface is nowhere further from the core than radius + uncertainty, so a gap between two shapes is the
distance between cores less both radii, and the careful gap is that less both uncertainties.

To make one use `points`, `segments`, `polyline` or `triangles`; to put several together use `join`; to place one use
`moved`. `Shape.rate` is for shapes that deform: how each vertex moves per unit of the body's shape parameter;
`at_value` stops one there, and `taken` gives some of a shape's primitives.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Shape:
    """Primitives in flat arrays.

    vertices: (n, 3, 3) corners of each primitive [m]; a segment repeats its second corner, a point its only one
    corners: (n,) 1 for a point, 2 for a segment, 3 for a triangle
    radius: (n,) distance from the core to the surface [m]
    uncertainty: (n,) the true surface is nowhere further than this outside the modelled one [m]
    rate: (n, 3, 3) displacement of each corner per unit of the shape parameter [m], or None for a rigid shape;
        `vertices` are then the corners where that parameter is zero, corners at value v are ``vertices + rate * v``
    """

    vertices: Floats
    corners: NDArray[np.int8]
    radius: Floats
    uncertainty: Floats
    rate: Floats | None = None

    def __len__(self) -> int:
        return len(self.corners)

    @property
    def bounds(self) -> tuple[Floats, Floats]:
        """Lowest and highest corner of a box that holds the whole shape, radius and uncertainty included [m]."""
        around = (self.radius + self.uncertainty)[:, None]
        return (self.vertices.min(axis=1) - around).min(axis=0), (self.vertices.max(axis=1) + around).max(axis=0)


def _shape(vertices: Floats, corners: int, radius: ArrayLike, uncertainty: ArrayLike) -> Shape:
    count = len(vertices)
    around = np.full(count, radius, float), np.full(count, uncertainty, float)
    for name, values in (("vertices", vertices), ("radius", around[0]), ("uncertainty", around[1])):
        if not np.isfinite(values).all():
            raise InputError(Mistake(("shape", name), "finite numbers", "NaN or infinity"))
    if (around[0] < 0).any() or (around[1] < 0).any():
        raise InputError(Mistake(("shape", "radius and uncertainty"), "numbers of at least 0 m", "a negative one"))
    return Shape(np.ascontiguousarray(vertices, float), np.full(count, corners, np.int8), *around)


def points(xyz: ArrayLike, radius: ArrayLike = 0.0, uncertainty: ArrayLike = 0.0) -> Shape:
    """Points (n, 3) [m], each a ball of its radius [m].

    >>> len(points([[0, 0, 0], [1, 0, 0]], radius=0.5))
    2
    """
    xyz = np.asarray(xyz, float).reshape(-1, 3)
    return _shape(np.repeat(xyz[:, None, :], 3, axis=1), 1, radius, uncertainty)


def segments(start: ArrayLike, end: ArrayLike, radius: ArrayLike = 0.0, uncertainty: ArrayLike = 0.0) -> Shape:
    """Segments from start (n, 3) to end (n, 3) [m], each a capsule of its radius [m]."""
    start, end = np.asarray(start, float).reshape(-1, 3), np.asarray(end, float).reshape(-1, 3)
    return _shape(np.stack([start, end, end], axis=1), 2, radius, uncertainty)


def polyline(xyz: ArrayLike, radius: ArrayLike = 0.0, uncertainty: ArrayLike = 0.0) -> Shape:
    """The n - 1 segments along n points (n, 3) [m]."""
    xyz = np.asarray(xyz, float).reshape(-1, 3)
    return segments(xyz[:-1], xyz[1:], radius, uncertainty)


def triangles(corners: ArrayLike, radius: ArrayLike = 0.0, uncertainty: ArrayLike = 0.0) -> Shape:
    """Triangles (n, 3, 3) [m], each thickened by its radius [m] on every side."""
    return _shape(np.asarray(corners, float).reshape(-1, 3, 3), 3, radius, uncertainty)


def empty() -> Shape:
    """A shape without primitives: every gap to it is infinite."""
    return points(np.zeros((0, 3)))


def join(shapes: Iterable[Shape]) -> Shape:
    """One shape of all primitives, in the order given."""
    parts = list(shapes)
    if not parts:
        return empty()
    rates = None
    if any(part.rate is not None for part in parts):
        rates = np.concatenate([np.zeros_like(part.vertices) if part.rate is None else part.rate for part in parts])
    return Shape(
        np.concatenate([part.vertices for part in parts]),
        np.concatenate([part.corners for part in parts]),
        np.concatenate([part.radius for part in parts]),
        np.concatenate([part.uncertainty for part in parts]),
        rates,
    )


def nearest_on(start: ArrayLike, way: ArrayLike, point: ArrayLike) -> tuple[Floats, Floats]:
    """The places on straight pieces that are nearest to a point, or each to its own: shares (n,) of the way along, and
    distances (n,).

    start, way: where each piece begins and how it goes on from there (n, d); point: (d,) or (n, d)

    >>> share, away = nearest_on([[0.0, 0.0], [2.0, 0.0]], [[2.0, 0.0], [0.0, 2.0]], [1.0, 1.0])
    >>> share.tolist(), away.tolist()
    ([0.5, 0.5], [1.0, 1.0])
    """
    begun, along, there = np.asarray(start, float), np.asarray(way, float), np.asarray(point, float)
    size = np.maximum((along * along).sum(axis=1), 1e-30)
    share = np.clip(((there - begun) * along).sum(axis=1) / size, 0.0, 1.0)
    return share, np.linalg.norm(there - begun - share[:, None] * along, axis=1)


def steepest(points: ArrayLike) -> float:
    """Sine of the steepest slope of a line through points (n, 3); a piece of no length, as between two loads at one
    place, has none.

    >>> steepest([[0.0, 0.0, 0.0], [4.0, 0.0, 3.0], [4.0, 0.0, 3.0], [9.0, 0.0, 3.0]])
    0.6
    """
    steps = np.diff(np.asarray(points, float), axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    return float(np.max(np.abs(steps[:, 2]) / np.where(lengths > 0.0, lengths, 1.0)))


def at_value(shape: Shape, value: float) -> Shape:
    """The shape where its shape parameter has a value, rigid from there on."""
    return shape if shape.rate is None else replace(shape, vertices=shape.vertices + shape.rate * value, rate=None)


def taken(shape: Shape, which: ArrayLike) -> Shape:
    """Some primitives of a shape, by their numbers or by a mask."""
    at = np.asarray(which)
    rate = None if shape.rate is None else shape.rate[at]
    return Shape(shape.vertices[at], shape.corners[at], shape.radius[at], shape.uncertainty[at], rate)


def moved(shape: Shape, rotation: ArrayLike | None = None, translation: ArrayLike = (0.0, 0.0, 0.0)) -> Shape:
    """The shape turned by a (3, 3) rotation, then shifted by (3,) [m]."""
    turn = np.eye(3) if rotation is None else np.asarray(rotation, float)
    vertices = shape.vertices @ turn.T + np.asarray(translation, float)
    rate = None if shape.rate is None else shape.rate @ turn.T
    return replace(shape, vertices=vertices, rate=rate)


def thickened(shape: Shape, uncertainty_m: float | Floats) -> Shape:
    """The shape with more uncertainty [m] on every primitive, of each by itself or of all alike."""
    return replace(shape, uncertainty=shape.uncertainty + uncertainty_m)
