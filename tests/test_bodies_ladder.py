"""The ladder: rails and rungs where they should be, and a hull that holds them."""

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.bodies.ladder import fitting, hull_pieces, rails
from clearance.errors import InputError
from clearance.shapes import join


def to_triangles(points, shape):
    """Distance of each point to the nearest triangle, by trimesh."""
    return np.min(
        [
            np.linalg.norm(
                points - trimesh.triangles.closest_point(np.repeat(t[None], len(points), axis=0), points), axis=1
            )
            for t in shape.vertices
        ],
        axis=0,
    )


def test_rails_and_rungs():
    shape = rails(10.0, 0.5, 0.05, 0.3)
    lengths = np.linalg.norm(shape.vertices[:, 1] - shape.vertices[:, 0], axis=1)
    upright = shape.vertices[:, 0, 1] == shape.vertices[:, 1, 1]
    assert lengths[upright].sum() == pytest.approx(20.0)
    assert lengths[upright].max() <= 1.0 + 1e-12
    assert set(np.abs(shape.vertices[upright, 0, 1])) == {0.25}
    rungs = shape.vertices[~upright, 0, 2]
    assert rungs == pytest.approx(0.3 * np.arange(1, 34))
    assert not shape.vertices[:, :, 0].any()
    assert set(shape.radius) == {0.025}


@settings(deadline=None)
@given(st.floats(0.0, 8.0), st.floats(0.1, 4.0))
def test_parts_of_a_ladder_make_the_whole(cut, size):
    cut = round(cut, 3)
    upper = min(cut + size, 10.0)
    parts = [
        rails(10.0, 0.5, 0.05, 0.3, low, high) for low, high in ((0.0, cut), (cut, upper), (upper, 10.0)) if high > low
    ]
    shape = join(parts)
    upright = shape.vertices[:, 0, 1] == shape.vertices[:, 1, 1]
    assert (shape.vertices[upright, 1, 2] - shape.vertices[upright, 0, 2]).sum() == pytest.approx(20.0)
    rungs = np.unique(shape.vertices[~upright, 0, 2].round(9))
    assert rungs == pytest.approx(0.3 * np.arange(1, 34))


@settings(max_examples=30, deadline=None)
@given(st.floats(1.0, 9.0), st.floats(0.3, 0.8), st.floats(0.03, 0.1), st.floats(0.2, 1.0))
def test_hull_holds_rails_and_rungs(length, width, diameter, piece):
    shape = rails(length, width, diameter, 0.3)
    pieces = hull_pieces(length, width + diameter, diameter, piece)
    assert pieces[0][0] == 0
    assert pieces[-1][1] == pytest.approx(length)
    assert all(high - low <= piece + 1e-9 for low, high, _ in pieces)
    assert all(len(part) == 2 for _, _, part in pieces)
    hull = join([part for _, _, part in pieces])
    rng = np.random.default_rng(2)
    share = rng.random((len(shape), 20, 1))
    points = (shape.vertices[:, None, 0] + share * (shape.vertices[:, 1] - shape.vertices[:, 0])[:, None]).reshape(
        -1, 3
    )
    away = rng.normal(size=points.shape)
    points = points + diameter / 2 * away / np.linalg.norm(away, axis=1)[:, None]
    assert (to_triangles(points, hull) <= hull.radius[0] + 1e-9).all()


def test_each_piece_of_the_hull_holds_its_own_heights():
    for low, high, part in hull_pieces(6.0, 0.55, 0.05, 0.5):
        corners = np.array([[0, y, z] for y in (-0.25, 0.25) for z in (low, high)])
        assert to_triangles(corners, part).max() <= 1e-12
        assert part.vertices[:, :, 2].min() == low
        assert part.vertices[:, :, 2].max() == high


def test_fitting_spans_the_ladder():
    shape = fitting(3.0, 3.4, 0.55, 0.04)
    low, high = shape.bounds
    assert low == pytest.approx([-0.04, -0.275, 2.96])
    assert high == pytest.approx([0.04, 0.275, 3.44])
    thin = fitting(3.0, 3.0, 0.55, 0.04)
    assert len(thin) == 1
    assert thin.bounds[1] == pytest.approx([0.04, 0.275, 3.04])


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: rails(0.0, 0.5, 0.05, 0.3), "length_m: expected a finite number above 0"),
        (lambda: rails(10.0, 0.5, 0.05, 0.3, 4.0, 11.0), "a rising range within 0 to 10 m, found [4.0, 11.0]"),
        (lambda: rails(10.0, 0.5, 0.05, 0.3, 4.0, 3.0), "a rising range within 0 to 10 m, found [4.0, 3.0]"),
        (lambda: rails(10.0, 0.04, 0.05, 0.3), "width_m: expected more than 0.05 m, the thickness of its rails"),
        (lambda: hull_pieces(10.0, 0.5, math.nan), "depth_m: expected a finite number above 0"),
        (lambda: fitting(3.0, 2.0, 0.5, 0.04), "a rising range"),
        (lambda: fitting(3.0, 3.1, 0.5, -0.04), "radius_m: expected a finite number above 0"),
    ],
)
def test_refusals(make, words):
    with pytest.raises(InputError) as refusal:
        make()
    assert words in str(refusal.value)
