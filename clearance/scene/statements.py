"""Owns what the statements of a scene take away: one question for each kind, and which statements stand together.

To learn what is not judged in a stage, ask `absent`, `never_at`, `contacts`, `slowly`; of the whole scene,
`insulating`, `held`, `reach_m`, `arms_down`, `air_only`, `isolated`, `earthed_circuits`, `there_is_none`: so a scene
without one of them is judged as if nobody had said it. `groups` joins statements that take away the same thing:
withdrawn one by one, each would cover for the other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

from clearance.scene.messages import shown
from clearance.scene.records import Record, Reference, Scene, SceneFile, Stage, where
from clearance.scene.records import phases as records_phases
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
    NeverAt,
    NoneThere,
    RestrainedReach,
    Statement,
    TakenSlowly,
)
from clearance.scene.records_step import Step


def _in(entry: Absent | NeverAt | IntendedContact | TakenSlowly, stage: Stage) -> bool:
    return entry.stages is None or stage.name in entry.stages


def absent(scene: SceneFile, stage: Stage) -> frozenset[str]:
    """Bodies that are not there in a stage: stated so, or not brought by the job yet, or taken away again."""
    stated = (entry for entry in scene.statements if isinstance(entry, Absent) and _in(entry, stage))
    not_there = stage.not_there if isinstance(stage, Step) else ()
    return frozenset((*(name for entry in stated for name in entry.bodies), *not_there))


def never_at(scene: SceneFile, stage: Stage, body: str) -> frozenset[str]:
    """States that a body is stated never to be in: "phase", "earth", "own", "floating"."""
    return frozenset(
        state
        for entry in scene.statements
        if isinstance(entry, NeverAt) and entry.body == body and _in(entry, stage)
        for state in entry.states
    )


def contacts(scene: SceneFile, stage: Stage) -> tuple[tuple[str, str], ...]:
    """Pairs of bodies stated as meant to touch in a stage."""
    return tuple(entry.bodies for entry in scene.statements if isinstance(entry, IntendedContact) and _in(entry, stage))


def slowly(scene: SceneFile, stage: Stage, wire: str) -> bool:
    """Whether a wire's loads are stated to change slowly in a stage."""
    return any(
        isinstance(entry, TakenSlowly) and entry.wire == wire and _in(entry, stage) for entry in scene.statements
    )


def insulating(scene: SceneFile, body: str) -> bool:
    """Whether a solid or a rope is stated to insulate."""
    return any(isinstance(entry, Insulating) and entry.body == body for entry in scene.statements)


def held(scene: SceneFile, wire: str) -> tuple[HeldTail, ...]:
    """What is stated to hold the tail of a wire whichever rope fails."""
    return tuple(entry for entry in scene.statements if isinstance(entry, HeldTail) and entry.wire == wire)


def reach_m(scene: SceneFile, worker: str) -> float | None:
    """The reach from the shoulder that a stated restraint allows [m], the longest of several; None where there is
    none."""
    return max(
        (
            entry.reach_m
            for entry in scene.statements
            if isinstance(entry, RestrainedReach) and entry.person == worker and entry.reach_m is not None
        ),
        default=None,
    )


def arms_down(scene: SceneFile, person: str) -> bool:
    """Whether the arms of a member of the crew are stated to stay down."""
    return any(
        isinstance(entry, RestrainedReach) and entry.person == person and entry.arms == "down"
        for entry in scene.statements
    )


def air_only(scene: SceneFile) -> tuple[tuple[str, str], ...]:
    """Pairs of a phase and earth between which only air is stated to be."""
    return tuple(entry.between for entry in scene.statements if isinstance(entry, AirOnly))


def isolated(scene: SceneFile, wire: str) -> tuple[IsolatedEnd, ...]:
    """What is said of the far end of a wire that the job takes off."""
    return tuple(entry for entry in scene.statements if isinstance(entry, IsolatedEnd) and entry.wire == wire)


def earthed_circuits(scene: SceneFile) -> frozenset[str]:
    """Names of circuits stated as dead and earthed."""
    return frozenset(entry.circuit for entry in scene.statements if isinstance(entry, EarthedCircuit))


def there_is_none(scene: SceneFile) -> frozenset[str]:
    """What the scene says there is none of: "weather", "crew", "tools"."""
    return frozenset(what for entry in scene.statements if isinstance(entry, NoneThere) for what in entry.what)


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
    words = {
        "phase": "at its former phase", "earth": "at earth", "own": "at a potential of its own", "floating": "floating",
    }  # fmt: skip
    stages: tuple[str, ...] | None = getattr(entry, "stages", None)
    where = f" in {_listed(stages)}" if stages else ""
    if isinstance(entry, Absent):
        return f"{_listed(entry.bodies)}: not there{where}"
    if isinstance(entry, NeverAt):
        return f"{entry.body}: never {' nor '.join(words[state] for state in entry.states)}{where}"
    if isinstance(entry, Insulating):
        return f"{entry.body}: insulates"
    if isinstance(entry, HeldTail):
        rope = "a safety rope" if entry.length_m is None else f"a safety rope of {entry.length_m:g} m"
        how = rope if entry.sideways_m is None else f"guides, no further than {entry.sideways_m:g} m aside"
        return f"{entry.wire}: held by {how}, whichever rope fails"
    if isinstance(entry, RestrainedReach):
        if entry.reach_m is None:
            return f"{entry.person}: keeps the arms down"
        return f"{entry.person}: reaches no further than {entry.reach_m:g} m from the shoulder"
    if isinstance(entry, IntendedContact):
        return f"{entry.bodies[0]} and {entry.bodies[1]}: meant to touch{where}"
    if isinstance(entry, AirOnly):
        return f"{' to '.join(entry.between)}: only air in the gap"
    if isinstance(entry, IsolatedEnd):
        return f"{entry.wire}: far end isolated"
    if isinstance(entry, EarthedCircuit):
        return f"circuit {entry.circuit}: dead and earthed"
    if isinstance(entry, TakenSlowly):
        return f"{entry.wire}: load taken off or put on slowly{where}"
    if isinstance(entry, NoneThere):
        return f"none in this job: {_listed(entry.what)}"
    if isinstance(entry, DesignedGap):
        return f"{entry.bodies[0]} and {entry.bodies[1]}: designed gap of {entry.gap_m:g} m"
    if isinstance(entry, Confirmed):
        return f"{entry.entry}, {entry.field}: unlikely value {shown(entry.value)} confirmed"
    return f"{entry.file}: classes {_listed(map(str, entry.classes))} are no bodies"


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
    found: list[list[int]] = []
    for number in range(len(told)):
        near = [group for group in found if any(about[member] & about[number] for member in group)]
        joined = sorted([number, *(member for group in near for member in group)])
        found = [*(group for group in found if group not in near), joined]
    pairs = [(told.index(one), told.index(other)) for one, other in covering]
    found = _joined(found, [*_contacts(told, names), *pairs])
    return tuple(tuple(told[member] for member in group) for group in sorted(found))


def _contacts(told: Sequence[Statement], names: Collection[str]) -> Iterator[tuple[int, int]]:
    """Each contact with every absence of one of its two bodies."""
    for one, gone in enumerate(told):
        for other, pair in enumerate(told):
            if isinstance(gone, Absent) and isinstance(pair, IntendedContact):
                bodies = [{_entry(name, names) for name in entry.bodies} for entry in (gone, pair)]
                if bodies[0] & bodies[1]:
                    yield one, other


def _joined(found: list[list[int]], pairs: Iterable[tuple[int, int]]) -> list[list[int]]:
    """Groups joined where a pair has a member in each."""
    for pair in pairs:
        near = [group for group in found if any(member in group for member in pair)]
        joined = sorted({member for group in near for member in group})
        found = [*(group for group in found if group not in near), joined]
    return found


def _subjects(entry: Statement, scene: SceneFile, names: Collection[str]) -> Iterator[str]:
    """What a statement is about, as keys that meet where two take away the same thing."""
    bodies: Iterable[str] = ()
    if isinstance(entry, Absent):
        bodies = entry.bodies
    elif isinstance(entry, NeverAt | Insulating):
        bodies = (entry.body,)
    elif isinstance(entry, HeldTail | IsolatedEnd | TakenSlowly):
        bodies = (entry.wire,)
    elif isinstance(entry, RestrainedReach):
        bodies = (entry.person,)
    elif isinstance(entry, IntendedContact):
        yield f"pair {' and '.join(sorted(entry.bodies))}"
    elif isinstance(entry, DesignedGap):
        yield f"pair {' and '.join(sorted(entry.bodies))}"
        bodies = entry.bodies
    elif isinstance(entry, AirOnly):
        yield f"air {' and '.join(sorted(entry.between))}"
        bodies = _at(scene, entry.between)
    elif isinstance(entry, EarthedCircuit):
        yield f"circuit {entry.circuit}"
        phases = [phase for circuit in scene.circuits if circuit.name == entry.circuit for phase in circuit.phases]
        bodies = _at(scene, phases)
    elif isinstance(entry, NoneThere):
        yield from (f"none {what}" for what in entry.what)
    elif isinstance(entry, Confirmed):
        for word, name in _confirmed(entry, scene):
            yield f"value {entry.field} of {word} {name}"
            yield f"circuit {name}" if word == "circuit" else f"body {name}"
    else:
        yield f"scan {entry.file}"
        bodies = [cloud.name for cloud in scene.clouds if str(cloud.file) == entry.file]
    yield from (f"body {_entry(name, names)}" for name in bodies)


def _confirmed(entry: Confirmed, scene: SceneFile) -> Iterator[tuple[str, str]]:
    """The entries whose value is confirmed, each by its word and name: one, or every entry of a word."""
    word, _, name = entry.entry.partition(" '")
    if word.startswith("every "):
        word = word.removeprefix("every ")
        yield from ((word, one) for one, of in _named(scene) if of.word == word)
    yield word, name.removesuffix("'")


def _named(scene: SceneFile) -> Iterator[tuple[str, Record]]:
    """Every entry of a scene that has a name."""
    for field in type(scene).model_fields:
        value = getattr(scene, field)
        for entry in value if isinstance(value, tuple) else (value,):
            if isinstance(entry, Record) and isinstance(name := getattr(entry, "name", None), str):
                yield name, entry
                yield from ((one.name, one) for one in getattr(entry, "fittings", ()))


def _names(scene: SceneFile) -> frozenset[str]:
    return frozenset(name for name, entry in _named(scene) if entry.word not in ("circuit", "stage", "job"))


def _entry(body: str, names: Collection[str]) -> str:
    """The entry that a body belongs to: "ladder from 0.00 to 0.46 m", "worker bonding lead" and "bus A from string
    fittings" are parts of one."""
    held = [name for name in names if body == name or body.startswith(f"{name} ")]
    return max(held, key=len, default=body)


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
