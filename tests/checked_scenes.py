"""The scenes that ship, each read, prepared and checked once for all tests of a run."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path

from clearance.pipeline import Prepared, check_prepared, prepare
from clearance.result import Result, StageResult
from clearance.scene.builtin import scenes_folder
from clearance.scene.reading import read_scene
from clearance.scene.records import Scene

NAMES = tuple(sorted(path.stem for path in scenes_folder().glob("*.toml")))


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
    return check_prepared(prepared(name))


def stage(found: Result, name: str) -> StageResult:
    (one,) = [stage for stage in found.stages if stage.name == name]
    return one


def changed(name: str, stages: tuple[str, ...], **changes) -> Scene:
    """A scene with only some of its stages, each with changes."""
    whole = scene(name)
    kept = tuple(stage.model_copy(update=changes) for stage in whole.stages if stage.name in stages)
    assert len(kept) == len(stages)
    return whole.model_copy(update={"stages": kept})
