"""Ropes sag and are blown; one that rides on the carriage turns with it: random ropes of the stated length are held."""

from __future__ import annotations

import math

import numpy as np
import pytest
import small_scenes as small
from hypothesis import given, settings
from hypothesis import strategies as st
from small_scenes import CIRCUIT, checked, gap, only, scene, slab, stage

from clearance.job.ropes import bulge_m
from clearance.pipeline import prepare

LIMIT = 0.3048 * 0.011 * 245 / math.sqrt(3) * 2.5 + 0.31
"""[m] OSHA, Table R-3 equation 1: phase to earth, 1.4956 m."""
TWO = {**CIRCUIT, "phases": ["A", "B"]}
FAR_B = slab("bus B", bottom_m=30.0, potential="B")
EMPTY = {"kind": "travel", "workers": [], "travel_m": [4.9, 5.1]}


@settings(max_examples=200, deadline=None)
@given(st.floats(1.0, 20.0), st.floats(0.0, 2.0), st.floats(0.01, 0.99), st.floats(0, 2 * math.pi))
def test_a_rope_pulled_tight_to_any_side_is_held_and_no_more(chord, slack, share, turn):
    """Its length goes to and from one point: nothing is further from the line, and at the middle it is as far."""
    first = 0.5 * slack + share * chord
    # The point at distances `first` and the rest from both ends, where there is one.
    along = (first**2 - (chord + slack - first) ** 2 + chord**2) / (2 * chord)
    aside = math.sqrt(max(first**2 - along**2, 0.0)) * abs(math.cos(turn))
    from_line = math.hypot(aside, max(0.0, -along, along - chord))
    assert from_line <= bulge_m(chord, slack) + 1e-6
    middle = math.sqrt(((chord + slack) / 2) ** 2 - (chord / 2) ** 2)
    assert bulge_m(chord, slack) == pytest.approx(middle, abs=1e-9)


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_slack_brings_a_rope_nearer_to_a_bus(spare, verdict):
    """A rope of 8 m with 0.02 m of slack: half of the root of 8.02 squared less 8 squared is 0.283 m."""
    rope = {"name": "rope", "from_m": [10, -4, 3], "to_m": [10, 4, 3], "diameter_m": 0.02, "slack_m": 0.02}
    bus = small.box("bus A", [10.0, 0.0, 3.0 + 0.01 + 0.2831 + LIMIT + spare + 0.1], [0.2, 0.2, 0.2], "A")
    parts = {"circuits": [TWO], "solids": [bus, FAR_B], "stages": [stage(**EMPTY)]}
    found = gap(only(**parts, ropes=[rope]), "A", "earth", "tool").posture
    assert found.gap_upper_m == pytest.approx(LIMIT + spare, abs=0.002)
    assert (found.verdict, set(found.ends)) == (verdict, {"bus A", "rope"})
    taut = gap(only(**parts, ropes=[{**rope, "slack_m": 0.0}]), "A", "earth", "tool").posture
    assert taut.gap_upper_m == pytest.approx(LIMIT + spare + 0.2831, abs=0.002)


def test_slack_that_is_not_stated_is_asked_for():
    rope = {"name": "rope", "from_m": [10, -4, 3], "to_m": [10, 4, 3], "diameter_m": 0.02, "slack_m": None}
    parts = {"circuits": [TWO], "solids": [slab("bus A", bottom_m=20.0), FAR_B], "stages": [stage(**EMPTY)]}
    said = [str(point) for point in checked(0.05, **parts, ropes=[rope]).open_points]
    assert any("slack_m is not stated: taken as 0.2" in one for one in said)


def test_a_turn_thickens_a_rope_that_turns_with_it_at_its_far_end_alone():
    """Tied at 6 m, held 5 m aside: at 10 deg the far end may stay behind by 0.873 m, the tie by nothing."""
    rope = {"name": "rope", "from_m": "ladder @ 6", "to_m": [4, 3, 0], "diameter_m": 0.02}
    told = {**EMPTY, "travel_m": 5, "heading_deg": [-10, 10]}
    prepared = prepare(scene(circuits=[TWO], solids=[FAR_B], stages=[stage(**told)], ropes=[rope]))
    body = next(one for one in prepared.stages[0][0].bodies if one.name == "rope")
    assert body.link == "carriage"
    assert body.shape.uncertainty.max() == pytest.approx(math.radians(10) * 5.0, abs=1e-9)
    assert body.shape.uncertainty.min() == pytest.approx(math.radians(10) * 5.0 / 8, abs=1e-9)
    assert np.all(np.diff(body.shape.uncertainty) > 0)
