"""What to measure first: how a margin changes with a step of each input, held to numbers worked out by hand and to the
difference of whole checks."""

from __future__ import annotations

import json
import math

import pytest
import small_scenes as small

from clearance import inputs
from clearance.bodies import crew, worker
from clearance.errors import InputError, Mistake
from clearance.pipeline import check, check_prepared, prepare
from clearance.scene.plausible_values import TABLE
from clearance.scene.records import Range
from clearance.sensitivity import governing_of, measure_first

FINE = 0.0005
"""[m] Tolerance of the checks here."""

CREW = {"name": "observer", "stature_m": 1.8, "suit_m": 0.02, "boots_m": 0.03, "helmet_m": 0.05, "at_m": [4.0, 0.0]}
EMPTY = small.stage(workers=[])
PLATE = small.slab("plate", bottom_m=6.0)

PER_UNIT_M = 0.3048 * 0.011 * small.HIGHEST_KV / math.sqrt(3)
"""[m per unit] The electrical part by 29 CFR 1910.269 Table R-3, tool in gap (C = 0.011), where the peak of T times the
voltage to earth is below 635 kV and the altitude is none: 0.3048 (C + a) V T A with a = 0 and A = 1."""


def measured(prepared, tolerance_m=FINE):
    """What the margins of a scene hang on."""
    result = check_prepared(prepared, tolerance_m, withdraw=False)
    return measure_first(prepared.site, prepared.stages, result)


def of_scene(**parts):
    return measured(prepare(small.scene(**parts)))


def only(found, check="posture", kind="tool", between=("A", "earth")):
    (one,) = [one for one in found if (one.check, one.kind, one.between) == (check, kind, between)]
    assert one.why == ""
    return one


def change(one, entry, field, part=""):
    """An influence's change of the margin [m] and its way; None and "" where it has none."""
    same = [i for i in one.influences if (i.entry, i.field, i.part) == (entry, field, part)]
    assert len(same) <= 1
    return (same[0].margin_change_m, same[0].to) if same else (0.0, "")


@pytest.fixture(scope="module")
def below():
    """An observer under a plate at phase A, one circuit: the gap is straight up from the helmet to the plate."""
    return only(of_scene(crew=[CREW], solids=[PLATE], stages=[EMPTY]))


RING = {"name": "ring", "from_m": 7.0, "to_m": 7.2, "radius_m": 0.05}
"""A metal part of the ladder, which floats: half the outer width of the ladder, less this radius, is its core's side."""

SIDE_M = (small.LADDER["width_m"] + small.LADDER["rail_diameter_m"]) / 2 - RING["radius_m"]


def ring_before(wall):
    """The way from phase A through the ring at the top of a ladder to the ground, 7 m below it."""
    found = of_scene(ladder={**small.LADDER, "fittings": [RING]}, solids=[wall], stages=[EMPTY], workers=[small.WORKER])
    return only(found, kind="object")


@pytest.fixture(scope="module")
def beside():
    """A wall at phase A before the ladder, or behind it."""
    return {side: ring_before(small.wall("wall", side * 4.0, "A", z=(3.0, 40.0))) for side in (1.0, -1.0)}


def overhead(stature_m):
    """How high a hand of the observer is held [m]."""
    shape = crew.person([0.0, 0.0, 0.0], worker.build(stature_m, None, None, CREW["suit_m"], CREW["boots_m"], CREW["helmet_m"]))
    return float((shape.vertices[:, :, 2].max(axis=1) + shape.radius + shape.uncertainty).max())


def by_hand():
    """Entry, field, part -> the change of the margin by hand [m] and the worse way."""
    return {
        ("solid 'plate'", "centre_m", "z"): (-0.01, "less"),  # 1 cm lower is 1 cm nearer
        ("solid 'plate'", "size_m", "third"): (-0.005, "more"),  # half of it is below its centre
        ("solid 'plate'", "uncertainty_m", ""): (-0.01, "more"),
        ("crew 'observer'", "boots_m", ""): (-0.01, "more"),
        ("crew 'observer'", "helmet_m", ""): (0.0, ""),  # a hand is held over the head
        ("crew 'observer'", "stature_m", ""): (-overhead(1.81) + overhead(1.80), "more"),
        ("ground", "height_m", ""): (-0.01, "more"),  # who stands on it comes up with it
        ("solid 'plate'", "centre_m", "x"): (0.0, ""),  # a plate goes on to all sides
        ("solid 'plate'", "heading_deg", ""): (0.0, ""),
        ("crew 'observer'", "at_m", "x"): (0.0, ""),
        ("circuit 'bay'", "overvoltage_per_unit", ""): (-PER_UNIT_M * 0.01 * small.PER_UNIT, "more"),
        # V and T stand in it as a product.
        ("circuit 'bay'", "highest_kV", ""): (-PER_UNIT_M * 0.01 * small.PER_UNIT, "more"),
    }


@pytest.mark.parametrize("what", by_hand())
def test_a_step_changes_the_margin_as_worked_out_by_hand(below, what):
    expected, way = by_hand()[what]
    found, to = change(below, *what)
    # 1e-5 m: the engine's bounds at a pose are 1e-6 m apart, and a limit is rounded to no less.
    assert found == pytest.approx(expected, abs=1e-5)
    assert to == way


def test_gap_and_limit_are_told_apart(below):
    of = {(i.entry, i.field): i for i in below.influences}
    height, voltage = of["ground", "height_m"], of["circuit 'bay'", "overvoltage_per_unit"]
    assert (height.limit_change_m, voltage.gap_change_m) == (0.0, 0.0)
    assert height.gap_change_m == pytest.approx(-0.01, abs=1e-5)
    assert voltage.limit_change_m == pytest.approx(PER_UNIT_M * 0.01 * small.PER_UNIT, abs=1e-5)


def test_what_takes_most_comes_first(below):
    found = [i.margin_change_m for i in below.influences]
    assert None not in found
    assert len(found) >= 8
    assert found == sorted(found)
    assert {i.field for i in below.influences[:2]} == {"stature_m", "suit_m"}  # a hand goes up by more than they do
    assert {i.field for i in below.influences[2:4]} == {"overvoltage_per_unit", "highest_kV"}  # 11.9 mm
    assert below.asked > len(found)  # those that change nothing were asked too


@pytest.mark.parametrize(("side", "way"), [(1.0, "more"), (-1.0, "less")])
def test_a_lean_by_a_degree_counts_by_height_and_sine(beside, side, way):
    # The top of the ring comes 7.2 sin 1 nearer to the wall, its lower end 7 (1 - cos 1) nearer to the ground.
    angle = math.radians(1.0)
    expected = -7.2 * math.sin(angle) - 7.0 * (1.0 - math.cos(angle))
    for entry, field in (("stage", "lean_along_deg"), ("ladder", "tilt_deg")):
        found, to = change(beside[side], entry, field)
        assert found == pytest.approx(expected, abs=1e-5)
        assert to == way


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_the_side_of_a_wall_decides_the_way(beside, side):
    found, to = change(beside[side], "solid 'wall'", "centre_m", "x")
    assert found == pytest.approx(-0.01, abs=1e-5)
    assert to == ("less" if side > 0 else "more")


def test_a_foot_that_settles_leans_the_ladder_to_the_worse_side():
    """No parameter of the pose before the step: either end of its range may be the worse."""
    for y in (4.0, -4.0):
        one = ring_before(small.box("wall", [0.0, y + math.copysign(0.1, y), 20.0], [40.0, 0.2, 34.0], "A"))
        found, to = change(one, "track", "settlement_m")
        angle = math.asin(0.01 / small.LADDER["width_m"])
        nearer = 7.2 * math.sin(angle) - SIDE_M * (1.0 - math.cos(angle))
        lower = 7.0 * (1.0 - math.cos(angle)) + SIDE_M * math.sin(angle)
        # Its middle goes down by no more than the settlement, and aside by w/2 (1 - cos): room that both gaps lose.
        room = 0.01 + 0.5 * small.LADDER["width_m"] * (1.0 - math.cos(angle))
        assert found == pytest.approx(-nearer - lower - 2 * room, abs=1e-5)
        assert to == "more"


def test_what_can_be_changed_one_way_only_says_so(beside):
    (bending,) = [i for i in beside[1.0].influences if i.field == "bending_m"]
    assert bending.to == "more"
    assert bending.margin_change_m == pytest.approx(-0.02, abs=1e-5)  # the ring passes both gaps
    assert bending.refused.startswith("less: ")
    assert "bending_m: expected a number of at least 0, found -0.01" in bending.refused
    (wall,) = [i for i in beside[1.0].influences if (i.field, i.part) == ("centre_m", "x")]
    assert wall.refused == ""


def test_what_cannot_be_changed_is_told_and_not_dropped(monkeypatch):
    stepped = inputs.stepped

    def refuses(scene, one, times):
        if one.field == "boots_m":
            raise InputError(Mistake(("boots",), "this", "that"))
        return stepped(scene, one, times)

    monkeypatch.setattr(inputs, "stepped", refuses)
    one = only(of_scene(crew=[CREW], solids=[PLATE], stages=[EMPTY]))
    assert one.influences[-1].field == "boots_m"
    assert one.influences[-1].margin_change_m is None
    told = "boots: expected this, found that."
    assert one.influences[-1].refused == f"more: {told}; less: {told}"


WIRES = [
    {"name": "bus", "kind": "span", "phase": "A", "from_m": [-15.0, 1.0, 8.0], "to_m": [15.0, 1.0, 8.4],
     "diameter_m": 0.03, "sag_m": 0.6, "weight_N_m": 15.0},
    {"name": "dropper", "kind": "jumper", "phase": "A", "from_m": "bus @ 15.5", "to_m": [2.0, 3.0, 6.5],
     "diameter_m": 0.03, "length_m": 4.5, "weight_N_m": 15.0},
    {"name": "bus B", "kind": "span", "phase": "B", "from_m": [-15.0, 9.0, 8.0], "to_m": [15.0, 9.0, 8.0],
     "diameter_m": 0.03, "sag_m": 0.6, "weight_N_m": 15.0},
]  # fmt: skip


@pytest.fixture(scope="module")
def wired():
    """A worker under wires, over ranges of travel and lean."""
    stage = small.stage(travel_m=[4.9, 5.1], lean_across_deg=[-1.0, 1.0], climb_m=[2.0, 2.4])
    parts = {"wires": WIRES, "stages": [stage], "circuits": [{**small.CIRCUIT, "phases": ["A", "B"]}]}
    return prepare(small.scene(**parts))


def test_a_step_agrees_with_two_whole_checks(wired):
    """At a pose or swept again over everything: a worst pose that moves with a step changes the gap in second order."""
    scene = wired.site.scene
    result = check_prepared(wired, FINE, withdraw=False)
    found = measure_first(wired.site, wired.stages, result)
    assert found
    stage = scene.stages[0]
    every = list(inputs.inputs(scene, stage, inputs.about(scene, ["bus", "dropper", "worker", "ground"])))
    for field, part in (("length_m", ""), ("to_m", "z"), ("lean_across_deg", ""), ("stature_m", ""), ("sag_m", ""), ("overvoltage_per_unit", "")):
        for one in (one for one in every if (one.field, one.part) == (field, part)):
            if one.entry == "ladder":
                continue  # a longer ladder has another insulating part: refused one way
            swept = {}
            for to, times in (("more", 1.0), ("less", -1.0)):
                # Its stages stand as they stand in the job: what is checked again is the whole of it.
                swept[to] = check(inputs.stepped(scene, one, times), FINE, withdraw=False).stages[0]
            for told in found:
                before, after = (_measure(s, told) for s in (result.stages[0], swept_way(swept, told, one)))
                influence = [i for i in told.influences if (i.entry, i.field, i.part) == (one.entry, field, part)]
                expected = after - before
                told_m = influence[0].margin_change_m if influence else 0.0
                # Each check is off by up to its tolerance; 1 mm for what the worst pose moves.
                assert told_m == pytest.approx(expected, abs=2 * FINE + 1e-3), (told, one)


def swept_way(swept, told, one):
    """The swept stage on the way that is the worse."""
    return min(swept.values(), key=lambda stage: _measure(stage, told))


def _measure(stage, told):
    (gap,) = [g for g in stage.gaps if (g.between, g.kind) == (told.between, told.kind)]
    measure = gap.posture if told.check == "posture" else gap.reach
    return measure.gap_upper_m - measure.required_m
