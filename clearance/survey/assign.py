"""Owns the last word on every point above the ground: wire, support, or anything else; and the bodies made of the
latter two.

Used twice: over the squares to make the bodies, and point for point when the scan is written back with its classes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from clearance.survey.claims import groups, tube_of
from clearance.survey.ground import Grid, surface_at
from clearance.survey.records import Floats, Ground, Others, Structure
from clearance.survey.spill import Spill
from clearance.survey.supports import Support, inside_prism, prism
from clearance.survey.tubes import TubeIndex
from clearance.survey.wires import Fitted
from clearance.survey.workers import in_order

SHIELD_CODE, PHASE_CODE, TOWER_CODE = 13, 14, 15
LOW_CODE, MEDIUM_CODE, HIGH_CODE, BUILDING_CODE = 3, 4, 5, 6

VEGETATION_M = (2.0, 5.0)
"""[m] Heights above ground that part low from medium from high vegetation (common practice, no source)."""

THIN_M = 0.10
"""[m] Cell in which one point stands for all of vegetation and the like."""

CORRIDOR_M = 60.0
"""[m] Points further than this from every wire, in plan, are not written as bodies; they are counted."""

COVER_SHARE = 0.95
"""[1] Share of points whose nearest neighbour is within the uncovered radius that a body states."""


@dataclass(frozen=True, eq=False)
class Deciders:
    """What decides a point's class: tubes about wires (with the class of each), prisms about supports."""

    tubes: TubeIndex
    tube_codes: NDArray[np.uint8]
    prisms: tuple[Floats, ...]

    def decide(
        self, xyz: Floats, above: Floats
    ) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        """For points (n, 3) above the ground [m] with their heights above it: class code, wire, support, whether
        beside a wire."""
        wire, near = self.tubes.claim(xyz)
        code = np.where(
            above < VEGETATION_M[0], LOW_CODE, np.where(above < VEGETATION_M[1], MEDIUM_CODE, HIGH_CODE)
        ).astype(np.uint8)
        support = np.full(len(xyz), -1, np.int64)
        for number, polygon in enumerate(self.prisms):
            low, high = polygon.min(axis=0), polygon.max(axis=0)
            close = np.flatnonzero(
                (xyz[:, 0] >= low[0])
                & (xyz[:, 0] <= high[0])
                & (xyz[:, 1] >= low[1])
                & (xyz[:, 1] <= high[1])
                & (wire < 0)
            )
            if len(close):
                support[close[inside_prism(polygon, xyz[close, :2])]] = number
        code[support >= 0] = TOWER_CODE
        on_wire = wire >= 0
        code[on_wire] = self.tube_codes[wire[on_wire]]
        return code, wire, support, (near >= 0) & (support < 0)


def deciders(
    fitted: Sequence[Fitted],
    kinds: Sequence[str],
    supports: Sequence[Support],
    ground: Ground | None,
    beyond_m: float = 0.05,
) -> Deciders:
    """The tubes of fitted wires with their kinds ("phase" or "shield"), open ends `beyond_m` longer, and the prisms of
    supports."""
    tubes = []
    for each in fitted:
        low = each.low - (0.0 if each.supports[0] >= 0 else beyond_m)
        high = each.high + (0.0 if each.supports[1] >= 0 else beyond_m)
        tubes.append(tube_of(each.curve, each.bundle, low, high))
    codes = np.array([SHIELD_CODE if kind == "shield" else PHASE_CODE for kind in kinds], np.uint8)
    prisms = []
    for support in supports:
        foot = ground_height(ground, support.axis[None])[0] if ground is not None else 0.0
        prisms.append(prism(support, float(support.places[:, 2].max() - foot)))
    return Deciders(TubeIndex(tubes), codes, tuple(prisms))


def ground_height(ground: Ground | None, xy: Floats) -> Floats:
    """Mean ground at points (n, 2) [m]; zero where there is no ground."""
    if ground is None:
        return np.zeros(len(xy))
    grid = Grid(ground.corner[0], ground.corner[1], ground.cell, *ground.mean.shape)
    return surface_at(grid, ground.mean.ravel(), xy[:, 0], xy[:, 1])


@dataclass
class Collected:
    """What the last pass over the squares gathers."""

    counts: dict[int, int] = field(default_factory=dict)
    wire_returns: list[list[Floats]] = field(default_factory=list)
    support_points: list[list[Floats]] = field(default_factory=list)
    others: list[Floats] = field(default_factory=list)
    other_codes: list[NDArray[np.uint8]] = field(default_factory=list)
    other_total: int = 0
    far: int = 0
    beside: int = 0
    beside_places: list[Floats] = field(default_factory=list)
    nearest: tuple[float, Floats, Floats] | None = None
    lowest: tuple[float, Floats] | None = None
    spacings: list[Floats] = field(default_factory=list)


def _thin(xyz: Floats, code: NDArray[np.uint8]) -> tuple[Floats, NDArray[np.uint8]]:
    """One point per cell: the first of each cell in the order of cells."""
    cell = np.floor(xyz / THIN_M).astype(np.int64)
    cell -= cell.min(axis=0)
    size = cell.max(axis=0) + 1
    key = (cell[:, 0] * size[1] + cell[:, 1]) * size[2] + cell[:, 2]
    _, first = np.unique(key, return_index=True)
    return xyz[first], code[first]


def _spacing(xyz: Floats) -> Floats:
    """Distances to the nearest neighbour, of at most 4,000 of the points [m]."""
    if len(xyz) < 2:
        return np.zeros(0)
    step = max(1, len(xyz) // 4000)
    return np.asarray(np.asarray(_tree(xyz).query(xyz[::step], k=2)[0])[:, 1])


def collect(
    spill: Spill,
    by: Deciders,
    number_of_wires: int,
    wires_xyz: Sequence[Floats],
    ground: Ground | None,
    building_codes: NDArray[np.bool_],
) -> Collected:
    """Go over all squares once more and decide every point; gather bodies, counts, and the nearest and lowest
    places."""
    out = Collected(wire_returns=[[] for _ in range(number_of_wires)], support_points=[[] for _ in by.prisms])
    everything = np.concatenate(list(wires_xyz)) if wires_xyz else np.zeros((0, 3))
    tree = cKDTree(everything) if len(everything) else None
    plan = cKDTree(everything[:: max(1, len(everything) // 20_000), :2]) if len(everything) else None

    def work(square: tuple[int, int]) -> _Decided:
        """Everything about a square; the nearest place only if it is nearer than in squares before."""
        xyz, source = spill.read(square)
        above = xyz[:, 2] - ground_height(ground, xyz[:, :2])
        code, wire, support, beside = by.decide(xyz, above)
        other = (wire < 0) & (support < 0)
        code[other & building_codes[source]] = BUILDING_CODE
        found = _Decided(np.bincount(code, minlength=256), int(other.sum()), int(beside.sum()), xyz[beside][:20])
        found.wires = [(number, xyz[which]) for number, which in groups(wire)]
        found.supports = [(number, xyz[which]) for number, which in groups(support)]
        on = np.flatnonzero(wire >= 0)
        if len(on):
            low = int(on[np.argmin(above[on])])
            found.lowest = (float(above[low]), xyz[low])
        rest = np.flatnonzero(other)
        if len(rest) and tree is not None and plan is not None:
            near = _near_by_cell(plan, xyz[rest, :2])
            rest = rest[near]
            found.far = len(near) - len(rest)
            apart = rest[~beside[rest]]
            if len(apart):
                distance, index = _query(tree, xyz[apart], out.nearest[0] if out.nearest is not None else 50.0)
                best = int(distance.argmin())
                if np.isfinite(distance[best]):
                    found.nearest = (float(distance[best]), xyz[apart[best]], everything[index[best]])
        if len(rest):
            found.spacing = _spacing(xyz[rest])
            found.others = _thin(xyz[rest], code[rest])
        return found

    for found in in_order(spill.squares(), work):
        _take(out, found)
    return out


@dataclass
class _Decided:
    """What one square adds to `Collected`."""

    counts: NDArray[np.int64]
    other_total: int
    beside: int
    beside_places: Floats
    wires: list[tuple[int, Floats]] = field(default_factory=list)
    supports: list[tuple[int, Floats]] = field(default_factory=list)
    far: int = 0
    lowest: tuple[float, Floats] | None = None
    nearest: tuple[float, Floats, Floats] | None = None
    others: tuple[Floats, NDArray[np.uint8]] | None = None
    spacing: Floats | None = None


def _take(out: Collected, found: _Decided) -> None:
    """Add what one square holds; of two places as low or as near the one in the earlier square stays."""
    for value in np.flatnonzero(found.counts):
        out.counts[int(value)] = out.counts.get(int(value), 0) + int(found.counts[value])
    for number, some in found.wires:
        out.wire_returns[number].append(some)
    for number, some in found.supports:
        out.support_points[number].append(some)
    out.other_total += found.other_total
    out.far += found.far
    out.beside += found.beside
    if found.beside and len(out.beside_places) < 200:
        out.beside_places.append(found.beside_places)
    if found.lowest is not None and (out.lowest is None or found.lowest[0] < out.lowest[0]):
        out.lowest = found.lowest
    if found.nearest is not None and (out.nearest is None or found.nearest[0] < out.nearest[0]):
        out.nearest = found.nearest
    if found.others is not None and found.spacing is not None:
        out.spacings.append(found.spacing)
        out.others.append(found.others[0])
        out.other_codes.append(found.others[1])


def _tree(places: Floats) -> cKDTree:
    """A tree that is built quickly, for few questions."""
    return cKDTree(places, compact_nodes=False, balanced_tree=False)


def _query(tree: cKDTree, places: Floats, bound: float) -> tuple[Floats, NDArray[np.int64]]:
    """Distance [m] to the nearest point of a tree and its index; infinite beyond the bound."""
    distance, index = tree.query(places, distance_upper_bound=bound)
    return np.asarray(distance, float), np.asarray(index, np.int64)


def _near_by_cell(plan: cKDTree, xy: Floats) -> NDArray[np.bool_]:
    """Which points are within the corridor, decided for cells of 2 m at once, on the wide side."""
    cell = np.floor(xy / 2.0).astype(np.int64)
    lowest = cell.min(axis=0)
    cell -= lowest
    wide = int(cell[:, 1].max()) + 1
    key = cell[:, 0] * wide + cell[:, 1]
    table = np.zeros(int(key.max()) + 1, bool)  # of one square: some 10,000 cells
    table[key] = True
    cells = np.flatnonzero(table)
    middles = (np.stack([cells // wide, cells % wide], axis=1) + lowest) * 2.0 + 1.0
    table[cells] = _query(plan, middles, CORRIDOR_M + 1.5)[0] < CORRIDOR_M + 1.5
    return np.asarray(table[key])


def others_of(out: Collected) -> Others:
    """The body of everything else, with the radius its sampling leaves uncovered."""
    points = np.concatenate(out.others) if out.others else np.zeros((0, 3))
    codes = np.concatenate(out.other_codes) if out.other_codes else np.zeros(0, np.uint8)
    spacing = np.concatenate(out.spacings) if out.spacings else np.zeros(0)
    uncovered = float(np.quantile(spacing, COVER_SHARE)) if len(spacing) else 0.0
    return Others(points, codes, out.other_total, THIN_M, uncovered)


def structures_of(
    supports: Sequence[Support], by: Deciders, points: Sequence[Floats], ground: Ground | None
) -> list[Structure]:
    """The supports as structures: base, height, prism, and the radius that the sampling leaves uncovered."""
    out = []
    for number, (support, polygon, some) in enumerate(zip(supports, by.prisms, points, strict=True), start=1):
        foot = float(ground_height(ground, support.axis[None])[0])
        top = float(support.places[:, 2].max())
        if len(some):
            top = max(top, float(some[:, 2].max()))
        spacing = _spacing(some)
        uncovered = float(np.quantile(spacing, COVER_SHARE)) if len(spacing) else 0.0
        base = np.array([*support.axis, foot])
        out.append(Structure(f"tower {number}", base, top, polygon, len(some), len(some) >= 30, uncovered))
    return out
