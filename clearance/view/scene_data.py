"""Owns what a page is given: the scene's parts, every stage's steps and rows, and what the whole rests on, as one
record of plain values.

Positions and figures are made here; the page draws them and reckons none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any, Final

import numpy as np

from clearance.bodies import Body
from clearance.job import rig, staging
from clearance.job.setting import Setting, standing
from clearance.motion import placed
from clearance.pipeline import Prepared
from clearance.report import statements
from clearance.report.findings import SUPPORTS, counts, findings, leading, leading_drawn, overall_word, stage_word
from clearance.report.gap_lines import gap_lines
from clearance.report.numbers import span
from clearance.report.style import COLOURS, REACH, SIGNS
from clearance.report.views import line_direction
from clearance.result import Result, StageResult
from clearance.scene.records import phases
from clearance.view.figures import FOOT_M, rows, where
from clearance.view.geometry import Floats, Packer, describe, near_places, packed, segments_of
from clearance.view.steps import Step, holding, parameters, poses, steps_of

FORMAT: Final = 1
"""Of the page's data; the page refuses another one."""

UNSEEN: Final = (staging.HULL,)
"""Kinds that stand for something drawn already."""


def page_data(prepared: Prepared, result: Result) -> dict[str, Any]:
    """Everything a page shows of a result."""
    offset = drawing_origin(prepared)
    points = [gap.governing.points for stage in result.stages for gap in stage.gaps]
    packer = Packer(offset, near_places(prepared.site.bodies, points))
    stages = [
        stage_data(packer, stage, pieces, number)
        for number, (stage, pieces) in enumerate(zip(result.stages, prepared.stages, strict=True))
    ]
    worst = min(
        range(len(stages)),
        key=lambda k: (_RANK[result.stages[k].verdict], _margin(stages[k])),
        default=0,
    )
    return {
        **header(prepared, result, offset),
        "worst": worst,
        "parts": packer.parts,
        "notes": packer.notes,
        "stages": stages,
    }


_RANK: Final = {"breach": 0, "undecided": 1, "clear": 2}


def _margin(stage: Mapping[str, Any]) -> float:
    least = stage["least"]
    margin = None if least is None else stage["rows"][least]["exact"]["margin"]
    return float("inf") if margin is None else float(margin)


def header(prepared: Prepared, result: Result, offset: Floats) -> dict[str, Any]:
    """What a page says of the whole scene."""
    scene = prepared.site.scene
    origin = scene.origin
    mapped = origin.epsg is not None or bool(origin.easting_m or origin.northing_m)
    whole = overall_word(result)
    direction = line_direction(prepared.site.bodies)
    return {
        "format": FORMAT,
        "scene": result.scene,
        "sha256": result.sha256,
        "version": result.version,
        "verdict": result.verdict,
        "word": whole,
        "sign": SIGNS[whole],
        "counts": counts(result),
        "foot_m": FOOT_M,
        "colours": dict(COLOURS),
        "signs": dict(SIGNS),
        "phases": list(phases(scene)),
        "offset": [float(v) for v in offset],
        "map": [origin.easting_m, origin.northing_m, origin.height_m] if mapped else None,
        "epsg": origin.epsg,
        "north": "N" if mapped else "y",
        "direction": [float(v) for v in direction],
        "basis": list(result.basis),
        "on": statements.count_words(result),
        "bare": statements.bare_words(result),
        "statements": [asdict(row) for row in statements.rows(result)],
        "open_points": [asdict(point) for point in statements.points(result.open_points)],
        "skipped": list(result.skipped),
        "supports": SUPPORTS,
        "live": False,
    }


def drawing_origin(prepared: Prepared) -> Floats:
    """Whole metres (3,) in the scene's frame that drawn float32 coordinates are about: the middle of the track, else of
    all that stands there but the ground."""
    if prepared.site.scene.track is not None:
        knots, _ = rig.track_knots(prepared.site)
        middle = 0.5 * (knots[:, 1:].min(axis=0) + knots[:, 1:].max(axis=0))
    else:
        bounds = [b.shape.bounds for b in prepared.site.bodies if b.kind != "ground" and len(b.shape)]
        low = np.min([b[0] for b in bounds], axis=0) if bounds else np.zeros(3)
        high = np.max([b[1] for b in bounds], axis=0) if bounds else np.zeros(3)
        middle = 0.5 * (low + high)
    rounded: Floats = np.rint(middle)
    return rounded + 0.0


def stage_data(packer: Packer, stage: StageResult, pieces: Sequence[Setting], number: int) -> dict[str, Any]:
    """One stage: what stands, what rides, its steps, and its rows."""
    posture = [piece for piece in pieces if piece.check == "posture" and piece.hand == "right"]
    reach = [piece for piece in pieces if piece.check == "reach"]
    table = rows(stage)
    recorded = [(k, at) for k, at in enumerate(_places(stage)) if at is not None and "air" in table[k]]
    steps = steps_of(stage, recorded)
    by_row = {number: k for k, step in enumerate(steps) for number in step.rows}
    for k, made in enumerate(table):
        made["step"] = by_row.get(k)
        if made["path"].endswith("/reach"):
            made["reach"] = True
    lead, drawn = None, leading_drawn(stage)
    if drawn is not None:
        measures = _measures(stage)
        lead = next((k for k, m in enumerate(measures) if m is drawn.measure and "air" in table[k]), None)
    # What governs need have no place to draw: an insulating length.
    first = leading(stage)
    least = next((k for k, finding in enumerate(findings(stage)) if finding == first), None)
    found = stage_word(stage)
    still, riding, bending = _bodies(packer, posture, reach)
    frames = [poses(holding(posture, step.at), step.at, packer.offset) for step in steps]
    return {
        "name": stage.name,
        "kind": stage.kind,
        "verdict": stage.verdict,
        "word": found,
        "sign": SIGNS[found],
        "ranges": {
            "m": ", ".join(span(name, *ends) for name, ends in stage.parameters.items()) or "nothing moves",
            "ft": _span_in_feet(stage) or "nothing moves",
        },
        "rows": table,
        "lead": lead,
        "least": least,
        "govern": governing(stage, table),
        "still": still,
        "riding": riding,
        "links": packed(np.array(frames).reshape(-1)) if frames and frames[0] else "",
        "steps": [_step(packer, step, posture, bending) for step in steps],
        "eye": _eye(posture, steps, packer.offset),
        "open_points": [asdict(point) for point in statements.points(stage.open_points)],
        "exempt": list(map(statements.exempt_words, stage.exempt)),
        "notes": list(stage.notes),
    }


def governing(stage: StageResult, table: Sequence[Mapping[str, Any]]) -> list[int]:
    """The rows a stage's drawings show: the leading first, all that is not clear, and the least of every pair."""
    drawn = leading_drawn(stage)
    if drawn is None:
        return []
    measures = _measures(stage)
    lines = gap_lines(stage, drawn)
    shown = [next(k for k, m in enumerate(measures) if m is line.finding.measure) for line in lines]
    return [k for k in shown if "air" in table[k]]


def _places(stage: StageResult) -> list[Mapping[str, float] | None]:
    return [None if m is None else m.at for m in _measures(stage)]


def _measures(stage: StageResult) -> list[Any]:
    found: list[Any] = []
    for gap in stage.gaps:
        found.append(gap.posture)
        if gap.reach is not None:
            found.append(gap.reach)
    found += [a.measure for a in stage.approaches]
    found += [None for _ in stage.insulation]
    return found + [c.measure for c in stage.collisions]


def _bodies(
    packer: Packer, posture: Sequence[Setting], reach: Sequence[Setting]
) -> tuple[list[int], list[dict[str, Any]], list[str]]:
    """Parts that stand still, parts that ride on links, and the names of bodies that change their shape."""
    still: list[int] = []
    riding: list[dict[str, Any]] = []
    setting = posture[0]
    links = [link.name for link in setting.motion.links]
    bending = []
    for body in setting.bodies:
        if body.kind in UNSEEN or not len(body.shape):
            continue
        if body.name in setting.rated:
            bending.append(body.name)
        elif body.link is None:
            still.append(packer.part(body))
        else:
            riding.append({"part": packer.part(body), "link": links.index(body.link)})
    if reach:
        for body in reach[0].bodies:
            if body.kind == "worker" and body.link is not None:
                riding.append({"part": packer.part(body, REACH), "link": links.index(body.link)})
    return still, riding, bending


def _step(packer: Packer, step: Step, posture: Sequence[Setting], bending: Sequence[str]) -> dict[str, Any]:
    made: dict[str, Any] = {"at": dict(step.at), "where": where(step.at)}
    if step.rows:
        made["rows"] = list(step.rows)
    if bending:
        setting = holding(posture, step.at)
        q = parameters(setting, step.at)
        made["bent"] = [
            {
                "name": body.name,
                "kind": body.kind,
                "potential": describe(body),
                "rods": packed(
                    segments_of(
                        placed(body.shape, setting.motion, body.link, q, setting.rated.get(body.name)), packer.offset
                    )
                ),
            }
            for body in setting.bodies
            if body.name in bending
        ]
    return made


def _eye(posture: Sequence[Setting], steps: Sequence[Step], offset: Floats) -> list[list[float]] | None:
    """Per step where the worker's head is and which way the worker faces, (6,); None where nobody is aloft."""
    found = []
    for step in steps:
        setting = holding(posture, step.at)
        worker = next((body for body in setting.bodies if body.kind == "worker" and body.link is not None), None)
        if worker is None:
            return None
        body = _placed(setting, worker, step.at)
        corners = body.shape.vertices.reshape(-1, 3)
        head = corners[int(np.argmax(corners[:, 2]))] - offset
        rotation = poses(setting, step.at, offset)[[k.name for k in setting.motion.links].index(str(worker.link))]
        found.append([round(float(v), 4) for v in (*head, *rotation[:, 0])])
    return found


def _placed(setting: Setting, body: Body, at: Mapping[str, float]) -> Body:
    return next(b for b in standing(setting, at) if b.name == body.name)


def _span_in_feet(stage: StageResult) -> str:
    words = []
    for name, (low, high) in stage.parameters.items():
        if name.endswith("_m"):
            words.append(span(name, low / FOOT_M, high / FOOT_M).removesuffix("m") + "ft")
        else:
            words.append(span(name, low, high))
    return ", ".join(words)
