"""Owns the records of what the job brings: ladder, track, workers, crew, vehicles, ropes, and the stages.

Every number is in the unit its field name ends with (m, deg).
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from clearance.scene.records_base import (
    Frozen,
    NotNegative,
    Place,
    Point,
    Positive,
    Range,
    Record,
    Span,
    Text,
    Xy,
)
from clearance.scene.records_conductor import LoadOfStage


class Fitting(Record):
    """A metal part of the ladder."""

    word: ClassVar[str] = "fitting"
    name: Text = Field(description="name of the fitting")
    from_m: NotNegative = Field(description="its lowest point, along the ladder from the feet")
    to_m: NotNegative = Field(description="its highest point, along the ladder from the feet")
    radius_m: Positive = Field(description="radius that covers it about the ladder's centre line")
    potential: Literal["earth", "floating"] = Field(
        "floating", description='"earth" where it is earthed; else "floating"'
    )


class Ladder(Record):
    """The insulating ladder on its track."""

    word: ClassVar[str] = "ladder"
    name: Text = Field("ladder", description="name of the ladder")
    length_m: Positive = Field(description="length from the feet to the top")
    width_m: Positive = Field(description="rail centre to rail centre")
    rail_diameter_m: Positive = Field(description="diameter that covers a rail")
    rung_spacing_m: Positive = Field(description="rung to rung")
    tilt_deg: float = Field(0.0, gt=-80, lt=80, description="from the vertical, leaning forward to the heading")
    insulating_from_m: NotNegative = Field(description="lower end of the insulating part, along the ladder")
    insulating_to_m: Positive = Field(description="upper end of the insulating part, along the ladder")
    wet_or_dirty_m: NotNegative = Field(0.0, description="insulating length written off as wet or dirty")
    fittings: tuple[Fitting, ...] = Field((), description="metal parts")
    platform_m: Positive | None = Field(None, description="height of a platform, along the ladder: of metal, floating")
    # Common practice, no source: what a platform hooked on rungs sticks out.
    platform_depth_m: Positive = Field(0.6, description="how far the platform sticks out, to either side of the ladder")
    foot_radius_m: Positive = Field(0.1, description="radius that covers a foot")
    bending_m: NotNegative = Field(description="how far the top may bend out of line; goes into uncertainty")
    insulation_basis: Text | None = Field(None, description="what the insulation rests on: test, date, standard")
    hangs_on: Text | None = Field(
        None,
        description="the wire it hangs on by hooks at its top, instead of standing on a track; travel_m then counts "
        "along that wire as references to it do, and it swings about its hooks by its lean",
    )
    heading_deg: float | None = Field(
        None, description="the way the climber faces on a ladder that hangs, anticlockwise from x"
    )
    clear_m: Positive | None = Field(
        None, description="clear position: no higher with the feet unless bonded, along the ladder"
    )


class Track(Record):
    """Where the ladder's feet may stand: a polyline laid on the ground."""

    word: ClassVar[str] = "track"
    points_m: tuple[Xy, ...] = Field(min_length=2, description="x and y of its corners")
    heading_deg: float = Field(description="the way the climber faces, anticlockwise from x")
    fit_m: NotNegative | None = Field(None, description="misfit of the feet to the ground; computed where absent")
    settlement_m: NotNegative = Field(0.0, description="how far either foot may sink under load, each by itself")


class AerialDevice(Record):
    """An insulating aerial device: a turret that turns on its chassis, a boom that is raised, an extension with the
    insulating part, and a platform that stays level at its tip."""

    word: ClassVar[str] = "aerial device"
    name: Text = Field("aerial device", description="name of the device")
    base_m: Xy = Field(description="x and y of the axis its turret turns about, on the ground")
    chassis_m: tuple[Positive, Positive, Positive] = Field(description="length, width and height of chassis with feet")
    chassis_deg: float = Field(0.0, description="direction of the chassis's length, anticlockwise from x")
    turret_m: Positive = Field(description="height of the boom's hinge above the ground")
    boom_m: Positive = Field(description="length of the metal boom, from its hinge to its end")
    boom_radius_m: Positive = Field(description="radius that covers boom and extension")
    extend_m: Span = Field(description="how far its tip can be beyond the end of the metal boom, shortest to longest")
    raise_deg: Span = Field(description="how far the boom can be raised, from the horizontal")
    insulating_m: Positive = Field(description="length of the insulating part of the extension")
    tip_m: NotNegative = Field(0.0, description="length of metal at the tip, beyond the insulating part")
    wet_or_dirty_m: NotNegative = Field(0.0, description="insulating length written off as wet or dirty")
    platform_m: tuple[Positive, Positive, Positive] = Field(description="length, width and height of the platform")
    ahead_m: NotNegative = Field(description="how far the middle of the platform is ahead of the tip")
    drop_m: NotNegative = Field(description="how far the platform's floor is below the tip")
    room_m: NotNegative = Field(description="how far from the middle of the platform the worker may step; uncertainty")
    bending_m: NotNegative = Field(
        description="how far the tip may be out of place by bending and settling; uncertainty"
    )
    insulation_basis: Text | None = Field(None, description="what the insulation rests on: test, date, standard")


class _Person(Record):
    name: Text = Field(description="name of the person in the scene")
    stature_m: float | None = Field(None, ge=1.2, le=2.3, description="bare stature")
    sex: Literal["man", "woman"] | None = Field(None, description="with percentile, instead of stature_m")
    percentile: Literal[50, 95, 99] | None = Field(None, description="with sex, instead of stature_m")
    # Upper ends of what is usual (25-50 mm a side, 25-35 mm, 40-60 mm): common practice, no source.
    suit_m: NotNegative = Field(0.05, description="bulk of suit and harness, a side")
    boots_m: NotNegative = Field(0.035, description="height of the soles")
    helmet_m: NotNegative = Field(0.06, description="height of the helmet above the head")


class Worker(_Person):
    """A worker aloft."""

    word: ClassVar[str] = "worker"
    tool_m: NotNegative = Field(0.0, description="length of a conductive tool beyond the hand")
    trunk_lean_m: NotNegative = Field(description="how far the lanyard lets the shoulders move")
    hanging_m: NotNegative = Field(0.0, description="how far a bag hangs below the belt")


class Crew(_Person):
    """A person on the ground, at earth."""

    word: ClassVar[str] = "crew"
    at_m: Xy = Field(description="x and y of the middle of where they stand, on the ground")
    # Common practice, no source: what somebody moves about; who holds a rope reaches its end from all of it.
    radius_m: NotNegative = Field(1.0, description="how far from there the feet may be")
    area_m: tuple[Xy, ...] | None = Field(
        None, min_length=3, description="corners of where the feet may be, instead of radius_m: the hull of them"
    )
    tool_m: NotNegative = Field(0.0, description="length of what is held in the hands, beyond them")
    worker: Text | None = Field(
        None, description="the worker who stands there while on the ground: not there in stages with that worker aloft"
    )


class Vehicle(Record):
    """A vehicle, or a part of one, as a box at earth where it is stated; all that is below it counts as the vehicle."""

    word: ClassVar[str] = "vehicle"
    name: Text = Field(description="name of the vehicle")
    centre_m: Point = Field(description="centre of the box")
    size_m: tuple[Positive, Positive, Positive] = Field(description="length along the heading, width across, height")
    heading_deg: float = Field(0.0, description="direction of its length, anticlockwise from x")
    # Common practice, no source: how well a vehicle is put where it was meant to stand.
    radius_m: NotNegative = Field(1.0, description="how far any part of it may be from there, in plan")


class Rope(Record):
    """A rope between a point of the ladder (or any point) and an anchor. At earth unless it is stated to insulate."""

    word: ClassVar[str] = "rope"
    other_keys: ClassVar[dict[str, str]] = {"from": "from_m"}
    name: Text = Field(description="name of the rope")
    from_m: Place = Field(description='upper end: a point of the ladder such as "ladder @ 9.0", or a point')
    to_m: Place = Field(
        description="where the crew holds it, or it is made fast: to what is there, or an anchor in the ground"
    )
    diameter_m: Positive = Field(description="diameter")
    # Common practice, no source: a rope that people hold taut by hand.
    slack_m: NotNegative = Field(
        0.2, description="length beyond the straight line between its ends: it sags and is blown by so much"
    )
    hangs_from: Text | None = Field(None, description="what it hangs from")
    wet_or_dirty_m: NotNegative = Field(0.0, description="insulating length written off as wet or dirty")
    guy: bool = Field(False, description="true for a taut guy that holds the ladder up, made fast at its anchor")


class Tool(Record):
    """A tool or a bag that is hauled along a hand line between the ground and the worker: conductive, it floats."""

    word: ClassVar[str] = "tool"
    name: Text = Field(description="name of the tool")
    line: Text = Field(description="the rope it is hauled along, from its to_m on the ground up to its from")
    radius_m: Positive = Field(description="radius of a ball that covers it however it turns")
    swing_m: NotNegative = Field(description="how far it may swing aside from the line; goes into uncertainty")
    note: str = Field("", description="what it is")


class Stand(Record):
    """Where a member of the crew or a vehicle goes in a stage, and stands from then on until a stage says otherwise."""

    word: ClassVar[str] = "place"
    who: Text = Field(description="name of the member of the crew, or of the vehicle")
    at_m: Xy = Field(description="x and y of the middle of where they stand, or of the vehicle")
    radius_m: NotNegative | None = Field(
        None, description="how far from there the feet, or any part of the vehicle, may be"
    )
    area_m: tuple[Xy, ...] | None = Field(
        None, min_length=3, description="of a person, corners of where the feet may be, instead of radius_m"
    )
    heading_deg: float | None = Field(None, description="of a vehicle, direction of its length, anticlockwise from x")


class Disturbed(Record):
    """A wire whose shape the job changes in this stage: by a load, a pull, or a tension that is gone."""

    word: ClassVar[str] = "disturbed wire"
    wire: Text = Field(description="name of the wire")
    movement_m: NotNegative | None = Field(
        None, description="how far it may move from where it hangs; by default what the model finds, if it can"
    )
    basis: Text | None = Field(None, description="what that figure rests on")
    carries: tuple[LoadOfStage, ...] = Field((), description="what hangs on it all the while, besides its loads")
    puts_on: tuple[LoadOfStage, ...] = Field((), description="what comes on it in the stage")
    takes_off: tuple[Text, ...] = Field((), description="which of its loads, or of what it carries, leave it")


StageKind = Literal[
    "bring", "set up", "travel", "step on", "climb", "bond on", "work", "open", "lower", "raise", "close", "earthing",
    "bond off", "descend", "step off", "strike", "take away"
]  # fmt: skip
"""What is done. "bring" and "take away": bodies of the job come and go; "set up" and "strike": the ladder is turned up
about its feet, and down again; "open": a connection is opened; "lower" and "raise": a freed wire is; "close": it is
connected again; "earthing": a tail is earthed with a remote tool, or that earth removed."""
Posture = Literal["climbing", "standing", "reaching"]


class Stage(Record):
    """A step of the job, with the ranges that are swept."""

    word: ClassVar[str] = "stage"
    name: Text = Field(description="name of the stage")
    kind: StageKind = Field(description="what is done")
    travel_m: Span | None = Field(None, description="position of the ladder along the track")
    lean_along_deg: Span = Field(Range(0.0, 0.0), description="lean along the heading, beside the ladder's tilt")
    lean_across_deg: Span = Field(
        Range(0.0, 0.0), description="lean across the heading, from the plumb line on any slope"
    )
    heading_deg: Span = Field(Range(0.0, 0.0), description="turn of the ladder beside the track's heading")
    turret_deg: Span | None = Field(None, description="direction of an aerial device's boom, anticlockwise from x")
    boom_deg: Span | None = Field(None, description="how far an aerial device's boom is raised, from the horizontal")
    extend_m: Span | None = Field(None, description="how far an aerial device's tip is beyond its metal boom")
    climb_m: Span | None = Field(None, description="height of the worker's feet, along the ladder")
    hauled: Text | None = Field(None, description="the tool hauled along its line in this stage")
    haul_m: Span | None = Field(None, description="how far up its line it is; by default anywhere on the whole way")
    lower_m: Span | None = Field(None, description="how far a released wire has been lowered")
    workers: tuple[Text, ...] | None = Field(
        None, description="workers aloft; by default all, but none while the ladder is set up, travels or is struck"
    )
    posture: Posture | None = Field(
        None, description="by default climbing to step on, climb, descend and step off; else reaching"
    )
    bonded: Annotated[dict[str, str], Frozen] = Field(
        {}, validate_default=True, description="which worker is bonded to which phase"
    )
    bonding_lead_m: Positive | None = Field(None, description="length of the bonding lead")
    clamp_m: Place | None = Field(None, description="where its clamp sits")
    released: tuple[Text, ...] = Field((), description="wires being lowered in this stage")
    off: tuple[Text, ...] = Field((), description="wires lowered before, parked where their release says")
    potentials: Annotated[dict[str, str], Frozen] = Field(
        {},
        validate_default=True,
        description='potentials that bodies have in this stage besides: "earth", a phase, "floating"',
    )
    disturbed: tuple[Disturbed, ...] = Field((), description="wires whose shape the job changes: they are the job's")
    restores: tuple[Text, ...] = Field(
        (), description="disturbed wires that this stage puts right: after it they hang as before they were disturbed"
    )
    bodies: tuple[Text, ...] = Field((), description="bodies of the job that a stage brings, or takes away")
    stands: tuple[Stand, ...] = Field(
        (), description="who goes to another place on the ground: in this stage anywhere between, after it there"
    )
    swing_m: NotNegative = Field(0.0, description="how far a worker who hangs in the harness may swing out")
    opening_distance_m: Positive | None = Field(
        None, description="distance everybody keeps from the point where a connection opens or closes"
    )
    by_hand: Text | None = Field(
        None, description="the worker who holds the free end while it opens or closes; else by stick or rope"
    )
    earths: tuple[Text, ...] = Field((), description="wires that are off and are earthed in this stage")
    lifts_earth: tuple[Text, ...] = Field((), description="wires that are off and whose earth is removed here")
    stick_m: Positive | None = Field(None, description="insulating length of the remote tool beyond the hands")
    rope_m: Positive | None = Field(
        None,
        description="rescue: insulating length of the rope that lowers, from the casualty to the hands that hold it",
    )
    rides: Text | None = Field(None, description="who allows the ladder to travel with a person on it, and why")
    rescue: Text | None = Field(
        None, description="the stage in which it happens: this one is a step of a rescue that branches off from there"
    )
    anew: bool = Field(False, description="true where the stage does not follow from the one before")
    note: str = Field("", description="what a reader must know")
