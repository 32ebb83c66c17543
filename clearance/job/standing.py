"""Owns who and what stands on the ground in a job: people anywhere in their areas, vehicles wherever they may be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from typing import Literal

import shapely

from clearance.bodies import Body, areas, crew, worker
from clearance.errors import InputError
from clearance.scene import records, statements
from clearance.scene.assemble import Site, on_ground
from clearance.scene.records import where


@lru_cache(maxsize=64)
def build_of(person: records.Worker | records.Crew) -> worker.Build:
    """The body of a person in the scene."""
    return worker.build(person.stature_m, person.sex, person.percentile, person.suit_m, person.boots_m, person.helmet_m)


def area_of(person: records.Crew) -> shapely.Polygon:
    """Where the feet of a member of the crew may be, in plan."""
    return areas.plan(person.at_m, person.radius_m, person.area_m)


@lru_cache(maxsize=16)
def crew_bodies(site: Site) -> tuple[Body, ...]:
    """People and vehicles on the ground; the same bodies in every stage."""
    return (*_people(site), *_vehicles(site))


def _people(site: Site) -> Iterator[Body]:
    for person in site.scene.crew:
        arms: Literal["overhead", "down"] = "down" if statements.arms_down(site.scene, person.name) else "overhead"
        try:
            shape = areas.people(site.ground, area_of(person), build_of(person), arms, person.tool_m)
        except InputError as error:
            head = where(site.scene, person, "at_m" if person.area_m is None else "area_m")
            raise InputError([replace(mistake, where=head) for mistake in error.mistakes]) from error
        yield Body(person.name, "crew", shape, job=True, note=_words(person))


def _words(person: records.Crew) -> str:
    """Where a member of the crew may be, as the result tells it."""
    held = f", {person.tool_m:g} m in the hands" if person.tool_m > 0.0 else ""
    anywhere = "anywhere in the area" if person.area_m is not None else f"anywhere within {person.radius_m:g} m"
    return f"stands {anywhere}, the hands wherever they reach{held}"


def _vehicles(site: Site) -> Iterator[Body]:
    for vehicle in site.scene.vehicles:
        length, width, height = vehicle.size_m
        size = (length + 2.0 * vehicle.radius_m, width + 2.0 * vehicle.radius_m, height)
        foot = on_ground(site.ground, (vehicle.centre_m[0], vehicle.centre_m[1]))
        try:
            shape = crew.vehicle(vehicle.centre_m, size, vehicle.heading_deg, foot[2])
        except InputError as error:
            head = where(site.scene, vehicle, "centre_m")
            raise InputError([replace(mistake, where=head) for mistake in error.mistakes]) from error
        yield Body(vehicle.name, "vehicle", shape, job=True)
