"""Scans made from known lines: the truth is recovered, and lies within the uncertainty that is stated for each wire."""

from __future__ import annotations

import numpy as np
import pytest
from survey_scenes import Truth, scan_of, write_scan

from clearance.survey.fit import place
from clearance.survey.run import Options, survey_scans

TWIN = (
    ("A", 6.0, 34.0, 1400.0, 0.4), ("B", 6.0, 28.0, 1400.0, 0.4), ("C", 6.0, 22.0, 1400.0, 0.4),
    ("A2", -6.0, 34.0, 1450.0, 0.4), ("B2", -6.0, 28.0, 1450.0, 0.4), ("C2", -6.0, 22.0, 1450.0, 0.4),
    ("shield 1", 4.0, 40.0, 1700.0, 0.0), ("shield 2", -4.0, 40.0, 1700.0, 0.0),
)  # fmt: skip


def surveyed(truth, path, **more):
    return survey_scans([scan_of(truth, path, **more)], Options(accuracy_m=0.0)).finding


def misses(truth, finding):
    """Per wire found: which wire it truly is, the largest distance to it between its ends, and that over its
    uncertainty."""
    out = []
    origin = np.array(finding.scans.origin)
    for wire in finding.wires:
        ends = [float((point[:2] - wire.curve.base) @ wire.curve.direction) for point in (wire.start, wire.end)]
        xyz = place(wire.curve, np.linspace(ends[0], ends[1], 61)) + origin
        s = (xyz[:, :2] - np.array(truth.start)) @ truth.along
        span = int(np.clip(np.searchsorted(truth.supports(), np.median(s)) - 1, 0, len(truth.spans) - 1))
        keep = (s > truth.supports()[span]) & (s < truth.supports()[span + 1])
        away = {n[0]: np.linalg.norm(truth.wire(n[0], span, s[keep]) - xyz[keep], axis=1).max() for n in truth.wires}
        name = min(away, key=away.get)
        out.append((name, span, float(away[name]), float(away[name]) / wire.uncertainty_m))
    return out


CASES = {
    "dense": (Truth(), {"spacing": 0.5}),
    "one return in 5 m": (Truth(), {"spacing": 5.0}),
    "twin bundles, no return for 60 m": (Truth(wires=TWIN), {"gaps": ((100.0, 160.0),)}),
    "blown out by 20 deg": (Truth(swing_deg=20.0), {"spacing": 1.0}),
    "sparse ground": (Truth(seed=11), {"spacing": 3.0, "ground_spacing": 4.0}),
    "steep": (Truth(slope=0.25, seed=5), {"spacing": 0.8}),
    "noisy": (Truth(seed=6), {"spacing": 0.4, "noise": 0.10}),
    "short spans": (
        Truth(spans=(90.0, 75.0, 82.0), wires=(("A", 2.5, 11.0, 600.0, 0.0), ("B", 0.0, 13.0, 600.0, 0.0),
                                               ("C", -2.5, 11.0, 600.0, 0.0))),
        {"spacing": 0.4, "trees": 1},
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_the_truth_is_recovered(case, tmp_path):
    truth, more = CASES[case]
    finding = surveyed(truth, tmp_path / "a.laz", **more)
    found = misses(truth, finding)
    wanted = sorted((wire[0], span) for wire in truth.wires for span in range(len(truth.spans)))
    assert sorted((name, span) for name, span, _, _ in found) == wanted
    assert all(wire.complete for wire in finding.wires)
    # at 95 % for each wire, so of up to 16 wires one may be outside, and not by much
    outside = [each for each in found if each[3] > 1.0]
    assert len(outside) <= 1
    assert all(each[3] < 1.3 for each in found)
    assert max(each[2] for each in found) < (0.10 if "5 m" not in case else 0.15)
    for wire, (name, *_) in zip(finding.wires, found, strict=True):
        _, _, _, constant, bundle = next(each for each in truth.wires if each[0] == name)
        assert wire.bundle.spacing_m == pytest.approx(bundle, abs=0.03)
        swung = constant / np.cos(np.radians(truth.swing_deg))
        # wires of 80 m show their sag, not so well their constant
        assert wire.curve.constant_m == pytest.approx(swung, rel=0.02 if min(truth.spans) > 200 else 0.12)
        assert wire.kind == ("shield" if name.startswith("shield") else "phase")


def test_supports_are_where_they_are(tmp_path):
    truth = Truth(wires=TWIN, spans=(250.0, 310.0, 270.0))
    finding = surveyed(truth, tmp_path / "a.laz")
    origin = np.array(finding.scans.origin)
    assert len(finding.structures) == 4
    for tower, at in zip(finding.structures, truth.supports(), strict=True):
        away = (tower.base + origin)[:2] - np.array(truth.start) - at * truth.along
        assert np.hypot(*away) < 0.5
    assert [wire.supports for wire in finding.wires if wire.phase == "A"] == [(0, 1), (1, 2), (2, 3)]
    # the same conductor keeps its name and number through all spans
    assert len({wire.conductor for wire in finding.wires}) == 8


@pytest.mark.parametrize("bend_deg", [4.0, 12.0, 25.0])
def test_a_line_that_turns(bend_deg, tmp_path):
    first = Truth(spans=(300.0,), bearing_deg=30.0, slope=0.0, seed=1)
    corner = tuple(np.array(first.start) + 300.0 * first.along)
    second = Truth(spans=(280.0,), bearing_deg=30.0 + bend_deg, start=corner, slope=0.0, seed=2)
    parts = [points for truth in (first, second) for points in truth.surroundings(0.8, 2)]
    parts += [points for truth in (first, second) for points in truth.returns(0.6, 0.04).values()]
    finding = survey_scans([write_scan(tmp_path / "a.laz", {1: np.concatenate(parts)})]).finding
    assert len(finding.wires) == 8
    assert len(finding.structures) == 3
    assert len({wire.conductor for wire in finding.wires}) == 4
    assert np.hypot(*(finding.structures[1].base[:2] + finding.scans.origin[:2] - np.array(corner))) < 1.0
    for wire in finding.wires:
        # outer wires are longer, inner ones shorter, by at most 7 m times the tangent of half the turn
        assert wire.span_m == pytest.approx(300.0 if 0 in wire.supports else 280.0, abs=2.5)


def test_a_line_that_crosses_below(tmp_path):
    upper = Truth(spans=(300.0, 300.0), bearing_deg=30.0, slope=0.0, seed=1)
    start = np.array(upper.start) + 150.0 * upper.along + np.array([40.0, -130.0])
    wires = (("X", 3.0, 12.0, 1500.0, 0.0), ("Y", -3.0, 12.0, 1500.0, 0.0), ("Z", 0.0, 14.0, 1500.0, 0.0))
    lower = Truth(spans=(260.0,), bearing_deg=100.0, start=tuple(start), slope=0.0, seed=4, wires=wires)
    parts = [points for truth in (upper, lower) for points in truth.surroundings(0.8, 0)]
    parts += [points for truth in (upper, lower) for points in truth.returns(0.6, 0.04).values()]
    finding = survey_scans([write_scan(tmp_path / "a.laz", {1: np.concatenate(parts)})]).finding
    assert sorted(round(wire.span_m) for wire in finding.wires) == [260] * 3 + [300] * 8
    assert len(finding.structures) == 5


def test_wire_returns_labelled_as_trees_and_trees_as_wire(tmp_path):
    """One in five wire returns unclassified, tree returns beside the line labelled wire: used, and right all the
    same."""
    truth = Truth(spans=(280.0,))
    ground, towers, trees = truth.surroundings(0.8, 2)
    wires = np.concatenate(list(truth.returns(0.4, 0.04).values()))
    rng = np.random.default_rng(0)
    lost = rng.random(len(wires)) < 0.2
    wrong = rng.random(len(trees)) < 0.05
    parts = {
        2: ground,
        1: np.concatenate([wires[lost], towers, trees[~wrong]]),
        14: np.concatenate([wires[~lost], trees[wrong]]),
    }
    finding = survey_scans([write_scan(tmp_path / "a.laz", parts)], Options(accuracy_m=0.0)).finding
    assert "wire classes used" in finding.class_use
    found = misses(truth, finding)
    assert sorted(name for name, *_ in found) == ["A", "B", "C", "shield"]
    assert all(miss < 0.05 for _, _, miss, _ in found)
    # what the labels lost is on the wires again: all but the returns near the supports
    assert sum(len(wire.returns) for wire in finding.wires) > 0.97 * len(wires)


def test_birds_and_pits_are_no_wires_and_no_ground(tmp_path):
    truth = Truth(spans=(280.0,))
    rng = np.random.default_rng(1)
    ground, towers, trees = truth.surroundings(0.8, 1)
    s, t = rng.uniform(0, 280, 150), rng.uniform(-30, 30, 150)
    birds = truth.world(s, t, truth.ground(s) + rng.uniform(5, 60, 150))
    pits = truth.world(s[:40], t[:40], truth.ground(s[:40]) - rng.uniform(3, 20, 40))
    wires = np.concatenate(list(truth.returns(0.6, 0.04).values()))
    finding = survey_scans(
        [write_scan(tmp_path / "a.laz", {1: np.concatenate([ground, towers, trees, birds, pits, wires])})]
    ).finding
    assert len(finding.wires) == 4
    assert sum(finding.dropped.values()) >= 38  # pits; one may lie in a cell without other returns
    bottom = finding.ground.mean[finding.ground.seen] + finding.scans.origin[2]
    assert bottom.min() > 48.0
