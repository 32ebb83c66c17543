"""Owns what the remaining wires do when a load or a conductor goes: shapes before and after, with everything between.

`eased` compares any two states of lines that carry loads (a worker or a ladder comes on, a dropper is taken off),
`parted` takes a span off their section, both under every model of the conductor. `changed` and `without_span` do the
same for a bare section. Each remaining span becomes a `Move`: its polyline before, how each point moves per unit of a
parameter that is 0 before and 1 after, and an uncertainty within which the line stays while the load goes from whole to
nothing.

A load let go suddenly does not stop at its new rest. Without damping a line in one mode swings at most as far beyond
it as it came from (any text on step loads of a linear system), so the range of the parameter is [0, `OVERSHOOT`]. In
many modes at once a point may go further than twice its own move, and even points that a slow release leaves alone:
what the energy let go allows beyond that range (`rebound`) is uncertainty of each vertex. A load lowered slowly, on
a rope
and winch, may be given [0, 1] by whoever answers for it. A whole span let go at once is not bounded that way: there the
range is an allowance. Whip of the freed tail is not evaluated; the tail itself is a
body of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.conductor.elastic import Hung, at_shares, chord_counts, run
from clearance.conductor.loads import Carried, Shares, hung_on, settled
from clearance.conductor.rebound import STATIONS, reach_of, released_energy
from clearance.conductor.section import Section, Settled, Strung, at_state, settle
from clearance.errors import InputError, Mistake
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]

OVERSHOOT: Final = 2.0
"""[1] How far beyond the new rest a suddenly released line is swept, counted from the old one; 2 is an undamped step
in one mode."""

STEPS: Final = 16
"""[1] Shares of the load at which the states between are solved."""


@dataclass(frozen=True, eq=False)
class Move:
    """How one remaining span moves.

    span: its index in the section as it was
    before: (n, 3) its polyline with the load [m]; rate: (n, 3) its move from before to after [m]
    cuts: indices of its vertices where its segments begin and end: strings, and conductor from load to load
    uncertainty_m: no state between is further than this from the polyline at some parameter in 0 to 1, chord error
    included
    range_1: range of the parameter to sweep
    pull_before_N, pull_after_N: horizontal tension
    clamps_m: how far its two ends move from before to after [m]
    """

    span: int
    before: Floats
    rate: Floats
    cuts: tuple[int, ...]
    uncertainty_m: float
    beyond_m: Floats
    range_1: tuple[float, float]
    pull_before_N: float
    pull_after_N: float
    clamps_m: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Change:
    """What a release does: the moves of what remains, and the longitudinal pull on each support before and after
    [N]."""

    moves: tuple[Move, ...]
    pulls_before_N: Floats
    pulls_after_N: Floats


@dataclass(frozen=True, eq=False)
class _Course:
    """Spans that hang together, as their load goes.

    first: index of the first of them in the whole section
    states: from before to after, in equal steps; section: the last of them
    support: a support of theirs and the force on it that goes (3,) [N]
    """

    first: int
    states: tuple[Settled, ...]
    section: Section
    support: tuple[int, Floats] | None = None


def without_span(section: Section, whole: Settled, span: int, sudden: bool = True, what: str = "section") -> Change:
    """A span taken off at both its ends: what the spans on either side do.

    Parameters
    ----------
    section, whole: the section before and its equilibrium
    span: index of the span that goes
    sudden: False where its tension is let down slowly; then there is no overshoot. What a span let go at once does
        beyond its new rest is an allowance, not a bound

    The span's pull on its two clamps is taken away in steps; each part of the section is solved on its own. A
    suspension string beside the gap then hangs from one span only and swings along the line, which is the sag the
    neighbour gains.

    Examples
    --------
    Three equal spans; the last is taken off. The string beside it swings back into the section and the middle span
    sags more.

    >>> from clearance.conductor.change_of_state import Linear
    >>> from clearance.conductor.section import Support, at_state, strung
    >>> points = [Support(np.array([300.0 * k, 0, 2.0 * (0 < k < 3)]), 2.0 * (0 < k < 3)) for k in range(4)]
    >>> section, settled = at_state(strung(points, 25000.0, 15.97, 15.0, Linear(32.6e6, 18.8e-6)), 15.0)
    >>> change = without_span(section, settled, 2)
    >>> print([round(move.pull_after_N / 1000, 1) for move in change.moves])
    [15.7, 13.6]
    """
    count = len(section.spans)
    if not 0 <= span < count:
        raise InputError(Mistake((what, "span"), f"a span from 0 to {count - 1}", str(span)))
    courses = []
    for first, last, at_support, pull in _sides(section, whole, span):
        states, part = [], section
        for k in range(STEPS + 1):
            supports = list(section.supports[first : last + 1])
            held = supports[at_support - first]
            supports[at_support - first] = replace(held, load_N=held.load_N + (1.0 - k / STEPS) * pull)
            part = Section(tuple(supports), section.spans[first:last], section.loads[first:last])
            states.append(settle(part, np.array([line.force for line in whole.lines[first:last]]), what))
        courses.append(_Course(first, tuple(states), part, (at_support - first, pull)))
    return Change(_moves([courses], sudden), whole.pulls, _pulls(section, whole, courses))


def _sides(section: Section, whole: Settled, span: int) -> list[tuple[int, int, int, Floats]]:
    """The parts of a section on both sides of a span: spans from and to, the support beside it, its pull there [N]."""
    end_pull = -run(whole.lines[span].force, section.spans[span], section.loads[span])[3]
    sides = [(0, span, span, whole.lines[span].force), (span + 1, len(section.spans), span + 1, end_pull)]
    return [side for side in sides if side[1] > side[0]]


def changed(before: tuple[Section, Settled], after: Section, sudden: bool = True, what: str = "section") -> Change:
    """A section whose loads change while its spans and supports stay: a worker, a ladder or a pull comes off or on.

    Parameters
    ----------
    before: the section and its equilibrium
    after: the section with the same segments and other loads
    """
    section, whole = before
    if [len(span) for span in section.spans] != [len(span) for span in after.spans]:
        raise InputError(
            Mistake((what, "segments"), "the same segments before and after", "others", "keep a load of 0 N")
        )
    states, guess, made = [], np.array([line.force for line in whole.lines]), section
    for k in range(STEPS + 1):
        share = k / STEPS
        loads = tuple(
            tuple((1 - share) * one + share * two for one, two in zip(a, b, strict=True))
            for a, b in zip(section.loads, after.loads, strict=True)
        )
        supports = tuple(
            replace(one, load_N=(1 - share) * one.load_N + share * two.load_N)
            for one, two in zip(section.supports, after.supports, strict=True)
        )
        made = Section(supports, section.spans, loads)
        states.append(settle(made, guess, what))
        guess = np.array([line.force for line in states[-1].lines])
    course = _Course(0, tuple(states), made)
    return Change(_moves([[course]], sudden), whole.pulls, states[-1].pulls)


def eased(made: Carried, before: Shares, after: Shares, sudden: bool = True) -> Change:
    """Lines that carry loads, from one state of them to another.

    Parameters
    ----------
    before, after: shares of the loads that are on
    sudden: False where the load is let down or taken up slowly; then there is no overshoot

    The moves are those of the first model of the conductor; what the others do differently is in their uncertainty.

    Examples
    --------
    A trolley of 500 N leaves the middle of a 60 m span of Drake, which rises there by 0.27 m, and at once by up to
    twice that:

    >>> from clearance.conductor.catalogue import find
    >>> from clearance.conductor.lines import End, Known, Line, PointLoad
    >>> from clearance.conductor.loads import carried
    >>> line = Line("bus", End((0, 0, 9)), End((60, 0, 9)), 0.0281, find("Drake"), known=Known(tension_N=6000.0,
    ...             weight_N_m=15.97), loads=(PointLoad("trolley", 30.0, (0.0, 0.0, -500.0)),))
    >>> move = eased(carried([line]), {("bus", "trolley"): 1.0}, {}).moves[0]
    >>> round(float(move.rate[:, 2].max()), 2), move.range_1
    (0.27, (0.0, 2.0))
    """
    keys = dict.fromkeys((*before, *after))
    runs = []
    for model in range(len(made.strung)):
        # The other models only say how far off they are: fewer shares do.
        steps = STEPS if model == 0 else 2
        states, section = [], None
        for k in range(steps + 1):
            share = k / steps
            on = {key: (1 - share) * before.get(key, 0.0) + share * after.get(key, 0.0) for key in keys}
            section, found = settled(made, on, model)
            states.append(found)
        assert section is not None
        runs.append([_Course(0, tuple(states), section)])
    first = runs[0][0].states
    return Change(_moves(runs, sudden), first[0].pulls, first[-1].pulls)


def parted(made: Carried, on: Shares, span: int, sudden: bool = True) -> Change:
    """Lines that carry loads, one of them taken off at both its ends: what the spans on either side do.

    on: shares of the loads that are on, those of the remaining lines throughout; span: index of the line that goes
    Otherwise as `without_span`, under every model of the conductor.
    """
    runs, pulls = [], []
    for model, strung in enumerate(made.strung):
        section, whole = settled(made, on, model)
        steps = STEPS if model == 0 else 2
        courses = []
        for first, last, at_support, pull in _sides(section, whole, span):
            states, part = [], section
            for k in range(steps + 1):
                part, found = _part(made, on, strung, (first, last), at_support, (1.0 - k / steps) * pull)
                states.append(found)
            courses.append(_Course(first, tuple(states), part, (at_support - first, pull)))
        runs.append(courses)
        pulls.append((whole.pulls, _pulls(section, whole, courses)))
    return Change(_moves(runs, sudden), *pulls[0])


def _part(
    made: Carried, on: Shares, strung: Strung, which: tuple[int, int], at_support: int, pull: Floats
) -> tuple[Section, Settled]:
    """The lines `which` (from, to) of a section by themselves, a force on one of their supports."""
    first, last = which
    own = [
        one + (pull if j == at_support else 0.0) for j, one in enumerate(strung.clamp_N[first : last + 1], start=first)
    ]
    part = Strung(
        strung.supports[first : last + 1], strung.lengths_m[first:last], strung.model, strung.weight_N_m,
        tuple(own), strung.strings[first:last],
    )  # fmt: skip
    what = f"section of wire '{made.lines[first].name}'"
    return at_state(part, made.at_C, hung=hung_on(made, on)[first:last], what=what)


def _pulls(section: Section, whole: Settled, courses: Sequence[_Course]) -> Floats:
    """Force on each clamp from the spans that are left, and its own load [N]."""
    after = {course.first + k: line for course in courses for k, line in enumerate(course.states[-1].lines)}
    pulls = whole.pulls.copy()
    for j in range(len(pulls)):
        pulls[j] = section.supports[j].load_N
        if j in after:
            pulls[j] = pulls[j] + after[j].force
        if j - 1 in after:
            line = after[j - 1]
            pulls[j] = pulls[j] - run(line.force, line.segments, line.loads)[3]
    return pulls


def _moves(runs: Sequence[Sequence[_Course]], sudden: bool) -> tuple[Move, ...]:
    """The moves of every span: the first run of courses from before to after gives them, all runs their uncertainty."""
    moves = []
    for number, course in enumerate(runs[0]):
        reaches = None
        if sudden and course.support is None:
            energy = released_energy(course.states, course.support)
            reaches = reach_of(course.section, course.states[-1], energy, _sideways(course))
        for order, first in enumerate(course.states[0].lines):
            tries = [[state.lines[order] for state in courses[number].states] for courses in runs]
            counts = chord_counts([line for lines in tries for line in lines], CHORD_ERROR_M)
            shapes = [np.array([at_shares(line, counts) for line in lines]) for lines in tries]
            before, rate = shapes[0][0], shapes[0][-1] - shapes[0][0]
            beyond = np.zeros(len(before))
            if reaches is not None:
                shares = _shares(first, counts)
                upright, along_, across = (
                    _largest(shares, values)
                    for values in (reaches[order].upright_m, reaches[order].along_m, reaches[order].across_m)
                )
                # At the parameter that puts it at its height, or as near as the range lets it.
                left_over = np.maximum(upright - np.abs(rate[:, 2]), 0.0), along_, across
                level = np.linalg.norm(rate[:, :2], axis=1)
                beyond = np.sqrt(left_over[0] ** 2 + (np.hypot(left_over[1], left_over[2]) + level) ** 2)
            last = tries[0][-1]
            ends = last.start - first.start, last.end - first.end
            moves.append(
                Move(
                    course.first + order,
                    before,
                    rate,
                    (0, *(int(cut) for cut in np.cumsum(counts))),
                    _apart(shapes, rate) + CHORD_ERROR_M,
                    beyond,
                    (0.0, OVERSHOOT if sudden else 1.0),
                    float(np.hypot(*first.force[:2])),
                    float(np.hypot(*last.force[:2])),
                    (float(np.linalg.norm(ends[0])), float(np.linalg.norm(ends[1]))),
                )
            )
    return tuple(moves)


def _apart(runs: Sequence[Floats], rate: Floats) -> float:
    """How far any state of any run is from the move at its best share, and between two states of the first [m]."""
    size, before = float((rate * rate).sum()), runs[0][0]
    worst = 0.0
    for shapes in runs:
        for shape in shapes:
            share = float(((shape - before) * rate).sum() / size) if size > 0 else 0.0
            off = shape - before - min(max(share, 0.0), 1.0) * rate
            worst = max(worst, float(np.linalg.norm(off, axis=1).max()))
    # Between two solved shares the line goes no further aside than it did from one to the next.
    steps = np.diff(runs[0], axis=0) - rate / (len(runs[0]) - 1)
    return worst + float(np.linalg.norm(steps, axis=2).max())


def _sideways(course: _Course) -> bool:
    """Whether what goes pulls across the vertical plane of any span."""
    for order, line in enumerate(course.states[0].lines):
        way = line.end - line.start
        left = np.array([-way[1], way[0], 0.0]) / max(float(np.hypot(*way[:2])), 1e-9)
        gone = [one - two for one, two in zip(line.loads, course.states[-1].lines[order].loads, strict=True)]
        gone += [course.support[1]] if course.support is not None else []
        if any(abs(float(force @ left)) > 1e-6 * (float(np.linalg.norm(force)) + 1e-9) for force in gone):
            return True
    return False


def _shares(line: Hung, counts: Sequence[int]) -> Floats:
    """Share of the line's unstretched length at each of its vertices."""
    edges = [0.0]
    for segment, count in zip(line.segments, counts, strict=True):
        edges += [edges[-1] + segment.length_m * (k + 1) / count for k in range(count)]
    return np.array(edges) / edges[-1]


def _largest(shares: Floats, values: Floats) -> Floats:
    """At each share the larger of the values at the two stations around it."""
    after = np.clip(np.searchsorted(STATIONS, shares, side="left"), 1, len(STATIONS) - 1)
    return np.maximum(values[after - 1], values[after])


def at(move: Move, parameter: ArrayLike) -> Floats:
    """The span's polyline (n, 3) [m] at a value of the parameter."""
    return np.asarray(move.before + float(np.asarray(parameter)) * move.rate, float)
