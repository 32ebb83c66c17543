"""A tail that is lowered by way of points: the pieces hold the true curve all along the way, at its corner too."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from small_scenes import CIRCUIT, scene, slab, stage

from clearance.errors import InputError
from clearance.job import tails
from clearance.pipeline import prepare

TWO = {**CIRCUIT, "phases": ["A", "B"]}
FREE, FIXED, LENGTH = (2.0, 0.0, 9.0), (6.0, 0.5, 5.0), 7.0
VIA, PARKED = (1.0, 2.0, 8.0), (2.5, 1.0, 6.0)
BEFORE = {"far_end": "open and locked", "phase_identified": "traced", "by": "the test"}


def parts(lower, via=(VIA,), **release):
    told = {"free_end": "from", "lowered_to_m": list(PARKED), "by_way_of_m": [list(p) for p in via],
            "before_opening": BEFORE, **release}  # fmt: skip
    wire = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": list(FREE), "to_m": list(FIXED),
            "length_m": LENGTH, "diameter_m": 0.03, "release": told}  # fmt: skip
    lowering = stage(name="lower", kind="lower", travel_m=None, climb_m=None, posture=None, workers=[],
                     released=["dropper"], lower_m=lower)  # fmt: skip
    return {"circuits": [TWO], "ladder": None, "track": None, "workers": None, "wires": [wire],
            "solids": [slab("bus B", bottom_m=60.0, potential="B")], "stages": [lowering]}  # fmt: skip


LEGS = (math.dist(FREE, VIA), math.dist(VIA, PARKED))


def free_end(lower_m):
    """Where the free end is, by the two legs."""
    (one, two), at = (np.array(FREE), np.array(VIA)), lower_m / LEGS[0]
    if lower_m > LEGS[0]:
        (one, two), at = (np.array(VIA), np.array(PARKED)), (lower_m - LEGS[0]) / LEGS[1]
    return one + at * (two - one)


def curve(one, other, length, count=200):
    """Points of a catenary of given length between two points: its parameter by bisection of its own length equation,
    2 a sinh(h / 2a) = sqrt(length^2 - rise^2), and no line of the code under test."""
    one, other = np.asarray(one, float), np.asarray(other, float)
    step, rise = other[:2] - one[:2], other[2] - one[2]
    level, straight = float(np.hypot(*step)), math.sqrt(length**2 - rise**2)
    low, high = level / 1400.0, 1e6
    for _ in range(200):
        a = math.sqrt(low * high)
        low, high = (a, high) if 2 * a * math.sinh(level / (2 * a)) > straight else (low, a)
    middle = a * math.atanh(rise / length)  # how far the middle of the span is from the lowest point
    x = np.linspace(-level / 2, level / 2, count)
    z = a * np.cosh((x + middle) / a)
    share = (x / level + 0.5)[:, None]
    return np.concatenate([one[:2] + share * step, (one[2] + z - z[0])[:, None]], axis=1)


def beyond(points, shape, value):
    """How far the furthest of some points is outside a shape at a value of its parameter [m]."""
    corners = shape.vertices + shape.rate * value
    start, way = corners[:, 0], corners[:, 1] - corners[:, 0]
    share = np.clip(
        np.einsum("psk,sk->ps", points[:, None] - start, way) / np.maximum((way * way).sum(axis=1), 1e-30), 0, 1
    )
    foot = start + share[..., None] * way
    return float((np.linalg.norm(points[:, None] - foot, axis=2) - shape.radius - shape.uncertainty).min(axis=1).max())


def test_the_tail_lies_within_its_pieces_all_along_the_way():
    prepared = prepare(scene(**parts([0.0, sum(LEGS)])))
    (stages,) = prepared.stages
    pieces = [(s.box["lower_m"], next(b for b in s.bodies if b.name == "dropper").shape) for s in stages]
    ends = [span for span, _ in pieces]
    assert ends[0][0] == 0.0
    assert ends[-1][1] == pytest.approx(sum(LEGS))
    assert all(one[1] == pytest.approx(two[0], abs=1e-9) for one, two in itertools.pairwise(ends)), "they join"
    assert any(end == pytest.approx(LEGS[0]) for _, end in ends), "cut at the corner"
    rng = np.random.default_rng(13)
    for lower in [0.0, LEGS[0], LEGS[0] - 1e-6, LEGS[0] + 1e-6, sum(LEGS), *rng.uniform(0, sum(LEGS), 40)]:
        true = curve(FIXED, free_end(lower), LENGTH)
        held = [shape for (low, high), shape in pieces if low - 1e-9 <= lower <= high + 1e-9]
        assert held
        for shape in held:
            assert beyond(true, shape, lower) <= 1e-9, lower
            # And not by being large: the way straight to where it is parked is another one.
            assert shape.uncertainty.max() < 0.15
    straight = np.array(FREE) + 0.4 * (np.array(PARKED) - np.array(FREE))
    assert np.linalg.norm(straight - free_end(0.4 * sum(LEGS))) > 0.5


def test_without_points_it_goes_straight():
    site = prepare(scene(**parts(0.0, via=()))).site
    assert tails.way_of(site, "dropper").length_m == pytest.approx(math.dist(FREE, PARKED))
    by_way = prepare(scene(**parts(0.0))).site
    assert tails.way_of(by_way, "dropper").at_m == pytest.approx((0.0, LEGS[0], sum(LEGS)))


@pytest.mark.parametrize(("lower", "refused"), [(sum(LEGS), False), (sum(LEGS) + 0.01, True)])
def test_it_is_lowered_no_further_than_its_way(lower, refused):
    if not refused:
        prepare(scene(**parts([0.0, lower])))
        return
    with pytest.raises(InputError) as caught:
        prepare(scene(**parts([0.0, lower])))
    assert f"lower_m: expected at most the {sum(LEGS):.2f} m to where 'dropper' is parked" in str(caught.value)


def test_the_figure_of_the_refusal_is_rounded_down_so_that_it_is_not_refused_in_turn():
    """The way is the root of 0.5^2 + 1 + 2.997^2, 3.1988 m."""
    straight = {"via": (), "lowered_to_m": [2.5, 1.0, 6.003]}
    with pytest.raises(InputError, match=r"at most the 3\.19 m to where"):
        prepare(scene(**parts([0.0, 3.2], **straight)))
    prepare(scene(**parts([0.0, 3.19], **straight)))


def test_a_point_that_the_tail_does_not_reach_is_refused():
    with pytest.raises(InputError) as caught:
        prepare(scene(**parts([0.0, 1.0], via=[VIA, (-2.0, 0.0, 9.0)])))
    assert "wire 'dropper': release: by_way_of_m 2: expected a point within the 7 m of conductor" in str(caught.value)


def test_a_part_of_the_way_is_cut_where_the_stage_begins_and_ends():
    lower = [LEGS[0] - 0.5, LEGS[0] + 0.7]
    (settings,) = prepare(scene(**parts(lower))).stages
    spans = [setting.box["lower_m"] for setting in settings]
    assert (spans[0][0], spans[-1][1]) == (pytest.approx(lower[0]), pytest.approx(lower[1]))


@pytest.mark.parametrize("trails_m", [0.0, 1.5])
def test_what_trails_from_a_free_end_may_be_anywhere_about_it(trails_m):
    site = prepare(scene(**parts([0.0, 2.0], trails_m=trails_m))).site
    shape = tails.where_parked(site, "dropper")
    largest = int(np.argmax(shape.radius))
    assert shape.radius[largest] == pytest.approx(trails_m or 0.015)
    if trails_m:
        # About the middle of what its lowering leaves of the way, and as much further.
        off = math.dist(shape.vertices[largest, 0], PARKED)
        assert off <= min(0.5 * tails.LEFT_OVER_M + 1e-9, shape.uncertainty[largest])
