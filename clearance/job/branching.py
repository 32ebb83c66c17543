"""Owns where a rescue of a job branches off: the stage in which what it rescues from may happen.

That is the last stage of the job itself, before it, in which the casualty is bonded where the rescue says, with the
same wires off, and may be where it begins. Without one it would begin nowhere, and what follows would be told of states
that nobody made: the message names the stage that comes nearest.
"""

from __future__ import annotations

from collections.abc import Sequence

from clearance.scene.messages import shown
from clearance.scene.records import Range, Stage
from clearance.scene.records_templates import Rescue


def happens_in(stages: Sequence[Stage], casualty: str, job: Rescue) -> Stage | None:
    """The stage that a rescue branches off from; None without one."""
    there = _bonded_there(stages, casualty, job)
    return next((stage for stage in reversed(there) if not _otherwise(stage, job)), None)


def sought(stages: Sequence[Stage], casualty: str, job: Rescue) -> tuple[str, str]:
    """What a rescue that begins nowhere looked for, and what of it the nearest stage has otherwise."""
    station, hang = job.station_m, job.hang_m
    expected = (
        f"a stage before it that it may happen in: {shown(casualty)} bonded to {job.phase}, travel_m within "
        f"{_span(station)}, climb_m within {_span(hang)}, off {_off(job.off)}"
    )
    there = _bonded_there(stages, casualty, job)
    if not there:
        return expected, f"none in which {shown(casualty)} is bonded to {job.phase}"
    nearest = min(reversed(there), key=lambda stage: len(_otherwise(stage, job)))
    return expected, f"stage '{nearest.name}' with {', '.join(_otherwise(nearest, job))}"


def _bonded_there(stages: Sequence[Stage], casualty: str, job: Rescue) -> list[Stage]:
    """The stages of the job itself in which the casualty is bonded to the phase, and no wire is on its way."""
    bonded = (one for one in stages if one.bonded.get(casualty) == job.phase and one.kind != "bond off")
    return [one for one in bonded if not one.released and one.rescue is None]


def _otherwise(stage: Stage, job: Rescue) -> list[str]:
    """What a stage has otherwise than a rescue, in words."""
    pairs = {"travel_m": (stage.travel_m, job.station_m), "climb_m": (stage.climb_m, job.hang_m)}
    found = [
        f"{name} {_span(one)}"
        for name, (one, other) in pairs.items()
        if one is None or one.lo > other.hi or other.lo > one.hi
    ]
    return found + ([f"off {_off(stage.off)}"] if set(stage.off) != set(job.off) else [])


def _span(span: Range | None) -> str:
    return "not stated" if span is None else f"{span.lo:g} to {span.hi:g}"


def _off(wires: Sequence[str]) -> str:
    return shown(list(wires)) if wires else "none"
