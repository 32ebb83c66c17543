"""Owns what a stage takes over from those before it, so that a stage by itself is judged as it stands in its job.

`taken_over(scene)` gives the scene with each stage as a `Step`: which bodies are not there yet, or no more; which tools
were left on their lines; which wires were earthed; where people and vehicles stand; and, where posture, clamp or lead
change, how the stage before had them.

Why the joins cover every change. Each stage is judged all over its box, under what was before its own change and what
is after it: a worker who is bonded is judged bonded and not, a tail that is earthed at both potentials, a body that is
brought with it there (without it, in the stage before: a body that is not there narrows no gap). The boxes of two
stages meet in every parameter, which `clearance.job.sequence` sees to, so nothing moves between them. What is left is
what a stage states without a range: posture, clamp and bonding lead. Where one of them changes, the later stage is
judged at the join, where both boxes meet, with those of the stage before as well: the change is made there, and every
part of it lies within the hulls of one or the other state, or in the reach envelope, which is the same in both.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from clearance.errors import Mistake
from clearance.job import parameters
from clearance.scene import records, statements
from clearance.scene.checks_release import hung_on_gone
from clearance.scene.messages import shown
from clearance.scene.records import Crew, Range, Rope, Scene, Stage, Stand, Vehicle, where
from clearance.scene.records_step import Before, Step
from clearance.scene.records_wires import TailRope

APART: Final = {"m": 0.02, "deg": 0.2}
"""[m, deg] Ranges that were rounded inward after they met may end so far from one another: the join spans both."""


def taken_over(scene: Scene) -> Scene:
    """The scene with every stage as a step."""
    fleeting = tuple(dict.fromkeys(name for stage in scene.stages for name in stage.bodies))
    steps: list[Stage] = []
    for number, (stage, found) in enumerate(zip(scene.stages, _found_by(scene), strict=True)):
        there = found.there | set(stage.bodies) if stage.kind == "bring" else found.there
        gone = tuple(name for name in fleeting if name not in there)
        kept = tuple((name, span) for name, span in found.left.items() if name != stage.hauled)
        before = predecessor(scene.stages, number)
        own: dict[str, Any] = {name: getattr(stage, name) for name in Stage.model_fields}
        own |= {"before": _changed(scene, before, stage), "left": kept, "comes_and_goes": fleeting, "not_there": gone}
        own |= {"earthed": tuple(sorted(found.earthed)), "ladder_lies": stage.travel_m is None and not found.stands}
        own["stood"] = tuple(place for places in found.stood.values() for place in places)
        steps.append(Step.model_construct(stage.model_fields_set, **own))
    return scene.with_steps(tuple(steps))


@dataclass(frozen=True)
class _Found:
    """What a stage finds as it begins: which of the bodies that come and go are there; tools on their lines, with the
    range each was hauled over; wires that a stage has earthed; whether the ladder stands, or may stand; where those
    may be whom a stage sends to another place."""

    there: frozenset[str]
    left: Mapping[str, Range | None]
    earthed: frozenset[str]
    stands: bool
    stood: Mapping[str, tuple[Stand, ...]]


def _found_by(scene: Scene) -> tuple[_Found, ...]:
    """What every stage finds: what the one leaves that it comes after, wherever both stand in the file."""
    stages = scene.stages
    main = (stage for stage in stages if stage.rescue is None and stage.travel_m is not None)
    # Set up before it is anywhere else, it does not stand at first; with no such word it may.
    stands = next((stage.kind for stage in main), "") != "set up"
    first = _Found(_there_at_first(stages), {}, frozenset(), stands, _at_first(scene))
    found: list[_Found] = []
    after: dict[str, _Found] = {}
    for number, stage in enumerate(stages):
        earlier = _comes_after(stages, number)
        begun = after.get(earlier.name, first) if earlier is not None else first
        if stage.anew:
            begun = replace(begun, earthed=frozenset(), stands=True)
        elif stage.rescue is not None and earlier is not None and earlier.rescue != stage.rescue:
            # It may happen at any moment of that stage: what is taken away in it may still be there, and what is
            # earthed in it not be earthed yet.
            still = earlier.bodies if earlier.kind == "take away" else ()
            begun = replace(begun, there=begun.there | set(still), earthed=begun.earthed - set(earlier.earths))
            # Nor need anybody have arrived where it sends them.
            met = found[stages.index(earlier)].stood
            begun = replace(begun, stood={who: (*met[who], *sent_to(earlier, who)) for who in met})
        found.append(begun)
        after[stage.name] = _left_by(stage, begun)
    return tuple(found)


def _left_by(stage: Stage, found: _Found) -> _Found:
    """What a stage leaves of what it found."""
    there, left = found.there, dict(found.left)
    if stage.hauled is not None:
        left[stage.hauled] = stage.haul_m
    if stage.kind == "bring":
        there = there | set(stage.bodies)
    if stage.kind == "take away":
        there = there - set(stage.bodies)
        left = {name: span for name, span in left.items() if name not in stage.bodies}
    stands = found.stands if stage.travel_m is None else stage.kind != "strike"
    stood = {who: sent_to(stage, who) or places for who, places in found.stood.items()}
    return _Found(there, left, earthed_after(stage, found.earthed), stands, stood)


def sent_to(stage: Stage, who: str) -> tuple[Stand, ...]:
    """Where a stage sends a member of the crew or a vehicle, if it does."""
    return tuple(place for place in stage.stands if place.who == who)


def _at_first(scene: Scene) -> dict[str, tuple[Stand, ...]]:
    """Where those whom some stage sends elsewhere stand at first: as their entries say."""
    sent = {place.who for stage in scene.stages for place in stage.stands}
    entries: list[Crew | Vehicle] = [*scene.crew, *scene.vehicles]
    return {entry.name: (as_entered(entry),) for entry in entries if entry.name in sent}


def as_entered(entry: Crew | Vehicle) -> Stand:
    """Where a member of the crew or a vehicle stands by its entry."""
    if isinstance(entry, Vehicle):
        at, heading = (entry.centre_m[0], entry.centre_m[1]), entry.heading_deg
        return Stand(who=entry.name, at_m=at, radius_m=entry.radius_m, heading_deg=heading)
    radius = entry.radius_m if entry.area_m is None else None
    return Stand(who=entry.name, at_m=entry.at_m, radius_m=radius, area_m=entry.area_m)


def earthed_after(stage: Stage, before: frozenset[str]) -> frozenset[str]:
    """Wires that are earthed after a stage; a word of it earths none, only a stage that does it with a remote tool."""
    return ((before & set(stage.off)) | set(stage.earths)) - set(stage.lifts_earth)


def predecessor(stages: Sequence[Stage], number: int) -> Stage | None:
    """The stage that a stage follows from: the one it comes after; none where it begins anew."""
    return None if stages[number].anew else _comes_after(stages, number)


def _comes_after(stages: Sequence[Stage], number: int) -> Stage | None:
    """The stage before a stage; for a rescue the one it happens in; none where there is none.

    What comes after a rescue goes on from the last stage before it: a rescue is one way the job may go, no step of it.
    """
    stage, earlier = stages[number], stages[:number]
    if not earlier:
        return None
    if stage.rescue is not None and earlier[-1].rescue != stage.rescue:
        return next((one for one in earlier if one.name == stage.rescue), None)
    if stage.rescue is not None:
        return earlier[-1]
    return next((one for one in reversed(earlier) if one.rescue is None), None)


def presence(scene: Scene) -> Iterator[Mistake]:
    """Bodies that come where they are, or go where they are not, or hang on a wire that is not there any more."""
    fleeting = {name for stage in scene.stages for name in stage.bodies}
    lines = {tool.name: tool.line for tool in scene.tools}
    for stage, found in zip(scene.stages, _found_by(scene), strict=True):
        for name in stage.bodies:
            if (name in found.there) == (stage.kind == "bring"):
                expected = "a body that is not there yet" if stage.kind == "bring" else "a body that is there"
                yield Mistake(where(scene, stage, "bodies"), expected, shown(name), "do each once, in its order")
            if name in statements.absent(scene, stage):
                expected = f"{shown(name)} there, as it comes or goes"
                yield Mistake(where(scene, stage, "bodies"), expected, "stated as absent", "withdraw that statement")
        there = found.there | set(stage.bodies) if stage.kind == "bring" else found.there
        if scene.crew and "crew" in statements.there_is_none(scene, stage):
            away = (fleeting - there) | statements.absent(scene, stage)
            for name in (person.name for person in scene.crew if person.name not in away):
                remedy = "leave this stage out of the statement that there is none, or bring them later"
                yield Mistake(where(scene, stage), "nobody of the crew there, as stated", f"{shown(name)}", remedy)
        yield from (one for name, one in hung_on_gone(scene, stage) if name in fleeting & there)
        yield from _without_holder(scene, stage, (fleeting - there) | statements.absent(scene, stage))
        for name in (stage.hauled, lines.get(stage.hauled, "")) if stage.hauled is not None else ():
            if name in fleeting and name not in there:
                remedy = 'bring it first, by a stage of kind "bring"'
                yield Mistake(where(scene, stage, "hauled"), f"{shown(name)} there", "not brought yet", remedy)
        if stage.kind == "take away":
            for tool in _left_by(stage, found).left:
                if lines.get(tool) in stage.bodies:
                    remedy = f"take {shown(tool)} away before it, or with it"
                    yield Mistake(where(scene, stage, "bodies"), "a line with nothing on it", f"{shown(tool)}", remedy)


def _without_holder(scene: Scene, stage: Stage, away: Collection[str]) -> Iterator[Mistake]:
    """Pulleys and ropes that are there in a stage, and hang by name from a body that is not."""
    ropes: list[tuple[tuple[str, ...], Rope | TailRope]] = [(where(scene, rope), rope) for rope in scene.ropes]
    for wire in scene.wires:
        if wire.release is not None and wire.name in (*stage.released, *stage.off):
            ropes += [((*where(scene, wire, "release"), f"ropes '{one.name}'"), one) for one in wire.release.ropes]
    for place, rope in ropes:
        if rope.hangs_from in away and rope.name not in away:
            remedy = f"bring it before, take {shown(rope.name)} away before it, or withdraw the word that it is absent"
            expected = f"{shown(rope.hangs_from)} there in stage '{stage.name}'"
            yield Mistake((*place, "hangs_from"), expected, "a body that is not there", remedy)


def _there_at_first(stages: Sequence[Stage]) -> frozenset[str]:
    """What is first heard of where it is taken away was there all the time; what a rescue says counts only where no
    stage of the job itself speaks of it."""
    in_order = sorted(stages, key=lambda stage: stage.rescue is not None)
    first = {name: stage.kind for stage in reversed(in_order) for name in stage.bodies}
    return frozenset(name for name, kind in first.items() if kind == "take away")


def _changed(scene: Scene, before: Stage | None, stage: Stage) -> Before | None:
    """What changes at the join of two stages that the same people are aloft in."""
    if before is None or not set(records.aloft(scene, before)) & set(records.aloft(scene, stage)):
        return None
    was, now = records.posture(before), records.posture(stage)
    bonded = bool(before.bonded) and bool(stage.bonded)
    clamp, lead = (before.clamp_m, before.bonding_lead_m) if bonded else (stage.clamp_m, stage.bonding_lead_m)
    if (was, clamp, lead) == (now, stage.clamp_m, stage.bonding_lead_m):
        return None
    ranges = tuple((key, span) for (key, _), span in parameters.swept(scene, before).items())
    return Before(was, clamp, lead, ranges)


def at_join(scene: Scene, stage: Stage) -> Stage | None:
    """A stage at its join, as the stage before had posture, clamp and lead; None where nothing of it changes there."""
    before = stage.before if isinstance(stage, Step) else None
    if before is None:
        return None
    ranges = dict(before.ranges)
    update: dict[str, Any] = {}
    for (key, _), span in parameters.swept(scene, stage).items():
        if key not in ranges or key == "haul_m":
            continue
        low, high = max(span.lo, ranges[key].lo), min(span.hi, ranges[key].hi)
        if low > high + APART[key.rsplit("_", 1)[1]]:
            return None
        update[key] = Range(min(low, high), max(low, high))
    update |= {"posture": before.posture, "clamp_m": before.clamp_m, "bonding_lead_m": before.bonding_lead_m}
    return stage.model_copy(update=update)


def left_in(stage: Stage) -> tuple[tuple[str, Range | None], ...]:
    """Tools that stages before left on their lines, each with the range it was hauled over."""
    return stage.left if isinstance(stage, Step) else ()


def stands_in(stage: Stage, entry: Crew | Vehicle) -> tuple[Stand, ...]:
    """The places of a member of the crew or a vehicle in a stage, which may be anywhere between them: where it was as
    the stage begins, and where the stage sends it."""
    stood = stage.stood if isinstance(stage, Step) else ()
    begun = tuple(place for place in stood if place.who == entry.name) or (as_entered(entry),)
    return (*begun, *sent_to(stage, entry.name))


def earthed_in(stage: Stage) -> tuple[str, ...]:
    """Wires that are off and that a stage before has earthed."""
    return stage.earthed if isinstance(stage, Step) else ()


def ladder_lies(stage: Stage) -> bool:
    """Whether the ladder does not stand in a stage: it is set up only later, or was struck."""
    return isinstance(stage, Step) and stage.ladder_lies
