"""Owns the nouns of the rules room: what is asked of a rule and what it answers.

A rule is asked a `Case` and answers a `Limit` (a required distance) or an `InsulatingLength`, or it raises:
`RuleError` when it refuses (out of its range, between its conditions, "avoid contact"), `RuleSilent` when it has no
value for that cell and the employer or another rule must supply one. Every figure a rule uses is a `Fact` that says
whether its text was read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from clearance.errors import InputError, Mistake, RuleError

Exposure = Literal["phase-earth", "phase-phase"]
Gap = Literal["air", "tool", "object"]
What = Literal["ladder", "rope", "rod", "string"]
Value = float | int | str | bool
Grade = Literal["memory", "memory, cross-checked", "second-hand", "signed", "computed", "read"]
"""How a figure is known, the least first: from memory; from memory but checked by numbers; second-hand, from another
party's copy of the text, or its word that it looked it up; signed by the employer; computed from stated inputs; read in
a copy of its source."""
CONFIRMED: tuple[Grade, ...] = ("signed", "computed", "read")

EXPOSURES: tuple[Exposure, ...] = ("phase-earth", "phase-phase")
GAPS: tuple[Gap, ...] = ("air", "tool", "object")
LESSER: dict[Gap, tuple[Gap, ...]] = {"air": (), "tool": ("air",), "object": ("air", "tool")}
"""The gaps with less in them: a gap cannot need less than they do."""
WHATS: tuple[What, ...] = ("ladder", "rope", "rod", "string")


class RuleSilent(RuleError):
    """The rule, or one of several, has no value for this cell: the employer, an input or another rule must supply it.

    What is known of the cell all the same is kept: it cannot need less than that, so less is a breach, and more is
    undecided.

    electrical_m: the least the electrical part can be [m], 0 when unknown
    limit_m: the least the whole can be [m], 0 when unknown (then the electrical part with the others' ergonomic part)
    instead: the rule beside it that covers the cell for this one
    others: what the other rules of the list require, where they do
    counted: a string of insulators has no length by these rules because they count its sound insulators
    """

    missing = True

    def __init__(
        self,
        message: str,
        electrical_m: float = 0.0,
        limit_m: float = 0.0,
        instead: str = "",
        others: Limit | InsulatingLength | None = None,
        counted: bool = False,
    ) -> None:
        super().__init__(message)
        self.electrical_m = electrical_m
        self.limit_m = limit_m
        self.instead = instead
        self.others = others
        self.counted = counted


def is_missing(error: RuleError) -> bool:
    """Whether a refusal means "the rule is silent, supply it" rather than "out of range"."""
    return bool(getattr(error, "missing", False))


@dataclass(frozen=True)
class RuleReference:
    """Where a number comes from."""

    name: str
    edition: str
    clause: str

    def __str__(self) -> str:
        return f"{self.name}, {self.edition}, {self.clause}"


@dataclass(frozen=True)
class Fact:
    """One figure or table of a rule, with how it is known.

    of_voltage: it says which voltage a system is taken at, no distance: it is told apart, whatever the grade of those
    """

    rule: str
    clause: str
    what: str
    grade: Grade
    source: str
    of_voltage: bool = False

    @property
    def confirmed(self) -> bool:
        """Whether somebody read it, reckoned it or signed for it; what is second-hand waits to be read like memory."""
        return self.grade in CONFIRMED

    def __str__(self) -> str:
        return f"{self.rule}, {self.clause}: {self.what} ({self.grade}; {self.source})"


def unconfirmed(facts: Iterable[Fact]) -> tuple[str, ...]:
    """The facts that nobody read, as lines, each once and with its grade."""
    return tuple(dict.fromkeys(str(fact) for fact in facts if not fact.confirmed))


def least_known(facts: Iterable[Fact]) -> Grade:
    """The grade of a figure that stands on several facts: that of the least known; of none, memory."""
    grades = get_args(Grade)
    return min((fact.grade for fact in facts if not fact.of_voltage), key=grades.index, default="memory")


@dataclass(frozen=True)
class SystemVoltage:
    """A system's voltage, phase to phase [kV].

    nominal_kV: as the system is named, or None
    highest_kV: the highest operating voltage, which the equations take
    basis: how the highest was found
    """

    nominal_kV: float | None
    highest_kV: float
    basis: str


@dataclass(frozen=True)
class Case:
    """What a rule is asked."""

    exposure: Exposure
    gap: Gap
    voltage: SystemVoltage
    per_unit_overvoltage: float | None
    altitude_m: float
    inputs: Mapping[str, Value]


class OfFigures:
    """What stands on figures: how well these are known."""

    facts: tuple[Fact, ...]

    @property
    def unconfirmed(self) -> tuple[str, ...]:
        """What in it nobody read, as lines with their grade."""
        return unconfirmed(self.facts)

    @property
    def grade(self) -> Grade:
        """How well it is known: as well as the least known of its figures."""
        return least_known(self.facts)


@dataclass(frozen=True)
class Limit(OfFigures):
    """A required distance, unrounded.

    limit_m: the whole distance [m], electrical and ergonomic part
    electrical_m, ergonomic_m: its parts [m]
    inputs: every number used, under a key that carries its unit
    steps: the calculation, with the rule's own equation numbers
    conditions: what must hold for it to be used
    facts: the figures it stands on
    """

    exposure: Exposure
    gap: Gap
    limit_m: float
    electrical_m: float
    ergonomic_m: float
    rule: RuleReference
    inputs: dict[str, Value]
    steps: tuple[str, ...]
    conditions: tuple[str, ...]
    facts: tuple[Fact, ...]

    def __post_init__(self) -> None:
        if not self.limit_m >= self.electrical_m > 0.0 or self.limit_m == float("inf"):
            raise RuleError(
                f"{self.rule}: the limit {self.limit_m} m and its electrical part {self.electrical_m} m do not fit "
                "together: "
                "expected a finite limit of at least its electrical part, and that above 0 m"
            )


@dataclass(frozen=True)
class InsulatingLength(OfFigures):
    """A required clear insulating length of a ladder, rope, rod or string, unrounded [m], metal parts deducted."""

    what: What
    required_m: float
    rule: RuleReference
    inputs: dict[str, Value]
    steps: tuple[str, ...]
    conditions: tuple[str, ...]
    facts: tuple[Fact, ...]

    def __post_init__(self) -> None:
        if not 0.0 < self.required_m < float("inf"):
            raise RuleError(f"{self.rule}: an insulating length of {self.required_m} m is none: expected more than 0 m")


@dataclass(frozen=True)
class Transfer(OfFigures):
    """The least distance of a bare body from the live part at potential transfer [m].

    own: whether it is of a rule that was asked; else it is of another family of rules, a figure beside theirs
    """

    distance_m: float
    rule: RuleReference
    facts: tuple[Fact, ...]
    own: bool = True

    def __str__(self) -> str:
        beside = "" if self.own else ", not of a rule that was asked"
        return f"{self.facts[0]}{beside}"


def one_of(name: str, value: object, allowed: tuple[str, ...]) -> None:
    """Refuse a word that is not one of those allowed."""
    if value not in allowed:
        raise InputError(Mistake(("required distance", name), "one of " + ", ".join(allowed), repr(value)))
