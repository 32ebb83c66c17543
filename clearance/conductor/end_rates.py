"""Owns how fast the points of a loose line go when its ends do: bounds over cells of lines.

`rates` gives them, `points` the lines themselves. `moved_ends` and `loose` build their proofs on both.

The argument. A line of length S under a load w per metre has the tension T(s) = T0 - w s along its unit tangent t. Its
far end goes with T0 as K, the integral of (1 - t t') / |T| over the line (`elastic.run`); the point at s goes as K_s,
the same integral up to s. So where the ends go by a and b, the point goes by (1 - M) a + M b with M = K_s / K. Square
to the plane of the line M is the part x / L of its span L before the point. In the plane 0 <= K_s <= K, so M = R W / R
with R the root of K and 0 <= W <= 1. W is its largest eigenvalue times a mean of projections and 0; for the projection
upon p, with p' square to it, the norm of R W / R is |R p| |R p'| / det R, at most n = tr K / (2 sqrt det K). Hence,
with w = min(1, tr W), |M| <= n w, and 1 - M likewise from the other end; and as it is 1 less part of a projection,
|1 - M| is at most 1 or the norm of [[1, w sqrt(n^2 - 1)], [0, 1 - w]].

With u and q as in `catenary`, g the slope and z = g / sqrt(1 + g^2), K is the integral of (g, -1) (g, -1)' dz. The
mean slope is m = sinh q / cosh u, the length of z is 2 tanh(u) / G^2 with G^2 = 1 + m^2, the variance V of g is
2 (u - tanh u):

    n = G (k + 1 / k) / 2,  k = 1 / sqrt(u coth u - 1).

With E the shear by m, M = E N / E and N = [[a, b], [c, e]]: a and e are the parts of V and of the length of z before
the point (tr W = a + e), b and c are h over the length of z and over V. h, the integral of m - g up to the point, is
2 sinh(u1) sinh(u2) / (cosh(u1 + u2) cosh) with cosh that of the point, and at most 1 / cosh. This holds where the span
vanishes and n has no bound.

In share k of the length g is linear. With y = 2 k - 1, D = sinh(u) cosh(q), A = y + tanh(q) coth(u) and
B = y + tanh(q) tanh(u), g = D A and g - m = D B, so every part above has a density in k:

    a' = B^2 / ((u - tanh u) s^3),  e' = G^2 / (D^2 tanh(u) s^3),  h' = -2 B / (D s^3),  (x / L)' = 1 / (u s),
    1 / cosh = 1 / (D s),  s = sqrt(1 / D^2 + A^2).

Those of M in the frame of the chord, tilted by psi, have factors of the same kind (`_of_chord`). Each factor is
monotone in u, q, k and psi, or has one known maximum, so over a cell it lies between its values at the corners.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.catenary import half_parameter, log_ratio

Floats = NDArray[np.float64]
Between = tuple[Floats, Floats]

PARTS: Final = 120
"""[1] Parts of a line, of equal length, for each of which the rates are worked out. More: lower bounds, a longer
proof."""

EDGES: Final = np.linspace(0.0, 1.0, PARTS + 1)

TAUT: Final = 1.0 - 1e-6
"""[1] The chord is at most this part of the length: past it K comes too near to singular for its roundings."""

WIDER: Final = 1e-8
"""[1] Solved parameters and rates are widened by this part; solver and cancellation leave less than 1e-9."""

STEEPEST: Final = 300.0
"""[1] Half parameter up to which its hyperbolic functions are worked out; past it they count as infinite."""


@dataclass(frozen=True, eq=False)
class Rates:
    """How far each of `PARTS` parts of a line goes at most, for cells of lines: (n, PARTS) each [1].

    start, end: per metre that its start goes, and that its end goes, whatever way
    apart, aside: against its place on the chord, per metre that the ends go apart, and go square to the chord
    """

    start: Floats
    end: Floats
    apart: Floats
    aside: Floats


def rates(chord_m: Between, tilt_rad: Between, length_m: float) -> Rates:
    """The rates of loose lines of a length [m], over cells.

    Parameters
    ----------
    chord_m, tilt_rad: least (n,) and greatest (n,) distance between the ends [m], up to `TAUT` of the length, and tilt
        of the load along it [rad], within -pi / 2 and pi / 2

    Examples
    --------
    Of a level line nearly taut, the middle sinks by 3 / 4 / u of what its ends come nearer, here u = 0.172:

    >>> cell = np.array([0.995]), np.array([0.995])
    >>> found = rates(cell, (np.zeros(1), np.zeros(1)), 1.0)
    >>> print(round(float(found.apart[0, PARTS // 2]), 1))
    4.4
    """
    sizes = np.abs(np.stack(tilt_rad))
    steep, flat = sizes.max(axis=0), np.where(tilt_rad[0] * tilt_rad[1] <= 0, 0.0, sizes.min(axis=0))
    # u grows as the chord gets shorter and as it gets steeper.
    low = np.minimum(_half(chord_m[1], flat, length_m), STEEPEST / 10.0)[:, None] * (1.0 - WIDER)
    high = _half(chord_m[0], steep, length_m)[:, None] * (1.0 + WIDER)
    corners = np.stack([chord * np.sin(tilt) for chord in chord_m for tilt in tilt_rad]) / length_m
    rise = corners.min(axis=0)[:, None], corners.max(axis=0)[:, None]
    sine, cosine = (np.sin(part)[:, None] for part in tilt_rad), (np.cos(part)[:, None] for part in (steep, flat))
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        cell = _cell((low, high), rise)
        start, end = _of_ends(cell)
        apart, aside = _of_chord(cell, (next(sine), next(sine)), (next(cosine), next(cosine)))
    # Where the chord comes to lie along the load its frame is of no use: |M - k| is at most |M| + k.
    most = np.minimum(end + EDGES[1:], start + 1.0 - EDGES[:-1])
    return Rates(*(rate * (1.0 + WIDER) for rate in (start, end, np.fmin(apart, most), np.fmin(aside, most))))


def _half(chord: Floats, tilt: Floats, length: float) -> Floats:
    """u, infinite where the span vanishes."""
    span = chord * np.cos(tilt)
    vanishes = span <= 1e-12 * length
    target = log_ratio(np.where(vanishes, length, span), np.where(vanishes, 0.0, chord * np.sin(tilt)), length)
    return np.where(vanishes, inf, half_parameter(target))


def points(chord_m: float, tilt_rad: Floats, length_m: float, count: int) -> Floats:
    """Points (n, count + 1, 2) at equal lengths of lines [m]: along the chord, and square to it towards the load."""
    span = np.maximum(chord_m * np.cos(tilt_rad), 1e-11 * length_m)[:, None]
    rise, share = chord_m * np.sin(tilt_rad)[:, None], np.linspace(0.0, 1.0, count + 1)
    u, q = half_parameter(log_ratio(span, rise, length_m)), np.arctanh(rise / length_m)
    passed = np.arcsinh(np.sinh(q - u) * (1.0 - share) + np.sinh(q + u) * share) - (q - u)
    level, up = span * passed / (2.0 * u), span * np.sinh(passed / 2.0) * np.sinh(passed / 2.0 + q - u) / u
    cosine, sine = np.cos(tilt_rad)[:, None], np.sin(tilt_rad)[:, None]
    return np.stack([level * cosine + up * sine, level * sine - up * cosine], axis=2)


@dataclass(frozen=True, eq=False)
class _Cell:
    """What lies in cells, least and greatest, by the names of the module: (n, 1), or (n, PARTS) where k enters."""

    u: Between
    tanh_u: Between
    rest: Between  # u - tanh u
    tanh_q: Between
    sinh_q: Between
    a: Between
    b: Between
    per_d: Between
    per_s: Between
    y: Between


def _cell(u: Between, tanh_q: Between) -> _Cell:
    tanh_u = np.tanh(u[0]), np.tanh(u[1])
    sinh_q = tanh_q[0] / np.sqrt(1.0 - tanh_q[0] ** 2), tanh_q[1] / np.sqrt(1.0 - tanh_q[1] ** 2)
    y = 2.0 * EDGES[:-1] - 1.0, 2.0 * EDGES[1:] - 1.0
    a = _plus(y, _times(tanh_q, (1.0 / tanh_u[1], 1.0 / tanh_u[0])))
    sinh_u = np.sinh(u[0]), np.where(u[1] < STEEPEST, np.sinh(np.minimum(u[1], STEEPEST)), inf)
    per_d = tuple(
        1.0 / (np.hypot(1.0, side) * sinh) for side, sinh in zip(_size(sinh_q)[::-1], sinh_u[::-1], strict=True)
    )
    per_s = 1.0 / np.hypot(per_d[1], _size(a)[1]), 1.0 / np.hypot(per_d[0], _size(a)[0])
    rest = u[0] - tanh_u[0], u[1] - tanh_u[1]
    return _Cell(u, tanh_u, rest, tanh_q, sinh_q, a, _plus(y, _times(tanh_q, tanh_u)), (per_d[0], per_d[1]), per_s, y)


def _of_ends(cell: _Cell) -> tuple[Floats, Floats]:
    """Bounds of |1 - M| and of |M|."""
    mean = _size(cell.sinh_q)[1] / np.cosh(cell.u[0])
    square, coth = _size(cell.a)[0] ** 2, [part / np.tanh(part) - 1.0 for part in cell.u]
    g2 = 1.0 + mean**2
    n = np.sqrt(g2) / 2.0 * np.maximum(*(np.sqrt(part) + 1.0 / np.sqrt(part) for part in coth))
    slant = np.sqrt(np.maximum(n**2 - 1.0, 0.0))
    # With x = 1 / D^2, x / s^3 has its maximum at x = 2 A^2, sqrt(x) / s^3 at x = A^2 / 2.
    high, even = (
        np.maximum(np.clip(part * square, cell.per_d[0] ** 2, cell.per_d[1] ** 2), 1e-200) for part in (2.0, 0.5)
    )
    dense = 2.0 * np.sqrt(even) / (even + square) ** 1.5
    h = np.minimum(_before(np.maximum(-cell.b[0], 0.0) * dense), _after(np.maximum(cell.b[1], 0.0) * dense))
    h = np.minimum(h, cell.per_d[1] / np.hypot(cell.per_d[1], np.sqrt(square)))
    across, down = h / (2.0 * cell.tanh_u[0]), g2 * h / (2.0 * cell.rest[0])
    densities = (
        _size(cell.b)[1] ** 2 * cell.per_s[1] ** 3 / cell.rest[0],
        g2 / cell.tanh_u[0] * high / (high + square) ** 1.5,
        cell.per_s[1] / cell.u[0],
    )
    parts = [(_before(density), _after(density)) for density in densities]

    def bound(of: slice) -> Floats:
        (a, not_a), (e, not_e), (span, _) = (part[of] for part in parts)
        held, moved = np.minimum(1.0, a + e), np.minimum(1.0, not_a + not_e)
        by_norm = np.minimum(n * held, np.maximum(1.0, _norm(1.0, slant * moved, 0.0, 1.0 - moved)))
        # E N / E, along the mean slope and square to it.
        uneven = np.maximum(e + not_a, a + not_e) - 1.0
        by_part = _norm(a + mean * across, across, down + mean * uneven + mean**2 * across, e + mean * across)
        return np.asarray(np.maximum(np.minimum(by_norm, by_part), span), float)

    return bound(slice(None, None, -1)), bound(slice(None))


def _of_chord(cell: _Cell, sine: Between, cosine: Between) -> tuple[Floats, Floats]:
    """Bounds of (M - k) on a unit vector along the chord, and on one square to it.

    M is the integral of v (K^-1 v)' dtau with v the normal of the line and dtau = 2 / s dk. Along the chord v is
    (A - tanh(q) / u) cos(psi) / s, square to it -(cos(psi) / D + A sin(psi)) / s; and K^-1 v there is
    (B (cos(psi) + m sin(psi)) / V - F sin(psi)) / s and -(B J + F cos(psi)) / s with F = G^2 / (2 D tanh(u)) and
    J = cos(psi) sinh(q) (sinh u cosh u - u) / (2 u (u cosh u - sinh u)), so written that nothing cancels.
    """
    u, inverse = cell.u, (1.0 / cell.u[1], 1.0 / cell.u[0])
    mean = _times(cell.sinh_q, (1.0 / np.cosh(np.minimum(u[1], STEEPEST)), 1.0 / np.cosh(u[0])))
    g2 = tuple(1.0 + side**2 for side in _size(mean))
    flat = _times(cell.per_d, (g2[0] / (2.0 * cell.tanh_u[1]), g2[1] / (2.0 * cell.tanh_u[0])))
    cubes = [[_third(side, double) for side in u] for double in (True, False)]
    shear = _times((cubes[0][0] / cubes[1][1], cubes[0][1] / cubes[1][0]), (inverse[0] / 2.0, inverse[1] / 2.0))
    aside = _plus(_times(cell.b, _times(_times(cosine, cell.sinh_q), shear)), _times(flat, cosine))
    apart = _times(_times(cell.b, _plus(cosine, _times(mean, sine))), (0.5 / cell.rest[1], 0.5 / cell.rest[0]))
    apart = _plus(apart, _times((-flat[1], -flat[0]), sine))
    square = _unit(_times(_plus(_times(cell.per_d, cosine), _times(cell.a, sine)), cell.per_s))
    # coth u - 1 / u, the function of Langevin, grows.
    langevin = 1.0 / cell.tanh_u[0] - inverse[1], 1.0 / cell.tanh_u[1] - inverse[0]
    along = _plus(cell.y, _times(cell.tanh_q, langevin))
    along = _unit(_times(_times(along, cosine), cell.per_s))
    ways = 2.0 * cell.per_s[0] ** 2, 2.0 * cell.per_s[1] ** 2
    sides = []
    for gain, own, other in ((apart, along, square), (aside, square, along)):
        dense = _times(gain, ways)
        sides.append(np.hypot(_summed(_times(own, dense), True), _summed(_times(other, dense), False)))
    span = cell.per_s[0] / u[1], cell.per_s[1] / u[0]
    return sides[0], np.maximum(sides[1], _summed(span, True))


def _third(u: Floats, double: bool) -> Floats:
    """(sinh u cosh u - u) / u^3, or (u cosh u - sinh u) / u^3, by two terms of their series below 0.01: both grow."""
    most = np.minimum(u, STEEPEST)
    series = 2.0 / 3.0 + 2.0 * u**2 / 15.0 if double else 1.0 / 3.0 + u**2 / 30.0
    closed = np.sinh(most) * np.cosh(most) - most if double else most * np.cosh(most) - np.sinh(most)
    return np.where(u < 0.01, series, np.where(u < STEEPEST, closed / most**3, inf))


def _before(density: Floats) -> Floats:
    """Per part the most of the integral of a density from the start of the line to a point of it, up to 1."""
    return np.minimum(1.0, np.cumsum(density, axis=1) / PARTS)


def _after(density: Floats) -> Floats:
    """The same from a point of it to the end."""
    return _before(density[:, ::-1])[:, ::-1]


def _summed(density: Between, whole: bool) -> Floats:
    """Per part the largest size of the integral of a density from the start to a point of it: less the share k of the
    point where the whole integral is 1, as it is where the whole is 0."""
    total = 1.0 if whole else 0.0
    least, most = ((part - total) / PARTS for part in density)
    zero = np.zeros((len(least), 1))
    # From the start up to each edge, and from the end back to it.
    first, last = (np.hstack([zero, np.cumsum(part, axis=1)]) for part in (least, most))
    back, ahead = (np.hstack([zero, np.cumsum(part[:, ::-1], axis=1)])[:, ::-1] for part in (least, most))
    at = np.maximum(np.minimum(last, -back), -np.maximum(first, -ahead))
    return np.asarray(np.minimum(at[:, :-1], at[:, 1:]) + np.maximum(np.abs(least), np.abs(most)), float)


def _norm(a: Floats | float, b: Floats, c: Floats | float, d: Floats) -> Floats:
    """Norms of the matrices [[a, b], [c, d]]."""
    return np.asarray((np.hypot(a + d, c - b) + np.hypot(a - d, b + c)) / 2.0, float)


def _size(a: Between) -> Between:
    both = np.abs(a[0]), np.abs(a[1])
    return np.where(a[0] * a[1] <= 0.0, 0.0, np.minimum(*both)), np.maximum(*both)


def _plus(a: Between, b: Between) -> Between:
    return a[0] + b[0], a[1] + b[1]


def _times(a: Between, b: Between) -> Between:
    products = [one * other for one in a for other in b]
    return np.minimum.reduce(products), np.maximum.reduce(products)


def _unit(a: Between) -> Between:
    return np.clip(a[0], -1.0, 1.0), np.clip(a[1], -1.0, 1.0)
