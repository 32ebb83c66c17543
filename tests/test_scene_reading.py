"""Reading a whole scene: every table once, what the records then hold, and which files the digest covers."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from pydantic import ValidationError

from clearance.errors import InputError
from clearance.scene.checks import names_of
from clearance.scene.naming import body_names
from clearance.scene.reading import read_scene
from clearance.scene.records import (
    AerialDevice,
    Range,
    Reference,
    Scene,
    SceneFile,
    aloft,
    arrangement,
    phases,
    posture,
    where,
)
from clearance.scene.records_statements import NoneThere
from clearance.scene.units import Conversion, record_classes, to_record_units

WHOLE = Path(__file__).parent / "messages" / "whole" / "whole.toml"


@pytest.fixture(scope="module")
def scene() -> Scene:
    return read_scene(WHOLE)


def test_the_whole_scene_uses_every_record_and_every_field_of_the_format():
    used: set[tuple[str, str]] = set()

    def walk(value):
        if isinstance(value, tuple):
            for item in value:
                walk(item)
        elif hasattr(value, "model_fields_set"):
            used.update((type(value).__name__, name) for name in value.model_fields_set)
            for name in type(value).model_fields:
                walk(getattr(value, name))

    walk(SceneFile.model_validate(to_record_units(SceneFile, tomllib.loads(WHOLE.read_text()), Conversion())))
    format_fields = {(record.__name__, name) for record in record_classes(SceneFile) for name in record.model_fields}
    # A scene has one ground, and a grid its heights or a file: the others are read below.
    # Access is one: by a ladder on a track here, others are read in test_job_hung_ladder and test_job_aerial_device.
    other = {("Ladder", "hangs_on"), ("Ladder", "heading_deg"), ("SceneFile", "aerial_device")}
    other |= {("AerialDevice", name) for name in AerialDevice.model_fields}
    other |= {("Stage", name) for name in ("turret_deg", "boom_deg", "extend_m")}
    # There is some of everything here; every scene of tests/small_scenes.py says what it has none of.
    other |= {("NoneThere", name) for name in NoneThere.model_fields}
    assert {(record, name) for record, name in format_fields - used - other if not record.endswith("Ground")} == set()


@pytest.mark.parametrize(
    ("ground", "kind"),
    [
        ('kind = "level"\nheight_m = 1', "LevelGround"),
        ('kind = "plane"\nthrough_m = [0, 0, 1]\nslope_deg = 8\nuphill_deg = 30\nextent_m = 60', "PlaneGround"),
        ('kind = "points"\nfile = "nodes.csv"\nclasses = [2, 8]', "PointsGround"),
        ('kind = "mesh"\nfile = "nodes.csv"\nunits = "ft"', "MeshGround"),
        ('kind = "grid"\nfile = "nodes.csv"\ncorner_ft = [0, 0]\nspacing_ft = 10', "GridGround"),
    ],
)
def test_every_kind_of_ground(ground, kind, tmp_path):
    text = WHOLE.read_text()
    start, end = text.index("[ground]"), text.index("[[structures]]")
    for file in WHOLE.parent.glob("*.csv"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "scan.laz").write_bytes((WHOLE.parent / "scan.laz").read_bytes())
    (tmp_path / "shed.stl").write_bytes((WHOLE.parent / "shed.stl").read_bytes())
    (tmp_path / "ours.toml").write_bytes((WHOLE.parent / "ours.toml").read_bytes())
    (tmp_path / "scene.toml").write_text(f"{text[:start]}[ground]\n{ground}\n\n{text[end:]}")
    assert type(read_scene(tmp_path / "scene.toml").ground).__name__ == kind


def test_values_are_in_the_units_of_their_names(scene):
    bus, dropper = scene.wires[0], scene.wires[1]
    assert bus.horizontal_tension_kN == pytest.approx(4.4482216)  # 1,000 lbf
    assert bus.weight_N_m == pytest.approx(15.97, abs=0.01)  # 1.094 lbf/ft
    assert scene.circuits[0].highest_kV == 245.0  # 245,000 V
    assert dropper.from_m == Reference("bus A", 20.0)
    assert dropper.release.lowered_to_m == (0.0, 4.0, 2.0)


def test_ranges_and_single_values(scene):
    work = next(stage for stage in scene.stages if stage.name == "work")
    assert (work.travel_m, work.climb_m) == (Range(3.0, 3.0), Range(6.0, 8.0))
    assert work.lean_along_deg == Range(-1.0, 1.0)
    assert (work.travel_m.is_value, work.climb_m.is_value) == (True, False)
    assert scene.stages[0].lean_across_deg == Range(0.0, 0.0)


def test_records_cannot_be_changed(scene):
    with pytest.raises(ValidationError, match="frozen"):
        scene.circuits[0].nominal_kV = 10.0


def test_who_is_aloft_and_how(scene):
    travel, climb, work = scene.stages[:3]
    assert (aloft(scene, travel), aloft(scene, climb), aloft(scene, work)) == (
        ("worker",),
        ("worker", "second"),
        ("worker",),
    )
    assert aloft(scene, travel.model_copy(update={"workers": None})) == ()
    assert (posture(climb), posture(work)) == ("climbing", "standing")
    assert posture(scene.stages[3]) == "reaching"  # nothing stated: the widest


def test_body_names_are_those_the_checks_know(scene):
    table = to_record_units(SceneFile, tomllib.loads(WHOLE.read_text()), Conversion())
    assert sorted(body_names(scene)) == sorted(names_of(table).bodies)
    assert {"ground", "bus A from string", "bus A to string", "hook", "worker bonding lead"} <= set(body_names(scene))
    assert len(set(body_names(scene))) == len(body_names(scene))


def test_phases_belong_to_circuits(scene):
    assert {phase: circuit.name for phase, circuit in phases(scene).items()} == {
        "A": "bay 1", "B": "bay 1", "C": "bay 1", "A2": "old line", "B2": "old line",
    }  # fmt: skip


def test_places_for_messages(scene):
    assert where(scene, scene.wires[0], "to_m") == (str(WHOLE), "wire 'bus A'", "to_m")
    assert where(scene, scene.ladder) == (str(WHOLE), "ladder")
    assert where(scene, "stage 'work'", "climb_m") == (str(WHOLE), "stage 'work'", "climb_m")


def test_bundle_arrangement_follows_its_number(scene):
    assert arrangement(scene.wires[0].bundle) == "horizontal pair"


def test_paths_are_relative_to_the_scene(scene, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    assert read_scene(WHOLE) == scene
    assert (scene.path, scene.folder) == (WHOLE, WHOLE.parent)


def test_digest_covers_every_named_file(tmp_path):
    for file in WHOLE.parent.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    before = read_scene(tmp_path / "whole.toml").sha256
    assert before == read_scene(WHOLE).sha256  # where it lies does not matter
    for file in sorted(set(tmp_path.iterdir()) - {tmp_path / "whole.toml"}):
        content = file.read_bytes()
        file.write_bytes(content + b"\n")
        assert read_scene(tmp_path / "whole.toml").sha256 != before, file.name
        file.write_bytes(content)
    assert read_scene(tmp_path / "whole.toml").sha256 == before


def test_windows_line_ends_and_accents_are_read(tmp_path):
    text = (WHOLE.parents[1] / "nothing_wrong.toml").read_text().replace('name = "bay"', 'name = "Überbau"')
    path = tmp_path / "scene.toml"
    path.write_bytes(text.replace("\n", "\r\n").encode())
    assert read_scene(path).name == "Überbau"


def test_bytes_that_are_no_text_are_named_with_their_line(tmp_path):
    path = tmp_path / "scene.toml"
    path.write_bytes(b'format = 1\nname = "\xff"\n')
    with pytest.raises(InputError, match=r"scene\.toml: line 2: expected text in UTF-8, found other bytes"):
        read_scene(path)


@pytest.mark.parametrize("path", ["missing.toml", "."])
def test_a_path_that_is_no_file(path, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match="expected a scene file"):
        read_scene(path)


def test_a_mistake_in_one_table_hides_none_in_another(tmp_path):
    text = (WHOLE.parents[1] / "nothing_wrong.toml").read_text()
    path = tmp_path / "scene.toml"
    wrong = text.replace("length_m = 8", "lenght_m = 8").replace('worker = "A"', 'worker = "D"')
    path.write_text(wrong.replace("nominal_kV = 220", "nominal_kV = nan"))
    with pytest.raises(InputError) as caught:
        read_scene(path)
    assert len(caught.value.mistakes) == 3
    said = str(caught.value)
    for part in ("lenght_m", "NaN", '"D"'):
        assert part in said


@pytest.mark.parametrize("table", ["wires = 3", "wires = [3]", 'ground = "flat"', "origin = []", "stages = [[]]"])
def test_a_table_of_another_shape_gives_a_message(table, tmp_path):
    lines = (WHOLE.parents[1] / "nothing_wrong.toml").read_text()
    name = table.split(" ")[0]
    kept, skip = [], False
    for line in lines.splitlines():
        if line.startswith("["):
            skip = line.strip("[]") == name
        if not skip:
            kept.append(line)
    path = tmp_path / "scene.toml"
    path.write_text("\n".join([table, *kept]))
    with pytest.raises(InputError) as caught:
        read_scene(path)
    assert "expected a" in str(caught.value)


def test_the_day_of_a_statement_is_read_as_text_or_as_a_date(tmp_path):
    text = (WHOLE.parent.parent / "date_of_old.toml").read_text()
    for written in ('"1990-01-01"', "1990-01-01"):
        path = tmp_path / "scene.toml"
        path.write_text(text.replace('"1989-12-31"\n', written + "\n"))
        (said,) = read_scene(path).statements
        assert said.on == "1990-01-01"
