"""Owns the ranges a crew is given: printed numbers, rounded inward, and proved by a sweep of exactly those numbers.

`permitted` rounds the ranges of every stage inward to what is printed, checks the job again at these, and for a stage
that is not clear looks for a part of it that is. A permitted range is a box: all its ranges were proved jointly, so any
position within all of them is covered. Ranges proved one at a time would not combine.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from clearance.errors import InputError
from clearance.job import sequence, staging
from clearance.job.maps import AXES as LADDER_AXES
from clearance.job.maps import DEVICE_AXES
from clearance.pipeline import Prepared, Progress, check_prepared, judged
from clearance.result import Map, OpenPoint, Result, StageResult
from clearance.scene.assemble import Site
from clearance.scene.records import Range, Stage
from clearance.tolerances import TOLERANCE_M

SPANS = (
    "travel_m", "lean_along_deg", "lean_across_deg", "heading_deg", "climb_m", "turret_deg", "boom_deg", "extend_m",
)  # fmt: skip
"""Ranges a crew keeps to. How far a wire is lowered is a way it goes, not a range to keep to, and stays as it is."""

AXES = (*LADDER_AXES, *DEVICE_AXES)
"""Axes along which a part of a stage is looked for."""

DECIMALS: Mapping[str, int] = {"m": 2, "deg": 1}
FINEST = 3
"""Decimals tried where fewer would leave nothing of a narrow range."""

Outcome = Literal["as stated", "narrowed", "none"]


@dataclass(frozen=True)
class Permitted:
    """What a crew may do in one stage.

    outcome: "as stated" where the printed ranges are those of the stage, rounded inward; "narrowed" where only a part
        of it is clear; "none" where no part was found: the stage must not be carried out
    stage: the stage with exactly the printed numbers; found: what its sweep proved
    """

    outcome: Outcome
    stage: Stage
    found: StageResult


@dataclass(frozen=True, eq=False)
class Permits:
    """All that a briefing is made from: the job at the printed numbers, and what of each stage is permitted.

    sha256: digest of the scene that was given; where rounding changed a range, that of `result` is another
    """

    prepared: Prepared
    result: Result
    stages: tuple[Permitted, ...]
    sha256: str

    @property
    def narrowed(self) -> Result:
        """The stages as they are printed, which is another scene where one is narrower than it was asked for: that
        scene as a whole, and what it would be without statements, is for a check of its own."""
        scene = self.prepared.site.scene.changed(stages=tuple(one.stage for one in self.stages))
        found = replace(self.result, sha256=scene.sha256, stages=tuple(one.found for one in self.stages))
        other = [one.stage.name for one in self.stages if one.outcome != "as stated"]
        if not other:
            return found
        what = f"narrower or left out here than the scene has it: {', '.join(other)}"
        cure = "write these ranges into the scene and check the whole job with them"
        points = (*self.result.open_points, OpenPoint("the job", what, cure))
        return replace(found, open_points=points, complete=False, statements=(), without_all=None)


def permitted(
    prepared: Prepared,
    tolerance_m: float = TOLERANCE_M,
    progress: Progress | None = None,
    known: Result | None = None,
) -> Permits:
    """The printed ranges of every stage, each proved by a sweep of exactly these numbers.

    known: the result of `prepared` at this tolerance, which is taken where rounding changed no number
    """
    stages = tuple(rounded_inward(stage) for stage in prepared.site.scene.stages)
    if known is not None and known.tolerance_m == tolerance_m and stages == prepared.site.scene.stages:
        printed, result = prepared, known
    else:
        printed = with_stages(prepared, stages)
        result = check_prepared(printed, tolerance_m, progress)
    found = []
    for stage, one in zip(stages, result.stages, strict=True):
        if one.verdict == "clear":
            found.append(Permitted("as stated", stage, one))
        else:
            found.append(_narrowed(printed, stage, one, tolerance_m))
    return Permits(printed, result, _joined(printed, result, found), prepared.site.scene.sha256)


def _joined(prepared: Prepared, result: Result, found: list[Permitted]) -> tuple[Permitted, ...]:
    """The same, without narrower ranges that do not meet those of the stage before or after: nobody may stand where no
    stage is proved, and a job goes on from where it was."""
    while True:
        scene = prepared.site.scene.with_steps(tuple(one.stage for one in found))
        apart = {
            k
            for number, (_, _, mistakes) in enumerate(sequence.follow(scene))
            for k in (number - 1, number)
            if mistakes and k >= 0 and found[k].outcome == "narrowed"
        }
        if not apart:
            return tuple(found)
        whole = zip(prepared.site.scene.stages, result.stages, found, strict=True)
        found = [Permitted("none", stage, was) if k in apart else one for k, (stage, was, one) in enumerate(whole)]


def with_stages(prepared: Prepared, stages: tuple[Stage, ...]) -> Prepared:
    """The same site with other stages. Those it had were checked for contradictions; a narrower range makes none."""
    scene = prepared.site.scene.with_steps(stages)
    # `Site` carries the scene, and what is remembered of a site goes by it: a new one for new stages.
    site: Site = replace(prepared.site, scene=scene, same=None)
    return Prepared(site, tuple(staging.settings_of(site, stage) for stage in stages), prepared.read)


def proved(prepared: Prepared, stage: Stage, tolerance_m: float = TOLERANCE_M, moving: bool = True) -> StageResult:
    """What a sweep of one stage proves, at its own numbers; moving: False where a range may be one value on purpose."""
    return judged(with_stages(prepared, (stage,)), tolerance_m, moving)[0]


def rounded_inward(stage: Stage) -> Stage:
    """The stage with its ranges as they are printed: never wider, and never nothing; it states what it stated.

    >>> stage = Stage(name="work", kind="work", travel_m=[1.904, 2.117], climb_m=5.251)
    >>> rounded_inward(stage).travel_m, rounded_inward(stage).climb_m
    (Range(lo=1.91, hi=2.11), Range(lo=5.251, hi=5.251))
    >>> rounded_inward(stage).model_fields_set == stage.model_fields_set
    True
    """
    given = {name: getattr(stage, name) for name in SPANS if name in stage.model_fields_set}
    return stage.model_copy(update={name: inward(name, span) for name, span in given.items() if span is not None})


def inward(name: str, span: Range) -> Range:
    """A range rounded inward to the decimals of its unit; finer where that would leave nothing, one value as it is."""
    if span.lo == span.hi:
        return span
    for decimals in range(DECIMALS[name.rsplit("_", 1)[1]], FINEST + 1):
        scale = 10**decimals
        # A number that is on the grid already must stay: 1.9 times 100 is 189.99999999999997.
        low = span.lo if round(span.lo, decimals) == span.lo else math.ceil(span.lo * scale) / scale
        high = span.hi if round(span.hi, decimals) == span.hi else math.floor(span.hi * scale) / scale
        if low < high:
            return Range(low, high)
    return span


def _narrowed(prepared: Prepared, stage: Stage, found: StageResult, tolerance_m: float) -> Permitted:
    """The largest part that is proved clear among those its maps suggest."""
    for candidate in sorted(_candidates(stage, found), key=lambda part: -_share(part, stage)):
        part = rounded_inward(candidate)
        try:
            again = proved(prepared, part, tolerance_m)
        except InputError:
            continue  # such as a bond that is out of reach all over this part
        if again.verdict == "clear":
            return Permitted("narrowed", part, again)
    return Permitted("none", stage, found)


def _candidates(stage: Stage, found: StageResult) -> Iterator[Stage]:
    """Parts of a stage along one axis of its maps, or along travel and climb, in which no map shows a breach."""
    runs: dict[str, list[Range]] = {}
    for axis in AXES:
        maps = [one for one in found.maps if one.axes == (axis,)]
        if maps:
            runs[axis] = list(_clear_runs(axis, maps))
    for axis, ranges in runs.items():
        for span in ranges:
            yield stage.model_copy(update={axis: span})
    for travel in runs.get("travel_m", []):
        for climb in runs.get("climb_m", []):
            yield stage.model_copy(update={"travel_m": travel, "climb_m": climb})


def _clear_runs(axis: str, maps: list[Map]) -> Iterator[Range]:
    """Runs of bins that are clear in every map; the bins of all maps of a stage are the same."""
    start: float | None = None
    end = 0.0
    for cells in zip(*(one.cells for one in maps), strict=True):
        low, high = cells[0].ranges[axis]
        if all(cell.verdict == "clear" for cell in cells):
            start, end = (low if start is None else start), high
        elif start is not None:
            yield Range(start, end)
            start = None
    if start is not None:
        yield Range(start, end)


def _share(part: Stage, whole: Stage) -> float:
    """How much of a stage a part is: the product of what is left along each axis of its maps."""
    share = 1.0
    for axis in AXES:
        one, all_of_it = getattr(part, axis), getattr(whole, axis)
        if one is not None and all_of_it.hi > all_of_it.lo:
            share *= (one.hi - one.lo) / (all_of_it.hi - all_of_it.lo)
    return share


def rungs(span: Range, spacing_m: float) -> tuple[int, int] | None:
    """The lowest and highest rung whose height is within a range of the climb, or None where none is.

    >>> rungs(Range(5.2, 6.6), 0.3), rungs(Range(5.25, 5.35), 0.3)
    ((18, 22), None)
    """
    least, most = math.ceil(span.lo / spacing_m - 1e-9), math.floor(span.hi / spacing_m + 1e-9)
    return (least, most) if least <= most else None
