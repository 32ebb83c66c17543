"""Owns the file of a company table: the employer's own distances as TOML, its records and its reading.

The file, for instance:

    format = 1
    name = "Riverside Grid live-working distances"
    edition = "3, 2025-03-01"
    per_unit_overvoltage = 2.5                   # T the distances hold for
    per_unit_basis = "switching study S-114"     # who determined it
    highest_altitude_m = 1000
    completes = ["gb-26859"]                     # the tool's own rules it is held against and fills in; [] for none

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
    transfer_m = 0.4                             # bare body to the live part at potential transfer

A table and the rules that it completes count as one: where both have a figure the larger is taken, and where one has
none the other answers. `skeleton` makes one to fill in. Every mistake of a file is reported at once, by entry and
field, with the nearest spelling.
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

from clearance.errors import InputError, Mistake

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
    transfer_m: Metres | None = None

    @model_validator(mode="after")
    def _ordered(self) -> VoltageClass:
        if self.from_kV > self.highest_kV:
            raise ValueError(f"from_kV of at most highest_kV|{self.from_kV:g} above {self.highest_kV:g}")
        for exposure, gaps in (("phase_earth", self.phase_earth), ("phase_phase", self.phase_phase)):
            for less, more in (("air", "tool"), ("air", "object"), ("tool", "object")):
                _at_least(exposure, less, _cell_of(gaps, less), exposure, more, _cell_of(gaps, more))
        for gap in ("air", "tool", "object"):
            _at_least(
                "phase_earth", gap, _cell_of(self.phase_earth, gap), "phase_phase", gap, _cell_of(self.phase_phase, gap)
            )
        outside = [kV for kV in self.nominal_kV if kV > self.highest_kV]
        if outside:
            raise ValueError(f"nominal_kV of at most highest_kV|{outside[0]:g} above {self.highest_kV:g}")
        return self


def _cell_of(gaps: Gaps, gap: str) -> Distance | None:
    return {"air": gaps.air, "tool": gaps.tool, "object": gaps.object}[gap]


def _at_least(
    exposure: str, gap: str, lesser: Distance | None, other: str, other_gap: str, larger: Distance | None
) -> None:
    """Refuse a distance that is smaller than that of a gap with less in it, or to earth than between phases: a slip."""
    if lesser is None or larger is None:
        return
    for part, low, high in (
        ("electrical part", lesser.electrical_m, larger.electrical_m),
        ("whole", lesser.electrical_m + lesser.ergonomic_m, larger.electrical_m + larger.ergonomic_m),
    ):
        if high < low - 1e-9:  # a nanometre: the sums of parts carry float noise
            raise ValueError(
                f"{other}.{other_gap} of at least {exposure}.{gap} in its {part}|{high:g} m below {low:g} m"
            )


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
    completes: tuple[Text, ...]
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
    """Lists as tuples, all the way down: the records are frozen and strict."""
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
