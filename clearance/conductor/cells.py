"""Owns the proof for a cell of weather: how far the tensions of a section at rest are, anywhere in the cell, from those
at its corners.

The argument, in the words of `tensions`: the tensions at rest are the least point of a convex function E. In a cell let
tau_0(p) be the tensions at its corners, interpolated along each axis of the weather p.

1. Let E'' >= M for all p of the cell within a convex region about tau_0(p): cylinders along the spans, and balls for
   what moves the pulls on the clamps. With g the miss at tau_0(p) and r = sqrt(g M^-1 g), the set |tau - tau_0|_M <= r
   holds the least point if it lies in the region, for on its rim E grows outward. E is convex, so that is the only one.
   A component c of tau is then off by no more than r sqrt(c M^-1 c).
2. g is what it is at the corners, interpolated, and at most half the square of half a cell times its second derivative
   along each axis besides. Tension and load at a place go linearly along an axis, T' say. With t = T / |T| and S what
   of T' is square to t, t'' = -(S.S t + 2 (t.T') S) / T.T, never more than 2 / sqrt(3) (|T'| / |T|)^2. S is also that
   of T' less any multiple of T, so a change of tension and load together turns nothing. Likewise for the clamps.
3. With T_c at the cell's middle and T off it by d, the angle a between both has sin a <= |d square to T_c| / |T|; and
   |v square to T|^2 >= (1 - k) |v square to T_c|^2 - (1 / k - 1) sin^2 a |v|^2 for any k. What of d lies along the span
   turns the tension by no more than its own slope against the span, and so does a load that grows: hence M, from E''
   at the middle. The pulls on the clamps likewise.
4. The load of an unstretched metre is `worth` times that of a hung one, and worth is the stretch at rest: at first
   between those at the corners with no tension and with twice as much, then as the tensions found say. For every worth
   there is one state at rest; E is convex in tensions and worth together, so by its second derivatives the stretch
   goes with worth by no more than sqrt(a E_ww / l), with E_ww about w^2 l^3 / 12 T in a taut line: a hundredth or less,
   so no other state has its own stretch for worth.
5. Where a two-part conductor changes its law in a cell, its strain, a concave function, is no further above what its
   corners say than the nearest of its laws is there.

Rounding is covered by `ROUNDING` of what is found.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.tensions import Balance, Loads, Rail, balance, joined, strains, ties, worths

Floats = NDArray[np.float64]

LONGER: Final = 0.001
"""[1] Between the corners of a cell a conductor is stretched by less than this beyond what it is at any of them; a cell
where it might be is not proved."""

CORNERS: Final = (1, 2, 3)
"""Axes of the corners in arrays of cells."""

TRIES: Final = 6
"""[1] Regions tried about the tensions of a cell."""

MORE: Final = 1.3
"""[1] Size of each region over what the one before came to."""

BENT: Final = 2.0 / 3.0**0.5
"""[1] Largest |t''| of a unit vector t = T / |T| over (|T'| / |T|)^2, T going linearly."""

TURNED: Final = 1.03
"""[1] Largest chord over sine of an angle whose sine is up to 0.4."""

ROUNDING: Final = 1e-7
"""[1] Part added to every bound, far above the rounding of matrices of a condition below 1e6."""


@dataclass(frozen=True, eq=False)
class Cells:
    """States at the corners of each cell; the corners' axes, of length 1 where the weather has no range, follow the
    first.

    loads, tensions: as `tensions` has them, (cells, 1 or 2, 1 or 2, 1 or 2, ...)
    """

    loads: Loads
    tensions: Floats


@dataclass(frozen=True, eq=False)
class Proof:
    """What is known of each cell.

    holds: the section is at rest only where the rest says (cells,)
    worth: least and greatest stretch (cells, 2, n) [1]
    tension_N: how far tensions are from those of the corners, interpolated (cells, n)
    clamp_m: likewise the clamps (cells, n + 1)
    at: what the corners make of it
    by_axis: what each axis of the weather adds to the miss (cells, 3) [m]
    """

    holds: NDArray[np.bool_]
    worth: Floats
    tension_N: Floats
    clamp_m: Floats
    at: Balance
    by_axis: Floats


def prove(rail: Rail, cells: Cells) -> Proof:
    """What is known of each cell, its worth narrowed down once."""
    at = balance(rail, cells.loads, cells.tensions, np.ones(cells.tensions.shape[:-1]))
    spare = float(rail.laws[:, 0].max()) * at.mean.max(axis=CORNERS)
    worth = np.stack([at.stretch.min(axis=CORNERS) - spare, at.stretch.max(axis=CORNERS) + spare], axis=1)
    first = _prove(rail, cells, worth)
    return _prove(rail, cells, np.where(first.holds[:, None, None], first.worth, worth))


def _prove(rail: Rail, cells: Cells, worth: Floats) -> Proof:
    """What is known of each cell when the stretch at rest is known to be within `worth`."""
    mean_worth = worth.mean(axis=1)
    at = balance(rail, cells.loads, cells.tensions, mean_worth[:, None, None, None])
    middle = _middle(rail, cells, at, worth)
    along, aside, gap, by_axis = _missed(rail, cells, at, middle)
    count = len(rail.lengths_m)
    rooms: tuple[Floats, ...] = np.zeros_like(along), np.zeros_like(along), np.zeros_like(middle.pull)
    square = np.eye(3) - middle.unit[..., :, None] * middle.unit[..., None, :]
    for _ in range(TRIES):
        curve, sound = _curvature(rail, middle, *rooms)
        sound &= np.isfinite(curve).all(axis=(1, 2))
        curve = np.where(sound[:, None, None], curve, np.eye(3 * count))
        sound &= np.linalg.eigvalsh(curve)[:, 0] > ROUNDING * np.trace(curve, axis1=1, axis2=2)
        soft = np.linalg.inv(np.where(sound[:, None, None], curve, np.eye(3 * count)))
        blocks = soft.reshape(-1, count, 3, count, 3)
        own = np.einsum("ciaib->ciab", blocks)
        worth_along = np.sqrt(np.einsum("cia,ciab,cib->ci", middle.unit, own, middle.unit))
        worth_aside = np.sqrt(np.einsum("ciab,ciba->ci", square, own))
        worth_pull = np.zeros_like(middle.pull)
        for k in range(1, count):
            both = blocks[:, k, :, k] + blocks[:, k - 1, :, k - 1] - blocks[:, k, :, k - 1] - blocks[:, k - 1, :, k]
            worth_pull[:, k] = np.sqrt(np.trace(both, axis1=1, axis2=2))
        miss = at.miss.reshape(len(along), -1, 3 * count)
        missed = np.sqrt(np.einsum("cka,cab,ckb->ck", miss, soft, miss).max(axis=1))
        reach = (missed + (along * worth_along + aside * worth_aside).sum(axis=1)) * (1.0 + ROUNDING)
        offs = tuple(reach[:, None] * worth for worth in (worth_along, worth_aside, worth_pull))
        holds = sound.copy()
        for off, room in zip(offs, rooms, strict=True):
            holds &= (off <= room).all(axis=1)
        if holds.all():
            break
        rooms = tuple(
            np.where(holds[:, None], room, MORE * np.maximum(off, room)) for off, room in zip(offs, rooms, strict=True)
        )
    tension = offs[0] + offs[1]
    square, whole = _shared(middle)
    clamp = clamps_off(rail.strings_m, at.pulls, offs[2] + square, offs[2] + whole)
    mean_off = tension + middle.worth_N + gap
    pulled = at.mean.min(axis=CORNERS) - mean_off, at.mean.max(axis=CORNERS) + mean_off
    warm = cells.loads.warm_C
    stretches = [
        1.0 + strains(rail.laws, np.maximum(pull, 0.0), np.broadcast_to(heat[:, None], pull.shape)).min(axis=-1)
        for pull in pulled
        for heat in (warm.min(axis=CORNERS), warm.max(axis=CORNERS))
    ]
    known = np.stack(
        [np.maximum(worth[:, 0], np.min(stretches, axis=0)), np.minimum(worth[:, 1], np.max(stretches, axis=0))], axis=1
    )
    return Proof(holds, known, tension, clamp, at, by_axis)


@dataclass(frozen=True, eq=False)
class Middle:
    """A cell's middle, and how far the cell goes from it, per cell and span; pulls per cell and clamp.

    at: the balance there; unit, size: of the middle tension; level: of it, square to the load [N]
    slope: of the span against `unit`, its greatest sine in the cell [1]; inner: likewise where the load is halved, and
        what else does not grow with the distance from there
    half: half the load over that on a hung metre; length: of the hung conductor; uneven_m: how far along the load, so
        counted, its middle is from the conductor's [m]
    along, aside, load, pull: greatest deviation of tension along and square to `unit` [N], of load [N/m], of pull [N]
    across: load square to `unit` [N/m]; direction, swung: of the load, and the greatest sine of its turn [1]
    spare: half the range of worth over its middle [1]; worth_N: what it moves a tension by at most; uneven_N: besides
        what grows with the distance from the middle of the load
    least, largest: of the tension in the cell [N]
    warm_C: half the range of temperature
    """

    at: Balance
    unit: Floats
    size: Floats
    level: Floats
    slope: Floats
    inner: Floats
    half: Floats
    length: Floats
    uneven_m: Floats
    along: Floats
    aside: Floats
    load: Floats
    pull: Floats
    across: Floats
    direction: Floats
    swung: Floats
    spare: Floats
    worth_N: Floats
    uneven_N: Floats
    least: Floats
    largest: Floats
    warm_C: Floats


def _middle(rail: Rail, cells: Cells, at: Balance, worth: Floats) -> Middle:
    tension, load = cells.tensions.mean(axis=CORNERS), cells.loads.spans.mean(axis=CORNERS)
    warm = cells.loads.warm_C
    core = balance(
        rail,
        Loads(load, cells.loads.clamps.mean(axis=CORNERS), warm.mean(axis=CORNERS)),
        tension,
        worth.mean(axis=1),
    )
    size = np.linalg.norm(tension, axis=-1)
    unit = tension / size[..., None]
    away = cells.tensions - tension[:, None, None, None]
    along, aside = _split(away, unit)
    along, aside = along.max(axis=CORNERS), aside.max(axis=CORNERS)
    other = np.linalg.norm(cells.loads.spans - load[:, None, None, None], axis=-1).max(axis=CORNERS)
    heavy = np.linalg.norm(load, axis=-1)
    # A place of the conductor is y from the middle of the load, all over that on a hung metre; where worth grows by a
    # share of itself so does y, but for the share of where the conductor's own middle is.
    spare = (worth[:, 1] - worth[:, 0]) / (worth[:, 1] + worth[:, 0])
    eccentric = np.abs(np.diff(rail.strain_m * rail.ratios, axis=-1)[..., 0]) / 2.0
    uneven = (heavy + other) * spare * eccentric
    half = worths(rail, worth[:, 1]) / 2.0
    across = _split(load, unit, axes=0)[1]
    grown = other + spare * (heavy + other)
    least = core.level - (along + aside + uneven + grown * half)
    slope = (across * half + aside + uneven + grown * half) / least
    return Middle(
        at=core,
        unit=unit,
        size=size,
        level=core.level,
        slope=slope,
        inner=(aside + uneven + (across + grown) * eccentric) / least,
        half=half,
        length=rail.lengths_m * (at.stretch.max(axis=CORNERS) + LONGER),
        uneven_m=np.broadcast_to(eccentric, core.level.shape),
        along=along,
        aside=aside,
        load=grown,
        pull=np.linalg.norm(at.pulls - core.pulls[:, None, None, None], axis=-1).max(axis=CORNERS),
        across=across,
        direction=load / heavy[..., None],
        swung=grown / heavy,
        spare=spare,
        worth_N=(heavy + other) * (worth[:, 1] - worth[:, 0]) / 2.0 * rail.lengths_m / 2.0,
        uneven_N=uneven,
        least=least,
        largest=size + along + aside + uneven + (heavy + grown) * half,
        warm_C=(warm.max(axis=CORNERS) - warm.min(axis=CORNERS)) / 2.0,
    )


def _missed(rail: Rail, cells: Cells, at: Balance, middle: Middle) -> tuple[Floats, ...]:
    """How far a span's miss may be from what the corners say, along it and square to it [m], and its mean tension [N];
    and for each axis what it adds along all spans (cells, 3) [m].

    Points 2, 4 and 5 of the module.
    """
    least, inner = middle.least, middle.inner
    outer = middle.slope - inner
    strings = rail.strain_m.sum(axis=-1)
    size = np.linalg.norm(middle.at.pulls, axis=-1) - middle.pull
    steepest = float(rail.laws[:, 0].max())
    laws = strains(rail.laws, at.mean, np.broadcast_to(cells.loads.warm_C[..., None], at.mean.shape))
    above = (laws - laws.min(axis=-1, keepdims=True)).max(axis=CORNERS).min(axis=-1)
    core = (middle.unit * middle.size[..., None])[:, None, None, None]
    heavy = cells.loads.spans.mean(axis=CORNERS, keepdims=True)
    gap, turned = np.zeros_like(least), np.zeros_like(size)
    along, aside = np.zeros_like(least), np.zeros_like(least)
    by_axis: list[Floats] = []
    for axis in CORNERS:
        # Half of what changes along the axis; what of it lengthens a tension does not turn it.
        tension, load = steps(cells.tensions, axis) / 2.0, steps(cells.loads.spans, axis) / 2.0
        share = (tension.mean(axis=CORNERS) * middle.unit).sum(axis=-1) / middle.size
        scaled = share[:, None, None, None, :, None]
        down, over = (part.max(axis=CORNERS) for part in _split(tension, middle.unit))
        whole = down + over + half_step(cells.loads.spans, axis) * middle.half
        down, over = (part.max(axis=CORNERS) for part in _split(tension - scaled * core, middle.unit))
        down, over = down + np.abs(share) * middle.along, over + np.abs(share) * middle.aside
        blown = np.linalg.norm(load - scaled * heavy, axis=-1).max(axis=CORNERS) + np.abs(share) * middle.load
        # At the middle of the load, and what grows from there to the ends.
        first, more = over + down * inner + blown * middle.uneven_m, down * outer + blown * middle.half
        across = first + more
        square = middle.length * (first**2 + first * more + more**2 / 3.0) + strings * across**2
        sloping = middle.length * (first * inner + (first * outer + more * inner) / 2.0 + more * outer / 3.0)
        sloping += strings * across * middle.slope
        straight = middle.length * (first + more / 2.0) + strings * across
        # The second part: a stretch and a shape that both go with the axis.
        grown = np.abs(steps(at.stretch, axis)).max(axis=CORNERS) / 2.0
        part = (square + 2.0 * whole * sloping) / least**2 / 2.0 + grown * sloping / least
        turn = BENT / 2.0 * (half_step(at.pulls, axis) / size) ** 2
        along += part
        aside += (square * middle.slope + 2.0 * whole * straight) / least**2 / 2.0 + grown * straight / least
        gap += across**2 / least / 2.0
        turned += turn
        by_axis.append(part.sum(axis=1) + 2.0 * (rail.strings_m * turn).sum(axis=1))
    between = steepest * (gap + middle.worth_N) + above
    longer = np.where(between < LONGER, between * rail.lengths_m, np.inf)
    # Worth pulls both halves of the conductor opposite ways, and so moves its end little.
    odd = (middle.length / 2.0 + strings) * (middle.slope + 1.0 - least / middle.largest)
    odd += np.abs(np.diff(rail.strain_m, axis=-1)[..., 0])
    along += longer + middle.worth_N * (middle.length * (inner / 2.0 + outer / 3.0) + strings * middle.slope) / least
    aside += longer * middle.slope + odd * middle.worth_N / least
    square, whole = _shared(middle)
    clamps = rail.strings_m * (turned + TURNED * square / (size - whole))
    both = clamps[:, 1:] + clamps[:, :-1]
    return along + both, aside + both, gap, np.stack(by_axis, axis=1)


def _shared(middle: Middle) -> tuple[Floats, Floats]:
    """What the range of worth moves pulls on clamps by at most, square to them and in all (cells, n + 1) [N].

    It pulls along the loads, and so nearly along the strings.
    """
    pulls = middle.at.pulls
    size = np.linalg.norm(pulls, axis=-1)
    square, whole = np.zeros_like(size), np.zeros_like(size)
    for side in (slice(1, None), slice(None, -1)):
        unit = pulls[:, 1:-1] / size[:, 1:-1, None]
        load = middle.direction[:, side]
        sine = np.linalg.norm(load - (load * unit).sum(axis=-1)[..., None] * unit, axis=-1)
        sine += (middle.pull / size)[:, 1:-1] + middle.swung[:, side]
        square[:, 1:-1] += middle.worth_N[:, side] * np.minimum(sine, 1.0)
        whole[:, 1:-1] += middle.worth_N[:, side]
    return square, whole


def _curvature(
    rail: Rail, middle: Middle, along: Floats, aside: Floats, pull: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """M of the module, (cells, 3 n, 3 n) [m/N], for tensions within these distances of the trial along each span and
    square to it, and pulls on clamps within theirs [N]; and where the bounds it is made of hold."""
    at, level = middle.at, middle.level
    ahead, beside = middle.along + along, middle.aside + aside + middle.uneven_N
    far = (ahead + beside + middle.load * middle.half) / level
    own = np.einsum("cia,ciab,cib->ci", middle.unit, at.give, middle.unit)
    length = middle.length + rail.strain_m.sum(axis=-1)
    turned = (ahead / level + middle.load / middle.across) ** 2 * own + (beside / level) ** 2 * length / level
    k = np.clip(np.sqrt(2.0 * turned / own), 1e-9, 0.99)
    stiffest, softest = float(rail.laws[:, 0].min()), float(rail.laws[:, 0].max())
    # The stretch scales a conductor's part: the least of it in the region over that at the middle.
    shrunk = softest * far * level + float(rail.laws[:, 1].max()) * middle.warm_C[:, None]
    taken = 2.0 * turned * (1.0 / k - 1.0) / (1.0 - far) ** 3 * (1.0 + 1.35 * stiffest * middle.largest)
    spans = (
        ((1.0 - k) / (1.0 + far) * (1.0 - shrunk / at.stretch))[..., None, None] * at.give
        + ((1.0 - k) * stiffest / rail.lengths_m)[..., None, None] * at.reach[..., :, None] * at.reach[..., None, :]
        - taken[..., None, None] * np.eye(3)
    )
    size = np.linalg.norm(at.pulls, axis=-1)
    around = np.zeros_like(size)
    moved = (middle.pull + pull)[:, 1:-1] + middle.worth_N[:, 1:] + middle.worth_N[:, :-1]
    around[:, 1:-1] = moved / size[:, 1:-1]
    sine = np.clip(around / (1.0 - around), 1e-9, 0.99)
    less = rail.strings_m / size / (1.0 - around) * (1.0 / sine - 1.0) * sine**2
    tied = ((1.0 - sine) / (1.0 + around))[..., None, None] * ties(rail, at.pulls) - less[..., None, None] * np.eye(3)
    near = (far < 0.4).all(axis=1) & (around < 0.4).all(axis=1) & (middle.least > 0.0).all(axis=1)
    return joined(spans, tied), near


def clamps_off(strings_m: Floats, pulls: Floats, square_N: Floats, whole_N: Floats) -> Floats:
    """How far clamps are at most from the corners', interpolated, per cell [m]: strings point along their pulls.

    square_N, whole_N: how far pulls are from those at the corners, interpolated: square to themselves, and in all
    """
    least, bent = least_size(pulls), np.zeros_like(whole_N)
    for axis in CORNERS:
        bent += BENT / 2.0 * (half_step(pulls, axis) / least) ** 2
    return np.asarray(strings_m * (bent + TURNED * square_N / (least - whole_N)) * (1.0 + ROUNDING), float)


def steps(values: Floats, axis: int) -> Floats:
    """Differences along an axis of the corners; 0 where the weather has no range there."""
    if values.shape[axis] == 1:
        return np.zeros_like(values)
    return np.diff(values, axis=axis)


def half_step(vectors: Floats, axis: int) -> Floats:
    """Half the greatest size of a difference along an axis of the corners, per cell."""
    return np.asarray(np.linalg.norm(steps(vectors, axis), axis=-1).max(axis=CORNERS) / 2.0, float)


def apart(vectors: Floats) -> Floats:
    """Greatest distance from the middle of a cell's corners."""
    middle = vectors.mean(axis=CORNERS, keepdims=True)
    return np.asarray(np.linalg.norm(vectors - middle, axis=-1).max(axis=CORNERS), float)


def least_size(vectors: Floats) -> Floats:
    """No vector interpolated in a cell is shorter than this."""
    return np.asarray(np.linalg.norm(vectors.mean(axis=CORNERS), axis=-1) - apart(vectors), float)


def _split(vectors: Floats, unit: Floats, axes: int = 3) -> tuple[Floats, Floats]:
    """Size of vectors (cells, corners, n, 3) along and square to a unit vector of each cell (cells, n, 3)."""
    along = unit.reshape(len(unit), *(1,) * axes, *unit.shape[1:])
    part = (vectors * along).sum(axis=-1)
    return np.abs(part), np.asarray(np.linalg.norm(vectors - part[..., None] * along, axis=-1), float)
