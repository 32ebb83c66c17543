"""Units of a scene file: every factor against its definition, every spelling once."""

from __future__ import annotations

import math

import pytest

from clearance.scene.records import Jumper, LevelGround, SceneFile, SpanWire
from clearance.scene.units import QUANTITIES, Conversion, converted, record_classes, spellings, to_record_units, unit_of

# Exact by definition: international yard and pound agreement of 1959 (foot 0.3048 m, pound 0.45359237 kg), CGPM 1901
# (standard gravity 9.80665 m/s2), US Mendenhall order (survey foot 1200/3937 m). The rest follows by arithmetic; the
# pound-force to seven digits, 4.448222 N, is in NIST SP 811 appendix B.8.
DEFINED = [
    (100, "ft", "m", 30.48),
    (3937, "usft", "m", 1200.0),
    (12, "in", "m", 0.3048),
    (1500, "mm", "m", 1.5),
    (150, "cm", "m", 1.5),
    (0.4, "km", "m", 400.0),
    (1000, "lbf", "kN", 4.4482216152605),
    (1, "kip", "kN", 4.4482216152605),
    (2500, "N", "kN", 2.5),
    (245000, "V", "kV", 245.0),
    (32, "F", "C", 0.0),
    (212, "F", "C", 100.0),
    (-40, "F", "C", -40.0),
    (1500, "kg_km", "kg_m", 1.5),
    (1, "lb_ft", "kg_m", 1.4881639435695537),
    (1, "lbf_ft", "N_m", 14.593902937206364),
    (1, "lb_ft", "N_m", 14.593902937206364),
    (1.5, "kg_m", "N_m", 14.709975),
    (1500, "kg_km", "N_m", 14.709975),
    (15, "kN_km", "N_m", 15.0),
    (36, "km_h", "m_s", 10.0),
    (1, "mph", "m_s", 0.44704),
    (1, "kn", "m_s", 1852 / 3600),
    (1, "ft_s", "m_s", 0.3048),
]


@pytest.mark.parametrize(("value", "unit", "to", "expected"), DEFINED)
def test_conversion_follows_the_definition(value, unit, to, expected):
    assert converted(value, unit, to) == pytest.approx(expected, rel=1e-12, abs=1e-12)  # 1e-12: a few roundings


def test_every_unit_is_checked_above():
    covered = {(unit, to) for _, unit, to, _ in DEFINED} | {(to, to) for to in QUANTITIES}
    assert {(unit, to) for to, (_, units) in QUANTITIES.items() for unit in units} <= covered


def test_pound_force_per_foot_agrees_with_the_published_weight_of_a_conductor():
    # Drake, 1.094 lb/ft = 15.97 N/m, from a sag and tension sample quoted in the project's reference.
    assert round(converted(1.094, "lbf_ft", "N_m"), 2) == 15.97


def test_lists_convert_item_by_item_and_references_in_the_unit_of_their_key():
    assert converted([[1, 2], [3, 4]], "km", "m") == ((1000, 2000), (3000, 4000))
    wire = {
        "kind": "jumper",
        "name": "d",
        "phase": "A",
        "from_ft": "bus A @ 100",
        "to_ft": [10, 0, 20],
        "length_ft": 30,
    }
    table = to_record_units(Jumper, {**wire, "diameter_in": 1, "uncertainty_m": 0}, Conversion())
    made = Jumper.model_validate(table)
    assert (made.from_m.name, made.from_m.along_m) == ("bus A", pytest.approx(30.48))
    assert made.to_m == pytest.approx((3.048, 0, 6.096))
    assert (made.length_m, made.diameter_m) == (pytest.approx(9.144), pytest.approx(0.0254))


def test_ft_and_usft_are_two_feet():
    international = to_record_units(LevelGround, {"kind": "level", "height_ft": 1e6}, Conversion())
    survey = to_record_units(LevelGround, {"kind": "level", "height_usft": 1e6}, Conversion())
    assert survey["height_m"] - international["height_m"] == pytest.approx(0.6096012, abs=1e-6)  # 2 parts in a million


def test_no_field_can_be_read_as_two():
    for record in record_classes(SceneFile):
        keys = [key for name in record.model_fields for key in spellings(name)]
        assert len(keys) == len(set(keys)), record.__name__


def test_every_field_that_holds_lengths_says_its_unit():
    for record in record_classes(SceneFile):
        for name, field in record.model_fields.items():
            words = f"{field.description}".split()
            if {"length", "height", "diameter", "radius", "width", "sag"} & set(words) and "float" in str(field):
                assert unit_of(name) == "m", (record.__name__, name)


def test_not_a_number_survives_conversion_to_be_refused():
    table = to_record_units(SpanWire, {"kind": "span", "diameter_ft": math.nan}, Conversion())
    assert math.isnan(table["diameter_m"])
