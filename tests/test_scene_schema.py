"""The exported JSON Schema against an independent validator (jsonschema): right scenes pass, wrong ones do not."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest

from clearance.errors import InputError
from clearance.scene.builtin import scenes_folder
from clearance.scene.reading import read_scene
from clearance.scene.schema import DIALECT, scene_schema, schema_text

MESSAGES = Path(__file__).parent / "messages"
WHOLE = MESSAGES / "whole" / "whole.toml"


@pytest.fixture(scope="module")
def validator():
    schema = scene_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == DIALECT
    return jsonschema.Draft202012Validator(schema)


def errors_of(validator, table):
    return [error.message for error in validator.iter_errors(table)]


@pytest.mark.parametrize("path", [*sorted(scenes_folder().glob("*.toml")), WHOLE], ids=lambda path: path.stem)
def test_a_scene_that_is_read_passes(validator, path):
    try:
        read_scene(path)
    except InputError as error:
        pytest.fail(str(error))
    assert errors_of(validator, tomllib.loads(path.read_text())) == []


# Wrong scenes of `messages/` whose mistake lies within one table and needs no arithmetic: an editor should mark each.
MARKED = [
    "boolean_for_number", "choice_unknown", "format_unknown", "key_missing", "key_unknown", "kind_missing",
    "key_unknown_without_neighbour", "kind_unknown", "list_too_short", "number_not_above_zero", "percentile_unknown",
    "point_of_two_numbers", "range_of_three", "reference_malformed", "spelled_twice", "stage_kind_unknown",
    "stage_without_name", "stages_missing", "table_missing", "table_unknown", "text_empty", "type_wrong",
    "type_wrong_in_list", "unit_case", "unit_missing", "unit_wrong", "voltage_missing",
]  # fmt: skip


@pytest.mark.parametrize("name", MARKED)
def test_a_wrong_scene_fails(validator, name):
    assert errors_of(validator, tomllib.loads((MESSAGES / f"{name}.toml").read_text()))


def test_every_spelling_of_a_key_is_known_and_only_one_may_stand(validator):
    table = tomllib.loads(WHOLE.read_text())
    dropper = table["wires"][1]
    metres = dropper.pop("length_m")
    for key, value in (("length_ft", metres / 0.3048), ("length_mm", metres * 1000), ("length_m", metres)):
        dropper[key] = value
        assert errors_of(validator, table) == []
        del dropper[key]
    assert errors_of(validator, table)
    dropper |= {"length_m": metres, "length_ft": metres / 0.3048}
    assert errors_of(validator, table)


def test_bounds_of_a_record_do_not_bind_another_unit(validator):
    # A stature is bounded to 1.2-2.3 m; 180 cm is inside, though 180 is not.
    table = tomllib.loads(WHOLE.read_text())
    del table["workers"][0]["stature_m"]
    table["workers"][0]["stature_cm"] = 180
    assert errors_of(validator, table) == []


def test_text_is_the_same_every_time_and_says_what_entries_mean():
    assert schema_text() == schema_text()
    wire = json.loads(schema_text())["$defs"]["Jumper"]["properties"]
    assert wire["length_ft"]["description"] == wire["length_m"]["description"] == "length of conductor"
