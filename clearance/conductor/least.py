"""Owns the search for the least point of a convex function: a damped Newton iteration that refuses not to settle."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError, Mistake

Floats = NDArray[np.float64]

ITERATIONS = 200
"""[1] Newton steps before a line is refused; ordinary spans take 4 to 12."""


def newton(
    energy: Callable[[Floats], tuple[float, Floats, Floats]],
    guess: Floats,
    accept_m: float,
    what: str,
    most: int = ITERATIONS,
) -> tuple[Floats, float]:
    """Least point of a convex function given with gradient [m] and second derivative; returns it and the gradient's
    size.

    Raises InputError when the gradient stays above `accept_m` after so many steps at most.
    """
    here = guess
    value, gradient, curve = energy(here)
    size = float(np.max(np.abs(gradient)))
    for _ in range(most):
        if size <= accept_m * 1e-4:
            break
        damping = 1e-14 * float(np.trace(curve)) / len(here)
        step = -np.linalg.solve(curve + damping * np.eye(len(here)), gradient)
        # Never let a first step run away: tension changes by a factor, not by orders of magnitude.
        longest = 4.0 * (float(np.linalg.norm(here)) + 1.0)
        step *= min(1.0, longest / (float(np.linalg.norm(step)) + 1e-300))
        fraction = 1.0
        # Where the gradient is good enough already, what is left is rounding: no use in ever shorter steps.
        for _ in range(60 if size > accept_m else 3):
            trial = energy(here + fraction * step)
            trial_size = float(np.max(np.abs(trial[1])))
            if trial_size < size * (1.0 - 1e-4 * fraction) or trial[0] < value + 1e-4 * fraction * float(
                gradient @ step
            ):
                break
            fraction /= 2.0
        else:
            break
        here = here + fraction * step
        value, gradient, curve = trial
        size = trial_size
    if not (isfinite(size) and size <= accept_m):
        raise InputError(
            Mistake(
                (what,),
                f"an equilibrium within {accept_m:.1e} m",
                f"{size:.2e} m left after {most} steps",
                "check lengths, loads and attachments",
            )
        )
    return here, size
