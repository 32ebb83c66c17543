"""Owns what a survey says in words: names of counts, what a scan cannot see, and the list of what needs a human eye."""

from __future__ import annotations

import numpy as np

from clearance.survey.assign import (
    BUILDING_CODE,
    HIGH_CODE,
    LOW_CODE,
    MEDIUM_CODE,
    PHASE_CODE,
    SHIELD_CODE,
    TOWER_CODE,
    Collected,
    ground_height,
)
from clearance.survey.records import Finding

NOT_EVALUATED: tuple[str, ...] = (
    "insulator strings, clamps, spacers and dampers: their returns count with the support or the rest, at earth",
    "jumpers and droppers at supports: no curve is fitted to them; their returns count with the support, at earth",
    "guys, stays, earthing leads, fences and telecommunication wires thinner than the scan resolves or without returns",
    "wires that cross the line steeply, service drops and wires with fewer than four returns",
    "what stood in the shadow of other things, under water or under snow, and whatever changed after the scan",
    "conductor diameter, weight, tension, temperature and load during the scan: not in a scan",
)

WIDE_TURN_DEG = 35.0
"""[deg] Beyond this turn of a line its wires, prolonged, need not meet where they hang."""

_KEPT = {
    LOW_CODE: "low vegetation and the like",
    MEDIUM_CODE: "medium vegetation and the like",
    HIGH_CODE: "high vegetation and the like",
    BUILDING_CODE: "buildings",
    SHIELD_CODE: "shield wires",
    PHASE_CODE: "phase wires",
    TOWER_CODE: "structures",
}


def kept_name(code: int) -> str:
    """Name of a class the survey decided, for counts."""
    return _KEPT[code]


def class_use(ground: bool, wires: bool, labelled: int, asked: str) -> str:
    """How the survey's own classes were used, in a sentence."""
    if not ground:
        return (
            "classes not used"
            + (" (asked so)" if asked == "ignore" else ": no ground class in the scan")
            + "; all found from shape"
        )
    if wires:
        return "the survey's ground and wire classes used; structures and the rest from shape"
    if labelled:
        return "the survey's ground class used; its wire class not believed (off the wires), wires found from shape"
    return "the survey's ground class used; wires, structures and the rest found from shape"


def for_the_eye(finding: Finding, out: Collected, low_cells: int) -> tuple[str, ...]:
    """What a person must look at before believing the survey."""
    eye: list[str] = list(finding.scans.notes)
    eye += _units(finding)
    if finding.ground is None:
        eye.append("NO GROUND: no surface of returns to stand on; heights above ground are not evaluated")
    if not finding.wires:
        eye.append("NO WIRES: nothing in the scan hangs like a wire; the scene has none")
    if finding.accuracy_basis.startswith("assumed"):
        eye.append(f"accuracy of the survey is assumed, {finding.accuracy_m:.2f} m at 95 %: state it with --accuracy-m")
    if low_cells:
        eye.append(f"{low_cells} cells' lowest returns lay far below their surroundings and were not taken for ground")
    if finding.ground is not None and finding.ground.basis.startswith("progressive"):
        eye.append("ground was found by a filter: look at the profiles for roofs or thick growth taken for ground")
    by_remark: dict[str, list[str]] = {}
    for wire in finding.wires:
        for remark in wire.remarks:
            by_remark.setdefault(remark, []).append(wire.name)
    eye += [f"{', '.join(names)}: {remark}" for remark, names in by_remark.items()]
    for tower in finding.structures:
        if not tower.seen:
            eye.append(
                f"{tower.name}: only {tower.points} returns; known from its wires; its body is not to be relied on"
            )
    for number, tower in enumerate(finding.structures):
        courses = np.array([wire.curve.direction for wire in finding.wires if number in wire.supports])
        if len(courses) > 1:
            turn = float(np.degrees(np.arccos(np.clip(np.abs(courses @ courses.T).min(), 0.0, 1.0))))
            if turn > WIDE_TURN_DEG:
                eye.append(f"{tower.name}: the line turns by {turn:.0f} deg; check where the wires end there")
    if out.beside:
        places = np.concatenate(out.beside_places)
        eye.append(
            f"{out.beside} returns within 0.8 m of a wire but not on it (spacers, dampers, branches?) count as earth. "
            f"First near x {places[0, 0]:.1f} m, y {places[0, 1]:.1f} m, z {places[0, 2]:.1f} m (local)"
        )
    if out.far:
        eye.append(f"{out.far:,} returns further than 60 m from every wire are not written as bodies")
    counts: dict[int, int] = {}
    for wire in finding.wires:
        if wire.complete:
            counts[wire.span] = counts.get(wire.span, 0) + 1
    if len(set(counts.values())) > 1:
        eye.append(
            "complete spans have different numbers of wires: "
            + ", ".join(f"span {k}: {v}" for k, v in sorted(counts.items()))
        )
    if finding.nominal_kV is None and finding.wires:
        eye.append(
            "voltage is not in a scan: fill in nominal_kV in scene.toml or give --voltage-kV; no check runs without"
        )
    eye.append("conductor diameter is not in a scan: the scene carries an upper bound; put in the true one")
    return tuple(eye)


def _units(finding: Finding) -> list[str]:
    """Signs that the numbers are feet though they were read as metres."""
    signs = []
    spacings = [wire.bundle.spacing_m for wire in finding.wires if wire.bundle.count > 1]
    if spacings and float(np.median(spacings)) > 0.65:
        signs.append(f"sub-conductors {np.median(spacings):.2f} m apart (0.3 to 0.5 m is usual)")
    wide = [wire.bundle.spread_m for wire in finding.wires if wire.kind == "phase" and wire.bundle.count == 1]
    if wide and len(wide) > len(finding.wires) / 2 and float(np.median(wide)) > 0.4:
        signs.append(f"returns of single wires spread {np.median(wide):.2f} m sideways (0.1 m is usual)")
    if finding.structures and float(np.median([tower.height_m for tower in finding.structures])) > 90.0:
        signs.append(
            f"structures {np.median([tower.height_m for tower in finding.structures]):.0f} m high (15 to 70 m is usual)"
        )
    constants = [wire.curve.constant_m for wire in finding.wires if wire.span_m > 100.0]
    if constants and float(np.median(constants)) > 3500.0:
        signs.append(f"catenary constants of {np.median(constants):.0f} m (500 to 2500 m is usual)")
    ends = np.array([end for wire in finding.wires for end in (wire.start, wire.end)]).reshape(-1, 3)
    if len(ends) and finding.ground is not None:
        high = float(np.median(ends[:, 2] - ground_height(finding.ground, ends[:, :2])))
        if high > 75.0:
            signs.append(f"wires hang {high:.0f} m above the ground (10 to 50 m is usual)")
    if not signs:
        return []
    stated = "the header says metres" if finding.scans.unit_known else "the unit is assumed"
    return [
        f"THE UNIT MAY BE FEET read as metres ({stated}): " + "; ".join(signs) + ". If so, give --unit foot or us-foot"
    ]
