"""The planar shape: catenary identities, the order by u, and what a tilt is worth (facts 1 and 2 of the module)."""

from __future__ import annotations

from math import cosh, sinh

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.conductor import planar
from clearance.conductor.elastic import Segment, hang, joints, mean_tension, polyline
from clearance.errors import InputError

tilts, pulls, chords = st.floats(-0.6, 0.6), st.floats(0.05, 0.9), st.floats(30, 500)
strings = st.tuples(st.floats(0, 6), st.floats(0, 6))


heavy = st.tuples(st.floats(0, 30), st.floats(0, 30))


def fits(chord, pull, strings, ratios):
    """Within what `planar.solve` accepts."""
    worth = max(length * max(1.0, ratio) for length, ratio in zip(strings, ratios, strict=True))
    return sum(strings) < 0.5 * chord and worth * pull / chord < planar.STRING_LIMIT


def test_level_span_is_the_catenary_to_1e_12():
    shape = planar.solve(300.0, 0.0, 1e-3)

    assert float(shape.length_m) == pytest.approx(2000 * sinh(0.15), rel=1e-13)
    assert float(planar.depth_at(shape, 150.0)) == pytest.approx(1000 * (cosh(0.15) - 1), rel=1e-12)


@settings(max_examples=40, deadline=None)
@given(chord=chords, tilt=tilts, pull=pulls, strings=strings, ratios=st.tuples(st.floats(0, 20), st.floats(0, 20)))
def test_shape_against_the_vector_solver(chord, tilt, pull, strings, ratios):
    """The same line built of strings and conductor by `elastic.hang`: same conductor ends, same mean tension."""
    if not fits(chord, pull, strings, ratios):
        return
    per = pull / chord
    shape = planar.solve(chord, tilt, per, strings, ratios)
    end = chord * np.array([np.cos(tilt), 0.0, np.sin(tilt)])
    pieces = [
        Segment(strings[0] or 1e-9, (0, 0, -ratios[0])),
        Segment(float(shape.length_m), (0, 0, -1.0)),
        Segment(strings[1] or 1e-9, (0, 0, -ratios[1])),
    ]
    line = hang([0, 0, 0], end, pieces)
    along = joints(line)[1:3] @ np.array([np.cos(tilt), 0.0, np.sin(tilt)])

    assert float(np.hypot(*line.force[:2])) == pytest.approx(1 / per, rel=1e-5)
    assert [float(x) for x in planar.live_ends(shape)] == pytest.approx(along, abs=1e-5)
    assert float(shape.mean) * 1 / per == pytest.approx(mean_tension(line, 1), rel=1e-5)
    points, _ = polyline(line, 0.01)
    x = points @ np.array([np.cos(tilt), 0.0, np.sin(tilt)])
    y = points @ np.array([np.sin(tilt), 0.0, -np.cos(tilt)])
    assert planar.depth_at(shape, x) == pytest.approx(y, abs=1e-4)


@settings(max_examples=150, deadline=None)
@given(chord=chords, tilt=st.floats(-0.4, 0.4), pull=pulls, more=st.floats(1e-6, 0.5), strings=strings, ratios=heavy)
def test_depth_grows_everywhere_with_u(chord, tilt, pull, more, strings, ratios):
    if not fits(chord, pull * (1 + more), strings, ratios):
        return
    x = np.linspace(0, chord, 101)
    one = planar.depth_at(planar.solve(chord, tilt, pull / chord, strings, ratios), x)
    two = planar.depth_at(planar.solve(chord, tilt, pull * (1 + more) / chord, strings, ratios), x)

    assert (two - one >= -1e-10 * chord).all()


@settings(max_examples=150, deadline=None)
@given(chord=chords, tilt=st.floats(-0.4, 0.4), pull=pulls, turn=st.floats(-0.02, 0.02), strings=strings, ratios=heavy)
def test_a_tilt_is_worth_no_more_than_its_factor_of_u(chord, tilt, pull, turn, strings, ratios):
    """The tilted shape lies between the shapes at u exp(-K d) and u exp(K d) of the other tilt."""
    if not fits(chord, pull * 1.2, strings, ratios):
        return
    per, x = pull / chord, np.linspace(0, chord, 101)
    here = planar.solve(chord, tilt, per, strings, ratios)
    factor = np.exp(planar.tilt_worth(here) * abs(turn))
    low = planar.depth_at(planar.solve(chord, tilt, per / factor, strings, ratios), x)
    high = planar.depth_at(planar.solve(chord, tilt, per * factor, strings, ratios), x)
    tilted = planar.depth_at(planar.solve(chord, tilt + turn, per, strings, ratios), x)

    assert (tilted >= low - 1e-9 * chord).all()
    assert (tilted <= high + 1e-9 * chord).all()


@settings(max_examples=40, deadline=None)
@given(chord=chords, tilt=tilts, pull=pulls)
def test_curvature_bound_holds(chord, tilt, pull):
    shape = planar.solve(chord, tilt, pull / chord)
    x = np.linspace(0, chord, 2001)
    y = planar.depth_at(shape, x)
    second = np.abs(np.diff(y, 2)) / (x[1] - x[0]) ** 2

    assert second.max() <= float(planar.curvature_bound(shape)) * (1 + 1e-3)


@settings(max_examples=40, deadline=None)
@given(chord=chords, tilt=tilts, pull=st.floats(0.05, 2.3))
def test_mean_tension_falls_with_u_among_taut_shapes(chord, tilt, pull):
    """What makes the root of the change of state the only one."""
    means = [float(planar.solve(chord, tilt, p / chord).mean) / p for p in (pull, pull * 1.001)]

    assert means[1] < means[0]


def test_a_string_longer_than_the_chord_is_refused():
    with pytest.raises(InputError, match="a chord longer than its strings"):
        planar.solve(5.0, 0.0, 0.01, (3.0, 3.0))


def test_a_chord_that_doubles_back_is_refused():
    with pytest.raises(InputError, match="Model it as a jumper"):
        planar.depth_at(planar.solve(10.0, 1.3, 1.5), 5.0)
