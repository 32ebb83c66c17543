"""Owns what stands on the ground at earth: people and vehicles."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
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


def vehicle(centre: ArrayLike, size: ArrayLike, heading_deg: float, z: float, uncertainty_m: float = 0.0) -> Shape:
    """A vehicle as a box on the ground: twelve triangles.

    centre: (2,) or (3,), its middle in plan [m]; size: (3,) along its heading, across and upward [m]; z: of the
        ground [m]

    Raises `InputError` for values out of range.
    """
    plan = np.asarray(centre, float).reshape(-1)[:2]
    length, width, height = point3("vehicle", "size_m", size)
    refuse("vehicle", finite={"centre_m": plan, "z": z}, positive={"height in size_m": height})
    return box([plan[0], plan[1], z + height / 2], [length, width, height], heading_deg, uncertainty_m)
