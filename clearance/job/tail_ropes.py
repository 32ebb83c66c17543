"""Owns the ropes of a release: bodies from the free end of a wire to the hands or the anchor, leg by leg, with their
pulleys, in every stage; and what of a tail they hold. Who has their other ends is in `clearance.job.holding`.

A rope is tied to the free end, runs over a pulley where it has one, and ends in hands or at an anchor. A scene does not
say when it is rigged: it is there from the first stage on, with the wire still in its place, and in every later one,
unless a stage brings it or takes it away. It goes with the free end: with the wire that it is on, or as the wire is
lowered. It sags and is blown no further out of line than it states. A pulley hangs from something earthed, and is at
earth. A safety rope, a guide and a lashing are ropes like the one that lowers.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body
from clearance.job.holding import HOLDS_M, ends_of, hands, holders, made_fast, ropes_of, safety_ropes
from clearance.job.tails import in_place_m, way_of
from clearance.result import OpenPoint
from clearance.scene import records, statements
from clearance.scene.assemble import EARTH, Site, place, strays_m
from clearance.scene.naming import free_end_name, lead_name, pulley_name
from clearance.scene.records import Reference, Stage
from clearance.scene.records_statements import HeldTail
from clearance.scene.records_wires import TailRope

NO_WAY_M = 1e-6
"""[m] What is no further away in plan has no direction there."""

ACROSS = 0.25
"""[1] Sine of the least angle in plan between a rope and the upright plane through its tail: one nearer to it hardly
holds the tail sideways (common practice, no source)."""


SAME_LINE_M = 0.3
"""[m] Ropes whose ends, and pulleys, are no further apart hang on one anchor and one pulley: what fails there lets go
of both (common practice, no source)."""


def is_off(stage: Stage, wire: str) -> bool:
    """Whether a wire is not in its place in a stage, or leaves it or comes to it."""
    return wire in (*stage.released, *stage.off)


def there(site: Site, stage: Stage, wire: str) -> frozenset[str]:
    """The ropes of a wire that are there in a stage, and held: one line counts once whatever it is called, and whoever
    holds a rope in the hand holds no other. One that must get longer or shorter is held only in the hand. A safety
    rope is made fast: a hand may go anywhere in its area."""
    safety, held = safety_ropes(site.scene, wire), hands(site, stage)
    ends = {end.rope: end for end in ends_of(site, stage)}
    found: list[TailRope] = []
    for record, rope in ropes_of(site, stage):
        if record.name != wire or _hangs_on_nothing(site, stage, rope):
            continue
        if any(_one_line(site, record, rope, other) for other in found):
            continue
        fast = made_fast(site, stage, ends[rope.name]) and not ends[rope.name].moves
        if fast or (rope.name in held and rope.name not in safety):
            found.append(rope)
    return frozenset(rope.name for rope in found)


def _one_line(site: Site, record: records.Wire, one: TailRope, other: TailRope) -> bool:
    """Whether two ropes share their anchor and, where they have one, their pulley."""
    if (one.over_m is None) != (other.over_m is None):
        return False
    pairs = [(one.to_m, other.to_m), *([(one.over_m, other.over_m)] if one.over_m and other.over_m else [])]
    return all(math.dist(place(site, record, a), place(site, record, b)) <= SAME_LINE_M for a, b in pairs)


def holds(site: Site, entry: HeldTail, parked: bool, ropes: Collection[str]) -> bool:
    """Whether what is stated to hold a tail does: a safety rope where it is there; guides, and ropes of which one may
    fail, only where some that are no safety rope pull to either side; lashings only where it is parked.

    ropes: those of the wire that are there, and held
    """
    if entry.parked and not parked:
        return False
    others = set(ropes) - safety_ropes(site.scene, entry.wire)
    if entry.rope is not None:
        # The rope that lowers is the one that may fail: its safety rope is another.
        return entry.rope in ropes and bool(others)
    return _either_side(site, entry.wire, others, parked)


def _held_up(site: Site, wire: str, ropes: Collection[str], parked: bool) -> bool:
    """Whether the free end is pulled up wherever it may be: by a rope that leads up from there, or by the wire itself
    where its fixed end is above. A rope only pulls, so those that lead down let it fall."""
    record, curve = site.wires[wire].record, site.wires[wire].catenary
    assert record.release is not None
    fixed = curve.end if record.release.free_end == "from" else curve.start
    led = [rope.to_m if rope.over_m is None else rope.over_m for rope in (rope_of(record, name) for name in ropes)]
    tops = [fixed[2], *(place(site, record, value)[2] for value in led)]
    return all(max(tops) >= z for _, _, z in way_of(site, wire).corners[-1 if parked else 0 :])


def _either_side(site: Site, wire: str, ropes: Collection[str], parked: bool) -> bool:
    """Whether some of the ropes pull a tail to one side, in plan, and some to the other, wherever its free end may be.

    A rope holds what goes away from where it leads to, so ropes to one side of the upright plane through both ends of
    the wire let it swing to that side however many they are. A side that holds at both ends of a straight leg holds all
    along it. With its ends one above the other a tail has no such plane: two ropes then pull against one another.
    """
    record = site.wires[wire].record
    assert record.release is not None
    corners = np.array(way_of(site, wire).corners)[:, :2]
    curve = site.wires[wire].catenary
    far = np.array(curve.end if record.release.free_end == "from" else curve.start)[:2]
    pulls = []
    for name in sorted(ropes):
        rope = rope_of(record, name)
        leads_to = place(site, record, rope.to_m if rope.over_m is None else rope.over_m)[:2]
        pulls.append(_units(np.array(leads_to) - corners[-1 if parked else 0 :]))
    (plane,) = _units(far - corners[:1])
    if not plane.any():
        return any(bool(((one * other).sum(axis=1) <= -ACROSS).all()) for one, other in combinations(pulls, 2))
    sides = [plane[0] * pull[:, 1] - plane[1] * pull[:, 0] for pull in pulls]
    return any((side >= ACROSS).all() for side in sides) and any((side <= -ACROSS).all() for side in sides)


def _units(ways: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit vectors (n, 2) of ways in plan; nothing for one that goes straight up."""
    sizes = np.linalg.norm(ways, axis=1, keepdims=True)
    return np.where(sizes > NO_WAY_M, ways / np.maximum(sizes, NO_WAY_M), 0.0)


def rope_of(record: records.Wire, name: str) -> TailRope:
    """A rope of a wire's release by its name."""
    assert record.release is not None
    return next(rope for rope in record.release.ropes if rope.name == name)


def bodies(site: Site, stage: Stage, tails: Mapping[str, shapes.Shape]) -> Iterator[tuple[Body, str | None]]:
    """The ropes and their pulleys, each with the parameter that it deforms with.

    tails: the shapes of the wires that are off, their capsules in a row from the far end to the free one
    """
    for record, rope in ropes_of(site, stage):
        tail = tails.get(record.name)
        insulates = statements.insulating(site.scene, rope.name)
        over = [np.array(place(site, record, point)) for point in ((rope.over_m,) if rope.over_m is not None else ())]
        free = np.array(way_of(site, record.name).corners[0]) if tail is None else tail.vertices[-1, 1]
        moves = in_place_m(site, record.name) if tail is None else float(tail.uncertainty[-1])
        corners = [free, *over, np.array(place(site, record, rope.to_m))]
        strays = [strays_m(site, point, place(site, record, point)) for point in (rope.over_m, rope.to_m) if point]
        uncertainty = rope.sag_m + max(moves + _disturbed_m(stage, record), *strays)
        shape = shapes.polyline(corners, rope.diameter_m / 2, uncertainty)
        rate = None if tail is None or tail.rate is None else tail.rate[-1, 1]
        if rate is not None:
            rates = np.zeros_like(shape.vertices)
            rates[0, 0] = rate
            shape = shapes.Shape(shape.vertices, shape.corners, shape.radius, shape.uncertainty, rates)
        note = "" if insulates else "not stated to insulate: taken as earth"
        link, parameter = (None, None) if rate is None else ("tail", "lower_m")
        potential = None if insulates else EARTH
        yield Body(rope.name, "rope", shape, not insulates, potential, job=True, link=link, note=note), parameter
        if over:
            ball = shapes.points(over, rope.pulley_radius_m, max(strays))
            note = "at earth by what it hangs from"
            yield (
                Body(pulley_name(rope.name), "fitting", ball, potential=EARTH, job=True, note=note),
                None,
            )


def _disturbed_m(stage: Stage, record: records.Wire) -> float:
    """How far the free end of a wire in its place may go by what the stage states of it, or of the wire it hangs on
    [m]; what is modelled is in `shifted_bodies`."""
    if is_off(stage, record.name):
        return 0.0
    free = free_place(record)
    hosts = (record.name, free.name if isinstance(free, Reference) else "")
    return max((entry.movement_m or 0.0 for entry in stage.disturbed if entry.wire in hosts), default=0.0)


def free_place(record: records.Wire) -> records.Place:
    """Where the end of a wire that is taken off is while the wire is in its place."""
    return record.from_m if record.release is not None and record.release.free_end == "from" else record.to_m


def touching(site: Site, stage: Stage) -> Iterator[frozenset[str]]:
    """What a rope touches: the wire, its pulley, the crew, the ground, other ropes, what its end is made fast to; a
    pulley what it hangs from. While the wire does not move also whoever is aloft; while it does only who holds its free
    end in the hand."""
    names = [rope.name for _, rope in ropes_of(site, stage)]
    for record, rope in ropes_of(site, stage):
        others = [record.name, free_end_name(record.name), pulley_name(rope.name), "ground"]
        others += [person.name for person in site.scene.crew]
        others += [name for name in names if name != rope.name]
        others += holders(site, place(site, record, rope.to_m))
        aloft = records.aloft(site.scene, stage) if record.name not in stage.released else (stage.by_hand or "",)
        others += [one for name in aloft for one in (name, lead_name(name))]
        yield from (frozenset((rope.name, other)) for other in others)
        for hung in (rope.name, pulley_name(rope.name)):
            if rope.hangs_from is not None:
                yield frozenset((hung, rope.hangs_from))


def open_points(site: Site, stage: Stage) -> Iterator[OpenPoint]:
    """Pulleys that hang from nothing; wires that are moved by nothing that the scene states, or said to be held by
    ropes that it does not have."""
    for _, rope in ropes_of(site, stage):
        if rope.hangs_from in statements.absent(site.scene, stage):
            what = f"its pulley hangs from {rope.hangs_from}, which is not there"
            yield OpenPoint(f"rope '{rope.name}'", what, "bring that before, or hang the pulley from what is there")
        elif _hangs_on_nothing(site, stage, rope):
            what = (
                f"its pulley is further than {HOLDS_M:g} m from {rope.hangs_from}, which it hangs from: what holds it "
            )
            cure = "hang it from what is there, or add the mast or sling that holds it, and name that in hangs_from"
            yield OpenPoint(f"rope '{rope.name}'", what + "there is in no gap", cure)
    cure = "state release.ropes: name, from the free end over_m its pulley to_m the hands, diameter_m, sag_m"
    for name in (*stage.released, *stage.off):
        ropes, head = there(site, stage, name), f"wire '{name}'"
        if name in stage.released and site.wires[name].record.release is not None and not ropes:
            yield OpenPoint(head, "no rope is there that lowers it and holds it: none is judged", cure)
        elif ropes and not _held_up(site, name, ropes - safety_ropes(site.scene, name), name in stage.off):
            what = "no rope that is there holds it up: those that lead down from its free end let it fall"
            yield OpenPoint(head, what, "add the rope over its pulley, above the free end wherever that is on its way")
        for entry in statements.held(site.scene, name):
            if (name in stage.off or not entry.parked) and not holds(site, entry, name in stage.off, ropes):
                lacks = "there are no ropes to either side"
                if entry.rope is not None:
                    lacks = f"{entry.rope} is not there beside another that lowers it"
                what = f"said to be held whichever rope fails, and {lacks} and held: that counts for nothing"
                more = (
                    "a rope or more to either side of the upright plane through its ends, as its free end sees them, "
                    "each in the hands of its own man or made fast; or a safety rope made fast"
                )
                yield OpenPoint(head, what, f"{cure}; {more}")


def _hangs_on_nothing(site: Site, stage: Stage, rope: TailRope) -> bool:
    """Whether what the pulley of a rope hangs from is not there, or elsewhere."""
    if rope.over_m is None or rope.hangs_from is None:
        return False
    if rope.hangs_from in statements.absent(site.scene, stage):
        return True
    record = next(wire for wire in site.scene.wires if wire.release is not None and rope in wire.release.ropes)
    near = holders(site, place(site, record, rope.over_m), wires=True)
    return not any(f"{name} ".startswith(f"{rope.hangs_from} ") for name in near)
