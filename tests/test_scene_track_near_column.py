"""The track too near a column: an honest check of samples finds no breach, the sweep does, and plain numpy confirms it.

What is independent here: where the worker stands (the track, the leans, the climb, by formula), and every distance
(segments against segments, closed form; a sampled copy of it besides). What is taken from the package: the primitives
of the worker's reach and of the gantry, as lists of capsules with their radius and uncertainty.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from checked_scenes import prepared, result, scene, stage

from clearance.bodies import worker as workers
from clearance.job.standing import build_of

STAGE = "push the ladder past the column"
TRAVEL_M, LEAN_DEG, CLIMB_M = 0.25, 1.0, 0.25
"""Steps of the naive check."""


@pytest.fixture(scope="module")
def breaches():
    """The breaching gaps of the stage, all to earth."""
    found = [gap for gap in stage(result("track_near_column"), STAGE).gaps if gap.verdict == "breach"]
    assert found
    return found


@pytest.fixture(scope="module")
def columns():
    """(n, 2, 3) axes of the gantry's members, and what is taken off a distance to each (n,)."""
    (body,) = [body for body in prepared("track_near_column").site.bodies if body.name == "middle gantry"]
    assert (body.shape.corners == 2).all()
    return body.shape.vertices[:, :2], body.shape.radius + body.shape.uncertainty


@pytest.fixture(scope="module")
def reach():
    """(n, 2, 3) axes of the capsules of the reach envelope in the worker's frame, and their radii (n,), uncertainty
    of the ladder's bending included.."""
    here = scene("track_near_column")
    (person,) = here.workers
    shape = workers.reach_envelope(build_of(person), person.trunk_lean_m, person.tool_m, person.hanging_m)
    edges, radii = [], []
    for vertices, corners, radius, uncertainty in zip(
        shape.vertices, shape.corners, shape.radius, shape.uncertainty, strict=True
    ):
        # A triangle by its three edges: members of the gantry are too far off to pierce one.
        for a, b in [(0, 1)] if corners == 2 else [(0, 1), (1, 2), (2, 0)]:
            edges.append(vertices[[a, b]])
            radii.append(radius + uncertainty + here.ladder.bending_m)
    return np.array(edges), np.array(radii)


def placed(edges, travel_m, lean_along_deg, lean_across_deg, climb_m):
    """Points of the worker in the scene, by formula: along the track on level ground, leaned, then up the ladder."""
    corners = np.array(scene("track_near_column").track.points_m)
    steps = np.linalg.norm(np.diff(corners, axis=0), axis=1)
    foot = [np.interp(travel_m, np.concatenate([[0.0], np.cumsum(steps)]), corners[:, k]) for k in range(2)]
    a, b = math.radians(lean_along_deg), math.radians(lean_across_deg)
    about_y = np.array([[math.cos(a), 0, math.sin(a)], [0, 1, 0], [-math.sin(a), 0, math.cos(a)]])
    about_x = np.array([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
    return (edges + np.array([0, 0, climb_m])) @ (about_y @ about_x).T + np.array([*foot, 0.0])


def distances(one, other):
    """(m, n) distances of segments one (m, 2, 3) and other (n, 2, 3): the least over the interior and the four ends."""
    p, q = one[:, None, 0], other[None, :, 0]
    u, v = one[:, None, 1] - p, other[None, :, 1] - q
    w = p - q
    a, b, c = (u * u).sum(-1), (u * v).sum(-1), (v * v).sum(-1)
    d, e = (u * w).sum(-1), (v * w).sum(-1)

    def apart(s, t):
        s, t = np.clip(s, 0, 1), np.clip(t, 0, 1)
        return np.linalg.norm(w + s[..., None] * u - t[..., None] * v, axis=-1)

    flat = np.maximum(a * c - b * b, 1e-12)
    s, t = (b * e - c * d) / flat, (a * e - b * d) / flat
    inside = (s >= 0) & (s <= 1) & (t >= 0) & (t <= 1)
    least = np.where(inside, apart(s, t), np.inf)
    for end in (0.0, 1.0):
        least = np.minimum(least, apart(np.full_like(d, end), (e + b * end) / c))
        least = np.minimum(least, apart((b * end - d) / a, np.full_like(d, end)))
    return least


def gap_to_column(reach, columns, **pose):
    edges, radii = reach
    return float((distances(placed(edges, **pose), columns[0]) - radii[:, None] - columns[1]).min())


def steps(span, step):
    """Samples of a range with both its ends."""
    return np.linspace(span.lo, span.hi, round((span.hi - span.lo) / step) + 1)


def test_the_breach_is_of_the_arm_towards_the_column(breaches):
    for gap in breaches:
        assert gap.between == ("A", "earth")
        assert gap.posture.verdict == "clear"
        assert gap.reach.verdict == "breach"
        assert gap.reach.ends[1] == "middle gantry"
        assert gap.reach.margin_upper_m < 0.0
    others = [gap for gap in stage(result("track_near_column"), STAGE).gaps if gap not in breaches]
    assert {gap.verdict for gap in others} == {"clear"}


def test_a_naive_check_of_samples_finds_no_breach(breaches, reach, columns):
    """Every pose of the grid has more than the limit, with centimetres to spare, in the gap that breaches; all other
    gaps of the stage are proved clear everywhere."""
    (here,) = [one for one in scene("track_near_column").stages if one.name == STAGE]
    limit = {gap.reach.required_m for gap in breaches}
    assert len(limit) == 1
    poses = itertools.product(
        steps(here.travel_m, TRAVEL_M), steps(here.lean_along_deg, LEAN_DEG), steps(here.lean_across_deg, LEAN_DEG),
        steps(here.climb_m, CLIMB_M),
    )  # fmt: skip
    names = ("travel_m", "lean_along_deg", "lean_across_deg", "climb_m")
    found = [gap_to_column(reach, columns, **dict(zip(names, pose, strict=True))) for pose in poses]
    assert len(found) == 9 * 3 * 3 * 3
    assert min(found) > limit.pop() + 0.03


def test_numpy_confirms_the_witness(breaches, reach, columns):
    for gap in breaches:
        at = dict(gap.reach.at)
        measured = gap_to_column(reach, columns, **at)
        assert measured < gap.reach.required_m - 0.03
        assert measured == pytest.approx(gap.reach.gap_upper_m, abs=1e-6)
        # It lies between the samples, near the bend of the track.
        corners = np.array(scene("track_near_column").track.points_m)
        assert at["travel_m"] == pytest.approx(float(np.linalg.norm(corners[1] - corners[0])), abs=0.02)
        assert abs(at["travel_m"] / TRAVEL_M - round(at["travel_m"] / TRAVEL_M)) > 0.3


def test_sampled_points_confirm_the_witness(breaches, reach, columns):
    """Points along both axes: their distance is never below that of the axes, so it is a breach by any formula."""
    edges, radii = reach
    share = np.linspace(0, 1, 41)[:, None]
    for gap in breaches:
        body = placed(edges, **gap.reach.at)
        mine = body[:, None, 0] + share * (body[:, 1] - body[:, 0])[:, None]
        near = columns[0][np.linalg.norm(columns[0].mean(axis=1) - np.array(gap.reach.points[-1]), axis=1) < 1.5]
        bars = near[:, None, 0] + share * (near[:, 1] - near[:, 0])[:, None]
        off = np.linalg.norm(mine.reshape(-1, 1, 3) - bars.reshape(1, -1, 3), axis=-1) - np.repeat(radii, 41)[:, None]
        assert off.min() - columns[1].min() < gap.reach.required_m


def test_the_map_shows_where_it_breaches(breaches):
    """The profile along travel: breach for some near the bend alone, clear for all elsewhere."""
    found = [m for m in stage(result("track_near_column"), STAGE).maps if m.axes == ("travel_m",)]
    assert found
    for one in found:
        bad = [cell.ranges["travel_m"] for cell in one.cells if cell.verdict == "breach"]
        assert bad
        assert all(low > 0.9 and high < 1.4 for low, high in bad)
        assert {cell.verdict for cell in one.cells} == {"clear", "breach"}
