"""Owns the records of what stood there before the job: circuits, ground, structures, solids, point clouds.

Every number is in the unit its field name ends with (m, deg, kV); frames and meanings are those of the scene format.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from clearance.scene.records_base import EARTH, NotNegative, Point, Positive, Record, Span, Text, Xy

LengthUnit = Literal["m", "mm", "cm", "ft", "in", "usft"]
"""Units a mesh file may be in; `ft` is the international foot, `usft` the US survey foot."""


class Origin(Record):
    """Where the scene frame's zero lies in the map grid: file coordinates minus this give scene coordinates."""

    word: ClassVar[str] = "origin"
    easting_m: float = Field(0.0, description="map easting of the scene's zero")
    northing_m: float = Field(0.0, description="map northing of the scene's zero")
    height_m: float = Field(0.0, description="height of the scene's zero")
    epsg: int | None = Field(None, gt=0, description="EPSG code of the map grid")
    vertical: Text | None = Field(None, description="name of the height datum")


class Circuit(Record):
    """One circuit: its phases and voltage."""

    word: ClassVar[str] = "circuit"
    name: Text = Field(description="name of the circuit")
    phases: tuple[Text, ...] = Field(min_length=2, max_length=3, description="names of its two or three phases")
    nominal_kV: Positive = Field(description="nominal phase-to-phase voltage")
    highest_kV: Positive | None = Field(None, description="highest operating phase-to-phase voltage")
    highest_basis: Text | None = Field(None, description="where highest_kV comes from")
    overvoltage_per_unit: float | None = Field(
        None, ge=1, le=10, description="maximum overvoltage, phase to earth, per unit of the highest voltage's peak"
    )
    overvoltage_basis: Text | None = Field(None, description="what bounds the overvoltage")
    overvoltage_by: Text | None = Field(None, description="who answers for overvoltage_per_unit")
    state: Literal["live", "dead, not earthed"] = Field(
        "live", description="state of the circuit during the job; that it is earthed is a statement"
    )


class _Ground(Record):
    word: ClassVar[str] = "ground"
    uncertainty_m: NotNegative = Field(
        0.0, description="survey and model error: the true surface is no further outside"
    )


class _EndlessGround(_Ground):
    extent_m: Positive = Field(200.0, description="half-size of the modelled patch about the site")


class LevelGround(_EndlessGround):
    """A horizontal plane."""

    kind: Literal["level"]
    height_m: float = Field(description="height of the ground in the scene frame")


class PlaneGround(_EndlessGround):
    """A sloped plane."""

    kind: Literal["plane"]
    through_m: Point = Field(description="a point of the plane")
    slope_deg: float = Field(ge=0, lt=90, description="slope from the horizontal")
    uphill_deg: float = Field(description="direction uphill, anticlockwise from x")


class GridGround(_Ground):
    """Heights on a regular grid, row by row; a row runs along x, rows follow one another along y."""

    kind: Literal["grid"]
    file: Text | None = Field(None, description="CSV file of rows of heights [m]")
    heights_m: tuple[tuple[float, ...], ...] | None = Field(None, description="rows of heights")
    corner_m: Xy = Field(description="x and y of the first height of the first row")
    spacing_m: Positive = Field(description="distance between neighbours, along x and along y")


class PointsGround(_Ground):
    """Ground points from a survey, triangulated."""

    kind: Literal["points"]
    file: Text = Field(description="CSV (x, y, z), LAS or LAZ file of ground points")
    classes: tuple[Annotated[int, Field(ge=0, le=255)], ...] = Field((2,), description="LAS classes that are ground")


class MeshGround(_Ground):
    """A surface from a mesh file."""

    kind: Literal["mesh"]
    file: Text = Field(description="mesh file (PLY, OBJ, STL or GLB)")
    units: LengthUnit = Field(description="length unit of the mesh file")


Ground = Annotated[LevelGround | PlaneGround | GridGround | PointsGround | MeshGround, Field(discriminator="kind")]


class Crossarm(Record):
    """An arm across a tower or a pole."""

    word: ClassVar[str] = "crossarm"
    height_m: Positive = Field(description="height above the foot")
    length_m: Positive = Field(description="from the axis to the tip")
    depth_m: Positive = Field(description="depth of the arm at the axis")
    side: Literal["left", "right", "both"] = Field("both", description="which side of the axis, seen along the heading")


class _Structure(Record):
    word: ClassVar[str] = "structure"
    name: Text = Field(description="name of the structure")
    potential: Text = Field(EARTH, description='"earth" or a phase name')
    uncertainty_m: NotNegative = Field(description="survey and model error")


class Gantry(_Structure):
    """Columns and a lattice beam across them."""

    kind: Literal["gantry"]
    base_m: Xy = Field(description="x and y of the middle of the column row, on the ground")
    heading_deg: float = Field(0.0, description="direction of the line through it, from x; the beam runs across")
    columns: int = Field(2, ge=2, le=20, description="number of columns")
    column_spacing_m: Positive = Field(description="column centre to column centre")
    column_width_m: Positive = Field(description="width of a square column")
    beam_height_m: Positive = Field(description="height of the beam's underside above the foot")
    beam_depth_m: Positive = Field(description="height of the beam's section")
    beam_width_m: Positive = Field(description="width of the beam's section")
    panel_m: Positive = Field(description="length of a lattice panel")
    member_radius_m: Positive = Field(description="radius that covers a member's section")


class LatticeTower(_Structure):
    """A tower of four legs with crossarms."""

    kind: Literal["lattice tower"]
    base_m: Xy = Field(description="x and y of its axis, on the ground")
    heading_deg: float = Field(0.0, description="direction of the line through it, from x; arms run across")
    height_m: Positive = Field(description="height of the body's top above the foot")
    base_width_m: Positive = Field(description="width between the legs at the foot")
    top_width_m: Positive = Field(description="width between the legs at the top")
    waist_height_m: Positive | None = Field(None, description="height where the taper changes")
    waist_width_m: Positive | None = Field(None, description="width at that height")
    panels: int = Field(ge=1, le=200, description="number of panels from foot to top")
    member_radius_m: Positive = Field(description="radius that covers a member's section")
    crossarms: tuple[Crossarm, ...] = Field((), description="its crossarms")
    peak_m: Positive | None = Field(None, description="height of the earth-wire peak above the top")


class Pole(_Structure):
    """A single pole. Wood, concrete and composite count as earth too."""

    kind: Literal["pole"]
    base_m: Xy = Field(description="x and y of its axis, on the ground")
    heading_deg: float = Field(0.0, description="direction of the line through it, from x; arms run across")
    height_m: Positive = Field(description="height above the foot")
    base_radius_m: Positive = Field(description="radius at the foot")
    top_radius_m: Positive = Field(description="radius at the top")
    crossarms: tuple[Crossarm, ...] = Field((), description="its crossarms")
    material: Literal["steel", "wood", "concrete", "composite"] = Field("steel", description="what it is made of")


class MembersStructure(_Structure):
    """Any structure, as nodes and members in two CSV files."""

    kind: Literal["members"]
    nodes: Text = Field(description="CSV file with columns name, x_m, y_m, z_m")
    members: Text = Field(description="CSV file with columns from, to, radius_m")
    base_m: Xy | None = Field(None, description="x and y that the nodes are shifted by, standing on the ground there")


Structure = Annotated[Gantry | LatticeTower | Pole | MembersStructure, Field(discriminator="kind")]


class _Solid(Record):
    word: ClassVar[str] = "solid"
    name: Text = Field(description="name of the solid")
    potential: Text = Field(EARTH, description='"earth", a phase name, or "floating"')
    uncertainty_m: NotNegative = Field(description="survey and model error")


class Box(_Solid):
    """A box with vertical sides."""

    kind: Literal["box"]
    centre_m: Point = Field(description="its centre")
    size_m: tuple[Positive, Positive, Positive] = Field(description="length along the heading, width across, height")
    heading_deg: float = Field(0.0, description="direction of its length, anticlockwise from x")


class Cylinder(_Solid):
    """A cylinder with rounded ends between two points."""

    kind: Literal["cylinder"]
    from_m: Point = Field(description="one end of the axis")
    to_m: Point = Field(description="the other end")
    radius_m: Positive = Field(description="radius")


class Mesh(_Solid):
    """A body from a mesh file."""

    kind: Literal["mesh"]
    file: Text = Field(description="mesh file (PLY, OBJ, STL or GLB)")
    units: LengthUnit = Field(description="length unit of the mesh file")
    at_m: Point = Field((0.0, 0.0, 0.0), description="where the file's zero lies")
    heading_deg: float = Field(0.0, description="direction of the file's x, anticlockwise from x")
    solid: bool = Field(description="true: watertight is demanded and the inside counts; false: a surface only")


Solid = Annotated[Box | Cylinder | Mesh, Field(discriminator="kind")]


class Cloud(Record):
    """Points of a laser scan as a body: balls about thinned points."""

    word: ClassVar[str] = "cloud"
    name: Text = Field(description="name of the cloud")
    file: Text = Field(description="LAS or LAZ file")
    classes: tuple[Annotated[int, Field(ge=0, le=255)], ...] = Field(min_length=1, description="LAS classes to take")
    polygon_m: tuple[Xy, ...] | None = Field(None, min_length=3, description="only points inside this outline (x, y)")
    height_m: Span | None = Field(None, description="only points at these heights above the scene's zero")
    potential: Text = Field(EARTH, description='"earth" or a phase name')
    survey_error_m: NotNegative = Field(description="how far a point may lie from what it measured")
    thin_m: NotNegative = Field(0.0, description="cell within which one point stands for all")
    uncovered_m: NotNegative = Field(description="radius that the sampling leaves uncovered")
