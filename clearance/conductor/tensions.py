"""Owns a section in many states at once: what its spans' tensions make of it, and the tensions at which it is at rest.

`section` solves one state with loads at points and structures that give; here are spans under an even load with strain
strings at their ends, and suspension strings between them, in arrays. `rail_of` takes a section, `balance` says by how
much given tensions miss, `at_rest` finds those that do not.

The unknown is the tension tau (3,) [N] at the middle of each span's load: with Q the span's whole load it is tau + Q/2
where the span begins and tau - Q/2 where it ends. The miss of a span, where it ends less where it should, is the
gradient of one convex function E(tau): the complementary energies of the spans, less tau times the way between the
attachments, plus string length times the size F of the force on each clamp [1]_.

How a conductor lengthens depends on its mean tension T_m alone, lambda = 1 + strain(T_m); its load on an unstretched
metre is taken as `worth` times that on a hung one. Then the conductor's part of the energy is l U(T_m), convex with
U' = lambda, T_m the mean of |T| over its unstretched length l; it reaches lambda times as far as one that does not
stretch. A section whose load is given per hung metre, as everywhere in this package, is one whose worth is lambda.

Second derivatives of a piece under an even load, with t its unit tangent: the integral of (1 - t t^T) / |T|.

References
----------
.. [1] H. M. Irvine, "Cable Structures", MIT Press, 1981, section 1.2; complementary energy of cables: any text on
   convex analysis of structures (from memory). Held to `section` and to differences of E in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.conductor import planar
from clearance.conductor.change_of_state import REFERENCE_C, Elongation, Linear
from clearance.conductor.section import NO_STRINGS, Strung

Floats = NDArray[np.float64]

STAGES = 8
"""[1] Steps from one state to all others; each starts the next."""

NEAR_M = 1e-10
"""[m] Tensions are no longer corrected once every span misses by less; enclosures are worked out from what is left."""


@dataclass(frozen=True, eq=False)
class Rail:
    """A section of n spans.

    points, strings_m: of each support, attachment (n + 1, 3) and length of its suspension string (n + 1,) [m], 0 where
        the conductor is held
    lengths_m: unstressed conductor of each span (n,) [m]
    strain_m, ratios: strain strings at its start and end (n, 2) [m], and their load over the conductor's
    laws: (k, 3) the strain is the least of a T + b warm + c over its rows, T in N and warm in C; see `laws_of`
    """

    points: Floats
    strings_m: Floats
    lengths_m: Floats
    strain_m: Floats
    ratios: Floats
    laws: Floats


def rail_of(strung: Strung) -> Rail:
    """The section as arrays; structures that give are left out."""
    kept = np.array(strung.strings or (NO_STRINGS,) * len(strung.lengths_m))
    return Rail(
        np.array([support.point for support in strung.supports]),
        np.array([support.string_m for support in strung.supports]),
        np.array(strung.lengths_m),
        kept[..., 0],
        kept[..., 1],
        laws_of(strung.model),
    )


def laws_of(model: Elongation) -> Floats:
    """Straight laws (k, 3) whose least is `change_of_state.strain` at tensions from 0 up.

    A part that goes loose leaves more lengthening to the other, so force is a convex function of strain and strain a
    concave one of force: the least of what each set of taut parts would do.
    """
    if isinstance(model, Linear):
        return np.array([[1.0 / model.stiffness_N, model.expansion_per_C, -model.expansion_per_C * REFERENCE_C]])
    core, outer = model.core_stiffness_N, model.outer_stiffness_N
    alone = [
        [1.0 / core, model.core_expansion_per_C, model.core_set + model.outer_push_N / core],
        [1.0 / outer, model.outer_expansion_per_C, model.outer_set],
    ]
    grows = core * model.core_expansion_per_C + outer * model.outer_expansion_per_C
    stays = core * model.core_set + outer * model.outer_set
    laws = np.array([*alone, [1.0 / (core + outer), grows / (core + outer), stays / (core + outer)]])
    laws[:, 2] -= laws[:, 1] * REFERENCE_C
    return laws


def strains(laws: Floats, tension_N: Floats, warm_C: Floats) -> Floats:
    """Strain (..., k) [1] under each law."""
    return np.asarray(laws[:, 0] * tension_N[..., None] + laws[:, 1] * warm_C[..., None] + laws[:, 2], float)


@dataclass(frozen=True, eq=False)
class Loads:
    """What a section carries in each state.

    spans: load on a hung metre of each span (..., n, 3) [N/m]; clamps: on each clamp besides (..., n + 1, 3) [N]
    warm_C: temperature (...,) [C]
    """

    spans: Floats
    clamps: Floats
    warm_C: Floats


@dataclass(frozen=True, eq=False)
class Balance:
    """What tensions make of a section, per state and span.

    miss: where the span ends less where it should (..., n, 3) [m]; clamps: (..., n + 1, 3) [m]
    pulls: force on each clamp (..., n + 1, 3) [N]
    level: tension square to the load [N]; mean: mean tension over the conductor [N]; stretch: lambda [1]
    reach: end of the conductor less its start, per unit of lambda (..., n, 3) [m]
    give: second derivative of the span's energy at a fixed lambda (..., n, 3, 3) [m/N]
    """

    miss: Floats
    clamps: Floats
    pulls: Floats
    level: Floats
    mean: Floats
    stretch: Floats
    reach: Floats
    give: Floats


def worths(rail: Rail, worth: Floats) -> Floats:
    """Load of each span over that on a hung metre (..., n) [m]."""
    strings = (rail.strain_m * rail.ratios).sum(axis=-1)
    return np.asarray(strings + worth * rail.lengths_m, float)


def balance(rail: Rail, loads: Loads, tensions: Floats, worth: Floats) -> Balance:
    """What tensions (..., n, 3) [N] make of a section whose conductor weighs so much per unstretched metre (..., n)."""
    size = np.linalg.norm(loads.spans, axis=-1)
    down = loads.spans / size[..., None]
    along = (tensions * down).sum(axis=-1)
    across = tensions - along[..., None] * down
    level = np.linalg.norm(across, axis=-1)
    ahead = across / level[..., None]
    per, whole = size / level, worths(rail, worth)
    first = -along / level - per * whole / 2.0
    begins = first + per * rail.ratios[:, 0] * rail.strain_m[:, 0]
    ends = begins + per * worth * rail.lengths_m
    mean = level * (planar.curve(ends) - planar.curve(begins)) / (2.0 * per * worth * rail.lengths_m)
    stretch = 1.0 + strains(rail.laws, mean, np.broadcast_to(loads.warm_C[..., None], mean.shape)).min(axis=-1)
    parts = (
        (first, per * rail.ratios[:, 0], rail.strain_m[:, 0], 1.0),
        (begins, per * worth, rail.lengths_m, stretch),
        (ends, per * rail.ratios[:, 1], rail.strain_m[:, 1], 1.0),
    )
    run = rise = turned = steeper = np.zeros_like(level)
    for slope, bend, length, times in parts:
        step, climb = planar.piece(slope, bend, length)
        less, more = planar.slopes_of(slope, bend, length)
        run, rise = run + times * step, rise + times * climb
        turned, steeper = turned + times * less, steeper + times * more
    # In the frame ahead, up and aside: see the module for what is integrated.
    both = ahead[..., :, None] * down[..., None, :]
    give = (
        run[..., None, None] * np.eye(3)
        - steeper[..., None, None] * ahead[..., :, None] * ahead[..., None, :]
        - (run - steeper)[..., None, None] * down[..., :, None] * down[..., None, :]
        - turned[..., None, None] * (both + np.swapaxes(both, -1, -2))
    ) / level[..., None, None]
    step, climb = planar.piece(begins, per * worth, rail.lengths_m)
    pulls = np.array(loads.clamps)
    half = loads.spans * (whole / 2.0)[..., None]
    pulls[..., :-1, :] += tensions + half
    pulls[..., 1:, :] -= tensions - half
    hung = pulls / np.linalg.norm(pulls, axis=-1)[..., None]
    clamps = rail.points + rail.strings_m[:, None] * hung
    place = run[..., None] * ahead - rise[..., None] * down
    return Balance(
        place - np.diff(clamps, axis=-2),
        clamps,
        pulls,
        level,
        mean,
        stretch,
        step[..., None] * ahead - climb[..., None] * down,
        give,
    )


def ties(rail: Rail, pulls: Floats) -> Floats:
    """Second derivative of string length times F in the pull on each clamp (..., n + 1, 3, 3) [m/N]."""
    size = np.linalg.norm(pulls, axis=-1)
    unit = pulls / size[..., None]
    square = np.eye(3) - unit[..., :, None] * unit[..., None, :]
    return np.asarray((rail.strings_m / size)[..., None, None] * square, float)


def joined(spans: Floats, tied: Floats) -> Floats:
    """Second derivative (..., 3 n, 3 n) of E from those of the spans (..., n, 3, 3) and of the clamps."""
    count = spans.shape[-3]
    whole = np.zeros((*spans.shape[:-3], 3 * count, 3 * count))
    for i in range(count):
        here = slice(3 * i, 3 * i + 3)
        whole[..., here, here] = spans[..., i, :, :] + tied[..., i, :, :] + tied[..., i + 1, :, :]
        if i > 0:
            before = slice(3 * i - 3, 3 * i)
            whole[..., here, before] = whole[..., before, here] = -tied[..., i, :, :]
    return whole


def at_rest(rail: Rail, loads: Loads, start: Floats, begin: Loads | None = None) -> Floats:
    """Tensions (..., n, 3) [N] of a section at rest in each state, from tensions near by, or from those of one state.

    From that one, `begin`, the loads go over to those wanted in steps. Where the iteration does not settle the tensions
    miss: judge them by `balance`.
    """
    shape = loads.spans.shape
    tensions = np.broadcast_to(start, shape).copy()
    worth = np.ones(shape[:-1])
    stages = 1 if begin is None else STAGES
    for stage in range(1, stages + 1):
        share = stage / stages
        here = (
            loads
            if begin is None
            else Loads(
                begin.spans + share * (loads.spans - begin.spans),
                begin.clamps + share * (loads.clamps - begin.clamps),
                begin.warm_C + share * (loads.warm_C - begin.warm_C),
            )
        )
        for _ in range(20 if stage == stages else 2):
            found = balance(rail, here, tensions, worth)
            if float(np.max(np.abs(found.miss))) < NEAR_M:
                break
            soft = strains(rail.laws, found.mean, np.broadcast_to(here.warm_C[..., None], found.mean.shape))
            gain = rail.laws[soft.argmin(axis=-1), 0] / rail.lengths_m
            spans = found.give + (gain[..., None] * found.reach)[..., :, None] * found.reach[..., None, :]
            step = np.linalg.solve(joined(spans, ties(rail, found.pulls)), found.miss.reshape(*shape[:-2], -1, 1))
            step = step.reshape(shape)
            size = np.linalg.norm(step, axis=-1) / np.linalg.norm(tensions, axis=-1)
            # Never by more than a third of a tension at once.
            tensions = tensions - step / np.maximum(1.0, 3.0 * size.max(axis=-1))[..., None, None]
            worth = found.stretch
    return tensions
