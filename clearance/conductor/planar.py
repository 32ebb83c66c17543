"""Owns the shape of a line in its own plane: a conductor under an even load, with strings in line at its ends that are
straight and weightless, or hang as catenaries of their own weight.

Wind swings the plane in which a conductor hangs about the chord through its attachments, and then the load is no longer
square to the chord by the same angle. So the shape is kept in the frame of the chord: x along it, y across it towards
the load. What decides it: the length of the chord C [m], the tilt psi [rad] between the load and the normal of the
chord (positive when the end is uphill against the load), the load over the tension square to it, u = w / H [1/m], and
the strings: their lengths, and their load per metre over the conductor's.

Everything takes arrays of u and psi, which are broadcast. `solve` finds the shape, `depth_at` reads y at given x, `sag`
is the vertical sag at half the span, `curvature_bound` bounds y''. Two facts are used elsewhere and tested by
`tests/test_conductor_planar.py`:

1. y grows everywhere with u. For y'' = -u r G(y', psi), with G > 0 and r = 1, the difference of two such curves with
   the same ends has no inner minimum where it is negative. Along a string r is its load over the conductor's, and a
   deeper line reaches the string's end a little earlier along the chord; that this does not reverse the order is argued
   for u times the string's worth of conductor below 1, which `solve` demands, and tested, not proved.
2. A change of psi by d is worth no more than a factor exp(K d) of u, with K from `tilt_worth`: d(ln G)/d(psi) is
   bounded by K over the slopes that occur.

References
----------
.. [1] H. M. Irvine, "Cable Structures", MIT Press, 1981, section 1.2 (catenary). The comparison argument is the maximum
   principle for y'' = f(y'), e.g. M. H. Protter, H. F. Weinberger, "Maximum Principles in Differential Equations",
   ch. 1 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]
Pair = tuple[float, float]

ITERATIONS = 60
"""[1] Newton steps for a line with strings before it is refused; ordinary ones take 3 to 6."""

AS_JUMPER = "model it as a jumper"

STRING_LIMIT = 1.0
"""[1] Largest u times string length times its ratio (at least 1): keeps the order of shapes by u (fact 1), tested up to
here; tensioned lines stay below 0.1, bays strung loosely with heavy strings reach 0.5."""


@dataclass(frozen=True, eq=False)
class Planar:
    """Shapes of a line in the frame of its chord; all but `strings_m` and `ratios` are arrays, one value a shape.

    chord_m, tilt_rad, per_m: C, psi and u of each
    strings_m, ratios: lengths of the strings at start and end [m], and their load per metre over the conductor's
    slope: slope of the line against the load's normal where it begins [1]
    first, last: normalised coordinates t of the conductor's ends; the slope against the load's normal is sinh(t)
    length_m: length of the conductor [m]
    mean: mean tension over the conductor divided by H [1]
    """

    chord_m: Floats
    tilt_rad: Floats
    per_m: Floats
    strings_m: Pair
    ratios: Pair
    slope: Floats
    first: Floats
    last: Floats
    length_m: Floats
    mean: Floats


def solve(
    chord_m: ArrayLike,
    tilt_rad: ArrayLike,
    per_m: ArrayLike,
    strings_m: Pair = (0.0, 0.0),
    ratios: Pair = (0.0, 0.0),
    what: str = "line",
) -> Planar:
    """The shape for each chord [m], tilt [rad] and u = w / H [1/m].

    Parameters
    ----------
    strings_m: lengths of the strings at start and end [m]
    ratios: load on a metre of each string over that on a metre of conductor; 0 for a straight weightless string

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
        expected = f"a chord longer than its strings of {one + two:g} m, a tension and a tilt below 90 degrees"
        raise InputError(Mistake((what,), expected, f"chord {np.min(chord):g} m"))
    pulled = max(one * max(1.0, ratios[0]), two * max(1.0, ratios[1]))
    if np.any(per * pulled > STRING_LIMIT):
        found = f"one worth {pulled:.3g} m of conductor at H / w = {1 / np.max(per):.3g} m"
        raise InputError(
            Mistake(
                (what, "strings"),
                f"strings worth less conductor than {STRING_LIMIT:g} H / w",
                found,
                "check the tension",
            )
        )
    level, rise = chord * np.cos(tilt), chord * np.sin(tilt)
    half = per * level / 2.0
    if np.any(half > 50.0):
        found = f"{2 * np.max(half):g} H / w"
        raise InputError(Mistake((what,), "a span below 100 H / w", found, "check the tension"))
    # The line as one catenary: exact without strings, and where strings weigh what the conductor does.
    middle = np.arcsinh(per * rise / (2.0 * np.sinh(half)))
    slope = np.sinh(middle - half)
    length = (np.sinh(middle + half) - slope) / per - one - two
    if one + two > 0:
        slope, length = _newton(level, rise, per, strings_m, ratios, slope, length, what)
    knots = _knots(slope, per, length, strings_m, ratios)
    mean = (curve(knots[2]) - curve(knots[1])) / (2 * per * length)
    return Planar(chord, tilt, per, strings_m, ratios, slope, np.arcsinh(knots[1]), np.arcsinh(knots[2]), length, mean)


def curve(slope: Floats) -> Floats:
    return np.asarray(slope * np.hypot(1.0, slope) + np.arcsinh(slope), float)


def _knots(slope: Floats, per: Floats, length: Floats, strings_m: Pair, ratios: Pair) -> tuple[Floats, ...]:
    """Slopes where the line begins, where the conductor begins and ends, and where the line ends."""
    begins = slope + per * ratios[0] * strings_m[0]
    ends = begins + per * length
    return slope, begins, ends, ends + per * ratios[1] * strings_m[1]


def piece(slope: Floats, bend: Floats, length: ArrayLike) -> tuple[Floats, Floats]:
    """Run and rise, square to the load and against it, of a piece of given starting slope, u times ratio, and length.

    asinh b - asinh a = asinh((b - a) k), and differences of roots as quotients: a taut or weightless piece loses no
    digits.
    """
    grown = bend * np.asarray(length, float)
    there = slope + grown
    here_root, there_root = np.hypot(1.0, slope), np.hypot(1.0, there)
    share = here_root - slope * (slope + there) / (here_root + there_root)
    safe = np.where(grown == 0, 1.0, grown)
    run = np.where(grown == 0, 1.0 / here_root, np.arcsinh(grown * share) / safe) * length
    return np.asarray(run, float), np.asarray((slope + there) / (here_root + there_root) * length, float)


def slopes_of(slope: Floats, bend: Floats, length: ArrayLike) -> tuple[Floats, Floats]:
    """Derivatives of a piece's run and rise by its starting slope."""
    there = slope + bend * np.asarray(length, float)
    here_root, there_root = np.hypot(1.0, slope), np.hypot(1.0, there)
    share = here_root - slope * (slope + there) / (here_root + there_root)
    product = here_root * there_root
    run = -(slope + there) * length / (product * (here_root + there_root))
    return np.asarray(run, float), np.asarray(share * length / product, float)


def _newton(
    level: Floats,
    rise: Floats,
    per: Floats,
    strings_m: Pair,
    ratios: Pair,
    slope: Floats,
    length: Floats,
    what: str,
) -> tuple[Floats, Floats]:
    """Starting slope and length of conductor that bring the line's end to its attachment, from a guess."""
    one, two = strings_m
    bends = per * ratios[0], per, per * ratios[1]
    size = float(np.max(np.hypot(level, rise)))
    for _ in range(ITERATIONS):
        _, begins, ends, _ = _knots(slope, per, length, strings_m, ratios)
        pieces = [piece(slope, bends[0], one), piece(begins, bends[1], length), piece(ends, bends[2], two)]
        by_slope = [
            slopes_of(slope, bends[0], one),
            slopes_of(begins, bends[1], length),
            slopes_of(ends, bends[2], two),
        ]
        miss_run, miss_rise = sum(p[0] for p in pieces) - level, sum(p[1] for p in pieces) - rise
        if max(float(np.max(np.abs(miss_run))), float(np.max(np.abs(miss_rise)))) <= 1e-13 * size:
            if np.all(length > 0):
                return slope, length
            break
        root = np.hypot(1.0, ends)
        a, c = sum(p[0] for p in by_slope), sum(p[1] for p in by_slope)
        b, d = 1.0 / root + per * by_slope[2][0], ends / root + per * by_slope[2][1]
        determinant = a * d - b * c
        step_slope = (d * miss_run - b * miss_rise) / determinant
        step_length = (a * miss_rise - c * miss_run) / determinant
        # Never more than half the conductor or half a unit of slope at once.
        room = np.maximum(1.0, np.maximum(np.abs(step_slope) / 0.5, np.abs(step_length) / (0.5 * np.abs(length))))
        slope, length = slope - step_slope / room, length - step_length / room
    raise InputError(
        Mistake(
            (what, "strings"), "strings that the tension holds up", "no shape that settles", "check strings and tension"
        )
    )


def live_ends(shape: Planar) -> tuple[Floats, Floats]:
    """Distance along the chord of the conductor's two ends [m]."""
    one, _ = shape.strings_m
    return at_length(shape, np.full_like(shape.slope, one))[0], at_length(shape, one + shape.length_m)[0]


def slopes(shape: Planar) -> tuple[Floats, Floats]:
    """Slope dy/dx of the line against its chord where it begins and ends [1]; y is positive towards the load.

    The slope falls all along the line, so these are its extremes.
    """
    ends = _knots(shape.slope, shape.per_m, shape.length_m, shape.strings_m, shape.ratios)
    return (
        -np.tan(np.arctan(ends[0]) - shape.tilt_rad),
        -np.tan(np.arctan(ends[3]) - shape.tilt_rad),
    )


def at_length(shape: Planar, along_m: ArrayLike) -> tuple[Floats, Floats]:
    """Points at lengths along the line from its start, strings included [m]: x and y in the chord's frame [m]."""
    level, rise, _ = _walk(shape, np.asarray(along_m, float))
    cosine, sine = np.cos(shape.tilt_rad), np.sin(shape.tilt_rad)
    return level * cosine + rise * sine, level * sine - rise * cosine


def _walk(shape: Planar, along: Floats) -> tuple[Floats, Floats, Floats]:
    """Run, rise and slope, square to the load, at lengths along the line."""
    one, two = shape.strings_m
    slope, begins, ends, _ = _knots(shape.slope, shape.per_m, shape.length_m, shape.strings_m, shape.ratios)
    bends = shape.per_m * shape.ratios[0], shape.per_m, shape.per_m * shape.ratios[1]
    parts = (
        np.clip(along, 0.0, one),
        np.clip(along - one, 0.0, shape.length_m),
        np.clip(along - one - shape.length_m, 0.0, two),
    )
    runs = [piece(a, b, c) for a, b, c in zip((slope, begins, ends), bends, parts, strict=True)]
    here = slope + bends[0] * parts[0] + bends[1] * parts[1] + bends[2] * parts[2]
    (a, b), (c, d), (e, f) = runs
    return a + c + e, b + d + f, here


def at_parameter(shape: Planar, share: ArrayLike) -> tuple[Floats, Floats]:
    """Points of the conductor at a share of its length, 0 to 1: x and y in the chord's frame [m]."""
    return at_length(shape, shape.strings_m[0] + np.asarray(share, float) * shape.length_m)


def sag(shape: Planar) -> Floats:
    """Distance [m] from the chord to the line along the load, at half the chord's extent square to the load.

    In still air: the vertical sag at half the span.
    """
    level = shape.chord_m * np.cos(shape.tilt_rad) / 2.0
    along = _search(shape, level, lambda level_, _rise: level_, lambda slope: 1.0 / np.hypot(1.0, slope))
    _, rise, _ = _walk(shape, along)
    return np.asarray(shape.chord_m * np.sin(shape.tilt_rad) / 2.0 - rise, float)


def _search(
    shape: Planar, wanted: Floats, place: Callable[[Floats, Floats], Floats], gain: Callable[[Floats], Floats]
) -> Floats:
    """Lengths along the line at which `place` of run and rise is as wanted; `gain` is its derivative by the length."""
    whole = shape.strings_m[0] + shape.length_m + shape.strings_m[1]
    along = np.clip(wanted / shape.chord_m, 0.0, 1.0) * whole
    for _ in range(80):
        level, rise, slope = _walk(shape, along)
        step = (wanted - place(level, rise)) / gain(slope)
        along = np.clip(along + step, 0.0, whole)
        # Newton: what is left after a step of this size is its square.
        if float(np.max(np.abs(step))) <= 1e-8 * float(np.max(shape.chord_m)):
            break
    return along


def depth_at(shape: Planar, along_chord_m: ArrayLike) -> Floats:
    """y [m] of the whole line, strings included, at a distance along the chord [m], 0 to C.

    >>> line = solve(300.0, 0.0, 1e-3)
    >>> float(np.round(depth_at(line, 150.0), 6))
    11.27111
    """
    at = np.asarray(along_chord_m, float)
    cosine, sine = np.cos(shape.tilt_rad), np.sin(shape.tilt_rad)
    ends = _knots(shape.slope, shape.per_m, shape.length_m, shape.strings_m, shape.ratios)
    # Slope grows along the line, so if it runs forward at both ends it does throughout.
    if np.any(cosine + np.minimum(ends[0] * sine, ends[3] * sine) <= 1e-3):
        raise InputError(
            Mistake(
                ("line",), "a line that runs forward along its chord throughout", "one that doubles back", AS_JUMPER
            )
        )
    along = _search(
        shape,
        at,
        lambda level, rise: level * cosine + rise * sine,
        lambda slope: (cosine + slope * sine) / np.hypot(1.0, slope),
    )
    return at_length(shape, along)[1]


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
                AS_JUMPER,
            )
        )
    return 2.0 * float(np.max(2.0 * (sine + steep * cosine) / under))
