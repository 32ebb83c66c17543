"""Owns the decision: gap and required distance in, verdict out. It sees unrounded numbers only."""

from __future__ import annotations

from clearance.result import Verdict


def judge(gap_lower_m: float, gap_upper_m: float, required_m: float | None) -> Verdict:
    """Clear when proved at or above, breach when seen below, else undecided; with nothing required, undecided.

    >>> judge(2.02, 2.03, 2.02), judge(2.00, 2.01, 2.02), judge(2.01, 2.03, 2.02), judge(9.0, 9.0, None)
    ('clear', 'breach', 'undecided', 'undecided')
    """
    if required_m is None:
        return "undecided"
    if gap_lower_m >= required_m:
        return "clear"
    if gap_upper_m < required_m:
        return "breach"
    return "undecided"
