"""A body inside a closed solid is in contact with it, though the surfaces keep apart; an open surface has no inside."""

from __future__ import annotations

import numpy as np
import pytest
import small_scenes as small
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from small_scenes import CIRCUIT, checked, gap, only, slab, stage

from clearance import shapes
from clearance.bodies.solid import box, contains, cylinder
from clearance.scene.containment import first_inside

TWO = {**CIRCUIT, "phases": ["A", "B"]}
BUSES = [slab("bus A", bottom_m=20.0), slab("bus B", bottom_m=30.0, potential="B")]
HELPER = {"name": "helper", "stature_m": 1.8, "at_m": [9, 0]}


def shed(folder, holes=0, inside_out=False):
    """A box of 4 x 4 x 4 m as a mesh file, some of its triangles left out."""
    mesh = trimesh.creation.box(extents=(4, 4, 4))
    mesh.update_faces(np.arange(len(mesh.faces)) >= holes)
    if inside_out:
        mesh.invert()
    mesh.export(folder / "shed.stl")
    return {"kind": "mesh", "name": "shed", "file": str(folder / "shed.stl"), "units": "m", "at_m": [0, 0, 6]}


def solids(folder):
    yield {"kind": "box", "name": "shed", "centre_m": [0, 0, 6], "size_m": [20, 20, 11]}
    yield {"kind": "cylinder", "name": "shed", "from_m": [0, 0, 0.3], "to_m": [0, 0, 12], "radius_m": 9}
    big = trimesh.creation.icosphere(subdivisions=2, radius=5.0)
    big.export(folder / "ball.stl")
    yield {
        "kind": "mesh",
        "name": "shed",
        "file": str(folder / "ball.stl"),
        "units": "m",
        "at_m": [0, 0, 5.5],
        "solid": True,
    }


@pytest.mark.parametrize("which", [0, 1, 2])
def test_a_worker_inside_a_closed_earthed_solid_is_at_no_distance_from_it(tmp_path, which):
    """All surfaces are over a metre away from the worker, over the whole climb; what is around is still touched."""
    entry = list(solids(tmp_path))[which]
    found = only(circuits=[TWO], solids=[*BUSES, {**entry, "potential": "earth"}], stages=[stage(climb_m=[3, 4])])
    (near,) = (a.measure for a in found.approaches if a.to == "earth")
    assert (near.verdict, near.gap_upper_m, near.ends) == ("breach", 0.0, ("worker", "shed"))
    (hit,) = (c.measure for c in found.collisions if c.body == "worker")
    assert (hit.verdict, hit.ends) == ("breach", ("worker", "shed"))
    outside = {**entry, "potential": "earth"}
    key = "at_m" if "at_m" in entry else "centre_m" if "centre_m" in entry else None
    if key:
        outside[key] = [entry[key][0] - 30, *entry[key][1:]]
    else:
        outside |= {"from_m": [-30, 0, 0.3], "to_m": [-30, 0, 12]}
    found = only(circuits=[TWO], solids=[*BUSES, outside], stages=[stage(climb_m=[3, 4])])
    assert [a.measure.verdict for a in found.approaches if a.to == "earth"] == ["clear"]


def test_an_open_mesh_is_a_surface_and_says_so(tmp_path):
    # The worker stands on a short ladder inside the shed, from 4 to 8 m up.
    parts = {"circuits": [TWO], "ladder": {**small.LADDER, "length_m": 5.0, "insulating_to_m": 5.0}}
    parts["stages"] = [stage(climb_m=4.6)]
    closed = checked(**parts, solids=[*BUSES, {**shed(tmp_path), "solid": True}])
    assert [a.measure.gap_upper_m for a in closed.stages[0].approaches if a.to == "earth"] == [0.0]
    opened = checked(**parts, solids=[*BUSES, {**shed(tmp_path, holes=1), "solid": False}])
    assert all(a.measure.gap_upper_m > 0.0 for a in opened.stages[0].approaches)
    assert any("shed" in line and "surface" in line and "1 hole" in line for line in opened.skipped)


def test_the_way_a_mesh_is_wound_does_not_matter(tmp_path):
    parts = {"circuits": [TWO], "ladder": {**small.LADDER, "length_m": 5.0, "insulating_to_m": 5.0}}
    turned = {**shed(tmp_path, inside_out=True), "solid": True}
    found = only(**parts, solids=[*BUSES, turned], stages=[stage(climb_m=4.6)])
    assert [a.measure.gap_upper_m for a in found.approaches if a.to == "earth"] == [0.0]


def test_crew_inside_a_live_solid_breach_though_nothing_moves():
    live = {"kind": "box", "name": "enclosure", "centre_m": [9, 0, 4], "size_m": [6, 6, 7.5], "potential": "A"}
    found = gap(only(circuits=[TWO], solids=[*BUSES, live], crew=[HELPER]), "A", "earth", "tool").posture
    assert (found.verdict, found.gap_upper_m) == ("breach", 0.0)
    assert set(found.ends) == {"enclosure", "helper"}


def test_a_conductor_inside_a_solid_of_the_line_is_in_contact_with_it():
    """A floating duct around a bus is at no distance from it: from the duct on, the bus's potential counts."""
    bus = small.box("bus A", [0, 6, 9], [20, 0.1, 0.1], "A")
    duct = small.box("duct", [0, 6, 9], [22, 2.0, 2.0], "floating")
    parts = {"circuits": [TWO], "stages": [stage(climb_m=5)]}
    bare = gap(only(**parts, solids=[bus, BUSES[1]]), "A", "earth", "object").posture.gap_upper_m
    held = gap(only(**parts, solids=[bus, BUSES[1], duct]), "A", "earth", "object").posture
    assert held.through == ("duct", "worker")
    # The duct's near edge is 0.95 m nearer than the bus both across and up.
    assert bare - 0.95 * 2**0.5 - 0.01 < held.gap_upper_m < bare - 0.95


def test_a_solid_contained_in_a_body_was_contact_all_along():
    """A small earthed box inside the ball that holds a bonding lead."""
    inner = small.box("stub", [2.0, 0.0, 4.0], [0.1, 0.1, 0.1])
    bond = {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 6.0, "clamp_m": [4.0, 0.0, 4.0]}
    bus = slab("bus A", bottom_m=3.0 + small.head_m() + 0.1)
    found = gap(only(circuits=[TWO], solids=[bus, BUSES[1], inner], stages=[stage(**bond)]), "A", "earth", "tool")
    assert (found.posture.gap_upper_m, found.posture.ends) == (0.0, ("worker bonding lead", "stub"))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_first_inside_agrees_with_the_winding_number_of_every_point(seed):
    random = np.random.default_rng(seed)
    surface = box(random.uniform(-1, 1, 3), random.uniform(0.5, 3, 3), random.uniform(0, 90))
    if seed % 2:
        surface = cylinder(
            random.uniform(-1, 0, 3), random.uniform(0.5, 2, 3), random.uniform(0.3, 2), chord_error_m=0.05
        )
    places = random.uniform(-3, 3, (20, 3))
    inside = [tuple(place) for place in places if contains(surface, place)]
    found = first_inside(surface, shapes.points(places))
    assert found == (inside[0] if inside else None)
