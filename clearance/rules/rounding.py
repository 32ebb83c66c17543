"""Owns how a required distance is shown: always rounded up, never down.

Decisions use the unrounded number; only what a person reads passes through here.
"""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

METRES_PER_FOOT = 0.3048
"""[m/ft], exact by the international definition of the foot."""

NOISE_M = Decimal("1e-9")
"""[m] Float noise taken off before rounding up, so that 0.59 + 0.61 shows as 1.20 and not 1.21. One nanometre is a
million times the noise of a float64 sum of metres and far below anything measured; a shown limit may be low by no more
than this."""


def up(value: float, step: float = 0.01) -> float:
    """The least multiple of `step` that is not below `value` (but for a nanometre of float noise).

    >>> up(2.0098), up(0.59 + 0.61), up(2.0101)
    (2.01, 1.2, 2.02)
    """
    size = Decimal(repr(step))
    return float((Decimal(value).quantize(NOISE_M, ROUND_HALF_EVEN) / size).to_integral_value(ROUND_CEILING) * size)


def metres(value: float) -> str:
    """Metres to the centimetre, rounded up, as Table R-7 of 29 CFR 1910.269 is.

    >>> metres(2.0098)
    '2.01 m'
    """
    return f"{up(value):.2f} m"


def feet(value: float) -> str:
    """A length in metres shown in feet to a hundredth, rounded up.

    >>> feet(2.0098)
    '6.60 ft'
    """
    return f"{up(value / METRES_PER_FOOT):.2f} ft"


def down(value: float, step: float = 0.01) -> float:
    """The largest multiple of `step` that is not above `value`: for what an engineer may reach, never for a limit.

    >>> down(1.999)
    1.99
    """
    return -up(-value, step)
