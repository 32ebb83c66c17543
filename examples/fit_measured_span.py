"""Fits the wires of a scan and writes those of its complete span as tables of a scene, about an origin of your choice.

The wires of `scenes/measured_span.toml` came from this script:

    python examples/fit_measured_span.py scenes/data/ahn4_single_span.laz 230912 559846 11

The three numbers are easting, northing and height of the scene's origin, in the scan's own grid. A line beside each
wire says how well it fits: RMS of the returns about the curve, in height and aside, and the returns used. The
uncertainty is
what the survey and the fit leave open at 95 %, or, where that is more, 1.96 times the RMS in both directions.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from clearance.survey.records import Wire
from clearance.survey.run import survey_scans

DIAMETER_M = 0.04
"""[m] Upper bound: a scan does not show a conductor's diameter (common practice, no source)."""

ROUNDING_M = 0.002
"""[m] What is lost by writing coordinates to the millimetre; goes into uncertainty."""


def tables(scan: Path, origin: tuple[float, float, float]) -> Iterator[str]:
    """One table for each wire that hangs between two supports seen in the scan; origin in the scan's grid [m]."""
    finding = survey_scans([scan]).finding
    shift = np.array(finding.scans.origin) - origin
    complete = [wire for wire in finding.wires if wire.complete]
    for wire in sorted(complete, key=lambda wire: wire.name):
        yield table(wire, shift)


def table(wire: Wire, shift: np.ndarray) -> str:
    """A wire as a table of a scene; shift (3,) is added to the survey's coordinates [m]."""
    scatter = 1.96 * float(np.hypot(wire.curve.rms_vertical, wire.curve.rms_lateral))
    uncertainty = max(wire.uncertainty_m, scatter) + ROUNDING_M
    name = wire.phase if wire.kind == "phase" else wire.name.removesuffix(f" span {wire.span}")
    lines = [
        "[[wires]]",
        'kind = "span"',
        f'name = "{name if wire.kind != "phase" else f"conductor {name}"}"',
        f'phase = "{name}"' if wire.kind == "phase" else 'potential = "earth"',
        f"from_m = {_point(wire.start + shift)}",
        f"to_m = {_point(wire.end + shift)}",
        f"catenary_constant_m = {wire.curve.constant_m:.1f}   # RMS {wire.curve.rms_vertical * 100:.1f} cm in height, "
        f"{wire.curve.rms_lateral * 100:.1f} cm aside, {wire.curve.points} returns",
        f"diameter_m = {DIAMETER_M}",
        f"uncertainty_m = {np.ceil(uncertainty * 1000) / 1000:.3f}",
    ]
    if wire.bundle.count > 1:
        lines.append(f"bundle = {{ count = {wire.bundle.count}, spacing_m = {wire.bundle.spacing_m:.2f} }}")
    return "\n".join(lines)


def _point(xyz: np.ndarray) -> str:
    return "[" + ", ".join(f"{value:.3f}" for value in xyz) + "]"


if __name__ == "__main__":
    easting, northing, height = (float(text) for text in sys.argv[2:5])
    print("\n\n".join(tables(Path(sys.argv[1]), (easting, northing, height))))
