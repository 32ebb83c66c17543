"""Statics against an independent chain of bars, a boundary-value solver and closed forms."""

from __future__ import annotations

from math import asinh, cosh, hypot, inf, sinh

import numpy as np
import pytest
from conductor_chain import chain
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_bvp

from clearance.conductor.elastic import (
    Segment,
    end_force,
    hang,
    joints,
    loaded,
    lowest,
    mean_tension,
    polyline,
    run,
)
from clearance.errors import InputError

WEIGHT = (0.0, 0.0, -15.97)
EA = 34.2e6


def bars(line, count):
    """A chain of bars for a hung line: bar lengths, stiffness and nodal forces, each segment cut into `count` bars."""
    lengths, stiffness, forces = [], [], [np.zeros(3)]
    for index, segment in enumerate(line.segments):
        part = segment.length_m / count
        for _ in range(count):
            half = np.asarray(segment.load_N_m) * part / 2
            forces[-1] = forces[-1] + half
            forces.append(half)
            lengths.append(part)
            stiffness.append(segment.stiffness_N)
        if index < len(line.loads):
            forces[-1] = forces[-1] + line.loads[index]
    return np.array(lengths), np.array(stiffness), np.array(forces)


@pytest.mark.parametrize("count", [12, pytest.param(40, marks=pytest.mark.slow)])
def test_inclined_point_loaded_span_against_a_chain_of_bars(count):
    """Ladder 400 N and worker 1000 N on an inclined span in wind; the chain's error falls as 1 / bars squared."""
    load = (0.0, 5.0, -15.97)
    line = loaded([0, 0, 20], [280, 30, 48], 284.5, load, EA, [(90.0, 400.0), (160.0, 1000.0)])
    lengths, stiffness, forces = bars(line, count)
    guess = np.concatenate(
        [[line.start]]
        + [np.linspace(a, b, count + 1)[1:] for a, b in zip(joints(line)[:-1], joints(line)[1:], strict=True)]
    )
    nodes = chain(line.start, line.end, lengths, stiffness, forces, guess - [0, 0, 2.0])

    # A bar chain of bars of length s stands off by at most w s^2 / 8 H.
    bound = 16.8 * lengths.max() ** 2 / 8 / np.linalg.norm(line.force[:2])
    assert np.abs(nodes[[count, 2 * count]] - joints(line)[1:3]).max() < bound


def test_chain_converges_to_the_closed_form_quadratically():
    line = loaded([0, 0, 20], [280, 30, 48], 284.5, WEIGHT, EA, [(90.0, 400.0), (160.0, 1000.0)])
    errors = []
    for count in (10, 20):
        lengths, stiffness, forces = bars(line, count)
        guess = np.concatenate(
            [[line.start]]
            + [np.linspace(a, b, count + 1)[1:] for a, b in zip(joints(line)[:-1], joints(line)[1:], strict=True)]
        )
        nodes = chain(line.start, line.end, lengths, stiffness, forces, guess)
        errors.append(np.linalg.norm(nodes[count] - joints(line)[1]))

    assert errors[1] == pytest.approx(errors[0] / 4, rel=0.05)


def test_inclined_catenary_against_a_boundary_value_solver():
    """z'' = (w / H) sqrt(1 + z'^2) with scipy's collocation, to its tolerance."""
    line = hang([0, 0, 0], [300, 0, 60], [Segment(312.0, WEIGHT)])
    per = 15.97 / line.force[0]
    x = np.linspace(0, 300, 61)
    solved = solve_bvp(
        lambda _, y: np.vstack([y[1], per * np.sqrt(1 + y[1] ** 2)]),
        lambda a, b: np.array([a[0], b[0] - 60.0]),
        x,
        np.vstack([x * 0.2, np.full_like(x, 0.2)]),
        tol=1e-9,
    )
    points, _ = polyline(line, 0.001)

    assert solved.success
    assert np.abs(solved.sol(points[:, 0])[0] - points[:, 2]).max() < 1e-6


def test_inextensible_line_is_the_catenary_to_1e_10():
    """Length 2 c sinh(L / 2c), end tension H cosh(L / 2c): identities of the level catenary."""
    constant, span = 1000.0, 300.0
    length = 2 * constant * sinh(span / 2 / constant)
    line = hang([0, 0, 10], [span, 0, 10], [Segment(length, WEIGHT)])

    assert line.force[0] / 15.97 == pytest.approx(constant, rel=1e-10)
    assert np.linalg.norm(line.force) == pytest.approx(15.97 * constant * cosh(span / 2 / constant), rel=1e-10)
    assert lowest(line)[2] == pytest.approx(10 - constant * (cosh(span / 2 / constant) - 1), abs=1e-9)


def test_elastic_line_against_irvines_formulae():
    """x(s) = H s / EA + (H / w)(asinh(V / H) - asinh((V - w s) / H)), Irvine 1981, Eq. 1.27 (from memory), at the
    end."""
    line = hang([0, 0, 0], [300, 0, 20], [Segment(301.5, WEIGHT, EA)])
    pull, lift, weight = line.force[0], -line.force[2], 15.97
    x = pull * 301.5 / EA + pull / weight * (asinh(lift / pull) - asinh((lift - weight * 301.5) / pull))
    z = -(
        301.5 / EA * (lift - weight * 301.5 / 2)
        + pull / weight * (hypot(1, lift / pull) - hypot(1, (lift - weight * 301.5) / pull))
    )

    assert x == pytest.approx(300.0, abs=1e-7)
    assert z == pytest.approx(20.0, abs=1e-7)


def test_uplift_puts_the_lowest_point_on_an_end():
    line = hang([0, 0, 0], [100, 0, 60], [Segment(117.0, WEIGHT)])

    assert line.force[2] > 0, "the wire leaves its lower end upwards"
    assert lowest(line) == pytest.approx([0, 0, 0])


points3 = st.tuples(*[st.floats(-200, 200, allow_nan=False)] * 3)


@settings(max_examples=60, deadline=None)
@given(
    end=points3,
    share=st.floats(1.0005, 1.5),
    wind=st.floats(-20, 20),
    stiff=st.sampled_from([inf, 5e5, 34e6]),
    spots=st.lists(st.tuples(st.floats(0.05, 0.95), st.floats(0, 3000)), max_size=3),
)
def test_every_line_closes_and_carries_all_its_loads(end, share, wind, stiff, spots):
    """The line ends at its end, and the two end tensions differ by exactly the loads: equilibrium of the whole."""
    chord = np.linalg.norm(end)
    if chord < 5.0:
        return
    length = chord * share
    load = (0.3 * wind, wind, -16.0)
    line = loaded([0, 0, 0], end, length, load, stiff, [(at * length, weight) for at, weight in spots])
    total = np.asarray(load) * length + sum((np.array([0, 0, -weight]) for _, weight in spots), np.zeros(3))

    assert line.residual_m < 2e-7
    assert line.force - end_force(line) == pytest.approx(total, rel=1e-9, abs=1e-6)
    assert joints(line)[-1] == pytest.approx(np.asarray(end), abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(share=st.floats(1.001, 1.4), height=st.floats(-80, 80), error=st.floats(1e-3, 0.2))
def test_polyline_error_is_a_bound(share, height, error):
    """Points of a chord polyline ten thousand times finer lie within the stated error of it."""
    end = np.array([150.0, 0.0, height])
    line = hang([0, 0, 0], end, [Segment(np.linalg.norm(end) * share, WEIGHT, EA)])
    coarse, bound = polyline(line, error)
    fine, _ = polyline(line, error / 50)
    start, step = coarse[:-1], np.diff(coarse, axis=0)
    along = np.clip(np.einsum("pnk,nk->pn", fine[:, None] - start, step) / (step**2).sum(1), 0, 1)
    off = np.linalg.norm(fine[:, None] - (start + along[..., None] * step), axis=2).min(1).max()

    assert bound <= error + 1e-6
    assert off <= bound


def test_derivative_matches_differences():
    segments, force = (
        [Segment(120.0, (1.0, 4.0, -15.0), EA), Segment(30.0, (0.0, 0.0, -80.0), 1e6)],
        np.array([9e3, 2e3, -1e3]),
    )
    loads = [np.array([0.0, 100.0, -700.0])]
    _, slope, _, _ = run(force, segments, loads)
    step = 1e-2
    for k in range(3):
        shift = np.eye(3)[k] * step
        change = run(force + shift, segments, loads)[0] - run(force - shift, segments, loads)[0]

        assert slope[k] == pytest.approx(change / 2 / step, rel=1e-6, abs=1e-12)


def test_energy_is_what_the_displacement_is_the_gradient_of():
    segments, force = [Segment(120.0, (1.0, 4.0, -15.0), EA)], np.array([9e3, 2e3, -1e3])
    place = run(force, segments, [])[0]
    for k in range(3):
        shift = np.eye(3)[k]
        change = (run(force + shift, segments, [])[2] - run(force - shift, segments, [])[2]) / 2

        assert place[k] == pytest.approx(change, rel=1e-6)


def test_mean_tension_of_a_taut_line_is_its_tension():
    line = hang([0, 0, 0], [100, 0, 0], [Segment(99.9, (0.0, 0.0, -1e-6), EA)])

    assert mean_tension(line, 0) == pytest.approx(EA * (100 / 99.9 - 1), rel=1e-9)


def test_a_short_line_that_does_not_stretch_is_refused():
    with pytest.raises(InputError, match="more than the chord of 300"):
        hang([0, 0, 0], [300, 0, 0], [Segment(299.0, WEIGHT)], what="bus A")


def test_a_load_beyond_the_line_is_refused():
    with pytest.raises(InputError, match="a place between 0 and 101"):
        loaded([0, 0, 0], [100, 0, 0], 101.0, WEIGHT, inf, [(120.0, 500.0)])
