"""Owns a company table: the employer's own distances as a TOML file, and their use as a rule.

The file, for instance:

    format = 1
    name = "Riverside Grid live-working distances"
    edition = "3, 2025-03-01"
    per_unit_overvoltage = 2.5                   # T the distances hold for
    per_unit_basis = "switching study S-114"     # who determined it
    highest_altitude_m = 1000

    [approval]
    by = "Head of live working"
    date = 2025-03-01
    note = "replaces edition 2"

    [[class]]
    nominal_kV = [220, 230]                      # systems by name; optional
    from_kV = 169.1                              # highest voltages it holds for, both ends included
    highest_kV = 245
    phase_earth.air    = { electrical_m = 1.60, ergonomic_m = 0.50 }
    phase_earth.tool   = { electrical_m = 1.75, ergonomic_m = 0.50 }
    phase_earth.object = { electrical_m = 1.95, ergonomic_m = 0.50 }
    phase_phase.air    = { electrical_m = 2.40, ergonomic_m = 0.50 }
    insulation = { ladder_m = 2.1, rope_m = 2.1, rod_m = 2.3 }
    sound_insulators = 10

A cell that is not there is silent; nothing is taken from a neighbouring class or cell. Every mistake of a file is
reported at once, by entry and field, with the nearest spelling.
"""

from __future__ import annotations

import difflib
import hashlib
import itertools
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from clearance.errors import InputError, Mistake, RuleError
from clearance.rules import overvoltage
from clearance.rules.records import (
    Case,
    Exposure,
    Gap,
    InsulatingLength,
    Limit,
    RuleReference,
    RuleSilent,
    SystemVoltage,
    Value,
    What,
)
from clearance.rules.voltage import system_voltage

Metres = Annotated[float, Field(gt=0.0, le=50.0, allow_inf_nan=False)]
Kilovolts = Annotated[float, Field(gt=0.0, le=1200.0, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1, pattern=r"\S")]


class _Record(BaseModel):
    """Strict, so that a number in quotes or a misspelt key is a mistake and not a guess."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Distance(_Record):
    """A required distance in its two parts [m]."""

    electrical_m: Metres
    ergonomic_m: Annotated[float, Field(ge=0.0, le=5.0, allow_inf_nan=False)]


class Gaps(_Record):
    """The distances of one exposure by what is in the gap."""

    air: Distance | None = None
    tool: Distance | None = None
    object: Distance | None = None


class Insulation(_Record):
    """Clear insulating lengths [m]."""

    ladder_m: Metres | None = None
    rope_m: Metres | None = None
    rod_m: Metres | None = None
    string_m: Metres | None = None


class VoltageClass(_Record):
    """The distances of one voltage class; it holds for highest voltages from_kV..highest_kV [kV], both included."""

    nominal_kV: tuple[Kilovolts, ...] = ()
    from_kV: Kilovolts
    highest_kV: Kilovolts
    phase_earth: Gaps = Gaps()
    phase_phase: Gaps = Gaps()
    insulation: Insulation = Insulation()
    sound_insulators: Annotated[int, Field(ge=1, le=100)] | None = None

    @model_validator(mode="after")
    def _ordered(self) -> VoltageClass:
        if self.from_kV > self.highest_kV:
            raise ValueError(f"from_kV of at most highest_kV|{self.from_kV:g} above {self.highest_kV:g}")
        outside = [kV for kV in self.nominal_kV if kV > self.highest_kV]
        if outside:
            raise ValueError(f"nominal_kV of at most highest_kV|{outside[0]:g} above {self.highest_kV:g}")
        return self


class Approval(_Record):
    """Who answers for the table."""

    by: Text
    date: date
    note: str = ""


class CompanyTable(_Record):
    """A whole company table."""

    format: Literal[1]
    name: Text
    edition: Text
    per_unit_overvoltage: Annotated[float, Field(ge=1.0, le=10.0, allow_inf_nan=False)]
    per_unit_basis: Text
    highest_altitude_m: Annotated[float, Field(ge=0.0, le=6000.0, allow_inf_nan=False)]
    approval: Approval
    classes: Annotated[tuple[VoltageClass, ...], Field(alias="class", min_length=1)]
    path: str = Field(default="", exclude=True)
    sha256: str = Field(default="", exclude=True)

    @model_validator(mode="after")
    def _apart(self) -> CompanyTable:
        rows = sorted(self.classes, key=lambda row: row.from_kV)
        for low, high in itertools.pairwise(rows):
            if high.from_kV <= low.highest_kV:
                raise ValueError(
                    f"classes that do not overlap|one from {high.from_kV:g} kV, another up to {low.highest_kV:g} kV"
                )
        named = [kV for row in rows for kV in row.nominal_kV]
        twice = sorted({kV for kV in named if named.count(kV) > 1})
        if twice:
            raise ValueError(f"each nominal voltage in one class|{twice[0]:g} kV in several")
        return self


def read_table(path: Path) -> CompanyTable:
    """Read and check a company table. Raises InputError with every mistake, by file, entry and field."""
    try:
        content = path.read_bytes()
        data = tomllib.loads(content.decode("utf-8"))
    except OSError as error:
        reason = error.strerror or "it could not be read"
        raise InputError(
            Mistake((str(path),), "a company table that can be read", reason.lower(), "check the path")
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(
            Mistake((str(path),), "a TOML file in UTF-8", str(error), "mend the file at that place")
        ) from None
    reserved = [key for key in ("path", "sha256", "classes") if key in data]
    try:
        if reserved:
            raise InputError(
                [
                    Mistake(
                        (str(path), key),
                        "a key of the company table",
                        f"'{key}'",
                        "write 'class'" if key == "classes" else "",
                    )
                    for key in reserved
                ]
            )
        # From Python objects TOML arrays are lists and strict mode would want tuples; dates and numbers are already of
        # their types.
        table = CompanyTable.model_validate(_tuples(data))
    except ValidationError as error:
        raise InputError([_mistake(path, data, dict(one)) for one in error.errors()]) from None
    return table.model_copy(update={"path": str(path), "sha256": hashlib.sha256(content).hexdigest()})


def _tuples(value: Any) -> Any:
    """Lists as tuples and whole numbers as floats where a distance or voltage stands, all the way down."""
    if isinstance(value, dict):
        return {key: _tuples(one) for key, one in value.items()}
    if isinstance(value, list):
        return tuple(_tuples(one) for one in value)
    return value


MODELS: dict[str, type[_Record]] = {
    "approval": Approval,
    "class": VoltageClass,
    "phase_earth": Gaps,
    "phase_phase": Gaps,
    "insulation": Insulation,
    "air": Distance,
    "tool": Distance,
    "object": Distance,
}


def _mistake(path: Path, data: Mapping[str, Any], error: Mapping[str, Any]) -> Mistake:
    """One mistake of pydantic in this project's words."""
    where: list[str] = [str(path)]
    model: type[_Record] = CompanyTable
    location = [part for part in error["loc"] if part != "classes"]
    for position, part in enumerate(location):
        if isinstance(part, int):
            if location[position - 1] == "class":
                names = data.get("class", [{}])[part].get("nominal_kV") if isinstance(data.get("class"), list) else None
                where[-1] = f"class {part + 1}" + (
                    f" ({', '.join(str(kV) for kV in names)} kV)" if isinstance(names, list) else ""
                )
            else:
                where[-1] = f"{where[-1]}, item {part + 1}"
        else:
            where.append(str(part))
            if position < len(location) - 1:
                model = MODELS.get(str(part), model)
    kind, context, found = error["type"], error.get("ctx", {}), repr(error.get("input"))
    if kind == "extra_forbidden":
        known = [field.alias or name for name, field in model.model_fields.items() if name not in ("path", "sha256")]
        near = difflib.get_close_matches(str(location[-1]), known, 1, 0.5)
        remedy = f"did you mean '{near[0]}'" if near else f"the keys are {', '.join(known)}"
        return Mistake(tuple(where), "a key of the company table", f"'{location[-1]}'", remedy)
    if kind == "missing":
        return Mistake(tuple(where), "a value", "nothing", "add it")
    if kind == "value_error":
        expected, _, what = str(context["error"]).partition("|")
        return Mistake(tuple(where), expected, what, "mend one of the two")
    return Mistake(tuple(where), _expected(kind, context, str(error["msg"])), found)


def _expected(kind: str, context: Mapping[str, Any], message: str) -> str:
    """What pydantic expected, in plain words."""
    bounds = {
        "greater_than": "above",
        "greater_than_equal": "of at least",
        "less_than_equal": "of at most",
        "less_than": "below",
    }
    if kind in bounds:
        return f"a number {bounds[kind]} {next(iter(context.values())):g}"
    plain = {
        "float_type": "a number",
        "int_type": "a whole number",
        "string_type": "text in quotes",
        "string_too_short": "some text",
        "string_pattern_mismatch": "some text",
        "finite_number": "a finite number",
        "date_type": "a date such as 2025-03-01",
        "tuple_type": "a list in brackets",
        "model_type": "a table of keys",
        "too_short": "at least one",
        "dict_type": "a table of keys",
        "literal_error": f"{context.get('expected', '')}",
    }
    return plain.get(kind, message)


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
        (),
    )


LESSER: dict[Gap, tuple[Gap, ...]] = {"air": (), "tool": ("air",), "object": ("air", "tool")}
"""The gaps with less in them: where a cell is missing, it cannot need less than they do."""


def _cell(row: VoltageClass, exposure: Exposure, gap: Gap) -> Distance | None:
    gaps = row.phase_earth if exposure == "phase-earth" else row.phase_phase
    return {"air": gaps.air, "tool": gaps.tool, "object": gaps.object}[gap]


def insulating_length(table: CompanyTable, case: Case, what: What) -> InsulatingLength:
    """The employer's insulating length. Raises RuleSilent where the table has none."""
    row, conditions, numbers = _checked(table, case)
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
    return InsulatingLength(what, length, reference, numbers, steps, tuple(conditions), ())


def sound_insulators(table: CompanyTable, voltage: SystemVoltage) -> tuple[int, RuleReference]:
    """The employer's least number of sound insulators. Raises RuleSilent where the table has none."""
    row = _row(table, voltage.highest_kV)
    if row.sound_insulators is None:
        raise RuleSilent(f"{table.path}: no number of sound insulators in that class (key sound_insulators): supply it")
    return row.sound_insulators, _reference(table, row)


def assumed(table: CompanyTable, highest_kV: float) -> tuple[float, RuleReference]:
    """T the table holds for."""
    return table.per_unit_overvoltage, _reference(table, _row(table, highest_kV))
