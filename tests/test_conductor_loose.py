"""Loose lines: the proved slack of a family against shapes solved afresh, and what moving ends are worth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.conductor.elastic import Segment, hang, polyline
from clearance.conductor.loose import at_places, ends_moved, ends_worth, ends_worth_along, loose_family


def off(points, chain):
    start, step = chain[:-1], np.diff(chain, axis=0)
    length = np.maximum((step**2).sum(1), 1e-18)
    along = np.clip(np.einsum("pnk,nk->pn", points[:, None] - start, step) / length, 0, 1)
    return np.linalg.norm(points[:, None] - (start + along[..., None] * step), axis=2).min(1).max()


def true_shape(chord, length, tilt):
    """Solved by the tension at its start, no catenary parameter in it; along the chord and down."""
    load = (-float(np.sin(tilt)), 0.0, -float(np.cos(tilt)))
    points, _ = polyline(hang([0, 0, 0], [chord, 0, 0], [Segment(length, load)]), 2e-4)
    return np.stack([points[:, 0], -points[:, 2]], axis=1)


@settings(max_examples=15, deadline=None)
@given(
    chord=st.floats(1.0, 12.0),
    excess=st.floats(0.01, 0.8),
    middle=st.floats(-0.9, 0.9),
    width=st.floats(0.0, 0.45),
    share=st.floats(0, 1),
)
def test_every_tilt_of_the_range_is_within_the_proved_slack(chord, excess, middle, width, share):
    length, low, high = chord * (1 + excess), middle - width, middle + width
    family = loose_family(chord, length, middle, (low, high))
    base = np.stack([family.along, family.down], axis=1)
    rate = np.stack([family.along_rate, family.down_rate], axis=1)
    true = true_shape(chord, length, low + share * (high - low))
    best = min(off(true, base + v * rate) for v in np.linspace(*family.range_m, 201))

    assert family.proved
    # The grid of v leaves half a step; the true shape its own chord error.
    room = (family.range_m[1] - family.range_m[0]) / 400 + 2e-4
    assert best <= family.slack_m + room
    # Not by much more than the line itself asks for: what is left of the family, cells, half an arc of 1/600.
    tried = max(
        min(off(true_shape(chord, length, t), base + v * rate) for v in np.linspace(*family.range_m, 101))
        for t in (low, middle, high)
    )
    assert family.slack_m <= 3.0 * tried + 0.03 + length / 600


def test_where_the_chord_lies_along_the_load_it_is_an_allowance():
    assert not loose_family(4.0, 4.6, -np.pi / 2, (-np.pi / 2, -1.2)).proved
    assert loose_family(4.0, 4.6, -0.6, (-0.9, -0.3)).proved
    assert loose_family(4.0, 4.6, 0.3, (0.3, 0.3)).range_m == (0.0, 0.0)


def test_an_end_that_is_held_does_not_move_its_neighbourhood():
    along = ends_worth_along(5.0, 6.5, (0.2,), (0.3, 0.0))

    assert along[0] == pytest.approx(0.33), "a tenth more than it moves"
    assert along[-1] == pytest.approx(0.0, abs=1e-9)
    assert (np.diff(along[-8:]) <= 1e-9).all()
    assert ends_worth(5.0, 6.5, (0.2,), (0.3, 0.0)) == along.max()
    both = ends_worth_along(5.0, 6.5, (0.2,), (0.3, 0.3))
    assert both == pytest.approx(along + ends_worth_along(5.0, 6.5, (0.2,), (0.0, 0.3)), rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    way=st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1)), size=st.floats(0, 1), tilt=st.floats(-0.7, 0.7)
)
def test_a_move_of_an_end_in_any_direction_is_within_its_worth(way, size, tilt):
    if np.linalg.norm(way) < 1e-3:
        return
    far = 0.25
    step = np.array(way) / np.linalg.norm(way) * far * size
    load = np.array([-np.sin(tilt), 0.0, -np.cos(tilt)])
    found = ends_moved(np.zeros(3), np.array([4.0, 0, 0]), 5.0, [load], ([step], [np.zeros(3)]))

    assert (found <= ends_worth_along(4.0, 5.0, (tilt,), (far, 0.0)) + 1e-9).all()


def test_values_at_places_are_the_larger_of_two():
    assert at_places(np.arange(41.0), 81)[1] == 1.0
    assert at_places(np.arange(41.0), 81)[2] == 1.0
    assert at_places(np.arange(41.0), 41).tolist() == list(range(41))
