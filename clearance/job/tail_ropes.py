"""Owns the ropes that lower a wire and hold it: bodies from its free end to the hands, leg by leg, with their pulleys.

A rope is tied to the free end, runs over a pulley where it has one, and ends in hands or at an anchor on the ground.
Its first leg moves with the free end. It sags and is blown no further out of line than it states. A pulley hangs from
something earthed, and is at earth.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from clearance import shapes
from clearance.bodies import Body
from clearance.result import OpenPoint
from clearance.scene import records, statements
from clearance.scene.assemble import EARTH, Site, place, strays_m
from clearance.scene.naming import free_end_name, pulley_name
from clearance.scene.records import Stage
from clearance.scene.records_statements import HeldTail
from clearance.scene.records_wires import TailRope


TWO = 2
"""Ropes that hold a tail whichever of them fails, at the least; guides are two as well, one to either side."""


def ropes_of(site: Site, stage: Stage) -> Iterator[tuple[records.Wire, TailRope]]:
    """The wires that are off in a stage, each with every rope of it that is there."""
    away = statements.absent(site.scene, stage)
    for name in (*stage.released, *stage.off):
        record = site.wires[name].record
        for rope in record.release.ropes if record.release is not None else ():
            if rope.name not in away:
                yield record, rope


def count(site: Site, stage: Stage, wire: str) -> int:
    """How many ropes are there in a stage that hold the free end of a wire."""
    return sum(record.name == wire for record, _ in ropes_of(site, stage))


def holds(entry: HeldTail, parked: bool, ropes: int) -> bool:
    """Whether what is stated to hold a tail does: a lashing where it is parked; guides, and ropes of which one may
    fail, only where the scene has two or more; a safety rope by itself."""
    if entry.parked:
        return parked
    return entry.anchor_m is not None or ropes >= TWO


def bodies(site: Site, stage: Stage, tails: Mapping[str, shapes.Shape]) -> Iterator[tuple[Body, str | None]]:
    """The ropes of the wires that are off, and their pulleys, each with the parameter that it deforms with.

    tails: the shapes of those wires, their capsules in a row from the far end to the free one
    """
    for record, rope in ropes_of(site, stage):
        tail = tails[record.name]
        insulates = statements.insulating(site.scene, rope.name)
        over = [np.array(place(site, record, point)) for point in ((rope.over_m,) if rope.over_m is not None else ())]
        corners = [tail.vertices[-1, 1], *over, np.array(place(site, record, rope.to_m))]
        strays = [strays_m(site, point, place(site, record, point)) for point in (rope.over_m, rope.to_m) if point]
        uncertainty = rope.sag_m + max(float(tail.uncertainty[-1]), *strays)
        shape = shapes.polyline(corners, rope.diameter_m / 2, uncertainty)
        if tail.rate is not None:
            rate = np.zeros_like(shape.vertices)
            rate[0, 0] = tail.rate[-1, 1]
            shape = shapes.Shape(shape.vertices, shape.corners, shape.radius, shape.uncertainty, rate)
        note = "" if insulates else "not stated to insulate: taken as earth"
        link, parameter = (None, None) if tail.rate is None else ("tail", "lower_m")
        potential = None if insulates else EARTH
        yield Body(rope.name, "rope", shape, not insulates, potential, job=True, link=link, note=note), parameter
        if over:
            ball = shapes.points(over, rope.pulley_radius_m, max(strays))
            note = "at earth by what it hangs from"
            yield (
                Body(pulley_name(rope.name), "fitting", ball, potential=EARTH, job=True, note=note),
                None,
            )


def touching(site: Site, stage: Stage) -> Iterator[frozenset[str]]:
    """What a rope touches: the wire, its pulley, the crew, the ground, other ropes; a pulley what it hangs from."""
    for record, rope in ropes_of(site, stage):
        others = [record.name, free_end_name(record.name), pulley_name(rope.name), "ground"]
        others += [person.name for person in site.scene.crew]
        others += [other.name for _, other in ropes_of(site, stage) if other.name != rope.name]
        yield from (frozenset((rope.name, other)) for other in others)
        for hung in (rope.name, pulley_name(rope.name)):
            if rope.hangs_from is not None:
                yield frozenset((hung, rope.hangs_from))


def open_points(site: Site, stage: Stage) -> Iterator[OpenPoint]:
    """Wires that are moved by nothing that the scene states, or said to be held by ropes that it does not have."""
    cure = "state release.ropes: name, from the free end over_m its pulley to_m the hands, diameter_m, sag_m"
    for name in (*stage.released, *stage.off):
        ropes, head = count(site, stage, name), f"wire '{name}'"
        if name in stage.released and site.wires[name].record.release is not None and not ropes:
            yield OpenPoint(head, "no rope is there that lowers it and holds it: none is judged", cure)
        for entry in statements.held(site.scene, name):
            if not entry.parked and not holds(entry, False, ropes):
                there = "no rope is" if not ropes else "one rope alone is"
                what = f"said to be held whichever rope fails, and {there} there: that counts for nothing"
                yield OpenPoint(head, what, f"{cure}; two ropes or more")
