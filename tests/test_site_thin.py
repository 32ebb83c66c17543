"""A live conductor that is written as a rigid body hangs still in the weather: it is a wire until somebody confirms."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from small_scenes import SAID, box, scene
from test_scene_loads import WEATHER

from clearance.job import site_thin
from clearance.pipeline import prepare


def of(solids, **others):
    site = prepare(scene(solids=solids, **{"weather": WEATHER, **others})).site
    return list(site_thin.of_thin(site))


def tube(name, start, end, radius_m, potential="A", **others):
    return {"kind": "cylinder", "name": name, "from_m": start, "to_m": end, "radius_m": radius_m,
            "potential": potential, **others}  # fmt: skip


@pytest.mark.parametrize(
    ("radius_m", "length_m", "count"),
    [(0.014, 1.45, 1), (0.014, 1.35, 0), (0.029, 14.9, 1), (0.031, 14.9, 0), (0.031, 15.2, 1), (0.31, 40.0, 0)],
)
def test_what_is_thinner_than_a_tube_and_longer_than_a_horn_is_told(radius_m, length_m, count):
    found = of([tube("stub", [0, 9, 12], [length_m, 9, 12], radius_m)])
    assert len(found) == count
    assert all("state it as a wire" in point.cure for point in found)
    # A bar of the same section, and a plate, which has two sides that are not thin.
    side = 2 * radius_m
    assert len(of([box("bar", [0, 9, 12], [length_m, side, side / 2], "A")])) == count
    assert of([box("plate", [0, 9, 12], [length_m, 0.65, side / 2], "A")]) == []


def test_in_still_air_it_stands():
    thin = [[0, 9, 12], [20, 9, 12], 0.014]
    assert len(of([tube("bus", *thin)])) == 1
    assert len(of([tube("bus", *thin, "floating")])) == 1
    # An earth wire swings as a live one does.
    assert len(of([tube("rail", *thin, "earth")])) == 1
    assert of([tube("bus", *thin)], weather=None) == []


def test_a_tube_is_confirmed_by_its_radius_and_a_thread_by_nothing():
    for radius_m, count in ((0.014, 0), (0.004, 1)):
        bus = tube("bus", [0, 9, 12], [20, 9, 12], radius_m)
        said = {**SAID, "kind": "confirmed", "entry": "solid 'bus'", "field": "radius_m", "value": radius_m,
                "doubt": "thin as a wire"}  # fmt: skip
        assert ("confirm it" in of([bus])[0].cure) == (count == 0)
        assert len(of([bus], statements=[said])) == count
        assert len(of([bus], statements=[{**said, "value": 2 * radius_m}])) == 1
        assert len(of([bus], statements=[{**said, "doubt": None}])) == 1


def sagging(pieces, gap_m=0.0, length_m=24.0, potential="A"):
    """A parabola of 1 m of sag as short cylinders, with gaps between them."""

    def z(x):
        return 12.0 - (1.0 - (2.0 * x / length_m - 1.0) ** 2)

    step = length_m / pieces
    ends = [(k * step, (k + 1) * step - gap_m) for k in range(pieces)]
    return [tube(f"piece {k}", [a, 9, z(a)], [b, 9, z(b)], 0.014, potential) for k, (a, b) in enumerate(ends)]


def test_short_pieces_that_follow_one_another_are_one():
    """Of 1 m each: shorter than what is told by itself, 1.4 m."""
    (found,) = of(sagging(24))
    assert (found.where, found.verdict) == ("solid 'piece 0' and 23 more", "undecided")
    assert found.what.startswith("24.0 m long and 28 mm thick")
    assert len(of(sagging(12, gap_m=0.9))) == 1
    assert of(sagging(12, gap_m=1.1)) == []  # 0.9 m each, each by itself
    other = [{**piece, "potential": "AB"[k % 2]} for k, piece in enumerate(sagging(12, gap_m=0.9))]
    assert of(other) == []  # and none of another phase follows it: 2.9 m apart
    confirmed = [{**SAID, "kind": "confirmed", "entry": "every solid", "field": "radius_m", "value": 0.014,
                  "doubt": "thin as a wire"}]  # fmt: skip
    assert of(sagging(24), statements=confirmed) == []


@pytest.mark.parametrize(("posts", "count"), [((12.0, 24.0, 36.0), 0), ((12.0, 36.0), 1), ((), 1)])
def test_a_tube_goes_no_further_between_its_supports_than_tubes_do(posts, count):
    """48 m of 62 mm, on posts 12 m apart; with the middle one left out, 24 m; a twin bundle drawn as its hull, on no
    post at all."""
    columns = [{"name": f"post {k}", "from_m": [x, 9, 9.0], "to_m": [x, 9, 11.969], "insulating_m": 2.5,
                "diameter_m": 0.3} for k, x in enumerate(posts)]  # fmt: skip
    pieces = [tube(f"piece {k}", [2.0 * k, 9, 12], [2.0 * k + 2.0, 9, 12], 0.031) for k in range(24)]
    found = of(pieces, insulators=columns)
    assert len(found) == count
    assert all("between its supports" in point.what for point in found)
    # A beam that it lies on holds it as well.
    beams = [box(f"beam {k}", [x, 9, 11.869], [0.2, 2.0, 0.2]) for k, x in enumerate(posts)]
    assert len(of([*pieces, *beams])) == count
    hull = tube("bundle", [0, 9, 12], [48, 9, 12], 0.2)
    assert len(of([hull], insulators=columns)) == count


def test_a_mesh_and_members_are_as_thick_as_they_are(tmp_path):
    import trimesh

    for radius_m, count in ((0.014, 1), (0.05, 0)):
        way = [[x, 9.0, 12.0 - 1.0 + (x / 7.0 - 1.0) ** 2] for x in range(0, 15, 2)]
        parts = [trimesh.creation.cylinder(radius_m, segment=[a, b]) for a, b in pairwise(way)]
        file = tmp_path / "bus.stl"
        trimesh.util.concatenate(parts).export(file)
        mesh = {"kind": "mesh", "name": "bus", "file": str(file), "units": "m", "solid": False, "potential": "A"}
        assert len(of([mesh])) == count
        nodes, members = tmp_path / "nodes.csv", tmp_path / "members.csv"
        nodes.write_text("name,x_m,y_m,z_m\n" + "".join(f"n{k},{x},{y},{z}\n" for k, (x, y, z) in enumerate(way)))
        members.write_text("from,to,radius_m\n" + "".join(f"n{k},n{k + 1},{radius_m}\n" for k in range(len(way) - 1)))
        frame = {"kind": "members", "name": "bus", "nodes": str(nodes), "members": str(members), "potential": "A"}
        assert len(of([box("far", [0, 30, 0.5], [1, 1, 1])], structures=[frame])) == count
    assert math.isclose(site_thin.THIN_M, 0.06)
