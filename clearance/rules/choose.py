"""Owns which rules there are, and how one or several of them are named; `asking` asks them."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from clearance.errors import InputError, Mistake
from clearance.rules import company, en_50110, gb_26859, iec_61472, osha_equation, osha_tables
from clearance.rules.company_table import CompanyTable, read_table
from clearance.rules.inputs import InputSpec
from clearance.rules.records import (
    Case,
    Fact,
    InsulatingLength,
    Limit,
    RuleReference,
    SystemVoltage,
    Transfer,
    What,
)
from clearance.rules.voltage import FACTS as VOLTAGE_FACTS
from clearance.rules.voltage import Practice, system_voltage

RuleName = str | Path


@dataclass(frozen=True)
class Rule:
    """One rule as functions; None where the rule has no such thing.

    completes: the rules that a company table completes
    """

    name: str
    title: str
    system: Callable[[float | None, float | None], SystemVoltage]
    inputs: tuple[InputSpec, ...]
    facts: tuple[Fact, ...]
    limit: Callable[[Case], Limit]
    insulating_length: Callable[[Case, What], InsulatingLength] | None = None
    sound_insulators: Callable[[SystemVoltage], tuple[int, RuleReference]] | None = None
    assumed: Callable[[float], tuple[float, RuleReference]] | None = None
    transfer: Callable[[float], Transfer | None] | None = None
    completes: tuple[str, ...] = ()


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
        iec_61472.insulating_length,
    ),
    en_50110.NAME: Rule(
        en_50110.NAME,
        "EN 50110-1 Table A.1",
        _system("IEC"),
        en_50110.INPUTS,
        en_50110.FACTS,
        en_50110.limit,
        en_50110.insulating_length,
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
        None,
        gb_26859.transfer,
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
        _check_completes(table)
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
            partial(company.transfer, table),
            table.completes,
        )
    if not isinstance(rule, str) or rule not in RULES:
        near = difflib.get_close_matches(str(rule), RULES, 1, 0.4)
        remedy = f"did you mean '{near[0]}'" if near else "name one of these"
        raise InputError(
            Mistake(("rule",), f"one of {', '.join(RULES)}, or the path of a table (*.toml)", repr(rule), remedy)
        )
    return RULES[rule]


def _check_completes(table: CompanyTable) -> None:
    """Refuse a table that completes a rule that is none."""
    for name in table.completes:
        if name not in RULES:
            near = difflib.get_close_matches(name, RULES, 1, 0.4)
            raise InputError(
                Mistake(
                    (table.path, "completes"),
                    f"rules of {', '.join(RULES)}",
                    repr(name),
                    f"did you mean '{near[0]}'" if near else "name one of these, or none: completes = []",
                )
            )


def find_all(rule: RuleName | Sequence[RuleName]) -> tuple[Rule, ...]:
    """One or several rules, at least one, each once; with a company table the rules that it completes."""
    wanted = [rule] if isinstance(rule, str | Path) else list(rule)
    if not wanted:
        raise InputError(
            Mistake(("rule",), "at least one rule", "an empty list", f"the built-in rules are {', '.join(RULES)}")
        )
    named = [find(one) for one in dict.fromkeys(wanted)]
    beside = dict.fromkeys(name for one in named for name in one.completes)
    return (*named, *(RULES[name] for name in beside if name not in {one.name for one in named}))
