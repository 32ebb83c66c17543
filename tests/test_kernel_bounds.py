"""Bounds of one box, before anything is split: against closed forms in which what a bound may leave out matters.

Enclosures to a small tolerance hide a bound that is wrong by a second-order term, for their boxes are small. Here the
budget is one box, and the least value lies away from every point of tangency.
"""

from __future__ import annotations

import numpy as np
import pytest

from clearance import shapes
from clearance.bodies import Body
from clearance.engine import Group, Path, build_engine, compile_setting, enclose
from clearance.job.setting import Setting
from clearance.motion import Joint, Link, Motion, derivative_bounds, rotation_about

ARM = 3.0
HALF = (0.02, 0.1, 0.3, 0.7, 1.2)


def bound(bodies, motion, box, *groups, rated=None):
    """The lower bound after one box of the sum of gaps along the groups."""
    setting = Setting("stage", "posture", tuple(bodies), motion, box, rated or {})
    engine = build_engine([setting])
    found = enclose(
        engine,
        compile_setting(engine, setting),
        (Path(tuple(Group((name,)) for name in groups)),),
        tolerance_m=1e-9,
        budget=1,
    )
    return found.lower_m


def turn(parameter, axis=(0.0, 0.0, 1.0), origin=(0.0, 0.0, 0.0), scale=1.0):
    return Joint("turn", parameter, axis=axis, origin=origin, scale=scale)


def wall(count=20, size=10.0):
    """The plane x = 0 in many triangles, enough for a tree of several levels."""
    edge = np.linspace(-size, size, count + 1)
    y, z = (values.ravel() for values in np.meshgrid(edge[:-1], edge[:-1], indexing="ij"))
    step, zero = edge[1] - edge[0], np.zeros(len(y))
    a, b = np.column_stack([zero, y, z]), np.column_stack([zero, y + step, z])
    c, d = np.column_stack([zero, y + step, z + step]), np.column_stack([zero, y, z + step])
    return Body("wall", "solid", shapes.triangles(np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])))


def dot(name, at, radius=0.0, link=None, uncertainty=0.0):
    return Body(name, "solid", shapes.points([at], radius, uncertainty), link=link)


def check(lower, truth, allowed):
    """The bound is below the truth, by no more than what the second-order remainder may cost."""
    assert lower <= truth + 1e-12
    assert lower >= truth - allowed - 1e-6


@pytest.mark.parametrize("half", HALF)
def test_a_swing_comes_nearer_a_wall_than_its_tangent(half):
    """A point at the end of an arm, over its tangent point: the gap is arm x cos(angle), its derivative nothing."""
    motion = Motion((Link("arm", None, (turn("u"),)),), ("u",))
    bodies = [wall(), dot("tip", [ARM, 0, 0], 0.1, "arm", 0.05)]

    lower = bound(bodies, motion, {"u": (-half, half)}, "tip", "wall")

    check(lower, max(0.0, ARM * np.cos(half) - 0.15), 0.5 * ARM * half**2)


@pytest.mark.parametrize("start", [(7.0, 0.5, 0.25), (-7.0, 0.5, 0.25)])
@pytest.mark.parametrize("half", HALF)
def test_a_wall_of_many_triangles_is_bounded_along_a_chain_as_a_whole(half, start):
    """From a point by way of the tip of a swinging arm to the wall, which enters by the nodes of its tree: what one gap
    loses the other gains, or both lose."""
    motion = Motion((Link("arm", None, (turn("u"),)),), ("u",))
    bodies = [dot("start", start), wall(), dot("tip", [ARM, 0, 0], 0.1, "arm")]
    angle = np.linspace(-half, half, 20001)
    tip = ARM * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    truth = (np.linalg.norm(start - tip, axis=1) - 0.1 + np.maximum(0.0, tip[:, 0] - 0.1)).min()

    lower = bound(bodies, motion, {"u": (-half, half)}, "start", "tip", "wall")

    check(lower, truth, ARM * half**2 + 0.5 * half * ARM)


@pytest.mark.parametrize("half", HALF)
def test_a_bar_turned_about_its_middle(half):
    """Its ends swing although its middle stays: the lower end comes down by what it stood out."""
    motion = Motion((Link("bar", None, (turn("u"),)),), ("u",))
    bar = Body("bar", "solid", shapes.segments([[0.0, -ARM, 0.0]], [[0.0, ARM, 0.0]]), link="bar")
    floor = Body("floor", "solid", shapes.triangles([[[-50, -9, -50], [50, -9, -50], [0, -9, 100]]]))

    assert bound([bar, floor], motion, {"u": (-half, half)}, "bar", "floor") <= 9 - ARM + 1e-12
    # Turned to point sideways at the middle of the box, it dips by arm x sin(angle), with less and less slope.
    motion = Motion((Link("bar", None, (turn("u"), Joint("fixed", rotation=rotation_about([0, 0, 1], 1.0)))),), ("u",))

    lower = bound([bar, floor], motion, {"u": (-half, half)}, "bar", "floor")

    check(lower, 9 - ARM * np.cos(max(0.0, 1.0 - half)), ARM * (half + 0.5 * half**2))


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("half", HALF)
def test_a_cloud_as_thick_as_it_is_wide_is_bounded_along_a_chain(half, side):
    """From a point by way of the tip of a swinging arm to the nearest of 600 points: what a fine sampling finds."""
    random = np.random.default_rng(round(100 * half))
    places = random.uniform(-4, 4, (600, 3)) + np.array([side * 8.0, 0, 0])
    cloud = Body("cloud", "cloud", shapes.points(places, 0.0, 0.05))
    motion = Motion((Link("arm", None, (turn("u"),)),), ("u",))
    start = np.array([0.0, 9.0, 0.25])
    angle = np.linspace(-half, half, 4001)
    tip = ARM * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    apart = np.linalg.norm(places[None] - tip[::40, None], axis=2).min(axis=1) - 0.05
    truth = (np.linalg.norm(start - tip[::40], axis=1) + np.maximum(0.0, apart)).min()

    lower = bound([dot("start", start), cloud, dot("tip", [ARM, 0, 0], 0.0, "arm")], motion, {"u": (-half, half)},
                  "start", "tip", "cloud")  # fmt: skip

    check(lower, truth, 2 * ARM * half + ARM * half**2)


@pytest.mark.parametrize("half", HALF)
def test_two_swings_towards_each_other(half):
    """Two arms of the same length, 10 m apart, tips facing away: the gap is 10 + 2 arm cos(angle) where both agree."""
    links = (Link("left", None, (turn("u"),)), Link("right", None, (turn("v", origin=(10.0, 0.0, 0.0)),)))
    bodies = [dot("a", [-ARM, 0, 0], link="left"), dot("b", [10 + ARM, 0, 0], link="right")]

    lower = bound(bodies, Motion(links, ("u", "v")), {"u": (-half, half), "v": (-half, half)}, "a", "b")

    # Turned against each other the tips rise alike, so that they stay level: the least distance.
    check(lower, 10 + 2 * ARM * np.cos(half), ARM * half**2)


@pytest.mark.parametrize("half", HALF)
def test_turns_on_turns_have_mixed_second_derivatives(half):
    """An elbow: the forearm turns on the arm, both the same way; the tip is at arm (cos u + cos (u + v))."""
    links = (Link("forearm", None, (turn("u"), turn("v", origin=(ARM, 0.0, 0.0)))),)
    box = {"u": (-half, half), "v": (-half, half)}
    u, v = (x.ravel() for x in np.meshgrid(*2 * [np.linspace(-half, half, 401)]))
    truth = max(0.0, (ARM * (np.cos(u) + np.cos(u + v))).min())

    lower = bound([wall(), dot("tip", [2 * ARM, 0, 0], link="forearm")], Motion(links, ("u", "v")), box, "tip", "wall")

    # Second derivatives: 2 arm by u twice, arm by v twice and by both: 0.5 (2 + 1 + 2) arm half^2.
    check(lower, truth, 2.5 * ARM * half**2)


@pytest.mark.parametrize("half", HALF)
def test_what_slides_out_along_a_turning_arm(half):
    """A mixed derivative by a turn and a slide: x = (arm + s) cos u."""
    slide = Joint("slide", "s", axis=(1.0, 0.0, 0.0))
    motion = Motion((Link("arm", None, (turn("u"), slide)),), ("u", "s"))
    box = {"u": (-half, half), "s": (-half, half)}

    lower = bound([wall(), dot("tip", [ARM, 0, 0], link="arm")], motion, box, "tip", "wall")

    truth = max(0.0, (ARM - half) * np.cos(half)) if half < np.pi / 2 else 0.0
    check(lower, truth, 0.5 * (ARM + half) * half**2 + half**2)


def test_a_lever_arm_counts_all_that_moves_further_out():
    """Out along a slide of 2 m, about a turn of half a turn, on a track of 4 m: each adds to the arm of the turn before
    it, and the ball that holds the point grows by a chord, not by an arc."""
    knots = np.array([[0.0, 0.0, 0.0, 0.0], [4.0, 0.0, 0.0, 4.0]])
    joints = (
        turn("u", axis=(1.0, 0.0, 0.0)),
        Joint("track", "t", knots=knots),
        turn("v"),
        Joint("slide", "s", axis=(1.0, 0.0, 0.0)),
    )
    motion = Motion((Link("arm", None, joints),), ("u", "t", "v", "s"))
    box = {"u": (-1.0, 1.0), "t": (0.0, 4.0), "v": (-np.pi / 2, np.pi / 2), "s": (0.0, 2.0)}

    first, second = derivative_bounds(motion, "arm", shapes.points([[ARM, 0, 0]]), None, box)

    # About v: from 3 to 5 m, 4 m at the middle and 1 m to either side. About u, along x: only what lies off x, at most
    # 4 m up the track and the 5 m that v swings aside.
    assert first[0, 2:] == pytest.approx([ARM + 2.0, 1.0])
    assert second[0, 2, 2] == pytest.approx(ARM + 2.0)
    assert second[0, 2, 3] == pytest.approx(1.0)
    assert second[0, 3, 3] == 0.0
    truth = np.hypot(4.0, ARM + 2.0)
    ball = 2.0 + (1.0 + 4 * np.sqrt(2.0) + 2.0)  # centre 2 m up; 1 m of slide, the chord of v, 2 m of track
    assert truth <= first[0, 0] <= ball + 1e-5
    assert truth <= second[0, 0, 0] <= ball + 1e-5
    assert (second == second.transpose(0, 2, 1)).all()


@pytest.mark.parametrize("half", HALF)
def test_a_deformation_is_turned_with_its_link(half):
    """The point moves along its link at a rate while the link turns: x = (arm - s) cos u."""
    rate = np.zeros((1, 3, 3))
    rate[..., 0] = -1.0
    shape = shapes.points([[ARM, 0, 0]])
    shape = shapes.Shape(shape.vertices, shape.corners, shape.radius, shape.uncertainty, rate)
    tip = Body("tip", "solid", shape, link="arm")
    motion = Motion((Link("arm", None, (turn("u"),)),), ("u", "s"))
    box = {"u": (-half, half), "s": (-half, half)}

    lower = bound([wall(), tip], motion, box, "tip", "wall", rated={"tip": "s"})

    check(lower, max(0.0, (ARM - half) * np.cos(half)), 0.5 * (ARM + half) * half**2 + half**2)


def test_a_heading_that_both_share_costs_nothing():
    """Two bodies on one turntable keep their distance: the box may be a full turn, the bound is exact."""
    turntable = turn("u")
    links = (Link("table", None, (turntable,)), Link("slide", "table", (Joint("slide", "s", axis=(0.0, 0.0, 1.0)),)))
    bodies = [dot("a", [5, 0, 0], link="table"), dot("b", [5, 4, 0], link="slide")]

    lower = bound(bodies, Motion(links, ("u", "s")), {"u": (-3.0, 3.0), "s": (-0.5, 0.5)}, "a", "b")

    assert lower == pytest.approx(4.0, abs=1e-9)


@pytest.mark.parametrize("half", HALF)
def test_a_floating_body_between_two_walls_loses_nothing_on_its_way(half):
    """It nears the one as it leaves the other: the sum of both gaps stays, and the bound with it."""
    slide = Joint("slide", "s", axis=(1.0, 0.0, 0.0))
    far = wall()
    far = Body("far", "solid", shapes.triangles(far.shape.vertices + np.array([6.0, 0, 0])))
    bodies = [wall(), far, dot("tip", [3.0, 0, 0], 0.2, "slide")]

    motion = Motion((Link("slide", None, (slide,)),), ("s",))
    lower = bound(bodies, motion, {"s": (-half, half)}, "wall", "tip", "far")

    assert lower == pytest.approx(6.0 - 0.4, abs=1e-9)


@pytest.mark.parametrize("half", HALF)
def test_two_balls_that_slide_towards_each_other_are_bounded_exactly(half):
    """Both move, each with a radius and an uncertainty of its own; nothing is curved, so nothing is lost."""
    ways = {"u": 1.0, "v": -1.0}
    links = tuple(Link(f"on {q}", None, (Joint("slide", q, axis=(x, 0.0, 0.0)),)) for q, x in ways.items())
    bodies = [dot("a", [0, 0, 0], 0.3, "on u", 0.02), dot("b", [6, 0, 0], 0.2, "on v", 0.01)]

    lower = bound(bodies, Motion(links, ("u", "v")), {"u": (-half, half), "v": (-half, half)}, "a", "b")

    assert lower == pytest.approx(6.0 - 0.53 - 2.0 * half, abs=1e-9)


@pytest.mark.parametrize("half", HALF)
def test_two_balls_that_swing_keep_what_is_around_both(half):
    """As two tips do, less both radii and both uncertainties: the least is at no corner that is looked at."""
    links = (Link("left", None, (turn("u"),)), Link("right", None, (turn("v", origin=(10.0, 0.0, 0.0)),)))
    bodies = [dot("a", [-ARM, 0, 0], 0.1, "left", 0.05), dot("b", [10 + ARM, 0, 0], 0.2, "right", 0.1)]

    lower = bound(bodies, Motion(links, ("u", "v")), {"u": (-half, half), "v": (-half, half)}, "a", "b")

    check(lower, 10 + 2 * ARM * np.cos(half) - 0.45, ARM * half**2)


def test_of_two_pairs_that_move_the_one_that_comes_nearest_counts():
    """A ball slides 1 m to either side between one 4 m ahead and one 3.3 m beside it, both on a link of their own: at
    the middle the one beside is nearer, at the end the one ahead, by the whole way."""
    links = (Link("on u", None, (Joint("slide", "u", axis=(1.0, 0.0, 0.0)),)),
             Link("on v", None, (Joint("slide", "v", axis=(0.0, 0.0, 1.0)),)))  # fmt: skip
    pair = Body("pair", "solid", shapes.points([[4.0, 0, 0], [0.0, 3.3, 0]]), link="on v")

    lower = bound([dot("a", [0, 0, 0], link="on u"), pair], Motion(links, ("u", "v")), {"u": (-1, 1), "v": (0, 0)},
                  "a", "pair")  # fmt: skip

    assert lower == pytest.approx(3.0, abs=1e-9)


SWING, SWUNG = 0.7, ARM * np.cos(0.7) - 0.15
"""[rad], [m] Half a box of a swing past its tangent point, and its least gap: at the middle it is 0.7 m more."""


def swung(tolerance_m, target_m):
    """One box of a swing, asked against a target."""
    motion = Motion((Link("arm", None, (turn("u"),)),), ("u",))
    bodies = (wall(), dot("tip", [ARM, 0, 0], 0.1, "arm", 0.05))
    setting = Setting("stage", "posture", bodies, motion, {"u": (-SWING, SWING)}, {})
    engine = build_engine([setting])
    path = (Path((Group(("tip",)), Group(("wall",)))),)
    return enclose(engine, compile_setting(engine, setting), path, tolerance_m=tolerance_m, target_m=target_m)


def test_what_is_left_out_once_the_target_is_proved_is_not_told_as_proved_beyond_it():
    found = swung(0.001, 1.0)
    assert found.outcome == "reached"
    assert 1.0 <= found.lower_m <= SWUNG


@pytest.mark.parametrize(("below", "outcome"), [(0.05, "reached"), (0.01, "enclosed")])
def test_a_wide_tolerance_proves_no_target_that_it_did_not_reach(below, outcome):
    """One box, bounded 0.03 m below the least gap, is enough for a tolerance of 1 m; it proves only what it proves."""
    found = swung(1.0, SWUNG - below)
    # Nothing is told of what is proved beyond the target.
    assert found.lower_m == pytest.approx(min(ARM - 0.15 - 0.5 * ARM * SWING**2, SWUNG - below), abs=1e-9)
    assert found.outcome == outcome


def test_a_lever_arm_counts_the_whole_of_a_track():
    """From 0 to 4 m up a track that a turn carries: at its end the point is 4 m from the axis."""
    knots = np.array([[0.0, 0.0, 0.0, 0.0], [4.0, 0.0, 0.0, 4.0]])
    joints = (turn("u", axis=(1.0, 0.0, 0.0)), Joint("track", "t", knots=knots))
    motion = Motion((Link("arm", None, joints),), ("u", "t"))

    first, second = derivative_bounds(motion, "arm", shapes.points([[0, 0, 0]]), None, {"u": (-1, 1), "t": (0, 4)})

    assert first[0, 0] == pytest.approx(4.0, abs=1e-5)
    assert second[0, 0, 0] == pytest.approx(4.0, abs=1e-5)


@pytest.mark.parametrize(
    ("joint", "span", "said"),
    [
        (turn("q", axis=(0.0, 0.0, 1.0 + 1e-6)), (0.0, 1.0), "must be a unit vector"),
        (turn("q", axis=(0.0, 0.0, 1.0 + 1e-12)), (0.0, 1.0), ""),
        (Joint("fixed", rotation=np.diag([1.0, 1.0, 1.001])), (0.0, 1.0), "must be orthogonal"),
        (Joint("fixed", rotation=rotation_about([0, 0, 1], 1.0)), (0.0, 1.0), ""),
        (Joint("track", "q", knots=np.array([[0.0, 0, 0, 0], [1.0, 1, 0, 0]])), (0.0, 1.001), "beyond the ends"),
        (Joint("track", "q", knots=np.array([[0.0, 0, 0, 0], [1.0, 1, 0, 0]])), (-0.001, 1.0), "beyond the ends"),
        (Joint("track", "q", knots=np.array([[0.0, 0, 0, 0], [1.0, 1, 0, 0]])), (0.0, 1.0), ""),
        (Joint("track", "q", knots=np.array([[0.0, 0, 0, 0], [0.0, 1, 0, 0]])), (0.0, 0.0), "stations rising"),
    ],
)
def test_joints_for_which_the_bounds_would_not_hold_are_refused(joint, span, said):
    motion = Motion((Link("arm", None, (joint,)),), ("q",))
    bodies = (dot("a", [5, 0, 0], link="arm"), dot("b", [9, 0, 0]))

    def compiled():
        setting = Setting("stage", "posture", bodies, motion, {"q": span}, {})
        return compile_setting(build_engine([setting]), setting)

    if said:
        with pytest.raises(ValueError, match=said):
            compiled()
    else:
        assert len(compiled().low) == 1
