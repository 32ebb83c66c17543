"""Owns where lines that carry loads are, beside one another: the curve of each that a load moves, and the pull of a
loose line on what it hangs on.

`curves` looks at all lines of a scene together, because a load on one span moves the strings it shares with others; a
line that no load moves has no entry and hangs as stated. `pull` gives the force of a dropper or jumper on its host.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.catenary import Point
from clearance.conductor.elastic import Hung, Segment, end_force, hang
from clearance.conductor.groups import grouped
from clearance.conductor.lines import Line
from clearance.conductor.loads import Carried, at_station, base_of, carried, own_parts
from clearance.conductor.ranges import weight_of
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Curve:
    """A line with all its loads on, in still air at its stated temperature, from its drawn start to its drawn end.

    line: as drawn
    made, index: the section it is in, and its place there; backwards: the section runs through it from its end
    hung: its shape per subconductor as the section has it
    """

    line: Line
    made: Carried
    index: int
    backwards: bool
    hung: Hung

    def point(self, along_m: float) -> Point:
        """The point (3,) [m] at a horizontal distance from the attachment at its start."""
        step = np.subtract(self.line.end.point, self.line.start.point)[:2]
        level = float(np.hypot(*step))
        anchor, way = np.asarray(self.line.start.point, float), step / level
        if self.backwards:
            anchor, way, along_m = np.asarray(self.line.end.point, float), -way, level - along_m
        found = at_station(self.hung, along_m - float((self.hung.start - anchor)[:2] @ way))
        return float(found[0]), float(found[1]), float(found[2])

    def parts(self, chord_error_m: float) -> tuple[tuple[Floats, Floats, Floats], float]:
        """Polylines of its strain string at the start, its conductor and its strain string at the end, all from
        start to end, and their chord error [m]; empty for a string that it does not have."""
        line = self.made.lines[self.index]
        (first, own, last), error = own_parts(line, self.hung, chord_error_m)
        if self.backwards:
            return (last[::-1], own[::-1], first[::-1]), error
        return (first, own, last), error

    @property
    def ends(self) -> tuple[Point, Point]:
        """Live ends of the conductor, start and end (3,) [m]."""
        _, own, _ = self.parts(1.0)[0]
        one, two = own[0], own[-1]
        return (float(one[0]), float(one[1]), float(one[2])), (float(two[0]), float(two[1]), float(two[2]))

    @property
    def length_m(self) -> float:
        """Length of the conductor as it hangs [m], stretch included; of chords within a tenth of a millimetre."""
        _, own, _ = self.parts(1e-4)[0]
        return float(np.linalg.norm(np.diff(own, axis=0), axis=1).sum())


def sections(lines: Sequence[Line]) -> list[list[Line]]:
    """Every tensioned line once, in the section that it is part of; each running forward along its section."""
    spans = [line for line in lines if line.length_m is None]
    groups = grouped(spans)
    together = {line.name for group in groups for line in group}
    return [*groups, *([line] for line in spans if line.name not in together)]


def curves(lines: Sequence[Line]) -> dict[str, Curve]:
    """The curve of every line that a load moves, by name.

    Raises InputError for a load that is not on its conductor, a line without what solving it needs, no equilibrium.
    """
    drawn = {line.name: line for line in lines}
    found: dict[str, Curve] = {}
    for group in sections(lines):
        if not any(line.loads for line in group):
            continue
        made = carried(group)
        later = any(not load.stated for line in group for load in line.loads)
        for index, (line, hung) in enumerate(zip(group, base_of(made), strict=True)):
            if line.loads or later:
                own = drawn[line.name]
                found[line.name] = Curve(own, made, index, line.start is not own.start, hung)
    return found


def pull(line: Line, at_end: bool) -> Point:
    """Force (3,) [N] of a loose line on what its start, or its end, hangs on: its weight and its pull, in still air.

    Raises InputError for a line whose weight is not known, or that is shorter than the way between its ends.

    Examples
    --------
    A level loop of 10 m over 6 m, 15 N/m: each end carries half its weight.

    >>> from clearance.conductor.lines import End
    >>> loop = Line("jumper", End((0, 0, 9)), End((6, 0, 9)), 0.03, weight_N_m=15.0, length_m=10.0)
    >>> [round(value, 1) for value in pull(loop, False)], [round(value, 1) for value in pull(loop, True)]
    ([24.5, 0.0, -75.0], [-24.5, 0.0, -75.0])
    """
    weight = weight_of(line)
    if weight is None or line.length_m is None:
        expected, remedy = "its weight, as another wire carries it", "add weight_N_m, or name its conductor"
        raise InputError(Mistake((f"wire '{line.name}'", "weight_N_m"), expected, "none", remedy))
    own = Segment(line.length_m, (0.0, 0.0, -weight))
    hung = hang(line.start.point, line.end.point, [own], what=f"wire '{line.name}'")
    force = (-end_force(hung) if at_end else hung.force) * line.count
    # Adding nothing makes a minus zero a zero.
    return float(force[0]) + 0.0, float(force[1]) + 0.0, float(force[2]) + 0.0
