"""Owns the drawings that stand in a page: plan, elevation and section of the governing stages, as small PNG files.

They are the report's own drawings; as SVG they may be a megabyte each where many things stand, too much for a page.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from PIL import Image

from clearance.bodies import Body
from clearance.job.setting import Setting, standing
from clearance.pipeline import Prepared, all_settings
from clearance.report import paper
from clearance.report.findings import Finding, placeless, stage_word
from clearance.report.gap_lines import gap_lines, governing_stages, moved_on, setting_of
from clearance.report.projections import projection
from clearance.report.style import REACH, SIGNS
from clearance.report.track import track_of
from clearance.report.views import line_direction
from clearance.result import Result
from clearance.scene.records import phases

KINDS: Final = ("plan", "elevation", "section")

MOST_STAGES: Final = 2
"""Stages drawn in a page at most: that with the least margin, and a further one in breach."""

DOTS_PER_INCH: Final = 115
"""Of a drawing in a page: small print is just read, and a sheet takes 100 to 250 kB."""

SHADES: Final = 64
"""Colours of a drawing in a page: ink on paper, its greys, and the few colours of the words."""


@dataclass(frozen=True)
class Drawing:
    """A drawing in the page: its title and its file, PNG or SVG."""

    title: str
    path: Path


def page_drawings(prepared: Prepared, result: Result, folder: Path) -> list[Drawing]:
    """Draw into a folder what a page holds. Raises OSError where it cannot be written."""
    scene, known = prepared.site.scene, all_settings(prepared)
    mapped = scene.origin.epsg is not None or bool(scene.origin.easting_m or scene.origin.northing_m)
    found = []
    track = track_of(known)
    with paper.settings():
        chosen = governing_stages(result)
        chosen.sort(key=lambda item: (item[2].verdict != "breach", item[2].margin_m or 0.0))
        for number, stage, leading in chosen[:MOST_STAGES]:
            bodies, word = _bodies(known, stage.name, leading), stage_word(stage)
            warning = moved_on(setting_of(known, stage.name, leading), leading.at)
            for kind in KINDS:
                title = (
                    f"{kind.capitalize()}: stage {number} of {len(result.stages)}, {stage.name}  {SIGNS[word]} {word}"
                )
                under = f"{result.scene}; scene {result.sha256[:12] or 'not from a file'}; clearance {result.version}"
                sheet = projection(
                    kind,
                    (title, f"{under}\nat {leading.where}"),
                    bodies,
                    gap_lines(stage, leading),
                    tuple(phases(scene)),
                    line_direction(bodies),
                    "N" if mapped else "y",
                    placeless(stage),
                    warning,
                    track,
                )
                path = folder / f"{number:02d}-{kind}.png"
                sheet.figure.savefig(path, format="png", dpi=DOTS_PER_INCH, metadata={"Software": None})
                _shrink(path)
                found.append(Drawing(title, path))
    return found


def _shrink(path: Path) -> None:
    """A drawing in as few colours as it needs: a third of the size in a page, to the eye the same."""
    with Image.open(path) as drawn:
        few = drawn.convert("RGB").quantize(SHADES, dither=Image.Dither.NONE)
    few.save(path, format="PNG", optimize=True)


def _bodies(known: Mapping[tuple[str, str], Sequence[Setting]], stage: str, finding: Finding) -> tuple[Body, ...]:
    """Everything where it is at a finding. Where the worker stands for a reach, the posture is drawn inside it."""
    found = standing(setting_of(known, stage, finding), finding.at)
    if finding.check != "reach":
        return found
    posture = standing(setting_of(known, stage, replace(finding, check="posture")), finding.at)
    inside = tuple(body for body in posture if body.kind == "worker")
    return tuple(replace(body, kind=REACH) if body.kind == "worker" else body for body in found) + inside
