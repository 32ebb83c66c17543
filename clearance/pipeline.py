"""Owns the whole flow: scene -> bodies -> settings -> enclosures -> verdicts -> result.

`check(scene)` is the main job. `judged` gives the stages alone, for who asks of one over many ranges.
`settings(scene)` gives what drawings and pages need: every stage as it was swept.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from importlib.metadata import PackageNotFoundError, version

from clearance import not_evaluated, withdrawn
from clearance.engine import build_engine
from clearance.errors import InputError, Mistake, RuleError
from clearance.job import (
    carried,
    completeness,
    datum,
    judging,
    left_out,
    measuring,
    nearness,
    sequence,
    site_look,
    staging,
    templates,
    untold,
)
from clearance.job.setting import Setting
from clearance.kernel import compiling
from clearance.length_limits import lacking
from clearance.limits import per_unit, refusals
from clearance.result import Interrupted, OpenPoint, Result, StageResult, Without, first_open, least_margin
from clearance.scene import statements, unlisted, weathered
from clearance.scene.assemble import Site, assemble
from clearance.scene.records import Circuit, Scene, Stage
from clearance.scene.records_statements import Confirmed, LeftOut
from clearance.scene.voltages import highest_kV
from clearance.tolerances import LEAST_TOLERANCE_M, MOST_TOLERANCE_M, TOLERANCE_M

Progress = Callable[[str], None]

WAVE = 4
"""Stages judged at once without statements; the next know the least margin that these found."""

NOT_ASKED = "it was not asked what the verdict would be without it"


@dataclass(frozen=True, eq=False)
class Prepared:
    """A scene ready to be swept: its site, the settings of every stage in order, and the scene as it was read, before
    its jobs became stages."""

    site: Site
    stages: tuple[tuple[Setting, ...], ...]
    read: Scene


def prepare(scene: Scene) -> Prepared:
    """Expand a scene's jobs, assemble it and stage its job.

    Raises: InputError for stages that contradict one another, and with all that only geometry or a rule's tables show,
    of every entry and stage together.
    """
    mistakes = list(refusals(scene))
    read = scene
    try:
        scene = templates.expanded(scene)
        sequence.refuse_contradictions(scene)
        scene = unlisted.with_loads(scene)
        scene = carried.taken_over(scene)
        site = assemble(scene)
        sequence.lowered_whole(site)
        mistakes += datum.refusals(site)
    except InputError as error:
        raise InputError(dict.fromkeys([*mistakes, *error.mistakes])) from error
    stages: list[tuple[Setting, ...]] = []
    for stage in site.scene.stages:
        try:
            stages.append(staging.settings_of(site, stage))
        except InputError as error:
            mistakes += error.mistakes
    if mistakes:
        raise InputError(dict.fromkeys(mistakes))
    return Prepared(site, tuple(stages), read)


def settings(prepared: Prepared) -> Mapping[tuple[str, str], Setting]:
    """The first setting of each stage by (stage, check): what stands where at its beginning."""
    return {key: pieces[0] for key, pieces in all_settings(prepared).items()}


def all_settings(prepared: Prepared) -> Mapping[tuple[str, str], tuple[Setting, ...]]:
    """Every setting of each stage by (stage, check), in order: several where a wire is lowered piece by piece."""
    found: dict[tuple[str, str], tuple[Setting, ...]] = {}
    for settings_of_stage in prepared.stages:
        for setting in settings_of_stage:
            key = (setting.stage, setting.check)
            found[key] = (*found.get(key, ()), setting)
    return found


def check(
    scene: Scene, tolerance_m: float = TOLERANCE_M, progress: Progress | None = None, withdraw: bool = True
) -> Result:
    """Every verdict of a scene.

    scene: as `read_scene` gives it
    tolerance_m: how far apart the proven lower and the witnessed upper bound of a gap may stay [m]
    progress: told in words what is being swept; may raise to interrupt
    withdraw: False lists the statements, and leaves out what the verdict would be without them

    Raises: InputError for what is wrong with the scene, RuleError for a rule that refuses it.
    """
    compiling.begin()
    return check_prepared(prepare(scene), tolerance_m, progress, withdraw)


def check_prepared(
    prepared: Prepared,
    tolerance_m: float = TOLERANCE_M,
    progress: Progress | None = None,
    withdraw: bool = True,
    moving: bool = True,
) -> Result:
    """`check` of a scene that was prepared already.

    withdraw: with what it would be without its statements; moving: False where ranges were drawn in on purpose, to one
        value at the least, so that nothing need move

    Raises: InputError for a tolerance that is none, and for a bond that is out of reach.
    """
    _refuse_tolerance(tolerance_m)
    scene, site = prepared.site.scene, prepared.site
    if progress is not None and not compiling.compiled_before():
        progress("compiling the kernel, as on every first run")
    without = withdrawn.withdrawals(site) if withdraw else ()
    settings_of_all = [*prepared.stages, *(pieces or () for one in without for pieces in one.stages)]
    look = site_look.look_at(site, prepared.read)
    looks = [site_look.again(look, one.site, one.entries) for one in without]
    bodies = [body for one in (look, *looks) if one is not None for body in one.bodies]
    engine = build_engine((setting for pieces in settings_of_all for setting in pieces), besides=bodies)
    bench = measuring.Bench(site, engine, tolerance_m, progress)
    stages, pieces_of_all, boxes = _judged(bench, prepared, moving)
    points = _Points(site_look.found(bench, look), _of_site(bench, prepared.stages), _of_job(scene, prepared.read))
    result = Result(
        scene=scene.name,
        sha256=scene.sha256,
        version=package_version(),
        tolerance_m=tolerance_m,
        stages=stages,
        line=judging.line_gaps(bench),
        skipped=(
            *site.skipped,
            *not_evaluated.lines(scene, bool(site.placed)),
        ),
        open_points=points.all,
        complete=not completeness.missing(scene),
        basis=(*_basis(scene), *weathered.basis(scene, site.placed), *_unconfirmed(bench)),
        boxes=boxes,
    )
    told = tuple(
        _without(bench, one, again, points, prepared.read, result, pieces_of_all, progress)
        for one, again in zip(without, looks, strict=True)
    )
    if not withdraw:
        # What the verdict rests on is told all the same: it stands beside it, whoever asks.
        groups = statements.groups(scene.statements, scene)
        unasked = (Without(withdrawn.stated(group), "undecided", None, "", NOT_ASKED) for group in groups)
        return replace(result, statements=tuple(unasked))
    last = told[-1:] if len(told) > 1 else ()
    return replace(result, statements=told[: len(told) - len(last)], without_all=told[-1] if told else None)


def judged(prepared: Prepared, tolerance_m: float, moving: bool = True) -> tuple[StageResult, ...]:
    """The stages alone, as `check_prepared` judges them: no look at the site, nothing of the job as a whole.

    Raises: InputError as `check_prepared` does.
    """
    _refuse_tolerance(tolerance_m)
    engine = build_engine(setting for pieces in prepared.stages for setting in pieces)
    return _judged(measuring.Bench(prepared.site, engine, tolerance_m), prepared, moving)[0]


def _refuse_tolerance(tolerance_m: float) -> None:
    if not isinstance(tolerance_m, int | float) or not LEAST_TOLERANCE_M <= tolerance_m <= MOST_TOLERANCE_M:
        expected = f"a distance from {LEAST_TOLERANCE_M:g} to {MOST_TOLERANCE_M:g} m"
        raise InputError(Mistake(("tolerance_m",), expected, f"{tolerance_m!r}", f"{TOLERANCE_M:g} is usual"))


def _judged(
    bench: measuring.Bench, prepared: Prepared, moving: bool
) -> tuple[tuple[StageResult, ...], list[tuple[measuring.Piece, ...]], int]:
    """Every stage judged, the pieces that they were swept in, and how many boxes that took."""
    scene = prepared.site.scene
    mistakes = [
        mistake
        for stage, pieces in zip(scene.stages, prepared.stages, strict=True)
        for mistake in (*nearness.unreachable_bonds(bench, stage, pieces), *nearness.short_leads(bench, stage, pieces))
    ]
    if mistakes:
        raise InputError(mistakes)
    # Stages do not depend on one another: each has a bench of its own, and the order of results is the scene's.
    benches = [replace(bench) for _ in scene.stages]
    pieces_of_all = [measuring.pieces_of(bench, settings) for settings in prepared.stages]
    each = zip(benches, scene.stages, pieces_of_all, strict=True)
    tasks = [partial(judging.judge_stage, *one, moving=moving) for one in each]
    stages = _all(bench, scene.stages, tasks, bench.tell)
    return tuple(stages), pieces_of_all, sum(one.boxes for one in benches)


@dataclass(frozen=True)
class _Points:
    """What was found beside the stages: of the line before the job, of its height and its scans, of the job."""

    line: tuple[OpenPoint, ...]
    site: tuple[OpenPoint, ...]
    job: tuple[OpenPoint, ...]

    @property
    def all(self) -> tuple[OpenPoint, ...]:
        return (*self.line, *self.site, *self.job)


def _of_site(bench: measuring.Bench, stages: Iterable[Sequence[Setting]]) -> tuple[OpenPoint, ...]:
    return (*datum.open_points(bench.site), *left_out.open_points(bench, stages))


def _of_job(scene: Scene, read: Scene) -> tuple[OpenPoint, ...]:
    of_scene = (*untold.not_stated(read), *unlisted.told(read, scene))
    return (*lacking(scene), *completeness.open_points(scene), *untold.of_job(scene), *of_scene)


def _all(
    bench: measuring.Bench,
    stages: Sequence[Stage],
    tasks: Sequence[Callable[[], StageResult]],
    progress: Progress | None,
    what: str = "",
) -> list[StageResult]:
    """The results of tasks, one a stage, worked off on all cores.

    Raises: Interrupted with those that were finished.
    """
    found: list[StageResult] = []
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        waiting = [pool.submit(task) for task in tasks]
        try:
            for number, (stage, future) in enumerate(zip(stages, waiting, strict=True), start=1):
                if progress is not None:
                    progress(f"{what}{'' if what else f'stage {number} of {len(stages)}: '}{stage.name}")
                found.append(future.result())
        except KeyboardInterrupt:
            bench.stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
            raise Interrupted(tuple(found), len(stages)) from None
        except BaseException:
            bench.stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
            raise
    return found


def _without(
    bench: measuring.Bench,
    one: withdrawn.Withdrawal,
    look: site_look.Look | None,
    points: _Points,
    read: Scene,
    result: Result,
    known: Sequence[tuple[measuring.Piece, ...]],
    progress: Progress | None,
) -> Without:
    """What the result would be without some statements.

    look: how to look at the line again, None where it is as it was; points: what was found with all of them;
    read: the scene as it was read
    """
    said = withdrawn.stated(one.entries)
    if one.refused:
        return Without(said, "undecided", None, "", one.refused)
    least, where_least = least_margin([(stage.name, stage) for stage in result.stages])
    floor = measuring.Floor(math.inf if least is None else least)
    there = replace(bench, site=one.site, required={}, floor=floor)
    as_it_was = partial(withdrawn.as_before, one)
    again = [k for k, pieces in enumerate(known) if not as_it_was(k, [piece.compiled.setting for piece in pieces])]
    judged: dict[int, StageResult] = {}
    for begin in range(0, len(again), WAVE):
        # Each knows what the waves before it found, whichever thread is the faster.
        floors = [replace(floor) for _ in again[begin : begin + WAVE]]
        wave = list(zip(again[begin : begin + WAVE], floors, strict=True))
        tasks = [partial(_again, replace(there, floor=own), one, k, known[k]) for k, own in wave]
        stages = [one.site.scene.stages[k] for k, _ in wave]
        judged |= zip(
            again[begin : begin + WAVE],
            _all(bench, stages, tasks, progress, f"without {said[0].takes_away}: "),
            strict=True,
        )
        floor.margin_m = min(floor.margin_m, *(own.margin_m for own in floors))
        floor.breach |= any(own.breach for own in floors)
    again_read = any(isinstance(entry, LeftOut | Confirmed) for entry in one.entries)
    now = _Points(
        points.line if look is None else site_look.found(there, look),
        _of_site(there, ([p.compiled.setting for p in some] for some in known)) if again_read else points.site,
        _of_job(one.site.scene, read),
    )
    found = replace(
        result, stages=tuple(judged.get(k, stage) for k, stage in enumerate(result.stages)), open_points=now.all
    )
    named = [(stage.name, stage) for stage in found.stages]
    margin, stage = least_margin(named)
    # What keeps more than the least was not measured: the least itself stands, wherever it was.
    if least is not None and (margin is None or margin > least):
        margin, stage = least, where_least
    unsettled = [point for point in now.all if point.verdict != "clear"]
    new = [str(point) for point in unsettled if point not in result.open_points]
    first = [one for one in [first_open(named)] if one]
    told = [*first, *new] if found.verdict == "breach" else [*new, *first]
    why = next(iter([*told, *map(str, unsettled)]), "")
    return Without(said, found.verdict, margin, stage, why)


def _alike(setting: Setting) -> tuple[object, ...]:
    """What settings have in common whose bodies may be the same."""
    return (setting.check, setting.hand, *setting.box.values())


def _again(
    bench: measuring.Bench, one: withdrawn.Withdrawal, number: int, before: Sequence[measuring.Piece]
) -> StageResult:
    """A stage judged without some statements; what is known of bodies that stay as they are is taken over."""
    settings = one.stages[number] or ()
    kept = {_alike(old.compiled.setting): old for old in before}
    pairs = [(setting, kept.get(_alike(setting))) for setting in settings]
    if len(settings) == len(before):
        # In the same order: a join has the box of its stage, and another posture.
        pairs = list(zip(settings, before, strict=True))
    pieces: list[measuring.Piece] = []
    for setting, old in pairs:
        changed = None if old is None else withdrawn.changed_bodies(old.compiled.setting, setting)
        if old is None or changed is None:
            pieces += measuring.pieces_of(bench, [setting])
        else:
            pieces.append(measuring.piece_after(bench, setting, old, changed))
    return judging.judge_stage(bench, one.site.scene.stages[number], pieces, drawn=False)


def package_version() -> str:
    """Version of the installed package, or "0" in a bare checkout."""
    try:
        return version("clearance")
    except PackageNotFoundError:
        return "0"


def _basis(scene: Scene) -> tuple[str, ...]:
    lines = [
        f"rule: {' and '.join(scene.rule)}",
        f"altitude {scene.altitude_m:g} m, frequency {scene.frequency_Hz:g} Hz",
    ]
    for circuit in scene.circuits:
        highest = f"{highest_kV(scene, circuit):g} kV highest"
        source = f" ({circuit.highest_basis})" if circuit.highest_basis else ""
        earthed = circuit.name in statements.earthed_circuits(scene)
        state = "dead and earthed, on the word of a statement" if earthed else circuit.state
        line = f"circuit {circuit.name}: {circuit.nominal_kV:g} kV nominal, {highest}{source}, {state}"
        if circuit.overvoltage_per_unit is not None:
            line += (
                f"; {circuit.overvoltage_per_unit:g} per unit: {circuit.overvoltage_basis}, by {circuit.overvoltage_by}"
            )
        else:
            line += _assumed(scene, circuit)
        lines.append(line)
    return (*lines, *scene.notes)


def _assumed(scene: Scene, circuit: Circuit) -> str:
    try:
        return f"; {per_unit(scene, circuit):g} per unit, as the rule assumes"
    except RuleError:
        return ""


def _unconfirmed(bench: measuring.Bench) -> tuple[str, ...]:
    """The figures behind the limits that nobody read in their source, each with how it is known."""
    lines = dict.fromkeys(line for required in bench.required.values() for line in required.unconfirmed)
    return tuple(f"not read in its source: {line}" for line in sorted(lines))
