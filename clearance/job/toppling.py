"""Owns the toppling of the ladder: everywhere it and whoever is on it can be once one guy is lost, and what is near.

The ladder stays whole and turns about its feet. A guy that is left is a rope made fast at its anchor: the tie never
gets further from there than the rope is long, which leaves the ladder the directions on the anchor's side. Where no
guy is left, or none is stated, it may fall to any side. This is shown, not judged: whether guys hold, and whether feet
slide, is a matter of strength.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body
from clearance.bodies.ladder import PLATFORM_HALF_M
from clearance.engine import Group, Path, build_engine, coarse, compile_setting
from clearance.job.footing import settled, track_knots
from clearance.job.measuring import Bench, Piece, found_for
from clearance.job.ropes import tied
from clearance.job.setting import Setting
from clearance.result import Near, Toppled
from clearance.scene import statements
from clearance.scene.assemble import EARTH, Site
from clearance.scene.naming import toppling_name
from clearance.scene.records import Reference, Rope, Stage

Floats = NDArray[np.float64]

ROPE_STRETCH = 0.05
"""[1] A rope of polyester or polypropylene stretches by less under its working load (common practice, no source); a
larger value leaves the ladder more directions."""

FINENESS = 4
"""Times the faces of an icosahedron are cut in four: 2562 directions, none further than 2.5 degrees from one of
them."""


RIDING = ("carriage", "ladder", "worker", "haul")
"""Links of what goes down with the ladder."""


@dataclass(frozen=True, eq=False)
class Toppling:
    """Everywhere the ladder can be after the loss of a guy.

    lost: the guy, or "" where none is stated; left: guys that still hold it
    body: all that ladder and people on it can sweep, on the link of the ladder's feet
    reach_m: the furthest any of it gets from the feet [m]
    """

    lost: str
    left: tuple[str, ...]
    body: Body
    reach_m: float


def guys_of(site: Site, stage: Stage) -> tuple[Rope, ...]:
    """The guys that are there in a stage, by what the scene states."""
    return tuple(
        rope for rope in site.scene.ropes if rope.guy and rope.name not in statements.absent(site.scene, stage)
    )


def topplings(site: Site, stage: Stage, setting: Setting) -> tuple[Toppling, ...]:
    """What the ladder can sweep for the loss of each guy in turn; of a ladder without guys, for the loss of whatever
    holds it.

    setting: of the reach envelope where somebody is aloft
    """
    if site.scene.ladder is None or site.scene.track is None or stage.travel_m is None:
        return ()
    guys = guys_of(site, stage)
    if not guys:
        return (_toppling(site, stage, setting, "", ()),)
    return tuple(
        _toppling(site, stage, setting, lost.name, tuple(rope for rope in guys if rope is not lost)) for lost in guys
    )


def _toppling(site: Site, stage: Stage, setting: Setting, lost: str, left: tuple[Rope, ...]) -> Toppling:
    entry = site.scene.ladder
    assert entry is not None
    _, fit = track_knots(site)
    uncertainty = entry.bending_m + fit + settled(site.scene)[1]
    outer = 0.5 * (entry.width_m + entry.rail_diameter_m)
    around = [fitting.radius_m for fitting in entry.fittings]
    around += [entry.platform_depth_m + PLATFORM_HALF_M] if entry.platform_m is not None else []
    half = max([outer, entry.foot_radius_m, *(math.hypot(outer, radius) for radius in around)])
    worn = [_worn(body.shape) for body in setting.bodies if body.kind == "worker" and body.link == "worker"]
    swing = stage.swing_m * math.sqrt(2.0)
    person = max(worn) + swing if worn and stage.climb_m is not None else None
    feet = (stage.climb_m.lo, stage.climb_m.hi) if stage.climb_m is not None else (0.0, 0.0)
    reach = max(entry.length_m + half, feet[1] + person if person is not None else 0.0)
    if not left:
        shape = shapes.points([[0.0, 0.0, 0.0]], radius=reach, uncertainty=uncertainty)
    else:
        directions, apart = _directions()
        kept = directions
        for rope in left:
            towards, least = held_side(site, stage, rope)
            kept = kept[kept @ towards >= least - float(np.linalg.norm(towards)) * apart]
        zero = np.zeros_like(kept)
        parts = [shapes.segments(zero, entry.length_m * kept, half + entry.length_m * apart, uncertainty)]
        if person is not None:
            parts.append(shapes.segments(feet[0] * kept, feet[1] * kept, person + feet[1] * apart, uncertainty))
        shape = shapes.join(parts)
    name = toppling_name(entry.name, lost)
    note = "everywhere the ladder can be"
    body = Body(name, "toppling", shape, conductive=False, potential=None, job=True, link="carriage", note=note)
    return Toppling(lost, tuple(rope.name for rope in left), body, reach + uncertainty)


def _worn(shape: shapes.Shape) -> float:
    """The furthest point of a person from the soles [m]: turned in any way about them nothing gets further."""
    return float((np.linalg.norm(shape.vertices, axis=2).max(axis=1) + shape.radius + shape.uncertainty).max())


def held_side(site: Site, stage: Stage, rope: Rope) -> tuple[Floats, float]:
    """The half-space a guy leaves the ladder: directions u from the feet with u . towards >= least.

    With the tie a metres up the ladder at a u and the anchor at d from the feet, both in the frame of the feet,
    |a u - d| <= length is the same as u . d >= (a^2 + d^2 - length^2) / 2a. The crew carries the anchor along as the
    ladder moves; the rope is as long as the stage's leans ask of it, and stretches.
    """
    assert isinstance(rope.from_m, Reference)
    assert rope.from_m.along_m is not None
    found, along = tied(site, stage, rope), rope.from_m.along_m
    longest = (
        float(np.linalg.norm(found.tie - found.held))
        + found.sway_m
        + found.lags_m
        + rope.slack_m
        + found.lags_m
        + rope.slack_m
    )
    length = longest * (1.0 + ROPE_STRETCH) + found.left_out_m
    least = (along**2 + float(found.held @ found.held) - length**2) / (2.0 * along)
    return found.held, least


@cache
def _directions() -> tuple[Floats, float]:
    """Unit vectors (n, 3) all round, and the greatest distance of any direction from the nearest of them [1]."""
    golden = 0.5 * (1.0 + math.sqrt(5.0))
    corners = [(0.0, a, b * golden) for a in (-1, 1) for b in (-1, 1)]
    points = np.array([np.roll(corner, k) for corner in corners for k in range(3)], float)
    points /= np.linalg.norm(points, axis=1)[:, None]
    from scipy.spatial import ConvexHull

    faces = points[ConvexHull(points).simplices]
    for _ in range(FINENESS):
        a, b, c = faces[:, 0], faces[:, 1], faces[:, 2]
        ab, bc, ca = (m / np.linalg.norm(m, axis=1)[:, None] for m in (a + b, b + c, c + a))
        quarters = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
        faces = np.concatenate([np.stack(each, axis=1) for each in quarters])
    # A direction lies over one face, whose cap about its three corners it cannot leave: the radius of the cap.
    normal = np.cross(faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 0])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    inner = np.abs((normal * faces[:, 0]).sum(axis=1)).min()
    apart = math.sqrt(max(2.0 - 2.0 * inner, 0.0))
    unique = np.unique(np.round(faces.reshape(-1, 3), 12), axis=0)
    return unique / np.linalg.norm(unique, axis=1)[:, None], apart * (1.0 + 1e-9)


def nearest(site: Site, pieces: Sequence[Setting], toppling: Toppling, tolerance_m: float) -> tuple[Near, ...]:
    """The least distance of a toppling to every potential, and to people: earth without the ground and the ropes, which
    any fall meets. pieces: all settings of the stage for one check, as a wire is lowered piece by piece."""
    least: dict[str, Near] = {}
    for setting in pieces:
        for near in _nearest(site, setting, toppling, tolerance_m):
            now = least.setdefault(near.potential, near)
            least[near.potential] = min(now, near, key=lambda one: one.gap_m)
    return tuple(least.values())


def _nearest(site: Site, setting: Setting, toppling: Toppling, tolerance_m: float) -> Iterator[Near]:
    for potential, names in _targets(site, setting):
        there = tuple(body for body in setting.bodies if body.name in names)
        small = replace(setting, bodies=(*there, toppling.body), touching=frozenset())
        engine = build_engine([small])
        compiled = compile_setting(engine, small)
        path = (Path((Group((toppling.body.name,)), Group(names))),)
        piece = Piece(compiled, coarse(engine, compiled))
        least = found_for(Bench(site, engine, tolerance_m), piece, path)
        nearest_body = least.bodies[-1][1] if least.bodies else names[0]
        yield Near(potential, max(0.0, least.lower_m), nearest_body)


def _targets(site: Site, setting: Setting) -> Iterator[tuple[str, tuple[str, ...]]]:
    live = [body for body in setting.bodies if body.conductive and len(body.shape) and body.link not in RIDING]
    for phase in site.live:
        names = tuple(
            body.name
            for body in live
            if phase in (body.potential, *(state for _, state in body.states)) and body.kind != "lead"
        )
        if names:
            yield phase, names
    earthed = tuple(b.name for b in live if b.potential == EARTH and b.kind not in ("ground", "rope", "crew", "worker"))
    if earthed:
        yield EARTH, earthed
    people = tuple(body.name for body in live if body.kind == "crew")
    if people:
        yield "people on the ground", people


def toppled(site: Site, stage: Stage, pieces: Sequence[Setting], tolerance_m: float) -> Iterator[Toppled]:
    """The topplings of a stage with guys, for the record of the stage."""
    if guys_of(site, stage):
        for one in topplings(site, stage, pieces[0]):
            yield Toppled(one.lost, one.left, one.reach_m, nearest(site, pieces, one, tolerance_m))


def words(found: Toppled) -> str:
    """A toppling in a sentence."""
    held = f", held by {' and '.join(found.left)}" if found.left else ", to any side"
    least = "; ".join(
        f"{math.floor(one.gap_m * 100) / 100:.2f} m to {one.potential} ({one.body})" for one in found.near
    )
    return (
        f"if guy '{found.lost}' is lost the ladder may fall as far as {math.ceil(found.reach_m * 100) / 100:.2f} m "
        f"about its feet{held}: {least or 'nothing near'}; shown, not judged"
    )


def pieces_of(settings: Sequence[Setting]) -> tuple[Setting, ...]:
    """The settings a toppling is taken from: those of the reach envelope where there are any."""
    return tuple(one for one in settings if one.check == "reach") or tuple(settings)
