"""Owns what is asked of a stage: the judged chains of its setting, under every case of uncertain potentials."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from clearance.errors import InputError, Mistake
from clearance.gaps import Judged, judged
from clearance.job import staging
from clearance.job.measuring import Bench
from clearance.job.setting import Setting
from clearance.result import Kind
from clearance.scene import statements
from clearance.scene.records import Stage, where

Asked = Mapping[tuple[str, str, Kind], Sequence[Judged]]
"""Judged chains by (one potential, the other, kind), of every case."""


def questions(bench: Bench, stage: Stage, setting: Setting) -> dict[tuple[str, str, Kind], list[Judged]]:
    """All judged chains of a setting by (one potential, the other, kind), of every case that matters.

    Raises: InputError for more bodies of uncertain potential, or more floating ones, than can be judged together.
    """
    site = bench.site
    tools = staging.tools_of(site, stage, setting)
    found: dict[tuple[str, str, Kind], list[Judged]] = {}
    try:
        asked = judged(setting.bodies, site.live, tools, statements.air_only(site.scene), setting.parting)
    except ValueError as error:
        expected = "few enough bodies that float or are of uncertain potential to judge every chain and combination"
        remedy = 'settle some by earthing, give them a potential, or say what they are never at (kind "never at")'
        raise InputError(Mistake(where(site.scene, stage), expected, str(error), remedy)) from error
    for question in asked:
        found.setdefault((*question.between, question.kind), []).append(question)
    return found
