"""The string at the fixed end of a span that is taken off swings to where what is left of its pull takes it.

The truth is worked out here from statics alone: a rod turns about its attachment until the moments of the wire's pull
and of half its weight are even; a chain is a second catenary of the same horizontal pull.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import root
from small_scenes import CIRCUIT, box, gap, insulating, isolated, may_open, never_at, only, scene, stage, tail_rope
from test_job_tails import beyond

from clearance.errors import InputError
from clearance.job import far_string, tails
from clearance.pipeline import prepare

TWO = {**CIRCUIT, "phases": ["A", "B"]}
TOP = (40.0, 0.0, 20.0)
STRING = {"kind": "strain", "length_m": 3.0, "insulating_m": 2.6, "diameter_m": 0.25, "units": 16, "weight_kN": 0.9}
WEIGHT = 40.0
PARKED = (6.0, 0.0, 12.0)
NOBODY = {"workers": [], "travel_m": None, "climb_m": None, "posture": None}
LIMIT = 1.50
"""[m] To earth with a tool in the gap, 2.5 per unit of 245 kV, as the result prints it."""


def span(string=STRING, parked=PARKED, **others):
    before = {"far_end": "open and locked", "phase_identified": "traced", "by": "the test", "pull_taken_by": "tackle"}
    release = {"free_end": "from", "lowered_to_m": list(parked), "before_opening": before,
               "ropes": [tail_rope([-14, 0, 1])]}  # fmt: skip
    return {"kind": "span", "name": "span", "phase": "A", "from_m": [0, 0, 19.985], "to_m": list(TOP), "sag_m": 0.4,
            "weight_N_m": WEIGHT, "diameter_m": 0.03, "to_string": string, "release": release, **others}  # fmt: skip


def parts(wire=None, lower=(0.0, 3.0), solids=(), **others):
    opening = stage(name="open", kind="open", released=["span"], lower_m=list(lower), opening_distance_m=3.0, **NOBODY)
    said = [isolated("span"), never_at("span", "earth"), may_open("span"), insulating("tail rope")]
    buses = [box("bus A", [0, 0, 20.25], [0.5, 0.5, 0.5], "A"), box("bus B", [0, 0, 60], [1, 1, 1], "B")]
    return {"circuits": [TWO], "ladder": None, "track": None, "workers": None, "wires": [wire or span()],
            "ground": {"kind": "level", "height_m": 0, "extent_m": 80},
            "solids": [*buses, *solids], "stages": [opening], "statements": said, **others}  # fmt: skip


def curve(pull, falls, weight, length, count):
    """Points (count, 2) of a uniform line from where its tension is (pull, falls), falls being downward, on."""
    s = np.linspace(0.0, length, count)
    across = pull / weight * (np.arcsinh(falls / pull) - np.arcsinh((falls - weight * s) / pull))
    down = (math.hypot(pull, falls) - np.hypot(pull, falls - weight * s)) / weight
    return np.stack([across, down], axis=1)


def at_rest(freed, length, chain):
    """String's live end first, then points along the wire to the freed end (x, 0, z): all in the plane y = 0."""
    size, weight = STRING["length_m"], STRING["weight_kN"] * 1e3
    across, down = TOP[0] - freed[0], TOP[2] - freed[2]

    def line(unknown, count=300):
        pull, falls = math.exp(unknown[0]), unknown[1]
        if chain:
            tip = curve(pull, falls + weight, weight / size, size, 2)[-1]
        else:
            lever = np.array([pull, falls + 0.5 * weight])
            tip = size * lever / np.linalg.norm(lever)
        return tip + curve(pull, falls, WEIGHT, length, count)

    found = root(lambda unknown: line(unknown, 2)[-1] - [across, down], [math.log(1e3), 0.5 * WEIGHT * length])
    assert found.success
    points = line(found.x)
    return np.stack([TOP[0] - points[:, 0], np.zeros(len(points)), TOP[2] - points[:, 1]], axis=1)


def freed_at(lower, parked=PARKED):
    first, last = np.array([0, 0, 19.985]), np.array(parked)
    return first + lower * (last - first) / np.linalg.norm(last - first)


def test_tail_and_string_hang_within_their_pieces_as_rod_and_as_chain():
    site = prepare(scene(**parts(lower=(0.0, 9.0)))).site
    (step,) = site.scene.stages
    pieces = list(tails.tail_pieces(site, step))
    length, (_, live, _) = site.wires["span"].catenary.length_m, (0.2, 2.8, 3.0)
    swung = 0.0
    for lower in (0.3, 1.0, 2.0, 4.0, 6.0, 8.9):
        held = [shapes["span"] for span_, shapes in pieces if span_[0] - 1e-9 <= lower <= span_[1] + 1e-9]
        assert held
        for chain in (False, True):
            true = at_rest(freed_at(lower), length, chain)
            swung = max(swung, math.dist(true[0], (37.0, 0.0, 20.0)))
            for shape in held:
                assert beyond(true, shape, lower) <= 1e-6, (lower, chain)
                # The insulating part ends where the tail's first capsule begins.
                begins = shape.vertices[0, 0] + shape.rate[0, 0] * lower
                there = np.array(TOP) + live / 3.0 * (true[0] - np.array(TOP))
                assert math.dist(begins, there) <= shape.uncertainty[0]
                assert shape.uncertainty.max() < 0.45, "and not by being large"
    assert swung > 2.5, "it goes from in line half the way to upright and beyond: 4.2 m at most"


@pytest.mark.parametrize(("beyond_m", "verdict"), [(-0.03, "breach"), (0.03, "clear")])
def test_the_swung_end_keeps_its_distance_from_what_stands_below_it(beyond_m, verdict):
    """A platform under where the live end comes to at the end of the opening, 2.6 m below where it was in line."""
    lower = 3.0
    site = prepare(scene(**parts(lower=(0.0, lower)))).site
    end = at_rest(freed_at(lower), site.wires["span"].catenary.length_m, chain=False)[0]
    last = list(tails.tail_pieces(site, site.scene.stages[0]))[-1][1]["span"]
    unsure = float(last.uncertainty[0])
    # Straight below the end of the hardware, whose capsule is the lowest there; wide along y, narrow along x.
    top = end[2] - 0.04 - unsure - LIMIT - beyond_m
    assert top > 15.0, "in line with the wire it would be 1.5 m further away"
    platform = box("platform", [end[0] + 0.5, 0, top - 0.5], [1.0, 6.0, 1.0])
    found = gap(only(**parts(lower=(0.0, lower), solids=[platform])), "span", "earth", "tool")
    assert found.posture.verdict == verdict
    assert found.posture.gap_upper_m == pytest.approx(LIMIT + beyond_m, abs=0.03)


def parked(wire=None, ropes=(), **others):
    there = stage(name="parked", kind="work", off=["span"], **NOBODY)
    return parts(wire, stages=[there], ropes=list(ropes), **others)


def across(point):
    """A rope that nobody says insulates, through a point across the string."""
    x, _, z = map(float, point)
    return {"name": "rope", "from_m": [x, -4.0, z], "to_m": [x, 4.0, z], "diameter_m": 0.012}


def test_what_touches_the_string_where_it_has_swung_to_bridges_it_and_its_own_wire_does_not():
    site = prepare(scene(**parked())).site
    travel = math.dist(PARKED, (0, 0, 19.985))
    true = at_rest(freed_at(travel), site.wires["span"].catenary.length_m, chain=False)
    unsure = float(tails.where_parked(site, "span").uncertainty[0])
    # Half of what insulates, 1.3 m, lies between the rope and either end of it; the string is drawn thicker by what is
    # unsure of it, and so is its live end.
    middle = np.array(TOP) + 0.5 * (true[0] - np.array(TOP))
    found = {one.body: one for one in only(**parked(ropes=[across(middle)])).insulation}
    assert 1.3 - 2 * unsure - 0.1 <= found["span to string"].left_m <= 1.3 + 0.05
    assert all("span may touch it" not in step for step in found["span to string"].steps)
    in_line = np.array(TOP) - [1.5, 0.0, 0.0]
    assert math.dist(in_line, middle) > 1.0
    assert "span to string" not in {one.body for one in only(**parked(ropes=[across(in_line)])).insulation}


def told(**parts_):
    site = prepare(scene(**parts_)).site
    return [
        f"{point.where}: {point.what}; {point.cure}" for point in far_string.open_points(site, site.scene.stages[0])
    ]


EAST = {"kind": "span", "name": "east", "phase": "A", "from_m": [40, 0, 17], "to_m": [80, 0, 17], "sag_m": 0.4,
        "weight_N_m": WEIGHT, "diameter_m": 0.03}  # fmt: skip
HUNG = {**STRING, "kind": "suspension"}
SIDE = {**EAST, "from_m": [40, 0, 9], "to_m": [80, 0, 9]}


@pytest.mark.parametrize(
    ("wires", "why"),
    [
        ([span()], None),
        ([span({key: value for key, value in STRING.items() if key != "weight_kN"})],
         "'span to string' swings as the pull goes, and where to is not reckoned: its weight or its wire's is not "
         "stated; state to_string.weight_kN of wire 'span'"),
        ([span(bundle={"count": 2, "spacing_m": 0.4})], "not reckoned: its wire is a bundle"),
        ([span(HUNG), EAST], "not reckoned: 'east' pulls at it too, and moves with it"),
        ([span(HUNG), SIDE], None),
        ([span(None, from_string=STRING)], "'span from string' swings free once the wire is off: none of it is judged"),
        ([span(None), EAST], None),
        ([{**span(None), "to_m": "east start"}, EAST], "its fixed end hangs on 'east', which its pull moves"),
    ],
)  # fmt: skip
def test_what_cannot_be_reckoned_is_undecided_and_says_what_would_settle_it(wires, why):
    found = told(**{**parts(lower=(0.0, 1.0)), "wires": wires})
    assert len(found) == (why is not None)
    if why is not None:
        assert found[0].startswith("wire 'span': ")
        assert why in found[0]


def test_a_way_beyond_wire_and_string_is_refused():
    """37.01 m of wire and 3 m of string reach 40.01 m from where the string is attached."""
    for x, refused in ((0.1, False), (-0.1, True)):
        # At the height of the attachment, so that x tells the distance.
        wire = span(parked=(x, 0.0, 20.0))
        if not refused:
            assert prepare(scene(**parts(wire, lower=(0.0, 0.1))))
            continue
        with pytest.raises(InputError, match=r"lowered_to_m: expected a point within the 40\.01\d* m of conductor and"):
            prepare(scene(**parts(wire, lower=(0.0, 0.1))))
