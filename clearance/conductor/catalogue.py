"""Owns the catalogue of conductors: what is known of a conductor by its code word, with sources, as data.

To look one up use `find`; to add a user's own, `read_catalogue` (a TOML file in the same form) or `entry` (a table);
to use one, `linear` or `two_part` (how it lengthens), `thermal` (its heat balance), `ageing` (first-loading curve of
26/7 ACSR).

Elastic constants of aluminium and steel in strand: 51.3 GPa and 182 GPa, referred to the area of each part. They give
Drake 69.6 GPa and 18.8e-6 1/C, and with them the two-part model reproduces the final column of the published Drake
table to its printed 0.01 ft on both sides of the knee (`tests/published/test_conductor_sag_tables.py`). The final
lines of the 26/7 stress-strain chart of the same handbook (Fig. 14.7) are 7 % stiffer: `models` gives both, so that
what is placed covers both.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from math import isfinite, pi
from pathlib import Path
from typing import Any, Final

from clearance.conductor.change_of_state import Elongation, InitialCurve, Linear, TwoPart
from clearance.conductor.heat import Conductor as ThermalConductor
from clearance.errors import InputError, Mistake

GRAVITY: Final = 9.80665
"""[m/s2] Standard gravity: weights are masses under it."""

PSI_PA: Final = 6894.757293168
AC_SHARE: Final = 1.05
"""[1] AC over DC resistance where only the latter can be computed: high for all but the largest conductors listed, so
warm."""

FOOT_M: Final = 0.3048
POUND_KG: Final = 0.45359237


@dataclass(frozen=True)
class Material:
    """One metal in strand: modulus [Pa], expansion [1/C], density [kg/m3], resistivity at 20 C [ohm m], its growth
    [1/C]."""

    modulus_Pa: float
    expansion_per_C: float
    density_kg_m3: float
    resistivity_ohm_m: float
    per_C: float


MATERIALS: Final[Mapping[str, Material]] = {
    # 1350-H19 at 61.2 % and 6201-T81 at 52.5 % of 1/58 ohm mm2/m (IACS); densities ASTM B230, B398 (from memory).
    "aluminium": Material(51.3e9, 23.0e-6, 2703.0, 1 / 58e6 / 0.612, 0.00404),
    "alloy": Material(63.0e9, 23.0e-6, 2690.0, 1 / 58e6 / 0.525, 0.00347),
    # Galvanized core and strand: 8 % of IACS (from memory).
    "steel": Material(182.0e9, 11.5e-6, 7780.0, 1 / 58e6 / 0.08, 0.0032),
    # ASTM B415, 20.3 % conductivity, as a maker's page gives it.
    "clad": Material(162.0e9, 12.6e-6, 6590.0, 1 / 58e6 / 0.203, 0.0036),
}

PARTS: Final[Mapping[str, tuple[str, str | None]]] = {
    "ACSR": ("aluminium", "steel"),
    "AAC": ("aluminium", None),
    "AAAC": ("alloy", None),
    "steel": ("steel", None),
    "aluminium-clad steel": ("clad", None),
    "shield with fibres": ("clad", None),
}
"""Material of the outer layer (or of the whole) and of the core, by kind."""

_FACTORS: Final[Mapping[str, tuple[str, float]]] = {
    "outer_strand_in": ("outer_strand", 0.0254),
    "outer_strand_mm": ("outer_strand", 1e-3),
    "core_strand_in": ("core_strand", 0.0254),
    "core_strand_mm": ("core_strand", 1e-3),
    "diameter_in": ("diameter", 0.0254),
    "diameter_mm": ("diameter", 1e-3),
    "diameter_m": ("diameter", 1.0),
    "weight_lb_kft": ("weight", POUND_KG * GRAVITY / FOOT_M / 1e3),
    "weight_kg_km": ("weight", GRAVITY / 1e3),
    "weight_kg_m": ("weight", GRAVITY),
    "weight_N_m": ("weight", 1.0),
    "rated_strength_lbf": ("strength", POUND_KG * GRAVITY),
    "rated_strength_kN": ("strength", 1e3),
    "outer_area_mm2": ("outer_area", 1e-6),
    "core_area_mm2": ("core_area", 1e-6),
    "modulus_GPa": ("modulus", 1e9),
    "expansion_per_C": ("expansion", 1.0),
    "resistance_microohm_m": ("resistance", 1e-6),
    "resistance_ohm_km": ("resistance", 1e-3),
}
_OTHER: Final = frozenset({"name", "kind", "kcmil", "outer", "core", "source", "from_memory"})


@dataclass(frozen=True)
class Entry:
    """A conductor of the catalogue, in SI.

    name, kind: code word; one of `PARTS`
    diameter_m, weight_N_m, rated_strength_N: of the whole
    outer_area_m2, core_area_m2: metal area of the outer layer (or the whole) and of the core; core 0 where there is
        none
    modulus_Pa, expansion_per_C: of the whole where the entry states them, else None: from the parts
    resistance_ohm_m: AC resistance at 25 and 75 C
    resistance_basis: "stated" or "computed from area and resistivity"
    source: where its figures come from
    from_memory: fields not read in a source; "all" for the whole entry
    """

    name: str
    kind: str
    diameter_m: float
    weight_N_m: float
    rated_strength_N: float
    outer_area_m2: float
    core_area_m2: float
    modulus_Pa: float | None
    expansion_per_C: float | None
    resistance_ohm_m: tuple[float, float]
    resistance_basis: str
    source: str
    from_memory: tuple[str, ...] = ()

    @property
    def area_m2(self) -> float:
        """Metal area of the whole [m2]."""
        return self.outer_area_m2 + self.core_area_m2


SHAPED = 0.05
"""[1] An area may differ so much from that of its strands taken as round: printed figures are rounded."""


def entry(table: Mapping[str, Any], where: tuple[str, ...] = ("conductors",)) -> Entry:
    """An entry from a table with units in its keys (those of the data files beside this module).

    Raises
    ------
    InputError: every unknown key, missing field and number out of place, together.
    """
    name = str(table.get("name", "?"))
    place = (*where, f"conductor '{name}'")
    wrong = [
        Mistake((*place, key), "a known key", key, f"use one of {', '.join(sorted({*_FACTORS, *_OTHER}))}")
        for key in table
        if key not in _FACTORS and key not in _OTHER
    ]
    kind = table.get("kind")
    if kind not in PARTS:
        wrong.append(Mistake((*place, "kind"), f"one of {', '.join(PARTS)}", repr(kind)))
    found: dict[str, Any] = {}
    for key, value in table.items():
        if key in _FACTORS:
            field, factor = _FACTORS[key]
            numbers = value if isinstance(value, list | tuple) else [value]
            if not all(
                isinstance(number, int | float) and not isinstance(number, bool) and isfinite(number) and number > 0
                for number in numbers
            ):
                wrong.append(Mistake((*place, key), "a number above 0", repr(value)))
            elif (field == "resistance") != isinstance(value, list | tuple) or (
                field == "resistance" and len(numbers) != 2
            ):
                wrong.append(
                    Mistake(
                        (*place, key),
                        "two numbers, at 25 and 75 C" if field == "resistance" else "one number",
                        repr(value),
                    )
                )
            else:
                found[field] = (
                    tuple(number * factor for number in numbers) if field == "resistance" else numbers[0] * factor
                )
    for part in ("outer", "core"):
        count, strand = table.get(part), found.get(f"{part}_strand")
        if not isinstance(count, int) or not strand:
            continue
        area = count * pi / 4 * strand**2
        stated_area = found.setdefault(f"{part}_area", area)
        if abs(stated_area / area - 1.0) > SHAPED:
            expected = f"{area * 1e6:.1f} mm2, as {count} strands of {strand * 1e3:.3f} mm have"
            wrong.append(Mistake((*place, f"{part}_area_mm2"), expected, f"{stated_area * 1e6:.1f} mm2", "mend one"))
    for field, example in (
        ("diameter", "diameter_mm"),
        ("weight", "weight_kg_km"),
        ("strength", "rated_strength_kN"),
        ("outer_area", "outer_area_mm2, or outer and outer_strand_mm"),
    ):
        if field not in found and not any(mistake.where[-1].startswith(field) for mistake in wrong):
            wrong.append(Mistake((*place, field), f"a figure, for instance {example}", "none"))
    if not wrong and PARTS[str(kind)][1] is not None and "core_area" not in found:
        wrong.append(
            Mistake(
                (*place, "core"),
                f"the core of a conductor of kind {kind}: core_area_mm2, or core and core_strand_mm",
                "none",
            )
        )
    if "source" not in table:
        wrong.append(Mistake((*place, "source"), "where the figures come from", "none"))
    if wrong:
        raise InputError(wrong)
    core_area = found.get("core_area", 0.0)
    stated = found.get("resistance")
    return Entry(
        name,
        str(kind),
        found["diameter"],
        found["weight"],
        found["strength"],
        found["outer_area"],
        core_area,
        found.get("modulus"),
        found.get("expansion"),
        stated
        or tuple(AC_SHARE * _resistance(str(kind), found["outer_area"], core_area, warm) for warm in (25.0, 75.0)),
        "stated" if stated else "computed from area and resistivity",
        str(table["source"]),
        tuple(table.get("from_memory", ())),
    )


def _resistance(kind: str, outer_m2: float, core_m2: float, temperature_C: float) -> float:
    """DC resistance [ohm/m]: strands 2 % longer than the conductor; a steel core left out, which makes it the
    warmer."""
    outer, core = PARTS[kind]
    area = outer_m2 if core is not None else outer_m2 + core_m2
    return 1.02 * _resistivity(MATERIALS[outer], temperature_C) / area


def _resistivity(material: Material, temperature_C: float) -> float:
    return material.resistivity_ohm_m * (1.0 + material.per_C * (temperature_C - 20.0))


def computed_resistance(conductor: Entry, temperature_C: float) -> float:
    """DC resistance [ohm/m] from area and resistivity; AC is up to 8 % more in the largest three-layer conductors."""
    return _resistance(conductor.kind, conductor.outer_area_m2, conductor.core_area_m2, temperature_C)


def read_catalogue(path: Path) -> dict[str, Entry]:
    """Entries of a TOML file with [[conductors]] tables, by name. Raises InputError with every mistake in it."""
    try:
        with path.open("rb") as stream:
            tables = tomllib.load(stream).get("conductors", [])
    except (OSError, tomllib.TOMLDecodeError) as failure:
        raise InputError(Mistake((str(path),), "a TOML file with [[conductors]]", str(failure))) from failure
    return _entries(tables, (str(path),))


def _entries(tables: list[Mapping[str, Any]], where: tuple[str, ...]) -> dict[str, Entry]:
    entries: dict[str, Entry] = {}
    wrong: list[Mistake] = []
    for table in tables:
        try:
            made = entry(table, where)
        except InputError as failure:
            wrong += failure.mistakes
            continue
        if made.name in entries:
            wrong.append(Mistake((*where, f"conductor '{made.name}'"), "one entry of this name", "two"))
        entries[made.name] = made
    if wrong:
        raise InputError(wrong)
    return entries


@cache
def built_in() -> Mapping[str, Entry]:
    """Every conductor that comes with the package, by code word."""
    entries: dict[str, Entry] = {}
    folder = resources.files("clearance.conductor") / "data"
    for name in ("acsr.toml", "aaac.toml", "shield.toml"):
        entries |= _entries(tomllib.loads((folder / name).read_text("utf-8"))["conductors"], (f"data/{name}",))
    return entries


def find(name: str, more: Mapping[str, Entry] | None = None) -> Entry:
    """The conductor of a code word, a user's own first; capitals do not matter.

    Raises InputError with the nearest names.

    >>> drake = find("Drake")
    >>> print(round(drake.area_m2 * 1e6, 1), round(drake.diameter_m * 1e3, 2), round(drake.weight_N_m, 2))
    468.6 28.14 15.97
    """
    for shelf in (more or {}, built_in()):
        for word, found in shelf.items():
            if word.casefold() == name.casefold():
                return found
    from difflib import get_close_matches

    words = [*(more or {}), *built_in()]
    near = get_close_matches(name, words, 3, 0.5)
    raise InputError(
        Mistake(
            ("conductor",),
            "a code word of the catalogue",
            repr(name),
            f"did you mean {' or '.join(near)}" if near else "add it under [[conductors]] in the scene",
        )
    )


def linear(conductor: Entry) -> Linear:
    """The conductor as one elastic body: stiffness and expansion of its parts together.

    >>> drake = linear(find("Drake"))
    >>> print(round(drake.stiffness_N / find("Drake").area_m2 / 1e9, 1), round(drake.expansion_per_C * 1e6, 1))
    69.6 18.8
    """
    outer, core = _stiffness(conductor)
    expansion = (outer[0] * outer[1] + core[0] * core[1]) / (outer[0] + core[0])
    stiffness = outer[0] + core[0] if conductor.modulus_Pa is None else conductor.modulus_Pa * conductor.area_m2
    return Linear(stiffness, conductor.expansion_per_C if conductor.expansion_per_C is not None else expansion)


def _stiffness(conductor: Entry) -> tuple[tuple[float, float], tuple[float, float]]:
    outer, core = PARTS[conductor.kind]
    inner = MATERIALS[core] if core is not None else MATERIALS["steel"]
    return (
        (conductor.outer_area_m2 * MATERIALS[outer].modulus_Pa, MATERIALS[outer].expansion_per_C),
        (conductor.core_area_m2 * inner.modulus_Pa, inner.expansion_per_C),
    )


def two_part(conductor: Entry, outer_set: float = 0.0) -> TwoPart | None:
    """The conductor as core and outer layer, with a permanent elongation of the outer layer [1]; None without a
    core."""
    if conductor.core_area_m2 == 0 or conductor.modulus_Pa is not None:
        return None
    outer, core = _stiffness(conductor)
    return TwoPart(core[0], outer[0], core[1], outer[1], outer_set=outer_set)


STIFFER: Final = 1.07
"""[1] The 26/7 stress-strain chart against the constants used: how far published stiffness of one conductor differs."""


def models(conductor: Entry) -> tuple[Elongation, ...]:
    """Every way the conductor may lengthen that published figures leave open: one body or two parts, and the stiffer
    chart.

    A two-part model with an outer layer never elongated before has the highest knee, so the largest sag when hot.
    """
    one, two = linear(conductor), two_part(conductor)
    found: list[Elongation] = [one, replace(one, stiffness_N=one.stiffness_N * STIFFER)]
    if two is not None:
        found.append(two)
    return tuple(found)


def ageing(conductor: Entry) -> InitialCurve | None:
    """First-loading curve of 26/7 ACSR (handbook, Fig. 14.7, scaled by area); None for other conductors.

    The chart gives force over the whole area in psi against strain in percent:
    steel 37150 X, aluminium -512 + 49020 X - 11800 X^2 - 57600 X^3.
    """
    ratio = conductor.outer_area_m2 / conductor.core_area_m2 if conductor.core_area_m2 else 0.0
    if conductor.kind != "ACSR" or abs(ratio - 6.13) > 0.1:
        return None
    scale = PSI_PA * conductor.area_m2
    outer = tuple(value * scale * 100.0**power for power, value in enumerate((-512.0, 4.902e4, -1.18e4, -5.76e4)))
    return InitialCurve((0.0, 3.715e4 * scale * 100.0), outer)


def thermal(conductor: Entry, emissivity: float = 0.8, absorptivity: float = 0.8) -> ThermalConductor:
    """What the heat balance needs; 0.8 and 0.8 are IEEE 738's figures for its example, a weathered conductor."""
    return ThermalConductor(conductor.diameter_m, conductor.resistance_ohm_m, (25.0, 75.0), emissivity, absorptivity)
