"""Owns a stage as the oracle sees it: which bodies are there, where each is at a pose, at which potentials."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from oracle import people, rig, roping
from oracle.bodies import Body, Lines, balls, capsule, together
from oracle.reading import Table, said, span_of
from oracle.rig import Frame, Pose
from oracle.site import Site, Standing, ropes, tail
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
    earthed: bool


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
    missing: frozenset[str] = frozenset()
    """What is not brought yet, or was taken away."""
    free_ends: dict[str, roping.Line] = field(default_factory=dict)
    """Where the end of each wire is that the job frees."""


def stages(site: Site) -> list[Stage]:
    standing = Standing(site)
    brought = {
        name for stage in site.scene.get("stages", ()) if stage["kind"] == "bring" for name in stage.get("bodies", ())
    }
    missing = set(brought)
    disturbed: set[str] = set()
    earthed: set[str] = set()
    made = []
    before: dict[str, tuple[set[str], set[str]]] = {}
    for entry in site.scene.get("stages", ()):
        if entry.get("rescue") is not None:  # it branches off: what was disturbed and earthed there, no more
            made.append(_stage(site, entry, standing, missing, *before[entry["rescue"]]))
            continue
        missing -= set(entry.get("bodies", ())) if entry["kind"] == "bring" else set()
        disturbed = disturbed | {change["wire"] for change in entry.get("disturbed", ())}
        made.append(_stage(site, entry, standing, missing, disturbed, earthed))
        before[entry["name"]] = (disturbed, earthed)
        disturbed = disturbed - set(entry.get("restores", ()))
        earthed = (earthed | set(entry.get("earths", ()))) - set(entry.get("lifts_earth", ()))
        missing |= set(entry.get("bodies", ())) if entry["kind"] == "take away" else set()
    return made


def _stage(
    site: Site, entry: Table, standing: Standing, missing: set[str], disturbed: set[str], earthed: set[str]
) -> Stage:
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
    free_ends = {
        wire["name"]: roping.free_end(
            site, wire["name"], wire["name"] in entry.get("released", ()), wire["name"] in gone
        )
        for wire in scene.get("wires", ())
        if wire.get("release")
    }
    for name in sorted(gone):
        moving.append(_tail(site, name, free_ends[name]))
        choices.append(_states_of_a_tail(site, entry, name, earthed))
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
    slips = tuple(found for name in sorted(gone) if (found := _slip(site, entry, name, still, earthed)) is not None)
    return Stage(
        entry["name"],
        entry["kind"],
        ranges,
        tuple(still),
        tuple(moving),
        tuple(states),
        exempt,
        slips,
        frozenset(missing),
        free_ends,
    )


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


def _slip(site: Site, entry: Table, name: str, still: list[Body], earthed: set[str]) -> Slip | None:
    solid = slip(site, name, parked=name in entry.get("off", ()))
    if solid is None:
        return None
    phases = {phase for circuit in site.scene["circuits"] for phase in circuit["phases"]}
    there = {body.potential for body in still} & phases - {site.wire(name)["phase"]}
    at_earth = name in earthed and name not in entry.get("lifts_earth", ())
    crew = () if at_earth else tuple(person["name"] for person in site.scene.get("crew", ()))
    return Slip(name, solid, tuple(sorted(there)), crew, at_earth)


def _thick(rope: Table, line: roping.Line) -> Callable[[Pose], Lines]:
    return lambda pose: capsule(line(pose), rope["diameter_m"] / 2)


def _tail(site: Site, name: str, end: roping.Line) -> Moving:
    return Moving(name, "", rig.once(lambda pose: tail(site, name, end(pose))))


def _states_of_a_tail(site: Site, entry: Table, name: str, earthed: set[str]) -> list[dict[str, str]]:
    """Its former phase, earth and its own, less what a statement strikes out; only earth once a stage earthed it."""
    if name in earthed and name not in entry.get("lifts_earth", ()):
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
            moving.append(Moving(rope["name"], "earth", _thick(rope, roping.rope_line(site, rope, ladder))))

    def feet(pose: Pose) -> Frame:
        frame = ladder.frame(pose)
        return Frame(frame.turn, frame.point(0, 0, pose["climb_m"]))

    for worker in _aloft(site, entry) if entry.get("climb_m") is not None else ():
        moving.append(_person(site, worker, feet, people.BEHIND))
        moving += _lead(site, entry, worker, feet, people.BEHIND)
        choices.append(_states_of_a_worker(entry, worker["name"], []))
    if entry.get("hauled"):
        tool, at = roping.hauled(site, entry, ladder)
        moving.append(Moving(tool["name"], "", at))


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
