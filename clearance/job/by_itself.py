"""Owns what a stage may not be by itself, whatever came before: who is aloft, what is established before a connection
opens, how the ladder is set up, what a clamp sits on, how somebody
steps on and off."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from clearance.errors import Mistake
from clearance.job import parameters
from clearance.scene import records, statements
from clearance.scene.messages import shown
from clearance.scene.records import Reference, Scene, SpanWire, Stage, where

SAME_M: Final = 1e-9
"""[m] Heights and stations nearer than this are the same: they are written, not measured."""

LYING_DEG: Final = 80.0
"""[deg] A ladder that leans so far from the upright lies on the ground but for being lifted by hand; what is set up
begins there (common practice, no source)."""


FLOOR_M: Final = 1.5
"""[m] A platform is stepped on and off with its floor no higher above the ground (common practice, no source)."""

FEET_M: Final = 2.0
"""[m] Nor is a ladder with the feet any higher: from there somebody is aloft (common practice, no source)."""


def by_itself(scene: Scene, stage: Stage, part: bool = False) -> Iterator[Mistake]:
    """What a stage may not be, whatever came before.

    part: another stage of setting up is before it, or another of striking after it, that goes to the ground
    """
    aloft = records.aloft(scene, stage)
    if stage.kind in ("set up", "strike"):
        yield from _turned_up(scene, stage, aloft, part)
    if stage.kind in records.AT_FOOT:
        yield from _at_foot(scene, stage, aloft)
    if stage.kind == "step off" and stage.climb_m is not None and stage.climb_m.lo > SAME_M:
        remedy = "the last metre is judged like every other"
        found = f"no lower than {stage.climb_m.lo:g} m"
        yield Mistake(where(scene, stage, "climb_m"), "feet down to 0 m, on the ground", found, remedy)
    if stage.kind == "travel" and aloft and stage.rides is None:
        remedy = "come down first, or state rides: who allows it, and why"
        yield Mistake(where(scene, stage, "workers"), "nobody on the ladder while it travels", ", ".join(aloft), remedy)
    if len(set(stage.bonded.values())) > 1:
        found = " and ".join(f"'{name}' to {phase}" for name, phase in stage.bonded.items())
        remedy = "between two people at different phases there is the full voltage: write a stage for each"
        yield Mistake(where(scene, stage, "bonded"), "everybody bonded to one phase", found, remedy)
    yield from _clamped(scene, stage)
    for kind, verb in (("bond on", "bond"), ("bond off", "unbond")):
        if stage.kind == kind and not stage.bonded:
            remedy = 'add bonded, such as { worker = "A" }'
            expected = f"whom the stage is to {verb}, and the phase"
            yield Mistake(where(scene, stage, "bonded"), expected, "nobody", remedy)
    if stage.kind == "earthing" and stage.stick_m is None:
        remedy = "add stick_m: a tail is earthed with a remote tool only"
        yield Mistake(where(scene, stage, "stick_m"), "the insulating length of the remote tool", "nothing", remedy)
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
    span = stage.lower_m
    if opening and (len(stage.released) != 1 or span is None or span.lo > SAME_M or span.hi <= SAME_M):
        told = "not stated" if span is None else parameters.shown("lower_m", span)
        found = f"{len(stage.released)} released, lower_m {told}"
        remedy = "name one wire, with lower_m from 0, its place, to where the whole distance to what it leaves holds"
        yield Mistake(where(scene, stage, "lower_m"), f"the whole way over which one wire is {word}", found, remedy)
    for name in stage.released:
        wire = wires[name]
        established = wire.release.before_opening if wire.release is not None else None
        place = (*where(scene, wire, "release"), "before_opening")
        if established is None:
            if opening:
                expected = f"what is established before it is {word}: far_end, phase_identified, by"
                yield Mistake(place, expected, "nothing", f"stage '{stage.name}' needs it: add before_opening")
            continue
        if established.far_end != "open and locked":
            remedy = "open and lock it: else the wire may become live from there"
            yield Mistake((*place, "far_end"), '"open and locked"', shown(established.far_end), remedy)
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
            if person != stage.by_hand and any(
                {person, name} == set(pair) for pair in statements.contacts(scene, stage)
            ):
                remedy = "state who holds its free end, by_hand; else touch one end only, and use a tool"
                found = f"'{person}' touches {shown(name)}, and may touch what it opens from"
                yield Mistake(where(scene, stage), "nobody at both ends of an opening", found, remedy)
        if stage.by_hand is not None and stage.bonded.get(stage.by_hand) != wires[name].phase:
            expected = f"somebody aloft who is bonded to the wire's phase, {wires[name].phase}"
            found = f"'{stage.by_hand}', {stage.bonded.get(stage.by_hand) or 'not bonded'}"
            yield Mistake(where(scene, stage, "by_hand"), expected, found, "bond to it in a stage before")
    if stage.opening_distance_m is None:
        expected = "how far everybody keeps from where it opens or closes"
        yield Mistake(where(scene, stage, "opening_distance_m"), expected, "nothing", "add opening_distance_m")


def _clamped(scene: Scene, stage: Stage) -> Iterator[Mistake]:
    """A clamp that sits on a wire sits on one of the bonded phase, which is in place."""
    if not stage.bonded or not isinstance(stage.clamp_m, Reference):
        return
    phases, name = set(stage.bonded.values()), stage.clamp_m.name
    wire = next((wire for wire in scene.wires if wire.name == name), None)
    expected = f"a point of a wire of phase {' or '.join(sorted(phases))}, which is in place"
    remedy = "clamp it to what the worker is bonded to"
    place = where(scene, stage, "clamp_m")
    if wire is None or wire.phase not in phases:
        of_phase = f"of phase {wire.phase}" if wire is not None and wire.phase else "no phase"
        found = f"{shown(name)}, {of_phase}"
        yield Mistake(place, expected, found, remedy)
    elif name in (*stage.released, *stage.off):
        yield Mistake(place, expected, f"{shown(name)}, which is taken off in this stage", remedy)


def _at_foot(scene: Scene, stage: Stage, aloft: tuple[str, ...]) -> Iterator[Mistake]:
    """Whoever steps on or off is near the ground all the while, and at earth: bonded to nothing."""
    if stage.bonded:
        found = " and ".join(f"'{name}' to {phase}" for name, phase in stage.bonded.items())
        remedy = 'bond in a stage of kind "bond on", up there, and unbond in one of kind "bond off"'
        yield Mistake(where(scene, stage, "bonded"), "nobody bonded while on the ground", found, remedy)
    if stage.climb_m is not None and aloft and stage.climb_m.hi > FEET_M + SAME_M:
        remedy = 'climb further in a stage of kind "climb", and come down in one of kind "descend"'
        expected = f"feet no higher than {FEET_M:g} m where somebody steps on or off"
        yield Mistake(where(scene, stage, "climb_m"), expected, f"up to {stage.climb_m.hi:g} m", remedy)
    floor = floor_m(scene, stage)
    if floor is not None and aloft and floor > FLOOR_M + SAME_M:
        remedy = 'lower it there first by boom_deg and extend_m, and raise it in a stage of kind "climb"'
        expected = f"a platform whose floor stays within {FLOOR_M:g} m of the ground where somebody steps on or off"
        yield Mistake(where(scene, stage, "boom_deg"), expected, f"up to {floor:.2f} m", remedy)


def floor_m(scene: Scene, stage: Stage) -> float | None:
    """The greatest height of a platform's floor above the ground its device stands on [m], over all of a stage; None
    where no device stands in it."""
    device, boom, out = scene.aerial_device, stage.boom_deg, stage.extend_m
    if device is None or boom is None or out is None:
        return None
    raised = [boom.lo, boom.hi, *([90.0] if boom.lo <= 90.0 <= boom.hi else [])]
    lengths = (device.boom_m + out.lo, device.boom_m + out.hi)
    highest = max(length * math.sin(math.radians(angle)) for angle in raised for length in lengths)
    return device.turret_m + highest - device.drop_m


def lies(scene: Scene, stage: Stage) -> float:
    """How far from the upright a ladder that stands leans at most in a stage [deg]."""
    tilt = scene.ladder.tilt_deg if scene.ladder is not None else 0.0
    leans = (stage.lean_along_deg.lo + tilt, stage.lean_along_deg.hi + tilt)
    return max(map(abs, (*leans, stage.lean_across_deg.lo, stage.lean_across_deg.hi)))


def _turned_up(scene: Scene, stage: Stage, aloft: tuple[str, ...], part: bool) -> Iterator[Mistake]:
    """The ladder is turned up about its feet from the ground, or down to it, with nobody on it."""
    words = "set up" if stage.kind == "set up" else "struck"
    if aloft:
        remedy = "leave out workers"
        yield Mistake(
            where(scene, stage, "workers"), f"nobody on the ladder while it is {words}", ", ".join(aloft), remedy
        )
    if scene.ladder is None or stage.travel_m is None:
        yield Mistake(where(scene, stage, "travel_m"), f"where the ladder is {words}", "nothing", "add travel_m")
        return
    if scene.ladder.hangs_on is not None:
        remedy = "begin with the ladder as it hangs; how it gets there is not judged, and the result says so"
        yield Mistake(where(scene, stage, "kind"), f"a ladder that is {words} about its feet", "one that hangs", remedy)
        return
    furthest = lies(scene, stage)
    if furthest < LYING_DEG and not part:
        remedy = "let lean_along_deg or lean_across_deg begin there, such as [-85, 1.5]"
        expected = f"a lean that takes the ladder {'up from' if stage.kind == 'set up' else 'down to'} the ground, "
        expected += f"{LYING_DEG:g} deg or more from the upright"
        yield Mistake(where(scene, stage, "lean_along_deg"), expected, f"{furthest:g} deg at most", remedy)
