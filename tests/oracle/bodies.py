"""Owns what a body is to the oracle: lines with a radius, a box, or the ground; and the distance from points to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

Points = NDArray[np.float64]
FEW = 8
STEP = 0.1
"""Spacing of points along a line [m]: it hides 1.3 mm of a gap of 1 m, which makes the oracle weaker, not wrong."""


@dataclass(frozen=True)
class Lines:
    """Lines that are surely inside the body, each with a radius that is, stated uncertainty included; so is a point."""

    a: Points
    b: Points
    radius: NDArray[np.float64]

    def nearest(self, points: Points) -> tuple[NDArray[np.float64], Points]:
        """Distance of each point to the body, and where on its lines it is reached."""
        if len(points) > FEW and len(self.radius) > FEW:  # without lines that are too far for any of the points
            middle = points.mean(axis=0)
            reach = float(np.sqrt(((points - middle) ** 2).sum(axis=1).max()))
            far = self._far(middle[None])[0][0]
            near = far <= far.min() + 2 * reach
            if not near.all():
                return Lines(self.a[near], self.b[near], self.radius[near]).nearest(points)
        far, share = self._far(points)
        rows, best = np.arange(len(points)), far.argmin(axis=1)
        return far[rows, best], self.a[best] + share[rows, best][:, None] * self._along[0][best]

    def _far(self, points: Points) -> tuple[Points, Points]:
        """Distance of each point to each line, and at which share of the line."""
        along, foot = self._along
        onto = points @ along.T - foot  # (p - a) . d
        square = np.maximum(self._length2, 1e-12)
        share = np.clip(onto / square, 0, 1)
        from_a = np.maximum((points**2).sum(axis=1)[:, None] - 2 * points @ self.a.T + (self.a**2).sum(axis=1), 0)
        return np.sqrt(np.maximum(from_a - 2 * share * onto + share**2 * square, 0)) - self.radius, share

    @cached_property
    def _along(self) -> tuple[Points, NDArray[np.float64]]:
        along = self.b - self.a
        return along, (self.a * along).sum(axis=1)

    @cached_property
    def _length2(self) -> NDArray[np.float64]:
        return (self._along[0] ** 2).sum(axis=1)

    @cached_property
    def samples(self) -> tuple[Points, NDArray[np.float64]]:
        """Points of the lines no further apart than STEP, and their radii."""
        count = np.maximum(np.ceil(np.sqrt(self._length2) / STEP).astype(int), 1)
        line = np.repeat(np.arange(len(count)), count)
        number = np.arange(len(line)) - np.repeat(np.cumsum(count) - count, count)
        at = self.a[line] + (number / count[line])[:, None] * (self.b - self.a)[line]
        # the end of a line is where the next begins, or is a point of its own
        last = np.append((self.a[1:] != self.b[:-1]).any(axis=1), True) & (self._length2 > 0)
        return np.vstack([at, self.b[last]]), np.concatenate([self.radius[line], self.radius[last]])

    def moved(self, turn: Rotation | Points, to: Points) -> Lines:
        """Turned, by a rotation or by its matrix, and moved."""
        matrix = (turn.as_matrix() if isinstance(turn, Rotation) else turn).T
        there = Lines(self.a @ matrix + to, self.b @ matrix + to, self.radius)
        there.__dict__["samples"] = (self.samples[0] @ matrix + to, self.samples[1])
        return there


def balls(at: Points, radius: NDArray[np.float64] | float) -> Lines:
    """Balls about points."""
    at = np.atleast_2d(np.asarray(at, dtype=float))
    return Lines(at, at, np.broadcast_to(np.asarray(radius, dtype=float), len(at)).copy())


@dataclass(frozen=True)
class Box:
    """A box, its sides moved out by its uncertainty."""

    centre: Points
    half: Points
    turn: Rotation
    uncertainty: float

    def nearest(self, points: Points) -> tuple[NDArray[np.float64], Points]:
        local = self.turn.inv().apply(points - self.centre)
        on = np.clip(local, -self.half, self.half)
        return np.linalg.norm(local - on, axis=1) - self.uncertainty, self.turn.apply(on) + self.centre

    @cached_property
    def samples(self) -> tuple[Points, NDArray[np.float64]]:
        axes = [np.linspace(-h, h, max(2, min(60, int(h / STEP)))) for h in self.half]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        outside = (np.abs(np.abs(grid) - self.half) < 1e-9).any(axis=1)
        at = self.turn.apply(grid[outside]) + self.centre
        return at, np.full(len(at), self.uncertainty)


@dataclass(frozen=True)
class Plane:
    """The ground as a plane, raised along its normal by its uncertainty."""

    through: Points
    normal: Points
    uncertainty: float

    def nearest(self, points: Points) -> tuple[NDArray[np.float64], Points]:
        above = (points - self.through) @ self.normal
        return np.maximum(above - self.uncertainty, 0.0), points - above[:, None] * self.normal

    def height(self, x: float, y: float) -> float:
        flat = self.normal[:2] @ (np.array([x, y]) - self.through[:2])
        return float(self.through[2] - flat / self.normal[2])


@dataclass(frozen=True)
class Cloud:
    """Points of a survey, each within an error; as ground it also has heights between them."""

    at: Points
    error: float

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.at)

    @cached_property
    def _heights(self) -> LinearNDInterpolator:
        return LinearNDInterpolator(self.at[:, :2], self.at[:, 2])

    def nearest(self, points: Points) -> tuple[NDArray[np.float64], Points]:
        far, index = self._tree.query(points)
        return far - self.error, self.at[index]

    def height(self, x: float, y: float) -> float:
        return float(self._heights([[x, y]])[0])


@dataclass(frozen=True)
class Group:
    """Several solids that count as one body."""

    parts: tuple[Lines | Box | Plane | Cloud, ...]

    def nearest(self, points: Points) -> tuple[NDArray[np.float64], Points]:
        best, where = self.parts[0].nearest(points)
        for part in self.parts[1:]:
            far, at = part.nearest(points)
            closer = far < best
            best, where = np.where(closer, far, best), np.where(closer[:, None], at, where)
        return best, where

    @cached_property
    def samples(self) -> tuple[Points, NDArray[np.float64]]:
        parts = [part.samples for part in self.parts if not _wide(part)]
        return np.concatenate([at for at, _ in parts]), np.concatenate([radius for _, radius in parts])


Ground = Plane | Cloud
Solid = Lines | Box | Plane | Cloud | Group


@dataclass(frozen=True)
class Body:
    """A body with its name, its potential by nature ("" where it floats), and whether the job brings or moves it."""

    name: str
    solid: Solid
    potential: str
    job: bool = False


def capsule(ends: Points | Sequence[Sequence[float]], radius: float) -> Lines:
    """A line through the points `ends`, of one radius."""
    line = np.asarray(ends, dtype=float)
    return Lines(line[:-1], line[1:], np.full(len(line) - 1, float(radius)))


def together(parts: Sequence[Lines]) -> Lines:
    fields = ("a", "b", "radius")
    return Lines(*(np.concatenate([getattr(part, name) for part in parts]) for name in fields))


def gap(one: Solid, other: Solid) -> tuple[float, Points, Points]:
    """Least air between two bodies, never below zero, and where on each it is reached: from points of the first."""
    if _wide(one):
        value, b, a = gap(other, one)
        return value, a, b
    at, radius = one.samples
    far, where = other.nearest(at)
    index = int(np.argmin(far - radius))
    return max(0.0, float(far[index] - radius[index])), at[index], where[index]


def _wide(solid: Solid) -> bool:
    """True for the ground and for scans: they are measured from other bodies, never sampled."""
    return isinstance(solid, Plane | Cloud) or (isinstance(solid, Group) and any(_wide(part) for part in solid.parts))
