"""Spans between strings: wire and strings make up the whole, and obey statics where a string has its own weight."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.bodies.insulator import StringSpec
from clearance.bodies.span import span_with_strings
from clearance.conductor.catenary import from_sag, from_tension, point_at, point_at_length, sag_at_midspan
from clearance.errors import InputError

STRAIN = StringSpec("strain", 2.8, 2.2, 0.255)
SUSPENSION = StringSpec("suspension", 2.8, 2.2, 0.255)
HEAVY = StringSpec("strain", 2.8, 2.2, 0.255, weight_N=750.0)


def solve(a, b):
    return from_tension(a, b, 9000.0, 16.0)


def length(shape):
    return float(np.linalg.norm(shape.vertices[:, 1] - shape.vertices[:, 0], axis=1).sum())


@settings(deadline=None)
@given(st.floats(15, 200), st.floats(-10, 10), st.floats(0.5, 3.0), st.floats(0.5, 3.0))
def test_strain_strings_and_wire_make_up_the_whole_catenary(span, rise, first, last):
    one, two = (StringSpec("strain", size, size * 0.8, 0.2) for size in (first, last))
    parts = span_with_strings([0, 0, 12], [span, 3, 12 + rise], one, two, solve)
    assert parts.conductor.length_m == pytest.approx(parts.whole.length_m - first - last)
    assert parts.conductor.start == pytest.approx(point_at_length(parts.whole, first), abs=1e-9)
    assert parts.conductor.end == pytest.approx(point_at_length(parts.whole, parts.whole.length_m - last), abs=1e-9)
    assert parts.from_string.live_end == pytest.approx(parts.conductor.start, abs=1e-7)
    assert parts.to_string.live_end == pytest.approx(parts.conductor.end, abs=1e-7)
    for string, size in ((parts.from_string, first), (parts.to_string, last)):
        # Chords are shorter than the arc, by less than a centimetre here.
        assert 0.8 * size - 0.01 <= length(string.insulating) <= 0.8 * size + 1e-9
        total = sum(length(shape) for shape in (string.insulating, string.earthed, string.live))
        assert size - 0.01 <= total <= size + 1e-9


def test_strain_string_begins_at_its_attachment_and_hangs_with_the_wire():
    parts = span_with_strings([0, 0, 12], [40, 0, 12], STRAIN, STRAIN, solve)
    assert parts.from_string.earthed.vertices[0, 0].tolist() == pytest.approx([0, 0, 12])
    assert parts.to_string.earthed.vertices[0, 0].tolist() == pytest.approx([40, 0, 12])
    # Its live end lies on the catenary of constant H / w: z = a cosh((x - 20) / a) + c.
    a = 9000 / 16
    x, _, z = parts.from_string.live_end
    assert z == pytest.approx(12 + a * (math.cosh((x - 20) / a) - math.cosh(20 / a)), abs=1e-9)


def test_suspension_moves_the_end_of_the_wire_and_strain_does_not():
    parts = span_with_strings([0, 0, 12], [40, 0, 12], STRAIN, SUSPENSION, solve)
    assert parts.whole.end == pytest.approx((40, 0, 9.2))
    assert parts.conductor.end == pytest.approx((40, 0, 9.2))
    assert parts.whole.start == (0, 0, 12)
    bare = span_with_strings([0, 0, 12], [40, 0, 12], None, None, solve)
    assert bare.conductor is bare.whole
    assert bare.from_string is None


def test_sag_stated_for_the_span_is_that_of_the_whole():
    parts = span_with_strings([0, 0, 12], [40, 0, 12], STRAIN, STRAIN, lambda a, b: from_sag(a, b, 1.2))
    assert sag_at_midspan(parts.whole) == pytest.approx(1.2)


def hung_weights(parts, spec_from, spec_to, wire_weight):
    """(x, force) of small pieces of strings and wire, each where it hangs."""
    loads = []
    for spec, string in ((spec_from, parts.from_string), (spec_to, parts.to_string)):
        if spec is not None and spec.weight_N is not None:
            # The weight of the string at the middles of a hundred equal lengths of it, along its own curve.
            for shape in (string.earthed, string.insulating, string.live):
                for a, b, _ in shape.vertices:
                    share = np.linspace(0.005, 0.995, 100)[:, None]
                    size = np.linalg.norm(b - a)
                    loads += [(x, spec.weight_N * size / spec.length_m / 100) for x in (a + share * (b - a))[:, 0]]
    wire = parts.conductor
    for k in range(4000):
        x = point_at_length(wire, wire.length_m * (k + 0.5) / 4000)[0]
        loads.append((x, wire_weight * wire.length_m / 4000))
    return loads


@pytest.mark.parametrize("rise", [0.0, 3.0])
@pytest.mark.parametrize("specs", [(HEAVY, HEAVY), (HEAVY, None)])
def test_heavy_strings_obey_the_cable_theorem(rise, specs):
    # H times the vertical distance from chord to cable is the moment of a beam with the same loads: exact statics,
    # and not how the shape was found.
    span, tension, weight = 30.0, 9000.0, 16.0
    parts = span_with_strings([0, 0, 12], [span, 0, 12 + rise], *specs, solve, wire_weight_N_m=weight)
    loads = hung_weights(parts, *specs, weight)
    right = sum(force * x for x, force in loads) / span
    left = sum(force for _, force in loads) - right
    for x in (10.0, 15.0, 22.0):
        moment = left * x - sum(force * (x - at) for at, force in loads if at < x)
        z = point_at(parts.conductor, x - parts.conductor.start[0])[2]
        assert tension * (12 + rise * x / span - z) == pytest.approx(moment, rel=2e-3)


def test_heavy_strings_lower_their_wire_by_a_decimetre():
    light = span_with_strings([0, 0, 12], [30, 0, 12], STRAIN, STRAIN, solve)
    heavy = span_with_strings([0, 0, 12], [30, 0, 12], HEAVY, HEAVY, solve, wire_weight_N_m=16.0)
    # W l / (2 H) less what the wire it replaces weighed: (750 - 2.8 * 16) * 2.8 / 2 / 9000.
    dropped = sag_at_midspan(heavy.conductor) + 12 - heavy.conductor.start[2] - sag_at_midspan(light.whole)
    assert dropped == pytest.approx((750 - 2.8 * 16) * 1.4 / 9000, rel=0.02)
    for string, side in ((heavy.from_string, heavy.conductor.start), (heavy.to_string, heavy.conductor.end)):
        assert string.live_end == pytest.approx(side, abs=1e-6)


def test_a_string_as_heavy_as_its_wire_changes_nothing():
    same = StringSpec("strain", 2.8, 2.2, 0.255, weight_N=2.8 * 16.0 * (1 + 1e-9))
    light = span_with_strings([0, 0, 12], [30, 4, 10], STRAIN, STRAIN, solve)
    heavy = span_with_strings([0, 0, 12], [30, 4, 10], same, same, solve, wire_weight_N_m=16.0)
    assert heavy.conductor.start == pytest.approx(light.conductor.start, abs=1e-6)
    assert heavy.conductor.end == pytest.approx(light.conductor.end, abs=1e-6)
    assert heavy.conductor.length_m == pytest.approx(light.conductor.length_m, abs=1e-6)


def test_a_measured_sag_is_kept_under_heavy_strings():
    parts = span_with_strings(
        [0, 0, 12], [30, 0, 13], HEAVY, HEAVY, lambda a, b: from_sag(a, b, 1.2), wire_weight_N_m=16.0, keep_sag=True
    )
    z = point_at(parts.conductor, 15.0 - parts.conductor.start[0])[2]
    assert 12.5 - z == pytest.approx(1.2, abs=1e-9)
    # Steeper at the strings, flatter between: above the plain catenary of this sag nowhere, below it near the strings.
    plain = span_with_strings([0, 0, 12], [30, 0, 13], STRAIN, STRAIN, lambda a, b: from_sag(a, b, 1.2))
    assert parts.from_string.live_end[2] < plain.from_string.live_end[2] - 0.05


@pytest.mark.parametrize(
    ("end_m", "strings", "words"),
    [
        (5, (STRAIN, STRAIN), "strain strings shorter together than the 5"),
        (30, (HEAVY, None), "weight_N_m: expected the weight of the wire"),
        (30, (StringSpec("strain", -2.8, 2.2, 0.255), None), "length_m: expected a finite number above 0"),
    ],
)
def test_refusals(end_m, strings, words):
    with pytest.raises(InputError) as refusal:
        span_with_strings([0, 0, 9], [end_m, 0, 9], *strings, solve)
    assert words in str(refusal.value)
