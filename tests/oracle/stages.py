"""Owns a stage as the oracle sees it: which bodies are there, where each is at a pose, at which potentials."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np

from oracle import people, rig
from oracle.bodies import Body, Lines, Points, balls, capsule, together
from oracle.reading import Table, reference, said, span_of
from oracle.rig import Frame, Pose
from oracle.site import Site, Standing, ropes, tail, way_down
from oracle.slips import slip
from oracle.wires import hanging

AXES = ("travel_m", "heading_deg", "lean_along_deg", "lean_across_deg", "climb_m", "lower_m", "haul_m")
LIFT_AXES = ("turret_deg", "boom_deg", "extend_m")
OWN = "own potential of "
"""Prefix of the potential that a wire cut off from its phase takes by itself."""


@dataclass(frozen=True)
class Moving:
    """A body that is elsewhere at every pose. `hands`: the reach of one hand, of the other, of both."""

    name: str
    potential: str
    at: Callable[[Pose], Lines]
    hands: Callable[[Pose], tuple[Lines, Lines, Lines]] | None = None


@dataclass(frozen=True)
class Slip:
    """Where a tail may be once a rope fails, and the phases and people that it must not come near then."""

    wire: str
    solid: Lines
    phases: tuple[str, ...]
    crew: tuple[str, ...]


@dataclass(frozen=True)
class Stage:
    name: str
    kind: str
    ranges: dict[str, tuple[float, float]]
    still: tuple[Body, ...]
    moving: tuple[Moving, ...]
    states: tuple[dict[str, str], ...]
    """Potentials of bodies in each state to be judged, by name; a body that a state does not name has its own."""
    exempt: tuple[tuple[str, str], ...]
    """Pairs of potentials that are not compared: a free end and what it leaves, while it opens or closes."""
    slips: tuple[Slip, ...] = ()


def stages(site: Site) -> list[Stage]:
    standing = Standing(site)
    brought = {
        name for stage in site.scene.get("stages", ()) if stage["kind"] == "bring" for name in stage.get("bodies", ())
    }
    missing = set(brought)
    disturbed: set[str] = set()
    earthed: set[str] = set()
    made = []
    for entry in site.scene.get("stages", ()):
        missing -= set(entry.get("bodies", ())) if entry["kind"] == "bring" else set()
        disturbed |= {change["wire"] for change in entry.get("disturbed", ())}
        made.append(_stage(site, entry, standing, missing, disturbed))
        disturbed -= set(entry.get("restores", ()))
        earthed |= set(entry.get("earths", ()))
        missing |= set(entry.get("bodies", ())) if entry["kind"] == "take away" else set()
    return made


def _stage(site: Site, entry: Table, standing: Standing, missing: set[str], disturbed: set[str]) -> Stage:
    scene = site.scene
    gone = set(entry.get("released", ())) | set(entry.get("off", ()))
    away = missing | gone | _changed(site, entry)
    still = [body for body in site.bodies if body.name not in away]
    still = [Body(b.name, b.solid, b.potential, b.name in disturbed) for b in still]
    none = {
        what for told in said(scene, "none") if entry["name"] in (told.get("stages") or ()) for what in told["what"]
    }
    still += [body for body in standing.in_stage(entry) if body.name not in missing and "crew" not in none]
    still += [body for body in ropes(site) if body.name.removesuffix(" pulley") not in missing]
    ranges = {axis: span_of(entry[axis]) for axis in AXES if entry.get(axis) is not None}
    for axis in ("heading_deg", "lean_along_deg", "lean_across_deg"):
        ranges.setdefault(axis, (0.0, 0.0))
    moving: list[Moving] = []
    choices: list[list[dict[str, str]]] = []
    for name in sorted(gone):
        moving.append(_tail(site, entry, name))
        choices.append(_states_of_a_tail(site, entry, name))
    if scene.get("ladder") is not None and entry.get("travel_m") is not None:
        _with_ladder(site, entry, moving, choices)
    elif scene.get("aerial_device") is not None:
        ranges |= {axis: span_of(entry[axis]) for axis in LIFT_AXES}
        _with_lift(site, entry, moving, choices)
    states = [dict(item for part in parts for item in part.items()) for parts in product(*choices)] or [{}]
    for name, potential in entry.get("potentials", {}).items():
        if name not in gone:
            states += [{**state, name: "" if potential == "floating" else potential} for state in states]
    if entry.get("hauled") and entry.get("haul_m") is None:
        ranges["way"] = (0.0, 1.0)
    exempt = ()
    if entry["kind"] in ("open", "close"):
        exempt = tuple((OWN + name, site.wire(name)["phase"]) for name in entry.get("released", ()))
    slips = tuple(found for name in sorted(gone) if (found := _slip(site, entry, name, still)) is not None)
    return Stage(entry["name"], entry["kind"], ranges, tuple(still), tuple(moving), tuple(states), exempt, slips)


def _changed(site: Site, entry: Table) -> set[str]:
    """Wires that hang elsewhere once a load of theirs has gone: the oracle has no equation for that yet."""
    lost = set(entry.get("off", ()))
    if entry["kind"] != "open":
        lost |= set(entry.get("released", ()))
    return {
        wire["name"]
        for wire in site.scene.get("wires", ())
        if wire.get("conductor") and any(load.get("wire") in lost for load in wire.get("loads", ()))
    }


def _slip(site: Site, entry: Table, name: str, still: list[Body]) -> Slip | None:
    solid = slip(site, name, parked=name in entry.get("off", ()))
    if solid is None:
        return None
    phases = {phase for circuit in site.scene["circuits"] for phase in circuit["phases"]}
    there = {body.potential for body in still} & phases - {site.wire(name)["phase"]}
    earthed = entry.get("potentials", {}).get(name) == "earth"
    crew = () if earthed else tuple(person["name"] for person in site.scene.get("crew", ()))
    return Slip(name, solid, tuple(sorted(there)), crew)


def _tail(site: Site, entry: Table, name: str) -> Moving:
    way = np.array(way_down(site, name))
    far = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(way, axis=0), axis=1))])

    def at(pose: Pose) -> Lines:
        lowered = pose.get("lower_m", far[-1]) if name in entry.get("released", ()) else far[-1]
        return tail(site, name, np.array([np.interp(lowered, far, way[:, axis]) for axis in range(3)]))

    return Moving(name, "", at)


def _states_of_a_tail(site: Site, entry: Table, name: str) -> list[dict[str, str]]:
    """Its former phase, earth and its own, less what a statement strikes out; only earth once it is earthed."""
    if entry.get("potentials", {}).get(name) == "earth" and name not in entry.get("lifts_earth", ()):
        return [{name: "earth"}]
    struck = {
        state
        for told in said(site.scene, "never at")
        if told["body"] == name and (not told.get("stages") or entry["name"] in told["stages"])
        for state in told["states"]
    }
    states = [{name: OWN + name}]
    if "phase" not in struck:
        states.append({name: site.wire(name)["phase"]})
    if "earth" not in struck or name in entry.get("earths", ()) or name in entry.get("lifts_earth", ()):
        states.append({name: "earth"})
    return states


def _aloft(site: Site, entry: Table) -> list[Table]:
    workers: list[Table] = site.scene.get("workers", [])
    named = entry.get("workers")
    if named is None:
        return [] if entry["kind"] in ("set up", "travel", "strike") else workers
    return [worker for worker in workers if worker["name"] in named]


def _states_of_a_worker(entry: Table, name: str, and_with: list[str]) -> list[dict[str, str]]:
    """Floating, whatever the bond; at the phase of the bond; at earth while stepping on or off."""
    states = [""]
    phase = entry.get("bonded", {}).get(name)
    if phase:
        states.append(phase)
    if entry["kind"] in ("step on", "step off"):
        states.append("earth")
    return [dict.fromkeys((name, *and_with), state) for state in states]


def _with_ladder(site: Site, entry: Table, moving: list[Moving], choices: list[list[dict[str, str]]]) -> None:
    ladder = rig.ladder(site.scene, site.earth, site.wires)
    assert ladder is not None
    for body in ladder.metal():
        moving.append(_carried(body, ladder.frame))
    insulating = {told["body"] for told in said(site.scene, "insulating")}
    for rope in site.scene.get("ropes", ()):
        if rope["name"] not in insulating:
            moving.append(Moving(rope["name"], "earth", _rope(site, rope, ladder)))

    def feet(pose: Pose) -> Frame:
        frame = ladder.frame(pose)
        return Frame(frame.turn, frame.point(0, 0, pose["climb_m"]))

    for worker in _aloft(site, entry) if entry.get("climb_m") is not None else ():
        moving.append(_person(site, worker, feet, people.BEHIND))
        moving += _lead(site, entry, worker, feet, people.BEHIND)
        choices.append(_states_of_a_worker(entry, worker["name"], []))
    if entry.get("hauled"):
        moving.append(_hauled(site, entry, ladder))


def _with_lift(site: Site, entry: Table, moving: list[Moving], choices: list[list[dict[str, str]]]) -> None:
    device = site.scene["aerial_device"]
    name = device.get("name", "aerial device")

    def at(pose: Pose) -> rig.Lift:
        return rig.lift(device, site.earth, pose)

    moving.append(Moving(name, "earth", lambda pose: at(pose).metal))
    moving.append(Moving(f"{name} platform", "", lambda pose: at(pose).platform))
    for worker in _aloft(site, entry):
        moving.append(_person(site, worker, lambda pose: at(pose).floor, 0.0))
        moving += _lead(site, entry, worker, lambda pose: at(pose).floor, 0.0)
        choices.append(_states_of_a_worker(entry, worker["name"], [f"{name} platform"]))


def _carried(body: Body, frame: Callable[[Pose], Frame]) -> Moving:
    lines = body.solid
    assert isinstance(lines, Lines)

    def at(pose: Pose) -> Lines:
        here = frame(pose)
        return lines.moved(here.turn, here.at)

    return Moving(body.name, body.potential, at)


def _person(site: Site, worker: Table, frame: Callable[[Pose], Frame], behind: float) -> Moving:
    who = people.person(worker)
    arm = next(
        (told["reach_m"] for told in said(site.scene, "restrained reach") if told["person"] == worker["name"]), None
    )
    bones, raised = people.bones(who, behind), people.overhead(who, behind) if arm is None else None
    tool = who.tool if arm is None else 0.0

    def side(which: float, extra: float) -> Lines:
        parts = [people.hands(who, which, extra, behind, arm), *([raised] if raised else [])]
        return together(parts)

    entering, leaving = side(1, tool), side(-1, 0.0)
    everywhere = together([side(1, who.lean + tool), side(-1, who.lean + tool)])

    def at(pose: Pose) -> Lines:
        here = frame(pose)
        return bones.moved(here.turn, here.at)

    def hands(pose: Pose) -> tuple[Lines, Lines, Lines]:
        here = frame(pose)
        return tuple(part.moved(here.turn, here.at) for part in (entering, leaving, everywhere))  # type: ignore[return-value]

    return Moving(worker["name"], "", at, hands)


def _lead(site: Site, entry: Table, worker: Table, frame: Callable[[Pose], Frame], behind: float) -> list[Moving]:
    """The bonding lead from its clamp to the chest, at the phase; nothing of it where it would be too short."""
    phase = entry.get("bonded", {}).get(worker["name"])
    if not phase or entry.get("clamp_m") is None or entry.get("bonding_lead_m") is None:
        return []
    clamp, length, who = site.place(entry["clamp_m"]), float(entry["bonding_lead_m"]), people.person(worker)

    def at(pose: Pose) -> Lines:
        chest = frame(pose).point(-behind, 0, who.shoulder - 0.1)
        far = float(np.linalg.norm(chest - clamp))
        return capsule(hanging(clamp, chest, length), 0.0) if far < length else balls(clamp, 0.0)

    return [Moving(f"{worker['name']} bonding lead", phase, at)]


def _rope_ends(site: Site, rope: Table, ladder: rig.Ladder) -> Callable[[Pose], tuple[Points, Points]]:
    upper = rope.get("from", rope.get("from_m"))

    def ends(pose: Pose) -> tuple[Points, Points]:
        if isinstance(upper, str) and reference(upper)[0] == ladder.name:
            start = ladder.frame(pose).point(0, 0, float(reference(upper)[1] or 0.0))
        else:
            start = site.place(upper)
        return start, site.place(rope["to_m"])

    return ends


def _rope(site: Site, rope: Table, ladder: rig.Ladder) -> Callable[[Pose], Lines]:
    ends = _rope_ends(site, rope, ladder)

    def at(pose: Pose) -> Lines:
        start, end = ends(pose)
        length = float(np.linalg.norm(end - start)) + float(rope.get("slack_m", 0.2))
        points = hanging(start, end, length)
        above = np.array([max(z, site.earth.height(x, y)) for x, y, z in points])
        return capsule(np.column_stack([points[:, :2], above]), rope["diameter_m"] / 2)

    return at


def _hauled(site: Site, entry: Table, ladder: rig.Ladder) -> Moving:
    """A tool on its line, half its covering ball: it is somewhere in it."""
    tool = next(tool for tool in site.scene["tools"] if tool["name"] == entry["hauled"])
    rope = next(rope for rope in site.scene["ropes"] if rope["name"] == tool["line"])
    ends = _rope_ends(site, rope, ladder)

    def at(pose: Pose) -> Lines:
        upper, lower = ends(pose)
        way = float(np.linalg.norm(upper - lower))
        up = min(pose["haul_m"], way) if "haul_m" in pose else pose["way"] * way
        return balls(lower + (upper - lower) * up / way, tool["radius_m"] / 2)

    return Moving(tool["name"], "", at)
