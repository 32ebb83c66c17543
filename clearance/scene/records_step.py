"""Owns the record of a stage as it stands in its job: with what it takes over from the stages before it.

No file holds it: `clearance.job.carried` makes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from clearance.scene.records_base import Place, Range
from clearance.scene.records_job import Posture, Stage, Stand


@dataclass(frozen=True)
class Before:
    """How the stage before had what may change at a join, and its ranges."""

    posture: Posture
    clamp_m: Place | None
    bonding_lead_m: float | None
    ranges: tuple[tuple[str, Range], ...]


class Step(Stage):
    """A stage with what it takes over.

    before: what changes at its join, else None; left: tools on their lines, and where; comes_and_goes: every body that
        some stage of the job brings or takes away: it is the job's; not_there: those of them not there now;
        earthed: wires that a stage before has earthed; ladder_lies: the ladder is set up only later, or was struck;
        stood: where those whom some stage sends elsewhere may be as it begins, where a stage before has sent them
    """

    derived: ClassVar[frozenset[str]] = frozenset(
        {"before", "left", "comes_and_goes", "not_there", "earthed", "ladder_lies", "stood"}
    )
    before: Before | None = None
    left: tuple[tuple[str, Range | None], ...] = ()
    comes_and_goes: tuple[str, ...] = ()
    not_there: tuple[str, ...] = ()
    earthed: tuple[str, ...] = ()
    ladder_lies: bool = False
    stood: tuple[Stand, ...] = ()
