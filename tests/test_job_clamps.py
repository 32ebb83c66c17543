"""A bond holds where its clamp sits on a conductor of its phase: in the air, and on anything else, nobody is bonded."""

from __future__ import annotations

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, box, never_at, slab, stage

from clearance.job import clamps, staging
from clearance.pipeline import prepare
from clearance.result import OpenPoint

TWO = {**CIRCUIT, "phases": ["A", "B"]}
HAND = 0.1
"""[m] A hand's breadth (common practice, no source)."""
OFF = 0.001
SURFACE = 5.5
"""[m] Underside of the bus; the belt of a worker at 3 m is 4.053 m up."""
BUS, FAR = slab("bus A", bottom_m=SURFACE, size=(4.0, 4.0)), slab("bus B", bottom_m=30.0, potential="B")
PLAIN = {"nominal_kV": 220, "highest_kV": 245.0, "highest_basis": "IEC 60038"}


def told(clamp=(1, 0, SURFACE), phase="A", number=-1, stages=None, **parts) -> tuple[OpenPoint, ...]:
    """What is said of the bond of the last stage."""
    bond = {"kind": "work", "bonded": {"worker": phase}, "bonding_lead_m": 9.0, "clamp_m": clamp}
    made = [stage(**{**bond, **one}) for one in stages or ({},)]
    prepared = prepare(small.scene(**{"circuits": [TWO], "solids": [BUS, FAR], "stages": made, **parts}))
    site = prepared.site
    settings = staging.settings_of(site, site.scene.stages[number])
    return tuple(clamps.loose(site, site.scene.stages[number], [s for s in settings if s.check == "posture"]))


def wire(name="span A", phase="A", **others):
    return {
        "kind": "span", "name": name, "phase": phase, "from_m": [-5, 1, 6], "to_m": [5, 1, 6], "sag_m": 0.05,
        "diameter_m": 0.03, **others,
    }  # fmt: skip


def test_a_clamp_is_within_a_hand_of_a_conductor_of_its_phase_as_far_as_that_is_known():
    assert told((1, 0, SURFACE)) == ()
    assert told((1, 0, SURFACE - HAND + OFF)) == ()
    (point,) = told((1, 0, SURFACE - HAND - OFF))
    assert point.what == (
        "the bond of 'worker' to phase A holds on nothing: its clamp is in the air, 0.10 m from the nearest that is at "
        "the phase, 'bus A'"
    )
    assert 'clamp_m = "bus A @ 12.5"' in point.cure
    for known, count in ((HAND - 0.05 - OFF, 0), (HAND - 0.05 + OFF, 1)):
        solids = [{**BUS, "uncertainty_m": known}, FAR]
        assert len(told((1, 0, SURFACE - 0.05), solids=solids)) == count


def test_a_bond_in_the_air_keeps_a_stage_from_being_clear():
    short = {**small.LADDER, "length_m": 3.5, "insulating_to_m": 3.5}
    bond = {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 0.9, "clamp_m": [0, 0, 4.9]}
    for bottom, verdict in ((4.95, "clear"), (5.05, "undecided")):
        near = slab("bus A", bottom_m=bottom, size=(4.0, 4.0))
        found = small.only(circuits=[TWO], ladder=short, solids=[near, FAR], stages=[stage(**bond, posture="reaching")])
        assert found.verdict == verdict
        assert [p.verdict for p in found.open_points] == ["undecided"] * (verdict == "undecided")


@pytest.mark.parametrize(
    ("potential", "statements", "words"),
    [
        ("earth", (), "is at earth"),
        ("B", (), "is at B"),
        ("floating", (), "may be otherwise: it floats or is at earth"),
        ("floating", (never_at("stub", "earth"),), "floats"),
    ],
)
def test_a_clamp_on_what_is_at_another_potential_bonds_nobody(potential, statements, words):
    stub = box("stub", [0, 0, 3.5], [0.2, 0.2, 0.2], potential)
    (point,) = told((0, 0, 3.4), solids=[BUS, FAR, stub], statements=statements)
    assert point.what.endswith(f"its clamp is at 'stub', which {words}")
    assert told((0, 0, 3.4), solids=[BUS, FAR, {**stub, "potential": "A"}]) == ()


def test_a_clamp_on_a_dead_circuit_that_is_not_earthed_bonds_nobody_to_it():
    dead = {**PLAIN, "name": "dead", "phases": ["D", "E"], "state": "dead, not earthed"}
    solids = [
        BUS,
        FAR,
        slab("bus D", bottom_m=4.2, potential="D", size=(4, 4)),
        slab("bus E", bottom_m=50.0, potential="E"),
    ]
    (point,) = told((0, 0, 4.2), phase="D", circuits=[TWO, dead], solids=solids)
    assert point.what.endswith("'bus D', which may be otherwise: it is at D or is at earth")
    settled = [never_at("bus D", "earth")]
    assert told((0, 0, 4.2), phase="D", circuits=[TWO, dead], solids=solids, statements=settled) == ()


def test_a_clamp_on_an_insulator_bonds_nobody():
    post = {"name": "post", "from_m": [0, 1, 3.0], "to_m": [0, 1, 6.0], "insulating_m": 2.8, "diameter_m": 0.2}
    held = box("head", [0, 1, 6.1], [0.2, 0.2, 0.2], "A")
    (point,) = told((0, 1, 4.5), insulators=[post], solids=[BUS, FAR, held])
    assert point.what.endswith("its clamp is at 'post', which insulates")
    # One that holds nothing live is a conductor at nobody knows what.
    (point,) = told((0, 1, 4.5), insulators=[post])
    assert point.what.endswith("its clamp is at 'post', which may be otherwise: it floats or is at earth")


def test_a_clamp_on_a_wire_that_is_named_goes_with_it_and_one_at_a_point_of_it_does_not():
    """The wire may move 0.3 m in the last stage; before, it hangs where the scene has it."""
    moved = {"disturbed": [{"wire": "span A", "movement_m": 0.3, "basis": "estimate"}]}
    parts = {"wires": [wire()], "solids": [FAR], "stages": [{"name": "before"}, {"name": "after", **moved}]}
    point = (0, 1, 5.95)
    assert told(point, number=0, **parts) == ()
    (found,) = told(point, **parts)
    assert "'span A', which may be 0.30 m from where it is modelled; a clamp at a point does not go" in found.what
    for number in (0, 1):
        assert told("span A @ 5", number=number, **parts) == ()


def test_on_a_wire_that_is_not_known_to_a_hand_a_clamp_names_it():
    for known, count in ((HAND - 0.03, 0), (HAND + OFF, 1)):
        parts = {"wires": [wire(uncertainty_m=known)], "solids": [FAR]}
        found = told((0, 1, 5.93), **parts)
        assert [f"may be {known:.2f} m from where it is modelled" in point.what for point in found] == [True] * count
        assert told("span A @ 5", **parts) == ()


def test_a_clamp_on_a_wire_that_may_be_otherwise_in_a_stage_or_is_absent_bonds_nobody():
    parts = {"wires": [wire()], "solids": [BUS, FAR]}
    (found,) = told("span A @ 5", stages=[{"potentials": {"span A": "floating"}}], **parts)
    assert "'span A' may be otherwise: it floats or is at A" in found.what
    gone = [{"kind": "absent", "bodies": ["span A"]}]
    (found,) = told("span A @ 5", statements=gone, **parts)
    assert found.what.endswith("'span A' is stated as absent")
    assert told("span A @ 5", **parts) == ()


def test_a_point_of_a_wire_that_a_load_pulls_down_is_no_place_for_a_clamp():
    """A man of 100 kg at the middle of 10 m at 6 kN pulls it down by 0.4 m."""
    man = {"what": "man", "at_m": 5.0, "weight_kg": 100.0, "basis": "weighed"}
    strung = wire(conductor="Drake", weight_N_m=15.97, diameter_m=0.0281, sag_m=None, horizontal_tension_kN=6.0)
    slow = [{"kind": "slowly", "wire": "span A"}]
    parts = {"wires": [strung], "solids": [FAR], "statements": slow}
    for load, words in (({"puts_on": [man]}, "'span A', which moves away from it in this stage"), (None, "")):
        stages = [{"disturbed": [{"wire": "span A", **load}]} if load else {}]
        assert [words in point.what for point in told((-3, 1, 5.97), stages=stages, **parts)] == [True] * bool(load)
        assert told("span A @ 2", stages=stages, **parts) == ()
