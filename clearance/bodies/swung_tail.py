"""Owns the shape of a tail that hangs on an insulator string at its far end: its freed end moved along a line, the
string swinging to where what is left of its pull takes it.

A string is a chain of units or one stiff rod: the line is solved as both, and what lies between the two is uncertainty.
A rod about its attachment stands as one without weight stands that has half of it at its lower end.

This is no proof, as that of `wire.freed_tail` is: states are solved at places of the freed end, and between two of
them, and between chain and rod, the largest difference between neighbours is allowed once more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies.insulator import StringSpec, cuts_of, is_live
from clearance.bodies.wire import TailPiece
from clearance.conductor import elastic
from clearance.conductor.elastic import Segment
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]

STEP_M = 0.3
"""[m] Length of the pieces of wire that are drawn straight; a shorter one only makes the tail thinner."""

PARTS = 4
"""Parts of a piece of the way at whose ends the line is solved."""

SHORTEST_M = 0.02
"""[m] A piece of the way is not cut below this: what is not straight over it is uncertainty."""


@dataclass(frozen=True)
class Swinging:
    """A wire that hangs on a string at its fixed end.

    attachment_m: where the string hangs (3,) [m]; string: with its weight; length_m: of the wire [m]
    weight_N_m: of the wire, all subconductors together [N/m]; diameter_m: that holds it [m]
    uncertainty_m: survey and model error [m]
    """

    attachment_m: tuple[float, float, float]
    string: StringSpec
    length_m: float
    weight_N_m: float
    diameter_m: float
    uncertainty_m: float


@dataclass(frozen=True, eq=False)
class _State:
    """Points (n, 3) [m] of the wire at equal lengths, from the string's live end on; how far its string is from
    straight at most [m]."""

    points: Floats
    bowed_m: float


def pieces(
    line: Swinging, start: Sequence[float], end: Sequence[float], ranges: Sequence[tuple[float, float]], error_m: float
) -> tuple[TailPiece, ...]:
    """The tail while its freed end goes from start to end [m], the ranges cut until each is straight to error_m.

    The first capsule is the string's live hardware, from the end of its insulating part on: its first corner there.

    Raises: InputError where the line cannot be solved: shorter than the way to its freed end, or hung in two legs.

    The string hangs as it did at 0 m, for the wire ends where it did:

    >>> spec = StringSpec("strain", 3.0, 2.6, 0.25, weight_N=900.0)
    >>> line = Swinging((40.0, 0.0, 20.0), spec, 30.0, 13.5, 0.03, 0.0)
    >>> (piece,) = pieces(line, (15.0, 0.0, 10.0), (15.0, 0.0, 10.0), [(0.0, 0.0)], 0.1)
    >>> [round(float(value), 1) for value in piece.shape.vertices[1, 0]]
    [39.4, 0.0, 17.1]
    """
    first, last = np.asarray(start, float), np.asarray(end, float)
    _refuse_beyond(line, {"from_m": first, "lowered_to_m": last})
    travel = float(np.linalg.norm(last - first))
    toward = (last - first) / travel if travel > 0.0 else np.zeros(3)
    known: dict[float, tuple[_State, _State]] = {}

    def at(value: float) -> tuple[_State, _State]:
        if value not in known:
            freed = first + value * toward
            try:
                known[value] = _solved(line, freed, "rod"), _solved(line, freed, "chain")
            except InputError as error:
                expected, found = "a way along which wire and string hang in one curve", f"none at {value:.2f} m of it"
                remedy = "lead it further from below where the string is attached"
                raise InputError(Mistake(("tail", "lowered_to_m"), expected, found, remedy)) from error
        return known[value]

    found, waiting = list[TailPiece](), list(reversed(ranges))
    while waiting:
        low, high = waiting.pop()
        values = [float(value) for value in np.linspace(low, high, PARTS + 1)] if high > low else [low]
        states = [at(value) for value in values]
        rods, chains = ([pair[k].points for pair in states] for k in (0, 1))
        shares = [(value - low) / (high - low) if high > low else 0.0 for value in values]
        straight = [(1.0 - share) * rods[0] + share * rods[-1] for share in shares]
        bent = [np.linalg.norm(rod - one, axis=1) for rod, one in zip(rods, straight, strict=True)]
        if float(np.max(bent)) > error_m and high - low > 2.0 * SHORTEST_M:
            middle = 0.5 * (low + high)
            waiting += [(middle, high), (low, middle)]
            continue
        other = [np.linalg.norm(chain - one, axis=1) for chain, one in zip(chains, straight, strict=True)]
        bowed = max(state.bowed_m for pair in states for state in pair)
        found.append(_piece(line, (low, high), rods, np.array([bent, other]), (rods, chains), bowed))
    return tuple(found)


def _refuse_beyond(line: Swinging, ends: Mapping[str, Floats]) -> None:
    whole = line.length_m + line.string.length_m
    far = {field: float(np.linalg.norm(end - np.array(line.attachment_m))) for field, end in ends.items()}
    expected = f"a point within the {whole:.6g} m of conductor and string from where the string is attached"
    remedy = "move it nearer, or give the true length"
    mistakes = [Mistake(("tail", f), expected, f"one {at:.6g} m away", remedy) for f, at in far.items() if at > whole]
    if mistakes:
        raise InputError(mistakes)


def _solved(line: Swinging, freed: Floats, string: str) -> _State:
    weight, size = line.string.weight_N or 0.0, line.string.length_m
    wire = Segment(line.length_m, (0.0, 0.0, -line.weight_N_m))
    held = Segment(size, (0.0, 0.0, 0.0 if string == "rod" else -weight / size))
    below = np.array([0.0, 0.0, -0.5 * weight if string == "rod" else 0.0])
    hung = elastic.hang(np.array(line.attachment_m), freed, (held, wire), (below,), "tail on its string")
    count = max(24, math.ceil(line.length_m / STEP_M))
    points = elastic.at_shares(hung, (1, count))
    chord = float(np.linalg.norm(points[1] - points[0]))
    return _State(points[1:], 0.5 * math.sqrt(max(size**2 - chord**2, 0.0)))


def _piece(
    line: Swinging,
    span: tuple[float, float],
    rods: Sequence[Floats],
    away: Floats,
    curves: tuple[Sequence[Floats], Sequence[Floats]],
    bowed: float,
) -> TailPiece:
    """A piece from where its points are at both ends of its range; away (2, values, n): how far rod and chain are from
    straight there."""
    steps = [np.abs(np.diff(away, axis=axis)).max(axis=(0, 1)) for axis in (0, 1) if away.shape[axis] > 1]
    node = away.max(axis=(0, 1)) + np.sum(steps, axis=0)
    size = line.length_m / (len(rods[0]) - 1)
    chords = [np.linalg.norm(np.diff(points, axis=0), axis=1) for both in curves for points in both]
    # A curve of known length between two points leaves its chord by no more than half of this.
    drawn = 0.5 * np.sqrt(np.maximum(size**2 - np.min(chords, axis=0) ** 2, 0.0))
    room = np.maximum(node[:-1], node[1:]) + drawn
    _, live, whole = cuts_of(line.string)
    top = np.array(line.attachment_m)
    ends = [np.concatenate([(top + live / whole * (points[0] - top))[None], points]) for points in (rods[0], rods[-1])]
    rate = (ends[1] - ends[0]) / (span[1] - span[0]) if span[1] > span[0] else np.zeros_like(ends[0])
    radius = np.full(len(room) + 1, line.diameter_m / 2)
    radius[0] = max(radius[0], line.string.hardware_diameter_m / 2, *_rings(line.string))
    uncertainty = line.uncertainty_m + np.concatenate([[float(node[0]) + bowed], room])
    shape = shapes.polyline(ends[0] - span[0] * rate, radius, uncertainty)
    corners = np.ascontiguousarray(np.stack([rate[:-1], rate[1:], rate[1:]], axis=1))
    return TailPiece(span, replace(shape, rate=corners), float(uncertainty.max()) - line.uncertainty_m)


def _rings(string: StringSpec) -> tuple[float, ...]:
    """How far the live rings of a string reach from its axis [m]."""
    return tuple(0.5 * (ring.diameter_m + ring.tube_m) for ring in string.rings if is_live(string, ring))
