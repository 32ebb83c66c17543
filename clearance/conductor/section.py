"""Owns the equilibrium of several spans together: suspension strings that swing along and across the line, unequal
spans and heights, dead ends, structures that give.

Describe one with `Section` and call `settle`; for a conductor strung at a known tension use `strung`, then `at_state`
for other temperatures and loads. A support with a string is a suspension; without one it is a dead end (the
conductor's tension may differ on its two sides) and the spans on either side do not see each other unless the
structure gives.

How it is solved. The clamp of a string of length l hangs from its attachment along the force on it, F = (tension of the
span after) - (tension of the span before) + (load on the clamp), so its place is the gradient of l |F|; a structure
that gives adds the gradient of F . C F / 2. Together with the lines' own complementary energy (see `elastic`) the
whole section is the minimum of one convex function of the spans' tensions: the equilibrium is the only one, and a
damped Newton iteration finds it. A string is taken as a link that pulls; one that would have to push hangs upward,
which `uplifted` tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import inf

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.conductor.change_of_state import Elongation, Linear, reference_length, strain
from clearance.conductor.elastic import RESIDUAL_M, Hung, Segment, hang, mean_tension, run
from clearance.conductor.least import ITERATIONS, newton
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]
Strings = tuple[tuple[float, float], tuple[float, float]]

NO_STRINGS: Strings = ((0.0, 1.0), (0.0, 1.0))

ROUNDS = 60
"""[1] Passes over the spans' lengths before a section is refused; a linear conductor needs 3 or 4."""


@dataclass(frozen=True, eq=False)
class Support:
    """Where a section is held.

    point: attachment on the structure (3,) [m]
    string_m: length of a suspension string [m]; 0 for a dead end
    load_N: force on the clamp besides the spans (3,) [N]: half the string's weight and wind, hardware, a counterweight
    give_m_N: how far the structure gives, symmetric (3, 3) [m/N]; None for one that does not
    """

    point: Floats
    string_m: float = 0.0
    load_N: Floats = field(default_factory=lambda: np.zeros(3))
    give_m_N: Floats | None = None


@dataclass(frozen=True, eq=False)
class Section:
    """Supports, n + 1, and between them n spans, each a list of segments with loads at their joints."""

    supports: tuple[Support, ...]
    spans: tuple[tuple[Segment, ...], ...]
    loads: tuple[tuple[Floats, ...], ...]


@dataclass(frozen=True, eq=False)
class Settled:
    """A section in equilibrium.

    clamps: where the conductor is held, (n + 1, 3) [m]
    pulls: force on each clamp from the conductor and its load, (n + 1, 3) [N]
    lines: each span, hung between its clamps
    residual_m: greatest mismatch of a span's end [m]
    energy_J: the least of the function that was minimised; by a force on a joint it grows as the joint's place beyond
        the attachment at the end of its span
    """

    clamps: Floats
    pulls: Floats
    lines: tuple[Hung, ...]
    residual_m: float
    energy_J: float


def settle(section: Section, guess: Floats | None = None, what: str = "section", most: int = ITERATIONS) -> Settled:
    """The equilibrium of a section.

    Parameters
    ----------
    section: what hangs
    guess: tensions at the start of each span (n, 3) [N], from a state nearby
    what: name for messages
    most: steps before it is refused

    Raises
    ------
    InputError: counts that do not fit, or no convergence.

    Examples
    --------
    Two level spans of 300 m of inextensible wire of 15 N/m, one with 0.5 m more wire: the string between them (2 m,
    weightless) swings towards the tighter span until both pull alike.

    >>> wire = [(Segment(301.0, (0.0, 0.0, -15.0)),), (Segment(301.5, (0.0, 0.0, -15.0)),)]
    >>> ends = [Support(np.array([x, 0.0, 0.0])) for x in (0.0, 600.0)]
    >>> supports = (ends[0], Support(np.array([300.0, 0.0, 2.0]), 2.0), ends[1])
    >>> settled = settle(Section(supports, tuple(wire), ((), ())))
    >>> round(float(settled.clamps[1, 0]), 3)
    299.794
    """
    count = len(section.spans)
    if len(section.supports) != count + 1 or len(section.loads) != count or count == 0:
        raise InputError(
            Mistake((what,), "one support more than spans", f"{len(section.supports)} supports, {count} spans")
        )
    chords = [section.supports[i + 1].point - section.supports[i].point for i in range(count)]
    length = sum(segment.length_m for span in section.spans for segment in span)
    if guess is None:
        guess = np.array([_first_guess(section, i) for i in range(count)])

    def energy(flat: Floats) -> tuple[float, Floats, Floats]:
        tensions = flat.reshape(count, 3)
        runs = [run(tensions[i], section.spans[i], section.loads[i]) for i in range(count)]
        value = sum(part[2] - float(tensions[i] @ chords[i]) for i, part in enumerate(runs))
        gradient = np.array([part[0] - chords[i] for i, part in enumerate(runs)])
        curve = np.zeros((3 * count, 3 * count))
        for i, part in enumerate(runs):
            curve[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] += part[1]
        for j, support in enumerate(section.supports):
            pull = _pull(section, tensions, runs, j)
            stored, place, slope = _held(support, pull)
            value += stored
            # The span after feels the clamp's move at its start, the span before at its end.
            sides = [(i, sign) for i, sign in ((j, 1.0), (j - 1, -1.0)) if 0 <= i < count]
            for i, sign in sides:
                gradient[i] += sign * place
                for k, other in sides:
                    curve[3 * i : 3 * i + 3, 3 * k : 3 * k + 3] += sign * other * slope
        return value, gradient.ravel(), curve

    flat, residual = newton(energy, guess.ravel(), RESIDUAL_M * (1.0 + length / 1000.0), what, most)
    tensions = flat.reshape(count, 3)
    runs = [run(tensions[i], section.spans[i], section.loads[i]) for i in range(count)]
    pulls = np.array([_pull(section, tensions, runs, j) for j in range(count + 1)])
    clamps = np.array([support.point + _held(support, pulls[j])[1] for j, support in enumerate(section.supports)])
    lines = tuple(
        Hung(clamps[i], clamps[i + 1], tensions[i], section.spans[i], section.loads[i], residual) for i in range(count)
    )
    return Settled(clamps, pulls, lines, residual, energy(flat)[0])


def _pull(section: Section, tensions: Floats, runs: Sequence[tuple[Floats, Floats, float, Floats]], j: int) -> Floats:
    pull = section.supports[j].load_N.copy()
    if j < len(section.spans):
        pull += tensions[j]
    if j > 0:
        pull -= runs[j - 1][3]
    return pull


def _held(support: Support, pull: Floats) -> tuple[float, Floats, Floats]:
    """Energy, displacement of the clamp from the attachment and its derivative, for a force on the clamp."""
    value, place, slope = 0.0, np.zeros(3), np.zeros((3, 3))
    if support.string_m > 0:
        size = max(float(np.linalg.norm(pull)), 1e-9)
        unit = pull / size
        value, place = support.string_m * size, support.string_m * unit
        slope = support.string_m / size * (np.eye(3) - np.outer(unit, unit))
    if support.give_m_N is not None:
        give = support.give_m_N @ pull
        value, place, slope = value + float(pull @ give) / 2.0, place + give, slope + support.give_m_N
    return value, place, slope


def _first_guess(section: Section, i: int) -> Floats:
    """Tension at the start of span i with its strings plumb; where it is too short for that, a stiff stand-in."""
    ends = [support.point - np.array([0.0, 0.0, support.string_m]) for support in section.supports[i : i + 2]]
    spans = section.spans[i]
    try:
        return hang(ends[0], ends[1], spans, section.loads[i]).force
    except InputError:
        chord = float(np.linalg.norm(ends[1] - ends[0]))
        total = sum((np.asarray(segment.load_N_m) * segment.length_m for segment in spans), np.zeros(3))
        return np.asarray((ends[1] - ends[0]) / chord * 5.0 * float(np.linalg.norm(total)) + total / 2.0, float)


def uplifted(section: Section, settled: Settled) -> tuple[int, ...]:
    """Supports whose string stands above the level of its attachment: the spans lift it."""
    return tuple(
        j
        for j, support in enumerate(section.supports)
        if support.string_m > 0 and settled.clamps[j, 2] > support.point[2]
    )


@dataclass(frozen=True, eq=False)
class Strung:
    """A section of one conductor whose unstressed lengths are known.

    supports: with string lengths and structures' give; loads on clamps are set per state
    lengths_m: unstressed length of each span at the reference temperature [m]
    model: how the conductor lengthens
    weight_N_m: per hung metre
    clamp_N: force on each clamp besides the spans, in still air (3,) [N] each
    strings: of each span, its strain strings at start and end: length [m] and load per metre over the conductor's
    """

    supports: tuple[Support, ...]
    lengths_m: tuple[float, ...]
    model: Elongation
    weight_N_m: float
    clamp_N: tuple[Floats, ...]
    strings: tuple[Strings, ...] = ()


def strung(
    supports: Sequence[Support],
    tension_N: float | Sequence[float],
    weight_N_m: float,
    temperature_C: float,
    model: Elongation,
    strings: Sequence[Strings] | None = None,
) -> Strung:
    """A section clipped in with plumb strings at a horizontal tension [N] and temperature [C], in still air.

    With all strings plumb the horizontal tension is the same in every span: this is the state after clipping in at
    offsets. Where the spans are known by themselves, give a tension for each: `at_state` then finds how far the strings
    lean at the same temperature.
    """
    count = len(supports) - 1
    pulls = [float(tension_N)] * count if isinstance(tension_N, int | float) else [float(pull) for pull in tension_N]
    kept = tuple(strings) if strings is not None else (NO_STRINGS,) * count
    lengths = []
    for (one, two), pull, ((a, r), (b, q)) in zip(pairwise(supports), pulls, kept, strict=True):
        start, end = _plumb(one), _plumb(two)
        level, rise = float(np.hypot(*(end - start)[:2])), float((end - start)[2])
        chord, tilt = float(np.hypot(level, rise)), float(np.arctan2(rise, level))
        lengths.append(reference_length(chord, tilt, pull, weight_N_m, temperature_C, model, (a, b), (r, q)))
    own = tuple(support.load_N for support in supports)
    return Strung(tuple(supports), tuple(lengths), model, weight_N_m, own, kept)


def _plumb(support: Support) -> Floats:
    return np.asarray(support.point - np.array([0.0, 0.0, support.string_m]), float)


def at_state(
    line: Strung,
    temperature_C: float,
    wind_N_m: ArrayLike = (0.0, 0.0, 0.0),
    clamp_wind_N: ArrayLike = (0.0, 0.0, 0.0),
    hung: Sequence[Sequence[tuple[float, ArrayLike]]] | None = None,
    extra_N_m: float = 0.0,
    what: str = "section",
) -> tuple[Section, Settled]:
    """The section at another temperature and load.

    Parameters
    ----------
    line: the section, its unstressed lengths known
    temperature_C: of the conductor
    wind_N_m: horizontal force per metre of every span (3,), or of each (n, 3)
    clamp_wind_N: wind on each string as it acts at the clamp (3,) [N], or on each (n + 1, 3)
    hung: per span, loads hung on it: (share of its length 0 to 1, force (3,) [N])
    extra_N_m: further weight per metre, such as ice

    Examples
    --------
    Three equal level spans behave as one: heating moves no string.

    >>> ends = [Support(np.array([x, 0.0, 0.0])) for x in (0.0, 900.0)]
    >>> rail = [ends[0], *(Support(np.array([x, 0.0, 2.0]), 2.0) for x in (300.0, 600.0)), ends[1]]
    >>> line = strung(rail, 25000.0, 15.97, 15.0, Linear(34.2e6, 18.9e-6))
    >>> section, hot = at_state(line, 75.0)
    >>> [round(float(clamp[0]), 4) for clamp in hot.clamps]
    [0.0, 300.0, 600.0, 900.0]
    """
    count = len(line.lengths_m)
    wind = np.broadcast_to(np.asarray(wind_N_m, float), (count, 3))
    clamp_wind = np.broadcast_to(np.asarray(clamp_wind_N, float), (count + 1, 3))
    per_span = wind - np.array([0.0, 0.0, line.weight_N_m + extra_N_m])
    strings = line.strings or (NO_STRINGS,) * count
    model = line.model
    stiffness = model.stiffness_N if isinstance(model, Linear) else model.core_stiffness_N + model.outer_stiffness_N
    supports = tuple(
        replace(support, load_N=own + (blown if support.string_m > 0 else 0.0))
        for support, own, blown in zip(line.supports, line.clamp_N, clamp_wind, strict=True)
    )
    pulls = [float(np.linalg.norm(load)) * 1000.0 for load in per_span]
    guess: Floats | None = None
    for _ in range(ROUNDS):
        spans, loads = [], []
        for index, length in enumerate(line.lengths_m):
            # The stretched length at this mean tension is that of the model; the spring only carries small changes.
            stretch = 1.0 if stiffness == inf else 1.0 + pulls[index] / stiffness
            whole = length * (1.0 + strain(line.model, pulls[index], temperature_C)) / stretch
            spots = sorted(
                ((float(share), np.asarray(force, float)) for share, force in (hung[index] if hung else ())),
                key=lambda spot: spot[0],
            )
            edges = [0.0, *(share for share, _ in spots), 1.0]
            # Load per unstretched metre such that a hung metre weighs what it should.
            made = [Segment(whole * (b - a), _three(per_span[index] * stretch), stiffness) for a, b in pairwise(edges)]
            joined = [force for _, force in spots]
            (first, light), (last, heavy) = strings[index]
            if first > 0:
                made.insert(0, Segment(first, _three(per_span[index] * light)))
                joined.insert(0, np.zeros(3))
            if last > 0:
                made.append(Segment(last, _three(per_span[index] * heavy)))
                joined.append(np.zeros(3))
            spans.append(tuple(made))
            loads.append(tuple(joined))
        section = Section(supports, tuple(spans), tuple(loads))
        settled = settle(section, guess, what)
        means = [_mean(span, strings[index]) for index, span in enumerate(settled.lines)]
        moved = max(abs(new - old) / new for new, old in zip(means, pulls, strict=True))
        # Two-part conductors change stiffness at the knee: half a step there keeps the passes from hopping over it.
        pulls = (
            means
            if isinstance(line.model, Linear)
            else [0.5 * (new + old) for new, old in zip(means, pulls, strict=True)]
        )
        guess = np.array([span.force for span in settled.lines])
        if moved < 1e-8:
            return section, settled
    raise InputError(
        Mistake(
            (what,),
            f"steady tensions within {ROUNDS} passes",
            f"still moving by {moved:.1e}",
            "check the conductor's figures",
        )
    )


def _three(load: Floats) -> tuple[float, float, float]:
    return float(load[0]), float(load[1]), float(load[2])


def _mean(line: Hung, strings: Strings) -> float:
    """Mean tension over the conductor of a span, its strings left out [N]."""
    own = range(1 if strings[0][0] > 0 else 0, len(line.segments) - (1 if strings[1][0] > 0 else 0))
    whole = sum(line.segments[k].length_m for k in own)
    return sum(mean_tension(line, k) * line.segments[k].length_m for k in own) / whole


def horizontal_tensions(settled: Settled) -> tuple[float, ...]:
    """Horizontal tension of each span [N], at its start."""
    return tuple(float(np.hypot(line.force[0], line.force[1])) for line in settled.lines)
