"""A job is complete or not: each thing that may be missing, on both sides; every stage keeps its own verdict."""

from __future__ import annotations

import json

import pytest
from small_scenes import checked, scene, slab, stage
from typer.testing import CliRunner

from clearance.cli import app
from clearance.job import completeness, templates
from clearance.scene.builtin import builtin_scene
from clearance.scene.reading import read_scene
from clearance.scene.records import Range

LYING = {"lean_along_deg": [-85, 0], "climb_m": None, "posture": None}
WHOLE = {
    "set up": stage(name="set up", kind="set up", **LYING),
    "step on": stage(name="step on", kind="step on", posture=None, climb_m=[0, 1]),
    "climb": stage(name="climb", posture=None, climb_m=[1, 2]),
    "come down": stage(name="come down", kind="descend", posture=None, climb_m=[1, 2]),
    "step off": stage(name="step off", kind="step off", posture=None, climb_m=[0, 1]),
    "strike": stage(name="strike", kind="strike", **LYING),
}
MISSING = {
    "nothing": ((), []),
    "set up": (("set up",), []),  # it stood there before; but then it may not be gone afterwards
    "set up and strike": (("set up", "strike"), []),
    "strike": (("strike",), ["it leaves the ladder standing"]),
    "the beginning": (("set up", "step on"), ["it begins in stage 'climb' with 'worker' aloft"]),
    "the end": (
        ("step off", "strike"), ["it ends in stage 'come down' with 'worker' aloft", "it leaves the ladder standing"],
    ),
}  # fmt: skip


def job(*left_out, **changes):
    stages = [{**one, **changes.get(name, {})} for name, one in WHOLE.items() if name not in left_out]
    buses = [slab(f"bus {phase}", bottom_m=30.0 + 5 * k, potential=phase) for k, phase in enumerate("ABC")]
    return {"stages": stages, "asks": "job", "solids": buses}


@pytest.mark.parametrize("name", MISSING)
def test_what_is_missing_is_named_with_its_cure(name):
    left_out, expected = MISSING[name]
    found = completeness.missing(scene(**job(*left_out)))
    assert [point.what for point in found] == expected
    assert all(point.cure and point.where == "the job" and point.verdict == "undecided" for point in found)


def test_a_ladder_that_is_found_standing_is_left_where_it_was_found():
    there = scene(**job("set up", "strike"))
    assert completeness.missing(there) == ()
    moved = stage(name="away", kind="travel", climb_m=None, posture=None, travel_m=[5, 6])
    elsewhere = job("set up", "strike")
    found = completeness.missing(scene(**{**elsewhere, "stages": [*elsewhere["stages"], moved]}))
    assert [point.what for point in found] == ["it leaves the ladder elsewhere than it was found"]
    hung = completeness.missing(scene(**job("set up", "strike", **{"step on": {"climb_m": [0.5, 1]}})))
    assert [point.what for point in hung] == ["it begins in stage 'step on' with 'worker' aloft"]


def test_anew_is_a_beginning():
    found = completeness.missing(scene(**job(climb={"anew": True})))
    assert [point.what for point in found] == ["stage 'climb' begins anew: how the job comes there is not judged"]
    assert completeness.missing(scene(**job(**{"set up": {"anew": True}}))) == (), "the first stage begins anyway"


def test_the_result_is_undecided_and_every_stage_keeps_its_verdict():
    for left_out, verdict, complete in (((), "clear", True), (("strike",), "undecided", False)):
        result = checked(0.01, **job(*left_out))
        assert {one.verdict for one in result.stages} == {"clear"}
        assert (result.verdict, result.complete) == (verdict, complete)
        assert json.loads(result.to_json())["complete"] is complete
    asked = checked(0.01, **{**job("strike"), "asks": "stages"})
    assert (asked.verdict, asked.complete) == ("clear", False)
    (said,) = asked.open_points
    assert (said.where, said.verdict) == ("the job", "clear")
    assert "asks about its stages only" in said.what


def test_the_command_ends_with_3_for_a_job_that_is_not_complete(tmp_path):
    from small_scenes import written

    for left_out, code in (((), 0), (("strike",), 3)):
        done = CliRunner().invoke(app, ["check", str(written(tmp_path, **job(*left_out))), "-q"])
        assert done.exit_code == code, done.output


def test_a_breach_stays_a_breach_in_a_job_that_is_not_complete():
    low = [slab("bus A", bottom_m=3.0), *job()["solids"][1:]]
    result = checked(0.01, **{**job("strike"), "solids": low})
    assert (result.verdict, result.complete) == ("breach", False)


@pytest.fixture(scope="module")
def three():
    return templates.expanded(read_scene(builtin_scene("job_three_phases")))


def cut(three, *names, **changes):
    kept = (stage.model_copy(update=changes.get(stage.name, {})) for stage in three.stages if stage.name not in names)
    return three.model_copy(update={"stages": tuple(kept)})


def whats(found):
    return [point.what for point in completeness.missing(found)]


def test_every_conductor_is_accounted_for(three):
    assert whats(three) == []
    assert whats(cut(three, "strike ladder")) == ["it leaves the ladder standing"]
    last = three.stages[[s.name for s in three.stages].index("lower dropper A")]
    alone = three.model_copy(update={"stages": (last.model_copy(update={"kind": "open", "lower_m": Range(0, 0)}),)})
    assert any('with "dropper A" neither closed again nor named as parked' in what for what in whats(alone))
    freed = three.model_copy(update={"stages": (last,)})
    assert any("begins in stage 'lower dropper A' with \"dropper A\" freed already" in what for what in whats(freed))


def test_a_rescue_is_judged_or_its_absence_is_told(three):
    assert completeness.open_points(three) == ()
    rescue = [stage.name for stage in three.stages if stage.rescue]
    assert len(rescue) == 4
    (told,) = completeness.open_points(cut(three, *rescue))
    assert (told.what, told.verdict) == ("somebody is aloft, and no stage of a rescue is judged", "clear")
    assert 'add a job of kind "rescue"' in told.cure
    (point,) = completeness.missing(cut(three, rescue[-1]))
    assert point.what == "the rescue from stage 'stand clear of dropper A' ends with 'worker' aloft"
