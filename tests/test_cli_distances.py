"""The command `clearance distances`: what it prints, writes and returns."""

import itertools
import json
import subprocess
import sys

import pytest
import typer
from matplotlib.backends.backend_agg import FigureCanvasAgg
from test_rules_company import EXAMPLE
from typer.testing import CliRunner

from clearance.cli.distances import distances
from clearance.report import placard
from clearance.rules import names, required
from clearance.rules.sheet import Question, curve, sheet

APP = typer.Typer()
APP.command()(distances)


SIGNED = ("--input", "employer_basis=test", "--input", "employer_by=head of live working")


def run(*arguments):
    return CliRunner().invoke(APP, [str(argument) for argument in arguments])


@pytest.mark.parametrize("kV", [69, 138, 220, 230, 345, 500, 765])
@pytest.mark.parametrize("rule", names())
def test_every_rule_at_every_voltage(rule, kV):
    """0 with every cell, 3 with a cell undecided, 2 only where the rule does not cover the voltage at all."""
    extra = {
        "iec-61472": ["--t", "2", "--t-basis", "test", "--input", "k_f=0.85", "--input", "k_g=1.45", *SIGNED],
        "en-50110-1": ["--input", "ergonomic_m=0.5", *SIGNED],
    }.get(rule, [])
    result = run("--voltage-kV", kV, "--rule", rule, *extra)

    uncovered = kV == 765 and rule in ("en-50110-1", "gb-26859")
    whole = rule in ("osha-1910.269", "iec-61472") or (rule == "osha-1910.269-table" and kV == 69)
    assert result.exit_code == (2 if uncovered else 0 if whole else 3), result.output
    if uncovered:
        assert result.stdout == ""
        assert rule in result.stderr
    else:
        assert ("no value" in result.stdout) == (not whole) or rule in ("iec-61472", "en-50110-1")
        assert "Conditions of use" in result.stdout


def test_prints_parts_steps_source_and_conditions():
    result = run(
        "--voltage-kV",
        220,
        "--rule",
        "osha-1910.269",
        "--t",
        2.5,
        "--t-basis",
        "study S-1",
        "--altitude-m",
        1200,
        "--feet",
    )
    assert result.exit_code == 0
    for words in (
        "nominal 220 kV, highest 242 kV by United States practice",
        "1.51 m (4.94 ft)",  # 1.5045 m rounded up, in both units
        "1.20 m (3.92 ft)",
        "MAD = D + M = 1.1945 m + 0.31 m = 1.5045 m (Table R-3)",
        "A = 1.02 at 1200 m (Table R-5), on the electrical part only",
        "79 FR 20316 (2014) as corrected by 79 FR 56955",
        "T = 2.5 was given; basis: study S-1",
        "Washington State, United States: live-line barehand work is prohibited",
        "do not replace, the employer's rules",
    ):
        assert words in result.stdout
    assert result.stderr == ""


def test_no_colour_and_no_forbidden_words():
    result = run("--voltage-kV", 220, "--rule", "osha-1910.269")
    assert "\x1b[" not in result.stdout
    assert " safe" not in result.stdout.lower()


def test_json_is_unrounded_and_as_designed(tmp_path):
    file = tmp_path / "distances.json"
    result = run("--highest-kV", 245, "--rule", "osha-1910.269", "--json", file)
    data = json.loads(file.read_text())

    assert result.exit_code == 0
    assert data["format"] == 1
    assert [(one["exposure"], one["gap"]) for one in data["limits"]] == list(
        itertools.product(("phase-earth", "phase-phase"), ("air", "tool", "object"))
    )
    for one in data["limits"]:
        limit = required("osha-1910.269", one["exposure"], gap=one["gap"], highest_kV=245)
        assert (one["limit_m"], one["electrical_m"], one["ergonomic_m"]) == (
            limit.limit_m,
            limit.electrical_m,
            limit.ergonomic_m,
        )
        assert one["rule"] == {
            "name": limit.rule.name,
            "edition": limit.rule.edition,
            "clause": limit.rule.clause,
            "grade": limit.grade,
        }
        assert one["inputs"] == limit.inputs
    assert data["undecided"] == []
    assert [path.name for path in tmp_path.iterdir()] == ["distances.json"]  # nothing is left beside it


def test_json_lists_what_is_undecided(tmp_path):
    file = tmp_path / "d.json"
    result = run("--voltage-kV", 220, "--rule", "osha-1910.269-table", "--json", file)
    data = json.loads(file.read_text())
    assert result.exit_code == 3
    assert [(one["exposure"], one["gap"], one["refused"]) for one in data["undecided"]] == [
        ("phase-phase", "tool", False),
        ("phase-phase", "object", False),
    ]
    assert len(data["limits"]) == 4


def test_an_overvoltage_without_a_basis_is_shown_as_such(tmp_path):
    file = tmp_path / "d.json"
    result = run("--voltage-kV", 220, "--rule", "osha-1910.269", "--t", 2.5, "--json", file)

    assert result.exit_code == 0
    assert "basis: NOT STATED" in result.stdout
    assert "NOT STATED" in json.loads(file.read_text())["limits"][0]["inputs"]["per_unit_basis"]


def test_several_rules_and_a_company_table(tmp_path):
    table = tmp_path / "company.toml"
    table.write_text(EXAMPLE)
    file = tmp_path / "d.json"
    run("--voltage-kV", 220, "--rule", "osha-1910.269", "--rule", table, "--json", file)
    earth = json.loads(file.read_text())["limits"][1]
    assert earth["limit_m"] == 2.25
    assert earth["rule"]["name"] == "Riverside Grid live-working distances"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "Name one of"),
        (("--voltage-kV", 220, "--rule", "osha-1910.269", "--t-basis", "study"), "expected --t beside it"),
        (("--rule", "osha-1910.269"), "voltage_kV (nominal) or highest_kV"),
        (("--voltage-kV", 220, "--rule", "osha"), "Did you mean 'osha-1910.269'"),
        (("--voltage-kV", 220, "--rule", "osha-1910.269", "--t", 0.5, "--t-basis", "x"), "below 1"),
        (("--voltage-kV", 220, "--rule", "osha-1910.269", "--altitude-m", 6001), "ends at 6000 m"),
        (("--voltage-kV", 220, "--rule", "osha-1910.269", "--input", "current=dc"), "direct-current line is refused"),
        (("--highest-kV", 0.2, "--rule", "osha-1910.269"), "avoid contact"),
        (("--highest-kV", 900, "--rule", "osha-1910.269"), "nothing is extrapolated"),
        (("--voltage-kV", 220, "--rule", "osha-1910.269", "--input", "ergonomic_m"), "KEY=VALUE"),
        (("--voltage-kV", 220, "--rule", "none.toml"), "none.toml"),
        (("--voltage-kV", 220, "--rule", "osha-1910.269", "--json", "/nowhere/at/all.json"), "--json"),
        (("--voltage-kV", "nan", "--rule", "osha-1910.269"), "a number of kilovolts above 0"),
    ],
)
def test_bad_input_is_one_clear_message(arguments, words):
    result = run(*arguments)
    assert result.exit_code == 2
    assert words in result.stderr
    assert "Traceback" not in result.output


def test_overvoltage_missing_is_undecided_not_an_error():
    result = run("--voltage-kV", 220, "--rule", "iec-61472")
    assert result.exit_code == 3
    assert "give u_e2" in result.stdout


def test_unconfirmed_lists_what_stands_on_memory():
    result = run("--unconfirmed")
    assert result.exit_code == 0
    for words in ("Table R-3", "Table R-5", "Table R-7", "IEC 61472", "combined gap", "adjacent phase", "transfer"):
        assert words in result.stdout
    assert "Table 8-3" not in result.stdout  # read in its source


def test_no_compiler_and_no_drawing_library_is_loaded():
    """The command must answer at once: numba and matplotlib stay out unless a drawing is asked for."""
    code = (
        "import sys, clearance.cli.distances as d, clearance.rules.sheet as s;"
        "s.sheet(s.Question(('osha-1910.269',), 220.0));"
        "print([m for m in ('numba', 'matplotlib', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_drawings_are_the_same_bytes_twice(tmp_path):
    written = []
    for folder in ("a", "b"):
        out = tmp_path / folder
        result = run(
            "--voltage-kV", 220, "--rule", "osha-1910.269", "--placard", out, "--plot", out, "--title", "Bay 4"
        )
        assert result.exit_code == 0
        written.append({path.name: path.read_bytes() for path in sorted(out.iterdir())})
    assert sorted(written[0]) == ["limits.pdf", "limits.svg", "placard.pdf", "placard.svg"]
    assert written[0] == written[1]


QUESTIONS = [
    Question(("osha-1910.269",), 220.0),
    Question(("osha-1910.269",), 765.0, altitude_m=6000.0),
    Question(("osha-1910.269-table", "gb-26859"), 220.0),
    Question(
        ("osha-1910.269", "iec-61472", "gb-26859", "en-50110-1"),
        500.0,
        None,
        2.5,
        999.0,
        (
            ("per_unit_basis", "network study of the whole northern system, edition 12, by the planning department"),
            ("k_f", 0.85),
            ("ergonomic_m", 0.5),
            ("employer_basis", "live-working rules of the employer, edition of 2024"),
            ("employer_by", "head of live working"),
        ),
    ),
    Question(("iec-61472",), 220.0),
    Question(("gb-26859",), 10.0),
]


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda question: "+".join(question.rules))
@pytest.mark.parametrize(
    "title", ["", "A job title that is a great deal longer than any job title has a right to be, circuit 2"]
)
def test_placard_labels_stay_on_the_page_and_apart(question, title):
    figure = placard.placard_figure(sheet(question), title)
    renderer = FigureCanvasAgg(figure).get_renderer()
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in figure.texts if text.get_text()]

    page = figure.bbox
    for words, box in boxes:
        assert box.x0 >= page.x0, words
        assert box.x1 <= page.x1, words
        assert box.y0 >= page.y0, words
        assert box.y1 <= page.y1, words
    for (first, a), (second, b) in itertools.combinations(boxes, 2):
        assert not a.overlaps(b), (first, second)
    cells = [text for text in figure.texts if text.get_horizontalalignment() == "center"]
    width = page.width * (placard.PAGE_MM[0] - 2 * placard.MARGIN_MM - placard.FIRST) / placard.PAGE_MM[0] / 3
    assert all(text.get_window_extent(renderer).width <= width for text in cells)


def test_placard_shows_the_numbers_and_never_less():
    question = Question(("osha-1910.269-table", "gb-26859"), 220.0)
    words = [text.get_text() for text in placard.placard_figure(sheet(question)).texts]
    assert words.count("2.01 m") == 2
    assert words.count("NO VALUE") == 2
    assert "3.08 m" in words
    assert words[0] == "DANGER"
    assert not any("safe" in line.lower().split() for line in words)


def test_placard_is_black_on_white():
    figure = placard.placard_figure(sheet(QUESTIONS[0]))
    assert {text.get_color() for text in figure.texts} == {"black"}


def test_curves_break_where_a_rule_refuses():
    question = Question(("gb-26859",), 220.0)
    points = dict(curve(question, "phase-earth", "tool", "altitude_m", (0.0, 1000.0, 1000.1)))
    assert points == {0.0: 1.8, 1000.0: 1.8, 1000.1: None}
    by_overvoltage = curve(
        Question(("osha-1910.269",), 220.0), "phase-earth", "tool", "per_unit_overvoltage", (0.9, 2.0, 3.5)
    )
    assert by_overvoltage[0] == (0.9, None)
    assert by_overvoltage[2][1] == required("osha-1910.269", "phase-earth", voltage_kV=220).limit_m
    by_voltage = curve(Question(("osha-1910.269",), 220.0), "phase-earth", "tool", "highest_kV", (242.0, 900.0))
    assert by_voltage == ((242.0, required("osha-1910.269", "phase-earth", highest_kV=242).limit_m), (900.0, None))


def test_a_row_that_one_of_several_rules_has_no_value_for_is_marked_and_the_others_answer(tmp_path):
    """Chinese rules: none between phases with an object in the gap. The equation: 3.3505 m at 242 kV, T 3.5 (published
    tests)."""
    file = tmp_path / "d.json"
    result = run("--voltage-kV", 220, "--rule", "gb-26859", "--rule", "osha-1910.269", "--json", file)
    assert result.exit_code == 3
    assert "at least 3.36 m" in result.stdout
    assert "phase_phase_object_m" in result.stdout
    data = json.loads(file.read_text())
    (cell,) = data["undecided"]
    assert (cell["exposure"], cell["gap"], cell["refused"]) == ("phase-phase", "object", False)
    assert cell["others"]["limit_m"] == pytest.approx(3.3505, abs=1e-4)
    assert len(data["limits"]) == 5
    supplied = ("--input", "phase_phase_object_m=2.8", *SIGNED)
    whole = run("--voltage-kV", 220, "--rule", "gb-26859", "--rule", "osha-1910.269", *supplied)
    assert whole.exit_code == 0
    assert "at least 3.36 m" not in whole.stdout


def test_a_rule_that_refuses_among_several_is_marked_too():
    question = ("--voltage-kV", 220, "--altitude-m", 1500, "--rule", "gb-26859")
    assert run(*question).exit_code == 2
    both = run(*question, "--rule", "osha-1910.269")
    assert both.exit_code == 3
    assert "at least 2.10 m" in both.stdout  # 0.31 m and 1.05 times 1.6998 m
    assert "1000 m above sea level" in both.stdout


def test_every_figure_says_how_it_is_known(tmp_path):
    """Up to 169 kV Table R-7 is second-hand, above it from memory; Table 8-1 of the Chinese rules was read, their
    combined gap was not."""
    known = {}
    for rule, kV in (("osha-1910.269-table", 138), ("osha-1910.269-table", 230), ("gb-26859", 220)):
        file = tmp_path / "d.json"
        run("--voltage-kV", kV, "--rule", rule, "--json", file)
        data = json.loads(file.read_text())
        known[rule, kV] = {(one["exposure"], one["gap"]): one["rule"]["grade"] for one in data["limits"]}
        assert data["transfer"]["rule"]["grade"] == "memory"
        assert data["transfer"]["of_a_rule_asked"] == (rule == "gb-26859")
    assert known["osha-1910.269-table", 138]["phase-earth", "air"] == "second-hand"
    assert known["osha-1910.269-table", 230]["phase-earth", "air"] == "memory, cross-checked"
    assert known["gb-26859", 220]["phase-earth", "tool"] == "read"
    assert known["gb-26859", 220]["phase-earth", "object"] == "memory"
    shown = run("--voltage-kV", 220, "--rule", "osha-1910.269").stdout
    assert "a figure beside the rules asked: gb-26859, equipotential work; memory" in shown
    lines = run("--unconfirmed").stdout.splitlines()
    grades = [
        next(grade for grade in ("(memory;", "(memory, cross", "(second") if grade in line) for line in lines[1:-1]
    ]
    assert grades == sorted(grades, key=("(memory;", "(memory, cross", "(second").index)
    assert "(second" in grades


def test_a_company_table_to_fill_in_is_printed():
    result = run("--voltage-kV", 220, "--rule", "gb-26859", "--company-table")
    assert result.exit_code == 0
    assert 'completes = ["gb-26859"]' in result.stdout
    assert 'phase_phase.object = { electrical_m = "?", ergonomic_m = "?" }' in result.stdout


def test_the_united_states_notes_cite_the_paragraphs_that_were_read():
    """29 CFR 1910.269(q)(3): (iii) insulated equipment, tools, aerial devices and platforms; (vi) wind; (xiii)(B) the
    daily test of a lift."""
    shown = run("--voltage-kV", 220, "--rule", "osha-1910.269").stdout
    for clause in ("(q)(3)(iii)", "(q)(3)(vi)", "(q)(3)(xiii)(B)"):
        assert clause in shown
    assert "general distances" not in shown
    assert "(q)(3)(vi)" not in run("--voltage-kV", 220, "--rule", "gb-26859").stdout
    assert "California Code of Regulations, Title 8, 2940.2 note 2, at the distance of" in shown
