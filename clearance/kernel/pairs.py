"""Owns the six distances between points, segments and triangles.

`closest` is the one entry. Each case takes the least of its boundary cases and of the interior solution where that
exists, so a degenerate primitive (a segment of no length, a needle triangle) falls back on its boundary instead of
dividing by nearly zero; thresholds are relative to the primitives' size. Witness points always lie on the primitives,
so the distance returned is never below the true one; soundness of lower bounds does not rest on it at all (see
`paths`).

Sources: C. Ericson, Real-Time Collision Detection (2005), 5.1.2 point-segment, 5.1.5 point-triangle, 5.1.9 segment-
    segment.
"""

from __future__ import annotations

import numpy as np

from clearance.kernel.cache import compiled

PARALLEL = 1e-12
"""[1] Squared sine below which two directions count as parallel: their boundary cases are then exact to 1e-6 of their
length, and the interior solution would be noise."""


@compiled
def _point_segment(px, py, pz, a, b, out):  # type: ignore[no-untyped-def]
    """Closest point of segment a-b to p into out[0:3]; squared distance."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    length = ux * ux + uy * uy + uz * uz
    along = 0.0
    if length > 0.0:
        along = ((px - a[0]) * ux + (py - a[1]) * uy + (pz - a[2]) * uz) / length
        along = min(1.0, max(0.0, along))
    out[0], out[1], out[2] = a[0] + along * ux, a[1] + along * uy, a[2] + along * uz
    dx, dy, dz = px - out[0], py - out[1], pz - out[2]
    return dx * dx + dy * dy + dz * dz


@compiled
def _keep(best, d, p, q, swap, witness):  # type: ignore[no-untyped-def]
    """Keep witness points p (on the first) and q (on the second) if they are nearer than the best so far."""
    if d < best:
        for k in range(3):
            if swap:
                witness[0, k], witness[1, k] = q[k], p[k]
            else:
                witness[0, k], witness[1, k] = p[k], q[k]
        return d
    return best


@compiled
def _segment_segment(a0, a1, b0, b1, best, swap, witness, work):  # type: ignore[no-untyped-def]
    p, q = work[0], work[1]
    best = _keep(best, _point_segment(a0[0], a0[1], a0[2], b0, b1, q), a0, q, swap, witness)
    best = _keep(best, _point_segment(a1[0], a1[1], a1[2], b0, b1, q), a1, q, swap, witness)
    best = _keep(best, _point_segment(b0[0], b0[1], b0[2], a0, a1, p), p, b0, swap, witness)
    best = _keep(best, _point_segment(b1[0], b1[1], b1[2], a0, a1, p), p, b1, swap, witness)
    ux, uy, uz = a1[0] - a0[0], a1[1] - a0[1], a1[2] - a0[2]
    vx, vy, vz = b1[0] - b0[0], b1[1] - b0[1], b1[2] - b0[2]
    wx, wy, wz = a0[0] - b0[0], a0[1] - b0[1], a0[2] - b0[2]
    uu, vv, uv = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, ux * vx + uy * vy + uz * vz
    determinant = uu * vv - uv * uv
    if determinant > PARALLEL * uu * vv:
        uw, vw = ux * wx + uy * wy + uz * wz, vx * wx + vy * wy + vz * wz
        s, t = (uv * vw - vv * uw) / determinant, (uu * vw - uv * uw) / determinant
        if 0.0 < s < 1.0 and 0.0 < t < 1.0:
            p[0], p[1], p[2] = a0[0] + s * ux, a0[1] + s * uy, a0[2] + s * uz
            q[0], q[1], q[2] = b0[0] + t * vx, b0[1] + t * vy, b0[2] + t * vz
            d = (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2
            best = _keep(best, d, p, q, swap, witness)
    return best


@compiled
def _plane_point(x, tri, out):  # type: ignore[no-untyped-def]
    """Foot of x on the triangle's plane into out, True if it lies inside the triangle (False for a needle)."""
    ax, ay, az = tri[0, 0], tri[0, 1], tri[0, 2]
    ux, uy, uz = tri[1, 0] - ax, tri[1, 1] - ay, tri[1, 2] - az
    vx, vy, vz = tri[2, 0] - ax, tri[2, 1] - ay, tri[2, 2] - az
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    nn = nx * nx + ny * ny + nz * nz
    uu, vv = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz
    if not nn > PARALLEL * uu * vv:
        return False
    wx, wy, wz = x[0] - ax, x[1] - ay, x[2] - az
    s = ((wy * vz - wz * vy) * nx + (wz * vx - wx * vz) * ny + (wx * vy - wy * vx) * nz) / nn
    t = ((uy * wz - uz * wy) * nx + (uz * wx - ux * wz) * ny + (ux * wy - uy * wx) * nz) / nn
    if s < 0.0 or t < 0.0 or s + t > 1.0:
        return False
    out[0], out[1], out[2] = ax + s * ux + t * vx, ay + s * uy + t * vy, az + s * uz + t * vz
    return True


@compiled
def _point_triangle(x, tri, best, swap, witness, work):  # type: ignore[no-untyped-def]
    foot = work[1]
    if _plane_point(x, tri, foot):
        d = (x[0] - foot[0]) ** 2 + (x[1] - foot[1]) ** 2 + (x[2] - foot[2]) ** 2
        return _keep(best, d, x, foot, swap, witness)
    for edge in range(3):
        d = _point_segment(x[0], x[1], x[2], tri[edge], tri[(edge + 1) % 3], foot)
        best = _keep(best, d, x, foot, swap, witness)
    return best


@compiled
def _segment_triangle(a0, a1, tri, best, swap, witness, work):  # type: ignore[no-untyped-def]
    """A crossing is distance zero: the plane is crossed between a0 and a1, inside the triangle."""
    ux, uy, uz = tri[1, 0] - tri[0, 0], tri[1, 1] - tri[0, 1], tri[1, 2] - tri[0, 2]
    vx, vy, vz = tri[2, 0] - tri[0, 0], tri[2, 1] - tri[0, 1], tri[2, 2] - tri[0, 2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    h0 = (a0[0] - tri[0, 0]) * nx + (a0[1] - tri[0, 1]) * ny + (a0[2] - tri[0, 2]) * nz
    h1 = (a1[0] - tri[0, 0]) * nx + (a1[1] - tri[0, 1]) * ny + (a1[2] - tri[0, 2]) * nz
    if (h0 > 0.0) != (h1 > 0.0) and h0 != h1:
        along = h0 / (h0 - h1)
        p, q = work[0], work[2]
        for k in range(3):
            p[k] = a0[k] + along * (a1[k] - a0[k])
        if _plane_point(p, tri, q):
            d = (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2
            best = _keep(best, d, p, q, swap, witness)
    best = _point_triangle(a0, tri, best, swap, witness, work)
    best = _point_triangle(a1, tri, best, swap, witness, work)
    for edge in range(3):
        best = _segment_segment(a0, a1, tri[edge], tri[(edge + 1) % 3], best, swap, witness, work)
    return best


@compiled
def closest(a, corners_a, b, corners_b, witness, work):  # type: ignore[no-untyped-def]
    """Squared distance between two cores.

    a, b: (3, 3) corners; corners_a, corners_b: 1 point, 2 segment, 3 triangle
    witness: (2, 3), filled with the nearest points on a and on b
    work: (3, 3) scratch
    """
    swap = False
    if corners_a > corners_b:
        a, b = b, a
        corners_a, corners_b = corners_b, corners_a
        swap = True
    best = np.inf
    if corners_b == 1:
        d = (a[0, 0] - b[0, 0]) ** 2 + (a[0, 1] - b[0, 1]) ** 2 + (a[0, 2] - b[0, 2]) ** 2
        return _keep(best, d, a[0], b[0], swap, witness)
    if corners_b == 2:
        if corners_a == 1:
            d = _point_segment(a[0, 0], a[0, 1], a[0, 2], b[0], b[1], work[1])
            return _keep(best, d, a[0], work[1], swap, witness)
        return _segment_segment(a[0], a[1], b[0], b[1], best, swap, witness, work)
    if corners_a == 1:
        return _point_triangle(a[0], b, best, swap, witness, work)
    if corners_a == 2:
        return _segment_triangle(a[0], a[1], b, best, swap, witness, work)
    for edge in range(3):
        best = _segment_triangle(a[edge], a[(edge + 1) % 3], b, best, swap, witness, work)
        best = _segment_triangle(b[edge], b[(edge + 1) % 3], a, best, not swap, witness, work)
    return best


@compiled
def measure(a, corners_a, b, corners_b, squared, witness):  # type: ignore[no-untyped-def]
    """`closest` for n pairs: a, b (n, 3, 3); fills squared (n,) and witness (n, 2, 3)."""
    work = np.empty((3, 3))
    for i in range(len(squared)):
        squared[i] = closest(a[i], corners_a[i], b[i], corners_b[i], witness[i], work)
