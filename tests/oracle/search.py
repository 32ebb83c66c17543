"""Owns the search: the least gap of every two potentials that is found in a stage, at a pose that can be looked at.

Corners of the ranges, their middle and random poses first; from the best of them a local minimisation. What is found is
a gap that there is: no less need be proved, so a coarse search only makes the oracle weaker, never wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from oracle.bodies import Box, Cloud, Group, Lines, Plane, Points, Solid, gap, together
from oracle.chains import Air, crossing, direct, shortest
from oracle.rig import Pose
from oracle.stages import Stage

Key = tuple[str, str, str, str]
"""Two potentials in order of their names; "direct" or "crossing"; "posture" or "reach".

Of an approach: who is unbonded, a potential, "approach", "posture"."""


@dataclass(frozen=True)
class Found:
    gap: float
    pose: Pose
    through: tuple[str, ...]
    state: dict[str, str]
    points: tuple[Points, Points] | None
    """Where the gap is, of one stretch of air."""


@dataclass
class _Setting:
    """A stage with all that stands still merged by potential, so that a pose is a few distances."""

    stage: Stage
    names: list[str]
    solids: list[Solid | None]
    potentials: list[str]
    job: list[bool]
    fixed: Air


def _setting(stage: Stage) -> _Setting:
    named = {name for state in stage.states for name in state}
    groups: dict[str, list[Lines | Box | Plane | Cloud]] = {}
    names, solids, potentials, job = [], [], [], []
    for body in stage.still:
        if body.job or not body.potential or body.name in named:
            names.append(body.name)
            solids.append(body.solid)
            potentials.append(body.potential)
            job.append(body.job)
        else:
            assert not isinstance(body.solid, Group)
            groups.setdefault(body.potential, []).append(body.solid)
    for potential, parts in sorted(groups.items()):
        names.append(f"site at {potential}")
        lines = [part for part in parts if isinstance(part, Lines)]
        others = [part for part in parts if not isinstance(part, Lines)]
        solids.append(Group((*([together(lines)] if lines else []), *others)))
        potentials.append(potential)
        job.append(False)
    still = len(names)
    for body in stage.moving:
        names.append(body.name)
        solids.append(None)
        potentials.append(body.potential)
        job.append(True)
    fixed = np.full((len(names), len(names)), np.inf)
    for i, j in combinations(range(still), 2):
        one, other = solids[i], solids[j]
        if stage.still and not job[i] and not job[j] and potentials[i] and potentials[j]:
            continue  # of the line's own gaps none is judged
        assert one is not None
        assert other is not None
        fixed[i, j] = fixed[j, i] = gap(one, other)[0]
    return _Setting(stage, names, solids, potentials, job, fixed)


def _solids(setting: _Setting, pose: Pose) -> list[Solid]:
    solids: list[Solid] = [solid for solid in setting.solids if solid is not None]
    return solids + [body.at(pose) for body in setting.stage.moving]


def _airs(setting: _Setting, pose: Pose) -> dict[str, tuple[Air, Air]]:
    """Distances of all bodies at a pose, in posture and in reach: from and to somebody, and across somebody.

    A chain that crosses somebody enters by one hand and leaves by the other, or by any bone.
    """
    still = len(setting.names) - len(setting.stage.moving)
    solids = _solids(setting, pose)
    posture = setting.fixed.copy()
    for j in range(still, len(solids)):
        for i in range(j):
            posture[i, j] = posture[j, i] = gap(solids[j], solids[i])[0]
    found = {"posture": (posture, posture)}
    people = {still + n: body.hands(pose) for n, body in enumerate(setting.stage.moving) if body.hands is not None}
    if people:
        ends, across = posture.copy(), posture.copy()
        for j, (entering, leaving, everywhere) in people.items():
            for i in range(len(solids)):
                if i != j:
                    near = _reached(people, solids, i)
                    ends[i, j] = ends[j, i] = min(ends[i, j], *(gap(everywhere, part)[0] for part in near[2]))
                    across[i, j] = min(across[i, j], *(gap(entering, part)[0] for part in near[1]))
                    across[j, i] = min(across[j, i], *(gap(leaving, part)[0] for part in near[0]))
        found["reach"] = (ends, across)
    return found


def _reached(people: dict, solids: list[Solid], i: int) -> tuple[tuple[Solid, ...], ...]:
    """What a hand may come near of a body: of somebody else the bones and, one by one, the other hands."""
    return tuple((solids[i], hand) for hand in people[i]) if i in people else ((solids[i],),) * 3


def _at(setting: _Setting, state: dict[str, str]) -> list[str]:
    return [state.get(name, own) for name, own in zip(setting.names, setting.potentials, strict=True)]


def _gaps(setting: _Setting, pose: Pose) -> dict[Key, tuple[float, tuple[int, ...], int]]:
    """Every pair's least gap at one pose over all states: the gap, the bodies it passes, the number of the state."""
    best: dict[Key, tuple[float, tuple[int, ...], int]] = {}
    airs = _airs(setting, pose)
    for number, state in enumerate(setting.stage.states):
        at = _at(setting, state)
        for body in setting.stage.moving:
            j = setting.names.index(body.name)
            for i in range(len(at)) if body.hands is not None and not at[j] else ():
                key = (body.name, at[i], "approach", "posture")
                if at[i] and airs["posture"][0][i, j] < best.get(key, (np.inf,))[0]:
                    best[key] = (float(airs["posture"][0][i, j]), (i, j), number)
    for extent, (ends, across) in airs.items():
        for number, state in enumerate(setting.stage.states):
            at = _at(setting, state)
            for how, chains in (
                ("direct", direct(ends, at, setting.job)),
                ("crossing", crossing(across, at, setting.job)),
                ("crossing", crossing(across.T, at, setting.job) if extent == "reach" else {}),
            ):
                for (one, other), (value, way) in chains.items():
                    if (one, other) in stage_exempt(setting.stage):
                        continue
                    key = (one, other, how, extent)
                    if value < best.get(key, (np.inf,))[0]:
                        best[key] = (value, way, number)
    return best


def stage_exempt(stage: Stage) -> set[tuple[str, str]]:
    return {tuple(sorted(pair)) for pair in stage.exempt}  # type: ignore[misc]


def search(
    stage: Stage, seed: int = 0, spots: int = 24, steps: int = 40, corners: int = 64, told: Iterable[Pose] = ()
) -> dict[Key, Found]:
    """What is found in a stage, by pair, kind of chain and extent of the reach.

    Looked at are so many corners of its ranges, so many random `spots`, and the poses `told` by somebody else.
    """
    setting = _setting(stage)
    axes = [axis for axis, (low, high) in stage.ranges.items() if high > low]
    low = np.array([stage.ranges[axis][0] for axis in axes])
    wide = np.array([stage.ranges[axis][1] for axis in axes]) - low
    best: dict[Key, tuple[float, tuple[int, ...], int, NDArray[np.float64]]] = {}

    def pose(shares: NDArray[np.float64]) -> Pose:
        fixed = {axis: ends[0] for axis, ends in stage.ranges.items()}
        return fixed | {
            axis: float(value) for axis, value in zip(axes, low + wide * np.clip(shares, 0, 1), strict=True)
        }

    def look(shares: NDArray[np.float64]) -> dict[Key, tuple[float, tuple[int, ...], int]]:
        gaps = _gaps(setting, pose(shares))
        for key, (value, way, state) in gaps.items():
            if key not in best or value < best[key][0]:
                best[key] = (value, way, state, shares)
        return gaps

    random = np.random.default_rng(seed)
    middle = np.full(len(axes), 0.5)
    places = [middle, *random.random((spots if axes else 0, len(axes)))]
    places += [np.array(corner) for corner in product((0.0, 1.0), repeat=len(axes))]
    if 2 ** len(axes) > corners:
        del places[spots + 1 :]
        places += [*random.integers(0, 2, (corners, len(axes))).astype(float)]
    for other in told:
        shares = [
            (other[axis] - start) / width if axis in other else 0.5
            for axis, start, width in zip(axes, low, wide, strict=True)
        ]
        places.append(np.clip(np.array(shares), 0, 1))
    for shares in {place.tobytes(): place for place in places}.values():
        look(shares)
    if axes and steps:
        starts: dict[bytes, list[Key]] = {}
        for key, (*_, shares) in best.items():
            starts.setdefault(shares.tobytes(), []).append(key)
        for keys in list(starts.values()):
            _descend(look, keys, best[keys[0]][3], steps)
    found = _slipped(stage)
    at: dict[bytes, tuple[Pose, list[Solid], dict[str, tuple[Air, Air]]]] = {}
    for key, entry in best.items():
        if (place := entry[3].tobytes()) not in at:
            here = pose(entry[3])
            at[place] = (here, _solids(setting, here), _airs(setting, here))
        found[key] = _told(setting, key, entry, *at[place])
    return found


def few_poses(stage: Stage, seed: int, told: Iterable[Pose]) -> list[Pose]:
    """The lowest and the highest of every range, a corner at random, and those `told` by somebody else."""
    low, high = ({axis: ends[k] for axis, ends in stage.ranges.items()} for k in (0, 1))
    middle = {axis: sum(ends) / 2 for axis, ends in stage.ranges.items()}
    random = np.random.default_rng(seed)
    mixed = {axis: ends[int(random.integers(2))] for axis, ends in stage.ranges.items()}
    theirs = [
        {axis: float(np.clip(pose.get(axis, middle[axis]), *ends)) for axis, ends in stage.ranges.items()}
        for pose in told
    ]
    return [low, high, mixed, *theirs]


def _slipped(stage: Stage) -> dict[Key, Found]:
    """How near a tail comes to other phases and to people after a slip."""
    found: dict[Key, Found] = {}
    for slip in stage.slips:
        for body in stage.still:
            to = "crew" if body.name in slip.crew else body.potential if body.potential in slip.phases else None
            if to is not None:
                value, b, a = gap(body.solid, slip.solid)
                key = (f"whip of {slip.wire}", to, "approach", "posture")
                if key not in found or value < found[key].gap:
                    state = {slip.wire: "earth"} if slip.earthed else {}
                    found[key] = Found(value, {}, (slip.wire, body.name), state, (a, b))
    return found


def _descend(look: Callable, keys: list[Key], start: NDArray[np.float64], steps: int) -> None:
    """From one pose downhill in the sum of the gaps that are least there: every pose on the way counts for all."""

    def sum_of(shares: NDArray[np.float64]) -> float:
        gaps = look(np.clip(shares, 0, 1))
        return float(sum(gaps[key][0] for key in keys if key in gaps))

    inside = np.clip(start, 0.15, 0.85)
    first = np.vstack([start, *(np.where(np.arange(len(start)) == axis, inside, start) for axis in range(len(start)))])
    options = {"maxfev": steps, "initial_simplex": first, "xatol": 1e-3, "fatol": 1e-4}
    minimize(sum_of, start, method="Nelder-Mead", options=options)


def _told(
    setting: _Setting,
    key: Key,
    entry: tuple,
    here: Pose,
    solids: list[Solid],
    airs: dict[str, tuple[Air, Air]],
) -> Found:
    value, way, number, _ = entry
    state = setting.stage.states[number]
    one, other, _, extent = key
    ends, across = airs[extent]
    at = _at(setting, state)
    if key[2] != "approach":  # networkx finds no more than what was found by relaxation
        both = (ends,) if key[2] == "direct" else (across, across.T)
        again = min(shortest(air, at, setting.job, one, other) for air in both)
        assert again <= value + 1e-9, (key, again, value)
    points = None
    if len(way) == 2 and extent == "posture":
        _, a, b = gap(solids[way[0]], solids[way[1]])
        points = (a, b)
    return Found(value, here, tuple(setting.names[k] for k in way), state, points)
