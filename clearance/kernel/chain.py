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

from clearance.kernel.cache import compiled, inner
from clearance.kernel.pairs import along

FIXED, SLIDE, TURN, TRACK = 0, 1, 2, 3
"""Kinds of joint."""


class Chain(NamedTuple):
    """Links as flattened lists of joints, each from the ground up.

    first, stop (links,): a link's joints; kind (j,), parameter (j,) or -1, scale (j,) per unit of the parameter;
    axis (j, 3) unit vector and origin (j, 3) in the frame before the joint; rotation (j, 3, 3) and translation (j, 3)
    of a fixed joint; knots (j, 2) range of a track's vertices in station (k,) [m] and place (k, 3) [m]
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

    vertices (n, 3, 3) in the frame of link (n,), corners (n,), around (n,) radius and uncertainty together;
    rate (n, 3, 3) per unit of parameter rated (n,), -1 where rigid; curvature (n, p, p) bounds of every second
    derivative of every corner over the whole box; matters (links + 1, links + 1, p) whether a parameter changes the
    distance between two links, the last row and column standing for what stands still; body (n,) index of the body
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


class Place(NamedTuple):
    """Where moving primitives are in one box of parameters, of half-widths `half` about its centre.

    corner (n, 3, 3) [m] at the centre, slope (n, 3, p, 3) its derivatives, bend (n,) the second-order remainder of any
    corner over the box; low, high (n, 3) a box that holds the primitive, `around` included, all over the box of
    parameters
    rotation (l, 3, 3), translation (l, 3), turning and shifting (l, p, 3): pose and twists of the links
    work (10, 3): scratch
    """

    corner: NDArray[np.float64]
    slope: NDArray[np.float64]
    bend: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    rotation: NDArray[np.float64]
    translation: NDArray[np.float64]
    turning: NDArray[np.float64]
    shifting: NDArray[np.float64]
    work: NDArray[np.float64]


def new_place(chain: Chain, moving: Moving, size: int) -> Place:
    """Room for the places of all moving primitives under `size` parameters."""
    count, links = len(moving.corners), len(chain.first)
    return Place(
        np.zeros((count, 3, 3)), np.zeros((count, 3, size, 3)), np.zeros(count), np.zeros((count, 3)),
        np.zeros((count, 3)),
        np.zeros((links, 3, 3)), np.zeros((links, 3)), np.zeros((links, size, 3)), np.zeros((links, size, 3)),
        np.zeros((10, 3)),
    )  # fmt: skip


@inner
def _rotation(axis, angle, out):  # type: ignore[no-untyped-def]
    """Rotation matrix (3, 3) about a unit axis, by Rodrigues' formula."""
    c, s = np.cos(angle), np.sin(angle)
    for i in range(3):
        for k in range(3):
            out[i, k] = axis[i] * axis[k] * (1.0 - c)
        out[i, i] += c
    out[0, 1] -= axis[2] * s
    out[1, 0] += axis[2] * s
    out[0, 2] += axis[1] * s
    out[2, 0] -= axis[1] * s
    out[1, 2] -= axis[0] * s
    out[2, 1] += axis[0] * s


@inner
def _multiply(a, b, out):  # type: ignore[no-untyped-def]
    """out = a @ b for (3, 3) matrices."""
    for i in range(3):
        for k in range(3):
            out[i, k] = a[i, 0] * b[0, k] + a[i, 1] * b[1, k] + a[i, 2] * b[2, k]


@inner
def _apply(a, x, out):  # type: ignore[no-untyped-def]
    """out = a @ x for a (3, 3) matrix and a vector (3,)."""
    for i in range(3):
        out[i] = along(x, a[i])


@inner
def _track_at(chain, joint, value, place, direction):  # type: ignore[no-untyped-def]
    """Point of a track at station `value`, and its direction per metre of station, constant between vertices.

    Beyond its ends the first and the last piece go on; `clearance.motion` refuses boxes that reach there.
    """
    start, stop = chain.knots[joint, 0], chain.knots[joint, 1]
    k = start
    while k < stop - 2 and value >= chain.station[k + 1]:
        k += 1
    length = chain.station[k + 1] - chain.station[k]
    for d in range(3):
        direction[d] = (chain.place[k + 1, d] - chain.place[k, d]) / length
        place[d] = chain.place[k, d] + direction[d] * (value - chain.station[k])


@compiled
def pose_links(chain, q, place):  # type: ignore[no-untyped-def]
    """Fill the links' part of `place` at parameters q (p,)."""
    axis, spot, moved, local = place.work[0], place.work[1], place.work[2], place.work[3]
    turn, product = place.work[4:7], place.work[7:10]
    for link in range(len(chain.first)):
        r, t = place.rotation[link], place.translation[link]
        turning, shifting = place.turning[link], place.shifting[link]
        r[:], t[:], turning[:], shifting[:] = 0.0, 0.0, 0.0, 0.0
        for i in range(3):
            r[i, i] = 1.0
        for joint in range(chain.first[link], chain.stop[link]):
            kind, p, scale = chain.kind[joint], chain.parameter[joint], chain.scale[joint]
            if kind == FIXED:
                _apply(r, chain.translation[joint], spot)
                _multiply(r, chain.rotation[joint], product)
                for i in range(3):
                    t[i] += spot[i]
                    for k in range(3):
                        r[i, k] = product[i, k]
                continue
            value = q[p] * scale
            if kind == TRACK:
                _track_at(chain, joint, value, local, moved)
                _apply(r, local, spot)
                _apply(r, moved, axis)
            else:
                _apply(r, chain.axis[joint], axis)
                for i in range(3):
                    spot[i] = axis[i] * value
            if kind != TURN:
                for i in range(3):
                    t[i] += spot[i]
                    shifting[p, i] += axis[i] * scale
                continue
            _apply(r, chain.origin[joint], spot)
            _rotation(axis, value, turn)
            _multiply(turn, r, product)
            for i in range(3):
                spot[i] += t[i]
                moved[i] = t[i] - spot[i]
                for k in range(3):
                    r[i, k] = product[i, k]
            _apply(turn, moved, t)
            for i in range(3):
                t[i] += spot[i]
                turning[p, i] += axis[i] * scale
                one, two = (i + 1) % 3, (i + 2) % 3
                shifting[p, i] += (spot[one] * axis[two] - spot[two] * axis[one]) * scale


@compiled
def place_moving(chain, moving, q, half, place):  # type: ignore[no-untyped-def]
    """Fill all of `place` for the box of half-widths `half` (p,) about q (p,)."""
    pose_links(chain, q, place)
    size, still = len(q), moving.matters.shape[0] - 1
    local = place.work[3]
    for n in range(len(moving.corners)):
        link, rated = moving.link[n], moving.rated[n]
        # Parameters that do not move the link are passed over: their slopes are zero from the start.
        moves = moving.matters[link, still]
        r, t = place.rotation[link], place.translation[link]
        remainder = 0.0
        for i in range(size):
            if moves[i]:
                for j in range(size):
                    if moves[j]:
                        remainder += moving.curvature[n, i, j] * half[i] * half[j]
        place.bend[n] = 0.5 * remainder
        around = moving.around[n] + place.bend[n]
        for v in range(moving.corners[n]):
            for k in range(3):
                local[k] = moving.vertices[n, v, k]
                if rated >= 0:
                    local[k] += moving.rate[n, v, k] * q[rated]
            x, y, z = t[0] + along(local, r[0]), t[1] + along(local, r[1]), t[2] + along(local, r[2])
            place.corner[n, v, 0], place.corner[n, v, 1], place.corner[n, v, 2] = x, y, z
            spread_x, spread_y, spread_z = around, around, around
            for p in range(size):
                if not moves[p]:
                    continue
                w, s = place.turning[link, p], place.shifting[link, p]
                slope_x, slope_y, slope_z = (
                    w[1] * z - w[2] * y + s[0],
                    w[2] * x - w[0] * z + s[1],
                    w[0] * y - w[1] * x + s[2],
                )
                if p == rated:
                    rate = moving.rate[n, v]
                    slope_x += along(rate, r[0])
                    slope_y += along(rate, r[1])
                    slope_z += along(rate, r[2])
                place.slope[n, v, p, 0], place.slope[n, v, p, 1], place.slope[n, v, p, 2] = slope_x, slope_y, slope_z
                spread_x += abs(slope_x) * half[p]
                spread_y += abs(slope_y) * half[p]
                spread_z += abs(slope_z) * half[p]
            if v == 0:
                place.low[n, 0], place.low[n, 1], place.low[n, 2] = x - spread_x, y - spread_y, z - spread_z
                place.high[n, 0], place.high[n, 1], place.high[n, 2] = x + spread_x, y + spread_y, z + spread_z
            else:
                place.low[n, 0] = min(place.low[n, 0], x - spread_x)
                place.low[n, 1] = min(place.low[n, 1], y - spread_y)
                place.low[n, 2] = min(place.low[n, 2], z - spread_z)
                place.high[n, 0] = max(place.high[n, 0], x + spread_x)
                place.high[n, 1] = max(place.high[n, 1], y + spread_y)
                place.high[n, 2] = max(place.high[n, 2], z + spread_z)
