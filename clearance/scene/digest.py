"""Owns the digest of a scene: of all it says and of every byte of the files it names, not of how it is written.

Comments, the order of keys and units do not matter. A length in feet and one in metres that are the same number are the
same scene, as units are converted exactly and rounded once (`clearance.scene.units`). Whether a default is spelled out
does matter: what is left out may count against a scene that would be clear if it said so (`clearance.scene.unstated`).
What is neither stated nor other than its default is no part of it, so that a key the format gains later changes no
digest; nor is a list that is empty as by default.
"""

from __future__ import annotations

import hashlib
import json
import time
from functools import lru_cache
from pathlib import Path
from typing import Any

from clearance.errors import InputError, Mistake
from clearance.scene.checks import named_files
from clearance.scene.records import Range, Record, Reference, Scene, SceneFile
from clearance.scene.records_base import stated

SETTLED_S = 2.0
"""[s] A file whose last change is older has a time stamp that a later change cannot share (2 s on the coarsest file
system in use); a younger one is read again each time."""


def digest(scene: Scene) -> str:
    """SHA-256 of a scene's content and of the SHA-256 of each file it names, in the order it names them.

    Raises: InputError for a file that cannot be read.
    """
    told = json.dumps(_told(scene), sort_keys=True, separators=(",", ":"), allow_nan=False)
    total = hashlib.sha256(f"clearance scene\n{told}\n".encode())
    for place, file in named_files(scene):
        try:
            total.update(_of_file(file))
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise InputError(Mistake(place, "a file that can be read", f"{file}: {reason}", "check it")) from None
    return total.hexdigest()


def _told(value: Any) -> Any:
    """A value of a scene as JSON has it; equal values alike."""
    if isinstance(value, Record):
        # Where it lies is not part of it.
        kind = SceneFile if isinstance(value, SceneFile) else type(value)
        given = {name: (item, _told(item)) for name, item in stated(value).items() if name in kind.model_fields}
        return {
            name: told
            for name, (item, told) in given.items()
            if told not in (None, [], {}) or item != kind.model_fields[name].get_default()
        }
    if isinstance(value, Range):
        return [_told(value.lo), _told(value.hi)]
    if isinstance(value, Reference):
        return {"name": value.name, "along_m": _told(value.along_m), "end": value.end}
    if isinstance(value, tuple):
        return [_told(item) for item in value]
    if isinstance(value, dict):
        return {name: _told(item) for name, item in value.items()}
    return value + 0.0 if isinstance(value, float) else value  # -0.0 is 0.0


def _of_file(file: Path) -> bytes:
    about = file.stat()
    if time.time() - max(about.st_mtime, about.st_ctime) < SETTLED_S:
        return _read(file)
    return _known(file.resolve(), about.st_ino, about.st_size, about.st_mtime_ns, about.st_ctime_ns)


@lru_cache(maxsize=256)
def _known(file: Path, *_: int) -> bytes:
    """The digest of a file that is as it was: a scene is changed many times, its scans are read once."""
    return _read(file)


def _read(file: Path) -> bytes:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").digest()
