"""Owns the catenary: the curve in which a flexible, inextensible conductor of even weight hangs between two points.

To make one from a tension use `from_tension`, from a constant `from_constant`, from a sag `from_sag`, from the length
of conductor `from_length`. To ask it use `point_at`, `point_at_length`, `low_point`, `sag_at_midspan`,
`support_tensions`; to cut it `part`; to turn it into chords with a proven error `polyline` or `nodes`.

Notation: span L [m] and rise h [m] are the horizontal and the vertical distance between the ends, the constant is
a = H / w [m], and t = (x - x0) / a is the normalised coordinate, 0 at the low point. With u = L / (2 a) the ends lie at
t = q - u and t = q + u, and

    h = 2 a sinh(u) sinh(q),    length = 2 a sinh(u) cosh(q),    so  tanh(q) = h / length.

Differences of hyperbolic cosines are always taken as products of sines, so that a taut span (large a) loses no digits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from clearance.errors import InputError, Mistake
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]
Point = tuple[float, float, float]

LARGEST_HALF_PARAMETER: Final = 600.0
"""[1] Largest u = L / (2 a) accepted: sinh(700) is the last one a double can hold. Real spans have u below 1."""

VERTICAL: Final = 1e-12
"""[1] A span below this part of the length of conductor counts as none. The curve is within one span of its two
vertical legs, so this moves it by a picometre per metre of conductor."""


@dataclass(frozen=True)
class Catenary:
    """A conductor hanging in the vertical plane through its two ends.

    start, end: its ends [m]
    constant_m: horizontal tension over weight per length [m]; 0 where the ends lie one exactly above the other: the
        conductor then hangs as two vertical legs, which is the limit of the catenary as its span goes to nothing
    low_point_m: horizontal distance from start, toward end, to the low point of the curve [m]; negative or beyond the
        span
        for uplift, where the low point lies outside
    length_m: length of conductor between the ends [m]
    """

    start: Point
    end: Point
    constant_m: float
    low_point_m: float
    length_m: float

    @property
    def span_m(self) -> float:
        """Horizontal distance between the ends [m]."""
        return math.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1])

    @property
    def rise_m(self) -> float:
        """Height of end above start [m]."""
        return self.end[2] - self.start[2]

    @property
    def direction(self) -> tuple[float, float]:
        """Horizontal unit vector from start to end; (0, 0) where the span is nothing."""
        span = self.span_m
        return ((self.end[0] - self.start[0]) / span, (self.end[1] - self.start[1]) / span) if span > 0 else (0.0, 0.0)


@dataclass(frozen=True, eq=False)
class Nodes:
    """Points along a catenary, and what their chords leave out.

    points: (n, 3) on the curve [m], the ends exact
    upward: (n, 3) unit normals of the curve in its own plane, pointing up
    error_m: no point of the curve is further than this from its chord [m]
    turn_rad: the direction of the curve turns by no more than this within one chord [rad]
    """

    points: Floats
    upward: Floats
    error_m: float
    turn_rad: float


def refuse(
    name: str,
    *,
    positive: Mapping[str, float] | None = None,
    not_negative: Mapping[str, float] | None = None,
    finite: Mapping[str, ArrayLike] | None = None,
    others: Iterable[Mistake] = (),
) -> None:
    """Raise one `InputError` that lists every value out of its range; return where there is none.

    name: what is being made, the outer part of each mistake's `where`
    positive, not_negative, finite: values by field name
    """
    mistakes = []
    for field, value in (positive or {}).items():
        if not (math.isfinite(value) and value > 0):
            mistakes.append(Mistake((name, field), "a finite number above 0", f"{value!r}"))
    for field, value in (not_negative or {}).items():
        if not (math.isfinite(value) and value >= 0):
            mistakes.append(Mistake((name, field), "a finite number of at least 0", f"{value!r}"))
    for field, values in (finite or {}).items():
        if not np.isfinite(np.asarray(values, float)).all():
            mistakes.append(Mistake((name, field), "finite numbers", f"{values!r}"))
    mistakes.extend(others)
    if mistakes:
        raise InputError(mistakes)


def point3(name: str, field: str, value: ArrayLike) -> Point:
    """Three finite coordinates [m] as a tuple. Raises `InputError` for anything else."""
    try:
        xyz = np.asarray(value, float)
    except (TypeError, ValueError):
        xyz = np.empty(0)
    if xyz.shape != (3,) or not np.isfinite(xyz).all():
        raise InputError(Mistake((name, field), "three finite numbers [x, y, z] in metres", f"{value!r}"))
    return float(xyz[0]), float(xyz[1]), float(xyz[2])


def from_constant(start: ArrayLike, end: ArrayLike, constant_m: float) -> Catenary:
    """The catenary of the given constant a = H / w [m].

    Raises `InputError` where the ends have no horizontal distance (a conductor with horizontal tension cannot hang
    so), or where the constant is so small against the span that the curve leaves the numbers a computer holds.

    >>> round(sag_at_midspan(from_constant([0, 0, 20], [300, 0, 20], 1500.0)), 3)
    7.506
    """
    first, last = point3("catenary", "from_m", start), point3("catenary", "to_m", end)
    refuse("catenary", positive={"catenary_constant_m": constant_m})
    span = _span_or_refuse(first, last, "give length_m instead: a conductor under its own clamp hangs loose")
    half = span / (2 * constant_m)
    if half > LARGEST_HALF_PARAMETER:
        expected = f"at least {span / (2 * LARGEST_HALF_PARAMETER):.3g} m for a span of {span:.6g} m"
        raise InputError(Mistake(("catenary", "catenary_constant_m"), expected, f"{constant_m:.6g} m"))
    return _assembled(first, last, span, half)


def from_tension(start: ArrayLike, end: ArrayLike, horizontal_tension_N: float, weight_N_m: float) -> Catenary:
    """The catenary of the given horizontal tension [N] and weight per length [N/m]. Raises as `from_constant`."""
    refuse("catenary", positive={"horizontal_tension_N": horizontal_tension_N, "weight_N_m": weight_N_m})
    return from_constant(start, end, horizontal_tension_N / weight_N_m)


def from_sag(start: ArrayLike, end: ArrayLike, sag_m: float) -> Catenary:
    """The catenary with the given sag [m]: the vertical distance from chord to curve at half the horizontal distance.

    Exact, not parabolic: with u = L / (2 a) the sag is the root of the sum of the squares of ``L (cosh u - 1) / (2
    u)`` and ``h tanh(u / 2) / 2``; both grow with u, so the root is the only one.

    >>> curve = from_sag([0, 0, 20], [200, 0, 50], 6.0)
    >>> round(sag_at_midspan(curve), 12)
    6.0
    """
    first, last = point3("catenary", "from_m", start), point3("catenary", "to_m", end)
    refuse("catenary", positive={"sag_m": sag_m})
    span = _span_or_refuse(first, last, "give length_m instead: a vertical chord has no sag")
    rise = last[2] - first[2]
    chord = math.hypot(span, rise)
    if sag_m < 1e-9 * chord:
        raise InputError(Mistake(("catenary", "sag_m"), f"at least {1e-9 * chord:.2g} m", f"{sag_m!r} m"))

    def excess(half: float) -> float:
        level = span * math.sinh(half / 2) ** 2 / half
        return math.hypot(level, rise / 2 * math.tanh(half / 2)) - sag_m

    high = 1.0
    while excess(high) < 0:
        high *= 2
        if high > LARGEST_HALF_PARAMETER:
            raise InputError(
                Mistake(("catenary", "sag_m"), f"a sag in proportion to {span:.3g} m span", f"{sag_m!r} m")
            )
    low = high
    while excess(low) > 0:
        low /= 2
    half = low if low == high else float(brentq(excess, low, high, xtol=1e-300, rtol=8.9e-16, maxiter=500))
    return _assembled(first, last, span, half)


def from_length(start: ArrayLike, end: ArrayLike, length_m: float) -> Catenary:
    """The catenary of the given length of conductor [m], longer than the straight line between its ends.

    Solves sinh(u) / u = sqrt(length² - h²) / L, whose left side grows from 1 with u. A chord close to vertical needs no
    special case (u grows only as the logarithm of length / L, to about 30 at `VERTICAL`); below that it hangs as two
    vertical legs.

    >>> hangs = from_length([0, 0, 10], [0, 0, 8], 6.0)
    >>> low_point(hangs)
    (0.0, 0.0, 6.0)
    """
    first, last = point3("catenary", "from_m", start), point3("catenary", "to_m", end)
    refuse("catenary", positive={"length_m": length_m})
    span, rise = math.hypot(last[0] - first[0], last[1] - first[1]), last[2] - first[2]
    chord = math.hypot(span, rise)
    if not length_m > chord:
        expected = f"more than the {chord:.6g} m between the ends"
        raise InputError(Mistake(("catenary", "length_m"), expected, f"{length_m!r} m", "give a longer conductor"))
    if span <= VERTICAL * length_m:
        return Catenary(first, last, 0.0, 0.0, length_m)
    half = float(half_parameter(log_ratio(span, rise, length_m)))
    if half == 0:
        expected = f"noticeably more than the {chord:.6g} m between the ends"
        raise InputError(Mistake(("catenary", "length_m"), expected, f"{length_m!r} m", "give a longer conductor"))
    middle = math.atanh(rise / length_m)
    constant = span / (2 * half)
    return Catenary(first, last, constant, constant * (half - middle), length_m)


def log_ratio(span_m: ArrayLike, rise_m: ArrayLike, length_m: ArrayLike) -> Floats:
    """log(sqrt(length² - rise²) / span), the right side of the equation for u, without loss of digits for a taut
    span."""
    span, rise, length = np.asarray(span_m, float), np.asarray(rise_m, float), np.asarray(length_m, float)
    chord = np.hypot(span, rise)
    with np.errstate(divide="ignore", over="ignore"):
        return np.asarray(0.5 * np.log1p(np.maximum((length - chord) * (length + chord), 0.0) / span**2), float)


def half_parameter(target: ArrayLike) -> Floats:
    """u with log(sinh(u) / u) = target, for every target of at least 0.

    The function is convex and grows, so Newton steps from a start above the root go down to it. The start is above
    because the function is at least 0.16 u² up to u = 1 and at least 0.16 u from there on (it is 0.1614 at 1). A step
    that does not go down is rounding, so what has had one stays where it is.
    """
    goal = np.asarray(target, float)
    value = np.maximum(np.sqrt(goal / 0.16), goal / 0.16)
    there = np.zeros(value.shape, bool)
    for _ in range(60):
        small = value < 0.1
        safe = np.where(small, 1.0, value)
        square = value * value
        series = square / 6 - square**2 / 180 + square**3 / 2835 - square**4 / 37800
        height = np.where(small, series, safe - np.log(2 * safe) + np.log1p(-np.exp(-2 * safe)))
        slope_series = value / 3 - value**3 / 45 + 2 * value**5 / 945 - value**7 / 4725
        slope = np.where(small, slope_series, 1 / np.tanh(safe) - 1 / safe)
        step = np.where(slope > 0, (height - goal) / np.where(slope > 0, slope, 1.0), 0.0)
        there |= step <= 4e-16 * value
        if there.all():
            break
        value = np.where(there, value, np.maximum(value - step, 0.0))
    return value


def point_at(catenary: Catenary, distance_m: float) -> Point:
    """The point at a horizontal distance from start [m], between 0 and the span.

    Raises `InputError` outside. On an exactly vertical chord only distance 0 exists, and is the start.
    """
    span = catenary.span_m
    if not 0 <= distance_m <= span:
        where = ("catenary", "distance along the chord")
        raise InputError(Mistake(where, f"0 to {span:.6g} m, the horizontal span", f"{distance_m!r} m"))
    if distance_m == 0 or catenary.constant_m == 0:
        return catenary.start
    if distance_m == span:
        return catenary.end
    first = -catenary.low_point_m / catenary.constant_m
    return _tuple(_points(catenary, np.array([first + distance_m / catenary.constant_m]))[0])


def point_at_length(catenary: Catenary, length_m: float) -> Point:
    """The point at a length of conductor from start [m]. Raises `InputError` outside 0 to the whole length."""
    if not 0 <= length_m <= catenary.length_m:
        where = ("catenary", "length along the conductor")
        raise InputError(Mistake(where, f"0 to {catenary.length_m:.6g} m, its length", f"{length_m!r} m"))
    if catenary.constant_m == 0:
        low = low_point(catenary)
        down = catenary.start[2] - low[2]
        return low[0], low[1], low[2] + abs(down - length_m)
    first = -catenary.low_point_m / catenary.constant_m
    return _tuple(_points(catenary, np.array([math.asinh(math.sinh(first) + length_m / catenary.constant_m)]))[0])


def part(catenary: Catenary, from_length_m: float, to_length_m: float) -> Catenary:
    """The piece between two lengths of conductor from start [m]: again a catenary, of the same constant.

    Raises `InputError` where the lengths do not rise or lie outside, and for a vertical chord, which is not cut.
    """
    if not 0 <= from_length_m < to_length_m <= catenary.length_m:
        expected = f"two rising lengths between 0 and {catenary.length_m:.6g} m"
        raise InputError(Mistake(("catenary", "part"), expected, f"{from_length_m!r} and {to_length_m!r} m"))
    if catenary.constant_m == 0:
        raise InputError(
            Mistake(("catenary", "part"), "ends with a horizontal distance", "one exactly above the other")
        )
    first, last = point_at_length(catenary, from_length_m), point_at_length(catenary, to_length_m)
    shift = math.hypot(first[0] - catenary.start[0], first[1] - catenary.start[1])
    return Catenary(first, last, catenary.constant_m, catenary.low_point_m - shift, to_length_m - from_length_m)


def sag_at_midspan(catenary: Catenary) -> float:
    """Vertical distance [m] from the chord to the curve at half the horizontal distance.

    For a vertical chord, which has no middle, it is the depth of the low point below the mean height of the ends.
    """
    if catenary.constant_m == 0:
        return (catenary.start[2] + catenary.end[2]) / 2 - low_point(catenary)[2]
    half = catenary.span_m / (2 * catenary.constant_m)
    middle = half - catenary.low_point_m / catenary.constant_m
    return 2 * catenary.constant_m * math.cosh(middle) * math.sinh(half / 2) ** 2


def low_point(catenary: Catenary) -> Point:
    """The low point of the curve [m], also where it lies beyond an end (uplift) and no conductor is there."""
    if catenary.constant_m == 0:
        lowest = (catenary.start[2] + catenary.end[2] - catenary.length_m) / 2
        return catenary.start[0], catenary.start[1], lowest
    return _tuple(_points(catenary, np.zeros(1))[0])


def conductor_length(catenary: Catenary) -> float:
    """Length of conductor between the ends [m]."""
    return catenary.length_m


def support_tensions(catenary: Catenary, weight_N_m: float) -> tuple[float, float]:
    """Tension in the conductor at start and at end [N]: T = H cosh(t) with H = a w."""
    refuse("catenary", positive={"weight_N_m": weight_N_m})
    if catenary.constant_m == 0:
        low = low_point(catenary)[2]
        return weight_N_m * (catenary.start[2] - low), weight_N_m * (catenary.end[2] - low)
    first = -catenary.low_point_m / catenary.constant_m
    last = first + catenary.span_m / catenary.constant_m
    horizontal = catenary.constant_m * weight_N_m
    return horizontal * math.cosh(first), horizontal * math.cosh(last)


def polyline(catenary: Catenary, chord_error_m: float = CHORD_ERROR_M) -> tuple[Floats, float]:
    """Points (n, 3) along the curve, and a proven bound on the distance between curve and chords [m]. See `nodes`."""
    along = nodes(catenary, chord_error_m)
    return along.points, along.error_m


def nodes(catenary: Catenary, chord_error_m: float = CHORD_ERROR_M) -> Nodes:
    """Points along the curve at equal horizontal steps, so close that no chord errs by more than chord_error_m.

    The bound. On a chord from t = m - d to m + d (lengths in units of a) the distance from curve to chord is greatest
    where the tangent is parallel to the chord, sinh(t*) = S = sinh(m) sinh(d) / d, and is
    ``(cosh(m) cosh(d) + S (t* - m)) / cosh(t*) - 1``. For m >= 0 (else mirror): t* >= m, and
    ``cosh(t*) - cosh(m)``, the integral of sinh from m to t*, is at least ``(t* - m) sinh(m) = (t* - m) S d /
    sinh(d)``. Times cosh(d), and as d coth(d) >= 1: ``cosh(d) (cosh(t*) - cosh(m)) >= S (t* - m)``. So the distance
    is at most ``cosh(d) - 1``: the same for every chord of the step 2 d, within the span or far up an uplift.
    The curve turns by less than 2 d within a chord (its angle's derivative is 1 / cosh(t)); with 2 d <= 1 it turns by
    under 58 degrees, so each of its points projects inside its own chord and the bound is to the chord, not only to
    its line.
    """
    refuse("catenary", positive={"chord_error_m": chord_error_m})
    if catenary.constant_m == 0:
        corner = np.array([catenary.start, low_point(catenary), catenary.end])
        return Nodes(corner, np.zeros_like(corner), 0.0, math.pi)
    constant = catenary.constant_m
    extent = catenary.span_m / constant
    half_step = min(2 * math.asinh(math.sqrt(chord_error_m / (2 * constant))), 0.5)
    count = max(1, math.ceil(extent / (2 * half_step)))
    at = -catenary.low_point_m / constant + extent * np.linspace(0, 1, count + 1)
    points = _points(catenary, at)
    points[0], points[-1] = catenary.start, catenary.end
    across, up = -np.tanh(at), 1 / np.cosh(at)
    upward = np.stack([across * catenary.direction[0], across * catenary.direction[1], up], axis=1)
    return Nodes(points, upward, 2 * constant * math.sinh(extent / (4 * count)) ** 2, extent / count)


def _points(catenary: Catenary, at: Floats) -> Floats:
    """Points (n, 3) at normalised coordinates."""
    first = -catenary.low_point_m / catenary.constant_m
    along = catenary.constant_m * (at - first)
    up = 2 * catenary.constant_m * np.sinh((at - first) / 2) * np.sinh((at + first) / 2)
    east, north = catenary.direction
    x, y, z = catenary.start
    return np.stack([x + along * east, y + along * north, z + up], axis=1)


def _assembled(start: Point, end: Point, span: float, half: float) -> Catenary:
    constant, rise = span / (2 * half), end[2] - start[2]
    level = 2 * constant * math.sinh(half)
    middle = math.asinh(rise / level)
    return Catenary(start, end, constant, constant * (half - middle), math.hypot(level, rise))


def _span_or_refuse(start: Point, end: Point, remedy: str) -> float:
    span = math.hypot(end[0] - start[0], end[1] - start[1])
    if span <= 1e-9 * max(1.0, abs(end[2] - start[2])):
        raise InputError(Mistake(("catenary", "to_m"), "a horizontal distance from from_m", f"{span:.3g} m", remedy))
    return span


def _tuple(xyz: Floats) -> Point:
    return float(xyz[0]), float(xyz[1]), float(xyz[2])
