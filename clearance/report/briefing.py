"""Owns the job briefing: what a crew reads on paper or a tablet, and a supervisor signs.

`briefing_page` makes one HTML file with its pictures inside, for a tablet or to print on A4 or Letter; `write_briefing`
puts it, its PDFs and the result it shows into a folder. Every number is of the result that was proved at exactly the
printed ranges: gaps rounded down, limits up, ranges as they were swept. Nothing is decided here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import jinja2

from clearance.bodies import Body
from clearance.errors import MissingExtra
from clearance.job.footing import foot_knots, stands
from clearance.job.setting import standing
from clearance.job.site_gaps import SiteGap, site_gaps
from clearance.permitted import Permits, Permitted
from clearance.pipeline import settings
from clearance.report import measure_first, paper, statements
from clearance.report.briefing_falls import drop_zones, ladder_falls, toppling_rows
from clearance.report.briefing_figures import Scenery, site_figure, stage_figure
from clearance.report.briefing_people import ropes_held, where_they_stand
from clearance.report.briefing_words import (
    assumed,
    cautions,
    checks,
    means,
    paragraph,
    range_sentences,
    recorded_tests,
    stage_conditions,
    stop_conditions,
)
from clearance.report.findings import (
    CHECKS,
    KINDS,
    SUPPORTS,
    Finding,
    chain,
    counts,
    drawable,
    findings,
    leading,
    leading_drawn,
    rule_words,
    stage_word,
)
from clearance.report.gap_lines import GapLine, Settings, gap_lines, setting_of
from clearance.report.numbers import down, up
from clearance.report.pdf import print_pdf
from clearance.report.style import COLOURS, REACH, SIGNS
from clearance.report.views import legs, line_direction
from clearance.result import Gap, StageResult
from clearance.scene.assemble import Site
from clearance.scene.records import Scene, phases

Progress = Callable[[str], None]
TEMPLATES = Path(__file__).parent / "templates"

SIZES: Final = ("A4", "Letter")
FALLS: Final = (
    "the blow of a conductor that falls or of a rope that breaks, and a tail that lies at once against something "
    "earthed and something live",
)
"""What no stage judges: the crew must know that nothing is proved of it."""

LADDER_FALLS: Final = (
    "whether guys hold, feet slide or the ground gives way: where the ladder may fall is shown, and is not judged",
)
"""The same, of a ladder."""

KIND_WORDS: Final[Mapping[str, str]] = {
    "travel": "ladder moves, nobody on it", "step on": "step on", "climb": "climb", "bond on": "bond",
    "work": "work", "open": "open a connection", "lower": "lower a conductor", "raise": "raise a conductor",
    "close": "make a connection", "earthing": "earth with a remote tool", "bond off": "unbond",
    "descend": "come down", "step off": "step off", "set up": "set the ladder up",
    "strike": "strike the ladder", "bring": "bring what is named", "take away": "take away what is named",
}  # fmt: skip


REMOVING: Final = "remove an earth with a remote tool"
"""A stage of earthing in which an earth comes off."""


def write_briefing(
    permits: Permits, folder: Path, pdf: bool = True, progress: Progress | None = None
) -> tuple[list[Path], str]:
    """The briefing in a folder that is there: the files written, and why a PDF is missing, or "".

    Raises: OSError where the folder cannot be written.
    """
    tell = progress or (lambda _: None)
    pictures = drawn(permits, tell)
    files = [folder / "briefing.html", folder / "result.json"]
    files[0].write_text(briefing_page(permits, pictures), encoding="utf-8")
    files[1].write_text(permits.result.to_json(), encoding="utf-8")
    if any(one.outcome == "narrowed" for one in permits.stages):
        # What the narrower ranges rest on: the stages as they are printed, beside the job as it was asked for.
        files.append(folder / "permitted.json")
        files[-1].write_text(permits.narrowed.to_json(), encoding="utf-8")
    if not pdf:
        return files, ""
    for size in SIZES:
        tell(f"printing on {size}")
        out = folder / f"briefing-{size.lower()}.pdf"
        try:
            print_pdf(briefing_page(permits, pictures, size), out)
        except MissingExtra as error:
            return files, str(error)
        files.append(out)
    return files, ""


def briefing_page(permits: Permits, pictures: Mapping[str, str], size: str = "") -> str:
    """The briefing as one HTML file; size: "A4", "Letter", or "" for a page that prints on what is in the printer."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES), autoescape=True, trim_blocks=True, lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )  # fmt: skip
    return environment.get_template("briefing.html").render(size=size, pictures=pictures, **contents(permits))


def contents(permits: Permits) -> dict[str, Any]:
    """All that the page says, by section."""
    result, scene = permits.result, permits.prepared.site.scene
    not_clear = [one for one in permits.stages if one.outcome != "as stated"]
    return {
        "name": result.scene,
        "digest": permits.sha256,
        "version": result.version,
        "tolerance": f"{result.tolerance_m:g}",
        "verdict": "clear" if not not_clear and result.verdict == "clear" else "not clear",
        "on": statements.count_words(result),
        "bare": statements.bare_words(result),
        "open_points": statements.points(result.open_points),
        "said": statements.rows(result),
        "counts": counts(result),
        "not_clear": [(one.stage.name, one.outcome) for one in not_clear],
        "paragraph": paragraph(scene, result.stages),
        "limits": required_distances(permits.stages),
        "rules": list(dict.fromkeys((row["mark"], row["rule"]) for row in required_distances(permits.stages))),
        "stages": [stage_sheet(permits.prepared.site, one, number) for number, one in enumerate(permits.stages, 1)],
        "stops": list(stop_conditions(scene)),
        "measures": [measure_row(gap) for gap in to_measure(permits)],
        "hangs_on": measure_first.rows(result),
        "hangs_on_words": measure_first.HOW_TO_READ,
        "not_asked": measure_first.not_asked(result),
        "tests": list(recorded_tests(scene)),
        "assumed": list(assumed(scene)),
        "basis": list(result.basis),
        "means": means(scene),
        "people": where_they_stand(permits.prepared.site),
        "way": (scene.ladder.hangs_on or "the track") if scene.ladder is not None and stands(scene) else "",
        "falls": bool(drop_zones(permits)),
        "topplings": toppling_rows(permits),
        "skipped": [*result.skipped, *FALLS, *(LADDER_FALLS if means(scene) == "ladder" else ())],
        "line": [(f"{g.between[0]} to {g.between[1]}", down(g.gap_m), " to ".join(g.ends)) for g in result.line],
        "supports": SUPPORTS,
        "checks": list(checks(scene)),
        "cautions": list(cautions(scene, permits.stages)),
    }


def required_distances(stages: tuple[Permitted, ...]) -> list[dict[str, str]]:
    """The placard: every required distance that a stage was judged by, each once."""
    rows: dict[tuple[str, str, str], Gap] = {}
    for one in stages:
        for gap in one.found.gaps:
            exposure = "phase to earth" if "earth" in gap.between else "phase to phase"
            rows.setdefault((exposure, gap.kind, gap.voltage), gap)
    quoted = {_rule(gap): number for number, gap in enumerate({_rule(g): g for g in rows.values()}.values(), 1)}
    return [
        {
            "exposure": exposure,
            "kind": KINDS.get(kind, kind),
            "limit": ("at least " if gap.silent else "") + up(gap.limit_m),
            "electrical": ("at least " if gap.silent else "") + up(gap.electrical_m),
            "rule": _rule(gap),
            "mark": f"[{quoted[_rule(gap)]}]",
        }
        for (exposure, kind, _), gap in sorted(rows.items(), key=lambda row: row[0])
    ]


def _rule(gap: Gap) -> str:
    """The rule of a limit, and what it was taken at."""
    return f"{rule_words(gap.rule)}; {gap.voltage}"


def stage_sheet(site: Site, one: Permitted, number: int) -> dict[str, Any]:
    """One stage: what is permitted, the least margin and to what, and what else the crew must know."""
    scene, stage, found = site.scene, one.stage, one.found
    least = leading(found)
    word = stage_word(found)
    return {
        "number": number,
        "name": stage.name,
        "kind": REMOVING if stage.lifts_earth else KIND_WORDS.get(stage.kind, stage.kind),
        "outcome": one.outcome,
        "word": word,
        "sign": SIGNS[word],
        "colour": COLOURS[word],
        "ranges": list(range_sentences(scene, stage)),
        "conditions": [*stage_conditions(scene, stage), *ropes_held(site, stage)],
        "exempt": list(map(statements.exempt_words, found.exempt)),
        "swept": json.dumps({name: list(span) for name, span in found.parameters.items()}),
        "least": None if least is None else least_margin(least),
        "notes": [note[:1].upper() + note[1:] for note in found.notes if note == stage.note],
        "low": [least_margin(f) for f in findings(found) if f.word == "low margin" and f != least],
        "drawn": drawn_words(found),
    }


def drawn_words(found: StageResult) -> str:
    """What the picture of a stage shows."""
    finding = picture_of(found)
    if finding is None:
        return ""
    said = least_margin(finding)
    return f"Drawn: {said['what']}, {said['gap']} m where {said['limit']} m are required. At {said['where']}."


def least_margin(finding: Finding) -> dict[str, str]:
    """A margin in words, its numbers as the report shows them."""
    numbers = finding.figures
    through = chain(finding.measure) if finding.measure is not None else ""
    return {
        "margin": numbers.margin,
        "gap": numbers.gap,
        "limit": numbers.limit,
        "what": finding.what,
        "check": CHECKS[finding.check] if finding.check else "",
        "through": through.replace(" > ", ", "),
        "where": finding.where,
    }


def to_measure(permits: Permits) -> tuple[SiteGap, ...]:
    """Three gaps to measure: at the bonded stage with the least margin."""
    bonded = [one for one in permits.stages if one.stage.bonded and one.stage.clamp_m is not None]
    bonded.sort(key=lambda one: _margin(one.found))
    for one in bonded:
        found = site_gaps(permits.prepared.site, one.stage)
        if found:
            return found
    return ()


def _margin(found: StageResult) -> float:
    least = leading(found)
    return float("inf") if least is None or least.margin_m is None else least.margin_m


def measure_row(gap: SiteGap) -> dict[str, str]:
    """A gap to measure; the least that may be found is rounded up, the most down: the careful side of both."""
    least, most = gap.expected_m - gap.uncertainty_m, gap.expected_m + gap.uncertainty_m
    return {
        "what": gap.what,
        "ends": " to ".join(gap.ends),
        "expected": f"{gap.expected_m:.2f}",
        "uncertainty": down(gap.uncertainty_m),
        "least": up(least),
        "most": down(most),
        "at": ", ".join(f"{v:.1f}" for v in gap.at[0]),
    }


def drawn(permits: Permits, tell: Progress) -> dict[str, str]:
    """The pictures by name: "plan", "elevation", and one for each stage by its name."""
    scene = permits.prepared.site.scene
    names, found = tuple(phases(scene)), {}
    known: Settings = settings(permits.prepared)
    shown = [one for one in permits.stages if picture_of(one.found) is not None]
    site = next((one for one in shown if one.stage.bonded), shown[0] if shown else None)
    with paper.settings():
        for number, one in enumerate(permits.stages, 1):
            tell(f"picture of stage {number} of {len(permits.stages)}")
            finding = picture_of(one.found)
            if finding is None:
                continue
            bodies = _standing(known, one.found.name, finding)
            lines = _lines(one.found, finding)
            scenery = Scenery(bodies, lines, names, line_direction(bodies))
            found[one.stage.name] = stage_figure(f"stage {number}", scenery)
            if one is site:
                track = foot_knots(permits.prepared.site, one.stage)[0] if stands(scene) else _no_track()
                toppled = ladder_falls(permits, one)
                for kind in ("plan", "elevation"):
                    shown_too = (*(drop_zones(permits) if kind == "plan" else ()), *toppled)
                    found[kind] = site_figure(kind, replace(scenery, lines=()), track, _north(scene), shown_too)
    return found


def _no_track() -> Any:
    import numpy as np

    return np.zeros((0, 4))


def _north(scene: Scene) -> str:
    origin = scene.origin
    return "N" if origin.epsg is not None or origin.easting_m or origin.northing_m else "y"


def picture_of(found: StageResult) -> Finding | None:
    """What a stage's picture is drawn for: the least margin on whose way the job's own bodies are; else its leading."""
    moved = {collision.body for collision in found.collisions}
    near = [f for f in drawable(found) if f.measure is not None and _passes(f, moved)]
    wrong = [f for f in near if f.verdict != "clear"]
    candidates = [f for f in (wrong or near) if f.margin_m is not None]
    return min(candidates, key=lambda f: f.margin_m or 0.0) if candidates else leading_drawn(found)


def _passes(finding: Finding, moved: set[str]) -> bool:
    measure = finding.measure
    return measure is not None and bool(moved & {measure.ends[0], *measure.through, measure.ends[1]})


def _lines(found: StageResult, finding: Finding) -> tuple[GapLine, ...]:
    if finding.measure is None or not len(legs(finding.measure.points)):
        return ()
    return tuple(gap_lines(found, finding))


def _standing(known: Settings, stage: str, finding: Finding) -> tuple[Body, ...]:
    """Everything where it is at a finding; for a reach, the stated posture inside its envelope."""
    bodies = standing(setting_of(known, stage, finding), finding.at)
    if finding.check != "reach":
        return bodies
    posture = standing(setting_of(known, stage, replace(finding, check="posture")), finding.at)
    inside = tuple(body for body in posture if body.kind == "worker")
    return tuple(replace(body, kind=REACH) if body.kind == "worker" else body for body in bodies) + inside
