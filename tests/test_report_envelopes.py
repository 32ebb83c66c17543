"""Outlines of what may fall: everything within every hull is within the outline, and the briefing shows and says it."""

from __future__ import annotations

import numpy as np
from shapely.geometry import MultiPoint, Point, Polygon

from clearance import shapes
from clearance.report import views
from clearance.report.envelopes import Envelope, outlines
from clearance.shapes import Shape


def within(shape: Shape, points: np.ndarray) -> np.ndarray:
    """Which points lie in a shape of one ball or one segment."""
    a, b = shape.vertices[0, 0], shape.vertices[0, 1]
    t = np.clip((points - a) @ (b - a) / max((b - a) @ (b - a), 1e-30), 0, 1)[:, None]
    return np.linalg.norm(points - a - t * (b - a), axis=1) <= shape.radius[0] + shape.uncertainty[0]


def test_an_outline_holds_what_lies_in_every_hull_and_little_more():
    ball = shapes.points([[1.0, 2.0, 3.0]], radius=4.0, uncertainty=0.1)
    rod = shapes.segments([[-9.0, 1.0, 2.0]], [[9.0, 2.0, 4.0]], radius=1.0)
    rng = np.random.default_rng(5)
    points = rng.uniform(-6, 8, size=(200_000, 3))
    points = points[within(ball, points) & within(rod, points)]
    for view in (views.plan(), views.elevation([1.0, 0.0]), views.section([0.6, 0.8])):
        # The outline is where both are seen, which is more than where what both hold is seen.
        (ring,) = outlines(Envelope("both", (ball, rod)), view)
        drawn = Polygon(ring)
        flat = view.flat(points)
        # A drawn circle is a polygon inside the true one by 0.2 % of its radius.
        assert all(drawn.buffer(0.02).contains(Point(point)) for point in flat[:2000])
        assert drawn.area < 1.35 * MultiPoint(flat).convex_hull.area


def test_hulls_apart_give_no_outline():
    far = shapes.points([[30.0, 0.0, 0.0]], radius=1.0)
    near = shapes.points([[0.0, 0.0, 0.0]], radius=1.0)
    assert outlines(Envelope("none", (near, far)), views.plan()) == []
