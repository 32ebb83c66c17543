"""Owns the bodies of wires that a stage moves: each in its place with its way to go, and everything that hangs on it
thickened by how far it goes along; what cannot go along is told.

`moved_bodies` puts the shifts of `clearance.job.shifts` into a list of bodies.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body, insulator
from clearance.conductor.moved_ends import ends_worth_along, line_worth_along
from clearance.job import tail_ropes
from clearance.job.holding import ropes_of
from clearance.job.shifts import LINK, Shift, WireShift, entry_for, shifts_of, strays_m
from clearance.job.site_hanging import of_solids
from clearance.result import OpenPoint
from clearance.scene import records, wiring
from clearance.scene.assemble import Site
from clearance.scene.naming import lead_name
from clearance.scene.records import Disturbed, Reference, SpanWire, Stage
from clearance.scene.span_shapes import bundle_places, string_spec
from clearance.shapes import Shape

Floats = NDArray[np.float64]


def moved_bodies(
    site: Site, stage: Stage, shifts: Sequence[Shift], bodies: Sequence[Body]
) -> tuple[list[Body], dict[str, str]]:
    """The bodies with the wires of the shifts in their places and everything on them thickened by its way; and which
    of them deform with which parameter."""
    if not shifts:
        return list(bodies), {}
    wires = {name: (shift, wire) for shift in shifts for name, wire in shift.wires.items()}
    carried_by = dict(_carried(site, stage, shifts))
    rated: dict[str, str] = {}
    found = []
    for body in bodies:
        if body.name in wires and body.kind == "wire":
            shift, wire = wires[body.name]
            entry = entry_for(stage, body.name)
            body = _shifted(site, body, shift, wire, entry)
            if body.link == LINK:
                rated[body.name] = shift.parameter
        elif body.name in carried_by:
            more = carried_by[body.name]
            body = replace(body, shape=shapes.thickened(body.shape, more))
        found.append(body)
    return found, rated


def touching(site: Site, shifts: Sequence[Shift]) -> Iterator[frozenset[str]]:
    """Pairs that hang together at a wire that moves: its strings, its section, what hangs on it."""
    scene = site.scene
    for shift in shifts:
        for name in shift.wires:
            beside = [f"{name} {which} string{part}" for which in ("from", "to") for part in ("", " fittings")]
            beside += [other for other in shift.wires if other != name]
            for other in scene.wires:
                places = [value for value in (other.from_m, other.to_m) if isinstance(value, Reference)]
                if any(value.name == name for value in places):
                    beside.append(other.name)
            for post in scene.insulators:
                if any(isinstance(value, Reference) and value.name == name for value in (post.from_m, post.to_m)):
                    beside += [post.name, f"{post.name} foot", f"{post.name} head"]
            if isinstance(start := site.wires[name].record.from_m, Reference):
                beside += [start.name, *(f"{start.name} {which} string" for which in ("from", "to"))]
            for other_name in beside:
                yield frozenset((name, other_name))
        for name in shift.wires:
            for mate in shift.wires:
                for which in ("from", "to"):
                    # A suspension string belongs to one of the two spans that hang on it.
                    yield frozenset((name, f"{mate} {which} string"))
                    yield frozenset((name, f"{mate} {which} string fittings"))


def _carried(site: Site, stage: Stage, shifts: Sequence[Shift]) -> Iterator[tuple[str, float]]:
    """Bodies that hang on a wire that moves, and how far they may go with it [m]."""
    scene = site.scene
    for shift in shifts:
        for name, wire in shift.wires.items():
            record = site.wires[name].record
            assert isinstance(record, SpanWire)
            for which, vertex in (("from", wire.cuts[0]), ("to", wire.cuts[1])):
                if getattr(record, f"{which}_string") is not None:
                    more = float(wire.strays_m[vertex])
                    yield f"{name} {which} string", more
                    yield f"{name} {which} string fittings", more
    for person in scene.workers:
        if stage.clamp_m is not None:
            # The middle between clamp and belt goes half as far as the clamp.
            more = strays_m(site, shifts, stage.clamp_m, wiring.place(site, stage, stage.clamp_m))
            yield lead_name(person.name), 0.5 * more
    for rope in scene.ropes:
        ends = [
            value for value in (rope.from_m, rope.to_m) if isinstance(value, Reference) and value.name in site.wires
        ]
        if ends:
            yield rope.name, max(strays_m(site, shifts, end, wiring.place(site, rope, end)) for end in ends)
    for record, line in ropes_of(site, stage):
        if not tail_ropes.is_off(stage, record.name):
            # Tied to the end of a wire that moves, or that hangs on one.
            own = [float(one.strays_m.max()) for s in shifts for name, one in s.wires.items() if name == record.name]
            free = tail_ropes.free_place(record)
            yield line.name, max(*own, strays_m(site, shifts, free, wiring.place(site, record, free)), 0.0)
    for other in scene.wires:
        if isinstance(other, records.Jumper):
            curve = site.wires[other.name].catenary
            both = zip((other.from_m, other.to_m), (curve.start, curve.end), strict=True)
            moves = [strays_m(site, shifts, value, end) for value, end in both]
            if other.release is not None and other.name in (*stage.released, *stage.off):
                # Its free end hangs there no longer.
                moves[0 if other.release.free_end == "from" else 1] = 0.0
            if any(moves):
                yield other.name, loose_worth(site, other.name, (moves[0], moves[1]))
    for post in scene.insulators:
        more = max(strays_m(site, shifts, value, wiring.place(site, post, value)) for value in (post.from_m, post.to_m))
        if more:
            yield post.name, more
            yield f"{post.name} foot", more
            yield f"{post.name} head", more


def loose_worth(site: Site, name: str, moves_m: tuple[float, float]) -> float:
    """How far [m] any point of a loose wire may go when its ends go so far; in the weather, how much further than they
    go there anyway."""
    placed = site.placed.get(name)
    if placed is not None and placed.ranges is not None:
        tilts = placed.ranges.tilt_rad
        return float((line_worth_along(placed.line, tilts, moves_m) - line_worth_along(placed.line, tilts)).max())
    curve = site.wires[name].catenary
    step = np.subtract(curve.end, curve.start)
    chord, tilt = float(np.linalg.norm(step)), float(np.arctan2(step[2], np.hypot(*step[:2])))
    return float(ends_worth_along(chord, curve.length_m, (tilt, tilt), moves_m).max())


def left_behind(site: Site, stage: Stage) -> Iterator[OpenPoint]:
    """Solids on a wire that a stage moves, by a load that goes or by what it states, which stand where they were: no
    reference can name what they hang on."""
    if not stage.disturbed and not stage.released and not stage.off:
        return
    shifts = shifts_of(site, stage)
    carried = dict(_carried(site, stage, shifts))
    stated = {entry.wire: entry.movement_m or 0.0 for entry in stage.disturbed}

    def moved(there: Reference, at: Sequence[float]) -> float:
        if there.name in (*stage.released, *stage.off):
            return 0.0
        return max(strays_m(site, shifts, there, at), carried.get(there.name, 0.0), stated.get(there.name, 0.0))

    yield from of_solids(site, moved)


def _shifted(site: Site, body: Body, shift: Shift, wire: WireShift, entry: Disturbed | None) -> Body:
    stated = entry.movement_m if entry is not None and entry.movement_m is not None else None
    furthest = float(wire.strays_m.max())
    notes = [body.note, wire.note]
    if stated is not None and stated >= furthest:
        basis = f": {entry.basis}" if entry is not None and entry.basis else ""
        notes = [body.note, f"may move {stated:g} m, as stated{basis}; by the model {furthest:.2f} m at most"]
        return replace(body, job=True, shape=shapes.thickened(body.shape, stated), note="; ".join(filter(None, notes)))
    if stated is not None:
        notes.append(f"the {stated:g} m stated are less than that, and are not used")
    note = "; ".join(filter(None, notes))
    if site.placed:
        return replace(body, job=True, shape=shapes.thickened(body.shape, furthest), note=note)
    shape = _shape(site, body.name, wire)
    link = LINK if shift.parameter else None
    return replace(body, job=True, shape=shape if link else replace(shape, rate=None), link=link, note=note)


def _shape(site: Site, name: str, wire: WireShift) -> Shape:
    """Conductor or bundle with the live hardware of its strings, each with its rate."""
    hung = site.wires[name]
    record = hung.record
    assert isinstance(record, SpanWire)
    first, last = wire.cuts
    made = []
    step = wire.points[last] - wire.points[first]
    across = np.array([-step[1], step[0], 0.0]) / float(np.hypot(*step[:2]))
    steepest = shapes.steepest(wire.points[first : last + 1])
    for left, up in bundle_places(record):
        offset = left * across + np.array([0.0, 0.0, up])
        uncertainty = record.uncertainty_m + float(np.hypot(left, up)) * (steepest + _turn(wire))
        made.append(_capsules(wire, (first, last), record.diameter_m / 2, uncertainty, offset))
    for spec, line in _strings(site, record, wire):
        live = insulator.string_along(line.points, spec, 0.0, record.uncertainty_m).live
        if len(live):
            made.append(_ridden(live, line))
    return shapes.join(made)


def _turn(wire: WireShift) -> float:
    """How far [rad] any chord of a wire turns over the range."""
    far = max(abs(wire.range_m[0]), abs(wire.range_m[1]))
    steps = np.linalg.norm(np.diff(wire.points, axis=0), axis=1)
    moved = np.linalg.norm(np.diff(wire.rate, axis=0), axis=1) * far
    return float((moved / np.maximum(steps, 1e-9)).max())


def _capsules(wire: WireShift, which: tuple[int, int], radius: float, uncertainty: float, offset: Floats) -> Shape:
    part = slice(which[0], which[1] + 1)
    points, rate, room = wire.points[part] + offset, wire.rate[part], wire.room_m[part]
    made = shapes.polyline(points, radius, uncertainty + np.maximum(room[:-1], room[1:]))
    return replace(made, rate=np.ascontiguousarray(np.stack([rate[:-1], rate[1:], rate[1:]], axis=1)))


def _strings(site: Site, record: SpanWire, wire: WireShift) -> Iterator[tuple[insulator.StringSpec, WireShift]]:
    """The strings of a wire, each from its attachment to its live end, as a wire that moves."""
    first, last = wire.cuts
    for spec, tip, part, value in (
        (record.from_string, first, slice(0, first + 1), record.from_m),
        (record.to_string, last, slice(last, len(wire.points)), record.to_m),
    ):
        made = string_spec(spec)
        if made is None:
            continue
        if made.kind == "strain":
            points, rate, room = wire.points[part], wire.rate[part], wire.room_m[part]
            if spec is record.to_string:
                points, rate, room = points[::-1], rate[::-1], room[::-1]
        else:
            top = np.asarray(wiring.place(site, record, value), float)
            points, rate = np.array([top, wire.points[tip]]), np.array([np.zeros(3), wire.rate[tip]])
            room = np.full(2, wire.room_m[tip])
        yield made, WireShift(points, points, rate, room, (0, len(points) - 1), wire.range_m, "")


def _ridden(shape: Shape, line: WireShift) -> Shape:
    """A shape about a string that goes with it: each corner as the point of the string beside it, the string's turn
    over the range times the corner's distance from it in uncertainty."""
    corners = shape.vertices.reshape(-1, 3)
    start, way = line.points[:-1], np.diff(line.points, axis=0)
    size = np.maximum((way * way).sum(axis=1), 1e-30)
    share = np.clip(np.einsum("cpk,pk->cp", corners[:, None] - start, way) / size, 0.0, 1.0)
    foot = start + share[..., None] * way
    away = np.linalg.norm(corners[:, None] - foot, axis=2)
    piece = away.argmin(axis=1)
    index = np.arange(len(corners))
    along = share[index, piece][:, None]
    rate = (1.0 - along) * line.rate[piece] + along * line.rate[piece + 1]
    far = (away[index, piece] * _turn(line)).reshape(-1, 3).max(axis=1)
    return replace(
        shape,
        uncertainty=shape.uncertainty + far + float(line.room_m.max()),
        rate=np.ascontiguousarray(rate.reshape(-1, 3, 3)),
    )
