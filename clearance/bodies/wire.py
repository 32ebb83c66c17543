"""Owns the shapes of conductors: strung between two points, single or bundled, and a tail whose freed end is moved.

To make a strung one use `conductor`; for one that the job takes off and lowers use `freed_tail`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance import shapes
from clearance.conductor.catenary import Catenary, half_parameter, log_ratio, nodes, point3, refuse
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]

TAIL_ERROR_M: Final = 0.05
"""[m] Largest distance between a moving tail and its linear pieces; goes into uncertainty. Smaller: more pieces."""

CELLS: Final = 1024
"""[1] Sub-ranges on which one piece of a tail is enclosed. More: a tighter proof and fewer pieces, longer to build."""

SOLVER_WIDENING: Final = 1e-9
"""[1] Solved catenary parameters are widened by this part on both sides; the solver converges to about 1e-15."""

SHORTEST_PIECE: Final = 2.0**-30
"""[1] A piece shorter than this part of the path is not split again: the tail is then refused."""

_BUNDLES: Final[dict[int, tuple[tuple[float, float], ...]]] = {
    1: ((0.0, 0.0),),
    2: ((-0.5, 0.0), (0.5, 0.0)),
    3: ((-0.5, 0.5 / math.sqrt(3)), (0.5, 0.5 / math.sqrt(3)), (0.0, -1 / math.sqrt(3))),
    4: ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)),
}
"""Places of the sub-conductors about the axis of the bundle, across and up, in units of their spacing: a horizontal
pair, a triangle with one below, a square (common practice, no source)."""

_UPRIGHT: Final = ((0.0, -0.5), (0.0, 0.5))
"""The same for a vertical pair."""


@dataclass(frozen=True, eq=False)
class TailPiece:
    """A moving tail over a sub-range of its travel.

    lower_m: the sub-range (from, to) [m] of the distance its freed end has moved
    shape: with `Shape.rate` set: the corners at distance v are ``vertices + rate * v``, for v within lower_m only
    error_m: what the shape's uncertainty holds for the difference to the true curve [m]
    """

    lower_m: tuple[float, float]
    shape: Shape
    error_m: float


def conductor(
    catenary: Catenary,
    diameter_m: float,
    bundle_count: int = 1,
    bundle_spacing_m: float = 0.0,
    uncertainty_m: float = 0.0,
    chord_error_m: float = CHORD_ERROR_M,
    upright: bool = False,
) -> Shape:
    """Capsules along a strung conductor, or along each sub-conductor of a bundle.

    Parameters
    ----------
    catenary: the axis of the conductor or bundle
    diameter_m: of one sub-conductor [m]
    bundle_count: 1, 2 (horizontal pair), 3 (triangle, one below) or 4 (square)
    bundle_spacing_m: between neighbouring sub-conductors, axis to axis [m]
    uncertainty_m: survey and model error [m]; the chord error is added to it
    chord_error_m: greatest chord error allowed [m]
    upright: a pair one above the other instead of side by side

    Sub-conductors stand across the wire, at right angles to it, as spacers hold them. Between two nodes the
    sub-conductor at v from the axis is within the chord error plus v times the change of the normal of its own chord,
    and the normal changes by no more than the curve turns; this too goes into uncertainty.

    Raises `InputError` for a value out of range, and for a bundle between ends one exactly above the other.

    >>> from clearance.conductor.catenary import from_sag
    >>> twin = conductor(from_sag([0, 0, 15], [100, 0, 15], 2.0), 0.0281, bundle_count=2, bundle_spacing_m=0.4)
    >>> float(twin.vertices[:, :, 1].min()), float(twin.vertices[:, :, 1].max())
    (-0.2, 0.2)
    """
    mistakes = []
    if bundle_count not in _BUNDLES:
        mistakes.append(Mistake(("wire", "bundle count"), "1, 2, 3 or 4", f"{bundle_count!r}"))
    elif bundle_count > 1 and not bundle_spacing_m > diameter_m:
        mistakes.append(Mistake(("wire", "bundle spacing_m"), "more than diameter_m", f"{bundle_spacing_m!r} m"))
    if bundle_count != 1 and catenary.constant_m == 0:
        mistakes.append(Mistake(("wire", "bundle"), "a single conductor between ends one above the other", "a bundle"))
    refuse("wire", positive={"diameter_m": diameter_m}, not_negative={"uncertainty_m": uncertainty_m}, others=mistakes)
    along = nodes(catenary, chord_error_m)
    east, north = catenary.direction
    across = np.array([-north, east, 0.0])
    parts = []
    for sideways, upward in bundle_places(bundle_count, bundle_spacing_m, upright):
        offset = sideways * across + upward * along.upward
        turned = abs(upward) * along.turn_rad
        uncertainty = uncertainty_m + along.error_m + turned
        parts.append(shapes.polyline(along.points + offset, diameter_m / 2, uncertainty))
    return shapes.join(parts)


def bundle_places(count: int, spacing_m: float, upright: bool = False) -> tuple[tuple[float, float], ...]:
    """Places of the sub-conductors about the axis of a bundle of 1 to 4, across and up [m].

    >>> bundle_places(2, 0.4)
    ((-0.2, 0.0), (0.2, 0.0))
    """
    places = _UPRIGHT if upright and count == 2 else _BUNDLES[count]
    return tuple((spacing_m * across, spacing_m * up) for across, up in places)


def freed_tail(
    length_m: float,
    far_end: ArrayLike,
    from_point: ArrayLike,
    to_point: ArrayLike,
    diameter_m: float,
    uncertainty_m: float = 0.0,
    ranges: Sequence[tuple[float, float]] | None = None,
    largest_error_m: float = TAIL_ERROR_M,
    chord_error_m: float = 2 * CHORD_ERROR_M,
) -> tuple[TailPiece, ...]:
    """A conductor of given length, its far end fixed, its freed end moved along a straight line, held all the way.

    Parameters
    ----------
    length_m: of conductor between the two ends [m]
    far_end: the end that stays fixed [m]
    from_point, to_point: where the freed end starts and ends [m]
    diameter_m: of the conductor [m]
    uncertainty_m: model error besides [m]; the difference between pieces and true curve is added to it
    ranges: the ranges (from, to) of the freed end's travel [m] that are wanted, each a union of whole pieces; default
        all
    largest_error_m: greatest difference to the true curve allowed [m]
    chord_error_m: the part of it that chords may take [m]

    The tail hangs at rest at every instant: its whip, and the part that comes to lie on the ground or over a body,
    are not modelled.

    The bound. Nodes are taken at equal horizontal steps, so their plan coordinates are linear in the travel and
    exact. For the height of a node the range of the piece is cut into `CELLS` cells; on each cell span, rise, u and q
    (see `clearance.conductor.catenary`) are enclosed from their monotonicity, and so is the node's height
    ``(L sinh(u k) / u) sinh(q - u (1 - k))`` at the fraction k, as a product of two factors that are each monotone in
    u, in L and in q. The largest distance between these enclosures and the linear motion is the node's error; on a
    segment it is the larger one of its two nodes, plus the chord error at the largest span and u. Pieces are halved
    until it is small. Where the span is at most largest_error_m the tail is two vertical legs down to the fold, whose
    motion is exactly linear: the curve is nowhere lower than the fold and nowhere higher than its higher end, and no
    wider than its span, so every point of it is within one span of a leg at its own height.

    Raises `InputError` for a value out of range, or where the freed end is further from the far end than the tail is
    long.
    """
    fixed = np.array(point3("tail", "far_end", far_end))
    start, end = np.array(point3("tail", "from_m", from_point)), np.array(point3("tail", "lowered_to_m", to_point))
    refuse(
        "tail",
        positive={
            "length_m": length_m,
            "diameter_m": diameter_m,
            "largest_error_m": largest_error_m,
            "chord_error_m": chord_error_m,
        },
        not_negative={"uncertainty_m": uncertainty_m},
    )
    # The distance to a fixed point is convex along a line, so its largest value is at one of the two ends.
    mistakes = [
        Mistake(
            ("tail", field),
            f"a point within the {length_m:.6g} m of conductor from its far end",
            f"one {distance:.6g} m away",
            "move it nearer, or give the true length",
        )
        for field, place in (("from_m", start), ("lowered_to_m", end))
        if (distance := float(np.linalg.norm(place - fixed))) > length_m
    ]
    travel = float(np.linalg.norm(end - start))
    for low, high in ranges or ():
        if not (0 <= low <= high <= travel * (1 + 1e-12)):
            mistakes.append(
                Mistake(("tail", "lower_m"), f"a rising range within 0 to {travel:.6g} m", f"[{low!r}, {high!r}]")
            )
    if mistakes:
        raise InputError(mistakes)
    toward = (end - start) / travel if travel > 0 else np.zeros(3)
    line = _Line(length_m, fixed, start, toward, diameter_m / 2, uncertainty_m, largest_error_m, chord_error_m)
    pieces: list[TailPiece] = []
    for low, high in _without_overlap(ranges if ranges is not None else [(0.0, travel)]):
        pending = [(low, high)]
        while pending:
            low, high = pending.pop()
            piece = _legs(line, low, high) or _hanging(line, low, high)
            if piece is not None:
                pieces.append(piece)
            elif high - low <= SHORTEST_PIECE * travel:
                where = ("tail", "length_m")
                raise InputError(
                    Mistake(where, "a tail that is loose everywhere", f"one drawn tight at {low:.6g} m", "add length")
                )
            else:
                middle = (low + high) / 2
                pending += [(middle, high), (low, middle)]
    return tuple(pieces)


@dataclass(frozen=True, eq=False)
class _Line:
    length: float
    fixed: Floats
    start: Floats
    toward: Floats
    radius: float
    uncertainty: float
    largest_error: float
    chord_error: float

    def freed(self, travel: ArrayLike) -> Floats:
        """The freed end (n, 3), seen from the far end, after each travel (n,)."""
        return self.start - self.fixed + np.asarray(travel, float)[..., None] * self.toward


def _without_overlap(ranges: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Ranges cut at each other's ends, so that each given one is a union of whole ones."""
    cuts = sorted({bound for pair in ranges for bound in pair})
    between = [(low, high) for low, high in pairwise(cuts) if any(a <= low and high <= b for a, b in ranges)]
    alone = [(low, low) for low, high in ranges if low == high and not any(a <= low <= b for a, b in between)]
    return sorted(set(between + alone))


def _span_over(line: _Line, edges: Floats) -> tuple[Floats, Floats]:
    """Least and greatest horizontal distance between the ends over each cell between edges (m + 1,)."""
    level = line.freed(edges)[:, :2]
    far = np.hypot(level[:, 0], level[:, 1])
    square = float(line.toward[:2] @ line.toward[:2])
    nearest = -float((line.start - line.fixed)[:2] @ line.toward[:2]) / square if square > 0 else edges[0]
    closest = line.freed(np.clip(nearest, edges[:-1], edges[1:]))[:, :2]
    return np.hypot(closest[:, 0], closest[:, 1]), np.maximum(far[:-1], far[1:])


def _linear(
    line: _Line, low: float, high: float, at_low: Floats, at_high: Floats, uncertainty: ArrayLike, error: float
) -> TailPiece:
    rate = (at_high - at_low) / (high - low) if high > low else np.zeros_like(at_low)
    at_zero = at_low - low * rate
    shape = shapes.polyline(at_zero + line.fixed, line.radius, uncertainty)
    corners = np.stack([rate[:-1], rate[1:], rate[1:]], axis=1)
    return TailPiece((low, high), replace(shape, rate=np.ascontiguousarray(corners)), error)


def _legs(line: _Line, low: float, high: float) -> TailPiece | None:
    """The piece as two vertical legs, where its span is small enough for that."""
    _, widest = _span_over(line, np.array([low, high]))
    width = float(widest[0])
    if width > line.largest_error:
        return None
    freed = line.freed([low, high])
    fold = freed / 2
    fold[:, 2] = (freed[:, 2] - line.length) / 2
    ends = [np.array([np.zeros(3), fold[index], freed[index]]) for index in (0, 1)]
    return _linear(line, low, high, ends[0], ends[1], line.uncertainty + width, width)


def _heights(
    fraction: Floats, span: tuple[Floats, Floats], half: tuple[Floats, Floats], middle: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Enclosure (cells, nodes) of the heights at fractions of the span, from enclosures (cells,) of span, u and q."""

    def grown(half: Floats) -> Floats:
        safe = np.where(half > 0, half, 1.0)
        return np.where(half > 0, np.sinh(safe * fraction) / safe, fraction)

    lows, highs = (
        [value[:, None] for value in (span[0], half[0], middle[0])],
        [v[:, None] for v in (span[1], half[1], middle[1])],
    )
    first = lows[0] * grown(lows[1]), highs[0] * grown(highs[1])
    second = np.sinh(lows[2] - highs[1] * (1 - fraction)), np.sinh(highs[2] - lows[1] * (1 - fraction))
    # The first factor is never negative, so the sign of the second says which of its bounds belongs where.
    lowest = np.where(second[0] < 0, first[1], first[0]) * second[0]
    highest = np.where(second[1] < 0, first[0], first[1]) * second[1]
    return lowest, highest


def _hanging(line: _Line, low: float, high: float) -> TailPiece | None:
    """The piece as a chain of nodes that move linearly, or None where its error would be too large."""
    edges = np.linspace(low, high, CELLS + 1)
    narrow, wide = _span_over(line, edges)
    if narrow.min() < line.largest_error / 4:
        return None
    rise = line.freed(edges)[:, 2]
    least_rise = np.where(rise[:-1] * rise[1:] <= 0, 0.0, np.minimum(abs(rise[:-1]), abs(rise[1:])))
    most_rise = np.maximum(abs(rise[:-1]), abs(rise[1:]))
    half = (
        half_parameter(log_ratio(wide, most_rise, line.length)) * (1 - SOLVER_WIDENING),
        half_parameter(log_ratio(narrow, least_rise, line.length)) * (1 + SOLVER_WIDENING),
    )
    lean = np.arctanh(np.clip(rise / line.length, -1 + 1e-15, 1 - 1e-15))
    middle = np.minimum(lean[:-1], lean[1:]), np.maximum(lean[:-1], lean[1:])

    most_half, most_span = float(half[1].max()), float(wide.max())
    count = max(1, math.ceil(2 * most_half))
    while (
        chord := most_span / most_half * math.sinh(most_half / (2 * count)) ** 2 if most_half > 0 else 0.0
    ) > line.chord_error:
        count = max(count + 1, math.ceil(count * math.sqrt(chord / line.chord_error)))
    fraction = np.linspace(0, 1, count + 1)
    lowest, highest = _heights(fraction, (narrow, wide), half, middle)

    freed = line.freed([low, high])
    at_ends = []
    for tip in freed:
        span = np.array([math.hypot(tip[0], tip[1])])
        exact = half_parameter(log_ratio(span, tip[2], line.length))
        slope = np.arctanh(np.clip(tip[2:] / line.length, -1 + 1e-15, 1 - 1e-15))
        height, _ = _heights(fraction, (span, span), (exact, exact), (slope, slope))
        chain = np.concatenate([fraction[:, None] * tip[:2], height.T], axis=1)
        chain[-1] = tip
        at_ends.append(chain)
    share = np.linspace(0, 1, CELLS + 1)[:, None]
    moved = (1 - share) * at_ends[0][:, 2] + share * at_ends[1][:, 2]
    above = highest - np.minimum(moved[:-1], moved[1:])
    below = np.maximum(moved[:-1], moved[1:]) - lowest
    node_error = np.maximum(above, below).max(axis=0)
    node_error[0] = node_error[-1] = 0.0
    error = np.maximum(np.maximum(node_error[:-1], node_error[1:]), 0.0) + chord
    if error.max() > line.largest_error:
        return None
    return _linear(line, low, high, at_ends[0], at_ends[1], line.uncertainty + error, float(error.max()))
