"""Owns the passage from a scene's records to bodies: all that stood there before the job, each in its place.

`assemble` gives a `Site`: the line's bodies, the ground, the circuits of every potential, and places by reference. What
the job
brings is put on the site stage by stage, in `clearance.job.staging`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body, cloud, ground, insulator, solid, structure, wire
from clearance.bodies.deformable_wire import WHEREVER, End
from clearance.bodies.deformable_wire import strays_m as wire_strays_m
from clearance.conductor import catenary
from clearance.conductor.catenary import Catenary
from clearance.conductor.lines import Placed
from clearance.errors import InputError, Mistake
from clearance.scene import hanging, records, weathered
from clearance.scene.containment import closed_names, with_contained
from clearance.scene.records import Circuit, Place, Point, Reference, Scene, where
from clearance.tolerances import LARGEST_COORDINATE_M

EARTH = "earth"

GROUND_CELL_M = 1.0
"""[m] Cell within which one point of a scan stands for the ground; what it leaves out goes into the ground's slack."""

Made = TypeVar("Made")


@dataclass(frozen=True, eq=False)
class HungWire:
    """A wire in its place: its conductor's catenary, and the bodies it is made of."""

    record: records.SpanWire | records.SlackWire
    catenary: Catenary
    bodies: tuple[Body, ...]


@dataclass(frozen=True)
class LineInsulator:
    """One insulator of the line: what the job must not bridge.

    name: of its insulating body; insulating_m: length of the insulating part [m]; units: sound insulators, where known
    earthed_m, live_m: the two ends of the insulating part [m]; phase: what hangs from it, None where nothing is known
    strays_m: how far from there the weather may take either end [m]
    """

    name: str
    insulating_m: float
    units: int | None
    earthed_m: Point
    live_m: Point
    phase: str | None
    strays_m: float = 0.0


@dataclass(frozen=True, eq=False)
class Site:
    """All that stands before the job.

    circuit_of: potential -> circuit, for phases and for what may be at a potential of its own
    live: names of the potentials that are not earth, in order
    skipped: what was not evaluated, and counts of points left out
    strings: every line insulator
    placed: where each wire may be in the scene's weather; empty for a scene without
    """

    scene: Scene
    ground: ground.Ground
    bodies: tuple[Body, ...]
    wires: Mapping[str, HungWire]
    circuit_of: Mapping[str, Circuit]
    live: tuple[str, ...]
    skipped: tuple[str, ...]
    strings: tuple[LineInsulator, ...]
    placed: Mapping[str, Placed] = field(default_factory=dict)


@dataclass
class _Desk:
    """What assembling has at hand: the scene, the ground, the wires hung so far, the mistakes found."""

    scene: Scene
    ground: ground.Ground
    wires: dict[str, HungWire] = field(default_factory=dict)
    strings: list[LineInsulator] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    mistakes: list[Mistake] = field(default_factory=list)
    hanging: list[str] = field(default_factory=list)
    placed: dict[str, Placed] = field(default_factory=dict)

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


def assemble(scene: Scene) -> Site:
    """Put everything of the scene in its place.

    Raises: InputError with every mistake that only geometry shows (a wire below the ground, an empty point class, an
    unreadable file, a mesh with holes where a solid is asked for).
    """
    desk = _Desk(scene, _made_ground(scene))
    if scene.weather is not None:
        try:
            desk.placed = hanging.place_wires(scene)
            desk.skipped += weathered.remarks(desk.placed)
        except InputError as error:
            desk.mistakes += error.mistakes
    bodies = [Body("ground", "ground", desk.ground.shape)]
    for entry in scene.structures:
        shape = desk.attempt(entry, lambda entry=entry: _structure(desk, entry))  # type: ignore[misc]
        if shape is not None:
            bodies.append(_stated(scene, entry.name, "structure", shape, entry.potential))
    for record in scene.wires:
        hung = desk.attempt(record, lambda record=record: _hang(desk, record))  # type: ignore[misc]
        if hung is not None:
            bodies += hung.bodies
    for post in scene.insulators:
        bodies += desk.attempt(post, lambda post=post: _post(desk, post)) or []  # type: ignore[misc]
    for block in scene.solids:
        shape = desk.attempt(block, lambda block=block: _solid(desk, block))  # type: ignore[misc]
        if shape is not None:
            if block.insulating:
                bodies.append(Body(block.name, "solid", shape, conductive=False, potential=None))
            else:
                bodies.append(_stated(scene, block.name, "solid", shape, block.potential))
    for points in scene.clouds:
        shape = desk.attempt(points, lambda points=points: _cloud(desk, points))  # type: ignore[misc]
        if shape is not None:
            bodies.append(_stated(scene, points.name, "cloud", shape, points.potential))
    for body in bodies:
        if len(body.shape) and float(np.abs(body.shape.vertices).max()) > LARGEST_COORDINATE_M:
            desk.mistakes.append(
                Mistake(
                    (*where(scene), f"{body.kind} '{body.name}'"),
                    f"coordinates within {LARGEST_COORDINATE_M:g} m of the origin",
                    f"{float(np.abs(body.shape.vertices).max()):g} m",
                    "set [origin] near the site",
                )
            )
    if desk.mistakes:
        raise InputError(desk.mistakes)
    bodies = with_contained(bodies, closed_names(scene), lambda body: body.shape, _may_meet)
    circuit_of, live = _circuits(scene, bodies)
    return Site(
        scene,
        desk.ground,
        tuple(bodies),
        desk.wires,
        circuit_of,
        live,
        tuple(desk.skipped),
        tuple(desk.strings),
        desk.placed,
    )


def _may_meet(solid: Body, body: Body) -> bool:
    """Whether it matters that a solid of the line holds another body of it: both conduct, and not at one potential for
    good."""
    alike = solid.potential == body.potential and not solid.states and not body.states
    return solid.conductive and body.conductive and not alike


def highest_circuit(scene: Scene) -> Circuit:
    """The circuit of the highest voltage: what an unknown live potential is taken to belong to."""
    return max(scene.circuits, key=lambda circuit: circuit.highest_kV or circuit.nominal_kV)


def _circuits(scene: Scene, bodies: list[Body]) -> tuple[dict[str, Circuit], tuple[str, ...]]:
    found = records.phases(scene)
    for entry in scene.wires:
        if entry.insulated:
            found[entry.name] = highest_circuit(scene)
        if entry.release is not None:
            found[entry.name] = found[entry.phase] if entry.phase is not None else highest_circuit(scene)
    live = [phase for phase, circuit in records.phases(scene).items() if circuit.state != "earthed"]
    live += [name for name in found if name not in live and name not in records.phases(scene)]
    return found, tuple(live)


def _stated(scene: Scene, name: str, kind: str, shape: shapes.Shape, potential: str) -> Body:
    """A conductive body at a stated potential: a phase of a dead circuit is judged as live and as earth, or is
    earth."""
    if potential in (EARTH, records.FLOATING):
        return Body(name, kind, shape, potential=None if potential == records.FLOATING else EARTH)
    circuit = records.phases(scene)[potential]
    if circuit.state == "earthed":
        return Body(name, kind, shape, potential=EARTH, note=f"circuit {circuit.name} is earthed")
    states: tuple[tuple[str, str | None], ...] = ()
    if circuit.state == "dead, not earthed":
        states = ((f"circuit {circuit.name} at earth", EARTH),)
    return Body(name, kind, shape, potential=potential, states=states)


def _made_ground(scene: Scene) -> ground.Ground:
    entry = scene.ground
    desk = _Desk(scene, None)  # type: ignore[arg-type]

    def make() -> ground.Ground:
        slack = entry.slack_m
        if isinstance(entry, records.LevelGround):
            return ground.level(entry.height_m, entry.extent_m, slack_m=slack)
        if isinstance(entry, records.PlaneGround):
            centre = entry.through_m[:2]
            return ground.plane(entry.through_m, entry.slope_deg, entry.uphill_deg, entry.extent_m, centre, slack)
        if isinstance(entry, records.GridGround):
            heights = ground.read_heights(scene.folder / entry.file) if entry.file else np.array(entry.heights_m)
            return ground.grid(heights, entry.corner_m, entry.spacing_m, slack)
        if isinstance(entry, records.PointsGround):
            file = scene.folder / entry.file
            if file.suffix.lower() in (".las", ".laz"):
                return ground.points(
                    cloud.read_points([file], entry.classes, origin=_origin(scene))[0], GROUND_CELL_M, slack
                )
            return ground.points(ground.read_xyz(file), 0.0, slack)
        return ground.mesh(scene.folder / entry.file, entry.units, slack_m=slack)

    made = desk.attempt(entry, make)
    if made is None:
        raise InputError(desk.mistakes)
    return made


def _origin(scene: Scene) -> Point:
    return (scene.origin.easting_m, scene.origin.northing_m, scene.origin.height_m)


def on_ground(site_ground: ground.Ground, xy: tuple[float, float]) -> Point:
    """The point of the ground below (x, y)."""
    return (xy[0], xy[1], float(ground.height_at(site_ground, np.array([xy]))[0]))


def _structure(desk: _Desk, entry: records.Structure) -> shapes.Shape:
    if isinstance(entry, records.Gantry):
        return structure.gantry(
            on_ground(desk.ground, entry.base_m),
            entry.heading_deg,
            entry.column_spacing_m,
            entry.column_width_m,
            entry.beam_height_m,
            entry.beam_depth_m,
            entry.beam_width_m,
            entry.panel_m,
            entry.member_radius_m,
            columns=entry.columns,
            slack_m=entry.slack_m,
        )
    if isinstance(entry, records.MembersStructure):
        nodes, bars = structure.read_members(desk.scene.folder / entry.nodes, desk.scene.folder / entry.members)
        shift = (0.0, 0.0, 0.0) if entry.base_m is None else on_ground(desk.ground, entry.base_m)
        return structure.members(nodes, bars, shift, entry.slack_m)
    arms = [structure.Crossarm(arm.height_m, arm.length_m, arm.depth_m, arm.side) for arm in entry.crossarms]
    base = on_ground(desk.ground, entry.base_m)
    if isinstance(entry, records.LatticeTower):
        return structure.lattice_tower(
            base,
            entry.heading_deg,
            entry.height_m,
            entry.base_width_m,
            entry.top_width_m,
            entry.panels,
            entry.member_radius_m,
            arms,
            entry.waist_height_m,
            entry.waist_width_m,
            entry.peak_m or 0.0,
            entry.slack_m,
        )
    return structure.pole(
        base, entry.height_m, entry.base_radius_m, entry.top_radius_m, arms, entry.heading_deg, entry.slack_m
    )


def place(desk: _Desk | Site, entry: records.Record, value: Place) -> Point:
    """Coordinates of a place: as given, or on the wire it names."""
    if not isinstance(value, Reference):
        return value
    if value.name not in desk.wires and isinstance(desk, _Desk):
        record = next((wire for wire in desk.scene.wires if wire.name == value.name), None)
        if record is None or value.name in desk.hanging:
            found = "no such wire" if record is None else "a circle of wires that hang from one another"
            raise InputError(Mistake(("", "place"), f"a wire that '{value}' can lie on", found))
        _hang(desk, record)
    hung = desk.wires[value.name]
    if value.end is not None:
        return hung.catenary.start if value.end == "start" else hung.catenary.end
    start, end = np.array(hung.catenary.start), np.array(hung.catenary.end)
    anchor = np.array(_anchor(desk, hung.record))
    chord = float(np.hypot(*(end - start)[:2]))
    # Stations count from the attachment, so that they do not shift with the string.
    along = (value.along_m or 0.0) - float(np.hypot(*(start - anchor)[:2]))
    if not -1e-9 <= along <= chord + 1e-9:
        raise InputError(
            Mistake(
                ("", str(value)),
                f"a station on the conductor, {chord - along + (value.along_m or 0):.2f} m at most",
                f"{value.along_m:g} m",
            )
        )
    return tuple(float(v) for v in catenary.point_at(hung.catenary, along))  # type: ignore[return-value]


def strays_m(desk: _Desk | Site, value: Place, point: Point) -> float:
    """How far [m] from its nominal point a place may be in the scene's weather: nothing, unless it is on a wire."""
    if not isinstance(value, Reference) or value.name not in desk.placed:
        return 0.0
    return wire_strays_m(desk.placed[value.name], point)


def _anchor(desk: _Desk | Site, record: records.SpanWire | records.SlackWire) -> Point:
    return place(desk, record, record.from_m)


def _string(entry: records.InsulatorString | None) -> insulator.StringSpec | None:
    if entry is None:
        return None
    ring = entry.rings[0] if entry.rings else None
    return insulator.StringSpec(
        entry.kind,
        entry.length_m,
        entry.insulating_m,
        entry.diameter_m,
        ring_diameter_m=ring.diameter_m if ring else 0.0,
        ring_tube_m=ring.tube_m if ring else 0.05,
        weight_N=None if entry.weight_kN is None else entry.weight_kN * 1000.0,
    )


def _solve(record: records.SpanWire) -> Callable[[Point, Point], Catenary]:
    if record.horizontal_tension_kN is not None:
        tension, weight = record.horizontal_tension_kN * 1000.0, record.weight_N_m
        return lambda a, b: catenary.from_tension(a, b, tension, weight or 0.0)
    if record.sag_m is not None:
        sag = record.sag_m
        return lambda a, b: catenary.from_sag(a, b, sag)
    constant = record.catenary_constant_m
    return lambda a, b: catenary.from_constant(a, b, constant or 0.0)


def _hang(desk: _Desk, record: records.SpanWire | records.SlackWire) -> HungWire:
    if record.name in desk.wires:
        return desk.wires[record.name]
    desk.hanging.append(record.name)
    start, end = place(desk, record, record.from_m), place(desk, record, record.to_m)
    bodies: list[Body] = []
    if isinstance(record, records.SlackWire):
        curve = catenary.from_length(start, end, record.length_m)
        shape = wire.conductor(curve, record.diameter_m, slack_m=record.slack_m)
    else:
        parts = insulator.span_with_strings(
            start,
            end,
            _string(record.from_string),
            _string(record.to_string),
            _solve(record),
            record.slack_m,
            wire_weight_N_m=record.weight_N_m,
            keep_sag=record.sag_m is not None,
        )
        for string_record in (record.from_string, record.to_string):
            if string_record is not None and string_record.kind == "strain" and string_record.weight_kN is None:
                desk.skipped.append(f"wire '{record.name}': strain string's weight not stated, taken as the wire's own")
        curve = parts.conductor
        bundle = record.bundle
        shape = wire.conductor(
            curve,
            record.diameter_m,
            bundle.count if bundle else 1,
            bundle.spacing_m if bundle else 0.0,
            record.slack_m,
            upright=bundle is not None and records.arrangement(bundle) == "vertical pair",
        )
        for which, string, spec in (
            ("from", parts.from_string, record.from_string),
            ("to", parts.to_string, record.to_string),
        ):
            if string is not None and spec is not None:
                name = f"{record.name} {which} string"
                bodies.append(Body(name, "insulator", string.insulating, conductive=False, potential=None))
                desk.strings.append(
                    LineInsulator(name, spec.insulating_m, spec.units, *_ends(string.insulating), record.phase)
                )
                if len(string.earthed):
                    bodies.append(Body(f"{name} fittings", "fitting", string.earthed))
                shape = shapes.join([shape, string.live])
    _refuse_underground(desk, record, shape)
    if record.name in desk.placed:
        shape, bodies = _in_weather(desk, record, bodies)
    body = _wire_body(desk.scene, record, shape)
    if record.name in desk.placed:
        body = replace(body, note="; ".join(filter(None, (body.note, WHEREVER))))
    hung = HungWire(record, curve, (body, *bodies))
    desk.wires[record.name] = hung
    return hung


def _in_weather(
    desk: _Desk, record: records.SpanWire | records.SlackWire, bodies: list[Body]
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
            spec = _string(entry)
            if spec is not None:
                name = f"{record.name} {which}"
                insulating, earthed, live = weathered.string_envelopes(there, which, spec, record.slack_m)
                made |= {name: insulating, f"{name} fittings": earthed}
                shape = shapes.join([shape, live])
    desk.strings = [
        replace(string, strays_m=max(wire_strays_m(there, string.earthed_m), wire_strays_m(there, string.live_m)))
        if string.name in made
        else string
        for string in desk.strings
    ]
    corners, around = shape.vertices.reshape(-1, 3), np.repeat(shape.radius + shape.slack, 3)
    depth = _ground_below(desk, corners) - corners[:, 2] + around
    if (depth > 0).any():
        # No mistake: an envelope holds more than the wire does. What the job comes to there is judged.
        desk.skipped.append(f"wire '{record.name}': its envelope over the weather reaches the ground")
    return shape, [replace(body, shape=made[body.name], note=WHEREVER) for body in bodies]


def _wire_body(scene: Scene, record: records.SpanWire | records.SlackWire, shape: shapes.Shape) -> Body:
    if record.phase is not None:
        return _stated(scene, record.name, "wire", shape, record.phase)
    if record.insulated:
        return Body(
            record.name, "wire", shape, states=((f"{record.name} live", record.name),), note="insulated shield wire"
        )
    return Body(record.name, "wire", shape)


def _refuse_underground(desk: _Desk, record: records.Record, shape: shapes.Shape) -> None:
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


def _ground_below(desk: _Desk, corners: NDArray[np.float64]) -> NDArray[np.float64]:
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


def _post(desk: _Desk, entry: records.Insulator) -> list[Body]:
    ends = place(desk, entry, entry.from_m), place(desk, entry, entry.to_m)
    # A post or string that hangs on a wire goes with it.
    strays = max(strays_m(desk, value, end) for value, end in zip((entry.from_m, entry.to_m), ends, strict=True))
    parts = insulator.post(*ends, entry.insulating_m, entry.diameter_m, slack_m=strays)
    bodies = [Body(entry.name, "insulator", parts.insulating, conductive=False, potential=None)]
    if len(parts.earthed):
        bodies.append(Body(f"{entry.name} foot", "fitting", parts.earthed))
    phase = next(
        (
            hung.record.phase
            for hung in desk.wires.values()
            if hung.record.phase is not None
            and min(
                np.linalg.norm(np.subtract(end, parts.live_end)) for end in (hung.catenary.start, hung.catenary.end)
            )
            < 0.2
        ),
        None,
    )
    desk.strings.append(LineInsulator(entry.name, entry.insulating_m, None, *_ends(parts.insulating), phase, strays))
    if len(parts.live):
        # Nothing connected is found at its live end: a conductive part at no potential floats.
        bodies.append(
            _stated(
                desk.scene,
                f"{entry.name} head",
                "fitting",
                parts.live,
                phase if phase is not None else records.FLOATING,
            )
        )
    return bodies


def _solid(desk: _Desk, entry: records.Solid) -> shapes.Shape:
    if isinstance(entry, records.Box):
        return solid.box(entry.centre_m, entry.size_m, entry.heading_deg, slack_m=entry.slack_m)
    if isinstance(entry, records.Cylinder):
        return solid.cylinder(entry.from_m, entry.to_m, entry.radius_m, slack_m=entry.slack_m)
    made = solid.mesh(
        desk.scene.folder / entry.file,
        entry.units,
        entry.at_m,
        entry.heading_deg,
        solid=entry.solid,
        slack_m=entry.slack_m,
    )
    if not entry.solid:
        holes = f"{made.holes} hole{'s' if made.holes != 1 else ''}"
        desk.skipped.append(f"solid '{entry.name}': taken as a surface ({holes}), so what may be inside it is not seen")
    return made.shape


def _cloud(desk: _Desk, entry: records.Cloud) -> shapes.Shape:
    scene = desk.scene
    shape, counts = cloud.read_cloud(
        [scene.folder / entry.file],
        entry.classes,
        entry.polygon_m,
        None if entry.height_m is None else (entry.height_m.lo, entry.height_m.hi),
        _origin(scene),
        entry.survey_error_m,
        entry.thin_m,
        entry.uncovered_m,
    )
    desk.skipped.append(f"cloud '{entry.name}': {counts}")
    desk.skipped.append(f"cloud '{entry.name}': what a scan cannot see (thin wires, shadow) is missing")
    return shape
