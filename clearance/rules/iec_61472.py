r"""Owns the calculation of IEC 61472 (72.5 to 800 kV), in the form of its editions of 1998 and 2004: the rule
"iec-61472".

    D_A = D_U + D_E                                                                        (1)
    D_U = (exp(U90 / (1080 K_t)) - 1) / 0.46 + F     [m, kV]                               (2)
    U90 = K_s U2,  U2 = u_e2 U_s sqrt(2) / sqrt(3),  between phases u_p2 = 1.35 u_e2 + 0.45  (3)
    K_t = k_s k_g k_a k_f k_i                                                              (4)

The numbers in brackets are this module's, not the standard's. 1/0.46 inverts U50 = k 1080 ln(0.46 d + 1), the positive
critical front of IEC 60071-2; where 2.17 stands for it (from memory) D_U is 0.18 % shorter, 3.5 mm at 1.92 m, so the
larger is taken until the standard is read. The standard's third edition (2013) made a "modification of the basic
equation" and simplified the altitude factor (read, national foreword of IS 14956 (Part 1):2025); its text was not read,
so every limit here says that the current edition may differ.

u_e2 is the overvoltage with a 2 % probability of being exceeded; the standard assumes none, so it must be given.

Worked example: U_s 245 kV, u_e2 3.5, k_g 1.2, no altitude: U2 = 700.1 kV, U90 = 770 kV, K_t = 1.1232, D_U = 1.93 m.

>>> from clearance.rules import required
>>> basis = {"per_unit_basis": "worked example"}
>>> limit = required("iec-61472", "phase-earth", gap="air", highest_kV=245, per_unit_overvoltage=3.5, inputs=basis)
>>> round(limit.electrical_m, 2), limit.ergonomic_m
(1.93, 0.5)
>>> inputs = {**basis, "k_g": 1.45, "employer_basis": "gap tests, 2024", "employer_by": "head of live working"}
>>> limit = required("iec-61472", "phase-phase", gap="air", highest_kV=245, per_unit_overvoltage=3.5, inputs=inputs)
>>> round(limit.electrical_m, 2)
2.55
"""

from __future__ import annotations

import math
from dataclasses import replace

from clearance.errors import RuleError
from clearance.rules import employer, overvoltage
from clearance.rules.inputs import InputSpec, number
from clearance.rules.records import (
    Case,
    Fact,
    InsulatingLength,
    Limit,
    RuleReference,
    RuleSilent,
    Value,
    What,
)
from clearance.rules.voltage import FACTS as VOLTAGE_FACTS

NAME = "iec-61472"
EDITION = "form of the 1998 and 2004 editions (current edition 2013, not read)"

INVERSE = 1.0 / 0.46
SLOPE_KV = 1080.0
STATISTICAL_FACTOR = 1.1
DEVIATION_FACTOR = 0.936
GAP_FACTOR = 1.2
ERGONOMIC_M = 0.5
LOWEST_KV, HIGHEST_KV = 72.5, 800.0
ALTITUDE_SCALE_M = 8150.0
LARGEST_M = 25.0
"""[m] The form of IEC 60071-2 that D_U inverts holds to 25 m."""
LARGEST_EXPONENT = 700.0
"""[1] exp of more is beyond a float64: an infinite distance, which the limit of 25 m then refuses."""
ALTITUDE_TOP_M = 2000.0
"""[m] Above it k_a must be given: no source read says how far the exponential holds."""

INPUTS: tuple[InputSpec, ...] = (
    InputSpec("k_statistical", "number", "K_s, U90 over U2; default 1.1", 1.0, 1.5),
    InputSpec("k_s", "number", "standard-deviation factor 1 - 1.28 x 0.05; default 0.936", 0.8, 1.0),
    InputSpec("k_g", "number", "gap factor; default 1.2, which is on the careful side", 1.0, 1.6),
    InputSpec("k_a", "number", "altitude factor on the strength; default exp(-H / 8150 m)", 0.3, 1.0),
    InputSpec("k_f", "number", "floating-object factor; 1 with none in the gap, no default with one", 0.3, 1.0),
    InputSpec("k_i", "number", "factor of an insulator, or a damaged one, in the gap; default 1", 0.3, 1.0),
    InputSpec("ergonomic_m", "number", "D_E [m]; default 0.5", 0.0, 5.0),
    InputSpec(
        "floating_length_m",
        "number",
        "F [m]; default 0, because the combined gap leaves the object's length out",
        0.0,
        20.0,
    ),
    *employer.INPUTS,
)
OWN = ("k_statistical", "k_s", "k_g", "k_a", "k_f", "k_i", "ergonomic_m", "floating_length_m")
"""Inputs that stand in for a figure of this module, and so need somebody's word."""

FACT_EQUATION = Fact(
    "IEC 61472",
    "1998/2004 form",
    "equation, K_s = 1.1, k_s = 0.936, k_g = 1.2",
    "memory",
    "not found in about 25 look-ups; the third edition (2013) modified the basic equation",
)
FACT_FRONT = Fact(
    "IEC 60071-2",
    "2018, Eq. F-3",
    "U50 = k 1080 ln(0.46 d + 1), inverted with 1/0.46",
    "second-hand",
    "a public program that cites the equation, and 1/0.46 from EN 50341-1:2012 Table E.5",
)
FACT_ERGONOMIC = Fact(
    "IEC 61472",
    "D_E",
    "0.5 m, the upper end of the usual 0.3 to 0.5 m",
    "memory",
    "national or the employer's: to be confirmed by them",
)
FACT_ALTITUDE = Fact(
    "IEC 61472",
    "k_a",
    "exp(-H / 8150 m), exponent 1 for every exposure",
    "memory",
    "the inverse of K_a = exp(m (H / 8150)), second-hand for IEC 60071-2 6.2.2, where m = 1 between phases and 0.75 to "
    "earth; 1 is the careful one",
)
FACT_OBJECT = Fact(
    "IEC 61472",
    "Annex F",
    "no default of k_f with a conductive object in the gap",
    "memory",
    "published reductions of strength are 10 to 20 %, after the object's length is taken off",
)
FACTS = (FACT_EQUATION, FACT_FRONT, FACT_ERGONOMIC, FACT_ALTITUDE, FACT_OBJECT, overvoltage.PHASE_PHASE_FACT)


def electrical_distance(u90_kV: float, k_total: float) -> float:
    """D_U without F [m] from U90 [kV peak] and K_t (2).

    >>> round(electrical_distance(770.15, 1.1232), 2)
    1.93
    """
    exponent = u90_kV / (SLOPE_KV * k_total)
    if exponent > LARGEST_EXPONENT:
        return math.inf
    return INVERSE * (math.exp(exponent) - 1.0)


def limit(case: Case) -> Limit:
    """D_A of IEC 61472.

    Raises RuleSilent without u_e2, and with an object in the gap without k_f; RuleError outside 72.5 to 800 kV and
    above 2000 m without k_a.
    """
    overvoltage.refuse_direct_current(case, NAME)
    highest = case.voltage.highest_kV
    if not LOWEST_KV <= highest <= HIGHEST_KV:
        raise RuleError(
            f"{NAME}: covers {LOWEST_KV:g} to {HIGHEST_KV:g} kV, not {highest:g} kV, and nothing is extrapolated"
        )
    given = overvoltage.stated(case, NAME)
    if given is None:
        raise overvoltage.silent_overvoltage(NAME, "u_e2")
    word = employer.signed(case, NAME, OWN)
    between = case.exposure == "phase-phase"
    used = overvoltage.between_phases(given.per_unit) if between else given.per_unit
    statistical, k_s, k_g = (
        number(case, "k_statistical", STATISTICAL_FACTOR),
        number(case, "k_s", DEVIATION_FACTOR),
        number(case, "k_g", GAP_FACTOR),
    )
    # An air gap has neither object nor insulator in it: their factors, though given, are for the other cells.
    k_f = number(case, "k_f", 1.0) if case.gap == "object" else 1.0
    k_i = number(case, "k_i", 1.0) if case.gap != "air" else 1.0
    k_a = _altitude(case)
    ergonomic = number(case, "ergonomic_m", ERGONOMIC_M)
    floating = number(case, "floating_length_m", 0.0) if case.gap == "object" else 0.0
    u2 = used * highest * math.sqrt(2.0) / math.sqrt(3.0)
    u90 = statistical * u2
    k_total = k_s * k_g * k_a * k_f * k_i
    electrical = electrical_distance(u90, k_total) + floating
    if electrical - floating > LARGEST_M:
        raise RuleError(
            f"{NAME}: D_U = {electrical - floating:.1f} m is beyond {LARGEST_M:g} m, where the form it inverts ends, "
            "and nothing is "
            "extrapolated: give a gap factor k_g the employer can show, or a lower u_e2"
        )
    required = electrical + ergonomic
    if case.gap == "object" and "k_f" not in case.inputs:
        # With k_f at 1 the electrical part is the least it can be: another rule's value still has to reach it.
        raise RuleSilent(
            f"{NAME}: with a conductive floating object in the gap k_f has no default (published reductions of the "
            f"strength are 10 to 20 %, so k_f of 0.8 to 0.9, from memory): supply the employer's (k_f), "
            f"{employer.SUPPLY}",
            electrical,
            required,
        )
    numbers: dict[str, Value] = {
        "highest_kV": highest,
        **given.inputs,
        "per_unit_used": used,
        "u2_kV": u2,
        "k_statistical": statistical,
        "u90_kV": u90,
        "k_s": k_s,
        "k_g": k_g,
        "k_a": k_a,
        "k_f": k_f,
        "k_i": k_i,
        "k_total": k_total,
        "altitude_m": case.altitude_m,
        "floating_length_m": floating,
        "ergonomic_m": ergonomic,
        **employer.inputs_used(case, OWN),
    }
    facts = [FACT_EQUATION, FACT_FRONT]
    if word is not None:
        facts.append(word)
    if between:
        facts.append(overvoltage.PHASE_PHASE_FACT)
    if "ergonomic_m" not in case.inputs:
        facts.append(FACT_ERGONOMIC)
    if case.altitude_m > 0 and "k_a" not in case.inputs:
        facts.append(FACT_ALTITUDE)
    if case.gap == "object":
        facts.append(FACT_OBJECT)
    if case.voltage.nominal_kV is not None:
        numbers = {"nominal_kV": case.voltage.nominal_kV, **numbers}
        facts.append(VOLTAGE_FACTS["IEC"])
    symbol = "u_p2 = 1.35 u_e2 + 0.45" if between else "u_e2"
    steps = (
        case.voltage.basis,
        f"{symbol} = {used:.4f} (3); U2 = {used:.4f} x {highest:g} kV x sqrt(2) / sqrt(3) = {u2:.2f} kV (3)",
        f"U90 = K_s U2 = {statistical:g} x {u2:.2f} = {u90:.2f} kV (3)",
        f"K_t = k_s k_g k_a k_f k_i = {k_s:g} x {k_g:g} x {k_a:.4f} x {k_f:g} x {k_i:g} = {k_total:.5f} (4)",
        f"D_U = (exp(U90 / (1080 K_t)) - 1) / 0.46 + F = (exp({u90:.2f} / {SLOPE_KV * k_total:.2f}) - 1) / 0.46 + "
        f"{floating:g} = {electrical:.4f} m (2)",
        f"D_A = D_U + D_E = {electrical:.4f} m + {ergonomic:g} m = {required:.4f} m (1)",
    )
    return Limit(
        case.exposure,
        case.gap,
        required,
        electrical,
        ergonomic,
        RuleReference(NAME, EDITION, "IEC 61472, equations for D_A and D_U"),
        numbers,
        steps,
        (*given.conditions, *_conditions(case, k_i)),
        tuple(facts),
    )


def insulating_length(case: Case, what: What) -> InsulatingLength:
    """The employer's, of at least the electrical part to earth. Raises RuleSilent where none is supplied."""
    least = 0.0
    if employer.LENGTHS[what] in case.inputs:
        earth = limit(replace(case, exposure="phase-earth", gap="tool"))
        least = earth.electrical_m
    reference = RuleReference(NAME, EDITION, "no insulating lengths: the employer's")
    return employer.length(case, NAME, reference, what, least)


def _altitude(case: Case) -> float:
    """k_a: as given, else the exponential with exponent 1 from sea level."""
    if "k_a" in case.inputs:
        return number(case, "k_a", 1.0)
    if not -500.0 <= case.altitude_m <= ALTITUDE_TOP_M:
        raise RuleError(
            f"{NAME}: no default of k_a for an altitude of {case.altitude_m:g} m (it ends at {ALTITUDE_TOP_M:g} m): "
            "supply the input k_a"
        )
    return math.exp(-max(case.altitude_m, 0.0) / ALTITUDE_SCALE_M)


def _conditions(case: Case, k_i: float) -> list[str]:
    """What must hold, from the scope of the standard (read) and from the inputs taken."""
    lines = [
        "The current edition (2013) modified the basic equation and was not read: its distances may differ.",
        "No lightning seen or heard within 10 km; tools without a film of moisture; trained workers (scope, read).",
    ]
    if case.gap == "tool" and k_i == 1.0:
        lines.append(
            "k_i = 1 takes a clean, dry, undamaged tool to be as strong as air; United States practice makes such "
            "gaps about 10 % longer: "
            "give k_i where the employer does too."
        )
    if case.gap == "object":
        lines.append(
            "Compared with the air that is left: the combined gap leaves out the length of the conductive object (F = "
            "0)."
        )
    return lines
