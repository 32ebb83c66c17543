"""Owns whether a job is complete: it begins and ends with nobody aloft, the ladder not standing or standing as it was
found, tools on the ground, and every conductor that was taken off closed again, or parked where its release says and
named as parked in the last stage; and a rescue brings down somebody who is aloft, and changes nothing else. What is
missing keeps the whole result undecided; every stage keeps its own verdict."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby

from clearance.job import carried, loosened, parameters, sequence
from clearance.job.by_itself import FLOOR_M, SAME_M, floor_m
from clearance.job.sequence import State
from clearance.result import OpenPoint
from clearance.scene import records
from clearance.scene.messages import shown
from clearance.scene.plausible import confirmed, confirming
from clearance.scene.records import Range, Scene, Stage, where

JOB = "the job"
"""Where these points are."""


def open_points(scene: Scene) -> tuple[OpenPoint, ...]:
    """What a reader must know of the job as a whole. A scene that asks about its stages only says so, once."""
    if scene.asks == "stages":
        what = (
            "the scene asks about its stages only, each by itself: nothing is said of what comes before and after them"
        )
        return (OpenPoint(JOB, what, 'write the whole job, and asks = "job"', "clear"),)
    return (*missing(scene), *_off_already(scene), *_not_made_fast(scene), *_no_rescue(scene))


def missing(scene: Scene) -> tuple[OpenPoint, ...]:
    """What a complete job would have, one point each; nothing where it is complete.

    scene: with its jobs expanded and no contradiction between its stages
    """
    if not scene.stages:
        return (OpenPoint(JOB, "it has no stage", "add a table [[stages]]"),)
    states = {stage.name: state for stage, state, _ in sequence.follow(scene)}
    main = [stage for stage in scene.stages if stage.rescue is None]
    found = [*_begun_anew(scene.stages)]
    if main:
        found += _begins(scene, main[0])
        found += _put_there(scene)
        found += _ends(scene, main[0], main[-1], states[main[-1].name])
    for rescue in _rescues(scene.stages):
        found += _rescued(scene, rescue, states)
    found += _hauled(scene, states)
    return tuple(found)


def _rescues(stages: tuple[Stage, ...]) -> Iterator[tuple[Stage, ...]]:
    """The stages of every rescue, in order."""
    for rescue, some in groupby(stages, key=lambda stage: stage.rescue):
        if rescue is not None:
            yield tuple(some)


def _rescued(scene: Scene, rescue: tuple[Stage, ...], states: Mapping[str, State]) -> Iterator[OpenPoint]:
    """A rescue brings somebody down who is aloft where it branches off, and changes nothing else of the job."""
    first, last = rescue[0], rescue[-1]
    branch = next((stage for stage in scene.stages if stage.name == first.rescue), None)
    if branch is None:
        return
    head = f"the rescue from stage '{branch.name}'"
    up = records.aloft(scene, branch)
    if not up:
        cure = "let rescue name the stage in which somebody is aloft; a step of the job itself has no rescue"
        yield OpenPoint(JOB, f"{head} rescues nobody: nobody is aloft in that stage", cure)
    elif not set(up) & set(records.aloft(scene, first)):
        what = f"{head} rescues nobody: its first stage, '{first.name}', has {_names(up)} no more aloft"
        yield OpenPoint(JOB, what, "begin it with whoever is aloft where it branches off")
    if states[last.name].up:
        what = f"{head} ends with {_names(states[last.name].up)} aloft"
        yield OpenPoint(JOB, what, 'add stages of kind "descend" and "step off" to it')
    before, after = states[branch.name], states[last.name]
    changed = (before.opened ^ after.opened) | (before.off ^ after.off) | (before.earthed ^ after.earthed)
    if changed:
        what = f"{head} ends with {_shown(changed)} otherwise than it begins: what follows from there is not judged"
        yield OpenPoint(JOB, what, "open, lower, earth and close in stages of the job itself, without rescue")
    for wire in branch.released if branch.kind in ("open", "lower", "raise", "close") else ():
        if not all(_anywhere(branch, stage, wire) for stage in rescue):
            what = f"{head} is judged only with {shown(wire)} as that stage leaves it, and may happen before"
            cure = f'let it branch off from a stage of kind "work" in which {shown(wire)} is at rest'
            if branch.kind in ("lower", "raise"):
                cure += f", or state released and lower_m over the whole way of stage '{branch.name}' in all its stages"
            yield OpenPoint(JOB, what, cure)


def _anywhere(branch: Stage, stage: Stage, wire: str) -> bool:
    """Whether a stage of a rescue is judged with a wire anywhere on the way that it is lowered or raised over."""
    way, held = branch.lower_m, stage.lower_m
    if branch.kind in ("open", "close") or wire not in stage.released or way is None or held is None:
        return False
    return held.lo <= way.lo + SAME_M and held.hi >= way.hi - SAME_M


def _hauled(scene: Scene, states: Mapping[str, State]) -> Iterator[OpenPoint]:
    """A tool is hauled up from the ground, and let down to it before it goes."""
    cure = "let its haul_m begin at 0, in this stage or one before"
    for number, stage in enumerate(scene.stages):
        earlier = carried.predecessor(scene.stages, number)
        left = states[earlier.name].ranges if earlier is not None else {}
        up = {name: span.lo for (key, name), span in left.items() if key == "haul_m" and span.lo > SAME_M}
        if stage.hauled is not None and ("haul_m", stage.hauled) not in left:
            begun = stage.haul_m.lo if stage.haul_m is not None else 0.0
            if begun > SAME_M:
                what = f"{shown(stage.hauled)} is on its line at {begun:g} m as stage '{stage.name}' begins"
                yield OpenPoint(JOB, f"{what}: how it came there is not judged", cure)
        for name in stage.bodies if stage.kind == "take away" else ():
            if name in up:
                what = f"{shown(name)} is taken away in stage '{stage.name}' from {up[name]:g} m up its line"
                yield OpenPoint(JOB, what, "let it down first: a stage with hauled and haul_m down to 0")
    main = [stage for stage in scene.stages if stage.rescue is None]
    for (key, name), span in states[main[-1].name].ranges.items() if main else ():
        if key == "haul_m" and span.lo > SAME_M:
            what = f"it ends in stage '{main[-1].name}' with {shown(name)} left {span.lo:g} m up its line"
            yield OpenPoint(JOB, what, "let it down: a stage with hauled and haul_m down to 0")


def _begun_anew(stages: tuple[Stage, ...]) -> Iterator[OpenPoint]:
    for stage in stages[1:]:
        if stage.anew:
            what = f"stage '{stage.name}' begins anew: how the job comes there is not judged"
            cure = "add the stages that lead there and leave out anew; a rescue says by rescue where it branches off"
            yield OpenPoint(JOB, what, cure)


def _begins(scene: Scene, first: Stage) -> Iterator[OpenPoint]:
    aloft = records.aloft(scene, first)
    if aloft and (first.kind != "step on" or (first.climb_m is not None and first.climb_m.lo > 0.0)):
        what = f"it begins in stage '{first.name}' with {_names(aloft)} aloft"
        yield OpenPoint(JOB, what, 'add a stage of kind "step on" and those that lead there')
    yield from _raised(scene, first, f"it begins in stage '{first.name}'")
    for wire in first.released:
        if first.kind != "open":
            what = f"it begins in stage '{first.name}' with {shown(wire)} freed already"
            yield OpenPoint(JOB, what, 'add a stage of kind "open" before it')


def _put_there(scene: Scene) -> Iterator[OpenPoint]:
    """What no stage moves: a ladder through the air to the wire it hangs on or, where the job finds it standing, up
    from the ground; an aerial device over the ground. Whoever judges it by other means says so."""
    ladder, device = scene.ladder, scene.aerial_device
    main = [stage for stage in scene.stages if stage.rescue is None]
    found: list[tuple[str, str, str, str | tuple[float, ...] | Range]] = []
    if ladder is not None and ladder.hangs_on is not None and any(stage.travel_m is not None for stage in main):
        what = "how the ladder is hung on its wire, and taken off it, is not judged"
        found.append((where(scene, ladder)[-1], what, "hangs_on", ladder.hangs_on))
    elif main and main[0].travel_m is not None and _found_standing(scene, main[0]):
        what = f"how the ladder came to stand as stage '{main[0].name}' begins, and how it is struck, is not judged"
        found.append((where(scene, main[0])[-1], what, "travel_m", main[0].travel_m))
    if device is not None and any(stage.extend_m is not None for stage in main):
        what = f"how {shown(device.name)} is driven to its place, with its boom down, and away again is not judged"
        found.append((where(scene, device)[-1], what, "base_m", device.base_m))
    for entry, what, field, value in found:
        if not confirmed(scene, entry, field, value, "put there"):
            cure = "judge it by other means: no stage of this tool moves it there. Then say on what that rests and "
            if field == "travel_m":
                cure = (
                    'add stages of kind "set up" and "strike", or judge it by other means, say on what that rests and '
                )
            yield OpenPoint(JOB, what, f"{cure}{confirming(entry, field, value, doubt='put there')}")


def _ends(scene: Scene, first: Stage, last: Stage, state: State) -> Iterator[OpenPoint]:
    if state.up:
        what = f"it ends in stage '{last.name}' with {_names(state.up)} aloft"
        yield OpenPoint(
            JOB, what, 'add stages of kind "bond off", "descend" and "step off", as far as they are missing'
        )
    yield from _raised(scene, last, f"it ends in stage '{last.name}'")
    if _found_standing(scene, first) and not state.standing(scene):
        what = f"it begins in stage '{first.name}' with the ladder standing, and strikes it"
        cure = 'add a stage of kind "set up" at its beginning'
        yield OpenPoint(JOB, f"{what}: how it was set up is not judged", cure)
    if state.standing(scene) and not _as_found(scene, first, state):
        found = _found_standing(scene, first)
        how = "elsewhere than it was found" if found else "standing"
        cure = 'add a stage of kind "strike"' + (', or of kind "travel" that takes it back' if found else "")
        yield OpenPoint(JOB, f"it leaves the ladder {how}", cure)
    for wire in sorted(state.opened | state.off):
        if wire not in last.off:
            what = f"it ends in stage '{last.name}' with {shown(wire)} neither closed again nor named as parked"
            cure = (
                'add stages of kind "raise" and "close", or one of kind "lower" to where it is parked and one with off'
            )
            yield OpenPoint(JOB, what, cure)


def _raised(scene: Scene, stage: Stage, begins: str) -> Iterator[OpenPoint]:
    """A platform that is up in the air at either end of a job was raised there, or stays there, unjudged."""
    floor = floor_m(scene, stage)
    if floor is not None and floor > FLOOR_M + SAME_M:
        what = f"{begins} with the platform up in the air, its floor at up to {floor:.2f} m"
        yield OpenPoint(JOB, what, f"begin and end with its floor within {FLOOR_M:g} m of the ground")


def _found_standing(scene: Scene, first: Stage) -> bool:
    """Whether the ladder stands, or hangs, before the job begins."""
    return scene.ladder is not None and first.kind != "set up" and first.travel_m is not None


def _as_found(scene: Scene, first: Stage, state: State) -> bool:
    """Whether the ladder stands, at the end, where it stood before the job."""
    ladder = scene.ladder
    if ladder is None or not _found_standing(scene, first):
        return False
    begun = {key: span for key, span in parameters.begins(scene, first).items() if key[1] == ladder.name}
    ended = {key: span for key, span in state.ranges.items() if key[1] == ladder.name}
    return bool(begun) and begun == ended


def _off_already(scene: Scene) -> Iterator[OpenPoint]:
    """Wires that are off as the job begins: nothing here says how they came there, unless somebody does."""
    main = [stage for stage in scene.stages if stage.rescue is None]
    for wire in main[0].off if main else ():
        entry = f"wire '{wire}'"
        if not confirmed(scene, entry, "name", wire, "put there"):
            what = f"it begins with {shown(wire)} off: how it was taken off, and whether it is earthed, is not judged"
            cure = (
                'add stages of kind "open", "lower" and "earthing" before it, or say on what it rests that it is off: '
            )
            yield OpenPoint(JOB, what, cure + confirming(entry, "name", wire, doubt="put there"))


def _not_made_fast(scene: Scene) -> Iterator[OpenPoint]:
    """Wires that were closed and that nobody made fast again: what holds them meanwhile does not hold them for good."""
    for wire in loosened.left_open(scene):
        what = f"it ends with {shown(wire)} closed and not made fast"
        yield OpenPoint(JOB, what, 'add the stages in which somebody makes it fast: kind = "work", bonded to its phase')


def _no_rescue(scene: Scene) -> Iterator[OpenPoint]:
    """A rescue is part of every job with somebody aloft, each time they are, from where its way down is longest: of
    whom and from where there is none is told."""
    branched = {(name, stage.rescue) for stage in scene.stages if stage.rescue for name in records.aloft(scene, stage)}
    left = [
        (name, worst[0])
        for name in dict.fromkeys(person.name for person in scene.workers)
        for worst in _longest_ways(scene, name)
        if not any((name, stage.name) in branched for stage in worst)
    ]
    if not left:
        return
    kinds = [*(['"bond off"'] if any(who in stage.bonded for who, stage in left) else []), '"descend"', '"step off"']
    branches = list(dict.fromkeys(shown(stage.name) for _, stage in left))
    which = f"rescue = {branches[0]}" + (f", and so from {', '.join(branches[1:])}" if branches[1:] else "")
    cure = f"add stages of kind {', '.join(kinds)} that bring them down, with {which}"
    # That kind of job lowers a casualty beside a ladder on its track.
    cure += '; in a scene of [[jobs]] one of kind "rescue"' if len(kinds) > 2 and scene.track is not None else ""
    what = "somebody is aloft, and no stage of a rescue is judged"
    if branched:
        who = _names(frozenset(name for name, _ in left))
        what = f"{who} is aloft in {', '.join(branches)}, and no rescue from there is judged"
    yield OpenPoint(JOB, what, cure, "clear")


def _longest_ways(scene: Scene, name: str) -> Iterator[tuple[Stage, ...]]:
    """Each time somebody is aloft, the stages from which a rescue has the longest way: in which they are bonded, or
    else highest; the first of them has the highest climb of all."""
    main = [stage for stage in scene.stages if stage.rescue is None]
    for up, some in groupby(main, key=lambda stage: name in records.aloft(scene, stage)):
        if not up:
            continue
        stages = sorted(some, key=_top_m, reverse=True)
        bonded = [stage for stage in stages if name in stage.bonded]
        yield tuple(bonded or [stage for stage in stages if _top_m(stage) >= _top_m(stages[0]) - SAME_M])


def _top_m(stage: Stage) -> float:
    return stage.climb_m.hi if stage.climb_m is not None else 0.0


def _shown(names: Iterable[str]) -> str:
    return " and ".join(map(shown, sorted(names)))


def _names(names: frozenset[str] | tuple[str, ...]) -> str:
    return " and ".join(f"'{name}'" for name in sorted(names))
