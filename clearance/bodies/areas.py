"""Owns the shape of somebody who may stand anywhere in an area of the ground: everywhere the body, the hands and what
they hold can be while the feet, and the trunk over them, are in that area.

An area in plan is convex; its ground is cut out of the triangles of the ground (`pieces`). Raised by heights so close
that spheres about it leave nothing out (`_layers`), it holds what a body takes up about its upright axis, wherever it
stands. What reaches far aside at one height, arms stretched out level, is held by level bands of it, grown.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from clearance import shapes
from clearance.bodies.ground import Ground
from clearance.bodies.worker import Build
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape

Floats = NDArray[np.float64]
Xy = tuple[float, float]

CORNERS: Final = 3
"""Sides of a quarter of a circle: the polygon that stands for a circle holds it, and reaches at most 3.5 % beyond."""

LEAST_M: Final = 0.001
"""[m] Radius of an area that is a point."""

BAND_M: Final = 0.1
"""[m] Ground that rises less is taken as level at its lowest and its highest, for what reaches aside of it."""

ARM_M: Final = 0.15
"""[m] Thickness of the layers that hold arms stretched out level."""


def plan(at: Xy, radius_m: float, corners: Iterable[Xy] | None) -> shapely.Polygon:
    """An area in plan, convex: the hull of its corners, or all within a radius [m] of a place."""
    if corners is not None:
        return _grown(shapely.MultiPoint(list(corners)), LEAST_M)
    return _grown(shapely.Point(at), max(radius_m, LEAST_M))


def _grown(area: BaseGeometry, by_m: float) -> shapely.Polygon:
    """A convex polygon that holds all within a distance [m] of an area."""
    outer = by_m / math.cos(math.pi / (4 * CORNERS))
    grown = area.buffer(outer, quad_segs=CORNERS).convex_hull
    assert isinstance(grown, shapely.Polygon)
    return grown


def pieces(ground: Ground, area: shapely.Polygon) -> list[Floats]:
    """The ground of an area: convex pieces of its triangles, (n, 3) corners each [m].

    Raises: InputError where some of the area has no ground.
    """
    found: list[Floats] = []
    covered = 0.0
    edge = np.array(shapely.geometry.polygon.orient(area).exterior.coords)
    for index in ground.tree.query(area):
        piece = ground.shape.vertices[index]
        for (ax, ay), (bx, by) in pairwise(edge):
            inside = (bx - ax) * (piece[:, 1] - ay) - (by - ay) * (piece[:, 0] - ax)
            piece = _kept(piece, inside)
            if len(piece) < 3:
                break
        else:
            size = shapely.Polygon(piece[:, :2]).area
            if size > 0.0:
                found.append(piece)
                covered += size
    if covered < area.area * (1.0 - 1e-6):
        expected, remedy = "ground below all of the area", "extend the ground, or draw the area in"
        raise InputError(Mistake(("crew", "area_m"), expected, f"none below {area.area - covered:.2f} m²", remedy))
    return found


def _kept(piece: Floats, inside: Floats) -> Floats:
    """The part of a convex piece on the inner side of a line, where `inside` is not negative."""
    kept = []
    for k, corner in enumerate(piece):
        after = (k + 1) % len(piece)
        if inside[k] >= 0.0:
            kept.append(corner)
        if (inside[k] > 0.0 > inside[after]) or (inside[k] < 0.0 < inside[after]):
            share = inside[k] / (inside[k] - inside[after])
            kept.append(corner + share * (piece[after] - corner))
    return np.array(kept).reshape(-1, 3)


def people(
    ground: Ground,
    area: shapely.Polygon,
    worker: Build,
    arms: Literal["overhead", "down"] = "overhead",
    tool_m: float = 0.0,
) -> Shape:
    """Somebody anywhere in an area, upright, turned any way, the hands wherever they reach.

    arms: "overhead": anywhere about the shoulders; "down": no higher than the shoulders; tool_m: a conductive tool in
        the hands, beyond the fingertips [m], held any way: arms that are down hold a rod upright

    Not held: bending over beyond the area, jumping. Raises `InputError` for an area without ground.
    """
    stature, boots, suit = worker.stature_m, worker.boots_m, worker.suit_m
    around = max(worker.bideltoid_m / 2 + suit, 0.6 * worker.foot_m + boots)
    reach, upper_arm = worker.arm_m + suit + tool_m, 0.036 * stature + suit
    low, high = boots + worker.shoulder_height_m, boots + worker.shoulder_raised_m
    low, high = min(low, high), max(low, high)
    head = boots + stature + worker.helmet_m
    # The head is narrower than the shoulders: only a disc of its own radius must fit under the cap at the top.
    land = pieces(ground, area)
    # Half way between two layers a sphere about one still reaches as far aside as it must.
    thick = math.hypot(around, around / 4)
    cap = math.sqrt(thick**2 - min(0.06 * stature + worker.helmet_m, around) ** 2)
    parts = [_raised(land, _layers(0.0, head - cap, around / 2), thick, worker.spread_m)]
    if arms == "overhead":
        wide = math.hypot(worker.shoulder_half_m + reach, 0.5 * (high - low))
        parts.append(_raised(land, _layers(low, high, high - low + 1e-9), wide, worker.spread_m))
        return shapes.join(parts)
    # Level, an arm is as high as it is thick; a layer reaches far enough a little less than its radius off.
    top, room = low + upper_arm, 0.1
    near, hands = math.sqrt(ARM_M**2 - room**2), worker.shoulder_half_m + reach - tool_m
    for band in _bands(land):
        under, over = float(band[:, 2].min()), float(band[:, 2].max())
        low_layer = under + max(low - reach, ARM_M)
        layers = _layers(low_layer, max(over + top - room, low_layer), 2 * room)
        parts.append(_level(band, hands + tool_m - near, layers, worker.spread_m))
        while layers[-1] + room < over + low + tool_m:
            # A tool that is held up leans aside by no more than its length leaves.
            up = max(0.0, layers[-1] + room - over - low)
            layers = [layers[-1] + 2 * room]
            parts.append(_level(band, hands + math.sqrt(tool_m**2 - up**2) - near, layers, worker.spread_m))
    return shapes.join(parts)


def _level(band: Floats, aside: float, layers: list[float], spread: float) -> Shape:
    """Flat layers about a piece of ground, that reach further aside than it [m]."""
    edge = np.array(_grown(shapely.MultiPoint(band[:, :2]), aside).exterior.coords)[:-1]
    return _raised([np.column_stack([edge, np.zeros(len(edge))])], layers, ARM_M, spread)


def _bands(land: list[Floats]) -> Iterator[Floats]:
    """Pieces of ground cut level into bands that rise no more than `BAND_M`."""
    for piece in land:
        low, high = float(piece[:, 2].min()), float(piece[:, 2].max())
        cuts = np.linspace(low, high, max(1, math.ceil((high - low) / BAND_M)) + 1)
        for start, stop in pairwise(cuts):
            band = _kept(piece, piece[:, 2] - start)
            band = _kept(band, stop - band[:, 2])
            if len(band):
                yield band


def _layers(low: float, high: float, apart: float) -> list[float]:
    count = max(1, math.ceil((high - low) / apart - 1e-9))
    return [float(z) for z in np.linspace(low, high, count + 1)]


def _raised(ground: list[Floats], heights: list[float], radius: float, spread: float) -> Shape:
    fans = np.array([[piece[0], piece[k], piece[k + 1]] for piece in ground for k in range(1, len(piece) - 1)])
    up = np.array([0.0, 0.0, 1.0])
    return shapes.triangles(np.concatenate([fans + height * up for height in heights]), radius, spread)
