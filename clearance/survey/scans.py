"""Owns the opening of scan files: headers, coordinate reference system, units, bounds, the local origin.

To open all tiles of a survey use `open_scans`; the points themselves come from `stream`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import laspy
import pyproj

from clearance.errors import InputError, Mistake
from clearance.survey.records import ScanFile, Scans

UNITS: dict[str, float] = {"metre": 1.0, "foot": 0.3048, "us-foot": 1200.0 / 3937.0}
"""[m] Units a user may state. The US survey foot is 1200/3937 m, the international foot 0.3048 m, by definition."""

LARGEST_EXTENT_M = 200_000.0
"""[m] A survey wider than this is refused: stray coordinates or tiles of different frames."""


def _triple(values: object) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in values)  # type: ignore[attr-defined]
    return x, y, z


def _open_one(path: Path) -> ScanFile:
    where = (str(path), "header")
    if not path.is_file():
        raise InputError(Mistake((str(path),), "a LAS or LAZ file", "no such file", "check the path"))
    try:
        with laspy.open(path) as reader:
            header = reader.header
            try:
                crs = header.parse_crs()
            except Exception as error:
                remedy = "state the coordinate reference system with --crs EPSG:CODE"
                raise InputError(Mistake((*where, "CRS"), "a readable CRS record", str(error)[:120], remedy)) from error
            file = ScanFile(
                path,
                int(header.point_count),
                str(header.version),
                int(header.point_format.id),
                _triple(header.scales),
                _triple(header.offsets),
                _triple(header.mins),
                _triple(header.maxs),
                crs.to_wkt() if crs is not None else "",
                crs.name if crs is not None else "",
            )
    except InputError:
        raise
    except Exception as error:  # laspy and its decoders raise many kinds; each means an unreadable file
        remedy = "copy or export the file again"
        raise InputError(Mistake(where, "a LAS 1.2 to 1.4 or LAZ header", str(error)[:160], remedy)) from error
    if file.points == 0:
        raise InputError(Mistake(where, "at least one point", "0 points", "leave the file out or export it again"))
    bounds = (*file.lowest, *file.highest)
    if not all(math.isfinite(value) for value in bounds) or any(
        a > b for a, b in zip(file.lowest, file.highest, strict=True)
    ):
        remedy = "rewrite the header with the bounds of the points"
        raise InputError(Mistake((*where, "bounds"), "lowest corner below highest corner", f"{bounds}", remedy))
    return file


def _units(crs: pyproj.CRS | None, unit: str | None, name: str) -> tuple[float, float, str, bool, list[str]]:
    """Metres per unit, horizontal and vertical, and where they come from."""
    if unit is not None:
        if unit not in UNITS:
            raise InputError(Mistake(("--unit",), "one of " + ", ".join(UNITS), repr(unit)))
        return UNITS[unit], UNITS[unit], f"stated by the user: {unit}", True, []
    if crs is None:
        note = f"{name}: no coordinate reference system in the header; metres assumed (state --crs or --unit)"
        return 1.0, 1.0, "assumed: metre (the header states no unit)", False, [note]
    if crs.is_geographic or crs.is_geocentric or any(sub.is_geographic for sub in crs.sub_crs_list):
        remedy = "project the scan to a metric grid first, for instance the UTM zone it lies in"
        raise InputError(
            Mistake((name, "CRS"), "projected coordinates", f"degrees of latitude and longitude ({crs.name})", remedy)
        )
    parts = crs.sub_crs_list or [crs]
    horizontal = float(parts[0].axis_info[0].unit_conversion_factor) if parts[0].axis_info else 1.0
    words = parts[0].axis_info[0].unit_name if parts[0].axis_info else "metre"
    vertical_axes = parts[1].axis_info if len(parts) > 1 else crs.axis_info[2:3]
    if vertical_axes:
        return (
            horizontal,
            float(vertical_axes[0].unit_conversion_factor),
            f"header: {words}, heights in {vertical_axes[0].unit_name}",
            True,
            [],
        )
    note = f"{name}: the header names no vertical datum; heights are taken in the horizontal unit ({words})"
    return horizontal, horizontal, f"header: {words}, heights assumed in the same", True, [note]


def _user_crs(text: str) -> pyproj.CRS:
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError as error:
        remedy = "give it as EPSG:CODE, EPSG:CODE+CODE or WKT"
        raise InputError(Mistake(("--crs",), "a coordinate reference system", repr(text), remedy)) from error


def _check_degrees(files: Sequence[ScanFile]) -> None:
    """Refuse scans without a CRS whose coordinates can only be degrees."""
    for file in files:
        corners = (*file.lowest[:2], *file.highest[:2])
        wide = max(file.highest[0] - file.lowest[0], file.highest[1] - file.lowest[1])
        if (
            abs(corners[0]) <= 180
            and abs(corners[2]) <= 180
            and abs(corners[1]) <= 90
            and abs(corners[3]) <= 90
            and wide < 1.0
        ):
            found = f"x {corners[0]:.5f} to {corners[2]:.5f}, y {corners[1]:.5f} to {corners[3]:.5f}: degrees, it seems"
            raise InputError(
                Mistake((str(file.path), "bounds"), "metres or feet", found, "project the scan to a metric grid first")
            )


def open_scans(paths: Sequence[Path], crs: str | None = None, unit: str | None = None) -> Scans:
    """Read every header and put all tiles into one local frame.

    Parameters: paths of LAS or LAZ files; crs given by the user, used where the header has none; unit overriding
    the header ("metre", "foot", "us-foot").
    Raises InputError: no files, unreadable or empty files, degrees, tiles of different CRS, an extent over 200 km.
    """
    if not paths:
        raise InputError(Mistake(("SCAN",), "at least one LAS or LAZ file", "none"))
    mistakes: list[Mistake] = []
    files: list[ScanFile] = []
    for path in paths:
        try:
            files.append(_open_one(Path(path)))
        except InputError as error:
            mistakes.extend(error.mistakes)
    seen: set[Path] = set()
    for file in files:
        if file.path.resolve() in seen:
            mistakes.append(Mistake((str(file.path),), "each tile once", "the same file given twice"))
        seen.add(file.path.resolve())
    if mistakes:
        raise InputError(mistakes)
    stated = _user_crs(crs) if crs else None
    systems: dict[str, pyproj.CRS | None] = {}
    for file in files:
        systems.setdefault(file.crs_wkt, pyproj.CRS.from_wkt(file.crs_wkt) if file.crs_wkt else stated)
    distinct: list[pyproj.CRS | None] = []
    for system in systems.values():
        if not any(system == other for other in distinct):
            distinct.append(system)
    if len(distinct) > 1:
        found = "; ".join(
            f"{file.path.name}: {file.crs_name or (stated.name if stated else 'none stated')}" for file in files
        )
        raise InputError(
            Mistake(
                ("SCAN", "CRS"), "one coordinate reference system for all tiles", found, "reproject the odd tiles first"
            )
        )
    system = distinct[0]
    notes: list[str] = []
    if stated is not None and files[0].crs_wkt and stated != system:
        notes.append(f"--crs {crs} is not used: the header states {files[0].crs_name}")
    if system is None:
        _check_degrees(files)
    horizontal, vertical, basis, known, more = _units(system, unit, files[0].path.name)
    low = [min(file.lowest[axis] for file in files) * (vertical if axis == 2 else horizontal) for axis in range(3)]
    high = [max(file.highest[axis] for file in files) * (vertical if axis == 2 else horizontal) for axis in range(3)]
    if max(high[0] - low[0], high[1] - low[1]) > LARGEST_EXTENT_M:
        found = f"{high[0] - low[0]:.0f} m by {high[1] - low[1]:.0f} m"
        raise InputError(
            Mistake(("SCAN", "bounds"), f"an extent below {LARGEST_EXTENT_M:.0f} m", found, "leave out stray tiles")
        )
    origin = (math.floor(low[0] / 10.0) * 10.0, math.floor(low[1] / 10.0) * 10.0, float(math.floor(low[2])))
    parts = system.sub_crs_list if system is not None else []
    return Scans(
        tuple(files),
        (horizontal, vertical),
        basis,
        known,
        system.name if system is not None else "none stated",
        system.to_wkt() if system is not None else "",
        system.to_epsg() if system is not None else None,
        parts[1].name if len(parts) > 1 else "not stated",
        origin,
        (low[0] - origin[0], low[1] - origin[1], low[2] - origin[2]),
        (high[0] - origin[0], high[1] - origin[1], high[2] - origin[2]),
        tuple(notes + more),
    )
