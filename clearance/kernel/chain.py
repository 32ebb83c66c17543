"""Owns where moving primitives are: the pose of every link at given parameters, and its first derivatives.

A link is a chain of joints from the ground. Along the chain a turn about axis w through o moves a point x at rate w x
(x - o), a slide along w at rate w; so every parameter gives each link one twist (turning, shifting), and a point's
derivative is turning x x + shifting. Second derivatives are bounded once for all, in `clearance.motion`, by
`Moving.curvature`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.kernel.cache import compiled

FIXED, SLIDE, TURN, TRACK = 0, 1, 2, 3
"""Kinds of joint."""


class Chain(NamedTuple):
    """Links as flattened lists of joints, each from the ground up.

    first, stop (links,): a link's joints; kind (j,), parameter (j,) or -1, scale (j,) per unit of the parameter; axis
        (j, 3) unit vector and origin (j, 3) in the frame before the joint; rotation (j, 3, 3) and translation (j, 3) of
        a fixed joint; knots (j, 2) range of a track's vertices in station (k,) [m] and place (k, 3) [m]
    """

    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    kind: NDArray[np.int64]
    parameter: NDArray[np.int64]
    scale: NDArray[np.float64]
    axis: NDArray[np.float64]
    origin: NDArray[np.float64]
    rotation: NDArray[np.float64]
    translation: NDArray[np.float64]
    knots: NDArray[np.int64]
    station: NDArray[np.float64]
    place: NDArray[np.float64]


class Moving(NamedTuple):
    """Moving primitives, those of one group together.

    vertices (n, 3, 3) in the frame of link (n,), corners (n,), around (n,) radius and slack together; rate (n, 3, 3)
    per unit of parameter rated (n,), -1 where rigid; curvature (n, p, p) bounds of every second derivative of every
    corner over the whole box; matters (links + 1, links + 1, p) whether a parameter changes the distance between two
    links, the last row and column standing for what stands still; body (n,) index of the body
    """

    vertices: NDArray[np.float64]
    corners: NDArray[np.int8]
    around: NDArray[np.float64]
    link: NDArray[np.int64]
    rate: NDArray[np.float64]
    rated: NDArray[np.int64]
    curvature: NDArray[np.float64]
    matters: NDArray[np.bool_]
    body: NDArray[np.int64]


@compiled
def _turn(axis, angle, matrix, out):  # type: ignore[no-untyped-def]
    """out = R(axis, angle) @ matrix, by Rodrigues' formula, for a (3, 3) matrix."""
    c, s = np.cos(angle), np.sin(angle)
    x, y, z = axis[0], axis[1], axis[2]
    for k in range(matrix.shape[1]):
        a, b, d = matrix[0, k], matrix[1, k], matrix[2, k]
        dot = (x * a + y * b + z * d) * (1.0 - c)
        out[0, k] = a * c + (y * d - z * b) * s + x * dot
        out[1, k] = b * c + (z * a - x * d) * s + y * dot
        out[2, k] = d * c + (x * b - y * a) * s + z * dot


@compiled
def track_at(chain, joint, value, place, direction):  # type: ignore[no-untyped-def]
    """Point of a track at station `value`, and its direction per metre of station, constant between vertices."""
    start, stop = chain.knots[joint, 0], chain.knots[joint, 1]
    k = start
    while k < stop - 2 and value >= chain.station[k + 1]:
        k += 1
    length = chain.station[k + 1] - chain.station[k]
    for d in range(3):
        direction[d] = (chain.place[k + 1, d] - chain.place[k, d]) / length
        place[d] = chain.place[k, d] + direction[d] * (value - chain.station[k])


@compiled
def pose_links(chain, q, rotation, translation, turning, shifting):  # type: ignore[no-untyped-def]
    """Fill each link's rotation (l, 3, 3), translation (l, 3), and twists turning, shifting (l, p, 3) at q."""
    axis, origin, place, turned = np.empty(3), np.empty((3, 1)), np.empty(3), np.empty((3, 1))
    matrix = np.empty((3, 3))
    for link in range(len(chain.first)):
        r, t = rotation[link], translation[link]
        for i in range(3):
            t[i] = 0.0
            for k in range(3):
                r[i, k] = 1.0 if i == k else 0.0
        for p in range(len(q)):
            for k in range(3):
                turning[link, p, k] = 0.0
                shifting[link, p, k] = 0.0
        for joint in range(chain.first[link], chain.stop[link]):
            kind, p = chain.kind[joint], chain.parameter[joint]
            if kind == FIXED:
                for i in range(3):
                    for k in range(3):
                        t[i] += r[i, k] * chain.translation[joint, k]
                for i in range(3):
                    for k in range(3):
                        matrix[i, k] = r[i, 0] * chain.rotation[joint, 0, k] + r[i, 1] * chain.rotation[joint, 1, k]
                        matrix[i, k] += r[i, 2] * chain.rotation[joint, 2, k]
                for i in range(3):
                    for k in range(3):
                        r[i, k] = matrix[i, k]
                continue
            value = q[p] * chain.scale[joint]
            if kind == TRACK:
                track_at(chain, joint, value, place, axis)
                for i in range(3):
                    along = 0.0
                    for k in range(3):
                        t[i] += r[i, k] * place[k]
                        along += r[i, k] * axis[k]
                    shifting[link, p, i] += along * chain.scale[joint]
                continue
            for i in range(3):
                axis[i] = (
                    r[i, 0] * chain.axis[joint, 0] + r[i, 1] * chain.axis[joint, 1] + r[i, 2] * chain.axis[joint, 2]
                )
            if kind == SLIDE:
                for i in range(3):
                    t[i] += axis[i] * value
                    shifting[link, p, i] += axis[i] * chain.scale[joint]
                continue
            for i in range(3):
                origin[i, 0] = t[i]
                for k in range(3):
                    origin[i, 0] += r[i, k] * chain.origin[joint, k]
            scale = chain.scale[joint]
            wx, wy, wz = axis[0] * scale, axis[1] * scale, axis[2] * scale
            turning[link, p, 0] += wx
            turning[link, p, 1] += wy
            turning[link, p, 2] += wz
            shifting[link, p, 0] += origin[1, 0] * wz - origin[2, 0] * wy
            shifting[link, p, 1] += origin[2, 0] * wx - origin[0, 0] * wz
            shifting[link, p, 2] += origin[0, 0] * wy - origin[1, 0] * wx
            _turn(axis, value, r, matrix)
            for i in range(3):
                for k in range(3):
                    r[i, k] = matrix[i, k]
                place[i] = t[i] - origin[i, 0]
                turned[i, 0] = place[i]
            place_matrix = turned.copy()
            _turn(axis, value, place_matrix, turned)
            for i in range(3):
                t[i] = origin[i, 0] + turned[i, 0]


@compiled
def place_moving(chain, moving, q, half, corner, slope, low, high, bend, frames):  # type: ignore[no-untyped-def]
    """Place every moving primitive at q, for a box of half-widths `half` about it.

    Fills corner (n, 3, 3) [m], slope (n, 3, p, 3) its derivatives, bend (n,) the second-order remainder of any corner
    over the box, and low, high (n, 3) a box that holds the primitive, `around` included, at every parameter of the box.
    frames: (rotation, translation, turning, shifting) scratch of `pose_links`
    """
    rotation, translation, turning, shifting = frames
    pose_links(chain, q, rotation, translation, turning, shifting)
    size = len(q)
    local = np.empty(3)
    for n in range(len(moving.corners)):
        link, rated = moving.link[n], moving.rated[n]
        r, t = rotation[link], translation[link]
        remainder = 0.0
        for i in range(size):
            for j in range(size):
                remainder += moving.curvature[n, i, j] * half[i] * half[j]
        bend[n] = 0.5 * remainder
        around = moving.around[n] + bend[n]
        for k in range(3):
            low[n, k], high[n, k] = np.inf, -np.inf
        for v in range(moving.corners[n]):
            for k in range(3):
                local[k] = moving.vertices[n, v, k]
                if rated >= 0:
                    local[k] += moving.rate[n, v, k] * q[rated]
            for k in range(3):
                corner[n, v, k] = t[k] + r[k, 0] * local[0] + r[k, 1] * local[1] + r[k, 2] * local[2]
            x, y, z = corner[n, v, 0], corner[n, v, 1], corner[n, v, 2]
            for p in range(size):
                w, s = turning[link, p], shifting[link, p]
                slope[n, v, p, 0] = w[1] * z - w[2] * y + s[0]
                slope[n, v, p, 1] = w[2] * x - w[0] * z + s[1]
                slope[n, v, p, 2] = w[0] * y - w[1] * x + s[2]
            if rated >= 0:
                for k in range(3):
                    for i in range(3):
                        slope[n, v, rated, k] += r[k, i] * moving.rate[n, v, i]
            for k in range(3):
                spread = around
                for p in range(size):
                    spread += abs(slope[n, v, p, k]) * half[p]
                low[n, k] = min(low[n, k], corner[n, v, k] - spread)
                high[n, k] = max(high[n, k], corner[n, v, k] + spread)
        for v in range(moving.corners[n], 3):
            for k in range(3):
                corner[n, v, k] = corner[n, moving.corners[n] - 1, k]
                for p in range(size):
                    slope[n, v, p, k] = slope[n, moving.corners[n] - 1, p, k]
