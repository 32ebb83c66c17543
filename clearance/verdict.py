"""Owns the decision: what is found and what is required in, verdict out, for a gap, a length and a count; and the
verdict of many. It sees unrounded numbers only. Nothing else compares with a limit and calls it clear or a breach.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

Verdict = Literal["clear", "breach", "undecided"]


def judge(gap_lower_m: float, gap_upper_m: float, required_m: float | None) -> Verdict:
    """A gap: clear when proved at or above, breach when seen below, else undecided; with nothing required, undecided.

    >>> judge(2.02, 2.03, 2.02), judge(2.00, 2.01, 2.02), judge(2.01, 2.03, 2.02), judge(9.0, 9.0, None)
    ('clear', 'breach', 'undecided', 'undecided')
    """
    if required_m is None:
        return "undecided"
    if gap_lower_m >= required_m:
        return "clear"
    if gap_upper_m < required_m:
        return "breach"
    return "undecided"


def not_clear(verdict: Verdict, silent: str) -> Verdict:
    """A verdict by what is required at least: where a rule is silent it may ask for more, so nothing is clear.

    silent: why a rule has no value, "" where every rule has one

    >>> not_clear("clear", "no rule"), not_clear("breach", "no rule"), not_clear("clear", "")
    ('undecided', 'breach', 'clear')
    """
    return "undecided" if silent and verdict == "clear" else verdict


def judge_length(left_m: float, required_m: float | None, silent: str = "") -> Verdict:
    """An insulating length, of which at least so much is left; silent: why a rule has no value.

    >>> judge_length(1.5, 1.5), judge_length(1.49, 1.5), judge_length(9.0, None), judge_length(float("nan"), 1.5)
    ('clear', 'breach', 'undecided', 'undecided')
    >>> judge_length(1.5, 1.5, "EN is silent"), judge_length(1.49, 1.5, "EN is silent")
    ('undecided', 'breach')
    """
    return not_clear(judge(left_m, left_m, required_m), silent)


def judge_count(sound: int | None, asked: int) -> Verdict:
    """How many there are of what a rule counts; undecided where nobody says how many.

    >>> judge_count(9, 9), judge_count(8, 9), judge_count(None, 9)
    ('clear', 'breach', 'undecided')
    """
    return "undecided" if sound is None else judge(sound, sound, asked)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Breach before undecided before clear; of nothing, undecided: what was not looked at is not clear.

    >>> worst(["clear", "undecided"])
    'undecided'
    """
    found = set(verdicts)
    if "breach" in found:
        return "breach"
    return "clear" if found == {"clear"} else "undecided"
