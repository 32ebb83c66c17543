"""Owns the point where a connection opens or closes, and the ground below a loose wire: who keeps away, and how far.

An opening under voltage draws an arc, however small the current. The stage states the distance everybody keeps from
it; it is judged like an approach, from the stated posture: hands are kept away by the tool that opens.
"""

from __future__ import annotations

from collections.abc import Iterator

from shapely.geometry import MultiPoint

from clearance import shapes
from clearance.bodies import Body
from clearance.job.standing import crew_there, off_ground
from clearance.job.tails import along_with, way_of
from clearance.result import Approach, Measure
from clearance.scene import records
from clearance.scene.assemble import Site, strays_m
from clearance.scene.naming import opening_name
from clearance.scene.records import Stage
from clearance.verdict import judge

OPENING = "opening"
"""Kind of the point where a connection opens or closes: it has no breadth, and is no conductor of its own."""


def openings(site: Site, stage: Stage) -> Iterator[Body]:
    """The points of a stage in which a connection is opened or closed: the free end of each wire, at its place."""
    if stage.kind not in ("open", "close"):
        return
    for name in stage.released:
        hung = site.wires[name]
        release = hung.record.release
        if release is not None:
            free = hung.catenary.start if release.free_end == "from" else hung.catenary.end
            held = hung.record.from_m if release.free_end == "from" else hung.record.to_m
            point = shapes.points([list(free)], uncertainty=hung.record.uncertainty_m + strays_m(site, held, free))
            yield Body(opening_name(name), OPENING, point, conductive=False, potential=None, job=True)


def kept_away(site: Site, stage: Stage) -> Iterator[tuple[str, str, float]]:
    """Who keeps away from which point, and how far [m]: everybody aloft and on the ground."""
    if stage.kind not in ("open", "close") or stage.opening_distance_m is None:
        return
    present = [person.name for person in crew_there(site, stage)]
    for wire in stage.released:
        for person in (*records.aloft(site.scene, stage), *present):
            if person == stage.by_hand:
                continue  # held in the hand: what may be opened so is judged in `clearance.job.parting`
            yield person, opening_name(wire), stage.opening_distance_m


def drop_zones(site: Site, stage: Stage) -> Iterator[Approach]:
    """How far everybody on the ground is from below a wire that is opened, lowered or raised, in plan.

    Below it is the hull of its fixed end and of the way of its free end: the tail at rest hangs above no other
    ground. A person counts from the shoulders. Where it may fall is judged in `clearance.job.whip`.
    """
    for name in stage.released:
        hung = site.wires[name]
        release = hung.record.release
        if release is None or release.drop_zone_m is None:
            continue
        ends = [hung.catenary.start, hung.catenary.end, *way_of(site, name).corners]
        below = MultiPoint([(float(x), float(y)) for x, y, _ in ends]).convex_hull
        wide = max((one.radius_m for one in along_with(site, name)), default=0.0)
        for person in crew_there(site, stage):
            off = off_ground(site, stage, person, below)
            gap = max(0.0, off.gap_m - wide)
            points = (off.foot, (*off.on_it, off.foot[2]))
            verdict = judge(gap, gap, release.drop_zone_m)
            measure = Measure(verdict, release.drop_zone_m, gap, gap, {}, (), (person.name, name), points)
            yield Approach(person.name, f"the drop zone of {name}", measure)
