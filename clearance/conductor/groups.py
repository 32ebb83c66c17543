"""Owns spans that hang together: which lines meet at a suspension string, and what their section does over the weather.

`grouped` finds the sections, `section_states` solves one at the corners of temperature and wind and at steps of the
wind between them, and gives for each span the range of u, of the tilt of its load, and how far its ends are from
where a rigid swing of the plumb line about the attachments would put them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import atan2
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.change_of_state import Elongation
from clearance.conductor.lines import End, Line
from clearance.conductor.section import Settled, Strung, Support, at_state, uplifted
from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]
Pair = tuple[float, float]

TOGETHER_M: Final = 1e-3
"""[m] Suspension attachments closer than this are one."""

WIND_STEPS: Final = 5
"""[1] Winds tried from one end of the range to the other, at the lowest and at the highest temperature."""

STRING_DRAG: Final = 1.2
"""[1] Drag of an insulator string (IEC 60826, from memory)."""


@dataclass(frozen=True)
class States:
    """What a span of a section does over the states tried.

    per_m: range of u = w / H [1/m]; tilt_rad: of the load against its chord; ends_m: see the module; uplift: in any
        state
    """

    per_m: Pair
    tilt_rad: Pair
    ends_m: float
    uplift: bool

    def joined(self, other: States) -> States:
        """Both together."""
        return States(
            (min(self.per_m[0], other.per_m[0]), max(self.per_m[1], other.per_m[1])),
            (min(self.tilt_rad[0], other.tilt_rad[0]), max(self.tilt_rad[1], other.tilt_rad[1])),
            max(self.ends_m, other.ends_m),
            self.uplift or other.uplift,
        )


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
    """The line from its end to its start."""
    return replace(line, start=line.end, end=line.start)


def section_states(
    group: Sequence[Line],
    model: Elongation,
    lengths_m: Sequence[float],
    temperatures_C: Sequence[Pair],
    forces_N_m: Sequence[Pair],
) -> dict[str, States]:
    """States of a section over its ranges of temperature [C] and wind force per metre [N/m].

    group: spans in order; lengths_m: unstressed length of each; temperatures_C, forces_N_m: ranges for each, the
    forces positive to the left of the span as the section runs
    """
    ends = [group[0].start, *(line.end for line in group)]
    weight = group[0].conductor.weight_N_m if group[0].conductor is not None else 0.0
    supports = tuple(
        Support(
            np.asarray(end.point, float),
            end.string_m if end.string == "suspension" and 0 < j < len(ends) - 1 else 0.0,
            np.array([0.0, 0.0, -end.string_weight_N / 2.0 / group[0].count])
            if end.string == "suspension"
            else np.zeros(3),
        )
        if 0 < j < len(ends) - 1 or end.string != "suspension"
        else Support(np.asarray(end.point, float) - np.array([0.0, 0.0, end.string_m]))
        for j, end in enumerate(ends)
    )
    rigid = tuple(sum(end.string_m for end in (line.start, line.end) if end.string == "strain") for line in group)
    own = tuple(support.load_N for support in supports)
    line = Strung(supports, tuple(lengths_m), model, weight, own, rigid)
    low, high = min(pair[0] for pair in temperatures_C), max(pair[1] for pair in temperatures_C)
    found: dict[str, States] = {}
    for warm in (low, high):
        for share in np.linspace(0.0, 1.0, WIND_STEPS):
            wind = _winds(group, forces_N_m, float(share))
            blown = _on_strings(group, ends, wind)
            section, settled = at_state(line, warm, wind, blown, what=f"section of wire '{group[0].name}'")
            lifted = bool(uplifted(section, settled))
            for index, span in enumerate(group):
                state = _state(span, settled, index, wind[index], weight, lifted)
                found[span.name] = state if span.name not in found else found[span.name].joined(state)
    return found


def _winds(group: Sequence[Line], forces: Sequence[Pair], share: float) -> Floats:
    """Wind force (n, 3) on a metre of each span, at a share of each one's range."""
    wind = []
    for line, (low, high) in zip(group, forces, strict=True):
        step = np.subtract(line.end.point, line.start.point)
        left = np.array([-step[1], step[0], 0.0]) / float(np.hypot(step[0], step[1]))
        wind.append(left * (low + share * (high - low)))
    return np.array(wind)


def _on_strings(group: Sequence[Line], ends: Sequence[End], wind: Floats) -> Floats:
    """Half the wind on each string, at its clamp, along the mean wind of its spans (n + 1, 3) [N], per subconductor."""
    blown = np.zeros((len(ends), 3))
    for j, end in enumerate(ends):
        if end.string == "suspension" and 0 < j < len(ends) - 1:
            pressure = (wind[j - 1] / group[j - 1].diameter_m + wind[j] / group[j].diameter_m) / 2.0
            blown[j] = pressure * STRING_DRAG * end.string_diameter_m * end.string_m / 2.0 / group[0].count
    return blown


def _state(line: Line, settled: Settled, index: int, wind: Floats, weight: float, lifted: bool) -> States:
    hung = settled.lines[index]
    load = wind - np.array([0.0, 0.0, weight])
    size = float(np.linalg.norm(load))
    across = hung.force - (hung.force @ load) * load / size**2
    chord = hung.end - hung.start
    unit = chord / float(np.linalg.norm(chord))
    square = load - (load @ unit) * unit
    tilt = atan2(-float(load @ unit), float(np.linalg.norm(square)))
    # Where the swing alone would put the live ends: the plumb line turned about the attachments by the plane's angle.
    first, last = np.asarray(line.start.point, float), np.asarray(line.end.point, float)
    axis = (last - first) / float(np.linalg.norm(last - first))
    down = np.array([0.0, 0.0, -1.0]) + axis[2] * axis
    down /= float(np.linalg.norm(down))
    side = np.cross(down, -axis)
    angle = atan2(float(load @ side), float(load @ down))
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    turn = np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross
    off = 0.0
    for end, clamp in ((line.start, hung.start), (line.end, hung.end)):
        drop = np.array([0.0, 0.0, -end.string_m if end.string == "suspension" else 0.0])
        stands = np.asarray(end.point, float) + drop
        there = first + turn @ (stands - first)
        off = max(off, float(np.linalg.norm(clamp - there)))
    per = size / float(np.linalg.norm(across))
    return States((per, per), (tilt, tilt), off, lifted)
