"""The records of a result and their JSON: the stated format, nothing rounded, verdicts that follow from their parts."""

from __future__ import annotations

import json
import math

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, checked, slab

from clearance.result import Approach, Collision, Gap, Insulation, Measure, OpenPoint, Result, StageResult

TWO = {**CIRCUIT, "phases": ["A", "B"]}
RULE = {"name": "r", "edition": "e", "clause": "c"}


def measure(verdict="clear", lower=2.0, upper=2.004, required=1.5):
    return Measure(
        verdict, required, lower, upper, {"travel_m": 1.0}, ("worker",), ("bus", "ground"), ((0.0, 0.0, 0.0),)
    )


def gap(posture, reach=None):
    return Gap(("A", "earth"), "object", posture, reach, 1.5, 1.2, RULE, "circuit")


def stage(**parts):
    empty = {"gaps": (), "approaches": (), "insulation": (), "collisions": ()}
    return StageResult("s", "climb", {"travel_m": (0.0, 1.0)}, **{**empty, **parts})


def test_a_stage_is_as_bad_as_its_worst_part_and_clear_only_if_something_was_judged():
    assert stage().verdict == "undecided"
    assert stage(gaps=(gap(measure()),)).verdict == "clear"
    assert stage(gaps=(gap(measure(), measure("undecided")),)).verdict == "undecided"
    assert stage(gaps=(gap(measure()),), collisions=(Collision("w", measure("breach")),)).verdict == "breach"
    assert (
        stage(gaps=(gap(measure()),), open_points=(OpenPoint("", "phase C has no body", "add it"),)).verdict
        == "undecided"
    )


@pytest.mark.parametrize("verdict", ["clear", "undecided", "breach"])
def test_every_part_of_a_stage_counts_and_what_is_open_of_the_whole(verdict):
    """Beside a gap that is clear: the stage, and the result, are what the one part is."""
    length = Insulation("ladder", verdict, 1.0, 1.5, {}, RULE)
    parts = (
        {"gaps": (gap(measure()), gap(measure(verdict)))},
        {"gaps": (gap(measure()), gap(measure(), measure(verdict)))},
        {"approaches": (Approach("worker", "A", measure(verdict)),)},
        {"collisions": (Collision("worker", measure(verdict)),)},
        {"insulation": (length,)},
        {"open_points": (OpenPoint("", "what", "cure", verdict),)},
    )
    for part in parts:
        one = stage(**{"gaps": (gap(measure()),), **part})
        assert one.verdict == verdict, part
        assert Result("n", "0", "1", 0.005, (one,)).verdict == verdict
    whole = Result(
        "n", "0", "1", 0.005, (stage(gaps=(gap(measure()),)),), open_points=(OpenPoint("", "w", "c", verdict),)
    )
    assert whole.verdict == verdict


def test_a_result_is_as_bad_as_its_worst_stage_and_of_no_stage_undecided():
    good, bad = stage(gaps=(gap(measure()),)), stage(gaps=(gap(measure("breach")),))
    assert Result("n", "0", "1", 0.005, (good,)).verdict == "clear"
    assert Result("n", "0", "1", 0.005, (good, bad)).verdict == "breach"
    assert Result("n", "0", "1", 0.005, ()).verdict == "undecided"


def test_what_is_skipped_is_told_and_does_not_decide():
    """What no verdict covers stands in every result; what was asked for and not evaluated makes its stage undecided."""
    good = stage(gaps=(gap(measure()),))
    assert Result("n", "0", "1", 0.005, (good,), skipped=("lightning",)).verdict == "clear"


def test_the_smaller_margin_governs_and_a_missing_limit_before_it():
    near, far = measure(lower=1.6, required=1.2), measure(lower=1.6, required=1.5)
    assert gap(far, near).governing is far
    assert gap(near, measure(required=None)).governing.required_m is None


def test_margins_are_gap_less_limit():
    one = measure(lower=2.0, upper=2.004, required=1.5)
    assert (one.margin_lower_m, one.margin_upper_m) == (0.5, pytest.approx(0.504, abs=1e-12))
    assert measure(required=None).margin_lower_m is None


@pytest.fixture(scope="module")
def result():
    solids = [slab("bus A", bottom_m=9.0), slab("bus B", bottom_m=30.0, potential="B")]
    return checked(0.005, circuits=[TWO], solids=solids, stages=[small.stage(climb_m=[2, 4], travel_m=[4.5, 5.5])])


def test_the_json_has_the_stated_keys(result):
    told = json.loads(result.to_json())
    assert told["format"] == 1
    assert set(told) >= {"format", "version", "scene", "verdict", "tolerance_m", "skipped", "stages"}
    assert told["scene"] == {"name": "small", "sha256": result.sha256}
    (one,) = told["stages"]
    assert set(one) >= {"name", "verdict", "parameters", "gaps", "insulation", "collisions"}
    assert one["parameters"]["travel_m"] == [4.5, 5.5]
    keys = {"between", "kind", "verdict", "limit_m", "electrical_m", "rule", "gap_lower_m", "gap_upper_m"}
    keys |= {"margin_lower_m", "margin_upper_m", "at", "through", "points"}
    for entry in one["gaps"]:
        assert set(entry) >= keys
        assert set(entry["rule"]) == {"name", "edition", "clause", "grade"}
        assert entry["kind"] in ("air", "tool", "object")
        assert entry["margin_lower_m"] == entry["gap_lower_m"] - entry["limit_m"]
        assert 0 <= entry["gap_upper_m"] - entry["gap_lower_m"] <= 0.005 + 1e-9
        assert set(entry["at"]) >= {"travel_m", "climb_m"}
        assert len(entry["points"]) == 2 * (len(entry["through"]) + 1)


def test_numbers_are_unrounded_and_infinity_is_no_number(result):
    (one,) = result.stages
    entry = json.loads(result.to_json())["stages"][0]["gaps"][0]
    assert entry["limit_m"] == one.gaps[0].limit_m
    assert entry["gap_lower_m"] == one.gaps[0].posture.gap_lower_m
    lost = Result("n", "0", "1", 0.005, (stage(gaps=(gap(measure(upper=math.inf)),)),))
    assert json.loads(lost.to_json())["stages"][0]["gaps"][0]["gap_upper_m"] is None


def test_the_points_are_as_far_apart_as_the_gap_says(result):
    """Air along the chain: from the first point to the second, from the third to the fourth."""
    for entry in result.stages[0].gaps:
        points = entry.posture.points
        total = sum(math.dist(points[k], points[k + 1]) for k in range(0, len(points), 2))
        assert total == pytest.approx(entry.posture.gap_upper_m, abs=1e-6)


def test_the_same_scene_gives_the_same_bytes(result):
    again = checked(
        0.005,
        circuits=[TWO],
        solids=[slab("bus A", bottom_m=9.0), slab("bus B", bottom_m=30.0, potential="B")],
        stages=[small.stage(climb_m=[2, 4], travel_m=[4.5, 5.5])],
    )
    assert again.to_json() == result.to_json()
