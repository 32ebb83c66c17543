"""Owns where a tail may be after a slip, or once a rope fails: taut, within what a statement says holds it.

Only places are taken that the tail can surely reach: straight lines of its whole length, and where lashings hold it the
line that hangs to a free end moved by what they allow.
"""

from __future__ import annotations

import numpy as np

from oracle.bodies import Lines, Points, balls, capsule, together
from oracle.reading import Table, said
from oracle.site import Site, tail, way_down


def slip(site: Site, name: str, parked: bool) -> Lines | None:
    """All those places as one body; None where no place is known to be within reach."""
    wire = site.wire(name)
    free_end = wire["release"]["free_end"]
    fixed = site.place(wire["to_m" if free_end == "from" else "from_m"])
    start = site.place(wire[f"{free_end}_m"])
    rest = way_down(site, name)[-1]
    holds = [told for told in said(site.scene, "held") if told["wire"] == name and (parked or not told.get("parked"))]
    length = float(wire["length_m"])
    lashings = [told["within_m"] for told in holds if told.get("within_m") is not None]
    around = _sphere(60 if lashings else 600)
    if lashings and not parked:
        return None  # they hold it along its way, which the oracle does not follow
    ends = rest + min(lashings) * around if lashings else fixed + length * around
    planes = [start, *([rest] if parked else [])]  # of its two ends, whichever is meant once it is parked
    ends = ends[[all(_held(site, wire, holds, fixed, other, end) for other in planes) for end in ends]]
    ends = ends[np.linalg.norm(ends - fixed, axis=1) <= length * (1 + 1e-9)]
    if not len(ends):
        return None
    if lashings:
        return together([tail(site, name, end) for end in ends])
    radius = wire["diameter_m"] / 2
    return together([capsule([fixed, end], radius) for end in ends] + [balls(ends, radius)])


def _held(site: Site, wire: Table, holds: list[Table], fixed: Points, start: Points, end: Points) -> bool:
    """True for a free end that every statement allows, above the ground."""
    across = np.array([start[1] - fixed[1], fixed[0] - start[0]])
    aside = abs(float((end - fixed)[:2] @ across) / max(float(np.linalg.norm(across)), 1e-9))
    for told in holds:
        if told.get("sideways_m") is not None and aside > told["sideways_m"]:
            return False
        if told.get("length_m") is not None:
            rope = next(rope for rope in wire["release"]["ropes"] if rope["name"] == told["rope"])
            if np.linalg.norm(end - site.place(rope["to_m"])) > told["length_m"]:
                return False
    return bool(end[2] >= site.earth.height(end[0], end[1]))


def _sphere(count: int) -> Points:
    """Directions spread evenly: Fibonacci's lattice."""
    number = np.arange(count) + 0.5
    high, turn = 1 - 2 * number / count, np.pi * (1 + np.sqrt(5)) * number
    flat = np.sqrt(1 - high**2)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), high], axis=1)
