"""The whole chain against the oracle: what the tool proves is no more than any gap that the oracle finds.

`-s` prints how much larger the gaps that were found are than those proved: that is caution of the tool, and weakness of
the oracle, whose people are bones.
"""

from __future__ import annotations

import json
from typing import Any

import checked_scenes
import pytest
from oracle import comparing, search, site, stages

ENDS = "metal at the ends of insulators"
TAIL = "where a tail may be after a slip, or once a rope fails"
MOVES = "how far a disturbed wire moves"
NOT_LOOKED_AT = {
    "aerial_device": {ENDS},
    "demo": {ENDS, TAIL, MOVES},
    "demo_full_overvoltage": {ENDS},
    "dropper_off_under_beam": {ENDS, TAIL, "wires whose load has gone"},
    "job_three_phases": {ENDS, TAIL, "jobs that expand into stages"},
    "ladder_on_conductor": {ENDS, MOVES},
    "measured_span": set(),
    "sloping_double_circuit": {ENDS},
    "track_near_column": {ENDS},
    "windy_day": {ENDS, "weather"},
}
"""What the oracle makes no body or state of in each scene that ships: it can only shrink."""

FAST = ("dropper_off_under_beam", "track_near_column", "windy_day")


def test_what_the_oracle_does_not_look_at_is_known() -> None:
    seen = {name: set(site.read(checked_scenes.path_of(name)).not_looked_at) for name in checked_scenes.NAMES}
    assert seen == NOT_LOOKED_AT


def told(name: str) -> dict[str, Any]:
    found = checked_scenes.result(name).to_json()
    return json.loads(found) if isinstance(found, str) else found


def compare(name: str, **how: int) -> list[comparing.Row]:
    by_name = {stage["name"]: stage for stage in told(name)["stages"]}
    rows: list[comparing.Row] = []
    for stage in stages.stages(site.read(checked_scenes.path_of(name))):
        rows += comparing.rows(by_name[stage.name], search.search(stage, **how))
    print(f"\n{name}\n{comparing.table(rows)}")
    return rows


@pytest.mark.parametrize("name", FAST)
def test_a_scene_that_ships_against_the_oracle(name: str) -> None:
    rows = compare(name, spots=6, steps=12)
    assert [broken for row in rows if (broken := comparing.broken(row))] == []
    assert rows


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(set(NOT_LOOKED_AT) - {"job_three_phases"}))
def test_a_scene_that_ships_against_a_thorough_oracle(name: str) -> None:
    rows = compare(name)
    assert [broken for row in rows if (broken := comparing.broken(row))] == []
    assert rows
