"""Owns how one or several rules are asked.

Several rules together: each must be kept, so the limit is the largest limit and the electrical part the largest
electrical part. A rule of the list that has no value for a cell, or refuses, leaves it undecided: `RuleSilent` says
why, with what the others require and what it knows itself (EN 50110-1 knows the electrical part without the ergonomic
one; no cell needs less than the same gap with less in it), so that less than that is still a breach. Another may answer
for it: for Table R-7 the equation beside it, for a rule the company table that completes it, and the other way round.
If all refuse, the whole is refused; if all are silent, it is silent.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TypeVar

from clearance.errors import InputError, Mistake, RuleError
from clearance.rules import gb_26859
from clearance.rules.choose import RULES, Rule, RuleName, find_all
from clearance.rules.inputs import checked_inputs
from clearance.rules.records import (
    EXPOSURES,
    GAPS,
    WHATS,
    Case,
    Exposure,
    Fact,
    Gap,
    InsulatingLength,
    Limit,
    RuleReference,
    RuleSilent,
    SystemVoltage,
    Transfer,
    Value,
    What,
    one_of,
)

Asked = tuple[Rule, Callable[[], Case]]


def _asked(
    rules: tuple[Rule, ...],
    exposure: Exposure,
    gap: Gap,
    voltage_kV: float | None,
    highest_kV: float | None,
    per_unit_overvoltage: float | None,
    altitude_m: float,
    inputs: Mapping[str, object] | None,
) -> list[Asked]:
    """The question as each rule is asked it: its own highest voltage and its own inputs. A rule that has no class for
    the voltage refuses when its case is made."""
    one_of("exposure", exposure, EXPOSURES)
    one_of("gap", gap, GAPS)
    for key, number in (("altitude_m", altitude_m), ("per_unit_overvoltage", per_unit_overvoltage)):
        if number is not None and (isinstance(number, bool) or not isinstance(number, int | float) or number != number):
            raise InputError(Mistake(("required distance", key), "a number", repr(number)))
    specs = {spec.key: spec for rule in rules for spec in rule.inputs}
    checked = checked_inputs(inputs, specs.values(), " + ".join(rule.name for rule in rules))

    def case_of(rule: Rule) -> Case:
        own: dict[str, Value] = {
            key: value for key, value in checked.items() if key not in specs or key in {s.key for s in rule.inputs}
        }
        voltage = rule.system(voltage_kV, highest_kV)
        return Case(exposure, gap, voltage, per_unit_overvoltage, float(altitude_m), own)

    return [(rule, partial(case_of, rule)) for rule in rules]


Answer = TypeVar("Answer", Limit, InsulatingLength)


def _answers(
    asked: Sequence[Asked], answer: Callable[[Rule, Case], Answer]
) -> tuple[dict[str, Answer], list[tuple[Rule, RuleError]]]:
    """What each rule answers, by its name, and the rules that do not, with why.

    Raises RuleError where all refuse, RuleSilent where none answers and one is silent.
    """
    found: dict[str, Answer] = {}
    without: list[tuple[Rule, RuleError]] = []
    for rule, case in asked:
        try:
            found[rule.name] = answer(rule, case())
        except RuleError as error:
            without.append((rule, error))
    if not found:
        refusal = next((error for _, error in without if not isinstance(error, RuleSilent)), None)
        if refusal is not None:
            raise refusal
        silent = [error for _, error in without if isinstance(error, RuleSilent)]
        if len(silent) == 1:
            raise silent[0]
        raise RuleSilent(
            "no rule of the list has a value:\n" + "\n".join(f"- {error}" for error in silent),
            max(error.electrical_m for error in silent),
            max(error.limit_m for error in silent),
            counted=all(error.counted for error in silent),
        )
    return found, without


def _covered(rule: Rule, error: RuleError, rules: Sequence[Rule], answered: Collection[str]) -> bool:
    """Whether another rule of the list answers for one that does not: the equation beside Table R-7, the company table
    that completes a rule, or, for what such a table leaves out, the rules that it completes."""
    if any(rule.name in other.completes and other.name in answered for other in rules):
        return True
    if not isinstance(error, RuleSilent):
        return False
    if error.instead in answered or error.counted:
        return True
    return bool(rule.completes) and all(name in answered for name in rule.completes)


def _unanswered(
    rules: Sequence[Rule], answered: Collection[str], without: Sequence[tuple[Rule, RuleError]]
) -> list[RuleError]:
    """Why the rules do not answer that nothing answers for."""
    return [error for rule, error in without if not _covered(rule, error, rules, answered)]


def required(
    rule: RuleName | Sequence[RuleName],
    exposure: Exposure,
    *,
    gap: Gap = "tool",
    voltage_kV: float | None = None,
    highest_kV: float | None = None,
    per_unit_overvoltage: float | None = None,
    altitude_m: float = 0.0,
    inputs: Mapping[str, object] | None = None,
) -> Limit:
    """The required distance of one rule, or the most conservative of several.

    Parameters
    ----------
    rule: a name of `names()`, the path of a company table (*.toml), or a list of those
    exposure: "phase-earth" or "phase-phase"
    gap: what is in it: "air" only, an insulating "tool", or a conductive floating "object"
    voltage_kV: nominal voltage, phase to phase [kV]
    highest_kV: highest operating voltage, phase to phase [kV]; goes into the equations as given
    per_unit_overvoltage: T to earth [per unit]; the rule's assumption where it has one and this is None
    altitude_m: altitude of the work above sea level [m]
    inputs: the rule's further inputs by key; with a T also `per_unit_basis`, who determined it

    Raises InputError (bad arguments), RuleSilent (a rule has no value for this cell; with what the others require),
    RuleError (all rules refuse).

    >>> required("osha-1910.269", "phase-earth", gap="tool", voltage_kV=230).limit_m
    2.00...
    >>> required(["osha-1910.269-table", "gb-26859"], "phase-earth", voltage_kV=220).rule.clause
    '29 CFR 1910.269(l)(3)(iii), Table R-7'
    """
    rules = find_all(rule)
    asked = _asked(rules, exposure, gap, voltage_kV, highest_kV, per_unit_overvoltage, altitude_m, inputs)
    found, without = _answers(asked, lambda one, case: one.limit(case))
    limit = next(iter(found.values()))
    if len(rules) > 1:
        limit = _most_conservative(list(found.values()), without)
    missing = _unanswered(rules, found, without)
    if missing:
        raise RuleSilent(
            f"{_list(missing)}; by the other rules ({', '.join(found)}) and what this one knows at least "
            f"{limit.limit_m:.4f} m",
            limit.electrical_m,
            limit.limit_m,
            others=limit,
        )
    return limit


def _list(errors: Sequence[RuleError]) -> str:
    return "; ".join(str(error).rstrip(".") for error in errors)


def _most_conservative(found: Sequence[Limit], without: Sequence[tuple[Rule, RuleError]]) -> Limit:
    """The largest whole and the largest electrical part, which may come from two rules, and what a silent rule
    knows: then that is the rule it is from."""
    silent = [error for _, error in without if isinstance(error, RuleSilent)]
    whole = max(found, key=lambda limit: limit.limit_m)
    part = max(found, key=lambda limit: limit.electrical_m)
    # A silent rule that knows an electrical part only: the largest ergonomic part of the others is put on it.
    ergonomic = max(limit.ergonomic_m for limit in found)
    known_part = max((error.electrical_m for error in silent), default=0.0)
    knowing = [error for error in silent if error.electrical_m > 0.0]
    known_whole = max((error.limit_m or error.electrical_m + ergonomic for error in knowing), default=0.0)
    electrical = max(part.electrical_m, known_part)
    limit_m = max(whole.limit_m, electrical, known_whole)
    steps = [f"[{limit.rule.name}] {step}" for limit in found for step in limit.steps]
    each = ", ".join(f"{limit.limit_m:.4f} m ({limit.rule.name}, {limit.rule.clause})" for limit in found)
    steps.append(f"most conservative: {each}; the whole from {whole.rule.name}, {whole.rule.clause}")
    conditions = [*whole.conditions]
    if part.rule != whole.rule and part.electrical_m > whole.electrical_m:
        steps.append(
            f"electrical part {part.electrical_m:.4f} m from {part.rule.name}, {part.rule.clause}, the largest of the "
            "list"
        )
        conditions += part.conditions
    if limit_m > whole.limit_m or electrical > part.electrical_m:
        steps.append(
            f"a rule passed over still knows that the cell needs at least {known_whole:.4f} m, electrical part "
            f"{known_part:.4f} m: kept too, so the limit is {limit_m:.4f} m"
        )
    conditions += [f"No value for this cell: {error}" for _, error in without]
    rule, facts = whole.rule, tuple(dict.fromkeys(fact for limit in found for fact in limit.facts))
    if limit_m > whole.limit_m:
        least = max(without, key=lambda one: max(getattr(one[1], key, 0.0) for key in ("limit_m", "electrical_m")))
        rule = RuleReference(least[0].name, "", "the least that it knows of this cell")
        facts += (Fact(rule.name, rule.clause, f"{limit_m:.2f} m", "memory", "without the figure that it lacks"),)
    return replace(
        whole,
        rule=rule,
        limit_m=limit_m,
        electrical_m=electrical,
        ergonomic_m=limit_m - electrical,
        steps=tuple(steps),
        conditions=tuple(dict.fromkeys(conditions)),
        facts=facts,
        inputs={**whole.inputs, "rules": " + ".join(limit.rule.name for limit in found)},
    )


def insulating_length(
    rule: RuleName | Sequence[RuleName],
    *,
    what: What = "ladder",
    exposure: Exposure = "phase-earth",
    voltage_kV: float | None = None,
    highest_kV: float | None = None,
    per_unit_overvoltage: float | None = None,
    altitude_m: float = 0.0,
    inputs: Mapping[str, object] | None = None,
) -> InsulatingLength:
    """The clear insulating length a ladder, rope, rod or string must keep [m], between a phase and earth or between two
    phases; of several rules the longest.

    Arguments and errors as in `required`.

    >>> insulating_length("gb-26859", what="ladder", voltage_kV=220).required_m
    1.8
    >>> insulating_length("gb-26859", what="rod", voltage_kV=220).required_m
    2.1
    """
    one_of("what", what, WHATS)
    rules = find_all(rule)
    asked = _asked(rules, exposure, "tool", voltage_kV, highest_kV, per_unit_overvoltage, altitude_m, inputs)

    def length(one: Rule, case: Case) -> InsulatingLength:
        try:
            if one.insulating_length is None:
                raise RuleSilent(f"{one.name} gives no insulating length of a {what}: supply it by a company table")
            return one.insulating_length(case, what)
        except RuleSilent as error:
            if what == "string" and one.sound_insulators is not None and _counts(one, case.voltage):
                raise RuleSilent(str(error), counted=True) from error
            raise

    found, without = _answers(asked, length)
    longest = max(found.values(), key=lambda one: one.required_m)
    if without:
        notes = tuple(f"No value: {error}" for _, error in without)
        longest = replace(longest, conditions=longest.conditions + notes)
    missing = _unanswered(rules, found, without)
    if missing:
        raise RuleSilent(
            f"{_list(missing)}; by the other rules ({', '.join(found)}) at least {longest.required_m:.4f} m",
            longest.required_m,
            longest.required_m,
            others=longest,
        )
    return longest


def _counts(rule: Rule, voltage: SystemVoltage) -> bool:
    """Whether a rule has a least number of sound insulators at a voltage."""
    try:
        return rule.sound_insulators is not None and rule.sound_insulators(voltage)[0] > 0
    except RuleError:
        return False


def sound_insulators(
    rule: RuleName | Sequence[RuleName], voltage_kV: float | None = None, *, highest_kV: float | None = None
) -> int:
    """The least number of sound insulators in a string that is worked on; of several rules the largest.

    Raises RuleSilent where no rule has it.

    >>> sound_insulators("gb-26859", 220)
    9
    """
    counts: list[int] = []
    for one in find_all(rule):
        if one.sound_insulators is not None:
            try:
                counts.append(one.sound_insulators(one.system(voltage_kV, highest_kV))[0])
            except RuleSilent:
                continue
    if not counts:
        raise RuleSilent(f"{rule} gives no least number of sound insulators: the employer must supply it")
    return max(counts)


def assumed_overvoltage(rule: RuleName | Sequence[RuleName], highest_kV: float) -> tuple[float, RuleReference]:
    """T the rule assumes when none is given, and where it says so; of several rules the largest T.

    Raises RuleSilent where no rule assumes one, RuleError out of range.

    >>> assumed_overvoltage("osha-1910.269", 242.0)[0]
    3.5
    """
    found: list[tuple[float, RuleReference]] = []
    for one in find_all(rule):
        if one.assumed is not None:
            found.append(one.assumed(highest_kV))
    if not found:
        raise RuleSilent(f"{rule} assumes no overvoltage: give T and who determined it")
    return max(found, key=lambda pair: pair[0])


def transfer_distance(rule: RuleName | Sequence[RuleName], highest_kV: float) -> Transfer:
    """Least distance of a bare body from the live part at potential transfer; of several rules the largest.

    Where no rule asked has one, it is that of the Chinese rules, a figure of another family (`Transfer.own` is false).
    A company table's is held against that too.

    Raises RuleError where none is known: above 550 kV, without a company table's.

    >>> transfer_distance("gb-26859", 245.0).distance_m, transfer_distance("osha-1910.269", 420.0).own
    (0.3, False)
    """
    asked = find_all(rule)
    found: list[Transfer] = []
    refusal: RuleError | None = None
    for one in asked if any(one.name == gb_26859.NAME for one in asked) else (*asked, RULES[gb_26859.NAME]):
        if one.transfer is None:
            continue
        try:
            distance = one.transfer(highest_kV)
        except RuleError as error:
            refusal = error
            continue
        if distance is not None:
            found.append(replace(distance, own=one in asked))
    if not found:
        assert refusal is not None
        raise refusal
    return max(found, key=lambda transfer: (transfer.distance_m, transfer.own))
