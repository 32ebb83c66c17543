"""Owns what the weather makes of a scene's wires: bodies that stand wherever a wire may be, how far from its nominal
place anything that hangs on a wire may be, and what a reader must be told of it.

Phases may swing independently of one another, so every wire becomes an envelope of its own, which stands still.
References such as "bus A @ 31.5" keep meaning the nominal place; what is there in truth is `strays_m` around it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import insulator, wire
from clearance.bodies.deformable_wire import End as Which
from clearance.bodies.deformable_wire import envelope_shape, ring_envelope, strays_along, string_envelope
from clearance.conductor.lines import End, Line, Placed, Weather, weather_words
from clearance.conductor.placing import moves, place
from clearance.rules.jurisdiction import wind_clauses
from clearance.scene.hanging import weather_of
from clearance.scene.records import Jumper, Place, Point, Reference, Scene, SpanWire, arrangement
from clearance.shapes import Shape

Floats = NDArray[np.float64]

LENGTHS: Final = 41
"""[1] Points of a tail, at equal lengths, at which it is said how far the weather takes it."""

TAIL_SAMPLES: Final = 9
"""[1] Places of a freed end at which the weather's hold on its tail is worked out."""

NOT_EVALUATED: Final = "wires in the weather: along-line wind, galloping, uneven gusts over a section"
"""What the envelopes of wires leave out, beside what `ice_left_out` says."""


def ice_left_out(weather: Weather | None) -> str:
    """What is not evaluated of ice, in words."""
    iced = weather is not None and (weather.ice_m[1] > 0 or weather.ice_weight_N_m is not None)
    return "ice that drops off at once, ice on strings and structures" if iced else "ice"


def wire_envelope(record: SpanWire | Jumper, placed: Placed) -> Shape:
    """Everywhere the conductor or bundle may be, its ice included."""
    bundle = record.bundle if isinstance(record, SpanWire) else None
    ice = placed.ranges.ice_m[1] if placed.ranges is not None else 0.0
    diameter = record.diameter_m + 2.0 * ice
    if bundle is None:
        return envelope_shape(placed, diameter, record.uncertainty_m)
    places = wire.bundle_places(bundle.count, bundle.spacing_m, arrangement(bundle) == "vertical pair")
    return envelope_shape(placed, diameter, record.uncertainty_m, places)


def string_envelopes(
    placed: Placed, which: Which, spec: insulator.StringSpec, uncertainty_m: float
) -> tuple[Shape, Shape, Shape]:
    """Everywhere the insulating part, the earthed hardware and the live hardware of a string may be."""
    begins, ends, length = insulator.cuts_of(spec)
    metal = spec.hardware_diameter_m / 2

    def part(low: float, high: float, radius: float) -> Shape:
        if high - low <= 1e-9 * spec.length_m:
            return shapes.empty()
        return string_envelope(placed, which, (low, high), radius, uncertainty_m)

    earthed, live = part(0.0, begins, metal), part(ends, length, metal)
    for ring in spec.rings:
        made = ring_envelope(placed, which, max(ring.at_m, 1e-3), ring.diameter_m, ring.tube_m, uncertainty_m)
        if insulator.is_live(spec, ring):
            live = shapes.join([live, made])
        else:
            earthed = shapes.join([earthed, made])
    return part(begins, ends, spec.diameter_m / 2), earthed, live


def tail_room(
    scene: Scene,
    placed: Mapping[str, Placed],
    record: SpanWire | Jumper,
    length_m: float,
    ends: tuple[Point, ...],
    parked: bool = False,
) -> Floats:
    """How far [m] the weather may take points of a freed wire from where they hang in still air, wherever it has been
    lowered to: at `LENGTHS` equal lengths from its far end.

    Parameters
    ----------
    record: the wire that is taken off; length_m: of its conductor
    ends: its far end, and where its free end begins and ends its way (3,) [m]
    parked: it has been lowered all the way, and is nowhere else

    At `TAIL_SAMPLES` places of the free end the tail is placed as a loose wire in the whole weather, both its ends
    moving as the wires do that they hang on; at each length the largest stray is taken, and the largest step between
    neighbouring samples is added: an allowance for what lies between them.
    """
    weather = weather_of(scene)
    if weather is None or record.name not in placed or record.release is None:
        return np.zeros(LENGTHS)
    line = placed[record.name].line
    far, start, end = (np.asarray(point, float) for point in ends)
    places = (record.from_m, record.to_m) if record.release.free_end == "from" else (record.to_m, record.from_m)
    free_moves = _moves(placed, record.name, places[0], start)
    far_moves = _moves(placed, record.name, places[1], far)
    found = []
    for share in (1.0,) if parked else np.linspace(0.0, 1.0, TAIL_SAMPLES):
        free = start + share * (end - start)
        tail = Line(
            line.name,
            End(_point(far), moves_m=far_moves[0], moves_uncertainty_m=far_moves[1]),
            End(_point(free), moves_m=free_moves[0], moves_uncertainty_m=free_moves[1]),
            line.diameter_m,
            line.conductor,
            line.weight_N_m,
            line.count,
            length_m=length_m,
            live=line.live,
        )
        strays = strays_along(place([tail], weather)[line.name])
        at = np.linspace(0.0, len(strays) - 1.0, LENGTHS)
        found.append(np.maximum(strays[np.floor(at).astype(int)], strays[np.ceil(at).astype(int)]))
    steps = np.abs(np.diff(found, axis=0)).max(axis=0) if len(found) > 1 else 0.0
    return np.asarray(np.max(found, axis=0) + steps, float)


def _moves(placed: Mapping[str, Placed], name: str, value: Place, point: Floats) -> tuple[tuple[Point, ...], float]:
    """How an end of a wire moves: as the wire does that it is on, or as its own string does."""
    if isinstance(value, Reference):
        return moves(placed[value.name], _point(point)) if value.name in placed else ((), 0.0)
    own = placed[name]
    return moves(own, _point(point)) if len(own.pieces) > 1 else ((), 0.0)


def _point(value: Floats) -> Point:
    return float(value[0]), float(value[1]), float(value[2])


def basis(scene: Scene, placed: Mapping[str, Placed]) -> Iterator[str]:
    """What hangs on the wires; the weather's ranges and where they are from, what they make of the conductors, and what
    was taken on the way."""
    for record in scene.wires:
        for load in record.loads if isinstance(record, SpanWire) else ():
            since = "hung there as it was stated" if load.when_stated == "on" else "came after it was stated"
            if load.wire is not None:
                yield f"{record.name}: carries {load.wire}, by its weight and pull in still air; {since}"
            else:
                kN, at_m = load.weight_kN or 0.0, load.at_m or 0.0
                yield f"{record.name}: carries {load.what}, {kN:.3f} kN at {at_m:.2f} m; {since}; {load.basis}"
    weather = weather_of(scene)
    if weather is None:
        return
    yield f"weather: {weather_words(weather)}; {weather.basis}"
    for clause in wind_clauses(scene.rule):
        yield f"wind, judged over that weather: {clause}"
    made: dict[str, list[str]] = {}
    for name, one in placed.items():
        for words in _words(one):
            made.setdefault(words, []).append(name)
    for words, names in made.items():
        yield f"{', '.join(names)}: {words}"
    freed = [record.name for record in scene.wires if record.release is not None]
    if freed and placed:
        yield (
            f"{', '.join(freed)}: once off, in the weather, by an allowance over places of its free end, which is "
            "taken to move as the wire does that it hung on, parked or not"
        )


def _words(placed: Placed) -> Iterator[str]:
    if placed.ranges is not None:
        low, high = placed.ranges.conductor_C
        yield f"conductor at {low:.0f} to {high:.0f} °C, {placed.ranges.conductor_basis}"
    if placed.correction is not None:
        found = placed.correction
        yield (
            f"corrected to the {found.measured_m:.2f} m of sag measured at {found.at_C:g} °C ({found.by}), where the "
            f"model has {found.modelled_m:.2f} m; the difference is in its uncertainty"
        )
    yield from placed.notes


def unevaluated(scene: Scene, placed: Mapping[str, Placed]) -> Iterator[str]:
    """What the places of the wires leave out, where the scene has weather."""
    if not placed:
        return
    listed = {(host.name, load.wire) for host in scene.wires if isinstance(host, SpanWire) for load in host.loads}
    carried: dict[tuple[str, bool], list[str]] = {}
    for record in scene.wires:
        if isinstance(record, Jumper):
            for value in (record.from_m, record.to_m):
                if isinstance(value, Reference):
                    known = (value.name, record.name) in listed
                    carried.setdefault((value.name, known), []).append(record.name)
    for (name, known), others in carried.items():
        both = " and ".join(others)
        what = f"what the wind on {both} does" if known else f"what the weight of {both}, and the wind there, do"
        yield f"{name} in the weather: {what} to its shape"
    yield f"{NOT_EVALUATED}, {ice_left_out(weather_of(scene))}"
