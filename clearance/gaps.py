"""Owns the one rule: which chains of bodies are judged between two potentials, for each kind of limit.

A chain begins and ends at bodies that are at a potential and passes only through floating ones; it is judged when some
body on it is a job body. What is stated as floating may be at earth, each such body by itself: it is an end of chains
to earth and is passed through on others, which holds every combination of them in one case.

Kinds: between a phase and earth a direct chain is judged at the tool limit (at the air limit where the scene declares
air only, by name and reason); between phases a direct chain is judged at the air limit, and, where it may come near a
tool's hull, at the tool limit too; every chain through a floating body at the object limit.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations, product

from clearance.bodies import Body
from clearance.engine import Group, Path
from clearance.job.setting import Parting
from clearance.kernel.room import LONGEST
from clearance.result import Kind
from clearance.scene.wiring import FLOATING_AT_EARTH
from clearance.tolerances import TOOL_NEARNESS_M

EARTH = "earth"
MOST_CASES = 64
"""Combinations of uncertain potentials judged between two potentials in one stage; more are refused: the scene must
settle some."""


@dataclass(frozen=True)
class Case:
    """One assumption about the potentials that are not certain.

    potential: body -> its potential under this case, None where it floats
    states: body -> the name of its state, for those that are not as stated
    either: bodies that float or are at earth, each by itself
    """

    potential: Mapping[str, str | None]
    states: Mapping[str, str]
    either: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Judged:
    """The chains between two potentials that are compared with one kind of limit, under one case."""

    between: tuple[str, str]
    kind: Kind
    case: Case
    paths: tuple[Path, ...]


AS_STATED = "as stated"


def case_name(case: Case, chain: Iterable[str]) -> str:
    """A case by the bodies of a chain that are in it otherwise than stated; others do not matter."""
    bodies = tuple(chain)
    names = dict.fromkeys(case.states[body] for body in bodies if body in case.states)
    if not case.either.isdisjoint((bodies[0], bodies[-1])):
        names[FLOATING_AT_EARTH] = None
    return " and ".join(names) or AS_STATED


def cases(bodies: Sequence[Body], one: str, other: str) -> tuple[Case, ...]:
    """The combinations of the states the bodies can be in that matter between two potentials; as stated comes first.

    Bodies that share their states' names change together (a circuit that is judged both as earth and as live). A state
    in which a body is neither at one of the two nor floats takes it out of every chain between them: no gap is smaller
    for that, so it is left out where another state of the same bodies has all that it has. So is one that is the same.
    What floats or is at earth doubles no case: see `Case.either`.

    Raises: ValueError, naming the bodies, when there are more than `MOST_CASES`.
    """
    stated = {body.name: body.potential for body in bodies if body.conductive}
    together: dict[tuple[str, ...], list[Body]] = {}
    either = frozenset(body.name for body in bodies if _either(body)) if EARTH in (one, other) else frozenset[str]()
    for body in bodies:
        if body.conductive and body.states and not _either(body):
            together.setdefault(tuple(state for state, _ in body.states), []).append(body)
    groups = [(names, members, _choices(members, len(names), one, other)) for names, members in together.items()]
    if math.prod(len(choices) for _, _, choices in groups) > MOST_CASES:
        raise ValueError(", ".join(sorted(body.name for _, members, _ in groups for body in members)))
    found = []
    for choice in product(*(choices for _, _, choices in groups)):
        potential, states = dict(stated), {}
        for (names, members, _), index in zip(groups, choice, strict=True):
            if index >= 0:
                potential.update({body.name: body.states[index][1] for body in members})
                states.update({body.name: names[index] for body in members})
        found.append(Case(potential, states, either))
    return tuple(found)


def _either(body: Body) -> bool:
    """Whether a body is stated as floating and may be at earth as well."""
    return body.conductive and body.potential is None and body.states == ((FLOATING_AT_EARTH, EARTH),)


def _choices(members: Sequence[Body], count: int, one: str, other: str) -> tuple[int, ...]:
    """The states of bodies that change together that matter between two potentials, -1 for as stated."""

    def roles(index: int) -> tuple[str | None, ...]:
        found = [body.potential if index < 0 else body.states[index][1] for body in members]
        return tuple(potential if potential in (one, other, None) else "" for potential in found)

    kept: dict[tuple[str | None, ...], int] = {}
    for index in range(-1, count):
        kept.setdefault(roles(index), index)

    def covered(mine: tuple[str | None, ...], others: tuple[str | None, ...]) -> bool:
        return mine != others and all(a in ("", b) for a, b in zip(mine, others, strict=True))

    return tuple(index for mine, index in kept.items() if not any(covered(mine, others) for others in kept))


@dataclass(frozen=True)
class Network:
    """Bodies of one case as groups: those at each potential, of the line and of the job, and those that float. What may
    do either is in both."""

    at: Mapping[str, tuple[tuple[Group, bool], ...]]
    floating: tuple[tuple[Group, bool], ...]


def network(bodies: Sequence[Body], case: Case) -> Network:
    """Sort the conductive bodies by potential, and by whether the job brings them."""
    sorted_bodies: dict[tuple[str, bool], list[str]] = {}
    floating = []
    for body in bodies:
        if not body.conductive or len(body.shape) == 0:
            continue
        potential = case.potential[body.name]
        if potential is None:
            floating.append((Group((body.name,), body.extent_m), body.job))
        if potential is None and body.name in case.either:
            potential = EARTH
        if potential is not None:
            sorted_bodies.setdefault((potential, body.job), []).append(body.name)
    at: dict[str, tuple[tuple[Group, bool], ...]] = {}
    for (potential, job), names in sorted_bodies.items():
        at[potential] = (*at.get(potential, ()), (Group(tuple(names)), job))
    return Network(at, tuple(floating))


def _ends(
    net: Network, one: str, other: str, parting: Parting | None = None, passed: Collection[str] = ()
) -> Iterator[tuple[Group, Group, bool]]:
    """First and last of chains that pass certain bodies, which are no ends then, and whether one is of the job; without
    the pair that parts."""
    for first, first_job in _without(net.at.get(one, ()), passed):
        for last, last_job in _without(net.at.get(other, ()), passed):
            ends = [(first, last)]
            if parting is not None and any(
                parting.free in group.bodies and parting.apart(at) for group, at in ((first, one), (last, other))
            ):
                ends = [*_apart(first, last, parting)]
            yield from ((a, b, first_job or last_job) for a, b in ends)


def _without(groups: Iterable[tuple[Group, bool]], passed: Collection[str]) -> Iterator[tuple[Group, bool]]:
    for group, job in groups:
        left = tuple(body for body in group.bodies if body not in passed)
        if left:
            yield (group if len(left) == len(group.bodies) else Group(left)), job


def _apart(first: Group, last: Group, parting: Parting) -> Iterator[tuple[Group, Group]]:
    """Two groups, without the free end against what it leaves: the rest against all, the free end against the rest."""
    swapped = parting.free in last.bodies
    mine, others = (last, first) if swapped else (first, last)
    rest = tuple(name for name in mine.bodies if name != parting.free)
    kept = tuple(name for name in others.bodies if name not in parting.exempt)
    for a, b in ((rest, others.bodies), ((parting.free,), kept)):
        if a and b:
            yield (Group(b), Group(a)) if swapped else (Group(a), Group(b))


def direct_paths(net: Network, one: str, other: str, parting: Parting | None = None) -> tuple[Path, ...]:
    """Straight through air, some end a job body."""
    return tuple(Path((first, last)) for first, last, job in _ends(net, one, other, parting) if job)


def floating_paths(net: Network, one: str, other: str, parting: Parting | None = None) -> tuple[Path, ...]:
    """Through one floating body or more, in every order, some body on the way a job body. What floats is exempt with
    the free end only where it is whoever holds it, the bond lost.

    Raises: ValueError when more bodies float than a chain can pass.
    """
    if len(net.floating) + 1 > LONGEST:
        raise ValueError(", ".join(group.bodies[0] for group, _ in net.floating))
    found = []
    for count in range(1, len(net.floating) + 1):
        for between in permutations(net.floating, count):
            brought = any(middle_job for _, middle_job in between)
            passed = [body for group, _ in between for body in group.bodies]
            held = parting if parting is not None and {*passed} <= parting.hand else None
            for first, last, job in _ends(net, one, other, held, passed):
                if job or brought:
                    found.append(Path((first, *(group for group, _ in between), last)))
    return tuple(found)


def tool_paths(
    net: Network, one: str, other: str, tools: Sequence[str], parting: Parting | None = None
) -> tuple[Path, ...]:
    """Straight lines that may come within `TOOL_NEARNESS_M` of a piece of a tool's hull, some end a job body.

    Such a line is at least as long as the way to the piece and on from it, less twice the nearness, and never shorter
    than the
    line itself: a middle group crossed for nothing over minus twice the nearness says both.
    """
    twice = 2.0 * TOOL_NEARNESS_M
    return tuple(
        Path((first, Group((tool,), -twice), last), -twice)
        for first, last, job in _ends(net, one, other, parting)
        if job
        for tool in tools
    )


def judged(
    bodies: Sequence[Body],
    live: Sequence[str],
    tools: Sequence[str],
    air_only: Sequence[tuple[str, str]],
    parting: Parting | None = None,
) -> tuple[Judged, ...]:
    """All that is judged: every two of the potentials `live` and earth, every kind of limit, every case that matters.

    tools: names of the pieces of tools' hulls, those excepted left out; air_only: pairs declared to hold air alone;
    parting: the one pair of bodies that no distance can hold between, while they part or join

    Raises: ValueError, naming the bodies, for more cases or more floating bodies than can be judged.
    """
    # Neither where a body is nor what it is like matters here, but whether it is anything at all.
    facts = tuple(
        (body.name, body.conductive, len(body.shape) > 0, body.job, body.potential, body.states, body.extent_m)
        for body in bodies
    )
    key = (facts, tuple(live), tuple(tools), tuple(air_only), parting)
    found = _JUDGED.get(key)
    if found is None:
        if len(_JUDGED) >= MOST_KEPT:
            _JUDGED.clear()
        found = _JUDGED[key] = _judged(bodies, live, tools, air_only, parting)
    return found


MOST_KEPT = 1024
"""Questions of settings that are kept: those of some hundred stages and of what they are without statements."""

_JUDGED: dict[Hashable, tuple[Judged, ...]] = {}
"""What is judged, by all that decides it: many settings differ in places alone."""


def _judged(
    bodies: Sequence[Body],
    live: Sequence[str],
    tools: Sequence[str],
    air_only: Sequence[tuple[str, str]],
    parting: Parting | None,
) -> tuple[Judged, ...]:
    potentials = [*live, EARTH]
    known: dict[Hashable, Network] = {}

    def sorted_by(case: Case) -> Network:
        # Many pairs ask for the same case.
        key = (*case.potential.values(), case.either)
        if key not in known:
            known[key] = network(bodies, case)
        return known[key]

    return tuple(
        question
        for one, other in combinations(potentials, 2)
        for case in cases(bodies, one, other)
        for question in _between(sorted_by(case), case, one, other, tools, air_only, parting)
        if question.paths
    )


def _between(
    net: Network,
    case: Case,
    one: str,
    other: str,
    tools: Sequence[str],
    air_only: Sequence[tuple[str, str]],
    parting: Parting | None,
) -> Iterator[Judged]:
    direct = direct_paths(net, one, other, parting)
    if other == EARTH:
        kind: Kind = "air" if (one, other) in air_only or (other, one) in air_only else "tool"
        yield Judged((one, other), kind, case, direct)
    else:
        yield Judged((one, other), "air", case, direct)
        yield Judged((one, other), "tool", case, tool_paths(net, one, other, tools, parting))
    yield Judged((one, other), "object", case, floating_paths(net, one, other, parting))
