"""Owns the statements of a scene: what somebody says that takes a judgement away, with its basis, who says so and when.

A statement only removes something that would be judged. What assigns or adds (the phase of a wire, a range, a crew
member) is a fact of the scene and stands in its own table. Without basis, name and date a statement is refused. The
result shows the verdict and the margin without each group of statements and without all.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from clearance.scene.records_base import Day, NotNegative, Positive, Record, Text


class _Statement(Record):
    word: ClassVar[str] = "statement"
    basis: Text = Field(description="what it rests on: a test, a procedure, a calculation, a survey")
    by: Text = Field(description="who answers for it")
    on: Day = Field(description="when it was said, or when its basis was established")


class _InStages(_Statement):
    stages: tuple[Text, ...] | None = Field(
        None, min_length=1, description="the stages it holds in; every stage where left out"
    )


class Absent(_InStages):
    """Bodies of the site that are not there: they are judged as not being there."""

    kind: Literal["absent"]
    bodies: tuple[Text, ...] = Field(min_length=1, description="names of bodies; never the ground")


class NeverAt(_InStages):
    """States that a body cannot be in, so that it is not judged in them."""

    kind: Literal["never at"]
    body: Text = Field(description="name of the body")
    states: tuple[Literal["phase", "earth", "own", "floating"], ...] = Field(
        min_length=1, description="the states it is never in: its former phase, earth, a potential of its own, none"
    )


class Insulating(_Statement):
    """A solid or a rope insulates, by its test: it counts as air."""

    kind: Literal["insulating"]
    body: Text = Field(description="name of the solid or the rope")


class HeldTail(_Statement):
    """What keeps a freed tail from going where its length would let it, whichever rope fails."""

    kind: Literal["held"]
    wire: Text = Field(description="the wire that the job takes off")
    sideways_m: Positive | None = Field(
        None, description="guides: no point of it goes further than this beside the upright plane through its ends"
    )
    rope: Text | None = Field(None, description="safety rope: which of the ropes of its release, held at its to_m")
    length_m: Positive | None = Field(None, description="safety rope: its length when paid out all the way")
    within_m: Positive | None = Field(
        None, description="two ropes or more at its free end, either of which holds: it moves no further than this"
    )
    parked: bool = Field(False, description="true for what holds it only where it is parked, such as lashings")


class RestrainedReach(_Statement):
    """A physical restraint holds the arms of a worker, or a crew member's arms stay down."""

    kind: Literal["restrained reach"]
    person: Text = Field(description="the worker or the member of the crew")
    reach_m: Positive | None = Field(None, description="worker: reach from the shoulder that the restraint allows")
    arms: Literal["down"] | None = Field(None, description="crew: the arms stay below the shoulders")


class IntendedContact(_InStages):
    """Two bodies that are meant to touch: they are not judged for a collision with one another."""

    kind: Literal["contact"]
    bodies: tuple[Text, Text] = Field(description="the two bodies")


class AirOnly(_Statement):
    """Only air spans the gap between a phase and earth, so that the shorter limit of its rule is taken."""

    kind: Literal["air only"]
    between: tuple[Text, Text] = Field(description='a phase and "earth"')


class IsolatedEnd(_Statement):
    """The far end of a wire that the job takes off is isolated: nothing energizes it from there."""

    kind: Literal["isolated"]
    wire: Text = Field(description="the wire that the job takes off")


class MayOpen(_Statement):
    """What a rule or the employer allows to be opened and closed so: no more current and no more energy than this."""

    kind: Literal["may open"]
    wire: Text = Field(description="the wire that the job takes off")
    how: Literal["by hand", "by stick or rope"] = Field(description="how its free end is parted and joined")
    current_A: Positive = Field(description="the most current that may be opened so")
    energy_J: Positive = Field(description="the most energy that the opening may free")


class FastConnection(_Statement):
    """Something else than its own connection holds a wire that is loosened until it is opened, and one that is closed
    until it is made fast: a second clamp, a latch."""

    kind: Literal["fast"]
    wire: Text = Field(description="the wire that the job takes off")


class EarthedCircuit(_Statement):
    """A circuit is dead and earthed during the job: it is not judged as live."""

    kind: Literal["circuit earthed"]
    circuit: Text = Field(description="name of the circuit")


class TakenSlowly(_InStages):
    """A load goes off a wire, or comes on it, slowly: the wire does not spring."""

    kind: Literal["slowly"]
    wire: Text = Field(description="the wire whose load changes")


class NoneThere(_InStages):
    """There is no such thing in this job, or in some stages: nothing of it is judged."""

    kind: Literal["none"]
    what: tuple[Literal["weather", "crew", "tools"], ...] = Field(
        min_length=1,
        description="weather: wires hang as surveyed throughout; crew: nobody on the ground, which alone may hold in "
        "some stages, before they come or once they have gone; tools: none carried",
    )


class DesignedGap(_Statement):
    """A short gap of the line itself is meant: arcing horns, a protective gap."""

    kind: Literal["designed gap"]
    bodies: tuple[Text, Text] = Field(description="the two bodies of the line with the gap between them")
    gap_m: NotNegative = Field(description="the gap that was set; one that is found smaller is still told")


Doubt = Literal[
    "far away", "hangs on nothing", "too short", "put there", "thin as a wire", "moves too little", "stands level",
    "too high"
]  # fmt: skip
"""Why a value that is likely by itself is doubted."""


class Confirmed(_Statement):
    """An unlikely value is right: it was looked at again. It holds only while the scene has that value."""

    kind: Literal["confirmed"]
    entry: Text = Field(description="the entry as the result names it, such as \"circuit 'line 1'\"")
    field: Text = Field(description="its key, such as overvoltage_per_unit")
    value: float | Text | tuple[float | Text | tuple[float, ...], ...] = Field(
        description="what is confirmed: the value that the scene states there, a list for a range or a place"
    )
    doubt: Doubt | None = Field(None, description="why it is doubted, where not because it is unlikely by itself")


class LeftOut(_Statement):
    """Points of a scan near the job that are no bodies: noise, the crew of the survey, a bird."""

    kind: Literal["left out"]
    file: Text = Field(description="the scan, as its cloud or its ground names it")
    classes: tuple[Annotated[int, Field(ge=0, le=255)], ...] = Field(min_length=1, description="LAS classes left out")


Statement = Annotated[
    Absent
    | NeverAt
    | Insulating
    | HeldTail
    | RestrainedReach
    | IntendedContact
    | AirOnly
    | IsolatedEnd
    | MayOpen
    | FastConnection
    | EarthedCircuit
    | TakenSlowly
    | NoneThere
    | DesignedGap
    | Confirmed
    | LeftOut,
    Field(discriminator="kind"),
]
