"""Owns what of the job's own gear is looked at before the job: a ladder that ends below the work, and ropes that hang
on nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from clearance.bodies import worker
from clearance.job.footing import foot_knots, hooks_m, stands
from clearance.job.holding import HOLDS_M, holders
from clearance.job.site_supports import HANGING, absent_throughout
from clearance.job.standing import build_of
from clearance.result import OpenPoint
from clearance.scene import records, statements
from clearance.scene.assemble import Site, place, strays_m
from clearance.scene.plausible import confirmed, confirming
from clearance.scene.records import Ladder, Reference, Rope, Stage, Worker, where

CARRIED_M = 2.0
"""[m] What people bring and take away by hand is no larger: a pulley, a tool box, a barrier (common practice, no
source)."""


def of_gear(site: Site) -> tuple[OpenPoint, ...]:
    """What was found, the ladder first."""
    return (*_ladder(site), *_brought(site), *_ropes(site))


def _ladder(site: Site) -> Iterator[OpenPoint]:
    """The furthest that a ladder ends below the belt of somebody on it, and below what somebody bonds to from it."""
    ladder = site.scene.ladder
    if ladder is None or not stands(site.scene):
        return
    entry = where(site.scene, ladder)[-1]
    people = {person.name: person for person in site.scene.workers}
    low: list[tuple[float, str]] = []
    short: list[tuple[float, str]] = []
    for stage in site.scene.stages:
        if stage.travel_m is None or stage.climb_m is None:
            continue
        for name in records.aloft(site.scene, stage):
            person = people[name]
            low.append((stage.climb_m.hi + _belt_m(person) - ladder.length_m, f"'{name}' in stage '{stage.name}'"))
            if name in stage.bonded and stage.clamp_m is not None:
                at = place(site, stage, stage.clamp_m)
                work = at[2] - strays_m(site, stage.clamp_m, at)
                beyond = work - _hands_m(site, stage, ladder, person)
                short.append((beyond, f"'{name}' bonds to in stage '{stage.name}', {work:.2f} m up"))
    if confirmed(site.scene, entry, "length_m", ladder.length_m, "too short"):
        return
    longer = f"take a longer ladder, or {confirming(entry, 'length_m', ladder.length_m, doubt='too short')}"
    above, who = max(low, default=(0.0, ""))
    if above > 0.0:
        what = f"it ends {above:.2f} m below the belt of {who}: there is no ladder to stand against, or to be held by"
        yield OpenPoint(entry, what, f"climb no higher, or {longer}")
    beyond, which = max(short, default=(0.0, ""))
    if beyond > 0.0:
        what = f"it ends below the work: with the belt at its top, hands stay {beyond:.2f} m below what {which}"
        yield OpenPoint(entry, what, f"check where it stands and the height of the clamp, {longer}")


def _belt_m(person: Worker) -> float:
    """Height of the belt above the rung that is stood on [m]."""
    return float(worker.belt(build_of(person))[0][2])


def _hands_m(site: Site, stage: Stage, ladder: Ladder, person: Worker) -> float:
    """How high hands get from a ladder whose top is at the belt, wherever it stands in the stage [m]."""
    assert stage.travel_m is not None
    knots, _ = foot_knots(site, stage)
    stations = [stage.travel_m.lo, stage.travel_m.hi]
    stations += [s for s in knots[:, 0] if stage.travel_m.lo < s < stage.travel_m.hi]
    foot = float(np.interp(stations, knots[:, 0], knots[:, 3]).max()) + hooks_m(site.scene)
    leans = (stage.lean_along_deg, stage.lean_across_deg)
    upright = max(0.0, abs(ladder.tilt_deg) - sum(max(abs(lean.lo), abs(lean.hi)) for lean in leans))
    reach = worker.reach_envelope(build_of(person), person.trunk_lean_m, person.tool_m).bounds[1][2]
    return foot + ladder.length_m * math.cos(math.radians(upright)) - _belt_m(person) + float(reach)


def _brought(site: Site) -> Iterator[OpenPoint]:
    """Things of the site that a stage brings or takes away though nobody carries them: before, or after, they count as
    not there, with nobody's word for it."""
    of_line = {body.name: body for body in site.bodies if len(body.shape)}
    solids = {solid.name: solid for solid in site.scene.solids}
    for stage in site.scene.stages:
        for name in stage.bodies if stage.kind in ("bring", "take away") else ():
            if name not in solids or name not in of_line:
                continue
            corners = of_line[name].shape.vertices.reshape(-1, 3)
            long = float(np.linalg.norm(corners.max(axis=0) - corners.min(axis=0)))
            entry = where(site.scene, solids[name])[-1]
            if long > CARRIED_M and not confirmed(site.scene, entry, "name", name, "put there"):
                rest = "before it" if stage.kind == "bring" else "after it"
                what = (
                    f"{long:.1f} m large, and stage '{stage.name}' is to {stage.kind} it: {rest} it is judged nowhere"
                )
                cure = "leave it there in all stages, or say on what it rests that people carry it: "
                yield OpenPoint(entry, what, f"{cure}{confirming(entry, 'name', name, doubt='put there')}")


def _ropes(site: Site) -> Iterator[OpenPoint]:
    """Ropes whose upper end, and guys whose anchor, is at a point in the air."""
    gone = absent_throughout(site)
    for rope in site.scene.ropes:
        entry = where(site.scene, rope)[-1]
        for field in ("from", "to_m") if rope.guy else ("from",):
            at = rope.from_m if field == "from" else rope.to_m
            if isinstance(at, Reference) or confirmed(site.scene, entry, field, at, HANGING):
                continue
            near, away = sorted(holders(site, at) - gone), _away(site, rope)
            if any(name not in away for name in near):
                continue
            place = f"its end at {field}, x {at[0]:.2f}, y {at[1]:.2f}, z {at[2]:.2f} m, hangs on"
            missing = "what holds it there is not in the scene, and perhaps earthed"
            if near:
                what = f"{place} '{near[0]}', which is not there in '{away[near[0]]}'"
                cure = f"bring '{near[0]}' before the rope, take the rope away before it, or "
            else:
                what = f"{place} nothing within {HOLDS_M:g} m: {missing}"
                cure = (
                    "add the structure or the pulley's arm that it hangs on; where it is on a wire or the ladder, name "
                    "that in its place; or "
                )
            yield OpenPoint(entry, what, f"{cure}{confirming(entry, field, at, doubt=HANGING)}")


def _away(site: Site, rope: Rope) -> dict[str, str]:
    """What is not there in some stage in which a rope is, with the first such stage."""
    found: dict[str, str] = {}
    for stage in site.scene.stages:
        absent = statements.absent(site.scene, stage)
        if rope.name not in absent:
            for name in absent:
                found.setdefault(name, stage.name)
    return found
