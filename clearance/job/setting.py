"""Owns `Setting`: one swept piece of a stage as the engine takes it, and where everything stands at given parameters.

A stage becomes one setting for the stated posture with either hand foremost and one for the reach envelope, which
holds both; where a released conductor changes shape, one of each for every piece of its lowering.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from clearance.bodies import Body
from clearance.motion import Motion, placed

Check = Literal["posture", "reach"]
Hand = Literal["right", "left"]

EARTH = "earth"
"""As in `clearance.gaps`, which reads this module."""

OTHER_HAND = "the hands changed"
"""How a result says that a gap is least with the posture mirrored across the climber's own plane."""

PLACED = "placed where the pose has it"
"""The link of bodies that stand still at a pose, but are not the ones the engine's store was made of."""


@dataclass(frozen=True)
class Parting:
    """What no distance can hold between while a connection opens or closes.

    wire: what parts, at a potential of its own; phase: the one it parts from, or earth where its circuit is earthed
    free: the part of it at its free end; leaves: the bodies of the line that it leaves, or comes to
    hand: whoever holds the free end, with the bonding lead; nobody where it is done by stick or rope
    touched: what of `leaves` the free end itself is on
    """

    wire: str
    phase: str
    free: str
    leaves: frozenset[str]
    hand: frozenset[str] = frozenset()
    touched: frozenset[str] = frozenset()

    @property
    def exempt(self) -> frozenset[str]:
        """What the free end may be near."""
        return self.leaves | self.hand

    def apart(self, potential: str) -> bool:
        """Whether a free end at some potential parts from what it leaves, whatever that is at: one that may be at earth
        must not be opened from a phase at all."""
        return potential != EARTH


@dataclass(frozen=True, eq=False)
class Setting:
    """What is there, how it moves, and what is swept.

    bodies: everything that is there in the stage, still and moving
    motion: the links that carry the moving ones
    box: the range of every parameter, in the order of `motion.parameters` [m or rad]
    rated: name of a body that deforms -> its shape parameter
    touching: pairs of bodies that are meant to touch
    held: parameters that the stage states and that have one value only [m or rad]
    parting: what opens or closes in it, None where nothing does
    hand: the hand of the worker aloft that is foremost, and carries the tool, in the stated posture
    join: whether it is the join with the stage before, as that one had posture, clamp and lead
    """

    stage: str
    check: Check
    bodies: tuple[Body, ...]
    motion: Motion
    box: Mapping[str, tuple[float, float]]
    rated: Mapping[str, str]
    touching: frozenset[frozenset[str]] = frozenset()
    held: Mapping[str, float] = field(default_factory=dict)
    parting: Parting | None = None
    hand: Hand = "right"
    join: bool = False


def moves(body: Body) -> bool:
    """Whether the stage moves a body: it rides on a link that is not there only to place it."""
    return body.link is not None and body.link != PLACED


def shown(parameter: str, value: float) -> float:
    """A parameter's value in the unit of its name: degrees where it ends in _deg, else as it is [m]."""
    return math.degrees(value) if parameter.endswith("_deg") else value


def inside(parameter: str, value: float) -> float:
    """The engine's value [m or rad] of a parameter given in the unit of its name."""
    return math.radians(value) if parameter.endswith("_deg") else value


def standing(setting: Setting, at: Mapping[str, float]) -> tuple[Body, ...]:
    """Every body of the setting where it is at the parameters `at`, in the units of their names; what is missing is
    centred."""
    q = {
        name: inside(name, at[name]) if name in at else 0.5 * (low + high) for name, (low, high) in setting.box.items()
    }
    return tuple(
        body
        if body.link is None
        else replace(
            body, shape=placed(body.shape, setting.motion, body.link, q, setting.rated.get(body.name)), link=None
        )
        for body in setting.bodies
    )
