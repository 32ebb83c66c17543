"""Owns the passage from named bodies to the kernel's arrays and back: `Engine` compiles settings, `enclose` sweeps
chains.

A group is a set of bodies that count as one conductor; a chain is a list of groups with air between each two. Bodies
that stand still are put into one store for the whole scene; what moves is compiled per setting.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from clearance.bodies import Body
from clearance.job.setting import Setting, shown
from clearance.kernel import compiling, pairs, sweep, tree
from clearance.kernel.chain import Chain, Moving, new_place, place_moving
from clearance.kernel.edges import NOTHING, Question
from clearance.kernel.room import LONGEST
from clearance.motion import compile_chain, compile_moving, placed
from clearance.shapes import Shape

Floats = NDArray[np.float64]
Progress = Callable[[float, float, int], None]


@dataclass(frozen=True)
class Group:
    """Bodies, by name, that count as one conductor."""

    bodies: tuple[str, ...]
    extent_m: float = float("inf")

    @cached_property
    def names(self) -> frozenset[str]:
        """The bodies without their order."""
        return frozenset(self.bodies)


@dataclass(frozen=True)
class Path:
    """Groups from end to end; `offset_m` is added to the sum of its gaps."""

    groups: tuple[Group, ...]
    offset_m: float = 0.0


@dataclass(frozen=True)
class Witness:
    """Where an upper bound was seen: its path, the bodies along it and its points [m].

    bodies: (edges, 2) names: where each edge starts and where it ends
    """

    path: Path | None = None
    bodies: tuple[tuple[str, str], ...] = ()
    points: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class Found:
    """An enclosure in terms of bodies; what witnesses the upper bound is worked out when it is asked for: most sweeps
    are asked for a number alone."""

    lower_m: float
    upper_m: float
    at: Mapping[str, float]
    outcome: sweep.Outcome
    boxes: int
    witness: Callable[[], Witness] = Witness

    @property
    def path(self) -> Path | None:
        """The path of the upper bound; None where there is none."""
        return self.witness().path

    @property
    def bodies(self) -> tuple[tuple[str, str], ...]:
        """Its bodies in order."""
        return self.witness().bodies

    @property
    def points(self) -> tuple[tuple[float, float, float], ...]:
        """Its points in order [m]."""
        return self.witness().points


@dataclass(frozen=True, eq=False)
class Engine:
    """The store of all bodies that stand still in any of the settings, and the gaps between them found so far.

    index: shape -> its place in the store. The shape itself is the key, not its `id`: that of one that was dropped is
        given to another, which would then be measured where the old one stood.
    """

    store: tree.Store
    index: Mapping[Shape, int]
    still: dict[tuple[int, int], tuple[float, int, int]] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Compiled:
    """One setting in arrays.

    runs: moving body -> its range of primitives; still: standing body -> its index in the store
    rounding_m: what floating point may add to the bound of one edge, anywhere in the setting's box
    still_edges: gaps between what stands still of two groups, found so far
    swept: boxes of the moving bodies over the whole box of parameters, once they are asked for
    changed: where it was made from another by `recompiled`, what is otherwise than there: name of a body -> its content
    found: what sweeps of it found, and of those that were made from it, by a key of content
    """

    setting: Setting
    chain: Chain
    moving: Moving
    low: Floats
    high: Floats
    runs: Mapping[str, tuple[int, int]]
    still: Mapping[str, int]
    movers: tuple[str, ...]
    rounding_m: float
    still_edges: dict[tuple[Group, Group], tuple[float, tuple[int, int]]] = field(default_factory=dict)
    swept: dict[str, tuple[Floats, Floats]] = field(default_factory=dict)
    changed: Mapping[str, Hashable] = field(default_factory=dict)
    found: dict[Hashable, Found] = field(default_factory=dict)


def build_engine(settings: Iterable[Setting], uncertainty: bool = True, besides: Sequence[Body] = ()) -> Engine:
    """The store of everything that stands still in the settings and of the bodies `besides`; each distinct shape
    once."""
    compiling.finish()
    still: dict[Shape, None] = {body.shape: None for body in besides}
    for setting in settings:
        for body in setting.bodies:
            if body.link is None:
                still.setdefault(body.shape, None)
    store = tree.build_store(list(still), uncertainty)
    return Engine(store, {shape: index for index, shape in enumerate(still)})


def compile_setting(engine: Engine, setting: Setting, uncertainty: bool = True) -> Compiled:
    """The setting's moving bodies in arrays, beside the engine's store."""
    runs: dict[str, tuple[int, int]] = {}
    parts, count = [], 0
    movers: list[str] = []
    for body in setting.bodies:
        if body.link is None:
            continue
        runs[body.name] = (count, count + len(body.shape))
        count += len(body.shape)
        parts.append((body.shape, body.link, setting.rated.get(body.name), len(movers)))
        movers.append(body.name)
    names = setting.motion.parameters
    chain, moving = compile_chain(setting.motion), compile_moving(setting.motion, parts, setting.box, uncertainty)
    low, high = (np.array([setting.box[name][end] for name in names]) for end in (0, 1))
    still = {body.name: engine.index[body.shape] for body in setting.bodies if body.link is None}
    rounding_m = sweep.rounding_of(engine.store, moving, chain, low, high)
    return Compiled(setting, chain, moving, low, high, runs, still, tuple(movers), rounding_m)


def recompiled(engine: Engine, before: Compiled, setting: Setting, changed: Mapping[str, Hashable]) -> Compiled:
    """A setting that differs from one that was compiled by its potentials and by some bodies, given by name and
    content: what moves is compiled anew only where something of it differs."""
    if not changed:
        return replace(before, setting=setting)
    moving = {body.name for one in (before.setting, setting) for body in one.bodies if body.link is not None}
    if moving & changed.keys():
        return replace(compile_setting(engine, setting), changed=changed, found=before.found)
    still = {body.name: engine.index[body.shape] for body in setting.bodies if body.link is None}
    return replace(before, setting=setting, still=still, still_edges={}, changed=changed)


def still_gap(engine: Engine, a: int, b: int) -> tuple[float, int, int]:
    """Least gap between two bodies that stand still: (proven lower bound [m], nearest primitive of a, of b)."""
    if a > b:
        gap, j, i = still_gap(engine, b, a)
        return gap, i, j
    if (a, b) not in engine.still:
        first = engine.store.begin[[a, b]]
        count = engine.store.begin[[a + 1, b + 1]] - first
        if not count.all():
            engine.still[a, b] = (float("inf"), -1, -1)
        elif count[0] <= count[1]:
            engine.still[a, b] = tree.nearest_between(
                engine.store, first[0], count[0], engine.store.root[b], tree.new_search()
            )
        else:
            gap, j, i = tree.nearest_between(engine.store, first[1], count[1], engine.store.root[a], tree.new_search())
            engine.still[a, b] = (gap, i, j)
    return engine.still[a, b]


def _still_edge(engine: Engine, compiled: Compiled, one: Group, other: Group) -> tuple[float, tuple[int, int]]:
    """Least gap between what stands still of two groups, and the nearest primitives by the kernel's names."""
    known = compiled.still_edges.get((one, other))
    if known is not None:
        return known
    least, pair = float("inf"), (NOTHING, NOTHING)
    ends = [compiled.still[name] for name in other.bodies if name in compiled.still]
    for start in [compiled.still[name] for name in one.bodies if name in compiled.still] if ends else ():
        for end in ends:
            gap, i, j = still_gap(engine, start, end)
            if gap < least:
                least, pair = gap, (-1 - i, -1 - j)
    compiled.still_edges[one, other] = least, pair
    return least, pair


def _question(engine: Engine, compiled: Compiled, paths: Sequence[Path]) -> Question:
    position: dict[Group, int] = {}
    for path in paths:
        for group in path.groups:
            position.setdefault(group, len(position))
    groups = list(position)
    moving: list[tuple[int, int]] = []
    run: list[tuple[int, int]] = []
    roots: list[tuple[int, int]] = []
    root: list[int] = []
    for group in groups:
        start_run, start_root = len(run), len(root)
        for name in group.bodies:
            if name in compiled.runs:
                run.append(compiled.runs[name])
            elif (index := compiled.still.get(name)) is not None and engine.store.root[index] >= 0:
                root.append(engine.store.root[index])
        moving.append((start_run, len(run)))
        roots.append((start_root, len(root)))
    edges: dict[tuple[int, int], int] = {}
    first, stop = [], []
    step: list[int] = []
    flip: list[bool] = []
    for path in paths:
        first.append(len(step))
        for one, other in zip(path.groups, path.groups[1:], strict=False):
            a, b = position[one], position[other]
            edges.setdefault((min(a, b), max(a, b)), len(edges))
            step.append(edges[min(a, b), max(a, b)])
            flip.append(a > b)
        stop.append(len(step))
    still, still_pair = [], []
    for a, b in edges:
        least, pair = _still_edge(engine, compiled, groups[a], groups[b])
        still.append(least)
        still_pair.append(pair)
    whole = np.int64
    return Question(
        np.array(moving, whole).reshape(-1, 2),
        np.array(run, whole).reshape(-1, 2),
        np.array(roots, whole).reshape(-1, 2),
        np.array(root, whole),
        np.array([group.extent_m for group in groups], float),
        np.array(list(edges), whole).reshape(-1, 2),
        np.array(still, float),
        np.array(still_pair, whole).reshape(-1, 2),
        np.array(first, whole),
        np.array(stop, whole),
        np.array(step, whole),
        np.array(flip, bool),
        np.array([path.offset_m for path in paths], float),
    )


def _riding(engine: Engine, compiled: Compiled, paths: Sequence[Path]) -> Compiled:
    """The setting with still bodies that are crossed over a limited length put on a link without joints.

    Between two trees the kernel keeps the nearest pair alone: enough for a sum of gaps, not for the way past a body.
    """
    groups = dict.fromkeys(group for path in paths for group in path.groups[1:-1] if group.extent_m < float("inf"))
    names = list(dict.fromkeys(name for group in groups for name in group.bodies if name in compiled.still))
    if not names:
        return compiled
    store, moving, chain = engine.store, compiled.moving, compiled.chain
    link, joints, size = len(chain.first), len(chain.kind), len(compiled.low)
    spans = [store.begin[[compiled.still[name], compiled.still[name] + 1]] for name in names]
    primitives = np.concatenate([np.arange(first, stop) for first, stop in spans])
    corners = np.diff(store.start)[primitives]
    corner = store.start[primitives][:, None] + np.minimum(np.arange(3), corners[:, None] - 1)
    count, runs, start = len(primitives), dict(compiled.runs), len(moving.corners)
    for name, (first, stop) in zip(names, spans, strict=True):
        runs[name] = (start, start + int(stop - first))
        start = runs[name][1]
    # The new link is as still as the ground, which keeps the last row and column.
    as_before = [*range(link), link, link]
    moved = Moving(
        np.concatenate([moving.vertices, store.vertex[corner]]),
        np.concatenate([moving.corners, corners.astype(np.int8)]),
        np.concatenate([moving.around, store.around[primitives]]),
        np.concatenate([moving.link, np.full(count, link)]),
        np.concatenate([moving.rate, np.zeros((count, 3, 3))]),
        np.concatenate([moving.rated, np.full(count, -1)]),
        np.concatenate([moving.curvature, np.zeros((count, size, size))]),
        np.ascontiguousarray(moving.matters[np.ix_(as_before, as_before)]),
        np.concatenate([moving.body, np.repeat(len(compiled.movers) + np.arange(len(names)), np.diff(spans).ravel())]),
    )
    riding = chain._replace(first=np.append(chain.first, joints), stop=np.append(chain.stop, joints))
    return replace(
        compiled,
        chain=riding,
        moving=moved,
        runs=runs,
        still={name: index for name, index in compiled.still.items() if name not in names},
        still_edges={},
        movers=(*compiled.movers, *names),
        rounding_m=sweep.rounding_of(store, moved, riding, compiled.low, compiled.high),
    )


def _boxes(engine: Engine, compiled: Compiled) -> dict[str, tuple[Floats, Floats]]:
    """A box that holds each body over the whole box of parameters."""
    if not compiled.swept:
        compiled.swept.update(_swept(compiled))
    found = dict(compiled.swept)
    for name, index in compiled.still.items():
        node = engine.store.root[index]
        if node >= 0:
            found[name] = engine.store.low[node].astype(float), engine.store.high[node].astype(float)
    return found


def _swept(compiled: Compiled) -> dict[str, tuple[Floats, Floats]]:
    """The boxes of what moves."""
    place = new_place(compiled.chain, compiled.moving, len(compiled.low))
    # A track is straight only between its vertices: the boxes of its pieces are united.
    found: dict[str, tuple[Floats, Floats]] = {}
    starts = sweep.start_boxes(compiled.low, compiled.high, sweep.cuts_of(compiled.chain))
    for start_low, start_high in zip(*starts, strict=True):
        centre = 0.5 * (start_low + start_high)
        half = np.maximum(start_high - centre, centre - start_low)
        place_moving(compiled.chain, compiled.moving, centre, half, place)
        for name, (start, stop) in compiled.runs.items():
            if stop > start:
                new = place.low[start:stop].min(axis=0), place.high[start:stop].max(axis=0)
                old = found.get(name, new)
                found[name] = np.minimum(old[0], new[0]), np.maximum(old[1], new[1])
    return found


def coarse(engine: Engine, compiled: Compiled) -> Callable[[Path], float]:
    """A function that bounds a path from below by the boxes of its bodies alone: cheap, and enough to leave most paths
    out."""
    boxes = _boxes(engine, compiled)
    rounding = compiled.rounding_m
    known: dict[tuple[Group, Group], float] = {}

    def apart(one: Group, other: Group) -> float:
        least = known.get((one, other))
        if least is None:
            ends = [boxes[name] for name in other.bodies if name in boxes]
            starts = [boxes[name] for name in one.bodies if name in boxes]
            gaps = [max(0.0, float(tree.box_gap(*start, *end)) - rounding) for start in starts for end in ends]
            least = known[one, other] = min(gaps, default=float("inf"))
        return least

    return lambda path: (
        path.offset_m + sum(apart(one, other) for one, other in zip(path.groups, path.groups[1:], strict=False))
    )


def _at(compiled: Compiled, enclosure: sweep.Enclosure) -> dict[str, float]:
    return dict(zip(compiled.setting.motion.parameters, enclosure.at.tolist(), strict=True))


def _found(engine: Engine, compiled: Compiled, paths: Sequence[Path], enclosure: sweep.Enclosure) -> Found:
    at = {name: float(shown(name, value)) for name, value in _at(compiled, enclosure).items() if name != "still"}
    found = Found(enclosure.lower, enclosure.upper, at, enclosure.outcome, enclosure.boxes)
    if enclosure.chain < 0:
        return found
    return replace(found, witness=cache(lambda: _witness(engine, compiled, paths, enclosure)))


def _witness(engine: Engine, compiled: Compiled, paths: Sequence[Path], enclosure: sweep.Enclosure) -> Witness:
    setting = compiled.setting
    path = paths[enclosure.chain]
    q = _at(compiled, enclosure)
    standing = {index: name for name, index in compiled.still.items()}
    carried = {body.name: body for body in setting.bodies}

    def one(primitive: int) -> tuple[str, Floats, int, float]:
        if primitive < 0:
            s = -1 - primitive
            store = engine.store
            body_index = int(np.searchsorted(store.begin, s, side="right")) - 1
            core = store.vertex[store.start[s] : store.start[s + 1]]
            return standing[body_index], core, len(core), float(store.around[s])
        name = compiled.movers[int(compiled.moving.body[primitive])]
        body, k = carried[name], primitive - compiled.runs[name][0]
        if body.link is None:
            count = int(compiled.moving.corners[primitive])
            return name, compiled.moving.vertices[primitive], count, float(compiled.moving.around[primitive])
        shape = body.shape
        single = Shape(
            shape.vertices[k : k + 1],
            shape.corners[k : k + 1],
            shape.radius[k : k + 1],
            shape.uncertainty[k : k + 1],
            None if shape.rate is None else shape.rate[k : k + 1],
        )
        vertices = placed(single, setting.motion, body.link, q, setting.rated.get(name)).vertices[0]
        return name, np.ascontiguousarray(vertices), int(shape.corners[k]), float(compiled.moving.around[primitive])

    bodies, points = [], []
    witness, work = np.empty((2, 3)), np.empty((3, 3))
    for k in range(len(path.groups) - 1):
        a, b = one(int(enclosure.pairs[k, 0])), one(int(enclosure.pairs[k, 1]))
        if a[0] not in path.groups[k].bodies or b[0] not in path.groups[k + 1].bodies:
            a, b = b, a
        apart = float(np.sqrt(pairs.closest(a[1], a[2], b[1], b[2], witness, work)))
        start, end = witness[0].copy(), witness[1].copy()
        if apart > a[3] + b[3]:
            along = (end - start) / apart
            start, end = start + a[3] * along, end - b[3] * along
        else:
            start = end = 0.5 * (start + end)
        bodies.append((a[0], b[0]))
        points += [(float(p[0]), float(p[1]), float(p[2])) for p in (start, end)]
    return Witness(path, tuple(bodies), tuple(points))


def enclose(
    engine: Engine,
    compiled: Compiled,
    paths: Sequence[Path],
    *,
    tolerance_m: float,
    target_m: float | None = None,
    within: Mapping[str, tuple[float, float]] | None = None,
    budget: int = 400_000,
    seconds: float = float("inf"),
    progress: Progress | None = None,
) -> Found:
    """Enclose the least total of air along any of the paths over the setting's box, or a part `within` it [m or rad].

    With a target it stops as soon as the least is known to be below it or not below it; at the latest after `budget`
    boxes or so many seconds.
    """
    if any(len(path.groups) - 1 > LONGEST for path in paths):
        raise ValueError(f"a path has more than {LONGEST} gaps")
    low, high = compiled.low.copy(), compiled.high.copy()
    for name, (least, most) in (within or {}).items():
        k = compiled.setting.motion.parameters.index(name)
        low[k], high[k] = max(low[k], least), min(high[k], most)
    if not paths:
        at = {
            name: float(shown(name, 0.5 * (a + b)))
            for name, a, b in zip(compiled.setting.motion.parameters, low, high, strict=True)
        }
        return Found(float("inf"), float("inf"), at, "enclosed", 0)
    compiled = _riding(engine, compiled, paths)
    question = _question(engine, compiled, paths)
    enclosure = sweep.least(
        question,
        engine.store,
        compiled.moving,
        compiled.chain,
        low,
        high,
        tolerance=tolerance_m,
        target=target_m,
        budget=budget,
        seconds=seconds,
        rounding=compiled.rounding_m,
        progress=progress,
    )
    return _found(engine, compiled, paths, enclosure)
