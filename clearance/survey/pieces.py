"""Owns what becomes of tracks: cut where a wire has a kink, joined over gaps, and the supports these ends point to.

A track that runs past a support has a kink there: two catenaries meet. Where they meet is where the wire hangs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial import cKDTree

from clearance.survey.fit import fit_curve, frame, height, offset, slope, to_frame
from clearance.survey.records import Curve, Floats
from clearance.survey.strands import Track, axes

SMOOTH_M = 0.12
"""[m] Scatter of blob centres about a smooth curve below which a track has no kink."""

SPARSE = 2.0
"""Returns a slice, of a wire that tracks may lose: one return in 2.5 m and fewer. Only such pieces are made to grow."""

STEP_M = 30.0
"""[m] How far beyond its end a piece is looked for at a time."""

LONG_STEP_M = 80.0
"""[m] How far a piece longer than this is looked for where the next step showed nothing."""

FEWEST_BEYOND_GAP = 3
"""Blobs on the curve that a long step must find."""

MOST_STEPS = 40
"""Steps a piece may grow by."""

OFF_AT_END_M = 0.25
"""[m] Blobs at the end of a piece further off its curve than this are not of the wire."""

FEWEST_BLOBS = 4
"""Slices a piece of wire must show in."""

SHORTEST_M = 17.0
"""[m] Shortest piece that counts as wire without a support to vouch for it."""

STEEPEST = 0.6
"""[1] Greatest slope of a span wire's chord; droppers and stays are steeper and not looked for."""

SAME_WIRE_M = 0.4
"""[m] Two pieces beside one another that are this near are the same wire."""

DEEPEST_OVERLAP_M = 10.0
"""[m] Two pieces of one wire may overlap by this: of two blobs in a slice each track takes one."""

LONGEST_GAP_M = 250.0
"""[m] Longest stretch without returns that two pieces may be joined over, if one catenary fits both."""

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
class Piece:
    """A smooth stretch of one wire: blob centres (n, 3) [m, local], returns of each, and a first curve through them."""

    xyz: Floats
    count: Floats
    curve: Curve

    @property
    def reach(self) -> tuple[float, float]:
        """First and last s of the blobs in the frame of the curve [m]."""
        s = to_frame(self.xyz, self.curve.base, self.curve.direction)[:, 0]
        return float(s.min()), float(s.max())


@dataclass(frozen=True, eq=False)
class Stub:
    """A stretch too short or too rough to be sure of: blob centres (n, 3) in the order of the track, returns of
    each."""

    xyz: Floats
    count: Floats


@dataclass(frozen=True, eq=False)
class Joint:
    """Where two pieces meet at a support: (piece, end) of each, end 0 the start and 1 the end, and the place (3,)
    [m]."""

    first: tuple[int, int]
    second: tuple[int, int]
    place: Floats


def make_piece(xyz: Floats, count: Floats, prior: tuple[float, float] | None = None) -> Piece:
    """A piece with its first curve."""
    base, direction = frame(xyz[:, :2])
    return Piece(xyz, count, fit_curve(xyz, base, direction, prior=prior))


def _parabola_errors(s: Floats, z: Floats, backwards: bool) -> Floats:
    """Sum of squared residuals of a parabola through the first k + 1 points, for every k (through the last with
    `backwards`)."""
    if backwards:
        s, z = s[::-1], z[::-1]
    x = (s - s.mean()) / max(float(np.ptp(s)), 1e-9)
    powers = np.cumsum(np.stack([x**k for k in range(5)]), axis=1)
    rights = np.cumsum(np.stack([z * x**k for k in range(3)]), axis=1)
    squares = np.cumsum(z * z)
    normal = np.moveaxis(powers[np.add.outer(np.arange(3), np.arange(3))], 2, 0) + 1e-12 * np.eye(3)
    normal[:3] = np.eye(3)
    fitted = np.linalg.solve(normal, rights.T[:, :, None])[:, :, 0]
    out = np.maximum(0.0, squares - np.sum(rights.T * fitted, axis=1))
    out[:3] = 0.0
    return np.asarray(out[::-1] if backwards else out)


def _cut(s: Floats, z: Floats) -> list[tuple[int, int]]:
    """Stretches (start, stop) of a track between kinks."""
    if len(s) < 2 * FEWEST_BLOBS:
        return [(0, len(s))]
    centred = z - z.mean()
    degree = 4 if len(s) >= 12 else 2
    whole = np.polynomial.Polynomial.fit(s, centred, degree)
    left_over = float(np.sum(np.square(centred - whole(s))))
    if np.sqrt(left_over / len(s)) < SMOOTH_M:
        return [(0, len(s))]
    ahead, behind = _parabola_errors(s, centred, False), _parabola_errors(s, centred, True)
    at = np.arange(3, len(s) - 3)
    both = ahead[at - 1] + behind[at]
    best = int(at[both.argmin()])
    if both.min() > 0.5 * left_over:
        return [(0, len(s))]
    return _cut(s[:best], z[:best]) + [(best + a, best + b) for a, b in _cut(s[best:], z[best:])]


def _plausible(piece: Piece) -> bool:
    """Whether a piece can be a span wire by its smoothness, slope and curvature."""
    low, high = piece.reach
    ends = np.abs(slope(piece.curve, np.array([low, high])))
    enough = len(piece.xyz) >= FEWEST_BLOBS and high - low >= SHORTEST_M
    return bool(
        enough
        and ends.max() < STEEPEST
        and piece.curve.rms_vertical < (0.3 if high - low > 60.0 else SMOOTH_M)
        and piece.curve.rms_lateral < 0.5
    )


def _trimmed(stub: Stub) -> Piece:
    """A piece without the blobs at its ends that are off its curve: the first few past a support, where the kink is
    slight."""
    xyz, count = stub.xyz, stub.count
    while True:
        piece = make_piece(xyz, count)
        s = to_frame(xyz, piece.curve.base, piece.curve.direction)[:, 0]
        off = np.abs(xyz[:, 2] - height(piece.curve, s))
        limit = max(OFF_AT_END_M, 6.0 * float(np.median(off)))
        start = int(np.argmax(off <= limit)) if (off[:4] > limit).any() else 0
        stop = len(off) - (int(np.argmax(off[::-1] <= limit)) if (off[-4:] > limit).any() else 0)
        if (start == 0 and stop == len(off)) or stop - start < FEWEST_BLOBS:
            return piece
        xyz, count = xyz[start:stop], count[start:stop]


def cut_tracks(found: Sequence[Track]) -> tuple[list[Piece], list[Stub]]:
    """Pieces between kinks that can be wires, and the rest (short ones a support may vouch for later)."""
    good: list[Piece] = []
    rest: list[Stub] = []
    for track in found:
        plan = track.place[:, :2] @ axes(track.bearing)
        xyz = np.column_stack([plan, track.place[:, 2]])
        for start, stop in _cut(track.place[:, 0], track.place[:, 2]):
            if stop - start < 2:
                continue
            stub = Stub(xyz[start:stop], track.count[start:stop].astype(float))
            length = float(np.hypot(*(stub.xyz[-1] - stub.xyz[0])[:2]))
            if stop - start >= FEWEST_BLOBS and length >= SHORTEST_M:
                piece = _trimmed(stub)
                if _plausible(piece):
                    good.append(piece)
                    continue
            rest.append(stub)
    return good, rest


def _joined(a: Piece, b: Piece) -> Piece | None:
    """One piece of two, if one catenary fits both and they lie one after the other, or the first holds the second."""
    if abs(float(a.curve.direction @ b.curve.direction)) < 0.995:
        return None
    placed = to_frame(b.xyz, a.curve.base, a.curve.direction)
    low, high = a.reach
    s_low, s_high = float(placed[:, 0].min()), float(placed[:, 0].max())
    gap = max(s_low - high, low - s_high)
    if gap < -DEEPEST_OVERLAP_M:
        # beside one another: the same wire twice (two blobs in a slice, a track each), or two wires
        off_t = np.abs(placed[:, 1] - offset(a.curve, placed[:, 0]))
        off_z = np.abs(placed[:, 2] - height(a.curve, placed[:, 0]))
        return a if s_high - s_low < high - low and max(np.median(off_t), np.median(off_z)) < SAME_WIRE_M else None
    if gap > LONGEST_GAP_M:
        return None
    middle = np.array([(high + s_low) / 2.0 if s_low > high else (low + s_high) / 2.0])
    other = middle - float((b.curve.base - a.curve.base) @ a.curve.direction)
    other = other * float(np.sign(a.curve.direction @ b.curve.direction))
    if abs(height(a.curve, middle) - height(b.curve, other))[0] > 1.0 + 0.05 * gap:
        return None
    fall = slope(a.curve, middle)[0] - slope(b.curve, other)[0] * np.sign(a.curve.direction @ b.curve.direction)
    if abs(float(fall)) > 0.04 + max(gap, 0.0) / 300.0 + 2.0 / min(high - low, s_high - s_low, 100.0):
        return None
    if np.abs(placed[:, 1] - offset(a.curve, placed[:, 0])).max() > 1.0 + 0.02 * max(gap, 0.0) + 0.01 * (
        s_high - s_low
    ):
        return None
    joint = make_piece(np.concatenate([a.xyz, b.xyz]), np.concatenate([a.count, b.count]))
    limit = max(1.5 * (a if high - low > s_high - s_low else b).curve.rms_vertical, SMOOTH_M)
    return (
        joint
        if joint.curve.rms_vertical <= limit and joint.curve.p95_vertical < 3 * limit and joint.curve.rms_lateral < 0.4
        else None
    )


def grown(piece: Piece, places: Floats, counts: Floats, tree: cKDTree) -> Piece:
    """A piece with the blobs beyond its ends that lie on its curve, step by step, each step with a new curve.

    Parameters: places (n, 3) [m, local] and returns of all blobs, and a tree of their places in plan.
    """
    if float(np.median(piece.count)) > SPARSE:
        return piece
    step, steps = STEP_M, 0
    while steps < MOST_STEPS:
        steps += 1
        low, high = piece.reach
        near = tree.query_ball_point([end_of(piece, 0)[:2], end_of(piece, 1)[:2]], step)
        index = np.unique(np.concatenate([np.asarray(some, np.int64) for some in near]))
        placed = to_frame(places[index], piece.curve.base, piece.curve.direction)
        s = placed[:, 0]
        beyond = np.maximum(s - high, low - s)
        on = (beyond > 0.1) & (np.abs(placed[:, 2] - height(piece.curve, s)) <= 0.25 + 0.005 * beyond)
        on &= np.abs(placed[:, 1] - offset(piece.curve, s)) <= 0.4 + 0.01 * beyond
        if on.sum() < (1 if step == STEP_M else FEWEST_BEYOND_GAP):
            if step > STEP_M or high - low < LONG_STEP_M:
                break
            step = LONG_STEP_M
            continue
        step = STEP_M
        xyz = np.concatenate([piece.xyz, places[index[on]]])
        piece = make_piece(xyz, np.concatenate([piece.count, counts[index[on]]]))
    order = np.argsort(to_frame(piece.xyz, piece.curve.base, piece.curve.direction)[:, 0])
    return _trimmed(Stub(piece.xyz[order], piece.count[order]))


def _in_line(piece: Piece, middles: Floats, directions: Floats, halves: Floats) -> NDArray[np.int64]:
    """Which of many pieces could go on from one, by their middles (n, 2), directions (n, 2) and half lengths (n,)
    alone."""
    along, left = piece.curve.direction, np.array([-piece.curve.direction[1], piece.curve.direction[0]])
    away = middles - piece.curve.base
    low, high = piece.reach
    gap = np.abs(away @ along - (low + high) / 2.0) - halves - (high - low) / 2.0
    near = np.abs(away @ left - piece.curve.lateral[0]) < 3.0 + 0.05 * np.abs(away @ along)
    return np.flatnonzero(near & (np.abs(directions @ along) > 0.995) & (gap < LONGEST_GAP_M))


def join_pieces(pieces: list[Piece]) -> list[Piece]:
    """Pieces with those joined that one catenary fits, the longest first."""
    todo = sorted(pieces, key=lambda piece: (piece.reach[0] - piece.reach[1], *piece.xyz[0]))
    middles = np.array([piece.xyz[:, :2].mean(axis=0) for piece in todo]).reshape(-1, 2)
    directions = np.array([piece.curve.direction for piece in todo]).reshape(-1, 2)
    halves = np.array([(piece.reach[1] - piece.reach[0]) / 2.0 for piece in todo])
    used = np.zeros(len(todo), bool)
    done: list[Piece] = []
    for index, piece in enumerate(todo):
        if used[index]:
            continue
        used[index] = True
        tried: set[int] = set()
        while True:
            options = [
                int(k) for k in _in_line(piece, middles, directions, halves) if not used[k] and int(k) not in tried
            ]
            for k in options:
                tried.add(k)
                whole = _joined(piece, todo[k])
                if whole is not None:
                    piece, used[k] = whole, True
                    tried.clear()
                    break
            else:
                break
        done.append(piece)
    return done


def end_of(piece: Piece, end: int) -> Floats:
    """Last blob (3,) at an end of a piece [m]."""
    s = to_frame(piece.xyz, piece.curve.base, piece.curve.direction)[:, 0]
    return np.asarray(piece.xyz[int(s.argmin() if end == 0 else s.argmax())])


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
    s = middle + np.arange(-25.0, 25.0001, 0.05)
    plan = a.base + s[:, None] * a.direction + offset(a, s)[:, None] * left
    u = (plan - b.base) @ b.direction
    apart_z = height(a, s) - height(b, u)
    hit = np.flatnonzero(np.sign(apart_z[1:]) != np.sign(apart_z[:-1]))
    if not len(hit):
        return None
    at = int(hit[np.abs(s[hit] - middle).argmin()])
    return np.array([*plan[at], float(height(a, s[at : at + 1])[0])]), 0.0


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
        place = met[0]
        beyond = [float((place - where[k])[:2] @ _outward(pieces[n], e)) for k, n, e in ((i, p, end_p), (j, q, end_q))]
        if min(beyond) < -DEEPEST_PAST_M or max(beyond) > SUPPORT_REACH_M:
            continue
        u = place[:2] - pieces[q].curve.base
        aside = abs(
            float(u @ np.array([-pieces[q].curve.direction[1], pieces[q].curve.direction[0]]))
            - float(offset(pieces[q].curve, np.array([float(u @ pieces[q].curve.direction)]))[0])
        )
        if aside > 1.2:
            continue
        short = [(n, e) for n, e in ((p, end_p), (q, end_q)) if n >= solid]
        far = [float((end_of(pieces[n], 1 - e) - place)[:2] @ _outward(pieces[n], 1 - e)) for n, e in short]
        if far and min(far) < SHORTEST_BEYOND_M:
            continue
        options.append(
            (1000.0 * len(short) + max(beyond) + 5.0 * met[1] + 5.0 * aside, Joint((p, end_p), (q, end_q), place))
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
