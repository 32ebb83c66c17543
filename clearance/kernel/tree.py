"""Owns the store of primitives that stand still, and the bounding-volume trees over them.

All static primitives of a scene lie in one `Store`; each body has a tree of its own (a root), so any set of bodies is
a list of roots. Trees are built by median splits over the longest side of the centres' box, in compiled code, and kept
in preorder: the left child of node k is node k + 1. A point takes 40 bytes, a node 36: five million points lie in a
quarter of a gigabyte.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.kernel.cache import compiled, inner
from clearance.kernel.pairs import along, between, closest, unit
from clearance.shapes import Shape

LEAF = 8
"""Primitives in a leaf: their boxes are tested about as fast as three more levels of nodes."""

DEPTH = 128
"""Stack of a traversal; median splits make a tree of n primitives at most log2(n) + 2 deep."""

MOST = 2**31 - 1
"""Primitives and corners in one store: indices are 32 bits wide."""


class Store(NamedTuple):
    """Static primitives in tree order, and the nodes over them.

    vertex (m, 3) corners, those of primitive i from start[i] to start[i + 1]; start (n + 1,); around (n,) radius and
    uncertainty together; begin (bodies + 1,) the primitives of each body
    low, high (nodes, 3) each node's box, `around` included, rounded outward to 32 bits; right (nodes,) index of the
    right child, or -1 for a leaf; first, number (nodes,) a leaf's primitives; root (bodies,) each body's first node,
    -1 for an empty body
    """

    vertex: NDArray[np.float64]
    start: NDArray[np.int32]
    around: NDArray[np.float64]
    begin: NDArray[np.int64]
    low: NDArray[np.float32]
    high: NDArray[np.float32]
    right: NDArray[np.int32]
    first: NDArray[np.int32]
    number: NDArray[np.int32]
    root: NDArray[np.int64]


@inner
def _select(key, one, other, order, start, stop, middle):  # type: ignore[no-untyped-def]
    """Reorder start:stop of four arrays alike, so that `middle` holds what sorting by key, then order, would put
    there."""
    lo, hi = start, stop - 1
    while lo < hi:
        half = (lo + hi) // 2
        pivot, name = key[half], order[half]
        i, j = lo, hi
        while i <= j:
            while key[i] < pivot or (key[i] == pivot and order[i] < name):
                i += 1
            while key[j] > pivot or (key[j] == pivot and order[j] > name):
                j -= 1
            if i <= j:
                key[i], key[j] = key[j], key[i]
                one[i], one[j] = one[j], one[i]
                other[i], other[j] = other[j], other[i]
                order[i], order[j] = order[j], order[i]
                i += 1
                j -= 1
        if middle <= j:
            hi = j
        elif middle >= i:
            lo = i
        else:
            return


@inner
def _width(values, start, stop):  # type: ignore[no-untyped-def]
    lo, hi = values[start], values[start]
    for i in range(start, stop):
        lo, hi = min(lo, values[i]), max(hi, values[i])
    return hi - lo


@compiled
def _split(x, y, z, order, leaf, right, first, count, stack):  # type: ignore[no-untyped-def]
    """Sort centres x, y, z (n,) and their order into leaves, fill the nodes' links; stack (3, DEPTH) is scratch."""
    starts, stops, parents = stack[0], stack[1], stack[2]
    starts[0], stops[0], parents[0] = 0, len(x), -1
    depth, made = 1, 0
    while depth > 0:
        depth -= 1
        start, stop, parent = starts[depth], stops[depth], parents[depth]
        node = made
        made += 1
        if parent >= 0:
            right[parent] = node
        right[node], first[node], count[node] = -1, start, stop - start
        if stop - start <= leaf:
            continue
        wide_x, wide_y, wide_z = _width(x, start, stop), _width(y, start, stop), _width(z, start, stop)
        middle = (start + stop) // 2
        if wide_x >= wide_y and wide_x >= wide_z:
            _select(x, y, z, order, start, stop, middle)
        elif wide_y >= wide_z:
            _select(y, x, z, order, start, stop, middle)
        else:
            _select(z, x, y, order, start, stop, middle)
        count[node] = 0
        starts[depth], stops[depth], parents[depth] = middle, stop, node
        starts[depth + 1], stops[depth + 1], parents[depth + 1] = start, middle, -1
        depth += 2


@compiled
def _centre(vertices, x, y, z):  # type: ignore[no-untyped-def]
    """Fill x, y, z (n,) with the middles of the primitives' boxes, about the first corner of all."""
    for i in range(len(vertices)):
        for k in range(3):
            a, b, c = vertices[i, 0, k], vertices[i, 1, k], vertices[i, 2, k]
            middle = 0.5 * (min(a, min(b, c)) + max(a, max(b, c))) - vertices[0, 0, k]
            if k == 0:
                x[i] = middle
            elif k == 1:
                y[i] = middle
            else:
                z[i] = middle


@inner
def _outward(value, up):  # type: ignore[no-untyped-def]
    """A 32-bit number not below (up) or not above the value."""
    near = np.float32(value)
    step = np.float32(abs(near) * np.float32(2.0**-23) + np.float32(1e-37))
    if up:
        return np.float32(near + step) if near < value else near
    return np.float32(near - step) if near > value else near


@compiled
def _fill(vertices, corners, radius, uncertainty, order, base, store, begin, nodes):  # type: ignore[no-untyped-def]
    """Copy primitives in tree order to the store from primitive `begin`, corner `base`; box the nodes from nodes[0] to
    nodes[1]."""
    at = base
    for i in range(len(order)):
        source = order[i]
        store.start[begin + i] = at
        store.around[begin + i] = radius[source] + uncertainty[source]
        for c in range(corners[source]):
            for k in range(3):
                store.vertex[at, k] = vertices[source, c, k]
            at += 1
    store.start[begin + len(order)] = at
    for node in range(nodes[1] - 1, nodes[0] - 1, -1):
        for k in range(3):
            if store.right[node] >= 0:
                store.low[node, k] = min(store.low[node + 1, k], store.low[store.right[node], k])
                store.high[node, k] = max(store.high[node + 1, k], store.high[store.right[node], k])
                continue
            low, high = np.inf, -np.inf
            for i in range(store.first[node], store.first[node] + store.number[node]):
                for v in range(store.start[i], store.start[i + 1]):
                    low = min(low, store.vertex[v, k] - store.around[i])
                    high = max(high, store.vertex[v, k] + store.around[i])
            store.low[node, k], store.high[node, k] = _outward(low, False), _outward(high, True)


def _nodes_of(primitives: int) -> int:
    """Nodes of a tree over so many primitives; halves differ by one at most, so few sizes occur."""
    sizes = {primitives: 1}
    total = 0
    while sizes:
        total += sum(sizes.values())
        halves: dict[int, int] = {}
        for size, times in sizes.items():
            if size > LEAF:
                for part in (size // 2, size - size // 2):
                    halves[part] = halves.get(part, 0) + times
        sizes = halves
    return total


def build_store(shapes: list[Shape], uncertainty: bool = True) -> Store:
    """The store of these bodies, in their order; `uncertainty` False leaves the uncertainty out of every primitive.

    Raises: ValueError beyond `MOST` corners.
    """
    begin = np.concatenate([[0], np.cumsum([len(shape) for shape in shapes], dtype=np.int64)]).astype(np.int64)
    corners = sum(int(shape.corners.sum(dtype=np.int64)) for shape in shapes)
    if corners > MOST:
        raise ValueError(f"a store holds at most {MOST} corners, got {corners}")
    sizes = [_nodes_of(len(shape)) if len(shape) else 0 for shape in shapes]
    nodes = sum(sizes)
    store = Store(
        np.empty((corners, 3)), np.zeros(begin[-1] + 1, np.int32), np.empty(begin[-1]), begin,
        np.empty((nodes, 3), np.float32), np.empty((nodes, 3), np.float32), np.empty(nodes, np.int32),
        np.empty(nodes, np.int32), np.empty(nodes, np.int32), np.full(len(shapes), -1),
    )  # fmt: skip
    corner, node = 0, 0
    for index, (shape, size) in enumerate(zip(shapes, sizes, strict=True)):
        if len(shape) == 0:
            continue
        # Centres decide only the order, so 32 bits about the body's own first corner are enough.
        centres = [np.empty(len(shape), np.float32) for _ in range(3)]
        _centre(shape.vertices, *centres)
        order = np.arange(len(shape), dtype=np.int32)
        part = slice(node, node + size)
        _split(
            *centres,
            order,
            LEAF,
            store.right[part],
            store.first[part],
            store.number[part],
            np.empty((3, DEPTH), np.int64),
        )
        store.right[part][store.right[part] >= 0] += node
        store.first[part] += int(begin[index])
        no_uncertainty = np.zeros(len(shape)) if not uncertainty else shape.uncertainty
        at = int(begin[index])
        _fill(
            shape.vertices, shape.corners, shape.radius, no_uncertainty, order, corner, store, at, (node, node + size)
        )
        store.root[index] = node
        corner += int(shape.corners.sum(dtype=np.int64))
        node += size
    return store


@compiled
def box_gap(low_a, high_a, low_b, high_b):  # type: ignore[no-untyped-def]
    """Distance between two boxes, zero where they meet."""
    total = 0.0
    for k in range(3):
        apart = max(low_a[k] - high_b[k], low_b[k] - high_a[k])
        if apart > 0.0:
            total += apart * apart
    return np.sqrt(total)


@inner
def primitive_gap(low, high, store, i):  # type: ignore[no-untyped-def]
    """Distance between a box and the box of a primitive of the store, `around` included."""
    total = 0.0
    start, stop, around = store.start[i], store.start[i + 1], store.around[i]
    for k in range(3):
        lo, hi = store.vertex[start, k], store.vertex[start, k]
        for v in range(start + 1, stop):
            lo, hi = min(lo, store.vertex[v, k]), max(hi, store.vertex[v, k])
        apart = max(low[k] - hi - around, lo - around - high[k])
        if apart > 0.0:
            total += apart * apart
    return np.sqrt(total)


@inner
def flat_gap(a, b, n):  # type: ignore[no-untyped-def]
    """Least n.(p - q) over corners p of a (k, 3) and q of b (l, 3): for a unit n never above the distance of the two
    cores."""
    near, far = np.inf, -np.inf
    for v in range(len(a)):
        near = min(near, along(n, a[v]))
    for v in range(len(b)):
        far = max(far, along(n, b[v]))
    return near - far


class Search(NamedTuple):
    """Scratch of a search, and its counts (2,) of nodes and of pairs that were measured."""

    vector: NDArray[np.float64]
    witness: NDArray[np.float64]
    work: NDArray[np.float64]
    stack: NDArray[np.int64]
    apart: NDArray[np.float64]
    counts: NDArray[np.int64]


def new_search() -> Search:
    """Room for one search at a time."""
    return Search(
        np.empty((3, 3)), np.empty((2, 3)), np.empty((3, 3)), np.empty(DEPTH, np.int64), np.empty(DEPTH), np.zeros(2,
        np.int64)
    )  # fmt: skip


@compiled
def nearest(store, core, around, root, best, search):  # type: ignore[no-untyped-def]
    """Least gap between one primitive, of corners core (k, 3), and the body at `root`, where it is below `best`.

    Returns (proven lower bound or `best`, gap by witness points, index of its primitive or -1).
    """
    low, high, n, counts = search.vector[0], search.vector[1], search.vector[2], search.counts
    for k in range(3):
        low[k], high[k] = core[0, k], core[0, k]
        for v in range(1, len(core)):
            low[k], high[k] = min(low[k], core[v, k]), max(high[k], core[v, k])
        low[k] -= around
        high[k] += around
    witness, work, stack, apart = search.witness, search.work, search.stack, search.apart
    stack[0], apart[0] = root, box_gap(low, high, store.low[root], store.high[root])
    depth, found, lower, gap = 1, -1, best, best
    while depth > 0:
        depth -= 1
        node = stack[depth]
        if apart[depth] >= lower:
            continue
        counts[0] += 1
        if store.right[node] < 0:
            for i in range(store.first[node], store.first[node] + store.number[node]):
                if len(core) == 1 and store.start[i + 1] - store.start[i] == 1:
                    # Two points: their distance is the bound, and as quickly found as that of their boxes.
                    reach = np.sqrt(between(core[0], store.vertex[store.start[i]])) - around - store.around[i]
                    if reach < lower:
                        counts[1] += 1
                        lower, gap, found = reach, min(gap, reach), i
                    continue
                if primitive_gap(low, high, store, i) >= lower:
                    continue
                counts[1] += 1
                other = store.vertex[store.start[i] : store.start[i + 1]]
                far = np.sqrt(closest(core, len(core), other, len(other), witness, work))
                radii = around + store.around[i]
                unit(core, other, witness, far, n)
                lower = min(lower, flat_gap(core, other, n) - radii)
                if far - radii < gap:
                    gap, found = far - radii, i
            continue
        left, other_child = node + 1, store.right[node]
        near = box_gap(low, high, store.low[left], store.high[left])
        further = box_gap(low, high, store.low[other_child], store.high[other_child])
        if near <= further:
            stack[depth], apart[depth], stack[depth + 1], apart[depth + 1] = other_child, further, left, near
        else:
            stack[depth], apart[depth], stack[depth + 1], apart[depth + 1] = left, near, other_child, further
        depth += 2
    return lower, gap, found


@compiled
def nearest_between(store, first, count, root, search):  # type: ignore[no-untyped-def]
    """Least gap between store primitives first .. first + count and the body at `root`: (proven lower bound, i, j)."""
    i_best, j_best, lower, gap = -1, -1, np.inf, np.inf
    for i in range(first, first + count):
        core = store.vertex[store.start[i] : store.start[i + 1]]
        bound, seen, j = nearest(store, core, store.around[i], root, gap, search)
        lower = min(lower, bound)
        if j >= 0:
            gap, i_best, j_best = seen, i, j
    return lower, i_best, j_best


@compiled
def nearest_each(store, places, root, below, found, search):  # type: ignore[no-untyped-def]
    """Fill found (n,) with the gap of each place (n, 3) to the body at `root`, `below` where none is nearer."""
    for n in range(len(places)):
        found[n] = nearest(store, places[n : n + 1], 0.0, root, below, search)[0]
