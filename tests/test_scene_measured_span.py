"""The measured span: the scene against the scan it was made from, read here with laspy and nothing of the package.

The figures are those of the sample's own description: lowest wire return 12.82 m above ground, nearest tree return
3.89 m from a wire return, wires fitted robustly to an RMS of 3.8 to 4.5 cm in height with 95 % within 8.8 cm, 3 m left
out at each tower.
"""

from __future__ import annotations

import importlib.util
from functools import cache

import laspy
import numpy as np
import pytest
from checked_scenes import changed, once_a_run, path_of, prepared, scene
from scipy.spatial import cKDTree

from clearance.bodies import ground
from clearance.conductor import catenary
from clearance.pipeline import check
from clearance.scene.records import Range

NAME = "measured_span"
FILE = "ahn4_single_span.laz"


@pytest.fixture(scope="module")
def scan():
    """Returns of the scan by class, in scene coordinates."""
    las = laspy.read(path_of(NAME).parent / "data" / FILE)
    origin = scene(NAME).origin
    xyz = np.column_stack([las.x, las.y, las.z]) - [origin.easting_m, origin.northing_m, origin.height_m]
    classes = np.asarray(las.classification)
    return {number: xyz[classes == number] for number in (1, 2, 9, 14, 15)}


@pytest.fixture(scope="module")
def site():
    return prepared(NAME).site


def fit(hung, points):
    """Station, offset and height of points against a wire's catenary [m]."""
    start, end = np.array(hung.catenary.start), np.array(hung.catenary.end)
    along = (end - start)[:2] / np.linalg.norm((end - start)[:2])
    off = points[:, :2] - start[:2]
    station, aside = off @ along, off @ np.array([-along[1], along[0]])
    at = np.linspace(0, length(hung), 800)
    curve = [catenary.point_at(hung.catenary, float(distance))[2] for distance in at]
    return station, aside, points[:, 2] - np.interp(station, at, curve)


def length(hung):
    return float(np.hypot(*np.subtract(hung.catenary.end, hung.catenary.start)[:2]))


def test_the_header_credits_the_survey():
    text = path_of(NAME).read_text()
    assert "Contains AHN4 point cloud (Actueel Hoogtebestand Nederland)" in text[: text.index("format = 1")]
    assert "assumed for the demonstration" in text[: text.index("format = 1")]


def test_the_lowest_wire_is_as_high_above_ground_as_measured(scan, site):
    """12.82 m for the returns, over the scene's own ground; and the fitted wire is where they are."""
    wires = scan[14]
    above = wires[:, 2] - ground.height_at(site.ground, wires[:, :2])
    lowest = wires[above.argmin()]
    assert above.min() == pytest.approx(12.82, abs=0.05)
    # The lowest of 1,900 returns lies below the wire's middle line by what returns scatter, at most.
    _, aside, height = fit(site.wires["conductor C"], lowest[None])
    assert abs(height[0]) < 0.15
    assert abs(aside[0]) < 0.4
    axis = np.array([catenary.point_at(site.wires["conductor C"].catenary, float(s)) for s in np.arange(100.0, 240.0)])
    assert (axis[:, 2] - ground.height_at(site.ground, axis[:, :2])).min() == pytest.approx(12.82 + 0.09, abs=0.05)


def test_the_nearest_tree_is_as_near_as_measured(scan, site):
    """3.89 m from return to return, towers left out."""
    trees = scan[1][np.abs(scan[1][:, :2]).max(axis=1) < 60.0]
    assert cKDTree(scan[14]).query(trees)[0].min() == pytest.approx(3.89, abs=0.05)
    (body,) = [body for body in site.bodies if body.name == "trees"]
    kept = body.shape.vertices[:, 0]
    assert cKDTree(scan[14]).query(kept)[0].min() == pytest.approx(3.89, abs=0.05)
    # The gap the tool takes is less: the uncertainty of the points comes off.
    assert (body.shape.uncertainty >= 0.10 + 0.50).all()


def test_every_wire_fits_its_returns(scan, site):
    """No worse than the sample's own figures, given to the millimetre; nearly every return in the span is on a wire."""
    taken = np.zeros(len(scan[14]), bool)
    inside = np.zeros(len(scan[14]), bool)
    assert len(site.wires) == 8
    for name, hung in site.wires.items():
        station, aside, height = fit(hung, scan[14])
        span = (station > 3.0) & (station < length(hung) - 3.0)
        inside |= span
        # A robust fit leaves out what is off by over four times the RMS: few, and counted.
        mine = span & (np.abs(aside) < 1.0) & (np.abs(height) < 0.2)
        taken |= mine
        assert mine.sum() > (300 if name.startswith("shield") else 1700), name
        rms, most = float(np.sqrt((height[mine] ** 2).mean())), float(np.quantile(np.abs(height[mine]), 0.95))
        assert rms < 0.0455, name
        assert most < 0.0885, name
        assert 7.6 < catenary.sag_at_midspan(hung.catenary) < 8.8, name
    assert taken[inside].mean() > 0.98


def test_the_uncertainty_of_a_wire_holds_its_returns(scan, site):
    """Of the returns near the work, 95 in 100 are within the uncertainty of the conductors as they are modelled."""
    for name, hung in site.wires.items():
        station, aside, height = fit(hung, scan[14])
        near = (np.abs(aside) < 1.0) & (np.abs(height) < 0.5) & (station > 100.0) & (station < 240.0)
        shape = hung.bodies[0].shape
        a, b = shape.vertices[:, 0], shape.vertices[:, 1]
        w = scan[14][near][:, None] - a
        share = np.clip((w * (b - a)).sum(-1) / ((b - a) ** 2).sum(-1), 0, 1)
        off = np.linalg.norm(w - share[..., None] * (b - a), axis=-1) - shape.radius
        assert np.quantile(off.min(axis=1), 0.95) < hung.record.uncertainty_m, name


def test_the_wires_are_what_the_example_script_fits():
    """The script in `examples/` gives the wires of the scene: points within a decimetre, constants within 2 %."""
    script = path_of(NAME).parents[1] / "examples" / "fit_measured_span.py"
    spec = importlib.util.spec_from_file_location("fit_measured_span", script)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    import tomllib

    origin = scene(NAME).origin
    scan = path_of(NAME).parent / "data" / FILE
    text = "\n\n".join(module.tables(scan, (origin.easting_m, origin.northing_m, origin.height_m)))
    fitted = {wire["name"]: wire for wire in tomllib.loads(text)["wires"]}
    here = {wire.name: wire for wire in scene(NAME).wires}
    assert fitted.keys() == here.keys()
    for name, wire in fitted.items():
        assert wire["catenary_constant_m"] == pytest.approx(here[name].catenary_constant_m, rel=0.02)
        for end in ("from_m", "to_m"):
            assert wire[end] == pytest.approx(getattr(here[name], end), abs=0.1)


@cache
def bonding():
    """The stage that decides, checked alone."""
    return once_a_run("bond to C of the measured span", lambda: check(changed(NAME, ("bond to C",)), withdraw=False))


@pytest.mark.slow
def test_all_trees_near_the_work_are_there(scan, site):
    """No unclassified return within 30 m of the worker is left out: thinned to another one a cell away, at most."""
    (body,) = [body for body in site.bodies if body.name == "trees"]
    at = np.array(bonding().stages[0].gaps[0].posture.points[0])
    near = scan[1][np.linalg.norm(scan[1] - at, axis=1) < 30.0]
    assert len(near) > 5000
    off, which = cKDTree(body.shape.vertices[:, 0]).query(near)
    assert (off <= 0.25 * np.sqrt(3) + 1e-9).all()
    assert (off <= body.shape.uncertainty[which] + 1e-9).all()


@pytest.mark.slow
def test_what_decides_is_the_trees():
    """Bonded, the worker's reach towards the trees has the least margin; 0.6 m further along the track it is none."""
    least = min(bonding().stages[0].gaps, key=lambda gap: gap.governing.margin_lower_m)
    assert least.between == ("C", "earth")
    assert "trees" in least.governing.ends
    assert 0.0 < least.governing.margin_lower_m < 0.6
    further = check(changed(NAME, ("bond to C",), travel_m=Range(14.2, 15.0), bonding_lead_m=2.0), withdraw=False)
    assert further.verdict == "breach"
    failed = [gap for gap in further.stages[0].gaps if gap.verdict == "breach"]
    assert failed
    assert all("trees" in gap.governing.ends for gap in failed)


def test_the_points_left_out_are_counted_in_words():
    (line,) = [line for line in bonding().skipped if line.startswith("cloud 'trees': ") and "kept" in line]
    assert line.startswith("cloud 'trees': 8,577 of 295,308 points kept; 285,726 class not chosen, ")
