"""Owns lines that carry loads at points: how such a line hangs as stated, what its section does as loads come and go.

A line is stated by its tension, sag or catenary constant, with some of its loads on (`PointLoad.stated`); `stated_line`
finds the shape that fits and where on the conductor each load sits. `carried` makes of one line, or of the lines that
meet at suspension strings, a section whose stated places are an equilibrium; `settled` solves it with any share of
any load, under every model that the conductor's figures leave open.

What is stated is taken as it is: suspension strings hang plumb as stated, and what the stated tensions of two spans
differ by is held at their string by a force that stays (`Carried.strung`, the clamps). A load counts by its force
alone: it does not swing, and its size along the wire is none.

References
----------
.. [1] H. M. Irvine, "Cable Structures", MIT Press, 1981, section 2.3 (point loads); solved by
   `clearance.conductor.elastic`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import exp, log
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from clearance.conductor.catalogue import models
from clearance.conductor.change_of_state import REFERENCE_C, Elongation, Linear, strain
from clearance.conductor.elastic import Hung, Segment, end_force, hang, joints, mean_tension, polyline, run
from clearance.conductor.groups import section_of
from clearance.conductor.lines import Line, level_m
from clearance.conductor.ranges import chord_of, live_point, strain_strings, weight_of
from clearance.conductor.section import Section, Settled, Strung, Support, at_state
from clearance.errors import InputError, Mistake, at_least, at_most

Floats = NDArray[np.float64]
Shares = Mapping[tuple[str, str], float]
"""Of the loads that are on: (line, what) -> the share of its force, 1 for all of it."""

PLACE_M: Final = 1e-7
"""[m] A load is put on the conductor this close to where it is stated; far below any chord error."""

ROUNDS: Final = 60
"""[1] Corrections of the loads' places before a line is refused; ordinary ones take 3 to 8."""


@dataclass(frozen=True, eq=False)
class Stood:
    """A line as stated, its stated loads on.

    hung: its shape per subconductor, strain strings as first and last segment; it does not stretch further
    shares: of each load of the line, in their order: its place as a share of the conductor's length
    own: indices of the segments that are conductor, from and to
    """

    hung: Hung
    shares: tuple[float, ...]
    own: tuple[int, int]

    @property
    def length_m(self) -> float:
        """Length of the conductor as it hangs [m]."""
        return sum(segment.length_m for segment in self.hung.segments[self.own[0] : self.own[1]])


@dataclass(frozen=True, eq=False)
class Carried:
    """Lines of one section with what hangs on them.

    lines: in order along the section, each running forward; stood: each as stated
    strung: the section, its unstressed lengths known, under each model of its conductor
    at_C: conductor temperature of the stated state; 20 C where none is stated, which then decides nothing
    """

    lines: tuple[Line, ...]
    stood: tuple[Stood, ...]
    strung: tuple[Strung, ...]
    at_C: float


def stated_line(line: Line) -> Stood:
    """The shape of a tensioned line as stated, with its stated loads on.

    Between plumb suspension strings. A tension is the horizontal one where the line starts; a sag is vertical, from
    the chord to the line at half its span, whatever hangs there. Tension falls and sag grows with the length of
    conductor, so one length fits.

    Raises InputError for a line without a weight, a load that is not on its conductor, and no fit.

    Examples
    --------
    A 100 m level span of 10 N/m and 10 kN, with 1 kN at half: the parabola and the triangle of a taut string add up,
    10 * 100^2 / (8 * 10000) + 1000 * 100 / (4 * 10000) = 3.75 m.

    >>> from clearance.conductor.lines import End, Known, PointLoad
    >>> line = Line("bus", End((0, 0, 20)), End((100, 0, 20)), 0.03, weight_N_m=10.0,
    ...             known=Known(tension_N=10000.0, weight_N_m=10.0),
    ...             loads=(PointLoad("trolley", 50.0, (0.0, 0.0, -1000.0)),))
    >>> round(20 - float(joints(stated_line(line).hung)[1][2]), 2)
    3.75
    """
    return _stated_line(line)


@lru_cache(maxsize=256)
def _stated_line(line: Line) -> Stood:
    weight, known = weight_of(line), line.known
    if weight is None or known is None:
        raise InputError(Mistake((f"wire '{line.name}'", "weight_N_m"), "its weight, as loads hang on it", "none"))
    _on_conductor(line)
    chord, _ = chord_of(line)
    strings = sum(strain_strings(line)[0])
    pull = known.tension_N if known.tension_N is not None else (known.constant_m or 0.0) * weight

    def wanted(hung: Hung) -> float:
        if known.sag_m is not None:
            return sag_at_half(hung) - known.sag_m
        return log(pull) - log(float(np.hypot(*hung.force[:2])))

    def hung_at(logarithm: float) -> Hung:
        return _hung(line, chord * (1.0 + exp(logarithm)) - strings)[0]

    low, high = log(1e-8), log(0.25)
    if wanted(hung_at(low)) > 0 or wanted(hung_at(high)) < 0:
        found = f"a sag of {known.sag_m:g} m" if known.sag_m is not None else f"{pull:.0f} N"
        expected = "a tension or sag that a taut span with these loads can have"
        raise InputError(Mistake((f"wire '{line.name}'", "loads"), expected, found, "check the loads"))
    length = chord * (1.0 + exp(float(brentq(lambda e: wanted(hung_at(e)), low, high, xtol=1e-12)))) - strings
    hung, shares = _hung(line, length)
    first = 1 if strain_strings(line)[0][0] > 0 else 0
    last = len(hung.segments) - (1 if strain_strings(line)[0][1] > 0 else 0)
    return Stood(hung, shares, (first, last))


def _on_conductor(line: Line) -> None:
    """Refuse a load beyond the conductor's ends, or two of one name."""
    level = level_m(line)
    (one, two), _ = strain_strings(line)
    wrong = []
    for load in line.loads:
        if not one < load.along_m < level - two:
            expected = f"a place on the conductor, between {at_least(one)} and {at_most(level - two)} m along the span"
            wrong.append(
                Mistake((f"wire '{line.name}'", f"load '{load.what}'", "at_m"), expected, f"{load.along_m:g} m")
            )
    names = [load.what for load in line.loads]
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        wrong.append(Mistake((f"wire '{line.name}'", "loads"), "loads with a name each", f"'{name}' twice"))
    if wrong:
        raise InputError(wrong)


def _hung(line: Line, length_m: float) -> tuple[Hung, tuple[float, ...]]:
    """The line with a length of conductor and its stated loads, and the share of each load's place.

    The places are corrected until each load is where it is stated, by how far it is off along the span.
    """
    weight = weight_of(line) or 0.0
    (one, two), (light, heavy) = strain_strings(line)
    start, end = live_point(line.start), live_point(line.end)
    way = (end - start)[:2] / float(np.hypot(*(end - start)[:2]))
    # The line's start may be the live end of a plumb string: right below its attachment.
    stations = np.array([load.along_m for load in line.loads])
    level = float(np.hypot(*(end - start)[:2]))
    shares = (stations - one) / (level - one - two)
    for _ in range(ROUNDS):
        order = [int(k) for k in np.argsort(shares, kind="stable") if line.loads[int(k)].stated]
        edges = [0.0, *(float(shares[k]) for k in order), 1.0]
        pieces = [Segment((b - a) * length_m, (0.0, 0.0, -weight)) for a, b in pairwise(edges)]
        forces = [np.asarray(line.loads[k].force_N, float) / line.count for k in order]
        if one > 0:
            pieces.insert(0, Segment(one, (0.0, 0.0, -weight * light)))
            forces.insert(0, np.zeros(3))
        if two > 0:
            pieces.append(Segment(two, (0.0, 0.0, -weight * heavy)))
            forces.append(np.zeros(3))
        hung = hang(start, end, pieces, forces, what=line.name)
        if not line.loads:
            return hung, ()
        found, slope = _at_shares(line, hung, shares, length_m)
        off = stations - (found - start)[:, :2] @ way
        if float(np.abs(off).max()) <= PLACE_M:
            return hung, tuple(float(share) for share in shares)
        shares = np.clip(shares + off / (np.maximum(slope, 0.05) * length_m), 1e-9, 1.0 - 1e-9)
    expected = "loads that can hang where they are stated"
    raise InputError(Mistake((f"wire '{line.name}'", "loads"), expected, f"{np.abs(off).max():.3f} m off"))


def _at_shares(line: Line, hung: Hung, shares: Floats, length_m: float) -> tuple[Floats, Floats]:
    """Places (n, 3) [m] of shares of the conductor, and how far along the span a metre of it goes there [1]."""
    one = strain_strings(line)[0][0]
    places, slopes = [], []
    for share in shares:
        place, tension = _along(hung, one + float(share) * length_m)
        places.append(place)
        slopes.append(float(np.hypot(*tension[:2]) / np.linalg.norm(tension)))
    return np.array(places), np.array(slopes)


def _along(hung: Hung, length_m: float) -> tuple[Floats, Floats]:
    """Place and tension [N] at an unstretched length along a line from its start."""
    place, tension, left = hung.start.copy(), hung.force.copy(), length_m
    for index, segment in enumerate(hung.segments):
        cut = min(max(left, 0.0), segment.length_m)
        step, _, _, leaving = run(tension, [Segment(cut, segment.load_N_m, segment.stiffness_N)], [])
        if left <= segment.length_m or index == len(hung.segments) - 1:
            return place + step, leaving
        place, left = place + step, left - segment.length_m
        tension = leaving - hung.loads[index]
    return place, tension


def at_station(hung: Hung, along_m: float) -> Floats:
    """The point (3,) [m] of a line at a horizontal distance from its start, along the way to its end."""
    step = hung.end - hung.start
    way = step[:2] / float(np.hypot(*step[:2]))
    whole = sum(segment.length_m for segment in hung.segments)

    def off(length: float) -> float:
        return float((_along(hung, length)[0] - hung.start)[:2] @ way) - along_m

    if off(0.0) >= 0 or off(whole) <= 0:
        return _along(hung, 0.0 if off(0.0) >= 0 else whole)[0]
    return _along(hung, float(brentq(off, 0.0, whole, xtol=1e-10)))[0]


def sag_at_half(hung: Hung) -> float:
    """Vertical distance [m] from the chord of a line to the line, at half its span."""
    step = hung.end - hung.start
    half = float(np.hypot(*step[:2])) / 2.0
    return float((hung.start[2] + hung.end[2]) / 2.0 - at_station(hung, half)[2])


def carried(group: Sequence[Line]) -> Carried:
    """The section of a group of lines, or of one line alone, with what hangs on them.

    Its conductor is that of the catalogue under every model that its figures leave open; without one it does not
    stretch, which `stretches` tells: then only what is stated can be solved, no change.
    """
    stood = tuple(stated_line(line) for line in group)
    stated_C = [line.known.at_C for line in group if line.known is not None and line.known.at_C is not None]
    warm = stated_C[0] if stated_C else REFERENCE_C
    ways: tuple[Elongation, ...] = (Linear(),)
    if group[0].conductor is not None:
        ways = models(group[0].conductor)
    return Carried(tuple(group), stood, tuple(_strung(group, stood, way, warm) for way in ways), warm)


def stretches(made: Carried) -> bool:
    """Whether the section's conductor is known, so that it can be solved under other loads."""
    return made.lines[0].conductor is not None


def _strung(group: Sequence[Line], stood: Sequence[Stood], model: Elongation, warm: float) -> Strung:
    lengths = []
    for line, one in zip(group, stood, strict=True):
        at_C = line.known.at_C if line.known is not None and line.known.at_C is not None else warm
        lengths.append(one.length_m / (1.0 + strain(model, mean_pull(one), at_C)))
    section = section_of(group, model, lengths)
    held = []
    for j, support in enumerate(section.supports):
        own = support.load_N.copy()
        if support.string_m > 0:
            before, after = -end_force(stood[j - 1].hung), stood[j].hung.force
            # What keeps the string plumb, as stated.
            own[:2] -= (before + after)[:2]
        held.append(own)
    supports = tuple(
        Support(support.point, support.string_m, own, support.give_m_N)
        for support, own in zip(section.supports, held, strict=True)
    )
    return Strung(supports, section.lengths_m, model, section.weight_N_m, tuple(held), section.strings)


def mean_pull(stood: Stood) -> float:
    """Mean tension over the conductor of a line as stated [N]."""
    own = range(*stood.own)
    return sum(mean_tension(stood.hung, k) * stood.hung.segments[k].length_m for k in own) / stood.length_m


def everything(lines: Sequence[Line]) -> dict[tuple[str, str], float]:
    """All loads of the lines, on."""
    return {(line.name, load.what): 1.0 for line in lines for load in line.loads}


def hung_on(made: Carried, on: Shares) -> list[list[tuple[float, Floats]]]:
    """Per line what hangs on a subconductor: place as a share of its length, and force (3,) [N]; loads that are off
    keep their place."""
    return [
        [
            (share, np.asarray(load.force_N, float) / line.count * on.get((line.name, load.what), 0.0))
            for load, share in zip(line.loads, stood.shares, strict=True)
        ]
        for line, stood in zip(made.lines, made.stood, strict=True)
    ]


def settled(
    made: Carried,
    on: Shares,
    model: int = 0,
    at_C: float | None = None,
    wind_N_m: Floats | Sequence[float] = (0.0, 0.0, 0.0),
    clamp_wind_N: Floats | Sequence[float] = (0.0, 0.0, 0.0),
    extra_N_m: float = 0.0,
) -> tuple[Section, Settled]:
    """The section with shares of its loads on, at a conductor temperature [C], by default the stated one.

    Every load keeps its joint, so any two states have the same segments. Arguments besides as `at_state`.
    """
    warm = made.at_C if at_C is None else at_C
    what = f"section of wire '{made.lines[0].name}'"
    return at_state(made.strung[model], warm, wind_N_m, clamp_wind_N, hung_on(made, on), extra_N_m, what)


def base_of(made: Carried) -> tuple[Hung, ...]:
    """Each line with all its loads on, in still air at its stated temperature: where the job finds it."""
    if all(load.stated for line in made.lines for load in line.loads):
        return tuple(one.hung for one in made.stood)
    if not stretches(made):
        late = next((line, load) for line in made.lines for load in line.loads if not load.stated)
        expected = "a conductor of the catalogue, as a load came on after it was stated"
        remedy = "name its conductor, or state how it hangs with the load on"
        place = (f"wire '{late[0].name}'", "conductor")
        raise InputError(Mistake(place, expected, f"none, and load '{late[1].what}' came later", remedy))
    return settled(made, everything(made.lines))[1].lines


def own_parts(line: Line, hung: Hung, chord_error_m: float) -> tuple[tuple[Floats, Floats, Floats], float]:
    """Polylines (n, 3) [m] of the string at the start, the conductor and the string at the end, and their chord error
    [m]; a string that the line does not have is an empty polyline."""
    (one, two), _ = strain_strings(line)
    segments = list(range(len(hung.segments)))
    cuts = segments[1 if one > 0 else 0 : len(segments) - (1 if two > 0 else 0)]
    tops = joints(hung)
    whole, error = polyline(hung, chord_error_m)
    begins = int(np.argmin(np.linalg.norm(whole - tops[cuts[0]], axis=1)))
    ends = int(np.argmin(np.linalg.norm(whole - tops[cuts[-1] + 1], axis=1)))
    nothing = np.zeros((0, 3))
    return (
        (whole[: begins + 1] if one > 0 else nothing, whole[begins : ends + 1], whole[ends:] if two > 0 else nothing),
        error,
    )
