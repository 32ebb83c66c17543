"""Solids: surfaces against trimesh, containment by two other ways, and meshes that are none."""

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.bodies.solid import box, contains, cylinder
from clearance.bodies.solid import mesh as mesh_file
from clearance.errors import InputError


def as_mesh(shape):
    mesh = trimesh.Trimesh(shape.vertices.reshape(-1, 3), np.arange(3 * len(shape)).reshape(-1, 3), process=False)
    mesh.merge_vertices()
    return mesh


@settings(deadline=None)
@given(st.tuples(*[st.floats(0.1, 20)] * 3), st.floats(-720, 720))
def test_box_is_closed_and_has_its_volume_and_area(size, heading):
    shape = box([1, 2, 3], size, heading)
    mesh = as_mesh(shape)
    assert len(shape) == 12
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    length, width, height = size
    assert mesh.volume == pytest.approx(length * width * height)
    assert mesh.area == pytest.approx(2 * (length * width + width * height + height * length))
    assert mesh.centroid == pytest.approx([1, 2, 3])


def test_box_is_turned_by_its_heading():
    low, high = box([0, 0, 0], [4, 2, 2], 90.0).bounds
    assert high == pytest.approx([1, 2, 1])
    assert low == pytest.approx([-1, -2, -1])


@settings(max_examples=40, deadline=None)
@given(
    st.tuples(*[st.floats(-5, 5)] * 3), st.tuples(*[st.floats(-5, 5)] * 3), st.floats(0.02, 3.0), st.floats(0.001, 0.2)
)
def test_cylinder_is_held_and_does_not_reach_beyond_its_ends(first, last, radius, chord):
    first, last = np.array(first), np.array(last)
    if np.linalg.norm(last - first) < 0.05:
        return
    shape = cylinder(first, last, radius, chord_error_m=chord)
    assert as_mesh(shape).is_watertight
    assert as_mesh(shape).volume > 0
    assert shape.uncertainty.max() <= max(chord, radius * (1 - math.cos(math.pi / 8))) + 1e-12
    axis = (last - first) / np.linalg.norm(last - first)
    along = (shape.vertices.reshape(-1, 3) - first) @ axis
    assert along.min() >= -1e-9
    assert along.max() <= np.linalg.norm(last - first) + 1e-9
    # Points of the true mantle and of its rims, against trimesh's closest point on the prism.
    across = np.cross(axis, [0.3, -0.5, 0.8])
    across /= np.linalg.norm(across)
    turn = np.linspace(0, 2 * math.pi, 97)[:, None]
    rim = radius * (np.cos(turn) * across + np.sin(turn) * np.cross(axis, across))
    for share in (0.0, 0.4, 1.0):
        true = first + share * (last - first) + rim
        nearest = np.min(
            [
                np.linalg.norm(trimesh.triangles.closest_point(np.repeat(t[None], 97, 0), true) - true, axis=1)
                for t in shape.vertices
            ],
            axis=0,
        )
        assert (nearest <= shape.uncertainty[0] + 1e-9).all()


@settings(max_examples=100, deadline=None)
@given(st.tuples(*[st.floats(-3, 3)] * 3), st.floats(-180, 180))
def test_containment_in_a_box_by_its_own_axes(point, heading):
    shape = box([0.5, 0, 0], [3, 2, 1], heading)
    turn = math.radians(heading)
    x, y = point[0] - 0.5, point[1]
    local = np.array([x * math.cos(turn) + y * math.sin(turn), y * math.cos(turn) - x * math.sin(turn), point[2]])
    off = np.abs(local) - [1.5, 1.0, 0.5]
    if abs(off.max()) > 1e-9:
        assert contains(shape, point) == bool(off.max() < 0)


def test_containment_in_a_knotted_mesh_agrees_with_ray_casting():
    mesh = trimesh.creation.torus(2.0, 0.7, major_sections=24, minor_sections=12)
    from clearance.shapes import triangles

    shape = triangles(mesh.triangles)
    points = np.random.default_rng(5).uniform(-3, 3, (400, 3)) * [1, 1, 0.4]
    expected = mesh.contains(points)
    assert expected.any()
    assert [contains(shape, point) for point in points] == expected.tolist()


@pytest.mark.parametrize("suffix", ["stl", "obj", "ply", "off"])
@pytest.mark.parametrize(("units", "metres"), [("m", 1.0), ("mm", 0.001), ("cm", 0.01), ("ft", 0.3048), ("in", 0.0254)])
def test_mesh_files_in_their_units(tmp_path, suffix, units, metres):
    trimesh.creation.box((2, 4, 6)).export(tmp_path / f"block.{suffix}")
    made = mesh_file(tmp_path / f"block.{suffix}", units, at_m=[10, 0, 5], heading_deg=90.0, uncertainty_m=0.03)
    low, high = made.shape.bounds
    # Turned by 90 deg: 4 units along x, 2 along y; uncertainty is part of the bounds.
    assert (high - low) == pytest.approx(np.array([4, 2, 6]) * metres + 0.06)
    assert (high + low) / 2 == pytest.approx([10, 0, 5])
    assert (made.closed, made.holes, made.parts) == (True, 0, 1)
    assert contains(made.shape, [10, 0, 5])


def test_a_mesh_with_holes_is_no_solid(tmp_path):
    mesh = trimesh.creation.box((2, 2, 2))
    keep = np.ones(12, bool)
    keep[[0, 11]] = False
    mesh.update_faces(keep)
    mesh.export(tmp_path / "open.stl")
    with pytest.raises(InputError) as refusal:
        mesh_file(tmp_path / "open.stl", "m")
    text = str(refusal.value)
    assert "open.stl: solid: expected a watertight mesh with one consistent winding, found" in text
    assert "hole" in text
    assert "set solid = false" in text
    surface = mesh_file(tmp_path / "open.stl", "m", solid=False)
    assert not surface.closed
    assert surface.holes >= 1
    assert len(surface.shape) == 10


def test_two_holes_are_two(tmp_path):
    mesh = trimesh.creation.icosphere(subdivisions=2)
    centres = mesh.triangles_center
    far = np.argsort(centres[:, 2])
    keep = np.ones(len(mesh.faces), bool)
    keep[[far[0], far[-1]]] = False
    mesh.update_faces(keep)
    mesh.export(tmp_path / "ball.ply")
    with pytest.raises(InputError, match="found 2 holes"):
        mesh_file(tmp_path / "ball.ply", "m")


def test_a_face_wound_the_other_way_is_refused(tmp_path):
    mesh = trimesh.creation.box((2, 2, 2))
    faces = mesh.faces.copy()
    faces[3] = faces[3][::-1]
    (tmp_path / "wrong.off").write_text(
        trimesh.exchange.off.export_off(trimesh.Trimesh(mesh.vertices, faces, process=False))
    )
    with pytest.raises(InputError, match="faces wound both ways round"):
        mesh_file(tmp_path / "wrong.off", "m")


def test_two_parts_are_counted(tmp_path):
    pair = trimesh.util.concatenate([trimesh.creation.box(), trimesh.creation.box().apply_translation([3, 0, 0])])
    pair.export(tmp_path / "pair.stl")
    made = mesh_file(tmp_path / "pair.stl", "m")
    assert (made.closed, made.parts) == (True, 2)
    assert contains(made.shape, [3, 0, 0])
    assert not contains(made.shape, [1.5, 0, 0])


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: box([0, 0, 0], [1, 0, 1]), "size_m[1]: expected a finite number above 0"),
        (lambda p: box([0, 0, 0], [1, 1]), "size_m: expected three finite numbers"),
        (lambda p: cylinder([0, 0, 0], [0, 0, 0], 1.0), "length from from_m to to_m: expected a finite number above 0"),
        (lambda p: cylinder([0, 0, 0], [0, 0, 1], math.nan), "radius_m: expected a finite number above 0"),
        (lambda p: mesh_file(p / "none.stl", "m"), "none.stl: expected a mesh file that can be read"),
        (lambda p: mesh_file(p / "text.stl", "m"), "text.stl: expected a mesh"),
        (lambda p: mesh_file(p / "text.stl", "yd"), "units: expected one of m, cm, mm, km, ft, in, found 'yd'"),
        (lambda p: mesh_file(p / "nan.obj", "m"), "nan.obj: vertices: expected finite numbers"),
        (lambda p: mesh_file(p / "points.obj", "m"), "points.obj: expected a mesh"),
    ],
)
def test_refusals(make, words, tmp_path):
    (tmp_path / "text.stl").write_text("not a mesh at all\n")
    (tmp_path / "nan.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 nan 0\nf 1 2 3\n")
    (tmp_path / "points.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\n")
    with pytest.raises(InputError) as refusal:
        make(tmp_path)
    assert words in str(refusal.value)
