"""Heights that do not fit one another are asked about: feet read as metres on one end, or of one phase. On level ground
at height 0 the heights over it are those written; a foot is 0.3048 m."""

from __future__ import annotations

import pytest
from small_scenes import CIRCUIT, SAID, box
from test_site_check import supports

FT = 1 / 0.3048
STEEP = {
    "kind": "plane",
    "through_m": [0, 0, 0],
    "slope_deg": 40,
    "uphill_deg": 0,
    "uncertainty_m": 0.0,
    "extent_m": 90,
}
DOUBLE = [CIRCUIT, {**CIRCUIT, "name": "other", "phases": ["A2", "B2", "C2"]}]


def span(phase, from_z, to_z, y=0.0, half=40.0, **others):
    return {"kind": "span", "name": f"bus {phase}", "phase": phase, "from_m": [-half, y, from_z],
            "to_m": [half, y, to_z], "sag_m": 1.0, "diameter_m": 0.028, "uncertainty_m": 0.05, **others}  # fmt: skip


def three(*heights):
    return [span(phase, z, z, 5.0 * k) for k, (phase, z) in enumerate(zip("ABC", heights, strict=True))]


def told(**parts):
    return [p.where for p in supports(**parts) if "heights that go together" in p.what]


@pytest.mark.parametrize(
    ("from_z", "to_z", "asked"),
    [(9, 9 * FT, True), (9 * FT, 9, True), (9, 22.6, True), (9, 22.4, False), (9, 9, False)],
)
def test_one_end_of_a_span_far_higher_than_the_other_is_asked_about(from_z, to_z, asked):
    field, at = ("to_m", [40, 0, to_z]) if to_z > from_z else ("from_m", [-40, 0, from_z])
    wires = [span("A", from_z, to_z)]
    (point,) = [p for p in supports(wires=wires) if "heights" in p.what] if asked else [None]
    assert told(wires=wires) == ["wire 'bus A'"] * asked
    if point is not None:
        assert (point.verdict, f"its end at {field}" in point.what) == ("undecided", True)
        said = {**SAID, "kind": "confirmed", "entry": "wire 'bus A'", "field": field, "value": at, "doubt": "too high"}
        assert told(wires=wires, statements=[said]) == []
        moved = {**said, "value": [*at[:2], at[2] + 1.0]}
        assert told(wires=wires, statements=[moved]) == ["wire 'bus A'"]
        assert told(wires=wires, statements=[{**said, "doubt": "hangs on nothing"}]) == ["wire 'bus A'"]


def test_an_end_that_a_structure_holds_is_not_asked_about():
    """A span from a terminal tower down to the gantry of a substation."""
    wires = [span("A", 9, 30)]
    assert told(wires=wires) == ["wire 'bus A'"]
    assert told(wires=wires, solids=[box("tower", [40, 0, 15.2], [1, 1, 30])]) == []


def test_droppers_are_not_asked_about():
    dropper = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": "bus A @ 30", "to_m": [-9, 0, 2],
               "length_m": 8, "diameter_m": 0.028, "uncertainty_m": 0.05}  # fmt: skip
    assert told(wires=[span("A", 10, 10), dropper]) == []


def test_on_steep_ground_heights_are_those_over_the_ground():
    """40 degrees: over 80 m the ground rises by 67 m. So does the line, and both its ends are 12 m over it."""
    rise = 40 * 0.8390996  # tan 40 deg
    both = [span("A", 12 - rise, 12 + rise), span("B", 12 - rise, 12 + rise, 5.0)]
    assert told(wires=both, ground=STEEP) == []
    assert told(wires=[both[0], span("B", 12 - rise, 40 + rise, 5.0)], ground=STEEP) == ["wire 'bus B'"]
    # Beyond the ground that is modelled it goes on as it is.
    assert told(wires=both, ground={**STEEP, "extent_m": 20}) == []


@pytest.mark.parametrize("feet", ["A", "B", "AB", "BC"])
def test_a_phase_far_higher_than_its_fellows_is_asked_about(feet):
    heights = [11 * FT if phase in feet else 11 for phase in "ABC"]
    assert told(wires=three(*heights)) == [f"wire 'bus {phase}'" for phase in feet]
    said = [
        {**SAID, "kind": "confirmed", "entry": f"wire 'bus {phase}'", "field": "from_m", "doubt": "too high",
         "value": [-40, 5.0 * k, 11 * FT]}
        for k, phase in enumerate("ABC") if phase in feet
    ]  # fmt: skip
    assert told(wires=three(*heights), statements=said) == []


@pytest.mark.parametrize(("high", "asked"), [(27.4, 0), (27.6, 1)])
def test_how_much_higher_a_phase_is_asked_about(high, asked):
    assert len(told(wires=three(11, 11, high))) == asked


def test_phases_one_above_the_other_and_buses_on_two_levels_are_not_asked_about():
    tower = [
        span(phase + two, 12 + 6 * k, 12 + 6 * k, y) for two, y in (("", 0), ("2", 7)) for k, phase in enumerate("ABC")
    ]
    assert told(wires=tower, circuits=DOUBLE) == []
    # The highest is 2.6 times as high as the lowest, and the middle one between them.
    assert told(wires=three(8, 14, 21)) == []
    assert told(wires=three(8, 8.3, 21)) == ["wire 'bus C'"]
    lower, upper = three(6, 6, 6), [{**one, "name": f"upper {one['name']}"} for one in three(18, 18, 18)]
    assert told(wires=[*lower, *upper]) == []
    # A single upper bus of a phase that is at the lower level too: a transfer bus.
    assert told(wires=[*lower, upper[0]]) == []
    assert told(wires=[*lower[1:], upper[0]]) == ["wire 'upper bus A'"]


def test_a_rigid_bus_is_held_to_its_fellows_and_a_post_is_not():
    tubes = [{"kind": "cylinder", "name": f"tube {phase}", "potential": phase, "radius_m": 0.06,
              "from_m": [-9, 4.0 * k, z], "to_m": [9, 4.0 * k, z]}
             for k, (phase, z) in enumerate((("A", 7), ("B", 7 * FT)))]  # fmt: skip
    post = {
        "kind": "cylinder",
        "name": "post",
        "potential": "A",
        "radius_m": 0.1,
        "from_m": [9, 0, 20],
        "to_m": [9, 0, 25],
    }
    assert told(solids=[*tubes, post]) == ["solid 'tube B'"]
    bars = [
        box(f"bar {phase}", [0, 4.0 * k, z], [18, 0.1, 0.1], phase)
        for k, (phase, z) in enumerate((("A", 7 * FT), ("B", 7)))
    ]
    assert told(solids=bars) == ["solid 'bar A'"]
