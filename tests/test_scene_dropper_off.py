"""The scene kept for it: a verdict that depends on how far a wire moves when a load comes off it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

import clearance
from clearance.pipeline import prepare
from clearance.scene.records import Disturbed
from clearance.scene.records_statements import TakenSlowly
from clearance.view import posing

SCENE = Path(__file__).parents[1] / "scenes" / "dropper_off_under_beam.toml"


@cache
def read():
    return clearance.read_scene(SCENE)


def with_stage(scene, **changes):
    first, *others = scene.stages
    return scene.model_copy(update={"stages": (first.model_copy(update=changes), *others)})


def to_earth(result, stage=0):
    return next(gap.governing for gap in result.stages[stage].gaps if gap.between == ("A", "earth"))


@cache
def sudden():
    return clearance.check(read(), withdraw=False)


def test_let_go_at_once_it_springs_too_near_to_the_walkway():
    found = to_earth(sudden())

    assert sudden().verdict == "breach"
    assert [one.verdict for one in sudden().stages] == ["breach", "breach", "clear"]
    too_near = {gap.between for one in sudden().stages for gap in one.gaps if gap.verdict != "clear"}
    assert too_near == {("A", "earth")}, "for no other reason"
    assert set(found.ends) == {"bus A", "walkway"}
    assert found.margin_upper_m < -0.05
    # The worst is at the far end of its spring, twice its way to rest.
    box = dict(found.at)
    assert box["shift_m"] == pytest.approx(0.201, abs=0.002)
    assert sudden().stages[0].parameters["shift_m"] == pytest.approx((0.0, 0.201), abs=0.002)
    assert "shift_m" not in sudden().stages[2].parameters
    assert to_earth(sudden(), 2).verdict == "clear", "at rest without the dropper it keeps the distance"
    assert any("let go at once: modelled" in note for note in sudden().stages[0].notes)


def test_let_down_slowly_all_of_it_is_clear():
    said = TakenSlowly(kind="slowly", wire="bus A", basis="let down by a winch", by="them", on="2026-11-30")
    result = clearance.check(read().model_copy(update={"statements": (*read().statements, said)}), withdraw=False)

    assert to_earth(result).verdict == "clear"
    assert 0.0 < to_earth(result).margin_lower_m < 0.05


def test_with_the_dropper_on_it_kept_the_distance():
    """The same stage with the wire a job body that does not move: what the model adds is the breach."""
    still = with_stage(
        read(),
        kind="work",
        released=(),
        lower_m=None,
        opening_distance_m=None,
        disturbed=(Disturbed(wire="bus A", movement_m=0.0, basis="as stated"),),
    )
    still = still.model_copy(update={"stages": still.stages[:1]})
    assert to_earth(clearance.check(still, withdraw=False)).margin_lower_m > 0.05


def test_a_guess_instead_of_the_model_would_have_passed():
    """With its conductor not named nothing is worked out; a stated 0.05 m stands, and the result says on whose word."""
    wires = tuple(
        wire.model_copy(update={"conductor": None, "weight_N_m": 15.97})
        if wire.name in ("bus A", "dropper A")
        else wire
        for wire in read().wires
    )
    guess = (Disturbed(wire="bus A", movement_m=0.05, basis="crew's estimate"),)
    told = with_stage(read().model_copy(update={"wires": wires}), disturbed=guess)
    stages = tuple(stage.model_copy(update={"disturbed": guess}) for stage in told.stages)
    result = clearance.check(told.model_copy(update={"stages": stages}), withdraw=False)

    assert result.verdict == "clear"
    assert any("may move 0.05 m: crew's estimate; as stated, not modelled" in note for note in result.stages[0].notes)


def test_a_guess_beside_the_model_is_said_to_be_too_small():
    guess = (Disturbed(wire="bus A", movement_m=0.05, basis="crew's estimate"),)
    stages = tuple(stage.model_copy(update={"disturbed": guess}) for stage in read().stages)
    result = clearance.check(read().model_copy(update={"stages": stages}), withdraw=False)

    assert result.verdict == "breach"
    assert any("the 0.05 m stated are less than that, and are not used" in note for note in result.stages[0].notes)


def test_the_live_page_draws_the_wire_at_a_pose():
    """What deforms is drawn with the pose, as nothing else carries it there."""
    asked = posing.poser(prepare(read()))
    drawn = posing.pose_at(asked, 0, {"lower_m": 3.0})

    assert {"bus A", "dropper A"} <= {part["name"] for part in drawn["bent"]}
