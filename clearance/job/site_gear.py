"""Owns what of the job's own gear is looked at before the job: a ladder that ends below the work, or hangs on a wire
that is said to move less than its weight moves it; an aerial device on a slope; what a stage brings; and ropes that
hang on nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from scipy.optimize import brentq

from clearance.bodies import worker
from clearance.bodies.ground import height_at
from clearance.job.footing import first_station, foot_knots, hooks_m, stands
from clearance.job.holding import HOLDS_M, holders
from clearance.job.site_supports import HANGING, absent_throughout
from clearance.job.standing import build_of
from clearance.result import OpenPoint
from clearance.scene import records, statements
from clearance.scene.assemble import Site, place, strays_m
from clearance.scene.plausible import confirmed, confirming, unless_confirmed
from clearance.scene.records import Crew, Ladder, Range, Reference, Rope, Stage, Vehicle, Worker, where
from clearance.scene.records_site import Solid
from clearance.scene.units import GRAVITY_M_S2
from clearance.shapes import Shape

CARRIED_M = 2.0
"""[m] What people bring and take away by hand is no larger: a pulley, a tool box, a barrier (common practice, no
source)."""

PIECES_M = 0.3
"""[m] Things that are brought no further apart count as one (common practice, no source)."""

LIGHTEST_N_M, LIGHTEST_N = 20.0, 600.0
"""[N/m], [N] No ladder, and nobody who is dressed and equipped to work on one, weighs less (common practice, no
source)."""

UPRIGHT_DEG = 1.0
"""[deg] Ground that slopes by more is not level below an aerial device (common practice, no source: makers allow 1 to 5
degrees without levelling)."""

STIFFEST_PA, HEAVIEST_N_M3 = 210e9, 9000.0 * GRAVITY_M_S2
"""[Pa], [N/m3] Over the circle around it no conductor is stiffer than a rod of steel, nor heavier than one of copper:
the one stretches, and the other is lifted, least."""


def of_gear(site: Site) -> tuple[OpenPoint, ...]:
    """What was found, the ladder first."""
    return (*_ladder(site), *_borne(site), *_upright(site), *_brought(site), *_ropes(site))


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


def _borne(site: Site) -> Iterator[OpenPoint]:
    """A wire that a ladder hangs on, stated to move less than the least that the weight on it moves it."""
    ladder = site.scene.ladder
    if ladder is None or ladder.hangs_on is None:
        return
    for stage in site.scene.stages:
        for number, entry in enumerate(stage.disturbed, 1):
            if stage.travel_m is None or entry.wire != ladder.hangs_on or entry.movement_m is None:
                continue
            up = records.aloft(site.scene, stage)
            weight = LIGHTEST_N_M * ladder.length_m + LIGHTEST_N * len(up)
            least = _least_move_m(site, ladder.hangs_on, weight, stage.travel_m)
            head, field, stated = where(site.scene, stage)[-1], f"disturbed {number}.movement_m", entry.movement_m
            if stated < least:
                who = f" with {' and '.join(map(repr, up))} on it" if up else ""
                what = f"{field} {stated:g} m of '{entry.wire}': the lightest ladder of this length{who}, "
                what += f"{weight / 1000:.2f} kN, moves it {least:.2f} m, were it a rod of steel"
                cure = "work it out with the weight of the ladder, the people and the tools on it, or "
                yield from unless_confirmed(site.scene, head, field, stated, what, cure, "moves too little")


def _upright(site: Site) -> Iterator[OpenPoint]:
    """An aerial device on ground that slopes below its chassis: its turret is judged upright."""
    device = site.scene.aerial_device
    if device is None:
        return
    turn = math.radians(device.chassis_deg)
    along, across = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    long, wide = (0.5 * size for size in device.chassis_m[:2])
    ends = [np.array(device.base_m) + part for part in (long * along, -long * along, wide * across, -wide * across)]
    heights = height_at(site.ground, np.array(ends))
    slope = math.degrees(max(math.atan2(abs(float(heights[k] - heights[k + 1])), 2 * half)
                             for k, half in ((0, long), (2, wide))))  # fmt: skip
    entry = where(site.scene, device)[-1]
    if slope > UPRIGHT_DEG:
        off = (device.turret_m + device.boom_m + device.extend_m.hi) * math.sin(math.radians(slope))
        what = f"the ground below its chassis slopes by {slope:.1f} deg, and it is judged with its turret upright: one "
        what += f"that leans with the ground has its tip up to {off:.1f} m elsewhere"
        cure = "stand it on level ground, or level it by its supports and say who checks that: "
        yield from unless_confirmed(site.scene, entry, "base_m", device.base_m, what, cure, "stands level")


def _least_move_m(site: Site, name: str, weight_N: float, stations: Range) -> float:
    """The least that a weight lowers a wire where it hangs [m], at that of some stations where it lowers it most.

    A shallow span between fixed ends, as long as before but for its stretch. With the shear V of a beam of this span
    under its loads, the wire is longer than its chord by the integral of V^2 / 2 H^2, and lies lower by the moment of
    the beam over H. What the ends give way lowers it more.
    """
    hung = site.wires[name]
    span, record = hung.catenary.span_m, hung.record
    bundle = getattr(record, "bundle", None)
    area = math.pi / 4 * record.diameter_m**2 * (bundle.count if bundle is not None else 1)
    unit = record.weight_N_m or HEAVIEST_N_M3 * area
    bare, stiff = unit**2 * span**3 / 12, STIFFEST_PA * area
    longer_m = hung.catenary.length_m - math.hypot(span, hung.catenary.rise_m)
    # Loads at points leave of the curve its length alone.
    before = unit * hung.catenary.constant_m if hung.bent is None else math.sqrt(bare / 2 / max(longer_m, 1e-9))

    def lowered(station: float) -> float:
        arm = station * (span - station)
        laden = bare + unit * weight_N * arm + weight_N**2 * arm / span

        def longer(tension: float) -> float:
            return laden / (2 * tension**2) - bare / (2 * before**2) - span * (tension - before) / stiff

        after = brentq(longer, before, before * math.sqrt(laden / bare) * (1 + 1e-9))
        return (unit * arm / 2 + weight_N * arm / span) / after - unit * arm / 2 / before

    first = first_station(site, name)
    low, high = (min(max(end - first, 0.0), span) for end in (stations.lo, stations.hi))
    middle = min(max(span / 2, low), high)
    return max(map(lowered, (low, middle, high)))


def _brought(site: Site) -> Iterator[OpenPoint]:
    """Things of the site, and vehicles, that a stage brings or takes away though nobody carries them: before, or after,
    they count as not there, with nobody's word for it. And people and ropes that are there only with nobody aloft."""
    scene = site.scene
    shapes = {body.name: body.shape for body in site.bodies if len(body.shape)}
    fleeting = {name for stage in scene.stages if stage.kind in ("bring", "take away") for name in stage.bodies}
    solids = {solid.name: solid for solid in scene.solids if solid.name in shapes}
    sizes = {name: _length_m([shapes[name] for name in run])
             for run in _runs({name: shapes[name] for name in solids if name in fleeting}) for name in run}  # fmt: skip
    sizes |= {one.name: math.hypot(*one.size_m) for one in scene.vehicles}
    things: dict[str, Solid | Vehicle] = {**solids, **{one.name: one for one in scene.vehicles}}
    for stage in scene.stages:
        for name in stage.bodies if stage.kind in ("bring", "take away") else ():
            if sizes.get(name, 0.0) > CARRIED_M:
                rest = "before it" if stage.kind == "bring" else "after it"
                what = (
                    f"{sizes[name]:.1f} m large, and stage '{stage.name}' is to {stage.kind} it: {rest} it is judged "
                )
                how = "people carry it" if name in solids else "it comes and goes then"
                cure = f"leave it there in all stages, or say on what rests that {how}"
                yield from _put_there(scene, things[name], f"{what}judged nowhere", cure)
    up = [stage for stage in scene.stages if records.aloft(scene, stage)]
    coming: tuple[Crew | Rope, ...] = (*scene.crew, *scene.ropes)
    for entry in coming:
        # Somebody who is aloft in a stage is judged there.
        worker = entry.worker if isinstance(entry, Crew) else None
        asked = [stage for stage in up if worker not in records.aloft(scene, stage)]
        if asked and all(entry.name in statements.not_there(scene, stage) for stage in asked):
            what = "there only while nobody is aloft: judged beside nobody"
            yield from _put_there(scene, entry, what, "bring it before, or say on what rests that it comes then")


def _runs(shapes: Mapping[str, Shape]) -> Iterator[tuple[str, ...]]:
    """What is brought in pieces that follow one another, as one thing: a mast of boxes, one on another."""
    boxes = {name: (shape.vertices.min(axis=(0, 1)), shape.vertices.max(axis=(0, 1))) for name, shape in shapes.items()}
    left = list(boxes)
    while left:
        run = [left.pop(0)]
        for one in run:
            low, high = boxes[one]
            near = [name for name in left
                    if (np.maximum(low - boxes[name][1], boxes[name][0] - high) <= PIECES_M).all()]  # fmt: skip
            left = [name for name in left if name not in near]
            run += near
        yield tuple(run)


def _length_m(shapes: Sequence[Shape]) -> float:
    corners = np.concatenate([shape.vertices.reshape(-1, 3) for shape in shapes])
    return float(np.linalg.norm(corners.max(axis=0) - corners.min(axis=0)))


def _put_there(
    scene: records.Scene, record: Solid | Vehicle | Crew | Rope, what: str, cure: str
) -> Iterator[OpenPoint]:
    entry = where(scene, record)[-1]
    yield from unless_confirmed(scene, entry, "name", record.name, what, f"{cure}: ", "put there")


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
