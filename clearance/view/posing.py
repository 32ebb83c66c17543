"""Owns what the engine says of one pose: everything where it is, every judged gap there, as a page takes it.

A pose is a stage with every range shrunk to one value, staged anew and asked of the same engine, so what is shown is
the check's own answer for it. It may lie outside the stage's ranges, and then says so: the result does not cover it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import Any, Final

import numpy as np

from clearance.bodies import Body
from clearance.engine import Compiled, Path, build_engine, coarse, compile_setting
from clearance.errors import InputError, Mistake
from clearance.gaps import case_name
from clearance.job import rig, staging
from clearance.job.measuring import Bench
from clearance.job.questions import questions
from clearance.job.setting import Setting, standing
from clearance.motion import Link, Motion, pose
from clearance.pipeline import Prepared
from clearance.report.findings import Word, of_gap
from clearance.result import Gap, Kind, Measure, worst
from clearance.scene.records import Range, Stage
from clearance.verdict import judge
from clearance.view.figures import row, where
from clearance.view.geometry import Floats, describe, packed, segments_of
from clearance.view.scene_data import drawing_origin
from clearance.view.weather import MOVABLE, free_weather, site_in, stated_weather, where_in, words_of

EXACT_M: Final = 1e-6
"""[m] How far apart the bounds of a gap at one pose may be: rounding."""

FIRST: Final = 3
"""Paths that are measured before the rest is looked at: those whose bodies' boxes are nearest."""

LEAN_DEG: Final = 10.0
"""[deg] How far a free ladder may be leaned on a live page."""

PLACED: Final = "placed where the pose has it"
"""The link of bodies that stand still at a pose, but are not the ones the engine's store was made of."""

MOST_WEATHERS: Final = 8
"""Weathers whose placed wires are kept, the last ones asked for."""

WORST_FIRST: Final[tuple[Word, ...]] = ("breach", "undecided", "low margin", "clear of limit")


@dataclass(frozen=True, eq=False)
class Poser:
    """A prepared scene with an engine that is kept between poses. One pose is asked at a time.

    weathers: stage and weather -> a bench of its own, the wires placed in that weather
    """

    prepared: Prepared
    bench: Bench
    offset: Floats
    lock: Lock
    weathers: dict[tuple[object, ...], Bench] = field(default_factory=dict)


def poser(prepared: Prepared) -> Poser:
    """Everything that poses of a scene share."""
    engine = build_engine(setting for pieces in prepared.stages for setting in pieces)
    return Poser(prepared, Bench(prepared.site, engine, EXACT_M), drawing_origin(prepared), Lock())


def free_ranges(prepared: Prepared, number: int) -> dict[str, tuple[float, float]]:
    """What may be moved in a stage, and how far, in the unit of its name: all the track, all the ladder."""
    site, stage = prepared.site, prepared.site.scene.stages[number]
    ladder = site.scene.ladder
    found = {}
    for name, (low, high) in rig.parameters_of(site, stage).items():
        if name == "travel_m":
            knots, _ = rig.foot_knots(site, stage)
            low, high = float(knots[0, 0]), float(knots[-1, 0])
        elif name == "climb_m" and ladder is not None:
            low, high = 0.0, ladder.length_m
        elif name.startswith("lean"):
            low, high = min(low, -LEAN_DEG), max(high, LEAN_DEG)
        elif name == "heading_deg":
            low, high = -180.0, 180.0
        elif name.startswith(("swing", "settle")):
            continue
        found[name] = (low, high)
    return found | free_weather(site.scene)


def pose_at(asked: Poser, number: int, at: Mapping[str, float]) -> dict[str, Any]:
    """A pose as a page's step: where everything is, and every judged gap there.

    at: parameters in the unit of their names; one left out is at the middle of the stage's range, a weather left out is
        the scene's whole range of it
    Raises InputError for a stage, a parameter or a value there is none of.
    """
    prepared = asked.prepared
    whole = _whole(prepared, number, at)
    stage = prepared.site.scene.stages[number]
    sky = {name: value for name, value in whole.items() if name in MOVABLE}
    places = {name: value for name, value in whole.items() if name not in MOVABLE}
    held = stage.model_copy(update={name: Range(value, value) for name, value in places.items()})
    with asked.lock:
        bench = _in_weather(asked, stage, sky) if sky else asked.bench
        settings = [_settled(bench, setting) for setting in staging.settings_of(bench.site, held)]
        gaps = _gaps(bench, held, [compile_setting(bench.engine, setting) for setting in settings], whole)
    rows = [row(finding, f"pose/{k}") for k, gap in enumerate(gaps) for finding in of_gap(gap)]
    for k, finding in enumerate(f for gap in gaps for f in of_gap(gap)):
        rows[k]["reach"] = finding.check == "reach"
    outside = _outside(prepared, stage, whole)
    words = [made["word"] for made in rows]
    return {
        "at": whole,
        "where": {unit: ", ".join(filter(None, (text, where_in(sky)))) for unit, text in where(places).items()},
        "sky": words_of(bench.site.scene),
        "found": rows,
        "govern": _govern(rows),
        "word": next((word for word in WORST_FIRST if word in words), "not evaluated"),
        "outside": outside,
        **_drawn(prepared, number, settings, asked),
    }


def _in_weather(asked: Poser, stage: Stage, sky: Mapping[str, float]) -> Bench:
    """A bench whose site has its wires placed in a weather; those of the last weathers are kept."""
    key = (stage.name, *sorted(sky.items()))
    if key not in asked.weathers:
        site = site_in(asked.prepared.site, sky)
        bench = Bench(site, build_engine(staging.settings_of(site, stage)), EXACT_M)
        while len(asked.weathers) >= MOST_WEATHERS:
            asked.weathers.pop(next(iter(asked.weathers)))
        asked.weathers[key] = bench
    return asked.weathers[key]


def _whole(prepared: Prepared, number: int, at: Mapping[str, float]) -> dict[str, float]:
    stages = prepared.site.scene.stages
    if not 0 <= number < len(stages):
        raise InputError(Mistake(("pose", "stage"), f"0 to {len(stages) - 1}", str(number)))
    free, stated = free_ranges(prepared, number), rig.parameters_of(prepared.site, stages[number])
    mistakes = [
        Mistake(("pose", name), f"one of {', '.join(free) or 'nothing: nothing moves'}", "another name")
        for name in at
        if name not in free
    ]
    whole = {}
    for name, (low, high) in free.items():
        if name in MOVABLE and name not in at:
            continue
        value = at[name] if name in at else 0.5 * sum(stated[name])
        if not (math.isfinite(value) and low - 1e-9 <= value <= high + 1e-9):
            mistakes.append(Mistake(("pose", name), f"a number from {low:g} to {high:g}", f"{value:g}"))
        whole[name] = min(max(float(value), low), high)
    if mistakes:
        raise InputError(mistakes)
    return whole


def _settled(bench: Bench, setting: Setting) -> Setting:
    """The setting with what the engine's store does not hold put among the moving, so that the store may stay."""
    bodies = tuple(
        replace(body, link=PLACED) if body.link is None and body.shape not in bench.engine.index else body
        for body in setting.bodies
    )
    motion = Motion((*setting.motion.links, Link(PLACED, None, ())), setting.motion.parameters)
    return replace(setting, bodies=bodies, motion=motion)


def _gaps(bench: Bench, stage: Stage, compiled: list[Compiled], at: Mapping[str, float]) -> list[Gap]:
    """Every judged gap at the pose, the posture against the whole limit, the reach against the electrical part."""
    found: dict[tuple[str, str, Kind], dict[str, list[Measure]]] = {}
    for piece in compiled:
        known: dict[Any, Measure] = {}
        least_of = coarse(bench.engine, piece)
        for key, asked in questions(bench, stage, piece.setting).items():
            required = bench.limit(*key)
            distance = required.limit_m if piece.setting.check == "posture" else required.electrical_m
            bounds = {question.paths: min(map(least_of, question.paths), default=math.inf) for question in asked}
            for question in sorted(asked, key=lambda question: bounds[question.paths]):
                best = min((m.gap_upper_m for m in found.get(key, {}).get(piece.setting.check, ())), default=math.inf)
                if bounds[question.paths] > best and question.paths not in known:
                    # Another case of the pair has the least gap here: this one cannot be below it.
                    continue
                if question.paths not in known:
                    known[question.paths] = _measure(bench, piece, least_of, question.paths, at)
                measure = known[question.paths]
                judged = replace(
                    measure,
                    required_m=distance,
                    verdict=judge(measure.gap_lower_m, measure.gap_upper_m, distance),
                    case=case_name(question.case, (measure.ends[0], *measure.through, measure.ends[1])),
                    why=required.why,
                )
                found.setdefault(key, {}).setdefault(piece.setting.check, []).append(judged)
    gaps = []
    for (one, other, kind), checks in found.items():
        least = {check: _least(measures) for check, measures in checks.items()}
        if all(math.isinf(measure.gap_lower_m) for measure in least.values()) or "posture" not in least:
            continue
        required = bench.limit(one, other, kind)
        gaps.append(
            Gap(
                (one, other), kind, least["posture"], least.get("reach"), required.limit_m, required.electrical_m,
                required.rule, required.voltage,
            )
        )  # fmt: skip
    return gaps


def _measure(
    bench: Bench, piece: Compiled, least_of: Callable[[Path], float], paths: tuple[Path, ...], at: Mapping[str, float]
) -> Measure:
    """The least gap along the paths; those that by the boxes of their bodies cannot hold it are left out."""
    middle = {name: (0.5 * (low + high),) * 2 for name, (low, high) in piece.setting.box.items()}
    order = sorted(((least_of(path), k) for k, path in enumerate(paths)), key=lambda pair: pair)
    found = bench.sweep(piece, [paths[k] for _, k in order[:FIRST]], tolerance_m=EXACT_M, within=middle)
    rest = [paths[k] for bound, k in order[FIRST:] if bound <= found.upper_m]
    if rest:
        others = bench.sweep(piece, rest, tolerance_m=EXACT_M, within=middle)
        best = others if others.upper_m < found.upper_m else found
        found = replace(best, lower_m=min(found.lower_m, others.lower_m))
    ends, through = ("", ""), tuple(pair[0] for pair in found.bodies[1:])
    if found.path is not None:
        ends = (found.bodies[0][0], found.bodies[-1][1])
    lower, upper = max(0.0, found.lower_m), max(0.0, found.upper_m)
    return Measure("undecided", None, lower, upper, dict(at), through, ends, found.points)


def _least(measures: list[Measure]) -> Measure:
    least = min(measures, key=lambda measure: (measure.gap_upper_m, measure.gap_lower_m))
    return replace(
        least,
        verdict=worst([measure.verdict for measure in measures]),
        gap_lower_m=min(measure.gap_lower_m for measure in measures),
    )


def _govern(rows: list[dict[str, Any]]) -> list[int]:
    """Of every two potentials the row with the least margin, and all that is not clear; the least margin first."""

    def margin(k: int) -> float:
        value = rows[k]["exact"]["margin"]
        return math.inf if value is None else float(value)

    order = sorted(range(len(rows)), key=margin)
    seen: set[str] = set()
    kept = []
    for k in order:
        if rows[k]["verdict"] != "clear" or rows[k]["short"] not in seen:
            kept.append(k)
        seen.add(rows[k]["short"])
    return kept


def _outside(prepared: Prepared, stage: Stage, whole: Mapping[str, float]) -> list[str]:
    stated = {**rig.parameters_of(prepared.site, stage), **stated_weather(prepared.site.scene)}
    return [name for name, value in whole.items() if not stated[name][0] - 1e-9 <= value <= stated[name][1] + 1e-9]


def _drawn(prepared: Prepared, number: int, settings: list[Setting], asked: Poser) -> dict[str, Any]:
    """Frames of the links the page knows for the stage, and bodies whose shape is the pose's own."""
    setting = next(s for s in settings if s.check == "posture")
    drawn = next(s for s in prepared.stages[number] if s.check == "posture")
    names = [link.name for link in drawn.motion.links]
    known = {link.name for link in setting.motion.links}
    q = {name: 0.5 * (low + high) for name, (low, high) in setting.box.items()}
    frames = []
    for name in names:
        rotation, translation = pose(setting.motion, name, q) if name in known else (np.eye(3), np.zeros(3))
        frames.append(np.column_stack([rotation, translation - asked.offset]))
    bodies = standing(setting, {})
    known_shapes = {body.shape for body in drawn.bodies}
    own = {
        body.name
        for body in setting.bodies
        if body.kind != staging.HULL
        and (
            body.link == PLACED or body.name in setting.rated or (body.link is None and body.shape not in known_shapes)
        )
    }
    found: dict[str, Any] = {
        "links": packed(np.array(frames).reshape(-1)) if frames else "",
        "bent": [_packed(body, asked.offset) for body in bodies if body.name in own and len(body.shape)],
    }
    worker = next((body for body in bodies if body.kind == "worker"), None)
    if worker is not None and "worker" in known:
        corners = worker.shape.vertices.reshape(-1, 3)
        head = corners[int(np.argmax(corners[:, 2]))] - asked.offset
        facing = pose(setting.motion, "worker", q)[0][:, 0]
        found["eye"] = [round(float(v), 4) for v in (*head, *facing)]
    return found


def _packed(body: Body, offset: Floats) -> dict[str, Any]:
    made: dict[str, Any] = {"name": body.name, "kind": body.kind, "potential": describe(body)}
    if (rods := segments_of(body.shape, offset)).size:
        made["rods"] = packed(rods)
    if (balls := body.shape.corners == 1).any():
        made["balls"] = packed(np.column_stack([body.shape.vertices[balls, 0] - offset, body.shape.radius[balls]]))
    if (faces := body.shape.vertices[body.shape.corners == 3]).size:
        made["faces"] = packed((faces - offset).reshape(-1, 9))
    return made
