"""A body from a file in another unit than stated is larger or smaller by far: it is asked about as a value is."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from small_scenes import SAID, scene

from clearance import pipeline
from clearance.job import site_sizes
from clearance.scene import plausible


def told(**parts):
    prepared = pipeline.prepare(scene(**parts))
    return list(plausible.doubted(prepared.read, site_sizes.of_files(prepared.site)))


def block(folder, *size):
    trimesh.creation.box(size).export(folder / "block.stl")
    return {"kind": "mesh", "name": "shed", "file": str(folder / "block.stl"), "at_m": [0, 30, 9], "solid": True}


@pytest.mark.parametrize(
    ("size", "units", "odd"),
    [
        ((2.0, 3.0, 2.5), "m", False),
        ((2.0, 3.0, 2.5), "mm", True),  # metres read as millimetres: 3 mm
        ((2000.0, 3000.0, 2500.0), "mm", False),
        ((2000.0, 3000.0, 2500.0), "m", True),  # millimetres read as metres
        ((0.19, 0.1, 0.1), "m", True),
        ((0.21, 0.1, 0.1), "m", False),
        ((74.0, 2.0, 2.0), "m", False),
        ((76.0, 2.0, 2.0), "m", True),
    ],
)
def test_a_mesh_smaller_than_a_hand_or_larger_than_a_site_is_asked_about(tmp_path, size, units, odd):
    shed = {**block(tmp_path, *size), "units": units}
    found = told(solids=[shed])
    assert [point.where for point in found] == ["solid 'shed'"] * odd
    if odd:
        assert f"largest extent of what it holds: {max(size) * {'m': 1.0, 'mm': 0.001}[units]:g} m" in found[0].what


def test_a_size_is_confirmed_by_the_name_of_the_file(tmp_path):
    shed = {**block(tmp_path, 0.1, 0.1, 0.1), "units": "m"}
    said = {**SAID, "kind": "confirmed", "entry": "solid 'shed'", "field": "file", "value": shed["file"]}
    assert len(told(solids=[shed])) == 1
    assert told(solids=[shed], statements=[said]) == []
    assert len(told(solids=[shed], statements=[{**said, "value": "another.stl"}])) == 1


@pytest.mark.parametrize(("times", "odd"), [(1.0, False), (0.3048, False), (0.001, True), (1000.0, True)])
def test_so_are_members_and_grounds_of_files(tmp_path, times, odd):
    nodes = [("a", 0.0, 0.0, 0.0), ("b", 0.0, 0.0, 5.0)]
    (tmp_path / "nodes.csv").write_text(
        "name,x_m,y_m,z_m\n" + "".join(f"{n},{x},{y},{z * times}\n" for n, x, y, z in nodes)
    )
    (tmp_path / "members.csv").write_text("from,to,radius_m\na,b,0.001\n")
    frame = {"kind": "members", "name": "frame", "nodes": str(tmp_path / "nodes.csv"),
             "members": str(tmp_path / "members.csv"), "base_m": [0, 30]}  # fmt: skip
    assert [point.where for point in told(structures=[frame])] == ["structure 'frame'"] * odd


def test_a_ground_of_a_file_is_no_smaller_than_a_site(tmp_path):
    for half, odd in ((12.0, False), (9.0, True)):
        corners = np.array([[-half, -half, 0], [half, -half, 0], [half, half, 0], [-half, half, 0]])
        trimesh.Trimesh(corners, [[0, 1, 2], [0, 2, 3]]).export(tmp_path / "plate.stl")
        ground = {"kind": "mesh", "file": str(tmp_path / "plate.stl"), "units": "m"}
        assert [point.where for point in told(ground=ground)] == ["ground"] * odd
