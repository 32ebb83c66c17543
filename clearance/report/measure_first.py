"""Owns how it is told what to measure first: the inputs by what a step of each takes from a margin, the largest first.

An input that several gaps hang on has one row: that of the gap which a step would leave with the least. Changes are
rounded up and margins down, the careful side of both. Nothing is decided here.
"""

from __future__ import annotations

from dataclasses import dataclass

from clearance.report.findings import KINDS, leading, pair
from clearance.report.numbers import down, up
from clearance.result import Governing, Influence, Result
from clearance.scene.units import unit_of

LEAST_M = 0.001
"""[m] What takes less a step is not shown; the JSON has all."""

MOST = 20
"""Rows that are shown."""

HOW_TO_READ = (
    "What one step of each surveyed or assumed number, the worse way and all else as it is, takes from the margin of a "
    "gap that governs, at the pose where that is least; the largest first. Measure these first. The order is reckoned, "
    "not proved: no range was swept for it."
)

PLACES = 3
"""Decimals of a metre: a step of a centimetre often takes less than one."""


NAMES = {"highest_kV": "highest voltage", "overvoltage_per_unit": "overvoltage"}
"""Keys that say what they are only beside their unit."""


@dataclass(frozen=True)
class Row:
    """One input: what it is, its value, the step the worse way, what that takes from the margin [m], the margin [m],
    and of which gap."""

    what: str
    value: str
    step: str
    takes: str
    margin: str
    gap: str


def rows(result: Result) -> list[Row]:
    """The inputs that take most, the largest first; empty where nobody asked."""
    worst: dict[tuple[str, ...], tuple[Governing, Influence, float]] = {}
    for one in result.measure_first or ():
        for influence in one.influences:
            change = influence.margin_change_m
            if change is None or change > -LEAST_M:
                continue
            # A tolerance that all stages have is one thing to look at.
            of_stage = influence.entry in (f"stage '{one.stage}'", "stage")
            key = ("stages" if of_stage else influence.entry, influence.field, influence.part)
            if key not in worst or one.margin_m + change < worst[key][0].margin_m + worst[key][2]:
                worst[key] = one, influence, change
    ordered = sorted(worst.values(), key=lambda item: item[2])
    return [_row(*item) for item in ordered[:MOST]]


def _row(one: Governing, influence: Influence, change_m: float) -> Row:
    return Row(
        f"{influence.entry}: {words(influence)}",
        "" if influence.value is None else f"{influence.value:.6g} {influence.unit}".rstrip(),
        f"{influence.per} {influence.to}",
        up(-change_m, PLACES),
        down(one.margin_m),
        f"{pair(one.between)}, {KINDS[one.kind]}, {one.check}, in “{one.stage}”",
    )


def words(influence: Influence) -> str:
    """The key of an input in words, without its unit.

    >>> words(Influence("wire 'bus'", "to_string.length_m", "", 3.3, "m", "1 cm", "more", -0.01, 0.0))
    'to string length'
    >>> words(Influence("wire 'bus'", "to_m", "z", 3.3, "m", "1 cm", "less", -0.01, 0.0))
    'to, z'
    """
    parts = []
    for key in influence.field.split("."):
        unit = unit_of(key)
        parts.append(NAMES.get(key, key[: -len(unit) - 1] if unit else key).replace("_", " "))
    return " ".join(parts) + (f", {influence.part}" if influence.part else "")


def not_asked(result: Result) -> list[str]:
    """What governs a stage and is no gap; what could not be changed, and gaps of which nothing could be asked: each in
    a line, with why."""
    told: dict[str, None] = {}
    other: dict[str, list[str]] = {}
    for stage in result.stages if result.measure_first is not None else ():
        least = leading(stage)
        if least is not None and least.gap is None:
            margin = f", margin {down(least.margin_m)} m" if least.margin_m is not None else ""
            other.setdefault(f"{least.what}{margin}", []).append(f"“{stage.name}”")
    for what, stages in other.items():
        told[f"{what}, which is least in {', '.join(stages)}: lengths and approaches are not asked, only gaps"] = None
    for one in result.measure_first or ():
        if one.why:
            told[f"{pair(one.between)}, {KINDS[one.kind]}, in “{one.stage}”: {one.why}"] = None
        for influence in one.influences:
            if influence.margin_change_m is None:
                told[f"{influence.entry}: {words(influence)}: {influence.refused}"] = None
    return list(told)
