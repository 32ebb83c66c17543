"""Owns what else of the site is looked at before the job: what wires hang on, where the modelled
ground ends, and whether the line is where the job is.

A wire whose end hangs on nothing is no mistake by itself: a span may be modelled without its towers. But a support is
earthed metal, and one that is missing near the job is missing from every gap.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from clearance import shapes
from clearance.bodies import Body, ground
from clearance.engine import still_gap
from clearance.errors import InputError
from clearance.gaps import EARTH
from clearance.job.carried import stands_in
from clearance.job.footing import foot_knots, hooks_m
from clearance.job.holding import HOLDS_M
from clearance.job.measuring import Bench
from clearance.job.site_hanging import hanging, hangs, of_places, of_solids, on_wire
from clearance.job.site_heights import ground_m, of_heights
from clearance.job.site_sags import listed, sags, uplifted
from clearance.job.site_thin import of_thin
from clearance.job.standing import area_of, ground_of
from clearance.result import OpenPoint
from clearance.scene import records
from clearance.scene.assemble import Site, place
from clearance.scene.plausible import confirmed, confirming, unless_confirmed
from clearance.scene.records import Point, Reference, Stage
from clearance.scene.records_statements import Absent

HANGING: Final = "hangs on nothing"
FAR: Final = "far away"

NEAR_JOB_M = 15.0
"""[m] A missing support or missing ground this near to the job, in plan, may be what the job comes too near to: more
than the greatest limit and the size of a structure together. Common practice, no source."""

FAR_M = 50.0
"""[m] No job is about a phase further away than this; a grid that was shifted, or a sign, puts it there. Nor does
anybody of its crew stand there."""

ALL_FAR_M = 20.0
"""[m] Where nothing live is nearer than this, nothing is left to be judged: heights in feet or of another datum, or a
job that is elsewhere. Common practice, no source: under a line whose conductors are higher still nobody works from the
ground beside them."""

ALOFT_FAR_M = 10.0
"""[m] The same where somebody is aloft: a ladder, or a boom, is raised to a conductor. One at 5 m over the ground that
is given in feet comes to 16 m, and is as far from a ladder below it."""

OVERHEAD_M = 3.0
"""[m] How high somebody on the ground reaches with empty hands (common practice, no source)."""

REACH_M = 2.5
"""[m] How far a worker with a tool gets beyond the ladder or the platform, in plan: a hand at 0.9 m, a lean, a tool."""

Floats = NDArray[np.float64]
Mark = tuple[str, str, Body]


def marks_of(site: Site) -> tuple[Mark, ...]:
    """A point at every attachment that is given by coordinates: (wire, field, body), to be measured from."""
    return tuple(
        (name, field, Body(f"{name} {field}", "mark", shapes.points([at])))
        for name, hung in site.wires.items()
        for field in ("from_m", "to_m")
        if not isinstance(at := getattr(hung.record, field), Reference)
    )


def absent_throughout(site: Site) -> frozenset[str]:
    """Bodies that a statement says are not there in any stage: what the result is with them is told beside it."""
    said = (entry for entry in site.scene.statements if isinstance(entry, Absent) and entry.stages is None)
    return frozenset(name for entry in said for name in entry.bodies)


def of_supports(bench: Bench, marks: Sequence[Mark]) -> tuple[OpenPoint, ...]:
    """What was found, the undecided first."""
    site = bench.site
    job = where_the_job_is(site)
    found = [
        *_far_phases(site),
        *_far_people(site),
        *_unsupported(bench, marks, job),
        *of_heights(site, marks, lambda mark: _held_by_any(bench, mark)),
        *of_places(site),
        *of_solids(site),
        *of_thin(site),
        *uplifted(site),
        *sags(site),
        *_beyond_ground(site, job),
    ]
    return tuple(sorted(found, key=lambda point: point.verdict == "clear"))


def where_the_job_is(site: Site, crew: bool = True) -> BaseGeometry | None:
    """Everywhere in plan that the job's people and things can be, somewhat enlarged; None where nothing says it.

    crew: whether those on the ground count, and vehicles; else only where the work is
    """
    scene = site.scene
    parts: list[BaseGeometry] = []
    for stage in scene.stages:
        if stage.travel_m is not None and scene.ladder is not None and (way := _way(site, scene.ladder)) is not None:
            spread = scene.ladder.length_m * math.sin(_lean(scene.ladder, stage))
            parts.append(substring(way, stage.travel_m.lo, stage.travel_m.hi).buffer(spread + REACH_M))
    device = scene.aerial_device
    if device is not None:
        far = device.boom_m + device.extend_m.hi + device.ahead_m + max(device.platform_m) + REACH_M
        parts.append(shapely.Point(device.base_m).buffer(far))
    for stage in scene.stages if crew else ():
        parts += [area_of(stage, person).buffer(REACH_M) for person in scene.crew]
        parts += [ground_of(site, stage, vehicle) for vehicle in scene.vehicles]
    for hung in site.wires.values():
        if hung.record.release is not None:
            ends = [hung.catenary.start[:2], hung.catenary.end[:2]]
            parts.append(shapely.LineString([*ends, place(site, hung.record, hung.record.release.lowered_to_m)[:2]]))
    return shapely.union_all(parts) if parts else None


def _way(site: Site, ladder: records.Ladder) -> shapely.LineString | None:
    """Where the ladder travels in plan: its track, or the wire it hangs on."""
    if site.scene.track is not None:
        return shapely.LineString(site.scene.track.points_m)
    hung = site.wires.get(ladder.hangs_on or "")
    if hung is None:
        return None
    return shapely.LineString([place(site, hung.record, end)[:2] for end in (hung.record.from_m, hung.record.to_m)])


def _lean(ladder: records.Ladder, stage: Stage) -> float:
    """How far from the vertical the ladder may stand in a stage [rad], at most a right angle."""
    leans = (stage.lean_along_deg, stage.lean_across_deg)
    return math.radians(min(90.0, abs(ladder.tilt_deg) + sum(max(abs(lean.lo), abs(lean.hi)) for lean in leans)))


def off(job: BaseGeometry | None, at: Point) -> float:
    """How far a place is from where the job can be, in plan [m]; nothing where that is not known."""
    return 0.0 if job is None else float(job.distance(shapely.Point(at[0], at[1])))


def _far_phases(site: Site) -> Iterator[OpenPoint]:
    """Phases of which nothing is near the work at all, or where nothing live is near it."""
    job, top = where_the_job_is(site, crew=False) or where_the_job_is(site), _top_m(site)
    if job is None:
        return
    away = {phase: _distance(site, job, top, phase) for phase in site.live}
    aloft = any(records.aloft(site.scene, stage) for stage in site.scene.stages)
    all_far = ALOFT_FAR_M if aloft else ALL_FAR_M
    near = FAR_M if any(distance <= all_far for distance in away.values()) else all_far
    for circuit in site.scene.circuits:
        entry = f"circuit '{circuit.name}'"
        far = {phase: away[phase] for phase in circuit.phases if near < away.get(phase, 0.0) < math.inf}
        # Only the phases that are far are confirmed: no line that was moved as a whole is.
        if far:
            named = " and ".join(f"phase {phase} ({distance:.0f} m)" for phase, distance in far.items())
            what = f"{named} further than {near:g} m from everywhere the job can be: is the line where the job is?"
            cure = (
                "check the places of its wires and the unit and datum of their heights, the origin and the track, or "
            )
            yield from unless_confirmed(site.scene, entry, "phases", tuple(far), what, cure, FAR)


def _far_people(site: Site) -> Iterator[OpenPoint]:
    """Crew and vehicles that are nowhere near the work in any stage: a slip in a place, and nobody is judged there."""
    job = where_the_job_is(site, crew=False)
    scene = site.scene
    # While somebody is aloft, where anybody ever is: who comes near only once all is over is judged in nothing.
    stages = [stage for stage in scene.stages if records.aloft(scene, stage)] or scene.stages
    people = [(one, "at_m", one.at_m, [area_of(stage, one) for stage in stages]) for one in scene.crew]
    things = [(one, "centre_m", one.centre_m, [ground_of(site, stage, one) for stage in stages])
              for one in scene.vehicles]  # fmt: skip
    for entry, field, at, areas in (*people, *things) if job is not None else ():
        away_m = min((area.distance(job) for area in areas), default=0.0)
        name = records.where(scene, entry)[-1]
        if away_m > FAR_M:
            what = f"{away_m:.0f} m from everywhere the work can be, in every stage: nobody is judged where they stand"
            yield from unless_confirmed(scene, name, field, at, what, "mend its place, or ", FAR)


def _top_m(site: Site) -> float:
    """How high the job's ladder or device gets at most, or where it has none its vehicles and crew [m]."""
    scene, tops = site.scene, [-math.inf]
    if scene.ladder is not None:
        for stage in scene.stages:
            if stage.travel_m is not None:
                knots, _ = foot_knots(site, stage)
                tops.append(float(knots[:, 3].max()) + hooks_m(scene) + scene.ladder.length_m)
    device = scene.aerial_device
    if device is not None:
        base = float(ground.height_at(site.ground, np.array([device.base_m]))[0])
        tops.append(base + device.turret_m + device.boom_m + device.extend_m.hi)
    if len(tops) == 1:
        tops += [vehicle.centre_m[2] + vehicle.size_m[2] / 2 for vehicle in scene.vehicles]
        on_foot = [stand.at_m for stage in scene.stages for person in scene.crew for stand in stands_in(stage, person)]
        tops += [ground_m(site, at) + OVERHEAD_M for at in on_foot]
    return max(tops)


def _distance(site: Site, job: BaseGeometry, top: float, phase: str) -> float:
    """How far the nearest conductor of a phase is from the work [m], in plan and above its top; infinite where there is
    none."""
    bodies = [body for body in site.bodies if body.conductive and body.potential == phase and len(body.shape)]
    found = [math.inf]
    for body in bodies:
        above = np.maximum(body.shape.vertices[:, :, 2].min(axis=1) - top, 0.0) if math.isfinite(top) else 0.0
        found.append(float(np.hypot(_plan_distances(body, job), above).min()))
    return min(found)


def plan_m(body: Body, job: BaseGeometry) -> float:
    """How far a body is from a place, in plan [m]."""
    return float(_plan_distances(body, job).min())


def _plan_distances(body: Body, job: BaseGeometry) -> Floats:
    """How far each primitive of a body is from a place, in plan [m]."""
    corners = body.shape.vertices[:, :, :2]
    hulls = shapely.convex_hull(shapely.linestrings(corners[:, [0, 1, 2, 0]]))
    return np.asarray(shapely.distance(hulls, job), float)


def _unsupported(bench: Bench, marks: Sequence[Mark], job: BaseGeometry | None) -> Iterator[OpenPoint]:
    """Ends of wires that hang on nothing: undecided near the job, else told together."""
    site, far = bench.site, list[str]()
    for name, field, mark in marks:
        at: Point = getattr(site.wires[name].record, field)
        entry = f"wire '{name}'"
        on, held = on_wire(site, name, at), _held(bench, name, at, mark)
        if on is not None and hangs(site, name, on, held):
            yield OpenPoint(entry, *hanging(field, on))
            continue
        if held or confirmed(site.scene, entry, field, at, HANGING):
            continue
        away_m = off(job, at)
        if away_m > NEAR_JOB_M:
            far.append(f"'{name}' {field}")
            continue
        what = (
            f"its end at {field}, x {at[0]:.2f}, y {at[1]:.2f}, z {at[2]:.2f} m, hangs on nothing within "
            f"{HOLDS_M:g} m: what holds it there is not in the scene, {away_m:.0f} m from the job and perhaps earthed"
        )
        cure = (
            "add the structure or the insulator that it hangs on, or, where nothing earthed is there, "
            f"{confirming(entry, field, at, doubt=HANGING)}"
        )
        yield OpenPoint(entry, what, cure)
    if far:
        what = (
            f"ends that hang on nothing: {listed(far)}. They are more than {NEAR_JOB_M:g} m from the job; the "
            "structures that hold them are earthed and are not judged, for they are not in the scene"
        )
        yield OpenPoint("wires", what, "add these structures if anything of the job comes near them", "clear")


def _held_by_any(bench: Bench, mark: Mark) -> bool:
    name, field, body = mark
    return _held(bench, name, getattr(bench.site.wires[name].record, field), body)


def _held(bench: Bench, name: str, at: Point, mark: Body) -> bool:
    """Whether anything of the site that can hold the end of a wire is near enough.

    What can is earthed, or an insulator. A live solid holds nothing unless something holds it in turn, and what hangs
    on another wire names it: by coordinates a wire holds nothing, for it moves.
    """
    site = bench.site
    own = {name, *(f"{name} {end} string" for end in ("from", "to"))}
    own |= {f"{string} fittings" for string in own}
    potential = site.wires[name].bodies[0].potential
    left = [
        body
        for body in site.bodies
        if body.name not in own and body.name not in absent_throughout(site) and len(body.shape)
        if body.shape in bench.engine.index and not _ends_here(site, body.name, name, at)
        if body.kind != "wire"
        if body.potential in (EARTH, potential) or not body.conductive or body.kind == "fitting"
    ]
    found = [mark]
    while found:
        here = found.pop()
        near = [body for body in left if _within_reach(bench, here, body)]
        if any(body.kind != "solid" or body.potential == EARTH for body in near):
            return True
        found += near
        left = [body for body in left if body not in near]
    return False


def _within_reach(bench: Bench, one: Body, other: Body) -> bool:
    """Whether one body is near enough to hold the other."""
    store = bench.engine.store
    a, b = bench.engine.index[one.shape], bench.engine.index[other.shape]
    apart = np.maximum(
        store.low[store.root[a]] - store.high[store.root[b]], store.low[store.root[b]] - store.high[store.root[a]]
    )
    return bool((apart <= HOLDS_M).all()) and still_gap(bench.engine, a, b)[0] <= HOLDS_M


def _ends_here(site: Site, other: str, name: str, at: Point) -> bool:
    """Whether a body is a wire, or the string of one, that ends here itself or hangs on the wire in question."""
    hung = site.wires.get(other.removesuffix(" fittings").removesuffix(" from string").removesuffix(" to string"))
    if hung is None:
        return False
    ends = (hung.record.from_m, hung.record.to_m)
    if any(isinstance(end, Reference) and end.name == name for end in ends):
        return True
    return any(not isinstance(end, Reference) and math.dist(end, at) <= HOLDS_M for end in ends)


def _beyond_ground(site: Site, job: BaseGeometry | None) -> Iterator[OpenPoint]:
    """Conductors near the job over places where no ground is modelled."""
    for name, hung in site.wires.items():
        body = next(body for body in hung.bodies if body.name == name)
        plan = np.unique(body.shape.vertices[:, :, :2].reshape(-1, 2).round(3), axis=0)
        if job is not None:
            plan = plan[shapely.distance(shapely.points(plan), job) <= NEAR_JOB_M]
        outside = [at for at in plan if not _has_ground(site, at)] if not _has_ground(site, plan) else []
        if outside:
            x, y = outside[0]
            what = f"there is no ground modelled below it at x {x:.2f}, y {y:.2f} m, within {NEAR_JOB_M:g} m of the job"
            yield OpenPoint(f"wire '{name}'", what, "extend the ground: its extent_m, grid or points")


def _has_ground(site: Site, places: Floats) -> bool:
    try:
        ground.height_at(site.ground, places)
    except InputError:
        return False
    return True
