"""The ropes that lower and hold a wire: what is left along them, worked out by hand, on both sides of the limit.

The free end hangs over the origin and is lowered straight down; the wire goes off to the side. A rope goes from it
straight down to its anchor, or up to a pulley beside it.
"""

from __future__ import annotations

import math

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, SAID, box, hands_at, insulating, isolated, only, stage, tail_rope

from clearance.errors import InputError
from clearance.job import tail_ropes
from clearance.pipeline import prepare
from clearance.scene.records_statements import HeldTail

TWO = {**CIRCUIT, "phases": ["A", "B"]}
BEFORE = {"far_end": "open and locked", "phase_identified": "traced", "by": "the test"}
TOP = 12.0
LOW = 0.1
"""[m] The height of an anchor in the ground."""
CREST = 245.0 / math.sqrt(3)
TO_EARTH = 0.3048 * 0.011 * CREST * 2.5 + 0.31
"""[m] OSHA with a tool in the gap, at 2.5 per unit."""
PEAK = CREST * (1.35 * 2.5 + 0.45) * math.sqrt(2)
TO_PHASE = 0.3048 * (0.011 + (PEAK - 635) / 140000) * CREST * (1.35 * 2.5 + 0.45) + 0.31
"""[m] The same between phases, a of the ground curve; more than the 3.5 per unit of a trapped charge of 1 ask for."""
NEAR = 0.6
"""[m] What a length may come out shorter than it is: the wire beside the rope at its end, whose pieces are 0.1 m amiss,
and pieces of the rope."""


def ropes(*others, lower=(0.0, 1.0), stages=None, lines=None, **parts):
    lines = [tail_rope([0.0, 0.0, LOW])] if lines is None else lines
    release = {"free_end": "from", "lowered_to_m": [0.0, 0.0, 8.0], "before_opening": BEFORE, "ropes": lines}
    wire = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": [0.0, 0.0, TOP], "to_m": [7.0, 0.0, 10.0]}
    wire |= {"length_m": 7.7, "diameter_m": 0.03, "release": release}
    nobody = {"workers": [], "travel_m": None, "climb_m": None, "posture": None}
    lowering = stage(name="lower", kind="lower", released=["dropper"], lower_m=list(lower), **nobody)
    whole = {"circuits": [TWO], "ladder": None, "track": None, "workers": None, "wires": [wire]}
    whole |= {"solids": [small.slab("bus B", bottom_m=60.0, potential="B"), *others]}
    whole |= {"stages": [{**nobody, **one} for one in stages] if stages else [lowering]}
    whole |= {"statements": [isolated("dropper"), *(insulating(line["name"]) for line in lines)]}
    return {**whole, **parts}


def lengths(*others, **parts):
    return {one.body: one for one in only(**ropes(*others, **parts)).insulation}


def beside(name, top_m, potential="earth", height_m=0.4, x=0.16):
    """A box whose upper side is at a height, and that a rope down from the free end passes and touches."""
    return box(name, [-x, 0.0, top_m - height_m / 2], [0.3, 0.3, height_m], potential)


def test_it_is_left_from_the_lowest_free_end_to_the_anchor():
    for low in (1.0, 3.0):
        found = lengths(lower=(0.0, low))["tail rope"]
        assert TOP - low - LOW - NEAR <= found.left_m <= TOP - low - LOW
        assert found.required_m == pytest.approx(TO_EARTH, abs=1e-9)
    wet = tail_rope([0.0, 0.0, LOW], wet_or_dirty_m=1.0)
    assert lengths(lower=(0.0, 3.0), lines=[wet])["tail rope"].left_m == pytest.approx(found.left_m - 1.0, abs=1e-9)


@pytest.mark.parametrize(("potential", "required"), [("earth", TO_EARTH), ("B", TO_PHASE)])
def test_one_that_passes_an_earthed_post_or_another_phase_is_left_down_to_it(potential, required):
    for left, verdict in ((required + NEAR, "clear"), (required - 0.01, "breach")):
        found = lengths(beside("post", TOP - 1.0 - left, potential))["tail rope"]
        assert (found.verdict, found.required_m) == (verdict, pytest.approx(required, abs=1e-9))
        assert left - NEAR <= found.left_m <= left
    # Two centimetres clear of it, it is no touch.
    away = lengths(beside("post", TOP - 1.0 - left, potential, x=0.176))["tail rope"]
    assert away.left_m > TOP - 1.0 - LOW - NEAR


def over_pulley(x):
    """A rope over a pulley as high as the free end at its lowest, and the davit it hangs from."""
    at = [x, 0.0, TOP - 1.0]
    line = tail_rope([x, 0.0, LOW], over_m=at, pulley_radius_m=0.1, hangs_from="davit")
    return [line], box("davit", [x, 0.2, TOP - 1.0], [0.2, 0.2, 0.2])


LEGS = 0.5
"""[m] What is lost besides where a rope's two legs meet at its pulley: the piece of either in which they may touch."""


def test_a_pulley_is_an_earth_upon_it():
    for left, verdict in ((TO_EARTH + NEAR + LEGS, "clear"), (TO_EARTH - 0.01, "breach")):
        line, davit = over_pulley(-(left + 0.1))
        found = lengths(davit, lines=line)
        assert set(found) == {"tail rope"}, "from the pulley down nothing is at another potential"
        assert found["tail rope"].verdict == verdict
        assert left - NEAR - LEGS <= found["tail rope"].left_m <= left


def test_below_the_pulley_counts_what_something_live_touches():
    line, davit = over_pulley(-4.0)
    for left, verdict in ((TO_EARTH + LEGS + 0.2, "clear"), (TO_EARTH - 0.01, "breach")):
        live = box("live", [-4.156, 0.0, TOP - 1.0 - 0.1 - left - 0.2], [0.3, 0.3, 0.4], "B")
        legs = [one for name, one in lengths(live, davit, lines=line).items() if name.startswith("tail rope")]
        found = min(legs, key=lambda one: one.left_m)
        assert (found.verdict, found.required_m) == (verdict, pytest.approx(TO_EARTH, abs=1e-9))
        assert left - LEGS - 0.2 <= found.left_m <= left


def test_ropes_of_one_wire_leave_each_other_at_its_free_end():
    """Side by side they are two ways of one length: each keeps its own."""
    lines = [tail_rope([0.0, y, LOW], name=f"guide {y:+g}") for y in (-0.5, 0.5)]
    found = lengths(lines=lines)
    for line in lines:
        left = math.hypot(0.5, TOP - 1.0 - LOW)
        assert left - NEAR <= found[line["name"]].left_m <= left


def test_an_earthed_tail_asks_nothing_but_for_a_phase_that_its_rope_passes():
    steps = [
        {"name": "earth", "kind": "earthing", "off": ["dropper"], "earths": ["dropper"], "stick_m": 3.0},
        {"name": "earthed", "kind": "work", "off": ["dropper"], "potentials": {"dropper": "earth"}},
    ]

    def after(*others):
        first, second = small.checked(**ropes(*others, stages=steps)).stages
        assert "tail rope" in {one.body for one in first.insulation}, "while it is being earthed it may still be live"
        return {one.body: one for one in second.insulation}

    assert "tail rope" not in after(beside("post", 7.0))
    for left, verdict in ((TO_EARTH + NEAR, "clear"), (TO_EARTH - 0.01, "breach")):
        found = after(beside("live", 8.0 - left, "B", height_m=0.2))["tail rope"]
        assert (found.verdict, found.required_m) == (verdict, pytest.approx(TO_EARTH, abs=1e-9))
        assert left - NEAR <= found.left_m <= left


STANDS = {"name": "stand", "kind": "work"}
"""A stage in which the wire is in its place."""


def test_a_rope_is_there_before_its_wire_comes_off():
    """With the wire in its place it hangs from the phase: to its anchor, or to what it passes."""
    found = lengths(stages=[STANDS])["tail rope"]
    assert TOP - LOW - NEAR <= found.left_m <= TOP - LOW
    for left, verdict in ((TO_PHASE + NEAR, "clear"), (TO_PHASE - 0.01, "breach")):
        found = lengths(beside("post", TOP - left, "B", x=0.15), stages=[STANDS])["tail rope"]
        assert (found.verdict, found.required_m) == (verdict, pytest.approx(TO_PHASE, abs=1e-9))
        assert left - NEAR <= found.left_m <= left


def test_its_pulley_is_an_earth_from_the_first_stage_on_unless_a_stage_brings_it():
    """A pulley beside a post at phase B, far from the wire and from what holds it."""
    for apart, verdict in ((TO_EARTH + 0.01, "clear"), (TO_EARTH - 0.01, "breach")):
        at = [-4.0, 5.0, TOP]
        line = tail_rope([-4.0, 5.0, LOW], over_m=at, pulley_radius_m=0.1, hangs_from="davit")
        davit = box("davit", [-4.0, 5.0 - 4.0, TOP], [0.1, 0.1, 0.1])
        live = box("live", [-4.0, 5.0 + 0.1 + apart + 0.1, TOP], [0.2, 0.2, 0.2], "B")
        rigged = {"name": "rig", "kind": "bring", "bodies": ["tail rope"]}
        parts = ropes(davit, live, lines=[line], stages=[STANDS, rigged, {**STANDS, "name": "after"}])
        before, *after = small.checked(**parts).stages
        for one in after:
            found = small.gap(one, "B", "earth", "tool")
            assert found.posture.gap_upper_m == pytest.approx(apart, abs=0.002)
            assert found.verdict == verdict
        assert small.gap(before, "B", "earth", "tool") is None
        first, _ = small.checked(**{**parts, "stages": parts["stages"][::2]}).stages
        assert small.gap(first, "B", "earth", "tool").verdict == verdict


def held_by(line, *others, **parts):
    told = ropes(*others, stages=[STANDS], lines=[line], **parts)
    told["statements"] = [
        *told["statements"],
        {"kind": "held", "wire": "dropper", "rope": line["name"], "length_m": 99},
    ]
    return only(**told)


@pytest.mark.parametrize(("potential", "required"), [("earth", TO_EARTH), ("B", TO_PHASE)])
def test_a_safety_rope_is_a_rope_to_whatever_it_is_made_fast_to(potential, required):
    for left, verdict in ((required + NEAR, "clear"), (required - 0.01, "breach")):
        anchor = box("anchor", [0.0, 0.0, TOP - left - 0.1], [0.2, 0.2, 0.2], potential)
        found = held_by(tail_rope([0.0, 0.0, TOP - left - 0.1], "safety rope"), anchor)
        (one,) = [one for one in found.insulation if one.body == "safety rope"]
        assert (one.verdict, one.required_m) == (verdict, pytest.approx(required, abs=1e-9))
        assert left - NEAR <= one.left_m <= left


def test_a_safety_rope_that_nobody_says_insulates_is_earth_at_the_tail():
    line = tail_rope([0.0, 0.0, LOW], "safety rope")
    told = ropes(stages=[STANDS], lines=[line])
    assert all(one.verdict == "clear" for one in only(**told).gaps)
    told["statements"] = [isolated("dropper")]
    assert small.gap(only(**told), "A", "earth", "tool").verdict == "breach"


HIGH = [-4.0, 0.0, 1.4]
"""The end of a rope in the air, beyond what stands a metre off."""


def loose(*others, **parts):
    line = tail_rope(HIGH)
    return [one for one in only(**ropes(*others, stages=[STANDS], lines=[line], **parts)).open_points if one.where]


def test_the_end_of_a_rope_is_held_by_whoever_is_there_and_reaches_it_or_by_what_stands_there():
    def crew(off_m, **others):
        return {"crew": [{"name": "helper", "stature_m": 1.755, "at_m": [HIGH[0], off_m], **others}]}

    arm = small.body().arm_m
    for parts, held in (
        ({}, False),
        (crew(arm - 0.1), True),
        (crew(arm + 0.1), False),
        (crew(0.0, radius_m=arm - 0.1), True),
    ):
        points = [one for one in loose(**parts) if "rope 'tail rope'" in str(one)]
        assert (points == []) == held, parts
        assert all("let the crew stand within reach" in one.cure for one in points)
    for off, held in ((1.05, True), (1.15, False)):
        points = loose(box("bollard", [HIGH[0] + off, 0.0, 1.4], [0.2, 0.2, 0.2]))
        assert (points == []) == held
    away = {"kind": "absent", "bodies": ["helper"]}
    told = ropes(stages=[STANDS], lines=[tail_rope(HIGH)], **crew(0.0))
    told["statements"] = [*told["statements"], away]
    assert any("rope 'tail rope'" in str(one) for one in only(**told).open_points)


def test_a_rope_holds_the_tail_against_its_trapped_charge():
    """A charge of 3 per unit asks more to earth than the overvoltage of 2.5 does."""
    required = 0.3048 * 0.011 * CREST * 3.0 + 0.31
    for left, verdict in ((required + NEAR, "clear"), (required - 0.01, "breach")):
        told = ropes(beside("post", TOP - 1.0 - left))
        told["wires"][0]["release"]["trapped_per_unit"] = 3.0
        (found,) = only(**told).insulation
        assert (found.verdict, found.required_m) == (verdict, pytest.approx(required, abs=1e-9))


def counted(lines, crew, held=()):
    told = ropes(stages=[STANDS], lines=lines, crew=crew)
    made = prepare(small.scene(**{**told, "statements": [*told["statements"], *held]}))
    return tail_ropes.there(made.site, made.site.scene.stages[0], "dropper")


def test_one_line_counts_once_and_a_man_holds_one_rope():
    """For what two ropes hold, either of which may fail: not one under two names, nor both in one pair of hands."""
    helpers = [{"name": name, "stature_m": 1.755, "at_m": HIGH[:2], "radius_m": 0.1} for name in ("one", "other")]
    first, again, aside = (tail_rope(at, name) for at, name in ((HIGH, "a"), (HIGH, "b"), ([-4.0, 0.4, 1.4], "c")))
    assert counted([first, again], helpers) == {"a"}
    assert counted([first, aside], helpers[:1]) == {"a"}
    assert counted([first, aside], helpers) == {"a", "c"}
    # A safety rope in a hand is as long as the man walks far.
    said = {"kind": "held", "wire": "dropper", "rope": "c", "length_m": 99}
    assert counted([first, aside], helpers, [said]) == {"a"}
    fast = tail_rope([0.0, 0.0, LOW], "c")
    assert counted([first, fast], helpers, [said]) == {"a", "c"}
    # Two ends at one anchor are let go by one picket; a third of a metre apart they have one each.
    for apart, both in ((0.28, False), (0.32, True)):
        beside_it = tail_rope([apart, 0.0, LOW], "d")
        assert counted([fast, beside_it], helpers) == ({"c", "d"} if both else {"c"})


def test_a_safety_rope_holds_what_another_rope_lets_go():
    """The one rope that lowers is what may fail: it is none for itself."""
    safety = tail_rope([4.0, 0.0, LOW], "b")
    entry = HeldTail.model_validate({**SAID, "kind": "held", "wire": "dropper", "rope": "b", "length_m": 9})
    for lines, counts in (([safety], False), ([safety, tail_rope([0.0, 0.0, LOW], "a")], True)):
        told = ropes(stages=[STANDS], lines=lines)
        told["statements"] = [*told["statements"], {"kind": "held", "wire": "dropper", "rope": "b", "length_m": 9}]
        site = prepare(small.scene(**told)).site
        there = tail_ropes.there(site, site.scene.stages[0], "dropper")
        assert tail_ropes.holds(site, entry, False, there) == counts


@pytest.mark.parametrize(("top", "up"), [(TOP - 0.1, False), (TOP + 0.1, True)])
def test_a_rope_only_pulls_so_one_of_them_leads_up(top, up):
    """The free end goes down from 12 m: with its pulley below that, or none, nothing holds it at the top."""
    davit = box("davit", [3.0, 0.0, top + 0.2], [0.2, 0.2, 0.2])
    pulley = {**tail_rope([3.0, 0.0, LOW]), "over_m": [3.0, 0.0, top], "hangs_from": "davit"}

    def told(*lines, **parts):
        found = only(**ropes(davit, lines=list(lines), crew=hands_at(*lines), **parts)).open_points
        return [point for point in found if "holds it up" in point.what]

    assert [point.verdict for point in told(pulley)] == ["undecided"] * (not up)
    assert len(told(tail_rope([0.0, 0.0, LOW]))) == 1
    # A wire that hangs straight down from its fixed end needs none.
    hung = ropes(davit, lines=[tail_rope([0.0, 0.0, LOW])], crew=hands_at(tail_rope([0.0, 0.0, LOW])))
    hung["wires"][0] |= {"to_m": [0.0, 0.5, 19.0], "length_m": 7.1}
    hung["wires"][0]["release"]["lowered_to_m"] = [0.0, 0.5, 11.9]
    hung["stages"][0]["lower_m"] = [0.0, 0.5]
    assert not [point for point in only(**hung).open_points if "holds it up" in point.what]


@pytest.mark.parametrize(("off", "near"), [(0.9, True), (1.1, False)])
def test_a_pulley_is_where_what_it_hangs_from_is(off, near):
    davit = box("davit", [3.0, 0.0, TOP + 0.5], [0.2, 0.2, 0.2])
    pulley = {**tail_rope([3.0, 0.0, LOW]), "over_m": [3.1 + off, 0.0, TOP + 0.5], "hangs_from": "davit"}
    found = [one for one in only(**ropes(davit, lines=[pulley])).open_points if "pulley" in one.what]
    assert [one.verdict for one in found] == ["undecided"] * (not near)
    site = prepare(small.scene(**ropes(davit, lines=[pulley], crew=hands_at(pulley)))).site
    assert bool(tail_ropes.there(site, site.scene.stages[0], "dropper")) == near


def test_a_hand_that_stays_down_has_no_rope_above_the_shoulder():
    build = small.body()
    down = {"kind": "restrained reach", "person": "helper", "arms": "down"}
    crew = [{"name": "helper", "stature_m": 1.755, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05,
             "at_m": [3.0, 0.0], "radius_m": 0.1}]  # fmt: skip
    for up, said, held in (
        (build.shoulder_height_m + 0.05, (), True),
        (build.shoulder_height_m + 0.05, (down,), False),
        (build.shoulder_height_m - 0.05, (down,), True),
    ):
        assert bool(counted([tail_rope([3.0, 0.0, up])], crew, said)) == held


def test_a_rope_that_ends_at_its_pulley_is_refused():
    line = {**tail_rope([0.0, 0.0, LOW]), "over_m": [0.0, 0.0, LOW], "hangs_from": "post"}
    with pytest.raises(InputError, match="to_m: expected another place than over_m, its pulley"):
        small.scene(**ropes(beside("post", 1.0), stages=[STANDS], lines=[line]))
