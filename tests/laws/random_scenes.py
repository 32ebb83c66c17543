"""Random small scenes for the laws of the sweep: every kind of primitive, joint, deformation, chain, extent and
offset."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from hypothesis import strategies as st

from clearance.bodies import Body
from clearance.engine import Group, Path
from clearance.job.setting import Setting
from clearance.motion import Joint, Link, Motion, rotation_about
from clearance.shapes import Shape

COORDINATE = st.one_of(st.sampled_from([-2.0, -1.0, 0.0, 0.5, 1.0, 3.0]), st.floats(-4.0, 4.0, width=32))
AXES = st.sampled_from([(0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.6, 0.0, 0.8), (2 / 3, -2 / 3, 1 / 3)])
POINT = st.tuples(COORDINATE, COORDINATE, COORDINATE)
NAMES = ("u", "v", "w", "x")


@dataclass(frozen=True, eq=False)
class Scene:
    """A setting, and the paths that are asked about."""

    setting: Setting
    paths: tuple[Path, ...]

    def __repr__(self):
        s = self.setting
        bodies = [
            (
                b.name,
                b.link,
                b.shape.vertices.tolist(),
                b.shape.corners.tolist(),
                b.shape.radius.tolist(),
                b.shape.uncertainty.tolist(),
                None if b.shape.rate is None else b.shape.rate.tolist(),
            )
            for b in s.bodies
        ]
        return f"Scene({s.motion}, {s.box}, {s.rated}, {bodies}, {self.paths})"


@st.composite
def joints(draw, parameters):
    kind = draw(st.sampled_from(["turn", "turn", "slide", "track", "fixed"]))
    if kind == "fixed":
        return Joint(
            "fixed",
            rotation=rotation_about(draw(AXES), draw(st.floats(-3, 3))),
            translation=np.array(draw(POINT)),
        )
    parameter, scale = draw(st.sampled_from(parameters)), draw(st.sampled_from([1.0, 0.5, -1.0]))
    if kind == "track":
        count = draw(st.integers(2, 4))
        # Every parameter's range is within -3 to 3.
        inner = sorted(
            draw(
                st.lists(
                    st.sampled_from([-1.0, -0.5, 0.25, 0.5, 1.0]), min_size=count - 2, max_size=count - 2, unique=True
                )
            )
        )
        stations = [-3.5, *inner, 3.5]
        place = [draw(POINT) for _ in stations]
        return Joint("track", parameter, scale=scale, knots=np.column_stack([stations, place]))
    return Joint(kind, parameter, axis=draw(AXES), origin=draw(POINT), scale=scale)


@st.composite
def shapes(draw, rated=False):
    count = draw(st.integers(1, 3))
    vertices, corners = np.empty((count, 3, 3)), np.empty(count, np.int8)
    for k in range(count):
        corners[k] = draw(st.integers(1, 3))
        places = [draw(POINT) for _ in range(corners[k])]
        vertices[k] = [places[min(c, corners[k] - 1)] for c in range(3)]
    radius = np.array([draw(st.sampled_from([0.0, 0.125, 0.5])) for _ in range(count)])
    uncertainty = np.full(count, draw(st.sampled_from([0.0, 0.03])))
    rate = None
    if rated:
        rate = np.empty((count, 3, 3))
        for k in range(count):
            places = [draw(POINT) for _ in range(corners[k])]
            rate[k] = [places[min(c, corners[k] - 1)] for c in range(3)]
        rate *= 0.3
    return Shape(vertices, corners, radius, uncertainty, rate)


@st.composite
def clouds(draw, most):
    """Many primitives that stand still: a floor, a ball, a row or a heap of members, so that trees have inner nodes."""
    count, random = draw(st.integers(9, most)), np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    kind = draw(st.sampled_from(["floor", "ball", "row", "members"]))
    base = np.array(draw(POINT))
    if kind == "floor":
        rough = draw(st.sampled_from([0.0, 0.3]))
        centre = np.column_stack([random.uniform(-6, 6, (count, 2)), random.normal(0, rough, count)])
    elif kind == "ball":
        centre = random.normal(0, 2, (count, 3))
    else:
        centre = np.linspace(-6, 6, count)[:, None] * np.array(draw(AXES)) + random.normal(0, 0.02, (count, 3))
    corners = np.ones(count, np.int8) if kind != "members" else random.integers(1, 4, count).astype(np.int8)
    vertices = (base + centre)[:, None, :] + random.normal(0, 1.0, (count, 3, 3))
    vertices[corners == 1] = vertices[corners == 1][:, :1]
    vertices[corners == 2, 2] = vertices[corners == 2, 1]
    if kind != "members":
        vertices = np.repeat((base + centre)[:, None, :], 3, axis=1)
    radius = np.full(count, draw(st.sampled_from([0.0, 0.125])))
    return Shape(vertices, corners, radius, random.uniform(0, draw(st.sampled_from([0.0, 0.05])), count), None)


@st.composite
def scenes(draw, most_parameters=3, limited=True, spread=4.0, dense=False):
    """A scene of two to ten bodies, each apart from the others by its own shift of up to `spread` times the
    coordinates; a `dense` one has a cloud at least, and where a body is of limited extent, chains of two gaps."""
    parameters = NAMES[: draw(st.integers(1, most_parameters))]
    box = {}
    for name in parameters:
        low = draw(st.sampled_from([-1.0, -0.25, 0.0, 0.5]))
        box[name] = (low, low + draw(st.sampled_from([2.0, 1.0, 0.5, 0.1, 0.0])))
    links = []
    for k in range(draw(st.integers(1, 2))):
        parent = draw(st.sampled_from([None, *(link.name for link in links)]))
        links.append(Link(f"link{k}", parent, tuple(draw(st.lists(joints(parameters), min_size=1, max_size=4)))))
    motion = Motion(tuple(links), parameters)
    groups, bodies, rated = [], [], {}
    limited = limited and not (dense and draw(st.booleans()))
    most = (12 if limited else 60) if dense else 0
    for g in range(draw(st.integers(2, 5))):
        names = []
        for b in range(draw(st.sampled_from([1, 1, 2]))):
            name = f"body{g}{b}"
            names.append(name)
            link = draw(st.sampled_from([None, *(link.name for link in links)]))
            if dense and g == b == 0:
                link = None
            deforms = link is not None and draw(st.integers(0, 3)) == 0
            many = dense and link is None and (g == 0 or draw(st.booleans()))
            shape = draw(clouds(most)) if many else draw(shapes(deforms))
            shift = spread * np.array(draw(POINT)) * draw(st.sampled_from([0.0, 0.5, 1.0]))
            bodies.append(Body(name, "solid", replace(shape, vertices=shape.vertices + shift), link=link))
            if deforms:
                rated[name] = draw(st.sampled_from(parameters))
        groups.append(Group(tuple(names)))
    carried = {body.name for body in bodies if body.link is not None}
    paths = []
    for _ in range(draw(st.integers(1, 3))):
        longest = min(len(groups), 3) if dense and limited else len(groups)
        order = draw(st.permutations(groups))[: draw(st.integers(2, longest))]
        if limited:
            for k in range(1, len(order) - 1):
                if set(order[k].bodies) <= carried and draw(st.booleans()):
                    order[k] = replace(order[k], extent_m=draw(st.sampled_from([-0.2, 0.0, 0.5, 2.0])))
        paths.append(Path(tuple(order), draw(st.sampled_from([0.0, 0.0, -0.2, 0.75]))))
    return Scene(Setting("stage", "posture", tuple(bodies), motion, box, rated), tuple(paths))


def track_vertices(motion):
    """(parameter, value) at every inner vertex of a track."""
    return [
        (joint.parameter, float(station / joint.scale))
        for link in motion.links
        for joint in link.joints
        if joint.kind == "track"
        for station in joint.knots[1:-1, 0]
    ]


def samples(box, count, seed):
    """Every corner, the centre, and random parameters of a box, as dictionaries."""
    names = list(box)
    low, high = np.array([box[name][0] for name in names]), np.array([box[name][1] for name in names])
    corners = np.array(np.meshgrid(*([0.0, 1.0],) * len(names))).reshape(len(names), -1).T
    shares = np.vstack([corners, np.full(len(names), 0.5), np.random.default_rng(seed).random((count, len(names)))])
    return [dict(zip(names, map(float, low + share * (high - low)), strict=True)) for share in shares]
