"""The decision and how decisions add up: nothing that was not proved is clear."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clearance.result import worst
from clearance.verdict import judge

METRES = st.floats(0, 100)


@given(METRES, METRES, METRES)
def test_clear_only_when_proved_breach_only_when_seen(lower, width, required):
    upper = lower + width
    found = judge(lower, upper, required)
    assert (found == "clear") == (lower >= required)
    assert (found == "breach") == (upper < required)


def test_exactly_the_limit_is_clear_and_the_least_bit_below_it_is_not():
    assert judge(2.0, 2.0, 2.0) == "clear"
    below = math.nextafter(2.0, 0.0)
    assert judge(below, below, 2.0) == "breach"
    assert judge(below, 2.0, 2.0) == "undecided"


def test_without_a_limit_nothing_is_clear():
    assert judge(math.inf, math.inf, None) == "undecided"


def test_nan_is_never_clear():
    assert judge(math.nan, math.nan, 2.0) == "undecided"
    assert judge(3.0, 3.0, math.nan) == "undecided"


@pytest.mark.parametrize(
    ("found", "verdict"),
    [
        ([], "undecided"),
        (["clear"], "clear"),
        (["clear", "undecided"], "undecided"),
        (["undecided", "breach", "clear"], "breach"),
    ],
)
def test_the_worst_counts_and_of_nothing_nothing_is_clear(found, verdict):
    assert worst(found) == verdict
