"""Owns what lies inside a closed solid: a body there is in contact with it, though the surfaces keep apart.

While the gap between a surface and a body stays above nothing over a whole box of parameters, what is inside stays
inside, so one look at the centre of the box decides. A solid that holds a point of a body gets that point as one more
primitive: the gap between the two is then nothing, at the centre and in the sweep.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body
from clearance.scene import records
from clearance.scene.records import Scene
from clearance.shapes import Shape

Floats = NDArray[np.float64]

CHUNK = 2_000_000
"""Pairs of a point and a triangle looked at in one piece: about 200 MB at most."""


def closed_names(scene: Scene) -> frozenset[str]:
    """Names of the bodies whose surface bounds a solid: boxes, cylinders, meshes read as solids, vehicles."""
    solids = (entry.name for entry in scene.solids if not isinstance(entry, records.Mesh) or entry.solid)
    return frozenset((*solids, *(entry.name for entry in scene.vehicles)))


def with_contained(
    bodies: Sequence[Body], closed: frozenset[str], place: Callable[[Body], Shape], among: Callable[[Body, Body], bool]
) -> list[Body]:
    """The bodies, each closed one with a point of every body that is inside it.

    place: the shape of a body where it is at the centre of the box
    among: whether a solid and a body are to be looked at
    """
    found, placed = [], cache(place)
    for solid in bodies:
        if solid.name in closed and len(solid.shape):
            inside = []
            for body in bodies:
                if body is not solid and len(body.shape) and among(solid, body):
                    point = first_inside(solid.shape, body.shape if body.link is None else placed(body))
                    if point is not None:
                        inside.append(point)
            if inside:
                solid = replace(solid, shape=shapes.join([solid.shape, shapes.points(inside)]))
        found.append(solid)
    return found


@lru_cache(maxsize=4096)
def first_inside(solid: Shape, other: Shape) -> tuple[float, float, float] | None:
    """The first corner of another shape's primitives that is inside a closed surface, or None.

    >>> from clearance.bodies.solid import box
    >>> first_inside(box([0, 0, 0], [2, 2, 2]), shapes.points([[3, 0, 0], [0.5, 0, 0]]))
    (0.5, 0.0, 0.0)
    """
    surface = solid.vertices[solid.corners == 3]
    if not len(surface):
        return None
    places = other.vertices[:, 0]
    low, high = surface.min(axis=(0, 1)), surface.max(axis=(0, 1))
    places = places[((places > low) & (places < high)).all(axis=1)]
    step = max(1, CHUNK // len(surface))
    for start in range(0, len(places), step):
        part = places[start : start + step]
        hit = np.flatnonzero(_inside(surface, part))
        if len(hit):
            x, y, z = part[hit[0]]
            return float(x), float(y), float(z)
    return None


def _inside(surface: Floats, places: Floats) -> NDArray[np.bool_]:
    """Whether the winding number of the surface (n, 3, 3) about each place (m, 3) is not nothing.

    By the solid angles of its triangles, as in `clearance.bodies.solid.contains`.
    """
    seen = surface[None] - places[:, None, None]
    lengths = np.linalg.norm(seen, axis=3)
    a, b, c = seen[:, :, 0], seen[:, :, 1], seen[:, :, 2]
    volume = np.einsum("mij,mij->mi", a, np.cross(b, c))
    below = lengths.prod(axis=2)
    for one, two, other in ((a, b, 2), (b, c, 0), (c, a, 1)):
        below = below + np.einsum("mij,mij->mi", one, two) * lengths[:, :, other]
    return np.asarray(np.abs((2 * np.arctan2(volume, below)).sum(axis=1)) > 2 * np.pi)
