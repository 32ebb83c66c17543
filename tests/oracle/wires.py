"""Owns the shape of a wire as its equation gives it: a span by tension, sag or constant, a jumper by its length.

A span is one flexible line from attachment to attachment: its strain strings are in line with the wire, as heavy as the
wire unless their weight is stated; a suspension string hangs straight down.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, fsolve

from oracle.reading import Table, reference

Points = NDArray[np.float64]
STEP = 0.05
"""Spacing of points along a slack line [m]."""
TAUT_STEP = 0.5
"""Along a tensioned one [m]: its chords are off by 0.1 mm where it is curved by 300 m, as those here are and more."""
Place = Callable[[object], Points]


@dataclass(frozen=True)
class Hung:
    """A wire's live part, as points along it from its `from` end."""

    name: str
    points: Points
    origin: Points
    """Where references to it are counted from: its `from_m`."""

    @cached_property
    def _along(self) -> tuple[NDArray[np.float64], Points]:
        level = self.points[-1, :2] - self.points[0, :2]
        level = level / max(float(np.linalg.norm(level)), 1e-12)
        return (self.points[:, :2] - self.origin[:2]) @ level, level

    def at(self, metres: float) -> Points:
        """The point so far from its `from_m`, horizontally."""
        along, _ = self._along
        return np.array([np.interp(metres, along, self.points[:, axis]) for axis in range(3)])


@dataclass(frozen=True)
class _Piece:
    weight: float
    length: float | None
    """None for the wire itself, which is as long as it takes."""


def span(wire: Table, place: Place) -> Hung:
    start, end = place(wire["from_m"]), place(wire["to_m"])
    origin = start
    pieces = [_Piece(weight := float(wire.get("weight_N_m") or 1.0), None)]
    for key, front in (("from_string", True), ("to_string", False)):
        string = wire.get(key)
        if string is None:
            continue
        length = float(string["length_m"])
        if string["kind"] == "suspension":
            down = np.array([0.0, 0.0, length])
            start, end = (start - down, end) if front else (start, end - down)
        else:
            heavy = string["weight_N"] / length if string.get("weight_N") and wire.get("weight_N_m") else weight
            pieces.insert(0 if front else len(pieces), _Piece(heavy, length))
    width, rise = float(np.linalg.norm((end - start)[:2])), float(end[2] - start[2])
    if wire.get("horizontal_tension_N") is not None:
        pull = float(wire["horizontal_tension_N"])
    elif wire.get("catenary_constant_m") is not None:
        pull = float(wire["catenary_constant_m"]) * weight
    else:
        pull = _pull_for_sag(pieces, width, rise, float(wire["sag_m"]))
    flat, high, live = _line(pieces, width, rise, pull)
    points = start + np.outer(flat / width, np.append((end - start)[:2], 0.0)) + np.outer(high, [0, 0, 1])
    return Hung(wire["name"], points[live], origin)


def _pull_for_sag(pieces: list[_Piece], width: float, rise: float, sag: float) -> float:
    def short(log_pull: float) -> float:
        flat, high, _ = _line(pieces, width, rise, float(np.exp(log_pull)))
        return rise / 2 - float(np.interp(width / 2, flat, high)) - sag

    guess = np.log(pieces[len(pieces) // 2].weight * width**2 / (8 * sag))
    return float(np.exp(brentq(short, guess - 1.2, guess + 1.2, xtol=1e-10)))


def _line(pieces: list[_Piece], width: float, rise: float, pull: float) -> tuple[Points, Points, Points]:
    """Points of the line in its plane, and which of them are the wire's own."""

    def ends(unknown: NDArray[np.float64]) -> tuple[list[float], list[float], list[float]]:
        force, wire_length = unknown
        xs, zs, forces = [0.0], [0.0], [float(force)]
        for piece in pieces:
            length = wire_length if piece.length is None else piece.length
            after = forces[-1] + piece.weight * length
            xs.append(xs[-1] + pull / piece.weight * (np.arcsinh(after / pull) - np.arcsinh(forces[-1] / pull)))
            zs.append(zs[-1] + (np.hypot(pull, after) - np.hypot(pull, forces[-1])) / piece.weight)
            forces.append(after)
        return xs, zs, forces

    def miss(unknown: NDArray[np.float64]) -> list[float]:
        xs, zs, _ = ends(unknown)
        return [xs[-1] - width, zs[-1] - rise]

    strings = sum(piece.length or 0.0 for piece in pieces)
    load = sum(piece.weight * (piece.length or np.hypot(width, rise) - strings) for piece in pieces)
    first = np.array([pull * rise / width - load / 2, np.hypot(width, rise) - strings])
    found, _, flag, why = fsolve(miss, first, full_output=True, xtol=1e-13)
    assert flag == 1 or np.abs(miss(found)).max() < 1e-6, why
    xs, zs, forces = ends(found)
    flat, high, live = [np.zeros(1)], [np.zeros(1)], [np.zeros(1, dtype=bool)]
    for number, piece in enumerate(pieces):
        length = float(found[1]) if piece.length is None else piece.length
        force = forces[number] + piece.weight * np.linspace(0, length, max(3, int(length / TAUT_STEP) + 2))
        flat.append(xs[number] + pull / piece.weight * (np.arcsinh(force / pull) - np.arcsinh(forces[number] / pull)))
        high.append(zs[number] + (np.hypot(pull, force) - np.hypot(pull, forces[number])) / piece.weight)
        live.append(np.full(len(force), piece.length is None))
    return np.concatenate(flat), np.concatenate(high), np.concatenate(live)


def hanging(start: Points, end: Points, length: float) -> Points:
    """Points of a line of a given length that hangs between two points; straight where it is too short."""
    if start[2] > end[2]:
        return hanging(end, start, length)[::-1]
    width, rise = float(np.linalg.norm((end - start)[:2])), float(end[2] - start[2])
    count = max(3, int(length / STEP) + 2)
    share = np.linspace(0, 1, count)[:, None]
    if length <= np.hypot(width, rise) * (1 + 1e-9):
        return start + share * (end - start)
    if width < 1e-6 * length:  # down to the bight and up again
        low = (length - rise) / 2
        down = np.linspace(0, length, count)
        height = np.where(down < low, -down, -low + (down - low))
        return start + np.outer(height, [0, 0, 1])
    # sqrt(length2 - rise2) = 2 c sinh(width / 2 c), the equation of a catenary of given length
    ratio = np.sqrt(length**2 - rise**2) / width
    half = brentq(lambda u: np.log(np.sinh(u) / u) - np.log(ratio), 1e-9, 300.0)
    c = width / (2 * half)
    lowest = width / 2 - c * np.arctanh(rise / length)
    slope = np.sinh(-lowest / c) + np.linspace(0, length, count) / c
    flat = lowest + c * np.arcsinh(slope)
    high = c * (np.sqrt(1 + slope**2) - np.cosh(lowest / c))
    return start + np.outer(flat / width, np.append((end - start)[:2], 0.0)) + np.outer(high, [0, 0, 1])


def all_wires(scene: Table) -> dict[str, Hung]:
    """Every wire of the scene where it hangs as stated, in still air."""
    hung: dict[str, Hung] = {}
    waiting = list(scene.get("wires", ()))

    def place(value: object) -> Points:
        if not isinstance(value, str):
            return np.asarray(value, dtype=float)
        name, metres = reference(value)
        return hung[name].points[-1] if metres is None else hung[name].at(metres)

    while waiting:
        ready = [wire for wire in waiting if all(_known(wire[key], hung) for key in ("from_m", "to_m"))]
        assert ready, f"places of wires that refer to one another: {[wire['name'] for wire in waiting]}"
        for wire in ready:
            waiting.remove(wire)
            if wire["kind"] == "span":
                hung[wire["name"]] = span(wire, place)
            else:
                start, end = place(wire["from_m"]), place(wire["to_m"])
                hung[wire["name"]] = Hung(wire["name"], hanging(start, end, float(wire["length_m"])), start)
    return hung


def _known(value: object, hung: dict[str, Hung]) -> bool:
    return not isinstance(value, str) or reference(value)[0] in hung
