"""Owns the change of state: from a known tension or sag at a known temperature to another temperature and load.

To do it on exact lengths use `reference_length` (known state to unstressed length) and `settle_length` (back to a
state); `change_tension` does both for one level or inclined span. `parabola_tension` is the textbook cubic.
`ruling_span` stands one span in for a section. How a conductor lengthens is an `Elongation`: `Linear`, or `TwoPart`
for a core and an outer layer that go loose at the knee point and keep a permanent elongation (`after_heavy_load`,
`creep_strain`).

Weight is per metre of conductor as it hangs. Length under tension uses the mean tension over the span, which is exact
for a linear conductor and within (T_max - T_mean) / EA of it for a two-part one.

References
----------
.. [1] Change-of-state cubic: H2^2 [H2 - H1 + w1^2 L^2 EA / (24 H1^2) + alpha dT EA] = w2^2 L^2 EA / 24, any text on
   overhead lines; the numbers tested are from public copies of two textbooks.
.. [2] Sag and tension of conductor, Electric Power Generation, Transmission and Distribution (handbook), ch. 14:
   ruling span, Eq. 14.27; stress-strain curves of 26/7 ACSR, Fig. 14.7; permanent elongation, 14.3.1.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import atan2, exp, hypot, inf, log, sqrt

import numpy as np
from scipy.optimize import brentq

from clearance.conductor import planar
from clearance.errors import InputError, Mistake

REFERENCE_C = 20.0
"""[C] Temperature at which strain is counted from zero; any would do, as only differences matter."""


@dataclass(frozen=True)
class Linear:
    """A conductor that lengthens in proportion.

    stiffness_N: E A [N]; infinite for one that does not stretch
    expansion_per_C: coefficient of thermal expansion [1/C]
    """

    stiffness_N: float = inf
    expansion_per_C: float = 0.0


@dataclass(frozen=True)
class TwoPart:
    """A core and an outer layer that share the load while both are taut.

    core_stiffness_N, outer_stiffness_N: final E A of each [N]
    core_expansion_per_C, outer_expansion_per_C: [1/C]
    core_set, outer_set: permanent elongation of each [1], by creep and by past loads
    outer_push_N: compression the outer layer takes before it opens [N]; 0 is the careful (largest sag) choice
    """

    core_stiffness_N: float
    outer_stiffness_N: float
    core_expansion_per_C: float
    outer_expansion_per_C: float
    core_set: float = 0.0
    outer_set: float = 0.0
    outer_push_N: float = 0.0


Elongation = Linear | TwoPart


@dataclass(frozen=True)
class InitialCurve:
    """First loading of a two-part conductor: force of each part as a polynomial of strain.

    core_N, outer_N: coefficients (a0, a1, a2 ...) of force [N] in strain [1], for a conductor never loaded before
    """

    core_N: tuple[float, ...]
    outer_N: tuple[float, ...]


def strain(model: Elongation, tension_N: float, temperature_C: float) -> float:
    """Lengthening per length [1] against the unstressed conductor at `REFERENCE_C`; grows with tension and temperature.

    Examples
    --------
    >>> round(strain(Linear(30e6, 19e-6), 30000.0, 70.0) * 1e6)
    1950
    """
    if isinstance(model, Linear):
        pull = 0.0 if model.stiffness_N == inf else tension_N / model.stiffness_N
        return pull + model.expansion_per_C * (temperature_C - REFERENCE_C)
    core, outer = _free(model, temperature_C)
    both = (tension_N + model.core_stiffness_N * core + model.outer_stiffness_N * outer) / (
        model.core_stiffness_N + model.outer_stiffness_N
    )
    open_below = outer - model.outer_push_N / model.outer_stiffness_N
    if both < open_below:
        # Past the knee the core carries all, and what the outer layer still pushes back.
        return core + (tension_N + model.outer_push_N) / model.core_stiffness_N
    # Where the core is shorter-loaded than nothing, the outer layer carries all.
    return both if both >= core else outer + tension_N / model.outer_stiffness_N


def _free(model: TwoPart, temperature_C: float) -> tuple[float, float]:
    """Strain at which each part would be without force."""
    warm = temperature_C - REFERENCE_C
    return model.core_set + model.core_expansion_per_C * warm, model.outer_set + model.outer_expansion_per_C * warm


def knee_tension(model: TwoPart, temperature_C: float) -> float:
    """Tension [N] below which the outer layer is open and the core carries all; 0 where it never opens."""
    core, outer = _free(model, temperature_C)
    return max(
        0.0, (outer - model.outer_push_N / model.outer_stiffness_N - core) * model.core_stiffness_N - model.outer_push_N
    )


def after_heavy_load(model: TwoPart, curve: InitialCurve, tension_N: float) -> TwoPart:
    """The conductor after its first pull to a tension [N] at the curve's temperature: sets that the unloading leaves.

    Both parts follow the initial curve to the strain where their forces sum to the tension, then unload with their
    final stiffness (handbook 14.3.1.2). A set is never made smaller.
    """

    def pulled(strain_1: float) -> float:
        return _polynomial(curve.core_N, strain_1) + _polynomial(curve.outer_N, strain_1) - tension_N

    top = 1e-4
    while pulled(top) < 0:
        top *= 1.3
        if top > 0.02:
            raise InputError(
                Mistake(("conductor", "past load"), "a tension on its initial curve", f"{tension_N:.0f} N")
            )
    at = float(brentq(pulled, 0.0, top)) if pulled(0.0) < 0 else 0.0
    core = at - _polynomial(curve.core_N, at) / model.core_stiffness_N
    outer = at - _polynomial(curve.outer_N, at) / model.outer_stiffness_N
    return replace(model, core_set=max(model.core_set, core), outer_set=max(model.outer_set, outer))


def after_creep(model: TwoPart, elongation: float) -> TwoPart:
    """The conductor with more permanent elongation [1] of its outer layer, as creep leaves it."""
    return replace(model, outer_set=model.outer_set + elongation)


def creep_strain(
    stress_share: float, hours: float, factor: float = 2.4e-6, by_stress: float = 1.3, by_time: float = 0.16
) -> float:
    """Creep at room temperature [1]: factor * (stress in % of rated strength)^by_stress * hours^by_time.

    Parameters
    ----------
    stress_share: tension over rated strength [1]
    hours: time under it [h]
    factor, by_stress, by_time: the defaults are for ACSR with hot-rolled aluminium as usually quoted from Harvey and
        Larson (IEEE Trans. PAS-89, 1970), from memory: give the maker's own where they are known

    Examples
    --------
    Twenty percent of the rated strength for ten years:

    >>> round(creep_strain(0.20, 87600.0) * 1e6)
    728
    """
    return float(factor * (100.0 * stress_share) ** by_stress * hours**by_time)


def _polynomial(coefficients: Sequence[float], at: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * at + coefficient
    return total


def reference_length(
    chord_m: float,
    tilt_rad: float,
    tension_N: float,
    weight_N_m: float,
    temperature_C: float,
    model: Elongation,
    strings_m: tuple[float, float] = (0.0, 0.0),
    ratios: tuple[float, float] = (0.0, 0.0),
) -> float:
    """Unstressed length [m] at `REFERENCE_C` of the conductor that hangs in a span with this horizontal tension.

    Parameters
    ----------
    chord_m, tilt_rad: attachment to attachment, and how steeply it rises
    tension_N, weight_N_m: horizontal tension and weight per hung metre
    temperature_C, model: of the conductor
    strings_m, ratios: strings in line at both ends, part of the chord, and their load per metre over the conductor's
        (0: straight and weightless); they do not lengthen
    """
    shape = planar.solve(chord_m, tilt_rad, weight_N_m / tension_N, strings_m, ratios)
    return float(shape.length_m) / (1.0 + strain(model, tension_N * float(shape.mean), temperature_C))


def settle_length(
    chord_m: float,
    tilt_rad: float,
    load_N_m: float,
    temperature_C: float,
    reference_m: float,
    model: Elongation,
    strings_m: tuple[float, float] = (0.0, 0.0),
    ratios: tuple[float, float] = (0.0, 0.0),
    what: str = "wire",
) -> float:
    """Tension square to the load [N] at which a conductor of unstressed length [m] settles under a load [N/m].

    The length it takes up grows with w / H and the length it has shrinks with it, so the root is the only one among
    taut shapes, and the tension grows with load and falls with temperature. Found to 1e-12 of itself. Arguments as
    `reference_length`; `load_N_m` is weight and wind together.

    Raises InputError where the conductor is too short or longer than a sag of a third of its span would make it.
    """

    def excess(log_per: float) -> float:
        per = exp(log_per)
        shape = planar.solve(chord_m, tilt_rad, per, strings_m, ratios, what)
        lengthened = 1.0 + strain(model, load_N_m / per * float(shape.mean), temperature_C)
        return float(shape.length_m) - reference_m * lengthened

    low, high = _bracket(excess, chord_m, max(a * max(1.0, b) for a, b in zip(strings_m, ratios, strict=True)), what)
    per = exp(float(brentq(excess, low, high, xtol=1e-14, rtol=8.9e-16, maxiter=300)))
    return load_N_m / per


def _bracket(excess: Callable[[float], float], chord_m: float, string_m: float, what: str) -> tuple[float, float]:
    # Taut shapes only: up to u C = 2.4 (sag over a third of the chord) a larger u always means a longer line and less
    # pull.
    loosest = 2.4 / chord_m if string_m == 0 else min(2.4 / chord_m, planar.STRING_LIMIT / string_m)
    low, high = log(1e-6 / chord_m), log(loosest * (1 - 1e-12))
    if excess(low) > 0 or excess(high) < 0:
        raise InputError(
            Mistake(
                (what, "tension"),
                "a conductor that hangs between taut and a sag of a third of its span",
                "no such state",
                "check length, tension and stiffness",
            )
        )
    return low, high


def change_tension(
    span_m: float,
    rise_m: float,
    known: tuple[float, float, float],
    wanted: tuple[float, float],
    model: Elongation,
    strings_m: tuple[float, float] = (0.0, 0.0),
) -> float:
    """Horizontal tension [N] of one span in another state, on exact catenary lengths.

    Parameters
    ----------
    span_m, rise_m: horizontal and vertical distance of its attachments
    known: horizontal tension [N], weight [N/m], temperature [C]
    wanted: weight [N/m], temperature [C]

    Examples
    --------
    Drake (15.97 N/m, 468.6 mm2 at 73 GPa, 18.9e-6 1/C) over 300 m, 25 kN at 15 C, heated to 75 C:

    >>> round(change_tension(300, 0, (25000.0, 15.97, 15.0), (15.97, 75.0), Linear(468.6e-6 * 73e9, 18.9e-6)))
    19541
    """
    chord, tilt = hypot(span_m, rise_m), atan2(rise_m, span_m)
    length = reference_length(chord, tilt, known[0], known[1], known[2], model, strings_m)
    return settle_length(chord, tilt, wanted[0], wanted[1], length, model, strings_m)


def parabola_tension(
    span_m: float,
    known: tuple[float, float, float],
    wanted: tuple[float, float],
    stiffness_N: float,
    expansion_per_C: float,
) -> float:
    """Horizontal tension [N] by the textbook cubic (parabola, linear elastic) [1]_. Arguments as `change_tension`.

    For checking and for comparison with tables; the tool places wires by `change_tension`.

    Examples
    --------
    Textbook example (300 m, 226 mm2, -5 C with ice and wind at half its strength, to 45 C bare), in kilogram-force: the
    root of its own cubic is 1645, not the printed 1710.

    >>> round(parabola_tension(300, (7950 / 2, 2.222, -5.0), (0.844, 45.0), 226 * 9.32e3, 18.44e-6))
    1645
    """
    first, weight, warm = known
    stretch = stiffness_N * span_m**2 / 24.0
    shift = weight**2 * stretch / first**2 - first + expansion_per_C * (wanted[1] - warm) * stiffness_N
    # H^3 + shift H^2 - w2^2 stretch has exactly one positive root (one change of sign).
    roots = np.roots([1.0, shift, 0.0, -(wanted[0] ** 2) * stretch])
    real = [float(root.real) for root in roots if abs(root.imag) < 1e-9 * abs(root) and root.real > 0]
    return max(real)


def ruling_span(spans_m: Sequence[float]) -> float:
    """Ruling span [m] of a section: sqrt(sum S^3 / sum S) [2]_.

    Valid for level spans whose strings move freely and little; `section` solves what it approximates.

    >>> round(ruling_span([300.0, 350.0, 250.0]), 1)
    308.2
    """
    return sqrt(sum(span**3 for span in spans_m) / sum(spans_m))
