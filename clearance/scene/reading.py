"""Owns the way from a scene file to a `Scene`: parse, convert units, validate, check across tables, digest.

To read a scene, use `read_scene`. It reports every mistake it can find at once; a scene it returns has consistent names
and ranges. Checks that need geometry or a rule's table are made where the scene is assembled, and raise the same error.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from clearance.errors import InputError, Mistake
from clearance.scene.checks import cross_checks, named_files
from clearance.scene.messages import Spot, mistake_of, place_of, stands_for
from clearance.scene.records import Scene, SceneFile
from clearance.scene.units import Conversion, to_record_units


def read_scene(path: str | Path) -> Scene:
    """The scene in a TOML file.

    Raises `InputError` with every mistake found: a file that cannot be read or parsed, unknown keys, wrong units,
    missing or impossible values, names that do not fit together, files that are named but missing.
    """
    path = Path(path)
    content = _bytes_of(path)
    raw = _parsed(path, content)
    conversion = Conversion()
    table = to_record_units(SceneFile, _with_lists(raw), conversion)

    errors: list[Any] = []
    try:
        scene = SceneFile.model_validate(table)
    except ValidationError as error:
        errors = error.errors(include_url=False)
        scene = _valid_part(table, [found["loc"] for found in errors])
    mistakes = _mistakes(path, raw, table, conversion, errors)
    known = Scene.model_construct(
        **{name: getattr(scene, name) for name in SceneFile.model_fields}, path=path, folder=path.parent, sha256=""
    )
    mistakes += cross_checks(known, table)
    if mistakes:
        raise InputError(dict.fromkeys(mistakes))
    return known.model_copy(update={"sha256": digest(content, known)})


def digest(content: bytes, scene: Scene) -> str:
    """SHA-256 of a scene file's bytes followed by the SHA-256 of each file it names, in order of appearance."""
    total = hashlib.sha256(content)
    for _, file in named_files(scene):
        with file.open("rb") as stream:
            total.update(hashlib.file_digest(stream, "sha256").digest())
    return total.hexdigest()


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        reason = "nothing" if isinstance(error, FileNotFoundError) else (error.strerror or str(error)).lower()
        raise InputError(Mistake((str(path),), "a scene file", reason, "check the path")) from None


def _parsed(path: Path, content: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        mistake = Mistake((str(path), f"line {line}"), "text in UTF-8", "other bytes", "save the file as UTF-8")
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        at = re.search(r"line (\d+), column (\d+)", said)
        line_text = f"line {at[1]}, column {at[2]}" if at else "end of file"
        reason = re.sub(r"\s*\(at [^)]*\)$", "", said)
        mistake = Mistake((str(path), line_text), "TOML", f"a mistake in its syntax ({reason})", "mend that line")
    raise InputError(mistake)


def _with_lists(raw: dict[str, Any]) -> dict[str, Any]:
    """The tree with a single rule written as a list of one."""
    return {**raw, "rule": [raw["rule"]]} if isinstance(raw.get("rule"), str) else raw


def _mistakes(
    path: Path, raw: dict[str, Any], table: dict[str, Any], conversion: Conversion, errors: list[Any]
) -> list[Mistake]:
    """What conversion and validation found, in the order of the file format's tables."""
    found: list[tuple[tuple[str | int, ...], Mistake]] = []
    for loc, mistake in conversion.mistakes:
        spot = place_of(loc, SceneFile, table, raw, conversion, str(path), tags=False)
        found.append((loc, Mistake(spot.where[:-1], mistake.expected, mistake.found, mistake.remedy)))
    reported = {loc for loc, _ in conversion.mistakes}
    spots = [place_of(error["loc"], SceneFile, table, raw, conversion, str(path)) for error in errors]
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


def _valid_part(table: dict[str, Any], locs: list[tuple[str | int, ...]]) -> SceneFile:
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
    return SceneFile.model_construct(**kept)


def _item(annotation: Any) -> Any:
    return annotation.__args__[0]
