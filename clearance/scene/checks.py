"""Owns the checks of a scene across its tables: names that must be unique or known, entries that exclude each other.

`cross_checks` runs on the entries that are valid by themselves and on the names of all, so that one report holds
everything. What the job brings is checked in `checks_job`; nothing here needs geometry.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from clearance.errors import Mistake
from clearance.scene import naming, plausible
from clearance.scene.checks_release import release_mistakes
from clearance.scene.messages import choices, meant, shown
from clearance.scene.records import (
    EARTH,
    FLOATING,
    Circuit,
    GridGround,
    LatticeTower,
    MembersStructure,
    Mesh,
    MeshGround,
    PointsGround,
    Record,
    Reference,
    Scene,
    SpanWire,
    Wire,
    arrangement,
    where,
)


@dataclass(frozen=True)
class Known:
    """Names a scene file gives, whether or not their entries are otherwise right."""

    phases: tuple[str, ...]
    wires: tuple[str, ...]
    workers: tuple[str, ...]
    ladders: tuple[str, ...]
    tracks: int
    bodies: tuple[str, ...]
    stages: int = 1


def cross_checks(scene: Scene, table: dict[str, Any]) -> list[Mistake]:
    """Every mistake across the tables of a scene; `table` is the converted file, from which names are taken."""
    from clearance.scene.checks_job import job_checks
    from clearance.scene.checks_statements import statement_checks
    from clearance.scene.checks_unused import unused

    known = names_of(table)
    return [
        *plausible.impossible(scene),
        *_site(scene, known),
        *_files(scene),
        *_names(scene, table),
        *_wires(scene, known),
        *job_checks(scene, known),
        *statement_checks(scene, known, table),
        *unused(scene),
    ]


def names_of(table: dict[str, Any]) -> Known:
    """The names a converted table gives."""

    def named(key: str) -> list[str]:
        return [entry["name"] for entry in _entries(table, key) if isinstance(entry.get("name"), str)]

    phases = [
        phase
        for circuit in _entries(table, "circuits")
        for phase in _tuple(circuit.get("phases"))
        if isinstance(phase, str)
    ]
    ladder = table.get("ladder")
    return Known(
        tuple(phases),
        tuple(named("wires")),
        tuple(named("workers")),
        (ladder.get("name", "ladder"),) if isinstance(ladder, dict) else (),
        int("track" in table),
        naming.body_names(table),
        len(_tuple(table.get("stages"))) + len(_tuple(table.get("jobs"))),
    )


def _tuple(value: Any) -> tuple[Any, ...]:
    return value if isinstance(value, tuple) else ()


def _entries(table: dict[str, Any], key: str) -> list[dict[str, Any]]:
    return [entry for entry in _tuple(table.get(key)) if isinstance(entry, dict)]


def named_files(scene: Scene) -> Iterator[tuple[tuple[str, ...], Path]]:
    """Every file a scene names, with the place that names it, in order."""
    for rule in scene.rule:
        if rule.endswith(".toml"):
            yield where(scene, None, "rule"), scene.folder / rule
    ground = scene.ground
    if isinstance(ground, PointsGround | MeshGround | GridGround) and ground.file is not None:
        yield where(scene, ground, "file"), scene.folder / ground.file
    for structure in scene.structures:
        if isinstance(structure, MembersStructure):
            yield where(scene, structure, "nodes"), scene.folder / structure.nodes
            yield where(scene, structure, "members"), scene.folder / structure.members
    for solid in scene.solids:
        if isinstance(solid, Mesh):
            yield where(scene, solid, "file"), scene.folder / solid.file
    for cloud in scene.clouds:
        yield where(scene, cloud, "file"), scene.folder / cloud.file


def _files(scene: Scene) -> Iterator[Mistake]:
    for place, file in named_files(scene):
        if not file.is_file():
            remedy = "give its path from the folder of the scene file"
            yield Mistake(place, "a file", f"none at {file}", remedy)


def _names(scene: Scene, table: dict[str, Any]) -> Iterator[Mistake]:
    """Names that must be unique: of bodies, those that the tool makes among them, of circuits, of stages. A body named
    like a potential would be taken for one."""
    bodies = [(one.where, one.name) for one in naming.named(table)]
    potentials = {phase: "a phase goes by it" for phase in names_of(table).phases}
    potentials |= {EARTH: "it is a potential", FLOATING: "it is a potential"}
    for name in dict.fromkeys(name for _, name in bodies):
        place = where(scene, f"body '{name}'", "name")
        if name in potentials:
            remedy = f'{potentials[name]}: rename the body, such as "bus {name}"'
            yield Mistake(place, "a name that is no potential", shown(name), remedy)
        if naming.is_piece(table, name):
            yield Mistake(place, "a name that no piece of a ladder or boom goes by", shown(name), "rename it")
    for what, owned in (
        ("body", bodies),
        ("circuit", [("circuits", entry.get("name")) for entry in _entries(table, "circuits")]),
        ("stage", [("stages", entry.get("name")) for entry in _entries(table, "stages")]),
        ("conductor", [("conductors", entry.get("name")) for entry in _entries(table, "conductors")]),
    ):
        names = [name for _, name in owned if isinstance(name, str)]
        for name in dict.fromkeys(names):
            if (count := names.count(name)) > 1:
                tables = ", ".join(dict.fromkeys(key for key, other in owned if other == name))
                found = f"{count} (in {tables})"
                yield Mistake(
                    where(scene, f"{what} '{name}'", "name"), f"one {what} of this name", found, "rename one of them"
                )


def potential_mistake(
    scene: Scene, known: Known, entry: Record, field: str, value: str, others: tuple[str, ...]
) -> Iterator[Mistake]:
    """A mistake where a potential is neither a phase nor one of the `others`."""
    options = (*known.phases, *others)
    if value not in options:
        yield Mistake(
            where(scene, entry, field), f"a potential: {choices(options)}", shown(value), meant(value, options)
        )


def _site(scene: Scene, known: Known) -> Iterator[Mistake]:
    for circuit in scene.circuits:
        yield from _circuit(scene, known, circuit)
    if isinstance(scene.ground, GridGround):
        yield from _grid(scene, scene.ground)
    for structure in scene.structures:
        yield from potential_mistake(scene, known, structure, "potential", structure.potential, (EARTH,))
        if isinstance(structure, LatticeTower):
            yield from _tower(scene, structure)
    for solid in scene.solids:
        yield from potential_mistake(scene, known, solid, "potential", solid.potential, (EARTH, FLOATING))
    for cloud in scene.clouds:
        yield from potential_mistake(scene, known, cloud, "potential", cloud.potential, (EARTH,))
        if cloud.polygon_m is not None:
            from shapely import Polygon
            from shapely.validation import explain_validity

            if (reason := explain_validity(Polygon(cloud.polygon_m))) != "Valid Geometry":
                remedy = "list the corners once, in order round the outline"
                yield Mistake(where(scene, cloud, "polygon_m"), "an outline that does not cross itself", reason, remedy)
    for insulator in scene.insulators:
        yield from known_wire(scene, known, insulator, ("from_m", insulator.from_m), ("to_m", insulator.to_m))


def _circuit(scene: Scene, known: Known, circuit: Circuit) -> Iterator[Mistake]:
    for phase in dict.fromkeys(circuit.phases):
        if phase in (EARTH, FLOATING):
            yield Mistake(
                where(scene, circuit, "phases"), "names of phases", shown(phase), f"{phase} is no phase: rename it"
            )
        if (count := known.phases.count(phase)) > 1:
            remedy = "give each phase of each circuit its own name, such as A2"
            yield Mistake(
                where(scene, circuit, "phases"), f"one phase {phase} in the scene", f"{count} of them", remedy
            )
    if circuit.highest_kV is not None:
        if circuit.highest_basis is None:
            yield Mistake(
                where(scene, circuit, "highest_basis"), "where highest_kV comes from", "nothing", "add highest_basis"
            )
        if circuit.highest_kV < circuit.nominal_kV:
            expected = f"at least the nominal voltage, {circuit.nominal_kV:g} kV"
            yield Mistake(
                where(scene, circuit, "highest_kV"), expected, f"{circuit.highest_kV:g} kV", "mend one of them"
            )
    if circuit.overvoltage_per_unit is not None:
        for field, words in (
            ("overvoltage_basis", "what bounds the overvoltage"),
            ("overvoltage_by", "who answers for the overvoltage"),
        ):
            if getattr(circuit, field) is None:
                remedy = f"add {field}, or leave out overvoltage_per_unit to take the rule's assumed value"
                yield Mistake(where(scene, circuit, field), words, "nothing", remedy)


def _grid(scene: Scene, ground: GridGround) -> Iterator[Mistake]:
    given = [name for name in ("file", "heights_m") if getattr(ground, name) is not None]
    if len(given) != 1:
        found = " and ".join(given) or "neither"
        yield Mistake(where(scene, ground), "one of file or heights_m", found, "keep one" if given else "add one")
    if (rows := ground.heights_m) is not None:
        lengths = sorted({len(row) for row in rows})
        if len(lengths) > 1:
            yield Mistake(
                where(scene, ground, "heights_m"), "rows of one length", f"lengths {shown(lengths)}", "fill the rows"
            )
        elif len(rows) < 2 or lengths[0] < 2:
            found = f"{len(rows)} by {lengths[0] if lengths else 0}"
            yield Mistake(where(scene, ground, "heights_m"), "at least 2 by 2 heights", found, "")


def _tower(scene: Scene, tower: LatticeTower) -> Iterator[Mistake]:
    waist = [tower.waist_height_m, tower.waist_width_m]
    if waist.count(None) == 1:
        yield Mistake(
            where(scene, tower), "both waist_height_m and waist_width_m, or neither", "one of them", "add the other"
        )
    if tower.waist_height_m is not None and tower.waist_height_m >= tower.height_m:
        found = f"{tower.waist_height_m:g} m"
        yield Mistake(
            where(scene, tower, "waist_height_m"), f"a height below {tower.height_m:g} m", found, "mend one of them"
        )


def known_wire(scene: Scene, known: Known, entry: Record, *places: tuple[str, Any]) -> Iterator[Mistake]:
    """A mistake for each place that names a wire which is not there."""
    for field, place in places:
        if isinstance(place, Reference) and place.name not in known.wires:
            remedy = meant(place.name, known.wires)
            yield Mistake(where(scene, entry, field), "a reference to a wire of this scene", shown(str(place)), remedy)


def _wires(scene: Scene, known: Known) -> Iterator[Mistake]:
    for wire in scene.wires:
        yield from _potential_of(scene, known, wire)
        places = [("from_m", wire.from_m), ("to_m", wire.to_m)]
        if wire.release is not None:
            places.append(("release.lowered_to_m", wire.release.lowered_to_m))
            for rope in wire.release.ropes:
                at = f"release.ropes '{rope.name}'"
                places += [(f"{at}.to_m", rope.to_m), *([(f"{at}.over_m", rope.over_m)] if rope.over_m else [])]
            yield from release_mistakes(scene, wire, wire.release)
        yield from known_wire(scene, known, wire, *places)
        if wire.from_m == wire.to_m:
            yield Mistake(where(scene, wire, "to_m"), "a point other than from_m", "the same point", "mend one of them")
        yield from _ice(scene, wire)
        if isinstance(wire, SpanWire):
            yield from _span(scene, wire)
    yield from _circles(scene)


def _ice(scene: Scene, wire: Wire) -> Iterator[Mistake]:
    if wire.ice_m is None:
        return
    if scene.weather is None:
        remedy = "add a table [weather]: ice is part of it"
        yield Mistake(where(scene, wire, "ice_m"), "ice with the weather it comes in", "no [weather]", remedy)
    if not 0 <= wire.ice_m.lo <= wire.ice_m.hi <= 0.15:
        found = f"{wire.ice_m.lo:g} to {wire.ice_m.hi:g} m"
        yield Mistake(where(scene, wire, "ice_m"), "at least 0 and at most 150 mm", found, "check its unit")


def _potential_of(scene: Scene, known: Known, wire: Wire) -> Iterator[Mistake]:
    if (wire.phase is None) == (wire.potential is None):
        found = "neither" if wire.phase is None else "both"
        yield Mistake(where(scene, wire), 'one of phase or potential = "earth"', found, "state one")
    if wire.phase is not None and wire.phase not in known.phases:
        remedy = meant(wire.phase, known.phases)
        yield Mistake(where(scene, wire, "phase"), f"a phase: {choices(known.phases)}", shown(wire.phase), remedy)
    if wire.insulated and wire.potential is None:
        remedy = 'leave out insulated, or state potential = "earth"'
        yield Mistake(where(scene, wire, "insulated"), "insulated only for a shield wire", "true for a phase", remedy)


def _span(scene: Scene, wire: SpanWire) -> Iterator[Mistake]:
    names = ("horizontal_tension_kN", "sag_m", "catenary_constant_m")
    given = [name for name in names if getattr(wire, name) is not None]
    if len(given) != 1:
        remedy = "keep one" if given else "add one"
        yield Mistake(where(scene, wire), f"one of {', '.join(names)}", " and ".join(given) or "none of them", remedy)
    if wire.horizontal_tension_kN is not None and wire.weight_N_m is None:
        remedy = "add weight_N_m (or weight_lbf_ft, weight_kg_m)"
        yield Mistake(where(scene, wire, "weight_N_m"), "the weight that goes with a tension", "nothing", remedy)
    if wire.bundle is not None:
        count = {"horizontal pair": 2, "vertical pair": 2, "triangle": 3, "square": 4}[arrangement(wire.bundle)]
        if count != wire.bundle.count:
            expected = f"{count} subconductors in a {wire.bundle.arrangement}"
            yield Mistake(where(scene, wire, "bundle", "count"), expected, str(wire.bundle.count), "mend one of them")
    yield from _loads(scene, wire)
    for end in ("from_string", "to_string"):
        string = getattr(wire, end)
        if string is not None and string.insulating_m > string.length_m:
            expected = f"at most the string's length, {string.length_m:g} m"
            found = f"{string.insulating_m:g} m"
            yield Mistake(where(scene, wire, end, "insulating_m"), expected, found, "mend one of them")
        for number, ring in enumerate(string.rings if string is not None else (), 1):
            head = where(scene, wire, end, f"ring {number}")
            if string is not None and ring.at_m > string.length_m:
                expected = f"a place on the string, at most {string.length_m:g} m from its attachment"
                yield Mistake((*head, "at_m"), expected, f"{ring.at_m:g} m", "mend one of them")
            if ring.diameter_m <= 2 * ring.tube_m:
                expected = f"an outer diameter over twice the tube's {ring.tube_m:g} m"
                yield Mistake((*head, "diameter_m"), expected, f"{ring.diameter_m:g} m", "check both")


def _loads(scene: Scene, wire: SpanWire) -> Iterator[Mistake]:
    """A load is stated by what, where and how heavy it is, or is a loose wire with one end on this one."""
    for number, load in enumerate(wire.loads, 1):
        head = where(scene, wire, f"load {number}")
        given = [name for name in ("what", "at_m", "weight_kN", "basis") if getattr(load, name) is not None]
        if (load.wire is None) == (len(given) < 4) or (load.wire is not None and given):
            found = " and ".join([*given, *(["wire"] if load.wire is not None else [])]) or "none of them"
            yield Mistake(head, "what, at_m, weight_kN and basis, or wire", found, "state the one or the other")
        if load.wire is None:
            continue
        hung = next((other for other in scene.wires if other.name == load.wire), None)
        ends = [] if hung is None else [end for end in (hung.from_m, hung.to_m) if isinstance(end, Reference)]
        here = [end for end in ends if end.name == wire.name]
        if isinstance(hung, SpanWire) or hung is None or len(here) != 1 or here[0].along_m is None:
            remedy = f'hang it by an end such as "{wire.name} @ 12.5", or give its weight and place'
            expected = "a jumper with one end on this wire, between its ends"
            yield Mistake((*head, "wire"), expected, shown(load.wire), remedy)
    names = [load.wire or load.what for load in wire.loads]
    for name in dict.fromkeys(name for name in names if name is not None and names.count(name) > 1):
        yield Mistake(
            where(scene, wire, "loads"), "loads with a name each", f"{shown(name)} twice", "name one otherwise"
        )
    if wire.loads and wire.checks:
        remedy = "state the sag measured with the loads on as sag_m"
        yield Mistake(where(scene, wire, "checks"), "no checks where loads hang on a wire", "both", remedy)


def _circles(scene: Scene) -> Iterator[Mistake]:
    """Wires that hang on each other in a circle, so that none can be placed first."""
    hangs_on = {
        wire.name: [place.name for place in (wire.from_m, wire.to_m) if isinstance(place, Reference)]
        for wire in scene.wires
    }
    told = set[str]()
    for name in hangs_on:
        ways: list[tuple[str, ...]] = [(name, on) for on in hangs_on[name]]
        for way in ways:  # grows: every way onward, to each wire once
            seen = {step for other in ways for step in other[1:]}
            ways += [(*way, on) for on in dict.fromkeys(hangs_on.get(way[-1], [])) if on not in seen]
        circle = next((way for way in ways if way[-1] == name), None)
        if circle is not None and not told & {*circle}:
            told |= {*circle}
            found = " on ".join(f"'{wire}'" for wire in circle)
            remedy = "give an end of one of them by coordinates"
            yield Mistake(where(scene, f"wire '{name}'"), "ends that do not hang on the wire itself", found, remedy)
