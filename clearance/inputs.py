"""Owns which numbers of a scene are surveyed or assumed, one step of each, and the scene with one of them a step off.

A step is what a crew can speak of: 1 cm of a length, 1 degree of an angle or a temperature, 1 per cent of all else, the
altitude included. What is chosen (how high somebody climbs), counted, or only named (a nominal voltage) is no input;
`NOT_MEASURED` says why. A point has an input for each of its axes, a range one for each end; the points of a line, and
the heights of a grid, move together, as a survey's frame does.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

from clearance.errors import RuleError
from clearance.limits import per_unit
from clearance.scene import naming
from clearance.scene.making import as_tables
from clearance.scene.plausible_values import COORDINATE, TABLE, Values
from clearance.scene.records import Scene, Stage, where
from clearance.scene.records_base import Range, Record, Reference, is_number
from clearance.scene.records_statements import Confirmed
from clearance.scene.units import unit_of
from clearance.scene.voltages import highest_kV

Part = Literal["", "x", "y", "z", "first", "second", "third", "lower end", "upper end"]

STEPS: Final = {"m": (0.01, "1 cm"), "deg": (1.0, "1°"), "C": (1.0, "1 °C")}
"""Unit of a key -> its step in that unit, and the step in words; anything else goes by 1 %."""

SHARE: Final = 0.01

NOT_MEASURED: Final = {
    ("SceneFile", "frequency_Hz"): "no distance depends on it",
    ("Circuit", "nominal_kV"): "the name of a class of voltage; what is measured is highest_kV",
    ("Origin", "easting_m"): "where the map's frame lies, not the site in it",
    ("Origin", "northing_m"): "where the map's frame lies, not the site in it",
    ("Origin", "height_m"): "where the map's frame lies, not the site in it",
    ("_Ground", "extent_m"): "how far it is modelled",
    ("Cloud", "polygon_m"): "which points are taken",
    ("Cloud", "height_m"): "which points are taken",
    ("Cloud", "thin_m"): "how finely it is modelled",
    ("SagCheck", "at_C"): "compared, nothing is reckoned from it",
    ("SagCheck", "sag_m"): "compared, nothing is reckoned from it",
    ("DesignedGap", "gap_m"): "a gap of the line itself",
    ("Tested", "leakage_uA"): "no distance depends on it",
    ("Tested", "at_kV"): "no distance depends on it",
    ("Release", "drop_zone_m"): "chosen: where nobody stands",
    ("Release", "trapped_per_unit"): "raised to the next of the rule's values, or stated by a calculation",
    ("Stage", "climb_m"): "chosen: how high somebody climbs",
    ("Stage", "turret_deg"): "chosen: where the boom is put",
    ("Stage", "boom_deg"): "chosen: where the boom is put",
    ("Stage", "extend_m"): "chosen: where the boom is put",
    ("Stage", "haul_m"): "chosen: how far it is hauled",
    ("Stage", "lower_m"): "chosen: how far it is lowered",
    ("Stage", "opening_distance_m"): "chosen: where everybody stands",
    ("Stage", "stick_m"): "chosen: how long a tool is taken",
    ("Stage", "rope_m"): "chosen: how long a rope is taken",
}
"""Numeric fields that are neither surveyed nor assumed, with the reason."""

TOLERANCES: Final = ("travel_m", "heading_deg", "lean_along_deg", "lean_across_deg")
"""Ranges of a stage that say how far off the ladder may stand: one step wider, to either side."""

AXES: Final[tuple[Part, ...]] = ("x", "y", "z")
PLACES: Final[tuple[Part, ...]] = ("first", "second", "third")


@dataclass(frozen=True)
class Input:
    """A number of a scene that was surveyed or assumed.

    entry: as a message names it; field: its key, with a dot before each inner key; part: which of its numbers, "" for
        all of them; value: as it is, None where several move together; unit: of the value
    step: by how much it is moved [the unit of its key]; per: the step in words
    place: table, number in it (0 for a table of one entry), then keys and numbers down to the value
    stated: False for a default
    """

    entry: str
    field: str
    part: Part
    value: float | None
    unit: str
    step: float
    per: str
    place: tuple[str | int, ...]
    stated: bool = True

    @property
    def table(self) -> str:
        """The table of the scene that it stands in."""
        return str(self.place[0])

    @property
    def is_tolerance(self) -> bool:
        """Whether it is a range of a stage that the pose itself lies in."""
        return self.table == "stages" and self.field in TOLERANCES


def inputs(scene: Scene, stage: Stage, entries: Collection[str]) -> Iterator[Input]:
    """Every input of the scene itself, of some of its entries and of one stage, in the order of the file format."""
    altitude = ("altitude_m",)
    yield from _of_value("scene", *altitude, scene.altitude_m, TABLE["SceneFile", "altitude_m"], altitude)
    for key, value in scene.rule_inputs.items():
        if is_number(value):
            yield from _of_value("scene", key, value, Values("", (0, 0), (0, 0)), ("rule_inputs", key))
    for table in type(scene).model_fields:
        held = getattr(scene, table)
        for number, entry in enumerate(held if isinstance(held, tuple) else (held,)):
            if not isinstance(entry, Record) or isinstance(entry, Confirmed) or table == "jobs":
                continue
            if table == "stages":
                if entry is stage:
                    yield from _of_record(entry, where(scene, entry)[-1], "", (table, number))
                continue
            name = entry_name(scene, table, number)
            if name in entries:
                yield from _of_record(entry, name, "", (table, number))
                if table == "circuits":
                    yield from _of_circuit(scene, number, name)


def entry_name(scene: Scene, table: str, number: int) -> str:
    """An entry as a message names it: by its name, else by its number in its table."""
    held = getattr(scene, table)
    entry = held[number] if isinstance(held, tuple) else held
    nameless = isinstance(held, tuple) and not hasattr(entry, "name")
    return f"{entry.word} {number + 1}" if nameless else where(scene, entry)[-1]


def _of_circuit(scene: Scene, number: int, name: str) -> Iterator[Input]:
    """What the rules assume of a circuit that does not state it."""
    circuit = scene.circuits[number]
    if circuit.highest_kV is None:
        value = highest_kV(scene, circuit)
        yield Input(name, "highest_kV", "", value, "kV", SHARE * value, "1 %", ("circuits", number, "highest_kV"))
    if circuit.overvoltage_per_unit is None:
        try:
            value = per_unit(scene, circuit)
        except RuleError:
            return
        place = ("circuits", number, "overvoltage_per_unit")
        yield Input(name, "overvoltage_per_unit", "", value, "per unit", SHARE * value, "1 %", place)


def _of_record(record: Record, entry: str, before: str, place: tuple[str | int, ...]) -> Iterator[Input]:
    names = [kind.__name__ for kind in type(record).__mro__]
    for key in type(record).model_fields:
        value = getattr(record, key)
        here = (*place, key)
        values = next((TABLE[kind, key] for kind in names if (kind, key) in TABLE), None)
        measured = not any((kind, key) in NOT_MEASURED for kind in names) and _is_there(record, key)
        if values is not None and measured:
            whole = isinstance(record, Stage) and key in TOLERANCES
            for one in _of_value(entry, before + key, value, values, here, whole):
                yield replace(one, stated=key in record.model_fields_set)
        if isinstance(value, Record):
            yield from _of_record(value, entry, f"{before}{key}.", here)
        elif isinstance(value, tuple):
            for number, inner in enumerate(value):
                if isinstance(inner, Record):
                    yield from _of_record(inner, entry, f"{before}{key} {number + 1}.", (*here, number))


def _is_there(record: Record, key: str) -> bool:
    """Whether a stage has the ladder that a tolerance is of, or states what it need not have, as a swing."""
    if not isinstance(record, Stage):
        return True
    return record.travel_m is not None if key in TOLERANCES else key in record.model_fields_set


def _of_value(
    entry: str, field: str, value: Any, values: Values, place: tuple[str | int, ...], whole: bool = False
) -> Iterator[Input]:
    for part, number in _parts(value, values, whole):
        if isinstance(number, int):
            continue  # counted, not measured
        size = number if number is not None else _largest(value)
        share = (SHARE * abs(size), "1 %")
        step, per = share if field == "altitude_m" else STEPS.get(unit_of(field), share)
        # A per cent of nothing is nothing.
        if step > 0.0:
            yield Input(entry, field, part, number, values.unit, step, per, place)


def _parts(value: Any, values: Values, whole: bool) -> Iterator[tuple[Part, Any]]:
    if isinstance(value, Range):
        if value.is_value:
            yield "", value.lo
        elif whole:
            yield "", None
        else:
            yield from (("lower end", value.lo), ("upper end", value.hi))
    elif isinstance(value, Reference):
        if value.along_m is not None:
            yield "", value.along_m
    elif isinstance(value, tuple) and value:
        names = AXES if values is COORDINATE else PLACES
        if all(map(is_number, value)) and len(value) <= len(names):
            yield from zip(names, value, strict=False)
        elif values is COORDINATE and all(isinstance(item, tuple) and len(item) <= len(names) for item in value):
            yield from ((name, None) for name in names[: len(value[0])])
        elif not any(isinstance(item, Record) for item in value):
            yield "", None
    elif is_number(value):
        yield "", value


def _largest(value: Any) -> float:
    if isinstance(value, Range):
        return max(abs(value.lo), abs(value.hi))
    if isinstance(value, tuple):
        return max((_largest(item) for item in value), default=0.0)
    return abs(float(value)) if is_number(value) else 0.0


def stepped(scene: Scene, one: Input, times: float, numbers: Collection[int] | None = None) -> Scene:
    """The scene with an input so many steps off, with all its checks; its stages as they stand in the job.

    numbers: of the stages that are kept, in their order; all of them where None

    Raises: InputError for a value that cannot be.
    """
    table, *path = one.place
    by = one.step * times
    if table == "stages":
        number, key, *rest = int(path[0]), str(path[1]), *path[2:]
        span = getattr(scene.stages[number], key)
        if key in TOLERANCES:
            value: Any = Range(span.lo + min(0.0, by), span.hi + max(0.0, by))
        else:
            value = _set(span, rest, lambda value: _moved(value, one.part, by))
        changed = scene.stages[number].model_copy(update={key: value})
        stages = tuple(changed if k == number else stage for k, stage in enumerate(scene.stages))
        return scene.with_steps(tuple(stage for k, stage in enumerate(stages) if numbers is None or k in numbers))
    held = getattr(scene, str(table))
    if table == "circuits":
        new: Any = tuple(
            as_tables(entry) | (_circuit(scene, one, by) if k == path[0] else {}) for k, entry in enumerate(held)
        )
    elif isinstance(held, tuple):
        new = tuple(
            _set(entry, path[1:], lambda value: _moved(value, one.part, by)) if k == path[0] else entry
            for k, entry in enumerate(held)
        )
    elif isinstance(held, Record):
        new = _set(held, path[1:], lambda value: _moved(value, one.part, by))
    elif path:
        new = {**held, path[0]: held[path[0]] + by}
    else:
        new = _moved(held, one.part, by)
    kept = tuple(stage for k, stage in enumerate(scene.stages) if numbers is None or k in numbers)
    return scene.changed(**{str(table): new}).with_steps(kept)


def _circuit(scene: Scene, one: Input, by: float) -> dict[str, Any]:
    """The fields of a circuit whose voltage or overvoltage is a step off, with the basis that these need."""
    assert one.value is not None
    basis = {"highest_kV": {"highest_basis": "a step off"}, "overvoltage_per_unit": {"overvoltage_basis": "a step off"}}
    given = {**basis.get(one.field, {}), one.field: one.value + by}
    return given | ({"overvoltage_by": "nobody"} if one.field == "overvoltage_per_unit" else {})


def _set(record: Any, path: list[str | int], moved: Any) -> Any:
    """A record, or a list of them, as tables with one value changed, be it stated or a default."""
    if not path:
        return moved(as_tables(record))
    key, *rest = path
    if isinstance(record, tuple):
        return tuple(_set(item, rest, moved) if k == key else as_tables(item) for k, item in enumerate(record))
    return {**as_tables(record), key: _set(getattr(record, str(key)), rest, moved)}


def _moved(value: Any, part: Part, by: float) -> Any:
    """A value, or the part of it, moved; ranges are tables of two here."""
    if isinstance(value, Reference):
        return Reference(value.name, (value.along_m or 0.0) + by)
    if is_number(value):
        return value + by
    if part in ("lower end", "upper end"):
        low, high = value
        return (low + by, high) if part == "lower end" else (low, high + by)
    if part and all(map(is_number, value)):
        k = (AXES if part in AXES else PLACES).index(part)
        return tuple(item + by if j == k else item for j, item in enumerate(value))
    return tuple(_moved(item, part, by) for item in value)


def about(scene: Scene, bodies: Collection[str]) -> frozenset[str]:
    """The entries that may decide where bodies are and which distance they must keep: those that they are of, those
    that these refer to, and so on, what refers to a wire among them, and what stands behind every limit and pose.

    A body that is of no entry by its name has them all.
    """
    known = {name: entry for name, entry in naming.entries(scene) if not isinstance(entry, Stage | Confirmed)}
    names = {name: _names(entry) or {entry.word} for name, entry in known.items()}
    said = {name: _texts(entry) for name, entry in known.items()}
    first = {name for name in known for body in bodies if any(_of(body, own) for own in names[name])}
    if any(not any(_of(body, own) for name in known for own in names[name]) for body in bodies):
        return frozenset(known)
    hung = {name for name, entry in known.items() for wire in first if _refers(said[name], names[wire])}
    tables = ("circuits", "ladder", "aerial_device", "track", "ground", "weather")
    always = {where(scene, entry)[-1] for table in tables for entry in _held(scene, table)}
    left, found = [*first, *hung, *always], set[str]()
    while left:
        name = left.pop()
        if name not in found and name in known:
            found.add(name)
            left += [other for other in known if _refers(said[name], names[other])]
    return frozenset(found)


def _held(scene: Scene, table: str) -> Iterator[Record]:
    value = getattr(scene, table)
    yield from (entry for entry in (value if isinstance(value, tuple) else (value,)) if isinstance(entry, Record))


def _of(body: str, name: str) -> bool:
    """Whether a body is an entry of this name, or a part of it."""
    return body == name or body.startswith((f"{name} ", f"{name}:"))


def _refers(texts: Collection[str], names: Collection[str]) -> bool:
    return any(_of(text, name) for text in texts for name in names)


def _names(record: Record) -> set[str]:
    """The names that a record, and what is in it, has."""
    name = getattr(record, "name", None)
    found = {name} if isinstance(name, str) else set[str]()
    for inner in _inner(record):
        found |= _names(inner)
    return found


def _texts(record: Record) -> set[str]:
    """What a record, and what is in it, says in words, its own name left out: names of others among them."""
    found: set[str] = set()
    for key in type(record).model_fields:
        if key not in ("name", "kind", "basis", "note"):
            value = getattr(record, key)
            found |= {text for item in (value if isinstance(value, tuple) else (value,)) for text in _text(item)}
    for inner in _inner(record):
        found |= _texts(inner)
    return found


def _text(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Reference):
        yield value.name


def _inner(record: Record) -> Iterator[Record]:
    for key in type(record).model_fields:
        value = getattr(record, key)
        for item in value if isinstance(value, tuple) else (value,):
            if isinstance(item, Record):
                yield item
