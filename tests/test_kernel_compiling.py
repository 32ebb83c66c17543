"""What is compiled ahead, and by which process: all of it for the types that are asked for, and whatever happens."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from clearance import check, read_scene
from clearance.kernel import compiling


def names(part):
    return [function.py_func.__name__ for function, _ in part]


def test_what_is_compiled_ahead_is_what_a_check_calls(repository):
    """A list of types that a check does not ask for would make every first run compile twice."""
    parts = compiling.parts()
    for part in parts:
        compiling._compile(part)
    check(read_scene(repository / "scenes" / "track_near_column.toml"))
    for part in parts:
        for function, given in part:
            assert len(function.signatures) == 1, function.py_func.__name__
            assert len(function.signatures[0]) == len(given)
    assert len({name for part in parts for name in names(part)}) == sum(map(len, parts))


@pytest.fixture
def made(monkeypatch, tmp_path):
    """A folder without a kernel, and the functions that were compiled for it, by name."""
    found = []
    monkeypatch.setattr(compiling, "FOLDER", tmp_path)
    monkeypatch.setattr(compiling, "_compile", lambda part: found.extend(names(part)))
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    return found


def test_with_a_kernel_in_the_cache_nothing_is_begun(made, monkeypatch, tmp_path):
    (tmp_path / compiling.WHOLE).touch()
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: pytest.fail("a process was started"))
    compiling.begin()
    compiling.finish()
    assert made == []


def test_the_second_process_is_waited_for_before_what_needs_both(made, monkeypatch, tmp_path):
    order = []

    class Process:
        def __init__(self, command, **_):
            assert command[0] == sys.executable

        def wait(self, seconds):
            order.append(list(made))

    monkeypatch.setattr(subprocess, "Popen", Process)
    compiling.finish()
    here, other, last = compiling.parts()
    assert order == [names(here)]
    assert made == names(here) + names(other) + names(last)
    assert compiling.compiled_before()
    assert not compiling._BESIDE


def test_without_a_second_process_all_is_compiled_here(made, monkeypatch):
    def refused(*_, **__):
        raise OSError("no more processes")

    monkeypatch.setattr(subprocess, "Popen", refused)
    compiling.finish()
    assert made == [name for part in compiling.parts() for name in names(part)]


def test_a_second_process_that_does_not_end_is_ended(made, monkeypatch):
    def asleep(command, **given):
        return real([command[0], "-c", "import time; time.sleep(60)"], **given)

    real = subprocess.Popen
    monkeypatch.setattr(subprocess, "Popen", asleep)
    monkeypatch.setattr(compiling, "PATIENCE_S", 0.1)
    compiling.begin()
    (process,) = compiling._BESIDE
    compiling.finish()
    assert process.returncode != 0
    assert made == [name for part in compiling.parts() for name in names(part)]


def test_one_processor_is_left_to_itself(made, monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: pytest.fail("a process was started"))
    compiling.begin()


PROGRAM = """
import sys
from clearance import check, read_scene
print(check(read_scene(sys.argv[1])).to_json())
"""


@pytest.mark.slow
def test_two_processes_compile_the_same_kernel_once(tmp_path, repository):
    """From an empty cache and from a full one the result is the same, byte for byte; the second run adds nothing."""
    scene = repository / "scenes" / "track_near_column.toml"
    told = []
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", PROGRAM, str(scene)],
            env={**os.environ, "PYTHONPATH": str(repository), "NUMBA_CACHE_DIR": str(tmp_path)},
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=True,
        )
        files = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
        told.append((done.stdout, files))
    assert any(path.name == compiling.WHOLE for path in told[0][1])
    assert told[0] == told[1]
