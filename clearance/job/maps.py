"""Owns the maps of a stage: the margin of its governing gap, and of every breaching one, along travel and climb, or
along each range of an aerial device.

A map is a profile: the parameter's range is cut into bins, and each bin's verdict holds over all other parameters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise, product

import numpy as np

from clearance.engine import Path
from clearance.job.measuring import Bench, Piece, paths_to_judge, worth_sweeping
from clearance.job.questions import questions
from clearance.job.setting import shown
from clearance.result import Cell, Gap, Map, StageResult, worst
from clearance.scene.records import Stage
from clearance.verdict import judge, not_clear

AXES = ("travel_m", "climb_m")
DEVICE_AXES = ("turret_deg", "boom_deg", "extend_m")
"""An aerial device's axes, each by itself: bins of all three together would be thousands."""

MOST_BINS = 16
"""Bins along one axis: a crew reads ranges to a tenth of their length, and a page shows no more."""

MAP_TOLERANCE_M = 0.02
"""[m] Tolerance of a bin's margin: what a colour and a word can show."""

MOST_MAPS = 6
"""Maps drawn for one stage, the least margins first."""


def maps_of(
    bench: Bench, stage: Stage, posture: Sequence[Piece], reach: Sequence[Piece], found: StageResult
) -> tuple[Map, ...]:
    """Maps of the gap with the least margin and of every breaching one, along each of travel and climb and along
    both."""
    wanted: list[tuple[float, str, Gap]] = []
    for gap in found.gaps:
        for what, measure in (("posture", gap.posture), ("reach", gap.reach)):
            if measure is not None and measure.margin_lower_m is not None:
                wanted.append((measure.margin_lower_m, what, gap))
    wanted.sort(key=lambda item: item[0])
    chosen = [item for item in wanted if item[0] < 0.0][:MOST_MAPS] or wanted[:1]
    maps = []
    for _, what, gap in chosen:
        pieces = posture if what == "posture" else reach
        axes = [axis for axis in AXES if axis in pieces[0].compiled.setting.box]
        alone = [(axis,) for axis in DEVICE_AXES if axis in pieces[0].compiled.setting.box]
        for kept in ([(axis,) for axis in axes] if len(axes) > 1 else []) + ([tuple(axes)] if axes else []) + alone:
            maps.append(_map(bench, stage, pieces, gap, what, kept))
    return tuple(maps)


def _bins(low: float, high: float, least: float) -> list[tuple[float, float]]:
    count = max(1, min(MOST_BINS, int(np.ceil((high - low) / least))))
    edges = np.linspace(low, high, count + 1)
    return [(float(a), float(b)) for a, b in pairwise(edges)]


def _map(bench: Bench, stage: Stage, pieces: Sequence[Piece], gap: Gap, what: str, axes: tuple[str, ...]) -> Map:
    required = gap.limit_m if what == "posture" else gap.electrical_m
    assert required is not None
    key = (*gap.between, gap.kind)
    box = pieces[0].compiled.setting.box
    asked = []
    for piece in pieces:
        for question in questions(bench, stage, piece.compiled.setting).get(key, []):
            kept, left_out = worth_sweeping(bench, piece, paths_to_judge(bench, piece, question.paths, required))
            asked.append((piece, kept, left_out))
    cells = []
    for ranges in product(*(_bins(*box[axis], 0.1) for axis in axes)):
        within = dict(zip(axes, ranges, strict=True))
        cells.append(_cell(bench, asked, within, required, gap.silent))
    title = "whole limit, stated posture" if what == "posture" else "electrical part, reach envelope"
    return Map(gap.between, gap.kind, title, axes, tuple(cells))


def _within(piece: Piece, within: Mapping[str, tuple[float, float]]) -> dict[str, tuple[float, float]] | None:
    """The part of a bin that a piece covers; None where it covers none. A join covers less than its stage."""
    setting, part = piece.compiled.setting, {}
    for name, (low, high) in within.items():
        least, most = setting.box.get(name) or (setting.held.get(name, low),) * 2
        low, high = max(low, least), min(high, most)
        if low > high:
            return None
        if name in setting.box:
            part[name] = (low, high)
    return part


def _cell(
    bench: Bench,
    asked: Sequence[tuple[Piece, list[Path], float]],
    within: Mapping[str, tuple[float, float]],
    required: float,
    silent: str,
) -> Cell:
    verdicts, margin, witness = [], float("inf"), None
    for piece, kept, left_out in asked:
        part = _within(piece, within)
        if part is None:
            continue
        found = bench.sweep(piece.compiled, kept, tolerance_m=MAP_TOLERANCE_M, within=part)
        lower = min(found.lower_m, left_out)
        verdict = judge(lower, found.upper_m, required)
        if verdict == "undecided":
            again = bench.sweep(piece.compiled, kept, tolerance_m=1e-6, target_m=required, within=part)
            lower = max(lower, min(again.lower_m, left_out))
            verdict = judge(lower, min(found.upper_m, again.upper_m), required)
            found = again if again.upper_m < found.upper_m else found
        if verdict == "breach" and (witness is None or lower - required < margin):
            witness = dict(found.at)
        margin = min(margin, lower - required)
        verdicts.append(verdict)
    shown_ranges = {name: (float(shown(name, a)), float(shown(name, b))) for name, (a, b) in within.items()}
    return Cell(shown_ranges, not_clear(worst(verdicts), silent), margin, witness)
