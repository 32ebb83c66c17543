"""Shapes of wires that deform: they are the placed pieces, moved by the motion room's own joints."""

from __future__ import annotations

from functools import cache
from math import hypot

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance import shapes
from clearance.bodies.deformable_wire import (
    envelope_shape,
    ring_envelope,
    strays_m,
    string_envelope,
    string_shape,
    wire_shape,
)
from clearance.conductor.catalogue import find
from clearance.conductor.lines import End, Known, Line, Weather
from clearance.conductor.placing import at, place
from clearance.errors import InputError
from clearance.kernel import pairs
from clearance.motion import Joint, Link, Motion
from clearance.motion import placed as moved

DRAKE = find("Drake")
LINE = Line(
    "bus A",
    End((0.0, 0.0, 20.0), "strain", 3.0, 900.0, 0.28),
    End((120.0, 10.0, 24.0), "suspension", 2.5, 600.0, 0.28),
    DRAKE.diameter_m,
    DRAKE,
    known=Known(tension_N=12000.0, weight_N_m=DRAKE.weight_N_m, at_C=15.0),
)
PLACED = place([LINE], Weather((0.0, 30.0), (0.0, 10.0), conductor_C=(5.0, 60.0)))["bus A"]
MOTION = Motion(
    (
        Link(
            "swing",
            None,
            (Joint("turn", "swing", tuple(PLACED.axis), tuple(PLACED.axis_point)),),
        ),
    ),
    ("shape", "swing"),
)


def test_the_sweep_moves_the_shape_as_placing_does():
    shape = wire_shape(PLACED, LINE.diameter_m, 0.03)
    for v in PLACED.shape_m:
        for swing in PLACED.swing_rad:
            there = moved(shape, MOTION, "swing", {"shape": v, "swing": swing}, "shape")
            pieces = zip(PLACED.pieces, at(PLACED, v, swing), strict=True)
            wire = next(points for piece, points in pieces if piece.part == "wire")

            assert there.vertices[:, 0] == pytest.approx(wire[:-1], abs=1e-9)
            assert there.vertices[:, 1] == pytest.approx(wire[1:], abs=1e-9)
    assert shape.uncertainty == pytest.approx(np.full(len(shape), PLACED.pieces[1].uncertainty_m + 0.03))


def test_strings_are_cut_by_distance_from_their_attachment():
    whole = string_shape(PLACED, "from string", (0.0, 3.0), 0.14)
    part = string_shape(PLACED, "from string", (0.4, 2.6), 0.14)

    assert whole.vertices[0, 0] == pytest.approx(np.array(LINE.start.point), abs=1e-9)
    assert whole.vertices[-1, 1] == pytest.approx(np.array(PLACED.nominal.start), abs=5e-3)
    assert np.linalg.norm(part.vertices[0, 0] - LINE.start.point) == pytest.approx(0.4, abs=1e-3)
    assert np.linalg.norm(np.diff(part.vertices[:, :2], axis=1)[:, 0], axis=1).sum() == pytest.approx(2.2, abs=2e-3)
    hanging = string_shape(PLACED, "to string", (0.0, 2.5), 0.14)
    assert hanging.vertices[0, 0] == pytest.approx(np.array(LINE.end.point))
    assert hanging.vertices[-1, 1] == pytest.approx(np.subtract(LINE.end.point, (0, 0, 2.5)))


def test_bundle_stands_about_the_wire():
    single = wire_shape(PLACED, LINE.diameter_m)
    twin = wire_shape(PLACED, LINE.diameter_m, 0.0, [(-0.2, 0.0), (0.2, 0.0)])
    half = len(single)

    assert len(twin) == 2 * half
    gap = np.linalg.norm(twin.vertices[:half] - twin.vertices[half:], axis=2)
    assert gap == pytest.approx(np.full((half, 3), 0.4))
    assert (twin.uncertainty >= single.uncertainty[0]).all()
    slope = max(abs(step[2]) / np.linalg.norm(step) for step in np.diff(PLACED.pieces[1].points, axis=0))
    assert twin.uncertainty[0] - single.uncertainty[0] >= hypot(0.2, 0.0) * slope


def test_what_is_not_there_is_refused():
    bare = place([Line("bare", End((0, 0, 9)), End((50, 0, 9)), 0.028, known=Known(constant_m=500.0))])["bare"]
    with pytest.raises(InputError, match="a string of its own"):
        string_shape(bare, "to string", (0.0, 1.0), 0.1)
    with pytest.raises(InputError, match="a part of its 3 m"):
        string_shape(PLACED, "from string", (0.0, 4.0), 0.1)


WINDS = {"calm": 0.0, "breeze": 10.0, "gale": 22.0}
LINES = {
    "strings": LINE,
    "level": Line("level", End((0, 0, 9)), End((60, 0, 9)), 0.0281, DRAKE, known=Known(sag_m=1.2, at_C=15.0)),
    "steep": Line("steep", End((3, -2, 8)), End((20, 9, 21)), 0.0281, DRAKE, known=Known(sag_m=0.8, at_C=15.0)),
    "loop": Line("loop", End((0, 0, 9)), End((5, 1, 4)), 0.0281, DRAKE, length_m=8.0),
}
TWIN = ((-0.2, 0.0), (0.2, 0.0))


@cache
def everywhere(name, wind):
    """A line in a wind, with its envelope and that of a twin bundle."""
    line = LINES[name]
    there = place([line], Weather((0.0, 30.0), (0.0, WINDS[wind]), conductor_C=(5.0, 60.0)))[line.name]
    return there, envelope_shape(there, 0.0281), envelope_shape(there, 0.0281, 0.0, TWIN)


def distances(shape, points):
    """Distance of each point from the surface of a shape with its uncertainty: none where it is not outside."""
    left = np.full(len(points), np.inf)
    squared, witness = np.empty(len(shape)), np.empty((len(shape), 2, 3))
    for index, point in enumerate(points):
        ball = shapes.points(np.repeat(point[None], len(shape), axis=0))
        pairs.measure(shape.vertices, shape.corners, ball.vertices, ball.corners, squared, witness)
        left[index] = (np.sqrt(squared) - shape.radius - shape.uncertainty).min()
    return left


def between(points, shares):
    """Points of a polyline at shares of its index."""
    at_index = np.asarray(shares) * (len(points) - 1)
    return np.stack([np.interp(at_index, np.arange(len(points)), points[:, k]) for k in range(3)], axis=1)


SHARE = st.floats(0.0, 1.0)


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from(sorted(LINES)),
    st.sampled_from(sorted(WINDS)),
    SHARE,
    SHARE,
    st.lists(SHARE, min_size=6, max_size=6),
    st.floats(-1.0, 1.0),
)
def test_every_wire_of_the_family_lies_within_uncertainty_of_its_envelope(name, wind, v, phi, along, level):
    """Any shape, any swing, any place along the wire. Shapes are made by `placing.at`, distances by the kernel.

    A wire of the family is `Piece.uncertainty_m` and its own radius closer than the surface of the true one may be:
    that much is left over.
    """
    there, single, twin = everywhere(name, wind)
    shape_m = there.shape_m[0] + v * (there.shape_m[1] - there.shape_m[0])
    swing = there.swing_rad[0] + phi * (there.swing_rad[1] - there.swing_rad[0])
    piece, points = next(
        pair for pair in zip(there.pieces, at(there, shape_m, swing), strict=True) if pair[0].part == "wire"
    )
    where = between(points, along)

    assert distances(single, where).max() <= -piece.uncertainty_m - 0.01405 + 1e-9
    # A subconductor that stands anywhere between level and turned with the swing.
    left = np.array([-there.axis[1], there.axis[0], 0.0]) / np.hypot(*there.axis[:2])
    turned = swing * abs(level)
    offset = 0.2 * (np.cos(turned) * left + np.sin(turned) * np.cross(there.axis, left))
    assert distances(twin, where + offset).max() <= -0.01405 + 1e-9


@pytest.mark.parametrize("name", sorted(LINES))
@pytest.mark.parametrize("wind", sorted(WINDS))
def test_the_outermost_wires_lie_within_uncertainty_too(name, wind):
    """Where every part of the uncertainty is needed at once: every vertex at the ends of the shapes, at many swings;
    leaving out the bow, the merging of vertices, the step of the layers or the levelling of a bundle fails here."""
    there, single, twin = everywhere(name, wind)
    left = np.array([-there.axis[1], there.axis[0], 0.0]) / np.hypot(*there.axis[:2])
    for shape_m in there.shape_m:
        for swing in np.linspace(*there.swing_rad, 38):
            piece, points = next(
                pair for pair in zip(there.pieces, at(there, shape_m, swing), strict=True) if pair[0].part == "wire"
            )

            assert distances(single, points).max() <= -piece.uncertainty_m - 0.01405 + 1e-9
            if swing in there.swing_rad:
                # What the slope of the wire adds for spacers is not needed here.
                steps = [np.diff(piece.points + v * piece.rate, axis=0) for v in (0.0, *there.shape_m)]
                steepest = max((np.abs(s[:, 2]) / np.linalg.norm(s, axis=1)).max() for s in steps)
                spare = piece.uncertainty_m + 0.2 * steepest + 0.01405
                assert distances(twin, points + 0.2 * left).max() <= -spare + 1e-9


@settings(deadline=None, max_examples=30)
@given(st.sampled_from(sorted(WINDS)), SHARE, SHARE, SHARE, st.floats(0.0, 2 * np.pi))
def test_strings_and_rings_lie_within_uncertainty_of_their_envelopes(wind, v, phi, along, round_):
    there = everywhere("strings", wind)[0]
    shape_m = there.shape_m[0] + v * (there.shape_m[1] - there.shape_m[0])
    swing = there.swing_rad[0] + phi * (there.swing_rad[1] - there.swing_rad[0])
    for piece, points in zip(there.pieces, at(there, shape_m, swing), strict=True):
        if piece.part == "wire":
            continue
        length = LINE.start.string_m if piece.part == "from string" else LINE.end.string_m
        whole = string_envelope(there, piece.part, (0.0, length), 0.14)
        ring = ring_envelope(there, piece.part, length, 0.6, 0.05)
        tip, before = (points[-1], points[-2]) if piece.part == "from string" or len(points) == 2 else points[:2]
        way = (tip - before) / np.linalg.norm(tip - before)
        one = np.cross(way, [0.0, 0.0, 1.0] if abs(way[2]) < 0.9 else [1.0, 0.0, 0.0])
        one /= np.linalg.norm(one)
        rim = tip + 0.3 * (np.cos(round_) * one + np.sin(round_) * np.cross(way, one))

        assert distances(whole, between(points, [along, 1 - along])).max() <= -piece.uncertainty_m - 0.14 + 1e-9
        assert distances(ring, rim[None]).max() <= -0.025 + 1e-9


@settings(deadline=None, max_examples=40)
@given(st.sampled_from(sorted(LINES)), st.sampled_from(sorted(WINDS)), SHARE, SHARE, SHARE)
def test_no_point_strays_further_than_told(name, wind, v, phi, along):
    there = everywhere(name, wind)[0]
    shape_m = there.shape_m[0] + v * (there.shape_m[1] - there.shape_m[0])
    swing = there.swing_rad[0] + phi * (there.swing_rad[1] - there.swing_rad[0])
    for piece, points in zip(there.pieces, at(there, shape_m, swing), strict=True):
        nominal, moved = between(piece.points, [along])[0], between(points, [along])[0]

        assert np.linalg.norm(moved - nominal) <= strays_m(there, nominal) + 1e-9


@pytest.mark.parametrize("name", sorted(LINES))
@pytest.mark.parametrize("wind", sorted(WINDS))
def test_an_envelope_is_no_larger_than_its_uncertainty_says(name, wind):
    """Every corner of the sheets is a place the wire really takes: nothing but uncertainty is added, and little of
    that."""
    there, single, _ = everywhere(name, wind)
    piece = next(piece for piece in there.pieces if piece.part == "wire")

    assert single.uncertainty.max() - piece.uncertainty_m < 0.01
    assert single.radius.max() < 0.0281 / 2 + 0.1
    assert len(single) < 2500
    middle = (there.shape_m[0] + there.shape_m[1]) / 2
    places = [at(there, v, swing) for v in (*there.shape_m, middle) for swing in (*there.swing_rad, 0.0)]
    corners = np.concatenate([points for pieces in places for points in pieces])
    lowest = corners[:, 2].min()
    assert lowest - 1e-9 <= single.vertices[:, :, 2].min() <= lowest + 0.1


def test_without_swing_an_envelope_is_segments():
    assert (everywhere("level", "calm")[1].corners == 2).all()
    assert (everywhere("level", "breeze")[1].corners == 3).all()
