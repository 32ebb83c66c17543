"""Bonding: how near an unbonded worker may come, what the bond makes of the worker, what is left when it is lost."""

from __future__ import annotations

import math

import numpy as np
import pytest
import small_scenes as small
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from small_scenes import CIRCUIT, SPREAD, WORKER, checked, contact, gap, isolated, only, slab, stage, wall

from clearance.bodies import worker
from clearance.errors import InputError
from clearance.job import leads, nearness, staging
from clearance.motion import placed, pose
from clearance.scene.assemble import assemble

ERGONOMIC = 0.31
"""[m] Movement M of 29 CFR 1910.269 Table R-3."""
NEAR = 0.002
TWO = {**CIRCUIT, "phases": ["A", "B"]}
FAR_B = slab("bus B", bottom_m=30.0, potential="B")


def approach(found, to):
    """Measures of the worker's nearness to a potential."""
    return [a.measure for a in found.approaches if a.to == to]


GRIP = small.grip([0, 0, 4.05])


def bonded(**changes):
    return stage(
        **{"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 0.1, "clamp_m": [0, 0, 4.05], **changes}
    )


def over_head(above, **others):
    """A large bus of phase A, so far above the head of a worker whose feet are at 3 m."""
    return slab("bus A", bottom_m=3.0 + small.head_m() + above, **others)


@pytest.mark.parametrize("kind", ["climb", "work", "step on", "descend"])
def test_only_while_bonding_may_an_unbonded_worker_come_near_a_phase(kind):
    """Bare body 0.3 m at 220 kV (REFERENCE 3.2, from memory) plus the ergonomic part."""
    for above, verdict in ((0.3 + ERGONOMIC - 0.02, "breach"), (0.3 + ERGONOMIC + 0.02, "clear")):
        # Stepping on ends at 2 m, so everything is a metre lower there.
        low = {"climb_m": 2.0} if kind == "step on" else {}
        bus = over_head(above - 1.0 if low else above)
        found = only(circuits=[TWO], solids=[bus, FAR_B], stages=[stage(kind=kind, **low)])
        (measure,) = approach(found, "A")
        assert measure.required_m == pytest.approx(0.3 + ERGONOMIC)
        assert measure.gap_upper_m == pytest.approx(above, abs=NEAR)
        assert measure.verdict == verdict


@pytest.mark.parametrize("kind", ["bond on", "bond off"])
def test_while_bonding_the_phase_may_be_touched(kind):
    found = only(circuits=[TWO], solids=[over_head(0.1), GRIP, FAR_B], stages=[bonded(kind=kind)])
    assert approach(found, "A") == []
    assert approach(found, "earth") != []


def test_the_same_holds_towards_earth_but_for_mounting():
    """An earthed wall behind the worker's back."""
    back = worker.posture(small.body(), "standing").bounds[0][0]
    for away, verdict in ((0.3 + ERGONOMIC - 0.02, "breach"), (0.3 + ERGONOMIC + 0.02, "clear")):
        solids = [slab("bus A", bottom_m=9.0), FAR_B, wall("column", back - away)]
        (measure,) = approach(only(circuits=[TWO], solids=solids, stages=[stage(kind="climb")]), "earth")
        assert (measure.verdict, measure.ends) == (verdict, ("worker", "column"))
        assert approach(only(circuits=[TWO], solids=solids, stages=[stage(kind="step on", climb_m=2.0)]), "earth") == []


def test_while_bonding_earth_is_out_of_reach():
    """The whole reach envelope keeps the transfer distance, not only the posture."""
    reach = worker.reach_envelope(small.body(), 0.0).bounds[0][0]
    for away, verdict in ((0.28, "breach"), (0.32, "clear")):
        solids = [over_head(0.1), GRIP, FAR_B, wall("column", reach - away)]
        (measure,) = approach(only(circuits=[TWO], solids=solids, stages=[bonded(kind="bond on")]), "earth")
        assert measure.gap_upper_m == pytest.approx(away, abs=NEAR)
        assert (measure.required_m, measure.verdict) == (0.3, verdict)


def test_the_transfer_distance_grows_with_the_voltage_and_towards_earth_the_highest_counts():
    """0.4 m at 330 to 500 kV (REFERENCE 3.2, from memory). The lower circuit is named first."""
    high = {**CIRCUIT, "name": "line", "phases": ["X", "Y"], "nominal_kV": 400, "highest_kV": 420.0}
    solids = [slab("bus A", bottom_m=20.0), FAR_B, slab("bus X", bottom_m=40.0, potential="X")]
    solids.append(slab("bus Y", bottom_m=60.0, potential="Y"))
    found = only(circuits=[TWO, high], solids=solids)
    assert [m.required_m for m in approach(found, "A")] == [pytest.approx(0.3 + ERGONOMIC)]
    assert [m.required_m for m in approach(found, "X")] == [pytest.approx(0.4 + ERGONOMIC)]
    assert [m.required_m for m in approach(found, "earth")] == [pytest.approx(0.4 + ERGONOMIC)]


def test_a_conductor_that_may_be_live_keeps_its_distance_too():
    """A dead circuit that is not earthed, and an insulated shield wire, may be at either."""
    dead = {"name": "dead", "phases": ["D", "E"], "nominal_kV": 220, "highest_kV": 245.0, "highest_basis": "IEC 60038"}
    dead["state"] = "dead, not earthed"
    near = slab("bus D", bottom_m=3.0 + small.head_m() + 0.5, potential="D")
    solids = [slab("bus A", bottom_m=30.0), slab("bus B", bottom_m=40.0, potential="B"), near]
    solids.append(slab("bus E", bottom_m=50.0, potential="E"))
    found = only(circuits=[TWO, dead], solids=solids)
    for to in ("D", "earth"):
        (measure,) = approach(found, to)
        assert (measure.verdict, measure.ends[1]) == ("breach", "bus D")
    wire = {
        "kind": "span",
        "name": "shield",
        "potential": "earth",
        "insulated": True,
        "sag_m": 0.01,
        "diameter_m": 0.02,
    }
    wire |= {"from_m": [-10, 0, 5.4], "to_m": [10, 0, 5.4]}
    found = only(circuits=[TWO], solids=[slab("bus A", bottom_m=30.0), FAR_B], wires=[wire])
    (measure,) = approach(found, "shield")
    assert measure.verdict == "breach"


def test_a_bonded_worker_is_at_the_phase():
    """From the soles 3 m up to the ground: 3 m less the spread; nothing of it goes through a floating worker."""
    found = only(circuits=[TWO], solids=[over_head(0.1), GRIP, FAR_B], stages=[bonded()])
    direct = gap(found, "A", "earth", "tool").posture
    assert direct.gap_upper_m == pytest.approx(3.0 - SPREAD, abs=NEAR)
    assert (direct.ends, direct.through) == (("worker", "ground"), ())


def test_what_a_bonded_worker_holds_is_at_that_phase():
    """A conductive tool that hangs from the hand of a standing worker: its tip, not the soles, is the lowest."""
    tool = 1.5
    low = worker.posture(small.body(), "standing", tool).bounds[0][2]
    assert low < -0.5
    found = only(
        circuits=[TWO], solids=[over_head(0.1), GRIP, FAR_B], workers=[{**WORKER, "tool_m": tool}], stages=[bonded()]
    )
    direct = gap(found, "A", "earth", "tool").posture
    assert direct.gap_upper_m == pytest.approx(3.0 + low, abs=NEAR)
    assert direct.ends == ("worker", "ground")
    bag = only(
        circuits=[TWO], solids=[over_head(0.1), GRIP, FAR_B], workers=[{**WORKER, "hanging_m": 2.0}], stages=[bonded()]
    )
    low = worker.posture(small.body(), "standing", 0.0, 2.0).bounds[0][2]
    assert gap(bag, "A", "earth", "tool").posture.gap_upper_m == pytest.approx(3.0 + low, abs=NEAR)


BELT = np.array([-(0.253 / 2 + 0.04 + 0.08), 0.0, 0.03 + 0.6 * 1.755])
"""Middle of the trunk of a man of 1.755 m at his belt: behind the ladder by half the chest, the suit and the stand-off,
0.6 of his stature above the boots (chest depth: ANSUR II; the rest common practice, no source)."""
AROUND = 0.253 / 2 + 0.04 + 0.03 * 1.755
"""[m] How far the suit's surface is from there: half the chest, the suit, and half of what the trunk is wider than
deep."""


def ball(length, clamp, feet):
    """Middle and radius of the ball that holds a lead, spread and the thickness of the lead included."""
    middle = 0.5 * (np.array(clamp) + BELT + [0.0, 0.0, feet])
    return middle, 0.5 * (length + AROUND + SPREAD) + 0.02


def test_the_bonding_lead_is_a_body_at_the_phase():
    """It lies within half its length of the middle between clamp and belt: with 5 m of lead, 2.5 m about it, and half
    as much more as its end may be elsewhere on the belt."""
    clamp = [4.0, 0.0, 4.0]
    found = only(
        circuits=[TWO],
        solids=[over_head(0.1), small.grip(clamp), FAR_B],
        stages=[bonded(bonding_lead_m=5.0, clamp_m=clamp)],
    )
    direct = gap(found, "A", "earth", "tool").posture
    assert direct.ends == ("worker bonding lead", "ground")
    middle, radius = ball(5.0, clamp, 3.0)
    assert direct.gap_upper_m == pytest.approx(middle[2] - radius, abs=NEAR)


@pytest.mark.parametrize("spare", [-0.02, 0.02])
def test_the_lead_goes_half_as_far_as_its_worker_and_is_judged_where_it_is(spare):
    """Travel and climb are swept; a wall of B beside the lead. At the worst corner of the box the ball, which has gone
    half as far as the worker, keeps the limit or breaches it; and at the pose that is printed the gap is the printed
    one, though nothing is swept there."""
    clamp, limit = [1.5, 0.0, 4.5], 2.7
    told = {"travel_m": [4.0, 6.0], "climb_m": [2.0, 3.0], "bonding_lead_m": 4.0, "clamp_m": clamp}
    middle, radius = ball(4.0, clamp, 3.0)
    wall_b = wall("bus B", middle[0] + radius + limit + spare, "B")
    parts = {"circuits": [TWO], "solids": [over_head(0.1), wall_b]}
    found = gap(only(**parts, stages=[bonded(**told)]), "A", "B", "air")
    assert "worker bonding lead" in found.posture.ends
    assert found.posture.gap_upper_m == pytest.approx(limit + spare, abs=NEAR)
    at = {name: float(value) for name, value in found.posture.at.items()}
    there = gap(only(**parts, stages=[bonded(**{**told, **at})]), "A", "B", "air")
    assert there.posture.gap_upper_m == pytest.approx(found.posture.gap_upper_m, abs=NEAR)
    # From above, the lowest bus that the ball meets is met at the highest climb alone.
    lower = gap(only(**parts, stages=[bonded(**{**told, "climb_m": 2.0})]), "A", "earth", "tool").posture
    higher = gap(only(**parts, stages=[bonded(**{**told, "climb_m": 3.0})]), "A", "earth", "tool").posture
    if "worker bonding lead" in lower.ends and "worker bonding lead" in higher.ends:
        assert higher.gap_upper_m - lower.gap_upper_m == pytest.approx(0.5, abs=NEAR)


@given(st.data())
@settings(max_examples=30, deadline=None)
def test_wherever_the_lead_hangs_the_ball_holds_it(data):
    """Random chains of joints of a leaning, turning ladder on a bent track; random points whose distances to clamp and
    to the join on the suit add up to the length at most."""
    draw = lambda low, high: data.draw(st.floats(low, high))  # noqa: E731
    clamp, length = [draw(-1, 2), draw(-1, 1), draw(3, 6)], 6.0
    track = {"points_m": [[0, -5], [0.5, 0], [0, 5]], "heading_deg": 20}
    entry = bonded(
        travel_m=[3, 7], climb_m=[2, 4], heading_deg=[-20, 20], lean_along_deg=[-10, 10], lean_across_deg=[-10, 10],
        bonding_lead_m=length, clamp_m=clamp,
    )  # fmt: skip
    site = assemble(small.scene(circuits=[TWO], solids=[FAR_B], track=track, stages=[entry]))
    (setting, *_) = staging.settings_of(site, site.scene.stages[0])
    held = next(body for body in setting.bodies if body.kind == "lead")
    q = {name: draw(low, high) for name, (low, high) in setting.box.items()}
    turn, shift = pose(setting.motion, "worker", q)
    away = np.array([draw(-1, 1) for _ in range(3)])
    join = turn @ (BELT + AROUND * away / max(1.0, np.linalg.norm(away))) + shift
    way = np.array([draw(-1, 1) for _ in range(3)])
    apart = np.linalg.norm(join - clamp)
    share = draw(0, 1)
    # A point of the ellipsoid: from a point between the ends outward as far as the length lets it.
    start, far = clamp + share * (join - clamp), 0.5 * (length - apart)
    point = start + far * way / max(1.0, np.linalg.norm(way))
    assume(apart < length)
    assert np.linalg.norm(point - clamp) + np.linalg.norm(point - join) <= length + 1e-9
    shape = placed(held.shape, setting.motion, held.link, q)
    assert shape.vertices[0, 0] == pytest.approx(0.5 * (turn @ BELT + shift + clamp), abs=1e-9)
    assert np.linalg.norm(point - shape.vertices[0, 0]) <= shape.radius[0] + shape.uncertainty[0]


def test_a_bond_without_its_lead_is_not_clear():
    short = {**small.LADDER, "length_m": 4.8, "insulating_to_m": 4.8}
    parts = {"circuits": [TWO], "solids": [over_head(0.1), GRIP, FAR_B], "ladder": short}
    for missing in ("bonding_lead_m", "clamp_m"):
        result = checked(**parts, stages=[bonded(**{missing: None})])
        assert result.verdict == "undecided"
        assert "worker bonding lead is not there: nothing of it is judged" in [
            p.what for p in result.stages[0].open_points
        ]
    whole = only(**parts, stages=[bonded()])
    assert (whole.verdict, whole.open_points) == ("clear", ())


@pytest.mark.parametrize(
    ("kind", "case"), [("work", "bond lost"), ("bond off", "bond lost"), ("bond on", "not yet bonded")]
)
def test_a_bonded_stage_is_judged_again_with_the_bond_lost(kind, case, monkeypatch):
    """The bus is 0.4 m above the head: at the phase, 3 m to earth; with the bond lost the worker floats: what counts
    between A and B, which is 4 m behind the worker, are both gaps."""
    # A lead that hangs loose from its clamp above the head, too short for a worker to be bonded by it.
    monkeypatch.setattr(nearness, "short_leads", lambda *_: ())
    back = worker.posture(small.body(), "standing").bounds
    solids = [over_head(0.4, size=(0.4, 0.4)), wall("bus B", back[0][0] - 4.0, "B", z=(2.0, 6.0))]
    found = only(circuits=[TWO], solids=solids, stages=[bonded(kind=kind, bonding_lead_m=0.05, clamp_m=[0, 0, 5.25])])
    through = gap(found, "A", "earth", "object").posture
    assert (through.case, through.through) == (case, ("worker",))
    between = gap(found, "A", "B", "object").posture
    assert (between.case, between.through) == (case, ("worker",))
    # From the bus alone it were 4.4 m; the lead from its clamp to his belt is at the phase too, and touches him.
    assert between.gap_upper_m == pytest.approx(4.0, abs=NEAR)
    assert "worker bonding lead" in between.ends
    direct = gap(found, "A", "B", "air").posture
    assert (direct.case, direct.gap_upper_m) == ("as stated", pytest.approx(4.0, abs=NEAR))


def test_an_unbonded_stage_has_no_bond_to_lose():
    found = only(circuits=[TWO], solids=[slab("bus A", bottom_m=9.0), FAR_B])
    assert {g.posture.case for g in found.gaps} == {"as stated"}


def test_mounting_the_worker_is_at_earth_and_floats():
    """Feet on the ground, or on the first rung: the gap from the bus to the head, and the sum of both."""
    found = only(
        circuits=[TWO], solids=[slab("bus A", bottom_m=9.0), FAR_B], stages=[stage(kind="step on", climb_m=1.0)]
    )
    direct = gap(found, "A", "earth", "tool").posture
    assert direct.gap_upper_m == pytest.approx(8.0 - small.head_m(), abs=NEAR)
    assert direct.ends[1] == "worker"
    through = gap(found, "A", "earth", "object").posture
    assert (through.case, through.through) == ("off the ground", ("worker",))
    assert through.gap_upper_m == pytest.approx(9.0 - small.head_m() - SPREAD, abs=NEAR)


def test_a_bond_out_of_reach_is_a_mistake_of_the_scene():
    from clearance.errors import InputError

    with pytest.raises(InputError) as caught:
        checked(circuits=[TWO], solids=[slab("bus A", bottom_m=9.0), FAR_B], stages=[bonded(), bonded(name="again")])
    assert str(caught.value).count("a conductor of phase A within reach") == 2


@pytest.mark.parametrize(
    ("climb", "lean", "length", "refused"),
    [
        (3.0, 0.0, 0.71, True), (3.0, 0.0, 0.75, False), ([2.0, 3.0], 0.0, 0.71, True), ([2.0, 3.1], 0.0, 0.71, False),
        (3.0, 0.3, 0.59, False), (3.0, 0.3, 0.56, True),
    ],
)  # fmt: skip
def test_a_lead_that_reaches_its_clamp_nowhere_is_refused(climb, lean, length, refused):
    """From the clamp to the nearest place on the belt; the lean of the trunk, which tips about the hips 0.123 m below
    it, brings that nearer by 0.156 m (shoulders 0.509 m above the hips)."""
    parts = {
        "circuits": [TWO],
        "workers": [{**WORKER, "trunk_lean_m": lean}],
        "solids": [over_head(0.4, size=(0.4, 0.4)), FAR_B],
        "stages": [bonded(climb_m=climb, bonding_lead_m=length, clamp_m=[0, 0, 5.0])],
    }
    if not refused:
        assert only(**parts).gaps
        return
    with pytest.raises(
        InputError, match="bonding_lead_m: expected a lead that reaches from the belt of 'worker'"
    ) as said:
        checked(**parts)
    feet = climb if isinstance(climb, float) else climb[1]
    tipped = 2 * math.sin(math.asin(lean / 0.5089) / 2) * math.hypot(0.1229, AROUND)
    nearest = np.linalg.norm(BELT - [0, 0, 5.0 - feet]) - AROUND - tipped
    longest = math.ceil(nearest * 100) / 100  # rounded up: one of what is printed is long enough
    assert f"to its clamp, {longest:.2f} m away, found {length:g} m" in str(said.value)


def touching(kind, statements=(), **told):
    """Pairs meant to touch in a stage of a worker bonded to A, the free end of whose dropper is on bus A."""
    release = {"free_end": "from", "lowered_to_m": [0.3, 0, 4.0]}
    dropper = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": [0, 0, 5.0], "to_m": [2, 0, 3]}
    dropper |= {"length_m": 3.4, "diameter_m": 0.03, "release": release}
    solids = [
        small.box("bus A", [0, 0, 5.1], [0.4, 0.4, 0.2], "A"),
        FAR_B,
        small.box("post", [2, 0, 1.5], [0.2, 0.2, 3]),
    ]
    parts = {"circuits": [TWO], "solids": solids, "wires": [dropper], "statements": [isolated("dropper"), *statements]}
    site = assemble(small.scene(**parts, stages=[bonded(kind=kind, **told)]))
    return {
        tuple(sorted(pair)) for pair in staging.settings_of(site, site.scene.stages[0])[0].touching if len(pair) == 2
    }


def test_a_bonded_worker_may_touch_what_is_at_the_phase_and_nothing_else():
    found = touching("work")
    assert {("bus A", "worker"), ("dropper", "worker")} <= found
    assert not {("bus B", "worker"), ("post", "worker"), ("ground", "worker")} & found
    assert ("bus A", "worker") not in touching("work", bonded=None, bonding_lead_m=None, clamp_m=None)


@pytest.mark.parametrize("kind", ["open", "lower", "raise", "close"])
def test_a_wire_that_moves_is_touched_by_a_worker_only_where_it_is_stated(kind):
    told = {"released": ["dropper"], "lower_m": [0, 1.0]}
    found = touching(kind, **told)
    assert ("bus A", "worker") in found
    assert ("dropper", "worker") not in found
    assert ("dropper", "worker") in touching(kind, [contact("worker", "dropper")], **told)
    # By nature it touches what its free end leaves and what its far end is fixed to, and no other body.
    assert {("bus A", "dropper"), ("dropper", "post")} <= found
    assert ("bus B", "dropper") not in found


def test_the_free_end_is_touched_by_whoever_holds_it_and_by_nobody_else():
    told = {"released": ["dropper"], "lower_m": [0, 1.0]}
    for kind in ("open", "close"):
        by_rope, by_hand = touching(kind, **told), touching(kind, **told, by_hand="worker")
        assert {("bus A", "dropper free end"), ("dropper", "dropper free end")} <= by_rope & by_hand
        assert not {("bus B", "dropper free end"), ("dropper free end", "ground")} & (by_rope | by_hand)
        assert ("dropper free end", "worker") not in by_rope
        assert {("dropper free end", "worker"), ("dropper free end", "worker bonding lead")} <= by_hand
        assert ("dropper", "worker") not in by_hand, "the rest of it is not held"


@pytest.mark.parametrize("off_m", [0.0, 0.3])
def test_the_middle_of_a_lead_is_unsure_by_half_of_what_its_ends_are(off_m):
    """The clamp at a point that stands still; the worker with the spread of limbs, and off the links besides."""
    bond = {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 1.0, "clamp_m": [0.0, 0.0, 5.0]}
    made = assemble(small.scene(circuits=[TWO], solids=[slab("bus A", bottom_m=6.0)], stages=[stage(**bond)]))
    lead = leads.lead_body(made, made.scene.stages[0], "worker", small.body(), 0.0, off_m)
    _, around = worker.belt(small.body(), 0.0)
    assert lead.shape.uncertainty == pytest.approx(0.5 * (SPREAD + off_m))
    assert lead.shape.radius == pytest.approx(0.5 * (1.0 + around) + 0.02)
