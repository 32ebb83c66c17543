"""Owns whether a job is complete: it begins and ends with nobody aloft, the ladder not standing or standing as it was
found, and every conductor that was taken off closed again, or parked where its release says and named as parked in the
last stage. What is missing keeps the whole result undecided; every stage keeps its own verdict."""

from __future__ import annotations

from collections.abc import Iterator

from clearance.job import parameters, sequence
from clearance.job.by_itself import FLOOR_M, SAME_M, floor_m
from clearance.job.sequence import State
from clearance.result import OpenPoint
from clearance.scene import records
from clearance.scene.messages import shown
from clearance.scene.records import Scene, Stage

JOB = "the job"
"""Where these points are."""


def open_points(scene: Scene) -> tuple[OpenPoint, ...]:
    """What a reader must know of the job as a whole. A scene that asks about its stages only says so, once."""
    if scene.asks == "stages":
        what = (
            "the scene asks about its stages only, each by itself: nothing is said of what comes before and after them"
        )
        return (OpenPoint(JOB, what, 'write the whole job, and asks = "job"', "clear"),)
    return (*missing(scene), *_off_already(scene), *_no_rescue(scene))


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
        found += _ends(scene, main[0], main[-1], states[main[-1].name])
    for stage, following in zip(scene.stages, (*scene.stages[1:], None), strict=True):
        ends = stage.rescue is not None and (following is None or following.rescue != stage.rescue)
        if ends and states[stage.name].up:
            what = f"the rescue from stage '{stage.rescue}' ends with {_names(states[stage.name].up)} aloft"
            found.append(OpenPoint(JOB, what, 'add stages of kind "descend" and "step off" to it'))
    return tuple(found)


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
    if scene.ladder is not None and scene.ladder.hangs_on is not None and first.travel_m is not None:
        what = "how the ladder is hung on its wire, and taken off it, is not judged"
        yield OpenPoint(JOB, what, "judge it by other means: no stage of this tool moves a ladder through the air")


def _ends(scene: Scene, first: Stage, last: Stage, state: State) -> Iterator[OpenPoint]:
    if state.up:
        what = f"it ends in stage '{last.name}' with {_names(state.up)} aloft"
        yield OpenPoint(
            JOB, what, 'add stages of kind "bond off", "descend" and "step off", as far as they are missing'
        )
    yield from _raised(scene, last, f"it ends in stage '{last.name}'")
    if state.standing(scene) and not _as_found(scene, first, state):
        found = first.kind != "set up" and first.travel_m is not None
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


def _as_found(scene: Scene, first: Stage, state: State) -> bool:
    """Whether the ladder stands, at the end, where it stood before the job."""
    ladder = scene.ladder
    if ladder is None or first.kind == "set up":
        return False
    begun = {key: span for key, span in parameters.begins(scene, first).items() if key[1] == ladder.name}
    ended = {key: span for key, span in state.ranges.items() if key[1] == ladder.name}
    return bool(begun) and begun == ended


def _off_already(scene: Scene) -> Iterator[OpenPoint]:
    """Wires that are off as the job begins: it is told that nothing here says how they came there."""
    main = [stage for stage in scene.stages if stage.rescue is None]
    for wire in main[0].off if main else ():
        what = f"it begins with {shown(wire)} off: how it was taken off, and whether it is earthed, is not judged"
        cure = 'add stages of kind "open", "lower" and "earthing" before it'
        yield OpenPoint(JOB, what, cure, "clear")


def _no_rescue(scene: Scene) -> Iterator[OpenPoint]:
    """A rescue is part of every job with somebody aloft; that there is none is told."""
    if any(records.aloft(scene, stage) for stage in scene.stages) and not any(s.rescue for s in scene.stages):
        what = "somebody is aloft, and no stage of a rescue is judged"
        yield OpenPoint(JOB, what, 'add a job of kind "rescue", or stages with rescue', "clear")


def _names(names: frozenset[str] | tuple[str, ...]) -> str:
    return " and ".join(f"'{name}'" for name in sorted(names))
