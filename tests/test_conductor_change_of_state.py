"""Change of state: laws that any state must obey, the two-part model's knee, sets, and agreement of the exact and the
textbook way."""

from __future__ import annotations

from dataclasses import replace
from math import atan2, hypot, inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.conductor import planar
from clearance.conductor.catalogue import ageing, find, linear, two_part
from clearance.conductor.change_of_state import (
    REFERENCE_C,
    Linear,
    TwoPart,
    after_creep,
    after_heavy_load,
    change_tension,
    creep_strain,
    knee_tension,
    parabola_tension,
    reference_length,
    settle_length,
    strain,
)
from clearance.conductor.elastic import Segment, hang
from clearance.errors import InputError

DRAKE = find("Drake")
ONE, TWO = linear(DRAKE), two_part(DRAKE)
models = st.sampled_from([ONE, TWO, replace(TWO, outer_set=5e-4), replace(TWO, outer_set=1.2e-3), Linear()])
spans, rises = st.floats(80, 500), st.floats(-60, 60)
pulls, warmths, winds = st.floats(12000, 40000), st.floats(-30, 120), st.floats(0, 25)


@settings(max_examples=60, deadline=None)
@given(span=spans, rise=rises, pull=pulls, model=models, warm=warmths)
def test_there_and_back_again(span, rise, pull, model, warm):
    weight = DRAKE.weight_N_m
    there = change_tension(span, rise, (pull, weight, 15.0), (2 * weight, warm), model)
    back = change_tension(span, rise, (there, 2 * weight, warm), (weight, 15.0), model)

    assert back == pytest.approx(pull, rel=1e-8)


@settings(max_examples=60, deadline=None)
@given(span=spans, rise=rises, pull=pulls, model=models, warm=warmths, more=st.floats(0.1, 30), wind=winds)
def test_u_grows_with_temperature_and_with_load(span, rise, pull, model, warm, more, wind):
    """What the ranges of shape rest on: u = w / H grows with both, and so does the sag."""
    weight, chord, tilt = DRAKE.weight_N_m, hypot(span, rise), atan2(rise, span)
    length = reference_length(chord, tilt, pull, weight, 15.0, model)

    def per(load: float, temperature: float) -> float:
        return load / settle_length(chord, tilt, load, temperature, length, model)

    here = per(hypot(weight, wind), warm)
    assert per(hypot(weight, wind), warm + more) >= here * (1 - 1e-11)
    assert per(hypot(weight, wind + more), warm) >= here * (1 - 1e-11)


@settings(max_examples=60, deadline=None)
@given(span=spans, pull=pulls, model=models, warm=warmths, tilt=st.floats(0, 0.3), less=st.floats(0, 0.1))
def test_u_grows_with_tilt(span, pull, model, warm, tilt, less):
    """At a fixed chord and load a smaller tilt makes the same u longer, so it settles at a smaller u."""
    length = reference_length(span, tilt, pull, 16.0, 15.0, model)
    here = settle_length(span, tilt, 16.0, warm, length, model)
    flatter = settle_length(span, max(0.0, tilt - less), 16.0, warm, length, model)

    assert flatter >= here * (1 - 1e-10)


@pytest.mark.parametrize(("span", "rise"), [(300.0, 0.0), (250.0, 40.0)])
def test_against_the_elastic_catenary(span, rise):
    """Irvine's line with weight per unstretched metre: the two differ by the stretch of the weight, under 0.1 % of
    tension."""
    pull = 25000.0
    found = change_tension(span, rise, (pull, 15.97, 15.0), (15.97, 70.0), ONE)
    length = reference_length(hypot(span, rise), atan2(rise, span), pull, 15.97, 15.0, ONE)
    warm = length * (1 + ONE.expansion_per_C * (70.0 - REFERENCE_C))
    line = hang([0, 0, 0], [span, 0, rise], [Segment(warm, (0, 0, -15.97), ONE.stiffness_N)])

    assert hypot(*line.force[:2]) == pytest.approx(found, rel=1e-3)


def test_against_the_parabola_on_a_taut_span():
    """They part by terms of (w L / H)^2, here 0.9 %, of the uncertainty; the tension follows a third of it."""
    exact = change_tension(200.0, 0.0, (30000.0, 15.97, 15.0), (15.97, 60.0), ONE)
    textbook = parabola_tension(200.0, (30000.0, 15.97, 15.0), (15.97, 60.0), ONE.stiffness_N, ONE.expansion_per_C)

    assert exact == pytest.approx(textbook, rel=3e-3)


def test_two_part_is_the_linear_conductor_while_both_parts_pull():
    for tension, warm in ((30000.0, -10.0), (25000.0, 40.0)):
        assert strain(TWO, tension, warm) == pytest.approx(strain(ONE, tension, warm), rel=1e-9)


def test_past_the_knee_the_core_carries_all():
    hot = 150.0
    knee = knee_tension(TWO, hot)
    assert 0 < knee < 30000

    slope = (strain(TWO, knee * 0.9, hot) - strain(TWO, knee * 0.5, hot)) / (knee * 0.4)
    assert slope == pytest.approx(1 / TWO.core_stiffness_N, rel=1e-9)
    assert strain(TWO, knee * (1 - 1e-9), hot) == pytest.approx(strain(TWO, knee * (1 + 1e-9), hot), rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    tension=st.floats(0, 60000),
    warm=warmths,
    more=st.floats(0.01, 1000),
    heat=st.floats(0.01, 20),
    stretch=st.floats(0, 2e-3),
    push=st.floats(0, 3000),
)
def test_strain_grows_with_tension_and_temperature(tension, warm, more, heat, stretch, push):
    model = replace(TWO, outer_set=stretch, outer_push_N=push)

    assert strain(model, tension + more, warm) > strain(model, tension, warm)
    assert strain(model, tension, warm + heat) > strain(model, tension, warm)


@settings(max_examples=40, deadline=None)
@given(tension=pulls, warm=warmths, stretch=st.floats(0, 1.5e-3))
def test_forces_of_the_parts_add_up(tension, warm, stretch):
    """At the strain found, core and outer force by their own lines sum to the tension."""
    model = replace(TWO, outer_set=stretch)
    at = strain(model, tension, warm)
    core = model.core_stiffness_N * (at - model.core_expansion_per_C * (warm - REFERENCE_C))
    outer = model.outer_stiffness_N * (at - stretch - model.outer_expansion_per_C * (warm - REFERENCE_C))

    assert core + max(outer, 0.0) == pytest.approx(tension, rel=1e-9)


def test_heavy_load_leaves_a_set_and_unloads_from_its_own_point():
    """After a first pull to 60 kN the conductor unloads along its final lines from the strain it reached."""
    curve = ageing(DRAKE)
    aged = after_heavy_load(TWO, curve, 60000.0)
    reached = strain(aged, 60000.0, REFERENCE_C)

    def initial(at: float) -> float:
        return sum(a * at**k for k, a in enumerate(curve.core_N)) + sum(a * at**k for k, a in enumerate(curve.outer_N))

    # The chart's core line is 0.4 % stiffer than the constant used, and a set is never negative: hence 0.3 % here.
    assert initial(reached) == pytest.approx(60000.0, rel=3e-3)
    assert 1e-4 < aged.outer_set < 3e-3
    assert after_heavy_load(aged, curve, 30000.0).outer_set == aged.outer_set, "a lighter load changes nothing"
    assert strain(aged, 20000.0, 20.0) > strain(TWO, 20000.0, 20.0)


def test_initial_curve_is_the_charts():
    """At 0.2 % strain the 26/7 chart's initial composite line gives -512 + 86170 X - 11800 X^2 - 57600 X^3 psi, X =
    0.2."""
    curve = ageing(DRAKE)
    psi = (-512 + 86170 * 0.2 - 11800 * 0.04 - 57600 * 0.008) * 6894.757 * DRAKE.area_m2
    force = sum(a * 0.002**k for k, a in enumerate(curve.core_N)) + sum(
        a * 0.002**k for k, a in enumerate(curve.outer_N)
    )

    assert force == pytest.approx(psi, rel=1e-5)
    assert ageing(find("Condor")) is None


def test_creep_adds_sag_and_grows_with_stress_and_time():
    aged = after_creep(TWO, creep_strain(0.2, 87600))
    chord = 300.0
    length = reference_length(chord, 0.0, 28000.0, 15.97, 15.0, TWO)

    assert settle_length(chord, 0.0, 15.97, 15.0, length, aged) < settle_length(chord, 0.0, 15.97, 15.0, length, TWO)
    assert creep_strain(0.25, 8760) > creep_strain(0.2, 8760) > creep_strain(0.2, 876)


def test_strings_in_line_are_part_of_the_chord():
    """With straight strings the conductor is shorter by about their length, and the state it was measured at comes
    back."""
    bare = reference_length(300.0, 0.0, 25000.0, 15.97, 15.0, ONE)
    strung = reference_length(300.0, 0.0, 25000.0, 15.97, 15.0, ONE, (3.0, 3.0))

    assert bare - strung == pytest.approx(6.0, abs=0.05)
    assert settle_length(300.0, 0.0, 15.97, 15.0, strung, ONE, (3.0, 3.0)) == pytest.approx(25000.0, rel=1e-9)


def test_inextensible_conductor_changes_only_by_its_length():
    stiff = Linear(inf, 0.0)

    assert change_tension(300.0, 0.0, (20000.0, 15.97, 15.0), (2 * 15.97, 90.0), stiff) == pytest.approx(
        40000.0, rel=1e-9
    )


def test_what_has_no_taut_state_is_refused():
    with pytest.raises(InputError, match="a conductor that hangs between taut and a sag of a third"):
        settle_length(100.0, 0.0, 16.0, 15.0, 300.0, ONE)


def test_planar_shape_of_the_new_state_has_the_length_it_should():
    model = TwoPart(11.9e6, 20.7e6, 11.5e-6, 23e-6, outer_set=8e-4)
    length = reference_length(350.0, 0.1, 22000.0, 15.97, 10.0, model)
    pull = settle_length(350.0, 0.1, 20.0, 95.0, length, model)
    shape = planar.solve(350.0, 0.1, 20.0 / pull)

    assert float(shape.length_m) == pytest.approx(
        length * (1 + strain(model, pull * float(shape.mean), 95.0)), rel=1e-12
    )
