"""Point clouds: nothing dropped without a count, and every chosen point held by a kept one."""

import laspy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from scipy.spatial import cKDTree

from clearance.bodies import cloud
from clearance.bodies.cloud import read_cloud, read_points
from clearance.errors import InputError

ORIGIN = (230917.0, 559810.0, 0.0)
SAMPLE = "scenes/data/ahn4_single_span.laz"


def write(path, xyz, classes, withheld=None, crs=None, point_format=6):
    header = laspy.LasHeader(point_format=point_format, version="1.4")
    header.offsets, header.scales = np.floor(np.min(xyz, axis=0)), [0.001] * 3
    if crs is not None:
        header.add_crs(CRS.from_epsg(crs))
    data = laspy.LasData(header)
    data.x, data.y, data.z = np.asarray(xyz, float).T
    data.classification = np.asarray(classes, np.uint8)
    if withheld is not None:
        data.withheld = np.asarray(withheld)
    data.write(path)
    return path


@pytest.fixture
def small(tmp_path):
    xyz = [[1000 + k, 2000, 10 + k] for k in range(8)]
    return write(tmp_path / "small.las", xyz, [2, 2, 5, 5, 7, 18, 15, 2], [0, 1, 0, 0, 0, 0, 0, 0])


def test_every_point_is_kept_or_counted(small):
    shape, counts = read_cloud(small, [5, 15], [[0, -1], [3.5, -1], [3.5, 1], [0, 1]], (0, 12.5), (1000, 2000, 0), 0.1)
    assert shape.vertices[:, 0].tolist() == [[2, 0, 12]]
    assert shape.uncertainty.tolist() == [0.1]
    assert (shape.corners == 1).all()
    assert counts.read == 8
    assert dict(counts.dropped) == {
        "withheld": 1,
        "noise (class 7 or 18)": 2,
        "class not chosen": 2,
        "outside the polygon": 1,
        "outside the height band": 1,
    }
    assert counts.kept + sum(count for _, count in counts.dropped) == counts.read
    assert counts.classes == ((2, 3), (5, 2), (7, 1), (15, 1), (18, 1))


def test_no_class_chosen_takes_all_but_noise_and_withheld(small):
    _, counts = read_cloud(small)
    assert counts.kept == 5


def test_several_files_are_one_cloud(small, tmp_path):
    more = write(tmp_path / "more.laz", [[1000, 2000, 3]], [5])
    shape, counts = read_cloud([small, more], [5], origin=(1000, 2000, 0))
    assert counts.read == 9
    assert sorted(shape.vertices[:, 0, 2]) == [3, 12, 13]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.05, 8.0), st.integers(1, 400))
def test_thinning_keeps_real_points_that_hold_the_others(tmp_path_factory, seed, cell, count):
    rng = np.random.default_rng(seed)
    xyz = rng.uniform(-5, 5, (count, 3)).round(3)
    path = write(tmp_path_factory.mktemp("cloud") / "c.laz", xyz, np.full(count, 5))
    everything, _ = read_points(path)
    shape, counts = read_cloud(path, thin_m=cell, survey_error_m=0.2, uncovered_m=0.3)
    kept = shape.vertices[:, 0]
    # Each kept point is one of the scan, and each of the scan lies within the uncertainty of some kept one, survey
    # error and uncovered radius not used up.
    assert cKDTree(everything).query(kept)[0].max() <= 1e-12
    reach = shape.uncertainty - 0.5
    off = np.linalg.norm(everything[:, None] - kept[None], axis=2) - reach[None]
    assert off.min(axis=1).max() <= 1e-9
    assert reach.max() <= cell * np.sqrt(3)
    assert len(np.unique(np.floor(kept / cell), axis=0)) == len(kept)
    assert counts.kept == len(kept)
    assert counts.kept + sum(number for _, number in counts.dropped) == counts.read == count


def test_result_does_not_depend_on_the_chunks(repository, monkeypatch):
    options = {"classes": [1, 15], "origin": ORIGIN, "thin_m": 1.0}
    whole = read_cloud(repository / SAMPLE, **options)
    monkeypatch.setattr(cloud, "CHUNK", 7001)
    pieces = read_cloud(repository / SAMPLE, **options)
    np.testing.assert_array_equal(whole[0].vertices, pieces[0].vertices)
    np.testing.assert_array_equal(whole[0].uncertainty, pieces[0].uncertainty)
    assert whole[1] == pieces[1]


def test_survey_sample_has_the_points_its_credit_names(repository):
    shape, counts = read_cloud(repository / SAMPLE, [14], origin=ORIGIN)
    # 295,308 points, 13,826 on wires; lowest wire point 12.82 m above ground that is about 10 m above the datum.
    assert counts.read == 295308
    assert len(shape) == counts.kept == 13826
    assert dict(counts.classes) == {1: 9582, 2: 266617, 9: 2720, 14: 13826, 15: 2563}
    assert 22 < shape.vertices[:, 0, 2].min() < 26
    # Nearest tree point to a wire point: 3.89 m, from the note that came with the sample. Class 1 holds trees, and some
    # returns of towers and wires, which are higher than 22 m.
    trees, _ = read_cloud(repository / SAMPLE, [1], height=(0, 22), origin=ORIGIN)
    assert cKDTree(trees.vertices[:, 0]).query(shape.vertices[:, 0])[0].min() == pytest.approx(3.89, abs=0.005)


def test_an_empty_choice_says_what_is_there(small):
    with pytest.raises(InputError) as refusal:
        read_cloud(small, [6], origin=(1000, 2000, 0))
    text = str(refusal.value)
    assert "small.las: classes, polygon and height band: expected at least one point, found none" in text
    assert "classes in the file: 2: 3, 5: 2, 7: 1, 15: 1, 18: 1" in text
    assert "class not chosen: 5" in text


def test_a_file_in_feet_is_refused_and_one_in_metres_is_not(tmp_path):
    # EPSG:2263 is in US survey feet, EPSG:28992 in metres.
    feet = write(tmp_path / "feet.las", [[1, 2, 3]], [5], crs=2263)
    with pytest.raises(InputError, match="coordinate system: expected metres, found US survey foot"):
        read_cloud(feet)
    assert read_cloud(write(tmp_path / "metres.las", [[1, 2, 3]], [5], crs=28992))[1].kept == 1


def test_old_point_formats_are_read(tmp_path):
    path = tmp_path / "old.las"
    header = laspy.LasHeader(point_format=1, version="1.2")
    data = laspy.LasData(header)
    data.x, data.y, data.z = [1.0, 2.0], [0.0, 0.0], [5.0, 6.0]
    data.classification = np.array([2, 5], np.uint8)
    data.write(path)
    assert read_points(path, [5])[0].tolist() == [[2.0, 0.0, 6.0]]


def test_unreadable_files(tmp_path, repository, small):
    whole = (repository / SAMPLE).read_bytes()
    (tmp_path / "cut.laz").write_bytes(whole[:200000])
    (tmp_path / "text.laz").write_text("hello")
    uncompressed = small.read_bytes()
    (tmp_path / "cut.las").write_bytes(uncompressed[:-40])
    for name in ("cut.laz", "text.laz", "none.laz", "cut.las"):
        with pytest.raises(InputError) as refusal:
            read_cloud(tmp_path / name)
        assert name in str(refusal.value)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"classes": [7]}, "classes that are not noise, found 7"),
        ({"classes": []}, "at least one class, found none"),
        ({"classes": [300]}, "whole numbers from 0 to 255, found 300"),
        ({"polygon": [[0, 0], [1, 1]]}, "polygon_m: expected at least three corners"),
        ({"polygon": [[0, 0], [1, 1], [1, 0], [0, 1]]}, "polygon_m: expected a simple polygon"),
        ({"height": (3.0, 1.0)}, "height_m: expected a rising range of heights"),
        ({"thin_m": -1.0}, "thin_m: expected a finite number of at least 0"),
        ({"survey_error_m": float("nan")}, "survey_error_m: expected a finite number of at least 0"),
        ({"origin": (0.0, 0.0)}, "origin: expected three finite numbers"),
        ({"origin": (0.0, 5e6, 0.0)}, "coordinates within 1000000 m of the origin"),
        ({"thin_m": 0.0005}, "thin_m: expected cells of at least"),
    ],
)
def test_refusals(small, options, words):
    with pytest.raises(InputError) as refusal:
        read_cloud(small, **options)
    assert words in str(refusal.value)
