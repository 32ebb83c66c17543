"""Owns where a span may be in the weather: its natural length, heated, stretched, blown, by the equation of a catenary.

For spans without strings and loads whose conductor the scene states in full. The load of a metre is one vector, weight,
ice and wind; the span hangs in the plane of that and its chord, as one in still air does in the upright plane.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from scipy.optimize import brentq

from oracle.bodies import Points
from oracle.reading import Table, span_of

STEP = 0.5
DRAG = 1.0
"""Force on a cylinder over the wind's pressure and its breadth: what is usual for conductors (IEC 60826: 1.0)."""


def conductor(scene: Table, wire: Table) -> Table | None:
    """The conductor of a span that the oracle can reckon; None of any other."""
    if wire["kind"] != "span" or any(wire.get(key) for key in ("loads", "from_string", "to_string")):
        return None
    if wire.get("known") is None or wire.get("horizontal_tension_N") is None:
        return None
    named = [entry for entry in scene.get("conductors", ()) if entry["name"] == wire.get("conductor")]
    full = [entry for entry in named if entry.get("modulus_GPa") and entry.get("expansion_per_degC")]
    return full[0] if full and scene.get("weather", {}).get("conductor_C") is not None else None


def states(scene: Table, wire: Table, its: Table, start: Points, end: Points) -> list[Points]:
    """The span at the ends of the temperatures, loads of ice and winds that may be, from either side."""
    weather = scene["weather"]
    weight, pull = float(its["weight_N_m"]), float(wire["horizontal_tension_N"])
    stiff = its["modulus_GPa"] * 1e9 * (its.get("outer_area_mm2", 0) + its.get("core_area_mm2", 0)) * 1e-6
    length, tension = _length_and_tension(weight, pull, *_frame(start, end, np.array([0, 0, -1.0]))[:2])
    natural = length / (1 + tension / stiff)
    across = np.cross(end - start, [0, 0, 1.0])
    across /= np.linalg.norm(across)
    low, high = span_of(weather.get("wind_m_s", 0.0))
    fastest = high * float(weather.get("gust_factor", 1.0))
    air = 1.293 * 273.15 / (273.15 + span_of(weather["air_C"])[1]) * np.exp(-float(scene["altitude_m"]) / 7990)
    found = []
    for celsius, ice, share in product(
        span_of(weather["conductor_C"]), _ends(weather.get("ice_m", 0.0)), (-1, -0.6, 0, 0.6, 1)
    ):
        if share == 0 and low > 0:
            continue
        speed = max(low, abs(share) * fastest)
        breadth = wire["diameter_m"] + 2 * ice
        iced = np.pi / 4 * (breadth**2 - wire["diameter_m"] ** 2) * float(weather.get("ice_kg_m3", 900.0)) * 9.80665
        blown = np.sign(share) * air / 2 * speed**2 * DRAG * breadth
        load = np.array([0, 0, -(weight + iced)]) + blown * across
        warm = natural * (1 + its["expansion_per_degC"] * (celsius - wire["known"]["conductor_C"]))
        found.append(_hung(start, end, load, warm, stiff))
    return found


def _ends(value: object) -> tuple[float, ...]:
    return tuple(sorted(set(span_of(value))))


def _frame(start: Points, end: Points, down: Points) -> tuple[float, float, Points]:
    """Width and rise of a chord to somebody for whom `down` is down, and which way the width goes."""
    chord = end - start
    rise = -float(chord @ down)
    level = chord + rise * down
    width = float(np.linalg.norm(level))
    return width, rise, level / width


def _shape(weight: float, pull: float, width: float, rise: float) -> tuple[float, float]:
    """The constant of the catenary, and how far its lowest point is from the start."""
    c = pull / weight
    return c, width / 2 - c * float(np.arcsinh(rise / (2 * c * np.sinh(width / (2 * c)))))


def _length_and_tension(weight: float, pull: float, width: float, rise: float) -> tuple[float, float]:
    """The length of a span, and its tension averaged over that."""
    c, low = _shape(weight, pull, width, rise)
    a, b = -low / c, (width - low) / c
    length = c * (np.sinh(b) - np.sinh(a))
    mean = pull * c * ((b - a) / 2 + (np.sinh(2 * b) - np.sinh(2 * a)) / 4) / length
    return float(length), float(mean)


def _hung(start: Points, end: Points, load: Points, natural: float, stiff: float) -> Points:
    """The span at rest under a load per metre [N/m], of a length without tension."""
    heavy = float(np.linalg.norm(load))
    down = load / heavy
    width, rise, level = _frame(start, end, down)

    def short(log_pull: float) -> float:
        length, tension = _length_and_tension(heavy, float(np.exp(log_pull)), width, rise)
        return natural * (1 + tension / stiff) - length

    pull = float(np.exp(brentq(short, np.log(heavy * width / 20), np.log(1e6))))
    c, low = _shape(heavy, pull, width, rise)
    x = np.linspace(0, width, int(width / STEP) + 2)
    high = c * (np.cosh((x - low) / c) - np.cosh(low / c))
    return start + x[:, None] * level - high[:, None] * down
