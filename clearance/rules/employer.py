"""Owns the figures an employer supplies beside a rule that has none, or none that was read: their inputs, whose they
are, and that they are never below what the rule itself knows.

A figure counts only with the document it is from (`employer_basis`) and the name of who answers for it (`employer_by`).
Where the rule has a figure too, the larger of both is taken.

>>> from clearance.rules import insulating_length
>>> word = {"employer_basis": "live-working rules, 2024", "employer_by": "head of live working"}
>>> inputs = {"ladder_insulating_m": 2.0, **word}
>>> insulating_length("en-50110-1", what="ladder", voltage_kV=220, inputs=inputs).required_m
2.0
"""

from __future__ import annotations

from collections.abc import Iterable

from clearance.errors import RuleError
from clearance.rules.inputs import InputSpec, number, text
from clearance.rules.records import (
    WHATS,
    Case,
    Fact,
    InsulatingLength,
    RuleReference,
    RuleSilent,
    Value,
    What,
)

SIGNATURE = ("employer_basis", "employer_by")
LENGTHS: dict[What, str] = {what: f"{what}_insulating_m" for what in WHATS}

INPUTS: tuple[InputSpec, ...] = (
    InputSpec("employer_basis", "text", "the employer's document these figures come from"),
    InputSpec("employer_by", "text", "who answers for the employer's figures"),
    *(
        InputSpec(key, "number", f"the employer's clear insulating length of a {what} [m]", 0.0, 50.0)
        for what, key in LENGTHS.items()
    ),
)
"""What every rule takes that leaves figures to the employer."""

SUPPLY = "with the document it is from (employer_basis) and who answers for it (employer_by)"


def signed(case: Case, rule: str, keys: Iterable[str], known_m: float = 0.0) -> Fact | None:
    """The employer's word for those of some inputs that are given; None where none is.

    known_m: what the rule knows of the electrical part without them [m]
    Raises RuleSilent where they are given without their document or name.
    """
    given = [key for key in keys if key in case.inputs]
    if not given:
        return None
    missing = [key for key in SIGNATURE if not text(case, key)]
    if missing:
        raise RuleSilent(
            f"{rule}: {', '.join(given)} {'are' if len(given) > 1 else 'is'} the employer's, and counts only "
            f"{SUPPLY}: supply {' and '.join(missing)}",
            known_m,
        )
    return Fact(rule, "employer's figures", ", ".join(given), "signed", said(case))


def said(case: Case) -> str:
    """Whose the employer's figures are."""
    return f"{text(case, 'employer_basis')}, {text(case, 'employer_by')}"


def inputs_used(case: Case, keys: Iterable[str]) -> dict[str, Value]:
    """Those of some inputs that are given, with whose they are, as a limit shows them."""
    used = {key: case.inputs[key] for key in keys if key in case.inputs}
    return used | {key: text(case, key) for key in SIGNATURE} if used else {}


def larger(
    case: Case, rule: str, key: str, own_m: float | None, what: str, own: Fact | None
) -> tuple[float, Fact, str]:
    """A figure of the rule or of the employer, the larger [m]; the fact it stands on, and where it is from.

    own_m, own: the rule's figure and its fact, None where the rule has none
    Raises RuleSilent where neither has it, or the employer's is not signed.
    """
    fact = signed(case, rule, (key,), own_m or 0.0)
    if fact is None:
        if own_m is None or own is None:
            raise RuleSilent(f"{rule}: has no {what}: supply the employer's ({key}), {SUPPLY}")
        return own_m, own, ""
    given = number(case, key, 0.0)
    if own_m is None or own is None:
        return given, fact, f"employer, {key}: {said(case)}"
    if given < own_m:
        return own_m, own, f"the rule's own, larger than the {given:g} m of the employer ({key})"
    return given, fact, f"employer, {key}: {said(case)}; the rule's own {own_m:g} m is no larger"


def refuse_between_phases(case: Case, rule: str, what: What) -> None:
    """Raises RuleSilent where a length between phases is asked of figures that hold between a phase and earth."""
    if case.exposure == "phase-phase":
        raise RuleSilent(f"{rule}: has no insulating length of a {what} between phases, only to earth")


def length(case: Case, rule: str, reference: RuleReference, what: What, least_m: float = 0.0) -> InsulatingLength:
    """The employer's insulating length beside a rule that has none.

    least_m: what it cannot be below, for instance the electrical part to earth [m]
    Raises RuleSilent where none is supplied, RuleError where it is below that.
    """
    refuse_between_phases(case, rule, what)
    key = LENGTHS[what]
    required, fact, source = larger(case, rule, key, None, f"insulating length of a {what}", None)
    if required < least_m or required <= 0.0:
        raise RuleError(
            f"{rule}: {key} = {required:g} m is below {least_m:.3f} m, the electrical distance of one phase to earth: "
            "an insulating length cannot be smaller"
        )
    return InsulatingLength(
        what,
        required,
        reference,
        {"highest_kV": case.voltage.highest_kV, **inputs_used(case, (key,))},
        (case.voltage.basis, f"insulating length of a {what}: {required:g} m ({source})"),
        (f"Employer's figure from: {said(case)}.", "Metal parts, joints and wet or dirty parts do not count."),
        (fact,),
    )
