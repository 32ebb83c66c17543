"""Owns insulating lengths: what is left along ladder, boom and ropes between two potentials, the shortest way, at every
position of the stage.

What insulates, and what touches it by its nature, is told in `insulators`; what else touches is found in `touching`,
the shortest way in `ways`. An end of a rope of which nothing shows what it is at counts as earth at its anchor and as
live at its other end. Line insulators that the job bridges are in `bridged`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache, partial
from typing import get_args

import numpy as np

from clearance import shapes
from clearance.bodies import Body
from clearance.job.insulators import Insulators, anchor_of, insulators, ranges, touch_of
from clearance.job.measuring import Bench, Piece
from clearance.job.opening import OPENING
from clearance.job.setting import Setting
from clearance.job.staging import HULL
from clearance.job.standing import build_of
from clearance.job.touching import FINE_M, Course, met, touched
from clearance.job.ways import LIVE, Member, Touch, Way, ways
from clearance.length_limits import length_between, required_length
from clearance.limits import unnamed
from clearance.result import Insulation
from clearance.rules.records import What
from clearance.scene.assemble import EARTH, Site
from clearance.scene.records import Stage
from clearance.scene.voltages import unknown_circuit
from clearance.verdict import judge_length

REMOTE_TOOL = "remote tool"
"""What a report calls the stick with which a tail is earthed, or a casualty's clamp taken off."""

RESCUE_ROPE = "rope of the rescue"
"""What it calls the rope that lowers a casualty."""

CUTS = 4
"""How often a range is halved while a length is not clear: a body that touches two members is not at one end of its
range on the one and at the other end on the other. More: longer work, and lengths nearer to the least there is. What is
not clear at one position of the stage is not clear in it: there the halving ends."""

LEVER_M = 5.0
"""[m] What a turn counts for beside a shift when the range to halve is chosen."""

Box = Mapping[str, tuple[float, float]]


def insulation_of(bench: Bench, stage: Stage, pieces: Sequence[Piece]) -> tuple[Insulation, ...]:
    """Every insulating length of the stage: of what carries somebody or touches something live, of ropes that are
    stated as insulating, and of the remote tool that earths a tail; of each the least over all pieces of the stage."""
    floor = bench.floor
    if floor is not None and floor.breach and floor.margin_m <= -longest_m(bench.site):
        return ()  # the verdict is known, and nothing that has no length left has a smaller margin
    settings = [piece.compiled.setting for piece in pieces]
    # What a reach envelope holds is not asked again: but not a posture or a lead before the change at a join.
    reached = any(setting.check == "reach" for setting in settings)
    asked = [
        piece for piece, one in zip(pieces, settings, strict=True) if one.check == "reach" or one.join or not reached
    ]
    least: dict[str, Insulation] = {}
    short: set[str] = set()
    for piece in asked:
        for found in _over(bench, stage, piece, piece.compiled.setting.box, CUTS, short):
            _keep(least, found)
    return (*least.values(), *sticks(bench.site, stage))


@lru_cache(maxsize=64)
def longest_m(site: Site) -> float:
    """The longest length [m] that anything insulating may need in a scene; infinite where a rule is silent."""
    tails = (wire.name for wire in site.scene.wires if wire.release is not None)
    between = itertools.combinations((EARTH, LIVE, *site.circuit_of, *tails), 2)
    asked = [length_between(site.scene, site.circuit_of, what, *pair)[0] for pair in between for what in get_args(What)]
    return max(math.inf if length is None else length for length in asked)


def _over(
    bench: Bench,
    stage: Stage,
    piece: Piece,
    box: Box,
    cuts: int,
    short: set[str],
    before: Sequence[Touch] | None = None,
) -> Iterator[Insulation]:
    """The lengths over a box of parameters: where they are not clear over all of it at once, over both halves of it.

    short: what is not clear at one position of the stage, told of more as they are found: for that nothing is halved
    before: what touches over a box that holds this one: nothing else does
    """
    touches, found = _lengths(bench, stage, piece, box, before)
    floor = bench.floor
    if floor is not None and floor.breach and all(_rank(one)[1] >= floor.margin_m for one in found):
        yield from found  # the verdict is known, and none of these is the least, however finely they are told
        return
    if cuts > 0 and not _short(found) <= short:
        middle = {name: (0.5 * (low + high),) * 2 for name, (low, high) in box.items()}
        short |= _short(_lengths(bench, stage, piece, middle, touches)[1])
    widest = max(box, key=lambda name: (box[name][1] - box[name][0]) * (1.0 if name.endswith("_m") else LEVER_M))
    low, high = box[widest]
    if cuts == 0 or high <= low or _short(found) <= short:
        yield from found
        return
    least: dict[str, Insulation] = {}
    for half in ((low, 0.5 * (low + high)), (0.5 * (low + high), high)):
        for one in _over(bench, stage, piece, {**box, widest: half}, cuts - 1, short, touches):
            _keep(least, one)
    yield from least.values()


def _short(found: Sequence[Insulation]) -> set[str]:
    """What has less than its length."""
    return {i.body for i in found if i.verdict != "clear" and i.required_m is not None and i.left_m < i.required_m}


def _keep(least: dict[str, Insulation], found: Insulation) -> None:
    if found.body not in least or _rank(found) < _rank(least[found.body]):
        least[found.body] = found


def _rank(found: Insulation) -> tuple[int, float]:
    """Breaches first, then what is undecided, the smallest margin before the others."""
    margin = -math.inf if found.required_m is None else found.left_m - found.required_m
    return ("breach", "undecided", "clear").index(found.verdict), margin


def _lengths(
    bench: Bench, stage: Stage, piece: Piece, box: Box, before: Sequence[Touch] | None
) -> tuple[list[Touch], list[Insulation]]:
    """What touches over a box, and the least length along each member."""
    setting = replace(piece.compiled.setting, box=box)
    there = insulators(bench.site, stage, setting)
    others = list(_found(bench, piece, there, box, before))
    touches = [*there.touches, *others]
    for rope, length in there.ropes.items():
        touches += _ends(bench.site, rope, length, touches)
    judged: dict[str, list[Insulation]] = {}
    for member, way in ways(there.members, touches, partial(_parts, setting)):
        told = there.beyond.get(member.name) in {leg.member.name for leg in way.legs}
        if not told and (member.name in there.judged or LIVE not in way.between):
            judged.setdefault(member.name, []).append(_judged(bench, setting, member, way))
    for rope in there.ropes:
        # Nothing of two potentials is on it: it is held against the full voltage over the whole of it all the same.
        if rope not in judged:
            bare = [m for m in there.members if m.name == rope]
            alone = list(_ends(bench.site, rope, there.ropes[rope], []))
            judged[rope] = [_judged(bench, setting, member, way) for member, way in ways(bare, alone)]
    return others, [min(judged[m.name], key=_rank) for m in there.members if m.name in judged]


def _found(bench: Bench, piece: Piece, there: Insulators, box: Box, before: Sequence[Touch] | None) -> Iterator[Touch]:
    """What else touches, at any position of a box: bodies that conduct, hands of the crew, other members."""
    setting = piece.compiled.setting
    some = [
        body for body in setting.bodies
        if body.conductive and len(body.shape) and body.kind not in (HULL, OPENING)
    ]  # fmt: skip
    hands = [
        replace(body, name=f"hands of '{person.name}'", shape=_reaching(body.shape, build_of(person).arm_m))
        for person in bench.site.scene.crew
        for body in setting.bodies
        if body.name == person.name
    ]
    others: dict[Course, list[Body]] = {}
    seen = None if before is None else {(touch.member, touch.by) for touch in before}
    for course in there.courses:
        name = course.member
        held = [*some, *hands] if name in there.lines else some
        held = [
            body for body in held if body.name not in there.known[name] and (seen is None or (name, body.name) in seen)
        ]
        riding = [body for body in held if body.link in ("ladder", "worker") and course in there.beside]
        others[course] = [body for body in held if body not in riding]
        if riding:
            others[there.beside[course]] = riding
    apart = there.tied
    if before is not None:
        told = {touch.said for touch in before}
        pairs = itertools.combinations([course.member for course in there.courses], 2)
        apart = frozenset(frozenset(pair) for pair in pairs if _meeting(*pair) not in told)
    for name, body, low, high in touched(bench, piece, others, box):
        live = f"'{body.name}' touches it from {low:.2f} m {'on from its anchor' if name in there.lines else 'up'}"
        touch = touch_of(name, body, low, high, _breadth(body), said=body.name if body in hands else "", live=live)
        # Whoever stands on a platform is at what it is at.
        platform = next((one for one in there.touches if body.kind == "worker" and one.by == there.stands_on), None)
        yield touch if platform is None else replace(touch, at=touch.at | platform.at)
    for k, (one, part, other, another) in enumerate(met(bench, piece, there.courses, apart, box)):
        said = _meeting(one, other)
        for name, (low, high) in ((one, part), (other, another)):
            yield Touch(name, f"{said}, {k + 1}", low, high, frozenset((None,)), 0.0, said=said)


_reaching = lru_cache(maxsize=256)(shapes.thickened)
"""The same people stand in many stages."""


def _parts(setting: Setting, one: str, other: str, between: tuple[str, str]) -> bool:
    """Whether two bodies open or close, each at its potential; the air between the rest of the wire and what it leaves
    is judged as a gap. What it leaves of a dead circuit may be at earth, but the tail at earth leaves nothing."""
    parting = setting.parting
    if parting is None:
        return False
    for tail, left, at in ((one, other, between), (other, one, between[::-1])):
        if tail in (parting.wire, parting.free) and parting.apart(at[0]):
            exempt = parting.exempt if {*between} == {parting.wire, parting.phase} else parting.leaves
            if left in exempt:
                return True
    return False


def _meeting(one: str, other: str) -> str:
    return f"'{one}' touches '{other}'"


def _breadth(body: Body) -> float:
    """The most of a straight member that a body can short at one position [m]: what stands still, and what changes its
    shape, is taken to be all over its range."""
    if body.link is None or body.shape.rate is not None:
        return math.inf
    corners = body.shape.vertices.reshape(-1, 3)
    across = float(np.linalg.norm(corners.max(axis=0) - corners.min(axis=0)))
    return min(body.extent_m, across + 2.0 * float((body.shape.radius + body.shape.uncertainty).max()))


def _ends(site: Site, rope: str, length: float, touches: Sequence[Touch]) -> Iterator[Touch]:
    """What the ends of a rope are at, where nothing that touches them is at a phase throughout."""
    on = [touch for touch in touches if touch.member == rope]
    live = [touch for touch in on if touch.at and not touch.at & {None, EARTH, LIVE}]
    anchor = not any(touch.low_m <= FINE_M for touch in live)
    upper = not any(touch.high_m >= length - FINE_M for touch in live)
    tied_up = any(touch.by == f"tie of '{rope}'" for touch in on)
    if anchor:
        yield anchor_of(site, rope)
    if upper and not tied_up:
        at = frozenset((LIVE,) if anchor else (LIVE, EARTH))
        yield Touch(rope, f"upper end of {rope}", length, length, at, live=f"from end to end {length:.2f} m")


def _judged(bench: Bench, setting: Setting, member: Member, way: Way) -> Insulation:
    """A way against what its rules ask of what it goes along, between its two potentials."""
    required, rule, why = None, unnamed(bench.site.scene), ""
    for what in dict.fromkeys(leg.member.what for leg in way.legs):
        asked, said, silent = length_between(bench.site.scene, bench.site.circuit_of, what, *way.between)  # type: ignore[arg-type]
        why = why or silent
        if required is None or (asked is not None and asked > required):
            required, rule = asked, said
    at: dict[str, float] = {}
    for name in ("climb_m", "extend_m"):
        if name in ranges(setting) and member.what == "ladder":
            at[name] = ranges(setting)[name][0]
    return Insulation(
        member.name, judge_length(way.left_m, required, why), way.left_m, required, at, rule, tuple(_words(way)), why
    )


def _words(way: Way) -> Iterator[str]:
    """How a way was reckoned, one line a touch and one a deduction."""
    for k, leg in enumerate(way.legs):
        first = leg.start.low_m + leg.start.high_m <= leg.end.low_m + leg.end.high_m
        place = f"up to {leg.start.high_m:.2f} m" if first else f"down to {leg.start.low_m:.2f} m"
        if k == 0 and way.between[0] == EARTH:
            yield f"earthed {place} along {_along(leg.member)}: {leg.start.said}"
        elif k == 0:
            yield f"at {way.between[0]} {place} along {_along(leg.member)}: {leg.start.said}"
        else:
            begun = leg.start.high_m if first else leg.start.low_m
            yield f"on along {_along(leg.member)} from {begun:.2f} m: {leg.start.said}"
        if k == len(way.legs) - 1:
            yield leg.end.live or f"at {way.between[1]} from {leg.end.low_m:.2f} m along it: {leg.end.said}"
        yield from leg.less


def _along(member: Member) -> str:
    return "the ladder" if member.name == "ladder" else f"'{member.name}'"


def sticks(site: Site, stage: Stage) -> Iterator[Insulation]:
    """What is stated of lengths that somebody holds: the remote tool of a stage that earths a tail, removes that earth
    or takes the clamp off a casualty, beyond the hands; and the rope that lowers the casualty."""
    stated: tuple[tuple[str, What, float | None, str], ...] = (
        (REMOTE_TOOL, "rod", stage.stick_m, "beyond the hands"),
        (RESCUE_ROPE, "rope", stage.rope_m, "from the casualty to the hands that hold it"),
    )
    for name, what, length_m, of in stated:
        if length_m is not None:
            required, rule, why = required_length(site.scene, unknown_circuit(site.scene), what)
            steps = (f"insulating for {length_m:.2f} m {of}",)
            yield Insulation(name, judge_length(length_m, required, why), length_m, required, {}, rule, steps, why)
