"""Owns who and what stands on the ground in a stage: people anywhere in their areas, vehicles wherever they may be.

Who goes to another place in a stage may be anywhere between there and where they were: in the hull of both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, NoReturn

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from clearance.bodies import Body, areas, crew, worker
from clearance.bodies.solid import box, turned_about_z
from clearance.errors import InputError
from clearance.job.carried import stands_in
from clearance.scene import records, statements
from clearance.scene.assemble import Site, on_ground
from clearance.scene.records import Stage, Stand, Vehicle, where
from clearance.shapes import Shape


@lru_cache(maxsize=64)
def build_of(person: records.Worker | records.Crew) -> worker.Build:
    """The body of a person in the scene."""
    return worker.build(person.stature_m, person.sex, person.percentile, person.suit_m, person.boots_m, person.helmet_m)


def area_of(stage: Stage, person: records.Crew) -> shapely.Polygon:
    """Where the feet of a member of the crew may be in a stage, in plan."""
    return _between(stands_in(stage, person))


def crew_there(site: Site, stage: Stage) -> tuple[records.Crew, ...]:
    """The members of the crew who are there in a stage."""
    away = statements.absent(site.scene, stage)
    return tuple(person for person in site.scene.crew if person.name not in away)


@dataclass(frozen=True)
class Off:
    """How far a member of the crew stays from some ground in plan, counted from the shoulders [m]; where on that
    ground, and where they stand there."""

    gap_m: float
    on_it: tuple[float, float]
    foot: tuple[float, float, float]


def off_ground(site: Site, stage: Stage, person: records.Crew, zone: BaseGeometry) -> Off:
    """How far somebody stays from a zone of the ground, wherever in their area they stand."""
    area, build = area_of(stage, person), build_of(person)
    half = 0.5 * build.bideltoid_m + build.suit_m + build.spread_m
    on_it, nearest = nearest_points(zone, area)
    foot = on_ground(site.ground, (float(nearest.x), float(nearest.y)))
    return Off(area.distance(zone) - half, (float(on_it.x), float(on_it.y)), foot)


@lru_cache(maxsize=256)
def _between(places: tuple[Stand, ...]) -> shapely.Polygon:
    """Every area, and what is between them."""
    parts = [areas.plan(place.at_m, place.radius_m or 0.0, place.area_m) for place in places]
    hull = shapely.union_all(parts).convex_hull
    assert isinstance(hull, shapely.Polygon)
    return hull


def crew_bodies(site: Site, stage: Stage) -> tuple[Body, ...]:
    """People and vehicles on the ground; the same bodies in every stage that they stand at the same places in."""
    people = (_person(site, person, stands_in(stage, person)) for person in site.scene.crew)
    vehicles = (_vehicle(site, vehicle, stands_in(stage, vehicle)) for vehicle in site.scene.vehicles)
    return (*people, *vehicles)


@lru_cache(maxsize=256)
def _person(site: Site, person: records.Crew, places: tuple[Stand, ...]) -> Body:
    arms: Literal["overhead", "down"] = "down" if statements.arms_down(site.scene, person.name) else "overhead"
    try:
        shape = areas.people(site.ground, _between(places), build_of(person), arms, person.tool_m)
    except InputError as error:
        _refuse(site, person, places, "at_m" if places[-1].area_m is None else "area_m", error)
    return Body(person.name, "crew", shape, job=True, note=_words(person, places))


def _refuse(
    site: Site, entry: records.Crew | Vehicle, places: tuple[Stand, ...], field: str, error: InputError
) -> NoReturn:
    """Raise what is wrong with a place, at the stage that says it, or at the entry."""
    head = where(site.scene, entry, field)
    for stage in site.scene.stages:
        if places[-1] in stage.stands:
            head = where(site.scene, stage, f"stands: {entry.name}", field)
    raise InputError([replace(mistake, where=head) for mistake in error.mistakes]) from error


def _words(person: records.Crew, places: tuple[Stand, ...]) -> str:
    """Where a member of the crew may be, as the result tells it."""
    held = f", {person.tool_m:g} m in the hands" if person.tool_m > 0.0 else ""
    last = places[-1]
    anywhere = "anywhere in the area" if last.area_m is not None else f"anywhere within {last.radius_m:g} m"
    if len(places) > 1:
        anywhere = "anywhere between two places that they go between"
    return f"stands {anywhere}, the hands wherever they reach{held}"


def ground_of(site: Site, stage: Stage, vehicle: Vehicle) -> shapely.Polygon:
    """The ground in plan that a vehicle may stand on in a stage."""
    corners = _vehicle(site, vehicle, stands_in(stage, vehicle)).shape.vertices.reshape(-1, 3)
    hull = shapely.MultiPoint(corners[:, :2]).convex_hull
    assert isinstance(hull, shapely.Polygon)
    return hull


@lru_cache(maxsize=256)
def _vehicle(site: Site, vehicle: Vehicle, places: tuple[Stand, ...]) -> Body:
    try:
        shapes = [_standing(site, vehicle, place) for place in places]
        shape = shapes[0] if len(shapes) == 1 else _driven(site, shapes, places[-1].heading_deg or 0.0)
    except InputError as error:
        _refuse(site, vehicle, places, "centre_m" if len(places) == 1 else "at_m", error)
    return Body(vehicle.name, "vehicle", shape, job=True)


def _standing(site: Site, vehicle: Vehicle, place: Stand) -> Shape:
    """A vehicle at a place: as high over the ground there as its entry has it over the ground where that puts it."""
    length, width, height = vehicle.size_m
    around = 2.0 * (place.radius_m or 0.0)
    x, y, z = vehicle.centre_m
    foot = on_ground(site.ground, place.at_m)[2]
    middle = z if place.at_m == (x, y) else z - on_ground(site.ground, (x, y))[2] + foot
    size = (length + around, width + around, height)
    return crew.vehicle((*place.at_m, middle), size, place.heading_deg or 0.0, foot)


def _driven(site: Site, standing: list[Shape], heading_deg: float) -> Shape:
    """A box along a heading that holds a vehicle at every place and all the way between them, where the ground may be
    higher."""
    turned = turned_about_z(heading_deg)
    corners = np.concatenate([shape.vertices.reshape(-1, 3) for shape in standing])
    along = corners @ turned  # in the frame of the heading
    low, high = along.min(axis=0), along.max(axis=0)
    hull = shapely.MultiPoint(corners[:, :2]).convex_hull
    assert isinstance(hull, shapely.Polygon)
    land = np.concatenate(areas.pieces(site.ground, hull))[:, 2]
    tall = max(float(np.ptp(shape.vertices[..., 2])) for shape in standing)
    bottom, top = min(low[2], float(land.min())), max(high[2], float(land.max()) + tall)
    middle = turned @ np.array([*(0.5 * (low[:2] + high[:2])), 0.5 * (bottom + top)])
    return box(middle, [*(high[:2] - low[:2]), top - bottom], heading_deg)
