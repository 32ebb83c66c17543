"""Owns what stands on the site: the stated members of structures, solids, poles, the ground."""

from __future__ import annotations

import csv
from pathlib import Path

import laspy
import numpy as np
import shapely
import trimesh
from scipy.spatial.transform import Rotation

from oracle.bodies import Box, Cloud, Ground, Lines, Plane, Points, Solid, balls, capsule, together
from oracle.reading import Table, span_of


def scanned(scene: Table, folder: Path, file: str, classes: list[int]) -> Points:
    """Points of a scan in the scene's frame, of some classes."""
    scan = laspy.read(folder / file)
    origin = scene.get("origin", {})
    zero = [float(origin.get(key, 0.0)) for key in ("easting_m", "northing_m", "height_m")]
    return np.asarray(scan.xyz[np.isin(np.asarray(scan.classification), classes)] - zero)


def cloud(scene: Table, entry: Table, folder: Path) -> Cloud:
    """Returns of a scan as they are: what lies between them is left out."""
    at = scanned(scene, folder, entry["file"], entry["classes"])
    if entry.get("height_m") is not None:
        low, high = span_of(entry["height_m"])
        at = at[(at[:, 2] >= low) & (at[:, 2] <= high)]
    if entry.get("polygon_m") is not None:
        at = at[shapely.contains_xy(shapely.Polygon(entry["polygon_m"]), at[:, 0], at[:, 1])]
    return Cloud(at, float(entry["survey_error_m"]))


def ground(scene: Table, folder: Path) -> Ground:
    """The ground: a plane, or the points of a survey."""
    entry = scene["ground"]
    uncertainty = float(entry.get("uncertainty_m", 0.0))
    if entry["kind"] == "points":
        return Cloud(scanned(scene, folder, entry["file"], entry.get("classes", [2])), uncertainty)
    if entry["kind"] == "level":
        return Plane(np.array([0, 0, float(entry["height_m"])]), np.array([0.0, 0.0, 1.0]), uncertainty)
    slope, uphill = np.radians([entry["slope_deg"], entry["uphill_deg"]])
    normal = np.array([-np.sin(slope) * np.cos(uphill), -np.sin(slope) * np.sin(uphill), np.cos(slope)])
    return Plane(np.array(entry["through_m"], dtype=float), normal, uncertainty)


def about_z(degrees: float) -> Rotation:
    return Rotation.from_euler("z", degrees, degrees=True)


def structure(entry: Table, earth: Ground, folder: Path) -> Lines:
    """The members that the file states; lattice between them is left out."""
    turn = about_z(float(entry.get("heading_deg", 0.0)))
    if entry["kind"] == "members":
        return _members(entry, earth, folder)
    x, y = entry["base_m"]
    foot = np.array([x, y, earth.height(x, y)])
    make = {"gantry": _gantry, "lattice tower": _tower, "pole": _pole}[entry["kind"]]
    return make(entry).moved(turn, foot)


def _gantry(entry: Table) -> Lines:
    radius, unsure = float(entry["member_radius_m"]), float(entry["uncertainty_m"])
    count, spacing = entry.get("columns", 2), float(entry["column_spacing_m"])
    leg = entry["column_width_m"] / 2 - radius
    under, depth, half = entry["beam_height_m"], entry["beam_depth_m"], entry["beam_width_m"] / 2 - radius
    parts = []
    rows = [(number - (count - 1) / 2) * spacing for number in range(count)]
    for row in rows:
        parts += [
            capsule([[i * leg, row + j * leg, 0], [i * leg, row + j * leg, under]], radius + unsure)
            for i in (-1, 1)
            for j in (-1, 1)
        ]
    for i in (-1, 1):
        for z in (under + radius, under + depth - radius):
            parts.append(capsule([[i * half, rows[0], z], [i * half, rows[-1], z]], radius + unsure))
    return together(parts)


def _tower(entry: Table) -> Lines:
    radius, unsure = float(entry["member_radius_m"]), float(entry["uncertainty_m"])
    heights = [0.0, float(entry["height_m"])]
    widths = [float(entry["base_width_m"]), float(entry["top_width_m"])]
    if entry.get("waist_height_m") is not None:
        heights.insert(1, float(entry["waist_height_m"]))
        widths.insert(1, float(entry["waist_width_m"]))
    parts = []
    for i in (-1, 1):
        for j in (-1, 1):
            leg = [[i * (w / 2 - radius), j * (w / 2 - radius), h] for h, w in zip(heights, widths, strict=True)]
            parts.append(capsule(leg, unsure))
    parts += _arms(entry)
    if entry.get("peak_m"):
        parts.append(balls(np.array([0, 0, heights[-1] + entry["peak_m"] - radius]), unsure))
    return together(parts)


def _pole(entry: Table) -> Lines:
    high, low, top = float(entry["height_m"]), float(entry["base_radius_m"]), float(entry["top_radius_m"])
    unsure = float(entry["uncertainty_m"])
    along = np.linspace(0, high - top, int(high / 0.5) + 2)
    radius = low + (top - low) * along[1:] / high
    shaft = capsule(np.stack([0 * along, 0 * along, along], axis=1), 0.0)
    return together([Lines(shaft.a, shaft.b, radius + unsure), *_arms(entry)])


def _arms(entry: Table) -> list[Lines]:
    """The tips of the arms: where lines meet that a file does not state."""
    sides = {"left": (1,), "right": (-1,), "both": (1, -1)}
    unsure = float(entry["uncertainty_m"])
    return [
        balls(np.array([0.0, side * arm["length_m"], arm["height_m"]]), unsure)
        for arm in entry.get("crossarms", ())
        for side in sides[arm.get("side", "both")]
    ]


def _members(entry: Table, earth: Ground, folder: Path) -> Lines:
    with (folder / entry["nodes"]).open(newline="") as file:
        nodes = {
            row["name"]: np.array([float(row[key]) for key in ("x_m", "y_m", "z_m")]) for row in csv.DictReader(file)
        }
    shift = np.zeros(3)
    if entry.get("base_m") is not None:
        x, y = entry["base_m"]
        shift = np.array([x, y, earth.height(x, y)])
    with (folder / entry["members"]).open(newline="") as file:
        rows = list(csv.DictReader(file))
    unsure = float(entry["uncertainty_m"])
    return together(
        [
            capsule([nodes[row["from"]] + shift, nodes[row["to"]] + shift], float(row["radius_m"]) + unsure)
            for row in rows
        ]
    )


def cylinder(one: Points, other: Points, radius: float, unsure: float) -> Lines:
    """What lies within a cylinder with flat ends: a capsule inside it, and lines along its side and across its ends."""
    long = float(np.linalg.norm(other - one))
    way = (other - one) / long
    aside = np.cross(way, np.eye(3)[int(np.argmin(np.abs(way)))])
    aside /= np.linalg.norm(aside)
    turns = np.linspace(0.0, 2.0 * np.pi, 48, endpoint=False)
    rim = radius * (np.cos(turns)[:, None] * aside + np.sin(turns)[:, None] * np.cross(way, aside))
    parts = [capsule([one, one + off, other + off, other], unsure) for off in rim]
    if long > 2.0 * radius:
        parts.append(capsule([one + radius * way, other - radius * way], radius + unsure))
    return together(parts)


def solid(entry: Table, folder: Path) -> Solid:
    unsure = float(entry.get("uncertainty_m", 0.0))
    if entry["kind"] == "box":
        half = np.array(entry["size_m"], dtype=float) / 2
        return Box(
            np.array(entry["centre_m"], dtype=float), half, about_z(float(entry.get("heading_deg", 0.0))), unsure
        )
    if entry["kind"] == "cylinder":
        return cylinder(np.array(entry["from_m"], float), np.array(entry["to_m"], float), entry["radius_m"], unsure)
    mesh = trimesh.load_mesh(folder / entry["file"])
    scale = {"m": 1.0, "mm": 0.001, "cm": 0.01, "ft": 0.3048, "in": 0.0254, "usft": 1200 / 3937}[entry["units"]]
    points, _ = trimesh.sample.sample_surface_even(mesh, 4000, seed=1)
    at = about_z(float(entry.get("heading_deg", 0.0))).apply(np.vstack([mesh.vertices, points]) * scale)
    return balls(at + np.array(entry.get("at_m", [0, 0, 0]), dtype=float), unsure)


def area(at: Points, radius: float, corners: list[list[float]] | None, earth: Ground) -> Points:
    """Points of the ground where the feet of somebody may be: the middle, the rim and what lies between."""
    if corners is not None:
        rim = np.asarray(corners, dtype=float)
        weights = np.linspace(0, 1, 5)[:, None]
        spots = np.vstack([a + weights * (b - a) for a in rim for b in rim])
    else:
        turned = np.linspace(0, 2 * np.pi, 16, endpoint=False)
        circle = np.stack([np.cos(turned), np.sin(turned)], axis=1)
        spots = np.vstack([at[None, :2], at[:2] + radius * circle, at[:2] + radius / 2 * circle[::4]])
    return np.array([[x, y, earth.height(x, y)] for x, y in np.unique(spots, axis=0)])
