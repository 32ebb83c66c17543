"""Owns how statements and open points read, for every output alike: the words beside the verdict, a row for each group
of statements with what the result would be without it, a row for each open point with what would settle it, and
what keeps no distance."""

from __future__ import annotations

from dataclasses import dataclass

from clearance.report.findings import Word, word
from clearance.report.numbers import down, up
from clearance.report.style import SIGNS
from clearance.result import Exempt, OpenPoint, Result, Stated, Without

COVER = "That is worse than without any one of them alone: some cover for one another"
"""Said where the figures without each group would let each seem to matter less than it does."""


@dataclass(frozen=True)
class Row:
    """A group of statements that take away the same thing, and what the result would be without them.

    word, sign: of the verdict without; less: the margin without, in words
    """

    statements: tuple[Stated, ...]
    word: Word
    sign: str
    less: str


@dataclass(frozen=True)
class Point:
    """An open point as it is read: its word, its sentence, and what would settle it."""

    word: Word
    sign: str
    what: str
    cure: str


def count_words(result: Result) -> str:
    """On how many statements the verdict rests: " on 4 statements", or nothing; one that is not clear is so even on
    them."""
    count = sum(len(group.statements) for group in result.statements)
    even = "" if result.verdict == "clear" else " even"
    return f"{even} on {count} statement{'s' if count > 1 else ''}" if count else ""


def row(group: Without) -> Row:
    """A group as it is read."""
    found = word(group.verdict)
    if group.margin_m is None:
        less = group.why
    else:
        less = f"least margin {down(group.margin_m)} m in {group.stage}"
        if group.verdict == "undecided" and group.why:
            less += f"; {group.why}"
    return Row(group.statements, found, SIGNS[found], less)


def rows(result: Result) -> list[Row]:
    """Every group of statements, in the order of the scene."""
    return [row(group) for group in result.statements]


def bare_words(result: Result) -> str:
    """The verdict with all statements withdrawn, in one line, and whether some cover for one another; nothing where
    there are none."""
    if result.without_all is None:
        return ""
    without = row(result.without_all)
    said = f"{without.sign} {without.word}" + (f", {without.less}" if without.less else "")
    return said + (f". {COVER}" if result.cover else "")


def exempt_words(one: Exempt) -> str:
    """What keeps no distance in a stage, until where, and on whose word."""
    how = "opens" if one.opens else "closes"
    until = "a limit that no rule gives" if one.until_m is None else f"{up(one.until_m)} m"
    way = f"the {'first' if one.opens else 'last'} {down(one.over_m)} m of its way"
    words = f"{one.body} keeps no distance from {' and '.join(one.others)} while it {how}: only between contact and "
    words += f"{until}, within {way}; nothing else is exempt"
    said = "; ".join(f"{entry.takes_away}: {entry.basis} ({entry.by}, {entry.on})" for entry in one.on)
    return f"{words}. Allowed by: {said or 'nobody'}"


def points(found: tuple[OpenPoint, ...]) -> list[Point]:
    """Open points as they are read; one that only tells something is "not evaluated"."""
    told = []
    for one in found:
        named: Word = "not evaluated" if one.verdict == "clear" else one.verdict
        told.append(Point(named, SIGNS[named], str(one).rstrip("."), one.cure.rstrip(".")))
    return told
