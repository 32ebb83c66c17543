"""What moving ends do to a loose line: the proved rates and worths against lines hung afresh by the solver of
`elastic`, which knows tensions and no catenary parameter."""

from __future__ import annotations

from math import asin, pi, sqrt

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from clearance.conductor.elastic import Segment, along, hang
from clearance.conductor.end_rates import EDGES, PARTS, points, rates
from clearance.conductor.lines import End, Line
from clearance.conductor.moved_ends import at_vertices, ends_worth_along, line_worth_along

share = st.floats(0.0, 1.0)
way = st.tuples(*[st.floats(-1.0, 1.0)] * 3)
MIDDLES = (EDGES[:-1] + EDGES[1:]) / 2


def hung(start, end, length, load, shares):
    line = hang(start, end, [Segment(length, tuple(load))])
    return np.asarray(start) + along(line.force, line.segments[0], shares * length)


def loaded(tilt, turn=0.0):
    """A unit load of a tilt along the x axis, turned about it."""
    return np.array([-np.sin(tilt), np.cos(tilt) * np.sin(turn), -np.cos(tilt) * np.cos(turn)])


def cell(low, high):
    return np.array([low]), np.array([high])


@settings(max_examples=60, deadline=None)
@given(
    taut=st.floats(0.3, 0.9995), tilt=st.floats(-1.5, 1.5), wide=st.sampled_from([0.0, 0.01, 0.05, 0.3]),
    at=st.tuples(share, share), ways=st.tuples(way, way),
)  # fmt: skip
def test_rates_hold_for_every_line_of_a_cell(taut, tilt, wide, at, ways):
    """Central differences of the hung line, its ends moved any way, by a share of the uncertainty that they have."""
    length = 1.0
    chords, tilts = (taut, taut + wide * (1.0 - taut)), (tilt - wide, tilt + wide)
    found = rates(cell(*chords), cell(max(tilts[0], -pi / 2), min(tilts[1], pi / 2)), length)
    chord, load = (
        chords[0] + at[0] * (chords[1] - chords[0]),
        loaded(max(-1.57, min(1.57, tilts[0] + at[1] * (tilts[1] - tilts[0])))),
    )
    start, end = np.zeros(3), np.array([chord, 0.0, 0.0])
    # Small against the uncertainty, and against the span where that is short; large against what the solver leaves.
    step = 2e-3 * min(1.0 - chord, 0.1, chord * abs(load[2]))
    one, two = (np.array(part) / max(float(np.linalg.norm(part)), 1.0) for part in ways)

    def moved(a, b):
        ahead, behind = (hung(start + s * step * a, end + s * step * b, length, load, MIDDLES) for s in (0.5, -0.5))
        return (ahead - behind) / step

    zero, x = np.zeros(3), np.array([1.0, 0.0, 0.0])
    for ends, bound in (((one, zero), found.start), ((zero, two), found.end)):
        assert (
            np.linalg.norm(moved(*ends), axis=1)
            <= bound[0] * np.linalg.norm(ends[0] + ends[1]) + 2e-3 * bound[0] + 1e-5
        ).all()
    square = two - (two @ x) * x
    for b, bound in ((x, found.apart), (square, found.aside)):
        against = np.linalg.norm(moved(zero, b) - MIDDLES[:, None] * b, axis=1)
        assert (against <= bound[0] * np.linalg.norm(b) + 2e-3 * (1.0 + bound[0]) + 1e-5).all()


@settings(max_examples=40, deadline=None)
@given(taut=st.floats(0.2, 0.999), tilt=st.floats(-1.5, 1.5), wide=st.tuples(st.floats(0.0, 0.5), st.floats(0.0, 0.4)))
def test_a_cell_has_no_lower_rates_than_any_line_in_it(taut, tilt, wide):
    """Its lines, as cells without width, are held to the hung line by the other tests."""
    chords = np.linspace(taut, taut + wide[0] * (0.9999 - taut), 5)
    tilts = np.linspace(max(tilt - wide[1], -pi / 2), min(tilt + wide[1], pi / 2), 5)
    found = rates(cell(chords[0], chords[-1]), cell(tilts[0], tilts[-1]), 1.0)
    each = [part.ravel() for part in np.meshgrid(chords, tilts)]
    lines = rates((each[0], each[0]), (each[1], each[1]), 1.0)

    for name in ("start", "end", "apart", "aside"):
        assert (getattr(lines, name) <= getattr(found, name) * (1.0 + 1e-9)).all()


def test_rates_are_those_of_the_parabola_where_the_line_is_nearly_taut():
    """Sag f of a shallow parabola: 8 f^2 / (3 L) = S - L, so its middle rises by 3 L / (16 f) + f / (2 L) of what
    the ends come apart (H. M. Irvine, Cable Structures, 1981, chapter 2, from memory)."""
    length, chord = 1.0, 0.999
    found = rates(cell(chord, chord), cell(0.0, 0.0), length)
    sag = sqrt(3.0 * chord * (length - chord) / 8.0)

    assert found.apart[0, PARTS // 2] == pytest.approx(3.0 * chord / (16.0 * sag), rel=0.02)
    # Points near an end keep by it.
    assert found.end[0, 0] < 0.1 * found.end[0, PARTS // 2]
    assert found.start[0, -1] < 0.1 * found.start[0, PARTS // 2]


@pytest.mark.parametrize(
    ("taut", "tilt", "most"),
    [
        (0.3, 0.0, 1.1), (0.7, 0.5, 1.05), (0.9, 0.0, 1.05), (0.9, 1.0, 1.12), (0.97, -0.5, 1.1), (0.995, 0.9, 1.12),
        (0.95, 1.3, 1.2),
        # At the fold of two legs the two are taken to go either way.
        (0.7, pi / 2 - 1e-6, 1.3),
    ],
)  # fmt: skip
def test_rates_are_not_much_larger_than_true_ones(taut, tilt, most):
    found = rates(cell(taut, taut), cell(tilt, tilt), 1.0)
    load, end, step = loaded(tilt), np.array([taut, 0.0, 0.0]), 1e-3 * min(1.0 - taut, taut * np.cos(tilt))

    def at(move):
        return hung(np.zeros(3), end + move, 1.0, load, MIDDLES)

    columns = [(at(step / 2 * axis) - at(-step / 2 * axis)) / step for axis in np.eye(3)]
    gains = np.stack(columns, axis=2)
    true = np.linalg.norm(gains, ord=2, axis=(1, 2))

    assert (found.end[0] >= true * (1.0 - 1e-3)).all()
    assert found.end[0].max() <= most * true.max()


@settings(max_examples=60, deadline=None)
@given(taut=st.floats(0.2, 0.9999), tilt=st.floats(-1.57, 1.57))
def test_points_of_lines_are_those_of_the_tension_solver(taut, tilt):
    found = points(taut, np.array([tilt]), 1.0, 40)[0]
    true = hung(np.zeros(3), [taut, 0.0, 0.0], 1.0, loaded(tilt), np.linspace(0.0, 1.0, 41))

    assert found == pytest.approx(np.stack([true[:, 0], -true[:, 2]], axis=1), abs=2e-6)


MOVES = st.fixed_dictionaries(
    {
        "length": st.floats(1.5, 12.0),
        "taut": st.floats(0.2, 0.9995),
        "low": st.floats(-1.5, 1.5),
        "wide": st.sampled_from([0.0, 0.2]),
        "far": st.tuples(st.floats(0.0, 0.25), st.floats(0.0, 0.25)),
        "sizes": st.tuples(share, share),
        "ways": st.tuples(way, way),
        "at": share,
        "turn": st.floats(-3.0, 3.0),
        "straight": st.booleans(),
    }
)


def check_worth(length, taut, low, wide, far, sizes, ways, at, turn, straight):
    """Ends anywhere within balls, loads anywhere in the range and turned about the chord; where the ends would go
    further apart than the line is long they are held by it, and often they are made to."""
    chord, tilts, reach = taut * length, (low, min(low + wide, pi / 2)), (far[0] * length, far[1] * length)
    load = loaded(tilts[0] + at * (tilts[1] - tilts[0]), turn)
    x = np.array([1.0, 0.0, 0.0])
    one, two = (size * r * np.array(part) / max(float(np.linalg.norm(part)), 1e-3 if size == 0.0 else 1e-300)
                for size, r, part in zip(sizes, reach, ways, strict=True))  # fmt: skip
    if straight:
        one, two = -reach[0] * x, reach[1] * x
    assume(np.isfinite(one).all() and np.isfinite(two).all())
    end = chord * x
    if np.linalg.norm(end + two - one) > 0.99999 * length:
        # As far as the line lets them.
        shares = np.linspace(0.0, 1.0, 2001)
        apart = np.linalg.norm(end + shares[:, None] * (two - one), axis=1)
        last = shares[np.flatnonzero(apart < 0.99999 * length)[-1]] if apart[0] < 0.99999 * length else 0.0
        one, two = last * one, last * two
    assume(np.linalg.norm(end + two - one) > 0.02 * length)
    moved = hung(one, end + two, length, load, MIDDLES) - hung(np.zeros(3), end, length, load, MIDDLES)

    assert (np.linalg.norm(moved, axis=1) <= ends_worth_along(chord, length, tilts, reach) + 2e-5).all()


@settings(max_examples=6, deadline=None)
@given(MOVES)
def test_every_point_stays_within_its_worth(moves):
    check_worth(**moves)


@pytest.mark.slow
@settings(max_examples=200, deadline=None)
@given(MOVES)
def test_every_point_stays_within_its_worth_in_many_moves(moves):
    check_worth(**moves)


def furthest(chord, length, tilt, moves, tries=400):
    """The furthest that sampled ends take each part: on the surface of their balls, half of them along the chord."""
    rng = np.random.default_rng(7)
    load, end = loaded(tilt), np.array([chord, 0.0, 0.0])
    still, most = hung(np.zeros(3), end, length, load, MIDDLES), np.zeros(PARTS)
    for index in range(tries):
        one, two = rng.normal(size=(2, 3)) + (index % 2) * 3.0 * np.array([[-1.0, 0, 0], [1.0, 0, 0]])
        one, two = moves[0] * one / np.linalg.norm(one), moves[1] * two / np.linalg.norm(two)
        for part in np.linspace(1.0, 0.0, 60):
            if np.linalg.norm(end + part * (two - one)) < (1.0 - 1e-6) * length:
                line = hung(part * one, end + part * two, length, load, MIDDLES)
                most = np.maximum(most, np.linalg.norm(line - still, axis=1))
                break
    return most


@pytest.mark.parametrize(
    ("chord", "length", "tilt", "moves", "most"),
    [
        (5.0, 6.5, 0.2, (0.3, 0.0), 1.1),
        (4.0, 5.0, 0.6, (0.25, 0.0), 1.15),
        (4.0, 4.2, 0.6, (0.1, 0.0), 1.25),
        (4.47, 4.8, -1.1, (0.05, 0.0), 1.2),
        (5.0, 5.5, -1.5, (0.3, 0.0), 1.4),
        (12.0, 13.0, 0.0, (0.3, 0.3), 1.3),
        # Pulled straight.
        (4.0, 4.2, 0.6, (0.15, 0.15), 1.35),
        (5.0, 5.02, 0.0, (0.3, 0.0), 1.35),
    ],
)
def test_worths_are_not_much_more_than_ends_do(chord, length, tilt, moves, most):
    worth, true = ends_worth_along(chord, length, (tilt, tilt), moves), furthest(chord, length, tilt, moves)

    assert (worth >= true - 1e-5).all()
    assert worth.max() <= most * true.max()


def test_an_end_that_is_held_does_not_move_its_neighbourhood():
    worth = ends_worth_along(5.0, 6.5, (0.2, 0.2), (0.3, 0.0))

    assert 0.3 <= worth[0] < 0.31
    assert worth[-1] < 0.01
    assert (np.diff(worth[-20:]) <= 1e-9).all()
    assert (ends_worth_along(5.0, 6.5, (0.2, 0.2), (0.0, 0.0)) == 0.0).all()
    # Read backwards it is the line whose other end moves, under the load tilted the other way.
    assert worth == pytest.approx(ends_worth_along(5.0, 6.5, (-0.2, -0.2), (0.0, 0.3))[::-1], rel=1e-6)


def test_a_line_that_hangs_straight_down_is_bounded_too():
    """Its two legs go with the ends they hang on."""
    worth = ends_worth_along(4.0, 6.0, (-pi / 2, -pi / 2), (0.2, 0.0))

    # The start is on top: its leg is 5 m of the 6.
    assert worth[: PARTS * 5 // 6 - 5].min() >= 0.2
    assert worth.max() < 0.28
    assert worth[-10:].max() < 0.03


def test_how_far_apart_the_ends_come_is_less_than_their_moves_allow():
    """A top that goes sideways and down does not pull its dropper straight."""
    top = End(
        (0.0, 0.0, 9.0),
        moves_m=((0.0, 0.0, 0.0), (0.0, 0.4, -0.1), (0.0, -0.4, -0.1), (0.0, 0.0, -0.4)),
        moves_uncertainty_m=0.02,
    )
    line = Line("dropper", top, End((2.0, 0.0, 5.0)), 0.028, weight_N_m=13.5, length_m=4.7)
    chord, tilt = sqrt(20.0), asin(-4.0 / sqrt(20.0))
    worth = line_worth_along(line, (tilt, tilt))

    assert worth.max() < 0.75 * ends_worth_along(chord, 4.7, (tilt, tilt), (sqrt(0.17) + 0.02, 0.0)).max()
    assert (line_worth_along(line, (tilt, tilt), (0.1, 0.1)) >= worth).all()


@given(count=st.integers(4, 401), seed=st.integers(0, 99))
def test_of_two_vertices_the_larger_is_the_most_of_their_step(count, seed):
    worth = np.random.default_rng(seed).random(PARTS)
    found, edges = at_vertices(worth, count), np.linspace(0.0, 1.0, count)
    for at in np.random.default_rng(seed + 1).random(50):
        step = min(int(at * (count - 1)), count - 2)
        assert edges[step] <= at + 1e-12
        assert max(found[step], found[step + 1]) >= worth[min(int(at * PARTS), PARTS - 1)]
