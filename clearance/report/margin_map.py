"""Owns the margin maps: per bin of travel, of climb, or of both, the verdict over all other parameters.

Verdict is told by hatch and by word in the key, colour repeats it; where there is room each bin carries its margin.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from clearance.report import paper
from clearance.report.findings import KINDS, Word, pair, word
from clearance.report.numbers import down, label, place, span
from clearance.report.paper import Sheet
from clearance.report.style import COLOURS, HATCHES, INK, PAPER, SIGNS
from clearance.result import Cell, Map

CELL_WORDS: Final[dict[Word, str]] = {
    "clear of limit": "clear for all",
    "low margin": "clear for all, low margin",
    "breach": "breach for some",
    "undecided": "undecided",
    "not evaluated": "not evaluated",
}

MOST_ON_SHEET = 9
"""Maps on one sheet; more go on further sheets."""

FLAT_M = 0.04
"""[m] Margins that differ by no more are the same: the lower bounds of two bins are each within 0.02 m of the true
one."""

FOOT = (
    "Each bin holds for every value of all other parameters of the stage. Ranges read off one axis at a time do not "
    "combine: a bin of one map and a bin of another are not jointly proved. The figure in a bin is its proven least "
    "margin [m], rounded down. In the JSON only: maps along one axis of a gap that is mapped along both, and maps "
    "whose margin is the same in every bin."
)


def sheets(titles: tuple[str, str], maps: Sequence[Map]) -> list[Sheet]:
    """The maps of a stage, a few on a sheet."""
    shown = widest(maps)
    return [_sheet(titles, shown[first : first + MOST_ON_SHEET]) for first in range(0, len(shown), MOST_ON_SHEET)]


def widest(maps: Sequence[Map]) -> list[Map]:
    """The maps worth drawing: one along a single axis shows nothing new beside one of the same gap along both, and one
    that is clear by the same margin everywhere shows nothing at all."""
    both = {(m.between, m.kind, m.what, axis) for m in maps if len(m.axes) > 1 for axis in m.axes}
    wide = [m for m in maps if len(m.axes) > 1 or (m.between, m.kind, m.what, m.axes[0]) not in both]
    return [m for m in wide if not flat(m)]


def flat(found: Map) -> bool:
    """Whether a map is clear in every bin by the same margin, as far as its own tolerance tells."""
    margins = [cell.margin_lower_m for cell in found.cells]
    return all(cell.verdict == "clear" for cell in found.cells) and max(margins) - min(margins) <= FLAT_M


def layout(count: int) -> list[tuple[float, float, float, float]]:
    """Boxes for a number of maps, in parts of the sheet."""
    columns = 1 if count == 1 else 2 if count in (2, 4) else 3
    rows = math.ceil(count / columns)
    left, bottom, width, height = 0.06, 0.125, 0.62, 0.755
    across, down_ = width / columns, height / rows
    return [
        (
            left + across * (k % columns),
            bottom + height - down_ * (k // columns + 1) + 0.03,
            across - (0.055 if columns > 1 else 0.0),
            down_ - 0.085,
        )
        for k in range(count)
    ]


def cell_word(cell: Cell) -> Word:
    """The word for a bin."""
    return word(cell.verdict, cell.margin_lower_m)


def rectangle(cell: Cell, axes: tuple[str, ...]) -> tuple[float, float, float, float]:
    """Left, bottom, width and height of a bin of two axes, in their units."""
    (left, right), (bottom, top) = cell.ranges[axes[0]], cell.ranges[axes[1]]
    return left, bottom, right - left, top - bottom


def _sheet(titles: tuple[str, str], maps: Sequence[Map]) -> Sheet:
    sheet = paper.sheet(*titles, notes=[FOOT])
    words: list[Word] = []
    entries: list[tuple[str, str]] = []
    for found, box in zip(maps, layout(len(maps)), strict=True):
        ax = sheet.figure.add_axes(box)
        ax.tick_params(labelsize=7, width=0.6)
        name = f"{pair(found.between)}, {KINDS.get(found.kind, found.kind)}"
        paper.heading(ax, f"{name}\n{found.what}")
        (_plane if len(found.axes) > 1 else _profile)(ax, found)
        words += [cell_word(cell) for cell in found.cells]
        worst = min(found.cells, key=lambda cell: cell.margin_lower_m, default=None)
        if worst is not None:
            seen = f"\nwitness: {place(worst.witness)}" if worst.witness else ""
            bins = ", ".join(span(key, low, high) for key, (low, high) in worst.ranges.items())
            what = cell_word(worst)
            entries.append(
                (
                    f"{SIGNS[what]} {CELL_WORDS[what]}: {pair(found.between)}, {found.kind}\n{found.what}\n"
                    f"least margin {down(worst.margin_lower_m)} m in bin {bins}{seen}",
                    INK if what == "low margin" else COLOURS[what],
                )
            )
    samples: list[tuple[str, dict[str, Any]]] = [
        (CELL_WORDS[w], {"patch": True, **_fill(w)}) for w in CELL_WORDS if w in words
    ]
    paper.key(sheet, entries, samples)
    return sheet


def _fill(what: Word) -> dict[str, Any]:
    """Pale enough that figures and hatches can be read on it, dark enough to tell apart."""
    face = {"clear of limit": "#BFDCEC", "low margin": "#F9E7C0", "breach": "#8B1A1A", "undecided": "#DDDDDD"}
    return {
        "facecolor": face.get(what, PAPER),
        "edgecolor": INK if what != "breach" else PAPER,
        "hatch": HATCHES[what],
        "linewidth": 0.5,
    }


def _plane(ax: Axes, found: Map) -> None:
    """Two axes: a bin a rectangle."""
    first, second = found.axes[:2]
    edges = [np.array([v for cell in found.cells for v in cell.ranges[name]]) for name in (first, second)]
    ax.set_xlim(float(edges[0].min()), float(edges[0].max()))
    ax.set_ylim(float(edges[1].min()), float(edges[1].max()))
    ax.set_xlabel(label(first))
    ax.set_ylabel(label(second))
    per_x, per_y = ax.bbox.width / np.ptp(edges[0]), ax.bbox.height / np.ptp(edges[1])
    for cell in found.cells:
        left, bottom, width, height = rectangle(cell, found.axes)
        what = cell_word(cell)
        ax.add_patch(Rectangle((left, bottom), width, height, **_fill(what)))
        # A figure is about 22 px wide and 9 px high at this size.
        if width * per_x > 24.0 and height * per_y > 11.0 and math.isfinite(cell.margin_lower_m):
            ax.text(
                left + 0.5 * width,
                bottom + 0.5 * height,
                down(cell.margin_lower_m),
                fontsize=5.6,
                ha="center",
                va="center",
                color=INK,
                bbox={"boxstyle": "square,pad=0.12", "facecolor": PAPER, "edgecolor": "none"},
            )


def _profile(ax: Axes, found: Map) -> None:
    """One axis: a bin a bar from nothing to its margin."""
    name = found.axes[0]
    margins = [cell.margin_lower_m for cell in found.cells if math.isfinite(cell.margin_lower_m)]
    low, high = min([0.0, *margins]), max([0.1, *margins])
    room = 0.18 * (high - low)
    ax.set_ylim(low - (room if low < 0 else 0.0), high + room)
    ax.set_xlim(
        min((cell.ranges[name][0] for cell in found.cells), default=0.0),
        max((cell.ranges[name][1] for cell in found.cells), default=1.0),
    )
    ax.set_xlabel(label(name))
    ax.set_ylabel("least margin [m]")
    per_x = ax.bbox.width / max(ax.get_xlim()[1] - ax.get_xlim()[0], 1e-9)
    for cell in found.cells:
        left, right = cell.ranges[name]
        finite = math.isfinite(cell.margin_lower_m)
        height = cell.margin_lower_m if finite else high
        ax.add_patch(Rectangle((left, 0.0), right - left, height, **_fill(cell_word(cell))))
        if (right - left) * per_x > 24.0:
            ax.text(
                0.5 * (left + right),
                height,
                down(cell.margin_lower_m),
                fontsize=5.6,
                ha="center",
                va="bottom" if height >= 0 else "top",
                color=INK,
            )
    ax.axhline(0.0, color=INK, linewidth=1.4)
