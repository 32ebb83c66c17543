"""Owns what is asked of a stage: the judged chains of its setting, under every case of uncertain potentials."""

from __future__ import annotations

from clearance.errors import InputError, Mistake
from clearance.gaps import Case, Judged, cases, judged
from clearance.job import staging
from clearance.job.measuring import Bench
from clearance.job.setting import Setting
from clearance.result import Kind
from clearance.scene import statements
from clearance.scene.records import Stage, where


def _cases(bench: Bench, stage: Stage, setting: Setting) -> tuple[Case, ...]:
    try:
        return cases(setting.bodies)
    except ValueError as error:
        raise InputError(
            Mistake(
                where(bench.site.scene, stage),
                "few enough bodies of uncertain potential to judge every combination",
                str(error),
                'settle some by earthing, or by statements of kind "never at"',
            )
        ) from error


def questions(bench: Bench, stage: Stage, setting: Setting) -> dict[tuple[str, str, Kind], list[Judged]]:
    """All judged chains of a setting by (one potential, the other, kind), of every case."""
    site = bench.site
    tools = staging.tools_of(site, stage, setting)
    air = statements.air_only(site.scene)
    found: dict[tuple[str, str, Kind], list[Judged]] = {}
    for case in _cases(bench, stage, setting):
        try:
            asked = judged(setting.bodies, case, site.live, tools, air)
        except ValueError as error:
            raise InputError(
                Mistake(
                    where(site.scene, stage),
                    "few enough floating bodies for chains through all of them",
                    str(error),
                    "give some of them a potential, or leave them out of the stage",
                )
            ) from error
        for question in asked:
            found.setdefault((*question.between, question.kind), []).append(question)
    return found
