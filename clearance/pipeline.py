"""Owns the whole flow: scene -> bodies -> settings -> enclosures -> verdicts -> result.

`check(scene)` is the main job. `settings(scene)` gives what drawings and pages need: every stage as it was swept.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version

from clearance.engine import build_engine
from clearance.errors import InputError, RuleError
from clearance.job import judging, measuring, nearness, sequence, staging, templates
from clearance.job.setting import Setting
from clearance.kernel import compiling
from clearance.limits import highest_kV, per_unit, refusals
from clearance.result import Interrupted, Result, StageResult
from clearance.scene import weathered
from clearance.scene.assemble import Site, assemble
from clearance.scene.records import Circuit, Scene
from clearance.tolerances import TOLERANCE_M

Progress = Callable[[str], None]

NOT_EVALUATED = (
    "strength and overturning of ladder, structures and wires",
    "step and touch voltage",
    "lightning: the overvoltage taken covers switching only",
    "temperature and humidity of the air: the altitude factor does not cover them",
)
"""What no verdict of this tool covers."""

DEVICE = "strength and overturning of the aerial device"
"""Nor does any cover this, where there is one."""

NO_WEATHER = "wires in other weather: no [weather] is stated, so they hang as given, but for their uncertainty"


@dataclass(frozen=True, eq=False)
class Prepared:
    """A scene ready to be swept: its site, and the settings of every stage in order."""

    site: Site
    stages: tuple[tuple[Setting, ...], ...]


def prepare(scene: Scene) -> Prepared:
    """Expand a scene's jobs, assemble it and stage its job.

    Raises: InputError for stages that contradict one another, and with all that only geometry or a rule's tables show,
    of every entry and stage together.
    """
    mistakes = list(refusals(scene))
    try:
        scene = templates.expanded(scene)
        sequence.refuse_contradictions(scene)
        site = assemble(scene)
        sequence.lowered_whole(site)
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
    return Prepared(site, tuple(stages))


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


def check(scene: Scene, tolerance_m: float = TOLERANCE_M, progress: Progress | None = None) -> Result:
    """Every verdict of a scene.

    scene: as `read_scene` gives it
    tolerance_m: how far apart the proven lower and the witnessed upper bound of a gap may stay [m]
    progress: told in words what is being swept; may raise to interrupt

    Raises: InputError for what is wrong with the scene, RuleError for a rule that refuses it.
    """
    compiling.begin()
    return check_prepared(prepare(scene), tolerance_m, progress)


def check_prepared(prepared: Prepared, tolerance_m: float = TOLERANCE_M, progress: Progress | None = None) -> Result:
    """`check` of a scene that was prepared already."""
    scene, site = prepared.site.scene, prepared.site
    if progress is not None and not compiling.compiled_before():
        progress("compiling the kernel, as on every first run")
    settings_of_all = (setting for pieces in prepared.stages for setting in pieces)
    engine = build_engine(settings_of_all, besides=site.bodies)
    bench = measuring.Bench(site, engine, tolerance_m, progress)
    mistakes = [
        mistake
        for stage, pieces in zip(scene.stages, prepared.stages, strict=True)
        for mistake in (*nearness.unreachable_bonds(bench, stage, pieces), *nearness.short_leads(bench, stage, pieces))
    ]
    if mistakes:
        raise InputError(mistakes)
    # Stages do not depend on one another: each has a bench of its own, and the order of results is the scene's.
    benches = [replace(bench) for _ in scene.stages]
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        waiting = [
            pool.submit(judging.judge_stage, *task) for task in zip(benches, scene.stages, prepared.stages, strict=True)
        ]
        stages: list[StageResult] = []
        try:
            for number, (stage, future) in enumerate(zip(scene.stages, waiting, strict=True), start=1):
                if progress is not None:
                    progress(f"stage {number} of {len(scene.stages)}: {stage.name}")
                stages.append(future.result())
        except KeyboardInterrupt:
            bench.stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
            raise Interrupted(tuple(stages), len(scene.stages)) from None
        except BaseException:
            bench.stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
            raise
    return Result(
        scene=scene.name,
        sha256=scene.sha256,
        version=package_version(),
        tolerance_m=tolerance_m,
        stages=tuple(stages),
        line=judging.line_gaps(bench),
        skipped=(
            *site.skipped,
            *([] if site.placed else [NO_WEATHER]),
            *NOT_EVALUATED,
            *([] if scene.aerial_device is None else [DEVICE]),
        ),
        basis=(*_basis(scene), *weathered.basis(scene, site.placed), *_unconfirmed(bench)),
        boxes=sum(one.boxes for one in benches),
    )


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
        line = f"circuit {circuit.name}: {circuit.nominal_kV:g} kV nominal, {highest}{source}, {circuit.state}"
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
    """The figures behind the limits that stand on memory."""
    lines = dict.fromkeys(line for required in bench.required.values() for line in required.unconfirmed)
    return tuple(f"from memory, not read in its source: {line}" for line in sorted(lines))
