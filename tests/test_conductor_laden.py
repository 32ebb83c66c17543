"""Lines with loads and ice over the weather: random states, solved afresh, lie within uncertainty of what is given
to the sweep."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.conductor.carrying import curves, pull
from clearance.conductor.catalogue import find
from clearance.conductor.elastic import polyline
from clearance.conductor.groups import wind_on_strings, winds_on
from clearance.conductor.lines import End, Known, Line, PointLoad, Weather
from clearance.conductor.loads import everything, own_parts
from clearance.conductor.loads import settled as solved
from clearance.conductor.placing import at, place
from clearance.conductor.ranges import ice_of, ice_weight, wind_force
from clearance.errors import InputError

DRAKE = find("Drake")
WEATHER = Weather((0.0, 30.0), (0.0, 12.0), conductor_C=(0.0, 70.0), ice_m=(0.0, 0.006), basis="test")
STRING = {"string_m": 3.0, "string_weight_N": 900.0, "string_diameter_m": 0.25}
share = st.floats(0, 1)


def lines(backwards=False):
    """Two spans that meet at a suspension string: on the one a dropper that pulls askew, on the other a ladder."""
    middle = End((40.0, 0.0, 15.0), "suspension", **STRING)
    west = Line(
        "west", End((0.0, 0.0, 12.0), "strain", 2.6, 800.0, 0.25), middle, DRAKE.diameter_m, DRAKE,
        known=Known(tension_N=7000.0, weight_N_m=DRAKE.weight_N_m, at_C=10.0),
        loads=(PointLoad("ladder", 18.0, (0.0, 0.0, -700.0), False, "weighed"),),
    )  # fmt: skip
    east = Line(
        "east", middle, End((90.0, 0.0, 14.0), "strain", 2.6, 800.0, 0.25), DRAKE.diameter_m, DRAKE,
        known=Known(tension_N=7000.0, weight_N_m=DRAKE.weight_N_m, at_C=10.0),
        loads=(PointLoad("dropper", 5.0, (60.0, 8.0, -110.0)),),
    )  # fmt: skip
    if backwards:
        east = replace(east, start=east.end, end=replace(east.start, own=False), loads=(
            PointLoad("dropper", 45.0, (60.0, 8.0, -110.0)),))  # fmt: skip
    return west, east


@cache
def placed(backwards=False):
    return place(lines(backwards), WEATHER)


def off(points, line):
    start, step = line[:-1], np.diff(line, axis=0)
    length = np.maximum((step**2).sum(1), 1e-18)
    along = np.clip(np.einsum("pnk,nk->pn", points[:, None] - start, step) / length, 0, 1)
    return np.linalg.norm(points[:, None] - (start + along[..., None] * step), axis=2).min(1).max()


def check_random_weather(warm, push, iced, model, backwards):
    there = placed(backwards)
    made = curves(lines(backwards))["west"].made
    own = made.lines
    forces = [wind_force(line, WEATHER) for line in own]
    blown = winds_on(own, forces, push)
    ice = iced * ice_of(own[0], WEATHER)[1][1]
    state = solved(made, everything(own), model, 70.0 * warm, blown, wind_on_strings(own, blown), ice)[1]
    for line, hung in zip(own, state.lines, strict=True):
        found = there[line.name]
        _, true, _ = own_parts(line, hung, 0.003)[0]
        piece = next(piece for piece in found.pieces if piece.part == "wire")
        index = found.pieces.index(piece)
        best = min(
            off(true, at(found, float(v), float(swing))[index])
            for v in np.linspace(*found.shape_m, 31)
            for swing in np.linspace(*found.swing_rad, 25)
        )
        # The grid leaves half a step of shape and of swing, at 1.5 m from the axis.
        room = np.diff(found.shape_m)[0] / 60 + 1.5 * np.diff(found.swing_rad)[0] / 48
        assert best <= piece.uncertainty_m + room
        assert piece.uncertainty_m < 0.35


STATES = {"warm": share, "push": share, "iced": share}
SECTIONS = {**STATES, "model": st.integers(0, 2), "backwards": st.booleans()}


@settings(max_examples=8, deadline=None)
@given(**SECTIONS)
def test_random_weather_stays_within_uncertainty(**drawn):
    check_random_weather(**drawn)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(**SECTIONS)
def test_much_random_weather_stays_within_uncertainty(**drawn):
    check_random_weather(**drawn)


def test_a_line_drawn_the_other_way_is_placed_alike():
    one, two = placed()["east"], placed(True)["east"]
    low, high = (min(float(points[:, 2].min()) for points in at(each, each.shape_m[1], 0.0)) for each in (one, two))

    assert low == pytest.approx(high, abs=2e-3)
    assert one.swing_rad == pytest.approx((-two.swing_rad[1], -two.swing_rad[0]), abs=1e-6)
    assert two.pieces[0].points[0] == pytest.approx(two.line.start.point, abs=1e-6)


def test_without_weather_it_is_the_curve_itself():
    there = place(lines())
    curve = curves(lines())["east"]

    assert off(polyline(curve.hung, 1e-3)[0], np.concatenate([p.points for p in there["east"].pieces])) < 0.006
    assert [piece.part for piece in there["west"].pieces] == ["from string", "wire", "to string"]
    # Its own string hangs from its attachment to where the load has pulled the clamp.
    string = there["west"].pieces[2].points
    assert string[0] == pytest.approx((40.0, 0.0, 15.0))
    assert string[1] == pytest.approx(there["east"].bent.start, abs=1e-6)


def test_ice_makes_a_line_heavier_and_deeper():
    bare = replace(WEATHER, ice_m=(0.0, 0.0))
    line = replace(lines()[1], start=End((40.0, 0.0, 12.0)), loads=())
    one, two = place([line], bare)["east"].ranges, place([line], WEATHER)["east"].ranges

    assert two.ice_N_m[1] == pytest.approx(ice_weight(DRAKE.diameter_m, 0.006, 900.0), rel=1e-6)
    assert two.tension_N[1] > one.tension_N[1]
    assert two.sag_m[1] > one.sag_m[1]
    # Wind catches the ice as well.
    assert two.force_N_m[1] / one.force_N_m[1] == pytest.approx(1 + 0.012 / DRAKE.diameter_m, rel=1e-6)
    # By weight instead of thickness: the same.
    by_weight = replace(WEATHER, ice_m=(0.0, 0.0), ice_weight_N_m=(0.0, two.ice_N_m[1]))
    again = place([line], by_weight)["east"].ranges
    assert again.ice_m[1] == pytest.approx(0.006, rel=1e-6)
    assert again.sag_m[1] == pytest.approx(two.sag_m[1], rel=1e-6)


def check_ice_on_a_span_between_dead_ends(warm, push, iced):
    """Every share of the ice with every share of the wind, by the solver for sections in three dimensions."""
    line = replace(lines()[1], start=End((40.0, 0.0, 12.0)), loads=(PointLoad("nothing", 20.0, (0.0, 0.0, -1e-9)),))
    there = place([replace(line, loads=())], WEATHER)["east"]
    made = curves([line])["east"].made
    forces = [wind_force(line, WEATHER)]
    blown = winds_on([line], forces, push)
    state = solved(made, {}, 0, 70.0 * warm, blown, (0, 0, 0), iced * ice_of(line, WEATHER)[1][1])[1]
    _, true, _ = own_parts(line, state.lines[0], 0.002)[0]
    index = [piece.part for piece in there.pieces].index("wire")
    best = min(
        off(true, at(there, float(v), float(swing))[index])
        for v in np.linspace(*there.shape_m, 41)
        for swing in np.linspace(*there.swing_rad, 41)
    )
    room = np.diff(there.shape_m)[0] / 80 + 1.5 * np.diff(there.swing_rad)[0] / 80
    assert best <= there.pieces[index].uncertainty_m + room


@settings(max_examples=8, deadline=None)
@given(**STATES)
def test_ice_on_a_span_between_dead_ends_stays_within_the_family(**drawn):
    check_ice_on_a_span_between_dead_ends(**drawn)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(**STATES)
def test_much_ice_on_a_span_between_dead_ends_stays_within_the_family(**drawn):
    check_ice_on_a_span_between_dead_ends(**drawn)


def test_a_dropper_pulls_with_its_weight_and_its_tension():
    """All its weight is carried by its two ends; where it hangs nearly plumb its upper end carries nearly all."""
    loose = Line("dropper", End((2.0, 0.0, 9.0)), End((2.4, 0.5, 4.0)), DRAKE.diameter_m, DRAKE, length_m=5.2)
    upper, lower = pull(loose, False), pull(loose, True)
    whole = DRAKE.weight_N_m * 5.2

    assert np.add(upper, lower) == pytest.approx([0.0, 0.0, -whole], abs=1e-6)
    assert -upper[2] > 0.8 * whole
    assert upper[0] / upper[1] == pytest.approx(0.4 / 0.5, rel=1e-6), "it pulls towards its other end"


def test_a_dropper_without_weight_is_refused():
    loose = Line("dropper", End((2.0, 0.0, 9.0)), End((2.4, 0.5, 4.0)), 0.03, length_m=5.2)
    with pytest.raises(InputError, match="its weight, as another wire carries it"):
        pull(loose, False)


def test_ice_and_wind_of_a_published_example():
    """Textbook on power-system engineering, example 5.9 (p. 201): 19.53 mm, 0.844 kg/m, 9.5 mm of ice of 915 kg/m3, a
    wind of 39 kgf/m2 on the iced diameter; printed 2.222 kg/m together."""
    ice = ice_weight(0.01953, 0.0095, 915.0) / 9.80665
    wind = 39.0 * (0.01953 + 2 * 0.0095)

    assert np.hypot(0.844 + ice, wind) == pytest.approx(2.222, abs=5e-4)


def test_ice_of_the_heavy_loading_district():
    """NESC heavy loading of Drake, as public copies of its tables reproduce it: 0.5 in of ice, 1.2434 t (d + t) = 1.000
    lb/ft; with 4 lb/ft2 of wind on 2.108 in sqrt(2.094^2 + 0.703^2) lb/ft, the constant 0.30 not counted."""
    pound_foot = 14.593903
    ice = ice_weight(1.108 * 0.0254, 0.0127, 57.0 * 16.018463) / pound_foot
    wind = 4.0 * 2.108 / 12.0

    assert ice == pytest.approx(1.000, abs=5e-4)
    assert np.hypot(1.094 + ice, wind) == pytest.approx(np.hypot(2.094, 0.703), abs=5e-4)
    # The same by what a line takes from the weather: weight, and wind on the iced diameter.
    line = Line("drake", End((0, 0, 20)), End((200, 0, 20)), 1.108 * 0.0254, DRAKE)
    weather = Weather((0.0, 0.0), ice_m=(0.0127, 0.0127), ice_kg_m3=57.0 * 16.018463)
    thick, weight = ice_of(line, weather)
    assert weight[1] / pound_foot == pytest.approx(1.000, abs=5e-4)
    assert line.diameter_m + 2 * thick[1] == pytest.approx(2.108 * 0.0254, rel=1e-6)
