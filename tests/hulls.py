"""What lies within a shape, by the definition of each primitive and with no code of the kernel."""

from __future__ import annotations

import numpy as np

from clearance.shapes import Shape


def inside(shape: Shape, points: np.ndarray) -> np.ndarray:
    """Which points (n, 3) lie within some primitive."""
    found = np.zeros(len(points), bool)
    for corners, count, around in zip(shape.vertices, shape.corners, shape.radius + shape.uncertainty, strict=True):
        a, b, c = corners
        if count == 1:
            apart = np.linalg.norm(points - a, axis=1)
        elif count == 2:
            t = np.clip((points - a) @ (b - a) / max((b - a) @ (b - a), 1e-30), 0, 1)
            apart = np.linalg.norm(points - a - t[:, None] * (b - a), axis=1)
        else:
            # Barycentric where the foot falls inside, else the nearest side.
            u, v = b - a, c - a
            solved = np.linalg.lstsq(np.stack([u, v], axis=1), (points - a).T, rcond=None)[0].T
            foot = a + solved @ np.stack([u, v])
            within = (solved >= 0).all(axis=1) & (solved.sum(axis=1) <= 1)
            apart = np.where(within, np.linalg.norm(points - foot, axis=1), np.inf)
        found |= apart <= around + 1e-9
    return found
