"""What a stage takes over from those before it: bodies that come and go, tools left on their lines, and the join where
posture or clamp change. Each is judged where it matters, and only there."""

from __future__ import annotations

import math

import pytest
from small_scenes import CIRCUIT, box, checked, gap, scene, slab, stage

from clearance.engine import build_engine
from clearance.errors import InputError
from clearance.job import carried, nearness, sequence, templates
from clearance.job.measuring import Bench, pieces_of
from clearance.job.setting import standing
from clearance.pipeline import prepare
from clearance.scene import statements
from clearance.scene.builtin import builtin_scene
from clearance.scene.reading import read_scene
from clearance.scene.records import Range

TWO = {**CIRCUIT, "phases": ["A", "B"]}
FAR_B = slab("bus B", bottom_m=60.0, potential="B")
LINE = {"name": "hand line", "from": [2, 0, 6.2], "to_m": [2, 0, 0.5], "diameter_m": 0.012}
BAG = {"name": "bag", "line": "hand line", "radius_m": 0.2, "swing_m": 0.0}
INSULATES = {"kind": "insulating", "body": "hand line"}
MAST = box("mast", [2.25, 0.0, 4.9], [0.2, 0.2, 0.4])
"""At earth, its top at 5.1 m: below the bus, whose underside is at 6.8 m, and 0.15 m beside the line, which it would
shorten by touching it."""
EMPTY = {"workers": [], "travel_m": None, "climb_m": None, "posture": None}


def step(name, kind="work", **fields):
    return stage(name=name, kind=kind, **{**EMPTY, **fields})


def parts(*stages, **changes):
    return {"circuits": [TWO], "ladder": None, "track": None, "workers": None, "ropes": [LINE],
            "crew": [{"name": "helper", "stature_m": 1.755, "at_m": [2.0, 0.7]}],
            "tools": [BAG] if any(one.get("hauled") for one in stages) else None,
            "statements": [INSULATES], "solids": [slab("bus", bottom_m=6.8), FAR_B, MAST], "stages": stages,
            **changes}  # fmt: skip


def of(result, name):
    return next(one for one in result.stages if one.name == name)


@pytest.mark.parametrize(("left_at", "verdict"), [(5.3, "breach"), (1.0, "clear")])
def test_a_tool_stays_where_it_was_hauled_to_and_is_judged_there(left_at, verdict):
    """Bus to bag 6.8 - 6.0 = 0.8 m; from the middle of the bag to the mast 0.7 m down and 0.15 m aside, less 0.2 m.
    Together 1.32 m, less than the 1.50 m that are required at 245 kV and 2.5 per unit; from bus to mast alone 1.7 m.
    Further down the bag shortens no way from the one to the other."""
    stages = [step("haul", hauled="bag", haul_m=left_at), step("put up the mast", "bring", bodies=["mast"])]
    found = checked(**parts(*stages))
    assert of(found, "haul").verdict == "clear"
    later = of(found, "put up the mast")
    assert later.verdict == verdict
    assert later.parameters["haul_m"] == (left_at, left_at)
    through = gap(later, "A", "earth", "object")
    if verdict == "breach":
        assert through.posture.through == ("bag",)
        assert through.posture.gap_upper_m == pytest.approx(
            (6.8 - 5.8 - 0.2) + math.hypot(0.15, 5.8 - 5.1) - 0.2, abs=0.003
        )


def test_a_tool_that_was_taken_away_is_nowhere():
    stages = [
        step("haul", hauled="bag", haul_m=5.3), step("off", "take away", bodies=["bag"]),
        step("put up the mast", "bring", bodies=["mast"]),
    ]  # fmt: skip
    found = checked(**parts(*stages))
    assert [one.verdict for one in found.stages] == ["clear"] * 3
    there = {s.name: {b.name for b in pieces[0].bodies} for s, pieces in _staged(scene(**parts(*stages)))}
    assert {name: "bag" in bodies for name, bodies in there.items()} == {
        "haul": True,
        "off": True,
        "put up the mast": False,
    }


def test_a_tool_is_hauled_on_from_where_it_was_left():
    for span, refused in (([5.3, 5.6], False), ([5.4, 5.6], True)):
        stages = [step("haul", hauled="bag", haul_m=5.3), step("look"), step("on", hauled="bag", haul_m=span)]
        found = [str(m) for _, _, ms in sequence.follow(scene(**parts(*stages))) for m in ms]
        assert bool(found) == refused
    assert "stage 'on': haul_m: expected a range that meets that of stage 'look' for 'bag', 5.3 m" in found[0]


def test_two_tools_that_were_left_are_both_there():
    other = {**LINE, "name": "second line", "from": [2, 6, 7], "to_m": [2, 6, 0.5]}
    stages = [step("haul", hauled="bag", haul_m=5.0), step("second", hauled="box", haul_m=[1.0, 2.0]), step("look")]
    tools = [BAG, {**BAG, "name": "box", "line": "second line"}]
    found = _staged(scene(**parts(*stages, ropes=[LINE, other], tools=tools)))
    (setting,) = [pieces[0] for one, pieces in found if one.name == "look"]
    assert {b.name for b in setting.bodies if b.kind == "tool"} == {"bag", "box"}
    assert dict(setting.box) == {"haul_2_m": (1.0, 2.0)}
    assert setting.held["haul_m"] == 5.0


def _staged(made):
    prepared = prepare(made)
    return zip(prepared.site.scene.stages, prepared.stages, strict=True)


def test_a_body_is_judged_from_the_stage_that_brings_it_to_the_one_that_takes_it_away():
    stages = [
        step("before"),
        step("comes", "bring", bodies=["mast"]),
        step("goes", "take away", bodies=["mast"]),
        step("after"),
    ]
    low = [slab("bus", bottom_m=6.4), FAR_B, MAST]  # 1.3 m above the mast, of the 1.50 m that are required
    found = checked(**parts(*stages, solids=low, tools=None))
    assert [one.verdict == "breach" for one in found.stages] == [False, True, True, False]
    high = checked(**parts(*stages, solids=[slab("bus", bottom_m=6.8), FAR_B, MAST], tools=None))
    assert not [one.name for one in high.stages if one.verdict == "breach"]


REFUSED = {
    "twice": ([("bring", "mast"), ("bring", "mast")], "'1': bodies: expected a body that is not there yet"),
    "gone": ([("take away", "mast"), ("take away", "mast")], "'1': bodies: expected a body that is there"),
    "the line goes and the tool stays": ([("work", None), ("take away", "hand line")], "a line with nothing on it"),
    "hauled before it comes": ([("work", None), ("bring", "bag")], "'0': hauled: expected \"bag\" there, found not"),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_comes_and_goes_out_of_order_is_refused(name):
    told, words = REFUSED[name]
    stages = [
        step(str(k), kind, bodies=[body] if body else None, hauled="bag" if body is None else None)
        for k, (kind, body) in enumerate(told)
    ]
    # A tool that no stage hauls is refused: where the steps do not haul it, one after them does.
    last = step("haul", hauled="bag", haul_m=1.0)
    stages = stages if any(one["hauled"] for one in stages) else [*stages, last]
    assert any(words in str(mistake) for mistake in carried.presence(scene(**parts(*stages))))
    good = [
        step("0", "bring", bodies=["mast"]),
        step("1", "take away", bodies=["mast"]),
        step("2", "bring", bodies=["mast"]),
        last,
    ]
    assert not list(carried.presence(scene(**parts(*good))))


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"kind": "work", "bodies": ["mast"]}, "bodies: expected nothing, found bodies in a stage of kind \"work\""),
        ({"kind": "bring"}, "bodies: expected which bodies to bring, found nothing"),
        ({"kind": "bring", "bodies": ["bus 7"]}, "bodies: expected what a job can bring: a rope, a tool"),
    ],
)  # fmt: skip
def test_only_bodies_of_the_job_come_and_go(fields, words):
    with pytest.raises(InputError) as caught:
        scene(**parts(step("one", **fields)))
    assert words in str(caught.value)


@pytest.mark.parametrize("kind", ["bring", "take away"])
def test_a_live_part_of_the_site_neither_comes_nor_goes(kind):
    """With a bar at phase A taken away, or brought when all is done, every stage between would be judged without it."""
    bar = {**MAST, "name": "bar"}
    for potential in ("earth", "floating"):
        said = scene(**parts(step("one", kind, bodies=["bar"]), solids=[bar | {"potential": potential}], tools=None))
        assert said.stages[0].bodies == ("bar",)
    live, by_word = {"solids": [bar | {"potential": "A"}]}, {"potentials": {"bar": "A"}}
    for told, fields in ((live, {}), ({"solids": [bar]}, by_word), (live, {"potentials": {"bar": "earth"}})):
        with pytest.raises(
            InputError, match="stage 'one': bodies: expected nothing that is at a phase, found \"bar\" at A"
        ):
            scene(**parts(step("one", kind, bodies=["bar"], **fields), tools=None, **told))


@pytest.fixture(scope="module")
def job():
    return templates.expanded(read_scene(builtin_scene("job_three_phases")))


def only(job, *names, **changes):
    stages = tuple(stage.model_copy(update=changes.get(stage.name, {})) for stage in job.stages if stage.name in names)
    return job.model_copy(update={"stages": stages, "asks": "stages"})


def test_an_arm_that_reaches_when_the_connection_opens_is_found_at_the_join(job):
    """Standing, the worker keeps the stated metre from where dropper A opens; an arm that still reaches does not. The
    stage before is clear, and so is the opening by itself: only at their join is it found."""
    scene = only(job, "loosen dropper A", "open dropper A", **{"open dropper A": aloft(job, opening_distance_m=1.0)})
    loosen, opened = scene.stages
    still = {"name": "stand clear", "posture": "standing", "climb_m": opened.climb_m}
    for before, verdict in (((loosen,), "breach"), ((loosen, loosen.model_copy(update=still)), "clear"), ((), "clear")):
        asked = scene.model_copy(update={"stages": (*before, opened)})
        prepared = prepare(asked)
        bench = Bench(prepared.site, build_engine(prepared.stages[-1]), 0.05)
        pieces = pieces_of(bench, prepared.stages[-1])
        some = [[piece for piece in pieces if piece.compiled.setting.check == each] for each in ("posture", "reach")]
        found = nearness.approaches(bench, prepared.site.scene.stages[-1], *some)
        kept = {a.body: a.measure.verdict for a in found if a.to == "where dropper A opens"}
        assert kept == {"worker": verdict, **dict.fromkeys(kept.keys() - {"worker"}, "clear")}


def aloft(job, **fields):
    """Fields of a stage in which the worker of the job stands bonded to A, and touches nothing that opens."""
    bond = next(stage for stage in job.stages if stage.name == "bond to A")
    same = {key: getattr(bond, key) for key in ("workers", "bonded", "bonding_lead_m", "clamp_m")}
    return {**same, "posture": "standing", "climb_m": Range(5.8, 6.0), **fields}


def test_the_join_is_where_both_boxes_meet_with_what_was_before(job):
    prepared = prepare(only(job, "climb to A", "bond to A"))
    step_of = prepared.site.scene.stages[1]
    joined = carried.at_join(prepared.site.scene, step_of)
    assert joined.posture == "climbing"
    assert joined.climb_m == Range(5.2, 5.2)
    assert joined.travel_m == Range(1.9, 2.1)
    settings = prepared.stages[1]
    # Either hand foremost, here and at the join.
    assert [setting.check for setting in settings] == ["posture", "posture", "reach", "posture", "posture"]
    assert settings[-1].held["climb_m"] == settings[-2].held["climb_m"] == 5.2
    assert [setting.check for setting in prepare(only(job, "loosen dropper A", "lower dropper A", **{
        "lower dropper A": aloft(job, anew=True)})).stages[1]][-1] == "reach"  # fmt: skip


def test_a_clamp_that_is_moved_is_judged_at_both_places(job):
    moved = {"loosen dropper A": {"clamp_m": (1.0, -4.5, 8.8), "climb_m": Range(6.4, 6.6)}}
    settings = prepare(only(job, "bond to A", "loosen dropper A", **moved)).stages[1]
    places = [standing(setting, {"climb_m": 6.5}) for setting in settings]
    places = [next(b for b in bodies if b.kind == "lead").shape.vertices[0, 0, 0] for bodies in places]
    assert [setting.check for setting in settings] == ["posture", "posture", "reach", "posture", "posture"]
    assert places[0] == places[1] == places[2] != places[3] == places[4]


# Bonds and potentials change under both sides.


def states(job, name, body):
    found = prepare(only(job, name)).stages[0][0]
    one = next(b for b in found.bodies if b.name == body)
    return {one.potential, *(potential for _, potential in one.states)}


@pytest.mark.parametrize("name", ["bond to A", "bond off at A"])
def test_a_bond_is_judged_made_and_not_made(job, name):
    assert states(job, name, "worker") == {"A", None}


def test_stepping_on_and_off_is_judged_at_earth_and_off_the_ground(job):
    assert states(job, "step on at A", "worker") == states(job, "step off at A", "worker") == {"earth", None}
    assert states(job, "climb to A", "worker") == {None}


def test_earthing_and_opening_are_judged_at_both_potentials(job):
    tail = "dropper A"
    assert states(job, "earth dropper A", tail) == {"A", "earth", tail}
    (found,) = (
        body for body in prepare(only(job, "earth dropper A", "move to B")).stages[1][0].bodies if body.name == tail
    )
    assert (found.potential, found.states) == ("earth", ())
    assert states(job, "remove the earth of dropper A", tail) == {"A", "earth", tail}
    # A statement that it is never at its phase holds from when it is open, not while it opens.
    said = {"kind": "never at", "body": tail, "states": ("phase",), "basis": "test", "by": "test", "on": "2026-11-30"}
    never = [s for s in job.statements if not (s.kind == "never at" and s.body == tail)]
    entry = next(s for s in job.statements if s.kind == "never at" and s.body == tail).model_validate(said)
    changed = job.model_copy(update={"statements": (*never, entry)})
    assert "A" in states(changed, "open dropper A", tail)
    assert "A" not in states(changed, "lower dropper A", tail)
    assert statements.never_at(changed, changed.stages[0], tail) == {"phase"}


RESCUE = {"rescue": "put up the mast"}


@pytest.mark.parametrize("main", [True, False])
def test_what_a_rescue_takes_away_or_hauls_stays_as_it_was_for_the_job_itself(main):
    """As in `test_a_tool_stays_where_it_was_hauled_to`: a bag at 5.3 m between bus and mast leaves 1.3 m of 1.50 m."""
    branch = {} if main else RESCUE
    put_up = step("put up the mast", "bring", bodies=["mast"])
    away = step("mast away", "take away", bodies=["mast"], **RESCUE)
    haul = step("haul", hauled="bag", haul_m=5.3, **branch)
    found = checked(**parts(put_up, away, haul))
    # The rescue itself goes on from what it took away; the job does not.
    assert of(found, "haul").verdict == ("breach" if main else "clear")

    up = step("up", hauled="bag", haul_m=5.3)
    down = [step("down", hauled="bag", haul_m=[1.0, 5.3], rescue="up"), step("there", hauled="bag", haul_m=1.0)]
    down[1]["rescue"] = "up"
    last = {**put_up, "rescue": None if main else "up"}
    found = checked(**parts(up, *down, last))
    assert of(found, "put up the mast").parameters["haul_m"] == ((5.3, 5.3) if main else (1.0, 1.0))
    assert of(found, "put up the mast").verdict == ("breach" if main else "clear")


def test_a_rescue_begins_with_what_is_there_in_the_stage_it_branches_off():
    put_up, away = step("put up", "bring", bodies=["mast"]), step("away", "take away", bodies=["mast"])
    stages = [put_up, away, step("early", rescue="put up"), step("late", rescue="away"), step("after")]
    there = {s.name: any(b.name == "mast" for b in p[0].bodies) for s, p in _staged(scene(**parts(*stages)))}
    # While it is being taken away it may still be there.
    assert there == {"put up": True, "away": True, "early": True, "late": True, "after": False}
    twice = [put_up, step("again", "bring", bodies=["mast"], rescue="put up")]
    assert any("a body that is not there yet" in str(m) for m in carried.presence(scene(**parts(*twice))))
    own = [step("before"), step("its own", "bring", bodies=["mast"], rescue="before"), put_up]
    assert not list(carried.presence(scene(**parts(*own))))


@pytest.mark.parametrize("hung", ["mast", "the crane behind"])
def test_a_rope_hangs_by_name_from_what_is_there(hung):
    """Both sides of the change: a line that hangs from a mast which is put up only later hangs on nothing before."""
    line = {**LINE, "hangs_from": hung}
    with_mast = parts(step("put up the mast", "bring", bodies=["mast", "hand line"]), ropes=[line])
    prepare(scene(**with_mast))
    later = parts(step("look"), step("put up the mast", "bring", bodies=["mast"]), ropes=[line])
    if hung != "mast":
        prepare(scene(**later))  # a word that is the name of nothing in the scene
        return
    with pytest.raises(
        InputError, match="hangs_from: expected \"mast\" there in stage 'look', found a body that is not"
    ):
        prepare(scene(**later))
    gone = [INSULATES, {"kind": "absent", "bodies": ["mast"]}]
    with pytest.raises(InputError, match="hangs_from: expected \"mast\" there in stage 'look'"):
        prepare(scene(**parts(step("look"), ropes=[line], statements=gone)))
