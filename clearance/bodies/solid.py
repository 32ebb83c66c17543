"""Owns solids: boxes, cylinders and mesh files, all as their surface triangles.

A surface says nothing of what is inside it: `contains` answers that for a closed one, by its winding number. While
the gap between a surface and another body stays above nothing over a whole range of motion, what is inside stays
inside, so one point decides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance import shapes
from clearance.conductor.catenary import point3, refuse
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]

METRES: Final[dict[str, float]] = {"m": 1.0, "cm": 0.01, "mm": 0.001, "km": 1000.0, "ft": 0.3048, "in": 0.0254}
"""[m] One unit of a mesh file. A foot is the international one."""


@dataclass(frozen=True, eq=False)
class MeshSolid:
    """A mesh file in its place.

    shape: its triangles
    closed: whether its surface is watertight and wound one way round, so that it bounds a solid
    holes: connected runs of edges that belong to one triangle only
    parts: connected pieces of surface
    """

    shape: Shape
    closed: bool
    holes: int
    parts: int


def box(centre: ArrayLike, size: ArrayLike, heading_deg: float = 0.0, uncertainty_m: float = 0.0) -> Shape:
    """The twelve triangles of a box.

    centre: (3,) [m]; size: (3,) along its heading, across it and upward [m]; heading_deg: anticlockwise from x [deg]

    Raises `InputError` for values out of range.

    >>> low, high = box([0, 0, 1], [4, 2, 2]).bounds
    >>> low.tolist(), high.tolist()
    ([-2.0, -1.0, 0.0], [2.0, 1.0, 2.0])
    """
    middle, edges = point3("box", "centre_m", centre), point3("box", "size_m", size)
    refuse(
        "box",
        positive={f"size_m[{index}]": edge for index, edge in enumerate(edges)},
        not_negative={"uncertainty_m": uncertainty_m},
        finite={"heading_deg": heading_deg},
    )
    signs = np.array([[x, y, z] for z in (-0.5, 0.5) for y in (-0.5, 0.5) for x in (-0.5, 0.5)])
    corners = signs * np.array(edges)
    sides = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    faces = [face for a, b, c, d in sides for face in ((a, b, c), (a, c, d))]
    return shapes.moved(shapes.triangles(corners[faces], 0.0, uncertainty_m), turned_about_z(heading_deg), middle)


def cylinder(
    from_m: ArrayLike,
    to_m: ArrayLike,
    radius_m: float,
    uncertainty_m: float = 0.0,
    chord_error_m: float = CHORD_ERROR_M,
) -> Shape:
    """A cylinder with flat ends, as the triangles of a prism inside it.

    from_m, to_m: the middles of its ends [m]; chord_error_m: greatest distance from prism to cylinder [m], goes into
        uncertainty

    A capsule would reach a radius beyond either end; the prism does not. The cylinder is nowhere further outside the
    prism than the sagitta of one side, radius (1 - cos(pi / sides)).

    Raises `InputError` for values out of range or ends at one place.
    """
    first, last = np.array(point3("cylinder", "from_m", from_m)), np.array(point3("cylinder", "to_m", to_m))
    length = float(np.linalg.norm(last - first))
    refuse(
        "cylinder",
        positive={"radius_m": radius_m, "chord_error_m": chord_error_m, "length from from_m to to_m": length},
        not_negative={"uncertainty_m": uncertainty_m},
    )
    count = max(8, math.ceil(math.pi / math.acos(max(0.0, 1 - chord_error_m / radius_m))))
    axis = (last - first) / length
    across = np.cross(axis, np.eye(3)[np.argmin(abs(axis))])
    across /= np.linalg.norm(across)
    turn = 2 * math.pi * np.arange(count)[:, None] / count
    rim = radius_m * (np.cos(turn) * across + np.sin(turn) * np.cross(axis, across))
    after = np.roll(rim, -1, axis=0)
    low, high = np.broadcast_to(first, rim.shape), np.broadcast_to(last, rim.shape)
    faces = [
        np.stack([low, first + after, first + rim], axis=1),
        np.stack([high, last + rim, last + after], axis=1),
        np.stack([first + rim, first + after, last + after], axis=1),
        np.stack([first + rim, last + after, last + rim], axis=1),
    ]
    error = radius_m * (1 - math.cos(math.pi / count))
    return shapes.triangles(np.concatenate(faces), 0.0, uncertainty_m + error)


def mesh(
    path: str | Path,
    units: str,
    at_m: ArrayLike = (0.0, 0.0, 0.0),
    heading_deg: float = 0.0,
    solid: bool = True,
    uncertainty_m: float = 0.0,
) -> MeshSolid:
    """The triangles of a mesh file, in metres, turned and moved to its place.

    Parameters
    ----------
    path: a file that trimesh reads (STL, OBJ, PLY, OFF, GLB, ...)
    units: of the file: m, cm, mm, km, ft or in; never guessed
    at_m: where the file's origin comes to lie [m]
    heading_deg: turned about z by this, anticlockwise [deg]
    solid: True demands a closed surface wound one way round; False takes any surface, as a surface without inside
    uncertainty_m: model error [m]

    Raises `InputError` for an unknown unit, a file that cannot be read or holds no triangles, a coordinate that is not
    finite, or a surface with holes where a solid is asked for.
    """
    import trimesh

    name = str(path)
    if units not in METRES:
        raise InputError(Mistake(("solid", name, "units"), f"one of {', '.join(METRES)}", f"{units!r}"))
    place = point3("mesh", "at_m", at_m)
    refuse("mesh", not_negative={"uncertainty_m": uncertainty_m}, finite={"heading_deg": heading_deg})
    try:
        read = trimesh.load_mesh(name, process=False)
    except Exception as error:  # the readers behind trimesh raise whatever they meet in a broken file
        raise InputError(
            Mistake(("solid", name), "a mesh file that can be read", f"{type(error).__name__}: {error}")
        ) from error
    corners = np.asarray(getattr(read, "triangles", np.zeros((0, 3, 3))), float).reshape(-1, 3, 3)
    if not len(corners):
        raise InputError(Mistake(("solid", name), "a mesh with at least one triangle", "none"))
    if not np.isfinite(corners).all():
        raise InputError(Mistake(("solid", name, "vertices"), "finite numbers", "NaN or infinity"))
    closed, holes, parts = _facts(corners)
    if solid and not closed:
        found = f"{holes} hole{'s' if holes != 1 else ''}" if holes else "faces wound both ways round"
        remedy = "close it, or set solid = false to take it as a surface without inside"
        raise InputError(
            Mistake(("solid", name, "solid"), "a watertight mesh with one consistent winding", found, remedy)
        )
    shape = shapes.triangles(corners * METRES[units], 0.0, uncertainty_m)
    return MeshSolid(shapes.moved(shape, turned_about_z(heading_deg), place), closed, holes, parts)


def contains(shape: Shape, point: ArrayLike) -> bool:
    """Whether a closed surface of triangles has a point (3,) [m] inside.

    By the winding number: the solid angles of all triangles, seen from the point, add up to 4 pi or more inside a
    surface wound one way round and to nothing outside [1]. Only meaningful for a closed surface, and off the surface
    itself.

    References
    ----------
    [1] A. van Oosterom, J. Strackee, "The solid angle of a plane triangle", IEEE Trans. Biomed. Eng. 30(2), 1983, eq.
    8.

    >>> contains(box([0, 0, 0], [2, 2, 2]), [0.9, 0.9, 0.9]), contains(box([0, 0, 0], [2, 2, 2]), [1.1, 0, 0])
    (True, False)
    """
    place = np.array(point3("solid", "point", point))
    seen = shape.vertices[shape.corners == 3] - place
    lengths = np.linalg.norm(seen, axis=2)
    a, b, c = seen[:, 0], seen[:, 1], seen[:, 2]
    volume = np.einsum("ij,ij->i", a, np.cross(b, c))
    below = lengths.prod(axis=1)
    for one, two, other in ((a, b, 2), (b, c, 0), (c, a, 1)):
        below = below + np.einsum("ij,ij->i", one, two) * lengths[:, other]
    return abs(float(np.sum(2 * np.arctan2(volume, below)))) > 2 * math.pi


def _facts(corners: Floats) -> tuple[bool, int, int]:
    """Whether it is closed, its holes and its parts, with equal corners joined, and nothing else repaired."""
    import trimesh

    welded = trimesh.Trimesh(corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3), process=False)
    welded.merge_vertices()
    edges = np.sort(welded.edges, axis=1)
    unique, counts = np.unique(edges, axis=0, return_counts=True)
    loose = unique[counts == 1]
    holes = len(trimesh.graph.connected_components(loose)) if len(loose) else 0
    closed = bool(welded.is_watertight and welded.is_winding_consistent)
    parts = len(trimesh.graph.connected_components(welded.face_adjacency, nodes=np.arange(len(welded.faces))))
    return closed, holes, parts


def turned_about_z(heading_deg: float) -> Floats:
    """The rotation (3, 3) by an angle anticlockwise from x [deg]."""
    cosine, sine = math.cos(math.radians(heading_deg)), math.sin(math.radians(heading_deg))
    return np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
