"""Owns how a `Scene` is made, from a file or in Python: convert units, validate, check across tables, digest.

Nothing here is called but by `Scene` itself. All mistakes are collected before any is raised; for that the entries that
are valid by themselves are put into a part of a scene, which never leaves this module.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from os import PathLike
from pathlib import Path
from typing import Any, cast

from pydantic import BaseModel, TypeAdapter, ValidationError

from clearance.errors import InputError, Mistake
from clearance.scene.checks import cross_checks, names_of
from clearance.scene.checks_job import stage_mistakes
from clearance.scene.digest import digest
from clearance.scene.messages import Spot, meant, mistake_of, place_of, shown, stands_for
from clearance.scene.records import Record, Scene, SceneFile, Stage, where
from clearance.scene.records_base import Range, plain, stated
from clearance.scene.units import Conversion, field_for, to_record_units

# `Scene` itself refuses to be made unchecked.
_part: Callable[..., Scene] = partial(cast(Any, BaseModel.model_construct).__func__, Scene)


def checked(value: Any, validated: Callable[[Any], Scene], file: Path | None) -> Scene:
    """The scene of these tables.

    value: a scene, or tables with the keys of a scene file and perhaps `path` and `folder`
    validated: makes the scene of tables whose records are right; raises ValidationError
    file: where the tables were read from, None for such as were made in Python

    Raises: InputError with every mistake.
    """
    raw = as_tables(value)
    if not isinstance(raw, dict):
        raise InputError(Mistake(("scene",), "tables by their names", shown(raw)))
    path, folder = (file, file.parent) if file is not None else _placed(raw)
    if isinstance(raw.get("rule"), str):
        raw["rule"] = (raw["rule"],)
    label = where(_part(name=raw.get("name"), path=path))[0]
    conversion = Conversion()
    table = to_record_units(SceneFile, raw, conversion)
    # In a file these are keys like any other, and unknown.
    errors: list[Any] = [
        {"type": "extra_forbidden", "loc": (key,), "input": raw[key]} for key in ("path", "folder") if key in raw
    ]
    try:
        scene = validated({**table, "path": path, "folder": folder})
    except ValidationError as error:
        errors += error.errors(include_url=False)
        part = _valid_part(table, [found["loc"] for found in errors])
        scene = _part(**part, path=path, folder=folder)
    mistakes = [*_mistakes(label, raw, table, conversion, errors), *cross_checks(scene, table)]
    if mistakes:
        raise InputError(dict.fromkeys(mistakes))
    scene._sha256 = digest(scene)
    return scene


def as_tables(value: Any) -> Any:
    """Records as tables of what they state and ranges as a file gives them, at any depth."""
    if isinstance(value, Record):
        return {name: as_tables(item) for name, item in stated(value).items()}
    if isinstance(value, Range):
        return value.lo if value.is_value else (value.lo, value.hi)
    if isinstance(value, Mapping):
        return {name: as_tables(item) for name, item in value.items()}
    value = plain(value)
    return tuple(as_tables(item) for item in value) if isinstance(value, tuple) else value


def entry_changed(scene: Scene, table: str, name: str | None, fields: Mapping[str, Any]) -> Any:
    """What a table holds when one of its entries has other fields."""
    held = getattr(scene, table) if table in SceneFile.model_fields else ()
    entries = held if isinstance(held, tuple) else (held,)
    names = [getattr(entry, "name", None) for entry in entries if isinstance(entry, Record)]
    if isinstance(held, Record) and name in (None, *names):
        return _with_fields(held, fields)
    if name is None or name not in names:
        known = [known for known in names if known is not None]
        place = (*where(scene), table)
        raise InputError(Mistake(place, "the name of an entry", shown(name or ""), meant(name or "", known)))
    return tuple(_with_fields(entry, fields) if entry.name == name else entry for entry in entries)


def _with_fields(entry: Record, fields: Mapping[str, Any]) -> dict[str, Any]:
    """A record as a table with other fields, each in whatever unit it is given."""
    changed = {field_for(type(entry), key)[0] for key in fields}
    return {name: value for name, value in stated(entry).items() if name not in changed} | dict(fields)


def steps_checked(scene: Scene, stages: tuple[Stage, ...]) -> tuple[Stage, ...]:
    """Stages of a scene, each checked by itself against it; a step keeps what it took over.

    Raises: InputError with every mistake.
    """
    raw = {"stages": as_tables(stages)}
    conversion = Conversion()
    table = to_record_units(SceneFile, raw, conversion)
    errors: list[Any] = []
    made: list[Stage] = []
    for number, entry in enumerate(table["stages"]):
        try:
            made.append(Stage.model_validate(entry))
        except ValidationError as error:
            errors += [{**found, "loc": ("stages", number, *found["loc"])} for found in error.errors(include_url=False)]
    known = names_of(as_tables(scene))
    mistakes = _mistakes(where(scene)[0], raw, table, conversion, errors)
    mistakes += [mistake for stage in made for mistake in stage_mistakes(scene, known, stage)]
    if mistakes:
        raise InputError(dict.fromkeys(mistakes))
    return tuple(
        type(given).model_construct(
            one.model_fields_set, **vars(one), **{name: getattr(given, name) for name in given.derived}
        )
        for given, one in zip(stages, made, strict=True)
    )


def _placed(raw: dict[str, Any]) -> tuple[Path | None, Path]:
    """The file of a scene and its folder, taken out of its tables."""
    path, folder = raw.pop("path", None), raw.pop("folder", None)
    for key, value in (("path", path), ("folder", folder)):
        if value is not None and not isinstance(value, str | PathLike):
            raise InputError(Mistake(("scene", key), "a path", shown(value)))
    path = None if path is None else Path(path)
    return path, Path(folder) if folder is not None else path.parent if path is not None else Path()


def _mistakes(
    file: str, raw: dict[str, Any], table: dict[str, Any], conversion: Conversion, errors: list[Any]
) -> list[Mistake]:
    """What conversion and validation found, in the order of the file format's tables."""
    found: list[tuple[tuple[str | int, ...], Mistake]] = []
    for loc, mistake in conversion.mistakes:
        spot = place_of(loc, SceneFile, table, raw, conversion, file, tags=False)
        found.append((loc, Mistake(spot.where[:-1], mistake.expected, mistake.found, mistake.remedy)))
    reported = {loc for loc, _ in conversion.mistakes}
    spots = [place_of(error["loc"], SceneFile, table, raw, conversion, file) for error in errors]
    for error, spot in zip(errors, spots, strict=True):
        if spot.loc not in reported and not _follows(error, spot, errors, spots):
            found.append((spot.loc, mistake_of(error, spot)))
    order = list(SceneFile.model_fields)

    def place(item: tuple[tuple[str | int, ...], Mistake]) -> tuple[int, int]:
        loc = item[0]
        first = order.index(str(loc[0])) if loc and loc[0] in order else -1
        return first, loc[1] if len(loc) > 1 and isinstance(loc[1], int) else -1

    return [mistake for _, mistake in sorted(found, key=place)]


def _follows(error: Any, spot: Spot, errors: list[Any], spots: list[Spot]) -> bool:
    """True for an error that only follows from another: a list short of its wrong items, a missing key misspelled."""
    if error["type"] == "too_short":
        return any(other.loc[: len(spot.loc)] == spot.loc and other.loc != spot.loc for other in spots)
    if error["type"] == "missing":
        return any(
            other["type"] == "extra_forbidden" and at.loc[:-1] == spot.loc[:-1] and stands_for(at) == spot.loc[-1]
            for other, at in zip(errors, spots, strict=True)
        )
    return False


def _valid_part(table: dict[str, Any], locs: list[tuple[str | int, ...]]) -> dict[str, Any]:
    """The entries that are valid by themselves, so that the checks across tables can run on them."""
    kept: dict[str, Any] = {}
    for name, field in SceneFile.model_fields.items():
        value = table.get(name)
        bad = [loc for loc in locs if loc and loc[0] == name]
        if isinstance(value, tuple) and all(len(loc) > 1 for loc in bad):
            wrong = {loc[1] for loc in bad}
            value = tuple(item for index, item in enumerate(value) if index not in wrong)
            kept[name] = tuple(TypeAdapter(_item(field.annotation)).validate_python(item) for item in value)
        elif bad or name not in table:
            kept[name] = () if str(field.annotation).startswith("tuple") else field.get_default()
        else:
            kept[name] = TypeAdapter[Any](field.annotation or Any).validate_python(value)
    return kept


def _item(annotation: Any) -> Any:
    return annotation.__args__[0]
