"""A tool hauled along a hand line: judged on its whole way, not at its ends."""

from __future__ import annotations

import numpy as np
import pytest
from small_scenes import CIRCUIT, box, gap, insulating, only, scene, slab, stage

from clearance.errors import InputError
from clearance.motion import pose
from clearance.pipeline import prepare

TWO = {**CIRCUIT, "phases": ["A", "B"]}
LINE = {"name": "hand line", "from": [6, 0, 9], "to_m": [6, 0, 1], "diameter_m": 0.012}
ABSENT = {"kind": "absent", "bodies": ["hand line"]}
BAG = {"name": "bag", "line": "hand line", "radius_m": 0.2, "swing_m": 0.1}
HALF_WAY = [
    # Halfway up the line a beam at earth on the one side of it and a bus at A on the other; nothing near its ends.
    box("beam", [6, 2.1, 5], [4, 0.2, 0.2]),
    box("bus A", [6, -2.6, 5], [4, 0.2, 0.2], "A"),
    slab("bus B", bottom_m=60.0, potential="B"),
]
STAGE = {"kind": "work", "workers": [], "travel_m": None, "climb_m": None, "posture": None, "hauled": "bag"}


def parts(told=None, **changes):
    return {"circuits": [TWO], "ropes": [LINE], "tools": [BAG], "ladder": None, "track": None, "workers": None,
            "statements": [insulating("hand line")], "solids": HALF_WAY,
            "stages": [stage(**{**STAGE, **(told or {})})], **changes}  # fmt: skip


def test_what_it_passes_halfway_governs():
    """From beam to bag 2 m, from bag to bus 2.5 m, less twice its radius and twice the swing."""
    found = gap(only(**parts()), "A", "earth", "object")
    assert found.posture.gap_upper_m == pytest.approx(2.0 + 2.5 - 2 * 0.3, abs=0.002)
    assert found.posture.through == ("bag",)
    assert 1.9 < found.posture.at["haul_m"] < 6.1
    ends = [gap(only(**parts({"haul_m": at})), "A", "earth", "object").posture.gap_upper_m for at in (0, 8)]
    assert min(ends) > found.posture.gap_upper_m + 0.3


@pytest.mark.parametrize(("near", "verdict"), [(0.02, "clear"), (-0.02, "breach")])
def test_a_beam_that_it_passes_turns_the_verdict(near, verdict):
    """1.5 m is the whole limit, phase to earth with an object in the gap, at 245 kV and 2.5 per unit."""
    limit = gap(only(**parts()), "A", "earth", "object").limit_m
    bus = box("bus A", [6, -(0.3 + 0.75 * limit + near + 0.1), 5], [4, 0.2, 0.2], "A")
    beam = box("beam", [6, 0.3 + 0.25 * limit + 0.1, 5], [4, 0.2, 0.2])
    found = gap(only(**parts(solids=[beam, bus, HALF_WAY[2]])), "A", "earth", "object")
    assert found.verdict == verdict
    assert found.posture.gap_upper_m == pytest.approx(limit + near, abs=0.003)


def test_it_is_on_its_line_wherever_it_is_and_goes_with_the_ladder():
    tied = {**LINE, "from": "ladder @ 7", "to_m": [3, 1, 0.5]}
    told = {"travel_m": [4, 6], "climb_m": 4, "workers": ["worker"], "lean_along_deg": [-3, 3]}
    from small_scenes import LADDER, TRACK, WORKER

    made = scene(**parts(told, ropes=[tied], ladder=LADDER, track=TRACK, workers=[WORKER]))
    setting = next(one for one in prepare(made).stages[0] if one.check == "posture")
    low, high = setting.box["haul_m"]
    # The ladder stands at the origin at the middle of its travel, its tie 7 m up.
    length = np.linalg.norm([3, 1, 0.5 - 7])
    assert (low, high) == (0.0, pytest.approx(length))
    bag = next(body for body in setting.bodies if body.name == "bag")
    rng = np.random.default_rng(8)
    for _ in range(200):
        q = {name: rng.uniform(*span) for name, span in setting.box.items()}
        _, at = pose(setting.motion, "haul", q)
        foot = np.array([0.0, q["travel_m"] - 5.0, 0.0])
        lean = q["lean_along_deg"]
        tie = foot + 7 * np.array([np.sin(lean), 0.0, np.cos(lean)])
        held = foot + np.array([3, 1, 0.5])
        true = held + (tie - held) * q["haul_m"] / length
        assert np.linalg.norm(true - at) <= bag.shape.uncertainty[0] - BAG["swing_m"]
    # Along its track the ladder takes all of it along: nothing of that is uncertainty.
    assert bag.shape.uncertainty[0] < BAG["swing_m"] + 7 * np.radians(3) + 0.05


def test_it_shorts_the_line_it_is_on():
    left = {one.body: one.left_m for one in only(**parts()).insulation}
    without = {one.body: one.left_m for one in only(**parts({"hauled": None}, tools=[])).insulation}
    assert left["hand line"] == pytest.approx(8.0 - 0.4)
    assert without["hand line"] == pytest.approx(8.0)


def test_it_strikes_what_stands_in_its_way():
    shelf = box("shelf", [6.3, 0, 4], [0.5, 0.5, 0.1])
    found = {one.body: one.measure.verdict for one in only(**parts(solids=[*HALF_WAY, shelf])).collisions}
    assert found["bag"] == "breach"
    assert {one.body: one.measure.verdict for one in only(**parts()).collisions} == {"bag": "clear"}


def test_a_tool_is_there_only_where_it_is_hauled():
    both = [{**parts()["stages"][0], **told} for told in ({"name": "before", "hauled": None}, {})]
    there = [{body.name for body in s[0].bodies} for s in prepare(scene(**{**parts(), "stages": both})).stages]
    assert ["bag" in names for names in there] == [False, True]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"tools": [{**BAG, "line": "rope"}]}, "tool 'bag': line: expected a rope of this scene, found \"rope\""),
        ({"told": {"hauled": "box"}}, "hauled: expected a tool of this scene, found \"box\""),
        ({"told": {"hauled": None}}, "tool 'bag': expected a stage that hauls it, found none. Add hauled = \"bag\""),
        ({"told": {"hauled": None, "haul_m": 3}}, "haul_m: expected a tool that is hauled, found none"),
        ({"statements": [ABSENT]}, "hauled: expected \"hand line\" there, found absent"),
        ({"told": {"haul_m": [0, 9]}}, "haul_m: expected at most the 8.00 m of hand line, found 9 m"),
        ({"told": {"haul_m": [-1, 3]}}, "haul_m: expected distances of at least 0, found -1 m"),
    ],
)  # fmt: skip
def test_what_it_refuses(changes, said):
    with pytest.raises(InputError, match="expected") as caught:
        prepare(scene(**parts(**changes)))
    assert said in str(caught.value)
