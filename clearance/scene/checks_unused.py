"""Owns what a scene states and nothing would use: refused by name, so that nobody takes it for judged.

`unused_in_stage` holds the keys of a stage against a table, kind by key; `unused` the entries of the other tables.
What is only told to a reader (a name, a note, a basis, who answers for it) is a label and needs no use. Every other key
has an effect in some scene: `tests/test_every_key.py` shows it for each.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from clearance.errors import Mistake
from clearance.scene import statements
from clearance.scene.messages import choices, shown
from clearance.scene.records import (
    Scene,
    SpanWire,
    Stage,
    aloft,
    where,
)

KINDS: Final[Mapping[str, tuple[str, ...]]] = {
    "opening_distance_m": ("open", "close"),
    "by_hand": ("open", "close"),
    "earths": ("earthing",),
    "lifts_earth": ("earthing",),
    "stick_m": ("earthing", "bond off"),
    "rides": ("travel",),
}
"""Keys of a stage that only some kinds use, and which those are."""


def _on_ladder(scene: Scene, stage: Stage) -> bool:
    return stage.travel_m is not None


def _on_platform(scene: Scene, stage: Stage) -> bool:
    return stage.extend_m is not None


def _somebody(scene: Scene, stage: Stage) -> bool:
    # Nobody at all is told by the checks of the people; here it would only be said twice.
    return bool(aloft(scene, stage)) or not scene.workers


def _moves(scene: Scene, stage: Stage) -> bool:
    return bool(stage.released)


NEEDS: Final[Mapping[str, tuple[Callable[[Scene, Stage], bool], str, str]]] = {
    "lean_along_deg": (_on_ladder, "a ladder that stands somewhere", "no travel_m"),
    "lean_across_deg": (_on_ladder, "a ladder that stands somewhere", "no travel_m"),
    "heading_deg": (_on_ladder, "a ladder that stands somewhere", "no travel_m"),
    "climb_m": (_somebody, "somebody aloft", "nobody"),
    "posture": (_somebody, "somebody aloft", "nobody"),
    "swing_m": (_somebody, "somebody aloft", "nobody"),
    "bonding_lead_m": (lambda _, stage: bool(stage.bonded), "somebody bonded", "nobody"),
    "clamp_m": (lambda _, stage: bool(stage.bonded), "somebody bonded", "nobody"),
    "lower_m": (_moves, "a wire that moves", "nothing in released"),
    "opening_distance_m": (_moves, "a wire that opens or closes", "nothing in released"),
    "rides": (lambda scene, stage: bool(aloft(scene, stage)), "somebody on the ladder", "nobody"),
}
"""Keys of a stage that need something else in it: what is asked, in words, and what is found where it is not."""

NOT_ON_PLATFORM: Final[Mapping[str, str]] = {
    "lean_along_deg": "turn the turret and raise the boom instead",
    "lean_across_deg": "turn the turret and raise the boom instead",
    "heading_deg": "turn the turret instead",
    "swing_m": "somebody who hangs below a platform is not modelled: state room_m of the device for what moves on it",
}
"""Keys of a stage of a ladder that move nothing on an aerial device, and what to do instead."""


def unused_in_stage(scene: Scene, stage: Stage) -> Iterator[Mistake]:
    """Keys of a stage that its kind, or what is there in it, cannot use."""
    stated = {name for name in Stage.model_fields if getattr(stage, name) != Stage.model_fields[name].get_default()}
    for key in sorted(stated & KINDS.keys()):
        if stage.kind not in KINDS[key]:
            expected = f"a stage of kind {choices(KINDS[key])}, which uses it"
            yield Mistake(where(scene, stage, key), expected, shown(stage.kind), f"leave out {key}, or mend the kind")
    for key in sorted(stated & NOT_ON_PLATFORM.keys()):
        if _on_platform(scene, stage):
            expected = "nothing, as an aerial device does not move so"
            yield Mistake(where(scene, stage, key), expected, "a value", NOT_ON_PLATFORM[key])
    for key in sorted(stated & NEEDS.keys()):
        there, expected, found = NEEDS[key]
        platform = key in NOT_ON_PLATFORM and _on_platform(scene, stage)
        if not platform and stage.kind in KINDS.get(key, (stage.kind,)) and not there(scene, stage):
            yield Mistake(where(scene, stage, key), expected, found, f"nothing uses it else: leave out {key}")
    gone = {*stage.released, *stage.off, *statements.absent(scene, stage)}
    for entry in stage.disturbed:
        head = where(scene, stage, "disturbed", f"'{entry.wire}'")
        if entry.wire in gone:
            remedy = "leave the entry out: a wire that is off is judged wherever its tail may be"
            yield Mistake(head, "a wire that is in place", "one that is off, released or absent", remedy)


def unused(scene: Scene) -> Iterator[Mistake]:
    """Entries of the tables, but for the stages, that nothing would use."""
    yield from _of_people(scene)
    yield from _of_ropes(scene)
    yield from _of_wires(scene)
    yield from _tests(scene)
    for key in ("per_unit_basis", "basis"):
        if key in scene.rule_inputs:
            remedy = "state it with the circuit: overvoltage_per_unit, overvoltage_basis, overvoltage_by"
            yield Mistake(where(scene, None, "rule_inputs", key), "inputs of the rule alone", shown(key), remedy)


def _of_people(scene: Scene) -> Iterator[Mistake]:
    if scene.workers and scene.ladder is None and scene.aerial_device is None:
        remedy = "add [ladder] with [track], or [aerial_device], or leave out the workers"
        yield Mistake(where(scene, scene.workers[0]), "something to work from", "no ladder, no aerial device", remedy)
    if scene.track is not None and scene.ladder is None:
        yield Mistake(
            where(scene, scene.track), "a ladder that stands on it", "no table [ladder]", "add one, or leave it out"
        )
    ladder = scene.ladder
    if ladder is not None and ladder.clear_m is not None and not scene.workers:
        yield Mistake(where(scene, ladder, "clear_m"), "somebody who climbs", "no workers", "add one, or leave it out")
    if ladder is not None and ladder.platform_m is None and "platform_depth_m" in ladder.model_fields_set:
        remedy = "add platform_m, its height along the ladder, or leave it out"
        yield Mistake(where(scene, ladder, "platform_depth_m"), "a platform", "no platform_m", remedy)
    # Jobs haul nothing; stages that do are written out.
    hauled = {stage.hauled for stage in scene.stages}
    for tool in scene.tools:
        if tool.name not in hauled:
            remedy = (
                f"add hauled = {shown(tool.name)} to the stage that hauls it; what a hand holds is tool_m of the worker"
            )
            yield Mistake(where(scene, tool), "a stage that hauls it", "none", remedy)


def _of_ropes(scene: Scene) -> Iterator[Mistake]:
    for rope in scene.ropes:
        if rope.wet_or_dirty_m > 0.0 and not statements.insulating(scene, rope.name):
            remedy = 'add a statement of kind "insulating", or leave it out: an ordinary rope counts as earth'
            yield Mistake(where(scene, rope, "wet_or_dirty_m"), "an insulating rope", "an ordinary one", remedy)


def _of_wires(scene: Scene) -> Iterator[Mistake]:
    named = {wire.conductor for wire in scene.wires}
    for own in scene.conductors:
        if own.name not in named:
            remedy = f"name it in a wire: conductor = {shown(own.name)}"
            yield Mistake(where(scene, own), "a wire made of it", "none", remedy)
    for wire in scene.wires:
        if scene.weather is None and isinstance(wire, SpanWire):
            for key, stated in (("known", wire.known is not None), ("checks", bool(wire.checks))):
                if stated:
                    remedy = "add a table [weather]: without one the wire hangs as stated throughout"
                    yield Mistake(where(scene, wire, key), "weather that the wire is placed in", "no [weather]", remedy)


def _tests(scene: Scene) -> Iterator[Mistake]:
    """A test is of something that the scene has."""
    sticks = any(stage.stick_m is not None for stage in scene.stages) or any("earth" in job.kind for job in scene.jobs)
    there = {
        "suit": bool(scene.workers),
        "bonding lead": bool(scene.workers),
        # A wire that is taken off is held and lowered by ropes, whether or not they are bodies of the scene.
        "rope": bool(scene.ropes) or any(wire.release is not None for wire in scene.wires),
        "ladder": scene.ladder is not None,
        "remote tool": sticks or any(stage.kind in ("open", "close") for stage in scene.stages) or bool(scene.jobs),
        "aerial device": scene.aerial_device is not None,
    }
    has = tuple(what for what, is_there in there.items() if is_there)
    for test in scene.tests:
        if not there[test.what]:
            remedy = "leave the test out, or state what was tested"
            yield Mistake(where(scene, test, "what"), f"what the scene has: {choices(has)}", shown(test.what), remedy)
