"""Owns the shape of a line in its own plane: a conductor under an even load, with straight weightless strings in line
at its ends.

Wind swings the plane in which a conductor hangs about the chord through its attachments, and then the load is no longer
square to the chord by the same angle. So the shape is kept in the frame of the chord: x along it, y across it towards
the load. What decides it: the length of the chord C [m], the tilt psi [rad] between the load and the normal of the
chord (positive when the end is uphill against the load), the load over the tension square to it, u = w / H [1/m], and
the lengths of the strings.

Everything takes arrays of u and psi, which are broadcast. `solve` finds the shape, `depth_at` reads y at given x,
`curvature_bound` bounds y''. Two facts are used elsewhere and tested by `tests/test_conductor_planar.py`:

1. y grows everywhere with u. (y'' = -u G(y', psi) with G > 0, so the difference of two such curves with the same ends
has
   no inner minimum where it is negative. Strings only move where y'' is zero; this does not reverse the order as long
   as u times a string's length is below 1/2, which `solve` demands.)
2. A change of psi by d is worth no more than a factor exp(K d) of u, with K from `tilt_worth`: d(ln G)/d(psi) is
   bounded by K over the slopes that occur.

References
----------
.. [1] H. M. Irvine, "Cable Structures", MIT Press, 1981, section 1.2 (catenary). The comparison argument is the maximum
   principle for y'' = f(y'), e.g. M. H. Protter, H. F. Weinberger, "Maximum Principles in Differential Equations",
   ch. 1 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]

ITERATIONS = 400
"""[1] Passes for the direction of the strings before a shape is refused; each shrinks the error by about their share
of the span."""

SLACK = "model it as slack"

STRING_LIMIT = 0.5
"""[1] Largest u times string length: keeps the order of shapes by u (fact 1); ordinary lines stay below 0.02."""


@dataclass(frozen=True, eq=False)
class Planar:
    """Shapes of a line in the frame of its chord; every field but `strings_m` is an array of one shape.

    chord_m, tilt_rad, per_m: C, psi and u of each
    strings_m: lengths of the strings at start and end [m]
    first, last: normalised coordinates t of the conductor's ends; the slope against the load's normal is sinh(t)
    span_m: extent of the conductor square to the load [m]
    length_m: length of the conductor [m]
    mean: mean tension over the conductor divided by H [1]
    """

    chord_m: Floats
    tilt_rad: Floats
    per_m: Floats
    strings_m: tuple[float, float]
    first: Floats
    last: Floats
    span_m: Floats
    length_m: Floats
    mean: Floats


def solve(
    chord_m: ArrayLike,
    tilt_rad: ArrayLike,
    per_m: ArrayLike,
    strings_m: tuple[float, float] = (0.0, 0.0),
    what: str = "line",
) -> Planar:
    """The shape for each chord [m], tilt [rad] and u = w / H [1/m].

    Raises
    ------
    InputError: strings too long for the chord or the tension (see the module's facts), a shape that does not settle.

    Examples
    --------
    A level span of 300 m with H / w = 1000 m: its length is 2 c sinh(L / 2c).

    >>> float(np.round(solve(300.0, 0.0, 1e-3).length_m, 6))
    301.126266
    """
    chord, tilt, per = (np.asarray(value, float) for value in np.broadcast_arrays(chord_m, tilt_rad, per_m))
    one, two = strings_m
    if not (np.all(per > 0) and np.all(chord > one + two) and np.all(np.abs(tilt) < np.pi / 2)):
        raise InputError(
            Mistake(
                (what,),
                f"a chord longer than its strings of {one + two:g} m, a tension and a tilt below 90 degrees",
                f"chord {np.min(chord):g} m",
            )
        )
    if np.any(per * max(one, two) > STRING_LIMIT):
        raise InputError(
            Mistake(
                (what, "strings"),
                f"strings shorter than {STRING_LIMIT} H / w",
                f"{max(one, two):g} m at H / w = {1 / np.max(per):g} m",
                "check the tension",
            )
        )
    level, rise = chord * np.cos(tilt), chord * np.sin(tilt)
    share = 1.0 - (one + two) / chord
    span, climb = level * share, rise * share
    for _ in range(ITERATIONS):
        half = per * span / 2.0
        if np.any(half > 50.0):
            raise InputError(
                Mistake((what,), "a span below 100 H / w", f"{2 * np.max(half):g} H / w", "check the tension")
            )
        middle = np.arcsinh(per * climb / (2.0 * np.sinh(half)))
        first, last = middle - half, middle + half
        span_next = level - one / np.cosh(first) - two / np.cosh(last)
        climb_next = rise - one * np.tanh(first) - two * np.tanh(last)
        moved = max(float(np.max(np.abs(span_next - span))), float(np.max(np.abs(climb_next - climb))))
        span, climb = span_next, climb_next
        if np.any(span <= 0):
            break
        if moved <= 1e-14 * float(np.max(chord)):
            length = (np.sinh(last) - np.sinh(first)) / per
            mean = (span + (np.sinh(2 * last) - np.sinh(2 * first)) / (2 * per)) / (2 * length)
            return Planar(chord, tilt, per, strings_m, first, last, span, length, mean)
    raise InputError(
        Mistake(
            (what, "strings"),
            "strings that settle in line with the wire",
            "no steady direction",
            "check string lengths and tension",
        )
    )


def live_ends(shape: Planar) -> tuple[Floats, Floats]:
    """Distance along the chord of the conductor's two ends [m]."""
    one, two = shape.strings_m
    return (
        one * np.cos(np.arctan(np.sinh(shape.first)) - shape.tilt_rad),
        shape.chord_m - two * np.cos(np.arctan(np.sinh(shape.last)) - shape.tilt_rad),
    )


def slopes(shape: Planar) -> tuple[Floats, Floats]:
    """Slope dy/dx of the conductor against its chord at its two ends [1]; y is positive towards the load."""
    return (
        -np.tan(np.arctan(np.sinh(shape.first)) - shape.tilt_rad),
        -np.tan(np.arctan(np.sinh(shape.last)) - shape.tilt_rad),
    )


def at_parameter(shape: Planar, share: ArrayLike) -> tuple[Floats, Floats]:
    """Points of the conductor at a share of its extent square to the load, 0 to 1: x and y in the chord's frame [m]."""
    along = np.asarray(share, float) * shape.span_m
    one = shape.strings_m[0]
    return _frame(shape, one / np.cosh(shape.first) + along, one * np.tanh(shape.first) + _climb(shape, along))


def _climb(shape: Planar, along: Floats) -> Floats:
    """Rise of the conductor over `along`, as a product of sines so that a taut span loses no digits."""
    half = shape.per_m * along / 2.0
    return 2.0 * np.sinh(half) * np.sinh(shape.first + half) / shape.per_m


def _frame(shape: Planar, level: Floats, rise: Floats) -> tuple[Floats, Floats]:
    cosine, sine = np.cos(shape.tilt_rad), np.sin(shape.tilt_rad)
    return level * cosine + rise * sine, level * sine - rise * cosine


def depth_at(shape: Planar, along_chord_m: ArrayLike) -> Floats:
    """y [m] of the whole line, strings included, at a distance along the chord [m], 0 to C.

    >>> line = solve(300.0, 0.0, 1e-3)
    >>> float(np.round(depth_at(line, 150.0), 6))
    11.27111
    """
    at = np.asarray(along_chord_m, float)
    start, end = live_ends(shape)
    down, up = slopes(shape)
    cosine, sine = np.cos(shape.tilt_rad), np.sin(shape.tilt_rad)
    # Slope grows along the conductor, so if it runs forward at both ends it does throughout.
    if np.any(cosine + np.minimum(np.sinh(shape.first) * sine, np.sinh(shape.last) * sine) <= 1e-3):
        raise InputError(
            Mistake(("line",), "a line that runs forward along its chord throughout", "one that doubles back", SLACK)
        )
    inside = np.clip(at, start, end)
    x0, rise0 = shape.strings_m[0] / np.cosh(shape.first), shape.strings_m[0] * np.tanh(shape.first)
    along = (inside - start) / np.maximum(end - start, 1e-300) * shape.span_m
    for _ in range(60):
        here = (x0 + along) * cosine + (rise0 + _climb(shape, along)) * sine
        gain = cosine + np.sinh(shape.first + shape.per_m * along) * sine
        step = (inside - here) / gain
        along = np.clip(along + step, 0.0, shape.span_m)
        if float(np.max(np.abs(step))) <= 1e-13 * float(np.max(shape.chord_m)):
            break
    inner = _frame(shape, x0 + along, rise0 + _climb(shape, along))[1]
    return np.where(at < start, at * down, np.where(at > end, -(shape.chord_m - at) * up, inner))


def curvature_bound(shape: Planar) -> Floats:
    """Largest |y''| [1/m] of the conductor in the chord's frame: u (cos psi - y' sin psi)^2 sqrt(1 + y'^2) over its
    slopes."""
    return np.asarray(shape.per_m * _bend(shape), float)


def _bend(shape: Planar) -> Floats:
    down, up = slopes(shape)
    steep = np.maximum(np.abs(down), np.abs(up))
    return np.asarray(
        (np.cos(shape.tilt_rad) + steep * np.abs(np.sin(shape.tilt_rad))) ** 2 * np.sqrt(1 + steep**2), float
    )


def tilt_worth(shape: Planar) -> float:
    """K [1/rad] of the module's fact 2: bound of |d ln G / d psi| over the slopes of these shapes, doubled.

    G = (cos psi - p sin psi)^2 sqrt(1 + p^2), so d ln G / d psi = -2 (sin psi + p cos psi) / (cos psi - p sin psi). The
    doubling covers slopes between the shapes given.
    """
    down, up = slopes(shape)
    steep = np.maximum(np.abs(down), np.abs(up))
    sine, cosine = np.abs(np.sin(shape.tilt_rad)), np.cos(shape.tilt_rad)
    under = cosine - steep * sine
    if np.any(under <= 0.05):
        raise InputError(
            Mistake(
                ("line",),
                "a line that runs forward along its chord throughout",
                "one that doubles back",
                SLACK,
            )
        )
    return 2.0 * float(np.max(2.0 * (sine + steep * cosine) / under))
