"""The careful rules of the job: which chains are judged, against which limit. Each test fails without its rule.

Every scene is small enough for its answer to be worked out beside it. Limits are worked out from the equation of 29
CFR 1910.269 Table R-3 as it stands in the function `osha` below (from memory; `tests/published` compares it with Table
R-7), not asked from the package.
"""

from __future__ import annotations

import math

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, HIGHEST_KV, PER_UNIT, SPREAD, checked, gap, only, slab, stage, wall

from clearance.job import staging
from clearance.pipeline import prepare
from clearance.scene.assemble import assemble

NEAR = 0.002
"""[m] Enclosures are made to 1 mm here."""


def osha(highest_kV, per_unit, between=False, constant=0.011, air=False):
    """0.3048 (C + a) V_LG T A + 0.31 m, at sea level; between phases T becomes 1.35 T + 0.45."""
    to_ground = highest_kV / math.sqrt(3)
    used = 1.35 * per_unit + 0.45 if between else per_unit
    peak = used * to_ground * math.sqrt(2)
    assert peak < 848, "the pieces of the curve that these tests need"
    a = max(0.0, (peak - 630) / 155000) if between and air else max(0.0, (peak - 635) / 140000)
    return 0.3048 * ((0.010 if air else constant) + a) * to_ground * used + 0.31


def circuit(**changes):
    return {key: value for key, value in {**CIRCUIT, **changes}.items() if value is not None}


OTHER = circuit(name="line", phases=["A2", "B2", "C2"])
BOTH = [slab("bus A", bottom_m=9.0), slab("bus B", bottom_m=11.0, potential="B")]


def test_the_equation_takes_the_highest_voltage_and_not_the_nominal():
    for highest, taken in ((None, 242.0), (245.0, 245.0)):
        basis = None if highest is None else "IEC 60038"
        found = only(circuits=[circuit(highest_kV=highest, highest_basis=basis)], solids=BOTH)
        between = gap(found, "A", "B", "object").limit_m
        assert between == pytest.approx(osha(taken, PER_UNIT, between=True), abs=1e-9)
        assert between > osha(220.0, PER_UNIT, between=True) + 0.1
        assert gap(found, "A", "earth", "object").limit_m == pytest.approx(osha(taken, PER_UNIT), abs=1e-9)


def test_phase_to_earth_takes_the_tool_constant_unless_air_only_is_declared():
    crew = [{"name": "dedicated observer", "stature_m": 1.755, "at_m": [-4, 0]}]
    down = {"kind": "restrained reach", "person": "dedicated observer", "arms": "down"}
    plain = only(crew=crew, solids=[slab("bus A", bottom_m=9.0)], statements=[down])
    assert gap(plain, "A", "earth", "air") is None
    assert gap(plain, "A", "earth", "tool").limit_m == pytest.approx(osha(HIGHEST_KV, PER_UNIT), abs=1e-9)
    declared = {"kind": "air only", "between": ["A", "earth"]}
    told = checked(crew=crew, solids=[slab("bus A", bottom_m=9.0)], statements=[down, declared])
    found = gap(told.stages[0], "A", "earth", "air")
    assert found.limit_m == pytest.approx(osha(HIGHEST_KV, PER_UNIT, air=True), abs=1e-9)
    assert found.limit_m < osha(HIGHEST_KV, PER_UNIT) - 0.05
    # What floats in it is no air, whatever is declared: the climber keeps the limit with an object.
    assert gap(told.stages[0], "A", "earth", "object").limit_m == pytest.approx(osha(HIGHEST_KV, PER_UNIT), abs=1e-9)


def bonded_between(x_from):
    """A worker bonded to A, standing, with a wall at B before or behind."""
    near = [small.box("bus A", [0.0, 0.0, 5.2], [0.3, 0.3, 0.2], "A"), small.grip([0, 0, 4.05])]
    walls = [wall("bus B", x_from, "B")]
    return only(
        solids=near + walls,
        stages=[stage(kind="work", bonded={"worker": "A"}, bonding_lead_m=0.1, clamp_m=[0, 0, 4.05])],
    )


def test_between_phases_the_air_limit_is_earned_only_away_from_the_ladder():
    air, tool = osha(HIGHEST_KV, PER_UNIT, between=True, air=True), osha(HIGHEST_KV, PER_UNIT, between=True)
    assert tool > air + 0.15
    between = (air + tool) / 2
    low, high = small_bounds()
    # The worker's back is at low[0]; the ladder, with its rails of 0.06 m, reaches from -0.03 to 0.03 m.
    behind, before = bonded_between(low[0] - between), bonded_between(max(high[0], 0.1) + between)
    for found in (behind, before):
        assert gap(found, "A", "B", "air").posture.verdict == "clear"
    assert gap(before, "A", "B", "tool").posture.verdict == "breach"
    assert gap(behind, "A", "B", "tool").posture.verdict == "clear"
    # Before the worker the line passes the ladder: the way by its hull is as short as the straight one.
    straight = gap(before, "A", "B", "air").posture.gap_upper_m
    assert gap(before, "A", "B", "tool").posture.gap_upper_m == pytest.approx(straight, abs=0.1)
    # Behind, by the hull and back: the wall is `between` and the depth of the worker away from the ladder's near face.
    way = between - low[0] - 0.03 - 0.2
    assert gap(behind, "A", "B", "tool").posture.gap_upper_m == pytest.approx(way, abs=0.05)


def test_a_line_that_misses_the_ladder_by_a_centimetre_has_not_earned_the_air_limit():
    """Two phases on either side, 1 cm beyond the ladder's face along x: bonded to one, with the other beyond."""
    tool = osha(HIGHEST_KV, PER_UNIT, between=True)
    found = only(
        workers=[small.WORKER],
        solids=[
            small.box("bus A", [0.0, 0.0, 5.2], [0.3, 0.3, 0.2], "A"),
            small.grip([0, 0, 4.05]),
            small.box("bus B", [0.04 + 0.05, 0.0, 9.0], [0.1, 0.1, 0.1], "B"),
        ],
        stages=[stage(kind="work", bonded={"worker": "A"}, bonding_lead_m=0.1, clamp_m=[0, 0, 4.05])],
    )
    by_tool = gap(found, "A", "B", "tool")
    assert by_tool.limit_m == pytest.approx(tool, abs=1e-9)
    # The way past the tool is a careful one: never longer than the line itself, shorter by a piece and twice 0.1 m at
    # most.
    air = gap(found, "A", "B", "air").posture.gap_upper_m
    assert air - 0.2 - 0.8 < by_tool.posture.gap_upper_m <= air + 0.005


def test_the_ladder_under_the_feet_is_excepted_and_no_other_part_of_it():
    for changes, least in (({"climb_m": [3.2, 4.0]}, 3.2), ({"climb_m": 0.4}, 0.4), ({"workers": []}, 0.0)):
        site = assemble(small.scene(solids=BOTH, stages=[stage(**changes)]))
        (entry,) = site.scene.stages
        setting = staging.settings_of(site, entry)[0]
        hull = {
            body.name: float(body.shape.vertices[:, :, 2].max()) for body in setting.bodies if body.kind == staging.HULL
        }
        assert set(staging.tools_of(site, entry, setting)) == {name for name, top in hull.items() if top > least}
        assert max(hull.values()) == 8.0


def test_an_insulating_rope_is_a_tool_too():
    """A rope runs from A's side to B's side, behind the worker, where the ladder is not in the way."""
    rope = {
        "name": "rope",
        "from_m": [-0.6, 0, 4],
        "to_m": [-2.4, 0, 4],
        "diameter_m": 0.02,
    }
    solids = [
        small.box("bus A", [0.0, 0.0, 5.2], [0.3, 0.3, 0.2], "A"),
        small.grip([0, 0, 4.05]),
        wall("bus B", -2.5, "B"),
    ]
    stages = [stage(kind="work", bonded={"worker": "A"}, bonding_lead_m=0.1, clamp_m=[0, 0, 4.05])]
    with_rope = only(solids=solids, stages=stages, ropes=[rope], statements=[small.insulating("rope")])
    without = only(solids=solids, stages=stages)
    straight = gap(without, "A", "B", "air").posture.gap_upper_m
    assert gap(without, "A", "B", "tool").posture.gap_upper_m > straight + 0.2
    assert gap(with_rope, "A", "B", "tool").posture.gap_upper_m == pytest.approx(straight, abs=0.01)


def small_bounds(tool_m=0.0, posture="standing", **changes):
    from clearance.bodies import worker

    return worker.posture(small.body(**changes), posture, tool_m).bounds


def test_an_unbonded_worker_is_a_large_conductive_object_whose_length_is_no_insulation():
    """Between two walls 8 m apart, at A and at B, what counts is the air on both sides without the worker's depth."""
    low, high = small_bounds()
    found = only(solids=[wall("bus A", -4.0, "A"), wall("bus B", 4.0, "B")])
    through = gap(found, "A", "B", "object")
    assert through.posture.through == ("worker",)
    assert through.posture.gap_upper_m == pytest.approx(8.0 - (high[0] - low[0]), abs=NEAR)
    assert through.limit_m == pytest.approx(osha(HIGHEST_KV, PER_UNIT, between=True), abs=1e-9)
    # The walls alone are the line's own matter.
    assert gap(found, "A", "B", "air") is None


def test_climbing_the_sum_of_both_gaps_is_what_counts():
    """Bus 9 m up, feet 3 m up: 9 - 3 - head above, 3 below, less the spread of the body; the same at every climb."""
    for climb in (3, [2, 6]):
        found = gap(only(solids=[slab("bus A", bottom_m=9.0)], stages=[stage(climb_m=climb)]), "A", "earth", "object")
        assert found.posture.gap_upper_m == pytest.approx(9.0 - small.head_m() - SPREAD, abs=NEAR)
        assert found.posture.gap_lower_m <= 9.0 - small.head_m() - SPREAD


def test_between_circuits_it_is_phase_to_phase_at_full_value_whatever_the_letters():
    walls = [wall("bus A", -4.0, "A"), wall("bus A2", 4.0, "A2")]
    found = gap(only(circuits=[CIRCUIT, OTHER], solids=walls), "A", "A2", "object")
    assert found.limit_m == pytest.approx(osha(HIGHEST_KV, PER_UNIT, between=True), abs=1e-9)
    lower = circuit(name="line", phases=["A2", "B2"], nominal_kV=110, highest_kV=123.0)
    for circuits in ([CIRCUIT, lower], [lower, CIRCUIT]):
        found = gap(only(circuits=circuits, solids=walls), "A", "A2", "object")
        assert found.limit_m == pytest.approx(osha(HIGHEST_KV, PER_UNIT, between=True), abs=1e-9)
        assert "245 kV" in found.voltage


def test_between_circuits_in_opposition_the_larger_reading_is_taken():
    """At T = 1.2 the phase-to-phase form gives 1.35 x 1.2 + 0.45 = 2.07 times the crest; two circuits in opposition,
    one at its overvoltage, give 1.2 + 1 = 2.2 times."""
    low = [circuit(overvoltage_per_unit=1.2), {**OTHER, "overvoltage_per_unit": 1.2}]
    walls = [wall("bus A", -4.0, "A"), wall("bus A2", 4.0, "A2")]
    found = gap(only(circuits=low, solids=walls), "A", "A2", "object")
    expected = 0.3048 * 0.011 * HIGHEST_KV / math.sqrt(3) * 2.2 + 0.31
    assert found.limit_m == pytest.approx(expected, abs=1e-9)
    assert found.limit_m > osha(HIGHEST_KV, 1.2, between=True) + 0.05
    assert "opposition" in found.voltage


@pytest.mark.parametrize(
    "own", [{}, {"overvoltage_per_unit": 3.0, "overvoltage_basis": "study", "overvoltage_by": "them"}]
)
def test_a_second_circuit_below_72_5_kV_is_judged_too(own):
    """OSHA takes no T below 72.5 kV; the higher circuit's limit holds, with the lower circuit's crest in opposition."""
    lower = {
        "name": "feeder",
        "phases": ["A2", "B2"],
        "nominal_kV": 66,
        "highest_kV": 72.5,
        "highest_basis": "IEC 60038",
        **own,
    }
    walls = [wall("bus A", -4.0, "A"), wall("bus A2", 4.0, "A2")]
    for per_unit in (2.5, 1.2):
        found = gap(only(circuits=[circuit(overvoltage_per_unit=per_unit), lower], solids=walls), "A", "A2", "object")
        # T 245 + 72.5 kV is below (1.35 T + 0.45) 245 kV from T = 0.5 up; 3.5 x 72.5 + 245 (the T of the medium-voltage
        # examples of IEC 61472-2) is above it at T = 1.2, where 498.75 stand against 507.15.
        least = osha(HIGHEST_KV, per_unit, between=True)
        assert least - 1e-9 <= found.limit_m <= least + 0.05
        assert "245 kV" in found.voltage


def test_only_chains_with_a_body_of_the_job_are_judged_and_the_lines_own_gaps_are_listed():
    """Two buses 0.5 m apart, far below any limit: no gap of the job, and told above all stages as a wrong scene."""
    solids = [
        slab("bus A", bottom_m=20.0),
        slab("bus B", bottom_m=20.7, potential="B"),
        slab("beam", bottom_m=21.2, potential="earth"),
    ]
    result = checked(solids=solids, circuits=[circuit(phases=["A", "B"])])
    assert (result.stages[0].verdict, result.verdict) == ("clear", "undecided")
    wrong = [point for point in result.open_points if point.what.startswith("the scene is wrong")]
    assert [("bus A" in point.what, "beam" in point.what) for point in wrong] == [(False, True), (True, False)]
    # Bus A and the beam, 1 m apart, hold at the highest operating voltage and not at 2.5 per unit.
    (short,) = [point for point in result.open_points if "less than the electrical part of the limit" in point.what]
    assert "bus A" in short.what and "beam" in short.what and "1.00 m apart" in short.what  # noqa: PT018
    listed = {line.between: line for line in result.line}
    assert listed["A", "B"].gap_m == pytest.approx(0.5, abs=1e-6)
    assert listed["B", "earth"].gap_m == pytest.approx(0.3, abs=1e-6)
    assert listed["A", "B"].ends == ("bus A", "bus B")
    # The same gap with a body of the job at one end is judged: a vehicle parked 0.5 m below the bus.
    vehicle = [{"name": "truck", "centre_m": [6, 0, 9.75], "size_m": [4, 2, 19.5], "heading_deg": 0}]
    assert checked(solids=solids, circuits=[circuit(phases=["A", "B"])], vehicles=vehicle).verdict == "breach"


def test_a_chain_through_two_floating_bodies_counts_every_gap_on_it():
    """Bus 9 m, plate of no potential at 7.0 to 7.2 m, head at 3 + head, feet at 3 m."""
    plate = slab("plate", bottom_m=7.0, potential="floating")
    parts = {"solids": [slab("bus A", bottom_m=9.0), plate], "stages": [stage()]}
    floats = small.never_at("plate", "earth")
    measure = gap(only(**parts, statements=[floats]), "A", "earth", "object").posture
    assert measure.gap_upper_m == pytest.approx(9.0 - small.head_m() - SPREAD - 0.2, abs=NEAR)
    assert measure.through == ("plate", "worker")
    # It may be earth as well, unless somebody says that it never is: from the bus by the head to the plate it is less.
    measure = gap(only(**parts), "A", "earth", "object").posture
    assert (measure.case, measure.through) == ("floating bodies at earth", ("worker",))
    assert measure.gap_upper_m == pytest.approx((6.0 - small.head_m()) + (4.0 - small.head_m()), abs=NEAR)


def test_uncertainty_comes_off_the_gap_and_a_breach_it_alone_makes_says_so():
    limit = osha(HIGHEST_KV, PER_UNIT)
    bottom, low = limit + small.head_m() + SPREAD + 0.02, stage(climb_m=0.5)
    for uncertainty, verdict, within in ((0.0, "clear", False), (0.05, "breach", True)):
        found = gap(
            only(solids=[slab("bus A", bottom_m=bottom, uncertainty_m=uncertainty)], stages=[low]),
            "A",
            "earth",
            "object",
        )
        assert found.posture.gap_upper_m == pytest.approx(limit + 0.02 - uncertainty, abs=NEAR)
        assert (found.posture.verdict, found.posture.within_survey_error) == (verdict, within)
    far = gap(
        only(solids=[slab("bus A", bottom_m=bottom - 0.5, uncertainty_m=0.05)], stages=[low]), "A", "earth", "object"
    )
    assert (far.posture.verdict, far.posture.within_survey_error) == ("breach", False)


def test_the_margin_is_shown_at_the_assumed_overvoltage_too():
    """Table R-9 assumes 3.5 at 245 kV: peak to earth 700.1 kV, so a = (700.1 - 635) / 140000."""
    found = gap(only(solids=[slab("bus A", bottom_m=9.0)]), "A", "earth", "object")
    assert found.margin_at_assumed_m == pytest.approx(found.posture.gap_lower_m - osha(HIGHEST_KV, 3.5), abs=1e-9)
    plain = circuit(overvoltage_per_unit=None, overvoltage_basis=None, overvoltage_by=None)
    found = gap(only(circuits=[plain], solids=[slab("bus A", bottom_m=9.0)]), "A", "earth", "object")
    assert found.limit_m == pytest.approx(osha(HIGHEST_KV, 3.5), abs=1e-9)
    assert found.margin_at_assumed_m is None


def test_where_the_rule_is_silent_the_gap_is_undecided_and_says_why():
    """GB 26859 has no distance through a conductive object unless the employer supplies one: it is no less than the
    2.5 m to the adjacent phase."""
    result = checked(rule="gb-26859", solids=BOTH)
    (found,) = result.stages
    through = gap(found, "A", "B", "object")
    assert (through.limit_m, through.verdict) == (2.5, "undecided")
    assert "gb-26859" in through.posture.why
    assert any(line.startswith("A to B, object:") for line in map(str, found.open_points))
    assert (found.verdict, result.verdict) == ("undecided", "undecided")


def test_a_stage_in_which_a_phase_has_no_body_is_not_clear():
    """Three phases are named and one is drawn: nothing can be said of the other two."""
    three = checked(solids=[slab("bus A", bottom_m=9.0)])
    assert three.verdict == "undecided"
    assert [point.what for point in three.stages[0].open_points] == [
        f"nothing stands at phase {phase}: no gap to it could be judged" for phase in "BC"
    ]
    two = checked(solids=BOTH, circuits=[circuit(phases=["A", "B"])])
    assert two.verdict == "clear"
    earthed = circuit(
        name="out",
        phases=["X", "Y"],
        overvoltage_per_unit=None,
        overvoltage_basis=None,
        overvoltage_by=None,
    )
    parts = {"solids": BOTH, "circuits": [circuit(phases=["A", "B"]), earthed]}
    assert checked(**parts, statements=[{"kind": "circuit earthed", "circuit": "out"}]).verdict == "clear"
    assert checked(**parts).verdict == "undecided"


def test_a_stage_without_any_gap_says_so_and_is_judged_by_what_may_collide():
    """An all-insulating ladder travels alone: no conductor of the job is there."""
    travel = stage(kind="travel", travel_m=[4, 6], climb_m=None, posture=None)
    solids = [slab("bus A", bottom_m=9.0), slab("bus B", bottom_m=11.0, potential="B")]
    found = only(circuits=[circuit(phases=["A", "B"])], solids=solids, workers=None, stages=[travel])
    assert (found.gaps, found.verdict) == ((), "clear")
    assert any("no gap" in note for note in found.notes)
    assert [c.body for c in found.collisions] == ["ladder"]
    low = only(
        circuits=[circuit(phases=["A", "B"])],
        solids=[slab("bus A", bottom_m=7.9), solids[1]],
        workers=None,
        stages=[travel],
    )
    assert low.verdict == "breach"


def test_nothing_judged_at_all_is_undecided():
    still = {"name": "look", "kind": "travel"}
    found = only(
        circuits=[circuit(phases=["A", "B"])], solids=BOTH, ladder=None, track=None, workers=None, stages=[still]
    )
    assert (found.gaps, found.collisions, found.verdict) == ((), (), "undecided")
    assert found.open_points


def test_prepared_and_checked_give_the_same_stages():
    prepared = prepare(small.scene(solids=BOTH))
    assert [piece.check for piece in prepared.stages[0]] == ["posture", "reach"]
