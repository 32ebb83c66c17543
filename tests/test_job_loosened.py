"""A connection that is loosened and not yet opened, or closed and not yet made fast, may part in those stages."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from small_scenes import SAID, box, checked, insulating, isolated, stage
from test_job_whip import FIXED, LENGTH, MAST, ROPES, TWO, dropper, reached

from clearance.job import loosened, whip
from clearance.result import least_margin

FAST = {**SAID, "kind": "fast", "wire": "dropper"}


def told(kind, bonded=(), released=(), workers=("worker",), rescue=None):
    """What is asked of a stage."""
    return {"kind": kind, "bonded": dict(bonded), "released": released, "off": (), "workers": workers, "rescue": rescue}


CLIMB, WORK, ELSEWHERE = told("climb"), told("work", {"worker": "A"}), told("work", {"worker": "B"})
OPEN, CLOSE = (told(kind, released=("dropper",), workers=()) for kind in ("open", "close"))
UNBONDED, BOND = told("work"), told("bond on", {"worker": "A"})


@pytest.mark.parametrize(
    ("phase", "told", "numbers"),
    [
        ("A", [CLIMB, WORK, CLIMB, OPEN, CLIMB], [1, 2, 4]),
        ("A", [CLIMB, ELSEWHERE, CLIMB, OPEN], []),
        ("A", [WORK, CLIMB], [0, 1]),
        ("A", [OPEN, CLOSE, CLIMB, ELSEWHERE, WORK, CLIMB, WORK], [2, 3, 4]),
        ("A", [WORK, OPEN, CLOSE, WORK, CLIMB, WORK, CLIMB, OPEN], [0, 3, 5, 6]),
        ("A", [OPEN, CLOSE, CLIMB], [2]),
        ("A", [CLIMB], []),
        ("A", [UNBONDED, OPEN], []),
        # Loosened under another name, and without a stage for it.
        ("A", [CLIMB, BOND, CLIMB, OPEN], [1, 2]),
        ("A", [BOND, CLIMB], []),
        ("A", [OPEN, CLOSE, BOND, WORK, BOND, CLIMB], [2, 3]),
        # A rescue finds it as it was, and makes nothing fast.
        ("A", [OPEN, CLOSE, CLIMB, told("work", {"worker": "A"}, rescue="stage 2"), CLIMB], [2, 3, 4]),
        (None, [UNBONDED, CLIMB, OPEN], [0, 1]),
        (None, [WORK, CLIMB, OPEN], []),
    ],
)
def test_it_may_part_from_the_first_work_on_it_until_opened_and_once_closed_until_worked_on(phase, told, numbers):
    stages = [SimpleNamespace(name=f"stage {number}", **one) for number, one in enumerate(told)]
    wire = SimpleNamespace(name="dropper", phase=phase, release=object())
    bus = SimpleNamespace(name="bus", phase="A", release=None)
    scene = SimpleNamespace(stages=stages, wires=(bus, wire), workers=(), statements=())
    assert [number for number, one in enumerate(stages) if loosened.loose(scene, one)] == numbers
    assert [number for number, one in enumerate(stages) if loosened.may_part(scene, one)] == numbers


def working(rail_x, said=(), at="A"):
    """Somebody works at A, 8 m beside the dropper, whose release no stage of the scene makes; a rail at phase B stands
    beside."""
    bond = {"kind": "work", "bonded": {"worker": at}, "bonding_lead_m": 1.1, "clamp_m": [-7.3, 0, 5], "climb_m": 3.0}
    rail = box("bus B", [rail_x + 0.05, 0, 5], [0.1, 12, 12], "B")
    solids = [box("bus A", [2, 0, 9.3], [2, 0.1, 0.1], "A"), box("rail", [-7.3, 0, 5.1], [0.2] * 3, at), MAST, rail]
    return {
        "circuits": [TWO], "wires": [dropper()], "solids": solids, "stages": [stage(**bond)],
        "track": {"points_m": [[-8, -5], [-8, 5]], "heading_deg": 0},
        "statements": [isolated("dropper"), *(insulating(rope["name"]) for rope in ROPES), *said],
    }  # fmt: skip


def test_what_may_part_keeps_its_distance_all_around_its_far_end_unless_it_is_fast():
    """The electrical distance between phases from a ball of its length, 0.5 % stretched, about its fixed end."""
    (found,) = checked(**working(30.0)).stages
    required = reached(found, "B").required_m
    reach = LENGTH * (1 + whip.STRETCH) + 0.015
    for beyond, verdict in ((0.02, "clear"), (-0.02, "breach")):
        rail_x = FIXED[0] + reach + required + beyond
        (found,) = checked(**working(rail_x)).stages
        assert reached(found, "B").verdict == verdict
        assert reached(found, "B").gap_lower_m == pytest.approx(required + beyond, abs=0.005)
        (without,) = checked(**working(rail_x, [FAST])).stages
        assert not [one for one in without.approaches if "whip" in one.what]
    assert any("its connection may part here" in note for note in found.notes)


def test_who_works_at_another_phase_loosens_nothing():
    (found,) = checked(**working(30.0, at="B")).stages
    assert not [one for one in found.approaches if "whip" in one.what]


def test_it_is_withdrawn_with_what_else_is_said_of_the_wire():
    """And then the least margin is that of a scene that does not say it."""
    parts = working(FIXED[0] + LENGTH + 1.0, [FAST])
    stated = checked(**parts, withdraw=True)
    (group,) = [one for one in stated.statements if any("its connection holds" in s.takes_away for s in one.statements)]
    assert stated.verdict != "breach"
    bare = checked(**working(FIXED[0] + LENGTH + 1.0))
    assert bare.verdict == group.verdict == "breach"
    least, _ = least_margin((stage.name, stage) for stage in bare.stages)
    assert group.margin_m == pytest.approx(least, abs=0.002)
