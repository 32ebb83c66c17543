"""Owns what every record of a scene shares: strictness, the small value types, and how they are described to editors.

To state a length, use `Positive` or `NotNegative`; a place in the scene, `Place`; a value or a range, `Span`; a name or
a text that may not be empty, `Text`. Custom values report through `wrong`, which `clearance.scene.reading` turns into a
message.

A record is checked whenever it is made, and so is every record in it: one that was changed by `model_copy` is checked
as soon as another record or a scene takes it. NumPy arrays and scalars may stand wherever numbers and lists may.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, PlainValidator, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

from clearance.errors import InputError, Mistake


def wrong(expected: str, remedy: str = "") -> PydanticCustomError:
    """The error a custom value raises: what was expected, and what to do."""
    return PydanticCustomError("clearance", "{expected}", {"expected": expected, "remedy": remedy})


class Record(BaseModel):
    """Base of every table of a scene: frozen, no unknown keys, no coercion between types, no NaN."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, revalidate_instances="always"
    )

    word: ClassVar[str] = "entry"
    """What a message calls it."""
    other_keys: ClassVar[dict[str, str]] = {}
    """Further spellings a scene file may use, and the field each stands for."""
    derived: ClassVar[frozenset[str]] = frozenset()
    """Fields that no file holds: they are worked out from the rest of the scene."""

    @model_validator(mode="before")
    @classmethod
    def _from_anything(cls, value: Any) -> Any:
        return plain(value)


def stated(record: Record) -> dict[str, Any]:
    """What a record states, by field: all that was given, and whatever else differs from its default.

    >>> stated(Record())
    {}
    """
    fields = type(record).model_fields
    return {
        name: value
        for name, value in vars(record).items()
        if name not in record.derived
        and (name in record.model_fields_set or name not in fields or value != fields[name].get_default())
    }


def plain(value: Any) -> Any:
    """Lists and arrays as tuples and NumPy scalars as numbers, in tables too; anything else as it is.

    >>> import numpy as np
    >>> plain({"points_m": np.array([[0, 1], [2, 3]]), "sag_m": np.float64(2.5)})
    {'points_m': ((0, 1), (2, 3)), 'sag_m': 2.5}
    """
    # By what it can do, not by its class: a command that makes no array need not wait for NumPy.
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return tuple(plain(item) for item in value)
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    return value


@dataclass(frozen=True, slots=True)
class Range:
    """A closed range of one parameter, in the unit of its field; a single value has ``lo == hi``.

    Raises: InputError for ends that are no finite numbers, or the wrong way round.
    """

    lo: float
    hi: float

    def __post_init__(self) -> None:
        lo, hi = plain(self.lo), plain(self.hi)
        found = f"[{lo}, {hi}]"
        if not (is_number(lo) and is_number(hi) and math.isfinite(lo) and math.isfinite(hi)):
            raise InputError(Mistake(("range",), "two finite numbers [lowest, highest]", found))
        if lo > hi:
            remedy = f"the range is given backwards: write [{hi}, {lo}]"
            raise InputError(Mistake(("range",), "a range [lowest, highest]", found, remedy))
        object.__setattr__(self, "lo", float(lo))
        object.__setattr__(self, "hi", float(hi))

    @property
    def is_value(self) -> bool:
        """True where the range holds one value only."""
        return self.lo == self.hi


@dataclass(frozen=True, slots=True)
class Reference:
    """A place named by a body: ``along_m`` [m] from its beginning, or one of its live ends.

    For a wire `along_m` is horizontal, along the chord from its `from`; for the ladder it is measured along the ladder
    from its feet.

    Raises: InputError for what a scene file could not spell.
    """

    name: str
    along_m: float | None = None
    end: Literal["start", "end"] | None = None

    def __post_init__(self) -> None:
        along = plain(self.along_m)
        if not (isinstance(self.name, str) and _NAME.fullmatch(self.name)):
            raise InputError(Mistake(("reference",), "the name of a body, in one line", repr(self.name)))
        if (along is None) == (self.end is None) or self.end not in (None, "start", "end"):
            found = f"{self.along_m!r} and {self.end!r}"
            raise InputError(Mistake((f"reference to '{self.name}'",), 'along_m, or end "start" or "end"', found))
        if along is not None:
            if not (is_number(along) and math.isfinite(along)):
                raise InputError(Mistake((f"reference to '{self.name}'", "along_m"), "a finite number", repr(along)))
            object.__setattr__(self, "along_m", float(along))

    def __str__(self) -> str:
        return f"{self.name} {self.end}" if self.along_m is None else f"{self.name} @ {self.along_m:g}"


_NAME = re.compile(r"\S(.*\S)?")
_ALONG = re.compile(r"(?P<name>\S.*?)\s*@\s*(?P<along>[-+]?\d+(\.\d*)?([eE][-+]?\d+)?)")
_END = re.compile(r"(?P<name>\S.*?)\s+(?P<end>start|end)")
PLACE_WORDS = 'three numbers [x, y, z], or a reference such as "bus A @ 31.5", "bus A start" or "bus A end"'


def parse_reference(text: str) -> Reference | None:
    """The reference a text spells, or None where it spells none.

    >>> parse_reference("bus A @ 31.5")
    Reference(name='bus A', along_m=31.5, end=None)
    >>> parse_reference("bus A end")
    Reference(name='bus A', along_m=None, end='end')
    """
    if (found := _ALONG.fullmatch(text.strip())) and math.isfinite(float(found["along"])):
        return Reference(found["name"], float(found["along"]))
    if found := _END.fullmatch(text.strip()):
        return Reference(found["name"], end="start" if found["end"] == "start" else "end")
    return None


def is_number(value: object) -> bool:
    """True for an integer or a float, finite or not; a boolean is no number."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def _place(value: Any) -> tuple[float, float, float] | Reference:
    value = plain(value)
    if isinstance(value, Reference):
        return value
    if isinstance(value, str):
        if (reference := parse_reference(value)) is not None:
            return reference
        raise wrong(PLACE_WORDS)
    if not isinstance(value, tuple) or len(value) != 3 or not all(is_number(item) for item in value):
        raise wrong(PLACE_WORDS)
    if not all(math.isfinite(item) for item in value):
        raise wrong("three finite numbers [x, y, z]")
    return float(value[0]), float(value[1]), float(value[2])


def _range(value: Any) -> Range:
    if isinstance(value, Range):
        return value
    value = plain(value)
    ends = value if isinstance(value, tuple) else (value, value)
    if len(ends) != 2 or not all(is_number(end) for end in ends):
        raise wrong("one number, or a range [lowest, highest]")
    lo, hi = float(ends[0]), float(ends[1])
    if not (math.isfinite(lo) and math.isfinite(hi)):
        raise wrong("finite numbers")
    if lo > hi:
        raise wrong("a range [lowest, highest]", f"the range is given backwards: write [{hi:g}, {lo:g}]")
    return Range(lo, hi)


_POINT_SCHEMA = {"type": "array", "items": {"type": "number"}, "minItems": 3, "maxItems": 3}

Place = Annotated[
    tuple[float, float, float] | Reference,
    PlainValidator(_place),
    WithJsonSchema({"anyOf": [_POINT_SCHEMA, {"type": "string", "pattern": "( @ [-+0-9.eE]+| start| end)$"}]}),
]
"""A point (x, y, z) [m] in the scene frame, or a `Reference`."""

Span = Annotated[
    Range,
    PlainValidator(_range),
    WithJsonSchema(
        {"anyOf": [{"type": "number"}, {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}]}
    ),
]
"""A `Range`, written as one number or as [lowest, highest]."""


class FrozenDict(dict[str, Any]):
    """A table with keys of the scene's own, such as `potentials`: as frozen as the record that holds it."""

    def _refuse(self, *_: Any, **__: Any) -> Any:
        raise TypeError("a record is frozen: make a changed one")

    __setitem__ = __delitem__ = __ior__ = update = pop = popitem = clear = setdefault = _refuse

    def __reduce__(self) -> tuple[Any, ...]:
        return FrozenDict, (dict(self),)


Frozen = AfterValidator(FrozenDict)
"""Makes a field of dict type frozen; goes with validate_default=True."""

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Text = Annotated[str, Field(min_length=1, pattern=r"\S")]
"""A text that may not be empty or blank."""


def _day(value: Any) -> str:
    if isinstance(value, date) and not isinstance(value, datetime):
        value = value.isoformat()
    expected, remedy = 'a date as year, month and day, such as "2026-11-30"', "state the day that is meant"
    if not isinstance(value, str) or not re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
        raise wrong(expected, remedy)
    try:
        found = date.fromisoformat(value)
    except ValueError:
        raise wrong(expected, "there is no such day: check month and day") from None
    if not YEARS[0] <= found.year <= YEARS[1]:
        raise wrong(f"a date from {YEARS[0]} to {YEARS[1]}", "check its year; what is older must be said anew")
    return value


YEARS = (1990, 2100)
"""What somebody said before is no basis for a job of today. No date is held to that of today: what a scene gives must
not depend on the day it is asked."""

Day = Annotated[str, PlainValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]
"""A day, written as 2026-11-30."""
Point = tuple[float, float, float]
Xy = tuple[float, float]

EARTH = "earth"
FLOATING = "floating"
"""How a scene says that a conductive body is at no potential."""
