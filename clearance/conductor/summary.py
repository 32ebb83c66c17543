"""Owns the figures of a placed line that people read: tension, sag, low point and blow-out, as stated and over the
weather, the stringing chart, and the sags measured on site. Reports print these and reckon nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor, hypot
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor import catenary, planar
from clearance.conductor.catalogue import linear
from clearance.conductor.elastic import lowest, polyline
from clearance.conductor.groups import grouped, section_of
from clearance.conductor.lines import Line, Placed, PointLoad
from clearance.conductor.loads import carried, everything, sag_at_half
from clearance.conductor.loads import settled as loaded
from clearance.conductor.placing import at
from clearance.conductor.ranges import sag_at, shape_of, stated_per, strain_strings, tension_at, unstressed, weight_of
from clearance.conductor.section import at_state
from clearance.errors import InputError

Floats = NDArray[np.float64]
Pair = tuple[float, float]

CHART_STEP_C: Final = 10.0
"""[C] Step of the stringing chart."""

CHART_C: Final = (-10.0, 80.0)
"""[C] What every stringing chart covers."""

VIEW_POINTS: Final = 121
"""[1] Stations of a side view."""


@dataclass(frozen=True)
class Stated:
    """A line as stated, between its conductor's ends.

    span_m, rise_m, length_m: of the conductor; sag_m: vertical, at half the span, strain strings part of it
    tension_N: horizontal tension of one subconductor, None where no weight is known; constant_m: H / w
    low_m: lowest point of the conductor (3,); beyond: True where the curve's own low point lies outside the span
    """

    span_m: float
    rise_m: float
    length_m: float
    sag_m: float
    tension_N: float | None
    constant_m: float
    low_m: tuple[float, float, float]
    beyond: bool


@dataclass(frozen=True)
class Over:
    """A line over the weather, each (lowest, highest).

    conductor_C, basis: temperature and how it was found; wind_N_m: force per metre, positive to the left
    tension_N: horizontal tension of one subconductor, None for a loose line
    sag_m: at half the span, in the plane it hangs in; None for a loose line
    ice_m, ice_N_m: thickness of its ice and the ice's weight per metre, of one subconductor
    swing_rad: of its plane; left_m, right_m: how far the conductor comes out of its vertical plane to either side
    lowest_m: height of the lowest point anywhere, uncertainty taken off; uncertainty_m: what the family of shapes
    leaves open
    """

    conductor_C: Pair
    basis: str
    wind_N_m: Pair
    tension_N: Pair | None
    sag_m: Pair | None
    swing_rad: Pair
    left_m: float
    right_m: float
    lowest_m: float
    uncertainty_m: float
    ice_m: Pair = (0.0, 0.0)
    ice_N_m: Pair = (0.0, 0.0)


@dataclass(frozen=True)
class ChartRow:
    """One row of a stringing chart: still air, the conductor elastic, its loads on. Temperature [C], horizontal
    tension [N], sag [m]."""

    conductor_C: float
    tension_N: float
    sag_m: float


@dataclass(frozen=True)
class Checked:
    """A sag measured on site against the model's at the same temperature [m]."""

    measured_m: float
    modelled_m: float
    at_C: float
    by: str


@dataclass(frozen=True, eq=False)
class View:
    """Lines of a side view and of a plan, over the distance along the span [m].

    along: (n,); nominal, low, high: (n,) heights as stated, and lowest and highest over the weather
    left, right: (n,) how far the conductor comes out to either side
    strings: polylines (k, 2) of distance and height
    loads: distance and height of what hangs on it
    """

    along: Floats
    nominal: Floats
    low: Floats
    high: Floats
    left: Floats
    right: Floats
    strings: tuple[Floats, ...]
    loads: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class Summary:
    """Everything the report says of one line."""

    name: str
    conductor: str
    subconductors: int
    loose: bool
    stated_at_C: float | None
    stated: Stated
    over: Over | None
    chart: tuple[ChartRow, ...]
    checks: tuple[Checked, ...]
    correction_m: float
    view: View
    notes: tuple[str, ...]
    loads: tuple[PointLoad, ...] = ()


def summarise(placed: Mapping[str, Placed], chart_C: Pair = CHART_C) -> tuple[Summary, ...]:
    """The figures of every placed line.

    chart_C: temperatures that every stringing chart covers; widened to those of the line's own weather, in whole steps
    """
    charts = charts_of([one.line for one in placed.values()], placed, chart_C)
    return tuple(_summary(one, charts.get(name, ())) for name, one in placed.items())


def _summary(placed: Placed, chart: tuple[ChartRow, ...]) -> Summary:
    line = placed.line
    return Summary(
        line.name,
        line.conductor.name if line.conductor is not None else "",
        line.count,
        line.length_m is not None,
        line.known.at_C if line.known is not None else None,
        _stated(placed),
        _over(placed),
        chart,
        checks_of(line),
        placed.correction.uncertainty_m if placed.correction is not None else 0.0,
        _view(placed),
        (*placed.notes, *_missing(placed, chart)),
        line.loads,
    )


def _missing(placed: Placed, chart: tuple[ChartRow, ...]) -> list[str]:
    """What the stringing chart has no row for."""
    line = placed.line
    if line.known is None or line.conductor is None or not _timed(line):
        return []
    if not chart:
        return ["it has no equilibrium at any temperature of the stringing chart"]
    low, high = chart[0].conductor_C, chart[-1].conductor_C
    short = [f"below {low:g} °C"] if low > CHART_C[0] else []
    short += [f"above {high:g} °C"] if high < CHART_C[1] else []
    return [f"the stringing chart has no equilibrium {' and '.join(short)}"] if short else []


def _stated(placed: Placed) -> Stated:
    curve = placed.nominal
    weight, bent = weight_of(placed.line), placed.bent
    if bent is not None:
        level = float(hypot(*bent.force[:2]))
        deep = lowest(bent)
        at_end = any(float(np.linalg.norm(deep - end)) < 1e-6 for end in (bent.start, bent.end))
        return Stated(
            curve.span_m, curve.rise_m, curve.length_m, sag_at_half(bent), level, level / (weight or 1.0),
            (float(deep[0]), float(deep[1]), float(deep[2])), at_end,
        )  # fmt: skip
    tension = None if weight is None or curve.constant_m == 0 else curve.constant_m * weight
    if curve.constant_m > 0 and not 0 <= curve.low_point_m <= curve.span_m:
        low, beyond = min(curve.start, curve.end, key=lambda point: point[2]), True
    else:
        low, beyond = catenary.low_point(curve), False
    loose = placed.line.length_m is not None
    sag = catenary.sag_at_midspan(curve) if loose else float(planar.sag(shape_of(placed.line, stated_per(placed.line))))
    return Stated(curve.span_m, curve.rise_m, curve.length_m, sag, tension, curve.constant_m, low, beyond)


def _over(placed: Placed) -> Over | None:
    ranges = placed.ranges
    if ranges is None:
        return None
    left, right, lowest = _reach(placed)
    uncertainty = max(float(piece.room_m.max()) for piece in placed.pieces if piece.part == "wire")
    loose = placed.line.length_m is not None
    return Over(
        ranges.conductor_C,
        ranges.conductor_basis,
        ranges.force_N_m,
        None if loose else ranges.tension_N,
        None if loose else ranges.sag_m,
        placed.swing_rad,
        left + uncertainty,
        right + uncertainty,
        lowest - uncertainty,
        uncertainty,
        ranges.ice_m,
        ranges.ice_N_m,
    )


def _swings(placed: Placed) -> list[float]:
    """Swings at which extremes of height and of blow-out can lie: the ends, the vertical plane, and square to it."""
    low, high = placed.swing_rad
    turns = (0.0, np.pi / 2, -np.pi / 2, np.pi, -np.pi)
    return [low, high, *(turn for turn in turns if low < turn < high)]


def _reach(placed: Placed) -> tuple[float, float, float]:
    """How far the conductor comes out to the left and to the right [m], and its lowest height [m]."""
    side = np.array([-placed.axis[1], placed.axis[0], 0.0])
    size = float(np.linalg.norm(side))
    side = side / size if size > 1e-9 else np.array([0.0, 1.0, 0.0])
    out, lowest = [0.0], np.inf
    for v in placed.shape_m:
        for swing in _swings(placed):
            for piece, points in zip(placed.pieces, at(placed, v, swing), strict=True):
                if piece.part == "wire":
                    across = (points - placed.axis_point) @ side
                    out += [float(across.min()), float(across.max())]
                    lowest = min(lowest, float(points[:, 2].min()))
    return max(out), -min(out), float(lowest)


def charts_of(lines: Sequence[Line], placed: Mapping[str, Placed], chart_C: Pair) -> dict[str, tuple[ChartRow, ...]]:
    """Stringing chart of every span whose conductor and temperature are known; spans of a section are solved
    together."""
    ready = [line for line in lines if line.known is not None and line.conductor is not None and _timed(line)]
    names = {line.name for line in ready}
    rows: dict[str, list[ChartRow]] = {name: [] for name in names}
    groups = [group for group in grouped(lines) if all(line.name in names for line in group)]
    together = {line.name for group in groups for line in group}
    for group in [*groups, *([line] for line in ready if line.name not in together)]:
        ranges = [made.conductor_C for line in group if (made := placed[line.name].ranges) is not None]
        low = min([chart_C[0], *(pair[0] for pair in ranges)])
        high = max([chart_C[1], *(pair[1] for pair in ranges)])
        first, last = CHART_STEP_C * floor(low / CHART_STEP_C + 1e-6), CHART_STEP_C * ceil(high / CHART_STEP_C - 1e-6)
        for warm in np.arange(first, last + 1e-6, CHART_STEP_C):
            try:
                found = _rows(group, float(warm))
            except InputError:
                # Told by `_missing`: a section whose strings are lifted in the cold has no such state.
                continue
            for line, row in zip(group, found, strict=True):
                rows[line.name].append(row)
    return {name: tuple(found) for name, found in rows.items()}


def _timed(line: Line) -> bool:
    return bool(line.checks) or (line.known is not None and line.known.at_C is not None)


def _rows(group: Sequence[Line], warm: float) -> list[ChartRow]:
    if any(line.loads for line in group):
        made = carried(group)
        found = loaded(made, everything(group), at_C=warm)[1].lines
        return [ChartRow(warm, float(hypot(*hung.force[:2])), sag_at_half(hung)) for hung in found]
    models = [linear(line.conductor) for line in group if line.conductor is not None]
    lengths = [unstressed(line, model)[0] for line, model in zip(group, models, strict=True)]
    if len(group) == 1:
        tension = tension_at(group[0], lengths[0], warm, models[0])
        return [ChartRow(warm, tension, float(planar.sag(shape_of(group[0], (weight_of(group[0]) or 0.0) / tension))))]
    _, settled = at_state(section_of(group, models[0], lengths), warm, what=f"section of wire '{group[0].name}'")
    rows = []
    for line, hung in zip(group, settled.lines, strict=True):
        tension, step = float(hypot(*hung.force[:2])), hung.end - hung.start
        chord, tilt = float(np.linalg.norm(step)), float(np.arctan2(step[2], hypot(*step[:2])))
        shape = planar.solve(chord, tilt, (weight_of(line) or 0.0) / tension, *strain_strings(line))
        rows.append(ChartRow(warm, tension, float(planar.sag(shape))))
    return rows


def checks_of(line: Line) -> tuple[Checked, ...]:
    """Every sag measured on site, and what the state as stated gives at the same temperature; none without that
    state."""
    if not line.checks or line.known is None or line.known.at_C is None or line.conductor is None:
        return ()
    model = linear(line.conductor)
    length = unstressed(replace(line, checks=()), model)[0]
    return tuple(
        Checked(check.sag_m, sag_at(line, length, check.at_C, model), check.at_C, check.by) for check in line.checks
    )


def _view(placed: Placed) -> View:
    unit = np.array([placed.axis[0], placed.axis[1], 0.0])
    size = float(np.linalg.norm(unit))
    unit = unit / size if size > 1e-9 else np.array([1.0, 0.0, 0.0])
    side = np.array([-unit[1], unit[0], 0.0])
    origin = placed.axis_point
    wires: list[Floats] = []
    strings: list[Floats] = []
    for v in (0.0, *placed.shape_m):
        for swing in [0.0, *_swings(placed)]:
            for piece, points in zip(placed.pieces, at(placed, v, swing), strict=True):
                flat = np.stack([(points - origin) @ unit, points[:, 2], (points - origin) @ side], axis=1)
                if piece.part == "wire":
                    wires.append(flat)
                elif v == 0.0 and swing == 0.0 and not any(np.array_equal(flat[:, :2], s) for s in strings):
                    strings.append(flat[:, :2])
    first, last = placed.nominal.start, placed.nominal.end
    ends = [(np.asarray(point) - origin) @ unit for point in (first, last)]
    along = np.linspace(float(min(ends)), float(max(ends)), VIEW_POINTS)
    stacks = [np.array([np.interp(along, *_rising(wire, k)) for wire in wires]) for k in (1, 2)]
    nominal = np.interp(along, *_rising(_curve(placed, unit, origin), 1))
    over = placed.ranges is not None
    # The wires of the family itself, without the stated one, bound the envelope where there is weather.
    low = stacks[0].min(axis=0) if over else nominal
    high = stacks[0].max(axis=0) if over else nominal
    left, right = stacks[1].max(axis=0), -stacks[1].min(axis=0)
    # Loads are counted from the attachment at the start.
    begins = float((np.asarray(placed.line.start.point) - origin) @ unit)
    stations = [begins + load.along_m for load in placed.line.loads]
    loads = tuple((at_m, float(np.interp(at_m, along, nominal))) for at_m in stations)
    return View(along, nominal, low, high, left, right, tuple(strings), loads)


def _curve(placed: Placed, unit: Floats, origin: Floats) -> Floats:
    points, _ = catenary.polyline(placed.nominal, 0.0005) if placed.bent is None else polyline(placed.bent, 0.0005)
    return np.stack([(points - origin) @ unit, points[:, 2], np.zeros(len(points))], axis=1)


def _rising(flat: Floats, column: int) -> tuple[Floats, Floats]:
    """Stations and values in rising order of station, as interpolation wants them."""
    order = np.argsort(flat[:, 0], kind="stable")
    return flat[order, 0], flat[order, column]
