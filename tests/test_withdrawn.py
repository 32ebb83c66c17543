"""What a result would be without its statements: told for each group and for all, the same as judging the scene anew.

The scenes are worked out by hand. The worker of `small_scenes` stands on the ladder at 3 m, unbonded, with phase A far
above. A wall of steel beside the worker is 0.50 m from the worker's side: an unbonded worker keeps 1.19 m from earth by
the stated posture (0.3 m of transfer distance from memory, GB 26859 family, and the 0.31 m that OSHA Table R-3 adds).
"""

from __future__ import annotations

import json

import pytest
from checked_scenes import LONG, NAMES, each, path_of, result
from small_scenes import CIRCUIT, LADDER, SAID, box, checked, scene, slab, stage, wall, written
from test_job_whip import guides, lowering
from typer.testing import CliRunner

from clearance import check, read_scene, withdrawn
from clearance.cli import app
from clearance.pipeline import prepare
from clearance.report import statements as report_statements
from clearance.result import least_margin
from clearance.scene import statements

runner = CliRunner()
PHASES = [
    slab("plate A", bottom_m=9.0),
    slab("plate B", bottom_m=12.0, potential="B"),
    slab("plate C", bottom_m=15.0, potential="C"),
]
WALL = wall("wall", 0.5, z=(0.0, 7.0))
"""It ends 2 m below phase A, more than the 1.08 m of the electrical part: the site itself is in order."""
GONE = {"kind": "absent", "bodies": ["wall"]}
SURE = 0.0011
"""[m] A usual uncertainty, that nobody confirms: what is confirmed of a body joins what is said of it."""


def bare(found):
    """The groups of a result: what each takes away, with the verdict and the margin without it."""
    return [([one.takes_away for one in g.statements], g.verdict, g.margin_m) for g in found.statements]


def test_what_is_not_there_by_somebodys_word_is_told_with_what_it_would_be():
    with_it, without = (
        checked(withdraw=True, surveyed_m=SURE, solids=[*PHASES, WALL], statements=said, workers=[WORKER])
        for said in ([GONE], [])
    )
    (named, none, *values), last = with_it.statements, with_it.without_all
    assert with_it.verdict == "clear"
    assert without.verdict == "breach"
    assert [one.takes_away for one in none.statements] == ["wall: not there"]
    assert none.verdict == last.verdict == "breach"
    least, at = least_margin([(one.name, one) for one in without.stages])
    assert none.margin_m == pytest.approx(least, abs=0.002)  # enclosures to 1 mm, twice
    assert none.stage == at == "stage"
    assert all(one.verdict == "undecided" for one in (named, *values))  # that there is no weather is another matter


WORKER = {"name": "worker", "stature_m": 1.755, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05, "trunk_lean_m": 0.0}


def test_a_statement_that_holds_in_one_stage_leaves_the_others_as_they_are():
    stages = [stage(name="one"), stage(name="two", anew=True)]
    said = [{**GONE, "stages": ["one"]}]
    found = checked(withdraw=True, surveyed_m=SURE, solids=[*PHASES, WALL], stages=stages, statements=said)
    assert [one.verdict for one in found.stages] == ["clear", "breach"]
    (group,) = [one for one in found.statements if one.statements[0].takes_away == "wall: not there in one"]
    assert len(group.statements) == 1
    assert group.verdict == "breach"


@pytest.mark.slow
@pytest.mark.parametrize("name", ["dropper_off_under_beam", "ladder_on_conductor"])
def test_only_what_a_statement_touches_is_judged_again_and_nothing_is_missed(name):
    """The short way, which takes over what is known and leaves out what cannot be least, against the long one."""
    read = read_scene(path_of(name))
    found = check(read, tolerance_m=0.02)
    groups = [*found.statements, *([found.without_all] if len(found.statements) > 1 else [])]
    assert groups
    for group in groups:
        gone = {(one.basis, one.by) for one in group.statements}
        kept = tuple(
            entry
            for entry in read.statements
            if not ((entry.basis, entry.by) in gone and _takes(entry) in {one.takes_away for one in group.statements})
        )
        assert len(kept) == len(read.statements) - len(group.statements)
        long = check(read.model_copy(update={"statements": kept}), tolerance_m=0.02, withdraw=False)
        assert group.verdict == long.verdict, group.statements
        # A statement that goes takes no breach of the scene away, though a rope that conducts asks for no length.
        least, _ = least_margin([(one.name, one) for one in (*long.stages, *found.stages)])
        assert group.margin_m == pytest.approx(least, abs=0.04), group.statements


def _takes(entry):
    from clearance.scene.statements import takes_away

    return takes_away(entry)


@pytest.mark.parametrize("name", each(tuple(name for name in NAMES if name not in LONG)))
def test_withdrawing_is_never_better(name):
    """No margin rises and no verdict gets better by more doubt (within both tolerances)."""
    found = result(name)
    least, _ = least_margin([(one.name, one) for one in found.stages])
    rank = {"clear": 0, "undecided": 1, "breach": 2}
    for group in (*found.statements, *([found.without_all] if found.without_all else [])):
        assert rank[group.verdict] >= rank[found.verdict]
        assert group.margin_m is None or group.margin_m <= least + 2 * found.tolerance_m


def test_the_json_has_every_statement_with_what_it_would_be_without_it():
    found = checked(withdraw=True, solids=[*PHASES, WALL], statements=[GONE])
    told = json.loads(found.to_json())
    (mine,) = [one for one in told["statements"] if one["takes_away"] == "wall: not there"]
    assert {key: mine[key] for key in SAID} == SAID
    assert mine["verdict_without"] == told["without_statements"]["verdict_without"] == "breach"
    assert mine["margin_without_m"] == told["without_statements"]["margin_without_m"] < 0


def test_the_command_judges_without_any(tmp_path):
    path = written(tmp_path, surveyed_m=SURE, solids=[*PHASES, WALL], statements=[GONE])
    with_them = runner.invoke(app, ["check", str(path), "-q"])
    assert with_them.exit_code == 0, with_them.output
    # And that ladder and shoulders stay where they are.
    assert "clear of limit on 6 statements" in with_them.output
    assert "Without them: × breach" in with_them.output
    assert "wall: not there. small scene (the test, 2026-11-30)" in with_them.output
    none = runner.invoke(app, ["check", str(path), "-q", "--without-statements"])
    assert none.exit_code == 1
    assert "on 1 statement" not in none.output
    assert "Without them" not in none.output


def test_absences_and_what_holds_a_tail_do_not_cover_for_one_another():
    """Two bodies that are away, and a tail that is held back, are withdrawn together; alone, each by itself."""
    away = [{"kind": "absent", "bodies": [name]} for name in ("east stub", "west stub")]
    stubs = [box(name, [x, 9, 1], [1, 1, 1]) for name, x in (("east stub", 9), ("west stub", -9))]

    def groups(*said):
        parts = lowering(stubs, said)
        told = withdrawn.withdrawals(prepare(scene(surveyed_m=SURE, **parts)).site)
        (found,) = [one for one in told[:-1] if any("stub" in statements.takes_away(each) for each in one.entries)]
        said = (entry for entry in found.entries if entry.kind != "confirmed")
        return {statements.takes_away(each).partition(":")[0] for each in said}

    assert groups(away[0]) == {"east stub"}
    assert groups(*away) == {"east stub", "west stub"}
    assert groups(away[0], guides()) == {"east stub", "dropper"}


@pytest.mark.parametrize(
    ("potential", "said"),
    [("earth", {"kind": "insulating"}), ("floating", {"kind": "never at", "states": ["earth"]})],
)
def test_what_is_said_of_a_solid_and_hands_that_are_held_back_do_not_cover_for_each_other(potential, said):
    """Without either the scene is clear: hands that are free meet a shed that counts as air, or floats, or the shed
    stands where no hand comes. Both are withdrawn together: 1.25 m beside the worker it is in reach, and earth."""
    solids = [box("A plate", [-0.6, 0, 6.45], [1.5, 1.5, 0.2], "A"), slab("B plate", bottom_m=25.0, potential="B"),
              box("shed", [1.45, 0, 5.5], [0.4, 4, 1.0], potential)]  # fmt: skip
    reach = {"kind": "restrained reach", "person": "worker", "reach_m": 0.3}
    short = {**LADDER, "length_m": 5.4, "insulating_to_m": 5.4}
    parts = {"ladder": short, "solids": solids, "stages": [stage(kind="work", climb_m=3.5, workers=["worker"])]}
    parts["surveyed_m"] = SURE
    found = checked(0.01, **parts, statements=[reach, {**said, "body": "shed"}], withdraw=True)
    (group,) = (one for one in found.statements if any("reach" in said.takes_away for said in one.statements))
    told = {said.takes_away.partition(":")[0] for said in group.statements}
    assert told == {"worker", "worker, trunk_lean_m", "shed"}  # `small_scenes` confirms that the shoulders stay
    assert group.verdict == checked(0.01, **parts).verdict == "breach"
    assert found.verdict != "breach"


def test_what_covers_for_one_another_besides_is_told_with_the_figure_without_all():
    """A rope 0.4 m beyond the shoulder's side that insulates, and hands held back from it: without either alone clear,
    without both the hands meet a rope that conducts, from an earthed post above."""
    post = box("post", [3.3, 0, 8.0], [3.0, 0.2, 0.2])
    solids = [
        box("A plate", [-1.1, 0, 6.45], [1.5, 1.5, 0.2], "A"),
        slab("B plate", bottom_m=25.0, potential="B"),
        post,
    ]
    line = {"name": "line", "from_m": [1.25, 0, 8.0], "to_m": [1.25, 0, 0.5], "diameter_m": 0.014, "slack_m": 0.0,
            "wet_or_dirty_m": 0.0}  # fmt: skip
    reach = {"kind": "restrained reach", "person": "worker", "reach_m": 0.3}
    said = [reach, {"kind": "insulating", "body": "line"}]
    short = {**LADDER, "length_m": 5.4, "insulating_to_m": 5.4}
    parts = {"ladder": short, "solids": solids, "ropes": [line],
             "stages": [stage(kind="work", climb_m=3.5, workers=["worker"])]}  # fmt: skip
    found = checked(0.01, **parts, statements=said, withdraw=True)
    assert "breach" not in {group.verdict for group in found.statements}
    assert found.without_all.verdict == "breach"
    assert found.cover
    assert report_statements.COVER in report_statements.bare_words(found)
    assert json.loads(found.to_json())["without_statements"]["cover"] is True
    alone = checked(0.01, **{**parts, "ropes": []}, statements=[reach], withdraw=True)
    assert not alone.cover
    assert report_statements.COVER not in report_statements.bare_words(alone)


def test_two_circuits_that_are_earthed_do_not_cover_for_each_other():
    feeders = [{**CIRCUIT, "name": f"feeder {k}", "phases": [f"{k}{n}" for n in "XYZ"]} for k in "12"]
    earthed = [{"kind": "circuit earthed", "circuit": one["name"]} for one in feeders]
    plates = [box(f"plate {p}", [9 + 3 * n, 14, 20], [1, 1, 1], p)
              for n, p in enumerate(p for one in feeders for p in one["phases"])]  # fmt: skip
    made = scene(surveyed_m=SURE, circuits=[CIRCUIT, *feeders], solids=[*PHASES, *plates], statements=earthed)
    told = withdrawn.withdrawals(prepare(made).site)[:-1]
    assert [len(one.entries) for one in told if one.entries[0].kind == "circuit earthed"] == [2]


def test_air_alone_and_what_is_away_do_not_cover_for_each_other():
    """A tool in the gap asks for more; so does a wall that is there, within what a tool asks for."""
    air = {"kind": "air only", "between": ["A", "earth"]}
    told = withdrawn.withdrawals(prepare(scene(solids=[*PHASES, WALL], statements=[GONE, air])).site)
    (group,) = [one for one in told[:-1] if any(entry.kind == "absent" for entry in one.entries)]
    assert "air only" in {entry.kind for entry in group.entries}


def test_what_a_verdict_rests_on_is_listed_where_it_is_not_withdrawn():
    made = scene(statements=[{"kind": "insulating", "body": "shed"}], solids=[box("shed", [30, 30, 1], [1, 1, 1])])
    short, whole = check(made, 0.01, withdraw=False), check(made, 0.01)
    assert [one.statements for one in short.statements] == [one.statements for one in whole.statements]
    assert {one.verdict for one in short.statements} == {"undecided"}
    assert short.without_all is None
