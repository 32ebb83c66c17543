"""A job is complete or not: each thing that may be missing, on both sides; every stage keeps its own verdict."""

from __future__ import annotations

import json

import pytest
from small_scenes import CIRCUIT, LADDER, WORKER, checked, scene, slab, stage, tail_rope
from typer.testing import CliRunner

from clearance.cli import app
from clearance.job import carried, completeness, sequence, templates
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
STANDING = "how the ladder came to stand as stage 'step on' begins, and how it is struck, is not judged"
MISSING = {
    "nothing": ((), []),
    "set up": (
        ("set up",),
        [
            STANDING,
            "it begins in stage 'step on' with the ladder standing, and strikes it: how it was set up is not judged",
        ],
    ),
    "set up and strike": (
        ("set up", "strike"), [STANDING],
    ),
    "strike": (("strike",), ["it leaves the ladder standing"]),
    "the beginning": (
        ("set up", "strike", "step on"),
        ["it begins in stage 'climb' with 'worker' aloft", STANDING.replace("step on", "climb")],
    ),
    "the end": (
        ("step off", "strike"), ["it ends in stage 'come down' with 'worker' aloft", "it leaves the ladder standing"],
    ),
}  # fmt: skip


HELPER = {"name": "helper", "stature_m": 1.8, "suit_m": 0.02, "boots_m": 0.03, "helmet_m": 0.05, "at_m": [-2.5, 4]}
"""Who raises the ladder and lays it down."""


DOWN = {**HELPER, "name": "worker on the ground", "worker": "worker", "at_m": [-4.5, 4]}
"""The worker before and after."""


def job(*left_out, **changes):
    stages = [{**one, **changes.get(name, {})} for name, one in WHOLE.items() if name not in left_out]
    buses = [slab(f"bus {phase}", bottom_m=14.0 + 5 * k, potential=phase) for k, phase in enumerate("ABC")]
    return {"stages": stages, "asks": "job", "solids": buses, "crew": [HELPER, DOWN]}


@pytest.mark.parametrize("name", MISSING)
def test_what_is_missing_is_named_with_its_cure(name):
    left_out, expected = MISSING[name]
    found = completeness.missing(scene(**job(*left_out)))
    assert [point.what for point in found] == expected
    assert all(point.cure and point.where == "the job" and point.verdict == "undecided" for point in found)


def test_a_ladder_that_is_found_standing_is_put_there_on_somebodys_word_and_left_where_it_was_found():
    (found,) = completeness.missing(scene(**job("set up", "strike")))
    assert 'entry "stage \'step on\'", field "travel_m" and value 5.0, and doubt "put there"' in found.cure
    said = {"kind": "confirmed", "entry": "stage 'step on'", "field": "travel_m", "value": 5.0, "doubt": "put there"}
    elsewhere = {**job("set up", "strike"), "statements": [said]}
    assert completeness.missing(scene(**elsewhere)) == ()
    moved = stage(name="away", kind="travel", climb_m=None, posture=None, travel_m=[5, 6])
    found = completeness.missing(scene(**{**elsewhere, "stages": [*elsewhere["stages"], moved]}))
    assert [point.what for point in found] == ["it leaves the ladder elsewhere than it was found"]
    begun = {**job("set up", "strike", **{"step on": {"climb_m": [0.5, 1]}}), "statements": [said]}
    hung = completeness.missing(scene(**begun))
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
    alone = three.model_copy(update={"stages": (last.model_copy(update={"kind": "open", "lower_m": Range(0, 2.75)}),)})
    assert any('with "dropper A" neither closed again nor named as parked' in what for what in whats(alone))
    freed = three.model_copy(update={"stages": (last,)})
    assert any("begins in stage 'lower dropper A' with \"dropper A\" freed already" in what for what in whats(freed))


def test_a_rescue_is_judged_or_its_absence_is_told(three):
    (other,) = completeness.open_points(three)  # each time that the worker is aloft asks for one
    assert (other.what.partition(", ")[0], other.verdict) == ("'worker' is aloft in \"bond to B\"", "clear")
    assert other.what.count("bond to") == 5
    rescue = [stage.name for stage in three.stages if stage.rescue]
    assert len(rescue) == 4
    (told,) = completeness.open_points(cut(three, *rescue))
    assert (told.what, told.verdict) == ("somebody is aloft, and no stage of a rescue is judged", "clear")
    assert told.cure.startswith(
        'add stages of kind "bond off", "descend", "step off" that bring them down, with rescue'
    )
    assert told.cure.endswith('; in a scene of [[jobs]] one of kind "rescue"')
    (point,) = completeness.missing(cut(three, rescue[-1]))
    assert point.what == "the rescue from stage 'loosen dropper A' ends with 'worker' aloft"


def test_the_cure_of_a_climb_without_a_bond_makes_its_rescue():
    """The stages that it names, from the stage that it names, leave nothing to tell."""
    (told,) = completeness.open_points(scene(**job()))
    assert told.cure == 'add stages of kind "descend", "step off" that bring them down, with rescue = "climb"'
    down = [{**WHOLE[name], "name": f"rescue: {name}", "rescue": "climb"} for name in ("come down", "step off")]
    whole = job()
    number = [one["name"] for one in whole["stages"]].index("climb") + 1
    stages = [*whole["stages"][:number], *down, *whole["stages"][number:]]
    assert completeness.open_points(scene(**{**whole, "stages": stages})) == ()
    # A rescue from the lowest rung is none of who has climbed.
    first = {**down[1], "rescue": "step on"}
    number = [one["name"] for one in whole["stages"]].index("step on") + 1
    stages = [*whole["stages"][:number], first, *whole["stages"][number:]]
    (told,) = completeness.open_points(scene(**{**whole, "stages": stages}))
    assert told.what == "'worker' is aloft in \"climb\", and no rescue from there is judged"


def test_each_of_two_who_are_aloft_has_a_rescue_or_is_named():
    """The second climbs as the first does, and is brought down by a rescue of the first alone, or by one of each."""
    whole, second = job(), {**WORKER, "name": "second"}
    ways = [one for one in whole["stages"] if one["name"] not in ("set up", "strike")]
    first = [{**one, "workers": ["worker"]} if one in ways else one for one in whole["stages"]]
    again = [{**one, "name": f"{one['name']} again", "workers": ["second"]} for one in ways]
    number = next(k for k, one in enumerate(first) if one["name"] == "strike")

    def rescue(who, branch):
        return [{**WHOLE[name], "name": f"rescue of {who}: {name}", "workers": [who], "rescue": branch}
                for name in ("come down", "step off")]  # fmt: skip

    def told(*extra):
        stages = [*first[:number], *again, *first[number:]]
        for some in extra:
            at = [one["name"] for one in stages].index(some[0]["rescue"]) + 1
            stages[at:at] = some
        made = scene(**{**whole, "workers": [WORKER, second], "stages": stages})
        return [point.what for point in completeness.open_points(made) if "rescue" in point.what]

    one, other = rescue("worker", "climb"), rescue("second", "climb again")
    assert told() == ["somebody is aloft, and no stage of a rescue is judged"]
    assert told(one) == ["'second' is aloft in \"climb again\", and no rescue from there is judged"]
    assert told(one, other) == []


def test_a_ladder_hung_on_a_wire_and_a_device_are_put_there_on_somebodys_word_or_the_job_is_not_complete():
    wire = {"kind": "span", "name": "bus", "phase": "A", "from_m": [-30, 0, 10], "to_m": [30, 0, 10], "sag_m": 0.3,
            "diameter_m": 0.03}  # fmt: skip
    moved = [{"wire": "bus", "movement_m": 0.3, "basis": "estimate"}]
    hangs = {"ladder": {**LADDER, "length_m": 9.5, "insulating_to_m": 9.5, "hangs_on": "bus", "heading_deg": 0},
             "track": None, "wires": [wire]}  # fmt: skip
    ways = {name: WHOLE[name] for name in ("step on", "climb", "come down", "step off")}
    on_wire = {**hangs, "stages": [{**one, "travel_m": 30, "disturbed": moved} for one in ways.values()]}
    lift = {"name": "lift", "base_m": [1.0, 2.0], "chassis_m": [6, 2.4, 1.8], "turret_m": 2.0, "boom_m": 5.0,
            "boom_radius_m": 0.1, "extend_m": [2.0, 6.0], "raise_deg": [-10, 75], "insulating_m": 3.0,
            "platform_m": [1.2, 0.8, 1.0], "ahead_m": 0.8, "drop_m": 0.9, "room_m": 0.1, "bending_m": 0.1}  # fmt: skip
    up = {"turret_deg": 90, "extend_m": 2.0, "posture": "standing"}
    device = {
        "ladder": None, "track": None, "aerial_device": lift,
        "stages": [
            {"name": "on", "kind": "step on", "boom_deg": 0, **up},
            {"name": "raise", "kind": "climb", "boom_deg": [0, 40], **up},
            {"name": "down", "kind": "descend", "boom_deg": [0, 40], **up},
            {"name": "off", "kind": "step off", "boom_deg": 0, **up},
        ],
    }  # fmt: skip
    for parts, entry, field, value, words in (
        (on_wire, "ladder", "hangs_on", "bus", "how the ladder is hung on its wire"),
        (device, "aerial device 'lift'", "base_m", [1.0, 2.0], 'how "lift" is driven to its place'),
    ):
        whole = {**job(), **parts}
        (found,) = completeness.missing(scene(**whole))
        assert found.what.startswith(words)
        assert f'entry "{entry}", field "{field}"' in found.cure
        said = {"kind": "confirmed", "entry": entry, "field": field, "value": value, "doubt": "put there"}
        assert completeness.missing(scene(**whole, statements=[said])) == ()
        other = "buses" if isinstance(value, str) else [1.0, 3.0]
        assert len(completeness.missing(scene(**whole, statements=[{**said, "value": other}]))) == 1


def rescued(branch="climb", first=None, **last):
    """What is missing of the whole job with a rescue of two stages that branches off."""
    down = {**WHOLE["come down"], "name": "rescue down", "rescue": branch, **(first or {})}
    off = {**WHOLE["step off"], "name": "rescue off", "rescue": branch, **last}
    told = job()
    place = [one["name"] for one in told["stages"]].index(branch) + 1
    stages = [*told["stages"][:place], down, off, *told["stages"][place:]]
    return [point.what for point in completeness.missing(scene(**{**told, "stages": stages}))]


def test_a_rescue_rescues_somebody_who_is_aloft():
    assert rescued() == []
    nobody = {"workers": [], "climb_m": None, "posture": None, "kind": "work"}
    assert rescued("set up") == ["the rescue from stage 'set up' rescues nobody: nobody is aloft in that stage"]
    (said,) = rescued(first=nobody)
    assert (
        said
        == "the rescue from stage 'climb' rescues nobody: its first stage, 'rescue down', has 'worker' no more aloft"
    )
    (said,) = rescued(kind="descend")
    assert said == "the rescue from stage 'climb' ends with 'worker' aloft"


def test_a_rescue_leaves_wires_as_it_finds_them_and_begins_anywhere_on_their_way(three):
    """It branches off from a lowering: of which the tail may be anywhere on the way, in every stage of the rescue."""
    stages = list(three.stages)
    number = next(k for k, one in enumerate(stages) if one.name == "lower dropper A")
    lower = stages[number]
    whole = {"kind": "work", "rescue": lower.name, "released": lower.released}
    for update, words in (
        ({"lower_m": lower.lower_m}, None),
        (
            {"lower_m": Range(lower.lower_m.hi, lower.lower_m.hi)},
            'judged only with "dropper A" as that stage leaves it',
        ),
        ({"lower_m": None, "released": (), "off": lower.released}, 'judged only with "dropper A" as that stage'),
    ):
        one = lower.model_copy(update={"name": "rescued", **whole, **update})
        found = whats(three.model_copy(update={"stages": (*stages[: number + 1], one, *stages[number + 1 :])}))
        about = [what for what in found if "from stage 'lower dropper A'" in what and "judged only" in what]
        assert len(about) == (words is not None)
        assert words is None or words in about[0]
    opened = next(one for one in stages if one.name == "open dropper A")
    work = next(one for one in stages if one.name == "loosen dropper A")
    early = opened.model_copy(update={"name": "opened in it", "rescue": work.name})
    place = stages.index(opened)
    found = whats(three.model_copy(update={"stages": (*stages[:place], early, *stages[place:])}))
    assert any('ends with "dropper A" otherwise than it begins' in what for what in found), found
    assert not any("otherwise than it begins" in what for what in whats(three))


LINE = {"name": "line", "from": [2, 6, 6.2], "to_m": [2, 6, 0.5], "diameter_m": 0.012}
BAG = {"name": "bag", "line": "line", "radius_m": 0.2, "swing_m": 0.0}


@pytest.mark.parametrize(
    ("hauls", "expected"),
    [
        ([[0, 5]], []), ([None], []), ([[0, 3], [3, 5], [0, 5]], []),
        ([5], ["\"bag\" is on its line at 5 m as stage '0'", "it ends in stage 'strike' with \"bag\" left 5 m up"]),
        ([[0, 3], [2, 5]], ["it ends in stage 'strike' with \"bag\" left 2 m up its line"]),
        ([[0, 3], [2, 5], "away"], ["\"bag\" is taken away in stage '2' from 2 m up its line"]),
        ([[0, 3], "away"], []), ([[2, 5], [0, 5]], ["\"bag\" is on its line at 2 m as stage '0'"]),
    ],
)  # fmt: skip
def test_a_tool_is_hauled_from_the_ground_and_let_down_to_it(hauls, expected):
    empty = {"climb_m": None, "posture": None, "workers": []}
    told = job()
    some = [
        stage(**empty, name=str(k), kind="take away", bodies=["bag"]) if span == "away"
        else stage(**empty, name=str(k), hauled="bag", **({} if span is None else {"haul_m": span}))
        for k, span in enumerate(hauls)
    ]  # fmt: skip
    stages = [told["stages"][0], *some, *told["stages"][1:]]
    found = completeness.missing(scene(**{**told, "stages": stages}, ropes=[LINE], tools=[BAG]))
    assert len(found) == len(expected)
    assert all(point.what.startswith(words) for point, words in zip(found, expected, strict=True)), found


DROPPER = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": [6, 0, 9], "to_m": [8, 0, 5], "length_m": 4.8,
           "diameter_m": 0.03, "release": {"free_end": "from", "lowered_to_m": [6.0, 0, 5.0],
                                           "ropes": [tail_rope((6, -9, 0.1))]}}  # fmt: skip
POST = {"name": "post", "from_m": [8, 0, 0], "to_m": [8, 0, 5], "insulating_m": 4.9, "diameter_m": 0.2}
NOBODY = {"workers": [], "travel_m": None, "climb_m": None, "posture": None, "off": ["dropper"]}


def with_dropper(*stages_, said=()):
    return {"circuits": [{**CIRCUIT, "phases": ["A", "B"]}], "ladder": None, "track": None, "workers": None,
            "asks": "job", "wires": [DROPPER], "insulators": [POST], "stages": list(stages_),
            "statements": list(said)}  # fmt: skip


def test_a_wire_that_is_off_from_the_beginning_is_told_unless_somebody_answers_for_it():
    def told(*said):
        made = scene(**with_dropper(stage(**NOBODY), said=said))
        return [one for one in completeness.open_points(made) if "begins with" in one.what]

    (point,) = told()
    assert "how it was taken off, and whether it is earthed, is not judged" in point.what
    assert point.verdict == "undecided"
    word = {"kind": "confirmed", "entry": "wire 'dropper'", "field": "name", "value": "dropper", "doubt": "put there"}
    assert told(word) == []
    assert len(told({**word, "value": "other"})) == 1


@pytest.mark.parametrize("earths", [True, False])
def test_a_rescue_that_earths_or_comes_before_an_earth_leaves_the_job_otherwise_than_it_was(earths):
    """In the rescue the wire is earthed, or not; in the stage it branches off it is not."""
    by_tool = {"kind": "earthing", "earths": ["dropper"], "stick_m": 4.0} if earths else {"kind": "work"}
    stages = stage(**NOBODY, name="work"), stage(**{**NOBODY, **by_tool}, name="r", rescue="work")
    made = scene(**with_dropper(*stages))
    states = {one.name: state for one, state, _ in sequence.follow(made)}
    found = [one.what for one in completeness._rescued(made, made.stages[1:], states)]
    assert any("otherwise than it begins" in what for what in found) == earths


@pytest.mark.parametrize("kind", ["earthing", "work"])
def test_a_rescue_from_a_stage_that_earths_may_come_before_the_earth(kind):
    """A stage that only comes after the earthing finds it done."""
    by_tool = {"kind": "earthing", "earths": ["dropper"], "stick_m": 4.0}
    earthed = {"potentials": {"dropper": "earth"}}
    last = {**by_tool, **earthed} if kind == "earthing" else {"kind": "work", **earthed}
    stages = [stage(**{**NOBODY, **by_tool}, name="earth")]
    stages += [stage(**{**NOBODY, **last}, name="next")] if kind == "work" else []
    stages += [stage(**NOBODY, name="r", rescue=stages[-1]["name"])]
    made = carried.taken_over(scene(**with_dropper(*stages)))
    assert made.stages[-1].earthed == (() if kind == "earthing" else ("dropper",))
