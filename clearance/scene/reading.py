"""Owns the way from a scene file to the tables a `Scene` is made of: find the file, read it, parse it.

To read a scene, use `read_scene`; of a text, `scene_of`. Conversion of units and all checks are those of every `Scene`
(`clearance.scene.making`). Checks that need geometry or a rule's table are made where the scene is assembled, and raise
the same error.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from clearance.errors import InputError, Mistake
from clearance.scene.records import Scene


def read_scene(path: str | Path) -> Scene:
    """The scene in a TOML file.

    Raises `InputError` with every mistake found: a file that cannot be read or parsed, unknown keys, wrong units,
    missing or impossible values, names that do not fit together, files that are named but missing.
    """
    path = Path(path)
    return scene_of(_bytes_of(path), path)


def scene_of(content: bytes, path: Path) -> Scene:
    """The scene whose file at `path` holds, or is going to hold, this content. Raises `InputError` as `read_scene`."""
    return Scene.model_validate(_parsed(path, content), context={"file": path})


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        reason = "nothing" if isinstance(error, FileNotFoundError) else (error.strerror or str(error)).lower()
        raise InputError(Mistake((str(path),), "a scene file", reason, "check the path")) from None


def _parsed(path: Path, content: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        mistake = Mistake((str(path), f"line {line}"), "text in UTF-8", "other bytes", "save the file as UTF-8")
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        at = re.search(r"line (\d+), column (\d+)", said)
        line_text = f"line {at[1]}, column {at[2]}" if at else "end of file"
        reason = re.sub(r"\s*\(at [^)]*\)$", "", said)
        mistake = Mistake((str(path), line_text), "TOML", f"a mistake in its syntax ({reason})", "mend that line")
    raise InputError(mistake)
