"""Owns the ropes of a stage: between points that stand still, and tied to the ladder, on whose carriage they ride."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body
from clearance.errors import InputError, Mistake, at_most
from clearance.job.carried import left_in
from clearance.job.footing import foot_knots, heading_deg, hooks_m, settled, stands
from clearance.motion import rotation_about
from clearance.scene import statements
from clearance.scene.assemble import EARTH, Site, place, strays_m
from clearance.scene.records import Range, Reference, Rope, Stage, Tool, where

Floats = NDArray[np.float64]

PIECES = 8
"""Pieces of a rope tied to the ladder: each lags by its own share of what the far end does."""


@dataclass(frozen=True, eq=False)
class Tied:
    """A rope tied to the ladder, in the frame of the ladder's carriage, which moves along and turns with it.

    tie, held: where it is tied and where its other end is held, (3,) [m]; sway_m: how far the tie may move there by
    lean and sinking feet [m]; lags_m: how far the other end stays behind where the carriage turns and nobody takes it
    round [m]; left_out_m: what else goes into its uncertainty [m]
    """

    tie: Floats
    held: Floats
    sway_m: float
    lags_m: float
    left_out_m: float


def on_ladder(site: Site, rope: Rope) -> bool:
    """Whether a rope is tied to the ladder."""
    ladder = site.scene.ladder
    return isinstance(rope.from_m, Reference) and ladder is not None and rope.from_m.name == ladder.name


def tied(site: Site, stage: Stage, rope: Rope) -> Tied:
    """A rope that is tied to the ladder, in a stage in which the ladder is there.

    The other end is stated for the middle of the stage's travel, and the crew carries it along as the ladder moves.
    """
    scene = site.scene
    assert scene.ladder is not None
    assert stage.travel_m is not None
    assert isinstance(rope.from_m, Reference)
    assert rope.from_m.along_m is not None
    at = place(site, rope, rope.to_m)
    along, tilt = rope.from_m.along_m + hooks_m(scene), math.radians(scene.ladder.tilt_deg)
    leans = [max(abs(span.lo), abs(span.hi)) for span in (stage.lean_along_deg, stage.lean_across_deg)]
    turn = math.radians(max(abs(stage.heading_deg.lo), abs(stage.heading_deg.hi)))
    turned_by, sunk = settled(scene)
    sway = abs(along) * (sum(math.radians(lean) for lean in leans) + turned_by) + sunk
    knots, fit = foot_knots(site, stage)
    middle = 0.5 * (stage.travel_m.lo + stage.travel_m.hi)
    foot = np.array([np.interp(middle, knots[:, 0], knots[:, 1 + k]) for k in range(3)])
    turned = rotation_about((0.0, 0.0, 1.0), math.radians(heading_deg(scene)))
    held: Floats = turned.T @ (np.array(at) - foot)
    tie = np.array([along * math.sin(tilt), 0.0, along * math.cos(tilt)])
    lags = turn * math.hypot(held[0], held[1])
    return Tied(tie, held, sway, lags, fit + scene.ladder.bending_m + strays_m(site, rope.to_m, at))


@dataclass(frozen=True, eq=False)
class Way:
    """The way of a hauled tool, in the frame of a link, or of the scene where that is None.

    start: its lower end (3,) [m]; along: unit vector up the line; length_m: of the whole way; uncertainty_m: how far
    the line may be from it
    """

    link: str | None
    start: Floats
    along: Floats
    length_m: float
    uncertainty_m: float


@dataclass(frozen=True, eq=False)
class Haul:
    """A tool on its line: its way, the parameter that takes it along, and the range of that [m]."""

    tool: Tool
    way: Way
    parameter: str
    span_m: Range

    @property
    def link(self) -> str:
        """The link that carries it."""
        return self.parameter.removesuffix("_m")


def hauls_of(site: Site, stage: Stage) -> tuple[Haul, ...]:
    """Every tool on its line in a stage: the one that is hauled, then those that were left where they were hauled to.

    Raises: InputError for a line tied to a ladder that is not there, or without length.
    """
    asked = [(stage.hauled, stage.haul_m)] if stage.hauled is not None else []
    tools = {tool.name: tool for tool in site.scene.tools}
    found: list[Haul] = []
    for name, span in (*asked, *left_in(stage)):
        way = _way(site, stage, tools[name])
        parameter = "haul_m" if not found else f"haul_{len(found) + 1}_m"
        if not found and stage.haul_m is not None:
            span = stage.haul_m  # a pose of a page says where the first one is, hauled or left
        found.append(Haul(tools[name], way, parameter, span or Range(0.0, way.length_m)))
    return tuple(found)


def _way(site: Site, stage: Stage, tool: Tool) -> Way:
    rope = next(rope for rope in site.scene.ropes if rope.name == tool.line)
    head = where(site.scene, stage, "hauled")
    if on_ladder(site, rope):
        if stage.travel_m is None or not stands(site.scene):
            expected = f"a stage in which the ladder is there: {rope.name}, with {tool.name} on it, is tied to it"
            remedy = f"add travel_m, or take {tool.name} away before"
            raise InputError(Mistake(head, expected, "no travel_m", remedy))
        found = tied(site, stage, rope)
        link, low, high, uncertainty = "carriage", found.held, found.tie, found.sway_m + found.lags_m + found.left_out_m
    else:
        ends = [place(site, rope, value) for value in (rope.to_m, rope.from_m)]
        link, (low, high) = None, (np.array(end) for end in ends)
        uncertainty = max(strays_m(site, value, end) for value, end in zip((rope.to_m, rope.from_m), ends, strict=True))
    length = float(np.linalg.norm(high - low))
    if length < 0.01:
        raise InputError(Mistake(head, "a line with two ends apart", f"{length:.3f} m", f"mend rope '{rope.name}'"))
    if stage.hauled == tool.name and stage.haul_m is not None and stage.haul_m.hi > length + 1e-9:
        place_of = where(site.scene, stage, "haul_m")
        raise InputError(Mistake(place_of, f"at most the {at_most(length)} m of {rope.name}", f"{stage.haul_m.hi:g} m"))
    return Way(link, low, (high - low) / length, length, uncertainty)


def hauled_bodies(site: Site, stage: Stage) -> Iterator[Body]:
    """The tools on their lines: each a ball that covers it, on the link that takes it up its line."""
    for haul in hauls_of(site, stage):
        tool = haul.tool
        shape = shapes.points([[0.0, 0.0, 0.0]], tool.radius_m, tool.swing_m + haul.way.uncertainty_m)
        how = "hauled along its line" if tool.name == stage.hauled else "left on its line where it was hauled to"
        note = f"{how}: a ball that covers it however it turns"
        yield Body(tool.name, "tool", shape, potential=None, job=True, link=haul.link, note=note)


def bulge_m(chord_m: float, slack_m: float) -> float:
    """How far [m] any point of a rope is from the straight line between its ends, however it sags, is blown or is
    pulled aside; slack_m: its length beyond that line.

    The distances of a point to both ends add up to the rope's length at most, so it is on an ellipsoid about the ends,
    whose half width is this; it reaches less far beyond an end. (A parabola of the same length sags 0.87 of it.)

    >>> round(bulge_m(8.0, 0.02), 3)
    0.283
    """
    return 0.5 * math.sqrt((chord_m + slack_m) ** 2 - chord_m**2)


def rope_bodies(site: Site, stage: Stage) -> Iterator[Body]:
    """Ropes; one that is tied to the ladder rides on its carriage, the lean of the tie going into uncertainty."""
    scene = site.scene
    for rope in scene.ropes:
        insulates = statements.insulating(scene, rope.name)
        common = {"conductive": not insulates, "potential": None if insulates else EARTH, "job": True}
        if not on_ladder(site, rope):
            ends = [place(site, rope, value) for value in (rope.from_m, rope.to_m)]
            strays = max(strays_m(site, value, end) for value, end in zip((rope.from_m, rope.to_m), ends, strict=True))
            bulge = bulge_m(math.dist(*ends) + 2.0 * strays, rope.slack_m)
            shape = shapes.segments([ends[0]], [ends[1]], rope.diameter_m / 2, strays + bulge)
            yield Body(rope.name, "rope", shape, **common)  # type: ignore[arg-type]
        elif stage.travel_m is not None and stands(scene):
            found = tied(site, stage, rope)
            apart = found.sway_m + found.lags_m + found.left_out_m
            bulge = bulge_m(float(np.linalg.norm(found.held - found.tie)) + 2.0 * apart, rope.slack_m)
            way = np.linspace(found.tie, found.held, PIECES + 1)
            # A piece stays behind by its share of what the far end does.
            behind = found.lags_m * np.arange(1, PIECES + 1) / PIECES
            around = found.sway_m + found.left_out_m + bulge
            shape = shapes.polyline(way, rope.diameter_m / 2, around + behind)
            yield Body(rope.name, "rope", shape, link="carriage", **common)  # type: ignore[arg-type]
