"""Owns the checks of statements: that they name what the scene has, and say something that can be withdrawn."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from clearance.errors import Mistake
from clearance.scene import plausible
from clearance.scene.checks import Known
from clearance.scene.messages import choices, meant, shown
from clearance.scene.records import EARTH, Record, Reference, Scene, where
from clearance.scene.records_statements import (
    Absent,
    AirOnly,
    Confirmed,
    DesignedGap,
    EarthedCircuit,
    HeldTail,
    Insulating,
    IntendedContact,
    IsolatedEnd,
    LeftOut,
    MayOpen,
    NeverAt,
    NoneThere,
    RestrainedReach,
    TakenSlowly,
)
from clearance.scene.records_wires import TailRope

Place = tuple[str, ...]


def statement_checks(scene: Scene, known: Known, table: dict[str, Any]) -> Iterator[Mistake]:
    """Every mistake in the statements of a scene."""
    stages = [stage.name for stage in scene.stages]
    off = tuple(wire.name for wire in scene.wires if wire.release is not None)
    for number, entry in enumerate(scene.statements, 1):
        head = where(scene, f"statement {number} ({entry.kind})")
        # The stages that jobs expand into are known once they are expanded.
        if not scene.jobs:
            yield from _known((*head, "stages"), getattr(entry, "stages", None) or (), stages, "a stage of this scene")
        if isinstance(entry, Absent):
            yield from _known((*head, "bodies"), entry.bodies, known.bodies, "a body of this scene")
            if "ground" in entry.bodies:
                remedy = "the ground is always there: leave it out"
                yield Mistake((*head, "bodies"), "bodies that can be away", '"ground"', remedy)
        elif isinstance(entry, NeverAt):
            yield from _known((*head, "body"), (entry.body,), known.bodies, "a body of this scene")
            if entry.body == "ground":
                yield Mistake((*head, "body"), "a body that may be at several potentials", '"ground"', "it is earth")
            if entry.body in off and "own" in entry.states:
                expected = "states that a sentence can settle: a wire that is taken off keeps a charge, and takes what "
                remedy = 'earth it with a remote tool, in a stage of kind "earthing"'
                yield Mistake((*head, "states"), f"{expected}its neighbours induce", '"own"', remedy)
        elif isinstance(entry, IntendedContact | DesignedGap):
            yield from _known((*head, "bodies"), entry.bodies, known.bodies, "a body of this scene")
        elif isinstance(entry, Insulating):
            able = [one.name for one in (*scene.solids, *scene.ropes, *_tail_ropes(scene))]
            yield from _known((*head, "body"), (entry.body,), able, "a solid or a rope of this scene")
        elif isinstance(entry, HeldTail):
            yield from _known((*head, "wire"), (entry.wire,), off, "a wire with a release")
            yield from _held(head, known, entry)
        elif isinstance(entry, IsolatedEnd | MayOpen):
            yield from _known((*head, "wire"), (entry.wire,), off, "a wire with a release")
        elif isinstance(entry, TakenSlowly):
            yield from _known((*head, "wire"), (entry.wire,), known.wires, "a wire of this scene")
        elif isinstance(entry, RestrainedReach):
            yield from _reach(scene, head, known, entry)
        elif isinstance(entry, AirOnly):
            yield from _air(head, known, entry)
        elif isinstance(entry, EarthedCircuit):
            names = [circuit.name for circuit in scene.circuits]
            yield from _known((*head, "circuit"), (entry.circuit,), names, "a circuit of this scene")
        elif isinstance(entry, NoneThere):
            yield from _none(scene, head, entry)
        elif isinstance(entry, Confirmed):
            options = sorted(plausible.entries_of(scene))
            yield from _known((*head, "entry"), (entry.entry,), options, "an entry of this scene")
        elif isinstance(entry, LeftOut):
            named = (getattr(one, "file", None) for one in (*scene.clouds, scene.ground))
            files = [str(file) for file in named if file is not None]
            yield from _known((*head, "file"), (entry.file,), files, "a scan that the scene names")


def _tail_ropes(scene: Scene) -> Iterator[TailRope]:
    for wire in scene.wires:
        yield from wire.release.ropes if wire.release is not None else ()


def _known(place: Place, names: Sequence[str], options: Sequence[str], expected: str) -> Iterator[Mistake]:
    for name in dict.fromkeys(names):
        if name not in options:
            yield Mistake(place, expected, shown(name), meant(name, options) or "there is none in this scene")


def _held(head: Place, known: Known, entry: HeldTail) -> Iterator[Mistake]:
    """What holds a freed tail is guides that keep it beside a plane, a safety rope with its anchor and length, or ropes
    either of which holds."""
    keys = ("sideways_m", "within_m", "anchor_m", "length_m")
    given = [name for name in keys if getattr(entry, name) is not None]
    if given not in (["sideways_m"], ["within_m"], ["anchor_m", "length_m"]):
        found = " and ".join(given) or "none of them"
        remedy = "state each as a statement of its own"
        yield Mistake(head, "sideways_m, or within_m, or anchor_m with length_m", found, remedy)
    if isinstance(entry.anchor_m, Reference) and entry.anchor_m.name not in known.wires:
        found = shown(str(entry.anchor_m))
        remedy = meant(entry.anchor_m.name, known.wires)
        yield Mistake((*head, "anchor_m"), "a reference to a wire of this scene", found, remedy)


def _reach(scene: Scene, head: Place, known: Known, entry: RestrainedReach) -> Iterator[Mistake]:
    crew = [person.name for person in scene.crew]
    yield from _known((*head, "person"), (entry.person,), [*known.workers, *crew], "a worker or a member of the crew")
    wanted = "reach_m" if entry.person in known.workers else "arms"
    given = [name for name in ("reach_m", "arms") if getattr(entry, name) is not None]
    if entry.person in (*known.workers, *crew) and given != [wanted]:
        expected = f"{wanted} of {'a worker' if wanted == 'reach_m' else 'a member of the crew'}, and nothing else"
        remedy = "state reach_m alone" if wanted == "reach_m" else 'state arms = "down" alone'
        yield Mistake(head, expected, " and ".join(given) or "neither", remedy)


def _air(head: Place, known: Known, entry: AirOnly) -> Iterator[Mistake]:
    place = (*head, "between")
    phase = [name for name in entry.between if name != EARTH]
    if len(phase) != 1:
        remedy = "between phases the limit is not by declaration"
        yield Mistake(place, 'a phase and "earth"', shown(entry.between), remedy)
    elif phase[0] not in known.phases:
        yield Mistake(place, f"a phase: {choices(known.phases)}", shown(phase[0]), meant(phase[0], known.phases))


def _none(scene: Scene, head: Place, entry: NoneThere) -> Iterator[Mistake]:
    """A scene does not say that there is none of what it has."""
    there: dict[str, Sequence[Record]] = {
        "weather": [] if scene.weather is None else [scene.weather],
        "crew": scene.crew,
        "tools": scene.tools,
    }
    for what in entry.what:
        if there[what]:
            remedy = f"leave {what} out of the statement"
            yield Mistake((*head, "what"), f"no {what} in the scene", "a table of it", remedy)
