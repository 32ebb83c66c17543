"""Owns the six distances between points, segments and triangles.

`closest` is the one entry. Each case takes the least of its boundary cases and of the interior solution where that
exists, so a degenerate primitive (a segment of no length, a needle triangle) falls back on its boundary instead of
dividing by nearly zero; thresholds are relative to the primitives' size. Witness points always lie on the primitives,
so the distance returned is never below the true one; soundness of lower bounds does not rest on it at all (see
`bounds`).

Sources: C. Ericson, Real-Time Collision Detection (2005), 5.1.2 point-segment, 5.1.5 point-triangle, 5.1.9
segment-segment.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.kernel.cache import compiled, inner

PARALLEL = 1e-26
"""[1] Squared sine below which two directions count as parallel. It comes from a cross product, whose rounding is
about 1e-16 of the lengths: below an angle of 1e-13 the interior solution would be noise, and the boundary cases are
exact to 1e-13."""


@inner
def dot(ax, ay, az, bx, by, bz):  # type: ignore[no-untyped-def]
    """Product of two vectors by their parts; a call compiles faster than the sum written out."""
    return ax * bx + ay * by + az * bz


@inner
def _minor(a, b, c, d):  # type: ignore[no-untyped-def]
    return a * d - b * c


@inner
def between(p, q):  # type: ignore[no-untyped-def]
    """Squared distance of two points."""
    x, y, z = p[0] - q[0], p[1] - q[1], p[2] - q[2]
    return dot(x, y, z, x, y, z)


@inner
def _minus(p, q):  # type: ignore[no-untyped-def]
    return p[0] - q[0], p[1] - q[1], p[2] - q[2]


@inner
def _cross(ax, ay, az, bx, by, bz):  # type: ignore[no-untyped-def]
    return _minor(ay, az, by, bz), _minor(az, ax, bz, bx), _minor(ax, ay, bx, by)


@inner
def _along(p, scale, x, y, z, out):  # type: ignore[no-untyped-def]
    """out = p + scale (x, y, z)"""
    out[0], out[1], out[2] = p[0] + scale * x, p[1] + scale * y, p[2] + scale * z


@inner
def _point_segment(p, a, b, out):  # type: ignore[no-untyped-def]
    """Closest point of segment a-b to p into out[0:3]; squared distance."""
    ux, uy, uz = _minus(b, a)
    wx, wy, wz = _minus(p, a)
    length = dot(ux, uy, uz, ux, uy, uz)
    along = 0.0
    if length > 0.0:
        along = min(1.0, max(0.0, dot(wx, wy, wz, ux, uy, uz) / length))
    _along(a, along, ux, uy, uz, out)
    return between(p, out)


@inner
def _keep(best, d, p, q, swap, witness):  # type: ignore[no-untyped-def]
    """Keep witness points p (on the first) and q (on the second) if they are nearer than the best so far."""
    if d < best:
        first, second = (1, 0) if swap else (0, 1)
        for k in range(3):
            witness[first, k], witness[second, k] = p[k], q[k]
        return d
    return best


@inner
def _segment_segment(a0, a1, b0, b1, best, swap, witness, work):  # type: ignore[no-untyped-def]
    p, q = work[0], work[1]
    best = _keep(best, _point_segment(a0, b0, b1, q), a0, q, swap, witness)
    best = _keep(best, _point_segment(a1, b0, b1, q), a1, q, swap, witness)
    best = _keep(best, _point_segment(b0, a0, a1, p), p, b0, swap, witness)
    best = _keep(best, _point_segment(b1, a0, a1, p), p, b1, swap, witness)
    ux, uy, uz = _minus(a1, a0)
    vx, vy, vz = _minus(b1, b0)
    wx, wy, wz = _minus(a0, b0)
    cx, cy, cz = _cross(ux, uy, uz, vx, vy, vz)
    cc = dot(cx, cy, cz, cx, cy, cz)
    if cc > PARALLEL * dot(ux, uy, uz, ux, uy, uz) * dot(vx, vy, vz, vx, vy, vz):
        # Crossed, not dotted: the sine of a small angle keeps its digits.
        sx, sy, sz = _cross(vx, vy, vz, wx, wy, wz)
        tx, ty, tz = _cross(ux, uy, uz, wx, wy, wz)
        s, t = dot(sx, sy, sz, cx, cy, cz) / cc, dot(tx, ty, tz, cx, cy, cz) / cc
        if 0.0 < s < 1.0 and 0.0 < t < 1.0:
            _along(a0, s, ux, uy, uz, p)
            _along(b0, t, vx, vy, vz, q)
            best = _keep(best, between(p, q), p, q, swap, witness)
    return best


@inner
def _plane_point(x, tri, out):  # type: ignore[no-untyped-def]
    """Foot of x on the triangle's plane into out, True if it lies inside the triangle (False for a needle)."""
    ux, uy, uz = _minus(tri[1], tri[0])
    vx, vy, vz = _minus(tri[2], tri[0])
    wx, wy, wz = _minus(x, tri[0])
    nx, ny, nz = _cross(ux, uy, uz, vx, vy, vz)
    nn = dot(nx, ny, nz, nx, ny, nz)
    if not nn > PARALLEL * dot(ux, uy, uz, ux, uy, uz) * dot(vx, vy, vz, vx, vy, vz):
        return False
    sx, sy, sz = _cross(wx, wy, wz, vx, vy, vz)
    tx, ty, tz = _cross(ux, uy, uz, wx, wy, wz)
    s, t = dot(sx, sy, sz, nx, ny, nz) / nn, dot(tx, ty, tz, nx, ny, nz) / nn
    if s < 0.0 or t < 0.0 or s + t > 1.0:
        return False
    _along(tri[0], s, ux, uy, uz, out)
    _along(out, t, vx, vy, vz, out)
    return True


@inner
def _point_triangle(x, tri, best, swap, witness, work):  # type: ignore[no-untyped-def]
    foot = work[1]
    if _plane_point(x, tri, foot):
        return _keep(best, between(x, foot), x, foot, swap, witness)
    for edge in range(3):
        best = _keep(best, _point_segment(x, tri[edge], tri[(edge + 1) % 3], foot), x, foot, swap, witness)
    return best


@inner
def _segment_triangle(a0, a1, tri, best, swap, witness, work):  # type: ignore[no-untyped-def]
    """A crossing is distance zero: the plane is crossed between a0 and a1, inside the triangle."""
    ux, uy, uz = _minus(tri[1], tri[0])
    vx, vy, vz = _minus(tri[2], tri[0])
    nx, ny, nz = _cross(ux, uy, uz, vx, vy, vz)
    wx, wy, wz = _minus(a0, tri[0])
    h0 = dot(wx, wy, wz, nx, ny, nz)
    wx, wy, wz = _minus(a1, tri[0])
    h1 = dot(wx, wy, wz, nx, ny, nz)
    if (h0 > 0.0) != (h1 > 0.0) and h0 != h1:
        p, q = work[0], work[2]
        wx, wy, wz = _minus(a1, a0)
        _along(a0, h0 / (h0 - h1), wx, wy, wz, p)
        if _plane_point(p, tri, q):
            best = _keep(best, between(p, q), p, q, swap, witness)
    best = _point_triangle(a0, tri, best, swap, witness, work)
    best = _point_triangle(a1, tri, best, swap, witness, work)
    for edge in range(3):
        best = _segment_segment(a0, a1, tri[edge], tri[(edge + 1) % 3], best, swap, witness, work)
    return best


@compiled
def closest(a, corners_a, b, corners_b, witness, work):  # type: ignore[no-untyped-def]
    """Squared distance between two cores.

    a, b: (3, 3), or as many rows as there are corners; corners_a, corners_b: 1 point, 2 segment, 3 triangle
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
        return _keep(best, between(a[0], b[0]), a[0], b[0], swap, witness)
    if corners_b == 2:
        if corners_a == 1:
            return _keep(best, _point_segment(a[0], b[0], b[1], work[1]), a[0], work[1], swap, witness)
        return _segment_segment(a[0], a[1], b[0], b[1], best, swap, witness, work)
    if corners_a == 1:
        return _point_triangle(a[0], b, best, swap, witness, work)
    if corners_a == 2:
        return _segment_triangle(a[0], a[1], b, best, swap, witness, work)
    for edge in range(3):
        best = _segment_triangle(a[edge], a[(edge + 1) % 3], b, best, swap, witness, work)
        best = _segment_triangle(b[edge], b[(edge + 1) % 3], a, best, not swap, witness, work)
    return best


@inner
def unit(a, b, witness, apart, n):  # type: ignore[no-untyped-def]
    """A unit vector n (3,) from b to a: between the witness points, or between first corners where those nearly
    touch."""
    for k in range(3):
        n[k] = witness[0, k] - witness[1, k] if apart > 1e-9 else a[0, k] - b[0, k]
    norm = np.sqrt(dot(n[0], n[1], n[2], n[0], n[1], n[2]))
    for k in range(3):
        n[k] = n[k] / norm if norm > 0.0 else (1.0 if k == 2 else 0.0)


@inner
def along(n, row):  # type: ignore[no-untyped-def]
    """n.row for a direction and one row (3,) of an array."""
    return dot(n[0], n[1], n[2], row[0], row[1], row[2])


@compiled
def _measure(a, corners_a, b, corners_b, squared, witness, work):  # type: ignore[no-untyped-def]
    for i in range(len(squared)):
        # Of one type, so that `closest` is not compiled twice.
        one, other = np.int64(corners_a[i]), np.int64(corners_b[i])
        squared[i] = closest(a[i], one, b[i], other, witness[i], work)


def measure(
    a: NDArray[np.float64],
    corners_a: NDArray[np.int8],
    b: NDArray[np.float64],
    corners_b: NDArray[np.int8],
    squared: NDArray[np.float64],
    witness: NDArray[np.float64],
) -> None:
    """`closest` for n pairs: a, b (n, 3, 3); fills squared (n,) and witness (n, 2, 3)."""
    _measure(a, corners_a, b, corners_b, squared, witness, np.empty((3, 3)))
