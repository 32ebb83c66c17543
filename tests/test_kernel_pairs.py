"""The six pair distances, against general-purpose libraries, and their contract on every pair.

References: trimesh.triangles.closest_point (point to triangle), python-fcl (capsules and triangles), coal (capsules and
triangles), scipy.optimize (convex minimisation over the two simplices).
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.optimize import minimize

from clearance.kernel import pairs

PAIRS = [(1, 1), (1, 2), (1, 3), (2, 2), (2, 3), (3, 3), (2, 1), (3, 1), (3, 2)]
FAST = 4000


def random_cores(rng, count, corners, spread=4.0, size=1.5):
    """(n, 3, 3) corners; a segment repeats its second corner, a point its only one."""
    middle = rng.uniform(-spread, spread, (count, 1, 3))
    cores = middle + rng.uniform(-size, size, (count, 3, 3))
    if corners < 3:
        cores[:, 2] = cores[:, 1]
    if corners < 2:
        cores[:, 1:] = cores[:, :1]
    return cores


def measured(a, corners_a, b, corners_b):
    """Distances (n,) and witness points (n, 2, 3)."""
    count = len(a)
    squared, witness = np.empty(count), np.empty((count, 2, 3))
    kinds = np.full(count, corners_a, np.int8), np.full(count, corners_b, np.int8)
    pairs.measure(np.ascontiguousarray(a), kinds[0], np.ascontiguousarray(b), kinds[1], squared, witness)
    return np.sqrt(squared), witness


def off_core(points, cores, corners):
    """How far each point (n, 3) is from its core, by trimesh or by projection."""
    if corners == 3:
        return np.linalg.norm(trimesh.triangles.closest_point(cores, points) - points, axis=1)
    start, end = cores[:, 0], cores[:, min(1, corners - 1)]
    along = end - start
    length = np.einsum("ij,ij->i", along, along)
    share = np.clip(np.einsum("ij,ij->i", points - start, along) / np.where(length > 0, length, 1.0), 0.0, 1.0)
    return np.linalg.norm(points - start - share[:, None] * along, axis=1)


@pytest.mark.parametrize(("corners_a", "corners_b"), PAIRS)
def test_witness_points_lie_on_the_cores_and_are_as_far_apart_as_the_distance(corners_a, corners_b):
    rng = np.random.default_rng(10 * corners_a + corners_b)
    a, b = random_cores(rng, FAST, corners_a), random_cores(rng, FAST, corners_b)

    distance, witness = measured(a, corners_a, b, corners_b)

    assert np.abs(np.linalg.norm(witness[:, 0] - witness[:, 1], axis=1) - distance).max() < 1e-12
    assert off_core(witness[:, 0], a, corners_a).max() < 1e-9
    assert off_core(witness[:, 1], b, corners_b).max() < 1e-9


@pytest.mark.parametrize(("corners_a", "corners_b"), PAIRS)
def test_the_gap_along_the_witness_direction_makes_contact(corners_a, corners_b):
    """Moving one core by the whole gap along the witnesses brings the distance to nothing, by half of it to a half."""
    rng = np.random.default_rng(100 + 10 * corners_a + corners_b)
    a, b = random_cores(rng, FAST, corners_a), random_cores(rng, FAST, corners_b)
    distance, witness = measured(a, corners_a, b, corners_b)
    apart = distance > 1e-3
    step = (witness[:, 1] - witness[:, 0])[apart][:, None, :]

    assert measured(a[apart] + step, corners_a, b[apart], corners_b)[0].max() < 1e-9
    half = measured(a[apart] + 0.5 * step, corners_a, b[apart], corners_b)[0]
    assert np.abs(half - 0.5 * distance[apart]).max() < 1e-6


def test_a_point_and_a_triangle_agree_with_trimesh():
    rng = np.random.default_rng(1)
    a, b = random_cores(rng, 50_000, 1), random_cores(rng, 50_000, 3)

    distance, _ = measured(a, 1, b, 3)

    assert np.abs(distance - np.linalg.norm(trimesh.triangles.closest_point(b, a[:, 0]) - a[:, 0], axis=1)).max() < 1e-9


def simplex_distance(a, corners_a, b, corners_b):
    """Distance of two convex hulls by scipy's SLSQP over barycentric coordinates."""
    a, b = a[:corners_a], b[:corners_b]

    def squared(x):
        return float(np.sum((x[:corners_a] @ a - x[corners_a:] @ b) ** 2))

    sums = [
        {"type": "eq", "fun": lambda x: x[:corners_a].sum() - 1.0},
        {"type": "eq", "fun": lambda x: x[corners_a:].sum() - 1.0},
    ]
    start = np.concatenate([np.full(corners_a, 1 / corners_a), np.full(corners_b, 1 / corners_b)])
    found = minimize(
        squared,
        start,
        bounds=[(0, 1)] * len(start),
        constraints=sums,
        method="SLSQP",
        options={"ftol": 1e-14, "maxiter": 300},
    )
    return np.sqrt(max(found.fun, 0.0))


@pytest.mark.parametrize(("corners_a", "corners_b"), PAIRS[:6])
def test_distances_agree_with_a_convex_minimisation(corners_a, corners_b):
    """SLSQP stops at a squared distance off by about 1e-9 m2: so 1e-4 m near contact, 1e-6 m elsewhere."""
    rng = np.random.default_rng(1000 + 10 * corners_a + corners_b)
    a, b = random_cores(rng, 60, corners_a), random_cores(rng, 60, corners_b)

    distance, _ = measured(a, corners_a, b, corners_b)

    for k in range(len(a)):
        other = simplex_distance(a[k], corners_a, b[k], corners_b)
        assert distance[k] <= other + 1e-9
        assert other - distance[k] < (1e-4 if distance[k] < 0.1 else 2e-6)


def capsule_pose(start, end):
    """Length, rotation and middle that put a z capsule of fcl or coal from start to end."""
    along = end - start
    length = float(np.linalg.norm(along))
    z = along / length
    x = np.cross(z, np.eye(3)[int(np.argmin(np.abs(z)))])
    x /= np.linalg.norm(x)
    return length, np.column_stack([x, np.cross(z, x), z]), 0.5 * (start + end)


def test_capsules_agree_with_coal():
    coal = pytest.importorskip("coal", reason="coal is not installed: it has no wheel for this platform")
    rng = np.random.default_rng(5)
    a, b = random_cores(rng, 3000, 2), random_cores(rng, 3000, 2)
    radius = 0.1

    distance, _ = measured(a, 2, b, 2)

    compared = 0
    for k in range(len(a)):
        if distance[k] < 2 * radius + 1e-3:
            continue
        one, other = capsule_pose(a[k, 0], a[k, 1]), capsule_pose(b[k, 0], b[k, 1])
        request, result = coal.DistanceRequest(), coal.DistanceResult()
        found = coal.distance(
            coal.Capsule(radius, one[0]),
            coal.Transform3s(one[1], one[2]),
            coal.Capsule(radius, other[0]),
            coal.Transform3s(other[1], other[2]),
            request,
            result,
        )
        assert found == pytest.approx(distance[k] - 2 * radius, abs=1e-5)
        compared += 1
    assert compared > 2500


def test_triangles_agree_with_python_fcl():
    fcl = pytest.importorskip("fcl", reason="python-fcl is not installed")
    rng = np.random.default_rng(6)
    a, b = random_cores(rng, 600, 3), random_cores(rng, 600, 3)

    distance, _ = measured(a, 3, b, 3)

    def model(core):
        made = fcl.BVHModel()
        made.beginModel(1, 3)
        made.addSubModel(core, np.array([[0, 1, 2]]))
        made.endModel()
        return fcl.CollisionObject(made, fcl.Transform())

    for k in range(len(a)):
        found = fcl.distance(model(a[k]), model(b[k]), fcl.DistanceRequest(), fcl.DistanceResult())
        assert max(found, 0.0) == pytest.approx(distance[k], abs=1e-6)


@pytest.mark.parametrize("offset", [0.0, 1e3, 1e5])
def test_degenerate_cores_keep_their_boundary_cases(offset):
    """Zero-length segments, needles, parallel and coincident cores, about a far origin: the answer is known in the
    head."""
    at = np.array([offset, -offset, offset])
    segment = np.array([[0, 0, 0], [1, 0, 0], [1, 0, 0.0]]) + at
    plate = np.array([[-5, -5, 0], [5, -5, 0], [0, 5, 0.0]]) + at
    cases = [
        (segment, 2, segment + np.array([0, 2, 0]), 2, 2.0),  # parallel, side by side
        (segment, 2, segment + np.array([3, 0, 0]), 2, 2.0),  # in one line
        (segment, 2, segment, 2, 0.0),  # coincident
        (segment, 2, np.repeat(segment[:1], 3, 0) + np.array([0.5, 0, 1.5]), 2, 1.5),  # a segment of no length
        (segment, 2, np.array([[0, 1, 0], [1, 1, 0], [0.5, 1, 1e-9]]) + at, 3, 1.0),  # a needle
        (segment, 2, np.array([[0, 1, 0], [1, 1, 0], [0.5, 1, 0]]) + at, 3, 1.0),  # a triangle of no area
        (segment + np.array([0, 0, 0.5]), 2, plate, 3, 0.5),  # over a face
        (
            np.array([[0, 0, -1], [0, 0, 1], [0, 0, 1.0]]) + at,
            2,
            np.array([[-5, -5, 0], [5, -5, 0], [0, 5, 0.0]]) + at,
            3,
            0.0,
        ),
    ]
    for a, corners_a, b, corners_b, expected in cases:
        distance, _ = measured(a[None].copy(), corners_a, b[None].copy(), corners_b)
        swapped, _ = measured(b[None].copy(), corners_b, a[None].copy(), corners_a)
        assert distance[0] == pytest.approx(expected, abs=1e-9 + 1e-15 * offset)
        assert swapped[0] == pytest.approx(distance[0], abs=1e-12 * (1 + offset))


@pytest.mark.slow
def test_a_million_random_pairs_agree_with_trimesh_and_keep_the_contract():
    rng = np.random.default_rng(7)
    for corners_a, corners_b in PAIRS[:6]:
        a, b = random_cores(rng, 170_000, corners_a), random_cores(rng, 170_000, corners_b)
        distance, witness = measured(a, corners_a, b, corners_b)
        assert off_core(witness[:, 0], a, corners_a).max() < 1e-9
        assert off_core(witness[:, 1], b, corners_b).max() < 1e-9
        # The plane through the witnesses parts the cores: no corner of either comes nearer along it.
        n = (witness[:, 0] - witness[:, 1]) / np.where(distance > 0, distance, 1.0)[:, None]
        low = np.einsum("nij,nj->ni", a, n).min(axis=1) - np.einsum("nij,nj->ni", b, n).max(axis=1)
        apart = distance > 1e-3
        assert np.abs(low - distance)[apart].max() < 1e-5
