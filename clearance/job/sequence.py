"""Owns what is carried from stage to stage, and refuses a stage that contradicts the one before.

Carried: every swept parameter of everything that is there (`clearance.job.parameters`); who is on the ladder, and
bonded to which phase; which wires are opened, lowered and off; which of those are earthed; which wires hang elsewhere
than the scene has them, and what hangs on them. The first stage of a scene, and one that is marked `anew`, may begin
anywhere: what it states is taken as what is. `follow` checks a whole job; `lowered_whole` what only geometry shows;
what a stage may not be by itself is in `clearance.job.by_itself`, what comes and goes in `clearance.job.carried`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from clearance.errors import InputError, Mistake, at_most
from clearance.job import carried, parameters, shifts
from clearance.job.by_itself import LYING_DEG, SAME_M, by_itself, lies
from clearance.job.tails import LEFT_OVER_M, way_of
from clearance.scene import records
from clearance.scene.assemble import Site
from clearance.scene.messages import choices, shown
from clearance.scene.records import EARTH, Range, Reference, Scene, SpanWire, Stage, where

SET_BY: Mapping[str, tuple[str, ...]] = {
    "travel_m": ("travel",),
    "heading_deg": ("travel",),
    "lean_along_deg": ("set up", "strike", "travel"),
    "lean_across_deg": ("set up", "strike", "travel"),
}
"""How the ladder stands, and the kinds of stage that change it. Between others nothing does: what a stage leaves open,
the next has open too, or a place where somebody is too near is left out where it matters."""


@dataclass(frozen=True)
class State:
    """What a stage leaves behind.

    stage: its name; kind: its kind; ranges: every parameter, where the stage leaves it
    up: who is on the ladder, or on the platform
    bonded: who is bonded to which phase; unbonding: those a clamp was just taken off
    opened: wires whose connection is open but which are not parked; off: wires that are parked; earthed: those at
        earth by a remote tool; said_earthed: those of which the stage says so, whoever did it
    disturbed: wires that hang elsewhere than the scene has them, and how far [m]; loads: what hangs on each wire
    """

    stage: str = ""
    kind: str = ""
    ranges: Mapping[parameters.Key, Range] = field(default_factory=dict)
    up: frozenset[str] = frozenset()
    bonded: Mapping[str, str] = field(default_factory=dict)
    unbonding: frozenset[str] = frozenset()
    opened: frozenset[str] = frozenset()
    off: frozenset[str] = frozenset()
    earthed: frozenset[str] = frozenset()
    said_earthed: frozenset[str] = frozenset()
    disturbed: Mapping[str, float] = field(default_factory=dict)
    loads: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def standing(self, scene: Scene) -> bool:
        """Whether the ladder stands, or hangs."""
        return scene.ladder is not None and ("travel_m", scene.ladder.name) in self.ranges


def refuse_contradictions(scene: Scene) -> None:
    """Raises InputError with every stage that contradicts the one before, or itself."""
    mistakes = [mistake for found in follow(scene) for mistake in found[2]]
    mistakes += carried.presence(scene)
    if mistakes:
        raise InputError(dict.fromkeys(mistakes))


def follow(scene: Scene) -> tuple[tuple[Stage, State, tuple[Mistake, ...]], ...]:
    """Every stage with the state it leaves behind, and what in it contradicts the state before."""
    found: list[tuple[Stage, State, tuple[Mistake, ...]]] = []
    states: dict[str, State] = {}
    for number, stage in enumerate(scene.stages):
        mistakes = [*by_itself(scene, stage, _goes_on(scene.stages, number)), *_rescue(scene, stage, states)]
        earlier = carried.predecessor(scene.stages, number)
        before = states[earlier.name] if earlier is not None else None
        if before is not None:
            for rule in (_ladder, _parameters, _people, _wires, _disturbed):
                mistakes += rule(scene, stage, before)
        after = _after(scene, stage, before)
        states[stage.name] = after
        found.append((stage, after, tuple(mistakes)))
    return tuple(found)


def _goes_on(stages: Sequence[Stage], number: int) -> bool:
    """Whether a setting up goes on from another, or a striking is gone on with: the two meet, as every range does."""
    stage = stages[number]
    if stage.kind == "set up":
        earlier = carried.predecessor(stages, number)
        return earlier is not None and earlier.kind == "set up" and earlier.rescue == stage.rescue
    later = (k for k in range(number + 1, len(stages)) if carried.predecessor(stages, k) is stage)
    return stage.kind == "strike" and any(
        stages[k].kind == "strike" and stages[k].rescue == stage.rescue for k in later
    )


def _after(scene: Scene, stage: Stage, before: State | None) -> State:
    """The state a stage leaves, taking it at its word."""
    up = frozenset(() if stage.kind == "step off" else records.aloft(scene, stage))
    leaving = frozenset(stage.bonded) if stage.kind == "bond off" else frozenset()
    bonded = {name: phase for name, phase in stage.bonded.items() if name not in leaving}
    released = frozenset() if stage.kind == "close" else frozenset(stage.released)
    # Only a lowering brings a wire to where it is parked; `lowered_whole` sees to it that it ends there.
    moved = stage.kind == "lower" and stage.lower_m is not None and stage.lower_m.hi > SAME_M
    earthed = carried.earthed_after(stage, before.earthed if before is not None else frozenset())
    said_earthed = frozenset(wire for wire in stage.off if stage.potentials.get(wire) == EARTH)
    ranges = parameters.leaves(scene, stage)
    if stage.kind == "strike" and lies(scene, stage) >= LYING_DEG:
        ranges = {key: span for key, span in ranges.items() if scene.ladder is None or key[1] != scene.ladder.name}
    if before is not None:
        # What was hauled stays where it is until it is hauled again, or taken away.
        ranges = {k: v for k, v in before.ranges.items() if k[0] == "haul_m" and k[1] not in stage.bodies} | ranges
    disturbed = {entry.wire: entry.movement_m for entry in stage.disturbed if entry.movement_m is not None}
    return State(
        stage.name, stage.kind, ranges, up, bonded, leaving, released,
        frozenset(stage.off) | (released if moved else frozenset()), earthed, said_earthed,
        {wire: movement for wire, movement in disturbed.items() if wire not in stage.restores},
        {name: after for name, (_, after) in _loads(scene, stage).items()},
    )  # fmt: skip


def _loads(scene: Scene, stage: Stage) -> Mapping[str, tuple[frozenset[str], frozenset[str]]]:
    """What hangs on each wire as a stage begins, and as it ends; nothing of a wire that is itself taken off."""
    spans = (
        wire for wire in scene.wires if isinstance(wire, SpanWire) and wire.name not in (*stage.released, *stage.off)
    )
    found = {wire.name: shifts.loads_on(scene, wire, stage) for wire in spans}
    return {name: (frozenset(before), frozenset(after)) for name, (before, after) in found.items()}


def _rescue(scene: Scene, stage: Stage, states: Mapping[str, State]) -> Iterator[Mistake]:
    if stage.rescue is not None and stage.rescue not in states:
        remedy = "name the stage in which somebody may have to be rescued"
        yield Mistake(where(scene, stage, "rescue"), "a stage before this one", shown(stage.rescue), remedy)


def _ladder(scene: Scene, stage: Stage, before: State) -> Iterator[Mistake]:
    """The ladder stands from its setting up to its striking, and only then."""
    if scene.ladder is None:
        return
    standing, there = before.standing(scene), stage.travel_m is not None
    if standing and not there:
        remedy = 'add travel_m, or strike the ladder first, in a stage of kind "strike"'
        expected = f"the ladder, which stands after stage '{before.stage}'"
        yield Mistake(where(scene, stage, "travel_m"), expected, "nothing", remedy)
    if there and not standing and stage.kind != "set up":
        remedy = 'add a stage of kind "set up" before it'
        found = f"none after stage '{before.stage}'"
        yield Mistake(where(scene, stage, "travel_m"), "a ladder that was set up", found, remedy)
    if standing and stage.kind == "set up" and before.kind != "set up":
        found = f"one that stands after stage '{before.stage}'"
        yield Mistake(where(scene, stage, "kind"), "a ladder that does not stand yet", found, "strike it first")


def _parameters(scene: Scene, stage: Stage, before: State) -> Iterator[Mistake]:
    """What is there in both stages is, as the later begins, where the earlier left it: in every parameter."""
    for (key, name), span in parameters.begins(scene, stage).items():
        left = before.ranges.get((key, name))
        if left is None:
            continue
        if span.lo <= left.hi + SAME_M and left.lo <= span.hi + SAME_M:
            still = key in SET_BY and not {stage.kind, before.kind} & {*SET_BY[key]}
            if still and not (span.lo <= left.lo + SAME_M and left.hi <= span.hi + SAME_M):
                expected = f"all that stage '{before.stage}' leaves open for '{name}', {parameters.shown(key, left)}"
                remedy = (
                    f"state that range, a narrower one there, or add a stage of kind {choices(SET_BY[key])} between"
                )
                yield Mistake(where(scene, stage, key), expected, parameters.shown(key, span), remedy)
            continue
        expected = f"a range that meets that of stage '{before.stage}' for '{name}', {parameters.shown(key, left)}"
        if key == "lower_m" and stage.kind in ("lower", "raise", "close"):
            where_from = "beginning" if stage.kind == "lower" else "coming from"
            expected = f"{where_from} where stage '{before.stage}' left '{name}', {parameters.shown(key, left)}"
        remedy = (
            "let one range end where the other begins, add a stage between, or anew = true where this begins afresh"
        )
        yield Mistake(where(scene, stage, key), expected, parameters.shown(key, span), remedy)


def _people(scene: Scene, stage: Stage, before: State) -> Iterator[Mistake]:
    aloft = records.aloft(scene, stage)
    for name in sorted(before.up):
        phase = before.bonded.get(name)
        if name not in aloft:
            if phase is not None:
                remedy = f"unbond '{name}' and come down first"
                found = f"'{name}', bonded to {phase} in stage '{before.stage}', is not there"
                yield Mistake(where(scene, stage, "workers"), "everybody who is bonded", found, remedy)
            else:
                remedy = 'add stages of kind "descend" and "step off" before it'
                found = f"'{name}' left up there by stage '{before.stage}'"
                yield Mistake(where(scene, stage, "workers"), "nobody forgotten on the ladder", found, remedy)
            continue
        if stage.kind == "step on":
            found = f"'{name}' up there after stage '{before.stage}'"
            remedy = 'to come down, write a stage of kind "step off"'
            yield Mistake(where(scene, stage, "workers"), "somebody on the ground who steps on", found, remedy)
        feet = before.ranges.get(("climb_m", name))
        high = stage.climb_m is not None and feet is not None and stage.climb_m.hi > feet.lo + SAME_M
        if name in before.unbonding and name not in stage.bonded and high and stage.climb_m and feet:
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
        if name not in before.up and stage.kind == "step on" and stage.climb_m and stage.climb_m.lo > SAME_M:
            remedy = "the first metre is judged like every other"
            found = f"no lower than {stage.climb_m.lo:g} m"
            yield Mistake(where(scene, stage, "climb_m"), "feet from 0 m up, on the ground", found, remedy)
        if name not in before.up and stage.kind != "step on":
            remedy = 'add a stage of kind "step on" before it'
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
        if stage.kind != "open" and name not in loose:
            remedy = 'add a stage of kind "open" before it'
            found = f"{shown(name)}, in place after stage '{before.stage}'"
            yield Mistake(where(scene, stage, "released"), "a wire that a stage has opened", found, remedy)
        elif stage.kind not in ("raise", "close", "open") and _parked(before, name):
            remedy = 'bring it up from there by a stage of kind "raise" first'
            found = f"{shown(name)}, parked after stage '{before.stage}'"
            yield Mistake(where(scene, stage, "released"), "a wire that is not parked", found, remedy)
        elif stage.kind == "close" and ("lower_m", name) not in before.ranges:
            remedy = 'raise it by a stage of kind "raise" to where the closing begins'
            found = f"{shown(name)} parked after stage '{before.stage}'"
            yield Mistake(where(scene, stage, "released"), "a wire that was raised to near its place", found, remedy)
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
        # Where the job begins with it stated so, it is judged at earth beside its other states (`job.potentials`).
        if name not in before.earthed | before.said_earthed and stated:
            remedy = 'add a stage of kind "earthing" with earths before it'
            yield Mistake(where(scene, stage, "potentials"), f"{shown(name)} earthed by a stage", "none did it", remedy)
    for name in stage.lifts_earth:
        if name not in before.earthed:
            found = f"{shown(name)}, not earthed"
            yield Mistake(where(scene, stage, "lifts_earth"), "a wire that is earthed", found, "leave it out")


def _parked(before: State, name: str) -> bool:
    """Whether a wire is where its release parks it, and not on its way."""
    return name in before.off and ("lower_m", name) not in before.ranges


def _disturbed(scene: Scene, stage: Stage, before: State) -> Iterator[Mistake]:
    """A wire that hangs elsewhere than the scene has it does so until it is put right; so with what hangs on it."""
    now = {entry.wire: entry.movement_m for entry in stage.disturbed}
    gone = {*stage.released, *stage.off}
    for wire, movement in before.disturbed.items():
        held = now.get(wire)
        if wire not in gone and (held is None or held < movement - SAME_M):
            expected = f"{shown(wire)} disturbed by at least {movement:g} m, as stage '{before.stage}' leaves it"
            found = "nothing" if held is None else f"{held:g} m"
            remedy = "state it here too, and in the stage that puts it right also restores = [...]"
            yield Mistake(where(scene, stage, "disturbed"), expected, found, remedy)
    for wire in stage.restores:
        ends = {one.name: (one.from_m, one.to_m) for one in scene.wires if one.name in gone}
        off = [name for name, both in ends.items() if any(isinstance(e, Reference) and e.name == wire for e in both)]
        if off:
            expected = f"{shown(wire)} put right once all that hung on it hangs there again"
            remedy = "leave restores out: it stays where the stages before have moved it to"
            yield Mistake(where(scene, stage, "restores"), expected, f"{shown(off[0])} off it", remedy)
    for wire, states in _loads(scene, stage).items():
        left = before.loads.get(wire)
        if left is not None and left not in states:
            expected = (
                f"what stage '{before.stage}' leaves on {shown(wire)}: {choices(sorted(left)) if left else 'nothing'}"
            )
            found = choices(sorted(states[0])) if states[0] else "nothing"
            remedy = (
                "carry what was put on (carries), take off again what was taken off (takes_off), or state the change"
            )
            yield Mistake(where(scene, stage, "disturbed"), expected, found, remedy)


def lowered_whole(site: Site) -> None:
    """A wire that is parked must have been lowered all the way there, and one raised from there must come from there.

    Raises: InputError with every lowering that ends elsewhere, and every raising that begins elsewhere.
    """
    scene = site.scene
    mistakes = []
    off: dict[str, frozenset[str]] = {stage.name: state.off for stage, state, _ in follow(scene)}
    for number, stage in enumerate(scene.stages):
        earlier = carried.predecessor(scene.stages, number)
        if earlier is None:
            continue
        parks = [
            (earlier, name, f"stage '{stage.name}' has it parked") for name in earlier.released if name in stage.off
        ]
        parks += [
            (stage, name, f"stage '{earlier.name}' has it parked")
            for name in stage.released
            if name in off[earlier.name] and name in earlier.off
        ]
        for moving, name, why in parks:
            if moving.kind not in ("lower", "raise") or moving.lower_m is None:
                continue
            way = way_of(site, name).length_m
            if moving.lower_m.hi < way - LEFT_OVER_M:
                verb = "lower it" if moving.kind == "lower" else "raise it from there"
                remedy = f"{verb} all the way: lower_m up to {at_most(way)}"
                expected = f"the {way:.2f} m to where {shown(name)} is parked"
                place = where(scene, moving, "lower_m")
                mistakes.append(Mistake(place, expected, f"{moving.lower_m.hi:g} m, and {why}", remedy))
    if mistakes:
        raise InputError(dict.fromkeys(mistakes))
