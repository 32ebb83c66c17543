"""Owns the passage from named bodies to the kernel and back: `enclose` sweeps paths of a compiled setting, `coarse`
bounds them by boxes alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from clearance.compiled import (
    Compiled,
    Engine,
    Floats,
    Found,
    Group,
    Path,
    Witness,
    build_engine,
    compile_setting,
    recompiled,
    still_gap,
)
from clearance.job.setting import shown
from clearance.kernel import pairs, sweep, tree
from clearance.kernel.chain import Moving, new_place, place_moving
from clearance.kernel.edges import NOTHING, Question
from clearance.kernel.room import LONGEST
from clearance.motion import placed
from clearance.shapes import Shape

__all__ = [
    "Compiled",
    "Engine",
    "Found",
    "Group",
    "Path",
    "Witness",
    "build_engine",
    "coarse",
    "compile_setting",
    "enclose",
    "recompiled",
    "still_gap",
]

Progress = Callable[[float, float, int], None]


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
