"""Owns which returns belong to which wire: how wide the tube about each curve is, and the fit of the final curves to
what is in it.

A return is a wire's if it lies in the tube of the nearest curve; a return beside the tube but within reach of the wire
is counted as beside it (a spacer, a damper, a branch) and stays with what is not wire.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clearance.survey.bundle import nearest, recognise
from clearance.survey.fit import END_LEFT_OUT_M, fit_curve, residuals, to_frame
from clearance.survey.records import Bundle, Curve, Floats
from clearance.survey.spill import Spill
from clearance.survey.tubes import Tube, TubeIndex
from clearance.survey.workers import in_order

FIRST_TUBE_M = (0.8, 0.6)
"""[m] Half width and half height of the tube about a first curve: holds a bundle of 0.5 m and the first curve's
error."""

TUBE_M = (0.30, 0.28)
"""[m] Half width and half height of the tube about each sub-conductor of a final curve: six times the scatter of
returns that is usual on wires (0.05 m), and spacers and dampers."""

SHELL_M = 2.2
"""[m] Around a wire's curve: what is as near as this and not the wire shows whether the wire stands alone."""

LOWEST_SHELL_M = 2.0
"""[m] Returns lower than this above the ground do not count as around a wire."""

BLOCK_M = 10.0
"""[m] Length of the blocks in which a wire is looked at for standing alone."""

FEWEST_CLEAR = 0.4
"""[1] Share of the blocks with returns in which a wire must stand alone."""

LOOSEST_M = 0.18
"""[m] Robust spread of the returns about a first curve above which it is no wire."""

OPEN_END_M = 8.0
"""[m] How far beyond its last blob an open end may still have returns."""


def groups(owner: NDArray[np.int64]) -> Iterator[tuple[int, NDArray[np.int64]]]:
    """Each owner (0 and above) with the indices of what it owns, in order."""
    taken = np.flatnonzero(owner >= 0)
    taken = taken[np.argsort(owner[taken], kind="stable")]
    for group in np.split(taken, np.flatnonzero(np.diff(owner[taken])) + 1) if len(taken) else ():
        yield int(owner[group[0]]), group


def claimed(spill: Spill, tubes: Sequence[Tube]) -> list[Floats]:
    """All points of the squares that lie in each tube (n, 3) [m]."""
    index = TubeIndex(tubes)
    boxes = np.array([tube.box() for tube in tubes]).reshape(-1, 2, 2)
    found: list[list[Floats]] = [[] for _ in tubes]

    def crossed(square: tuple[int, int]) -> bool:
        low, high = spill.box(square)
        return bool(((boxes[:, 0] <= high) & (boxes[:, 1] >= low)).all(axis=1).any())

    def work(square: tuple[int, int]) -> list[tuple[int, Floats]]:
        xyz, _ = spill.read(square)
        inside, _ = index.claim(xyz)
        return [(number, xyz[which]) for number, which in groups(inside)]

    for parts in in_order(filter(crossed, spill.squares()), work):
        for number, some in parts:
            found[number].append(some)
    return [np.concatenate(parts) if parts else np.zeros((0, 3)) for parts in found]


def isolated(spill: Spill, tubes: Sequence[Tube], ground_m: Callable[[Floats], Floats]) -> list[bool]:
    """Which tubes hold returns that stand alone: a wire does along most of its length, a row of twigs never does.

    Along each tube, in blocks of 10 m, the returns in it are counted against those around it (to `SHELL_M`, and not in
    another tube); a block is clear if those in it are at least twice as many. And in the clear blocks they must lie
    close to its curve, not fill it.
    """
    wide = [replace(tube, width=SHELL_M, rise=SHELL_M) for tube in tubes]
    inner, outer = TubeIndex(tubes), TubeIndex(wide)
    blocks = [int((tube.high - tube.low) / BLOCK_M) + 1 for tube in tubes]
    first = np.concatenate([[0], np.cumsum(blocks)]).astype(np.int64)
    counts = np.zeros((2, int(first[-1])))
    off: list[list[Floats]] = [[] for _ in tubes]

    def work(square: tuple[int, int]) -> list[tuple[int, int, NDArray[np.int64], Floats]]:
        xyz, _ = spill.read(square)
        xyz = xyz[ground_m(xyz) > LOWEST_SHELL_M]
        around, _ = outer.claim(xyz)
        xyz, around = xyz[around >= 0], around[around >= 0]  # a tube lies in its shell
        inside, _ = inner.claim(xyz)
        around[inside >= 0] = -1
        out = []
        for row, owner in ((0, inside), (1, around)):
            for number, which in groups(owner):
                placed = residuals(tubes[number].curve, xyz[which])
                block = ((placed[:, 0] - tubes[number].low) / BLOCK_M).astype(np.int64).clip(0, blocks[number] - 1)
                out.append((row, number, block, placed[:, 2]))
        return out

    for parts in in_order(spill.squares(), work):
        for row, number, block, height in parts:
            counts[row, first[number] : first[number + 1]] += np.bincount(block, minlength=blocks[number])
            if row == 0:
                off[number].append(np.column_stack([block, height]))
    out = []
    for number in range(len(tubes)):
        here = counts[:, first[number] : first[number + 1]]
        seen = here[0] > 0
        if not seen.any():
            out.append(False)
            continue
        clear = seen & (here[0] >= 2.0 * here[1])
        pairs = np.concatenate(off[number])
        alone = pairs[clear[pairs[:, 0].astype(np.int64)], 1]
        spread = 1.4826 * float(np.median(np.abs(alone))) if len(alone) else np.inf
        out.append(bool(clear.sum() >= FEWEST_CLEAR * seen.sum() and spread <= LOOSEST_M))
    return out


def refine(
    returns: Floats,
    first: Curve,
    low: float,
    high: float,
    at_support: tuple[bool, bool],
    prior: tuple[float, float] | None,
) -> tuple[Curve, Bundle, Floats]:
    """The final curve of a wire, its bundle, and the places of its sub-conductors in the section (k, 2) [m].

    Parameters: returns (n, 3) [m]; first curve; low, high where the wire ends along it [m]; whether each end is at a
    support, near which returns are left out of the fit; prior as for `fit_curve`.
    """
    s = to_frame(returns, first.base, first.direction)[:, 0]
    cut = END_LEFT_OUT_M
    used = (s >= low + (cut if at_support[0] else 0.0)) & (s <= high - (cut if at_support[1] else 0.0))
    if used.sum() < 4 or np.ptp(s[used]) < 0.5 * np.ptp(s):
        used = np.ones(len(s), bool)
    some = returns[used]
    curve = fit_curve(some, first.base, first.direction, prior=prior, near=first)
    bundle, places = recognise(residuals(curve, some)[:, 1:])
    for _ in range(2):
        if bundle.count == 1:
            break
        offsets = nearest(residuals(curve, some)[:, 1:], places)
        curve = fit_curve(some, first.base, first.direction, offsets, prior, curve)
        bundle, places = recognise(residuals(curve, some)[:, 1:])
    return curve, bundle, places


def tube_of(curve: Curve, bundle: Bundle, low: float, high: float) -> Tube:
    """The tube of a final curve: room about each sub-conductor for the scatter of its returns."""
    half = bundle.spacing_m / 2.0 if bundle.count > 1 else 0.0
    tall = half if bundle.arrangement in ("vertical pair", "square", "triangle") else 0.0
    width = half + max(TUBE_M[0], 5.0 * curve.scatter_lateral if bundle.count > 1 else 3.5 * curve.scatter_lateral)
    rise = tall + max(TUBE_M[1], 5.0 * curve.scatter_vertical)
    return Tube(curve, low, high, min(width, FIRST_TUBE_M[0]), min(rise, FIRST_TUBE_M[1]))
