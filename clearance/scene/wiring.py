"""Owns how wires, their strings and posts come into a scene: from records to bodies, each in its place.

`hang` makes a wire with its strings, `post_bodies` an insulator of its own, `place` finds the point that a reference
names. Everything works at a `Desk`, which keeps what was made so far and every mistake found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body, ground, insulator, wire
from clearance.bodies.deformable_wire import WHEREVER, End
from clearance.bodies.deformable_wire import strays_m as wire_strays_m
from clearance.conductor import catenary
from clearance.conductor.carrying import Curve
from clearance.conductor.catenary import Catenary
from clearance.conductor.lines import Placed
from clearance.errors import InputError, Mistake, at_least, at_most
from clearance.scene import records, statements, weathered
from clearance.scene.live_end import phase_of, what_holds
from clearance.scene.naming import fittings_name, foot_name, head_name
from clearance.scene.records import Place, Point, Reference, Scene, where
from clearance.scene.span_shapes import loaded_shapes, stated_shapes, string_spec
from clearance.scene.voltages import DEAD

EARTH = "earth"

Made = TypeVar("Made")


@dataclass(frozen=True, eq=False)
class HungWire:
    """A wire in its place: its conductor's catenary, and the bodies it is made of.

    bent: its curve where loads move it; `catenary` then has its ends and length alone
    """

    record: records.SpanWire | records.Jumper
    catenary: Catenary
    bodies: tuple[Body, ...]
    bent: Curve | None = None


@dataclass(frozen=True)
class LineInsulator:
    """One insulator of the line: what the job must not bridge.

    name: of its insulating body; insulating_m: length of the insulating part [m]; units: sound insulators, where known
    earthed_m, live_m: the two ends of the insulating part [m]; phase: of what hangs from it, None where that is at none
    strays_m: how far from there the weather may take either end [m]; holds: whether anything is at its live end
    """

    name: str
    insulating_m: float
    units: int | None
    earthed_m: Point
    live_m: Point
    phase: str | None
    strays_m: float = 0.0
    holds: bool = True


class Wired(Protocol):
    """What has its wires in place: a desk, or a site when all is done."""

    @property
    def scene(self) -> Scene:
        """What they are made from."""

    @property
    def wires(self) -> Mapping[str, HungWire]:
        """The wires hung, by name."""

    @property
    def placed(self) -> Mapping[str, Placed]:
        """Where each wire may be in the scene's weather."""


@dataclass
class Desk:
    """What assembling has at hand: the scene, the ground, the wires hung so far, the mistakes found."""

    scene: Scene
    ground: ground.Ground
    wires: dict[str, HungWire] = field(default_factory=dict)
    strings: list[LineInsulator] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    mistakes: list[Mistake] = field(default_factory=list)
    hanging: list[str] = field(default_factory=list)
    placed: dict[str, Placed] = field(default_factory=dict)
    bent: dict[str, Curve] = field(default_factory=dict)

    def attempt(self, entry: records.Record, make: Callable[[], Made]) -> Made | None:
        """Make a part; a mistake in it is kept, with the file and the entry named, and the rest goes on."""
        try:
            return make()
        except InputError as error:
            for mistake in error.mistakes:
                place = (
                    mistake.where
                    if mistake.where[:1] == (str(self.scene.path),)
                    else mistake.where[1:] or mistake.where
                )
                head = where(self.scene, entry)
                self.mistakes.append(
                    Mistake(
                        (*head, *(p for p in place if p not in head)), mistake.expected, mistake.found, mistake.remedy
                    )
                )
        return None


HOLDS_NOTHING_LIVE = "holds nothing live: counts as a conductor"

FLOATING_AT_EARTH = "floating bodies at earth"
"""The state in which what is stated as floating is at earth: any one of these bodies, while the others float."""


def stated(scene: Scene, name: str, kind: str, shape: shapes.Shape, potential: str) -> Body:
    """A conductive body at a stated potential: a phase of a dead circuit is judged as live and as earth, or is
    earth; what is stated as floating is judged floating and at earth, each such body by itself."""
    if potential == records.FLOATING:
        return Body(name, kind, shape, potential=None, states=((FLOATING_AT_EARTH, EARTH),))
    if potential == EARTH:
        return Body(name, kind, shape, potential=EARTH)
    circuit = records.phases(scene)[potential]
    if circuit.name in statements.earthed_circuits(scene):
        return Body(name, kind, shape, potential=EARTH, note=f"circuit {circuit.name} is earthed")
    states: tuple[tuple[str, str | None], ...] = ()
    if circuit.state == DEAD:
        states = ((f"circuit {circuit.name} at earth", EARTH),)
    return Body(name, kind, shape, potential=potential, states=states)


def place(desk: Wired, entry: records.Record, value: Place) -> Point:
    """Coordinates of a place: as given, or on the wire it names."""
    if not isinstance(value, Reference):
        return value
    if value.name not in desk.wires and isinstance(desk, Desk):
        record = next((wire for wire in desk.scene.wires if wire.name == value.name), None)
        if record is None:
            raise InputError(Mistake(("", "place"), f"a wire that '{value}' can lie on", "no such wire"))
        if value.name not in desk.hanging:
            with suppress(InputError):  # told where that wire is hung by itself
                hang(desk, record)
        if value.name not in desk.wires:
            found, remedy = f"'{value.name}', which has a mistake of its own", f"mend '{value.name}' first"
            raise InputError(Mistake(("", "place"), f"a wire that '{value}' can lie on", found, remedy))
    hung = desk.wires[value.name]
    if value.end is not None:
        return hung.catenary.start if value.end == "start" else hung.catenary.end
    start, end = np.array(hung.catenary.start), np.array(hung.catenary.end)
    anchor = np.array(_anchor(desk, hung.record))
    chord = float(np.hypot(*(end - start)[:2]))
    # Stations count from the attachment, so that they do not shift with the string.
    along = (value.along_m or 0.0) - float(np.hypot(*(start - anchor)[:2]))
    if not -1e-9 <= along <= chord + 1e-9:
        begins = (value.along_m or 0.0) - along
        expected = f"a station on the conductor, from {at_least(begins)} to {at_most(begins + chord)} m"
        remedy = f"stations count along the chord from the from_m of '{value.name}'"
        raise InputError(Mistake((*where(desk.scene, entry), str(value)), expected, f"{value.along_m:g} m", remedy))
    if hung.bent is not None:
        return hung.bent.point(value.along_m or 0.0)
    return tuple(float(v) for v in catenary.point_at(hung.catenary, along))  # type: ignore[return-value]


def strays_m(desk: Wired, value: Place, point: Point) -> float:
    """How far [m] from its nominal point a place may be in the scene's weather: nothing, unless it is on a wire."""
    if not isinstance(value, Reference) or value.name not in desk.placed:
        return 0.0
    return wire_strays_m(desk.placed[value.name], point)


def _anchor(desk: Wired, record: records.SpanWire | records.Jumper) -> Point:
    return place(desk, record, record.from_m)


def hang(desk: Desk, record: records.SpanWire | records.Jumper) -> HungWire:
    """A wire in its place, or wherever the scene's weather may take it, with its strings; at most once each.

    Raises: InputError for a place that hangs on nothing, and for a wire below the ground.
    """
    if record.name in desk.wires:
        return desk.wires[record.name]
    desk.hanging.append(record.name)
    start, end = place(desk, record, record.from_m), place(desk, record, record.to_m)
    bodies: list[Body] = []
    bent = desk.bent.get(record.name)
    if isinstance(record, records.Jumper):
        curve = catenary.from_length(start, end, record.length_m)
        shape = wire.conductor(curve, record.diameter_m, uncertainty_m=record.uncertainty_m)
    else:
        if bent is None:
            curve, shape, strings = stated_shapes(record, start, end)
        else:
            curve, shape, strings = loaded_shapes(record, bent)
        for string_record in (record.from_string, record.to_string):
            if string_record is not None and string_record.kind == "strain" and string_record.weight_kN is None:
                desk.skipped.append(f"wire '{record.name}': strain string's weight not stated, taken as the wire's own")
        for which, string, spec in zip(("from", "to"), strings, (record.from_string, record.to_string), strict=True):
            if string is not None and spec is not None:
                name = f"{record.name} {which} string"
                bodies.append(
                    _insulating(desk.scene, name, string.insulating, record.phase, record.release is not None)
                )
                desk.strings.append(
                    LineInsulator(name, spec.insulating_m, spec.units, *_ends(string.insulating), record.phase)
                )
                if len(string.earthed):
                    bodies.append(Body(fittings_name(name), "fitting", string.earthed))
                shape = shapes.join([shape, string.live])
    _refuse_underground(desk, record, shape)
    if record.name in desk.placed:
        shape, bodies = _in_weather(desk, record, bodies)
    body = _wire_body(desk.scene, record, shape)
    if record.name in desk.placed:
        body = replace(body, note=_and_wherever(body))
    hung = HungWire(record, curve, (body, *bodies), bent)
    desk.wires[record.name] = hung
    return hung


def _in_weather(
    desk: Desk, record: records.SpanWire | records.Jumper, bodies: list[Body]
) -> tuple[shapes.Shape, list[Body]]:
    """The wire and its strings as envelopes of everywhere the weather may take them."""
    there = desk.placed[record.name]
    shape = weathered.wire_envelope(record, there)
    made: dict[str, shapes.Shape] = {}
    if isinstance(record, records.SpanWire):
        strings: tuple[tuple[End, records.InsulatorString | None], ...] = (
            ("from string", record.from_string),
            ("to string", record.to_string),
        )
        for which, entry in strings:
            spec = string_spec(entry)
            if spec is not None:
                name = f"{record.name} {which}"
                insulating, earthed, live = weathered.string_envelopes(there, which, spec, record.uncertainty_m)
                made |= {name: insulating, fittings_name(name): earthed}
                shape = shapes.join([shape, live])
    desk.strings = [
        replace(string, strays_m=max(wire_strays_m(there, string.earthed_m), wire_strays_m(there, string.live_m)))
        if string.name in made
        else string
        for string in desk.strings
    ]
    corners, around = shape.vertices.reshape(-1, 3), np.repeat(shape.radius + shape.uncertainty, 3)
    depth = _ground_below(desk, corners) - corners[:, 2] + around
    if (depth > 0).any():
        # No mistake: an envelope holds more than the wire does. What the job comes to there is judged.
        desk.skipped.append(f"wire '{record.name}': its envelope over the weather reaches the ground")
    return shape, [replace(body, shape=made[body.name], note=_and_wherever(body)) for body in bodies]


def _and_wherever(body: Body) -> str:
    return "; ".join(filter(None, (body.note, WHEREVER)))


def _wire_body(scene: Scene, record: records.SpanWire | records.Jumper, shape: shapes.Shape) -> Body:
    if record.phase is not None:
        return stated(scene, record.name, "wire", shape, record.phase)
    if record.insulated:
        return Body(
            record.name, "wire", shape, states=((f"{record.name} live", record.name),), note="insulated shield wire"
        )
    return Body(record.name, "wire", shape)


def _refuse_underground(desk: Desk, record: records.Record, shape: shapes.Shape) -> None:
    corners = shape.vertices.reshape(-1, 3)
    heights = _ground_below(desk, corners)
    if np.isneginf(heights).any():
        # Beyond the modelled ground nothing can be said; the sweep sees the ground that is there.
        name = getattr(record, "name", "")
        desk.skipped.append(f"wire '{name}': reaches beyond the modelled ground, and is not checked against it there")
    depth = heights - corners[:, 2]
    if (depth > 0).any():
        at = corners[int(depth.argmax())]
        raise InputError(
            Mistake(
                ("", "position"),
                "a wire above the ground",
                f"{depth.max():.2f} m below it at x {at[0]:.2f}, y {at[1]:.2f} m",
                "check the heights of its attachments, its sag and the ground",
            )
        )


def _ground_below(desk: Desk, corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """Heights of the ground below places (n, 3) [m]; minus infinity where none is modelled."""
    try:
        return ground.height_at(desk.ground, corners[:, :2])
    except InputError:
        return np.array([_height_or_nothing(desk.ground, corner) for corner in corners])


def _height_or_nothing(site_ground: ground.Ground, corner: NDArray[np.float64]) -> float:
    try:
        return float(ground.height_at(site_ground, corner[None, :2])[0])
    except InputError:
        return -np.inf


def _ends(insulating: shapes.Shape) -> tuple[Point, Point]:
    """The earthed and the live end of an insulating part: its primitives lie in a row from the one to the other [m]."""
    first, last = insulating.vertices[0, 0], insulating.vertices[-1, 1]
    return (float(first[0]), float(first[1]), float(first[2])), (float(last[0]), float(last[1]), float(last[2]))


def post_bodies(desk: Desk, entry: records.Insulator, bodies: Iterable[Body]) -> list[Body]:
    """A post or a string of its own: the insulating part, and the hardware at both ends.

    bodies: the wires and the solids of the scene, one of which it holds, or it insulates nothing
    """
    ends = place(desk, entry, entry.from_m), place(desk, entry, entry.to_m)
    # A post or string that hangs on a wire goes with it.
    strays = max(strays_m(desk, value, end) for value, end in zip((entry.from_m, entry.to_m), ends, strict=True))
    parts = insulator.post(*ends, entry.insulating_m, entry.diameter_m, uncertainty_m=strays)
    held = what_holds(entry.to_m, parts.live_end, desk.wires, bodies)
    phase = phase_of(held, desk.wires, records.phases(desk.scene))
    freed = held is not None and held.name in desk.wires and desk.wires[held.name].record.release is not None
    made = [_insulating(desk.scene, entry.name, parts.insulating, phase, freed)]
    if len(parts.earthed):
        made.append(Body(foot_name(entry.name), "fitting", parts.earthed))
    desk.strings.append(
        LineInsulator(entry.name, entry.insulating_m, None, *_ends(parts.insulating), phase, strays, held is not None)
    )
    if len(parts.live):
        # Nothing connected is found at its live end: a conductive part at no potential floats.
        at = phase if phase is not None else records.FLOATING
        made.append(stated(desk.scene, head_name(entry.name), "fitting", parts.live, at))
    return made


def _insulating(scene: Scene, name: str, shape: shapes.Shape, phase: str | None, freed: bool) -> Body:
    """The insulating part of an insulator; where nothing at its end is live, nothing tells that it insulates.

    freed: whether it holds a wire that is taken off, which then has a potential of its own whatever its circuit is at
    """
    circuit = None if phase is None else records.phases(scene)[phase]
    if circuit is not None and (freed or circuit.name not in statements.earthed_circuits(scene)):
        return Body(name, "insulator", shape, conductive=False, potential=None)
    return replace(stated(scene, name, "insulator", shape, records.FLOATING), note=HOLDS_NOTHING_LIVE)
