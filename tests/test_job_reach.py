"""Two verdicts: the stated posture keeps the whole limit, the full reach envelope the electrical part."""

from __future__ import annotations

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, SPREAD, WORKER, checked, gap, only, slab, stage, wall

from clearance.bodies import worker
from clearance.errors import InputError

NEAR = 0.002
ERGONOMIC = 0.31
TWO = {**CIRCUIT, "phases": ["A", "B"]}
SHORT = {**small.LADDER, "length_m": 3.5, "insulating_to_m": 3.5}
B = slab("bus B", bottom_m=40.0, potential="B")


def bonded_before(column_m, statements=(), **others):
    """A worker bonded to a small bus over the head, an earthed wall so far behind the reach of both arms."""
    person = {**WORKER, **others}
    back = worker.reach_envelope(small.body(), person["trunk_lean_m"], person.get("tool_m", 0.0)).bounds[0][0]
    bus = small.box("bus A", [-0.3, 0.0, 5.1], [0.2, 0.2, 0.2], "A")
    bond = {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 0.05, "clamp_m": [0.0, 0.0, 4.05]}
    return only(
        circuits=[TWO],
        ladder=SHORT,
        workers=[person],
        solids=[bus, small.grip([0.0, 0.0, 4.05]), B, wall("column", back - column_m, z=(2.0, 9.0))],
        stages=[stage(**bond)],
        statements=statements,
    )


def test_posture_keeps_the_whole_limit_and_reach_the_electrical_part():
    probe = gap(bonded_before(3.0), "A", "earth", "tool")
    assert probe.posture.required_m == probe.limit_m
    assert probe.reach.required_m == probe.electrical_m == pytest.approx(probe.limit_m - ERGONOMIC)
    for more, verdict in ((0.02, "clear"), (-0.02, "breach")):
        found = gap(bonded_before(probe.electrical_m + more), "A", "earth", "tool")
        assert found.reach.gap_upper_m == pytest.approx(probe.electrical_m + more, abs=NEAR)
        assert (found.posture.verdict, found.reach.verdict, found.verdict) == ("clear", verdict, verdict)


def test_the_posture_alone_can_breach():
    """An earthed floor: the soles are as low in the posture as in the reach."""
    low = 1.4956 - ERGONOMIC / 2
    bus = small.box("bus A", [-0.3, 0.0, low + 2.1], [0.2, 0.2, 0.2], "A")
    bond = {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 0.05, "clamp_m": [0.0, 0.0, low + 1.05]}
    found = only(
        circuits=[TWO],
        ladder=SHORT,
        solids=[bus, small.grip(bond["clamp_m"]), B],
        stages=[stage(**bond, climb_m=low, workers=["worker"])],
    )
    direct = gap(found, "A", "earth", "tool")
    assert (direct.posture.verdict, direct.reach.verdict, direct.verdict) == ("breach", "clear", "breach")


def test_the_reach_is_of_both_arms_the_lean_of_the_trunk_and_the_tool_in_hand():
    """Further by the tool's length, and by the lean of the shoulders, which moves a point above them more."""
    column = 2.4
    plain = bonded_before(column)
    for others in ({"tool_m": 0.5}, {"trunk_lean_m": 0.3}):
        found = bonded_before(column, **others)
        assert gap(found, "A", "earth", "tool").reach.gap_upper_m == pytest.approx(column, abs=NEAR)
    back = worker.reach_envelope(small.body(), 0.0).bounds[0][0]
    assert worker.reach_envelope(small.body(), 0.0, 0.5).bounds[0][0] == pytest.approx(back - 0.5, abs=1e-9)
    assert worker.reach_envelope(small.body(), 0.3).bounds[0][0] < back - 0.3
    # Both arms: the envelope is as wide to the left as to the right.
    low, high = worker.reach_envelope(small.body(), 0.0).bounds
    assert low[1] == pytest.approx(-high[1], abs=1e-9)
    assert high[1] > small.body().span_m / 2
    assert gap(plain, "A", "earth", "tool").reach.gap_upper_m == pytest.approx(column, abs=NEAR)


def test_a_reach_is_restricted_by_a_restraint_alone():
    arm = small.body().arm_m

    def held(reach_m, person="worker"):
        return {"kind": "restrained reach", "person": person, "reach_m": reach_m}

    plain, restrained = bonded_before(2.4), bonded_before(2.4, [held(arm - 0.3)])
    far, near = (gap(found, "A", "earth", "tool").reach.gap_upper_m for found in (restrained, plain))
    assert far == pytest.approx(near + 0.3, abs=NEAR)
    # Of two statements the one that allows more holds: the other alone would hide it.
    both = bonded_before(2.4, [held(arm - 0.3), held(arm - 0.1)])
    assert gap(both, "A", "earth", "tool").reach.gap_upper_m == pytest.approx(near + 0.1, abs=NEAR)
    with pytest.raises(InputError, match="basis: expected what it rests on"):
        small.scene(statements=[{**held(0.5), "basis": None}])
    # A restraint that would allow more than the arm has gives no longer arm.
    longer = gap(bonded_before(2.4, [held(arm + 1.0)]), "A", "earth", "tool").reach.gap_upper_m
    assert longer == pytest.approx(near, abs=NEAR)


@pytest.mark.parametrize(("lean", "tool"), [(0.5, 0.0), (0.3, 0.2)])
def test_an_unbonded_worker_is_crossed_for_nothing_over_a_fingertip_span_at_most(lean, tool):
    """Between two walls. The envelope is wider than any worker, as the shoulders may move either way; a worker is the
    fingertip span long, or sole to overhead fingertip, whichever is longer, with tools. Crossed for nothing over the
    whole envelope the walls would be too near; so they are not, down to the limit."""
    body = small.body()
    person = {**WORKER, "trunk_lean_m": lean, "tool_m": tool}
    ends = body.suit_m + tool + SPREAD
    longest = max(body.span_m + 2 * ends, body.boots_m + body.overhead_reach_m + ends + SPREAD)
    low, high = worker.reach_envelope(body, lean, tool).bounds
    assert high[1] - low[1] > longest + 0.2

    def between(apart_m):
        sides = [
            small.box(f"bus {name}", [0, side * (apart_m / 2 + 0.1), 5], [40, 0.2, 10], name)
            for name, side in (("A", -1), ("B", 1))
        ]
        return gap(only(circuits=[TWO], ladder=SHORT, workers=[person], solids=sides), "A", "B", "object")

    electrical = between(12.0).electrical_m
    for more, verdict in ((0.03, "clear"), (-0.03, "breach")):
        found = between(longest + electrical + more).reach
        assert found.verdict == verdict
        assert found.gap_upper_m == pytest.approx(electrical + more, abs=NEAR)
        assert found.gap_lower_m == pytest.approx(electrical + more, abs=3 * NEAR)
    # Where crossing it for nothing leaves enough, no more is looked for, and the gap shown is that careful one.
    assert between(12.0).reach.gap_lower_m <= 12.0 - longest


def test_upright_the_worker_is_as_long_as_from_sole_to_overhead_fingertip():
    body = small.body()
    upright = body.boots_m + body.overhead_reach_m + body.suit_m + 2 * SPREAD
    assert upright > body.span_m + 2 * (body.suit_m + SPREAD)
    found = gap(only(circuits=[TWO], ladder=SHORT, solids=[slab("bus A", bottom_m=9.0), B]), "A", "earth", "object")
    # The envelope, crossed for nothing, is taller than any worker by what the shoulders' heights leave open.
    assert 9.0 - upright - 0.1 < found.reach.gap_upper_m <= 9.0 - upright + NEAR


def test_a_bonded_worker_is_not_crossed_but_starts_the_gap_anywhere_in_reach():
    """At the phase the whole envelope is: nothing of it is limited by the length of a worker."""
    found = bonded_before(2.0, trunk_lean_m=0.45)
    assert gap(found, "A", "earth", "tool").reach.gap_upper_m == pytest.approx(2.0, abs=NEAR)


def test_with_nobody_aloft_the_posture_is_judged_alone_against_the_whole_limit():
    crew = [{"name": "helper", "stature_m": 1.8, "at_m": [3, 0]}]
    found = only(circuits=[TWO], solids=[slab("bus A", bottom_m=9.0), B], crew=crew, stages=[stage(workers=[])])
    direct = gap(found, "A", "earth", "tool")
    assert direct.reach is None
    assert direct.posture.required_m == direct.limit_m


def test_uncertainty_of_the_ground_and_the_bending_of_the_ladder_widen_the_worker():
    """Feet that do not fit the ground, and a ladder that bends, move whoever is on it."""
    ground = {"kind": "level", "height_m": 0, "extent_m": 40, "uncertainty_m": 0.07}
    bent = {**small.LADDER, "bending_m": 0.05}
    solids = [slab("bus A", bottom_m=9.0), B]
    plain = gap(only(circuits=[TWO], solids=solids), "A", "earth", "object").posture.gap_upper_m
    found = gap(only(circuits=[TWO], solids=solids, ground=ground, ladder=bent), "A", "earth", "object").posture
    assert found.gap_upper_m == pytest.approx(plain - 0.07 - 2 * 0.05, abs=NEAR)
    fit = only(circuits=[TWO], solids=solids, track={**small.TRACK, "fit_m": 0.03})
    assert gap(fit, "A", "earth", "object").posture.gap_upper_m == pytest.approx(plain - 2 * 0.03, abs=NEAR)


def test_sway_over_the_tolerance_of_the_lean_is_swept():
    """Leaning 3 deg back, the head of a worker 5 m up comes nearer to a bus behind; the whole tolerance counts."""
    solids = [small.wall("bus A", -3.0, "A", z=(0.5, 12.0)), B]
    still = gap(only(circuits=[TWO], solids=solids, stages=[stage(climb_m=5)]), "A", "earth", "object")
    swayed = stage(climb_m=5, lean_along_deg=[-3, 3])
    found = gap(only(circuits=[TWO], solids=solids, stages=[swayed]), "A", "earth", "object")
    assert found.posture.gap_upper_m < still.posture.gap_upper_m - 0.2
    assert found.posture.at["lean_along_deg"] == pytest.approx(-3.0, abs=0.1)
    assert checked(circuits=[TWO], solids=solids, stages=[swayed]).stages[0].parameters["lean_along_deg"] == (-3.0, 3.0)
