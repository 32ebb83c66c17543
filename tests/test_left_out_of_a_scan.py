"""Points of a scan that no body takes, beside the job: never left out without a word."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from small_scenes import CIRCUIT, box, checked, scene, slab, stage
from test_bodies_cloud import write

from clearance.job.left_out import where_the_job_can_be
from clearance.limits import required_between
from clearance.motion import placed
from clearance.pipeline import prepare
from clearance.scene.assemble import assemble

TWO = [{**CIRCUIT, "phases": ["A", "B"]}]
FAR = [slab("bus A", bottom_m=20.0), slab("bus B", bottom_m=40.0, potential="B")]
SAID = {"kind": "left out", "basis": "looked at in the viewer", "by": "survey team", "on": "2026-05-04"}


def of_scans(found):
    """What the result tells of scans."""
    return [point for point in found.open_points if point.where.startswith("scan ")]


def site(folder, beside, number=3, **cloud):
    """Two points of class 5 thirty metres away, which the cloud takes, and 200 of another class around `beside`."""
    shrub = np.array(beside) + np.random.default_rng(3).uniform(-0.01, 0.01, (200, 3))
    xyz = np.concatenate([[[30, 30, 1], [30, 31, 1]], shrub])
    file = write(folder / "scan.las", xyz, [5, 5, *[number] * 200])
    taken = {"name": "trees", "file": str(file), "classes": [5], "survey_error_m": 0.1, "uncovered_m": 0.2, **cloud}
    return {"circuits": TWO, "solids": FAR, "clouds": [taken], "stages": [stage(workers=[], kind="work")]}


def test_what_nobody_chose_beside_the_job_is_undecided_and_what_is_far_is_not(tmp_path):
    """The ladder stands at the origin, 0.23 m to either side of its middle; the cloud may be off by 0.3 m."""
    site_of = assemble(scene(circuits=TWO, solids=FAR))
    kinds = ("air", "tool", "object")
    ask = partial(required_between, site_of.scene, site_of.circuit_of, "A")
    limit, to_earth = (max(ask(other, kind).limit_m for kind in kinds) for other in ("B", "earth"))
    assert 1.4 < to_earth < limit - 0.5 < 4.0  # a point may be of a phase: the limit between phases is the larger
    edge = 0.2 + 0.03
    for beside, near in ((edge + 0.3 + limit - 0.05, True), (edge + 0.3 + limit + 0.05, False)):
        found = checked(**site(tmp_path, [0, beside, 2.0]))
        assert bool(of_scans(found)) == near
        assert not near or found.verdict == "undecided"
    (point,) = of_scans(checked(**site(tmp_path, [0, 1.0, 2.0])))
    assert point.where.endswith("scan.las'")
    assert "200 points of class 3 left out near the job, the nearest 0.4" in point.what
    assert point.cure.startswith("add 3 to classes of cloud 'trees', or say what they are in a statement")


def test_once_the_class_is_taken_it_is_judged_and_not_asked(tmp_path):
    taken = checked(**site(tmp_path, [0, 1.0, 2.0], classes=[3, 5]))
    assert not of_scans(taken)
    assert taken.stages[0].collisions
    # What another cloud takes is not left out either.
    parts = site(tmp_path, [0, 1.0, 2.0])
    (first,) = parts["clouds"]
    parts["clouds"] = [first, {**first, "name": "shrubs", "classes": [3]}]
    assert not of_scans(checked(**parts))


@pytest.mark.parametrize(
    ("number", "cloud", "cure"),
    [
        (7, {}, "classify them in the file as what they are"),
        (18, {}, "classify them in the file as what they are"),
        (5, {"polygon_m": [[20, 20], [40, 20], [40, 40], [20, 40]]}, "widen polygon_m or height_m of cloud 'trees'"),
        (5, {"height_m": [0.5, 1.5]}, "widen polygon_m or height_m of cloud 'trees'"),
    ],
)
def test_noise_and_what_is_outside_a_polygon_or_a_band_are_left_out_too(tmp_path, number, cloud, cure):
    (point,) = of_scans(checked(**site(tmp_path, [0, 1.0, 2.0], number, **cloud)))
    assert f"200 points of class {number}" in point.what
    assert point.cure.startswith(cure)


def test_a_statement_says_what_they_are_for_its_file_and_class_alone(tmp_path):
    parts = site(tmp_path, [0, 1.0, 2.0])
    file = parts["clouds"][0]["file"]
    told = {**SAID, "file": file, "classes": [3]}
    assert not of_scans(checked(**parts, statements=[told]))
    assert of_scans(checked(**parts, statements=[{**told, "classes": [4]}]))


def test_a_ground_made_of_points_leaves_out_too(tmp_path):
    x, y = np.meshgrid(np.linspace(-40, 40, 9), np.linspace(-40, 40, 9))
    ground = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    xyz = np.concatenate([ground, [[0.0, 1.0, 2.0]]])
    file = write(tmp_path / "ground.las", xyz, [2] * len(ground) + [6])
    told = {"kind": "points", "file": str(file), "classes": [2]}
    parts = {"circuits": TWO, "solids": FAR, "stages": [stage(workers=[], kind="work")]}
    (point,) = of_scans(checked(ground=told, **parts))
    assert "1 point of class 6" in point.what
    assert point.cure.startswith("add 6 to classes of the ground")
    assert not of_scans(checked(ground={**told, "classes": [2, 6]}, **parts))


def test_boxes_hold_the_job_wherever_it_is(tmp_path):
    """Random poses of a ladder that travels, leans and turns, with a worker who swings: every corner is in a box."""
    told = {"travel_m": [1, 9], "lean_along_deg": [-3, 3], "lean_across_deg": [-1, 1], "heading_deg": [-10, 10],
            "climb_m": [0.5, 6], "swing_m": 0.5, "kind": "work"}  # fmt: skip
    crew = [{"name": "helper", "stature_m": 1.8, "at_m": [5, 5]}]
    (settings,) = prepare(scene(circuits=TWO, solids=FAR, crew=crew, stages=[stage(**told)])).stages
    low, high = where_the_job_can_be(settings)
    # Cut into cells it is less than half as wide as over the whole ranges at once.
    least, most = where_the_job_can_be(settings, cells=1)
    assert float((high - low).max()) < 0.5 * float((most - least).max())
    draw = np.random.default_rng(5)
    for setting in settings:
        for _ in range(4):
            q = {name: draw.uniform(*ends) for name, ends in setting.box.items()}
            for body in setting.bodies:
                if not body.job:
                    continue
                shape = placed(body.shape, setting.motion, body.link, q)
                around = (shape.radius + shape.uncertainty)[:, None]
                for corner in range(shape.vertices.shape[1]):
                    least, most = shape.vertices[:, corner] - around, shape.vertices[:, corner] + around
                    held = (least[:, None] >= low[None] - 1e-9) & (most[:, None] <= high[None] + 1e-9)
                    assert held.all(axis=2).any(axis=1).all(), body.name


def test_a_scene_without_scans_has_no_such_point():
    told = [stage(workers=[], kind="work")]
    assert not of_scans(checked(circuits=TWO, solids=[*FAR, box("hut", [9, 9, 1], [1, 1, 2])], stages=told))
