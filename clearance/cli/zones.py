"""Owns the command `clearance zones`: where a person may not be, as surfaces, and where soles and feet may stand."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from clearance.cli.output import folder_for, progress_line, unwritable, write_text
from clearance.errors import InputError, MissingExtra, Mistake

if TYPE_CHECKING:
    from clearance.pipeline import Prepared
    from clearance.zones import Area, Person, Zone

STATES = "earth, floating, or bonded:PHASE"


def zones(
    scene: Annotated[Path, typer.Argument(metavar="SCENE", help="Scene file (TOML).", show_default=False)],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the files go.")],
    stage: Annotated[
        str | None,
        typer.Option("--stage", metavar="NAME", help="The stage whose bodies stand; the first if not given."),
    ] = None,
    person: Annotated[
        list[str] | None,
        typer.Option("--person", metavar="STATE", help=f"{STATES}; may be repeated. All of them if not given."),
    ] = None,
    reach_m: Annotated[
        float | None,
        typer.Option(
            "--reach-m",
            min=0.0,
            max=5.0,
            help="All of the person is within this of the place [m]. If not given: 0 (any point of the body) at earth "
            "and bonded; the whole reach of the scene's worker, about the middle of it, where the person floats.",
        ),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(
            "--at",
            metavar="NAME=VALUE",
            help="Count what moves as well, at one pose: a parameter of the stage and its value, such as climb_m=4.5; "
            "may be repeated, the rest at the middle of their ranges. The zones then hold for that pose alone.",
        ),
    ] = None,
    step_m: Annotated[
        float, typer.Option("--step-m", min=0.02, max=1.0, help="How fine the surfaces are [m]; smaller takes longer.")
    ] = 0.2,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Make keep-out zones as surfaces (glTF, PLY) and contours (GeoPackage, DXF), standing areas (those, GeoJSON)."""
    from clearance.scene.reading import read_scene

    read = read_scene(scene)
    from clearance.pipeline import prepare
    from clearance.report.numbers import place
    from clearance.view import export, geopackage

    with progress_line(quiet) as progress:
        progress("reading")
        prepared = prepare(read)
        index = stage_of(prepared, stage)
        pose = pose_of(prepared, index, at)
        prepared = posed_at(prepared, index, pose)
        made: list[Zone] = []
        for asked in persons(prepared, person, reach_m):
            progress(f"zones of a {asked.words}")
            made += zones_at(prepared, index, asked, step_m)
        progress("standing areas")
        areas = areas_at(prepared, index, step_m)
        if pose is not None:
            words = place(pose)
            made = [replace(zone, pose=words) for zone in made]
            areas = [replace(area, what=f"{area.what}; at {words} alone") for area in areas]
        folder_for("--out", out)
        try:
            files = [export.write_glb(made, out / "zones.glb")]
            files += [export.write_ply(zone, out / f"{zone.name}.ply") for zone in made]
            files.append(export.write_geojson(areas, read.origin, out / "standing.geojson"))
            files.append(geopackage.write_geopackage(made, areas, read.origin, out / "zones.gpkg"))
            lacking = ""
            try:
                files.append(export.write_dxf(made, areas, out / "zones.dxf"))
            except MissingExtra as error:
                lacking = str(error)
        except OSError as error:
            raise InputError(unwritable("--out", out, "a folder", error)) from None
    write_text("--out", out / "zones.json", json.dumps(report(prepared, index, made, areas, pose), indent=1) + "\n")
    for line in told(made, areas):
        typer.echo(line)
    for file in [*files, out / "zones.json"]:
        typer.echo(f"wrote {file}", err=True)
    if lacking:
        typer.echo(lacking, err=True)
        raise typer.Exit(3)


def stage_of(prepared: Prepared, name: str | None) -> int:
    """Index of the stage asked for. Raises InputError."""
    names = [stage.name for stage in prepared.site.scene.stages]
    if name is None:
        return 0
    if name not in names:
        raise InputError(Mistake(("--stage",), f"one of {', '.join(names)}", name))
    return names.index(name)


def pose_of(prepared: Prepared, index: int, asked: list[str] | None) -> dict[str, float] | None:
    """The pose asked for, whole, in the units of the parameters' names; None where none is. Raises InputError."""
    from clearance.job import rig

    if not asked:
        return None
    ranges = rig.parameters_of(prepared.site, prepared.site.scene.stages[index])
    pose = {name: 0.5 * (low + high) for name, (low, high) in ranges.items()}
    mistakes = []
    for words in asked:
        name, _, text = words.partition("=")
        low, high = ranges.get(name, (math.nan, math.nan))
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if name not in ranges:
            mistakes.append(Mistake(("--at",), f"one of {', '.join(ranges) or 'nothing: nothing moves'}", words))
        elif not low - 1e-9 <= value <= high + 1e-9:
            mistakes.append(Mistake(("--at",), f"{name} from {low:g} to {high:g}, as the stage has it", words))
        else:
            pose[name] = value
    if mistakes:
        raise InputError(mistakes)
    return pose


def posed_at(prepared: Prepared, index: int, pose: dict[str, float] | None) -> Prepared:
    """The scene with what moves in a stage standing at a pose in it, where one is asked for."""
    from clearance.view.steps import holding
    from clearance.zones import posed

    if pose is None:
        return prepared
    pieces = [setting for setting in prepared.stages[index] if setting.check == "posture"]
    stages = list(prepared.stages)
    stages[index] = (posed(holding(pieces, pose), pose),)
    return replace(prepared, stages=tuple(stages))


def persons(prepared: Prepared, asked: list[str] | None, reach_m: float | None) -> list[Person]:
    """The persons asked for, or all there are. Raises InputError."""
    from clearance.zones import Person, ball_of

    scene, site = prepared.site.scene, prepared.site
    phases = [name for circuit in scene.circuits for name in circuit.phases if name in site.live]
    found = []
    for words in asked or ["earth", "floating", *(f"bonded:{phase}" for phase in phases)]:
        state, _, phase = words.partition(":")
        if state == "earth" and not phase:
            found.append(Person("earth", "", reach_m or 0.0))
        elif state == "floating" and not phase:
            found.append(Person("floating", "", ball_of(scene)[1] if reach_m is None else reach_m))
        elif state == "bonded" and phase in phases:
            found.append(Person("bonded", phase, reach_m or 0.0))
        else:
            raise InputError(Mistake(("--person",), f"{STATES} ({', '.join(phases)})", words))
    return found


def zones_at(
    prepared: Prepared, index: int, person: Person, step_m: float, beyond_m: float | None = None
) -> list[Zone]:
    """The zones of a person among what stands in a stage, so far [m] to each side of the track."""
    from clearance.zones import BEYOND_M, region_of, zones_of

    setting = prepared.stages[index][0]
    region = region_of(prepared.site, setting, BEYOND_M if beyond_m is None else beyond_m)
    return zones_of(prepared.site, setting, person, step_m, region)


def areas_at(prepared: Prepared, index: int, step_m: float) -> list[Area]:
    """Where crew may stand with arms overhead, where vehicles may, and where the feet of the ladder may, the worker
    floating on it."""
    from clearance.bodies import crew
    from clearance.job.footing import settled
    from clearance.job.standing import build_of
    from clearance.scene.assemble import on_ground
    from clearance.zones import Person, ball_of, standing_areas

    scene, setting = prepared.site.scene, prepared.stages[index][0]
    found = []
    people = {(c.sex, c.percentile, c.stature_m): c for c in scene.crew}.values()
    if people:
        shapes = [crew.person((0.0, 0.0, 0.0), build_of(c)) for c in people]
        around = max(float((shape.radius + shape.uncertainty).max()) for shape in shapes)
        top = max(float(shape.vertices[..., 2].max()) for shape in shapes)
        found.append(
            standing_areas(
                prepared.site, setting, Person("earth", "", around), (0.0, top), step_m, "crew, arms overhead"
            )
        )
    for vehicle in scene.vehicles:
        length, width, height = vehicle.size_m
        ground_m = on_ground(prepared.site.ground, (vehicle.centre_m[0], vehicle.centre_m[1]))[2]
        height = max(height, vehicle.centre_m[2] + 0.5 * height - ground_m)
        around = 0.5 * math.hypot(length, width)
        made = standing_areas(prepared.site, setting, Person("earth", "", around), (0.0, height), step_m, vehicle.name)
        words = f"middle of {vehicle.name}, at any heading: at earth, all of it within {around:.2f} m of the middle"
        found.append(replace(made, what=words))
    climbs = [s.climb_m for s in scene.stages if s.climb_m is not None]
    if scene.ladder is not None and scene.workers and climbs:
        ladder = scene.ladder
        middle, reach = ball_of(scene)
        highest = max(climb.hi for climb in climbs)
        leans = [math.radians(abs(v)) for s in scene.stages for v in (s.lean_along_deg.lo, s.lean_along_deg.hi)]
        across = [math.radians(abs(v)) for s in scene.stages for v in (s.lean_across_deg.lo, s.lean_across_deg.hi)]
        tilt = math.radians(abs(ladder.tilt_deg))
        # The top of the ladder leans over, which counts as reach.
        aside = (highest + middle) * (math.sin(min(math.pi / 2, max(leans) + tilt)) + math.sin(max(across)))
        turned_by, sunk = settled(scene)
        aside += (highest + middle) * math.sin(turned_by) + sunk
        person = Person("floating", "", reach + aside + ladder.bending_m)
        what = f"feet of {ladder.name}, a worker floating anywhere up to {highest:g} m"
        found.append(standing_areas(prepared.site, setting, person, (middle, highest + middle), step_m, what))
    return found


def told(made: list[Zone], areas: list[Area]) -> list[str]:
    """What a reader must know of each."""
    from clearance.report.numbers import down, up

    lines = []
    for zone in made:
        limits = sorted({up(need.limit_m) for need in zone.needs})
        lines.append(f"{zone.title}: limit {' and '.join(limits)} m, {len(zone.mesh.faces):,} triangles")
        lines.append(
            f"  on the surface the margin is 0 m at least and {up(zone.mesh.excess_m)} m at most"
            + ("; it is cut off at the edge of the region" if zone.mesh.cut else "")
        )
        lines += [f"  {words}" for words in zone.left_out]
    for area in areas:
        lines.append(f"standing area, {area.what}: {down(area.shape.area)} m²")
        lines.append(
            f"  every place in it holds; on level ground one left out has less than {up(area.error_m)} m to spare"
        )
    return lines


def report(
    prepared: Prepared, index: int, made: list[Zone], areas: list[Area], pose: dict[str, float] | None = None
) -> dict[str, Any]:
    """The same as plain values."""
    scene = prepared.site.scene
    return {
        "format": 1,
        "scene": {"name": scene.name, "sha256": scene.sha256},
        "stage": scene.stages[index].name,
        "pose": pose,
        "zones": [
            {
                "name": zone.name,
                "title": zone.title,
                "exposure": zone.exposure,
                "reach_m": zone.person.reach_m,
                "limits": [{"between": list(n.between), "kind": n.kind, "limit_m": n.limit_m} for n in zone.needs],
                "step_m": zone.step_m,
                "margin_on_surface_m": [0.0, zone.mesh.excess_m],
                "cut_at_region": zone.mesh.cut,
                "triangles": len(zone.mesh.faces),
                "left_out": list(zone.left_out),
            }
            for zone in made
        ],
        "areas": [
            {"what": a.what, "area_m2": a.shape.area, "error_m": a.error_m, "column_m": list(a.column_m)} for a in areas
        ],
    }
