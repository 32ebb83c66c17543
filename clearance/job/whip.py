"""Owns the whip of a freed conductor: everywhere its tail can be after a slip or after a rope fails, and what it keeps.

Nothing is taken from how a conductor falls. The tail is a line that does not stretch, held at its far end: no point of
it is ever further from there than its own length, so all of it stays within a ball. Only what the release states as
holding it, whichever rope fails, cuts that ball: guides that keep it beside an upright plane, or a safety rope, which
makes tail and rope one line between two fixed points, within an ellipsoid about both. Each of these hulls holds every
position, so the gap of the tail is at least the largest of the hulls' gaps. Where two ropes or more hold its free end
and either of them is enough, its gap is that of the tail as the stage has it, less how far it moves by that.

A tail that is parked may come loose as one that moves may, in every later stage. One that is at a potential of its own
may touch the phase it was taken from: it is then at that phase again, in which it is judged beside.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPoint, Polygon

from clearance import shapes
from clearance.bodies import Body
from clearance.engine import Group, Path, build_engine, coarse, compile_setting
from clearance.errors import InputError, Mistake, at_least
from clearance.gaps import EARTH
from clearance.job import loosened, parting, rig, tail_ropes
from clearance.job.measuring import Bench, Piece, measure_of
from clearance.job.site_gaps import careful
from clearance.job.standing import crew_there, off_ground
from clearance.job.tails import along_with, around_m, way_of
from clearance.result import Approach, Measure, worst
from clearance.scene import records, statements
from clearance.scene.assemble import Site, place, strays_m
from clearance.scene.naming import free_end_name, whip_name
from clearance.scene.records import Stage
from clearance.tolerances import APART_M
from clearance.verdict import judge, not_clear

Floats = NDArray[np.float64]

STRETCH = 0.005
"""[1] A bare conductor pulled to its breaking load stretches by less, 0.3 % and the like (common practice, no source);
a larger value makes every hull larger."""

CORNERS = 48
"""Corners of the polygon about a disc; it reaches beyond the disc by 0.2 % of its radius."""

SLICES = 24
"""Pieces along the axis of an ellipsoid; more make the cover tighter."""


@dataclass(frozen=True, eq=False)
class Whip:
    """Everywhere a freed tail can be.

    fixed_m: its far end, (3,) [m]; reach_m: the furthest any point of it is from there [m]
    hulls: bodies each of which holds every position; the ball comes first
    within_m: how far it moves at most from where the stage has it [m], infinite where nobody says
    """

    wire: str
    fixed_m: Floats
    reach_m: float
    hulls: tuple[Body, ...]
    within_m: float


def whips(site: Site, stage: Stage) -> tuple[Whip, ...]:
    """The whip of every tail that is off in the stage, moved, held or parked, and of every wire whose connection may
    part: no rope holds that, as it is not in the hand then or gives way.

    Raises: InputError for a restraint that cannot hold the tail where its release has it.
    """
    away = statements.absent(site.scene, stage)
    tails = [name for name in (*stage.released, *stage.off) if name not in away]
    found = [_whip(site, name, name in stage.off, tail_ropes.there(site, stage, name)) for name in tails]
    loose = [name for name in loosened.may_part(site.scene, stage) if name not in away]
    return (*found, *(_whip(site, name, False, frozenset()) for name in loose))


@lru_cache(maxsize=64)
def _whip(site: Site, name: str, parked: bool, ropes: frozenset[str]) -> Whip:
    hung = site.wires[name]
    record, release = hung.record, hung.record.release
    assert release is not None
    start, end = hung.catenary.start, hung.catenary.end
    fixed = end if release.free_end == "from" else start
    fixed_at = np.array(fixed, float)
    held = record.to_m if release.free_end == "from" else record.from_m
    uncertainty = record.uncertainty_m + strays_m(site, held, (float(fixed[0]), float(fixed[1]), float(fixed[2])))
    tail = hung.catenary.length_m * (1.0 + STRETCH)
    string = _far_string(record)
    if string is not None:
        # Without its pull the string at the far end swings: it is part of the line, held where it is attached.
        fixed_at, tail = np.array(place(site, record, held)), tail + string.length_m
    reach = tail + release.trails_m
    # What goes along is fixed to some point of it: it reaches no further about there than its radius.
    half = max([around_m(record), *(one.radius_m for one in along_with(site, name))])
    hulls = [_hull(name, shapes.points([fixed_at], radius=reach + half, uncertainty=uncertainty))]
    corners = [np.array(corner) for corner in way_of(site, name).corners][-1 if parked else 0 :]
    said_within: list[float] = []
    for restraint in statements.held(site.scene, name):
        if not tail_ropes.holds(site, restraint, parked, ropes):
            continue
        if restraint.within_m is not None:
            said_within.append(restraint.within_m)
        head = statements.where_said(site.scene, restraint)
        if restraint.sideways_m is not None:
            across = _across(head, fixed_at, corners, restraint.sideways_m)
            disc = shapes.triangles(disc_about(fixed_at, across, reach), restraint.sideways_m + half, uncertainty)
            hulls.append(_hull(name, disc))
        if restraint.rope is not None and restraint.length_m is not None:
            held_at = tail_ropes.rope_of(record, restraint.rope).to_m
            anchor = np.array(place(site, record, held_at))
            # Furthest from the anchor on a straight leg is one of its corners.
            needed = max(math.dist(anchor, corner) for corner in corners)
            if needed > restraint.length_m:
                expected = f"a rope that reaches the free end all along its way, {at_least(needed)} m"
                remedy = "state its length when it is paid out all the way"
                raise InputError(Mistake((*head, "length_m"), expected, f"{restraint.length_m:g} m", remedy))
            strays = strays_m(site, held_at, place(site, record, held_at))
            whole = tail + 2.0 * release.trails_m + restraint.length_m * (1.0 + STRETCH)
            starts, ends, radii = between(fixed_at, anchor, whole)
            hulls.append(_hull(name, shapes.segments(starts, ends, radii + half, uncertainty + strays)))
    # Of several that are said the widest counts: what contradicts another helps nobody.
    return Whip(name, fixed_at, reach, tuple(hulls), max(said_within, default=math.inf))


def _far_string(record: records.Wire) -> records.InsulatorString | None:
    """The string between the fixed end of a wire that is taken off and what holds it."""
    if not isinstance(record, records.SpanWire) or record.release is None:
        return None
    return record.to_string if record.release.free_end == "from" else record.from_string


def _hull(wire: str, shape: shapes.Shape) -> Body:
    note = "everywhere the freed tail can be"
    return Body(whip_name(wire), "whip", shape, conductive=False, potential=None, job=True, note=note)


def _across(head: tuple[str, ...], fixed: Floats, corners: Sequence[Floats], sideways_m: float) -> Floats:
    """Unit normal of the upright plane through the far end and the free end's place, which guides keep it beside."""
    level = (corners[0] - fixed)[:2]
    if float(np.linalg.norm(level)) < 1e-6:
        expected = "ends that are not one above the other: no upright plane is marked out by them"
        raise InputError(Mistake((*head, "sideways_m"), expected, "the same x and y", "state a safety rope instead"))
    normal = np.array([-level[1], level[0], 0.0]) / float(np.linalg.norm(level))
    off = max(abs(float(normal @ (corner - fixed))) for corner in corners)
    if off > sideways_m:
        expected = f"at least the {at_least(off)} m that its way is beside the plane through both ends"
        raise InputError(Mistake((*head, "sideways_m"), expected, f"{sideways_m:g} m", "mend one of them"))
    return normal


def disc_about(centre: Floats, normal: Floats, radius_m: float) -> Floats:
    """Triangles (n, 3, 3) [m] that hold the disc about a point, across a unit vector that is level."""
    along = np.array([normal[1], -normal[0], 0.0])
    angle = np.linspace(0.0, 2.0 * math.pi, CORNERS + 1)
    out = radius_m / math.cos(math.pi / CORNERS)
    rim = centre + out * (np.cos(angle)[:, None] * along + np.sin(angle)[:, None] * np.array([0.0, 0.0, 1.0]))
    return np.stack([np.broadcast_to(centre, rim[:-1].shape), rim[:-1], rim[1:]], axis=1)


def between(one: Floats, other: Floats, length_m: float) -> tuple[Floats, Floats, Floats]:
    """Segments with radii that hold every point of a line of some length between two fixed points: starts, ends (n, 3)
    and radii (n,) [m].

    The sum of a point's distances to both is at most the length: an ellipsoid about them, with half axes a and b and
    the fixed points c from its middle. It is the union of the balls within it whose centres lie on its axis up to
    c^2/a from the middle, that at t of radius b sqrt(1 - (t/c)^2); those of one piece of the axis lie in the capsule of
    the largest radius among them.
    """
    apart = float(np.linalg.norm(other - one))
    middle, half, c = 0.5 * (one + other), 0.5 * length_m, 0.5 * apart
    if apart <= 1e-9 * length_m:
        return middle[None], middle[None], np.array([half])
    axis = (other - one) / apart
    wide = math.sqrt(max(half**2 - c**2, 0.0))
    cuts = np.linspace(-(c**2) / half, c**2 / half, SLICES + 1)
    nearest = np.where(cuts[:-1] * cuts[1:] <= 0.0, 0.0, np.minimum(np.abs(cuts[:-1]), np.abs(cuts[1:])))
    radii = wide * np.sqrt(np.maximum(1.0 - (nearest / c) ** 2, 0.0))
    return middle + cuts[:-1, None] * axis, middle + cuts[1:, None] * axis, radii


def whip_approaches(bench: Bench, stage: Stage, pieces: Sequence[Piece]) -> Iterator[Approach]:
    """How near the whip of each tail comes to phases, to whoever is aloft and to the crew, against the electrical part.

    pieces: of the reach envelope where somebody is aloft, else of the stated posture. A tail at its former phase may
    touch that phase, and whoever is bonded to it: between them there is no voltage. The limit is that of a tool in the
    gap: the rope that failed hangs about the tail.
    """
    parts = pieces[0].compiled.setting.parting
    for whip in whips(bench.site, stage):
        for target, names, required, why in _kept_from(bench, stage, pieces[0], whip):
            # The hand that opens it holds it until it lets go; where the opening ends it does no more.
            held = parts is not None and parts.wire == whip.wire and target in parts.hand
            asked = parting.ended(bench, stage, pieces) if held else pieces
            yield _measured(bench, asked, whip, target, names, required, why)
        yield from _below(bench, stage, whip)


Point3 = tuple[float, float, float]
Kept = tuple[str, tuple[str, ...], float | None, str]


def _kept_from(bench: Bench, stage: Stage, piece: Piece, whip: Whip) -> Iterator[Kept]:
    """What it is kept from, under every state the tail may have: name, bodies, distance [m], why a rule has none."""
    setting = piece.compiled.setting
    there = [body for body in setting.bodies if len(body.shape)]
    tail = next(body for body in there if body.name == whip.wire)
    # Its free end, and the jaw that it is still fixed to, are at whatever it is at.
    same = (tail.potential, tail.states)
    bodies = [body for body in there if not body.states or (body.potential, body.states) != same]
    states = dict.fromkeys((tail.potential, *(state for _, state in tail.states)))
    if whip.wire not in (*stage.released, *stage.off):
        # It hangs in its place and may part: from then on it may be at what every wire taken off may be at.
        states |= dict.fromkeys((EARTH, whip.wire))
    found: dict[str, list[Kept]] = {}
    for state in states:
        for target, names, required, why in _kept_at(bench, stage, bodies, whip.wire, state):
            found.setdefault(target, []).append((target, names, required, why))
    for target, asked in found.items():
        names = tuple(dict.fromkeys(name for _, each, _, _ in asked for name in each))
        missing = next((entry for entry in asked if entry[2] is None), None)
        largest = max(entry[2] or 0.0 for entry in asked)
        silent = next((entry[3] for entry in asked if entry[3]), "")
        yield (target, names, None, missing[3]) if missing else (target, names, largest, silent)


def _kept_at(bench: Bench, stage: Stage, bodies: Sequence[Body], wire: str, state: str | None) -> Iterator[Kept]:
    site = bench.site
    aloft = records.aloft(site.scene, stage)
    former = site.wires[wire].record.phase
    for phase in site.live:
        if phase in (state, wire) or (state == wire and phase == former):
            continue
        there = tuple(
            body.name
            for body in bodies
            if body.conductive and body.name != wire and phase in (body.potential, *(s for _, s in body.states))
            and body.kind not in ("worker", "lead")
        )  # fmt: skip
        if there:
            yield phase, there, *_electrical(bench, phase, EARTH if state in (EARTH, None) else state)
    people = [body.name for body in bodies if body.kind in ("crew", "vehicle")]
    if people and state != EARTH:
        yield "crew", tuple(people), *_largest(bench, [state] if state is not None else [*site.live])
    for name in aloft:
        bonded = stage.bonded.get(name)
        if bonded is not None and bonded == state:
            continue
        there = (name, *(body.name for body in bodies if body.kind == "lead"))
        if bonded is not None:
            yield name, there, *_electrical(bench, bonded, EARTH if state is None else state)
        else:
            there += rig.stood_on(site, stage, bodies)
            yield name, there, *_largest(bench, [state] if state in site.live else [*site.live])


def _electrical(bench: Bench, one: str, other: str) -> tuple[float | None, str]:
    required = bench.limit(one, other, "tool")
    return required.electrical_m, required.why


def _largest(bench: Bench, live: Sequence[str]) -> tuple[float | None, str]:
    """The electrical part to earth of the most demanding of some potentials, and why a rule has none."""
    found = [_electrical(bench, one, EARTH) for one in live]
    missing = next((why for distance, why in found if distance is None), None)
    silent = next((why for _, why in found if why), "")
    return (None, missing) if missing is not None else (max(distance or 0.0 for distance, _ in found), silent)


def _measured(
    bench: Bench,
    pieces: Sequence[Piece],
    whip: Whip,
    target: str,
    names: tuple[str, ...],
    required: float | None,
    why: str,
) -> Approach:
    """The largest of the hulls' gaps to some bodies; the tail's own is no smaller."""
    setting = pieces[0].compiled.setting
    there = tuple(body for body in setting.bodies if body.name in names)
    best = _within(bench, pieces, whip, names, required)
    still = all(body.link is None for body in there)
    for hull in whip.hulls if best is None or best.verdict != "clear" else ():
        if still:
            found = _still(hull, there, required)
            best = found if best is None or found.gap_lower_m > best.gap_lower_m else best
            continue
        small = replace(setting, bodies=(*there, hull), touching=frozenset())
        engine = build_engine([small])
        compiled = compile_setting(engine, small)
        alone = replace(bench, engine=engine, boxes=0)
        path = (Path((Group((hull.name,)), Group(tuple(body.name for body in there)))),)
        found = measure_of(alone, Piece(compiled, coarse(engine, compiled)), path, required, "as stated")
        bench.boxes += alone.boxes
        if best is None or found.gap_lower_m > best.gap_lower_m:
            best = found
    assert best is not None
    best = replace(best, verdict=not_clear(best.verdict, why), why=why or best.why)
    return Approach(whip_name(whip.wire), target, best)


def _within(
    bench: Bench, pieces: Sequence[Piece], whip: Whip, names: tuple[str, ...], required: float | None
) -> Measure | None:
    """The gap of the tail as the stage has it, less how far it moves when one of its ropes fails; None where nobody
    says how far."""
    if not math.isfinite(whip.within_m):
        return None
    found = []
    for piece in pieces:
        there = {body.name for body in piece.compiled.setting.bodies}
        tail = tuple(name for name in (whip.wire, free_end_name(whip.wire)) if name in there)
        path = Path((Group(tail), Group(tuple(name for name in names if name in there))), -whip.within_m)
        found.append(measure_of(bench, piece, (path,), required, "as stated"))
    least = min(found, key=lambda measure: measure.gap_lower_m)
    return replace(least, verdict=worst([measure.verdict for measure in found]))


def _still(hull: Body, there: Sequence[Body], required: float | None) -> Measure:
    """The careful gap of a hull to bodies that stand still."""
    (gap, points), name = min((_careful_gap(hull.shape, body.shape), body.name) for body in there)
    shown = max(0.0, gap)
    return Measure(judge(shown, shown, required), required, shown, shown, {}, (), (name, hull.name), points)


@lru_cache(maxsize=1024)
def _careful_gap(hull: shapes.Shape, other: shapes.Shape) -> tuple[float, tuple[Point3, Point3]]:
    """The least distance between two shapes that stand still, radii and uncertainties taken off [m], and where: on the
    other, on the hull. A rounding of 1e-9 m is taken off."""
    gap, (on_hull, there) = careful(hull, other)
    return gap - 1e-9, (there, on_hull)


def footprint(whip: Whip) -> NDArray[np.float64]:
    """Corners (n, 2) [m] of the ground that lies below a whip: the least of its hulls seen from above."""
    outlines = [_outline(hull.shape) for hull in whip.hulls]
    found = outlines[0]
    for other in outlines[1:]:
        found = found.intersection(other)
    return np.array(found.exterior.coords, float)


def _outline(shape: shapes.Shape):  # type: ignore[no-untyped-def]  # shapely states no types
    """A polygon that holds the shape seen from above."""
    angle = np.linspace(0.0, 2.0 * math.pi, CORNERS, endpoint=False)
    round_ = np.stack([np.cos(angle), np.sin(angle)], axis=1) / math.cos(math.pi / CORNERS)
    around = (shape.radius + shape.uncertainty)[:, None, None, None]
    corners = shape.vertices[:, :, None, :2] + around * round_
    return MultiPoint(corners.reshape(-1, 2)).convex_hull


def _below(bench: Bench, stage: Stage, whip: Whip) -> Iterator[Approach]:
    """Everybody on the ground stays off the ground below the whip; a person counts from the shoulders."""
    site = bench.site
    zone = Polygon(footprint(whip))
    found = [(person.name, off_ground(site, stage, person, zone)) for person in crew_there(site, stage)]
    if not found:
        return
    name, off = min(found, key=lambda entry: (max(0.0, entry[1].gap_m), entry[0]))
    gap, points = max(0.0, off.gap_m), (off.foot, (*off.on_it, off.foot[2]))
    measure = Measure(judge(gap, gap, APART_M), APART_M, gap, gap, {}, (), (name, whip.wire), points)
    yield Approach("crew", f"the ground below the {whip_name(whip.wire)}", measure)


def unjudged(site: Site, stage: Stage) -> Iterator[str]:
    """What a reader must know of the whips of a stage."""
    for whip in whips(site, stage):
        if whip.wire in stage.off:
            continue
        if whip.wire not in stage.released:
            yield (
                f"{whip_name(whip.wire)}: {whip.reach_m:.2f} m about its far end, as its connection may part here: "
                f'somebody works on it, or it is closed and not made fast. Where it holds, state it: kind = "fast", '
                f'wire = "{whip.wire}"'
            )
            continue
        ropes = tail_ropes.there(site, stage, whip.wire)
        held = [one for one in statements.held(site.scene, whip.wire) if tail_ropes.holds(site, one, False, ropes)]
        by = "; ".join(f"{entry.basis} ({entry.by})" for entry in held) or "nothing stated: all around its far end"
        yield (
            f"{whip_name(whip.wire)}: {whip.reach_m:.2f} m about its far end, held by {by}; a blow, and a tail that "
            "lies against something earthed and something live at once, are not evaluated"
        )
