"""Whoever stands on the ladder's platform has its potential: what the platform comes near, they come near."""

from __future__ import annotations

import pytest
from small_scenes import CIRCUIT, LADDER, PER_UNIT, box, only, stage
from test_job_whip import ROPES, guides, lowering

from clearance import rules

TWO = {**CIRCUIT, "phases": ["A", "B"]}
DEPTH, HEIGHT, HALF = 0.6, 3.0, 0.05  # the last: half its thickness, which goes all around
PLATFORM = {**LADDER, "platform_m": HEIGHT, "platform_depth_m": DEPTH}
TRANSFER = rules.transfer_distance("osha-1910.269", 245.0).distance_m
"""[m] Bare body at 245 kV."""
LIMIT = rules.required("osha-1910.269", "phase-earth", gap="tool", highest_kV=245.0,
                       per_unit_overvoltage=PER_UNIT, inputs={"per_unit_basis": "the test"})  # fmt: skip


def near(gap, feet, **told):
    """The approach of the worker to a bar of phase A beside the platform, whose edge it is
    that far from: the body is behind."""
    bar = box("bus A", [DEPTH + HALF + gap + 0.1, 0.0, HEIGHT], [0.2, 6.0, 0.2], "A")
    found = only(circuits=[TWO], solids=[bar, box("bus B", [0, 0, 60], [1, 1, 1], "B")], ladder=PLATFORM,
                 stages=[stage(climb_m=feet, **told)])  # fmt: skip
    return next(one.measure for one in found.approaches if (one.body, one.to) == ("worker", "A"))


@pytest.mark.parametrize(("spare", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_who_stands_on_the_platform_is_as_near_as_the_platform(spare, verdict):
    """The transfer distance and the ergonomic part, which is the whole limit less the electrical one."""
    found = near(TRANSFER + LIMIT.limit_m - LIMIT.electrical_m + spare, HEIGHT)
    assert set(found.ends) == {"ladder platform", "bus A"}
    assert found.gap_upper_m == pytest.approx(TRANSFER + LIMIT.limit_m - LIMIT.electrical_m + spare, abs=0.01)
    assert found.verdict == verdict
    assert "worker" in near(0.2, [0.0, 0.2]).ends


@pytest.mark.parametrize(("feet", "counts"), [(HEIGHT - 0.49, True), (HEIGHT - 0.51, False), ([0.5, 2.6], True),
                                              (HEIGHT + 0.49, True), (HEIGHT + 0.51, False)])  # fmt: skip
def test_feet_within_half_a_metre_of_it_are_on_it(feet, counts):
    assert ("ladder platform" in near(0.05, feet).ends) == counts


def test_a_whip_keeps_from_the_platform_that_somebody_stands_on():
    """Guides keep the tail within 0.5 m of the plane y = 0; the platform's side is nearer to that than the worker."""
    parts = lowering(held=[guides(0.5)], release={"ropes": ROPES})
    for name in ("ladder", "track", "workers"):
        parts.pop(name)
    parts |= {"ladder": {**PLATFORM, "width_m": 2.0}, "track": {"points_m": [[3, 0], [3, 9]], "heading_deg": 0}}

    def found(feet):
        told = stage(kind="work", off=["dropper"], climb_m=feet, travel_m=5.0)
        kept = only(**{**parts, "stages": [told]}).approaches
        return next(one.measure for one in kept if one.body.startswith("whip") and one.to == "worker")

    assert "ladder platform" in found(HEIGHT).ends
    assert "ladder platform" not in found(HEIGHT - 0.6).ends
