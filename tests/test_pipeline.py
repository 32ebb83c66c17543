"""The whole flow: scene in, result out, with what it rests on, what it leaves out, and its progress."""

from __future__ import annotations

import pytest
import small_scenes as small
from checked_scenes import path_of
from small_scenes import CIRCUIT, checked, scene, slab, stage

import clearance
from clearance import not_evaluated, read_scene
from clearance.errors import InputError
from clearance.job import templates
from clearance.not_evaluated import NOT_EVALUATED
from clearance.pipeline import check, check_prepared, prepare, settings

TWO = {**CIRCUIT, "phases": ["A", "B"]}
SOLIDS = [slab("bus A", bottom_m=9.0), slab("bus B", bottom_m=30.0, potential="B")]
PARTS = {"circuits": [TWO], "solids": SOLIDS}


def test_the_public_names():
    assert set(clearance.__all__) == {
        "InputError",
        "Result",
        "Scene",
        "check",
        "read_scene",
        "scene_text",
        "write_scene",
    }
    assert clearance.check is check
    assert isinstance(scene(**PARTS), clearance.Scene)
    assert isinstance(checked(**PARTS), clearance.Result)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        clearance.nothing  # noqa: B018


def test_every_result_says_what_it_rests_on_and_what_it_leaves_out():
    result = checked(0.005, **PARTS, notes=["measured on site in May"])
    said = "\n".join(result.basis)
    for words in (
        "osha-1910.269",
        "245 kV highest (IEC 60038)",
        "switching study, by network studies",
        "measured on site",
    ):
        assert words in said
    assert "not read in its source: 29 CFR 1910.269, Table R-3" in said
    assert "(memory, cross-checked; " in said
    assert "(second-hand; " in said
    assert set(NOT_EVALUATED) <= set(result.skipped)
    assert (result.scene, result.tolerance_m, len(result.sha256)) == ("small", 0.005, 64)


def test_what_is_done_in_a_job_brings_what_no_verdict_covers_of_it():
    plain = set(not_evaluated.lines(scene(**PARTS), False))
    assert plain == {not_evaluated.NO_WEATHER, *NOT_EVALUATED}
    for name, more in (
        ("job_three_phases", {not_evaluated.WALKS, not_evaluated.EARTHS, not_evaluated.RESCUE}),
        ("demo", {not_evaluated.WALKS, not_evaluated.EARTHS}),
        ("aerial_device", {not_evaluated.WALKS, not_evaluated.DEVICE}),
    ):
        found = templates.expanded(read_scene(path_of(name)))
        assert set(not_evaluated.lines(found, False)) - plain == more


def test_an_assumed_overvoltage_is_said_circuit_by_circuit():
    keys = ("name", "phases", "nominal_kV", "highest_kV", "highest_basis")
    plain = {key: TWO[key] for key in keys}
    low = {"name": "feeder", "phases": ["X"] * 0 + ["X", "Y"], "nominal_kV": 66}
    basis = checked(circuits=[plain, low], solids=SOLIDS).basis
    assert any(line.startswith("circuit bay") and "3.5 per unit, as the rule assumes" in line for line in basis)
    assert any(line.startswith("circuit feeder") and "per unit" not in line for line in basis)


def test_stages_come_in_order_and_progress_names_them():
    told = []
    stages = [stage(name="one"), stage(name="two", climb_m=[3, 4]), stage(name="three", climb_m=4)]
    result = check(scene(**PARTS, stages=stages), 0.01, told.append)
    assert [found.name for found in result.stages] == ["one", "two", "three"]
    for name in ("one", "two", "three"):
        assert any(name in line for line in told)


def test_prepared_once_checked_as_often_as_wanted():
    prepared = prepare(scene(**PARTS))
    assert check_prepared(prepared, 0.01).to_json() == check_prepared(prepared, 0.01).to_json()
    assert set(settings(prepared)) == {("stage", "posture"), ("stage", "reach")}


def test_the_enclosure_is_to_the_tolerance_that_was_asked_for():
    widths = {}
    for tolerance in (0.1, 0.002):
        moving = stage(climb_m=[2, 5], travel_m=[4.5, 5.5], lean_along_deg=[-2, 2])
        (found,) = checked(tolerance, **PARTS, stages=[moving]).stages
        widths[tolerance] = [m.gap_upper_m - m.gap_lower_m for g in found.gaps for m in (g.posture, g.reach)]
        assert max(widths[tolerance]) <= tolerance + 1e-9
    assert max(widths[0.002]) < 0.01


def test_mistakes_of_rule_site_and_stage_are_raised_before_anything_is_swept():
    wrong = {"circuits": [{**TWO, "nominal_kV": 1000, "highest_kV": 1100.0}], "solids": SOLIDS}
    with pytest.raises(InputError) as caught:
        prepare(scene(**wrong, stages=[stage(travel_m=[5, 12])]))
    assert len(caught.value.mistakes) == 2


def test_a_number_in_the_wrong_place_changes_the_digest():
    assert scene(**PARTS).sha256 != scene(**PARTS, altitude_m=1).sha256
    assert small.checked(**PARTS).sha256 == scene(**PARTS).sha256


def test_a_circuit_that_is_earthed_by_a_statement_is_not_told_as_live():
    """Of one circuit the state is left out, and then live; with the statement nothing of it is judged as live."""
    line = {**CIRCUIT, "name": "line", "phases": ["D", "E"]}
    solids = [*SOLIDS, slab("bus D", bottom_m=50.0, potential="D"), slab("bus E", bottom_m=60.0, potential="E")]
    for said, words in (
        ((), ", live;"),
        (({"kind": "circuit earthed", "circuit": "line"},), "dead and earthed, on the"),
    ):
        found = checked(0.05, circuits=[TWO, line], solids=solids, statements=said).basis
        (told,) = [one for one in found if one.startswith("circuit line")]
        assert words in told
        assert (", live" in told) == (not said)
