"""Owns what a stage does to the wires that stay: their shapes move as a load on them goes or comes, or a neighbour.

A dropper that the scene lists among a wire's loads leaves the wire when a stage releases it, and is gone while it is
off; `disturbed` says what else is put on, taken off or carried. Where the wire's conductor is known its section is
solved before and after (`clearance.conductor.released`), and each of its wires becomes a job body that deforms from the
one to the other with one parameter of the section, in metres of the point that moves most. Whatever hangs on it goes
with it: strings, droppers, posts, a bonding lead, ropes. Where the conductor is not known the stated movement stands,
and the result says so.

`shifts_of` gives all of a stage, `rigged` adds their parameters to the links, `strays_m` says how far a place may go
with the wire it is on; `clearance.job.shifted_bodies` makes the bodies.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.carrying import sections
from clearance.conductor.elastic import Hung, at_shares
from clearance.conductor.lines import Line, PointLoad, level_m
from clearance.conductor.loads import Carried, carried, settled
from clearance.conductor.ranges import strain_strings
from clearance.conductor.released import OVERSHOOT, Change, Move, eased, parted
from clearance.errors import InputError, Mistake
from clearance.job.remembered import once_a_site
from clearance.job.rig import Rig
from clearance.job.setting import Setting
from clearance.job.swayed import MORE, worst_move
from clearance.motion import Link, Motion
from clearance.scene import hanging, statements
from clearance.scene.assemble import Site
from clearance.scene.records import Disturbed, LoadOfStage, Place, Reference, Scene, SpanWire, Stage, where
from clearance.shapes import nearest_on

Floats = NDArray[np.float64]

PARAMETER: Final = re.compile(r"shift(_\d+)?_m")
"""Name of the parameter of a section that moves."""

LINK: Final = "shift"
"""Link of the wires that deform; it does not move."""

FOLD_M: Final = 0.05
"""[m] A wire that moves no further, overshoot included, is no parameter: its uncertainty holds the move. Smaller: more
parameters to sweep; larger: more uncertainty."""


@dataclass(frozen=True, eq=False)
class WireShift:
    """How one wire moves.

    base: (n, 3) its polyline with the loads of the scene on, from its drawn start: where the site has it
    points, rate: (n, 3) the same points where the stage finds it, and their move per metre of the parameter
    room_m: (n,) how far each vertex may be from there, at some parameter of the range [m]
    cuts: vertices where its conductor begins and ends; range_m: of the parameter
    note: what a reader must know
    """

    base: Floats
    points: Floats
    rate: Floats
    room_m: Floats
    cuts: tuple[int, int]
    range_m: tuple[float, float]
    note: str

    @property
    def reach_m(self) -> Floats:
        """How far (n,) each vertex may be from where the stage finds it [m]."""
        far = max(abs(self.range_m[0]), abs(self.range_m[1]))
        return np.asarray(np.linalg.norm(self.rate, axis=1) * far + self.room_m, float)

    @property
    def strays_m(self) -> Floats:
        """How far (n,) each vertex may be from where the site has it [m]."""
        return np.asarray(np.linalg.norm(self.points - self.base, axis=1) + self.reach_m, float)


@dataclass(frozen=True, eq=False)
class Shift:
    """What a stage does to the wires of one section: `parameter` is swept over `range_m`, or "" where nothing is."""

    parameter: str
    range_m: tuple[float, float]
    wires: Mapping[str, WireShift]


@dataclass(frozen=True)
class _Asked:
    """What a stage asks of one wire.

    extra: loads the stage hangs on it; gone: loads of it that went in a stage before
    before, after: names of all loads that are on; slowly: nothing is let go at once
    """

    wire: str
    extra: tuple[LoadOfStage, ...]
    gone: tuple[str, ...]
    before: tuple[str, ...]
    after: tuple[str, ...]
    slowly: bool


def shifts_of(site: Site, stage: Stage) -> tuple[Shift, ...]:
    """The shifts of a stage, one for each section that it changes.

    Raises: InputError for a section that is changed twice at once, a load that has no place on its wire, and a wire
        that moves without a stated uncertainty where its conductor is not known.
    """
    asked = {one.wire: one for one in _asked(site, stage)}
    gone = [name for name in (*stage.released, *stage.off) if isinstance(site.wires[name].record, SpanWire)]
    if not asked and not gone:
        return ()
    found, wrong = list[Shift](), list[Mistake]()
    for group in _sections(site):
        names = tuple(line.name for line in group)
        wanted = tuple(asked[name] for name in names if name in asked)
        lost = tuple(name for name in names if name in gone)
        if not wanted and (not lost or len(names) == 1):
            continue
        # Sections that are not swept take no number.
        number = 1 + sum(bool(shift.parameter) for shift in found)
        try:
            shift = _shift(site, names, wanted, lost, all(name in stage.off for name in lost), number)
        except InputError as error:
            head = where(site.scene, stage, "disturbed")
            wrong += [replace(m, where=(*head, *(p for p in m.where if p and p not in head))) for m in error.mistakes]
            continue
        if shift is not None:
            found.append(shift)
            wrong += _hung_on(site, stage, shift)
        else:
            wrong += _unstated(site, stage, [name for name in names if name not in lost], bool(lost))
    if wrong:
        raise InputError(wrong)
    return tuple(found)


def _unstated(site: Site, stage: Stage, names: Sequence[str], lost: bool) -> Iterator[Mistake]:
    """Wires of a section that cannot be solved and have no stated uncertainty."""
    stated = {entry.wire for entry in stage.disturbed if entry.movement_m is not None}
    missing = [name for name in names if name not in stated]
    if missing:
        why = "a span of its section is off" if lost else "what hangs on its section changes"
        remedy = "name its conductor, or state movement_m with its basis"
        expected = f"how far {' and '.join(repr(name) for name in missing)} may move, as {why}"
        yield Mistake(where(site.scene, stage, "disturbed"), expected, "nothing", remedy)


def _hung_on(site: Site, stage: Stage, shift: Shift) -> Iterator[Mistake]:
    """A ladder that hangs on a wire goes with it by the uncertainty stated for the wire."""
    ladder = site.scene.ladder
    wire = shift.wires.get(ladder.hangs_on or "") if ladder is not None else None
    if ladder is None or wire is None or stage.travel_m is None:
        return
    entry, furthest = entry_for(stage, ladder.hangs_on or ""), float(wire.strays_m.max())
    stated = entry.movement_m if entry is not None else None
    if stated is None or stated < furthest:
        expected = f"at least {np.ceil(furthest * 1000) / 1000:g} m, as far as the model moves what the ladder hangs on"
        found = "nothing" if stated is None else f"{stated:g} m"
        yield Mistake((*where(site.scene, stage, "disturbed"), "movement_m"), expected, found, "state it")


def entry_for(stage: Stage, wire: str) -> Disturbed | None:
    """What a stage states of a wire's move, or None."""
    return next((entry for entry in stage.disturbed if entry.wire == wire), None)


def _asked(site: Site, stage: Stage) -> Iterator[_Asked]:
    for record in site.scene.wires:
        if not isinstance(record, SpanWire) or record.name in (*stage.released, *stage.off):
            continue
        entry = entry_for(stage, record.name)
        hung = tuple(load.wire or load.what or "" for load in record.loads)
        before, after = loads_on(site.scene, record, stage)
        if before == hung == after:
            continue
        extra = (*entry.carries, *entry.puts_on) if entry is not None else ()
        slowly = statements.slowly(site.scene, stage, record.name)
        gone = tuple(name for name in hung if name in (*stage.off, *statements.absent(site.scene, stage)))
        yield _Asked(record.name, extra, gone, before, after, slowly)


def loads_on(scene: Scene, record: SpanWire, stage: Stage) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What hangs on a wire as a stage begins, and as it ends."""
    entry = entry_for(stage, record.name)
    carries, puts_on, takes_off = (entry.carries, entry.puts_on, entry.takes_off) if entry is not None else ((), (), ())
    hung = [load.wire or load.what or "" for load in record.loads]
    parked = (*stage.off, *statements.absent(scene, stage))
    before = [*(name for name in hung if name not in parked), *(load.what for load in carries)]
    after = [name for name in before if name not in (*stage.released, *takes_off)] + [load.what for load in puts_on]
    # A wire that is joined comes on again: what overshoots is the other way.
    return (tuple(after), tuple(before)) if stage.kind == "close" else (tuple(before), tuple(after))


@once_a_site
def _sections(site: Site) -> tuple[tuple[Line, ...], ...]:
    return tuple(tuple(group) for group in sections(list(_drawn(site).values())))


@once_a_site
def _shift(
    site: Site, names: tuple[str, ...], wanted: tuple[_Asked, ...], lost: tuple[str, ...], parked: bool, number: int
) -> Shift | None:
    """The shift of one section; None where it cannot be solved."""
    changing = [one for one in wanted if one.before != one.after]
    # A jumper that leaves two wires of one section is one load.
    swaps = len({name for one in changing for name in set(one.before) ^ set(one.after)})
    if swaps > 1 or len(lost) > 1 or (lost and swaps):
        expected = "one load at a time put on or taken off a section"
        remedy = "write a stage for each; what stays on is carried"
        raise InputError(Mistake(("",), expected, f"{swaps + len(lost)} at once", remedy))
    group = next(group for group in _sections(site) if tuple(line.name for line in group) == names)
    extra = {one.wire: one.extra for one in wanted}
    if group[0].conductor is None:
        return None
    made = carried([_with(site, line, extra.get(line.name, ())) for line in group])
    hung = {line.name: tuple(load.what for load in line.loads) for line in group}
    before = hung | {one.wire: one.before for one in wanted}
    after = hung | {one.wire: one.after for one in wanted}
    on, then = ({(wire, what): 1.0 for wire, whats in state.items() for what in whats} for state in (before, after))
    added = {(wire, load.what) for wire, loads in extra.items() for load in loads}
    base = {(name, what): 1.0 for name, whats in hung.items() for what in whats if (name, what) not in added}
    if lost:
        # A span's tension is let down: it is never let go at once.
        change, words = parted(made, on, names.index(lost[0]), sudden=False), f"{lost[0]} is taken off"
        base = on
    else:
        slowly = all(one.slowly for one in changing)
        change, words = eased(made, on, then, sudden=not slowly), _words(wanted)
    bases = settled(made, base)[1].lines
    if site.placed:
        top = max(move.range_1[1] for move in change.moves)
        room = worst_move(site, made, base, (on, then), top) if not lost else None
        return _in_weather(site, made, change, bases, words, room)
    return _scaled(site, made, change, bases, words, number, parked and bool(lost))


def _words(wanted: Sequence[_Asked]) -> str:
    for one in wanted:
        goes = [name for name in one.before if name not in one.after]
        comes = [name for name in one.after if name not in one.before]
        if goes:
            return f"{goes[0]} goes from {one.wire}"
        if comes:
            return f"{comes[0]} comes on {one.wire}"
    gone = [f"{name} is gone from {one.wire}" for one in wanted for name in one.gone]
    return " and ".join(gone) or f"{wanted[0].wire} carries {' and '.join(wanted[0].before)}"


def _with(site: Site, line: Line, extra: Sequence[LoadOfStage]) -> Line:
    """The line with loads of the stage, which came after it was stated."""
    back = _backwards(site, line)
    more = []
    for load in extra:
        along = level_m(line) - load.at_m if back else load.at_m
        more.append(PointLoad(load.what, along, (0.0, 0.0, -load.weight_kN * 1e3), False, load.basis))
    return replace(line, loads=(*line.loads, *more))


def _backwards(site: Site, line: Line) -> bool:
    """Whether the section runs through a line from its drawn end."""
    return line.start.point != _drawn(site)[line.name].start.point


@once_a_site
def _drawn(site: Site) -> Mapping[str, Line]:
    return hanging.lines_of(site.scene)


def _in_weather(
    site: Site, made: Carried, change: Change, bases: Sequence[Hung], words: str, room_m: float | None
) -> Shift:
    """The moves of a section as room around its envelopes: that of the states tried in the weather, or for a span that
    is taken off that in still air and a part more; and what a load let go at once springs beyond."""
    found = {}
    for move in change.moves:
        line = made.lines[move.span]
        still = float(np.linalg.norm(move.rate, axis=1).max()) * (1.0 + MORE)
        room = (still if room_m is None else room_m) + move.uncertainty_m + move.beyond_m
        base = at_shares(bases[move.span], np.diff(move.cuts).tolist())
        note = f"moves up to {float(room.max()):.2f} m, as {words}: modelled, an allowance in the weather"
        found[line.name] = _turned(
            WireShift(base, base, np.zeros_like(base), room, _own(line, move), (0.0, 0.0), note), _backwards(site, line)
        )
    return Shift("", (0.0, 0.0), found)


def _scaled(
    site: Site, made: Carried, change: Change, bases: Sequence[Hung], words: str, number: int, parked: bool
) -> Shift:
    """The moves of a section, in metres of its point that moves most."""
    size = max((float(np.linalg.norm(move.rate, axis=1).max()) for move in change.moves), default=0.0)
    top = max((move.range_1[1] for move in change.moves), default=1.0)
    folded = size * top <= FOLD_M or parked
    found = {}
    for move in change.moves:
        line = made.lines[move.span]
        base = at_shares(bases[move.span], np.diff(move.cuts).tolist())
        wire = _wire(line, move, base, (size, top, folded, parked), words)
        found[line.name] = _turned(wire, _backwards(site, line))
    sweep = not folded and size > 0
    parameter = ("shift_m" if number == 1 else f"shift_{number}_m") if sweep else ""
    return Shift(parameter, (0.0, size * top) if parameter else (0.0, 0.0), found)


def _own(line: Line, move: Move) -> tuple[int, int]:
    """Vertices where the conductor of a line begins and ends."""
    (one, two), _ = strain_strings(line)
    return move.cuts[1 if one > 0 else 0], move.cuts[-2 if two > 0 else -1]


def _turned(wire: WireShift, backwards: bool) -> WireShift:
    """The wire from its drawn start."""
    if not backwards:
        return wire
    last = len(wire.points) - 1
    return replace(
        wire, base=wire.base[::-1], points=wire.points[::-1], rate=wire.rate[::-1], room_m=wire.room_m[::-1],
        cuts=(last - wire.cuts[1], last - wire.cuts[0]),
    )  # fmt: skip


def _wire(line: Line, move: Move, base: Floats, how: tuple[float, float, bool, bool], words: str) -> WireShift:
    """A wire's move; how: the largest move of its section, how far of it is swept, whether it is folded into
    uncertainty, and whether it has come to rest already."""
    size, top, folded, parked = how
    points, rate, room = move.before, move.rate, move.uncertainty_m + move.beyond_m
    range_m = (0.0, size * top)
    furthest = float((np.linalg.norm(rate, axis=1) * top + room).max())
    if parked:
        # At rest where it has come to.
        points, rate, range_m = points + rate, np.zeros_like(rate), (0.0, 0.0)
    elif folded or size == 0:
        middle = top / 2.0
        points, room = points + middle * rate, room + middle * np.linalg.norm(rate, axis=1)
        rate, range_m = np.zeros_like(rate), (0.0, 0.0)
    else:
        rate = rate / size
    still = float(np.linalg.norm(move.rate, axis=1).max())
    sudden = ", let go at once" if top == OVERSHOOT and size > 0 else ""
    note = (
        f"moves {still:.2f} m at most to its new rest and up to {furthest:.2f} m in all, as {words}{sudden}: modelled"
        if size > 1e-6
        else f"hangs {furthest:.2f} m at most from where the model has it, as {words}"
    )
    return WireShift(base, points, rate, room, _own(line, move), range_m, note)


def rigged(rig: Rig, shifts: Sequence[Shift]) -> Rig:
    """The links and the box with the parameters of the shifts."""
    swept = {shift.parameter: shift.range_m for shift in shifts if shift.parameter}
    if not swept:
        return rig
    kept = {name: span for name, span in rig.box.items() if name != "still"}
    links = (*rig.motion.links, Link(LINK, None, ()))
    return replace(rig, motion=Motion(links, (*kept, *swept)), box={**kept, **swept})


def swept(setting: Setting) -> dict[str, tuple[float, float]]:
    """The parameters of a setting that are shifts of wires, and their ranges [m]."""
    return {name: span for name, span in setting.box.items() if PARAMETER.fullmatch(name)}


def strays_m(site: Site, shifts: Sequence[Shift], value: Place, point: Sequence[float]) -> float:
    """How far [m] a place goes with the wire it is on, from where the stage finds it; nothing for a place by itself."""
    if not isinstance(value, Reference):
        return 0.0
    for shift in shifts:
        if value.name in shift.wires:
            return _near(shift.wires[value.name], point)
    return 0.0


def _near(wire: WireShift, point: Sequence[float]) -> float:
    """Strays of the vertices around a point, and how far the point is from them."""
    near = int(np.argmin(np.linalg.norm(wire.base - np.asarray(point, float), axis=1)))
    around = wire.strays_m[max(near - 1, 0) : near + 2]
    start, way = wire.base[:-1], np.diff(wire.base, axis=0)
    return float(around.max()) + float(nearest_on(start, way, point)[1].min())
