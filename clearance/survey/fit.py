"""Owns the fit of a catenary to returns, robustly, with its covariance, and what the fit says about any point of the
wire.

To fit use `fit_curve`; to evaluate use `height`, `offset`, `place`; for the uncertainty use `standard_errors`.

The loss is soft-L1, minimised by iteratively reweighted Gauss-Newton steps. Neighbouring returns err together (one
flight line, one gust), so the covariance of independent returns is multiplied by how much means over 10 m scatter in
excess.
"""

from __future__ import annotations

import math

import numpy as np

from clearance.survey.records import Bundle, Curve, Floats

END_LEFT_OUT_M = 3.0
"""[m] Left out of a fit at each support: clamps, armour rods and string returns are not on the catenary."""

BLOCK_M = 10.0
"""[m] Returns closer than this are taken to err together when the covariance is scaled."""

SMALLEST_SCATTER_M = 0.008
"""[m] No fit claims a finer scatter of returns than this: about a third of a conductor's diameter."""

MOST_TURNS = 20
"""Reweighted steps at most; five to eight settle a fit."""

SMALL_TILT = 1.0e-5
"""[1] Change of the squared tangent of the tilt that leaves the vertical fit as it is: below 0.1 mm at a sag of 10
m."""

FLATTEST = 1.0e-6
"""[1/m] Curvature below which a wire is straight for every purpose (catenary constant 1000 km)."""

SHARPEST = 1.0 / 25.0
"""[1/m] Curvature above which no span wire hangs (catenary constant 25 m)."""


def frame(xy: Floats) -> tuple[Floats, Floats]:
    """Middle (2,) and direction (2,) of the straight line through points (n, 2) [m] in plan, pointing to +x, or +y."""
    middle = (xy.min(axis=0) + xy.max(axis=0)) / 2.0
    _, vectors = np.linalg.eigh(np.cov((xy - xy.mean(axis=0)).T))
    direction = vectors[:, 1]
    lead = direction[0] if abs(direction[0]) > 1e-9 else direction[1]
    return middle, np.asarray(direction * (1.0 if lead > 0 else -1.0))


def to_frame(xyz: Floats, base: Floats, direction: Floats) -> Floats:
    """Points (n, 3) as s, t, z in the frame of a span [m]."""
    out = np.empty((len(xyz), 3))
    x, y = xyz[:, 0] - base[0], xyz[:, 1] - base[1]
    out[:, 0] = x * direction[0] + y * direction[1]
    out[:, 1] = y * direction[0] - x * direction[1]
    out[:, 2] = xyz[:, 2]
    return out


def _height(vertical: Floats, blow_out: float, s: Floats) -> Floats:
    """Height of the wire at s [m]."""
    h, m, q = vertical.tolist()
    c = math.sqrt(1.0 + blow_out**2)
    half = s * (q * c / 2.0)
    # cosh(x + start) - cosh(start) without cancellation: 2 sinh(x / 2 + start) sinh(x / 2)
    rise = np.sinh(half + math.asinh(c * m)) * np.sinh(half)
    rise *= 2.0 / (q * c**2)
    rise += h
    return np.asarray(rise)


def height(curve: Curve, s: Floats) -> Floats:
    """Height of the wire at s [m]."""
    return _height(curve.vertical, float(curve.lateral[2]), np.asarray(s, float))


def slope(curve: Curve, s: Floats) -> Floats:
    """Slope dz/ds of the wire at s [1]."""
    _, m, q = curve.vertical.tolist()
    c = math.sqrt(1.0 + float(curve.lateral[2]) ** 2)
    return np.asarray(np.sinh(q * c * np.asarray(s, float) + math.asinh(c * m)) / c)


def offset_and_height(curve: Curve, s: Floats) -> tuple[Floats, Floats]:
    """Place of the wire to the left of the frame's line, and its height, at s [m]."""
    z = height(curve, s)
    aside, turn, blow_out = curve.lateral.tolist()
    h, m, _ = curve.vertical.tolist()
    return np.asarray((aside - blow_out * h) + (turn - blow_out * m) * s + blow_out * z), z


def offset(curve: Curve, s: Floats) -> Floats:
    """Place of the wire to the left of the frame's line at s [m]."""
    return offset_and_height(curve, np.asarray(s, float))[0]


def place(curve: Curve, s: Floats) -> Floats:
    """Points (n, 3) of the wire at s [m, local]."""
    s = np.asarray(s, float)
    left = np.array([-curve.direction[1], curve.direction[0]])
    aside, z = offset_and_height(curve, s)
    return np.column_stack([curve.base + s[:, None] * curve.direction + aside[:, None] * left, z])


def _derivatives(vertical: Floats, blow_out: float, s: Floats) -> tuple[Floats, Floats]:
    """Height [m], and (3, n) its change with h, m and q, in closed form (sums of hyperbolic functions as products, as
    in `_height`)."""
    h, m, q = vertical.tolist()
    c = math.sqrt(1.0 + blow_out**2)
    half = s * (q * c / 2.0)
    sinh_half = np.sinh(half)
    half += math.asinh(c * m)
    sinh_on = np.sinh(half)
    rise = sinh_on * sinh_half
    rise *= 2.0 / (q * c**2)
    steepening = np.sqrt(np.square(sinh_on) + 1.0)  # the cosh of it, of which the sinh is known
    steepening *= sinh_half
    steepening *= 2.0
    out = np.empty((3, len(s)))
    out[0] = 1.0
    np.multiply(steepening, 1.0 / (q * c * math.sqrt(1.0 + (c * m) ** 2)), out=out[1])
    steepening *= 1.0 / c
    steepening += m
    steepening *= s
    steepening -= rise
    np.multiply(steepening, 1.0 / q, out=out[2])
    return h + rise, out


def standard_errors(curve: Curve, s: Floats) -> tuple[Floats, Floats]:
    """Standard error of the wire's height and of its lateral place at s [m], from the fit alone."""
    s = np.asarray(s, float)
    z, up = _derivatives(curve.vertical, float(curve.lateral[2]), s)
    side = np.stack([np.ones_like(s), s, z - curve.vertical[0] - curve.vertical[1] * s])
    return (
        np.sqrt(np.einsum("in,ij,jn->n", up, curve.vertical_covariance, up)),
        np.sqrt(np.einsum("in,ij,jn->n", side, curve.lateral_covariance, side)),
    )


def median(values: Floats) -> float:
    """The median, as of numpy but without its checks, which on short arrays take most of the time."""
    middle = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, middle)[middle])
    part = np.partition(values, [middle - 1, middle])
    return (float(part[middle - 1]) + float(part[middle])) / 2.0


def _quantile(ascending: Floats, share: float) -> float:
    """Quantile of values in order, linear between them as numpy's."""
    at = share * (len(ascending) - 1)
    low = min(int(at), len(ascending) - 1)
    high = min(low + 1, len(ascending) - 1)
    return float(ascending[low]) + (at - low) * float(ascending[high] - ascending[low])


def _spread(residual: Floats) -> float:
    """Robust standard deviation about zero [m]: 1.4826 times the median of the absolute values."""
    middle = len(residual) // 2
    return max(1.4826 * float(np.partition(np.abs(residual), middle)[middle]), SMALLEST_SCATTER_M)


def _excess(residual: Floats, s: Floats, scatter: float) -> float:
    """How far the variance of block means exceeds that of independent returns: at least 1."""
    block = np.floor((s - s.min()) / BLOCK_M).astype(np.int64)
    count = np.bincount(block)
    clipped = np.clip(residual, -3.0 * scatter, 3.0 * scatter)
    total = np.bincount(block, clipped)
    variance = max(float(np.mean(np.square(clipped))), 1e-12)
    return max(1.0, float(np.mean(np.square(total[count > 0]) / count[count > 0])) / variance)


def _inverse(normal: Floats, added: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Floats:
    """Inverse of a symmetric positive definite matrix (3, 3) with something added on its diagonal.

    By its Cholesky factor, its rows and columns scaled to a diagonal of one: as sound as the general inverse, and much
    faster at this size.
    """
    (a00, _, _), (a10, a11, _), (a20, a21, a22) = normal.tolist()
    a00, a11, a22 = a00 + added[0], a11 + added[1], a22 + added[2]
    s0, s1, s2 = 1.0 / math.sqrt(a00 + 1e-30), 1.0 / math.sqrt(a11 + 1e-30), 1.0 / math.sqrt(a22 + 1e-30)
    a10, a20, a21 = a10 * s0 * s1, a20 * s0 * s2, a21 * s1 * s2
    one = 1.0 + 1e-12
    l11 = math.sqrt(max(one - a10 * a10, 1e-15))
    l21 = (a21 - a20 * a10) / l11
    i11, i22 = 1.0 / l11, 1.0 / math.sqrt(max(one - a20 * a20 - l21 * l21, 1e-15))
    i10 = -a10 * i11
    i21 = -l21 * i11 * i22
    i20 = -(a20 + l21 * i10) * i22
    b10, b20, b21 = (i10 * i11 + i20 * i21) * s0 * s1, i20 * i22 * s0 * s2, i21 * i22 * s1 * s2
    return np.array(
        [
            [(1.0 + i10 * i10 + i20 * i20) * s0 * s0, b10, b20],
            [b10, (i11 * i11 + i21 * i21) * s1 * s1, b21],
            [b20, b21, i22 * i22 * s2 * s2],
        ]
    )


def _solve(design: Floats, weight: Floats, residual: Floats, prior: float) -> tuple[Floats, Floats]:
    """Weighted least-squares step for a design (3, n), with a prior's information on the third parameter; step and
    inverse of the normal matrix."""
    weighted = design * weight
    inverse = _inverse(weighted @ design.T, (0.0, 0.0, prior))
    return inverse @ (weighted @ residual), inverse


def _weight(residual: Floats, scatter: float) -> Floats:
    """Weights of the soft-L1 loss."""
    out = residual * (1.0 / (1.5 * scatter))
    out *= out
    out += 1.0
    np.sqrt(out, out=out)
    return np.asarray(np.reciprocal(out, out=out))


def _fit_vertical(
    s: Floats, z: Floats, blow_out: float, start: Floats, prior: tuple[float, float] | None
) -> tuple[Floats, Floats, float]:
    """Parameters, inverse normal matrix and scatter of the vertical fit."""
    vertical = start.copy()
    scatter, inverse = SMALLEST_SCATTER_M, np.eye(3)
    for turn in range(MOST_TURNS):
        there, design = _derivatives(vertical, blow_out, s)
        residual = z - there
        scatter = _spread(residual)
        weight = _weight(residual, scatter)
        information, pull = 0.0, 0.0
        if prior is not None:
            information, pull = (scatter / prior[1]) ** 2, prior[0] - float(vertical[2])
            residual -= design[2] * pull
        step, inverse = _solve(design, weight, residual, information)
        moved = vertical + step
        moved[2] = min(max(moved[2] + pull, FLATTEST), SHARPEST)
        change = np.abs(moved - vertical)
        vertical = moved
        # settled to a tenth of a millimetre in height; the median in the scale keeps smaller steps alive
        if turn > 1 and change[0] < 1e-4 and change[1] < 1e-6 and change[2] < 2e-8:
            break
    return vertical, inverse, scatter


def _quadratic(s: Floats, z: Floats) -> Floats:
    """Height, slope and curvature at s = 0 of a parabola, robust against one return in four being off."""
    keep = np.ones(len(s), bool)
    guess = np.array([median(z), 0.0, 1e-3])
    for _ in range(6):
        if keep.sum() < 3:
            break
        guess = _parabola(s[keep], z[keep])
        off = np.abs(z - (guess[0] + s * (guess[1] + s * (guess[2] / 2.0))))
        before, keep = keep, off <= max(3.0 * 1.4826 * median(off), 0.03)
        if (keep == before).all():
            break
    guess[2] = min(max(guess[2], FLATTEST), SHARPEST)
    return guess


def _parabola(s: Floats, z: Floats) -> Floats:
    """Height, slope and curvature at s = 0 of the parabola through points, by least squares; of three points or fewer,
    of a straight line with a typical curvature."""
    low, high = float(s.min()), float(s.max())
    middle, half = (low + high) / 2.0, max((high - low) / 2.0, 1e-9)
    x = (s - middle) / half
    design = np.stack([np.ones_like(x), x, np.square(x)])
    straight = len(s) <= 3 or high <= low
    if straight:
        design[2] = 0.0
    normal = design @ design.T
    a, b, c = (_inverse(normal) @ (design @ z)).tolist()
    b, c = b / half, c / half**2
    return np.array([a - middle * (b - middle * c), b - 2.0 * middle * c, 1e-3 if straight else 2.0 * c])


def fit_curve(
    returns: Floats,
    base: Floats,
    direction: Floats,
    bundle_offsets: Floats | None = None,
    prior: tuple[float, float] | None = None,
    near: Curve | None = None,
) -> Curve:
    """Fit a catenary in a tilted plane to returns (n, 3) [m] of one wire.

    Parameters: base (2,) and direction (2,) of the frame; bundle_offsets (n, 2), place of each return's sub-conductor
    beside and above the bundle's centre [m]; prior: curvature and its standard deviation [1/m] from wires beside it,
    for parts too short or too sparse to show their own; near: an earlier curve in the same frame to start from.
    """
    placed = to_frame(returns, base, direction)
    s, t, z = placed.T
    if bundle_offsets is not None:
        t, z = t - bundle_offsets[:, 0], z - bundle_offsets[:, 1]
    start = _quadratic(s, z) if near is None else near.vertical.copy()
    if near is None and prior is not None and (len(s) < 12 or np.ptp(s) < 60.0):
        start[2] = prior[0]
        start[1] = (
            float(np.polynomial.polynomial.polyfit(s, z - start[2] * s * s / 2.0, 1)[1])
            if len(s) > 1 and np.ptp(s) > 0
            else 0.0
        )
        start[0] = median(z - start[1] * s - start[2] * s * s / 2.0)
    blow_out, lateral = (0.0, np.zeros(3)) if near is None else (float(near.lateral[2]), near.lateral.copy())
    inverse_t, scatter_t, side = np.eye(3), 1.0, np.zeros_like(t)
    vertical, inverse_z, scatter_z = _fit_vertical(s, z, blow_out, start, prior)
    for _ in range(2):
        design = np.stack([np.ones_like(s), s, _height(vertical, blow_out, s) - vertical[0] - vertical[1] * s])
        side = t - lateral @ design
        for _turn in range(MOST_TURNS):
            scatter_t = _spread(side)
            # blow-out beyond 45 degrees is not met while surveying; the prior also holds parts too flat to show it
            information, pull = (scatter_t / 0.3) ** 2, -float(lateral[2])
            step, inverse_t = _solve(design, _weight(side, scatter_t), side - design[2] * pull, information)
            step[2] += pull
            lateral = lateral + step
            side = t - lateral @ design
            moves = np.abs(step)
            if moves[0] < 1e-4 and moves[1] < 1e-6 and moves[2] < 1e-5:
                break
        before, blow_out = blow_out, float(lateral[2])
        if abs(blow_out**2 - before**2) < SMALL_TILT:
            break
        vertical, inverse_z, scatter_z = _fit_vertical(s, z, blow_out, vertical, prior)
    residual = z - _height(vertical, blow_out, s)
    # returns have heavier tails than a normal law of their median spread: take what holds 95 in 100 of them too, the
    # share raised by the standard error of a share of so many
    share = min(1.0, 0.95 + float(np.sqrt(0.95 * 0.05 / len(s))))
    off_z, off_t = np.abs(residual), np.abs(side)
    ascending = np.sort(off_z)
    scatter_z = max(scatter_z, _quantile(ascending, share) / 1.96)
    scatter_t = max(scatter_t, _quantile(np.sort(off_t), share) / 1.96)
    used_z, used_t = off_z <= 6.0 * scatter_z, off_t <= 6.0 * scatter_t
    excess_z, excess_t = _excess(residual, s, scatter_z), _excess(side, s, scatter_t)
    few = len(s) / max(len(s) - 3.0, 1.0)
    return Curve(
        base,
        direction,
        vertical,
        inverse_z * scatter_z**2 * excess_z * few,
        lateral,
        inverse_t * scatter_t**2 * excess_t * few,
        float(np.sqrt(np.mean(np.square(residual[used_z])))),
        float(np.sqrt(np.mean(np.square(side[used_t])))),
        _quantile(ascending, 0.95),
        scatter_z,
        scatter_t,
        max(excess_z, excess_t),
        len(s),
    )


def residuals(curve: Curve, returns: Floats, bundle_offsets: Floats | None = None) -> Floats:
    """(n, 3) place along s, lateral and vertical residual of returns [m]."""
    placed = to_frame(returns, curve.base, curve.direction)
    s = placed[:, 0]
    aside, z = offset_and_height(curve, s)
    out = np.column_stack([s, placed[:, 1] - aside, placed[:, 2] - z])
    if bundle_offsets is not None:
        out[:, 1:] -= bundle_offsets
    return out


SINGLE = Bundle(1, 0.0, "single", 0.0)
