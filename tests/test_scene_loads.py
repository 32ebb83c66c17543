"""Loads on wires in a scene: bodies where the loaded line is, what hangs on it, units, what the command shows."""

from __future__ import annotations

import json

import numpy as np
import pytest
from small_scenes import CIRCUIT, scene, written
from typer.testing import CliRunner

from clearance.cli import app
from clearance.conductor.change_of_state import REFERENCE_C
from clearance.conductor.loads import carried
from clearance.conductor.released import eased
from clearance.errors import InputError
from clearance.report.briefing_words import stop_conditions
from clearance.scene.assemble import assemble, place
from clearance.scene.hanging import hung_lines, lines_of, place_wires
from clearance.scene.records import Reference

STRAIN = {"kind": "strain", "length_m": 2.6, "insulating_m": 2.2, "diameter_m": 0.25, "units": 15, "weight_kN": 0.8}
SUSPENSION = {"kind": "suspension", "length_m": 3.0, "insulating_m": 2.3, "diameter_m": 0.25, "units": 16}
DRAKE = {"conductor": "Drake", "diameter_m": 0.0281, "weight_N_m": 15.97}
WEST = {
    "kind": "span", "name": "west bus A", "phase": "A", "from_m": [-30, 8, 11], "to_m": [0, 8, 14],
    "horizontal_tension_kN": 6.0, **DRAKE, "from_string": STRAIN, "to_string": SUSPENSION,
}  # fmt: skip
EAST = {
    "kind": "span", "name": "east bus A", "phase": "A", "from_m": "west bus A end", "to_m": [30, 8, 11],
    "horizontal_tension_kN": 6.0, **DRAKE, "to_string": STRAIN,
}  # fmt: skip
DROPPER = {
    "kind": "jumper", "name": "dropper A", "phase": "A", "from_m": "east bus A @ 6.0", "to_m": [9, 8, 4],
    "length_m": 8.4, **DRAKE,
}  # fmt: skip
SPACER = {"what": "spacer", "at_m": 15.0, "weight_kg": 20.0, "when_stated": "on", "basis": "maker's sheet"}
LADDER = {"what": "ladder", "at_m": 15.0, "weight_kg": 60.0, "when_stated": "off", "basis": "weighed"}
HANGS = {"wire": "dropper A", "when_stated": "on"}
WEATHER = {"air_C": [5, 25], "wind_m_s": [0, 8], "current_A": [100, 400], "ice_mm": [0, 4], "basis": "invented"}
KNOWN = {"known": {"conductor_C": 15, "basis": "survey"}}


def site(*wires, **parts):
    return assemble(scene(circuits=[CIRCUIT], wires=list(wires), **parts))


def span(**more):
    return {**EAST, "name": "bus A", "from_m": [0, 8, 11], **more}


def corners(body):
    return body.shape.vertices[:, :2].reshape(-1, 3)


def test_the_body_is_the_loaded_line_with_a_corner_under_the_load():
    made = site(span(loads=[SPACER]))
    body = next(body for body in made.bodies if body.name == "bus A")
    curve = hung_lines(made.scene)[1]["bus A"]
    under = np.array(curve.point(15.0))

    assert np.linalg.norm(corners(body) - under, axis=1).min() < 1e-6
    assert place(made, made.scene.wires[0], Reference("bus A", 15.0)) == pytest.approx(under, abs=1e-9)
    # It is deeper than the same wire without its load, stated by the same tension; by P a (L - a) / (L H) at most,
    # less what the strain string that is part of the line takes.
    bare = place(site(span()), made.scene.wires[0], Reference("bus A", 15.0))
    drop = 20 * 9.80665 * 15 * 15 / 30 / 6000
    assert bare[2] - under[2] == pytest.approx(drop, rel=0.02)


@pytest.mark.parametrize(
    ("told", "near_m"), [({}, 1e-6), pytest.param(KNOWN, 1e-3, marks=pytest.mark.slow, id="in the weather")]
)
def test_two_loads_at_one_place_are_one_load_of_both_weights(told, near_m):
    """A man, or a clamp, where something hangs already. Corners are compared to 1e-6 m, as `PLACE_M` allows; in the
    weather to 1e-3 m, as its allowances go by chords."""
    both = [{**SPACER, "what": "clamp", "weight_kg": 12.0}, {**SPACER, "what": "man", "weight_kg": 8.0}]
    parts = {"weather": WEATHER} if told else {}
    one, two = (site(span(**told, loads=loads), **parts) for loads in ([SPACER], both))
    first, second = (next(body for body in made.bodies if body.name == "bus A") for made in (one, two))
    assert np.array(first.shape.bounds) == pytest.approx(np.array(second.shape.bounds), abs=near_m)
    there = [place(made, made.scene.wires[0], Reference("bus A", 15.0)) for made in (one, two)]
    assert there[0] == pytest.approx(there[1], abs=1e-6)


def test_one_of_two_loads_at_one_place_goes_as_from_beside_it():
    """12 kg stay and 8 kg go: from the same place as from 1 mm beside it, to a tenth of a millimetre."""
    stays, goes = {**SPACER, "what": "clamp", "weight_kg": 12.0}, {**SPACER, "what": "man", "weight_kg": 8.0}
    found = []
    for beside_m in (0.0, 0.001):
        made = site(span(loads=[stays, {**goes, "at_m": 15.0 + beside_m}])).scene
        after = {("bus A", "clamp"): 1.0}
        (move,) = eased(carried([lines_of(made)["bus A"]]), {**after, ("bus A", "man"): 1.0}, after).moves
        found.append((np.linalg.norm(move.rate, axis=1).max(), move.beyond_m.max()))
    assert found[0][0] > 0.03
    assert found[0] == pytest.approx(found[1], abs=1e-4)


def test_weights_may_be_masses_and_pounds_but_tensions_not():
    one, two = site(span(loads=[SPACER])), site(span(loads=[{**SPACER, "weight_kg": None, "weight_lb": 44.0924524}]))
    there, here = (next(body for body in made.bodies if body.name == "bus A") for made in (one, two))

    assert corners(there) == pytest.approx(corners(here), abs=1e-8)
    with pytest.raises(InputError, match="horizontal_tension_kg"):
        site(span(horizontal_tension_kN=None, horizontal_tension_kg=600.0))


def test_a_load_that_came_later_pulls_the_suspension_string_over_and_lifts_the_other_span():
    calm, loaded = site(WEST, EAST), site(WEST, {**EAST, "loads": [LADDER]})
    before, after = calm.wires["west bus A"], loaded.wires["west bus A"]

    assert after.catenary.end[0] > before.catenary.end[0] + 0.01
    assert after.catenary.end == pytest.approx(loaded.wires["east bus A"].catenary.start, abs=1e-6)
    middle = Reference("west bus A", 15.0)
    assert place(loaded, loaded.scene.wires[0], middle)[2] > place(calm, calm.scene.wires[0], middle)[2] + 0.02
    # The string's body leans from its attachment to where the clamp has come.
    string = next(body for body in loaded.bodies if body.name == "west bus A to string")
    assert string.shape.vertices[-1, 1, 0] > 0.005


def test_a_dropper_hangs_on_the_wire_that_it_bends():
    made = site(WEST, {**EAST, "loads": [HANGS]}, DROPPER)
    curve = hung_lines(made.scene)[1]["east bus A"]
    load = curve.line.loads[0]

    assert made.wires["dropper A"].catenary.start == pytest.approx(curve.point(6.0), abs=2e-6)
    # Its weight is on both its ends: what the bus does not carry, the post below does.
    assert 0.5 * 8.4 * 15.97 < -load.force_N[2] < 1.3 * 8.4 * 15.97
    assert load.force_N[0] > 0, "it pulls towards its lower end"
    assert "carries dropper A" in " ".join(words_of(made))


def words_of(made):
    from clearance.scene import weathered

    return list(weathered.basis(made.scene, made.placed))


def test_a_fixed_temperature_and_no_wind_leave_the_loaded_shape():
    """A range of weather that is one state: the envelope is the loaded line as stated, to within its uncertainty."""
    weather = {"air_C": [15, 15], "wind_m_s": [0, 0], "conductor_C": [REFERENCE_C, REFERENCE_C], "basis": "invented"}
    known = {"known": {"conductor_C": REFERENCE_C, "basis": "survey"}}
    wires = [{**WEST, **known}, {**EAST, **known, "loads": [HANGS, LADDER]}, DROPPER]
    there = place_wires(scene(circuits=[CIRCUIT], weather=weather, wires=wires))["east bus A"]
    stated = hung_lines(scene(circuits=[CIRCUIT], weather=weather, wires=wires))[1]["east bus A"]
    # Without weather no wire states its temperature: it hangs as stated at the one its elongation is counted from.
    bare = [{key: value for key, value in wire.items() if key not in known} for wire in wires]
    still = hung_lines(scene(circuits=[CIRCUIT], wires=bare))[1]["east bus A"]

    assert there.shape_m == pytest.approx((0.0, 0.0), abs=2e-3)
    # The conductor's three models differ by what a stretch from one load to the other does: millimetres.
    assert next(piece for piece in there.pieces if piece.part == "wire").uncertainty_m < 0.02
    assert there.bent.force == pytest.approx(stated.hung.force, rel=1e-6)
    assert there.bent.force == pytest.approx(still.hung.force, rel=1e-6)


def test_ice_is_on_the_body_and_in_the_basis():
    made = site({**span(), **KNOWN}, weather=WEATHER)
    bare = site({**span(), **KNOWN, "ice_m": 0}, weather=WEATHER)
    one, two = (next(body for body in each.bodies if body.name == "bus A") for each in (made, bare))

    assert one.shape.radius.min() >= 0.0281 / 2 + 0.004
    assert one.shape.bounds[0][2] < two.shape.bounds[0][2] - 0.006
    assert any("ice 0.0 to 4.0 mm thick" in words for words in words_of(made))
    assert any("ice that drops off at once" in words for words in made.skipped)


def test_of_a_dropper_among_the_loads_only_the_wind_is_left_out():
    wires = [{**WEST, **KNOWN}, {**EAST, **KNOWN, "loads": [HANGS]}, DROPPER]
    # What is left out does not depend on how much weather there is; the less, the sooner it is placed.
    little = {**WEATHER, "air_C": [15, 16], "wind_m_s": [0, 1], "current_A": [100, 101], "ice_mm": [0, 0]}
    said = site(*wires, weather=little).skipped
    bare = site(wires[0], {**wires[1], "loads": None}, DROPPER, weather=little).skipped

    assert "east bus A in the weather: what the wind on dropper A does to its shape" in said
    assert "east bus A in the weather: what the weight of dropper A, and the wind there, do to its shape" in bare


def test_the_command_shows_what_hangs_and_how_much_ice(tmp_path):
    path = written(
        tmp_path, circuits=[CIRCUIT], weather=WEATHER,
        wires=[{**WEST, **KNOWN}, {**EAST, **KNOWN, "loads": [HANGS, LADDER]}, DROPPER],
    )  # fmt: skip
    file = tmp_path / "sags.json"
    arguments = ["sag", str(path), "--json", str(file), "--out", str(tmp_path / "drawn")]
    done = CliRunner().invoke(app, arguments, env={"COLUMNS": "200"})

    assert done.exit_code == 0, done.output
    assert "What hangs on them" in done.output
    for row in (
        "dropper A",
        "as stated",
        "ladder",
        "afterwards",
        "weighed",
        "Ice on west bus A, east bus A, dropper A",
    ):
        assert row in done.output, row
    assert "an allowance, not a proof" in done.output
    found = json.loads(file.read_text())
    east = next(wire for wire in found["wires"] if wire["name"] == "east bus A")
    assert east["loads"][1] == {
        "what": "ladder", "at_m": 15.0, "force_N": [0.0, 0.0, pytest.approx(-60 * 9.80665)], "when_stated": "off",
        "basis": "weighed",
    }  # fmt: skip
    assert east["range"]["ice_m"][1] == pytest.approx(0.004)
    drawn = (tmp_path / "drawn" / "side-east-bus-a.svg").read_text()
    for words in ("Hung on it", "ladder, 0.588 kN at 15.00 m", "ice 0.0 to 4.0 mm"):
        assert words in drawn, words
    # The chart is of the wire with its loads: at the stated temperature it has the tension of the table.
    row = next(row for row in east["chart"] if row["conductor_C"] == 10.0)
    assert row["horizontal_tension_N"] > 6000.0


@pytest.mark.parametrize(
    ("wires", "said"),
    [
        ([span(loads=[{**SPACER, "at_m": 28.5}])], "a place on the conductor, between 0.00 and 27.40 m along the span"),
        ([span(loads=[LADDER], conductor=None)], "a conductor of the catalogue, as a load came on after"),
        ([span(loads=[{**SPACER, "weight_kg": 1000.0}])], "that a taut span with these loads can have"),
        (
            [{**EAST, "name": "bus A", "from_m": [0, 8, 11], "loads": [HANGS]},
             {**DROPPER, "from_m": "bus A @ 6.0", "conductor": None, "weight_N_m": None}],
            "its weight, as another wire carries it",
        ),
    ],
    ids=["beyond the conductor", "no conductor", "too heavy", "weightless dropper"],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_name(wires, said):
    with pytest.raises(InputError, match=said) as caught:
        site(*wires)
    assert "small.toml: wire '" in str(caught.value)


def test_a_span_takes_the_load_that_its_tension_can_carry():
    """Half of what is refused above as too heavy."""
    hung = hung_lines(site(span(loads=[{**SPACER, "weight_kg": 500.0}])).scene)[1]["bus A"].hung
    assert hung.force[0] == pytest.approx(6000.0, rel=1e-6)
    assert hung.loads[0] == pytest.approx((0.0, 0.0, -500.0 * 9.80665))


@pytest.mark.parametrize(
    ("weather", "wire", "said"),
    [
        (WEATHER, {}, "Ice on a conductor thicker than 4 mm."),
        ({**WEATHER, "ice_mm": None}, {}, "Ice on a conductor: none was swept."),
        (WEATHER, {"ice_mm": 2}, "Ice on a conductor thicker than 2 mm."),
        ({**WEATHER, "ice_mm": None, "ice_weight_N_m": [0, 3]}, {}, "Ice on a conductor of more than 3 N a metre."),
    ],
)
def test_the_briefing_says_how_much_ice_ends_the_work(weather, wire, said):
    read = scene(circuits=[CIRCUIT], weather=weather, wires=[{**span(), **KNOWN, **wire}])
    assert said in list(stop_conditions(read))
