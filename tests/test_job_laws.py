"""Laws of a judged stage on random small scenes: what may only narrow a gap never widens one, and a scene that is moved
as a whole is judged the same.

A law compares enclosures: two least gaps are known to within the tolerance of either. Maps are left out: they take
most of the time, and add nothing here.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_scenes import CIRCUIT, LADDER, TRACK, box, checked, stage

TOLERANCE = 0.01
TWO = {**CIRCUIT, "phases": ["A", "B"]}
FEW, MANY = (settings(max_examples=count, deadline=None, derandomize=True) for count in (6, 30))
SEEDS = st.integers(0, 2**31)
DISC_M = 5e-4
"""[m] How much a disc of a metre drawn with corners may differ as it turns."""


MANY_OF: dict[str, Callable[[], None]] = {}


def law(*drawn):
    """A law as a test of few random scenes, kept for `test_a_law_holds_on_many_scenes` too."""

    def tested(check):
        MANY_OF[check.__name__] = MANY(given(*drawn)(check))
        return FEW(given(*drawn)(check))

    return tested


def random_parts(seed, bonded=False):
    """Two live boxes, an earthed and a floating one about a ladder, a helper, and a stage with up to three ranges."""
    random = np.random.default_rng(seed)

    def somewhere(name, potential, least=1.5):
        turn, away = random.uniform(0, 2 * math.pi), random.uniform(least, 6.0)
        place = [away * math.cos(turn), away * math.sin(turn), random.uniform(2.5, 9.0)]
        size = list(random.uniform(0.1, 1.5, 3))
        return box(name, place, size, potential, heading_deg=float(random.uniform(0, 90)))

    solids = [
        somewhere("bus A", "A"),
        somewhere("bus B", "B"),
        somewhere("column", "earth"),
        somewhere("plate", "floating"),
    ]
    ranges = {"climb_m": [3.0, 3.0 + float(random.uniform(0, 1.5))]}
    if random.random() < 0.6 and not bonded:
        ranges["travel_m"] = [4.8, 5.2]
    if random.random() < 0.6 and not bonded:
        ranges["lean_along_deg"] = [-2.0, 2.0]
    entry = stage(**ranges, posture=str(random.choice(["standing", "climbing", "reaching"])))
    if bonded:
        # Something of phase A that hands reach at every place.
        solids.append(box("clamp A", [-0.3, 0.0, 5.3], [0.2, 0.2, 0.2], "A"))
        entry |= {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 1.3, "clamp_m": [-0.3, 0.0, 5.3]}
    crew = [{"name": "helper", "stature_m": 1.8, "at_m": [float(random.uniform(2, 5)), 2.0]}]
    return {"circuits": [TWO], "solids": solids, "stages": [entry], "crew": crew, "ladder": LADDER, "track": TRACK}


def gaps(parts):
    """(pair, kind, which of the two checks) -> (lower, upper), and collisions and approaches likewise."""
    with patch("clearance.job.maps.maps_of", lambda *asked: ()):
        (found,) = checked(TOLERANCE, **parts).stages
    all_of = {}
    for entry in found.gaps:
        key = (*sorted(entry.between), entry.kind)
        for which, measure in (("posture", entry.posture), ("reach", entry.reach)):
            if measure is not None:
                all_of[*key, which] = (measure.gap_lower_m, measure.gap_upper_m)
    for a in found.approaches:
        all_of["approach", a.body, a.to] = (a.measure.gap_lower_m, a.measure.gap_upper_m)
    for c in found.collisions:
        all_of["collision", c.body] = (c.measure.gap_lower_m, c.measure.gap_upper_m)
    return all_of


def never_wider(after, before):
    assert before
    for key, (_, upper) in before.items():
        lower = after[key][0] if key in after else math.inf
        assert lower <= upper + 1e-9, key


@law(SEEDS)
def test_adding_a_floating_body_never_widens_a_gap(seed):
    parts = random_parts(seed)
    less = {**parts, "solids": [entry for entry in parts["solids"] if entry["name"] != "plate"]}
    never_wider(gaps(parts), gaps(less))


@law(SEEDS, st.sampled_from([0.05, 0.4]))
def test_more_uncertainty_never_widens_a_gap(seed, uncertainty):
    parts = random_parts(seed)
    more = copy.deepcopy(parts)
    for entry in more["solids"]:
        entry["uncertainty_m"] = uncertainty
    more["ladder"] = {**LADDER, "bending_m": uncertainty / 2}
    never_wider(gaps(more), gaps(parts))


@law(SEEDS)
def test_a_larger_range_never_widens_a_gap(seed):
    parts = random_parts(seed)
    wider = copy.deepcopy(parts)
    (entry,) = wider["stages"]
    entry["climb_m"] = [entry["climb_m"][0] - 0.2, entry["climb_m"][1] + 0.2]
    entry["travel_m"] = [4.7, 5.3]
    entry["lean_along_deg"], entry["lean_across_deg"] = [-2.5, 2.5], [-0.5, 0.5]
    never_wider(gaps(wider), gaps(parts))


@law(SEEDS)
def test_a_bond_that_may_be_lost_is_never_better_than_no_bond(seed):
    """What holds through the floating worker is judged in the bonded stage too."""
    parts = random_parts(seed, bonded=True)
    loose = copy.deepcopy(parts)
    for key in ("bonded", "bonding_lead_m", "clamp_m"):
        loose["stages"][0].pop(key)
    before = {key: bounds for key, bounds in gaps(loose).items() if key[0] not in ("approach", "collision")}
    never_wider(gaps(parts), before)


@law(SEEDS, st.floats(-180, 180), st.floats(-500, 500), st.floats(-500, 500), st.floats(-50, 50))
def test_moving_and_turning_the_whole_scene_changes_nothing(seed, turn, x, y, z):
    parts = random_parts(seed)
    moved = copy.deepcopy(parts)
    cosine, sine = math.cos(math.radians(turn)), math.sin(math.radians(turn))

    def there(place):
        px, py = cosine * place[0] - sine * place[1] + x, sine * place[0] + cosine * place[1] + y
        return [px, py, *(height + z for height in place[2:])]

    for entry in moved["solids"]:
        entry["centre_m"], entry["heading_deg"] = there(entry["centre_m"]), entry["heading_deg"] + turn
    for person in moved["crew"]:
        person["at_m"] = there(person["at_m"])
    moved["track"] = {"points_m": [there(point) for point in TRACK["points_m"]], "heading_deg": turn}
    moved["ground"] = {"kind": "level", "height_m": z, "extent_m": 600}
    here, away = gaps({**parts, "ground": {"kind": "level", "height_m": 0, "extent_m": 600}}), gaps(moved)
    assert here.keys() == away.keys()
    for key, (lower, upper) in here.items():
        other_lower, other_upper = away[key]
        # The disc in which somebody may stand is drawn with corners that do not turn with it.
        assert lower <= other_upper + DISC_M, key
        assert other_lower <= upper + DISC_M, key
        assert abs(upper - other_upper) <= 2 * TOLERANCE or key[0] in ("approach", "collision"), key


@law(SEEDS, st.booleans())
def test_a_scene_in_the_mirror_has_the_mirrored_gaps(seed, bonded):
    """Mirrored across the climber's own plane: whatever stood to the left stands to the right."""
    parts = random_parts(seed, bonded=bonded)
    mirrored = copy.deepcopy(parts)
    for entry in mirrored["solids"]:
        x, y, z = entry["centre_m"]
        entry["centre_m"], entry["heading_deg"] = [x, -y, z], -entry["heading_deg"] if "heading_deg" in entry else 0
    for person in mirrored["crew"]:
        person["at_m"] = [person["at_m"][0], -person["at_m"][1]]
    here, there = gaps(parts), gaps(mirrored)
    assert here.keys() == there.keys()
    for key, (lower, upper) in here.items():
        other_lower, other_upper = there[key]
        assert lower <= other_upper + 1e-7, key
        assert other_lower <= upper + 1e-7, key


@pytest.mark.slow
@pytest.mark.parametrize("name", MANY_OF)
def test_a_law_holds_on_many_scenes(name):
    MANY_OF[name]()
