"""Lines that carry loads at points, against closed forms and an independent chain of bars."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from conductor_chain import chain
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.conductor import planar
from clearance.conductor.catalogue import find, linear
from clearance.conductor.elastic import end_force, joints, polyline
from clearance.conductor.groups import reversed_line
from clearance.conductor.lines import End, Known, Line, PointLoad
from clearance.conductor.loads import (
    at_station,
    base_of,
    carried,
    everything,
    own_parts,
    sag_at_half,
    settled,
    stated_line,
)
from clearance.conductor.ranges import shape_of
from clearance.errors import InputError

DRAKE = find("Drake")
WEIGHT = DRAKE.weight_N_m


def bus(*loads, level=60.0, rise=0.0, known=None, **more):
    ends = End((0.0, 0.0, 12.0)), End((level, 0.0, 12.0 + rise))
    return Line(
        "bus", *ends, DRAKE.diameter_m, DRAKE, known=known or Known(tension_N=6000.0, weight_N_m=WEIGHT), loads=loads,
        **more,
    )  # fmt: skip


def weight(what, at, newton, stated=True):
    return PointLoad(what, at, (0.0, 0.0, -newton), stated)


def distance(points, line):
    start, step = line[:-1], np.diff(line, axis=0)
    length = np.maximum((step**2).sum(1), 1e-18)
    along = np.clip(np.einsum("pnk,nk->pn", points[:, None] - start, step) / length, 0, 1)
    return np.linalg.norm(points[:, None] - (start + along[..., None] * step), axis=2).min(1).max()


@settings(max_examples=20, deadline=None)
@given(
    level=st.floats(20, 300),
    slope=st.floats(-0.3, 0.3),
    where=st.tuples(st.floats(0.03, 0.45), st.floats(0.55, 0.97)),
    newton=st.tuples(st.floats(10, 1500), st.floats(10, 1500)),
    state=st.sampled_from(["tension_N", "sag_m", "constant_m"]),
)
def test_a_line_hangs_as_stated_with_its_loads_where_they_are_stated(level, slope, where, newton, state):
    known = {
        "tension_N": Known(tension_N=9000.0, weight_N_m=WEIGHT),
        "sag_m": Known(sag_m=0.03 * level),
        "constant_m": Known(constant_m=700.0),
    }[state]
    spots = [share * level for share in where]
    line = bus(*(weight(f"load {k}", at, size) for k, (at, size) in enumerate(zip(spots, newton, strict=True))),
               level=level, rise=slope * level, known=known)  # fmt: skip
    hung = stated_line(line).hung

    assert joints(hung)[1:-1, 0] == pytest.approx(spots, abs=1e-6)
    assert joints(hung)[-1] == pytest.approx(line.end.point, abs=1e-6)
    if state == "sag_m":
        assert sag_at_half(hung) == pytest.approx(0.03 * level, abs=1e-7)
    else:
        pull = 9000.0 if state == "tension_N" else 700.0 * WEIGHT
        assert float(hung.force[0]) == pytest.approx(pull, rel=1e-7)
    # Statics of the whole: the two ends carry the conductor and the loads.
    length = sum(segment.length_m for segment in hung.segments)
    assert end_force(hung)[2] - hung.force[2] == pytest.approx(WEIGHT * length + sum(newton))
    # Between the loads every piece is the catenary of one constant: slopes at its ends differ by w s / H.
    rises = np.diff(joints(hung)[:, 2]) / np.diff(joints(hung)[:, 0])
    assert (np.diff(rises) > 0).all(), "a line under weights alone is convex"


def test_without_loads_it_is_the_catenary_with_its_strings():
    line = bus(known=Known(sag_m=1.6))
    line = replace(line, start=replace(line.start, string="strain", string_m=2.6, string_weight_N=800.0))
    line = replace(line, loads=(weight("nothing", 20.0, 1e-9),))
    hung = stated_line(line).hung
    flat = planar.solve(60.0, 0.0, WEIGHT / float(hung.force[0]), (2.6, 0.0), (800.0 / 2.6 / WEIGHT, 1.0))

    assert float(planar.sag(flat)) == pytest.approx(1.6, abs=1e-6)
    assert float(flat.length_m) == pytest.approx(stated_line(line).length_m, abs=1e-6)
    assert shape_of(replace(line, loads=()), WEIGHT / float(hung.force[0])).length_m == pytest.approx(
        float(flat.length_m), abs=1e-9
    )


def test_a_taut_string_takes_loads_one_by_one():
    """P a (L - a) / (L H) under a load, and the sum of all at every place (taut string, small sag)."""
    one, two = weight("one", 15.0, 20.0), weight("two", 40.0, 30.0)
    line = bus(one, two, known=Known(tension_N=30000.0, weight_N_m=WEIGHT))
    bare = stated_line(replace(line, loads=(weight("one", 15.0, 0.0), weight("two", 40.0, 0.0)))).hung
    under = stated_line(line).hung

    for k, at in ((1, 15.0), (2, 40.0)):
        expected = sum(
            load * min(at, a) * (60.0 - max(at, a)) / (60.0 * 30000.0) for load, a in ((20.0, 15.0), (30.0, 40.0))
        )
        assert float(joints(bare)[k, 2] - joints(under)[k, 2]) == pytest.approx(expected, rel=2e-3)


@pytest.mark.slow
def test_a_load_that_came_later_stretches_the_line_as_a_chain_of_bars_does():
    """120 bars, their unstressed length that of the line: Newton on the nodes, no catenary in it."""
    line = bus(weight("spacer", 12.0, 80.0), weight("worker", 31.0, 950.0, stated=False), rise=4.0)
    made = carried([line])
    hung = settled(made, everything([line]))[1].lines[0]
    unstressed, stiffness = made.strung[0].lengths_m[0], linear(DRAKE).stiffness_N
    cuts = [0.0, *made.stood[0].shares, 1.0]
    counts = [24, 36, 60]
    shares = np.concatenate(
        [[0.0], *(np.linspace(a, b, n + 1)[1:] for a, b, n in zip(cuts, cuts[1:], counts, strict=False))]
    )
    lengths = np.diff(shares) * unstressed
    # A hung metre weighs w, so an unstressed one w times its stretch.
    own = WEIGHT * (1 + float(np.linalg.norm(hung.force)) / stiffness)
    forces = np.zeros((len(shares), 3))
    forces[:-1, 2] -= own * lengths / 2
    forces[1:, 2] -= own * lengths / 2
    forces[24, 2] -= 80.0
    forces[60, 2] -= 950.0
    guess = np.array([[60.0 * s, 0.0, 12.0 + 4.0 * s - 2.0 * np.sin(np.pi * s)] for s in shares])
    nodes = chain(line.start.point, line.end.point, lengths, np.full(120, stiffness), forces, guess)

    # Bars of 0.5 m bend by under u h^2 / 8 = 0.1 mm between nodes.
    assert distance(nodes, polyline(hung, 1e-4)[0]) < 5e-4
    assert joints(hung)[1:3, 2] == pytest.approx(nodes[[24, 60], 2], abs=5e-4)


@cache
def section():
    """Two spans that meet at a suspension string; a dropper pulls askew near it, a worker comes on the other span."""
    string = {"string_m": 3.0, "string_weight_N": 900.0, "string_diameter_m": 0.25}
    middle = End((30.0, 0.0, 14.0), "suspension", **string)
    west = Line(
        "west", End((0.0, 0.0, 12.0), "strain", 2.6, 800.0, 0.25), middle, DRAKE.diameter_m, DRAKE,
        known=Known(tension_N=6000.0, weight_N_m=WEIGHT), loads=(weight("worker", 14.0, 900.0, False),),
    )  # fmt: skip
    east = Line(
        "east", middle, End((60.0, 0.0, 12.0), "strain", 2.6, 800.0, 0.25), DRAKE.diameter_m, DRAKE,
        known=Known(tension_N=6300.0, weight_N_m=WEIGHT), loads=(PointLoad("dropper", 2.1, (40.0, 5.0, -80.0)),),
    )  # fmt: skip
    return carried([west, east])


def test_what_is_stated_is_an_equilibrium():
    made = section()
    _, found = settled(made, {("east", "dropper"): 1.0})

    # Tensions that differ by 300 N would lean a free string; it was stated plumb.
    assert found.clamps[1] == pytest.approx([30.0, 0.0, 11.0], abs=1e-6)
    for line, stood in zip(found.lines, made.stood, strict=True):
        assert distance(polyline(line, 1e-3)[0], polyline(stood.hung, 1e-4)[0]) < 1.1e-3


def test_a_load_on_one_span_moves_the_string_and_the_other_span():
    made = section()
    west, east = base_of(made)
    stated = made.stood[1].hung

    assert float(west.end[0]) < 30.0 - 0.01, "the string swings towards the heavier span"
    assert float(sag_at_half(west)) > float(sag_at_half(made.stood[0].hung))
    assert float(at_station(east, 15.0)[2]) > float(at_station(stated, 15.0)[2])
    assert joints(west)[2, 0] == pytest.approx(14.0, abs=0.05)


def test_a_line_read_from_its_other_end_is_the_same_line():
    line = section().lines[1]
    there, back = (
        stated_line(replace(line, known=Known(sag_m=0.6))),
        stated_line(reversed_line(replace(line, known=Known(sag_m=0.6)))),
    )
    one, two = polyline(there.hung, 1e-3)[0], polyline(back.hung, 1e-3)[0]

    assert distance(one, two) < 2e-3
    assert back.shares[0] == pytest.approx(1.0 - there.shares[0], abs=1e-6)


def test_a_bundle_shares_its_load():
    pair = bus(weight("trolley", 20.0, 1000.0), count=2)
    single = bus(weight("trolley", 20.0, 500.0))

    assert joints(stated_line(pair).hung) == pytest.approx(joints(stated_line(single).hung), abs=1e-9)


def test_parts_are_string_conductor_string():
    made = section()
    (first, wire, last), error = own_parts(made.lines[1], base_of(made)[1], 0.005)

    assert len(first) == 0
    assert error <= 0.005 + 1e-6
    assert wire[-1] == pytest.approx(last[0])
    assert np.linalg.norm(np.diff(last, axis=0), axis=1).sum() == pytest.approx(2.6, abs=1e-3)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (bus(weight("worker", 61.0, 900.0)), "between 0.00 and 60.00 m along the span"),
        (bus(weight("spacer", 10.0, 50.0), weight("spacer", 20.0, 50.0)), "'spacer' twice"),
        (bus(weight("rock", 30.0, 9e6)), "that a taut span with these loads can have"),
        (replace(bus(weight("worker", 30.0, 900.0)), conductor=None), "its weight, as loads hang on it"),
    ],
    ids=["beyond", "twice", "too heavy", "no weight"],
)  # fmt: skip
def test_what_cannot_hang_is_refused(line, said):
    with pytest.raises(InputError, match=said):
        stated_line(line)


def test_a_load_that_came_later_needs_a_conductor():
    line = replace(bus(weight("worker", 30.0, 900.0, False)), conductor=None, weight_N_m=WEIGHT)
    with pytest.raises(InputError, match="a load came on after it was stated"):
        base_of(carried([line]))
