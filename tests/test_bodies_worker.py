"""The worker: the body reaches what the survey says, the clothes are in it, and nothing a hand can do leaves the
envelope."""

import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.bodies.worker import (
    SPREAD_M,
    build,
    extent,
    lowest_to_highest_contact_m,
    posture,
    reach_envelope,
)
from clearance.errors import InputError


def outside(points, shape, with_uncertainty=False):
    """How far each point is outside the shape's radius (negative inside); triangles by trimesh."""
    points = np.asarray(points, float).reshape(-1, 3)
    best = np.full(len(points), np.inf)
    for corners, kind, radius, uncertainty in zip(
        shape.vertices, shape.corners, shape.radius, shape.uncertainty, strict=True
    ):
        if kind == 3:
            nearest = trimesh.triangles.closest_point(np.repeat(corners[None], len(points), axis=0), points)
        else:
            a, b = corners[0], corners[1]
            t = np.clip((points - a) @ (b - a) / max((b - a) @ (b - a), 1e-300), 0, 1)
            nearest = a + t[:, None] * (b - a)
        around = radius + (uncertainty if with_uncertainty else 0.0)
        best = np.minimum(best, np.linalg.norm(points - nearest, axis=1) - around)
    return best


def highest(shape, direction):
    """How far the surface reaches in a direction."""
    return float((shape.vertices @ np.asarray(direction, float) + shape.radius[:, None]).max())


def unit(rng, count):
    v = rng.normal(size=(count, 3))
    return v / np.linalg.norm(v, axis=1)[:, None]


BARE = {"suit_m": 0.0, "boots_m": 0.0, "helmet_m": 0.0}
MEN = [("man", 50), ("man", 95), ("man", 99), ("woman", 50), ("woman", 95), ("woman", 99)]


@pytest.mark.parametrize("name", ["climbing", "standing", "reaching"])
def test_fourteen_capsules_and_their_uncertainty(name):
    shape = posture(build(1.80), name)
    assert len(shape) == 14
    assert (shape.corners == 2).all()
    assert set(shape.uncertainty) == {SPREAD_M}
    assert len(posture(build(1.80), name, tool_m=0.3, hanging_m=0.5)) == 16


@pytest.mark.parametrize("name", ["climbing", "standing", "reaching"])
def test_soles_on_the_rung_and_chest_off_the_ladder(name):
    shape = posture(build(1.80), name)
    assert (shape.vertices[:, :, 2].min(axis=1) - shape.radius).min() == pytest.approx(0.0, abs=1e-9)
    trunk = shape.vertices[1:3, 0, 0] + shape.radius[1:3]
    np.testing.assert_allclose(trunk, -0.08, atol=1e-9)


def test_standing_body_holds_the_surveyed_outline():
    # Heights and breadths of the median man (ANSUR II), bare, against the surface of the capsules.
    shape = posture(build(sex="man", percentile=50, **BARE), "standing")
    head = shape.vertices[0, :, 2].max() + shape.radius[0]
    assert head == pytest.approx(1.755)
    assert highest(shape, [0, 0, 1]) == pytest.approx(1.755)
    # Bideltoid breadth at the arms, chest depth, foot length.
    assert highest(shape, [0, 1, 0]) == pytest.approx(0.509 / 2)
    assert 2 * shape.radius[1] == pytest.approx(0.253)
    foot = shape.vertices[[6, 6], [0, 1], 0]
    assert foot[1] - foot[0] + 2 * shape.radius[6] == pytest.approx(0.271, abs=1e-9)
    # A mannequin of ellipses at the surveyed breadths and depths [m], common textbook cross sections (head 0.154 x
    # 0.197 m, chest 0.289 x 0.253, hips 0.345 x 0.25, from memory): all within the spread of the capsules.
    x = shape.vertices[1, 0, 0]
    for height, breadth, depth in (
        (1.68, 0.154, 0.197),
        (1.25, 0.289, 0.253),
        (1.00, 0.345, 0.250),
        (1.40, 0.400, 0.200),
    ):
        turn = np.linspace(0, 2 * math.pi, 73)
        rim = np.stack([x + depth / 2 * np.cos(turn), breadth / 2 * np.sin(turn), np.full(73, height)], axis=1)
        assert outside(rim, shape, with_uncertainty=True).max() <= 1e-9


@pytest.mark.parametrize(("sex", "percentile"), MEN)
def test_stretched_arm_reaches_the_surveyed_overhead_height(sex, percentile):
    body = build(sex=sex, percentile=percentile, **BARE)
    shape = posture(body, "reaching", reach_elevation_deg=90.0)
    assert highest(shape, [0, 0, 1]) == pytest.approx(body.overhead_reach_m, abs=1e-9)


def test_stretched_arm_reaches_its_length_the_way_it_is_sent():
    body = build(1.80, suit_m=0.04)
    for elevation in (0.0, 30.0, 60.0, 85.0):
        shape = posture(body, "reaching", reach_elevation_deg=elevation)
        toward = np.array([math.cos(math.radians(elevation)), 0, math.sin(math.radians(elevation))])
        upper, fore = shape.vertices[10], shape.vertices[11]
        shoulder = upper[0]
        tip = fore[1] + shape.radius[11] * toward
        # The surface ends at the fingertip and the glove on it.
        np.testing.assert_allclose(tip - shoulder, (body.arm_m + 0.04) * toward, atol=1e-9)
        assert outside([shoulder + body.arm_m * toward], shape)[0] == pytest.approx(-0.04, abs=1e-9)


@pytest.mark.parametrize("name", ["climbing", "reaching"])
@pytest.mark.parametrize("stature", [1.45, 1.626, 1.755, 1.927, 2.05])
def test_holding_hands_are_at_the_rails_and_arms_have_their_length(name, stature):
    body = build(stature)
    shape = posture(body, name)
    for upper, fore in ((10, 11), (12, 13)):
        a, elbow, end = shape.vertices[upper, 0], shape.vertices[upper, 1], shape.vertices[fore, 1]
        bare = shape.radius[fore] - body.suit_m
        links = np.linalg.norm(elbow - a) + np.linalg.norm(end - elbow) + bare
        assert links == pytest.approx(body.arm_m, abs=1e-9)
        held = not (name == "reaching" and upper == 10)
        if held:
            # The middle of the hand is on the rail: at x = 0, 0.2 m to its side.
            toward = (end - elbow) / np.linalg.norm(end - elbow)
            grip = end + (bare - body.arm_m * 0.242 / 2) * toward
            assert abs(grip[0]) == pytest.approx(0.0, abs=1e-9)
            assert abs(grip[1]) == pytest.approx(0.2, abs=1e-9)


def test_bones_have_their_length_whichever_knee_bends():
    body = build(1.80)
    straight, bent = posture(body, "standing"), posture(body, "climbing")
    for bone in (4, 5, 7, 8):
        lengths = [
            float(np.linalg.norm(shape.vertices[bone, 1] - shape.vertices[bone, 0])) for shape in (straight, bent)
        ]
        assert lengths[0] == pytest.approx(lengths[1], abs=0.01)
    assert bent.vertices[9, 0, 2] - bent.vertices[6, 0, 2] == pytest.approx(0.30)


def test_tool_goes_on_from_the_hand():
    body = build(1.80)
    with_tool = posture(body, "reaching", tool_m=0.5, reach_elevation_deg=90.0)
    bare = posture(replace(body, suit_m=0.0), "reaching", reach_elevation_deg=90.0)
    assert highest(with_tool, [0, 0, 1]) == pytest.approx(highest(bare, [0, 0, 1]) + 0.5)


def test_left_hand_is_the_mirror():
    right, left = (posture(build(1.80), "reaching", tool_m=0.2, hand=hand) for hand in ("right", "left"))
    np.testing.assert_allclose(left.vertices, right.vertices * [1, -1, 1])


def test_clothes_are_around_everything():
    thin, thick = posture(build(1.80, suit_m=0.02), "standing"), posture(build(1.80, suit_m=0.05), "standing")
    boots = [6, 9]
    body = [index for index in range(14) if index not in (0, *boots)]
    np.testing.assert_allclose(thick.radius[body] - thin.radius[body], 0.03)
    tall = posture(build(1.80, helmet_m=0.06), "standing")
    assert highest(tall, [0, 0, 1]) == pytest.approx(1.80 + 0.03 + 0.06)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(1.45, 2.0),
    st.floats(0, 0.41),
    st.floats(0, 0.8),
    st.integers(0, 10**6),
    st.sampled_from(["man", "woman"]),
)
def test_no_hand_or_tool_leaves_the_envelope(stature, lean, tool, seed, sex):
    """A chain of joints of its own: hips, tipped trunk, turned shoulders, elbow, hand, tool, each any way."""
    body = build(stature, sex=sex)
    shape = reach_envelope(body, lean, tool)
    rng = np.random.default_rng(seed)
    count = 400
    hip = np.array([-(body.chest_depth_m / 2 + body.suit_m + 0.08), 0.0, body.boots_m + 0.53 * stature])
    low, high = sorted((body.boots_m + body.shoulder_height_m, body.boots_m + body.shoulder_raised_m))
    turn = rng.uniform(-math.pi, math.pi, count)
    rise = rng.uniform(low, high, count)
    half = body.span_m / 2 - body.arm_m
    joint = np.stack([half * np.cos(turn), half * np.sin(turn), rise - hip[2]], axis=1)
    # Tipped about the hips so that the shoulders' middle moves up to `lean` horizontally: Rodrigues' formula.
    sine = rng.uniform(0, 1, count) ** 0.3 * lean / (body.boots_m + body.shoulder_height_m - hip[2])
    angle = np.arcsin(sine)[:, None]
    way = rng.uniform(-math.pi, math.pi, count)
    axis = np.stack([-np.sin(way), np.cos(way), np.zeros(count)], axis=1)
    along = (joint * axis).sum(axis=1, keepdims=True)
    joint = joint * np.cos(angle) + np.cross(axis, joint) * np.sin(angle) + axis * along * (1 - np.cos(angle))
    joint = joint + hip
    first, second = unit(rng, count), unit(rng, count)
    straight = rng.random(count) < 0.4
    second[straight] = first[straight]
    elbow = joint + 0.422 * body.arm_m * first
    tip = elbow + 0.578 * body.arm_m * second
    third = unit(rng, count)
    third[straight] = first[straight]
    end = tip + tool * third
    glove = tip + body.suit_m * unit(rng, count)
    for points in (joint, elbow, tip, end, glove):
        assert outside(points, shape).max() <= 1e-9


@settings(max_examples=25, deadline=None)
@given(
    st.floats(1.45, 2.0), st.floats(0, 0.4), st.sampled_from(["climbing", "standing", "reaching"]), st.floats(0, 0.5)
)
def test_every_posture_is_within_the_envelope(stature, lean, name, tool):
    body = build(stature)
    envelope = reach_envelope(body, lean, tool, hanging_m=0.4)
    shape = posture(body, name, tool, hanging_m=0.4)
    rng = np.random.default_rng(3)
    for (a, b, _), radius in zip(shape.vertices, shape.radius, strict=True):
        share = rng.random((60, 1))
        surface = a + share * (b - a) + radius * unit(rng, 60)
        assert outside(surface, envelope).max() <= 1e-9


def test_legs_stay_in_the_envelope_at_every_height_of_the_foot(monkeypatch):
    body = build(1.80)
    envelope = reach_envelope(body)
    rng = np.random.default_rng(4)
    for step in np.linspace(0.0, 0.30, 31):
        monkeypatch.setattr("clearance.bodies.worker.CLIMB_STEP_M", float(step))
        shape = posture(body, "climbing")
        for (a, b, _), radius in zip(shape.vertices[4:10], shape.radius[4:10], strict=True):
            surface = a + rng.random((80, 1)) * (b - a) + radius * unit(rng, 80)
            assert outside(surface, envelope).max() <= 1e-9


def test_envelope_is_no_larger_than_it_must_be():
    # Straight up it may exceed the arm's own reach only by what the polygon for the turning shoulders and the
    # shoulders' height cost, below 0.02 m, and by the arms being raised over a turned trunk.
    body = build(sex="man", percentile=50, **BARE)
    shape = reach_envelope(body)
    top = highest(shape, [0, 0, 1])
    assert body.overhead_reach_m <= top <= body.overhead_reach_m + 0.02
    side = highest(shape, [0, 1, 0])
    assert body.span_m / 2 <= side <= body.span_m / 2 + 0.025
    assert highest(reach_envelope(body, tool_m=0.3), [0, 1, 0]) == pytest.approx(side + 0.3)


def test_a_restraint_shortens_the_reach_and_the_trunk_stays():
    body = replace(build(1.80), arm_m=0.35)
    shape = reach_envelope(body)
    assert highest(shape, [0, 1, 0]) < 0.65
    whole = posture(build(1.80), "standing")
    for index in (0, 1, 2, 3):
        a, b, _ = whole.vertices[index]
        surface = (
            a + np.linspace(0, 1, 40)[:, None] * (b - a) + whole.radius[index] * unit(np.random.default_rng(1), 40)
        )
        assert outside(surface, shape).max() <= 1e-9


def test_extent_is_the_longest_line_through_any_posture():
    body = build(1.80)
    assert extent(body, 0.3) > extent(body) + 0.29
    for name in ("climbing", "standing", "reaching"):
        shape = posture(body, name, tool_m=0.3, reach_elevation_deg=90.0)
        ends = shape.vertices[:, :2].reshape(-1, 3)
        radius = np.repeat(shape.radius, 2)
        longest = (np.linalg.norm(ends[:, None] - ends[None], axis=2) + radius[:, None] + radius[None]).max()
        assert longest <= extent(body, 0.3)
    # Span with tools in both hands, once they are long enough to be the longer one.
    assert extent(body, 1.5) == pytest.approx(body.span_m + 2 * (1.5 + body.suit_m + SPREAD_M))
    assert extent(body, 0.0, hanging_m=2.0) > extent(body)


def test_climber_shorts_about_two_metres():
    # Common practice, no source: about 2 m.
    below, above = lowest_to_highest_contact_m(build(1.70))
    assert (below, lowest_to_highest_contact_m(build(1.90)) > (0.0, above)) == (0.0, True)
    assert 1.9 < above < 2.3
    # A tool goes on from the fingertips, and a bag further down than the soles.
    assert lowest_to_highest_contact_m(build(1.70), 1.0)[1] == pytest.approx(above + build(1.70).hand_m / 2 + 1.0)
    assert lowest_to_highest_contact_m(build(1.70), 0.0, 2.5)[0] == pytest.approx(2.5 - 0.6 * 1.70 - 0.03)
    assert lowest_to_highest_contact_m(build(1.70), 0.0, 1.0)[0] == 0.0


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: build(), "a stature, or sex and percentile, found neither"),
        (lambda: build(1.8, percentile=50), "a stature, or sex and percentile, found both"),
        (lambda: build(2.3), "1.4 to 2.05 m, found 2.3 m"),
        (lambda: build(math.nan), "1.4 to 2.05 m, found nan m"),
        (lambda: build(sex="man", percentile=90), "percentile: expected 50, 95 or 99, found 90"),
        (lambda: build(sex="child", percentile=50), 'sex: expected "man" or "woman"'),
        (lambda: build(1.8, suit_m=-0.1), "suit_m: expected a finite number of at least 0"),
        (lambda: posture(build(1.8), "sitting"), 'posture: expected "climbing", "standing" or "reaching"'),
        (lambda: posture(build(1.8), "standing", tool_m=math.inf), "tool_m: expected a finite number of at least 0"),
        (lambda: reach_envelope(build(1.8), 0.7), "trunk_lean_m: expected at least 0 and less than the 0.5"),
        (lambda: reach_envelope(build(1.8), math.nan), "trunk_lean_m: expected at least 0"),
    ],
)
def test_refusals(make, words):
    with pytest.raises(InputError) as refusal:
        make()
    assert words in str(refusal.value)
