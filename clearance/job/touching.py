"""Owns where along what insulates something may touch it, at any position of a piece of a stage.

A member is cut into pieces of half a metre, and those at the ends of what a body touches into finer ones. That a body
touches a piece nowhere is proved by the sweep, over all positions and with all uncertainty; whatever is not proved
counts as touched. So the range that comes out holds every place at which the body may touch. What stands still beside
a member that does, or rides on what carries it, is measured once, without a sweep.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import accumulate, combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body, ladder
from clearance.engine import Group, Path, coarse, compile_setting
from clearance.job.measuring import Bench, Piece
from clearance.job.site_gaps import careful
from clearance.motion import Link, Motion
from clearance.scene import records
from clearance.shapes import Shape

TOUCH_M = 1e-9
"""[m] What comes nearer than this is taken to touch."""

COARSE_M, FINE_M = 0.5, 0.03
"""[m] Pieces of a member that are looked at first, and about those at the ends of what is touched. Smaller: longer
work, less length lost to a touch."""

BUDGET = 2_000
"""Boxes after which a piece counts as touched: what is not that soon proved to keep away nearly touches."""

HELD = "where it is held"
"""The link of pieces of a member that stands still."""

Floats = NDArray[np.float64]
Part = tuple[float, float]
Within = Mapping[str, Part]
Sway = tuple[float, float]


@dataclass(frozen=True)
class Course:
    """A member as it runs through space.

    link: what carries it, None where it stands still; length_m: of it; part: its shape between two places along it [m]
    made_of: what its shape is made of, by content; rated: the parameter that its shape changes with
    """

    member: str
    link: str | None
    length_m: float
    part: Callable[[float, float], Shape] = field(compare=False)
    made_of: Hashable
    rated: str | None = None

    @property
    def whole(self) -> tuple[float, float]:
        """All of it, as a part."""
        return 0.0, self.length_m


def along_ladder(entry: records.Ladder, body: Body) -> Course:
    """The ladder, from its feet."""
    outer, uncertainty = entry.width_m + entry.rail_diameter_m, float(body.shape.uncertainty.max())

    def part(low: float, high: float) -> Shape:
        return ladder.fitting(low, high, outer, entry.rail_diameter_m / 2, uncertainty)

    return Course(entry.name, body.link, entry.length_m, part, (outer, entry.rail_diameter_m, uncertainty))


def along_line(
    member: str, link: str | None, corners: Floats, around: tuple[float, float], sway_m: Sway = (0, 0)
) -> Course:
    """A rope or a boom that is made of straight pieces from corner to corner.

    around: radius and uncertainty, without what its ends sway [m]; sway_m: how far its first and its last end may move:
    what is straight between them moves by its share of either
    """
    stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
    length = float(stations[-1])

    def part(low: float, high: float) -> Shape:
        between = stations[(stations > low) & (stations < high)]
        at = np.concatenate([[low], between, [high]])
        places = np.stack([np.interp(at, stations, corners[:, k]) for k in range(3)], axis=1)
        swayed = max(sway_m[0] + (sway_m[1] - sway_m[0]) * s / length for s in (low, high))
        return shapes.polyline(places, around[0], around[1] + swayed)

    return Course(member, link, length, part, (corners.tobytes(), around, sway_m))


def along_led(
    member: str,
    link: str | None,
    ends: tuple[Floats, Floats],
    around: tuple[float, float],
    rate: Floats | None,
    led: tuple[str, Part],
) -> Course:
    """A straight rope whose last end is led along a line: measured as if it were as short as it gets.

    A place is a share of the way from the first end to the last, wherever that is: what is between two places is never
    shorter than it is told.

    ends: the last one where the parameter is 0; around: radius and uncertainty [m]; rate: of the last end per unit of
    the parameter, None where it stands; led: the parameter and its range
    """
    first, last = ends
    way = np.zeros(3) if rate is None else rate
    name, (low_q, high_q) = led
    start = (last + way * low_q)[None]
    length = max(float(shapes.nearest_on(start, way[None] * (high_q - low_q), first)[1].min()), FINE_M)

    def part(low: float, high: float) -> Shape:
        shares = np.array([low, high])[:, None] / length
        shape = shapes.polyline(first + shares * (last - first), *around)
        if rate is None:
            return shape
        rates = np.zeros_like(shape.vertices)
        rates[0, :2] = shares * way
        return replace(shape, rate=rates)

    made_of = (first.tobytes(), last.tobytes(), around, way.tobytes())
    return Course(member, link, length, part, made_of, None if rate is None else name)


def corners_of(shape: Shape) -> Floats:
    """The corners of a line of segments, (n, 3) [m]."""
    return np.vstack([shape.vertices[:1, 0], shape.vertices[:, 1]])


def touched(
    bench: Bench, piece: Piece, others: Mapping[Course, Sequence[Body]], within: Within
) -> Iterator[tuple[str, Body, float, float]]:
    """Which bodies may touch which member, and between which two places along it [m].

    others: of every course the bodies that are held against it: of the piece's setting, or that stand still beside
    """
    apart: dict[Course, list[Body]] = {}
    content = {body.name: piece.compiled.changed.get(body.name, body.name) for body in piece.compiled.setting.bodies}
    over, known = tuple(within.items()), piece.memo.touched
    for course, some in others.items():
        for body in some:
            if course.rated is None and body.link == course.link and body.shape.rate is None:
                places = _beside(course, body.shape)
                if places is not None:
                    yield course.member, body, *places
            elif (asked := (course, content.get(body.name, (body.link, body.shape)), over)) not in known:
                apart.setdefault(course, []).append(body)
            elif (places := known[asked]) is not None:
                yield course.member, body, *places
    for course, body, places in _swept(bench, piece, apart, within):
        # What stands beside the setting, as hands do, is known by its shape, which is made once.
        known[course, content.get(body.name, (body.link, body.shape)), over] = places
        if places is not None:
            yield course.member, body, *places


def _swept(
    bench: Bench, piece: Piece, apart: Mapping[Course, Sequence[Body]], within: Within
) -> Iterator[tuple[Course, Body, Part | None]]:
    """The same of bodies that move against the member, each told of."""
    others = _near(bench, piece, apart, within)
    if not others:
        yield from ((course, body, None) for course, some in apart.items() for body in some)
        return
    rows = [(course, _cuts(*course.whole, COARSE_M)) for course in others]
    found: list[tuple[Course, Body, list[Part]]] = []
    near = _Looked(bench, piece, rows, others, within)
    for course, cuts in rows:
        for body in others[course]:
            parts = [part for part in cuts if near.boxes_meet(course, part, body)]
            # Most keep away from all of it, which is proved at once.
            some = parts if near.touches(course, parts, body) else ()
            first = next((k for k, part in enumerate(some) if near.touches(course, [part], body)), None)
            if first is not None:
                last = next(
                    k
                    for k in range(len(parts) - 1, first - 1, -1)
                    if k == first or near.touches(course, [parts[k]], body)
                )
                found.append((course, body, [parts[first], parts[last]]))
    met_by = {(course, body.name) for course, body, _ in found}
    yield from ((course, b, None) for course, some in apart.items() for b in some if (course, b.name) not in met_by)
    if not found:
        return
    fine = [
        (course, [cut for part in dict.fromkeys(ends) for cut in _cuts(*part, FINE_M)]) for course, _, ends in found
    ]
    close = _Looked(bench, piece, fine, others, within)
    for course, body, (first_part, last_part) in found:
        lower, upper = _cuts(*first_part, FINE_M), _cuts(*last_part, FINE_M)
        low = _end(lower, lambda parts, c=course, b=body: close.touches(c, parts, b))  # type: ignore[misc]
        high = _end(upper[::-1], lambda parts, c=course, b=body: close.touches(c, parts, b))  # type: ignore[misc]
        yield course, body, (low[0], high[1])


def _near(
    bench: Bench, piece: Piece, others: Mapping[Course, Sequence[Body]], within: Within
) -> dict[Course, list[Body]]:
    """Of some bodies those whose boxes meet that of a whole member."""
    if not others:
        return {}
    looked = _Looked(bench, piece, [(course, [course.whole]) for course in others], others, within)
    near = {
        course: [body for body in some if looked.boxes_meet(course, course.whole, body)]
        for course, some in others.items()
    }
    return {course: some for course, some in near.items() if some}


@lru_cache(maxsize=4096)
def _beside(course: Course, shape: Shape) -> Part | None:
    """Between which two places of a member something touches it that never moves against it; None where nowhere."""
    some = _about(shape, _shape(course, course.whole))
    if some is None:
        return None
    touched = [part for part in _cuts(*course.whole, COARSE_M) if _meet(_shape(course, part), some)]
    if not touched:
        return None
    lower, upper = _cuts(*touched[0], FINE_M), _cuts(*touched[-1], FINE_M)[::-1]
    low, high = (
        next((part for part in parts if _meet(_shape(course, part), some)), parts[-1]) for parts in (lower, upper)
    )
    return low[0], high[1]


def _about(shape: Shape, member: Shape) -> Shape | None:
    """What of a shape is within the box of a member; None where nothing of it meets the member."""
    low, high = member.bounds
    around = (shape.radius + shape.uncertainty + 2.0 * TOUCH_M)[:, None]
    within = (shape.vertices.min(axis=1) - around <= high) & (shape.vertices.max(axis=1) + around >= low)
    some = shapes.taken(shape, within.all(axis=1))
    return some if _meet(member, some) else None


def _meet(one: Shape, other: Shape) -> bool:
    """Whether two shapes in one frame may touch, but for a rounding."""
    return len(other) > 0 and careful(one, other)[0] <= 2.0 * TOUCH_M


@lru_cache(maxsize=1024)
def _crossed(one: Course, other: Course) -> tuple[tuple[Part, Part], ...]:
    """Where two members touch one another that never move against each other: parts of the one, each with where on the
    other it may touch."""
    far = _shape(other, other.whole)
    if _about(far, _shape(one, one.whole)) is None:
        return ()
    found = []
    for part in _cuts(*one.whole, COARSE_M):
        shape = _shape(one, part)
        if _meet(shape, far):
            some = [another for another in _cuts(*other.whole, COARSE_M) if _meet(shape, _shape(other, another))]
            found += [(part, (some[0][0], some[-1][1]))] if some else []
    return tuple(found)


def met(
    bench: Bench, piece: Piece, courses: Sequence[Course], tied: Collection[frozenset[str]], within: Within
) -> Iterator[tuple[str, tuple[float, float], str, Part]]:
    """Where two members touch one another: parts of the one, and where on the other each may touch.

    Not where the one is tied to the other: it leaves it at the tie, and side by side they are two ways of one length.
    """
    pairs = [(one, other) for one, other in combinations(courses, 2) if {one.member, other.member} not in tied]
    for one, other in pairs:
        if one.link == other.link and one.rated is None and other.rated is None:
            for part, place in _crossed(one, other):
                yield one.member, part, other.member, place
    over, known = tuple(within.items()), piece.memo.met
    pairs = [(one, other) for one, other in pairs if one.link != other.link or one.rated or other.rated]
    new = [pair for pair in pairs if (*pair, over) not in known]
    if new:
        found: dict[Hashable, list[tuple[Part, Part]]] = {(*pair, over): [] for pair in new}
        for one, part, other, place in _met(bench, piece, new, within):
            found[one, other, over].append((part, place))
        known |= {asked: tuple(some) for asked, some in found.items()}
    for one, other in pairs:
        yield from ((one.member, part, other.member, place) for part, place in known[one, other, over])


def _met(
    bench: Bench, piece: Piece, pairs: Sequence[tuple[Course, Course]], within: Within
) -> Iterator[tuple[Course, Part, Course, Part]]:
    """The same of members that move against one another."""
    rows = [(course, [course.whole]) for course in {course: None for pair in pairs for course in pair}]
    far = _Looked(bench, piece, rows, {}, within)
    pairs = [(one, other) for one, other in pairs if far.parts_meet(one, one.whole, other, other.whole)]
    if not pairs:
        return
    rows = [(course, _cuts(*course.whole, COARSE_M)) for course in {course: None for pair in pairs for course in pair}]
    near = _Looked(bench, piece, rows, {}, within)
    for one, other in pairs:
        for part in _cuts(*one.whole, COARSE_M):
            parts = _cuts(*other.whole, COARSE_M)
            some = [another for another in parts if near.parts_meet(one, part, other, another)]
            if some:
                yield one, part, other, (some[0][0], some[-1][1])


def _cuts(low: float, high: float, piece_m: float) -> list[Part]:
    count = max(1, math.ceil((high - low) / piece_m - 1e-9))
    at = [low + (high - low) * k / count for k in range(count + 1)]
    return list(pairwise(at))


def _end(parts: list[Part], any_touched: Callable[[list[Part]], bool]) -> tuple[float, float]:
    """The first of some parts that is touched, by halves; one of them at least is taken to be."""
    low, high = 0, len(parts) - 1
    while low < high:
        middle = (low + high) // 2
        if any_touched(parts[low : middle + 1]):
            high = middle
        else:
            low = middle + 1
    return parts[low]


class _Looked:
    """Parts of members in a piece's setting beside the bodies they are held against."""

    def __init__(
        self,
        bench: Bench,
        piece: Piece,
        rows: Sequence[tuple[Course, list[Part]]],
        others: Mapping[Course, Sequence[Body]],
        within: Within,
    ) -> None:
        setting = piece.compiled.setting
        there = {body.name for body in setting.bodies}
        cuts: dict[Course, dict[Part, Shape]] = {}
        for course, parts in rows:
            cuts.setdefault(course, {}).update({part: _shape(course, part) for part in parts})
        asked = {body.name: body for course in cuts for body in others.get(course, ())}
        made = [replace(b, link=b.link or HELD) for b in asked.values() if b.name not in there]
        # The parts of a member are one body to the compiler, and one each to a question.
        made += [
            Body(_name(course, course.whole), "part", shapes.join(some.values()), False, None, link=course.link or HELD)
            for course, some in cuts.items()
        ]
        motion = Motion((*setting.motion.links, Link(HELD, None, ())), setting.motion.parameters)
        bodies = (*(body for body in setting.bodies if body.name in asked), *made)
        rated = {_name(course, course.whole): course.rated for course in cuts if course.rated}
        small = replace(setting, bodies=bodies, motion=motion, touching=frozenset(), rated={**setting.rated, **rated})
        compiled = compile_setting(bench.engine, small)
        runs = dict(compiled.runs)
        for course, some in cuts.items():
            places = accumulate(map(len, some.values()), initial=runs.pop(_name(course, course.whole))[0])
            runs |= {_name(course, part): run for part, run in zip(some, pairwise(places), strict=True)}
        compiled = replace(compiled, runs=runs)
        self.bench, self.within = bench, within
        self.compiled, self.least = compiled, coarse(bench.engine, compiled)

    def boxes_meet(self, course: Course, part: Part, body: Body) -> bool:
        return self.least(Path((Group((_name(course, part),)), Group((body.name,))))) <= TOUCH_M

    def touches(self, course: Course, parts: Sequence[Part], body: Body) -> bool:
        return self._meet(tuple(_name(course, part) for part in parts), body.name)

    def parts_meet(self, one: Course, part: Part, other: Course, another: Part) -> bool:
        return self._meet((_name(one, part),), _name(other, another))

    def _meet(self, parts: tuple[str, ...], other: str) -> bool:
        path = Path((Group(parts), Group((other,))))
        if self.least(path) > TOUCH_M:
            return False
        found = self.bench.sweep(
            self.compiled,
            (path,),
            tolerance_m=self.bench.tolerance_m,
            target_m=TOUCH_M,
            within=self.within,
            budget=BUDGET,
        )
        return found.outcome != "reached"


@lru_cache(maxsize=16384)
def _shape(course: Course, part: Part) -> Shape:
    """A part of a member, made once for all that asks for it: without some statements members run as they did."""
    return course.part(*part)


def _name(course: Course, part: Part) -> str:
    return f"{course.member} on {course.link} from {part[0]!r} to {part[1]!r} m"
