"""Owns the tables of 29 CFR 1910.269(l)(3) (the same in 29 CFR 1926 Subpart V) as data, and the alternative distances
of Tables R-6 and R-7, here the rule "osha-1910.269-table".

Edition: 79 FR 20316 (11 April 2014) as corrected by 79 FR 56955 (24 September 2014), which "made the general industry
and construction standards consistent" (read): R-3 is V-2, R-4 V-3, R-5 V-4, R-6 V-5, R-7 V-6, R-9 V-8.

The altitude factor multiplies the **whole** distance of R-6 and R-7, but only the electrical part in the equation of
R-3 (see `osha_equation`): never mixed. Read, notes to R-6 and R-7: "multiplying the distances in this table by the
correction factor in Table R-5 corresponding to the altitude of the work".

>>> from clearance.rules import required
>>> limit = required("osha-1910.269-table", "phase-earth", voltage_kV=230)
>>> limit.limit_m, round(limit.electrical_m, 2), limit.ergonomic_m
(2.01, 1.7, 0.31)
>>> round(required("osha-1910.269-table", "phase-phase", gap="air", highest_kV=242, altitude_m=1000).limit_m, 4)
3.1416
"""

from __future__ import annotations

from dataclasses import replace

from clearance.errors import RuleError
from clearance.rules import overvoltage
from clearance.rules.inputs import InputSpec
from clearance.rules.records import (
    Case,
    Exposure,
    Fact,
    InsulatingLength,
    Limit,
    RuleReference,
    RuleSilent,
    Value,
    What,
)
from clearance.rules.voltage import FACTS as VOLTAGE_FACTS

NAME = "osha-1910.269-table"
EDITION = "79 FR 20316 (2014) as corrected by 79 FR 56955"
INPUTS: tuple[InputSpec, ...] = ()

LOW_VOLTAGE: tuple[tuple[float, float, float, float], ...] = (
    (0.75, 0.02, 0.02, 0.31),
    (5.0, 0.02, 0.02, 0.61),
    (15.0, 0.04, 0.07, 0.61),
    (36.0, 0.16, 0.28, 0.61),
    (46.0, 0.23, 0.37, 0.61),
    (72.5, 0.39, 0.59, 0.61),
)
"""(top of the class [kV], electrical part to earth [m], between phases [m], movement M [m]): R-3 and R-4 from 301 V to
72.5 kV."""

TABLE_R6: tuple[tuple[float, float, float], ...] = (
    (0.75, 0.33, 0.33),
    (5.0, 0.63, 0.63),
    (15.0, 0.65, 0.68),
    (36.0, 0.77, 0.89),
    (46.0, 0.84, 0.98),
    (72.5, 1.00, 1.20),
)
"""(top of the class [kV], to earth [m], between phases [m])."""

TABLE_R7: tuple[tuple[float, float, float], ...] = (
    (121.0, 1.13, 1.42),
    (145.0, 1.30, 1.64),
    (169.0, 1.46, 1.94),
    (242.0, 2.01, 3.08),
    (362.0, 3.41, 5.52),
    (420.0, 4.25, 6.81),
    (550.0, 5.07, 8.24),
    (800.0, 6.88, 11.38),
)
"""(top of the class [kV], to earth [m], between phases [m]), for T as assumed in R-9."""

TABLE_R5: tuple[tuple[float, float], ...] = (
    (900.0, 1.00),
    (1200.0, 1.02),
    (1500.0, 1.05),
    (1800.0, 1.08),
    (2100.0, 1.11),
    (2400.0, 1.14),
    (2700.0, 1.17),
    (3000.0, 1.20),
    (3600.0, 1.25),
    (4200.0, 1.30),
    (4800.0, 1.35),
    (5400.0, 1.39),
    (6000.0, 1.44),
)
"""(top of the class [m], altitude factor). Between printed classes (900 to 901 m) the higher class holds."""

LOWEST_ALTITUDE_M = -500.0
"""[m] Below every place on land: lower is a mistake in the input. Below sea level the air is denser, and 1.00 stays."""

MOVEMENT_M = 0.31
"""[m] M, the allowance for inadvertent movement above 72.5 kV."""

AVOID_CONTACT_TOP_KV = 0.300
LOWEST_KV = 0.050
HIGHEST_KV = 800.0

_AUDIT = "a public audit that says it was checked against the current page"
FACT_R4 = Fact(
    "29 CFR 1910.269",
    "Table R-4",
    "electrical part up to 72.5 kV",
    "memory, cross-checked",
    "R-6 less M, both second-hand; the 20 mm up to 5 kV read in Appendix B III.A",
)
FACT_MOVEMENT = Fact(
    "29 CFR 1910.269",
    "Table R-3",
    "inadvertent movement M, 0.31 m up to 750 V and above 72.5 kV, 0.61 m between",
    "second-hand",
    _AUDIT,
)
FACT_R5 = Fact(
    # UFC 3-560-01 (6 December 2006) Table 3-2, read: "3000 900 1.00 ... 4000 1200 1.02 ... 5000 1500 1.05 ... 6000
    # 1800 1.08 ...
    # 7000 2100 1.11 ... 8000 2400 1.14 ... 9000 2700 1.17 ... 10000 3000 1.20, 12000 3600 1.25, 14000 4200 1.30, 16000
    # 4800 1.35,
    # 18000 5400 1.39, 20000 6000 1.44": the same thirteen pairs, but another document.
    "29 CFR 1910.269",
    "Table R-5",
    "altitude factors",
    "memory, cross-checked",
    "the same thirteen pairs read in UFC 3-560-01 (2006) Table 3-2; the text of R-5 itself not read",
)
FACT_R6 = Fact("29 CFR 1910.269", "Table R-6", "distances up to 72.5 kV", "second-hand", _AUDIT)
FACT_R7_LOW = Fact("29 CFR 1910.269", "Table R-7", "distances above 72.5 and up to 169 kV", "second-hand", _AUDIT)
FACT_R7 = Fact(
    "29 CFR 1910.269",
    "Table R-7",
    "distances above 169 kV",
    "memory, cross-checked",
    "its 10 values, and the 6 up to 169 kV, come out of the equation of R-3",
)
SECOND_HAND_TOP_KV = 169.0
"""[kV] Up to here Table R-7 is known second-hand."""
FACT_R7_NOTE = Fact(
    "29 CFR 1910.269",
    "Table R-3 note 2",
    "R-7 barred between phases with an insulated tool or large conductive object in the gap",
    "read",
    "up.codes, notes to Table R-3",
)
TOOL_CLAUSE = "California Code of Regulations, Title 8, 2940.2 note 2"
FACT_TOOL = Fact(
    "8 CCR 2940.2",
    "note 2",
    "clear tool insulation of at least the phase-to-earth distance",
    "read",
    "29 CFR 1910.269 (j), (l) and (q), read, hold no such sentence",
)
FACTS = (
    FACT_R4, FACT_MOVEMENT, FACT_R5, FACT_R6, FACT_R7_LOW, FACT_R7, FACT_R7_NOTE, FACT_TOOL, overvoltage.ASSUMED_FACT,
)  # fmt: skip


def altitude_factor(altitude_m: float, rule: str = "29 CFR 1910.269") -> float:
    """The factor of Table R-5; RuleError above 6000 m.

    >>> [altitude_factor(m) for m in (0, 900, 900.5, 1200, 6000)]
    [1.0, 1.0, 1.02, 1.02, 1.44]
    """
    if not LOWEST_ALTITUDE_M <= altitude_m <= TABLE_R5[-1][0]:
        raise RuleError(
            f"{rule}: Table R-5 has no factor for an altitude of {altitude_m:g} m: it ends at {TABLE_R5[-1][0]:g} m, "
            "and nothing is "
            "extrapolated; use distances an engineer has determined for that altitude"
        )
    return next(factor for top, factor in TABLE_R5 if altitude_m <= top)


def check_range(highest_kV: float, rule: str) -> None:
    """Refuse a voltage outside 50 V to 800 kV, and one for which the rule says "avoid contact"."""
    if highest_kV < LOWEST_KV or highest_kV > HIGHEST_KV:
        raise RuleError(
            f"{rule}: covers 50 V to {HIGHEST_KV:g} kV alternating current, not {highest_kV:g} kV, and nothing is "
            "extrapolated"
        )
    if highest_kV <= AVOID_CONTACT_TOP_KV:
        raise RuleError(f"{rule}: from 50 to 300 V the rule gives no distance but says: avoid contact")


def common_conditions(case: Case) -> list[str]:
    """What holds for every distance of 29 CFR 1910.269 used here."""
    lines = [
        "Kept from every grounded object and from every part at another potential, also while approaching, leaving "
        "and bonding.",
        "No thunderstorm near, insulating parts dry and clean. The altitude factor does not cover temperature and "
        "humidity.",
    ]
    if case.voltage.nominal_kV in (220.0, 230.0) and "practice" in case.voltage.basis:
        lines.append(
            "A system run to IEC 60038 may reach 245 kV, not 242 kV: give highest_kV where it does; the distances "
            "come out larger."
        )
    if case.voltage.highest_kV <= 72.5:
        lines.append("For a single-phase system the voltage to ground is used.")
    return lines


def limit(case: Case) -> Limit:
    """The alternative distance of Table R-6 or R-7, times the altitude factor.

    Raises RuleError outside 50 V to 800 kV, in 50 to 300 V, above 6000 m, and where T is given above the one R-9
    assumes; RuleSilent between phases with a tool or a conductive object in the gap above 72.5 kV, which the rule bars
    from the table.
    """
    overvoltage.refuse_direct_current(case, NAME)
    highest = case.voltage.highest_kV
    check_range(highest, NAME)
    given = overvoltage.stated(case, NAME)
    factor = altitude_factor(case.altitude_m, NAME)
    high = highest > 72.5
    if high and case.exposure == "phase-phase" and case.gap != "air":
        raise RuleSilent(
            f"{NAME}: the employer may not use Table R-7 between phases if an insulated tool spans the gap or any "
            "large "
            "conductive object is in it (Table R-3 note 2): use the equation, rule 'osha-1910.269'",
            instead="osha-1910.269",
        )
    table, clause = (TABLE_R7, "Table R-7") if high else (TABLE_R6, "Table R-6")
    top, earth, phase = next(row for row in table if highest <= row[0])
    whole = earth if case.exposure == "phase-earth" else phase
    movement = MOVEMENT_M if highest <= 0.75 or high else 0.61
    numbers: dict[str, Value] = {
        "highest_kV": highest,
        "class_top_kV": top,
        "table_m": whole,
        "altitude_m": case.altitude_m,
        "altitude_factor": factor,
        "movement_m": movement,
    }
    conditions = common_conditions(case)
    facts = [FACT_R6 if not high else FACT_R7_LOW if top <= SECOND_HAND_TOP_KV else FACT_R7]
    if high:
        assumed = overvoltage.assumed_r9(highest)
        numbers["per_unit_overvoltage"] = assumed
        conditions.append(f"Table R-7 assumes T = {assumed:g} (Table R-9); the line's T is not above that.")
        if given is not None:
            if given.per_unit > assumed:
                raise RuleError(
                    f"{NAME}: Table R-7 assumes T = {assumed:g} at {highest:g} kV and does not hold for the T = "
                    f"{given.per_unit:g} given: "
                    "use the equation, rule 'osha-1910.269'"
                )
            conditions += [
                *given.conditions,
                "A lower T than the table assumes gives no smaller distance from the table.",
            ]
            numbers["per_unit_given"] = given.per_unit
            numbers["per_unit_basis"] = given.basis
        if case.exposure == "phase-phase":
            conditions.append(
                "No insulated tool spans the gap and no large conductive object is in it (Table R-3 note 2)."
            )
    if factor != 1.0:
        facts.append(FACT_R5)
    if case.voltage.nominal_kV is not None:
        numbers = {"nominal_kV": case.voltage.nominal_kV, **numbers}
        facts.append(VOLTAGE_FACTS["US"])
    required = whole * factor
    steps = (
        case.voltage.basis,
        f"{clause}, class up to {top:g} kV, {case.exposure}: {whole:.2f} m",
        f"Table R-5, altitude {case.altitude_m:g} m: factor {factor:.2f} on the whole distance",
        f"MAD = {whole:.2f} m x {factor:.2f} = {required:.4f} m; less M = {movement:.2f} m the electrical part is "
        f"{required - movement:.4f} m",
    )
    return Limit(
        case.exposure,
        case.gap,
        required,
        required - movement,
        movement,
        RuleReference(NAME, EDITION, f"29 CFR 1910.269(l)(3)(iii), {clause}"),
        numbers,
        steps,
        tuple(conditions),
        tuple(facts),
    )


def insulating_length(case: Case, what: What) -> InsulatingLength:
    """Clear insulation of a tool: at least the distance of the table between the two potentials."""
    return tool_length(limit(case), what, case.exposure)


def tool_length(earth: Limit, what: What, exposure: Exposure = "phase-earth") -> InsulatingLength:
    """Clear tool insulation from the limit of the two potentials: at least the whole of it. The rule asks for it to
    earth; between phases the same is asked of their own distance, by analogy."""
    between = exposure.replace("-", "-to-")
    conditions = [*earth.conditions, "Metal parts, joints and wet or dirty parts do not count towards the length."]
    if what == "string":
        conditions.append(
            "A tool that supports a conductor is also at least as long as the insulator string it bridges."
        )
    steps = (*earth.steps, f"Clear insulation of a {what} at least the {between} distance: {earth.limit_m:.4f} m")
    rule = replace(earth.rule, clause=f"{TOOL_CLAUSE}, at the distance of {earth.rule.clause}")
    facts = (*earth.facts, FACT_TOOL)
    return InsulatingLength(what, earth.limit_m, rule, earth.inputs, steps, tuple(conditions), facts)
