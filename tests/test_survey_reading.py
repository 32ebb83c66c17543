"""Reading scans: every version and point format, counts of what is left out, units, reference systems, bad input."""

from __future__ import annotations

import laspy
import numpy as np
import pytest
from survey_scenes import Truth, scan_of, write_scan

from clearance.errors import InputError
from clearance.survey.classes import GROUND, NOISE, OTHER, WIRE, asprs_roles, read_roles
from clearance.survey.run import Options, survey_scans
from clearance.survey.scans import open_scans
from clearance.survey.spill import Spill
from clearance.survey.stream import Tally, chunks


def points(number=400, seed=0, scale=100.0):
    return np.random.default_rng(seed).uniform(0.0, scale, (number, 3)) + np.array([5000.0, 6000.0, 20.0])


def read_all(scans, roles=None):
    tally = Tally()
    parts = list(chunks(scans, asprs_roles() if roles is None else roles, tally))
    xyz = np.concatenate([np.column_stack([part.x, part.y, part.z]) for part in parts])
    return xyz + np.asarray(scans.origin), np.concatenate([part.code for part in parts]), tally


@pytest.mark.parametrize("ending", ["las", "laz"])
@pytest.mark.parametrize(
    ("version", "point_format"),
    [("1.2", 0), ("1.2", 1), ("1.2", 2), ("1.2", 3), ("1.3", 4), ("1.3", 5), ("1.4", 1), ("1.4", 6), ("1.4", 7),
     ("1.4", 8), ("1.4", 9), ("1.4", 10)],
)  # fmt: skip
def test_every_version_and_point_format_is_read(tmp_path, version, point_format, ending):
    """Against what was written; laspy's own LAZ decoder does not take waveform formats, so these are LAS only."""
    if ending == "laz" and point_format in (4, 5, 9, 10):
        pytest.skip("waveform point formats are not compressed by the decoder")
    given = {2: points(300, 1), 1: points(200, 2), 31: points(50, 3)}
    path = write_scan(tmp_path / f"a.{ending}", given, version=version, point_format=point_format)
    xyz, code, tally = read_all(open_scans([path]))
    assert tally.read == 550
    assert {int(k): int((code == k).sum()) for k in np.unique(code)} == {1: 200, 2: 300, 31: 50}
    for number, some in given.items():
        mine = xyz[code == number]
        assert np.abs(mine[np.lexsort(mine.T)] - some.round(3)[np.lexsort(some.round(3).T)]).max() < 2e-3


def test_noise_and_withheld_points_are_dropped_and_counted(tmp_path):
    path = write_scan(tmp_path / "a.laz", {2: points(300), 7: points(20, 4), 18: points(10, 5)}, withheld=40)
    xyz, code, tally = read_all(open_scans([path]))
    held = int(np.asarray(laspy.read(path).withheld).sum())
    assert held == 40
    assert tally.dropped["withheld by the survey"] == 40
    assert sum(tally.dropped.values()) + len(xyz) == tally.read == 330
    assert not np.isin(code, (7, 18)).any()


@pytest.mark.parametrize("point_format", [1, 6])
def test_the_withheld_flag_is_found_in_old_and_new_formats(tmp_path, point_format):
    path = write_scan(tmp_path / "a.las", {2: points(100)}, version="1.4", point_format=point_format, withheld=25)
    assert read_all(open_scans([path]))[2].dropped == {"withheld by the survey": 25}


def test_tiles_share_one_frame(tmp_path):
    a = write_scan(tmp_path / "a.laz", {2: points(100)}, scale=0.001)
    b = write_scan(tmp_path / "b.laz", {2: points(100, 9) + np.array([400.0, -300.0, 0.0])}, scale=0.01)
    scans = open_scans([a, b])
    xyz, _, tally = read_all(scans)
    assert tally.read == 200
    assert scans.origin[0] <= xyz[:, 0].min()
    assert scans.origin[1] <= xyz[:, 1].min()
    assert scans.highest[0] + scans.origin[0] == pytest.approx(xyz[:, 0].max(), abs=0.02)


@pytest.mark.parametrize(
    ("crs", "horizontal", "vertical", "epsg", "name"),
    [
        ("EPSG:7415", 1.0, 1.0, 7415, "NAP height"),
        ("EPSG:2263", 1200 / 3937, 1200 / 3937, 2263, "not stated"),  # New York Long Island, US survey foot
        ("EPSG:2263+6360", 1200 / 3937, 1200 / 3937, 8767, "NAVD88 height (ftUS)"),
        ("EPSG:32631+5773", 1.0, 1.0, None, "EGM96 height"),
        ("EPSG:32631+8228", 1.0, 0.3048, None, "NAVD88 height (ft)"),  # metres across, international feet up
    ],
)  # fmt: skip
def test_units_and_datum_come_from_the_header(tmp_path, crs, horizontal, vertical, epsg, name):
    """Units of the codes as the EPSG register has them, read here through pyproj's copy of it."""
    path = write_scan(tmp_path / "a.laz", {2: points(50)}, crs=crs)
    scans = open_scans([path])
    assert scans.to_m == pytest.approx((horizontal, vertical), rel=1e-9)
    assert scans.epsg == epsg
    assert scans.vertical == name
    low = points(50).min(axis=0)
    assert scans.lowest[0] + scans.origin[0] == pytest.approx(low[0] * horizontal, abs=0.01)
    assert scans.lowest[2] + scans.origin[2] == pytest.approx(low[2] * vertical, abs=0.01)


def test_a_stated_crs_is_used_only_where_the_header_has_none(tmp_path):
    bare = write_scan(tmp_path / "a.laz", {2: points(50)})
    assert open_scans([bare]).notes
    assert open_scans([bare]).epsg is None
    assert open_scans([bare], crs="EPSG:32631").epsg == 32631
    has = write_scan(tmp_path / "b.laz", {2: points(50)}, crs="EPSG:7415")
    scans = open_scans([has], crs="EPSG:32631")
    assert scans.epsg == 7415
    assert any("not used" in note for note in scans.notes)


def test_a_line_in_feet_is_surveyed_in_metres(tmp_path):
    truth = Truth(spans=(280.0,))
    metre = survey_scans([scan_of(truth, tmp_path / "m.laz", spacing=1.0, trees=0)]).finding
    ground, towers, _ = truth.surroundings(0.8, 0)
    wires = np.concatenate(list(truth.returns(1.0, 0.04).values()))
    feet = write_scan(tmp_path / "f.laz", {1: np.concatenate([ground, wires, towers]) / 0.3048}, crs="EPSG:2225")
    us_foot = 1200 / 3937  # EPSG:2225 is in US survey feet; the points above are international: 2 in a million apart
    found = survey_scans([feet]).finding
    assert found.scans.to_m == pytest.approx((us_foot, us_foot))
    sags = sorted(wire.sag_m for wire in found.wires)
    assert sags == pytest.approx(sorted(wire.sag_m for wire in metre.wires), abs=0.01)


# --- classes ---------------------------------------------------------------------------------------------------------


def test_the_asprs_scheme():
    """Codes 13 to 16 and 2, 6, 7, 9, 18 as ASPRS LAS 1.4 lists them."""
    roles = asprs_roles()
    assert [int(roles[code]) for code in (2, 9, 13, 14, 7, 18, 1, 0)] == [
        GROUND,
        GROUND,
        WIRE,
        WIRE,
        NOISE,
        NOISE,
        OTHER,
        OTHER,
    ]


def test_a_mapping_file_is_read(tmp_path):
    (tmp_path / "map.toml").write_text("[classes]\nwire = [64, 65]\nground = [100]\n")
    roles = read_roles(tmp_path / "map.toml")
    assert [int(roles[code]) for code in (64, 65, 100, 2, 7)] == [WIRE, WIRE, GROUND, OTHER, NOISE]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[classes]\nwires = [14]\n", "one of the roles"),
        ("[classes]\nwire = [300]\n", "codes from 0 to 255"),
        ("[classes]\nwire = [14]\nground = [14]\n", "each code once"),
        ("[class]\nwire = [14]\n", "[classes]"),
        ("[classes\n", "TOML"),
    ],
)
def test_a_wrong_mapping_file_is_refused(tmp_path, text, said):
    (tmp_path / "map.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        read_roles(tmp_path / "map.toml")
    assert said in str(caught.value)


@pytest.mark.parametrize("use", ["auto", "ignore"])
def test_another_scheme_gives_the_same_wires(tmp_path, use):
    (tmp_path / "map.toml").write_text("[classes]\nground = [100]\nwire = [64]\nstructure = [65]\n")
    path = scan_of(Truth(spans=(280.0,)), tmp_path / "a.laz", spacing=1.0, classes=(100, 64, 65, 66))
    finding = survey_scans([path], Options(classes=use, class_map=tmp_path / "map.toml")).finding
    assert len(finding.wires) == 4
    assert ("wire classes used" in finding.class_use) == (use == "auto")


def test_wrong_wire_labels_are_not_believed(tmp_path):
    """Tree returns labelled wire, wires labelled unclassified: the wires come out all the same, and it is said."""
    path = scan_of(Truth(spans=(280.0,)), tmp_path / "a.laz", spacing=1.0, classes=(2, 1, 1, 14))
    finding = survey_scans([path]).finding
    assert sorted(wire.kind for wire in finding.wires) == ["phase", "phase", "phase", "shield"]
    assert "not believed" in finding.class_use


# --- bad input: each its own clear message, or a flagged result ------------------------------------------------------


def refused(paths, said, **options):
    with pytest.raises(InputError) as caught:
        survey_scans(paths, Options(**options))
    message = str(caught.value)
    assert said in message, message
    assert "Traceback" not in message
    return message


def test_no_such_file(tmp_path):
    refused([tmp_path / "none.laz"], "no such file")


def test_not_a_scan(tmp_path):
    (tmp_path / "a.laz").write_bytes(b"hello, this is no scan at all")
    refused([tmp_path / "a.laz"], "LAZ header")


@pytest.mark.parametrize("share", [0.2, 0.6, 0.97])
def test_a_truncated_laz(tmp_path, share):
    path = write_scan(tmp_path / "a.laz", {1: points(60_000)})
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    refused([path], "copy or export")


def test_a_truncated_las(tmp_path):
    path = write_scan(tmp_path / "a.las", {1: points(5000)})
    path.write_bytes(path.read_bytes()[:-40_000])
    message = refused([path], "5,000 points as the header says")
    assert "cut off" in message


def test_zero_points(tmp_path):
    header = laspy.LasHeader(version="1.4", point_format=6)
    laspy.LasData(header).write(str(tmp_path / "a.las"))
    refused([tmp_path / "a.las"], "at least one point")


def test_degrees_by_the_reference_system(tmp_path):
    path = write_scan(tmp_path / "a.las", {2: points(50) / 1000.0}, crs="EPSG:4326", scale=1e-7)
    refused([path], "degrees of latitude and longitude")


def test_degrees_by_the_look_of_the_numbers(tmp_path):
    there = np.random.default_rng(0).uniform(0, 1, (100, 3)) * np.array([0.004, 0.003, 30.0]) + np.array(
        [6.55, 52.99, 10.0]
    )
    path = write_scan(tmp_path / "a.las", {2: there}, scale=1e-7)
    refused([path], "degrees")


def test_tiles_of_different_reference_systems(tmp_path):
    a = write_scan(tmp_path / "a.laz", {2: points(50)}, crs="EPSG:7415")
    b = write_scan(tmp_path / "b.laz", {2: points(50)}, crs="EPSG:32631")
    message = refused([a, b], "one coordinate reference system")
    assert "a.laz" in message
    assert "b.laz" in message


def test_the_same_tile_twice(tmp_path):
    a = write_scan(tmp_path / "a.laz", {2: points(50)})
    refused([a, a], "each tile once")


def test_all_mistakes_are_told_at_once(tmp_path):
    (tmp_path / "a.laz").write_bytes(b"no")
    message = refused([tmp_path / "a.laz", tmp_path / "b.laz"], "no such file")
    assert len(message.splitlines()) == 2


def test_points_outside_the_bounds_of_the_header(tmp_path):
    path = write_scan(tmp_path / "a.las", {2: points(50)})
    data = bytearray(path.read_bytes())
    # LAS 1.4 public header: max x at byte 179, min x at 187 (doubles)
    data[179:187] = np.float64(5001.0).tobytes()
    path.write_bytes(bytes(data))
    refused([path], "bounds")


def test_only_noise(tmp_path):
    refused([write_scan(tmp_path / "a.laz", {7: points(50)})], "neither noise nor withheld")


def test_a_wrong_unit_or_crs_or_choice(tmp_path):
    path = write_scan(tmp_path / "a.laz", {2: points(50)})
    refused([path], "one of metre, foot, us-foot", unit="yard")
    refused([path], "a coordinate reference system", crs="EPSG:999999")
    refused([path], "auto, use or ignore", classes="maybe")
    refused([path], "metres from 0 to 5", accuracy_m=-1.0)


def test_use_of_classes_that_are_not_there_is_refused(tmp_path):
    path = scan_of(Truth(spans=(120.0,)), tmp_path / "a.laz", spacing=2.0, trees=0)
    refused([path], "ground class", classes="use")


@pytest.mark.parametrize("code", [0, 1])
def test_all_points_in_one_class_are_surveyed_by_shape(tmp_path, code):
    path = scan_of(Truth(spans=(280.0,)), tmp_path / "a.laz", spacing=1.0, classes=(code,) * 4)
    finding = survey_scans([path]).finding
    assert len(finding.wires) == 4
    assert "no ground class" in finding.class_use
    assert any("found by a filter" in entry for entry in finding.eye)


def test_only_wires_is_a_flagged_result(tmp_path):
    path = write_scan(tmp_path / "a.laz", {1: np.concatenate(list(Truth().returns(0.5, 0.04).values()))})
    finding = survey_scans([path]).finding
    assert finding.ground is None
    assert any(entry.startswith("NO GROUND") for entry in finding.eye)
    assert len([wire for wire in finding.wires if wire.span_m > 250]) == 8


def test_no_wires_is_a_flagged_result(tmp_path):
    ground, _, trees = Truth().surroundings(1.0, 6)
    finding = survey_scans([write_scan(tmp_path / "a.laz", {1: np.concatenate([ground, trees])})]).finding
    assert finding.wires == ()
    assert any(entry.startswith("NO WIRES") for entry in finding.eye)
    assert finding.ground is not None


def test_feet_read_as_metres_are_noticed(tmp_path):
    """A twin-bundle line 1 / 0.3048 times too large: the bundle spacing and the supports' height give it away."""
    six = tuple((name, t, z, 1400.0, 0.4) for name, t, z in (("A", 6, 22), ("B", 6, 28), ("C", 6, 34)))
    truth = Truth(spans=(300.0,), wires=six)
    ground, towers, _ = truth.surroundings(0.8, 0)
    wires = np.concatenate(list(truth.returns(0.3, 0.03).values()))
    path = write_scan(tmp_path / "a.laz", {1: np.concatenate([ground, wires, towers]) / 0.3048})
    said = [entry for entry in survey_scans([path]).finding.eye if entry.startswith("THE UNIT MAY BE FEET")]
    assert len(said) == 1
    assert not [e for e in survey_scans([path], Options(unit="foot")).finding.eye if e.startswith("THE UNIT")]


def test_points_on_disk_come_back_as_they_went(tmp_path):
    """A spill that holds nothing in memory gives the same points as one that holds all."""
    rng = np.random.default_rng(0)
    xyz, code = rng.uniform(0, 900, (5000, 3)), rng.integers(0, 30, 5000).astype(np.uint8)
    with Spill(0.0, 0.0) as roomy, Spill(0.0, 0.0, buffer_bytes=1000) as tight:
        for start in range(0, 5000, 700):
            roomy.add(xyz[start : start + 700], code[start : start + 700])
            tight.add(xyz[start : start + 700], code[start : start + 700])
        assert roomy.squares() == tight.squares()
        assert sum(len(roomy.read(square)[0]) for square in roomy.squares()) == 5000
        for square in roomy.squares():
            for a, b in zip(roomy.read(square), tight.read(square), strict=True):
                assert (a == b).all()
            low, high = roomy.box(square)
            assert (roomy.read(square)[0][:, :2] >= low).all()
            assert (roomy.read(square)[0][:, :2] <= high).all()


def test_counts_and_coordinates_agree_with_the_bytes_of_the_file(tmp_path):
    """Read here by offsets of the ASPRS LAS 1.2 specification (header block, point format 1), without laspy."""
    import struct

    path = write_scan(tmp_path / "a.las", {2: points(300), 1: points(200, 3)}, version="1.2", point_format=1)
    data = path.read_bytes()
    assert data[:4] == b"LASF"
    assert data[24:26] == bytes([1, 2])
    (start,), (kind, size, count) = struct.unpack_from("<I", data, 96), struct.unpack_from("<BHI", data, 104)
    assert (kind, size, count) == (1, 28, 500)
    scale, shift = np.array(struct.unpack_from("<3d", data, 131)), np.array(struct.unpack_from("<3d", data, 155))
    raw = np.frombuffer(
        data, np.dtype([("xyz", "<i4", 3), ("skip", "V3"), ("code", "u1"), ("rest", "V12")]), count, start
    )
    xyz, code, tally = read_all(open_scans([path]))
    assert tally.read == count
    assert np.abs(raw["xyz"] * scale + shift - xyz).max() < 1e-6
    assert (raw["code"] & 31 == code).all()
    high_x, low_x, high_y, low_y, high_z, low_z = struct.unpack_from("<6d", data, 179)
    assert np.abs(xyz.min(axis=0) - [low_x, low_y, low_z]).max() < 1e-6
    assert np.abs(xyz.max(axis=0) - [high_x, high_y, high_z]).max() < 1e-6
