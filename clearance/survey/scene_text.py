"""Owns the scene file a survey proposes: circuits, ground, wires and clouds, ready for a ladder and a job.

What a scan cannot know (voltage, rule, conductor diameter, the job) is written so that it cannot be overlooked.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence

import numpy as np

from clearance.survey.records import Finding, Floats, Wire

DIAMETER_M = 0.040
"""[m] Upper bound written for a conductor whose diameter nobody stated: thicker than single conductors in use at 220 kV
(common practice, no source). Costs at most 8 mm of margin."""

TOWER_THIN_M = 0.10
OTHERS_THIN_M = 0.25
"""[m] Cells the engine thins clouds by: its error goes into their uncertainty, a larger cell checks faster."""

ROUNDING_M = 0.002
"""[m] Coordinates are written to the millimetre: three of them, both ends, and the catenary constant to 0.1 m."""

PHASE_CLASSES = (3, 4, 5, 6)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _point(xyz: Floats) -> str:
    return "[" + ", ".join(f"{value:.3f}" for value in xyz) + "]"


def _up(value: float, digits: int = 3) -> str:
    """A length rounded up."""
    return f"{math.ceil(value * 10**digits - 1e-9) / 10**digits:.{digits}f}"


def circuits_of(wires: Iterable[Wire]) -> dict[str, list[str]]:
    """Phases of each circuit, in order; a circuit of which one phase is seen gets a second name, since it has one."""
    out: dict[str, list[str]] = {}
    for wire in wires:
        if wire.kind == "phase" and wire.phase not in out.setdefault(wire.circuit, []):
            out[wire.circuit].append(wire.phase)
    for name, phases in out.items():
        phases.sort()
        if len(phases) == 1:
            phases.append(f"{phases[0]} unseen of {name}")
    return dict(sorted(out.items()))


def _circuits(finding: Finding) -> list[str]:
    lines: list[str] = []
    for name, phases in circuits_of(finding.wires).items():
        lines += [
            "[[circuits]]",
            f"name = {_text(name)}",
            "phases = [" + ", ".join(_text(phase) for phase in phases) + "]",
        ]
        if finding.nominal_kV is None:
            lines.append("# nominal_kV =        # TO STATE: a scan does not know the voltage")
        else:
            lines.append(f"nominal_kV = {finding.nominal_kV:g}       # stated when the survey was run")
        lines.append("")
    return lines


def _ground(finding: Finding, corner: Sequence[float], spacing: float) -> list[str]:
    if finding.ground is None:
        return ["# NO GROUND was found in the scan: state one", "# [ground]", '# kind = "level"', "# height_m =", ""]
    return [
        "[ground]",
        'kind = "grid"',
        'file = "ground.csv"',
        f"corner_m = [{corner[0]:.3f}, {corner[1]:.3f}]",
        f"spacing_m = {spacing:g}",
        f"uncertainty_m = {_up(finding.ground.uncertainty_m + ROUNDING_M)}  # survey; for gaps see ground_error.csv",
        "",
    ]


def _wire(wire: Wire, diameter_m: float) -> list[str]:
    lines = ["[[wires]]", f"name = {_text(wire.name)}", 'kind = "span"']
    lines.append(f"phase = {_text(wire.phase)}" if wire.kind == "phase" else 'potential = "earth"      # shield wire')
    lines += [
        f"from_m = {_point(wire.start)}",
        f"to_m = {_point(wire.end)}",
        f"catenary_constant_m = {wire.curve.constant_m:.1f}",
        f"diameter_m = {diameter_m:g}",
    ]
    if wire.bundle.count > 1:
        bundle = wire.bundle
        shape = f"count = {bundle.count}, spacing_m = {bundle.spacing_m:.3f}, arrangement = {_text(bundle.arrangement)}"
        lines.append(f"bundle = {{ {shape} }}")
    lines.append(f"uncertainty_m = {_up(wire.uncertainty_m + ROUNDING_M)}")
    if wire.remarks:
        lines.append("# " + "; ".join(wire.remarks))
    return [*lines, ""]


def _cloud(
    name: str, classes: Sequence[int], polygon: Floats | None, error_m: float, thin_m: float, uncovered_m: float
) -> list[str]:
    lines = [
        "[[clouds]]",
        f"name = {_text(name)}",
        'potential = "earth"',
        'file = "bodies.laz"',
        f"classes = [{', '.join(map(str, classes))}]",
    ]
    if polygon is not None:
        lines.append("polygon_m = [" + ", ".join(f"[{x:.3f}, {y:.3f}]" for x, y in polygon) + "]")
    lines += [f"survey_error_m = {_up(error_m)}", f"thin_m = {thin_m:g}", f"uncovered_m = {_up(uncovered_m)}", ""]
    return lines


def scene_text(
    finding: Finding,
    name: str,
    corner: Sequence[float],
    spacing: float,
    rule: str,
    frequency_Hz: float,
    diameter_m: float | None,
) -> str:
    """The scene as TOML.

    Parameters: corner (2,) and spacing of the ground grid [m]; rule by name; frequency [Hz]; diameter of the
    conductors [m], or None for an upper bound.
    """
    scans = finding.scans
    notes = [
        f"from a laser scan: {finding.class_use}",
        f"survey accuracy {finding.accuracy_m:g} m at 95 %, {finding.accuracy_basis}",
    ]
    notes += [f"not evaluated: {entry}" for entry in finding.not_evaluated]
    notes += [f"look at: {entry}" for entry in finding.eye]
    height = 0.0
    if finding.ground is not None:
        height = scans.origin[2] + float(np.max(finding.ground.mean))
    lines = [
        f"# {name}: the line as surveyed, proposed by `clearance survey`. Wires end where they hang; what is listed as",
        '# "not evaluated" is not in it. Add the ladder, the track, the people and the stages of the job.',
        "",
        "format = 1",
        'asks = "stages"',
        f"name = {_text(name)}",
        f"rule = [{_text(rule)}]    # a choice of yours, not of the scan",
        f"altitude_m = {math.ceil(height):d}          # of the highest ground in the scan; heights: {scans.vertical}",
        f"frequency_Hz = {frequency_Hz:g}",
        "notes = [",
        *[f"  {_text(note)}," for note in notes],
        "]",
        "",
        "[origin]",
        f"easting_m = {scans.origin[0]:.3f}",
        f"northing_m = {scans.origin[1]:.3f}",
        f"height_m = {scans.origin[2]:.3f}",
    ]
    if scans.epsg is not None and scans.to_m[0] == 1.0:
        lines.append(f"epsg = {scans.epsg}")
    if scans.vertical != "not stated":
        lines.append(f"vertical = {_text(scans.vertical)}")
    lines += ["", *_circuits(finding), *_ground(finding, corner, spacing)]
    for wire in finding.wires:
        lines += _wire(wire, diameter_m if diameter_m is not None else DIAMETER_M)
    error = finding.accuracy_m + ROUNDING_M
    for tower, points in zip(finding.structures, finding.structure_points, strict=True):
        if len(points):
            lines += _cloud(tower.name, (15,), tower.polygon, error, TOWER_THIN_M, tower.uncovered_m)
    codes = [code for code in PHASE_CLASSES if (finding.others.classes == code).any()]
    if codes:
        before = finding.others.thin_m * math.sqrt(3.0)
        lines += _cloud("vegetation and others", codes, None, error, OTHERS_THIN_M, finding.others.uncovered_m + before)
    lines += _first_stage(finding)
    return "\n".join(lines).rstrip("\n") + "\n"


def _first_stage(finding: Finding) -> list[str]:
    """A first stage, to be replaced: a person on the ground below the lowest wire, arms overhead."""
    if finding.lowest_wire is None or finding.ground is None:
        return ["# no stage: no wire above ground was found", ""]
    x, y = finding.lowest_wire[1][:2]
    return [
        "# A first stage, so that the scene can be checked as it is: a person below the lowest wire, arms overhead.",
        "[[crew]]",
        'name = "person below the lowest wire"',
        f"at_m = [{x:.3f}, {y:.3f}]",
        "stature_m = 1.93",
        "",
        "[[stages]]",
        'name = "line as surveyed"',
        'kind = "work"',
        "workers = []",
        "",
    ]
