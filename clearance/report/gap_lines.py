"""Owns which gaps a stage's drawings show, and the words each carries. No drawing here, no arithmetic on verdicts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from clearance.errors import InputError, Mistake
from clearance.job.setting import OTHER_HAND, Setting, inside, shown
from clearance.report.findings import CHECKS, Finding, chain, drawable, leading_drawn, pair
from clearance.report.numbers import span
from clearance.report.style import SIGNS
from clearance.report.views import Floats, crossings, legs
from clearance.result import Result, StageResult

Pieces = Setting | Sequence[Setting]
Settings = Mapping[str, Pieces] | Mapping[tuple[str, str], Pieces]
"""By stage or by (stage, check); where a stage is swept in pieces, one of them or all."""

MOST_LABELLED = 8
"""Gaps that carry a whole label on one drawing; further clear ones carry their number and stand in the key."""


@dataclass(frozen=True, eq=False)
class GapLine:
    """One gap as it is drawn.

    number: in the key; air: (n, 2, 3) its stretches of air [m]; over: (n - 1, 2, 3) the floating bodies it crosses [m]
    here: whether it occurs at the instant drawn
    """

    number: int
    finding: Finding
    air: Floats
    over: Floats
    here: bool

    @property
    def middle(self) -> Floats:
        """Midpoint (3,) of the longest stretch of air."""
        longest = int(np.argmax(np.linalg.norm(self.air[:, 1] - self.air[:, 0], axis=1)))
        found: Floats = self.air[longest].mean(axis=0)
        return found

    @property
    def label(self) -> str:
        f = self.finding
        stretches = f" in {len(self.air)} stretches" if len(self.air) > 1 else ""
        word = f"{f.word} " if f.word != "clear of limit" else ""
        if f.subject == "collision" and f.verdict == "breach":
            return f"{SIGNS[f.word]} {word}{self.number}: contact, 3D distance {f.figures.gap} m"
        return f"{SIGNS[f.word]} {word}{self.number}: 3D distance {f.figures.gap} m{stretches}"

    @property
    def entry(self) -> str:
        """Its lines in the key."""
        f = self.finding
        assert f.measure is not None
        what = f.what if f.gap is None else f"{pair(f.gap.between)}, {f.gap.kind}"
        lines = [f"{self.number} {SIGNS[f.word]} {f.word}: {what}", figures_line(f)]
        if f.measure.within_survey_error:
            lines.append("within survey error")
        lines.append(chain(f.measure) + (f"; {CHECKS[f.check]}" if f.check else ""))
        if not self.here:
            lines.append(f"not at the instant drawn: {f.where}")
        return "\n".join(lines)


def figures_line(finding: Finding) -> str:
    """Distance, limit and margin in one line."""
    numbers = finding.figures
    if finding.required_m is None or (finding.subject == "collision" and not finding.required_m):
        return f"3D distance {numbers.gap} m" + (", no rule gives a limit" if finding.subject == "gap" else "")
    margin = f"short by {numbers.short} m" if numbers.short else f"margin {numbers.margin} m"
    return f"3D distance {numbers.gap} m, limit {numbers.limit} m, {margin}"


def _shown(stage: StageResult) -> list[Finding]:
    """What of a stage is drawn: all that is not clear, and of every two potentials the gap with the least margin."""
    found = drawable(stage)
    least: dict[tuple[str, str], Finding] = {}
    for f in found:
        if f.gap is not None:
            old = least.get(f.gap.between)
            if old is None or (f.margin_m or math.inf) < (old.margin_m or math.inf):
                least[f.gap.between] = f
    return [f for f in found if f.verdict != "clear" or any(f is governing for governing in least.values())]


def gap_lines(stage: StageResult, leading: Finding) -> list[GapLine]:
    """Every governing gap of a stage, the leading first, then breaches, then by margin."""
    others = [f for f in _shown(stage) if f.measure is not leading.measure]
    order = {"breach": 0, "undecided": 1, "clear": 2}
    others.sort(key=lambda f: (order[f.verdict], math.inf if f.margin_m is None else f.margin_m))
    lines = []
    for number, f in enumerate([leading, *others], 1):
        assert f.measure is not None
        here = dict(f.at) == dict(leading.at) and (f.check or "posture") == (leading.check or "posture")
        lines.append(GapLine(number, f, legs(f.measure.points), crossings(f.measure.points), here))
    return lines


def governing_stages(result: Result) -> list[tuple[int, StageResult, Finding]]:
    """The stages that get plan, elevation and section: that with the least margin, and every one with a new breach."""
    candidates = [
        (number, stage, leading)
        for number, stage in enumerate(result.stages, 1)
        if (leading := leading_drawn(stage)) is not None
    ]
    order = {"breach": 0, "undecided": 1, "clear": 2}
    first = min(
        candidates,
        key=lambda c: (order[c[2].verdict], math.inf if c[2].margin_m is None else c[2].margin_m, c[0]),
        default=None,
    )
    known: set[object] = set()
    chosen = []
    for candidate in candidates:
        number, stage, _ = candidate
        # A breach that later stages do not move comes again in each of them: it is drawn in the first, and what is new
        # in a later stage leads there.
        new = [f for f in drawable(stage) if f.verdict == "breach" and signature(f) not in known]
        if new:
            chosen.append((number, stage, min(new, key=lambda f: math.inf if f.margin_m is None else f.margin_m)))
        elif candidate is first:
            chosen.append(candidate)
        known |= {signature(f) for f in new}
    return chosen


def signature(finding: Finding) -> object:
    """What tells one drawn finding from another, whatever stage it is in."""
    assert finding.measure is not None
    points = tuple(round(c, 6) for point in finding.measure.points for c in point)
    return finding.what, finding.check, finding.figures, points


def setting_of(settings: Settings, stage: str, finding: Finding) -> Setting:
    """The setting a finding was made in; where only the posture's is given, that. Raises InputError."""
    known: dict[object, Pieces] = {name: pieces for name, pieces in settings.items()}
    for wanted in ((stage, finding.check or "posture"), (stage, "posture"), stage):
        found = known.get(wanted)
        if isinstance(found, Setting):
            return found
        if found:
            # With the hands changed a worker's lines end at the other ones.
            changed = finding.measure is not None and OTHER_HAND in finding.measure.case
            same = [piece for piece in found if (piece.hand == "left") == changed] or found
            return next((piece for piece in same if _holds(piece, finding.at)), same[0])
    raise InputError(Mistake(("drawings", stage), "a setting for every stage that is drawn", "none"))


def moved_on(setting: Setting, at: Mapping[str, float]) -> str:
    """What a drawing must say when its setting is another piece of the stage than the one a finding was made in."""
    if _holds(setting, at):
        return ""
    ranges = ", ".join(
        span(name, shown(name, low), shown(name, high))
        for name, (low, high) in setting.box.items()
        if name in at and not low - 1e-9 <= inside(name, at[name]) <= high + 1e-9
    )
    return (
        f"What changes shape is drawn as it is for {ranges}, not as at the instant named: gap lines may end in the air."
    )


def _holds(setting: Setting, at: Mapping[str, float]) -> bool:
    """Whether the box of a setting holds a place, but for rounding."""
    return all(
        low - 1e-9 <= inside(name, at[name]) <= high + 1e-9 for name, (low, high) in setting.box.items() if name in at
    )
