"""From named bodies to enclosures and back: groups, extents, what stands still, what is refused."""

from __future__ import annotations

import ast
import gc
from pathlib import Path as File

import numpy as np
import pytest
import reference

import clearance
from clearance import shapes
from clearance.bodies import Body
from clearance.engine import Group, Path, build_engine, coarse, compile_setting, enclose
from clearance.job.setting import Setting
from clearance.motion import STILL, Joint, Link, Motion

INFINITE = float("inf")


def ball(name, at, radius=0.0, uncertainty=0.0, link=None):
    return Body(name, "solid", shapes.points(at, radius, uncertainty), link=link)


def still(*bodies):
    return Setting("stage", "posture", bodies, STILL, {"still": (0.0, 0.0)}, {})


def found_in(setting, paths, **options):
    engine = build_engine([setting])
    return enclose(engine, compile_setting(engine, setting), paths, **{"tolerance_m": 1e-3, **options})


def test_a_limited_body_that_stands_still_is_passed_at_its_best_point_not_its_nearest():
    """From (0, 0, 0) by way of (1, 0, 0) the sum is 1 + 1.1 m, but the way past it is 6.1 - 0.5 m; from (4, 1.2, 0) by
    way of (5, 0, 0) the sum is 2.66 m and the way past 1.92 m. The least of the larger is 2.66 m. The nearest pair of
    every edge alone gave 5.6 m as a proven lower bound."""
    setting = still(
        ball("start", [[0, 0, 0], [4, 1.2, 0]]), ball("rope", [[1, 0, 0], [5, 0, 0]]), ball("end", [[6.1, 0, 0]])
    )
    path = Path((Group(("start",)), Group(("rope",), 0.5), Group(("end",))))
    expected = np.hypot(1.0, 1.2) + 1.1

    found = found_in(setting, (path,))

    assert found.lower_m <= expected <= found.upper_m + 1e-12
    assert found.upper_m == pytest.approx(expected, abs=1e-3)
    assert reference.value(setting, (path,), {"still": 0.0}) == pytest.approx(expected, abs=1e-12)
    assert found.bodies == (("start", "rope"), ("rope", "end"))
    assert np.array(found.points) == pytest.approx(np.array([[4, 1.2, 0], [5, 0, 0], [5, 0, 0], [6.1, 0, 0]]))


def test_a_limited_body_may_stand_still_while_others_move():
    """A rope of two knots between a moving end and a still one: the same as when it rides on a link without joints."""
    slide = Motion((Link("arm", None, (Joint("slide", "u", axis=(1.0, 0.0, 0.0)),)), Link("post", None, ())), ("u",))
    bodies = [
        ball("start", [[0, 0, 0], [2, 1, 0]], 0.1, link="arm"),
        ball("rope", [[3, 0, 0], [6, 0, 0]], 0.05, 0.01),
        ball("end", [[8, 0, 0]], 0.2),
    ]
    riding = [bodies[0], Body("rope", "solid", bodies[1].shape, link="post"), bodies[2]]
    settings = [Setting("s", "posture", tuple(some), slide, {"u": (-1.0, 1.0)}, {}) for some in (bodies, riding)]
    path = (Path((Group(("start",)), Group(("rope",), -0.2), Group(("end",))), -0.2),)

    one, other = (found_in(setting, path) for setting in settings)

    assert one.lower_m == pytest.approx(other.lower_m, abs=1e-9)
    assert one.upper_m == pytest.approx(other.upper_m, abs=1e-9)
    for u in np.linspace(-1, 1, 41):
        assert reference.value(settings[0], path, {"u": u}) >= one.lower_m - 1e-12


def test_points_lie_on_the_surfaces_and_as_far_apart_as_the_gap():
    setting = still(ball("a", [[0, 0, 0]], 0.5, 0.1), ball("b", [[3, 4, 0]], 1.0), ball("c", [[3, 4, 7]], 2.0))

    found = found_in(setting, (Path((Group(("a",)), Group(("b",)), Group(("c",)))),))

    start, end, again, last = np.array(found.points)
    assert start == pytest.approx([0.36, 0.48, 0.0])
    assert end == pytest.approx([2.4, 3.2, 0.0])
    assert again == pytest.approx([3, 4, 1])
    assert last == pytest.approx([3, 4, 5])
    assert found.upper_m == pytest.approx(3.4 + 4.0, abs=1e-12)


def test_uncertainty_is_left_out_where_asked():
    setting = still(ball("a", [[0, 0, 0]], 0.5, 0.1), ball("b", [[3, 4, 0]], 1.0, 0.2))
    path = (Path((Group(("a",)), Group(("b",)))),)
    engine = build_engine([setting], uncertainty=False)

    found = enclose(engine, compile_setting(engine, setting, uncertainty=False), path, tolerance_m=1e-3)

    assert found.upper_m == pytest.approx(3.5, abs=1e-12)
    assert found_in(setting, path).upper_m == pytest.approx(3.2, abs=1e-12)


def test_nothing_asked_and_empty_bodies_are_infinitely_far():
    nothing = Body("nothing", "solid", shapes.empty())
    setting = still(ball("a", [[0, 0, 0]]), nothing)

    assert found_in(setting, ()).lower_m == INFINITE
    found = found_in(setting, (Path((Group(("a",)), Group(("nothing",)))),))
    assert (found.lower_m, found.upper_m, found.path) == (INFINITE, INFINITE, None)


def test_a_chain_of_too_many_gaps_is_refused():
    names = [f"b{k}" for k in range(11)]
    setting = still(*(ball(name, [[k, 0, 0]]) for k, name in enumerate(names)))

    with pytest.raises(ValueError, match="more than 8 gaps"):
        found_in(setting, (Path(tuple(Group((name,)) for name in names)),))


def test_the_coarse_bound_is_below_every_value():
    rng = np.random.default_rng(4)
    turn = Joint("turn", "u", axis=(0.0, 0.0, 1.0), origin=(0.5, 0.0, 0.0))
    motion = Motion((Link("arm", None, (turn,)),), ("u",))
    bodies = [
        Body(f"b{k}", "solid", shapes.segments(*(rng.uniform(-4, 4, (2, 5, 3)) + 3 * k), 0.1), link=link)
        for k, link in enumerate(("arm", None, "arm", None))
    ]
    setting = Setting("s", "posture", tuple(bodies), motion, {"u": (-0.8, 1.1)}, {})
    engine = build_engine([setting])
    bound = coarse(engine, compile_setting(engine, setting))

    for names in (("b0", "b1"), ("b0", "b3"), ("b1", "b3"), ("b0", "b2", "b3")):
        path = Path(tuple(Group((name,)) for name in names))
        least = min(reference.value(setting, (path,), {"u": u}) for u in np.linspace(-0.8, 1.1, 30))
        assert bound(path) <= least


@pytest.mark.parametrize(("before", "now"), [(9.0, 1.0), (1.0, 9.0)])
def test_an_engine_never_takes_a_new_body_for_one_that_was_dropped(before, now):
    """Python gives the identity of a dropped object to the next one. Keyed by that, an engine answered 9.0 m for 1.0 m
    in most of such tries; it must know nothing of a body that it was not built with."""
    between = (Path((Group(("0",)), Group(("1",)))),)

    def row(apart, count):
        return [ball(str(k), [[apart * k, 0, 0]]) for k in range(count)]

    for _ in range(6):
        engine = build_engine([still(*row(before, 100))])
        gc.collect()
        others = row(now, 200)
        for other in others:
            with pytest.raises(KeyError):
                compile_setting(engine, still(other))
        assert found_in(still(*others[:2]), between).upper_m == pytest.approx(now, abs=1e-9)


def test_nothing_in_the_package_is_known_by_the_identity_of_an_object():
    """`id(...)` of an object that nobody keeps is given to another one: the objects themselves are the keys."""
    folder = File(clearance.__file__).parent
    found = [
        f"{path.relative_to(folder)}:{node.lineno}"
        for path in folder.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Name) and node.id == "id"
    ]
    assert not found
