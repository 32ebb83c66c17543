"""Owns a setting in the kernel's arrays: groups and paths by name, the store of what stands still, what moves compiled
per setting, and what was found of it.

A group is a set of bodies that count as one conductor; a path is a list of groups with air between each two. Bodies
that stand still are put into one store for the whole scene.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clearance.bodies import Body
from clearance.job.setting import Setting
from clearance.kernel import compiling, sweep, tree
from clearance.kernel.chain import Chain, Moving
from clearance.motion import compile_chain, compile_moving
from clearance.shapes import Shape

Floats = NDArray[np.float64]


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
