"""Owns the look at the site before the job: gaps of the line itself that cannot be, or that must be known first.

A line in service holds at every moment what its highest operating voltage needs: a careful gap below that (T = 1, by an
equation) says that the scene is wrong. Between that and the electrical part at the stated overvoltage a gap is named
first, and is undecided unless a statement of a designed gap names its two bodies. What lies between is crossed as
everywhere: floating bodies cost nothing. Every body of the site is looked at, near the job or not; trees of boxes leave
out the pairs that are far apart.

Where a scan holds a structure, it holds the insulators at the wire's ends too, and all of it counts as earth: there the
wire without its ends is judged, and the ends are told.

The two ends of one insulator are near each other by design: they are judged by its insulating length.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import STRtree, box

from clearance import shapes
from clearance.bodies import Body
from clearance.engine import still_gap
from clearance.gaps import EARTH
from clearance.job.measuring import Bench
from clearance.job.site_gaps import between, within
from clearance.job.site_insulators import (
    TOUCHING_M,
    accepted,
    designed,
    down,
    electrical_m,
    of_insulators,
    owner,
    owners,
    up,
)
from clearance.job.site_supports import NEAR_JOB_M, absent_throughout, off, where_the_job_is
from clearance.kernel import pairs
from clearance.limits import by_equation
from clearance.result import OpenPoint, Verdict
from clearance.scene.assemble import HungWire, Site
from clearance.scene.records import Point, SpanWire
from clearance.shapes import Shape
from clearance.verdict import judge_length

AT_INSULATOR_M = 1.0
"""[m] A gap's end so near to an end of an insulator belongs to it: its hardware, and what it is fixed to."""

INSULATOR_SHARE = 0.9
"""[1] A gap beside an insulator may be so much of its insulating length: rings and fittings reach past its ends."""

SHOWN = 12
"""Pairs named one by one; further ones are counted."""

END_IN_SCAN_M = 6.0
"""[m] So near to its end a wire without a string may lie in a scan: the longest insulators with their hardware."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Near:
    """Two bodies of the line at different potentials: the careful gap [m], what floats on the way, and where it is."""

    one: Body
    other: Body
    gap_m: float
    over: tuple[Body, ...]
    ends: tuple[Floats, Floats]


@dataclass(frozen=True)
class Needed:
    """What two potentials need: at the highest operating voltage alone, and at the overvoltage taken [m]; None where
    no rule knows. said: by what rule the first is."""

    operating_m: float | None
    electrical_m: float | None
    said: str


def middles(site: Site) -> dict[str, Body]:
    """Wires without their ends, where no string is modelled and there are scans: to be measured besides."""
    found: dict[str, Body] = {}
    if not site.scene.clouds:
        return found
    for name, hung in site.wires.items():
        body = next(body for body in hung.bodies if body.name == name)
        ends = np.array(_bare_ends(hung)).reshape(-1, 3)
        if len(ends) and body.potential not in (EARTH, None):
            corners = body.shape.vertices[:, :, None, :] - ends
            off = np.linalg.norm(corners, axis=3).min(axis=(1, 2)) > END_IN_SCAN_M
            found[name] = replace(body, shape=shapes.taken(body.shape, np.flatnonzero(off)))
    return found


def _bare_ends(hung: HungWire) -> list[Point]:
    """Ends of a tensioned wire without a string."""
    record = hung.record
    if not isinstance(record, SpanWire):
        return []
    ends = ((record.from_string, hung.catenary.start), (record.to_string, hung.catenary.end))
    return [point for string, point in ends if string is None]


def of_gaps(bench: Bench, without_ends: Mapping[str, Body]) -> tuple[OpenPoint, ...]:
    """What is wrong, or must be known, of the gaps and the insulators of the line; the smallest gap first.

    without_ends: the bodies that `middles` gave, in the bench's engine
    """
    needed = _needed(bench)
    wrong: list[OpenPoint] = []
    short: list[OpenPoint] = []
    scanned: list[Near] = []
    for near in sorted(_near(bench, needed), key=lambda near: near.gap_m):
        if _end_in_scan(bench.site, near):
            scanned.append(near)
            rest = _without_end(bench, near, without_ends)
            if rest is None:
                continue
            near = rest
        need = needed[_key(near.one, near.other)]
        if not _of_insulator(bench.site, near):
            if near.gap_m <= TOUCHING_M or (need.operating_m is not None and near.gap_m < need.operating_m):
                wrong.append(_wrong(bench.site, near, need))
            elif need.electrical_m is None or near.gap_m < need.electrical_m:
                short.append(_short(bench.site, near, need))
    return (*_shown(wrong), *of_insulators(bench), *_shown(short), *_scanned(bench.site, scanned))


def _end_in_scan(site: Site, near: Near) -> bool:
    """Whether a gap is that between the bare end of a wire and a scan of what holds it."""
    for wire, other, at in ((near.one, near.other, near.ends[0]), (near.other, near.one, near.ends[1])):
        if wire.kind == "wire" and other.kind == "cloud" and not near.over:
            return any(math.dist(at, end) <= END_IN_SCAN_M for end in _bare_ends(site.wires[wire.name]))
    return False


def _without_end(bench: Bench, near: Near, without_ends: Mapping[str, Body]) -> Near | None:
    """The gap of the same two without the wire's ends; None where nothing of the wire is left."""
    one, other = (without_ends.get(body.name, body) for body in (near.one, near.other))
    if not len(one.shape) or not len(other.shape):
        return None
    a, b = (bench.engine.index[body.shape] for body in (one, other))
    return Near(one, other, max(0.0, still_gap(bench.engine, a, b)[0]), (), _witness(bench, a, b))


def _scanned(site: Site, scanned: Sequence[Near]) -> Iterator[OpenPoint]:
    """Ends of wires that lie in a scan of earthed things: undecided near the job."""
    job = where_the_job_is(site)
    by_side = {True: list[str](), False: list[str]()}
    for near in scanned:
        by_side[off(job, _point(near.ends[0])) <= NEAR_JOB_M].append(f"{_called(near.one)} in {_called(near.other)}")
    for close, names in by_side.items():
        if names:
            what = (
                f"ends of wires without an insulator reach into a scan that counts as earth: {'; '.join(names)}. The "
                f"scan holds their insulators, {'near the job' if close else f'over {NEAR_JOB_M:g} m from the job'}"
            )
            cure = "state the strings of these wires, and leave their points out of the cloud by class or outline"
            yield OpenPoint("the site", what, cure, "undecided" if close else "clear")


def _key(one: Body, other: Body) -> tuple[str, str]:
    """Two potentials, earth last: as limits are asked for."""
    assert one.potential is not None
    assert other.potential is not None
    first, second = sorted((one.potential, other.potential), key=lambda name: (name == EARTH, name))
    return first, second


def _needed(bench: Bench) -> dict[tuple[str, str], Needed]:
    site = bench.site
    there = dict.fromkeys(body.potential for body in _in_states(bench) if body.potential is not None)
    names = sorted(there, key=lambda name: (name == EARTH, name))
    found: dict[tuple[str, str], Needed] = {}
    for k, one in enumerate(names):
        for other in names[k + 1 :]:
            operating = by_equation(site.scene, site.circuit_of, one, other, operating=True)
            electrical = electrical_m(bench, one, other)
            if operating is None or not operating.takes_overvoltage:
                found[one, other] = Needed(None, electrical, "")
            else:
                found[one, other] = Needed(operating.electrical_m, electrical, operating.said)
    return found


def _in_states(bench: Bench) -> Iterator[Body]:
    """Every conductive body of the line, at each potential that it may have and that is not earth.

    An insulated shield wire hangs at its tower by an insulator that is no longer than a hand, and is bridged by a gap:
    live, it is held against the phases alone, and nothing that is earthed is near it by mistake.
    """
    gone = absent_throughout(bench.site)
    for body in bench.site.bodies:
        if body.conductive and len(body.shape) and body.name not in gone:
            yield body
            for _, potential in body.states:
                if potential in bench.site.live and potential != body.potential:
                    yield replace(body, potential=potential, states=())


def _near(bench: Bench, needed: dict[tuple[str, str], Needed]) -> Iterator[Near]:
    """Every two bodies at different potentials that are nearer, over what floats between them, than either needs."""
    engine = bench.engine
    bodies = list(_in_states(bench))
    index = [engine.index[body.shape] for body in bodies]
    roots = engine.store.root[index]
    low, high = engine.store.low[roots].astype(float), engine.store.high[roots].astype(float)
    limit = max((max(need.operating_m or 0.0, need.electrical_m or 0.0) for need in needed.values()), default=0.0)
    plan = box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    edges: dict[int, list[tuple[int, float]]] = {}
    for a, b in STRtree(plan).query(plan, predicate="dwithin", distance=limit + TOUCHING_M).T.tolist():
        one, other = bodies[a], bodies[b]
        apart = max(low[a, 2] - high[b, 2], low[b, 2] - high[a, 2])
        if a < b and apart <= limit and _meet(one, other):
            gap = max(0.0, still_gap(engine, index[a], index[b])[0])
            if gap <= max(limit, TOUCHING_M):
                edges.setdefault(a, []).append((b, gap))
                edges.setdefault(b, []).append((a, gap))
    for a in edges:
        if bodies[a].potential is None:
            continue
        for b, (gap, way) in _reached(a, edges, bodies, limit).items():
            other = bodies[b].potential
            if a < b and other is not None and other != bodies[a].potential and _meet(bodies[a], bodies[b]):
                need = needed[_key(bodies[a], bodies[b])]
                most = max(need.operating_m or 0.0, need.electrical_m or 0.0, TOUCHING_M)
                if gap <= most or (need.electrical_m is None and gap <= limit):
                    steps = [(index[x], index[y]) for x, y in itertools.pairwise(way)]
                    first, last = _witness(bench, *steps[0])[0], _witness(bench, *steps[-1])[1]
                    yield Near(bodies[a], bodies[b], gap, tuple(bodies[k] for k in way[1:-1]), (first, last))


def _meet(one: Body, other: Body) -> bool:
    """Whether two bodies may be at different potentials, or both float; an insulated shield wire that is live is not
    held against earth."""
    if one.shape is other.shape or (one.potential == other.potential and one.potential is not None):
        return False
    return not any(
        live.potential == live.name and earth.potential == EARTH for live, earth in ((one, other), (other, one))
    )


def _reached(
    start: int, edges: dict[int, list[tuple[int, float]]], bodies: Sequence[Body], limit: float
) -> dict[int, tuple[float, tuple[int, ...]]]:
    """The shortest way from a body to every other within the limit, over floating bodies alone."""
    found: dict[int, tuple[float, tuple[int, ...]]] = {}
    heap: list[tuple[float, tuple[int, ...]]] = [(0.0, (start,))]
    while heap:
        gap, way = heapq.heappop(heap)
        if way[-1] in found:
            continue
        found[way[-1]] = gap, way
        if way[-1] == start or bodies[way[-1]].potential is None:
            for other, step in edges.get(way[-1], ()):
                if other not in found and gap + step <= max(limit, TOUCHING_M):
                    heapq.heappush(heap, (gap + step, (*way, other)))
    return found


def _witness(bench: Bench, a: int, b: int) -> tuple[Floats, Floats]:
    """Where two bodies of the store are nearest: a point on the core of each [m]."""
    store = bench.engine.store
    _, i, j = still_gap(bench.engine, a, b)
    one, other = (store.vertex[store.start[k] : store.start[k + 1]] for k in (i, j))
    witness = np.empty((2, 3))
    pairs.closest(one, len(one), other, len(other), witness, np.empty((3, 3)))
    return witness[0], witness[1]


def _of_insulator(site: Site, near: Near) -> bool:
    """Whether a gap is that between the two ends of an insulator, and about its insulating length.

    Where weather moves them the ends are drawn as everywhere they may be, and their gap says nothing of the insulator.
    """
    live, earthed = (near.one, near.other) if near.other.potential == EARTH else (near.other, near.one)
    if earthed.potential != EARTH:
        return False
    at_live, at_earthed = near.ends if live is near.one else near.ends[::-1]
    for string in site.strings:
        if string.phase != live.potential:
            continue
        if string.strays_m > 0.0 and earthed.name in (f"{string.name} fittings", f"{string.name} foot"):
            return True
        at_it = (
            math.dist(at_live, string.live_m) <= AT_INSULATOR_M
            and math.dist(at_earthed, string.earthed_m) <= AT_INSULATOR_M
        )
        loose = float(live.shape.uncertainty.max() + earthed.shape.uncertainty.max())
        least = INSULATOR_SHARE * string.insulating_m - min(loose, string.insulating_m / 4.0)
        if at_it and near.gap_m >= least:
            return True
    return False


def _point(at: Floats) -> Point:
    return (float(at[0]), float(at[1]), float(at[2]))


def _called(body: Body) -> str:
    if body.kind == "ground":
        return "the ground"
    at = {EARTH: "earth", None: "floating"}.get(body.potential, f"phase {body.potential}")
    return f"{body.kind} '{body.name}' ({at})"


def _apart(site: Site, near: Near) -> str:
    """Two bodies and the gap between them in words; the gap is rounded down."""
    names = f"{_called(near.one)} and {_called(near.other)}"
    x, y, z = (near.ends[0] + near.ends[1]) / 2.0
    over = f", over {' and '.join(_called(body) for body in near.over)}," if near.over else ""
    weather = " over the weather" if site.placed and "wire" in (near.one.kind, near.other.kind) else ""
    place = f"at x {x:.2f}, y {y:.2f}, z {z:.2f} m"
    if near.gap_m <= TOUCHING_M:
        return f"{names} touch{over}{weather} {place}"
    return f"{names} are {down(near.gap_m)} m apart{over}{weather} {place}, uncertainty taken off"


def _wrong(site: Site, near: Near, need: Needed) -> OpenPoint:
    if need.operating_m is None:
        needs = "at different potentials they cannot"
    else:
        needs = f"the highest operating voltage alone needs {up(need.operating_m)} m ({need.said})"
    cure = "mend the place, the size or the potential of one of them, or the voltage of the circuit"
    return OpenPoint("the site", f"the scene is wrong: {_apart(site, near)}; {needs}", cure)


def _short(site: Site, near: Near, need: Needed) -> OpenPoint:
    """A gap that holds the operating voltage, and not the overvoltage, or not for certain."""
    said = _apart(site, near)
    if need.electrical_m is None:
        what = f"{said}; no rule knows what that must be"
        return OpenPoint("the site", what, "add a rule that has this distance, or a company table")
    what = f"{said}, less than the electrical part of the limit, {up(need.electrical_m)} m: it may flash over"
    if near.over:
        # What is set between two bodies says nothing of a third that floats between them.
        cure = "measure that gap and mend the scene, or state what the floating body is connected to: its potential"
        return OpenPoint("the site", what, cure)
    found = _as_modelled(near)
    ends = {owner(site, body.name) for body in (near.one, near.other)}
    for statement in designed(site):
        if owners(site, statement) == ends:
            if not accepted(statement, need.operating_m):
                assert need.operating_m is not None
                what += (
                    f"; a designed gap of {statement.gap_m:g} m cannot be: the highest operating voltage alone needs "
                    f"{up(need.operating_m)} m"
                )
            elif judge_length(found + TOUCHING_M, statement.gap_m) == "clear":
                said_so = f"; a designed gap of {statement.gap_m:g} m, by {statement.by}"
                return OpenPoint("the site", what + said_so, "", "clear")
            else:
                what += f"; as modelled {down(found)} m, smaller than the designed gap of {statement.gap_m:g} m"
    cure = (
        'measure that gap and mend the scene, or state what it is set to by a statement of kind "designed gap" with '
        f'bodies "{owner(site, near.one.name)}" and "{owner(site, near.other.name)}"'
    )
    return OpenPoint("the site", what, cure)


def _as_modelled(near: Near) -> float:
    """The gap between surfaces as modelled, no uncertainty taken off, about the place where it is least [m]."""
    parts = [_about(body.shape, end) for body, end in zip((near.one, near.other), near.ends, strict=True)]
    return between(parts[0], parts[1])[0]


def _about(shape: Shape, end: Floats) -> Shape:
    return within(shape, end, 2.0 * float(shape.uncertainty.max()) + AT_INSULATOR_M)


def _shown(points: Sequence[OpenPoint]) -> Iterator[OpenPoint]:
    """The first points, and a count of the others, no better than the worst of them."""
    yield from points[:SHOWN]
    rest = points[SHOWN:]
    if rest:
        verdict: Verdict = "undecided" if any(point.verdict != "clear" for point in rest) else "clear"
        what = f"{len(rest)} more gaps of the line like these, none of them smaller"
        yield OpenPoint("the site", what, "mend these first", verdict)
