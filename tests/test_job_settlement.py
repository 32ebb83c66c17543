"""Feet that sink: wherever each stands, the ladder and the worker are where the stage was swept, within its
uncertainty."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from small_scenes import LADDER, TRACK, only, scene, stage, wall

from clearance.job import footing, ropes
from clearance.motion import placed, pose
from clearance.pipeline import prepare

WIDE = LADDER["width_m"]
SUNK = 0.05
SINKS = {**TRACK, "settlement_m": SUNK}


def setting_of(**parts):
    (settings,) = prepare(scene(track=SINKS, **parts)).stages
    return settings[0]


def test_the_ladder_is_within_what_was_swept_however_its_feet_sink():
    told = stage(kind="climb", climb_m=[2, 6], lean_along_deg=[-4, 4], lean_across_deg=[-2, 2])
    setting = setting_of(stages=[told])
    low, high = setting.box["settle_deg"]
    assert high == -low == pytest.approx(np.arcsin(SUNK / WIDE))
    uncertainty = {
        body.name: float(body.shape.uncertainty.min()) for body in setting.bodies if body.link in ("ladder", "worker")
    }
    rng = np.random.default_rng(11)
    furthest = 0.0
    for _ in range(400):
        left, right = rng.uniform(0, SUNK, 2) if rng.random() < 0.7 else rng.choice([0.0, SUNK], 2)
        leans = {name: rng.uniform(*setting.box[name]) for name in ("lean_along_deg", "lean_across_deg", "climb_m")}
        # The foot that sank less stays where it is; about it the ladder turns until the other is where it sank to.
        turn = np.arcsin((left - right) / WIDE)
        side = 0.5 * WIDE if left <= right else -0.5 * WIDE
        pivot = np.array([0.0, side, -min(left, right)])
        # Left is at +y: the right foot lower means a turn about x that lifts +y.
        settled = Rotation.from_rotvec([-turn, 0, 0])
        middle = pivot + settled.apply([0.0, -side, 0.0])
        assert (middle + settled.apply([0, 0.5 * WIDE, 0]))[2] == pytest.approx(-left, abs=1e-12)
        assert (middle + settled.apply([0, -0.5 * WIDE, 0]))[2] == pytest.approx(-right, abs=1e-12)
        lean = Rotation.from_rotvec([0, leans["lean_along_deg"], 0]) * Rotation.from_rotvec(
            [leans["lean_across_deg"], 0, 0]
        )
        q = {**leans, "settle_deg": -turn}
        for link, at in (("ladder", [0.1, 0.2, 8.0]), ("worker", [0.3, -0.2, 1.8])):
            up = 0.0 if link == "ladder" else leans["climb_m"]
            true = middle + settled.apply(lean.apply(np.array(at) + np.array([0, 0, up])))
            rotation, translation = pose(setting.motion, link, q)
            apart = float(np.linalg.norm(rotation @ np.array(at) + translation - true))
            furthest = max(furthest, apart)
            assert apart <= uncertainty["ladder" if link == "ladder" else "worker"] + 1e-9
    assert furthest > 0.8 * SUNK


def test_a_wall_beside_the_ladder_turns_the_verdict_where_arithmetic_says():
    """The top of a rail goes aside by 8 m times the sine of the turn, 0.05 / 0.4, and the feet by 3 mm at most."""
    sine = SUNK / WIDE
    cosine = np.sqrt(1 - sine**2)
    uncertainty = SUNK + 0.5 * WIDE * (1 - cosine)
    top = 0.5 * WIDE * cosine + 8.0 * sine + 0.5 * LADDER["rail_diameter_m"] + uncertainty
    for beyond, verdict in ((-0.02, "breach"), (0.02, "clear")):
        beside = wall("beside", 0.0)
        beside |= {"centre_m": [0.0, top + beyond + 0.1, 5.0], "size_m": [10.0, 0.2, 10.0]}
        far = wall("A wall", 30.0, "A")
        told = stage(kind="travel", climb_m=None, posture=None)
        found = only(solids=[beside, far], track=SINKS, workers=None, stages=[told])
        (ladder,) = [one for one in found.collisions if one.body == "ladder"]
        assert ladder.measure.verdict == verdict
        assert ladder.measure.gap_upper_m == pytest.approx(max(0.0, beyond), abs=0.01)
        assert found.parameters["settle_deg"][1] == pytest.approx(np.degrees(np.arcsin(sine)))


def test_feet_that_do_not_sink_add_no_parameter():
    (settings,) = prepare(scene()).stages
    assert "settle_deg" not in settings[0].box
    body = next(body for body in settings[0].bodies if body.name == "ladder")
    assert placed(body.shape, settings[0].motion, "ladder", {}).vertices.shape == body.shape.vertices.shape


@pytest.mark.parametrize("track", [TRACK, SINKS])
def test_a_tie_up_the_ladder_sways_by_lean_and_by_sinking_feet(track):
    """6 m up: 6 m times lean and turn in radians, and what the middle of the feet shifts by."""
    rope = {"name": "guy", "from": "ladder @ 6.0", "to_m": [9, 0, 0], "diameter_m": 0.012}
    leans = {"lean_along_deg": [-5, 3], "lean_across_deg": [0, 2]}
    site = prepare(scene(track=track, ropes=[rope], stages=[stage(**leans)])).site
    turn = np.arcsin(SUNK / WIDE) if track is SINKS else 0.0
    shift = SUNK + 0.5 * WIDE * (1 - np.cos(turn)) if track is SINKS else 0.0
    found = ropes.tied(site, site.scene.stages[0], site.scene.ropes[0])
    assert found.sway_m == pytest.approx(6.0 * (np.radians(5 + 2) + turn) + shift, abs=1e-9)


@pytest.mark.parametrize("fit_m", [None, 0.001, 0.4])
def test_ground_leaves_a_track_no_less_than_it_does_whatever_is_stated(fit_m):
    """A ridge 0.25 m high across the middle of a piece of 2 m, that falls to nothing 3 m to either side: the
    ends of the piece are two thirds as high up."""
    heights = [[0.0] * 8, [0.0] * 8, [0.25] * 8, [0.0] * 8, [0.0] * 8]
    grid = {"kind": "grid", "heights_m": heights, "corner_m": [-10.0, -6.0], "spacing_m": 3.0}
    track = {**TRACK, "points_m": [[0.0, -1.0], [0.0, 1.0]], **({} if fit_m is None else {"fit_m": fit_m})}
    site = prepare(scene(ground=grid, track=track, stages=[stage(travel_m=1.0)])).site
    _, found = footing.track_knots(site)
    assert found == pytest.approx(max(0.25 - 0.25 * 2 / 3, fit_m or 0.0), abs=1e-9)
