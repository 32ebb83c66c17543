"""Owns what wind does to lines: pressure, force per metre, swing of spans, strings and jumpers, and ranges of these.

For one wind use `pressure`, `force_per_metre`, `swing`, `insulator_swing`, `jumper_swing`, `blow_out`. For a range of
speeds and directions use `cross_speed_range`, then `force_range` and `swing_range`, which round outward.

The model of wind on a conductor, stated once: an even horizontal force on every metre, square to the vertical plane
through the attachments, from the part of the wind across that plane (cross-flow principle [1]_). Gusts enter as a
stated factor on the speed. Along-line wind, galloping, wake-induced motion and short-circuit forces are not evaluated.

References
----------
.. [1] Cross-flow principle and drag: IEC 60826:2017, 6.2.6 (force on conductors goes with the square of the sine of
   the angle between wind and line) (from memory).
.. [2] Swing of an insulator string: published worksheet, HT = Fi + Fc + Ftrans over VT = 0.5 Wi + Wc.
"""

from __future__ import annotations

from math import atan2, ceil, cos, floor, hypot, inf, log, nextafter, pi, sin
from typing import Final

from clearance.errors import InputError, Mistake

OUTWARD: Final = 1e-9
"""[1] Relative widening of every range, far above the rounding of the few operations behind it and of the root
finders."""

DRAG: Final = 1.0
"""[1] Drag of a stranded conductor (IEC 60826, from memory)."""

STRING_DRAG: Final = 1.2
"""[1] Drag of an insulator string (IEC 60826, from memory)."""

GAS_CONSTANT: Final = 287.05
"""[J/kg K] of dry air."""


def air_density(air_C: float = 15.0, altitude_m: float = 0.0) -> float:
    """Density of dry air [kg/m3] at a temperature [C] and height above sea level [m].

    Pressure from the barometric formula of the standard atmosphere (ISO 2533).

    >>> round(air_density(15.0, 0.0), 3)
    1.225
    """
    pressure_Pa: float = 101325.0 * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588
    return pressure_Pa / (GAS_CONSTANT * (air_C + 273.15))


def pressure(speed_m_s: float, density_kg_m3: float = 1.225) -> float:
    """Dynamic pressure [Pa] of a wind [m/s].

    >>> round(pressure(20.0), 1)
    245.0
    """
    return 0.5 * density_kg_m3 * speed_m_s**2


def speed_at_height(speed_m_s: float, height_m: float, measured_at_m: float = 10.0, exponent: float = 0.16) -> float:
    """Speed [m/s] at a height over the ground [m], by the power law.

    exponent: 0.12 over water, 0.16 open country, 0.22 suburbs, 0.28 towns and woods (IEC 60826 terrain A to D, from
        memory)

    >>> round(speed_at_height(10.0, 20.0), 2)
    11.17
    """
    return float(speed_m_s * (height_m / measured_at_m) ** exponent)


def force_per_metre(
    cross_speed_m_s: float, diameter_m: float, density_kg_m3: float = 1.225, drag: float = 1.0
) -> float:
    """Force [N/m] of the part of the wind across the line [m/s] on a conductor; signed like the speed.

    drag: 1.0 for stranded conductors (IEC 60826, from memory), 1.2 for insulator strings

    >>> round(force_per_metre(20.0, 0.0281), 3)
    6.885
    """
    return drag * diameter_m * pressure(cross_speed_m_s, density_kg_m3) * (1.0 if cross_speed_m_s >= 0 else -1.0)


def swing(force_N_m: float, weight_N_m: float, tilt_rad: float = 0.0) -> float:
    """Angle [rad] by which a span's plane turns about the chord of tilt [rad], from the vertical plane.

    The load is weight and wind; across the chord the weight acts with its cosine: tan = wind / (weight cos tilt).

    >>> round(swing(10.0, 10.0) * 180 / pi, 1)
    45.0
    """
    return atan2(force_N_m, weight_N_m * cos(tilt_rad))


def insulator_swing(
    wind_on_conductor_Pa: float,
    diameter_m: float,
    wind_span_m: float,
    weight_N_m: float,
    weight_span_m: float,
    tension_N: float = 0.0,
    line_angle_rad: float = 0.0,
    wind_on_string_N: float = 0.0,
    string_weight_N: float = 0.0,
    subconductors: int = 1,
) -> tuple[float, float, float]:
    """Swing of a suspension string [2]_: angle [rad], transverse load [N] and vertical load [N].

    Parameters
    ----------
    wind_on_conductor_Pa: pressure times drag
    wind_span_m: half the sum of the adjacent spans
    weight_span_m: distance between the low points of the adjacent spans; negative for uplift
    tension_N, line_angle_rad: horizontal tension of one subconductor, and how far the line turns at the structure
    wind_on_string_N, string_weight_N: of the whole string; half of each acts at the conductor

    Returns
    -------
    The angle lies beyond 90 degrees under uplift: the string is then lifted above its attachment.

    Examples
    --------
    The published worksheet (its printed angle, 67.000 degrees, does not follow from its own loads):

    >>> angle, across, down = insulator_swing(879.657, 0.02773, 440.0, 15.102, 275.0, string_weight_N=754.131)
    >>> print(round(across, 2), round(down, 2), round(angle * 180 / pi, 2))
    10732.87 4530.12 67.12
    """
    across = (
        subconductors * (wind_on_conductor_Pa * diameter_m * wind_span_m + 2.0 * tension_N * sin(line_angle_rad / 2.0))
        + wind_on_string_N / 2.0
    )
    down = subconductors * weight_N_m * weight_span_m + string_weight_N / 2.0
    return atan2(across, down), across, down


def jumper_swing(force_N_m: float, weight_N_m: float) -> float:
    """Swing of a jumper without a string, blown as a rigid loop: atan(wind / weight) [rad] (common practice, no
    source)."""
    return atan2(force_N_m, weight_N_m)


def blow_out(sag_m: float, swing_rad: float, string_m: float = 0.0) -> float:
    """How far mid-span moves sideways [m]: (sag + suspension string) times the sine of the swing.

    >>> round(blow_out(8.0, pi / 6), 2)
    4.0
    """
    return (sag_m + string_m) * sin(swing_rad)


def outward(low: float, high: float) -> tuple[float, float]:
    """A range widened by `OUTWARD` of its larger end, and by one step of the number format.

    >>> low, high = outward(1.0, 2.0)
    >>> low < 1.0 and high > 2.0
    True
    """
    if not low <= high:
        raise InputError(
            Mistake(("range",), "a range [lowest, highest]", f"[{low}, {high}]", "write it the other way round")
        )
    room = OUTWARD * max(abs(low), abs(high))
    return nextafter(low - room, -inf), nextafter(high + room, inf)


def cross_speed_range(
    speed_m_s: tuple[float, float],
    from_deg: tuple[float, float] | None,
    line_heading_rad: float,
    gust_factor: float = 1.0,
) -> tuple[float, float]:
    """Range of the wind's part across a line [m/s], positive towards the left of its heading.

    Parameters
    ----------
    speed_m_s: range of speed
    from_deg: range of the bearing the wind comes from, clockwise from north (the y axis), 0 to 360, the second may
        pass 360; None for any direction
    line_heading_rad: heading of the line, anticlockwise from the x axis
    gust_factor: on the highest speed only, so a stated lull stays possible

    Notes
    -----
    The part across is v sin(a), linear in v for each direction, so its extremes over the box are at the ends of v; in
    a they are at the ends of the range or where sin is -1 or 1 within it. All are tried and the outcome rounded
    outward.

    Examples
    --------
    A wind of 5 to 10 m/s out of the west (270) across a line that runs north:

    >>> low, high = cross_speed_range((5.0, 10.0), (270.0, 270.0), pi / 2)
    >>> print(round(low, 6), round(high, 6))
    -10.0 -5.0
    """
    low, high = speed_m_s[0], speed_m_s[1] * gust_factor
    if not 0 <= low <= high or gust_factor < 1.0:
        raise InputError(
            Mistake(("wind",), "speeds of at least 0 and a gust factor of at least 1", f"{speed_m_s}, {gust_factor}")
        )
    if from_deg is None:
        return outward(-high, high)
    # Blowing towards bearing + 180; as an angle anticlockwise from x it is 90 - (bearing + 180) = -90 - bearing.
    first, last = sorted(-pi / 2 - pi / 180 * bearing - line_heading_rad for bearing in from_deg)
    if last - first >= 2 * pi:
        return outward(-high, high)
    angles = [first, last]
    angles += [
        pi / 2 + k * pi
        for k in range(floor((first - pi / 2) / pi), ceil((last - pi / 2) / pi) + 1)
        if first <= pi / 2 + k * pi <= last
    ]
    parts = [speed * sin(angle) for speed in (low, high) for angle in angles]
    return outward(min(parts), max(parts))


def force_range(
    cross_m_s: tuple[float, float], diameter_m: float, density_kg_m3: tuple[float, float], drag: float = 1.0
) -> tuple[float, float]:
    """Range of force per metre [N/m] for a range of cross speed [m/s] and air density [kg/m3].

    Monotone: v |v| grows with v; and for a given sign of v the force grows in size with density, so the ends of both
        suffice.

    >>> low, high = force_range((-10.0, 10.0), 0.02, (1.1, 1.3))
    >>> print(round(low, 3), round(high, 3))
    -1.3 1.3
    """
    forces = [force_per_metre(speed, diameter_m, density, drag) for speed in cross_m_s for density in density_kg_m3]
    return outward(min(forces), max(forces))


def swing_range(force_N_m: tuple[float, float], weight_N_m: float, tilt_rad: float = 0.0) -> tuple[float, float]:
    """Range of swing [rad] for a range of force [N/m]. Monotone: the arctangent grows with the force at a fixed weight.

    >>> low, high = swing_range((0.0, 10.0), 10.0)
    >>> print(round(high * 180 / pi, 6))
    45.0
    """
    return outward(swing(force_N_m[0], weight_N_m, tilt_rad), swing(force_N_m[1], weight_N_m, tilt_rad))


def resultant(force_N_m: float, weight_N_m: float) -> float:
    """Size of weight and wind together [N/m].

    >>> resultant(3.0, 4.0)
    5.0
    """
    return hypot(force_N_m, weight_N_m)


def density_range(air_C: tuple[float, float], altitude_m: float) -> tuple[float, float]:
    """Range of air density [kg/m3] for a range of air temperature [C]. Monotone: density falls with temperature.

    >>> low, high = density_range((0.0, 30.0), 0.0)
    >>> print(round(low, 3), round(high, 3))
    1.164 1.292
    """
    return outward(air_density(air_C[1], altitude_m), air_density(air_C[0], altitude_m))


def log_profile(speed_m_s: float, height_m: float, measured_at_m: float = 10.0, roughness_m: float = 0.05) -> float:
    """Speed [m/s] at a height over the ground [m], by the logarithmic law; roughness 0.05 m for open country.

    >>> round(log_profile(10.0, 20.0), 2)
    11.31
    """
    if min(height_m, measured_at_m) <= 2 * roughness_m:
        raise InputError(
            Mistake(
                ("wind", "height_m"), f"a height above twice the roughness, {2 * roughness_m:g} m", f"{height_m:g} m"
            )
        )
    return speed_m_s * log(height_m / roughness_m) / log(measured_at_m / roughness_m)


def gust_factor(turbulence: float, peak: float = 3.0) -> float:
    """Factor on the mean speed for gusts: 1 + peak times turbulence intensity (common practice, no source).

    >>> round(gust_factor(0.18), 2)
    1.54
    """
    return 1.0 + peak * turbulence
