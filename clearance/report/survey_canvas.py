"""Owns the drawing of a survey's pictures: a `Canvas` becomes one SVG, a `Panel` is a rectangle of it with two scales.

A survey has hundreds of thousands of returns and dozens of pictures, and all that is drawn is dots, lines, marks and
words. Dots go into a small indexed image inside the SVG, every one of them however many fall together; all else is
lines and text. The same drawing gives the same bytes. Lengths on the canvas are in points (1/72 inch), y downwards.
"""

from __future__ import annotations

import base64
import math
import struct
import zlib
from dataclasses import dataclass, field
from html import escape

import numpy as np
from numpy.typing import NDArray

from clearance.survey.records import Floats

INK, GREY, PALE, BLUE, AMBER, RED = "#222222", "#767676", "#E4E4E4", "#0072B2", "#E69F00", "#8B1A1A"

PIXELS_A_POINT = 150.0 / 72.0
"""Resolution of the dots: 150 to the inch."""

MARGIN = 0.05
"""[1] Share of the data's extent that scales reach beyond it."""

STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
"""Steps between ticks, times a power of ten."""


def png(pixels: NDArray[np.uint8], colours: list[str]) -> bytes:
    """An indexed image of pixels (rows, columns): 0 is clear, k the k-th of at most three colours ("#RRGGBB").

    Reference: W3C, Portable Network Graphics (PNG) Specification, second edition, 2003, clauses 5.3, 11.2 and 11.3.
    """
    assert len(colours) <= 3
    rows, columns = pixels.shape
    fours = np.pad(pixels, ((0, 0), (0, -columns % 4))).reshape(rows, -1, 4)  # two bits a pixel
    lines = np.zeros((rows, fours.shape[1] + 1), np.uint8)  # each line begins with its filter: none
    lines[:, 1:] = fours[..., 0] << 6 | fours[..., 1] << 4 | fours[..., 2] << 2 | fours[..., 3]
    palette = b"\0\0\0" + b"".join(bytes.fromhex(colour[1:]) for colour in colours)
    chunks = [
        (b"IHDR", struct.pack(">IIBBBBB", columns, rows, 2, 3, 0, 0, 0)),
        (b"PLTE", palette),
        (b"tRNS", b"\0"),
        (b"IDAT", zlib.compress(lines.tobytes(), 6)),
        (b"IEND", b""),
    ]
    out = b"\x89PNG\r\n\x1a\n"
    for name, data in chunks:
        out += struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
    return out


def extent(*parts: Floats) -> tuple[float, float]:
    """Lowest and highest of all values, and a margin on either side; -1 to 1 where there are none."""
    known = [part for part in parts if len(part)]
    if not known:
        return -1.0, 1.0
    low, high = min(float(part.min()) for part in known), max(float(part.max()) for part in known)
    margin = MARGIN * (high - low) or 0.5
    return low - margin, high + margin


def ticks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Round values between two and what to write at them, at most so many.

    >>> ticks(-0.3, 1.2, 4)
    [(0.0, '0.0'), (0.5, '0.5'), (1.0, '1.0')]
    """
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    steps = [power * step for step in (*STEPS, 20.0)]
    step = next(step for step in steps if math.floor(high / step) - math.ceil(low / step) < most)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    decimals += round(step * 10**decimals, 6) != round(step * 10**decimals)
    values = [k * step for k in range(math.ceil(low / step), math.floor(high / step) + 1)]
    return [(value, f"{value + 0.0:.{decimals}f}".replace("-", "\N{MINUS SIGN}")) for value in values]


@dataclass
class Canvas:
    """One picture: width and height [pt], and what has been drawn."""

    wide: float
    tall: float
    parts: list[str] = field(default_factory=list)

    def text(
        self, x: float, y: float, words: str, size: float = 8.0, anchor: str = "start", rise: float = 0.0,
        upwards: bool = False, colour: str = INK,
    ) -> None:  # fmt: skip
        """Words at a place, anchored at their "start", "middle" or "end"; `rise` [1] is the share of the size that
        their baseline is lower: 0.35 to centre them."""
        turn = f' transform="rotate(-90 {x:.2f} {y:.2f})"' if upwards else ""
        self.parts.append(
            f'<text x="{x:.2f}" y="{y + rise * size:.2f}" font-size="{size:g}" text-anchor="{anchor}" fill="{colour}"'
            f"{turn}>{escape(words)}</text>"
        )

    def line(self, x: Floats, y: Floats, colour: str, width: float, dash: str = "") -> None:
        """A line through places [pt]."""
        through = " ".join([f"{a:.2f},{b:.2f}" for a, b in zip(x.tolist(), y.tolist(), strict=True)])
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        look = f'fill="none" stroke="{colour}" stroke-width="{width:g}"{dashed}'
        self.parts.append(f'<polyline points="{through}" {look}/>')

    def mark(self, x: float, y: float, shape: str, size: float, colour: str, edge: str = "none") -> None:
        """A mark of a size [pt] at a place: "dot", "up" and "down" triangles, or "cross"."""
        half = size / 2.0
        if shape == "dot":
            self.parts.append(f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{half:g}" fill="{colour}" stroke="{edge}"/>')
            return
        outlines = {
            "up": ((-1, 1), (1, 1), (0, -1)),
            "down": ((-1, -1), (1, -1), (0, 1)),
            "cross": ((-1, -0.5), (-0.5, -1), (0, -0.5), (0.5, -1), (1, -0.5), (0.5, 0), (1, 0.5), (0.5, 1), (0, 0.5),
                      (-0.5, 1), (-1, 0.5), (-0.5, 0)),
        }  # fmt: skip
        corners = " ".join(f"{x + half * a:.2f},{y + half * b:.2f}" for a, b in outlines[shape])
        self.parts.append(f'<polygon points="{corners}" fill="{colour}" stroke="{edge}"/>')

    def svg(self, label: str) -> str:
        """The picture with what a reader who cannot see it is told."""
        return (
            f'<svg role="img" aria-label="{escape(label)}" xmlns="http://www.w3.org/2000/svg" width="{self.wide:g}pt"'
            f' height="{self.tall:g}pt" viewBox="0 0 {self.wide:g} {self.tall:g}" font-family="DejaVu Sans, Verdana,'
            f' sans-serif">\n' + "\n".join(self.parts) + "\n</svg>"
        )


class Panel:
    """A rectangle of a canvas, left, top, right and bottom [pt], over values `x` and `y` (first and last each).

    With `equal` a metre is as long both ways, and the rectangle as much smaller as that takes.
    """

    def __init__(
        self,
        canvas: Canvas,
        box: tuple[float, float, float, float],
        x: tuple[float, float],
        y: tuple[float, float],
        equal: bool = False,
    ) -> None:
        self.canvas, self.x, self.y = canvas, x, y
        left, top, right, bottom = box
        if equal:
            scale = min((right - left) / abs(x[1] - x[0]), (bottom - top) / abs(y[1] - y[0]))
            spare = (right - left - scale * abs(x[1] - x[0])) / 2.0, (bottom - top - scale * abs(y[1] - y[0])) / 2.0
            left, right, top, bottom = left + spare[0], right - spare[0], top + spare[1], bottom - spare[1]
        self.left, self.top, self.right, self.bottom = left, top, right, bottom
        size = (math.ceil((bottom - top) * PIXELS_A_POINT), math.ceil((right - left) * PIXELS_A_POINT))
        self._pixels = np.zeros(size, np.uint8)
        self._colours: list[str] = []

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Where values are on the canvas [pt]."""
        across = self.left + (np.asarray(x, float) - self.x[0]) * ((self.right - self.left) / (self.x[1] - self.x[0]))
        down = self.bottom - (np.asarray(y, float) - self.y[0]) * ((self.bottom - self.top) / (self.y[1] - self.y[0]))
        return across, down

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Where one value is on the canvas [pt]."""
        across, down = self.at(np.array([x]), np.array([y]))
        return float(across[0]), float(down[0])

    def dots(self, x: Floats, y: Floats, colour: str, size: float) -> None:
        """Dots of a diameter [pt], those outside the panel left out. Later ones lie on earlier ones."""
        across, down = self.at(x, y)
        column = np.floor((across - self.left) * PIXELS_A_POINT).astype(np.int64)
        row = np.floor((down - self.top) * PIXELS_A_POINT).astype(np.int64)
        inside = (column >= 0) & (row >= 0) & (column < self._pixels.shape[1]) & (row < self._pixels.shape[0])
        row, column = row[inside], column[inside]
        if colour not in self._colours:
            self._colours.append(colour)
        number, side = self._colours.index(colour) + 1, max(1, round(size * PIXELS_A_POINT))
        for i in range(side):
            for j in range(side):
                if side > 2 and i in (0, side - 1) and j in (0, side - 1):
                    continue  # without its corners it is round enough
                down_by, right_by = row + i - (side - 1) // 2, column + j - (side - 1) // 2
                down_by = np.clip(down_by, 0, self._pixels.shape[0] - 1)
                self._pixels[down_by, np.clip(right_by, 0, self._pixels.shape[1] - 1)] = number

    def show_dots(self) -> None:
        """Put the dots so far on the canvas; what is drawn next lies on them."""
        rows, columns = np.flatnonzero(self._pixels.any(axis=1)), np.flatnonzero(self._pixels.any(axis=0))
        if not len(rows):
            return
        cut = self._pixels[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        data = base64.b64encode(png(cut, self._colours)).decode("ascii")
        x, y = self.left + columns[0] / PIXELS_A_POINT, self.top + rows[0] / PIXELS_A_POINT
        size = f'width="{cut.shape[1] / PIXELS_A_POINT:.3f}" height="{cut.shape[0] / PIXELS_A_POINT:.3f}"'
        self.canvas.parts.append(f'<image x="{x:.3f}" y="{y:.3f}" {size} href="data:image/png;base64,{data}"/>')
        self._pixels[:] = 0

    def line(self, x: Floats, y: Floats, colour: str, width: float, dash: str = "") -> None:
        """A line through values."""
        self.canvas.line(*self.at(x, y), colour, width, dash)

    def axis_x(self, words: str, line: bool = True) -> None:
        """The scale along the lower edge."""
        if line:
            self.canvas.line(np.array([self.left, self.right]), np.array([self.bottom, self.bottom]), INK, 0.8)
        low, high = sorted(self.x)
        for value, written in ticks(low, high, max(2, int((self.right - self.left) / 55.0))):
            x, _ = self.place(value, self.y[0])
            self.canvas.line(np.array([x, x]), np.array([self.bottom, self.bottom + 3.5]), INK, 0.8)
            self.canvas.text(x, self.bottom + 13.0, written, 8.0, "middle")
        self.canvas.text((self.left + self.right) / 2.0, self.bottom + 25.0, words, 8.0, "middle")

    def axis_y(self, words: str, named: list[tuple[float, str]] | None = None) -> None:
        """The scale along the left edge, or names at values of it."""
        if named is None:
            self.canvas.line(np.array([self.left, self.left]), np.array([self.top, self.bottom]), INK, 0.8)
        low, high = sorted(self.y)
        widest = 0
        for value, written in named or ticks(low, high, max(2, int((self.bottom - self.top) / 28.0))):
            _, y = self.place(self.x[0], value)
            self.canvas.line(np.array([self.left - 3.5, self.left]), np.array([y, y]), INK, 0.8)
            self.canvas.text(self.left - 6.5, y, written, 8.0, "end", 0.35)
            widest = max(widest, len(written))
        if words:
            x = self.left - 13.0 - 5.2 * widest
            self.canvas.text(x, (self.top + self.bottom) / 2.0, words, 8.0, "middle", upwards=True)
