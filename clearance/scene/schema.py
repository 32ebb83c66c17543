"""Owns the JSON Schema of a scene file, with which an editor completes and checks it while it is written.

The schema is made from the records, so the two cannot part. It describes the file: each number may stand under any key
that `clearance.scene.units` reads, and an entry that must be there must be there under exactly one of them. What it
cannot say (names that must be known, ranges given backwards) is checked on reading.
"""

from __future__ import annotations

import json
from typing import Any, cast

from clearance.scene.records import Record, SceneFile
from clearance.scene.units import record_classes, spellings, unit_of

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def scene_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a scene file."""
    schema = SceneFile.model_json_schema(mode="validation")
    tables: dict[str, Any] = {**schema.get("$defs", {}), SceneFile.__name__: schema}
    for record in record_classes(SceneFile):
        _with_every_spelling(record, tables[record.__name__])
    one = schema["properties"]["rule"]
    described = {"description": one.pop("description"), "title": one.pop("title")}
    schema["properties"]["rule"] = {**described, "anyOf": [{"type": "string", "minLength": 1}, one]}
    return {"$schema": DIALECT, **schema, "title": "clearance scene, format 1"}


def schema_text() -> str:
    """The schema as a file holds it."""
    return json.dumps(scene_schema(), indent=1, sort_keys=True) + "\n"


def _with_every_spelling(record: type[Record], table: dict[str, Any]) -> None:
    """Adds the further keys of each field to the schema of its table."""
    properties = cast("dict[str, Any]", table["properties"])
    required: list[str] = table.pop("required", [])
    kept: list[str] = []
    either: list[dict[str, Any]] = []
    for name in list(record.model_fields):
        aliases = [alias for alias, field in record.other_keys.items() if field == name]
        keys = [*spellings(name), *aliases]
        if len(keys) == 1:
            kept += [name] if name in required else []
            continue
        own = properties[name]
        for key in keys[1:]:
            properties[key] = {**own, "title": key}
            if unit_of(name) and key not in aliases:
                properties[key] = _without_bounds(properties[key])
                properties[key].pop("default", None)
        if name in required:
            either.append({"oneOf": [{"required": [key]} for key in keys]})
    if kept:
        table["required"] = kept
    if either:
        table["allOf"] = either


def _without_bounds(schema: Any) -> Any:
    """The schema with every bound other than zero taken off: it holds in the record's unit only."""
    if isinstance(schema, list):
        return [_without_bounds(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    bounds = ("minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum")
    return {key: _without_bounds(value) for key, value in schema.items() if key not in bounds or value == 0}
