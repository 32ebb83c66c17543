"""Owns `Scene`, the whole of a scene file as one typed record, and the few questions every reader asks of it.

Every number is in the unit its field name ends with: metres, degrees, kV, kN, N_m (newtons per metre). The tables are
in `records_site` (what stood there), `records_wires`, `records_conductor` (what wires are made of, and the weather) and
`records_job` (what the job brings); all are importable from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    ValidationInfo,
    model_validator,
)

from clearance.scene.records_base import (
    EARTH,
    FLOATING,
    Frozen,
    Place,
    Point,
    Range,
    Record,
    Reference,
    Text,
    Xy,
    stated,
)
from clearance.scene.records_conductor import (
    ConductorsOfScene,
    LoadOfStage,
    LoadOnWire,
    OwnConductor,
    SagCheck,
    Weather,
)
from clearance.scene.records_job import (
    AerialDevice,
    Crew,
    Disturbed,
    Fitting,
    Ladder,
    Posture,
    Rope,
    Stage,
    StageKind,
    Stand,
    Tool,
    Track,
    Vehicle,
    Worker,
)
from clearance.scene.records_site import (
    Box,
    Circuit,
    Cloud,
    Crossarm,
    Cylinder,
    Gantry,
    GridGround,
    Ground,
    LatticeTower,
    LevelGround,
    MembersStructure,
    Mesh,
    MeshGround,
    Origin,
    PlaneGround,
    PointsGround,
    Pole,
    Solid,
    Structure,
)
from clearance.scene.records_statements import Statement
from clearance.scene.records_templates import Job, Tested
from clearance.scene.records_wires import (
    BeforeOpening,
    Bundle,
    Insulator,
    InsulatorString,
    Jumper,
    Release,
    Ring,
    SpanWire,
    Wire,
    arrangement,
)

__all__ = [
    "AT_FOOT",
    "BRINGABLE",
    "EARTH",
    "FLOATING",
    "LADDER_MOVES",
    "AerialDevice",
    "BeforeOpening",
    "Box",
    "Bundle",
    "Circuit",
    "Cloud",
    "Crew",
    "Crossarm",
    "Cylinder",
    "Disturbed",
    "Fitting",
    "Gantry",
    "GridGround",
    "Ground",
    "Insulator",
    "InsulatorString",
    "Job",
    "Jumper",
    "Ladder",
    "LatticeTower",
    "LevelGround",
    "LoadOfStage",
    "LoadOnWire",
    "MembersStructure",
    "Mesh",
    "MeshGround",
    "Origin",
    "OwnConductor",
    "Place",
    "PlaneGround",
    "Point",
    "PointsGround",
    "Pole",
    "Posture",
    "Range",
    "Record",
    "Reference",
    "Release",
    "Ring",
    "Rope",
    "SagCheck",
    "Scene",
    "SceneFile",
    "Solid",
    "SpanWire",
    "Stage",
    "StageKind",
    "Stand",
    "Statement",
    "Structure",
    "Tested",
    "Tool",
    "Track",
    "Vehicle",
    "Weather",
    "Wire",
    "Worker",
    "Xy",
    "aloft",
    "arrangement",
    "bringable",
    "device_names",
    "phases",
    "platform_name",
    "posture",
    "where",
]


class SceneFile(ConductorsOfScene):
    """What a scene file holds."""

    model_config = ConfigDict(json_schema_extra={"anyOf": [{"required": ["stages"]}, {"required": ["jobs"]}]})

    word: ClassVar[str] = "scene"
    format: Literal[1] = Field(description="version of the scene format")
    name: Text = Field(description="name of the scene")
    rule: tuple[Text, ...] = Field(
        min_length=1, description="rule or rules, by name or as a TOML file beside the scene"
    )
    rule_inputs: Annotated[dict[str, float | str | bool], Frozen] = Field(
        {}, validate_default=True, description="further inputs of the rule"
    )
    altitude_m: float = Field(ge=-500, le=9000, description="height of the site above sea level")
    frequency_Hz: float = Field(ge=1, le=1000, description="frequency of the system")
    notes: tuple[str, ...] = Field((), description="what a reader must know")
    asks: Literal["job", "stages"] = Field(
        "job", description='"stages" where the scene asks about its stages only, each by itself, and not a whole job'
    )
    statements: tuple[Statement, ...] = Field((), description="what somebody says that takes a judgement away")
    origin: Origin = Field(Origin(), description="where the scene frame's zero lies")
    circuits: tuple[Circuit, ...] = Field(min_length=1, description="circuits")
    ground: Ground = Field(description="the ground")
    structures: tuple[Structure, ...] = Field((), description="towers, gantries, poles")
    wires: tuple[Wire, ...] = Field((), description="conductors, jumpers, droppers, shield wires")
    insulators: tuple[Insulator, ...] = Field((), description="posts and separate strings")
    solids: tuple[Solid, ...] = Field((), description="boxes, cylinders, meshes")
    clouds: tuple[Cloud, ...] = Field((), description="laser scan points")
    ladder: Ladder | None = Field(None, description="the insulating ladder")
    track: Track | None = Field(None, description="where the ladder travels")
    aerial_device: AerialDevice | None = Field(None, description="an insulating aerial device")
    workers: tuple[Worker, ...] = Field((), description="workers aloft")
    crew: tuple[Crew, ...] = Field((), description="people on the ground")
    vehicles: tuple[Vehicle, ...] = Field((), description="vehicles")
    ropes: tuple[Rope, ...] = Field((), description="ropes")
    tools: tuple[Tool, ...] = Field((), description="tools that are hauled along a hand line")
    tests: tuple[Tested, ...] = Field((), description="tests of suit, bonding lead, ropes, ladder and tools")
    jobs: tuple[Job, ...] = Field((), description="jobs that expand into stages")
    stages: tuple[Stage, ...] = Field((), description="the steps of the job")


class Scene(SceneFile):
    """A checked scene: its tables, and where the files that it names lie.

    However it is made, from a file by `read_scene`, by `Scene(**tables)` with the tables and keys of a scene file, or
    from another by `changed`, all checks run, and an InputError tells every mistake together.

    path: the file it comes from, or None
    folder: what relative file names are relative to; by default that of the file
    """

    path: Path | None = None
    folder: Path = Path()

    _sha256: str = PrivateAttr("")

    @property
    def sha256(self) -> str:
        """Digest of its content and of every file it names (`clearance.scene.digest`). Stages that jobs expanded into
        keep that of the scene whose jobs they are: so a result names what was given to be checked."""
        return self._sha256

    def changed(self, **tables: Any) -> Scene:
        """The scene with other tables, checked as a whole; None takes a table out.

        Raises: InputError with every mistake.
        """
        return Scene.model_validate({**stated(self), **tables})

    def changed_entry(self, table: str, name: str | None = None, /, **fields: Any) -> Scene:
        """The scene with other fields in one entry, checked as a whole; None takes a field out.

        table: such as "wires"; name: of the entry in it, None for a table of one entry such as "weather"

        Raises: InputError with every mistake, and where there is no such entry.
        """
        from clearance.scene.making import entry_changed

        return self.changed(**{table: entry_changed(self, table, name, fields)})

    def with_steps(self, stages: tuple[Stage, ...]) -> Scene:
        """The scene with some of its stages as they stand in the job, or within narrower ranges. Each is checked again;
        what spans the stages is not, as not all of them need be there. Where the stages say what they said, the digest
        stays that of the scene that was given; else it is another scene.

        Raises: InputError with every mistake of the stages.
        """
        from clearance.scene.digest import digest
        from clearance.scene.making import steps_checked

        found = BaseModel.model_copy(self, update={"stages": steps_checked(self, stages)})
        content = digest(found)
        found._sha256 = self._sha256 if content == digest(self) else content
        return found

    def _expansion(self, stages: tuple[Stage, ...], wires: tuple[Wire, ...] | None = None) -> Scene:
        """The scene with the stages that its jobs expand into in their place, and its wires as worked out: it keeps its
        digest.

        Raises: InputError with every mistake of the stages.
        """
        own = {} if wires is None else {"wires": wires}
        found = self.changed(jobs=None, stages=stages, **own)
        found._sha256 = self._sha256
        return found

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Scene:
        """As `changed`: there is no unchecked copy."""
        return self.changed(**(update or {}))

    def copy(self, **_: Any) -> Scene:
        """Refused: it would not be checked."""
        raise TypeError("a scene is changed with `changed`, which checks it")

    if not TYPE_CHECKING:  # pydantic's plugin gives it a signature of its own

        @classmethod
        def model_construct(cls, *_: Any, **__: Any) -> Scene:
            """Refused: it would not be checked."""
            raise TypeError("a scene is made with Scene(...) and changed with `changed`, which check it")

    @model_validator(mode="wrap")
    @classmethod
    def _checked(cls, value: Any, handler: ModelWrapValidatorHandler[Scene], info: ValidationInfo) -> Scene:
        from clearance.scene.making import checked

        return checked(value, handler, (info.context or {}).get("file"))


def where(scene: SceneFile, entry: Record | str | None = None, *fields: str) -> tuple[str, ...]:
    """Place of an entry for a message: the file, the entry by its name, the field.

    >>> from clearance.scene.records_site import Origin
    >>> scene = SceneFile.model_construct(name="bay")
    >>> where(scene, Origin(), "epsg")
    ("scene 'bay'", 'origin', 'epsg')
    """
    path = getattr(scene, "path", None)
    name = getattr(scene, "name", None)
    places = [str(path) if path is not None else f"scene '{name}'" if isinstance(name, str) else "scene"]
    if isinstance(entry, str):
        places.append(entry)
    elif isinstance(entry, Record):
        name = getattr(entry, "name", None)
        places.append(entry.word if name is None or entry.word == name else f"{entry.word} '{name}'")
    return (*places, *fields)


def phases(scene: SceneFile) -> dict[str, Circuit]:
    """Every phase name and the circuit it belongs to, in order."""
    return {phase: circuit for circuit in scene.circuits for phase in circuit.phases}


LADDER_MOVES = ("set up", "travel", "strike")
"""Kinds of stage in which the ladder itself is moved, by default with nobody on it."""

AT_FOOT = ("step on", "step off")
"""Kinds of stage in which somebody steps from the ground onto the ladder, or off it: at earth, and off the ground."""


def aloft(scene: SceneFile, stage: Stage) -> tuple[str, ...]:
    """Names of the workers on the ladder in a stage: as stated, else all, or none while it is moved."""
    if stage.workers is not None:
        return stage.workers
    return () if stage.kind in LADDER_MOVES else tuple(worker.name for worker in scene.workers)


def posture(stage: Stage) -> Posture:
    """Posture of the workers aloft: as stated, else climbing on the way, else reaching, which is the widest."""
    if stage.posture is not None:
        return stage.posture
    if stage.kind in ("step on", "climb", "descend", "step off"):
        return "climbing" if stage.extend_m is None else "standing"
    return "reaching"


BRINGABLE = "what a job can bring: a rope, a tool, a solid at no phase, a member of the crew or a vehicle"
"""What `bringable` gives, in words."""


def bringable(scene: SceneFile) -> tuple[str, ...]:
    """Names of the bodies that a stage may bring or take away; the ladder is set up, and workers step on."""
    tables = (scene.ropes, scene.tools, scene.solids, scene.crew, scene.vehicles)
    of_wires = (rope.name for wire in scene.wires if wire.release is not None for rope in wire.release.ropes)
    return (*(entry.name for table in tables for entry in table), *of_wires)


def device_names(name: str) -> tuple[str, ...]:
    """Names of an aerial device and of the bodies it is made of.

    >>> device_names("lift")[1:]
    ('lift chassis', 'lift boom', 'lift extension', 'lift insulating boom', 'lift platform')
    """
    return (name, *(f"{name} {part}" for part in ("chassis", "boom", "extension", "insulating boom", "platform")))


def metal_names(ladder: str) -> tuple[str, str]:
    """Names of the parts of a ladder below and above its insulating part.

    >>> metal_names("ladder")
    ('ladder metal foot', 'ladder metal top')
    """
    return f"{ladder} metal foot", f"{ladder} metal top"


def metal_parts(ladder: Ladder) -> tuple[tuple[str, float, float], ...]:
    """The parts of a ladder outside its insulating part, which conduct: name, from and to, along the ladder [m]."""
    foot, top = metal_names(ladder.name)
    parts = ((foot, 0.0, ladder.insulating_from_m), (top, ladder.insulating_to_m, ladder.length_m))
    return tuple(part for part in parts if part[2] - part[1] > 0.0)


def gone_along(scene: SceneFile, stage: Stage) -> tuple[str, ...]:
    """Solids that are not where they were, as they went along with the wires that are off: these hold them."""
    off = [wire.release for wire in scene.wires if wire.name in (*stage.released, *stage.off)]
    return tuple(entry.solid for release in off if release is not None for entry in release.takes_along)


def platform_name(ladder: str) -> str:
    """Name of the platform of a ladder.

    >>> platform_name("ladder")
    'ladder platform'
    """
    return f"{ladder} platform"
