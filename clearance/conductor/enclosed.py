"""Owns where a suspension section is proved to be over a box of weather: between the states solved as well as at them.

`enclose` cuts the box of temperature, share of the wind's range and weight of ice into cells, solves the section at
their corners, and has `cells` prove how far it is from those in between; a cell that proves nothing, or too little, is
halved. `ends_off` tells how far a span's clamps are from a rigid swing.

The state is the same for all spans of a section: gusts that differ from span to span are left out. The load is even
and the stretch that of the mean tension, as in `planar`; `section` has the stretch vary along a span, which changes the
load of a metre by (T - T_mean) / E A of it, some 1e-5.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import ceil, log
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.catalogue import models
from clearance.conductor.cells import (
    BENT,
    CORNERS,
    ROUNDING,
    Cells,
    Proof,
    apart,
    half_step,
    least_size,
    prove,
)
from clearance.conductor.change_of_state import Elongation
from clearance.conductor.elastic import end_force
from clearance.conductor.groups import (
    Sample,
    section_of,
    section_samples,
    solved,
    spread,
    wind_on_strings,
    winds_on,
)
from clearance.conductor.lines import Line, Weather
from clearance.conductor.ranges import (
    conductor_temperature,
    ice_of,
    live_point,
    swing_frame,
    unstressed,
    wind_force,
)
from clearance.conductor.tensions import Loads, Rail, at_rest, rail_of

Floats = NDArray[np.float64]
Pair = tuple[float, float]

CELL_C: Final = 10.0
"""[C] Temperature across a cell at first."""

CELL_TURN: Final = 0.05
"""[rad] Turn of the load across a cell at first."""

CELL_WEIGHT: Final = 0.1
"""[1] Growth of the weight across a cell at first."""

CLAMP_M: Final = 0.002
CLAMP_PART: Final = 0.03
"""[m], [1] A cell is halved where it puts clamps further from a rigid swing than the furthest state solved is by more
than this and this part of it."""

PER_PART: Final = 0.015
"""[1] Likewise where it makes the range of u wider by this part of it, on either side."""

ENOUGH: Final = 16000
"""[1] After so many cells only those are halved that prove nothing."""

MOST_CELLS: Final = 20000
"""[1] Cells that are tried at most."""


@dataclass(frozen=True, eq=False)
class Span:
    """One span of a section over its weather.

    per_m: lowest and highest u = w / H [1/m]; samples: some of the states solved
    loads: on a hung metre at the corners of each cell (cells, 1 or 2, 1 or 2, 1 or 2, 3) [N/m]; clamps: its start and
        end there (..., 2, 3) [m]; clamp_m: how far they are at most from the corners', interpolated (cells, 2) [m]
    """

    per_m: Pair
    samples: list[Sample]
    loads: Floats
    clamps: Floats
    clamp_m: Floats


@dataclass(frozen=True, eq=False)
class Together:
    """A span of a section over the weather: states solved, and what is proved under every model of its conductor,
    nothing where one of them is not."""

    samples: list[Sample]
    proved: tuple[Span, ...]


def over_weather(group: Sequence[Line], weather: Weather, backwards: set[str]) -> dict[str, Together]:
    """What a section of several spans does over the weather, per span, under every model of its conductor."""
    ways = [models(line.conductor) for line in group if line.conductor is not None]
    temperatures = [conductor_temperature(line, weather)[0] for line in group]
    temperature = min(low for low, _ in temperatures), max(high for _, high in temperatures)
    forces = [wind_force(line, weather) for line in group]
    ices = [ice_of(line, weather)[1] for line in group]
    ice = min(low for low, _ in ices), max(high for _, high in ices)
    lengths = [[unstressed(line, model)[0] for line in group] for model in ways[0]]
    pairs = list(zip(ways[0], lengths, strict=True))
    proved: list[tuple[Span, ...]] = []
    for model, some in pairs:
        spans = enclose(group, model, some, temperature, forces, ice)
        if spans is None:
            return _allowed(group, pairs, temperature, forces, ice, backwards)
        proved.append(spans)
    found = {}
    for k, line in enumerate(group):
        # A span that the section runs through backwards ends where it was drawn to start.
        own = tuple(reversed_span(spans[k]) if line.name in backwards else spans[k] for spans in proved)
        found[line.name] = Together([sample for span in own for sample in span.samples], own)
    return found


def _allowed(
    group: Sequence[Line],
    pairs: Sequence[tuple[Elongation, Sequence[float]]],
    temperature: Pair,
    forces: Sequence[Pair],
    ice: Pair,
    backwards: set[str],
) -> dict[str, Together]:
    """The states at the corners of the weather and at steps of the wind, for want of a proof."""
    found: dict[str, list[Sample]] = {line.name: [] for line in group}
    for model, lengths in pairs:
        for name, samples in section_samples(group, model, lengths, temperature, forces, ice).items():
            found[name] += _reversed(samples) if name in backwards else samples
    return {name: Together(samples, ()) for name, samples in found.items()}


def enclose(
    group: Sequence[Line],
    model: Elongation,
    lengths_m: Sequence[float],
    temperature_C: Pair,
    forces_N_m: Sequence[Pair],
    ice_N_m: Pair = (0.0, 0.0),
) -> tuple[Span, ...] | None:
    """The spans of a section over its ranges, or None where `MOST_CELLS` cells do not prove where they are.

    Parameters
    ----------
    group: spans in order; lengths_m: unstressed length of each
    temperature_C, ice_N_m: ranges for all spans together; forces_N_m: of each, positive to the left of the span as the
        section runs

    Raises
    ------
    InputError: no equilibrium in the middle of the ranges.
    """
    strung = section_of(group, model, lengths_m)
    rail, weight, own = rail_of(strung), strung.weight_N_m, np.array(strung.clamp_N)
    calm, full = winds_on(group, forces_N_m, 0.0), winds_on(group, forces_N_m, 1.0)
    blown = wind_on_strings(group, calm), wind_on_strings(group, full)

    def loads_at(state: Floats) -> Loads:
        share, heavy = state[..., 1, None, None], weight + state[..., 2, None, None]
        spans = calm + share * (full - calm) - heavy * np.array([0.0, 0.0, 1.0])
        return Loads(spans, own + blown[0] + share * (blown[1] - blown[0]), state[..., 0])

    box = np.array([temperature_C, (0.0, 1.0), ice_N_m])
    turn = max(float(np.ptp(np.arctan(np.array(pair) / (weight + ice_N_m[0])))) for pair in forces_N_m)
    if turn == 0.0:
        box[1] = 0.0
    grown = log((weight + ice_N_m[1]) / (weight + ice_N_m[0]))
    counts = float(np.ptp(temperature_C)) / CELL_C, turn / CELL_TURN, grown / CELL_WEIGHT
    warm, share, ice = (float(value) for value in box.mean(axis=1))
    wind = winds_on(group, forces_N_m, share)
    settled = solved(group, strung, warm, wind, wind_on_strings(group, wind), ice)
    start = np.array([(line.force + end_force(line)) / 2.0 for line in settled.lines])

    low, high = _grid(box, [max(1, ceil(count)) for count in counts])
    starts = np.repeat(start[None], len(low), axis=0)
    begin: Loads | None = loads_at(box.mean(axis=1))
    wide = box[:, 1] > box[:, 0]
    tried, kept, samples, swings = 0, [], [], []
    while len(low):
        states = _corners(low, high, wide)
        # What does not settle becomes no number, and a cell of it proves nothing.
        with np.errstate(all="ignore"):
            try:
                cells = _cells(rail, loads_at, states, starts, begin)
                proof = prove(rail, cells)
            except np.linalg.LinAlgError:
                return None
            part = _part(cells, proof)
            if begin is not None:
                samples = _samples(states, part, box)
                swings = [_Swing.of(line, some) for line, some in zip(group, samples, strict=True)]
            tried += len(low)
            last = not wide.any()
            done = proof.holds & (last | (tried > ENOUGH) | _close(part, swings))
        if (last or tried > MOST_CELLS) and not done.all():
            return None
        kept.append(_Part(*(values[done] for values in part)))
        low, high, starts = _halved(low, high, cells, proof, ~done)
        begin = None
    whole = _Part(*(np.concatenate(values) for values in zip(*kept, strict=True)))
    return tuple(
        Span(
            (float(whole.per_m[:, 0, k].min()), float(whole.per_m[:, 1, k].max())),
            samples[k],
            whole.spans[..., k, :],
            whole.clamps[..., k : k + 2, :],
            whole.clamp_m[:, k : k + 2],
        )
        for k in range(len(group))
    )


def reversed_span(span: Span) -> Span:
    """The span from its end to its start."""
    return replace(
        span, samples=_reversed(span.samples), clamps=span.clamps[..., ::-1, :], clamp_m=span.clamp_m[:, ::-1]
    )


def _reversed(samples: Sequence[Sample]) -> list[Sample]:
    return [replace(one, start=one.end, end=one.start) for one in samples]


def ends_off(span: Span, pivot: Floats, axis: Floats, plumb: Sequence[Floats]) -> float:
    """How far [m] the clamps of a span are at most from where a rigid swing would put them.

    Parameters
    ----------
    pivot, axis: a point and the direction (3,) of the axis it is swung about, by the load's angle to its vertical plane
    plumb: its start and end (3,) [m] with plumb strings
    """
    _, most = _off_swing(span.loads, span.clamps, span.clamp_m, _Swing(pivot, axis, tuple(plumb)))
    return float(most.max())


class _Swing(NamedTuple):
    """A rigid swing of a span: a point of its axis and its direction, and its ends with plumb strings."""

    pivot: Floats
    axis: Floats
    plumb: tuple[Floats, ...]

    @classmethod
    def of(cls, line: Line, samples: Sequence[Sample]) -> _Swing:
        """That which fits a line's states."""
        first, last = spread(line, samples).pivots
        return cls(
            first, (last - first) / float(np.linalg.norm(last - first)), (live_point(line.start), live_point(line.end))
        )


def _off_swing(loads: Floats, clamps: Floats, clamp_m: Floats, swing: _Swing) -> tuple[Floats, Floats]:
    """Distance of a span's clamps from a rigid swing in each cell: the greatest at its corners, and in all of it."""
    axis = swing.axis
    down, side = swing_frame(axis)
    turned = np.stack([loads @ down, loads @ side], axis=-1)
    unit = turned / np.linalg.norm(turned, axis=-1)[..., None]
    turn = sum((half_step(turned[..., None, :], k) / least_size(turned[..., None, :])) ** 2 for k in CORNERS)
    seen, most = np.zeros(len(loads)), np.zeros(len(loads))
    for end, place in enumerate(swing.plumb):
        arm = place - swing.pivot
        low, aside = float(arm @ down), float(arm @ side)
        rigid = (
            swing.pivot
            + (arm @ axis) * axis
            + unit[..., :1] * (low * down + aside * side)
            + unit[..., 1:] * (low * side - aside * down)
        )
        away = np.linalg.norm(clamps[..., end, :] - rigid, axis=-1).max(axis=CORNERS)
        swung = float(np.hypot(low, aside)) * BENT / 2.0 * np.reshape(turn, -1)
        seen, most = np.maximum(seen, away), np.maximum(most, (away + clamp_m[:, end] + swung) * (1.0 + ROUNDING))
    return seen, most


class _Part(NamedTuple):
    """Cells as `Span` has them, but for all spans together; pers: u at the corners (cells, corners, n) [1/m]."""

    spans: Floats
    pers: Floats
    clamps: Floats
    clamp_m: Floats
    per_m: Floats


def _part(cells: Cells, proof: Proof) -> _Part:
    pers = np.linalg.norm(cells.loads.spans, axis=-1) / proof.at.level
    return _Part(cells.loads.spans, pers, proof.at.clamps, proof.clamp_m, _pers(cells, proof))


def _close(part: _Part, swings: Sequence[_Swing]) -> NDArray[np.bool_]:
    """Which cells make no range much wider than the states at all corners do."""
    low, high = part.pers.min(axis=CORNERS), part.pers.max(axis=CORNERS)
    room = PER_PART * (high.max(axis=0) - low.min(axis=0))
    close = (part.per_m[:, 0] >= low.min(axis=0) - room) & (part.per_m[:, 1] <= high.max(axis=0) + room)
    found = close.all(axis=1)
    for k, swing in enumerate(swings):
        seen, most = _off_swing(
            part.spans[..., k, :], part.clamps[..., k : k + 2, :], part.clamp_m[:, k : k + 2], swing
        )
        found &= most <= (1.0 + CLAMP_PART) * seen.max() + CLAMP_M
    return np.asarray(found, bool)


def _grid(box: Floats, counts: Sequence[int]) -> tuple[Floats, Floats]:
    """Lowest and highest corners (cells, 3) of so many cells along each axis of a box (3, 2)."""
    edges = [np.linspace(low, high, count + 1) for (low, high), count in zip(box, counts, strict=True)]
    low, high = (np.meshgrid(*(edge[part] for edge in edges), indexing="ij") for part in (slice(-1), slice(1, None)))
    return tuple(np.stack(end, axis=-1).reshape(-1, 3) for end in (low, high))  # type: ignore[return-value]


def _corners(low: Floats, high: Floats, wide: NDArray[np.bool_]) -> Floats:
    """Weather (cells, 1 or 2, 1 or 2, 1 or 2, 3) at the corners of cells."""
    ends = [[low[:, axis], high[:, axis]] if wide[axis] else [low[:, axis]] for axis in range(3)]
    shape = (len(low), *(len(end) for end in ends), 3)
    found = np.empty(shape)
    for axis, end in enumerate(ends):
        place = [1, 1, 1]
        place[axis] = len(end)
        found[..., axis] = np.stack(end, axis=1).reshape(len(low), *place)
    return found


def _cells(
    rail: Rail,
    loads_at: Callable[[Floats], Loads],
    states: Floats,
    starts: Floats,
    begin: Loads | None,
) -> Cells:
    """The section solved at the corners of cells, from tensions (cells, n, 3) near by."""
    flat, first, index = np.unique(states.reshape(-1, 3), axis=0, return_index=True, return_inverse=True)
    each = int(np.prod(states.shape[1:-1]))
    tensions = at_rest(rail, loads_at(flat), starts[first // each], begin)
    shape = (*states.shape[:-1], *starts.shape[1:])
    return Cells(loads_at(states), tensions[index.ravel()].reshape(shape))


def _halved(
    low: Floats, high: Floats, cells: Cells, proof: Proof, left: NDArray[np.bool_]
) -> tuple[Floats, Floats, Floats]:
    """The cells left, each in two across the axis that adds most to what is not known, and tensions to start from."""
    low, high, axis = low[left], high[left], np.argmax(proof.by_axis[left], axis=1)
    rows = np.arange(len(axis))
    middle = (low[rows, axis] + high[rows, axis]) / 2.0
    upper, lower = low.copy(), high.copy()
    upper[rows, axis] = lower[rows, axis] = middle
    twice = cells.tensions[left].mean(axis=CORNERS)
    return np.concatenate([low, upper]), np.concatenate([lower, high]), np.concatenate([twice, twice])


def _samples(states: Floats, part: _Part, box: Floats) -> list[list[Sample]]:
    """States at the ends of temperature and ice, each once, per span."""
    flat = states.reshape(-1, 3)
    edge = np.flatnonzero(np.isin(flat[:, 0], box[0]) & np.isin(flat[:, 2], box[2]))
    edge = edge[np.unique(flat[edge], axis=0, return_index=True)[1]]
    at = [values.reshape(len(flat), *values.shape[4:])[edge] for values in (part.clamps, part.spans, part.pers)]
    return [
        [Sample(ends[k], ends[k + 1], load[k], float(per[k])) for ends, load, per in zip(*at, strict=True)]
        for k in range(part.spans.shape[-2])
    ]


def _pers(cells: Cells, proof: Proof) -> Floats:
    """Lowest and highest u = w / H of each span in each cell (cells, 2, n) [1/m].

    u is |w|^2 over |tau x w|; along an axis both go as polynomials of the second degree.
    """
    spans, tensions = cells.loads.spans, cells.tensions
    light, pull = least_size(spans), np.linalg.norm(tensions, axis=-1).max(axis=CORNERS)
    heavy = np.linalg.norm(spans, axis=-1).max(axis=CORNERS)
    load, tension = spans.mean(axis=CORNERS), tensions.mean(axis=CORNERS)
    other, away = apart(spans), apart(tensions)
    crossed = np.linalg.norm(np.cross(tension, load), axis=-1) - away * heavy - pull * other
    level = crossed / heavy
    much, off = pull / level * heavy / light, np.zeros_like(level)
    for axis in CORNERS:
        x, y = half_step(spans, axis) / light, half_step(tensions, axis) / pull
        off += 2.0 * x**2 + 4.0 * x * much * (x + y) + 2.0 * much * x * y + 3.0 * (much * (x + y)) ** 2
    pers = np.linalg.norm(spans, axis=-1) / proof.at.level
    off *= heavy / level / 2.0
    part = proof.tension_N / level
    low = (pers.min(axis=CORNERS) - off) / (1.0 + part) * (1.0 - ROUNDING)
    high = (pers.max(axis=CORNERS) + off) / (1.0 - part) * (1.0 + ROUNDING)
    return np.stack([low, high], axis=1)
