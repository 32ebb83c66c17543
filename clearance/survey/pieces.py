"""Owns what becomes of tracks: cut where a wire has a kink, and joined over gaps.

A track that runs past a support has a kink there: two catenaries meet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from clearance.survey.fit import fit_curve, frame, height, median, offset, offset_and_height, slope, to_frame
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

BESIDE_M = 3.0
"""[m] Two pieces beside one another, of which a blob of one is further from the other, are two wires."""

DEEPEST_OVERLAP_M = 10.0
"""[m] Two pieces of one wire may overlap by this: of two blobs in a slice each track takes one."""

LONGEST_GAP_M = 250.0
"""[m] Longest stretch without returns that two pieces may be joined over, if one catenary fits both."""


@dataclass(frozen=True, eq=False)
class Piece:
    """A smooth stretch of one wire: blob centres (n, 3) [m, local], returns of each, and a first curve through them."""

    xyz: Floats
    count: Floats
    curve: Curve

    @cached_property
    def reach(self) -> tuple[float, float]:
        """First and last s of the blobs in the frame of the curve [m]."""
        s = to_frame(self.xyz, self.curve.base, self.curve.direction)[:, 0]
        return float(s.min()), float(s.max())

    @cached_property
    def ends(self) -> tuple[Floats, Floats]:
        """Blobs (3,) at the first and the last s [m]."""
        s = to_frame(self.xyz, self.curve.base, self.curve.direction)[:, 0]
        return self.xyz[int(s.argmin())], self.xyz[int(s.argmax())]


@dataclass(frozen=True, eq=False)
class Stub:
    """A stretch too short or too rough to be sure of: blob centres (n, 3) in the order of the track, returns of
    each."""

    xyz: Floats
    count: Floats


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
        if s_high - s_low >= high - low:
            return None
        t, z = offset_and_height(a.curve, placed[:, 0])
        same = median(np.abs(placed[:, 1] - t)) < SAME_WIRE_M and median(np.abs(placed[:, 2] - z)) < SAME_WIRE_M
        return a if same else None
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


def _in_line(piece: Piece, others: _Many) -> NDArray[np.int64]:
    """Which of many pieces could go on from one or be in it, by what stands for them alone."""
    curve, (low, high) = piece.curve, piece.reach
    placed, blob = (to_frame(some, curve.base, curve.direction) for some in (others.middle, others.blob))
    gap = np.abs(placed[:, 0] - (low + high) / 2.0) - others.half - (high - low) / 2.0
    near = np.abs(placed[:, 1] - curve.lateral[0]) < 3.0 + 0.05 * np.abs(placed[:, 0])
    near &= (np.abs(others.direction @ curve.direction) > 0.995) & (gap < LONGEST_GAP_M)
    # beside one another, they may be one wire only where a blob of the one is near the other
    t, z = offset_and_height(curve, blob[:, 0])
    near &= (gap > -2.0 * DEEPEST_OVERLAP_M) | (
        (np.abs(blob[:, 1] - t) < BESIDE_M) & (np.abs(blob[:, 2] - z) < BESIDE_M)
    )
    return np.flatnonzero(near)


@dataclass(frozen=True, eq=False)
class _Many:
    """What stands for each of many pieces: its middle (n, 3), direction (n, 2), half length (n,), one of its blobs
    (n, 3) [m]."""

    middle: Floats
    direction: Floats
    half: Floats
    blob: Floats


def _many(pieces: Sequence[Piece]) -> _Many:
    direction = np.array([piece.curve.direction for piece in pieces]).reshape(-1, 2)
    reach = np.array([piece.reach for piece in pieces]).reshape(-1, 2)
    middle = np.array([piece.curve.base for piece in pieces]).reshape(-1, 2) + direction * reach.mean(axis=1)[:, None]
    blob = np.array([piece.xyz[len(piece.xyz) // 2] for piece in pieces]).reshape(-1, 3)
    return _Many(np.column_stack([middle, blob[:, 2]]), direction, np.ptp(reach, axis=1) / 2.0, blob)


def join_pieces(pieces: list[Piece], refused: set[tuple[Piece, Piece]]) -> list[Piece]:
    """Pieces with those joined that one catenary fits, the longest first.

    Pairs that were found not to be one are put into `refused`, and not tried again by a later call.
    """
    todo = sorted(pieces, key=lambda piece: (piece.reach[0] - piece.reach[1], *piece.xyz[0]))
    others = _many(todo)
    used = np.zeros(len(todo), bool)
    done: list[Piece] = []
    for index, piece in enumerate(todo):
        if used[index]:
            continue
        used[index] = True
        while True:
            for k in _in_line(piece, others):
                if used[k] or (piece, todo[k]) in refused:
                    continue
                whole = _joined(piece, todo[k])
                if whole is not None:
                    piece, used[k] = whole, True
                    break
                refused.add((piece, todo[k]))
            else:
                break
        done.append(piece)
    return done


def end_of(piece: Piece, end: int) -> Floats:
    """Last blob (3,) at an end of a piece [m]."""
    return piece.ends[end]
