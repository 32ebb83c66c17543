"""Owns the space about wires: a tube along each curve, and which of many tubes a point is in or beside.

A point is in the tube whose curve is nearest, if it is in several; beside the nearest, if it is in none. Few points of
a scan are near a wire, so most are turned away by the square of the ground they stand on and their height alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.survey.fit import height, offset
from clearance.survey.records import Curve, Floats

BESIDE_M = 0.8
"""[m] Outside the tube but this near a wire's curve: beside it."""

STEP_M = 8.0
"""[m] Spacing of the places along a tube by which the squares it passes over, and its heights there, are told."""

BLOCK = 32_768
"""Points that are asked about at a time: their working arrays stay in the processor's cache."""


@dataclass(frozen=True, eq=False)
class Tube:
    """Where a wire's returns may be: along its curve from `low` to `high` [m], within `width` and `rise` of it [m]."""

    curve: Curve
    low: float
    high: float
    width: float
    rise: float

    def box(self) -> tuple[Floats, Floats]:
        """Lower and upper corner in plan of a box that holds the tube [m]."""
        s = np.linspace(self.low, self.high, 9)
        left = np.array([-self.curve.direction[1], self.curve.direction[0]])
        plan = self.curve.base + s[:, None] * self.curve.direction + offset(self.curve, s)[:, None] * left
        bow = 0.1 + abs(float(self.curve.lateral[2])) * (self.high - self.low) * 0.05
        around = self.width + BESIDE_M + bow
        return plan.min(axis=0) - around, plan.max(axis=0) + around


def _passes(tube: Tube, cell_m: float) -> tuple[NDArray[np.int64], Floats]:
    """Cells (n, 2) that a tube and what is beside it pass over, and the lowest and highest it may be there (n, 2)
    [m]."""
    curve = tube.curve
    s = np.linspace(tube.low, tube.high, max(2, int((tube.high - tube.low) / STEP_M) + 2))
    left = np.array([-curve.direction[1], curve.direction[0]])
    z = height(curve, s)
    plan = curve.base + s[:, None] * curve.direction + offset(curve, s)[:, None] * left
    around = np.pad(z, 1, mode="edge")
    lowest = np.minimum(np.minimum(around[:-2], z), around[2:])
    highest = np.maximum(np.maximum(around[:-2], z), around[2:])
    # between two places the curve, which is convex, is nowhere above the higher, and below both only about its lowest
    tilt = float(np.sqrt(1.0 + curve.lateral[2] ** 2))
    bottom = -float(np.arcsinh(tilt * curve.vertical[1])) / (float(curve.vertical[2]) * tilt)
    if tube.low < bottom < tube.high:
        near = np.abs(s - bottom) <= s[1] - s[0]
        lowest[near] = np.minimum(lowest[near], height(curve, np.array([bottom]))[0])
    beside = max(BESIDE_M, tube.width, tube.rise) + 1e-6
    reach = tube.width + BESIDE_M + 5.0
    corners = np.array([[-reach, -reach], [-reach, reach], [reach, -reach], [reach, reach]])
    cells = np.floor((plan[:, None, :] + corners[None]) / cell_m).astype(np.int64).reshape(-1, 2)
    different, which = np.unique(cells, axis=0, return_inverse=True)
    window = np.stack([np.full(len(different), np.inf), np.full(len(different), -np.inf)], axis=1)
    np.minimum.at(window[:, 0], which.ravel(), np.repeat(lowest - beside, 4))
    np.maximum.at(window[:, 1], which.ravel(), np.repeat(highest + beside, 4))
    return different, window


class TubeIndex:
    """Tubes by the squares of the ground they pass over, to ask few of them about a point."""

    CELL_M = 32.0

    def __init__(self, tubes: Sequence[Tube]) -> None:
        self.tubes = list(tubes)
        passes = [_passes(tube, self.CELL_M) for tube in self.tubes]
        cells = np.concatenate([cells for cells, _ in passes] or [np.zeros((0, 2), np.int64)])
        window = np.concatenate([window for _, window in passes] or [np.zeros((0, 2))])
        number = np.repeat(np.arange(len(passes)), [len(cells) for cells, _ in passes])
        order = np.lexsort((number, cells[:, 1], cells[:, 0]))
        self._number, self._window = number[order], window[order]
        self._cells, first, self._many = np.unique(cells[order], axis=0, return_index=True, return_counts=True)
        self._first = first.astype(np.int64)
        lowest, highest = (
            np.minimum.reduceat(self._window[:, 0], first) if len(first) else np.zeros(0),
            np.maximum.reduceat(self._window[:, 1], first) if len(first) else np.zeros(0),
        )
        # a last cell, where nothing passes, for all the others
        self._lowest, self._highest = np.append(lowest, np.inf), np.append(highest, -np.inf)
        curves = [tube.curve for tube in self.tubes]
        self._base = np.array([curve.base for curve in curves]).reshape(-1, 2)
        self._direction = np.array([curve.direction for curve in curves]).reshape(-1, 2)
        self._vertical = np.array([curve.vertical for curve in curves]).reshape(-1, 3)
        self._lateral = np.array([curve.lateral for curve in curves]).reshape(-1, 3)
        self._ends = np.array([(tube.low, tube.high) for tube in self.tubes]).reshape(-1, 2)
        self._size = np.array([(tube.width, tube.rise) for tube in self.tubes]).reshape(-1, 2)

    def _near(self, xyz: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Points that may be near a tube, by cell and height: their indices and their cells'."""
        cell = np.floor(xyz[:, :2] * (1.0 / self.CELL_M)).astype(np.int64)
        low, high = cell.min(axis=0), cell.max(axis=0)
        here = np.flatnonzero(((self._cells >= low) & (self._cells <= high)).all(axis=1))
        nothing = len(self._cells)
        table = np.full(tuple(high - low + 1), nothing, np.int64)
        table[self._cells[here, 0] - low[0], self._cells[here, 1] - low[1]] = here
        cell -= low
        at = table.ravel()[cell[:, 0] * table.shape[1] + cell[:, 1]]
        index = np.flatnonzero((xyz[:, 2] >= self._lowest[at]) & (xyz[:, 2] <= self._highest[at]))
        return index, at[index]

    def claim(self, xyz: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """For points (n, 3) [m]: the tube each is in, and the tube it is beside; -1 where none."""
        inside, beside = np.full(len(xyz), -1, np.int64), np.full(len(xyz), -1, np.int64)
        for start in range(0, len(xyz) if self.tubes else 0, BLOCK):
            some = xyz[start : start + BLOCK]
            index, cell = self._near(some)
            if len(index):
                self._claim(some, index, cell, inside[start : start + BLOCK], beside[start : start + BLOCK])
        return inside, beside

    def _claim(
        self,
        xyz: Floats,
        index: NDArray[np.int64],
        cell: NDArray[np.int64],
        inside: NDArray[np.int64],
        beside: NDArray[np.int64],
    ) -> None:
        """Ask every tube of its cell about each of the points `index`."""
        many = self._many[cell]
        point = np.repeat(index, many)
        entry = np.arange(len(point)) - np.repeat(np.cumsum(many) - many - self._first[cell], many)
        z = xyz[point, 2]
        pair = np.flatnonzero((z >= self._window[entry, 0]) & (z <= self._window[entry, 1]))
        point, z, tube = point[pair], z[pair], self._number[entry[pair]]
        away = xyz[point, :2] - self._base[tube]
        along = self._direction[tube]
        s = away[:, 0] * along[:, 0] + away[:, 1] * along[:, 1]
        t = away[:, 1] * along[:, 0] - away[:, 0] * along[:, 1]
        might = np.flatnonzero(
            (s >= self._ends[tube, 0]) & (s <= self._ends[tube, 1]) & (np.abs(t - self._lateral[tube, 0]) < 60.0)
        )
        point, tube, s, t, z = point[might], tube[might], s[might], t[might], z[might]
        (h, m, q), (aside, turn, blow_out) = self._vertical[tube].T, self._lateral[tube].T
        tilt = np.sqrt(1.0 + np.square(blow_out))
        half = q * tilt * s / 2.0  # as in `fit.height`, for many curves at once
        rise = 2.0 * np.sinh(half + np.arcsinh(tilt * m)) * np.sinh(half) / (q * np.square(tilt))
        t = np.abs(t - (aside + turn * s + blow_out * (rise - m * s)))
        z = np.abs(z - (h + rise))
        distance = np.hypot(t, z)
        width, tall = self._size[tube].T
        _give(point, tube, distance, (t <= width) & (z <= tall), inside)
        _give(point, tube, distance, distance <= np.maximum(BESIDE_M, width), beside)
        beside[inside >= 0] = -1


def _give(
    point: NDArray[np.int64],
    tube: NDArray[np.int64],
    distance: Floats,
    held: NDArray[np.bool_],
    owner: NDArray[np.int64],
) -> None:
    """Give each point to the nearest of the tubes that hold it; the first of those as near."""
    pair = np.flatnonzero(held)
    pair = pair[np.lexsort((tube[pair], distance[pair], point[pair]))]
    if len(pair):
        first = np.append(True, np.diff(point[pair]) > 0)
        owner[point[pair[first]]] = tube[pair[first]]
