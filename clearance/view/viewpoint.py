"""Owns where a picture is looked at from, so that the job and the gaps recorded at its step are in it.

It reads what a page holds (`scene_data.page_data`) and draws nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from clearance.report.style import ALOFT
from clearance.view.geometry import Floats, unpacked

VIEWS: Final = ("3d", "plan", "elevation", "section", "eye", "true")


@dataclass(frozen=True, eq=False)
class Eye:
    """Where a picture is looked at from.

    half_m: half its height in a parallel view, None in perspective; hidden: kinds left out; alone: the leading gap only
    """

    position: Floats
    target: Floats
    up: Floats
    half_m: float | None
    caption: str
    hidden: tuple[str, ...] = ()
    alone: bool = False


def lead_step(data: Mapping[str, Any], stage: int) -> int:
    """The step at which a stage's least margin was recorded, else its middle."""
    made = data["stages"][stage]
    if made["lead"] is not None:
        return int(made["rows"][made["lead"]]["step"])
    return len(made["steps"]) // 2


def lines_at(data: Mapping[str, Any], stage: int, step: int) -> list[Mapping[str, Any]]:
    """The rows recorded at a step that have a line, least margin first, of like lines the one with the least margin."""
    made = data["stages"][stage]
    found = [made["rows"][k] for k in made["steps"][step].get("rows", ())]
    found.sort(key=lambda row: np.inf if row["exact"]["margin"] is None else row["exact"]["margin"])
    seen: dict[str, Mapping[str, Any]] = {}
    for row in found:
        if "air" in row:
            seen.setdefault(str(row["air"]), row)
    return list(seen.values())


def look_from(data: Mapping[str, Any], stage: int, step: int, view: str) -> Eye:
    """Where a named view looks from, so that the job and its gaps are in it."""
    made, offset = data["stages"][stage], np.array(data["offset"])
    rows = lines_at(data, stage, step)
    points = [np.array(leg).reshape(2, 3) - offset for row in rows for leg in row["air"]]
    points = [leg for leg in points if np.linalg.norm(leg[1] - leg[0]) < 15.0]
    for part, frame in riding(data, stage, step):
        if part["kind"] in ALOFT and "rods" in part:
            rods = unpacked(part["rods"]).reshape(-1, 7)[:, :6].reshape(-1, 3)
            points.append(rods @ frame[:, :3].T + frame[:, 3])
    held = np.concatenate(points) if points else np.array([[-8.0, -8, 0], [8, 8, 8]])
    low, high = held.min(axis=0), held.max(axis=0)
    middle, radius = 0.5 * (low + high), max(3.0, 0.5 * float(np.linalg.norm(high - low)))
    along = np.array([*data["direction"], 0.0])
    across, up = np.array([along[1], -along[0], 0.0]), np.array([0.0, 0.0, 1.0])
    shortened = "A projected distance is foreshortened; every figure is a 3D distance."
    flat = {"plan": (np.array([1.0, 0, 0]), np.array([0.0, 1, 0])), "elevation": (along, up), "section": (across, up)}
    if view in flat:
        right, upward = flat[view]
        half = max(4.0, *(np.abs((held - middle) @ upward)), *(np.abs((held - middle) @ right) * 0.52)) * 1.15
        words = f"{view.capitalize()}. {shortened}"
        return Eye(middle + 300.0 * np.cross(right, upward), middle, upward, half, words)
    if view == "true" and rows:
        legs = [np.array(leg).reshape(2, 3) - offset for leg in rows[0]["air"]]
        leg = max(legs, key=lambda pair: float(np.linalg.norm(pair[1] - pair[0])))
        right = (leg[1] - leg[0]) * [1, 1, 0]
        right = across if np.linalg.norm(right) < 1e-6 else right / np.linalg.norm(right)
        middle = leg.mean(axis=0)
        half = max(0.6, 0.8 * float(np.linalg.norm(leg[1] - leg[0])))
        return Eye(
            middle + 300.0 * np.cross(right, up), middle, up, half, "True length: only the line is to scale.", (), True
        )
    if view == "eye" and made["eye"]:
        head, facing = np.array(made["eye"][step][:3]), np.array(made["eye"][step][3:])
        words = "From the worker's head. Distances cannot be judged by eye here."
        return Eye(head, head + facing + [0, 0, 0.15], up, None, words, ("worker", "reach envelope", "lead"))
    yaw = np.arctan2(along[1], along[0]) - 0.95
    away = np.array([np.cos(0.3) * np.cos(yaw), np.cos(0.3) * np.sin(yaw), np.sin(0.3)])
    words = {"eye": "Nobody is aloft: seen from outside.", "true": "No gap is recorded at this step."}.get(view, "")
    return Eye(middle + max(6.0, 2.6 * radius) * away, middle, up, None, words)


def riding(data: Mapping[str, Any], stage: int, step: int) -> list[tuple[Mapping[str, Any], Floats]]:
    """The parts that ride on links at a step, each with its frame (3, 4): rotation and translation."""
    made = data["stages"][stage]
    if not made["links"]:
        return []
    frames = unpacked(made["links"]).reshape(len(made["steps"]), -1, 3, 4)[step].astype(float)
    return [(data["parts"][ride["part"]], frames[ride["link"]]) for ride in made["riding"]]
