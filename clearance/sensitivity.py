"""Owns what to measure first: how much the margin of every governing gap changes with a step of each input.

The governing gaps are the least margin of each stage and at least the ten least of the job, each chain once. A gap is
taken at its witnessed pose, nothing is swept: each input that may matter to it (`clearance.inputs`) is moved one step
either way with all checks of the scene, the stage is put on the changed site, and gap and limit are taken at the same
pose again. The worse way counts. Where the input is a range that the pose lies in (a lean), or one follows from it (a
settlement), the pose goes with it: one step on, or as far along the range as it was.

A step is small and the least gap at one pose is not the least over the range: this ranks inputs, and proves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from clearance import inputs
from clearance.engine import Path, build_engine
from clearance.errors import ClearanceError, InputError
from clearance.inputs import Input
from clearance.job import datum, staging
from clearance.job.measuring import Bench, crossed_free, found_for, pieces_of
from clearance.job.questions import questions
from clearance.job.setting import Check, Setting, inside
from clearance.limits import refusals, required_between
from clearance.result import Governing, Influence, Kind, Measure, Result
from clearance.scene.assemble import Site, assemble, circuits_of
from clearance.scene.records import Scene, Stage
from clearance.withdrawn import changed_bodies

LEAST = 10
"""Gaps of the job that govern at the least, besides the least of each stage."""

FINE_M = 1e-6
"""[m] How far apart the bounds of a gap at one pose may stay."""

SAME_M = 1e-3
"""[m] So near must the engine find the printed gap at the printed pose; else no input is asked of it."""

SPARE_M = 1.0
"""[m] Bodies that no chain passes within this beyond the gap are left out while a step moves it by less than half."""

NOTHING_M = 1e-6
"""[m] A change of the margin below this is none."""

OF_LIMITS = ("circuits", "rule_inputs")
"""Tables that change limits and nothing else."""

OF_JOB = ("stages", "workers", "crew", "vehicles", "track")
"""Tables that the line does not depend on."""

Progress = Callable[[str], None]
Key = tuple[str, str, Kind]
Chain = tuple[tuple[str, str], Kind, str, tuple[str, str], tuple[str, ...]]


@dataclass(frozen=True, eq=False)
class _Gap:
    """A governing gap and where it is: stage by number, setting by its place among the stage's, the pose [m or rad],
    whether each question crosses bodies for nothing, the bodies that are near, the gap and the limit there [m]."""

    told: Governing
    number: int
    place: int
    check: Check
    key: Key
    pose: Mapping[str, float]
    free: tuple[bool, ...]
    near: frozenset[str]
    gap_m: float
    limit_m: float


def measure_first(
    site: Site, stages: Sequence[Sequence[Setting]], result: Result, progress: Progress | None = None
) -> tuple[Governing, ...]:
    """What the margins of the governing gaps hang on, the least margin first; the largest influence of each first.

    site, stages: the scene as it was swept, with the settings of every stage; result: what the sweep found
    """
    gaps, told = [], []
    for number, governing, measure in governing_of(result):
        found = _placed(site, stages, number, governing, measure)
        if isinstance(found, _Gap):
            gaps.append(found)
        told.append(found)
    asked = [_inputs_of(site, gap) for gap in gaps]
    every: dict[Input, list[int]] = {}
    for k, some in enumerate(asked):
        for one in some:
            every.setdefault(one, []).append(k)
    influences: list[list[Influence]] = [[] for _ in gaps]
    for done, (one, which) in enumerate(every.items(), 1):
        if progress is not None:
            progress(f"what to measure first: {done} of {len(every)}, {one.entry}, {one.field}")
        found_for_each = _influences(site, stages, one, [gaps[k] for k in which])
        for k, influence in zip(which, found_for_each, strict=True):
            influences[k].append(influence)
    made = iter(
        replace(gap.told, influences=_ordered(some), asked=len(some))
        for gap, some in zip(gaps, influences, strict=True)
    )
    return tuple(next(made) if isinstance(one, _Gap) else one for one in told)


def governing_of(result: Result) -> Iterator[tuple[int, Governing, Measure]]:
    """The gaps that govern, the least margin first, each with the number of its stage: the least of each stage and the
    ten least of the job; the same chain between the same potentials only where its margin is least."""
    found: dict[Chain, tuple[float, int, Governing, Measure]] = {}
    of_stages: set[Chain] = set()
    for number, stage in enumerate(result.stages):
        least: dict[Chain, float] = {}
        for gap in stage.gaps:
            for check, measure in (("posture", gap.posture), ("reach", gap.reach)):
                if measure is None or measure.margin_lower_m is None or not math.isfinite(measure.margin_lower_m):
                    continue
                margin, ends, through = measure.margin_lower_m, measure.ends, measure.through
                chain = (gap.between, gap.kind, check, ends, through)
                least[chain] = margin
                if chain not in found or margin < found[chain][0]:
                    one = Governing(stage.name, check, gap.between, gap.kind, margin, measure.at, ends, through)
                    found[chain] = margin, number, one, measure
        if least:
            of_stages.add(min(least, key=lambda chain: least[chain]))
    ordered = sorted(found.items(), key=lambda item: item[1][:2])
    for k, (chain, (_, number, one, measure)) in enumerate(ordered):
        if k < LEAST or chain in of_stages:
            yield number, one, measure


def _placed(
    site: Site, stages: Sequence[Sequence[Setting]], number: int, one: Governing, measure: Measure
) -> _Gap | Governing:
    """A governing gap at its pose; as it was told, with the reason, where the engine does not find it there."""
    stage = site.scene.stages[number]
    key = (*one.between, one.kind)
    assert measure.required_m is not None
    best: _Gap | None = None
    for place, setting in enumerate(stages[number]):
        if setting.check != one.check:
            continue
        pose = {name: inside(name, one.at.get(name, 0.0)) for name in setting.box}
        if not all(low - 1e-9 <= pose[name] <= high + 1e-9 for name, (low, high) in setting.box.items()):
            continue
        found = _at(site, stage, setting, pose, key, measure.required_m)
        if found is not None and (
            best is None or abs(found[0] - measure.gap_upper_m) < abs(best.gap_m - measure.gap_upper_m)
        ):
            gap_m, free, near = found
            check: Check = setting.check
            best = _Gap(one, number, place, check, key, pose, free, near, gap_m, measure.required_m)
    if best is None or abs(max(0.0, best.gap_m) - measure.gap_upper_m) > SAME_M:
        return replace(one, why="at its pose the engine does not find this gap again, so nothing was asked of it")
    return best


def _at(
    site: Site,
    stage: Stage,
    setting: Setting,
    pose: Mapping[str, float],
    key: Key,
    required_m: float,
    free: Sequence[bool] = (),
    near: frozenset[str] | None = None,
) -> tuple[float, tuple[bool, ...], frozenset[str]] | None:
    """The least gap at a pose [m], whether each question crosses bodies for nothing, and the bodies that are near.

    free: whether they do, as found before; near: what is looked at, everything where None
    Returns None where nothing is judged between the two.
    """
    bodies = setting.bodies if near is None else tuple(body for body in setting.bodies if body.name in near)
    there = replace(setting, bodies=bodies, box={name: (value, value) for name, value in pose.items()})
    bench = Bench(site, build_engine([there]), FINE_M)
    (piece,) = pieces_of(bench, [there])
    asked = questions(bench, stage, there).get(key, [])
    gaps, crossed = [], []
    for k, question in enumerate(asked):
        paths = crossed_free(question.paths)
        found = found_for(bench, piece, paths)
        as_free = free[k] if len(free) == len(asked) else paths == question.paths or found.lower_m >= required_m
        if not as_free:
            found = found_for(bench, piece, question.paths)
        gaps.append(found.upper_m)
        crossed.append(as_free)
    least = min(gaps, default=math.inf)
    if not math.isfinite(least):
        return None
    if near is None:
        near = frozenset(
            name
            for question in asked
            for path in question.paths
            for name in _near(path, piece.least_of, least + SPARE_M)
        )
    return least, tuple(crossed), near


def _near(path: Path, least_of: Callable[[Path], float], within_m: float) -> Iterator[str]:
    """Bodies of a path through which alone it may be so short."""
    for k, group in enumerate(path.groups):
        for name in group.bodies:
            through = replace(group, bodies=(name,))
            if least_of(Path((*path.groups[:k], through, *path.groups[k + 1 :]), path.offset_m)) <= within_m:
                yield name


def _inputs_of(site: Site, gap: _Gap) -> tuple[Input, ...]:
    """The inputs that may matter to a gap."""
    scene = site.scene
    stage = scene.stages[gap.number]
    chain = (*gap.told.ends, *gap.told.through)
    return tuple(inputs.inputs(scene, stage, inputs.about(scene, chain)))


@dataclass(frozen=True, eq=False)
class _Changed:
    """A site with an input a step off to one side, and the stages that are asked of it, by number."""

    to: str
    site: Site
    stages: Mapping[int, Stage]


def _influences(
    site: Site, stages: Sequence[Sequence[Setting]], one: Input, gaps: Sequence[_Gap]
) -> Iterator[Influence]:
    """What one input does to each of some gaps."""
    numbers = sorted({gap.number for gap in gaps})
    ways = [(to, _changed(site, one, to, times, numbers)) for to, times in (("more", 1.0), ("less", -1.0))]
    staged: dict[tuple[str, int, int], Setting | str] = {}
    for gap in gaps:
        found: list[tuple[float, float, str]] = []
        refused: list[str] = []
        for to, changed in ways:
            if isinstance(changed, str):
                refused.append(f"{to}: {changed}")
                continue
            key = (to, gap.number, gap.place)
            if key not in staged:
                staged[key] = _staged(changed, stages[gap.number], gap, one)
            setting = staged[key]
            change = setting if isinstance(setting, str) else _change(changed, setting, stages[gap.number], gap, one)
            if isinstance(change, str):
                refused.append(f"{to}: {change}")
            else:
                found.append((*change, to))
        said = (one.entry, one.field, one.part, one.value, one.unit, one.per)
        why = "; ".join(refused)
        if found:
            by_gap, by_limit, to = min(found, key=lambda item: item[0] - item[1])
            yield Influence(*said, to, by_gap, by_limit, why)
        elif one.stated:
            yield Influence(*said, "", None, None, why)
        else:
            # A default that cannot be stated otherwise is of something that is not there, such as a platform.
            yield Influence(*said, "", 0.0, 0.0, why)


def _changed(site: Site, one: Input, to: str, times: float, numbers: Sequence[int]) -> _Changed | str:
    """The site with an input a step off, or why it cannot be."""
    try:
        scene = inputs.stepped(site.scene, one, times, numbers)
        of_limits = one.table in OF_LIMITS or (one.table == "altitude_m" and scene.weather is None)
        if of_limits or one.table in OF_JOB:
            changed = replace(site, scene=scene, circuit_of=circuits_of(scene), same=None)
        else:
            changed = assemble(scene)
        mistakes = [*refusals(scene), *datum.refusals(changed)]
        if mistakes:
            raise InputError(mistakes)
    except ClearanceError as error:
        return _one_line(error)
    return _Changed(to, changed, dict(zip(numbers, scene.stages, strict=True)))


def _staged(changed: _Changed, before: Sequence[Setting], gap: _Gap, one: Input) -> Setting | str:
    """The setting of a gap on a changed site, or why there is none."""
    if one.table in OF_LIMITS:
        return before[gap.place]
    stage, lowered = changed.stages[gap.number], gap.pose.get("lower_m")
    try:
        found = staging.setting_at(changed.site, stage, gap.place, len(before), before[gap.place], lowered)
    except ClearanceError as error:
        return _one_line(error)
    return "the stage is staged otherwise then" if found is None else found


def _one_line(error: ClearanceError) -> str:
    return str(error).replace("\n", "; ")


def _change(
    changed: _Changed, setting: Setting, before: Sequence[Setting], gap: _Gap, one: Input
) -> tuple[float, float] | str:
    """By how much a gap and its limit change on a changed site [m], or why that is not known."""
    site, stage = changed.site, changed.stages[gap.number]
    limit = _limit_m(site, gap)
    if limit is None:
        return "no rule of the scene has a value then"
    by_limit = limit - gap.limit_m
    if one.table in OF_LIMITS:
        return 0.0, by_limit
    was = before[gap.place]
    names = {body.name for body in was.bodies}
    # What is there only after the step is looked at too.
    near = gap.near | {body.name for body in setting.bodies if body.name not in names}
    gaps = []
    for pose in _poses(setting, was.box, stage, gap, one, changed.to):
        if pose == gap.pose and _as_it_was(setting, was, near):
            return 0.0, by_limit
        found = _at(site, stage, setting, pose, gap.key, gap.limit_m, gap.free, near)
        if found is None or abs(found[0] - gap.gap_m) > SPARE_M / 2:
            found = _at(site, stage, setting, pose, gap.key, gap.limit_m, gap.free)
        if found is None:
            return "nothing is judged between the two then"
        gaps.append(found[0])
    return max(0.0, min(gaps)) - max(0.0, gap.gap_m), by_limit


def _as_it_was(setting: Setting, before: Setting, near: frozenset[str]) -> bool:
    """Whether all that is near is what it was and moves as it did: then no gap has changed."""
    changed = changed_bodies(before, setting)
    if changed is None or not near.isdisjoint(changed):
        return False
    ones, others = ([(b.name, b.potential, b.states, b.extent_m) for b in s.bodies] for s in (before, setting))
    return ones == others


def _poses(
    setting: Setting, before: Mapping[str, tuple[float, float]], stage: Stage, gap: _Gap, one: Input, to: str
) -> Iterator[Mapping[str, float]]:
    """The pose on a changed site; several where a parameter is new, so that any end of its range may be the worse."""
    ways: list[tuple[float, ...]] = []
    for name, span in setting.box.items():
        if one.is_tolerance and name == one.field:
            stated = gap.told.at.get(name, getattr(stage, name).lo if to == "more" else getattr(stage, name).hi)
            ways.append((inside(name, stated + (one.step if to == "more" else -one.step)),))
        elif name in gap.pose:
            ways.append((_followed(name, gap.pose[name], before[name], span),))
        else:
            ways.append(tuple(dict.fromkeys(span)))
    for values in product(*ways):
        yield dict(zip(setting.box, values, strict=True))


def _limit_m(site: Site, gap: _Gap) -> float | None:
    scene: Scene = site.scene
    required = required_between(scene, site.circuit_of, *gap.key)
    return required.limit_m if gap.check == "posture" else required.electrical_m


def _followed(name: str, value: float, before: tuple[float, float], span: tuple[float, float]) -> float:
    """A value of the pose where its range may be another: as far along it as it was. How far a wire is lowered is cut
    anew on another site, and what was at a place stays there."""
    (first, last), (low, high) = before, span
    if before == span or name == "lower_m":
        return value
    return low + (value - first) / (last - first) * (high - low) if last > first else low


def _ordered(influences: Sequence[Influence]) -> tuple[Influence, ...]:
    """Those that change the margin, what takes most from it first; then those that could not be changed."""

    def size(one: Influence) -> float:
        return math.inf if one.margin_change_m is None else one.margin_change_m

    kept = [one for one in influences if one.margin_change_m is None or abs(one.margin_change_m) > NOTHING_M]
    return tuple(sorted(kept, key=lambda one: (size(one), one.entry, one.field, one.part)))
