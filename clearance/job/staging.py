"""Owns a stage as the engine takes it: the job's bodies put on the site, on links that move, at the potentials of the
stage.

`settings_of(site, stage)` gives the settings to be swept, for the stated posture and for the reach envelope. The
ladder's
chain: along the track on the ground, heading, tilt, lean along and across, then up the ladder to the worker. A range of
    one
value is no parameter: it is a fixed joint.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np

from clearance import shapes
from clearance.bodies import Body, ladder, worker
from clearance.errors import InputError, Mistake
from clearance.job import (
    aerial,
    far_string,
    holding,
    opening,
    parting,
    potentials,
    shifted_bodies,
    shifts,
    tail_ropes,
    whip,
)
from clearance.job.carried import at_join
from clearance.job.leads import lead_body
from clearance.job.rig import Rig, rig_of, stance
from clearance.job.ropes import hauled_bodies, hauls_of, rope_bodies
from clearance.job.setting import Check, Hand, Setting
from clearance.job.standing import build_of, crew_bodies
from clearance.job.tails import tail_pieces
from clearance.motion import placed
from clearance.scene import records, statements
from clearance.scene.assemble import EARTH, Site, place
from clearance.scene.containment import closed_names, with_contained
from clearance.scene.naming import free_end_name, lead_name, piece_name, refuse_twins
from clearance.scene.records import Reference, Stage, where
from clearance.scene.records_step import Step

HULL = "hull"
"""Kind of the pieces of the ladder's hull: they decide which limit a line near them earns, and are no bodies of their
own."""


def settings_of(site: Site, stage: Stage) -> tuple[Setting, ...]:
    """All settings of a stage: posture and, with somebody aloft, reach; one of each per piece of a wire being lowered.

    Whoever climbs changes hands on every rung, and works with either: a posture that has a side is judged mirrored too,
    as a setting of its own, so that nobody has the arms of both at once.

    Where posture, clamp or lead change at the join with the stage before, the join is one more setting: see
    `clearance.job.carried`.

    Raises: InputError for what only geometry shows.
    """
    shifts.shifts_of(site, stage)  # what cannot be solved is refused before anything is swept
    whip.whips(site, stage)  # and so is what cannot hold its tail
    return tuple(_setting(site, *one) for one in _pieces(site, stage))


def setting_at(
    site: Site, stage: Stage, place: int, count: int, like: Setting, lowered: float | None
) -> Setting | None:
    """One setting of a stage, where the others are not needed: that which has its place among so many; where there are
    more now or fewer, that in which a wire is lowered so far [m]. None where there is none such.

    like: what it was on another site: check and hand are the same
    """
    pieces = list(_pieces(site, stage))
    if len(pieces) == count or lowered is None:
        candidates = pieces[place : place + 1]
    else:
        candidates = [one for one in pieces if one[2] is not None and one[2][0] <= lowered <= one[2][1]]
    same = (one for one in candidates if (one[1], one[4]) == (like.check, like.hand))
    return next((_setting(site, *one) for one in same), None)


def _pieces(
    site: Site, stage: Stage
) -> Iterator[tuple[Stage, Check, tuple[float, float] | None, Mapping[str, shapes.Shape], Hand, bool]]:
    """What the settings of a stage are made of, in their order."""
    for piece, tails in tail_pieces(site, stage):
        yield stage, "posture", piece, tails, "right", False
        if records.aloft(site.scene, stage):
            if _has_a_side(site, stage):
                yield stage, "posture", piece, tails, "left", False
            yield stage, "reach", piece, tails, "right", False
    join = at_join(site.scene, stage)
    if join is not None:
        hands: tuple[Hand, ...] = ("right", "left") if _has_a_side(site, join) else ("right",)
        for piece, tails in tail_pieces(site, join):
            yield from ((join, "posture", piece, tails, hand, True) for hand in hands)


def _has_a_side(site: Site, stage: Stage) -> bool:
    """Whether the posture of somebody aloft is another one when it is mirrored: standing, only the tool is in one
    hand."""
    aloft = [person for person in site.scene.workers if person.name in records.aloft(site.scene, stage)]
    return any(person.tool_m > 0.0 or records.posture(stage) != "standing" for person in aloft)


def _setting(
    site: Site,
    stage: Stage,
    check: Check,
    piece: tuple[float, float] | None,
    tails: Mapping[str, shapes.Shape],
    hand: Hand = "right",
    join: bool = False,
) -> Setting:
    changes = shifts.shifts_of(site, stage)
    rig = shifts.rigged(rig_of(site, stage, piece), changes)
    absent = statements.absent(site.scene, stage)
    gone = {*stage.released, *stage.off, *records.gone_along(site.scene, stage), *absent}
    gone |= far_string.replaced(site, tails)
    modelled = {name for change in changes for name in change.wires}
    moved = {entry.wire: entry for entry in stage.disturbed if entry.wire not in modelled}
    bodies = [_disturbed(body, moved.get(body.name)) for body in site.bodies if body.name not in gone]
    rated: dict[str, str] = {}
    for name, shape in tails.items():
        bodies.append(potentials.released(site, stage, name, shape))
        if shape.rate is not None:
            rated[name] = "lower_m"
    for body, parameter in (*far_string.bodies(site, tails), *tail_ropes.bodies(site, stage, tails)):
        bodies.append(body)
        rated |= {} if parameter is None else {body.name: parameter}
    bodies += crew_bodies(site, stage)
    bodies += rope_bodies(site, stage)
    bodies += hauled_bodies(site, stage)
    bodies += opening.openings(site, stage)
    if site.scene.ladder is not None and stage.travel_m is not None:
        bodies += _ladder_bodies(site, stage, rig)
        bodies += _worker_bodies(site, stage, check, rig, hand)
    bodies += aerial.bodies(site, stage, HULL)
    if aerial.device_in(site, stage) is not None:
        bodies += _worker_bodies(site, stage, check, rig, hand)
    bodies, shifted = shifted_bodies.moved_bodies(site, stage, changes, bodies)
    rated |= shifted
    bodies = [_fleeting(stage, body) for body in bodies if body.name not in absent]
    potentials.refuse_unused(site, stage, bodies)
    bodies = [potentials.overridden(site, stage, body) for body in bodies]
    bodies = potentials.attached(site, bodies)
    lowered = rig.box["lower_m"][0] if "lower_m" in rig.box else stage.lower_m.lo if stage.lower_m is not None else 0.0
    bodies, parts = parting.parted(site, stage, bodies, lowered)
    rated |= {parts.free: rated[parts.wire]} if parts is not None and parts.wire in rated else {}
    bodies = _contained(site, bodies, rig, rated)
    refuse_twins(site.scene, (body.name for body in bodies))
    return Setting(
        stage.name,
        check,
        tuple(bodies),
        rig.motion,
        rig.box,
        rated,
        frozenset((*_touching(site, stage, bodies), *parting.touching(site, stage, parts))),
        rig.held,
        parts,
        hand,
        join,
    )


def _fleeting(stage: Stage, body: Body) -> Body:
    """A body that the job brings or takes away is the job's, whatever table of the scene it stands in."""
    brought = isinstance(stage, Step) and body.name in stage.comes_and_goes
    return replace(body, job=True) if brought and not body.job else body


def _contained(site: Site, bodies: list[Body], rig: Rig, rated: Mapping[str, str]) -> list[Body]:
    """The bodies, each closed solid with a point of what the job has inside it at the centre of the box."""
    centre = {name: 0.5 * (low + high) for name, (low, high) in rig.box.items()}

    def there(body: Body) -> shapes.Shape:
        return placed(body.shape, rig.motion, body.link, centre, rated.get(body.name))

    def among(solid: Body, body: Body) -> bool:
        return body.kind != HULL and (solid.job or body.job)

    return with_contained(bodies, closed_names(site.scene), there, among)


def _ladder_bodies(site: Site, stage: Stage, rig: Rig) -> Iterator[Body]:
    entry = site.scene.ladder
    assert entry is not None
    uncertainty = entry.bending_m + rig.fit_m
    shape = _rails(
        entry.length_m, entry.width_m, entry.rail_diameter_m, entry.rung_spacing_m, uncertainty_m=uncertainty
    )
    yield Body(entry.name, "ladder", shape, conductive=False, potential=None, job=True, link="ladder")
    outer = entry.width_m + entry.rail_diameter_m
    for low, high, piece in _hull_pieces(entry.length_m, outer, entry.rail_diameter_m, uncertainty_m=uncertainty):
        yield Body(
            piece_name(entry.name, low, high), HULL, piece, conductive=False, potential=None, job=True, link="ladder"
        )
    for name, low, high in records.metal_parts(entry):
        shape = _rails(
            entry.length_m, entry.width_m, entry.rail_diameter_m, entry.rung_spacing_m, low, high,
            uncertainty_m=uncertainty,
        )  # fmt: skip
        yield _metal(site, entry, name, shape)
    for fitting in entry.fittings:
        shape = _fitting(fitting.from_m, fitting.to_m, outer, fitting.radius_m, uncertainty)
        potential = EARTH if fitting.potential == EARTH else None
        yield Body(fitting.name, "fitting", shape, potential=potential, job=True, link="ladder")
    if entry.platform_m is not None:
        shape = _platform(entry.platform_m, outer, entry.platform_depth_m, entry.tilt_deg, uncertainty)
        name, note = records.platform_name(entry.name), "taken as metal that floats, to either side of the ladder"
        yield Body(name, "fitting", shape, potential=None, job=True, link="ladder", note=note)


def _metal(site: Site, entry: records.Ladder, name: str, shape: shapes.Shape) -> Body:
    """A part of the ladder that nobody says insulates: it conducts.

    The foot is at earth: it stands on the ground, or is held by whoever is below, and a foot that hangs may float too.
    The top floats, or is at whatever the wire is at that the ladder hangs on.
    """
    foot, top = records.metal_names(entry.name)
    potential: str | None = EARTH if name == foot else None
    states: tuple[tuple[str, str | None], ...] = ()
    note = "outside the insulating part, so it conducts"
    host = next((body for body in site.bodies if body.name == entry.hangs_on), None)
    if name == top and host is not None and host.conductive:
        potential, states = host.potential, host.states
        note += f"; it hangs on {host.name}"
    elif name == foot and entry.hangs_on is not None:
        states = ((f"{name} floating", None),)
    return Body(name, "fitting", shape, potential=potential, job=True, link="ladder", states=states, note=note)


def tools_of(site: Site, stage: Stage, setting: Setting) -> tuple[str, ...]:
    """Tools that decide a limit: insulating ropes, and pieces of the ladder's hull but for those under the worker's own
    feet at every climb."""
    entry = site.scene.ladder
    feet = stage.climb_m.lo if stage.climb_m is not None and records.aloft(site.scene, stage) else 0.0
    names = []
    for body in setting.bodies:
        if body.kind == HULL and body.link == "extension":
            names.append(body.name)
        elif body.kind == HULL and entry is not None:
            top = float(body.shape.vertices[:, :, 2].max())
            if top > feet:
                names.append(body.name)
        elif body.kind == "rope" and not body.conductive and len(body.shape):
            names.append(body.name)
    return tuple(names)


_rails, _hull_pieces = lru_cache(maxsize=256)(ladder.rails), lru_cache(maxsize=64)(ladder.hull_pieces)
_fitting, _platform = lru_cache(maxsize=256)(ladder.fitting), lru_cache(maxsize=64)(ladder.platform)
"""The same ladder stands in many stages, and again in each without some statements."""


def _worker_bodies(site: Site, stage: Stage, check: Check, rig: Rig, hand: Hand) -> Iterator[Body]:
    scene = site.scene
    names = records.aloft(scene, stage)
    if len(names) > 1:
        raise InputError(
            Mistake(
                where(scene, stage, "workers"),
                "one worker on the ladder at a time",
                ", ".join(names),
                "write a stage for each",
            )
        )
    for person in scene.workers:
        if person.name not in names:
            continue
        body = build_of(person)
        if check == "posture":
            shape = worker.posture(body, records.posture(stage), person.tool_m, person.hanging_m, hand)
            extent = math.inf
        else:
            restrained = statements.reach_m(scene, person.name)
            reached = body if restrained is None else replace(body, arm_m=min(body.arm_m, restrained))
            shape = worker.reach_envelope(reached, person.trunk_lean_m, person.tool_m, person.hanging_m)
            extent = worker.extent(body, person.tool_m, person.hanging_m)
        entry, device = scene.ladder, aerial.device_in(site, stage)
        off = rig.fit_m + (device.room_m if device is not None else entry.bending_m if entry is not None else 0.0)
        turns = stance(site, stage)[1] if device is None else 0.0
        shape = shapes.thickened(shape, off + turns * np.linalg.norm(shape.vertices, axis=2).max(axis=1))
        bonded = stage.bonded.get(person.name)
        potential: str | None = bonded
        states: tuple[tuple[str, str | None], ...] = ()
        if bonded is not None:
            lost = "not yet bonded" if stage.kind == "bond on" else "bond lost"
            states = ((lost, None),)
        elif stage.kind in records.AT_FOOT:
            potential, states = EARTH, (("off the ground", None),)
        yield Body(
            person.name, "worker", shape, potential=potential, job=True, link="worker", extent_m=extent, states=states
        )
        if bonded is not None:
            lean = person.trunk_lean_m if check == "reach" else 0.0
            lead = lead_body(site, stage, person.name, body, lean, off + turns * body.stature_m)
            yield from () if lead is None else (lead,)


def _disturbed(body: Body, entry: records.Disturbed | None) -> Body:
    """A wire whose shape the job changes is the job's, wherever it may move by the scene's word."""
    if entry is None or entry.movement_m is None:
        return body
    basis = f"{entry.basis}; " if entry.basis else ""
    note = f"may move {entry.movement_m:g} m: {basis}as stated, not modelled"
    note = "; ".join(filter(None, (body.note, note)))
    return replace(body, job=True, shape=shapes.thickened(body.shape, entry.movement_m), note=note)


def _touching(site: Site, stage: Stage, bodies: list[Body]) -> Iterator[frozenset[str]]:
    """Pairs that are meant to touch: stated, or by their nature."""
    yield from _meant_to_touch(site, stage, bodies)
    yield from shifted_bodies.touching(site, shifts.shifts_of(site, stage))
    yield from tail_ropes.touching(site, stage)
    yield from far_string.touching(site, stage, bodies)
    scene = site.scene
    on_ladder = [body.name for body in bodies if body.link == "ladder" and body.kind != HULL]
    ropes = [rope.name for rope in scene.ropes]
    aloft = [*records.aloft(scene, stage)]
    for name in (*on_ladder, *ropes, *aloft):
        for other in (*on_ladder, *ropes, *aloft):
            if name != other:
                yield frozenset((name, other))
    device = aerial.device_in(site, stage)
    if device is not None:
        parts = (*records.device_names(device.name), *aloft, *(lead_name(name) for name in aloft))
        for name in parts:
            for other in parts:
                if name != other:
                    yield frozenset((name, other))
    for name in (*on_ladder, *ropes):
        yield frozenset((name, "ground"))
    if scene.ladder is not None and scene.ladder.hangs_on is not None:
        for name in on_ladder:
            yield frozenset((name, scene.ladder.hangs_on))
    # People on the ground take hold of ropes and of the ladder, and of whoever steps on or off it.
    handed = (*ropes, *on_ladder, *(aloft if stage.kind in records.AT_FOOT else ()))
    for name in handed:
        for person in scene.crew:
            yield frozenset((name, person.name))
    for haul in hauls_of(site, stage):
        # It begins in somebody's hands on the ground and ends in those of whoever is aloft, beside the ladder.
        people = (person.name for person in scene.crew)
        for name in (*on_ladder, *ropes, *aloft, *people, *(lead_name(name) for name in aloft), "ground"):
            yield frozenset((name, haul.tool.name))
    if stage.kind in records.AT_FOOT:
        for name in aloft:
            yield frozenset((name, "ground"))
    for name in aloft:
        yield frozenset((name, lead_name(name)))
    for name in stage.released:
        # The far end stays where it is fixed: it touches what it hangs from.
        record = site.wires[name].record
        far = record.to_m if record.release is not None and record.release.free_end == "from" else record.from_m
        point = place(site, record, far)
        if isinstance(far, Reference):
            yield frozenset((name, far.name))
        for body in bodies:
            if body.link is None and _touches(body.shape, point, record.diameter_m):
                yield frozenset((name, body.name))


def _meant_to_touch(site: Site, stage: Stage, bodies: list[Body]) -> Iterator[frozenset[str]]:
    """Pairs stated as meant to touch; whoever bonds or is bonded with what is at that phase, but for a wire that opens,
    closes or moves; and such a wire with what its free end leaves, which the ropes are tied beside."""
    yield from map(frozenset, statements.contacts(site.scene, stage))
    moving = {*stage.released, *map(free_end_name, stage.released)}
    for name, phase in stage.bonded.items():
        for body in bodies:
            if body.name not in moving and body.name != name and _at_phase(site, body, phase):
                yield frozenset((name, body.name))
    tied = ((record, rope.name) for record, rope in holding.ropes_of(site, stage))
    in_place = [(record, name) for record, name in tied if not tail_ropes.is_off(stage, record.name)]
    for record, name in (*((site.wires[name].record, name) for name in stage.released), *in_place):
        free = tail_ropes.free_place(record)
        if isinstance(free, Reference):
            yield frozenset((name, free.name))
        else:
            point = place(site, record, free)
            for body in bodies:
                if body.link is None and body.name != name and _touches(body.shape, point, record.diameter_m):
                    yield frozenset((name, body.name))


def _at_phase(site: Site, body: Body, phase: str) -> bool:
    """Whether a body is at a phase: by its potential, or as a wire of that phase whatever else it may be at."""
    own = site.wires[body.name].record.phase if body.name in site.wires else None
    return body.potential == phase or own == phase


@lru_cache(maxsize=4096)
def _touches(shape: shapes.Shape, point: tuple[float, float, float], radius: float) -> bool:
    from clearance.kernel import pairs

    if len(shape) == 0 or len(shape) > 100_000:
        return False
    ball = shapes.points(np.repeat(np.array([point]), len(shape), axis=0))
    squared, witness = np.empty(len(shape)), np.empty((len(shape), 2, 3))
    pairs.measure(shape.vertices, shape.corners, ball.vertices, ball.corners, squared, witness)
    return bool((np.sqrt(squared) - shape.radius - shape.uncertainty - radius <= 0.01).any())
