"""Owns how a mistake in a scene file reads: the place by names, what was expected, what was found, what to do.

`place_of` walks a validation location to the names a person knows; `mistake_of` rewrites one pydantic error; `nearest`
finds the spelling that was meant.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, get_args, get_origin

from clearance.errors import Mistake
from clearance.scene.records_base import Record, Reference
from clearance.scene.units import Conversion, item_type, record_for, records_in, spellings, unit_of, units_of

Loc = tuple[str | int, ...]
_MISSING = object()


@dataclass(frozen=True)
class Spot:
    """A place in a scene file.

    where: the names from the outside in, the file first
    loc: the location in the converted table, without the tags pydantic adds
    found: the value as the file gives it
    record: the record class of the table the location lies in, or None
    """

    where: tuple[str, ...]
    loc: Loc
    found: Any
    record: type[Record] | None


def place_of(
    loc: Loc, root: type[Record], table: Any, raw: Any, conversion: Conversion, file: str, tags: bool = True
) -> Spot:
    """Where a location of the converted `table` lies in the `raw` one, in names.

    With `tags` the location is pydantic's, which puts the `kind` of an entry after it where there are several kinds.
    """
    names: list[str] = [file]
    clean: list[str | int] = []
    kind: Any = root
    record: type[Record] | None = root
    tagged = False
    for part in loc:
        if tags and not tagged and len(records_in(kind)) > 1 and isinstance(part, str):
            tagged = True
            continue
        tagged = False
        if isinstance(part, int):
            clean.append(part)
            kind = item_type(kind)
            table = table[part] if isinstance(table, tuple) and part < len(table) else None
            raw = raw[part] if isinstance(raw, list | tuple) and part < len(raw) else _MISSING
            if records_in(kind):
                names[-1] = title(records_in(kind)[0], table, part)
            else:
                names[-1] += f", item {part + 1}"
            continue
        record = record_for(kind, table)
        clean.append(part)
        spelled = conversion.spelled.get(tuple(clean), part)
        names.append(spelled)
        kind = record.model_fields[part].annotation if record is not None and part in record.model_fields else None
        table = table.get(part) if isinstance(table, dict) else None
        raw = raw.get(spelled, _MISSING) if isinstance(raw, dict) else _MISSING
    return Spot(tuple(names), tuple(clean), raw, record)


def title(record: type[Record], table: Any, index: int) -> str:
    """How an entry of a list of tables is called: by its name, else by its number, counted from one.

    >>> title(Record, {"name": "bus A"}, 0), title(Record, {}, 1)
    ("entry 'bus A'", 'entry 2')
    """
    name = table.get("name") if isinstance(table, dict) else None
    if not isinstance(name, str) or not name.strip():
        return f"{record.word} {index + 1}"
    return record.word if name == record.word else f"{record.word} '{name}'"


def nearest(word: str, options: Iterable[str]) -> str:
    """The option that was probably meant, or "".

    >>> nearest("lenght_m", ["length_m", "sag_m"])
    'length_m'
    """
    known = {option.casefold(): option for option in options}
    close = difflib.get_close_matches(word.casefold(), known, n=1, cutoff=0.6)
    return known[close[0]] if close else ""


def meant(word: str, options: Iterable[str]) -> str:
    """A remedy that names the nearest option, or lists them all."""
    known = list(options)
    guess = nearest(word, known)
    if guess:
        return f'perhaps "{guess}" is meant'
    return f"known here: {', '.join(known)}" if known else ""


def shown(value: Any) -> str:
    """A value as the file would write it.

    >>> shown(True), shown("A"), shown([1, 2.5]), shown(float("nan"))
    ('true', '"A"', '[1, 2.5]', 'NaN')
    """
    if value is _MISSING:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str | Reference):
        value = str(value)
        return f'"{value}"' if len(value) <= 80 else f'"{value[:77]}..."'
    if isinstance(value, float) and not math.isfinite(value):
        return "NaN" if math.isnan(value) else ("infinity" if value > 0 else "-infinity")
    if isinstance(value, list | tuple):
        text = f"[{', '.join(shown(item) for item in value)}]"
        return text if len(text) <= 80 else f"a list of {len(value)}"
    return "a table" if isinstance(value, dict) else str(value)


def choices(options: Iterable[Any]) -> str:
    """Options as a file would write them, joined by commas and an or."""
    words = [shown(option) for option in options]
    if not words:
        return "none, as the scene has none"
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]


def described(record: type[Record], name: str) -> str:
    """What a field holds, with its unit in brackets."""
    if name not in record.model_fields:
        return "as many entries as it takes"
    text = record.model_fields[name].description or name
    return f"{text} [{unit_of(name)}]" if unit_of(name) else text


_KINDS: Mapping[str, str] = {
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "string_type": "a text in quotes",
    "string_too_short": "a text that is not empty",
    "string_pattern_mismatch": "a text that is not blank",
    "tuple_type": "a list in brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "finite_number": "a finite number",
}


def mistake_of(error: Mapping[str, Any], spot: Spot) -> Mistake:
    """One pydantic error as a `Mistake`, `spot` being its place."""
    kind, context = error["type"], error.get("ctx", {})
    where, found, remedy = spot.where, shown(spot.found), ""
    name = spot.loc[-1] if spot.loc and isinstance(spot.loc[-1], str) else ""
    if kind == "missing":
        assert spot.record is not None
        others = [f"_{unit}" for unit in units_of(name) if unit != unit_of(name)]
        remedy = f"add {name}" + (f" (or with {', '.join(others)})" if others else "")
        if spot.record.word == "scene" and records_in(spot.record.model_fields[name].annotation):
            remedy = f"add a table [{name}]"
        elif spot.record.word == "scene" and records_in(item_type(spot.record.model_fields[name].annotation)):
            remedy = f"add a table [[{name}]]"
        return Mistake(where, described(spot.record, name), "nothing", remedy)
    if kind == "extra_forbidden":
        assert spot.record is not None
        options = [*spot.record.model_fields, *spot.record.other_keys]
        return Mistake(where[:-1], "an entry known here", f'the unknown key "{name}"', _meant_key(name, options))
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        options = [tag for record in _union(spot, error) for tag in get_args(record.model_fields["kind"].annotation)]
        given = error["input"].get("kind", _MISSING) if isinstance(error["input"], dict) else _MISSING
        remedy = meant(given, options) if isinstance(given, str) else f"add kind = {choices(options)}"
        return Mistake((*where, "kind"), choices(options), shown(given), remedy)
    if kind == "literal_error":
        options = _literals(spot)
        remedy = (
            meant(spot.found, options) if isinstance(spot.found, str) and _texts(options) else _explained(spot, name)
        )
        return Mistake(where, choices(options), found, remedy)
    if kind == "clearance":
        return Mistake(where, context["expected"], found, context["remedy"])
    return Mistake(where, _expected(kind, context, spot), found, _explained(spot, name))


def _expected(kind: str, context: Mapping[str, Any], spot: Spot) -> str:
    """What the remaining kinds of error expected, in words."""
    unit = unit_of(str(spot.loc[-1])) if spot.loc else ""
    for bound, words in (("gt", "above"), ("ge", "of at least"), ("lt", "below"), ("le", "of at most")):
        if bound in context:
            return f"a number {words} {context[bound]:g}" + (f" [{unit}]" if unit and context[bound] else "")
    if kind in ("too_short", "too_long") or (kind == "missing_argument"):
        least, most = context.get("min_length"), context.get("max_length")
        return f"a list of at least {least}" if least is not None else f"a list of at most {most}"
    return _KINDS.get(kind, kind.replace("_", " "))


def _explained(spot: Spot, name: str) -> str:
    if spot.record is None or name not in spot.record.model_fields:
        return ""
    return f"this is: {described(spot.record, name)}"


def stands_for(spot: Spot) -> str:
    """The field that an unknown key at a spot is nearest to, or ""."""
    if spot.record is None:
        return ""
    fields = {key: name for name in spot.record.model_fields for key in spellings(name)}
    return fields.get(nearest(str(spot.loc[-1]), fields), "")


def _meant_key(name: str, options: list[str]) -> str:
    guess = nearest(name, [key for option in options for key in spellings(option)])
    return f'perhaps "{guess}" is meant' if guess else f"known here: {', '.join(options)}"


def _field_type(spot: Spot) -> Any:
    name = next((part for part in reversed(spot.loc) if isinstance(part, str)), "")
    return spot.record.model_fields[name].annotation if spot.record and name in spot.record.model_fields else None


def _literals(spot: Spot) -> list[Any]:
    """The choices of a field."""
    found: list[Any] = []

    def walk(kind: Any) -> None:
        if str(get_origin(kind)) == "typing.Literal":
            found.extend(get_args(kind))
        else:
            for part in get_args(kind):
                walk(part)

    walk(_field_type(spot))
    return found


def _union(spot: Spot, error: Mapping[str, Any]) -> list[type[Record]]:
    kind = _field_type(spot)
    return records_in(kind) or records_in(item_type(kind))


def _texts(options: list[Any]) -> bool:
    return all(isinstance(option, str) for option in options)
