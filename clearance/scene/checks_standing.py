"""Owns the checks of where people and vehicles stand: by their entries, and where a stage sends them."""

from __future__ import annotations

from collections.abc import Iterator

import shapely

from clearance.errors import Mistake
from clearance.scene.messages import meant, shown
from clearance.scene.records import Crew, Scene, Stage, Stand, where


def area_mistakes(scene: Scene, person: Crew) -> Iterator[Mistake]:
    """An area stands for a radius, and holds the place."""
    given = "radius_m" in person.model_fields_set
    yield from _area(where(scene, person, "area_m"), person, given)


def _area(head: tuple[str, ...], entry: Crew | Stand, radius: bool) -> Iterator[Mistake]:
    if entry.area_m is None:
        return
    if radius:
        expected, found = "either radius_m or area_m, where the feet may be", "both"
        yield Mistake(head, expected, found, "leave one out")
    if not shapely.MultiPoint(entry.area_m).convex_hull.buffer(1e-6).covers(shapely.Point(entry.at_m)):
        x, y = entry.at_m
        found = f"a place outside it, x {x:g} m, y {y:g} m"
        yield Mistake(head, "an area that at_m is in", found, "mend one of them")


def place_mistakes(scene: Scene, stage: Stage) -> Iterator[Mistake]:
    """Where a stage sends people and vehicles: whom the scene has, once each, and how far about there they may be."""
    crew = tuple(person.name for person in scene.crew)
    vehicles = tuple(vehicle.name for vehicle in scene.vehicles)
    seen: set[str] = set()
    for place in stage.stands:
        head = where(scene, stage, f"stands: {place.who}")
        if place.who not in (*crew, *vehicles):
            expected, remedy = "a member of the crew or a vehicle of this scene", meant(place.who, (*crew, *vehicles))
            yield Mistake(where(scene, stage, "stands"), expected, shown(place.who), remedy)
            continue
        if place.who in seen:
            yield Mistake(head, "one place for each in a stage", "two", "write a stage for each")
        seen.add(place.who)
        if place.radius_m is None and place.area_m is None:
            remedy = "add radius_m" if place.who in vehicles else "add radius_m or area_m"
            yield Mistake((*head, "radius_m"), "how far from at_m they may be", "nothing", remedy)
        yield from _area((*head, "area_m"), place, place.radius_m is not None)
        if place.who in vehicles and place.area_m is not None:
            remedy = "state radius_m instead"
            yield Mistake((*head, "area_m"), "no area_m of a vehicle, which has a size", "an area", remedy)
        if (place.heading_deg is None) == (place.who in vehicles):
            vehicle = place.who in vehicles
            expected = "the direction of its length" if vehicle else "no heading of a person, who turns any way"
            found = "nothing" if vehicle else f"{place.heading_deg:g} deg"
            yield Mistake((*head, "heading_deg"), expected, found, "add it" if vehicle else "leave it out")
