"""Owns the words and numbers of a page: every judged thing as a row, its figures in metres and in feet.

The page shows these texts and reckons nothing: rounding (gaps down, limits up) is done here, by `report.numbers`, for
either unit from the unrounded metres.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from clearance.report.findings import CHECKS, Finding, chain, findings, pair
from clearance.report.numbers import down, figures, place
from clearance.report.style import SIGNS
from clearance.report.views import crossings, legs
from clearance.result import StageResult

FOOT_M: Final = 0.3048
"""[m] One international foot, exact by definition (NIST SP 811, appendix B)."""

Row = dict[str, Any]


def paths(stage: StageResult) -> list[str]:
    """Where in the stage's JSON each of its findings is, in the order of `findings`."""
    found = []
    for number, gap in enumerate(stage.gaps):
        found.append(f"gaps/{number}")
        if gap.reach is not None:
            found.append(f"gaps/{number}/reach")
    found += [f"approaches/{k}" for k in range(len(stage.approaches))]
    found += [f"insulation/{k}" for k in range(len(stage.insulation))]
    return found + [f"collisions/{k}" for k in range(len(stage.collisions))]


def rows(stage: StageResult) -> list[Row]:
    """Everything judged in a stage, one row each, in the order of the result."""
    found = findings(stage)
    return [row(finding, path) for finding, path in zip(found, paths(stage), strict=True)]


def row(finding: Finding, path: str) -> Row:
    """One judged thing as a page shows it; numbers under "exact" are unrounded metres, None where there is none."""
    gap = finding.gap
    exact = {
        "gap": _finite(finding.gap_m),
        "required": _finite(finding.required_m),
        "margin": _finite(finding.margin_m),
    }
    made: Row = {
        "path": path,
        "subject": finding.subject,
        "what": finding.what,
        "short": finding.what if gap is None else pair(gap.between),
        "check": CHECKS.get(finding.check, ""),
        "verdict": finding.verdict,
        "word": finding.word,
        "sign": SIGNS[finding.word],
        "exact": exact,
        "m": numbers(finding.gap_m, finding.required_m),
        "ft": numbers(finding.gap_m, finding.required_m, FOOT_M),
        "where": where(finding.at),
        "chain": chain(finding.measure) if finding.measure is not None else "",
        "why": finding.why,
        "rule": "" if gap is None else " ".join(str(v) for v in gap.rule.values() if v),
        "voltage": "" if gap is None else gap.voltage,
        "case": "" if finding.measure is None or finding.measure.case == "as stated" else finding.measure.case,
        "step": None,
        "within": bool(finding.measure is not None and finding.measure.within_survey_error),
    }
    if drawn(finding):
        made |= line(finding)
    return made


def drawn(finding: Finding) -> bool:
    """Whether there is a line to draw: gaps that have a chain, and of the rest what is not clear."""
    measure = finding.measure
    return measure is not None and len(measure.points) > 1 and (finding.subject == "gap" or finding.verdict != "clear")


def line(finding: Finding) -> Row:
    """The stretches of air of a finding [m], the length of each, and the floating bodies crossed between them."""
    assert finding.measure is not None
    air, over = legs(finding.measure.points), crossings(finding.measure.points)
    lengths = [float(np.linalg.norm(b - a)) for a, b in air]
    return {
        "air": [[round(float(v), 5) for v in leg.reshape(-1)] for leg in air],
        "over": [[round(float(v), 5) for v in leg.reshape(-1)] for leg in over],
        "lengths": {"m": [down(v) for v in lengths], "ft": [down(v / FOOT_M) for v in lengths]},
    }


def numbers(gap_m: float, required_m: float | None, unit_m: float = 1.0) -> list[str]:
    """Gap, limit, margin and what is missing, as text in a unit of that many metres."""
    found = figures(gap_m / unit_m, None if required_m is None else required_m / unit_m)
    return [found.gap, found.limit, found.margin, found.short]


def where(at: Mapping[str, float]) -> dict[str, str]:
    """A place among the parameters in words, in metres and in feet."""
    if not at:
        return {"m": "anywhere in the range", "ft": "anywhere in the range"}
    return {"m": place(at), "ft": _in_feet(at)}


def _in_feet(at: Mapping[str, float]) -> str:
    words = []
    for name, value in at.items():
        if name.endswith("_m"):
            words.append(place({name: value / FOOT_M}).removesuffix("m") + "ft")
        else:
            words.append(place({name: value}))
    return ", ".join(words)


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value
