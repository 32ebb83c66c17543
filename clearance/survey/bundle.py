"""Owns the recognition of bundles: how many sub-conductors the returns across a wire show, how far apart, in what
arrangement.

Each candidate arrangement is a mixture of equal Gaussian spots in the section across the wire; the spacing and the
spots' widths are fitted by expectation-maximisation, and the Bayesian information criterion chooses between
arrangements (G. Schwarz, "Estimating the dimension of a model", Ann. Statist. 6(2), 1978, 461-464; from memory).
"""

from __future__ import annotations

import numpy as np

from clearance.survey.records import Bundle, Floats

ARRANGEMENTS: dict[str, Floats] = {
    "single": np.zeros((1, 2)),
    "pair": np.array([[-0.5, 0.0], [0.5, 0.0]]),
    "triangle": np.array([[-0.5, np.sqrt(3) / 6], [0.5, np.sqrt(3) / 6], [0.0, -np.sqrt(3) / 3]]),
    "square": np.array([[-0.5, -0.5], [0.5, -0.5], [-0.5, 0.5], [0.5, 0.5]]),
}
"""Places of the sub-conductors for a spacing of 1, beside and above the centre. A pair may be turned; the others are
upright."""

SPACINGS_M = (0.2, 0.7)
"""[m] Spacing of sub-conductors between which a bundle is looked for (0.3 to 0.5 m is common practice, no source)."""

FEWEST_RETURNS = 40
"""Returns below which a bundle is not told from a scattered single conductor."""

MOST_RETURNS = 500
"""Returns a bundle is recognised from, evenly taken: the spacing comes out to a centimetre."""

LOWEST_TALL_M = 0.10
"""[m] Returns scattering less than this in height cannot be from sub-conductors above one another (at least 0.2 m
apart)."""

NARROWEST_SPOT_M = 0.015
"""[m] Least width of a spot: about a conductor's radius."""


def _fit_mixture(
    section: Floats, shape: Floats, spacing: float, turn: float, turns: bool
) -> tuple[float, float, float]:
    """Log-likelihood, spacing [m] and turn [rad] of equal spots in the arrangement `shape`."""
    number = len(shape)
    width = np.array([0.08, 0.05])
    likelihood = -np.inf
    across, up = np.ascontiguousarray(section.T)
    for _ in range(40):
        places = spacing * shape @ _rotation(turn)
        log = np.square((across - places[:, :1]) / width[0])
        log += np.square((up - places[:, 1:]) / width[1])
        log *= -0.5
        log -= float(np.log(width[0] * width[1] * 2.0 * np.pi * number))
        top = log.max(axis=0)
        share = np.exp(log - top)
        total = share.sum(axis=0)
        share /= total
        # a stray return weighs no more than this
        before, likelihood = likelihood, float(np.sum(np.maximum(top + np.log(total), -9.0)))
        if turns:
            # the pair's half vector is the mean of the returns, those of the one spot mirrored
            vector = (share[1] - share[0]) @ section / len(section)
            spacing, turn = 2.0 * float(np.hypot(*vector)), float(np.arctan2(vector[1], vector[0]))
        elif number > 1:
            scaled = shape / width
            spacing = float(np.sum(share @ (section / width) * scaled))
            spacing /= float(np.sum(share.sum(axis=1) * np.square(scaled).sum(axis=1)))
        if number > 1:
            spacing = float(np.clip(spacing, *SPACINGS_M))
        places = spacing * shape @ _rotation(turn)
        squares = [
            float(np.sum(share * np.minimum(np.square(some - places[:, axis : axis + 1]), 0.36)))
            for axis, some in enumerate((across, up))
        ]
        width = np.maximum(np.sqrt(np.array(squares) / len(section)), NARROWEST_SPOT_M)
        if likelihood - before < 2e-4 * len(section):
            break
    return likelihood, spacing, turn


def _rotation(turn: float) -> Floats:
    """(2, 2) that turns rows anticlockwise."""
    return np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])


def recognise(section: Floats) -> tuple[Bundle, Floats]:
    """The bundle that returns show, from their places (n, 2) beside and above the fitted centre [m].

    Gives the bundle and the places of its sub-conductors (k, 2) [m].
    """
    spread = float(np.quantile(np.abs(section[:, 0]), 0.95)) if len(section) else 0.0
    if len(section) < FEWEST_RETURNS:
        return Bundle(1, 0.0, "single", spread), np.zeros((1, 2))
    some = section[:: max(1, len(section) // MOST_RETURNS)]
    best: tuple[float, str, float, float] | None = None
    flat = 1.4826 * float(np.median(np.abs(some[:, 1]))) < LOWEST_TALL_M
    for name, shape in ARRANGEMENTS.items():
        if flat and name in ("triangle", "square"):
            continue
        starts = {"single": ((0.0, 0.0),), "pair": ((0.4, 0.0),) if flat else ((0.4, 0.0), (0.4, np.pi / 2))}.get(
            name, ((0.4, 0.0),)
        )
        for start, turned in starts:
            likelihood, spacing, turn = _fit_mixture(some, shape, start, turned, name == "pair")
            free = {"single": 2, "pair": 4}.get(name, 3)
            score = -2.0 * likelihood + free * np.log(len(some))
            if name != "single" and not SPACINGS_M[0] * 1.02 < spacing < SPACINGS_M[1] * 0.98:
                continue
            if best is None or score < best[0] - (10.0 if best[1] != name else 0.0):
                best = (float(score), name, spacing, turn)
    assert best is not None
    _, name, spacing, turn = best
    if name == "single":
        return Bundle(1, 0.0, name, spread), np.zeros((1, 2))
    places = spacing * ARRANGEMENTS[name] @ _rotation(turn)
    if name == "pair":
        name = "horizontal pair" if abs(np.sin(turn)) < np.sqrt(0.5) else "vertical pair"
    return Bundle(len(places), spacing, name, spread), places


def nearest(section: Floats, places: Floats) -> Floats:
    """Place (n, 2) of the sub-conductor that each return (n, 2) is most likely from [m]: the nearest, sideways counted
    less since returns scatter more that way."""
    away = np.square((section[:, None, :] - places[None]) / np.array([1.0, 0.6])).sum(axis=2)
    return np.asarray(places[np.argmin(away, axis=1)])
