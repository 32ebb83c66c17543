"""Mistakes that only geometry or a rule's tables show: each its own message, several at once, exit code 2."""

from __future__ import annotations

import re

import laspy
import numpy as np
import pytest
import small_scenes as small
import trimesh
from small_scenes import CIRCUIT, slab, stage
from typer.testing import CliRunner

from clearance.cli import app

TWO = {**CIRCUIT, "phases": ["A", "B"]}
BUSES = [slab("bus A", bottom_m=12.0), slab("bus B", bottom_m=30.0, potential="B")]
SPAN = {"kind": "span", "name": "low", "phase": "A", "diameter_m": 0.02, "from_m": [-20, 6, 9], "to_m": [20, 6, 9]}
BOND = {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 0.5, "clamp_m": [0, 0, 4.05]}
CLOUD = {"name": "scan", "survey_error_m": 0.02, "thin_m": 0.0, "uncovered_m": 0.0}


def messages(folder, **parts):
    """The lines on stderr of `clearance check` on these parts."""
    path = small.written(folder, **{"circuits": [TWO], "solids": BUSES, **parts})
    found = CliRunner().invoke(app, ["check", "--quiet", str(path)])
    assert found.exit_code == 2
    assert found.stdout == ""
    assert "Traceback" not in found.stderr
    lines = found.stderr.splitlines()
    assert all(line.startswith(f"{path}: ") for line in lines), lines
    return [line.removeprefix(f"{path}: ") for line in lines]


def scan(folder, name="scan.laz"):
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.001] * 3, [0.0] * 3
    made = laspy.LasData(header)
    made.x, made.y, made.z = np.array([5.0, 5.2]), np.array([0.0, 0.1]), np.array([1.0, 2.0])
    made.classification = np.array([1, 2])
    made.write(folder / name)
    return name


def holed(folder):
    mesh = trimesh.creation.box(extents=(1, 1, 1))
    mesh.update_faces(np.arange(len(mesh.faces)) > 0)
    mesh.export(folder / "shed.stl")
    return {"kind": "mesh", "name": "shed", "file": "shed.stl", "units": "m", "at_m": [8, 8, 1], "solid": True}


def test_a_wire_below_the_ground(tmp_path):
    (line,) = messages(tmp_path, wires=[{**SPAN, "sag_m": 10.0}])
    assert re.fullmatch(
        r"wire 'low': position: expected a wire above the ground, found 1\.\d\d m below it at x -?\d+\.\d\d, "
        r"y 6\.00 m\. "
        r"Check the heights of its attachments, its sag and the ground\.",
        line,
    )


def test_a_wire_through_a_hill_is_seen_though_its_ends_are_above(tmp_path):
    heights = [[0, 0, 0], [0, 12, 0], [0, 0, 0]]
    ground = {"kind": "grid", "heights_m": heights, "corner_m": [-25, -25], "spacing_m": 25}
    (line,) = messages(tmp_path, ground=ground, wires=[{**SPAN, "sag_m": 1.0}])
    assert "wire 'low'" in line
    assert "a wire above the ground" in line


def test_a_bond_to_something_out_of_reach(tmp_path):
    (line,) = messages(tmp_path, stages=[stage(**BOND)])
    assert re.fullmatch(
        r"stage 'stage': bonded\.worker: expected a conductor of phase A within reach, found the nearest \d+\.\d\d m "
        r"beyond the reach envelope\. Move the ladder, climb higher, or bond to another phase\.",
        line.replace("stage: bonded", "stage 'stage': bonded"),
    )


def test_a_bond_to_a_phase_without_conductor(tmp_path):
    (line,) = messages(tmp_path, solids=BUSES[1:], stages=[stage(**BOND)])
    assert "a conductor of phase A within reach, found none" in line


def test_an_empty_point_class(tmp_path):
    (line,) = messages(tmp_path, clouds=[{**CLOUD, "file": scan(tmp_path), "classes": [14]}])
    assert line.startswith("cloud 'scan': ")
    assert "classes in the file: 1: 1, 2: 1. Choose classes that are there" in line


def test_an_unreadable_scan(tmp_path):
    (tmp_path / "broken.laz").write_bytes(b"LASF and then nothing that makes sense")
    (line,) = messages(tmp_path, clouds=[{**CLOUD, "file": "broken.laz", "classes": [1]}])
    assert line.startswith("cloud 'scan': ")
    assert "broken.laz" in line


def test_a_mesh_with_holes_where_a_solid_is_asked_for(tmp_path):
    (line,) = messages(tmp_path, solids=[*BUSES, holed(tmp_path)])
    assert line.startswith("solid 'shed': ")
    assert "expected a watertight mesh with one consistent winding, found 1 hole. Close it" in line


def test_a_mesh_that_is_none(tmp_path):
    (tmp_path / "shed.stl").write_text("solid nonsense")
    entry = {"kind": "mesh", "name": "shed", "file": "shed.stl", "units": "m", "at_m": [8, 8, 1], "solid": True}
    (line,) = messages(tmp_path, solids=[*BUSES, entry])
    assert line.startswith("solid 'shed': ")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"nominal_kV": 1000, "highest_kV": 1100.0}, r"circuit 'bay': nominal_kV: .*1100 kV"),
        ({"nominal_kV": 217, "highest_kV": None, "highest_basis": None}, r"circuit 'bay'.*found 217 kV"),
    ],
)
def test_a_voltage_outside_the_rules_table(tmp_path, changes, said):
    circuit = {key: value for key, value in {**TWO, **changes}.items() if value is not None}
    lines = messages(tmp_path, circuits=[circuit])
    assert len(lines) == 1
    assert re.match(said, lines[0]), lines


def test_an_altitude_outside_the_table(tmp_path):
    lines = messages(tmp_path, altitude_m=7000)
    assert len(lines) == 1
    assert "circuit 'bay'" in lines[0]
    assert "7000 m" in lines[0]


def test_a_station_beyond_the_track(tmp_path):
    (line,) = messages(tmp_path, stages=[stage(travel_m=[5, 12])])
    assert "stations on the track, 0 to 10.00 m, found [5, 12]" in line


def test_several_mistakes_are_reported_together(tmp_path):
    lines = messages(
        tmp_path,
        circuits=[{**TWO, "nominal_kV": 1000, "highest_kV": 1100.0}],
        wires=[{**SPAN, "sag_m": 10.0}, {**SPAN, "name": "lower", "sag_m": 12.0}],
        solids=[*BUSES, holed(tmp_path)],
        clouds=[{**CLOUD, "file": scan(tmp_path), "classes": [14]}],
    )
    heads = [line.split(":")[0] for line in lines]
    assert heads == ["circuit 'bay'", "wire 'low'", "wire 'lower'", "solid 'shed'", "cloud 'scan'"]


def test_mistakes_of_several_stages_are_reported_together(tmp_path):
    stages = [stage(travel_m=[5, 12]), stage(name="second", travel_m=[5, 14], anew=True)]
    lines = messages(tmp_path, stages=stages)
    assert len(lines) == 2
    assert "[5, 12]" in lines[0]
    assert "[5, 14]" in lines[1]
    bonds = [stage(**BOND), stage(**BOND, name="second", anew=True)]
    assert len(messages(tmp_path, stages=bonds)) == 2


def test_a_wire_that_leaves_the_modelled_ground_is_checked_where_there_is_some(tmp_path):
    long = {**SPAN, "from_m": [-100, 6, 30], "to_m": [20, 6, 9], "sag_m": 22.0}
    (line,) = messages(tmp_path, wires=[long])
    assert "below it" in line
    found = small.checked(circuits=[TWO], solids=BUSES, wires=[{**long, "sag_m": 1.0}])
    assert any("wire 'low'" in entry and "beyond the modelled ground" in entry for entry in found.skipped)
