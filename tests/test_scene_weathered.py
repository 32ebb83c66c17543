"""Weather in a scene: a verdict that turns with it, and everything that hangs on a wire going with the wire."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_scenes import CIRCUIT, SAID, STAGE, box, scene

import clearance
from clearance.bodies.deformable_wire import WHEREVER
from clearance.conductor import catenary, wind
from clearance.conductor.elastic import Segment, along, hang
from clearance.conductor.placing import at
from clearance.errors import InputError
from clearance.job import staging, tails
from clearance.not_evaluated import NO_WEATHER
from clearance.pipeline import prepare
from clearance.report import views
from clearance.scene import weathered
from clearance.scene.assemble import assemble, place, strays_m
from clearance.scene.records_base import stated
from clearance.scene.records_statements import NoneThere

WINDY = Path(__file__).parents[1] / "scenes" / "windy_day.toml"

WEATHER = {"air_C": [5, 25], "wind_m_s": [0, 8], "current_A": [100, 400], "basis": "invented"}
SPAN = {
    "kind": "span",
    "name": "bus A",
    "phase": "A",
    "from_m": [-25, 8, 12],
    "to_m": [25, 8, 12],
    "sag_m": 1.2,
    "weight_N_m": 15.97,
    "diameter_m": 0.0281,
    "conductor": "Drake",
    "known": {"conductor_C": 10, "basis": "survey"},
    "uncertainty_m": 0.03,
}
DROPPER = {
    "kind": "jumper",
    "name": "dropper A",
    "phase": "A",
    "from_m": "bus A @ 25",
    "to_m": [4, 8, 6],
    "length_m": 6.9,
    "conductor": "Drake",
    "diameter_m": 0.0281,
    "release": {"free_end": "from", "lowered_to_m": [0, 8, 7.5]},
}
LOWER = {
    "name": "lower", "kind": "lower", "travel_m": 5, "climb_m": 3, "posture": "standing",
    "released": ["dropper A"], "lower_m": [0.0, 3.3],
}  # fmt: skip


def calm(read):
    """The scene where somebody says that there is no weather: what a wire is known in is for weather alone."""
    bare = [{key: value for key, value in wire.items() if key != "known"} for wire in map(stated, read.wires)]
    still = NoneThere(kind="none", what=("weather",), **SAID)
    return read.changed(weather=None, wires=bare, statements=[*read.statements, still])


def known(weather, wire):
    """A wire as a scene with or without weather states it."""
    return {key: value for key, value in wire.items() if key != "known" or weather is not None}


def wires(weather, *others, **parts):
    """A bus in weather, with other wires; nobody on the ladder."""
    return scene(
        weather=weather, wires=[known(weather, SPAN), *others], solids=[box("block", [0, -9, 1], [1, 1, 2])], **parts
    )


@cache
def windy():
    return clearance.check(clearance.read_scene(WINDY), withdraw=False)


def test_weather_turns_the_verdict():
    read = clearance.read_scene(WINDY)
    assert "expected verdict: breach" in WINDY.read_text("utf-8")

    still = clearance.check(calm(read), withdraw=False)

    assert (still.verdict, windy().verdict) == ("clear", "breach")
    breaches = [
        (set(gap.between), part)
        for stage in windy().stages
        for gap in stage.gaps
        for part in (gap.posture, gap.reach)
        if part is not None and part.verdict == "breach"
    ]
    assert breaches
    assert all(between == {"A", "B"} for between, _ in breaches)
    # The weather alone does it: some of the breaches stay when every uncertainty is left out.
    assert any(not part.within_survey_error for _, part in breaches)


def test_a_result_tells_the_weather_and_what_it_leaves_out():
    assert any("weather: air 8 to 27 °C; wind 0.0 to 10.0 m/s" in line and "forecast" in line for line in windy().basis)
    assert any(line.startswith("bus A, bus B, bus C: conductor at 8 to") for line in windy().basis)
    assert any("galloping" in line for line in windy().skipped)
    still = clearance.check(calm(wires(WEATHER)), withdraw=False)
    assert not any("weather" in line for line in still.basis)
    assert [line for line in still.skipped if "weather" in line] == [NO_WEATHER]
    assert NO_WEATHER not in windy().skipped


def test_without_weather_wires_are_as_they_were():
    """What a conductor is made of changes nothing by itself."""
    bare = {key: value for key, value in SPAN.items() if key not in ("conductor", "known")}
    one, two = assemble(scene(wires=[bare])), assemble(wires(None))
    shapes = [next(body.shape for body in site.bodies if body.name == "bus A") for site in (one, two)]

    assert not two.placed
    assert np.array_equal(shapes[0].vertices, shapes[1].vertices)
    assert np.array_equal(shapes[0].uncertainty, shapes[1].uncertainty)


def test_places_keep_their_nominal_meaning_and_know_how_far_they_stray():
    still, site = assemble(wires(None)), assemble(wires(WEATHER))
    (bus,) = site.scene.wires
    middle = clearance.scene.records.Reference("bus A", 25.0)
    point = place(site, bus, middle)

    assert point == place(still, bus, middle)
    assert strays_m(still, middle, point) == 0.0
    assert strays_m(site, point, point) == 0.0
    there = site.placed["bus A"]
    corners = [at(there, v, swing) for v in there.shape_m for swing in there.swing_rad]
    furthest = max(np.linalg.norm(pieces[0] - point, axis=1).min() for pieces in corners)
    assert furthest <= strays_m(site, middle, point) <= furthest + 0.3


def test_bodies_say_that_they_are_envelopes():
    site = assemble(wires(WEATHER))
    body = next(body for body in site.bodies if body.name == "bus A")

    assert body.note == WHEREVER
    assert (body.shape.corners == 3).all()
    low, high = body.shape.bounds
    still_low, still_high = next(b for b in assemble(wires(None)).bodies if b.name == "bus A").shape.bounds
    assert (low[1:] < still_low[1:]).all()
    assert high[1] > still_high[1]


def test_strings_swing_with_their_wire():
    string = {"kind": "suspension", "length_m": 2.4, "insulating_m": 2.0, "diameter_m": 0.25, "weight_kN": 0.8}
    hung = {**SPAN, "from_string": string, "to_string": {**string, "kind": "strain"}}
    read = scene(weather=WEATHER, wires=[hung])
    still, site = assemble(calm(read)), assemble(read)
    for name in ("bus A from string", "bus A to string", "bus A from string fittings"):
        one, two = (next(b for b in each.bodies if b.name == name) for each in (still, site))

        assert (one.conductive, one.potential) == (two.conductive, two.potential)
        assert (two.shape.bounds[1][1] - two.shape.bounds[0][1]) > (one.shape.bounds[1][1] - one.shape.bounds[0][1])
    assert [string.strays_m for string in still.strings] == [0.0, 0.0]
    assert all(0.1 < string.strays_m < 2.0 for string in site.strings)
    assert any("taken as its mirror image" in line for line in weathered.basis(read, site.placed))


def lowered(weather, dropper=DROPPER):
    site = assemble(wires(weather, dropper, stages=[STAGE, LOWER]))
    settings = staging.settings_of(site, site.scene.stages[1])
    return site, [next(b for b in setting.bodies if b.name == "dropper A") for setting in settings], settings


def test_a_tail_holds_its_swing_and_the_movement_of_what_it_hangs_on():
    """The tail itself is blown about the line through its ends; an 8 m/s wind swings it by atan(F / w)."""
    site, tails, _ = lowered(WEATHER)
    _, still, _ = lowered(None)

    more = tails[0].shape.uncertainty.min() - still[0].shape.uncertainty.min()
    # F = 1.27 / 2 * 8^2 * 0.0281 at 5 degrees C, w = 15.97: 4.1 degrees; the loop is at most (6.9^2 - c^2)^0.5 / 2
    # deep, c the distance between its ends when parked, 4.3 m: 2.7 m.
    swing = np.arctan2(1.27 / 2 * 64 * 0.0281, 15.97)
    assert more > 0.5 * 2.7 * 2 * np.sin(swing / 2)
    assert more < 1.5
    assert site.placed["dropper A"].line.start.moves_m
    assert any("what the weight of dropper A, and the wind there, do to its shape" in line for line in site.skipped)


@cache
def tail_in_weather():
    site, tails, stages = lowered(WEATHER)
    return site, [(stage.box["lower_m"], tail.shape) for stage, tail in zip(stages, tails, strict=True)]


@settings(deadline=None, max_examples=40)
@given(*[st.floats(0.0, 1.0)] * 5)
def test_a_tail_blown_anyhow_lies_within_its_uncertainty(way, speed, bearing, v, swing):
    """Against the elastic chain's own solution under weight and wind of any bearing, its upper end where the bus may
    have taken it; the tail's pieces are compared at the lowering they stand for."""
    site, pieces = tail_in_weather()
    record, hung = site.scene.wires[1], site.wires["dropper A"]
    free, far = np.array(hung.catenary.start), np.array(hung.catenary.end)
    parked = np.array(place(site, record, record.release.lowered_to_m))
    travel = float(np.linalg.norm(parked - free))
    lower_m = way * min(travel, LOWER["lower_m"][1])
    bus = site.placed["bus A"]
    shape_m = bus.shape_m[0] + v * (bus.shape_m[1] - bus.shape_m[0])
    angle = bus.swing_rad[0] + swing * (bus.swing_rad[1] - bus.swing_rad[0])
    near = int(np.argmin(np.linalg.norm(bus.pieces[0].points - free, axis=1)))
    held = free + lower_m * (parked - free) / travel + at(bus, shape_m, angle)[0][near] - bus.pieces[0].points[near]
    force = wind.force_per_metre(8.0 * speed, 0.0281, wind.air_density(5.0, 0.0))
    load = (force * np.cos(2 * np.pi * bearing), force * np.sin(2 * np.pi * bearing), -15.97)
    segment = Segment(hung.catenary.length_m, load)
    line = hang(far, held, [segment])
    points = far + along(line.force, segment, np.linspace(0.0, segment.length_m, 41))
    piece = next(shape for (low, high), shape in pieces if low <= lower_m <= high + 1e-9)
    corners = piece.vertices + piece.rate * lower_m
    start, step = corners[:, 0], corners[:, 1] - corners[:, 0]
    share = ((points[:, None] - start) * step).sum(axis=2) / (step * step).sum(axis=1)
    away = points[:, None] - start - np.clip(share, 0, 1)[:, :, None] * step

    assert (np.linalg.norm(away, axis=2) - piece.uncertainty - piece.radius).min(axis=1).max() <= 0


def test_a_tail_touches_the_wire_it_still_hangs_on_wherever_that_is():
    """Known when cold, judged when hot: the stated place is not among those it may take."""
    hot = {**WEATHER, "air_C": [30, 35], "current_A": [500, 600], "sun_W_m2": [800, 900], "wind_m_s": [0.6, 1.0]}
    release = {**DROPPER["release"], "free_end": "to", "lowered_to_m": [0.5, 8, 4.5]}
    site, _, settings = lowered(hot, {**DROPPER, "release": release})

    assert site.placed["bus A"].shape_m[0] > 0.1
    assert all(frozenset(("dropper A", "bus A")) in setting.touching for setting in settings)


def test_lead_clamped_to_a_moving_wire_moves_half_as_far():
    bonded = {
        **STAGE, "kind": "bond on", "bonded": {"worker": "A"}, "bonding_lead_m": 1.0, "clamp_m": "bus A @ 25",
    }  # fmt: skip
    radii = []
    for weather in (None, WEATHER):
        site = assemble(wires(weather, stages=[bonded]))
        lead = next(
            body
            for body in staging.settings_of(site, site.scene.stages[0])[0].bodies
            if body.name == "worker bonding lead"
        )
        radii.append(float(lead.shape.radius[0] + lead.shape.uncertainty[0]))
    clamp = clearance.scene.records.Reference("bus A", 25.0)
    point = place(site, site.scene.wires[0], clamp)

    assert radii[1] - radii[0] == pytest.approx(strays_m(site, clamp, point) / 2)


def test_what_the_weather_needs_is_asked_for_with_everything_else():
    bare = {key: value for key, value in SPAN.items() if key != "known"}
    read = scene(
        weather={key: value for key, value in WEATHER.items() if key != "current_A"},
        wires=[bare, {**SPAN, "name": "bus B", "phase": "B", "conductor": None, "from_m": [-25, 4, 12]}],
    )
    with pytest.raises(InputError) as failure:
        prepare(read)

    assert "wire 'bus A': known: expected a temperature, as the scene has weather" in str(failure.value)
    assert "weather: current_A: expected the range of current" in str(failure.value)
    assert "wire 'bus B': conductor: expected a conductor of the catalogue" in str(failure.value)


def test_vertical_pairs_stand_upright():
    """As the scene says, with and without weather; a horizontal pair does not."""
    for weather in (None, WEATHER):
        for arrangement, axis in (("vertical pair", 2), ("horizontal pair", 1)):
            pair = {**known(weather, SPAN), "bundle": {"count": 2, "spacing_m": 0.4, "arrangement": arrangement}}
            body = next(b for b in assemble(scene(weather=weather, wires=[pair])).bodies if b.name == "bus A")
            half = len(body.shape) // 2
            first, second = body.shape.vertices[:half], body.shape.vertices[half:]
            apart = np.abs(second[:, 0] - first[:, 0])[0]

            assert apart[axis] == pytest.approx(0.4, abs=0.02)


def test_an_envelope_that_reaches_the_ground_is_told():
    low = {**SPAN, "from_m": [-25, 8, 1.5], "to_m": [25, 8, 1.5]}
    site = assemble(scene(weather=WEATHER, wires=[low]))

    assert any("its envelope over the weather reaches the ground" in line for line in site.skipped)
    assert catenary.low_point(site.wires["bus A"].catenary)[2] > 0


def test_a_plane_cuts_sheets_into_lines_of_their_thickness():
    body = next(body for body in assemble(wires(WEATHER)).bodies if body.name == "bus A")
    view = views.section([1.0, 0.0])
    lines = views.crossed(body.shape, view)

    assert len(lines)
    assert (lines.corners == 2).all()
    assert np.abs(view.depth(lines.vertices)).max() < 1e-9
    assert set(np.round(lines.radius, 9)) <= set(np.round(body.shape.radius, 9))


def test_conductors_named_twice_are_refused():
    own = {
        "name": "Bay 27", "kind": "AAAC", "diameter_m": 0.0281, "weight_N_m": 13.5, "rated_strength_kN": 120.0,
        "outer_area_mm2": 400.0, "source": "maker",
    }  # fmt: skip
    with pytest.raises(InputError, match="one conductor of this name, found 2"):
        scene(conductors=[own, own], circuits=[CIRCUIT])


def test_a_tail_strays_least_where_it_is_fixed_and_parked_less_than_on_its_way():
    """Loose lines solved afresh with their free end moved as the bus moves: at its far end a tail does not move."""
    site = assemble(wires(WEATHER, DROPPER))
    record = site.wires["dropper A"].record
    curve = site.wires["dropper A"].catenary
    ends = curve.end, curve.start, (0.0, 8.0, 7.5)
    on_its_way = weathered.tail_room(site.scene, site.placed, record, curve.length_m, ends)
    parked = weathered.tail_room(site.scene, site.placed, record, curve.length_m, ends, parked=True)

    # The last 120th of it moves a little.
    assert on_its_way[0] < 0.08
    assert parked[0] < 0.05
    assert on_its_way.max() > 3 * on_its_way[0]
    assert (parked <= on_its_way + 1e-9).all()
    pieces = tails._tail(site, "dropper A")
    uncertainty = pieces[-1].shape.uncertainty
    assert uncertainty[0] < uncertainty.max()
    assert any(
        "taken to move as the wire does that it hung on" in words for words in weathered.basis(site.scene, site.placed)
    )
