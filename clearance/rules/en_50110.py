"""Owns Table A.1 of EN 50110-1, guide values: the rule "en-50110-1".

D_L is the outer limit of the live-working zone: an electrical distance to a live part, without an ergonomic part and
without a column for phase to phase or for a conductive object in the gap, and without insulating lengths. D_L never
stands alone here: those figures come from the employer as inputs with their document and a name, else the rule is
silent. D_V, the outer limit of the vicinity zone, is kept as data
and is no working distance.

Source: read in German in a tool manual citing DIN EN 50110, "Tabelle A.1 - Richtwerte fuer Abstaende"; an older
edition than EN 50110-1:2023. "Zwischenwerte ... durch lineare Interpolation": between two rows, linear. The table is
keyed by the nominal voltage.

>>> from clearance.rules import required
>>> said = {"ergonomic_m": 0.5, "employer_basis": "live-working rules, 2024", "employer_by": "head of live working"}
>>> limit = required("en-50110-1", "phase-earth", voltage_kV=220, inputs=said)
>>> limit.electrical_m, limit.limit_m
(1.6, 2.1)
>>> required("en-50110-1", "phase-earth", voltage_kV=220)
Traceback (most recent call last):
clearance.rules.records.RuleSilent: en-50110-1: D_L ... never stands alone...
"""

from __future__ import annotations

import itertools

from clearance.errors import RuleError
from clearance.rules import employer, iec_61472, overvoltage
from clearance.rules.inputs import InputSpec, number, text
from clearance.rules.records import (
    LESSER,
    Case,
    Fact,
    InsulatingLength,
    Limit,
    RuleReference,
    RuleSilent,
    Value,
    What,
)

NAME = "en-50110-1"
EDITION = "an edition before 2023, as reproduced in German"
ALTITUDE_TOP_M = 1000.0

TABLE_A1: tuple[tuple[float, float, float], ...] = (
    (3, 0.060, 1.120),
    (6, 0.090, 1.120),
    (10, 0.120, 1.150),
    (15, 0.160, 1.160),
    (20, 0.220, 1.220),
    (30, 0.320, 1.320),
    (36, 0.380, 1.380),
    (45, 0.480, 1.480),
    (60, 0.630, 1.630),
    (70, 0.750, 1.750),
    (110, 1.000, 2.000),
    (132, 1.100, 3.000),
    (150, 1.200, 3.000),
    (220, 1.600, 3.000),
    (275, 1.900, 4.000),
    (380, 2.500, 4.000),
    (480, 3.200, 6.100),
    (700, 5.300, 8.400),
)
"""(nominal voltage [kV], D_L [m], D_V [m])."""

SUPPLIED = {
    ("phase-earth", "object"): "phase_earth_object_electrical_m",
    ("phase-phase", "air"): "phase_phase_air_electrical_m",
    ("phase-phase", "tool"): "phase_phase_tool_electrical_m",
    ("phase-phase", "object"): "phase_phase_object_electrical_m",
}
"""The cells Table A.1 has no column for, and the employer's input for each."""

INPUTS: tuple[InputSpec, ...] = (
    InputSpec("ergonomic_m", "number", "the employer's ergonomic part [m]", 0.0, 5.0),
    *employer.INPUTS,
    *(
        InputSpec(key, "number", f"the employer's electrical part, {cell[0]} with {cell[1]} [m]", 0.0, 20.0)
        for cell, key in SUPPLIED.items()
    ),
)

FACT_TABLE = Fact(
    "EN 50110-1",
    "Table A.1",
    "D_L and D_V",
    "read",
    "German reproduction citing DIN EN 50110; older than the 2023 edition",
)
FACT_ALTITUDE = Fact(
    "EN 50110-1", "Annex A", "used up to 1000 m above sea level", "memory", "no altitude rule in the text read"
)
FACTS = (FACT_TABLE, FACT_ALTITUDE)


def live_zone(nominal_kV: float) -> tuple[float, float]:
    """(D_L, D_V) [m] at a nominal voltage [kV], linear between rows; RuleError outside 3 to 700 kV.

    >>> live_zone(220), tuple(round(metres, 4) for metres in live_zone(400))
    ((1.6, 3.0), (2.64, 4.42))
    """
    if nominal_kV < 1.0:
        raise RuleError(f"{NAME}: below 1 kV Table A.1 gives no distance but says: no contact")
    if not TABLE_A1[0][0] <= nominal_kV <= TABLE_A1[-1][0]:
        raise RuleError(
            f"{NAME}: Table A.1 runs from {TABLE_A1[0][0]:g} to {TABLE_A1[-1][0]:g} kV, not to {nominal_kV:g} kV, and "
            "nothing is extrapolated"
        )
    for (low, low_live, low_near), (high, high_live, high_near) in itertools.pairwise(TABLE_A1):
        if nominal_kV == low:
            return low_live, low_near
        if low < nominal_kV < high:
            share = (nominal_kV - low) / (high - low)
            return low_live + share * (high_live - low_live), low_near + share * (high_near - low_near)
    return TABLE_A1[-1][1], TABLE_A1[-1][2]


def limit(case: Case) -> Limit:
    """D_L, or the employer's electrical part where Table A.1 has no column, with the employer's ergonomic part.

    Raises RuleSilent where an employer's figure is missing, RuleError outside the table and above 1000 m.
    """
    overvoltage.refuse_direct_current(case, NAME)
    given = overvoltage.stated(case, NAME)
    key_kV = case.voltage.highest_kV if case.voltage.nominal_kV is None else case.voltage.nominal_kV
    live, near = live_zone(key_kV)
    if not -500.0 <= case.altitude_m <= ALTITUDE_TOP_M:
        raise RuleError(
            f"{NAME}: used up to {ALTITUDE_TOP_M:g} m above sea level, not at {case.altitude_m:g} m: no altitude rule "
            "was read"
        )
    electrical, source = _electrical(case, live)
    ergonomic = number(case, "ergonomic_m", -1.0)
    if ergonomic < 0.0 or not all(text(case, key) for key in employer.SIGNATURE):
        raise RuleSilent(
            f"{NAME}: D_L = {live:.3f} m is an electrical distance and never stands alone: supply the employer's "
            f"ergonomic part (ergonomic_m), {employer.SUPPLY}",
            electrical,
        )
    required = electrical + ergonomic
    numbers: dict[str, Value] = {
        "table_voltage_kV": key_kV,
        "live_zone_DL_m": live,
        "vicinity_DV_m": near,
        "electrical_m": electrical,
        "ergonomic_m": ergonomic,
        "altitude_m": case.altitude_m,
        **{key: text(case, key) for key in employer.SIGNATURE},
    }
    keyed = (
        "the nominal"
        if case.voltage.nominal_kV is not None
        else "no nominal voltage was given, so the highest, which is the larger"
    )
    steps = (
        f"Table A.1 is keyed by the nominal voltage: {key_kV:g} kV ({keyed})",
        f"D_L = {live:.4f} m, D_V = {near:.4f} m (Table A.1, linear between rows)",
        f"electrical part {electrical:.4f} m ({source})",
        f"limit = {electrical:.4f} m + ergonomic part {ergonomic:g} m (employer) = {required:.4f} m",
    )
    conditions = [
        "Table A.1 gives guide values of an edition before 2023; national rules and the employer's come first.",
        f"Employer's figures from: {employer.said(case)}.",
    ]
    if given is not None:
        conditions += _overvoltage_note(case, given, live)
        numbers |= given.inputs
    own = (SUPPLIED[case.exposure, case.gap],) if (case.exposure, case.gap) in SUPPLIED else ()
    facts = [FACT_TABLE, employer.signed(case, NAME, ("ergonomic_m", *own))]
    if case.altitude_m > 0:
        facts.append(FACT_ALTITUDE)
    return Limit(
        case.exposure,
        case.gap,
        required,
        electrical,
        ergonomic,
        RuleReference(NAME, EDITION, "EN 50110-1, Table A.1"),
        numbers,
        steps,
        tuple(conditions),
        tuple(fact for fact in facts if fact is not None),
    )


def insulating_length(case: Case, what: What) -> InsulatingLength:
    """The employer's, of at least D_L. Raises RuleSilent where none is supplied."""
    overvoltage.refuse_direct_current(case, NAME)
    overvoltage.stated(case, NAME)
    key_kV = case.voltage.highest_kV if case.voltage.nominal_kV is None else case.voltage.nominal_kV
    reference = RuleReference(NAME, EDITION, "no insulating lengths: the employer's")
    return employer.length(case, NAME, reference, what, live_zone(key_kV)[0])


def _electrical(case: Case, live: float) -> tuple[float, str]:
    """The electrical part [m] and where it comes from."""
    key = SUPPLIED.get((case.exposure, case.gap))
    if key is None:
        return live, "D_L"
    if key not in case.inputs:
        words = "phase to phase" if case.exposure == "phase-phase" else "a conductive object in the gap"
        # Between phases the voltage is higher, and an object weakens the gap: D_L is the least the missing figure can
        # be.
        raise RuleSilent(
            f"{NAME}: Table A.1 has no column for {words}: supply the employer's electrical part ({key}) and ergonomic "
            f"part (ergonomic_m), {employer.SUPPLY}",
            live,
        )
    value = number(case, key, 0.0)
    if value < live:
        raise RuleError(
            f"{NAME}: {key} = {value:g} m is below D_L = {live:.3f} m, which is for one phase to earth through air: "
            "the employer's figure "
            "for this cell cannot be smaller"
        )
    lesser = [SUPPLIED[case.exposure, gap] for gap in LESSER[case.gap] if (case.exposure, gap) in SUPPLIED]
    below = [one for one in lesser if one in case.inputs and value < number(case, one, 0.0)]
    if below:
        raise RuleError(
            f"{NAME}: {key} = {value:g} m is below {below[0]} = {number(case, below[0], 0.0):g} m, the same gap with "
            "less in it: "
            "one of the employer's figures is wrong"
        )
    return value, f"employer, {key}"


def _overvoltage_note(case: Case, given: overvoltage.Overvoltage, live: float) -> list[str]:
    """Table A.1 takes no T: say so, and whether IEC 61472 would ask for more at the T given."""
    highest = case.voltage.highest_kV
    lines = [f"Table A.1 does not say for which overvoltage it holds; the T = {given.per_unit:g} given is not used."]
    if iec_61472.LOWEST_KV <= highest <= iec_61472.HIGHEST_KV:
        u90 = iec_61472.STATISTICAL_FACTOR * given.per_unit * highest * (2.0 / 3.0) ** 0.5
        by_iec = iec_61472.electrical_distance(u90, iec_61472.DEVIATION_FACTOR * iec_61472.GAP_FACTOR)
        if by_iec > live:
            lines.append(
                f"At that T the form of IEC 61472 gives D_U = {by_iec:.2f} m, more than D_L = {live:.2f} m: name "
                "'iec-61472' beside this rule "
                "or have the employer decide."
            )
    return lines
