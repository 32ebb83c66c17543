"""Owns the nouns of a survey: scan files, fitted curves, wires, structures, and the finding they add up to.

Every length is in metres in the survey's local frame (file coordinates in metres minus `Scans.origin`, z up).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

Heights = NDArray[np.floating[Any]]
"""Rasters are held in single precision: a height of 1000 m to 0.06 mm."""


@dataclass(frozen=True)
class ScanFile:
    """One LAS or LAZ file as its header describes it; scales, offsets and bounds in the file's own units."""

    path: Path
    points: int
    version: str
    point_format: int
    scales: tuple[float, float, float]
    offsets: tuple[float, float, float]
    lowest: tuple[float, float, float]
    highest: tuple[float, float, float]
    crs_wkt: str
    crs_name: str


@dataclass(frozen=True)
class Scans:
    """All tiles of one survey, in one frame.

    to_m: metres per file unit, horizontal and vertical
    unit_basis: where the unit comes from, for the reader
    origin: easting, northing, height [m] that are taken off every coordinate
    lowest, highest: corners of the box of the headers [m, local]
    """

    files: tuple[ScanFile, ...]
    to_m: tuple[float, float]
    unit_basis: str
    unit_known: bool
    crs_name: str
    crs_wkt: str
    epsg: int | None
    vertical: str
    origin: tuple[float, float, float]
    lowest: tuple[float, float, float]
    highest: tuple[float, float, float]
    notes: tuple[str, ...] = ()

    @property
    def points(self) -> int:
        """Number of points the headers promise."""
        return sum(file.points for file in self.files)


@dataclass(frozen=True, eq=False)
class Curve:
    """A catenary in a tilted plane, fitted to returns.

    In the frame of its span (s along `direction` from `base`, t to the left of it, both horizontal, z up), with height
    h and slope m at s = 0, curvature q = 1 / catenary constant, blow-out b = tangent of the plane's tilt, c = sqrt(1 +
    b**2):
    ``z(s) = h + (cosh(q c (s - s0)) - cosh(q c s0)) / (q c**2)``, ``s0 = -asinh(c m) / (q c)``, and
    ``t(s) = t0 + t1 s + b (z(s) - h - m s)``. Steady wind across the span adds to the weight in the same proportion
    everywhere, so the wire lies in one plane and hangs there as a catenary.

    base: (2,) [m]; direction: (2,) unit vector
    vertical: h, m, q [m, 1, 1/m] and vertical_covariance (3, 3); lateral: t0, t1, b [m, 1, 1] and lateral_covariance
    (3, 3) rms_vertical, rms_lateral, p95_vertical: of the returns used [m]; lateral counts each return from its own
    sub-conductor scatter_vertical, scatter_lateral: standard deviation of one return, by the median or by what holds
    95 in 100, whichever is larger [m]
    correlation: by how much the variance of a mean of neighbouring returns exceeds that of independent ones [1]
    points: returns used
    """

    base: Floats
    direction: Floats
    vertical: Floats
    vertical_covariance: Floats
    lateral: Floats
    lateral_covariance: Floats
    rms_vertical: float
    rms_lateral: float
    p95_vertical: float
    scatter_vertical: float
    scatter_lateral: float
    correlation: float
    points: int

    @property
    def constant_m(self) -> float:
        """Catenary constant: horizontal tension over weight per length [m]."""
        return float(1.0 / self.vertical[2])


@dataclass(frozen=True)
class Bundle:
    """How many sub-conductors the returns show, and how far apart [m]; "single" has a spacing of 0."""

    count: int
    spacing_m: float
    arrangement: str
    spread_m: float


@dataclass(frozen=True, eq=False)
class Wire:
    """One wire (or bundle) between two supports, or a part of one that the scan cuts.

    start, end: (3,) ends of the wire [m, local]; supports: index of the structure at each end or -1 where it is open
    returns: (n, 3) the returns that belong to it [m, local]
    uncertainty_m: at 95 %, how far the true wire may be from the curve anywhere along it [m], survey error included
    along_m, along_uncertainty_m: the same in its course: distances from the start and the uncertainty there [m]
    gap_m: longest stretch without a return [m]
    """

    name: str
    kind: str
    phase: str
    circuit: str
    conductor: int
    span: int
    curve: Curve
    bundle: Bundle
    start: Floats
    end: Floats
    supports: tuple[int, int]
    returns: Floats
    uncertainty_m: float
    along_m: Floats
    along_uncertainty_m: Floats
    sag_m: float
    sag_error_m: float
    gap_m: float
    remarks: tuple[str, ...] = ()

    @property
    def span_m(self) -> float:
        """Horizontal length of the wire [m]."""
        return float(np.hypot(*(self.end - self.start)[:2]))

    @property
    def complete(self) -> bool:
        """Both ends are at a support."""
        return min(self.supports) >= 0


@dataclass(frozen=True, eq=False)
class Structure:
    """A support of the line: its axis on the ground, its height and the prism that holds its returns.

    base: (3,) [m, local]; polygon: (4, 2) the prism in plan [m, local]; points: returns inside that are not wire
    """

    name: str
    base: Floats
    top_m: float
    polygon: Floats
    points: int
    seen: bool
    uncovered_m: float = 0.0

    @property
    def height_m(self) -> float:
        """From the ground to the highest return or attachment [m]."""
        return float(self.top_m - self.base[2])


@dataclass(frozen=True, eq=False)
class Ground:
    """The ground in square cells.

    corner: lower left corner of the first cell [m, local]; cell: spacing [m]; mean: (rows, columns) at the centres,
    rows to the north [m]; upper: (rows + 1, columns + 1) heights at the cells' corners that lie on or above every
    ground return, raised by the stated error in gaps [m];
    gap_error: what was added there for lack of returns [m]; seen: cells that hold ground returns
    """

    corner: tuple[float, float]
    cell: float
    mean: Heights
    upper: Heights
    gap_error: Heights
    seen: NDArray[np.bool_]
    basis: str
    uncertainty_m: float


@dataclass(frozen=True, eq=False)
class Others:
    """What is neither wire, structure nor ground, thinned: vegetation, buildings, anything.

    points: (n, 3) [m, local]; classes: (n,) ASPRS codes; total: how many returns they stand for
    """

    points: Floats
    classes: NDArray[np.uint8]
    total: int
    thin_m: float
    uncovered_m: float


@dataclass(frozen=True, eq=False)
class Finding:
    """Everything a survey found, and what it did not."""

    scans: Scans
    ground: Ground | None
    wires: tuple[Wire, ...]
    structures: tuple[Structure, ...]
    structure_points: tuple[Floats, ...]
    others: Others
    kept: dict[str, int]
    dropped: dict[str, int]
    source_classes: dict[int, int]
    accuracy_m: float
    accuracy_basis: str
    class_use: str
    lowest_wire: tuple[float, Floats] | None
    nearest_other: tuple[float, Floats, Floats] | None
    not_evaluated: tuple[str, ...]
    eye: tuple[str, ...]
    nominal_kV: float | None = None
    options: dict[str, str] = field(default_factory=dict)
