"""What one stage leaves and the next takes up, where a word could leave out a motion or a state: each on both sides."""

from __future__ import annotations

import pytest
from small_scenes import CIRCUIT, box, isolated, never_at, scene, slab, stage

from clearance.errors import InputError
from clearance.pipeline import prepare

TWO = {**CIRCUIT, "phases": ["A", "B"]}
EMPTY = {"workers": [], "travel_m": None, "climb_m": None, "posture": None}
ESTABLISHED = {"far_end": "open and locked", "current_A": 0.0, "phase_identified": "traced", "by": "the test"}
DROPPER = {
    "kind": "jumper", "name": "dropper", "phase": "A", "from_m": [2.0, 0.0, 12.0], "to_m": [6.0, 0.5, 8.0],
    "length_m": 7.0, "diameter_m": 0.03, "uncertainty_m": 0.02,
    "release": {"free_end": "from", "lowered_to_m": [2.5, 1.0, 9.0], "before_opening": ESTABLISHED},
}  # fmt: skip
"""Its free end is lowered by the root of 0.25 + 1 + 9, 3.20 m, to where it is parked."""
POST = {"name": "post", "from_m": [6, 0.5, 2.0], "to_m": [6, 0.5, 8.0], "insulating_m": 5.9, "diameter_m": 0.2}
MAST = box("mast", [3.0, -1.2, 9.5], [0.2, 0.2, 0.2])
SITE = [slab("bus B", bottom_m=60.0, potential="B"), box("bus A", [2, 0, 12.32], [0.4, 0.4, 0.6], "A"), MAST]


def step(name, kind="work", **fields):
    return stage(name=name, kind=kind, **{**EMPTY, **fields})


def tail(*stages, never=(), **changes):
    """Stages with a dropper, beside whose way stands a mast; `never`: the states that it is stated never to be in."""
    said = [never_at("dropper", *never)] if never else []
    return {"circuits": [TWO], "ladder": None, "track": None, "workers": None, "insulators": [POST],
            "wires": [DROPPER], "statements": [isolated("dropper"), *said], "solids": SITE, "stages": stages,
            **changes}  # fmt: skip


def refused(*stages, **changes):
    """What is refused of such stages, each in words."""
    try:
        prepare(scene(**tail(*stages, **changes)))
    except InputError as error:
        return [str(mistake) for mistake in error.mistakes]
    return []


OPEN = step("open", "open", released=["dropper"], lower_m=0, opening_distance_m=0.5)
WAY = {"released": ["dropper"], "lower_m": [0, 3.2]}
LOWER, RAISE = step("lower", "lower", **WAY), step("raise", "raise", **WAY)
PARKED = step("parked", off=["dropper"])
CLOSE = step("close", "close", released=["dropper"], lower_m=0, opening_distance_m=0.5)


def test_only_a_wire_that_was_lowered_to_where_it_is_parked_is_parked():
    assert refused(OPEN, LOWER, PARKED, RAISE, CLOSE) == []
    (said,) = refused(OPEN, LOWER, PARKED, RAISE, {**PARKED, "name": "again"})
    assert "stage 'again': off: expected a wire that a stage has lowered" in said
    assert "opened in stage 'raise' and not lowered" in said
    assert refused(OPEN, LOWER, PARKED, RAISE, {**LOWER, "name": "down"}, {**PARKED, "name": "again"}) == []
    # Raised by a part of its way and lowered again from there it is parked; left there it is not.
    part = step("part", "raise", released=["dropper"], lower_m=[1.0, 3.2])
    rest = step("rest", "lower", released=["dropper"], lower_m=[1.0, 3.2])
    assert refused(OPEN, LOWER, part, rest, PARKED) == []
    assert "opened in stage 'part' and not lowered" in refused(OPEN, LOWER, part, PARKED)[0]


@pytest.mark.parametrize(("kind", "at"), [("work", 0.0), ("work", 3.2), ("lower", [0, 3.2]), ("lower", [1.0, 3.2])])
def test_a_parked_wire_leaves_where_it_is_parked_by_a_raising_alone(kind, at):
    (said,) = refused(OPEN, LOWER, PARKED, step("moved", kind, released=["dropper"], lower_m=at))
    assert "stage 'moved': released: expected a wire that is not parked" in said
    assert refused(OPEN, LOWER, PARKED, RAISE, step("moved", released=["dropper"], lower_m=0)) == []
