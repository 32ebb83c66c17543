"""Owns placing: from lines and weather to where each line may be, as pieces that deform and swing with a proven
uncertainty.

The one function to call is `place`. It takes all lines together, because a suspension string couples the spans on its
two sides, and gives for each line its nominal catenary and a deformable description: a polyline with a rate for one
shape parameter, and a range of swing about the axis through the attachments. `at` makes a polyline at given
parameters, `moves` says how far a point on a line may go.

Every true shape in the weather box lies within a piece's uncertainty of the piece at some shape and swing in their
ranges. For spans between dead ends this follows from the monotone maps u(temperature, load, tilt) (`change_of_state`,
`planar`) and the enclosure in `envelope`; for loose lines, from that in `loose` and from what moving ends are worth
(`moved_ends`); for spans of a section on suspension strings, from the range of u and how far their clamps are from a
rigid swing (`enclosed`), and what moved ends are worth (`envelope.carried`). Where no proof is found for a section its
states at the corners and at steps of the wind stand in, widened by `WIDEN`, and the far span of a string that is alone
is taken as a mirror image: allowances, tested on random weather, and named as such in `Placed.notes`. Spans that carry
loads are placed by `laden`, likewise.

What the model leaves out, and `uncertainty_m` of the wire must cover: along-line wind, galloping, uneven gusts over a
section, and what is in `Placed.notes`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import atan, copysign, cos, hypot, inf, pi, sin, tan
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from clearance.conductor import envelope, loose, planar, wind
from clearance.conductor.carrying import Curve, curves, sections
from clearance.conductor.catalogue import models
from clearance.conductor.catenary import Point
from clearance.conductor.change_of_state import settle_length
from clearance.conductor.enclosed import Together, ends_off, over_weather
from clearance.conductor.groups import grouped, lone_samples, spread
from clearance.conductor.laden import as_loaded, in_weather
from clearance.conductor.lines import Line, Piece, Placed, Ranges, Weather
from clearance.conductor.loads import Carried, base_of, carried
from clearance.conductor.moved_ends import at_vertices, line_worth_along
from clearance.conductor.ranges import (
    chord_of,
    conductor_temperature,
    ice_of,
    live_point,
    nominal_of,
    rotation,
    stated_per,
    strain_strings,
    string_wind,
    unstressed,
    weight_of,
    wind_force,
)
from clearance.conductor.wind import DRAG
from clearance.errors import InputError, Mistake
from clearance.shapes import nearest_on

Floats = NDArray[np.float64]
Pair = tuple[float, float]

SWINGS: Final = 17
"""[1] Angles over the range of swing at which it is said where a point may be; more leave less between them."""

WIDEN: Final = 0.1
"""[1] Ranges over the states of a section that is not proved are widened by this part of their width on both sides."""


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
        bent = curves(lines)
        return {line.name: as_loaded(bent[line.name]) if line.name in bent else _as_stated(line) for line in lines}
    states: dict[str, Together] = {}
    found: dict[str, Placed] = {}
    for group in sections(lines):
        if any(line.loads for line in group):
            found |= in_weather(*_bent(lines, group), weather)
    for group in grouped(lines):
        if group[0].name in found:
            continue
        drawn = {line.name: line.start for line in lines}
        backwards = {line.name for line in group if line.start is not drawn[line.name]}
        states.update(over_weather(group, weather, backwards))
    return {line.name: found.get(line.name) or _placed(line, weather, states.get(line.name)) for line in lines}


def _bent(lines: Sequence[Line], group: Sequence[Line]) -> tuple[Carried, list[Curve]]:
    """A section that carries loads, and the curve of each of its lines."""
    drawn = {line.name: line for line in lines}
    made = carried(group)
    return made, [
        Curve(drawn[line.name], made, index, line.start is not drawn[line.name].start, hung)
        for index, (line, hung) in enumerate(zip(group, base_of(made), strict=True))
    ]


def at(placed: Placed, shape_m: float, swing_rad: float) -> list[Floats]:
    """The pieces' points (n, 3) [m] at a shape parameter [m] and a swing [rad]."""
    turn = rotation(placed.axis, swing_rad)
    return [
        (piece.points + shape_m * piece.rate - placed.axis_point) @ turn.T + placed.axis_point
        for piece in placed.pieces
    ]


def moves(placed: Placed, point: Sequence[float]) -> tuple[tuple[Point, ...], float]:
    """Displacements (3,) [m] of a point on a line, and the uncertainty around what they span [m].

    The point keeps its share of the chord of the polyline that it is nearest to, as a clamp keeps its share of the wire
    (tested, not proved). It goes on a straight line with shape and on a circle about the axis with swing, so it is
    never further from the hull of where it is at the corners of shape and at `SWINGS` angles than an arc between two of
    these from its chord.
    """
    there = np.asarray(point, float)
    best: tuple[float, tuple[Point, ...], float] = (inf, (), 0.0)
    swings = dict.fromkeys([0.0, *(float(swing) for swing in np.linspace(*placed.swing_rad, SWINGS))])
    half = (placed.swing_rad[1] - placed.swing_rad[0]) / (2 * (SWINGS - 1))
    for piece in placed.pieces:
        first, way = piece.points[:-1], np.diff(piece.points, axis=0)
        share, away = nearest_on(first, way, there)
        near = int(np.argmin(away))
        if away[near] < best[0]:
            own = first[near] + share[near] * way[near]
            rate = (1.0 - share[near]) * piece.rate[near] + share[near] * piece.rate[near + 1]
            places = [own + v * rate for v in dict.fromkeys([0.0, *placed.shape_m])]
            steps = [_turned(placed, place, swing) - own for place in places for swing in swings]
            radius = max(float(np.linalg.norm(np.cross(place - placed.axis_point, placed.axis))) for place in places)
            uncertainty = float(piece.room_m[near : near + 2].max()) + radius * (1.0 - cos(half)) + float(away[near])
            best = float(away[near]), tuple((float(x), float(y), float(z)) for x, y, z in steps), uncertainty
    return best[1], best[2]


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


def _axis(start: Floats, end: Floats) -> Floats:
    return np.asarray((end - start) / float(np.linalg.norm(end - start)), float)


def _as_stated(line: Line) -> Placed:
    start, end = live_point(line.start), live_point(line.end)
    chord, tilt = chord_of(line)
    if line.length_m is not None:
        family = loose.loose_family(chord, line.length_m, tilt, (tilt, tilt), what=line.name)
    else:
        per = stated_per(line)
        family = envelope.span_family(
            chord, (per, tilt), (per, per), (tilt, tilt), *strain_strings(line), what=line.name
        )
    first, last = np.asarray(line.start.point, float), np.asarray(line.end.point, float)
    pieces = _pieces(line, family, start, end, 0.0, (0.0, 0.0))
    return Placed(line, nominal_of(line), first, _axis(first, last), (0.0, 0.0), (0.0, 0.0), pieces)


def _pieces(
    line: Line, family: envelope.Family, start: Floats, end: Floats, more_m: float, tops_m: Pair
) -> tuple[Piece, ...]:
    """The line's pieces; `tops_m` is how far a rigid swing moves the top of each suspension string, which stays in
    truth."""
    points, rate = envelope.embed(family, start, end)
    first, last = family.cuts
    uncertainty = family.uncertainty_m + more_m
    found = [Piece("wire", points[first : last + 1], rate[first : last + 1], uncertainty)]
    if line.start.string == "strain" and line.start.own:
        found.insert(0, Piece("from string", points[: first + 1], rate[: first + 1], uncertainty))
    if line.end.string == "strain" and line.end.own:
        found.append(Piece("to string", points[last:], rate[last:], uncertainty))
    for which, tip, top in ((line.start, start, tops_m[0]), (line.end, end, tops_m[1])):
        if which.string == "suspension" and which.own:
            string = np.array([which.point, tip])
            name: Literal["from string", "to string"] = "from string" if which is line.start else "to string"
            found.append(Piece(name, string, np.zeros((2, 3)), uncertainty + top))
    return tuple(found)


def _placed(line: Line, weather: Weather, together: Together | None) -> Placed:
    if line.length_m is not None:
        return _loose(line, weather)
    chord, tilt = chord_of(line)
    strings, weight, per = strain_strings(line), weight_of(line) or 0.0, stated_per(line)
    temperature, basis = conductor_temperature(line, weather)
    force, (thick, ice) = wind_force(line, weather), ice_of(line, weather)
    ways = models(line.conductor) if line.conductor is not None else ()
    fits = [unstressed(line, model) for model in ways]
    correction = max((fit[1] for fit in fits if fit[1] is not None), key=lambda made: made.uncertainty_m, default=None)
    least = 0.0 if force[0] <= 0.0 <= force[1] else min(abs(force[0]), abs(force[1]))
    loads = hypot(weight + ice[0], least), hypot(weight + ice[1], max(abs(force[0]), abs(force[1])))
    # A given wind swings a lighter line further, so the ends of the range of weight suffice.
    swings = [wind.swing_range(force, weight + more, tilt) for more in ice]
    turned = [atan(tan(tilt) * cos(angle)) for pair in swings for angle in (*pair, 0.0)]
    tilts = min(turned), max(turned)
    pivots = np.asarray(line.start.point, float), np.asarray(line.end.point, float)
    ends_m = 0.0
    if together is None:
        # u grows with temperature, with load and with the size of the tilt: the corners of the three bound it.
        def per_at(load: float, size: float, warm: float, which: int) -> float:
            return load / settle_length(chord, size, load, warm, fits[which][0], ways[which], *strings, what=line.name)

        flattest, steepest = copysign(min(map(abs, tilts)), tilt), copysign(max(map(abs, tilts)), tilt)
        low = min(per_at(loads[0], flattest, temperature[0], which) for which in range(len(ways)))
        high = max(per_at(loads[1], steepest, temperature[1], which) for which in range(len(ways)))
        pers = wind.outward(low, high)
        if "suspension" in (line.start.string, line.end.string):
            around = spread(line, lone_samples(line, pers, force))
            pivots, ends_m = around.pivots, around.ends_m
    else:
        around = spread(line, together.samples)
        pivots = around.pivots
        if together.proved:
            plumb = live_point(line.start), live_point(line.end)
            ends_m = max(ends_off(one, pivots[0], _axis(*pivots), plumb) for one in together.proved)
            pers = min(one.per_m[0] for one in together.proved), max(one.per_m[1] for one in together.proved)
        else:
            ends_m, pers = around.ends_m * (1 + WIDEN), _widened(around.per_m)
    axis = _axis(*pivots)
    leans = float(np.arcsin(axis[2]))
    swings = [wind.swing_range(force, weight + more, leans) for more in ice]
    swing = min(pair[0] for pair in swings), max(pair[1] for pair in swings)
    if "suspension" in (line.start.string, line.end.string):
        # The chord goes round with the axis and leans against it by what it does at rest.
        turned = [atan(tan(leans) * cos(angle)) + tilt - leans for pair in swings for angle in (*pair, 0.0)]
        tilts = wind.outward(min(turned), max(turned))
    family = envelope.span_family(chord, (per, tilt), pers, tilts, *strings, what=line.name)
    more = string_wind(line, force, pers[1])
    if ends_m > 0.0:
        more += ends_m * envelope.carried(chord, max(map(abs, tilts)), pers[1], ends_m, strings)
    more += correction.uncertainty_m if correction is not None else 0.0
    sags = _depth(line, tilt, pers[0]), _depth(line, tilt, pers[1])
    tensions = wind.outward(loads[0] / pers[1], loads[1] / pers[0])
    far = min(max(abs(swing[0]), abs(swing[1])), pi)
    lifted = [float(np.linalg.norm(np.subtract(line.start.point, pivots[0]))),
              float(np.linalg.norm(np.subtract(line.end.point, pivots[1])))]  # fmt: skip
    tops = 2 * sin(far / 2) * lifted[0], 2 * sin(far / 2) * lifted[1]
    pieces = _pieces(line, family, live_point(line.start), live_point(line.end), more, tops)
    ranges = Ranges(temperature, basis, force, pers, tilts, tensions, sags, ends_m, thick, ice)
    notes = [*_notes(line, together is None)]
    if "suspension" in (line.start.string, line.end.string) and not (together is not None and together.proved):
        notes.append(
            "strings of its section swing: enclosed by states solved over the weather, widened by a tenth: an "
            "allowance, not a proof"
        )
    return Placed(
        line,
        nominal_of(line),
        pivots[0],
        axis,
        swing,
        family.range_m,
        pieces,
        ranges,
        correction,
        tuple(dict.fromkeys(notes)),
    )


def _depth(line: Line, tilt: float, per: float) -> float:
    """Depth [m] of a line below its chord at half of it."""
    chord, _ = chord_of(line)
    return float(planar.depth_at(planar.solve(chord, tilt, per, *strain_strings(line)), chord / 2))


def _widened(pair: Pair) -> Pair:
    room = WIDEN * (pair[1] - pair[0])
    low = pair[0] - (min(room, 0.5 * pair[0]) if pair[0] > 0 else room)
    return wind.outward(low, pair[1] + room)


def _notes(line: Line, alone: bool) -> list[str]:
    notes = []
    for which, end in (("from", line.start), ("to", line.end)):
        if end.string == "suspension" and alone:
            notes.append(f"the span on the other side of its {which} string is not known: taken as its mirror image")
        if end.string == "strain" and end.own and end.string_weight_N == 0:
            notes.append(f"the weight of its {which} string is not stated: taken as that of as much wire")
        if end.string == "suspension" and end.own and (end.weight_assumed or end.string_weight_N == 0):
            notes.append(f"the weight of its {which} string is not stated: taken as {end.string_weight_N:.0f} N")
    if line.conductor is not None and ("all" in line.conductor.from_memory):
        notes.append(f"the figures of {line.conductor.name} are from memory: confirm with the maker's")
    return notes


def _loose(line: Line, weather: Weather) -> Placed:
    start, end = live_point(line.start), live_point(line.end)
    (chord, tilt), length = chord_of(line), line.length_m or 0.0
    cross = (weather.wind_m_s[0], weather.wind_m_s[1] * weather.gust_factor)
    density = wind.density_range(weather.air_C, weather.altitude_m)[1]
    thick, ice = ice_of(line, weather)
    strongest = wind.force_per_metre(cross[1], line.diameter_m + 2 * thick[1], density, DRAG)
    weight = weight_of(line) or 1.0
    directions = envelope.load_directions(end - start, weight, strongest, weather.heading_rad)
    family = loose.loose_family(chord, length, tilt, directions.tilt_rad, what=line.name)
    temperature, basis = conductor_temperature(line, weather)
    ends_m = line_worth_along(line, directions.tilt_rad)
    ranges = Ranges(
        temperature,
        basis,
        wind.outward(-strongest, strongest),
        (0.0, 0.0),
        directions.tilt_rad,
        (0.0, 0.0),
        (0.0, 0.0),
        float(ends_m.max()),
        thick,
        ice,
    )
    notes = [
        "blown as a rigid loop about the line through its ends; its length is taken as that stated at every temperature"
    ]
    if ends_m.any():
        notes.insert(
            0,
            "its ends keep their share of the wires it hangs on and move with them; where they would pull it straight "
            "it holds them",
        )
    pieces = _pieces(line, family, start, end, 0.0, (0.0, 0.0))
    # A loose line's vertices are at equal lengths, as is what its moving ends are worth.
    pieces = tuple(replace(piece, more_m=at_vertices(ends_m, len(piece.points))) for piece in pieces)
    return Placed(
        line, nominal_of(line), start, _axis(start, end), directions.turn_rad, family.range_m, pieces, ranges, None,
        tuple(notes),
    )  # fmt: skip
