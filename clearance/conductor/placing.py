"""Owns placing: from lines and weather to where each line may be, as pieces that deform and swing with a proven slack.

The one function to call is `place`. It takes all lines together, because a suspension string couples the spans on its
two sides, and gives for each line its nominal catenary and a deformable description: a polyline with a rate for one
shape parameter, and a range of swing about the axis through the attachments. `at` makes a polyline at given
parameters, `moves` says how far a point on a line may go.

Every true shape in the weather box lies within a piece's slack of the piece at some shape and swing in their ranges.
For spans between dead ends this follows from the monotone maps u(temperature, load, tilt) (`change_of_state`,
`planar`) and the enclosure in `envelope`. For spans on suspension strings the ranges come from the equilibrium of the
whole section at the corners and at steps of the wind between them, widened by `WIDEN`: an enclosing envelope, tested
on random weather.

What the model leaves out, and `slack_m` of the wire must cover: along-line wind, galloping, uneven gusts over a
section, and what is in `Placed.notes`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import atan, atan2, cos, hypot, inf, pi, tan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor import envelope, wind
from clearance.conductor.catalogue import models
from clearance.conductor.change_of_state import settle_length
from clearance.conductor.groups import States, grouped, section_states
from clearance.conductor.lines import Line, Piece, Placed, Ranges, Weather
from clearance.conductor.ranges import (
    DRAG,
    axis_of,
    conductor_temperature,
    corrected_length,
    curve_of,
    depth,
    live_point,
    lone_string,
    nominal_of,
    rotation,
    strain_strings,
    string_weight,
    weight_of,
    wind_force,
)
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]
Pair = tuple[float, float]

WIDEN: Final = 0.1
"""[1] Ranges over the states of a section are widened by this part of their width on both sides."""


def place(lines: Sequence[Line], weather: Weather | None = None) -> dict[str, Placed]:
    """Where each line is and may be.

    Parameters
    ----------
    lines: every wire of the scene; those that meet at a suspension string are solved together
    weather: ranges to cover; None places every line as stated, without range

    Raises
    ------
    InputError: every line that lacks what the weather needs (a conductor, the temperature of its stated state),
        together.

    Examples
    --------
    Drake over 300 m, strung with 25 kN at 15 C, between 10 and 60 C in up to 10 m/s of wind:

    >>> from clearance.conductor.catalogue import find
    >>> from clearance.conductor.lines import End, Known
    >>> drake = find("Drake")
    >>> line = Line("bus A", End((0, 0, 20)), End((300, 0, 20)), drake.diameter_m, drake,
    ...             known=Known(tension_N=25000.0, weight_N_m=drake.weight_N_m, at_C=15.0))
    >>> placed = place([line], Weather((0, 30), (0, 10), conductor_C=(10, 60)))["bus A"]
    >>> print([round(v, 2) for v in placed.shape_m], [round(float(np.degrees(v)), 1) for v in placed.swing_rad])
    [-0.18, 1.54] [-6.5, 6.5]
    """
    lacking = [mistake for line in lines for mistake in _lacking(line, weather)]
    if lacking:
        raise InputError(lacking)
    if weather is None:
        return {line.name: _as_stated(line) for line in lines}
    states: dict[str, States] = {}
    for group in grouped(lines):
        drawn = {line.name: line.start for line in lines}
        backwards = {line.name for line in group if line.start is not drawn[line.name]}
        states.update(_together(group, weather, backwards))
    return {line.name: _placed(line, weather, states.get(line.name)) for line in lines}


def at(placed: Placed, shape_m: float, swing_rad: float) -> list[Floats]:
    """The pieces' points (n, 3) [m] at a shape parameter [m] and a swing [rad]."""
    turn = rotation(placed.axis, swing_rad)
    return [
        (piece.points + shape_m * piece.rate - placed.axis_point) @ turn.T + placed.axis_point
        for piece in placed.pieces
    ]


def moves(placed: Placed, point: Sequence[float]) -> float:
    """How far [m] the vertex nearest to a point may go from where it is at shape 0 and swing 0, slack included.

    The vertex moves on a straight line with shape and on a circle with swing: its distance from the start is largest
    at an end of both ranges, or at the far side of the circle where the swing goes all round.
    """
    best = (inf, 0.0)
    for piece in placed.pieces:
        near = int(np.argmin(np.linalg.norm(piece.points - np.asarray(point, float), axis=1)))
        gap = float(np.linalg.norm(piece.points[near] - np.asarray(point, float)))
        if gap < best[0]:
            swings = [*placed.swing_rad, 0.0, *([pi] if max(map(abs, placed.swing_rad)) > pi / 2 else [])]
            reach = max(
                float(
                    np.linalg.norm(_turned(placed, piece.points[near] + v * piece.rate[near], s) - piece.points[near])
                )
                for v in placed.shape_m
                for s in swings
            )
            best = gap, reach + piece.slack_m
    return best[1]


def _turned(placed: Placed, point: Floats, swing_rad: float) -> Floats:
    return np.asarray(rotation(placed.axis, swing_rad) @ (point - placed.axis_point) + placed.axis_point, float)


def _lacking(line: Line, weather: Weather | None) -> list[Mistake]:
    where, found = (f"wire '{line.name}'",), []
    if (line.known is None) == (line.length_m is None):
        found.append(Mistake(where, "a known state or a length", "both or none"))
    if line.known is not None:
        given = [line.known.tension_N, line.known.sag_m, line.known.constant_m]
        if sum(value is not None for value in given) != 1:
            found.append(Mistake((*where, "known"), "one of tension, sag and catenary constant", "none or several"))
        if line.known.tension_N is not None and line.known.weight_N_m is None:
            found.append(Mistake((*where, "weight_N_m"), "the weight the tension goes with", "none"))
    if weather is None:
        return found
    if line.known is not None:
        if line.conductor is None:
            remedy = "name its conductor, or add it under [[conductors]]"
            found.append(
                Mistake((*where, "conductor"), "a conductor of the catalogue, as the scene has weather", "none", remedy)
            )
        if line.known.at_C is None and not line.checks:
            remedy = "say at what conductor temperature it hangs as stated"
            found.append(Mistake((*where, "known"), "a temperature, as the scene has weather", "none", remedy))
    elif weather.wind_m_s[1] > 0 and weight_of(line) is None:
        found.append(Mistake((*where, "weight_N_m"), "its weight or its conductor, as the scene has wind", "none"))
    if line.conductor is not None and line.live and weather.conductor_C is None and weather.current_A is None:
        remedy = "give current_A, or the conductors' own temperature"
        found.append(Mistake(("weather", "current_A"), "the range of current", "none", remedy))
    return found


def _as_stated(line: Line) -> Placed:
    whole = curve_of(line)
    axis_point, axis = axis_of(line)
    start, end = live_point(line.start), live_point(line.end)
    chord = float(np.linalg.norm(end - start))
    tilt = atan2(float(end[2] - start[2]), hypot(*(end - start)[:2]))
    if line.length_m is not None:
        family = envelope.loose_family(chord, line.length_m, tilt, (tilt, tilt), what=line.name)
    else:
        per = 1.0 / whole.constant_m
        family = envelope.span_family(
            chord, (per, tilt), (per, per), (tilt, tilt), strain_strings(line), what=line.name
        )
    pieces = _pieces(line, family, start, end, 0.0)
    return Placed(line, nominal_of(line, whole), axis_point, axis, (0.0, 0.0), (0.0, 0.0), pieces)


def _pieces(line: Line, family: envelope.Family, start: Floats, end: Floats, more_m: float) -> tuple[Piece, ...]:
    points, rate = envelope.embed(family, start, end)
    first, last = family.cuts
    slack = family.slack_m + more_m
    found = [Piece("wire", points[first : last + 1], rate[first : last + 1], slack)]
    if line.start.string == "strain" and line.start.own:
        found.insert(0, Piece("from string", points[: first + 1], rate[: first + 1], slack))
    if line.end.string == "strain" and line.end.own:
        found.append(Piece("to string", points[last:], rate[last:], slack))
    for which, tip in ((line.start, start), (line.end, end)):
        if which.string == "suspension" and which.own:
            string = np.array([which.point, tip])
            found.append(Piece("from string" if which is line.start else "to string", string, np.zeros((2, 3)), slack))
    return tuple(found)


def _placed(line: Line, weather: Weather, states: States | None) -> Placed:
    if line.length_m is not None:
        return _loose(line, weather)
    whole = curve_of(line)
    start, end = live_point(line.start), live_point(line.end)
    axis_point, axis = axis_of(line)
    chord = float(np.linalg.norm(end - start))
    tilt = atan2(float(end[2] - start[2]), hypot(*(end - start)[:2]))
    weight, per = weight_of(line) or 0.0, 1.0 / whole.constant_m
    temperature, basis = conductor_temperature(line, weather)
    force = wind_force(line, weather)
    swing = wind.swing_range(force, weight, float(np.arcsin(axis[2])))
    ways = models(line.conductor) if line.conductor is not None else ()
    fits = [corrected_length(line, chord, tilt, per, model) for model in ways]
    correction = max((fit[1] for fit in fits if fit[1] is not None), key=lambda made: made.slack_m, default=None)
    notes, ends_m = list(_notes(line, states)), 0.0
    least = 0.0 if force[0] <= 0.0 <= force[1] else min(abs(force[0]), abs(force[1]))
    loads = hypot(weight, least), hypot(weight, max(abs(force[0]), abs(force[1])))
    turned = [atan(tan(tilt) * cos(angle)) for angle in (*wind.swing_range(force, weight, tilt), 0.0)]
    tilts = min(turned), max(turned)
    flat = min(map(abs, tilts))
    if states is None:
        rigid = sum(strain_strings(line))
        low = min(
            loads[0]
            / settle_length(chord, flat, loads[0], temperature[0], fit[0], model, rigid_m=rigid, what=line.name)
            for fit, model in zip(fits, ways, strict=True)
        )
        high = max(
            loads[1]
            / settle_length(chord, abs(tilt), loads[1], temperature[1], fit[0], model, rigid_m=rigid, what=line.name)
            for fit, model in zip(fits, ways, strict=True)
        )
        pers = wind.outward(low, high)
        for which in (line.start, line.end):
            ends_m = max(ends_m, lone_string(line, which, force, weight, pers, chord))
    else:
        pers = _widened(states.per_m)
        tilts = _widened((min(states.tilt_rad[0], tilts[0]), max(states.tilt_rad[1], tilts[1])))
        ends_m = states.ends_m * (1 + WIDEN)
    family = envelope.span_family(chord, (per, tilt), pers, tilts, strain_strings(line), what=line.name)
    more = ends_m * (1.0 + chord * pers[1] + 4 * depth(chord, tilt, pers[1]) / chord)
    more += correction.slack_m if correction is not None else 0.0
    more += max(string_weight(line, weight, chord, tilt, value) for value in (*pers, per))
    sags = depth(chord, tilt, pers[0]), depth(chord, tilt, pers[1])
    tensions = wind.outward(loads[0] / pers[1], loads[1] / pers[0])
    ranges = Ranges(temperature, basis, force, pers, tilts, tensions, sags, ends_m)
    pieces = _pieces(line, family, start, end, more)
    nominal = nominal_of(line, whole)
    return Placed(
        line, nominal, axis_point, axis, swing, family.range_m, pieces, ranges, correction, tuple(dict.fromkeys(notes))
    )


def _widened(pair: Pair) -> Pair:
    room = WIDEN * (pair[1] - pair[0])
    return wind.outward(pair[0] - min(room, 0.5 * abs(pair[0])), pair[1] + room)


def _notes(line: Line, states: States | None) -> list[str]:
    notes = []
    for which, end in (("from", line.start), ("to", line.end)):
        if end.string == "suspension" and states is None:
            notes.append(f"the span on the other side of its {which} string is not known: taken as its mirror image")
        if end.string and end.own and end.string_weight_N == 0:
            notes.append(f"the weight of its {which} string is not stated: taken as that of as much wire")
    if line.conductor is not None and ("all" in line.conductor.from_memory):
        notes.append(f"the figures of {line.conductor.name} are from memory: confirm with the maker's")
    if states is not None and states.uplift:
        notes.append("a suspension string of its section is lifted above its attachment in some state")
    return notes


def _loose(line: Line, weather: Weather) -> Placed:
    whole = curve_of(line)
    start, end = live_point(line.start), live_point(line.end)
    axis_point, axis = axis_of(line)
    chord, length = float(np.linalg.norm(end - start)), line.length_m or 0.0
    tilt = atan2(float(end[2] - start[2]), hypot(*(end - start)[:2]))
    cross = (weather.wind_m_s[0], weather.wind_m_s[1] * weather.gust_factor)
    density = wind.density_range(weather.air_C, weather.altitude_m)[1]
    strongest = wind.force_per_metre(cross[1], line.diameter_m, density, DRAG)
    weight = weight_of(line) or 1.0
    directions = envelope.load_directions(end - start, weight, strongest, weather.heading_rad)
    family = envelope.loose_family(chord, length, tilt, directions.tilt_rad, what=line.name)
    temperature, basis = conductor_temperature(line, weather)
    moved = max(line.start.moves_m, line.end.moves_m)
    ends_m = envelope.ends_worth(
        chord, length, (directions.tilt_rad[0], tilt, directions.tilt_rad[1]), moved, line.name
    )
    if ends_m == inf:
        raise InputError(
            Mistake(
                (f"wire '{line.name}'", "length_m"),
                f"enough wire for its ends to move by {moved:.2f} m each in the weather",
                f"{length:.2f} m over a chord of {chord:.2f} m",
                "give the true length, or a narrower range of weather",
            )
        )
    ranges = Ranges(
        temperature,
        basis,
        wind.outward(-strongest, strongest),
        (0.0, 0.0),
        directions.tilt_rad,
        (0.0, 0.0),
        (0.0, 0.0),
        ends_m,
    )
    notes = [
        "blown as a rigid loop about the line through its ends; its length is taken as that stated at every temperature"
    ]
    return Placed(
        line, whole, axis_point, axis, directions.turn_rad, family.range_m, _pieces(line, family, start, end, ends_m),
        ranges, None, tuple(notes),
    )  # fmt: skip


def _together(group: Sequence[Line], weather: Weather, backwards: set[str]) -> dict[str, States]:
    """What a section of several spans does over the weather, per span."""
    ways = [models(line.conductor) for line in group if line.conductor is not None]
    found: dict[str, States] = {}
    for index in range(max(map(len, ways), default=0)):
        chosen = [way[min(index, len(way) - 1)] for way in ways]
        lengths = []
        for line, model in zip(group, chosen, strict=True):
            start, end = live_point(line.start), live_point(line.end)
            chord, tilt = float(np.linalg.norm(end - start)), atan2(float(end[2] - start[2]), hypot(*(end - start)[:2]))
            lengths.append(corrected_length(line, chord, tilt, 1.0 / curve_of(line).constant_m, model)[0])
        temperatures = [conductor_temperature(line, weather)[0] for line in group]
        forces = [wind_force(line, weather) for line in group]
        for name, made in section_states(group, chosen[0], lengths, temperatures, forces).items():
            # A span that the section runs through backwards rises where it was drawn falling.
            turned = name in backwards
            states = replace(made, tilt_rad=(-made.tilt_rad[1], -made.tilt_rad[0])) if turned else made
            found[name] = states if name not in found else found[name].joined(states)
    return found
