"""Catenaries against published sag-tension tables and a textbook example."""

import math

import pytest

from clearance.conductor.catenary import from_sag, from_tension, low_point, sag_at_midspan, support_tensions

# ACSR Drake 795 kcmil 26/7, ruling span 700 ft, NESC heavy loading, creep is a factor: handbook Table 14.5
# (issuhub.com/view/index/4960?pageIndex=191), and a 1000 ft sag-tension sample run (ja.scribd.com/doc/12741635/).
# Span [ft], weight [lb/ft], sag [ft], tension [lb]. Bare weight 1.094 lb/ft and loaded 2.509 lb/ft (1/2 in of ice, 4
# psf, and 0.30 lb/ft) from the same sources; 2.094 lb/ft is ice without wind.
DRAKE = [
    (700, 2.509, 13.61, 11318),
    (700, 2.509, 13.55, 11361),
    (700, 1.094, 8.22, 8161),
    (700, 1.094, 7.60, 8824),
    (700, 1.094, 9.19, 7301),
    (700, 1.094, 8.26, 8115),
    (700, 1.094, 10.75, 6242),
    (700, 1.094, 9.39, 7142),
    (700, 1.094, 12.36, 5429),
    (700, 1.094, 10.65, 6300),
    (700, 1.094, 13.96, 4809),
    (700, 1.094, 11.99, 5596),
    (700, 1.094, 15.52, 4330),
    (700, 1.094, 13.37, 5020),
    (700, 1.094, 16.97, 3960),
    (700, 1.094, 15.53, 4326),
    (700, 1.094, 18.04, 3728),
    (700, 1.094, 17.52, 3837),
    (1000, 2.509, 25.98, 12116),
    (1000, 2.094, 26.30, 9990),
]
FOOT, POUND = 0.3048, 4.4482216152605


@pytest.mark.parametrize(("span", "weight", "sag", "tension"), DRAKE)
def test_drake_sag_table(span, weight, sag, tension):
    # The tension of the tables is the mean of the horizontal and the support tension, H = T - w D / 2. The sag is
    # printed to 0.01 ft; half a unit of that, and half a pound of tension (at most 0.003 ft of sag), is the tolerance.
    horizontal = (tension - weight * sag / 2) * POUND
    curve = from_tension([0, 0, 0], [span * FOOT, 0, 0], horizontal, weight * POUND / FOOT)
    uncertainty = 0.005 + sag * 0.5 / tension
    assert sag_at_midspan(curve) / FOOT == pytest.approx(sag, abs=uncertainty)


def test_the_tables_tension_is_not_the_horizontal_one():
    # Taken as horizontal tension, the printed one misses every printed sag above 10 ft by more than its rounding.
    for span, weight, sag, tension in DRAKE:
        if sag > 10:
            curve = from_tension([0, 0, 0], [span * FOOT, 0, 0], tension * POUND, weight * POUND / FOOT)
            assert abs(sag_at_midspan(curve) / FOOT - sag) > 0.005


@pytest.mark.parametrize(("span", "weight", "sag", "tension"), DRAKE)
def test_drake_tension_from_sag(span, weight, sag, tension):
    curve = from_sag([0, 0, 0], [span * FOOT, 0, 0], sag * FOOT)
    force = weight * POUND / FOOT
    mean = (curve.constant_m * force + support_tensions(curve, force)[0]) / 2 / POUND
    # Half of the last printed digit of the sag moves the tension by this part of it.
    assert mean == pytest.approx(tension, abs=0.5 + tension * 0.005 / sag)


def test_inclined_span_low_point():
    # Textbook example 3.13: w 0.8, span 300 m, T 1500, slope 1 in 20: the low point of the parabola is
    # L / 2 - T h / (w L) = 56.25 m from the lower tower. The catenary differs by its next term, a relative u^2 / 6 of
    # the 93.75 m from the middle plus (h / L)^2 / 6, together below 0.15 m.
    curve = from_tension([0, 0, 30], [300, 0, 45], 1500.0, 0.8)
    assert low_point(curve)[0] == pytest.approx(56.25, abs=0.15)
    u = 300 / (2 * 1875)
    exact = 150 - 1875 * math.asinh(15 / (2 * 1875 * math.sinh(u)))
    assert low_point(curve)[0] == pytest.approx(exact, abs=1e-9)
