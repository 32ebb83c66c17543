"""Every physical value of the format is held to what it can be and what is likely; slips of unit, sign and field are
caught, and a statement confirms what is unlikely and right."""

from __future__ import annotations

import json
import re
from typing import Literal, get_args, get_origin

import pytest
import schema_walk
import small_scenes
from small_scenes import CIRCUIT, LADDER, SAID, WORKER, box, stage

from clearance.errors import InputError
from clearance.scene import plausible
from clearance.scene.builtin import scenes_folder
from clearance.scene.plausible_ratios import RATIOS
from clearance.scene.plausible_values import TABLE, WITHOUT
from clearance.scene.reading import read_scene
from clearance.scene.records_base import Range, Record, Reference

WIRE = {
    "kind": "span",
    "name": "bus",
    "phase": "A",
    "from_m": [-20, 0, 9],
    "to_m": [20, 0, 9],
    "sag_m": 0.8,
    "diameter_m": 0.028,
    "uncertainty_m": 0.05,
    "weight_N_m": 15.97,  # 28.14 mm, 15.97 N/m: printed for one ACSR, sag-tension sample (REFERENCE 5.1)
}
STRING = {"kind": "strain", "length_m": 2.6, "insulating_m": 2.2, "diameter_m": 0.255, "units": 15}
GANTRY = {
    "kind": "gantry", "name": "gantry", "base_m": [0, 30], "columns": 2, "column_spacing_m": 14, "column_width_m": 1,
    "beam_height_m": 11, "beam_depth_m": 0.9, "beam_width_m": 0.8, "panel_m": 1.2, "member_radius_m": 0.05,
}  # fmt: skip
POLE = {"kind": "pole", "name": "pole", "base_m": [0, 30], "height_m": 12, "base_radius_m": 0.2, "top_radius_m": 0.12}
WEATHER = {"air_C": [0, 30], "wind_m_s": [0, 10], "basis": "season"}


def numeric(kind) -> bool:
    """Whether a field of this type holds a number, in a list or a range or by itself; records inside are not looked
    into, for they are walked themselves."""
    if isinstance(kind, type):
        return kind in (float, int, Range, Reference)
    if get_origin(kind) is Literal:
        return any(isinstance(value, int | float) for value in get_args(kind))
    return any(numeric(part) for part in get_args(kind))


def numeric_fields() -> set[tuple[type[Record], str]]:
    return {place for place, field in schema_walk.FORMAT.items() if numeric(field.annotation)}


def test_every_numeric_field_of_the_format_has_an_entry_or_a_reason_why_not():
    fields = numeric_fields()
    assert len(fields) > 200  # the walk itself finds them: 223 when this was written
    known = {*TABLE, *WITHOUT}
    without = [f"{r.__name__}.{n}" for r, n in fields if not any((k.__name__, n) in known for k in r.__mro__)]
    assert without == []


def test_no_entry_of_the_tables_is_of_a_field_that_is_not_there():
    there = {(kind.__name__, name) for record, name in numeric_fields() for kind in record.__mro__}
    assert {*TABLE, *WITHOUT} - there == set()
    assert not {*TABLE} & {*WITHOUT}
    of_ratios = {(r.record, r.field) for r in RATIOS}
    every = {(kind.__name__, name) for record, name in schema_walk.FORMAT for kind in record.__mro__}
    assert of_ratios - every == set()


@pytest.mark.parametrize("values", TABLE.values(), ids=lambda values: "")
def test_what_is_likely_is_possible_and_has_a_source(values):
    assert values.possible[0] <= values.likely[0] < values.likely[1] <= values.possible[1]
    assert values.source


def doubts(**parts):
    return [str(point) for point in plausible.unlikely(small_scenes.scene(**parts))]


def circuit(**changes):
    return {"circuits": [{**CIRCUIT, **changes}]}


def wire(**changes):
    return {"wires": [{**WIRE, **changes}]}


def strung(**changes):
    return wire(from_string={**STRING, **changes})


def ladder(**changes):
    return {"ladder": {**LADDER, **changes}}


def person(**changes):
    return {"workers": [{**WORKER, **changes}]}


def staged(**changes):
    return {"stages": [stage(**changes)]}


def structure(entry, **changes):
    return {"structures": [{**entry, "uncertainty_m": 0.02, **changes}]}


def weather(**changes):
    return {"weather": {**WEATHER, **changes}}


UNLIKELY = [
    # What each is made of, the field, one value that is unlikely, and one beside it that is not.
    (circuit, "overvoltage_per_unit", 1.0, 1.8),
    (circuit, "overvoltage_per_unit", 4.6, 4.4),
    (circuit, "highest_kV", 290.0, 245.0),  # 1.32 times the nominal 220
    (lambda altitude_m: {"altitude_m": altitude_m}, "altitude_m", 5300, 5100),
    (lambda frequency_Hz: {"frequency_Hz": frequency_Hz}, "frequency_Hz", 55, 60),
    (lambda frequency_Hz: {"frequency_Hz": frequency_Hz}, "frequency_Hz", 25, 16.7),
    (ladder, "length_m", 36.0, 11.0),  # feet
    (ladder, "bending_m", 1.2, 0.05),
    (ladder, "bending_m", 0.0001, 0.0),  # metres of millimetres
    (ladder, "rung_spacing_m", 0.12, 0.3),
    (ladder, "width_m", 1.3, 0.45),
    (ladder, "tilt_deg", 0.1745, 10.0),  # 10 degrees in radians
    (wire, "diameter_m", 0.28, 0.028),
    (wire, "uncertainty_m", 0.0, 0.05),
    (wire, "uncertainty_m", 0.0005, 0.05),
    (wire, "uncertainty_m", 2.1, 1.9),
    (wire, "weight_N_m", 1.628, 15.97),  # kg/m
    (wire, "weight_N_m", 90.0, 40.0),  # 90 N/m on 28 mm: denser than copper
    (strung, "insulating_m", 0.9, 2.2),  # of 2.6 m
    (strung, "units", 40, 15),  # 55 mm each
    (person, "suit_m", 0.2, 0.04),
    (person, "tool_m", 2.5, 0.15),
    (person, "trunk_lean_m", 1.1, 0.15),
    (staged, "lean_along_deg", [-0.026, 0.026], [-1.5, 1.5]),  # 1.5 degrees in radians
    (staged, "lean_across_deg", [0.0, 0.2], [0.0, 0.21]),
    (staged, "lean_along_deg", [-16, 0], [-14, 0]),
    (staged, "heading_deg", [-0.1, 0.1], [-5, 5]),
    (lambda **c: structure(GANTRY, **c), "beam_height_m", 40.0, 12.2),  # 40 ft
    (lambda **c: structure(GANTRY, **c), "heading_deg", 1.5708, 90.0),
    (lambda **c: structure(GANTRY, **c), "heading_deg", -0.7854, -0.79),
    (lambda **c: structure(POLE, **c), "height_m", 40.0, 12.2),
    (lambda **c: structure(POLE, **c), "top_radius_m", 0.25, 0.2),  # swapped with the foot's 0.2
    (weather, "wind_m_s", [0, 45], [0, 35]),
    (weather, "air_C", [-45, 10], [-35, 10]),
    (weather, "sun_W_m2", [0, 1450], [0, 1050]),
]  # fmt: skip


@pytest.mark.parametrize(("made", "field", "odd", "usual"), UNLIKELY, ids=[f"{f} {odd}" for _, f, odd, _ in UNLIKELY])
def test_an_unlikely_value_is_told_and_a_usual_one_beside_it_is_not(made, field, odd, usual):
    assert any(f"{field} " in said for said in doubts(**made(**{field: odd})))
    assert not any(f"{field} " in said for said in doubts(**made(**{field: usual})))


IMPOSSIBLE = [
    (circuit, "highest_kV", 500.0, 430.0),  # over twice the nominal 220
    (circuit, "nominal_kV", 2000.0, 220),
    (ladder, "bending_m", 50.0, 9.0),  # millimetres
    (ladder, "width_m", 45.0, 0.45),  # centimetres
    (ladder, "length_m", 82.0, 8.0),
    (ladder, "rung_spacing_m", 30.0, 0.3),
    (wire, "diameter_m", 2.8e-5, 0.028),
    (wire, "diameter_m", 28.0, 0.28),
    (wire, "uncertainty_m", 51.0, 49.0),
    (person, "suit_m", 40.0, 0.04),
    (person, "trunk_lean_m", 15.0, 0.15),
    (lambda **c: structure(POLE, **c), "height_m", 200.0, 140.0),
    (staged, "lean_along_deg", [-120, 0], [-90, 0]),
    (lambda uncertainty_m: {"solids": [box("b", [9, 9, 1], [1, 1, 1], uncertainty_m=uncertainty_m)]},
     "uncertainty_m", 60.0, 40.0),
]  # fmt: skip


@pytest.mark.parametrize(("made", "field", "odd", "least"), IMPOSSIBLE, ids=[f"{f} {o}" for _, f, o, _ in IMPOSSIBLE])
def test_an_impossible_value_is_refused_when_the_scene_is_read(made, field, odd, least):
    with pytest.raises(InputError) as caught:
        small_scenes.scene(**made(**{field: odd}))
    (mistake,) = [one for one in caught.value.mistakes if one.where[-1].split(".")[-1] == field]
    assert "check its unit" in mistake.remedy
    small_scenes.scene(**made(**{field: least}))


def test_twenty_two_kilovolts_with_a_highest_of_245_is_refused_and_both_are_named():
    with pytest.raises(InputError) as caught:
        small_scenes.scene(**circuit(nominal_kV=22, highest_kV=245))
    (said,) = map(str, caught.value.mistakes)
    for part in ("circuit 'bay': highest_kV", "highest over nominal voltage", "11.1364"):  # 245 / 22
        assert part in said


def confirmed(entry, field, value):
    return {"statements": [{**SAID, "kind": "confirmed", "entry": entry, "field": field, "value": value}]}


def test_a_statement_confirms_the_entry_and_the_field_it_names_and_no_other():
    odd = circuit(overvoltage_per_unit=1.0)
    assert len(doubts(**odd)) == 1
    assert doubts(**odd, **confirmed("circuit 'bay'", "overvoltage_per_unit", 1.0)) == []
    assert doubts(**odd, **confirmed("every circuit", "overvoltage_per_unit", 1)) == []
    for value in (1.2, 1.0000001, "1.0", [1.0, 1.0]):
        assert len(doubts(**odd, **confirmed("circuit 'bay'", "overvoltage_per_unit", value))) == 1
    assert len(doubts(**odd, **confirmed("circuit 'bay'", "nominal_kV", 1.0))) == 1
    assert len(doubts(**odd, **confirmed("every ladder", "overvoltage_per_unit", 1.0))) == 1


@pytest.mark.parametrize("entry", ["circuit 'other'", "every wire", "x", "circuit bay"])
def test_a_confirmation_of_what_the_scene_has_not_is_refused(entry):
    with pytest.raises(InputError, match=r"statement 2 \(confirmed\): entry: expected an entry of this scene"):
        small_scenes.scene(**confirmed(entry, "overvoltage_per_unit", 1.0))


def test_the_cure_of_an_unlikely_value_is_a_confirmation_that_holds():
    """Each cure is read as a user would: the entry, the field and the value that it names are stated."""
    for odd in (
        circuit(overvoltage_per_unit=1.0), strung(units=40), circuit(highest_kV=228.0),
        {"stages": [stage(lean_along_deg=[-0.02, 0.02])]}, {"ladder": {**LADDER, "length_m": 8, "width_m": 0.1}},
    ):  # fmt: skip
        (said,) = [point.cure for point in plausible.unlikely(small_scenes.scene(**odd))]
        entry, field, value = re.search(r'with entry "([^"]*)", field "([^"]*)" and value (.*?)\.?$', said).groups()
        assert doubts(**odd, **confirmed(entry, field, json.loads(value))) == []


def test_the_same_doubt_of_several_entries_is_one_point_and_confirmed_together_or_one_by_one():
    leans = {"stages": [stage(name=name, lean_along_deg=[-0.02, 0.02]) for name in ("one", "two", "three")]}
    (said,) = doubts(**leans)
    assert said.startswith("stage 'one' and 2 more: lean_along_deg of -0.02 to 0.02 deg")
    assert doubts(**leans, **confirmed("every stage", "lean_along_deg", [-0.02, 0.02])) == []
    (said,) = doubts(**leans, **confirmed("stage 'one'", "lean_along_deg", [-0.02, 0.02]))
    assert said.startswith("stage 'two' and 1 more")


def test_a_field_within_a_field_is_confirmed_by_its_whole_name():
    odd = strung(units=40)
    (said,) = doubts(**odd)
    assert said.startswith("wire 'bus': from_string.units")
    assert doubts(**odd, **confirmed("wire 'bus'", "from_string.units", 40)) == []


def test_a_value_is_held_to_its_entry_in_whatever_unit_it_is_given():
    feet = {key: value for key, value in LADDER.items() if key != "length_m"}
    assert not any("length_m" in said for said in doubts(ladder={**feet, "length_ft": 36, "insulating_to_m": 8.0}))


@pytest.mark.parametrize("path", sorted(scenes_folder().glob("*.toml")), ids=lambda path: path.stem)
def test_the_shipped_scenes_hold_nothing_unlikely(path):
    assert plausible.unlikely(read_scene(path)) == ()


def test_a_circuit_of_two_phases_is_asked_for_its_third():
    """Until it is named, or somebody says that there is none."""
    said = {**SAID, "kind": "confirmed", "entry": "circuit 'bay'", "field": "phases"}

    def told(phases, *statements):
        made = small_scenes.scene(circuits=[{**CIRCUIT, "phases": phases}])
        others = [one for one in made.statements if one.kind != "confirmed"]
        found = plausible.unlikely(made.changed(statements=[*others, *statements]))
        return [(p.where, p.verdict) for p in found if "third phase" in p.what]

    assert told(["A", "B", "C"]) == []
    assert told(["A", "B"]) == [("circuit 'bay'", "undecided")]
    assert told(["A", "B"], {**said, "value": ["A", "B"]}) == []
    assert told(["A", "B"], {**said, "value": ["A", "C"]}) == [("circuit 'bay'", "undecided")]


@pytest.mark.parametrize(
    ("weather", "none"),
    [
        ({"air_C": 20, "wind_m_s": 0}, True),
        ({"air_C": [20, 22.9], "wind_m_s": [0, 0.9]}, True),
        ({"air_C": [20, 23.1], "wind_m_s": 0}, False),
        ({"air_C": 20, "wind_m_s": [0, 1.1]}, False),
        ({"air_C": -1, "wind_m_s": 0, "ice_m": [0, 0.005]}, False),
        # Conductors that are given one temperature are warmed by no air.
        ({"air_C": [8, 27], "wind_m_s": 0, "conductor_C": 14}, True),
        ({"air_C": 14, "wind_m_s": 0, "conductor_C": [14, 40]}, False),
    ],
)
def test_a_weather_of_nothing_is_no_weather_until_it_is_confirmed(weather, none):
    """Else a table of one value would do what the statement that there is none does, and nobody would answer for it."""
    field = "conductor_C" if "conductor_C" in weather else "air_C"
    said = {**SAID, "kind": "confirmed", "entry": "weather", "field": field, "value": weather[field]}
    for statements, told in (((), none), ((said,), False)):
        made = small_scenes.scene(weather={**weather, "basis": "forecast"}, statements=statements)
        found = [point for point in plausible.unlikely(made) if "a weather of nothing" in point.what]
        assert [(point.where, point.verdict) for point in found] == [("weather", "undecided")] * told
        assert all('kind = "none"' in point.cure for point in found)


@pytest.mark.parametrize(
    ("weather", "field"),
    [
        ({"air_C": [8, 27], "wind_m_s": [0, 0.2]}, "wind_m_s"),
        ({"air_C": [8, 27], "wind_m_s": [0, 1.1]}, None),
        ({"air_C": -1, "wind_m_s": 0, "ice_m": [0, 0.005]}, None),
        ({"air_C": [8, 27], "wind_m_s": [0, 8], "wind_from_deg": [90, 119]}, "wind_from_deg"),
        ({"air_C": [8, 27], "wind_m_s": [0, 8], "wind_from_deg": [90, 121]}, None),
    ],
)
def test_no_wind_and_one_direction_of_it_are_confirmed(weather, field):
    """Still air while the conductors warm, or a wind along the line, moves no wire aside."""
    made = small_scenes.scene(weather={**weather, "basis": "forecast"})
    said = tuple(one for one in made.statements if getattr(one, "entry", "") != "weather")
    found = [one.what for one in plausible.unlikely(made.changed(statements=said)) if one.where == "weather"]
    assert [what.split()[0] for what in found] == [field] * (field is not None)
    if field is not None:
        entry = {**SAID, "kind": "confirmed", "entry": "weather", "field": field, "value": weather[field]}
        sure = small_scenes.scene(weather={**weather, "basis": "forecast"}, statements=[entry])
        assert [one for one in plausible.unlikely(sure) if one.where == "weather"] == []


def test_a_tool_that_is_none_is_no_tool_until_it_is_confirmed():
    for length, told in ((0.011, True), (0.099, True), (0.11, False), (0.0, False)):
        made = small_scenes.scene(workers=[{**WORKER, "tool_m": length}])
        assert bool([point for point in plausible.unlikely(made) if point.what.startswith("tool_m")]) == told


NOTHING = {
    "worker": (("trunk_lean_m", 0.01), ("suit_m", 0.002), ("boots_m", 0.002), ("helmet_m", 0.002)),
    "crew": (("suit_m", 0.002), ("boots_m", 0.002), ("helmet_m", 0.002)),
    "ladder": (("bending_m", 0.001),),
    "disturbed": (("movement_m", 0.011),),
    "ground": (("uncertainty_m", 0.0011),),
    "solids": (("uncertainty_m", 0.0011),),
    "structures": (("uncertainty_m", 0.0011),),
    "wires": (("uncertainty_m", 0.003),),
}
"""By entry, fields of which none at all helps, and the least that is usual."""


@pytest.mark.parametrize(("where", "field", "least"), [(w, *one) for w, some in NOTHING.items() for one in some])
def test_a_zero_that_helps_is_unlikely_until_it_is_confirmed(where, field, least):
    entries = {
        "worker": {**WORKER, "trunk_lean_m": 0.1},
        "crew": {"name": "helper", "stature_m": 1.8, "at_m": [0, 9], "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05},
        "ladder": {**small_scenes.LADDER, "bending_m": 0.05},
        "disturbed": {"wire": "bus", "basis": "estimate"},
        "ground": {"kind": "level", "height_m": 0, "extent_m": 40},
        "solids": box("b", [9, 9, 1], [1, 1, 1]),
        "structures": POLE,
        "wires": WIRE,
    }
    table = {"worker": "workers", "disturbed": "stages"}.get(where, where)

    def told(value, *statements):
        entry = {**entries[where], field: value}
        entry = (
            entry
            if where in ("ladder", "ground")
            else [small_scenes.stage(disturbed=[entry])]
            if table == "stages"
            else [entry]
        )
        level = {**entries["ground"], "uncertainty_m": 0.05}
        made = small_scenes.scene(**{"ground": level, "wires": [WIRE], "workers": [entries["worker"]], table: entry})
        others = [one for one in made.statements if one.kind != "confirmed"]
        return [p for p in plausible.unlikely(made.changed(statements=[*others, *statements])) if field in p.what]

    assert told(least) == []
    (point,) = told(0.0)
    entry, name = re.search('with entry "(.*?)".*field "(.*?)" and value 0', point.cure).groups()
    assert told(0.0, {**SAID, "kind": "confirmed", "entry": entry, "field": name, "value": 0.0}) == []


def test_how_far_a_wire_moves_is_stated_with_what_that_rests_on():
    stages = [small_scenes.stage(disturbed=[{"wire": "bus", "movement_m": 0.2}])]
    with pytest.raises(InputError, match="disturbed: 'bus': movement_m: expected a basis beside it, found none"):
        small_scenes.scene(wires=[WIRE], stages=stages)
    small_scenes.scene(wires=[WIRE], stages=[{**stages[0], "disturbed": [{**stages[0]["disturbed"][0], "basis": "a"}]}])


@pytest.mark.parametrize(("wide", "told"), [(0.09, True), (0.11, False)])
def test_nobody_stands_on_a_point_written_as_an_area(wide, told):
    corners = [[3, 0], [3 + wide, 0], [3, 0.01]]
    helper = {"name": "helper", "stature_m": 1.8, "at_m": [3, 0], "tool_m": 0.0}
    goes = stage(stands=[{"who": "helper", "at_m": [3, 0], "area_m": corners}])
    for parts in ({"crew": [{**helper, "area_m": corners}]}, {"crew": [helper], "stages": [goes]}):
        found = [p.what for p in plausible.unlikely(small_scenes.scene(**parts)) if "area_m" in p.what]
        assert len(found) == told, parts


@pytest.mark.parametrize("field", ["lean_along_deg", "lean_across_deg"])
def test_nobody_holds_a_ladder_plumb(field):
    """A zero helps as what is next to it does; nobody is on the ladder while it is moved."""
    for lean, kind, told in (
        (0.0, "work", 1),
        ([-0.1, 0.1], "work", 1),
        ([-0.25, 0.25], "work", 0),
        (0.0, "travel", 0),
    ):
        made = {field: lean, "kind": kind} | ({"workers": []} if kind == "travel" else {})
        found = small_scenes.scene(surveyed_m=0.0011, stages=[stage(**made)])
        said = tuple(one for one in found.statements if getattr(one, "field", "") != field)
        points = plausible.unlikely(found.changed(statements=said))
        assert len([point for point in points if field in point.what]) == told, (lean, kind)
