"""Owns the records of wires, their strings, and other line insulators.

Every number is in the unit its field name ends with (m, kN, N_m for newtons per metre).
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from clearance.scene.records_base import NotNegative, Place, Point, Positive, Record, Text
from clearance.scene.records_conductor import ConductorOfWire, StateOfSpan


class Ring(Record):
    """A grading ring or corona ring about a string."""

    word: ClassVar[str] = "ring"
    at_m: NotNegative = Field(description="distance of its plane from the attachment, along the string")
    diameter_m: Positive = Field(description="outer diameter of the ring, more than twice its tube")
    tube_m: Positive = Field(description="diameter of its tube")


class InsulatorString(Record):
    """A string between a structure and a wire's live end."""

    word: ClassVar[str] = "string"
    kind: Literal["strain", "suspension"] = Field(description="in line with the wire, or hanging straight down")
    length_m: Positive = Field(description="attachment to live end")
    insulating_m: Positive = Field(description="length of the insulating part")
    diameter_m: Positive = Field(description="diameter over the sheds")
    units: int | None = Field(None, gt=0, description="number of sound insulators")
    weight_kN: Positive | None = Field(None, description="weight of the string; else as much per metre as the wire")
    rings: tuple[Ring, ...] = Field((), description="ring fittings")


class Bundle(Record):
    """Several subconductors that make one wire."""

    word: ClassVar[str] = "bundle"
    count: int = Field(ge=2, le=4, description="number of subconductors")
    spacing_m: Positive = Field(description="distance between neighbours")
    arrangement: Literal["horizontal pair", "vertical pair", "triangle", "square"] | None = Field(
        None, description="how they lie about the wire; by default horizontal pair for 2, triangle for 3, square for 4"
    )


class BeforeOpening(Record):
    """What is established before a connection is opened or closed, and by whom."""

    word: ClassVar[str] = "before opening"
    far_end: Literal["open and locked", "open", "closed"] = Field(description="state of the far end's isolating device")
    current_A: Positive | None = Field(
        None,
        description="current measured in the wire, with the error of the meter: no more than its own charging current, "
        "which is worked out where it is left out",
    )
    phase_identified: Text = Field(description="how the phase was identified")
    pull_taken_by: Text | None = Field(None, description="what holds the pull of a tensioned wire instead")
    by: Text = Field(description="who answers for it")


class TailRope(Record):
    """A rope that lowers a wire or holds it: tied to its free end, over a pulley where it has one, to hands or an
    anchor. It is there from the first stage on, unless one brings it or takes it away."""

    word: ClassVar[str] = "rope"
    name: Text = Field(description="name of the rope")
    over_m: Place | None = Field(None, description="the pulley it runs over; else it goes straight")
    hangs_from: Text | None = Field(None, description="the body that the pulley hangs from")
    to_m: Place = Field(
        description="where the crew holds it, or it is made fast: to what is there, or an anchor in the ground"
    )
    diameter_m: Positive = Field(description="diameter")
    pulley_radius_m: Positive = Field(0.1, description="radius that covers the pulley with its hook: of metal")
    sag_m: NotNegative = Field(description="how far it may sag or be blown out of line; goes into uncertainty")
    wet_or_dirty_m: NotNegative = Field(description="insulating length written off as wet or dirty")


class GoesAlong(Record):
    """A solid of the scene that is fixed to a wire and goes along when the wire is taken off: a line trap, a clamp."""

    word: ClassVar[str] = "what goes along"
    solid: Text = Field(description="name of the solid, at the phase of the wire")
    at_m: NotNegative = Field(description="where it is fixed, along the wire from its free end")
    movement_m: NotNegative = Field(
        description="how far its weight pulls the wire from where it would hang without it; goes into uncertainty"
    )


class Release(Record):
    """How the job takes a wire off: which end is freed, and where it is lowered to."""

    word: ClassVar[str] = "release"
    free_end: Literal["from", "to"] = Field(description="the end that is taken off")
    lowered_to_m: Place = Field(description="where the free end is parked")
    by_way_of_m: tuple[Point, ...] = Field(
        (), description="points the free end is led by on its way, from its place on; else it goes straight"
    )
    drop_zone_m: NotNegative | None = Field(
        None, description="how far from below it people on the ground stay while it is opened, lowered or raised"
    )
    before_opening: BeforeOpening | None = Field(None, description="what is established before it is opened or joined")
    ropes: tuple[TailRope, ...] = Field((), description="the ropes that lower it and hold it")
    takes_along: tuple[GoesAlong, ...] = Field((), description="solids fixed to it that go along")
    trapped_per_unit: float = Field(
        1.0,
        ge=1,
        le=5,
        description="charge that it may hold once it is open, per unit of the crest to earth: 1 where its opening does "
        "not restrike, more where that is not excluded",
    )
    trails_m: NotNegative = Field(
        0.0, description="length of what hangs from the free end and may conduct: a clamp, tackle, an ordinary rope"
    )


class _Wire(ConductorOfWire):
    word: ClassVar[str] = "wire"
    name: Text = Field(description="name of the wire")
    phase: Text | None = Field(None, description="the phase it belongs to")
    potential: Literal["earth"] | None = Field(None, description='"earth" for a shield wire')
    insulated: bool = Field(False, description="an insulated shield wire: judged both as earth and as live")
    from_m: Place = Field(description="one attachment point")
    to_m: Place = Field(description="the other attachment point")
    diameter_m: Positive = Field(description="diameter of the conductor")
    uncertainty_m: NotNegative = Field(
        description="survey and model error: how far it may hang from where it is modelled"
    )
    release: Release | None = Field(None, description="how the job takes it off")


class SpanWire(_Wire, StateOfSpan):
    """A tensioned wire between two structures."""

    kind: Literal["span"]
    horizontal_tension_kN: Positive | None = Field(None, description="horizontal tension")
    sag_m: Positive | None = Field(None, description="sag, vertical, at mid-chord")
    catenary_constant_m: Positive | None = Field(None, description="horizontal tension over weight per metre")
    weight_N_m: Positive | None = Field(None, description="weight per metre")
    bundle: Bundle | None = Field(None, description="subconductors")
    from_string: InsulatorString | None = Field(None, description="string at the from end")
    to_string: InsulatorString | None = Field(None, description="string at the to end")


class Jumper(_Wire):
    """A jumper or dropper: a catenary of given length."""

    kind: Literal["jumper"]
    length_m: Positive = Field(description="length of conductor")
    weight_N_m: Positive | None = Field(None, description="weight per metre")


Wire = Annotated[SpanWire | Jumper, Field(discriminator="kind")]


class Insulator(Record):
    """A post insulator or a string of its own."""

    word: ClassVar[str] = "insulator"
    name: Text = Field(description="name of the insulator")
    from_m: Place = Field(description="earthed end")
    to_m: Place = Field(description="live end")
    insulating_m: Positive = Field(description="length of the insulating part")
    diameter_m: Positive = Field(description="diameter over the sheds")


def arrangement(bundle: Bundle) -> str:
    """How the subconductors lie: as stated, else by their number."""
    return bundle.arrangement or {2: "horizontal pair", 3: "triangle", 4: "square"}[bundle.count]
