"""Owns the site as the scene states it: what stands or hangs there before the job, and where people stand."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from oracle import people, structures, weather
from oracle.bodies import Body, Box, Ground, Lines, Points, balls, capsule, together
from oracle.reading import Table, load, reference, said
from oracle.wires import Hung, all_wires, hanging


@dataclass(frozen=True)
class Site:
    scene: Table
    folder: Path
    earth: Ground
    wires: dict[str, Hung]
    bodies: tuple[Body, ...]
    not_looked_at: frozenset[str]
    """What of the scene the oracle makes no body or state of, in words."""

    def place(self, value: object) -> Points:
        """A point of the scene: coordinates, or a place on a wire."""
        if not isinstance(value, str):
            return np.asarray(value, dtype=float)
        name, metres = reference(value)
        return self.wires[name].points[-1] if metres is None else self.wires[name].at(metres)

    def wire(self, name: str) -> Table:
        return next(wire for wire in self.scene["wires"] if wire["name"] == name)


def read(path: Path) -> Site:
    scene = load(path)
    skipped: set[str] = set()
    earth = structures.ground(scene, path.parent)
    hung = all_wires(scene)
    insulating = {entry["body"] for entry in said(scene, "insulating")}
    bodies = [Body("ground", earth, "earth")]
    reckoned = True
    for wire in scene.get("wires", ()):
        if wire.get("bundle", {}).get("count", 2) > 2:
            skipped.add("bundles of more than two")
        potential = wire.get("phase") or wire.get("potential") or ""
        if wire.get("insulated"):
            skipped.add("insulated shield wires")
        its = weather.conductor(scene, wire)
        if its is None:
            solid = _thick(hung[wire["name"]].points, wire)
            reckoned = reckoned and not scene.get("weather")
        else:  # one body of all the places where it may be, as each wire swings by itself
            ends = (hung[wire["name"]].points[0], hung[wire["name"]].points[-1])
            solid = together([_thick(points, wire) for points in weather.states(scene, wire, its, *ends)])
        bodies.append(Body(wire["name"], solid, potential))
    for entry in scene.get("structures", ()):
        made = structures.structure(entry, earth, path.parent)
        bodies.append(Body(entry["name"], made, entry.get("potential", "earth")))
    for entry in scene.get("solids", ()):
        if entry["name"] not in insulating:
            potential = entry.get("potential", "earth")
            bodies.append(Body(entry["name"], structures.solid(entry, path.parent), _named(potential)))
    for entry in scene.get("clouds", ()):
        bodies.append(Body(entry["name"], structures.cloud(scene, entry, path.parent), entry.get("potential", "earth")))
    for what, told in (
        ("jobs", "jobs that expand into stages"),
        ("insulators", "metal at the ends of insulators"),
    ):
        if scene.get(what):
            skipped.add(told)
    if not reckoned:
        skipped.add("weather")
    if any(stage.get("disturbed") for stage in scene.get("stages", ())):
        skipped.add("how far a disturbed wire moves")
    if any(wire.get("conductor") and wire.get("loads") for wire in scene.get("wires", ())):
        skipped.add("wires whose load has gone")
    if any(wire.get("from_string") or wire.get("to_string") for wire in scene.get("wires", ())):
        skipped.add("metal at the ends of insulators")
    for circuit in scene["circuits"]:
        if circuit.get("state", "live") != "live":
            skipped.add("dead circuits at earth")
    for kind in ("circuit earthed", "absent"):
        if said(scene, kind):
            skipped.add(f"statements of kind {kind}")
    return Site(scene, path.parent, earth, hung, tuple(bodies), frozenset(skipped))


def _named(potential: str) -> str:
    return "" if potential == "floating" else potential


def _thick(points: Points, wire: Table) -> Lines:
    radius, bundle = wire["diameter_m"] / 2 + wire["uncertainty_m"], wire.get("bundle")
    if bundle is None:
        return capsule(points, radius)
    level = points[-1, :2] - points[0, :2]
    aside = np.array([-level[1], level[0], 0.0]) / np.linalg.norm(level)
    if bundle.get("arrangement") == "vertical pair":
        aside = np.array([0.0, 0.0, 1.0])
    return together([capsule(points + side * bundle["spacing_m"] / 2 * aside, radius) for side in (-1, 1)])


def tail(site: Site, name: str, free: Points) -> Lines:
    """A wire that is taken off, with its free end at a point: it hangs from its fixed end by its length."""
    wire = site.wire(name)
    fixed = site.place(wire["to_m" if wire["release"]["free_end"] == "from" else "from_m"])
    return _thick(hanging(fixed, free, float(wire["length_m"])), wire)


def way_down(site: Site, name: str) -> list[Points]:
    """Where the free end of a wire is led: from its place to where it is parked."""
    release = site.wire(name)["release"]
    start = site.place(site.wire(name)["from_m" if release["free_end"] == "from" else "to_m"])
    return [
        start,
        *(site.place(point) for point in release.get("by_way_of_m", ())),
        site.place(release["lowered_to_m"]),
    ]


@dataclass
class Standing:
    """Where each member of the crew and each vehicle is, as the stages go on."""

    site: Site
    spots: dict[str, tuple[Points, float, list[list[float]] | None]] = field(default_factory=dict)
    turned: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for entry in self.site.scene.get("crew", ()):
            at = np.asarray(entry.get("at_m") or np.mean(entry["area_m"], axis=0), dtype=float)
            self.spots[entry["name"]] = (at, float(entry.get("radius_m", 1.0)), entry.get("area_m"))
        for entry in self.site.scene.get("vehicles", ()):
            self.spots[entry["name"]] = (
                np.asarray(entry["centre_m"][:2], dtype=float),
                float(entry.get("radius_m", 1.0)),
                None,
            )
            self.turned[entry["name"]] = float(entry.get("heading_deg", 0.0))

    def in_stage(self, stage: Table) -> list[Body]:
        """People and vehicles on the ground, wherever they may be in this stage; the next starts where they end."""
        before = dict(self.spots)
        for move in stage.get("stands", ()):
            at, radius, _ = self.spots[move["who"]]
            new = np.asarray(move.get("at_m") or at, dtype=float)
            self.spots[move["who"]] = (new, float(move.get("radius_m") or radius), move.get("area_m"))
        found = []
        for entry in self.site.scene.get("crew", ()):
            feet = [
                structures.area(*spot, self.site.earth) for spot in (before[entry["name"]], self.spots[entry["name"]])
            ]
            down = any(
                said_of.get("person") == entry["name"] and said_of.get("arms")
                for said_of in said(self.site.scene, "restrained reach")
            )
            spots = (
                feet[0]
                if before[entry["name"]] is self.spots[entry["name"]]
                else np.vstack([*feet, np.mean([f[:1] for f in feet], axis=0)])
            )
            body = people.on_the_ground(people.person(entry), spots, not down)
            found.append(Body(entry["name"], body, "earth", True))
        for entry in self.site.scene.get("vehicles", ()):
            at, _, _ = self.spots[entry["name"]]
            turn = structures.about_z(self.turned[entry["name"]])
            centre = np.array([*at, entry["centre_m"][2]])
            found.append(Body(entry["name"], Box(centre, np.asarray(entry["size_m"]) / 2, turn, 0.0), "earth", True))
        return found


def ropes(site: Site) -> list[Body]:
    """Ropes of releases that conduct and stand still, and pulleys, of metal: at the potential of what holds them."""
    insulating = {entry["body"] for entry in said(site.scene, "insulating")}
    potential = {body.name: body.potential for body in site.bodies}
    found = []
    for wire in site.scene.get("wires", ()):
        for rope in (wire.get("release") or {}).get("ropes", ()):
            over = rope.get("over_m")
            if over is not None:
                at = site.place(over)
                name = f"{rope['name']} pulley"
                found.append(Body(name, balls(at, 0.0), potential.get(rope.get("hangs_from"), "earth"), True))
                if rope["name"] not in insulating:
                    line = capsule([at, site.place(rope["to_m"])], rope["diameter_m"] / 2)
                    found.append(Body(rope["name"], line, "earth", True))
    return found
