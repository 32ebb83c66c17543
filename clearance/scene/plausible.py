"""Owns whether the physical values of a scene can be, and whether they are likely.

Every number of every record is held to the table in `plausible_values`, and some to one another as `plausible_ratios`
says. What cannot be is a mistake of the file. What is unlikely leaves the result undecided: as a slip of unit, sign or
field it may take away what would be judged. A statement of kind "confirmed" that names the entry, the field and the
value says that it was looked at again.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from typing import Any

from clearance.errors import Mistake
from clearance.result import OpenPoint
from clearance.scene import naming
from clearance.scene.messages import shown
from clearance.scene.plausible_ratios import RATIOS, Ratio
from clearance.scene.plausible_values import TABLE, Values
from clearance.scene.records import SceneFile, where
from clearance.scene.records_base import Range, Record, is_number
from clearance.scene.records_statements import Confirmed, Doubt

NEAR = 1.01
"""[1] A value of `Values.among` is met within this factor."""

RADIANS = 5e-4
"""[rad] So near to a multiple of 15 degrees in radians a value looks like one: four figures of it were written."""


LEAST_AIR_K = 3.0
"""[K] A range of air temperature up to this, with hardly any wind, says that there is no weather."""

LEAST_WIND_M_S = 1.0
"""[m/s] So with wind: light air, that drifts smoke, is above it."""

LEAST_TURN_DEG = 30.0
"""[deg] A wind that is forecast from one direction comes from within some 15 degrees to either side of it."""


@dataclass(frozen=True)
class Given:
    """A number or several of one field, with what they may be.

    entry: as the result and a confirmation name it; word: what such an entry is called; field: its key, with a dot
        before each inner key
    stated: the field as the scene has it: what a confirmation confirms
    of: what was reckoned from several fields, "" for a value as stated
    """

    entry: str
    word: str
    field: str
    numbers: tuple[float, ...]
    values: Values
    stated: Any
    of: str = ""

    def words(self) -> str:
        """The value as people write it."""
        shown = [f"{number:.6g}" for number in dict.fromkeys(self.numbers)]
        many = f"{shown[0]} to {shown[-1]}" if len(shown) == 2 else ", ".join(shown[:6]) + (", ..." * (len(shown) > 6))
        return f"{many} {self.values.unit}".rstrip()


def impossible(scene: SceneFile) -> Iterator[Mistake]:
    """Every value that cannot be."""
    for given in values_of(scene):
        low, high = given.values.possible
        if any(not low <= number <= high for number in given.numbers):
            expected = f"{given.of}, " * bool(given.of) + f"{low:g} to {high:g} {given.values.unit}".rstrip()
            remedy = "check its unit and its sign, and whether two fields are swapped"
            yield Mistake((*where(scene), given.entry, given.field), expected, given.words(), remedy)


def unlikely(scene: SceneFile) -> tuple[OpenPoint, ...]:
    """Every value that is unlikely and not confirmed; the same of several entries together."""
    return (*doubted(scene, values_of(scene)), *_third_phases(scene), *_no_weather(scene))


def doubted(scene: SceneFile, values: Iterable[Given]) -> Iterator[OpenPoint]:
    """Those of some values that are unlikely and not confirmed, the same of several entries together."""
    found: dict[tuple[str, str, str], list[Given]] = {}
    for given in values:
        why = _doubt(given)
        if why and not confirmed(scene, given.entry, given.field, given.stated):
            found.setdefault((given.field, why, given.word), []).append(given)
    for (field, why, word), entries in found.items():
        first = entries[0]
        others = f" and {len(entries) - 1} more" if len(entries) > 1 else ""
        # One value is confirmed of them all only where they all have it.
        alike = len(entries) > 1 and all(_same(first.stated, one.stated) for one in entries)
        every = f' (or "every {word}")' if alike else ""
        cure = f"measure or read it again, mend its unit, or {confirming(first.entry, field, first.stated, every)}"
        yield OpenPoint(f"{first.entry}{others}", f"{field} {why}", cure)


def _third_phases(scene: SceneFile) -> Iterator[OpenPoint]:
    """Circuits of two phases: a line has three, and of the one that is not named nothing is judged at all."""
    for circuit in scene.circuits:
        entry = where(scene, circuit)[-1]
        if len(circuit.phases) < 3:
            what = f"phases names {' and '.join(circuit.phases)} alone: of a third phase nothing is judged"
            cure = (
                "name the third phase and model what is at it, or, where the circuit has two phases, or its third is "
                "nowhere near the job, "
            )
            yield from unless_confirmed(scene, entry, "phases", circuit.phases, what, cure)


def _no_weather(scene: SceneFile) -> Iterator[OpenPoint]:
    """A weather that is none: in a day's work the air warms by some degrees, and moves."""
    weather = scene.weather
    if weather is None:
        return
    # Where conductors are given a temperature of their own, the air warms none of them.
    field, warmth = ("air_C", weather.air_C) if weather.conductor_C is None else ("conductor_C", weather.conductor_C)
    iced = weather.ice_m.hi > 0.0 or weather.ice_weight_N_m is not None
    wind, way, span = weather.wind_m_s, weather.wind_from_deg, warmth.hi - warmth.lo
    calm = not iced and wind.hi <= LEAST_WIND_M_S
    if calm and span <= LEAST_AIR_K:
        what = (
            f"{field} over {span:.3g} K and wind_m_s up to {wind.hi:.3g} are a weather of nothing: usual in a "
            f"day's work are {LEAST_AIR_K:g} K and {LEAST_WIND_M_S:g} m/s or more (common practice, no source)"
        )
        cure = (
            "state the ranges of the hours of work; or leave [weather] and every known out and say so, kind = "
            '"none", what = ["weather"]; or '
        )
        yield from unless_confirmed(scene, "weather", field, warmth, what, cure)
    elif calm:
        what = f"wind_m_s up to {wind.hi:.3g} is no wind: usual in a day's work is {LEAST_WIND_M_S:g} m/s or more "
        what += "(common practice, no source)"
        yield from unless_confirmed(
            scene, "weather", "wind_m_s", wind, what, "state the wind at which the work stops, or "
        )
    if not calm and way is not None and way.hi - way.lo < LEAST_TURN_DEG:
        what = f"wind_from_deg over {way.hi - way.lo:.3g} deg: no wind keeps its direction within "
        what += f"{LEAST_TURN_DEG:g} deg (common practice, no source)"
        cure = "leave it out, so that it comes from anywhere, or state what was forecast and how it may turn; or "
        yield from unless_confirmed(scene, "weather", "wind_from_deg", way, what, cure)


def unless_confirmed(
    scene: SceneFile, entry: str, field: str, value: Any, what: str, cure: str, doubt: Doubt | None = None
) -> Iterator[OpenPoint]:
    """What is doubted of a value, with its cure or the statement that confirms it; nothing where somebody does.

    cure: with the words that lead over to the statement
    """
    if not confirmed(scene, entry, field, value, doubt):
        yield OpenPoint(entry, what, cure + confirming(entry, field, value, doubt=doubt))


def confirming(entry: str, field: str, value: Any, every: str = "", doubt: Doubt | None = None) -> str:
    """How a value is confirmed, in words."""
    items = tuple(float(f"{item:.9g}") if isinstance(item, float) else item for item in _items(value))
    said = shown(items[0] if len(items) == 1 else items)
    why = f', and doubt "{doubt}"' if doubt else ""
    return (
        f'confirm it by a statement of kind "confirmed" with entry "{entry}"{every}, field "{field}" and value {said}'
        f"{why}"
    )


def confirmed(scene: SceneFile, entry: str, field: str, value: Any, doubt: Doubt | None = None) -> bool:
    """Whether a statement confirms this value of an entry, or of every entry of its kind, against this doubt."""
    alone, question = _ALONE.get(), Question(entry, field, value, doubt)
    if alone is None:
        return any(confirms(said, question) for said in scene.statements if isinstance(said, Confirmed))
    alone.asked.append(question)
    return any(confirms(said, question) for said in alone.kept)


@dataclass(frozen=True)
class Question:
    """Whether a value of an entry is confirmed against a doubt."""

    entry: str
    field: str
    value: Any
    doubt: Doubt | None


def confirms(said: Confirmed, question: Question) -> bool:
    """Whether a statement answers a question."""
    entries = (question.entry, f"every {_word(question.entry)}")
    told = said.entry in entries and (said.field, said.doubt) == (question.field, question.doubt)
    return told and _same(question.value, said.value)


@dataclass(frozen=True, eq=False)
class _Alone:
    kept: tuple[Confirmed, ...]
    asked: list[Question]


_ALONE: ContextVar[_Alone | None] = ContextVar("_ALONE", default=None)


@contextmanager
def with_alone(*kept: Confirmed) -> Iterator[list[Question]]:
    """Within it these confirmations count, and no other of a scene; it gives what is asked of them, as it is asked."""
    alone = _Alone(kept, [])
    before = _ALONE.set(alone)
    try:
        yield alone.asked
    finally:
        _ALONE.reset(before)


def entries_of(scene: SceneFile) -> frozenset[str]:
    """Every entry of a scene as a confirmation names it, and every kind of them."""
    names = {"scene", *(name for name, _ in naming.entries(scene))}
    return frozenset(names | {f"every {_word(name)}" for name in names})


def _word(entry: str) -> str:
    """What such an entry is called: "wire" of "wire 'bus A'", "load" of "load 2"."""
    return entry.partition(" '")[0].rstrip("0123456789 ")


def _same(stated: Any, said: Any) -> bool:
    """Whether a confirmation says what the scene states; a number to nine figures, as the result writes it."""
    one, other = _items(stated), _items(said)
    return len(one) == len(other) and all(
        math.isclose(a, b, rel_tol=1e-8, abs_tol=1e-12) if isinstance(a, float) and isinstance(b, float) else a == b
        for a, b in zip(one, other, strict=True)
    )


def _items(value: Any) -> tuple[float | str, ...]:
    """What a value consists of: itself, both ends of a range where they differ, each of a list."""
    if isinstance(value, Range):
        return (value.lo, value.hi) if value.lo != value.hi else (value.lo,)
    if isinstance(value, tuple):
        return tuple(item for inner in value for item in _items(inner))
    return (float(value),) if is_number(value) else (str(value),)


def _doubt(given: Given) -> str:
    """Why a value is unlikely, in words; "" where it is likely."""
    values, numbers = given.values, given.numbers
    low, high = values.likely
    usual = f"{low:g} to {high:g} {values.unit}".rstrip()
    stated = f"of {given.words()}" if not given.of else f"gives {given.of}: {given.words()},"
    if any(not low <= number <= high for number in numbers):
        return f"{stated} is unlikely: usual is {usual} ({values.source})"
    largest = max((abs(number) for number in numbers), default=0.0)
    if 0.0 < largest < values.smallest * (1 + 1e-9):
        return f"{stated} is unlikely: so little is not met, and it may be in another unit ({values.source})"
    if values.among and not all(any(v / NEAR <= n <= v * NEAR for v in values.among) for n in numbers):
        return f"{stated} is unlikely: usual is {', '.join(f'{v:.4g}' for v in values.among)} {values.unit}"
    if values.radians and any(_like_radians(number) for number in numbers):
        return f"{stated} is unlikely: it looks like an angle in radians"
    return ""


def _like_radians(number: float) -> bool:
    times = abs(number) / math.radians(15.0)
    return 1 <= round(times) <= 24 and abs(times - round(times)) * math.radians(15.0) <= RADIANS


def values_of(scene: SceneFile) -> Iterator[Given]:
    """Every number of a scene that the table knows, in the order of the file format."""
    yield from _given(scene, "scene", "scene", "", deep=False)
    for name, entry in naming.entries(scene):
        yield from _given(entry, name, entry.word, "")


def _given(record: Record, entry: str, word: str, before: str, deep: bool = True) -> Iterator[Given]:
    looked_at, ratios = _looked_at(type(record))
    for name, values in looked_at:
        value = getattr(record, name)
        if values is not None and (numbers := _numbers(value)):
            yield Given(entry, word, before + name, numbers, values, value)
        if deep and isinstance(value, Record):
            yield from _given(value, entry, word, f"{before}{name}.")
        elif deep and isinstance(value, tuple):
            for number, inner in enumerate(value, 1):
                if isinstance(inner, Record):
                    yield from _given(inner, entry, word, f"{before}{name} {number}.")
    for ratio in ratios:
        if (found := ratio.reckon(record)) is not None:
            stated = getattr(record, ratio.field)
            yield Given(entry, word, before + ratio.field, (found,), ratio.values, stated, ratio.of)


@cache
def _looked_at(kind: type[Record]) -> tuple[tuple[tuple[str, Values | None], ...], tuple[Ratio, ...]]:
    """The fields of a kind of record with what the table says of each, and the ratios that are reckoned of it."""
    names = [one.__name__ for one in kind.__mro__]
    of = {name: next((TABLE[one, name] for one in names if (one, name) in TABLE), None) for name in kind.model_fields}
    return tuple(of.items()), tuple(ratio for ratio in RATIOS if ratio.record in names)


def _numbers(value: Any) -> tuple[float, ...]:
    """The numbers of a value: itself, both ends of a range, each of a list."""
    if isinstance(value, Range):
        return (value.lo, value.hi)
    if isinstance(value, tuple):
        return tuple(number for item in value for number in _numbers(item))
    return (float(value),) if is_number(value) else ()
