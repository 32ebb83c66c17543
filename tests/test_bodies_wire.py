"""Conductors and moving tails: every point of the true curve is held, at every instant, and little more."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from clearance.bodies.wire import TAIL_ERROR_M, conductor, freed_tail
from clearance.conductor.catenary import from_constant, from_length, from_sag, polyline
from clearance.errors import InputError

RADIUS = 0.014


def beyond(points, shape, travel=0.0):
    """How far each point is outside radius and uncertainty of the nearest primitive (negative inside), and from its
    axis."""
    corners = shape.vertices if shape.rate is None else shape.vertices + shape.rate * travel
    outside, axis = np.full(len(points), np.inf), np.full(len(points), np.inf)
    for (a, b, _), radius, uncertainty in zip(corners, shape.radius, shape.uncertainty, strict=True):
        t = np.clip((points - a) @ (b - a) / max((b - a) @ (b - a), 1e-300), 0, 1)
        far = np.linalg.norm(points - a - t[:, None] * (b - a), axis=1)
        outside, axis = np.minimum(outside, far - radius - uncertainty), np.minimum(axis, far)
    return outside, axis


def true_curve(fixed, freed, length):
    return polyline(from_length(fixed, freed, length), 1e-5)[0]


coordinate = st.floats(-6, 6)
place = st.tuples(coordinate, coordinate, st.floats(-8, 8))


def check_tail(start, end, more, share):
    far = max(math.dist(start, (0, 0, 0)), math.dist(end, (0, 0, 0)))
    travel = math.dist(start, end)
    assume(far > 0.3 and travel > 0.01)
    length = far * more
    pieces = freed_tail(length, [0, 0, 0], start, end, 2 * RADIUS)
    assert pieces[0].lower_m[0] == 0
    assert pieces[-1].lower_m[1] == pytest.approx(travel)
    assert all(a.lower_m[1] == b.lower_m[0] for a, b in pairwise(pieces))
    for piece in pieces:
        assert piece.error_m <= TAIL_ERROR_M
        assert (piece.shape.uncertainty <= TAIL_ERROR_M).all()
    piece = pieces[min(int(share * len(pieces)), len(pieces) - 1)]
    for part in (0.0, share, 0.5, 1.0):
        now = piece.lower_m[0] + part * (piece.lower_m[1] - piece.lower_m[0])
        freed = np.array(start) + (np.array(end) - np.array(start)) * now / travel
        curve = true_curve([0, 0, 0], freed, length)
        outside, _ = beyond(curve, piece.shape, now)
        assert outside.max() <= -RADIUS + 1e-7


@settings(max_examples=40, deadline=None)
@given(place, place, st.floats(1.0005, 3.0), st.floats(0, 1))
def test_tail_holds_the_true_curve_at_every_instant(start, end, more, share):
    check_tail(start, end, more, share)


@pytest.mark.slow
@settings(max_examples=300, deadline=None)
@given(place, place, st.floats(1.0005, 3.0), st.floats(0, 1))
def test_tail_holds_the_true_curve_at_every_instant_of_many(start, end, more, share):
    check_tail(start, end, more, share)


def test_tail_between_pieces_is_nearly_as_tight_as_it_says():
    # The bound is proven over cells, so it must exceed what is found by dense sampling, but not by much where it
    # governs.
    pieces = freed_tail(7.4, [0, 0, 6], [0.5, 0, 11.5], [4.0, 0.0, 2.0], 2 * RADIUS)
    for piece in pieces:
        worst = 0.0
        for now in np.linspace(*piece.lower_m, 41):
            freed = np.array([0.5, 0, 11.5]) + (np.array([4.0, 0, 2.0]) - np.array([0.5, 0, 11.5])) * now / math.dist(
                [0.5, 0, 11.5], [4, 0, 2]
            )
            worst = max(worst, beyond(true_curve([0, 0, 6], freed, 7.4), piece.shape, now)[1].max())
        assert worst <= piece.error_m
        assert worst >= 0.15 * piece.error_m


def test_tail_that_hangs_below_its_clamp_is_two_legs_exactly():
    # 6.2 m from [0, 0, 6], freed end from 12 m down to 4 m below its clamp's axis: fold at (6 + z - 6.2) / 2.
    (piece,) = freed_tail(6.2, [0, 0, 6], [0, 0, 12], [0, 0, 4], 2 * RADIUS)
    for now in (0.0, 3.0, 8.0):
        corners = piece.shape.vertices + piece.shape.rate * now
        assert not corners[:, :, :2].any()
        assert corners[0, 1, 2] == pytest.approx((6 + 12 - now - 6.2) / 2)
        assert corners[1, 1, 2] == pytest.approx(12 - now)
    assert piece.error_m == 0.0


def test_tail_whose_chord_passes_through_the_vertical():
    start, end = np.array([1.5, 0.0, 6.2]), np.array([-0.5, 0.0, 6.2])
    pieces = freed_tail(7.0, [0, 0, 12], start, end, 2 * RADIUS)
    assert len(pieces) < 20
    for piece in pieces:
        for now in np.linspace(*piece.lower_m, 9):
            freed = start + (end - start) * now / 2.0
            assert beyond(true_curve([0, 0, 12], freed, 7.0), piece.shape, now)[0].max() <= -RADIUS + 1e-7


def test_tail_drawn_tight_at_its_end():
    pieces = freed_tail(5.0, [0, 0, 0], [3, 0, 0], [5, 0, 0], 2 * RADIUS)
    corners = pieces[-1].shape.vertices + pieces[-1].shape.rate * 2.0
    np.testing.assert_allclose(corners[:, :, 1:], 0.0, atol=1e-9)


def test_ranges_are_unions_of_whole_pieces():
    wanted = [(0.5, 2.0), (1.0, 2.5), (3.0, 3.0)]
    pieces = freed_tail(10.0, [0, 0, 12], [1, 0, 6], [2, 1, 3], 2 * RADIUS, ranges=wanted)
    spans = [piece.lower_m for piece in pieces]
    assert {0.5, 1.0, 2.0, 2.5} <= {bound for span in spans for bound in span}
    assert spans[0][0] == 0.5
    assert spans[-1] == (3.0, 3.0)
    assert all(high == low for (_, high), (low, _) in pairwise(spans[:-1]))
    assert spans[-2][1] == 2.5


def test_a_single_value_stands_still():
    (piece,) = freed_tail(10.0, [0, 0, 12], [1, 0, 6], [2, 1, 3], 2 * RADIUS, ranges=[(1.0, 1.0)])
    assert not piece.shape.rate.any()
    freed = np.array([1, 0, 6]) + np.array([1, 1, -3]) / math.sqrt(11)
    assert beyond(true_curve([0, 0, 12], freed, 10.0), piece.shape, 1.0)[0].max() <= -RADIUS


def test_tail_uncertainty_is_added_to():
    bare = freed_tail(10.0, [0, 0, 12], [1, 0, 6], [2, 1, 3], 2 * RADIUS)
    more = freed_tail(10.0, [0, 0, 12], [1, 0, 6], [2, 1, 3], 2 * RADIUS, uncertainty_m=0.2)
    np.testing.assert_allclose(more[0].shape.uncertainty, bare[0].shape.uncertainty + 0.2)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((5.0, [0, 0, 0], [3, 0, 0], [6, 0, 0]), "lowered_to_m: expected a point within the 5 m of conductor"),
        ((5.0, [0, 0, 0], [3, 0, 5], [4, 0, 0]), "from_m: expected a point within the 5 m of conductor"),
        ((5.0, [0, 0, math.nan], [3, 0, 5], [4, 0, 0]), "far_end: expected three finite numbers"),
        ((-5.0, [0, 0, 0], [3, 0, 0], [4, 0, 0]), "length_m: expected a finite number above 0"),
        ((5.0, [0, 0, 0], [3, 0, 0], [4, 0, 0], 0.03, 0.0, [(0.8, 0.2)]), "a rising range within 0 to 1 m"),
        ((5.0, [0, 0, 0], [3, 0, 0], [4, 0, 0], 0.03, 0.0, [(0.8, 2.0)]), "a rising range within 0 to 1 m"),
    ],
)
def test_tail_refusals(arguments, words):
    with pytest.raises(InputError) as refusal:
        freed_tail(*arguments, **({} if len(arguments) > 4 else {"diameter_m": 0.03}))
    assert words in str(refusal.value)


@settings(max_examples=60, deadline=None)
@given(st.floats(5, 400), st.floats(-60, 60), st.floats(0.3, 10), st.sampled_from([1, 2, 3, 4]), st.floats(-3, 3))
def test_bundle_holds_sub_conductors_that_stand_across_the_wire(length, height, times, count, turn):
    end = [length * math.cos(turn), length * math.sin(turn), height]
    curve = from_constant([0, 0, 0], end, times * length)
    shape = conductor(curve, 2 * RADIUS, count, 0.0 if count == 1 else 0.4)
    assert len(shape) % count == 0
    a = curve.constant_m
    t = (np.linspace(0, curve.span_m, 301) - curve.low_point_m) / a
    e, n = curve.direction
    along = a * t + curve.low_point_m
    axis = np.stack([along * e, along * n, a * np.cosh(t) - a * np.cosh(t[0])], axis=1)
    normal = np.stack([-np.tanh(t) * e, -np.tanh(t) * n, 1 / np.cosh(t)], axis=1)
    side = np.array([-n, e, 0.0])
    # Places by the spacing alone: neighbours 0.4 m apart about the middle.
    r = {1: 0.0, 2: 0.2, 3: 0.4 / math.sqrt(3), 4: 0.2 * math.sqrt(2)}[count]
    first = {1: 0.0, 2: 0.0, 3: -math.pi / 2, 4: math.pi / 4}[count]
    for k in range(count):
        turned = first + 2 * math.pi * k / count
        true = axis + r * (math.cos(turned) * side + math.sin(turned) * normal)
        assert beyond(true, shape)[0].max() <= -RADIUS + 1e-9 * length
    assert shape.uncertainty.max() <= 0.005 + r * length / a


def test_conductor_radius_and_uncertainty():
    shape = conductor(from_sag([0, 0, 10], [60, 0, 10], 1.0), 0.0281, uncertainty_m=0.1)
    assert set(shape.radius) == {0.0281 / 2}
    assert (shape.uncertainty > 0.1).all()
    assert (shape.uncertainty <= 0.105).all()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"bundle_count": 5, "bundle_spacing_m": 0.4}, "bundle count: expected 1, 2, 3 or 4, found 5"),
        ({"bundle_count": 2}, "bundle spacing_m: expected more than diameter_m, found 0.0 m"),
        ({"uncertainty_m": -1.0}, "uncertainty_m: expected a finite number of at least 0"),
    ],
)
def test_conductor_refusals(options, words):
    with pytest.raises(InputError) as refusal:
        conductor(from_sag([0, 0, 10], [60, 0, 10], 1.0), 0.0281, **options)
    assert words in str(refusal.value)


def test_no_bundle_between_ends_one_above_the_other():
    with pytest.raises(InputError, match="a single conductor"):
        conductor(from_length([0, 0, 10], [0, 0, 8], 3.0), 0.0281, 2, 0.4)
