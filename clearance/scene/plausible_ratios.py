"""Owns which fields of a record must fit together, and within what.

A value that is usual by itself may not be so beside another: 245 kV as the highest voltage of 22 kV, a weight that no
metal of that diameter has. Only a highest voltage over twice the nominal one is impossible; the rest is unlikely.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from clearance.scene.plausible_values import PRACTICE, Values
from clearance.scene.records_base import Point, Reference
from clearance.scene.records_conductor import OwnConductor
from clearance.scene.units import GRAVITY_M_S2

UNCLIMBED: Final = ("bring", "set up", "travel", "strike", "take away", "earthing")
"""Kinds of stages in which nobody is on the ladder: it may lie."""


HELD_DEG: Final = 0.2
"""[deg] Nobody holds a ladder nearer to where it should lean (common practice, no source)."""


@dataclass(frozen=True)
class Ratio:
    """Two fields of a record that must fit together.

    field: the key that a message and a confirmation name; of: what is reckoned; values: what it may be
    reckon: the record -> the ratio, or None where not all of it is stated
    """

    record: str
    field: str
    of: str
    values: Values
    reckon: Callable[[Any], float | None]


def _over(one: str, other: str) -> Callable[[Any], float | None]:
    def reckon(record: Any) -> float | None:
        first, second = getattr(record, one), getattr(record, other)
        return None if first is None or second is None or second == 0 else float(first) / float(second)

    return reckon


def _density(record: Any) -> float | None:
    """Mass over the volume of the outer circle, of one subconductor [kg/m3]."""
    weight, bundle = record.weight_N_m, getattr(record, "bundle", None)
    if weight is None:
        return None
    area_m2 = math.pi / 4 * record.diameter_m**2 * (bundle.count if bundle else 1)
    return float(weight / GRAVITY_M_S2 / area_m2)


def _strength(own: OwnConductor) -> float:
    """Rated strength over the area of the outer circle [MPa]."""
    return own.rated_strength_kN * 1e-3 / (math.pi / 4 * own.diameter_m**2)


def _leaning(field: str) -> Callable[[Any], float | None]:
    """The greatest lean of a ladder with somebody on it [deg], in a stage or a job."""

    def reckon(entry: Any) -> float | None:
        span = getattr(entry, field)
        largest = max(abs(span.lo), abs(span.hi))
        # What is next to nothing is unlikely as a lean already.
        climbed = entry.kind not in UNCLIMBED and getattr(entry, "travel_m", True) is not None
        # What is left out is told by `unstated`.
        stated = climbed and field in entry.model_fields_set
        return largest if stated and not 0.0 < largest < HELD_DEG else None

    return reckon


def _apart(one: Any, other: Any) -> float | None:
    given = not isinstance(one, Reference) and not isinstance(other, Reference)
    return math.dist(_point(one), _point(other)) if given else None


def _point(value: Any) -> Point:
    return (float(value[0]), float(value[1]), float(value[2]))


def _across(record: Any) -> float | None:
    """How far the corners of an area are apart at most [m]."""
    corners = record.area_m
    return None if corners is None else max(math.dist(one, other) for one in corners for other in corners)


def _insulating_share(record: Any) -> float | None:
    whole = _apart(record.from_m, record.to_m)
    return None if not whole else float(record.insulating_m) / whole


# A bundle's weight per metre is that of all its subconductors or of one, so its density may seem so many times less.
DENSITY: Final = Values(
    "kg/m3",
    (0.0, math.inf),
    (500.0, 9000.0),
    source=f"{PRACTICE}: stranded aluminium fills three quarters of its circle (some 2,000 kg/m3), steel and copper "
    "less than 9,000, a quarter of aluminium where a bundle of four states one weight",
)

RATIOS: Final = (
    Ratio("Circuit", "highest_kV", "highest over nominal voltage", Values(
        "", (0.0, 2.0), (1.04, 1.25), source="IEC 60038, from memory: 1.04 (1150 kV) to 1.2, 72.5 over 60 kV being 1.21"
    ), _over("highest_kV", "nominal_kV")),
    Ratio("_Wire", "weight_N_m", "weight over the volume of a round wire", DENSITY, _density),
    Ratio("OwnConductor", "weight_N_m", "weight over the volume of a round wire", DENSITY, _density),
    Ratio("OwnConductor", "rated_strength_kN", "strength over the area of a round wire", Values(
        "MPa", (0.0, math.inf), (50.0, 2000.0), source=f"{PRACTICE}: soft aluminium to drawn steel"
    ), _strength),
    Ratio("InsulatorString", "insulating_m", "insulating part over the length of the string", Values(
        "", (0.0, math.inf), (0.4, 1.0)
    ), _over("insulating_m", "length_m")),
    Ratio("InsulatorString", "units", "insulating length of one insulator [m]", Values(
        "m", (0.0, math.inf), (0.1, 0.3), source=f"{PRACTICE}: cap and pin insulators are 0.127 to 0.24 m long"
    ), lambda string: string.insulating_m / string.units if string.units and string.units >= 4 else None),
    Ratio("Insulator", "insulating_m", "insulating part over the distance of its ends", Values(
        "", (0.0, math.inf), (0.4, 1.0 + 1e-6)
    ), _insulating_share),
    Ratio("LatticeTower", "top_width_m", "width at the top over width at the foot", Values(
        "", (0.0, math.inf), (0.0, 1.5)
    ), _over("top_width_m", "base_width_m")),
    Ratio("Pole", "top_radius_m", "radius at the top over radius at the foot", Values(
        "", (0.0, math.inf), (0.2, 1.0)
    ), _over("top_radius_m", "base_radius_m")),
    Ratio("Ladder", "width_m", "width over length of the ladder", Values(
        "", (0.0, math.inf), (0.01, 0.3)
    ), _over("width_m", "length_m")),
    *(
        Ratio(record, field, "the greatest lean of a ladder that is climbed", Values(
            "deg", (0.0, math.inf), (HELD_DEG, 15.0), source=f"{PRACTICE}: nobody holds a ladder to a fifth of a degree"
        ), _leaning(field))
        for record in ("Stage", "_Aloft") for field in ("lean_along_deg", "lean_across_deg")
    ),
    *(
        Ratio(record, "area_m", "how far its corners are apart", Values(
            "m", (0.0, math.inf), (0.1, 200.0), source=f"{PRACTICE}: nobody stands like a post"
        ), _across)
        for record in ("Crew", "Stand")
    ),
    Ratio("Vehicle", "size_m", "length over width of the vehicle", Values(
        "", (0.0, math.inf), (0.8, 12.0)
    ), lambda vehicle: vehicle.size_m[0] / vehicle.size_m[1]),
)  # fmt: skip
