"""The command line: exit codes, what goes to stdout and stderr, what is written, and what is not imported.

The checks themselves are stood in for: a stub gives each scene the verdict its name states.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import types

import pytest
from typer.testing import CliRunner

from clearance.cli import app, doctor
from clearance.errors import MissingExtra, RuleError
from clearance.result import Collision as CollisionResult
from clearance.result import Measure, Result, StageResult

VERDICTS = ("clear", "breach", "undecided")


def result_of(verdict):
    measure = Measure(verdict, 0.0, 1.0, 1.1, {}, (), ("ladder", "ground"), ())
    stage = StageResult("work", "work", {}, (), (), (), (CollisionResult("ladder", measure),))
    return Result(verdict, "0" * 64, "0.1.0", 0.005, (stage,))


@pytest.fixture
def stub(monkeypatch, tmp_path, repository):
    """Stand-ins for the pipeline and its writers, and scenes named by what they are to give; the calls they got."""
    calls = []
    right = (repository / "tests" / "messages" / "nothing_wrong.toml").read_text()
    for name in (*VERDICTS, "refused", "defect", "interrupted", "undrawable", "unwritable"):
        (tmp_path / f"{name}.toml").write_text(right.replace('name = "bay"', f'name = "{name}"'))
    (tmp_path / "broken.toml").write_text(right.replace("length_m = 8", "lenght_m = 8"))

    def prepare(scene):
        return types.SimpleNamespace(site=types.SimpleNamespace(scene=scene))

    def check_prepared(prepared, tolerance_m, progress):
        scene = prepared.site.scene
        calls.append((scene.name, tolerance_m))
        progress("sweeping", scene.name)
        if scene.name == "refused":
            raise RuleError("osha-1910.269: 60 kV lies outside its table")
        if scene.name == "defect":
            raise ZeroDivisionError("division by zero")
        if scene.name == "interrupted":
            raise KeyboardInterrupt
        return result_of(scene.name if scene.name in VERDICTS else "clear")

    def draw_all(scene, result, settings, folder, progress):
        progress("plan")
        if scene.name == "undrawable":
            raise MissingExtra("drawings need matplotlib: pip install matplotlib")
        if scene.name == "unwritable":
            raise PermissionError(13, "Permission denied")
        (folder / "plan.svg").write_text("<svg/>")
        return [folder / "plan.svg"]

    def stand_in(name, **functions):
        module = types.ModuleType(name)
        module.__dict__.update(functions)
        monkeypatch.setitem(sys.modules, name, module)

    def print_result(result, console):
        console.print(f"verdict: {result.verdict}")

    stand_in("clearance.pipeline", prepare=prepare, check_prepared=check_prepared, all_settings=lambda prepared: {})
    stand_in("clearance.report.text", print_result=print_result)
    stand_in("clearance.report.drawings", draw_all=draw_all)

    def written(prepared, result, file, drawings):
        file.write_text("<!doctype html>")
        return file

    stand_in("clearance.cli.page", written=written)
    monkeypatch.setattr(os, "cpu_count", lambda: 1)  # stand-ins are not there in another process
    monkeypatch.chdir(tmp_path)
    return calls


def run(*arguments):
    return CliRunner().invoke(app, list(arguments))


@pytest.mark.parametrize(
    ("name", "code"), [("clear", 0), ("breach", 1), ("undecided", 3), ("broken", 2), ("refused", 2)]
)
def test_exit_code_of_one_scene(stub, name, code):
    assert run("check", f"{name}.toml").exit_code == code


@pytest.mark.parametrize(
    ("names", "code"),
    [
        (("clear", "clear"), 0),
        (("clear", "undecided"), 3),
        (("undecided", "breach", "clear"), 1),
        (("broken", "breach", "undecided"), 2),
        (("breach", "refused"), 2),
    ],
)
def test_exit_code_of_several_scenes_is_the_worst(stub, names, code):
    assert run("check", *(f"{name}.toml" for name in names)).exit_code == code


def test_a_scene_that_cannot_be_read_does_not_stop_the_others(stub):
    done = run("check", "broken.toml", "missing.toml", "clear.toml")
    assert (done.exit_code, done.stdout) == (2, "verdict: clear\n")
    assert 'unknown key "lenght_m"' in done.stderr
    assert "missing.toml: expected a scene file, found nothing" in done.stderr
    assert "Traceback" not in done.output


def test_a_defect_is_no_verdict(stub):
    # Python ends with 1 on an uncaught exception, which would read as a breach.
    done = run("check", "defect.toml")
    assert done.exit_code == 2
    assert "ZeroDivisionError" in done.stderr
    assert "no verdict was reached" in done.stderr


def test_interrupting_ends_with_130(stub):
    done = run("check", "interrupted.toml", "breach.toml")
    assert (done.exit_code, done.stdout) == (130, "")


def test_the_tolerance_is_handed_on(stub):
    run("check", "clear.toml")
    run("check", "clear.toml", "--tolerance-m", "0.02")
    assert stub == [("clear", 0.005), ("clear", 0.02)]


@pytest.mark.parametrize("value", ["0", "-1", "nan", "five"])
def test_a_tolerance_that_cannot_be_is_refused(stub, value):
    done = run("check", "clear.toml", "--tolerance-m", value)
    assert (done.exit_code, stub) == (2, [])


@pytest.mark.parametrize("arguments", [("chek",), ("check",), ("check", "clear.toml", "--jsn", "x"), ("demo", "extra")])
def test_wrong_usage_ends_with_2(stub, arguments):
    assert run(*arguments).exit_code == 2


def test_json_of_one_scene_is_its_result(stub, tmp_path):
    assert run("check", "breach.toml", "--json", "result.json").exit_code == 1
    assert (tmp_path / "result.json").read_text() == result_of("breach").to_json()
    assert not list(tmp_path.glob(".*"))  # what was written beside has been renamed


def test_json_of_several_scenes_is_one_list_that_names_what_failed(stub, tmp_path):
    assert run("check", "clear.toml", "broken.toml", "breach.toml", "--json", "all.json").exit_code == 2
    whole = json.loads((tmp_path / "all.json").read_text())
    assert [result["verdict"] for result in whole["results"]] == ["clear", "breach"]
    assert whole["format"] == 1
    assert [entry["scene"] for entry in whole["failed"]] == ["broken.toml"]
    assert run("check", "clear.toml", "breach.toml", "--json", "all.json").exit_code == 1
    assert "failed" not in json.loads((tmp_path / "all.json").read_text())


def test_no_json_is_written_where_nothing_was_checked(stub, tmp_path):
    done = run("check", "broken.toml", "--json", "result.json")
    assert done.exit_code == 2
    assert not (tmp_path / "result.json").exists()
    assert "result.json was not written" in done.stderr


def test_a_json_file_in_no_folder_is_refused_before_the_work(stub):
    done = run("check", "clear.toml", "--json", "nowhere/result.json")
    assert (done.exit_code, stub) == (2, [])
    assert "--json: nowhere/result.json: expected a file in a folder that is there" in done.stderr


def test_a_json_file_that_cannot_be_written_gives_a_message(stub, tmp_path):
    (tmp_path / "taken").mkdir()
    done = run("check", "clear.toml", "--json", "taken")
    assert done.exit_code == 2
    assert "--json: taken: expected a file that can be written" in done.stderr
    assert not list(tmp_path.glob(".*"))


def test_drawings_of_one_scene_and_of_several(stub, tmp_path):
    run("check", "clear.toml", "--out", "one")
    assert (tmp_path / "one" / "plan.svg").is_file()
    run("check", "clear.toml", "breach.toml", "--out", "two")
    assert [(tmp_path / "two" / name / "plan.svg").is_file() for name in ("clear", "breach")] == [True, True]


@pytest.mark.slow
def test_several_scenes_at_once_give_what_they_give_one_by_one(tmp_path, repository):
    names = [str(repository / "scenes" / f"{name}.toml") for name in ("windy_day", "track_near_column")]
    (tmp_path / "wrong.toml").write_text("format = 1")
    done = {}
    for workers in (1, 2):
        file = tmp_path / f"{workers}.json"
        command = [
            sys.executable,
            "-c",
            "from clearance.cli import main; main()",
            "check",
            names[0],
            "wrong.toml",
            names[1],
            "--json",
            str(file),
        ]
        ran = subprocess.run([*command, "--workers", str(workers)], capture_output=True, text=True, check=False,
                             timeout=300, cwd=tmp_path)  # fmt: skip
        done[workers] = ran.returncode, ran.stdout, ran.stderr.replace(file.name, "all.json"), file.read_bytes()

    assert done[1] == done[2]
    assert done[1][0] == 2
    assert len(json.loads(done[1][3])["results"]) == 2


@pytest.mark.parametrize(
    ("name", "said"), [("undrawable", "pip install matplotlib"), ("unwritable", "permission denied")]
)
def test_drawings_that_cannot_be_made_are_no_success(stub, tmp_path, name, said):
    done = run("check", f"{name}.toml", "--out", "drawings", "--json", "result.json")
    assert (done.exit_code, "verdict: clear" in done.stdout) == (2, True)
    assert said in done.stderr


def test_demo_checks_the_built_in_scene_and_says_where(stub, tmp_path, monkeypatch, repository):
    monkeypatch.setattr("clearance.scene.builtin.builtin_scene", lambda name: tmp_path / "breach.toml")

    @contextlib.contextmanager
    def second_process(path):
        yield lambda result, folder: lambda: [folder / f"{path.stem} {result.verdict}.html"]

    # The module is behind the command of its name in `clearance.cli`.
    monkeypatch.setattr(sys.modules["clearance.cli.demo"], "second_process", second_process)
    done = run("demo")
    assert done.exit_code == 1
    folder = tmp_path / "clearance-demo"
    assert json.loads((folder / "result.json").read_text())["verdict"] == "breach"
    written = ["  result.json", "  plan.svg", "  page.html", "  briefing/breach breach.html"]
    assert done.stdout.splitlines()[-5:] == [f"In {folder}:", *written]


def test_progress_stays_off_what_is_no_terminal(stub):
    assert run("check", "clear.toml").stderr == ""


def test_schema_on_stdout_and_in_a_file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    printed = run("schema")
    assert run("schema", "--out", "scene.schema.json").exit_code == printed.exit_code == 0
    assert (tmp_path / "scene.schema.json").read_text() == printed.stdout
    assert json.loads(printed.stdout)["title"] == "clearance scene, format 1"


def test_version():
    from importlib.metadata import version

    assert run("--version").stdout == f"clearance {version('clearance')}\n"


def in_new_process(code):
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=120)


HEAVY = ("numba", "scipy", "matplotlib", "trimesh", "laspy", "pyvista", "vtk")


@pytest.mark.parametrize(
    ("arguments", "heavy"),
    [
        (["--help"], (*HEAVY, "numpy", "shapely")),
        (["check", "--help"], (*HEAVY, "numpy", "shapely")),
        (["distances", "--highest-kV", "245", "--rule", "osha-1910.269"], HEAVY),
        (["schema"], HEAVY),
    ],
)
def test_light_commands_import_nothing_heavy(arguments, heavy):
    code = f"""
import sys
from clearance.cli import main
try:
    main({arguments!r})
except SystemExit as stop:
    assert not stop.code, stop.code
print("imported:", [name for name in {heavy!r} if name in sys.modules])
"""
    done = in_new_process(code)
    assert done.stdout.splitlines()[-1:] == ["imported: []"], done.stdout[-300:] + done.stderr


def test_reading_a_scene_imports_no_compiler(repository):
    path = repository / "tests" / "messages" / "whole" / "whole.toml"
    code = f"""
import sys
from clearance.scene.reading import read_scene
read_scene({str(path)!r})
print([name for name in {HEAVY!r} if name in sys.modules])
"""
    done = in_new_process(code)
    assert done.stdout == "[]\n", done.stderr


def test_a_reader_that_goes_away_is_no_breach():
    code = "import sys; from clearance.cli import main; main(['schema'])"
    # With PYTHONUNBUFFERED Python itself overlooks that a write was cut short.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    command = [sys.executable, "-c", code]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment) as process:
        process.stdout.read(1)
        process.stdout.close()
        said = process.stderr.read().decode()
    assert (process.returncode, said) == (2, "")


def test_doctor_says_what_is_there(monkeypatch):
    monkeypatch.setattr(doctor_module(), "rendered", lambda window: (window == "vtkOSOpenGLRenderWindow", "no display"))
    monkeypatch.setattr("importlib.util.find_spec", lambda name: object())
    monkeypatch.setattr(doctor_module(), "version", lambda name: "1.0")
    done = run("doctor")
    assert done.exit_code == 0
    assert "yes  3D pictures: pyvista 1.0 draws off screen with vtkOSOpenGLRenderWindow" in done.stdout


def test_doctor_gives_the_line_that_installs_what_is_missing(monkeypatch):
    module = doctor_module()
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert module.pictures().remedy == "pip install 'clearance[view]'"
    monkeypatch.setattr("importlib.util.find_spec", lambda name: object())
    monkeypatch.setattr(module, "rendered", lambda window: (False, "ended by signal 6"))
    found = module.pictures()
    assert found.remedy == "apt-get install -y --no-install-recommends libegl1 libgl1-mesa-dri"
    assert "vtkEGLRenderWindow: ended by signal 6" in found.detail
    monkeypatch.setattr(module, "browser", lambda: None)
    monkeypatch.setattr(module, "version", lambda name: "70.0")
    assert module.printed().detail == "weasyprint 70.0"
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert module.printed().remedy == "apt-get install -y --no-install-recommends chromium"


def test_an_ffmpeg_is_taken_only_where_it_lists_the_encoder(monkeypatch, tmp_path):
    """The lines as ffmpeg 9.0.2 prints them; a name that only begins alike, and a program that fails, are none."""
    from clearance.view import probe

    lines = {
        "other": "V....D libx264rgb           libx264 H.264 RGB (codec h264)",
        "has": "V....D libx264              libx264 H.264 / AVC (codec h264)",
    }
    for name, line in lines.items():
        (tmp_path / name).write_text(f"#!/bin/sh\necho ' {line}'\n")
        (tmp_path / name).chmod(0o755)
    gone, other, has = (str(tmp_path / name) for name in ("gone", "other", "has"))
    for there, first, detail, line in (
        ((gone, other, has), has, has, ""),
        ((gone, other), None, "no ffmpeg that has libx264; GIF needs none", "pip install 'clearance[video]'"),
    ):
        monkeypatch.setattr(probe, "_ffmpegs", lambda there=there: iter(there))
        assert probe.encoder() == first
        found = doctor_module().mp4()
        assert (found.able, found.detail, found.remedy) == (first is not None, detail, line)


@pytest.mark.parametrize(
    ("probe", "expected"),
    [
        ("print('OK')", (True, "")),
        ("print('EMPTY')", (False, "an empty picture")),
        ("import os; os.abort()", (False, "ended by signal 6")),
        ("print('OK', flush=True); import os; os.abort()", (False, "ended by signal 6")),
        ("raise RuntimeError('no window')", (False, "RuntimeError: no window")),
        ("import time; time.sleep(60)", (False, "no picture after 1 s")),
    ],
)
def test_a_picture_is_believed_only_with_return_code_0_and_its_line(monkeypatch, probe, expected):
    from clearance.view import probe as module

    monkeypatch.setattr(module, "SMALL", probe)
    monkeypatch.setattr(module, "PROBE_S", 1 if "sleep" in probe else 60)
    assert module.rendered("vtkEGLRenderWindow") == expected


def doctor_module():
    return sys.modules[doctor.__module__]


def test_the_stand_ins_take_what_the_real_ones_take():
    # So that a change of the pipeline or the writers fails here, not in front of an engineer.
    from inspect import signature

    from clearance.pipeline import all_settings, check_prepared, prepare
    from clearance.report.drawings import draw_all
    from clearance.report.text import print_result

    signature(prepare).bind("scene")
    signature(check_prepared).bind("prepared", 0.005, print)
    signature(all_settings).bind("prepared")
    signature(draw_all).bind("scene", "result", {}, "folder", print)
    signature(print_result).bind("result", "console")
