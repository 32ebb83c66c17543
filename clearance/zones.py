"""Owns zones: where a person may not be, as closed surfaces where the margin is nothing, and where feet may stand.

A person is a ball of `reach_m` round a reference point: nought for any single point of the body, that of `ball_of` for
the whole of it with all that hands and tool can touch. At earth the gap is to each phase; bonded, to earth and to the
other phases; floating, the air from one potential to the person and on to the other, the person crossed for nothing. To
get the surfaces use `zones_of`, to get plan areas for soles and feet `standing_areas`.

The careful side: a body that is judged at several potentials counts at each; a floating body counts at every one, as a
way through it is never shorter than the way from it; tools' hulls and insulating bodies count as air, as they do in the
check. What moves in the stage is left out, and said.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon, box, unary_union
from shapely.geometry.base import BaseGeometry

from clearance.bodies import Body, worker
from clearance.bodies.ground import Ground, height_at
from clearance.errors import InputError, Mistake, RuleError
from clearance.gaps import EARTH
from clearance.job.setting import Setting, standing
from clearance.job.standing import build_of
from clearance.kernel import tree
from clearance.limits import required_between
from clearance.result import Kind
from clearance.scene import statements
from clearance.scene.assemble import Site
from clearance.scene.records import SceneFile, phases, where
from clearance.shapes import Shape, join
from clearance.surface import Surface, circumradius, hidden_about, lift_of_distance, lift_of_sum, surface

Floats = NDArray[np.float64]
State = Literal["earth", "floating", "bonded"]

UNHELD = ("worker", "lead", "hull")
"""Kinds that stand for the person the zone is for."""

BEYOND_M = 12.0
"""[m] A region reaches this far to each side of the track where none is given."""


@dataclass(frozen=True)
class Person:
    """Who the zone is for. phase: what the person is bonded to, "" for the others; reach_m [m]."""

    state: State
    phase: str = ""
    reach_m: float = 0.0

    @property
    def words(self) -> str:
        """For a reader."""
        state = {"earth": "at earth", "floating": "floating on the ladder", "bonded": f"bonded to phase {self.phase}"}
        reach = f", all within {self.reach_m:.2f} m of the place" if self.reach_m else ", each point of body and tool"
        return f"person {state[self.state]}{reach}"


@dataclass(frozen=True)
class Need:
    """One distance to be kept. ends: the potentials the air is counted from, one or two; limit_m [m]."""

    ends: tuple[str, ...]
    between: tuple[str, str]
    kind: Kind
    limit_m: float


@dataclass(frozen=True, eq=False)
class Zone:
    """A zone. exposure: "phase-earth" or "phase-phase"; left_out: what was not counted, for a reader; pose: the one it
    holds for alone, in words, where what moves was counted."""

    person: Person
    exposure: str
    needs: tuple[Need, ...]
    mesh: Surface
    step_m: float
    left_out: tuple[str, ...] = ()
    pose: str = ""

    @property
    def title(self) -> str:
        """For a reader."""
        alone = f"; at {self.pose} alone" if self.pose else ""
        return f"{self.exposure.replace('-', ' to ')}: {self.person.words}{alone}"

    @property
    def name(self) -> str:
        """For a file."""
        return "-".join(part for part in (self.person.state, self.person.phase, self.exposure) if part)


@dataclass(frozen=True, eq=False)
class Around:
    """Distances to everything at each potential, as one shape in a store. root: potential -> its root, or -1."""

    store: tree.Store
    root: Mapping[str, int]
    left_out: tuple[str, ...]

    def distance(self, potential: str, places: Floats, below_m: float = math.inf) -> Floats:
        """Careful gaps (n,) [m] from points (n, 3) to a potential, nought inside; `below_m` where none is nearer."""
        found = np.full(len(places), below_m)
        root = self.root.get(potential, -1)
        if root >= 0:
            tree.nearest_each(self.store, np.ascontiguousarray(places, float), root, below_m, found, tree.new_search())
        nearest: Floats = np.maximum(found, 0.0)
        return nearest


@dataclass(frozen=True)
class Counted:
    """What of a stage counts in its zones, and what does not, for a reader."""

    bodies: tuple[Body, ...]
    left_out: tuple[str, ...]


def counted_at(setting: Setting) -> Counted:
    """The conductive bodies of a stage that stand still, but for those that stand for the person."""
    counted, left_out = [], []
    people = dict.fromkeys(body.name for body in setting.bodies if body.kind == "worker" and len(body.shape))
    if len(people) > 1:
        left_out.append(f"{', '.join(people)}: a zone is for one of them, the others are not counted")
    for body in setting.bodies:
        if not body.conductive or not len(body.shape) or body.kind in UNHELD:
            continue
        if body.link is not None:
            left_out.append(f"{body.name} moves in this stage and is not counted")
            continue
        counted.append(body)
    return Counted(tuple(counted), tuple(left_out))


def posed(setting: Setting, at: Mapping[str, float]) -> Setting:
    """The setting with all that moves in its place at one pose, in the units of the parameters' names, so that it
    counts; a parameter left out is at the middle of its range. The zones hold for that pose alone."""
    return replace(setting, bodies=standing(setting, at))


def around(site: Site, setting: Setting) -> Around:
    """The bodies of a stage that stand still, by potential; a body of several states or none counts at each."""
    found = counted_at(setting)
    at: dict[str, list[Shape]] = {potential: [] for potential in (*site.live, EARTH)}
    for body in found.bodies:
        for potential in _potentials(body, at):
            at.setdefault(potential, []).append(body.shape)
    store = tree.build_store([join(shapes) for shapes in at.values()])
    return Around(store, dict(zip(at, (int(root) for root in store.root), strict=True)), found.left_out)


def _potentials(body: Body, known: Mapping[str, object]) -> list[str]:
    states = [body.potential, *(potential for _, potential in body.states)]
    return list(known) if None in states else [str(state) for state in dict.fromkeys(states)]


def needs_of(site: Site, person: Person) -> dict[str, tuple[Need, ...]]:
    """The distances a person must keep, by exposure. Raises RuleError where a rule gives none, InputError for a phase
    there is none of."""
    live, air = [name for name in site.live if name in site.circuit_of], statements.air_only(site.scene)
    declared = {frozenset(between) for between in air}

    def limit(one: str, other: str, kinds: Sequence[Kind]) -> tuple[Kind, float]:
        found = [(required_between(site.scene, site.circuit_of, one, other, kind), kind) for kind in kinds]
        missing = next((need.why for need, _ in found if need.why), None)
        if missing is not None:
            raise RuleError(f"{one} to {other}: {missing}")
        return max(((kind, float(need.limit_m or 0.0)) for need, kind in found), key=lambda pair: pair[1])

    def direct(phase: str) -> tuple[Kind, float]:
        return limit(phase, EARTH, ("air",) if frozenset((phase, EARTH)) in declared else ("tool",))

    if person.state == "earth":
        return {"phase-earth": tuple(Need((phase,), (phase, EARTH), *direct(phase)) for phase in live)}
    if person.state == "floating":
        pairs = [(one, other, limit(one, other, ("object",))) for one, other in combinations([*live, EARTH], 2)]
        needs = [Need((one, other), (one, other), *found) for one, other, found in pairs]
        return _by_exposure(needs)
    known = [name for name in phases(site.scene) if name in live]
    if person.phase not in known:
        expected = f"one of {', '.join(known)}"
        raise InputError(Mistake((*where(site.scene), "bonded to"), expected, person.phase or "none"))
    needs = [Need((EARTH,), (person.phase, EARTH), *direct(person.phase))]
    needs += [
        Need((phase,), (person.phase, phase), *limit(person.phase, phase, ("air", "tool")))
        for phase in live
        if phase != person.phase
    ]
    return _by_exposure(needs)


def _by_exposure(needs: Sequence[Need]) -> dict[str, tuple[Need, ...]]:
    found: dict[str, tuple[Need, ...]] = {}
    for need in needs:
        exposure = "phase-earth" if EARTH in need.between else "phase-phase"
        found[exposure] = (*found.get(exposure, ()), need)
    return found


def margin(about: Around, needs: Sequence[Need], reach_m: float, places: Floats) -> Floats:
    """Least margin (n,) [m] of a person's reference points (n, 3) over some needs; never above the true one.

    Crossing a person of that reach costs nothing over twice the reach at most.
    """
    least = np.full(len(places), math.inf)
    for need, ways in _ways(about, needs, places):
        least = np.minimum(least, np.sum(ways, axis=0) - len(ways) * reach_m - need.limit_m)
    return least


def _ways(about: Around, needs: Sequence[Need], places: Floats) -> Iterator[tuple[Need, list[Floats]]]:
    """Each need with the distances (n,) [m] from places to its ends; those to one potential are worked out once."""
    known: dict[str, Floats] = {}
    for need in needs:
        for end in need.ends:
            if end not in known:
                known[end] = about.distance(end, places)
        yield need, [known[end] for end in need.ends]


def hides(about: Around, needs: Sequence[Need], reach_m: float, places: Floats, step_m: float) -> Floats:
    """How much of the margin (n,) [m] interpolation may hide in cubes of edge step_m [m] about places (n, 3).

    A need that is kept all over a cube makes no surface there, and hides nothing.
    """
    most = np.zeros(len(places))
    radius = circumradius(step_m)
    for need, ways in _ways(about, needs, places):
        short = np.sum(ways, axis=0) - len(ways) * (reach_m + radius) < need.limit_m
        lost = np.sum([hidden_about(way, radius) for way in ways], axis=0)
        most = np.where(short, np.maximum(most, lost), most)
    return most


def ball_of(scene: SceneFile) -> tuple[float, float]:
    """The smallest upright ball about a worker's reach envelope: height of its middle above the soles, and its radius
    about the line through the soles [m]; of several workers the largest. Raises InputError where there is none."""
    found = []
    for person in scene.workers:
        body = build_of(person)
        restrained = statements.reach_m(scene, person.name)
        if restrained is not None:
            body = replace(body, arm_m=min(body.arm_m, restrained))
        shape = worker.reach_envelope(body, person.trunk_lean_m, person.tool_m, person.hanging_m)
        corners = shape.vertices.reshape(-1, 3)
        around_corners = np.repeat(shape.radius + shape.uncertainty, 3)
        heights = np.linspace(0.0, body.stature_m, 200)
        radii = [float((np.linalg.norm(corners - [0, 0, z], axis=1) + around_corners).max()) for z in heights]
        best = int(np.argmin(radii))
        found.append((float(heights[best]), radii[best]))
    if not found:
        raise InputError(Mistake(where(scene, "workers"), "a worker, whose reach the zone is for", "none"))
    return max(found, key=lambda pair: pair[1])


def zones_of(
    site: Site, setting: Setting, person: Person, step_m: float, region: tuple[Floats, Floats] | None = None
) -> list[Zone]:
    """The zones of a person in a stage: outside of them, within the region, the margin is nothing or more.

    step_m: how fine [m]; region: lowest and highest corner [m], the place of work if not given
    """
    about = around(site, setting)
    low, high = region or region_of(site, setting)
    found = []
    for exposure, every in needs_of(site, person).items():
        needs = tuple(need for need in every if all(about.root.get(end, -1) >= 0 for end in need.ends))
        if not needs:
            continue
        sums = max(len(need.ends) for need in needs)
        least = min(need.limit_m + len(need.ends) * person.reach_m for need in needs)
        lift = lift_of_sum(least, step_m) if sums == 2 else lift_of_distance(least, step_m)
        mesh = surface(
            lambda places, needs=needs: margin(about, needs, person.reach_m, places),  # type: ignore[misc]
            low,
            high,
            step_m,
            lift_m=lift,
            hides=lambda places, needs=needs: hides(about, needs, person.reach_m, places, step_m),  # type: ignore[misc]
            steepness=float(sums),
        )
        found.append(Zone(person, exposure, needs, mesh, step_m, about.left_out))
    return found


def region_of(site: Site, setting: Setting, beyond_m: float = BEYOND_M) -> tuple[Floats, Floats]:
    """The place of work: so far [m] to each side of the track, else of all that moves in the stage, from the ground to
    above the live parts near it. Raises InputError where there is neither."""
    track = site.scene.track
    if track is not None:
        plan = np.array([point[:2] for point in track.points_m], float)
    else:
        moving = {body.name for body in setting.bodies if body.link is not None and len(body.shape)}
        there = [body.shape.vertices[..., :2] for body in standing(setting, {}) if body.name in moving]
        if not there:
            expected = "a track, or something that moves, for a region to make zones in"
            raise InputError(Mistake(where(site.scene, "track"), expected, "neither"))
        plan = np.concatenate([places.reshape(-1, 2) for places in there])
    low, high = plan.min(axis=0) - beyond_m, plan.max(axis=0) + beyond_m
    live = [body for body in setting.bodies if body.potential in site.live and len(body.shape)]
    top = 10.0
    for body in live:
        corners = body.shape.vertices.reshape(-1, 3)
        inside = ((corners[:, :2] >= low) & (corners[:, :2] <= high)).all(axis=1)
        if inside.any():
            top = max(top, float(corners[inside, 2].max()) + 4.0)
    return np.array([*low, float(height_at(site.ground, plan).min()) - 1.0]), np.array([*high, top])


@dataclass(frozen=True, eq=False)
class Area:
    """Where somebody may stand, in plan. error_m: every place inside holds, and one left out on level ground has a
    margin of less than this [m]."""

    what: str
    shape: BaseGeometry
    error_m: float
    column_m: tuple[float, float]


def standing_areas(
    site: Site,
    setting: Setting,
    person: Person,
    column_m: tuple[float, float],
    step_m: float,
    what: str,
    region: tuple[Floats, Floats] | None = None,
) -> Area:
    """Places in plan where the margin is nothing or more all the way up a column above the ground.

    column_m: from and to which height above the ground the person's reference point may be [m]. Squares of step_m [m]
    are taken whole: one is in where the margin at its middle, less what it can lose within the square and between the
    heights asked at, is still nothing or more.
    """
    about = around(site, setting)
    needs = [need for group in needs_of(site, person).values() for need in group]
    steepness = float(max(len(need.ends) for need in needs))
    low, high = region or region_of(site, setting)
    rise = 0.25
    heights = np.linspace(*column_m, max(2, math.ceil((column_m[1] - column_m[0]) / rise) + 1))
    apart = float(heights[1] - heights[0])
    size, squares = step_m * 8, _squares(low, high, step_m * 8)
    kept: list[Polygon] = []
    while len(squares):
        middles = low[:2] + (squares + 0.5) * size
        ground, spread = _ground(site.ground, middles, size)
        worst = np.full(len(middles), math.inf)
        for height in heights:
            places = np.column_stack([middles, np.nan_to_num(ground) + height])
            worst = np.minimum(worst, margin(about, needs, person.reach_m, places))
        worst = np.where(np.isfinite(ground), worst, -math.inf)
        loss = steepness * (size * math.sqrt(0.5) + 0.5 * apart + np.nan_to_num(spread))
        held, split = worst - loss >= 0.0, (worst + loss >= 0.0) & np.isfinite(ground)
        kept += [box(*(m - 0.5 * size), *(m + 0.5 * size)) for m in middles[held]]
        if size <= step_m:
            break
        squares = (2 * squares[split & ~held][:, None] + np.array([[0, 0], [0, 1], [1, 0], [1, 1]])).reshape(-1, 2)
        size *= 0.5
    joined = unary_union(kept) if kept else Polygon()
    error = 2.0 * steepness * (size * math.sqrt(0.5) + 0.5 * apart)
    return Area(f"{what}; {person.words}", joined, error, column_m)


def _squares(low: Floats, high: Floats, size: float) -> NDArray[np.int64]:
    count = np.ceil((high[:2] - low[:2]) / size).astype(np.int64)
    return np.stack(np.meshgrid(*(np.arange(n) for n in count), indexing="ij"), axis=-1).reshape(-1, 2)


def _ground(ground: Ground, middles: Floats, size: float) -> tuple[Floats, Floats]:
    """Middle height (n,) of the ground over squares of a size [m], and how far it departs from it there; NaN where
    there is no ground. Over a square each triangle stays between its plane's heights at the four corners."""
    half = 0.5 * size
    squares = box(middles[:, 0] - half, middles[:, 1] - half, middles[:, 0] + half, middles[:, 1] + half)
    which, triangle = ground.tree.query(squares, predicate="intersects")
    corners = ground.shape.vertices[triangle]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    low, high = np.full(len(middles), math.inf), np.full(len(middles), -math.inf)
    steep = np.abs(normal[:, 2]) < 1e-9 * np.linalg.norm(normal, axis=1)
    for x, y in ((-half, -half), (-half, half), (half, -half), (half, half)):
        plan = middles[which] + [x, y] - corners[:, 0, :2]
        with np.errstate(divide="ignore", invalid="ignore"):
            heights = corners[:, 0, 2] - (normal[:, :2] * plan).sum(axis=1) / normal[:, 2]
        np.minimum.at(low, which, np.where(steep, corners[:, :, 2].min(axis=1), heights))
        np.maximum.at(high, which, np.where(steep, corners[:, :, 2].max(axis=1), heights))
    found = np.isfinite(low) & np.isfinite(high)
    low, high = np.where(found, low, np.nan), np.where(found, high, np.nan)
    return 0.5 * (low + high), 0.5 * (high - low)
