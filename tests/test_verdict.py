"""The decision and how decisions add up: nothing that was not proved is clear."""

from __future__ import annotations

import ast
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

import clearance
from clearance.job import judging
from clearance.result import Measure
from clearance.verdict import judge, judge_count, judge_length, worst

METRES = st.floats(0, 100)


@given(METRES, METRES, METRES)
def test_clear_only_when_proved_breach_only_when_seen(lower, width, required):
    upper = lower + width
    found = judge(lower, upper, required)
    assert (found == "clear") == (lower >= required)
    assert (found == "breach") == (upper < required)


def test_exactly_the_limit_is_clear_and_the_least_bit_below_it_is_not():
    assert judge(2.0, 2.0, 2.0) == "clear"
    below = math.nextafter(2.0, 0.0)
    assert judge(below, below, 2.0) == "breach"
    assert judge(below, 2.0, 2.0) == "undecided"


def test_without_a_limit_nothing_is_clear():
    assert judge(math.inf, math.inf, None) == "undecided"


def test_nan_is_never_clear():
    assert judge(math.nan, math.nan, 2.0) == "undecided"
    assert judge(3.0, 3.0, math.nan) == "undecided"


@pytest.mark.parametrize(
    ("found", "verdict"),
    [
        ([], "undecided"),
        (["clear"], "clear"),
        (["clear", "undecided"], "undecided"),
        (["undecided", "breach", "clear"], "breach"),
    ],
)
def test_the_worst_counts_and_of_nothing_nothing_is_clear(found, verdict):
    assert worst(found) == verdict


PACKAGE = Path(clearance.__file__).parent


def chosen_by_comparison(tree):
    """Lines on which a verdict is what a comparison of magnitudes chooses: by if, by an expression, or in its branches.

    Comparing verdicts with one another (`== "breach"`) is no decision; comparing numbers (`<`, `>=`) is.
    """
    ordered = (ast.Lt, ast.LtE, ast.Gt, ast.GtE)

    def compares(test):
        return any(
            isinstance(op, ordered) for node in ast.walk(test) if isinstance(node, ast.Compare) for op in node.ops
        )

    def decides(node):
        if isinstance(node, ast.Constant):
            return node.value in ("clear", "breach")
        return not isinstance(node, ast.Compare) and any(map(decides, ast.iter_child_nodes(node)))

    for node in ast.walk(tree):
        if isinstance(node, ast.IfExp) and compares(node.test) and (decides(node.body) or decides(node.orelse)):
            yield node.lineno
        if isinstance(node, ast.If) and compares(node.test):
            made = [line for line in (*node.body, *node.orelse) if isinstance(line, ast.Return | ast.Assign)]
            if any(line.value is not None and decides(line.value) for line in made):
                yield node.lineno


def test_the_decision_stands_in_one_place():
    """No module but `verdict.py` makes a verdict of a comparison of numbers; there it is seen, so the search works."""
    found = {
        f"{path.relative_to(PACKAGE)}:{line}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for line in chosen_by_comparison(ast.parse(path.read_text()))
    }
    assert {place.split(":")[0] for place in found} == {"verdict.py"}


def test_what_the_search_takes_for_a_decision():
    for text, decision in (
        ('v = "clear" if left >= required else "breach"', True),
        ('if left < required:\n    v = "breach"', True),
        ('v = "clear" if verdict == "clear" else "undecided"', False),
        ("v = judge(left, left, required)", False),
    ):
        assert bool(list(chosen_by_comparison(ast.parse(text)))) is decision, text


@given(METRES, METRES)
def test_a_length_and_a_count_are_decided_as_a_gap_is(left, required):
    assert judge_length(left, required) == judge(left, left, required)
    assert judge_count(int(left), int(required)) == ("clear" if int(left) >= int(required) else "breach")


def test_of_several_pieces_the_worst_verdict_and_the_least_bound_count_whichever_is_shown(monkeypatch):
    """The piece with the smallest gap that was seen is shown; another one may be proved less, and decides."""
    seen = Measure("clear", 1.5, 1.9, 2.0, {}, (), ("a", "b"), ())
    proved = {"clear": 1.6, "undecided": 1.4, "breach": 1.4}
    for verdict, lower in proved.items():
        found = iter((seen, replace(seen, verdict=verdict, gap_lower_m=lower, gap_upper_m=2.1)))
        monkeypatch.setattr(judging, "measure_of", lambda *_, found=found: next(found))
        monkeypatch.setattr(judging, "case_of", lambda *_: "as stated")
        monkeypatch.setattr(judging, "case_name", lambda *_: "as stated")
        asked = [(None, SimpleNamespace(paths=(), case=None))] * 2
        least = judging._least(SimpleNamespace(floor=None), asked, 1.5)
        assert (least.verdict, least.gap_lower_m, least.gap_upper_m) == (verdict, lower, 2.0)
