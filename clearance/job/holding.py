"""Owns what holds the end of a rope: somebody who is there and reaches it, or something that stands there.

An end in the air is held by nothing that the scene shows: what holds it in truth is missing from every gap.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache

import shapely

from clearance import shapes
from clearance.bodies import areas
from clearance.errors import InputError
from clearance.job.carried import stands_in
from clearance.job.site_gaps import between
from clearance.job.standing import build_of, crew_there
from clearance.scene.assemble import Site, on_ground
from clearance.scene.records import Point, Stage

HOLDS_M = 1.0
"""[m] What is further than this from an attachment does not hold it. An attachment is often given at the middle of a
beam or in a crossarm's tip, half a metre from the nearest member; hardware takes the rest."""


def is_held(site: Site, at: Point, away: Collection[str]) -> bool:
    """Whether anything that stands at a point, the ground included, is near enough to hold the end of a rope.

    away: bodies that are not there, or give way
    """
    return bool(holders(site, at) - set(away))


@lru_cache(maxsize=1024)
def holders(site: Site, at: Point) -> frozenset[str]:
    """What stands near enough to a point to hold the end of a rope there. What hangs on a wire names it instead: by
    coordinates it would not move with it."""
    mark = shapes.points([at])
    bodies = (body for body in site.bodies if body.kind not in ("ground", "wire") and len(body.shape))
    found = {body.name for body in bodies if between(mark, body.shape)[0] <= HOLDS_M}
    try:
        low = at[2] - on_ground(site.ground, (at[0], at[1]))[2] <= HOLDS_M
    except InputError:
        low = False  # beyond the modelled ground, which is told elsewhere
    return frozenset((*found, *(("ground",) if low else ())))


def in_hands(site: Site, stage: Stage, at: Point) -> tuple[str, ...]:
    """Whoever of the crew has a point within reach from every place they have in a stage."""
    found = []
    for person in crew_there(site, stage):
        build = build_of(person)
        plans = [areas.plan(place.at_m, place.radius_m or 0.0, place.area_m) for place in stands_in(stage, person)]
        if any(plan.distance(shapely.Point(at[:2])) > build.arm_m for plan in plans):
            continue
        try:
            up = at[2] - on_ground(site.ground, (at[0], at[1]))[2]
        except InputError:
            continue
        if up <= build.overhead_reach_m:
            found.append(person.name)
    return tuple(found)
