"""Owns the reading passes: ground returns into rasters, everything above the ground into squares.

Where the survey classified ground, one pass does; where it did not, a first pass finds the lowest returns, the filter
the ground, and a second pass, over points kept on disk, sorts them by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.survey.classes import GROUND, WIRE
from clearance.survey.ground import (
    GROUND_TOLERANCE_M,
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
from clearance.survey.stash import Stash
from clearance.survey.stream import Progress, Tally, chunks, chunks_again, sample_codes

FEWEST_GROUND_SHARE = 0.02
"""[1] With less of the sampled returns classified as ground, the classes are not used for the ground."""

DEEPEST_BELOW_M = 1.0
"""[m] Returns further below the filtered ground are noise (multipath, pits of one return): dropped and counted."""

ROUNDING_M = 0.002
"""[m] More than the rounding of heights held in single precision, up to 8 km: nearer than this to a bound nothing is
sure."""


@dataclass(frozen=True, eq=False)
class Surface:
    """What decides whether a point is ground: a class, or a height above the filtered surface.

    Per cell of the filtered surface: its heights [m]; how far above it a return is ground [m]; and, to spare most
    returns the surface at their place, up to what height they are ground and above what height they are not, wherever
    in the cell [m].
    """

    by_class: bool
    grid: Grid
    heights: Heights
    tolerance: Heights
    sure_to: Heights
    sure_above: Heights
    found: bool

    def split(
        self, x: Floats, y: Floats, z: Floats, role: NDArray[np.uint8]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_] | None]:
        """Which points are ground, and which are too far below it (None where that is not judged)."""
        if self.by_class:
            return role == GROUND, None
        if not self.found:
            return np.zeros(len(x), bool), None
        cell = self.grid.index(x, y)
        sure_above = self.sure_above[cell]
        ground = (z <= self.sure_to[cell]) & (z >= sure_above - (GROUND_TOLERANCE_M + DEEPEST_BELOW_M))
        below = np.zeros(len(z), bool)
        at = np.flatnonzero(~ground & (z <= sure_above))
        above = z[at] - surface_at(self.grid, self.heights, x[at], y[at])
        below[at] = above < -DEEPEST_BELOW_M
        ground[at] = (above <= self.tolerance[cell[at]]) & ~below[at]
        return ground, below


def ground_is_classified(scans: Scans, roles: NDArray[np.uint8], use: str) -> bool:
    """Whether the survey's own ground class is used."""
    if use == "ignore":
        return False
    counts = sample_codes(scans)
    total = int(counts.sum())
    return total > 0 and int(counts[roles == GROUND].sum()) >= FEWEST_GROUND_SHARE * total


def find_surface(
    scans: Scans,
    roles: NDArray[np.uint8],
    by_class: bool,
    tally: Tally,
    progress: Progress | None,
    stash: Stash | None = None,
) -> tuple[Surface, int]:
    """The surface that tells ground from the rest; and how many cells' lowest returns were low outliers.

    Where points are read for it they go into the stash, and into the tally.
    """
    grid = grid_over(scans)
    nothing = np.zeros(0, np.float32)
    if by_class:
        return Surface(True, grid, nothing, nothing, nothing, nothing, True), 0
    lowest = LowestRaster(grid)
    for chunk in chunks(scans, roles, tally, progress, stash):
        lowest.add(chunk.x, chunk.y, chunk.z)
    filtered = filter_ground(grid, lowest.values)
    if filtered is None:
        return Surface(False, grid, nothing, nothing, nothing, nothing, False), 0
    cells, heights, outliers = filtered
    tolerance, least, most = tolerance_of(cells, heights)
    least += tolerance - ROUNDING_M
    most += tolerance + ROUNDING_M
    return Surface(False, cells, heights, tolerance, least, most, True), outliers


def sift(
    scans: Scans,
    roles: NDArray[np.uint8],
    surface: Surface,
    spill: Spill,
    tally: Tally,
    progress: Progress | None,
    stash: Stash | None = None,
) -> tuple[GroundRaster, int]:
    """Take all points once, from a stash that holds them or from the scan: ground returns into a raster, all others
    into squares; and how many were classed as wire."""
    raster = GroundRaster(grid_over(scans))
    wires = 0
    source = chunks(scans, roles, tally, progress) if stash is None else chunks_again(scans, stash, progress)
    for chunk in source:
        role = roles[chunk.code]
        ground, below = surface.split(chunk.x, chunk.y, chunk.z, role)
        if ground.any():
            raster.add(chunk.x[ground], chunk.y[ground], chunk.z[ground])
        rest = ~ground
        if below is not None:
            tally.drop(f"more than {DEEPEST_BELOW_M:.0f} m below the ground found", int(below.sum()))
            rest &= ~below
        if surface.by_class:
            wires += int(np.count_nonzero(role == WIRE))
        at = np.flatnonzero(rest)
        spill.add(np.column_stack([chunk.x[at], chunk.y[at], chunk.z[at]]), chunk.code[at])
    return raster, wires
