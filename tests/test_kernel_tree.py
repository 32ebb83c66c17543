"""Trees against trying everything: the same nearest gap, boxes that hold what is in them, shapes that tempt a split."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import reference
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from clearance import shapes
from clearance.kernel import tree
from clearance.shapes import Shape

SIZES = (1, 2, tree.LEAF, tree.LEAF + 1, 2 * tree.LEAF + 1, 100, 1000)


def cloud(kind, count, seed=0):
    """Points that are hard to split: equal, on a line, on a grid, on two heaps, far from the origin."""
    random = np.random.default_rng(seed)
    if kind == "equal":
        return np.full((count, 3), 2.5)
    if kind == "line":
        return np.outer(np.linspace(0, 1, count), [3.0, 0.0, 0.0])
    if kind == "grid":
        return random.integers(0, 4, (count, 3)).astype(float)
    if kind == "heaps":
        return random.normal(0, 0.01, (count, 3)) + 1000.0 * random.integers(0, 2, (count, 1))
    if kind == "far":
        return random.uniform(-5, 5, (count, 3)) + np.array([450_000.0, 4_400_000.0, 200.0])
    return random.uniform(-5, 5, (count, 3))


def mixed(count, seed=0, spread=0.6):
    """Points, segments and triangles with radii and uncertainties of their own."""
    random = np.random.default_rng(seed)
    corners = random.integers(1, 4, count).astype(np.int8)
    vertices = random.uniform(-5, 5, (count, 1, 3)) + random.uniform(-spread, spread, (count, 3, 3))
    vertices[corners == 1] = vertices[corners == 1][:, :1]
    vertices[corners == 2, 2] = vertices[corners == 2, 1]
    return Shape(vertices, corners, random.uniform(0, 0.2, count), random.uniform(0, 0.05, count), None)


@pytest.mark.parametrize("count", SIZES)
@pytest.mark.parametrize("kind", ["equal", "line", "grid", "heaps", "far", "even"])
def test_the_nearest_point_is_the_one_scipy_finds(kind, count):
    places = cloud(kind, count)
    asked = places[np.random.default_rng(1).integers(0, count, 50)] + np.random.default_rng(2).normal(0, 2, (50, 3))
    store = tree.build_store([shapes.points(places)])
    found = np.empty(len(asked))

    tree.nearest_each(store, asked, store.root[0], np.inf, found, tree.new_search())

    expected, _ = cKDTree(places).query(asked)
    scale = np.abs(places).max() + 1.0
    assert np.abs(found - expected).max() <= 4e-16 * scale * 4


@pytest.mark.parametrize("count", SIZES)
def test_nodes_hold_what_is_under_them_and_every_primitive_is_in_one_leaf(count):
    bodies = [mixed(count, seed) for seed in range(3)] + [shapes.points(cloud("far", count))]
    store = tree.build_store(bodies)

    seen = np.zeros(len(store.around), int)

    def visit(node):
        if store.right[node] < 0:
            inside = range(store.first[node], store.first[node] + store.number[node])
            assert len(inside) <= tree.LEAF
            seen[list(inside)] += 1
        else:
            inside = [*visit(node + 1), *visit(store.right[node])]
        for i in inside:
            core = store.vertex[store.start[i] : store.start[i + 1]]
            assert (store.low[node].astype(float) <= core.min(axis=0) - store.around[i]).all()
            assert (store.high[node].astype(float) >= core.max(axis=0) + store.around[i]).all()
        return list(inside)

    for body, root in enumerate(store.root):
        assert sorted(visit(root)) == list(range(store.begin[body], store.begin[body + 1]))
    assert (seen == 1).all()
    assert store.around.sum() == pytest.approx(sum((b.radius + b.uncertainty).sum() for b in bodies))


def test_uncertainty_is_left_out_where_asked():
    body = mixed(40)

    assert tree.build_store([body], uncertainty=False).around.sum() == pytest.approx(body.radius.sum())


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.integers(1, 60), st.integers(1, 60), st.integers(0, 2**32 - 1))
def test_two_bodies_are_as_far_apart_as_the_reference_says(one, other, seed):
    a, b = mixed(one, seed), mixed(other, seed + 1)
    b = replace(b, vertices=b.vertices + np.array([np.random.default_rng(seed).uniform(0, 14), 0, 0]))
    store = tree.build_store([a, b])

    bound, i, j = tree.nearest_between(store, store.begin[0], one, store.root[1], tree.new_search())

    gaps = reference.gaps(a, b)
    assert bound <= gaps.min() + 1e-12
    # A flat bound between crossing cores lies below their gap; where cores are apart, it is the gap.
    if gaps.min() > 0.25 + 1e-9:
        assert bound == pytest.approx(gaps.min(), abs=1e-9)
    assert i >= 0
    assert j >= store.begin[1]


def test_an_empty_body_has_no_tree_and_too_many_corners_are_refused(monkeypatch):
    store = tree.build_store([shapes.empty(), shapes.points([[0, 0, 0]])])
    assert store.root.tolist() == [-1, 0]
    monkeypatch.setattr(tree, "MOST", 2)
    with pytest.raises(ValueError, match="at most 2 corners, got 3"):
        tree.build_store([shapes.points([[0, 0, 0]] * 3)])


@pytest.mark.parametrize("value", [0.1, -0.1, 1e-30, 4_400_000.3, -4_400_000.3, 0.0])
def test_boxes_are_rounded_outward(value):
    store = tree.build_store([shapes.points([[value, value, value]])])

    assert (store.low[0].astype(float) <= value).all()
    assert (store.high[0].astype(float) >= value).all()
    assert (store.high[0].astype(float) - store.low[0].astype(float)).max() <= 3e-7 * abs(value) + 1e-36
