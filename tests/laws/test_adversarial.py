"""Cases made to deceive a sweep, each with the least value known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from clearance import shapes
from clearance.bodies import Body
from clearance.engine import Group, Path, build_engine, compile_setting, enclose
from clearance.job.setting import Setting
from clearance.motion import Joint, Link, Motion

TOLERANCE = 1e-4
SLIDE = Motion((Link("cart", None, (Joint("slide", "u", axis=(1.0, 0.0, 0.0)),)),), ("u",))
TURN = Motion((Link("cart", None, (Joint("turn", "u", axis=(0.0, 0.0, 1.0)),)),), ("u",))


def body(name, shape, link=None):
    return Body(name, "solid", shape, link=link)


def found_in(bodies, motion, box, *chains, tolerance=TOLERANCE, **options):
    setting = Setting("stage", "posture", tuple(bodies), motion, box, {})
    engine = build_engine([setting])
    paths = tuple(Path(tuple(Group((name,)) for name in chain)) for chain in chains)
    return enclose(engine, compile_setting(engine, setting), paths, tolerance_m=tolerance, **options)


def holds(found, truth, tolerance=TOLERANCE):
    assert found.lower_m <= truth + 1e-12
    assert found.upper_m >= truth - 1e-9 * max(1.0, abs(truth))
    assert found.outcome == "enclosed"
    assert found.upper_m - found.lower_m <= tolerance


def test_two_minima_that_are_equal():
    posts = body("posts", shapes.points([[-7.3, 1.1, 0], [7.3, 1.1, 0]], 0.1))

    found = found_in([posts, body("tip", shapes.points([[0, 0, 0]]), "cart")], SLIDE, {"u": (-9, 9)}, ("tip", "posts"))

    holds(found, 1.0)
    assert abs(abs(found.at["u"]) - 7.3) < 0.1


@pytest.mark.parametrize("deeper", [1e-3, 1e-6, 1e-9])
def test_the_lower_of_two_minima_is_not_discarded_for_the_other(deeper):
    """Both chains come down alike; a target between them is passed, whichever is looked at first."""
    low = body("low", shapes.points([[-7.3, 1.1 - deeper, 0]], 0.1))
    high = body("high", shapes.points([[7.3, 1.1, 0]], 0.1))
    bodies = [low, high, body("tip", shapes.points([[0, 0, 0]]), "cart")]
    for chains in ((("tip", "low"), ("tip", "high")), (("tip", "high"), ("tip", "low"))):
        holds(found_in(bodies, SLIDE, {"u": (-9, 9)}, *chains), 1.0 - deeper)
        judged = found_in(bodies, SLIDE, {"u": (-9, 9)}, *chains, tolerance=1e-12, target_m=1.0 - 0.5 * deeper)
        assert judged.outcome == "passed"
        assert judged.at["u"] == pytest.approx(-7.3, abs=0.05)


@pytest.mark.parametrize("sine", [0.0, 1e-15, 1e-13, 1e-12, 1e-10, 1e-7, 1e-4])
def test_segments_that_are_all_but_parallel(sine):
    """A bar slides along another, 2 m above, tilted by so little: its lower end decides."""
    fixed = body("fixed", shapes.segments([[-10, 0, 0]], [[10, 0, 0]], 0.05))
    bar = body("bar", shapes.segments([[-4, 0, 2]], [[4, 0, 2 - 8 * sine]], 0.05), "cart")

    found = found_in([fixed, bar], SLIDE, {"u": (-3, 3)}, ("bar", "fixed"))

    holds(found, 2.0 - 8 * sine - 0.1)


@pytest.mark.parametrize("angle", [1e-9, 1e-6, 1e-3])
def test_segments_that_cross_at_a_small_angle(angle):
    """The nearest points lie at the crossing, where a solver has the fewest digits."""
    fixed = body("fixed", shapes.segments([[-10, 0, 0]], [[10, 0, 0]], 0.05))
    ends = np.array([[-5, -5 * np.sin(angle), 1.5], [5, 5 * np.sin(angle), 1.5]])

    found = found_in([fixed, body("bar", shapes.segments(ends[:1], ends[1:], 0.05), "cart")], SLIDE, {"u": (-2, 2)},
                     ("bar", "fixed"))  # fmt: skip

    holds(found, 1.4)


@pytest.mark.parametrize("miss", [0.0, 1e-9, 1e-3, 0.2])
def test_a_grazing_pass(miss):
    """A point goes by a ball, and is nearest for a moment between all samples of any grid."""
    ball = body("ball", shapes.points([[np.pi, 1.0 + miss, 0.0]], 1.0))

    found = found_in([ball, body("tip", shapes.points([[0, 0, 0]]), "cart")], SLIDE, {"u": (-20, 20)}, ("tip", "ball"))

    holds(found, miss)


@pytest.mark.parametrize("corner", [(-1, -1, -1), (1, -1, 1), (-1, 1, 1)])
def test_a_minimum_at_a_corner_of_the_box(corner):
    joints = [Joint("slide", name, axis=axis) for name, axis in zip("uvw", np.eye(3).tolist(), strict=True)]
    joints = [Joint("slide", j.parameter, axis=tuple(j.axis)) for j in joints]
    motion = Motion((Link("cart", None, tuple(joints)),), ("u", "v", "w"))
    post = body("post", shapes.points([np.array(corner) * 3.0]))

    found = found_in([post, body("tip", shapes.points([[0, 0, 0]]), "cart")], motion, dict.fromkeys("uvw", (-1, 1)),
                     ("tip", "post"))  # fmt: skip

    holds(found, np.sqrt(12.0))
    assert [found.at[name] for name in "uvw"] == pytest.approx(corner, abs=1e-3)


def test_a_range_of_no_width_is_a_single_pose():
    post = body("post", shapes.points([[3, 4, 0]]))

    found = found_in([post, body("tip", shapes.points([[0, 0, 0]]), "cart")], SLIDE, {"u": (0, 0)}, ("tip", "post"))

    holds(found, 5.0, 1e-9)
    assert found.boxes == 1


@pytest.mark.parametrize("shape", [
    shapes.points([[0, 0, 0]]),
    shapes.segments([[0, 0, 0]], [[0, 0, 0]]),
    shapes.triangles([[[0, 0, 0]] * 3]),
    shapes.triangles([[[0, 0, 0], [1e-13, 0, 0], [0, 1e-13, 0]]]),
], ids=["point", "segment of no length", "triangle of no area", "triangle smaller than rounding"])  # fmt: skip
def test_primitives_without_extent(shape):
    wall = body("wall", shapes.triangles([[[4, -9, -9], [4, 9, -9], [4, 0, 18]]]))

    holds(found_in([wall, body("tip", shape, "cart")], SLIDE, {"u": (-2, 1)}, ("tip", "wall")), 3.0)


@pytest.mark.parametrize("thin", [1e-3, 1e-6, 1e-9, 1e-12])
def test_needle_triangles(thin):
    """A needle 20 m long, passed 0.5 m beside its middle."""
    needle = body("needle", shapes.triangles([[[0, -10, 0], [0, 10, 0], [0, 10, thin]]]))
    tip = body("tip", shapes.points([[0, 0.3, 0.5]]), "cart")

    # Over y = 0.3 the needle is thin x 10.3 / 20 high.
    holds(found_in([needle, tip], SLIDE, {"u": (-3, 3)}, ("tip", "needle")), 0.5 - thin * 10.3 / 20)


def test_bodies_that_coincide_touch():
    bar = shapes.segments([[0, 0, 0]], [[0, 0, 2]], 0.1)

    found = found_in([body("a", bar), body("b", bar, "cart")], SLIDE, {"u": (-1, 1)}, ("a", "b"))

    assert found.lower_m <= 0.0
    assert found.upper_m <= 1e-9


@pytest.mark.parametrize("offset", [0.0, 1e3, 1e5, 1e6])
def test_far_from_the_origin(offset):
    """The same scene at a northing of so many metres: the same least value, less its larger rounding."""
    base = np.array([offset, -offset, 0.0])
    post = body("post", shapes.points([base + np.array([3, 4, 0])], 0.25))
    cart = Motion(
        (Link("cart", None, (Joint("fixed", translation=base), Joint("slide", "u", axis=(1, 0, 0)))),), ("u",)
    )

    found = found_in([post, body("tip", shapes.points([[0, 0, 0]]), "cart")], cart, {"u": (-1, 7)}, ("tip", "post"))

    holds(found, 3.75, TOLERANCE + 1e-5)


def test_a_full_turn():
    """Every angle is in the box; the nearest is straight at the post."""
    post = body("post", shapes.points([[-5.0, 0, 0]]))
    tip = body("tip", shapes.points([[3.0, 0, 0]]), "cart")

    holds(found_in([post, tip], TURN, {"u": (0.1, 0.1 + 2 * np.pi)}, ("tip", "post")), 2.0)


def test_a_chain_that_may_turn_back_on_itself():
    """From a post to the tip and back to the same post: twice the gap, and its least where the gap is least."""
    posts = [body(name, shapes.points([[2.0, 1.5, 0]], 0.5)) for name in ("here", "there")]
    tip = body("tip", shapes.points([[0, 0, 0]]), "cart")

    holds(found_in([*posts, tip], SLIDE, {"u": (-4, 5)}, ("here", "tip", "there")), 2.0)


def test_a_budget_of_one_box_or_no_time_is_undecided_never_wrong():
    post, tip = body("post", shapes.points([[-5.0, 0, 0]])), body("tip", shapes.points([[3.0, 0, 0]]), "cart")
    for options in ({"budget": 1}, {"seconds": 0.0}):
        found = found_in([post, tip], TURN, {"u": (0.1, 6.3)}, ("tip", "post"), target_m=1.9, **options)
        assert found.outcome == "exhausted"
        assert found.lower_m <= 2.0 <= found.upper_m
