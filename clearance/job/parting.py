"""Owns the point where a connection opens or closes: where it is, and how far people keep from it.

An opening under voltage draws an arc, however small the current. The stage states the distance everybody keeps from
it; it is judged like an approach, from the stated posture: hands are kept away by the tool that opens.
"""

from __future__ import annotations

from collections.abc import Iterator

from clearance import shapes
from clearance.bodies import Body
from clearance.scene import records
from clearance.scene.assemble import Site, strays_m
from clearance.scene.records import Stage

OPENING = "opening"
"""Kind of the point where a connection opens or closes: it has no breadth, and is no conductor of its own."""


def opening_name(wire: str) -> str:
    """Name of the point where a wire's connection opens or closes.

    >>> opening_name("dropper A")
    'where dropper A opens'
    """
    return f"where {wire} opens"


def openings(site: Site, stage: Stage) -> Iterator[Body]:
    """The points of a stage in which a connection is parted or made: the free end of each wire, at its place."""
    if stage.kind not in ("release", "join"):
        return
    for name in stage.released:
        hung = site.wires[name]
        release = hung.record.release
        if release is not None:
            free = hung.catenary.start if release.free_end == "from" else hung.catenary.end
            held = hung.record.from_m if release.free_end == "from" else hung.record.to_m
            point = shapes.points([list(free)], slack=hung.record.slack_m + strays_m(site, held, free))
            yield Body(opening_name(name), OPENING, point, conductive=False, potential=None, job=True)


def kept_away(site: Site, stage: Stage) -> Iterator[tuple[str, str, float]]:
    """Who keeps away from which point, and how far [m]: everybody aloft and on the ground."""
    if stage.kind not in ("release", "join") or stage.parting_distance_m is None:
        return
    present = [person.name for person in site.scene.crew if person.name not in stage.absent]
    for wire in stage.released:
        for person in (*records.aloft(site.scene, stage), *present):
            yield person, opening_name(wire), stage.parting_distance_m
