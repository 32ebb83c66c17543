"""Owns what would have to change: for every stage that is not clear, how much of one thing alone makes it so; orders.

`changes` narrows one range at a time, or lowers the overvoltage, until the whole stage is proved clear. What is changed
is nested (a smaller range lies within the larger, a lower overvoltage asks for less air), so what is clear at one value
stays clear beyond it, and halving finds the border. Every value given was proved by a sweep at exactly that value; at
the next step of its grid a sweep found it not clear.

`orders` tries every order in which the conductors of the jobs can be worked on.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import permutations

from clearance.errors import ClearanceError, InputError, Mistake
from clearance.job import carried, sequence, templates
from clearance.limits import per_unit
from clearance.permitted import proved, with_stages
from clearance.pipeline import Prepared, Progress, check_prepared, prepare
from clearance.result import Result, StageResult, Verdict, first_open, least_margin, worst
from clearance.scene.assemble import assemble, circuits_of
from clearance.scene.records import Range, Scene, Stage, where
from clearance.scene.records_templates import Reconnect, TakeOff
from clearance.tolerances import TOLERANCE_M

STEPS = {"m": 0.01, "deg": 0.1, "per_unit": 0.01, "wind_m_s": 0.1, "air_C": 0.5}
"""Grid on which a border is looked for: what a crew can read off, and what a study states."""

LOWEST_PER_UNIT = 1.5
"""[1] No lower overvoltage is tried: no study of a line in service gives less (common practice, no source)."""

MOST_TURNS = 6
"""Conductors whose orders are tried; of more there are over 720."""


@dataclass(frozen=True)
class Change:
    """One thing changed alone.

    what: the thing in words; parameter: its name; now, needed: the range or value as it is and as it would have to be,
        in the unit of the name; needed None where no value makes the stage clear
    verdict: of the stage at `needed`, or at the most favourable value tried; beyond: at the next step less changed
    """

    what: str
    parameter: str
    now: tuple[float, float]
    needed: tuple[float, float] | None
    verdict: Verdict
    beyond: Verdict | None


@dataclass(frozen=True)
class StageChanges:
    """What would make one stage clear, each thing alone."""

    stage: str
    verdict: Verdict
    changes: tuple[Change, ...]


@dataclass(frozen=True)
class Order:
    """One order of the conductors.

    margin_m: the least margin of its stages [m], and the stage it is in; refused: why it cannot be staged; why: the
    first thing in it that is not clear
    """

    wires: tuple[str, ...]
    verdict: Verdict
    margin_m: float | None
    stage: str
    refused: str = ""
    why: str = ""


def changes(
    prepared: Prepared, result: Result, tolerance_m: float = TOLERANCE_M, progress: Progress | None = None
) -> tuple[StageChanges, ...]:
    """For every stage that is not clear, by how much travel, lean, climb or overvoltage alone would make it so."""
    found = []
    for stage, one in zip(prepared.site.scene.stages, result.stages, strict=True):
        if one.verdict == "clear":
            continue
        made = []
        for lever in levers(prepared, stage, tolerance_m):
            if progress is not None:
                progress(f"{stage.name}: {lever.what}")
            made.append(_border(lever))
        found.append(StageChanges(stage.name, one.verdict, tuple(made)))
    return tuple(found)


ENDS = (
    ("travel_m", "travel"), ("climb_m", "climb"), ("turret_deg", "direction of the boom"),
    ("boom_deg", "raise of the boom"), ("extend_m", "extension of the boom"),
)  # fmt: skip
"""Ranges of which one end may be moved, and what each is called."""


@dataclass(frozen=True)
class Lever:
    """One thing to change: `steps` of it, 0 being as it is; `value` of a step; `verdict` proved at a step."""

    what: str
    parameter: str
    steps: int
    value: Callable[[int], tuple[float, float]]
    verdict: Callable[[int], Verdict]


def levers(prepared: Prepared, stage: Stage, tolerance_m: float) -> Iterator[Lever]:
    """Everything that can be changed of a stage, one at a time."""
    for name, words in ENDS:
        span: Range | None = getattr(stage, name)
        if span is not None and span.hi > span.lo:
            for end in ("upper", "lower"):
                yield _end_lever(prepared, stage, name, f"{words}, its {end} end", end == "upper", tolerance_m)
    for name, words in (("lean_along_deg", "lean along the heading"), ("lean_across_deg", "lean across the heading")):
        span = getattr(stage, name)
        if span.hi > span.lo:
            yield _lean_lever(prepared, stage, name, words, tolerance_m)
    yield from _overvoltage_levers(prepared, stage, tolerance_m)
    yield from _weather_levers(prepared, stage, tolerance_m)


def _weather_levers(prepared: Prepared, stage: Stage, tolerance_m: float) -> Iterator[Lever]:
    """The highest wind lowered, the highest air temperature lowered, the lowest raised; the lines placed anew."""
    weather = prepared.site.scene.weather
    if weather is None:
        return
    for name, words, ends in (("wind_m_s", "wind", (True,)), ("air_C", "air temperature", (True, False))):
        span: Range = getattr(weather, name)
        for upper in ends:
            if span.hi > span.lo:
                what = f"{words}, its {'highest' if upper else 'lowest'}"
                yield _weather_lever(prepared, stage, name, span, upper, what, tolerance_m)


def _weather_lever(
    prepared: Prepared, stage: Stage, name: str, span: Range, upper: bool, what: str, tolerance_m: float
) -> Lever:
    scene, step = prepared.site.scene, STEPS[name]
    count = max(1, math.ceil((span.hi - span.lo) / step - 1e-9))

    def value(k: int) -> tuple[float, float]:
        return _drawn_in(span, step, k, upper)

    def verdict(k: int) -> Verdict:
        changed = scene.changed_entry("weather", **{name: Range(*value(k))}).with_steps((stage,))
        return proved(replace(prepared, site=assemble(changed)), stage, tolerance_m, moving=False).verdict

    return Lever(what, name, count, value, verdict)


def _drawn_in(span: Range, step: float, k: int, upper: bool) -> tuple[float, float]:
    """A range with one end moved `k` steps toward the other, on the grid."""
    if k == 0:
        return span.lo, span.hi
    if upper:
        return span.lo, max(span.lo, _grid(math.ceil(span.hi / step - 1e-9) * step - k * step, step))
    return min(span.hi, _grid(math.floor(span.lo / step + 1e-9) * step + k * step, step)), span.hi


def _grid(value: float, step: float) -> float:
    """A value on its grid, as a person writes it."""
    return round(round(value / step) * step, 6)


def _end_lever(prepared: Prepared, stage: Stage, name: str, what: str, upper: bool, tolerance_m: float) -> Lever:
    """One end of a range moved toward the other, on the grid; at the last step the range is one value."""
    span: Range = getattr(stage, name)
    step = STEPS[name.rsplit("_", 1)[1]]
    count = max(1, math.ceil((span.hi - span.lo) / step - 1e-9))

    def value(k: int) -> tuple[float, float]:
        return _drawn_in(span, step, k, upper)

    return Lever(what, name, count, value, lambda k: _proved(prepared, stage, name, value(k), tolerance_m))


def _lean_lever(prepared: Prepared, stage: Stage, name: str, what: str, tolerance_m: float) -> Lever:
    """Both ends of a lean drawn in toward its middle by the same share."""
    span: Range = getattr(stage, name)
    middle, half = 0.5 * (span.lo + span.hi), 0.5 * (span.hi - span.lo)
    step = STEPS["deg"]
    count = max(1, math.ceil(half / step - 1e-9))

    def value(k: int) -> tuple[float, float]:
        left = max(0.0, half - k * step)
        return (span.lo, span.hi) if k == 0 else (round(middle - left, 6), round(middle + left, 6))

    return Lever(what, name, count, value, lambda k: _proved(prepared, stage, name, value(k), tolerance_m))


def _proved(prepared: Prepared, stage: Stage, name: str, span: tuple[float, float], tolerance_m: float) -> Verdict:
    return proved(prepared, stage.model_copy(update={name: Range(*span)}), tolerance_m, moving=False).verdict


def _overvoltage_levers(prepared: Prepared, stage: Stage, tolerance_m: float) -> Iterator[Lever]:
    """The overvoltage of each circuit lowered, which would need a basis of its own."""
    scene = prepared.site.scene
    for circuit in scene.circuits:
        try:
            now = per_unit(scene, circuit)
        except ClearanceError:
            continue
        step = STEPS["per_unit"]
        count = math.ceil((now - LOWEST_PER_UNIT) / step - 1e-9)
        if count < 1:
            continue

        def value(k: int, now: float = now, step: float = step) -> tuple[float, float]:
            lowered = now if k == 0 else _grid(math.ceil(now / step - 1e-9) * step - k * step, step)
            return lowered, lowered

        def verdict(k: int, name: str = circuit.name, at: Callable[[int], tuple[float, float]] = value) -> Verdict:
            return _at_overvoltage(prepared, stage, name, at(k)[0], tolerance_m)

        what = f"maximum overvoltage of circuit {circuit.name}"
        yield Lever(what, "overvoltage_per_unit", count, value, verdict)


def _at_overvoltage(prepared: Prepared, stage: Stage, circuit: str, value: float, tolerance_m: float) -> Verdict:
    scene = prepared.site.scene
    stated = {"overvoltage_per_unit": value, "overvoltage_basis": "what if", "overvoltage_by": "nobody yet"}
    changed = scene.changed_entry("circuits", circuit, **stated)
    site = replace(prepared.site, scene=changed, circuit_of=circuits_of(changed))
    return proved(replace(prepared, site=site), stage, tolerance_m, moving=False).verdict


def _verdict(lever: Lever, k: int) -> Verdict | None:
    """What a sweep at a step proves; None where the scene is refused there, such as for a bond out of reach."""
    try:
        return lever.verdict(k)
    except ClearanceError:
        return None


def _border(lever: Lever) -> Change:
    """The least change at which the stage is clear, by halving between the last that is not and the first that is."""
    high = lever.steps
    last = _verdict(lever, high)
    if last is None:
        # What is refused at a step is refused at every narrower one: halve to the furthest that is not.
        taken = 0
        while high - taken > 1:
            middle = (taken + high) // 2
            verdict = _verdict(lever, middle)
            if verdict is None:
                high = middle
            else:
                taken, last = middle, verdict
        high = taken
    if last != "clear":
        return Change(lever.what, lever.parameter, lever.value(0), None, last or "undecided", None)
    low = 0
    beyond: Verdict | None = None
    while high - low > 1:
        middle = (low + high) // 2
        verdict = _verdict(lever, middle)
        if verdict == "clear":
            high = middle
        else:
            low, beyond = middle, verdict
    if beyond is None:
        beyond = _verdict(lever, low)
    return Change(lever.what, lever.parameter, lever.value(0), lever.value(high), "clear", beyond)


def orders(scene: Scene, tolerance_m: float = TOLERANCE_M, progress: Progress | None = None) -> tuple[Order, ...]:
    """Every order of the conductors of a scene's jobs, that of the file first; each with its verdict and least margin.

    A stage that comes in several orders with the same wires off is swept once.

    Raises: InputError where no job has several turns, or one has too many.
    """
    wires = _turned(scene)
    ways = []
    for order in permutations(wires):
        try:
            found = templates.expanded(reordered(scene, order))
            sequence.refuse_contradictions(found)
            ways.append((order, carried.taken_over(found).stages, ""))
        except InputError as error:
            ways.append((order, (), str(error)))
    unique: dict[str, Stage] = {}
    for _, stages, _ in ways:
        for stage in stages:
            key = _content(stage)
            unique.setdefault(key, stage)
    base = prepare(scene)
    by_content: dict[str, StageResult] = {}
    if unique:
        result = check_prepared(with_stages(base, tuple(unique.values())), tolerance_m, progress, withdraw=False)
        by_content = dict(zip(unique, result.stages, strict=True))
    made = []
    for order, stages, refused in ways:
        if refused:
            made.append(Order(order, "undecided", None, "", refused))
            continue
        found_stages = [(stage.name, by_content[_content(stage)]) for stage in stages]
        margin, name = least_margin(found_stages)
        verdict = worst([one.verdict for _, one in found_stages])
        made.append(Order(order, verdict, margin, name, why=first_open(found_stages)))
    return tuple(made)


def _content(stage: Stage) -> str:
    """What a stage is but for its place in the order; by its name, since statements hold in stages by their names."""
    return repr(stage.model_copy(update={"note": "", "anew": False, "off": tuple(sorted(stage.off))}))


def _turned(scene: Scene) -> tuple[str, ...]:
    """The conductors of all jobs with turns, in the order of the file."""
    wires = [turn.wire for job in scene.jobs if isinstance(job, TakeOff | Reconnect) for turn in job.turns]
    names = tuple(dict.fromkeys(wires))
    if len(names) < 2:
        found = f"{len(names)}" if names else "stages written out" if scene.stages else "none"
        remedy = 'write the job as [[jobs]] of kind "take off" or "reconnect"'
        raise InputError(Mistake(where(scene, None, "jobs"), "a job with several turns to reorder", found, remedy))
    if len(names) > MOST_TURNS:
        raise InputError(Mistake(where(scene, None, "jobs"), f"at most {MOST_TURNS} conductors", f"{len(names)}", ""))
    return names


def reordered(scene: Scene, order: tuple[str, ...]) -> Scene:
    """The scene with the turns of every job in the order of the conductors given."""
    jobs = tuple(
        job.model_copy(update={"turns": tuple(sorted(job.turns, key=lambda turn: order.index(turn.wire)))})
        if isinstance(job, TakeOff | Reconnect)
        else job
        for job in scene.jobs
    )
    return scene.changed(jobs=jobs)
