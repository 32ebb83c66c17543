"""What a survey writes: a scene that reads and checks, bodies that hold every point, the same bytes twice, all or
nothing."""

from __future__ import annotations

import csv
import json
import re

import laspy
import numpy as np
import pytest
from survey_scenes import Truth, scan_of, write_scan
from typer.testing import CliRunner

from clearance.cli import app
from clearance.cli.survey import survey as survey_command
from clearance.conductor.catenary import from_constant, point_at
from clearance.errors import InputError
from clearance.report.survey import page
from clearance.scene.reading import read_scene
from clearance.survey import write
from clearance.survey.classes import asprs_roles
from clearance.survey.compare import compare_surveys
from clearance.survey.ground import GroundRaster, grid_over, make_ground, surface_at
from clearance.survey.labels import write_labels
from clearance.survey.naming import propose
from clearance.survey.records import Bundle
from clearance.survey.run import Options, survey_scans
from clearance.survey.scans import open_scans
from clearance.survey.sift import find_surface
from clearance.survey.stream import Tally
from clearance.survey.write import scene_ground, survey_record, write_survey

SINGLE, TWIN = Bundle(1, 0.0, "single", 0.1), Bundle(2, 0.4, "horizontal pair", 0.3)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("survey")


@pytest.fixture(scope="module")
def scan(folder):
    return scan_of(Truth(), folder / "line.laz", spacing=0.8, crs="EPSG:32631+5773")


@pytest.fixture(scope="module")
def found(scan):
    return survey_scans([scan], Options(nominal_kV=220.0, accuracy_m=0.08))


@pytest.fixture(scope="module")
def written(found, folder):
    write_survey(found.finding, folder / "out", "a line", report=page)
    return folder / "out"


def test_all_files_are_there(written):
    assert sorted(path.name for path in written.iterdir()) == sorted(write.FILES)


def test_the_scene_reads_and_its_wires_are_where_they_truly_are(written, found):
    """Within each wire's own uncertainty of the true geometry, all along it."""
    scene = read_scene(written / "scene.toml")
    truth = Truth()
    assert [circuit.phases for circuit in scene.circuits] == [("A", "B", "C")]
    assert (scene.origin.epsg, scene.origin.vertical) == (found.finding.scans.epsg, "EGM96 height")
    origin = np.array([scene.origin.easting_m, scene.origin.northing_m, scene.origin.height_m])
    assert len(scene.wires) == 8
    for wire in scene.wires:
        curve = from_constant(wire.from_m, wire.to_m, wire.catenary_constant_m)
        xyz = np.array([point_at(curve, float(x)) for x in np.linspace(0.01, curve.span_m - 0.01, 60)]) + origin
        s = (xyz[:, :2] - np.array(truth.start)) @ truth.along
        span = int(np.searchsorted(truth.supports(), np.median(s))) - 1
        keep = (s > truth.supports()[span]) & (s < truth.supports()[span + 1])
        away = [np.linalg.norm(truth.wire(name, span, s[keep]) - xyz[keep], axis=1).max() for name, *_ in truth.wires]
        assert min(away) <= wire.uncertainty_m
        assert wire.uncertainty_m < 0.2
        assert (wire.potential == "earth") == (int(np.argmin(away)) == 3)


def test_the_scene_checks(written):
    """With the first stage that the survey proposes: a person below the lowest wire, 20 m and more from it."""
    from clearance import pipeline

    found = pipeline.check(read_scene(written / "scene.toml"), tolerance_m=0.05)
    assert [one.verdict for one in found.stages] == ["clear"]
    # A scene to go on from carries no statement: what nobody has said yet keeps it from being clear.
    assert found.verdict == "undecided"
    assert all(point.cure for point in found.open_points if point.verdict != "clear")
    assert not [point for point in found.open_points if "potential" in point.what], "the survey states what it writes"


def test_a_scene_without_a_voltage_says_so(found, folder):
    from dataclasses import replace

    write_survey(replace(found.finding, nominal_kV=None), folder / "no_voltage", "a line")
    with pytest.raises(InputError) as caught:
        read_scene(folder / "no_voltage" / "scene.toml")
    assert "nominal_kV" in str(caught.value)
    assert "TO STATE" in (folder / "no_voltage" / "scene.toml").read_text()


def test_survey_json_has_the_agreed_keys(written, found):
    data = json.loads((written / "survey.json").read_text())
    assert data["format"] == 1
    for wire in data["wires"]:
        for key in (
            "name",
            "kind",
            "bundle_spacing_m",
            "span_m",
            "sag_m",
            "catenary_constant_m",
            "rms_vertical_m",
            "points",
        ):
            assert key in wire
        assert wire["kind"] in ("phase", "shield")
    assert sum(data["kept"].values()) + sum(data["dropped"].values()) == found.finding.scans.points


def test_bodies_leave_no_point_out(written, found, scan):
    """Every return that is neither ground nor wire lies within the thinning radius of a point that was written."""
    from scipy.spatial import cKDTree

    labels = written.parent / "labels.laz"
    write_labels(found, labels)
    las, bodies = laspy.read(labels), laspy.read(written / "bodies.laz")
    code = np.asarray(las.classification)
    rest = np.column_stack([las.x, las.y, las.z])[~np.isin(code, (2, 7, 13, 14))]
    tree = cKDTree(np.column_stack([bodies.x, bodies.y, bodies.z]))
    assert tree.query(rest)[0].max() <= found.finding.others.thin_m * np.sqrt(3.0) + 0.002
    assert bodies.header.parse_crs() is not None


def test_structures_hold_the_towers(written, found):
    truth = Truth()
    origin = np.array(found.finding.scans.origin)
    assert len(found.finding.structures) == 3
    for tower, at in zip(found.finding.structures, truth.supports(), strict=True):
        base = truth.world(np.array([at]), np.array([0.0]), np.array([float(truth.ground(at))]))[0]
        assert np.hypot(*(tower.base + origin - base)[:2]) < 0.5
        assert tower.base[2] + origin[2] == pytest.approx(base[2], abs=0.1)
        assert tower.height_m == pytest.approx(35.0, abs=0.3)
        assert tower.points > 900


def test_the_ground_of_the_scene_is_nowhere_below_a_ground_return(written, found):
    scene = read_scene(written / "scene.toml")
    rows = np.array([[float(v) for v in row] for row in csv.reader((written / "ground.csv").read_text().splitlines())])
    write_labels(found, written.parent / "ground_labels.laz")
    las = laspy.read(written.parent / "ground_labels.laz")
    ground = np.asarray(las.classification) == 2
    xyz = np.column_stack([las.x, las.y, las.z])[ground] - np.array(found.finding.scans.origin)
    u, v = (xyz[:, :2] - np.array(scene.ground.corner_m)).T / scene.ground.spacing_m
    inside = (u >= 0) & (v >= 0) & (u < rows.shape[1] - 1) & (v < rows.shape[0] - 1)
    u, v, z = u[inside], v[inside], xyz[inside, 2]
    i, j = v.astype(int), u.astype(int)
    lowest = np.minimum.reduce([rows[i, j], rows[i + 1, j], rows[i, j + 1], rows[i + 1, j + 1]])
    # any surface between the four corners is at least their least, and each corner at least every return of its cells
    assert (z <= lowest + 1e-3).all()
    assert inside.sum() > 20_000


def test_the_raster_counts_every_return_however_they_lie(tmp_path):
    """Returns in a window, and few returns far apart, one by one: against a count in plain Python."""
    rng = np.random.default_rng(3)
    xyz = np.concatenate([rng.uniform(0, 60, (4000, 3)), rng.uniform(0, 300, (40, 3))])
    scans = open_scans([write_scan(tmp_path / "a.laz", {2: xyz})])
    raster = GroundRaster(grid_over(scans))
    xyz = xyz - np.array(scans.origin)
    for part in (xyz[:1500], xyz[1500:4000], xyz[4000:], xyz[:0]):
        raster.add(*part.T)
    truth: dict[int, list[float]] = {}
    for x, y, z in xyz.tolist():
        row, column = int((y - raster.grid.y0) // raster.grid.cell), int((x - raster.grid.x0) // raster.grid.cell)
        truth.setdefault(row * raster.grid.columns + column, []).append(z)
    assert raster.added == 4040
    assert set(np.flatnonzero(raster.count)) == set(truth)
    for cell, heights in truth.items():
        assert raster.count[cell] == len(heights)
        assert raster.sum[cell] == pytest.approx(sum(heights))
        assert 0 <= raster.highest[cell] - max(heights) < 1e-4


def test_coarser_ground_stays_above(found, monkeypatch):
    monkeypatch.setattr(write, "MOST_NODES", 10_000_000)
    fine = scene_ground(found.finding)
    monkeypatch.setattr(write, "MOST_NODES", 4000)
    corner, spacing, upper, _ = scene_ground(found.finding)
    assert corner == fine[0]
    assert spacing > fine[1]
    step = round(spacing / fine[1])
    grown = np.kron(
        np.minimum.reduce([upper[:-1, :-1], upper[1:, :-1], upper[:-1, 1:], upper[1:, 1:]]), np.ones((step, step))
    )
    rows, columns = min(grown.shape[0], fine[2].shape[0]), min(grown.shape[1], fine[2].shape[1])
    assert (grown[:rows, :columns] >= fine[2][:rows, :columns] - 1e-4).all()


def test_gaps_in_the_ground_state_their_error(tmp_path):
    """A slope of 1 in 5 with a hole of 40 m: the truth in the hole is below the raised face, mostly not far."""
    rng = np.random.default_rng(0)
    x, y = rng.uniform(0, 200, 60_000), rng.uniform(0, 120, 60_000)
    keep = (np.abs(x - 100) > 20) | (np.abs(y - 60) > 20)
    z = 30.0 + 0.2 * x
    scan = write_scan(tmp_path / "a.laz", {2: np.column_stack([x, y, z])[keep]})
    scans = open_scans([scan])
    raster = GroundRaster(grid_over(scans))
    xyz = np.column_stack([x, y, z])[keep] - np.array(scans.origin)
    raster.add(*xyz.T)
    ground = make_ground(raster, "test", 0.1)
    columns = ground.corner[0] + (np.arange(ground.mean.shape[1]) + 0.5) * ground.cell + scans.origin[0]
    true = 30.0 + 0.2 * columns[None, :] - scans.origin[2] + np.zeros(ground.mean.shape)
    hole = ~ground.seen
    hole[[0, -1]], hole[:, [0, -1]] = False, False
    upper = np.minimum.reduce(
        [ground.upper[:-1, :-1], ground.upper[1:, :-1], ground.upper[:-1, 1:], ground.upper[1:, 1:]]
    )
    assert np.mean(upper[hole] >= true[hole] - 0.1) > 0.97
    assert ground.gap_error[hole].max() < 10.0


def test_two_runs_give_the_same_bytes(scan, written, folder):
    again = survey_scans([scan], Options(nominal_kV=220.0, accuracy_m=0.08))
    write_survey(again.finding, folder / "again", "a line", report=page)
    for name in write.FILES:
        assert (folder / "again" / name).read_bytes() == (written / name).read_bytes(), name
    write_labels(again, folder / "again.laz")
    write_labels(again, folder / "again2.laz")
    assert (folder / "again.laz").read_bytes() == (folder / "again2.laz").read_bytes()


def test_any_number_of_workers_gives_the_same_bytes(scan, tmp_path, monkeypatch):
    """With one, two and five threads; squares are small, so that there are many to be worked on at once."""
    monkeypatch.setattr("clearance.survey.spill.SQUARE_M", 40.0)
    files = {}
    for workers in (1, 2, 5):
        monkeypatch.setattr("clearance.survey.workers.WORKERS", workers)
        out = tmp_path / str(workers)
        again = survey_scans([scan], Options(nominal_kV=220.0, classes="ignore"))
        write_survey(again.finding, out, "a line", report=page)
        write_labels(again, out / "labels.laz")
        files[workers] = {path.name: path.read_bytes() for path in out.iterdir()}
    assert set(files[1]) == {*write.FILES, "labels.laz"}
    assert files[1] == files[2] == files[5]


def test_tiles_give_what_the_whole_gives(tmp_path, found, scan):
    """The scan cut in two tiles: the same wires, and the labels of both tiles in one file, in order."""
    las = laspy.read(scan)
    half = np.asarray(las.x) < np.median(las.x)
    for name, keep in (("a", half), ("b", ~half)):
        part = laspy.LasData(las.header)
        part.points = las.points[keep]
        part.write(str(tmp_path / f"{name}.laz"))
    both = survey_scans([tmp_path / "a.laz", tmp_path / "b.laz"], Options(accuracy_m=0.08))
    whole = {wire.name: wire for wire in found.finding.wires}
    assert sorted(whole) == sorted(wire.name for wire in both.finding.wires)
    for wire in both.finding.wires:
        assert wire.sag_m == pytest.approx(whole[wire.name].sag_m, abs=0.005)
    write_labels(both, tmp_path / "labels.laz")
    labelled = laspy.read(tmp_path / "labels.laz")
    assert (np.asarray(labelled.X) == np.concatenate([np.asarray(las.X)[half], np.asarray(las.X)[~half]])).all()


def test_an_interruption_leaves_nothing_half_written(found, tmp_path, monkeypatch):
    def interrupted(*_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_survey(found.finding, tmp_path / "out", "a line", report=interrupted)
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setattr("clearance.survey.labels.classify", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_labels(found, tmp_path / "labels.laz")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("upto", ["finding the ground", "sorting the points"])
def test_an_interruption_while_reading_leaves_nothing_behind(scan, tmp_path, monkeypatch, upto):
    """Points on disk go too: those kept between the passes and those sorted into squares."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr("clearance.survey.spill.Spill.__init__.__defaults__", (1000,))
    seen = []

    def step(name, total):
        def progress(count):
            seen.append((name, sorted(path.name for path in tmp_path.rglob("*") if path.is_file())))
            if name == upto:
                raise KeyboardInterrupt

        return progress

    with pytest.raises(KeyboardInterrupt):
        survey_scans([scan], Options(classes="ignore"), step)
    name, files = seen[-1]
    assert name == upto
    assert "points" in files
    assert any(file.endswith(".xyz") for file in files) == (upto == "sorting the points")
    assert list(tmp_path.iterdir()) == []


def test_points_kept_between_passes_change_nothing(scan, monkeypatch):
    """With no room to keep them the scan is decoded twice, to the same finding, every figure of it."""
    kept = survey_record(survey_scans([scan], Options(classes="ignore")).finding, "a line")
    monkeypatch.setattr("clearance.survey.stash.MOST_BYTES", 0)
    again = survey_record(survey_scans([scan], Options(classes="ignore")).finding, "a line")
    assert kept == again
    assert sum(kept["source_classes"].values()) == kept["scan"]["points"]


def test_ground_is_told_from_the_rest_as_by_the_surface_itself(tmp_path):
    """On rough ground, returns about every height that decides: as the surface at their place says, computed for
    each."""
    rng = np.random.default_rng(5)
    xy = rng.uniform(0, 200, (60_000, 2))
    z = 30.0 + 6.0 * np.sin(xy[:, 0] / 9.0) * np.cos(xy[:, 1] / 13.0) + 0.2 * xy[:, 0]
    scans = open_scans([write_scan(tmp_path / "a.laz", {1: np.column_stack([xy, z])})])
    surface, _ = find_surface(scans, asprs_roles(), False, Tally(), None)
    assert surface.found
    x, y = rng.uniform(0.5, 199.5, (2, 40_000))
    there = surface_at(surface.grid, surface.heights, x, y)
    tolerance = surface.tolerance[surface.grid.index(x, y)]
    off = rng.choice([0.0, 1.0, 3.0], 40_000) * rng.normal(0, 1, 40_000)
    z = there + rng.choice([-1.0, 0.0, 1.0], 40_000) * tolerance + off
    ground, below = surface.split(x, y, z, np.zeros(40_000, np.uint8))
    assert (below == (z - there < -1.0)).all()
    assert (ground == ((z - there <= tolerance) & ~below)).all()
    assert 0.2 < ground.mean() < 0.8
    assert below.mean() > 0.1


def test_other_files_are_not_overwritten(found, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match="an empty folder"):
        write_survey(found.finding, tmp_path / "out", "a line")
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["notes.txt"]


def test_labels_refuse_the_scan_itself_and_odd_endings(found, scan, tmp_path):
    before = scan.read_bytes()
    with pytest.raises(InputError, match="another file than the scan"):
        write_labels(found, scan)
    assert scan.read_bytes() == before
    with pytest.raises(InputError, match="ending in"):
        write_labels(found, tmp_path / "labels.txt")


def test_the_table_of_names_is_read_back(scan, written, tmp_path):
    rows = list(csv.reader((written / "phases.csv").read_text().splitlines()))
    assert [row[3] for row in rows[1:]] == ["A", "B", "C", "shield 1"]
    rows[1][2:4] = ["line north", "R"]
    with (tmp_path / "phases.csv").open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    finding = survey_scans([scan], Options(phases=tmp_path / "phases.csv")).finding
    named = {wire.phase: wire.circuit for wire in finding.wires}
    assert named["R"] == "line north"
    assert "A" not in named


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("x,phase,c,A,1,0,0,", "a whole number"),
        ("1,wire,c,A,1,0,0,", "phase or shield"),
        ("1,phase,,A,1,0,0,", "its circuit"),
        ("1,phase,c,A,1,0,0,\n2,phase,d,A,1,0,0,", "in one circuit"),
        ("1,phase,c,A,1,0,0,\n1,phase,c,B,1,0,0,", "each conductor once"),
        ("", "at least one line"),
    ],
)
def test_a_wrong_table_of_names_is_refused(scan, tmp_path, line, said):
    head = "conductor,kind,circuit,phase,spans,mean_height_m,left_of_axis_m,basis\n"
    (tmp_path / "phases.csv").write_text(head + line + "\n")
    with pytest.raises(InputError) as caught:
        survey_scans([scan], Options(phases=tmp_path / "phases.csv"))
    assert said in str(caught.value)


def names(places, bundles):
    return [proposal.phase for proposal in propose(np.array(places, float), bundles, True)]


def test_names_by_position():
    """Two circuits on a tower of three arms and two peaks; one flat circuit; one in a triangle without a shield
    wire."""
    six = [(4, 30), (4, 24), (4, 18), (-4, 30), (-4, 24), (-4, 18)]
    assert names([*six, (3, 37), (-3, 37)], [TWIN] * 6 + [SINGLE] * 2) == [
        "A",
        "B",
        "C",
        "A2",
        "B2",
        "C2",
        "shield 1",
        "shield 2",
    ]
    assert names([*six, (0, 37)], [SINGLE] * 7)[-1] == "shield 1"
    assert names([(7, 20), (0, 20), (-7, 20)], [SINGLE] * 3) == ["A", "B", "C"]
    assert names([(0, 25), (3, 20), (-3, 20)], [TWIN] * 3) == ["B", "A", "C"]


def test_two_surveys_are_compared(folder, tmp_path):
    """The same line with less tension: the change of sag comes out within its stated error, and is more than that."""
    uncertaintyer = tuple((n, t, z, c * (0.96 if n == "A" else 1.0), b) for n, t, z, c, b in Truth().wires)
    cooler, warmer = Truth(spans=(300.0,), seed=3), Truth(spans=(300.0,), seed=4, wires=uncertaintyer)
    for name, truth in (("first", cooler), ("second", warmer)):
        path = scan_of(truth, tmp_path / f"{name}.laz", spacing=0.6)
        write_survey(survey_scans([path]).finding, tmp_path / name, name)
    comparison = compare_surveys(tmp_path / "first", tmp_path / "second")
    assert len(comparison.changes) == 4
    assert comparison.only_first == comparison.only_second == ()
    for change in comparison.changes:
        true = 0.0
        if change.first.startswith("A "):
            sags = [
                (truth.wire("A", 0, np.array([0.01, 150.0, 299.99]))[:, 2] * np.array([0.5, -1.0, 0.5])).sum()
                for truth in (cooler, warmer)
            ]
            true = sags[1] - sags[0]
            assert true > 0.3
            assert change.shown
        assert change.sag_change_m == pytest.approx(true, abs=max(1.5 * change.sag_error_m, 0.02))
        assert change.sag_error_m < 0.05
        assert change.height_error_m >= np.hypot(0.10, 0.10)  # both accuracies are assumed


def test_surveys_of_different_datum_are_not_compared(written, tmp_path):
    data = json.loads((written / "survey.json").read_text())
    data["scan"]["vertical"] = "another datum"
    (tmp_path / "survey.json").write_text(json.dumps(data))
    with pytest.raises(InputError, match="vertical datum"):
        compare_surveys(written, tmp_path / "survey.json")
    (tmp_path / "survey.json").write_text("{}")
    with pytest.raises(InputError, match=r"survey.json of format 1"):
        compare_surveys(written, tmp_path)


def runner():
    names = [command.name or command.callback.__name__ for command in app.registered_commands]
    if "survey" not in names:  # registered here until the command line does it
        app.command()(survey_command)
    return CliRunner()


def test_the_command_writes_and_tells(scan, tmp_path):
    result = runner().invoke(
        app,
        [
            "survey",
            str(scan),
            "--out",
            str(tmp_path / "out"),
            "--labels",
            str(tmp_path / "l.laz"),
            "--voltage-kV",
            "220",
        ],
    )
    assert result.exit_code == 0, result.output
    assert "span [m]" in result.output
    assert "RMS [cm]" in result.output
    assert "Look at:" in result.output
    assert (tmp_path / "out" / "report.html").is_file()
    assert (tmp_path / "l.laz").is_file()
    compared = runner().invoke(app, ["survey", "--compare", str(tmp_path / "out"), str(tmp_path / "out")])
    assert compared.exit_code == 0
    assert "+0.000" in compared.output


def test_the_command_ends_with_2_on_bad_input_and_3_on_a_part(tmp_path):
    assert runner().invoke(app, ["survey", str(tmp_path / "none.laz"), "--out", str(tmp_path / "o")]).exit_code == 2
    ground = write_scan(tmp_path / "g.laz", {2: Truth().surroundings(2.0, 0)[0]})
    assert runner().invoke(app, ["survey", str(ground), "--out", str(tmp_path / "o")]).exit_code == 3
    assert (tmp_path / "o" / "scene.toml").is_file()
    assert runner().invoke(app, ["survey", str(ground)]).exit_code == 2


def test_the_page_holds_everything_itself(written):
    """No network, no scripts; every figure with its unit, each picture with a name."""
    text = (written / "report.html").read_text()
    assert "http://" not in text.replace("http://www.w3.org", "").replace("http://purl.org", "").replace(
        "http://creativecommons.org", ""
    )
    assert "<script" not in text
    assert text.count("<svg role=") == 1 + 3 * 2
    words = re.sub(r"data:[^\"]*|<[^>]*>", " ", text)
    assert not re.search(r"\bsafe", words, re.IGNORECASE)
