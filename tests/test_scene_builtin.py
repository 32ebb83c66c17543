"""Built-in scenes: found in a checkout, and carried by a wheel built from it."""

from __future__ import annotations

import subprocess
import sys
import zipfile

import pytest

from clearance.errors import InputError
from clearance.scene import builtin
from clearance.scene.builtin import builtin_names, builtin_scene


def test_a_checkout_uses_its_own_scenes(repository):
    assert builtin_scene() == repository / "scenes" / "demo.toml"
    assert builtin_names() == tuple(sorted(path.stem for path in (repository / "scenes").glob("*.toml")))


def test_an_unknown_name_gives_the_nearest():
    with pytest.raises(InputError, match='perhaps "demo" is meant'.capitalize()):
        builtin_scene("dem")


def test_an_installation_without_scenes_says_so(monkeypatch, tmp_path):
    monkeypatch.setattr(builtin, "_PACKAGE", tmp_path / "site" / "clearance")
    with pytest.raises(InputError, match="Install the package again"):
        builtin_scene()


@pytest.mark.slow
def test_a_wheel_carries_the_scenes_and_finds_them_outside_the_checkout(repository, tmp_path):
    build = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(tmp_path), str(repository)]
    subprocess.run(build, check=True)
    (wheel,) = tmp_path.glob("clearance-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        archive.extractall(tmp_path / "site")
    scenes = {
        path.relative_to(repository / "scenes").as_posix()
        for path in (repository / "scenes").rglob("*")
        if path.is_file()
    }
    assert {
        name.removeprefix("clearance/_scenes/") for name in names if name.startswith("clearance/_scenes/")
    } == scenes
    assert not [name for name in names if name.startswith("tests/")]
    code = "from clearance.scene.builtin import builtin_scene; print(builtin_scene())"
    found = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, {str(tmp_path / 'site')!r}); {code}"],
        cwd=tmp_path, check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert found.stdout.strip() == str(tmp_path / "site" / "clearance" / "_scenes" / "demo.toml")
