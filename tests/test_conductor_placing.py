"""Placing: every shape that random weather makes, solved by another route, lies within uncertainty of the family
given to the sweep."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import atan2, hypot, inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import nnls

from clearance.conductor import catenary, planar
from clearance.conductor.catalogue import find, linear, models
from clearance.conductor.change_of_state import reference_length, settle_length
from clearance.conductor.elastic import Segment, along, hang, polyline, run
from clearance.conductor.envelope import load_directions, span_family
from clearance.conductor.lines import Check, End, Known, Line, Weather
from clearance.conductor.loose import loose_family
from clearance.conductor.placing import at, moves, place
from clearance.conductor.ranges import strain_strings, wind_force
from clearance.conductor.section import Support, at_state, strung
from clearance.errors import InputError

DRAKE = find("Drake")
WEIGHT = DRAKE.weight_N_m
WEATHER = Weather((0.0, 35.0), (0.0, 14.0), conductor_C=(0.0, 80.0), basis="test")
share = st.floats(0, 1)


def span(rise=0.0, level=300.0, tension=25000.0, strings=("", ""), checks=(), **more):
    one, two = (
        End((0.0, 0.0, 30.0), strings[0], 3.0 if strings[0] else 0.0),
        End((level, 0.0, 30.0 + rise), strings[1], 2.0 if strings[1] else 0.0),
    )
    return Line(
        "bus A",
        one,
        two,
        DRAKE.diameter_m,
        DRAKE,
        known=Known(tension_N=tension, weight_N_m=WEIGHT, at_C=15.0),
        checks=checks,
        **more,
    )


def distance(points, chain):
    """Greatest distance of points from a polyline."""
    start, step = chain[:-1], np.diff(chain, axis=0)
    length = np.maximum((step**2).sum(1), 1e-18)
    along = np.clip(np.einsum("pnk,nk->pn", points[:, None] - start, step) / length, 0, 1)
    return np.linalg.norm(points[:, None] - (start + along[..., None] * step), axis=2).min(1).max()


def nearest(points, chains, placed, swing, guess):
    """Least over the shape parameter of the distance of the line to the family, by a bracket about a guess."""
    low, high = placed.shape_m
    best = inf
    for v in np.clip(guess + np.linspace(-0.004, 0.004, 5), low, high):
        pieces = at(placed, float(v), swing)
        best = min(best, max(distance(own, piece) for own, piece in zip(chains(points), pieces, strict=True)))
    return best


@cache
def placed_span(rise, level):
    line = span(rise, level, 25000.0 if level > 100 else 6000.0)
    return line, place([line], WEATHER)["bus A"]


@settings(max_examples=20, deadline=None)
@given(
    rise=st.sampled_from([0.0, 12.0, -45.0]),
    level=st.sampled_from([60.0, 300.0, 480.0]),
    warm=share,
    push=share,
    kind=st.integers(0, 2),
)
def test_spans_between_dead_ends(rise, level, warm, push, kind):
    """The true line: its length from the change of state under the wind, hung in three dimensions by the vector
    solver."""
    line, placed = placed_span(rise, level)
    model = models(DRAKE)[kind]
    forces = wind_force(line, WEATHER)
    force = forces[0] + push * (forces[1] - forces[0])
    temperature = 80.0 * warm
    a, b = np.array(line.start.point), np.array(line.end.point)
    chord, slope = float(np.linalg.norm(b - a)), atan2(rise, level)
    length = reference_length(chord, slope, line.known.tension_N, WEIGHT, 15.0, model)
    turned = atan2(force, WEIGHT * np.cos(slope))
    load = np.array([0.0, force, -WEIGHT])
    along = float(load @ (b - a)) / chord
    tilt = atan2(-along, hypot(force, WEIGHT * np.cos(slope)))
    pull = settle_length(chord, tilt, hypot(force, WEIGHT), temperature, length, model)
    curve = planar.solve(chord, tilt, hypot(force, WEIGHT) / pull)
    hung = hang(a, b, [Segment(float(curve.length_m), tuple(load))])
    true, _ = polyline(hung, 0.002)
    guess = float(planar.depth_at(curve, chord / 2)) - float(
        planar.depth_at(planar.solve(chord, slope, WEIGHT / line.known.tension_N), chord / 2)
    )

    assert placed.swing_rad[0] <= turned <= placed.swing_rad[1]
    assert nearest(true, lambda points: [points], placed, turned, guess) <= placed.pieces[0].uncertainty_m
    # Level spans cost a chord error and a few cells; a fall of 37 degrees some ten times that.
    assert placed.pieces[0].uncertainty_m < (0.012 if rise == 0 else 0.06)


@cache
def placed_strung(heavy):
    """120 m rising 10 m, strings of 3 and 2 m, as heavy per metre as the wire or as 300 N a metre."""
    line = span(10.0, 120.0, 12000.0, ("strain", "strain"))
    if heavy:
        start, end = replace(line.start, string_weight_N=900.0), replace(line.end, string_weight_N=600.0)
        line = replace(line, start=start, end=end)
    return line, place([line], WEATHER)["bus A"]


@settings(max_examples=20, deadline=None)
@given(warm=share, push=share, heavy=st.booleans())
def test_strain_strings_move_with_the_span(warm, push, heavy):
    """Each piece of the true line, string and wire, lies within uncertainty of its own piece."""
    line, placed = placed_strung(heavy)
    (one, two), ratios = strain_strings(line)
    assert ratios == pytest.approx((300 / WEIGHT, 300 / WEIGHT) if heavy else (1.0, 1.0))
    model, temperature = linear(DRAKE), 80.0 * warm
    forces = wind_force(line, WEATHER)
    force = forces[0] + push * (forces[1] - forces[0])
    chord, slope = hypot(120.0, 10.0), atan2(10.0, 120.0)
    length = reference_length(chord, slope, 12000.0, WEIGHT, 15.0, model, (one, two), ratios)
    turned = atan2(force, WEIGHT * np.cos(slope))
    tilt = np.arctan(np.tan(slope) * np.cos(turned))
    pull = settle_length(chord, tilt, hypot(force, WEIGHT), temperature, length, model, (one, two), ratios)
    curve = planar.solve(chord, tilt, hypot(force, WEIGHT) / pull, (one, two), ratios)
    load = np.array([0.0, force, -WEIGHT])
    made = [(3.0, ratios[0]), (float(curve.length_m), 1.0), (2.0, ratios[1])]
    hung = hang(line.start.point, line.end.point, [Segment(size, tuple(ratio * load)) for size, ratio in made])
    parts = []
    place_, tension = np.array(line.start.point), hung.force
    for segment in hung.segments:
        cuts = [Segment(segment.length_m * k / 60, segment.load_N_m) for k in range(1, 61)]
        steps = [np.zeros(3), *(run(tension, [cut], [])[0] for cut in cuts)]
        parts.append(place_ + np.array(steps))
        tension = run(tension, [segment], [])[3]
        place_ = parts[-1][-1]
    flat = planar.depth_at(planar.solve(chord, slope, WEIGHT / 12000.0, (one, two), ratios), chord / 2)
    guess = float(planar.depth_at(curve, chord / 2) - flat)

    assert [piece.part for piece in placed.pieces] == ["from string", "wire", "to string"]
    assert nearest(parts, lambda points: points, placed, turned, guess) <= placed.pieces[1].uncertainty_m
    assert placed.pieces[1].uncertainty_m < 0.07


def wire_uncertainty(placed):
    return next(piece.uncertainty_m for piece in placed.pieces if piece.part == "wire")


def rail(drop=2.4):
    """Two unequal spans that meet at a suspension string, the second drawn backwards."""
    middle = End((220.0, 0.0, 33.0), "suspension", drop, 700.0, 0.25)
    other = End((220.0, 0.0, 33.0), "suspension", drop, 700.0, 0.25, own=False)
    known = Known(tension_N=20000.0, weight_N_m=WEIGHT, at_C=15.0)
    return [
        Line("west", End((0.0, 0.0, 30.0)), middle, DRAKE.diameter_m, DRAKE, known=known),
        Line("east", End((540.0, 0.0, 27.0)), other, DRAKE.diameter_m, DRAKE, known=known),
    ]


@settings(max_examples=20, deadline=None)
@given(warm=share, push=share)
def test_spans_on_a_suspension_string(warm, push):
    """The whole section in a random state, by the section solver: both spans lie within uncertainty of their
    families."""
    lines = rail()
    placed = placed_rail()
    forces = wind_force(lines[0], WEATHER)
    force = forces[0] + push * (forces[1] - forces[0])
    blown = force / DRAKE.diameter_m * 1.2 * 0.25 * 2.4 / 2
    supports = [
        Support(np.array([0.0, 0.0, 30.0])),
        Support(np.array([220.0, 0.0, 33.0]), 2.4, np.array([0.0, 0.0, -350.0])),
        Support(np.array([540.0, 0.0, 27.0])),
    ]
    strung_ = strung(supports, 20000.0, WEIGHT, 15.0, linear(DRAKE))
    _, settled = at_state(strung_, 80.0 * warm, (0.0, force, 0.0), (0.0, blown, 0.0))
    for name, index, sign in (("west", 0, 1.0), ("east", 1, -1.0)):
        found = placed[name]
        true, _ = polyline(settled.lines[index], 0.002)
        down = np.array([0.0, 0.0, -1.0]) + found.axis[2] * found.axis
        turned = sign * atan2(force, WEIGHT * np.linalg.norm(down))
        assert wire_uncertainty(found) < 0.35
        wire = next(piece for piece in found.pieces if piece.part == "wire")
        low, high = found.shape_m
        best = min(
            distance(
                true,
                next(
                    points
                    for piece, points in zip(found.pieces, at(found, float(v), turned), strict=True)
                    if piece is wire
                ),
            )
            for v in np.linspace(low, high, 80)
        )

        assert found.swing_rad[0] <= turned <= found.swing_rad[1]
        assert best <= wire.uncertainty_m + (high - low) / 80
        assert not any("mirror" in note for note in found.notes)


def test_a_string_whose_other_span_is_not_there_is_said_to_be_mirrored():
    placed = place([rail()[0]], WEATHER)["west"]

    assert any("taken as its mirror image" in note for note in placed.notes)
    assert any("an allowance, not a proof" in note for note in placed.notes)
    assert not any("allowance" in note for note in placed_span(0.0, 300.0)[1].notes), "between dead ends it is proved"
    assert placed.ranges.ends_m > 0


@cache
def placed_dropper(drop):
    a, b = (0.0, 0.0, 10.0), (5.0, 1.0, 10.0 + drop)
    length = 1.12 * float(np.linalg.norm(np.subtract(b, a)))
    line = Line("dropper", End(a), End(b), 0.0274, weight_N_m=13.5, length_m=length)
    return place([line], Weather((0.0, 35.0), (0.0, 16.0)))["dropper"]


@cache
def placed_rail():
    return place(rail(), WEATHER)


@settings(max_examples=40, deadline=None)
@given(heading=st.floats(0, 2 * np.pi), speed=share, drop=st.sampled_from([0.0, -2.0, -6.0, 5.0]))
def test_loose_lines_in_any_wind(heading, speed, drop):
    """A jumper or dropper of fixed length under a random wind, hung in three dimensions, lies within uncertainty of its
    family."""
    a, b = (0.0, 0.0, 10.0), (5.0, 1.0, 10.0 + drop)
    length = 1.12 * float(np.linalg.norm(np.subtract(b, a)))
    placed = placed_dropper(drop)
    force = placed.ranges.force_N_m[1] * speed
    load = np.array([force * np.cos(heading), force * np.sin(heading), -13.5])
    hung = hang(a, b, [Segment(length, tuple(load))])
    true, _ = polyline(hung, 0.001)
    axis = placed.axis
    down = np.array([0.0, 0.0, -1.0]) + axis[2] * axis
    side = np.cross(down, -axis)
    turned = atan2(load @ side, load @ down)

    assert placed.swing_rad[0] - 1e-9 <= turned <= placed.swing_rad[1] + 1e-9
    best = min(distance(true, at(placed, float(v), turned)[0]) for v in np.linspace(*placed.shape_m, 60))
    width = placed.shape_m[1] - placed.shape_m[0]
    assert best <= placed.pieces[0].uncertainty_m + width / 60


def test_without_weather_lines_stand_as_stated():
    placed = place([span(12.0, strings=("strain", "suspension"))])["bus A"]
    points = np.concatenate(
        [points for piece, points in zip(placed.pieces, at(placed, 0.0, 0.0), strict=True) if piece.part == "wire"]
    )
    whole = catenary.from_tension((0, 0, 30), (300, 0, 40), 25000.0, WEIGHT)

    assert placed.shape_m == placed.swing_rad == (0.0, 0.0)
    assert all(point[2] == pytest.approx(catenary.point_at(whole, point[0])[2], abs=1e-6) for point in points[1:-1])
    assert placed.nominal.length_m == pytest.approx(whole.length_m - 3.0)
    assert [piece.part for piece in placed.pieces] == ["from string", "wire", "to string"]


def test_a_wider_range_of_weather_holds_a_narrower_one():
    narrow = place([span()], Weather((10.0, 25.0), (0.0, 6.0), conductor_C=(20.0, 50.0)))["bus A"]
    wide = place([span()], WEATHER)["bus A"]

    assert wide.shape_m[0] <= narrow.shape_m[0] <= narrow.shape_m[1] <= wide.shape_m[1]
    assert wide.swing_rad[0] <= narrow.swing_rad[0] <= narrow.swing_rad[1] <= wide.swing_rad[1]


def test_wind_from_one_side_swings_to_the_other():
    """Wind from the south (180) on a line that runs east blows it north, to its left: swing is positive only."""
    placed = place([span()], Weather((10.0, 25.0), (4.0, 8.0), (180.0, 180.0), conductor_C=(20.0, 50.0)))["bus A"]

    assert 0 < placed.swing_rad[0] < placed.swing_rad[1]
    middle = at(placed, 0.0, placed.swing_rad[1])[0]
    assert middle[len(middle) // 2][1] > 0.5


def test_a_check_on_site_corrects_the_model_and_goes_into_uncertainty():
    """Scan says 7.60 m at 18 C; the state as stated gives its own sag there. The difference is uncertainty, the
    shape is the scan's."""
    checked = place(
        [span(checks=(Check(7.60, 18.0, "survey team"),))], Weather((18.0, 18.0), conductor_C=(18.0, 18.0))
    )["bus A"]
    plain = place([span()], Weather((18.0, 18.0), conductor_C=(18.0, 18.0)))["bus A"]
    stated = catenary.sag_at_midspan(catenary.from_tension((0, 0, 0), (300, 0, 0), 25000.0, WEIGHT))

    assert checked.correction.measured_m == 7.60
    assert checked.correction.uncertainty_m == pytest.approx(abs(checked.correction.modelled_m - 7.60))
    assert checked.pieces[0].uncertainty_m == pytest.approx(
        plain.pieces[0].uncertainty_m + checked.correction.uncertainty_m, abs=2e-3
    )
    # At the temperature of the check every model passes through it.
    assert [stated + v for v in checked.shape_m] == pytest.approx([7.60, 7.60], abs=1e-5)


def test_checks_that_disagree_leave_more_uncertainty():
    agree = place([span(checks=(Check(7.60, 18.0),))], WEATHER)["bus A"]
    disagree = place([span(checks=(Check(7.60, 18.0), Check(8.60, 30.0)))], WEATHER)["bus A"]

    assert disagree.correction.uncertainty_m > agree.correction.uncertainty_m


def test_a_check_stands_in_for_an_unknown_temperature():
    line = span(checks=(Check(7.60, 18.0),))
    unknown = Line("bus A", line.start, line.end, line.diameter_m, DRAKE, known=Known(sag_m=7.3), checks=line.checks)

    assert place([unknown], WEATHER)["bus A"].shape_m[1] > 0.3


def test_heavier_strings_hang_lower():
    """A 3 m string of 900 N lowers the wire by about (900 - 48) / 2 * 3 / 12000 at the same tension: 0.11 m."""
    plain, heavy = placed_strung(False)[1], placed_strung(True)[1]
    one, two = (catenary.low_point(placed.nominal)[2] for placed in (plain, heavy))

    assert heavy.nominal.start[2] - plain.nominal.start[2] == pytest.approx(
        -(900 - 3 * WEIGHT) / 2 * 3 / 12000, rel=0.1
    )
    assert two < one
    assert heavy.pieces[0].points[-1] == pytest.approx(np.array(heavy.nominal.start), abs=2e-3)


@settings(max_examples=40, deadline=None)
@given(
    level=st.floats(0.0, 300.0),
    v=share,
    swing=share,
    way=st.tuples(*[st.floats(-1.0, 1.0)] * 3),
    rise=st.sampled_from([0.0, 12.0]),
)
def test_where_a_point_on_a_line_goes_is_within_uncertainty_of_the_hull_of_its_displacements(
    level, v, swing, way, rise
):
    """Along any way no place of the family, at any shape and swing, is further than the hull and its uncertainty;
    what lies between two vertices goes as it lies between them."""
    placed = placed_span(rise, 300.0)[1]
    piece = placed.pieces[0]
    nominal = catenary.point_at(placed.nominal, level)
    steps, uncertainty = moves(placed, nominal)
    shape_m = placed.shape_m[0] + v * (placed.shape_m[1] - placed.shape_m[0])
    angle = placed.swing_rad[0] + swing * (placed.swing_rad[1] - placed.swing_rad[0])
    there = at(placed, shape_m, angle)[0]
    place_ = [np.interp(level, piece.points[:, 0], there[:, axis]) for axis in range(3)]

    assert (
        np.dot(way, np.subtract(place_, nominal))
        <= np.max(steps @ np.array(way)) + uncertainty * np.linalg.norm(way) + 1e-9
    )
    assert uncertainty < piece.uncertainty_m + 0.02


@settings(max_examples=25, deadline=None)
@given(warm=share, push=share, at_share=st.floats(0.02, 0.98), kind=st.integers(0, 2), which=st.sampled_from([0, 1, 2]))
def test_a_clamp_goes_where_the_displacements_of_its_place_say(warm, push, at_share, kind, which):
    """A point at a share of the wire, its length from the change of state, hung in three dimensions; how far it is from
    the hull of the displacements by scipy's least squares with no negative weights."""
    rise, level = ((0.0, 60.0), (0.0, 300.0), (-45.0, 480.0))[which]
    line, placed = placed_span(rise, level)
    model, forces = models(DRAKE)[kind], wind_force(line, WEATHER)
    force = forces[0] + push * (forces[1] - forces[0])
    a, b = np.array(line.start.point), np.array(line.end.point)
    chord, slope, load = float(np.linalg.norm(b - a)), atan2(rise, level), np.array([0.0, force, -WEIGHT])
    length = reference_length(chord, slope, line.known.tension_N, WEIGHT, 15.0, model)
    tilt, across = atan2(-float(load @ (b - a)) / chord, hypot(force, WEIGHT * np.cos(slope))), hypot(force, WEIGHT)
    pull = settle_length(chord, tilt, across, 80.0 * warm, length, model)
    size = float(planar.solve(chord, tilt, across / pull).length_m)
    hung = hang(a, b, [Segment(size, tuple(load))])
    nominal = catenary.point_at_length(placed.nominal, at_share * placed.nominal.length_m)
    steps, uncertainty = moves(placed, nominal)
    moved = a + along(hung.force, hung.segments[0], np.array([at_share * size]))[0] - nominal
    weights, _ = nnls(np.vstack([np.transpose(steps), np.full(len(steps), 1e3)]), np.append(moved, 1e3))

    assert np.linalg.norm(np.transpose(steps) @ weights - moved) <= uncertainty


def test_how_far_a_point_on_a_line_goes():
    placed = place([span()], WEATHER)["bus A"]
    steps, _ = moves(placed, catenary.point_at(placed.nominal, 150.0))
    high = max(
        float(np.linalg.norm(points[len(points) // 2] - placed.pieces[0].points[len(points) // 2]))
        for v in np.linspace(*placed.shape_m, 9)
        for s in np.linspace(*placed.swing_rad, 9)
        for points in at(placed, float(v), float(s))
    )

    assert max(np.linalg.norm(step) for step in steps) >= high - 0.05
    assert np.abs(moves(placed, (0.0, 0.0, 30.0))[0]).max() < 1e-9


def test_what_the_weather_needs_is_asked_for_together():
    lines = [
        Line("bus A", End((0, 0, 9)), End((50, 0, 9)), 0.028, known=Known(constant_m=500.0)),
        Line("dropper", End((0, 0, 9)), End((2, 0, 5)), 0.028, length_m=5.0),
    ]
    with pytest.raises(InputError) as failure:
        place(lines, Weather((0.0, 30.0), (0.0, 5.0)))

    text = str(failure.value)
    assert "wire 'bus A': conductor" in text
    assert "wire 'bus A': known: expected a temperature" in text
    assert "wire 'dropper': weight_N_m" in text


def test_current_is_asked_for_where_no_temperature_is_stated():
    with pytest.raises(InputError, match="weather: current_A: expected the range of current"):
        place([span()], Weather((0.0, 30.0)))


def test_current_makes_the_range_of_temperature():
    placed = place([span()], Weather((25.0, 38.0), (0.0, 6.0), current_A=(200.0, 600.0), sun_W_m2=(0.0, 1000.0)))[
        "bus A"
    ]

    assert placed.ranges.conductor_C == pytest.approx((25.5, 81.0), abs=1.5)
    assert "IEEE 738" in placed.ranges.conductor_basis


def dropper(moved=(), uncertainty=0.0, length=5.2):
    top = End((0, 0, 9), moves_m=moved, moves_uncertainty_m=uncertainty)
    return Line("dropper", top, End((2, 0, 5)), 0.028, weight_N_m=13.5, length_m=length)


def test_a_dropper_moves_with_the_wire_it_hangs_on():
    """Its top shifted by a part of its range, solved afresh in three dimensions: every point stays within the
    uncertainty of the family there, which is nothing more at the end that is held."""
    weather = Weather((0.0, 30.0), (0.0, 8.0))
    range_ = ((0.0, 0.0, 0.0), (0.0, 0.3, -0.1), (0.0, -0.3, -0.1), (0.0, 0.0, -0.4))
    placed = place([dropper(range_, 0.05)], weather)["dropper"]
    still = place([dropper()], weather)["dropper"]
    room = placed.pieces[0].room_m
    assert room.max() > still.pieces[0].room_m.max() + 0.3
    assert room[-1] == pytest.approx(still.pieces[0].room_m[-1], abs=0.035)
    assert room[-3] < 0.65 * room.max()
    assert not any("allowance" in note for note in (*placed.notes, *still.notes)), "both are proved"

    rng = np.random.default_rng(5)
    for _ in range(40):
        step = rng.dirichlet(np.full(4, 0.4)) @ np.array(range_) + 0.05 * unit(rng)
        force = 4.0 * rng.random() * unit(rng, 2)
        load = np.array([*force, -13.5])
        hung = hang(np.add((0, 0, 9), step), (2, 0, 5), [Segment(5.2, tuple(load))])
        true, _ = polyline(hung, 0.002)
        down = np.array([0.0, 0.0, -1.0]) + placed.axis[2] * placed.axis
        turned = atan2(load @ np.cross(down, -placed.axis), load @ down)
        chains = [at(placed, float(v), turned)[0] for v in np.linspace(*placed.shape_m, 40)]
        assert min(over_room(true, chain, room) for chain in chains) <= 0.0


def unit(rng, size=3):
    made = rng.normal(size=size)
    return made / np.linalg.norm(made)


def over_room(points, chain, room):
    """How far points are beyond the uncertainty around a polyline [m], the larger of both ends' on each segment."""
    start, step = chain[:-1], np.diff(chain, axis=0)
    length = np.maximum((step**2).sum(1), 1e-18)
    along = np.clip(np.einsum("pnk,nk->pn", points[:, None] - start, step) / length, 0, 1)
    away = np.linalg.norm(points[:, None] - (start + along[..., None] * step), axis=2)
    return float((away - np.maximum(room[:-1], room[1:])).min(axis=1).max())


def test_a_dropper_that_would_be_pulled_straight_holds_the_wire_it_hangs_on():
    placed = place([dropper(((0.0, 0.0, 0.0), (0.0, 0.0, 1.5)), 0.1, 4.6)], Weather((0.0, 30.0), (0.0, 5.0)))["dropper"]

    assert np.isfinite(placed.pieces[0].room_m).all()
    assert any("where they would pull it straight it holds them" in note for note in placed.notes)
    # Pulled up by 0.19 m of the 1.6 m that the wire may rise, it is straight.
    still = place([dropper(length=4.6)], Weather((0.0, 30.0), (0.0, 5.0)))["dropper"]
    ends = np.array([2.0, 0.0, 5.0]), np.array([0.0, 0.0, 9.129])
    straight = ends[1] + np.linspace(0.0, 1.0, 200)[:, None] * (ends[0] - ends[1])
    assert over_room(straight, at(still, 0.0, 0.0)[0], placed.pieces[0].room_m) <= 0.0


def test_three_spans_at_one_string_are_refused():
    west, east = rail()
    third = Line("south", End((220.0, -200.0, 30.0)), east.end, DRAKE.diameter_m, DRAKE, known=west.known)
    with pytest.raises(InputError, match="two spans at a suspension string"):
        place([west, east, third], WEATHER)


def test_family_of_a_single_state_does_not_move():
    family = span_family(300.0, (1e-3, 0.0), (1e-3, 1e-3), (0.0, 0.0))

    assert family.range_m == (0.0, 0.0)
    assert not family.along_rate.any()
    assert family.uncertainty_m < 0.006


def test_vertical_dropper_may_turn_any_way():
    directions = load_directions(np.array([0.0, 0.0, -4.0]), 13.5, 5.0)
    family = loose_family(4.0, 4.6, -np.pi / 2, directions.tilt_rad)

    assert directions.turn_rad == (-np.pi, np.pi)
    assert family.uncertainty_m < 0.5
