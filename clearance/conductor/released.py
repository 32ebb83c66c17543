"""Owns what the remaining wires do when a load or a conductor goes: shapes before and after, with everything between.

`without_span` takes a span off a section, `changed` compares any two states of one section (a worker or a ladder
comes off, a pull is let go). Each remaining span becomes a `Move`: its polyline before, how each point moves per unit
of a parameter that is 0 before and 1 after, and a slack within which the line stays while the load goes from whole to
nothing.

A load let go suddenly does not stop at its new rest. Without damping a line swings at most as far beyond it as it
came from: twice the static move (any text on step loads of a linear system). So the range of the parameter is [0,
`OVERSHOOT`]; a load lowered slowly, on a rope and winch, may be given [0, 1] by whoever answers for it. Waves along
the wire and whip of the freed tail are not evaluated; the tail itself is a body of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.conductor.elastic import Hung, Segment, run
from clearance.conductor.section import Section, Settled, settle
from clearance.errors import InputError, Mistake
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]

OVERSHOOT: Final = 2.0
"""[1] How far beyond the new rest a suddenly released line may go, counted from the old one; 2 is an undamped step."""

STEPS: Final = 16
"""[1] Shares of the load at which the states between are solved."""


@dataclass(frozen=True, eq=False)
class Move:
    """How one remaining span moves.

    span: its index in the section as it was
    before: (n, 3) its polyline with the load [m]; rate: (n, 3) its move from before to after [m]
    slack_m: no state between is further than this from the polyline at some parameter in 0 to 1, chord error included
    range_1: range of the parameter to sweep
    pull_before_N, pull_after_N: horizontal tension
    clamps_m: how far its two ends move from before to after [m]
    """

    span: int
    before: Floats
    rate: Floats
    slack_m: float
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


def without_span(section: Section, settled: Settled, span: int, sudden: bool = True, what: str = "section") -> Change:
    """A span taken off at both its ends: what the spans on either side do.

    Parameters
    ----------
    section, settled: the section before and its equilibrium
    span: index of the span that goes
    sudden: False where its tension is let down slowly; then there is no overshoot

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
    start_pull = settled.lines[span].force
    end_pull = -run(settled.lines[span].force, section.spans[span], section.loads[span])[3]

    def at_share(share: float) -> list[tuple[int, Hung]]:
        found: list[tuple[int, Hung]] = []
        for first, last, extra_at, extra in ((0, span, span, start_pull), (span + 1, count, 0, end_pull)):
            if last <= first:
                continue
            supports = list(section.supports[first : last + 1])
            held = supports[extra_at - first if first == 0 else 0]
            supports[extra_at - first if first == 0 else 0] = replace(held, load_N=held.load_N + share * extra)
            part = Section(tuple(supports), section.spans[first:last], section.loads[first:last])
            guess = np.array([line.force for line in settled.lines[first:last]])
            done = settle(part, guess, what)
            found += [(first + k, line) for k, line in enumerate(done.lines)]
        return found

    states = [at_share(1.0 - k / STEPS) for k in range(STEPS + 1)]
    after = {index: line for index, line in states[-1]}
    pulls = settled.pulls.copy()
    for j in range(count + 1):
        pulls[j] = section.supports[j].load_N
        if j in after:
            pulls[j] = pulls[j] + after[j].force
        if j - 1 in after:
            line = after[j - 1]
            pulls[j] = pulls[j] - run(line.force, line.segments, line.loads)[3]
    return Change(_moves(states, OVERSHOOT if sudden else 1.0), settled.pulls, pulls)


def changed(before: tuple[Section, Settled], after: Section, sudden: bool = True, what: str = "section") -> Change:
    """A section whose loads change while its spans and supports stay: a worker, a ladder or a pull comes off or on.

    Parameters
    ----------
    before: the section and its equilibrium
    after: the section with the same segments and other loads
    """
    section, settled = before
    if [len(span) for span in section.spans] != [len(span) for span in after.spans]:
        raise InputError(
            Mistake((what, "segments"), "the same segments before and after", "others", "keep a load of 0 N")
        )
    states, guess = [], np.array([line.force for line in settled.lines])
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
        done = settle(Section(supports, section.spans, loads), guess, what)
        guess = np.array([line.force for line in done.lines])
        states.append(list(enumerate(done.lines)))
        last = done
    return Change(_moves(states, OVERSHOOT if sudden else 1.0), settled.pulls, last.pulls)


def _moves(states: Sequence[Sequence[tuple[int, Hung]]], top: float) -> tuple[Move, ...]:
    moves = []
    for order, (index, first) in enumerate(states[0]):
        lines = [state[order][1] for state in states]
        count, chord_error = _count(lines)
        shapes = np.array([_sampled(line, count) for line in lines])
        rate = shapes[-1] - shapes[0]
        whole = float((rate * rate).sum())
        worst = 0.0
        for shape in shapes:
            share = float(((shape - shapes[0]) * rate).sum() / whole) if whole > 0 else 0.0
            worst = max(
                worst, float(np.linalg.norm(shape - shapes[0] - min(max(share, 0.0), 1.0) * rate, axis=1).max())
            )
        # Between two solved shares the line goes no further aside than it did from one to the next.
        step = float(np.linalg.norm(np.diff(shapes, axis=0) - rate / STEPS, axis=2).max())
        ends = lines[-1].start - first.start, lines[-1].end - first.end
        moves.append(
            Move(
                index,
                shapes[0],
                rate,
                worst + step + chord_error,
                (0.0, top),
                float(np.hypot(*first.force[:2])),
                float(np.hypot(*lines[-1].force[:2])),
                (float(np.linalg.norm(ends[0])), float(np.linalg.norm(ends[1]))),
            )
        )
    return tuple(moves)


def _count(lines: Sequence[Hung]) -> tuple[int, float]:
    """Chords per segment that keep every state within the chord error, and what they leave."""
    count, error = 2, 0.0
    for line in lines:
        tension = line.force
        for index, segment in enumerate(line.segments):
            load = np.asarray(segment.load_N_m)
            size = float(load @ load)
            at = min(max(float(tension @ load) / size, 0.0), segment.length_m) if size else 0.0
            bend = float(np.sqrt(size)) / max(float(np.linalg.norm(tension - load * at)), 1e-9)
            count = max(count, int(np.ceil(segment.length_m * np.sqrt(bend / (8.0 * CHORD_ERROR_M)))))
            tension = tension - load * segment.length_m - (line.loads[index] if index < len(line.loads) else 0.0)
            error = max(error, CHORD_ERROR_M)
    return count, error


def _sampled(line: Hung, count: int) -> Floats:
    """Points of a line at equal shares of each segment, the same shares in every state."""
    place, tension, points = line.start, line.force, [line.start]
    for index, segment in enumerate(line.segments):
        for k in range(1, count + 1):
            part = Segment(segment.length_m * k / count, segment.load_N_m, segment.stiffness_N)
            points.append(place + run(tension, [part], [])[0])
        place = points[-1]
        tension = run(tension, [segment], [])[3] - (line.loads[index] if index < len(line.loads) else 0.0)
    return np.array(points)


def at(move: Move, parameter: ArrayLike) -> Floats:
    """The span's polyline (n, 3) [m] at a value of the parameter."""
    return np.asarray(move.before + float(np.asarray(parameter)) * move.rate, float)
