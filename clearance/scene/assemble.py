"""Owns the passage from a scene's records to bodies: all that stood there before the job, each in its place.

`assemble` gives a `Site`: the line's bodies, the ground, the circuits of every potential, and places by reference. What
the job brings is put on the site stage by stage, in `clearance.job.staging`. Wires and insulators are made in `wiring`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from clearance import shapes
from clearance.bodies import Body, cloud, ground, solid, structure
from clearance.conductor.lines import Placed
from clearance.errors import InputError, Mistake
from clearance.scene import hanging, records, statements, weathered
from clearance.scene.containment import closed_names, with_contained
from clearance.scene.naming import refuse_twins
from clearance.scene.records import Circuit, Point, Scene, where
from clearance.scene.voltages import at_least_unknown, unknown_circuit
from clearance.scene.wiring import EARTH, Desk, HungWire, LineInsulator, hang, place, post_bodies, stated, strays_m
from clearance.tolerances import LARGEST_COORDINATE_M

__all__ = [
    "EARTH",
    "HungWire",
    "LineInsulator",
    "Site",
    "assemble",
    "circuits_of",
    "on_ground",
    "place",
    "strays_m",
]

GROUND_CELL_M = 1.0
"""[m] Cell within which one point of a scan stands for the ground; what it leaves out goes into the ground's
uncertainty."""


@dataclass(frozen=True, eq=False)
class Site:
    """All that stands before the job.

    Two sites are never equal: what is remembered of a site (`lru_cache` in `clearance.job`) goes by the object itself,
    which the cache holds, so that no other can take its place.

    circuit_of: potential -> circuit, for phases and for what may be at a potential of its own
    live: names of the potentials that are not earth, in order
    skipped: what was not evaluated, and counts of points left out
    strings: every line insulator
    placed: where each wire may be in the scene's weather; empty for a scene without
    same: the site whose ground, wires, stages and weather this one shares, None where it stands by itself: what rests
        on these alone, and on no statement, is remembered by it
    """

    scene: Scene
    ground: ground.Ground
    bodies: tuple[Body, ...]
    wires: Mapping[str, HungWire]
    circuit_of: Mapping[str, Circuit]
    live: tuple[str, ...]
    skipped: tuple[str, ...]
    strings: tuple[LineInsulator, ...]
    placed: Mapping[str, Placed] = field(default_factory=dict)
    same: Site | None = None


def assemble(scene: Scene) -> Site:
    """Put everything of the scene in its place.

    Raises: InputError with every mistake that only geometry shows (a wire below the ground, an empty point class, an
        unreadable file, a mesh with holes where a solid is asked for).
    """
    desk = Desk(scene, _made_ground(scene))
    if scene.weather is not None:
        try:
            desk.placed = hanging.place_wires(scene)
            desk.skipped += weathered.unevaluated(scene, desk.placed)
        except InputError as error:
            desk.mistakes += error.mistakes
    if any(isinstance(wire, records.SpanWire) and wire.loads for wire in scene.wires):
        try:
            desk.bent = hanging.hung_lines(scene)[1]
        except InputError as error:
            desk.mistakes += error.mistakes
    bodies = [Body("ground", "ground", desk.ground.shape)]
    for entry in scene.structures:
        shape = desk.attempt(entry, lambda entry=entry: _structure(desk, entry))  # type: ignore[misc]
        if shape is not None:
            bodies.append(stated(scene, entry.name, "structure", shape, entry.potential))
    for record in scene.wires:
        hung = desk.attempt(record, lambda record=record: hang(desk, record))  # type: ignore[misc]
        if hung is not None:
            bodies += hung.bodies
    blocks: list[Body] = []
    for block in scene.solids:
        shape = desk.attempt(block, lambda block=block: _solid(desk, block))  # type: ignore[misc]
        if shape is not None:
            if statements.insulating(scene, block.name):
                blocks.append(Body(block.name, "solid", shape, conductive=False, potential=None))
            else:
                blocks.append(stated(scene, block.name, "solid", shape, block.potential))
    carried = [*bodies, *blocks]
    for post in scene.insulators:
        made = desk.attempt(post, lambda post=post: post_bodies(desk, post, carried))  # type: ignore[misc]
        bodies += made or []
    bodies += blocks
    for points in scene.clouds:
        shape = desk.attempt(points, lambda points=points: _cloud(desk, points))  # type: ignore[misc]
        if shape is not None:
            bodies.append(stated(scene, points.name, "cloud", shape, points.potential))
    for body in bodies:
        if len(body.shape) and float(np.abs(body.shape.vertices).max()) > LARGEST_COORDINATE_M:
            desk.mistakes.append(
                Mistake(
                    (*where(scene), f"{body.kind} '{body.name}'"),
                    f"coordinates within {LARGEST_COORDINATE_M:g} m of the origin",
                    f"{float(np.abs(body.shape.vertices).max()):g} m",
                    "set [origin] near the site",
                )
            )
    if desk.mistakes:
        raise InputError(desk.mistakes)
    refuse_twins(scene, (body.name for body in bodies))
    bodies = with_contained(bodies, closed_names(scene), lambda body: body.shape, _may_meet)
    return Site(
        scene,
        desk.ground,
        tuple(bodies),
        desk.wires,
        circuits_of(scene),
        _live(scene),
        tuple(desk.skipped),
        tuple(desk.strings),
        desk.placed,
    )


def _may_meet(solid: Body, body: Body) -> bool:
    """Whether it matters that a solid of the line holds another body of it: both conduct, and not at one potential for
    good."""
    alike = solid.potential == body.potential and not solid.states and not body.states
    return solid.conductive and body.conductive and not alike


def circuits_of(scene: Scene) -> dict[str, Circuit]:
    """The circuit of every potential but earth: of phases, and of what may be at a potential of its own."""
    found = records.phases(scene)
    for entry in scene.wires:
        if entry.insulated:
            found[entry.name] = unknown_circuit(scene)
        if entry.release is not None:
            # It takes what its neighbours induce: beside a higher voltage it counts as that.
            found[entry.name] = at_least_unknown(scene, None if entry.phase is None else found[entry.phase])
    return found


def _live(scene: Scene) -> tuple[str, ...]:
    """The potentials that are not earth, in order."""
    earthed = statements.earthed_circuits(scene)
    phases = records.phases(scene)
    live = [phase for phase, circuit in phases.items() if circuit.name not in earthed]
    return (*live, *(name for name in circuits_of(scene) if name not in phases))


def _made_ground(scene: Scene) -> ground.Ground:
    entry = scene.ground
    desk = Desk(scene, None)  # type: ignore[arg-type]

    def make() -> ground.Ground:
        uncertainty = entry.uncertainty_m
        if isinstance(entry, records.LevelGround):
            return ground.level(entry.height_m, entry.extent_m, _middle(scene, entry.extent_m), uncertainty)
        if isinstance(entry, records.PlaneGround):
            centre = entry.through_m[:2]
            return ground.plane(entry.through_m, entry.slope_deg, entry.uphill_deg, entry.extent_m, centre, uncertainty)
        if isinstance(entry, records.GridGround):
            heights = ground.read_heights(scene.folder / entry.file) if entry.file else np.array(entry.heights_m)
            return ground.grid(heights, entry.corner_m, entry.spacing_m, uncertainty)
        if isinstance(entry, records.PointsGround):
            file = scene.folder / entry.file
            if file.suffix.lower() in (".las", ".laz"):
                return ground.points(
                    cloud.read_points([file], entry.classes, origin=_origin(scene))[0], GROUND_CELL_M, uncertainty
                )
            return ground.points(ground.read_xyz(file), 0.0, uncertainty)
        return ground.mesh(scene.folder / entry.file, entry.units, uncertainty_m=uncertainty)

    made = desk.attempt(entry, make)
    if made is None:
        raise InputError(desk.mistakes)
    return made


def _middle(scene: Scene, extent_m: float) -> tuple[float, float]:
    """The middle of a patch of level ground: the scene's zero, or, where the way up does not stand within, the middle
    of that; without one, of who and what stands on it. Level ground is the same wherever the zero is."""
    device = scene.aerial_device
    places = [*(scene.track.points_m if scene.track is not None else ()), *([device.base_m] if device else ())]
    if not places:
        places += [*(one.at_m for one in scene.crew), *(one.centre_m for one in scene.vehicles)]
    plan = np.array([place[:2] for place in places]).reshape(-1, 2)
    if not len(plan) or float(np.abs(plan).max()) <= extent_m:
        return 0.0, 0.0
    x, y = (plan.min(axis=0) + plan.max(axis=0)) / 2.0
    return float(x), float(y)


def _origin(scene: Scene) -> Point:
    return (scene.origin.easting_m, scene.origin.northing_m, scene.origin.height_m)


def on_ground(site_ground: ground.Ground, xy: tuple[float, float]) -> Point:
    """The point of the ground below (x, y)."""
    return (xy[0], xy[1], float(ground.height_at(site_ground, np.array([xy]))[0]))


def _structure(desk: Desk, entry: records.Structure) -> shapes.Shape:
    if isinstance(entry, records.Gantry):
        return structure.gantry(
            on_ground(desk.ground, entry.base_m),
            entry.heading_deg,
            entry.column_spacing_m,
            entry.column_width_m,
            entry.beam_height_m,
            entry.beam_depth_m,
            entry.beam_width_m,
            entry.panel_m,
            entry.member_radius_m,
            columns=entry.columns,
            uncertainty_m=entry.uncertainty_m,
        )
    if isinstance(entry, records.MembersStructure):
        nodes, bars = structure.read_members(desk.scene.folder / entry.nodes, desk.scene.folder / entry.members)
        shift = (0.0, 0.0, 0.0) if entry.base_m is None else on_ground(desk.ground, entry.base_m)
        return structure.members(nodes, bars, shift, entry.uncertainty_m)
    arms = [structure.Crossarm(arm.height_m, arm.length_m, arm.depth_m, arm.side) for arm in entry.crossarms]
    base = on_ground(desk.ground, entry.base_m)
    if isinstance(entry, records.LatticeTower):
        return structure.lattice_tower(
            base,
            entry.heading_deg,
            entry.height_m,
            entry.base_width_m,
            entry.top_width_m,
            entry.panels,
            entry.member_radius_m,
            arms,
            entry.waist_height_m,
            entry.waist_width_m,
            entry.peak_m or 0.0,
            entry.uncertainty_m,
        )
    return structure.pole(
        base, entry.height_m, entry.base_radius_m, entry.top_radius_m, arms, entry.heading_deg, entry.uncertainty_m
    )


def _solid(desk: Desk, entry: records.Solid) -> shapes.Shape:
    if isinstance(entry, records.Box):
        return solid.box(entry.centre_m, entry.size_m, entry.heading_deg, uncertainty_m=entry.uncertainty_m)
    if isinstance(entry, records.Cylinder):
        return solid.cylinder(entry.from_m, entry.to_m, entry.radius_m, uncertainty_m=entry.uncertainty_m)
    made = solid.mesh(
        desk.scene.folder / entry.file,
        entry.units,
        entry.at_m,
        entry.heading_deg,
        solid=entry.solid,
        uncertainty_m=entry.uncertainty_m,
    )
    if not entry.solid:
        holes = f"{made.holes} hole{'s' if made.holes != 1 else ''}"
        desk.skipped.append(f"solid '{entry.name}': taken as a surface ({holes}), so what may be inside it is not seen")
    return made.shape


def _cloud(desk: Desk, entry: records.Cloud) -> shapes.Shape:
    scene = desk.scene
    shape, counts = cloud.read_cloud(
        [scene.folder / entry.file],
        entry.classes,
        entry.polygon_m,
        None if entry.height_m is None else (entry.height_m.lo, entry.height_m.hi),
        _origin(scene),
        entry.survey_error_m,
        entry.thin_m,
        entry.uncovered_m,
    )
    left_out = ", ".join(f"{count:,} {reason}" for reason, count in counts.dropped) or "none left out"
    desk.skipped.append(f"cloud '{entry.name}': {counts.kept:,} of {counts.read:,} points kept; {left_out}")
    desk.skipped.append(f"cloud '{entry.name}': what a scan cannot see (thin wires, shadow) is missing")
    return shape
