"""Owns which keys must be stated because what is taken for them where they are forgotten may help: whoever leaves
one out is told so, and the result is undecided until it is stated.

A key whose default is the worse case, or that is refused where it matters, is not in here; `tests/test_unstated.py`
walks the format and holds each default to one of both lists.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from clearance.scene import naming
from clearance.scene.messages import shown
from clearance.scene.records import Circuit, Scene, SceneFile
from clearance.scene.records_base import Range, Record
from clearance.scene.records_conductor import Weather
from clearance.scene.records_job import AerialDevice, Crew, Fitting, Ladder, Rope, Stage, Track, Vehicle, Worker
from clearance.scene.records_site import (
    Box,
    Cloud,
    Cylinder,
    Gantry,
    GridGround,
    LatticeTower,
    LevelGround,
    MembersStructure,
    Mesh,
    MeshGround,
    PlaneGround,
    PointsGround,
    Pole,
)
from clearance.scene.records_templates import _Job
from clearance.scene.records_wires import Jumper, Release, SpanWire
from clearance.scene.statements import insulating
from clearance.scene.units import record_classes

GROUNDS: tuple[type[Record], ...] = (LevelGround, PlaneGround, GridGround, PointsGround, MeshGround)

TURNED: tuple[type[Record], ...] = (Vehicle, Box, Mesh, Gantry, LatticeTower)

AT_POTENTIAL: tuple[type[Record], ...] = (Box, Cylinder, Mesh, Gantry, LatticeTower, Pole, MembersStructure, Cloud)
"""What stands there at earth where nobody says otherwise. Beside a phase that is no help; beside another phase it is:
from earth a smaller distance is asked."""

LEANING: tuple[type[Record], ...] = (
    Stage,
    *(record for record in record_classes(SceneFile) if issubclass(record, _Job)),
)
"""Stages, and jobs in which the ladder leans as they say."""

When = Callable[[Scene, Record], bool]


@dataclass(frozen=True)
class Unstated:
    """A key that some entries leave out though it matters there.

    places: the entries, as a message names them; taken: what is taken for it, "" where its rules have it
    """

    key: str
    places: tuple[str, ...]
    taken: str


def _always(_: Scene, __: Record) -> bool:
    return True


def _arms(_: Scene, entry: Record) -> bool:
    return bool(getattr(entry, "crossarms", ()))


def _on_ladder(scene: Scene, entry: Record) -> bool:
    """Where the ladder is there, in a job all along."""
    return scene.ladder is not None and (not isinstance(entry, Stage) or entry.travel_m is not None)


def _insulates(scene: Scene, entry: Record) -> bool:
    return isinstance(entry, Rope) and insulating(scene, entry.name)


def _earthed(_: Scene, entry: Record) -> bool:
    return isinstance(entry, SpanWire | Jumper) and entry.potential == "earth"


def _no_area(_: Scene, entry: Record) -> bool:
    return isinstance(entry, Crew) and entry.area_m is None


def _windy(_: Scene, entry: Record) -> bool:
    return isinstance(entry, Weather) and entry.wind_m_s.hi > 0.0


def _no_weight_of_ice(_: Scene, entry: Record) -> bool:
    return isinstance(entry, Weather) and entry.ice_weight_N_m is None


def _hauls(scene: Scene, _: Record) -> bool:
    """Where a tool on a line speaks of tools: of what hands hold it says nothing."""
    return bool(scene.tools)


def _standing(scene: Scene, _: Record) -> bool:
    return scene.ladder is not None and scene.ladder.hangs_on is None


MUST: dict[tuple[type[Record], str], When] = {
    **{(ground, "uncertainty_m"): _always for ground in GROUNDS},
    **{(record, key): _on_ladder for record in LEANING for key in ("lean_along_deg", "lean_across_deg")},
    **{(turned, "heading_deg"): _always for turned in TURNED},
    **{(standing, "potential"): _always for standing in AT_POTENTIAL},
    (Fitting, "potential"): _always,
    (Pole, "heading_deg"): _arms,
    (Circuit, "highest_kV"): _always,
    (Gantry, "columns"): _always,
    (AerialDevice, "chassis_deg"): _always,
    (AerialDevice, "wet_or_dirty_m"): _always,
    (AerialDevice, "tip_m"): _always,
    (Track, "settlement_m"): _standing,
    (Ladder, "wet_or_dirty_m"): _always,
    (Ladder, "tilt_deg"): _always,
    (Rope, "wet_or_dirty_m"): _insulates,
    (Rope, "slack_m"): _always,
    (Release, "trails_m"): _always,
    (Release, "trapped_per_unit"): _always,
    (Worker, "hanging_m"): _always,
    (Worker, "tool_m"): _hauls,
    (Crew, "radius_m"): _no_area,
    (Crew, "tool_m"): _always,
    (Vehicle, "radius_m"): _always,
    (Weather, "wind_m_s"): _always,
    (Weather, "gust_factor"): _windy,
    (Weather, "ice_m"): _no_weight_of_ice,
    (SpanWire, "insulated"): _earthed,
    (Jumper, "insulated"): _earthed,
}
"""Record and key -> when it must be stated."""


def unstated(scene: Scene) -> tuple[Unstated, ...]:
    """Every key of a scene that is left out where what is taken for it may help, with the entries that leave it out.

    scene: as it was read, with the jobs as written: what a stage or a job that was written states
    """
    found: dict[tuple[str, str], tuple[list[str], str]] = {}
    for place, entry in _entries(scene):
        for (record, key), matters in MUST.items():
            if isinstance(entry, record) and key not in entry.model_fields_set and matters(scene, entry):
                field = type(entry).model_fields[key]
                taken = field.get_default()
                taken = f"{taken.lo:g}" if isinstance(taken, Range) else "" if taken is None else shown(taken)
                found.setdefault((entry.word, key), ([], taken))[0].append(place)
    return tuple(Unstated(key, tuple(places), taken) for (_, key), (places, taken) in found.items())


def _entries(scene: Scene) -> Iterator[tuple[str, Record]]:
    """Every entry of a scene, with its name for a message; the release of a wire after the wire, and fittings after the
    ladder."""
    for name, entry in naming.entries(scene):
        yield name, entry
        yield from ((f"{name}: fitting '{fitting.name}'", fitting) for fitting in getattr(entry, "fittings", ()))
        if isinstance(release := getattr(entry, "release", None), Record):
            yield f"{name}: release", release


MOST = 4
"""Entries that a point names one by one."""


def in_words(places: tuple[str, ...]) -> str:
    """Entries as a message names them: of one kind together, and no more than a reader takes in.

    >>> in_words(("stage 'climb'", "stage 'work'"))
    "stages 'climb', 'work'"
    >>> in_words(tuple(f"stage '{k}'" for k in range(9)))
    "stages '0', '1', '2', '3' and 5 more"
    >>> in_words(("job 1", "job 2"))
    'job 1, job 2'
    """
    more = len(places) - MOST
    word = places[0].split(" '")[0]
    if len(places) > 1 and all(re.fullmatch(re.escape(word) + " '[^']*'", place) for place in places):
        named = f"{word}s " + ", ".join(place.removeprefix(f"{word} ") for place in places[:MOST])
    else:
        named = ", ".join(places[:MOST])
    return named + (f" and {more} more" if more > 0 else "")
