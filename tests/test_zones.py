"""Zones against closed forms: a wire, two wires, a wire above ground; and what a file of them says."""

from __future__ import annotations

import contextlib
import json
import math
import sqlite3
import struct
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from page_example import example
from pydantic import BaseModel
from shapely import LineString, Point, Polygon
from shapely.geometry import shape as polygon_of

from clearance import shapes, zones
from clearance.bodies import Body
from clearance.cli.zones import areas_at, pose_of, posed_at
from clearance.errors import InputError
from clearance.job.setting import Setting, standing
from clearance.motion import STILL
from clearance.scene.records import Range, Stage, Vehicle
from clearance.surface import (
    CLOSE_M,
    CORNERS,
    PIECES,
    TETRAHEDRA,
    circumradius,
    hidden,
    hidden_about,
    lift_of_distance,
    lift_of_sum,
    most_on,
    surface,
)
from clearance.view import export
from clearance.view.geopackage import write_geopackage
from clearance.zones import Need, Person, Zone, margin

LONG = 400.0
"""[m] A straight wire of this length stands for an endless one: at its middle its ends are never the nearest."""


def wire(y: float, z: float, radius: float = 0.0) -> shapes.Shape:
    return shapes.segments([[-LONG, y, z]], [[LONG, y, z]], radius)


def about(*bodies: Body) -> zones.Around:
    site = SimpleNamespace(live=tuple(dict.fromkeys(b.potential for b in bodies if b.potential not in ("earth", None))))
    return zones.around(site, Setting("s", "posture", bodies, STILL, {"still": (0.0, 0.0)}, {}))


def made(found: zones.Around, needs: list[Need], reach: float, step: float, low, high):
    sums = len(needs[0].ends)
    least = min(n.limit_m + sums * reach for n in needs)
    lift = lift_of_sum(least, step) if sums == 2 else lift_of_distance(least, step)
    field = lambda places: margin(found, needs, reach, places)  # noqa: E731
    return surface(
        field,
        np.array(low, float),
        np.array(high, float),
        step,
        lift_m=lift,
        hides=lambda places: zones.hides(found, needs, reach, places, step),
        steepness=float(sums),
    )


def everywhere(mesh, x_within: float) -> np.ndarray:
    """Random places all over the faces, away from where the region cuts them."""
    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    found, _ = trimesh.sample.sample_surface(solid, 20_000, seed=1)
    return found[np.abs(found[:, 0]) < x_within]


def test_one_wire_has_a_cylinder_around_it():
    """Distance to an endless straight wire: sqrt(y^2 + (z - h)^2) less its radius."""
    radius, limit, step = 0.04, 1.5, 0.2
    found = about(Body("bus", "wire", wire(0.0, 8.0, radius), potential="A"))
    mesh = made(found, [Need(("A",), ("A", "earth"), "tool", limit)], 0.0, step, [-3, -3, 5], [3, 3, 11])

    places = everywhere(mesh, 2.7)
    distance = np.hypot(places[:, 1], places[:, 2] - 8.0) - radius
    assert distance.min() >= limit - 1e-9
    assert distance.max() <= limit + mesh.excess_m
    # What the lift is for: without it faces would lie inside by up to about what a chord hides.
    assert distance.max() <= limit + 3.0 * lift_of_distance(limit, step)
    assert mesh.cut  # its ends


def test_the_lift_is_what_keeps_it_outside():
    """The same without a lift goes inside: the test above would not pass by luck."""
    found = about(Body("bus", "wire", wire(0.0, 8.0), potential="A"))
    needs = [Need(("A",), ("A", "earth"), "tool", 1.5)]
    field = lambda places: margin(found, needs, 0.0, places)  # noqa: E731
    bare = surface(field, np.array([-3.0, -3, 5]), np.array([3.0, 3, 11]), 0.2, lift_m=0.0)
    places = everywhere(bare, 2.7)
    assert np.hypot(places[:, 1], places[:, 2] - 8.0).min() < 1.5 - 1e-4


def test_floating_between_two_wires_is_an_ellipse():
    """The sum of distances to two parallel wires is constant on an ellipse with its foci on the wires."""
    limit, reach, step = 2.28, 0.6, 0.15
    found = about(Body("a", "wire", wire(-1.0, 8.0), potential="A"), Body("b", "wire", wire(1.0, 8.0), potential="B"))
    needs = [Need(("A", "B"), ("A", "B"), "object", limit)]
    mesh = made(found, needs, reach, step, [-2, -4, 4], [2, 4, 12])

    places = everywhere(mesh, 1.7)
    a = 0.5 * (limit + 2 * reach)  # half the long axis; half the distance of the foci is 1 m
    b = math.sqrt(a**2 - 1.0)
    assert (((places[:, 1] / a) ** 2 + ((places[:, 2] - 8.0) / b) ** 2) >= 1.0 - 1e-9).all()
    total = np.hypot(places[:, 1] - 1, places[:, 2] - 8) + np.hypot(places[:, 1] + 1, places[:, 2] - 8)
    assert total.max() <= 2 * a + mesh.excess_m
    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert solid.volume == pytest.approx(math.pi * a * b * 4.0, rel=0.15)


def test_floating_between_a_wire_and_the_ground_is_a_parabola():
    """Height above the ground plus distance to the wire is constant on a parabola with its focus on the wire."""
    height, limit, step = 4.0, 5.0, 0.15
    found = about(
        Body("a", "wire", wire(0.0, height), potential="A"),
        Body("ground", "ground", shapes.triangles([[[-900, -900, 0], [900, -900, 0], [0, 900, 0]]])),
    )
    mesh = made(found, [Need(("A", "earth"), ("A", "earth"), "object", limit)], 0.0, step, [-2, -6, -1], [2, 6, 7])

    places = everywhere(mesh, 1.7)
    aloft = places[(places[:, 2] > 0.1) & (np.abs(places[:, 1]) < 5.7)]
    total = aloft[:, 2] + np.hypot(aloft[:, 1], aloft[:, 2] - height)
    assert len(aloft) > 3000
    assert total.min() >= limit - 1e-9
    assert total.max() <= limit + mesh.excess_m
    # Where both are 1 m away or more, interpolation hides under 2 * 0.13^2 / 2 m of them: the mesh is that near.
    far = total[(aloft[:, 2] > 1.0) & (total - aloft[:, 2] > 1.0)]
    assert len(far) > 1000
    assert np.median(far) - limit < 0.3 * lift_of_sum(limit, step)


def test_bonded_over_level_ground_is_a_plane():
    found = about(
        Body("a", "wire", wire(0.0, 8.0), potential="A"),
        Body("ground", "ground", shapes.triangles([[[-900, -900, 0], [900, -900, 0], [0, 900, 0]]], uncertainty=0.05)),
    )
    mesh = made(found, [Need(("earth",), ("A", "earth"), "tool", 1.5)], 0.0, 0.2, [-3, -3, -1], [3, 3, 4])
    top = everywhere(mesh, 2.7)
    top = top[(np.abs(top[:, 1]) < 2.7) & (top[:, 2] > 0.5)]
    assert top[:, 2].min() >= 1.55 - 1e-9
    assert top[:, 2].max() <= 1.55 + lift_of_distance(1.5, 0.2) + 1e-9


def test_no_tetrahedron_hides_more_of_a_distance_than_is_told_of_its_cube():
    """Random sets of one to three points about a cube: interpolated between its corners their distance is never larger
    than the true one by more than is told, and for some by nearly as much, near, at and far from the cube."""
    draw, radius = np.random.default_rng(1), circumradius(1.0)
    corners, most = CORNERS - 0.5, {}
    for _ in range(1500):
        size = draw.integers(1, 4)
        way = draw.normal(size=(size, 3))
        apart = draw.uniform(0.0, 4.0 * radius) * np.append(1.0, draw.uniform(1.0, 1.5, size - 1))
        points = way / np.linalg.norm(way, axis=1)[:, None] * apart[:, None]
        distance = lambda places, points=points: np.linalg.norm(places[:, None] - points, axis=2).min(axis=1)  # noqa: E731
        (told,) = hidden_about(distance(np.zeros((1, 3))), radius)
        shares = np.concatenate([draw.dirichlet(np.full(4, 0.5), 60), [[0.5, 0.0, 0.0, 0.5]]])
        at = distance(corners)
        lost = max((shares @ at[t] - distance(shares @ corners[t])).max() for t in TETRAHEDRA)
        assert lost <= told + 1e-12
        band = round(apart[0] / radius)
        most[band] = max(most.get(band, 0.0), lost / told)
    assert all(most[band] > 0.9 for band in range(5))


def test_the_most_on_a_mesh_is_told_to_within_what_is_close():
    """A cone of slope 1 and of height 0.3 m over a place inside a triangle, lower than nothing at its corners and its
    middle; and the same over many triangles at once."""
    triangle = np.array([[0.0, 0, 0], [2, 0, 0], [0, 2, 0]])
    for peak in ([0.3, 0.4, 0.0], [1.1, 0.7, 0.0], [0.05, 1.8, 0.0]):
        cone = lambda places, peak=peak: 0.3 - np.linalg.norm(places - peak, axis=1)  # noqa: E731
        assert cone(triangle).max() < 0.1
        most, _ = most_on(cone, triangle[None], 1.0)
        assert 0.3 <= most <= 0.3 + CLOSE_M
    many = triangle + np.array([[[3.0 * k, 0, 0]] for k in range(50)])
    cone = lambda places: 0.3 - np.linalg.norm(places - [91.1, 0.7, 0.0], axis=1)  # noqa: E731
    most, asked = most_on(cone, many, 1.0)
    assert 0.3 <= most <= 0.3 + CLOSE_M
    assert asked < 50 * 60, "far ones are cut no further"


def test_where_the_field_is_level_what_is_told_is_no_less():
    """Every piece of a level field holds as much as any other: the search ends, and what it tells is above."""
    square = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]], [[1.0, 0, 0], [1, 1, 0], [0, 1, 0]]])
    most, asked = most_on(lambda places: np.full(len(places), 0.2), square, 2.0)
    assert 0.2 <= most < 1.0
    assert asked <= 2 * max(PIECES)


def test_what_is_told_of_a_mesh_is_near_what_is_on_it():
    """Between wire and ground the sum of two distances: what interpolation might make of it at worst is far more."""
    found = about(
        Body("a", "wire", wire(0.0, 4.0), potential="A"),
        Body("ground", "ground", shapes.triangles([[[-900, -900, 0], [900, -900, 0], [0, 900, 0]]])),
    )
    step = 0.5
    mesh = made(found, [Need(("A", "earth"), ("A", "earth"), "object", 5.0)], 0.0, step, [-2, -6, -1], [2, 6, 7])
    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    places = trimesh.sample.sample_surface(solid, 50_000, seed=3)[0]
    on_it = np.abs(places[:, 2]) + np.hypot(places[:, 1], places[:, 2] - 4.0) - 5.0
    assert on_it.max() <= mesh.excess_m
    assert mesh.excess_m < 0.8 * (lift_of_sum(5.0, step) + 2.0 * circumradius(step))


@pytest.mark.parametrize("seed", range(2))
def test_no_place_below_the_limit_is_outside_the_mesh(seed):
    """Random wires, random persons: every place with a margin below nothing is inside, every place on it above."""
    draw = np.random.default_rng(seed)
    bodies = [
        Body(f"w{k}", "wire", shapes.polyline(draw.uniform(-3, 3, (4, 3)), 0.03, 0.02), potential="ABC"[k % 3])
        for k in range(4)
    ]
    found = about(*bodies)
    needs = [Need(("A", "B"), ("A", "B"), "object", 2.0), Need(("B", "C"), ("B", "C"), "object", 1.4)]
    mesh = made(found, needs, 0.3, 0.25, [-7, -7, -7], [7, 7, 7])
    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert solid.volume > 0
    on = trimesh.sample.sample_surface(solid, 5000, seed=seed)[0]
    assert margin(found, needs, 0.3, on).min() >= 0.0
    assert margin(found, needs, 0.3, on).max() <= mesh.excess_m
    places = draw.uniform(-6.5, 6.5, (2500, 3))
    short = places[margin(found, needs, 0.3, places) < 0.0]
    assert len(short) > 50
    assert solid.contains(short).all()


def test_hidden_is_the_most_interpolation_can_hide():
    """Of a point set, at the circumcentre of a tetrahedron: the sharpest case, met to a part in a thousand."""
    step = 0.2
    corners = step * np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [1, 1, 1]], float)
    middle = corners[[0, 3]].mean(axis=0)
    away = np.linalg.norm(corners - middle, axis=1)
    assert np.allclose(away, circumradius(step))
    for far in (0.3, 1.0, 3.0):
        normal = np.cross(corners[3] - corners[0], [1.0, 0, 0])
        point = middle + far * normal / np.linalg.norm(normal)
        weighed = 0.5 * (np.linalg.norm(corners[0] - point) + np.linalg.norm(corners[3] - point))
        assert weighed - far == pytest.approx(hidden(weighed, circumradius(step)), rel=1e-6)


def test_floating_and_uncertain_bodies_count_at_every_potential():
    """A floating body between phase and person shortens no way, so counting it as the phase is careful."""
    plate = Body("plate", "solid", shapes.points([[0.0, 0.0, 0.0]], 0.1), potential=None)
    both = Body("old wire", "wire", wire(0, 9), potential="earth", states=(("live", "A"),))
    found = about(Body("bus", "wire", wire(0, 20), potential="A"), plate, both)
    here = np.array([[1.0, 0.0, 0.0]])
    assert found.distance("A", here)[0] == pytest.approx(0.9)
    assert found.distance("earth", here)[0] == pytest.approx(0.9)
    assert found.distance("A", np.array([[0, 0, 8.0]]))[0] == pytest.approx(1.0)


@pytest.fixture(scope="module")
def site():
    return example().prepared


@pytest.fixture(scope="module")
def zone(site) -> list[Zone]:
    setting = site.stages[0][0]
    region = np.array([-4.0, -10, -1]), np.array([8.0, -1, 12])
    return zones.zones_of(site.site, setting, Person("bonded", "A"), 0.4, region)


def test_limits_are_those_of_the_check(zone):
    """Phase to earth and phase to phase of the result's own gaps, the larger kind where a tool may be near."""
    stage = next(s for s in example().result.stages if s.name == "bond to A")
    limits = {(g.between, g.kind): g.limit_m for g in stage.gaps}
    by_exposure = {z.exposure: z for z in zone}
    assert by_exposure["phase-earth"].needs[0].limit_m == limits[("A", "earth"), "tool"]
    assert by_exposure["phase-phase"].needs[0].limit_m == limits[("A", "B"), "tool"]


def test_an_unknown_phase_is_refused(site):
    with pytest.raises(InputError, match="expected one of A, B, C, found D"):
        zones.needs_of(site.site, Person("bonded", "D"))


def test_the_whole_reach_is_in_its_ball(site):
    """Every primitive of the reach envelope, wherever the worker faces."""
    from clearance.bodies import worker
    from clearance.job.standing import build_of

    person = site.site.scene.workers[0]
    shape = worker.reach_envelope(build_of(person), person.trunk_lean_m, person.tool_m, person.hanging_m)
    middle, radius = zones.ball_of(site.site.scene)
    far = np.linalg.norm(shape.vertices - [0, 0, middle], axis=2).max(axis=1) + shape.radius + shape.uncertainty
    assert far.max() <= radius + 1e-12
    assert far.max() > radius - 1e-9


def test_standing_areas_hold_and_leave_out_little(site):
    """Against the margin at random soles: inside never below nothing all the way up; outside below the error."""
    prepared, setting = site, site.stages[0][0]
    person = Person("earth", "", 0.3)
    region = np.array([-6.0, -10, -1]), np.array([6.0, 10, 12])
    area = zones.standing_areas(prepared.site, setting, person, (0.0, 4.5), 0.2, "feet", region)
    found = zones.around(prepared.site, setting)
    needs = [n for group in zones.needs_of(prepared.site, person).values() for n in group]
    soles = np.random.default_rng(5).uniform([-5.9, -9.9], [5.9, 9.9], (800, 2))
    heights = np.linspace(0.0, 4.5, 46)
    columns = np.column_stack([np.repeat(soles, len(heights), axis=0), np.tile(heights, len(soles))])
    least = margin(found, needs, 0.3, columns).reshape(len(soles), -1).min(axis=1)
    inside = np.array([area.shape.contains(Point(xy)) for xy in soles])
    assert inside.sum() > 50
    assert (~inside).sum() > 50
    assert least[inside].min() >= 0.0
    assert least[~inside].max() <= area.error_m


def test_ply_and_glb_come_back_the_same(zone, tmp_path):
    (first, *_) = zone
    raw = export.write_ply(first, tmp_path / "z.ply")
    assert b"comment metres, z up, scene frame" in raw.read_bytes()[:400]
    back = trimesh.load(raw, process=False)
    assert np.allclose(back.vertices, first.mesh.vertices, atol=1e-5)
    assert back.is_watertight

    scene = trimesh.load(export.write_glb(zone, tmp_path / "z.glb"), process=False)
    assert set(scene.geometry) == {z.name for z in zone}
    lifted = scene.geometry[first.name].vertices
    # y up: heights are y, north is -z.
    assert np.allclose(lifted[:, 1], first.mesh.vertices[:, 2], atol=1e-5)
    assert np.allclose(-lifted[:, 2], first.mesh.vertices[:, 1], atol=1e-5)


def test_dxf_is_read_back_in_metres_with_closed_contours_on_the_surface(zone, site, tmp_path):
    """Read by ezdxf, which also audits the file."""
    ezdxf = pytest.importorskip("ezdxf", reason="ezdxf is not installed: pip install 'clearance[view]'")
    area = zones.Area("feet", Point(3, 4).buffer(2.0), 0.1, (0.0, 1.0))
    one = export.write_dxf(zone, [area], tmp_path / "z.dxf")
    two = export.write_dxf(zone, [area], tmp_path / "again.dxf")
    assert one.read_bytes() == two.read_bytes()
    drawing = ezdxf.readfile(one)
    assert not drawing.audit().errors
    assert drawing.header["$INSUNITS"] == 6
    lines = [line for line in drawing.modelspace() if line.dxf.layer == zone[0].name]
    assert len(lines) > 5
    assert all(line.closed for line in lines)
    found, needs = zones.around(site.site, site.stages[0][0]), list(zone[0].needs)
    low, high = np.array([-4.0, -10]), np.array([8.0, -1])
    for line in lines[:20]:
        xy = np.array([p[:2] for p in line.get_points()])
        inner = xy[((xy > low + 0.45) & (xy < high - 0.45)).all(axis=1)]
        if len(inner) and 0 < line.dxf.elevation < 11:
            values = margin(found, needs, 0.0, np.column_stack([inner, np.full(len(inner), line.dxf.elevation)]))
            assert values.min() > -0.002  # half a millimetre is drawn away
            assert values.max() <= zone[0].mesh.excess_m + 0.002


def test_geojson_is_in_the_map_grid(site, tmp_path):
    area = zones.Area("feet", Point(3, 4).buffer(2.0), 0.1, (0.0, 1.0))
    origin = site.site.scene.origin
    whole = json.loads(export.write_geojson([area], origin, tmp_path / "a.geojson").read_text())
    assert "crs" not in whole
    back = polygon_of(whole["features"][0]["geometry"])
    assert back.contains(Point(origin.easting_m + 3, origin.northing_m + 4))
    mapped = origin.model_copy(update={"epsg": 25832})
    whole = json.loads(export.write_geojson([area], mapped, tmp_path / "b.geojson").read_text())
    assert whole["crs"]["properties"]["name"] == "urn:ogc:def:crs:EPSG::25832"


@pytest.fixture
def reader():
    return pytest.importorskip("pyogrio", reason="pyogrio is not installed: pip install 'clearance[test]'")


def test_geopackage_is_read_back_in_its_grid(zone, site, tmp_path, reader):
    """Read by GDAL through pyogrio: both layers, their grid and geometry; the height of the scene's zero is added."""
    area = zones.Area("feet", Point(3, 4).buffer(2.0), 0.1, (0.0, 1.5))
    origin = site.site.scene.origin.model_copy(
        update={"epsg": 25832, "easting_m": 512000.0, "northing_m": 5.4e6, "height_m": 300.0}
    )
    path = write_geopackage(zone, [area], origin, tmp_path / "z.gpkg")
    again = write_geopackage(zone, [area], origin, tmp_path / "again.gpkg")
    assert path.read_bytes() == again.read_bytes()
    assert [name for name, _ in reader.list_layers(path)] == ["standing_areas", "zone_contours"]

    meta, _, geometry, columns = reader.raw.read(path, layer="standing_areas")
    assert meta["crs"] == "EPSG:25832"
    assert meta["geometry_type"] == "MultiPolygon"
    back = shapely.from_wkb(geometry[0])
    assert back.equals(shapely.affinity.translate(area.shape, 512000, 5.4e6))
    fields = dict(zip(meta["fields"], columns, strict=True))
    assert (fields["from_m_above_ground"][0], fields["to_m_above_ground"][0]) == (0.0, 1.5)

    meta, _, geometry, columns = reader.raw.read(path, layer="zone_contours")
    fields = dict(zip(meta["fields"], columns, strict=True))
    heights = export.contours(zone[0], export.heights_of(zone[0]))
    mine = fields["zone"] == zone[0].title
    assert fields["height_m"][mine].tolist() == [height + 300.0 for height in heights]
    first = shapely.from_wkb(geometry[mine][0])
    drawn = sum(len(line) for line in next(iter(heights.values())))
    assert shapely.get_num_coordinates(first) == drawn
    assert "A to earth" in fields["limits"][0]
    info = reader.read_info(path, layer="zone_contours")
    assert np.allclose(info["total_bounds"], shapely.total_bounds(shapely.from_wkb(geometry)))


def test_geopackage_keeps_the_unit_of_a_grid_in_feet_and_refuses_what_is_no_grid(site, tmp_path, reader):
    """EPSG 2229, California zone 5, is in US survey feet: 1200/3937 m each."""
    area = zones.Area("feet", Point(0, 0).buffer(1.0), 0.1, (0.0, 1.5))
    origin = site.site.scene.origin.model_copy(update={"epsg": 2229, "easting_m": 1200.0, "northing_m": 2400.0})
    path = write_geopackage([], [area], origin, tmp_path / "z.gpkg")
    _, _, geometry, _ = reader.raw.read(path, layer="standing_areas")
    middle = shapely.from_wkb(geometry[0]).centroid
    assert (middle.x, middle.y) == pytest.approx((3937.0, 2 * 3937.0), abs=1e-6)
    for code in (4326, 999_999):
        with pytest.raises(InputError, match="the EPSG code of a map grid"):
            write_geopackage([], [area], origin.model_copy(update={"epsg": code}), tmp_path / "no.gpkg")
    assert not list(tmp_path.glob("*no.gpkg*"))


def test_geopackage_holds_what_the_format_asks_for(zone, site, tmp_path):
    """Requirements of OGC 12-128r18 by their number, read with SQLite alone (numbers from memory)."""
    area = zones.Area("feet", Point(0, 0).buffer(1.0), 0.1, (0.0, 1.5))
    path = write_geopackage(zone, [area], site.site.scene.origin.model_copy(update={"epsg": None}), tmp_path / "z.gpkg")
    raw = path.read_bytes()
    assert raw[:16] == b"SQLite format 3\0"  # 1
    assert raw[68:72] == b"GPKG"  # 2
    with contextlib.closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]  # 6
        assert file.execute("PRAGMA foreign_key_check").fetchall() == []  # 7
        known = {code for (code,) in file.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326} <= known  # 11
        assert file.execute("SELECT DISTINCT srs_id FROM gpkg_contents").fetchall() == [(-1,)]
        for name, kind in (("standing_areas", Polygon), ("zone_contours", LineString)):
            blobs = [blob for (blob,) in file.execute(f"SELECT geom FROM {name}")]
            assert blobs
            for blob in blobs:  # 19
                magic, version, flags, srs, *box = struct.unpack_from("<2sBBi4d", blob)
                assert (magic, version, flags, srs) == (b"GP", 0, 3, -1)
                shape = shapely.from_wkb(blob[40:])
                assert box == [shape.bounds[k] for k in (0, 2, 1, 3)]
                assert all(isinstance(part, kind) for part in shape.geoms)


METAL = "ladder metal foot"


def test_at_a_pose_what_moves_counts(site):
    """A dropper being lowered is a wall the floating worker may not come near; left out, it is none."""
    lowered = next(k for k, s in enumerate(site.site.scene.stages) if s.name == "lower dropper A")
    setting, person = site.stages[lowered][0], Person("earth")
    pose = pose_of(site, lowered, ["lower_m=2.8"])
    there = posed_at(site, lowered, pose).stages[lowered][0]
    assert pose["lower_m"] == 2.8
    (dropper,) = (body for body in there.bodies if body.name == "dropper A")
    moving = "{} moves in this stage and is not counted"
    assert set(zones.around(site.site, setting).left_out) == {moving.format(one) for one in ("dropper A", METAL)}
    assert zones.around(site.site, there).left_out == ()
    # Just beside it, at the limit from it less a centimetre: breach only where it counts.
    needs = zones.needs_of(site.site, person)["phase-earth"]
    middle = dropper.shape.vertices[len(dropper.shape) // 2, 0]
    around = [middle + np.array([1.5 * math.cos(a), 1.5 * math.sin(a), 0.0]) for a in np.linspace(0, 6, 12)]
    spare = [margin(zones.around(site.site, s), needs, 0.0, np.array(around)) for s in (setting, there)]
    assert spare[1].max() < 1.5 - needs[0].limit_m + 1e-9 < 0
    assert (spare[1] <= spare[0] + 1e-9).all()
    assert spare[0].max() > spare[1].max() + 0.05
    with pytest.raises(InputError, match=r"lower_m from 2\.75 to 3\.05"):
        pose_of(site, lowered, ["lower_m=40"])
    with pytest.raises(InputError, match="one of travel_m"):
        pose_of(site, lowered, ["height=1"])


def test_without_a_track_the_place_of_work_is_that_of_what_moves(site):
    """The region is about the ladder where it stands at the middle of its travel; where nothing moves there is none."""
    whole = site.site.scene
    upright = Range(0.0, 0.0)
    still_standing = {"travel_m": None, "lean_along_deg": upright, "lean_across_deg": upright}
    scene = whole.with_steps(tuple(stage.model_copy(update=still_standing) for stage in whole.stages))
    bare = replace(site.site, scene=BaseModel.model_copy(scene, update={"track": None}))
    setting = site.stages[0][0]
    low, high = zones.region_of(bare, setting, 3.0)
    there = [body for body in standing(setting, {}) if body.name == "ladder"]
    middle = there[0].shape.vertices.reshape(-1, 3)[:, :2].mean(axis=0)
    assert (low[:2] + 3.0 <= middle).all()
    assert (middle <= high[:2] - 3.0).all()
    assert (high[:2] - low[:2] < 6.0 + 4.0).all()
    still = replace(setting, bodies=tuple(b for b in setting.bodies if b.link is None))
    with pytest.raises(InputError, match="a track, or something that moves"):
        zones.region_of(bare, still, 3.0)


def test_a_vehicle_may_stand_where_all_of_it_keeps_its_distance(site):
    """A lorry 6 m by 2.4 m and 3 m high, at any heading: corners of the box at random headings, against the margin."""
    truck = Vehicle(name="truck", centre_m=(0.0, -14.0, 1.5), size_m=(6.0, 2.4, 3.0))
    wait = Stage(name="wait", kind="work", workers=())
    said = [entry for entry in site.site.scene.statements if entry.kind == "none"]
    scene = site.site.scene.changed(
        vehicles=[truck], crew=None, ladder=None, track=None, workers=None, ropes=None, stages=[wait], statements=said
    )
    with_truck = replace(site, site=replace(site.site, scene=scene))
    (area,) = areas_at(with_truck, 0, 0.4)
    assert area.what.startswith("middle of truck, at any heading: at earth, all of it within 3.2")
    needs = zones.needs_of(site.site, Person("earth"))["phase-earth"]
    found = zones.around(site.site, site.stages[0][0])
    draw, checked = np.random.default_rng(8), 0
    for x, y in draw.uniform([-8, -20], [8, 8], (400, 2)):
        if not area.shape.contains(Point(x, y)):
            continue
        turn = draw.uniform(0, math.pi)
        corners = np.array([[a * 3.0, b * 1.2] for a in (-1, 1) for b in (-1, 1)])
        spin = [[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]
        xy = corners @ spin + [x, y]
        places = np.column_stack([np.repeat(xy, 4, axis=0), np.tile(np.linspace(0, 3, 4), 4)])
        assert margin(found, needs, 0.0, places).min() >= 0.0
        checked += 1
    assert checked > 20


def test_what_moves_is_said_to_be_left_out(site):
    setting = site.stages[0][0]
    moving = Body("hook", "fitting", shapes.points([[0, 0, 1.0]], 0.1), potential="earth", job=True, link="ladder")
    found = zones.around(site.site, replace(setting, bodies=(*setting.bodies, moving)))
    assert set(found.left_out) == {f"{one} moves in this stage and is not counted" for one in ("hook", METAL)}
