"""Owns the report on a terminal: the summary first, then every stage, then what the verdict rests on.

Words and signs carry the verdict, colour only repeats it. Tables keep every number whole at 80 columns and up; below 72
the terminal has to wrap. Names from a scene are never read as markup.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from clearance.report.findings import (
    CHECKS,
    KINDS,
    LOW_MARGIN_M,
    SUPPORTS,
    Finding,
    Word,
    chain,
    counts,
    findings,
    leading,
    of_gap,
    pair,
    stage_word,
    word,
)
from clearance.report.numbers import NOTHING, down, place, span, up
from clearance.report.style import PLAIN_SIGNS, SIGNS, TERMINAL
from clearance.result import Gap, Insulation, Measure, Result, StageResult

WIDE = 118
"""Columns from which posture and reach stand on one line."""

NARROWEST = 72
"""Columns below which lines are left to the terminal to wrap, rather than numbers cut."""

HOW_TO_READ = (
    "Gap: the least air along any chain of bodies from one potential to the other, over the whole range of the stage, "
    "a floating conductive body counting for nothing; the proven lower bound, slack (survey and model error) taken "
    "off. Gaps are rounded down, limits up; margin is their difference. Posture: the stated posture against the whole "
    "limit. Reach: wherever a hand may be, against the limit's electrical part. Both must hold. "
    f"Low margin: clear, but by less than {LOW_MARGIN_M:.2f} m. Undecided is not clear."
)


@dataclass
class _Writer:
    """Where the report goes, and the rules quoted so far, numbered in order of appearance."""

    console: Console
    width: int
    plain: bool
    quoted: dict[str, int] = field(default_factory=dict)

    def text(self, words: str, style: str = "", indent: int = 0) -> None:
        self.console.print(
            Padding(Text(self.readable(words), style=style), (0, 0, 0, indent), expand=False), width=self.width
        )

    def blank(self) -> None:
        self.console.print()

    def readable(self, words: str) -> str:
        """As it is, or in ASCII where the terminal has no more."""
        if not self.plain:
            return words
        for sign, plain in ((s, PLAIN_SIGNS[w]) for w, s in SIGNS.items()):
            words = words.replace(f"{sign} ", f"{plain} ")
        return words.replace("°", " deg").encode("ascii", "backslashreplace").decode()

    def verdict(self, what: Word) -> Text:
        return Text(self.readable(f"{SIGNS[what]} {what}"), style=TERMINAL[what])

    def table(self, columns: Sequence[tuple[str, str]], rows: Iterable[Sequence[str | Text]], indent: int = 2) -> None:
        """A table; columns are (heading, "words" or "number" or "whole"): only words may wrap."""
        table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), safe_box=True)
        for heading, what in columns:
            table.add_column(
                Text(self.readable(heading)),
                justify="right" if what == "number" else "left",
                no_wrap=what != "words",
                overflow="fold",
                vertical="top",
            )
        for row in rows:
            table.add_row(*(cell if isinstance(cell, Text) else Text(self.readable(cell)) for cell in row))
        self.console.print(Padding(table, (0, 0, 0, indent), expand=False), width=self.width)

    def quote(self, rule: Mapping[str, str], voltage: str = "") -> str:
        """The number under which a rule is quoted."""
        words = rule_words(rule) + (f"; taken at {voltage}" if voltage else "")
        return f"[{self.quoted.setdefault(words, len(self.quoted) + 1)}]"


def print_result(result: Result, console: Console) -> None:
    """Print everything in the result, for people."""
    width = console.width
    if width >= NARROWEST:
        _print(result, console)
        return
    console.width = NARROWEST
    try:
        _print(result, console)
    finally:
        console.width = width


def _print(result: Result, console: Console) -> None:
    encoding = (console.encoding or "").lower()
    writer = _Writer(console, console.width, not encoding.startswith("utf"))
    _head(result, writer)
    _summary(result, writer)
    for number, stage in enumerate(result.stages, 1):
        writer.blank()
        _stage(stage, number, len(result.stages), writer)
    _line(result, writer)
    _tail(result, writer)


def rule_words(rule: Mapping[str, str]) -> str:
    """A rule quoted: name, edition, clause."""
    parts = [rule.get("name", ""), rule.get("edition", ""), rule.get("clause", "")]
    return ", ".join(part for part in parts if part) or "no rule"


def _head(result: Result, writer: _Writer) -> None:
    writer.text(result.scene, "bold")
    writer.text(
        f"scene {result.sha256[:12] or 'not from a file'}, clearance {result.version}, "
        f"bounds to {result.tolerance_m:g} m"
    )
    writer.blank()
    what = overall_word(result)
    line = writer.verdict(what)
    line.append(writer.readable(f" ({counts(result)})"), style="default")
    writer.console.print(line, width=writer.width)


def overall_word(result: Result) -> Word:
    """The word for the whole result."""
    if result.verdict != "clear":
        return result.verdict
    return "low margin" if any(stage_word(stage) == "low margin" for stage in result.stages) else "clear of limit"


def _summary(result: Result, writer: _Writer) -> None:
    rows: list[Sequence[str | Text]] = []
    for number, stage in enumerate(result.stages, 1):
        first = leading(stage)
        rows.append(
            (
                f"{number}",
                stage.name,
                writer.verdict(stage_word(stage)),
                first.figures.margin if first else NOTHING,
                _summary_what(stage, first),
                first.where if first else "",
            )
        )
    columns = (
        ("", "number"), ("stage", "words"), ("verdict", "whole"), ("least\nmargin [m]", "number"), ("between", "words"),
        ("where", "words"),
    )  # fmt: skip
    writer.blank()
    writer.table(columns, rows, 0)
    writer.blank()
    writer.text(HOW_TO_READ)


def _summary_what(stage: StageResult, first: Finding | None) -> str:
    """The pair that leads, or what keeps the stage undecided where no pair of its own does."""
    words = "nothing was judged" if first is None else first.what + (f" ({first.check})" if first.check else "")
    if stage.undecided and (first is None or first.verdict != stage.verdict):
        words += "; undecided: " + "; ".join(stage.undecided)
    return words


def _stage(stage: StageResult, number: int, count: int, writer: _Writer) -> None:
    title = Text(writer.readable(f"Stage {number} of {count}: {stage.name} ({stage.kind})  "), style="bold")
    writer.console.print(title + writer.verdict(stage_word(stage)), width=writer.width)
    ranges = ", ".join(span(name, low, high) for name, (low, high) in stage.parameters.items())
    writer.text(f"over {ranges}" if ranges else "nothing moves", indent=2)
    if stage.gaps:
        writer.blank()
        (_gaps_wide if writer.width >= WIDE else _gaps_narrow)(stage.gaps, writer)
        _assumed(stage.gaps, writer)
    found = findings(stage)
    _others("Approach, not bonded", [f for f in found if f.subject == "approach"], writer)
    _others("Insulating length", [f for f in found if f.subject == "insulation"], writer)
    _steps(stage.insulation, writer)
    _others("Collision", [f for f in found if f.subject == "collision"], writer)
    _sentences(found, writer)
    for reason in stage.undecided:
        _said("undecided", reason, writer)
    for note in stage.notes:
        writer.text(f"Note: {note}", indent=2)
    quotes = {f"{writer.quote(g.rule, g.voltage)}": f"{rule_words(g.rule)}; taken at {g.voltage}" for g in stage.gaps}
    quotes |= {writer.quote(i.rule): rule_words(i.rule) for i in stage.insulation if i.rule}
    for mark, words in quotes.items():
        writer.text(f"Rule {mark} {words}", indent=2)


def _gaps_wide(gaps: Sequence[Gap], writer: _Writer) -> None:
    columns = (
        ("between", "words"), ("kind", "whole"), ("through", "words"), ("gap\n[m]", "number"), ("limit\n[m]", "number"),
        ("margin\n[m]", "number"), ("reach\ngap [m]", "number"), ("elec-\ntrical [m]", "number"),
        ("margin\n[m]", "number"), ("verdict", "whole"), ("rule", "whole"),
    )  # fmt: skip
    rows: list[Sequence[str | Text]] = []
    for gap in gaps:
        posture, *rest = of_gap(gap)
        reach = rest[0].figures if rest else None
        rows.append(
            (
                pair(gap.between), gap.kind, through(gap.governing), posture.figures.gap, posture.figures.limit,
                posture.figures.margin, *((reach.gap, reach.limit, reach.margin) if reach else ("", "", "")),
                writer.verdict(gap_word(gap)), writer.quote(gap.rule, gap.voltage),
            )
        )  # fmt: skip
    writer.table(columns, rows)


def _gaps_narrow(gaps: Sequence[Gap], writer: _Writer) -> None:
    columns = (
        ("between", "words"), ("kind", "whole"), ("check", "whole"), ("through", "words"), ("gap\n[m]", "number"),
        ("limit\n[m]", "number"), ("margin\n[m]", "number"), ("verdict", "whole"), ("rule", "whole"),
    )  # fmt: skip
    rows: list[Sequence[str | Text]] = []
    for gap in gaps:
        for index, found in enumerate(of_gap(gap)):
            assert found.measure is not None
            rows.append(
                (
                    "" if index else pair(gap.between), "" if index else gap.kind, found.check, through(found.measure),
                    found.figures.gap, found.figures.limit, found.figures.margin, writer.verdict(found.word),
                    "" if index else writer.quote(gap.rule, gap.voltage),
                )
            )  # fmt: skip
    writer.table(columns, rows)


def through(measure: Measure) -> str:
    """The bodies a chain passes, or that it passes none."""
    return ", ".join(measure.through) or "direct"


def gap_word(gap: Gap) -> Word:
    """The word for a gap judged twice: low margin where either margin is."""
    if gap.verdict != "clear":
        return gap.verdict
    return "low margin" if any(f.word == "low margin" for f in of_gap(gap)) else "clear of limit"


def _assumed(gaps: Sequence[Gap], writer: _Writer) -> None:
    parts = []
    for gap in gaps:
        if gap.margin_at_assumed_m is not None:
            low = word("clear" if gap.margin_at_assumed_m >= 0 else "breach", gap.margin_at_assumed_m)
            parts.append(f"{pair(gap.between)}, {gap.kind}: {down(gap.margin_at_assumed_m)} m ({low})")
    if parts:
        writer.text(
            "Margin of the posture at the rule's assumed overvoltage, were the stated one not to hold: "
            + "; ".join(parts) + ".", indent=2,
        )  # fmt: skip


def _others(title: str, found: Sequence[Finding], writer: _Writer) -> None:
    if not found:
        return
    writer.blank()
    columns = (
        (title, "words"), ("found\n[m]", "number"), ("required\n[m]", "number"), ("margin\n[m]", "number"),
        ("verdict", "whole"), ("where", "words"),
    )  # fmt: skip
    rows = []
    for f in found:
        numbers = f.figures
        if f.subject == "collision" and not f.required_m:
            numbers = replace(numbers, limit="", margin="")
        rows.append((f.what, numbers.gap, numbers.limit, numbers.margin, writer.verdict(f.word), f.where))
    writer.table(columns, rows)


def _steps(items: Sequence[Insulation], writer: _Writer) -> None:
    for item in items:
        if item.steps:
            writer.text(f"{item.body}: " + "; ".join(item.steps) + ".", indent=2)


def _said(what: Word, words: str, writer: _Writer, mark: str = "") -> None:
    line = writer.verdict(what)
    line.append(writer.readable(f"{mark}: {words}"), style="default")
    writer.console.print(Padding(line, (0, 0, 0, 2), expand=False), width=writer.width)


def _sentences(found: Sequence[Finding], writer: _Writer) -> None:
    """A sentence for each breach, for each thing undecided, for each low margin, and for what the reader must know."""
    said = [f for f in found if f.word != "clear of limit" or f.why]
    if said:
        writer.blank()
    for f in said:
        _said(f.word, sentence(f), writer)


def sentence(finding: Finding) -> str:
    """What a breach, an undecided verdict or a low margin says: where, between what bodies, by how much."""
    check = f", {CHECKS[finding.check]}" if finding.check else ""
    words = f"{finding.what}{check}. "
    figures = finding.figures
    if finding.subject == "collision":
        words += _collision(finding)
    elif figures.limit == NOTHING:
        words += f"No distance is required of it by any rule given; the gap is {figures.gap} m. "
    elif figures.gap == NOTHING:
        words += "There is no chain between the two. "
    else:
        words += _measured(finding)
    if finding.measure is not None and finding.measure.case != "as stated":
        words += f"Judged with: {finding.measure.case}. "
    return words + (finding.why + "." if finding.why and not finding.why.endswith(".") else finding.why)


def _measured(finding: Finding) -> str:
    figures = finding.figures
    measure = finding.measure
    by = f"between {chain(measure)} " if measure is not None else ""
    words = f"At {finding.where}: {figures.gap} m {by}where {figures.limit} m are required"
    if finding.verdict == "clear":
        return f"{words}: {figures.margin} m to spare. "
    if finding.verdict == "undecided":
        reached = f" and {up(measure.gap_upper_m)} m found" if measure is not None else ""
        return f"{words}. Between {figures.gap} m proven{reached} the limit could not be decided: take it as not met. "
    words += f": short by {figures.short} m. "
    if measure is not None and measure.within_survey_error:
        words += (
            "Within survey error: with all slack left out it would not be a breach; measure on site before relying on "
            "it. "
        )
    if measure is not None:
        words += (
            f"At this position {up(measure.gap_upper_m)} m was found; nowhere in the range is it less than "
            f"{figures.gap} m. "
        )
    return words


def _collision(finding: Finding) -> str:
    measure = finding.measure
    assert measure is not None
    if finding.verdict == "breach":
        return f"At {finding.where}: {measure.ends[0]} meets {measure.ends[1]}. "
    return f"At {finding.where}: {measure.ends[0]} comes within {finding.figures.gap} m of {measure.ends[1]}. "


def _line(result: Result, writer: _Writer) -> None:
    if not result.line:
        return
    writer.blank()
    writer.text("Gaps of the line itself, which no part of the job narrows: listed, not judged", "bold")
    writer.table(
        (("between", "words"), ("gap\n[m]", "number"), ("nearest bodies", "words")),
        [(pair(gap.between), down(gap.gap_m), " > ".join(e for e in gap.ends if e)) for gap in result.line],
    )


def _tail(result: Result, writer: _Writer) -> None:
    if result.basis:
        writer.blank()
        writer.text("What the verdict rests on", "bold")
        for line in result.basis:
            writer.text(f"- {line}", indent=2)
    if result.skipped:
        writer.blank()
        writer.text("Not evaluated", "bold")
        for line in result.skipped:
            _said("not evaluated", line, writer)
    writer.blank()
    writer.text(SUPPORTS)


__all__ = ["KINDS", "gap_word", "overall_word", "place", "print_result", "rule_words", "sentence", "through"]
