"""Owns motion: joints and links as records, and their compilation to the kernel's arrays with the bounds it relies on.

A link is a list of joints from its parent (or the ground) outward; a body rides on a link. To say where a link is, use
`pose` (plain numpy, the reference the kernel is tested against); to hand motion to the kernel, `compile_chain` and
`compile_moving`.

Second derivatives. For joints a before b along a chain, the derivative of a point x by both is zero when a is a slide,
a track (straight within a box) or fixed, and w_a x (dx/db) when a is a turn, so its length is at most that of dx/db:
the scale for a slide, the lever arm of x about b's axis for a turn, the rate for a shape parameter. `derivative_bounds`
follows every primitive outward in a ball that holds it over the whole box: the lever arm is at most that of the ball's
centre and its radius.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clearance.kernel.chain import FIXED, SLIDE, TRACK, TURN, Chain, Moving
from clearance.shapes import Shape

Floats = NDArray[np.float64]
Box = Mapping[str, tuple[float, float]]


@dataclass(frozen=True, eq=False)
class Joint:
    """One joint.

    kind: "fixed" (rotation, then translation), "slide" along axis, "turn" about axis through origin, or "track": along
        a polyline, position only
    parameter: its name in the box; scale: metres or radians per unit of the parameter
    axis, origin: (3,) in the frame before the joint; knots: (n, 4) station and place of a track's vertices [m]
    """

    kind: Literal["fixed", "slide", "turn", "track"]
    parameter: str = ""
    axis: tuple[float, float, float] = (0.0, 0.0, 1.0)
    origin: tuple[float, float, float] = (0.0, 0.0, 0.0)
    scale: float = 1.0
    rotation: Floats = field(default_factory=lambda: np.eye(3))
    translation: Floats = field(default_factory=lambda: np.zeros(3))
    knots: Floats = field(default_factory=lambda: np.zeros((0, 4)))


@dataclass(frozen=True, eq=False)
class Link:
    """A frame that moves: its joints, outward from its parent link or, with None, from the ground."""

    name: str
    parent: str | None
    joints: tuple[Joint, ...]


@dataclass(frozen=True, eq=False)
class Motion:
    """Links, parents before children, and the parameters in the order of every q."""

    links: tuple[Link, ...]
    parameters: tuple[str, ...]

    def joints_of(self, name: str) -> tuple[Joint, ...]:
        """All joints from the ground to the link."""
        link = next(link for link in self.links if link.name == name)
        return (self.joints_of(link.parent) if link.parent else ()) + link.joints


STILL = Motion((), ("still",))
"""Nothing moves; the one parameter does nothing."""


def rotation_about(axis: ArrayLike, angle: float) -> Floats:
    """Rotation matrix (3, 3) about a unit axis by an angle [rad], Rodrigues' formula.

    >>> rotation_about([0, 0, 1], np.pi / 2).round(12) @ [1, 0, 0]
    array([0., 1., 0.])
    """
    x, y, z = np.asarray(axis, float)
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    turned: Floats = np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross
    return turned


def pose(motion: Motion, name: str, q: Mapping[str, float]) -> tuple[Floats, Floats]:
    """Rotation (3, 3) and translation (3,) [m] of a link at parameters q."""
    rotation, translation = np.eye(3), np.zeros(3)
    for joint in motion.joints_of(name):
        if joint.kind == "fixed":
            translation = rotation @ joint.translation + translation
            rotation = rotation @ joint.rotation
            continue
        value = q[joint.parameter] * joint.scale
        axis = rotation @ np.asarray(joint.axis)
        if joint.kind == "slide":
            translation = translation + axis * value
        elif joint.kind == "turn":
            origin = rotation @ np.asarray(joint.origin) + translation
            turned = rotation_about(axis, value)
            rotation, translation = turned @ rotation, origin + turned @ (translation - origin)
        else:
            place = [np.interp(value, joint.knots[:, 0], joint.knots[:, 1 + k]) for k in range(3)]
            translation = translation + rotation @ np.array(place)
    return rotation, translation


def placed(shape: Shape, motion: Motion, link: str | None, q: Mapping[str, float], rated: str | None = None) -> Shape:
    """The shape where its link has it at q, deformed to q where its shape parameter is `rated`."""
    vertices = shape.vertices
    if rated is not None and shape.rate is not None:
        vertices = vertices + shape.rate * q[rated]
    if link is not None:
        rotation, translation = pose(motion, link, q)
        vertices = vertices @ rotation.T + translation
    return replace(shape, vertices=vertices, rate=None)


UNIT = 1e-9
"""[1] How far a turn's axis may be from unit length and a fixed joint from a rotation: far above the rounding of any
made with `rotation_about`."""


def compile_chain(motion: Motion) -> Chain:
    """The kernel's arrays of all links, each as its whole list of joints.

    Raises: ValueError for an axis that is no unit vector, a rotation that is none, a track whose stations do not rise:
    the bounds would not hold.
    """
    for link in motion.links:
        for joint in link.joints:
            if joint.kind == "turn" and abs(np.linalg.norm(joint.axis) - 1.0) > UNIT:
                raise ValueError(f"link {link.name!r}: the axis of a turn must be a unit vector, got {joint.axis}")
            if joint.kind == "fixed" and np.abs(joint.rotation @ joint.rotation.T - np.eye(3)).max() > UNIT:
                raise ValueError(f"link {link.name!r}: the rotation of a fixed joint must be orthogonal")
            if joint.kind == "track" and not (len(joint.knots) > 1 and (np.diff(joint.knots[:, 0]) > 0).all()):
                raise ValueError(f"link {link.name!r}: a track needs two vertices or more, their stations rising")
    kinds = {"fixed": FIXED, "slide": SLIDE, "turn": TURN, "track": TRACK}
    joints: list[Joint] = []
    first, stop = [], []
    for link in motion.links:
        first.append(len(joints))
        joints.extend(motion.joints_of(link.name))
        stop.append(len(joints))
    knots, station, place = [], [np.zeros(0)], [np.zeros((0, 3))]
    count = 0
    for joint in joints:
        knots.append((count, count + len(joint.knots)))
        count += len(joint.knots)
        station.append(joint.knots[:, 0])
        place.append(joint.knots[:, 1:])
    return Chain(
        np.array(first, np.int64),
        np.array(stop, np.int64),
        np.array([kinds[joint.kind] for joint in joints], np.int64),
        np.array([motion.parameters.index(joint.parameter) if joint.parameter else -1 for joint in joints], np.int64),
        np.array([joint.scale for joint in joints], float),
        np.array([joint.axis for joint in joints], float).reshape(-1, 3),
        np.array([joint.origin for joint in joints], float).reshape(-1, 3),
        np.array([joint.rotation for joint in joints], float).reshape(-1, 3, 3),
        np.array([joint.translation for joint in joints], float).reshape(-1, 3),
        np.array(knots, np.int64).reshape(-1, 2),
        np.concatenate(station),
        np.ascontiguousarray(np.concatenate(place)),
    )


def derivative_bounds(motion: Motion, link: str, shape: Shape, rated: str | None, box: Box) -> tuple[Floats, Floats]:
    """Bounds of the derivatives of every corner of every primitive over the whole box.

    Returns (n, p) bounds of the first derivatives by each parameter and (n, p, p) of the second by each two.
    """
    size = len(motion.parameters)
    first, second = np.zeros((len(shape), size)), np.zeros((len(shape), size, size))
    vertices = shape.vertices
    if rated is not None and shape.rate is not None:
        low, high = box[rated]
        vertices = vertices + shape.rate * (0.5 * (low + high))
    centre = 0.5 * (vertices.min(axis=1) + vertices.max(axis=1))
    radius = np.linalg.norm(vertices - centre[:, None], axis=2).max(axis=1)
    if rated is not None and shape.rate is not None:
        rate = np.linalg.norm(shape.rate, axis=2).max(axis=1)
        radius = radius + rate * (0.5 * (high - low))
        first[:, motion.parameters.index(rated)] += rate
    for joint in reversed(motion.joints_of(link)):
        if joint.kind == "fixed":
            centre = centre @ joint.rotation.T + joint.translation
            continue
        mine, scale = motion.parameters.index(joint.parameter), abs(joint.scale)
        low, high = sorted(joint.scale * end for end in box[joint.parameter])
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
        axis, origin = np.asarray(joint.axis, float), np.asarray(joint.origin, float)
        if joint.kind == "slide":
            centre = centre + axis * middle
            length = float(np.linalg.norm(axis))
            radius = radius + half * length
            first[:, mine] += scale * length
        elif joint.kind == "track":
            # A box may reach beyond the ends by a rounding: see `BEYOND_M`.
            places, steepest = _stretch(joint.knots, low, high)
            spot = 0.5 * (places.min(axis=0) + places.max(axis=0))
            centre = centre + spot
            radius = radius + float(np.linalg.norm(places - spot, axis=1).max()) + BEYOND_M * steepest
            first[:, mine] += scale * steepest
        else:
            # Every joint further out, summed per parameter in `first`, is turned with the point.
            second[:, mine, :] += first * scale
            second[:, :, mine] += first * scale
            arm = np.linalg.norm(np.cross(axis, centre - origin), axis=1)
            second[:, mine, mine] += (arm + radius) * scale * scale
            first[:, mine] += (arm + radius) * scale
            centre = origin + (centre - origin) @ rotation_about(axis, middle).T
            # On its circle the centre stays within a chord of its middle, half of it the sine of half the angle.
            radius = radius + 2.0 * np.sin(0.5 * min(half, np.pi)) * arm
    return first, second


def _stretch(knots: Floats, low: float, high: float) -> tuple[Floats, float]:
    """Places (k, 3) of a track whose hull holds all between two stations, and the steepest change of place per station
    there."""
    last = len(knots) - 1
    start = int(np.clip(np.searchsorted(knots[:, 0], low, side="right") - 1, 0, last - 1))
    stop = int(np.clip(np.searchsorted(knots[:, 0], high, side="left"), start + 1, last))
    steps = np.diff(knots[start : stop + 1], axis=0)
    return knots[start : stop + 1, 1:], float((np.linalg.norm(steps[:, 1:], axis=1) / steps[:, 0]).max())


def displacement(motion: Motion, link: str, shape: Shape, box: Box, rated: str | None = None) -> float:
    """How far [m] any corner of the shape can be, anywhere in the box, from where it is at the box's centre."""
    first, _ = derivative_bounds(motion, link, shape, rated, box)
    half = np.array([0.5 * (box[name][1] - box[name][0]) for name in motion.parameters])
    return float((first @ half).max())


def relative_parameters(motion: Motion) -> NDArray[np.bool_]:
    """(links + 1, links + 1, p): whether a parameter changes the distance between two links, the last being the ground.

    Joints at the root that two links share move both as one rigid whole: a parameter that occurs in these alone
    does not matter to their distance.
    """
    count, size = len(motion.links), len(motion.parameters)
    chains = [motion.joints_of(link.name) for link in motion.links] + [()]
    matters = np.zeros((count + 1, count + 1, size), bool)
    for i, one in enumerate(chains):
        for j, other in enumerate(chains):
            shared = 0
            while shared < min(len(one), len(other)) and one[shared] is other[shared]:
                shared += 1
            for joint in (*one[shared:], *other[shared:]):
                if joint.parameter:
                    matters[i, j, motion.parameters.index(joint.parameter)] = True
    return matters


BEYOND_M = 1e-6
"""[m] How far a box may reach beyond a track's ends by rounding; there its first or last piece goes on."""


def compile_moving(
    motion: Motion,
    parts: Sequence[tuple[Shape, str, str | None, int]],
    box: Box,
    uncertainty: bool = True,
) -> Moving:
    """The kernel's arrays of moving primitives.

    parts: (shape, link, shape parameter or None, index of the body), those of one group together
    uncertainty: False leaves the uncertainty out of every primitive

    Raises: ValueError where the box reaches beyond a track's ends.
    """
    size = len(motion.parameters)
    names = [link.name for link in motion.links]
    for carrier in motion.links:
        for joint in carrier.joints:
            if joint.kind == "track":
                ends = sorted(joint.scale * end for end in box[joint.parameter])
                if ends[0] < joint.knots[0, 0] - BEYOND_M or ends[1] > joint.knots[-1, 0] + BEYOND_M:
                    raise ValueError(f"link {carrier.name!r}: {joint.parameter!r} goes beyond the ends of its track")
    matters = relative_parameters(motion)
    blank = Shape(np.zeros((0, 3, 3)), np.zeros(0, np.int8), np.zeros(0), np.zeros(0))
    shapes = [blank, *(part[0] for part in parts)]
    around = np.concatenate([s.radius + s.uncertainty if uncertainty else s.radius for s in shapes])
    rates = [np.zeros_like(s.vertices) if s.rate is None else s.rate for s in shapes]
    rated = [np.zeros(0, np.int64)]
    bends, links, bodies = [np.zeros((0, size, size))], [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for shape, link, parameter, body in parts:
        index = motion.parameters.index(parameter) if parameter is not None and shape.rate is not None else -1
        rated.append(np.full(len(shape), index, np.int64))
        bends.append(derivative_bounds(motion, link, shape, parameter, box)[1])
        links.append(np.full(len(shape), names.index(link), np.int64))
        bodies.append(np.full(len(shape), body, np.int64))
        if index >= 0:
            # A body that deforms moves against everything, its own link included.
            matters[names.index(link), :, index] = True
            matters[:, names.index(link), index] = True
    return Moving(
        np.ascontiguousarray(np.concatenate([s.vertices for s in shapes])),
        np.concatenate([s.corners for s in shapes]).astype(np.int8),
        around,
        np.concatenate(links),
        np.ascontiguousarray(np.concatenate(rates)),
        np.concatenate(rated),
        np.concatenate(bends),
        matters,
        np.concatenate(bodies),
    )
