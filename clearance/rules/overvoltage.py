"""Owns T, the per-unit transient overvoltage a limit is computed for: assumed by the rule, given by the user with who
determined it, or held down by a stated measure, which must be coordinated.

T is the highest phase-to-earth overvoltage over the highest phase-to-earth voltage, both peak. T does not cover
lightning.

References
[1] 29 CFR 1910.269 Table R-9 and Appendix B (29 CFR 1926 Subpart V, Table V-8), read: "72.6 to 420.0 kilovolts | 3.5
    per unit", "420.1 to 550.0 kilovolts | 3.0 per unit", "550.1 to 800.0 kilovolts | 2.5 per unit".
[2] California Code of Regulations, Title 8, section 2940.2(a)(1)(A), read: with portable protective gaps T "shall
    provide for five standard deviations between the statistical spark over voltage of the gap and the statistical
    withstand voltage corresponding to the electrical component of the minimum approach distance". Here it is asked
    under every rule.
[3] T between phases from T to earth, 1.35 T + 0.45: from memory; IEC 61472-2:2021 tables 2 and 3, titles read, pair
    u_e2 = 3,5 with u_p2 = 5,2, which agrees (5.175).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from clearance.errors import RuleError
from clearance.rules.inputs import text
from clearance.rules.records import Case, Fact, RuleSilent, Value

DEVIATIONS = 5.0
"""Standard deviations between a portable gap's sparkover and the withstand voltage of the distance [2]."""

ASSUMED_TOP_KV: tuple[tuple[float, float], ...] = ((420.0, 3.5), (550.0, 3.0), (800.0, 2.5))
"""(top of the class [kV], T) of Table R-9. Where the printed classes leave a gap (420.0 to 420.1) the larger T
holds."""

PHASE_PHASE_FACT = Fact(
    "29 CFR 1910.269",
    "Table R-3",
    "T between phases = 1.35 T + 0.45",
    "memory, cross-checked",
    "agrees with u_e2 = 3,5 and u_p2 = 5,2 in table titles of IEC 61472-2:2021",
)
ASSUMED_FACT = Fact("29 CFR 1910.269", "Table R-9", "assumed T 3.5, 3.0, 2.5", "read", "Appendix B, ecfr.io")


@dataclass(frozen=True)
class Overvoltage:
    """T to earth, where it comes from, and what must hold for it.

    assumed: whether it is the rule's own assumption
    """

    per_unit: float
    basis: str
    assumed: bool
    conditions: tuple[str, ...]
    inputs: dict[str, Value]


def between_phases(per_unit: float) -> float:
    """T between phases [per unit of the phase-to-earth peak] from T to earth [3].

    >>> round(between_phases(3.5), 3)
    5.175
    """
    return 1.35 * per_unit + 0.45


def assumed_r9(highest_kV: float) -> float:
    """T that Table R-9 assumes; above 72.5 and up to 800 kV, else RuleError.

    >>> [assumed_r9(kV) for kV in (242, 420.0, 420.05, 420.1, 765)]
    [3.5, 3.5, 3.5, 3.0, 2.5]
    """
    if not 72.5 < highest_kV <= 800.0:
        raise RuleError(
            f"29 CFR 1910.269 Table R-9 assumes T for more than 72.5 and up to 800 kV, not for {highest_kV:g} kV"
        )
    return next(per_unit for top, per_unit in ASSUMED_TOP_KV if highest_kV < round(top + 0.1, 1) or top == 800.0)


def stated(case: Case, rule: str) -> Overvoltage | None:
    """T as the user gives it, or None when none is given.

    Raises RuleError for a T below 1, a T without a basis, a limiting measure without a T, and a portable protective
    gap whose sparkover comes within five standard deviations of the withstand voltage T stands for.
    """
    per_unit, basis, measure = case.per_unit_overvoltage, text(case, "per_unit_basis"), text(case, "transient_limit")
    if per_unit is None:
        if measure:
            raise RuleError(
                f"{rule}: the measure '{measure}' limits the overvoltage, but to what is not stated: give the T it "
                "leaves "
                "(per_unit_overvoltage) and who determined it (per_unit_basis)"
            )
        return None
    if not math.isfinite(per_unit) or per_unit < 1.0:
        raise RuleError(
            f"{rule}: T = {per_unit:g} is refused: a per-unit overvoltage below 1 would be less than the system's own "
            "voltage; give "
            "the highest phase-to-earth overvoltage divided by the highest phase-to-earth voltage, both peak"
        )
    if not basis:
        raise RuleError(
            f"{rule}: T = {per_unit:g} has no basis: say who determined it and how (per_unit_basis, on the command "
            "line --t-basis), "
            "or leave T out and take the rule's assumption where it has one"
        )
    conditions = [
        f"T = {per_unit:g} was given; basis: {basis}. It must hold for every switching operation while work goes on."
    ]
    numbers: dict[str, Value] = {"per_unit_overvoltage": per_unit, "per_unit_basis": basis}
    if measure:
        numbers["transient_limit"] = measure
        conditions.append(
            "Reclosing is blocked before work begins and stays blocked until the crew reports clear."
            if measure == "reclosing-blocked"
            else f"The measure that limits the overvoltage ({measure}) is in place and in order while work goes on."
        )
    if measure == "portable-gap":
        conditions.append(_coordinated(case, rule, per_unit, numbers))
    elif "portable_gap_sparkover_kV" in case.inputs or "portable_gap_deviation_kV" in case.inputs:
        raise RuleError(
            f"{rule}: a portable gap's figures are given, but transient_limit is not 'portable-gap': state the measure"
        )
    return Overvoltage(per_unit, basis, False, tuple(conditions), numbers)


def _coordinated(case: Case, rule: str, per_unit: float, numbers: dict[str, Value]) -> str:
    """The check of a portable protective gap against the withstand voltage T stands for [2]."""
    missing = [key for key in ("portable_gap_sparkover_kV", "portable_gap_deviation_kV") if not case.inputs.get(key)]
    if missing:
        raise RuleError(
            f"{rule}: a portable protective gap needs its own coordination check: give {' and '.join(missing)}, above 0"
        )
    sparkover, deviation = (
        float(case.inputs["portable_gap_sparkover_kV"]),
        float(case.inputs["portable_gap_deviation_kV"]),
    )
    withstand = per_unit * case.voltage.highest_kV * math.sqrt(2.0) / math.sqrt(3.0)
    needed = sparkover + DEVIATIONS * deviation
    least = needed / (case.voltage.highest_kV * math.sqrt(2.0) / math.sqrt(3.0))
    if withstand < needed:
        raise RuleError(
            f"{rule}: the portable protective gap does not hold T = {per_unit:g}: its sparkover {sparkover:g} kV plus "
            f"{DEVIATIONS:g} "
            f"standard deviations of {deviation:g} kV is {needed:.1f} kV, above the {withstand:.1f} kV peak that T "
            "stands for; "
            f"give a T of at least {math.ceil(least * 100) / 100:g}, or another gap"
        )
    numbers |= {"portable_gap_sparkover_kV": sparkover, "portable_gap_deviation_kV": deviation}
    return (
        f"Portable protective gap: sparkover {sparkover:g} kV + {DEVIATIONS:g} x {deviation:g} kV = {needed:.1f} kV, "
        "not above the "
        f"{withstand:.1f} kV peak T stands for. That it does not spark over at the system's own voltage is not "
        "evaluated."
    )


def refuse_direct_current(case: Case, rule: str) -> None:
    """Refuse a direct-current line: none of the rules here is for one."""
    if case.inputs.get("current", "ac") == "dc":
        raise RuleError(
            f"{rule}: a direct-current line is refused: this rule's distances are for alternating current; use the "
            "employer's own "
            "distances for direct current (for instance 29 CFR 1910.269 Table R-8, which is not built in)"
        )


def silent_overvoltage(rule: str, symbol: str) -> RuleSilent:
    """The refusal of a rule that assumes no overvoltage."""
    return RuleSilent(
        f"{rule} assumes no overvoltage: give {symbol} (per_unit_overvoltage, on the command line --t) and who "
        "determined it "
        "(per_unit_basis, --t-basis)"
    )
