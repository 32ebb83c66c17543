"""Owns a scene as text: the TOML that reads back as the same scene.

To write a scene, use `write_scene`, or `scene_text` for its text; one value as TOML, `toml`. Only what is stated is
written, in the unit each record keeps and with every digit. Names of files stay as they are: they are relative to the
folder of the scene, so the text belongs there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from clearance.errors import InputError, Mistake
from clearance.scene.checks import named_files
from clearance.scene.digest import digest
from clearance.scene.messages import shown
from clearance.scene.reading import scene_of
from clearance.scene.records import Scene, SceneFile, where
from clearance.scene.records_base import Range, Record, Reference, stated


def scene_text(scene: Scene) -> str:
    """The scene as a scene file in its folder holds it.

    Raises: InputError where the text would not read back as the scene.
    """
    given = stated(scene)
    lines: list[str] = []
    for name in SceneFile.model_fields:
        if name in given and not _is_table(given[name]):
            lines.append(f"{name} = {toml(given[name])}")
    for name in SceneFile.model_fields:
        if name not in given or not _is_table(given[name]):
            continue
        entries = given[name]
        header = f"[{name}]" if isinstance(entries, Record) else f"[[{name}]]"
        for entry in (entries,) if isinstance(entries, Record) else entries:
            lines += ["", header, *table_lines(entry)]
    text = "\n".join(lines) + "\n"
    if (again := digest(scene_of(text.encode(), scene.folder / "scene.toml"))) != digest(scene):
        raise InputError(Mistake((*where(scene), "text"), "a text that reads back as the scene", f"scene {again[:12]}"))
    return text


def write_scene(scene: Scene, path: str | Path) -> None:
    """Write a scene to a file.

    Raises: InputError for a scene that names files, where the file would not stand in the folder of the scene: they
    would not be found from there; and for a file that cannot be written.
    """
    path = Path(path)
    elsewhere = [named for named in named_files(scene) if not _named_whole(scene, named[1])]
    try:
        if elsewhere and not path.parent.samefile(scene.folder):
            remedy = f"write it into {scene.folder}, or state whole paths"
            raise InputError(
                Mistake(place, f"a file that is found from {path.parent} too", shown(file.name), remedy)
                for place, file in elsewhere
            )
        path.write_text(scene_text(scene), encoding="utf-8", newline="\n")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(Mistake((str(path),), "a file that can be written", reason, "check the path")) from None


def table_lines(record: Record) -> Iterator[str]:
    """What a record states, a line each, in the order of the format."""
    given = stated(record)
    yield from (f"{name} = {toml(given[name])}" for name in type(record).model_fields if name in given)


def toml(value: object) -> str:
    """A value of a record as TOML.

    >>> toml(Range(0.0, 1.5)), toml(("a", True)), toml({"dropper A": "earth"})
    ('[0.0, 1.5]', '["a", true]', '{ "dropper A" = "earth" }')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Range):
        return toml(value.lo) if value.lo == value.hi else f"[{toml(value.lo)}, {toml(value.hi)}]"
    if isinstance(value, str | Reference):
        return _text(str(value)) if isinstance(value, str) else _text(_reference(value))
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, tuple | list):
        return f"[{', '.join(toml(item) for item in value)}]"
    if isinstance(value, Record):
        value = stated(value)
    if not isinstance(value, Mapping):
        raise TypeError(f"no TOML for {value!r}")
    fields = ((name, item) for name, item in value.items() if item is not None)
    return "{ " + ", ".join(f"{_key(name)} = {toml(item)}" for name, item in fields) + " }"


def _is_table(value: object) -> bool:
    entries = value if isinstance(value, tuple) else (value,)
    return bool(entries) and all(isinstance(entry, Record) for entry in entries)


def _named_whole(scene: Scene, file: Path) -> bool:
    """True for a file named by a whole path, which holds from any folder."""
    return not file.is_relative_to(scene.folder) and file.is_absolute()


def _reference(value: Reference) -> str:
    """With every digit: what is written must read back as it was."""
    return f"{value.name} {value.end}" if value.along_m is None else f"{value.name} @ {value.along_m!r}"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _text(name)


def _text(text: str) -> str:
    """A basic string; control characters as TOML escapes them."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda found: f"\\u{ord(found[0]):04x}", escaped) + '"'
