"""Owns what carries people aloft: the ladder on its track or hung on a wire, the aerial device; each at a pose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from oracle.bodies import Body, Ground, Lines, Points, capsule, together
from oracle.reading import Table
from oracle.structures import about_z
from oracle.wires import Hung

Pose = dict[str, float]


@dataclass(frozen=True)
class Frame:
    """Where something stands: x ahead of the climber, y to the left, z up; its zero at the feet."""

    turn: Points
    """The matrix of its rotation."""
    at: Points

    def point(self, x: float, y: float, z: float) -> Points:
        return self.turn @ np.array([x, y, z]) + self.at


def once(function: Callable[[Pose], Any]) -> Callable[[Pose], Any]:
    """The same function, which is asked again only at another pose."""
    last: list[Any] = [None, None]

    def remembered(pose: Pose) -> Any:
        if pose is not last[0]:
            last[:] = [pose, function(pose)]
        return last[1]

    return remembered


def leaning(heading: float, along: float, across: float) -> Points:
    """Up to the heading, then along it, then to the right of it [degrees], as a matrix."""
    turn: Points = Rotation.from_euler("ZXY", [heading, across, along], degrees=True).as_matrix()
    return turn


@dataclass(frozen=True)
class Ladder:
    entry: Table
    frame: Callable[[Pose], Frame]
    hung: bool

    @property
    def name(self) -> str:
        return str(self.entry.get("name", "ladder"))

    def metal(self) -> list[Body]:
        """The parts of the ladder that conduct, in its own frame; a foot of metal stands on the earth."""
        e = self.entry
        rails = e["width_m"] / 2
        parts = []
        for where, low, high, potential in (
            ("metal foot", 0.0, e["insulating_from_m"], "" if self.hung else "earth"),
            ("metal top", e["insulating_to_m"], e["length_m"], ""),
        ):
            if high > low:
                sides = [
                    capsule([[0, side, low], [0, side, high]], e["rail_diameter_m"] / 2) for side in (-rails, rails)
                ]
                parts.append(Body(f"{self.name} {where}", together(sides), potential, True))
        for fitting in e.get("fittings", ()):
            line = capsule([[0, 0, fitting["from_m"]], [0, 0, fitting["to_m"]]], 0.0)
            at = fitting.get("potential", "floating")
            parts.append(Body(fitting["name"], line, "" if at == "floating" else at, True))
        if e.get("platform_m") is not None:
            deep, high = e.get("platform_depth_m", 0.6), e["platform_m"]
            edges = [
                [x, y, high]
                for x, y in ((-deep, -rails), (-deep, rails), (deep, rails), (deep, -rails), (-deep, -rails))
            ]
            parts.append(Body(f"{self.name} platform", capsule(edges, 0.0), "", True))
        return parts


def ladder(scene: Table, earth: Ground, wires: dict[str, Hung]) -> Ladder | None:
    entry = scene.get("ladder")
    if entry is None:
        return None
    tilt = float(entry.get("tilt_deg", 0.0))
    if entry.get("hangs_on") is not None:
        wire, length = wires[entry["hangs_on"]], float(entry["length_m"])

        def hung(pose: Pose) -> Frame:
            turn = leaning(
                entry["heading_deg"] + pose["heading_deg"], pose["lean_along_deg"] + tilt, pose["lean_across_deg"]
            )
            return Frame(turn, wire.at(pose["travel_m"]) - turn @ np.array([0, 0, length]))

        return Ladder(entry, once(hung), True)
    track = scene["track"]
    knots = np.array([[x, y, earth.height(x, y)] for x, y in track["points_m"]])
    far = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(knots, axis=0), axis=1))])

    def standing(pose: Pose) -> Frame:
        at = np.array([np.interp(pose["travel_m"], far, knots[:, axis]) for axis in range(3)])
        turn = leaning(
            track["heading_deg"] + pose["heading_deg"], pose["lean_along_deg"] + tilt, pose["lean_across_deg"]
        )
        return Frame(turn, at)

    return Ladder(entry, once(standing), False)


@dataclass(frozen=True)
class Lift:
    """The aerial device at a pose: what of it is metal at earth, its platform, and where the worker stands."""

    metal: Lines
    platform: Lines
    floor: Frame


def lift(entry: Table, earth: Ground, pose: Pose) -> Lift:
    x, y = entry["base_m"]
    foot = np.array([x, y, earth.height(x, y)])
    hinge = foot + np.array([0, 0, entry["turret_m"]])
    level = about_z(pose["turret_deg"])
    up = np.radians(pose["boom_deg"])
    along = level.apply([np.cos(up), 0, np.sin(up)])
    reach = entry["boom_m"] + pose["extend_m"]
    metal_to = reach - entry["insulating_m"] - entry.get("tip_m", 0.0)
    length, width, height = entry["chassis_m"]
    chassis = edges(length, width, 0.0, height).moved(about_z(entry.get("chassis_deg", 0.0)), foot)
    boom = capsule([hinge, hinge + along * metal_to], entry["boom_radius_m"] / 2)
    middle = hinge + along * reach + level.apply([entry["ahead_m"], 0, 0]) - np.array([0, 0, entry["drop_m"]])
    long, wide, high = entry["platform_m"]
    tip = capsule(
        [hinge + along * (reach - entry.get("tip_m", 0.0)), hinge + along * reach], entry["boom_radius_m"] / 2
    )
    platform = together([edges(long, wide, 0.0, high).moved(level, middle), tip])
    return Lift(together([chassis, boom]), platform, Frame(level.as_matrix(), middle))


def edges(length: float, width: float, low: float, high: float) -> Lines:
    """The edges of a box about the z axis."""
    x, y = length / 2, width / 2
    corners = [(-x, -y), (x, -y), (x, y), (-x, y), (-x, -y)]
    rings = [capsule([[*corner, z] for corner in corners], 0.0) for z in (low, high)]
    return together([*rings, *(capsule([[*corner, low], [*corner, high]], 0.0) for corner in corners[:4])])
