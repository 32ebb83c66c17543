"""Owns the way from a scene's wires and weather to where each wire may be.

`place_wires` is what an assembler and the command `sag` call; `lines_of` and `weather_of` make the records that
`clearance.conductor.placing` works on. A wire that refers to another ("bus A end", "bus A @ 1.6") hangs on its string
or moves with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from clearance.conductor import catenary
from clearance.conductor.carrying import Curve, curves, pull
from clearance.conductor.catalogue import Entry, entry, find
from clearance.conductor.catenary import Point
from clearance.conductor.lines import Check, End, Known, Line, Placed, PointLoad, Weather
from clearance.conductor.placing import moves, place
from clearance.conductor.ranges import nominal_of
from clearance.errors import InputError, Mistake
from clearance.scene.records import InsulatorString, Jumper, Range, Reference, SceneFile, SpanWire, where
from clearance.scene.records_conductor import catalogue_table

DIFFERS = 0.05
"""[1] A stated diameter or weight may differ from the named conductor's by this part before it is a mistake."""

UNIT_N = 50.0
"""[N] Weight of a cap-and-pin unit with its share of hardware, where a suspension string states none (common
practice, no source): glass or porcelain units of 120 kN weigh 40 to 65 N."""

COMPOSITE_N_M = 40.0
"""[N/m] The same for a string without units: a composite insulator with hardware (common practice, no source)."""


ROUNDS = 40
"""[1] Passes over wires and the droppers that they carry before they are refused; ordinary ones take 3 to 6."""

SETTLED_M = 1e-6
"""[m] A dropper's end on a wire that it bends has come to rest when a pass moves it less."""


@dataclass
class _Desk:
    """pulls: force of a loose wire on its host, by (host, wire); curves: of the wires that loads move, one pass ago."""

    scene: SceneFile
    own: Mapping[str, Entry]
    lines: dict[str, Line] = field(default_factory=dict)
    failed: dict[str, InputError] = field(default_factory=dict)
    pulls: Mapping[tuple[str, str], Point] = field(default_factory=dict)
    curves: Mapping[str, Curve] = field(default_factory=dict)


def place_wires(scene: SceneFile) -> dict[str, Placed]:
    """Where every wire of the scene is and may be, by name, in the scene's order.

    Raises `InputError` with every mistake: what `lines_of` finds, and what the weather needs to know of a wire.
    """
    lines, weather = lines_of(scene), weather_of(scene)
    spans = [line for line in lines.values() if line.length_m is None]
    try:
        placed = place(spans, weather)
        if weather is None:
            placed |= place([line for line in lines.values() if line.length_m is not None])
        else:
            waiting = [line for line in lines.values() if line.length_m is not None]
            while waiting:
                ready = [line for line in waiting if all(name in placed for name in _hosts(scene, line))]
                moved = [_moving(scene, line, placed) for line in ready]
                placed |= place(moved, weather)
                waiting = [line for line in waiting if line not in ready]
    except InputError as error:
        head = where(scene)
        raise InputError([replace(mistake, where=(*head, *mistake.where)) for mistake in error.mistakes]) from None
    return {wire.name: placed[wire.name] for wire in scene.wires}


def weather_of(scene: SceneFile) -> Weather | None:
    """The scene's weather in SI, or None where it states none."""
    record = scene.weather
    if record is None:
        return None
    return Weather(
        _pair(record.air_C),
        _pair(record.wind_m_s),
        _pair(record.wind_from_deg) if record.wind_from_deg is not None else None,
        _pair(record.sun_W_m2),
        _pair(record.current_A) if record.current_A is not None else None,
        _pair(record.conductor_C) if record.conductor_C is not None else None,
        record.gust_factor,
        scene.altitude_m,
        record.basis,
        _pair(record.ice_m),
        _pair(record.ice_weight_N_m) if record.ice_weight_N_m is not None else None,
        record.ice_kg_m3,
    )


def _pair(record: Range) -> tuple[float, float]:
    return record.lo, record.hi


def lines_of(scene: SceneFile) -> dict[str, Line]:
    """Every wire of the scene as a line, by name. Raises `InputError` with every mistake found."""
    return hung_lines(scene)[0]


def hung_lines(scene: SceneFile) -> tuple[dict[str, Line], dict[str, Curve]]:
    """Every wire of the scene as a line, and the curve of each that a load moves.

    A dropper bends the wire that carries it and hangs on it where it is bent: both are found in turns until the
    dropper's end rests. Raises `InputError` with every mistake found.
    """
    wrong: list[Mistake] = []
    own: dict[str, Entry] = {}
    for made in scene.conductors:
        try:
            own[made.name] = entry(catalogue_table(made), where(scene))
        except InputError as error:
            wrong += error.mistakes
    lines, found = _lines(_Desk(scene, own), wrong), dict[str, Curve]()
    if not any(isinstance(record, SpanWire) and record.loads for record in scene.wires):
        return lines, found
    for _ in range(ROUNDS):
        try:
            pulls = _pulls(scene, lines)
            found = curves(list(_lines(_Desk(scene, own, pulls=pulls, curves=found), wrong).values()))
        except InputError as error:
            head = where(scene)
            raise InputError([replace(mistake, where=(*head, *mistake.where)) for mistake in error.mistakes]) from None
        bent = _lines(_Desk(scene, own, pulls=pulls, curves=found), wrong)
        moved = [
            np.subtract(getattr(lines[name], end).point, getattr(line, end).point)
            for name, line in bent.items()
            for end in ("start", "end")
        ]
        lines = bent
        if float(np.abs(moved).max()) <= SETTLED_M:
            return lines, found
    raise InputError(
        Mistake(
            (*where(scene), "loads"),
            "droppers and the wires that carry them at rest together",
            f"still moving after {ROUNDS} passes",
            "give the droppers more wire, or state their weight and place",
        )
    )


def _pulls(scene: SceneFile, lines: Mapping[str, Line]) -> dict[tuple[str, str], Point]:
    """The force of every dropper or jumper on the wire that lists it among its loads."""
    found = {}
    for host in scene.wires:
        for load in host.loads if isinstance(host, SpanWire) else ():
            if load.wire is not None:
                hung = next(wire for wire in scene.wires if wire.name == load.wire)
                at_end = isinstance(hung.to_m, Reference) and hung.to_m.name == host.name
                found[host.name, load.wire] = pull(lines[load.wire], at_end)
    return found


def _lines(desk: _Desk, wrong: list[Mistake]) -> dict[str, Line]:
    """Every wire as a line, what the last pass found being where droppers hang."""
    scene = desk.scene
    for record in scene.wires:
        try:
            _line(desk, record)
        except InputError as error:
            wrong += error.mistakes
    if wrong:
        raise InputError(dict.fromkeys(wrong))
    return desk.lines


def _line(desk: _Desk, record: SpanWire | Jumper) -> Line:
    """A wire as a line; its mistakes are those of the wire that has them, whatever hangs on it."""
    if record.name in desk.failed:
        raise desk.failed[record.name]
    if record.name not in desk.lines:
        try:
            desk.lines[record.name] = _made(desk, record)
        except InputError as error:
            file, head = where(desk.scene), where(desk.scene, record)
            of_it = (m if m.where[: len(file)] == file else replace(m, where=(*head, *m.where)) for m in error.mistakes)
            desk.failed[record.name] = InputError(of_it)
            raise desk.failed[record.name] from None
    return desk.lines[record.name]


def _made(desk: _Desk, record: SpanWire | Jumper) -> Line:
    conductor = find(record.conductor, desk.own) if record.conductor is not None else None
    bundle = record.bundle if isinstance(record, SpanWire) else None
    count = bundle.count if bundle is not None else 1
    if conductor is not None:
        _agrees(record, conductor, count)
    return Line(
        record.name,
        _end(desk, record, "from"),
        _end(desk, record, "to"),
        record.diameter_m,
        conductor,
        record.weight_N_m,
        count,
        _known(record) if isinstance(record, SpanWire) else None,
        record.length_m if isinstance(record, Jumper) else None,
        _checks(record) if isinstance(record, SpanWire) else (),
        record.phase is not None,
        _loads(desk, record) if isinstance(record, SpanWire) else (),
        _pair(record.ice_m) if record.ice_m is not None else None,
    )


def _loads(desk: _Desk, record: SpanWire) -> tuple[PointLoad, ...]:
    """What hangs on a wire; a dropper from the second pass on, when its pull is known."""
    made = []
    for load in record.loads:
        stated = load.when_stated == "on"
        if load.wire is None:
            weight = (0.0, 0.0, -(load.weight_kN or 0.0) * 1e3)
            made.append(PointLoad(load.what or "", load.at_m or 0.0, weight, stated, load.basis or ""))
        elif (record.name, load.wire) in desk.pulls:
            hung = next(wire for wire in desk.scene.wires if wire.name == load.wire)
            ends = [end for end in (hung.from_m, hung.to_m) if isinstance(end, Reference) and end.name == record.name]
            basis = f"weight and pull of {load.wire} as it hangs"
            made.append(PointLoad(load.wire, ends[0].along_m or 0.0, desk.pulls[record.name, load.wire], stated, basis))
    return tuple(made)


def _checks(record: SpanWire) -> tuple[Check, ...]:
    return tuple(Check(check.sag_m, check.at_C, check.by) for check in record.checks)


def _known(record: SpanWire) -> Known:
    state = record.known
    tension = None if record.horizontal_tension_kN is None else record.horizontal_tension_kN * 1e3
    return Known(
        tension,
        record.weight_N_m,
        record.sag_m,
        record.catenary_constant_m,
        state.conductor_C if state is not None else None,
        state.basis if state is not None else "",
    )


def _agrees(record: SpanWire | Jumper, conductor: Entry, count: int) -> None:
    """Refuse a stated diameter or weight that is not the named conductor's; a bundle's weight may be of one or of
    all."""
    wrong = []
    if abs(record.diameter_m / conductor.diameter_m - 1) > DIFFERS:
        wrong.append(
            Mistake(
                ("diameter_m",), f"{conductor.diameter_m:.4f} m, as {conductor.name} has", f"{record.diameter_m:g} m"
            )
        )
    if record.weight_N_m is not None:
        shares = [record.weight_N_m / conductor.weight_N_m / number for number in {1, count}]
        if all(abs(share - 1) > DIFFERS for share in shares):
            wrong.append(
                Mistake(
                    ("weight_N_m",),
                    f"{conductor.weight_N_m:.2f} N/m, as {conductor.name} has",
                    f"{record.weight_N_m:g} N/m",
                )
            )
    if wrong:
        raise InputError(wrong)


def _end(desk: _Desk, record: SpanWire | Jumper, which: str) -> End:
    place_ = record.from_m if which == "from" else record.to_m
    spec: InsulatorString | None = getattr(record, f"{which}_string", None)
    if isinstance(place_, Reference):
        if spec is not None:
            raise InputError(Mistake((f"{which}_string",), "no string where the wire hangs on another", "one"))
        return _hangs_on(desk, record, which, place_)
    if spec is None:
        return End(place_)
    weight = (spec.weight_kN or 0.0) * 1e3
    assumed = weight == 0.0 and spec.kind == "suspension"
    if assumed:
        weight = spec.units * UNIT_N if spec.units is not None else spec.length_m * COMPOSITE_N_M
    return End(place_, spec.kind, spec.length_m, weight, spec.diameter_m, assumed)


def _hangs_on(desk: _Desk, record: SpanWire | Jumper, which: str, place_: Reference) -> End:
    host = next((wire for wire in desk.scene.wires if wire.name == place_.name), None)
    if host is None:
        raise InputError(Mistake((f"{which}_m",), f"a wire that '{place_}' can lie on", "no such wire"))
    line = _line(desk, host)
    if not isinstance(record, SpanWire) and place_.name in desk.curves:
        bent = desk.curves[place_.name]
        if place_.end is not None:
            return End(bent.ends[0 if place_.end == "start" else 1])
        return End(bent.point(place_.along_m or 0.0))
    curve = nominal_of(line)
    if place_.end is not None:
        end = line.start if place_.end == "start" else line.end
        if end.string == "suspension" and isinstance(record, SpanWire):
            return replace(end, own=False)
        if not isinstance(record, SpanWire):
            return End(curve.start if place_.end == "start" else curve.end)
    if isinstance(record, SpanWire) and weather_of(desk.scene) is not None:
        raise InputError(
            Mistake(
                (f"{which}_m",),
                "an attachment on a structure or a suspension string, as the scene has weather",
                f"'{place_}', which moves",
                "give it as a jumper with its length",
            )
        )
    anchor = np.array(line.start.point)
    along = (place_.along_m or 0.0) - float(np.hypot(*(np.array(curve.start) - anchor)[:2]))
    return End(catenary.point_at(curve, along)) if place_.end is None else End(curve.end)


def _hosts(scene: SceneFile, line: Line) -> list[str]:
    record = next(wire for wire in scene.wires if wire.name == line.name)
    return [place_.name for place_ in (record.from_m, record.to_m) if isinstance(place_, Reference)]


def _moving(scene: SceneFile, line: Line, placed: Mapping[str, Placed]) -> Line:
    """The line with its ends moving as the wires do that they are on."""
    record = next(wire for wire in scene.wires if wire.name == line.name)
    ends: dict[str, End] = {}
    for which, place_ in (("start", record.from_m), ("end", record.to_m)):
        if isinstance(place_, Reference):
            end: End = getattr(line, which)
            steps, uncertainty = moves(placed[place_.name], end.point)
            ends[which] = replace(end, moves_m=steps, moves_uncertainty_m=uncertainty)
    return replace(line, start=ends.get("start", line.start), end=ends.get("end", line.end))
