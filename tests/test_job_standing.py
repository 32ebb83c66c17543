"""Crew and vehicles in areas: what is judged is wherever they may be, on both sides of the limit."""

from __future__ import annotations

import math

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, checked, gap, only, slab, stage

from clearance.bodies.worker import build
from clearance.errors import InputError

LIMIT = 0.3048 * 0.011 * 245 / math.sqrt(3) * 2.5 + 0.31
"""[m] OSHA, Table R-3 equation 1: phase to earth with a tool in the gap, 1.4956 m."""
NEAR = 0.01
TWO = {**CIRCUIT, "phases": ["A", "B"]}
EMPTY = {"kind": "travel", "workers": [], "travel_m": [4.9, 5.1]}
WORN = {"stature_m": 1.8, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05}
BODY = build(1.8, None, None, 0.04, 0.03, 0.05)
OVERHEAD = 0.03 + BODY.overhead_reach_m + 0.04 + BODY.spread_m + BODY.shoulder_half_m
"""[m] Hands held up, and as much more as one ball that holds both of them is higher."""
FAR_B = slab("bus B", bottom_m=30.0, potential="B")


def helper(**told):
    return [{"name": "helper", **WORN, "at_m": [10.0, 0.0], **told}]


def low_bus(x, spare):
    """A bus along y whose near edge is at x, so high that hands under it keep the limit but for `spare`."""
    return small.box("bus A", [x + 5.0, 0.0, OVERHEAD + LIMIT + spare + 0.1], [10.0, 40.0, 0.2], "A")


def earthed(**told):
    found = only(**{"circuits": [TWO], "stages": [stage(**EMPTY)], **told})
    return gap(found, "A", "earth", "tool").posture


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
@pytest.mark.parametrize(
    "area", [{"radius_m": 4.0}, {"radius_m": None, "area_m": [[7, -2], [14, -2], [14, 2], [7, 2]]}]
)
def test_a_bus_over_the_far_side_of_an_area_counts(area, spare, verdict):
    """At the middle they are 3 m from below it; their area goes under it."""
    solids = [low_bus(13.0, spare), FAR_B]
    found = earthed(solids=solids, crew=helper(**area))
    assert found.gap_upper_m == pytest.approx(LIMIT + spare, abs=NEAR)
    assert (found.verdict, set(found.ends)) == (verdict, {"bus A", "helper"})
    # Kept to where they stand, with less than their arms to go, they are further off than straight below it.
    assert earthed(solids=solids, crew=helper(radius_m=0.5)).gap_upper_m > LIMIT + 0.2


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_what_they_hold_is_longer_than_their_reach(spare, verdict):
    solids = [low_bus(5.0, spare + 1.2), FAR_B]
    assert earthed(solids=solids, crew=helper(tool_m=1.2)).gap_upper_m == pytest.approx(LIMIT + spare, abs=NEAR)
    assert earthed(solids=solids, crew=helper(tool_m=1.2)).verdict == verdict
    assert earthed(solids=solids, crew=helper()).verdict == "clear"


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_an_arm_stretched_aside_counts(spare, verdict):
    """A bus at the height of the shoulders, beside them."""
    reach = BODY.shoulder_half_m + BODY.arm_m + BODY.suit_m + BODY.spread_m
    bus = small.box("bus A", [10.0 + reach + LIMIT + spare + 0.1, 0.0, 1.55], [0.2, 40.0, 0.1], "A")
    found = earthed(solids=[bus, FAR_B], crew=helper())
    # The polygon for a circle holds it, and is up to 3.5 % larger than the shoulders' 0.1 m.
    assert LIMIT + spare - NEAR <= found.gap_upper_m <= LIMIT + spare + 0.002
    assert found.verdict == verdict


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_a_jib_counts_as_far_as_it_may_be(spare, verdict):
    """A vehicle 3 m high, somewhere within 2 m of its place: a bus beside it."""
    truck = [{"name": "truck", "centre_m": [10, 0, 1.5], "size_m": [4, 2, 3], "radius_m": 2.0}]
    bus = small.box("bus A", [10 + 2 + 2 + LIMIT + spare + 0.1, 0, 2.5], [0.2, 0.2, 0.2], "A")
    found = earthed(solids=[bus, FAR_B], vehicles=truck)
    assert found.gap_upper_m == pytest.approx(LIMIT + spare, abs=0.002)
    assert found.verdict == verdict
    (kept,) = ({**one, "radius_m": 0.0} for one in truck)
    assert earthed(solids=[bus, FAR_B], vehicles=[kept]).gap_upper_m == pytest.approx(LIMIT + spare + 2, abs=0.002)


def test_where_no_area_is_stated_a_careful_one_is_taken_and_the_result_is_undecided():
    solids = [low_bus(30.0, 1.0), FAR_B]
    points = [str(p) for p in checked(circuits=[TWO], solids=solids, stages=[stage(**EMPTY)],
              crew=helper(radius_m=None, tool_m=None)).open_points]  # fmt: skip
    assert "crew 'helper': radius_m is not stated: taken as 1.0" in points
    assert "crew 'helper': tool_m is not stated: taken as 0.0" in points
    stated = checked(circuits=[TWO], solids=solids, stages=[stage(**EMPTY)], crew=helper(radius_m=1.0)).open_points
    assert not any("helper" in str(p) for p in stated)


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"radius_m": 1.0, "area_m": [[9, -1], [11, -1], [10, 2]]}, "area_m: expected either radius_m or area_m"),
        ({"radius_m": None, "area_m": [[1, -1], [2, -1], [2, 2]]}, "area_m: expected an area that at_m is in"),
        ({"radius_m": 60.0}, "at_m: expected ground below all of the area"),
    ],
)
def test_an_area_that_cannot_be_is_refused(told, said):
    with pytest.raises(InputError) as caught:
        only(circuits=[TWO], solids=[low_bus(30.0, 1.0), FAR_B], stages=[stage(**EMPTY)], crew=helper(**told))
    assert said in str(caught.value)
