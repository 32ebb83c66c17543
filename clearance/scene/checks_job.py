"""Owns the checks across what the job brings: ladder, people, ropes, and every name and range a stage uses."""

from __future__ import annotations

import math
from collections.abc import Iterator

from clearance.errors import Mistake
from clearance.scene.checks import Known, known_wire, potential_mistake
from clearance.scene.checks_release import hung_on_gone
from clearance.scene.checks_standing import area_mistakes, place_mistakes
from clearance.scene.checks_unused import unused_in_stage
from clearance.scene.messages import choices, meant, shown
from clearance.scene.records import (
    BRINGABLE,
    EARTH,
    FLOATING,
    LADDER_MOVES,
    Crew,
    Ladder,
    Reference,
    Rope,
    Scene,
    SpanWire,
    Stage,
    Tested,
    Worker,
    aloft,
    bringable,
    where,
)
from clearance.scene.statements import absent


def job_checks(scene: Scene, known: Known) -> Iterator[Mistake]:
    """Every mistake across the tables that describe the job."""
    if not known.stages:
        yield Mistake(where(scene, None, "stages"), "the steps of the job", "nothing", "add a table [[stages]]")
    if scene.ladder is not None:
        yield from _ladder(scene, known, scene.ladder)
    if scene.track is not None and scene.ladder is not None and scene.track.settlement_m > 0.5 * scene.ladder.width_m:
        expected = f"at most half the ladder's width, {0.5 * scene.ladder.width_m:g} m"
        found = f"{scene.track.settlement_m:g} m"
        remedy = "put sole plates under the feet, or measure again"
        yield Mistake(where(scene, scene.track, "settlement_m"), expected, found, remedy)
    for worker in scene.workers:
        yield from _person(scene, worker)
    for person in scene.crew:
        yield from _person(scene, person)
        yield from area_mistakes(scene, person)
        if person.worker is not None and person.worker not in known.workers:
            remedy = meant(person.worker, known.workers) or "leave worker out of whoever stays on the ground"
            yield Mistake(where(scene, person, "worker"), "a worker of this scene", shown(person.worker), remedy)
        others = [one.name for one in scene.crew if one.worker == person.worker and one.name != person.name]
        if person.worker is not None and others:
            remedy = "a man is in one place: state one area for where they wait, or stands in the stages"
            found = f"{shown(person.worker)}, as {shown(others[0])} is too"
            yield Mistake(where(scene, person, "worker"), "a worker whom nobody else of the crew is", found, remedy)
    for rope in scene.ropes:
        yield from _tie(scene, known, rope)
        yield from known_wire(scene, known, rope, ("to_m", rope.to_m))
        tied = isinstance(rope.from_m, Reference) and rope.from_m.name in known.ladders
        if rope.guy and not tied:
            remedy = 'tie it to the ladder, such as from = "ladder @ 6", or leave out guy'
            yield Mistake(where(scene, rope, "guy"), "a guy tied to the ladder", shown(str(rope.from_m)), remedy)
    lines = tuple(rope.name for rope in scene.ropes)
    for tool in scene.tools:
        if tool.line not in lines:
            yield Mistake(where(scene, tool, "line"), "a rope of this scene", shown(tool.line), meant(tool.line, lines))
    for test in scene.tests:
        yield from _tested(scene, test)
    for stage in scene.stages:
        yield from stage_mistakes(scene, known, stage)


LEAKAGE_RULE = "29 CFR 1910.269(q)(3)(xiii)(B), the daily test of an aerial lift"
LEAKAGE_UA_PER_KV = 1.0
"""[uA/kV] Most leakage along an insulating device per kV to earth: 29 CFR 1910.269(q)(3)(xiii)(B), read, the daily test
of the boom of an aerial lift, of nominal phase-to-ground voltage; for a ladder an analogy."""


def _tested(scene: Scene, test: Tested) -> Iterator[Mistake]:
    """A test that failed is none. A leakage current is measured at the voltage to earth worked at, and stays within
    what the rule asks."""
    if "fail" in test.result.casefold():
        remedy = 'do not work with it, and leave the entry out; where it passed, say so without the word "fail"'
        yield Mistake(where(scene, test, "result"), "a test that was passed", shown(test.result), remedy)
    if (test.leakage_uA is None) != (test.at_kV is None):
        missing = "leakage_uA" if test.leakage_uA is None else "at_kV"
        yield Mistake(where(scene, test, missing), "the current with its voltage", "one of them", f"add {missing}")
    if test.leakage_uA is None or test.at_kV is None:
        return
    worked = max((circuit.nominal_kV for circuit in scene.circuits), default=0.0) / math.sqrt(3.0)
    # What is written as 127 kV stands for 220 kV over the root of 3, which is 127.02 kV.
    if test.at_kV < worked - 0.5:
        expected = f"at least the voltage to earth worked at, {worked:.0f} kV"
        yield Mistake(where(scene, test, "at_kV"), expected, f"{test.at_kV:g} kV", "measure again at that voltage")
    most = LEAKAGE_UA_PER_KV * test.at_kV
    if test.leakage_uA > most:
        remedy = "do not work with it: clean, dry and measure again, or take another"
        expected = f"at most {most:g} uA, {LEAKAGE_UA_PER_KV:g} uA per kV ({LEAKAGE_RULE}"
        expected += ")" if test.what == "aerial device" else "; for anything but a lift an analogy)"
        yield Mistake(where(scene, test, "leakage_uA"), expected, f"{test.leakage_uA:g} uA", remedy)


def _ladder(scene: Scene, known: Known, ladder: Ladder) -> Iterator[Mistake]:
    top = ladder.length_m
    if ladder.insulating_from_m >= ladder.insulating_to_m:
        found = f"{ladder.insulating_from_m:g} m to {ladder.insulating_to_m:g} m"
        yield Mistake(
            where(scene, ladder, "insulating_to_m"), "an upper end above insulating_from_m", found, "swap them"
        )
    elif ladder.wet_or_dirty_m >= ladder.insulating_to_m - ladder.insulating_from_m:
        expected = f"less than the insulating part, {ladder.insulating_to_m - ladder.insulating_from_m:g} m"
        yield Mistake(
            where(scene, ladder, "wet_or_dirty_m"), expected, f"{ladder.wet_or_dirty_m:g} m", "mend one of them"
        )
    if ladder.hangs_on is not None:
        yield from _hung(scene, known, ladder)
    elif ladder.heading_deg is not None:
        remedy = "state heading_deg of the track, or what the ladder hangs on (hangs_on)"
        found = f"{ladder.heading_deg:g} deg and no hangs_on"
        yield Mistake(where(scene, ladder, "heading_deg"), "a heading of a ladder that hangs", found, remedy)
    heights = [("insulating_to_m", ladder.insulating_to_m), ("platform_m", ladder.platform_m or 0.0)]
    heights += [(f"fitting '{fitting.name}'", max(fitting.from_m, fitting.to_m)) for fitting in ladder.fittings]
    for field, height in heights:
        if height > top:
            yield Mistake(
                where(scene, ladder, field), f"at most the ladder's length, {top:g} m", f"{height:g} m", "mend one"
            )
    for fitting in ladder.fittings:
        if fitting.from_m > fitting.to_m:
            found = f"{fitting.from_m:g} m to {fitting.to_m:g} m"
            place = where(scene, ladder, f"fitting '{fitting.name}'", "to_m")
            yield Mistake(place, "an upper end that is not below from_m", found, "swap them")


def _hung(scene: Scene, known: Known, ladder: Ladder) -> Iterator[Mistake]:
    """A ladder that hangs on a wire: known, live, with nothing else to stand on, and it pulls the wire down."""
    place = where(scene, ladder, "hangs_on")
    if ladder.hangs_on not in known.wires:
        yield Mistake(place, "a wire of this scene", shown(ladder.hangs_on), meant(str(ladder.hangs_on), known.wires))
        return
    if ladder.heading_deg is None:
        remedy = "add heading_deg, anticlockwise from x"
        yield Mistake(where(scene, ladder, "heading_deg"), "the way the climber faces", "nothing", remedy)
    if scene.track is not None:
        yield Mistake(place, "a ladder on a track or on a wire", "both", "leave out [track], or hangs_on")
    if ladder.tilt_deg != 0.0:
        remedy = "leave out tilt_deg: it hangs straight down, and swings by its lean"
        found = f"{ladder.tilt_deg:g} deg"
        yield Mistake(where(scene, ladder, "tilt_deg"), "no tilt of a ladder that hangs", found, remedy)


def _person(scene: Scene, person: Worker | Crew) -> Iterator[Mistake]:
    by_class = person.sex is not None and person.percentile is not None
    part_of_class = (person.sex is None) != (person.percentile is None)
    if part_of_class or (person.stature_m is not None) == by_class:
        given = [name for name in ("stature_m", "sex", "percentile") if getattr(person, name) is not None]
        found = " and ".join(given) or "none of them"
        yield Mistake(where(scene, person), "stature_m, or sex with percentile", found, "state one of the two")


def _tie(scene: Scene, known: Known, rope: Rope) -> Iterator[Mistake]:
    """Where a rope is tied: on a wire, or on the ladder between its feet and its top."""
    tie, ladder = rope.from_m, scene.ladder
    if not isinstance(tie, Reference):
        return
    if tie.name not in (*known.wires, *known.ladders):
        remedy = meant(tie.name, (*known.wires, *known.ladders))
        yield Mistake(where(scene, rope, "from"), "a reference to a wire or the ladder", shown(str(tie)), remedy)
    elif ladder is not None and tie.name == ladder.name and not _on_it(tie, ladder.length_m):
        expected = f"a place on the ladder, from 0 to {ladder.length_m:g} m"
        remedy = "places count along the ladder from its feet: mend it, or length_m of the ladder"
        yield Mistake(where(scene, rope, "from"), expected, shown(str(tie)), remedy)


def _on_it(place: Reference, length_m: float) -> bool:
    return place.along_m is not None and 0.0 <= place.along_m <= length_m


def stage_mistakes(scene: Scene, known: Known, stage: Stage) -> Iterator[Mistake]:
    """Names and ranges of one stage that do not fit the scene."""
    if not known.ladders and (stage.climb_m is not None or stage.travel_m is not None):
        field = "climb_m" if stage.climb_m is not None else "travel_m"
        yield Mistake(where(scene, stage, field), "a ladder in the scene", "no table [ladder]", "add one")
    hangs = scene.ladder is not None and scene.ladder.hangs_on is not None
    if stage.travel_m is not None and known.ladders and not known.tracks and not hangs:
        yield Mistake(where(scene, stage, "travel_m"), "a track in the scene", "no table [track]", "add one")
    wire = scene.ladder.hangs_on if scene.ladder is not None else None
    if wire is not None and stage.travel_m is not None and wire not in _moved(stage):
        remedy = f'add disturbed = [{{ wire = "{wire}", movement_m = ..., basis = "..." }}]'
        expected = f"how far the weight on it moves {shown(wire)}"
        yield Mistake(where(scene, stage, "disturbed"), expected, "nothing", remedy)
    if stage.climb_m is not None and scene.ladder is not None:
        low, high = stage.climb_m.lo, stage.climb_m.hi
        if low < 0 or high > scene.ladder.length_m:
            expected = f"heights between 0 and the ladder's length, {scene.ladder.length_m:g} m"
            yield Mistake(where(scene, stage, "climb_m"), expected, f"{low:g} m to {high:g} m", "mend the range")
    for field in ("travel_m", "lower_m"):
        span = getattr(stage, field)
        if span is not None and span.lo < 0:
            yield Mistake(where(scene, stage, field), "distances of at least 0", f"{span.lo:g} m", "mend the range")
    people = aloft(scene, stage) if stage.workers is not None or stage.kind in LADDER_MOVES else known.workers
    yield from _device(scene, stage)
    yield from _hauled(scene, stage)
    if people and stage.climb_m is None and stage.extend_m is None:
        yield Mistake(where(scene, stage, "climb_m"), "how high the worker aloft stands", "nothing", "add climb_m")
    yield from unused_in_stage(scene, stage)
    yield from place_mistakes(scene, stage)
    yield from _names(scene, stage, "workers", stage.workers or (), known.workers, "a worker of this scene")
    yield from _bonds(scene, known, stage, people)
    yield from _off(scene, known, stage)
    # Whether what comes and goes is there then is known once the stages follow each other (`job.carried.presence`).
    fleeting = {name for one in scene.stages for name in one.bodies}
    yield from (mistake for name, mistake in hung_on_gone(scene, stage) if name not in fleeting)
    wires = [entry.wire for entry in stage.disturbed]
    yield from _names(scene, stage, "disturbed", wires, known.wires, "a wire of this scene")
    yield from _disturbed(scene, known, stage)
    for field in ("earths", "lifts_earth"):
        for name in dict.fromkeys(getattr(stage, field)):
            if name not in stage.off:
                yield Mistake(
                    where(scene, stage, field), "a wire that is off in this stage", shown(name), "add it to off"
                )
    if (stage.kind in ("bring", "take away")) != bool(stage.bodies):
        remedy = 'state them in a stage of kind "bring" or "take away", and only there'
        expected = "nothing" if stage.bodies else f"which bodies to {stage.kind}"
        found = "nothing" if not stage.bodies else f"bodies in a stage of kind {shown(stage.kind)}"
        yield Mistake(where(scene, stage, "bodies"), expected, found, remedy)
    yield from _names(scene, stage, "restores", stage.restores, tuple(wires), "a wire that is disturbed in this stage")
    yield from _names(scene, stage, "bodies", stage.bodies, bringable(scene), BRINGABLE)
    yield from _live(scene, known, stage)
    yield from _names(scene, stage, "potentials", stage.potentials, known.bodies, "a body of this scene")
    for body, potential in stage.potentials.items():
        yield from potential_mistake(scene, known, stage, f"potentials: {body}", potential, (EARTH, FLOATING))
        if body == "ground" and potential != EARTH:
            remedy = "leave it out: a fault makes the ground no phase, and nothing insulates it"
            yield Mistake(where(scene, stage, "potentials: ground"), "the ground at earth", shown(potential), remedy)


def _live(scene: Scene, known: Known, stage: Stage) -> Iterator[Mistake]:
    """A live part belongs to the site: it was there before the job, and does not come and go by a word."""
    for solid in scene.solids:
        at = [
            potential for potential in (solid.potential, stage.potentials.get(solid.name)) if potential in known.phases
        ]
        if solid.name in stage.bodies and at:
            remedy = "leave it there, or state it as absent with basis, name and date, or let a wire take it along"
            found = f"{shown(solid.name)} at {at[0]}"
            yield Mistake(where(scene, stage, "bodies"), "nothing that is at a phase", found, remedy)


def _device(scene: Scene, stage: Stage) -> Iterator[Mistake]:
    """How an aerial device stands: all of it or nothing, within what it can do, and no ladder beside it."""
    device = scene.aerial_device
    told = [name for name in ("turret_deg", "boom_deg", "extend_m") if getattr(stage, name) is not None]
    if device is None:
        if told:
            remedy = "add a table [aerial_device]"
            yield Mistake(where(scene, stage, told[0]), "an aerial device in the scene", "none", remedy)
        return
    if device.name in absent(scene, stage):
        if told:
            remedy = "withdraw the statement that it is absent, or leave out its ranges"
            expected = f"nothing, as {shown(device.name)} is absent"
            yield Mistake(where(scene, stage, told[0]), expected, "a range", remedy)
        return
    if len(told) < 3:
        missing = [name for name in ("turret_deg", "boom_deg", "extend_m") if name not in told]
        remedy = f"add {missing[0]}, or state that it is absent, with basis, name and date"
        yield Mistake(where(scene, stage, missing[0]), f"how {shown(device.name)} stands", "nothing", remedy)
    for name in ("travel_m", "climb_m"):
        if told and getattr(stage, name) is not None:
            remedy = "write a stage for each"
            yield Mistake(where(scene, stage, name), "a ladder or an aerial device", "both", remedy)
    for name, span, can in (
        ("boom_deg", stage.boom_deg, device.raise_deg),
        ("extend_m", stage.extend_m, device.extend_m),
    ):
        if span is not None and not can.lo <= span.lo <= span.hi <= can.hi:
            expected = f"within what {shown(device.name)} can do, {can.lo:g} to {can.hi:g}"
            yield Mistake(where(scene, stage, name), expected, f"{span.lo:g} to {span.hi:g}", "mend the range")


def _hauled(scene: Scene, stage: Stage) -> Iterator[Mistake]:
    """A hauled tool is one of the scene, on a line that is there."""
    tools = {tool.name: tool for tool in scene.tools}
    if stage.hauled is None:
        if stage.haul_m is not None:
            remedy = "add hauled, the name of the tool"
            yield Mistake(where(scene, stage, "haul_m"), "a tool that is hauled", "none", remedy)
        return
    if stage.hauled not in tools:
        remedy = meant(stage.hauled, tuple(tools))
        yield Mistake(where(scene, stage, "hauled"), "a tool of this scene", shown(stage.hauled), remedy)
        return
    for name in (stage.hauled, tools[stage.hauled].line):
        if name in absent(scene, stage):
            remedy = "withdraw the statement that it is absent, or haul nothing"
            yield Mistake(where(scene, stage, "hauled"), f"{shown(name)} there", "absent", remedy)
    if stage.haul_m is not None and stage.haul_m.lo < 0.0:
        found = f"{stage.haul_m.lo:g} m"
        yield Mistake(where(scene, stage, "haul_m"), "distances of at least 0", found, "mend the range")


def _moved(stage: Stage) -> list[str]:
    """Wires of which the stage states how far they move."""
    return [entry.wire for entry in stage.disturbed if entry.movement_m is not None]


def _disturbed(scene: Scene, known: Known, stage: Stage) -> Iterator[Mistake]:
    """What a stage says of a wire that moves: how far, or what comes on it and leaves it."""
    for entry in stage.disturbed:
        head = where(scene, stage, "disturbed", f"'{entry.wire}'")
        wire = next((wire for wire in scene.wires if wire.name == entry.wire), None)
        if wire is None:
            continue
        hung = [load.wire or load.what or "" for load in wire.loads] if isinstance(wire, SpanWire) else []
        changes = [*entry.carries, *entry.puts_on, *entry.takes_off]
        changes += [name for name in hung if name in (*stage.released, *stage.off)]
        if entry.movement_m is None and not changes:
            remedy = "state movement_m with its basis, or puts_on or takes_off"
            yield Mistake(head, "how far it moves, or what comes on it or leaves it", "neither", remedy)
        if entry.movement_m is not None and entry.basis is None:
            remedy = "state basis: what measurement or calculation says that it moves no further"
            yield Mistake((*head, "movement_m"), "a basis beside it", "none", remedy)
        if (entry.carries or entry.puts_on or entry.takes_off) and not isinstance(wire, SpanWire):
            yield Mistake(head, "loads on a wire of kind span", "on a loose wire", "state movement_m with its basis")
        names = [*hung, *(load.what for load in (*entry.carries, *entry.puts_on))]
        for name in dict.fromkeys(name for name in names if names.count(name) > 1):
            remedy = "name it otherwise"
            yield Mistake(head, "loads with a name each", f"{shown(name)} twice", remedy)
        there = (*hung, *(load.what for load in entry.carries))
        for name in entry.takes_off:
            if name not in there:
                expected = "a load of the wire, or one that it carries in this stage"
                yield Mistake((*head, "takes_off"), expected, shown(name), meant(name, there))
    wires = [entry.wire for entry in stage.disturbed]
    for name in dict.fromkeys(name for name in wires if wires.count(name) > 1):
        yield Mistake(where(scene, stage, "disturbed"), "one entry for a wire", f"{shown(name)} twice", "join them")


def _names(
    scene: Scene, stage: Stage, field: str, names: object, known: tuple[str, ...], expected: str
) -> Iterator[Mistake]:
    for name in dict.fromkeys(names):  # type: ignore[call-overload]
        if name not in known:
            yield Mistake(where(scene, stage, field), expected, shown(name), meant(name, known))


def _bonds(scene: Scene, known: Known, stage: Stage, people: tuple[str, ...]) -> Iterator[Mistake]:
    for worker, phase in stage.bonded.items():
        place = where(scene, stage, "bonded")
        if worker not in known.workers:
            yield Mistake(place, "a worker of this scene", shown(worker), meant(worker, known.workers))
        elif worker not in people:
            yield Mistake(place, "a worker who is aloft in this stage", shown(worker), "add the worker to workers")
        if phase not in known.phases:
            yield Mistake(place, f"a phase: {choices(known.phases)}", shown(phase), meant(phase, known.phases))
    yield from known_wire(scene, known, stage, ("clamp_m", stage.clamp_m))


def _off(scene: Scene, known: Known, stage: Stage) -> Iterator[Mistake]:
    """Wires a stage lowers or has off: known, and with a release that says how."""
    without = {wire.name for wire in scene.wires if wire.release is None}
    for field in ("released", "off"):
        for name in dict.fromkeys(getattr(stage, field)):
            if name not in known.wires:
                yield Mistake(where(scene, stage, field), "a wire of this scene", shown(name), meant(name, known.wires))
            elif name in without:
                remedy = f"add a release to wire '{name}': free_end, lowered_to_m"
                yield Mistake(where(scene, stage, field), "a wire with a release", f"{shown(name)} without one", remedy)
    for name in dict.fromkeys(stage.released):
        if name in stage.off:
            yield Mistake(
                where(scene, stage, "off"), "a wire either released or off", f"{shown(name)} in both", "keep one"
            )
    if stage.released and stage.lower_m is None:
        remedy = "add lower_m, such as 0 or [0, 8]"
        yield Mistake(where(scene, stage, "lower_m"), "how far the released wire is lowered", "nothing", remedy)
