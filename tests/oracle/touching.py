"""Owns what may be run into: how near ladder, people and tails come to what stands there and must not be touched."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from oracle import rig
from oracle.bodies import Cloud, Plane, Solid, capsule, gap, together
from oracle.reading import said
from oracle.rig import Pose
from oracle.site import Site
from oracle.stages import Stage

TOLERANCE = 0.001
FEET = 0.5
"""So much of the ladder's foot is left out [m]: it stands on the ground, and things lie about it."""


def moved(site: Site, stage: Stage, pose: Pose) -> dict[str, Solid]:
    """The ladder with all that insulates, people aloft and tails, at a pose."""
    found: dict[str, Solid] = {
        body.name: body.at(pose) for body in stage.moving if body.hands is not None or body.name in stage.free_ends
    }
    ladder = rig.ladder(site.scene, site.earth, site.wires)
    if ladder is not None and "travel_m" in pose:
        entry, frame = ladder.entry, ladder.frame(pose)
        sides = (-entry["width_m"] / 2, entry["width_m"] / 2)
        low, high = (0.0 if ladder.hung else FEET), entry["length_m"]
        rails = [capsule([[0, y, low], [0, y, high]], entry["rail_diameter_m"] / 2) for y in sides]
        found[ladder.name] = together(rails).moved(frame.turn, frame.at)
    return found


def _meant(site: Site, stage: Stage, one: str, other: str, potential: str) -> bool:
    """True for two bodies that may touch: a statement says so, they are at one phase, or one hangs on the other."""
    pairs = [set(told["bodies"]) for told in said(site.scene, "contact")]
    phases = {state[one] for state in stage.states if one in state} - {"", "earth"}
    entry = site.scene.get("ladder") or {}
    hung = one == entry.get("name", "ladder") and other == entry.get("hangs_on")
    opens = stage.kind in ("open", "close") and one in stage.free_ends and potential == site.wire(one)["phase"]
    return {one, other} in pairs or potential in phases or hung or opens


def nearest(site: Site, stage: Stage, pose: Pose) -> dict[tuple[str, str], float]:
    """The air between what moves and what it must not touch, never below zero."""
    there = {person["name"] for person in site.scene.get("crew", ())}
    parts = moved(site, stage, pose)
    found = {}
    for one, solid in parts.items():
        for body in stage.still:
            if isinstance(body.solid, Plane | Cloud) or body.name in there or body.name.endswith(" pulley"):
                continue
            if not _meant(site, stage, one, body.name, body.potential):
                found[one, body.name] = gap(solid, body.solid)[0]
        for other in stage.free_ends:
            if other in parts and other != one and not _meant(site, stage, one, other, site.wire(other)["phase"]):
                found[one, other] = gap(solid, parts[other])[0]
    return found


def broken(site: Site, stage: Stage, judged: dict[str, Any], poses: Iterable[Pose]) -> list[str]:
    """What is wrong with the collisions of a stage, in words."""
    least: dict[tuple[str, str], tuple[float, Pose]] = {}
    for pose in poses:
        for pair, air in nearest(site, stage, pose).items():
            if air < least.get(pair, (float("inf"),))[0]:
                least[pair] = (air, pose)
    told = []
    for (one, other), (air, pose) in least.items():
        theirs = [entry for entry in judged["collisions"] if entry["body"] == one and entry["gap_lower_m"] is not None]
        if air <= 0 and judged["verdict"] == "clear":
            told.append(f"{stage.name}: '{one}' runs into '{other}' at {pose}, and all is clear")
        elif theirs and min(entry["gap_lower_m"] for entry in theirs) > air + TOLERANCE:
            told.append(f"{stage.name}: '{one}' is {air:.4f} m from '{other}' at {pose}, more is proved: {theirs}")
        elif not theirs and air <= 0 and judged["verdict"] != "undecided":
            told.append(f"{stage.name}: '{one}' runs into '{other}' at {pose}, not judged")
    return told
