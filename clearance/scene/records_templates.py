"""Owns the records of jobs: short entries of a scene file that expand into stages.

What each expands into is in `clearance.job.templates`. Every number is in the unit its field name ends with (m, deg).
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from clearance.scene.records_base import NotNegative, Place, Positive, Range, Record, Span, Text, Xy
from clearance.scene.records_job import Disturbed


class Turn(Record):
    """One conductor of a job that is done for several in turn, and where the ladder stands for it."""

    word: ClassVar[str] = "turn"
    wire: Text = Field(description="the wire taken off or reconnected; it has a release")
    station_m: Span = Field(description="where the ladder stands on the track, with its tolerance")
    clamp_m: Place = Field(description="where the clamp of the bonding lead sits")
    opened_m: Positive = Field(
        description="how far the free end goes while it opens: to where the whole distance to what it leaves holds"
    )
    by_at_m: Xy | None = Field(
        None,
        description="where whoever earths it, or removes that earth, stands for that, to 0.3 m; by default where the "
        "crew has them, which is where they go back to before it is raised",
    )
    lowered_m: Positive = Field(description="how far the free end is lowered, up to where its release parks it")
    disturbed: tuple[Disturbed, ...] = Field((), description="wires whose shape changes as it comes off or on")


class _Job(Record):
    word: ClassVar[str] = "job"
    lean_along_deg: Span = Field(Range(0.0, 0.0), description="lean along the heading, beside the ladder's tilt")
    lean_across_deg: Span = Field(Range(0.0, 0.0), description="lean across the heading")


class _Aloft(_Job):
    worker: Text | None = Field(None, description="who climbs; by default the only worker")
    mount_m: Span = Field(Range(0.0, 1.3), description="feet while stepping on and off, along the ladder")
    clear_m: Positive = Field(description="the ladder's clear position: no higher with the feet unless bonded")
    work_m: Span = Field(description="feet while at work, along the ladder")
    bonding_lead_m: Positive = Field(description="length of the bonding lead")
    lanyard_m: Positive | None = Field(
        None, description="adds a stage: after a slip the worker hangs so far below, still bonded"
    )
    swing_m: NotNegative | None = Field(
        None, description="how far one who hangs may swing out; by default the length of the lanyard"
    )
    opened: Literal["by hand", "by stick or rope"] = Field(
        description="by hand: by the worker, bonded and aloft; by stick or rope: from the ground, nobody aloft"
    )
    open_m: Span | None = Field(
        None, description="by hand: feet while the connection is opened or closed, along the ladder"
    )
    opening_distance_m: Positive = Field(description="distance everybody keeps from the point where it opens or closes")
    by: Text | None = Field(
        None, description="the member of the crew who earths it as soon as it is parked, and removes that earth"
    )
    stick_m: Positive | None = Field(
        None, description="insulating length of the remote tool for that, beyond the hands"
    )
    turns: tuple[Turn, ...] = Field(min_length=1, description="the conductors, in the order they are worked on")


class TakeOff(_Aloft):
    """For each conductor in turn: step on, climb, bond, loosen; open, lower and earth it; unbond, come down and step
    off. By stick or rope it is opened, lowered and earthed once the worker has stepped off."""

    kind: Literal["take off"]


class Reconnect(_Aloft):
    """The reverse, for each in turn. By stick or rope the earth is removed, whoever removed it steps back, and it is
    raised and closed, before the worker steps on to fasten it."""

    kind: Literal["reconnect"]


class EarthTail(_Job):
    """Earth lowered conductors with a remote tool from the ground, or remove that earth."""

    kind: Literal["earth tail", "remove earth"]
    wires: tuple[Text, ...] = Field(min_length=1, description="wires that are off")
    by: Text = Field(description="the member of the crew who holds the remote tool")
    stick_m: Positive = Field(description="insulating length of the remote tool beyond the hands")
    station_m: Span | None = Field(None, description="where the ladder stands; by default where it was left")


class Rescue(_Job):
    """A bonded casualty hangs in the harness, is unbonded with a remote tool, and is lowered by rope to the ground."""

    kind: Literal["rescue"]
    worker: Text | None = Field(None, description="the casualty; by default the only worker")
    phase: Text = Field(description="the phase the casualty is bonded to")
    station_m: Span = Field(description="where the ladder stands on the track, with its tolerance")
    hang_m: Span = Field(description="how high the feet hang, along the ladder")
    swing_m: NotNegative = Field(description="how far the casualty may swing out")
    stick_m: Positive = Field(description="insulating length of the tool that takes the clamp off, beyond the hands")
    rope_m: Positive = Field(
        description="insulating length of the rope that lowers, from the casualty to the hands that hold it"
    )
    by: Text = Field(description="the member of the crew who takes the clamp off")
    by_at_m: Xy | None = Field(None, description="where they stand meanwhile; by default where they are")
    ground_m: Positive = Field(1.3, description="height of the feet below which people on the ground take hold")
    bonding_lead_m: Positive = Field(description="length of the bonding lead")
    clamp_m: Place = Field(description="where its clamp sits")
    off: tuple[Text, ...] = Field((), description="wires that are off when it happens")


class TurnUpLadder(_Job):
    """Turn the ladder up about its feet through the bay, or down again, with nobody on it."""

    kind: Literal["set up ladder", "strike ladder"]
    station_m: Span = Field(description="where its feet stand on the track, with its tolerance")


class MoveLadder(_Job):
    """Move the ladder along the track to another station, with nobody on it."""

    kind: Literal["move ladder"]
    station_m: Span = Field(description="where it stands afterwards, with its tolerance")


class Bring(_Job):
    """Put up what is not there before, such as guys or a pulley with its rope, or take it away again."""

    kind: Literal["bring", "take away"]
    name: Text = Field(description="what is done, as the name of its stage")
    bodies: tuple[Text, ...] = Field(min_length=1, description="ropes, solids, people or vehicles; not there before")
    station_m: Span | None = Field(None, description="where the ladder stands; by default where it was left")


class WrittenStages(Record):
    """Stages written out in the file, at this place among the jobs."""

    word: ClassVar[str] = "job"
    kind: Literal["written stages"]
    stages: tuple[Text, ...] = Field(min_length=1, description="names of stages of this file, in order")


Job = Annotated[
    TakeOff | Reconnect | EarthTail | Rescue | TurnUpLadder | MoveLadder | Bring | WrittenStages,
    Field(discriminator="kind"),
]


class Tested(Record):
    """A test of what the work rests on, with its result."""

    word: ClassVar[str] = "test"
    what: Literal["suit", "bonding lead", "rope", "ladder", "remote tool", "aerial device"] = Field(
        description="what was tested"
    )
    name: Text = Field(description="which one: its name or number")
    on: Text = Field(description="when")
    result: Text = Field(description="what was found")
    by: Text = Field(description="who answers for it")
    leakage_uA: NotNegative | None = Field(None, description="leakage current measured")
    at_kV: Positive | None = Field(None, description="voltage to earth at which the leakage was measured")
