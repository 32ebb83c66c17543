"""Owns what placing must know of one line: its curve as stated, its temperature and wind over the weather, its
unstressed length after checks on site, and allowances for its strings.

`placing` puts these together; nothing here looks at more than one line.
"""

from __future__ import annotations

from dataclasses import replace
from math import cos, hypot, sin, tan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor import catenary, planar, wind
from clearance.conductor.catalogue import thermal
from clearance.conductor.change_of_state import Elongation, reference_length, settle_length
from clearance.conductor.elastic import Segment, hang, joints
from clearance.conductor.groups import STRING_DRAG
from clearance.conductor.heat import temperature_range
from clearance.conductor.lines import Correction, End, Line, Weather
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]
Pair = tuple[float, float]

DRAG: Final = 1.0
"""[1] Drag of a stranded conductor (IEC 60826, from memory)."""


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


def wind_force(line: Line, weather: Weather) -> Pair:
    """Range of the wind's force on one metre of one subconductor [N/m], positive to the left of the line's heading."""
    step = np.subtract(line.end.point, line.start.point)
    cross = wind.cross_speed_range(
        weather.wind_m_s, weather.wind_from_deg, float(np.arctan2(step[1], step[0])), weather.gust_factor
    )
    return wind.force_range(cross, line.diameter_m, wind.density_range(weather.air_C, weather.altitude_m), DRAG)


def live_point(end: End) -> Floats:
    """Where the curve begins: the attachment, or below it by a plumb suspension string."""
    drop = end.string_m if end.string == "suspension" else 0.0
    return np.asarray(end.point, float) - np.array([0.0, 0.0, drop])


def curve_of(line: Line) -> catenary.Catenary:
    """The whole curve as stated, strain strings part of it, suspension strings plumb."""
    start, end = live_point(line.start), live_point(line.end)
    if line.length_m is not None:
        return catenary.from_length(start, end, line.length_m)
    known = line.known
    if known is None:
        raise InputError(Mistake((f"wire '{line.name}'",), "a known state or a length", "none"))
    if known.tension_N is not None:
        return catenary.from_tension(start, end, known.tension_N, known.weight_N_m or 0.0)
    if known.sag_m is not None:
        return catenary.from_sag(start, end, known.sag_m)
    return catenary.from_constant(start, end, known.constant_m or 0.0)


def strain_strings(line: Line) -> Pair:
    one, two = (end.string_m if end.string == "strain" else 0.0 for end in (line.start, line.end))
    return one, two


def nominal_of(line: Line, whole: catenary.Catenary) -> catenary.Catenary:
    one, two = strain_strings(line)
    return catenary.part(whole, one, whole.length_m - two) if one or two else whole


def axis_of(line: Line) -> tuple[Floats, Floats]:
    start, end = np.asarray(line.start.point, float), np.asarray(line.end.point, float)
    return start, (end - start) / float(np.linalg.norm(end - start))


def rotation(axis: Floats, angle: float) -> Floats:
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross, float)


def corrected_length(
    line: Line, chord: float, tilt: float, per: float, model: Elongation
) -> tuple[float, Correction | None]:
    """Unstressed length [m] of a span under a model, after its checks, and what the checks did."""
    known, weight = line.known, weight_of(line)
    if known is None or weight is None:
        raise InputError(Mistake((f"wire '{line.name}'",), "a known state and a weight", "none"))
    rigid = sum(strain_strings(line))
    stated = None
    if known.at_C is not None:
        stated = reference_length(chord, tilt, weight / per, weight, known.at_C, model, rigid_m=rigid)
    if not line.checks:
        if stated is None:
            raise InputError(Mistake((f"wire '{line.name}'", "known"), "a temperature", "none"))
        return stated, None
    lengths, worst = [], None
    for check in line.checks:
        measured = catenary.from_sag(live_point(line.start), live_point(line.end), check.sag_m)
        lengths.append(
            reference_length(chord, tilt, weight * measured.constant_m, weight, check.at_C, model, rigid_m=rigid)
        )
        modelled = modelled_sag(line, chord, tilt, stated, check.at_C, model) if stated is not None else check.sag_m
        off = abs(modelled - check.sag_m)
        if worst is None or off > worst.slack_m:
            worst = Correction(check.sag_m, modelled, check.at_C, check.by, off)
    length = sum(lengths) / len(lengths)
    if worst is not None and len(lengths) > 1:
        # Checks that disagree with one another: what the mean leaves of each is slack as well.
        left = max(abs(modelled_sag(line, chord, tilt, length, c.at_C, model) - c.sag_m) for c in line.checks)
        worst = replace(worst, slack_m=max(worst.slack_m, left))
    return length, worst


def modelled_sag(line: Line, chord: float, tilt: float, length: float, at_C: float, model: Elongation) -> float:
    """Sag [m] of a span in still air at a conductor temperature [C], by its unstressed length [m]."""
    weight = weight_of(line) or 0.0
    tension = settle_length(chord, tilt, weight, at_C, length, model, rigid_m=sum(strain_strings(line)), what=line.name)
    curve = catenary.from_tension(live_point(line.start), live_point(line.end), tension, weight)
    return catenary.sag_at_midspan(curve)


def lone_string(line: Line, end: End, force: Pair, weight: float, pers: Pair, chord: float) -> float:
    """How far [m] the live end of a suspension string with an unknown far span may be from where the swing puts it.

    Both spans at the string are taken alike: the clamp carries the wind of one span, twice the vertical reaction of a
    span's end, and half the string's weight and wind. The reaction is half the span's weight, give or take what the
    slope of the chord adds; all three are tried.
    """
    if end.string != "suspension":
        return 0.0
    _, axis = axis_of(line)
    left = np.array([-axis[1], axis[0], 0.0]) / float(np.hypot(axis[0], axis[1]))
    worst, tilt = 0.0, float(np.arcsin(axis[2]))
    half, slope = weight * chord / 2, abs(tan(tilt)) * weight / pers[0]
    for pull in np.linspace(force[0], force[1], 33):
        blown = pull / line.diameter_m * STRING_DRAG * end.string_diameter_m * end.string_m / 2.0 / line.count
        plumb = rotation(axis, wind.swing(float(pull), weight, tilt)) @ np.array([0.0, 0.0, -1.0])
        for reaction in (max(half - slope, 0.0), half, half + slope):
            down = 2 * reaction + end.string_weight_N / 2.0 / line.count
            load = left * (pull * chord + blown) - np.array([0.0, 0.0, max(down, 1e-6)])
            worst = max(worst, end.string_m * float(np.linalg.norm(load / np.linalg.norm(load) - plumb)))
    return worst


def string_weight(line: Line, weight: float, chord: float, tilt: float, per: float) -> float:
    """How far [m] the line moves when its strain strings weigh what is stated instead of as much as their length of
    wire.

    Solved at the same length with the strings as parts of their own weight, and estimated at the same tension; the
    larger.
    """
    one, two = strain_strings(line)
    heavy = [line.start.string_weight_N * (one > 0), line.end.string_weight_N * (two > 0)]
    if not any(heavy):
        return 0.0
    whole = float(planar.solve(chord, tilt, per).length_m)
    parts = [(one, heavy[0] / line.count), (whole - one - two, 0.0), (two, heavy[1] / line.count)]
    end = np.array([chord * cos(tilt), 0.0, chord * sin(tilt)])
    even = [Segment(length, (0.0, 0.0, -weight)) for length, _ in parts if length > 0]
    true = [Segment(length, (0.0, 0.0, -(own / length if own else weight))) for length, own in parts if length > 0]
    still, moved = (hang([0.0, 0.0, 0.0], end, made, what=line.name) for made in (even, true))
    shift = float(np.linalg.norm(joints(moved) - joints(still), axis=1).max())
    # Within the conductor: the chord moves with its ends, and its tension by the ratio of the two.
    pull = hypot(*moved.force[:2]) / hypot(*still.force[:2])
    answered = shift + abs(1.0 - 1.0 / pull) * depth(chord, tilt, per)
    # At the same tension instead of the same length: the whole wire is lowered by the strings' moment over the tension.
    lowered = max(
        abs(own - weight * length) * length * per / (2.0 * weight) for length, own in (parts[0], parts[2]) if own
    )
    return max(answered, 1.1 * lowered)


def depth(chord: float, tilt: float, per: float) -> float:
    """Depth [m] of a curve below its chord, square to it, at half of it."""
    return float(planar.depth_at(planar.solve(chord, tilt, per), chord / 2))
