"""Owns the way a current could take along what insulates: members, what touches them, and the least insulating length
between two potentials.

A member is a length: a ladder, a boom, a rope. What touches it is at a place along it, or anywhere in a range of
places. A way starts where something at the one potential touches a member, goes along it, over whatever floats on to
another member, and ends where something at the other potential touches. Between two touches of one member counts what
insulates there: less metal, less what floating bodies short at any one position, less what is wet or dirty.

Every length is a lower bound: a body that may be anywhere in its range is left where that suits the way best. On its
own member a floating body is no stop on the way, since it would be entered at one end of its range and left at the
other: it shorts what it shorts.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache

LIVE = "live"
"""The potential of an end of which nothing says what it touches: taken to be live, at an unknown phase."""


@dataclass(frozen=True)
class Member:
    """What insulates, as a length.

    what: "ladder", "rope" or "string", as the rules name it
    from_m, to_m: its insulating part along it [m]; beyond, it counts as metal
    shrinks: the least share of its length that is there, wherever its ends stray
    lost: lengths that every way along it loses [m], each with its words
    """

    name: str
    what: str
    from_m: float
    to_m: float
    shrinks: float = 1.0
    lost: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True)
class Touch:
    """A body that touches a member.

    low_m, high_m: somewhere between these along the member, or all over them [m]
    at: potentials it may be at; None where it may float
    shorts_m: the most of the member that it shorts at any one position; infinite where it is all over its range
    state: names of its further states: bodies that share them go together
    said: what it is, in words; live, crossed: words where it is the live end of a way, or shorts a part of it
    """

    member: str
    by: str
    low_m: float
    high_m: float
    at: frozenset[str | None]
    shorts_m: float = math.inf
    state: tuple[str, ...] = ()
    said: str = ""
    live: str = ""
    crossed: str = ""


@dataclass(frozen=True)
class Leg:
    """A part of a way, along one member: between two touches, what is left of it [m], and what went off it, in
    words."""

    member: Member
    start: Touch
    end: Touch
    left_m: float
    less: tuple[str, ...]


@dataclass(frozen=True)
class Way:
    """From the one potential to the other: its legs, and what is left along all of them [m]."""

    between: tuple[str, str]
    left_m: float
    legs: tuple[Leg, ...] = field(compare=False)


def ways(
    members: Sequence[Member],
    touches: Sequence[Touch],
    parts: Callable[[str, str, tuple[str, str]], bool] = lambda one, other, between: False,
) -> Iterator[tuple[Member, Way]]:
    """For every member and every two potentials the shortest way that goes along the member, where there is one.

    parts: whether two bodies at two potentials open or close, between which no distance can hold
    """
    of = {member.name: member for member in members}
    on = {name: [touch for touch in touches if touch.member == name] for name in of}
    floating = {
        name: [touch for touch in some if None in touch.at and touch.shorts_m > 0.0] for name, some in on.items()
    }
    there = list(dict.fromkeys(touch for some in on.values() for touch in some))

    @cache
    def legs(touch: Touch) -> list[Leg]:
        name = touch.member
        return [_leg(of[name], touch, other, floating[name]) for other in on[name] if other.by != touch.by]

    over = {
        touch: [o for o in there if None in touch.at and o.by == touch.by and o.member != touch.member]
        for touch in there
    }
    potentials = sorted({potential for touch in there for potential in touch.at if potential is not None})
    for one, other in itertools.combinations(potentials, 2):
        # Of an end at an unknown phase only the way to earth is known to be asked for.
        if LIVE in (one, other) and "earth" not in (one, other):
            continue
        ends = ("earth", one if other == "earth" else other) if "earth" in (one, other) else (one, other)
        found = _shortest(there, legs, over, ends, parts)
        yield from ((member, found[member.name]) for member in members if member.name in found)


def _shortest(
    touches: Sequence[Touch],
    legs: Callable[[Touch], list[Leg]],
    over: dict[Touch, list[Touch]],
    ends: tuple[str, str],
    parts: Callable[[str, str, tuple[str, str]], bool],
) -> dict[str, Way]:
    """Of each member the shortest way along it, and along others once each (Dijkstra, for every set of members gone
    along): over insulation alone no way that leaves a straight member and comes back to it is shorter than along it."""
    order = itertools.count()
    best: dict[str, Way] = {}
    for first in touches:
        if ends[0] not in first.at:
            continue
        queue: list[tuple[float, int, Touch, frozenset[str], tuple[Leg, ...]]] = [
            (0.0, next(order), first, frozenset((first.member,)), ())
        ]
        done: set[tuple[Touch, frozenset[str]]] = set()
        while queue:
            length, _, touch, been, way = heapq.heappop(queue)
            if (touch, been) in done:
                continue
            done.add((touch, been))
            for leg in legs(touch):
                total, further = length + leg.left_m, (*way, leg)
                if ends[1] in leg.end.at and _apart(first, leg.end) and not parts(first.by, leg.end.by, ends):
                    for member in been:
                        if member not in best or total < best[member].left_m:
                            best[member] = Way(ends, total, further)
                for beyond in over[leg.end]:
                    if beyond.member not in been:
                        now = been | {beyond.member}
                        heapq.heappush(queue, (total, next(order), beyond, now, further))
    return best


def _apart(one: Touch, other: Touch) -> bool:
    """Whether two bodies can be at different potentials: not one body, nor two that go together."""
    return one.by != other.by and not (one.state and one.state == other.state)


def _leg(member: Member, start: Touch, end: Touch, floating: Sequence[Touch]) -> Leg:
    """What is left of a member between two touches, at any place that either may have."""
    first, last = sorted((start, end), key=lambda touch: (touch.low_m + touch.high_m, touch.by))
    low, high = max(first.high_m, member.from_m), min(last.low_m, member.to_m)
    left, less = high - low, []
    for touch, length in _shorted(floating, low, high):
        if touch.by not in (start.by, end.by) and length > 0.0:
            left -= length
            less.append(f"less {length:.2f} m {touch.crossed or f'that {touch.by} shorts'}")
    for length, words in ((max(0.0, high - low) * (1.0 - member.shrinks), "that its ends may stray"), *member.lost):
        if length > 0.0:
            left -= length
            less.append(f"less {length:.2f} m {words}")
    return Leg(member, start, end, max(0.0, left), tuple(less))


def _shorted(floating: Sequence[Touch], low: float, high: float) -> Iterator[tuple[Touch, float]]:
    """What bodies that may float short between two places: of those that are all over their range, each part once."""
    reached = low
    for touch in sorted(floating, key=lambda touch: (touch.low_m, touch.high_m, touch.by)):
        start, stop = max(low, touch.low_m), min(high, touch.high_m)
        if math.isfinite(touch.shorts_m):
            yield touch, min(touch.shorts_m, stop - start)
        else:
            yield touch, stop - max(start, reached)
            reached = max(reached, stop)
