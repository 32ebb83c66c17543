"""A small bay of our own invention with its result made by hand, for the tests of the report.

Gaps are found by sampling the bodies where the settings put them, so points, ends and lengths fit each other as the
engine's do; what they are judged against is made up to show every word. The numbers are no evidence of anything.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from clearance import shapes
from clearance.bodies import Body
from clearance.job.setting import Setting, standing
from clearance.motion import Joint, Link, Motion
from clearance.result import (
    Approach,
    Cell,
    Collision,
    Gap,
    Insulation,
    LineGap,
    Map,
    Measure,
    OpenPoint,
    Result,
    StageResult,
)
from clearance.scene.records import Circuit, LevelGround, Origin, Scene, Stage

RULE = {"name": "29 CFR 1910.269", "edition": "2014", "clause": "(l)(3)(i), Table R-3"}
PHASES = {"A": -4.5, "B": 0.0, "C": 4.5}
UNCERTAINTY = 0.02


def _wire(phase: str, y: float) -> Body:
    x = np.linspace(-16.0, 16.0, 33)
    z = 9.6 + 0.4 * (x / 16.0) ** 2
    shape = shapes.polyline(np.c_[x, np.full(33, y), z], radius=0.015, uncertainty=UNCERTAINTY)
    return Body(f"bus {phase}", "wire", shape, potential=phase)


def _column(y: float) -> list[shapes.Shape]:
    corners = [np.array([dx, y + dy]) for dx, dy in ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))]
    bars = [shapes.segments([[*c, 0.0]], [[*c, 12.2]], 0.05, UNCERTAINTY) for c in corners]
    for k in range(10):
        for one, other in itertools.pairwise([*corners, corners[0]]):
            low, high = 1.22 * k, 1.22 * (k + 1)
            ends = ([[*one, low]], [[*other, high]]) if k % 2 else ([[*one, high]], [[*other, low]])
            bars.append(shapes.segments(*ends, 0.03, UNCERTAINTY))
    return bars


def _gantry() -> Body:
    parts = _column(-8.4) + _column(8.4)
    for x in (-0.4, 0.4):
        for z in (12.2, 13.1):
            parts.append(shapes.segments([[x, -8.9, z]], [[x, 8.9, z]], 0.05, UNCERTAINTY))
        for k in range(14):
            y = -8.4 + 1.2 * k
            parts.append(
                shapes.segments([[x, y, 12.2 + 0.9 * (k % 2)]], [[x, y + 1.2, 13.1 - 0.9 * (k % 2)]], 0.03, UNCERTAINTY)
            )
    return Body("middle gantry", "structure", shapes.join(parts))


def _ground() -> Body:
    a, b, c, d = [-60, -60, 0], [60, -60, 0], [60, 60, 0], [-60, 60, 0]
    return Body("ground", "ground", shapes.triangles([[a, b, c], [a, c, d]], uncertainty=0.05))


def _ladder() -> Body:
    parts = [shapes.segments([[0, y, 0]], [[0, y, 8.4]], 0.03) for y in (-0.25, 0.25)]
    z = np.arange(0.3, 8.3, 0.3)
    rungs = shapes.segments(np.c_[0 * z, 0 * z - 0.25, z], np.c_[0 * z, 0 * z + 0.25, z], 0.015)
    return Body(
        "ladder", "ladder", shapes.join([*parts, rungs]), conductive=False, potential=None, job=True, link="ladder"
    )


def _worker(reach: bool) -> Body:
    capsules = [
        ([-0.25, -0.10, 0.0], [-0.25, -0.09, 0.85], 0.09),
        ([-0.25, 0.10, 0.0], [-0.25, 0.09, 0.85], 0.09),
        ([-0.28, 0.0, 0.95], [-0.28, 0.0, 1.35], 0.17),
        ([-0.28, 0.0, 1.68], [-0.28, 0.0, 1.70], 0.13),
        ([-0.28, -0.22, 1.4], [-0.15, -0.55, 1.9], 0.06),
        ([-0.28, 0.22, 1.4], [-0.10, 0.35, 1.0], 0.06),
    ]
    if reach:
        capsules += [
            (
                [-0.28, s * 0.22, 1.4],
                [-0.28 + 0.8 * math.cos(a) * 0.6, s * (0.22 + 0.8 * abs(math.sin(a))), 1.4 + 0.75 * h],
                0.06,
            )
            for s in (-1, 1)
            for a in (0.3, 1.2, 1.5)
            for h in (-0.6, 0.0, 0.8)
        ]
    start, end, radius = zip(*capsules, strict=True)
    shape = shapes.segments(start, end, radius, 0.035)
    return Body("worker", "worker", shape, potential=None, job=True, link="worker")


def _still() -> tuple[Body, ...]:
    insulators = [
        Body(
            f"string {p}",
            "insulator",
            shapes.segments([[0, y, 9.66]], [[0, y, 12.15]], 0.127),
            conductive=False,
            potential=None,
        )
        for p, y in PHASES.items()
    ]
    crew = shapes.join(
        [shapes.segments([[-3.0, -2.0, 0.0]], [[-3.0, -2.0, 1.5]], 0.22), shapes.points([[-3.0, -2.0, 1.75]], 0.15)]
    )
    van = shapes.triangles(_box((-11.0, 6.2, 1.2), (5.0, 2.1, 2.4)))
    rope = shapes.segments([[-2.0, 0.3, 8.0]], [[-7.0, 3.0, 0.1]], 0.006)
    return (
        _ground(),
        _gantry(),
        *(_wire(p, y) for p, y in PHASES.items()),
        *insulators,
        Body("crew 1", "crew", crew, job=True),
        Body("van", "vehicle", van, job=True),
        Body("tag line", "rope", rope, job=True),
    )


def _box(centre: tuple[float, float, float], size: tuple[float, float, float]) -> np.ndarray:
    import trimesh

    return trimesh.creation.box(size, trimesh.transformations.translation_matrix(centre)).triangles


MOTION = Motion(
    (
        Link(
            "ladder",
            None,
            (
                Joint("track", "travel_m", knots=np.array([[0.0, -6.0, 0.35, 0.0], [12.0, 6.0, 0.35, 0.0]])),
                Joint("turn", "lean_across_deg", axis=(1.0, 0.0, 0.0)),
            ),
        ),
        Link("worker", "ladder", (Joint("slide", "climb_m"),)),
    ),
    ("travel_m", "lean_across_deg", "climb_m"),
)
BOX = {"travel_m": (0.0, 12.0), "lean_across_deg": (math.radians(-2), math.radians(2)), "climb_m": (0.3, 7.0)}


@lru_cache(maxsize=1)
def example_settings() -> dict[tuple[str, str], Setting]:
    """Settings of all stages."""
    found: dict[tuple[str, str], Setting] = {}
    for stage, potential, aloft in (
        ("bring in", None, False),
        ("climb", None, True),
        ("bond to B", "B", True),
        ("work", "B", True),
    ):
        for check in ("posture", "reach"):
            bodies = [*_still(), _ladder()]
            if aloft:
                bodies.append(replace(_worker(check == "reach"), potential=potential))
            found[stage, check] = Setting(stage, check, tuple(bodies), MOTION, BOX, {})  # type: ignore[arg-type]
    return found


def _sampled(body: Body) -> tuple[np.ndarray, np.ndarray]:
    """Points along the cores of a body near the middle of the bay, and what is around each."""
    s = body.shape
    if body.kind == "ground":
        return np.zeros((0, 3)), np.zeros(0)
    t = np.linspace(0.0, 1.0, 25)[:, None]
    xyz = (s.vertices[:, 0, None, :] * (1 - t) + s.vertices[:, 1, None, :] * t).reshape(-1, 3)
    return xyz, np.repeat(s.radius + s.uncertainty, 25)


def nearest(one: Body, other: Body) -> tuple[float, np.ndarray, np.ndarray]:
    """Air between two bodies and its end points, by sampling; the ground is a level at its uncertainty."""
    if other.kind == "ground":
        xyz, around = _sampled(one)
        k = int(np.argmin(xyz[:, 2] - around))
        top = np.array([xyz[k, 0], xyz[k, 1], 0.05])
        return float(xyz[k, 2] - around[k] - 0.05), xyz[k] - [0, 0, around[k]], top
    from scipy.spatial import cKDTree

    (a, ra), (b, rb) = _sampled(one), _sampled(other)
    best = (math.inf, a[0], b[0])
    for radius in np.unique(rb):
        mine = b[rb == radius]
        distance, index = cKDTree(mine).query(a)
        k = int(np.argmin(distance - ra))
        if distance[k] - ra[k] - radius < best[0]:
            along = (mine[index[k]] - a[k]) / distance[k]
            best = (distance[k] - ra[k] - radius, a[k] + along * ra[k], mine[index[k]] - along * radius)
    return float(best[0]), best[1], best[2]


def measured(
    stage: str, check: str, names: tuple[str, ...], at: dict[str, float], required: float, **more: object
) -> Measure:
    """A measure along a chain of named bodies at one place."""
    bodies = {b.name: b for b in standing(example_settings()[stage, check], at)}
    total, points = 0.0, []
    for one, other in itertools.pairwise(names):
        apart, start, end = nearest(bodies[one], bodies[other])
        total += apart
        points += [tuple(map(float, start)), tuple(map(float, end))]
    lower = total - 0.004
    verdict = "clear" if lower >= required else "breach" if total < required else "undecided"
    return Measure(verdict, required, lower, total, at, names[1:-1], (names[0], names[-1]), tuple(points), **more)  # type: ignore[arg-type]


def _gap(
    between: tuple[str, str], kind: str, posture: Measure, reach: Measure | None, limit: float, electrical: float
) -> Gap:
    voltage = "245 kV highest, T = 2.5, altitude 140 m"
    assumed = posture.gap_lower_m - limit - 0.53
    return Gap(between, kind, posture, reach, limit, electrical, RULE, voltage, assumed)  # type: ignore[arg-type]


def _map(between: tuple[str, str], what: str, axes: tuple[str, ...], least: float) -> Map:
    edges = {"travel_m": np.linspace(0, 12, 13), "climb_m": np.linspace(0.3, 7.0, 8)}
    bins = [[(float(a), float(b)) for a, b in itertools.pairwise(edges[name])] for name in axes]
    cells = []
    for ranges in itertools.product(*bins):
        middle = {name: 0.5 * (a + b) for name, (a, b) in zip(axes, ranges, strict=True)}
        margin = least + 0.05 * abs(middle["travel_m"] - 6.0) + 0.2 * (7.0 - middle.get("climb_m", 7.0))
        verdict = "clear" if margin >= 0 else "undecided" if margin > -0.03 else "breach"
        witness = middle if verdict == "breach" else None
        cells.append(Cell(dict(zip(axes, ranges, strict=True)), verdict, margin, witness))  # type: ignore[arg-type]
    return Map(between, "object", what, axes, tuple(cells))


@lru_cache(maxsize=1)
def example_result() -> Result:
    """A result with every word in it: a low margin, breaches, one within survey error, something undecided."""
    low = {"travel_m": 6.4, "lean_across_deg": 0.5, "climb_m": 0.3}
    high = {"travel_m": 6.3, "lean_across_deg": -2.0, "climb_m": 7.0}
    side = {"travel_m": 6.2, "lean_across_deg": 2.0, "climb_m": 6.9}
    span = {"travel_m": (0.0, 12.0), "lean_across_deg": (-2.0, 2.0), "climb_m": (0.3, 7.0)}

    def stage(name: str, kind: str, gaps: list[Gap], **more: object) -> StageResult:
        return StageResult(
            name,
            kind,
            span,
            tuple(gaps),
            more.pop("approaches", ()),
            more.pop("insulation", ()),  # type: ignore[arg-type]
            more.pop("collisions", ()),
            **more,
        )  # type: ignore[arg-type]

    m = measured
    bring = stage(
        "bring in",
        "travel",
        [
            _gap(("A", "earth"), "air", m("bring in", "posture", ("bus A", "crew 1"), low, 1.49), None, 1.49, 1.18),
            _gap(("B", "earth"), "air", m("bring in", "posture", ("bus B", "tag line"), low, 1.49), None, 1.49, 1.18),
        ],
        notes=("The crew stands outside the fence while the ladder travels.",),
    )
    chain = m("climb", "posture", ("bus B", "worker", "ground"), high, 6.2, case="as stated")
    climb = stage(
        "climb",
        "climb",
        [
            _gap(
                ("B", "earth"),
                "object",
                replace(chain, required_m=chain.gap_lower_m - 0.04, verdict="clear"),
                m("climb", "reach", ("bus B", "worker", "ground"), high, 1.18),
                chain.gap_lower_m - 0.04,
                1.18,
            ),
            _gap(
                ("A", "B"),
                "object",
                m("climb", "posture", ("bus A", "worker", "bus B"), side, 2.27),
                m("climb", "reach", ("bus A", "worker", "bus B"), high, 1.95),
                2.27,
                1.95,
            ),
        ],
        approaches=(
            Approach(
                "worker", "B", replace(m("climb", "posture", ("worker", "bus B"), high, 0.61), ends=("worker", "bus B"))
            ),
        ),
        insulation=(
            Insulation(
                "ladder",
                "clear",
                2.84,
                1.8,
                high,
                {"name": "company table", "edition": "example", "clause": "row 3"},
                (
                    "from the crew's hands at 2.26 m to the worker's lowest touch at 7.0 m: 4.74 m",
                    "less 1.90 m between the worker's lowest and highest touch: 2.84 m",
                ),
            ),
        ),
        collisions=(
            Collision(
                "worker",
                replace(m("climb", "posture", ("worker", "bus B"), high, 0.0), required_m=0.0, verdict="clear"),
            ),
        ),
        maps=(
            _map(("B", "earth"), "whole limit, stated posture", ("travel_m", "climb_m"), 0.04),
            _map(("B", "earth"), "electrical part, reach envelope", ("travel_m",), 0.21),
        ),
    )
    short = m("bond to B", "posture", ("worker", "middle gantry"), {**side, "lean_across_deg": -2.0}, 4.0)
    bond = stage(
        "bond to B",
        "bond on",
        [
            _gap(
                ("B", "earth"),
                "tool",
                replace(short, required_m=short.gap_upper_m + 0.31, verdict="breach"),
                m("bond to B", "reach", ("worker", "middle gantry"), high, 1.18),
                short.gap_upper_m + 0.31,
                1.18,
            ),
            _gap(
                ("A", "B"),
                "air",
                m("bond to B", "posture", ("bus A", "worker"), high, 2.11),
                replace(
                    m("bond to B", "reach", ("bus A", "worker"), high, 9.0, within_survey_error=True),
                    required_m=3.2,
                    verdict="breach",
                    gap_upper_m=3.195,
                    gap_lower_m=3.1901,
                ),
                2.11,
                3.2,
            ),
            _gap(
                ("B", "C"),
                "air",
                m("bond to B", "posture", ("worker", "bus C"), side, 2.11),
                m("bond to B", "reach", ("worker", "bus C"), side, 1.8),
                2.11,
                1.8,
            ),
        ],
        maps=(_map(("B", "earth"), "whole limit, stated posture", ("travel_m", "climb_m"), -0.3),),
    )
    work = stage(
        "work",
        "work",
        [
            _gap(
                ("B", "earth"),
                "air",
                replace(m("work", "posture", ("worker", "middle gantry"), low, 1.49), why=""),
                None,
                1.49,
                1.18,
            )
        ],
        open_points=(
            OpenPoint("", "no rule given has an insulating length for a rope at 245 kV", "give one with rule_inputs"),
        ),
    )
    basis = (
        "overvoltage 2.5 per unit: reclosing blocked, switching study of the bay (invented), by the network studies "
        "engineer",
        "highest voltage 245 kV: highest voltage for equipment of the 220 kV class, IEC 60038",
    )
    line = (LineGap(("A", "B"), 4.43, ("bus A", "bus B")), LineGap(("A", "earth"), 2.4567, ("bus A", "middle gantry")))
    skipped = ("lightning: the overvoltage does not cover it", "point class 1 (unclassified): 0 points in the scene")
    return Result(
        "Invented bay for the report",
        "4fa1c09b7d2e" + "0" * 52,
        "0.1.0",
        0.005,
        (bring, climb, bond, work),
        line,
        skipped,
        basis,
    )


@lru_cache(maxsize=1)
def example_scene() -> Scene:
    """The scene's own record: only its name, phases and origin matter to the report."""
    circuit = Circuit(name="bay 1", phases=("A", "B", "C"), nominal_kV=220, highest_kV=245, highest_basis="IEC 60038")
    return Scene(
        format=1,
        name="Invented bay for the report",
        rule=("osha-1910.269",),
        altitude_m=140,
        frequency_Hz=50,
        circuits=(circuit,),
        ground=LevelGround(kind="level", height_m=0.0, uncertainty_m=0.0),
        origin=Origin(easting_m=512000, northing_m=5704000),
        stages=(Stage(name="climb", kind="climb"),),
    )
