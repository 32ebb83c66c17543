"""Owns what a drawing shows, as plain numbers: projections, windows, outlines and cuts. Nothing here draws.

To look at bodies make a `View` (`plan`, `elevation`, `section`, `through`), choose a `Window`, and take `outline` for
breadth, `cores` for thin things, `cut` for what a plane meets and `thinned` for points. All lengths are metres;
two-dimensional results are (right, up) in the view.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.bodies import Body
from clearance.shapes import Shape

Floats = NDArray[np.float64]

DIRECTIONS: Final = 24
"""Corners of a drawn circle; an outline is inside the true one by at most 3.5 % of its radius. For drawing only."""


@dataclass(frozen=True, eq=False)
class View:
    """A parallel projection: unit vectors to the right, up and toward the viewer, about an origin (3,) [m]."""

    name: str
    right: Floats
    up: Floats
    origin: Floats

    @property
    def toward(self) -> Floats:
        return np.cross(self.right, self.up)

    def flat(self, xyz: ArrayLike) -> Floats:
        """Points (..., 3) as (..., 2): right and up [m]."""
        return (np.asarray(xyz, float) - self.origin) @ np.stack([self.right, self.up], axis=1)

    def depth(self, xyz: ArrayLike) -> Floats:
        """Distance of points (..., 3) toward the viewer from the view's origin [m]."""
        found: Floats = (np.asarray(xyz, float) - self.origin) @ self.toward
        return found


def plan() -> View:
    """From above, x to the right and y up."""
    return View("plan", np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), np.zeros(3))


def elevation(direction: ArrayLike) -> View:
    """From the side, the direction (2,) of the line to the right."""
    x, y = np.asarray(direction, float)
    return View("elevation", np.array([x, y, 0.0]), np.array([0.0, 0.0, 1.0]), np.zeros(3))


def section(direction: ArrayLike) -> View:
    """Along the direction (2,) of the line, so what is right of it is to the right."""
    x, y = np.asarray(direction, float)
    return View("section", np.array([y, -x, 0.0]), np.array([0.0, 0.0, 1.0]), np.zeros(3))


def through(start: ArrayLike, end: ArrayLike, direction: ArrayLike = (1.0, 0.0)) -> View:
    """The upright plane through two points, so that the distance between them is in true length.

    Where one is above the other any upright plane holds both; the one across the direction (2,) of the line is taken.
    """
    start, end = np.asarray(start, float), np.asarray(end, float)
    right = (end - start) * [1.0, 1.0, 0.0]
    length = float(np.linalg.norm(right))
    if length <= 1e-6 * max(float(np.linalg.norm(end - start)), 1.0):
        x, y = np.asarray(direction, float)
        right, length = np.array([y, -x, 0.0]), 1.0
    return View("true length", right / length, np.array([0.0, 0.0, 1.0]), 0.5 * (start + end))


def line_direction(bodies: Iterable[Body]) -> Floats:
    """Horizontal unit vector (2,) along the line: the mean axis of all live wires that stand still, by their length.

    x where there are none.
    """
    runs = [
        (b.shape.vertices[:, 1] - b.shape.vertices[:, 0])[:, :2]
        for b in bodies
        if b.kind == "wire" and not b.job and len(b.shape) and b.potential not in (None, "earth")
    ]
    if not runs:
        return np.array([1.0, 0.0])
    x, y = np.concatenate(runs).T
    # An axis has no sign, so angles are doubled before they are averaged.
    length = np.hypot(x, y)
    angle = np.arctan2(y, x)
    doubled = math.atan2(float((length * np.sin(2 * angle)).sum()), float((length * np.cos(2 * angle)).sum()))
    found = np.array([math.cos(0.5 * doubled), math.sin(0.5 * doubled)])
    found = np.where(np.abs(found) < 1e-12, 0.0, found)
    return found if (found[0], found[1]) > (0.0, 0.0) else -found


@dataclass(frozen=True)
class Window:
    """What of a view is on the sheet [m]."""

    left: float
    right: float
    bottom: float
    top: float

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def height(self) -> float:
        return self.top - self.bottom

    def holds(self, low: Floats, high: Floats) -> NDArray[np.bool_]:
        """Whether boxes (n, 2) to (n, 2) meet the window."""
        return np.asarray(
            (high[:, 0] >= self.left)
            & (low[:, 0] <= self.right)
            & (high[:, 1] >= self.bottom)
            & (low[:, 1] <= self.top)
        )


def window(focus: ArrayLike, aspect: float, pad: float = 0.12, least_m: float = 4.0) -> Window:
    """The window of width over height `aspect` that holds all focus points (n, 2), padded, at least `least_m` high."""
    focus = np.asarray(focus, float).reshape(-1, 2)
    low, high = focus.min(axis=0), focus.max(axis=0)
    middle, size = 0.5 * (low + high), (high - low) * (1.0 + 2.0 * pad)
    height = max(float(size[1]), float(size[0]) / aspect, least_m)
    width = height * aspect
    return Window(
        float(middle[0]) - 0.5 * width,
        float(middle[0]) + 0.5 * width,
        float(middle[1]) - 0.5 * height,
        float(middle[1]) + 0.5 * height,
    )


def take(shape: Shape, which: NDArray[np.bool_]) -> Shape:
    """Those primitives of a rigid shape."""
    return replace(
        shape,
        vertices=shape.vertices[which],
        corners=shape.corners[which],
        radius=shape.radius[which],
        uncertainty=shape.uncertainty[which],
        rate=None,
    )


def within(shape: Shape, view: View, frame: Window) -> Shape:
    """Those primitives that may be seen in the window."""
    xy = view.flat(shape.vertices)
    around = (shape.radius + shape.uncertainty)[:, None]
    return take(shape, frame.holds(xy.min(axis=1) - around, xy.max(axis=1) + around))


def slab(shape: Shape, view: View, low: float, high: float) -> Shape:
    """What of the shape lies at a depth from `low` to `high` [m].

    Segments are clipped; points are in or out; a triangle is kept when all of it is inside (`cut` has what crosses).
    """
    depth = view.depth(shape.vertices)
    vertices = shape.vertices.copy()
    keep = (depth.max(axis=1) <= high) & (depth.min(axis=1) >= low)
    for k in np.flatnonzero((shape.corners == 2) & ~keep & (depth.max(axis=1) >= low) & (depth.min(axis=1) <= high)):
        a, b = depth[k, 0], depth[k, 1]
        ends = sorted((float(np.clip((low - a) / (b - a), 0.0, 1.0)), float(np.clip((high - a) / (b - a), 0.0, 1.0))))
        start, run = shape.vertices[k, 0], shape.vertices[k, 1] - shape.vertices[k, 0]
        vertices[k] = start + ends[0] * run, start + ends[1] * run, start + ends[1] * run
        keep[k] = True
    return take(replace(shape, vertices=vertices), keep)


TIE = 1e-9
"""[rad] An edge begins so much before its direction and ends so much after it, whichever corner is taken in between."""

EDGE_ON: Final = 1e-12
"""Height of a triangle over its longest side, in parts of that side, below which it is drawn as that side."""


def outline(shape: Shape, view: View, uncertainty: bool = False, directions: int = DIRECTIONS) -> Floats:
    """Projected outlines (n, directions + 6, 2) of all primitives with their radius, or radius and uncertainty; all
    convex.

    Beside even directions those across the edges are taken, at both of their corners: no corner is left out.
    """
    xy = view.flat(shape.vertices)
    around = (shape.radius + shape.uncertainty if uncertainty else shape.radius)[:, None, None]
    angle = np.linspace(0.0, 2.0 * math.pi, directions, endpoint=False)
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    furthest = np.argmax(xy @ unit.T, axis=1)
    even = np.take_along_axis(xy, furthest[:, :, None], axis=1) + around * unit
    # Anticlockwise, so that what is right of an edge is outside.
    one, two = xy[:, 1] - xy[:, 0], xy[:, 2] - xy[:, 0]
    turn = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    xy = np.where((turn < 0.0)[:, None, None], xy[:, ::-1], xy)
    # Seen edge on it is its longest side, there and back: its other two have one direction, and no order by it.
    far = ((np.roll(xy, -1, axis=1) - xy) ** 2).sum(axis=2)
    side = np.argmax(far, axis=1)[:, None] + np.array([0, 1, 1])
    longest = np.take_along_axis(xy, side[:, :, None] % 3, axis=1)
    xy = np.where((np.abs(turn) <= EDGE_ON * far.max(axis=1))[:, None, None], longest, xy)
    after = np.roll(xy, -1, axis=1)
    edge = after - xy
    length = np.linalg.norm(edge, axis=2, keepdims=True)
    across = np.stack([edge[..., 1], -edge[..., 0]], axis=2) / np.where(length > 0.0, length, 1.0)
    across = np.where(length > 0.0, across, unit[0])
    # An edge of no length adds nothing: what is furthest in the first direction once more.
    begins, ends = (np.where(length > 0.0, end + around * across, even[:, :1]) for end in (xy, after))
    found = np.concatenate([even, begins, ends], axis=1)
    angles = np.mod(np.arctan2(across[..., 1], across[..., 0]) + TIE, 2.0 * math.pi)
    early = np.where(length[..., 0] > 0.0, TIE, 0.0)
    keys = np.concatenate([np.broadcast_to(angle + TIE, even.shape[:2]), angles - early, angles + early], axis=1)
    ordered: Floats = np.take_along_axis(found, np.argsort(keys, axis=1, kind="stable")[:, :, None], axis=1)
    return ordered


def cores(shape: Shape, view: View) -> tuple[Floats, Floats, Floats]:
    """Projected cores: points (n, 2), segments (n, 2, 2), triangles (n, 3, 2)."""
    xy = view.flat(shape.vertices)
    return xy[shape.corners == 1, 0], xy[shape.corners == 2][:, :2], xy[shape.corners == 3]


def cut(shape: Shape, view: View, depth: float = 0.0) -> tuple[Floats, Floats]:
    """Where the plane at a depth [m] cuts segments, points (n, 2), and triangles, lines (m, 2, 2)."""
    far = view.depth(shape.vertices) - depth
    xy = view.flat(shape.vertices)
    met = (shape.corners == 2) & (far[:, 0] * far[:, 1] < 0.0)
    t = far[met, 0] / (far[met, 0] - far[met, 1])
    points = xy[met, 0] + t[:, None] * (xy[met, 1] - xy[met, 0])
    lines = []
    for corners, d in zip(xy[shape.corners == 3], far[shape.corners == 3], strict=True):
        if d.min() >= 0.0 or d.max() <= 0.0:
            continue
        ends = [
            corners[i] + (corners[j] - corners[i]) * (d[i] / (d[i] - d[j]))
            for i, j in ((0, 1), (1, 2), (2, 0))
            if (d[i] < 0.0) != (d[j] < 0.0)
        ]
        lines.append(ends)
    return points, np.asarray(lines, float).reshape(-1, 2, 2)


def crossed(shape: Shape, view: View) -> Shape:
    """Where the plane of a view crosses triangles, as segments with their radius and uncertainty."""
    far = view.depth(shape.vertices)
    met = (shape.corners == 3) & (far.min(axis=1) < 0.0) & (far.max(axis=1) > 0.0)
    vertices = shape.vertices.copy()
    for k in np.flatnonzero(met):
        corners, d = shape.vertices[k], far[k]
        ends = [
            corners[i] + (corners[j] - corners[i]) * (d[i] / (d[i] - d[j]))
            for i, j in ((0, 1), (1, 2), (2, 0))
            if (d[i] < 0.0) != (d[j] < 0.0)
        ]
        vertices[k] = ends[0], ends[1], ends[1]
    lines = take(replace(shape, vertices=vertices), met)
    return replace(lines, corners=np.full(len(lines), 2, np.int8))


def thinned(xy: Floats, cell_m: float) -> Floats:
    """One point, the first, of each square cell: what is drawn of a scan. For drawing only."""
    if not len(xy):
        return xy
    keys = np.floor(xy / cell_m).astype(np.int64)
    _, first = np.unique(keys, axis=0, return_index=True)
    return xy[np.sort(first)]


def legs(points: Sequence[tuple[float, float, float]]) -> Floats:
    """The stretches of air of a chain (n, 2, 3): its points come in pairs, one a stretch, a body crossed between."""
    found = np.asarray(points, float).reshape(-1, 3)
    return found[: len(found) // 2 * 2].reshape(-1, 2, 3)


def crossings(points: Sequence[tuple[float, float, float]]) -> Floats:
    """The floating bodies crossed by a chain (n - 1, 2, 3), from where it meets each to where it leaves."""
    stretches = legs(points)
    return np.stack([stretches[:-1, 1], stretches[1:, 0]], axis=1) if len(stretches) > 1 else np.zeros((0, 2, 3))


def round_length(at_most: float) -> float:
    """The largest 1, 2 or 5 times a power of ten that is not above a length.

    >>> round_length(7.3), round_length(0.3)
    (5.0, 0.2)
    """
    power = 10.0 ** math.floor(math.log10(at_most))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= at_most))
