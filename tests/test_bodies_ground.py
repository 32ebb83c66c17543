"""The ground: heights where they are known and refusals where not, and how a straight foot fits on it."""

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator

from clearance.bodies import ground as g
from clearance.bodies.cloud import read_points
from clearance.errors import InputError


def hills(seed=0, count=300):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(-30, 30, (count, 2))
    return np.column_stack([xy, 2 * np.sin(xy[:, 0] / 6) + 0.1 * xy[:, 1] + rng.normal(0, 0.2, count)])


def test_level_ground_is_two_triangles():
    ground = g.level(1.5, extent_m=50, uncertainty_m=0.05)
    assert len(ground.shape) == 2
    assert set(ground.shape.uncertainty) == {0.05}
    assert g.height_at(ground, [[0, 0], [50, -50], [-13.2, 49.9]]).tolist() == [1.5, 1.5, 1.5]


@settings(deadline=None)
@given(st.floats(0, 60), st.floats(-360, 360), st.floats(-150, 150), st.floats(-150, 150))
def test_plane_rises_by_its_slope_uphill_and_not_across(slope, uphill, x, y):
    ground = g.plane([3, 4, 2], slope, uphill, centre=(3, 4), extent_m=160)
    along = x * math.cos(math.radians(uphill)) + y * math.sin(math.radians(uphill))
    height = g.height_at(ground, [[3 + x, 4 + y]])[0]
    assert height == pytest.approx(2 + along * math.tan(math.radians(slope)), abs=1e-9)


def test_plane_slope_of_45_deg_uphill_north():
    ground = g.plane([0, 0, 10], 45.0, 90.0)
    assert g.height_at(ground, [[0, 7], [7, 0], [0, -7]]) == pytest.approx([17, 10, 3])


def test_grid_rows_go_along_y():
    ground = g.grid([[0, 1, 2], [10, 11, 12]], [100, 200], 5.0)
    assert len(ground.shape) == 4
    assert g.height_at(ground, [[100, 200], [110, 200], [100, 205], [110, 205], [105, 202.5]]) == pytest.approx(
        [0, 2, 10, 12, 6]
    )


def test_points_agree_with_a_linear_interpolator():
    # scipy's LinearNDInterpolator over the same points, through the same Delaunay triangles.
    cloud = hills()
    ground = g.points(cloud)
    xy = np.random.default_rng(1).uniform(-25, 25, (500, 2))
    reference = LinearNDInterpolator(cloud[:, :2], cloud[:, 2])(xy)
    np.testing.assert_allclose(g.height_at(ground, xy), reference, atol=1e-9)
    np.testing.assert_allclose(g.height_at(ground, cloud[:, :2]), cloud[:, 2], atol=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.5, 12.0))
def test_thinned_ground_holds_every_point_given(seed, cell):
    cloud = hills(seed)
    ground = g.points(cloud, thin_m=cell, uncertainty_m=0.01)
    assert len(ground.shape) < len(g.points(cloud).shape) or cell < 2
    assert (ground.shape.uncertainty >= 0.01).all()
    for x, y, z in cloud:
        # Some triangle over or under the point differs from it by no more than its uncertainty.
        a, b, c = (ground.shape.vertices[:, k] for k in range(3))
        area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
        s = ((x - a[:, 0]) * (c[:, 1] - a[:, 1]) - (y - a[:, 1]) * (c[:, 0] - a[:, 0])) / area
        t = ((b[:, 0] - a[:, 0]) * (y - a[:, 1]) - (b[:, 1] - a[:, 1]) * (x - a[:, 0])) / area
        over = (s >= -1e-9) & (t >= -1e-9) & (s + t <= 1 + 1e-9)
        height = a[:, 2] + s * (b[:, 2] - a[:, 2]) + t * (c[:, 2] - a[:, 2])
        assert (np.abs(height - z)[over] <= ground.shape.uncertainty[over] - 0.01 + 1e-9).any()


def test_points_above_one_another_are_held():
    cloud = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0], [10, 10, 0], [10, 10, 0.4]])
    ground = g.points(cloud)
    assert ground.shape.uncertainty.max() == pytest.approx(0.4)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 50), st.tuples(*[st.floats(-20, 20)] * 4))
def test_profile_misfit_is_the_greatest_difference(seed, ends):
    ground = g.points(hills(seed))
    start, end = np.array(ends[:2]), np.array(ends[2:])
    share = np.linspace(0, 1, 2001)[:, None]
    heights = g.height_at(ground, start + share * (end - start))
    off = np.abs(heights - heights[0] - share[:, 0] * (heights[-1] - heights[0])).max()
    found = g.profile_misfit(ground, start, end)
    # Dense sampling falls short of a corner by at most half a step times the steepest change of slope (below 5 here).
    assert off - 1e-9 <= found <= off + np.linalg.norm(end - start) / 4000 * 50 + 1e-9


def test_profile_misfit_over_a_ridge_between_the_samples():
    # A ridge 1 m high and 0.02 m wide: missed by a step of 0.1 m, found where the line crosses its edge.
    heights = np.zeros((3, 2003))
    heights[:, 1001] = 1.0
    ground = g.grid(heights, [0, 0], 0.01)
    assert g.profile_misfit(ground, [0.003, 0.01], [20.003, 0.01]) == pytest.approx(1.0)


@settings(deadline=None)
@given(st.floats(0, 50), st.floats(-180, 180), st.tuples(*[st.floats(-150, 150)] * 4))
def test_profile_misfit_of_a_plane_is_nothing(slope, uphill, ends):
    ground = g.plane([0, 0, 0], slope, uphill)
    assert g.profile_misfit(ground, ends[:2], ends[2:]) == pytest.approx(0.0, abs=1e-9)


def test_profile_along_an_edge_of_triangles():
    ground = g.grid([[0, 0, 0], [0, 2, 0], [0, 0, 0]], [0, 0], 1.0)
    assert g.profile_misfit(ground, [0, 1], [2, 1]) == pytest.approx(2.0)
    assert g.profile_misfit(ground, [0, 0], [2, 2]) == pytest.approx(2.0)
    assert g.profile_misfit(ground, [0, 0], [2, 0]) == 0.0
    assert g.profile_misfit(ground, [1, 1], [1, 1]) == 0.0


def test_a_line_across_a_hole_in_the_data_is_refused():
    mesh = trimesh.Trimesh(
        [[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0], [3, 0, 0], [4, 0, 0], [3, 1, 0], [4, 1, 0]],
        [[0, 1, 2], [1, 3, 2], [4, 5, 6], [5, 7, 6]],
    )
    ground = g._ground(mesh.triangles, 0.0)
    with pytest.raises(InputError, match=r"leaves it at \[1\.000, 0\.500\]"):
        g.profile_misfit(ground, [0.5, 0.5], [3.5, 0.5])


def test_mesh_ground_in_its_units(tmp_path):
    trimesh.Trimesh([[0, 0, 0], [1000, 0, 0], [0, 1000, 500]], [[0, 1, 2]]).export(tmp_path / "site.ply")
    ground = g.mesh(tmp_path / "site.ply", "mm", at_m=[0, 0, 7], uncertainty_m=0.1)
    assert g.height_at(ground, [[0.25, 0.5]])[0] == pytest.approx(7.25)
    assert ground.shape.uncertainty.tolist() == [0.1]


def test_overhang_gives_its_highest_surface():
    low, high = np.array([[0, 0, 0], [4, 0, 0], [0, 4, 0]]), np.array([[0, 0, 3], [2, 0, 3], [0, 2, 3]])
    ground = g._ground(np.stack([low, high]).astype(float), 0.0)
    assert g.height_at(ground, [[0.5, 0.5], [1.9, 1.9]]) == pytest.approx([3, 0])


def test_files_of_heights_and_points(tmp_path):
    (tmp_path / "grid.csv").write_text("0, 1, 2\n10,11,12\n")
    assert g.read_heights(tmp_path / "grid.csv").tolist() == [[0, 1, 2], [10, 11, 12]]
    (tmp_path / "points.csv").write_text("name,x_m,y_m,z_m\na,0,0,1\nb,4,0,1\nc,0,4,3\n")
    ground = g.points(g.read_xyz(tmp_path / "points.csv"))
    assert g.height_at(ground, [[0, 2]]) == pytest.approx([2])


@pytest.mark.slow
def test_ground_from_the_survey_sample(repository):
    # The tower feet of the sample stand on polder ground a little over 10 m above the Dutch datum.
    origin = (230917.0, 559810.0, 0.0)
    chosen, _ = read_points(repository / "scenes/data/ahn4_single_span.laz", [2], origin=origin)
    ground = g.points(chosen, thin_m=5.0, uncertainty_m=0.05)
    height = g.height_at(ground, [[0.0, 0.0], [10.0, -30.0]])
    assert height.min() > 9.9
    assert height.max() < 14
    assert np.median(ground.shape.uncertainty) < 0.3


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: g.height_at(g.level(0, 10), [[0, 0], [11, 0], [0, 12]]), "found [11.000, 0.000] and 1 more"),
        (lambda p: g.height_at(g.level(0, 10), [[0, math.nan]]), "places: expected finite numbers"),
        (lambda p: g.profile_misfit(g.level(0, 10), [0, 0], [11, 0]), "expected a place on the ground given"),
        (lambda p: g.level(math.nan), "through_m: expected three finite numbers"),
        (lambda p: g.plane([0, 0, 0], 90.0, 0.0), "slope_deg: expected 0 to below 90 deg, found 90.0"),
        (lambda p: g.level(0, extent_m=0), "extent_m: expected a finite number above 0"),
        (lambda p: g.grid([[0, 1], [2]], [0, 0], 1.0), "all rows of one length"),
        (lambda p: g.grid([[0, 1], [2, math.nan]], [0, 0], 1.0), "heights_m: expected finite numbers"),
        (lambda p: g.points([[0, 0, 0], [1, 1, 0]]), "at least three points, found 2"),
        (lambda p: g.points([[0, 0, 0], [1, 1, 0], [2, 2, 0]]), "points that do not lie in one line in plan"),
        (lambda p: g.read_heights(p / "none.csv"), "a CSV file that can be read"),
        (lambda p: g.read_heights(p / "ragged.csv"), "row 2: expected 3 heights, as in the first row, found 2"),
        (lambda p: g.read_heights(p / "words.csv"), "row 2, column 1: expected a finite height, found 'low'"),
        (lambda p: g.read_xyz(p / "ragged.csv"), "the columns x_m, y_m, z_m, found none named x_m, y_m, z_m"),
        (lambda p: g.read_xyz(p / "bad.csv"), "line 3: expected three finite numbers, found 1, 2, nan"),
    ],
)
def test_refusals(make, words, tmp_path):
    (tmp_path / "ragged.csv").write_text("1,2,3\n4,5\n")
    (tmp_path / "words.csv").write_text("1,2,3\nlow,5,6\n")
    (tmp_path / "bad.csv").write_text("x_m,y_m,z_m\n1,2,3\n1, 2, nan\n")
    with pytest.raises(InputError) as refusal:
        make(tmp_path)
    assert words in str(refusal.value).replace(",  ", ", ")
