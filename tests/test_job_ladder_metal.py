"""The ladder conducts wherever it is not stated as insulating: both sides of the limit, worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
import small_scenes as small
from small_scenes import CIRCUIT, box, checked, gap, only, scene, slab, stage

from clearance.errors import InputError
from clearance.pipeline import prepare
from clearance.scene.assemble import EARTH

LIMIT = 0.3048 * 0.011 * 245 / math.sqrt(3) * 2.5 + 0.31
"""[m] OSHA, Table R-3 equation 1: phase to earth with a tool or an object in the gap, 1.4956 m."""
BETWEEN = 2.1029
"""[m] OSHA: between phases through air at 245 kV and T = 2.5 (`tests/published/test_rules_osha.py`)."""
NEAR = 0.002
TWO = {**CIRCUIT, "phases": ["A", "B"]}
FAR_B = slab("bus B", bottom_m=30.0, potential="B")
EMPTY = {"kind": "travel", "workers": [], "travel_m": [4.9, 5.1]}
RADIUS = 0.03
"""[m] Of the small scenes' rails."""


def ladder(low, high, **others):
    return {**small.LADDER, "insulating_from_m": low, "insulating_to_m": high, **others}


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_all_metal_but_a_centimetre_under_three_phases(spare, verdict):
    """Three buses over a ladder that insulates for its lowest centimetre alone. From the nearest bus to its top,
    through it, and from its lower end to the ground, which is nearer than the radius of a rail: no air at all."""
    solids = [slab(f"bus {name}", bottom_m=8.0 + RADIUS + LIMIT + spare, at=(0.0, y), size=(40.0, 0.5), potential=name)
              for name, y in (("A", 0.0), ("B", 6.0), ("C", -6.0))]  # fmt: skip
    found = only(solids=solids, ladder=ladder(0.0, 0.01), stages=[stage(**EMPTY)])
    through = gap(found, "A", "earth", "object").posture
    assert through.through == ("ladder metal top",)
    assert through.gap_upper_m == pytest.approx(LIMIT + spare, abs=NEAR)
    assert found.verdict == verdict
    # Stated as insulating throughout it is no conductor, and nothing of the job is.
    assert gap(only(solids=solids, stages=[stage(**EMPTY)]), "A", "earth", "object") is None


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_the_foot_below_the_insulating_part_is_at_earth_with_all_its_rungs(spare, verdict):
    """A bus beside the rails of a ladder that insulates from 2 m up: at 1.5 m it is nearer to the foot."""
    bus = box("bus A", [RADIUS + LIMIT + spare + 0.1, 0.0, 1.5], [0.2, 0.2, 0.2], "A")
    parts = {"circuits": [TWO], "solids": [bus, FAR_B], "stages": [stage(**EMPTY)]}
    found = only(**parts, ladder=ladder(2.0, 8.0))
    direct = gap(found, "A", "earth", "tool").posture
    assert direct.ends == ("bus A", "ladder metal foot")
    assert direct.gap_upper_m == pytest.approx(LIMIT + spare, abs=NEAR)
    assert direct.verdict == verdict
    assert gap(only(**parts), "A", "earth", "tool") is None


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_metal_moves_with_the_ladder(spare, verdict):
    """Travel by a metre to either side: at its end the upper rail end is nearest to a bus beside the track."""
    away = 1.0 + 0.2 + RADIUS + LIMIT + spare
    solids = [box("bus A", [0.0, away + 0.1, 7.5], [0.2, 0.2, 0.2], "A"), FAR_B]
    told = stage(**{**EMPTY, "travel_m": [4.0, 6.0]})
    found = gap(only(circuits=[TWO], solids=solids, ladder=ladder(0.0, 0.01), stages=[told]), "A", "earth", "object")
    assert found.posture.gap_upper_m == pytest.approx(LIMIT + spare, abs=NEAR)
    assert found.posture.at["travel_m"] == pytest.approx(6.0, abs=0.01)
    assert found.posture.verdict == verdict


def test_metal_that_spans_two_phases_takes_its_length_out_of_the_air_between_them():
    """Between a bus at either end of a metal top, what is left is the air at both ends."""
    solids = [slab("bus A", bottom_m=10.0), box("bus B", [2.0, 0.0, 5.0], [0.2, 0.2, 0.2], "B")]
    found = only(circuits=[TWO], solids=solids, ladder=ladder(0.0, 4.0), stages=[stage(**EMPTY)])
    between = gap(found, "A", "B", "object").posture
    assert between.through == ("ladder metal top",)
    assert between.gap_upper_m == pytest.approx((10.0 - 8.0 - RADIUS) + (1.9 - RADIUS), abs=NEAR)


WIRE = {"kind": "span", "name": "wire A", "phase": "A", "from_m": [-30, 0, 10], "to_m": [30, 0, 10], "sag_m": 1.6,
        "diameter_m": 0.03, "uncertainty_m": 0.0,
        "from_string": {"kind": "strain", "length_m": 2.0, "insulating_m": 1.8, "diameter_m": 0.2, "units": 14},
        "to_string": {"kind": "strain", "length_m": 2.0, "insulating_m": 1.8, "diameter_m": 0.2, "units": 14},
        }  # fmt: skip


def hung(low, high, solids):
    entry = {**ladder(low, high), "length_m": 6.0, "hangs_on": "wire A", "heading_deg": 90}
    told = {**EMPTY, "travel_m": 28, "disturbed": [{"wire": "wire A", "movement_m": 0.0, "basis": "estimate"}]}
    return {"circuits": [TWO], "wires": [WIRE], "ladder": entry, "track": None, "solids": solids,
            "stages": [stage(**told)]}  # fmt: skip


@pytest.mark.parametrize(("spare", "verdict"), [(-0.05, "breach"), (0.05, "clear")])
def test_the_top_of_a_ladder_that_hangs_is_at_its_wire(spare, verdict):
    """Metal for 2 m below the wire: a bus of B beside it counts from there, in air, not through a floating body."""
    site = prepare(scene(**hung(0.0, 4.0, [FAR_B]))).site
    wire = site.wires["wire A"].catenary
    solids = [box("bus B", [0.0, RADIUS + BETWEEN + spare + 0.1, 7.0], [9.0, 0.2, 0.2], "B")]
    found = only(**hung(0.0, 4.0, solids))
    direct = gap(found, "A", "B", "air").posture
    assert wire.end[2] > 7.9, "the wire itself is further away"
    assert "ladder metal top" in direct.ends
    assert direct.through == ()
    assert direct.gap_upper_m == pytest.approx(BETWEEN + spare, abs=0.03)
    assert direct.verdict == verdict
    bare = gap(only(**hung(0.0, 6.0, solids)), "A", "B", "air").posture
    assert bare.gap_upper_m > direct.gap_upper_m + 0.05


def test_the_foot_of_a_ladder_that_hangs_is_at_earth_or_floats():
    site = prepare(scene(**hung(1.0, 6.0, [FAR_B])))
    foot = next(body for body in site.stages[0][0].bodies if body.name == "ladder metal foot")
    assert (foot.potential, foot.states) == (EARTH, (("ladder metal foot floating", None),))


def test_a_stage_that_lost_the_metal_of_its_ladder_is_not_clear(monkeypatch):
    from clearance.job import staging

    kept = staging._ladder_bodies
    monkeypatch.setattr(staging, "_ladder_bodies", lambda *a: (b for b in kept(*a) if "metal" not in b.name))
    parts = {"circuits": [TWO], "solids": [slab("bus A", bottom_m=30.0), slab("bus B", bottom_m=40.0, potential="B")]}
    result = checked(**parts, ladder=ladder(0.5, 7.0), stages=[stage(**EMPTY)])
    said = [str(point) for point in result.stages[0].open_points]
    for name in ("ladder metal foot", "ladder metal top"):
        assert any(name in one for one in said)
    assert result.verdict == "undecided"


def test_no_body_takes_their_names():
    taken = box("ladder metal top", [5, 5, 1], [1, 1, 1])
    with pytest.raises(InputError, match="ladder metal top"):
        scene(circuits=[TWO], solids=[taken, FAR_B], ladder=ladder(0.0, 7.0))


def test_a_fitting_head_of_metal_is_judged_as_before():
    """A head from 7.5 to 8 m, stated as a fitting of a ladder that insulates throughout."""
    head = {"name": "head", "from_m": 7.5, "to_m": 8.0, "radius_m": 0.05}
    bus = slab("bus A", bottom_m=9.0)
    fitted = only(circuits=[TWO], solids=[bus, FAR_B], ladder={**small.LADDER, "fittings": [head]},
                  stages=[stage(**EMPTY)])  # fmt: skip
    outside = only(circuits=[TWO], solids=[bus, FAR_B], ladder=ladder(0.0, 7.5), stages=[stage(**EMPTY)])
    one, other = (gap(found, "A", "earth", "object").posture.gap_upper_m for found in (fitted, outside))
    assert one == pytest.approx((9.0 - 8.05) + (7.5 - 0.05), abs=NEAR)
    assert other == pytest.approx((9.0 - 8.03) + (7.5 - 0.03), abs=NEAR)
    assert np.isfinite([one, other]).all()


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_a_ladder_that_is_not_there_takes_its_metal_with_it(spare, verdict):
    """The same bus beside the metal foot: with the ladder absent in a stage nothing is near it there, and without that
    word it is."""
    bus = box("bus A", [RADIUS + LIMIT + spare + 0.1, 0.0, 1.5], [0.2, 0.2, 0.2], "A")
    said = [{"kind": "absent", "bodies": ["ladder"]}]
    parts = {"circuits": [TWO], "solids": [bus, FAR_B], "ladder": ladder(2.0, 8.0), "stages": [stage(**EMPTY)]}
    found = checked(**parts, statements=said, withdraw=True)
    assert gap(found.stages[0], "A", "earth", "tool") is None
    assert not any("metal" in point.what for point in found.stages[0].open_points)
    (without,) = [one for one in found.statements if any("not there" in said.takes_away for said in one.statements)]
    assert without.margin_m == pytest.approx(spare, abs=NEAR)
    assert (without.verdict == "breach") == (verdict == "breach")
