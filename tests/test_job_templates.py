"""Jobs expand into stages: those of the demonstration to the letter, and the printed expansion reads back as itself."""

from __future__ import annotations

import pytest
import shapely
from typer.testing import CliRunner

from clearance.cli import app
from clearance.engine import Group, Path, build_engine, compile_setting, enclose
from clearance.errors import InputError
from clearance.job import carried, completeness, sequence, templates
from clearance.job.insulation import sticks
from clearance.job.standing import area_of
from clearance.job.written import written_out
from clearance.pipeline import check, prepare
from clearance.scene import statements
from clearance.scene.builtin import builtin_scene
from clearance.scene.reading import read_scene
from clearance.scene.records import Range
from clearance.scene.statements import contacts

DEMO, JOB = builtin_scene("demo"), builtin_scene("job_three_phases")


def read(folder, jobs, replaced=None):
    """The job scene with other jobs."""
    text = JOB.read_text()
    head = text[: text.index("[[jobs]]")]
    for old, new in (replaced or {}).items():
        assert old in head
        head = head.replace(old, new)
    path = folder / "scene.toml"
    path.write_text(head + jobs)
    return read_scene(path)


def job(kind, **entries):
    lines = [f'[[jobs]]\nkind = "{kind}"', *(f"{key} = {value}" for key, value in entries.items())]
    return "\n".join(lines) + "\n\n"


LEAN = {"lean_along_deg": "[-1.5, 1.5]", "lean_across_deg": "[-1.5, 1.5]"}
CLIMB = {**LEAN, "clear_m": 5.2, "opened": '"by stick or rope"', "work_m": "[5.8, 6.6]", "bonding_lead_m": 1.7}
TURN = '{{ wire = "dropper {0}", station_m = [{1}, {2}], clamp_m = "east bus {0} @ 1.5", {3} }}'
OPENED = "opened_m = 2.75, lowered_m = 3.05"
A, B = TURN.format("A", 1.9, 2.1, OPENED), TURN.format("B", 6.4, 6.6, OPENED)
BY_HAND = {**CLIMB, "opened": '"by hand"', "open_m": "[5.8, 6.0]"}
EARTHED = {"by": '"rope crew west"', "stick_m": 2.5}
OFF_A = job("take off", **CLIMB, opening_distance_m=4.0, turns=f"[{A}]")


def names(scene):
    return [stage.name for stage in templates.expanded(scene).stages]


def test_the_templates_give_the_stages_of_the_demonstration():
    # The demonstration is written stage by stage. It takes the droppers off, and has no rescue.
    found = templates.expanded(read_scene(JOB)).stages
    rescue = next(number for number, stage in enumerate(found) if stage.rescue is not None)
    theirs = read_scene(DEMO).stages
    assert found[:rescue] == theirs[:-1]
    assert (theirs[-1].name, theirs[-1].kind) == (found[-1].name, found[-1].kind) == ("strike ladder", "strike")


def test_every_connection_is_parted_in_a_stage_of_its_own():
    found = templates.expanded(read_scene(JOB))
    parts = [stage for stage in found.stages if stage.kind in ("open", "close")]
    assert [stage.released[0] for stage in parts] == [f"dropper {phase}" for phase in "ABCCBA"]
    for stage in parts:
        touched = {name for pair in contacts(found, stage) if "worker" in pair for name in pair}
        assert stage.released[0] not in touched
        assert (stage.workers, stage.by_hand, stage.bonded) == ((), None, {})
        assert stage.opening_distance_m == 4.0
        assert stage.lower_m == Range(0.0, 2.75)
        beside = found.stages[found.stages.index(stage) + (1 if stage.kind == "open" else -1)]
        assert (beside.kind, beside.lower_m) == ("lower" if stage.kind == "open" else "raise", Range(2.75, 3.05))


@pytest.mark.parametrize("opened", ["by hand", "by stick or rope"])
def test_by_hand_the_worker_holds_the_free_end_and_by_rope_nobody_is_aloft(tmp_path, opened):
    by_hand = opened == "by hand"
    told = {**(BY_HAND if by_hand else CLIMB), **EARTHED, "opening_distance_m": 4.0, "turns": f"[{A}]"}
    found = templates.expanded(read(tmp_path, job("take off", **told) + job("reconnect", **told)))
    sequence.refuse_contradictions(found)
    kinds = [stage.kind for stage in found.stages]
    up, down = ["step on", "climb", "bond on"], ["bond off", "descend", "step off"]
    apart, joined = ["open", "lower", "earthing"], ["earthing", "raise", "close"]
    if by_hand:
        assert kinds == [*up, "work", *apart, *down, *up, *joined, "work", *down]
    else:
        assert kinds == [*up, "work", *down, *apart, *joined, *up, "work", *down]
    for stage in found.stages:
        if stage.kind in (*apart, *joined):
            moved = stage.kind in ("open", "close")
            assert stage.by_hand == ("worker" if by_hand and moved else None)
            assert (stage.workers == ()) != by_hand
            assert stage.bonded == ({"worker": "A"} if by_hand else {})
            assert not (by_hand and moved) or stage.climb_m == Range(5.8, 6.0)
    # What was earthed in its turn stays so until its earth is removed.
    put_on, removed = (number for number, kind in enumerate(kinds) if kind == "earthing")
    earthed = [stage.potentials.get("dropper A") for stage in found.stages]
    assert earthed == ["earth" if put_on < number < removed else None for number in range(len(kinds))]


def test_the_printed_expansion_reads_back_as_the_same_stages(tmp_path):
    scene = read_scene(JOB)
    text = written_out(scene, JOB.read_text())
    path = tmp_path / "written.toml"
    path.write_text(text)
    again = read_scene(path)
    assert (again.jobs, again.stages) == ((), templates.expanded(scene).stages)
    assert text.startswith(JOB.read_text()[: JOB.read_text().index("[[jobs]]")].rstrip())
    assert written_out(again, text) == text


def test_expand_prints_it_and_refuses_what_a_check_would(tmp_path):
    done = CliRunner().invoke(app, ["expand", str(JOB)])
    assert done.exit_code == 0
    assert done.stdout == written_out(read_scene(JOB), JOB.read_text())
    read(tmp_path, job("take off", **{**BY_HAND, "open_m": "[4.0, 4.5]"}, opening_distance_m=4.0, turns=f"[{A}]"))
    wrong = CliRunner().invoke(app, ["expand", str(tmp_path / "scene.toml")])
    assert wrong.exit_code == 2
    assert "job 1 (take off): open_m: expected heights from clear_m, 5.2 m, to the top of work_m, 6.6 m" in wrong.stderr


def test_the_ladder_is_moved_where_the_next_turn_stands_elsewhere(tmp_path):
    scene = read(tmp_path, job("take off", **CLIMB, opening_distance_m=4.0, turns=f"[{A}, {B}]"))
    (move,) = [stage for stage in templates.expanded(scene).stages if stage.kind == "travel"]
    assert (move.name, move.travel_m, move.off) == ("move to B", Range(1.9, 6.6), ("dropper A",))


def test_the_ladder_is_moved_upright_before_it_is_taken_down(tmp_path):
    down = job("strike ladder", lean_along_deg="[-85, 1.5]", lean_across_deg="[-2, 2]", station_m="[10.9, 11.1]")
    stages = templates.expanded(read(tmp_path, OFF_A + down)).stages
    move, last = stages[-2:]
    assert (move.name, last.name) == ("move to station 10.9 m", "strike ladder")
    assert (move.lean_along_deg, move.lean_across_deg) == (Range(-1.5, 1.5), Range(-1.5, 1.5))
    assert last.lean_along_deg == Range(-85.0, 1.5)


def test_reconnecting_is_the_reverse_and_leaves_the_wire_in_place(tmp_path):
    scene = read(tmp_path, OFF_A + job("reconnect", **CLIMB, opening_distance_m=4.0, turns=f"[{A}]"))
    found = templates.expanded(scene)
    sequence.refuse_contradictions(found)
    back = [
        stage for stage in found.stages if stage.name.endswith("(2)") or stage.kind == "close" or "raise" in stage.name
    ]
    kinds = [stage.kind for stage in found.stages[9:]]
    assert kinds == ["raise", "close", "step on", "climb", "bond on", "work", "bond off", "descend", "step off"]
    assert [stage.name for stage in back][:4] == [
        "raise dropper A",
        "close dropper A",
        "step on at A (2)",
        "climb to A (2)",
    ]
    assert [stage.off for stage in found.stages[8:]] == [()] * 10
    assert sequence.follow(found)[-1][1].off == frozenset()


def test_a_job_that_reconnects_what_it_took_off_is_complete(tmp_path):
    up, down = (
        job(f"{verb} ladder", lean_along_deg="[-85, 1.5]", station_m="[1.9, 2.1]") for verb in ("set up", "strike")
    )
    back = job("reconnect", **CLIMB, opening_distance_m=4.0, turns=f"[{A}]")
    found = templates.expanded(read(tmp_path, up + OFF_A + back + down))
    sequence.refuse_contradictions(found)
    assert completeness.missing(found) == ()
    # What it put right hangs as before: nothing of it is disturbed after it was fastened.
    assert not any(stage.disturbed for stage in found.stages[-4:])
    hanging = tuple(stage for stage in found.stages if stage.kind not in ("close", "strike"))[:11]
    whats = [point.what for point in completeness.missing(found.model_copy(update={"stages": hanging}))]
    assert any('"dropper A" neither closed again nor named as parked' in what for what in whats)


def test_an_earthed_tail_is_carried_as_earth_until_its_earth_is_removed(tmp_path):
    by = {"wires": '["dropper A"]', "by": '"rope crew west"', "stick_m": 2.5}
    jobs = OFF_A + job("earth tail", **LEAN, **by) + job("move ladder", **LEAN, station_m="[6.4, 6.6]")
    scene = read(tmp_path, jobs + job("remove earth", **LEAN, **by) + job("reconnect", **CLIMB, opening_distance_m=4.0,
                 turns=f"[{A}]"))  # fmt: skip
    found = templates.expanded(scene)
    sequence.refuse_contradictions(found)
    stages = {stage.name: stage for stage in found.stages}
    assert stages["earth dropper A"].workers == ()
    assert stages["earth dropper A"].potentials == {}
    assert stages["move to station 6.4 m"].potentials == {"dropper A": "earth"}
    assert stages["remove the earth of dropper A"].potentials == {}


def test_what_a_job_brings_is_there_throughout_unless_a_statement_says_that_it_is_not_yet(tmp_path):
    bring = job("bring", **LEAN, name='"guy the ladder"', bodies='["rope crew west"]', station_m="[1.9, 2.1]")
    away = job("take away", **LEAN, name='"take the guys off"', bodies='["rope crew west"]')
    first = job("set up ladder", lean_along_deg="[-80, 0]", station_m="[1.9, 2.1]")
    found = templates.expanded(read(tmp_path, first + bring + OFF_A + away + job("move ladder", **LEAN, station_m=3)))
    sequence.refuse_contradictions(found)
    steps = carried.taken_over(found)
    gone = {stage.name for stage in steps.stages if "rope crew west" in statements.absent(steps, stage)}
    assert gone == {"set up ladder", "move to station 3 m"}
    kinds = {stage.name: (stage.kind, stage.workers, stage.bodies) for stage in found.stages if stage.bodies}
    assert kinds == {
        "guy the ladder": ("bring", (), ("rope crew west",)),
        "take the guys off": ("take away", (), ("rope crew west",)),
    }  # fmt: skip
    there = {stage.name: {body.name for body in pieces[0].bodies} for stage, pieces in _staged(found)}
    assert {name for name, bodies in there.items() if "rope crew west" not in bodies} == gone


def _staged(scene):
    prepared = prepare(scene)
    return zip(prepared.site.scene.stages, prepared.stages, strict=True)


def test_a_statement_names_a_stage_that_the_jobs_expand_into(tmp_path):
    said = '[[statements]]\nkind = "absent"\nbodies = ["rope crew west"]\nstages = ["{0}"]\n'
    said += 'basis = "plan"\nby = "them"\non = "2026-11-30"\n'
    assert "climb to A" in names(read(tmp_path, OFF_A + said.format("climb to A")))
    with pytest.raises(InputError, match=r'\(absent\): stages: expected a stage of this scene, found "climb to Z"'):
        names(read(tmp_path, OFF_A + said.format("climb to Z")))


def test_the_remote_tool_is_long_enough_by_the_rule(tmp_path):
    # GB 26859: 2.1 m of insulation for an operating rod at 220 kV; the figure is tested against its source with the
    # rules.
    earthed = job("earth tail", **LEAN, wires='["dropper A"]', by='"rope crew west"', stick_m=2.0)
    scene = read(tmp_path, OFF_A + earthed, {'rule = ["osha-1910.269"]': 'rule = ["gb-26859"]'})
    (stage,) = [stage for stage in templates.expanded(scene).stages if stage.kind == "earthing"]
    site = prepare(scene).site
    for stick, verdict in ((2.0, "breach"), (2.1, "clear")):
        found = sticks(site, stage.model_copy(update={"stick_m": stick}))
        assert [(one.body, one.verdict, one.left_m) for one in found] == [("remote tool", verdict, stick)]


def test_a_tail_is_judged_at_both_potentials_while_it_is_earthed(tmp_path):
    earthed = job("earth tail", **LEAN, wires='["dropper A"]', by='"rope crew west"', stick_m=2.5)
    found = templates.expanded(read(tmp_path, OFF_A + earthed + job("move ladder", **LEAN, station_m="[6.4, 6.6]")))
    stages = {stage.kind: setting[0] for stage, setting in zip(found.stages, prepare(found).stages, strict=True)}
    tails = {kind: next(b for b in setting.bodies if b.name == "dropper A") for kind, setting in stages.items()}
    assert {tails["earthing"].potential, *(p for _, p in tails["earthing"].states)} == {"A", "earth", "dropper A"}
    assert (tails["travel"].potential, tails["travel"].states) == ("earth", ())
    (judged,) = check(found.model_copy(update={"stages": found.stages[9:10]}), withdraw=False).stages
    assert {gap.posture.verdict for gap in judged.gaps} == {"clear"}
    # From where the crew stands no tool of 2.5 m reaches the tail: nobody has earthed it.
    assert judged.verdict == "undecided"
    assert any("reach" in point.what for point in judged.open_points)


def test_a_slip_hangs_the_worker_a_lanyard_below_the_work(tmp_path):
    scene = read(tmp_path, job("take off", **CLIMB, opening_distance_m=4.0, lanyard_m=1.2, swing_m=0.4, turns=f"[{A}]"))
    (hangs,) = [stage for stage in templates.expanded(scene).stages if "harness" in stage.name]
    assert (hangs.climb_m.lo, hangs.climb_m.hi, hangs.swing_m) == (pytest.approx(5.8 - 1.2), 6.6, 0.4)
    assert hangs.bonded == {"worker": "A"}


RESCUE = job("rescue", **LEAN, phase='"A"', station_m="[1.9, 2.1]", hang_m="[5.2, 6.0]", swing_m=0.3,
             bonding_lead_m=1.7,
             clamp_m='"east bus A @ 1.5"', stick_m=7.4, rope_m=6.0, by='"rope crew west"',
             by_at_m="[-0.4, -6.8]")  # fmt: skip


def test_a_rescue_branches_off_and_what_follows_goes_on_as_before(tmp_path):
    scene = read(tmp_path, OFF_A + RESCUE + job("move ladder", **LEAN, station_m="[6.4, 6.6]"))
    found = templates.expanded(scene)
    sequence.refuse_contradictions(found)
    kinds = [stage.kind for stage in found.stages[9:]]
    assert kinds == ["work", "bond off", "descend", "step off", "travel"]
    assert [stage.rescue for stage in found.stages[9:]] == ["loosen dropper A"] * 4 + [None]
    assert not any(stage.anew for stage in found.stages)
    assert [stage.off for stage in found.stages[9:]] == [()] * 4 + [("dropper A",)]
    before = [carried.predecessor(found.stages, number).name for number in (9, 10, 13)]
    assert before == ["loosen dropper A", "casualty hangs at A", "lower dropper A"]
    # Where no stage of the job is like it, it begins by itself.
    assert [stage.anew for stage in templates.expanded(read(tmp_path, RESCUE)).stages] == [True, False, False, False]


def test_who_is_to_be_sent_back_is_so_after_a_rescue_that_sends_somebody(tmp_path):
    sent = A.replace("opened_m", "by_at_m = [-0.6, -4.5], opened_m", 1)
    off = job("take off", **CLIMB, **EARTHED, opening_distance_m=4.0, turns=f"[{sent}]")
    found = templates.expanded(read(tmp_path, off + RESCUE + job("move ladder", **LEAN, station_m="[6.4, 6.6]")))
    there = {stage.name: [stand.at_m for stand in stage.stands] for stage in found.stages if stage.stands}
    (home,) = [person.at_m for person in found.crew if person.name == "rope crew west"]
    assert there == {
        "earth dropper A": [(-0.6, -4.5)], "unbond the casualty from A": [(-0.4, -6.8)], found.stages[-1].name: [home],
    }  # fmt: skip


def test_a_hanging_worker_swings_along_and_across(tmp_path):
    # The track runs across the heading, so a swing across it by 0.2 m does what standing 0.2 m further along the track
    # does; phase B runs along the heading, so the swing along it changes nothing in the gap to B.
    alone = (
        templates.expanded(read(tmp_path, RESCUE))
        .stages[0]
        .model_copy(update={"lean_along_deg": Range(0, 0), "lean_across_deg": Range(0, 0), "climb_m": Range(5.6, 5.6)})
    )
    found = []
    for travel, swing in ((Range(2.0, 2.0), 0.0), (Range(2.0, 2.0), 0.2), (Range(1.8, 2.2), 0.0)):
        stage = alone.model_copy(update={"travel_m": travel, "swing_m": swing})
        scene = read(tmp_path, RESCUE).model_copy(update={"jobs": (), "stages": (stage,)})
        setting = prepare(scene).stages[0][0]
        engine = build_engine([setting])
        path = Path((Group(("worker",)), Group(("east bus B", "west bus B"))))
        found.append(enclose(engine, compile_setting(engine, setting), (path,), tolerance_m=0.001))
    still, swinging, moved = (enclosure.lower_m for enclosure in found)
    assert still - swinging > 0.1
    assert swinging == pytest.approx(moved, abs=0.002)  # each is within 1 mm of the least
    assert found[1].at["swing_across_m"] == pytest.approx(0.2, abs=0.01)


WRONG = {
    "wire": (OFF_A.replace('"dropper A"', '"droper A"'), 'turn 1: wire: expected a wire of this scene, found "dro'),
    "release": (OFF_A.replace('wire = "dropper A"', 'wire = "east bus A"'), "expected a wire of a phase, with"),
    "step on": (OFF_A.replace("clear_m = 5.2", "clear_m = 5.2\nmount_m = [0, 5.5]"), "expected heights below clear_m"),
    "worker": (OFF_A.replace("clear_m = 5.2", 'clear_m = 5.2\nworker = "Bo"'), "worker: expected a worker of"),
    "twice": (OFF_A + OFF_A, "job 2 (take off): turn 1: wire: expected a wire that is still in place"),
    "back": (job("reconnect", **CLIMB, opening_distance_m=4.0, turns=f"[{A}]"), "expected a wire that is off"),
    "earth": (job("earth tail", **LEAN, wires='["dropper A"]', by='"rope crew east"', stick_m=2), "a wire that is off"),
    "by": (OFF_A + job("earth tail", **LEAN, wires='["dropper A"]', by='"Bo"', stick_m=2), "by: expected a member of"),
    "move": (job("move ladder", **LEAN, station_m=3), "expected a ladder that stands somewhere already"),
    "bring": (job("bring", **LEAN, name='"guy"', bodies='["guy 9"]'), "bodies: expected a body of this scene"),
    "away": (job("take away", **LEAN, name='"guy"', bodies='["rope crew east"]') * 2, "job 2 (take away): bodies:"),
    "phase": (RESCUE.replace('phase = "A"', 'phase = "R"'), "phase: expected a phase of this scene"),
    "a rescue of nobody there": (
        OFF_A + RESCUE.replace('phase = "A"', 'phase = "B"'), "job 2 (rescue): expected a stage before it that it may "
    ),
    "a rescue elsewhere": (
        OFF_A + RESCUE.replace("[5.2, 6.0]", "[2, 3]"), "found stage 'loosen dropper A' with climb_m 5.8 to 6.6"
    ),
    "stages": (job("written stages", stages='["raise"]'), "stages: expected a stage of this file"),
    "unplaced": (OFF_A + '[[stages]]\nname = "look"\nkind = "travel"\n', "stage 'look': expected one place among"),
    "a height that nobody is at": (
        job("take off", **CLIMB, open_m="[5.8, 6.0]", opening_distance_m=4.0, turns=f"[{A}]"),
        "open_m: expected nothing: nobody is aloft while it is opened, found heights",
    ),
    "no height by hand": (
        OFF_A.replace("by stick or rope", "by hand"), "open_m: expected the feet while it is opened, found nothing"
    ),
    "a tool in nobody's hand": (
        job("take off", **CLIMB, stick_m=2.5, opening_distance_m=4.0, turns=f"[{A}]"), "by: expected who holds the"
    ),
    "a hand without a tool": (
        job("take off", **CLIMB, by='"rope crew west"', opening_distance_m=4.0, turns=f"[{A}]"),
        "stick_m: expected the length of the remote tool, found nothing",
    ),
    "a hand of nobody here": (
        job("take off", **CLIMB, by='"Bo"', stick_m=2.5, opening_distance_m=4.0, turns=f"[{A}]"),
        "by: expected a member of the crew",
    ),
    "beyond": (OFF_A.replace("[5.8, 6.6]", "[8.4, 8.6]"), "climb_m: expected heights between 0 and the ladder's"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_job_is_refused_with_its_place(tmp_path, name):
    jobs, said = WRONG[name]
    with pytest.raises(InputError) as caught:
        templates.expanded(read(tmp_path, jobs))
    assert said in str(caught.value)


def test_written_stages_keep_their_place_among_the_jobs(tmp_path):
    stage = '[[stages]]\nname = "look around"\nkind = "travel"\ntravel_m = [1.9, 2.1]\n'
    scene = read(tmp_path, job("written stages", stages='["look around"]') + OFF_A + stage)
    assert names(scene)[:2] == ["look around", "step on at A"]


@pytest.mark.slow
def test_the_expansion_has_the_verdict_of_the_demonstration(tmp_path):
    path = tmp_path / "written.toml"
    path.write_text(written_out(read_scene(JOB), JOB.read_text()))
    written, job, demo = (check(read_scene(one), 0.02, withdraw=False) for one in (path, JOB, DEMO))
    assert written.verdict == job.verdict == demo.verdict == "clear"


@pytest.mark.slow
def test_a_rescue_of_the_demonstration_holds(tmp_path):
    scene = read(tmp_path, RESCUE.replace("swing_m = 0.3", "swing_m = 0.2"))
    result = check(scene)
    assert [stage.kind for stage in result.stages] == ["work", "bond off", "descend", "step off"]
    # A rescue by itself is no whole job: each of its stages keeps its own verdict.
    assert {stage.verdict for stage in result.stages} == {"clear"}
    assert result.stages[0].parameters["swing_across_m"] == (-0.2, 0.2)


def test_whoever_removes_an_earth_steps_back_before_the_tail_is_raised(tmp_path):
    """Sent to where the turn says, they go back in a stage of its own, in which the tail hangs still: in the stage that
    raises it they are where the crew has them, and nowhere between."""
    sent = A.replace("opened_m", "by_at_m = [-0.6, -4.5], opened_m", 1)
    for turn, names_ in ((sent, ["remove", "rope", "raise"]), (A, ["remove", "raise"])):
        told = {**CLIMB, **EARTHED, "opening_distance_m": 4.0, "turns": f"[{turn}]"}
        both = job("take off", **told) + job("reconnect", **told)
        found = carried.taken_over(templates.expanded(read(tmp_path, both)))
        last = next(number for number, stage in enumerate(found.stages) if stage.kind == "raise")
        stages = found.stages[last + 1 - len(names_) : last + 1]
        assert [stage.name.split()[0] for stage in stages] == names_
        person = next(person for person in found.crew if person.name == "rope crew west")
        there = {name: area_of(stage, person) for name, stage in zip(names_, stages, strict=True)}
        home, spot = shapely.Point(person.at_m), shapely.Point(-0.6, -4.5)
        assert there["raise"].contains(home)
        assert there["raise"].distance(spot) > 2.0, "as its entry has it"
        if turn == sent:
            back = found.stages[last - 1]
            assert (back.kind, back.workers, back.off, back.potentials) == ("work", (), ("dropper A",), {})
            assert [there[name].contains(spot) for name in names_] == [True, True, False]
            assert [there[name].contains(home) for name in names_] == [False, True, True], "from there to here"
