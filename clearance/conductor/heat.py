"""Owns the temperature of a conductor: the steady heat balance of IEEE Std 738, its reverse, and ranges of it.

For one set of conditions use `temperature` (from current) and `ampacity` (to current); the parts are `convection`,
`radiation`, `sun_heating`. For ranges of current, air, wind and sun use `temperature_range`.

The balance per metre is  q_convection + q_radiation = q_sun + I^2 R(T).  Refused outside -40 to 250 C: the air
properties are fitted there, and at higher temperatures the balance of a bare conductor can have two roots.

References
----------
.. [1] IEEE Std 738-2012, "Standard for Calculating the Current-Temperature Relationship of Bare Overhead Conductors",
   clauses 4.4.3 (convection), 4.4.4 (radiation), 4.5 (solar), Annex B (worked example). Formulas and coefficients
   from memory, confirmed by recomputing the intermediate values of the worked example.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, asin, atan2, cos, pi, radians, sin, sqrt, tan
from typing import Final, Literal

from scipy.optimize import brentq

from clearance.conductor.wind import outward
from clearance.errors import InputError, Mistake

Sky = Literal["clear", "industrial"]

SKY_W_M2: Final[dict[str, tuple[float, ...]]] = {
    "clear": (-42.2391, 63.8044, -1.9220, 3.46921e-2, -3.61118e-4, 1.94318e-6, -4.07608e-9),
    "industrial": (53.1821, 14.2110, 6.6138e-1, -3.1658e-2, 5.4654e-4, -4.3446e-6, 1.3236e-8),
}
"""[W/m2] Sun and sky heat at sea level as a polynomial of solar altitude in degrees, by kind of air [1]_."""

COLDEST_C: Final = -40.0
HOTTEST_C: Final = 250.0
"""[C] Conductor temperatures outside are refused."""


@dataclass(frozen=True)
class Conductor:
    """What the balance must know of a conductor.

    diameter_m: outer diameter [m]
    resistance_ohm_m: AC resistance at the two temperatures [ohm/m]
    at_C: those temperatures [C]
    emissivity, absorptivity: of its surface [1]
    """

    diameter_m: float
    resistance_ohm_m: tuple[float, float]
    at_C: tuple[float, float] = (25.0, 75.0)
    emissivity: float = 0.8
    absorptivity: float = 0.8


@dataclass(frozen=True)
class Air:
    """The air about a conductor.

    air_C: temperature [C]
    wind_m_s: speed [m/s]
    wind_angle_rad: between wind and conductor, pi/2 across it [rad]
    sun_W_m2: sun and sky heat on a surface square to the sun, at the conductor's height [W/m2]
    sun_angle_rad: between the sun's rays and the conductor [rad]
    altitude_m: above sea level [m]
    """

    air_C: float
    wind_m_s: float
    wind_angle_rad: float = pi / 2
    sun_W_m2: float = 0.0
    sun_angle_rad: float = pi / 2
    altitude_m: float = 0.0


@dataclass(frozen=True)
class TemperatureRange:
    """Lowest and highest conductor temperature over ranges of conditions [C], rounded outward, and the two cases
    behind."""

    low_C: float
    high_C: float
    coldest: Air
    hottest: Air
    basis: str


def resistance(conductor: Conductor, temperature_C: float) -> float:
    """Resistance [ohm/m], straight between and beyond the two given temperatures [1]_.

    >>> round(resistance(Conductor(0.02812, (7.283e-5, 8.688e-5)), 100.0) * 1e5, 3)
    9.39
    """
    (low, high), (cold, warm) = conductor.resistance_ohm_m, conductor.at_C
    return low + (high - low) * (temperature_C - cold) / (warm - cold)


def film(temperature_C: float, altitude_m: float) -> tuple[float, float, float]:
    """Density [kg/m3], dynamic viscosity [kg/m s] and heat conductivity [W/m C] of air at the film temperature [C]
    [1]_.

    >>> [float(f"{value:.3g}") for value in film(70.0, 0.0)]
    [1.03, 2.04e-05, 0.0295]
    """
    density = (1.293 - 1.525e-4 * altitude_m + 6.379e-9 * altitude_m**2) / (1.0 + 0.00367 * temperature_C)
    viscosity = 1.458e-6 * (temperature_C + 273.0) ** 1.5 / (temperature_C + 383.4)
    return density, viscosity, 2.424e-2 + 7.477e-5 * temperature_C - 4.407e-9 * temperature_C**2


def wind_angle_factor(angle_rad: float) -> float:
    """K_angle [1] for the angle between wind and conductor; grows from 0.388 along it to 1 across it [1]_.

    >>> round(wind_angle_factor(pi / 2), 3), round(wind_angle_factor(0.0), 3)
    (1.0, 0.388)
    """
    return 1.194 - cos(angle_rad) + 0.194 * cos(2 * angle_rad) + 0.368 * sin(2 * angle_rad)


def convection(conductor: Conductor, temperature_C: float, air: Air) -> tuple[float, float, float]:
    """Heat carried off by the air [W/m]: by the low-wind and the high-wind formula and without wind; the largest
    counts [1]_.

    Examples
    --------
    The standard's example (Drake at 100 C, air 40 C, 0.61 m/s across):

    >>> drake = Conductor(0.02812, (7.283e-5, 8.688e-5))
    >>> [round(heat, 1) for heat in convection(drake, 100.0, Air(40.0, 0.61))]
    [82.1, 77.0, 42.4]
    """
    warm = temperature_C - air.air_C
    density, viscosity, conductivity = film((temperature_C + air.air_C) / 2.0, air.altitude_m)
    reynolds = conductor.diameter_m * density * air.wind_m_s / viscosity
    factor = wind_angle_factor(air.wind_angle_rad) * conductivity * warm
    still = 3.645 * sqrt(density) * conductor.diameter_m**0.75 * (warm**1.25 if warm > 0 else -((-warm) ** 1.25))
    return (1.01 + 1.35 * reynolds**0.52) * factor, 0.754 * reynolds**0.6 * factor, still


def radiation(conductor: Conductor, temperature_C: float, air_C: float) -> float:
    """Heat radiated [W/m] [1]_.

    >>> round(radiation(Conductor(0.02812, (7.283e-5, 8.688e-5)), 100.0, 40.0), 1)
    39.1
    """
    return (
        17.8
        * conductor.diameter_m
        * conductor.emissivity
        * (((temperature_C + 273.0) / 100.0) ** 4 - ((air_C + 273.0) / 100.0) ** 4)
    )


def sun_heating(conductor: Conductor, air: Air) -> float:
    """Heat taken up from sun and sky [W/m] [1]_."""
    return conductor.absorptivity * air.sun_W_m2 * sin(air.sun_angle_rad) * conductor.diameter_m


def sun_position(latitude_deg: float, day: int, hour: float) -> tuple[float, float]:
    """Altitude and azimuth of the sun [rad] on a day of the year at a solar hour (12 is noon) [1]_.

    The azimuth is clockwise from north. Below the horizon the altitude is negative.

    Examples
    --------
    30 degrees north, 10 June, 11 o'clock:

    >>> [round(angle * 180 / pi, 1) for angle in sun_position(30.0, 161, 11.0)]
    [74.9, 114.0]
    """
    latitude = radians(latitude_deg)
    declination = radians(23.46) * sin(2 * pi * (284 + day) / 365)
    turn = radians(15.0 * (hour - 12.0))
    height = asin(cos(latitude) * cos(declination) * cos(turn) + sin(latitude) * sin(declination))
    azimuth = atan2(sin(turn), sin(latitude) * cos(turn) - cos(latitude) * tan(declination)) + pi
    return height, azimuth % (2 * pi)


def sun_heat(height_rad: float, sky: Sky = "clear", altitude_m: float = 0.0) -> float:
    """Sun and sky heat [W/m2] for a height of the sun [rad], in clear or industrial air; 0 below the horizon [1]_.

    >>> round(sun_heat(74.9 * pi / 180))
    1027
    """
    degrees = height_rad * 180 / pi
    if degrees <= 0:
        return 0.0
    heat = sum(coefficient * degrees**power for power, coefficient in enumerate(SKY_W_M2[sky]))
    return max(0.0, heat) * (1.0 + 1.148e-4 * altitude_m - 1.108e-8 * altitude_m**2)


def sun_on_line(height_rad: float, sun_azimuth_rad: float, line_azimuth_rad: float) -> float:
    """Angle between the sun's rays and the line [rad] [1]_."""
    return acos(cos(height_rad) * cos(sun_azimuth_rad - line_azimuth_rad))


def imbalance(conductor: Conductor, current_A: float, temperature_C: float, air: Air) -> float:
    """Heat gained less heat lost [W/m] at a temperature."""
    lost = (
        max(convection(conductor, temperature_C, air))
        if temperature_C > air.air_C
        else min(convection(conductor, temperature_C, air))
    )
    gained = current_A**2 * resistance(conductor, temperature_C) + sun_heating(conductor, air)
    return gained - lost - radiation(conductor, temperature_C, air.air_C)


def temperature(conductor: Conductor, current_A: float, air: Air) -> float:
    """Steady temperature of a conductor [C] under a current [A].

    Raises InputError where the balance lies outside -40 to 250 C.

    Examples
    --------
    The reverse of the standard's example: 1025 A gives 100 C.

    >>> drake = Conductor(0.02812, (7.283e-5, 8.688e-5))
    >>> round(temperature(drake, 1025.0, Air(40.0, 0.61, sun_W_m2=1027.0, sun_angle_rad=76.2 * pi / 180)), 1)
    100.0
    """
    low = air.air_C
    if not (COLDEST_C <= low <= HOTTEST_C) or imbalance(conductor, current_A, HOTTEST_C, air) > 0:
        raise InputError(
            Mistake(
                ("conductor", "temperature"),
                f"a balance between {COLDEST_C:g} and {HOTTEST_C:g} C",
                f"air {low:g} C, {current_A:g} A",
                "lower the current or the sun, or give the temperature range itself",
            )
        )
    if imbalance(conductor, current_A, low, air) <= 0:
        return low
    return float(
        brentq(lambda guess: imbalance(conductor, current_A, guess, air), low, HOTTEST_C, xtol=1e-10, rtol=8.9e-16)
    )


def ampacity(conductor: Conductor, temperature_C: float, air: Air) -> float:
    """Current [A] that holds a conductor at a temperature [C]; 0 where the sun alone heats it further.

    Examples
    --------
    >>> drake = Conductor(0.02812, (7.283e-5, 8.688e-5))
    >>> round(ampacity(drake, 100.0, Air(40.0, 0.61, sun_W_m2=1027.0, sun_angle_rad=76.2 * pi / 180)))
    1025
    """
    spare = -imbalance(conductor, 0.0, temperature_C, air)
    return sqrt(max(0.0, spare) / resistance(conductor, temperature_C))


def temperature_range(
    conductor: Conductor,
    current_A: tuple[float, float],
    air_C: tuple[float, float],
    wind_m_s: tuple[float, float],
    wind_angle_rad: tuple[float, float] = (0.0, pi / 2),
    sun_W_m2: tuple[float, float] = (0.0, 0.0),
    altitude_m: float = 0.0,
) -> TemperatureRange:
    """Range of the steady temperature over a box of conditions, rounded outward.

    Parameters
    ----------
    current_A, air_C, wind_m_s, wind_angle_rad, sun_W_m2: ranges (lowest, highest); the angle within 0 to pi/2. The
        sun is taken square to the line

    Notes
    -----
    The balance is monotone in each condition at a fixed conductor temperature: the heat gained grows with current and
    sun; the heat lost grows with wind speed, with the wind angle up to pi/2 (K_angle grows) and falls with air
    temperature (the film's properties change the loss by under 0.4 % a degree while the difference of temperatures
    changes it by over 0.4 % as long as it is below 250 C). And heat gained less heat lost falls with conductor
    temperature at the root, as I^2 R grows by under 0.41 % a degree while the loss grows by at least 1 / (T - air).
    So the temperature is monotone too, and its extremes are at two corners. `tests/test_conductor_heat.py` tries both
    on random conditions.

    Examples
    --------
    >>> drake = Conductor(0.02812, (7.283e-5, 8.688e-5))
    >>> found = temperature_range(drake, (200, 600), (25, 38), (0, 6), sun_W_m2=(0, 1000))
    >>> print(round(found.low_C, 1), round(found.high_C, 1))
    25.5 81.4
    """
    coldest = Air(air_C[0], wind_m_s[1], wind_angle_rad[1], sun_W_m2[0], pi / 2, altitude_m)
    hottest = Air(air_C[1], wind_m_s[0], wind_angle_rad[0], sun_W_m2[1], pi / 2, altitude_m)
    for name, (low, high) in (
        ("current_A", current_A),
        ("air_C", air_C),
        ("wind_m_s", wind_m_s),
        ("sun_W_m2", sun_W_m2),
    ):
        if not low <= high or (name != "air_C" and low < 0):
            raise InputError(
                Mistake(("weather", name), "a range [lowest, highest] of at least 0", f"[{low:g}, {high:g}]")
            )
    low, high = outward(temperature(conductor, current_A[0], coldest), temperature(conductor, current_A[1], hottest))
    basis = (
        f"IEEE 738-2012 steady balance: {current_A[0]:g} to {current_A[1]:g} A, air {air_C[0]:g} to {air_C[1]:g} C, "
        f"wind {wind_m_s[0]:g} to {wind_m_s[1]:g} m/s, sun {sun_W_m2[0]:g} to {sun_W_m2[1]:g} W/m2, "
        f"altitude {altitude_m:g} m"
    )
    return TemperatureRange(low, high, coldest, hottest, basis)
