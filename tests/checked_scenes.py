"""The scenes that ship, each read, prepared and checked once for all tests of a run; and what else is made once."""

from __future__ import annotations

import os
import pickle
import re
import tempfile
import time
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import pytest

from clearance.pipeline import Prepared, check_prepared, prepare
from clearance.result import Result, StageResult
from clearance.scene.builtin import scenes_folder
from clearance.scene.reading import read_scene
from clearance.scene.records import Scene

NAMES = tuple(sorted(path.stem for path in scenes_folder().glob("*.toml")))
LARGE = ("aerial_device", "demo", "job_three_phases", "ladder_on_conductor", "measured_span", "sloping_double_circuit")
"""Their checks take ten seconds and more each, the demonstration's more than a minute; every other is in every run."""

LONG = ("job_three_phases",)
"""Checked without what it would be without its statements, which are those of the demonstration: that takes minutes."""


def each(names: tuple[str, ...] = NAMES) -> list[object]:
    """The names of scenes as parameters of a test, large ones among the slow tests."""
    return [pytest.param(name, marks=pytest.mark.slow if name in LARGE else ()) for name in names]


def path_of(name: str) -> Path:
    return scenes_folder() / f"{name}.toml"


def expected(name: str) -> str:
    """The verdict that the header of a scene promises."""
    header = re.match(r"(?:#.*\n)+", path_of(name).read_text()).group()
    (verdict,) = re.findall(r"^# expected verdict: (clear|breach|undecided)$", header, re.MULTILINE)
    return verdict


@lru_cache
def scene(name: str) -> Scene:
    return read_scene(path_of(name))


@lru_cache
def prepared(name: str) -> Prepared:
    return prepare(scene(name))


@lru_cache
def result(name: str) -> Result:
    """A scene's result, checked once for all processes of a test run."""
    return once_a_run(name, lambda: check_prepared(prepared(name), withdraw=name not in LONG))


def once_a_run(name: str, make: Callable[[], Result]) -> Result:
    """What `make` gives, made by one process of a test run and read by the others."""
    run = os.environ.get("PYTEST_XDIST_TESTRUNUID")
    if run is None:
        return make()
    folder = Path(tempfile.gettempdir()) / f"clearance-checked-{run}"
    folder.mkdir(exist_ok=True)
    kept = folder / f"{name}.pickle"
    try:
        # Whoever makes the file that says so makes the result; the others wait for it.
        (folder / f"{name}.begun").touch(exist_ok=False)
    except FileExistsError:
        while not kept.exists():
            time.sleep(0.2)
        found: Result = pickle.loads(kept.read_bytes())
        return found
    made: Result | None = None
    try:
        made = make()
    finally:
        beside = kept.with_suffix(".part")
        beside.write_bytes(pickle.dumps(made))
        beside.replace(kept)
    return made


def stage(found: Result, name: str) -> StageResult:
    (one,) = [stage for stage in found.stages if stage.name == name]
    return one


def changed(name: str, stages: tuple[str, ...], **changes) -> Scene:
    """A scene with only some of its stages, each with changes."""
    whole = scene(name)
    kept = tuple(stage.model_copy(update=changes) for stage in whole.stages if stage.name in stages)
    assert len(kept) == len(stages)
    return whole.model_copy(update={"stages": kept})
