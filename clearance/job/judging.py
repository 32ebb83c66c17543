"""Owns the judgement of one stage: which enclosures are asked for, and what they mean.

Per stage: every judged chain from the stated posture against the whole limit and from the reach envelope against the
    electrical part, under every case of uncertain potentials; an unbonded worker's nearness to phases and earth; what
    moving bodies run into; insulating lengths; and the maps of margins along travel and climb.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations

from clearance.engine import still_gap
from clearance.gaps import AS_STATED, EARTH, Judged, case_name
from clearance.job import (
    bridged,
    clamps,
    duties,
    earthing,
    far_string,
    fixed_to,
    holding,
    insulation,
    maps,
    nearness,
    parting,
    potentials,
    rig,
    shifted_bodies,
    shifts,
    tail_ropes,
    toppling,
    whip,
)
from clearance.job.measuring import Bench, Piece, beneath, case_of, measure_of
from clearance.job.questions import Asked, questions
from clearance.job.setting import Check
from clearance.result import Gap, LineGap, Measure, OpenPoint, StageResult, Verdict, worst
from clearance.scene import statements, unlisted
from clearance.scene.records import Stage
from clearance.verdict import not_clear


def judge_stage(
    bench: Bench, stage: Stage, pieces: Sequence[Piece], drawn: bool = True, moving: bool = True
) -> StageResult:
    """All that was found for one stage; drawn: with the maps of its margins; not moving: at the one pose that its
    ranges were shrunk to."""
    settings = [piece.compiled.setting for piece in pieces]
    posture = [piece for piece in pieces if piece.compiled.setting.check == "posture"]
    reach = [piece for piece in pieces if piece.compiled.setting.check == "reach"]
    stated = rig.parameters_of(bench.site, stage)
    asked: dict[Check, list[Asked]] = {
        "posture": [questions(bench, stage, piece.compiled.setting) for piece in posture],
        "reach": [questions(bench, stage, piece.compiled.setting) for piece in reach],
    }
    gaps, undecided = _gaps(bench, posture, reach, asked)
    undecided += _not_isolated(bench, stage)
    undecided += parting.open_points(bench.site, stage, [setting.parting for setting in settings])
    undecided += tail_ropes.open_points(bench.site, stage)
    undecided += holding.open_points(bench.site, stage)
    undecided += far_string.open_points(bench.site, stage)
    undecided += earthing.open_points(bench, stage, reach)
    undecided += parting.too_far(bench, stage, posture)
    undecided += clamps.loose(bench.site, stage, [piece.compiled.setting for piece in posture])
    undecided += _not_a_load(bench, stage)
    undecided += fixed_to.of_stage(bench.site, stage)
    undecided += shifted_bodies.left_behind(bench.site, stage)
    notes = [f"{body.name}: {body.note}" for body in settings[0].bodies if body.note and body.job]
    notes += potentials.notes(stage, settings[0].bodies)
    notes += whip.unjudged(bench.site, stage)
    # Where only the verdict and the least margin are asked for, what is shown and not judged is left out.
    shown = bench.floor is None
    toppled = tuple(
        toppling.toppled(bench.site, stage, toppling.pieces_of(settings), bench.tolerance_m) if shown else ()
    )
    notes += map(toppling.words, toppled)
    if not gaps and not undecided:
        notes.append("no gap is judged: no conductive body of the job is there; what moves is judged for collisions")
    fixed = {name: low for name, (low, high) in stated.items() if low == high}
    found = StageResult(
        name=stage.name,
        kind=stage.kind,
        parameters={**stated, **shifts.swept(settings[0])},
        gaps=tuple(
            replace(gap, posture=_with(gap.posture, fixed), reach=gap.reach and _with(gap.reach, fixed)) for gap in gaps
        ),
        approaches=tuple(nearness.approaches(bench, stage, posture, reach)),
        insulation=(
            *insulation.insulation_of(bench, stage, (*reach, *posture)),
            *bridged.bridged(bench, posture, reach),
        ),
        collisions=tuple(nearness.collisions(bench, posture)),
        topplings=toppled,
        exempt=tuple(parting.exempt(bench, stage, posture)),
        open_points=tuple(undecided),
        notes=tuple(filter(None, (stage.note, *notes))),
    )
    if not (found.gaps or found.approaches or found.insulation or found.collisions):
        cure = "state travel_m, workers, crew or ropes"
        undecided.append(OpenPoint("", "nothing of the job is there: nothing was judged", cure))
    # What is owed is told from the records alone: what was lost on the way to here is still asked for.
    owed = duties.duties(bench.site.scene, stage, moving)
    undecided += duties.unjudged(owed, duties.held(bench, stage, pieces, asked, found))
    found = replace(found, open_points=tuple(undecided))
    return replace(found, maps=maps.maps_of(bench, stage, posture, reach, found)) if drawn else found


def _not_isolated(bench: Bench, stage: Stage) -> Iterator[OpenPoint]:
    """Wires taken off whose far end nobody says is isolated."""
    for name in (*stage.released, *stage.off):
        if not statements.isolated(bench.site.scene, name):
            what = "nobody says that its far end is isolated, so what opens and what it is at is not known"
            yield OpenPoint(f"wire '{name}'", what, f'isolate it, and say so: kind = "isolated", wire = "{name}"')


def _not_a_load(bench: Bench, stage: Stage) -> Iterator[OpenPoint]:
    """Wires taken off whose weight and pull hung on another one that nobody says moves when they go."""
    disturbed = {entry.wire for entry in stage.disturbed}
    for name in (*stage.released, *stage.off):
        host = unlisted.host_of(bench.site.scene, name)
        if host is None:
            continue
        stands = unlisted.stands(bench.site.scene, host, name)
        if stands and host.name in disturbed:
            continue
        what = f"{name} hung on it and goes, and nothing says how it springs"
        cure = f'list it among its loads: wire = "{name}", with when_stated'
        if stands:
            cure += "; or state disturbed with movement_m"
        yield OpenPoint(f"wire '{host.name}'", what, cure)


def _with(measure: Measure, fixed: Mapping[str, float]) -> Measure:
    return replace(measure, at={**fixed, **measure.at})


def _gaps(
    bench: Bench, posture: Sequence[Piece], reach: Sequence[Piece], questions: Mapping[Check, Sequence[Asked]]
) -> tuple[list[Gap], list[OpenPoint]]:
    whole, part = questions["posture"], questions["reach"]
    gaps: list[Gap] = []
    undecided: list[OpenPoint] = []
    for key in dict.fromkeys(key for found in whole for key in found):
        one, other, kind = key
        required = bench.limit(one, other, kind)
        first = _least(
            bench,
            [(piece, q) for piece, found in zip(posture, whole, strict=True) for q in found.get(key, [])],
            required.limit_m,
            required.silent,
        )
        second = None
        if part and any(key in found for found in part):
            asked = [(piece, q) for piece, found in zip(reach, part, strict=True) for q in found.get(key, [])]
            second = _least(bench, asked, required.electrical_m, required.silent)
        if first.gap_lower_m == float("inf") and (second is None or second.gap_lower_m == float("inf")):
            continue
        if required.why:
            cure = "supply what is missing, or state the distance in a company table that completes the rule"
            undecided.append(OpenPoint("", f"{one} to {other}, {kind}: {required.why}", cure))
            first = replace(first, why=required.why)
        gap = Gap(
            (one, other), kind, first, second, required.limit_m, required.electrical_m, required.rule, required.voltage,
            silent=required.silent,
        )  # fmt: skip
        if required.assumed_m is not None:
            gap = replace(gap, margin_at_assumed_m=first.gap_lower_m - required.assumed_m)
        gaps.append(gap)
    return gaps, undecided


def _least(bench: Bench, asked: Sequence[tuple[Piece, Judged]], required_m: float | None, silent: str = "") -> Measure:
    """The measure with the least gap over all pieces and cases; its bounds are the least of all bounds.

    silent: why a rule has no value, so that what is required is only the least it can be
    """
    measures = []
    for piece, question in asked:
        if bench.floor is None or required_m is None or silent:
            measure = measure_of(bench, piece, question.paths, required_m, AS_STATED)
        else:
            counts = beneath(bench, piece, question.paths, required_m)
            if counts is None:
                continue
            measure = counts
        chain = (measure.ends[0], *measure.through, measure.ends[1])
        measures.append(replace(measure, case=case_of(piece, case_name(question.case, chain), chain)))
    if not measures:
        # Under a floor all of them are clear and keep more than the least: nothing is left to measure.
        nothing: Verdict = "undecided" if bench.floor is None or required_m is None or silent else "clear"
        return Measure(nothing, required_m, float("inf"), float("inf"), {}, (), ("", ""), ())
    governing = min(measures, key=lambda m: (m.gap_upper_m, m.gap_lower_m))
    verdict = worst([m.verdict for m in measures])
    why = next((m.why for m in measures if m.verdict == verdict and m.why), "")
    return replace(
        governing,
        verdict=not_clear(verdict, silent),
        gap_lower_m=min(m.gap_lower_m for m in measures),
        within_survey_error=verdict == "breach"
        and all(m.within_survey_error for m in measures if m.verdict == "breach"),
        why=why,
    )


def line_gaps(bench: Bench) -> tuple[LineGap, ...]:
    """Gaps of the line itself between every two potentials: listed, not judged."""
    site, engine = bench.site, bench.engine
    index = {body.name: engine.index[body.shape] for body in site.bodies if body.shape in engine.index}
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
