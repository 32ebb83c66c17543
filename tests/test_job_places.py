"""People and vehicles that a stage sends to another place: judged between both in that stage, and there after it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import small_scenes as small
from small_scenes import checked, gap, stage
from test_job_standing import BODY, EMPTY, FAR_B, LIMIT, NEAR, OVERHEAD, TWO, helper

from clearance.errors import InputError
from clearance.scene.reading import scene_of
from clearance.scene.writing import scene_text

AWAY = {"who": "helper", "at_m": [20.0, 0.0], "radius_m": 1.0}
PLACES = {"before": [], "goes": [AWAY], "after": []}


def bus_over(x, spare):
    """A bus along y, 0.2 m wide, over one place, so high that hands under it keep the limit but for `spare`."""
    return small.box("bus A", [x, 0.0, OVERHEAD + LIMIT + spare + 0.1], [0.2, 40.0, 0.2], "A")


def stages_of(places, **told):
    return [stage(**{**EMPTY, "name": name, "stands": some, **told}) for name, some in places.items()]


def by_stage(solid, places=PLACES, **told):
    """Of each stage the least gap of bus A to earth."""
    parts = {"circuits": [TWO], "solids": [solid, FAR_B], "crew": helper(radius_m=1.0), **told}
    found = checked(**{"stages": stages_of(places), **parts})
    return [gap(one, "A", "earth", "tool").posture for one in found.stages]


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
@pytest.mark.parametrize(
    ("over", "beneath"), [(10.0, (True, True, False)), (15.0, (False, True, False)), (20.0, (False, True, True))]
)
def test_who_walks_is_judged_where_they_were_where_they_go_and_between(over, beneath, spare, verdict):
    """A bus over the first place, half way, and over the second one: whoever is under it, and in which stage."""
    for under, found in zip(beneath, by_stage(bus_over(over, spare)), strict=True):
        if under:
            assert found.gap_upper_m == pytest.approx(LIMIT + spare, abs=NEAR)
            assert (found.verdict, set(found.ends)) == (verdict, {"bus A", "helper"})
        else:
            # At least 3 m aside less what arms reach: beyond the hands that are straight below.
            assert found.gap_upper_m > LIMIT + 0.5


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_a_place_is_an_area_and_a_later_word_ends_it(spare, verdict):
    area = {**AWAY, "radius_m": None, "area_m": [[19, -1], [25, -1], [25, 1], [19, 1]]}
    back = {**AWAY, "at_m": [10.0, 0.0]}
    places = {"goes": [area], "stays": [], "returns": [back], "is back": []}
    found = by_stage(bus_over(24.0, spare), places)
    assert [one.verdict for one in found] == [verdict, verdict, verdict, "clear"]
    assert found[3].gap_upper_m > LIMIT + 0.5


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_a_rescue_finds_them_anywhere_on_their_way(spare, verdict):
    """It happens at any moment of its stage: who walks in it may not have left yet, or be half way."""
    stages = [*stages_of({"goes": [AWAY]}), *stages_of({"help": []}, rescue="goes"), *stages_of({"after": []})]
    for over in (10.0, 15.0):
        _, rescue, after = by_stage(bus_over(over, spare), stages=stages)
        assert rescue.gap_upper_m == pytest.approx(LIMIT + spare, abs=NEAR)
        assert rescue.verdict == verdict
        assert after.gap_upper_m > LIMIT + 0.5


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_a_vehicle_drives_and_turns(spare, verdict):
    """A box 4 by 2 by 3 m: turned along y where it goes, its side is 1 m from its middle and its end 2 m."""
    truck = [{"name": "truck", "centre_m": [10, 0, 1.5], "size_m": [4, 2, 3], "radius_m": 0.5, "heading_deg": 0}]
    there = {"who": "truck", "at_m": [10.0, 20.0], "radius_m": 0.5, "heading_deg": 90}
    for at, beneath in (((7.5, 0), (1, 1, 0)), ((11.0, 10), (0, 1, 0)), ((10, 22.5), (0, 1, 1))):
        bus = small.box("bus A", [*at, 3.0 + LIMIT + spare + 0.1], [0.2, 0.2, 0.2], "A")
        found = by_stage(bus, {**PLACES, "goes": [there]}, vehicles=truck, crew=None)
        for under, one in zip(beneath, found, strict=True):
            if under:
                assert one.gap_upper_m == pytest.approx(LIMIT + spare, abs=0.002)
                assert one.verdict == verdict
            else:
                assert one.gap_upper_m > LIMIT + 0.1
    # Along y its side keeps 1.5 m from where it stands, and its end would not.
    beside = small.box("bus A", [10 + 1.5 + LIMIT + spare + 0.1, 20, 2.0], [0.2, 0.2, 0.2], "A")
    assert by_stage(beside, {**PLACES, "goes": [there]}, vehicles=truck, crew=None)[2].verdict == verdict


def test_a_vehicle_stands_as_high_over_the_ground_as_before_and_drives_over_what_is_between():
    """A ridge 1 m high between two places: on the way it is 1 m higher, at both ends it is not."""
    rows = [[0, 0, 0], [1, 1, 1], [0, 0, 0]]  # of y -60, 0, 60
    heights = {"kind": "grid", "heights_m": rows, "corner_m": [-60, -60], "spacing_m": 60, "uncertainty_m": 0}
    truck = [{"name": "truck", "centre_m": [10, -20, 2 / 3 + 1.5], "size_m": [2, 2, 3], "radius_m": 0.0}]
    there = {"who": "truck", "at_m": [10.0, 40.0], "radius_m": 0.0, "heading_deg": 0}
    bus = small.box("bus A", [10, 0, 8.0], [0.2, 0.2, 0.2], "A")
    solids = [bus, FAR_B]
    stages = stages_of({"before": [], "goes": [there], "after": []}, travel_m=None, kind="work")
    found = checked(circuits=[TWO], solids=solids, crew=None, vehicles=truck, stages=stages, ground=heights,
                    ladder=None, track=None, workers=None)  # fmt: skip
    before, goes, after = (gap(one, "A", "earth", "tool").posture for one in found.stages)
    assert goes.gap_upper_m == pytest.approx(7.9 - 4.0, abs=0.002)
    # Before and after it stands aside, its top 3 m above its own ground: 2/3 m high there, and 1/3 m.
    assert before.gap_upper_m == pytest.approx(math.hypot(18.9, 7.9 - 3.0 - 2 / 3), abs=0.002)
    assert after.gap_upper_m == pytest.approx(math.hypot(38.9, 7.9 - 3.0 - 1 / 3), abs=0.002)


def test_a_place_goes_round_through_a_file():
    parts = {"circuits": [TWO], "solids": [bus_over(10.0, 1.0), FAR_B], "crew": helper(radius_m=1.0)}
    made = small.scene(**parts, stages=stages_of(PLACES))
    again = scene_of(scene_text(made).encode(), Path("again.toml"))
    assert again.stages[1].stands == made.stages[1].stands
    assert again.stages[1].stands[0].at_m == (20.0, 0.0)


@pytest.mark.parametrize(
    ("places", "said"),
    [
        ([{**AWAY, "who": "hepler"}], "stands: expected a member of the crew or a vehicle of this scene"),
        ([AWAY, AWAY], "stands: helper: expected one place for each in a stage"),
        ([{**AWAY, "radius_m": None}], "stands: helper: radius_m: expected how far from at_m they may be"),
        ([{**AWAY, "area_m": [[19, -1], [21, -1], [20, 2]]}], "expected either radius_m or area_m"),
        ([{**AWAY, "radius_m": None, "area_m": [[1, -1], [2, -1], [2, 2]]}], "expected an area that at_m is in"),
        ([{**AWAY, "heading_deg": 5}], "stands: helper: heading_deg: expected no heading of a person"),
        ([{**AWAY, "at_m": [70.0, 0.0]}], "stands: helper: at_m: expected ground below all of the area"),
        ([{**AWAY, "who": "truck"}], "stands: truck: heading_deg: expected the direction of its length"),
        (
            [{"who": "truck", "at_m": [1, 1], "area_m": [[0, 0], [2, 0], [1, 2]], "heading_deg": 0}],
            "stands: truck: area_m: expected no area_m of a vehicle",
        ),
    ],
)
def test_a_place_that_cannot_be_is_refused(places, said):
    truck = [{"name": "truck", "centre_m": [-10, 0, 1.5], "size_m": [4, 2, 3]}]
    with pytest.raises(InputError) as caught:
        by_stage(bus_over(10.0, 1.0), {**PLACES, "goes": places}, vehicles=truck)
    assert said in str(caught.value)


def test_a_drop_zone_is_kept_from_where_they_are_sent():
    """The conductor hangs above x 0; somebody 10 m off, less half their shoulders, is sent to 3 m."""
    half = 0.5 * BODY.bideltoid_m + BODY.suit_m + BODY.spread_m
    tail = {"kind": "jumper", "name": "tail", "phase": "A", "from_m": [0, -2, 12], "to_m": [0, 0, 12],
            "length_m": 2.4, "diameter_m": 0.02,
            "release": {"free_end": "to", "lowered_to_m": [0, -2, 9.7], "drop_zone_m": 5.0}}  # fmt: skip
    lowers = {"name": "lower", "kind": "lower", "released": ["tail"], "lower_m": [0, 1.0], "anew": True}
    away = {"who": "helper", "at_m": [3.0, -1.0], "radius_m": 0.0}
    for places, gap_m, verdict in (([], 10.0 - half, "clear"), ([away], 3.0 - half, "breach")):
        told = stage(**{**EMPTY, **lowers, "travel_m": None, "stands": places})
        found = checked(circuits=[TWO], solids=[FAR_B], wires=[tail], stages=[told], ladder=None, track=None,
                        workers=None, crew=helper(radius_m=0.0, at_m=[10.0, -1.0]))  # fmt: skip
        (zone,) = (one for one in found.stages[0].approaches if one.to == "the drop zone of tail")
        # An area of a point is a disc of a millimetre, as a polygon about it.
        assert zone.measure.gap_upper_m == pytest.approx(gap_m, abs=0.002)
        assert zone.measure.verdict == verdict
