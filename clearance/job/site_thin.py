"""Owns wires that are written as rigid bodies: a wire moved to another table hangs still in the weather.

What is thin and long, live or earthed, is a wire until somebody confirms that it is a rigid tube or bar; so is what is
thicker and goes further between its supports than any tube. Pieces that follow one another are one body: a sagging wire
is written as many short ones, a bundle as one thick one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from clearance.bodies import Body
from clearance.gaps import EARTH
from clearance.result import OpenPoint
from clearance.scene import records
from clearance.scene.assemble import Site
from clearance.scene.plausible import confirmed, confirming, unless_confirmed
from clearance.scene.records import Solid, Structure, where
from clearance.shapes import Shape

THIN: Final = "thin as a wire"

THIN_M = 0.06
"""[m] Conductors that hang are thinner: the thickest have 50 mm. Tubular buses have 80 to 250 mm (common practice, no
source)."""

SLENDER = 50.0
"""[1] Length over thickness beyond which what is thin bends under its own weight and in the wind (common practice, no
source): horns, clamps and stubs are below it."""

RIGID_M = 0.01
"""[m] What is thinner than this is no rigid tube or bar, whoever confirms it."""

THICK_M = 0.6
"""[m] What is thicker is no wire, nor the hull of a bundle of four (common practice, no source)."""

SPAN_M = 15.0
"""[m] No tube goes further between two supports (common practice, no source: 10 to 12 m are usual)."""

HELD_M = 0.5
"""[m] So near to its surface an insulator's end, a structure or another body holds a tube."""

APART_M = 1.0
"""[m] Pieces no further apart follow one another: a span between them would be seen."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Piece:
    """A thin body: its entry, how thick it is [m], where it is, and the field that says so."""

    entry: Solid | Structure
    girth_m: float
    potential: str | None
    low: Floats
    high: Floats
    field: str
    value: Any


def of_thin(site: Site) -> Iterator[OpenPoint]:
    """Thin, long bodies that are no wires, earthed ones too, where the scene has weather: what follows one another
    together. And scans of what is live, which move in no weather."""
    scene = site.scene
    if scene.weather is None:
        return
    for cloud in scene.clouds:
        named = where(scene, cloud)[-1]
        if cloud.potential != EARTH:
            what = "points of what is live stand still: what hangs moves in the weather"
            cure = "state what hangs there as wires and leave it out of the scan; or, where nothing in it hangs, "
            yield from unless_confirmed(scene, named, "potential", cloud.potential, what, cure, THIN)
    bodies = {body.name: body for body in site.bodies}
    entries: tuple[Solid | Structure, ...] = (*scene.solids, *scene.structures)
    pieces = [piece for entry in entries if (piece := _thin(bodies.get(entry.name), entry)) is not None]
    left = [piece for piece in pieces if not _rigid(site, piece)]
    while left:
        run = [left.pop(0)]
        for one in run:
            near = [other for other in left if other.potential == one.potential and _apart_m(one, other) <= APART_M]
            left = [other for other in left if other not in near]
            run += near
        low, high = np.min([one.low for one in run], axis=0), np.max([one.high for one in run], axis=0)
        long, thick = float(np.linalg.norm(high - low)), max(one.girth_m for one in run)
        far = long if thick < THIN_M else _unsupported_m(site, run)
        if long <= SLENDER * thick or (thick >= THIN_M and far <= SPAN_M):
            continue
        first = run[0]
        named = where(scene, first.entry)[-1]
        others = f" and {len(run) - 1} more" if len(run) > 1 else ""
        between = f", {far:.1f} m between its supports" if thick >= THIN_M else ""
        what = (
            f"{long:.1f} m long and {1000 * thick:.0f} mm thick{between}: what hangs moves in the weather, this stands"
        )
        cure = "state it as a wire, with its conductor"
        if any(_may_be_rigid(one) for one in run):
            cure += f"; or, where it is a rigid tube or bar, {confirming(named, first.field, first.value, doubt=THIN)}"
            cure += ", and so each of the others" * (len(run) > 1)
        yield OpenPoint(f"{named}{others}", what, cure)


def _thin(body: Body | None, entry: Solid | Structure) -> _Piece | None:
    """A body as a piece of what may be a wire; None where it does not conduct, or is thick."""
    if body is None or not body.conductive or not len(body.shape):
        return None
    if isinstance(entry, records.Cylinder):
        girth, field = 2.0 * entry.radius_m, "radius_m"
    elif isinstance(entry, records.Box):
        girth, field = sorted(entry.size_m)[1], "size_m"
    elif isinstance(entry, records.Mesh):
        girth, field = _girth_m(body.shape), "file"
    elif isinstance(entry, records.MembersStructure):
        girth, field = 2.0 * float(body.shape.radius.max()), "members"
    else:
        return None
    if girth >= THICK_M:
        return None
    low, high = body.shape.vertices.min(axis=(0, 1)), body.shape.vertices.max(axis=(0, 1))
    return _Piece(entry, girth, body.potential, low, high, field, getattr(entry, field))


def _girth_m(shape: Shape) -> float:
    """How thick a mesh is [m]: four times its volume over its surface, which is the diameter of a tube however it
    bends, and twice the thickness of a plate."""
    corners = shape.vertices - shape.vertices.mean(axis=(0, 1))
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    surface = float(np.linalg.norm(normals, axis=1).sum()) / 2.0
    volume = abs(float((corners[:, 0] * normals).sum())) / 6.0
    return 4.0 * volume / surface if surface > 0.0 else 0.0


def _may_be_rigid(piece: _Piece) -> bool:
    """Whether a piece can be a tube, a bar or, of a mesh, a plate."""
    return piece.girth_m >= RIGID_M or isinstance(piece.entry, records.Mesh)


def _rigid(site: Site, piece: _Piece) -> bool:
    """Whether somebody confirms that a piece is no wire."""
    named = where(site.scene, piece.entry)[-1]
    return _may_be_rigid(piece) and confirmed(site.scene, named, piece.field, piece.value, THIN)


def _unsupported_m(site: Site, run: list[_Piece]) -> float:
    """How far some pieces that follow one another go between what holds them, or beyond it, along their length [m]."""
    own, bodies = {piece.entry.name for piece in run}, {body.name: body for body in site.bodies}
    middles = np.array([0.5 * (piece.low + piece.high) for piece in run])
    low, high = np.min([piece.low for piece in run], axis=0), np.max([piece.high for piece in run], axis=0)
    way = middles[-1] - middles[0] if len(run) > 1 else run[0].high - run[0].low
    axis = np.eye(3)[int(np.argmax(high - low))] if len(run) == 1 or not way.any() else way / np.linalg.norm(way)
    boxes = [(np.array(end), np.array(end)) for string in site.strings for end in (string.live_m, string.earthed_m)]
    for entry in (*site.scene.solids, *site.scene.structures):
        body = bodies.get(entry.name)
        if body is not None and len(body.shape) and entry.name not in own:
            boxes.append((body.shape.vertices.min(axis=(0, 1)), body.shape.vertices.max(axis=(0, 1))))
    held = []
    for bottom, top in boxes:
        for piece in run:
            one, other = np.maximum(piece.low - HELD_M, bottom), np.minimum(piece.high + HELD_M, top)
            if (one <= other).all():
                held.append(0.5 * (one + other) @ axis)
    ends = [corner @ axis for piece in run for corner in bodies[piece.entry.name].shape.vertices.reshape(-1, 3)]
    stations = sorted([min(ends), *(station for station in held if min(ends) < station < max(ends)), max(ends)])
    return float(np.diff(stations).max())


def _apart_m(one: _Piece, other: _Piece) -> float:
    """How far the boxes about two pieces are apart [m]."""
    return float(np.linalg.norm(np.maximum(0.0, np.maximum(one.low - other.high, other.low - one.high))))
