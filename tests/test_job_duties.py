"""What a stage must judge is told from its records, and nothing that was lost on the way to a sweep is clear.

One bay: a phase overhead, the two others far above it, a worker on a ladder, whose head at 5 m climb is 0.35 m below
the phase or 7 m: the whole scene is a breach or clear. Then one thing is forgotten at a time, on both sides of the
limit: what was a breach must not become clear, nor may what was clear stay so.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
import small_scenes
from small_scenes import SAID, WORKER, box, checked, scene, slab, stage, text

from clearance.engine import build_engine
from clearance.errors import InputError
from clearance.job import carried, duties, judging, untold
from clearance.job.measuring import Bench, pieces_of
from clearance.job.questions import questions
from clearance.job.standing import crew_there
from clearance.pipeline import check, prepare
from clearance.scene import records
from clearance.scene.records import Range
from clearance.shapes import join

FAR = [slab("bus B", bottom_m=20.0, potential="B"), slab("bus C", bottom_m=26.0, potential="C")]
LOW, HIGH = 7.3, 14.0
"""[m] Undersides of phase A: nobody who is not bonded comes nearer to it than 0.3 m and an ergonomic part of 0.31 m."""
LADDER = {**small_scenes.LADDER, "length_m": 6.1, "insulating_to_m": 6.1}


def parts(kind, bottom_m, **changes):
    told = {
        "step on": {"climb_m": [0, 1]},
        "climb": {"climb_m": [3, 5]},
        "descend": {"climb_m": [3, 5]},
        "work": {"climb_m": [4, 5]},
        "travel": {"travel_m": [4, 6], "climb_m": 5, "workers": ["worker"], "rides": "the test: moved by hand"},
    }[kind]
    low = bottom_m if kind != "step on" else bottom_m - 4.0
    told = {**told, **changes}
    return {"ladder": LADDER, "solids": [slab("bus A", bottom_m=low), *FAR], "stages": [stage(kind=kind, **told)]}


def verdict(given):
    try:
        return checked(0.01, **given).verdict
    except InputError:
        return "refused"


KINDS = ("step on", "climb", "descend", "work", "travel")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("bottom_m", "whole"), [(LOW, "breach"), (HIGH, "clear")])
def test_what_is_forgotten_never_makes_a_stage_clear(kind, bottom_m, whole):
    assert verdict(parts(kind, bottom_m)) == whole
    forgotten = {
        "travel_m": {"travel_m": None},
        "climb_m": {"climb_m": None},
        "workers": {"workers": []},
        "both": {"travel_m": None, "climb_m": None},
        "everybody": {"travel_m": None, "climb_m": None, "workers": []},
    }
    for words, changes in forgotten.items():
        if kind == "travel" and words == "workers":
            changes = {"workers": [], "travel_m": 5}  # a ladder that travels with nobody on it is a stage like others
        assert verdict(parts(kind, bottom_m, **changes)) != "clear", words
    for table in ("workers", "ladder", "track"):
        given = {**parts(kind, bottom_m), table: None}
        assert verdict(given) != "clear", table
        given = {**parts(kind, bottom_m, travel_m=None, climb_m=None, workers=None), table: None}
        assert verdict(given) != "clear", table


def keeping(result):
    """What keeps a result from being clear, besides its stages."""
    return [point for point in result.open_points if point.verdict != "clear"]


def missing(given):
    (found,) = checked(0.01, **given).stages
    assert found.verdict == "undecided"
    return {str(point): point.cure for point in found.open_points}


def test_a_forgotten_station_is_told_for_everybody_it_leaves_out_with_its_cure():
    told = missing(parts("climb", HIGH, travel_m=None))
    assert told["worker is not there: nothing of it is judged"] == "state travel_m"
    assert "travel_m" in told["ladder is not there: nothing of it is judged"]
    assert len(told) == 2


def test_a_stage_that_is_named_for_a_motion_moves():
    """At one height nobody climbs and at one station nothing travels; the same over a range is judged."""
    assert missing(parts("climb", HIGH, climb_m=5)) == {
        "worker is not moved over climb_m": "state climb_m as the range of the way, not one value"
    }
    assert missing(parts("descend", HIGH, climb_m=5)).keys() == {"worker is not moved over climb_m"}
    assert missing(parts("travel", HIGH, travel_m=5)).keys() == {"ladder is not moved over travel_m"}
    assert verdict(parts("work", HIGH, climb_m=5)) == "clear"


def test_nobody_aloft_is_told_in_every_stage_that_needs_somebody():
    for kind in ("step on", "climb", "descend", "work"):
        told = missing(parts(kind, HIGH, workers=[], climb_m=None))
        assert list(told) == ["nobody is aloft: nobody is judged"], kind
    (found,) = checked(0.01, **parts("travel", HIGH, workers=[], climb_m=None, rides=None)).stages
    assert found.verdict == "clear"


@pytest.mark.parametrize(
    ("said", "cure"),
    [
        ({"kind": "absent", "bodies": ["worker"]}, "withdraw the statement that 'worker' is not there"),
        ({"kind": "circuit earthed", "circuit": "bay"}, "state which circuit is live"),
    ],
)
def test_the_cure_of_a_worker_of_whom_nothing_is_judged_cures_it(said, cure):
    given = parts("climb", HIGH)
    told = missing({**given, "statements": [{**SAID, **said}]})
    assert any("worker" in where for where in told)
    assert all(cure in one for where, one in told.items() if "worker" in where), told
    assert checked(0.01, **given).verdict == "clear"


def test_a_ladder_stated_as_absent_carries_nobody():
    said = {**SAID, "kind": "absent", "bodies": ["ladder"]}
    told = missing({**parts("work", HIGH), "statements": [said]})
    assert "what worker stands on is not there: nothing of it is judged" in told
    said = {**SAID, "kind": "absent", "bodies": ["worker"]}
    assert "worker is not there: nothing of it is judged" in missing({**parts("work", HIGH), "statements": [said]})


def test_the_ground_is_never_taken_away():
    said = {**SAID, "kind": "absent", "bodies": ["ground"]}
    assert verdict({**parts("work", HIGH), "statements": [said]}) == "refused"
    for potential in ("floating", "A"):
        assert verdict(parts("work", HIGH, potentials={"ground": potential})) == "refused"
    assert verdict(parts("work", HIGH, potentials={"ground": "earth"})) == "clear"


def test_a_phase_with_no_body_is_told_once():
    given = {**parts("work", HIGH), "solids": [slab("bus A", bottom_m=HIGH), FAR[0]]}
    told = missing(given)
    assert list(told) == ["nothing stands at phase C: no gap to it could be judged"]


def test_with_no_live_circuit_no_gap_is_judged_and_nothing_is_clear():
    said = {**SAID, "kind": "circuit earthed", "circuit": "bay"}
    assert "a live circuit is not there: nothing of it is judged" in missing(
        {**parts("work", HIGH), "statements": [said]}
    )


def test_a_bonded_worker_owes_a_lead():
    touch = {**SAID, "kind": "contact", "bodies": ["worker", "bus A"]}
    near = {"solids": [slab("bus A", bottom_m=7.0), *FAR], "statements": [touch]}
    bond = stage(kind="work", climb_m=5, bonded={"worker": "A"}, posture="reaching")
    (found,) = checked(0.01, **near, stages=[bond]).stages
    cure = "state its length and its clamp: bonding_lead_m, clamp_m"
    assert ("worker bonding lead is not there: nothing of it is judged", cure) in [
        (point.what, point.cure) for point in found.open_points
    ]
    (found,) = checked(0.01, **near, stages=[{**bond, "bonding_lead_m": 2.0, "clamp_m": [0.0, 0.0, 7.0]}]).stages
    assert not found.open_points


def test_every_range_that_a_stage_states_is_swept_by_something():
    """Each of the ranges over which this stage could move: where one is not in the box that was swept, it is told."""
    told = {"heading_deg": [-5, 5], "lean_along_deg": [-1, 1], "lean_across_deg": [-2, 2], "swing_m": 0.2}
    given = parts("work", HIGH, travel_m=[4.9, 5.1], **told)
    made = scene(**given)
    prepared = prepare(made)
    (pieces,) = prepared.stages
    bench = Bench(prepared.site, build_engine(pieces, besides=prepared.site.bodies), 0.05)
    assert judging.judge_stage(bench, prepared.site.scene.stages[0], pieces_of(bench, pieces)).open_points == ()
    names = [*told, "travel_m", "climb_m"]
    names[names.index("swing_m")] = "swing_along_m"
    for name in names:
        middle = [replace(piece, box={**piece.box, name: (0.5 * sum(piece.box[name]),) * 2}) for piece in pieces]
        points = [
            str(p)
            for p in judging.judge_stage(bench, prepared.site.scene.stages[0], pieces_of(bench, middle)).open_points
        ]
        assert any(name in point for point in points), name


def test_every_body_is_owed_and_its_loss_is_told():
    """Each body the records speak of, dropped from what is swept as a defect of assembling would: it is told by name.

    Then its surface alone is taken away, which leaves it there by name and judged nowhere.
    """
    crew = [{"name": "helper", "stature_m": 1.8, "at_m": [-6, 0]}]
    vehicles = [{"name": "truck", "centre_m": [-12, 0, 1], "size_m": [4, 2, 2]}]
    ropes = [{"name": "guy", "from": "ladder @ 1", "to_m": [-6, 3, 0], "diameter_m": 0.02}]
    made = scene(**parts("work", HIGH), crew=crew, vehicles=vehicles, ropes=ropes)
    prepared = prepare(made)
    (pieces,) = prepared.stages
    (told,) = prepared.site.scene.stages
    owed = {duty.who for duty in duties.duties(made, told)}
    names = {body.name for body in pieces[0].bodies if body.kind != "hull"}
    assert names <= owed
    for name in sorted(names):
        for lost in ("body", "surface"):
            some = []
            for piece in pieces:
                bodies = tuple(b for b in piece.bodies if b.name != name)
                if lost == "surface":
                    bodies = tuple(replace(b, shape=join([])) if b.name == name else b for b in piece.bodies)
                some.append(replace(piece, bodies=bodies))
            bench = Bench(prepared.site, build_engine(some, besides=prepared.site.bodies), 0.05)
            found = judging.judge_stage(bench, told, pieces_of(bench, some))
            phase = name.removeprefix("bus ")
            said = (f"{name} is not there: nothing of it is judged",
                    f"nothing stands at phase {phase}: no gap to it could be judged")  # fmt: skip
            assert found.verdict == "undecided", (name, lost)
            assert any(str(point) in said for point in found.open_points), (name, lost)


def test_weather_crew_and_tools_that_nobody_speaks_of_keep_the_job_from_being_clear():
    whole = parts("work", HIGH)
    assert checked(0.05, **whole).verdict == "clear"
    lines = text(**whole).splitlines()
    for what in ("weather", "crew", "tools"):
        made = scene(**whole)
        said = tuple(
            entry.model_copy(update={"what": tuple(w for w in entry.what if w != what)})
            if entry.kind == "none"
            else entry
            for entry in made.statements
        )
        found = check(made.model_copy(update={"statements": said}), 0.05, withdraw=False)
        assert found.verdict == "undecided"
        (point,) = keeping(found)
        assert what in point.what
        assert '"none"' in point.cure
        assert what in point.cure
    assert any('kind = "none"' in line for line in lines)
    armed = {**whole, "workers": [{**WORKER, "tool_m": 0.3}]}
    made = scene(**armed)
    said = tuple(
        entry.model_copy(update={"what": ("weather", "crew")}) if entry.kind == "none" else entry
        for entry in made.statements
    )
    assert not keeping(check(made.model_copy(update={"statements": said}), 0.05, withdraw=False))


HELPER = {"name": "helper", "stature_m": 1.8, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05, "at_m": [-8, 0]}
AIR_AND_HANDS = {"kind": "none", "what": ["weather", "tools"]}


def coming_and_going(kinds, *said):
    """What is told of a job of three stages in the second of which the only helper comes or goes."""
    empty = {"workers": [], "travel_m": None}
    stages = [stage(name=f"{k}", kind=kind, **empty, **({"bodies": ["helper"]} if kind != "work" else {}))
              for k, kind in enumerate(kinds)]  # fmt: skip
    whole = {**parts("work", HIGH), "stages": stages, "crew": [HELPER], "statements": [AIR_AND_HANDS, *said]}
    return [point for point in keeping(checked(0.05, **whole)) if "on the ground" in point.what]


def nobody(*stages):
    return {"kind": "none", "what": ["crew"], "stages": list(stages)}


@pytest.mark.parametrize(
    ("kinds", "untold"),
    [
        (("work", "work", "work"), ()),
        (("work", "bring", "work"), ("0",)),
        (("work", "take away", "work"), ("2",)),
        (("bring", "take away", "work"), ("2",)),
        (("work", "work", "bring"), ("0", "1")),
    ],
)
def test_who_comes_only_later_says_nothing_of_the_stages_before(kinds, untold):
    found = coming_and_going(kinds)
    assert len(found) == bool(untold)
    for point in found:
        assert point.what.startswith("nobody of the crew is there in " + " and ".join(f"'{one}'" for one in untold))
        assert "stages = [" + ", ".join(f'"{one}"' for one in untold) + "]" in point.cure
    if untold:
        assert coming_and_going(kinds, nobody(*untold)) == []
    if len(untold) > 1:
        assert len(coming_and_going(kinds, nobody(untold[0]))) == 1


def test_that_nobody_is_there_is_not_said_of_a_stage_in_which_somebody_is():
    for stages in (("0", "1"), ("0", "2")):
        with pytest.raises(InputError, match='expected nobody of the crew there, as stated, found "helper"'):
            coming_and_going(("work", "bring", "work"), nobody(*stages))
    with pytest.raises(InputError, match="expected no crew in the scene, found a table of it"):
        coming_and_going(("work", "bring", "work"), {"kind": "none", "what": ["crew"]})
    with pytest.raises(InputError, match='expected "crew" alone where it holds in some stages'):
        coming_and_going(("work", "bring", "work"), {"kind": "none", "what": ["crew", "tools"], "stages": ["0"]})


def test_whoever_is_not_aloft_is_on_the_ground_whatever_is_said_of_crew():
    """Of two who climb in turn one is always below: that there is no crew does not take them away, nor that somebody
    else is there; whoever is said to be the one who waits is there while that one is below."""
    second = {**WORKER, "name": "second"}
    turns = [stage(name=name, kind="work", climb_m=4, workers=[name], anew=True) for name in ("worker", "second")]
    for crew, stages, told in (
        (None, turns, ["'second': on the ground in 'worker'", "'worker': on the ground in 'second'"]),
        ([HELPER], turns, ["'second': on the ground in 'worker'", "'worker': on the ground in 'second'"]),
        ([{**HELPER, "worker": "second"}], turns, ["'worker': on the ground in 'second'"]),
        ([{**HELPER, "worker": "second"}, {**HELPER, "name": "one", "worker": "worker"}], turns, []),
        (None, turns[:1], []),
    ):
        workers = [WORKER, second] if len(stages) > 1 else [WORKER]
        made = scene(**{**parts("work", HIGH), "stages": stages, "workers": workers}, crew=crew)
        found = [str(point) for point in untold.of_job(made) if "not judged there" in point.what]
        assert len(found) == len(told)
        assert all(words in line for words, line in zip(told, found, strict=True))
        for one in made.stages if crew else ():
            here = [p["name"] for p in crew if p.get("worker") not in records.aloft(made, one)]
            assert [p.name for p in crew_there(prepare(made).site, one)] == here
    with pytest.raises(InputError, match='worker: expected a worker of this scene, found "wurker"'):
        scene(**parts("work", HIGH), crew=[{**HELPER, "worker": "wurker"}])


def test_a_ladder_is_raised_by_somebody():
    """That there is no crew says nothing of whoever raises it, lays it down or moves it."""
    leans = {
        "set up": {"lean_along_deg": [-80, 0]},
        "strike": {"lean_along_deg": [-80, 0]},
        "travel": {"travel_m": [4, 5]},
    }
    for kind, fields in leans.items():
        moves = stage(**{"name": "moves", "kind": kind, "workers": [], "climb_m": None, "posture": None, **fields})
        whole = {**parts("work", HIGH), "stages": [moves]}
        for crew, told in ((None, 1), ([HELPER], 0)):
            found = [point for point in untold.of_job(scene(**whole, crew=crew)) if "judged nowhere" in point.what]
            assert [point.verdict for point in found] == ["undecided"] * told, kind


def test_a_worker_waits_in_one_place():
    twice = [{**HELPER, "worker": "worker"}, {**HELPER, "name": "rigger", "worker": "worker"}]
    with pytest.raises(InputError, match='expected a worker whom nobody else of the crew is, found "worker", as "rig'):
        scene(**parts("work", HIGH), crew=twice)


def test_whoever_is_aloft_as_a_worker_is_not_on_the_ground():
    """The helper whose place on the ground is within reach of phase A's stub, and who climbs in the only stage."""
    stub = box("stub", [-3, 0, 1.0], [0.2, 0.2, 0.2], "A")
    crew = {**HELPER, "at_m": [-3, 0]}
    for said, verdict in (({"worker": "worker"}, "clear"), ({}, "breach")):
        given = parts("work", HIGH)
        found = checked(0.05, **{**given, "solids": [*given["solids"], stub]}, crew=[{**crew, **said}])
        assert found.stages[0].verdict == verdict
    assert [str(point) for point in keeping(found) if "crew" in str(point)] == []


def test_a_tool_on_a_line_says_nothing_of_what_hands_hold():
    ropes = [{"name": "line", "from": [-3, 0, 6], "to_m": [-3, 2, 0], "diameter_m": 0.02, "hangs_from": "a beam"}]
    tools = [{"name": "bag", "line": "line", "radius_m": 0.2, "swing_m": 0.2}]
    hauls = stage(name="hauls", kind="work", workers=[], travel_m=None, hauled="bag", haul_m=0)
    for told, count in (({}, 1), ({"tool_m": 0.0}, 0), ({"tool_m": 0.2}, 0)):
        whole = {**parts("work", HIGH), "stages": [hauls], "workers": [{**WORKER, **told}]}
        found = keeping(checked(0.05, **whole, ropes=ropes, tools=tools))
        assert len([point for point in found if "tool_m is not stated" in point.what]) == count


def test_what_no_stage_judges_is_told_of_the_job():
    second = {**WORKER, "name": "second"}
    whole = {**parts("work", HIGH, workers=["worker"]), "workers": [WORKER, second]}
    (point,) = keeping(checked(0.05, **whole))
    assert str(point) == "worker 'second': aloft in no stage: never judged"
    ropes = [{"name": "line", "from": [-3, 0, 6], "to_m": [-3, 2, 0], "diameter_m": 0.02}]
    tools = [{"name": "bag", "line": "line", "radius_m": 0.2, "swing_m": 0.2}]
    with pytest.raises(InputError, match="expected a stage that hauls it, found none"):
        checked(0.05, **parts("work", HIGH), ropes=ropes, tools=tools)
    crew = [{"name": "helper", "stature_m": 1.8, "at_m": [-6, 0]}]
    said = {**SAID, "kind": "absent", "bodies": ["helper"]}
    (point,) = keeping(checked(0.05, **parts("work", HIGH), crew=crew, statements=[said]))
    assert str(point) == "crew 'helper': absent from every stage: never judged"


def test_a_range_that_was_swept_in_part_only_is_not_judged():
    """What was swept is held against what is stated, not against whether anything was."""
    made = scene(**parts("work", HIGH))
    told = made.stages[0]
    (pieces,) = prepare(made).stages
    wider = told.model_copy(update={"climb_m": Range(3.0, 5.0)})
    for given, moved in ((told, True), (wider, False)):
        pairs = set(duties._moved(given, pieces))
        assert (("worker", "climb_m") in pairs) is moved


def test_a_ladder_and_its_guys_are_asked_for_only_while_it_stands():
    """Before it is set up and once it is struck there is neither; where a station is forgotten, there is."""
    empty = {"workers": [], "climb_m": None, "posture": None}
    lying = {**empty, "travel_m": None}
    turned = {**empty, "lean_along_deg": [-85, 0]}
    guy = {"name": "guy", "from": "ladder @ 6", "to_m": [-4, 0, 0], "diameter_m": 0.012, "guy": True}
    whole = [
        stage(name="before", **lying), stage(name="set up", kind="set up", **turned), stage(name="work"),
        stage(name="strike", kind="strike", **turned), stage(name="after", **lying),
    ]  # fmt: skip

    def asked(stages):
        told = carried.taken_over(scene(solids=FAR, ropes=[guy], stages=stages))
        return [{duty.who for duty in duties.duties(told, one)} & {"ladder", "guy"} for one in told.stages]

    both, none = {"ladder", "guy"}, set()
    assert asked(whole) == [none, both, both, both, none]
    # It stands as it is found: what states no station of it has forgotten one.
    assert asked([whole[0], whole[2]]) == [both, both]
    assert asked(whole[:1]) == [both]
    # Somebody is on what is not there: that is asked for all the same.
    told = carried.taken_over(scene(solids=FAR, stages=[stage(name="on", travel_m=None), *whole[1:]]))
    assert "worker" in {duty.who for duty in duties.duties(told, told.stages[0])}


@pytest.mark.parametrize(
    ("name", "changes", "said"),
    [
        ("somebody aloft", {"workers": []}, "nobody is aloft: nobody is judged"),
        ("phase C", {}, "nothing stands at phase C: no gap to it could be judged"),
        ("a live circuit", {}, "a live circuit is not there: nothing of it is judged"),
    ],
)
def test_no_name_of_a_body_stands_for_what_is_missing(name, changes, said):
    """A box far off, whatever it is called, is not the climber, nor a phase, nor a circuit."""
    given = {**parts("climb", HIGH, **changes)}
    if name == "phase C":
        given["solids"] = given["solids"][:-1]
    if name == "a live circuit":
        given["statements"] = [{"kind": "circuit earthed", "circuit": small_scenes.CIRCUIT["name"]}]
    for called in ("shed", name):
        box = small_scenes.box(called, [30.0, 30.0, 1.0], [1.0, 1.0, 1.0])
        found = checked(0.01, **{**given, "solids": [*given["solids"], box]})
        assert said in [str(point) for one in found.stages for point in one.open_points]
        assert found.verdict == "undecided"


@pytest.mark.parametrize(("stands", "owed"), [(False, True), (True, False)])
def test_work_with_nobody_aloft_is_nothing_but_where_people_on_the_ground_go_elsewhere_in_it(stands, owed):
    """Whoever earths a tail steps back: it is said that nobody is aloft, and they are judged on their way."""
    helper = {"name": "helper", "stature_m": 1.8, "suit_m": 0.0, "boots_m": 0.0, "helmet_m": 0.0, "at_m": [8.0, 0.0]}
    goes = [{"who": "helper", "at_m": [9.0, 3.0], "radius_m": 0.3}] if stands else []
    told = parts("work", HIGH, workers=[], climb_m=None, posture=None, stands=goes)
    made = scene(**told, crew=[helper])
    owes = {one.who for one in duties.duties(made, made.stages[0])}
    assert (duties.SOMEBODY in owes) == owed
    assert "helper" in owes


def owed(told, **changes):
    """What the stage owes: who, against what, from which check."""
    made = scene(
        **{**parts("climb", HIGH), "stages": [stage(**{"kind": "climb", "climb_m": [3, 5], **told})], **changes}
    )
    return {(one.who, against, one.check) for one in duties.duties(made, made.stages[0]) for against in one.against}


def test_whoever_climbs_owes_every_potential_with_hands_too_and_nearness_until_bonded():
    bond = {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 1.0, "clamp_m": [0, 0, 14]}
    climbs, bonded = owed({}), owed(bond)
    for at in ("A", "B", "C", "earth"):
        for check_ in ("posture", "reach"):
            assert ("worker", at, check_) in climbs
            assert ("worker", at, check_) in bonded
        assert ("worker", duties.approach(at), "posture") in climbs
        assert ("worker", duties.approach(at), "posture") not in bonded
    assert ("ladder", duties.LENGTH, "posture") in climbs


def test_a_ladder_with_nobody_on_it_owes_no_length():
    empty = {"kind": "travel", "workers": [], "climb_m": None, "posture": None, "travel_m": [4, 6]}
    assert ("ladder", duties.LENGTH, "posture") not in owed(empty)
    assert ("ladder", duties.COLLISIONS, "posture") in owed(empty)


@pytest.mark.parametrize(("kind", "moves"), [("lower", True), ("raise", True), ("work", False)])
def test_a_wire_that_is_lowered_owes_its_way(kind, moves):
    line = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": [9, 0, 9], "to_m": [12, 0, 5], "length_m": 5.2,
            "diameter_m": 0.03, "release": {"free_end": "from", "lowered_to_m": [9.0, 0, 5.0]}}  # fmt: skip
    told = {"kind": kind, "released": ["dropper"], "lower_m": 2.0, "anew": True}
    assert (("dropper", "lower_m", "posture") in owed(told, wires=[line])) == moves


def test_what_is_judged_in_one_piece_of_a_stage_and_not_in_another_is_not_judged():
    prepared = prepare(scene(**parts("climb", HIGH)))
    (of_job,) = prepared.site.scene.stages
    bench = Bench(prepared.site, build_engine(prepared.stages[0]), 0.01)
    pieces = pieces_of(bench, prepared.stages[0])
    found = judging.judge_stage(bench, of_job, pieces)
    piece = next(one for one in pieces if one.compiled.setting.check == "posture")
    asked = questions(bench, of_job, piece.compiled.setting)
    for second, judged in ((asked, True), ({}, False)):
        kept = duties.held(bench, of_job, [piece, piece], {"posture": [asked, second], "reach": []}, found)
        assert (("posture", "worker", "A") in kept) == judged
