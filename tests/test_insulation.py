"""Insulating lengths: what is left between the highest earthed and the lowest live touch, worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import small_scenes as small
from small_scenes import CIRCUIT, SPREAD, checked, only, slab, stage

from clearance import rules, shapes
from clearance.bodies import Body, worker
from clearance.engine import build_engine
from clearance.job import insulation, insulators, measuring, touching
from clearance.job.ways import Leg, Member, Touch, Way
from clearance.pipeline import prepare

LADDER = {**small.LADDER, "insulating_from_m": 0.4}
TWO = {**CIRCUIT, "phases": ["A", "B"]}
BUSES = [slab("bus A", bottom_m=12.0), slab("bus B", bottom_m=30.0, potential="B")]
REQUIRED = 0.3048 * 0.011 * 245 / math.sqrt(3) * 2.5 + 0.31
"""[m] OSHA: at least the phase-to-earth distance with a tool in the gap, 1.4956 m."""
CLIMBER = 0.03 + 2.263 - 0.193 / 2 + SPREAD
"""[m] What a climber of 1.755 m shorts: boots and overhead fingertip reach, less half a hand (REFERENCE 7)."""


def lengths(**parts):
    found = only(**{"circuits": [TWO], "solids": BUSES, "ladder": LADDER, **parts}).insulation
    return {entry.body: entry for entry in found}


def ladder(**parts):
    return lengths(**parts)["ladder"]


def bonded(**changes):
    """A worker bonded to a small bus over the head, by a lead that hangs at the belt."""
    lead = {"bonding_lead_m": 0.05, "clamp_m": [0.0, 0.0, 4.05]}
    return {
        "solids": [small.box("bus A", [-0.3, 0.0, 5.1], [0.2, 0.2, 0.2], "A"), small.grip(lead["clamp_m"]), BUSES[1]],
        "stages": [stage(**{"kind": "work", "bonded": {"worker": "A"}, **lead, **changes})],
    }


def test_an_unbonded_climber_shorts_part_of_the_ladder_at_every_climb():
    for climb in (3, [1, 6]):
        found = ladder(stages=[stage(climb_m=climb)])
        assert found.left_m == pytest.approx(8.0 - 0.4 - CLIMBER, abs=1e-9)
        assert (found.required_m, found.verdict) == (pytest.approx(REQUIRED, abs=1e-9), "clear")
    assert 2.0 < CLIMBER < 2.3, "about 2 m by common practice"


def test_a_bonded_worker_leaves_what_is_below_the_soles_at_the_lowest_climb():
    assert ladder(**bonded()).left_m == pytest.approx(3.0 - 0.4, abs=1e-9)
    assert ladder(**bonded(climb_m=[2.7, 3.0])).left_m == pytest.approx(2.7 - 0.4, abs=1e-9)


def test_metal_counts_once_and_what_is_wet_or_dirty_not_at_all():
    joints = [
        {"name": "lower joint", "from_m": 1.0, "to_m": 1.3, "radius_m": 0.05},
        {"name": "sleeve", "from_m": 1.2, "to_m": 1.5, "radius_m": 0.05},
        {"name": "upper joint", "from_m": 5.0, "to_m": 5.5, "radius_m": 0.05},
    ]
    fitted = {**LADDER, "fittings": joints, "wet_or_dirty_m": 0.25}
    assert ladder(ladder=fitted).left_m == pytest.approx(7.6 - CLIMBER - 0.5 - 0.5 - 0.25, abs=1e-9)
    # Bonded, only what is below the soles counts.
    below = {**LADDER, "fittings": joints[:2], "wet_or_dirty_m": 0.25}
    assert ladder(ladder=below, **bonded()).left_m == pytest.approx(2.6 - 0.5 - 0.25, abs=1e-9)


def test_what_is_earthed_on_the_ladder_begins_the_length_higher_up():
    clamp = {"name": "clamp", "from_m": 0.7, "to_m": 0.9, "radius_m": 0.05, "potential": "earth"}
    found = ladder(ladder={**LADDER, "fittings": [clamp]})
    assert found.left_m == pytest.approx(8.0 - 0.9 - CLIMBER, abs=1e-9)
    rope = {"name": "guy", "from_m": "ladder @ 2.5", "to_m": [4, 0, 0], "diameter_m": 0.02}
    found = ladder(ropes=[rope])
    assert found.left_m == pytest.approx(8.0 - 2.5 - CLIMBER, abs=1e-9)
    assert "guy" in found.steps[0]
    assert ladder(ropes=[rope], statements=[small.insulating("guy")]).left_m == pytest.approx(
        8.0 - 0.4 - CLIMBER, abs=1e-9
    )


def test_hands_of_the_crew_overhead_are_earthed_touches_within_their_reach():
    """A person by the track holds the ladder as high as the fingertips: boots, overhead reach, glove, spread twice."""
    reach = worker.extent(worker.build(stature_m=1.755, suit_m=0.04, boots_m=0.03, helmet_m=0.05))
    helper = {"name": "helper", "stature_m": 1.755, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05}
    near, far = {**helper, "at_m": [1.0, 0]}, {**helper, "at_m": [reach + 0.1, 0]}
    assert reach == pytest.approx(0.03 + 2.263 + 0.04 + 2 * SPREAD, abs=0.001)
    assert ladder(crew=[near]).left_m == pytest.approx(8.0 - reach - CLIMBER, abs=1e-9)
    assert ladder(crew=[far]).left_m == pytest.approx(8.0 - 0.4 - CLIMBER, abs=1e-9)
    absent = {"kind": "absent", "bodies": ["helper"]}
    assert ladder(crew=[near], statements=[absent]).left_m == pytest.approx(8.0 - 0.4 - CLIMBER, abs=1e-9)


def test_hands_reach_further_along_a_ladder_that_leans():
    """A height of h is h / cos(lean) along it."""
    told = {"stature_m": 1.755, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05}
    reach = worker.extent(worker.build(**told))
    near = {**told, "name": "helper", "at_m": [1.0, 0], "radius_m": 0.0}
    for lean in ({"lean_along_deg": [-1.0, 12.0]}, {"lean_across_deg": [-12.0, 1.0]}):
        found = ladder(crew=[near], stages=[stage(**lean)])
        assert found.left_m == pytest.approx(8.0 - reach / math.cos(math.radians(12.0)) - CLIMBER, abs=0.005)


@pytest.mark.parametrize(
    ("top", "verdict"), [(0.4 + CLIMBER + REQUIRED + 0.01, "clear"), (0.4 + CLIMBER + REQUIRED - 0.01, "breach")]
)
def test_the_length_left_is_compared_with_the_length_required(top, verdict):
    low = stage(climb_m=1)  # the whole of what the climber shorts is on the insulating part
    assert ladder(ladder={**LADDER, "insulating_to_m": top}, stages=[low]).verdict == verdict


def test_without_a_required_length_it_is_undecided_and_says_why():
    result = checked(rule="en-50110-1", circuits=[TWO], solids=BUSES)
    (found,) = result.stages[0].insulation
    assert (found.required_m, found.verdict) == (None, "undecided")
    assert "insulating length" in found.why
    assert result.verdict == "undecided"


def test_something_live_that_touches_the_ladder_ends_the_length_there():
    """A bus leans on the ladder from 6.9 m up; the ladder's hull is looked at in pieces of half a metre."""
    bus = small.box("bus A", [0.0, 0.0, 7.0], [0.3, 0.3, 0.2], "A")
    parts = {"solids": [bus, BUSES[1]], "statements": [small.contact("ladder", "bus A")]}
    found = ladder(**parts)
    assert 6.5 - 0.4 - CLIMBER - 1e-9 <= found.left_m <= 6.9 - 0.4 - CLIMBER
    assert any("bus A" in step for step in found.steps)
    # With nobody on it the ladder still stands between the crew and the bus.
    empty = stage(workers=[], climb_m=None, posture=None, kind="travel")
    assert 6.1 - 1e-9 <= ladder(**{**parts, "stages": [empty]}).left_m <= 6.5
    assert "ladder" not in lengths(solids=BUSES, stages=[empty])


def test_a_rope_between_two_points_keeps_its_length_less_the_crews_hands():
    rope = {"name": "rope", "from_m": [3, 0, 6], "to_m": [3, 4, 3], "diameter_m": 0.02}
    tested = [small.insulating("rope")]
    assert lengths(ropes=[rope], statements=tested)["rope"].left_m == pytest.approx(5.0, abs=1e-9)
    helper = {"name": "helper", "stature_m": 1.755, "at_m": [15, 0], "suit_m": 0.04, "boots_m": 0.03}
    hands = worker.extent(worker.build(stature_m=1.755, suit_m=0.04, boots_m=0.03))
    assert lengths(ropes=[rope], crew=[helper], statements=tested)["rope"].left_m == pytest.approx(
        5.0 - hands, abs=1e-9
    )


def test_a_rope_tied_to_the_ladder_goes_on_along_it_and_loses_what_its_tie_may_sway():
    """From an anchor 4 m aside to a tie 6 m up, then 2 m of ladder, beyond the hands of whoever stands at its foot."""
    rope = {"name": "rope", "from_m": "ladder @ 6.0", "to_m": [4, 0, 0], "diameter_m": 0.02}
    tested = [small.insulating("rope")]
    low = {"climb_m": 0.5}
    whole = math.hypot(4.0, 6.0)
    for leans, sway in (({}, 0.0), ({"lean_along_deg": [-3, 2], "lean_across_deg": [-1, 1]}, 6.0 * math.radians(4.0))):
        found = lengths(ropes=[rope], stages=[stage(**low, **leans)], statements=tested)["rope"]
        # The ground touches it at its anchor: a piece of 3 cm.
        assert whole - sway + 2.0 - 0.04 <= found.left_m <= whole - sway + 2.0 + 1e-9
    dirty = {**rope, "wet_or_dirty_m": 1.5}
    found = lengths(ropes=[dirty], stages=[stage(**low)], statements=tested)["rope"]
    assert whole - 1.5 + 2.0 - 0.04 <= found.left_m <= whole - 1.5 + 2.0


def test_a_rope_that_hangs_from_a_wire_is_not_passed_over():
    wire = {"kind": "span", "name": "high", "phase": "A", "sag_m": 0.01, "diameter_m": 0.02}
    wire |= {"from_m": [-10, 6, 12], "to_m": [10, 6, 12]}
    rope = {"name": "rope", "from_m": "high end", "to_m": [10, 6, 2], "diameter_m": 0.02}
    tested = [small.insulating("rope")]
    found = lengths(wires=[wire], ropes=[rope], statements=tested)["rope"]
    # Both are 2 cm thick: what is left ends at the wire's surface, or at the end of the piece that it lies in.
    assert 10.0 - 0.02 - 0.03 <= found.left_m <= 10.0


NEAR = 0.07
"""[m] What a length may come out shorter than it is: a piece of the member at either end, and its thickness."""


def test_a_rope_that_passes_an_earthed_post_is_left_from_there_on():
    """From a bus at A straight down to the ground beside a post at earth, which touches it: what is above the post."""
    for left, verdict in ((REQUIRED + NEAR + 0.01, "clear"), (REQUIRED - 0.01, "breach")):
        rope = {"name": "rope", "from_m": [6, 0, 6], "to_m": [6, 0, 0], "diameter_m": 0.02}
        post = small.box("post", [6.2, 0, (6 - left) / 2], [0.4, 0.4, 6 - left])
        bus = small.box("low bus", [6, 0, 6.1], [1, 1, 0.2], "A")
        found = lengths(solids=[*BUSES, bus, post], ropes=[rope], statements=[small.insulating("rope")])["rope"]
        assert (found.verdict, found.required_m) == (verdict, pytest.approx(REQUIRED, abs=1e-9))
        assert left - NEAR <= found.left_m <= left
    # A millimetre clear of it, it is no touch, but for the uncertainty of the one or the other.
    for uncertainty, whole in ((0.0, True), (0.01, False)):
        post = small.box("post", [6.216, 0, 2.5], [0.4, 0.4, 5.0], uncertainty_m=uncertainty)
        found = lengths(solids=[*BUSES, bus, post], ropes=[rope], statements=[small.insulating("rope")])["rope"]
        assert (found.left_m > 5.9) is whole


def test_a_rope_between_two_phases_is_asked_for_their_length():
    between = rules.required(
        "osha-1910.269",
        "phase-phase",
        gap="tool",
        highest_kV=245,
        per_unit_overvoltage=2.5,
        inputs={"per_unit_basis": "x"},
    )
    assert between.limit_m > REQUIRED + 0.5
    for left, verdict in ((between.limit_m + 2 * NEAR, "clear"), (between.limit_m - 0.01, "breach")):
        rope = {"name": "rope", "from_m": [6, 0, 6 + left], "to_m": [6, 0, 6], "diameter_m": 0.02}
        ends = [small.box("one", [6, 0, 6.1 + left], [1, 1, 0.2], "A"), small.box("two", [6, 0, 5.9], [1, 1, 0.2], "B")]
        found = lengths(solids=[*BUSES, *ends], ropes=[rope], statements=[small.insulating("rope")])["rope"]
        assert (found.verdict, found.required_m) == (verdict, pytest.approx(between.limit_m, abs=1e-9))
        # With both of its ends at one phase it is held against the length to earth all the same.
        ends[1] = {**ends[1], "potential": "A"}
        found = lengths(solids=[*BUSES, *ends], ropes=[rope], statements=[small.insulating("rope")])["rope"]
        assert found.required_m == pytest.approx(REQUIRED, abs=1e-9)


def test_what_is_earthed_and_touches_the_ladder_counts_wherever_it_touches():
    """A beam at earth against the ladder up to some height, the contact stated; nobody shorts anything at A's soles."""
    for left, verdict in ((REQUIRED + NEAR + 0.05, "clear"), (REQUIRED - 0.01, "breach")):
        beam = small.box("beam", [0.13, 0, 3.0 - left - 0.1], [0.2, 0.2, 0.2])
        parts = bonded()
        parts["solids"] = [*parts["solids"], beam]
        said = [small.contact("ladder", "beam")]
        found = ladder(**parts, statements=said)
        assert found.verdict == verdict
        assert left - 0.09 <= found.left_m <= left  # the ladder's hull reaches half a rail beyond a piece's ends


def test_a_worker_at_a_phase_who_reaches_a_rope_leaves_what_is_below_the_hands():
    """A rope tied 6 m up, its anchor 0.4 m beside the feet: whoever is bonded 3 m up has it in reach."""
    rope = {"name": "rope", "from_m": "ladder @ 6.0", "to_m": [0.4, 0, 0], "diameter_m": 0.02}
    parts = {**bonded(), "ropes": [rope], "statements": [small.insulating("rope")]}
    found = lengths(**parts)["rope"]
    along = np.array([-0.4, 0.0, 6.0]) / math.hypot(0.4, 6.0)
    touched = [s for s in np.arange(2.0, 4.0, 0.002) if from_reach(np.array([0.4, 0, 0]) + s * along, 3.0) <= 0.01]
    assert min(touched) - NEAR <= found.left_m <= min(touched)
    assert any("worker" in step for step in found.steps)
    far = {**parts, "ropes": [{**rope, "to_m": [12.0, 0, 0]}]}
    assert lengths(**far)["rope"].left_m > found.left_m + 4.0


@pytest.mark.parametrize("high", [0.3, 2.0])
def test_whoever_steps_on_is_an_earth_up_to_the_holding_hand(high):
    """Who is still on the ground, or off it, leaves of the ladder what is above the hands."""
    for top, verdict in ((high + CLIMBER + REQUIRED + 0.01, "clear"), (high + CLIMBER + REQUIRED - 0.01, "breach")):
        found = only(
            circuits=[TWO],
            solids=BUSES,
            ladder={**LADDER, "insulating_to_m": top},
            stages=[stage(kind="step on", climb_m=[0, high], posture="climbing")],
        )
        (length,) = found.insulation
        assert length.left_m == pytest.approx(top - high - CLIMBER, abs=1e-9)
        assert length.verdict == verdict


def hung(top_m, units=None, **changes):
    """A conductor that ends in a strain string, straight above the worker's shoulders, its live end 5 m up."""
    string = {
        "kind": "suspension",
        "length_m": top_m - 5.0,
        "insulating_m": top_m - 5.0,
        "diameter_m": 0.2,
        "units": units,
    }
    wire = {"kind": "span", "name": "wire A", "phase": "A", "sag_m": 0.001, "diameter_m": 0.02, "from_string": string}
    wire |= {"from_m": [-0.25, 0, top_m], "to_m": [-0.25, 15, 5.0]}
    lead = {"bonding_lead_m": 0.05, "clamp_m": [0.0, 0.0, 4.05]}
    short = {**LADDER, "length_m": 4.5, "insulating_to_m": 4.5}
    return {
        "wires": [wire],
        "solids": [BUSES[1]],
        "ladder": short,
        "stages": [stage(**{"kind": "work", "bonded": {"worker": "A"}, **lead, **changes})],
    }


def from_reach(place, climb):
    """Distance [m] of a point from all the worker can reach, worked out from the envelope's capsules."""
    shape = worker.reach_envelope(small.body(), 0.0)
    least = math.inf
    for corners, count, radius, uncertainty in zip(
        shape.vertices, shape.corners, shape.radius, shape.uncertainty, strict=True
    ):
        if count == 2:
            a, b, p = corners[0], corners[1], np.array(place) - [0, 0, climb]
            share = np.clip((p - a) @ (b - a) / max((b - a) @ (b - a), 1e-12), 0, 1)
            least = min(least, float(np.linalg.norm(p - a - share * (b - a))) - radius - uncertainty)
    return least


@pytest.mark.parametrize(("top", "verdict"), [(7.5, "clear"), (6.7, "breach")])
def test_a_line_insulator_that_hands_may_bridge_counts_too(top, verdict):
    found = lengths(**hung(top))["wire A from string"]
    left = from_reach([-0.25, 0.0, top], 3.0)
    assert left < top - 5.0 - 0.2, "hands do reach a good part of it"
    assert found.left_m == pytest.approx(left, abs=0.005)
    assert found.left_m <= left + 1e-9
    assert (found.required_m, found.verdict) == (pytest.approx(REQUIRED, abs=1e-9), verdict)


def test_an_insulator_out_of_reach_is_not_bridged():
    far = hung(7.5)
    far["solids"] = [small.box("bus A", [-0.3, 0.0, 3.6], [0.2, 0.2, 0.2], "A"), BUSES[1]]
    far["stages"] = [{**far["stages"][0], "climb_m": 1.5, "clamp_m": [0.0, 0.0, 2.55]}]
    assert "wire A from string" not in lengths(**far)


def test_where_the_rule_counts_sound_insulators_those_left_are_counted():
    """GB 26859, Table 8-3: nine at 220 kV (REFERENCE 3.2). Of 15 over 2.5 m those out of reach are left."""
    circuit = {key: TWO[key] for key in ("name", "phases", "nominal_kV", "highest_kV", "highest_basis")}
    for units, verdict in ((15, "clear"), (10, "breach"), (None, "undecided")):
        parts = hung(7.5, units)
        found = lengths(rule="gb-26859", circuits=[circuit], **parts)["wire A from string"]
        assert found.verdict == verdict
        if units:
            assert f"{int(units * found.left_m / 2.5)} of {units} sound insulators left" in " ".join(found.steps)
        else:
            assert "units" in found.why


def test_what_no_rule_has_a_length_for_does_not_hide_a_breach():
    """Between phases GB 26859 has none; to earth 2.1 m of rope (REFERENCE 3.2) are asked for, on the same rope."""
    circuit = {key: TWO[key] for key in ("name", "phases", "nominal_kV", "highest_kV", "highest_basis")}
    ends = [small.box("one", [6, 0, 12.1], [1, 1, 0.2], "A"), small.box("two", [6, 0, 3.9], [1, 1, 0.2], "B")]
    rope = {"name": "rope", "from_m": [6, 0, 12], "to_m": [6, 0, 4], "diameter_m": 0.02}
    for post, verdict in (([], "undecided"), ([small.box("post", [6.2, 0, 5.5], [0.4, 0.4, 1.0])], "breach")):
        parts = {"solids": [*BUSES, *ends, *post], "ropes": [rope], "statements": [small.insulating("rope")]}
        assert lengths(rule="gb-26859", circuits=[circuit], **parts)["rope"].verdict == verdict


@pytest.mark.parametrize("link", ["worker", None])
def test_a_body_shorts_no_more_than_its_breadth_at_one_place_and_all_of_its_range_where_it_stands_still(link):
    """A bar of 1 m, 0.3 m thick and 0.02 m unsure: 1 m and twice 0.32 m; crossed over 1.5 m alone, that."""
    bar = Body("bar", "worker", shapes.segments([[0, 0, 0]], [[0, 0, 1]], 0.3, 0.02), link=link)
    assert insulation._breadth(bar) == pytest.approx(1.64 if link else math.inf)
    assert insulation._breadth(replace(bar, extent_m=1.5)) == pytest.approx(1.5 if link else math.inf)
    rate = replace(bar.shape, rate=np.zeros((1, 3, 3)))
    assert insulation._breadth(replace(bar, shape=rate)) == math.inf


@pytest.mark.parametrize(("stick_m", "alone", "with_silent"), [(REQUIRED - 0.01, "breach", "breach"),
                                                               (REQUIRED + 0.01, "clear", "undecided")])  # fmt: skip
def test_a_remote_tool_is_not_clear_where_one_rule_has_no_length(stick_m, alone, with_silent):
    """EN 50110-1 has none; the equation's is then the least it can be."""
    for rule, verdict in (("osha-1910.269", alone), (["osha-1910.269", "en-50110-1"], with_silent)):
        parts = {"circuits": [TWO], "solids": BUSES, "rule": rule}
        site = prepare(small.scene(**parts)).site
        earthing = site.scene.stages[0].model_copy(update={"kind": "earthing", "stick_m": stick_m})
        (tool,) = insulation.sticks(site, earthing)
        assert tool.verdict == verdict


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0])
@pytest.mark.parametrize("tool_m", [0.0, 0.4])
def test_hands_from_below_reach_up_a_ladder_as_far_as_it_tilts_towards_them(tool_m, tilt_deg):
    """Boots, overhead reach, glove and twice the spread (REFERENCE 7), a tool, along a ladder that leans: divided by
    the cosine of its tilt."""
    person = {"name": "helper", "stature_m": 1.755, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05,
              "at_m": [-1.0, 0.0], "tool_m": tool_m}  # fmt: skip
    tilted = {**LADDER, "tilt_deg": tilt_deg}
    site = prepare(small.scene(circuits=[TWO], solids=BUSES, ladder=tilted, crew=[person])).site
    ((who, height),) = insulators._hands(site, site.scene.stages[0], site.scene.ladder)
    assert who == "helper"
    reach = 0.03 + 2.263 + 0.04 + 2 * SPREAD + tool_m
    assert height == pytest.approx(reach / math.cos(math.radians(tilt_deg)), abs=1e-9)


@pytest.mark.parametrize("order", [("ladder", "rope"), ("rope", "ladder")])
def test_a_way_along_two_kinds_of_member_must_have_the_larger_length(order):
    """An employer's 3 m of ladder and 4 m of rope: a way along both of 3.5 m is too short."""
    told = {"ladder_insulating_m": 3.0, "rope_insulating_m": 4.0, "employer_basis": "rules", "employer_by": "head"}
    company = {"rule": "en-50110-1", "rule_inputs": told, "circuits": [TWO], "solids": BUSES}
    prepared = prepare(small.scene(**company))
    bench = measuring.Bench(prepared.site, build_engine(prepared.stages[0]), 0.001)
    ends = (Touch("x", "ground", 0.0, 0.0, frozenset(("earth",))), Touch("x", "bus A", 9.0, 9.0, frozenset(("A",))))
    members = [Member(what, what, 0.0, 9.0) for what in order]

    def judged(left_m, *some):
        legs = tuple(Leg(member, *ends, left_m / len(some), ()) for member in some)
        return insulation._judged(bench, prepared.stages[0][0], some[0], Way(("earth", "A"), left_m, legs))

    for left_m, verdict in ((3.99, "breach"), (4.01, "clear")):
        assert judged(left_m, *members).verdict == verdict
    assert [judged(3.5, member).verdict for member in members] == [
        {"ladder": "clear", "rope": "breach"}[what] for what in order
    ]


@pytest.mark.parametrize("tilt_deg", [0.0, -30.0, 30.0])
def test_a_platform_of_a_ladder_that_tilts_shorts_what_its_depth_rises(tilt_deg):
    """0.05 m of thickness to either side (common practice, no source), and 0.6 m of level depth on a ladder that tilts
    by 30 degrees: 0.3 m more along it, to either side."""
    entry = small.scene(ladder={**LADDER, "tilt_deg": tilt_deg, "platform_m": 4.0, "platform_depth_m": 0.6}).ladder
    (found,) = insulators._platform(entry)
    half = 0.05 + (0.3 if tilt_deg else 0.0)
    assert (found.from_m, found.to_m) == (pytest.approx(4.0 - half), pytest.approx(4.0 + half))


def test_a_rope_whose_ends_sway_may_be_that_much_nearer_each_point_by_its_share():
    """From 0.1 m at its first end to 0.5 m at its last: half way 0.3 m, beside the 0.02 m that it is unsure."""
    corners = np.array([[0.0, 0, 0], [0.0, 0, 10.0]])
    course = touching.along_line("rope", None, corners, (0.01, 0.02), (0.1, 0.5))
    for low, high, sways in ((0.0, 1.0, 0.14), (4.0, 5.0, 0.3), (9.0, 10.0, 0.5)):
        part = course.part(low, high)
        assert part.uncertainty == pytest.approx(0.02 + sways)
        assert part.radius == pytest.approx(0.01)


@pytest.mark.parametrize("outcome", ["reached", "enclosed", "passed", "exhausted"])
def test_what_is_not_proved_to_keep_away_from_a_member_touches_it(outcome):
    looked = object.__new__(touching._Looked)
    looked.bench = SimpleNamespace(sweep=lambda *_, **__: SimpleNamespace(outcome=outcome), tolerance_m=0.001)
    looked.compiled, looked.within, looked.least = None, {}, lambda _: 0.0
    assert looked._meet(("part",), "body") == (outcome != "reached")
