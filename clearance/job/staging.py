"""Owns a stage as the engine takes it: the job's bodies put on the site, on links that move, at the potentials of the
stage.

`settings_of(site, stage)` gives the settings to be swept, for the stated posture and for the reach envelope. The
ladder's
chain: along the track on the ground, heading, tilt, lean along and across, then up the ladder to the worker. A
    range of one
value is no parameter: it is a fixed joint.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from clearance import shapes
from clearance.bodies import Body, crew, ground, ladder, wire, worker
from clearance.errors import InputError, Mistake
from clearance.job import parting, potentials
from clearance.job.setting import Check, Setting, inside
from clearance.motion import STILL, Joint, Link, Motion, displacement, placed, rotation_about
from clearance.scene import records, weathered
from clearance.scene.assemble import EARTH, Site, on_ground, place, strays_m
from clearance.scene.containment import closed_names, with_contained
from clearance.scene.records import Range, Reference, Stage, where

HULL = "hull"
"""Kind of the pieces of the ladder's hull: they decide which limit a line near them earns, and are no bodies of their
own."""

TAIL_ERROR_M = 0.1
"""[m] Greatest difference between a wire being lowered and the pieces that stand for it; goes into slack."""

TRACK_STEP_M = 2.0
"""[m] Longest straight piece of a track; the ground between its ends is followed by slack."""


def settings_of(site: Site, stage: Stage) -> tuple[Setting, ...]:
    """All settings of a stage: posture and, with somebody aloft, reach; one of each per piece of a wire being lowered.

    Raises: InputError for what only geometry shows.
    """
    found = []
    for piece, tails in _tail_pieces(site, stage):
        checks: tuple[Check, ...] = ("posture", "reach") if records.aloft(site.scene, stage) else ("posture",)
        for check in checks:
            found.append(_setting(site, stage, check, piece, tails))
    return tuple(found)


def parameters_of(site: Site, stage: Stage) -> dict[str, tuple[float, float]]:
    """Every parameter the stage states, swept or fixed, in the unit of its name."""
    spans: dict[str, Range | None] = {
        "travel_m": stage.travel_m,
        "heading_deg": stage.heading_deg if stage.heading_deg != Range(0.0, 0.0) else None,
        "lean_along_deg": stage.lean_along_deg,
        "lean_across_deg": stage.lean_across_deg,
        "climb_m": stage.climb_m if records.aloft(site.scene, stage) else None,
        "lower_m": stage.lower_m,
    }
    if stage.swing_m > 0.0 and records.aloft(site.scene, stage):
        # The square holds the circle in which one who hangs may swing.
        spans["swing_along_m"] = spans["swing_across_m"] = Range(-stage.swing_m, stage.swing_m)
    return {name: (span.lo, span.hi) for name, span in spans.items() if span is not None}


@dataclass(frozen=True, eq=False)
class _Rig:
    """The links of a stage, and the slack that what rides on them needs."""

    motion: Motion
    box: Mapping[str, tuple[float, float]]
    cuts: tuple[tuple[str, float], ...]
    fit_m: float


def _setting(
    site: Site, stage: Stage, check: Check, piece: tuple[float, float] | None, tails: Mapping[str, shapes.Shape]
) -> Setting:
    rig = _rig(site, stage, piece)
    gone = {*stage.released, *stage.off, *stage.absent}
    moved = {entry.wire: entry for entry in stage.disturbed}
    bodies = [_disturbed(body, moved.get(body.name)) for body in site.bodies if body.name not in gone]
    rated: dict[str, str] = {}
    for name, shape in tails.items():
        bodies.append(potentials.released(site, stage, name, shape))
        if shape.rate is not None:
            rated[name] = "lower_m"
    bodies += _crew_bodies(site)
    bodies += _rope_bodies(site, stage)
    bodies += parting.openings(site, stage)
    if site.scene.ladder is not None and stage.travel_m is not None:
        bodies += _ladder_bodies(site, stage, rig)
        bodies += _worker_bodies(site, stage, check, rig)
    bodies = [potentials.overridden(site, stage, body) for body in bodies if body.name not in stage.absent]
    bodies = _contained(site, bodies, rig, rated)
    return Setting(
        stage.name,
        check,
        tuple(bodies),
        rig.motion,
        rig.box,
        rated,
        rig.cuts,
        frozenset(_touching(site, stage, bodies)),
    )


def _contained(site: Site, bodies: list[Body], rig: _Rig, rated: Mapping[str, str]) -> list[Body]:
    """The bodies, each closed solid with a point of what the job has inside it at the centre of the box."""
    centre = {name: 0.5 * (low + high) for name, (low, high) in rig.box.items()}

    def there(body: Body) -> shapes.Shape:
        return placed(body.shape, rig.motion, body.link, centre, rated.get(body.name))

    def among(solid: Body, body: Body) -> bool:
        return body.kind != HULL and (solid.job or body.job)

    return with_contained(bodies, closed_names(site.scene), there, among)


def _rig(site: Site, stage: Stage, piece: tuple[float, float] | None) -> _Rig:
    """Links of the ladder and the worker; a range of one value becomes a fixed joint."""
    spans = {name: (inside(name, low), inside(name, high)) for name, (low, high) in parameters_of(site, stage).items()}
    if piece is not None:
        spans["lower_m"] = piece
    box = {name: span for name, span in spans.items() if span[1] > span[0] and (name != "lower_m" or piece is not None)}
    links: list[Link] = []
    cuts: list[tuple[str, float]] = []
    fit = 0.0
    scene = site.scene
    if scene.ladder is not None and scene.track is not None and stage.travel_m is not None:
        knots, fit = track_knots(site)
        if not (stage.travel_m.lo >= 0.0 and stage.travel_m.hi <= knots[-1, 0] + 1e-9):
            raise InputError(
                Mistake(
                    where(scene, stage, "travel_m"),
                    f"stations on the track, 0 to {knots[-1, 0]:.2f} m",
                    f"[{stage.travel_m.lo:g}, {stage.travel_m.hi:g}]",
                )
            )
        cuts = [("travel_m", float(station)) for station in knots[1:-1, 0]]
        up, across, along = (0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)
        carriage: tuple[Joint, ...] = (
            _joint("track", "travel_m", spans, box, knots=knots),
            Joint("fixed", rotation=rotation_about(up, math.radians(scene.track.heading_deg))),
        )
        if "heading_deg" in spans:
            carriage = (*carriage, _joint("turn", "heading_deg", spans, box, axis=up))
        tilt = math.radians(scene.ladder.tilt_deg)
        leaning = (
            _joint("turn", "lean_along_deg", spans, box, axis=along),
            _joint("turn", "lean_across_deg", spans, box, axis=across),
            Joint("fixed", rotation=rotation_about(along, tilt)),
        )
        links = [Link("carriage", None, carriage), Link("ladder", "carriage", leaning)]
        if "climb_m" in spans:
            # The worker hangs upright from a tilted ladder.
            upright = Joint("fixed", rotation=rotation_about(along, -tilt))
            hanging: tuple[Joint, ...] = ()
            if "swing_along_m" in spans:
                hanging = (
                    # `across` is the axis of a lean across the heading, which points along it.
                    _joint("slide", "swing_along_m", spans, box, axis=across),
                    _joint("slide", "swing_across_m", spans, box, axis=along),
                )
            links.append(Link("worker", "ladder", (_joint("slide", "climb_m", spans, box, axis=up), upright, *hanging)))
    used = {joint.parameter for link in links for joint in link.joints} | ({"lower_m"} if piece is not None else set())
    box = {name: span for name, span in box.items() if name in used}
    if piece is not None:
        links.append(Link("tail", None, ()))
    if not box:
        return _Rig(Motion(tuple(links), STILL.parameters), {"still": (0.0, 0.0)}, (), fit)
    return _Rig(Motion(tuple(links), tuple(box)), box, tuple(cut for cut in cuts if cut[0] in box), fit)


def _joint(
    kind: str,
    name: str,
    spans: Mapping[str, tuple[float, float]],
    box: Mapping[str, tuple[float, float]],
    axis: tuple[float, float, float] = (0.0, 0.0, 1.0),
    knots: np.ndarray | None = None,
) -> Joint:
    """The joint of a parameter, or a fixed one where the parameter has one value."""
    value = spans[name][0]
    if name in box:
        if knots is not None:
            return Joint("track", name, knots=knots)
        return Joint("slide" if kind == "slide" else "turn", name, axis=axis)
    if knots is not None:
        at = np.array([np.interp(value, knots[:, 0], knots[:, 1 + k]) for k in range(3)])
        return Joint("fixed", translation=at)
    if kind == "slide":
        return Joint("fixed", translation=np.array(axis) * value)
    return Joint("fixed", rotation=rotation_about(axis, value))


@lru_cache(maxsize=16)
def track_knots(site: Site) -> tuple[np.ndarray, float]:
    """Vertices of the track laid on the ground, (n, 4) station and place [m], and how far the ground leaves its pieces
    [m]."""
    track = site.scene.track
    assert track is not None
    corners = np.array(track.points_m, float)
    plan = [corners[0]]
    for start, end in itertools.pairwise(corners):
        pieces = max(1, math.ceil(float(np.linalg.norm(end - start)) / TRACK_STEP_M))
        plan += [start + (end - start) * k / pieces for k in range(1, pieces + 1)]
    try:
        places = np.array([on_ground(site.ground, (float(x), float(y))) for x, y in plan])
    except InputError as error:
        raise InputError(
            [Mistake(where(site.scene, "track", "points_m"), m.expected, m.found, m.remedy) for m in error.mistakes]
        ) from error
    steps = np.linalg.norm(np.diff(places, axis=0), axis=1)
    if not (steps > 0).all():
        raise InputError(
            Mistake(where(site.scene, "track", "points_m"), "corners that differ", "two equal ones in a row")
        )
    misfit = max(float(ground.profile_misfit(site.ground, tuple(a), tuple(b))) for a, b in itertools.pairwise(places))
    fit = misfit if track.fit_m is None else max(track.fit_m, misfit)
    return np.column_stack([np.concatenate([[0.0], np.cumsum(steps)]), places]), fit


def _ladder_bodies(site: Site, stage: Stage, rig: _Rig) -> Iterator[Body]:
    entry = site.scene.ladder
    assert entry is not None
    slack = entry.bending_m + rig.fit_m
    shape = ladder.rails(entry.length_m, entry.width_m, entry.rail_diameter_m, entry.rung_spacing_m, slack_m=slack)
    yield Body(entry.name, "ladder", shape, conductive=False, potential=None, job=True, link="ladder")
    outer = entry.width_m + entry.rail_diameter_m
    for low, high, piece in ladder.hull_pieces(entry.length_m, outer, entry.rail_diameter_m, slack_m=slack):
        yield Body(
            hull_name(entry.name, low, high), HULL, piece, conductive=False, potential=None, job=True, link="ladder"
        )
    for fitting in entry.fittings:
        shape = ladder.fitting(fitting.from_m, fitting.to_m, outer, fitting.radius_m, slack)
        yield Body(fitting.name, "fitting", shape, potential=fitting.potential, job=True, link="ladder")


def hull_name(ladder_name: str, low: float, high: float) -> str:
    """Name of a piece of a ladder's hull."""
    return f"{ladder_name} from {low:.2f} to {high:.2f} m"


def tools_of(site: Site, stage: Stage, setting: Setting) -> tuple[str, ...]:
    """Tools that decide a limit: insulating ropes, and pieces of the ladder's hull but for those under the worker's own
    feet at every climb."""
    entry = site.scene.ladder
    feet = stage.climb_m.lo if stage.climb_m is not None and records.aloft(site.scene, stage) else 0.0
    names = []
    for body in setting.bodies:
        if body.kind == HULL and entry is not None:
            top = float(body.shape.vertices[:, :, 2].max())
            if top > feet:
                names.append(body.name)
        elif body.kind == "rope" and not body.conductive and len(body.shape):
            names.append(body.name)
    return tuple(names)


def build_of(person: records.Worker | records.Crew) -> worker.Build:
    """The body of a person in the scene."""
    return worker.build(person.stature_m, person.sex, person.percentile, person.suit_m, person.boots_m, person.helmet_m)


def _worker_bodies(site: Site, stage: Stage, check: Check, rig: _Rig) -> Iterator[Body]:
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
            shape = worker.posture(body, records.posture(stage), person.tool_m, person.hanging_m)
            extent = math.inf
        else:
            reached = body if person.reach_m is None else replace(body, arm_m=min(body.arm_m, person.reach_m))
            shape = worker.reach_envelope(reached, person.trunk_lean_m, person.tool_m, person.hanging_m)
            extent = worker.extent(body, person.tool_m, person.hanging_m)
        entry = scene.ladder
        shape = shapes.thickened(shape, rig.fit_m + (entry.bending_m if entry is not None else 0.0))
        bonded = stage.bonded.get(person.name)
        potential: str | None = bonded
        states: tuple[tuple[str, str | None], ...] = ()
        if bonded is not None:
            lost = "not yet bonded" if stage.kind == "bonding" else "bond lost"
            states = ((lost, None),)
        elif stage.kind == "mount":
            potential, states = EARTH, (("off the ground", None),)
        yield Body(
            person.name, "worker", shape, potential=potential, job=True, link="worker", extent_m=extent, states=states
        )
        if bonded is not None and stage.bonding_lead_m is not None and stage.clamp_m is not None:
            yield _lead(site, stage, person, rig)


def _lead(site: Site, stage: Stage, person: records.Worker, rig: _Rig) -> Body:
    """The bonding lead: the distances of any point of it to clamp and belt add up to its length at most, so it lies
    within half
    that length of the middle between the two, wherever in the box the belt is."""
    assert stage.clamp_m is not None
    assert stage.bonding_lead_m is not None
    clamp = np.array(place(site, stage, stage.clamp_m))
    belt = shapes.points([[0.0, 0.0, 0.6 * build_of(person).stature_m]])
    centre = {name: 0.5 * (low + high) for name, (low, high) in rig.box.items()}
    middle = 0.5 * (clamp + placed(belt, rig.motion, "worker", centre).vertices[0, 0])
    spread = 0.5 * displacement(rig.motion, "worker", belt, rig.box)
    # The middle moves half as far as the clamp does with its wire.
    strays = 0.5 * strays_m(site, stage.clamp_m, place(site, stage, stage.clamp_m))
    return Body(
        f"{person.name} bonding lead",
        "lead",
        shapes.points([middle], radius=0.5 * stage.bonding_lead_m + spread + strays),
        potential=stage.bonded[person.name],
        job=True,
        note="a ball that holds the lead wherever it hangs",
    )


def _disturbed(body: Body, entry: records.Disturbed | None) -> Body:
    """A wire whose shape the job changes is the job's, wherever it may move."""
    if entry is None:
        return body
    note = f"may move {entry.slack_m:g} m" + (f": {entry.basis}" if entry.basis else "")
    return replace(body, job=True, shape=shapes.thickened(body.shape, entry.slack_m), note=note)


@lru_cache(maxsize=16)
def _crew_bodies(site: Site) -> tuple[Body, ...]:
    """People and vehicles on the ground; the same bodies in every stage."""
    return tuple(_made_crew(site))


def _made_crew(site: Site) -> Iterator[Body]:
    for person in site.scene.crew:
        shape = crew.person(on_ground(site.ground, person.at_m), build_of(person), arms=person.arms)
        yield Body(person.name, "crew", shape, job=True)
    for vehicle in site.scene.vehicles:
        foot = on_ground(site.ground, (vehicle.centre_m[0], vehicle.centre_m[1]))
        shape = crew.vehicle(vehicle.centre_m, vehicle.size_m, vehicle.heading_deg, foot[2])
        yield Body(vehicle.name, "vehicle", shape, job=True)


def _rope_bodies(site: Site, stage: Stage) -> Iterator[Body]:
    """Ropes; one that is tied to the ladder rides on its carriage, the lean of the tie going into slack."""
    scene = site.scene
    for rope in scene.ropes:
        anchor = np.array(place(site, rope, rope.to_m))
        strays = strays_m(site, rope.to_m, place(site, rope, rope.to_m))
        tied = isinstance(rope.from_m, Reference) and scene.ladder is not None and rope.from_m.name == scene.ladder.name
        common = {"conductive": not rope.insulating, "potential": None if rope.insulating else EARTH, "job": True}
        if not tied:
            start = np.array(place(site, rope, rope.from_m))
            strays = max(strays, strays_m(site, rope.from_m, place(site, rope, rope.from_m)))
            yield Body(rope.name, "rope", shapes.segments([start], [anchor], rope.diameter_m / 2, strays), **common)  # type: ignore[arg-type]
            continue
        if stage.travel_m is None or scene.track is None:
            continue
        assert isinstance(rope.from_m, Reference)
        assert rope.from_m.along_m is not None
        assert scene.ladder is not None
        along, tilt = rope.from_m.along_m, math.radians(scene.ladder.tilt_deg)
        leans = [
            max(abs(span.lo), abs(span.hi)) for span in (stage.lean_along_deg, stage.lean_across_deg, stage.heading_deg)
        ]
        sway = along * sum(math.radians(lean) for lean in leans)
        # The anchor is stated for the middle of the stage's travel, and the crew carries it along as the ladder moves.
        knots, fit = track_knots(site)
        middle = 0.5 * (stage.travel_m.lo + stage.travel_m.hi)
        foot = np.array([np.interp(middle, knots[:, 0], knots[:, 1 + k]) for k in range(3)])
        turned = rotation_about((0.0, 0.0, 1.0), math.radians(scene.track.heading_deg))
        held = turned.T @ (anchor - foot)
        tie = np.array([along * math.sin(tilt), 0.0, along * math.cos(tilt)])
        shape = shapes.segments([tie], [held], rope.diameter_m / 2, sway + fit + scene.ladder.bending_m + strays)
        yield Body(rope.name, "rope", shape, link="carriage", **common)  # type: ignore[arg-type]


def _tail_pieces(site: Site, stage: Stage) -> Iterator[tuple[tuple[float, float] | None, dict[str, shapes.Shape]]]:
    """Per piece of the lowering: its range of lower_m, or None where nothing is lowered, and the shapes of what is
    off."""
    parked = {name: _parked(site, name) for name in stage.off}
    if not stage.released:
        yield None, parked
        return
    if len(stage.released) > 1:
        raise InputError(
            Mistake(
                where(site.scene, stage, "released"),
                "one wire lowered at a time",
                ", ".join(stage.released),
                "write a stage for each",
            )
        )
    name = stage.released[0]
    low, high = (0.0, 0.0) if stage.lower_m is None else (stage.lower_m.lo, stage.lower_m.hi)
    pieces = _tail(site, name)
    travel = pieces[-1].lower_m[1]
    if high > travel + 1e-9:
        raise InputError(
            Mistake(
                where(site.scene, stage, "lower_m"),
                f"at most the {travel:.2f} m to where '{name}' is parked",
                f"{high:g} m",
            )
        )
    if low == high:
        yield None, {**parked, name: _frozen(pieces, low)}
        return
    for piece in pieces:
        if piece.lower_m[0] >= low - 1e-9 and piece.lower_m[1] <= min(high, travel) + 1e-9:
            yield piece.lower_m, {**parked, name: piece.shape}


def _frozen(pieces: tuple[wire.TailPiece, ...], lower_m: float) -> shapes.Shape:
    """The tail where it has been lowered by so much."""
    piece = next((p for p in pieces if p.lower_m[0] <= lower_m <= p.lower_m[1]), pieces[-1])
    if piece.shape.rate is None:
        return piece.shape
    return replace(piece.shape, vertices=piece.shape.vertices + piece.shape.rate * lower_m, rate=None)


@lru_cache(maxsize=64)
def _parked(site: Site, name: str) -> shapes.Shape:
    """The tail lowered all the way; one shape for all stages."""
    pieces = _tail(site, name)
    return _frozen(pieces, pieces[-1].lower_m[1])


@lru_cache(maxsize=64)
def _tail(site: Site, name: str) -> tuple[wire.TailPiece, ...]:
    """All pieces of a wire's lowering, cut where some stage's range begins or ends."""
    hung = site.wires[name]
    record = hung.record
    assert record.release is not None
    start, end = hung.catenary.start, hung.catenary.end
    free, fixed = (start, end) if record.release.free_end == "from" else (end, start)
    to = place(site, record, record.release.lowered_to_m)
    travel = math.dist(free, to)
    spans = [stage.lower_m for stage in site.scene.stages if name in stage.released and stage.lower_m is not None]
    ranges = [(0.0, travel)] + [(s.lo, min(s.hi, travel)) for s in spans if s.lo < min(s.hi, travel)]
    length = hung.catenary.length_m
    try:
        slack = record.slack_m + weathered.tail_slack_m(site.scene, site.placed, record, length, (fixed, free, to))
        return wire.freed_tail(length, fixed, free, to, record.diameter_m, slack, ranges, TAIL_ERROR_M)
    except InputError as error:
        head = (*where(site.scene, record), "release")
        raise InputError(
            [Mistake((*head, *m.where[1:]), m.expected, m.found, m.remedy) for m in error.mistakes]
        ) from error


def _touching(site: Site, stage: Stage, bodies: list[Body]) -> Iterator[frozenset[str]]:
    """Pairs that are meant to touch: stated, or by their nature."""
    for one, other in stage.contacts:
        yield frozenset((one, other))
    scene = site.scene
    on_ladder = [body.name for body in bodies if body.link == "ladder" and body.kind != HULL]
    ropes = [rope.name for rope in scene.ropes]
    aloft = [*records.aloft(scene, stage)]
    for name in (*on_ladder, *ropes, *aloft):
        for other in (*on_ladder, *ropes, *aloft):
            if name != other:
                yield frozenset((name, other))
    for name in (*on_ladder, *ropes):
        yield frozenset((name, "ground"))
    for name in ropes:
        for person in scene.crew:
            yield frozenset((name, person.name))
    if stage.kind == "mount":
        for name in aloft:
            yield frozenset((name, "ground"))
    for name in aloft:
        yield frozenset((name, f"{name} bonding lead"))
    for name in stage.released:
        # The far end stays where it is fixed: it touches what it hangs from.
        record = site.wires[name].record
        far = record.to_m if record.release is not None and record.release.free_end == "from" else record.from_m
        point = np.array(place(site, record, far))
        if isinstance(far, Reference):
            yield frozenset((name, far.name))
        for body in bodies:
            if body.link is None and _touches(body, point, record.diameter_m):
                yield frozenset((name, body.name))


def _touches(body: Body, point: np.ndarray, radius: float) -> bool:
    from clearance.kernel import pairs

    shape = body.shape
    if len(shape) == 0 or len(shape) > 100_000:
        return False
    ball = shapes.points(np.repeat(point[None], len(shape), axis=0))
    squared, witness = np.empty(len(shape)), np.empty((len(shape), 2, 3))
    pairs.measure(shape.vertices, shape.corners, ball.vertices, ball.corners, squared, witness)
    return bool((np.sqrt(squared) - shape.radius - shape.slack - radius <= 0.01).any())
