"""Owns the supports of the line: where pieces of wire meet, which short pieces they vouch for, which ends stay open,
and the prism about each support that holds its returns.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from clearance.survey.fit import slope
from clearance.survey.joints import SUPPORT_REACH_M, Joint, find_joints, gather
from clearance.survey.pieces import Piece, Stub, end_of, make_piece
from clearance.survey.records import Floats

FEWEST_RETURNS = 4
"""Returns a short piece must have."""

SHORTEST_STUB_M = 5.0
"""[m] Shortest piece of wire that a support vouches for."""

REACH_ALONG_M = (3.0, 8.0)
"""[m] Half depth of a support's prism along the line, as 0.14 of its height within these bounds."""

REACH_ACROSS_M = 4.5
"""[m] How far a support's prism reaches beyond its outermost wire: crossarm tips and insulator sets."""

Returns = Callable[[Floats, float], Floats]
"""Gives the returns (n, 3) within a radius [m] of a place (2,) that are above the ground, with heights above it as
z."""


@dataclass(frozen=True, eq=False)
class Support:
    """A support: its axis (2,) [m], direction of the line there (2,), and where wires hang (n, 3) [m]."""

    axis: Floats
    direction: Floats
    places: Floats
    reach_across: tuple[float, float]
    by_points: bool


@dataclass(frozen=True, eq=False)
class Line:
    """Pieces of wire, with the support at each end (index or -1), where each end hangs (s in its frame [m]), and which
    pieces go on in which."""

    pieces: list[Piece]
    ends: list[tuple[int, int]]
    reach: list[tuple[float, float]]
    supports: list[Support]
    joints: list[Joint]


def _support(places: Floats, direction: Floats, by_points: bool) -> Support:
    across = np.array([-direction[1], direction[0]])
    t = places[:, :2] @ across
    axis = np.median(places[:, :2] @ direction) * direction + (t.min() + t.max()) / 2.0 * across
    return Support(axis, direction, places, (float(t.min() - axis @ across), float(t.max() - axis @ across)), by_points)


def _mean_direction(directions: Floats) -> Floats:
    signs = np.sign(directions @ directions[0])
    total = (directions * signs[:, None]).sum(axis=0)
    return np.asarray(total / np.hypot(*total))


def _seen(returns: Floats, top: float) -> bool:
    """Whether returns about a place stand as tall as wires that end there, at all heights: heights above ground as z
    [m]."""
    if len(returns) < 12:
        return False
    bins = np.unique(np.floor(returns[:, 2] / max(2.0, top / 12.0)).astype(int))
    share = len(bins[(bins >= 0)]) / max(1.0, np.ceil(top / max(2.0, top / 12.0)))
    return bool(returns[:, 2].max() > 0.9 * top and share > 0.6)


def build_line(
    good: Sequence[Piece], stubs: Sequence[Piece], returns_near: Returns, ground_at: Callable[[Floats], Floats]
) -> Line:
    """Find the supports of pieces of wire, take in the short pieces they vouch for, and say how each piece ends."""
    pieces = [*good, *stubs]
    joints = [joint for joint in find_joints(pieces, len(good)) if _kinked(pieces, joint)]
    groups = gather(np.array([joint.place for joint in joints]).reshape(-1, 3))
    supports: list[Support] = []
    kept: list[Joint] = []
    ends = [[-1, -1] for _ in pieces]
    for group in groups:
        members = [joints[int(index)] for index in group]
        solid = [joint for joint in members if joint.first[0] < len(good) and joint.second[0] < len(good)]
        places = np.array([joint.place for joint in members])
        directions = np.array([pieces[joint.first[0]].curve.direction for joint in members])
        support = _support(places, _mean_direction(directions), False)
        if len(members) < 2 and (not solid or _passing(good, support)):
            tall = float(places[:, 2].max() - ground_at(support.axis[None])[0])
            if not _seen(returns_near(support.axis, 12.0), tall):
                continue
        number = len(supports)
        supports.append(support)
        kept += members
        for joint in members:
            for index, end in (joint.first, joint.second):
                ends[index][end] = number
    _attach_open_ends(pieces[: len(good)], ends, supports)
    _supports_at_ends(pieces[: len(good)], ends, supports, returns_near, ground_at)
    _attach_open_ends(pieces[: len(good)], ends, supports)
    keep = [
        index
        for index in range(len(pieces))
        if index < len(good) or (max(ends[index]) >= 0 and ends[index][0] != ends[index][1])
    ]
    renumber = {old: new for new, old in enumerate(keep)}
    kept = [joint for joint in kept if joint.first[0] in renumber and joint.second[0] in renumber]
    kept = [
        Joint((renumber[joint.first[0]], joint.first[1]), (renumber[joint.second[0]], joint.second[1]), joint.place)
        for joint in kept
    ]
    chosen = [pieces[index] for index in keep]
    met: dict[tuple[int, int], Floats] = {}
    for joint in kept:
        met.setdefault(joint.first, joint.place)
        met.setdefault(joint.second, joint.place)
    end_pairs = [(ends[index][0], ends[index][1]) for index in keep]
    return Line(
        chosen,
        end_pairs,
        [_hang(chosen[k], end_pairs[k], (met.get((k, 0)), met.get((k, 1))), supports) for k in range(len(chosen))],
        supports,
        kept,
    )


def short_pieces(good: Sequence[Piece], rest: Sequence[Stub]) -> list[Piece]:
    """Short pieces near the end of a sure one, with the typical curvature as a prior."""
    if not good:
        return []
    typical = float(np.median([piece.curve.vertical[2] for piece in good]))
    ends = cKDTree(np.array([end_of(piece, end)[:2] for piece in good for end in (0, 1)]))
    out = []
    for stub in rest:
        if stub.count.sum() < FEWEST_RETURNS:
            continue
        away = stub.xyz[-1] - stub.xyz[0]
        if np.hypot(*away[:2]) < SHORTEST_STUB_M or abs(away[2]) > 0.35 * np.hypot(*away[:2]):
            continue
        if not ends.query_ball_point(stub.xyz[[0, -1], :2], SUPPORT_REACH_M, return_length=True).any():
            continue
        piece = make_piece(stub.xyz, stub.count, (typical, 0.3 * typical))
        if _may_be_stub(piece):
            out.append(piece)
    return out


def _passing(pieces: Sequence[Piece], support: Support) -> bool:
    """Whether another wire of the line goes past a place without a break there."""
    for piece in pieces:
        if abs(float(piece.curve.direction @ support.direction)) < 0.98:
            continue
        away = support.axis - piece.curve.base
        at = float(away @ piece.curve.direction)
        aside = abs(float(away @ np.array([-piece.curve.direction[1], piece.curve.direction[0]])))
        low, high = piece.reach
        if aside < 30.0 and low + 15.0 < at < high - 15.0:
            return True
    return False


def _may_be_stub(piece: Piece) -> bool:
    low, high = piece.reach
    chord = abs(float(piece.xyz[-1, 2] - piece.xyz[0, 2])) / max(high - low, 1e-6)
    return chord < 0.35 and piece.curve.rms_lateral < 0.4 and piece.curve.rms_vertical < 0.3


def _kinked(pieces: Sequence[Piece], joint: Joint) -> bool:
    """Wires rise towards a support from both sides, on the whole: the sum of the outward slopes is not negative."""
    total = 0.0
    for index, end in (joint.first, joint.second):
        curve = pieces[index].curve
        s = float((joint.place[:2] - curve.base) @ curve.direction)
        total += float(slope(curve, np.array([s]))[0]) * (1.0 if end else -1.0)
    return total > 0.01


def _attach_open_ends(pieces: Sequence[Piece], ends: list[list[int]], supports: Sequence[Support]) -> None:
    """Ends without a partner that come up to a support beside the wires that have one."""
    if not supports:
        return
    axes = np.array([support.axis for support in supports])
    reach = np.array([max(abs(low), abs(high)) + 8.0 for low, high in (each.reach_across for each in supports)])
    for index, piece in enumerate(pieces):
        for end in (0, 1):
            if ends[index][end] >= 0:
                continue
            out = piece.curve.direction * (1.0 if end else -1.0)
            last = end_of(piece, end)
            away = axes - last[:2]
            ahead, aside = away @ out, np.abs(away @ np.array([-out[1], out[0]]))
            for number in np.flatnonzero((ahead >= -6.0) & (ahead <= SUPPORT_REACH_M) & (aside <= reach)):
                if ends[index][1 - end] != number:
                    ends[index][end] = int(number)
                    break


def _supports_at_ends(
    pieces: Sequence[Piece],
    ends: list[list[int]],
    supports: list[Support],
    returns_near: Returns,
    ground_at: Callable[[Floats], Floats],
) -> None:
    """Supports that only one span is seen from: where wires end together and returns stand as tall as they hang."""
    free = [(index, end) for index in range(len(pieces)) for end in (0, 1) if ends[index][end] < 0]
    places = np.array([end_of(pieces[index], end) for index, end in free]).reshape(-1, 3)
    for group in gather(places):
        members = [free[int(k)] for k in group]
        here = places[group]
        directions = np.array([pieces[index].curve.direction for index, _ in members])
        top = float(here[:, 2].max() - ground_at(np.median(here[:, :2], axis=0)[None])[0])
        out = np.array([pieces[index].curve.direction * (1.0 if end else -1.0) for index, end in members]).mean(axis=0)
        size = float(np.hypot(*out))
        if size < 0.8:
            continue
        ahead = float(np.max(here[:, :2] @ (out / size)))  # the wires may end short of it, none beyond
        middle = here[:, :2].mean(axis=0)
        middle = middle + (ahead + 3.0 - float(middle @ (out / size))) * out / size
        near = returns_near(middle, 12.0)
        near = near[np.abs((near[:, :2] - middle) @ (out / size)) <= 9.0]
        if not _seen(near, top):
            continue
        high = near[near[:, 2] > 0.5 * top]
        at = float(np.median(high[:, :2] @ (out / size))) if len(high) else ahead
        shifted = here.copy()
        shifted[:, :2] += (at - here[:, :2] @ (out / size))[:, None] * (out / size)
        number = len(supports)
        supports.append(_support(shifted, _mean_direction(directions), True))
        for index, end in members:
            ends[index][end] = number


def _hang(
    piece: Piece, ends: tuple[int, int], met: tuple[Floats | None, Floats | None], supports: Sequence[Support]
) -> tuple[float, float]:
    """Where a piece ends along its curve [m]: where it met its partner (3,) [m], else abreast of its support, else its
    last blob."""
    out = list(piece.reach)
    for end in (0, 1):
        if ends[end] < 0:
            continue
        meeting_place = met[end]
        if meeting_place is not None:
            out[end] = float((meeting_place[:2] - piece.curve.base) @ piece.curve.direction)
        else:
            support = supports[ends[end]]
            across = np.array([-support.direction[1], support.direction[0]])
            # the plane through the support's axis across the line
            normal = np.array([across[1], -across[0]])
            plane = float((support.axis - piece.curve.base) @ normal / (piece.curve.direction @ normal))
            out[end] = max(plane, out[end]) if end else min(plane, out[end])
    return out[0], out[1]


def prism(support: Support, height_m: float) -> Floats:
    """Corners (4, 2) of the prism of a support in plan [m]."""
    along = float(np.clip(0.14 * height_m, *REACH_ALONG_M))
    across = np.array([-support.direction[1], support.direction[0]])
    low, high = support.reach_across[0] - REACH_ACROSS_M, support.reach_across[1] + REACH_ACROSS_M
    d = support.direction
    return np.array(
        [
            support.axis - along * d + low * across,
            support.axis + along * d + low * across,
            support.axis + along * d + high * across,
            support.axis - along * d + high * across,
        ]
    )


def inside_prism(polygon: Floats, xy: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which points (n, 2) are inside a convex polygon whose corners go anticlockwise [m]."""
    inside = np.ones(len(xy), bool)
    for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        edge = b - a
        inside &= edge[0] * (xy[:, 1] - a[1]) - edge[1] * (xy[:, 0] - a[0]) >= 0.0
    return inside
