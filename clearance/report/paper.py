"""Owns the sheet a drawing is on: its size, title, key, notes, labels, and the files it becomes.

Everything is drawn with matplotlib's object interface under fixed settings, so a reader's own configuration changes
nothing, and the same drawing gives the same bytes.
"""

from __future__ import annotations

import math
import os
import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, cast

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from matplotlib.ticker import FixedFormatter, FixedLocator
from numpy.typing import NDArray

from clearance.report.findings import SUPPORTS
from clearance.report.labels import Box, nearest_on, place_labels
from clearance.report.style import INK, PAPER
from clearance.report.views import Window, round_length

Floats = NDArray[np.float64]

WIDTH_IN, HEIGHT_IN, DPI = 11.69, 8.27, 100
"""A4, landscape."""

TICK_PX: Final = 42.0
"""[px] Least distance between two ticks of an axis: room for a figure of six characters."""

KEY_COLUMNS: Final = 54
"""Characters on a line of the key."""

SETTINGS: Final[dict[str, Any]] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 8.0,
    "axes.titlesize": 8.5,
    "axes.labelsize": 8.0,
    "axes.edgecolor": INK,
    "axes.linewidth": 0.7,
    "hatch.linewidth": 0.7,
    "svg.fonttype": "none",
    "svg.hashsalt": "clearance",
    "pdf.fonttype": 3,  # text stays selectable, and embedding takes a fifth of the time of type 42
    "pdf.compression": 6,
    "text.parse_math": False,
    "path.simplify": True,
}


@contextmanager
def settings() -> Iterator[None]:
    """Fixed drawing settings, whatever the reader's configuration."""
    kept = ("backend", "interactive", "toolbar")
    own: dict[Any, Any] = {
        name: value for name, value in matplotlib.rcParamsDefault.items() if not name.startswith(kept)
    }
    with warnings.catch_warnings(), matplotlib.rc_context():
        # A name may hold letters the font has not: they show as boxes, which is no reason to stop.
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*")
        warnings.simplefilter("ignore", matplotlib.MatplotlibDeprecationWarning)
        matplotlib.rcParams.update(own)
        matplotlib.rcParams.update(cast(Any, SETTINGS))
        yield


@dataclass
class Label:
    """A label to be placed: what it says, what it names [m in the axes], and whether a leader joins them."""

    words: str
    at: tuple[float, float]
    colour: str = INK
    weight: str = "normal"
    leader: bool = True
    framed: bool = False


@dataclass
class Sheet:
    """A drawing being made: figure, the labels it waits for, and the lines of its key."""

    figure: Figure
    title: str
    labels: list[Label] = field(default_factory=list)
    visible: list[Floats] = field(default_factory=list)
    taken: list[Box] = field(default_factory=list)
    placed: list[tuple[Text, Box]] = field(default_factory=list)
    unplaced: list[str] = field(default_factory=list)


def sheet(title: str, subtitle: str, notes: Sequence[str]) -> Sheet:
    """An empty sheet with its title above and its notes below."""
    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(figure)
    figure.text(0.045, 0.972, title, fontsize=12, fontweight="bold", va="top", color=INK)
    figure.text(0.045, 0.940, subtitle, fontsize=8, va="top", color=INK)
    made = Sheet(figure, title)
    footer(made, notes)
    return made


def footer(on: Sheet, notes: Sequence[str]) -> None:
    """Notes at the foot of the sheet, and below them what every output says."""
    if notes:
        lines = [*textwrap.wrap(" ".join(notes), 225), SUPPORTS]
        on.figure.text(0.045, 0.014, "\n".join(lines), fontsize=6.8, va="bottom", color=INK, linespacing=1.25)


Part = tuple[float, float, float, float]
"""Left, bottom, width and height in parts of the sheet."""

VIEW_BOX: Final[Part] = (0.06, 0.135, 0.62, 0.765)
"""Where the drawing proper is."""


def aspect(box: Part = VIEW_BOX) -> float:
    """Width over height of a part of the sheet."""
    return box[2] * WIDTH_IN / (box[3] * HEIGHT_IN)


def axes(on: Sheet, frame: Window, horizontal: str, vertical: str, box: Part = VIEW_BOX) -> Axes:
    """Axes to one scale in both directions, that show exactly the window."""
    made = on.figure.add_axes(box)
    made.set_xlim(frame.left, frame.right)
    made.set_ylim(frame.bottom, frame.top)
    made.set_xlabel(horizontal)
    made.set_ylabel(vertical)
    made.tick_params(labelsize=7, width=0.6)
    for axis, low, high, part in (
        (made.xaxis, frame.left, frame.right, made.bbox.width),
        (made.yaxis, frame.bottom, frame.top, made.bbox.height),
    ):
        # Chosen here, to one step for both, rather than looked for at every draw, which takes long.
        marks = ticks(low, high, TICK_PX * (high - low) / part)
        axis.set_major_locator(FixedLocator([at for at, _ in marks]))
        axis.set_major_formatter(FixedFormatter([words for _, words in marks]))
    return made


def ticks(low: float, high: float, least: float) -> list[tuple[float, str]]:
    """Round values from low to high, no nearer than `least` to one another, with their words.

    >>> ticks(-0.3, 1.2, 0.4)
    [(0.0, '0.0'), (0.5, '0.5'), (1.0, '1.0')]
    >>> ticks(-12.0, 7.0, 3.0)
    [(-10.0, '-10'), (-5.0, '-5'), (0.0, '0'), (5.0, '5')]
    """
    power = 10.0 ** math.floor(math.log10(least))
    step = next(part * power for part in (1.0, 2.0, 5.0, 10.0) if part * power >= least * (1.0 - 1e-9))
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [(k * step + 0.0, f"{k * step + 0.0:.{decimals}f}") for k in range(first, last + 1)]


def heading(on_axes: Axes, words: str) -> None:
    """A heading above axes, at a fixed place; matplotlib's own title looks for one at every draw, which takes long."""
    on_axes.text(0.0, 1.012, words, transform=on_axes.transAxes, fontsize=7.5, va="bottom", color=INK)


KEY_STEP: Final = 9.3
"""[pt] From line to line in the key."""


def _key_lines(words: str) -> list[str]:
    return [
        line
        for part in words.split("\n")
        for line in textwrap.wrap(part, KEY_COLUMNS, subsequent_indent="    ") or [""]
    ]


def fitting(entries: Sequence[tuple[str, str]], samples: Sequence[object]) -> int:
    """How many of the entries a key has room for."""
    y, room = 0.0, 0.795 * HEIGHT_IN * 72.0 - 10.5 * len(samples) - 12.0
    for count, (words, _) in enumerate(entries):
        lines = len(_key_lines(words))
        if y + KEY_STEP * (lines + 1) > room:
            return count
        y += KEY_STEP * lines + 3.0
    return len(entries)


def key(
    on: Sheet, entries: Sequence[tuple[str, str]], samples: Sequence[tuple[str, dict[str, Any]]], rest: str = ""
) -> None:
    """The column at the right: entries of text as (text, colour), then line samples as (words, style).

    rest: what the entries are that there is no room for
    """
    column = on.figure.add_axes((0.70, 0.105, 0.285, 0.795))
    column.axis("off")
    column.set_xlim(0, 1)
    height = 0.795 * HEIGHT_IN * 72.0
    column.set_ylim(-height, 0)
    y, size, step = 0.0, 6.8, KEY_STEP
    room = fitting(entries, samples)
    for count, (words, colour) in enumerate(entries):
        lines = _key_lines(words)
        if count == room:
            last = f"... and {len(entries) - count} more, {rest or 'in the report'}."
            column.text(0, y, last, fontsize=size, va="top", color=INK)
            y -= step
            break
        for index, line in enumerate(lines):
            weight = "bold" if index == 0 else "normal"
            column.text(0, y, line, fontsize=size, va="top", color=colour if index == 0 else INK, fontweight=weight)
            y -= step
        y -= 3.0
    y -= 6.0
    for words, style in samples:
        middle = y - 3.5
        if style.get("patch"):
            column.add_patch(
                Rectangle((0.0, middle - 3.0), 0.09, 6.0, **{k: v for k, v in style.items() if k != "patch"})
            )
        else:
            # A marker, where there is one, in the middle of the sample.
            column.add_line(Line2D([0.0, 0.045, 0.09], [middle] * 3, markevery=[1], **style))
        column.text(0.115, middle, words, fontsize=size, va="center", color=INK)
        y -= 10.5


def scale_bar(on: Sheet, on_axes: Axes, frame: Window) -> None:
    """A bar of a round length at the bottom left."""
    length = round_length(0.25 * frame.width)
    left, bottom = frame.left + 0.03 * frame.width, frame.bottom + 0.03 * frame.height
    tall = 0.008 * frame.height
    pad = 0.012 * frame.width
    on_axes.add_patch(
        Rectangle(
            (left - pad, bottom - 1.5 * tall), length + 2 * pad + 0.03 * frame.width, 6.5 * tall,
            facecolor=PAPER, edgecolor="none", zorder=8,
        )
    )  # fmt: skip
    for k in range(2):
        on_axes.add_patch(
            Rectangle(
                (left + 0.5 * k * length, bottom), 0.5 * length, tall, facecolor=INK if k == 0 else PAPER,
                edgecolor=INK, linewidth=0.7, zorder=9,
            )
        )  # fmt: skip
    for value in (0.0, length):
        words = f"{value:g} m" if value else "0"
        on_axes.text(left + value, bottom + 1.6 * tall, words, fontsize=7, ha="center", zorder=9, color=INK)
    right = left + length + pad + 0.03 * frame.width
    on.taken.append(_pixels(on_axes, left - pad, bottom - 1.5 * tall, right, bottom + 5 * tall))


def north_arrow(on: Sheet, on_axes: Axes, frame: Window, letter: str) -> None:
    """An arrow up at the top left."""
    x, top = frame.left + 0.045 * frame.width, frame.top - 0.035 * frame.height
    low = top - 0.08 * frame.height
    on_axes.annotate(
        "", (x, top), (x, low), zorder=9,
        arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.2, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    on_axes.text(x, low - 0.008 * frame.height, letter, ha="center", va="top", fontsize=9, fontweight="bold", zorder=9)
    wide = 0.03 * frame.width
    on.taken.append(_pixels(on_axes, x - wide, low - 0.05 * frame.height, x + wide, top))


def _pixels(on_axes: Axes, left: float, bottom: float, right: float, top: float) -> Box:
    (a, b), (c, d) = on_axes.transData.transform([(left, bottom), (right, top)])
    return Box(float(a), float(b), float(c), float(d))


def settle(on: Sheet, on_axes: Axes) -> None:
    """Place the labels that wait, each near its anchor and none over another, and draw their leaders."""
    if not on.labels:
        return
    renderer = on.figure.canvas.get_renderer()  # type: ignore[attr-defined]
    texts, sizes, anchors = [], [], []
    for label in on.labels:
        box = {"boxstyle": "square,pad=0.2", "facecolor": PAPER, "alpha": 0.9} | (
            {"edgecolor": label.colour, "linewidth": 0.8} if label.framed else {"edgecolor": "none"}
        )
        text = on_axes.text(
            0, 0, label.words, fontsize=7.2, ha="center", va="center", color=label.colour, fontweight=label.weight,
            bbox=box, zorder=12,
        )  # fmt: skip
        extent = text.get_window_extent(renderer)
        texts.append(text)
        sizes.append((extent.width + 4.0, extent.height + 4.0))
        x, y = on_axes.transData.transform(label.at)
        anchors.append((float(x), float(y)))
    frame = on_axes.bbox
    inside = Box(frame.x0, frame.y0, frame.x1, frame.y1)
    visible = np.concatenate([on_axes.transData.transform(points) for points in on.visible]) if on.visible else None
    places = place_labels(sizes, anchors, inside, on.taken, visible)
    back = on_axes.transData.inverted()
    for label, text, anchor, place in zip(on.labels, texts, anchors, places, strict=True):
        if place is None:
            text.remove()
            on.unplaced.append(label.words)
            continue
        middle = (0.5 * (place.left + place.right), 0.5 * (place.bottom + place.top))
        text.set_position(tuple(back.transform(middle)))
        on.placed.append((text, place))
        end = nearest_on(place, *anchor)
        if label.leader and np.hypot(end[0] - anchor[0], end[1] - anchor[1]) > 12.0:
            (x0, y0), (x1, y1) = back.transform([anchor, end])
            on_axes.plot([x0, x1], [y0, y1], color=label.colour, linewidth=0.5, zorder=11, scalex=False, scaley=False)
    on.labels.clear()


def save(on: Sheet, out: Path, name: str) -> list[Path]:
    """Write the sheet as SVG and PDF, each beside its place and then renamed into it, and return the files."""
    written = []
    for kind in ("svg", "pdf"):
        metadata: dict[str, Any] = {"Title": on.title, "Creator": "clearance"}
        metadata |= {"Date": None} if kind == "svg" else {"CreationDate": None, "Producer": "clearance"}
        path, part = out / f"{name}.{kind}", out / f".{name}.{kind}.part"
        try:
            on.figure.savefig(part, format=kind, metadata=metadata, dpi=DPI * 2)
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)
        written.append(path)
    return written
