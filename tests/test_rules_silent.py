"""Several rules of which one has no value: what the others require still makes a breach, and nothing is clear. And what
an employer supplies, with its document and a name.

The gap is that of a worker between two buses overhead, at phases A and B: the air above the helmet to both, added. The
Chinese rules have no distance there, and know that it is no less than the 2.5 m to the adjacent phase (from memory).
The equation of 29 CFR 1910.269 is worked out as `test_rules_of_the_job` has it.
"""

from __future__ import annotations

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, checked, gap, head_m, slab
from test_rules_of_the_job import osha

from clearance import rules
from clearance.length_limits import lacking, required_length
from clearance.report.briefing_words import stop_conditions
from clearance.report.findings import leading, of_gap
from clearance.report.sentences import sentence
from clearance.result import LOW_MARGIN_M, Approach, Gap, Measure, StageResult, least_margin
from clearance.rules import RuleSilent
from clearance.scene import weathered

OSHA, GB, EN, IEC = "osha-1910.269", "gb-26859", "en-50110-1", "iec-61472"
SIGNED = {"employer_basis": "live-working rules, 2024", "employer_by": "head of live working"}
CLEARLY_M = 0.02
"""[m] To either side of a limit: more than the 1 mm to which gaps are enclosed here, and the spread of 1 mm a limb."""


def between(total_m: float, rule, **parts):
    """The result of a scene in which the worker's gap to both buses is so much [m], and that gap."""
    above = 3.0 + head_m()
    buses = [slab("bus A", bottom_m=above + 0.9), slab("bus B", bottom_m=above + total_m - 0.9, potential="B")]
    result = checked(rule=rule, solids=buses, circuits=[{**CIRCUIT, "phases": ["A", "B"]}], **parts)
    (found,) = result.stages
    through = gap(found, "A", "B", "object")
    assert through.posture.gap_upper_m == pytest.approx(total_m, abs=0.002)
    return result, through


@pytest.mark.parametrize("rule", [GB, [OSHA, GB], [GB, OSHA]])
def test_a_silent_rule_is_a_breach_below_what_is_known_and_undecided_above(rule):
    """2.5 m is known of the Chinese rules; the equation gives 2.28 m."""
    assert osha(245.0, 2.5, between=True) < 2.5
    for offset, verdict in ((-CLEARLY_M, "breach"), (CLEARLY_M, "undecided"), (3.0, "undecided")):
        result, through = between(2.5 + offset, rule, stages=[small.stage(climb_m=[2.9, 3.0])])
        assert (through.posture.verdict, through.limit_m) == (verdict, 2.5)
        assert result.verdict != "clear"
        assert "phase_phase_object_m" in through.silent
        said = sentence(of_gap(through)[0])
        assert ("at the least" in said, "short by" in said) == (verdict == "undecided", verdict == "breach")
        maps = [one for one in result.stages[0].maps if (set(one.between), one.kind) == ({"A", "B"}, "object")]
        assert maps or offset > 1.0  # further away another gap has the least margin, and the map
        assert all(cell.verdict != "clear" for one in maps for cell in one.cells)
        assert any("phase_phase_object_m" in str(point) for point in result.stages[0].open_points)


def test_the_employers_figure_settles_it_on_both_sides():
    for offset, verdict in ((-CLEARLY_M, "breach"), (CLEARLY_M, "clear")):
        _, through = between(2.7 + offset, [OSHA, GB], rule_inputs={"phase_phase_object_m": 2.7, **SIGNED})
        assert (through.posture.verdict, through.limit_m, through.silent) == (verdict, 2.7, "")
        assert (
            through.rule["grade"] != "signed"
        )  # the equation beside it stands on memory, and is as large a part of it


def test_a_rule_that_refuses_hides_no_breach_of_another():
    """At 1,500 m the Chinese tables have ended, and the equation's electrical part is 1.05 times that at sea level
    (Table R-5)."""
    limit = 0.31 + 1.05 * (osha(245.0, 2.5, between=True) - 0.31)
    for offset, verdict in ((-CLEARLY_M, "breach"), (CLEARLY_M, "undecided")):
        _, through = between(limit + offset, [OSHA, GB], altitude_m=1500)
        assert through.posture.verdict == verdict
        assert through.limit_m == pytest.approx(limit, abs=1e-9)
        assert "1000 m above sea level" in through.silent
    _, alone = between(limit + CLEARLY_M, OSHA, altitude_m=1500)
    assert alone.posture.verdict == "clear"


def test_what_the_rules_lack_is_listed_once_and_before_anything_is_swept():
    scene = small.scene(rule=EN, solids=[slab("bus A", bottom_m=9.0)])
    told = list(lacking(scene))
    said = "\n".join(f"{point}" for point in told)
    for key in (
        "ergonomic_m",
        "phase_earth_object_electrical_m",
        "phase_phase_object_electrical_m",
        "ladder_insulating_m",
    ):
        assert key in said
    assert {point.verdict for point in told} == {"clear"}  # the gaps that need it are undecided, these only tell
    assert len({str(point).partition(": ")[2] for point in told}) == len(told)
    supplied = {
        "ergonomic_m": 0.5,
        "ladder_insulating_m": 2.0,
        **{f"phase_{which}_electrical_m": 2.6 for which in ("earth_object", "phase_air", "phase_tool", "phase_object")},
    }
    assert not list(lacking(small.scene(rule=EN, rule_inputs={**supplied, **SIGNED})))
    assert list(lacking(small.scene(rule=EN, rule_inputs={**supplied, "employer_basis": "rules"})))
    assert not list(lacking(small.scene(rule=OSHA)))


@pytest.mark.parametrize(
    ("rule", "inputs"),
    [
        (EN, {"ergonomic_m": 0.5, "phase_phase_air_electrical_m": 2.2, "phase_phase_tool_electrical_m": 2.3,
              "phase_phase_object_electrical_m": 2.4, "phase_earth_object_electrical_m": 1.8}),
        (IEC, {"k_f": 0.85}),
        (GB, {"phase_phase_object_m": 2.8}),
    ],
)  # fmt: skip
def test_every_family_can_finish_a_ladder_job(rule, inputs):
    """With the employer's figures, signed, each rule answers every cell and the length of the ladder."""
    whole = {"ladder_insulating_m": 2.2, **inputs, **SIGNED}
    scene = small.scene(rule=rule, rule_inputs=whole)
    assert not list(lacking(scene))
    assert required_length(scene, scene.circuits[0], "ladder")[0] == 2.2
    assert list(lacking(small.scene(rule=rule, rule_inputs={**inputs, "ladder_insulating_m": 2.2})))
    if rule != GB:  # which has its own, 1.8 m, read
        without = {key: value for key, value in whole.items() if key != "ladder_insulating_m"}
        assert any(
            "ladder_insulating_m" in str(point) for point in lacking(small.scene(rule=rule, rule_inputs=without))
        )


def test_a_silent_rule_leaves_the_ladder_undecided_above_the_length_of_another():
    """The equation asks for 1.50 m at 2.5 per unit; EN 50110-1 has no insulating length."""
    asked = osha(245.0, 2.5)
    for soles, verdict in ((0.4 + asked - CLEARLY_M, "breach"), (0.4 + asked + CLEARLY_M, "undecided")):
        bus = [slab("bus A", bottom_m=soles + head_m() + 0.05)]
        bonded = {"bonded": {"worker": "A"}, "bonding_lead_m": 2.0, "clamp_m": [0, 0, soles + 2.3]}
        ladder = {**small.LADDER, "insulating_from_m": 0.4}
        found = checked(rule=[OSHA, EN], ladder=ladder, solids=bus, stages=[small.stage(climb_m=soles, **bonded)])
        (item,) = [one for one in found.stages[0].insulation if one.body == "ladder"]
        assert item.verdict == verdict
        assert item.left_m == pytest.approx(asked + (-CLEARLY_M if verdict == "breach" else CLEARLY_M), abs=1e-6)


def test_a_transfer_distance_of_another_family_is_a_row_of_its_own():
    """0.3 m and the ergonomic part: under the United States rule a figure beside it, which no least margin names where
    it is kept by more than a little; its breach is a breach all the same. The Chinese rules have it as their own."""
    for rule, beside in ((OSHA, True), (GB, False)):
        limit = 0.3 + (0.31 if rule == OSHA else 0.0)
        for offset, verdict in ((-CLEARLY_M, "breach"), (CLEARLY_M, "clear"), (LOW_MARGIN_M + CLEARLY_M, "clear")):
            bus = [slab("bus A", bottom_m=3.0 + head_m() + limit + offset)]
            result = checked(rule=rule, solids=bus)
            (stage,) = result.stages
            (row,) = [one for one in stage.approaches if one.to == "A"]
            assert (row.beside, row.measure.verdict, row.rule["name"]) == (beside, verdict, GB)
            assert row.rule["grade"] == "memory"
            least, _ = least_margin([("stage", stage)])
            named = offset < LOW_MARGIN_M or not beside
            assert (least == pytest.approx(row.measure.margin_lower_m, abs=1e-6)) is named
            if verdict == "breach":
                assert stage.verdict == "breach"


@pytest.mark.parametrize(("beside", "named"), [(True, "gap"), (False, "approach")])
def test_a_summary_does_not_name_the_figure_beside_the_rules(beside, named):
    def measure(margin_m):
        return Measure("clear", 1.0, 1.0 + margin_m, 1.0 + margin_m, {}, (), ("a", "b"), ())

    one = Gap(("A", "earth"), "tool", measure(0.5), None, 1.0, 0.7, {}, "")
    near = Approach("worker", "A", measure(0.2), {"name": GB}, beside)
    assert leading(StageResult("climb", "climb", {}, (one,), (near,), (), ())).subject == named


@pytest.mark.parametrize(("rule", "cited"), [(OSHA, True), (GB, False)])
def test_wind_is_cited_where_the_weather_is_judged(rule, cited):
    """29 CFR 1910.269(q)(3)(vi), read: no work when wind reduces the distances below those required."""
    weather = {"wind_m_s": [0, 6], "gust_factor": 1.0, "air_C": [10, 20], "basis": "forecast"}
    scene = small.scene(rule=rule, weather=weather)
    for lines in (weathered.basis(scene, {}), stop_conditions(scene), stop_conditions(small.scene(rule=rule))):
        assert any("1910.269(q)(3)(vi)" in line for line in lines) is cited


def test_a_figure_that_a_silent_rule_knows_names_that_rule():
    """IEC 61472 without k_f knows 1.25 m and 0.5 m of the gap with an object in it; the equation beside it 1.50 m."""
    with pytest.raises(RuleSilent) as caught:
        rules.required([OSHA, IEC], "phase-earth", gap="object", highest_kV=245.0, per_unit_overvoltage=2.5,
                       inputs={"per_unit_basis": "the test"})  # fmt: skip
    known = caught.value.others
    assert known.limit_m > osha(245.0, 2.5) + 0.2
    assert (known.rule.name, known.grade) == (IEC, "memory")
