"""Owns the report on a terminal: the summary first, then every stage, then what the verdict rests on.

Words and signs carry the verdict, colour only repeats it. Tables keep every number whole at 80 columns and up; below 72
the terminal has to wrap. Names from a scene are never read as markup.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from clearance.report import measure_first, statements
from clearance.report.findings import (
    SUPPORTS,
    Finding,
    Word,
    counts,
    findings,
    leading,
    of_gap,
    overall_word,
    pair,
    rule_words,
    stage_word,
)
from clearance.report.numbers import NOTHING, down, span
from clearance.report.sentences import sentence
from clearance.report.style import PLAIN_SIGNS, SIGNS, TERMINAL
from clearance.result import LOW_MARGIN_M, Gap, Insulation, Measure, OpenPoint, Result, StageResult

WIDE = 118
"""Columns from which posture and reach stand on one line."""

NARROWEST = 72
"""Columns below which lines are left to the terminal to wrap, rather than numbers cut."""

HOW_TO_READ = (
    "Gap: the least air along any chain of bodies from one potential to the other, over the whole range of the stage, "
    "a floating conductive body counting for nothing; the proven lower bound, uncertainty (survey and model error) "
    "taken "
    "off. Gaps are rounded down, limits up; margin is their difference. Posture: the stated posture against the whole "
    "limit. Reach: wherever a hand may be, against the limit's electrical part. Both must hold. Assumed T: margin of "
    "the posture at the rule's assumed overvoltage, were the stated one not to hold. "
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
    _statements(result, writer)
    for number, stage in enumerate(result.stages, 1):
        writer.blank()
        _stage(stage, number, len(result.stages), writer)
    _line(result, writer)
    _measure_first(result, writer)
    _tail(result, writer)


def _head(result: Result, writer: _Writer) -> None:
    writer.text(result.scene, "bold")
    writer.text(
        f"scene {result.sha256[:12] or 'not from a file'}, clearance {result.version}, "
        f"bounds to {result.tolerance_m:g} m"
    )
    writer.blank()
    what = overall_word(result)
    line = writer.verdict(what)
    line.append(writer.readable(f"{statements.count_words(result)} ({counts(result)})"), style="default")
    writer.console.print(line, width=writer.width)
    if bare := statements.bare_words(result):
        writer.text(f"Without them: {bare}")
    _open_points(result.open_points, writer, indent=0)


def _statements(result: Result, writer: _Writer) -> None:
    """Every statement with the verdict and the margin without it; those that take away the same thing together."""
    if not result.statements:
        return
    writer.blank()
    writer.text("What is taken on somebody's word, and what the result would be without it", "bold")
    for row in statements.rows(result):
        writer.blank()
        for one in row.statements:
            writer.text(f"{one.takes_away}. {one.basis} ({one.by}, {one.on})", indent=2)
        writer.text(f"without: {row.sign} {row.word}" + (f", {row.less}" if row.less else ""), indent=4)


def _measure_first(result: Result, writer: _Writer) -> None:
    """What the margins that govern hang on, where it was asked for."""
    if result.measure_first is None:
        return
    columns = (
        ("what", "words"), ("value", "whole"), ("step", "whole"), ("takes\n[m]", "number"),
        ("margin\nnow [m]", "number"), ("of the gap", "words"),
    )  # fmt: skip
    writer.blank()
    writer.text("What to measure first", "bold")
    writer.text(measure_first.HOW_TO_READ)
    found = measure_first.rows(result)
    writer.table(columns, [(r.what, r.value, r.step, r.takes, r.margin, r.gap) for r in found])
    for line in measure_first.not_asked(result):
        writer.text(f"not asked: {line}", indent=2)


def _open_points(points: tuple[OpenPoint, ...], writer: _Writer, indent: int) -> None:
    """What keeps the verdict from being clear beside the gaps, each with what would settle it."""
    for point in statements.points(points):
        cure = f" To settle it: {point.cure}." if point.cure else ""
        writer.text(f"{point.sign} {point.word}: {point.what}.{cure}", indent=indent)


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


def _nothing(stage: StageResult) -> str:
    return "what moves touches nothing; no conductor comes" if stage.collisions else "nothing was judged"


def _summary_what(stage: StageResult, first: Finding | None) -> str:
    """The pair that leads, or what keeps the stage undecided where no pair of its own does."""
    words = _nothing(stage) if first is None else first.what + (f" ({first.check})" if first.check else "")
    if stage.open_points and (first is None or first.verdict != stage.verdict):
        words += "; undecided: " + "; ".join(map(str, stage.open_points))
    return words


def _stage(stage: StageResult, number: int, count: int, writer: _Writer) -> None:
    title = Text(writer.readable(f"Stage {number} of {count}: {stage.name} ({stage.kind})  "), style="bold")
    writer.console.print(title + writer.verdict(stage_word(stage)), width=writer.width)
    ranges = ", ".join(span(name, low, high) for name, (low, high) in stage.parameters.items())
    writer.text(f"over {ranges}" if ranges else "nothing moves", indent=2)
    if stage.gaps:
        writer.blank()
        (_gaps_wide if writer.width >= WIDE else _gaps_narrow)(stage.gaps, writer)
    found = findings(stage)
    _others("Approach, not bonded", [f for f in found if f.subject == "approach" and not f.beside], writer)
    _others("Approach, beside the rule", [f for f in found if f.subject == "approach" and f.beside], writer)
    _others("Insulating length", [f for f in found if f.subject == "insulation"], writer)
    _steps(stage.insulation, writer)
    _collisions([f for f in found if f.subject == "collision"], writer)
    _sentences(found, writer)
    _open_points(stage.open_points, writer, indent=2)
    for one in stage.exempt:
        writer.text(f"Exempt: {statements.exempt_words(one)}.", indent=2)
    # What a reader must know of things that are clear, each once however many it is true of.
    for note in dict.fromkeys([*stage.notes, *(f.why for f in found if f.word == "clear of limit" and f.why)]):
        writer.text(f"Note: {note}", indent=2)
    quotes = {f"{writer.quote(g.rule, g.voltage)}": f"{rule_words(g.rule)}; taken at {g.voltage}" for g in stage.gaps}
    rules = [approach.rule for approach in stage.approaches] + [item.rule for item in stage.insulation]
    quotes |= {writer.quote(rule): rule_words(rule) for rule in rules if rule}
    for mark, words in quotes.items():
        writer.text(f"Rule {mark} {words}", indent=2)


def _gaps_wide(gaps: Sequence[Gap], writer: _Writer) -> None:
    columns = [
        ("between", "words"), ("kind", "whole"), ("through", "words"), ("gap\n[m]", "number"), ("limit\n[m]", "number"),
        ("margin\n[m]", "number"), ("assumed\nT [m]", "number"), ("reach\ngap [m]", "number"),
        ("elec-\ntrical [m]", "number"), ("margin\n[m]", "number"), ("verdict", "whole"), ("rule", "whole"),
    ]  # fmt: skip
    rows: list[Sequence[str | Text]] = []
    for gap in gaps:
        posture, *rest = of_gap(gap)
        reach = rest[0].figures if rest else None
        rows.append(
            (
                pair(gap.between), gap.kind, through(gap.governing), posture.figures.gap, posture.figures.limit,
                posture.figures.margin, _assumed(gap),
                *((reach.gap, reach.limit, reach.margin) if reach else ("", "", "")),
                writer.verdict(gap_word(gap)), writer.quote(gap.rule, gap.voltage),
            )
        )  # fmt: skip
    _gap_table(columns, rows, writer)


def _gaps_narrow(gaps: Sequence[Gap], writer: _Writer) -> None:
    """Two lines a gap: the posture, with the pair and its kind; the reach, with what the chain passes."""
    columns = [
        ("between, kind,\nthrough", "words"), ("check", "whole"), ("gap\n[m]", "number"), ("limit\n[m]", "number"),
        ("margin\n[m]", "number"), ("assumed\nT [m]", "number"), ("verdict", "whole"), ("rule", "whole"),
    ]  # fmt: skip
    rows: list[Sequence[str | Text]] = []
    for gap in gaps:
        found = of_gap(gap)
        rule = writer.quote(gap.rule, gap.voltage)
        for first, f in zip((True, False), found, strict=False):
            what = f"{pair(gap.between)}, {gap.kind}" if first else f"  {through(gap.governing)}"
            numbers = (f.figures.gap, f.figures.limit, f.figures.margin, _assumed(gap) if first else "")
            rows.append((what, f.check, *numbers, writer.verdict(f.word), rule if first else ""))
        if len(found) == 1 and gap.posture.through:
            rows.append((f"  {through(gap.posture)}", *[""] * 7))
    _gap_table(columns, rows, writer)


def _gap_table(columns: list[tuple[str, str]], rows: list[Sequence[str | Text]], writer: _Writer) -> None:
    """Without the column of rules where there is only one, and that of the assumed overvoltage where none is shown."""
    dropped = set()
    if len({str(row[-1]) for row in rows} - {""}) == 1:
        dropped.add(len(columns) - 1)
    assumed = next(k for k, (heading, _) in enumerate(columns) if heading.startswith("assumed"))
    if not any(str(row[assumed]) for row in rows):
        dropped.add(assumed)
    keep = [k for k in range(len(columns)) if k not in dropped]
    writer.table([columns[k] for k in keep], [[row[k] for k in keep] for row in rows])


def _assumed(gap: Gap) -> str:
    return "" if gap.margin_at_assumed_m is None else down(gap.margin_at_assumed_m)


def through(measure: Measure) -> str:
    """The bodies a chain passes, or that it passes none."""
    return ", ".join(measure.through) or "direct"


def gap_word(gap: Gap) -> Word:
    """The word for a gap judged twice: low margin where either margin is."""
    if gap.verdict != "clear":
        return gap.verdict
    return "low margin" if any(f.word == "low margin" for f in of_gap(gap)) else "clear of limit"


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
        where = "" if f.word == "clear of limit" else f.where
        rows.append((f.what, f.figures.gap, f.figures.limit, f.figures.margin, writer.verdict(f.word), where))
    _where_table(columns, rows, writer)


def _collisions(found: Sequence[Finding], writer: _Writer) -> None:
    """Collisions: what matters is that nothing touches; the distance shown is what was proven, not the least."""
    if not found:
        return
    writer.blank()
    columns = (("Collision", "words"), ("apart, at\nleast [m]", "number"), ("verdict", "whole"), ("where", "words"))
    rows = []
    for f in found:
        where = "" if f.word == "clear of limit" else f.where
        rows.append((f.what, down(f.gap_m, 3), writer.verdict(f.word), where))
    _where_table(columns, rows, writer)


def _where_table(columns: Sequence[tuple[str, str]], rows: Sequence[Sequence[str | Text]], writer: _Writer) -> None:
    """A table whose last column says where, left out where nothing is in it."""
    if any(str(row[-1]) for row in rows):
        writer.table(columns, rows)
    else:
        writer.table(columns[:-1], [row[:-1] for row in rows])


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
    said = [f for f in found if f.word != "clear of limit"]
    if said:
        writer.blank()
    for f in said:
        _said(f.word, sentence(f), writer)


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
