"""Owns a span whose wire hangs between strings: where the strings end, and the curve of the wire that is left.

A string in line with the wire weighs more than it does; where its weight is stated, the wire hangs lower by what that
makes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, root

from clearance.bodies.insulator import StringParts, StringSpec, refuse_string, string_axis
from clearance.conductor.catenary import Catenary, Point, from_constant, part, point3, point_at, refuse, sag_at_midspan
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SpanParts:
    """A span whose wire hangs between strings.

    whole: the catenary that was solved from end to end, as if strings weighed what the wire does
    conductor: the wire alone, from live end to live end
    from_string, to_string: the strings in their places, or None where the wire ends at the point itself
    """

    whole: Catenary
    conductor: Catenary
    from_string: StringParts | None
    to_string: StringParts | None


def span_with_strings(
    from_m: ArrayLike,
    to_m: ArrayLike,
    from_string: StringSpec | None,
    to_string: StringSpec | None,
    solve: Callable[[Point, Point], Catenary],
    uncertainty_m: float = 0.0,
    wire_weight_N_m: float | None = None,
    keep_sag: bool = False,
) -> SpanParts:
    """A wire between two attachments, with a string at either end or none.

    Parameters
    ----------
    from_m, to_m: the attachments on the structures [m]
    from_string, to_string: the strings, or None where the wire is fixed at the point itself
    solve: makes the catenary from its two ends, for instance ``lambda a, b: from_tension(a, b, 9000.0, 16.0)``
    uncertainty_m: survey and model error of the strings [m]
    wire_weight_N_m: weight of the wire [N/m], needed where a strain string states its weight
    keep_sag: with stated weights, whether the sag of `solve` is what was measured (True) or its constant (False)

    A suspension string hangs straight down and the wire is solved from its live end. A strain string lies in line with
    the wire. Without a stated weight the wire is solved from attachment to attachment and the string is the first part
    of it, as if it weighed as much per metre. With one, strings and wire are three catenaries of one horizontal
    tension that meet without a kink: a string of weight W and length l lowers its wire by about W l / (2 H), which is a
    decimetre in a bay strung loosely.

    Raises `InputError` for a value out of range, or strings that leave no wire between them.
    """
    ends = [point3("span", "from_m", from_m), point3("span", "to_m", to_m)]
    specs = (from_string, to_string)
    hung: list[StringParts | None] = [None, None]
    taken = [0.0, 0.0]
    for index, spec in enumerate(specs):
        if spec is not None and spec.kind == "suspension":
            hung[index] = string_axis(ends[index], spec, uncertainty_m=uncertainty_m)
            ends[index] = (ends[index][0], ends[index][1], ends[index][2] - spec.length_m)
        elif spec is not None:
            refuse_string(spec)
            taken[index] = spec.length_m
    whole = solve(ends[0], ends[1])
    if not sum(taken) < whole.length_m:
        expected = f"strain strings shorter together than the {whole.length_m:.6g} m between the attachments"
        raise InputError(Mistake(("span", "from_string and to_string"), expected, f"{sum(taken):.6g} m"))
    ratios = [_weight_ratio(spec, wire_weight_N_m) for spec in specs]
    if ratios == [1.0, 1.0]:
        conductor = part(whole, taken[0], whole.length_m - taken[1]) if any(taken) else whole
        axes = [whole, _reversed(whole)]
    else:
        conductor = _composed(whole, taken, ratios, keep_sag)
        inner = [conductor.start, conductor.end]
        axes = [
            from_constant(ends[k], inner[k], conductor.constant_m / ratios[k]) if taken[k] else whole for k in (0, 1)
        ]
    for index, spec in enumerate(specs):
        if spec is not None and spec.kind == "strain":
            hung[index] = string_axis(ends[index], spec, axes[index], uncertainty_m)
    return SpanParts(whole, conductor, hung[0], hung[1])


def _weight_ratio(spec: StringSpec | None, wire_weight: float | None) -> float:
    """Weight per metre of a strain string over that of its wire; 1 where nothing is known or nothing depends on it."""
    if spec is None or spec.kind != "strain" or spec.weight_N is None:
        return 1.0
    if wire_weight is None:
        raise InputError(
            Mistake(("span", "weight_N_m"), "the weight of the wire, as its string states its own", "none")
        )
    refuse("span", positive={"weight_N_m": wire_weight, "string weight_N": spec.weight_N})
    return spec.weight_N / spec.length_m / wire_weight


def _composed(whole: Catenary, taken: list[float], ratios: list[float], keep_sag: bool) -> Catenary:
    """The wire between two strain strings of other weights, at the constant or the sag of the whole."""
    if not keep_sag:
        return _between(whole, taken, ratios, whole.constant_m)
    wanted = sag_at_midspan(whole)

    def excess(logarithm: float) -> float:
        wire = _between(whole, taken, ratios, math.exp(logarithm))
        middle = whole.span_m / 2 - math.hypot(wire.start[0] - whole.start[0], wire.start[1] - whole.start[1])
        return (whole.start[2] + whole.end[2]) / 2 - point_at(wire, middle)[2] - wanted

    # A heavier string needs more tension for the same sag, in proportion to the weight at most.
    low, high = (math.log(whole.constant_m * factor) for factor in (min(1.0, *ratios) / 2, 2 * max(1.0, *ratios)))
    return _between(whole, taken, ratios, math.exp(float(brentq(excess, low, high, xtol=1e-12))))


def _between(whole: Catenary, taken: list[float], ratios: list[float], constant: float) -> Catenary:
    """The wire, where tension over its weight is constant: from the slope at the start and the length of wire, which
    together bring the far end of the second string to its attachment."""
    constants = np.array([constant / ratios[0], constant, constant / ratios[1]])

    def slopes(unknown: Floats) -> Floats:
        steps = np.array([taken[0], unknown[1], taken[1]]) / constants
        return np.concatenate([[unknown[0]], unknown[0] + np.cumsum(steps)])

    def miss(unknown: Floats) -> Floats:
        slope = slopes(unknown)
        along, up = constants * np.diff(np.arcsinh(slope)), constants * np.diff(np.hypot(1, slope))
        return np.array([along.sum() - whole.span_m, up.sum() - whole.rise_m])

    start = math.sinh(-whole.low_point_m / whole.constant_m)
    found = root(miss, np.array([start, whole.length_m - sum(taken)]), tol=1e-13)
    if not (np.abs(miss(found.x)).max() <= 1e-7 and found.x[1] > 0):
        raise InputError(
            Mistake(("span", "string weight_N"), "strings that the wire's tension can hold", "no such shape")
        )
    slope, (east, north) = slopes(found.x), whole.direction
    ends = []
    for attachment, piece, sign in ((whole.start, 0, 1.0), (whole.end, 2, -1.0)):
        along = sign * float(constants[piece] * (math.asinh(slope[piece + 1]) - math.asinh(slope[piece])))
        up = sign * float(constants[piece] * (math.hypot(1, slope[piece + 1]) - math.hypot(1, slope[piece])))
        ends.append((attachment[0] + along * east, attachment[1] + along * north, attachment[2] + up))
    return from_constant(ends[0], ends[1], constant)


def _reversed(catenary: Catenary) -> Catenary:
    """The same curve from its other end."""
    turned = catenary.span_m - catenary.low_point_m
    return Catenary(catenary.end, catenary.start, catenary.constant_m, turned, catenary.length_m)
