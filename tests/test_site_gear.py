"""The job's own gear is looked at before the job: a ladder that ends below the work, and ropes that hang on nothing."""

from __future__ import annotations

import math

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, LADDER, SAID, WORKER, box, slab, stage
from test_job_aerial_device import LIFT, STANDS

from clearance.bodies import worker
from clearance.job import site_gear
from clearance.pipeline import prepare

TWO = {**CIRCUIT, "phases": ["A", "B"]}
FAR = [slab("bus A", bottom_m=17.0), slab("bus B", bottom_m=40.0, potential="B")]
BELT = 0.03 + 0.6 * 1.755
"""[m] Belt above the rung: boots, and 0.6 of the stature (common practice, no source)."""
HANDS = worker.reach_envelope(small.body(), 0.0).bounds[1][2]
"""[m] Highest fingertip above the soles' rung."""
OFF = 0.01


def of(**parts):
    site = prepare(small.scene(**{"circuits": [TWO], "solids": FAR, **parts})).site
    return site_gear.of_gear(site)


def of_length(length_m, **parts):
    return of(ladder={**LADDER, "length_m": length_m, "insulating_to_m": length_m}, **parts)


def lengthy(length_m):
    return {
        **SAID,
        "kind": "confirmed",
        "entry": "ladder",
        "field": "length_m",
        "value": length_m,
        "doubt": "too short",
    }


@pytest.mark.parametrize("climb", [3.0, [1.0, 3.0]])
def test_a_ladder_ends_above_the_belt_of_whoever_stands_on_it(climb):
    stages = [stage(climb_m=climb)]
    assert of_length(3.0 + BELT + OFF, stages=stages) == ()
    (found,) = of_length(3.0 + BELT - OFF, stages=stages)
    assert (found.where, found.verdict) == ("ladder", "undecided")
    assert found.what.startswith("it ends 0.01 m below the belt of 'worker' in stage 'stage'")
    assert "climb no higher, or take a longer ladder, or confirm it" in found.cure
    length = 3.0 + BELT - OFF
    assert of_length(length, stages=stages, statements=[lengthy(length)]) == ()
    assert len(of_length(length, stages=stages, statements=[lengthy(length + 1)])) == 1
    # With nobody on it it may be of any length.
    assert of_length(1.0, stages=[stage(workers=[])]) == ()


def bonded(clamp_m, **changes):
    return stage(kind="work", bonded={"worker": "A"}, bonding_lead_m=9.0, clamp_m=clamp_m, climb_m=1.0, **changes)


@pytest.mark.parametrize(("tilt", "lean", "upright"), [(0, 0, 1.0), (60, 0, 0.5), (60, 60, 1.0)])
def test_a_ladder_that_ends_below_what_somebody_bonds_to_is_told(tilt, lean, upright):
    """With the belt at its top, hands are so much higher. A tilt of 60 degrees leaves half of its height; a lean may
    put it upright again. There is another conductor of the phase within reach, and the lead is long enough."""
    top = LADDER["length_m"] * upright + HANDS - BELT
    near = box("stub A", [0, 0, 2.0], [0.1, 0.1, 0.1], "A")
    said = {"ladder": {**LADDER, "tilt_deg": tilt}}
    for above, told in ((-OFF, False), (OFF, True)):
        high = slab("high A", bottom_m=top + above, size=(2, 2))
        stages = [bonded([0, 0, top + above], lean_along_deg=[-lean, lean])]
        found = of(solids=[*FAR, near, high], stages=stages, **said)
        assert ["it ends below the work" in point.what for point in found] == [True] * told
    assert "take a longer ladder" in found[0].cure
    assert "hands stay 0.01 m below what 'worker' bonds to in stage 'stage'" in found[0].what


def test_a_ladder_that_hangs_ends_at_its_hooks():
    """It hangs on a wire at 10 m, all but straight, and its feet are 8 m below that."""
    wire = {"kind": "span", "name": "wire A", "phase": "A", "from_m": [-30, 0, 10], "to_m": [30, 0, 10]}
    wire |= {"sag_m": 0.03, "diameter_m": 0.03}
    moved = [{"wire": "wire A", "movement_m": 0.3, "basis": "estimate"}]
    top = 10.0 + HANDS - BELT
    for above, told in ((-0.05, False), (OFF, True)):
        stages = [bonded([0, 0, top + above], travel_m=30, disturbed=moved)]
        parts = {"wires": [wire], "ladder": {**LADDER, "hangs_on": "wire A", "heading_deg": 0}, "track": None}
        found = of(**parts, stages=stages)
        assert ["it ends below the work" in point.what for point in found] == [True] * told


def test_a_longer_reach_is_a_shorter_ladder():
    clamp = [0, 0, LADDER["length_m"] + HANDS - BELT + 0.3]
    for tool, told in ((0.35, False), (0.25, True)):
        assert bool(of(workers=[{**WORKER, "tool_m": tool}], stages=[bonded(clamp)])) == told


def rope(height_m, **others):
    return {"name": "line", "from_m": [6, 0, height_m], "to_m": [8, 0, 1], "diameter_m": 0.02, **others}


def test_a_rope_hangs_on_something_within_a_metre():
    for above, told in ((0.99, False), (1.01, True)):
        beams = [*FAR, box("beam", [6, 0, 7.0 + above + 0.1], [0.2, 0.2, 0.2])]
        assert bool(of(solids=beams, ropes=[rope(7.0)])) == told
    # Near the ground there is an anchor in it.
    for above, told in ((0.09, False), (0.11, True)):
        assert bool(of(ropes=[rope(above)])) == told
        assert bool(of(ropes=[{**rope(0.0), "from_m": "ladder @ 6", "to_m": [8, 0, above], "guy": True}])) == told
    (found,) = of(ropes=[rope(7.0)])
    assert (found.where, found.verdict) == ("rope 'line'", "undecided")
    assert "its end at from, x 6.00, y 0.00, z 7.00 m, hangs on nothing within 1 m" in found.what
    said = [
        {
            **SAID,
            "kind": "confirmed",
            "entry": "rope 'line'",
            "field": "from",
            "value": [6, 0, 7.0],
            "doubt": "hangs on nothing",
        }
    ]
    assert of(ropes=[rope(7.0)], statements=said) == ()
    gone = [{"kind": "absent", "bodies": ["beam"]}]
    assert len(of(solids=[*FAR, box("beam", [6, 0, 7.1], [0.2, 0.2, 0.2])], ropes=[rope(7.0)], statements=gone)) == 1


def test_a_rope_hangs_on_what_is_there_as_long_as_it_is():
    beams = [*FAR, box("beam", [6, 0, 7.1], [0.2, 0.2, 0.2])]
    empty = {"workers": [], "travel_m": None}

    def told(*changes, statements=()):
        stages = [stage(name="before", **empty)]
        stages += [stage(name=f"{k} {kind}", kind=kind, bodies=bodies, **empty)
                   for k, (kind, bodies) in enumerate(changes)]  # fmt: skip
        stages.append(stage(name="after", **empty))
        return of(solids=beams, ropes=[rope(7.0)], stages=stages, statements=statements)

    assert told() == ()
    assert told(("bring", ["beam", "line"])) == ()
    assert told(("take away", ["line"]), ("take away", ["beam"])) == ()
    (point,) = told(("bring", ["beam"]))
    assert "hangs on 'beam', which is not there in 'before'" in point.what
    (point,) = told(("take away", ["beam"]))
    assert "hangs on 'beam', which is not there in 'after'" in point.what
    said = [{**SAID, "kind": "absent", "bodies": ["beam"], "stages": ["before"]}]
    assert len(told(statements=said)) == 1
    assert told(("bring", ["line"]), statements=said) == ()


def test_the_anchor_of_a_guy_is_on_something_and_the_hands_on_a_rope_may_be_anywhere():
    for guy, told in ((True, True), (False, False)):
        found = of(ropes=[{**rope(0), "from_m": "ladder @ 6", "to_m": [6, 0, 4], "guy": guy}])
        assert [point.what.startswith("its end at to_m") for point in found] == [True] * told
    assert of(ropes=[{**rope(0), "from_m": "ladder @ 6", "to_m": [6, 0, 0], "guy": True}]) == ()


def test_a_ladder_that_is_too_short_stands_at_the_top_of_the_result():
    for climb, verdict in ((8.0 - BELT - OFF, "clear"), (8.0 - BELT + OFF, "undecided")):
        found = small.checked(0.01, circuits=[TWO], solids=FAR, stages=[stage(climb_m=climb)])
        assert found.verdict == verdict
        assert [p.where for p in found.open_points if p.verdict != "clear"] == ["ladder"] * (verdict != "clear")


@pytest.mark.parametrize(("size", "told"), [(1.1, False), (1.2, True)])
def test_what_nobody_carries_is_not_brought_without_a_word(size, told):
    """1.2 m a side is 2.08 m across. Before the stage that brings it, it would be judged nowhere."""
    shed = box("shed", [9, 9, 1], [size, size, size])
    stages = [
        stage(name="first", kind="work", workers=[], climb_m=None, posture=None),
        stage(name="brings", kind="bring", bodies=["shed"], climb_m=None, posture=None, workers=[]),
    ]
    parts = {"solids": [*FAR, shed], "stages": stages}
    found = [point for point in of(**parts) if point.where == "solid 'shed'"]
    assert [point.verdict for point in found] == ["undecided"] * told
    said = {"kind": "confirmed", "entry": "solid 'shed'", "field": "name", "value": "shed", "doubt": "put there"}
    assert [p for p in of(**parts, statements=[{**SAID, **said}]) if p.where == "solid 'shed'"] == []


@pytest.mark.parametrize(("apart", "told"), [(0.0, True), (0.29, True), (0.31, False)])
def test_a_mast_is_brought_in_pieces_no_more_than_whole(apart, told):
    """Three boxes of 1.1 m a side, 1.91 m across each: one on another they are 3 m high."""
    pieces = [box(f"piece {k}", [9, 9, 0.6 + k * (1.1 + apart)], [1.1, 1.1, 1.1]) for k in range(3)]
    stages = [
        stage(name="first", kind="work", workers=[], climb_m=None, posture=None),
        stage(name="brings", kind="bring", bodies=[one["name"] for one in pieces], climb_m=None, posture=None,
              workers=[]),
    ]  # fmt: skip
    found = [point.where for point in of(solids=[*FAR, *pieces], stages=stages) if "judged nowhere" in point.what]
    assert found == [f"solid 'piece {k}'" for k in range(3)] * told


def test_a_vehicle_and_a_man_that_come_when_all_is_over_need_somebodys_word():
    """A truck on the track, and a man beside it: brought last, they meet neither the ladder nor who is on it."""
    truck = {"name": "truck", "centre_m": [0, 0, 1.5], "size_m": [7, 2.5, 3], "heading_deg": 0, "radius_m": 0.5}
    helper = {"name": "helper", "stature_m": 1.8, "at_m": [0, 3], "radius_m": 0.5}
    works = [stage(name=kind, kind=kind, climb_m=[0, 1], posture=None) for kind in ("step on", "step off")]

    def told(number, *said):
        comes = {
            "kind": "bring",
            "bodies": ["truck", "helper", "halyard"],
            "climb_m": None,
            "posture": None,
            "workers": [],
        }
        stages = [stage(name="before", climb_m=None, posture=None, workers=[], kind="work"), *works]
        stages.insert(number, stage(name="comes", **comes))
        halyard = {**rope(0), "name": "halyard", "from_m": [-3, 0, 5], "to_m": [-3, 0, 0.1]}
        parts = {"solids": FAR, "vehicles": [truck], "crew": [helper], "ropes": [halyard], "stages": stages}
        return [point.where for point in of(**parts, statements=said) if "judged" in point.what]

    assert told(3) == ["vehicle 'truck'", "crew 'helper'", "rope 'halyard'"]
    assert told(1) == ["vehicle 'truck'"]
    said = {**SAID, "kind": "confirmed", "field": "name", "doubt": "put there"}
    words = [{**said, "entry": f"{kind} '{name}'", "value": name}
             for kind, name in (("vehicle", "truck"), ("crew", "helper"), ("rope", "halyard"))]  # fmt: skip
    assert told(3, *words) == []
    assert told(3, words[0]) == ["crew 'helper'", "rope 'halyard'"]


@pytest.mark.parametrize("slope_deg", [0.9, 1.1])
def test_an_aerial_device_on_a_slope_is_levelled_by_somebody(slope_deg):
    """Its chassis lies along y, and the ground rises along y: with 13 m of turret, boom and extension the tip of one
    that leans by 1.1 degrees is 0.25 m elsewhere."""
    ground = {"kind": "plane", "through_m": [0, 0, 0], "uphill_deg": 90, "slope_deg": slope_deg, "uncertainty_m": 0.0}
    parts = {"ladder": None, "track": None, "aerial_device": {**LIFT, "chassis_deg": 90}, "solids": FAR,
             "ground": ground, "stages": [stage(**STANDS)]}  # fmt: skip
    found = [point for point in of(**parts) if "slopes" in point.what]
    assert [point.verdict for point in found] == ["undecided"] * (slope_deg > 1)
    for point in found:
        assert f"{13 * math.sin(math.radians(slope_deg)):.1f} m elsewhere" in point.what
    said = {**SAID, "kind": "confirmed", "entry": "aerial device 'lift'", "field": "base_m", "value": LIFT["base_m"]}
    assert [p for p in of(**parts, statements=[{**said, "doubt": "stands level"}]) if "slopes" in p.what] == []
