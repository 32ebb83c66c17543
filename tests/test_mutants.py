"""The list of mutants is one that can be run: each entry is found, once, and changes something."""

from __future__ import annotations

import ast
import re
from collections import Counter
from functools import lru_cache

import pytest
from mutants import running
from mutants.listing import REPOSITORY, Broken, Mutant, listed, mutated

ENTRIES = listed()


def test_every_expression_stands_once_in_its_function_and_its_replacement_is_another():
    broken = []
    for entry in ENTRIES:
        source = (REPOSITORY / entry.path).read_text()
        try:
            assert mutated(entry, source) != source
        except Broken as error:
            broken.append(str(error))
    assert not broken


def test_there_are_enough_of_them_and_none_twice():
    assert len(ENTRIES) >= 150
    keys = [(one.module, one.function, _plain(one.expression), _plain(one.replacement)) for one in ENTRIES]
    assert [key for key, count in Counter(keys).items() if count > 1] == []


def _plain(text: str) -> str:
    return ast.dump(ast.parse(f"(\n{text}\n)", mode="eval"))


def test_every_entry_says_why_in_a_line_and_names_tests_that_are_there():
    for entry in ENTRIES:
        assert entry.why
        assert len(entry.why) < 100
        assert "\n" not in entry.why
        assert entry.tests
        for test in entry.tests:
            path, _, node = test.partition("::")
            assert (REPOSITORY / path).is_file(), test
            if path.startswith("tests/") and node:
                assert re.split(r"\[", node)[0] in _functions(path), test
            else:
                assert path.startswith("tests/") or ">>>" in (REPOSITORY / path).read_text(), test


@lru_cache
def _functions(path: str) -> frozenset[str]:
    tree = ast.parse((REPOSITORY / path).read_text())
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


SOURCE = '''
LIMITS = ((1.0, 2.0), (3.0, 4.0))

class Box:
    def size(self, wide):
        return wide * 2.0  # über
    def other(self):
        return self.size(
            1.0 +
            2.0
        )

def size(wide):
    """Wide."""
    return wide * 2.0 + wide * 3.0 + wide * 3.0
'''


def entry(function: str, expression: str, replacement: str) -> Mutant:
    return Mutant("clearance.x", function, expression, replacement, "a test", ("tests/test_mutants.py",))


def test_only_the_expression_in_the_function_is_replaced():
    """What comes out is run: nothing else of the module is another."""
    made = mutated(entry("Box.other", "1.0 + 2.0", "1.0 -\n2.0"), SOURCE)
    space: dict = {}
    exec(made, space)
    assert space["Box"]().other() == -2.0
    assert space["size"](1.0) == 8.0
    made = mutated(entry("size", "wide * 2.0", "len(LIMITS)"), SOURCE)
    exec(made, space)
    assert (space["size"](1.0), space["Box"]().size(1.0)) == (8.0, 2.0)
    made = mutated(entry("LIMITS", "(3.0,4.0)", "(3.0, 5.0)"), SOURCE)
    exec(made, space)
    assert space["LIMITS"] == ((1.0, 2.0), (3.0, 5.0))


@pytest.mark.parametrize(
    ("function", "expression", "replacement", "said"),
    [
        ("size", "wide * 3.0", "wide", "found it 2 times"),
        ("size", "wide * 9.0", "wide", "found it 0 times"),
        ("Box.wide", "wide * 2.0", "wide", "no such function"),
        ("size", "wide * 2.0", "high * 2.0", "the module has no high"),
        ("size", "wide * 2.0", "wide *", "not an expression"),
        ("size", "wide * 2.0", "wide*2.0", "the replacement is the expression itself"),
    ],
)
def test_an_entry_that_cannot_be_applied_says_why(function, expression, replacement, said):
    with pytest.raises(Broken, match=re.escape(said)):
        mutated(entry(function, expression, replacement), SOURCE)


CHEAP = "tests/published/test_rules_osha.py"


@pytest.mark.slow
def test_a_dozen_that_cost_little_are_caught_in_a_copy_and_one_that_changes_nothing_survives():
    cheap = [one for one in ENTRIES if one.tests[0].startswith(CHEAP)][:12]
    assert len(cheap) == 12
    harmless = Mutant("clearance.rules.osha_equation", "STEP_KV", "0.1", "0.1 + 0.0", "none", cheap[0].tests)
    missing = Mutant("clearance.rules.osha_equation", "STEP_KV", "0.7", "0.2", "none", cheap[0].tests)
    with running.copied() as copy:
        assert running.unchanged(copy, cheap)[0] == 0
        said = [running.applied(copy, one, number).said for number, one in enumerate([*cheap, harmless, missing], 1)]
        before, after = ((folder / cheap[0].path).read_bytes() for folder in (REPOSITORY, copy))
    assert said == ["caught"] * 12 + ["survived", "broken"]
    assert before == after
