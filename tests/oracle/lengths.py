"""Owns insulating lengths: what is left between earth and a phase along ladder, ropes, boom and strings, by networkx.

A member is a line of points; from one to the next it costs what insulates between them. Whatever conducts and touches a
member joins all points that it touches at no cost: so somebody on the ladder shorts it from soles to shoulders. The way
from earth to a phase over the graph is one that there is: the tool may tell no more.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np

from oracle import people, rig
from oracle.bodies import Points, Solid
from oracle.limits import Limits
from oracle.reading import Table, reference, said
from oracle.rig import Pose
from oracle.roping import rope_line, tail_rope_lines
from oracle.site import Site
from oracle.stages import OWN, Stage

STEP = 0.1
TOLERANCE = 0.001
UNBONDED = ("step on", "climb", "descend", "step off")
ABOVE = "whatever is above the ladder"
"""A phase that somebody who climbs may come to touch, and the ladder's top: the design counts up to there."""


@dataclass(frozen=True)
class Member:
    """What insulates, at a pose: points along it, and the length that insulates up to each."""

    name: str
    points: Points
    insulates: Points
    radius: float
    less: float = 0.0
    """Written off as wet or dirty."""
    anchored: bool = True
    """Held or made fast at its end, at earth."""


@dataclass(frozen=True)
class Left:
    length: float
    between: tuple[str, str]
    way: tuple[str, ...]
    pose: Pose


def _ladder(site: Site, stage: Stage, pose: Pose) -> Member | None:
    ladder = rig.ladder(site.scene, site.earth, site.wires)
    if ladder is None or "travel_m" not in pose:
        return None
    entry, frame = ladder.entry, ladder.frame(pose)
    along = _along(site, pose, entry["length_m"])
    points = np.array([frame.point(0, 0, s) for s in along])
    insulates = np.clip(along, entry["insulating_from_m"], entry["insulating_to_m"]) - entry["insulating_from_m"]
    for fitting in entry.get("fittings", ()):
        low, high = np.clip((fitting["from_m"], fitting["to_m"]), entry["insulating_from_m"], entry["insulating_to_m"])
        insulates = insulates - np.clip(along, low, high) + low
    return Member(ladder.name, points, insulates, entry["rail_diameter_m"] / 2, entry.get("wet_or_dirty_m", 0.0), False)


def _along(site: Site, pose: Pose, length: float) -> Points:
    """Points along the ladder: evenly, where ropes are tied, and where soles and shoulders of somebody on it are."""
    feet = pose.get("climb_m", 0.0)
    ends = [feet + people.person(worker).shoulder for worker in site.scene.get("workers", ())]
    name = site.scene["ladder"].get("name", "ladder")
    tied = [reference(rope["from"]) for rope in site.scene.get("ropes", ()) if isinstance(rope.get("from"), str)]
    ends += [metres for on, metres in tied if on == name and metres is not None]
    along = np.append(np.linspace(0, length, int(length / STEP) + 2), [feet, *ends])
    return np.unique(along[along <= length])


def _line(entry: Table, points: Points) -> Member:
    far = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    return Member(entry["name"], points, far, entry["diameter_m"] / 2, entry.get("wet_or_dirty_m", 0.0))


def members(site: Site, stage: Stage, pose: Pose) -> list[Member]:
    found = []
    ladder = _ladder(site, stage, pose)
    insulating = {told["body"] for told in said(site.scene, "insulating")}
    if ladder is not None:
        found.append(ladder)
        made = rig.ladder(site.scene, site.earth, site.wires)
        for rope in site.scene.get("ropes", ()):
            if rope["name"] in insulating and rope["name"] not in stage.missing:
                found.append(_line(rope, rope_line(site, rope, made)(pose)))
    for entry, line in tail_rope_lines(site, stage.free_ends):
        if entry["name"] in insulating and entry["name"] not in stage.missing:
            found.append(_line(entry, line(pose)))
    return found


def left(site: Site, stage: Stage, pose: Pose) -> dict[str, Left]:
    """The least that is left at a pose: "" over all members, and by member the least along it alone."""
    lines = members(site, stage, pose)
    if not lines:
        return {}
    bodies: list[tuple[str, str, Solid, bool]] = [
        (body.name, body.potential, body.solid, False) for body in stage.still
    ]
    bodies += [(body.name, body.potential, body.at(pose), body.hands is not None) for body in stage.moving]
    touched = [
        (name, potential, [_touched(line, solid, aloft, pose, site) for line in lines])
        for name, potential, solid, aloft in bodies
    ]
    touched = [each for each in touched if any(len(points) for points in each[2])]
    found: dict[str, Left] = {}
    for potentials in {tuple(state.get(name, own) for name, own, _ in touched) for state in stage.states}:
        at = [(name, potential, points) for (name, _, points), potential in zip(touched, potentials, strict=True)]
        graph = _graph(lines, at, stage.kind in UNBONDED)
        alone = [(line.name, number, line.less) for number, line in enumerate(lines)]
        for key, only, less in [*([("", None, 0.0)] if len(lines) > 1 else []), *alone]:
            for length, between, way in _ways(graph, only):
                if key not in found or length - less < found[key].length:
                    found[key] = Left(length - less, between, way, pose)
    return found


def _touched(line: Member, solid: Solid, aloft: bool, pose: Pose, site: Site) -> Points:
    if aloft and "climb_m" in pose and line.name == site.scene.get("ladder", {}).get("name", "ladder"):
        who = people.person(site.scene["workers"][0])
        along = _along(site, pose, site.scene["ladder"]["length_m"])
        return np.flatnonzero((along >= pose["climb_m"]) & (along <= pose["climb_m"] + who.shoulder))
    return np.flatnonzero(solid.nearest(line.points)[0] <= line.radius)


def _graph(lines: list[Member], touched: list[tuple[str, str, list[Points]]], above: bool) -> nx.Graph:
    graph = nx.Graph()
    for number, line in enumerate(lines):
        steps = np.diff(line.insulates)
        graph.add_weighted_edges_from(
            (((number, k), (number, k + 1), max(0.0, float(step))) for k, step in enumerate(steps)), weight="length"
        )
        # a rope ends on the ladder, and two ropes at one point
        for other in range(number):
            for k in (0, len(line.points) - 1):
                near = np.linalg.norm(lines[other].points - line.points[k], axis=1)
                if near.min() <= STEP / 2:
                    graph.add_edge((number, k), (other, int(near.argmin())), length=0.0)
        if not line.anchored and above:
            graph.add_edge(f"at {ABOVE}", (number, len(line.points) - 1), length=0.0)
        if line.anchored:
            graph.add_edge("at earth", (number, len(line.points) - 1), length=0.0)
    for name, potential, points in touched:
        for number, indices in enumerate(points):
            for k in indices:
                graph.add_edge(f"body {name}", (number, int(k)), length=0.0)
        if potential and f"body {name}" in graph:
            graph.add_edge(f"at {potential}", f"body {name}", length=0.0)
    return graph


def _ways(graph: nx.Graph, only: int | None) -> Iterable[tuple[float, tuple[str, str], tuple[str, ...]]]:
    """From earth to every phase, never through what is at another potential; over all members, or one only."""

    def cost(one: object, other: object, edge: dict[str, float]) -> float | None:
        through = isinstance(one, str) and one.startswith("at ") and one != "at earth"
        elsewhere = only is not None and isinstance(other, tuple) and other[0] != only
        return None if through or elsewhere else edge["length"]

    if "at earth" in graph:
        lengths, ways = nx.single_source_dijkstra(graph, "at earth", weight=cost)
        for end, length in lengths.items():
            if isinstance(end, str) and end.startswith("at ") and end != "at earth":
                names = tuple(node for node in ways[end] if isinstance(node, str))
                yield float(length), ("earth", end.removeprefix("at ")), names


def broken(site: Site, stage: Stage, judged: dict[str, Any], poses: Iterable[Pose], limits: Limits | None) -> list[str]:
    """What is wrong with the insulating lengths of a stage, in words."""
    told = []
    entries = [entry for entry in judged["insulation"] if entry["left_m"] is not None]
    by_name = {entry["body"]: entry for entry in entries}
    least: dict[str, Left] = {}
    for pose in poses:
        for name, found in left(site, stage, pose).items():
            if name not in least or found.length < least[name].length:
                least[name] = found
    for name, found in least.items():
        if judged["kind"] in ("open", "close") and name in _ropes_of_tails(site):
            continue  # the tail stands at two potentials at once there
        theirs = by_name.get(name) if name else min(entries, key=lambda entry: entry["left_m"], default=None)
        if theirs is None:
            if judged["verdict"] == "clear":
                told.append(f"{stage.name}: no insulating length of '{name}' judged: {found}")
            continue
        if theirs["left_m"] > found.length + TOLERANCE:
            told.append(f"{stage.name}: insulating length of '{name}' more than there is: {theirs}; {found}")
        phase = found.between[1].removeprefix(OWN)
        ask = 0.0 if limits is None or phase == ABOVE else limits.least(phase, "earth", "tool")
        if name and theirs["verdict"] == "clear" and min(theirs["required_m"], found.length + TOLERANCE) < ask - 0.0001:
            told.append(f"{stage.name}: insulating length of '{name}' clear below {ask:.4f} m: {theirs}; {found}")
    stated = {entry["name"]: entry["insulating_m"] for entry in site.scene.get("insulators", ())}
    for wire in site.scene.get("wires", ()):
        for end in ("from", "to"):
            if wire.get(f"{end}_string"):
                stated[f"{wire['name']} {end} string"] = wire[f"{end}_string"]["insulating_m"]
    if device := site.scene.get("aerial_device"):
        outside = stage.ranges["extend_m"][0] - device.get("tip_m", 0.0)
        stated[device.get("name", "aerial device")] = min(device["insulating_m"], outside) - device.get(
            "wet_or_dirty_m", 0.0
        )
    for name, most in stated.items():
        if name in by_name and by_name[name]["left_m"] > most + TOLERANCE:
            told.append(f"{stage.name}: '{name}' insulates over {most} m at most: {by_name[name]}")
    return told


def _ropes_of_tails(site: Site) -> set[str]:
    return {
        rope["name"] for wire in site.scene.get("wires", ()) for rope in (wire.get("release") or {}).get("ropes", ())
    }
