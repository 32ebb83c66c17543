"""Owns the oracle's own limits: the equations of OSHA for more than 72.5 kV, each constant typed from the reference.

The electrical part is 0.3048 (C + a) T V_LG A [m], with V_LG the highest voltage to earth [kV], T the overvoltage [per
unit], A for the altitude, a for saturation. A figure of each is in the tests; sources as in `tests/published/`:
29 CFR 1910.269(l)(3)(i), Tables R-3, R-5 and R-9, as read by nobody but held to Table R-7.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from math import sqrt

from oracle.reading import Table, said

INADVERTENT = 0.31
"""Movement nobody means to make, beside the electrical part [m]."""
AIR, OTHERWISE = 0.010, 0.011
TO_EARTH = ((635, None, None), (915, 635, 140000), (1050, 645, 135000), (float("inf"), 675, 125000))
BETWEEN = (
    (630, None, None),
    (848, 630, 155000),
    (1131, 633.6, 152207),
    (1485, 628, 153846),
    (float("inf"), 350.5, 203666),
)
"""Saturation a = (peak - one) / other up to a peak voltage [kV]."""
HIGH = (900, 1200, 1500, 1800, 2100, 2400, 2700, 3000, 3600, 4200, 4800, 5400, 6000)
THIN = (1.00, 1.02, 1.05, 1.08, 1.11, 1.14, 1.17, 1.20, 1.25, 1.30, 1.35, 1.39, 1.44)
"""The factor for the altitude, up to an altitude [m]."""
ASSUMED = ((420.0, 3.5), (550.0, 3.0), (800.0, 2.5))
"""The overvoltage where nobody states one, up to a highest voltage between phases [kV]."""


@dataclass(frozen=True)
class Limits:
    """What the distances of a scene rest on."""

    altitude: float
    circuit_of: dict[str, Table]
    """By phase; a wire that comes off stands under its own name as well."""
    trapped: dict[str, float]
    """Per unit of the crest to earth, by wire that comes off."""
    air_only: frozenset[frozenset[str]]

    def least(self, one: str, other: str, kind: str) -> float:
        """The whole limit between two potentials, at least, for a gap of a kind [m]."""
        return self.electrical(one, other, kind) + INADVERTENT

    def electrical(self, one: str, other: str, kind: str) -> float:
        if "earth" in (one, other):
            phase = other if one == "earth" else one
            stated = frozenset((one, other)) in self.air_only and kind == "air"
            return self._distance(*self._voltage(phase), AIR if stated else OTHERWISE, TO_EARTH)
        constant, curve = (AIR, BETWEEN) if kind == "air" else (OTHERWISE, TO_EARTH)
        return max(self._distance(v, t, constant, curve) for v, t in self._between(one, other))

    def _between(self, one: str, other: str) -> list[tuple[float, float]]:
        """Voltages to earth and overvoltages that stress the gap between two potentials that are no earth."""
        (v, t), (w, u) = self._voltage(one), self._voltage(other)
        high, its = max((v, t), (w, u))
        found = [(high, 1.35 * its + 0.45)]
        if self.circuit_of[one] is self.circuit_of[other] and not {one, other} & self.trapped.keys():
            return found
        for name, base, partner, over in ((one, v, w, u), (other, w, v, t)):
            # the other at its overvoltage, this one in opposition: at its crest, or at the charge that it keeps
            found.append((1.0, over * partner + self.trapped.get(name, 1.0) * base))
        return found

    def _voltage(self, potential: str) -> tuple[float, float]:
        circuit = self.circuit_of[potential]
        volts = float(circuit.get("highest_V") or circuit["nominal_V"]) / 1000
        stated = circuit.get("overvoltage_per_unit")
        return volts / sqrt(3), float(stated or next(t for top, t in ASSUMED if volts <= top))

    def _distance(self, to_earth: float, per_unit: float, constant: float, curve: tuple) -> float:
        peak = per_unit * to_earth * sqrt(2)
        _, start, slope = next(row for row in curve if peak <= row[0])
        saturation = 0.0 if start is None else (peak - start) / slope
        return 0.3048 * (constant + saturation) * per_unit * to_earth * THIN[bisect_left(HIGH, self.altitude)]


def limits(scene: Table) -> Limits | None:
    """None under another rule, and below the equations' voltages."""
    rules = scene["rule"] if isinstance(scene["rule"], list) else [scene["rule"]]
    if rules != ["osha-1910.269"]:
        return None
    circuit_of = {phase: circuit for circuit in scene["circuits"] for phase in circuit["phases"]}
    trapped = {}
    for wire in scene.get("wires", ()):
        if wire.get("release") and wire.get("phase"):
            circuit_of[wire["name"]] = circuit_of[wire["phase"]]
            trapped[wire["name"]] = float(wire["release"].get("trapped_per_unit", 1.0))
    air_only = frozenset(frozenset(told["between"]) for told in said(scene, "air only"))
    return Limits(float(scene.get("altitude_m", 0.0)), circuit_of, trapped, air_only)
