"""The record of a check: one archive, the same bytes each time, replayed to the same result; changed ones refused."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from dataclasses import replace

import pytest
import small_scenes as small
from test_briefing import CLIMB, PARTS
from typer.testing import CliRunner

from clearance import record
from clearance.cli import app
from clearance.errors import InputError
from clearance.pipeline import check
from clearance.scene.reading import read_scene
from clearance.scene.records import Scene, SceneFile


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A scene whose ground is in a file beside its folder."""
    top = tmp_path_factory.mktemp("site")
    (top / "job").mkdir()
    (top / "data").mkdir()
    (top / "data" / "heights.csv").write_text("0,0,0\n0,0,0\n0,0,0\n")
    ground = {"kind": "grid", "file": "../data/heights.csv", "corner_m": [-60, -60], "spacing_m": 60}
    small.written(top / "job", **{**PARTS, "stages": [CLIMB], "ground": ground})
    return top


@pytest.fixture(scope="module")
def scene(folder):
    return read_scene(folder / "job" / "small.toml")


@pytest.fixture(scope="module")
def result(scene):
    return check(scene, 0.01)


@pytest.fixture(scope="module")
def archive(scene, result):
    return record.packed(scene, result)


def changed(archive, name, content, honest=False):
    """The archive with one file changed; an honest one gets the new digest in its record."""
    source = zipfile.ZipFile(io.BytesIO(archive))
    files = {entry: source.read(entry) for entry in source.namelist()}
    files[name] = content
    if honest:
        about = json.loads(files["record.json"])
        about["files"][name] = hashlib.sha256(content).hexdigest()
        files["record.json"] = json.dumps(about).encode()
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as made:
        for entry, data in files.items():
            made.writestr(entry, data)
    return stream.getvalue()


def test_it_holds_scene_inputs_and_result_where_they_stood_to_one_another(archive, scene, result):
    found = zipfile.ZipFile(io.BytesIO(archive))
    assert found.namelist() == ["inputs/data/heights.csv", "inputs/job/small.toml", "record.json", "result.json"]
    assert found.read("result.json").decode() == result.to_json()
    assert found.read("inputs/job/small.toml") == scene.path.read_bytes()
    about = json.loads(found.read("record.json"))
    assert (about["scene"], about["scene_sha256"]) == ("inputs/job/small.toml", scene.sha256)


def test_the_same_check_gives_the_same_bytes(archive, scene):
    assert record.packed(scene, check(scene, 0.01)) == archive


def test_it_replays_to_the_same_digest(archive, tmp_path, scene):
    path = tmp_path / "kept.zip"
    path.write_bytes(archive)
    with record.opened(path) as kept:
        assert kept.scene.sha256 == scene.sha256
        assert kept.tolerance_m == 0.01
        found = record.compared(kept, check(kept.scene, kept.tolerance_m))
    assert found == record.Comparison(True, (), 0.0)


def test_the_commands_write_and_replay_it(folder, tmp_path):
    path = tmp_path / "kept.zip"
    written = CliRunner().invoke(app, ["record", str(folder / "job" / "small.toml"), "--out", str(path)])
    assert written.exit_code == 0, written.output
    assert hashlib.sha256(path.read_bytes()).hexdigest() in written.stderr
    again = CliRunner().invoke(app, ["check", str(path), "--json", str(tmp_path / "again.json")])
    assert again.exit_code == 0, again.output
    digest = hashlib.sha256((tmp_path / "again.json").read_bytes()).hexdigest()
    assert f"scene and result as recorded, sha256 {digest}" in again.stderr
    assert zipfile.ZipFile(path).read("result.json") == (tmp_path / "again.json").read_bytes()


WRONG = {
    "a changed scene": lambda a: changed(a, "inputs/job/small.toml", b"format = 1\n"),
    "a changed input": lambda a: changed(a, "inputs/data/heights.csv", b"0,0,1\n0,0,0\n0,0,0\n"),
    "a changed result": lambda a: changed(a, "result.json", b"{}"),
    "a changed input whose digest was changed too": lambda a: changed(
        a, "inputs/data/heights.csv", b"0,0,1\n0,0,0\n0,0,0\n", honest=True
    ),
    "no record": lambda a: changed(a, "record.json", b"{}"),
    "half of it": lambda a: a[: len(a) // 2],
    "nothing": lambda a: b"",
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_not_as_it_was_written_is_refused(archive, tmp_path, name):
    path = tmp_path / "kept.zip"
    path.write_bytes(WRONG[name](archive))
    with pytest.raises(InputError) as caught, record.opened(path):
        pass
    assert str(path) in str(caught.value) or "small.toml" in str(caught.value)


def test_nothing_is_written_outside_the_folder(archive, tmp_path):
    about = json.loads(zipfile.ZipFile(io.BytesIO(archive)).read("record.json"))
    about["files"]["../evil.txt"] = hashlib.sha256(b"x").hexdigest()
    path = tmp_path / "kept.zip"
    path.write_bytes(changed(changed(archive, "../evil.txt", b"x"), "record.json", json.dumps(about).encode()))
    with pytest.raises(InputError) as caught, record.opened(path):
        pass
    assert "../evil.txt" in str(caught.value)
    assert not (tmp_path.parent / "evil.txt").exists()


def test_a_scene_changed_in_python_is_kept_as_it_was_checked(archive, scene, tmp_path):
    changed = scene.changed_entry("circuits", "bay", overvoltage_per_unit=2.6)
    kept = record.packed(changed, check(changed, 0.01))
    assert (changed.path, changed.sha256 == scene.sha256) == (scene.path, False)
    (tmp_path / "kept.zip").write_bytes(kept)
    with record.opened(tmp_path / "kept.zip") as found:
        assert found.scene.circuits[0].overvoltage_per_unit == 2.6
        assert found.scene.sha256 == changed.sha256
        assert record.compared(found, check(found.scene, found.tolerance_m)).same
    made = Scene(**{name: getattr(scene, name) for name in SceneFile.model_fields}, folder=scene.folder)
    (tmp_path / "made.zip").write_bytes(record.packed(made, check(made, 0.01)))
    with record.opened(tmp_path / "made.zip") as found, record.opened(tmp_path / "kept.zip") as other:
        assert found.scene.path.name == "scene.toml"
        assert found.scene.sha256 == scene.sha256 != other.scene.sha256


def test_the_result_of_another_scene_is_not_kept(scene, result):
    changed = scene.changed_entry("circuits", "bay", overvoltage_per_unit=2.6)
    with pytest.raises(InputError, match="expected the result of this scene"):
        record.packed(changed, result)


def test_a_path_that_holds_on_this_machine_only_is_refused(folder, result):
    ground = {"kind": "grid", "file": str(folder / "data" / "heights.csv"), "corner_m": [-60, -60], "spacing_m": 60}
    (folder / "fixed").mkdir(exist_ok=True)
    fixed = read_scene(small.written(folder / "fixed", **{**PARTS, "stages": [CLIMB], "ground": ground}))
    with pytest.raises(InputError) as caught:
        record.packed(fixed, replace(result, sha256=fixed.sha256))
    assert "expected a path from the folder of the scene" in str(caught.value)


def test_a_replay_with_another_verdict_is_told_by_stage(archive, tmp_path, result):
    path = tmp_path / "kept.zip"
    path.write_bytes(archive)
    stage = result.stages[0]
    gap = stage.gaps[0]
    worse = replace(gap, posture=replace(gap.posture, verdict="breach", gap_lower_m=gap.posture.gap_lower_m - 0.25))
    other = replace(result, stages=(replace(stage, gaps=(worse, *stage.gaps[1:])),))
    with record.opened(path) as kept:
        found = record.compared(kept, other)
    assert found.verdicts == (("climb", "clear", "breach"),)
    assert found.most_m == pytest.approx(0.25)
