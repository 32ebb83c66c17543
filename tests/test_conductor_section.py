"""Sections against an independent chain of bars with string links, the ruling span, and balance of forces."""

from __future__ import annotations

import numpy as np
import pytest
from conductor_chain import chain
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.conductor.change_of_state import Linear, TwoPart, change_tension, ruling_span
from clearance.conductor.elastic import Segment, end_force, run
from clearance.conductor.section import (
    Section,
    Support,
    at_state,
    horizontal_tensions,
    settle,
    strung,
    uplifted,
)
from clearance.errors import InputError

DRAKE = Linear(468.6e-6 * 69.6e9, 18.8e-6)
WEIGHT = 15.97


def supports(spans, heights=None, string=2.5, weight=900.0):
    x = np.concatenate([[0.0], np.cumsum(spans)])
    z = np.zeros(len(x)) if heights is None else np.asarray(heights, float)
    last = len(x) - 1
    return [
        Support(np.array([at, 0.0, up]))
        if j in (0, last)
        else Support(np.array([at, 0.0, up + string]), string, np.array([0.0, 0.0, -weight / 2]))
        for j, (at, up) in enumerate(zip(x, z, strict=True))
    ]


@pytest.mark.parametrize(("count", "within"), [(5, 0.03), pytest.param(16, 0.004, marks=pytest.mark.slow)])
def test_unequal_spans_and_heights_against_a_chain_of_bars(count, within):
    """Three unequal spans, a worker on the middle one, wind: bars and stiff string links find the same clamps."""
    rail = supports([220.0, 340.0, 280.0], [0.0, 6.0, -4.0, 3.0])
    line = strung(rail, 24000.0, WEIGHT, 15.0, DRAKE)
    section, settled = at_state(line, 40.0, (0.0, 4.0, 0.0), (0.0, 150.0, 0.0), [[], [(0.4, (0, 0, -1000.0))], []])
    lengths, stiffness, forces, guess = [], [], [np.zeros(3)], [settled.clamps[0]]
    anchors = []
    for i, span in enumerate(section.spans):
        place, tension = settled.clamps[i], settled.lines[i].force
        for k, segment in enumerate(span):
            part = Segment(segment.length_m / count, segment.load_N_m, segment.stiffness_N)
            for _ in range(count):
                step, _, _, tension = run(tension, [part], [])
                place = place + step
                # Started away from the answer: metres of height, so that the chain finds its own way.
                guess.append(place + np.array([0.0, 0.5, 1.0]))
                half = np.asarray(segment.load_N_m) * part.length_m / 2
                forces[-1] = forces[-1] + half
                forces.append(half)
                lengths.append(part.length_m)
                stiffness.append(segment.stiffness_N)
            if k < len(section.loads[i]):
                forces[-1] = forces[-1] + section.loads[i][k]
                tension = tension - section.loads[i][k]
        if i < 2:
            support = section.supports[i + 1]
            forces[-1] = forces[-1] + support.load_N
            anchors.append((len(guess) - 1, support.point, support.string_m, 1e8))
    nodes = chain(rail[0].point, rail[-1].point, lengths, stiffness, np.array(forces), np.array(guess), anchors)

    for (node, *_), clamp in zip(anchors, settled.clamps[1:3], strict=True):
        # Bars of length s stand off by w s^2 / 8 H (5 bars to a piece: 0.35 m); the clamps feel a fraction of that.
        assert nodes[node] == pytest.approx(clamp, abs=within)


def test_every_clamp_is_in_balance():
    rail = supports([220.0, 340.0, 280.0], [0.0, 6.0, -4.0, 3.0])
    section, settled = at_state(strung(rail, 24000.0, WEIGHT, 15.0, DRAKE), 70.0, (0.0, 6.0, 0.0))
    for j in (1, 2):
        string = settled.clamps[j] - section.supports[j].point
        force = settled.lines[j].force - end_force(settled.lines[j - 1]) + section.supports[j].load_N

        assert np.linalg.norm(string) == pytest.approx(2.5, rel=1e-12)
        assert np.cross(string, force) == pytest.approx(np.zeros(3), abs=1e-3)
        assert string @ force > 0, "the string pulls"


def test_the_state_it_was_strung_at_comes_back():
    rail = supports([220.0, 340.0, 280.0], [0.0, 6.0, -4.0, 3.0])
    _, settled = at_state(strung(rail, 24000.0, WEIGHT, 15.0, DRAKE), 15.0)

    assert horizontal_tensions(settled) == pytest.approx([24000.0] * 3, rel=3e-5)
    assert settled.clamps[:, 0] == pytest.approx([0.0, 220.0, 560.0, 840.0], abs=1e-3)


def test_long_weightless_strings_reach_the_ruling_span_tension():
    """With free longitudinal movement the section has one horizontal tension, that of the ruling span."""
    spans = [250.0, 350.0, 300.0]
    rail = supports(spans, string=400.0, weight=0.0)
    _, settled = at_state(strung(rail, 24000.0, WEIGHT, 15.0, DRAKE), 75.0)
    ruling = change_tension(ruling_span(spans), 0.0, (24000.0, WEIGHT, 15.0), (WEIGHT, 75.0), DRAKE)

    # The ruling span is a parabola's rule; w S / 2H squared over 6, 0.4 %, is what the catenary adds.
    assert horizontal_tensions(settled) == pytest.approx([ruling] * 3, rel=4e-3)


def test_unequal_spans_swing_the_strings_when_heated():
    """The longer span gains more sag by itself, so the string between swings from it towards the shorter one's side."""
    rail = supports([200.0, 400.0])
    _, settled = at_state(strung(rail, 24000.0, WEIGHT, 15.0, DRAKE), 75.0)

    # Heated, the short span's pull falls faster.
    assert 0.01 < settled.clamps[1, 0] - 200.0 < 1.0


def test_a_structure_that_gives_lets_unequal_tensions_meet_part_way():
    """An intermediate dead end on a spring: it moves by the difference of the pulls over its stiffness."""
    stiffness = 2e5
    give = np.diag([1 / stiffness, 0.0, 0.0])
    ends = [Support(np.zeros(3)), Support(np.array([300.0, 0, 0]), give_m_N=give), Support(np.array([600.0, 0, 0]))]
    spans = ((Segment(301.0, (0, 0, -WEIGHT), 32e6),), (Segment(302.0, (0, 0, -WEIGHT), 32e6),))
    settled = settle(Section(tuple(ends), spans, ((), ())))
    left, right = horizontal_tensions(settled)

    assert settled.clamps[1, 0] - 300.0 == pytest.approx((right - left) / stiffness, rel=1e-6)
    assert left > right


def test_two_part_conductor_settles_in_a_section():
    model = TwoPart(11.9e6, 20.7e6, 11.5e-6, 23e-6, outer_set=8e-4)
    rail = supports([300.0, 300.0, 300.0])
    _, settled = at_state(strung(rail, 25000.0, WEIGHT, 15.0, model), 120.0)
    alone = change_tension(300.0, 0.0, (25000.0, WEIGHT, 15.0), (WEIGHT, 120.0), model)

    assert horizontal_tensions(settled) == pytest.approx([alone] * 3, rel=1e-4)


def test_uplift_is_told():
    rail = [Support(np.zeros(3)), Support(np.array([200.0, 0, -40.0]), 2.0), Support(np.array([400.0, 0, 0]))]
    section, settled = at_state(strung(rail, 30000.0, WEIGHT, 15.0, DRAKE), -20.0)

    assert uplifted(section, settled) == (1,)


@settings(max_examples=25, deadline=None)
@given(
    spans=st.lists(st.floats(150, 450), min_size=2, max_size=5),
    temperature=st.floats(-20, 90),
    wind=st.floats(-12, 12),
    tension=st.floats(15000, 35000),
)
def test_random_sections_close_and_balance(spans, temperature, wind, tension):
    rail = supports(spans)
    line = strung(rail, tension, WEIGHT, 15.0, DRAKE)
    section, settled = at_state(line, temperature, (0.0, wind, 0.0))
    total = sum((np.asarray(s.load_N_m) * s.length_m for span in section.spans for s in span), np.zeros(3))
    total += sum((support.load_N for support in section.supports), np.zeros(3))

    assert settled.residual_m < 1e-6
    # Strings and dead ends together carry every load.
    assert settled.pulls.sum(0) == pytest.approx(total, rel=1e-6, abs=1e-3)


def test_wrong_counts_are_refused():
    with pytest.raises(InputError, match="one support more than spans"):
        settle(Section((Support(np.zeros(3)),), ((Segment(10.0, (0, 0, -1.0)),),), ((),)))
