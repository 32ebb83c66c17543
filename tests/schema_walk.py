"""The walk over the format: every record and every key of it, and those that a scene states.

What must hold of each key (`test_every_key`, `test_every_statement`, `test_every_job`, `test_unstated`,
`test_plausible`) asks here which keys there are, so that none of them forgets one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic.fields import FieldInfo

from clearance.scene.records import SceneFile
from clearance.scene.records_base import Record
from clearance.scene.units import item_type, record_classes, record_for, records_in

Place = tuple[str | int, ...]

RECORDS: dict[str, type[Record]] = {record.__name__: record for record in record_classes(SceneFile)}
"""Every record of the format by its name."""

FORMAT: dict[tuple[type[Record], str], FieldInfo] = {
    (record, key): field for record in RECORDS.values() for key, field in record.model_fields.items()
}
"""Every key of the format, by the record that has it."""


def named(found: Any) -> set[tuple[str, str]]:
    """Keys by the names of their records.

    >>> named([(SceneFile, "ladder")])
    {('SceneFile', 'ladder')}
    """
    return {(record.__name__, key) for record, key in found}


def of_module(*modules: str) -> set[tuple[str, str]]:
    """Keys of the records of some modules of `clearance.scene`, by name."""
    return named((record, key) for record, key in FORMAT if record.__module__.rpartition(".")[2] in modules)


def keys_of(table: Mapping[str, Any]) -> Iterator[tuple[str, str, Place]]:
    """Every key that a table of a scene states: its record, its name and its place."""

    def walk(kind: Any, value: Any, place: Place) -> Iterator[tuple[str, str, Place]]:
        if isinstance(value, list | tuple):
            for number, item in enumerate(value):
                yield from walk(item_type(kind), item, (*place, number))
        elif isinstance(value, dict) and records_in(kind):
            record = record_for(kind, value)
            assert record is not None, (place, value)
            for key, entry in value.items():
                if entry is not None:
                    yield record.__name__, key, (*place, key)
                    yield from walk(record.model_fields[key].annotation, entry, (*place, key))

    return walk(SceneFile, dict(table), ())
