"""Owns which returns belong to which wire: a tube about each curve, and the fit of the final curves to what is in it.

A return is a wire's if it lies in the tube of the nearest curve; a return beside the tube but within reach of the wire
is counted as beside it (a spacer, a damper, a branch) and stays with what is not wire.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clearance.survey.bundle import nearest, recognise
from clearance.survey.fit import END_LEFT_OUT_M, fit_curve, height, offset, residuals, to_frame
from clearance.survey.records import Bundle, Curve, Floats
from clearance.survey.spill import Spill

FIRST_TUBE_M = (0.8, 0.6)
"""[m] Half width and half height of the tube about a first curve: holds a bundle of 0.5 m and the first curve's
error."""

TUBE_M = (0.30, 0.28)
"""[m] Half width and half height of the tube about each sub-conductor of a final curve: six times the scatter of
returns that is usual on wires (0.05 m), and spacers and dampers."""

BESIDE_M = 0.8
"""[m] Outside the tube but this near a wire's curve: beside it."""

SHELL_M = 2.2
"""[m] Around a wire's curve: what is as near as this and not the wire shows whether the wire stands alone."""

LOWEST_SHELL_M = 2.0
"""[m] Returns lower than this above the ground do not count as around a wire."""

BLOCK_M = 10.0
"""[m] Length of the blocks in which a wire is looked at for standing alone."""

FEWEST_CLEAR = 0.4
"""[1] Share of the blocks with returns in which a wire must stand alone."""

LOOSEST_M = 0.18
"""[m] Robust spread of the returns about a first curve above which it is no wire."""

OPEN_END_M = 8.0
"""[m] How far beyond its last blob an open end may still have returns."""


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


class TubeIndex:
    """Tubes by the squares of the ground they pass over, to ask few of them about a point."""

    CELL_M = 32.0

    def __init__(self, tubes: Sequence[Tube]) -> None:
        self.tubes = list(tubes)
        self._cells: dict[tuple[int, int], list[int]] = {}
        for number, tube in enumerate(self.tubes):
            steps = max(2, int((tube.high - tube.low) / 8.0) + 2)
            s = np.linspace(tube.low, tube.high, steps)
            left = np.array([-tube.curve.direction[1], tube.curve.direction[0]])
            plan = tube.curve.base + s[:, None] * tube.curve.direction + offset(tube.curve, s)[:, None] * left
            reach = tube.width + BESIDE_M + 5.0
            corners = np.array([[-reach, -reach], [-reach, reach], [reach, -reach], [reach, reach]])
            cells = np.unique(
                np.floor((plan[:, None, :] + corners[None]) / self.CELL_M).astype(np.int64).reshape(-1, 2), axis=0
            )
            for column, row in cells:
                self._cells.setdefault((int(column), int(row)), []).append(number)
        self._known = np.array([column * 1_000_003 + row for column, row in sorted(self._cells)], np.int64)
        self._known.sort()

    def groups(self, xyz: Floats) -> Iterator[tuple[NDArray[np.int64], list[int]]]:
        """Points near tubes, cell by cell: their indices, and the tubes that pass there."""
        cell = np.floor(xyz[:, :2] / self.CELL_M).astype(np.int64)
        key = cell[:, 0] * 1_000_003 + cell[:, 1]
        if not len(self._known):
            return
        at = np.minimum(np.searchsorted(self._known, key), len(self._known) - 1)
        index = np.flatnonzero(self._known[at] == key)
        order = index[np.argsort(key[index], kind="stable")]
        if not len(order):
            return
        edges = np.flatnonzero(np.diff(key[order])) + 1
        for group in np.split(order, edges):
            yield group, self._cells[(int(cell[group[0], 0]), int(cell[group[0], 1]))]

    def claim(self, xyz: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """For points (n, 3) [m]: the tube each is in, and the tube it is beside; -1 where none."""
        inside, beside = np.full(len(xyz), -1, np.int64), np.full(len(xyz), -1, np.int64)
        for group, numbers in self.groups(xyz):
            some = xyz[group]
            best, best_near = np.full(len(group), np.inf), np.full(len(group), np.inf)
            mine, near = np.full(len(group), -1, np.int64), np.full(len(group), -1, np.int64)
            for number in numbers:
                tube = self.tubes[number]
                placed = to_frame(some, tube.curve.base, tube.curve.direction)
                s = placed[:, 0]
                might = np.flatnonzero(
                    (s >= tube.low) & (s <= tube.high) & (np.abs(placed[:, 1] - tube.curve.lateral[0]) < 60.0)
                )
                if not len(might):
                    continue
                aside = np.abs(placed[might, 1] - offset(tube.curve, s[might]))
                above = np.abs(placed[might, 2] - height(tube.curve, s[might]))
                away = np.hypot(aside, above)
                hit = (aside <= tube.width) & (above <= tube.rise) & (away < best[might])
                best[might[hit]], mine[might[hit]] = away[hit], number
                close = (away <= max(BESIDE_M, tube.width)) & (away < best_near[might])
                best_near[might[close]], near[might[close]] = away[close], number
            inside[group] = mine
            beside[group] = np.where(mine >= 0, -1, near)
        return inside, beside


def claimed(spill: Spill, tubes: Sequence[Tube]) -> list[Floats]:
    """All points of the squares that lie in each tube (n, 3) [m]."""
    index = TubeIndex(tubes)
    boxes = [tube.box() for tube in tubes]
    found: list[list[Floats]] = [[] for _ in tubes]
    for square in spill.squares():
        low, high = spill.box(square)
        if not any((a <= high).all() and (b >= low).all() for a, b in boxes):
            continue
        xyz, _ = spill.read(square)
        inside, _ = index.claim(xyz)
        taken = np.flatnonzero(inside >= 0)
        taken = taken[np.argsort(inside[taken], kind="stable")]
        if not len(taken):
            continue
        for group in np.split(taken, np.flatnonzero(np.diff(inside[taken])) + 1):
            found[int(inside[group[0]])].append(xyz[group])
    return [np.concatenate(parts) if parts else np.zeros((0, 3)) for parts in found]


def isolated(spill: Spill, tubes: Sequence[Tube], ground_m: Callable[[Floats], Floats]) -> list[bool]:
    """Which tubes hold returns that stand alone: a wire does along most of its length, a row of twigs never does.

    Along each tube, in blocks of 10 m, the returns in it are counted against those around it (to `SHELL_M`, and not in
    another tube); a block is clear if those in it are at least twice as many. And in the clear blocks they must lie
    close to its curve, not fill it.
    """
    wide = [replace(tube, width=SHELL_M, rise=SHELL_M) for tube in tubes]
    inner, outer = TubeIndex(tubes), TubeIndex(wide)
    blocks = [int((tube.high - tube.low) / BLOCK_M) + 1 for tube in tubes]
    first = np.concatenate([[0], np.cumsum(blocks)]).astype(np.int64)
    counts = np.zeros((2, int(first[-1])))
    off: list[list[Floats]] = [[] for _ in tubes]
    for square in spill.squares():
        xyz, _ = spill.read(square)
        xyz = xyz[ground_m(xyz) > LOWEST_SHELL_M]
        inside, _ = inner.claim(xyz)
        around, _ = outer.claim(xyz)
        around[inside >= 0] = -1
        for row, owner in ((0, inside), (1, around)):
            taken = np.flatnonzero(owner >= 0)
            for number in np.unique(owner[taken]):
                mine = xyz[taken[owner[taken] == number]]
                placed = residuals(tubes[number].curve, mine)
                block = ((placed[:, 0] - tubes[number].low) / BLOCK_M).astype(np.int64).clip(0, blocks[number] - 1)
                counts[row] += np.bincount(first[number] + block, minlength=counts.shape[1])
                if row == 0:
                    off[number].append(np.column_stack([block, placed[:, 2]]))
    out = []
    for number in range(len(tubes)):
        here = counts[:, first[number] : first[number + 1]]
        seen = here[0] > 0
        if not seen.any():
            out.append(False)
            continue
        clear = seen & (here[0] >= 2.0 * here[1])
        pairs = np.concatenate(off[number])
        alone = pairs[clear[pairs[:, 0].astype(np.int64)], 1]
        spread = 1.4826 * float(np.median(np.abs(alone))) if len(alone) else np.inf
        out.append(bool(clear.sum() >= FEWEST_CLEAR * seen.sum() and spread <= LOOSEST_M))
    return out


def refine(
    returns: Floats,
    first: Curve,
    low: float,
    high: float,
    at_support: tuple[bool, bool],
    prior: tuple[float, float] | None,
) -> tuple[Curve, Bundle, Floats]:
    """The final curve of a wire, its bundle, and the places of its sub-conductors in the section (k, 2) [m].

    Parameters: returns (n, 3) [m]; first curve; low, high where the wire ends along it [m]; whether each end is at a
    support, near which returns are left out of the fit; prior as for `fit_curve`.
    """
    s = to_frame(returns, first.base, first.direction)[:, 0]
    cut = END_LEFT_OUT_M
    used = (s >= low + (cut if at_support[0] else 0.0)) & (s <= high - (cut if at_support[1] else 0.0))
    if used.sum() < 4 or np.ptp(s[used]) < 0.5 * np.ptp(s):
        used = np.ones(len(s), bool)
    some = returns[used]
    curve = fit_curve(some, first.base, first.direction, prior=prior, near=first)
    bundle, places = recognise(residuals(curve, some)[:, 1:])
    for _ in range(2):
        if bundle.count == 1:
            break
        offsets = nearest(residuals(curve, some)[:, 1:], places)
        curve = fit_curve(some, first.base, first.direction, offsets, prior, curve)
        bundle, places = recognise(residuals(curve, some)[:, 1:])
    return curve, bundle, places


def tube_of(curve: Curve, bundle: Bundle, low: float, high: float) -> Tube:
    """The tube of a final curve: room about each sub-conductor for the scatter of its returns."""
    half = bundle.spacing_m / 2.0 if bundle.count > 1 else 0.0
    tall = half if bundle.arrangement in ("vertical pair", "square", "triangle") else 0.0
    width = half + max(TUBE_M[0], 5.0 * curve.scatter_lateral if bundle.count > 1 else 3.5 * curve.scatter_lateral)
    rise = tall + max(TUBE_M[1], 5.0 * curve.scatter_vertical)
    return Tube(curve, low, high, min(width, FIRST_TUBE_M[0]), min(rise, FIRST_TUBE_M[1]))
