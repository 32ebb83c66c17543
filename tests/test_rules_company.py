"""The employer's own table: an example, its use, its edges."""

import pytest
import small_scenes as small
from test_rules_of_the_job import osha

from clearance.errors import InputError, RuleError
from clearance.length_limits import lacking
from clearance.rules import (
    RuleSilent,
    assumed_overvoltage,
    insulating_length,
    names,
    required,
    sound_insulators,
    transfer_distance,
)
from clearance.rules.sheet import Question, sheet
from clearance.rules.skeleton import skeleton

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


def completing(folder, *rules, **changes):
    """The example as a table that completes some rules, with words of it changed."""
    text = EXAMPLE.replace("completes = []", f"completes = {list(rules)}".replace("'", '"'))
    for found, instead in changes.values():
        assert text.count(found) == 1
        text = text.replace(found, instead)
    path = folder / "completing.toml"
    path.write_text(text)
    return path


def test_a_table_is_held_against_the_rule_that_it_completes_and_the_larger_is_taken(tmp_path):
    """Chinese rules at 220 kV: 1.8 m to a live part (read); the table has 2.25 m with a tool, 2.10 m with air."""
    larger = required(completing(tmp_path, "gb-26859"), "phase-earth", voltage_kV=220)
    assert (larger.limit_m, larger.rule.name) == (2.25, "Riverside Grid live-working distances")
    small = ("{ electrical_m = 1.75, ergonomic_m = 0.50 }", "{ electrical_m = 1.25, ergonomic_m = 0.50 }")
    air = ("{ electrical_m = 1.60, ergonomic_m = 0.50 }", "{ electrical_m = 1.20, ergonomic_m = 0.50 }")
    path = completing(tmp_path, "gb-26859", tool=small, air=air)
    held = required(path, "phase-earth", voltage_kV=220)
    assert (held.limit_m, held.electrical_m, held.rule.name) == (1.8, 1.8, "gb-26859")
    alone = required(completing(tmp_path, tool=small, air=air), "phase-earth", voltage_kV=220)
    assert alone.limit_m == 1.75
    assert "Held against no rule of this tool; the larger is taken." in alone.conditions


def test_a_table_and_the_rule_it_completes_answer_for_each_other(tmp_path, table):
    """The table has no object to earth: the combined gap of the Chinese rules, 2.1 m (from memory), which is below the
    table's 2.25 m with a tool. The Chinese rules have no object between phases, and nothing above 1,000 m."""
    path = completing(tmp_path, "gb-26859")
    assert required(path, "phase-earth", gap="object", voltage_kV=220).limit_m == 2.25
    with pytest.raises(RuleSilent):
        required(["gb-26859", table], "phase-earth", gap="object", voltage_kV=220)
    with pytest.raises(RuleSilent, match="phase_phase_object_m"):
        required(path, "phase-phase", gap="object", voltage_kV=220)
    whole = ("phase_phase.tool", "phase_phase.object = { electrical_m = 3.0, ergonomic_m = 0.6 }\nphase_phase.tool")
    given = required(completing(tmp_path, "gb-26859", whole=whole), "phase-phase", gap="object", voltage_kV=220)
    assert given.limit_m == pytest.approx(3.6)
    assert given.grade == "signed"
    high = ("highest_altitude_m = 1000", "highest_altitude_m = 2000")
    above = completing(tmp_path, "gb-26859", high=high)
    assert required(above, "phase-earth", voltage_kV=220, altitude_m=1500).limit_m == 2.25
    with pytest.raises(RuleError):
        required(above, "phase-earth", voltage_kV=220, altitude_m=2001)
    path = completing(tmp_path, "gb-26859")
    with pytest.raises(RuleSilent, match="holds up to 1000 m"):
        required([path, "osha-1910.269"], "phase-earth", voltage_kV=220, altitude_m=1500)


def test_lengths_and_the_transfer_distance_of_a_table_take_the_larger_too(tmp_path):
    """Chinese rules at 220 kV: a rope 1.8 m, a rod 2.1 m (read); bare body at transfer 0.3 m (from memory)."""
    short = ("rope_m = 2.2", "rope_m = 1.5")
    path = completing(tmp_path, "gb-26859", short=short)
    assert insulating_length(path, what="rope", voltage_kV=220).required_m == 1.8
    assert insulating_length(path, what="ladder", voltage_kV=220).required_m == 2.1
    assert insulating_length(path, what="rod", voltage_kV=220).required_m == 2.1
    for stated, taken, own in ((0.2, 0.3, False), (0.5, 0.5, True)):
        said = ("sound_insulators = 10", f"sound_insulators = 10\ntransfer_m = {stated}")
        transfer = transfer_distance(completing(tmp_path, said=said), 245.0)
        assert (transfer.distance_m, transfer.own) == (taken, own)
        assert transfer.grade == ("signed" if own else "memory")


def test_a_table_that_completes_no_rule_there_is_refused(tmp_path):
    with pytest.raises(InputError) as error:
        required(completing(tmp_path, "gb-2685"), "phase-earth", voltage_kV=220)
    expected = f"completes: expected rules of {', '.join(names())}, found 'gb-2685'. Did you mean 'gb-26859'."
    assert str(error.value).endswith(expected)


@pytest.mark.parametrize("rule", ["gb-26859", "en-50110-1", "iec-61472"])
def test_the_table_to_fill_in_is_refused_until_it_is_and_then_completes_its_rule(tmp_path, rule):
    text = skeleton(sheet(Question((rule,), 220.0)))
    path = tmp_path / "mine.toml"
    path.write_text(text)
    with pytest.raises(InputError) as error:
        required(path, "phase-phase", gap="object", voltage_kV=220)
    for place in ("name", "edition", "approval: by", "approval: date", "highest_altitude_m", "phase_phase: object"):
        assert f"{place}: " in str(error.value)
    filled = text.replace('date = "?"', "date = 2026-11-30")
    filled = filled.replace('highest_altitude_m = "?"', "highest_altitude_m = 1000")
    filled = filled.replace('from_kV = "?"', "from_kV = 169.1").replace('= ""', '= "us"')
    filled = filled.replace('sound_insulators = "?"', "sound_insulators = 9").replace('"?"', "3.9")
    path.write_text(filled.replace("ergonomic_m = 3.9", "ergonomic_m = 0.5"))
    found = required(path, "phase-phase", gap="object", voltage_kV=220)
    assert found.limit_m == pytest.approx(4.4)
    assert insulating_length(path, what="string", voltage_kV=220).required_m == 3.9


def test_the_table_to_fill_in_leaves_out_what_was_read():
    """Read: person to live part at 220 kV, insulating lengths, sound insulators; the adjacent phase is from memory."""
    lines = skeleton(sheet(Question(("gb-26859",), 220.0))).splitlines()
    for start in ("# phase_earth.tool", "# insulation.rod_m", "# sound_insulators", "phase_phase.air", "transfer_m"):
        assert sum(line.startswith(start) for line in lines) == 1


def test_a_table_below_what_the_operating_voltage_alone_jumps_is_a_slip(table):
    """Table R-3 of 29 CFR 1910.269 at T = 1 in air: 0.01 feet a kilovolt of 245 / sqrt 3 are 0.43 m to earth."""
    need = osha(245.0, 1.0, air=True) - 0.31
    assert need == pytest.approx(0.43, abs=0.005)
    text = table.read_text()
    for figure, told in ((need - 0.01, True), (need + 0.01, False)):
        for was in (("electrical_m = 1.60", "electrical_m = 1.75"), ("ladder_m = 2.1",)):
            changed = text
            for one in was:
                changed = changed.replace(one, f"{one.rpartition(' = ')[0]} = {figure:.3f}")
            assert changed != text
            table.write_text(changed)
            found = [point for point in lacking(small.scene(rule=str(table))) if point.verdict == "undecided"]
            assert len(found) == told
            assert all(f"{figure:.3g} m for phase-earth" in point.what for point in found)
