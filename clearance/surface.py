"""Owns surfaces of fields: the closed mesh around all places where a field is below nothing, never inside them.

A field is evaluated only near its surface: it changes by at most `steepness` metres a metre, so a cube whose centre is
further from nothing than its half diagonal times that holds none of it, and is not split. What is left is cut into
tetrahedra (six a cube, alike in every cube, so that neighbours fit), and the surface is drawn where the field,
interpolated, is the lift instead of nothing. The lift is what interpolation can hide, so that no place below nothing is
outside the mesh: at a corner the most of what it can hide in any cube there; see `lift_of_distance`, `lift_of_sum` and
`hidden_about`.

The distance d to any closed set has d squared less the square of the place as a concave function. So inside a
tetrahedron of circumradius R, with g the interpolated distance, d is at least sqrt(g^2 - R^2): the distance is hidden
by g - sqrt(g^2 - R^2) at most, small of the second order far from the set.

How much larger than nothing the field is on the mesh is told by asking it there, see `most_on`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import permutations
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Field = Callable[[Floats], Floats]
"""Values [m] at places (n, 3) [m]."""

BIT: Final = 21
"""Bits of a corner's index along one axis in its key."""

CLOSE_M: Final = 0.05
"""[m] The most that the field is on a mesh is told to within this. Smaller: the field is asked at more places."""

PIECES: Final = (8, 30_000)
"""Pieces of a mesh looked at at once: so many for each of its triangles, or as many in all if that is more. Where it
would take more, because the field is level over much of it, what is known by then is told."""

CORNERS: Final = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], np.int64)


def _tetrahedra() -> Integers:
    """The six tetrahedra of a cube along its diagonal: one for each order of the axes."""
    found = []
    for order in permutations(range(3)):
        corner = np.zeros(3, np.int64)
        one = [0]
        for axis in order:
            corner[axis] = 1
            one.append(int(corner @ [4, 2, 1]))
        found.append(one)
    return np.array(found, np.int64)


TETRAHEDRA: Final = _tetrahedra()


@dataclass(frozen=True, eq=False)
class Surface:
    """A closed mesh, its normals outward.

    vertices: (n, 3) [m]; faces: (m, 3); excess_m: the field on the mesh is at most this and at least nothing [m], but
        where it is cut off at the region; cut: whether it is; evaluated: how many places the field was asked at
    """

    vertices: Floats
    faces: Integers
    excess_m: float
    cut: bool
    evaluated: int


def circumradius(step_m: float) -> float:
    """Circumradius [m] of the tetrahedra of a cube of edge step_m [m]: half the cube's diagonal."""
    return 0.5 * math.sqrt(3.0) * step_m


def hidden(distance_m: float, radius_m: float) -> float:
    """How much of an interpolated distance [m] may be missing in a tetrahedron of circumradius radius_m [m].

    >>> round(hidden(1.5, 0.13), 4), hidden(0.1, 0.13)
    (0.0056, 0.1)
    """
    if distance_m <= radius_m:
        return distance_m
    return distance_m - math.sqrt(distance_m**2 - radius_m**2)


def hidden_about(distance_m: Floats, radius_m: float) -> Floats:
    """How much of an interpolated distance [m] may be missing in cubes of half diagonal R = radius_m [m], whose centres
    are at distances (n,) from the set.

    At s from the centre, which is every tetrahedron's circumcentre, g^2 - d^2 is at most R^2 - s^2, and d at least the
    centre's distance e less s: what is hidden is at most sqrt((e - s)^2 + R^2 - s^2) - (e - s), whose largest is at
    s = R^2 / 2e where that is no more than e, and else at s = e.

    >>> hidden_about(np.array([0.0, 0.05, 0.5, 1.63]), 0.13).round(4).tolist()
    [0.13, 0.12, 0.0169, 0.0052]
    """
    within = np.sqrt(np.maximum(radius_m**2 - distance_m**2, 0.0))
    beyond = 0.5 * radius_m**2 / np.maximum(distance_m, math.sqrt(0.5) * radius_m)
    found: Floats = np.where(distance_m < math.sqrt(0.5) * radius_m, within, beyond)
    return found


def lift_of_distance(least_m: float, step_m: float) -> float:
    """The lift [m] for a distance less a limit of at least least_m [m], in cubes of step_m [m]."""
    return math.hypot(least_m, circumradius(step_m)) - least_m


def lift_of_sum(least_m: float, step_m: float) -> float:
    """The lift [m] for a sum of two distances less at least least_m [m]: worst where one of both is a circumradius."""
    radius = circumradius(step_m)
    return radius + hidden(max(radius, least_m - radius), radius)


def surface(
    field: Field,
    low: Floats,
    high: Floats,
    step_m: float,
    *,
    lift_m: float,
    hides: Field | None = None,
    steepness: float = 1.0,
) -> Surface:
    """The mesh around all places of the region low .. high (3,) [m] where the field is below nothing.

    step_m: edge of the smallest cubes [m]; lift_m: what interpolation may hide anywhere [m]; hides: and in the smallest
    cubes about their centres, where that is known; steepness: [m/m]
    """
    cells, level = _roots(low, high, step_m)
    count = np.ceil((high - low) / step_m).astype(np.int64)
    evaluated = 0
    while True:
        size = step_m * 2**level
        values = field(low + (cells + 0.5) * size)
        evaluated += len(cells)
        away = steepness * circumradius(size)
        edge = ((cells == 0) | ((cells + 1) * 2**level >= count)).any(axis=1)
        kept = (values <= lift_m + away) & ((values >= -away) | edge)
        cells = cells[kept & (cells * 2**level < count).all(axis=1)]
        if level == 0 or not len(cells):
            break
        cells = (2 * cells[:, None] + CORNERS[None]).reshape(-1, 3)
        level -= 1
    if not len(cells):
        return Surface(np.zeros((0, 3)), np.zeros((0, 3), np.int64), 0.0, False, evaluated)
    corners = cells[:, None] + CORNERS[None]
    keys = (corners[..., 0] << 2 * BIT) | (corners[..., 1] << BIT) | corners[..., 2]
    unique, number = np.unique(keys, return_inverse=True)
    number = number.reshape(keys.shape)
    index = np.stack([unique >> 2 * BIT, (unique >> BIT) & (2**BIT - 1), unique & (2**BIT - 1)], axis=1)
    places = low + index * step_m
    lift = np.full(len(places), lift_m)
    if hides is not None:
        lift = np.zeros(len(places))
        np.maximum.at(lift, number, np.minimum(hides(low + (cells + 0.5) * step_m), lift_m)[:, None])
        evaluated += len(cells)
    values = field(places) - lift
    evaluated += len(places)
    # The region's rim counts as outside, so that the mesh is closed there too.
    rim = ((index == 0) | (index >= count)).any(axis=1)
    cut = bool((values[rim] < 0).any())
    values = np.where(rim, np.maximum(values, 0.5 * step_m), values)
    vertices, faces = _marched(places, values, number[:, TETRAHEDRA].reshape(-1, 4))
    most, asked = most_on(field, vertices[faces], steepness) if len(faces) else (0.0, 0)
    return Surface(vertices, faces, min(most, lift_m + steepness * circumradius(step_m)), cut, evaluated + asked)


def most_on(field: Field, triangles: Floats, steepness: float) -> tuple[float, int]:
    """What the field is nowhere more than on triangles (m, 3, 3) [m], one or more, and how many places it was asked at.

    A piece holds no more than the value at its centroid and `steepness` times the way to its furthest corner. Pieces
    that may hold more than was seen, by more than `CLOSE_M`, are cut in four.
    """
    seen, asked, most_pieces = -math.inf, 0, max(PIECES[0] * len(triangles), PIECES[1])
    while len(triangles):
        middle = triangles.mean(axis=1)
        values = field(middle)
        asked += len(middle)
        bound = values + steepness * np.linalg.norm(triangles - middle[:, None], axis=2).max(axis=1)
        seen = max(seen, float(values.max()))
        open_ = bound > seen + CLOSE_M
        if 4 * int(open_.sum()) > most_pieces:
            return float(bound.max()), asked
        a, b, c = np.moveaxis(triangles[open_], 1, 0)
        ab, bc, ca = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
        quarters = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
        triangles = np.concatenate([np.stack(corners, axis=1) for corners in quarters])
    return seen + CLOSE_M, asked


def _roots(low: Floats, high: Floats, step_m: float) -> tuple[Integers, int]:
    """The largest cubes that cover a region, at most eight along its longest side, and how often they are halved."""
    count = np.ceil((high - low) / step_m).astype(np.int64)
    level = max(0, math.ceil(math.log2(max(1.0, float(count.max()) / 8.0))))
    along = [np.arange(-(-int(n) // 2**level), dtype=np.int64) for n in count]
    return np.stack(np.meshgrid(*along, indexing="ij"), axis=-1).reshape(-1, 3), level


def _marched(places: Floats, values: Floats, tetrahedra: Integers) -> tuple[Floats, Integers]:
    """Triangles where the interpolated value is nothing, normals toward larger values."""
    inside = values[tetrahedra] < 0.0
    order = np.argsort(~inside, axis=1, kind="stable")  # those inside first
    sorted_ = np.take_along_axis(tetrahedra, order, axis=1)
    many = inside.sum(axis=1)
    edges: list[Integers] = []
    for count, triangles in (
        (1, [((0, 1), (0, 2), (0, 3))]),
        (2, [((0, 2), (0, 3), (1, 3)), ((0, 2), (1, 3), (1, 2))]),
        (3, [((0, 3), (1, 3), (2, 3))]),
    ):
        those = sorted_[many == count]
        for triangle in triangles:
            edges.append(np.stack([np.stack([those[:, a], those[:, b]], axis=1) for a, b in triangle], axis=1))
    pairs = np.concatenate(edges)  # (triangles, 3, 2): inner and outer corner of each edge
    flat = pairs.reshape(-1, 2)
    _, first, number = np.unique(flat[:, 0] * len(places) + flat[:, 1], return_index=True, return_inverse=True)
    inner, outer = flat[first, 0], flat[first, 1]
    part = values[inner] / (values[inner] - values[outer])
    vertices = places[inner] + part[:, None] * (places[outer] - places[inner])
    faces = number.reshape(-1, 3)
    corner = vertices[faces]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    outward = places[pairs[:, :, 1]].mean(axis=1) - places[pairs[:, :, 0]].mean(axis=1)
    turned = np.einsum("ij,ij->i", normal, outward) < 0
    faces[turned] = faces[turned][:, [0, 2, 1]]
    return vertices, faces
