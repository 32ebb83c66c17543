"""Owns what the engine says of one pose: everything where it is, and all that is judged there, as a page takes it.

A pose is a stage with every range shrunk to one value, staged anew and judged as the check judges a stage, so what is
shown is the check's own answer for it: gaps, approaches, insulating lengths, collisions, and what keeps it undecided.
What a page does not move (a worker's swing, feet that settle) is swept. A pose may lie outside the stage's ranges, and
then says so: the result does not cover it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import Any, Final

import numpy as np

from clearance.bodies import Body
from clearance.engine import build_engine
from clearance.errors import InputError, Mistake
from clearance.job import judging, rig, staging
from clearance.job.measuring import Bench, pieces_of
from clearance.job.setting import PLACED, Setting, standing
from clearance.motion import Link, Motion, pose
from clearance.pipeline import Prepared
from clearance.report.findings import findings, stage_word
from clearance.scene.records import Range, Stage
from clearance.tolerances import TOLERANCE_M
from clearance.view.figures import row, where
from clearance.view.geometry import Floats, describe, packed, segments_of
from clearance.view.scene_data import drawing_origin
from clearance.view.weather import MOVABLE, free_weather, site_in, stated_weather, where_in, words_of

LEAN_DEG: Final = 10.0
"""[deg] How far a free ladder may be leaned on a live page."""

MOST_WEATHERS: Final = 8
"""Weathers whose placed wires are kept, the last ones asked for."""


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


def poser(prepared: Prepared, tolerance_m: float = TOLERANCE_M) -> Poser:
    """Everything that poses of a scene share; tolerance_m: that of the check, so that the same counts as touching."""
    engine = build_engine(setting for pieces in prepared.stages for setting in pieces)
    return Poser(prepared, Bench(prepared.site, engine, tolerance_m), drawing_origin(prepared), Lock())


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
        judged = judging.judge_stage(bench, held, pieces_of(bench, settings), drawn=False, moving=False)
    rows = []
    for k, finding in enumerate(findings(judged)):
        rows.append(row(finding, f"pose/{k}") | {"reach": finding.check == "reach"})
    outside = _outside(prepared, stage, whole)
    return {
        "at": whole,
        "where": {unit: ", ".join(filter(None, (text, where_in(sky)))) for unit, text in where(places).items()},
        "sky": words_of(bench.site.scene),
        "found": rows,
        "govern": _govern(rows),
        "word": stage_word(judged),
        "undecided": [str(point) for point in judged.open_points],
        "outside": outside,
        **_drawn(prepared, number, settings, asked),
    }


def _in_weather(asked: Poser, stage: Stage, sky: Mapping[str, float]) -> Bench:
    """A bench whose site has its wires placed in a weather; those of the last weathers are kept."""
    key = (stage.name, *sorted(sky.items()))
    if key not in asked.weathers:
        site = site_in(asked.prepared.site, sky)
        bench = Bench(site, build_engine(staging.settings_of(site, stage)), asked.bench.tolerance_m)
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


def _govern(rows: list[dict[str, Any]]) -> list[int]:
    """Of every two potentials the row with the least margin, and all that is not clear; the least margin first."""

    def margin(k: int) -> float:
        value = rows[k]["exact"]["margin"]
        return math.inf if value is None else float(value)

    order = sorted(range(len(rows)), key=margin)
    seen: set[str] = set()
    kept = []
    for k in order:
        # Of what is clear only the gaps have something to draw.
        if rows[k]["verdict"] != "clear" or (rows[k]["subject"] == "gap" and rows[k]["short"] not in seen):
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
