"""People and vehicles on the ground: held whichever way they face."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.bodies.crew import person, vehicle
from clearance.bodies.worker import SPREAD_M, build, posture
from clearance.errors import InputError
from clearance.shapes import moved


def outside(points, shape):
    a, b = shape.vertices[0, :2]
    t = np.clip((points - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
    return np.linalg.norm(points - a - t[:, None] * (b - a), axis=1) - shape.radius[0]


@settings(max_examples=60, deadline=None)
@given(st.floats(1.45, 2.0), st.floats(-math.pi, math.pi), st.sampled_from(["man", "woman"]))
def test_standing_body_is_held_whichever_way_it_faces(stature, heading, sex):
    worker = build(stature, sex=sex)
    body = posture(worker, "standing")
    # On the ground the trunk is over the feet: the ladder's stand-off is taken away from all but the legs.
    trunk = body.vertices[1, 0, 0]
    rng = np.random.default_rng(7)
    turn = np.array([[math.cos(heading), -math.sin(heading), 0], [math.sin(heading), math.cos(heading), 0], [0, 0, 1]])
    held = person([3, 4, 1], worker, "down")
    for index in (0, 1, 2, 3, 10, 11, 12, 13):
        a, b, _ = body.vertices[index] - [trunk, 0, 0]
        way = rng.normal(size=(80, 3))
        surface = a + rng.random((80, 1)) * (b - a) + body.radius[index] * way / np.linalg.norm(way, axis=1)[:, None]
        assert outside(surface @ turn.T + [3, 4, 1], held).max() <= 1e-9
    # Feet side by side, the heel half a foot length behind and the toe before the axis, in boots.
    for x in (-0.55, 0.55):
        sole = np.array([[x * worker.foot_m, 0.05, 0.0]]) @ turn.T + [3, 4, 1]
        assert outside(sole, held).max() <= 0.05


@settings(max_examples=40, deadline=None)
@given(st.floats(1.45, 2.0), st.floats(-math.pi, math.pi), st.floats(0, 0.5))
def test_hands_overhead_are_held_up_to_the_surveyed_reach(stature, heading, tool):
    worker = build(stature)
    held = person([0, 0, 0], worker, "overhead", tool_m=tool)
    top = worker.boots_m + worker.overhead_reach_m + worker.suit_m + tool
    half = worker.shoulder_half_m + 0.03 * stature
    for side in (-1, 1):
        for height in np.linspace(worker.shoulder_height_m, top, 30):
            point = np.array([[side * half * math.cos(heading), side * half * math.sin(heading), height]])
            assert outside(point, held)[0] <= 1e-9
    assert held.uncertainty[0] == SPREAD_M
    # And no more than a hand's breadth too high.
    assert held.bounds[1][2] - SPREAD_M <= top + 0.12


def test_overhead_is_higher_than_down_and_stands_where_it_is_put():
    worker = build(1.80)
    up, down = person([1, 2, 3], worker), person([1, 2, 3], worker, "down")
    assert up.bounds[1][2] > down.bounds[1][2] + 0.4
    assert down.bounds[1][2] >= 3 + 1.80 + 0.03 + 0.05
    np.testing.assert_allclose(up.vertices, moved(person([0, 0, 0], worker), translation=[1, 2, 3]).vertices)


def test_vehicle_is_a_box_on_its_ground():
    shape = vehicle([10, 5, 3.1], [8.0, 2.5, 3.2], 90.0, 1.5)
    assert len(shape) == 12
    low, high = shape.bounds
    assert low == pytest.approx([10 - 1.25, 5 - 4, 1.5])
    assert high == pytest.approx([10 + 1.25, 5 + 4, 4.7])


def test_a_raised_box_is_where_it_is_stated_with_all_that_is_below_it():
    low, high = vehicle([10, 5, 11.0], [8.0, 2.5, 1.0], 0.0, 1.5).bounds
    assert low == pytest.approx([6.0, 3.75, 1.5])
    assert high == pytest.approx([14.0, 6.25, 11.5])


def test_a_vehicle_sunk_by_a_few_centimetres_is_as_high_as_it_is_and_one_in_the_ground_is_refused():
    low, high = vehicle([0, 0, 1.5 + 1.6 - 0.09], [8.0, 2.5, 3.2], 0.0, 1.5).bounds
    assert (low[2], high[2]) == pytest.approx((1.5, 1.5 + 3.2))
    with pytest.raises(InputError, match=r"above the ground, which is at 1\.50 m there, found 1\.39 m.*3\.10 m for"):
        vehicle([0, 0, 1.5 + 1.6 - 0.11], [8.0, 2.5, 3.2], 0.0, 1.5)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: person([0, 0, math.nan], build(1.8)), "at_m: expected three finite numbers"),
        (lambda: person([0, 0, 0], build(1.8), "waving"), 'arms: expected "overhead" or "down", found \'waving\''),
        (lambda: vehicle([0, 0, 0], [8, 2, 0], 0.0, 0.0), "height in size_m: expected a finite number above 0"),
        (lambda: vehicle([0, math.inf, 2], [8, 2, 3], 0.0, 0.0), "centre_m: expected three finite numbers"),
    ],
)
def test_refusals(make, words):
    with pytest.raises(InputError) as refusal:
        make()
    assert words in str(refusal.value)
