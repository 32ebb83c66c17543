"""Owns what a question is, and the bound of one edge: the air between two groups of primitives, over a box of
parameters.

See `paths` for what the bound rests on.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.kernel.cache import compiled
from clearance.kernel.pairs import closest
from clearance.kernel.tree import box_gap

CANDIDATES = 160
"""Pairs of one edge that are bounded jointly; with more, the box is bounded edge by edge (looser, still sound) and
split."""

NOTHING = -(1 << 62)
"""Stands for no primitive."""


class Question(NamedTuple):
    """What is to be bounded.

    moving (groups, 2) range in run (m, 2) of each group's runs of moving primitives; roots (groups, 2) range in root
    (r,) of its trees; extent (groups,) the length [m] over which a group is crossed for nothing, infinite for a rigid
    body edge (edges, 2) groups; still (edges,) least gap between what stands still in both, still_pair (edges, 2) its
    primitives first, stop (chains,) range in step (k,) edges and flip (k,) whether the chain runs from the edge's
    second group to its first offset (chains,) [m]
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


@compiled
def pair_bound(store, moving, place, half, a, b, f, g, witness, work):  # type: ignore[no-untyped-def]
    """Bound the gap of one pair over the box.

    Fills f (corners,) and g (corners, p), the linear models of n.(a - b) less both radii, one per pair of corners.
    Returns (gap at the centre, lower bound over the box, remainder, corners).
    """
    corner, slope, _, _, bend = place
    size = len(half)
    links = moving.matters.shape[0] - 1
    if a >= 0:
        va, ca, ra, la = corner[a], moving.corners[a], moving.around[a], moving.link[a]
    else:
        va, ca, ra, la = store.vertices[-1 - a], store.corners[-1 - a], store.around[-1 - a], links
    if b >= 0:
        vb, cb, rb, lb = corner[b], moving.corners[b], moving.around[b], moving.link[b]
    else:
        vb, cb, rb, lb = store.vertices[-1 - b], store.corners[-1 - b], store.around[-1 - b], links
    apart = np.sqrt(closest(va, ca, vb, cb, witness, work))
    gap = apart - ra - rb
    if a < 0 and b < 0:
        f[0] = gap
        for p in range(size):
            g[0, p] = 0.0
        return gap, gap, 0.0, 1
    nx, ny, nz = witness[0, 0] - witness[1, 0], witness[0, 1] - witness[1, 1], witness[0, 2] - witness[1, 2]
    if not apart > 1e-9:
        nx, ny, nz = va[0, 0] - vb[0, 0], va[0, 1] - vb[0, 1], va[0, 2] - vb[0, 2]
    norm = np.sqrt(nx * nx + ny * ny + nz * nz)
    if norm > 0.0:
        nx, ny, nz = nx / norm, ny / norm, nz / norm
    else:
        nx, ny, nz = 0.0, 0.0, 1.0
    remainder = 0.0
    if a >= 0 and b >= 0:
        for i in range(size):
            for j in range(size):
                if moving.matters[la, lb, i] and moving.matters[la, lb, j]:
                    remainder += (moving.curvature[a, i, j] + moving.curvature[b, i, j]) * half[i] * half[j]
        remainder *= 0.5
    elif a >= 0:
        remainder = bend[a]
    else:
        remainder = bend[b]
    lower = np.inf
    count = 0
    for u in range(ca if a >= 0 else 1):
        for v in range(cb if b >= 0 else 1):
            if a >= 0:
                fa = nx * va[u, 0] + ny * va[u, 1] + nz * va[u, 2]
            else:
                fa = np.inf
                for w in range(ca):
                    fa = min(fa, nx * va[w, 0] + ny * va[w, 1] + nz * va[w, 2])
            if b >= 0:
                fb = nx * vb[v, 0] + ny * vb[v, 1] + nz * vb[v, 2]
            else:
                fb = -np.inf
                for w in range(cb):
                    fb = max(fb, nx * vb[w, 0] + ny * vb[w, 1] + nz * vb[w, 2])
            f[count] = fa - fb - ra - rb
            worst = f[count]
            for p in range(size):
                change = 0.0
                if moving.matters[la, lb, p]:
                    if a >= 0:
                        change += nx * slope[a, u, p, 0] + ny * slope[a, u, p, 1] + nz * slope[a, u, p, 2]
                    if b >= 0:
                        change -= nx * slope[b, v, p, 0] + ny * slope[b, v, p, 1] + nz * slope[b, v, p, 2]
                g[count, p] = change
                worst -= abs(change) * half[p]
            lower = min(lower, worst)
            count += 1
    return gap, lower - remainder, remainder, count


@compiled
def _consider(store, moving, place, half, a, b, keep, floor, state, kept, rows):  # type: ignore[no-untyped-def]
    """Bound one pair; keep it as a candidate, or update the edge's least bound. True when the edge need not be scanned
    on.

    state: [lower, upper, candidates, overflow, most candidates]; rows: [a and b of the lower bound, a and b of the
        upper]
    """
    pair, f, g, number, remainder, lowest, centre, witness, work = kept
    k = int(state[2])
    gap, lower, bent, count = pair_bound(store, moving, place, half, a, b, f[k], g[k], witness, work)
    if keep:
        if lower < state[0]:
            pair[k, 0], pair[k, 1] = a, b
            number[k], remainder[k], lowest[k], centre[k] = count, bent, lower, gap
            if k + 1 >= state[4]:
                state[3] = 1.0
                return True
            state[2] = k + 1
        return False
    if gap < state[1]:
        state[1] = gap
        rows[2], rows[3] = a, b
    if lower < state[0]:
        state[0] = lower
        rows[0], rows[1] = a, b
    return state[0] <= floor


@compiled
def _members(question, group, order):  # type: ignore[no-untyped-def]
    """Moving primitives of a group, in order, as a slice of the scratch array `order`."""
    count = 0
    for m in range(question.moving[group, 0], question.moving[group, 1]):
        for i in range(question.run[m, 0], question.run[m, 1]):
            order[count] = i
            count += 1
    return order[:count]


@compiled
def scan_edge(question, e, store, moving, place, half, keep, floor, state, kept, rows, stack):  # type: ignore[no-untyped-def]
    """Visit every pair of edge e whose boxes are nearer than state[0]: to lower it, or (keep) to collect the pairs
    below it."""
    _, _, low, high, _ = place
    box_low, box_high = np.empty(3), np.empty(3)
    order, other_order = np.empty(len(low), np.int64), np.empty(len(low), np.int64)
    for side in range(2):
        mine, other = question.edge[e, side], question.edge[e, 1 - side]
        for i in _members(question, mine, order):
            for r in range(question.roots[other, 0], question.roots[other, 1]):
                stack[0] = question.root[r]
                depth = 1
                while depth > 0:
                    depth -= 1
                    node = stack[depth]
                    if box_gap(low[i], high[i], store.low[node], store.high[node]) >= state[0]:
                        continue
                    if store.right[node] >= 0:
                        left, right = node + 1, store.right[node]
                        near = box_gap(low[i], high[i], store.low[left], store.high[left])
                        if near > box_gap(low[i], high[i], store.low[right], store.high[right]):
                            left, right = right, left
                        stack[depth], stack[depth + 1] = right, left
                        depth += 2
                        continue
                    for s in range(store.first[node], store.first[node] + store.count[node]):
                        v = store.vertices[s]
                        for k in range(3):
                            box_low[k] = min(v[0, k], min(v[1, k], v[2, k])) - store.around[s]
                            box_high[k] = max(v[0, k], max(v[1, k], v[2, k])) + store.around[s]
                        if box_gap(low[i], high[i], box_low, box_high) >= state[0]:
                            continue
                        a, b = (i, -1 - s) if side == 0 else (-1 - s, i)
                        if _consider(store, moving, place, half, a, b, keep, floor, state, kept, rows):
                            return
    first, second = question.edge[e, 0], question.edge[e, 1]
    for i in _members(question, first, order):
        for j in _members(question, second, other_order):
            # Boxes in the ground's frame bound the gap too loosely when both bodies ride on the same link, never
            # wrongly.
            if box_gap(low[i], high[i], low[j], high[j]) >= state[0]:
                continue
            if _consider(store, moving, place, half, i, j, keep, floor, state, kept, rows):
                return
    if question.still[e] < state[0]:
        a, b = question.still_pair[e, 0], question.still_pair[e, 1]
        _consider(store, moving, place, half, a, b, keep, floor, state, kept, rows)
