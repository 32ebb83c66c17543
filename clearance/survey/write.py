"""Owns the files of a survey: all of them or none, the same bytes for the same scan.

`DIR/scene.toml`, `DIR/survey.json`, `DIR/phases.csv` (the table of names), `DIR/wires.csv` (points along each wire
with their uncertainty), `DIR/ground.csv` and `DIR/ground_error.csv` (upper face of the ground, and what gaps were
raised by), `DIR/bodies.laz` (structures and everything else, classed and thinned), `DIR/report.html`.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pyproj
from numpy.typing import NDArray
from scipy import ndimage

from clearance.errors import InputError, Mistake
from clearance.survey.fit import place
from clearance.survey.naming import table_text
from clearance.survey.records import Finding, Floats, Ground, Heights, Wire
from clearance.survey.scene_text import scene_text

FILES = (
    "scene.toml",
    "survey.json",
    "phases.csv",
    "wires.csv",
    "ground.csv",
    "ground_error.csv",
    "bodies.laz",
    "report.html",
)

MOST_NODES = 250_000
"""Nodes of the ground grid in a scene; with more the cells are taken larger, each node then the highest around it."""

GROUND_MARGIN_M = 60.0
"""[m] The scene's ground reaches this far beyond the wires."""


def check_folder(out: Path) -> None:
    """Refuse a folder that holds something else than an earlier survey."""
    if out.exists() and not out.is_dir():
        raise InputError(Mistake(("--out", str(out)), "a folder", "a file", "name another one"))
    if out.is_dir() and any(out.iterdir()) and not (out / "survey.json").is_file():
        raise InputError(
            Mistake(
                ("--out", str(out)),
                "an empty folder, a new one or an earlier survey's",
                "other files in it",
                "name another one",
            )
        )


def whole_folder(out: Path, fill: Callable[[Path], None]) -> None:
    """Fill a folder beside `out`, then put its files in place: an interruption leaves `out` as it was.

    Raises InputError where it cannot be written.
    """
    check_folder(out)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{out.name}.", dir=out.parent))
    except OSError as error:
        raise InputError(
            Mistake(("--out", str(out)), "a folder that can be written", (error.strerror or str(error)).lower())
        ) from error
    try:
        fill(beside)
        if out.is_dir():
            for file in sorted(beside.iterdir()):
                os.replace(file, out / file.name)
            beside.rmdir()
        else:
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(beside, 0o777 & ~mask)  # mkdtemp makes it private
            os.rename(beside, out)
    except OSError as error:
        shutil.rmtree(beside, ignore_errors=True)
        raise InputError(
            Mistake(("--out", str(out)), "a folder that can be written", (error.strerror or str(error)).lower())
        ) from error
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        raise


def scene_ground(finding: Finding) -> tuple[tuple[float, float], float, Heights, Heights] | None:
    """Corner, spacing, heights and gap errors of the grid a scene carries: nowhere below the upper face of the
    ground."""
    ground = finding.ground
    if ground is None:
        return None
    rows, columns = _window(finding, ground)
    upper = ground.upper[rows[0] : rows[1] + 1, columns[0] : columns[1] + 1]
    error = np.pad(ground.gap_error, ((0, 1), (0, 1)), mode="edge")[rows[0] : rows[1] + 1, columns[0] : columns[1] + 1]
    factor = 1
    while (upper.shape[0] // factor + 2) * (upper.shape[1] // factor + 2) > MOST_NODES:
        factor += 1
    if factor > 1:
        # a node stands for all corners up to a cell away: the bilinear surface between nodes is nowhere below them
        size = 2 * factor + 1
        pad = [(0, -(upper.shape[axis] - 1) % factor) for axis in (0, 1)]
        upper, error = np.pad(upper, pad, mode="edge"), np.pad(error, pad, mode="edge")
        upper = ndimage.maximum_filter(upper, size, mode="nearest")[::factor, ::factor]
        error = ndimage.maximum_filter(error, size, mode="nearest")[::factor, ::factor]
    corner = (ground.corner[0] + columns[0] * ground.cell, ground.corner[1] + rows[0] * ground.cell)
    return corner, ground.cell * factor, upper, error


def _window(finding: Finding, ground: Ground) -> tuple[tuple[int, int], tuple[int, int]]:
    """First and last row and column of corners within the margin of the wires."""
    count = (ground.upper.shape[0] - 1, ground.upper.shape[1] - 1)
    if not finding.wires:
        return (0, count[0]), (0, count[1])
    ends = np.concatenate([np.stack([wire.start[:2], wire.end[:2]]) for wire in finding.wires])
    low = np.floor((ends.min(axis=0) - GROUND_MARGIN_M - np.asarray(ground.corner)) / ground.cell).astype(int)
    high = np.ceil((ends.max(axis=0) + GROUND_MARGIN_M - np.asarray(ground.corner)) / ground.cell).astype(int)
    columns = int(np.clip(low[0], 0, count[1] - 1)), int(np.clip(high[0], 1, count[1]))
    rows = int(np.clip(low[1], 0, count[0] - 1)), int(np.clip(high[1], 1, count[0]))
    return rows, columns


def _grid_text(values: Heights, upwards: bool) -> str:
    scaled = np.ceil(values * 1000.0 - 1e-6) if upwards else np.round(values * 1000.0)
    line = ",".join(["%.3f"] * scaled.shape[1]) + "\n"
    return "".join([line % tuple(row) for row in (scaled / 1000.0).tolist()])


def survey_record(finding: Finding, name: str) -> dict[str, Any]:
    """survey.json as a dictionary: what `--compare` reads, and every number of the report."""
    scans = finding.scans
    return {
        "format": 1,
        "name": name,
        "scan": {
            "files": [
                {
                    "name": file.path.name,
                    "points": file.points,
                    "version": file.version,
                    "point_format": file.point_format,
                    "bounds": [list(file.lowest), list(file.highest)],
                }
                for file in scans.files
            ],
            "points": scans.points,
            "crs": scans.crs_name,
            "epsg": scans.epsg,
            "vertical": scans.vertical,
            "unit": scans.unit_basis,
            "metres_per_unit": list(scans.to_m),
        },
        "origin": {"easting_m": scans.origin[0], "northing_m": scans.origin[1], "height_m": scans.origin[2]},
        "accuracy_m": finding.accuracy_m,
        "accuracy_basis": finding.accuracy_basis,
        "classes": finding.class_use,
        "wires": [_wire_record(wire, finding) for wire in finding.wires],
        "structures": [
            {
                "name": tower.name,
                "base_m": tower.base.tolist(),
                "height_m": tower.height_m,
                "points": tower.points,
                "seen": tower.seen,
                "uncovered_m": tower.uncovered_m,
                "polygon_m": tower.polygon.tolist(),
            }
            for tower in finding.structures
        ],
        "ground": None
        if finding.ground is None
        else {
            "basis": finding.ground.basis,
            "cell_m": finding.ground.cell,
            "uncertainty_m": finding.ground.uncertainty_m,
            "seen_share": float(finding.ground.seen.mean()),
            "largest_gap_error_m": float(finding.ground.gap_error.max()),
        },
        "others": {
            "points": finding.others.total,
            "written": len(finding.others.points),
            "thinned_m": finding.others.thin_m,
            "uncovered_m": finding.others.uncovered_m,
        },
        "lowest_wire": None
        if finding.lowest_wire is None
        else {"above_ground_m": finding.lowest_wire[0], "at_m": finding.lowest_wire[1].tolist()},
        "nearest_other": None
        if finding.nearest_other is None
        else {
            "distance_m": finding.nearest_other[0],
            "at_m": finding.nearest_other[1].tolist(),
            "wire_m": finding.nearest_other[2].tolist(),
        },
        "kept": finding.kept,
        "dropped": finding.dropped,
        "source_classes": {str(code): count for code, count in finding.source_classes.items()},
        "not_evaluated": list(finding.not_evaluated),
        "look_at": list(finding.eye),
    }


def _wire_record(wire: Wire, finding: Finding) -> dict[str, Any]:
    curve = wire.curve
    return {
        "name": wire.name,
        "kind": wire.kind,
        "bundle_spacing_m": wire.bundle.spacing_m or None,
        "span_m": wire.span_m,
        "sag_m": wire.sag_m,
        "catenary_constant_m": curve.constant_m,
        "rms_vertical_m": curve.rms_vertical,
        "points": len(wire.returns),
        "complete": wire.complete,
        "conductor": wire.conductor,
        "circuit": wire.circuit,
        "phase": wire.phase,
        "span": wire.span,
        "bundle_count": wire.bundle.count,
        "bundle_arrangement": wire.bundle.arrangement,
        "sag_error_m": wire.sag_error_m,
        "rms_lateral_m": curve.rms_lateral,
        "p95_vertical_m": curve.p95_vertical,
        "blow_out_deg": float(np.degrees(np.arctan(curve.lateral[2]))),
        "uncertainty_m": wire.uncertainty_m,
        "longest_gap_m": wire.gap_m,
        "from_m": wire.start.tolist(),
        "to_m": wire.end.tolist(),
        "supports": [finding.structures[k].name if k >= 0 else None for k in wire.supports],
        "curve": {
            "base_m": curve.base.tolist(),
            "direction": curve.direction.tolist(),
            "vertical": curve.vertical.tolist(),
            "vertical_covariance": curve.vertical_covariance.tolist(),
            "lateral": curve.lateral.tolist(),
            "lateral_covariance": curve.lateral_covariance.tolist(),
            "scatter_vertical_m": curve.scatter_vertical,
            "scatter_lateral_m": curve.scatter_lateral,
            "correlation": curve.correlation,
            "returns": curve.points,
        },
        "remarks": list(wire.remarks),
    }


def phases_text(finding: Finding) -> str:
    """The table of names, a line per conductor."""
    rows: list[list[str]] = []
    for conductor in sorted({wire.conductor for wire in finding.wires}):
        mine = [wire for wire in finding.wires if wire.conductor == conductor]
        longest = max(mine, key=lambda wire: wire.span_m)
        beside = [wire for wire in finding.wires if wire.span == longest.span]
        middle = np.mean([(wire.start + wire.end)[:2] / 2.0 for wire in beside], axis=0)
        left = np.array([-longest.curve.direction[1], longest.curve.direction[0]])
        rows.append(
            [
                str(conductor),
                longest.kind,
                longest.circuit,
                longest.phase,
                " ".join(str(wire.span) for wire in mine),
                f"{(longest.start[2] + longest.end[2]) / 2.0 + finding.scans.origin[2]:.2f}",
                f"{float(((longest.start + longest.end)[:2] / 2.0 - middle) @ left):.2f}",
                "position" if longest.remarks else "position, plain",
            ]
        )
    return table_text(rows)


def wires_text(finding: Finding) -> str:
    """Points along every wire with the uncertainty there, local metres."""
    lines = ["wire,along_m,x_m,y_m,z_m,uncertainty_m\n"]
    for wire in finding.wires:
        s = float((wire.start[:2] - wire.curve.base) @ wire.curve.direction) + wire.along_m
        for along, xyz, u in zip(wire.along_m, place(wire.curve, s), wire.along_uncertainty_m, strict=True):
            lines.append(
                f"{wire.name},{along:.3f},{xyz[0]:.3f},{xyz[1]:.3f},{xyz[2]:.3f},{np.ceil(u * 1000) / 1000:.3f}\n"
            )
    return "".join(lines)


def write_points(path: Path, xyz: Floats, code: NDArray[np.uint8], finding: Finding) -> None:
    """Points (n, 3) [m, local] with their classes as LAZ 1.4, in metres of the scan's grid."""
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales, header.offsets = np.full(3, 0.001), np.asarray(finding.scans.origin)
    header.creation_date = None
    header.generating_software, header.system_identifier = "clearance survey", "survey"
    if finding.scans.crs_wkt and finding.scans.to_m == (1.0, 1.0):
        header.add_crs(pyproj.CRS.from_wkt(finding.scans.crs_wkt))
    las = laspy.LasData(header)
    las.x, las.y, las.z = (xyz + np.asarray(finding.scans.origin)).T
    las.classification = code
    las.write(str(path), laz_backend=laspy.LazBackend.Lazrs)


def write_survey(
    finding: Finding,
    out: Path,
    name: str,
    rule: str = "osha-1910.269",
    frequency_Hz: float = 50.0,
    diameter_m: float | None = None,
    report: Callable[[Finding, str], str] | None = None,
) -> None:
    """Write all files of a survey into a folder, all or none.

    Parameters: name of the scene; rule, frequency [Hz] and conductor diameter [m] that the scene proposes; report,
    makes the page of quality figures.
    """

    def fill(folder: Path) -> None:
        grid = scene_ground(finding)
        corner, spacing = ((0.0, 0.0), 1.0) if grid is None else grid[:2]
        texts = {
            "scene.toml": scene_text(finding, name, corner, spacing, rule, frequency_Hz, diameter_m),
            "survey.json": json.dumps(survey_record(finding, name), indent=1, allow_nan=False, ensure_ascii=False)
            + "\n",
            "phases.csv": phases_text(finding),
            "wires.csv": wires_text(finding),
        }
        if grid is not None:
            texts["ground.csv"], texts["ground_error.csv"] = _grid_text(grid[2], True), _grid_text(grid[3], True)
        if report is not None:
            texts["report.html"] = report(finding, name)
        for file, text in texts.items():
            (folder / file).write_text(text, encoding="utf-8", newline="\n")
        parts = [*finding.structure_points, finding.others.points]
        codes = [*[np.full(len(points), 15, np.uint8) for points in finding.structure_points], finding.others.classes]
        xyz = np.concatenate(parts)
        if len(xyz):
            write_points(folder / "bodies.laz", xyz, np.concatenate(codes), finding)

    whole_folder(out, fill)
