"""Owns the places of lines that carry loads: as stated, and over the weather.

As stated a line with loads is the elastic line of `clearance.conductor.loads`, in chords with a proven error. Over the
weather its section is solved at the ends and the middle of the range of temperature, at winds from one end of the range
to the other, bare and with the most ice, under every model of its conductor. Each state is compared with a family of
one shape parameter and a swing, at the swing that fits best; what is left, and a part more, goes into uncertainty. That
encloses the states solved, and is an allowance for those between them, not a proof: a load does not swing with the
plane of its conductor. `tests/test_conductor_laden.py` tries it on random weather.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from math import sin
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor import catenary, wind
from clearance.conductor.carrying import Curve
from clearance.conductor.catenary import Catenary
from clearance.conductor.elastic import Hung, at_shares, chord_counts
from clearance.conductor.groups import Sample, spread, wind_on_strings, winds_on
from clearance.conductor.lines import Line, Piece, Placed, Ranges, Weather
from clearance.conductor.loads import Carried, everything, settled
from clearance.conductor.ranges import (
    conductor_temperature,
    ice_of,
    live_point,
    rotation,
    strain_strings,
    swing_frame,
    wind_force,
)
from clearance.errors import InputError, Mistake
from clearance.tolerances import CHORD_ERROR_M

Floats = NDArray[np.float64]
Pair = tuple[float, float]

WINDS: Final = 7
"""[1] Winds tried from one end of the range to the other, for the first model of the conductor; 3 for the others."""

SWINGS: Final = 33
"""[1] Swings tried for each state, from none to that of its conductor alone."""

MORE: Final = 0.2
"""[1] What is left of the states solved is taken this part larger, for the states between them."""

WIDEN: Final = 0.1
"""[1] Ranges of shape and swing are widened by this part of their width on both sides."""

ROUNDING_M: Final = 1e-9
"""[m] Added to every uncertainty for rounding."""


@dataclass(frozen=True, eq=False)
class State:
    """A line in one state of the weather: its shape, the load on a metre of conductor (3,) [N/m], its temperature."""

    hung: Hung
    load: Floats
    warm_C: float


def as_loaded(curve: Curve) -> Placed:
    """A line with its loads, without range."""
    line = curve.line
    first, last = np.asarray(line.start.point, float), np.asarray(line.end.point, float)
    axis = (last - first) / float(np.linalg.norm(last - first))
    (one, own, two), error = curve.parts(CHORD_ERROR_M)
    uncertainty = error + ROUNDING_M
    pieces = [Piece("wire", own, np.zeros_like(own), uncertainty)]
    if len(one) and line.start.own:
        pieces.insert(0, Piece("from string", one, np.zeros_like(one), uncertainty))
    if len(two) and line.end.own:
        pieces.append(Piece("to string", two, np.zeros_like(two), uncertainty))
    pieces += _plumb(line, (own[0], own[-1]), (uncertainty, uncertainty))
    still = (0.0, 0.0)
    return Placed(line, nominal(curve), first, axis, still, still, tuple(pieces), notes=(), bent=curve.hung)


def nominal(curve: Curve) -> Catenary:
    """A catenary between the live ends with as much conductor: for lengths and ends, not for the shape."""
    start, end = curve.ends
    return catenary.from_length(start, end, curve.length_m)


def _plumb(line: Line, tips: tuple[Floats, Floats], uncertainty_m: Pair) -> Iterator[Piece]:
    """Its own suspension strings, straight from attachment to tip."""
    for end, tip, room, which in zip((line.start, line.end), tips, uncertainty_m, ("from", "to"), strict=True):
        if end.string == "suspension" and end.own:
            string = np.array([end.point, tip], float)
            yield Piece("from string" if which == "from" else "to string", string, np.zeros((2, 3)), room)


def in_weather(made: Carried, curves: Sequence[Curve], weather: Weather) -> dict[str, Placed]:
    """Where the lines of a section may be, loads and all, by name; `curves` of every one of them, in its order."""
    states = _states(made, weather)
    return {curve.line.name: _enclosed(curve, states[k], weather, made) for k, curve in enumerate(curves)}


def _states(made: Carried, weather: Weather) -> list[list[State]]:
    """Per line its states over the weather; the first two in still air, at the lowest and the highest temperature."""
    lines, strung = made.lines, made.strung[0]
    temperatures = [conductor_temperature(line, weather)[0] for line in lines]
    low, high = min(pair[0] for pair in temperatures), max(pair[1] for pair in temperatures)
    forces = [wind_force(line, weather) for line in lines]
    ice = max(ice_of(line, weather)[1][1] for line in lines)
    on = everything(lines)
    found: list[list[State]] = [[] for _ in lines]

    def add(model: int, warm: float, blown: Floats, more: float) -> None:
        try:
            _, state = settled(made, on, model, warm, blown, wind_on_strings(lines, blown), more)
        except InputError as error:
            names = " and ".join(f"'{line.name}'" for line in lines)
            expected = "an equilibrium with its loads in this weather"
            found_ = f"none at {warm:.0f} °C with {more:.1f} N/m of ice"
            raise InputError(
                Mistake((f"wires {names}", "loads"), expected, found_, "check loads and weather")
            ) from error
        for k, hung in enumerate(state.lines):
            found[k].append(State(hung, blown[k] - np.array([0.0, 0.0, strung.weight_N_m + more]), warm))

    still = np.zeros((len(lines), 3))
    add(0, low, still, 0.0)
    add(0, high, still, 0.0)
    for model in range(len(made.strung)):
        warms, shares = ((low, (low + high) / 2, high), WINDS) if model == 0 else ((low, high), 3)
        for warm, more, share in product(warms, dict.fromkeys((0.0, ice)), np.linspace(0.0, 1.0, shares)):
            add(model, warm, winds_on(lines, forces, float(share)), more)
    return found


def _enclosed(curve: Curve, states: Sequence[State], weather: Weather, made: Carried) -> Placed:
    line, own = curve.line, made.lines[curve.index]
    counts = chord_counts([curve.hung, *(state.hung for state in states)], CHORD_ERROR_M)
    base, shapes = at_shares(curve.hung, counts), [at_shares(state.hung, counts) for state in states]
    samples = [
        Sample(state.hung.start, state.hung.end, state.load, float(np.linalg.norm(state.load)) / _level(state))
        for state in states
    ]
    around = spread(own, samples)
    pivot, axis = around.pivots[0], around.pivots[1] - around.pivots[0]
    axis = axis / float(np.linalg.norm(axis))
    down, side = swing_frame(axis)
    rate = shapes[1] - shapes[0]
    middle = int(np.argmax(np.linalg.norm(rate, axis=1)))
    size = float(np.linalg.norm(rate[middle]))
    rate = rate / size if size > 1e-6 else np.zeros_like(rate)
    values, angles, off = [0.0], [0.0], 0.0
    for state, shape in zip(states, shapes, strict=True):
        full = float(np.arctan2(state.load @ side, state.load @ down))
        value, angle, left = _fitted(shape, base, rate, pivot, axis, full)
        values.append(value)
        angles.append(angle)
        off = max(off, left)
    range_m, swing = _widened(min(values), max(values)), _widened(min(angles), max(angles))
    uncertainty = (1.0 + MORE) * off + CHORD_ERROR_M + ROUNDING_M
    firsts, lasts = (1 if strain_strings(own)[0][0] > 0 else 0), (1 if strain_strings(own)[0][1] > 0 else 0)
    cut = sum(counts[:firsts]), sum(counts[: len(counts) - lasts])
    if curve.backwards:
        base, rate = base[::-1], rate[::-1]
        cut = len(base) - 1 - cut[1], len(base) - 1 - cut[0]
        pivot, axis, swing = around.pivots[1], -axis, (-swing[1], -swing[0])
    pieces = [Piece("wire", base[cut[0] : cut[1] + 1], rate[cut[0] : cut[1] + 1], uncertainty)]
    if line.start.string == "strain" and line.start.own:
        pieces.insert(0, Piece("from string", base[: cut[0] + 1], rate[: cut[0] + 1], uncertainty))
    if line.end.string == "strain" and line.end.own:
        pieces.append(Piece("to string", base[cut[1] :], rate[cut[1] :], uncertainty))
    # The top of a suspension string stays; the envelope turns it about the axis, which may pass below it.
    far = 2.0 * sin(min(max(abs(swing[0]), abs(swing[1])), np.pi) / 2.0)
    lifts = [float(np.linalg.norm(np.subtract(end.point, live_point(end)))) for end in (line.start, line.end)]
    pieces += _plumb(line, (base[cut[0]], base[cut[1]]), (uncertainty + far * lifts[0], uncertainty + far * lifts[1]))
    temperature, basis = conductor_temperature(line, weather)
    thick, heavy = ice_of(line, weather)
    depths = [_deepest(shape, cut if not curve.backwards else _turned(cut, len(shape))) for shape in shapes]
    pulls = [_level(state) for state in states]
    ranges = Ranges(
        temperature, basis, wind_force(line, weather), around.per_m, around.tilt_rad,
        wind.outward(min(pulls), max(pulls)), wind.outward(min(depths), max(depths)), (1.0 + MORE) * off, thick, heavy,
    )  # fmt: skip
    notes = tuple(_notes(len(states), curve))
    return Placed(
        line, nominal(curve), pivot, axis, swing, range_m, tuple(pieces), ranges, None, notes, curve.hung
    )  # fmt: skip


def _notes(count: int, curve: Curve) -> Iterator[str]:
    yield (
        f"with loads in its section it is an envelope of {count} states solved over the weather, taken a part larger: "
        "an allowance, not a proof; wind on the loads and their own swing are not in it"
    )
    conductor = curve.line.conductor
    if conductor is not None and "all" in conductor.from_memory:
        yield f"the figures of {conductor.name} are from memory: confirm with the maker's"


def _turned(cut: tuple[int, int], count: int) -> tuple[int, int]:
    return count - 1 - cut[1], count - 1 - cut[0]


def _level(state: State) -> float:
    """Tension square to the load [N], at the start of the line."""
    load = state.load / float(np.linalg.norm(state.load))
    force = state.hung.force
    return float(np.linalg.norm(force - (force @ load) * load))


def _deepest(shape: Floats, cut: tuple[int, int]) -> float:
    """Distance [m] of the vertex nearest to half the chord from the chord of the whole line."""
    chord = shape[-1] - shape[0]
    share = (shape - shape[0]) @ chord / float(chord @ chord)
    middle = int(np.argmin(np.abs(share[cut[0] : cut[1] + 1] - 0.5))) + cut[0]
    return float(np.linalg.norm(shape[middle] - shape[0] - share[middle] * chord))


def _widened(low: float, high: float) -> Pair:
    room = WIDEN * (high - low)
    return low - room, high + room


def _fitted(
    shape: Floats, base: Floats, rate: Floats, pivot: Floats, axis: Floats, full: float
) -> tuple[float, float, float]:
    """The shape parameter and the swing up to `full` that fit a state best, and its largest distance from there [m]."""
    size = float((rate * rate).sum())
    best = (0.0, 0.0, float("inf"))
    for angle in np.linspace(0.0, full, SWINGS) if abs(full) > 1e-9 else (0.0,):
        back = rotation(axis, -float(angle))
        there = (shape - pivot) @ back.T + pivot
        value = float(((there - base) * rate).sum() / size) if size > 0 else 0.0
        left = float(np.linalg.norm(there - base - value * rate, axis=1).max())
        if left < best[2]:
            best = value, float(angle), left
    return best
