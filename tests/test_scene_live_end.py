"""An insulator insulates because it holds something live; one that holds nothing live is a conductor, and is told."""

from __future__ import annotations

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, box, checked, slab, stage

from clearance.gaps import EARTH
from clearance.scene.assemble import assemble
from clearance.scene.live_end import HOLDS_M

OFF = 0.005
TWO = {**CIRCUIT, "phases": ["A", "B"]}
TOP = 5.0
POST = {"name": "post", "from_m": [9, 0, 1], "to_m": [9, 0, TOP], "insulating_m": 2.6, "diameter_m": 0.2}
FAR = slab("bus B", bottom_m=40.0, potential="B")


def wire(z, potential="A", **others):
    at = {"potential": EARTH} if potential == EARTH else {"phase": potential}
    return {"kind": "span", "name": "wire", "from_m": [-20, 0, z], "to_m": [38, 0, z], "sag_m": 0.001, **at,
            "diameter_m": 0.03, "uncertainty_m": 0.5, **others}  # fmt: skip


def block(bottom, potential="A"):
    return box("block", [9, 0, bottom + 0.1], [0.2, 0.2, 0.2], potential)


def insulates(**parts):
    """Whether the post is no conductor, and the phase that it holds."""
    found = assemble(small.scene(**{"circuits": [TWO], "insulators": [POST], **parts}))
    (body,) = (body for body in found.bodies if body.name == "post")
    (string,) = found.strings
    if body.conductive:
        assert body.potential is None
        assert EARTH in dict(body.states).values()  # as a floating conductor, and as an earthed one
    return not body.conductive, string.phase


@pytest.mark.parametrize(("off", "held"), [(HOLDS_M - OFF, True), (HOLDS_M + OFF, False)])
def test_an_insulator_insulates_where_a_live_wire_or_solid_is_at_its_live_end(off, held):
    found = (True, "A") if held else (False, None)
    # The middle of a span, whose end is 29 m away: the surface counts, and how well it is known does not.
    assert insulates(wires=[wire(TOP + off + 0.015)]) == found
    assert insulates(solids=[block(TOP + off)]) == found
    assert insulates(solids=[block(TOP - off - 0.2)]) == found  # its head stands out above


def test_an_insulator_whose_head_is_inside_a_live_solid_holds_it():
    assert insulates(solids=[box("bar", [9, 0, TOP], [1, 1, 1], "A")]) == (True, "A")


def test_an_insulator_holds_the_wire_that_it_names():
    named = {**POST, "to_m": "wire @ 29"}
    assert insulates(wires=[wire(TOP)], insulators=[named]) == (True, "A")
    assert insulates(wires=[wire(TOP, EARTH)], insulators=[named]) == (False, None)


def test_what_is_earthed_or_floats_at_its_live_end_makes_no_insulator():
    assert insulates(solids=[block(TOP, EARTH)]) == (False, None)
    assert insulates(solids=[block(TOP, "floating")]) == (False, None)
    assert insulates(wires=[wire(TOP, EARTH)]) == (False, None)
    said = [{"kind": "circuit earthed", "circuit": "bay"}]
    assert insulates(solids=[block(TOP)], statements=said)[0] is False


def test_the_string_of_a_wire_that_is_not_live_is_a_conductor():
    string = {"kind": "strain", "length_m": 2.6, "insulating_m": 2.4, "diameter_m": 0.25}
    for potential, conducts in (("A", False), (EARTH, True)):
        found = assemble(small.scene(circuits=[TWO], wires=[wire(TOP, potential, from_string=string)]))
        (body,) = (body for body in found.bodies if body.name == "wire from string")
        assert body.conductive == conducts


@pytest.mark.parametrize("held", [True, False])
def test_a_post_beside_the_worker_is_no_air_where_it_holds_nothing(held):
    """A worker who is not bonded keeps from earth what he keeps from a phase: beside a conductor that is a breach."""
    post = {**POST, "from_m": [-0.9, 0, 0], "to_m": [-0.9, 0, 13.0], "insulating_m": 6.9}
    head = box("head", [-0.9, 0, 13.1], [0.2, 0.2, 0.2], "A" if held else EARTH)
    found = checked(0.01, circuits=[TWO], insulators=[post], solids=[head, slab("bus A", bottom_m=25.0), FAR],
                    ladder={**small.LADDER, "insulating_from_m": 0.4},
                    stages=[stage(climb_m=5.0)])  # fmt: skip
    near = [a for a in found.stages[0].approaches if a.to == EARTH and a.measure.verdict != "clear"]
    assert bool(near) != held


def test_an_insulator_that_holds_nothing_is_told_with_what_settles_it():
    parts = {"circuits": [TWO], "insulators": [POST], "stages": [stage(climb_m=1.0)]}
    (point,) = told(**parts, solids=[slab("bus A", bottom_m=25.0), FAR])
    assert "'bus A' is nearest, 20.00 m away" in point.what
    assert point.verdict == "undecided"
    # Both ways out: what it holds, or a solid of its size.
    assert told(**parts, solids=[block(TOP), slab("bus A", bottom_m=25.0), FAR]) == []
    pole = {"kind": "cylinder", "name": "post", "from_m": [9, 0, 1], "to_m": [9, 0, TOP], "radius_m": 0.1}
    assert told(**{**parts, "insulators": None}, solids=[{**pole, "potential": EARTH}, FAR]) == []
    # One that holds an earthed wire is whole, and no more than a conductor.
    said = told(**parts, wires=[wire(TOP, EARTH)], solids=[slab("bus A", bottom_m=25.0), FAR])
    assert not any("holds nothing" in point.what for point in said)


def told(**parts):
    return [point for point in checked(0.05, **parts).open_points if point.where == "insulator 'post'"]


def test_a_string_that_hangs_is_the_wires_own_where_there_is_weather():
    """As an insulator by itself it stands still while the wire swings."""
    hung = {**POST, "from_m": [-20, 0, 12.6], "to_m": [-20, 0, 10.0]}
    weather = {
        "air_C": [0, 30],
        "conductor_C": [0, 30],
        "wind_m_s": [0, 10],
        "gust_factor": 1.0,
        "ice_m": 0,
        "basis": "x",
    }
    known = {"conductor": "Drake", "diameter_m": 0.0281, "known": {"conductor_C": 20, "basis": "survey"}}
    known |= {"sag_m": 0.8}
    parts = {"circuits": [TWO], "solids": [FAR], "stages": [stage(climb_m=1.0)]}
    for post, air, told in ((hung, weather, True), (hung, None, False),
                            ({**hung, "from_m": [-20, 0, 7.4]}, weather, False)):  # fmt: skip
        wires = [wire(10.0, **(known if air else {}))]
        found = checked(0.05, **parts, wires=wires, insulators=[post], weather=air).open_points
        assert any("swings in no weather" in str(point) for point in found) == told
