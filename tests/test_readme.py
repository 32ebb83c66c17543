"""The README keeps its word: its examples run, its commands exist, and every command is in it."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import small_scenes as small
from typer.main import get_command
from typer.testing import CliRunner

from clearance.cli import app

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text()
BLOCK = re.compile(r"<!-- example(?:: (?P<name>[\w.]+))? -->\n```(?P<kind>\w+)\n(?P<text>.*?)```", re.DOTALL)
EXAMPLES = [match.groupdict() for match in BLOCK.finditer(README)]
RUN = {
    name: text.strip() for name, text in re.findall(r"<!-- run: (\w+) -->\n```bash\n(.*?)```", README, re.DOTALL)
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with the files that the README shows."""
    made = tmp_path_factory.mktemp("readme")
    for example in EXAMPLES:
        if example["name"]:
            (made / example["name"]).write_text(example["text"])
    return made


def test_the_first_paragraph_states_the_job():
    title, first = README.split("\n\n")[:2]
    assert title == "# clearance"
    for word in ("bare-hand", "insulating ladder", "whole continuous range", "between every two potentials"):
        assert word in " ".join(first.split())


def test_the_two_blocks_to_run_are_as_agreed():
    venv = "python3 -m venv .venv && .venv/bin/pip install -q -c constraints.txt"
    assert {
        "demo": f"{venv} . && .venv/bin/clearance demo",
        "tests": f"{venv} '.[test]' && .venv/bin/python -m pytest -q -n 2",
    } == RUN


@pytest.mark.parametrize("example", [e for e in EXAMPLES if e["kind"] == "bash"], ids=lambda e: e["text"][:40])
def test_the_shell_examples_run(example, folder, monkeypatch):
    monkeypatch.chdir(folder)
    for line in example["text"].strip().splitlines():
        program, *arguments = shlex.split(line)
        assert program == "clearance"
        found = CliRunner().invoke(app, arguments)
        assert found.exit_code == 0, found.output
        assert len(found.stdout.splitlines()) > 5


@pytest.mark.parametrize("example", [e for e in EXAMPLES if e["kind"] == "python"], ids=lambda e: e["text"][:40])
def test_the_python_examples_run(example, folder):
    done = subprocess.run(
        [sys.executable, "-c", example["text"]], cwd=folder, capture_output=True, text=True, env=here()
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()


def here():
    import os

    return {**os.environ, "PYTHONPATH": str(ROOT)}


def test_the_scene_shown_is_clear_with_gaps_to_both_phases(folder):
    from clearance import check, read_scene

    result = check(read_scene(folder / "span.toml"))
    assert result.verdict == "clear"
    assert {gap.between for gap in result.stages[0].gaps} == {("A", "B"), ("A", "earth"), ("B", "earth")}


def test_every_command_is_in_the_readme_and_nothing_else():
    table = set(re.findall(r"^\| `clearance (\w+)", README, re.MULTILINE))
    assert table == set(get_command(app).commands)


@pytest.mark.parametrize("command", sorted(get_command(app).commands))
def test_every_command_has_help_and_every_option_says_what_it_does(command):
    found = CliRunner().invoke(app, [command, "--help"])
    assert found.exit_code == 0
    made = get_command(app).commands[command]
    assert made.help
    for parameter in made.params:
        assert getattr(parameter, "help", None), f"{command} {parameter.name}"


@pytest.mark.slow
def test_the_excerpt_of_the_demonstration_is_what_it_prints():
    """Every stage line of the excerpt, in the result of the built-in scene: number, name, verdict, margin."""
    from clearance.scene.builtin import builtin_scene

    excerpt = re.search(r"```text\n(.*?)```", README, re.DOTALL)
    shown = re.findall(r"^ *(\d+)  (.+?)  +○ (.+?)  +(\d+\.\d+)", excerpt.group(1), re.MULTILINE)
    assert len(shown) == 3
    printed = CliRunner().invoke(app, ["check", "--quiet", str(builtin_scene("demo"))]).stdout
    assert excerpt.group(1).splitlines()[0] == printed.splitlines()[0]
    assert excerpt.group(1).splitlines()[1] in printed
    found = re.findall(r"^ *(\d+)  (.+?)  +○ (.+?)  +(\d+\.\d+)", printed, re.MULTILINE)
    assert [line for line in found if line in shown] == shown


def test_the_files_it_names_are_there():
    for name in re.findall(r"\]\((\w[\w./]*)\)", README):
        assert (ROOT / name).exists(), name


def test_what_it_says_is_not_evaluated_is_what_results_say():
    from clearance.not_evaluated import NOT_EVALUATED

    said = " ".join(README.split())
    for line in NOT_EVALUATED:
        assert line.split(":")[0].split(" of the air")[0] in said


@pytest.mark.slow
def test_the_example_that_checks_a_scene_runs(tmp_path):
    two = {**small.CIRCUIT, "phases": ["A", "B"]}
    solids = [small.slab("bus A", bottom_m=9.0), small.slab("bus B", bottom_m=20.0, potential="B")]
    path = small.written(tmp_path, circuits=[two], solids=solids)
    script = ROOT / "examples" / "check_a_scene.py"
    done = subprocess.run([sys.executable, str(script), str(path)], capture_output=True, text=True, env=here())
    assert done.returncode == 0, done.stderr
    assert "through bus A > worker > ground" in done.stdout
    path = small.written(tmp_path, circuits=[two], solids=[{**solids[0], "centre_m": [0, 0, 3.5]}, solids[1]])
    done = subprocess.run([sys.executable, str(script), str(path)], capture_output=True, text=True, env=here())
    assert done.returncode == 1
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("format = 1\n")
    done = subprocess.run([sys.executable, str(script), str(wrong)], capture_output=True, text=True, env=here())
    assert (done.returncode, done.stdout) == (2, "")


def test_the_example_that_compares_overvoltages_shows_what_the_equation_gives(tmp_path):
    """Between T = 2.0 and 2.5 the limit to earth grows by 0.3048 x 0.011 x 245 / sqrt(3) x 0.5 = 0.237 m."""
    two = {**small.CIRCUIT, "phases": ["A", "B"]}
    solids = [small.slab("bus A", bottom_m=9.0), small.slab("bus B", bottom_m=30.0, potential="B")]
    path = small.written(tmp_path, circuits=[two], solids=solids)
    script = ROOT / "examples" / "compare_overvoltages.py"
    command = [sys.executable, str(script), str(path), "2.0", "2.5"]
    done = subprocess.run(command, capture_output=True, text=True, env=here())
    assert done.returncode == 0, done.stderr
    low, high = (float(value) for value in done.stdout.splitlines()[1].split()[-2:])
    assert low - high == pytest.approx(0.237, abs=0.02)


def test_the_example_that_builds_a_scene_is_clear_at_one_overvoltage_and_not_at_another(tmp_path):
    from clearance import read_scene

    script, path = ROOT / "examples" / "build_a_scene.py", tmp_path / "built.toml"
    done = subprocess.run([sys.executable, str(script), str(path)], capture_output=True, text=True, env=here())
    assert done.returncode == 0, done.stderr
    found = re.findall(r"T = ([\d.]+), scene (\w{12}): (\w+), least margin of a gap (-?[\d.]+) m", done.stdout)
    assert [(per_unit, verdict) for per_unit, _, verdict, _ in found] == [("2", "clear"), ("3.5", "breach")]
    assert float(found[0][3]) > 0 > float(found[1][3])
    digests = [digest for _, digest, _, _ in found]
    scene = read_scene(path)
    assert digests == [
        scene.sha256[:12], scene.changed_entry("circuits", "bay", overvoltage_per_unit=3.5).sha256[:12],
    ]  # fmt: skip
    assert len(set(digests)) == 2


def test_the_weather_it_shows_is_read_as_a_scenes_weather(tmp_path):
    import tomllib

    from clearance.scene.reading import read_scene
    from clearance.scene.records import Scene

    (shown,) = re.findall(r"```toml\n(\[weather\].*?)```", README, re.DOTALL)
    windy = ROOT / "scenes" / "windy_day.toml"
    assert set(tomllib.loads(shown)["weather"]) <= set(type(read_scene(windy).weather).model_fields)
    assert "weather" in Scene.model_fields


def test_every_scene_it_names_is_there():
    for name in re.findall(r"`(scenes/\w+\.toml)`", README):
        assert (ROOT / name).exists(), name


def test_the_job_it_shows_is_read_as_a_job():
    """Word for word: an entry that the format no longer has, or one that it newly requires, is refused here."""
    import tomllib

    from pydantic import TypeAdapter

    from clearance.scene.records_templates import Job, TakeOff

    (shown,) = re.findall(r"```toml\n(\[\[jobs\]\].*?)```", README, re.DOTALL)
    (job,) = tomllib.loads(shown)["jobs"]
    read = TypeAdapter(Job).validate_python(job)
    assert isinstance(read, TakeOff)
    assert [turn.wire for turn in read.turns] == ["dropper A"]


def test_its_table_of_statements_names_every_kind_and_no_other_and_every_key():
    from typing import get_args

    from clearance.scene.records_statements import Statement

    made = {get_args(kind.model_fields["kind"].annotation)[0]: kind for kind in get_args(get_args(Statement)[0])}
    table = README.split("| kind | takes away |")[1].split("\n\n")[0]
    rows = dict(re.findall(r"^\| `([a-z ]+)` \| (.*) \|$", table, re.MULTILINE))
    assert set(made) == set(rows)
    for kind in ("held", "may open", "confirmed"):
        keys = set(made[kind].model_fields) - {"kind", "basis", "by", "on", "wire"}
        assert keys <= set(re.findall(r"`(\w+)(?: = [^`]*)?`", rows[kind])), kind
