"""Owns the finding of wires by shape: the bearing of the line, small blobs in slices across it, and tracks through
them.

Seen along the line a wire is a small spot that stays where it is from slice to slice; a crown, a tower or a roof is a
large one, or one that does not go on. So: find the bearings of the line from the plan (`bearings`), cut each square of
points into slices across the bearing and keep the small blobs (`blobs`), and follow these from slice to slice
(`tracks`). A bundle is one blob. Nothing is fitted here beyond what following needs, and it works alike for returns
every 0.3 m and every 5 m.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse import csgraph

from clearance.survey.records import Floats

SLICE_M = 5.0
"""[m] Thickness of a slice along the line: at least one return per wire in scans down to one return per 5 m."""

PIXEL_M = 0.5
"""[m] Pixel of a slice. Sub-conductors (0.3 to 0.5 m apart) fall together, wires 1.5 m apart stay apart."""

TALLEST_PIXELS = 6
"""Pixels a blob may be high: the fall of a wire within a slice at a slope of 0.45, and a bundle."""

WIDEST_PIXELS = 4
"""Pixels a blob may be wide: a bundle, and a wire that runs at an angle to the bearing."""

LONGEST_JUMP_M = 40.0
"""[m] A wire is followed over a stretch without returns up to this long; longer ones are bridged by the fit."""

MOST_HIDDEN_NEIGHBOURS = 5
"""Of the 8 cells around a cell in plan: with more occupied it lies inside an area, not on a line."""


@dataclass(frozen=True, eq=False)
class Blobs:
    """Small spots in slices across a bearing: place (n, 3) as s, t, z [m], slice number and returns of each."""

    place: Floats
    slab: NDArray[np.int64]
    count: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.slab)


@dataclass(frozen=True, eq=False)
class Track:
    """One wire as followed through slices: blob centres (n, 3) as s, t, z in the frame of the bearing [m], returns of
    each."""

    bearing: float
    place: Floats
    count: NDArray[np.int64]


def axes(bearing: float) -> Floats:
    """(2, 2) rows: unit vectors along the bearing [rad] and to its left."""
    cos, sin = float(np.cos(bearing)), float(np.sin(bearing))
    return np.array([[cos, sin], [-sin, cos]])


def thin_cells(occupied: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Occupied cells of a plan that lie on lines or edges rather than inside areas."""
    around = ndimage.uniform_filter(occupied.astype(np.float32), 3, mode="constant") * 9.0 - 1.0
    return np.asarray(occupied & (around <= MOST_HIDDEN_NEIGHBOURS + 0.5))


def bearings(cells: Floats, cell: float) -> list[float]:
    """Directions [rad, 0 to pi] in which cells (n, 2) [m] of a plan line up, strongest first, at most three.

    For each direction the cells are counted in strips across it; the sum of squares is large where long straight lines
    fall into single strips. A direction counts if it stands out from the median of all directions and from its
    surroundings.
    """
    if len(cells) < 12:
        return []
    angles = np.deg2rad(np.arange(0.0, 180.0, 0.5))
    centred = cells - cells.mean(axis=0)
    score = np.zeros(len(angles))
    together = max(1, 200_000 // len(cells))  # as many directions at a time as keep the arrays small
    for start in range(0, len(angles), together):
        some = angles[start : start + together]
        strip = np.stack([-np.sin(some), np.cos(some)], axis=1) @ centred.T
        strip -= strip.min(axis=1, keepdims=True)
        number = (strip / cell).astype(np.int64)
        wide = int(number.max()) + 1
        number += wide * np.arange(len(some))[:, None]
        counts = np.bincount(number.ravel(), minlength=wide * len(some)).reshape(len(some), wide)
        score[start : start + together] = np.sum(np.square(counts), axis=1)
    level = float(np.median(score))
    found: list[float] = []
    remaining = score.copy()
    for _ in range(3):
        best = int(remaining.argmax())
        if remaining[best] < 1.6 * level or remaining[best] < 0.25 * score.max():
            break
        found.append(float(angles[best]))
        away = np.abs((np.arange(len(angles)) - best + len(angles) // 2) % len(angles) - len(angles) // 2)
        remaining[away < 20] = 0.0
    return found


def merge_bearings(found: list[float], within: float = np.deg2rad(2.5)) -> list[float]:
    """Distinct bearings of many squares: those within a few degrees of one already there are the same [rad]."""
    kept: list[list[float]] = []
    for bearing in found:
        for group in kept:
            if abs((bearing - group[0] + np.pi / 2) % np.pi - np.pi / 2) <= within:
                group.append((bearing - group[0] + np.pi / 2) % np.pi - np.pi / 2 + group[0])
                break
        else:
            kept.append([bearing])
    return [float(np.median(group)) for group in kept]


def _join_pixels(keys: NDArray[np.int64], row: int) -> NDArray[np.int64]:
    """Label occupied pixels (sorted keys) that touch, corners included, within their slice."""
    pairs = []
    for step in (1, row - 1, row, row + 1):
        at = np.searchsorted(keys, keys + step)
        hit = np.flatnonzero(keys[np.minimum(at, len(keys) - 1)] == keys + step)
        pairs.append(np.stack([hit, at[hit]]))
    first, second = np.concatenate(pairs, axis=1)
    graph = sparse.coo_matrix((np.ones(len(first), np.int8), (first, second)), shape=(len(keys), len(keys)))
    return np.asarray(csgraph.connected_components(graph, directed=False)[1], np.int64)


def blobs(xyz: Floats, bearing: float) -> Blobs:
    """The small blobs of points (n, 3) [m] in slices across a bearing [rad]."""
    if not len(xyz):
        return Blobs(np.zeros((0, 3)), np.zeros(0, np.int64), np.zeros(0, np.int64))
    turn = axes(bearing)
    s, t = xyz[:, :2] @ turn[0], xyz[:, :2] @ turn[1]
    z = xyz[:, 2]
    slab = np.floor(s / SLICE_M).astype(np.int64)
    first, left, low = int(slab.min()), float(t.min()), float(z.min())
    across, up = ((t - left) / PIXEL_M).astype(np.int64) + 1, ((z - low) / PIXEL_M).astype(np.int64) + 1
    row, layer = int(up.max()) + 2, int(across.max()) + 2
    key = ((slab - first) * layer + across) * row + up
    keys, inverse = np.unique(key, return_inverse=True)
    label_of_pixel = _join_pixels(keys, row)
    label = label_of_pixel[inverse]
    number = int(label_of_pixel.max()) + 1
    pixel_up, pixel_across = keys % row, keys // row % layer
    spread = np.zeros((2, number), np.int64)
    for axis, pixel in enumerate((pixel_up, pixel_across)):
        highest, lowest = np.full(number, -1), np.full(number, np.iinfo(np.int64).max)
        np.maximum.at(highest, label_of_pixel, pixel)
        np.minimum.at(lowest, label_of_pixel, pixel)
        spread[axis] = highest - lowest + 1
    count = np.bincount(label, minlength=number)
    place = np.stack([np.bincount(label, values, number) / count for values in (s, t, z)], axis=1)
    slab_of = np.zeros(number, np.int64)
    slab_of[label] = slab
    small = (spread[0] <= TALLEST_PIXELS) & (spread[1] <= WIDEST_PIXELS)
    return Blobs(place[small], slab_of[small], count[small])


def join_blobs(parts: list[Blobs]) -> Blobs:
    """Blobs of several squares as one list, in order of their slices."""
    place = np.concatenate([part.place for part in parts]) if parts else np.zeros((0, 3))
    slab = np.concatenate([part.slab for part in parts]) if parts else np.zeros(0, np.int64)
    count = np.concatenate([part.count for part in parts]) if parts else np.zeros(0, np.int64)
    order = np.lexsort((place[:, 2], place[:, 1], slab))
    return Blobs(place[order], slab[order], count[order])


class _Open:
    """A track while it is followed: the blobs so far, and where the next is expected."""

    __slots__ = ("blobs", "slope_t", "slope_z")

    def __init__(self, blob: int) -> None:
        self.blobs = [blob]
        self.slope_t = 0.0
        self.slope_z = 0.0


def tracks(found: Blobs, bearing: float) -> list[Track]:
    """Follow blobs from slice to slice, each to the nearest that lies where it is expected.

    A track is expected on straight continuation of its last blobs, sideways within 0.6 m and in height within 0.35 m
    plus what curvature may add over the jump; a track of one blob may rise or fall by 0.45 m per metre,
    by 2.4 m at the most.
    """
    place, slab = found.place, found.slab
    done: list[_Open] = []
    live: list[_Open] = []
    edges = np.concatenate([[0], np.flatnonzero(np.diff(slab)) + 1, [len(slab)]]) if len(slab) else np.zeros(1, int)
    for start, stop in itertools.pairwise(edges):
        here = place[start:stop]
        free = np.ones(stop - start, bool)
        if live:
            last = place[[track.blobs[-1] for track in live]]
            length = np.array([len(track.blobs) for track in live])
            slopes = np.array([(track.slope_t, track.slope_z) for track in live])
            ahead = here[None, :, 0] - last[:, None, 0]
            off_t = here[None, :, 1] - last[:, None, 1] - slopes[:, None, 0] * ahead
            off_z = here[None, :, 2] - last[:, None, 2] - slopes[:, None, 1] * ahead
            young = (length < 3)[:, None]
            reach_t = np.where(young, 0.35 + 0.09 * ahead, 0.45 + 0.02 * ahead)
            reach_z = np.where(
                length[:, None] == 1,
                0.3 + np.minimum(0.45 * ahead, 2.4),
                np.where(young, 0.35 + 0.05 * ahead, 0.3 + 0.004 * ahead**1.5),
            )
            allowed = (ahead > 0.05) & (ahead < np.where(length[:, None] == 1, 3.2 * SLICE_M, LONGEST_JUMP_M))
            allowed &= (np.abs(off_t) <= reach_t) & (np.abs(off_z) <= reach_z)
            cost = np.where(
                allowed,
                np.hypot(off_t / reach_t, off_z / reach_z) + 0.02 * ahead - 0.05 * np.minimum(length, 8)[:, None],
                np.inf,
            )
            rows, columns = np.nonzero(allowed)
            taken = np.zeros(len(live), bool)
            for pick in np.argsort(cost[rows, columns], kind="stable"):
                row, column = int(rows[pick]), int(columns[pick])
                if taken[row] or not free[column]:
                    continue
                taken[row], free[column] = True, False
                track = live[row]
                track.blobs.append(start + column)
                recent = place[track.blobs[-4:]]
                offset = recent[:, 0] - recent[:, 0].mean()
                spread = float(offset @ offset)
                if spread > 0:
                    track.slope_t = float(offset @ recent[:, 1]) / spread
                    track.slope_z = float(offset @ recent[:, 2]) / spread
        still: list[_Open] = []
        front = float(here[:, 0].max())
        for track in live:
            reach = LONGEST_JUMP_M if len(track.blobs) > 1 else 3.2 * SLICE_M
            (still if front - place[track.blobs[-1], 0] < reach else done).append(track)
        live = still + [_Open(int(start + column)) for column in np.flatnonzero(free)]
    done += live
    return [Track(bearing, place[track.blobs], found.count[track.blobs]) for track in done if len(track.blobs) >= 2]
