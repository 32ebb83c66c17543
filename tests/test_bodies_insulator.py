"""Strings and posts: their lengths add up, and they lie where they should."""

import math

import numpy as np
import pytest

from clearance.bodies.insulator import Ring, StringSpec, post, ring, string_along, string_axis
from clearance.conductor.catenary import from_tension, point_at_length
from clearance.errors import InputError

STRAIN = StringSpec("strain", 2.8, 2.2, 0.255)
SUSPENSION = StringSpec("suspension", 2.8, 2.2, 0.255)


def length(shape):
    return float(np.linalg.norm(shape.vertices[:, 1] - shape.vertices[:, 0], axis=1).sum())


def test_suspension_string_hangs_straight_down():
    parts = string_axis([1, 2, 20], SUSPENSION)
    assert parts.live_end == pytest.approx((1, 2, 17.2))
    # Half of the 0.6 m that do not insulate at either end.
    assert sorted(parts.insulating.vertices[0, :2, 2]) == pytest.approx([17.5, 19.7])
    assert sorted(parts.earthed.vertices[0, :2, 2]) == pytest.approx([19.7, 20.0])
    assert sorted(parts.live.vertices[0, :2, 2]) == pytest.approx([17.2, 17.5])
    assert parts.insulating.radius[0] == 0.255 / 2
    assert parts.live.radius[0] == 0.04


def test_hardware_as_the_scene_divides_it():
    parts = string_axis([0, 0, 20], StringSpec("suspension", 2.8, 2.2, 0.255, earthed_m=0.6))
    assert len(parts.live) == 0
    assert length(parts.earthed) == pytest.approx(0.6)
    whole = string_axis([0, 0, 20], StringSpec("suspension", 2.2, 2.2, 0.255))
    assert len(whole.live) == len(whole.earthed) == 0


def test_post_from_earthed_to_live_end():
    parts = post([0, 0, 2], [0, 0, 4.3], 2.0, 0.2)
    assert parts.live_end == (0, 0, 4.3)
    assert sorted(parts.insulating.vertices[0, :2, 2]) == pytest.approx([2.15, 4.15])
    assert parts.earthed.vertices[0, 0, 2] == 2
    leaning = post([0, 0, 0], [3, 0, 4], 5.0, 0.2)
    assert len(leaning.earthed) == len(leaning.live) == 0
    np.testing.assert_allclose(leaning.insulating.vertices[0, :2], [[0, 0, 0], [3, 0, 4]], atol=1e-12)


def test_ring_holds_a_true_ring():
    shape = ring([1, 2, 3], [1, 1, 1], 0.6, 0.05)
    axis = np.array([1, 1, 1]) / math.sqrt(3)
    across = np.cross(axis, [0, 0, 1])
    across /= np.linalg.norm(across)
    turn = np.linspace(0, 2 * math.pi, 721)[:, None]
    true = np.array([1, 2, 3]) + 0.3 * (np.cos(turn) * across + np.sin(turn) * np.cross(axis, across))
    for point in true:
        a, b = shape.vertices[:, 0], shape.vertices[:, 1]
        t = np.clip(((point - a) * (b - a)).sum(axis=1) / ((b - a) ** 2).sum(axis=1), 0, 1)
        assert (np.linalg.norm(point - a - t[:, None] * (b - a), axis=1) - shape.uncertainty).min() <= 1e-12
    assert shape.uncertainty.max() <= 0.011


def test_ring_is_live_and_about_the_end_of_the_insulation():
    parts = string_axis([0, 0, 20], StringSpec("suspension", 2.8, 2.2, 0.255, rings=(Ring(2.5, 0.6),)))
    circle = parts.live.vertices[1:]
    assert circle[:, :, 2] == pytest.approx(17.5)
    np.testing.assert_allclose(np.hypot(circle[..., 0], circle[..., 1]), 0.3)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (
            lambda: string_axis([0, 0, 9], StringSpec("suspension", 2.0, 2.2, 0.2)),
            "insulating_m: expected at most the whole",
        ),
        (
            lambda: string_axis([0, 0, 9], StringSpec("tension", 2.8, 2.2, 0.2)),
            'kind: expected "strain" or "suspension"',
        ),
        (
            lambda: string_axis([0, 0, 9], StringSpec("suspension", 2.8, 2.2, 0.0)),
            "diameter_m: expected a finite number above 0",
        ),
        (
            lambda: string_axis([0, 0, 9], StringSpec("suspension", 2.8, 2.2, 0.2, earthed_m=0.9)),
            "earthed_m: expected at most the 0.6 m that do not insulate",
        ),
        (lambda: string_axis([0, 0, 9], STRAIN), "a wire for the strain string to lie in, found none"),
        (lambda: post([0, 0, 0], [0, 0, 2], 2.1, 0.2), "insulating_m: expected at most the whole length of 2 m"),
        (lambda: post([0, 0, 0], [0, 0, 0], 2.1, 0.2), "length_m: expected a finite number above 0"),
    ],
)
def test_refusals(make, words):
    with pytest.raises(InputError) as refusal:
        make()
    assert words in str(refusal.value)


def test_every_ring_is_where_it_is_stated_and_at_the_potential_of_the_nearer_end():
    rings = (Ring(0.4, 0.5, 0.04), Ring(2.4, 0.6, 0.05), Ring(2.5, 0.8, 0.06))
    parts = string_axis([0, 0, 20], StringSpec("suspension", 2.8, 2.2, 0.255, rings=rings))

    earthed, live = parts.earthed.vertices[1:], parts.live.vertices[1:]
    assert earthed[..., 2] == pytest.approx(19.6)
    np.testing.assert_allclose(np.hypot(earthed[..., 0], earthed[..., 1]), 0.25)
    assert set(np.round(live[..., 2].ravel(), 6)) == {17.6, 17.5}
    assert set(np.round(np.hypot(live[..., 0], live[..., 1]).ravel(), 6)) == {0.3, 0.4}
    assert set(parts.live.radius[1:]) == {0.025, 0.03}


def test_a_ring_stands_across_a_strain_string_that_bends():
    curve = from_tension([0, 0, 20], [60, 0, 22], 2000.0, 16.0)
    spec = StringSpec("strain", 2.8, 2.2, 0.255, rings=(Ring(2.3, 0.6),))
    parts = string_axis([0, 0, 20], spec, curve)
    at, ahead = np.array(point_at_length(curve, 2.3)), np.array(point_at_length(curve, 2.31))
    circle = parts.live.vertices[-12:].reshape(-1, 3)

    assert np.linalg.norm(circle - at, axis=1) == pytest.approx(0.3, abs=2 * parts.live.uncertainty.max())
    # The chord at its place is the string's direction to within how far it turns over a chord.
    assert (circle - at) @ (ahead - at) / 0.01 == pytest.approx(0.0, abs=0.01)


def test_a_string_along_a_line_is_cut_where_its_parts_meet():
    line = np.array([[0.0, 0.0, 20.0], [0.3, 0.0, 18.6], [0.6, 0.0, 17.2]])
    length_m = float(np.linalg.norm(line[2] - line[0]))
    spec = StringSpec("suspension", length_m, 2.0, 0.255, rings=(Ring(length_m, 0.6),))
    parts = string_along(line, spec, 0.001, 0.02)

    assert length(parts.insulating) == pytest.approx(2.0)
    assert parts.live_end == pytest.approx(line[2])
    assert parts.earthed.vertices[0, 0] == pytest.approx(line[0])
    assert parts.live.vertices[-1, 0, 2] == pytest.approx(17.2, abs=0.1)
    assert parts.insulating.uncertainty[0] == pytest.approx(0.021)


def test_a_ring_beyond_its_string_is_refused():
    with pytest.raises(InputError, match=r"ring 1: at_m: expected a place on the string, 0 to 2\.8 m"):
        string_axis([0, 0, 20], StringSpec("suspension", 2.8, 2.2, 0.255, rings=(Ring(3.0, 0.6),)))
