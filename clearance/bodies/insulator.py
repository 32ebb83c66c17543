"""Owns the shapes of line insulators: suspension and strain strings, posts, and their grading rings.

To hang one string use `string_axis`; for one along a line that is known `string_along`; for a post or any straight
insulator `post`. Each comes as three shapes: the insulating part, the earthed hardware and the live hardware.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance import shapes
from clearance.conductor.catenary import Catenary, Point, part, point3, polyline, refuse
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]

HARDWARE_DIAMETER_M: Final = 0.08
"""[m] Links, clevises and clamps at the ends of a string, where the scene says nothing else (common practice, no
source)."""


@dataclass(frozen=True)
class Ring:
    """A grading ring about a string, across it.

    at_m: distance of its plane from the attachment, along the string [m]
    diameter_m: of the circle along the axis of its tube [m]; tube_m: of its tube [m]
    """

    at_m: float
    diameter_m: float
    tube_m: float = 0.05


@dataclass(frozen=True)
class StringSpec:
    """One insulator string.

    kind: "strain" (in line with the wire) or "suspension" (straight down from its attachment)
    length_m: from attachment to live end [m]
    insulating_m: the insulating part of it [m]
    diameter_m: of the insulators [m]
    earthed_m: hardware on the earthed side [m]; the rest is on the live side. Default: half of what does not insulate
    hardware_diameter_m: of that hardware [m]
    rings: its grading rings; one whose plane is nearer to the live end of the insulating part is live, else earthed
    weight_N: of the whole string [N]; None where it is not known, a strain string then weighs as much as its wire
    """

    kind: Literal["strain", "suspension"]
    length_m: float
    insulating_m: float
    diameter_m: float
    earthed_m: float | None = None
    hardware_diameter_m: float = HARDWARE_DIAMETER_M
    rings: tuple[Ring, ...] = ()
    weight_N: float | None = None


@dataclass(frozen=True, eq=False)
class StringParts:
    """A string or post in its place.

    live_end: where the wire begins [m]
    insulating: the insulating part
    earthed: hardware between the attachment and the insulating part, with its rings; empty where there is none
    live: hardware between the insulating part and the live end, with its rings; empty where there is none
    """

    live_end: Point
    insulating: Shape
    earthed: Shape
    live: Shape


def string_axis(
    attachment: ArrayLike, spec: StringSpec, along: Catenary | None = None, uncertainty_m: float = 0.0
) -> StringParts:
    """A string in its place.

    Parameters
    ----------
    attachment: its earthed end [m]
    spec: the string
    along: for a strain string the catenary it lies in, starting at the attachment; a suspension string hangs straight
        down
    uncertainty_m: survey and model error [m]

    Raises `InputError` for a value out of range, an insulating part longer than its string, or a strain string as
    long as the wire it should lie in.
    """
    top = point3("string", "attachment", attachment)
    refuse_string(spec)
    cuts = (0.0, *cuts_of(spec))
    if spec.kind == "suspension":
        live_end = (top[0], top[1], top[2] - spec.length_m)
        lines = [np.array([[*top[:2], top[2] - a], [*top[:2], top[2] - b]]) for a, b in pairwise(cuts)]
        errors = [0.0, 0.0, 0.0]
    else:
        if along is None:
            raise InputError(Mistake(("string", "kind"), "a wire for the strain string to lie in", "none"))
        if not spec.length_m <= along.length_m * (1 + 1e-9):
            expected = f"at most the {along.length_m:.6g} m of the wire it lies in"
            raise InputError(Mistake(("string", "length_m"), expected, f"{spec.length_m!r} m"))
        lines, errors = [], []
        for a, b in pairwise(cuts):
            piece = (min(a, along.length_m), min(b, along.length_m))
            line, error = polyline(part(along, *piece), CHORD_ERROR_M) if b > a else (np.zeros((1, 3)), 0.0)
            lines.append(line)
            errors.append(error)
        live_end = (float(lines[1][-1][0]), float(lines[1][-1][1]), float(lines[1][-1][2]))
        if len(lines[2]) > 1:
            live_end = (float(lines[2][-1][0]), float(lines[2][-1][1]), float(lines[2][-1][2]))
    return _dressed(live_end, lines, errors, cuts, spec, uncertainty_m)


def string_along(line: Floats, spec: StringSpec, chord_error_m: float, uncertainty_m: float = 0.0) -> StringParts:
    """A string that hangs along a polyline (n, 3), from its attachment to its live end.

    chord_error_m: how far the polyline is from the string's axis [m]; uncertainty_m: survey and model error [m]
    """
    refuse_string(spec)
    cuts = (0.0, *cuts_of(spec))
    stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    stations *= spec.length_m / stations[-1]
    lines = []
    for a, b in pairwise(cuts):
        inner = stations[(stations > a + 1e-9) & (stations < b - 1e-9)]
        at = np.concatenate([[a], inner, [b]]) if b - a > 1e-9 * spec.length_m else np.array([a])
        lines.append(np.stack([np.interp(at, stations, line[:, k]) for k in range(3)], axis=1))
    end = line[-1]
    live_end = float(end[0]), float(end[1]), float(end[2])
    return _dressed(live_end, lines, [chord_error_m] * 3, cuts, spec, uncertainty_m)


def post(
    from_m: ArrayLike,
    to_m: ArrayLike,
    insulating_m: float,
    diameter_m: float,
    hardware_diameter_m: float | None = None,
    earthed_m: float | None = None,
    uncertainty_m: float = 0.0,
) -> StringParts:
    """A straight insulator from its earthed end to its live end [m]: a post, or a string of its own.

    insulating_m: the insulating part [m]; what is left is hardware, earthed_m of it on the earthed side (default half)
    hardware_diameter_m: of that hardware [m]; default as thick as the insulator

    Raises `InputError` for a value out of range, or an insulating part longer than the whole.
    """
    first, last = np.array(point3("insulator", "from_m", from_m)), np.array(point3("insulator", "to_m", to_m))
    length = float(np.linalg.norm(last - first))
    metal = diameter_m if hardware_diameter_m is None else hardware_diameter_m
    spec = StringSpec("suspension", length, insulating_m, diameter_m, earthed_m, metal)
    refuse_string(spec)
    cuts = (0.0, *cuts_of(spec))
    lines = [first + np.array([[a], [b]]) / length * (last - first) for a, b in pairwise(cuts)]
    return _dressed((float(last[0]), float(last[1]), float(last[2])), lines, [0.0] * 3, cuts, spec, uncertainty_m)


def ring(centre: ArrayLike, axis: ArrayLike, diameter_m: float, tube_m: float, uncertainty_m: float = 0.0) -> Shape:
    """A ring of tube about an axis: a polygon of capsules, its chord error in uncertainty.

    centre: (3,) [m]; axis: (3,) of any length; diameter_m: of the ring, tube axis to tube axis [m]; tube_m: of the
        tube [m]
    """
    refuse(
        "ring",
        positive={"ring_diameter_m": diameter_m, "ring_tube_m": tube_m},
        not_negative={"uncertainty_m": uncertainty_m},
    )
    along = np.array(point3("ring", "axis", axis))
    along /= np.linalg.norm(along)
    first = np.cross(along, np.eye(3)[np.argmin(abs(along))])
    first /= np.linalg.norm(first)
    second = np.cross(along, first)
    radius = diameter_m / 2
    count = max(12, math.ceil(math.pi / math.acos(1 - min(1.0, CHORD_ERROR_M / radius))))
    turn = 2 * math.pi * np.arange(count + 1)[:, None] / count
    around = np.asarray(centre, float) + radius * (np.cos(turn) * first + np.sin(turn) * second)
    around[-1] = around[0]
    return shapes.polyline(around, tube_m / 2, uncertainty_m + radius * (1 - math.cos(math.pi / count)))


def refuse_string(spec: StringSpec) -> None:
    """Raise `InputError`, naming every value of a string that is out of range."""
    lengths = {"length_m": spec.length_m, "insulating_m": spec.insulating_m, "diameter_m": spec.diameter_m}
    mistakes = []
    if spec.kind not in ("strain", "suspension"):
        mistakes.append(Mistake(("string", "kind"), '"strain" or "suspension"', f"{spec.kind!r}"))
    if spec.insulating_m > spec.length_m * (1 + 1e-12):
        expected = f"at most the whole length of {spec.length_m:.6g} m"
        mistakes.append(Mistake(("string", "insulating_m"), expected, f"{spec.insulating_m!r} m"))
    for number, one in enumerate(spec.rings, 1):
        if not 0 <= one.at_m <= spec.length_m * (1 + 1e-12):
            expected = f"a place on the string, 0 to {spec.length_m:.6g} m"
            mistakes.append(Mistake(("string", f"ring {number}", "at_m"), expected, f"{one.at_m!r} m"))
    if (
        spec.insulating_m <= spec.length_m * (1 + 1e-12)
        and spec.earthed_m is not None
        and spec.earthed_m + spec.insulating_m > spec.length_m * (1 + 1e-12)
    ):
        expected = f"at most the {spec.length_m - spec.insulating_m:.6g} m that do not insulate"
        mistakes.append(Mistake(("string", "earthed_m"), expected, f"{spec.earthed_m!r} m"))
    refuse(
        "string",
        positive={**lengths, "hardware_diameter_m": spec.hardware_diameter_m},
        not_negative={"earthed_m": spec.earthed_m or 0.0},
        others=mistakes,
    )


def cuts_of(spec: StringSpec) -> tuple[float, float, float]:
    """How far from its attachment a string's insulating part begins and ends, and the string ends [m].

    >>> cuts_of(StringSpec("strain", 2.0, 1.5, 0.25))
    (0.25, 1.75, 2.0)
    """
    # Rounding never makes what is left for the hardware negative.
    insulating = min(spec.insulating_m, spec.length_m)
    bare = spec.length_m - insulating
    earthed = bare / 2 if spec.earthed_m is None else min(spec.earthed_m, bare)
    return earthed, earthed + insulating, spec.length_m


def _dressed(
    live_end: Point,
    lines: list[Floats],
    errors: list[float],
    cuts: tuple[float, ...],
    spec: StringSpec,
    uncertainty: float,
) -> StringParts:
    metal, body = spec.hardware_diameter_m / 2, spec.diameter_m / 2
    made = [
        shapes.polyline(line, radius, uncertainty + error) if b - a > 1e-9 * spec.length_m else shapes.empty()
        for line, error, radius, (a, b) in zip(lines, errors, (metal, body, metal), pairwise(cuts), strict=True)
    ]
    whole = np.concatenate([lines[0], *(line for line in lines[1:] if len(line) > 1)])
    for one in spec.rings:
        at, along = place_on(whole, one.at_m / spec.length_m)
        which = 2 if is_live(spec, one) else 0
        made[which] = shapes.join([made[which], ring(at, along, one.diameter_m, one.tube_m, uncertainty + max(errors))])
    return StringParts(live_end, made[1], made[0], made[2])


def is_live(spec: StringSpec, one: Ring) -> bool:
    """Whether a ring is at the live end's potential: it is mounted at the end of the insulating part nearer to it."""
    begins, ends, _ = cuts_of(spec)
    return one.at_m > (begins + ends) / 2.0


def place_on(line: Floats, share: float) -> tuple[Floats, Floats]:
    """The point (3,) at a share of the length of a polyline (n, 3), and the direction of the line there."""
    steps = np.diff(line, axis=0)
    sizes = np.linalg.norm(steps, axis=1)
    kept = sizes > 0
    steps, sizes, starts = steps[kept], sizes[kept], line[:-1][kept]
    stations = np.concatenate([[0.0], np.cumsum(sizes)])
    along = share * stations[-1]
    index = min(int(np.searchsorted(stations, along, side="right")) - 1, len(sizes) - 1)
    way = steps[index] / sizes[index]
    return np.asarray(starts[index] + (along - stations[index]) * way, float), np.asarray(way, float)
