"""Owns a result as JSON, format 1: keys in a fixed order, no number rounded, infinite distances as null.

JSON format history 1: first format.
"""

from __future__ import annotations

import json
import math
from typing import Any

from clearance.result import FORMAT, Gap, Governing, Measure, OpenPoint, Result, StageResult, Stated, Without


def text_of(result: Result) -> str:
    """The result as JSON text, one line end at its end."""
    return json.dumps(_result(result), indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value


def _measure(measure: Measure) -> dict[str, Any]:
    found: dict[str, Any] = {
        "verdict": measure.verdict,
        "required_m": _number(measure.required_m),
        "gap_lower_m": _number(measure.gap_lower_m),
        "gap_upper_m": _number(measure.gap_upper_m),
        "margin_lower_m": _number(measure.margin_lower_m),
        "margin_upper_m": _number(measure.margin_upper_m),
        "at": dict(measure.at),
        "through": list(measure.through),
        "ends": list(measure.ends),
        "points": [list(point) for point in measure.points],
        "within_survey_error": measure.within_survey_error,
        "case": measure.case,
    }
    return found | ({"why": measure.why} if measure.why else {})


def _gap(gap: Gap) -> dict[str, Any]:
    posture = _measure(gap.posture)
    posture_verdict = posture.pop("verdict")
    posture.pop("required_m")
    return {
        "between": list(gap.between),
        "kind": gap.kind,
        "verdict": gap.verdict,
        "limit_m": _number(gap.limit_m),
        "electrical_m": _number(gap.electrical_m),
        "rule": dict(gap.rule),
        "silent": gap.silent,
        "voltage": gap.voltage,
        "posture_verdict": posture_verdict,
        **posture,
        "reach": None if gap.reach is None else _measure(gap.reach),
        "margin_at_assumed_overvoltage_m": _number(gap.margin_at_assumed_m),
    }


def _open_points(points: tuple[OpenPoint, ...]) -> list[dict[str, str]]:
    return [{"where": p.where, "what": p.what, "cure": p.cure, "verdict": p.verdict} for p in points]


def _stated(one: Stated) -> dict[str, str]:
    return {"takes_away": one.takes_away, "basis": one.basis, "by": one.by, "on": one.on}


def _without(group: Without) -> dict[str, Any]:
    return {
        "verdict_without": group.verdict,
        "margin_without_m": _number(group.margin_m),
        "stage_without": group.stage,
        "why_without": group.why,
    }


def _stage(stage: StageResult) -> dict[str, Any]:
    return {
        "name": stage.name,
        "kind": stage.kind,
        "verdict": stage.verdict,
        "parameters": {name: list(span) for name, span in stage.parameters.items()},
        "gaps": [_gap(gap) for gap in stage.gaps],
        "approaches": [
            {"body": a.body, "to": a.to, "rule": dict(a.rule), "beside_the_rules": a.beside, **_measure(a.measure)}
            for a in stage.approaches
        ],
        "insulation": [
            {
                "body": i.body,
                "verdict": i.verdict,
                "left_m": _number(i.left_m),
                "required_m": _number(i.required_m),
                "at": dict(i.at),
                "rule": dict(i.rule),
                "steps": list(i.steps),
                "why": i.why,
            }
            for i in stage.insulation
        ],
        "collisions": [{"body": c.body, **_measure(c.measure)} for c in stage.collisions],
        "maps": [
            {
                "between": list(m.between),
                "kind": m.kind,
                "what": m.what,
                "axes": list(m.axes),
                "cells": [
                    {
                        "ranges": {name: list(span) for name, span in cell.ranges.items()},
                        "verdict": cell.verdict,
                        "margin_lower_m": _number(cell.margin_lower_m),
                        "witness": None if cell.witness is None else dict(cell.witness),
                    }
                    for cell in m.cells
                ],
            }
            for m in stage.maps
        ],
        "topplings": [
            {
                "lost": t.lost,
                "left": list(t.left),
                "reach_m": t.reach_m,
                "near": [{"to": n.potential, "gap_lower_m": _number(n.gap_m), "body": n.body} for n in t.near],
            }
            for t in stage.topplings
        ],
        "exempt": [
            {
                "body": one.body,
                "against": list(one.others),
                "while": "opening" if one.opens else "closing",
                "until_m": _number(one.until_m),
                "over_lower_m": one.over_m,
                "statements": [_stated(said) for said in one.on],
            }
            for one in stage.exempt
        ],
        "open_points": _open_points(stage.open_points),
        "notes": list(stage.notes),
    }


def _governing(one: Governing) -> dict[str, Any]:
    return {
        "stage": one.stage,
        "check": one.check,
        "between": list(one.between),
        "kind": one.kind,
        "margin_m": one.margin_m,
        "at": dict(one.at),
        "ends": list(one.ends),
        "through": list(one.through),
        "asked": one.asked,
        "why": one.why,
        "inputs": [
            {
                "entry": i.entry,
                "field": i.field,
                "part": i.part,
                "value": i.value,
                "unit": i.unit,
                "per": i.per,
                "to": i.to,
                "margin_change_m": i.margin_change_m,
                "gap_change_m": i.gap_change_m,
                "limit_change_m": i.limit_change_m,
                "refused": i.refused,
            }
            for i in one.influences
        ],
    }


def _result(result: Result) -> dict[str, Any]:
    measured = result.measure_first
    return {
        "format": FORMAT,
        "version": result.version,
        "scene": {"name": result.scene, "sha256": result.sha256},
        "verdict": result.verdict,
        "complete": result.complete,
        "tolerance_m": result.tolerance_m,
        "open_points": _open_points(result.open_points),
        "skipped": list(result.skipped),
        "basis": list(result.basis),
        "statements": [
            {**_stated(one), "group": number, **_without(group)}
            for number, group in enumerate(result.statements, 1)
            for one in group.statements
        ],
        "without_statements": None
        if result.without_all is None
        else _without(result.without_all) | {"cover": result.cover},
        "line": [{"between": list(g.between), "gap_m": _number(g.gap_m), "ends": list(g.ends)} for g in result.line],
        "stages": [_stage(stage) for stage in result.stages],
    } | ({} if measured is None else {"measure_first": [_governing(one) for one in measured]})
