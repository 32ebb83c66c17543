"""Owns an edge, the air between two groups of primitives, over one box of parameters.

`scan` finds the least bound and the least gap at the centre; `collect` finds linear forms that together bound every
pair whose gap may come below a threshold, clouds of primitives that stand still by nodes of their tree where that is
fine enough.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.kernel.bounds import SWEPT, node_forms, pair_forms
from clearance.kernel.cache import inner, spliced
from clearance.kernel.tree import DEPTH, LEAF, box_gap, primitive_gap

ENTRIES = 2048
"""Pairs of a moving primitive and a node that one edge may be refined to."""

REFINED = 128
"""More such pairs than roots, or twice as many rows of single primitives, after which nodes are refined no further."""

ROWS = 8192
"""Forms of one edge; with more, the box is bounded edge by edge (looser, still sound) and split."""

NOTHING = -(1 << 62)
"""Stands for no primitive."""


class Question(NamedTuple):
    """What is to be bounded.

    moving (groups, 2) range in run (m, 2) of each group's runs of moving primitives
    roots (groups, 2) range in root (r,) of its trees
    extent (groups,) the length [m] over which a group is crossed for nothing, infinite for a rigid body
    edge (edges, 2) groups
    still (edges,) bound of the gap between what stands still in both, still_pair (edges, 2) its primitives
    first, stop (chains,) range in step (k,), the chain's edges, and in flip (k,), whether it runs through the edge from
        its second group to its first
    offset (chains,) [m]
    Primitives are named by one integer: i >= 0 the i-th moving one, -1 - s the s-th of the store.
    """

    moving: NDArray[np.int64]
    run: NDArray[np.int64]
    roots: NDArray[np.int64]
    root: NDArray[np.int64]
    extent: NDArray[np.float64]
    edge: NDArray[np.int64]
    still: NDArray[np.float64]
    still_pair: NDArray[np.int64]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    step: NDArray[np.int64]
    flip: NDArray[np.bool_]
    offset: NDArray[np.float64]


class Entries(NamedTuple):
    """Pairs of a moving primitive and a node: which, from which side of the edge, bound and looseness; and a
    traversal's stack."""

    primitive: NDArray[np.int64]
    node: NDArray[np.int64]
    side: NDArray[np.int64]
    bound: NDArray[np.float64]
    loose: NDArray[np.float64]
    stack: NDArray[np.int64]


def new_entries() -> Entries:
    """Room for the entries of one edge."""
    return Entries(
        np.empty(ENTRIES, np.int64), np.empty(ENTRIES, np.int64), np.empty(ENTRIES, np.int64), np.empty(ENTRIES),
        np.empty(ENTRIES), np.empty(2 * DEPTH, np.int64),
    )  # fmt: skip


@inner
def _to_node(place, i, store, node):  # type: ignore[no-untyped-def]
    """Distance between the boxes of moving primitive i and of a node."""
    return box_gap(place.low[i], place.high[i], store.low[node], store.high[node])


@inner
def _to_moving(place, i, j):  # type: ignore[no-untyped-def]
    return box_gap(place.low[i], place.high[i], place.low[j], place.high[j])


@inner
def _run_to_node(boxes, m, store, node):  # type: ignore[no-untyped-def]
    return box_gap(boxes[0, m], boxes[1, m], store.low[node], store.high[node])


@inner
def _run_to_run(boxes, m, r):  # type: ignore[no-untyped-def]
    return box_gap(boxes[0, m], boxes[1, m], boxes[0, r], boxes[1, r])


@spliced
def box_runs(question, place, boxes):  # type: ignore[no-untyped-def]
    """Fill boxes (2, m, 3) with the lowest and highest corner of every run of moving primitives."""
    for m in range(len(question.run)):
        for k in range(3):
            lo, hi = np.inf, -np.inf
            for i in range(question.run[m, 0], question.run[m, 1]):
                lo, hi = min(lo, place.low[i, k]), max(hi, place.high[i, k])
            boxes[0, m, k], boxes[1, m, k] = lo, hi


@inner
def _see(gap, lower, a, b, state, rows):  # type: ignore[no-untyped-def]
    if gap < state[1]:
        state[1] = gap
        rows[2], rows[3] = a, b
    if lower < state[0]:
        state[0] = lower
        rows[0], rows[1] = a, b


@inner
def _push(entries, n, key, primitive, node, side):  # type: ignore[no-untyped-def]
    """Add one entry to a binary heap of n, ordered by key; returns how many there are."""
    child = n
    while child > 0:
        parent = (child - 1) // 2
        if not key < entries.bound[parent]:
            break
        _move(entries, parent, child)
        child = parent
    entries.bound[child], entries.primitive[child] = key, primitive
    entries.node[child], entries.side[child] = node, side
    return n + 1


@inner
def _pop(entries, n):  # type: ignore[no-untyped-def]
    """Take the first entry off a heap of n, whose last one fills its place; returns how many are left."""
    last = n - 1
    key = entries.bound[last]
    parent = 0
    while True:
        child = 2 * parent + 1
        if child + 1 < last and entries.bound[child + 1] < entries.bound[child]:
            child += 1
        if child >= last or not entries.bound[child] < key:
            break
        _move(entries, child, parent)
        parent = child
    _move(entries, last, parent)
    return last


@inner
def _move(entries, source, to):  # type: ignore[no-untyped-def]
    entries.bound[to], entries.primitive[to] = entries.bound[source], entries.primitive[source]
    entries.node[to], entries.side[to] = entries.node[source], entries.side[source]


@inner
def _measure(store, moving, place, half, a, b, state, rows, forms, scratch):  # type: ignore[no-untyped-def]
    """See the pair of primitives a and b."""
    state[2] += 1.0
    gap, lower, _ = pair_forms(store, moving, place, half, a, b, SWEPT, forms, np.int64(0), scratch)
    _see(gap, lower, a, b, state, rows)


@inner
def _pair(i, s, side):  # type: ignore[no-untyped-def]
    """Names of moving primitive i and primitive s of the store, on the sides where they are."""
    return (i, -1 - s) if side == 0 else (-1 - s, i)


@inner
def _descend(store, moving, place, half, i, root, side, floor, state, rows, forms, entries, scratch):  # type: ignore[no-untyped-def]
    """See all under one node, depth first: slower than by a heap, in room that is bounded."""
    stack = entries.stack
    stack[0] = root
    depth = 1
    while depth > 0 and state[0] > floor:
        depth -= 1
        node = stack[depth]
        if _to_node(place, i, store, node) >= state[0]:
            continue
        if store.right[node] >= 0:
            stack[depth], stack[depth + 1] = store.right[node], node + 1
            depth += 2
            continue
        for s in range(store.first[node], store.first[node] + store.number[node]):
            if primitive_gap(place.low[i], place.high[i], store, s) < state[0]:
                a, b = _pair(i, s, side)
                _measure(store, moving, place, half, a, b, state, rows, forms, scratch)


@spliced
def _scan_still(question, e, store, moving, place, boxes, half, floor, state, rows, forms, entries, scratch):  # type: ignore[no-untyped-def]
    """`scan` of what moves against what stands still: nodes and pairs by the distance of their boxes, the nearest
    first, so that hardly a pair is measured whose boxes are further apart than the answer.

    Entries stand for a run and a root (primitive -1 - run), a moving primitive and a node, or one and a single
    primitive of the store (node -1 - primitive).
    """
    n: int = np.int64(0)  # type: ignore[assignment]
    for side in range(2):
        mine, other = question.edge[e, side], question.edge[e, 1 - side]
        for m in range(question.moving[mine, 0], question.moving[mine, 1]):
            for r in range(question.roots[other, 0], question.roots[other, 1]):
                key = _run_to_node(boxes, m, store, question.root[r])
                if key < state[0]:
                    if n < ENTRIES - LEAF:
                        n = _push(entries, n, key, np.int64(-1 - m), np.int64(question.root[r]), np.int64(side))
                    else:
                        for i in range(question.run[m, 0], question.run[m, 1]):
                            _descend(
                                store, moving, place, half, i, question.root[r], side, floor, state, rows, forms,
                                entries, scratch,
                            )  # fmt: skip
    while n > 0 and entries.bound[0] < state[0] and state[0] > floor:
        i, node, side = entries.primitive[0], entries.node[0], entries.side[0]
        n = _pop(entries, n)
        if i < 0:
            m = -1 - i
            for i in range(question.run[m, 0], question.run[m, 1]):
                key = _to_node(place, i, store, node)
                if key < state[0]:
                    if n < ENTRIES - LEAF:
                        n = _push(entries, n, key, np.int64(i), node, side)
                    else:
                        _descend(store, moving, place, half, i, node, side, floor, state, rows, forms, entries, scratch)
        elif node < 0:
            a, b = _pair(i, -1 - node, side)
            _measure(store, moving, place, half, a, b, state, rows, forms, scratch)
        elif n >= ENTRIES - LEAF:
            _descend(store, moving, place, half, i, node, side, floor, state, rows, forms, entries, scratch)
        elif store.right[node] < 0:
            for s in range(store.first[node], store.first[node] + store.number[node]):
                key = primitive_gap(place.low[i], place.high[i], store, s)
                if key < state[0]:
                    n = _push(entries, n, key, i, np.int64(-1 - s), side)
        else:
            for child in (node + 1, np.int64(store.right[node])):
                key = _to_node(place, i, store, child)
                if key < state[0]:
                    n = _push(entries, n, key, i, child, side)


@inner
def scan(question, e, store, moving, place, boxes, half, floor, state, rows, forms, entries, scratch):  # type: ignore[no-untyped-def]
    """Lower state[0] to the least bound of edge e over the box, state[1] to the least gap at the centre.

    What is not below state[0] as it comes is not looked at, and nothing more once state[0] is down to `floor`;
    state[2] counts the pairs that are.
    rows: the primitives of the lower bound, then of the gap; boxes: of the runs
    """
    _scan_still(question, e, store, moving, place, boxes, half, floor, state, rows, forms, entries, scratch)
    if state[0] <= floor:
        return
    one, other = question.edge[e, 0], question.edge[e, 1]
    for m in range(question.moving[one, 0], question.moving[one, 1]):
        for r in range(question.moving[other, 0], question.moving[other, 1]):
            # Boxes in the ground's frame bound the gap too loosely when both bodies ride on the same link, never
            # wrongly.
            if _run_to_run(boxes, m, r) >= state[0]:
                continue
            for i in range(question.run[m, 0], question.run[m, 1]):
                if box_gap(place.low[i], place.high[i], boxes[0, r], boxes[1, r]) >= state[0]:
                    continue
                for j in range(question.run[r, 0], question.run[r, 1]):
                    if _to_moving(place, i, j) >= state[0]:
                        continue
                    _measure(store, moving, place, half, i, j, state, rows, forms, scratch)
                    if state[0] <= floor:
                        return
    if question.still[e] < state[0]:
        a, b = question.still_pair[e, 0], question.still_pair[e, 1]
        gap, lower, _ = pair_forms(store, moving, place, half, a, b, SWEPT, forms, np.int64(0), scratch)
        _see(gap, min(lower, question.still[e]), a, b, state, rows)


@inner
def _enter(store, moving, place, half, i, node, side, threshold, entries, n, forms, k, scratch):  # type: ignore[no-untyped-def]
    """Add (i, node) to the entries if it may come below the threshold; returns the new number of entries."""
    if _to_node(place, i, store, node) >= threshold:
        return n
    bound, loose = node_forms(store, moving, place, half, i, node, forms, k, scratch.n)
    if bound < threshold:
        entries.primitive[n], entries.node[n], entries.side[n] = i, node, side
        entries.bound[n], entries.loose[n] = bound, loose
        return n + 1
    return n


@spliced
def collect(question, e, store, moving, place, boxes, half, threshold, single, forms, entries, scratch):  # type: ignore[no-untyped-def]
    """Fill forms that bound every pair of edge e whose gap may come below the threshold; returns how many, -1 with too
    many.

    single: only forms of single pairs are wanted (but what stands still on both sides is one pair, the nearest)
    """
    # Typed, so that compiled code is not made twice, for a constant and for a variable.
    n: int = np.int64(0)  # type: ignore[assignment]
    k: int = np.int64(0)  # type: ignore[assignment]
    for side in range(2):
        mine, other = question.edge[e, side], question.edge[e, 1 - side]
        for m in range(question.moving[mine, 0], question.moving[mine, 1]):
            for r in range(question.roots[other, 0], question.roots[other, 1]):
                root = question.root[r]
                if _run_to_node(boxes, m, store, root) >= threshold:
                    continue
                for i in range(question.run[m, 0], question.run[m, 1]):
                    if n >= ENTRIES:
                        return -1
                    n = _enter(store, moving, place, half, i, root, side, threshold, entries, n, forms, k, scratch)
    most = n + REFINED
    while n > 0:
        worst = n - 1
        if single:
            if n >= ENTRIES - 1 or k > ROWS - 18 - 3 * LEAF:
                return -1
        elif n >= min(most, ENTRIES - 1) or k >= 2 * REFINED:
            break
        else:
            # Refine what bounds worst, while it is loose.
            worst = -1
            for c in range(n):
                if entries.loose[c] > 0.0 and (worst < 0 or entries.bound[c] < entries.bound[worst]):
                    worst = c
            if worst < 0:
                break
        i, node, side = entries.primitive[worst], entries.node[worst], entries.side[worst]
        n -= 1
        entries.primitive[worst], entries.node[worst] = entries.primitive[n], entries.node[n]
        entries.side[worst], entries.bound[worst] = entries.side[n], entries.bound[n]
        entries.loose[worst] = entries.loose[n]
        if store.right[node] >= 0:
            n = _enter(store, moving, place, half, i, node + 1, side, threshold, entries, n, forms, k, scratch)
            other_child = np.int64(store.right[node])
            n = _enter(store, moving, place, half, i, other_child, side, threshold, entries, n, forms, k, scratch)
            continue
        for s in range(store.first[node], store.first[node] + store.number[node]):
            if primitive_gap(place.low[i], place.high[i], store, s) < threshold:
                a, b = _pair(i, s, side)
                _, lower, rows = pair_forms(store, moving, place, half, a, b, SWEPT, forms, k, scratch)
                if lower < threshold:
                    k += rows
    for c in range(n):
        if k > ROWS - 18:
            return -1
        i, node, corners = entries.primitive[c], entries.node[c], moving.corners[entries.primitive[c]]
        bound, _ = node_forms(store, moving, place, half, i, node, forms, k, scratch.n)
        rows = corners
        if not bound > -np.inf:
            # No direction parts the two: the node counts as touching.
            rows = 1
            forms.value[k], forms.worst[k], forms.slope[k] = 0.0, 0.0, 0.0
        # A primitive stands for the node: some value from above, and what to split along.
        while store.right[node] >= 0:
            node += 1
        s = -1 - store.first[node]
        for row in range(k, k + rows):
            forms.name[row, 0], forms.name[row, 1] = (i, s) if entries.side[c] == 0 else (s, i)
        k += rows
    one, other = question.edge[e, 0], question.edge[e, 1]
    for m in range(question.moving[one, 0], question.moving[one, 1]):
        for r in range(question.moving[other, 0], question.moving[other, 1]):
            if _run_to_run(boxes, m, r) >= threshold:
                continue
            for i in range(question.run[m, 0], question.run[m, 1]):
                for j in range(question.run[r, 0], question.run[r, 1]):
                    if _to_moving(place, i, j) < threshold:
                        if k > ROWS - 18:
                            return -1
                        _, lower, rows = pair_forms(store, moving, place, half, i, j, SWEPT, forms, k, scratch)
                        if lower < threshold:
                            k += rows
    if question.still[e] < threshold:
        if k > ROWS - 18:
            return -1
        a, b = question.still_pair[e, 0], question.still_pair[e, 1]
        pair_forms(store, moving, place, half, a, b, SWEPT, forms, k, scratch)
        # All pairs that stand still: the least of them.
        forms.value[k] = forms.worst[k] = min(forms.value[k], question.still[e])
        k += 1
    return k
