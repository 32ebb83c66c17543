"""Owns the ropes that lower a wire and hold it: bodies from its free end to the hands, leg by leg, with their pulleys;
and what of them insulates, at every place of the free end.

A rope is tied to the free end, runs over a pulley where it has one, and ends in hands or at an anchor on the ground.
Its first leg moves with the free end. It sags and is blown no further out of line than it states. A pulley hangs from
something earthed, and is at earth.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body, worker
from clearance.job.carried import earthed_in
from clearance.job.standing import build_of
from clearance.job.tails import way_of
from clearance.result import OpenPoint
from clearance.scene import records, statements
from clearance.scene.assemble import EARTH, Site, place, strays_m
from clearance.scene.naming import free_end_name, pulley_name
from clearance.scene.records import Stage
from clearance.scene.records_statements import HeldTail
from clearance.scene.records_wires import TailRope

Floats = NDArray[np.float64]

TWO = 2
"""Ropes that hold a tail whichever of them fails, at the least; guides are two as well, one to either side."""


def _ropes(site: Site, stage: Stage) -> Iterator[tuple[records.Wire, TailRope]]:
    away = statements.absent(site.scene, stage)
    for name in (*stage.released, *stage.off):
        record = site.wires[name].record
        for rope in record.release.ropes if record.release is not None else ():
            if rope.name not in away:
                yield record, rope


def count(site: Site, stage: Stage, wire: str) -> int:
    """How many ropes are there in a stage that hold the free end of a wire."""
    return sum(record.name == wire for record, _ in _ropes(site, stage))


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
    for record, rope in _ropes(site, stage):
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
    for record, rope in _ropes(site, stage):
        others = [record.name, free_end_name(record.name), pulley_name(rope.name), "ground"]
        others += [person.name for person in site.scene.crew]
        others += [other.name for _, other in _ropes(site, stage) if other.name != rope.name]
        yield from (frozenset((rope.name, other)) for other in others)
        for hung in (rope.name, pulley_name(rope.name)):
            if rope.hangs_from is not None:
                yield frozenset((hung, rope.hangs_from))


def lengths(site: Site, stage: Stage) -> Iterator[tuple[str, str, float, tuple[str, ...]]]:
    """What insulates of every insulating rope of a wire that is not earthed: its name, the wire's, the least length
    left over the stage [m], and how it was reckoned."""
    for record, rope in _ropes(site, stage):
        if record.name in earthed_in(stage) or not statements.insulating(site.scene, rope.name):
            continue
        first = rope.to_m if rope.over_m is None else rope.over_m
        fixed = np.array(place(site, record, first))
        length = _least(site, stage, record.name, fixed) - record.uncertainty_m - strays_m(site, first, tuple(fixed))
        end = "where it is held" if rope.over_m is None else "its pulley, at earth"
        steps = [f"from the free end of {record.name} to {end}, at least {length:.2f} m"]
        if rope.over_m is None:
            hands = max((worker.extent(build_of(person)) for person in site.scene.crew), default=0.0)
            length -= hands
            steps.append(f"less {hands:.2f} m within reach of the crew's hands there")
        else:
            length -= rope.pulley_radius_m
            steps.append(f"less {rope.pulley_radius_m:.2f} m of the pulley")
        if rope.wet_or_dirty_m > 0.0:
            length -= rope.wet_or_dirty_m
            steps.append(f"less {rope.wet_or_dirty_m:.2f} m written off as wet or dirty")
        yield rope.name, record.name, length, tuple(steps)


def _least(site: Site, stage: Stage, wire: str, fixed: Floats) -> float:
    """The least distance of the free end, over its way in a stage, from a fixed point [m]."""
    way = way_of(site, wire)
    low, high = way.length_m, way.length_m
    if wire in stage.released:
        low, high = (0.0, 0.0) if stage.lower_m is None else (stage.lower_m.lo, min(stage.lower_m.hi, way.length_m))
    cuts = sorted({low, high, *(at for at in way.at_m if low < at < high)})
    corners = np.array(way.corners)
    points = np.stack([np.interp(cuts, way.at_m, corners[:, k]) for k in range(3)], axis=1)
    starts, ends = points[:-1] if len(cuts) > 1 else points, points[1:] if len(cuts) > 1 else points
    return float(shapes.nearest_on(starts, ends - starts, fixed)[1].min())


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
