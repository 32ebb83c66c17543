"""Who and what has the ends of ropes: on either side of a reach, of the ground, of a plane; and nobody twice."""

from __future__ import annotations

import math

import pytest
import small_scenes as small
from small_scenes import box, insulating, stage, tail_rope
from test_job_tail_ropes import TOP, ropes

from clearance.job import holding, tail_ropes
from clearance.pipeline import prepare
from clearance.scene.records_statements import HeldTail

EMPTY = {"workers": [], "travel_m": None, "climb_m": None, "posture": None}
BODY = small.body()
ARM = BODY.arm_m
LINE = {"name": "line", "from": [3.0, 0.0, 6.0], "to_m": [3.0, 0.0, 1.4], "diameter_m": 0.012}
BAG = {"name": "bag", "line": "line", "radius_m": 0.2, "swing_m": 0.0}


def told(**parts):
    """The ropes that nobody and nothing has in the first stage, and why."""
    site = prepare(small.scene(**parts)).site
    return {point.where: point.what for point in holding.open_points(site, site.scene.stages[0])}


def man(at, name="helper", **others):
    return {"name": name, "stature_m": 1.755, "at_m": list(at), **others}


def plain(*lines, crew=(), **parts):
    """A scene of one stage with ropes that belong to no wire; nobody is aloft."""
    whole = {"ladder": None, "track": None, "workers": None, "ropes": list(lines), "crew": list(crew) or None}
    return {**whole, "solids": [small.slab("bus", bottom_m=60.0)], "stages": [stage(**EMPTY)], **parts}


def lowering(*crew, end=(0.0, 0.0, 0.1), lower=(0.0, 1.0), kind="lower", held=(), **parts):
    """The stage that lowers a dropper straight down from above the end of its only rope."""
    lines = [tail_rope(end)]
    lower_it = stage(name=kind, kind=kind, released=["dropper"], lower_m=list(lower), **EMPTY)
    whole = ropes(stages=[lower_it], lines=lines, crew=list(crew) or None, **parts)
    return {**whole, "statements": [*whole["statements"], *held]}


@pytest.mark.parametrize("of", ["wire", "none"])
def test_an_end_is_made_fast_at_the_ground_and_higher_up_only_to_what_stands_there(of):
    """A rope of a release and one that is of none are asked the same."""

    def alone(at, *solids):
        if of == "none":
            return told(**plain({**LINE, "to_m": at}, solids=[small.slab("bus", bottom_m=60.0), *solids]))
        return told(**ropes(*solids, stages=[{"name": "before", "kind": "work"}], lines=[tail_rope(at, "line")]))

    for up, loose in ((0.1, False), (0.11, True), (0.99, True)):
        assert bool(alone([3.0, 0.0, up])) == loose
    for away, loose in ((0.99, False), (1.01, True)):
        assert bool(alone([3.0, 0.0, 0.99], box("bollard", [3.2 + away, 0.0, 0.5], [0.4, 0.4, 1.0]))) == loose


@pytest.mark.parametrize(("radius", "off", "reached"), [
    (0.0, ARM - 0.01, True), (0.0, ARM + 0.01, False), (ARM - 0.04, 0.0, True), (ARM + 0.02, 0.0, False),
])  # fmt: skip
def test_it_is_within_reach_from_everywhere_that_somebody_may_stand(radius, off, reached):
    """A larger area never helps; the corners about one reach beyond it by some centimetres."""
    assert bool(told(**plain(LINE, crew=[man([3.0, off], radius_m=radius)]))) != reached


def test_overhead_an_arm_goes_less_far_aside():
    """Up to the shoulder it goes aside by its whole length; from the raised shoulder on along a circle."""
    lifted = BODY.overhead_reach_m - BODY.arm_m
    for up, aside in ((BODY.shoulder_height_m, ARM), (lifted + 0.6 * ARM, 0.8 * ARM)):
        for more, reached in ((-0.01, True), (0.01, False)):
            line = {**LINE, "to_m": [3.0, 0.0, up]}
            whole = plain(line, crew=[man([3.0, aside + more], radius_m=0.0)])
            assert bool(told(**whole)) != reached


def test_who_goes_elsewhere_holds_it_from_both_places_or_not_at_all():
    for goes_to, held in (([3.0, 0.2], True), ([3.0, 3.0], False)):
        stages = [stage(**EMPTY, stands=[{"who": "helper", "at_m": goes_to, "radius_m": 0.0}])]
        assert bool(told(**plain(LINE, crew=[man([3.0, 0.0])], stages=stages))) != held


def test_a_man_has_one_rope_whatever_it_is_of_and_as_many_are_held_as_can_be():
    both = [LINE, {**LINE, "name": "other line", "to_m": [3.0, 0.3, 1.4]}]
    assert set(told(**plain(*both, crew=[man([3.0, 0.0])]))) == {"rope 'other line'"}
    assert told(**plain(*both, crew=[man([3.0, 0.0], "one"), man([3.0, 0.0], "two")])) == {}
    # The first reaches both, the other only the first: it is not the order that decides.
    near, far = man([3.0, 0.3], "near"), man([3.0, -ARM + 0.1], "far")
    assert told(**plain(*both, crew=[near, far])) == {}
    # One rope is of a wire, one is of none.
    whole = ropes(stages=[{"name": "before", "kind": "work"}], lines=[tail_rope([3.0, 0.0, 1.4])], crew=[near])
    assert len(told(**{**whole, "ropes": [both[1]]})) == 1


@pytest.mark.parametrize("kind", ["lower", "raise"])
def test_a_rope_that_is_hauled_in_or_let_out_goes_through_somebodys_hands_made_fast_or_not(kind):
    for crew, held in (((), False), ((man([0.0, 0.5]),), True), ((man([0.0, ARM + 0.1]),), False)):
        points = told(**lowering(*crew, kind=kind))
        assert bool(points) != held
        assert all("hauled in or let out" in what for what in points.values())


def weight_and_guide(guide, lower=(0.0, 1.0), crew=(), **release):
    """A dropper that comes straight down on a rope over a davit, with one guide beside."""
    davit = box("davit", [0.0, -3.0, TOP + 0.6], [0.2, 0.2, 0.2])
    bears = {**tail_rope([0.0, -3.0, 0.1]), "over_m": [0.0, -3.0, TOP + 0.4], "hangs_from": "davit"}
    whole = lowering(*crew, lower=lower)
    whole["wires"][0]["release"] |= {"ropes": [bears, guide], **release}
    return {**whole, "solids": [*whole["solids"], davit], "statements": [*whole["statements"], insulating("guide")]}


WEIGHT = man((0.0, -3.3), "weight", radius_m=0.1)


def test_what_bears_the_weight_and_every_guide_go_through_hands_while_the_wire_moves():
    """A guide in the hand lets nothing down that hangs on a rope made fast; nor does one made fast hold what passes."""
    guide = tail_rope([4.0, 4.0, 0.1], "guide")
    for crew, missing in (
        ((), {"tail rope", "guide"}),
        ((WEIGHT,), {"guide"}),
        ((man((4.0, 4.3), "guides", radius_m=0.1),), {"tail rope"}),
        ((WEIGHT, man((4.0, 4.3), "guides", radius_m=0.1)), set()),
    ):
        whole = weight_and_guide(guide, crew=crew)
        points = told(**whole)
        assert set(points) == {f"rope '{name}'" for name in missing}
        assert all("hauled in or let out" in what for what in points.values())
        site = prepare(small.scene(**whole)).site
        there = tail_ropes.there(site, site.scene.stages[0], "dropper")
        assert there == {"tail rope", "guide"} - missing
    # 8 m aside and down from 12 m to 11 m: what it needs at either end of its way, by hand.
    long, short = math.sqrt(4**2 + 4**2 + 11.9**2), math.sqrt(4**2 + 4**2 + 10.9**2)
    assert f"it needs {short:.2f} to {long:.2f} m" in told(**weight_and_guide(guide))["rope 'guide'"]


def test_the_weight_is_in_the_hands_before_a_guide():
    """One man at both ends has what bears the weight, whichever is written first."""
    guide = tail_rope([0.0, -3.4, 0.1], "guide")
    whole = weight_and_guide(guide, crew=[WEIGHT])
    whole["wires"][0]["release"]["ropes"].reverse()
    assert set(told(**whole)) == {"rope 'guide'"}


@pytest.mark.parametrize(("lower", "fast"), [([0.0, 2.4], True), ([0.0, 2.6], False)])
def test_a_guide_made_fast_holds_where_it_needs_no_more_than_it_gives(lower, fast):
    """From a post 6 m aside, level with 12 m less 1.2 m: at 1.2 m above or below it is 6.119 m to the free end, and
    0.119 m less at the level itself, which no corner of the way shows."""
    for aside, holds in ((6.0, False), (9.0, fast)):
        post = box("post", [0.0, aside + 0.2, 5.5], [0.2, 0.4, 11.0])
        whole = weight_and_guide(tail_rope([0.0, aside, TOP - 1.2], "guide"), lower, [WEIGHT])
        whole = {**whole, "solids": [*whole["solids"], post]}
        assert (told(**whole) == {}) == holds
        site = prepare(small.scene(**whole)).site
        assert ("guide" in tail_ropes.there(site, site.scene.stages[0], "dropper")) == holds


def test_a_lowering_cut_into_stages_asks_for_the_same_hands():
    """Each of the two parts alone needs less than a rope gives; over both it is more."""
    post = box("post", [0.0, 9.2, 5.5], [0.2, 0.4, 11.0])
    whole = weight_and_guide(tail_rope([0.0, 9.0, TOP - 1.2], "guide"), [0.0, 2.6], [WEIGHT])
    (one,) = whole["stages"]
    parts = [{**one, "name": f"part {k}", "lower_m": list(span)} for k, span in enumerate([(0.0, 1.2), (1.2, 2.6)])]
    site = prepare(small.scene(**{**whole, "solids": [*whole["solids"], post], "stages": parts})).site
    for number in (0, 1):
        assert "guide" not in tail_ropes.there(site, site.scene.stages[number], "dropper")


def test_once_it_is_parked_a_guide_may_be_made_fast():
    whole = weight_and_guide(tail_rope([4.0, 4.0, 0.1], "guide"))
    parked = {"name": "parked", "kind": "work", "off": ["dropper"], **EMPTY}
    assert told(**{**whole, "stages": [stage(**parked)]}) == {}


def test_only_what_gets_longer_or_shorter_is_hauled_in():
    """Lowered by a metre beside an end level with the middle of its way a rope is as long after as before; and a safety
    rope is slack."""
    assert told(**lowering(end=(0.0, -3.0, 0.1))) != {}
    level = box("davit", [0.0, -3.0, TOP - 0.5], [0.2, 0.2, 0.2])
    line = {"over_m": [0.0, -3.0, TOP - 0.5], "hangs_from": "davit"}
    whole = lowering()
    for lower, moves in (([0.0, 1.0], False), ([0.0, 0.5], False), ([0.0, 3.0], True)):
        whole["wires"][0]["release"]["ropes"] = [{**tail_rope([0.0, -3.0, 0.1]), **line}]
        whole["stages"][0]["lower_m"] = lower
        assert bool(told(**{**whole, "solids": [*whole["solids"], level]})) == moves
    assert told(**lowering(held=[{"kind": "held", "wire": "dropper", "rope": "tail rope", "length_m": 20}])) == {}


def test_a_tool_is_hauled_by_whoever_is_aloft_or_has_the_line_in_the_hand():
    line = {**LINE, "to_m": [3.0, 0.0, 0.1]}
    for crew, held in (((), False), ((man([3.0, 0.5]),), True)):
        parts = plain(line, crew=crew, stages=[stage(hauled="bag", **EMPTY)], tools=[BAG])
        assert bool(told(**parts)) != held
    aloft = {"ladder": small.LADDER, "track": small.TRACK, "workers": [small.WORKER], "stages": [stage(hauled="bag")]}
    assert told(**{**plain(line, tools=[BAG]), **aloft}) == {}


SAID = {"basis": "small scene", "by": "the test", "on": "2026-11-30"}


@pytest.mark.parametrize("said", [{"sideways_m": 0.5}, {"within_m": 0.5}, {"within_m": 0.5, "parked": True}])
@pytest.mark.parametrize(("ends", "counts"), [
    ({"a": (0, -4), "b": (0, 4)}, True), ({"a": (0, -4), "b": (-4, -4)}, False), ({"a": (0, -4)}, False),
    ({"a": (-4, 0), "b": (0, 4)}, False), ({"a": (-4, -1.1), "b": (-4, 1.1)}, True),
    ({"a": (-4, -0.9), "b": (-4, 1.1)}, False), ({"a": (0, -4), "b": (0, -5), "c": (-4, 4)}, True),
])  # fmt: skip
def test_guides_hold_a_tail_that_pull_to_either_side_of_it(said, ends, counts):
    """The wire lies along x and its free end comes straight down at x = 0: a rope to (-4, y) is y / (16 + y^2)^0.5 off
    its plane, 0.25 at y = 1.03."""
    lines = [tail_rope((*at, 0.1), name) for name, at in ends.items()]
    site = prepare(small.scene(**ropes(stages=[{"name": "before", "kind": "work"}], lines=lines))).site
    entry = HeldTail.model_validate({"kind": "held", "wire": "dropper", **said, **SAID})
    assert tail_ropes.holds(site, entry, said.get("parked", False), set(ends)) == counts


def test_a_rope_leads_to_its_pulley_and_pulls_from_wherever_the_end_is():
    pulley = tail_rope((0, 4, 0.1), "a", over_m=[0.0, -4.0, TOP], hangs_from="davit")
    davit = box("davit", [0.0, -4.0, TOP + 0.2], [0.2, 0.2, 0.2])
    entry = HeldTail.model_validate({"kind": "held", "wire": "dropper", "within_m": 0.5, **SAID})
    for other, parked_at, moving, parked in (
        ((0, 5, 0.1), (0, 0, 8), True, True),
        ((0, -5, 0.1), (0, 0, 8), False, False),
        # Moved beyond the end of the one, both lead to the same side; or only there they lead to either.
        ((0, 5, 0.1), (0, 6, 8), False, False),
        ((0, -2, 0.1), (0, -3, 8), False, True),
    ):
        whole = ropes(davit, stages=[{"name": "before", "kind": "work"}], lines=[pulley, tail_rope(other, "b")])
        whole["wires"][0]["release"]["lowered_to_m"] = list(parked_at)
        site = prepare(small.scene(**whole)).site
        for is_parked, counts in ((False, moving), (True, parked)):
            assert tail_ropes.holds(site, entry, is_parked, {"a", "b"}) == counts


def test_a_wire_that_hangs_straight_down_is_held_by_ropes_that_pull_against_one_another():
    entry = HeldTail.model_validate({"kind": "held", "wire": "dropper", "within_m": 0.5, **SAID})
    for other, counts in (((0, 4, 0.1), True), ((4, 0, 0.1), False), ((0, -5, 0.1), False)):
        lines = [tail_rope((0, -4, 0.1), "a"), tail_rope(other, "b")]
        whole = ropes(stages=[{"name": "before", "kind": "work"}], lines=lines)
        whole["wires"][0] |= {"to_m": [0.0, 0.0, 6.0]}
        site = prepare(small.scene(**whole)).site
        assert tail_ropes.holds(site, entry, False, {"a", "b"}) == counts
