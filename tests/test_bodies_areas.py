"""Somebody anywhere in an area: random people at random places of it, on sloping and broken ground, are held, and the
shape is hardly larger than that."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance import shapes
from clearance.bodies import areas, ground
from clearance.bodies.worker import build
from clearance.errors import InputError
from clearance.kernel import pairs


def away(point, shape):
    """Distance of a point from a shape, negative or zero inside it [m]."""
    ball = shapes.points(np.repeat(np.asarray(point, float)[None], len(shape), axis=0))
    squared, witness = np.empty(len(shape)), np.empty((len(shape), 2, 3))
    pairs.measure(shape.vertices, shape.corners, ball.vertices, ball.corners, squared, witness)
    return float((np.sqrt(squared) - shape.radius).min())


AREA = [(0.0, 0.0), (4.0, 0.5), (3.0, 3.0), (-1.0, 2.0)]
BROKEN = ground.grid([[0.0, 0.4, 0.1], [0.3, 1.0, 0.2], [0.0, 0.2, 0.6], [0.1, 0.1, 0.1]], (-3.0, -3.0), 4.0)
SLOPE = ground.plane([0, 0, 1], 15.0, 40.0, 30.0)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_wherever_they_stand_and_reach_they_are_held(data):
    draw = lambda low, high: data.draw(st.floats(low, high))  # noqa: E731
    land = data.draw(st.sampled_from([BROKEN, SLOPE]))
    arms = data.draw(st.sampled_from(["overhead", "down"]))
    tool, body = draw(0.0, 1.5), build(draw(1.5, 2.0))
    hull = areas.people(land, areas.plan((0, 0), 1.0, AREA), body, arms, tool)
    shares = np.array([draw(0, 1) for _ in AREA]) + 1e-9
    x, y = shares @ np.array(AREA) / shares.sum()
    z = float(ground.height_at(land, np.array([[x, y]]))[0])
    turn = draw(-math.pi, math.pi)
    facing = np.array([math.cos(turn), math.sin(turn), 0.0])
    # Head, shoulders and feet about the axis.
    assert away([x, y, z + body.boots_m + body.stature_m + body.helmet_m], hull) <= 1e-6
    broad = 0.5 * body.bideltoid_m + body.suit_m
    assert away([x, y, z + body.shoulder_height_m] + broad * facing, hull) <= 1e-6
    # A hand, its arm stretched from a shoulder that is anywhere between its low and its high place.
    low, high = sorted((body.shoulder_height_m, body.shoulder_raised_m))
    up = low if arms == "down" else draw(low, high)
    shoulder = np.array([x, y, z + body.boots_m + up]) + body.shoulder_half_m * facing
    steep = draw(-0.5 * math.pi, 0.0 if arms == "down" else 0.5 * math.pi)
    aside = draw(-math.pi, math.pi)
    way = np.array([math.cos(aside) * math.cos(steep), math.sin(aside) * math.cos(steep), math.sin(steep)])
    hand = shoulder + (body.arm_m + body.suit_m) * way
    # What it holds goes on as the arm does or, where the arm stays down, any way: upright too.
    lean, round_ = (steep, aside) if arms == "overhead" else (draw(-0.5 * math.pi, 0.5 * math.pi), draw(-3.2, 3.2))
    held = np.array([math.cos(round_) * math.cos(lean), math.sin(round_) * math.cos(lean), math.sin(lean)])
    for place in (hand, hand + tool * held):
        if place[2] > z:
            assert away(place, hull) <= 1e-6
    # The upper side of an arm held level: suit and bone about its middle, up to the elbow.
    elbow = shoulder + 0.422 * body.arm_m * way + [0, 0, 0.036 * body.stature_m + body.suit_m]
    assert away(elbow, hull) <= 1e-6


@pytest.mark.parametrize(("arms", "tool"), [("overhead", 0.0), ("overhead", 1.0), ("down", 0.0), ("down", 1.0)])
def test_they_are_no_larger_than_that(arms, tool):
    """On level ground: up to the overhead reach or the helmet and no further; aside by the hands, 3.5 % and a layer."""
    body = build(1.8)
    hull = areas.people(ground.level(0.0), areas.plan((5, 5), 2.0, None), body, arms, tool)
    high = hull.bounds[1]
    reach = body.arm_m + body.suit_m + tool
    top = max(body.boots_m + body.overhead_reach_m + body.suit_m + tool, 0.0)
    helmet = body.boots_m + body.stature_m + body.helmet_m
    # A tool in a hand at the shoulder is held upright.
    tall = top if arms == "overhead" else max(helmet, body.boots_m + body.shoulder_height_m + tool)
    # Overhead the hands are over the shoulders: no further up than half of what these are apart.
    more = body.shoulder_half_m if arms == "overhead" else 0.13 if tool == 0.0 else 0.31
    assert tall - 1e-6 <= high[2] - body.spread_m <= tall + more + 0.002
    aside = 2.0 + body.shoulder_half_m + reach
    # 3.53 % of what is round, and what an arm's layer of 0.15 m is more than 0.1 m.
    assert aside - 0.02 <= high[0] - 5.0 - body.spread_m <= 1.036 * aside + 0.06


def test_an_area_beyond_the_ground_is_refused_and_one_within_it_is_not():
    land, body = ground.level(0.0, 3.0), build(1.8)
    assert len(areas.people(land, areas.plan((0, 0), 1.5, None), body))
    with pytest.raises(InputError, match="ground below all of the area"):
        areas.people(land, areas.plan((2.5, 0), 2.5, None), body)


def test_an_area_is_the_hull_of_its_corners():
    made = areas.plan((0, 0), 9.0, [(0, 0), (2, 0), (1, 0.5), (2, 2), (0, 2)])
    assert made.covers(shapely.Point(1.9, 1.0))
    assert made.area == pytest.approx(4.0, abs=0.02)
