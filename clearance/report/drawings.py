"""Owns which drawings a result gets: plan, elevation, section, margin maps and true-length views, as SVG and PDF.

To draw everything use `draw_all`. Geometry is in `views`, the gaps in `gap_lines`, the sheets in `projections`,
`true_length` and `margin_map`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

from clearance.bodies import Body
from clearance.job.setting import standing
from clearance.report import margin_map, paper, statements
from clearance.report.findings import Finding, Word, leading_drawn, overall_word, pair, placeless, stage_word
from clearance.report.gap_lines import GapLine, Settings, gap_lines, governing_stages, moved_on, setting_of, signature
from clearance.report.projections import projection
from clearance.report.style import REACH, SIGNS
from clearance.report.track import track_of
from clearance.report.true_length import true_length
from clearance.report.views import line_direction
from clearance.result import Result, StageResult
from clearance.scene.records import Scene, phases

Progress = Callable[[str], None]

WORST_FIRST: Final[tuple[Word, ...]] = ("breach", "undecided", "low margin", "clear of limit")


def draw_all(
    scene: Scene, result: Result, settings: Settings, out: Path, progress: Progress | None = None
) -> list[Path]:
    """Draw the result into the folder `out`, and return the files in the order drawn.

    settings: by (stage, check) or by stage; progress is told the name of each drawing before it is made. Of the stage
    with the least margin and of every stage with a breach: plan, elevation and section at the governing instant. Of
    every stage: its margin maps, and the true-length view of its governing gap and of every breach that has a place.
    What is the same in several stages, to the last figure, is drawn in the first.
    Raises OSError where `out` cannot be written, InputError where a stage has no setting.
    """
    out.mkdir(parents=True, exist_ok=True)
    tell = progress or (lambda _: None)
    names = tuple(phases(scene))
    files: list[Path] = []
    drawn: set[object] = set()
    track = track_of(settings)
    with paper.settings():
        for number, stage, leading in governing_stages(result):
            lines = gap_lines(stage, leading)
            bodies = _bodies(settings, stage, leading)
            direction = line_direction(bodies)
            warning = moved_on(setting_of(settings, stage.name, leading), leading.at)
            for kind in ("plan", "elevation", "section"):
                name = f"{number:02d}-{slug(stage.name)}-{kind}"
                tell(name)
                titles = _titles(kind.capitalize(), result, stage, number, stage_word(stage), leading)
                sheet = projection(
                    kind, titles, bodies, lines, names, direction, _north(scene), placeless(stage), warning, track
                )
                files += paper.save(sheet, out, name)
        for number, stage in enumerate(result.stages, 1):
            files += _maps(result, stage, number, out, tell)
            files += _true_lengths(result, settings, stage, number, names, out, tell, drawn)
    return files


def slug(name: str) -> str:
    """A name as part of a file name.

    >>> slug("Bond to phase B / réunion")
    'bond-to-phase-b-reunion'
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60] or "stage"


def _north(scene: Scene) -> str:
    """What the arrow of a plan is called: north where the scene frame is tied to a map, else only y."""
    origin = scene.origin
    return "N" if origin.epsg is not None or origin.easting_m or origin.northing_m else "y"


def _bodies(settings: Settings, stage: StageResult, finding: Finding) -> tuple[Body, ...]:
    """Everything where it is at a finding. Where the worker stands for a reach, the posture is drawn inside it."""
    found = standing(setting_of(settings, stage.name, finding), finding.at)
    if finding.check != "reach":
        return found
    posture = standing(setting_of(settings, stage.name, replace(finding, check="posture")), finding.at)
    inside = tuple(body for body in posture if body.kind == "worker")
    return tuple(replace(body, kind=REACH) if body.kind == "worker" else body for body in found) + inside


def _titles(
    what: str, result: Result, stage: StageResult, number: int, word: Word, finding: Finding | None = None
) -> tuple[str, str]:
    title = f"{what}: stage {number} of {len(result.stages)}, {stage.name}  {SIGNS[word]} {word}"
    digest = result.sha256[:12] or "not from a file"
    whole = overall_word(result)
    subtitle = (
        f"{result.scene}; scene {digest}; clearance {result.version}\n"
        f"the whole: {SIGNS[whole]} {whole}{statements.count_words(result)}"
    )
    return title, subtitle if finding is None else f"{subtitle}\nat {finding.where}"


def _maps(result: Result, stage: StageResult, number: int, out: Path, tell: Progress) -> list[Path]:
    files: list[Path] = []
    if not stage.maps:
        return files
    words = [margin_map.cell_word(cell) for found in stage.maps for cell in found.cells]
    worst: Word = next((w for w in WORST_FIRST if w in words), "not evaluated")
    found = margin_map.sheets(_titles("Margin", result, stage, number, worst), stage.maps)
    for index, sheet in enumerate(found, 1):
        name = f"{number:02d}-{slug(stage.name)}-margin" + (f"-{index}" if len(found) > 1 else "")
        tell(name)
        files += paper.save(sheet, out, name)
    return files


def _true_lengths(
    result: Result,
    settings: Settings,
    stage: StageResult,
    number: int,
    names: tuple[str, ...],
    out: Path,
    tell: Progress,
    drawn: set[object],
) -> list[Path]:
    leading = leading_drawn(stage)
    if leading is None:
        return []
    files: list[Path] = []
    for line in gap_lines(stage, leading):
        if line.number > 1 and line.finding.verdict != "breach":
            continue
        gap = line.finding.gap
        if signature(line.finding) in drawn:
            continue
        drawn.add(signature(line.finding))
        bodies = _bodies(settings, stage, line.finding)
        name = (
            f"{number:02d}-{slug(stage.name)}-gap-{line.number}-{slug(pair(gap.between) if gap else line.finding.what)}"
        )
        tell(name)
        titles = _titles(f"True length of gap {line.number}", result, stage, number, line.finding.word, line.finding)
        alone = GapLine(line.number, line.finding, line.air, line.over, True)
        warning = moved_on(setting_of(settings, stage.name, line.finding), line.finding.at)
        sheet = true_length(titles, bodies, alone, names, line_direction(bodies), warning)
        files += paper.save(sheet, out, name)
    return files
