"""Owns the value of one chain at given parameters, through named pairs of primitives: a bound from above."""

from __future__ import annotations

import numpy as np

from clearance.kernel.cache import inner
from clearance.kernel.pairs import closest


@inner
def gap_at(store, moving, place, q, a, b, corners, counts, scratch):  # type: ignore[no-untyped-def]
    """Gap of one pair at parameters whose links are posed in `place`. corners: (2, 3, 3) and counts: (2,) scratch"""
    around = 0.0
    for side in range(2):
        name = a if side == 0 else b
        if name < 0:
            start = store.start[-1 - name]
            count = np.int64(store.start[-name] - start)
            for c in range(count):
                for k in range(3):
                    corners[side, c, k] = store.vertex[start + c, k]
            around += store.around[-1 - name]
        else:
            r, t, rated = place.rotation[moving.link[name]], place.translation[moving.link[name]], moving.rated[name]
            count = np.int64(moving.corners[name])
            for c in range(count):
                x, y, z = moving.vertices[name, c, 0], moving.vertices[name, c, 1], moving.vertices[name, c, 2]
                if rated >= 0:
                    x += moving.rate[name, c, 0] * q[rated]
                    y += moving.rate[name, c, 1] * q[rated]
                    z += moving.rate[name, c, 2] * q[rated]
                for k in range(3):
                    corners[side, c, k] = t[k] + r[k, 0] * x + r[k, 1] * y + r[k, 2] * z
            around += moving.around[name]
        counts[side] = count
    return np.sqrt(closest(corners[0], counts[0], corners[1], counts[1], scratch.witness, scratch.work)) - around


@inner
def chain_at(question, store, moving, place, q, chain, pairs, corners, counts, gaps, scratch):  # type: ignore[no-untyped-def]
    """Value of one chain through the named pairs, at posed parameters: an upper bound of the question there."""
    first, steps = question.first[chain], question.stop[chain] - question.first[chain]
    value = 0.0
    for k in range(steps):
        gaps[k] = max(0.0, gap_at(store, moving, place, q, pairs[k, 0], pairs[k, 1], corners, counts, scratch))
        value += gaps[k]
    for k in range(steps - 1):
        extent = extent_after(question, first + k)
        if extent < np.inf:
            start, end = ends(question, first + k, pairs[k, 0], pairs[k, 1], pairs[k + 1, 0], pairs[k + 1, 1])
            across = gap_at(store, moving, place, q, start, end, corners, counts, scratch) - extent
            for j in range(steps):
                if j != k and j != k + 1:
                    across += gaps[j]
            value = max(value, across)
    return value + question.offset[chain]


@inner
def extent_after(question, step):  # type: ignore[no-untyped-def]
    """Extent of the group between a step and the next."""
    e = question.step[step]
    return question.extent[question.edge[e, 0] if question.flip[step] else question.edge[e, 1]]


@inner
def is_limited(question, chain):  # type: ignore[no-untyped-def]
    """Whether a chain passes a group of limited extent."""
    found = False
    for step in range(question.first[chain], question.stop[chain] - 1):
        found = found or extent_after(question, step) < np.inf
    return found


@inner
def ends(question, step, in_a, in_b, out_a, out_b):  # type: ignore[no-untyped-def]
    """The primitives before and after the group between a step and the next."""
    return (in_b if question.flip[step] else in_a), (out_a if question.flip[step + 1] else out_b)
