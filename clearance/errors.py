"""Owns what goes wrong: one base error and its few kinds.

Every message names where (file, entry, field), what was expected, what was found and what to do. The command line
catches only `ClearanceError`: it prints the message and exits with 2. Anything else is a defect and shows its
traceback.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Mistake:
    """One thing wrong with the input.

    `where` reads from the outside in, for instance ``("bay.toml", "wire 'bus A'", "tension_kN")``.
    """

    where: tuple[str, ...]
    expected: str
    found: str
    remedy: str = ""

    def __str__(self) -> str:
        place = ": ".join(self.where)
        end = f". {self.remedy[0].upper()}{self.remedy[1:]}." if self.remedy else "."
        return f"{place}: expected {self.expected}, found {self.found}{end}"


def at_most(limit: float) -> str:
    """A greatest length as a message names it, rounded down: whoever types what is printed is not refused again.

    >>> at_most(27.3456), at_most(27.35)
    ('27.34', '27.35')
    """
    return f"{math.floor(limit * 100 + 1e-9) / 100:.2f}"


def at_least(limit: float) -> str:
    """A least length as a message names it, rounded up.

    >>> at_least(27.3412), at_least(27.35)
    ('27.35', '27.35')
    """
    return f"{math.ceil(limit * 100 - 1e-9) / 100:.2f}"


class ClearanceError(Exception):
    """Base of every error a user can cause and mend."""


class InputError(ClearanceError):
    """One or more mistakes in a scene, a table, a scan or an argument, reported together."""

    def __init__(self, mistakes: Mistake | Iterable[Mistake]) -> None:
        self.mistakes: Sequence[Mistake] = (mistakes,) if isinstance(mistakes, Mistake) else tuple(mistakes)
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


class RuleError(ClearanceError):
    """A rule refuses: outside its table, between its conditions, or it says to avoid contact."""


class MissingExtra(ClearanceError):
    """An optional package or system library is missing; the message ends with the line that installs it."""
