"""What hangs on a wire is given by reference: by coordinates neither its weight nor its way with it is reckoned."""

from __future__ import annotations

import math

import pytest
from small_scenes import box, scene, stage, tail_rope
from test_scene_loads import DRAKE, KNOWN, STRAIN, WEATHER
from test_site_check import SPAN, supports

from clearance.pipeline import prepare
from clearance.scene.assemble import place
from clearance.scene.records import Reference

OFF = 0.01
BEAMS = [box(f"beam {x}", [x, 8, 12.6], [0.5, 4, 0.5]) for x in (-10, 50)]
BUS = {**SPAN, "name": "bus", "from_m": [-10, 8, 12], "to_m": [50, 8, 12], "sag_m": 1.2}
"""Level: 1.2 m lower at its middle, x = 20, where it runs along x; a quarter of the way 0.9 m (parabola)."""
POST = {"name": "foot", "from_m": [20, 9, 0.5], "to_m": [20, 9, 3.0], "insulating_m": 2.3, "diameter_m": 0.2}
SPUR = {"kind": "jumper", "name": "spur", "phase": "A", "to_m": [20, 9, 3.0], "length_m": 9.0, "diameter_m": 0.028,
        "weight_N_m": 16.0, "uncertainty_m": 0.02}  # fmt: skip


def told(wires, **others):
    """What lies on a wire, by whose place it is, and the cure."""
    found = supports(wires=wires, **{"solids": BEAMS, "insulators": [POST], **others})
    return [(p.where, p.cure) for p in found if "is given by coordinates" in p.what]


def spur_at(z, x=20.0):
    """The bus, and a spur from a place beneath it to the post, half a metre longer than straight."""
    return [BUS, {**SPUR, "from_m": [x, 8, z], "length_m": math.dist([x, 8, z], SPUR["to_m"]) + 0.5}]


def open_ends(wires, **others):
    found = supports(wires=wires, **{"solids": BEAMS, "insulators": [POST], **others})
    return [p.where for p in found if "spur" in p.where and p.verdict != "clear"]


def test_an_end_on_a_wire_is_undecided_and_settled_by_the_reference_it_names():
    (found,) = told(spur_at(10.8))
    assert found == ("wire 'spur'", 'give it by reference: from_m = "bus @ 30.00"')
    assert open_ends([BUS, {**SPUR, "from_m": "bus @ 30.00"}]) == []
    # Its other end is given by coordinates too, and rests on a post.
    assert told([BUS, {**SPUR, "from_m": "bus @ 30.00"}]) == []


@pytest.mark.parametrize("free", ["from", "to"])
def test_so_is_either_end_and_no_word_takes_it_away(free):
    other = "to" if free == "from" else "from"
    wires = [BUS, {**SPUR, f"{free}_m": [20, 8, 10.8], f"{other}_m": [20, 9, 3.0]}]
    said = {"kind": "confirmed", "entry": "wire 'spur'", "field": f"{free}_m", "value": [20, 8, 10.8]}
    said["doubt"] = "hangs on nothing"
    (found,) = told(wires, statements=[said])
    assert found == ("wire 'spur'", f'give it by reference: {free}_m = "bus @ 30.00"')


def test_an_end_that_something_else_holds_is_on_a_wire_within_a_clamp_and_any_other_within_a_metre():
    """The bus sags to 10.8 m. A beam beside it that is at its phase holds nothing; one at earth does."""
    for held in (False, True):
        near = [box("holder", [20, 8.6, 10.0], [0.2, 0.2, 0.2], "earth")] if held else []
        for below_m, on in ((0.25 - OFF, True), (0.25 + OFF, not held), (1.0 - OFF, not held), (1.0 + OFF, False)):
            wires = spur_at(10.8 - below_m)
            assert bool(told(wires, solids=[*BEAMS, *near])) == on, (held, below_m)
            assert bool(open_ends(wires, solids=[*BEAMS, *near])) == on


def test_where_a_wire_ends_at_a_fixed_place_what_ends_there_is_held_by_the_same_and_a_string_moves():
    held = spur_at(12.0, x=-10.0)
    assert told(held) == []
    assert told(spur_at(11.98, x=-9.5)) != []
    strung = {**BUS, "from_string": STRAIN, "weight_N_m": 16.0}
    assert told([strung, held[1]]) == []  # at the attachment
    reference = Reference("bus", end="start")
    site = prepare(scene(wires=[strung], solids=BEAMS)).site
    end = [float(v) for v in place(site, site.scene.wires[0], reference)]
    assert told([strung, {**SPUR, "from_m": end, "length_m": 29.5}]) == [
        ("wire 'spur'", 'give it by reference: from_m = "bus start"')
    ]


def test_wires_of_another_phase_and_what_hangs_on_the_wire_itself_hold_no_end():
    assert told([{**BUS, "phase": "B"}, *spur_at(10.8)[1:]]) == []
    assert told([{**BUS, "phase": None, "potential": "earth"}, *spur_at(10.8)[1:]]) == []
    carried = {**SPUR, "name": "carried", "from_m": "bus start", "to_m": [-8, 9, 8.0], "length_m": 5.0}
    assert told([BUS, carried]) == []


def test_in_the_weather_an_end_lies_wherever_the_wire_may_be():
    """A bus that the wind swings by over a metre reaches an end 1.5 m below it, which by itself hangs on nothing."""
    windy = {**BUS, **DRAKE, **KNOWN}
    for below_m, on in ((1.5, True), (4.5, False)):
        wires = [windy, *spur_at(10.8 - below_m)[1:]]
        assert bool(told(wires, weather=WEATHER)) == on
        assert told([BUS, *wires[1:]]) == []


def line(at):
    return {"ropes": [{"name": "line", "from": at, "to_m": [24, 8, 0], "diameter_m": 0.02}]}


def string(at):
    return {"insulators": [POST, {**POST, "name": "string", "from_m": [20, 8, 14.0], "to_m": at}]}


def pulley(at):
    lowering = tail_rope([26, 8, 0], "lowering", over_m=at, hangs_from="beam -10")
    release = {"free_end": "from", "lowered_to_m": [24, 8, 4.0], "ropes": [lowering]}
    return {"wires": [BUS, {**SPUR, "from_m": "bus @ 20", "length_m": 14.0, "release": release}]}


def clamp(at):
    return {"stages": [stage(bonded={"worker": "A"}, bonding_lead_m=30.0, clamp_m=at)]}


@pytest.mark.parametrize(
    ("field", "made"),
    [("from", line), ("to_m", string), ("ropes 'lowering': over_m", pulley), ("clamp_m", clamp)],
)
def test_ropes_strings_pulleys_and_clamps_on_a_wire_are_named_too(field, made):
    settled = f'give it by reference: {field} = "bus @ 30.00"'
    at, beside = [20, 8, 10.8], [20, 8, 10.8 - 0.25 - OFF]
    assert [cure for _, cure in told(**{"wires": [BUS], **made(at)})] == [settled]
    assert told(**{"wires": [BUS], **made(beside)}) == []
    assert told(**{"wires": [BUS], **made("bus @ 30.00")}) == []


def trap(uncertainty_m, loads=(), z=10.65, weather=WEATHER):
    """What is told of a line trap at the middle of a bus."""
    made = box("trap", [20, 8, z], [0.5, 0.3, 0.3], "A", uncertainty_m=uncertainty_m)
    bus = {**BUS, **DRAKE, **KNOWN, "loads": list(loads)} if weather else BUS
    found = supports(wires=[bus], solids=[*BEAMS, made], **({"weather": weather} if weather else {}))
    return [p for p in found if p.where == "solid 'trap'"]


def test_a_solid_on_a_wire_that_the_weather_moves_is_told():
    (found,) = trap(0.02)
    assert "fixed to wire 'bus' at 30." in found.what
    assert 'what = "trap", at_m = 30.' in found.cure
    assert trap(0.02, z=10.8 - 0.15 - 0.014 - 0.05 - OFF) == []
    assert trap(0.02, weather=None) == []


@pytest.mark.slow
def test_its_cure_is_how_far_the_wire_moves_and_its_weight_and_neither_alone():
    load = {"what": "trap", "at_m": 30.0, "weight_kN": 0.2, "when_stated": "on", "basis": "plate"}
    (found,) = trap(0.02, [load])
    least = float(found.cure.split("at least ")[1].split()[0].rstrip(";"))
    assert 0.3 < least < 3.0
    assert trap(least, [load]) == []
    assert len(trap(least - 0.02, [load])) == 1
    assert len(trap(least)) == 1
