"""Owns spans that hang together: which lines meet at a suspension string, and what their section does over the weather.

`grouped` finds the sections; `enclosed` proves where they are, and `section_samples` solves one at the corners of
temperature and wind and at steps of the wind between them, for want of a proof. `lone_samples` stands in for a span
whose neighbour is not known. `spread` finds the axis that a span's states swing about best, and what a rigid swing
about it leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import atan2, tan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.change_of_state import Elongation
from clearance.conductor.lines import Line, level_m
from clearance.conductor.ranges import chord_of, live_point, rotation, strain_strings, swing_frame, weight_of
from clearance.conductor.section import Settled, Strung, Support, at_state
from clearance.conductor.wind import STRING_DRAG
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]
Pair = tuple[float, float]

TOGETHER_M: Final = 1e-3
"""[m] Suspension attachments closer than this are one."""

WIND_STEPS: Final = 5
"""[1] Winds tried from one end of the range to the other, at the lowest and at the highest temperature."""


@dataclass(frozen=True, eq=False)
class Sample:
    """A span in one state: its live ends (3,) [m], the load on a metre (3,) [N/m], and u = w / H [1/m]."""

    start: Floats
    end: Floats
    load: Floats
    per_m: float


@dataclass(frozen=True)
class Spread:
    """What a span does over the states tried, seen from the axis it is taken to swing about.

    pivots: two points of the axis, over the start and over the end (3,) [m]
    per_m: range of u = w / H; tilt_rad: of the load against the chord through the live ends
    ends_m: how far a live end is at most from where a rigid swing of the plumb line about the axis would put it
    """

    pivots: tuple[Floats, Floats]
    per_m: Pair
    tilt_rad: Pair
    ends_m: float


def spread(line: Line, samples: Sequence[Sample]) -> Spread:
    """The axis that fits a span's states best, and what is left.

    A suspension string swings less than its wire, being heavier for the wind it catches. Turning the wire about its
    true attachments would move the live end too far sideways, so the axis passes over it at the height h that makes h
    sin(swing) fit the sideways moves in the least-squares sense; the string's whole length where there is no wind.
    """
    way = np.subtract(line.end.point, line.start.point)
    left = np.array([-way[1], way[0], 0.0]) / float(np.hypot(way[0], way[1]))
    pivots = []
    for end, side in ((line.start, "start"), (line.end, "end")):
        point = np.asarray(end.point, float)
        if end.string != "suspension":
            pivots.append(point)
            continue
        down = np.array([float(np.hypot(sample.load @ left, sample.load[2])) for sample in samples])
        sines = np.array([float(sample.load @ left) for sample in samples]) / down
        aside = np.array([float((getattr(sample, side) - point) @ left) for sample in samples])
        whole = float(sines @ sines)
        height = float(aside @ sines) / whole if whole > 1e-6 else end.string_m
        height = min(max(height, 0.05 * end.string_m), 2.0 * end.string_m)
        pivots.append(point + np.array([0.0, 0.0, height - end.string_m]))
    axis = (pivots[1] - pivots[0]) / float(np.linalg.norm(pivots[1] - pivots[0]))
    plumb, side_way = swing_frame(axis)
    off, pers, tilts = 0.0, [], []
    for sample in samples:
        turn = rotation(axis, atan2(float(sample.load @ side_way), float(sample.load @ plumb)))
        for end, clamp in ((line.start, sample.start), (line.end, sample.end)):
            drop = np.array([0.0, 0.0, end.string_m if end.string == "suspension" else 0.0])
            there = pivots[0] + turn @ (np.asarray(end.point, float) - drop - pivots[0])
            off = max(off, float(np.linalg.norm(clamp - there)))
        chord = sample.end - sample.start
        unit = chord / float(np.linalg.norm(chord))
        along = float(sample.load @ unit)
        tilts.append(atan2(-along, float(np.linalg.norm(sample.load - along * unit))))
        pers.append(sample.per_m)
    return Spread((pivots[0], pivots[1]), (min(pers), max(pers)), (min(tilts), max(tilts)), off)


def grouped(lines: Sequence[Line]) -> list[list[Line]]:
    """Lines that meet at suspension strings, each group in order along the line, every span running forward.

    Only groups of two spans and more. Raises InputError where more than two spans meet at one string, or conductors
    differ.
    """
    spans = [line for line in lines if line.length_m is None]
    meets: dict[str, list[tuple[str, int]]] = {line.name: [] for line in spans}
    by_name = {line.name: line for line in spans}
    for i, one in enumerate(spans):
        for two in spans[i + 1 :]:
            for side, a in enumerate((one.start, one.end)):
                for other, b in enumerate((two.start, two.end)):
                    if (
                        a.string == b.string == "suspension"
                        and np.linalg.norm(np.subtract(a.point, b.point)) < TOGETHER_M
                    ):
                        meets[one.name].append((two.name, side))
                        meets[two.name].append((one.name, other))
    groups, seen = [], set()
    for line in spans:
        if line.name in seen or not meets[line.name]:
            continue
        sides = [side for _, side in meets[line.name]]
        if len(sides) > 2 or len(set(sides)) < len(sides):
            raise InputError(Mistake((f"wire '{line.name}'",), "two spans at a suspension string", "more than two"))
        if len(sides) == 2:
            continue
        # An end of a section: walk from here, turning spans round where they were drawn the other way.
        chain, name, enter = [], line.name, 1 - sides[0]
        while True:
            here = by_name[name]
            chain.append(here if enter == 0 else reversed_line(here))
            seen.add(name)
            onward = next(((to, side) for to, side in meets[name] if side != enter), None)
            if onward is None:
                break
            before, name = name, onward[0]
            enter = next(side for to, side in meets[name] if to == before)
        words = {part.conductor.name if part.conductor else "" for part in chain}
        if len(words) > 1:
            raise InputError(
                Mistake(
                    (f"wire '{line.name}'", "conductor"), "one conductor over a section", " and ".join(sorted(words))
                )
            )
        groups.append(chain)
    return groups


def reversed_line(line: Line) -> Line:
    """The line from its end to its start, what hangs on it staying where it is."""
    level = level_m(line)
    loads = tuple(replace(load, along_m=level - load.along_m) for load in line.loads)
    return replace(line, start=line.end, end=line.start, loads=loads)


def section_of(group: Sequence[Line], model: Elongation, lengths_m: Sequence[float]) -> Strung:
    """The section of a group in order, per subconductor, its unstressed lengths [m] known.

    A suspension string at either end of the group, whose far span is not known, is taken as held where it hangs plumb.
    """
    ends = [group[0].start, *(line.end for line in group)]
    supports = []
    for j, end in enumerate(ends):
        point = np.asarray(end.point, float)
        if end.string == "suspension" and 0 < j < len(ends) - 1:
            load = np.array([0.0, 0.0, -end.string_weight_N / 2.0 / group[0].count])
            supports.append(Support(point, end.string_m, load))
        else:
            supports.append(Support(live_point(end)))
    strings = []
    for line in group:
        (one, two), (light, heavy) = strain_strings(line)
        strings.append(((one, light), (two, heavy)))
    own = tuple(support.load_N for support in supports)
    return Strung(tuple(supports), tuple(lengths_m), model, weight_of(group[0]) or 0.0, own, tuple(strings))


def section_samples(
    group: Sequence[Line],
    model: Elongation,
    lengths_m: Sequence[float],
    temperature_C: Pair,
    forces_N_m: Sequence[Pair],
    ice_N_m: Pair = (0.0, 0.0),
) -> dict[str, list[Sample]]:
    """States of a section over its ranges of temperature [C], wind force per metre [N/m] and ice [N/m], per span.

    group: spans in order; lengths_m: unstressed length of each; forces_N_m: ranges for each, positive to the left of
    the span as the section runs
    """
    line = section_of(group, model, lengths_m)
    found: dict[str, list[Sample]] = {span.name: [] for span in group}
    for warm, ice in product(temperature_C, dict.fromkeys(ice_N_m)):
        for share in np.linspace(0.0, 1.0, WIND_STEPS):
            wind = winds_on(group, forces_N_m, float(share))
            settled = solved(group, line, warm, wind, wind_on_strings(group, wind), ice)
            for index, span in enumerate(group):
                load = wind[index] - np.array([0.0, 0.0, line.weight_N_m + ice])
                hung = settled.lines[index]
                # The part of the tension square to the load is the same all along the conductor and its strings.
                across = hung.force - (hung.force @ load) * load / float(load @ load)
                per = float(np.linalg.norm(load)) / float(np.linalg.norm(across))
                found[span.name].append(Sample(hung.start, hung.end, load, per))
    return found


def lone_samples(line: Line, pers: Pair, forces_N_m: Pair) -> list[Sample]:
    """States of a span with suspension strings whose far spans are not known: each is taken as its mirror image.

    The clamp then carries the wind of one span, twice the vertical reaction of a span's end, and half the string's
    weight and wind. The reaction is half the span's weight, give or take what the slope of the chord adds; all three
    are tried.
    """
    chord, tilt = chord_of(line)
    weight = weight_of(line) or 0.0
    way = np.subtract(line.end.point, line.start.point)
    left = np.array([-way[1], way[0], 0.0]) / float(np.hypot(way[0], way[1]))
    half, slope = weight * chord / 2, abs(tan(tilt)) * weight / pers[0]
    found = []
    for push in np.linspace(forces_N_m[0], forces_N_m[1], 2 * WIND_STEPS - 1):
        for reaction in (max(half - slope, 0.0), half, half + slope):
            places = []
            for end in (line.start, line.end):
                point = np.asarray(end.point, float)
                if end.string == "suspension":
                    pressure = float(push) / line.diameter_m
                    blown = pressure * STRING_DRAG * end.string_diameter_m * end.string_m / 2.0 / line.count
                    down = max(2 * reaction + end.string_weight_N / 2.0 / line.count, 1e-6)
                    pull = left * (float(push) * chord + blown) - np.array([0.0, 0.0, down])
                    point = point + end.string_m * pull / float(np.linalg.norm(pull))
                places.append(point)
            load = left * float(push) - np.array([0.0, 0.0, weight])
            found += [Sample(places[0], places[1], load, per) for per in pers]
    return found


def solved(group: Sequence[Line], line: Strung, warm: float, wind: Floats, blown: Floats, ice_N_m: float) -> Settled:
    """A state of the section; where there is none, what a reader can do about it."""
    what = f"section of wire '{group[0].name}'"
    try:
        return at_state(line, warm, wind, blown, extra_N_m=ice_N_m, what=what)[1]
    except InputError as error:
        names = " and ".join(f"'{span.name}'" for span in group)
        raise InputError(
            Mistake(
                (f"wires {names}", "suspension string"),
                "an equilibrium with every string pulled downwards",
                f"none at {warm:.0f} C (a string that its spans lift has none)",
                "state the weight of the string with its hardware, or check tensions and heights",
            )
        ) from error


def winds_on(group: Sequence[Line], forces: Sequence[Pair], share: float) -> Floats:
    """Wind force (n, 3) on a metre of each span, at a share of each one's range."""
    wind = []
    for line, (low, high) in zip(group, forces, strict=True):
        step = np.subtract(line.end.point, line.start.point)
        left = np.array([-step[1], step[0], 0.0]) / float(np.hypot(step[0], step[1]))
        wind.append(left * (low + share * (high - low)))
    return np.array(wind)


def wind_on_strings(group: Sequence[Line], wind: Floats) -> Floats:
    """Half the wind on each string, at its clamp, along the mean wind of its spans (n + 1, 3) [N], per subconductor."""
    ends = [group[0].start, *(line.end for line in group)]
    blown = np.zeros((len(ends), 3))
    for j, end in enumerate(ends):
        if end.string == "suspension" and 0 < j < len(ends) - 1:
            pressure = (wind[j - 1] / group[j - 1].diameter_m + wind[j] / group[j].diameter_m) / 2.0
            blown[j] = pressure * STRING_DRAG * end.string_diameter_m * end.string_m / 2.0 / group[0].count
    return blown
