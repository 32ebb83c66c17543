"""Owns whether the heights of conductors fit one another: a height in feet that is read as metres is 3.28 times too
large, and goes to where nothing of the job is and nothing is judged.

No height is wrong by itself, so each is held to what it goes with, over the ground at its own place, which leaves steep
ground out of it: the one end of a span to its other end, a conductor to those of the other phases beside it. Phases one
above the other, and buses on two levels, are ordinary; so is an end that a structure of the scene holds. What is asked
about is answered by a statement of kind "confirmed" that names the place.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import Body, ground
from clearance.errors import InputError
from clearance.result import OpenPoint
from clearance.scene import records
from clearance.scene.assemble import Site
from clearance.scene.plausible import unless_confirmed
from clearance.scene.records import Point, Record, Reference, where
from clearance.scene.records_base import Xy

HIGH: Final = "too high"

TIMES = 2.5
"""[1] So many times as high over the ground as what it goes with, a conductor is asked about: a foot is 3.28 times
smaller than a metre, and heights that go together differ by a third (common practice, no source)."""

BESIDE_M = 20.0
"""[m] Conductors of one circuit are no further apart in plan where they run side by side (common practice, no
source)."""

LEAST_M = 0.1
"""[m] What is lower over the ground than this counts as so high."""

LONG_M = 3.0
"""[m] A rigid conductor of the line is longer than this, and lies rather than stands."""

SLENDER: Final = 10.0
"""[1] Length of a bar over its width and its height, at least."""

Floats = NDArray[np.float64]
Mark = tuple[str, str, Body]


@dataclass(frozen=True, eq=False)
class _Line:
    """A conductor from one end to the other, as a chord.

    entry, field: what a statement confirms; phase: of it; ends: (2, 3) [m]
    """

    entry: Record
    field: str
    phase: str
    ends: Floats


def of_heights(site: Site, marks: Sequence[Mark], held: Callable[[Mark], bool]) -> Iterator[OpenPoint]:
    """Ends and conductors that are far higher than what they go with.

    marks: every end of a wire that is given by coordinates; held: whether something of the site holds it
    """
    yield from _ends(site, marks, held)
    lines = list(_lines(site))
    for line in lines:
        yield from _fellows(site, line, lines)


def _ends(site: Site, marks: Sequence[Mark], held: Callable[[Mark], bool]) -> Iterator[OpenPoint]:
    """Ends of spans far higher than their other ends, and held by nothing."""
    for mark in marks:
        name, field, _ = mark
        record, curve = site.wires[name].record, site.wires[name].catenary
        if not isinstance(record, records.SpanWire):
            continue
        here, there = (curve.start, curve.end) if field == "from_m" else (curve.end, curve.start)
        high, low = over_ground_m(site, here), over_ground_m(site, there)
        if high >= TIMES * low and not held(mark):
            yield from _asked(
                site, record, field, f"its end at {field} is {high:.1f} m over the ground, its other end {low:.1f} m"
            )


def _fellows(site: Site, line: _Line, lines: Sequence[_Line]) -> Iterator[OpenPoint]:
    """A conductor that is all along far higher than another phase of its circuit, and its own phase, beside it."""
    circuit = site.circuit_of[line.phase]
    stations = (line.ends[0], line.ends.mean(axis=0), line.ends[1])
    found = [_lower(site, station, line, lines, circuit.phases) for station in stations]
    if all(found):
        phase, low = found[1]  # type: ignore[misc]
        high = over_ground_m(site, stations[1])
        what = f"it is {high:.1f} m over the ground, and phase {phase} beside it {low:.1f} m"
        yield from _asked(site, line.entry, line.field, what)


def _lower(
    site: Site, station: Floats, line: _Line, lines: Sequence[_Line], phases: Sequence[str]
) -> tuple[str, float] | None:
    """A phase of which all that is beside a station of a conductor is far lower, and how high that is [m]; None where
    there is none, or where the conductor's own phase is as low there."""
    high = over_ground_m(site, station)
    beside: dict[str, list[float]] = {}
    for other in lines:
        if other is line or other.phase not in phases:
            continue
        share, _ = shapes.nearest_on(other.ends[:1, :2], np.diff(other.ends[:, :2], axis=0), station[:2])
        at = other.ends[0] + share[0] * (other.ends[1] - other.ends[0])
        if float(np.hypot(*(at - station)[:2])) <= BESIDE_M:
            beside.setdefault(other.phase, []).append(over_ground_m(site, at))
    if any(TIMES * low <= high for low in beside.pop(line.phase, [])):
        return None
    # Down from the conductor over what follows it, phase below phase.
    for height in sorted((height for heights in beside.values() for height in heights), reverse=True):
        if TIMES * height > high:
            high = min(high, height)
    below = [(phase, max(heights)) for phase, heights in beside.items() if TIMES * max(heights) <= high]
    return max(below, key=lambda one: one[1], default=None)


def _asked(site: Site, entry: Record, field: str, what: str) -> Iterator[OpenPoint]:
    named, value = where(site.scene, entry)[-1], getattr(entry, field)
    said, cure = f"{what}: heights that go together differ less", "check the unit of its heights, feet or metres, or "
    yield from unless_confirmed(site.scene, named, field, value, said, cure, HIGH)


def _lines(site: Site) -> Iterator[_Line]:
    """Conductors of phases that lie rather than stand, and whose place is stated."""
    for hung in site.wires.values():
        record, curve = hung.record, hung.catenary
        if isinstance(record, records.SpanWire) and record.phase in site.circuit_of:
            stated = [field for field in ("from_m", "to_m") if not isinstance(getattr(record, field), Reference)]
            if stated:
                yield _Line(record, stated[0], str(record.phase), np.array([curve.start, curve.end], float))
    for solid in site.scene.solids:
        if solid.potential not in site.circuit_of:
            continue
        if isinstance(solid, records.Cylinder):
            field, ends = "from_m", np.array([solid.from_m, solid.to_m], float)
        elif isinstance(solid, records.Box) and max(solid.size_m[1:]) * SLENDER <= solid.size_m[0]:
            turn, half = math.radians(solid.heading_deg), solid.size_m[0] / 2
            way = np.array([math.cos(turn), math.sin(turn), 0.0])
            field, ends = "centre_m", np.array(solid.centre_m, float) + half * np.array([-way, way])
        else:
            continue
        level = float(np.hypot(*(ends[1] - ends[0])[:2]))
        if level >= LONG_M and level >= abs(float(ends[1, 2] - ends[0, 2])):
            yield _Line(solid, field, solid.potential, ends)


def over_ground_m(site: Site, at: Point | Floats) -> float:
    """How high a place is over the ground [m], at least `LEAST_M`."""
    return max(float(at[2]) - ground_m(site, (float(at[0]), float(at[1]))), LEAST_M)


def ground_m(site: Site, at: Xy) -> float:
    """How high the ground is at a place [m]; beyond the modelled ground, its mean plane."""
    try:
        return float(ground.height_at(site.ground, np.array([at]))[0])
    except InputError:
        corners = site.ground.shape.vertices.reshape(-1, 3)
        plane = np.column_stack([corners[:, :2], np.ones(len(corners))])
        return float(np.append(at, 1.0) @ np.linalg.lstsq(plane, corners[:, 2], rcond=None)[0])
