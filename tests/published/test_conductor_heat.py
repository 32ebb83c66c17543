"""IEEE Std 738-2012, worked example: Drake, air 40 C, 0.61 m/s across, emissivity and absorptivity 0.8, 100 C, 30
degrees north, line east-west, 10 June, 11:00, clear, sea level. Its values are from memory, confirmed by recomputing
them from the standard's equations; the convection is printed as 81.93 W/m from rounded intermediate values, hence 0.2
W/m."""

from __future__ import annotations

from math import degrees, pi, radians

import pytest

from clearance.conductor.heat import (
    Air,
    Conductor,
    ampacity,
    convection,
    film,
    radiation,
    resistance,
    sun_heat,
    sun_heating,
    sun_on_line,
    sun_position,
    temperature,
    wind_angle_factor,
)

DRAKE = Conductor(0.02812, (7.283e-5, 8.688e-5))
HEIGHT, AZIMUTH = sun_position(30.0, 161, 11.0)
THETA = sun_on_line(HEIGHT, AZIMUTH, pi / 2)
AIR = Air(40.0, 0.61, pi / 2, sun_heat(HEIGHT), THETA)


def test_intermediate_values():
    density, viscosity, conductivity = film(70.0, 0.0)

    assert density == pytest.approx(1.029, abs=0.0005)
    assert conductivity == pytest.approx(0.0295, abs=0.00005)
    assert 0.02812 * density * 0.61 / viscosity == pytest.approx(864, abs=2)
    assert degrees(HEIGHT) == pytest.approx(74.9, abs=0.05)
    assert degrees(AZIMUTH) == pytest.approx(114.0, abs=0.1)
    assert degrees(THETA) == pytest.approx(76.2, abs=0.1)
    assert sun_heat(HEIGHT) == pytest.approx(1027, abs=1)


def test_heat_terms():
    low, high, still = convection(DRAKE, 100.0, AIR)

    assert low == pytest.approx(81.93, abs=0.2)
    assert low == pytest.approx(82.05, abs=0.1)
    assert high == pytest.approx(77.00, abs=0.1)
    assert still == pytest.approx(42.39, abs=0.05)
    assert radiation(DRAKE, 100.0, 40.0) == pytest.approx(39.1, abs=0.05)
    assert sun_heating(DRAKE, AIR) == pytest.approx(22.44, abs=0.03)
    assert resistance(DRAKE, 100.0) == pytest.approx(9.390e-5, abs=0.001e-5)


def test_ampacity_and_its_reverse():
    current = ampacity(DRAKE, 100.0, AIR)

    assert current == pytest.approx(1025, abs=1)
    assert temperature(DRAKE, current, AIR) == pytest.approx(100.0, abs=1e-6)


def test_wind_angle_factor_is_one_across_and_falls_to_0_388_along():
    assert wind_angle_factor(pi / 2) == pytest.approx(1.0, abs=1e-12)
    assert wind_angle_factor(0.0) == pytest.approx(0.388, abs=1e-12)


def test_sun_stands_in_the_south_at_noon_and_higher_in_summer():
    height, azimuth = sun_position(52.0, 172, 12.0)

    assert degrees(azimuth) == pytest.approx(180.0, abs=1e-9)
    assert degrees(height) == pytest.approx(90 - 52 + 23.46, abs=0.02)
    assert height > sun_position(52.0, 355, 12.0)[0]
    assert sun_heat(radians(-3.0)) == 0.0
