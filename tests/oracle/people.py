"""Owns people: bones that are surely inside the person, and how far the hands reach.

Measures of bare men and women at the 50th, 95th and 99th percentile: ANSUR II (2012), NATICK/TR-15/007, public release.
A person of a stated stature is the 50th percentile scaled, of the sex with the smaller measure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oracle.bodies import Lines, Points, balls, capsule, together
from oracle.reading import Table

# stature, acromial height, biacromial breadth, span, overhead fingertip reach standing [m]
MEASURES = {
    ("man", 50): (1.755, 1.439, 0.415, 1.812, 2.263),
    ("man", 95): (1.870, 1.546, 0.447, 1.957, 2.438),
    ("man", 99): (1.927, 1.596, 0.463, 2.029, 2.518),
    ("woman", 50): (1.626, 1.332, 0.365, 1.657, 2.078),
    ("woman", 95): (1.740, 1.434, 0.396, 1.803, 2.253),
    ("woman", 99): (1.778, 1.473, 0.406, 1.860, 2.306),
}
BEHIND = 0.25
"""How far behind the line of the ladder a climber's trunk is [m]: an arm's bend; common practice, no source."""


@dataclass(frozen=True)
class Person:
    """Measures of a person with boots and helmet on [m], heights from the soles up."""

    top: float
    stature: float
    boots: float
    shoulder: float
    half_shoulders: float
    arm: float
    """From the shoulder to the fingertips, so that both arms spread give no more than the span."""
    overhead: float
    tool: float
    lean: float


def person(entry: Table) -> Person:
    if entry.get("stature_m") is not None:
        sexes = (MEASURES["man", 50], MEASURES["woman", 50])
        stature, *rest = (
            min(part / m[0] for m, part in zip(sexes, parts, strict=True)) for parts in zip(*sexes, strict=True)
        )
        stature, *rest = (entry["stature_m"] * part for part in (stature, *rest))
    else:
        stature, *rest = MEASURES[entry["sex"], entry["percentile"]]
    shoulder, breadth, span, overhead = rest
    boots = float(entry.get("boots_m", 0.035))
    return Person(
        boots + stature + float(entry.get("helmet_m", 0.06)),
        stature,
        boots,
        boots + shoulder,
        breadth / 2,
        (span - breadth) / 2,
        boots + overhead,
        float(entry.get("tool_m", 0.0)),
        float(entry.get("trunk_lean_m", 0.0)),
    )


def bones(who: Person, behind: float = BEHIND) -> Lines:
    """Trunk, head, shoulders and feet of somebody upright; x ahead, z up from the soles, the ladder's line at x = 0."""
    s, b = who.stature, who.boots
    return together(
        [
            capsule([[-behind, 0, b + 0.53 * s], [-behind, 0, who.shoulder - 0.05]], 0.08),
            capsule([[-behind, 0, who.shoulder], [-behind, 0, who.top - 0.07]], 0.07),
            capsule([[-behind, -who.half_shoulders, who.shoulder], [-behind, who.half_shoulders, who.shoulder]], 0.03),
            balls(np.array([[-0.1, 0.1, b + 0.04], [-0.1, -0.1, b + 0.04]]), 0.03),
        ]
    )


def hands(who: Person, side: float, extra: float, behind: float = BEHIND, arm: float | None = None) -> Lines:
    """Wherever the hand of one side reaches, and `extra` beyond it."""
    at = np.array([[-behind, side * who.half_shoulders, who.shoulder]])
    return balls(at, (who.arm if arm is None else min(arm, who.arm)) + extra)


def overhead(who: Person, behind: float = BEHIND) -> Lines:
    """Fingertips of both arms raised."""
    sides = np.array(
        [[-behind, who.half_shoulders, who.overhead - 0.01], [-behind, -who.half_shoulders, who.overhead - 0.01]]
    )
    return balls(sides, 0.01)


def on_the_ground(who: Person, feet: Points, arms: bool) -> Lines:
    """Somebody who stands at any of the points `feet`, faces any way and, with `arms`, reaches any way."""
    turned = np.linspace(0, 2 * np.pi, 8, endpoint=False)
    around = np.stack([np.cos(turned), np.sin(turned), 0 * turned], axis=1)
    low, high = np.array([0, 0, who.boots + 0.53 * who.stature]), np.array([0, 0, who.top - 0.07])
    parts = [Lines(feet + low, feet + high, np.full(len(feet), 0.07))]
    if arms:
        shoulders = around * who.half_shoulders + np.array([0, 0, who.shoulder])
        at = (feet[:, None] + shoulders).reshape(-1, 3)
        parts.append(balls(at, who.arm + who.tool))
        above = (feet[:, None] + around * who.half_shoulders + np.array([0, 0, who.overhead - 0.01])).reshape(-1, 3)
        parts.append(balls(above, 0.01))
    return together(parts)
