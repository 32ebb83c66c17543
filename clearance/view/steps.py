"""Owns the steps of a stage's slider: a walk through its range, with every recorded instant of the result among them.

A step is a set of parameters; where everything stands there is found by the same motion that was swept. Between two
steps nothing is drawn and nothing is claimed: the figures hold for the whole range, and their instants are steps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from clearance.job.setting import Setting, inside
from clearance.motion import pose
from clearance.result import StageResult
from clearance.view.geometry import Floats

WALK: Final = 17
"""Steps of the walk through a stage's range, recorded instants not counted."""

LEADING: Final = ("lower_m", "climb_m", "travel_m", "heading_deg", "lean_along_deg", "lean_across_deg")
"""The parameter a stage is about is the first of these that has a range."""

DOWNWARD: Final = ("descend", "bond off")
"""Kinds of stages in which the climb goes from high to low."""


@dataclass(frozen=True)
class Step:
    """One position of the slider.

    at: every parameter in the unit of its name; rows: the findings recorded here, as indices into the stage's rows
    """

    at: Mapping[str, float]
    rows: tuple[int, ...] = ()


def steps_of(stage: StageResult, recorded: Sequence[tuple[int, Mapping[str, float]]]) -> list[Step]:
    """The steps of a stage in the order of its leading parameter.

    recorded: (row, where) of every finding that has a place
    """
    ranges = stage.parameters
    leading = next((name for name in LEADING if name in ranges and ranges[name][1] > ranges[name][0]), None)
    middle = {name: 0.5 * (low + high) for name, (low, high) in ranges.items()}
    backward = leading == "climb_m" and stage.kind in DOWNWARD
    placed: list[tuple[float, int, Step]] = []
    if leading is None:
        placed.append((0.0, 0, Step(middle)))
    else:
        low, high = ranges[leading]
        for k in range(WALK):
            part = k / (WALK - 1)
            along = high + part * (low - high) if backward else low + part * (high - low)
            placed.append((part, 0, Step({**middle, leading: along})))
    instants: dict[tuple[float, ...], tuple[dict[str, float], list[int]]] = {}
    for number, at in recorded:
        whole = {name: float(at.get(name, middle[name])) for name in ranges}
        instants.setdefault(tuple(whole.values()), (whole, []))[1].append(number)
    for whole, numbers in instants.values():
        part = 0.0
        if leading is not None:
            low, high = ranges[leading]
            part = (whole[leading] - low) / (high - low)
            part = 1.0 - part if backward else part
        placed.append((part, 1 + numbers[0], Step(whole, tuple(numbers))))
    return [step for _, _, step in sorted(placed, key=lambda item: item[:2])]


def parameters(setting: Setting, at: Mapping[str, float]) -> dict[str, float]:
    """The engine's values of a setting's parameters at a place given in the units of their names."""
    return {
        name: inside(name, at[name]) if name in at else 0.5 * (low + high) for name, (low, high) in setting.box.items()
    }


def holding(pieces: Sequence[Setting], at: Mapping[str, float]) -> Setting:
    """The piece of a stage whose range holds a place, the first where none does."""
    for piece in pieces:
        if all(
            low - 1e-9 <= inside(name, at[name]) <= high + 1e-9 for name, (low, high) in piece.box.items() if name in at
        ):
            return piece
    return pieces[0]


def poses(setting: Setting, at: Mapping[str, float], offset: Floats) -> list[Floats]:
    """Where each link is: (3, 4) rotation and translation about the drawing origin, in the order of the links."""
    q = parameters(setting, at)
    found = []
    for link in setting.motion.links:
        rotation, translation = pose(setting.motion, link.name, q)
        found.append(np.column_stack([rotation, translation - offset]))
    return found
