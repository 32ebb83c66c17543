"""Owns the scene file as the oracle reads it: tables in SI units, places that refer to a wire or to the ladder.

Every length ends in `_m`, every force in `_N` once read, whatever unit the file states.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

# Exact by definition, but for the pound force (0.45359237 kg at 9.80665 m/s2) and the US survey foot (1200 / 3937 m).
UNITS = {
    "mm": ("m", 0.001),
    "cm": ("m", 0.01),
    "km": ("m", 1000.0),
    "ft": ("m", 0.3048),
    "in": ("m", 0.0254),
    "usft": ("m", 1200 / 3937),
    "kN": ("N", 1000.0),
    "lbf": ("N", 0.45359237 * 9.80665),
    "kip": ("N", 453.59237 * 9.80665),
    "kg": ("N", 9.80665),
    "lb": ("N", 0.45359237 * 9.80665),
    "kV": ("V", 1000.0),
}
LONG_UNITS = {"weight_kg_m": ("weight_N_m", 9.80665), "weight_lb_ft": ("weight_N_m", 0.45359237 * 9.80665 / 0.3048)}

Table = dict[str, Any]


def load(path: Path) -> Table:
    """The tables of a scene file in SI units."""
    read = in_si(tomllib.loads(path.read_text()))
    assert isinstance(read, dict)
    return read


def in_si(value: Any) -> Any:
    if isinstance(value, list):
        return [in_si(entry) for entry in value]
    if not isinstance(value, dict):
        return value
    return dict(_entry(key, in_si(entry)) for key, entry in value.items())


def _entry(key: str, value: Any) -> tuple[str, Any]:
    if key in LONG_UNITS:
        new, factor = LONG_UNITS[key]
        return new, _times(value, factor)
    stem, _, unit = key.rpartition("_")
    if stem and unit in UNITS:
        si, factor = UNITS[unit]
        return f"{stem}_{si}", _times(value, factor)
    return key, value


def _times(value: Any, factor: float) -> Any:
    if isinstance(value, list):
        return [_times(entry, factor) for entry in value]
    return value * factor if isinstance(value, int | float) else value


def span_of(value: Any) -> tuple[float, float]:
    """A range: a number is one of no width."""
    low, high = value if isinstance(value, list) else (value, value)
    return float(low), float(high)


def reference(text: str) -> tuple[str, float | None]:
    """A place on something: ("bus A", 2.1) for "bus A @ 2.1", ("bus A", None) for "bus A end"."""
    if "@" in text:
        name, _, where = text.rpartition("@")
        return name.strip(), float(where)
    assert text.endswith(" end"), text
    return text.removesuffix(" end"), None


def said(scene: Table, kind: str) -> list[Table]:
    """The statements of a kind."""
    return [entry for entry in scene.get("statements", ()) if entry["kind"] == kind]
