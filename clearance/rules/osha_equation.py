r"""Owns the equation of 29 CFR 1910.269 Table R-3 (29 CFR 1926 Table V-2), the rule "osha-1910.269": 50 V to 800 kV.

Above 72.5 kV, in metres and kilovolts:

    MAD = 0.3048 (C + a) V_LG T A + M                                                     (R-3)
    V_LG = V_LL / sqrt(3),  V_peak = T V_LG sqrt(2),  T between phases = 1.35 T + 0.45

C is 0.010 where the employer can show that only air is in the gap, 0.011 otherwise; A is the altitude factor of R-5,
here on the electrical part only; M is 0.31 m. The saturation a is a curve of V_peak, one to ground and one between
phases. Read, Table R-3 note 3: "Use the equations for phase-to-ground exposures (with V_Peak for phase-to-phase
exposures) unless the employer can demonstrate that no insulated tool spans the gap and that no large conductive object
is in the gap." So a ladder or a worker between two phases takes the ground curve at the peak between phases, and C =
0.011.

Where two pieces of a curve meet, the larger value is taken. The published forms fall in four places,
`FALLS`; nothing is smoothed there.

Worked example: 242 kV, T = 3.5, up to 900 m, between phases with a tool in the gap: V_LG = 139.72 kV, T = 5.175,
V_peak = 1022.6 kV, 0.3048 (0.011 + (1022.6 - 645)/135000) 139.72 x 5.175 + 0.31 = 3.351 m, shown as 3.36 m.

>>> from clearance.rules import required
>>> required("osha-1910.269", "phase-phase", gap="tool", highest_kV=242).limit_m
3.350...
>>> limit = required("osha-1910.269", "phase-earth", highest_kV=245)
>>> round(limit.limit_m, 3), round(limit.electrical_m, 3)
(2.04, 1.73)
"""

from __future__ import annotations

import math

from clearance.rules import osha_tables, overvoltage
from clearance.rules.inputs import InputSpec
from clearance.rules.records import (
    Case,
    Exposure,
    Fact,
    InsulatingLength,
    Limit,
    RuleReference,
    Value,
    What,
)
from clearance.rules.voltage import FACTS as VOLTAGE_FACTS

NAME = "osha-1910.269"
EDITION = osha_tables.EDITION
INPUTS: tuple[InputSpec, ...] = ()

METRES_PER_FOOT = 0.3048
CONSTANT_AIR = 0.010
CONSTANT_TOOL = 0.011

# (V_peak above which the piece holds [kV], subtracted voltage [kV], divisor [kV]); a = (V_peak - subtracted) / divisor
GROUND_CURVE: tuple[tuple[float, float, float], ...] = (
    (0.0, 0.0, math.inf),
    (635.0, 635.0, 140000.0),
    (915.0, 645.0, 135000.0),
    (1050.0, 675.0, 125000.0),
)
PHASE_CURVE: tuple[tuple[float, float, float], ...] = (
    (0.0, 0.0, math.inf),
    (630.0, 630.0, 155000.0),
    (848.0, 633.6, 152207.0),
    (1131.0, 628.0, 153846.0),
    (1485.0, 350.5, 203666.0),
)
STEP_KV = 0.1
"""[kV] The printed pieces leave 0.1 kV between them ("915", "915.1"); in it, as at the join, the larger of both
holds."""

FALLS: tuple[str, ...] = (
    "at 72.5 kV the movement M falls from 0.61 to 0.31 m, and every limit with it",
    "at a peak of 1485 kV between phases the saturation a falls by less than 3e-7, and the limit by under 0.1 mm",
    "at 420 kV the assumed T falls from 3.5 to 3.0, and every limit with it",
    "at 550 kV the assumed T falls from 3.0 to 2.5, and every limit with it",
)
"""Where the published form falls though the voltage rises."""

FACT_EQUATION = Fact(
    "29 CFR 1910.269",
    "Table R-3",
    "equation above 72.5 kV, C and both saturation curves",
    "memory, cross-checked",
    "gives all 16 values of Table R-7 rounded up to the centimetre, of which 6 are second-hand",
)
FACT_NOTE = Fact(
    "29 CFR 1910.269",
    "Table R-3 note 3",
    "ground form at the phase-to-phase peak unless only air is in the gap",
    "read",
    "up.codes",
)
FACTS = (FACT_EQUATION, FACT_NOTE, overvoltage.PHASE_PHASE_FACT)


def saturation(peak_kV: float, curve: tuple[tuple[float, float, float], ...]) -> float:
    """The saturation a at V_peak [kV]; where two pieces meet, the larger.

    >>> round(saturation(1022.6, GROUND_CURVE), 6)
    0.002797
    """
    ends = [piece[0] for piece in curve[1:]] + [math.inf]
    return max(
        (peak_kV - less) / divisor
        for (start, less, divisor), end in zip(curve, ends, strict=True)
        if start <= peak_kV <= end or end < peak_kV < end + STEP_KV
    )


def limit(case: Case) -> Limit:
    """The minimum approach distance of Table R-3.

    Raises RuleError outside 50 V to 800 kV, in 50 to 300 V ("avoid contact"), above 6000 m, for direct current, for a
    T below 1 or without a basis.
    """
    overvoltage.refuse_direct_current(case, NAME)
    osha_tables.check_range(case.voltage.highest_kV, NAME)
    given = overvoltage.stated(case, NAME)
    factor = osha_tables.altitude_factor(case.altitude_m, NAME)
    if case.voltage.highest_kV <= 72.5:
        return _low_voltage(case, factor, given)
    return _high_voltage(case, factor, given)


def _high_voltage(case: Case, factor: float, given: overvoltage.Overvoltage | None) -> Limit:
    """Above 72.5 kV."""
    highest = case.voltage.highest_kV
    per_unit = given.per_unit if given is not None else overvoltage.assumed_r9(highest)
    to_ground = highest / math.sqrt(3.0)
    between = case.exposure == "phase-phase"
    used = overvoltage.between_phases(per_unit) if between else per_unit
    peak = used * to_ground * math.sqrt(2.0)
    air = case.gap == "air"
    constant = CONSTANT_AIR if air else CONSTANT_TOOL
    phase_form = between and air
    saturated = saturation(peak, PHASE_CURVE if phase_form else GROUND_CURVE)
    electrical = METRES_PER_FOOT * (constant + saturated) * to_ground * used * factor
    required = electrical + osha_tables.MOVEMENT_M
    numbers: dict[str, Value] = {
        "highest_kV": highest,
        "line_to_ground_kV": to_ground,
        "per_unit_overvoltage": per_unit,
        "per_unit_used": used,
        "peak_kV": peak,
        "constant_C": constant,
        "saturation_a": saturated,
        "altitude_m": case.altitude_m,
        "altitude_factor": factor,
        "movement_m": osha_tables.MOVEMENT_M,
    }
    conditions = osha_tables.common_conditions(case)
    facts = [FACT_EQUATION, osha_tables.FACT_MOVEMENT]
    if given is None:
        conditions.append(f"T = {per_unit:g} as assumed in Table R-9.")
    else:
        numbers |= given.inputs
        conditions += given.conditions
    if between:
        facts.append(overvoltage.PHASE_PHASE_FACT)
    conditions.append(_gap_condition(case))
    if factor != 1.0:
        facts.append(osha_tables.FACT_R5)
    if case.voltage.nominal_kV is not None:
        numbers = {"nominal_kV": case.voltage.nominal_kV, **numbers}
        facts.append(VOLTAGE_FACTS["US"])
    phases = f"; between phases 1.35 T + 0.45 = {used:.4f}" if between else ""
    steps = (
        case.voltage.basis,
        f"V_LG = {highest:g} kV / sqrt(3) = {to_ground:.3f} kV",
        f"T = {per_unit:g} ({'given: ' + given.basis if given else 'assumed, Table R-9'}){phases}",
        f"V_peak = T V_LG sqrt(2) = {used:.4f} x {to_ground:.3f} x 1.41421 = {peak:.2f} kV (Table R-3)",
        f"a = {saturated:.7f} ({'phase-to-phase' if phase_form else 'phase-to-ground'} curve of Table R-3 at V_peak); "
        f"C = {constant:.3f}",
        f"A = {factor:.2f} at {case.altitude_m:g} m (Table R-5), on the electrical part only",
        f"D = 0.3048 (C + a) V_LG T A = 0.3048 x ({constant:.3f} + {saturated:.7f}) x {to_ground:.3f} x {used:.4f} x "
        f"{factor:.2f} "
        f"= {electrical:.4f} m",
        f"MAD = D + M = {electrical:.4f} m + {osha_tables.MOVEMENT_M:.2f} m = {required:.4f} m (Table R-3)",
    )
    return Limit(
        case.exposure,
        case.gap,
        required,
        electrical,
        osha_tables.MOVEMENT_M,
        _reference("Table R-3"),
        numbers,
        steps,
        tuple(conditions),
        tuple(facts),
    )


def _low_voltage(case: Case, factor: float, given: overvoltage.Overvoltage | None) -> Limit:
    """From 301 V to 72.5 kV: M + A D with D from Table R-4, whatever is in the gap."""
    highest = case.voltage.highest_kV
    top, earth, phase, movement = next(row for row in osha_tables.LOW_VOLTAGE if highest <= row[0])
    part = earth if case.exposure == "phase-earth" else phase
    # Up to 5 kV the rule's equation has no altitude factor that was read; the factor is kept, which is the larger.
    electrical = factor * part
    numbers: dict[str, Value] = {
        "highest_kV": highest,
        "class_top_kV": top,
        "table_electrical_m": part,
        "altitude_m": case.altitude_m,
        "altitude_factor": factor,
        "movement_m": movement,
    }
    conditions = osha_tables.common_conditions(case)
    facts = [osha_tables.FACT_R4, osha_tables.FACT_MOVEMENT]
    if given is not None:
        numbers |= given.inputs
        conditions.append(f"Up to 72.5 kV the rule takes no T; the T = {given.per_unit:g} given is not used.")
    if factor != 1.0:
        facts.append(osha_tables.FACT_R5)
    if case.voltage.nominal_kV is not None:
        numbers = {"nominal_kV": case.voltage.nominal_kV, **numbers}
        facts.append(VOLTAGE_FACTS["US"])
    required = movement + electrical
    steps = (
        case.voltage.basis,
        f"D = {part:.2f} m (Table R-4, class up to {top:g} kV, {case.exposure}); M = {movement:.2f} m",
        f"MAD = M + A D = {movement:.2f} m + {factor:.2f} x {part:.2f} m = {required:.4f} m (Table R-3)",
    )
    return Limit(
        case.exposure,
        case.gap,
        required,
        electrical,
        movement,
        _reference("Tables R-3 and R-4"),
        numbers,
        steps,
        tuple(conditions),
        tuple(facts),
    )


def _gap_condition(case: Case) -> str:
    """What C and the curve taken require of the gap."""
    if case.gap == "air" and case.exposure == "phase-earth":
        return "The employer can demonstrate that only air is in the gap (C = 0.010)."
    if case.gap == "air":
        return (
            "The employer can demonstrate that no insulated tool spans the gap and no large conductive object is in it "
            "(note 3)."
        )
    if case.gap == "object":
        return "Compared with the air that is left: the length of the conductive object does not count as insulation."
    return "An insulating tool may be in the gap (C = 0.011)."


def _reference(clause: str) -> RuleReference:
    return RuleReference(NAME, EDITION, f"29 CFR 1910.269(l)(3)(i), {clause}")


def insulating_length(case: Case, what: What) -> InsulatingLength:
    """Clear insulation of a tool: at least the phase-to-earth distance with a tool in the gap."""
    return osha_tables.tool_length(limit(case), what, case.exposure)


def assumed(highest_kV: float, exposure: Exposure = "phase-earth") -> tuple[float, RuleReference]:
    """T that Table R-9 assumes (between phases 1.35 T + 0.45), and its reference."""
    per_unit = overvoltage.assumed_r9(highest_kV)
    return (per_unit if exposure == "phase-earth" else overvoltage.between_phases(per_unit)), _reference("Table R-9")
