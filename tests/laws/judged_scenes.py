"""Owns what the laws of the scene compare: a scene's table judged as a file, what was found of every pair of
potentials, approach, collision and insulating length, and what "never better" is.

Better is: something that was not clear becomes clear, or a proved margin rises beyond what was seen before, which is
within the tolerance of what was proved then. Maps are left out: they take most of the time, and add nothing here.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from hypothesis import assume, note
from law_scenes import Table
from schema_walk import Place

from clearance.errors import ClearanceError
from clearance.pipeline import check
from clearance.result import Measure, Result
from clearance.scene.reading import scene_of
from clearance.scene.writing import toml

TOLERANCE_M = 0.05
ROUNDING_M = 1e-4
"""[m] What turning, moving and other units may change: far below what anything is shown to."""

DISC_M = 0.1
"""[m] How much less a gap to people on the ground and vehicles may be told where their circles turn, are seen in a
mirror, or are of another reach: the polygon that stands for a circle, cut into triangles, reaches up to 3.5 % beyond it
(`bodies/areas.py`), and area and arms are 3 m at the most here."""
LATTICE_M = 0.01
"""[m] How much a gap may change where the scene is turned or mirrored: round things are told by the corners that stand
for them."""
PIECE_M = 0.06
"""[m] How much an insulating length may change where the scene is turned: what touches a member is told to the piece,
3 cm (`job/touching.py`), at either end, and the hulls of what touches are no circles."""
GROUND = {"Ben", "Eve", "Cid", "van", "crew"}

Key = tuple[str, ...]


def text(table: Mapping[str, Any]) -> str:
    """A table as a scene file."""
    return "".join(f"{key} = {toml(value)}\n" for key, value in table.items())


@dataclass(frozen=True)
class Row:
    """What was found of one thing that is judged: its gap and margin, proved and seen [m]."""

    verdict: str
    gap: tuple[float, float]
    margin: tuple[float, float] | None
    through: tuple[str, ...] = ()
    measure: Measure | None = None


@dataclass(frozen=True)
class Judged:
    """A scene as it was judged. rows: by stage, what it is, and between which."""

    result: Result
    rows: Mapping[Key, Row]
    table: Mapping[str, Any]

    @property
    def verdicts(self) -> dict[str, str]:
        """Of the whole, under "", and of every stage."""
        return {"": self.result.verdict, **{stage.name: stage.verdict for stage in self.result.stages}}

    @property
    def unsettled(self) -> set[str]:
        """What is told and keeps it from being clear."""
        points = [*self.result.open_points, *(point for stage in self.result.stages for point in stage.open_points)]
        return {str(point) for point in points if point.verdict != "clear"}


def as_it_is() -> Any:
    """Every gap is found as it is, also where the bound that is cheaper to find keeps the limit."""
    return patch("clearance.job.measuring.paths_to_judge", lambda bench, piece, paths, required: paths)


def judged(table: Mapping[str, Any], folder: Path = Path(), exactly: bool = False) -> Judged | str:
    """A table judged as the scene file in a folder that holds it; what is said where it is refused.

    exactly: with `as_it_is`
    """
    try:
        with ExitStack() as patched:
            patched.enter_context(patch("clearance.job.maps.maps_of", lambda *asked: ()))
            if exactly:
                patched.enter_context(as_it_is())
            scene = scene_of(text(table).encode(), folder / "scene.toml")
            result = check(scene, TOLERANCE_M, withdraw=False)
    except ClearanceError as error:
        return str(error)
    return Judged(result, rows(result), table)


def before_of(table: Table) -> Judged:
    """The scene as it is; one that is refused says nothing."""
    note(text(table))
    before = judged(table)
    assume(not isinstance(before, str))
    assert isinstance(before, Judged)
    return before


def without(value: Any, place: Place) -> Any:
    """A table without what stands at a place."""
    first, *rest = place
    changed = copy.copy(value)
    if rest:
        changed[first] = without(value[first], tuple(rest))
    else:
        del changed[first]
    return changed


def placed(value: Any, place: Place, new: Any) -> Any:
    """A table with another value at a place."""
    first, *rest = place
    changed = copy.copy(value)
    changed[first] = placed(value[first], tuple(rest), new) if rest else new
    return changed


def rows(result: Result) -> dict[Key, Row]:
    """Everything in a result that is judged by a number."""
    found: dict[Key, Row] = {}
    for stage in result.stages:
        for gap in stage.gaps:
            pair = (stage.name, "gap", *sorted(gap.between), gap.kind)
            found[*pair, "posture"] = _row(gap.posture)
            if gap.reach is not None:
                found[*pair, "reach"] = _row(gap.reach)
        for a in stage.approaches:
            found[stage.name, "approach", a.body, a.to, "beside" if a.beside else ""] = _row(a.measure)
        for c in stage.collisions:
            found[stage.name, "collision", c.body] = _row(c.measure)
        for i in stage.insulation:
            margin = None if i.required_m is None else (i.left_m - i.required_m,) * 2
            found[stage.name, "length", i.body] = Row(i.verdict, (i.left_m, i.left_m), margin)
    return found


def _row(measure: Measure) -> Row:
    margin = None
    if measure.required_m is not None:
        margin = measure.gap_lower_m - measure.required_m, measure.gap_upper_m - measure.required_m
    gap = measure.gap_lower_m, measure.gap_upper_m
    return Row(measure.verdict, gap, margin, (*measure.ends, *measure.through), measure)


def of_pair(key: Key) -> Key:
    """A row without the kind of its limit and which of both checks it is."""
    return key[:4] if key[1] == "gap" else key[:3]


def risen(after: Judged, before: Judged, reach: bool = False) -> list[str]:
    """Margins that are proved to be larger than what was seen before. What is not judged any more is held by what is
    judged of the same pair, or by a stage that is not clear.

    A chain over a limited length is told as if that length were nothing where even so it keeps the limit, and as it is
    where not: what seems to have risen for that is looked at as it is.
    """
    return _risen(after, before, reach) and _risen(_exactly(after), _exactly(before), reach)


def _exactly(one: Judged) -> Judged:
    found = judged(one.table, exactly=True)
    assert isinstance(found, Judged)
    return found


def _risen(after: Judged, before: Judged, reach: bool) -> list[str]:
    found = []
    left: dict[Key, float] = {}
    for key, row in after.rows.items():
        least = -math.inf if row.margin is None else row.margin[0]
        left[of_pair(key)] = min(left.get(of_pair(key), math.inf), least)
    for key, row in before.rows.items():
        if row.margin is None or not math.isfinite(row.margin[1]):
            continue
        if key in after.rows:
            margin = after.rows[key].margin
            now = -math.inf if margin is None else margin[0]
        elif of_pair(key) in left:
            now = left[of_pair(key)]
        else:
            now = math.inf if after.verdicts.get(key[0]) == "clear" else -math.inf
        slack_m = DISC_M if reach and GROUND & {*key, *row.through} else ROUNDING_M
        if now > row.margin[1] + slack_m:
            found.append(f"{key}: {row.margin[1]:.4f} m seen, {now:.4f} m proved")
    return found


def cleared(after: Judged, before: Judged) -> list[str]:
    """Verdicts that were not clear and are."""
    now = after.verdicts
    return [f"{name or 'the whole'}: {was}" for name, was in before.verdicts.items()
            if was != "clear" and now.get(name) == "clear"]  # fmt: skip


def never_better(after: Judged | str, before: Judged, reach: bool = False) -> None:
    """Holds the law; a refusal is never better. reach: somebody on the ground may have another reach."""
    if isinstance(after, str):
        return
    better = [*cleared(after, before), *risen(after, before, reach)]
    assert not better, "\n".join(better)
