"""The report on a terminal: all of it there, legible at 80 and 120 columns and when piped, words before colours."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from report_example import example_result
from rich.console import Console

from clearance.report.findings import SUPPORTS, findings, word
from clearance.report.numbers import down
from clearance.report.statements import exempt_words
from clearance.report.text import print_result
from clearance.result import Exempt, Measure, Result, StageResult, Stated

GOLD = Path(__file__).parent / "gold"
NUMBER = r"-?\d+\.\d{2,6}"


def printed(result: Result, width: int = 80, **more: object) -> str:
    """What the report says."""
    console = Console(file=io.StringIO(), width=width, **more)  # type: ignore[arg-type]
    print_result(result, console)
    return console.file.getvalue()  # type: ignore[attr-defined, no-any-return]


def scrubbed(text: str, result: Result) -> str:
    """Without what changes from release to release, and without the blanks a table pads its lines with."""
    text = text.replace(result.sha256[:12], "<digest>").replace(f"clearance {result.version}", "clearance <version>")
    return "\n".join(line.rstrip() for line in text.splitlines()) + "\n"


@pytest.mark.parametrize("width", [80, 120])
def test_report_is_as_recorded(width: int) -> None:
    result = example_result()
    recorded = (GOLD / f"report_{width}.txt").read_text(encoding="utf-8")
    assert scrubbed(printed(result, width), result) == recorded


@pytest.mark.parametrize("width", [40, 72, 80, 100, 118, 120, 200])
def test_no_number_is_cut_at_any_width(width: int) -> None:
    result = example_result()
    text = printed(result, width)
    assert "…" not in text
    for stage in result.stages:
        for found in findings(stage):
            assert found.figures.gap in text
            if found.subject != "collision":
                assert found.figures.margin in text


@pytest.mark.parametrize("width", [72, 80, 120])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    assert max(map(len, printed(example_result(), width).splitlines())) <= width


def test_long_names_fold_and_numbers_stay_whole() -> None:
    result = example_result()
    stage = result.stages[2]
    long = "phase-conductor-of-the-northern-circuit-" * 3
    gap = stage.gaps[0]
    gap = replace(gap, between=(long, "earth"), posture=replace(gap.posture, through=(long, long)))
    result = replace(result, stages=(replace(stage, name=long, gaps=(gap,)),))
    text = printed(result, 80)
    assert "…" not in text
    for found in findings(result.stages[0])[:2]:
        assert re.search(rf"(?<![\d.]){re.escape(found.figures.gap)}(?!\d)", text)


def test_names_are_never_read_as_markup() -> None:
    result = replace(example_result(), scene="[bold]bay[/bold] :warning: [link=x]")
    assert "[bold]bay[/bold] :warning: [link=x]" in printed(result)


def test_summary_comes_before_every_detail() -> None:
    result = example_result()
    text = printed(result, 120)
    first_detail = text.index("Stage 1 of")
    for stage in result.stages:
        assert stage.name in text[:first_detail]
    assert text.index("× breach") < first_detail


def test_fifteen_stages_have_one_line_each_in_the_summary() -> None:
    one = example_result().stages[0]
    stages = tuple(replace(one, name=f"step {n}") for n in range(15))
    text = printed(replace(example_result(), stages=stages), 120)
    summary = text[: text.index("Stage 1 of 15")]
    assert [f"step {n}" in summary for n in range(15)] == [True] * 15


def test_every_breach_says_where_between_what_and_by_how_much() -> None:
    result = example_result()
    text = " ".join(printed(result, 2000).split())
    breaches = [f for s in result.stages for f in findings(s) if f.verdict == "breach"]
    assert len(breaches) == 3
    for found in breaches:
        assert found.measure is not None
        chain = " > ".join((found.measure.ends[0], *found.measure.through, found.measure.ends[1]))
        assert (
            f"At {found.where}: {found.figures.gap} m between {chain} where {found.figures.limit} m are required: "
            f"short by {found.figures.short} m." in text
        )
    assert text.count("Within survey error") == 1


def test_rule_edition_clause_voltage_and_basis_are_quoted() -> None:
    text = " ".join(printed(example_result(), 2000).split())
    assert text.count("29 CFR 1910.269, 2014, (l)(3)(i), Table R-3; taken at 245 kV highest") == len(
        example_result().stages
    )
    for line in (*example_result().basis, *example_result().skipped):
        assert line in text
    assert "Assumed T: margin of the posture at the rule's assumed overvoltage" in text
    for stage in example_result().stages:
        for gap in stage.gaps:
            assert down(gap.margin_at_assumed_m) in text


def test_closing_words_and_no_forbidden_ones() -> None:
    text = printed(example_result(), 2000)
    assert text.rstrip().endswith(SUPPORTS)
    assert not re.search(r"\bsafe\b|\bcaution\b", text, re.IGNORECASE)


def test_verdict_is_readable_without_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    plain = printed(example_result(), 80, force_terminal=True)
    assert not re.search("\x1b\\[[0-9;]*3[0-9]m", plain)
    assert "× breach" in plain
    monkeypatch.delenv("NO_COLOR")
    coloured = printed(example_result(), 80, force_terminal=True, color_system="standard")
    assert re.sub("\x1b\\[[0-9;]*m", "", coloured) == re.sub("\x1b\\[[0-9;]*m", "", plain)


def test_a_terminal_with_only_ascii_gets_words_and_plain_signs() -> None:
    file = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    print_result(replace(example_result(), scene="Bay Ærø"), Console(file=file, width=100))
    file.flush()
    text = file.buffer.getvalue().decode("ascii")  # type: ignore[attr-defined]
    assert "x breach" in text
    assert "Bay \\xc6r\\xf8" in text


def test_undecided_is_named_and_explained() -> None:
    measure = Measure("undecided", None, 2.0, 2.1, {"travel_m": 1.0}, (), ("a", "b"), (), why="the rule is silent")
    gap = replace(example_result().stages[0].gaps[0], posture=measure, reach=None, limit_m=None)
    stage = StageResult("work", "work", {"travel_m": (0.0, 2.0)}, (gap,), (), (), ())
    text = " ".join(printed(replace(example_result(), stages=(stage,)), 2000).split())
    assert "? undecided: A to earth, air only, stated posture, whole limit. No distance is required of it" in text
    assert "the rule is silent." in text
    assert "clear of limit" not in text.split("Gap: the least air")[0]


def test_a_result_without_stages_is_undecided() -> None:
    text = printed(replace(example_result(), stages=()))
    assert "? undecided (no stage was evaluated)" in text


def test_words() -> None:
    assert word("clear", 0.0999) == "low margin"
    assert word("clear", 0.10) == "clear of limit"
    assert word("undecided", 5.0) == "undecided"
    assert word("clear", None) == "clear of limit"


def test_what_is_exempt_from_a_distance_is_told_with_who_allows_it() -> None:
    result = example_result()
    said = Stated(
        "dropper: may be opened by hand at up to 0.01 A and 15 J", "employer's limit", "head of lines", "today"
    )
    one = Exempt("dropper free end", ("bus", "worker"), False, 2.2773, 2.75, (said,))
    stages = (replace(result.stages[0], exempt=(one,)), *result.stages[1:])
    told = " ".join(printed(replace(result, stages=stages), 200).split())
    words = "Exempt: dropper free end keeps no distance from bus and worker while it closes: only between contact and"
    assert f"{words} 2.28 m, within the last 2.75 m of its way; nothing else is exempt." in told
    assert (
        "Allowed by: dropper: may be opened by hand at up to 0.01 A and 15 J: employer's limit (head of lines" in told
    )
    (found,) = json.loads(replace(result, stages=stages).to_json())["stages"][0]["exempt"]
    assert (found["body"], found["against"], found["while"]) == ("dropper free end", ["bus", "worker"], "closing")
    assert (found["until_m"], found["over_lower_m"]) == (2.2773, 2.75)
    assert found["statements"][0]["by"] == "head of lines"
    assert "Exempt:" not in printed(result, 200)
    assert exempt_words(replace(one, on=())).endswith("Allowed by: nobody")
