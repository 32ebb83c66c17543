"""What floating point adds is taken off: bounds against the same gaps in 60 digits (mpmath), near and far."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest

from clearance import shapes
from clearance.bodies import Body
from clearance.engine import Group, Path, build_engine, compile_setting, enclose
from clearance.job.setting import Setting
from clearance.kernel import sweep
from clearance.motion import Joint, Link, Motion, rotation_about

AXES = ((0.0, 0.0, 1.0), (0.6, 0.0, 0.8), (0.0, 1.0, 0.0), (1.0, 0.0, 0.0))


def exact(values):
    return mpmath.matrix([mpmath.mpf(float(v)) for v in values])


def turned(axis, angle):
    """Rodrigues' formula about the axis as given, made a unit vector exactly."""
    x, y, z = (mpmath.mpf(a) for a in axis)
    norm = mpmath.sqrt(x * x + y * y + z * z)
    x, y, z = x / norm, y / norm, z / norm
    cross = mpmath.matrix([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return mpmath.eye(3) + mpmath.sin(angle) * cross + (1 - mpmath.cos(angle)) * (cross * cross)


def placed(joints, point, q):
    """The point at the end of the joints, in 60 digits."""
    at = exact(point)
    for joint in reversed(joints):
        if joint.kind == "fixed":
            at = mpmath.matrix(joint.rotation.tolist()) * at + exact(joint.translation)
            continue
        value = mpmath.mpf(q[joint.parameter]) * mpmath.mpf(joint.scale)
        if joint.kind == "slide":
            at = at + exact(joint.axis) * value
        else:
            origin = exact(joint.origin)
            at = origin + turned(joint.axis, value) * (at - origin)
    return at


def scene(seed, scale):
    """A point at the end of turns, slides and fixed joints, some 5 m from another that stands still, both far away."""
    random = np.random.default_rng(seed)
    base = random.uniform(-scale, scale, 3)
    joints = [Joint("fixed", translation=base)]
    for k in range(5):
        kind = ("turn", "slide", "fixed")[random.integers(0, 3)]
        axis = AXES[random.integers(0, len(AXES))]
        if kind == "fixed":
            angle = float(random.uniform(-3, 3))
            joints.append(Joint("fixed", rotation=rotation_about(axis, angle), translation=random.uniform(-2, 2, 3)))
        else:
            joints.append(Joint(kind, f"q{k}", axis=axis, origin=tuple(random.uniform(-3, 3, 3)), scale=1.0))
    names = tuple(j.parameter for j in joints if j.parameter) or ("still",)
    q = {name: float(random.uniform(-2, 2)) for name in names}
    tip = random.uniform(-2, 2, 3)
    with mpmath.workdps(60):
        where = placed(joints, tip, q)
    other = np.array([float(v) for v in where]) + random.normal(0, 3, 3)
    motion = Motion((Link("arm", None, tuple(joints)),), names)
    bodies = (
        Body("tip", "solid", shapes.points([tip], 0.1, 0.05), link="arm"),
        Body("post", "solid", shapes.points([other], 0.3)),
    )
    return Setting("stage", "posture", bodies, motion, {n: (q[n], q[n]) for n in names}, {}), joints, tip, other, q


@pytest.mark.parametrize("scale", [1.0, 1e3, 1e6])
def test_the_bound_of_a_single_pose_is_below_the_gap_in_sixty_digits(scale):
    over = 0
    for seed in range(60):
        setting, joints, tip, other, q = scene(seed, scale)
        engine = build_engine([setting])
        compiled = compile_setting(engine, setting)
        path = (Path((Group(("tip",)), Group(("post",)))),)
        found = enclose(engine, compiled, path, tolerance_m=1e-3)
        with mpmath.workdps(60):
            apart = mpmath.norm(placed(joints, tip, q) - exact(other))
            around = sum(mpmath.mpf(v) for v in (0.1, 0.05, 0.3))
            truth = apart - around
            below, above = truth - mpmath.mpf(found.lower_m), mpmath.mpf(found.upper_m) - truth
            allowed = compiled.rounding_m
            assert below >= 0, seed
            assert below <= 3 * allowed  # what is taken off, and what floating point may add
            assert abs(above) <= allowed
            over += above > 0
    # Without the allowance the floating-point gap itself would be above the truth about half the time.
    assert 5 < over < 55


def test_the_allowance_grows_with_what_enters():
    near, far = (scene(3, scale)[0] for scale in (1.0, 1e6))
    for setting, least, most in ((near, 1e-12, 1e-10), (far, 5e-7, 5e-6)):
        compiled = compile_setting(build_engine([setting]), setting)
        assert least <= compiled.rounding_m <= most


@pytest.mark.parametrize("seed", range(8))
def test_a_bound_over_a_box_holds_at_its_corners_in_sixty_digits(seed):
    """Every parameter has a range of 1 m or rad; the bound after 40 boxes is held to every corner and middle."""
    setting, joints, tip, other, q = scene(100 + seed, 1e5)
    box = {name: (value - 0.5, value + 0.5) for name, value in q.items()}
    setting = Setting("stage", "posture", setting.bodies, setting.motion, box, {})
    engine = build_engine([setting])
    compiled = compile_setting(engine, setting)
    found = enclose(engine, compiled, (Path((Group(("tip",)), Group(("post",)))),), tolerance_m=1e-6, budget=40)
    shares = np.array(np.meshgrid(*[(0.0, 0.5, 1.0)] * len(q))).reshape(len(q), -1).T

    with mpmath.workdps(60):
        for share in shares:
            at = {
                name: low + float(s) * (high - low) for (name, (low, high)), s in zip(box.items(), share, strict=True)
            }
            truth = mpmath.norm(placed(joints, tip, at) - exact(other)) - mpmath.mpf("0.45")
            assert truth >= mpmath.mpf(found.lower_m)


def test_a_sum_along_a_chain_takes_the_allowance_off_for_every_gap():
    places = np.array([[4e5 + 1.1 * k, 3e5 + 0.7 * k * k, 0.3] for k in range(5)])
    bodies = tuple(Body(f"b{k}", "solid", shapes.points([place])) for k, place in enumerate(places))
    setting = Setting("stage", "posture", bodies, Motion((), ("still",)), {"still": (0.0, 0.0)}, {})
    engine = build_engine([setting])
    compiled = compile_setting(engine, setting)

    found = enclose(engine, compiled, (Path(tuple(Group((b.name,)) for b in bodies)),), tolerance_m=1e-3)

    with mpmath.workdps(60):
        truth = sum(mpmath.norm(exact(places[k + 1]) - exact(places[k])) for k in range(4))
        assert mpmath.mpf(found.lower_m) <= truth
        assert truth - mpmath.mpf(found.lower_m) <= 8 * compiled.rounding_m
    assert sweep.rounding_of(engine.store, compiled.moving, compiled.chain, compiled.low, compiled.high) > 2e-7


def test_the_allowance_grows_with_how_far_away_something_moves_though_nothing_stands_there():
    for scale, least, most in ((1.0, 1e-12, 1e-11), (1e6, 5e-7, 5e-6)):
        carried = Joint("fixed", translation=np.array([scale, 0.0, 0.0])), Joint("slide", "s", axis=(1.0, 0.0, 0.0))
        bodies = (Body("a", "solid", shapes.points([[0.0, 0, 0]]), link="far"),
                  Body("b", "solid", shapes.points([[0.0, 0, 3.0]]), link="far"))  # fmt: skip
        setting = Setting("stage", "posture", bodies, Motion((Link("far", None, carried),), ("s",)), {"s": (0, 1)}, {})
        assert least <= compile_setting(build_engine([setting]), setting).rounding_m <= most
