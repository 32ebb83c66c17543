"""Owns the store of primitives that stand still, and the bounding-volume trees over them.

All static primitives of a scene lie in one `Store`; each body has a tree of its own (a root), so any set of bodies is a
list of roots. Trees are built by median splits over the longest side of the centres' box, in compiled code, and kept in
preorder: the left child of node k is node k + 1.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.kernel.cache import compiled
from clearance.kernel.pairs import closest
from clearance.shapes import Shape

LEAF = 4
"""Primitives in a leaf: four boxes are tested about as fast as one more level of nodes."""

DEPTH = 128
"""Stack of a traversal; median splits make a tree of n primitives at most log2(n) + 2 deep."""


class Store(NamedTuple):
    """Static primitives in tree order, and the nodes over them.

    vertices (n, 3, 3), corners (n,), around (n,) radius and slack together, body (n,) index of the body; low, high (m,
    3) each node's box, `around` included; right (m,) index of the right child, or -1 for a leaf; first, count (m,) a
    leaf's primitives; root (bodies,) each body's first node, -1 for an empty body
    """

    vertices: NDArray[np.float64]
    corners: NDArray[np.int8]
    around: NDArray[np.float64]
    body: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    right: NDArray[np.int64]
    first: NDArray[np.int64]
    count: NDArray[np.int64]  # type: ignore[assignment]  # a tuple's own count() is not used
    root: NDArray[np.int64]


@compiled
def _select(order, keys, start, stop, middle):  # type: ignore[no-untyped-def]
    """Reorder order[start:stop] so that position `middle` holds what sorting by key, then index, would put there."""
    lo, hi = start, stop - 1
    while lo < hi:
        pivot = order[(lo + hi) // 2]
        key = keys[pivot]
        i, j = lo, hi
        while i <= j:
            while keys[order[i]] < key or (keys[order[i]] == key and order[i] < pivot):
                i += 1
            while keys[order[j]] > key or (keys[order[j]] == key and order[j] > pivot):
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                i += 1
                j -= 1
        if middle <= j:
            hi = j
        elif middle >= i:
            lo = i
        else:
            return


@compiled
def _build(low, high, leaf, order, node_low, node_high, right, first, count):  # type: ignore[no-untyped-def]
    """Fill the nodes over boxes low, high (n, 3); returns how many."""
    n = len(low)
    centre = (low + high) * 0.5
    keys = np.empty(n)
    starts, stops, parents = np.empty(256, np.int64), np.empty(256, np.int64), np.empty(256, np.int64)
    starts[0], stops[0], parents[0] = 0, n, -1
    depth, made = 1, 0
    while depth > 0:
        depth -= 1
        start, stop, parent = starts[depth], stops[depth], parents[depth]
        node = made
        made += 1
        if parent >= 0:
            right[parent] = node
        for k in range(3):
            lo, hi = np.inf, -np.inf
            for i in range(start, stop):
                lo, hi = min(lo, low[order[i], k]), max(hi, high[order[i], k])
            node_low[node, k], node_high[node, k] = lo, hi
        right[node] = -1
        first[node], count[node] = start, stop - start
        if stop - start <= leaf:
            continue
        axis, widest = 0, -1.0
        for k in range(3):
            lo, hi = np.inf, -np.inf
            for i in range(start, stop):
                lo, hi = min(lo, centre[order[i], k]), max(hi, centre[order[i], k])
            if hi - lo > widest:
                axis, widest = k, hi - lo
        for i in range(start, stop):
            keys[order[i]] = centre[order[i], axis]
        middle = (start + stop) // 2
        _select(order, keys, start, stop, middle)
        count[node] = 0
        starts[depth], stops[depth], parents[depth] = middle, stop, node
        starts[depth + 1], stops[depth + 1], parents[depth + 1] = start, middle, -1
        depth += 2
    return made


def build_store(shapes: list[Shape], slack: bool = True) -> Store:
    """The store of these bodies, in their order; `slack` False leaves the slack out of every primitive."""
    parts: dict[str, list[NDArray[np.generic]]] = {name: [] for name in Store._fields}
    primitives, nodes = 0, 0
    for index, shape in enumerate(shapes):
        n = len(shape)
        if n == 0:
            parts["root"].append(np.array([-1]))
            continue
        around = shape.radius + shape.slack if slack else shape.radius
        low = shape.vertices.min(axis=1) - around[:, None]
        high = shape.vertices.max(axis=1) + around[:, None]
        order = np.arange(n)
        room = 2 * n + 1
        node_low, node_high = np.empty((room, 3)), np.empty((room, 3))
        right, first, count = np.empty(room, np.int64), np.empty(room, np.int64), np.empty(room, np.int64)
        made = int(_build(low, high, LEAF, order, node_low, node_high, right, first, count))
        shifted = right[:made].copy()
        shifted[shifted >= 0] += nodes
        for name, values in (
            ("vertices", shape.vertices[order]),
            ("corners", shape.corners[order]),
            ("around", around[order]),
            ("body", np.full(n, index)),
            ("low", node_low[:made].copy()),
            ("high", node_high[:made].copy()),
            ("right", shifted),
            ("first", first[:made] + primitives),
            ("count", count[:made].copy()),
            ("root", np.array([nodes])),
        ):
            parts[name].append(values)
        primitives, nodes = primitives + n, nodes + made
    blank = {
        "vertices": np.empty((0, 3, 3)),
        "corners": np.empty(0, np.int8),
        "around": np.empty(0),
        "body": np.empty(0, np.int64),
        "low": np.empty((0, 3)),
        "high": np.empty((0, 3)),
        "right": np.empty(0, np.int64),
        "first": np.empty(0, np.int64),
        "count": np.empty(0, np.int64),
        "root": np.empty(0, np.int64),
    }
    return Store(**{name: np.ascontiguousarray(np.concatenate([blank[name], *parts[name]])) for name in Store._fields})


@compiled
def box_gap(low_a, high_a, low_b, high_b):  # type: ignore[no-untyped-def]
    """Distance between two boxes, zero where they meet."""
    total = 0.0
    for k in range(3):
        apart = max(low_a[k] - high_b[k], low_b[k] - high_a[k])
        if apart > 0.0:
            total += apart * apart
    return np.sqrt(total)


@compiled
def nearest(store, vertices, corners, around, root, best):  # type: ignore[no-untyped-def]
    """Least gap below `best` between one primitive and the body at `root`: (gap, index of its primitive or -1)."""
    low, high = np.empty(3), np.empty(3)
    for k in range(3):
        low[k] = min(vertices[0, k], min(vertices[1, k], vertices[2, k])) - around
        high[k] = max(vertices[0, k], max(vertices[1, k], vertices[2, k])) + around
    witness, work = np.empty((2, 3)), np.empty((3, 3))
    stack = np.empty(DEPTH, np.int64)
    stack[0] = root
    depth, found = 1, -1
    while depth > 0:
        depth -= 1
        node = stack[depth]
        if box_gap(low, high, store.low[node], store.high[node]) >= best:
            continue
        if store.right[node] < 0:
            for i in range(store.first[node], store.first[node] + store.count[node]):
                squared = closest(vertices, corners, store.vertices[i], store.corners[i], witness, work)
                gap = np.sqrt(squared) - around - store.around[i]
                if gap < best:
                    best, found = gap, i
            continue
        left, other = node + 1, store.right[node]
        near = box_gap(low, high, store.low[left], store.high[left])
        if near > box_gap(low, high, store.low[other], store.high[other]):
            left, other = other, left
        stack[depth], stack[depth + 1] = other, left
        depth += 2
    return best, found


@compiled
def nearest_between(store, first, count, root, best):  # type: ignore[no-untyped-def]
    """Least gap below `best` between store primitives first .. first + count and the body at `root`: (gap, i, j)."""
    i_best, j_best = -1, -1
    for i in range(first, first + count):
        gap, j = nearest(store, store.vertices[i], store.corners[i], store.around[i], root, best)
        if j >= 0:
            best, i_best, j_best = gap, i, j
    return best, i_best, j_best
