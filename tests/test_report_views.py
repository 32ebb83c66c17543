"""What drawings show, checked as numbers: projections, outlines, cuts, true lengths, labels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from report_example import example_result, example_scene, example_settings
from scipy.spatial import ConvexHull

from clearance import shapes
from clearance.bodies import Body
from clearance.job.setting import standing
from clearance.report import views
from clearance.report.findings import leading_drawn
from clearance.report.gap_lines import gap_lines, governing_stages, setting_of
from clearance.report.labels import Box, place_labels
from clearance.report.true_length import drawn_length, panel_views
from clearance.result import StageResult
from clearance.scene.records import phases

COORDINATE = st.floats(-50, 50)
POINT = arrays(float, 3, elements=COORDINATE)
DIRECTION = st.floats(0, 2 * math.pi).map(lambda a: np.array([math.cos(a), math.sin(a)]))


@given(DIRECTION, POINT, POINT)
def test_every_view_is_a_rotation(direction: np.ndarray, a: np.ndarray, b: np.ndarray) -> None:
    """Projection and depth together keep the 3D distance, so nothing is scaled; plan, elevation and section face three
    sides at right angles."""
    seen = [views.plan(), views.elevation(direction), views.section(direction)]
    for view in seen:
        across = view.flat(b) - view.flat(a)
        depth = float(view.depth(b) - view.depth(a))
        assert math.hypot(*across, depth) == pytest.approx(float(np.linalg.norm(b - a)), abs=1e-9)
    for i in range(3):
        for j in range(i):
            assert abs(float(seen[i].toward @ seen[j].toward)) < 1e-12


def test_plan_has_y_up_and_looks_down() -> None:
    assert views.plan().flat([1.0, 2.0, 3.0]).tolist() == [1.0, 2.0]
    assert views.plan().toward.tolist() == [0.0, 0.0, 1.0]


def test_section_looks_along_the_line_with_its_right_on_the_right() -> None:
    view = views.section([1.0, 0.0])
    assert view.toward.tolist() == [-1.0, 0.0, 0.0]  # toward a viewer who looks along +x
    assert view.flat([0.0, -2.0, 5.0]).tolist() == [2.0, 5.0]


@given(POINT, POINT, DIRECTION)
def test_true_length_view_holds_both_ends(a: np.ndarray, b: np.ndarray, direction: np.ndarray) -> None:
    view = views.through(a, b, direction)
    assert float(np.linalg.norm(view.flat(b) - view.flat(a))) == pytest.approx(float(np.linalg.norm(b - a)), abs=1e-5)
    assert abs(float(view.depth(a))) < 1e-5
    assert abs(float(view.depth(b))) < 1e-5
    assert view.up.tolist() == [0.0, 0.0, 1.0]


@given(st.floats(0, 2 * math.pi))
def test_line_direction_is_found_whatever_the_order_of_points(angle: float) -> None:
    unit = np.array([math.cos(angle), math.sin(angle), 0.0])
    wires = [
        Body("a", "wire", shapes.polyline([0 * unit, 30 * unit, 60 * unit]), potential="A"),
        Body("b", "wire", shapes.polyline([60 * unit + [0, 0, 5], 0 * unit + [0, 0, 5]]), potential="B"),
        Body("dropper", "wire", shapes.polyline([0 * unit, 0 * unit - [0, 0, 8]]), potential="A"),
        Body("shield", "wire", shapes.polyline([[0, 0, 9], [7.0, 3.0, 9]]), potential="earth"),
    ]
    found = views.line_direction(wires)
    assert abs(abs(float(found @ unit[:2])) - 1.0) < 1e-9
    assert (found[0], found[1]) > (-1e-12, -1.0)


def test_line_direction_without_wires_is_x() -> None:
    assert views.line_direction([]).tolist() == [1.0, 0.0]


LEVEL = arrays(float, (3, 3), elements=st.integers(-3, 3)).map(lambda c: np.column_stack([c[:, :2], c[[0, 0, 0], 2]]))
"""Corners of level triangles, which a section sees edge on."""


@given(arrays(float, (3, 3), elements=COORDINATE) | LEVEL, st.floats(0.01, 2.0), st.integers(1, 3))
@example(np.array([[1.0, 2.0, 1.0], [0.0, 1.0, 1.0], [1.0, 1.0, 1.0]]), 1.0, 3)
def test_outline_is_in_the_true_silhouette_and_misses_little(corners: np.ndarray, radius: float, count: int) -> None:
    """A rounded primitive is the sum of its core and a ball, so its silhouette reaches h(u) + r in any direction u."""
    shape = {
        1: shapes.points,
        2: lambda c, r: shapes.segments(c[:1], c[1:2], r),
        3: lambda c, r: shapes.triangles([c], r),
    }[count](corners[:1] if count == 1 else corners, radius)
    view = views.section([0.6, 0.8])
    drawn = views.outline(shape, view)[0]
    core = view.flat(corners[:count])
    for angle in np.linspace(0, 2 * math.pi, 50):
        unit = np.array([math.cos(angle), math.sin(angle)])
        true = float((core @ unit).max()) + radius
        reached = float((drawn @ unit).max())
        assert reached <= true + 1e-9
        assert reached >= true - radius * (1 - math.cos(2 * math.pi / views.DIRECTIONS)) - 1e-9
    # Convex: every corner turns the same way.
    steps = np.diff(np.vstack([drawn, drawn[:2]]), axis=0)
    assert (steps[:-1, 0] * steps[1:, 1] - steps[:-1, 1] * steps[1:, 0] >= -1e-9).all()


def test_outline_of_a_capsule_is_convex() -> None:
    shape = shapes.segments([[0, 0, 0]], [[3, 1, 2]], 0.4)
    drawn = views.outline(shape, views.plan())[0]
    assert len(ConvexHull(drawn).vertices) >= len(np.unique(drawn.round(9), axis=0)) - 2


def test_cut_of_level_ground_is_a_level_line_and_of_a_wire_a_point() -> None:
    ground = shapes.triangles([[[-9, -9, 1], [9, -9, 1], [9, 9, 1]], [[-9, -9, 1], [9, 9, 1], [-9, 9, 1]]])
    view = views.section([1.0, 0.0])
    _, lines = views.cut(ground, view, depth=2.0)
    assert np.allclose(lines[..., 1], 1.0)
    assert (lines[..., 0].min(), lines[..., 0].max()) == pytest.approx((-9.0, 9.0))
    wire = shapes.segments([[-4, 3, 6]], [[4, 3, 10]], 0.01)
    points, _ = views.cut(wire, view, depth=-2.0)  # at x = 2
    assert points.tolist() == pytest.approx(np.array([[-3.0, 9.0]]))


def test_slab_clips_segments_to_its_depth() -> None:
    view = views.section([1.0, 0.0])
    clipped = views.slab(shapes.segments([[-50, 0, 5]], [[50, 0, 5]], 0.01), view, -1.0, 1.0)
    assert sorted(clipped.vertices[0, :2, 0].tolist()) == pytest.approx([-1.0, 1.0])
    assert len(views.slab(shapes.points([[5.0, 0, 0]]), view, -1.0, 1.0)) == 0


def test_thinning_keeps_a_point_in_every_cell_and_draws_no_new_one() -> None:
    rng = np.random.default_rng(5)
    xy = rng.uniform(0, 30, (200_000, 2))
    few = views.thinned(xy, 0.1)
    cells = {tuple(c) for c in np.floor(xy / 0.1).astype(int)}
    assert {tuple(c) for c in np.floor(few / 0.1).astype(int)} == cells
    assert len(few) == len(cells)
    assert np.isin(few.view("f8,f8"), xy.view("f8,f8")).all()


def test_window_has_the_aspect_of_the_sheet_and_holds_the_focus() -> None:
    frame = views.window([[0, 0], [10, 1]], 1.5)
    assert frame.width / frame.height == pytest.approx(1.5)
    assert frame.left < 0 < 10 < frame.right
    assert frame.bottom < 0 < 1 < frame.top


def drawn_stages() -> list[StageResult]:
    return [stage for stage in example_result().stages if leading_drawn(stage) is not None]


@pytest.mark.parametrize("stage", drawn_stages(), ids=lambda stage: stage.name)
def test_drawn_gaps_are_as_long_as_the_result_says(stage: StageResult) -> None:
    """The stretches add up to the witnessed gap, and each is in true length in its own panel."""
    leading = leading_drawn(stage)
    assert leading is not None
    for line in gap_lines(stage, leading):
        measure = line.finding.measure
        assert measure is not None
        lengths = [drawn_length(line, view, k) for k, view in enumerate(panel_views(line, np.array([1.0, 0.0])))]
        assert lengths == pytest.approx(np.linalg.norm(line.air[:, 1] - line.air[:, 0], axis=1))
        if measure.within_survey_error:
            continue  # its figures are made up for the words
        assert sum(lengths) == pytest.approx(measure.gap_upper_m, abs=1e-9)
        assert line.finding.figures.gap in line.label
        assert "3D distance" in line.label


@pytest.mark.parametrize("stage", drawn_stages(), ids=lambda stage: stage.name)
def test_drawn_gaps_end_on_the_outlines_of_the_bodies_they_name(stage: StageResult) -> None:
    leading = leading_drawn(stage)
    assert leading is not None
    for line in gap_lines(stage, leading):
        measure = line.finding.measure
        assert measure is not None
        bodies = {
            b.name: b for b in standing(setting_of(example_settings(), stage.name, line.finding), line.finding.at)
        }
        chain = [measure.ends[0], *measure.through, measure.ends[1]]
        for k, (start, end) in enumerate(line.air):
            for name, point in ((chain[k], start), (chain[k + 1], end)):
                if bodies[name].kind == "ground":
                    assert point[2] == pytest.approx(0.05)
                    continue
                s = bodies[name].shape
                t = np.linspace(0, 1, 401)[:, None, None]
                core = s.vertices[None, :, 0] * (1 - t) + s.vertices[None, :, 1] * t
                nearest = (np.linalg.norm(core - point, axis=2) - s.radius - s.uncertainty).min()
                assert abs(float(nearest)) < 0.01


def test_every_breach_is_drawn() -> None:
    result = example_result()
    stages = governing_stages(result)
    assert [number for number, _, _ in stages] == [2, 3]
    for _, stage, leading in stages:
        drawn = {id(line.finding.measure) for line in gap_lines(stage, leading)}
        for gap in stage.gaps:
            for measure in (gap.posture, gap.reach):
                assert measure is None or measure.verdict != "breach" or id(measure) in drawn
        for other in (*stage.approaches, *stage.collisions):
            assert other.measure.verdict != "breach" or id(other.measure) in drawn
    assert tuple(phases(example_scene())) == ("A", "B", "C")


SIZES = st.lists(st.tuples(st.floats(20, 160), st.floats(8, 20)), min_size=1, max_size=14)


@given(SIZES, st.data())
def test_labels_never_overlap_and_stay_on_the_sheet(sizes: list[tuple[float, float]], data: st.DataObject) -> None:
    sheet = Box(0, 0, 700, 600)
    anchors = data.draw(
        st.lists(st.tuples(st.floats(0, 700), st.floats(0, 600)), min_size=len(sizes), max_size=len(sizes))
    )
    taken = [Box(10, 10, 200, 50)]
    places = place_labels(sizes, anchors, sheet, taken)
    found = [place for place in places if place is not None]
    assert places == place_labels(sizes, anchors, sheet, taken)
    for i, one in enumerate(found):
        assert one.inside(sheet)
        assert not any(one.overlaps(other) for other in [*taken, *found[:i]])
    if len(sizes) <= 6:
        assert None not in places


def test_labels_keep_off_lines() -> None:
    line = np.stack([np.linspace(0, 400, 200), np.full(200, 100.0)], axis=1)
    (place,) = place_labels([(80, 12)], [(200, 100)], Box(0, 0, 400, 200), keep_visible=line)
    assert place is not None
    assert place.bottom > 100 or place.top < 100
