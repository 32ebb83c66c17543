"""Owns statics of a hanging line: elastic or inextensible, under any load per metre, with loads at points along it.

A line is a list of `Segment`: conductor, insulator string, tool, each with its unstretched length, load per unstretched
metre (a vector, so wind needs nothing special) and axial stiffness. Between two segments a force may hang. To hang a
line between two points use `hang`; to put loads on a uniform conductor use `loaded`; to draw it use `polyline`; for
numbers at its ends and its lowest point use `end_force`, `joints`, `lowest`.

How it is solved. Along a segment the tension is T(s) = T0 - w s, and the unit elastic line is the closed form of Irvine
[1]_ in the plane of T0 and w. The gap between where the line ends and where it should end is the gradient, in the three
components of the tension at the start, of the complementary energy: the integral of |T| + |T|^2 / 2EA less T0 . d. That
function is convex, so there is one equilibrium and a damped Newton iteration finds it from any start. What does not
converge is refused.

References
----------
.. [1] H. M. Irvine, "Cable Structures", MIT Press, 1981, section 1.2.3 (elastic catenary) and 2.3 (point loads).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import asinh, hypot, inf, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.conductor.least import newton
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]

RESIDUAL_M = 1.0e-7
"""[m] A line is accepted when its end misses its attachment by less, times (1 + length / 1 km); larger: wrong sags
pass."""


@dataclass(frozen=True)
class Segment:
    """A piece of a line of one make.

    length_m: unstretched length [m]
    load_N_m: force on each unstretched metre (3,) [N/m]; weight alone is (0, 0, -w)
    stiffness_N: axial stiffness E A [N]; infinite for a piece that does not stretch
    """

    length_m: float
    load_N_m: tuple[float, float, float]
    stiffness_N: float = inf

    @cached_property
    def load(self) -> tuple[Floats, float, Floats]:
        """The load and its size [N/m], and its direction, where it has one."""
        load = np.array(self.load_N_m, float)
        weight = sqrt(load.dot(load))
        return load, weight, load / (weight or 1.0)


@dataclass(frozen=True, eq=False)
class Hung:
    """A line in equilibrium.

    start, end: where it is held (3,) [m]
    force: tension at the start, along the line (3,) [N]; the support there is pulled by this force
    segments, loads: what it is made of; loads[i] hangs at the end of segments[i] (3,) [N]
    residual_m: how far its end is from `end` [m]
    """

    start: Floats
    end: Floats
    force: Floats
    segments: tuple[Segment, ...]
    loads: tuple[Floats, ...]
    residual_m: float


def run(force: Floats, segments: Sequence[Segment], loads: Sequence[Floats]) -> tuple[Floats, Floats, float, Floats]:
    """From the tension at the start, where the line ends.

    Returns displacement (3,) [m], its derivative in the tension, symmetric (3, 3) [m/N], the complementary energy [N
    m] and the tension at the end (3,) [N], before any load hung there.
    """
    place, slope, energy, tension = [0.0] * 3, [0.0] * 9, 0.0, np.array(force, float)
    for index, segment in enumerate(segments):
        step, gain, stored, leaving = _piece(tension, segment, segment.length_m)
        place = [one + more for one, more in zip(place, step, strict=True)]
        slope = [one + more for one, more in zip(slope, gain, strict=True)]
        energy += stored
        tension = leaving
        if index < len(segments) - 1:
            # A force P pulling the joint down is taken by the tension difference: T_next = T - P.
            tension = tension - loads[index]
    return np.array(place), np.array(slope).reshape(3, 3), energy, tension


def _piece(tension: Floats, segment: Segment, length: float) -> tuple[list[float], list[float], float, Floats]:
    """One segment: displacement, derivative row by row, complementary energy and the tension at its end.

    By numbers, not by arrays: of three numbers an array takes several times as long, and this is asked a million times.
    """
    load, weight, down = segment.load
    leaving = tension - load * length
    soft = 0.0 if segment.stiffness_N == inf else length / segment.stiffness_N
    start, end = tension.tolist(), leaving.tolist()
    stretch = [soft * (a + b) / 2.0 for a, b in zip(start, end, strict=True)]
    own = tension.dot(tension)
    squared = float(own + tension.dot(leaving) + leaving.dot(leaving)) / 3.0
    size = sqrt(own)
    if weight * length <= 1e-6 * size:
        # Straight to within (w L / T)^2 / 24 of its length, under 1e-13: the closed form would only lose digits.
        middle = (tension + leaving) / 2.0
        scale = sqrt(middle.dot(middle))
        unit = [part / scale for part in middle.tolist()]
        rest = length / scale
        gain = [((i == j) - u * v) * rest + (i == j) * soft for i, u in enumerate(unit) for j, v in enumerate(unit)]
        place = [u * length + more for u, more in zip(unit, stretch, strict=True)]
        return place, gain, scale * length + soft * squared / 2.0, leaving
    first = float(tension.dot(down))
    last = first - weight * length
    across = tension - first * down
    level = max(sqrt(across.dot(across)), 1e-9 * weight * length, 1e-12 * size)
    root_first, root_last = hypot(level, first), hypot(level, last)
    turned = asinh(first / level) - asinh(last / level)
    whole, sunk = turned / weight, (root_first - root_last) / weight
    (x, y, z), (d, e, f) = across.tolist(), down.tolist()
    place = [x * whole + d * sunk + stretch[0], y * whole + e * sunk + stretch[1], z * whole + f * sunk + stretch[2]]
    across_part = (first / root_first - last / root_last) / weight
    mixed = level * (1.0 / root_last - 1.0 / root_first) / weight
    x, y, z = x / level, y / level, z / level
    rest, both = whole + soft, whole - across_part
    a, b, c = across_part * x, across_part * y, across_part * z
    g, h, k = both * d, both * e, both * f
    xe, xf, yf = mixed * (x * e + y * d), mixed * (x * f + z * d), mixed * (y * f + z * e)
    gain = [
        rest - a * x - mixed * (x * d + x * d) - g * d, 0.0 - a * y - xe - g * e, 0.0 - a * z - xf - g * f,
        0.0 - b * x - xe - h * d, rest - b * y - mixed * (y * e + y * e) - h * e, 0.0 - b * z - yf - h * f,
        0.0 - c * x - xf - k * d, 0.0 - c * y - yf - k * e, rest - c * z - mixed * (z * f + z * f) - k * f,
    ]  # fmt: skip
    energy = (first * root_first - last * root_last + level * level * turned) / (2.0 * weight) + soft * squared / 2.0
    return place, gain, energy, leaving


def along(tension: Floats, segment: Segment, lengths_m: Floats) -> Floats:
    """Displacements (n, 3) [m] at unstretched lengths (n,) [m] along a segment that starts with a tension (3,) [N].

    The closed form of the module, for many places at once.

    >>> line = hang([0, 0, 0], [300, 0, 0], [Segment(303.0, (0.0, 0.0, -15.0))])
    >>> middle = along(line.force, line.segments[0], np.array([151.5]))
    >>> [round(float(value), 3) for value in middle[0]]
    [150.0, 0.0, -18.435]
    """
    load, lengths = np.asarray(segment.load_N_m, float), np.asarray(lengths_m, float)[:, None]
    weight, size = float(np.linalg.norm(load)), float(np.linalg.norm(tension))
    soft = np.zeros_like(lengths) if segment.stiffness_N == inf else lengths / segment.stiffness_N
    stretch = soft * (tension - load * lengths / 2.0)
    if weight * segment.length_m <= 1e-6 * size:
        middle = tension - load * lengths / 2.0
        return np.asarray(middle / np.linalg.norm(middle, axis=1)[:, None] * lengths + stretch, float)
    down = load / weight
    first = float(tension @ down)
    across = tension - first * down
    level = max(float(np.linalg.norm(across)), 1e-9 * weight * segment.length_m, 1e-12 * size)
    last = first - weight * lengths
    turned = asinh(first / level) - np.arcsinh(last / level)
    fall = (hypot(level, first) - np.hypot(level, last)) / weight
    return np.asarray(across * (turned / weight) + down * fall + stretch, float)


def hang(
    start: ArrayLike,
    end: ArrayLike,
    segments: Sequence[Segment],
    loads: Sequence[ArrayLike] | None = None,
    what: str = "line",
) -> Hung:
    """A line of several segments hung between two points.

    Parameters
    ----------
    start, end: attachments (3,) [m]
    segments: from start to end
    loads: forces at the joints, one fewer than segments (3,) each [N]; none when omitted
    what: name for messages

    Returns
    -------
    The line in equilibrium. One solution exists when the line is longer than the chord, or stretches.

    Raises
    ------
    InputError: an inextensible line shorter than its chord, a load count that does not fit, no convergence.

    Examples
    --------
    A 300 m level span of 303 m of wire of 15 N/m that does not stretch has the horizontal tension of the catenary:
    2 c sinh(150 / c) = 303 gives c = 613.28 m, H = 15 c.

    >>> line = hang([0, 0, 0], [300, 0, 0], [Segment(303.0, (0.0, 0.0, -15.0))])
    >>> print(round(float(line.force[0]), 1), round(float(line.force[2]), 1))
    9199.3 -2272.5
    """
    first, last = np.asarray(start, float), np.asarray(end, float)
    pieces = tuple(segments)
    hung = tuple(
        np.asarray(load, float) for load in (loads if loads is not None else [np.zeros(3)] * (len(pieces) - 1))
    )
    if len(hung) != len(pieces) - 1:
        raise InputError(Mistake((what, "loads"), f"{len(pieces) - 1} forces at the joints", f"{len(hung)}"))
    chord = last - first
    length = sum(piece.length_m for piece in pieces)
    if all(piece.stiffness_N == inf for piece in pieces) and length <= float(np.linalg.norm(chord)):
        raise InputError(
            Mistake(
                (what, "length_m"),
                f"more than the chord of {np.linalg.norm(chord):.3f} m",
                f"{length:.3f} m",
                "give more wire or a stiffness",
            )
        )

    def balance(force: Floats) -> tuple[float, Floats, Floats]:
        place, slope, energy, _ = run(force, pieces, hung)
        # `energy` omits the constant part of the loads, which does not move the minimum.
        return energy - float(force @ chord), place - chord, slope

    force, residual = newton(balance, _guess(chord, pieces, hung), RESIDUAL_M * (1.0 + length / 1000.0), what)
    return Hung(first, last, force, pieces, hung, residual)


def _guess(chord: Floats, segments: Sequence[Segment], loads: Sequence[Floats]) -> Floats:
    """Tension at the start from the parabola under the mean load, stretch included."""
    total = sum((np.asarray(s.load_N_m) * s.length_m for s in segments), np.zeros(3)) + sum(loads, np.zeros(3))
    length = sum(s.length_m for s in segments)
    reach = float(np.linalg.norm(chord)) or 1e-3 * length
    unit = chord / reach if np.linalg.norm(chord) > 0 else np.array([1.0, 0.0, 0.0])
    sideways = float(np.linalg.norm(total - (total @ unit) * unit)) or 1e-3 * (float(np.linalg.norm(total)) + 1.0)
    soft = sum(0.0 if s.stiffness_N == inf else s.length_m / s.stiffness_N for s in segments)
    low, high = 1e-9, 1e12
    for _ in range(200):
        pull = sqrt(low * high)
        low, high = (
            (pull, high) if reach * sideways**2 / (24.0 * pull**2) > length - reach + pull * soft else (low, pull)
        )
    return unit * max(sqrt(low * high), 0.05 * sideways) + total / 2.0


def loaded(
    start: ArrayLike,
    end: ArrayLike,
    length_m: float,
    load_N_m: tuple[float, float, float],
    stiffness_N: float,
    hung: Sequence[tuple[float, ArrayLike]],
    what: str = "line",
) -> Hung:
    """A uniform conductor of unstretched length [m] with forces hung on it.

    hung: pairs (unstretched distance from the start [m], force (3,) [N] or weight [N], taken downwards): a worker, a
        ladder, a trolley, an insulator hung as a weight. Order does not matter.

    Examples
    --------
    A 1000 N worker at mid-span of a weightless 100.5 m line over 100 m pulls it into a triangle 5.006 m deep:

    >>> line = loaded([0, 0, 0], [100, 0, 0], 100.5, (0.0, 0.0, -1e-6), inf, [(50.25, 1000.0)])
    >>> print(round(-float(joints(line)[1][2]), 3))
    5.006
    """
    spots = sorted(((float(at), np.asarray(force, float)) for at, force in hung), key=lambda spot: spot[0])
    for at, _ in spots:
        if not 0.0 < at < length_m:
            raise InputError(Mistake((what, "load"), f"a place between 0 and {length_m:.3f} m", f"{at} m"))
    edges = [0.0, *(at for at, _ in spots), length_m]
    pieces = [Segment(b - a, load_N_m, stiffness_N) for a, b in itertools.pairwise(edges)]
    keep = [index for index, piece in enumerate(pieces) if piece.length_m > 0.0]
    forces: list[Floats] = []
    for order, index in enumerate(keep[:-1]):
        # Loads at one place share a joint.
        between = [
            force if force.shape == (3,) else np.array([0.0, 0.0, -float(force)])
            for _, force in spots[index : keep[order + 1]]
        ]
        forces.append(sum(between, np.zeros(3)))
    return hang(start, end, [pieces[index] for index in keep], forces, what)


def end_force(line: Hung) -> Floats:
    """Tension at the end of the line (3,) [N], along the line; the support there is pulled by its opposite."""
    return run(line.force, line.segments, line.loads)[3]


def _walk(line: Hung) -> list[tuple[Floats, Floats]]:
    """Where each segment begins and the tension there; last, where the line ends."""
    places = [(line.start.copy(), line.force.copy())]
    for index, segment in enumerate(line.segments):
        place, tension = places[-1]
        step, _, _, leaving = _piece(tension, segment, segment.length_m)
        places.append((place + np.array(step), leaving - line.loads[index] if index < len(line.loads) else leaving))
    return places


def joints(line: Hung) -> Floats:
    """Start, joints and end (n + 1, 3) [m] of a line of n segments."""
    return np.array([place for place, _ in _walk(line)])


def polyline(line: Hung, chord_error_m: float) -> tuple[Floats, float]:
    """Points (n, 3) [m] along the line and a proven bound [m] on the line's distance from their chords.

    In the unstretched length s the second derivative of the position is at most w / |T| + w / EA, with |T| its least
    over the segment, so chords over a step of s leave at most that times step^2 / 8.
    """
    points, worst = [line.start[None]], 0.0
    for (place, tension), segment in zip(_walk(line), line.segments, strict=False):
        load = np.asarray(segment.load_N_m, float)
        weight = float(np.linalg.norm(load))
        least = _least_tension(tension, load, segment.length_m)
        bend = weight / least + (0.0 if segment.stiffness_N == inf else weight / segment.stiffness_N)
        count = max(1, int(np.ceil(segment.length_m * sqrt(bend / (8.0 * chord_error_m)))))
        worst = max(worst, bend * (segment.length_m / count) ** 2 / 8.0)
        points.append(place + along(tension, segment, np.linspace(0.0, segment.length_m, count + 1)[1:]))
    return np.concatenate(points), worst + line.residual_m


def chord_counts(lines: Sequence[Hung], chord_error_m: float) -> tuple[int, ...]:
    """Chords of each segment that keep every one of several states of a line within a chord error, as `polyline`
    does."""
    counts = [1] * len(lines[0].segments)
    for line in lines:
        for index, ((_, tension), segment) in enumerate(zip(_walk(line), line.segments, strict=False)):
            load = np.asarray(segment.load_N_m, float)
            weight = float(np.linalg.norm(load))
            bend = weight / _least_tension(tension, load, segment.length_m) + weight / segment.stiffness_N
            counts[index] = max(counts[index], int(np.ceil(segment.length_m * sqrt(bend / (8.0 * chord_error_m)))))
    return tuple(counts)


def at_shares(line: Hung, counts: Sequence[int]) -> Floats:
    """Points (n, 3) [m] of a line at equal shares of each segment: the same points of the conductor in every state."""
    points = [line.start[None]]
    for (place, tension), segment, count in zip(_walk(line), line.segments, counts, strict=False):
        points.append(place + along(tension, segment, np.linspace(0.0, segment.length_m, count + 1)[1:]))
    return np.concatenate(points)


def _least_tension(tension: Floats, load: Floats, length: float) -> float:
    """Least |T| along a segment [N]: at the point nearest to where the load is across the line."""
    square = float(load @ load)
    at = 0.0 if square == 0.0 else min(max(float(tension @ load) / square, 0.0), length)
    return max(float(np.linalg.norm(tension - load * at)), 1e-12)


def lowest(line: Hung) -> Floats:
    """Lowest point of the line (3,) [m]; on an end when the line rises or falls throughout."""
    best = min(joints(line), key=lambda point: float(point[2]))
    for (place, tension), segment in zip(_walk(line), line.segments, strict=False):
        fall = segment.load_N_m[2]
        at = tension[2] / fall if fall else -1.0
        if 0.0 < at < segment.length_m:
            point = place + np.array(_piece(tension, segment, at)[0])
            best = point if point[2] < best[2] else best
    return np.asarray(best, float)


def mean_tension(line: Hung, index: int) -> float:
    """Mean size of the tension over segment `index` [N]."""
    tension = _walk(line)[index][1]
    segment = line.segments[index]
    if segment.length_m == 0.0:
        # Between two loads at one place.
        return float(np.linalg.norm(tension))
    taut = replace(segment, stiffness_N=inf)
    return _piece(tension, taut, segment.length_m)[2] / segment.length_m
