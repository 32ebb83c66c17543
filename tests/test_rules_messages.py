"""Wrong questions and wrong tables, each with its whole message."""

import pytest
from test_rules_company import EXAMPLE

from clearance.errors import InputError
from clearance.rules import insulating_length, names, required
from clearance.rules.company_table import read_table

RULES = ", ".join(names())

QUESTIONS = [
    (
        {"rule": "osha-1910.26"},
        f"rule: expected one of {RULES}, or the path of a table (*.toml), found 'osha-1910.26'. Did you mean "
        "'osha-1910.269'.",
    ),
    ({"rule": []}, f"rule: expected at least one rule, found an empty list. The built-in rules are {RULES}."),
    (
        {"rule": "nowhere.toml"},
        "nowhere.toml: expected a company table that can be read, found no such file or directory. Check the path.",
    ),
    (
        {"exposure": "phase-ground"},
        "required distance: exposure: expected one of phase-earth, phase-phase, found 'phase-ground'.",
    ),
    ({"gap": "ladder"}, "required distance: gap: expected one of air, tool, object, found 'ladder'."),
    (
        {"voltage_kV": None},
        "voltage: expected voltage_kV (nominal) or highest_kV, found neither. Give one of them, in kV phase to phase.",
    ),
    (
        {"highest_kV": 200},
        "voltage: highest_kV: expected at least the nominal 220 kV, found 200 kV. Mend one of the two.",
    ),
    ({"highest_kV": float("nan")}, "voltage: highest_kV: expected a number of kilovolts above 0, found nan."),
    ({"altitude_m": float("nan")}, "required distance: altitude_m: expected a number, found nan."),
    ({"altitude_m": "900"}, "required distance: altitude_m: expected a number, found '900'."),
    (
        {"rule": "iec-61472", "inputs": {"kf": 0.8, "k_g": 12, "ergonomic_m": "0.5", "per_unit_basis": " "}},
        "iec-61472: inputs: kf: expected an input of this rule, found 'kf'. Did you mean 'k_f'.\n"
        "iec-61472: inputs: k_g: expected a number from 1 to 1.6 (gap factor; default 1.2, which is on the careful "
        "side), found 12.\n"
        "iec-61472: inputs: ergonomic_m: expected a number from 0 to 5 (D_E [m]; default 0.5), found '0.5'.\n"
        "iec-61472: inputs: per_unit_basis: expected some text (who determined the overvoltage T, and how), found ' '.",
    ),
    (
        {"inputs": {"basis": "a", "per_unit_basis": "b"}},
        "osha-1910.269: inputs: per_unit_basis: expected each input once, found 'per_unit_basis' under two names.",
    ),
    ({"inputs": {"current": "AC"}}, "osha-1910.269: inputs: current: expected one of ac, dc (ac or dc), found 'AC'."),
    (
        {"rule": "gb-26859", "inputs": {"compact_line": "no"}},
        "gb-26859: inputs: compact_line: expected true or false (false where the 500 kV line is known not to be a "
        "compact one), found 'no'.",
    ),
]


@pytest.mark.parametrize(("changed", "message"), QUESTIONS, ids=[next(iter(changed)) for changed, _ in QUESTIONS])
def test_question(changed, message):
    arguments = {"rule": "osha-1910.269", "exposure": "phase-earth", "voltage_kV": 220, **changed}
    with pytest.raises(InputError) as error:
        required(arguments.pop("rule"), arguments.pop("exposure"), **arguments)
    assert str(error.value) == message


def test_a_highest_voltage_given_as_nominal_is_told_so():
    with pytest.raises(InputError, match="245 kV is itself a highest voltage: give it as highest_kV"):
        required("iec-61472", "phase-earth", voltage_kV=245)


def test_unknown_tool():
    with pytest.raises(InputError) as error:
        insulating_length("gb-26859", what="stick", voltage_kV=220)
    assert str(error.value) == "required distance: what: expected one of ladder, rope, rod, string, found 'stick'."


TABLES = [
    (
        "phase_earth.tool = { electrical_m = 1.75, ergonomic_m = 0.50 }",
        "phase_earth.tool = { electrical_m = 1.55, ergonomic_m = 0.60 }",
        "company.toml: class 2 (220, 230 kV): expected phase_earth.tool of at least phase_earth.air in its electrical "
        "part, "
        "found 1.55 m below 1.6 m. Mend one of the two.",
    ),
    (
        "electrical_m = 2.60",
        "electrical_m = 1.20",
        "company.toml: class 2 (220, 230 kV): expected phase_phase.air of at least phase_earth.air in its electrical "
        "part, "
        "found 1.2 m below 1.6 m. Mend one of the two.",
    ),
    ("format = 1", "format = 2", "company.toml: format: expected 1, found 2."),
    (
        "[approval]",
        "[aproval]",
        "company.toml: approval: expected a value, found nothing. Add it.\n"
        "company.toml: aproval: expected a key of the company table, found 'aproval'. Did you mean 'approval'.",
    ),
    ('by = "Head of live working"', 'by = "  "', "company.toml: approval: by: expected some text, found '  '."),
    (
        "date = 2025-03-01",
        'date = "soon"',
        "company.toml: approval: date: expected a date such as 2025-03-01, found 'soon'.",
    ),
    (
        "phase_earth.air = { electrical_m = 1.60, ergonomic_m = 0.50 }",
        "phase_earth.air = { electrical_m = -1.6, ergonomic = 0.50 }",
        "company.toml: class 2 (220, 230 kV): phase_earth: air: electrical_m: expected a number above 0, found -1.6.\n"
        "company.toml: class 2 (220, 230 kV): phase_earth: air: ergonomic_m: expected a value, found nothing. Add it.\n"
        "company.toml: class 2 (220, 230 kV): phase_earth: air: ergonomic: expected a key of the company table, found "
        "'ergonomic'. "
        "Did you mean 'ergonomic_m'.",
    ),
    (
        "electrical_m = 1.75",
        "electrical_m = nan",
        "company.toml: class 2 (220, 230 kV): phase_earth: tool: electrical_m: expected a finite number, found nan.",
    ),
    (
        "electrical_m = 1.75",
        'electrical_m = "1.75"',
        "company.toml: class 2 (220, 230 kV): phase_earth: tool: electrical_m: expected a number, found '1.75'.",
    ),
    (
        "sound_insulators = 10",
        "sound_insulators = 9.5",
        "company.toml: class 2 (220, 230 kV): sound_insulators: expected a whole number, found 9.5.",
    ),
    (
        "from_kV = 169.1",
        "from_kV = 269.1",
        "company.toml: class 2 (220, 230 kV): expected from_kV of at most highest_kV, found 269.1 above 245. Mend one "
        "of the two.",
    ),
    (
        "highest_kV = 123",
        "highest_kV = 170",
        "company.toml: expected classes that do not overlap, found one from 169.1 kV, another up to 170 kV. Mend one "
        "of the two.",
    ),
    (
        "nominal_kV = [110, 115]",
        "nominal_kV = [220]",
        "company.toml: class 1 (220 kV): expected nominal_kV of at most highest_kV, found 220 above 123. Mend one of "
        "the two.",
    ),
    (
        "per_unit_overvoltage = 2.5",
        "per_unit_overvoltage = 0.9",
        "company.toml: per_unit_overvoltage: expected a number of at least 1, found 0.9.",
    ),
    (
        "phase_phase.tool",
        "phase_phase.toll",
        "company.toml: class 2 (220, 230 kV): phase_phase: toll: expected a key of the company table, "
        "found 'toll'. Did you mean 'tool'.",
    ),
]


@pytest.mark.parametrize(("found", "wrong", "message"), TABLES, ids=[wrong[:24] for _, wrong, _ in TABLES])
def test_table(tmp_path, monkeypatch, found, wrong, message):
    assert EXAMPLE.count(found) == 1
    monkeypatch.chdir(tmp_path)
    (tmp_path / "company.toml").write_text(EXAMPLE.replace(found, wrong))
    with pytest.raises(InputError) as error:
        required("company.toml", "phase-earth", voltage_kV=220)
    assert str(error.value) == message


def test_the_example_has_nothing_wrong(tmp_path):
    path = tmp_path / "company.toml"
    path.write_text(EXAMPLE)
    assert len(read_table(path).classes) == 2


@pytest.mark.parametrize("content", [b"format = ", b"\xff\xfe", b""])
def test_not_a_table(tmp_path, content):
    path = tmp_path / "company.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"company\.toml"):
        read_table(path)
