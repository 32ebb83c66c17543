"""Insulating lengths over whole ranges, held to what is left at random positions, found there by other means.

At a position every rope and the ladder are cut into short pieces, `reference.gaps` tells which bodies touch which, and
the shortest way is SciPy's along centimetres (`test_ways.brute`). No position may leave less than the result says.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest
import reference
import small_scenes as small

from clearance import shapes
from clearance.bodies import worker
from clearance.engine import build_engine
from clearance.job import insulation
from clearance.job.measuring import Bench, pieces_of
from clearance.job.setting import standing
from clearance.job.ways import LIVE, Member, Touch
from clearance.motion import pose
from clearance.pipeline import prepare

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_ways import brute

STEP_M = 0.01
LEANS = 3.0


def random_parts(rng):
    """A ladder that leans and travels with a climber on it, a rope tied to it, boxes that stand in the rope's way."""
    along = round(rng.uniform(3.0, 7.5), 2)
    anchor = np.array([rng.uniform(0.3, 5.0), rng.uniform(-3.0, 3.0), rng.uniform(0.05, 1.0)])
    boxes = [small.slab("far A", bottom_m=30.0), small.slab("far B", bottom_m=40.0, potential="B")]
    for k, potential in enumerate(("earth", "A")[: rng.integers(1, 3)]):
        at = anchor + (np.array([0, 0, along]) - anchor) * (rng.uniform(0.1, 0.4) + 0.4 * k)
        size = rng.uniform(0.1, 0.4, 3)
        boxes.append(small.box(f"box {k}", at + rng.uniform(-0.1, 0.1, 3), size, potential))
    low = rng.uniform(0.5, 2.0)
    return (
        {
            "circuits": [{**small.CIRCUIT, "phases": ["A", "B"]}],
            "solids": boxes,
            "ropes": [{"name": "rope", "from_m": f"ladder @ {along}", "to_m": anchor.tolist(), "diameter_m": 0.02}],
            "statements": [small.insulating("rope")],
            "stages": [
                small.stage(
                    travel_m=[4.9, 5.1],
                    climb_m=[low, low + rng.uniform(0.2, 2.0)],
                    lean_along_deg=[-rng.uniform(0, LEANS), 0],
                    lean_across_deg=[0, rng.uniform(0, LEANS)],
                )
            ],
        },
        along,
        anchor,
    )


def touched(cuts, stations, body):
    """Where a body touches pieces of a member: the first and the last station, or nothing."""
    hit = (reference.gaps(cuts, body.shape) <= 0.0).any(axis=1)
    found = stations[hit]
    return (round(float(found.min()), 2), round(float(found.max()), 2)) if len(found) else None


def at_position(setting, q, along, anchor):
    """Members and touches where everything stands at a position."""
    rotation, foot = pose(setting.motion, "ladder", q)
    tie = rotation @ [0, 0, along] + foot
    held = anchor + np.array([0, q["travel_m"] - 5.0, 0])
    length = float(np.linalg.norm(tie - held))
    members = [Member("ladder", "ladder", 0.0, 8.0), Member("rope", "rope", 0.0, round(length, 2))]
    floats, earth = frozenset((None,)), frozenset(("earth",))
    end = members[1].to_m
    touches = [
        Touch("ladder", "foot", 0.0, 0.0, earth),
        Touch("ladder", "top", 8.0, 8.0, frozenset((LIVE,))),
        Touch("rope", "anchor", 0.0, 0.0, earth),
        Touch("ladder", "tie", along, along, floats),
        Touch("rope", "tie", end, end, floats),
    ]
    shorted = sum(worker.lowest_to_highest_contact_m(small.body()))
    climb = q["climb_m"]
    touches.append(Touch("ladder", "worker", round(climb, 2), round(min(8.0, climb + shorted), 2), floats))
    stations = np.arange(0.0, length, STEP_M)
    line = [held + (tie - held) * s / length for s in stations]
    rope = shapes.points(line, 0.01)
    heights = np.arange(0.0, 8.0, 2 * STEP_M)
    rungs = shapes.segments(
        [rotation @ [0, -0.2, s] + foot for s in heights], [rotation @ [0, 0.2, s] + foot for s in heights], 0.03
    )
    shown = {name: math.degrees(value) if name.endswith("_deg") else value for name, value in q.items()}
    for body in standing(setting, shown):
        if not body.conductive or not len(body.shape) or body.name.startswith("far"):
            continue
        at = frozenset((body.potential, *(p for _, p in body.states)))
        on_rope = touched(rope, stations, body)
        if on_rope is not None:
            touches.append(Touch("rope", body.name, *on_rope, at))
        if body.name != "worker":
            on_ladder = touched(rungs, heights, body)
            if on_ladder is not None:
                touches.append(Touch("ladder", body.name, *on_ladder, at))
    return members, touches


@pytest.mark.parametrize("seed", [0, 3, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (1, 2, 4, 5))])
def test_no_position_leaves_less_than_the_result_says(seed):
    rng = np.random.default_rng(seed)
    parts, along, anchor = random_parts(rng)
    prepared = prepare(small.scene(**parts))
    (settings,) = prepared.stages
    bench = Bench(prepared.site, build_engine(settings), 0.005)
    found = insulation.insulation_of(bench, prepared.site.scene.stages[0], pieces_of(bench, settings))
    told = {one.body: one.left_m for one in found}
    assert set(told) == {"ladder", "rope"}
    setting = next(one for one in settings if one.check == "reach")
    for k in range(8):
        share = rng.uniform(size=len(setting.box)) if k > 1 else np.full(len(setting.box), float(k))
        q = {name: lo + (hi - lo) * s for (name, (lo, hi)), s in zip(setting.box.items(), share, strict=True)}
        members, touches = at_position(setting, {**setting.held, **q}, along, anchor)
        least = min(brute(members, touches, ends) for ends in (("earth", "A"), ("earth", LIVE)))
        # Stations and lengths are rounded to a centimetre at both ends of a leg.
        assert min(told.values()) <= least + 4 * STEP_M
