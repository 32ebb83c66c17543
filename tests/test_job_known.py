"""What is known of gaps is told by content: never of a body that stands elsewhere, never of less than was proved.

A worker's ball of radius 0 slides along x from 0 to 1 m; balls of radius 0 stand beside its way, so that every least
gap is read off their places. Tolerance 1 mm; the gap of a ball at y = d is d, nearer than the bench's floor or not.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from clearance import shapes
from clearance.bodies import Body
from clearance.engine import Group, Path, build_engine
from clearance.job.known import alone, covered
from clearance.job.measuring import Bench, Floor, beneath, found_for, piece_after, pieces_of
from clearance.job.setting import Setting
from clearance.job.touching import along_line, met
from clearance.motion import Joint, Link, Motion
from clearance.withdrawn import changed_bodies

MOTION = Motion((Link("worker", None, (Joint("slide", "travel_m", axis=(1.0, 0.0, 0.0)),)),), ("travel_m",))


def ball(name, y, link=None):
    return Body(name, "solid", shapes.points([[0.0 if link else 0.5, y, 0.0]]), link=link)


def setting(**away):
    bodies = [ball("worker", 0.0, "worker"), *(ball(name, y) for name, y in away.items())]
    return Setting("stage", "posture", tuple(bodies), MOTION, {"travel_m": (0.0, 1.0)}, {})


def path(*ends):
    return Path((Group(("worker",)), Group(ends)))


def began(*settings, floor_m=None):
    """A bench over some settings, and the first of them ready to be measured."""
    floor = None if floor_m is None else Floor(floor_m)
    bench = Bench(None, build_engine(settings), 0.001, floor=floor)
    return bench, pieces_of(bench, settings[:1])[0]


def after(bench, one, other, piece):
    return piece_after(bench, other, piece, changed_bodies(one, other))


def test_a_body_that_stands_elsewhere_without_a_statement_is_swept_again_and_no_other():
    one, other = setting(post=2.0, wire=3.0), setting(post=1.0, wire=3.0)
    bench, piece = began(one, other)
    assert [found_for(bench, piece, (path(name),)).lower_m for name in ("post", "wire")] == pytest.approx(
        [2, 3], abs=1e-3
    )
    again, boxes = after(bench, one, other, piece), bench.boxes
    assert found_for(bench, again, (path("wire"),)).lower_m == pytest.approx(3.0, abs=1e-3)
    assert bench.boxes == boxes
    assert found_for(bench, again, (path("post"),)).lower_m == pytest.approx(1.0, abs=1e-3)
    assert bench.boxes > boxes
    # And what was found with it elsewhere is not what is known of it where it was.
    assert found_for(bench, piece, (path("post"),)).lower_m == pytest.approx(2.0, abs=1e-3)


def test_the_same_body_made_anew_is_the_same_and_another_of_its_name_is_not():
    one, same, other = setting(post=2.0), setting(post=2.0), setting(post=2.001)
    assert changed_bodies(one, same) == {}
    assert set(changed_bodies(one, other)) == {"post"}
    assert changed_bodies(one, replace(other, bodies=other.bodies[:1])) == {"post": None}


@pytest.mark.parametrize(("away", "counts"), [(1.49, True), (1.51, False)])
def test_beside_what_is_proved_only_the_rest_is_swept_and_what_is_too_near_is_found(away, counts):
    """Required are 1 m and the floor is 0.5 m: a gap of 1.49 m is less, one of 1.51 m is not."""
    one, other = setting(post=2.0, wire=3.0), setting(post=2.0, wire=3.0, crew=away)
    bench, piece = began(one, other, floor_m=0.5)
    assert beneath(bench, piece, (path("post", "wire"),), 1.0) is None
    again = after(bench, one, other, piece)
    found = beneath(bench, again, (path("post", "wire", "crew"),), 1.0)
    assert (found is not None) == counts
    if counts:
        assert found.margin_lower_m == pytest.approx(0.49, abs=1e-3)
        assert bench.floor.margin_m == found.margin_lower_m


def test_what_was_proved_of_less_is_no_proof_of_more():
    bench, piece = began(setting(post=2.0))
    piece.prove([path("post")], 1.5)
    assert piece.is_proved(path("post"), 1.5)
    assert not piece.is_proved(path("post"), 1.6)
    # By way of another body it is another gap.
    assert not piece.is_proved(Path((Group(("worker",)), Group(("wire",)), Group(("post",)))), 1.0)
    assert bench.boxes == 0


@pytest.mark.parametrize(
    ("known", "all_of_it"),
    [
        ([("ab", "x"), ("ab", "y")], True),
        ([("a", "xy"), ("b", "xy")], True),
        ([("ab", "x"), ("a", "y")], False),
        ([("a", "x"), ("b", "y")], False),
        ([("abc", "xyz")], True),
        ([], False),
    ],
)
def test_every_pair_of_two_groups_must_be_covered(known, all_of_it):
    """Held against every pair by itself."""
    pairs = [(frozenset(one), frozenset(other)) for one, other in known]
    by_pairs = all(any(a in one and b in other for one, other in pairs) for a in "ab" for b in "xy")
    assert covered(frozenset("ab"), frozenset("xy"), pairs) == by_pairs == all_of_it


def test_measured_by_themselves_bodies_are_known_by_place_link_and_range():
    """At the far end of its range the ball is 1.5 m beside the post, at half of it 1.58 m."""
    asked = setting()
    post = Body("post", "solid", shapes.points([[1.0, 1.5, 0.0]]))
    for box, gap in ((1.0, 1.5), (0.5, (0.5**2 + 1.5**2) ** 0.5), (1.0, 1.5)):
        there = replace(asked, box={"travel_m": (0.0, box)})
        found = alone(there, (asked.bodies[0], post), (path("post"),), 0.001)
        assert found.lower_m == pytest.approx(gap, abs=1e-3)
    moved = replace(post, shape=shapes.points([[1.0, 0.5, 0.0]]))
    assert alone(asked, (asked.bodies[0], moved), (path("post"),), 0.001).lower_m == pytest.approx(0.5, abs=1e-3)


def test_what_was_proved_of_a_body_says_nothing_of_one_of_its_name_that_is_nearer():
    one, other = setting(post=2.0), setting(post=1.2)
    bench, piece = began(one, other, floor_m=0.5)
    assert found_for(bench, piece, (path("post"),)).lower_m > 1.9  # which proves it to be beyond the 1.5 m asked for
    found = beneath(bench, after(bench, one, other, piece), (path("post"),), 1.0)
    assert found is not None
    assert found.margin_lower_m == pytest.approx(0.2, abs=1e-3)


def test_where_members_meet_is_known_by_the_range_and_by_where_both_run():
    """A rope that slides along x meets a mast at x = 0.9 m in the one half of its way and not in the other; one 0.05 m
    beside its way never does. Of each a piece up to 0.5 m is looked at: the rope is 1 m long, and the mast 0.4 m."""
    bench, piece = began(setting())
    rope = along_line("rope", "worker", np.array([[0.0, 0, 0], [0, 0, 1.0]]), (0.01, 0.0))
    mast, beside = (along_line("mast", None, np.array([[0.9, y, 0], [0.9, y, 0.4]]), (0.01, 0.0)) for y in (0.0, 0.05))
    found = [("rope", (0.0, 0.5), "mast", (0.0, 0.4))]
    halves = [({"travel_m": (0.5, 1.0)}, found), ({"travel_m": (0.0, 0.5)}, [])]
    for within, expected in (*halves, *halves):
        assert list(met(bench, piece, [rope, mast], (), within)) == expected
        boxes = bench.boxes
        assert list(met(bench, piece, [rope, mast], (), within)) == expected
        assert bench.boxes == boxes, "asked once"
        assert list(met(bench, piece, [rope, beside], (), within)) == []
        assert list(met(bench, piece, [rope, mast], {frozenset(("rope", "mast"))}, within)) == []
