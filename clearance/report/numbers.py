"""Owns how numbers are shown: gaps round down, limits round up, so that rounding never turns a near miss into a pass.

To show a gap against its limit use `figures`, which keeps gap, limit and margin consistent with each other and with
the verdict; to show one number alone use `down` or `up`; to show where something is use `place` and `span`. Nothing is
decided here: verdicts were decided on unrounded numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal, localcontext

from clearance.rules.rounding import NOISE_M

PLACES = 2
"""Decimals of a metre that are shown."""

MOST_PLACES = 6
"""Decimals at most, where gap and limit are so close that fewer would contradict the verdict: a micrometre."""

NOTHING = "none"
"""Shown for a gap to which there is no chain, and for a limit that no rule gives."""

DIGITS = 400
"""Decimal digits to reckon with: a float64 of any size is then exact."""


def _rounded(value: Decimal, places: int, rounding: str) -> Decimal:
    with localcontext() as context:
        context.prec = DIGITS
        return value.quantize(Decimal(1).scaleb(-places), rounding=rounding)


def _floor(value: float, places: int) -> Decimal:
    return _rounded(Decimal(value), places, ROUND_FLOOR)


def _ceiling(value: float, places: int) -> Decimal:
    """Rounded up, but for the nanometre of float noise that shown limits are rid of everywhere."""
    with localcontext() as context:
        context.prec = DIGITS
        return _rounded(Decimal(value).quantize(NOISE_M, ROUND_HALF_EVEN), places, ROUND_CEILING)


def _text(value: Decimal) -> str:
    """Without a sign on zero."""
    return f"{abs(value) if value == 0 else value:f}"


def down(value: float | None, places: int = PLACES) -> str:
    """A measured length or a margin, rounded down: what falls short by a hair shows as short.

    >>> down(2.0199), down(-0.0001), down(0.0001)
    ('2.01', '-0.01', '0.00')
    """
    return NOTHING if value is None or not math.isfinite(value) else _text(_floor(value, places))


def up(value: float | None, places: int = PLACES) -> str:
    """A required length, rounded up.

    >>> up(2.0101), up(0.59 + 0.61)
    ('2.02', '1.20')
    """
    return NOTHING if value is None or not math.isfinite(value) else _text(_ceiling(value, places))


@dataclass(frozen=True)
class Figures:
    """A gap against its limit as text [m].

    gap is never above the true gap, limit never below the true limit (but for a nanometre); margin is their difference
    as shown, so a reader who subtracts finds it; short is how much is missing, empty where nothing is
    """

    gap: str
    limit: str
    margin: str
    short: str = ""


def figures(gap_m: float, limit_m: float | None) -> Figures:
    """Gap, limit and margin [m] for people, to the centimetre, finer only where that would contradict the verdict.

    >>> figures(2.0199, 2.02)
    Figures(gap='2.01', limit='2.02', margin='-0.01', short='0.01')
    >>> figures(2.01953, 2.0191)
    Figures(gap='2.0195', limit='2.0191', margin='0.0004', short='')
    """
    if limit_m is None or not math.isfinite(limit_m) or not math.isfinite(gap_m):
        return Figures(down(gap_m), up(limit_m), NOTHING)
    for places in range(PLACES, MOST_PLACES + 1):
        gap, limit = _floor(gap_m, places), _ceiling(limit_m, places)
        if gap_m < limit_m or gap >= limit:
            break
    if gap_m < limit_m and gap >= limit:  # they differ by less than the nanometre of noise
        gap = limit - Decimal(1).scaleb(-places)
    margin = gap - limit if gap_m < limit_m else max(gap - limit, Decimal(0).scaleb(-PLACES))
    return Figures(_text(gap), _text(limit), _text(margin), _text(-margin) if margin < 0 else "")


def _unit(name: str) -> tuple[str, str, int]:
    """A parameter's name in words, its unit with what stands before it, and the decimals worth showing."""
    for suffix, unit, places in (("_deg", "°", 2), ("_m", " m", 3)):
        if name.endswith(suffix):
            return name[: -len(suffix)].replace("_", " "), unit, places
    return name.replace("_", " "), "", 3


def label(parameter: str) -> str:
    """A parameter's name with its unit in brackets, for an axis.

    >>> label("lean_along_deg")
    'lean along [°]'
    """
    words, unit, _ = _unit(parameter)
    return f"{words} [{unit.strip()}]" if unit else words


def place(at: Mapping[str, float]) -> str:
    """Where: every parameter with its unit, to the millimetre and the hundredth of a degree.

    >>> place({"travel_m": 3.2141, "lean_along_deg": -1.5})
    'travel 3.214 m, lean along -1.50°'
    """
    words = []
    for name, value in at.items():
        what, unit, places = _unit(name)
        words.append(f"{what} {_signless(value, places)}{unit}")
    return ", ".join(words)


def span(parameter: str, low: float, high: float) -> str:
    """The range of a parameter.

    >>> span("travel_m", 0.0, 16.5), span("climb_m", 2.0, 2.0)
    ('travel 0 to 16.5 m', 'climb 2 m')
    """
    what, unit, places = _unit(parameter)
    low_text, high_text = _short(low, places), _short(high, places)
    return f"{what} {low_text}{unit}" if low_text == high_text else f"{what} {low_text} to {high_text}{unit}"


def _signless(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    return text.lstrip("-") if not text.strip("-0.") else text


def _short(value: float, places: int) -> str:
    text = _signless(value, places)
    return text.rstrip("0").rstrip(".") if "." in text else text


def exact(value: float) -> str:
    """A number as it was swept, with two decimals at least: what is printed reads back as what was proved.

    >>> exact(1.9), exact(-0.0), exact(2.0625)
    ('1.90', '0.00', '2.0625')
    """
    text = f"{value + 0.0:.2f}"
    return text if float(text) == value else repr(value)
