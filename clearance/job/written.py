"""Owns stages as text: a scene file whose jobs are written out as stages that a person can edit and check again.

Everything else in the file stays as it was, comments included; comments inside the tables that are replaced go.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator

from clearance.errors import InputError, Mistake
from clearance.job.templates import expanded
from clearance.scene.records import Scene, where
from clearance.scene.writing import table_lines

_HEADER = re.compile(r"\s*\[\[?\s*([A-Za-z][\w-]*)((\s*\.\s*[\w-]+)*)\s*\]\]?\s*(#.*)?")
REPLACED = ("jobs", "stages")


def written_out(scene: Scene, text: str) -> str:
    """The scene file `text` with its jobs as stages.

    scene: as read from that text

    Raises: InputError as `expanded`, and where the file holds its jobs in a form that cannot be cut out.
    """
    found = expanded(scene)
    kept = "\n".join(_without(text)).rstrip() + "\n"
    whole = kept + "".join("\n" + "\n".join(["[[stages]]", *table_lines(stage)]) + "\n" for stage in found.stages)
    before, after = tomllib.loads(text), tomllib.loads(whole)
    if {**before, "jobs": 0, "stages": 0} != {**after, "jobs": 0, "stages": 0}:
        expected = "jobs and stages as tables of their own, [[jobs]] and [[stages]]"
        remedy = "write each under its own header"
        raise InputError(Mistake(where(scene, None, "jobs"), expected, "another form", remedy))
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
