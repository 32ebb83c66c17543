"""Owns the space about wires: a tube along each curve, and which of many tubes a point is in or beside.

A point is in the tube whose curve is nearest, if it is in several; beside the nearest, if it is in none. Few points of
a scan are near a wire, so most are turned away by the square of the ground they stand on and their height alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.survey.fit import offset
from clearance.survey.records import Curve, Floats

BESIDE_M = 0.8
"""[m] Outside the tube but this near a wire's curve: beside it."""

STEP_M = 4.0
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


@dataclass(frozen=True, eq=False)
class _Curves:
    """The numbers of many tubes, a row each, and of each row what a `Tube` and its `Curve` hold under these names."""

    base: Floats
    direction: Floats
    vertical: Floats
    lateral: Floats
    ends: Floats
    size: Floats

    def at(self, tube: NDArray[np.int64], s: Floats) -> tuple[Floats, Floats]:
        """Offset to the left and height of the curves of some tubes, each at its s [m]; as `fit.offset` and
        `fit.height`."""
        (h, m, q), (aside, turn, blow_out) = self.vertical[tube].T, self.lateral[tube].T
        tilt = np.sqrt(1.0 + np.square(blow_out))
        half = q * tilt * s / 2.0
        rise = 2.0 * np.sinh(half + np.arcsinh(tilt * m)) * np.sinh(half) / (q * np.square(tilt))
        return aside + turn * s + blow_out * (rise - m * s), h + rise


def _curves(tubes: Sequence[Tube]) -> _Curves:
    curves = [tube.curve for tube in tubes]
    return _Curves(
        np.array([curve.base for curve in curves]).reshape(-1, 2),
        np.array([curve.direction for curve in curves]).reshape(-1, 2),
        np.array([curve.vertical for curve in curves]).reshape(-1, 3),
        np.array([curve.lateral for curve in curves]).reshape(-1, 3),
        np.array([(tube.low, tube.high) for tube in tubes]).reshape(-1, 2),
        np.array([(tube.width, tube.rise) for tube in tubes]).reshape(-1, 2),
    )


def _passes(curves: _Curves, cell_m: float) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """Cells (n, 2) that tubes and what is beside them pass over, in order; the tube (n,); and the lowest and highest
    it may be there (n, 2) [m]."""
    low, high = curves.ends.T
    steps = np.maximum(2, ((high - low) / STEP_M).astype(np.int64) + 2)
    tube = np.repeat(np.arange(len(steps)), steps)
    step = np.arange(len(tube)) - np.repeat(np.cumsum(steps) - steps, steps)
    apart = (high - low) / (steps - 1)
    s = low[tube] + step * apart[tube]
    t, z = curves.at(tube, s)
    along = curves.direction[tube]
    plan = curves.base[tube] + s[:, None] * along + t[:, None] * np.stack([-along[:, 1], along[:, 0]], axis=1)
    before, after = np.maximum(step - 1, 0) - step, np.minimum(step + 1, steps[tube] - 1) - step
    around = np.stack([z, z[np.arange(len(z)) + before], z[np.arange(len(z)) + after]])
    lowest, highest = around.min(axis=0), around.max(axis=0)
    # between two places the curve, which is convex, is nowhere above the higher, and below both only about its lowest
    tilt = np.sqrt(1.0 + np.square(curves.lateral[:, 2]))
    bottom = np.clip(-np.arcsinh(tilt * curves.vertical[:, 1]) / (curves.vertical[:, 2] * tilt), low, high)
    _, deepest = curves.at(np.arange(len(low)), bottom)
    near = np.abs(s - bottom[tube]) <= apart[tube]
    lowest[near] = np.minimum(lowest[near], deepest[tube[near]])
    beside = np.maximum(BESIDE_M, curves.size.max(axis=1))[tube] + 1e-6
    reach = (curves.size[:, 0] + BESIDE_M + 0.6 * STEP_M)[tube]  # half a step, and room for a curve at an angle
    assert 2.0 * reach.max() <= cell_m  # the corners of what is within reach of a place are in all cells it touches
    rows = [
        np.column_stack([np.floor((plan + reach[:, None] * np.array(corner)) / cell_m).astype(np.int64), tube])
        for corner in ((-1, -1), (-1, 1), (1, -1), (1, 1))
    ]
    key = np.concatenate(rows)
    order = np.lexsort((key[:, 2], key[:, 1], key[:, 0]))
    key = key[order]
    first = np.flatnonzero(np.append(True, (np.diff(key, axis=0) != 0).any(axis=1)))
    bounds = (np.tile(lowest - beside, 4)[order], np.tile(highest + beside, 4)[order])
    window = np.stack([np.minimum.reduceat(bounds[0], first), np.maximum.reduceat(bounds[1], first)], axis=1)
    return key[first, :2], key[first, 2], window


class TubeIndex:
    """Tubes by the squares of the ground they pass over, to ask few of them about a point."""

    CELL_M = 16.0

    def __init__(self, tubes: Sequence[Tube]) -> None:
        self.tubes = list(tubes)
        if not self.tubes:
            return
        self._curves = _curves(self.tubes)
        cells, self._number, self._window = _passes(self._curves, self.CELL_M)
        first = np.flatnonzero(np.append(True, (np.diff(cells, axis=0) != 0).any(axis=1)))
        self._cells, self._first = cells[first], first
        self._many = np.diff(np.append(first, len(cells)))
        # a last cell, where nothing passes, for all the others
        self._lowest = np.append(np.minimum.reduceat(self._window[:, 0], first), np.inf)
        self._highest = np.append(np.maximum.reduceat(self._window[:, 1], first), -np.inf)

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
        away, along = xyz[point, :2] - self._curves.base[tube], self._curves.direction[tube]
        s = away[:, 0] * along[:, 0] + away[:, 1] * along[:, 1]
        t = away[:, 1] * along[:, 0] - away[:, 0] * along[:, 1]
        low, high = self._curves.ends[tube].T
        might = np.flatnonzero((s >= low) & (s <= high) & (np.abs(t - self._curves.lateral[tube, 0]) < 60.0))
        point, tube, s = point[might], tube[might], s[might]
        offset_there, height_there = self._curves.at(tube, s)
        t, z = np.abs(t[might] - offset_there), np.abs(z[might] - height_there)
        distance = np.hypot(t, z)
        width, tall = self._curves.size[tube].T
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
    """Give each point to the nearest of the tubes that hold it, the first of those as near; points in order, and for
    each its tubes in order."""
    point, tube, distance = point[held], tube[held], distance[held]
    if not len(point):
        return
    new = np.append(True, point[1:] != point[:-1])
    if not new.all():
        nearest = np.minimum.reduceat(distance, np.flatnonzero(new))[np.cumsum(new) - 1]
        best = distance == nearest
        point, tube = point[best][::-1], tube[best][::-1]  # of two as near the first is written last
    owner[point] = tube
