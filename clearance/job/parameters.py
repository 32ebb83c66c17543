"""Owns which parameters of a stage are swept, and to which thing each belongs.

This is the one place that says so: where a stage begins and ends (`clearance.job.sequence`), and where it joins the
one before (`clearance.job.carried`), go through all of them. Three parameters need no comparison, as their range holds
0 in every stage: a swing in the harness, a foot that sinks, and the part of a wire's move that is swept, which is taken
from the loads on it (`clearance.job.shifts`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from clearance.scene import records
from clearance.scene.records import Range, SceneFile, Stage

Thing = Literal["ladder", "device", "worker", "tail", "tool"]
Key = tuple[str, str]
"""A parameter of one thing: the key of the stage, and the thing's name."""


@dataclass(frozen=True)
class Parameter:
    """A range that a stage states: its key, and what it moves."""

    key: str
    of: Thing


PARAMETERS: Final = (
    Parameter("travel_m", "ladder"),
    Parameter("heading_deg", "ladder"),
    Parameter("lean_along_deg", "ladder"),
    Parameter("lean_across_deg", "ladder"),
    Parameter("turret_deg", "device"),
    Parameter("boom_deg", "device"),
    Parameter("extend_m", "device"),
    Parameter("climb_m", "worker"),
    Parameter("lower_m", "tail"),
    Parameter("haul_m", "tool"),
)

ANYWHERE: Final = Range(0.0, 1e6)
"""[m] A tool whose place on its line is not stated may be anywhere on it."""


def things(scene: SceneFile, stage: Stage) -> Mapping[Thing, tuple[str, ...]]:
    """What is there in a stage and moves: names by their kind."""
    ladder = (scene.ladder.name,) if scene.ladder is not None and stage.travel_m is not None else ()
    device = (scene.aerial_device.name,) if scene.aerial_device is not None and stage.extend_m is not None else ()
    return {
        "ladder": ladder,
        "device": device,
        "worker": records.aloft(scene, stage) if stage.climb_m is not None else (),
        "tail": stage.released,
        "tool": (stage.hauled,) if stage.hauled is not None else (),
    }


def swept(scene: SceneFile, stage: Stage) -> dict[Key, Range]:
    """Every parameter of every thing in a stage, with its range in the unit of its key."""
    there = things(scene, stage)
    found = {}
    for parameter in PARAMETERS:
        for name in there[parameter.of]:
            span = getattr(stage, parameter.key)
            if span is not None or parameter.of == "tool":
                found[parameter.key, name] = ANYWHERE if span is None else span
    return found


def begins(scene: SceneFile, stage: Stage) -> dict[Key, Range]:
    """Where a stage takes each parameter up: anywhere in its range; an opening and a lowering at their top, a closing
    and a raising at their foot."""
    return {key: _end(stage, key, span, leaving=False) for key, span in swept(scene, stage).items()}


def leaves(scene: SceneFile, stage: Stage) -> dict[Key, Range]:
    """Where a stage leaves each parameter."""
    return {key: _end(stage, key, span, leaving=True) for key, span in swept(scene, stage).items()}


def _end(stage: Stage, key: Key, span: Range, leaving: bool) -> Range:
    if key[0] != "lower_m" or stage.kind not in ("open", "lower", "raise", "close"):
        return span
    value = span.hi if (stage.kind in ("open", "lower")) == leaving else span.lo
    return Range(value, value)


def shown(key: str, span: Range) -> str:
    """A range with its unit.

    >>> shown("lean_along_deg", Range(-1.5, 1.5)), shown("lower_m", Range(0.0, 0.0))
    ('-1.5 to 1.5 deg', '0 m')
    """
    unit = key.rsplit("_", 1)[1]
    if span == ANYWHERE:
        return "anywhere"
    return f"{span.lo:g} {unit}" if span.lo == span.hi else f"{span.lo:g} to {span.hi:g} {unit}"
