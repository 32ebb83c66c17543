"""Shapes of wires that deform: they are the placed pieces, moved by the motion room's own joints."""

from __future__ import annotations

from math import hypot

import numpy as np
import pytest

from clearance.bodies.deformable_wire import string_shape, wire_shape
from clearance.conductor.catalogue import find
from clearance.conductor.lines import End, Known, Line, Weather
from clearance.conductor.placing import at, place
from clearance.errors import InputError
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
    assert shape.slack == pytest.approx(np.full(len(shape), PLACED.pieces[1].slack_m + 0.03))


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
    assert (twin.slack >= single.slack[0]).all()
    slope = max(abs(step[2]) / np.linalg.norm(step) for step in np.diff(PLACED.pieces[1].points, axis=0))
    assert twin.slack[0] - single.slack[0] >= hypot(0.2, 0.0) * slope


def test_what_is_not_there_is_refused():
    bare = place([Line("bare", End((0, 0, 9)), End((50, 0, 9)), 0.028, known=Known(constant_m=500.0))])["bare"]
    with pytest.raises(InputError, match="a string of its own"):
        string_shape(bare, "to string", (0.0, 1.0), 0.1)
    with pytest.raises(InputError, match="a part of its 3 m"):
        string_shape(PLACED, "from string", (0.0, 4.0), 0.1)
