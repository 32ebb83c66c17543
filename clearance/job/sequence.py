"""Owns what is carried from stage to stage, and refuses a stage that contradicts the one before.

Carried: where the ladder stands; who is on it, how high, and bonded to which phase; which wires are opened, lowered and
off; which of those are earthed. The first stage of a scene, and one that is marked `anew`, may begin anywhere: what it
states is taken as what is. `follow` checks a whole job; `lowered_whole` what only geometry shows.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

from clearance.errors import InputError, Mistake
from clearance.job import aerial
from clearance.scene import records, statements
from clearance.scene.assemble import Site, place
from clearance.scene.messages import choices, shown
from clearance.scene.records import EARTH, Range, Scene, SpanWire, Stage, where

SAME_M = 1e-9
"""[m] Heights and stations nearer than this are the same: they are written, not measured."""

LEFT_OVER_M = 0.1
"""[m] A lowering may end so far from where the wire is parked: a hand's breadth, which its uncertainty covers."""


ON_PLATFORM = Range(0.0, 0.0)
"""Where the feet of somebody on a platform are: they stay on it, and go where it goes."""


@dataclass(frozen=True)
class State:
    """What a stage leaves behind.

    stage: its name; station: where the ladder stands; up: who is on the ladder, with the range of the feet
    bonded: who is bonded to which phase; unbonding: those a clamp was just taken off; came_down: those who just did,
        and who may still step off
    opened: wires whose connection is open but which are not parked; up_high: those of them that hang at their place
    off: wires that are parked; earthed: those at earth by a remote tool
    device: how the aerial device stands, by parameter
    """

    stage: str = ""
    station: Range | None = None
    up: dict[str, Range] = field(default_factory=dict)
    bonded: dict[str, str] = field(default_factory=dict)
    unbonding: frozenset[str] = frozenset()
    came_down: frozenset[str] = frozenset()
    opened: frozenset[str] = frozenset()
    up_high: frozenset[str] = frozenset()
    off: frozenset[str] = frozenset()
    earthed: frozenset[str] = frozenset()
    device: dict[str, Range] = field(default_factory=dict)


def refuse_contradictions(scene: Scene) -> None:
    """Raises InputError with every stage that contradicts the one before, or itself."""
    mistakes = [mistake for found in follow(scene) for mistake in found[2]]
    if mistakes:
        raise InputError(dict.fromkeys(mistakes))


def follow(scene: Scene) -> tuple[tuple[Stage, State, tuple[Mistake, ...]], ...]:
    """Every stage with the state it leaves behind, and what in it contradicts the state before."""
    found: list[tuple[Stage, State, tuple[Mistake, ...]]] = []
    before: State | None = None
    for stage in scene.stages:
        mistakes = list(_by_itself(scene, stage))
        if before is not None and not stage.anew:
            mistakes += _ladder(scene, stage, before)
            mistakes += _device(scene, stage, before)
            mistakes += _people(scene, stage, before)
            mistakes += _wires(scene, stage, before)
        before = _after(scene, stage, before)
        found.append((stage, before, tuple(mistakes)))
    return tuple(found)


def _after(scene: Scene, stage: Stage, before: State | None) -> State:
    """The state a stage leaves, taking it at its word."""
    feet = stage.climb_m if stage.extend_m is None else ON_PLATFORM
    up = {name: feet for name in records.aloft(scene, stage) if feet is not None}
    came_down = frozenset(up) if stage.kind == "descend" else frozenset()
    if stage.kind == "descend":
        up = {}
    elif stage.kind == "step on" and before is not None:
        # After coming down a stage of this kind is stepping off; whoever climbs next starts from the ground anyway.
        up = {name: feet for name, feet in up.items() if name not in before.came_down}
    leaving = frozenset(stage.bonded) if stage.kind == "bond off" else frozenset()
    bonded = {name: phase for name, phase in stage.bonded.items() if name not in leaving}
    released = frozenset() if stage.kind == "close" else frozenset(stage.released)
    at_place = frozenset(stage.released) if stage.lower_m is not None and stage.lower_m.lo <= SAME_M else frozenset()
    moved = stage.kind in ("lower", "raise") and stage.lower_m is not None and stage.lower_m.hi > SAME_M
    earthed = {wire for wire in stage.off if stage.potentials.get(wire) == EARTH} | set(stage.earths)
    station = stage.travel_m or (before.station if before is not None and not stage.anew else None)
    return State(
        stage.name, station, up, bonded, leaving, came_down, released, at_place,
        frozenset(stage.off) | (released if moved else frozenset()), frozenset(earthed - set(stage.lifts_earth)),
        {name: span for name in aerial.PARAMETERS if (span := getattr(stage, name)) is not None},
    )  # fmt: skip


def _by_itself(scene: Scene, stage: Stage) -> Iterator[Mistake]:
    """What a stage may not be, whatever came before."""
    aloft = records.aloft(scene, stage)
    if stage.kind == "travel" and aloft and stage.rides is None:
        remedy = "come down first, or state rides: who allows it, and why"
        yield Mistake(where(scene, stage, "workers"), "nobody on the ladder while it travels", ", ".join(aloft), remedy)
    if len(set(stage.bonded.values())) > 1:
        found = " and ".join(f"'{name}' to {phase}" for name, phase in stage.bonded.items())
        remedy = "between two people at different phases there is the full voltage: write a stage for each"
        yield Mistake(where(scene, stage, "bonded"), "everybody bonded to one phase", found, remedy)
    for kind, verb in (("bond on", "bond"), ("bond off", "unbond")):
        if stage.kind == kind and not stage.bonded:
            remedy = 'add bonded, such as { worker = "A" }'
            expected = f"whom the stage is to {verb}, and the phase"
            yield Mistake(where(scene, stage, "bonded"), expected, "nobody", remedy)
    if stage.kind == "earthing":
        if stage.stick_m is None:
            remedy = "add stick_m: a tail is earthed with a remote tool only"
            yield Mistake(where(scene, stage, "stick_m"), "the insulating length of the remote tool", "nothing", remedy)
        if aloft:
            remedy = "come down first, or state workers = []"
            yield Mistake(where(scene, stage, "workers"), "nobody on the ladder", ", ".join(aloft), remedy)
    clear = scene.ladder.clear_m if scene.ladder is not None else None
    if clear is not None and stage.climb_m is not None and aloft:
        expected = f"feet at or below the ladder's clear position, {clear:g} m, "
        if stage.kind == "bond off" and stage.climb_m.lo > clear + SAME_M:
            found = f"no lower than {stage.climb_m.lo:g} m"
            remedy = "come down to the clear position before the clamp is taken off"
            yield Mistake(where(scene, stage, "climb_m"), f"{expected}where unbonding ends", found, remedy)
        loose = [name for name in aloft if name not in stage.bonded]
        if loose and stage.climb_m.hi > clear + SAME_M:
            remedy = "bond first, or climb no higher"
            found = f"'{loose[0]}' up to {stage.climb_m.hi:g} m"
            yield Mistake(where(scene, stage, "climb_m"), f"{expected}without a bond", found, remedy)
    yield from _opening(scene, stage)


def _opening(scene: Scene, stage: Stage) -> Iterator[Mistake]:
    """A connection opens or closes only on what was established before, and never through a person."""
    opening = stage.kind in ("open", "close")
    word = "closed" if stage.kind == "close" else "opened"
    wires = {wire.name: wire for wire in scene.wires}
    if opening and (len(stage.released) != 1 or stage.lower_m is None or stage.lower_m.hi > SAME_M):
        found = f"{len(stage.released)} released, lower_m {_span(stage.lower_m)}"
        remedy = "opening and closing are stages of their own, with lower_m = 0"
        yield Mistake(where(scene, stage, "released"), f"one wire that is {word}, at its place", found, remedy)
    for name in stage.released:
        wire = wires[name]
        established = wire.release.before_opening if wire.release is not None else None
        place = (*where(scene, wire, "release"), "before_opening")
        if established is None:
            if opening:
                expected = f"what is established before it is {word}: far_end, current_A, phase_identified, by"
                yield Mistake(place, expected, "nothing", f"stage '{stage.name}' needs it: add before_opening")
            continue
        if established.far_end != "open and locked":
            remedy = "open and lock it: else the wire may become live from there"
            yield Mistake((*place, "far_end"), '"open and locked"', shown(established.far_end), remedy)
        if established.current_A != 0.0:
            remedy = "a wire that carries load is not taken off: take the load off and measure again"
            yield Mistake((*place, "current_A"), "no current, 0 A", f"{established.current_A:g} A", remedy)
    for name in stage.released:
        wire = wires[name]
        taken = wire.release.before_opening.pull_taken_by if wire.release and wire.release.before_opening else None
        if isinstance(wire, SpanWire) and taken is None:
            remedy = "take its pull over first and state by what: before_opening.pull_taken_by"
            expected = "a jumper, or one whose pull is held otherwise"
            yield Mistake(where(scene, stage, "released"), expected, f"{shown(name)}, tensioned", remedy)
    if not opening:
        return
    for name in stage.released:
        for person in records.aloft(scene, stage):
            if any({person, name} == set(pair) for pair in statements.contacts(scene, stage)):
                remedy = "the current of the opening would pass through the suit: touch one end only, use a tool"
                found = f"'{person}' touches {shown(name)}, and may touch what it opens from"
                yield Mistake(where(scene, stage), "nobody at both ends of an opening", found, remedy)
            if stage.bonded.get(person) != wires[name].phase:
                expected = f"'{person}' bonded to the wire's phase, {wires[name].phase}"
                found = stage.bonded.get(person) or "not bonded"
                yield Mistake(where(scene, stage, "bonded"), expected, found, "bond to it in a stage before")
    if stage.opening_distance_m is None:
        expected = "how far everybody keeps from where it opens or closes"
        yield Mistake(where(scene, stage, "opening_distance_m"), expected, "nothing", "add opening_distance_m")


def _span(span: Range | None) -> str:
    return "not stated" if span is None else f"{span.lo:g} to {span.hi:g} m"


def _meet(one: Range, other: Range) -> bool:
    return one.lo <= other.hi + SAME_M and other.lo <= one.hi + SAME_M


def _ladder(scene: Scene, stage: Stage, before: State) -> Iterator[Mistake]:
    """The ladder stands where the stage before left it."""
    if stage.travel_m is not None and before.station is not None and not _meet(stage.travel_m, before.station):
        expected = f"a station the ladder is at, {_span(before.station)} after stage '{before.stage}'"
        remedy = 'add a stage of kind "travel" between, or anew = true where this begins afresh'
        yield Mistake(where(scene, stage, "travel_m"), expected, _span(stage.travel_m), remedy)


def _device(scene: Scene, stage: Stage, before: State) -> Iterator[Mistake]:
    """The aerial device goes on from where the stage before left it."""
    for name, span in before.device.items():
        now = getattr(stage, name)
        if now is not None and not _meet(now, span):
            unit = "m" if name.endswith("_m") else "deg"
            expected = f"a range that meets that of stage '{before.stage}', {span.lo:g} to {span.hi:g} {unit}"
            remedy = "let one range end where the other begins"
            yield Mistake(where(scene, stage, name), expected, f"{now.lo:g} to {now.hi:g} {unit}", remedy)


def _people(scene: Scene, stage: Stage, before: State) -> Iterator[Mistake]:
    aloft = records.aloft(scene, stage)
    for name, feet in before.up.items():
        phase = before.bonded.get(name)
        if name not in aloft:
            if phase is not None:
                remedy = f"unbond '{name}' and come down first"
                found = f"'{name}', bonded to {phase} in stage '{before.stage}', is not there"
                yield Mistake(where(scene, stage, "workers"), "everybody who is bonded", found, remedy)
            else:
                remedy = 'add a stage of kind "descend" before it'
                found = f"'{name}' left up there by stage '{before.stage}'"
                yield Mistake(where(scene, stage, "workers"), "nobody forgotten on the ladder", found, remedy)
            continue
        if stage.climb_m is not None and not _meet(stage.climb_m, feet):
            expected = f"heights that meet those of stage '{before.stage}', {_span(feet)}"
            remedy = "let one range end where the other begins"
            yield Mistake(where(scene, stage, "climb_m"), expected, _span(stage.climb_m), remedy)
        high = stage.climb_m is not None and stage.climb_m.hi > feet.lo + SAME_M
        if name in before.unbonding and name not in stage.bonded and stage.climb_m is not None and high:
            expected = f"feet at or below {feet.lo:g} m, where stage '{before.stage}' takes the clamp off"
            remedy = "unbond only at the ladder's clear position"
            yield Mistake(where(scene, stage, "climb_m"), expected, f"up to {stage.climb_m.hi:g} m", remedy)
        if phase is not None and name not in stage.bonded:
            remedy = 'add a stage of kind "bond off" before it'
            found = f"'{name}' not bonded, though bonded to {phase} in stage '{before.stage}'"
            yield Mistake(where(scene, stage, "bonded"), f"'{name}' still bonded to {phase}", found, remedy)
    for name, phase in stage.bonded.items():
        held = before.bonded.get(name)
        if held is not None and held != phase:
            remedy = f"bond off at {held} and come down first"
            yield Mistake(where(scene, stage, "bonded"), f"'{name}' bonded to {held} still", phase, remedy)
        if held is None and stage.kind != "bond on":
            found = f"'{name}' bonded to {phase} with no stage of bonding before"
            remedy = 'add a stage of kind "bond on" before it'
            yield Mistake(where(scene, stage, "bonded"), f"'{name}' not bonded after '{before.stage}'", found, remedy)
    for name in aloft:
        if name not in before.up and stage.kind not in ("step on", "climb", "travel"):
            remedy = 'add stages of kind "step on" and "climb" before it'
            found = f"'{name}' on the ground after stage '{before.stage}'"
            yield Mistake(where(scene, stage, "workers"), f"'{name}' on the ladder already", found, remedy)
    both = {**before.bonded, **stage.bonded}
    if len(set(both.values())) > 1 and len(set(stage.bonded.values())) == 1 and set(before.bonded) - set(stage.bonded):
        found = " and ".join(f"'{name}' to {phase}" for name, phase in both.items())
        yield Mistake(where(scene, stage, "bonded"), "nobody else bonded to another phase", found, "unbond them first")


def _wires(scene: Scene, stage: Stage, before: State) -> Iterator[Mistake]:
    """Wires are where the stage before left them, and at the potential it left them at."""
    loose = before.opened | before.off
    for name in stage.off:
        if name not in loose:
            remedy = 'add stages of kind "open" and "lower" for it'
            found = f"{shown(name)}, in place after stage '{before.stage}'"
            yield Mistake(where(scene, stage, "off"), "a wire that a stage has lowered", found, remedy)
        elif name not in before.off:
            remedy = 'add a stage of kind "lower" that brings it there'
            found = f"{shown(name)}, opened in stage '{before.stage}' and not lowered"
            yield Mistake(where(scene, stage, "off"), "a wire that a stage has lowered", found, remedy)
    here = {*stage.off, *stage.released}
    for name in sorted(loose - here):
        remedy = 'name it in off, or bring it back by stages of kind "raise" and "close"'
        found = f"{shown(name)} nowhere, though taken off by stage '{before.stage}' or before"
        yield Mistake(where(scene, stage, "off"), f"{choices([name])} where it was left", found, remedy)
    for name in stage.released:
        if stage.kind == "open" and name in loose:
            found = f"{shown(name)}, off since stage '{before.stage}' or before"
            yield Mistake(where(scene, stage, "released"), "a wire in place", found, "part it only once")
        if stage.kind == "close" and name not in before.up_high:
            remedy = 'raise it to its place by a stage of kind "raise" whose lower_m begins at 0'
            found = f"{shown(name)} elsewhere after stage '{before.stage}'"
            yield Mistake(where(scene, stage, "released"), "a wire that was raised to its place", found, remedy)
        if name in before.earthed:
            remedy = 'remove the earth by a stage of kind "earthing" with lifts_earth'
            found = f"{shown(name)}, earthed after stage '{before.stage}': joined to a phase it is a fault"
            yield Mistake(where(scene, stage, "released"), "a wire that is not earthed", found, remedy)
    for name in stage.off:
        stated = stage.potentials.get(name) == EARTH
        if name in before.earthed and not stated and name not in stage.lifts_earth:
            remedy = f'add potentials = {{ "{name}" = "earth" }}, or remove its earth in a stage of kind "earthing"'
            found = f"{shown(name)} not stated, though earthed in stage '{before.stage}' or before"
            yield Mistake(where(scene, stage, "potentials"), "the earth it has", found, remedy)
        if name not in before.earthed and stated:
            remedy = 'add a stage of kind "earthing" with earths before it'
            yield Mistake(where(scene, stage, "potentials"), f"{shown(name)} earthed by a stage", "none did it", remedy)
    for name in stage.lifts_earth:
        if name not in before.earthed:
            found = f"{shown(name)}, not earthed"
            yield Mistake(where(scene, stage, "lifts_earth"), "a wire that is earthed", found, "leave it out")


def lowered_whole(site: Site) -> None:
    """A wire that is parked must have been lowered all the way there, and one raised must have come from there.

    Raises: InputError with every lowering that ends elsewhere.
    """
    scene = site.scene
    mistakes = []
    for stage, following in zip(scene.stages, (*scene.stages[1:], None), strict=True):
        for name in stage.released:
            parks = following is not None and not following.anew and name in following.off
            if stage.kind not in ("lower", "raise") or not parks or stage.lower_m is None:
                continue
            hung = site.wires[name]
            release = hung.record.release
            assert release is not None
            free = hung.catenary.start if release.free_end == "from" else hung.catenary.end
            way = math.dist(free, place(site, hung.record, release.lowered_to_m))
            if stage.lower_m.hi < way - LEFT_OVER_M:
                remedy = f"lower it all the way: lower_m up to {math.floor(way * 100) / 100:.2f}"
                found = f"{stage.lower_m.hi:g} m, and stage '{following.name if following else ''}' has it parked"
                expected = f"the {way:.2f} m to where {shown(name)} is parked"
                mistakes.append(Mistake(where(scene, stage, "lower_m"), expected, found, remedy))
    if mistakes:
        raise InputError(mistakes)
