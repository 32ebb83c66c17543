"""The fit of a wire: exact where returns are exact, honest about its error where they are not, bundles told apart."""

from __future__ import annotations

import numpy as np
import pytest
from survey_scenes import Truth

from clearance.conductor.catenary import from_constant, point_at, sag_at_midspan
from clearance.survey.bundle import recognise
from clearance.survey.fit import (
    _derivatives,
    _height,
    fit_curve,
    frame,
    height,
    offset,
    place,
    standard_errors,
    to_frame,
)
from clearance.survey.wires import sag_and_error, uncertainty


def hung(constant: float, rise: float = 6.0, span: float = 300.0, number: int = 61) -> np.ndarray:
    curve = from_constant((0.0, 0.0, 20.0), (span * 0.8, span * 0.6, 20.0 + rise), constant)
    return np.array([point_at(curve, float(x)) for x in np.linspace(0.0, span, number)])


@pytest.mark.parametrize("constant", [250.0, 900.0, 1700.0, 5000.0])
def test_an_exact_catenary_is_recovered_to_a_tenth_of_a_millimetre(constant):
    """The catenary of `clearance.conductor` is the outside check: another formula, written by itself."""
    points = hung(constant)
    curve = fit_curve(points, *frame(points[:, :2]))
    s = to_frame(points, curve.base, curve.direction)[:, 0]
    assert np.abs(place(curve, s) - points).max() < 1e-4
    assert curve.constant_m == pytest.approx(constant, rel=1e-5)
    sag, _ = sag_and_error(curve, float(s.min()), float(s.max()))
    truth = from_constant(points[0], points[-1], constant)
    assert sag == pytest.approx(sag_at_midspan(truth), abs=1e-4)


def test_closed_derivatives_are_the_differences():
    s = np.linspace(-160.0, 190.0, 8)
    vertical = np.array([25.0, -0.04, 1.0 / 1400.0])
    there, closed = _derivatives(vertical, 0.25, s)
    assert there == pytest.approx(_height(vertical, 0.25, s), rel=1e-13)
    for index, step in ((0, 1e-4), (1, 1e-6), (2, 1e-9)):
        change = np.zeros(3)
        change[index] = step
        numeric = (_height(vertical + change, 0.25, s) - _height(vertical - change, 0.25, s)) / (2 * step)
        assert closed[index] == pytest.approx(numeric, rel=1e-5, abs=1e-6)


@pytest.mark.parametrize("swing_deg", [-25.0, 8.0, 40.0])
def test_a_blown_out_wire_is_recovered_with_its_angle(swing_deg):
    truth = Truth(spans=(310.0,), swing_deg=swing_deg, slope=0.0)
    points = truth.wire("A", 0, np.linspace(2.0, 308.0, 80))
    curve = fit_curve(points, *frame(points[:, :2]))
    s = to_frame(points, curve.base, curve.direction)[:, 0]
    # the chord of this span is level, for which plane and catenary are exact; 40 degrees keeps to a few millimetres
    assert np.abs(place(curve, s) - points).max() < 0.01
    assert abs(np.degrees(np.arctan(curve.lateral[2]))) == pytest.approx(abs(swing_deg), abs=0.3)


def test_one_return_in_ten_off_the_wire_changes_nothing_that_matters():
    rng = np.random.default_rng(3)
    points = hung(1300.0, number=200)
    noisy = points + rng.normal(0.0, 0.03, points.shape)
    noisy[::10, 2] += rng.uniform(0.3, 0.6, 20)
    curve = fit_curve(noisy, *frame(noisy[:, :2]))
    s = to_frame(points, curve.base, curve.direction)[:, 0]
    # least squares would be lifted by the mean of the outliers, 0.045 m
    assert np.abs(height(curve, s) - points[:, 2]).max() < 0.025


@pytest.mark.parametrize("spacing", [0.5, 5.0])
def test_the_stated_uncertainty_covers_the_truth(spacing):
    """At 95 %: at least 95 of 100 places, counted over 24 surveys with swing and a gap of 50 m without returns."""
    inside, places = 0, 0
    for seed in range(24):
        truth = Truth(seed=seed, spans=(300.0,), swing_deg=(0.0, 10.0, -6.0)[seed % 3])
        gaps = ((60.0, 110.0),) if seed % 2 else ()
        for name, returns in truth.returns(spacing, 0.04, gaps).items():
            curve = fit_curve(returns, *frame(returns[:, :2]))
            true = truth.wire(name, 0, np.linspace(3.0, 297.0, 25))
            s, t, z = to_frame(true, curve.base, curve.direction).T
            away = np.hypot(z - height(curve, s), t - offset(curve, s))
            stated = uncertainty(curve, s, 0.0)
            inside += int((away <= stated).sum())
            places += len(s)
            # honest, not merely wide: a fit of hundreds of returns states a few centimetres
            assert np.median(stated) < (0.03 if spacing < 1 else 0.10)
    assert inside >= 0.95 * places


def test_uncertainty_grows_where_there_are_no_returns():
    returns = Truth(spans=(300.0,)).returns(0.5, 0.04, ((150.0, 300.0),))["A"]
    curve = fit_curve(returns, *frame(returns[:, :2]))
    s = to_frame(returns, curve.base, curve.direction)[:, 0]
    up, _ = standard_errors(curve, np.array([np.median(s), s.max() + 140.0, s.min() - 140.0]))
    assert min(up[1], up[2]) > 5.0 * up[0]


def test_a_prior_holds_a_short_piece():
    rng = np.random.default_rng(0)
    points = hung(1500.0)[:3]
    noisy = points + rng.normal(0.0, 0.04, points.shape)
    free = fit_curve(noisy, *frame(noisy[:, :2]))
    held = fit_curve(noisy, *frame(noisy[:, :2]), prior=(1 / 1500.0, 0.1 / 1500.0))
    assert held.constant_m == pytest.approx(1500.0, rel=0.15)
    assert held.vertical_covariance[2, 2] < free.vertical_covariance[2, 2]


def spots(places, number, seed, scatter=(0.06, 0.04)):
    rng = np.random.default_rng(seed)
    places = np.asarray(places, float)
    return places[rng.integers(0, len(places), number)] + rng.normal(0.0, 1.0, (number, 2)) * scatter


@pytest.mark.parametrize(
    ("places", "count", "arrangement", "spacing"),
    [
        ([[0, 0]], 1, "single", 0.0),
        ([[-0.2, 0], [0.2, 0]], 2, "horizontal pair", 0.40),
        ([[-0.225, 0.02], [0.225, -0.02]], 2, "horizontal pair", 0.45),
        ([[0, -0.2], [0, 0.2]], 2, "vertical pair", 0.40),
        ([[-0.2, 0.1155], [0.2, 0.1155], [0, -0.2309]], 3, "triangle", 0.40),
        ([[-0.2, -0.2], [0.2, -0.2], [-0.2, 0.2], [0.2, 0.2]], 4, "square", 0.40),
    ],
)
def test_bundles_are_recognised(places, count, arrangement, spacing):
    for seed in range(5):
        bundle, centres = recognise(spots(places, 400, seed))
        assert (bundle.count, bundle.arrangement) == (count, arrangement)
        assert bundle.spacing_m == pytest.approx(spacing, abs=0.02)
        assert len(centres) == count


def test_a_wide_single_spot_is_no_bundle():
    for seed in range(5):
        bundle, _ = recognise(spots([[0, 0]], 400, seed, scatter=(0.12, 0.05)))
        assert bundle.count == 1


def test_few_returns_are_no_bundle():
    assert recognise(spots([[-0.2, 0], [0.2, 0]], 20, 0))[0].count == 1
