"""Owns the use of a company table as a rule; its file is `company_table`'s.

A cell that is not there is silent; nothing is taken from a neighbouring class or cell. A table names the tool's own
rules that it completes: it is held against them, the larger is taken, and each answers where the other is silent. The
most conservative of a company table and any other rule is asked as a list, `rule = ["osha-1910.269", "company.toml"]`.

>>> import tempfile
>>> from pathlib import Path
>>> from clearance.rules import required
>>> text = '''
... format = 1
... name = "Riverside Grid"
... edition = "3"
... per_unit_overvoltage = 2.5
... per_unit_basis = "study S-114"
... highest_altitude_m = 1000
... completes = []
... approval = { by = "Head of live working", date = 2025-03-01 }
... [[class]]
... nominal_kV = [220]
... from_kV = 200
... highest_kV = 245
... phase_earth.tool = { electrical_m = 1.75, ergonomic_m = 0.50 }
... '''
>>> with tempfile.TemporaryDirectory() as folder:
...     path = Path(folder) / "company.toml"
...     written = path.write_text(text)
...     alone = required(path, "phase-earth", voltage_kV=220)
...     both = required(["osha-1910.269", path], "phase-earth", voltage_kV=220)
>>> alone.limit_m, both.limit_m, both.rule.name
(2.25, 2.25, 'Riverside Grid')
"""

from __future__ import annotations

from clearance.errors import RuleError
from clearance.rules import overvoltage
from clearance.rules.company_table import CompanyTable, Distance, VoltageClass
from clearance.rules.records import (
    LESSER,
    Case,
    Exposure,
    Fact,
    Gap,
    InsulatingLength,
    Limit,
    RuleReference,
    RuleSilent,
    SystemVoltage,
    Transfer,
    Value,
    What,
)
from clearance.rules.voltage import system_voltage


def system(table: CompanyTable, voltage_kV: float | None, highest_kV: float | None) -> SystemVoltage:
    """The system's highest voltage: as given, else the class that names the nominal voltage, else by IEC 60038."""
    if voltage_kV is not None and highest_kV is None:
        for row in table.classes:
            if float(voltage_kV) in row.nominal_kV:
                return SystemVoltage(
                    float(voltage_kV),
                    row.highest_kV,
                    f"nominal {voltage_kV:g} kV, highest {row.highest_kV:g} kV by {table.name}",
                )
    return system_voltage(voltage_kV, highest_kV, "IEC")


def _row(table: CompanyTable, highest_kV: float) -> VoltageClass:
    for row in table.classes:
        if row.from_kV <= highest_kV <= row.highest_kV:
            return row
    ranges = ", ".join(
        f"{row.from_kV:g} to {row.highest_kV:g}" for row in sorted(table.classes, key=lambda row: row.from_kV)
    )
    raise RuleError(
        f"{table.path}: no class holds for a highest voltage of {highest_kV:g} kV (its classes: {ranges} kV), and "
        "nothing is taken from "
        "a neighbouring one: add the class to the table"
    )


def _reference(table: CompanyTable, row: VoltageClass) -> RuleReference:
    return RuleReference(table.name, table.edition, f"class {row.from_kV:g} to {row.highest_kV:g} kV")


def _checked(table: CompanyTable, case: Case) -> tuple[VoltageClass, list[str], dict[str, Value]]:
    """The class, the conditions and the inputs of any use of the table."""
    overvoltage.refuse_direct_current(case, table.path)
    row = _row(table, case.voltage.highest_kV)
    if not -500.0 <= case.altitude_m <= table.highest_altitude_m:
        raise RuleError(
            f"{table.path}: holds up to {table.highest_altitude_m:g} m above sea level, not at {case.altitude_m:g} m, "
            "and nothing is "
            "extrapolated"
        )
    given = overvoltage.stated(case, table.path)
    approval = table.approval
    conditions = [
        f"Approved by {approval.by}, {approval.date.isoformat()}" + (f" ({approval.note})." if approval.note else "."),
        f"Holds for T up to {table.per_unit_overvoltage:g}; basis: {table.per_unit_basis}.",
        f"Held against {' and '.join(table.completes) or 'no rule of this tool'}; the larger is taken.",
    ]
    numbers: dict[str, Value] = {
        "highest_kV": case.voltage.highest_kV,
        "per_unit_overvoltage": table.per_unit_overvoltage,
        "altitude_m": case.altitude_m,
        "table_sha256": table.sha256,
    }
    if case.voltage.nominal_kV is not None:
        numbers = {"nominal_kV": case.voltage.nominal_kV, **numbers}
    if given is not None:
        if given.per_unit > table.per_unit_overvoltage:
            raise RuleError(
                f"{table.path}: holds for T up to {table.per_unit_overvoltage:g}, and T = {given.per_unit:g} is "
                "given: use a rule that takes "
                "T, or have the table extended"
            )
        numbers |= {"per_unit_given": given.per_unit, "per_unit_basis": given.basis}
        conditions += given.conditions
    return row, conditions, numbers


def limit(table: CompanyTable, case: Case) -> Limit:
    """The employer's distance. Raises RuleSilent for a cell the table does not have, RuleError out of its range."""
    row, conditions, numbers = _checked(table, case)
    cell = _cell(row, case.exposure, case.gap)
    reference = _reference(table, row)
    if cell is None:
        lesser = [one for one in (_cell(row, case.exposure, gap) for gap in LESSER[case.gap]) if one is not None]
        raise RuleSilent(
            f"{table.path}: {reference.clause} has no distance for {case.exposure} with {case.gap} in the gap: the "
            "employer "
            f"must supply it (key {case.exposure.replace('-', '_')}.{case.gap})",
            max((one.electrical_m for one in lesser), default=0.0),
            max((one.electrical_m + one.ergonomic_m for one in lesser), default=0.0),
        )
    required = cell.electrical_m + cell.ergonomic_m
    steps = (
        case.voltage.basis,
        f"{reference.clause}: electrical part {cell.electrical_m:g} m + ergonomic part {cell.ergonomic_m:g} m = "
        f"{required:.4f} m",
    )
    numbers |= {"electrical_m": cell.electrical_m, "ergonomic_m": cell.ergonomic_m}
    return Limit(
        case.exposure,
        case.gap,
        required,
        cell.electrical_m,
        cell.ergonomic_m,
        reference,
        numbers,
        steps,
        tuple(conditions),
        (_fact(table, reference, "the employer's distances"),),
    )


def _fact(table: CompanyTable, reference: RuleReference, what: str) -> Fact:
    """A figure of the table, which somebody signed."""
    approval = table.approval
    return Fact(table.name, reference.clause, what, "signed", f"{approval.by}, {approval.date.isoformat()}")


def transfer(table: CompanyTable, highest_kV: float) -> Transfer | None:
    """The employer's distance of a bare body at potential transfer, or None. Raises RuleError where no class holds."""
    row = _row(table, highest_kV)
    if row.transfer_m is None:
        return None
    reference = _reference(table, row)
    return Transfer(row.transfer_m, reference, (_fact(table, reference, "bare body at potential transfer"),))


def _cell(row: VoltageClass, exposure: Exposure, gap: Gap) -> Distance | None:
    gaps = row.phase_earth if exposure == "phase-earth" else row.phase_phase
    return {"air": gaps.air, "tool": gaps.tool, "object": gaps.object}[gap]


def insulating_length(table: CompanyTable, case: Case, what: What) -> InsulatingLength:
    """The employer's insulating length to earth. Raises RuleSilent where the table has none, and between phases."""
    row, conditions, numbers = _checked(table, case)
    if case.exposure == "phase-phase":
        raise RuleSilent(
            f"{table.path}: insulating lengths of a company table are between a phase and earth, not between phases: "
            "name a rule that has them beside it"
        )
    lengths = row.insulation
    length = {"ladder": lengths.ladder_m, "rope": lengths.rope_m, "rod": lengths.rod_m, "string": lengths.string_m}[
        what
    ]
    reference = _reference(table, row)
    if length is None:
        raise RuleSilent(
            f"{table.path}: {reference.clause} has no insulating length of a {what} (key insulation.{what}_m): "
            "supply it"
        )
    steps = (case.voltage.basis, f"{reference.clause}: insulating length of a {what} {length:g} m")
    fact = _fact(table, reference, f"insulating length of a {what}")
    return InsulatingLength(what, length, reference, numbers, steps, tuple(conditions), (fact,))


def sound_insulators(table: CompanyTable, voltage: SystemVoltage) -> tuple[int, RuleReference]:
    """The employer's least number of sound insulators. Raises RuleSilent where the table has none."""
    row = _row(table, voltage.highest_kV)
    if row.sound_insulators is None:
        raise RuleSilent(f"{table.path}: no number of sound insulators in that class (key sound_insulators): supply it")
    return row.sound_insulators, _reference(table, row)


def assumed(table: CompanyTable, highest_kV: float) -> tuple[float, RuleReference]:
    """T the table holds for."""
    return table.per_unit_overvoltage, _reference(table, _row(table, highest_kV))
