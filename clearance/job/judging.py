"""Owns the judgement of one stage: which enclosures are asked for, and what they mean.

Per stage: every judged chain from the stated posture against the whole limit and from the reach envelope against the
electrical part, under every case of uncertain potentials; an unbonded worker's nearness to phases and earth; what
moving
bodies run into; insulating lengths; and the maps of margins along travel and climb.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from threading import Event

from clearance import rules
from clearance.engine import (
    Compiled,
    Engine,
    Found,
    Group,
    Path,
    build_engine,
    coarse,
    compile_setting,
    enclose,
    still_gap,
)
from clearance.errors import InputError, Mistake, RuleError
from clearance.gaps import EARTH, Case, Judged, cases, judged
from clearance.job import bridged, insulation, maps, parting, potentials, staging
from clearance.job.setting import Setting
from clearance.limits import Required, highest_kV, required_between
from clearance.result import Approach, Collision, Gap, Kind, LineGap, Measure, StageResult, worst
from clearance.scene import records
from clearance.scene.assemble import Site
from clearance.scene.records import Stage, where
from clearance.verdict import judge


BUDGET = 200_000
"""Boxes bounded before a sweep gives up as undecided: about a minute."""

LIMITED_BUDGET = 20_000
"""Boxes for the enclosure of paths through a body crossed over its own length alone; the verdict has `BUDGET`."""


@dataclass
class Bench:
    """What judging has at hand: the site, the engine, the tolerance, and what was found before.

    tell: told the enclosure of a long sweep as it narrows, about five times a second
    stop: set to end every sweep under way
    """

    site: Site
    engine: Engine
    tolerance_m: float
    tell: Callable[[str], None] | None = None
    boxes: int = 0
    required: dict[tuple[str, str, Kind], Required] = field(default_factory=dict)
    stop: Event = field(default_factory=Event)

    def limit(self, one: str, other: str, kind: Kind) -> Required:
        """The required distance of a pair and kind, asked once."""
        key = (one, other, kind)
        if key not in self.required:
            self.required[key] = required_between(self.site.scene, self.site.circuit_of, one, other, kind)
        return self.required[key]

    def sweep(
        self,
        compiled: Compiled,
        paths: Sequence[Path],
        *,
        tolerance_m: float,
        target_m: float | None = None,
        within: Mapping[str, tuple[float, float]] | None = None,
        budget: int = BUDGET,
    ) -> Found:
        """`enclose`, counted, told of, and ended by `stop`."""

        def told(lower: float, upper: float, boxes: int) -> None:
            if self.stop.is_set():
                raise KeyboardInterrupt
            if self.tell is not None:
                self.tell(f"{compiled.setting.stage}: gap from {lower:.3f} to {upper:.3f} m after {boxes:,} boxes")

        found = enclose(
            self.engine,
            compiled,
            paths,
            tolerance_m=tolerance_m,
            target_m=target_m,
            within=within,
            budget=budget,
            progress=told,
        )
        self.boxes += found.boxes
        return found


@dataclass(frozen=True, eq=False)
class Piece:
    """A compiled setting with what is asked of it more than once."""

    compiled: Compiled
    least_of: Callable[[Path], float]
    known: dict[tuple[Path, ...], Found] = field(default_factory=dict)


def judge_stage(bench: Bench, stage: Stage, settings: Sequence[Setting]) -> StageResult:
    """All that was found for one stage."""
    pieces = [
        Piece(compiled, coarse(bench.engine, compiled))
        for compiled in (compile_setting(bench.engine, s) for s in settings)
    ]
    posture = [piece for piece in pieces if piece.compiled.setting.check == "posture"]
    reach = [piece for piece in pieces if piece.compiled.setting.check == "reach"]
    stated = staging.parameters_of(bench.site, stage)
    gaps, undecided = _gaps(bench, stage, posture, reach)
    undecided += list(_not_there(bench, stage, settings))
    notes = [f"{body.name}: {body.note}" for body in settings[0].bodies if body.note and body.job]
    notes += potentials.proofs(bench.site, stage, settings[0].bodies)
    if not gaps and not undecided:
        notes.append("no gap is judged: no conductive body of the job is there; what moves is judged for collisions")
    fixed = {name: low for name, (low, high) in stated.items() if low == high}
    found = StageResult(
        name=stage.name,
        kind=stage.kind,
        parameters=stated,
        gaps=tuple(
            replace(gap, posture=_with(gap.posture, fixed), reach=gap.reach and _with(gap.reach, fixed)) for gap in gaps
        ),
        approaches=tuple(_approaches(bench, stage, posture, reach)),
        insulation=(
            *insulation.insulation_of(bench.site, stage, bridged.lowest_live_touch(bench, stage, posture)),
            *bridged.bridged(bench, stage, posture, reach),
        ),
        collisions=tuple(_collisions(bench, posture)),
        undecided=tuple(undecided),
        notes=tuple(filter(None, (stage.note, *notes))),
    )
    if not (found.gaps or found.approaches or found.insulation or found.collisions or found.undecided):
        found = replace(found, undecided=("nothing of the job is there: nothing was judged",))
    return replace(found, maps=maps.maps_of(bench, stage, posture, reach, found))


def _not_there(bench: Bench, stage: Stage, settings: Sequence[Setting]) -> Iterator[str]:
    """What the stage would have to be judged against and does not hold: a phase without a body, a bond without its
    lead."""
    held = {
        potential
        for setting in settings
        for body in setting.bodies
        if body.conductive and len(body.shape)
        for potential in (body.potential, *(state for _, state in body.states))
    }
    scene = bench.site.scene
    missing = [
        phase for phase, circuit in records.phases(scene).items() if circuit.state != "earthed" and phase not in held
    ]
    if missing:
        yield f"nothing stands at {' and '.join(f'phase {phase}' for phase in missing)}: no gap to it could be judged"
    for name in stage.bonded:
        if stage.bonding_lead_m is None or stage.clamp_m is None:
            yield f"the bonding lead of {name} is not judged: state its length and its clamp (bonding_lead_m, clamp_m)"


def _with(measure: Measure, fixed: Mapping[str, float]) -> Measure:
    return replace(measure, at={**fixed, **measure.at})


def _cases(bench: Bench, stage: Stage, setting: Setting) -> tuple[Case, ...]:
    try:
        return cases(setting.bodies)
    except ValueError as error:
        raise InputError(
            Mistake(
                where(bench.site.scene, stage),
                "few enough bodies of uncertain potential to judge every combination",
                str(error),
                "settle some by a recorded proof: struck_out, or states of the stage",
            )
        ) from error


def questions(bench: Bench, stage: Stage, setting: Setting) -> dict[tuple[str, str, Kind], list[Judged]]:
    """All judged chains of a setting by (one potential, the other, kind), of every case."""
    site = bench.site
    tools = staging.tools_of(site, stage, setting)
    air = [entry.between for entry in site.scene.air_only]
    found: dict[tuple[str, str, Kind], list[Judged]] = {}
    for case in _cases(bench, stage, setting):
        try:
            asked = judged(setting.bodies, case, site.live, tools, air)
        except ValueError as error:
            raise InputError(
                Mistake(
                    where(site.scene, stage),
                    "few enough floating bodies for chains through all of them",
                    str(error),
                    "give some of them a potential, or leave them out of the stage",
                )
            ) from error
        for question in asked:
            found.setdefault((*question.between, question.kind), []).append(question)
    return found


def _gaps(bench: Bench, stage: Stage, posture: Sequence[Piece], reach: Sequence[Piece]) -> tuple[list[Gap], list[str]]:
    whole = [questions(bench, stage, piece.compiled.setting) for piece in posture]
    part = [questions(bench, stage, piece.compiled.setting) for piece in reach]
    gaps, undecided = [], []
    for key in dict.fromkeys(key for found in whole for key in found):
        one, other, kind = key
        required = bench.limit(one, other, kind)
        first = _least(
            bench,
            [(piece, q) for piece, found in zip(posture, whole, strict=True) for q in found.get(key, [])],
            required.limit_m,
        )
        second = None
        if part and any(key in found for found in part):
            asked = [(piece, q) for piece, found in zip(reach, part, strict=True) for q in found.get(key, [])]
            second = _least(bench, asked, required.electrical_m)
        if first.gap_lower_m == float("inf") and (second is None or second.gap_lower_m == float("inf")):
            continue
        if required.limit_m is None:
            undecided.append(f"{one} to {other}, {kind}: {required.why}")
            first = replace(first, why=required.why)
        gap = Gap(
            (one, other), kind, first, second, required.limit_m, required.electrical_m, required.rule, required.voltage
        )
        if required.assumed_m is not None:
            gap = replace(gap, margin_at_assumed_m=first.gap_lower_m - required.assumed_m)
        gaps.append(gap)
    return gaps, undecided


def _least(bench: Bench, asked: Sequence[tuple[Piece, Judged]], required_m: float | None) -> Measure:
    """The measure with the least gap over all pieces and cases; its bounds are the least of all bounds."""
    measures = [measure_of(bench, piece, question.paths, required_m, question.case) for piece, question in asked]
    if not measures:
        return Measure("undecided", required_m, float("inf"), float("inf"), {}, (), ("", ""), ())
    governing = min(measures, key=lambda m: (m.gap_upper_m, m.gap_lower_m))
    verdict = worst([m.verdict for m in measures])
    why = next((m.why for m in measures if m.verdict == verdict and m.why), "")
    return replace(
        governing,
        verdict=verdict,
        gap_lower_m=min(m.gap_lower_m for m in measures),
        within_survey_error=verdict == "breach"
        and all(m.within_survey_error for m in measures if m.verdict == "breach"),
        why=why,
    )


def found_for(bench: Bench, piece: Piece, paths: tuple[Path, ...]) -> Found:
    """The enclosure of some paths, to the tolerance, found once."""
    if paths not in piece.known:
        piece.known[paths] = _enclosed(bench, piece, paths)
    return piece.known[paths]


def worth_sweeping(bench: Bench, piece: Piece, paths: Sequence[Path]) -> tuple[list[Path], float]:
    """The paths that can hold the least, and the bound of the others.

    A value at the centre of the box is an upper bound; paths whose boxes alone keep them above it are left out.
    """
    bounds = bounds_of(bench, piece, paths)
    short = [path for _, path in sorted(bounds, key=lambda pair: pair[0])[:8]]
    compiled = piece.compiled
    centre = {name: (0.5 * (low + high), 0.5 * (low + high)) for name, (low, high) in compiled.setting.box.items()}
    above = bench.sweep(compiled, short, tolerance_m=bench.tolerance_m, within=centre).upper_m
    # Both are rounded, so a path that attains the least may seem to be above it: keep all within the tolerance.
    above += bench.tolerance_m
    kept = [path for bound, path in bounds if bound <= above]
    left_out = min((bound for bound, _ in bounds if bound > above), default=float("inf"))
    return kept, left_out


def bounds_of(bench: Bench, piece: Piece, paths: Sequence[Path]) -> list[tuple[float, Path]]:
    """What every path cannot be below: by the boxes of its bodies, and past a body that is crossed over its own length
    alone by the gap between what stands on both sides, less that length."""
    return [(max(piece.least_of(path), _past_limited(bench, piece, path)), path) for path in paths]


def _past_limited(bench: Bench, piece: Piece, path: Path) -> float:
    still, engine = piece.compiled.still, bench.engine
    if len(path.groups) != 3 or path.groups[1].extent_m == float("inf"):
        return 0.0
    one, middle, other = path.groups
    if not all(name in still for name in (*one.bodies, *other.bodies)):
        return 0.0
    across = min(still_gap(engine, still[a], still[b])[0] for a in one.bodies for b in other.bodies)
    # 1e-6 m for the rounding of a gap of up to a kilometre.
    return across - middle.extent_m + path.offset_m - 1e-6


def crossed_free(paths: Sequence[Path]) -> tuple[Path, ...]:
    """The paths with every body crossed for nothing over any length: never above the paths themselves, and far easier
    to bound, since what stands on both sides of a body need not be looked at together."""
    return tuple(Path(tuple(Group(group.bodies) for group in path.groups), path.offset_m) for path in paths)


def paths_to_judge(bench: Bench, piece: Piece, paths: tuple[Path, ...], required_m: float | None) -> tuple[Path, ...]:
    """The paths crossed for nothing where these keep the required distance already, else the paths as they are."""
    free = crossed_free(paths)
    if free == paths or required_m is None or found_for(bench, piece, free).lower_m >= required_m:
        return free
    return paths


def _enclosed(bench: Bench, piece: Piece, paths: tuple[Path, ...]) -> Found:
    kept, left_out = worth_sweeping(bench, piece, paths)
    budget = BUDGET if crossed_free(paths) == paths else LIMITED_BUDGET
    found = bench.sweep(piece.compiled, kept, tolerance_m=bench.tolerance_m, budget=budget)
    least = min((bound for bound, _ in bounds_of(bench, piece, paths)), default=float("inf"))
    lower = max(min(found.lower_m, left_out), least)
    return replace(found, lower_m=min(lower, found.upper_m))


def measure_of(bench: Bench, piece: Piece, paths: tuple[Path, ...], required_m: float | None, case: str) -> Measure:
    """The least gap along the paths, and its verdict; where bounds straddle the limit, swept again for the verdict
    alone."""
    paths = paths_to_judge(bench, piece, paths, required_m)
    found = found_for(bench, piece, paths)
    lower, why = max(0.0, found.lower_m), ""
    verdict = judge(lower, found.upper_m, required_m)
    if verdict == "undecided" and required_m is not None:
        again = bench.sweep(piece.compiled, paths, tolerance_m=1e-6, target_m=required_m)
        if again.upper_m < found.upper_m:
            found = replace(again, lower_m=max(lower, again.lower_m))
        lower = max(lower, again.lower_m)
        verdict = judge(lower, found.upper_m, required_m)
        if verdict == "undecided":
            why = "the work budget ended before the bounds parted from the limit"
    within = False
    if verdict == "breach" and required_m is not None:
        within = _holds_without_slack(bench, piece, paths, required_m)
    ends = ("", "")
    through: tuple[str, ...] = ()
    if found.path is not None:
        ends = (found.bodies[0][0], found.bodies[-1][1])
        through = tuple(pair[0] for pair in found.bodies[1:])
    return Measure(
        verdict, required_m, lower, max(0.0, found.upper_m), found.at, through, ends, found.points, within, case, why
    )


def _holds_without_slack(bench: Bench, piece: Piece, paths: tuple[Path, ...], required_m: float) -> bool:
    """Whether the breach is none when every slack is left out."""
    setting = piece.compiled.setting
    bare = build_engine([setting], slack=False)
    found = enclose(
        bare, compile_setting(bare, setting, slack=False), paths, tolerance_m=bench.tolerance_m, target_m=required_m
    )
    return found.outcome == "reached"


def _unbonded(stage: Stage, site: Site) -> Iterator[str]:
    for name in records.aloft(site.scene, stage):
        if name not in stage.bonded:
            yield name


def _approaches(bench: Bench, stage: Stage, posture: Sequence[Piece], reach: Sequence[Piece]) -> Iterator[Approach]:
    """How near a worker comes who is not bonded, or not yet.

    Only in a bonding or unbonding stage may an unbonded worker come nearer to a phase than the transfer distance plus
    the ergonomic part, and only when mounting so near to earth; while bonding, earthed bodies are out of reach
    throughout.
    """
    site = bench.site
    bonding = stage.kind in ("bonding", "unbonding")
    aloft = list(records.aloft(site.scene, stage)) if bonding else list(_unbonded(stage, site))
    for name in aloft:
        if bonding:
            yield from _approach(bench, reach, name, [EARTH], with_ergonomic=False, bonded=stage.bonded.get(name))
        else:
            near = [*site.live] if stage.kind == "mount" else [*site.live, EARTH]
            yield from _approach(bench, posture, name, near, with_ergonomic=True)
    for name, point, distance in parting.kept_away(site, stage):
        path = (Path((Group((name,)), Group((point,)))),)
        measures = [measure_of(bench, piece, path, distance, "as stated") for piece in posture]
        if measures:
            least = min(measures, key=lambda m: m.gap_lower_m)
            yield Approach(name, point, replace(least, verdict=worst([m.verdict for m in measures])))


def _approach(
    bench: Bench,
    pieces: Sequence[Piece],
    name: str,
    potentials: Sequence[str],
    with_ergonomic: bool,
    bonded: str | None = None,
) -> Iterator[Approach]:
    for potential in potentials:
        required, why = _transfer(bench, potential, with_ergonomic)
        measures = []
        for piece in pieces:
            bodies = piece.compiled.setting.bodies
            others = tuple(
                body.name
                for body in bodies
                if body.conductive
                and body.name != name
                and len(body.shape)
                and (body.potential == potential or potential in (state for _, state in body.states))
                # What the worker bonds to is touched on purpose, whatever else it might be at.
                and (bonded is None or body.potential != bonded)
            )
            if others:
                path = Path((Group((name,)), Group(others)))
                measures.append(replace(measure_of(bench, piece, (path,), required, "as stated"), why=why))
        if measures:
            verdict = worst([measure.verdict for measure in measures])
            least = min(measures, key=lambda m: (m.gap_upper_m, m.gap_lower_m))
            lower = min(measure.gap_lower_m for measure in measures)
            yield Approach(name, potential, replace(least, verdict=verdict, gap_lower_m=lower))


def _transfer(bench: Bench, potential: str, with_ergonomic: bool) -> tuple[float | None, str]:
    """The transfer distance to a potential, with the ergonomic part of its limit or without; to earth the largest of
    all circuits that are live."""
    live = bench.site.live if potential == EARTH else (potential,)
    found: list[tuple[float, str]] = []
    for one in live:
        try:
            distance, note = rules.transfer_distance(highest_kV(bench.site.scene, bench.site.circuit_of[one]))
        except RuleError as error:
            return None, str(error)
        if with_ergonomic:
            required = bench.limit(one, EARTH, "tool")
            if required.limit_m is None or required.electrical_m is None:
                return None, f"the ergonomic part is not known: {required.why}"
            distance += required.limit_m - required.electrical_m
        found.append((distance, note))
    return max(found, default=(None, "no circuit is live"))


def _collisions(bench: Bench, pieces: Sequence[Piece]) -> Iterator[Collision]:
    """What moves touches nothing unless the stage says so: every moving body against all it is not meant to touch."""
    found: dict[str, list[Measure]] = {}
    for piece in pieces:
        setting = piece.compiled.setting
        for body in setting.bodies:
            if body.link is None or body.kind in (staging.HULL, "lead") or len(body.shape) == 0:
                continue
            others = tuple(
                other.name
                for other in setting.bodies
                if other.name != body.name
                and other.kind not in (staging.HULL, "lead")
                and len(other.shape)
                and frozenset((body.name, other.name)) not in setting.touching
            )
            path = Path((Group((body.name,)), Group(others)))
            measure = measure_of(bench, piece, (path,), bench.tolerance_m, "as stated")
            found.setdefault(body.name, []).append(measure)
    for name, measures in found.items():
        verdict = worst([m.verdict for m in measures])
        least = min(measures, key=lambda m: (m.gap_upper_m, m.gap_lower_m))
        yield Collision(name, replace(least, verdict=verdict, gap_lower_m=min(m.gap_lower_m for m in measures)))


def unreachable_bonds(bench: Bench, stage: Stage, settings: Sequence[Setting]) -> Iterator[Mistake]:
    """A bond to something the worker cannot reach anywhere in the stage is a mistake of the scene."""
    reach = [setting for setting in settings if setting.check == "reach"]
    for name, phase in stage.bonded.items():
        nearest = float("inf")
        for setting in reach:
            others = tuple(
                body.name
                for body in setting.bodies
                if body.conductive
                and body.potential == phase
                and len(body.shape)
                # A wire that the stage disturbs counts as the job's, and is still the line's to reach.
                and (not body.job or (body.kind == "wire" and body.name not in stage.released))
            )
            if others and any(body.name == name for body in setting.bodies):
                path = Path((Group((name,)), Group(others)))
                compiled = compile_setting(bench.engine, setting)
                if bench.sweep(compiled, (path,), tolerance_m=bench.tolerance_m, target_m=1e-9).outcome == "passed":
                    nearest = 0.0
                    break
                nearest = min(nearest, bench.sweep(compiled, (path,), tolerance_m=bench.tolerance_m).lower_m)
        # Once the clamp is on, what must reach is the lead, not the hand.
        lead = 0.0 if stage.kind in ("bonding", "unbonding") else stage.bonding_lead_m or 0.0
        if reach and nearest > lead:
            found = f"the nearest {nearest:.2f} m beyond the reach envelope" if nearest < float("inf") else "none"
            yield Mistake(
                (*where(bench.site.scene, stage), f"bonded.{name}"),
                f"a conductor of phase {phase} within reach",
                found,
                "move the ladder, climb higher, or bond to another phase",
            )


def line_gaps(bench: Bench) -> tuple[LineGap, ...]:
    """Gaps of the line itself between every two potentials: listed, not judged."""
    site, engine = bench.site, bench.engine
    index = {body.name: engine.index[id(body.shape)] for body in site.bodies if id(body.shape) in engine.index}
    names = list(
        dict.fromkeys(body.potential for body in site.bodies if body.conductive and body.potential is not None)
    )
    found = []
    for one, other in combinations(sorted(names, key=lambda name: (name == EARTH, name)), 2):
        least, ends = float("inf"), ("", "")
        for a in site.bodies:
            for b in site.bodies:
                between = a.potential == one and b.potential == other and a.conductive and b.conductive
                if between and a.name in index and b.name in index:
                    gap = still_gap(engine, index[a.name], index[b.name])[0]
                    if gap < least:
                        least, ends = gap, (a.name, b.name)
        if least < float("inf"):
            found.append(LineGap((one, other), max(0.0, least), ends))
    return tuple(found)
