"""Owns the bound that is this project's own: a sum of gaps along chains of bodies, over a whole box of parameters.

A question (`edges.Question`) is a list of chains; a chain is a list of edges; an edge is the air between two groups of
primitives. The value of a chain at given parameters is the sum of its edges' gaps, none below zero, plus the chain's
offset; the value of the question is the least over its chains. `bound_batch` encloses that value over boxes from
below, and finds values from above.

Along a chain the linear forms (`bounds`) are added before the worst corner is taken: a body between two others moves
away from one as it nears the other. See DEVELOPERS.md, "Why the bound holds".
"""

from __future__ import annotations

import numpy as np

from clearance.kernel.bounds import CENTRE, COARSE, SWEPT, forms_of, pair_forms
from clearance.kernel.cache import compiled, inner, spliced
from clearance.kernel.chain import place_moving, pose_links
from clearance.kernel.edges import NOTHING, box_runs, collect, scan
from clearance.kernel.room import MEMORY
from clearance.kernel.values import chain_at, ends, extent_after, is_limited

COMBINATIONS = 20000
"""Combinations of forms along one chain that are bounded jointly; beyond, the box is bounded edge by edge and split."""

MERGE = 16
"""Forms of an edge that the others are compared with, to leave out what is undercut."""

MORE = 10
"""Times as many along a chain through a limited body: there the joint bound is the only one that closes."""


@spliced
def _rank(forms, number, half, order, merge):  # type: ignore[no-untyped-def]
    """Order forms by their worst, none below zero; with `merge` leave out those that another undercuts everywhere.

    A form that is not above zero at the centre becomes nothing: a gap counts as at least zero. Returns how many are
    left.
    """
    size = len(half)
    for row in range(number):
        forms.worst[row] = max(0.0, forms.worst[row])
        if not forms.value[row] > 0.0:
            forms.value[row], forms.worst[row] = 0.0, 0.0
            for p in range(size):
                forms.slope[row, p] = 0.0
        order[row] = row
    step = 1
    while step < number:
        step = 3 * step + 1
    while step > 1:
        step //= 3
        for i in range(step, number):
            row = order[i]
            j = i
            while j >= step and (
                forms.worst[order[j - step]] > forms.worst[row]
                or (forms.worst[order[j - step]] == forms.worst[row] and order[j - step] > row)
            ):
                order[j] = order[j - step]
                j -= step
            order[j] = row
    if not merge:
        return number
    left = 0
    for i in range(number):
        row, under = order[i], False
        for k in range(min(left, MERGE)):
            other = order[k]
            uncertainty = forms.value[row] - forms.value[other]
            for p in range(size):
                uncertainty -= abs(forms.slope[row, p] - forms.slope[other, p]) * half[p]
                if uncertainty < 0.0:
                    break
            if uncertainty >= 0.0:
                under = True
                break
        if not under:
            order[left] = row
            left += 1
    return left


@spliced
def _across(store, moving, half, start, end, spare, room):  # type: ignore[no-untyped-def]
    """Bound of the way straight from one primitive to another, past the group between: many combinations ask for the
    same."""
    slot = (start * 73856093 ^ end * 19349663) & (MEMORY - 1)
    if room.memo[slot, 0] != start or room.memo[slot, 1] != end or room.memo[slot, 2] != room.found[1]:
        _, lower, _ = pair_forms(
            store, moving, room.place, half, start, end, SWEPT, forms_of(room.sets, spare), np.int64(0), room.scratch
        )
        room.memo[slot, 0], room.memo[slot, 1], room.memo[slot, 2] = start, end, room.found[1]
        room.known[slot] = lower
    return room.known[slot]


@inner
def _bound_chain(question, chain, store, moving, half, threshold, room):  # type: ignore[no-untyped-def]
    """Bound one chain jointly. Returns its lower bound, none above the threshold.

    Where a combination of forms is below the threshold, fills room.found, and with the worst one room.names[0], its
    summed slope vector[0], and the sum of its slopes without their signs vector[1].
    """
    sets, order, sums, slopes, least = room.sets, room.order, room.sums, room.slopes, room.bound[0]
    place, boxes, entries, scratch = room.place, room.boxes, room.entries, room.scratch
    size = len(half)
    first, steps = question.first[chain], question.stop[chain] - question.first[chain]
    room.found[0] = 0
    total, limited = question.offset[chain], is_limited(question, chain)
    for k in range(steps):
        total += max(0.0, least[question.step[first + k]])
    number = room.at[1]
    for k in range(steps):
        e = question.step[first + k]
        below = threshold - (total - max(0.0, least[e]))
        forms = forms_of(sets, k)
        number[k] = collect(question, e, store, moving, place, boxes, half, below, limited, forms, entries, scratch)
        if number[k] < 0:
            return total
        if number[k] == 0:
            return threshold
        number[k] = _rank(forms_of(sets, k), number[k], half, order[k], not limited)
    # sums[0]: least of what is still to come; sums[1], sums[2]: worst and value so far; slopes: likewise.
    sums[0, steps] = 0.0
    for k in range(steps - 1, -1, -1):
        sums[0, k] = sums[0, k + 1] + sets.worst[k, order[k, 0]]
    lowest, least_apart, most = threshold, threshold, COMBINATIONS * (MORE if limited else 1)
    at, tried, level, row = room.at[0], 0, 0, np.int64(0)
    at[0], sums[1, 0], sums[2, 0] = 0, question.offset[chain], question.offset[chain]
    for p in range(size):
        slopes[0, p] = 0.0
    while level >= 0:
        apart = np.inf
        if at[level] < number[level]:
            row = order[level, at[level]]
            apart = sums[1, level] + sets.worst[level, row]
        if apart + sums[0, level + 1] >= lowest:
            # Ordered by their worst: nothing further on this level comes below.
            level -= 1
            if level >= 0:
                at[level] += 1
            continue
        sums[1, level + 1], sums[2, level + 1] = apart, sums[2, level] + sets.value[level, row]
        for p in range(size):
            slopes[level + 1, p] = slopes[level, p] + sets.slope[level, row, p]
        if level + 1 < steps:
            level += 1
            at[level] = 0
            continue
        tried += 1
        if tried > most:
            room.found[0] = 0
            return total
        joint = sums[2, steps]
        for p in range(size):
            joint -= abs(slopes[steps, p]) * half[p]
        value = max(apart, joint)
        if limited and value < lowest:
            for k in range(steps - 1):
                extent = extent_after(question, first + k)
                if extent < np.inf:
                    into, out = sets.name[k, order[k, at[k]]], sets.name[k + 1, order[k + 1, at[k + 1]]]
                    start, end = ends(question, first + k, into[0], into[1], out[0], out[1])
                    across = _across(store, moving, half, start, end, steps, room)
                    across += question.offset[chain] - extent
                    for j in range(steps):
                        if j != k and j != k + 1:
                            across += sets.worst[j, order[j, at[j]]]
                    value = max(value, across)
        # Of several that are bounded alike, by what stands on both sides of a limited body, the one with the least air
        # along the chain: it is the likeliest to attain the bound.
        if value < lowest or (value == lowest and apart < least_apart):
            lowest, least_apart = value, apart
            room.found[0] = 1
            for k in range(steps):
                for side in range(2):
                    room.names[0, k, side] = sets.name[k, order[k, at[k]], side]
            for p in range(size):
                room.vector[0, p], room.vector[1, p] = slopes[steps, p], 0.0
                for k in range(steps):
                    room.vector[1, p] += abs(sets.slope[k, order[k, at[k]], p])
        at[level] += 1
    if lowest < total:
        # Nodes were too coarse: edge by edge is better.
        room.found[0] = 0
        return total
    return lowest


@spliced
def _add_worst(store, moving, place, half, pair, swept, forms, gradient, spread, scratch):  # type: ignore[no-untyped-def]
    """Add the slope of a pair's worst form to the gradient, and its size to the spread."""
    _, _, rows = pair_forms(store, moving, place, half, pair[0], pair[1], swept, forms, np.int64(0), scratch)
    worst = 0
    for row in range(1, rows):
        if forms.worst[row] < forms.worst[worst]:
            worst = row
    for p in range(len(half)):
        gradient[p] += forms.slope[worst, p]
        spread[p] += abs(forms.slope[worst, p])


@compiled
def bound_batch(question, store, moving, chain, low, high, inherited, known, rounding, room, found):  # type: ignore[no-untyped-def]
    """Bound the question over boxes low, high (n, p), each with a lower bound it inherits from the box it came from.

    known: the least value witnessed so far; rounding [m]: what floating point may have added to one edge's bound
    room: `new_room`, for this call alone
    found: (lower (n,), upper (n,), at (n, p) where the upper bound is attained, split (n,) the parameter to split
        along, through (n,) the chain, pairs (n, LONGEST, 2) the primitives of the value at `at`), all filled
    """
    lower, upper, at, split, through, pairs = found
    place, boxes, scratch, state, rows = room.place, room.boxes, room.scratch, room.state, room.rows
    least, nearest, least_pair, nearest_pair = room.bound[0], room.bound[1], room.pair[0], room.pair[1]
    worst_gradient, gradient, spread = room.vector[2], room.vector[0], room.vector[1]
    centre, half, weight, corner = room.vector[3], room.vector[4], room.vector[5], room.vector[6]
    worst_pairs = room.names[1]
    size, edges, chains = low.shape[1], len(question.still), len(question.first)
    longest, lowest_offset = np.int64(1), 0.0
    for c in range(chains):
        longest = max(longest, question.stop[c] - question.first[c])
        lowest_offset = min(lowest_offset, question.offset[c])
    spare = forms_of(room.sets, longest)
    state[2] = 0.0
    for n in range(len(low)):
        for p in range(size):
            centre[p] = 0.5 * (low[n, p] + high[n, p])
            half[p] = max(high[n, p] - centre[p], centre[p] - low[n, p])
            at[n, p] = centre[p]
        place_moving(chain, moving, centre, half, place)
        room.found[1] += 1
        box_runs(question, place, boxes)
        for e in range(edges):
            least[e] = np.nan
        # What is left out: chains that come nowhere below what is known.
        left_out, value_above, worst, worst_joined = np.inf, np.inf, np.inf, False
        # Typed, so that compiled code is not made twice, for a constant and for a variable.
        chain_above: int = np.int64(-1)  # type: ignore[assignment]
        worst_chain: int = np.int64(-1)  # type: ignore[assignment]
        for c in range(chains):
            first, stop = question.first[c], question.stop[c]
            single = stop - first == 1
            total, above, seen, limited = question.offset[c], question.offset[c], True, is_limited(question, c)
            for k in range(first, stop):
                e = question.step[k]
                if np.isnan(least[e]):
                    state[0], state[1] = known - lowest_offset, np.inf
                    for side in range(4):
                        rows[side] = NOTHING
                    floor = 0.0
                    if single and chains == 1:
                        floor = max(0.0, inherited[n] - question.offset[c])
                    scan(
                        question, e, store, moving, place, boxes, half, floor, state, rows, spare, room.entries, scratch
                    )
                    least[e], nearest[e] = state[0], state[1]
                    for side in range(2):
                        least_pair[e, side], nearest_pair[e, side] = rows[side], rows[2 + side]
                total += max(0.0, least[e])
                above += max(0.0, nearest[e])
                seen = seen and least_pair[e, 0] != NOTHING
            # A value from above at the centre, along this chain's nearest pairs; past a limited body it may be larger
            # than their sum.
            if above < value_above:
                for k in range(stop - first):
                    for side in range(2):
                        room.names[0, k, side] = nearest_pair[question.step[first + k], side]
                if limited:
                    above = chain_at(
                        question, store, moving, place, centre, c, room.names[0], room.corners, room.counts, room.gaps,
                        scratch,
                    )  # fmt: skip
            if above < value_above:
                value_above, chain_above = above, c
                for k in range(stop - first):
                    for side in range(2):
                        pairs[n, k, side] = room.names[0, k, side]
            # Nothing is worth bounding above what the box has at its centre.
            reach = min(known, value_above)
            # An edge without a pair below known - lowest_offset keeps every chain through it at or above `known`; where
            # edge by edge bounds all but as high, as in a box without width, bounding jointly gains nothing.
            if not seen or total >= reach - rounding:
                left_out = min(left_out, min(total, reach))
                continue
            bounded, joined = total, False
            if not single:
                bounded = _bound_chain(question, c, store, moving, half, reach, room)
                joined = room.found[0] > 0
                if bounded >= reach:
                    left_out = min(left_out, reach)
                    continue
            if bounded < worst:
                worst, worst_chain, worst_joined = bounded, c, joined
                for k in range(stop - first):
                    for side in range(2):
                        worst_pairs[k, side] = (
                            room.names[0, k, side] if joined else least_pair[question.step[first + k], side]
                        )
                for p in range(size):
                    worst_gradient[p] = room.vector[0, p] if joined else 0.0
        lower[n] = max(inherited[n], min(worst, left_out) - rounding * longest)
        # Which parameter matters most, and where to look for a value from above: at the corner where the worst forms
        # have their least, where those between the nearest points at the centre have it, and at the centre.
        for p in range(size):
            weight[p] = 0.0
        if worst_chain >= 0:
            steps = question.stop[worst_chain] - question.first[worst_chain]
            for swept, into in ((SWEPT, worst_gradient), (CENTRE, gradient)):
                # A chain that was bounded jointly has its worst gradient already.
                if swept == SWEPT and worst_joined:
                    continue
                for p in range(size):
                    into[p], spread[p] = 0.0, 0.0
                for k in range(steps):
                    _add_worst(store, moving, place, half, worst_pairs[k], swept, spare, into, spread, scratch)
            for k in range(steps):
                for side in range(2):
                    name = worst_pairs[k, side]
                    if name >= 0:
                        for p in range(size):
                            for j in range(size):
                                weight[p] += 0.5 * moving.curvature[name, p, j] * half[p] * half[j]
            for p in range(size):
                # What cancels along the chain still decides how coarse the nodes may be.
                slope = abs(gradient[p]) + COARSE * spread[p] if worst_joined else spread[p]
                weight[p] += slope * half[p]
            for turn in range(3):
                for p in range(size):
                    corner[p] = centre[p]
                    slope = 0.0
                    if turn < 2:
                        slope = worst_gradient[p] if turn == 0 else gradient[p]
                    if slope != 0.0:
                        corner[p] = low[n, p] if slope > 0.0 else high[n, p]
                pose_links(chain, corner, place)
                value = chain_at(
                    question, store, moving, place, corner, worst_chain, worst_pairs, room.corners, room.counts,
                    room.gaps, scratch,
                )  # fmt: skip
                if value < value_above:
                    value_above, chain_above = value, worst_chain
                    for p in range(size):
                        at[n, p] = corner[p]
                    for k in range(steps):
                        for side in range(2):
                            pairs[n, k, side] = worst_pairs[k, side]
        widest, chosen = -1.0, 0
        for p in range(size):
            if weight[p] > widest:
                widest, chosen = weight[p], p
        if not widest > 0.0:
            for p in range(size):
                if half[p] > half[chosen]:
                    chosen = p
        split[n], upper[n], through[n] = chosen, value_above, chain_above
