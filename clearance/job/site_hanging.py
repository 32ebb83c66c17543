"""Owns what hangs on a wire though the scene gives its place by coordinates: neither its weight nor its way with the
wire is reckoned.

A wire moves in the weather, and as loads come and go. What is named by reference ("bus A @ 24.60") goes with it, and is
known to hang on it; coordinates stay where they are. So an end, a pulley, a clamp or an anchor that lies on a wire is
given by reference, or the result is undecided. Where a wire ends at a fixed place what else ends there is held by the
same thing. `on_wire` finds the wire that a place lies on; `of_places` looks at all that are not ends of wires, and
`of_solids` at solids, which no reference can name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, distance
from shapely import Point as PlanPoint

from clearance import shapes
from clearance.bodies import Body
from clearance.conductor import catenary
from clearance.gaps import EARTH
from clearance.job.holding import HOLDS_M
from clearance.job.site_gaps import between
from clearance.result import OpenPoint
from clearance.scene import records
from clearance.scene.assemble import HungWire, Site, place, strays_m
from clearance.scene.records import Place, Point, Record, Reference, where

AT_WIRE_M = 0.25
"""[m] What is given so near to a wire hangs on it: a clamp with its shackle and a link (common practice, no source)."""

TOUCHES_M = 0.05
"""[m] A solid no further from a wire is fixed to it: what its shape and the wire's leave between them."""

PLAN_M = 10.0
"""[m] Wires further than this from a place, in plan, are not looked at: no weather takes one so far that it matters."""

CHORD_M = 0.002
"""[m] How far chords may be from the wire that they are looked for on: far below a clamp."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class OnWire:
    """The wire that a place lies on.

    wire: its name; place: where on it, as a reference; away_m: how far from the wire as stated [m]; strays_m: how far
    the weather may take the wire from there [m]; near_m: how near to it counts as on it [m]
    """

    wire: str
    place: str
    away_m: float
    strays_m: float
    near_m: float


def on_wire(site: Site, own: str, at: Point) -> OnWire | None:
    """The wire nearest to a place where it moves, other than a wire itself and what hangs on that; None where none is
    near in plan.

    own: the wire whose end the place is, "" for anything else
    """
    found = [on for hung in site.wires.values() if (on := _on(site, own, at, hung)) is not None]
    return min(found, key=lambda on: on.away_m - on.near_m, default=None)


def lies_on(on: OnWire | None) -> bool:
    """Whether a place is so near to a wire, as stated, that it hangs on it whatever else is there."""
    return on is not None and on.away_m <= on.near_m


def hangs(site: Site, name: str, on: OnWire, held: bool) -> bool:
    """Whether the end of a wire hangs on another: one of its own potential, at the end or, where nothing else holds it,
    within reach of wherever that wire may be."""
    one, other = site.wires[name].record, site.wires[on.wire].record
    alike = (one.phase, one.potential) == (other.phase, other.potential)
    return alike and (lies_on(on) or (not held and on.away_m <= HOLDS_M + on.strays_m))


def hanging(field: str, on: OnWire) -> tuple[str, str]:
    """What is wrong with a place on a wire, and its cure."""
    away = f", {on.away_m:.2f} m from it" if on.away_m > on.near_m else ""
    what = (
        f"its {field} lies on wire '{on.wire}'{away}, and is given by coordinates: it would not move with the wire, "
        "and what it does to the wire is not reckoned"
    )
    return what, f'give it by reference: {field} = "{on.place}"'


def of_places(site: Site) -> Iterator[OpenPoint]:
    """Places of insulators, ropes, pulleys, clamps and anchors that lie on a wire and are given by coordinates."""
    seen = set[tuple[str, str]]()
    for entry, field, value in _places(site.scene):
        if isinstance(value, Reference):
            continue
        on = on_wire(site, "", value)
        if on is not None and lies_on(on):
            named = where(site.scene, entry)[-1]
            if (named, field) not in seen:
                seen.add((named, field))
                yield OpenPoint(named, *hanging(field, on))


def _places(scene: records.Scene) -> Iterator[tuple[Record, str, Place]]:
    """Places that may be on a wire, other than ends of wires: (entry, field, value)."""
    for post in scene.insulators:
        yield post, "from_m", post.from_m
        yield post, "to_m", post.to_m
    for rope in scene.ropes:
        yield rope, "from", rope.from_m
        yield rope, "to_m", rope.to_m
    for wire in scene.wires:
        for held_by in wire.release.ropes if wire.release is not None else ():
            if held_by.over_m is not None:
                yield wire, f"ropes '{held_by.name}': over_m", held_by.over_m
            yield wire, f"ropes '{held_by.name}': to_m", held_by.to_m
    for stage in scene.stages:
        if stage.clamp_m is not None:
            yield stage, "clamp_m", stage.clamp_m


def of_solids(site: Site, moved: Callable[[Reference, Point], float] | None = None) -> Iterator[OpenPoint]:
    """Solids that touch a wire of their own potential where the weather moves it, or a stage does, and do not go with
    it: their weight and their uncertainty must say so.

    moved: how far a stage moves a place on a wire, besides the weather [m]; left out for the site before the job
    """
    if not site.placed and moved is None:
        return
    by_name = {body.name: body for body in site.bodies}
    for solid in site.scene.solids:
        body = by_name.get(solid.name)
        if body is None or body.potential == EARTH or not body.conductive:
            continue
        for name, hung in site.wires.items():
            if body.potential not in (hung.record.phase, None) or (station := _touched(site, hung, body)) is None:
                continue
            there = Reference(name, along_m=station)
            at = place(site, hung.record, there)
            strays, more = strays_m(site, there, at), moved(there, at) if moved is not None else 0.0
            loads = hung.record.loads if isinstance(hung.record, records.SpanWire) else ()
            listed = isinstance(hung.record, records.Jumper) or any(load.what == solid.name for load in loads)
            if (moved is not None and more == 0.0) or (listed and solid.uncertainty_m >= strays + more - 1e-3):
                continue
            moves = "which the weather moves by" if moved is None else "which moves in this stage by"
            what = f"it is fixed to wire '{name}' at {station:.2f} m, {moves} up to {strays + more:.2f} m there, and "
            cure = f"give it an uncertainty_m of at least {np.ceil((strays + more) * 100) / 100:.2f}"
            if isinstance(hung.record, records.SpanWire):
                cure += f' and list its weight among the loads of the wire: what = "{solid.name}", at_m = {station:.2f}'
            where_it_is = where(site.scene, solid)[-1]
            yield OpenPoint(
                where_it_is, f"{what}does not move with it", f"{cure}; or end the wire where something holds it"
            )
            break


def _touched(site: Site, hung: HungWire, body: Body) -> float | None:
    """Where along a wire [m] a body touches it, that may move there; None where it does not."""
    points = _drawn(hung)
    ends = _fixed_ends(hung)
    loose = np.array([all(np.linalg.norm(point - end) > AT_WIRE_M for end in ends) for point in points])
    keep = loose[:-1] & loose[1:]
    if not keep.any():
        return None
    line = shapes.segments(points[:-1][keep], points[1:][keep], hung.record.diameter_m / 2, 0.0)
    at = touched_at(line, body.shape, TOUCHES_M)
    if at is None:
        return None
    return _station(site, hung, at)


def touched_at(line: shapes.Shape, other: shapes.Shape, within_m: float) -> Floats | None:
    """Where on a line, (3,) [m], it is so near to another shape that the one is fixed to the other, both as modelled;
    None where it is nowhere."""
    if not len(line) or not len(other):
        return None
    corners, others = (shape.vertices.reshape(-1, 3) for shape in (line, other))
    thick = float(line.radius.max() + other.radius.max()) + within_m
    apart = np.maximum(corners.min(axis=0) - others.max(axis=0), others.min(axis=0) - corners.max(axis=0))
    if (apart > thick).any():
        return None
    gap, _, (at, _) = between(line, other)
    return np.asarray(at, float) if gap <= within_m else None


def _on(site: Site, own: str, at: Point, hung: HungWire) -> OnWire | None:
    record, name = hung.record, hung.record.name
    ends = (record.from_m, record.to_m)
    if name == own or any(isinstance(end, Reference) and end.name == own for end in ends):
        return None
    plan = LineString([hung.catenary.start[:2], hung.catenary.end[:2]])
    if distance(plan, PlanPoint(at[:2])) > PLAN_M:
        return None
    bundle = record.bundle if isinstance(record, records.SpanWire) else None
    near = AT_WIRE_M + (bundle.spacing_m if bundle is not None else 0.0)
    points = _drawn(hung)
    start, way = points[:-1], np.diff(points, axis=0)
    share, away = shapes.nearest_on(start, way, at)
    best = int(np.argmin(away))
    foot = start[best] + share[best] * way[best]
    if any(float(np.linalg.norm(foot - end)) <= near for end in _fixed_ends(hung)):
        return None
    words, value = _reference(site, hung, foot)
    strays = strays_m(site, value, place(site, record, value))
    return OnWire(name, words, float(away[best]), strays, near)


def _reference(site: Site, hung: HungWire, foot: Floats) -> tuple[str, Reference]:
    """A point of a wire as a reference: its live end by name, any other by how far along it is."""
    name = hung.record.name
    for end, point in (("start", hung.catenary.start), ("end", hung.catenary.end)):
        if float(np.linalg.norm(foot - point)) <= CHORD_M:
            return f"{name} {end}", Reference(name, end="start" if end == "start" else "end")
    station = _station(site, hung, foot)
    return f"{name} @ {station:.2f}", Reference(name, along_m=station)


def _station(site: Site, hung: HungWire, foot: Floats) -> float:
    """How far along a wire a point of it is, as a reference counts: from its attachment, horizontally."""
    start, end = (np.asarray(point, float)[:2] for point in (hung.catenary.start, hung.catenary.end))
    chord = float(np.linalg.norm(end - start))
    begins = float(np.linalg.norm(start - np.asarray(place(site, hung.record, hung.record.from_m))[:2]))
    along = float((foot[:2] - start) @ (end - start)) / chord if chord > 0.0 else 0.0
    return begins + min(max(along, 0.0), chord)


def _drawn(hung: HungWire) -> Floats:
    """Points (n, 3) [m] of a wire's conductor as stated."""
    if hung.bent is not None:
        return hung.bent.parts(CHORD_M)[0][1]
    return np.array(catenary.nodes(hung.catenary, CHORD_M).points, float)


def _fixed_ends(hung: HungWire) -> Iterator[Floats]:
    """The ends of a wire that nothing moves: given by coordinates, and without a string."""
    record = hung.record
    for which, value, at in (("from", record.from_m, hung.catenary.start), ("to", record.to_m, hung.catenary.end)):
        if not isinstance(value, Reference) and getattr(record, f"{which}_string", None) is None:
            yield np.asarray(at, float)
