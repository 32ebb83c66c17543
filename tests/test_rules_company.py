"""The employer's own table: an example, its use, its edges."""

import pytest

from clearance.errors import RuleError
from clearance.rules import RuleSilent, assumed_overvoltage, insulating_length, required, sound_insulators

EXAMPLE = """
format = 1
name = "Riverside Grid live-working distances"
edition = "3, 2025-03-01"
per_unit_overvoltage = 2.5
per_unit_basis = "switching study S-114"
highest_altitude_m = 1000
completes = []

[approval]
by = "Head of live working"
date = 2025-03-01
note = "replaces edition 2"

[[class]]
nominal_kV = [110, 115]
from_kV = 100
highest_kV = 123
phase_earth.tool = { electrical_m = 0.95, ergonomic_m = 0.5 }

[[class]]
nominal_kV = [220, 230]
from_kV = 169.1
highest_kV = 245
phase_earth.air = { electrical_m = 1.60, ergonomic_m = 0.50 }
phase_earth.tool = { electrical_m = 1.75, ergonomic_m = 0.50 }
phase_phase.air = { electrical_m = 2.60, ergonomic_m = 0.50 }
phase_phase.tool = { electrical_m = 2.85, ergonomic_m = 0.60 }
insulation = { ladder_m = 2.1, rope_m = 2.2 }
sound_insulators = 10
"""
BASIS = {"per_unit_basis": "test"}


@pytest.fixture
def table(tmp_path):
    path = tmp_path / "company.toml"
    path.write_text(EXAMPLE)
    return path


def test_a_cell_with_its_parts_edition_and_approval(table):
    for rule in (table, str(table)):
        limit = required(rule, "phase-phase", gap="tool", voltage_kV=220)
        assert (limit.limit_m, limit.electrical_m, limit.ergonomic_m) == (pytest.approx(3.45), 2.85, 0.6)
        assert limit.rule.name == "Riverside Grid live-working distances"
        assert limit.rule.edition == "3, 2025-03-01"
        assert limit.rule.clause == "class 169.1 to 245 kV"
        assert limit.conditions[0] == "Approved by Head of live working, 2025-03-01 (replaces edition 2)."
        assert limit.inputs["highest_kV"] == 245.0
        assert len(str(limit.inputs["table_sha256"])) == 64


def test_a_missing_cell_is_silent_and_never_a_neighbour(table):
    with pytest.raises(RuleSilent, match=r"key phase_earth\.object"):
        required(table, "phase-earth", gap="object", voltage_kV=220)
    with pytest.raises(RuleSilent, match=r"key phase_phase\.air"):
        required(table, "phase-phase", gap="air", voltage_kV=110)


@pytest.mark.parametrize("kV", [99.9, 123.1, 150.0, 169.0, 245.1, 550.0])
def test_a_voltage_between_classes_is_refused(table, kV):
    with pytest.raises(RuleError, match="no class holds") as refusal:
        required(table, "phase-earth", highest_kV=kV)
    assert not isinstance(refusal.value, RuleSilent)


def test_altitude_and_overvoltage_beyond_the_table_are_refused(table):
    with pytest.raises(RuleError, match="holds up to 1000 m"):
        required(table, "phase-earth", voltage_kV=220, altitude_m=1001)
    with pytest.raises(RuleError, match=r"T up to 2\.5"):
        required(table, "phase-earth", voltage_kV=220, per_unit_overvoltage=2.6, inputs=BASIS)
    lower = required(table, "phase-earth", voltage_kV=220, per_unit_overvoltage=2.0, inputs=BASIS)
    assert lower.limit_m == 2.25
    assert assumed_overvoltage(table, 245.0)[0] == 2.5


def test_with_another_rule_the_most_conservative_wins(table):
    both = required(["osha-1910.269", str(table)], "phase-earth", voltage_kV=220)
    assert (both.limit_m, both.rule.name) == (2.25, "Riverside Grid live-working distances")
    between = required(["osha-1910.269", str(table)], "phase-phase", gap="air", voltage_kV=220)
    us = required("osha-1910.269", "phase-phase", gap="air", voltage_kV=220)
    assert between.limit_m == max(us.limit_m, 3.1)


def test_the_european_distance_takes_the_ergonomic_part_of_the_company(table, tmp_path):
    """D_L = 1.6 m at 220 kV against an employer's electrical part of 1.2 m: D_L and the employer's 0.5 m hold."""
    small = tmp_path / "small.toml"
    text = EXAMPLE.replace("electrical_m = 1.75", "electrical_m = 1.20")
    text = text.replace("electrical_m = 1.60", "electrical_m = 1.10")
    small.write_text(text)
    with pytest.raises(RuleSilent) as silent:
        required(["en-50110-1", small], "phase-earth", voltage_kV=220)
    assert (silent.value.electrical_m, silent.value.limit_m) == (1.6, pytest.approx(2.1))

    small.write_text(text.replace("completes = []", 'completes = ["en-50110-1"]'))
    limit = required(small, "phase-earth", voltage_kV=220)
    assert (limit.electrical_m, limit.limit_m) == (1.6, pytest.approx(2.1))


def test_a_missing_cell_needs_no_less_than_the_same_gap_with_less_in_it(table):
    """The table has no object between phases, but 3.45 m with a tool: another rule's smaller value does not stand in
    for it."""
    inputs = {"per_unit_basis": "test"}
    us = required("osha-1910.269", "phase-phase", gap="object", voltage_kV=220, per_unit_overvoltage=2.0, inputs=inputs)
    assert us.limit_m < 3.45
    with pytest.raises(RuleSilent) as silent:
        required(
            ["osha-1910.269", table],
            "phase-phase",
            gap="object",
            voltage_kV=220,
            per_unit_overvoltage=2.0,
            inputs=inputs,
        )
    assert silent.value.limit_m == pytest.approx(3.45)


def test_lengths_and_insulators(table):
    assert insulating_length(table, what="rope", voltage_kV=220).required_m == 2.2
    assert sound_insulators(table, 220) == 10
    with pytest.raises(RuleSilent, match=r"insulation\.rod_m"):
        insulating_length(table, what="rod", voltage_kV=220)
    with pytest.raises(RuleSilent):
        sound_insulators(table, 110)


def test_the_same_file_gives_the_same_limit(table):
    assert required(table, "phase-earth", voltage_kV=220) == required(table, "phase-earth", voltage_kV=220)
