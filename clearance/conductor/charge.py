"""Owns what a wire that is cut off from its phase carries: a bound of its capacitance, the current it draws before it
is opened, and the energy that parting it can free.

The bound. Of all potentials that are 1 on the wire and 0 on everything else, the true one has the least energy
(Dirichlet's principle; J. D. Jackson, Classical Electrodynamics, 3rd ed., section 1.12, from memory), and twice that
energy is the capacitance. Take one that falls with the logarithm of the distance from the wire's axis, from its surface
r to r + d, where d is no more than the gap to the nearest other conductor. The surface of equal distance s about a line
of length l is at most 2 pi l s + 4 pi s^2, however the line bends, so

    C <= eps0 (2 pi l / ln(b / r) + 4 pi (b - r) / ln(b / r)^2),  b = r + d.

What hangs on the wire adds no more than its own capacitance would be alone among the same conductors, as a sum of the
two trial potentials, cut at 1, is one for both together; a ball of radius a that holds it has at most
4 pi eps0 a (a + d) / d.
"""

from __future__ import annotations

import math

from clearance.conductor.catenary import refuse

EPSILON_0 = 8.8541878128e-12
"""[F/m] Permittivity of vacuum, CODATA 2018; that of air is 0.06 % larger, which `AIR` covers."""

AIR = 1.0006
"""[1] Relative permittivity of air at sea level, rounded up (from memory)."""


def capacitance_F(length_m: float, radius_m: float, apart_m: float, balls_m: tuple[float, ...] = ()) -> float:
    """The most that the capacitance of a wire to everything around it can be [F].

    Parameters
    ----------
    length_m: of the wire [m]
    radius_m: of the wire [m]
    apart_m: no other conductor is nearer than this [m]
    balls_m: radii of balls that hold what else is joined to the wire [m]

    Raises `InputError` for a value that is not above zero.

    Half the length of a coaxial cable's inner conductor cannot have more than this:

    >>> round(capacitance_F(8.45, 0.0137, 1.5) * 1e12, 1)
    107.5
    """
    refuse("charge", positive={"length_m": length_m, "radius_m": radius_m, "apart_m": apart_m})
    outer = radius_m + apart_m
    fall = math.log(outer / radius_m)
    along = 2.0 * math.pi * length_m / fall + 4.0 * math.pi * apart_m / fall**2
    beside = sum(4.0 * math.pi * ball * (ball + apart_m) / apart_m for ball in balls_m)
    return AIR * EPSILON_0 * (along + beside)


def alone_F(length_m: float, radius_m: float) -> float:
    """The least that the capacitance of a straight thin wire can be [F], were it alone in space.

    Charge spread evenly has no less energy than where it comes to rest (Thomson's principle; Jackson, section 1.11,
    from memory), and its mean potential on the wire is that of ln(2 l / r) - 1. Others at other potentials add to
    it; a conductor beside it at its own potential, or a bend, takes from it.

    >>> round(alone_F(15.4, 0.014) * 1e12)
    128
    """
    refuse("charge", positive={"length_m": length_m, "radius_m": radius_m})
    return 2.0 * math.pi * EPSILON_0 * length_m / (math.log(2.0 * max(length_m, 4.0 * radius_m) / radius_m) - 1.0)


def charging_current_A(capacitance: float, phase_kV: float, frequency_Hz: float) -> float:
    """The rms current [A] that a capacitance [F] draws at an rms voltage to earth [kV]."""
    return 2.0 * math.pi * frequency_Hz * capacitance * phase_kV * 1e3


def parting_energy_J(capacitance: float, phase_kV: float, trapped_per_unit: float) -> float:
    """The energy [J] freed at most when the gap sparks over once it has parted: the phase at its crest, the charge
    trapped at the other."""
    crest = math.sqrt(2.0) * phase_kV * 1e3
    return 0.5 * capacitance * ((1.0 + trapped_per_unit) * crest) ** 2
