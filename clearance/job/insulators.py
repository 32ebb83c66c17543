"""Owns what insulates in a stage, as lengths, and what touches it by its nature.

Of a ladder: what is not insulating, its metal, ropes tied to it, hands from below, a climber from soles to holding
hand. Of a boom: the metal at its two ends. Of a rope: tools on it, and its tie, by which a way goes on along the
ladder. Of one that lowers or holds a wire: the wire, its pulley, the hands at its end. What else touches is found in
`touching`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from clearance.bodies import Body, areas, worker
from clearance.bodies.ladder import PLATFORM_HALF_M
from clearance.job import aerial
from clearance.job.carried import earthed_in
from clearance.job.footing import foot_knots, hooks_m, settled, stands
from clearance.job.holding import holders, in_hands, ropes_of
from clearance.job.ropes import hauls_of, on_ladder, tied
from clearance.job.setting import Setting
from clearance.job.standing import area_of, build_of
from clearance.job.touching import Course, along_ladder, along_led, along_line, corners_of
from clearance.job.ways import LIVE, Member, Touch
from clearance.motion import rotation_about
from clearance.scene import records
from clearance.scene.assemble import EARTH, Site, place, strays_m
from clearance.scene.naming import pulley_name
from clearance.scene.records import Stage
from clearance.scene.records_wires import TailRope


@dataclass(frozen=True, eq=False)
class Insulators:
    """What insulates in a setting, and what touches it by its nature.

    courses: how members run; known: of a member the bodies whose touches are among `touches`
    judged: members whose ways are asked for; the others only lead on
    beside: of a course one that rides on the ladder, for what rides on it too
    ropes: with their length: what their ends are at is told by what touches them; lines: all ropes
    stands_on: the platform of an aerial device, which whoever stands on it is bonded with
    beyond: the leg of a rope beyond its pulley, and the rope: a way along both is told of the rope
    tied: members of which the one is tied to the other
    """

    members: tuple[Member, ...]
    courses: tuple[Course, ...]
    touches: tuple[Touch, ...]
    known: Mapping[str, frozenset[str]]
    judged: frozenset[str]
    ropes: Mapping[str, float]
    lines: frozenset[str]
    beyond: Mapping[str, str]
    beside: Mapping[Course, Course]
    tied: frozenset[frozenset[str]]
    stands_on: str


def insulators(site: Site, stage: Stage, setting: Setting) -> Insulators:
    """What insulates in a setting, from the records and the bodies that are there."""
    bodies = {body.name: body for body in setting.bodies if len(body.shape)}
    members: list[Member] = []
    courses: list[Course] = []
    touches: list[Touch] = []
    known: dict[str, frozenset[str]] = {}
    judged: set[str] = set()
    ropes: dict[str, float] = {}
    beside: dict[Course, Course] = {}
    ties: set[frozenset[str]] = set()
    scene = site.scene
    entry = scene.ladder
    if entry is not None and entry.name in bodies:
        wet = entry.wet_or_dirty_m, "written off as wet or dirty"
        members.append(Member(entry.name, "ladder", entry.insulating_from_m, entry.insulating_to_m, 1.0, (wet,)))
        courses.append(along_ladder(entry, bodies[entry.name]))
        touches += _on_ladder(site, stage, setting, entry)
        riding = {body.name for body in setting.bodies if body.link == "ladder"}
        people = {person.name for person in (*scene.workers, *scene.crew)}
        held = {rope.name for rope in scene.ropes if on_ladder(site, rope)}
        known[entry.name] = frozenset(riding | people | held)
        # With nobody on it, and nothing live, it insulates nothing; but a way may go on along it.
        if any(stage.bonded.get(name) is None for name in records.aloft(scene, stage)) and "climb_m" in ranges(setting):
            judged.add(entry.name)
    device = aerial.device_in(site, stage)
    *_, insulating, platform = records.device_names(device.name if device is not None else "")
    if device is not None and stage.kind not in records.AT_FOOT and {insulating, platform} <= bodies.keys():
        wet = device.wet_or_dirty_m, "written off as wet or dirty"
        members.append(Member(device.name, "ladder", 0.0, device.insulating_m, 1.0, (wet,)))
        shape = bodies[insulating].shape
        around = float(shape.radius.max()), float(shape.uncertainty.max())
        courses.append(along_line(device.name, "extension", corners_of(shape), around))
        touches += _on_boom(device, bodies[platform], ranges(setting)["extend_m"][0])
        known[device.name] = frozenset(records.device_names(device.name))
        judged.add(device.name)
    for rope in scene.ropes:
        body = bodies.get(rope.name)
        if body is None or body.conductive:
            continue
        wet = rope.wet_or_dirty_m, "written off as wet or dirty"
        course, seen, strays = _course(site, stage, rope, body)
        members.append(
            Member(rope.name, "rope", 0.0, course.length_m, max(0.0, 1.0 - strays / course.length_m), (wet,))
        )
        courses.append(course)
        hauled = [haul for haul in hauls_of(site, stage) if haul.tool.line == rope.name and haul.tool.name in bodies]
        for haul in hauled:
            tool, size, (low, high) = haul.tool.name, haul.tool.radius_m, ranges(setting)[haul.parameter]
            crossed = f"that {tool} shorts, wherever on it"
            low, high = max(0.0, low - size), min(course.length_m, high + size)
            touches.append(touch_of(rope.name, bodies[tool], low, high, 2.0 * size, crossed=crossed))
        known[rope.name] = frozenset(haul.tool.name for haul in hauled)
        if entry is not None and on_ladder(site, rope) and isinstance(rope.from_m, records.Reference):
            # What rides on the ladder above the tie is no nearer to the rope than to the tie.
            above = [f.name for f in (*entry.fittings, *_platform(entry)) if f.from_m > (rope.from_m.along_m or 0.0)]
            known[rope.name] |= frozenset(above)
        judged.add(rope.name)
        ropes[rope.name] = course.length_m
        beside |= {course: seen} if seen is not None else {}
        if entry is not None and on_ladder(site, rope) and isinstance(rope.from_m, records.Reference):
            ties.add(frozenset((rope.name, entry.name)))
            tie, along = f"tie of '{rope.name}'", rope.from_m.along_m or 0.0
            for where, at in ((rope.name, course.length_m), (entry.name, along)):
                touches.append(Touch(where, tie, at, at, frozenset((None,)), 0.0, said=tie))
    lines, holds, beyond = set(ropes), dict[str, list[str]](), dict[str, str]()
    for record, line in ropes_of(site, stage):
        if line.name in bodies and not bodies[line.name].conductive:
            for member, course, on in _on_tail_rope(site, stage, setting, record, line):
                members.append(member)
                courses.append(course)
                touches += on
                known[member.name] = frozenset((pulley_name(line.name),))
                lines.add(member.name)
                if member.name != line.name:
                    beyond[member.name] = line.name
                    ties.add(frozenset((member.name, line.name)))  # they leave each other at the pulley
            # Ropes of one wire leave each other at its free end, like one that is tied to a ladder.
            ties |= {frozenset((line.name, other)) for other in holds.get(record.name, ())}
            holds.setdefault(record.name, []).append(line.name)
            judged.add(line.name)
    return Insulators(
        tuple(members), tuple(courses), tuple(touches), known, frozenset(judged), ropes, frozenset(lines), beyond,
        beside, frozenset(ties), platform,
    )  # fmt: skip


def ranges(setting: Setting) -> dict[str, tuple[float, float]]:
    """The range of every parameter of a setting, in the engine's units."""
    return {**{name: (value, value) for name, value in setting.held.items()}, **setting.box}


def touch_of(
    member: str,
    body: Body,
    low: float,
    high: float,
    shorts_m: float = math.inf,
    said: str = "",
    live: str = "",
    crossed: str = "",
) -> Touch:
    at = frozenset((body.potential, *(potential for _, potential in body.states)))
    state = tuple(name for name, _ in body.states)
    return Touch(member, body.name, low, high, at, shorts_m, state, said or f"'{body.name}'", live, crossed)


def _on_ladder(site: Site, stage: Stage, setting: Setting, entry: records.Ladder) -> Iterator[Touch]:
    """What touches the ladder by its nature: its foot, its metal, ropes tied to it, hands from below, who is on it."""
    scene, name = site.scene, entry.name
    bodies = {body.name: body for body in setting.bodies}
    low, top = entry.insulating_from_m, entry.insulating_to_m
    yield Touch(
        name, f"foot of {name}", 0.0, low, frozenset((EARTH,)), said=f"foot of the {name}, below its insulating part"
    )
    yield Touch(name, f"top of {name}", top, top, frozenset((LIVE,)), live=f"insulating up to {top:.2f} m")
    for fitting in (*entry.fittings, *_platform(entry)):
        if fitting.name in bodies:
            body = bodies[fitting.name]
            said = f"{'earthed ' if body.potential == EARTH else ''}fitting '{fitting.name}'"
            crossed = f"of metal, '{fitting.name}'"
            yield touch_of(name, body, fitting.from_m, fitting.to_m, said=said, crossed=crossed)
    for rope in scene.ropes:
        if rope.name in bodies and bodies[rope.name].conductive and on_ladder(site, rope):
            assert isinstance(rope.from_m, records.Reference)
            at = rope.from_m.along_m or 0.0
            yield touch_of(name, bodies[rope.name], at, at, said=f"rope '{rope.name}', not insulating")
    for person, height in _hands(site, stage, entry):
        if person in bodies:
            yield touch_of(name, bodies[person], 0.0, height, said=f"hands of '{person}' overhead")
    climbed = ranges(setting).get("climb_m")
    for climber in scene.workers:
        if climber.name in bodies and climbed is not None and bodies[climber.name].link == "worker":
            below, above = worker.lowest_to_highest_contact_m(build_of(climber), climber.tool_m, climber.hanging_m)
            phase = stage.bonded.get(climber.name)
            live = f"at phase {phase} from {climbed[0]:.2f} m up: the soles at the lowest climb of the stage"
            crossed = "that the climber shorts between soles and holding hand"
            body, low, high = bodies[climber.name], max(0.0, climbed[0] - below), climbed[1] + above
            said = f"'{climber.name}', from soles to holding hand"
            yield touch_of(name, body, low, high, below + above, said=said, live=live if phase else "", crossed=crossed)


def _platform(entry: records.Ladder) -> Iterator[records.Fitting]:
    """The platform as what it shorts along the ladder: its thickness, and what its tilt adds to it."""
    if entry.platform_m is not None:
        half = PLATFORM_HALF_M + entry.platform_depth_m * abs(math.sin(math.radians(entry.tilt_deg)))
        low, name = max(0.0, entry.platform_m - half), records.platform_name(entry.name)
        yield records.Fitting(name=name, from_m=low, to_m=entry.platform_m + half, radius_m=entry.platform_depth_m)


def _hands(site: Site, stage: Stage, entry: records.Ladder) -> Iterator[tuple[str, float]]:
    """How far up the ladder hands of those on the ground reach [m], wherever it goes, leans or swings.

    Overhead they reach some height above where they stand; along a ladder that leans that is further than upright. It
    comes over who stands aside by what it leans up to there.
    """
    if not stands(site.scene) or stage.travel_m is None:
        return
    leant = abs(entry.tilt_deg)
    leant += sum(max(abs(span.lo), abs(span.hi)) for span in (stage.lean_along_deg, stage.lean_across_deg))
    slope, longer = math.sin(math.radians(min(leant, 90.0))), 1.0 / max(math.cos(math.radians(leant)), 0.2)
    if entry.hangs_on is not None:
        knots, left_out = foot_knots(site, stage)
        lowest, way = float(knots[:, 3].min()) - entry.length_m - left_out, knots[:, 1:3]
        swung = entry.length_m * slope + 0.5 * entry.width_m + left_out
    else:
        assert site.scene.track is not None
        way = np.array(site.scene.track.points_m)
    line = shapely.LineString(way) if len(way) > 1 else shapely.Point(way[0])
    for person in site.scene.crew:
        area, reach = area_of(stage, person), worker.extent(build_of(person)) + person.tool_m
        if entry.hangs_on is not None:
            foot = max(float(piece[:, 2].max()) for piece in areas.pieces(site.ground, area))
            along, aside = max(0.0, foot + reach - lowest) * longer, swung
        else:
            # On a slope a track has a low and a high side: who stands beside is taken to be at the ladder's foot.
            along = reach * longer
            aside = min(along * slope, entry.length_m)
        if area.distance(line) - aside <= reach:
            yield person.name, along


def _on_boom(device: records.AerialDevice, platform: Body, shortest_m: float) -> Iterator[Touch]:
    """The metal at both ends of a boom's insulating part: what is inside the metal boom at the shortest extension, and
    the tip, which goes with the platform."""
    out, whole = shortest_m - device.tip_m, device.insulating_m
    said = f"the metal of '{device.name}'"
    if out < whole:
        said += f": {max(out, 0.0):.2f} m are outside the metal boom at {shortest_m:.2f} m extension"
    yield Touch(device.name, f"metal of {device.name}", 0.0, max(0.0, whole - out), frozenset((EARTH,)), said=said)
    live, words = platform.potential or LIVE, f"insulating for {whole:.2f} m"
    yield Touch(device.name, platform.name, whole, whole, frozenset((live,)), live=words)


def anchor_of(site: Site, rope: str) -> Touch:
    """The end of a rope that is held, or made fast: at earth as far as hands reach along it."""
    hands = max((worker.extent(build_of(person)) for person in site.scene.crew), default=0.0)
    said = "its anchor" if hands == 0.0 else f"hands of the crew within {hands:.2f} m of its anchor"
    return Touch(rope, f"anchor of {rope}", 0.0, hands, frozenset((EARTH,)), said=said)


def _on_tail_rope(
    site: Site, stage: Stage, setting: Setting, record: records.Wire, rope: TailRope
) -> Iterator[tuple[Member, Course, list[Touch]]]:
    """The legs of a rope that lowers or holds a wire, each with what touches it: the one that ends at the wire goes
    with it, and beyond a pulley, which is at earth, the other is a member of its own."""
    bodies = {body.name: body for body in setting.bodies}
    body, wire = bodies[rope.name], bodies.get(record.name)
    corners = corners_of(body.shape)[::-1]
    around = float(body.shape.radius.max()), float(body.shape.uncertainty.max())
    held = strays_m(site, rope.to_m, place(site, record, rope.to_m))
    lost = ((rope.wet_or_dirty_m, "written off as wet or dirty"),)
    lows, size, strays = _held_end(site, stage, setting, record, rope), rope.pulley_radius_m, held
    if rope.over_m is not None:
        strays = strays_m(site, rope.over_m, place(site, record, rope.over_m))
        name = f"{rope.name} below its pulley"
        course = along_line(name, None, corners[:2], around)
        beyond = _pulley(name, rope, course.length_m - size, course.length_m)
        shrinks = max(0.0, 1.0 - (held + strays) / course.length_m)
        yield (
            Member(name, "rope", 0.0, course.length_m, shrinks, lost), course,
            [*(replace(low, member=name) for low in lows), beyond],
        )  # fmt: skip
        lows = [_pulley(rope.name, rope, 0.0, size)]
    rate = None if body.shape.rate is None else body.shape.rate[0, 0]
    led = "lower_m", ranges(setting).get("lower_m", (0.0, 0.0))
    course = along_led(rope.name, body.link, (corners[-2], corners[-1]), around, rate, led)
    length = course.length_m
    live = f"from the free end of {record.name}, at {length:.2f} m or beyond"
    end = Touch(rope.name, record.name, length, length, frozenset((LIVE,)), 0.0, live=live)
    own = end if wire is None else touch_of(rope.name, wire, length, length, 0.0, live=live)
    if own.at != {EARTH} or record.name in earthed_in(stage):
        end = own
    shrinks = max(0.0, 1.0 - (record.uncertainty_m + strays) / length)
    yield Member(rope.name, "rope", 0.0, length, shrinks, lost), course, [*lows, end]


def _held_end(site: Site, stage: Stage, setting: Setting, record: records.Wire, rope: TailRope) -> list[Touch]:
    """What the end of a rope is at that is held or made fast: earth, but where all that it is made fast to is live."""
    at = place(site, record, rope.to_m)
    fast = holders(site, at)
    bodies = [body for body in setting.bodies if body.name in fast and body.conductive]
    touches = [touch_of(rope.name, body, 0.0, 0.0, 0.0) for body in bodies]
    if not touches or any(touch.at & {EARTH, None} for touch in touches) or in_hands(site, stage, at):
        return [anchor_of(site, rope.name)]
    return touches


def _pulley(member: str, rope: TailRope, low_m: float, high_m: float) -> Touch:
    said = "its pulley, at earth"
    return Touch(member, pulley_name(rope.name), max(0.0, low_m), high_m, frozenset((EARTH,)), said=said)


def _course(site: Site, stage: Stage, rope: records.Rope, body: Body) -> tuple[Course, Course | None, float]:
    """A rope from its anchor on; for one that is tied to the ladder once more as it is seen from the ladder, where its
    anchor sways and not its tie; and how much nearer to each other its ends may be than it is drawn [m].

    A point at a share of the way moves by that share of what an end moves, so both are where it is, share by share.
    """
    corners = corners_of(body.shape)[::-1]
    radius, uncertainty = float(body.shape.radius.max()), float(body.shape.uncertainty.max())
    if not on_ladder(site, rope):
        strays = sum(strays_m(site, value, place(site, rope, value)) for value in (rope.from_m, rope.to_m))
        return along_line(rope.name, body.link, corners, (radius, uncertainty)), None, strays
    scene, found = site.scene, tied(site, stage, rope)
    assert scene.ladder is not None
    around = radius, uncertainty - found.sway_m
    turned = rotation_about((0.0, 1.0, 0.0), math.radians(scene.ladder.tilt_deg))
    seen = corners @ turned - np.array([0.0, 0.0, hooks_m(scene)])
    angle, sunk = settled(scene)
    spans = (stage.lean_along_deg, stage.lean_across_deg, stage.heading_deg)
    angle += sum(math.radians(max(abs(span.lo), abs(span.hi))) for span in spans)
    swung = float(np.linalg.norm(found.held)) * angle + sunk
    course = along_line(rope.name, body.link, corners, around, (0.0, found.sway_m))
    return (
        course,
        along_line(rope.name, "ladder", seen, around, (swung, 0.0)),
        found.sway_m + found.lags_m + found.left_out_m,
    )
