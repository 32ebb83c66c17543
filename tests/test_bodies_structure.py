"""Structures: outer sizes as stated, a frame that holds together, and clear words for a wrong table."""

import math

import numpy as np
import pytest

from clearance.bodies.structure import Crossarm, Member, gantry, lattice_tower, members, pole, read_members
from clearance.errors import InputError

GANTRY = {
    "heading_deg": 0.0,
    "column_spacing_m": 16.8,
    "column_width_m": 1.0,
    "beam_height_m": 12.2,
    "beam_depth_m": 0.9,
    "beam_width_m": 0.8,
    "panel_m": 1.2,
    "member_radius_m": 0.05,
}


def connected(shape):
    """How many separate pieces the bars make, joined where an end of one lies on another."""
    a, b = shape.vertices[:, 0], shape.vertices[:, 1]
    group = list(range(len(shape)))

    def root(k):
        while group[k] != k:
            k = group[k]
        return k

    for k in range(len(shape)):
        for end in (a[k], b[k]):
            t = np.clip(((end - a) * (b - a)).sum(axis=1) / ((b - a) ** 2).sum(axis=1), 0, 1)
            for j in np.flatnonzero(np.linalg.norm(end - a - t[:, None] * (b - a), axis=1) < 1e-6):
                group[root(k)] = root(int(j))
    return len({root(k) for k in range(len(shape))})


def test_gantry_has_its_outer_sizes():
    shape = gantry([3, -2, 5], **GANTRY)
    low, high = shape.bounds
    assert high == pytest.approx([3 + 0.5, -2 + 8.4 + 0.5, 5 + 13.1])
    assert low[:2] == pytest.approx([3 - 0.5, -2 - 8.4 - 0.5])
    # Between the columns only the beam: nothing below its underside, nothing wider than it.
    ends = shape.vertices[:, :2]
    beam = shape.vertices[(np.abs(ends[..., 1] + 2) < 7.8).all(axis=1)]
    assert beam[..., 2].min() - 0.05 == pytest.approx(5 + 12.2)
    assert np.abs(beam[..., 0] - 3).max() + 0.05 == pytest.approx(0.4)


def test_gantry_columns_stand_as_many_and_as_far_apart():
    shape = gantry([0, 0, 0], **GANTRY, columns=3)
    feet = shape.vertices[:, :2].reshape(-1, 3)
    feet = np.unique(feet[feet[:, 2] == 0][:, 1].round(6))
    assert feet == pytest.approx([-17.25, -16.35, -0.45, 0.45, 16.35, 17.25])


def test_gantry_turned_by_its_heading():
    straight, turned = gantry([0, 0, 0], **GANTRY), gantry([0, 0, 0], **{**GANTRY, "heading_deg": 90.0})
    # The line runs along y now, so the beam runs along x.
    np.testing.assert_allclose(turned.vertices[..., 0], -straight.vertices[..., 1], atol=1e-12)
    np.testing.assert_allclose(turned.vertices[..., 1], straight.vertices[..., 0], atol=1e-12)


def test_every_face_of_a_gantry_panel_is_braced():
    shape = gantry([0, 0, 0], **GANTRY)
    # 2 columns of 11 panels (13.05 / 1.2) and a beam of 15 (17.7 / 1.2): 12 bars a panel, 4 a frame, counted by hand.
    assert len(shape) == 2 * (11 * 12 + 12 * 4) + (15 * 12 + 16 * 4)


def test_structures_hold_together():
    assert connected(gantry([0, 0, 0], **{**GANTRY, "beam_width_m": 1.0})) == 1
    assert connected(lattice_tower([0, 0, 0], 0, 30, 6, 1.5, 8, 0.06, [Crossarm(20, 5, 1.5)], 18, 2.0, 3.0)) == 1
    assert connected(pole([0, 0, 0], 12, 0.2, 0.1, [Crossarm(11, 1.2, 0.2)])) == 1


def test_tower_has_its_widths_heights_and_tips():
    arms = [Crossarm(20.0, 5.0, 1.5), Crossarm(25.0, 4.0, 1.5, "left")]
    shape = lattice_tower([1, 2, 3], 0, 30, 6, 1.5, 8, 0.06, arms, waist_height_m=18, waist_width_m=2, peak_m=3)
    ends = shape.vertices[:, :2].reshape(-1, 3) - [1, 2, 3]
    assert ends[:, 2].min() == 0
    assert ends[:, 2].max() == 33
    for height, half in ((0, 3.0), (18, 1.0), (30, 0.75)):
        level = ends[np.abs(ends[:, 2] - height) < 1e-9]
        assert np.abs(level[:, :2]).max() == pytest.approx(half)
    tips = {tuple(tip) for tip in ends.round(9) if abs(tip[1]) > 3.5}
    assert {(0.0, 5.0, 20.0), (0.0, -5.0, 20.0), (0.0, 4.0, 25.0)} <= tips
    assert (0.0, -4.0, 25.0) not in tips


def test_crossarm_side_is_seen_along_the_heading():
    shape = lattice_tower([0, 0, 0], 90, 20, 4, 1, 5, 0.05, [Crossarm(15, 4, 1, "right")])
    # Heading along y: the right side is toward x.
    assert shape.vertices[..., 0].max() == pytest.approx(4)
    assert shape.vertices[..., 0].min() > -2.01


def test_crossarm_roots_are_on_the_legs():
    shape = lattice_tower([0, 0, 0], 0, 20, 4, 1, 5, 0.05, [Crossarm(15, 4, 1.0, "left")])
    width = 4 - 3 * 15 / 20
    at = shape.vertices[:, :2].reshape(-1, 3)
    roots = at[np.abs(at[:, 2] - 15.0) < 1e-9]
    assert np.abs(roots[:, 0]).max() == pytest.approx(width / 2)


def test_pole_holds_its_cone():
    shape = pole([5, 5, 0], 12.0, 0.2, 0.1)
    for height in np.linspace(0, 12, 97):
        a, b = shape.vertices[:, 0, 2], shape.vertices[:, 1, 2]
        here = (a - 1e-12 <= height) & (height <= b + 1e-12)
        radius = 0.2 - 0.1 * height / 12
        assert shape.radius[here].max() >= radius
        assert shape.radius[here].min() <= radius + 0.005 + 1e-12


def test_members_and_their_tables(tmp_path):
    (tmp_path / "nodes.csv").write_text("name,x_m,y_m,z_m,note\nfoot,0,0,0,\ntop, 0 ,1,9.5,new\n")
    (tmp_path / "members.csv").write_text("from,to,radius_m\nfoot,top,0.05\n")
    nodes, bars = read_members(tmp_path / "nodes.csv", tmp_path / "members.csv")
    assert nodes == {"foot": (0, 0, 0), "top": (0, 1, 9.5)}
    assert bars == (Member("foot", "top", 0.05),)
    shape = members(nodes, bars, shift=(10, 0, 2), uncertainty_m=0.02)
    assert shape.vertices[0, :2].tolist() == [[10, 0, 2], [10, 1, 11.5]]
    assert (shape.radius[0], shape.uncertainty[0]) == (0.05, 0.02)


def test_every_mistake_of_both_tables_is_reported_at_once(tmp_path):
    (tmp_path / "nodes.csv").write_text("name,x_m,y_m,z_m\nfoot,0,0,zero\ntop,0,1,inf\ntop,0,1,9\n")
    (tmp_path / "members.csv").write_text("from,to,radius_m\nfoot,tip,0.05\ntop,top,-1\n")
    with pytest.raises(InputError) as refusal:
        read_members(tmp_path / "nodes.csv", tmp_path / "members.csv")
    text = str(refusal.value)
    assert len(refusal.value.mistakes) == 6
    assert "nodes.csv: line 2: z_m: expected a finite number, found 'zero'" in text
    assert "nodes.csv: line 3: z_m: expected a finite number, found 'inf'" in text
    assert "nodes.csv: line 4: name: expected a name not used before, found 'top'" in text
    assert "members.csv: line 2: to: expected one of the nodes foot, top, found 'tip'" in text
    assert "members.csv: line 3: radius_m: expected a finite number above 0, found -1" in text
    assert "members.csv: line 3: to: expected another node than from, found 'top'" in text


@pytest.mark.parametrize(
    ("nodes", "bars", "words"),
    [
        ("name,x_m,y_m\nfoot,0,0\n", "from,to,radius_m\n", "columns name, x_m, y_m, z_m, found none named z_m"),
        ("", "from,to,radius_m\n", "found none named name, x_m, y_m, z_m"),
        (
            "name,x_m,y_m,z_m\nfoot,0,0,0\n",
            "from,to,radius_m\n",
            "members.csv: expected at least one member, found none",
        ),
        (None, "from,to,radius_m\n", "nodes.csv: expected a CSV file that can be read"),
        ("name,x_m,y_m,z_m\nfoot,0,0\n", "from,to,radius_m\n", "line 2: z_m: expected a finite number, found ''"),
    ],
)
def test_broken_tables(tmp_path, nodes, bars, words):
    if nodes is not None:
        (tmp_path / "nodes.csv").write_text(nodes)
    (tmp_path / "members.csv").write_text(bars)
    with pytest.raises(InputError) as refusal:
        read_members(tmp_path / "nodes.csv", tmp_path / "members.csv")
    assert words in str(refusal.value)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: gantry([0, 0, 0], **{**GANTRY, "panel_m": 0}), "panel_m: expected a finite number above 0"),
        (
            lambda: gantry([0, 0, 0], **{**GANTRY, "beam_depth_m": 0.1}),
            "beam_depth_m: expected more than the bars of 0.1 m",
        ),
        (lambda: gantry([0, 0, 0], **GANTRY, columns=1), "columns: expected at least 2, found 1"),
        (lambda: gantry([0, 0, 0], **{**GANTRY, "heading_deg": math.nan}), "heading_deg: expected finite numbers"),
        (lambda: gantry([0, 0], **GANTRY), "base_m: expected three finite numbers"),
        (lambda: lattice_tower([0, 0, 0], 0, 30, 6, 1.5, 0, 0.06), "panels: expected at least 1"),
        (lambda: lattice_tower([0, 0, 0], 0, 30, 6, 1.5, 8, 0.06, (), 18.0), "both or neither"),
        (lambda: lattice_tower([0, 0, 0], 0, 30, 6, 1.5, 8, 0.06, (), 31.0, 2.0), "a height within 0 to 30 m"),
        (lambda: lattice_tower([0, 0, 0], 0, 30, 6, 1.5, 8, 0.06, [Crossarm(31, 5, 1)]), "at most the body's 30 m"),
        (
            lambda: lattice_tower([0, 0, 0], 0, 30, 6, 1.5, 8, 0.06, [Crossarm(10, 1, 1)]),
            "more than the body's half width",
        ),
        (lambda: pole([0, 0, 0], 12, 0.2, 0.1, [Crossarm(9, 1, 0.1, "front")]), '"left", "right" or "both"'),
        (
            lambda: members({"a": (0, 0, 0)}, [Member("a", "b", 0.1)]),
            "member 1: to: expected one of the nodes a, found 'b'",
        ),
        (lambda: members({"a": (0, 0, 0)}, []), "at least one member"),
    ],
)
def test_refusals(make, words):
    with pytest.raises(InputError) as refusal:
        make()
    assert words in str(refusal.value)
