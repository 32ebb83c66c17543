"""Owns what is left out of a scan beside the job: points of a class that nobody chose, outside a polygon or a height
band, noise and withheld points. Near where the job can be they keep the result from being clear.

Where the job can be: boxes about every primitive of its bodies in every stage, the ranges of the stage cut into cells,
each widened by what the primitive can move within its cell. A chain that passes a point nobody modelled and falls short
of a limit has a body of the job within that limit of the point.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies.cloud import NOISE, Taker, left_out
from clearance.gaps import EARTH
from clearance.job.measuring import Bench
from clearance.job.setting import Setting
from clearance.job.staging import HULL
from clearance.motion import derivative_bounds, placed
from clearance.result import Kind, OpenPoint
from clearance.scene.records import PointsGround, Scene
from clearance.shapes import Shape

Floats = NDArray[np.float64]
Span = Mapping[str, tuple[float, float]]

CELLS = 128
"""Cells that the box of a stage is cut into for one link: with fewer the boxes are larger, never smaller."""

FINE_M = 0.25
"""[m] A cell in which nothing of the body moves further is not cut."""

BOXES = 16
"""Boxes that the primitives on one link are gathered into, neighbours together."""

BLOCK = 100_000
"""Points looked at together: a matter of memory only."""

UNKNOWN_M = 10.0
"""[m] Taken as near where no rule gives any limit, or one is silent: above those of the highest voltages (common
practice, no source)."""


def open_points(bench: Bench, stages: Iterable[Sequence[Setting]]) -> Iterator[OpenPoint]:
    """What is left out of each scan of the scene near where the job can be, class by class."""
    scene = bench.site.scene
    scans = _scans(scene)
    if not scans:
        return
    pairs = itertools.combinations((*bench.site.live, EARTH), 2)
    limits = [bench.limit(one, other, kind) for one, other in pairs for kind in get_args(Kind)]
    known = [found.limit_m for found in limits if found.limit_m is not None]
    limit = max([*known, *([UNKNOWN_M] if not known or any(found.silent for found in limits) else [])])
    settings = [setting for pieces in stages for setting in pieces]
    origin = (scene.origin.easting_m, scene.origin.northing_m, scene.origin.height_m)
    coarse, fine = where_the_job_can_be(settings, cells=1), None
    for scan in scans:
        said, near = _stated(scene, scan.file), dict[int, list[Floats]]()
        for xyz, classes in left_out(scene.folder / scan.file, scan.takers, origin):
            for number in {int(number) for number in np.unique(classes)} - said:
                points = xyz[classes == number]
                near.setdefault(number, []).append(points[distances(points, coarse) < limit + scan.error_m])
        for number, blocks in sorted(near.items()):
            points = np.concatenate(blocks)
            if len(points):
                fine = fine or where_the_job_can_be(settings)
                gaps = np.maximum(distances(points, fine) - scan.error_m, 0.0)
                if count := int((gaps < limit).sum()):
                    what = (
                        f"{count:,} point{'s' if count > 1 else ''} of class {number} left out near the job, the "
                        f"nearest {gaps.min():.2f} m from where it can be; the largest limit is {limit:.2f} m"
                    )
                    yield OpenPoint(f"scan '{scan.file}'", what, _cure(scan, number))


def where_the_job_can_be(settings: Iterable[Setting], cells: int = CELLS) -> tuple[Floats, Floats]:
    """Lower and upper corners (n, 3) of boxes [m] that hold every body of the job in all positions of the settings.

    cells: most cells that the ranges of a setting are cut into for what rides on one link
    """
    lows, highs = [np.zeros((0, 3))], [np.zeros((0, 3))]
    still = dict[Shape, None]()
    for setting in settings:
        riding = dict[tuple[str, str | None], list[Shape]]()
        for body in setting.bodies:
            if not body.job or body.kind == HULL or not len(body.shape):
                continue
            if body.link is None:
                still[body.shape] = None
            else:
                rated = setting.rated.get(body.name)
                riding.setdefault((body.link, rated), []).append(body.shape)
        for (link, rated), shapes_of_link in riding.items():
            shape = shapes_of_link[0] if len(shapes_of_link) == 1 else shapes.join(shapes_of_link)
            for cell, moves in _cells(setting, link, shape, rated, cells):
                centre = {name: 0.5 * (ends[0] + ends[1]) for name, ends in cell.items()}
                there = placed(shape, setting.motion, link, centre, rated)
                _gather(lows, highs, there, moves)
    for shape in still:
        _gather(lows, highs, shape, 0.0)
    return np.concatenate(lows), np.concatenate(highs)


def _gather(lows: list[Floats], highs: list[Floats], shape: Shape, moves: float) -> None:
    """Boxes about primitives that move so far, neighbours joined."""
    around = (shape.radius + shape.uncertainty + moves)[:, None]
    starts = np.unique(np.linspace(0, len(shape), min(len(shape), BOXES) + 1).astype(int)[:-1])
    lows.append(np.minimum.reduceat(shape.vertices.min(axis=1) - around, starts))
    highs.append(np.maximum.reduceat(shape.vertices.max(axis=1) + around, starts))


def _cells(setting: Setting, link: str, shape: Shape, rated: str | None, most: int) -> Iterator[tuple[Span, float]]:
    """Cells of a setting's box, and how far anything of a shape moves from where it is at the centre of each [m]."""

    def moves(cell: Span) -> tuple[float, str]:
        first, _ = derivative_bounds(setting.motion, link, shape, rated, cell)
        half = np.array([0.5 * (cell[name][1] - cell[name][0]) for name in setting.motion.parameters])
        return float((first @ half).max()), setting.motion.parameters[int((first * half).max(axis=0).argmax())]

    cells = [(*moves(setting.box), setting.box)]
    while len(cells) < most:
        worst = max(range(len(cells)), key=lambda k: cells[k][0])
        furthest, name, cell = cells[worst]
        if furthest <= FINE_M:
            break
        low, high = cell[name]
        halves = [{**cell, name: (low, 0.5 * (low + high))}, {**cell, name: (0.5 * (low + high), high)}]
        cells[worst : worst + 1] = [(*moves(half), half) for half in halves]
    yield from ((cell, furthest) for furthest, _, cell in cells)


def distances(xyz: Floats, boxes: tuple[Floats, Floats]) -> Floats:
    """Distance of points (n, 3) from the nearest of boxes [m]; infinite where there is none."""
    found, (low, high) = np.full(len(xyz), np.inf), boxes
    for start in range(0, len(xyz), BLOCK):
        block = xyz[start : start + BLOCK]
        for a, b in zip(low, high, strict=True):
            away = np.maximum(np.maximum(a - block, block - b), 0.0)
            least = found[start : start + BLOCK]
            np.minimum(least, np.sqrt(np.einsum("ij,ij->i", away, away)), out=least)
    return found


@dataclass
class _Scan:
    """A scan file: who takes what of it, under which names, and the largest error of any of them [m]."""

    file: str
    takers: list[Taker] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    error_m: float = 0.0


def _scans(scene: Scene) -> list[_Scan]:
    found: dict[str, _Scan] = {}
    ground = scene.ground
    if isinstance(ground, PointsGround) and ground.file.lower().endswith((".las", ".laz")):
        one = found.setdefault(ground.file, _Scan(ground.file))
        one.takers.append((ground.classes, None, None))
        one.names.append("the ground")
        one.error_m = ground.uncertainty_m
    for cloud in scene.clouds:
        one = found.setdefault(cloud.file, _Scan(cloud.file))
        height = None if cloud.height_m is None else (cloud.height_m.lo, cloud.height_m.hi)
        one.takers.append((cloud.classes, cloud.polygon_m, height))
        one.names.append(f"cloud '{cloud.name}'")
        one.error_m = max(one.error_m, cloud.survey_error_m + cloud.uncovered_m)
    return list(found.values())


def _stated(scene: Scene, file: str) -> set[int]:
    """Classes of a scan of which a statement says that they are no bodies."""
    said = (entry for entry in scene.statements if entry.kind == "left out")
    return {number for entry in said if entry.file == file for number in entry.classes}


def _cure(scan: _Scan, number: int) -> str:
    statement = f'say what they are in a statement of kind "left out" for this file and class {number}'
    if number in NOISE:
        return f"classify them in the file as what they are and take them, or {statement}"
    by = [name for name, (classes, _, _) in zip(scan.names, scan.takers, strict=True) if number in (classes or ())]
    if by:
        return f"widen polygon_m or height_m of {' or '.join(by)}, or {statement}"
    return f"add {number} to classes of {' or '.join(scan.names)}, or {statement}"
