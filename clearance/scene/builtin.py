"""Owns where the built-in scenes are: the repository's `scenes/` in a checkout, its copy in an installed wheel."""

from __future__ import annotations

from pathlib import Path

from clearance.errors import InputError, Mistake
from clearance.scene.messages import meant

_PACKAGE = Path(__file__).resolve().parents[1]


def scenes_folder() -> Path:
    """The folder of the built-in scenes; raises `InputError` where the installation lacks it."""
    checkout = _PACKAGE.parent
    # In a checkout the repository's own folder comes first: an editable install leaves a copy that grows old.
    for folder in (*([checkout / "scenes"] if (checkout / "pyproject.toml").is_file() else []), _PACKAGE / "_scenes"):
        if folder.is_dir():
            return folder
    place = ("built-in scenes",)
    raise InputError(Mistake(place, f"a folder {_PACKAGE / '_scenes'}", "nothing", "install the package again"))


def builtin_names() -> tuple[str, ...]:
    """Names of the built-in scenes, in alphabetical order."""
    return tuple(sorted(path.stem for path in scenes_folder().glob("*.toml")))


def builtin_scene(name: str = "demo") -> Path:
    """Path of a built-in scene; raises `InputError` for a name there is none of."""
    path = scenes_folder() / f"{name}.toml"
    if name not in builtin_names():
        raise InputError(Mistake(("built-in scene",), "the name of one", f'"{name}"', meant(name, builtin_names())))
    return path
