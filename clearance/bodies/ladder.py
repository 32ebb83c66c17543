"""Owns the shapes of an insulating ladder, in its own frame: origin at the middle of its foot, z up along the ladder,
x the way the climber faces, y across.

`rails` gives rails and rungs as they are, for collisions and drawings; `hull_pieces` a simple hull that holds them,
for the nearness of a line to the ladder; `fitting` a metal part between two heights, `platform` one to stand on.
"""

from __future__ import annotations

import itertools
import math
from typing import Final

import numpy as np

from clearance import shapes
from clearance.conductor.catenary import refuse
from clearance.errors import Mistake
from clearance.shapes import Shape

PLATFORM_HALF_M: Final = 0.05
"""[m] Half the thickness of a platform with its brackets (common practice, no source)."""

RAIL_PIECE_M: Final = 1.0
"""[m] Longest piece of rail: short pieces have tight bounds when the ladder leans."""


def rails(
    length_m: float,
    width_m: float,
    rail_diameter_m: float,
    rung_spacing_m: float,
    from_m: float = 0.0,
    to_m: float | None = None,
    rung_diameter_m: float | None = None,
    uncertainty_m: float = 0.0,
) -> Shape:
    """The two rails and the rungs of a ladder, or of the part of it between two heights.

    Parameters
    ----------
    length_m: foot to top [m]
    width_m: rail axis to rail axis [m]; over the outer faces the ladder is one rail diameter wider
    rail_diameter_m: of a rail [m]
    rung_spacing_m: foot to first rung, and rung to rung [m]
    from_m, to_m: the part wanted, along the ladder [m]; default all
    rung_diameter_m: of a rung [m]; default as thick as a rail
    uncertainty_m: model error [m]

    Raises `InputError` for values out of range or a part outside the ladder.

    >>> len(rails(10.0, 0.5, 0.05, 0.3))
    53
    """
    upper = length_m if to_m is None else to_m
    rung = rail_diameter_m if rung_diameter_m is None else rung_diameter_m
    sizes = {
        "length_m": length_m,
        "width_m": width_m,
        "rail_diameter_m": rail_diameter_m,
        "rung_spacing_m": rung_spacing_m,
        "rung_diameter_m": rung,
    }
    _refuse(sizes, uncertainty_m, length_m, from_m, upper, width_m, rail_diameter_m)
    side = width_m / 2
    count = max(1, math.ceil((upper - from_m) / RAIL_PIECE_M - 1e-9))
    heights = np.linspace(from_m, upper, count + 1)
    parts = []
    for across in (side, -side):
        axis = np.stack([np.zeros(count + 1), np.full(count + 1, across), heights], axis=1)
        parts.append(shapes.polyline(axis, rail_diameter_m / 2, uncertainty_m))
    first, last = math.ceil(from_m / rung_spacing_m - 1e-9), math.floor(upper / rung_spacing_m + 1e-9)
    levels = np.arange(max(first, 1), last + 1) * rung_spacing_m
    if len(levels):
        ends = [np.stack([np.zeros(len(levels)), np.full(len(levels), y), levels], axis=1) for y in (side, -side)]
        parts.append(shapes.segments(ends[0], ends[1], rung / 2, uncertainty_m))
    return shapes.join(parts)


def hull_pieces(
    length_m: float, width_m: float, depth_m: float, piece_m: float = 0.5, uncertainty_m: float = 0.0
) -> tuple[tuple[float, float, Shape], ...]:
    """A hull that holds rails and rungs, cut into pieces along the ladder: (from [m], to [m], shape of two triangles).

    length_m, width_m, depth_m: of the ladder [m], over its outer faces; depth_m at least the diameter of a rail
    piece_m: longest piece [m]; pieces are made equal
    uncertainty_m: model error [m]

    Each piece is a flat rectangle thickened by half the depth, so it reaches that much beyond its two heights.
    """
    _refuse(
        {"length_m": length_m, "width_m": width_m, "depth_m": depth_m, "piece_m": piece_m},
        uncertainty_m,
        length_m,
        0.0,
        length_m,
        width_m,
        depth_m,
    )
    count = max(1, math.ceil(length_m / piece_m - 1e-9))
    heights = [length_m * step / count for step in range(count + 1)]
    return tuple(
        (low, high, _slab(low, high, width_m, depth_m / 2, uncertainty_m)) for low, high in itertools.pairwise(heights)
    )


def fitting(from_m: float, to_m: float, width_m: float, radius_m: float, uncertainty_m: float = 0.0) -> Shape:
    """A metal part of the ladder between two heights [m], over its whole width, radius_m from the ladder's middle
    plane.

    width_m: outer face to outer face [m]. Raises `InputError` for values out of range.
    """
    _refuse({"width_m": width_m, "radius_m": radius_m}, uncertainty_m, math.inf, from_m, to_m, width_m, 0.0)
    if to_m - from_m <= 1e-9:
        side = max(width_m / 2 - radius_m, 0.0)
        return shapes.segments([[0.0, -side, from_m]], [[0.0, side, from_m]], radius_m, uncertainty_m)
    return _slab(from_m, to_m, width_m, radius_m, uncertainty_m)


def platform(at_m: float, width_m: float, depth_m: float, tilt_deg: float = 0.0, uncertainty_m: float = 0.0) -> Shape:
    """A platform across the ladder at a height [m], level while the ladder stands at its tilt.

    width_m: outer face to outer face [m]; depth_m: how far it sticks out from the ladder [m], to either side, as it is
    not said to which. Raises `InputError` for values out of range.
    """
    _refuse({"width_m": width_m, "depth_m": depth_m}, uncertainty_m, math.inf, at_m, at_m, width_m, 0.0)
    side, tilt = width_m / 2, math.radians(tilt_deg)
    # Level is along the heading turned back by the tilt, in the ladder's frame.
    x, z = depth_m * math.cos(tilt), depth_m * math.sin(tilt)
    a, b, c, d = [x, -side, at_m + z], [x, side, at_m + z], [-x, side, at_m - z], [-x, -side, at_m - z]
    return shapes.triangles([[a, b, c], [a, c, d]], PLATFORM_HALF_M, uncertainty_m)


def _slab(low: float, high: float, width: float, radius: float, uncertainty: float) -> Shape:
    side = max(width / 2 - radius, 0.0)
    a, b, c, d = [0.0, -side, low], [0.0, side, low], [0.0, side, high], [0.0, -side, high]
    return shapes.triangles([[a, b, c], [a, c, d]], radius, uncertainty)


def _refuse(
    sizes: dict[str, float], uncertainty: float, length: float, low: float, high: float, width: float, thickness: float
) -> None:
    mistakes = []
    if not 0 <= low <= high <= length * (1 + 1e-12):
        end = "the ladder's length" if math.isinf(length) else f"{length:.6g} m"
        mistakes.append(
            Mistake(("ladder", "from_m, to_m"), f"a rising range within 0 to {end}", f"[{low!r}, {high!r}]")
        )
    if not width > thickness:
        mistakes.append(
            Mistake(("ladder", "width_m"), f"more than {thickness:.6g} m, the thickness of its rails", f"{width!r} m")
        )
    refuse("ladder", positive=sizes, not_negative={"uncertainty_m": uncertainty}, others=mistakes)
