"""Rounding for people never turns a near miss into a pass.

The laws are checked in exact arithmetic (decimal, fractions) on what is printed, so a float slip in the code under test
cannot hide behind the same slip here.
"""

from __future__ import annotations

import math
from fractions import Fraction

from hypothesis import example, given
from hypothesis import strategies as st

from clearance.report.numbers import down, figures, place, span, up
from clearance.rules.rounding import NOISE_M
from clearance.rules.rounding import up as rule_up

METRES = st.floats(min_value=0.0, max_value=1e5, allow_nan=False)
SIGNED = st.floats(min_value=-1e5, max_value=1e5, allow_nan=False)
NOISE = Fraction(str(NOISE_M))


def exact(text: str) -> Fraction:
    return Fraction(text)


@given(SIGNED)
@example(-1e-12)
@example(0.005)
@example(1.9999999999999998)
def test_what_was_measured_never_shows_longer_than_it_is(value: float) -> None:
    shown = exact(down(value))
    assert shown <= Fraction(value)
    assert Fraction(value) - shown < Fraction(1, 100)


@given(METRES)
@example(0.59 + 0.61)
@example(2.0000000000000004)
def test_a_limit_never_shows_shorter_than_it_is(value: float) -> None:
    shown = exact(up(value))
    assert shown >= Fraction(value) - NOISE  # limits are rid of a nanometre of float noise, here as in the rules room
    assert shown - Fraction(value) < Fraction(1, 100) + NOISE
    assert abs(float(shown) - rule_up(value)) < 1e-9


@st.composite
def close_pairs(draw: st.DrawFn) -> tuple[float, float]:
    """A gap and a limit, often within a hair of each other."""
    limit = draw(st.floats(min_value=0.01, max_value=100.0))
    apart = draw(st.one_of(st.floats(-1e-12, 1e-12), st.floats(-0.02, 0.02), st.floats(-5.0, 5.0)))
    return max(limit + apart, 0.0), limit


@given(close_pairs())
@example((math.nextafter(2.0, 0.0), 2.0))
@example((2.0, math.nextafter(2.0, 3.0)))
@example((2.0, 2.0))
@example((2.0199, 2.02))
@example((1.2, 0.59 + 0.61))
def test_a_shortfall_shows_as_one_and_a_pass_does_not(pair: tuple[float, float]) -> None:
    gap, limit = pair
    shown = figures(gap, limit)
    assert exact(shown.gap) <= Fraction(gap)
    assert exact(shown.limit) >= Fraction(limit) - NOISE
    assert exact(shown.margin) <= max(Fraction(gap) - Fraction(limit) + NOISE, Fraction(0))
    if gap < limit:
        assert exact(shown.gap) < exact(shown.limit)
        assert exact(shown.margin) < 0
        assert exact(shown.short) > 0
        assert exact(shown.margin) == exact(shown.gap) - exact(shown.limit)
    else:
        assert shown.short == ""
        assert exact(shown.margin) >= 0


@given(close_pairs())
def test_a_reader_who_subtracts_finds_the_margin(pair: tuple[float, float]) -> None:
    shown = figures(*pair)
    difference = exact(shown.gap) - exact(shown.limit)
    # Only where gap and limit agree to a micrometre is the pass shown as a margin of nothing.
    assert exact(shown.margin) == difference or (difference >= Fraction(-1, 10**6) and exact(shown.margin) == 0)


def test_more_decimals_come_only_where_a_centimetre_would_contradict_the_verdict() -> None:
    assert figures(2.10, 2.0098).gap == "2.10"
    assert (figures(2.01953, 2.0191).gap, figures(2.01953, 2.0191).limit) == ("2.0195", "2.0191")


def test_nothing_and_no_limit_have_a_word_not_a_number() -> None:
    assert (figures(math.inf, 2.0).gap, figures(math.inf, 2.0).margin) == ("none", "none")
    assert (figures(3.0, None).limit, figures(3.0, None).margin) == ("none", "none")
    assert "-0.00" not in (down(-0.0), down(0.0), place({"travel_m": -0.0001}), span("lean_deg", -0.001, 0.0))


@given(st.floats(min_value=-1e308, max_value=1e308))
def test_any_finite_number_can_be_shown(value: float) -> None:
    assert exact(down(value)) <= Fraction(value)
