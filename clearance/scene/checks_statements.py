"""Owns the checks of statements: that they name what the scene has, and say something that can be withdrawn."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from clearance.errors import Mistake
from clearance.scene import plausible
from clearance.scene.checks import Known
from clearance.scene.messages import choices, meant, shown
from clearance.scene.records import EARTH, Record, Scene, where
from clearance.scene.records_statements import (
    Absent,
    AirOnly,
    EarthedCircuit,
    HeldTail,
    NeverAt,
    NoneThere,
    RestrainedReach,
)
from clearance.scene.statements import KINDS, names_of

Place = tuple[str, ...]


def statement_checks(scene: Scene, known: Known, table: dict[str, Any]) -> Iterator[Mistake]:
    """Every mistake in the statements of a scene."""
    stages = [stage.name for stage in scene.stages]
    for number, entry in enumerate(scene.statements, 1):
        head = where(scene, f"statement {number} ({entry.kind})")
        # The stages that jobs expand into are known once they are expanded.
        if not scene.jobs:
            yield from _known((*head, "stages"), getattr(entry, "stages", None) or (), stages, "a stage of this scene")
        kind = KINDS[type(entry)]
        if kind.of:
            expected, options = NAMED[kind.of]
            yield from _known((*head, kind.field), names_of(entry), options(scene, known), expected)
        if type(entry) in BESIDES:
            yield from BESIDES[type(entry)](scene, head, known, entry)


NAMED: Mapping[str, tuple[str, Callable[[Scene, Known], Sequence[str]]]] = {
    "body": ("a body of this scene", lambda _, known: known.bodies),
    "wire": ("a wire of this scene", lambda _, known: known.wires),
    "tail": ("a wire with a release", lambda scene, _: [one.name for one in scene.wires if one.release is not None]),
    "circuit": ("a circuit of this scene", lambda scene, _: [one.name for one in scene.circuits]),
    "person": ("a worker or a member of the crew", lambda s, known: [*known.workers, *(one.name for one in s.crew)]),
    "solid or rope": ("a solid or a rope of this scene", lambda scene, _: [*_solids_and_ropes(scene)]),
    "entry": ("an entry of this scene", lambda scene, _: sorted(plausible.entries_of(scene))),
    "scan": ("a scan that the scene names", lambda scene, _: list(_scans(scene))),
}
"""What a statement may name: by the word of its kind, in a message, and in a scene."""


def _solids_and_ropes(scene: Scene) -> Iterator[str]:
    yield from (one.name for one in (*scene.solids, *scene.ropes))
    for wire in scene.wires:
        yield from (rope.name for rope in (wire.release.ropes if wire.release is not None else ()))


def _scans(scene: Scene) -> Iterator[str]:
    named = (getattr(one, "file", None) for one in (*scene.clouds, scene.ground))
    return (str(file) for file in named if file is not None)


def _known(place: Place, names: Sequence[str], options: Sequence[str], expected: str) -> Iterator[Mistake]:
    for name in dict.fromkeys(names):
        if name not in options:
            yield Mistake(place, expected, shown(name), meant(name, options) or "there is none in this scene")


def _ground(_: Scene, head: Place, __: Known, entry: Absent | NeverAt) -> Iterator[Mistake]:
    expected, remedy = "a body that may be at several potentials", "it is earth"
    if isinstance(entry, Absent):
        expected, remedy = "bodies that can be away", "the ground is always there: leave it out"
    if "ground" in names_of(entry):
        yield Mistake((*head, KINDS[type(entry)].field), expected, '"ground"', remedy)


def _states(scene: Scene, head: Place, known: Known, entry: NeverAt) -> Iterator[Mistake]:
    """The potential of a wire that is taken off is settled by earthing, not by a sentence."""
    yield from _ground(scene, head, known, entry)
    off = [wire.name for wire in scene.wires if wire.release is not None]
    if entry.body in off and "own" in entry.states:
        expected = "states that a sentence can settle: a wire that is taken off keeps a charge, and takes what "
        remedy = 'earth it with a remote tool, in a stage of kind "earthing"'
        yield Mistake((*head, "states"), f"{expected}its neighbours induce", '"own"', remedy)


def _held(scene: Scene, head: Place, _: Known, entry: HeldTail) -> Iterator[Mistake]:
    """What holds a freed tail is guides that keep it beside a plane, a safety rope with its length, or ropes either of
    which holds."""
    keys = ("sideways_m", "within_m", "rope", "length_m")
    given = [name for name in keys if getattr(entry, name) is not None]
    if given not in (["sideways_m"], ["within_m"], ["rope", "length_m"]):
        found = " and ".join(given) or "none of them"
        remedy = "state each as a statement of its own"
        yield Mistake(head, "sideways_m, or within_m, or rope with length_m", found, remedy)
    releases = [wire.release for wire in scene.wires if wire.name == entry.wire and wire.release is not None]
    straight = [rope.name for release in releases for rope in release.ropes if rope.over_m is None]
    if entry.rope is not None and entry.rope not in straight:
        expected = "a rope of the release of its wire that runs over no pulley"
        remedy = meant(entry.rope, straight) or "state it in release.ropes, from the free end to_m its anchor"
        yield Mistake((*head, "rope"), expected, shown(entry.rope), remedy)


def _reach(scene: Scene, head: Place, known: Known, entry: RestrainedReach) -> Iterator[Mistake]:
    crew = [person.name for person in scene.crew]
    wanted = "reach_m" if entry.person in known.workers else "arms"
    given = [name for name in ("reach_m", "arms") if getattr(entry, name) is not None]
    if entry.person in (*known.workers, *crew) and given != [wanted]:
        expected = f"{wanted} of {'a worker' if wanted == 'reach_m' else 'a member of the crew'}, and nothing else"
        remedy = "state reach_m alone" if wanted == "reach_m" else 'state arms = "down" alone'
        yield Mistake(head, expected, " and ".join(given) or "neither", remedy)


def _air(_: Scene, head: Place, known: Known, entry: AirOnly) -> Iterator[Mistake]:
    place = (*head, "between")
    phase = [name for name in entry.between if name != EARTH]
    if len(phase) != 1:
        remedy = "between phases the limit is not by declaration"
        yield Mistake(place, 'a phase and "earth"', shown(entry.between), remedy)
    elif phase[0] not in known.phases:
        yield Mistake(place, f"a phase: {choices(known.phases)}", shown(phase[0]), meant(phase[0], known.phases))


def _none(scene: Scene, head: Place, _: Known, entry: NoneThere) -> Iterator[Mistake]:
    """A scene does not say that there is none of what it has; in some stages only a crew that comes and goes is not
    there."""
    if entry.stages is not None:
        if entry.what != ("crew",):
            remedy = "leave out stages, or make one of crew alone"
            yield Mistake((*head, "what"), '"crew" alone where it holds in some stages', shown(entry.what), remedy)
        return
    there: dict[str, Sequence[Record]] = {
        "weather": [] if scene.weather is None else [scene.weather],
        "crew": scene.crew,
        "tools": scene.tools,
    }
    for what in entry.what:
        if there[what]:
            remedy = f"leave {what} out of the statement"
            if what == "crew":
                remedy += ", or name the stages before it is brought and after it is taken away"
            yield Mistake((*head, "what"), f"no {what} in the scene", "a table of it", remedy)


def _earthed(scene: Scene, head: Place, _: Known, entry: EarthedCircuit) -> Iterator[Mistake]:
    """A circuit that is stated as live is not earthed by a sentence; one whose state is left out may be."""
    for circuit in scene.circuits:
        if circuit.name == entry.circuit and "state" in circuit.model_fields_set and circuit.state == "live":
            remedy = "withdraw this statement, or mend the state of the circuit"
            yield Mistake((*head, "circuit"), "a circuit that is not stated as live", shown(entry.circuit), remedy)


BESIDES: Mapping[type[Record], Callable[[Scene, Place, Known, Any], Iterator[Mistake]]] = {
    Absent: _ground,
    NeverAt: _states,
    HeldTail: _held,
    RestrainedReach: _reach,
    AirOnly: _air,
    NoneThere: _none,
    EarthedCircuit: _earthed,
}
"""What is checked of a kind besides what it names."""
