"""Owns the shapes of structures: gantries, lattice towers, poles, and any structure given as nodes and members.

To make one use `gantry`, `lattice_tower`, `pole`, or `members` with what `read_members` read. Every structure stands
with its feet at its base; its heading is the direction of the line through it, anticlockwise from x, and its beam or
crossarms run across that. Members are capsules: round bars that hold the angle sections they stand for, joints and
plates left out.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance import shapes
from clearance.bodies.solid import turned_about_z
from clearance.conductor.catenary import Point, point3, refuse
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape

Floats = NDArray[np.float64]
Bar = tuple[Floats, Floats]

POLE_STEP_M: Final = 0.005
"""[m] Largest step of radius between two pieces of a tapered pole. Each piece has its larger radius, so a smaller step
makes a slimmer pole of more pieces."""

_SIDES: Final[dict[str, tuple[float, ...]]] = {"left": (1.0,), "right": (-1.0,), "both": (1.0, -1.0)}


@dataclass(frozen=True)
class Crossarm:
    """One crossarm.

    height_m: of its tip and lower chords above the base [m]
    length_m: from the axis of the structure to the tip [m]
    depth_m: of the arm where it leaves the body [m]
    side: "left", "right" or "both", seen along the heading
    """

    height_m: float
    length_m: float
    depth_m: float
    side: Literal["left", "right", "both"] = "both"


@dataclass(frozen=True)
class Member:
    """A bar between two named nodes, with its radius [m]."""

    from_node: str
    to_node: str
    radius_m: float


def gantry(
    base: ArrayLike,
    heading_deg: float,
    column_spacing_m: float,
    column_width_m: float,
    beam_height_m: float,
    beam_depth_m: float,
    beam_width_m: float,
    panel_m: float,
    member_radius_m: float,
    columns: int = 2,
    uncertainty_m: float = 0.0,
) -> Shape:
    """Square lattice columns in a row, and a lattice beam across them at their top.

    Parameters
    ----------
    base: the middle of the row of feet [m]
    heading_deg: the direction of the line through the gantry [deg]; the beam runs across it
    column_spacing_m: column axis to column axis [m]
    column_width_m: outer face to outer face [m], the same both ways
    beam_height_m: underside of the beam above the base [m]
    beam_depth_m, beam_width_m: of the beam, outer face to outer face, upward and along the line [m]
    panel_m: length of a bracing panel [m], about: panels are made equal
    member_radius_m: of every bar [m]
    columns: how many, at least 2
    uncertainty_m: survey and model error [m]

    Raises `InputError` for values out of range or bars too thick for their frame.

    >>> shape = gantry([0, 0, 0], 0.0, 16.0, 1.0, 12.0, 0.9, 0.8, 1.2, 0.05)
    >>> [round(float(v), 6) for v in shape.bounds[1]]
    [0.5, 8.5, 12.9]
    """
    foot = point3("gantry", "base_m", base)
    sizes = {
        "column_spacing_m": column_spacing_m, "column_width_m": column_width_m, "beam_height_m": beam_height_m,
        "beam_depth_m": beam_depth_m, "beam_width_m": beam_width_m, "panel_m": panel_m,
        "member_radius_m": member_radius_m,
    }  # fmt: skip
    least = f"more than the bars of {2 * member_radius_m:.6g} m it is made of"
    thick = [
        Mistake(("gantry", field), least, f"{sizes[field]!r} m")
        for field in ("column_width_m", "beam_depth_m", "beam_width_m")
        if sizes[field] <= 2 * member_radius_m
    ]
    if not columns >= 2:
        thick.append(Mistake(("gantry", "columns"), "at least 2", f"{columns!r}"))
    if column_spacing_m <= column_width_m:
        thick.append(Mistake(("gantry", "column_spacing_m"), "more than column_width_m", f"{column_spacing_m!r} m"))
    turn = {"heading_deg": heading_deg}
    refuse("gantry", positive=sizes, not_negative={"uncertainty_m": uncertainty_m}, finite=turn, others=thick)

    inner = column_width_m / 2 - member_radius_m
    top = beam_height_m + beam_depth_m - member_radius_m
    bars: list[Bar] = []
    half_row = column_spacing_m * (columns - 1) / 2
    for index in range(columns):
        axis = np.array([0.0, index * column_spacing_m - half_row, 0.0])
        rings = [axis + _square(inner, height) for height in _steps(0.0, top, panel_m)]
        bars += _lattice(rings)
    low = beam_height_m + member_radius_m
    middle, side = (low + top) / 2, beam_width_m / 2 - member_radius_m
    reach = half_row + inner
    upright = np.array(
        [[-side, 0, low - middle], [side, 0, low - middle], [side, 0, top - middle], [-side, 0, top - middle]]
    )
    rings = [np.array([0.0, along, middle]) + upright for along in _steps(-reach, reach, panel_m)]
    bars += _lattice(rings)
    return _stood(bars, foot, heading_deg, member_radius_m, uncertainty_m)


def lattice_tower(
    base: ArrayLike,
    heading_deg: float,
    height_m: float,
    base_width_m: float,
    top_width_m: float,
    panels: int,
    member_radius_m: float,
    crossarms: Sequence[Crossarm] = (),
    waist_height_m: float | None = None,
    waist_width_m: float | None = None,
    peak_m: float = 0.0,
    uncertainty_m: float = 0.0,
) -> Shape:
    """A square lattice tower: four legs, X bracing, crossarms that taper to their tips, a peak.

    Parameters
    ----------
    base: the middle of its feet [m]
    heading_deg: the direction of the line through the tower [deg]; crossarms run across it
    height_m: of the body above the base [m], without the peak
    base_width_m, top_width_m: of the body, leg axis to leg axis, at the base and at the top [m]
    panels: how many bracing panels the body has
    member_radius_m: of every bar [m]
    crossarms: the arms
    waist_height_m, waist_width_m: where the taper changes [m]; both or neither
    peak_m: height of the peak above the body [m]; 0 for none
    uncertainty_m: survey and model error [m]

    Raises `InputError` for values out of range, a crossarm above the body or shorter than the body is wide.
    """
    foot = point3("tower", "base_m", base)
    mistakes = []
    if not panels >= 1:
        mistakes.append(Mistake(("tower", "panels"), "at least 1", f"{panels!r}"))
    if (waist_height_m is None) != (waist_width_m is None):
        mistakes.append(Mistake(("tower", "waist_height_m, waist_width_m"), "both or neither", "one of them"))
    elif waist_height_m is not None and not 0 < waist_height_m < height_m:
        expected = f"a height within 0 to {height_m!r} m"
        mistakes.append(Mistake(("tower", "waist_height_m"), expected, f"{waist_height_m!r} m"))
    sizes = {"height_m": height_m, "base_width_m": base_width_m, "top_width_m": top_width_m}
    sizes |= {"member_radius_m": member_radius_m, "waist_width_m": 1.0 if waist_width_m is None else waist_width_m}
    more = {"peak_m": peak_m, "uncertainty_m": uncertainty_m}
    refuse("tower", positive=sizes, not_negative=more, finite={"heading_deg": heading_deg}, others=mistakes)
    heights, widths = [0.0, height_m], [base_width_m, top_width_m]
    if waist_height_m is not None and waist_width_m is not None:
        heights.insert(1, waist_height_m)
        widths.insert(1, waist_width_m)

    def half_width(height: float) -> float:
        return float(np.interp(height, heights, widths)) / 2

    _refuse_crossarms("tower", crossarms, height_m, half_width)
    levels: list[float] = []
    for low, high in pairwise(heights):
        count = max(1, round(panels * (high - low) / height_m))
        levels += [float(level) for level in np.linspace(low, high, count + 1)[bool(levels) :]]
    rings = [_square(half_width(level), level) for level in levels]
    bars = _lattice(rings, first=False)
    if peak_m > 0:
        bars += [(corner, np.array([0.0, 0.0, height_m + peak_m])) for corner in rings[-1]]
    for arm in crossarms:
        upper = min(arm.height_m + arm.depth_m, height_m)
        for side in _SIDES[arm.side]:
            bars += _arm(arm, side, upper, half_width(arm.height_m), half_width(upper))
    return _stood(bars, foot, heading_deg, member_radius_m, uncertainty_m)


def pole(
    base: ArrayLike,
    height_m: float,
    base_radius_m: float,
    top_radius_m: float,
    crossarms: Sequence[Crossarm] = (),
    heading_deg: float = 0.0,
    uncertainty_m: float = 0.0,
) -> Shape:
    """A round tapered pole, with plain crossarms as thick as their depth.

    base: the middle of its foot [m]; the other parameters as for `lattice_tower`. Each piece of the taper has its
    larger radius, so the pole is held. Raises `InputError` for values out of range or a crossarm above the pole.
    """
    foot = point3("pole", "base_m", base)
    refuse(
        "pole",
        positive={"height_m": height_m, "base_radius_m": base_radius_m, "top_radius_m": top_radius_m},
        not_negative={"uncertainty_m": uncertainty_m},
        finite={"heading_deg": heading_deg},
    )
    _refuse_crossarms("pole", crossarms, height_m, lambda _: min(base_radius_m, top_radius_m))
    count = max(1, math.ceil(abs(base_radius_m - top_radius_m) / POLE_STEP_M))
    levels = np.linspace(0, height_m, count + 1)
    radii = np.linspace(base_radius_m, top_radius_m, count + 1)
    axis = np.stack([np.zeros(count + 1), np.zeros(count + 1), levels], axis=1)
    parts = [shapes.polyline(axis, np.maximum(radii[:-1], radii[1:]), uncertainty_m)]
    for arm in crossarms:
        ends = [np.array([0.0, side * arm.length_m, arm.height_m]) for side in _SIDES[arm.side]]
        root = [np.array([0.0, 0.0, arm.height_m])] * len(ends)
        parts.append(shapes.segments(np.array(root), np.array(ends), arm.depth_m / 2, uncertainty_m))
    return shapes.moved(shapes.join(parts), turned_about_z(heading_deg), foot)


def members(
    nodes: Mapping[str, ArrayLike],
    bars: Iterable[Member],
    shift: ArrayLike = (0.0, 0.0, 0.0),
    uncertainty_m: float = 0.0,
) -> Shape:
    """A structure of bars between named nodes.

    nodes: coordinates (3,) by name [m]; bars: the members; shift: added to every node [m]; uncertainty_m: model
    error [m]

    Raises `InputError` for an unknown node, a bar without length or thickness, or no bars at all.
    """
    chosen = list(bars)
    mistakes = [] if chosen else [Mistake(("structure", "members"), "at least one member", "none")]
    for number, bar in enumerate(chosen, start=1):
        mistakes += _bar_mistakes(("structure", f"member {number}"), bar, nodes)
    refuse("structure", not_negative={"uncertainty_m": uncertainty_m}, others=mistakes)
    places = {name: np.array(point3("structure", f"node {name!r}", xyz)) for name, xyz in nodes.items()}
    start = np.array([places[bar.from_node] for bar in chosen])
    end = np.array([places[bar.to_node] for bar in chosen])
    shape = shapes.segments(start, end, [bar.radius_m for bar in chosen], uncertainty_m)
    return shapes.moved(shape, translation=point3("structure", "base_m", shift))


def read_members(nodes_file: str | Path, members_file: str | Path) -> tuple[dict[str, Point], tuple[Member, ...]]:
    """Nodes and members of a structure from two CSV files.

    nodes_file: columns name, x_m, y_m, z_m; members_file: columns from, to, radius_m; more columns are left alone, as
        notes

    Raises `InputError` that lists every missing column, repeated or unknown node and number that is none.
    """
    nodes: dict[str, Point] = {}
    mistakes: list[Mistake] = []
    for line, row in _rows(Path(nodes_file), ("name", "x_m", "y_m", "z_m")):
        where = ("structure", str(nodes_file), f"line {line}")
        if not row["name"] or row["name"] in nodes:
            mistakes.append(Mistake((*where, "name"), "a name not used before", f"{row['name']!r}"))
        place = [_number(row[field], (*where, field), mistakes) for field in ("x_m", "y_m", "z_m")]
        nodes[row["name"]] = (place[0], place[1], place[2])
    bars: list[Member] = []
    for line, row in _rows(Path(members_file), ("from", "to", "radius_m")):
        where = ("structure", str(members_file), f"line {line}")
        before = len(mistakes)
        bar = Member(row["from"], row["to"], _number(row["radius_m"], (*where, "radius_m"), mistakes))
        mistakes += _bar_mistakes(where, replace(bar, radius_m=1.0) if len(mistakes) > before else bar, nodes)
        bars.append(bar)
    if not bars:
        mistakes.append(Mistake(("structure", str(members_file)), "at least one member", "none"))
    if mistakes:
        raise InputError(mistakes)
    return nodes, tuple(bars)


def _rows(path: Path, columns: Sequence[str]) -> list[tuple[int, dict[str, str]]]:
    """Rows by column name, each with its line number."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream, skipinitialspace=True)
            missing = [name for name in columns if name not in (reader.fieldnames or ())]
            if missing:
                expected, found = f"the columns {', '.join(columns)}", f"none named {', '.join(missing)}"
                raise InputError(Mistake(("structure", str(path), "first line"), expected, found))
            return [(reader.line_num, {name: (row[name] or "").strip() for name in columns}) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(Mistake(("structure", str(path)), "a CSV file that can be read", str(error))) from error


def _number(text: str, where: tuple[str, ...], mistakes: list[Mistake]) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        mistakes.append(Mistake(where, "a finite number", f"{text!r}"))
    return value


def _bar_mistakes(where: tuple[str, ...], bar: Member, nodes: Mapping[str, object]) -> list[Mistake]:
    known = ", ".join(sorted(nodes)[:8]) + (", ..." if len(nodes) > 8 else "")
    mistakes = [
        Mistake((*where, field), f"one of the nodes {known}", f"{node!r}")
        for field, node in (("from", bar.from_node), ("to", bar.to_node))
        if node not in nodes
    ]
    if not (math.isfinite(bar.radius_m) and bar.radius_m > 0):
        mistakes.append(Mistake((*where, "radius_m"), "a finite number above 0", f"{bar.radius_m!r}"))
    if bar.from_node == bar.to_node:
        mistakes.append(Mistake((*where, "to"), "another node than from", f"{bar.to_node!r}"))
    return mistakes


def _refuse_crossarms(
    what: str, crossarms: Sequence[Crossarm], height: float, half_width: Callable[[float], float]
) -> None:
    mistakes = []
    for number, arm in enumerate(crossarms, start=1):
        entry = f"crossarm {number}"
        values = {"height_m": arm.height_m, "length_m": arm.length_m, "depth_m": arm.depth_m}
        for field, value in values.items():
            if not (math.isfinite(value) and value > 0):
                mistakes.append(Mistake((what, entry, field), "a finite number above 0", f"{value!r}"))
        if arm.height_m > height:
            expected = f"at most the body's {height:.6g} m"
            mistakes.append(Mistake((what, entry, "height_m"), expected, f"{arm.height_m!r} m"))
        elif arm.length_m <= half_width(arm.height_m):
            expected = f"more than the body's half width of {half_width(arm.height_m):.6g} m there"
            mistakes.append(Mistake((what, entry, "length_m"), expected, f"{arm.length_m!r} m"))
        if arm.side not in _SIDES:
            mistakes.append(Mistake((what, entry, "side"), '"left", "right" or "both"', f"{arm.side!r}"))
    if mistakes:
        raise InputError(mistakes)


def _steps(low: float, high: float, step: float) -> Floats:
    return np.linspace(low, high, max(1, round((high - low) / step)) + 1)


def _square(half: float, height: float) -> Floats:
    return np.array([[-half, -half, height], [half, -half, height], [half, half, height], [-half, half, height]])


def _lattice(rings: Sequence[Floats], first: bool = True) -> list[Bar]:
    """Chords through the corners of successive rings, a frame at each ring, and an X on each of the four faces of a
    panel."""
    bars: list[Bar] = []
    for index, ring in enumerate(rings):
        if index > 0 or first:
            bars += [(ring[k], ring[(k + 1) % 4]) for k in range(4)]
    for low, high in pairwise(rings):
        for k in range(4):
            after = (k + 1) % 4
            bars += [(low[k], high[k]), (low[k], high[after]), (low[after], high[k])]
    return bars


def _arm(arm: Crossarm, side: float, upper: float, half_low: float, half_high: float) -> list[Bar]:
    """Lower chords level, upper chords down to the tip, with zigzag bracing on the faces between them."""
    tip = np.array([0.0, side * arm.length_m, arm.height_m])
    roots = [
        np.array([-half_low, side * half_low, arm.height_m]),
        np.array([half_low, side * half_low, arm.height_m]),
        np.array([half_high, side * half_high, upper]),
        np.array([-half_high, side * half_high, upper]),
    ]
    count = max(2, math.ceil((arm.length_m - half_low) / max(arm.depth_m, 1.0)))
    chains = [[root + (tip - root) * step / count for step in range(count + 1)] for root in roots]
    # The frame where the arm leaves the body carries its chords through the body's faces.
    bars: list[Bar] = [(roots[k], roots[(k + 1) % 4]) for k in range(4)]
    for step in range(count):
        for k in range(4):
            after = (k + 1) % 4
            bars.append((chains[k][step], chains[k][step + 1]))
            if step + 1 < count:
                bars.append((chains[k][step + 1], chains[after][step + 1]))
                one, other = (k, after) if step % 2 else (after, k)
                bars.append((chains[one][step], chains[other][step + 1]))
    return bars


def _stood(bars: Sequence[Bar], foot: Point, heading_deg: float, radius: float, uncertainty: float) -> Shape:
    lines = np.array(bars)
    lengths = np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1)
    shape = shapes.segments(lines[lengths > 0, 0], lines[lengths > 0, 1], radius, uncertainty)
    return shapes.moved(shape, turned_about_z(heading_deg), foot)
