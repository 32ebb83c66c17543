"""Owns the reading passes: ground returns into rasters, everything above the ground into squares.

Where the survey classified ground, one pass does; where it did not, a first pass finds the lowest returns, the filter
the ground, and a second pass sorts the points by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.survey.classes import GROUND, WIRE
from clearance.survey.ground import (
    Grid,
    GroundRaster,
    LowestRaster,
    filter_ground,
    grid_over,
    surface_at,
    tolerance_of,
)
from clearance.survey.records import Floats, Heights, Scans
from clearance.survey.spill import Spill
from clearance.survey.stream import Progress, Tally, chunks, sample_codes

FEWEST_GROUND_SHARE = 0.02
"""[1] With less of the sampled returns classified as ground, the classes are not used for the ground."""

DEEPEST_BELOW_M = 1.0
"""[m] Returns further below the filtered ground are noise (multipath, pits of one return): dropped and counted."""


@dataclass(frozen=True, eq=False)
class Surface:
    """What decides whether a point is ground: a class, or a height above the filtered surface."""

    by_class: bool
    grid: Grid
    heights: Heights
    tolerance: Floats
    found: bool

    def split(
        self, x: Floats, y: Floats, z: Floats, role: NDArray[np.uint8]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_] | None]:
        """Which points are ground, and which are too far below it (None where that is not judged)."""
        if self.by_class:
            return role == GROUND, None
        if not self.found:
            return np.zeros(len(x), bool), None
        above = z - surface_at(self.grid, self.heights, x, y)
        ground = above <= self.tolerance[self.grid.index(x, y)]
        below = above < -DEEPEST_BELOW_M
        return ground & ~below, below


def ground_is_classified(scans: Scans, roles: NDArray[np.uint8], use: str) -> bool:
    """Whether the survey's own ground class is used."""
    if use == "ignore":
        return False
    counts = sample_codes(scans)
    total = int(counts.sum())
    return total > 0 and int(counts[roles == GROUND].sum()) >= FEWEST_GROUND_SHARE * total


def find_surface(
    scans: Scans, roles: NDArray[np.uint8], by_class: bool, progress: Progress | None
) -> tuple[Surface, int]:
    """The surface that tells ground from the rest; and how many cells' lowest returns were low outliers."""
    grid = grid_over(scans)
    nothing = np.zeros(0)
    if by_class:
        return Surface(True, grid, nothing, nothing, True), 0
    lowest = LowestRaster(grid)
    for chunk in chunks(scans, roles, Tally(), progress):
        lowest.add(chunk.x, chunk.y, chunk.z)
    filtered = filter_ground(grid, lowest.values)
    if filtered is None:
        return Surface(False, grid, nothing, nothing, False), 0
    cells, heights, outliers = filtered
    return Surface(False, cells, heights, tolerance_of(cells, heights), True), outliers


def sift(
    scans: Scans, roles: NDArray[np.uint8], surface: Surface, spill: Spill, tally: Tally, progress: Progress | None
) -> tuple[GroundRaster, int]:
    """Read all points once: ground returns into a raster, all others into squares; and how many were classed as
    wire."""
    raster = GroundRaster(grid_over(scans))
    wires = 0
    for chunk in chunks(scans, roles, tally, progress):
        role = roles[chunk.code]
        ground, below = surface.split(chunk.x, chunk.y, chunk.z, role)
        if ground.any():
            raster.add(raster.grid.index(chunk.x[ground], chunk.y[ground]), chunk.z[ground])
        rest = ~ground
        if below is not None:
            tally.drop(f"more than {DEEPEST_BELOW_M:.0f} m below the ground found", int(below.sum()))
            rest &= ~below
        if surface.by_class:
            wires += int(np.count_nonzero(role == WIRE))
        at = np.flatnonzero(rest)
        spill.add(np.column_stack([chunk.x[at], chunk.y[at], chunk.z[at]]), chunk.code[at])
    return raster, wires
