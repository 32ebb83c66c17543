"""Owns whether somebody can do what a stage of earthing says: whose hands, with the remote tool, reach the tail.

Whoever stands on the ground reaches as far from the shoulder as arm and tool go, from some place of where they may be.
Whoever is aloft does it only unbonded: one who is bonded is at a phase, and no earth goes through those hands.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

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
from clearance.scene.assemble import Site, on_ground
from clearance.scene.records import Stage

STEP_M = 0.1
"""[m] Steps along a tail at which it is asked who reaches it; wider ones only find fewer places."""


def open_points(bench: Bench, stage: Stage, reach: Sequence[Piece]) -> Iterator[OpenPoint]:
    """Tails that are earthed, or whose earth is removed, where nobody can reach them.

    reach: the pieces of the stage with the reach envelope of whoever is aloft
    """
    stick = stage.stick_m
    for wire in (*stage.earths, *stage.lifts_earth) if stick is not None else ():
        short = {person.name: _short_m(bench.site, stage, person, wire) for person in crew_there(bench.site, stage)
                 if _has_hands_free(bench.site, stage, person.name)}  # fmt: skip
        if min(short.values(), default=math.inf) <= 0.0 or _from_aloft(bench, stage, reach, wire):
            continue
        found = ", ".join(f"'{name}' is {missing:.2f} m short of it" for name, missing in short.items())
        what = f"nobody reaches it with the remote tool: {found or 'nobody stands on the ground with free hands'}"
        cure = (
            "say where whoever does it stands in this stage, stands = [{ who, at_m, radius_m }], or take a longer stick"
        )
        yield OpenPoint(f"wire '{wire}'", what, cure)


def _has_hands_free(site: Site, stage: Stage, name: str) -> bool:
    """Whether as many ropes are in somebody's hands without a person, who has the tool in theirs."""
    return len(hands(site, stage, name)) == len(hands(site, stage))


def _short_m(site: Site, stage: Stage, person: records.Crew, wire: str) -> float:
    """How much is missing between the remote tool in a person's hands and a tail [m], from the best place of where
    they may be; none or less where it reaches. What is unsure of the tail counts as further away."""
    build, area = build_of(person), area_of(stage, person)
    # Arms that are stated to stay down hold the tool at the shoulder at most.
    arm = 0.0 if statements.arms_down(site.scene, person.name) else build.arm_m - build.hand_m / 2
    best = math.inf
    for point, unsure in _along(where_parked(site, wire)):
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
