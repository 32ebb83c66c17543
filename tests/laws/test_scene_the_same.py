"""Laws of a whole scene, from its file to its verdicts: however the same thing is written, it is judged the same. It is
seen in a mirror, turned, moved, given in other units, under other names and in another order; and a range in two halves
is proved no worse than the whole."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from fractions import Fraction
from typing import Any, get_args

from hypothesis import assume, note
from hypothesis import strategies as st
from judged_scenes import (
    DISC_M,
    GROUND,
    LATTICE_M,
    PIECE_M,
    ROUNDING_M,
    TOLERANCE_M,
    Judged,
    before_of,
    judged,
    placed,
    text,
)
from law_scenes import SWEPT, Table, law, numbers, scenes
from schema_walk import FORMAT, RECORDS, Place, keys_of

DIRECTIONS = {
    ("Track", "heading_deg"), ("Ladder", "heading_deg"), ("Gantry", "heading_deg"), ("LatticeTower", "heading_deg"),
    ("Pole", "heading_deg"), ("Box", "heading_deg"), ("Mesh", "heading_deg"), ("Vehicle", "heading_deg"),
    ("Stand", "heading_deg"), ("AerialDevice", "chassis_deg"), ("Stage", "turret_deg"), ("PlaneGround", "uphill_deg"),
}  # fmt: skip
"""Anticlockwise from x: they turn with the scene, and are negative in the mirror."""
BEARINGS = {("Weather", "wind_from_deg")}
"""Clockwise from y."""
HANDED = {(record, key) for record, key in ((r.__name__, k) for r, k in FORMAT) if key == "lean_across_deg"}
HANDED |= {("Stage", "heading_deg")}
"""Beside a direction: they do not turn with the scene, and are negative in the mirror."""
UPRIGHT = {"tilt_deg", "lean_along_deg", "slope_deg", "boom_deg", "raise_deg"}
"""In an upright plane: the same in the mirror."""
HEIGHTS = {("LevelGround", "height_m"), ("Cloud", "height_m")}


def is_place(record: str, key: str) -> bool:
    """Whether a key gives places in the frame of the scene."""

    def of(annotation: Any) -> Iterator[Any]:
        yield annotation
        for part in get_args(annotation):
            yield from of(part)

    return key.endswith("_m") and any(
        found in (tuple[float, float], tuple[float, float, float])
        for found in of(RECORDS[record].model_fields[key].annotation)
    )


def test_every_angle_of_the_format_is_known_to_these_laws() -> None:
    every = {(record.__name__, key) for record, key in FORMAT if key.endswith("_deg")}
    known = DIRECTIONS | BEARINGS | HANDED
    assert {(record, key) for record, key in every - known if key not in UPRIGHT} == set()
    assert known <= every


Change = Callable[[str, str, Any], Any]


def rewritten(table: Table, change: Change) -> Table:
    """The scene with every value as `change` gives it, by its record, its key and what it is."""
    found = table
    for record, key, place in list(keys_of(table)):
        value = _at(table, place)
        if not isinstance(value, dict) and not (isinstance(value, list) and value and isinstance(value[0], dict)):
            found = placed(found, place, change(record, key, value))
    return found


def _at(value: Any, place: Place) -> Any:
    for part in place:
        value = value[part]
    return value


def moved(
    table: Table, turn_deg: float = 0.0, mirror: bool = False, by: tuple[float, float, float] = (0, 0, 0)
) -> Table:
    """The scene mirrored across the plane y = 0, then turned about z, then moved."""
    cosine, sine = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    side = -1.0 if mirror else 1.0

    def there(value: Any) -> Any:
        if value and isinstance(value[0], list):
            return [there(one) for one in value]
        x, y = value[0], side * value[1]
        return [cosine * x - sine * y + by[0], sine * x + cosine * y + by[1], *(z + by[2] for z in value[2:])]

    def angle(value: Any, factor: float, more: float) -> Any:
        if isinstance(value, list):
            return sorted(angle(one, factor, more) for one in value)
        return factor * value + more

    def change(record: str, key: str, value: Any) -> Any:
        if is_place(record, key) and isinstance(value, list):
            return there(value)
        if (record, key) in DIRECTIONS:
            turned = angle(value, side, turn_deg)
            # More than a whole turn is doubted.
            return turned if isinstance(turned, list) else math.remainder(turned, 360.0)
        if (record, key) in BEARINGS:
            return angle(value, side, -turn_deg)
        if (record, key) in HANDED:
            return angle(value, side, 0.0)
        if (record, key) in HEIGHTS:
            return angle(value, 1.0, by[2])
        if (record, key) == ("Crossarm", "side") and mirror:
            return {"left": "right", "right": "left", "both": "both"}[value]
        return value

    # Where its zero lies on the map moves the other way, so that the site is where it was.
    origin = {"easting_m": -by[0], "northing_m": -by[1], "height_m": -by[2]}
    return {**rewritten(table, change), **({"origin": origin} if any(by) else {})}


def same(one: Judged, other: Judged | str, named: Callable[[str], str] = str, turned: bool = False) -> None:
    """Holds the law: the same things are judged, their bounds overlap, and verdicts differ at most within both
    tolerances of a limit.

    named: what is called so in the one is called so in the other; turned: circles on the ground may have turned
    """
    assert isinstance(other, Judged), other
    there = {tuple(sorted(map(named, key))): row for key, row in one.rows.items()}
    rows = {tuple(sorted(key)): row for key, row in other.rows.items()}
    assert there.keys() == rows.keys()
    near = False
    for key, row in there.items():
        (lower, upper), (other_lower, other_upper) = row.gap, rows[key].gap
        seen = f"{key}: {row.through} {row.gap}, {rows[key].through} {rows[key].gap}"
        slack_m = ROUNDING_M
        if turned:
            ground = GROUND & {*key, *row.through, *rows[key].through}
            slack_m = DISC_M if ground else PIECE_M if "length" in key else LATTICE_M
        assert lower <= other_upper + slack_m, seen
        assert other_lower <= upper + slack_m, seen
        close = row.margin is not None and min(map(abs, row.margin)) <= 2 * TOLERANCE_M + slack_m
        near |= close
        assert close or row.verdict == rows[key].verdict, seen
    if not near:
        told = {named(name): verdict for name, verdict in one.verdicts.items()}
        assert told == other.verdicts, one.unsettled ^ other.unsettled
        assert len(one.unsettled) == len(other.unsettled), one.unsettled ^ other.unsettled


@law(2, scenes)
def test_a_scene_in_the_mirror(table: Table) -> None:
    same(before_of(table), judged(moved(table, mirror=True)), turned=True)


@law(2, scenes, numbers(15.0, 345.0))
def test_a_scene_that_is_turned(table: Table, turn_deg: float) -> None:
    note(f"turned by {turn_deg} deg")
    same(before_of(table), judged(moved(table, turn_deg)), turned=True)


FAR = numbers(-15_000.0, 15_000.0)


@law(1, scenes, FAR, FAR, numbers(-900.0, 900.0))
def test_a_scene_that_is_moved(table: Table, x: float, y: float, z: float) -> None:
    note(f"moved by {x}, {y}, {z} m")
    same(before_of(table), judged(moved(table, by=(x, y, z))))


POUND_N = Fraction("4.4482216152605")
OTHER_UNITS = {
    "m": {"ft": Fraction("0.3048"), "in": Fraction("0.0254"), "cm": Fraction("0.01"), "usft": Fraction(1200, 3937)},
    "kN": {"N": Fraction("0.001"), "lbf": POUND_N / 1000},
    "kV": {"V": Fraction("0.001")},
    "N_m": {"lbf_ft": POUND_N / Fraction("0.3048"), "kg_m": Fraction("9.80665"), "lb_ft": POUND_N / Fraction("0.3048")},
    "m_s": {"km_h": Fraction(1, 1) / Fraction("3.6"), "kn": Fraction(1852, 3600)},
}
"""Other units of a quantity and what one of them is (NIST SP 811, appendix B): not taken from the code under test."""


def in_other_units(table: Table, choose: Callable[[list[str]], str]) -> Table:
    """The scene with every length, force, voltage and weight per length in some other unit."""
    found = table
    for _, key, place in sorted(keys_of(table), key=lambda one: len(one[2]), reverse=True):
        unit = max((unit for unit in OTHER_UNITS if key.endswith(f"_{unit}")), key=len, default="")
        value = _at(table, place)
        if not unit or (isinstance(value, list) and value and isinstance(value[0], dict)):
            continue
        other = choose(sorted(OTHER_UNITS[unit]))

        def written(one: Any, factor: Fraction = OTHER_UNITS[unit][other]) -> Any:
            if isinstance(one, list):
                return [written(part) for part in one]
            if isinstance(one, str):
                name, _, along = one.rpartition(" @ ")
                return f"{name} @ {written(float(along))!r}"
            return float(Fraction(repr(one)) / factor)

        holder = {**_at(found, place[:-1])}
        new = {
            (key.removesuffix(unit) + other if k == key else k): (written(v) if k == key else v)
            for k, v in holder.items()
        }
        found = placed(found, place[:-1], new) if place[:-1] else new
    return found


@law(2, scenes, st.randoms(use_true_random=False))
def test_a_scene_in_other_units(table: Table, random: Any) -> None:
    other = in_other_units(table, random.choice)
    note(text(other))
    same(before_of(table), judged(other))


def renamed(value: Any, names: Mapping[str, str]) -> Any:
    """A table with other names, also where one is referred to."""
    if isinstance(value, dict):
        return {names.get(key, key): renamed(entry, names) for key, entry in value.items()}
    if isinstance(value, list):
        return [renamed(entry, names) for entry in value]
    if isinstance(value, str):
        name, at, along = value.partition(" @ ")
        return names.get(name, name) + at + along
    return value


def _mixed(names: list[str], random: Any) -> dict[str, str]:
    return dict(zip(names, random.sample(names, len(names)), strict=True))


PEOPLE, PHASES = ("workers", "crew"), ("A", "B", "C")


@law(2, scenes, st.randoms(use_true_random=False))
def test_a_scene_under_other_names(table: Table, random: Any) -> None:
    """Phases, people and bodies take one another's names."""
    people = [entry["name"] for name in PEOPLE for entry in table.get(name, ())]
    bodies = [entry["name"] for name in ("wires", "solids", "structures", "vehicles") for entry in table.get(name, ())]
    names = {**_mixed(list(PHASES), random), **_mixed(people, random), **_mixed(bodies, random)}
    other = renamed(table, names)
    note(text(other))
    every = re.compile(r"\b(" + "|".join(map(re.escape, sorted(names, key=len, reverse=True))) + r")\b")
    same(before_of(table), judged(other), lambda word: every.sub(lambda found: names[found[0]], word))


def shuffled(value: Any, random: Any, key: str = "") -> Any:
    """A table in another order: of its keys, and of every list of tables but the stages."""
    if isinstance(value, dict):
        return {name: shuffled(value[name], random, name) for name in random.sample(list(value), len(value))}
    if isinstance(value, list) and value and isinstance(value[0], dict):
        entries = [shuffled(entry, random) for entry in value]
        return entries if key == "stages" else random.sample(entries, len(entries))
    return value


@law(1, scenes, st.randoms(use_true_random=False))
def test_a_scene_in_another_order(table: Table, random: Any) -> None:
    other = shuffled(table, random)
    note(text(other))
    same(before_of(table), judged(other))


@law(2, scenes, st.data())
def test_a_range_in_two_halves(table: Table, data: st.DataObject) -> None:
    """Two stages that abut: what is proved of either is no less than what was proved of both, but for the tolerance."""
    (stage,) = table["stages"]
    wide = [key for key in SWEPT if isinstance(stage.get(key), list)]
    assume(wide)
    key = data.draw(st.sampled_from(wide))
    low, high = stage[key]
    middle = round(low + (high - low) * data.draw(numbers(0.3, 0.7)), 4)
    note(f"{key} cut at {middle}")
    halves = [{**stage, key: [low, middle]}, {**stage, key: [middle, high], "name": "the other half"}]
    whole, parts = before_of(table), judged({**table, "stages": halves})
    assume(isinstance(parts, Judged))
    assert isinstance(parts, Judged)
    compared = 0
    for (_, *what), row in whole.rows.items():
        for half in halves:
            part = parts.rows.get((half["name"], *what))
            if part is not None:
                assert part.gap[0] >= row.gap[0] - TOLERANCE_M - ROUNDING_M, (half["name"], what)
                compared += 1
    assert compared >= len(whole.rows)
