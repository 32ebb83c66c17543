"""Owns where labels go: each near what it names, none over another, always the same for the same drawing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RINGS: Final = 22
SPOKES: Final = 16
"""Places tried around an anchor: on rings ever further out, the nearest first."""

COVERING: Final = 40.0
"""[px] A place that covers one point of a line to be kept visible counts as this much further away."""


@dataclass(frozen=True)
class Box:
    """A rectangle [px], y up."""

    left: float
    bottom: float
    right: float
    top: float

    def overlaps(self, other: Box) -> bool:
        return (
            self.left < other.right and other.left < self.right and self.bottom < other.top and other.bottom < self.top
        )

    def inside(self, other: Box) -> bool:
        return (
            self.left >= other.left
            and self.right <= other.right
            and self.bottom >= other.bottom
            and self.top <= other.top
        )


def place_labels(
    sizes: Sequence[tuple[float, float]],
    anchors: Sequence[tuple[float, float]],
    sheet: Box,
    taken: Sequence[Box] = (),
    keep_visible: Floats | None = None,
    gap_px: float = 3.0,
) -> list[Box | None]:
    """A box for each label, in order: earlier labels get the better places. None where there is no room at all.

    sizes: width and height [px]; anchors: what each names [px]; taken: boxes not to touch; keep_visible: (n, 2) points
    of lines that labels should not cover [px]
    """
    points = np.zeros((0, 2)) if keep_visible is None else keep_visible
    placed = list(taken)
    found: list[Box | None] = []
    for (width, height), (x, y) in zip(sizes, anchors, strict=True):
        best: tuple[float, Box] | None = None
        for ring in range(RINGS):
            away = 8.0 + 13.0 * ring
            if best is not None and away > best[0]:
                break
            for spoke in range(SPOKES):
                angle = 2.0 * math.pi * (spoke + 0.5 * (ring % 2)) / SPOKES + 0.25 * math.pi
                # The box touches the ring from outside, so a label beside its anchor does not lie over it.
                cos, sin = math.cos(angle), math.sin(angle)
                cx, cy = x + cos * (away + 0.5 * width), y + sin * (away + 0.5 * height)
                box = Box(cx - 0.5 * width, cy - 0.5 * height, cx + 0.5 * width, cy + 0.5 * height)
                grown = Box(box.left - gap_px, box.bottom - gap_px, box.right + gap_px, box.top + gap_px)
                if not grown.inside(sheet) or any(grown.overlaps(other) for other in placed):
                    continue
                covered = (
                    (points[:, 0] > grown.left)
                    & (points[:, 0] < grown.right)
                    & (points[:, 1] > grown.bottom)
                    & (points[:, 1] < grown.top)
                )
                cost = away + COVERING * float(np.count_nonzero(covered))
                if best is None or cost < best[0]:
                    best = (cost, box)
        found.append(best[1] if best else None)
        if best:
            placed.append(best[1])
    return found


def nearest_on(box: Box, x: float, y: float) -> tuple[float, float]:
    """The point of a box nearest to another point, where a leader ends."""
    return min(max(x, box.left), box.right), min(max(y, box.bottom), box.top)
