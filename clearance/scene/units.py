"""Owns units: which spellings of a key a scene file may use, and the one conversion to the unit a record keeps.

To learn a field's unit, use `unit_of`; its accepted keys, `spellings`; to convert a value, `converted`; to rewrite a
whole table before validation, `to_record_units`.

Factors are exact by definition: international foot 0.3048 m, inch 25.4 mm, US survey foot 1200/3937 m, pound
0.45359237 kg, standard gravity 9.80665 m/s2 (international yard and pound agreement of 1959; CGPM 1901). A
conversion is made on exact numbers and rounded once, so that 34 ft and 10.3632 m are the same number.
"""

from __future__ import annotations

import math
import types
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

from clearance.errors import Mistake
from clearance.scene.records_base import Range, Record, Reference, is_number, parse_reference, plain

FOOT_M: Final = Fraction("0.3048")
SURVEY_FOOT_M: Final = Fraction(1200, 3937)
POUND_KG: Final = Fraction("0.45359237")
GRAVITY_M_S2: Final = Fraction("9.80665")
_POUND_FORCE_N: Final = POUND_KG * GRAVITY_M_S2

ONE: Final = Fraction(1)
MILLI: Final = Fraction(1, 1000)

QUANTITIES: Final[Mapping[str, tuple[str, Mapping[str, Fraction]]]] = {
    "m": (
        "length",
        {
            "m": ONE,
            "mm": MILLI,
            "cm": 10 * MILLI,
            "km": 1000 * ONE,
            "ft": FOOT_M,
            "in": FOOT_M / 12,
            "usft": SURVEY_FOOT_M,
        },
    ),
    "kN": ("force", {"kN": ONE, "N": MILLI, "lbf": _POUND_FORCE_N * MILLI, "kip": _POUND_FORCE_N}),
    "kV": ("voltage", {"kV": ONE, "V": MILLI}),
    "deg": ("angle", {"deg": ONE}),
    "C": ("temperature", {"C": ONE, "F": Fraction(5, 9)}),
    "kg_m": ("mass per length", {"kg_m": ONE, "kg_km": MILLI, "lb_ft": POUND_KG / FOOT_M}),
    # A weight given as a mass per length is that mass under standard gravity.
    "N_m": (
        "weight per length",
        {
            "N_m": ONE,
            "kN_km": ONE,
            "lbf_ft": _POUND_FORCE_N / FOOT_M,
            "kg_m": GRAVITY_M_S2,
            "kg_km": GRAVITY_M_S2 * MILLI,
            "lb_ft": _POUND_FORCE_N / FOOT_M,
        },
    ),
    "m_s": (
        "speed",
        {"m_s": ONE, "km_h": Fraction(10, 36), "mph": 5280 * FOOT_M / 3600, "kn": Fraction(1852, 3600), "ft_s": FOOT_M},
    ),
    "Hz": ("frequency", {"Hz": ONE}),
}
"""Per unit of a record: what it measures, and for each unit a file may use the factor to the record's."""

MASSES_kN: Final[Mapping[str, Fraction]] = {"kg": GRAVITY_M_S2 * MILLI, "lb": _POUND_FORCE_N * MILLI}
"""What a weight may be given in besides: a mass, under standard gravity. No other force may, such as a tension."""

_OTHER_UNITS: Final = (
    "kg",
    "lb",
    "s",
    "min",
    "h",
    "A",
    "kA",
    "Pa",
    "kPa",
    "MPa",
    "psi",
    "rad",
    "K",
    "MV",
    "MN",
    "kHz",
    "yd",
    "mi",
)
ALL_UNITS: Final = frozenset(_OTHER_UNITS).union(*(units for _, units in QUANTITIES.values()))


def unit_of(key: str) -> str:
    """The record unit a field name ends with, or "" for a field without one.

    >>> unit_of("weight_N_m"), unit_of("length_m"), unit_of("phase")
    ('N_m', 'm', '')
    """
    fits = [unit for unit in QUANTITIES if key.endswith("_" + unit)]
    return max(fits, key=len) if fits else ""


def units_of(key: str) -> tuple[str, ...]:
    """The units a file may give a field in, the record's own first; none for a field without a unit.

    >>> units_of("weight_kN"), units_of("horizontal_tension_kN")
    (('kN', 'N', 'lbf', 'kip', 'kg', 'lb'), ('kN', 'N', 'lbf', 'kip'))
    """
    if not unit_of(key):
        return ()
    weight = unit_of(key) == "kN" and key.startswith("weight_")
    return (*QUANTITIES[unit_of(key)][1], *(MASSES_kN if weight else ()))


def spellings(key: str) -> tuple[str, ...]:
    """Every key a file may use for a field, the record's own first.

    >>> spellings("nominal_kV")
    ('nominal_kV', 'nominal_V')
    """
    unit = unit_of(key)
    if not unit:
        return (key,)
    stem = key[: -len(unit)]
    return tuple(stem + other for other in units_of(key))


def converted(value: Any, unit: str, to: str) -> Any:
    """A number, or every number in nested lists, from one unit to the record's; a reference's distance likewise.

    Anything else is returned as it is, for validation to refuse.

    >>> converted([10, 20], "ft", "m")
    (3.048, 6.096)
    """
    if isinstance(value, list | tuple):
        return tuple(converted(item, unit, to) for item in value)
    if unit == to:
        return value
    if isinstance(value, Range):
        return Range(converted(value.lo, unit, to), converted(value.hi, unit, to))
    place = parse_reference(value) if isinstance(value, str) else value
    if isinstance(place, Reference) and place.along_m is not None:
        return Reference(place.name, converted(place.along_m, unit, to))
    if not is_number(value) or not math.isfinite(value):
        return value
    # What was written, not the binary number next to it: 0.1 stands for a tenth.
    exact = Fraction(repr(value)) - (32 if unit == "F" else 0)
    try:
        return float(exact * (QUANTITIES[to][1][unit] if unit in QUANTITIES[to][1] else MASSES_kN[unit]))
    except OverflowError:
        return math.inf


@dataclass
class Conversion:
    """What `to_record_units` found on its way: mistakes, and how the file spelled the keys it rewrote."""

    mistakes: list[tuple[tuple[str | int, ...], Mistake]] = field(default_factory=list)
    spelled: dict[tuple[str | int, ...], str] = field(default_factory=dict)


def to_record_units(kind: Any, value: Any, found: Conversion, loc: tuple[str | int, ...] = ()) -> Any:
    """A copy of a parsed table, each key spelled and each number given as the record `kind` keeps it; lists as tuples.

    Parameters: `kind`, a record class or the type of a field; `value`, what the TOML parser gave or Python made;
    `found`, which collects mistakes (their `where` is left empty, the location says it) and spellings; `loc`, the
    location of the value.
    """
    if isinstance(value, list | tuple):
        item = item_type(kind)
        return tuple(to_record_units(item, entry, found, (*loc, index)) for index, entry in enumerate(value))
    record = record_for(kind, value)
    if not isinstance(value, dict) or record is None:
        return value
    table: dict[str, Any] = {}
    for key, entry in value.items():
        if entry is None:  # left out: Python has a word for it, a scene file has none
            continue
        name, unit = field_for(record, key)
        if unit == "?":
            expected = f"a {QUANTITIES[unit_of(name)][0]} with a unit that fits it"
            found.mistakes.append(((*loc, name), Mistake((), expected, key, f"write {_listed(spellings(name))}")))
        elif name in table:
            earlier = found.spelled.get((*loc, name), name)
            remedy = f"two spellings of one entry: keep {earlier} or {key}, not both"
            found.mistakes.append(((*loc, name), Mistake((), f"one entry for {name}", f"{earlier} and {key}", remedy)))
            continue
        if key != name:
            found.spelled[(*loc, name)] = key
        if unit and unit != "?":
            entry = converted(entry, unit, unit_of(name))
        if _holds_records(record, name):
            entry = to_record_units(record.model_fields[name].annotation, entry, found, (*loc, name))
        elif name in record.model_fields:
            entry = plain(entry)
        table[name] = entry
    return table


@cache
def _holds_records(record: type[Record], name: str) -> bool:
    """True for a field with tables of its own in it; asked of every key of a scene, each time one is made."""
    field = record.model_fields.get(name)
    return field is not None and bool(records_in(field.annotation) or records_in(item_type(field.annotation)))


def field_for(record: type[Record], key: str) -> tuple[str, str]:
    """The field a key stands for and the unit it is given in; "?" for a unit that does not fit, "" for no unit."""
    if key in record.model_fields:
        return key, unit_of(key)
    if key in record.other_keys:
        return record.other_keys[key], unit_of(record.other_keys[key])
    for name in record.model_fields:
        unit = unit_of(name)
        if not unit:
            continue
        stem = name[: -len(unit)]
        if key.startswith(stem) and key[len(stem) :] in ALL_UNITS:
            given = key[len(stem) :]
            return name, given if given in units_of(name) else "?"
        if key == stem[:-1]:
            return name, "?"
    return key, ""


def _listed(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]


def _parts(kind: Any) -> list[Any]:
    """The alternatives of a type, annotations taken off."""
    origin = get_origin(kind)
    if origin is Annotated:
        return _parts(get_args(kind)[0])
    if origin in (Union, types.UnionType):
        return [part for option in get_args(kind) for part in _parts(option)]
    return [kind]


def records_in(kind: Any) -> list[type[Record]]:
    """The record classes among the alternatives of a type."""
    return [part for part in _parts(kind) if isinstance(part, type) and issubclass(part, Record)]


def record_classes(root: type[Record]) -> list[type[Record]]:
    """A record class and every one its fields lead to."""
    found: list[type[Record]] = []

    def walk(kind: Any) -> None:
        for record in records_in(kind):
            if record not in found:
                found.append(record)
                for field in record.model_fields.values():
                    walk(field.annotation)
        for part in _parts(kind):
            for inner in get_args(part):
                walk(inner)

    walk(root)
    return found


def item_type(kind: Any) -> Any:
    """The type of the items of a field that holds a list, or None."""
    for part in _parts(kind):
        if get_origin(part) is tuple:
            return get_args(part)[0]
    return None


def record_for(kind: Any, value: Any) -> type[Record] | None:
    """The record class a table is of: the only one, or the one whose `kind` it states."""
    records = records_in(kind)
    if len(records) < 2 or not isinstance(value, dict):
        return records[0] if records else None
    for record in records:
        tag = record.model_fields["kind"].annotation
        if get_origin(tag) is Literal and value.get("kind") in get_args(tag):
            return record
    return None
