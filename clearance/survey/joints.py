"""Owns where pieces of wire meet: where the curves do, which ends go on in which, and the grouping of these places into
supports.

Where two catenaries of one wire meet is where it hangs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial import cKDTree

from clearance.survey.fit import height, offset, place, slope
from clearance.survey.pieces import Piece, end_of
from clearance.survey.records import Curve, Floats

DEEPEST_PAST_M = 6.0
"""[m] How far past the place where two pieces meet the blobs of one may reach: a slice and the support's own
depth."""

SUPPORT_REACH_M = 45.0
"""[m] How far before a support the returns of a wire may end."""

SHORTEST_BEYOND_M = 7.0
"""[m] How far a short piece must reach beyond the support that vouches for it: further than insulators and crossarms
do."""

SUPPORT_WIDTH_M = 16.0
"""[m] Places where wires hang that are closer than this belong to one support."""


@dataclass(frozen=True, eq=False)
class Joint:
    """Where two pieces meet at a support: (piece, end) of each, end 0 the start and 1 the end, and the place (3,)
    [m]."""

    first: tuple[int, int]
    second: tuple[int, int]
    place: Floats


def _outward(piece: Piece, end: int) -> Floats:
    return piece.curve.direction if end else -piece.curve.direction


def meeting(a: Curve, b: Curve, near: Floats) -> tuple[Floats, float] | None:
    """Where two curves meet near a place (3,): the point (3,) and how far apart in height they are there [m].

    Curves in line meet where their heights cross; curves at an angle where they cross in plan; of the two, what cuts at
    the larger angle.
    """
    cross = float(a.direction[0] * b.direction[1] - a.direction[1] * b.direction[0])
    left = np.array([-a.direction[1], a.direction[0]])
    here = np.array([float((near[:2] - a.base) @ a.direction)])
    there = np.array([float((near[:2] - b.base) @ b.direction)])
    kink = float(slope(a, here)[0] - slope(b, there)[0] * np.sign(a.direction @ b.direction))
    if abs(cross) > max(0.05, min(2.0 * abs(kink), 0.4)):
        apart = b.base - a.base
        at_a = np.array([float(apart[0] * b.direction[1] - apart[1] * b.direction[0]) / cross])
        corner = a.base + float(at_a[0]) * a.direction + float(offset(a, at_a)[0]) * left
        at_b = np.array([float((corner - b.base) @ b.direction)])
        z_a, z_b = float(height(a, at_a)[0]), float(height(b, at_b)[0])
        return np.array([*corner, (z_a + z_b) / 2.0]), abs(z_a - z_b)
    middle = float((near[:2] - a.base) @ a.direction)
    s = middle + np.arange(-25.0, 25.0001, 0.5)
    hit = _crossings(a, b, s)
    if not len(hit):
        return None
    s = float(s[hit[np.abs(s[hit] - middle).argmin()]]) + np.arange(0.0, 0.5001, 0.05)
    hit = _crossings(a, b, s)
    return place(a, s[hit[:1]] if len(hit) else s[-1:])[0], 0.0


def _crossings(a: Curve, b: Curve, s: Floats) -> NDArray[np.int64]:
    """Which of the places s along a curve [m] are the last before its height crosses that of another."""
    plan = place(a, s)
    above = plan[:, 2] > height(b, (plan[:, :2] - b.base) @ b.direction)
    return np.flatnonzero(above[1:] != above[:-1])


def find_joints(pieces: Sequence[Piece], solid: int) -> list[Joint]:
    """Ends of pieces that go on in another piece past a support, each end once, nearest first.

    The first `solid` pieces are sure; the others are short, and only go on from a sure one that has no sure partner.
    """
    ends = [(index, end) for index in range(len(pieces)) for end in (0, 1)]
    where = np.array([end_of(pieces[index], end) for index, end in ends]).reshape(-1, 3)
    options: list[tuple[float, Joint]] = []
    for i, j in sorted(cKDTree(where[:, :2]).query_pairs(SUPPORT_REACH_M)) if len(ends) else []:
        (p, end_p), (q, end_q) = ends[i], ends[j]
        if p == q or min(p, q) >= solid or abs(where[i, 2] - where[j, 2]) > 12.0:
            continue
        if float(_outward(pieces[p], end_p) @ _outward(pieces[q], end_q)) > -0.2:
            continue
        met = meeting(pieces[p].curve, pieces[q].curve, (where[i] + where[j]) / 2.0)
        if met is None or met[1] > 2.5:
            continue
        hung = met[0]
        beyond = [float((hung - where[k])[:2] @ _outward(pieces[n], e)) for k, n, e in ((i, p, end_p), (j, q, end_q))]
        if min(beyond) < -DEEPEST_PAST_M or max(beyond) > SUPPORT_REACH_M:
            continue
        u = hung[:2] - pieces[q].curve.base
        aside = abs(
            float(u @ np.array([-pieces[q].curve.direction[1], pieces[q].curve.direction[0]]))
            - float(offset(pieces[q].curve, np.array([float(u @ pieces[q].curve.direction)]))[0])
        )
        if aside > 1.2:
            continue
        short = [(n, e) for n, e in ((p, end_p), (q, end_q)) if n >= solid]
        far = [float((end_of(pieces[n], 1 - e) - hung)[:2] @ _outward(pieces[n], 1 - e)) for n, e in short]
        if far and min(far) < SHORTEST_BEYOND_M:
            continue
        options.append(
            (1000.0 * len(short) + max(beyond) + 5.0 * met[1] + 5.0 * aside, Joint((p, end_p), (q, end_q), hung))
        )
    taken: set[tuple[int, int]] = set()
    joints: list[Joint] = []
    for _, joint in sorted(options, key=lambda option: option[0]):
        if joint.first in taken or joint.second in taken:
            continue
        taken |= {joint.first, joint.second}
        joints.append(joint)
    return joints


def gather(places: Floats) -> list[NDArray[np.int64]]:
    """Places (n, 3) grouped into supports: index arrays, in order of the first member."""
    if len(places) == 0:
        return []
    if len(places) == 1:
        return [np.array([0])]
    label = fcluster(linkage(places[:, :2], "single"), SUPPORT_WIDTH_M, "distance")
    groups = [np.flatnonzero(label == value) for value in np.unique(label)]
    return sorted(groups, key=lambda group: int(group[0]))
