"""Owns the sheet of a job: all its required distances at once, what has no value and why, and how limits vary.

The command line prints a sheet, the placard shows one; neither computes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from clearance.errors import RuleError
from clearance.rules.asking import insulating_length, required, sound_insulators, transfer_distance
from clearance.rules.choose import RuleName, find_all
from clearance.rules.jurisdiction import JurisdictionNote, notes
from clearance.rules.records import (
    EXPOSURES,
    GAPS,
    WHATS,
    Exposure,
    Gap,
    InsulatingLength,
    Limit,
    SystemVoltage,
    Transfer,
    What,
    is_missing,
    unconfirmed,
)

WORDS: dict[str, str] = {
    "phase-earth": "phase to earth",
    "phase-phase": "phase to phase",
    "air": "air only",
    "tool": "insulating tool in the gap",
    "object": "conductive object in the gap",
}
"""How exposures and gaps are named to people."""

Over = Literal["per_unit_overvoltage", "highest_kV", "altitude_m"]


@dataclass(frozen=True)
class Undecided:
    """A cell that not every rule has a value for.

    refused: True when all rules refuse (out of range), False when one is silent and someone must supply the value
    others: what the other rules of the list require, None where none has a value
    """

    exposure: Exposure
    gap: Gap
    reason: str
    refused: bool
    others: Limit | None = None


@dataclass(frozen=True)
class Question:
    """What a sheet is for; the arguments of `required`."""

    rules: tuple[RuleName, ...]
    voltage_kV: float | None = None
    highest_kV: float | None = None
    per_unit_overvoltage: float | None = None
    altitude_m: float = 0.0
    inputs: tuple[tuple[str, object], ...] = ()


@dataclass(frozen=True)
class Sheet:
    """All distances of a job.

    systems: per rule its name, title and the voltage it takes
    limits: of the cells for which every rule has a value; undecided: the other cells
    no_length: what not every rule has an insulating length for, with the reason and what the others require
    sound: least number of sound insulators, or None where no rule has it
    transfer: least distance of a bare body at potential transfer, or None
    """

    question: Question
    systems: tuple[tuple[str, str, SystemVoltage], ...]
    limits: tuple[Limit, ...]
    undecided: tuple[Undecided, ...]
    lengths: tuple[InsulatingLength, ...]
    no_length: tuple[tuple[What, str, InsulatingLength | None], ...]
    sound: int | None
    transfer: Transfer | None
    notes: tuple[JurisdictionNote, ...]

    def limit(self, exposure: Exposure, gap: Gap) -> Limit | None:
        """The limit of a cell, or None."""
        return next((limit for limit in self.limits if (limit.exposure, limit.gap) == (exposure, gap)), None)

    @property
    def all_refused(self) -> bool:
        """Whether nothing came out and at least one rule refused: the question itself is at fault."""
        return not self.shown and any(cell.refused for cell in self.undecided)

    @property
    def unconfirmed(self) -> tuple[str, ...]:
        """What on this sheet nobody read, each once with its grade."""
        lines = [line for limit in self.shown for line in limit.unconfirmed]
        lines += [line for length in self.lengths for line in length.unconfirmed]
        lines += [str(self.transfer)] if self.transfer and unconfirmed(self.transfer.facts) else []
        return tuple(dict.fromkeys(lines))

    @property
    def shown(self) -> tuple[Limit, ...]:
        """The limits, and what the other rules require of the cells that are undecided."""
        return (*self.limits, *(cell.others for cell in self.undecided if cell.others is not None))

    @property
    def conditions(self) -> tuple[str, ...]:
        """What must hold for the limits, each once; with the cells it is for, unless it is for all of them."""
        lines = dict.fromkeys(line for limit in self.shown for line in limit.conditions)
        held = [(line, [limit for limit in self.shown if line in limit.conditions]) for line in lines]
        return tuple(
            line if len(limits) == len(self.shown) else f"{cells_in_words(limits)}: {line}" for line, limits in held
        )


def cells_in_words(cells: Iterable[Limit | Undecided]) -> str:
    """Exposures and what is in their gaps.

    >>> cells_in_words([Undecided("phase-phase", "tool", "", False), Undecided("phase-phase", "object", "", False)])
    'phase to phase (tool, object)'
    """
    by_exposure: dict[str, list[str]] = {}
    for cell in cells:
        by_exposure.setdefault(WORDS[cell.exposure], []).append(cell.gap)
    return "; ".join(f"{exposure} ({', '.join(gaps)})" for exposure, gaps in by_exposure.items())


def sheet(question: Question) -> Sheet:
    """Every distance the rules give for one question; refusals become `Undecided`.

    Raises InputError for a bad question.
    """
    rules = find_all(question.rules)
    systems: list[tuple[str, str, SystemVoltage]] = []
    for rule in rules:
        try:
            systems.append((rule.name, rule.title, rule.system(question.voltage_kV, question.highest_kV)))
        except RuleError:
            continue  # its cells say why
    limits: list[Limit] = []
    undecided: list[Undecided] = []
    for exposure in EXPOSURES:
        for gap in GAPS:
            try:
                limits.append(_ask(question, exposure, gap))
            except RuleError as error:
                others = getattr(error, "others", None)
                undecided.append(Undecided(exposure, gap, str(error), not is_missing(error), others))
    lengths: list[InsulatingLength] = []
    no_length: list[tuple[What, str, InsulatingLength | None]] = []
    for what in WHATS:
        try:
            lengths.append(
                insulating_length(
                    question.rules,
                    what=what,
                    voltage_kV=question.voltage_kV,
                    highest_kV=question.highest_kV,
                    per_unit_overvoltage=question.per_unit_overvoltage,
                    altitude_m=question.altitude_m,
                    inputs=dict(question.inputs),
                )
            )
        except RuleError as error:
            no_length.append((what, str(error), getattr(error, "others", None)))
    return Sheet(
        question,
        tuple(systems),
        tuple(limits),
        tuple(undecided),
        tuple(lengths),
        tuple(no_length),
        _sound(question),
        _transfer(question, systems),
        notes(rule.name for rule in rules),
    )


def _ask(question: Question, exposure: Exposure, gap: Gap) -> Limit:
    """`required` for a question."""
    return required(
        question.rules,
        exposure,
        gap=gap,
        voltage_kV=question.voltage_kV,
        highest_kV=question.highest_kV,
        per_unit_overvoltage=question.per_unit_overvoltage,
        altitude_m=question.altitude_m,
        inputs=dict(question.inputs),
    )


def _sound(question: Question) -> int | None:
    try:
        return sound_insulators(question.rules, question.voltage_kV, highest_kV=question.highest_kV)
    except RuleError:
        return None


def _transfer(question: Question, systems: Sequence[tuple[str, str, SystemVoltage]]) -> Transfer | None:
    """The transfer distance at the largest highest voltage any rule takes."""
    try:
        return transfer_distance(question.rules, max((voltage.highest_kV for _, _, voltage in systems), default=0.0))
    except RuleError:
        return None


def curve(
    question: Question, exposure: Exposure, gap: Gap, over: Over, values: Iterable[float]
) -> tuple[tuple[float, float | None], ...]:
    """The limit [m] at each value of one quantity, None where a rule refuses or is silent.

    >>> question = Question(("osha-1910.269",), highest_kV=242.0)
    >>> points = curve(question, "phase-earth", "tool", "altitude_m", (0.0, 7000.0))
    >>> [(x, y and round(y, 2)) for x, y in points]
    [(0.0, 2.01), (7000.0, None)]
    """
    inputs = dict(question.inputs)
    if over == "per_unit_overvoltage":
        inputs.setdefault("per_unit_basis", "curve over T")
    asked = replace(question, inputs=tuple(inputs.items()))
    points: list[tuple[float, float | None]] = []
    for value in values:
        match over:
            case "per_unit_overvoltage":
                asked = replace(asked, per_unit_overvoltage=value)
            case "highest_kV":
                asked = replace(asked, voltage_kV=None, highest_kV=value)
            case "altitude_m":
                asked = replace(asked, altitude_m=value)
        try:
            points.append((value, _ask(asked, exposure, gap).limit_m))
        except RuleError:
            points.append((value, None))
    return tuple(points)
