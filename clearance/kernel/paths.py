"""Owns the bound that is this project's own: a sum of gaps along chains of bodies, over a whole box of parameters.

A question is a list of chains; a chain is a list of edges; an edge is the air between two groups of primitives. The
value of a chain at given parameters is the sum of its edges' gaps, none below zero, plus the chain's offset; the value
of the question is the least over its chains. `bound_batch` bounds that value over boxes from below, and finds values
from above.

For one pair of primitives take the unit direction n between their closest points at the centre of the box. For any
corner a of the one and b of the other, n.(a - b) is at least what its linear model gives at the worst corner of the
box, less a bound of the second-order remainder; the least of these over all corners, less both radii, is a lower bound
of the gap everywhere in the box, whatever unit n was taken. Along a chain the linear models are added before the worst
corner is taken: a body between two others moves away from one as it nears the other. See DEVELOPERS.md, "Why the bound
holds".
"""

from __future__ import annotations

import numpy as np

from clearance.kernel.cache import compiled
from clearance.kernel.chain import place_moving, pose_links
from clearance.kernel.edges import CANDIDATES, NOTHING, pair_bound, scan_edge
from clearance.kernel.pairs import closest
from clearance.kernel.tree import DEPTH

LONGEST = 8
"""Edges in a chain; more are refused by the caller."""

COMBINATIONS = 20000
"""Combinations of pairs along one chain that are bounded jointly; beyond, as above."""

MORE = 10
"""Times as many of both along a chain through a limited body: there the joint bound is the only one that closes."""


@compiled
def _gap_at(store, moving, frames, q, a, b, scratch):  # type: ignore[no-untyped-def]
    """Gap of one pair at parameters whose links are posed in `frames`."""
    va, vb, witness, work = scratch
    rotation, translation = frames[0], frames[1]
    around = 0.0
    for side in range(2):
        name, v = (a, va) if side == 0 else (b, vb)
        if name < 0:
            for c in range(3):
                for k in range(3):
                    v[c, k] = store.vertices[-1 - name, c, k]
            around += store.around[-1 - name]
            continue
        r, t, rated = rotation[moving.link[name]], translation[moving.link[name]], moving.rated[name]
        for c in range(3):
            x, y, z = moving.vertices[name, c, 0], moving.vertices[name, c, 1], moving.vertices[name, c, 2]
            if rated >= 0:
                x += moving.rate[name, c, 0] * q[rated]
                y += moving.rate[name, c, 1] * q[rated]
                z += moving.rate[name, c, 2] * q[rated]
            for k in range(3):
                v[c, k] = t[k] + r[k, 0] * x + r[k, 1] * y + r[k, 2] * z
        around += moving.around[name]
    corners_a = moving.corners[a] if a >= 0 else store.corners[-1 - a]
    corners_b = moving.corners[b] if b >= 0 else store.corners[-1 - b]
    return np.sqrt(closest(va, corners_a, vb, corners_b, witness, work)) - around


@compiled
def _chain_at(question, store, moving, frames, q, chain, pairs, scratch):  # type: ignore[no-untyped-def]
    """Value of one chain through the named pairs, at posed parameters: an upper bound of the question there."""
    first, steps = question.first[chain], question.stop[chain] - question.first[chain]
    total, across = 0.0, 0.0
    for k in range(steps):
        total += max(0.0, _gap_at(store, moving, frames, q, pairs[k, 0], pairs[k, 1], scratch))
    value = total
    for k in range(steps - 1):
        e, flip = question.step[first + k], question.flip[first + k]
        extent = question.extent[question.edge[e, 0] if flip else question.edge[e, 1]]
        if extent < np.inf:
            start = pairs[k, 1] if flip else pairs[k, 0]
            end = pairs[k + 1, 0] if question.flip[first + k + 1] else pairs[k + 1, 1]
            across = _gap_at(store, moving, frames, q, start, end, scratch) - extent
            for j in range(steps):
                if j != k and j != k + 1:
                    across += max(0.0, _gap_at(store, moving, frames, q, pairs[j, 0], pairs[j, 1], scratch))
            value = max(value, across)
    return value + question.offset[chain]


@compiled
def _bound_chain(question, chain, store, moving, place, half, least, threshold, kepts, kept_across, tried, best):  # type: ignore[no-untyped-def]
    """Bound one chain jointly over its candidate pairs. Returns its lower bound; fills `best` with the worst
    combination.

    least (edges,): each edge's lower bound; tried: (state, rows, stack, index, spot)
    best: (pairs (k, 2), gradient (p,), found (1,))
    """
    state, rows, stack, index, spot = tried
    size = len(half)
    first = question.first[chain]
    steps = question.stop[chain] - first
    total = question.offset[chain]
    for k in range(steps):
        total += max(0.0, least[question.step[first + k]])
    number = np.empty(LONGEST, np.int64)
    combinations = 1
    more = 1
    for k in range(steps - 1):
        e = question.step[first + k]
        if question.extent[question.edge[e, 0] if question.flip[first + k] else question.edge[e, 1]] < np.inf:
            more = MORE
    state[4] = CANDIDATES * more
    best[2][0] = 0.0
    for k in range(steps):
        e = question.step[first + k]
        state[0] = threshold - (total - max(0.0, least[e]))
        state[1], state[2], state[3] = np.inf, 0.0, 0.0
        scan_edge(question, e, store, moving, place, half, True, -np.inf, state, kepts[k], rows, stack)
        number[k] = int(state[2])
        combinations *= number[k]
        if state[3] > 0.0 or combinations > COMBINATIONS * more:
            return total
        if number[k] == 0:
            return threshold
    lowest_value, least_apart = threshold, threshold
    slope = np.empty(size)
    steepest = np.empty(size)
    for k in range(steps):
        index[k] = 0
    while True:
        apart, inside = question.offset[chain], 0
        for k in range(steps):
            apart += max(0.0, kepts[k][5][index[k]])
        if apart < lowest_value:
            # The joint bound takes the edges that are open at the centre; the others count as nothing, which is sound.
            bent, corners = 0.0, 1
            for k in range(steps):
                spot[k] = 0
                if kepts[k][6][index[k]] > 0.0:
                    bent += kepts[k][4][index[k]]
                    corners *= kepts[k][3][index[k]]
                    inside += 1
            joint = -np.inf
            if inside > 0:
                joint = np.inf
                for _ in range(corners):
                    value = question.offset[chain] - bent
                    for p in range(size):
                        slope[p] = 0.0
                    for k in range(steps):
                        if kepts[k][6][index[k]] > 0.0:
                            value += kepts[k][1][index[k], spot[k]]
                            for p in range(size):
                                slope[p] += kepts[k][2][index[k], spot[k], p]
                    for p in range(size):
                        value -= abs(slope[p]) * half[p]
                    if value < joint:
                        joint = value
                        for p in range(size):
                            steepest[p] = slope[p]
                    for k in range(steps):
                        if kepts[k][6][index[k]] > 0.0:
                            spot[k] += 1
                            if spot[k] < kepts[k][3][index[k]]:
                                break
                            spot[k] = 0
            value = max(apart, joint)
            for k in range(steps - 1):
                e, flip = question.step[first + k], question.flip[first + k]
                extent = question.extent[question.edge[e, 0] if flip else question.edge[e, 1]]
                if extent < np.inf and value < lowest_value:
                    pair_in, pair_out = kepts[k][0], kepts[k + 1][0]
                    start = pair_in[index[k], 1] if flip else pair_in[index[k], 0]
                    end = pair_out[index[k + 1], 0] if question.flip[first + k + 1] else pair_out[index[k + 1], 1]
                    _, across, _, _ = pair_bound(
                        store,
                        moving,
                        place,
                        half,
                        start,
                        end,
                        kept_across[1][0],
                        kept_across[2][0],
                        kept_across[7],
                        kept_across[8],
                    )
                    across += question.offset[chain] - extent
                    for j in range(steps):
                        if j != k and j != k + 1:
                            across += max(0.0, kepts[j][5][index[j]])
                    value = max(value, across)
            # Of several that are bounded alike, by what stands on both sides of a limited body, the one with the least
            # air along the chain: it is the likeliest to attain the bound.
            if value < lowest_value or (value == lowest_value and apart < least_apart):
                lowest_value, least_apart = value, apart
                best[2][0] = 1.0
                for k in range(steps):
                    best[0][k, 0], best[0][k, 1] = kepts[k][0][index[k], 0], kepts[k][0][index[k], 1]
                for p in range(size):
                    best[1][p] = steepest[p] if inside > 0 else 0.0
        k = 0
        while k < steps:
            index[k] += 1
            if index[k] < number[k]:
                break
            index[k] = 0
            k += 1
        if k == steps:
            return lowest_value


@compiled
def bound_batch(question, store, moving, chain, low, high, inherited, known, rounding, found):  # type: ignore[no-untyped-def]
    """Bound the question over boxes low, high (n, p), each with a lower bound it inherits from the box it came from.

    known: the least value witnessed so far; rounding [m]: what floating point may have added to one edge's bound
    found: (lower (n,), upper (n,), at (n, p) where the upper bound is attained, split (n,) the parameter to split
        along, through (n,) the chain, pairs (n, LONGEST, 2) the primitives of the value at `at`), all filled
    """
    lower, upper, at, split, through, pairs = found
    size, count, links, edges = low.shape[1], len(moving.corners), len(chain.first), len(question.still)
    place = (
        np.empty((count, 3, 3)),
        np.empty((count, 3, size, 3)),
        np.empty((count, 3)),
        np.empty((count, 3)),
        np.empty(count),
    )
    frames = (np.empty((links, 3, 3)), np.empty((links, 3)), np.empty((links, size, 3)), np.empty((links, size, 3)))
    scratch = (np.empty((3, 3)), np.empty((3, 3)), np.empty((2, 3)), np.empty((3, 3)))
    longest, lowest_offset = 1, 0.0
    for c in range(len(question.first)):
        longest = max(longest, question.stop[c] - question.first[c])
        lowest_offset = min(lowest_offset, question.offset[c])
    most = CANDIDATES * MORE  # memory that is not touched costs nothing
    kepts = [
        (
            np.empty((most, 2), np.int64),
            np.empty((most, 9)),
            np.empty((most, 9, size)),
            np.empty(most, np.int64),
            np.empty(most),
            np.empty(most),
            np.empty(most),
            np.empty((2, 3)),
            np.empty((3, 3)),
        )
        for _ in range(longest)
    ]
    kept_across = (
        np.empty((1, 2), np.int64),
        np.empty((1, 9)),
        np.empty((1, 9, size)),
        np.empty(1, np.int64),
        np.empty(1),
        np.empty(1),
        np.empty(1),
        np.empty((2, 3)),
        np.empty((3, 3)),
    )
    tried = (
        np.empty(5),
        np.empty(4, np.int64),
        np.empty(DEPTH, np.int64),
        np.empty(LONGEST, np.int64),
        np.empty(LONGEST, np.int64),
    )
    state, rows, stack, _, _ = tried
    best = (np.empty((LONGEST, 2), np.int64), np.empty(size), np.empty(1))
    least, nearest = np.empty(edges), np.empty(edges)
    least_pair, nearest_pair = np.empty((edges, 2), np.int64), np.empty((edges, 2), np.int64)
    centre, half, weight, corner = np.empty(size), np.empty(size), np.empty(size), np.empty(size)
    worst_pairs, worst_gradient = np.empty((LONGEST, 2), np.int64), np.empty(size)
    for n in range(len(low)):
        for p in range(size):
            centre[p] = 0.5 * (low[n, p] + high[n, p])
            half[p] = max(high[n, p] - centre[p], centre[p] - low[n, p])
        place_moving(chain, moving, centre, half, *place, frames)
        for e in range(edges):
            least[e] = np.nan
        for p in range(size):
            at[n, p] = centre[p]
        floor_value = np.inf
        value_above, chain_above, worst, worst_chain, joint_known = np.inf, -1, np.inf, -1, False
        for c in range(len(question.first)):
            first, stop = question.first[c], question.stop[c]
            single = stop - first == 1
            total, above = question.offset[c], question.offset[c]
            for k in range(first, stop):
                e = question.step[k]
                if np.isnan(least[e]):
                    state[0], state[1], state[2], state[3] = known - lowest_offset, np.inf, 0.0, 0.0
                    for x in range(4):
                        rows[x] = NOTHING
                    floor = 0.0
                    if single and len(question.first) == 1:
                        floor = max(0.0, inherited[n] - question.offset[c])
                    scan_edge(question, e, store, moving, place, half, False, floor, state, kepts[0], rows, stack)
                    least[e], nearest[e] = state[0], state[1]
                    least_pair[e, 0], least_pair[e, 1], nearest_pair[e, 0], nearest_pair[e, 1] = (
                        rows[0],
                        rows[1],
                        rows[2],
                        rows[3],
                    )
                total += max(0.0, least[e])
                above += max(0.0, nearest[e])
            bounded = total
            seen, limited = True, False
            for k in range(first, stop):
                seen = seen and least_pair[question.step[k], 0] != NOTHING
            if not seen or total >= known:
                # Nothing of this chain comes below what is known already.
                floor_value = min(floor_value, min(total, known))
                continue
            for k in range(first, stop - 1):
                e = question.step[k]
                middle = question.edge[e, 0] if question.flip[k] else question.edge[e, 1]
                limited = limited or question.extent[middle] < np.inf
            joined = False
            if not single:
                bounded = _bound_chain(
                    question, c, store, moving, place, half, least, known, kepts, kept_across, tried, best
                )
                joined = best[2][0] > 0.0
                if bounded >= known:
                    floor_value = min(floor_value, known)
                    continue
            if bounded < worst:
                worst, worst_chain, joint_known = bounded, c, joined
                for k in range(stop - first):
                    e = question.step[first + k]
                    if joined:
                        worst_pairs[k, 0], worst_pairs[k, 1] = best[0][k, 0], best[0][k, 1]
                    else:
                        worst_pairs[k, 0], worst_pairs[k, 1] = least_pair[e, 0], least_pair[e, 1]
                for p in range(size):
                    worst_gradient[p] = best[1][p] if joined else 0.0
            # A value from above at the centre: along this chain's nearest pairs (through a limited body, evaluated
            # below).
            if above < value_above and not limited:
                value_above, chain_above = above, c
                for p in range(size):
                    at[n, p] = centre[p]
                for k in range(stop - first):
                    e = question.step[first + k]
                    pairs[n, k, 0], pairs[n, k, 1] = nearest_pair[e, 0], nearest_pair[e, 1]
        lower[n] = max(inherited[n], min(worst, floor_value) - rounding * longest)
        # Which parameter matters most, and the linear model's worst corner.
        for p in range(size):
            weight[p] = 0.0
        if worst_chain >= 0:
            steps = question.stop[worst_chain] - question.first[worst_chain]
            for k in range(steps):
                a, b = worst_pairs[k, 0], worst_pairs[k, 1]
                if not joint_known:
                    _, _, _, corners = pair_bound(
                        store,
                        moving,
                        place,
                        half,
                        a,
                        b,
                        kept_across[1][0],
                        kept_across[2][0],
                        kept_across[7],
                        kept_across[8],
                    )
                    lowest, chosen = np.inf, 0
                    for v in range(corners):
                        value = kept_across[1][0, v]
                        for p in range(size):
                            value -= abs(kept_across[2][0, v, p]) * half[p]
                        if value < lowest:
                            lowest, chosen = value, v
                    for p in range(size):
                        worst_gradient[p] += kept_across[2][0, chosen, p]
                        weight[p] += abs(kept_across[2][0, chosen, p]) * half[p]
                for side in range(2):
                    name = a if side == 0 else b
                    if name >= 0:
                        for p in range(size):
                            for j in range(size):
                                weight[p] += 0.5 * moving.curvature[name, p, j] * half[p] * half[j]
            if joint_known:
                for p in range(size):
                    weight[p] += abs(worst_gradient[p]) * half[p]
            for turn in range(2):
                # First the worst corner, then (only a chain through a limited body needs it) the centre.
                for p in range(size):
                    corner[p] = centre[p]
                    if turn == 0 and worst_gradient[p] > 0.0:
                        corner[p] = low[n, p]
                    if turn == 0 and worst_gradient[p] < 0.0:
                        corner[p] = high[n, p]
                pose_links(chain, corner, *frames)
                value = _chain_at(question, store, moving, frames, corner, worst_chain, worst_pairs, scratch)
                if value < value_above:
                    value_above, chain_above = value, worst_chain
                    for p in range(size):
                        at[n, p] = corner[p]
                    for k in range(steps):
                        pairs[n, k, 0], pairs[n, k, 1] = worst_pairs[k, 0], worst_pairs[k, 1]
        widest, chosen = -1.0, 0
        for p in range(size):
            if weight[p] > widest:
                widest, chosen = weight[p], p
        if not widest > 0.0:
            for p in range(size):
                if half[p] > half[chosen]:
                    chosen = p
        split[n], upper[n], through[n] = chosen, value_above, chain_above
