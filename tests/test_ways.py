"""Ways along what insulates, held to an independent graph: members cut into centimetres, shortest paths by SciPy."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from clearance.job.ways import LIVE, Member, Touch, ways

CELL_M = 0.01


def brute(members, touches, ends, along=None):
    """The least length between two potentials, that goes a centimetre along a member where one is named.

    Every centimetre is a node, in two storeys, before and after it. Metal and floating bodies join their nodes for
    nothing; each body is where it is.
    """
    first, count = {}, 0
    for member in members:
        first[member.name] = count
        count += round(member.to_m / CELL_M) + 1
    one, two, cost = [], [], []

    def edge(a, b, weight):
        one.extend((a, b))
        two.extend((b, a))
        cost.extend((weight, weight))

    def nodes(touch):
        low, high = round(touch.low_m / CELL_M), round(touch.high_m / CELL_M)
        return [first[touch.member] + k for k in range(low, high + 1)]

    bodies = {}
    for touch in touches:
        bodies.setdefault(touch.by, []).append(touch)
    floating = [some for some in bodies.values() if None in some[0].at]
    total = 2 * count + 2 * len(floating)
    for storey in (0, 1):
        for member in members:
            size = round(member.to_m / CELL_M)
            shorted = {k for some in floating for touch in some if touch.member == member.name for k in nodes(touch)}
            for k in range(size):
                a = first[member.name] + k
                free = {a, a + 1} <= shorted and any({a, a + 1} <= set(nodes(t)) for s in floating for t in s)
                # The least weight that SciPy does not take for no edge.
                weight = 1e-12 if free else CELL_M
                edge(storey * count + a, storey * count + a + 1, weight)
                if member.name == along and storey == 0:
                    one.extend((a, a + 1))
                    two.extend((count + a + 1, count + a))
                    cost.extend((weight, weight))
        for k, some in enumerate(floating):
            for touch in some:
                for node in nodes(touch):
                    edge(2 * count + storey * len(floating) + k, storey * count + node, 1e-12)
    graph = coo_matrix((cost, (one, two)), shape=(total, total)).tocsr()
    starts = sorted({n for some in bodies.values() if ends[0] in some[0].at for t in some for n in nodes(t)})
    stops = sorted(
        {
            storey * count + n
            for storey in ((0, 1) if along is None else (1,))
            for some in bodies.values()
            if ends[1] in some[0].at
            for t in some
            for n in nodes(t)
        }
    )
    if not starts or not stops:
        return math.inf
    return float(dijkstra(graph, indices=starts, min_only=True)[stops].min())


def random_case(rng):
    """Members that hang together like a tree, by ties or floating bodies, and what touches them here and there."""
    members = [Member(f"m{k}", "rope", 0.0, round(rng.uniform(1, 4), 2)) for k in range(rng.integers(1, 4))]
    touches = []

    def touch(member, by, at, breadth):
        size = round(rng.uniform(0, breadth), 2)
        low = round(rng.uniform(0, member.to_m - min(size, member.to_m)), 2)
        return Touch(member.name, by, low, min(member.to_m, round(low + size, 2)), frozenset(at))

    for k, member in enumerate(members[1:], 1):
        for one in (member, members[rng.integers(k)]):
            touches.append(touch(one, f"joint {k}", (None,), 0.3 * rng.integers(2)))
    for k, potential in enumerate(("earth", "A", "B", None, None)[: rng.integers(3, 6)]):
        touches.append(touch(members[rng.integers(len(members))], f"body {k}", (potential,), 0.5))
    return members, touches


def test_the_shortest_way_is_that_of_a_graph_of_centimetres():
    rng = np.random.default_rng(14)
    compared = 0
    for _ in range(150):
        members, touches = random_case(rng)
        found = {}
        for member, way in ways(members, touches):
            found[member.name, way.between] = way.left_m
        for member in members:
            for ends in (("earth", "A"), ("earth", "B"), ("A", "B")):
                expected = brute(members, touches, ends, member.name)
                left = found.get((member.name, ends), math.inf)
                if math.isfinite(left):
                    # The graph may turn round on a member after a centimetre; a way goes from touch to touch.
                    assert left >= expected - CELL_M - 1e-6
                    compared += 1
        for ends in (("earth", "A"), ("earth", "B"), ("A", "B")):
            expected = brute(members, touches, ends)
            left = min((found.get((m.name, ends), math.inf) for m in members), default=math.inf)
            assert left == pytest.approx(expected, abs=1e-6)
    assert compared > 300


def test_a_body_that_may_be_anywhere_in_its_range_never_makes_a_way_longer():
    """The bound over ranges is no more than the length at any place in them, and is reached where one is enough."""
    rng = np.random.default_rng(15)
    for _ in range(150):
        members, touches = random_case(rng)
        size = {member.name: member.to_m for member in members}
        wide = [
            replace(
                touch,
                low_m=max(0.0, touch.low_m - rng.uniform(0, 1)),
                high_m=min(size[touch.member], touch.high_m + rng.uniform(0, 1)),
                shorts_m=touch.high_m - touch.low_m if None in touch.at else math.inf,
            )
            for touch in touches
        ]
        least = {way.between: way.left_m for _, way in sorted(ways(members, wide), key=lambda pair: -pair[1].left_m)}
        for ends in (("earth", "A"), ("earth", "B"), ("A", "B")):
            there = brute(members, touches, ends)
            if math.isfinite(there):
                assert least[ends] <= there + 1e-6


def test_on_its_own_member_a_roaming_body_shorts_what_it_shorts_and_no_more():
    member = Member("rope", "rope", 0.0, 8.0)
    ends = [Touch("rope", "hand", 0.0, 0.0, frozenset(("earth",))), Touch("rope", "bus", 8.0, 8.0, frozenset(("A",)))]
    bag = Touch("rope", "bag", 0.0, 8.0, frozenset((None,)), 0.4)
    ((_, way),) = ways([member], [*ends, bag])
    assert way.left_m == pytest.approx(7.6)
    # On two members it goes over from anywhere on the one to anywhere on the other.
    other = Member("line", "rope", 0.0, 5.0)
    line = [
        Touch("line", "bag", 2.0, 5.0, frozenset((None,)), 0.4),
        Touch("line", "post", 0.0, 0.0, frozenset(("earth",))),
    ]
    found = {m.name: way.left_m for m, way in ways([member, other], [*ends, bag, *line])}
    assert found == {"rope": pytest.approx(2.0), "line": pytest.approx(2.0)}


def test_bodies_that_go_together_are_never_at_two_potentials():
    """The jaw of an open disconnector goes where its dropper goes: neither is at earth while the other is at A."""
    member = Member("rope", "rope", 0.0, 3.0)
    at, together = frozenset(("A", "earth")), ("dropper at earth",)
    both = [Touch("rope", name, s, s, at, state=together) for name, s in (("jaw", 0.5), ("dropper", 1.0))]
    assert list(ways([member], both)) == []
    apart = [replace(both[0], state=()), both[1]]
    assert next(way.left_m for _, way in ways([member], apart)) == pytest.approx(0.5)


def test_an_end_at_an_unknown_phase_is_asked_for_the_way_to_earth_alone():
    member = Member("ladder", "ladder", 0.4, 8.0)
    some = [
        Touch("ladder", name, s, s, frozenset((p,)))
        for name, s, p in (("foot", 0.0, "earth"), ("top", 8.0, LIVE), ("bus", 7.0, "A"))
    ]
    assert {way.between: way.left_m for _, way in ways([member], some)} == {
        ("earth", "A"): pytest.approx(6.6),
        ("earth", LIVE): pytest.approx(7.6),
    }


@pytest.mark.parametrize(("low", "high", "left"), [(0.0, 6.0, 4.0), (1.5, 4.0, 2.5)])
def test_what_is_touched_beyond_the_insulating_part_is_metal(low, high, left):
    """Insulating from 1 to 5 m: a touch beyond either end counts from there."""
    member = Member("rope", "rope", 1.0, 5.0)
    ends = (
        Touch("rope", "ground", low, low, frozenset(("earth",))),
        Touch("rope", "bus", high, high, frozenset(("A",))),
    )
    ((_, way),) = ways([member], ends)
    assert way.left_m == pytest.approx(left, abs=1e-12)
