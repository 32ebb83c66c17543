"""Owns how far a line may go when a load on it is let go at once: a bound by energy, at every point of it.

A load that goes leaves the line at rest in its old place, which is no longer its equilibrium. From there on the energy
of stretch and height can only turn into motion and back, or be lost: it never exceeds what it was. A conductor, its
strings and its supports have a potential that is convex in the places of all their points (lines that only pull,
weight, strings that hold like ropes), so the places of a point that the energy allows end, in any direction, where a
static force at the point in that direction stores just that energy. Static solutions at a few points thus bound the
undamped motion of all modes together. What a state stores is exact: the least of the complementary energy, which
`section.settle` finds, grows with a force as the place of the point it acts on, so their product less that growth is
the work of a force that grew. Twice the static move, which one mode alone does not exceed, is no bound for a
line: a kink runs along it and comes back from its other end [1]_.

Not in it: the energy that whoever lets go puts in, and the swing of a load that stays on.

References
----------
.. [1] The wave equation with fixed ends by reflection; any text on vibrations, e.g. L. Meirovitch, "Fundamentals of
   Vibrations" (from memory). The bound is tried against a chain integrated in time in
   `tests/test_conductor_released.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.elastic import joints
from clearance.conductor.section import Section, Settled, settle
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]

STATIONS: Final = (0.0, 0.125, 0.25, 0.5, 0.75, 0.875, 1.0)
"""[1] Shares of a span at which the bound is worked out; between two the larger one holds. More: less uncertainty,
slower."""

MORE: Final = 1.05
"""[1] Factor on every reach, for what lies between stations."""

ENOUGH: Final = 0.03
"""[1] A probing force is right when the energy it stores is within this part of what was let go."""

TRIES: Final = 20
"""[1] Corrections of a probing force at most; what is missing then is bounded by convexity."""

FIRST_N: Final = 10.0
"""[N] Probing force to begin with; each correction changes it five times at most, so a solution is near the last."""

LARGEST_N: Final = 1.0e5
"""[N] Most that a point is probed with: beyond what any conductor bears."""

PATIENCE: Final = 25
"""[1] Newton steps before a probing force counts as too large; those that find a state take 3 to 10."""

HELD_M: Final = 1e-6
"""[m] A point that moves less under the largest force is held by its structure."""

STILL_J: Final = 1e-9
"""[J] Less energy than this moves nothing: 1e-9 J are 1 N over a nanometre."""


@dataclass(frozen=True, eq=False)
class Reach:
    """How far a span may go from its rest, at `STATIONS` [m]: vertically up or down, along and across the line."""

    upright_m: Floats
    along_m: Floats
    across_m: Floats


def released_energy(states: Sequence[Settled], support: tuple[int, Floats] | None = None) -> float:
    """Energy [J] that a line in its first state holds over its last, once the loads that differ are gone.

    The work of the force that would have held it back through the states between: for each step of the joint or clamp,
    what was still to go at its beginning, so never too little. `support`: a clamp and the force on it that goes in
    equal steps (3,) [N].
    """
    energy = 0.0
    count = len(states) - 1
    for k, (one, two) in enumerate(pairwise(states)):
        for first, second, last in zip(one.lines, two.lines, states[-1].lines, strict=True):
            held = np.array(first.loads) - np.array(last.loads)
            if len(held):
                energy -= float((held * (joints(second) - joints(first))[1:-1]).sum())
        if support is not None:
            share = 1.0 - k / count
            energy -= float(share * support[1] @ (two.clamps[support[0]] - one.clamps[support[0]]))
    return max(energy, 0.0)


def reach_of(section: Section, rest: Settled, energy_J: float, sideways: bool, what: str = "section") -> list[Reach]:
    """How far each span of a section at rest may go with an energy [J].

    sideways: whether what was let go pulled across the line; else it stays in its vertical plane

    Raises InputError where no probing force finds a state: nothing bounds that.

    Examples
    --------
    A taut string of 100 m and 10 kN that held 100 N at half: it was 0.25 m aside and goes as far to the other side.

    >>> from clearance.conductor.elastic import Segment
    >>> from clearance.conductor.section import Support
    >>> ends = tuple(Support(np.array([x, 0.0, 0.0])) for x in (0.0, 100.0))
    >>> bare = Section(ends, ((Segment(99.9, (0.0, 0.0, -0.5), 1e7),),), ((),))
    >>> reach = reach_of(bare, settle(bare), 0.5 * 100.0 * 0.25, False)[0]
    >>> round(float(reach.upright_m[3]) / MORE, 2)
    0.25
    """
    guess = np.array([line.force for line in rest.lines])
    found = list[Reach]()
    for span, line in enumerate(rest.lines):
        step = line.end - line.start
        way = np.array([*step[:2], 0.0])
        way /= max(float(np.linalg.norm(way)), 1e-9)
        left, up = np.array([-way[1], way[0], 0.0]), np.array([0.0, 0.0, 1.0])
        ways = [up, -up, way, -way, *([left, -left] if sideways else [])]
        # What held a point back at one station is a first guess at the next.
        forces = [FIRST_N] * len(ways)
        rows = []
        for station in STATIONS:
            if _held(section, span, station):
                rows.append([HELD_M] * 3)
                continue
            probe = _Probe(section, guess, span, station, what)
            far = []
            for k, direction in enumerate(ways):
                try:
                    reached, forces[k] = _furthest(probe, direction, energy_J, forces[k])
                except InputError as error:
                    expected = "a load small enough for how far the line springs to be bounded"
                    remedy = "let it down slowly and say who answers for it, or state how far the wire may move"
                    let_go = f"{energy_J:.0f} J let go at once"
                    raise InputError(Mistake((what,), expected, let_go, remedy)) from error
                far.append(reached)
            rows.append([max(far[0], far[1]), max(far[2], far[3]), max(far[4:], default=0.0)])
        upright, along, across = MORE * np.array(rows).T
        found.append(Reach(upright, along, across))
    return found


def _held(section: Section, span: int, station: float) -> bool:
    """Whether a point is the end of a span that its structure holds."""
    if 0.0 < station < 1.0:
        return False
    support = section.supports[span + int(station)]
    return support.string_m == 0.0 and support.give_m_N is None


@dataclass(eq=False)
class _Probe:
    """A point of a section, a share of a span along it, and the tensions last found there."""

    section: Section
    guess: Floats
    span: int
    station: float
    what: str


def _place(probe: _Probe, force: Floats) -> tuple[Floats, float]:
    """Where the point comes to under a force at it, from the attachment at the end of its span (3,) [m], and the least
    complementary energy [J]; the point is given a joint of its own."""
    section, span = probe.section, probe.span
    segments, loads = list(section.spans[span]), list(section.loads[span])
    whole = sum(segment.length_m for segment in segments)
    left, index = probe.station * whole, 0
    while index < len(segments) - 1 and left > segments[index].length_m:
        left -= segments[index].length_m
        index += 1
    cut = segments[index]
    segments[index : index + 1] = [replace(cut, length_m=left), replace(cut, length_m=cut.length_m - left)]
    loads.insert(index, force)
    spans = (*section.spans[:span], tuple(segments), *section.spans[span + 1 :])
    hung = (*section.loads[:span], tuple(loads), *section.loads[span + 1 :])
    found = settle(Section(section.supports, spans, hung), probe.guess, probe.what, PATIENCE)
    probe.guess = np.array([line.force for line in found.lines])
    return joints(found.lines[span])[index + 1] - section.supports[span + 1].point, found.energy_J


def _furthest(probe: _Probe, way: Floats, energy_J: float, first_N: float) -> tuple[float, float]:
    """How far [m] the point goes in a direction before that takes all the energy, at most; and the force there [N].

    The energy at a distance is convex and its slope is the force that holds the point there. So a state found with a
    force F at x, which stores E, bounds the reach for more energy U by x + (U - E) / F; one that stores more than U, by
    x. A force that finds no state (it lifts a string or the line off its own pull) is too large, no more.
    """
    if energy_J <= STILL_J:
        return 0.0, first_N
    start = probe.guess
    rest, at_rest = _place(probe, np.zeros(3))
    force, low, high, best = first_N, 0.0, inf, inf
    for _ in range(TRIES):
        try:
            place, energy = _place(probe, way * force)
        except InputError:
            high = force
            probe.guess = start
            force = sqrt(max(low, FIRST_N / 100.0) * high)
            continue
        far = float((place - rest) @ way)
        # Work of a force that grew: F x less the integral of x over F.
        stored = max(force * float(place @ way) - (energy - at_rest), 0.0)
        best = min(best, max(far, HELD_M) + max(energy_J - stored, 0.0) / force)
        if stored >= energy_J:
            high = force
        else:
            low = force
        if abs(stored / energy_J - 1.0) <= ENOUGH or high < low * 1.02 or low >= LARGEST_N:
            break
        aim = force * min(max(sqrt(energy_J / max(stored, 1e-30)), 0.2), 5.0)
        force = min(aim if low < aim < high else sqrt(max(low, FIRST_N / 100.0) * high), LARGEST_N)
    probe.guess = start
    if best == inf:
        raise InputError(Mistake((probe.what,), "a state under a probing force", "none"))
    return best, min(max(force, FIRST_N), LARGEST_N)
