"""Owns a scene compared as a whole: each stage by both, and all on which they differ."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from oracle import comparing, lengths, limits, search, site, stages, touching
from oracle.rig import Pose


@dataclass
class Compared:
    rows: list[comparing.Row] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)


def compare(path: Path, judged: list[dict[str, Any]], seed: int = 0, every: int = 1, **how: int) -> Compared:
    """A scene file beside the stages of the result's JSON, `every` so many of them; `how` goes to `search`."""
    here = site.read(path)
    asked = limits.limits(here.scene)
    by_name = {stage["name"]: stage for stage in judged}
    found = Compared()
    for stage in stages.stages(here)[::every]:
        theirs = by_name[stage.name]
        told = list(poses(theirs))
        gaps = search.search(stage, seed, told=told, **how)
        rows = comparing.rows(theirs, gaps, asked)
        found.rows += rows
        found.broken += [told for row in rows if (told := comparing.broken(row))]
        at = [entry["at"] for entry in (*theirs["insulation"], *theirs["collisions"]) if entry["at"]]
        looked = search.few_poses(stage, seed, at)
        found.broken += lengths.broken(here, stage, theirs, looked, asked)
        found.broken += touching.broken(here, stage, theirs, looked)
    return found


def poses(judged: dict[str, Any]) -> Iterator[Pose]:
    """Where the tool found its least gaps: there the oracle looks as well as at places of its own."""
    for gap in (*judged["gaps"], *judged["approaches"]):
        for at in (gap.get("at"), (gap.get("reach") or {}).get("at")):
            if at:
                yield at
