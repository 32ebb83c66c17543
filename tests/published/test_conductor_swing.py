"""Swing of an insulator string: a published worksheet (pressure 879.657 N/m2, 27.73 mm, wind span 440 m, weight span
275 m, 15.102 N/m, string 754.131 N, no line angle). Its loads are checked; its printed angle of 67.000 degrees does
not follow from them, atan(10732.865 / 4530.182) is 67.12."""

from __future__ import annotations

from math import degrees

import pytest

from clearance.conductor.wind import insulator_swing

SHEET = (879.657, 0.02773, 440.0, 15.102, 275.0)


def test_loads_of_the_sheet():
    angle, across, down = insulator_swing(*SHEET, string_weight_N=754.131)

    # The sheet rounds its own inputs: 275 m of 15.102 N/m and half the string are 4530.12 N, printed 4530.182.
    assert across == pytest.approx(10732.865, abs=0.01)
    assert down == pytest.approx(4530.182, abs=0.1)
    assert across / down == pytest.approx(2.369, abs=0.0005)
    assert degrees(angle) == pytest.approx(67.12, abs=0.01)
    assert degrees(angle) != pytest.approx(67.000, abs=0.1)


def test_line_angle_adds_twice_the_tension_times_the_sine_of_half():
    plain = insulator_swing(*SHEET)
    turned = insulator_swing(*SHEET, tension_N=20000.0, line_angle_rad=0.1)

    assert turned[1] - plain[1] == pytest.approx(2 * 20000 * 0.0499791692706783, rel=1e-12)


def test_uplift_lifts_the_string_above_its_attachment():
    angle, _, down = insulator_swing(100.0, 0.02773, 440.0, 15.102, -50.0)

    assert down < 0
    assert degrees(angle) > 90
