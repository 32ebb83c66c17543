"""Owns ropes as lines: those of the ladder, those that lower and hold a tail, and what is hauled along one."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np

from oracle import rig
from oracle.bodies import Lines, Points, balls
from oracle.reading import Table, reference
from oracle.rig import Pose
from oracle.site import Site, way_down
from oracle.wires import hanging

Line = Callable[[Pose], Points]
STEP = 0.1
"""Between points of a straight rope [m]."""


def rope_ends(site: Site, rope: Table, ladder: rig.Ladder) -> Callable[[Pose], tuple[Points, Points]]:
    upper = rope.get("from", rope.get("from_m"))

    def ends(pose: Pose) -> tuple[Points, Points]:
        if isinstance(upper, str) and reference(upper)[0] == ladder.name:
            start = ladder.frame(pose).point(0, 0, float(reference(upper)[1] or 0.0))
        else:
            start = site.place(upper)
        return start, site.place(rope["to_m"])

    return ends


def rope_line(site: Site, rope: Table, ladder: rig.Ladder) -> Line:
    """It hangs by its length, and lies on the ground where it would hang below it."""
    ends = rope_ends(site, rope, ladder)

    def at(pose: Pose) -> Points:
        start, end = ends(pose)
        length = float(np.linalg.norm(end - start)) + float(rope.get("slack_m", 0.2))
        points = hanging(start, end, length)
        above = np.array([max(z, site.earth.height(x, y)) for x, y, z in points])
        return np.column_stack([points[:, :2], above])

    return at


def free_end(site: Site, name: str, released: bool, gone: bool) -> Line:
    """Where the end of a wire is that the job frees: in its place, on its way down, or parked."""
    way = np.array(way_down(site, name))
    far = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(way, axis=0), axis=1))])

    def at(pose: Pose) -> Points:
        lowered = pose.get("lower_m", far[-1]) if released else far[-1] if gone else 0.0
        return np.array([np.interp(lowered, far, way[:, axis]) for axis in range(3)])

    return at


def tail_rope_lines(site: Site, free_ends: dict[str, Line]) -> list[tuple[Table, Line]]:
    """Each rope of a release from the free end, over its pulley, to where it is held: straight."""
    found = []
    for wire in site.scene.get("wires", ()):
        for rope in (wire.get("release") or {}).get("ropes", ()):
            found.append((rope, _straight(site, rope, free_ends[wire["name"]])))
    return found


def _straight(site: Site, rope: Table, end: Line) -> Line:
    fixed = [site.place(rope[key]) for key in ("over_m", "to_m") if rope.get(key) is not None]

    def at(pose: Pose) -> Points:
        knots = [end(pose), *fixed]
        parts = [knots[0][None]]
        for one, other in itertools.pairwise(knots):
            count = int(np.linalg.norm(other - one) / STEP) + 1
            parts.append(one + (np.arange(1, count + 1) / count)[:, None] * (other - one))
        return np.vstack(parts)

    return at


def hauled(site: Site, entry: Table, ladder: rig.Ladder) -> tuple[Table, Callable[[Pose], Lines]]:
    """A tool on its line, half its covering ball: it is somewhere in it."""
    tool = next(tool for tool in site.scene["tools"] if tool["name"] == entry["hauled"])
    rope = next(rope for rope in site.scene["ropes"] if rope["name"] == tool["line"])
    ends = rope_ends(site, rope, ladder)

    def at(pose: Pose) -> Lines:
        upper, lower = ends(pose)
        way = float(np.linalg.norm(upper - lower))
        up = min(pose["haul_m"], way) if "haul_m" in pose else pose["way"] * way
        return balls(lower + (upper - lower) * up / way, tool["radius_m"] / 2)

    return tool, at
