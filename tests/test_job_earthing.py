"""Earthing a tail: somebody stands where hands and tool reach it, on both sides of what is enough.

The dropper is parked taut and level, 4 m above the ground: whoever stands beside its far end is as far from it as
arithmetic says.
"""

from __future__ import annotations

import math

import pytest
from small_scenes import (
    CIRCUIT,
    LADDER,
    TRACK,
    WORKER,
    box,
    checked,
    insulating,
    isolated,
    may_open,
    never_at,
    scene,
    stage,
    tail_rope,
)

from clearance.bodies.worker import build
from clearance.pipeline import prepare

TWO = {**CIRCUIT, "phases": ["A", "B"]}
BEFORE = {"far_end": "open and locked", "phase_identified": "traced", "by": "the test"}
HEIGHT, STICK, UNSURE = 4.0, 3.0, 0.1  # the last: of a tail against its pieces, `tails.TAIL_ERROR_M`
ROPES = [tail_rope((6, -9, 0.1), "left"), tail_rope((6, 9, 0.1), "right")]
DROPPER = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": [6, 0, 12], "to_m": [12, 0, HEIGHT],
           "length_m": 10.01, "diameter_m": 0.03,
           "release": {"free_end": "from", "lowered_to_m": [2.0, 0, HEIGHT], "before_opening": BEFORE,
                       "ropes": ROPES}}  # fmt: skip
POST = {"name": "post", "from_m": [12, 0, 0], "to_m": [12, 0, HEIGHT], "insulating_m": 3.9, "diameter_m": 0.2}
SAID = [isolated("dropper"), never_at("dropper", "earth"), may_open("dropper"), insulating("left"), insulating("right")]
WORN = {"stature_m": 1.8, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05}
BODY = build(1.8, None, None, 0.04, 0.03, 0.05)
ARM = BODY.arm_m - BODY.hand_m / 2
BESIDE = math.sqrt((ARM + STICK - UNSURE) ** 2 - (HEIGHT - 0.03 - BODY.shoulder_height_m) ** 2)
"""[m] How far aside of the tail somebody may stand whose tool just reaches it: the hypotenuse is arm and tool, the
upright side goes from the shoulder to the tail."""
SLACK = 0.15  # the tail sags a little


def said(crew=(), statements=(), gear=None, wires=(DROPPER,), **fields):
    told = {"kind": "earthing", "workers": [], "travel_m": None, "climb_m": None, "posture": None, "anew": True,
            "off": ["dropper"], "earths": ["dropper"], "stick_m": STICK, **fields}  # fmt: skip
    bodies = [box("bus A", [6, 0, 12.3], [0.5, 0.5, 0.5], "A"), box("bus B", [0, 0, 60], [1, 1, 1], "B")]
    found = checked(0.01, circuits=[TWO], solids=bodies, wires=list(wires), insulators=[POST], crew=list(crew),
                    **(gear or {"ladder": None, "track": None, "workers": None}),
                    stages=[stage(**told)], statements=[*SAID, *statements])  # fmt: skip
    return [point.what for point in found.stages[0].open_points if "remote tool" in point.what]


def helper(aside, **told):
    return {"name": "helper", **WORN, "at_m": [11.9, aside], "radius_m": 0.0, **told}


@pytest.mark.parametrize("verb", ["earths", "lifts_earth"])
def test_a_tail_is_earthed_by_somebody_whose_tool_reaches_it(verb):
    words = {"earths": None, verb: ["dropper"]}
    assert said([helper(BESIDE - SLACK)], **words) == []
    (short,) = said([helper(BESIDE + SLACK)], **words)
    assert "'helper' is" in short


def test_nobody_there_earths_nothing():
    (found,) = said()
    assert "nobody stands on the ground with free hands" in found
    near = helper(BESIDE - SLACK)
    assert len(said([near], [{"kind": "absent", "bodies": ["helper"]}])) == 1


def test_whoever_holds_a_rope_has_no_hand_for_the_tool():
    """The rope ends in the air, in reach of the helper alone, or of another too."""
    up = {**DROPPER["release"]["ropes"][0], "to_m": [11.9, BESIDE - SLACK, 1.4]}
    wire = {**DROPPER, "release": {**DROPPER["release"], "ropes": [up, DROPPER["release"]["ropes"][1]]}}
    one = helper(BESIDE - SLACK)
    assert len(said([one], wires=[wire])) == 1
    assert said([one, {**one, "name": "other"}], wires=[wire]) == []
    assert len(said([one, {**one, "name": "other", "at_m": [30.0, 9.0]}], wires=[wire])) == 1


def test_a_place_in_the_stage_a_longer_tool_or_a_wider_area_settles_it():
    far = helper(BESIDE + 2.0)
    assert len(said([far])) == 1
    assert said([far], stands=[{"who": "helper", "at_m": [11.9, BESIDE - SLACK], "radius_m": 0.0}]) == []
    assert said([{**far, "radius_m": 2.0 + SLACK}]) == []
    assert said([far], stick_m=STICK + 2.0 + SLACK) == []


def test_arms_that_stay_down_hold_the_tool_no_further_than_the_shoulder():
    down = [{"kind": "restrained reach", "person": "helper", "arms": "down"}]
    assert said([helper(BESIDE - SLACK)]) == []
    assert len(said([helper(BESIDE - SLACK)], down)) == 1
    assert said([helper(BESIDE - SLACK)], down, stick_m=STICK + ARM) == []


@pytest.mark.parametrize(("stick", "reached"), [(0.5, False), (3.0, True)])
def test_somebody_aloft_does_it_only_unbonded_and_near_enough(stick, reached):
    """The ladder stands 2 m before the free end; hands that reach ahead are 1 m and more from it."""
    gear = {"ladder": {**LADDER, "platform_m": None}, "track": TRACK, "workers": [WORKER]}
    aloft = {"workers": None, "travel_m": 5, "climb_m": 2.5, "posture": "reaching", "stick_m": stick}
    assert (said(gear=gear, **aloft) == []) == reached
    bonded = {"bonded": {"worker": "A"}, "bonding_lead_m": 20.0, "clamp_m": [6, 0, 12]}
    assert len(said(gear=gear, **aloft, **bonded)) == 1


def dropper_at(*stages_, never):
    """The potentials that the dropper is judged at in the last of some stages of earthing or work."""
    bodies = [box("bus A", [6, 0, 12.3], [0.5, 0.5, 0.5], "A"), box("bus B", [0, 0, 60], [1, 1, 1], "B")]
    nobody = {"workers": [], "travel_m": None, "climb_m": None, "posture": None, "off": ["dropper"]}
    told = [stage(**{**nobody, "name": f"stage {k}", "anew": k == 0, **one}) for k, one in enumerate(stages_)]
    words = [
        isolated("dropper"),
        may_open("dropper"),
        never_at("dropper", never),
        insulating("left"),
        insulating("right"),
    ]
    made = scene(circuits=[TWO], solids=bodies, wires=[DROPPER], insulators=[POST], ladder=None, track=None,
                 workers=None, stages=told, statements=words)  # fmt: skip
    (setting,) = prepare(made).stages[-1]
    (found,) = [body for body in setting.bodies if body.name == "dropper"]
    return {found.potential, *(state for _, state in found.states)}


EARTHS = {"kind": "earthing", "earths": ["dropper"], "stick_m": STICK}
LIFTS = {"kind": "earthing", "lifts_earth": ["dropper"], "stick_m": STICK}
SAID_EARTH = {"potentials": {"dropper": "earth"}}


def test_a_tail_is_at_earth_alone_once_it_was_earthed_and_until_that_is_removed():
    work = {"kind": "work"}
    assert dropper_at({**work, **SAID_EARTH}, never="phase") == {"earth", "dropper"}, "a word earths nothing"
    assert dropper_at(EARTHS, never="phase") == {"earth", "dropper"}
    assert dropper_at(EARTHS, {**work, **SAID_EARTH}, never="phase") == {"earth"}
    assert dropper_at(EARTHS, {**LIFTS, **SAID_EARTH}, never="phase") == {"earth", "dropper"}


def test_no_sentence_keeps_a_tail_from_earth_while_it_is_earthed():
    assert dropper_at({"kind": "work"}, never="earth") == {"A", "dropper"}
    assert dropper_at(EARTHS, never="earth") == {"A", "dropper", "earth"}
    assert dropper_at(EARTHS, LIFTS, never="earth") == {"A", "dropper", "earth"}
