"""Owns what a report says of a result: the words of a verdict, and every judged thing of a stage in one form.

Text, drawings and tables all take `Finding`s, so that the same thing is called the same everywhere. To get all of a
stage use `findings`; the one a summary names, `leading`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from clearance.report.numbers import Figures, figures, place
from clearance.result import LOW_MARGIN_M, Gap, Insulation, Measure, Numbers, Result, StageResult, Verdict

Word = Literal["clear of limit", "low margin", "breach", "undecided", "not evaluated"]
Subject = Literal["gap", "approach", "insulation", "collision"]

KINDS = {"air": "air only", "tool": "tool in the gap", "object": "conductive object in the gap"}
CHECKS = {"posture": "stated posture, whole limit", "reach": "reach envelope, electrical part"}

SUPPORTS = (
    "This supports, and does not replace, the employer's rules, local codes and the judgement of the qualified person "
    "in charge. Strength, overturning, and step and touch voltage are not evaluated."
)


@dataclass(frozen=True)
class Finding:
    """One thing that was judged.

    subject: which list of the stage it is from; what: its name for a reader
    check: "posture" or "reach" for a gap, else ""
    gap_m, required_m, margin_m: the proven bounds [m]; margin_m None where there is none to give
    measure: the measure behind it, None for an insulating length
    gap: the gap behind it, None for the others
    beside: whether what it needs is of another family of rules than the scene's: it has a row of its own
    """

    subject: Subject
    what: str
    check: Literal["posture", "reach", ""]
    verdict: Verdict
    gap_m: float
    required_m: float | None
    at: Numbers
    why: str
    measure: Measure | None = None
    gap: Gap | None = None
    beside: bool = False

    @property
    def margin_m(self) -> float | None:
        if self.required_m is None or not math.isfinite(self.gap_m):
            return None
        return self.gap_m - self.required_m

    @property
    def word(self) -> Word:
        return word(self.verdict, None if self.subject == "collision" else self.margin_m)

    @property
    def figures(self) -> Figures:
        return figures(self.gap_m, self.required_m)

    @property
    def where(self) -> str:
        return place(self.at) or "anywhere in the range"


def word(verdict: Verdict, margin_m: float | None = None) -> Word:
    """The word for a verdict; a clear margin [m] under 0.10 m is named low.

    >>> word("clear", 0.07), word("clear", 0.7), word("breach", -0.2)
    ('low margin', 'clear of limit', 'breach')
    """
    if verdict != "clear":
        return verdict
    return "low margin" if margin_m is not None and margin_m < LOW_MARGIN_M else "clear of limit"


def pair(between: tuple[str, str]) -> str:
    """Two potentials for a reader.

    >>> pair(("A", "earth"))
    'A to earth'
    """
    return f"{between[0]} to {between[1]}"


def chain(measure: Measure) -> str:
    """The bodies of a chain, end to end."""
    return " > ".join(name for name in (measure.ends[0], *measure.through, measure.ends[1]) if name)


def of_gap(gap: Gap) -> tuple[Finding, ...]:
    """What is found of one gap: the posture, and the reach where there is one."""
    what = f"{pair(gap.between)}, {KINDS.get(gap.kind, gap.kind)}"
    found = [_of_measure("gap", what, gap.posture, "posture", gap)]
    if gap.reach is not None:
        found.append(_of_measure("gap", what, gap.reach, "reach", gap))
    return tuple(found)


def _of_measure(
    subject: Subject, what: str, measure: Measure, check: Literal["posture", "reach", ""] = "", gap: Gap | None = None
) -> Finding:
    return Finding(
        subject, what, check, measure.verdict, measure.gap_lower_m, measure.required_m, measure.at, measure.why,
        measure, gap,
    )  # fmt: skip


def _of_insulation(item: Insulation) -> Finding:
    return Finding(
        "insulation", f"insulating length of {item.body}", "", item.verdict, item.left_m, item.required_m, item.at,
        item.why,
    )  # fmt: skip


def rule_words(rule: Mapping[str, str]) -> str:
    """A rule quoted: name, edition, clause, and how the figure is known."""
    parts = [rule.get("name", ""), rule.get("edition", ""), rule.get("clause", "")]
    known = f" ({rule['grade']})" if rule.get("grade") else ""
    return (", ".join(part for part in parts if part) or "no rule") + known


def findings(stage: StageResult) -> tuple[Finding, ...]:
    """Everything judged in a stage, in the order of the result: gaps, approaches, insulating lengths, collisions."""
    found = [finding for gap in stage.gaps for finding in of_gap(gap)]
    found += [
        replace(_of_measure("approach", f"approach of {a.body} to {a.to}", a.measure), beside=a.beside)
        for a in stage.approaches
    ]
    found += [_of_insulation(item) for item in stage.insulation]
    found += [
        _of_measure("collision", f"{c.body} touching {c.measure.ends[1] or 'anything'}", c.measure)
        for c in stage.collisions
    ]
    return tuple(found)


def _least(found: Iterable[Finding]) -> Finding | None:
    return min(found, key=lambda f: math.inf if f.margin_m is None else f.margin_m, default=None)


def leading(stage: StageResult) -> Finding | None:
    """What a summary names: of what makes the stage's verdict, that with the least margin; None if nothing was judged.

    A collision leads only where it is what is wrong: things that never touch have no margin worth naming. So does what
    a figure beside the scene's rules leaves, or where it leaves little.
    """
    found = findings(stage)
    if stage.verdict != "clear":
        wrong = [f for f in found if f.verdict == stage.verdict]
        if wrong:
            return _least(wrong)
    return _least(f for f in found if f.subject != "collision" and not (f.beside and f.word == "clear of limit"))


def drawable(stage: StageResult) -> list[Finding]:
    """What of a stage has a place to draw: its gaps, and approaches and collisions that are not clear."""
    return [
        f
        for f in findings(stage)
        if f.measure is not None and len(f.measure.points) > 1 and (f.subject == "gap" or f.verdict != "clear")
    ]


def leading_drawn(stage: StageResult) -> Finding | None:
    """What a drawing of the stage is made for: a breach before undecided before clear, then the least margin."""
    found = drawable(stage)
    for verdict in ("breach", "undecided", "clear"):
        least = _least(f for f in found if f.verdict == verdict)
        if least is not None:
            return least
    return None


def placeless(stage: StageResult) -> list[Finding]:
    """What of a stage is not clear and has no place to draw: insulating lengths, and what no chain was found for."""
    shown = drawable(stage)
    return [f for f in findings(stage) if f.verdict != "clear" and f not in shown]


def stage_word(stage: StageResult) -> Word:
    """The word for a whole stage: low margin where anything in it that is clear is so by little."""
    if stage.verdict != "clear":
        return stage.verdict
    return "low margin" if any(f.word == "low margin" for f in findings(stage)) else "clear of limit"


def overall_word(result: Result) -> Word:
    """The word for the whole result, what was found of the site and the job included."""
    if result.verdict != "clear":
        return result.verdict
    return "low margin" if any(stage_word(stage) == "low margin" for stage in result.stages) else "clear of limit"


def counts(result: Result) -> str:
    """One line: how many stages there are of each word.

    >>> counts(Result("bay", "", "0", 0.005, ()))
    'no stage was evaluated'
    """
    words = [stage_word(stage) for stage in result.stages]
    if not words:
        return "no stage was evaluated"
    parts = [f"{words.count(w)} {w}" for w in ("breach", "undecided", "low margin", "clear of limit") if w in words]
    return f"{len(words)} stage{'s' if len(words) > 1 else ''}: " + ", ".join(parts)
