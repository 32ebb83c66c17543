"""What is fixed to a wire that is taken off goes along: judged wherever the wire goes, on both sides of the limit."""

from __future__ import annotations

import math

import numpy as np
import pytest
import small_scenes as small
from small_scenes import CIRCUIT, checked, gap, scene, slab, stage
from test_job_tails import curve

from clearance.conductor.charge import capacitance_F
from clearance.errors import InputError
from clearance.job.parting import opened
from clearance.job.tails import LEFT_OVER_M, TAIL_ERROR_M
from clearance.job.whip import whips
from clearance.pipeline import prepare

LIMIT = 0.3048 * 0.011 * 245 / math.sqrt(3) * 2.5 + 0.31
"""[m] OSHA, Table R-3 equation 1: phase to earth with a tool in the gap, 1.4956 m."""
TWO = {**CIRCUIT, "phases": ["A", "B"]}
FIXED, FREE, LENGTH = (0.0, -4.0, 12.0), (0.0, 4.0, 12.0), 8.5
LOWEST = curve(FIXED, FREE, LENGTH, 201)[100]
HALF = 0.3
RADIUS = HALF * math.sqrt(3.0)
"""[m] A cube of 0.6 m about the lowest point of the wire, the middle of its length, is within this of it."""
TRAP = small.box("trap", [float(x) for x in LOWEST], [2 * HALF] * 3, "A")
GOES = [{"solid": "trap", "at_m": LENGTH / 2, "movement_m": 0.0}]


def parts(wall_m, goes=GOES, **told):
    """A wire across x 0, lowered in that plane until it hangs at its far end, and an earthed wall beside it."""
    release = {"free_end": "to", "lowered_to_m": [0.0, -4.5, 4.0], "takes_along": goes}
    wire = {"kind": "jumper", "name": "tail", "phase": "A", "from_m": list(FIXED), "to_m": list(FREE),
            "length_m": LENGTH, "diameter_m": 0.03, "release": release}  # fmt: skip
    empty = {"travel_m": None, "climb_m": None, "posture": None, "workers": []}
    stages = [stage(name="lower", kind="lower", released=["tail"], lower_m=[4.0, 9.0], anew=True, **empty),
              stage(name="parked", off=["tail"], anew=True, **empty)]  # fmt: skip
    solids = [small.wall("wall", wall_m), slab("bus B", bottom_m=60.0, potential="B"), TRAP]
    return {"circuits": [TWO], "ladder": None, "track": None, "workers": None, "wires": [wire], "solids": solids,
            "stages": stages, **told}  # fmt: skip


def to_wall(wall_m, goes=GOES):
    found = checked(**parts(wall_m, goes))
    return [gap(one, "A", "earth", "tool").posture for one in found.stages]


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (TAIL_ERROR_M + 0.02, "clear")])
def test_what_goes_along_keeps_the_limit_wherever_the_wire_is(spare, verdict):
    """From the plane of the wire to the wall: the cube however it turns, and the error of a tail off it."""
    wall = RADIUS + LIMIT + spare
    for found in to_wall(wall):
        assert found.verdict == verdict
        assert set(found.ends) == {"tail", "wall"}
        assert LIMIT + spare - TAIL_ERROR_M - 0.5 * LEFT_OVER_M - 0.001 <= found.gap_upper_m <= LIMIT + spare
    # The wire alone is as much further off as it is thinner, and the cube is where it was: it goes no more.
    for found in to_wall(wall, []):
        assert found.gap_upper_m > LIMIT + spare - HALF


def test_only_the_wire_carries_it_once_it_is_off():
    prepared = prepare(scene(**parts(9.0)))
    for settings in prepared.stages:
        assert all(body.name != "trap" for setting in settings for body in setting.bodies)
    kept = prepare(scene(**parts(9.0, [])))
    assert all(any(body.name == "trap" for body in setting.bodies) for setting in kept.stages[0])


def test_its_weight_pulls_the_wire_aside():
    pulled = [{**GOES[0], "movement_m": 0.25}]
    for one, other in zip(to_wall(9.0), to_wall(9.0, pulled), strict=True):
        assert one.gap_upper_m - other.gap_upper_m == pytest.approx(0.25, abs=0.002)


def test_it_counts_in_the_charge_and_in_the_whip():
    """4 pi eps0 a more of capacitance at the least, a ball alone; the ball about the far end grows by its radius."""
    with_it, without = (prepare(scene(**parts(9.0, goes))) for goes in (GOES, []))
    phase_V = 245e3 / math.sqrt(3.0)
    drawn = [opened(one.site, "tail").most_A for one in (with_it, without)]
    more = (drawn[0] - drawn[1]) / (2 * math.pi * 50 * phase_V)
    assert more > 4 * math.pi * 8.854e-12 * RADIUS
    (large,), (small_one,) = (whips(one.site, one.site.scene.stages[0]) for one in (with_it, without))
    grown = [float(np.max(one.hulls[0].shape.radius)) for one in (large, small_one)]
    assert grown[0] - grown[1] == pytest.approx(RADIUS - 0.015, abs=0.001)


@pytest.mark.parametrize(
    ("goes", "said"),
    [
        ([{**GOES[0], "solid": "wall"}], "solid: expected a solid of this scene at the phase of the wire"),
        ([{**GOES[0], "solid": "trip"}], "solid: expected a solid of this scene at the phase of the wire"),
        ([*GOES, *GOES], "solid: expected a solid that goes along once"),
        ([{**GOES[0], "at_m": 9.0}], "at_m: expected at most the wire's length, 8.50 m"),
    ],
)
def test_what_cannot_go_along_is_refused(goes, said):
    with pytest.raises(InputError) as caught:
        prepare(scene(**parts(9.0, goes)))
    assert said in str(caught.value)


def test_what_goes_along_may_be_as_near_to_another_conductor_as_its_radius_brings_it():
    """The wall is 3 m beside the wire's axis: its gap less the radius is what the bound takes for both."""
    drawn = opened(prepare(scene(**parts(3.0))).site, "tail").most_A
    found = drawn / (2 * math.pi * 50 * 245e3 / math.sqrt(3.0))
    thin, apart = 0.015, 3.0 - 0.015
    assert found == pytest.approx(capacitance_F(LENGTH, thin, apart - RADIUS, (RADIUS,)), rel=0.005)
    assert found > 1.01 * capacitance_F(LENGTH, thin, apart, (RADIUS,))
