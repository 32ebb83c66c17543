"""Owns what stands on the ground at earth: people and vehicles."""

from __future__ import annotations

import math
from typing import Literal

from numpy.typing import ArrayLike

from clearance import shapes
from clearance.bodies.solid import box
from clearance.bodies.worker import Build
from clearance.conductor.catenary import point3, refuse
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape


def person(
    at: ArrayLike,
    worker: Build,
    arms: Literal["overhead", "down"] = "overhead",
    tool_m: float = 0.0,
    uncertainty_m: float = 0.0,
) -> Shape:
    """A person upright on the ground, turned any way: one capsule that holds the body whichever way it faces.

    Parameters
    ----------
    at: where the soles stand (3,) [m]
    worker: the body
    arms: "overhead" (both hands stretched up) or "down"
    tool_m: a conductive tool held up, beyond the fingertips [m]; with arms overhead only
    uncertainty_m: model error [m]; the spread of the body is added

    Bending, jumping and a step aside are not held: the place is where the soles are.

    Raises `InputError` for values out of range.
    """
    x, y, z = point3("crew", "at_m", at)
    refuse("crew", not_negative={"uncertainty_m": uncertainty_m, "tool_m": tool_m})
    if arms not in ("overhead", "down"):
        raise InputError(Mistake(("crew", "arms"), '"overhead" or "down"', f"{arms!r}"))
    # Half the foot, or half the shoulders, whichever is further from the axis in any direction.
    around = max(worker.bideltoid_m / 2 + worker.suit_m, 0.6 * worker.foot_m + worker.boots_m)
    if arms == "overhead":
        top = z + worker.boots_m + worker.overhead_reach_m + worker.suit_m + tool_m
        # The hands stay over the shoulder joints, so only a disc of this radius must fit under the cap at the top.
        aside = worker.shoulder_half_m + 0.03 * worker.stature_m + worker.suit_m
    else:
        top = z + worker.boots_m + worker.stature_m + worker.helmet_m
        aside = 0.06 * worker.stature_m + worker.helmet_m
    cap = math.sqrt(around**2 - min(aside, around) ** 2)
    return shapes.segments([[x, y, z]], [[x, y, top - cap]], around, uncertainty_m + worker.spread_m)


BURIED_M = 0.1
"""[m] How far the underside of a vehicle may come out below the ground: wheels sink, and ground is modelled amiss."""


def vehicle(centre: ArrayLike, size: ArrayLike, heading_deg: float, z: float, uncertainty_m: float = 0.0) -> Shape:
    """A vehicle as a box where it is stated, and all that is below it down to the ground: twelve triangles.

    centre: (3,), its middle [m]; size: (3,) along its heading, across and upward [m]; z: of the ground below it [m]

    What carries a jib or a raised platform is below it somewhere: taken as wide as what it carries. Raises `InputError`
    for values out of range, and for a box that is in the ground: its top would come out too low.
    """
    x, y, middle = point3("vehicle", "centre_m", centre)
    length, width, height = point3("vehicle", "size_m", size)
    refuse("vehicle", finite={"z": z}, positive={"height in size_m": height})
    under = middle - height / 2
    if under < z - BURIED_M:
        expected = f"an underside on or above the ground, which is at {z:.2f} m there"
        remedy = f"centre_m is the centre of the box: {z + height / 2:.2f} m for one that stands on the ground"
        raise InputError(Mistake(("vehicle", "centre_m"), expected, f"{under:.2f} m", remedy))
    top = max(middle, z + height / 2) + height / 2
    return box([x, y, (z + top) / 2], [length, width, top - z], heading_deg, uncertainty_m)
