"""An independent, slow reference for the kernel, in plain NumPy and SciPy: distances, places, values of chains.

It shares no formula with the kernel. A distance is found by trying every pair of faces (corner, edge, inside) of the
two cores: the least-squares solution of each, by pseudo-inverse, counts where it lies within both faces. A place is a
product of 4 x 4 matrices from `scipy.spatial.transform`. A value of a chain tries every combination of primitives.
"""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
from scipy.spatial.transform import Rotation

FACES = {1: [(0,)], 2: [(0,), (1,), (0, 1)], 3: [(0,), (1,), (2,), (0, 1), (1, 2), (0, 2), (0, 1, 2)]}


def distances(a, corners_a, b, corners_b):
    """Distance between cores a, b (n, 3, 3), all of the one kind corners_a and of the one kind corners_b."""
    a, b = np.asarray(a, float), np.asarray(b, float)
    best = np.full(len(a), np.inf)
    for face_a, face_b in product(FACES[corners_a], FACES[corners_b]):
        if len(face_a) == 3 and len(face_b) == 3:
            continue  # where both insides are nearest, an edge of the one is as near to the inside of the other
        apart = b[:, face_b[0]] - a[:, face_a[0]]
        along = [a[:, k] - a[:, face_a[0]] for k in face_a[1:]] + [b[:, face_b[0]] - b[:, k] for k in face_b[1:]]
        weights = np.zeros((len(a), 0))
        if along:
            columns = np.stack(along, axis=2)
            weights = (np.linalg.pinv(columns, rcond=1e-13) @ apart[:, :, None])[:, :, 0]
            apart = apart - (columns @ weights[:, :, None])[:, :, 0]
        first, second = weights[:, : len(face_a) - 1], weights[:, len(face_a) - 1 :]
        inside = (weights >= 0).all(axis=1) & (first.sum(axis=1) <= 1) & (second.sum(axis=1) <= 1)
        best = np.where(inside, np.minimum(best, np.linalg.norm(apart, axis=1)), best)
    return best


def gaps(one, other, uncertainty=True):
    """Gaps (n, m) between every primitive of one shape and every primitive of the other, radii and uncertainty taken
    off."""
    around = one.radius[:, None] + other.radius[None, :]
    if uncertainty:
        around = around + one.uncertainty[:, None] + other.uncertainty[None, :]
    found = np.empty(around.shape)
    for kind_one, kind_other in product((1, 2, 3), repeat=2):
        rows, columns = np.flatnonzero(one.corners == kind_one), np.flatnonzero(other.corners == kind_other)
        if len(rows) and len(columns):
            i, j = (index.ravel() for index in np.meshgrid(rows, columns, indexing="ij"))
            apart = distances(one.vertices[i], kind_one, other.vertices[j], kind_other)
            found[np.ix_(rows, columns)] = apart.reshape(len(rows), len(columns))
    return found - around


def matrix(motion, link, q):
    """The 4 x 4 matrix of a link at parameters q."""
    found = np.eye(4)
    for joint in motion.joints_of(link):
        step = np.eye(4)
        if joint.kind == "fixed":
            step[:3, :3], step[:3, 3] = joint.rotation, joint.translation
        elif joint.kind == "slide":
            step[:3, 3] = np.asarray(joint.axis) * (joint.scale * q[joint.parameter])
        elif joint.kind == "turn":
            step[:3, :3] = Rotation.from_rotvec(np.asarray(joint.axis) * (joint.scale * q[joint.parameter])).as_matrix()
            step[:3, 3] = np.asarray(joint.origin) - step[:3, :3] @ np.asarray(joint.origin)
        else:
            station = joint.scale * q[joint.parameter]
            k = int(np.clip(np.searchsorted(joint.knots[:, 0], station) - 1, 0, len(joint.knots) - 2))
            share = (station - joint.knots[k, 0]) / (joint.knots[k + 1, 0] - joint.knots[k, 0])
            step[:3, 3] = (1 - share) * joint.knots[k, 1:] + share * joint.knots[k + 1, 1:]
        found = found @ step
    return found


def placed(body, motion, q, rated):
    """The body's shape where it is at q."""
    from dataclasses import replace

    vertices = body.shape.vertices
    if rated is not None and body.shape.rate is not None:
        vertices = vertices + body.shape.rate * q[rated]
    if body.link is not None:
        frame = matrix(motion, body.link, q)
        vertices = np.einsum("ij,nkj->nki", frame[:3, :3], vertices) + frame[:3, 3]
    return replace(body.shape, vertices=vertices, rate=None)


def value(setting, paths, q, uncertainty=True):
    """Least over the paths of the sum of gaps, none below zero, plus the offset; through a body of limited extent never
    less than the straight way past it, less that extent."""
    from clearance.shapes import join

    shapes = {body.name: placed(body, setting.motion, q, setting.rated.get(body.name)) for body in setting.bodies}
    best = np.inf
    for path in paths:
        groups = [join([shapes[name] for name in group.bodies]) for group in path.groups]
        if any(len(shape) == 0 for shape in groups):
            continue
        steps = [np.maximum(0.0, gaps(one, other, uncertainty)) for one, other in pairwise(groups)]
        if all(np.isinf(group.extent_m) for group in path.groups[1:-1]):
            best = min(best, sum(step.min() for step in steps) + path.offset_m)
            continue
        across = {
            k: gaps(groups[k], groups[k + 2], uncertainty) - path.groups[k + 1].extent_m
            for k in range(len(steps) - 1)
            if np.isfinite(path.groups[k + 1].extent_m)
        }
        for chosen in product(*(range(step.size) for step in steps)):
            pair = [np.unravel_index(c, step.shape) for c, step in zip(chosen, steps, strict=True)]
            air = [step[where] for step, where in zip(steps, pair, strict=True)]
            total = sum(air)
            for k, straight in across.items():
                others = sum(gap for j, gap in enumerate(air) if j not in (k, k + 1))
                total = max(total, straight[pair[k][0], pair[k + 1][1]] + others)
            best = min(best, total + path.offset_m)
    return best
