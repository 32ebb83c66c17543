"""Owns the ground: a surface of triangles, its height anywhere, and how well a straight foot fits on it.

To make one use `level`, `plane`, `grid`, `points` or `mesh`, with `read_heights` and `read_xyz` for files; to ask it
`height_at` and `profile_misfit`. Between its samples the ground is taken as flat triangles; how far the real one may
differ is the scene's own figure, `uncertainty_m`. Nothing is extrapolated: a height outside the data is an error.
Across a gap in measured points the triangles are long, and just as flat.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import Delaunay, QhullError
from shapely import STRtree, box

from clearance import shapes
from clearance.bodies import solid
from clearance.conductor.catenary import point3, refuse
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

EXTENT_M: Final = 200.0
"""[m] Half the size of a level or plane ground about the site. Larger: costs nothing; smaller: bodies may stand
outside."""

INSIDE: Final = 1e-9
"""[1] A point this part of a triangle's size outside it still counts as on it, so that none falls between two
triangles."""


@dataclass(frozen=True, eq=False)
class Ground:
    """The ground as triangles.

    shape: its triangles, with their uncertainty
    tree: finds the triangles near a place in plan
    """

    shape: Shape
    tree: STRtree


def level(
    height_m: float, extent_m: float = EXTENT_M, centre: ArrayLike = (0.0, 0.0), uncertainty_m: float = 0.0
) -> Ground:
    """Level ground at a height [m]: two triangles, extent_m [m] to every side of the centre (2,) [m].

    Raises `InputError` for values out of range.
    """
    middle = np.asarray(centre, float)
    return plane([*middle[:2], height_m], 0.0, 0.0, extent_m, middle, uncertainty_m)


def plane(
    through: ArrayLike,
    slope_deg: float,
    uphill_deg: float,
    extent_m: float = EXTENT_M,
    centre: ArrayLike = (0.0, 0.0),
    uncertainty_m: float = 0.0,
) -> Ground:
    """Sloping ground: two triangles.

    Parameters
    ----------
    through: a point of it (3,) [m]
    slope_deg: its steepest slope above the horizontal [deg], from 0 to below 90
    uphill_deg: the direction in which it rises, anticlockwise from x [deg]
    extent_m: to every side of the centre (2,) in plan [m]
    uncertainty_m: survey and model error [m]

    Raises `InputError` for values out of range.
    """
    x, y, z = point3("ground", "through_m", through)
    others = []
    if not 0 <= slope_deg < 90:
        others.append(Mistake(("ground", "slope_deg"), "0 to below 90 deg", f"{slope_deg!r}"))
    refuse(
        "ground",
        positive={"extent_m": extent_m},
        not_negative={"uncertainty_m": uncertainty_m},
        finite={"uphill_deg": uphill_deg, "centre": centre},
        others=others,
    )
    rise = math.tan(math.radians(slope_deg))
    east, north = rise * math.cos(math.radians(uphill_deg)), rise * math.sin(math.radians(uphill_deg))
    corners = np.asarray(centre, float)[:2] + extent_m * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    heights = z + east * (corners[:, 0] - x) + north * (corners[:, 1] - y)
    return _ground(np.column_stack([corners, heights])[[[0, 1, 2], [0, 2, 3]]], uncertainty_m)


def grid(heights_m: ArrayLike, corner_m: ArrayLike, spacing_m: float, uncertainty_m: float = 0.0) -> Ground:
    """Ground over a grid of heights: two triangles a cell.

    Parameters
    ----------
    heights_m: (rows, columns) [m]; the first row and column lie at corner_m, columns go along x, rows along y
    corner_m: (2,) [m]
    spacing_m: between rows and between columns [m]
    uncertainty_m: survey and model error, that between the samples included [m]

    Raises `InputError` for fewer than two rows or columns, rows of unequal length or heights that are not finite.
    """
    try:
        heights = np.asarray(heights_m, float)
    except ValueError:
        heights = np.zeros(0)
    if heights.ndim != 2 or min(heights.shape, default=0) < 2:
        expected = "at least two rows of at least two heights, all rows of one length"
        raise InputError(Mistake(("ground", "heights_m"), expected, f"shape {heights.shape}"))
    refuse(
        "ground",
        positive={"spacing_m": spacing_m},
        not_negative={"uncertainty_m": uncertainty_m},
        finite={"heights_m": heights, "corner_m": corner_m},
    )
    corner = np.asarray(corner_m, float)
    rows, columns = np.indices(heights.shape)
    places = np.stack([corner[0] + spacing_m * columns, corner[1] + spacing_m * rows, heights], axis=2)
    a, b, c, d = places[:-1, :-1], places[:-1, 1:], places[1:, 1:], places[1:, :-1]
    faces = np.concatenate([np.stack([a, b, c], axis=2), np.stack([a, c, d], axis=2)], axis=1)
    return _ground(faces.reshape(-1, 3, 3), uncertainty_m)


def points(xyz: ArrayLike, thin_m: float = 0.0, uncertainty_m: float = 0.0) -> Ground:
    """Ground through measured points, triangulated after Delaunay.

    Parameters
    ----------
    xyz: (n, 3) points [m]
    thin_m: in each square of this size [m] the point nearest its middle stands for all, and those around the outside
        are
        kept; 0 keeps every point
    uncertainty_m: survey and model error, that between the points included [m]

    Every point that is no corner of a triangle (thinned out, or above another in plan) is compared with the triangle it
    lies on, and its height difference goes into the uncertainty of that triangle. So every point given is held.

    Raises `InputError` for fewer than three points, all in one line, or not finite.
    """
    cloud = np.asarray(xyz, float).reshape(-1, 3)
    refuse("ground", not_negative={"thin_m": thin_m, "uncertainty_m": uncertainty_m}, finite={"points": cloud})
    if len(cloud) < 3:
        raise InputError(Mistake(("ground", "points"), "at least three points", f"{len(cloud)}"))
    middle = cloud[:, :2].mean(axis=0)
    plan = cloud[:, :2] - middle
    try:
        kept = _thinned(plan, thin_m) if thin_m > 0 else np.arange(len(plan))
        surface = Delaunay(plan[kept])
    except QhullError as error:
        raise InputError(
            Mistake(("ground", "points"), "points that do not lie in one line in plan", "such ones")
        ) from error
    corners = cloud[kept[surface.simplices]]
    used = np.zeros(len(cloud), bool)
    used[kept[surface.simplices]] = True
    rest = np.flatnonzero(~used)
    uncertainty = np.full(len(corners), uncertainty_m)
    if len(rest):
        bare = _ground(corners, 0.0)
        which, face, heights = _hits(bare, cloud[rest, :2])
        np.maximum.at(uncertainty, face, uncertainty_m + np.abs(cloud[rest[which], 2] - heights))
        outside = np.setdiff1d(np.arange(len(rest)), which)
        if len(outside):
            found = f"{len(outside)} of {len(cloud)} points on no triangle"
            raise InputError(Mistake(("ground", "points"), "points that can be triangulated", found))
    return _ground(corners, uncertainty)


def mesh(path: str | Path, units: str, at_m: ArrayLike = (0.0, 0.0, 0.0), uncertainty_m: float = 0.0) -> Ground:
    """Ground from a mesh file in stated units, its origin put at at_m (3,) [m]. Where faces lie one above the other the
    highest counts as the height. Raises as `clearance.bodies.solid.mesh`."""
    return _ground(
        solid.mesh(path, units, at_m, solid=False, uncertainty_m=uncertainty_m).shape.vertices, uncertainty_m
    )


def read_heights(path: str | Path) -> Floats:
    """Rows of heights (rows, columns) from a CSV file without header. Raises `InputError` naming every bad cell."""
    rows: list[list[float]] = []
    mistakes = []
    for number, row in enumerate(_csv_rows(path), start=1):
        values = [_number(cell) for cell in row]
        for column, value in enumerate(values, start=1):
            if not math.isfinite(value):
                where = ("ground", str(path), f"row {number}, column {column}")
                mistakes.append(Mistake(where, "a finite height", f"{row[column - 1]!r}"))
        if rows and len(values) != len(rows[0]):
            expected = f"{len(rows[0])} heights, as in the first row"
            mistakes.append(Mistake(("ground", str(path), f"row {number}"), expected, f"{len(values)}"))
        rows.append(values)
    if not rows:
        mistakes.append(Mistake(("ground", str(path)), "rows of heights", "none"))
    if mistakes:
        raise InputError(mistakes)
    return np.array(rows)


def read_xyz(path: str | Path) -> Floats:
    """Points (n, 3) from a CSV file whose first line names the columns x_m, y_m, z_m. Raises `InputError`."""
    rows = _csv_rows(path)
    header = [cell.strip() for cell in rows[0]] if rows else []
    missing = [name for name in ("x_m", "y_m", "z_m") if name not in header]
    if missing:
        found = f"none named {', '.join(missing)}"
        raise InputError(Mistake(("ground", str(path), "first line"), "the columns x_m, y_m, z_m", found))
    columns = [header.index(name) for name in ("x_m", "y_m", "z_m")]
    read, mistakes = [], []
    for number, row in enumerate(rows[1:], start=2):
        place = [_number(row[column]) if column < len(row) else math.nan for column in columns]
        if not all(math.isfinite(value) for value in place):
            mistakes.append(Mistake(("ground", str(path), f"line {number}"), "three finite numbers", ", ".join(row)))
        read.append(place)
    if mistakes:
        raise InputError(mistakes)
    return np.array(read, float).reshape(-1, 3)


def height_at(ground: Ground, xy: ArrayLike) -> Floats:
    """Height (n,) [m] of the ground at places (n, 2) [m]; the highest where surfaces lie one above the other.

    Raises `InputError` where a place lies outside the ground.

    >>> height_at(plane([0, 0, 1], 45.0, 0.0), [[2.0, 7.0]]).round(12).tolist()
    [3.0]
    """
    places = np.asarray(xy, float).reshape(-1, 2)
    refuse("ground", finite={"places": places})
    which, _, heights = _hits(ground, places)
    result = np.full(len(places), -np.inf)
    np.maximum.at(result, which, heights)
    outside = np.flatnonzero(np.isneginf(result))
    if len(outside):
        x, y = places[outside[0]]
        found = f"[{x:.3f}, {y:.3f}]" + (f" and {len(outside) - 1} more" if len(outside) > 1 else "")
        raise InputError(
            Mistake(("ground", "height"), _covered(ground), found, "enlarge the ground or move what stands there")
        )
    return result


def profile_misfit(ground: Ground, start: ArrayLike, end: ArrayLike) -> float:
    """Greatest vertical distance [m] between the ground and a straight line laid on it at two places (2,) [m].

    Over each triangle both are linear along the line, so the distance is greatest where the line enters or leaves one;
    every such place is looked at. Raises `InputError` where the line leaves the ground.
    """
    ends = np.array([np.asarray(start, float)[:2], np.asarray(end, float)[:2]])
    heights = height_at(ground, ends)
    along = ends[1] - ends[0]
    if math.hypot(*along) <= INSIDE * (1 + float(np.abs(ends).max())):
        return 0.0
    near = ground.tree.query(box(*np.minimum(*ends), *np.maximum(*ends)))
    corners = ground.shape.vertices[near]
    enter, leave = np.zeros(len(near)), np.ones(len(near))
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    area = _cross(b - a, c - a)
    worst, covered = 0.0, []
    for one, two in ((a, b), (b, c), (c, a)):
        # Signed distance from the edge, positive inside, is linear along the line: value + slope * share.
        value = _cross(two - one, ends[0] - one[:, :2]) * np.sign(area)
        slope = _cross(two - one, np.broadcast_to(along, one[:, :2].shape)) * np.sign(area)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            share = np.where(slope != 0, -value / slope, 0.0)
        enter = np.where(slope > 0, np.maximum(enter, share), enter)
        leave = np.where(slope < 0, np.minimum(leave, share), leave)
        size = np.hypot(*(two - one)[:, :2].T) * np.hypot(*along)
        enter = np.where((slope == 0) & (value < -INSIDE * size), 2.0, enter)
    for index in np.flatnonzero((area != 0) & (leave > enter)):
        normal = np.cross(b[index] - a[index], c[index] - a[index])
        for share in (enter[index], leave[index]):
            place = ends[0] + share * along
            surface = a[index, 2] - float(normal[:2] @ (place - a[index, :2])) / normal[2]
            worst = max(worst, abs(float(surface - heights[0] - share * (heights[1] - heights[0]))))
        covered.append((float(enter[index]), float(leave[index])))
    reached = 0.0
    for low, high in sorted(covered):
        if low > reached + INSIDE:
            break
        reached = max(reached, high)
    if reached < 1 - INSIDE:
        x, y = ends[0] + reached * along
        raise InputError(
            Mistake(("ground", "profile"), _covered(ground), f"a line that leaves it at [{x:.3f}, {y:.3f}]")
        )
    return worst


def _ground(corners: Floats, uncertainty: ArrayLike) -> Ground:
    low, high = corners.min(axis=1), corners.max(axis=1)
    return Ground(
        shapes.triangles(corners, 0.0, uncertainty), STRtree(box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
    )


def _cross(first: Floats, second: Floats) -> Floats:
    return np.asarray(first[..., 0] * second[..., 1] - first[..., 1] * second[..., 0], float)


def _hits(ground: Ground, places: Floats) -> tuple[Integers, Integers, Floats]:
    """Pairs of a place and a triangle above or below it, with the triangle's height there."""
    around = INSIDE * (1 + np.abs(places).max(initial=0.0))
    low, high = places - around, places + around
    which, face = ground.tree.query(box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
    a, b, c = (ground.shape.vertices[face, corner] for corner in range(3))
    to = places[which]
    area = _cross(b - a, c - a)
    with np.errstate(divide="ignore", invalid="ignore"):
        second, third = _cross(to - a[:, :2], c - a) / area, _cross(b - a, to - a[:, :2]) / area
    first = 1 - second - third
    inside = (area != 0) & (np.minimum(np.minimum(first, second), third) >= -INSIDE)
    heights = first * a[:, 2] + second * b[:, 2] + third * c[:, 2]
    return which[inside], face[inside], heights[inside]


def _covered(ground: Ground) -> str:
    low, high = ground.shape.vertices.min(axis=(0, 1)), ground.shape.vertices.max(axis=(0, 1))
    return f"a place on the ground given (x {low[0]:.6g} to {high[0]:.6g} m, y {low[1]:.6g} to {high[1]:.6g} m)"


def _thinned(plan: Floats, cell: float) -> Integers:
    """Indices of the point nearest the middle of each square cell, and of the convex hull, rising."""
    square = np.floor(plan / cell).astype(np.int64)
    off = np.linalg.norm(plan - (square + 0.5) * cell, axis=1)
    order = np.lexsort((np.arange(len(plan)), off, square[:, 1], square[:, 0]))
    first = np.ones(len(order), bool)
    first[1:] = (np.diff(square[order], axis=0) != 0).any(axis=1)
    return np.unique(np.concatenate([order[first], Delaunay(plan).convex_hull.reshape(-1)]))


def _csv_rows(path: str | Path) -> list[list[str]]:
    try:
        with Path(path).open(newline="", encoding="utf-8-sig") as stream:
            return [row for row in csv.reader(stream) if any(cell.strip() for cell in row)]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(Mistake(("ground", str(path)), "a CSV file that can be read", str(error))) from error


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
