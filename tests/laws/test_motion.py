"""The law of motion: derivatives are what differences say, their bounds hold over the whole box, boxes hold bodies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import reference
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from random_scenes import scenes, track_vertices

from clearance.engine import build_engine, compile_setting
from clearance.kernel.chain import new_place, place_moving
from clearance.kernel.sweep import cuts_of
from clearance.motion import derivative_bounds, displacement

STEP = 1e-3
"""[m or rad] Differences: their error is about STEP squared times fourth derivatives, and 1e-15 / STEP squared."""

ERROR = 1e-4
"""[m] What that comes to for coordinates and arms of up to 50 m, and third derivatives alike."""

quick = settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


def corners(setting, body, q):
    """Corners (n, 3, 3) of a body at q, by the reference."""
    return reference.placed(body, setting.motion, q, setting.rated.get(body.name)).vertices


def piece_around(setting, share):
    """Parameters at a share of the box, moved off the vertices of tracks by more than two steps, or None."""
    q = {name: low + share * (high - low) for name, (low, high) in setting.box.items()}
    clear = all(abs(q[name] - value) > 3 * STEP for name, value in track_vertices(setting.motion))
    return q if clear else None


def moved(q, **by):
    return {name: value + by.get(name, 0.0) for name, value in q.items()}


@quick
@given(scenes(), st.floats(0.05, 0.95))
def test_derivatives_are_what_differences_say_and_within_their_bounds(scene, share):
    setting = scene.setting
    q = piece_around(setting, share)
    assume(q is not None)
    # Differences look a step beyond the box.
    wide = {name: (low - 2 * STEP, high + 2 * STEP) for name, (low, high) in setting.box.items()}
    engine = build_engine([setting])
    compiled = compile_setting(engine, setting)
    place = new_place(compiled.chain, compiled.moving, len(q))
    names = setting.motion.parameters
    place_moving(compiled.chain, compiled.moving, np.array([q[n] for n in names]), np.zeros(len(names)), place)

    for body in setting.bodies:
        if body.link is None:
            continue
        start, stop = compiled.runs[body.name]
        first, second = derivative_bounds(setting.motion, body.link, body.shape, setting.rated.get(body.name), wide)
        at = corners(setting, body, q)
        for i, one in enumerate(names):
            up, down = corners(setting, body, moved(q, **{one: STEP})), corners(setting, body, moved(q, **{one: -STEP}))
            slope = (up - down) / (2 * STEP)
            for k in range(start, stop):
                count = compiled.moving.corners[k]
                assert np.abs(place.corner[k, :count] - at[k - start, :count]).max() < 1e-12 * 100
                assert np.abs(place.slope[k, :count, i] - slope[k - start, :count]).max() < ERROR
            assert (np.linalg.norm(slope, axis=2).max(axis=1) <= first[:, i] + ERROR).all()
            bend = (up - 2 * at + down) / STEP**2
            assert (np.linalg.norm(bend, axis=2).max(axis=1) <= second[:, i, i] + ERROR).all()
            for j, other in enumerate(names[:i]):
                mixed = sum(
                    a * b * corners(setting, body, moved(q, **{one: a * STEP, other: b * STEP}))
                    for a in (-1, 1)
                    for b in (-1, 1)
                ) / (4 * STEP**2)
                assert (np.linalg.norm(mixed, axis=2).max(axis=1) <= second[:, i, j] + ERROR).all()


@quick
@given(scenes(), st.floats(0, 1), st.floats(0, 1), st.integers(0, 2**32 - 1))
def test_boxes_and_displacements_hold_every_corner(scene, one, other, seed):
    """For a part of the box between two shares that no vertex of a track cuts."""
    setting, low_share, high_share = scene.setting, min(one, other), max(one, other)
    part = {n: (low + low_share * (high - low), low + high_share * (high - low)) for n, (low, high) in
            setting.box.items()}  # fmt: skip
    engine = build_engine([setting])
    compiled = compile_setting(engine, setting)
    names = setting.motion.parameters
    cut = [(names[p], value) for p, value in cuts_of(compiled.chain)]
    assert sorted(set(track_vertices(setting.motion))) == sorted(cut)
    assume(not any(part[name][0] < value < part[name][1] for name, value in cut))
    low, high = (np.array([part[name][end] for name in names]) for end in (0, 1))
    place = new_place(compiled.chain, compiled.moving, len(names))
    place_moving(compiled.chain, compiled.moving, 0.5 * (low + high), 0.5 * (high - low), place)
    middle = dict(zip(names, 0.5 * (low + high), strict=True))
    narrowed = replace(setting, box=part)

    for share in np.random.default_rng(seed).random((12, len(names))):
        q = dict(zip(names, low + share * (high - low), strict=True))
        for body in setting.bodies:
            if body.link is None:
                continue
            start, stop = compiled.runs[body.name]
            at = corners(setting, body, q)
            around = (body.shape.radius + body.shape.uncertainty)[:, None, None]
            assert (at - around >= place.low[start:stop, None] - 1e-9).all()
            assert (at + around <= place.high[start:stop, None] + 1e-9).all()
            far = displacement(narrowed.motion, body.link, body.shape, part, setting.rated.get(body.name))
            assert np.linalg.norm(at - corners(setting, body, middle), axis=2).max() <= far + 1e-9
