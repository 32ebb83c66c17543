"""What to measure first: how a margin changes with a step of each input, held to numbers worked out by hand and to the
difference of whole checks."""

from __future__ import annotations

import html
import json
import math
import re
from dataclasses import replace
from functools import cache

import pytest
import small_scenes as small
from typer.testing import CliRunner

from clearance import inputs, sensitivity
from clearance.cli import app
from clearance.errors import InputError, Mistake
from clearance.pipeline import check, check_prepared, prepare
from clearance.report.findings import leading
from clearance.report.measure_first import not_asked, rows
from clearance.result import Governing, Influence, Result
from clearance.scene.plausible_values import TABLE
from clearance.scene.records import Range
from clearance.sensitivity import governing_of, measure_first

FINE = 0.0005
"""[m] Tolerance of the checks here."""

FINEST = 0.0001
"""[m] Where whole checks are compared."""

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
"""A metal part of the ladder, which floats. Its core reaches to half the ladder's outer width, less this radius."""

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
    """How high the observer reaches [m]: a hand is held over the head."""
    scene = small.scene(crew=[{**CREW, "stature_m": stature_m}], solids=[PLATE], stages=[EMPTY])
    (shape,) = [body.shape for body in prepare(scene).stages[0][0].bodies if body.name == "observer"]
    return float((shape.vertices[:, :, 2].max(axis=1) + shape.radius + shape.uncertainty).max())


@cache
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
    first = [i.field for i in below.influences]
    # 13 mm, as a hand goes up by more than the body grows; 11.9 mm; 10 mm.
    assert first.index("stature_m") < first.index("overvoltage_per_unit") < first.index("height_m")
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

    def refuses(scene, one, times, numbers):
        if one.field == "boots_m":
            raise InputError(Mistake(("boots",), "this", "that"))
        return stepped(scene, one, times, numbers)

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


@pytest.fixture(scope="module")
def told(wired):
    """What a check found of it, and what its margins hang on."""
    result = check_prepared(wired, FINEST, withdraw=False)
    return result, measure_first(wired.site, wired.stages, result)


@pytest.mark.parametrize(
    ("entry", "field", "part"),
    [
        ("wire 'dropper'", "length_m", ""), ("wire 'dropper'", "to_m", "z"), ("wire 'bus'", "sag_m", ""),
        ("stage", "lean_across_deg", ""), ("worker", "stature_m", ""), ("circuit 'bay'", "overvoltage_per_unit", ""),
    ],
)  # fmt: skip
def test_a_step_agrees_with_two_whole_checks(wired, told, entry, field, part):
    """At a pose or swept again over everything: a worst pose that moves with a step changes the gap in second order."""
    scene = wired.site.scene
    result, found = told
    every = inputs.inputs(scene, scene.stages[0], inputs.about(scene, ["bus", "dropper", "worker"]))
    (one,) = [i for i in every if (i.entry, i.field, i.part) == (entry, field, part)]
    swept = [check(inputs.stepped(scene, one, times), FINEST, withdraw=False).stages[0] for times in (1.0, -1.0)]
    compared = []
    for governing in found:
        before = _margin_m(result.stages[0], governing)
        expected = min(_margin_m(stage, governing) for stage in swept) - before
        found_m, _ = change(governing, entry, field, part)
        # Each check is off by up to its tolerance; 0.2 mm for what the worst pose moves.
        assert found_m == pytest.approx(expected, abs=2 * FINEST + 2e-4), governing
        compared.append(expected)
    assert min(compared) < -0.002  # there was something to compare


def _margin_m(stage, governing):
    (gap,) = [g for g in stage.gaps if (g.between, g.kind) == (governing.between, governing.kind)]
    measure = gap.posture if governing.check == "posture" else gap.reach
    return measure.gap_upper_m - measure.required_m


def test_the_least_of_each_stage_and_the_ten_least_of_the_job_govern_each_chain_once(monkeypatch):
    truck = {"name": "truck", "centre_m": [10.0, 0.0, 1.75], "size_m": [4.0, 2.0, 3.5]}
    stages = [
        small.stage(name="climb", kind="climb", climb_m=1),
        small.stage(name="bring", kind="bring", bodies=["truck"], workers=[], anew=True),
        small.stage(name="stay", workers=[], anew=True),
    ]
    prepared = prepare(small.scene(crew=[CREW], solids=[PLATE], vehicles=[truck], stages=stages))
    result = check_prepared(prepared, FINE, withdraw=False)
    found = [(number, one) for number, one, _ in governing_of(result)]
    chains = [(one.between, one.kind, one.check, one.ends, one.through) for _, one in found]
    assert len(chains) == len(set(chains)) > 3
    margins = [one.margin_m for _, one in found]
    assert margins == sorted(margins)
    # The truck is there from the second stage on, and higher than the observer's hand.
    monkeypatch.setattr(sensitivity, "LEAST", 1)
    first, second = [one for _, one, _ in governing_of(result)]
    assert (first.ends, first.stage) == (("plate", "truck"), "bring")
    assert second.stage == "climb"
    assert second.margin_m == min(m.margin_lower_m for g in result.stages[0].gaps for m in (g.posture, g.reach) if m)


def test_what_a_body_hangs_on_is_asked_and_what_has_nothing_to_do_with_it_is_not(wired):
    scene = wired.site.scene
    of_dropper = inputs.about(scene, ["dropper"])
    assert {"wire 'dropper'", "wire 'bus'", "circuit 'bay'", "ladder", "track", "ground"} <= of_dropper
    assert "wire 'bus B'" not in of_dropper
    # What hangs on a wire pulls at it.
    assert "wire 'dropper'" in inputs.about(scene, ["bus"])
    assert "worker" in inputs.about(scene, ["worker bonding lead"])
    # A body of no entry that is known by its name has them all.
    assert {"wire 'bus B'", "wire 'bus'", "worker"} <= inputs.about(scene, ["what nobody named"])


def test_a_point_has_three_inputs_a_range_two_and_a_tolerance_one(wired):
    scene = wired.site.scene
    stage = scene.stages[0]
    found = list(inputs.inputs(scene, stage, inputs.about(scene, ["dropper"])))
    assert len(found) == len(set(found))
    of = {(one.entry, one.field, one.part): one for one in found}
    assert [of["wire 'dropper'", "to_m", axis].value for axis in "xyz"] == [2.0, 3.0, 6.5]
    assert of["wire 'dropper'", "from_m", ""].value == 15.5  # along the bus
    assert of["stage", "lean_across_deg", ""].per == "1°"
    assert of["stage", "travel_m", ""].per == "1 cm"
    assert of["circuit 'bay'", "highest_kV", ""].step == pytest.approx(2.45)
    # Chosen, named, or nothing that a per cent can be of.
    assert not {"climb_m", "nominal_kV", "frequency_Hz", "altitude_m", "extent_m"} & {one.field for one in found}


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_scene_a_step_off_differs_in_that_number_alone(wired, way):
    scene = wired.site.scene
    (one,) = [
        i for i in inputs.inputs(scene, scene.stages[0], {"wire 'dropper'"}) if (i.field, i.part) == ("to_m", "y")
    ]
    moved = inputs.stepped(scene, one, way)
    assert moved.wires[1].to_m == pytest.approx((2.0, 3.0 + way * 0.01, 6.5))
    assert moved.changed_entry("wires", "dropper", to_m=(2.0, 3.0, 6.5)).wires == scene.wires
    (lean,) = [i for i in inputs.inputs(scene, scene.stages[0], ()) if i.field == "lean_across_deg"]
    span = inputs.stepped(scene, lean, way).stages[0].lean_across_deg
    assert span == (Range(-1.0, 2.0) if way > 0 else Range(-2.0, 1.0))


def test_every_number_of_the_format_is_an_input_or_says_why_not():
    assert set(inputs.NOT_MEASURED) <= set(TABLE)
    assert all(inputs.NOT_MEASURED.values())


def test_a_confirmed_value_can_be_a_step_off():
    """A confirmation of what it was takes away no gap."""
    said = {"kind": "confirmed", "entry": "solid 'plate'", "field": "centre_m", "value": [0.0, 0.0, 6.1]}
    one = only(
        of_scene(
            crew=[CREW],
            solids=[PLATE],
            stages=[EMPTY],
            statements=[{"kind": "none", "what": ["weather", "tools"]}, said],
        )
    )
    assert change(one, "solid 'plate'", "centre_m", "z")[0] == pytest.approx(-0.01, abs=1e-5)


def test_the_json_has_it_where_it_was_asked_for(below):
    prepared = prepare(small.scene(crew=[CREW], solids=[PLATE], stages=[EMPTY]))
    result = check_prepared(prepared, FINE, withdraw=False)
    assert "measure_first" not in json.loads(result.to_json())
    (told,) = json.loads(replace(result, measure_first=(below,)).to_json())["measure_first"]
    assert told["margin_m"] == below.margin_m
    assert told["ends"] == ["plate", "observer"]
    first = told["inputs"][0]
    assert (
        first["margin_change_m"]
        == first["gap_change_m"] - first["limit_change_m"]
        == below.influences[0].margin_change_m
    )


def result_with(*governing):
    """A result that tells no more than what some gaps hang on."""
    return Result("small", "", "0", FINE, (), measure_first=governing)


def influence(entry, field, change_m, part="", refused=""):
    gap_m, limit_m = (None, None) if change_m is None else (change_m, 0.0)
    return Influence(entry, field, part, 3.3, "m", "1 cm", "more", gap_m, limit_m, refused)


def governing(stage, margin_m, *influences, why=""):
    ordered = sensitivity._ordered(influences)
    return Governing(stage, "posture", ("A", "earth"), "tool", margin_m, {}, ("a", "b"), (), ordered, 9, why)


def test_rows_are_the_largest_first_of_the_gap_that_is_left_with_the_least():
    near = governing(
        "near", 0.1, influence("ladder", "bending_m", -0.0101), influence("stage 'near'", "lean_along_deg", -0.2)
    )
    far = governing(
        "far", 3.0, influence("ladder", "bending_m", -0.02), influence("stage 'far'", "lean_along_deg", -0.3)
    )
    far = replace(
        far,
        influences=(
            *far.influences,
            influence("wire 'w'", "to_m", -0.25, "z"),
            influence("wire 'w'", "sag_m", -0.0009),
            influence("wire 'w'", "from_m", 0.01, "x"),
        ),
    )
    found = rows(result_with(near, far))
    # A lean is one thing to look at in all stages; what takes under a millimetre, or gives, is not shown.
    assert [(r.what, r.takes, r.margin) for r in found] == [
        ("wire 'w': to, z", "0.250", "3.00"),
        ("stage 'near': lean along", "0.200", "0.10"),
        ("ladder: bending", "0.011", "0.10"),  # rounded up
    ]
    assert found[2].gap.endswith("in “near”")


def test_what_was_not_asked_is_told_once():
    refused = influence("wire 'w'", "sag_m", None, refused="more: no; less: no")
    found = not_asked(result_with(governing("a", 1.0, refused), governing("b", 2.0, refused, why="lost")))
    assert found == ["wire 'w': sag: more: no; less: no", "A to earth, tool in the gap, in “b”: lost"]


def test_what_governs_and_is_no_gap_is_told():
    """Half way up the insulating length of the ladder is least, far below everything; with nobody on it a gap is."""
    far = [small.slab("A far", bottom_m=30.0), small.slab("B far", bottom_m=40.0, potential="B")]
    truck = {"name": "truck", "centre_m": [0, 8, 1.5], "size_m": [7, 2.5, 3], "heading_deg": 0, "radius_m": 0.5}
    stages = [small.stage(name="climbed", climb_m=4.3), small.stage(name="empty", workers=[], climb_m=None, anew=True,
                                                                    kind="work", posture=None)]  # fmt: skip
    found = small.checked(0.01, solids=far, stages=stages, vehicles=[truck])
    least = {stage.name: leading(stage) for stage in found.stages}
    names = [name for name, one in least.items() if one.gap is None]
    assert names == ["climbed"]
    lines = [line for line in not_asked(replace(found, measure_first=())) if "only gaps" in line]
    assert all(any(f"“{name}”" in line and least[name].what in line for line in lines) for name in names)
    assert not any(f"“{name}”" in line for line in lines for name in least if name not in names)
    assert not_asked(replace(found, measure_first=None)) == []


def test_the_order_puts_what_gives_last_and_what_could_not_be_asked_behind_it():
    told = [
        influence("a", "x_m", 0.01),
        influence("b", "x_m", None),
        influence("c", "x_m", -0.01),
        influence("d", "x_m", -0.02),
    ]
    assert [one.entry for one in sensitivity._ordered([*told, influence("e", "x_m", 1e-9)])] == ["d", "c", "a", "b"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("measure")
    return where, small.written(where, crew=[CREW], solids=[PLATE], stages=[EMPTY])


def test_check_tells_it_where_it_is_asked(folder):
    where, scene = folder
    codes = []
    for asked in (True, False):
        out = where / f"{asked}.json"
        options = ["--measure-first"] if asked else []
        done = CliRunner().invoke(app, ["check", str(scene), "-q", "--json", str(out), *options])
        assert ("What to measure first" in done.stdout) is asked
        assert ("measure_first" in json.loads(out.read_text())) is asked
        assert ("crew 'observer': stature" in done.stdout) is asked
        codes.append(done.exit_code)
    # It is no reason of a verdict. (The ladder stands in the plate: a collision.)
    assert codes == [1, 1]


def test_the_briefing_lists_it_below_the_gaps_to_measure_and_its_result_has_it(folder):
    where, scene = folder
    out = where / "brief"
    CliRunner().invoke(app, ["brief", str(scene), "-q", "--no-pdf", "--measure-first", "--out", str(out)])
    page = html.unescape((out / "briefing.html").read_text())
    section = page[page.index("6. Measure before anybody climbs") : page.index("7. Tests")]
    table = re.findall(r"<tr><td>(.*?)</td><td class=\"n\">(.*?)</td><td>(.*?)</td><td class=\"n\">(.*?)</td>", section)
    (told,) = json.loads((out / "result.json").read_text())["measure_first"]
    assert [float(row[3]) for row in table] == sorted((float(row[3]) for row in table), reverse=True)
    assert len(table) == len([i for i in told["inputs"] if i["margin_change_m"] <= -0.001])
    (ground,) = [row for row in table if row[0] == "ground: height"]
    assert ground[2:] == ("1 cm more", "0.010")


def test_a_default_that_nobody_stated_is_assumed_and_is_moved_too():
    scene = small.scene(crew=[{k: v for k, v in CREW.items() if k != "boots_m"}], solids=[PLATE], stages=[EMPTY])
    (one,) = [i for i in inputs.inputs(scene, scene.stages[0], {"crew 'observer'"}) if i.field == "boots_m"]
    assert inputs.stepped(scene, one, 1.0).crew[0].boots_m == pytest.approx(scene.crew[0].boots_m + 0.01)
    (wide,) = [i for i in inputs.inputs(scene, scene.stages[0], {"ladder"}) if i.field == "foot_radius_m"]
    assert inputs.stepped(scene, wide, -1.0).ladder.foot_radius_m == pytest.approx(0.1 - 0.01)
