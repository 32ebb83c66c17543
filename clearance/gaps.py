"""Owns the one rule: which chains of bodies are judged between two potentials, for each kind of limit.

A chain begins and ends at bodies that are at a potential and passes only through floating ones; it is judged when some
body on it is a job body. Kinds: between a phase and earth a direct chain is judged at the tool limit (at the air limit
where the scene declares air only, by name and reason); between phases a direct chain is judged at the air limit, and,
where it may come near a tool's hull, at the tool limit too; every chain through a floating body at the object limit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations, product

from clearance.bodies import Body
from clearance.engine import Group, Path
from clearance.kernel.room import LONGEST
from clearance.result import Kind
from clearance.tolerances import TOOL_NEARNESS_M

EARTH = "earth"
MOST_CASES = 32
"""Combinations of uncertain potentials judged in one stage; more are refused: the scene must settle some by proof."""


@dataclass(frozen=True)
class Case:
    """One assumption about the potentials that are not certain.

    potential: body -> its potential under this case, None where it floats
    """

    name: str
    potential: Mapping[str, str | None]


@dataclass(frozen=True)
class Judged:
    """The chains between two potentials that are compared with one kind of limit, under one case."""

    between: tuple[str, str]
    kind: Kind
    case: str
    paths: tuple[Path, ...]


def cases(bodies: Sequence[Body]) -> tuple[Case, ...]:
    """Every combination of the states the bodies can be in; the first holds the potentials as stated.

    Bodies that share their states' names change together (a circuit that is judged both as earth and as live).

    Raises: ValueError, naming the bodies, when there are more than `MOST_CASES`.
    """
    stated = {body.name: body.potential for body in bodies if body.conductive}
    together: dict[tuple[str, ...], list[Body]] = {}
    for body in bodies:
        if body.conductive and body.states:
            together.setdefault(tuple(state for state, _ in body.states), []).append(body)
    groups = list(together.items())
    count = 1
    for names, _ in groups:
        count *= len(names) + 1
    if count > MOST_CASES:
        raise ValueError(", ".join(sorted(body.name for _, members in groups for body in members)))
    found = []
    for choice in product(*([-1, *range(len(names))] for names, _ in groups)):
        potential, label = dict(stated), []
        for (names, members), index in zip(groups, choice, strict=True):
            if index >= 0:
                label.append(names[index])
                potential.update({body.name: body.states[index][1] for body in members})
        found.append(Case(" and ".join(label) or "as stated", potential))
    return tuple(found)


@dataclass(frozen=True)
class Network:
    """Bodies of one case as groups: those at each potential, of the line and of the job, and those that float."""

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
        else:
            sorted_bodies.setdefault((potential, body.job), []).append(body.name)
    at: dict[str, tuple[tuple[Group, bool], ...]] = {}
    for (potential, job), names in sorted_bodies.items():
        at[potential] = (*at.get(potential, ()), (Group(tuple(names)), job))
    return Network(at, tuple(floating))


def _ends(net: Network, one: str, other: str) -> Iterator[tuple[Group, Group, bool]]:
    for first, first_job in net.at.get(one, ()):
        for last, last_job in net.at.get(other, ()):
            yield first, last, first_job or last_job


def direct_paths(net: Network, one: str, other: str) -> tuple[Path, ...]:
    """Straight through air, some end a job body."""
    return tuple(Path((first, last)) for first, last, job in _ends(net, one, other) if job)


def floating_paths(net: Network, one: str, other: str) -> tuple[Path, ...]:
    """Through one floating body or more, in every order, some body on the way a job body.

    Raises: ValueError when more bodies float than a chain can pass.
    """
    if len(net.floating) + 1 > LONGEST:
        raise ValueError(", ".join(group.bodies[0] for group, _ in net.floating))
    found = []
    for first, last, job in _ends(net, one, other):
        for count in range(1, len(net.floating) + 1):
            for between in permutations(net.floating, count):
                if job or any(middle_job for _, middle_job in between):
                    found.append(Path((first, *(group for group, _ in between), last)))
    return tuple(found)


def tool_paths(net: Network, one: str, other: str, tools: Sequence[str]) -> tuple[Path, ...]:
    """Straight lines that may come within `TOOL_NEARNESS_M` of a piece of a tool's hull, some end a job body.

    Such a line is at least as long as the way to the piece and on from it, less twice the nearness, and never shorter
    than the
    line itself: a middle group crossed for nothing over minus twice the nearness says both.
    """
    twice = 2.0 * TOOL_NEARNESS_M
    return tuple(
        Path((first, Group((tool,), -twice), last), -twice)
        for first, last, job in _ends(net, one, other)
        if job
        for tool in tools
    )


def judged(
    bodies: Sequence[Body], case: Case, live: Sequence[str], tools: Sequence[str], air_only: Sequence[tuple[str, str]]
) -> tuple[Judged, ...]:
    """All that is judged under one case: every two of the potentials `live` and earth, every kind of limit.

    tools: names of the pieces of tools' hulls, those excepted left out; air_only: pairs declared to hold air alone
    """
    net = network(bodies, case)
    found = []
    potentials = [*live, EARTH]
    for i, one in enumerate(potentials):
        for other in potentials[i + 1 :]:
            direct = direct_paths(net, one, other)
            if other == EARTH:
                kind: Kind = "air" if (one, other) in air_only or (other, one) in air_only else "tool"
                found.append(Judged((one, other), kind, case.name, direct))
            else:
                found.append(Judged((one, other), "air", case.name, direct))
                found.append(Judged((one, other), "tool", case.name, tool_paths(net, one, other, tools)))
            found.append(Judged((one, other), "object", case.name, floating_paths(net, one, other)))
    return tuple(question for question in found if question.paths)
