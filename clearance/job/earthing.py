"""Owns whether somebody can do what a stage says of a remote tool: whose hands, with it, reach the tail that is
earthed, or the clamp that is taken off a casualty. And whether a rescue says which tool and which rope it takes.

Whoever stands on the ground reaches as far from the shoulder as arm and tool go, from some place of where they may be.
Whoever is aloft does it only unbonded: one who is bonded is at a phase, and no earth goes through those hands.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import shapely
import shapely.ops
from numpy.typing import NDArray

from clearance import shapes
from clearance.engine import Group, Path
from clearance.job.holding import hands
from clearance.job.measuring import Bench, Piece, measure_of
from clearance.job.standing import area_of, build_of, crew_there
from clearance.job.tails import where_parked
from clearance.result import OpenPoint
from clearance.scene import records, statements
from clearance.scene.assemble import Site, on_ground, place, strays_m
from clearance.scene.records import Stage

STEP_M = 0.1
"""[m] Steps along a tail at which it is asked who reaches it; wider ones only find fewer places."""


def open_points(bench: Bench, stage: Stage, reach: Sequence[Piece]) -> Iterator[OpenPoint]:
    """Tails that are earthed, or whose earth is removed, where nobody can reach them.

    reach: the pieces of the stage with the reach envelope of whoever is aloft
    """
    if stage.rescue is not None:
        yield from _of_rescue(bench.site, stage)
    if stage.stick_m is None:
        return
    for wire in (*stage.earths, *stage.lifts_earth):
        if not _from_aloft(bench, stage, reach, wire):
            yield from _out_of_reach(bench.site, stage, f"wire '{wire}'", _along(where_parked(bench.site, wire)))
    if stage.kind == "bond off" and stage.clamp_m is not None:
        at = place(bench.site, stage, stage.clamp_m)
        clamp = [(np.array(at, float), strays_m(bench.site, stage.clamp_m, at))]
        yield from _out_of_reach(bench.site, stage, "the clamp", clamp)


def _of_rescue(site: Site, stage: Stage) -> Iterator[OpenPoint]:
    """What a step of a rescue leaves unsaid while somebody is aloft."""
    casualties = records.aloft(site.scene, stage)
    if casualties and stage.travel_m is not None and stage.rope_m is None:
        what = "nothing is said of the rope that lowers the casualty: how long it insulates is not judged"
        cure = "state rope_m, its insulating length from the casualty to the hands that hold it"
        yield OpenPoint(f"rescue of {', '.join(casualties)}", what, cure)
    if stage.kind == "bond off" and stage.stick_m is None:
        what = "nothing is said of the tool that takes the clamp off: how long it insulates is not judged"
        cure = "state stick_m, its insulating length beyond the hands"
        yield OpenPoint(f"rescue of {', '.join(stage.bonded)}", what, cure)


def _out_of_reach(
    site: Site, stage: Stage, what: str, points: Iterable[tuple[NDArray[np.float64], float]]
) -> Iterator[OpenPoint]:
    """Told of what nobody on the ground reaches with the remote tool."""
    asked = tuple(points)
    short = {person.name: _short_m(site, stage, person, asked) for person in crew_there(site, stage)
             if _has_hands_free(site, stage, person.name)}  # fmt: skip
    if min(short.values(), default=math.inf) <= 0.0:
        return
    found = ", ".join(f"'{name}' is {missing:.2f} m short of it" for name, missing in short.items())
    told = f"nobody reaches it with the remote tool: {found or 'nobody stands on the ground with free hands'}"
    cure = "say where whoever does it stands in this stage, stands = [{ who, at_m, radius_m }], or take a longer stick"
    yield OpenPoint(what, told, cure)


def _has_hands_free(site: Site, stage: Stage, name: str) -> bool:
    """Whether as many ropes are in somebody's hands without a person, who has the tool in theirs."""
    return len(hands(site, stage, name)) == len(hands(site, stage))


def _short_m(
    site: Site, stage: Stage, person: records.Crew, points: Sequence[tuple[NDArray[np.float64], float]]
) -> float:
    """How much is missing between the remote tool in a person's hands and one of some points [m], from the best place
    of where they may be; none or less where it reaches. What is unsure of a point counts as further away."""
    build, area = build_of(person), area_of(stage, person)
    # Arms that are stated to stay down hold the tool at the shoulder at most.
    arm = 0.0 if statements.arms_down(site.scene, person.name) else build.arm_m - build.hand_m / 2
    best = math.inf
    for point, unsure in points:
        foot, _ = shapely.ops.nearest_points(area, shapely.Point(point[:2]))
        x, y, z = on_ground(site.ground, (float(foot.x), float(foot.y)))
        shoulder = np.array([x, y, z + build.boots_m + build.shoulder_height_m])
        best = min(best, math.dist(point, shoulder) + unsure)
    return best - arm - (stage.stick_m or 0.0)


def _along(tail: shapes.Shape) -> Iterator[tuple[NDArray[np.float64], float]]:
    """Points along the middle of a tail, and what is unsure of each [m]."""
    for (one, other), unsure in zip(tail.vertices[:, :2], tail.uncertainty, strict=True):
        for share in np.linspace(0.0, 1.0, 1 + max(1, math.ceil(math.dist(one, other) / STEP_M))):
            yield one + share * (other - one), float(unsure)


def _from_aloft(bench: Bench, stage: Stage, reach: Sequence[Piece], wire: str) -> bool:
    """Whether somebody aloft who is not bonded comes, somewhere in the stage, as near to a tail as the tool is long."""
    far = (stage.stick_m or 0.0) - float(where_parked(bench.site, wire).uncertainty.max())
    for name in records.aloft(bench.site.scene, stage):
        for piece in reach if name not in stage.bonded else ():
            path = (Path((Group((name,)), Group((wire,)))),)
            if measure_of(bench, piece, path, far, "as stated").gap_upper_m <= far:
                return True
    return False
