"""Owns stages as text: a scene file whose jobs are written out as stages that a person can edit and check again.

Everything else in the file stays as it was, comments included; comments inside the tables that are replaced go.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from clearance.errors import InputError, Mistake
from clearance.job.templates import expanded
from clearance.scene.records import Range, Reference, Scene, Stage

_HEADER = re.compile(r"\s*\[\[?\s*([A-Za-z][\w-]*)((\s*\.\s*[\w-]+)*)\s*\]\]?\s*(#.*)?")
REPLACED = ("jobs", "stages")


def written_out(scene: Scene, text: str) -> str:
    """The scene file `text` with its jobs as stages.

    scene: as read from that text

    Raises: InputError as `expanded`, and where the file holds its jobs in a form that cannot be cut out.
    """
    found = expanded(scene)
    kept = "\n".join(_without(text)).rstrip() + "\n"
    whole = kept + "".join("\n" + "\n".join(_stage(stage)) + "\n" for stage in found.stages)
    before, after = tomllib.loads(text), tomllib.loads(whole)
    if {**before, "jobs": 0, "stages": 0} != {**after, "jobs": 0, "stages": 0}:
        expected = "jobs and stages as tables of their own, [[jobs]] and [[stages]]"
        place = (str(scene.path) if scene.path is not None else f"scene '{scene.name}'", "jobs")
        raise InputError(Mistake(place, expected, "another form", "write each under its own header"))
    return whole


def _without(text: str) -> Iterator[str]:
    """Lines of a file but those of the tables that are replaced, and of comments right above their headers."""
    waiting: list[str] = []
    inside = False
    for line in text.splitlines():
        header = _HEADER.fullmatch(line)
        if header is not None:
            was, inside = inside, header[1] in REPLACED
            if not inside:
                yield from waiting if not was else [""] + [w for w in waiting if w.strip()]
            waiting = []
            if not inside:
                yield line
        elif not line.strip() or line.lstrip().startswith("#"):
            waiting.append(line)
        else:
            if not inside:
                yield from waiting
                yield line
            waiting = []
    if not inside:
        yield from waiting


def _stage(stage: Stage) -> Iterator[str]:
    """One stage as lines of TOML: what it states, nothing else."""
    yield "[[stages]]"
    for name in Stage.model_fields:
        value = getattr(stage, name)
        if value != Stage.model_fields[name].get_default():
            yield f"{name} = {toml(value)}"


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
    fields: Mapping[str, Any]
    if isinstance(value, BaseModel):
        fields = {name: getattr(value, name) for name in value.model_fields_set}
    elif isinstance(value, Mapping):
        fields = value
    else:
        raise TypeError(f"no TOML for {value!r}")
    return "{ " + ", ".join(f"{_key(name)} = {toml(item)}" for name, item in fields.items()) + " }"


def _reference(value: Reference) -> str:
    """With every digit: what is written must read back as it was."""
    return f"{value.name} {value.end}" if value.along_m is None else f"{value.name} @ {value.along_m!r}"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _text(name)


def _text(text: str) -> str:
    """A basic string; control characters as TOML escapes them."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda found: f"\\u{ord(found[0]):04x}", escaped) + '"'
