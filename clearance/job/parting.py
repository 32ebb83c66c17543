"""Owns the opening and closing of a connection: which pair is exempt from the distance, and until where; what opens,
and whether anybody allows it.

Between two ends that part no distance can hold. Exempt is the free end against what it leaves, in the stage that opens
or closes, from contact until their whole limit is first reached; and, where a rule's or the employer's limit for it
covers the current and the energy, whoever holds the free end in the hand. The rest of the wire, and everybody else,
keep their distance throughout. From where the stage ends on nothing is exempt, so it ends no sooner than where the
limit holds, and no later than where it first does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body
from clearance.conductor import charge
from clearance.engine import Group, Path, coarse, compile_setting
from clearance.gaps import EARTH
from clearance.job.measuring import Bench, Piece, measure_of
from clearance.job.potentials import of_phase
from clearance.job.setting import Parting, Setting
from clearance.job.site_gaps import between
from clearance.job.tails import along_with, around_m, at_its_place
from clearance.limits import required_between
from clearance.result import Approach, Exempt, OpenPoint, Stated
from clearance.scene import statements
from clearance.scene.assemble import Site
from clearance.scene.messages import shown
from clearance.scene.naming import free_end_name, lead_name, opening_name
from clearance.scene.records import Stage
from clearance.scene.records_statements import MayOpen
from clearance.scene.voltages import highest_kV
from clearance.verdict import not_clear

LONGEST = 2.0
"""[1] The free end of a wire is no longer than this many times the limit: what hangs in a loop beside its place is not
exempt."""

JOINED_M = 0.02
"""[m] Bodies of one phase nearer to one another than this, all uncertainty taken off, are joined: a clamp's play."""

BEYOND_M = 0.3
"""[m] An opening may go so far beyond where the limit is first reached: what it is written to, and a margin."""

MARCH_M = 0.1
"""[m] Steps along the way in which the place where the limit is first reached is looked for, for a message."""


def opens(stage: Stage) -> bool:
    """Whether a stage opens or closes a connection."""
    return stage.kind in ("open", "close") and bool(stage.released)


def parted(site: Site, stage: Stage, bodies: Sequence[Body], lowered_m: float) -> tuple[list[Body], Parting | None]:
    """The bodies with a wire that opens or closes as two of them, the rest of it and its free end; and what is exempt.

    The capsules of such a wire lie in a row from its far end to the free one; lowered_m: some way it has gone for which
    its shape stands
    """
    name = stage.released[0] if opens(stage) else None
    tail = next((body for body in bodies if body.name == name), None)
    phase = site.wires[name].record.phase if name is not None else None
    if tail is None or phase is None or stage.lower_m is None:
        return list(bodies), None
    at = phase if phase in site.live else EARTH
    limit = required_between(site.scene, site.circuit_of, tail.name, at, "tool").limit_m or 0.0
    in_place = at_its_place(site, tail.name)
    tip = shapes.points(in_place.vertices[-1:, 1], float(in_place.radius.min()), float(in_place.uncertainty[-1]))
    gone = {*stage.released, *stage.off, *statements.absent(site.scene, stage)}
    there = {body.name: body for body in bodies}  # as the stage has them, moved by what is disturbed
    names = [b.name for b in site.bodies if b.conductive and len(b.shape) and of_phase(site, b, phase)]
    line = [there[name] for name in names if name not in gone and name in there]
    leaves, touched = _left(tip, line, limit)
    near = _near(in_place, _from_tip(in_place), leaves, limit)
    size = float((_from_tip(in_place) + _sizes(in_place))[near].max()) if near.any() else 0.0
    free = _from_tip(shapes.at_value(tail.shape, lowered_m)) < size
    free[0], free[-1] = False, True
    end = replace(tail, name=free_end_name(tail.name), shape=shapes.taken(tail.shape, free))
    found = [replace(tail, shape=shapes.taken(tail.shape, ~free)) if body is tail else body for body in bodies]
    hand = _hand(site, stage, tail.name)
    return [*found, end], Parting(tail.name, at, end.name, frozenset(_names(leaves)), hand, touched)


def _left(tip: shapes.Shape, line: Sequence[Body], limit_m: float) -> tuple[list[Body], frozenset[str]]:
    """What a free end leaves: the bodies that it touches, and those within the limit that are joined to them, from one
    to the next; and the names of the ones that it touches. What only stands near is nothing that it leaves."""
    near = [body for body in line if _careful(tip, body.shape) <= limit_m]
    touched = [body for body in near if _careful(tip, body.shape) <= JOINED_M]
    found, rest = list(touched), [body for body in near if body not in touched]
    while joined := [body for body in rest if any(_careful(body.shape, one.shape) <= JOINED_M for one in found)]:
        found += joined
        rest = [body for body in rest if body not in joined]
    return found, frozenset(_names(touched))


def _sizes(wire: shapes.Shape) -> NDArray[np.float64]:
    return np.asarray(np.linalg.norm(wire.vertices[:, 1] - wire.vertices[:, 0], axis=1), float)


def _from_tip(wire: shapes.Shape) -> NDArray[np.float64]:
    """How far along a wire each of its capsules begins from the free end [m]."""
    sizes = _sizes(wire)
    return np.asarray(np.cumsum(sizes[::-1])[::-1] - sizes, float)


def _near(
    wire: shapes.Shape, from_tip: NDArray[np.float64], leaves: Sequence[Body], limit_m: float
) -> NDArray[np.bool_]:
    """Which capsules of a wire at its place are nearer than the limit to what its free end leaves, and no further along
    it than a free end may be."""
    found = np.zeros(len(wire), bool)
    for number in np.flatnonzero(from_tip < LONGEST * limit_m):
        one = shapes.taken(wire, [number])
        found[number] = any(_careful(one, body.shape) < limit_m for body in leaves)
    return found


def _careful(one: shapes.Shape, other: shapes.Shape) -> float:
    """The careful gap of a few primitives to a shape that stands still [m]: no more than this, and seldom less."""
    return between(one, other)[0] - float(one.uncertainty.max()) - float(other.uncertainty.max())


def _hand(site: Site, stage: Stage, wire: str) -> frozenset[str]:
    """Whoever holds the free end, with the lead, where that is allowed for what opens."""
    if stage.by_hand is None:
        return frozenset()
    said = statements.may_open(site.scene, wire, by_hand=True)
    # Of several limits each must cover it: the lowest of them counts.
    allowed = bool(said) and all(_covers(entry, opened(site, wire)) for entry in said)
    return frozenset((stage.by_hand, lead_name(stage.by_hand))) if allowed else frozenset()


def touching(site: Site, stage: Stage, parting: Parting | None) -> Iterator[frozenset[str]]:
    """Pairs that touch while a connection opens or closes; the ropes are tied where it does."""
    if parting is not None:
        release = site.wires[parting.wire].record.release
        for rope in release.ropes if release is not None else ():
            tied_at = (parting.free, opening_name(parting.wire), *parting.touched)
            yield from (frozenset((rope.name, name)) for name in tied_at)
        held = () if stage.by_hand is None else (stage.by_hand, lead_name(stage.by_hand))
        for name in (parting.wire, opening_name(parting.wire), *parting.touched, *held):
            yield frozenset((parting.free, name))
        # The place where it opens is on what it leaves, which may move as the weight goes.
        yield from (frozenset((opening_name(parting.wire), name)) for name in parting.leaves)


@dataclass(frozen=True)
class Opened:
    """What opens at a connection: the current before [A], the energy freed at most [J], and where both are from; what
    it draws at most, and at the least [A]."""

    current_A: float
    energy_J: float
    most_A: float
    least_A: float
    basis: str


SHARE = 0.2
"""[1] Of what it would draw by itself a wire draws more than this, bent and beside conductors of its own phase (common
practice, no source)."""


@lru_cache(maxsize=64)
def opened(site: Site, wire: str) -> Opened:
    """What opens where a wire is taken off: measured, or the most that its capacitance allows."""
    hung = site.wires[wire]
    record, scene = hung.record, site.scene
    assert record.release is not None
    body = next(body for body in hung.bodies if body.name == wire)
    radius, phase = around_m(record), record.phase
    joined = [one for one in site.bodies if one.kind == "fitting" and of_phase(site, one, phase) and _joins(body, one)]
    off = {wire, *_names(joined)}
    others = [
        one
        for one in site.bodies
        if one.conductive and len(one.shape) and not of_phase(site, one, phase) and one.name not in off
    ]
    apart = min((_careful(body.shape, one.shape) for one in others), default=math.inf)
    apart -= radius - 0.5 * record.diameter_m
    apart = min(max(apart, radius), 1e3)
    goes = along_with(site, wire)
    apart = max(apart - max((one.radius_m for one in goes), default=0.0), radius)
    balls = (*(_ball(one.shape) for one in joined), *(one.radius_m for one in goes))
    capacitance = charge.capacitance_F(hung.catenary.length_m + record.release.trails_m, radius, apart, balls)
    volts = highest_kV(scene, site.circuit_of[wire]) / math.sqrt(3.0)
    drawn = charge.charging_current_A(capacitance, volts, scene.frequency_Hz)
    energy = charge.parting_energy_J(capacitance, volts, record.release.trapped_per_unit)
    before = record.release.before_opening
    measured = before.current_A if before is not None else None
    basis = f"a capacitance of at most {capacitance * 1e12:.0f} pF"
    if measured is None:
        return Opened(drawn, energy, drawn, 0.0, basis)
    # What its own phase drives through it; what another circuit induces is no part of that, and is to be found out.
    own = highest_kV(scene, site.circuit_of[wire if phase is None else phase]) / math.sqrt(3.0)
    most = charge.charging_current_A(capacitance, own, scene.frequency_Hz)
    least = charge.charging_current_A(charge.alone_F(hung.catenary.length_m, radius), own, scene.frequency_Hz)
    return Opened(measured, energy, most, 0.0 if phase is None else SHARE * least, f"measured; {basis}")


def _joins(wire: Body, fitting: Body) -> bool:
    return len(fitting.shape) > 0 and between(fitting.shape, wire.shape)[0] <= 0.01


def _names(bodies: Sequence[Body]) -> tuple[str, ...]:
    return tuple(body.name for body in bodies)


def _ball(shape: shapes.Shape) -> float:
    low, high = shape.bounds
    return 0.5 * float(np.linalg.norm(high - low))


def _covers(entry: MayOpen, found: Opened) -> bool:
    return entry.current_A >= found.current_A and entry.energy_J >= found.energy_J


def exempt(bench: Bench, stage: Stage, posture: Sequence[Piece]) -> Iterator[Exempt]:
    """What keeps no distance while a connection opens or closes, until which limit, and who allows it."""
    partings = (piece.compiled.setting.parting for piece in posture)
    for one in dict.fromkeys(one for one in partings if one is not None and one.exempt):
        said = [
            Stated(statements.takes_away(entry), entry.basis, entry.by, entry.on)
            for entry in statements.may_open(bench.site.scene, one.wire, stage.by_hand is not None)
            if _covers(entry, opened(bench.site, one.wire))
        ]
        limit = bench.limit(one.wire, one.phase, "tool").limit_m
        over = 0.0 if stage.lower_m is None else stage.lower_m.hi
        others = (*sorted(one.leaves), *sorted(one.hand))
        yield Exempt(one.free, others, stage.kind == "open", limit, over, tuple(said))


def open_points(site: Site, stage: Stage, partings: Sequence[Parting | None]) -> Iterator[OpenPoint]:
    """What opens beyond what anybody allows, or that nobody says what may be opened; and an opening from nothing.

    partings: of the stage's settings
    """
    for wire in stage.released if opens(stage) else ():
        found, head = opened(site, wire), f"wire '{wire}'"
        if not any(one is not None and one.touched for one in partings):
            what = f"nothing of its phase is where it {stage.kind}s: no distance to what it leaves is judged"
            yield OpenPoint(head, what, "add the conductor that its free end is on, or mend its place")
        words = f"{found.current_A * 1e3:.2g} mA and {found.energy_J:.2g} J ({found.basis})"
        if found.current_A > found.most_A:
            what = f"it carries more than its own charge: {found.current_A * 1e3:.2g} mA, where its capacitance draws "
            cure = "find what feeds it or loads it, and isolate it there"
            yield OpenPoint(head, f"{what}{found.most_A * 1e3:.2g} mA at most", cure, "breach")
        if found.current_A < found.least_A:
            what = (
                f"{found.current_A * 1e3:.2g} mA were measured in it, and a wire of its length alone draws more than "
            )
            cure = (
                "measure it again, at its phase's voltage, and mind the unit; or leave current_A out: it is worked out"
            )
            yield OpenPoint(head, f"{what}{found.least_A * 1e3:.2g} mA", cure)
        how = "by hand" if stage.by_hand is not None else "by stick or rope"
        said = statements.may_open(site.scene, wire, stage.by_hand is not None)
        if not said:
            cure = (
                f'say whose limit covers it: kind = "may open", wire = {shown(wire)}, how = {shown(how)}, current_A, '
            )
            yield OpenPoint(head, f"nobody says that {words} may be opened {how}", f"{cure}energy_J, basis, by, on")
        elif not all(_covers(entry, found) for entry in said):
            cure = "discharge or shorten it, open it otherwise, or find a limit that covers it"
            yield OpenPoint(head, f"opens {words}, more than may be opened {how}", cure, "breach")


def reached(bench: Bench, stage: Stage, posture: Sequence[Piece]) -> Iterator[Approach]:
    """That the whole limit holds between the free end and what it leaves, where the opening ends."""
    for end, setting, parting, path in _at_the_end(stage, posture):
        alone = _ended(bench, setting, end)
        required = bench.limit(parting.wire, parting.phase, "tool")
        measure = measure_of(bench, alone, path, required.limit_m, "as stated")
        verdict = not_clear(measure.verdict, required.silent)
        yield Approach(parting.free, parting.phase, replace(measure, verdict=verdict, why=required.why))


def too_far(bench: Bench, stage: Stage, posture: Sequence[Piece]) -> Iterator[OpenPoint]:
    """That an opening goes on where the limit holds already: what is exempt there need not be."""
    for end, _, parting, path in _at_the_end(stage, posture):
        limit = bench.limit(parting.wire, parting.phase, "tool").limit_m
        first = None if limit is None else _first(bench, posture, path, limit, end)
        if first is not None and first < end - BEYOND_M:
            verb = "lower" if stage.kind == "open" else "raise"
            what = f"the distance where {parting.wire} opens is reached at lower_m {first:.1f}, not only at {end:g} m"
            cure = f'let the stage go no further than {first:.1f} m, and a stage of kind "{verb}" do the rest'
            yield OpenPoint(f"wire '{parting.wire}'", f"{what}: so far nothing need be exempt", cure)


def ended(bench: Bench, stage: Stage, pieces: Sequence[Piece]) -> list[Piece]:
    """The pieces of an opening where it ends: from there on nothing is exempt."""
    settings = [piece.compiled.setting for piece in pieces]
    end = stage.lower_m.hi if stage.lower_m is not None else 0.0
    return [_ended(bench, setting, end) for setting in settings if _holds(setting, end)]


def _ended(bench: Bench, setting: Setting, end: float) -> Piece:
    box = {**setting.box, "lower_m": (end, end)} if "lower_m" in setting.box else setting.box
    compiled = compile_setting(bench.engine, replace(setting, box=box))
    return Piece(compiled, coarse(bench.engine, compiled))


def _at_the_end(stage: Stage, posture: Sequence[Piece]) -> Iterator[tuple[float, Setting, Parting, tuple[Path, ...]]]:
    """Where an opening ends: how far, the setting there, what is exempt, and the path between both ends."""
    if not opens(stage) or stage.lower_m is None:
        return
    end = stage.lower_m.hi
    for piece in posture:
        setting = piece.compiled.setting
        parting = setting.parting
        if parting is not None and parting.exempt and _holds(setting, end):
            yield end, setting, parting, (Path((Group((parting.free,)), Group(tuple(sorted(parting.exempt))))),)


def _holds(setting: Setting, value: float) -> bool:
    box = setting.box.get("lower_m")
    return box is None or box[0] - 1e-9 <= value <= box[1] + 1e-9


def _first(
    bench: Bench, posture: Sequence[Piece], path: tuple[Path, ...], limit_m: float, end_m: float
) -> float | None:
    """Where the limit is proved for the first time on the way, to a step; None where it never is."""
    for value in map(float, np.linspace(0.0, end_m, max(2, math.ceil(end_m / MARCH_M)))):
        piece = next((piece for piece in posture if _holds(piece.compiled.setting, value)), None)
        if piece is not None and "lower_m" in piece.compiled.setting.box:
            at = {"lower_m": (value, value)}
            found = bench.sweep(piece.compiled, path, tolerance_m=bench.tolerance_m, target_m=limit_m, within=at)
            if found.outcome == "reached":
                return value
    return None
