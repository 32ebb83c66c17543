"""Owns which rules there are, and how one or several of them are asked.

Several rules together: each must be kept, so the limit is the largest limit and the electrical part the largest
electrical part. A rule that is silent on a cell is passed over with a note, but what it does know of it is still kept
(EN 50110-1 knows the electrical part without the ergonomic one; no cell needs less than the same gap with less in it).
A rule that would cover the cell if given what it needs (an input; for Table R-7 the equation beside it) leaves it
undecided until it gets that. A
rule that refuses refuses for all; if all are silent, the whole is silent.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from clearance.errors import InputError, Mistake, RuleError
from clearance.rules import company, en_50110, gb_26859, iec_61472, osha_equation, osha_tables
from clearance.rules.company_table import read_table
from clearance.rules.inputs import InputSpec, checked_inputs
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
    Value,
    What,
    one_of,
)
from clearance.rules.voltage import FACTS as VOLTAGE_FACTS
from clearance.rules.voltage import Practice, system_voltage

RuleName = str | Path


@dataclass(frozen=True)
class Rule:
    """One rule as functions; None where the rule has no such thing."""

    name: str
    title: str
    system: Callable[[float | None, float | None], SystemVoltage]
    inputs: tuple[InputSpec, ...]
    facts: tuple[Fact, ...]
    limit: Callable[[Case], Limit]
    insulating_length: Callable[[Case, What], InsulatingLength] | None = None
    sound_insulators: Callable[[SystemVoltage], tuple[int, RuleReference]] | None = None
    assumed: Callable[[float], tuple[float, RuleReference]] | None = None


def _system(practice: Practice) -> Callable[[float | None, float | None], SystemVoltage]:
    return lambda voltage_kV, highest_kV: system_voltage(voltage_kV, highest_kV, practice)


RULES: dict[str, Rule] = {
    osha_equation.NAME: Rule(
        osha_equation.NAME,
        "29 CFR 1910.269(l)(3), equation of Table R-3 (29 CFR 1926 Table V-2)",
        _system("US"),
        osha_equation.INPUTS,
        (*osha_equation.FACTS, osha_tables.FACT_R4, osha_tables.FACT_R5, osha_tables.FACT_TOOL),
        osha_equation.limit,
        osha_equation.insulating_length,
        None,
        osha_equation.assumed,
    ),
    osha_tables.NAME: Rule(
        osha_tables.NAME,
        "29 CFR 1910.269(l)(3), alternative distances of Tables R-6 and R-7",
        _system("US"),
        osha_tables.INPUTS,
        osha_tables.FACTS,
        osha_tables.limit,
        osha_tables.insulating_length,
        None,
        osha_equation.assumed,
    ),
    iec_61472.NAME: Rule(
        iec_61472.NAME,
        "IEC 61472, form of the 1998 and 2004 editions",
        _system("IEC"),
        iec_61472.INPUTS,
        iec_61472.FACTS,
        iec_61472.limit,
    ),
    en_50110.NAME: Rule(
        en_50110.NAME,
        "EN 50110-1 Table A.1",
        _system("IEC"),
        en_50110.INPUTS,
        en_50110.FACTS,
        en_50110.limit,
    ),
    gb_26859.NAME: Rule(
        gb_26859.NAME,
        "Chinese live-working rules, DL 409 and GB 26859 family",
        gb_26859.system,
        gb_26859.INPUTS,
        gb_26859.FACTS,
        gb_26859.limit,
        gb_26859.insulating_length,
        gb_26859.sound_insulators,
    ),
}


def names() -> tuple[str, ...]:
    """The names of the built-in rules.

    >>> names()
    ('osha-1910.269', 'osha-1910.269-table', 'iec-61472', 'en-50110-1', 'gb-26859')
    """
    return tuple(RULES)


def facts() -> tuple[Fact, ...]:
    """Every figure the built-in rules stand on, with how it is known."""
    return tuple(dict.fromkeys([*(fact for rule in RULES.values() for fact in rule.facts), *VOLTAGE_FACTS.values()]))


def find(rule: RuleName) -> Rule:
    """A rule by name, or a company table by path (a name that ends in .toml).

    Raises InputError for an unknown name, with the nearest spelling, and for a table that cannot be read.
    """
    if isinstance(rule, Path) or (isinstance(rule, str) and rule.endswith(".toml")):
        table = read_table(Path(rule))
        assumed = partial(company.assumed, table)
        return Rule(
            str(rule),
            f"{table.name}, {table.edition}",
            partial(company.system, table),
            (),
            (),
            partial(company.limit, table),
            partial(company.insulating_length, table),
            partial(company.sound_insulators, table),
            assumed,
        )
    if not isinstance(rule, str) or rule not in RULES:
        near = difflib.get_close_matches(str(rule), RULES, 1, 0.4)
        remedy = f"did you mean '{near[0]}'" if near else "name one of these"
        raise InputError(
            Mistake(("rule",), f"one of {', '.join(RULES)}, or the path of a table (*.toml)", repr(rule), remedy)
        )
    return RULES[rule]


def find_all(rule: RuleName | Sequence[RuleName]) -> tuple[Rule, ...]:
    """One or several rules, at least one, each once."""
    wanted = [rule] if isinstance(rule, str | Path) else list(rule)
    if not wanted:
        raise InputError(
            Mistake(("rule",), "at least one rule", "an empty list", f"the built-in rules are {', '.join(RULES)}")
        )
    return tuple(find(one) for one in dict.fromkeys(wanted))


def _cases(
    rules: tuple[Rule, ...],
    exposure: Exposure,
    gap: Gap,
    voltage_kV: float | None,
    highest_kV: float | None,
    per_unit_overvoltage: float | None,
    altitude_m: float,
    inputs: Mapping[str, object] | None,
) -> list[Case]:
    """The question as each rule is asked it: its own highest voltage and its own inputs."""
    one_of("exposure", exposure, EXPOSURES)
    one_of("gap", gap, GAPS)
    for key, number in (("altitude_m", altitude_m), ("per_unit_overvoltage", per_unit_overvoltage)):
        if number is not None and (isinstance(number, bool) or not isinstance(number, int | float) or number != number):
            raise InputError(Mistake(("required distance", key), "a number", repr(number)))
    specs = {spec.key: spec for rule in rules for spec in rule.inputs}
    checked = checked_inputs(inputs, specs.values(), " + ".join(rule.name for rule in rules))
    cases = []
    for rule in rules:
        own: dict[str, Value] = {
            key: value for key, value in checked.items() if key not in specs or key in {s.key for s in rule.inputs}
        }
        cases.append(
            Case(exposure, gap, rule.system(voltage_kV, highest_kV), per_unit_overvoltage, float(altitude_m), own)
        )
    return cases


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

    Raises InputError (bad arguments), RuleSilent (no rule has a value for this cell), RuleError (a rule refuses).

    >>> required("osha-1910.269", "phase-earth", gap="tool", voltage_kV=230).limit_m
    2.00...
    >>> required(["osha-1910.269-table", "gb-26859"], "phase-earth", voltage_kV=220).rule.clause
    '29 CFR 1910.269(l)(3)(iii), Table R-7'
    """
    rules = find_all(rule)
    cases = _cases(rules, exposure, gap, voltage_kV, highest_kV, per_unit_overvoltage, altitude_m, inputs)
    found: list[Limit] = []
    silent: list[RuleSilent] = []
    for one, case in zip(rules, cases, strict=True):
        try:
            found.append(one.limit(case))
        except RuleSilent as error:
            silent.append(error)
    named = {one.name for one in rules}
    for quiet in silent:
        if quiet.needs and quiet.needs not in named:
            raise quiet  # the rule would cover the cell, given what it needs: nobody else's value may stand in for it
    if not found:
        if len(silent) == 1:
            raise silent[0]
        raise RuleSilent("no rule of the list has a value:\n" + "\n".join(f"- {error}" for error in silent))
    return found[0] if len(rules) == 1 else _most_conservative(found, silent)


def _most_conservative(found: Sequence[Limit], silent: Sequence[RuleSilent]) -> Limit:
    """The largest whole and the largest electrical part, which may come from two rules, and what a silent rule
    knows."""
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
    conditions += [f"Passed over, no value for this cell: {error}" for error in silent]
    return replace(
        whole,
        limit_m=limit_m,
        electrical_m=electrical,
        ergonomic_m=limit_m - electrical,
        steps=tuple(steps),
        conditions=tuple(dict.fromkeys(conditions)),
        unconfirmed=tuple(dict.fromkeys(line for limit in found for line in limit.unconfirmed)),
        inputs={**whole.inputs, "rules": " + ".join(limit.rule.name for limit in found)},
    )


def insulating_length(
    rule: RuleName | Sequence[RuleName],
    *,
    what: What = "ladder",
    voltage_kV: float | None = None,
    highest_kV: float | None = None,
    per_unit_overvoltage: float | None = None,
    altitude_m: float = 0.0,
    inputs: Mapping[str, object] | None = None,
) -> InsulatingLength:
    """The clear insulating length a ladder, rope, rod or string must keep [m]; of several rules the longest.

    Arguments and errors as in `required`.

    >>> insulating_length("gb-26859", what="ladder", voltage_kV=220).required_m
    1.8
    >>> insulating_length("gb-26859", what="rod", voltage_kV=220).required_m
    2.1
    """
    one_of("what", what, WHATS)
    rules = find_all(rule)
    cases = _cases(rules, "phase-earth", "tool", voltage_kV, highest_kV, per_unit_overvoltage, altitude_m, inputs)
    found: list[InsulatingLength] = []
    silent: list[RuleSilent] = []
    for one, case in zip(rules, cases, strict=True):
        try:
            if one.insulating_length is None:
                raise RuleSilent(
                    f"{one.name} gives no insulating length of a {what}: supply it by a company table or another rule"
                )
            found.append(one.insulating_length(case, what))
        except RuleSilent as error:
            silent.append(error)
    if not found:
        raise silent[0] if len(silent) == 1 else RuleSilent("\n".join(f"- {error}" for error in silent))
    longest = max(found, key=lambda length: length.required_m)
    notes = tuple(f"Passed over, no value: {error}" for error in silent)
    return replace(longest, conditions=longest.conditions + notes) if notes else longest


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


def transfer_distance(highest_kV: float) -> tuple[float, str]:
    """Least distance of a bare body from the live part at potential transfer [m], with the note on its source.

    Raises RuleError above the 500 kV class (550 kV).

    >>> transfer_distance(245.0)[0], transfer_distance(420.0)[0]
    (0.3, 0.4)
    """
    if not 0.0 < highest_kV <= gb_26859.TRANSFER[-1][0]:
        raise RuleError(
            f"no transfer distance is known for {highest_kV:g} kV: the figures end at the 500 kV class; the employer "
            "must supply it"
        )
    return next(distance for top, distance in gb_26859.TRANSFER if highest_kV <= top), str(gb_26859.FACT_TRANSFER)
