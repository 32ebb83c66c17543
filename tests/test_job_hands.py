"""Both hands: whoever climbs or works is judged with the hands changed too, as a state of its own."""

from __future__ import annotations

import numpy as np
import pytest
import small_scenes as small
from small_scenes import CIRCUIT, WORKER, box, gap, only, scene, slab, stage

from clearance.bodies import worker
from clearance.job.setting import OTHER_HAND
from clearance.pipeline import prepare

TWO = {**CIRCUIT, "phases": ["A", "B"]}
HIGH = [slab("bus A", bottom_m=12.0), slab("bus B", bottom_m=30.0, potential="B")]
NEAR = 0.002
LIMIT = 0.3 + 0.31
"""[m] How near a worker may come to earth who is not bonded: bare body 0.3 m at 220 kV (from memory) and 0.31 m."""


def beside(side, posture, tool_m=0.0):
    """How far a body in a posture reaches to a side of the climber above his waist [m]."""
    low, high = worker.posture(small.body(), posture, tool_m).bounds
    return float(high[1] if side > 0 else -low[1])


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize(("spare", "verdict"), [(-0.01, "breach"), (0.01, "clear")])
def test_a_wall_to_the_left_counts_as_one_to_the_right(side, spare, verdict):
    """Reaching with a hand held out level to the front is no wider; climbing, one elbow stands out further."""
    widest = max(beside(1.0, "climbing"), beside(-1.0, "climbing"))
    narrower = min(beside(1.0, "climbing"), beside(-1.0, "climbing"))
    assert narrower < widest - 0.005, "the posture has a side"
    near = widest + LIMIT + spare
    post = box("wall", [0.0, side * (near + 0.1), 5.0], [40.0, 0.2, 10.0])
    found = only(circuits=[TWO], solids=[*HIGH, post], stages=[stage(posture="climbing")])
    (measure,) = [a.measure for a in found.approaches if a.to == "earth"]
    assert measure.gap_upper_m == pytest.approx(LIMIT + spare, abs=NEAR)
    assert measure.verdict == verdict


def test_the_result_says_which_hand_it_was():
    """A tool in the outstretched hand, and a bus of B beside it: to one side it is the one hand, to the other the
    other, at the same distance."""
    found = []
    for side in (1.0, -1.0):
        bus = box("bus B", [0.6, side * 0.9, 5.2], [0.2, 0.2, 0.2], "B")
        told = {"workers": [{**WORKER, "tool_m": 0.5}], "stages": [stage(posture="reaching")], "circuits": [TWO]}
        found.append(gap(only(**told, solids=[HIGH[0], bus]), "A", "B", "object").posture)
    left, right = found
    assert left.gap_upper_m == pytest.approx(right.gap_upper_m, abs=1e-6)
    assert (OTHER_HAND in left.case, OTHER_HAND in right.case) == (True, False)


def test_two_states_and_no_body_with_four_arms():
    def of(posture, **others):
        told = {"workers": [{**WORKER, **others}], "stages": [stage(posture=posture)], "circuits": [TWO]}
        (settings,) = prepare(scene(**told, solids=HIGH)).stages
        return [one for one in settings if one.check == "posture"]

    first, second = of("climbing")
    assert (first.hand, second.hand) == ("right", "left")
    shapes = [next(b.shape for b in one.bodies if b.kind == "worker") for one in (first, second)]
    assert len(shapes[0]) == len(shapes[1]) == 14
    assert np.allclose(shapes[0].vertices * [1, -1, 1], shapes[1].vertices)
    assert len(of("standing")) == 1
    assert len(of("standing", tool_m=0.3)) == 2
