"""What a rescue rests on: the tool that takes the clamp off and the rope that lowers, on both sides of enough."""

from __future__ import annotations

import math

import pytest
from small_scenes import CIRCUIT, checked, slab, stage

from clearance.bodies.worker import build
from clearance.job.insulation import REMOTE_TOOL, RESCUE_ROPE

TWO = {**CIRCUIT, "phases": ["A", "B"]}
BONDED = {"bonded": {"worker": "A"}, "bonding_lead_m": 2.0, "clamp_m": [0.4, 0, 6.0], "climb_m": [4.0, 4.2]}
SOLIDS = [slab("bus A", bottom_m=6.1, size=(0.5, 0.5), at=(0.6, 0.0)), slab("bus B", bottom_m=30.0, potential="B")]
FAR = 8.0
"""[m] Aside of the clamp, where whoever holds the tool stands."""
WORN = {"stature_m": 1.8, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05}
BODY = build(1.8, None, None, 0.04, 0.03, 0.05)
ARM = BODY.arm_m - BODY.hand_m / 2
REACHES = math.hypot(FAR, 6.0 - 0.03 - BODY.shoulder_height_m) - ARM
"""[m] The tool that just reaches: the hypotenuse, less the arm."""


def rescued(kind="bond off", crew=None, **told):
    """A rescue's step at the phase, and the step of the job that it branches off from."""
    steps = [stage(name="at A", **BONDED), stage(name="rescue", kind=kind, rescue="at A", **BONDED, **told)]
    people = [{"name": "helper", **WORN, "at_m": [0.4, FAR], "radius_m": 0.0}] if crew is None else crew
    found = checked(0.01, circuits=[TWO], solids=SOLIDS, stages=steps, crew=people)
    return found.stages[1]


def said(found):
    """What is open of its tool and its rope."""
    words = ("remote tool", "rope that lowers", "tool that takes")
    return [f"{one.where}: {one.what}" for one in found.open_points if any(word in one.what for word in words)]


@pytest.mark.parametrize("key", ["stick_m", "rope_m"])
def test_how_long_it_insulates_is_judged(key):
    name = {"stick_m": REMOTE_TOOL, "rope_m": RESCUE_ROPE}[key]
    enough = {"stick_m": 9.0, "rope_m": 6.0}
    (one,) = [one for one in rescued(**enough).insulation if one.body == name]
    assert one.verdict == "clear"
    required = one.required_m
    for beyond, verdict in ((0.001, "clear"), (-0.001, "breach")):
        (one,) = [i for i in rescued(**{**enough, key: required + beyond}).insulation if i.body == name]
        assert (one.verdict, one.left_m) == (verdict, required + beyond)


def test_somebody_reaches_the_clamp_with_it():
    assert said(rescued(stick_m=REACHES + 0.02, rope_m=6.0)) == []
    (short,) = said(rescued(stick_m=REACHES - 0.02, rope_m=6.0))
    assert short.startswith("the clamp: nobody reaches it with the remote tool: 'helper' is 0.0")
    (nobody,) = said(rescued(stick_m=9.0, rope_m=6.0, crew=()))
    assert nobody.endswith("nobody stands on the ground with free hands")


def test_what_is_forgotten_leaves_it_undecided():
    found = rescued()
    assert said(found) == [
        "rescue of worker: nothing is said of the rope that lowers the casualty: how long it insulates is not judged",
        "rescue of worker: nothing is said of the tool that takes the clamp off: how long it insulates is not judged",
    ]
    assert found.verdict != "clear"
    (rope,) = said(rescued("work"))
    assert "rope that lowers" in rope
    # A clamp that its worker takes off needs neither.
    (own,) = checked(0.01, circuits=[TWO], solids=SOLIDS, stages=[stage(kind="bond off", **BONDED)]).stages
    assert said(own) == []
