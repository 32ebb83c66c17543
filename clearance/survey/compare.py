"""Owns the comparison of two surveys of one line: how far each wire has moved, with the uncertainty of the difference.

Sags are compared over the stretch that both surveys show, so a part of a span is compared with the same part. What both
surveys err by alike in height (the datum) drops out of the sag, not out of the height.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from clearance.errors import InputError, Mistake
from clearance.survey.fit import height, place
from clearance.survey.records import Curve, Floats
from clearance.survey.wires import sag_and_error, uncertainty

NEAR_M = (4.0, 6.0)
"""[m] A wire of one survey is a wire of the other if their middles are this near, in plan and in height."""

SHORTEST_SHARED_M = 15.0
"""[m] Stretch that both surveys must show."""


@dataclass(frozen=True, eq=False)
class Line:
    """One survey as read back: folder, name, accuracy [m], vertical datum, and wires by name with their curves about
    the map's zero."""

    path: Path
    accuracy_m: float
    crs: str
    vertical: str
    wires: dict[str, tuple[Curve, float, float]]


@dataclass(frozen=True)
class Change:
    """How one wire differs from the first survey to the second; differences are second less first.

    stretch_m: length that both show; sag_m: of each survey over it; sag_change_m and its 95 % error from both fits;
    height_change_m: of the middle of the stretch, and its 95 % error from fits and stated accuracies
    shown: the sag change is larger than its error
    """

    first: str
    second: str
    stretch_m: float
    sag_m: tuple[float, float]
    sag_change_m: float
    sag_error_m: float
    height_change_m: float
    height_error_m: float
    shown: bool


@dataclass(frozen=True)
class Comparison:
    """All changes, and the wires of each survey that have no partner."""

    changes: tuple[Change, ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]


def read_line(path: Path) -> Line:
    """A survey from its folder or its survey.json. Raises InputError: not there, not a survey, or damaged."""
    file = path / "survey.json" if path.is_dir() else path
    where = (str(file),)
    remedy = "give the folder that `clearance survey ... --out` wrote"
    try:
        data: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
        if data["format"] != 1:
            raise InputError(Mistake((*where, "format"), "1", repr(data["format"])))
        origin = np.array([data["origin"][key] for key in ("easting_m", "northing_m", "height_m")], float)
        wires: dict[str, tuple[Curve, float, float]] = {}
        for wire in data["wires"]:
            curve = _curve(wire["curve"], origin)
            ends = np.array([wire["from_m"], wire["to_m"]], float)[:, :2] + origin[:2]
            low, high = sorted(float(value) for value in (ends - curve.base) @ curve.direction)
            wires[wire["name"]] = (curve, low, high)
        return Line(file, float(data["accuracy_m"]), data["scan"]["crs"], data["scan"]["vertical"], wires)
    except OSError as error:
        raise InputError(Mistake(where, "a survey", (error.strerror or str(error)).lower(), remedy)) from error
    except (KeyError, TypeError, ValueError) as error:
        found = f"{type(error).__name__}: {error}"
        raise InputError(Mistake(where, "a survey.json of format 1", found[:120], remedy)) from error


def _curve(data: dict[str, Any], origin: Floats) -> Curve:
    vertical = np.array(data["vertical"], float)
    vertical[0] += origin[2]
    return Curve(
        np.array(data["base_m"], float) + origin[:2],
        np.array(data["direction"], float),
        vertical,
        np.array(data["vertical_covariance"], float),
        np.array(data["lateral"], float),
        np.array(data["lateral_covariance"], float),
        0.0,
        0.0,
        0.0,
        float(data["scatter_vertical_m"]),
        float(data["scatter_lateral_m"]),
        float(data["correlation"]),
        int(data["returns"]),
    )


def compare_surveys(first: Path, second: Path) -> Comparison:
    """Compare two surveys of one line, wire by wire.

    Raises InputError: not surveys, or of different coordinate reference system or vertical datum.
    """
    a, b = read_line(first), read_line(second)
    for what, x, y in (("CRS", a.crs, b.crs), ("vertical datum", a.vertical, b.vertical)):
        if x != y:
            raise InputError(
                Mistake(("--compare", what), "the same in both surveys", f"{x} and {y}", "reproject one scan")
            )
    options: list[tuple[float, str, str]] = []
    for name, (curve, low, high) in a.wires.items():
        for other, theirs in b.wires.items():
            shared = _shared(curve, low, high, *theirs)
            if shared is None:
                continue
            middle, across = _middle(curve, theirs[0], shared)
            if across <= NEAR_M[0] and abs(middle) <= NEAR_M[1]:
                options.append((float(np.hypot(across, middle)) - 1e-3 * (shared[1] - shared[0]), name, other))
    taken: set[tuple[int, str]] = set()
    changes: list[Change] = []
    for _, name, other in sorted(options):
        if (0, name) in taken or (1, other) in taken:
            continue
        taken |= {(0, name), (1, other)}
        changes.append(_change(a, b, name, other))
    order = {name: number for number, name in enumerate(a.wires)}
    return Comparison(
        tuple(sorted(changes, key=lambda change: order[change.first])),
        tuple(name for name in a.wires if (0, name) not in taken),
        tuple(name for name in b.wires if (1, name) not in taken),
    )


def _onto(curve: Curve, other: Curve, s: Floats) -> Floats:
    """Places along the other curve abreast of places along the first [m]."""
    return np.asarray((place(curve, s)[:, :2] - other.base) @ other.direction)


def _shared(a: Curve, low: float, high: float, b: Curve, b_low: float, b_high: float) -> tuple[float, float] | None:
    """Stretch along the first curve that both show [m]."""
    if abs(float(a.direction @ b.direction)) < 0.98:
        return None
    ends = np.sort((b.base + np.array([[b_low], [b_high]]) * b.direction - a.base) @ a.direction)
    start, stop = max(low, float(ends[0])), min(high, float(ends[1]))
    return (start, stop) if stop - start >= SHORTEST_SHARED_M else None


def _middle(a: Curve, b: Curve, shared: tuple[float, float]) -> tuple[float, float]:
    """Difference in height and distance in plan of the two curves in the middle of a stretch [m]."""
    s = np.array([sum(shared) / 2.0])
    u = _onto(a, b, s)
    return float(height(b, u)[0] - height(a, s)[0]), float(np.hypot(*(place(b, u) - place(a, s))[0, :2]))


def _change(a: Line, b: Line, name: str, other: str) -> Change:
    (curve, low, high), theirs = a.wires[name], b.wires[other]
    shared = _shared(curve, low, high, *theirs)
    assert shared is not None
    u = np.sort(_onto(curve, theirs[0], np.array(shared)))
    sag_a, error_a = sag_and_error(curve, *shared)
    sag_b, error_b = sag_and_error(theirs[0], float(u[0]), float(u[1]))
    s = np.array([sum(shared) / 2.0])
    rise, _ = _middle(curve, theirs[0], shared)
    errors = [
        float(uncertainty(curve, s, a.accuracy_m)[0]),
        float(uncertainty(theirs[0], _onto(curve, theirs[0], s), b.accuracy_m)[0]),
    ]
    error, of_height = float(np.hypot(error_a, error_b)), float(np.hypot(errors[0], errors[1]))
    return Change(
        name, other, shared[1] - shared[0], (sag_a, sag_b), sag_b - sag_a, error, rise, of_height,
        abs(sag_b - sag_a) > error,
    )  # fmt: skip


def comparison_record(comparison: Comparison) -> dict[str, Any]:
    """A comparison as a dictionary, for JSON."""
    return {
        "format": 1,
        "changes": [
            {
                "first": change.first, "second": change.second, "stretch_m": change.stretch_m,
                "sag_first_m": change.sag_m[0], "sag_second_m": change.sag_m[1], "sag_change_m": change.sag_change_m,
                "sag_error_m": change.sag_error_m, "height_change_m": change.height_change_m,
                "height_error_m": change.height_error_m, "shown": change.shown,
            }
            for change in comparison.changes
        ],
        "only_first": list(comparison.only_first),
        "only_second": list(comparison.only_second),
    }  # fmt: skip
