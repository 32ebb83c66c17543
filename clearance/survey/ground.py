"""Owns the ground: rasters of returns, the filter that finds it where it was not classified, gaps, and its upper face.

The filter is the progressive morphological one: openings of a raster of lowest returns with growing windows, a cell
being ground while the opening lowers it by less than a threshold that grows with the window.

References
1. K. Zhang, S.-C. Chen, D. Whitman, M.-L. Shyu, J. Yan, C. Zhang, "A progressive morphological filter for removing
   nonground measurements from airborne LIDAR data", IEEE Trans. Geosci. Remote Sens. 41(4), 2003, 872-882, equation for
   the threshold dh = s (w_k - w_k-1) c + dh_0 (from memory). Windows and thresholds here are our own choice.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from clearance.survey.records import Floats, Ground, Heights, Scans
from clearance.survey.workers import in_order

BLOCK = 512
"""[cells] Side of the blocks in which gaps are filled."""

FURTHEST_FILL = 128
"""[cells] Gaps are filled from returns up to this far away."""

CELL_M = 1.0
"""[m] Cell of the rasters, unless the survey is so wide that there would be more than `MOST_CELLS`."""

MOST_CELLS = 16_000_000
"""Cells of a raster: in memory about 60 bytes each at the most."""

SPREAD = 4
"""[1] Points with more cells each than this in the window about them are put into the raster one by one."""

GROUND_TOLERANCE_M = 0.30
"""[m] A return this far above the lowest returns' surface still counts as ground; its height goes into the upper
face."""

WINDOWS = (3, 5, 9, 17, 33)
"""[cells] Windows of the progressive filter: roofs up to 32 cells wide are removed."""

WINDOW_SLOPE = 0.3
"""[1] Terrain slope the filter follows; steeper ground between windows is cut and then filled with a stated error."""

HIGHEST_STEP_M = 3.0
"""[m] Greatest threshold of the filter."""


@dataclass(frozen=True)
class Grid:
    """Square cells over the survey: x0, y0 lower corner of the first cell [m], cell [m], rows to the north, columns to
    the east."""

    x0: float
    y0: float
    cell: float
    rows: int
    columns: int

    @property
    def size(self) -> int:
        """Number of cells."""
        return self.rows * self.columns

    def places(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of the cell that holds each point, points outside moved into the outermost cells."""
        column = ((x - self.x0) * (1.0 / self.cell)).astype(np.int64)
        row = ((y - self.y0) * (1.0 / self.cell)).astype(np.int64)
        np.clip(column, 0, self.columns - 1, out=column)
        np.clip(row, 0, self.rows - 1, out=row)
        return row, column

    def index(self, x: Floats, y: Floats) -> NDArray[np.int64]:
        """Flat index of the cell that holds each point, points outside moved into the outermost cells."""
        row, column = self.places(x, y)
        row *= self.columns
        row += column
        return row


def grid_over(scans: Scans, cell: float = CELL_M) -> Grid:
    """Cells over the box of the headers, larger where there would be too many."""
    x0, y0 = scans.lowest[0] - cell, scans.lowest[1] - cell
    wide, high = scans.highest[0] - x0 + cell, scans.highest[1] - y0 + cell
    while wide * high / cell**2 > MOST_CELLS:
        cell *= 2.0
    return Grid(x0, y0, cell, int(np.ceil(high / cell)) + 1, int(np.ceil(wide / cell)) + 1)


class LowestRaster:
    """Lowest return per cell, filled while reading."""

    def __init__(self, grid: Grid) -> None:
        self.grid = grid
        self.values: Heights = np.full(grid.size, np.inf, np.float32)

    def add(self, x: Floats, y: Floats, z: Floats) -> None:
        """Take in points [m]."""
        np.minimum.at(self.values, self.grid.index(x, y), z.astype(np.float32))


class GroundRaster:
    """Count, sum and highest of the ground returns per cell, filled while reading."""

    def __init__(self, grid: Grid) -> None:
        self.grid = grid
        self.sum: Floats = np.zeros(grid.size)
        self.count: Heights = np.zeros(grid.size, np.float32)
        self.highest: Heights = np.full(grid.size, -np.inf, np.float32)
        self.added = 0

    def add(self, x: Floats, y: Floats, z: Floats) -> None:
        """Take in ground points [m]."""
        if not len(z):
            return
        row, column = self.grid.places(x, y)
        # the next number above, so that rounding never lowers a return
        above = np.nextafter(z.astype(np.float32), np.float32(np.inf))
        self.added += len(z)
        # points that come together mostly lie together: they are counted in a window of the raster
        top, left = int(row.min()), int(column.min())
        high, wide = int(row.max()) + 1 - top, int(column.max()) + 1 - left
        if high * wide > SPREAD * len(z):
            cells = row * self.grid.columns + column
            np.add.at(self.sum, cells, z)
            np.add.at(self.count, cells, np.float32(1.0))
            np.maximum.at(self.highest, cells, above)
            return
        row -= top
        row *= wide
        row += column
        row -= left
        window = (slice(top, top + high), slice(left, left + wide))
        shape = (self.grid.rows, self.grid.columns)
        count = np.bincount(row, minlength=high * wide).reshape(high, wide)
        self.count.reshape(shape)[window] += count
        self.sum.reshape(shape)[window] += np.bincount(row, z, high * wide).reshape(high, wide)
        highest = np.full(high * wide, -np.inf, np.float32)
        np.maximum.at(highest, row, above)
        there = self.highest.reshape(shape)[window]
        np.maximum(there, highest.reshape(high, wide), out=there)


def coarser(grid: Grid, lowest: Heights, factor: int) -> tuple[Grid, Heights]:
    """The raster of lowest returns with cells `factor` times as large."""
    rows, columns = -(-grid.rows // factor), -(-grid.columns // factor)
    padded = np.full((rows * factor, columns * factor), np.inf, np.float32)
    padded[: grid.rows, : grid.columns] = lowest.reshape(grid.rows, grid.columns)
    blocks = padded.reshape(rows, factor, columns, factor).min(axis=(1, 3))
    return Grid(grid.x0, grid.y0, grid.cell * factor, rows, columns), blocks.ravel()


def filled_share(grid: Grid, seen: NDArray[np.bool_]) -> float:
    """How much of the surroundings (11 by 11 cells) of a cell with returns has returns, on average [1]."""
    image = seen.reshape(grid.rows, grid.columns).astype(np.float32)
    around = ndimage.uniform_filter(image, 11, mode="constant")
    return float(around[image > 0].mean()) if image.any() else 0.0


def _lines_only(grid: Grid, lowest: Heights) -> bool:
    """Whether returns lie on lines and do not cover an area: wires without ground.

    Each of a sample of cells is looked at with its six nearest: in wires these lie in a line. In scan lines they may
    too, but these cover the area when cells are taken larger.
    """
    cells = np.flatnonzero(np.isfinite(lowest))
    if len(cells) < 20:
        return True
    cells = cells[:: max(1, len(cells) // 200_000)]
    places = np.column_stack([cells // grid.columns, cells % grid.columns]).astype(float)
    sample = places[:: max(1, len(places) // 2000)]
    around = places[np.asarray(cKDTree(places).query(sample, k=7)[1])]
    around = around - around.mean(axis=1, keepdims=True)
    spread = np.linalg.eigvalsh(np.einsum("nki,nkj->nij", around, around))
    if float(np.mean(spread[:, 0] < 0.06 * spread[:, 1])) < 0.5:
        return False
    wide, blocks = coarser(grid, lowest, 4)
    return filled_share(wide, np.isfinite(blocks)) < 0.6


def nearest_fill(values: Heights, seen: NDArray[np.bool_]) -> tuple[Heights, Heights]:
    """Values with unseen cells taken from the nearest seen one, then smoothed there; and the distance to it [cells].

    Worked block by block, since the transform needs some 100 bytes a cell; cells further than `FURTHEST_FILL` cells
    from any seen one take the mean of all and that distance.
    """
    filled, distance = values.astype(np.float32), np.zeros(values.shape, np.float32)
    if seen.all():
        return filled, distance
    everywhere = np.float32(values[seen].mean())

    def work(corner: tuple[int, int]) -> None:
        """Fill one block: each writes its own, and reads nothing that is written."""
        row, column = corner
        inner = (slice(row, row + BLOCK), slice(column, column + BLOCK))
        if seen[inner].all():
            return
        top, left = max(0, row - FURTHEST_FILL), max(0, column - FURTHEST_FILL)
        outer = (slice(top, row + BLOCK + FURTHEST_FILL), slice(left, column + BLOCK + FURTHEST_FILL))
        core = (slice(row - top, row - top + BLOCK), slice(column - left, column - left + BLOCK))
        if not seen[outer].any():
            filled[inner], distance[inner] = everywhere, FURTHEST_FILL
            return
        away, (nearest_row, nearest_column) = ndimage.distance_transform_edt(~seen[outer], return_indices=True)
        taken = ndimage.uniform_filter(values[outer][nearest_row, nearest_column].astype(np.float64), 5, mode="nearest")
        far = away[core] > FURTHEST_FILL
        smooth = np.where(far, everywhere, taken[core])
        filled[inner] = np.where(seen[inner], values[inner], smooth)
        distance[inner] = np.minimum(away[core], FURTHEST_FILL)

    corners = itertools.product(range(0, values.shape[0], BLOCK), range(0, values.shape[1], BLOCK))
    for _ in in_order(corners, work):
        pass
    return filled, distance


def filter_ground(grid: Grid, lowest: Heights) -> tuple[Grid, Heights, int] | None:
    """The ground below everything else: cells, surface heights at cell centres [m], and how many cells were low
    outliers.

    None where the returns do not cover an area (only wires, for instance): there is then no ground to find.
    """
    if _lines_only(grid, lowest):
        return None
    factor = 1
    while filled_share(grid, np.isfinite(lowest)) < 0.45 and factor < 4:
        factor *= 2
        grid, lowest = coarser(grid, lowest, 2)
    seen = np.isfinite(lowest).reshape(grid.rows, grid.columns)
    if filled_share(grid, seen.ravel()) < 0.35:
        return None
    surface = lowest.reshape(grid.rows, grid.columns)
    around = np.where(seen, surface, np.inf)
    ring = np.ones((5, 5), bool)
    ring[2, 2] = False
    outlier = seen & (
        ndimage.minimum_filter(around, footprint=ring, mode="nearest") - 1.5 > np.where(seen, surface, np.inf)
    )
    seen &= ~outlier
    if not seen.any():
        return None
    surface, _ = nearest_fill(np.where(seen, surface, 0.0), seen)
    ground, previous = seen.copy(), 1
    opened = surface
    for window in WINDOWS:
        lowered = ndimage.grey_opening(opened, (window, window), mode="nearest")
        step = min(HIGHEST_STEP_M, GROUND_TOLERANCE_M + WINDOW_SLOPE * (window - previous) * grid.cell)
        ground &= opened - lowered <= step
        opened, previous = lowered, window
    if not ground.any():
        return None
    filled, _ = nearest_fill(np.where(ground, surface, 0.0), ground)
    return grid, filled.ravel(), int(outlier.sum())


def tolerance_of(grid: Grid, surface: Heights) -> tuple[Heights, Heights, Heights]:
    """How far above the surface a return may be and still be ground, per cell [m]: more on slopes, where a cell has
    relief. And the lowest and highest the surface is in the cell [m]."""
    image = surface.reshape(grid.rows, grid.columns)
    lowest, highest = ndimage.minimum_filter(image, 3), ndimage.maximum_filter(image, 3)
    tolerance = np.float32(GROUND_TOLERANCE_M) + np.minimum(np.float32(0.35) * (highest - lowest), np.float32(1.0))
    return tolerance.ravel(), lowest.ravel(), highest.ravel()


def surface_at(grid: Grid, surface: Heights, x: Floats, y: Floats) -> Floats:
    """The surface at points, bilinear between cell centres [m]."""
    u = np.clip((x - grid.x0) / grid.cell - 0.5, 0.0, grid.columns - 1.000001)
    v = np.clip((y - grid.y0) / grid.cell - 0.5, 0.0, grid.rows - 1.000001)
    column, row = u.astype(np.int64), v.astype(np.int64)
    u -= column
    v -= row
    at = row * grid.columns + column
    below = surface[at] * (1.0 - u) + surface[at + 1] * u
    above = surface[at + grid.columns] * (1.0 - u) + surface[at + grid.columns + 1] * u
    return np.asarray(below + (above - below) * v)


def _roughness(mean: Heights, seen: NDArray[np.bool_], cell: float, furthest: float) -> tuple[Floats, Floats]:
    """How much the ground changes over a distance: lags [m] and the 99th percentile of |difference| [m].

    From at most about 500 lines of cells each way, evenly taken.
    """
    lags, sizes, shift = [0.0], [0.0], 1
    skip = (max(1, mean.shape[1] // 500), max(1, mean.shape[0] // 500))
    lines = [(mean[:, :: skip[0]], seen[:, :: skip[0]]), (mean[:: skip[1]].T, seen[:: skip[1]].T)]
    while shift * cell <= furthest and shift < min(mean.shape) // 2:
        steps = np.concatenate(
            [np.abs(some[shift:] - some[:-shift])[known[shift:] & known[:-shift]] for some, known in lines]
        )
        if len(steps) < 50:
            break
        lags.append(shift * cell)
        sizes.append(max(sizes[-1], float(np.quantile(steps, 0.99))))
        shift *= 2
    return np.asarray(lags), np.asarray(sizes)


def make_ground(raster: GroundRaster, basis: str, accuracy_m: float) -> Ground | None:
    """The ground from its returns: mean surface, upper face, and the stated error where there are none.

    The upper face at a cell's corner is the highest return of the four cells that meet there, so a bilinear surface
    through the corners is nowhere below a return. In gaps the face is raised by the 99th percentile of how much this
    ground changes over the distance to the nearest cell with returns (beyond what was measured: in proportion to the
    distance). The raster is used up.
    """
    grid, shape = raster.grid, (raster.grid.rows, raster.grid.columns)
    seen = (raster.count > 0).reshape(shape)
    if not seen.any():
        return None
    raster.sum /= np.maximum(raster.count, 1.0)
    average = raster.sum.astype(np.float32).reshape(shape)
    top = raster.highest.reshape(shape)
    raster.sum, raster.count = np.zeros(0), np.zeros(0, np.float32)
    mean, error = nearest_fill(average, seen)
    error *= np.float32(grid.cell)
    lags, sizes = _roughness(average, seen, grid.cell, float(error.max()))
    for row in range(shape[0]):  # by rows: a whole raster in double precision would be the largest thing in memory
        gap = np.flatnonzero(error[row])
        away = error[row, gap]
        beyond = sizes[-1] * away / lags[-1] if lags[-1] > 0 else 0.3 * away
        error[row, gap] = np.where(away > lags[-1], beyond, np.interp(away, lags, sizes))
    np.copyto(top, mean + error, where=~seen)
    corners = np.pad(top, ((0, 1), (0, 1)), mode="edge")
    corners[1:] = np.maximum(corners[1:], corners[:-1])
    corners[:, 1:] = np.maximum(corners[:, 1:], corners[:, :-1])
    return Ground((grid.x0, grid.y0), grid.cell, mean, corners, error, seen, basis, accuracy_m)
