"""Owns the further inputs of a rule: which there are, and their check with the nearest spelling."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from clearance.errors import InputError, Mistake
from clearance.rules.records import Case, Value


@dataclass(frozen=True)
class InputSpec:
    """One input a rule takes.

    kind: "number" within low..high (both allowed), "text" (not empty), "flag" (true or false), or "word" (one of
    `words`)
    """

    key: str
    kind: Literal["number", "text", "flag", "word"]
    meaning: str
    low: float = -math.inf
    high: float = math.inf
    words: tuple[str, ...] = ()

    def expected(self) -> str:
        if self.kind == "number":
            if self.high == math.inf:
                return f"a number of at least {self.low:g} ({self.meaning})"
            return f"a number from {self.low:g} to {self.high:g} ({self.meaning})"
        if self.kind == "word":
            return f"one of {', '.join(self.words)} ({self.meaning})"
        return f"{'some text' if self.kind == 'text' else 'true or false'} ({self.meaning})"

    def accepts(self, value: object) -> bool:
        if self.kind == "number":
            is_number = isinstance(value, int | float) and not isinstance(value, bool)
            return is_number and math.isfinite(float(value)) and self.low <= float(value) <= self.high  # type: ignore[arg-type]
        if self.kind == "flag":
            return isinstance(value, bool)
        if self.kind == "word":
            return isinstance(value, str) and value in self.words
        return isinstance(value, str) and bool(value.strip())


MEASURES = ("reclosing-blocked", "portable-gap", "surge-arresters", "other")

COMMON: tuple[InputSpec, ...] = (
    InputSpec("per_unit_basis", "text", "who determined the overvoltage T, and how"),
    InputSpec("current", "word", "ac or dc", words=("ac", "dc")),
    InputSpec("transient_limit", "word", "the measure that limits the overvoltage", words=MEASURES),
    InputSpec(
        "portable_gap_sparkover_kV",
        "number",
        "statistical sparkover voltage of the portable protective gap, peak",
        low=0.0,
    ),
    InputSpec("portable_gap_deviation_kV", "number", "one standard deviation of that sparkover voltage, peak", low=0.0),
)
"""Inputs every rule takes."""

ALIASES = {"basis": "per_unit_basis"}


def checked_inputs(inputs: Mapping[str, object] | None, specs: Iterable[InputSpec], where: str) -> dict[str, Value]:
    """The inputs, every key known and every value of its kind; all mistakes together.

    Raises InputError.

    >>> checked_inputs({"basis": "network study 12"}, (), "osha-1910.269")
    {'per_unit_basis': 'network study 12'}
    """
    known = {spec.key: spec for spec in (*COMMON, *specs)}
    good: dict[str, Value] = {}
    mistakes: list[Mistake] = []
    for given, value in (inputs or {}).items():
        key = ALIASES.get(given, given)
        if key not in known:
            near = difflib.get_close_matches(key, known, 1, 0.5)
            remedy = f"did you mean '{near[0]}'?" if near else f"the inputs are {', '.join(sorted(known))}"
            mistakes.append(
                Mistake((where, "inputs", given), "an input of this rule", f"'{given}'", remedy.rstrip("?"))
            )
        elif key in good:
            mistakes.append(Mistake((where, "inputs", given), "each input once", f"'{key}' under two names"))
        elif not known[key].accepts(value):
            mistakes.append(Mistake((where, "inputs", given), known[key].expected(), repr(value)))
        else:
            spec = known[key]
            good[key] = float(value) if spec.kind == "number" else value  # type: ignore[arg-type, assignment]
    if mistakes:
        raise InputError(mistakes)
    return good


def number(case: Case, key: str, default: float) -> float:
    """An input that is a number, or its default."""
    value = case.inputs.get(key, default)
    return float(value)


def text(case: Case, key: str) -> str:
    """An input that is text, or nothing."""
    return str(case.inputs.get(key, "")).strip()
