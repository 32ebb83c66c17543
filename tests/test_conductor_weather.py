"""Wind and heat: ranges enclose random conditions within them (the monotonicity the maps rest on), and refusals."""

from __future__ import annotations

from math import atan, degrees, pi, radians, sin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.conductor.catalogue import built_in, find, thermal
from clearance.conductor.heat import Air, ampacity, imbalance, temperature, temperature_range
from clearance.conductor.wind import (
    air_density,
    blow_out,
    cross_speed_range,
    density_range,
    force_per_metre,
    force_range,
    outward,
    resultant,
    swing,
    swing_range,
)
from clearance.errors import InputError

share = st.floats(0, 1)


def between(pair, at):
    return pair[0] + at * (pair[1] - pair[0])


@settings(max_examples=200, deadline=None)
@given(
    lull=st.floats(0, 15),
    more=st.floats(0, 20),
    bearing=st.floats(0, 360),
    turn=st.floats(0, 400),
    heading=st.floats(-pi, pi),
    at=st.tuples(share, share),
)
def test_cross_wind_range_holds_every_wind(lull, more, bearing, turn, heading, at):
    found = cross_speed_range((lull, lull + more), (bearing, bearing + turn), heading)
    speed, from_deg = between((lull, lull + more), at[0]), between((bearing, bearing + turn), at[1])
    # Blowing towards: east = -sin(from), north = -cos(from); across to the left of the heading.
    east, north = -speed * sin(radians(from_deg)), -speed * sin(radians(from_deg) + pi / 2)
    across = -east * sin(heading) + north * sin(heading + pi / 2)

    assert found[0] - 1e-9 <= across <= found[1] + 1e-9


def test_cross_wind_range_is_reached():
    """A full turn of directions reaches both signs of the highest speed, a single direction only itself."""
    assert cross_speed_range((3.0, 9.0), (0.0, 360.0), 0.3) == pytest.approx((-9.0, 9.0))
    assert cross_speed_range((3.0, 9.0), (0.0, 0.0), 0.0) == pytest.approx((-9.0, -3.0))
    assert cross_speed_range((3.0, 9.0), None, 0.0, gust_factor=1.5) == pytest.approx((-13.5, 13.5))


@settings(max_examples=100, deadline=None)
@given(low=st.floats(-30, 30), more=st.floats(0, 30), at=share, warm=st.tuples(share, share), tilt=st.floats(-0.5, 0.5))
def test_force_and_swing_ranges_hold_every_case(low, more, at, warm, tilt):
    speeds, air = (low, low + more), (-5.0, 35.0)
    forces = force_range(speeds, 0.0281, density_range(air, 200.0))
    force = force_per_metre(between(speeds, at), 0.0281, air_density(between(air, warm[0]), 200.0))
    turned = swing_range(forces, 15.97, tilt)

    assert forces[0] <= force <= forces[1]
    assert turned[0] <= swing(force, 15.97, tilt) <= turned[1]


def test_swing_of_known_load():
    assert degrees(swing(9.2203, 15.97)) == pytest.approx(30.0, abs=0.001)
    assert swing(9.0, 15.97, 0.4) > swing(9.0, 15.97)
    assert resultant(5.0, 12.0) == 13.0
    assert blow_out(8.0, atan(3 / 4), 2.0) == pytest.approx(6.0)


def test_outward_refuses_a_range_backwards():
    with pytest.raises(InputError, match="a range"):
        outward(2.0, 1.0)


def test_wind_refuses_a_gust_factor_below_one():
    with pytest.raises(InputError, match="gust factor"):
        cross_speed_range((0.0, 5.0), None, 0.0, gust_factor=0.9)


words = st.sampled_from([name for name, entry in built_in().items() if entry.kind in ("ACSR", "AAAC")])


@settings(max_examples=150, deadline=None)
@given(
    word=words,
    density=st.floats(0.0, 1.8),
    at=st.tuples(share, share, share, share, share),
    altitude=st.floats(0, 2500),
)
def test_temperature_range_holds_every_case(word, density, at, altitude):
    conductor = thermal(find(word))
    top = density * find(word).outer_area_m2 * 1e6
    box = ((0.3 * top, top), (-10.0, 38.0), (0.0, 8.0), (0.0, pi / 2), (0.0, 1050.0))
    found = temperature_range(conductor, *box, altitude_m=altitude)
    current, air, wind, angle, sun = (between(pair, share_) for pair, share_ in zip(box, at, strict=True))
    case = temperature(conductor, current, Air(air, wind, angle, sun, pi / 2, altitude))

    assert found.low_C <= case <= found.high_C


@settings(max_examples=150, deadline=None)
@given(
    word=words,
    current=st.floats(0, 900),
    air=st.floats(-20, 40),
    wind=st.floats(0, 10),
    angle=st.floats(0, pi / 2 - 0.02),
    sun=st.floats(0, 1000),
)
def test_temperature_moves_one_way_with_each_condition(word, current, air, wind, angle, sun):
    conductor = thermal(find(word))
    case = Air(air, wind, angle, sun)
    if imbalance(conductor, current, 200.0, case) > 0:
        return
    here = temperature(conductor, current, case)
    warmer = (
        temperature(conductor, current + 5.0, case),
        temperature(conductor, current, Air(air + 0.5, wind, angle, sun)),
        temperature(conductor, current, Air(air, wind, angle, sun + 5.0)),
    )
    cooler = (
        temperature(conductor, current, Air(air, wind + 0.1, angle, sun)),
        temperature(conductor, current, Air(air, wind, angle + 0.02, sun)),
    )

    assert min(warmer) >= here - 1e-8
    assert max(cooler) <= here + 1e-8


@settings(max_examples=60, deadline=None)
@given(word=words, warm=st.floats(45, 150), air=st.floats(-10, 38), wind=st.floats(0, 8))
def test_ampacity_and_temperature_are_each_others_reverse(word, warm, air, wind):
    conductor, case = thermal(find(word)), Air(air, wind)

    assert temperature(conductor, ampacity(conductor, warm, case), case) == pytest.approx(warm, abs=1e-6)


def test_what_the_balance_does_not_cover_is_refused():
    with pytest.raises(InputError, match="a balance between -40 and 250 C"):
        temperature(thermal(find("Linnet")), 5000.0, Air(40.0, 0.0))
    with pytest.raises(InputError, match=r"current_A: expected a range"):
        temperature_range(thermal(find("Drake")), (600.0, 200.0), (20.0, 30.0), (0.0, 5.0))


def test_altitude_makes_it_hotter():
    drake = thermal(find("Drake"))

    assert temperature(drake, 800, Air(30.0, 1.0, altitude_m=2000.0)) > temperature(drake, 800, Air(30.0, 1.0))
