"""Owns what placing must know of one line: its curve as stated, its temperature and wind over the weather, its
unstressed length after checks on site, and allowances for its strings.

`placing` puts these together; nothing here looks at more than one line.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, log, pi, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from clearance.conductor import catenary, planar, wind
from clearance.conductor.catalogue import thermal
from clearance.conductor.change_of_state import Elongation, reference_length, settle_length
from clearance.conductor.heat import temperature_range
from clearance.conductor.lines import Correction, End, Line, Weather
from clearance.conductor.wind import DRAG, STRING_DRAG
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]
Pair = tuple[float, float]

GRAVITY_M_S2: Final = 9.80665
"""[m/s2] Standard gravity (CGPM 1901)."""


def weight_of(line: Line) -> float | None:
    """Weight of one subconductor [N/m]: the catalogue's, else as stated."""
    return line.conductor.weight_N_m if line.conductor is not None else line.weight_N_m


def conductor_temperature(line: Line, weather: Weather) -> tuple[Pair, str]:
    """Range of a line's conductor temperature [C] and its basis."""
    if weather.conductor_C is not None:
        return wind.outward(*weather.conductor_C), "as stated"
    current = (0.0, 0.0)
    if line.live and weather.current_A is not None:
        current = weather.current_A[0] / line.count, weather.current_A[1] / line.count
    if line.conductor is None:
        return wind.outward(*weather.air_C), "that of the air: its conductor is not stated"
    # The lowest wind cools least whatever its direction; the gust cools most.
    speeds = weather.wind_m_s[0], weather.wind_m_s[1] * weather.gust_factor
    found = temperature_range(
        thermal(line.conductor),
        current,
        weather.air_C,
        speeds,
        sun_W_m2=weather.sun_W_m2,
        altitude_m=weather.altitude_m,
    )
    return (found.low_C, found.high_C), found.basis


def ice_weight(diameter_m: float, thickness_m: float, density_kg_m3: float) -> float:
    """Weight [N/m] of ice of even thickness [m] around a conductor [m]: density g pi t (d + t).

    The usual figure of 57 lb/ft3, in lb/ft and inches 1.2434 t (d + t), for half an inch on Drake:

    >>> half = ice_weight(1.108 * 0.0254, 0.0127, 57 * 16.018463)
    >>> round(half / 14.593903, 3), round(1.2434 * 0.5 * (1.108 + 0.5), 3)
    (1.0, 1.0)
    """
    return density_kg_m3 * GRAVITY_M_S2 * pi * thickness_m * (diameter_m + thickness_m)


def ice_of(line: Line, weather: Weather) -> tuple[Pair, Pair]:
    """Thickness of the ice on a subconductor [m] and its weight [N/m], each (lowest, highest)."""
    if line.ice_m is None and weather.ice_weight_N_m is not None:
        # t (d + t) is what the weight says; its positive root.
        per = [weight / (weather.ice_kg_m3 * GRAVITY_M_S2 * pi) for weight in weather.ice_weight_N_m]
        low, high = ((sqrt(line.diameter_m**2 + 4.0 * one) - line.diameter_m) / 2.0 for one in per)
    else:
        low, high = line.ice_m if line.ice_m is not None else weather.ice_m
    if high == 0.0:
        return (0.0, 0.0), (0.0, 0.0)
    thick = wind.outward(low, high)
    thick = max(0.0, thick[0]), thick[1]
    return thick, (
        ice_weight(line.diameter_m, thick[0], weather.ice_kg_m3),
        ice_weight(line.diameter_m, thick[1], weather.ice_kg_m3),
    )


def wind_force(line: Line, weather: Weather) -> Pair:
    """Range of the wind's force on one metre of one subconductor, ice included [N/m], positive to the left of the
    line's heading.

    The force grows in size with the diameter, so the ends of the range of ice suffice.
    """
    step = np.subtract(line.end.point, line.start.point)
    cross = wind.cross_speed_range(
        weather.wind_m_s, weather.wind_from_deg, float(np.arctan2(step[1], step[0])), weather.gust_factor
    )
    densities = wind.density_range(weather.air_C, weather.altitude_m)
    found = [
        wind.force_range(cross, line.diameter_m + 2.0 * thick, densities, DRAG) for thick in ice_of(line, weather)[0]
    ]
    return min(low for low, _ in found), max(high for _, high in found)


def live_point(end: End) -> Floats:
    """Where the curve begins: the attachment, or below it by a plumb suspension string."""
    drop = end.string_m if end.string == "suspension" else 0.0
    return np.asarray(np.asarray(end.point, float) - np.array([0.0, 0.0, drop]), float)


def chord_of(line: Line) -> Pair:
    """Length [m] and slope [rad] of the chord of a line's curve, suspension strings plumb."""
    step = live_point(line.end) - live_point(line.start)
    return float(np.linalg.norm(step)), float(np.arctan2(step[2], np.hypot(step[0], step[1])))


def strain_strings(line: Line) -> tuple[Pair, Pair]:
    """Lengths [m] of a line's strain strings at start and end, and their weight per metre over the conductor's; 1
    where it is not stated."""
    weight, lengths, ratios = weight_of(line), [], []
    for end in (line.start, line.end):
        length = end.string_m if end.string == "strain" else 0.0
        lengths.append(length)
        stated = end.string_weight_N if length > 0 and weight is not None else 0.0
        ratios.append(stated / line.count / length / weight if stated > 0 and weight is not None else 1.0)
    return (lengths[0], lengths[1]), (ratios[0], ratios[1])


def shape_of(line: Line, per_m: float) -> planar.Planar:
    """The line in still air with its suspension strings plumb, at a weight over horizontal tension [1/m]."""
    chord, tilt = chord_of(line)
    return planar.solve(chord, tilt, per_m, *strain_strings(line), what=line.name)


def per_of_sag(line: Line, sag_m: float) -> float:
    """Weight over horizontal tension [1/m] at which a line has a sag [m]: vertical, from its chord, at half its span.

    The sag grows with it (`planar`, fact 1), so the root is the only one.
    """
    chord, _ = chord_of(line)
    lengths, ratios = strain_strings(line)
    heavy = max(length * max(1.0, ratio) for length, ratio in zip(lengths, ratios, strict=True))
    high = 2.4 / chord if heavy == 0 else min(2.4 / chord, 0.999 * planar.STRING_LIMIT / heavy)

    def excess(log_per: float) -> float:
        return float(planar.sag(shape_of(line, exp(log_per)))) - sag_m

    low, top = log(1e-6 / chord), log(high)
    if excess(low) > 0 or excess(top) < 0:
        found = f"{sag_m:g} m over {chord:.1f} m"
        raise InputError(Mistake((f"wire '{line.name}'", "sag_m"), "a sag of a taut span, under a third of it", found))
    return exp(float(brentq(excess, low, top, xtol=1e-14, rtol=8.9e-16)))


def stated_per(line: Line) -> float:
    """Weight over horizontal tension [1/m] of a span as stated."""
    known = line.known
    if known is not None and known.tension_N is not None and known.weight_N_m is not None:
        return known.weight_N_m / known.tension_N
    if known is not None and known.sag_m is not None:
        return per_of_sag(line, known.sag_m)
    if known is not None and known.constant_m is not None:
        return 1.0 / known.constant_m
    raise InputError(Mistake((f"wire '{line.name}'",), "one of tension with weight, sag and catenary constant", "none"))


def nominal_of(line: Line) -> catenary.Catenary:
    """The conductor as stated, between its live ends."""
    start, end = live_point(line.start), live_point(line.end)
    if line.length_m is not None:
        return catenary.from_length(start, end, line.length_m)
    per = stated_per(line)
    lengths, _ = strain_strings(line)
    if not any(lengths):
        return catenary.from_constant(start, end, 1.0 / per)
    shape = shape_of(line, per)
    chord, tilt = chord_of(line)
    unit = (end - start) / chord
    down = np.array([unit[0] * np.tan(tilt), unit[1] * np.tan(tilt), -np.hypot(unit[0], unit[1])])
    down /= float(np.linalg.norm(down))
    tips = [planar.at_length(shape, lengths[0]), planar.at_length(shape, lengths[0] + float(shape.length_m))]
    ends = [start + float(x) * unit + float(y) * down for x, y in tips]
    return catenary.from_constant(ends[0], ends[1], 1.0 / per)


def swing_frame(axis: Floats) -> tuple[Floats, Floats]:
    """What a line swings between about an axis: unit vectors (3,) square to it, downwards and to the side that a
    positive turn goes to."""
    down = np.array([0.0, 0.0, -1.0]) + axis[2] * axis
    down /= float(np.linalg.norm(down))
    return down, np.cross(axis, down)


def rotation(axis: Floats, angle: float) -> Floats:
    """Rotation (3, 3) about a unit axis by an angle [rad]."""
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross, float)


def unstressed(line: Line, model: Elongation) -> tuple[float, Correction | None]:
    """Unstressed length [m] of a tensioned span under a model, after its checks on site, and what the checks did."""
    known, weight = line.known, weight_of(line)
    if known is None or weight is None:
        raise InputError(Mistake((f"wire '{line.name}'",), "a known state and a weight", "none"))
    stated = _length_at(line, stated_per(line), known.at_C, model) if known.at_C is not None else None
    if not line.checks:
        if stated is None:
            raise InputError(Mistake((f"wire '{line.name}'", "known"), "a temperature", "none"))
        return stated, None
    lengths, worst = [], None
    for check in line.checks:
        lengths.append(_length_at(line, per_of_sag(line, check.sag_m), check.at_C, model))
        modelled = sag_at(line, stated, check.at_C, model) if stated is not None else check.sag_m
        off = abs(modelled - check.sag_m)
        if worst is None or off > worst.uncertainty_m:
            worst = Correction(check.sag_m, modelled, check.at_C, check.by, off)
    length = sum(lengths) / len(lengths)
    if worst is not None and len(lengths) > 1:
        # Checks that disagree with one another: what the mean leaves of each is uncertainty as well.
        left = max(abs(sag_at(line, length, check.at_C, model) - check.sag_m) for check in line.checks)
        worst = replace(worst, uncertainty_m=max(worst.uncertainty_m, left))
    return length, worst


def _length_at(line: Line, per_m: float, at_C: float, model: Elongation) -> float:
    weight = weight_of(line) or 0.0
    return reference_length(*chord_of(line), weight / per_m, weight, at_C, model, *strain_strings(line))


def tension_at(line: Line, length_m: float, at_C: float, model: Elongation) -> float:
    """Horizontal tension [N] of a span of unstressed length [m] in still air at a conductor temperature [C]."""
    weight = weight_of(line) or 0.0
    return settle_length(*chord_of(line), weight, at_C, length_m, model, *strain_strings(line), what=line.name)


def sag_at(line: Line, length_m: float, at_C: float, model: Elongation) -> float:
    """Sag [m] of a span of unstressed length [m] in still air at a conductor temperature [C]."""
    return float(planar.sag(shape_of(line, (weight_of(line) or 0.0) / tension_at(line, length_m, at_C, model))))


def string_wind(line: Line, force: Pair, per_m: float) -> float:
    """How far [m] wind on strain strings may put the line aside of the plane that its conductor hangs in.

    The shape takes a string's wind as its weight per metre over the conductor's times the conductor's wind. What the
    true wind differs by, half of it at the live end, is held by the tension over the string's length; half as much
    again is added.
    """
    weight, (lengths, ratios) = weight_of(line) or 0.0, strain_strings(line)
    blown = max(abs(force[0]), abs(force[1]))
    worst = 0.0
    for end, length, ratio in zip((line.start, line.end), lengths, ratios, strict=True):
        if length > 0:
            true = blown / DRAG / line.diameter_m * STRING_DRAG * end.string_diameter_m * length / line.count
            worst = max(worst, abs(true - ratio * blown * length) / 2.0 * length * per_m / weight)
    return 1.5 * worst
