"""Owns what the statements of a scene take away: one question for each kind, and which statements stand together.

To learn what is not judged in a stage, ask `absent`, `never_at`, `contacts`, `slowly`; of the whole scene,
`insulating`, `held`, `reach_m`, `arms_down`, `air_only`, `isolated`, `may_open`, `fast`, `earthed_circuits`,
`there_is_none`: so a scene without one of them is judged as if nobody had said it. `groups` joins statements that take
away the same thing: withdrawn one by one, each would cover for the other.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from clearance.scene import naming
from clearance.scene.messages import shown
from clearance.scene.records import Record, Reference, Scene, SceneFile, Stage, aloft, metal_names, where
from clearance.scene.records import phases as records_phases
from clearance.scene.records_statements import (
    Absent,
    AirOnly,
    Confirmed,
    DesignedGap,
    EarthedCircuit,
    FastConnection,
    HeldTail,
    Insulating,
    IntendedContact,
    IsolatedEnd,
    LeftOut,
    MayOpen,
    NeverAt,
    NoneThere,
    RestrainedReach,
    Statement,
    TakenSlowly,
)
from clearance.scene.records_step import Step

_S = TypeVar("_S", bound=Statement)


def _said(scene: SceneFile, kind: type[_S], stage: Stage | None = None, **about: str) -> Iterator[_S]:
    """Statements of a kind, of those about a stage the ones that hold in it, with these values in their fields."""
    for entry in scene.statements:
        if not isinstance(entry, kind) or not (stage is None or _in(entry, stage)):
            continue
        if all(getattr(entry, field) == value for field, value in about.items()):
            yield entry


def _in(entry: Statement, stage: Stage) -> bool:
    stages: tuple[str, ...] | None = getattr(entry, "stages", None)
    return stages is None or stage.name in stages


def absent(scene: SceneFile, stage: Stage) -> frozenset[str]:
    """Bodies that are not there in a stage: stated so, with a ladder its metal; or not brought by the job yet, or taken
    away again."""
    found = {*(name for entry in _said(scene, Absent, stage) for name in entry.bodies), *not_there(scene, stage)}
    ladder = scene.ladder.name if scene.ladder is not None else ""
    return frozenset((*found, *(metal_names(ladder) if ladder in found else ())))


def not_there(scene: SceneFile, stage: Stage) -> tuple[str, ...]:
    """What the job has not brought yet, or has taken away again; and members of the crew who are aloft as workers."""
    return (*climbing(scene, stage), *(stage.not_there if isinstance(stage, Step) else ()))


def climbing(scene: SceneFile, stage: Stage) -> tuple[str, ...]:
    """Members of the crew who are aloft in a stage, as workers."""
    return tuple(person.name for person in scene.crew if person.worker in aloft(scene, stage))


def never_at(scene: SceneFile, stage: Stage, body: str) -> frozenset[str]:
    """States that a body is stated never to be in: "phase", "earth", "own", "floating"."""
    return frozenset(state for entry in _said(scene, NeverAt, stage, body=body) for state in entry.states)


def contacts(scene: SceneFile, stage: Stage) -> tuple[tuple[str, str], ...]:
    """Pairs of bodies stated as meant to touch in a stage."""
    return tuple(entry.bodies for entry in _said(scene, IntendedContact, stage))


def slowly(scene: SceneFile, stage: Stage, wire: str) -> bool:
    """Whether a wire's loads are stated to change slowly in a stage."""
    return any(_said(scene, TakenSlowly, stage, wire=wire))


def insulating(scene: SceneFile, body: str) -> bool:
    """Whether a solid or a rope is stated to insulate."""
    return any(_said(scene, Insulating, body=body))


def held(scene: SceneFile, wire: str) -> tuple[HeldTail, ...]:
    """What is stated to hold the tail of a wire whichever rope fails."""
    return tuple(_said(scene, HeldTail, wire=wire))


def reach_m(scene: SceneFile, worker: str) -> float | None:
    """The reach from the shoulder that a stated restraint allows [m], the longest of several; None where there is
    none."""
    reaches = (entry.reach_m for entry in _said(scene, RestrainedReach, person=worker))
    return max((reach for reach in reaches if reach is not None), default=None)


def arms_down(scene: SceneFile, person: str) -> bool:
    """Whether the arms of a member of the crew are stated to stay down."""
    return any(_said(scene, RestrainedReach, person=person, arms="down"))


def air_only(scene: SceneFile) -> tuple[tuple[str, str], ...]:
    """Pairs of a phase and earth between which only air is stated to be."""
    return tuple(entry.between for entry in _said(scene, AirOnly))


def isolated(scene: SceneFile, wire: str) -> tuple[IsolatedEnd, ...]:
    """What is said of the far end of a wire that the job takes off."""
    return tuple(_said(scene, IsolatedEnd, wire=wire))


def may_open(scene: SceneFile, wire: str, by_hand: bool) -> tuple[MayOpen, ...]:
    """What is allowed to be opened at a wire, by hand or by stick and rope."""
    return tuple(_said(scene, MayOpen, wire=wire, how="by hand" if by_hand else "by stick or rope"))


def fast(scene: SceneFile, wire: str) -> bool:
    """Whether the connection of a wire is stated to hold until it is opened, and once it is closed."""
    return any(_said(scene, FastConnection, wire=wire))


def earthed_circuits(scene: SceneFile) -> frozenset[str]:
    """Names of circuits stated as dead and earthed."""
    return frozenset(entry.circuit for entry in _said(scene, EarthedCircuit))


def there_is_none(scene: SceneFile, stage: Stage | None = None) -> frozenset[str]:
    """What the scene says there is none of, in all the job or in a stage: "weather", "crew", "tools"."""
    said = _said(scene, NoneThere, stage)
    return frozenset(what for entry in said if stage is not None or entry.stages is None for what in entry.what)


def against_bond(scene: SceneFile, stage: Stage, worker: str, phase: str) -> Statement | None:
    """The statement that a bond cannot be with: its worker is not there, its circuit is earthed, or all at its phase
    is away. None where there is no such statement."""
    at_phase = frozenset(_at(scene, (phase,))) - {worker}
    emptied = at_phase if at_phase <= absent(scene, stage) else frozenset()
    for entry in scene.statements:
        if isinstance(entry, Absent) and _in(entry, stage) and (worker in entry.bodies or emptied & {*entry.bodies}):
            return entry
        if isinstance(entry, EarthedCircuit) and entry.circuit == records_phases(scene)[phase].name:
            return entry
        if isinstance(entry, NeverAt) and _in(entry, stage) and "phase" in entry.states and entry.body == worker:
            return entry
    return None


def where_said(scene: Scene, entry: Statement) -> tuple[str, ...]:
    """The place of a statement for a message: its number in the scene, and its kind."""
    return where(scene, f"statement {scene.statements.index(entry) + 1} ({entry.kind})")


def takes_away(entry: Statement) -> str:
    """What a statement takes away, in words."""
    stages: tuple[str, ...] | None = getattr(entry, "stages", None)
    return KINDS[type(entry)].words(entry) + (f" in {_listed(stages)}" if stages else "")


def _listed(words: Iterable[str]) -> str:
    return ", ".join(words)


def groups(
    entries: Iterable[Statement], scene: SceneFile, covering: Iterable[tuple[Statement, Statement]] = ()
) -> tuple[tuple[Statement, ...], ...]:
    """Statements joined where they take away the same thing, in the order they are given.

    Two stand together when they speak of the same body, wire or person, whatever their kinds: a gantry that is "not
    there" and a gantry that is "never at earth" would each hide what the other hides. A circuit that is earthed takes
    away every body at its phases, a designed gap both its bodies, air alone the bodies of its phase, and a confirmed
    value what it is a value of. A contact takes away what is between its two bodies, so it stands with another of the
    same pair, and with an absence of either.

    covering: pairs that stand together for another reason, such as where things are
    """
    told = tuple(entries)
    names = _names(scene)
    about = [frozenset(_subjects(entry, scene, names)) for entry in told]

    def same(one: int, other: int) -> bool:
        either = ((told[one], told[other]), (told[other], told[one]))
        return bool(about[one] & about[other]) or any(_hides(gone, pair, names) for gone, pair in either)

    found: list[list[int]] = []
    for number in range(len(told)):
        near = [group for group in found if any(same(member, number) for member in group)]
        joined = sorted([number, *(member for group in near for member in group)])
        found = [*(group for group in found if group not in near), joined]
    pairs = [(told.index(one), told.index(other)) for one, other in covering]
    found = _joined(found, pairs)
    return tuple(tuple(told[member] for member in group) for group in sorted(found))


def _joined(found: list[list[int]], pairs: Iterable[tuple[int, int]]) -> list[list[int]]:
    """Groups joined where a pair has a member in each."""
    for pair in pairs:
        near = [group for group in found if any(member in group for member in pair)]
        joined = sorted({member for group in near for member in group})
        found = [*(group for group in found if group not in near), joined]
    return found


def _hides(gone: Statement, pair: Statement, names: Collection[str]) -> bool:
    """Whether an absence takes away one of the two bodies of a contact."""
    if not isinstance(gone, Absent) or not isinstance(pair, IntendedContact):
        return False
    return bool({_entry(name, names) for name in gone.bodies} & {_entry(name, names) for name in pair.bodies})


def _subjects(entry: Statement, scene: SceneFile, names: Collection[str]) -> Iterator[str]:
    """What a statement is about, as keys that meet where two take away the same thing."""
    keys, bodies = KINDS[type(entry)].about(entry, scene)
    yield from keys
    yield from (f"body {_entry(name, names)}" for name in bodies)


def _named(scene: SceneFile) -> Iterator[tuple[str, Record]]:
    """Every entry of a scene that has a name."""
    for _, entry in naming.entries(scene):
        if isinstance(name := getattr(entry, "name", None), str):
            yield name, entry
            yield from ((one.name, one) for one in getattr(entry, "fittings", ()))


def _names(scene: SceneFile) -> frozenset[str]:
    return frozenset(name for name, entry in _named(scene) if entry.word not in ("circuit", "stage", "job"))


def _entry(body: str, names: Collection[str]) -> str:
    """The entry that a body belongs to: "ladder from 0.00 to 0.46 m", "worker bonding lead" and "bus A from string
    fittings" are parts of one."""
    held = [name for name in names if body == name or body.startswith(f"{name} ")]
    return max(held, key=len, default=body)


def at_phases(scene: SceneFile, phases: Collection[str]) -> frozenset[str]:
    """Names of the entries of the scene at one of some phases."""
    return frozenset(_at(scene, phases))


def _at(scene: SceneFile, phases: Collection[str]) -> Iterator[str]:
    """Names of the entries at one of some phases, by themselves, by what they hang on, or in a stage."""
    held: set[str] = set()
    for name, entry in _named(scene):
        if getattr(entry, "phase", None) in phases or getattr(entry, "potential", None) in phases:
            held.add(name)
    yield from held
    for stage in scene.stages:
        for given in (stage.potentials, stage.bonded):
            yield from (name for name, potential in given.items() if potential in phases)
    for post in scene.insulators:
        if any(isinstance(end, Reference) and end.name in held for end in (post.from_m, post.to_m)):
            yield post.name


_About = tuple[Iterable[str], Iterable[str]]  # keys of its own, and bodies


def names_of(entry: Statement) -> tuple[str, ...]:
    """What a statement names."""
    value = getattr(entry, KINDS[type(entry)].field)
    return (value,) if isinstance(value, str) else value


@dataclass(frozen=True)
class Kind:
    """What is to be known of a kind of statement.

    field: which of its fields names what it speaks of; of: what that is, in a word; "" for what is in no table
    words: what it takes away, but for the stages; about: what else takes away the same stands together with
    """

    field: str
    of: str
    words: Callable[[Any], str]
    about: Callable[[Any, SceneFile], _About] = lambda said, _: ((), names_of(said))


def _of_circuit(entry: EarthedCircuit, scene: SceneFile) -> _About:
    phases = [phase for circuit in scene.circuits if circuit.name == entry.circuit for phase in circuit.phases]
    return (f"circuit {entry.circuit}",), _at(scene, phases)


def _confirmed(entry: Confirmed, scene: SceneFile) -> _About:
    """The entries whose value is confirmed, each by its word and name: one, or every entry of a word."""
    word, _, name = entry.entry.partition(" '")
    found = [(word, name.removesuffix("'") or word)]
    if word.startswith("every "):
        found += [(of.word, one) for one, of in _named(scene) if of.word == word.removeprefix("every ")]
    keys = [f"value {entry.field} of {word} {name}: {entry.doubt}" for word, name in found]
    return keys + [f"circuit {name}" if word == "circuit" else f"body {name}" for word, name in found], ()


def _held_by(entry: HeldTail) -> str:
    if entry.sideways_m is not None:
        return f"guides, no further than {entry.sideways_m:g} m aside"
    if entry.within_m is not None:
        return f"ropes either of which holds, within {entry.within_m:g} m"
    return "a safety rope" if entry.length_m is None else f"a safety rope of {entry.length_m:g} m"


STATES = {
    "phase": "at its former phase", "earth": "at earth", "own": "at a potential of its own", "floating": "floating",
}  # fmt: skip
KINDS: Mapping[type[Record], Kind] = {
    Absent: Kind("bodies", "body", lambda said: f"{_listed(said.bodies)}: not there"),
    NeverAt: Kind(
        "body", "body", lambda said: f"{said.body}: never {' nor '.join(STATES[state] for state in said.states)}"
    ),
    Insulating: Kind("body", "solid or rope", lambda said: f"{said.body}: insulates"),
    HeldTail: Kind(
        "wire", "tail", lambda said: f"{said.wire}: held by {_held_by(said)}, whichever rope fails"
        f"{', once parked' if said.parked else ''}",
    ),
    RestrainedReach: Kind(
        "person", "person", lambda said: f"{said.person}: keeps the arms down" if said.reach_m is None else
        f"{said.person}: reaches no further than {said.reach_m:g} m from the shoulder",
    ),
    IntendedContact: Kind(
        "bodies", "body", lambda said: f"{' and '.join(said.bodies)}: meant to touch",
        lambda said, _: ((f"pair {' and '.join(sorted(said.bodies))}",), ()),
    ),
    AirOnly: Kind(
        "between", "", lambda said: f"{' to '.join(said.between)}: only air in the gap",
        lambda said, scene: ((f"air {' and '.join(sorted(said.between))}",), _at(scene, said.between)),
    ),
    IsolatedEnd: Kind("wire", "tail", lambda said: f"{said.wire}: far end isolated"),
    MayOpen: Kind(
        "wire", "tail", lambda said: f"{said.wire}: may be opened {said.how} at up to {said.current_A:g} A and "
        f"{said.energy_J:g} J",
    ),
    FastConnection: Kind(
        "wire", "tail", lambda said: f"{said.wire}: its connection holds until it is opened, and once it is closed",
    ),
    EarthedCircuit: Kind("circuit", "circuit", lambda said: f"circuit {said.circuit}: dead and earthed", _of_circuit),
    TakenSlowly: Kind("wire", "wire", lambda said: f"{said.wire}: load taken off or put on slowly"),
    NoneThere: Kind(
        "what", "", lambda said: f"none{' in this job' if said.stages is None else ''}: {_listed(said.what)}",
        lambda said, _: ([f"none {what}" for what in said.what], ()),
    ),
    DesignedGap: Kind(
        "bodies", "body", lambda said: f"{' and '.join(said.bodies)}: designed gap of {said.gap_m:g} m",
        lambda said, _: ((f"pair {' and '.join(sorted(said.bodies))}",), said.bodies),
    ),
    Confirmed: Kind(
        "entry", "entry",
        lambda said: f"{said.entry}, {said.field}: {said.doubt or 'unlikely'} value {shown(said.value)} confirmed",
        _confirmed,
    ),
    LeftOut: Kind(
        "file", "scan", lambda said: f"{said.file}: classes {_listed(map(str, said.classes))} are no bodies",
        lambda said, scene: ((f"scan {said.file}",), [one.name for one in scene.clouds if str(one.file) == said.file]),
    ),
}  # fmt: skip
"""Every kind of statement: what it speaks of, its words, and what it stands together with."""
