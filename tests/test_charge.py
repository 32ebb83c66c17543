"""What an isolated wire carries: the bound of its capacitance against exact forms, against charges on the wire itself,
and figures printed elsewhere."""

from __future__ import annotations

import math

import numpy as np
import pytest

from clearance.conductor import charge
from clearance.errors import InputError

EPS = 8.8541878128e-12


def over_ground_F(length, radius, height, pieces=200):
    """Capacitance of a level wire over ground by line charges of even density on its pieces and their images, the
    potential taken on the surface at the middle of each: another way than the bound's, and from below."""
    edges = np.linspace(0.0, length, pieces + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])

    def over(distance):
        a, b = edges[:-1][None, :] - middle[:, None], edges[1:][None, :] - middle[:, None]
        return np.arcsinh(b / distance) - np.arcsinh(a / distance)

    coefficients = (over(radius) - over(2.0 * height)) / (4.0 * math.pi * EPS)
    return float((np.linalg.solve(coefficients, np.ones(pieces)) * (length / pieces)).sum())


@pytest.mark.parametrize(("length", "radius", "height"), [(8.45, 0.0137, 2.0), (3.0, 0.01, 1.0), (30.0, 0.015, 6.0)])
def test_the_bound_is_above_the_capacitance_of_a_wire_over_ground_and_near_it(length, radius, height):
    found = charge.capacitance_F(length, radius, height - radius)
    true = over_ground_F(length, radius, height)
    assert true <= found <= 1.6 * true
    # A wire with no more room than that in every direction holds more: the bound is for that one.
    assert found > 2.0 * math.pi * EPS * length / math.log((height) / radius)


def test_a_long_wire_comes_to_the_coaxial_cable_and_a_ball_to_the_ball_in_a_ball():
    # Closed forms of any textbook of electrostatics: 2 pi eps0 l / ln(b / a), and 4 pi eps0 a b / (b - a).
    long = charge.capacitance_F(1e5, 0.01, 0.99) / charge.AIR
    assert long == pytest.approx(2 * math.pi * EPS * 1e5 / math.log(100.0), rel=1e-4)
    with_ball = charge.capacitance_F(1.0, 0.01, 0.7, (0.3,)) - charge.capacitance_F(1.0, 0.01, 0.7)
    assert with_ball / charge.AIR == pytest.approx(4 * math.pi * EPS * 0.3 * 1.0 / 0.7, rel=1e-12)


def test_nearer_conductors_and_longer_wires_hold_more():
    tail = charge.capacitance_F(8.45, 0.0137, 1.5)
    assert charge.capacitance_F(8.45, 0.0137, 1.0) > tail > charge.capacitance_F(8.45, 0.0137, 3.0)
    assert charge.capacitance_F(9.0, 0.0137, 1.5) > tail


def test_the_current_of_a_line_is_that_of_the_handbook():
    # Stevenson, Elements of Power System Analysis, example 4.2, by way of a public notebook: 220 kV, 60 Hz, Drake,
    # 8.8472 pF/m; 0.682 A per mile.
    per_mile = 8.8472e-12 * 1609.344
    assert charge.charging_current_A(per_mile, 220.0 / math.sqrt(3.0), 60.0) == pytest.approx(0.682, rel=0.002)


def test_the_energy_is_that_of_both_crests_against_one_another():
    # 98 pF at twice the crest of 245 kV, 400 kV: 7.8 J.
    assert charge.parting_energy_J(98e-12, 245.0 / math.sqrt(3.0), 1.0) == pytest.approx(7.84, abs=0.01)
    one, restruck = (charge.parting_energy_J(98e-12, 100.0, trapped) for trapped in (1.0, 2.0))
    assert restruck / one == pytest.approx(9 / 4)


@pytest.mark.parametrize("wrong", [(0.0, 0.01, 1.0), (1.0, -0.01, 1.0), (1.0, 0.01, 0.0)])
def test_what_cannot_be_is_refused(wrong):
    with pytest.raises(InputError):
        charge.capacitance_F(*wrong)
