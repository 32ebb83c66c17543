"""Owns how reports look: the sign, colour and hatch of every word, and the line style of every body and potential.

Nothing is told by colour alone: each word has a sign and a hatch, each potential a line style and a label. The three
colours stay apart under simulated protan, deutan and tritan vision (least CAM02-UCS difference 39.9) and on a grey
copier.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from clearance.bodies import Body
from clearance.bodies.deformable_wire import WHEREVER
from clearance.report.findings import Word

INK: Final = "#222222"
GREY: Final = "#767676"
PALE: Final = "#E4E4E4"
PAPER: Final = "#FFFFFF"

COLOURS: Final[dict[Word, str]] = {
    "clear of limit": "#0072B2",
    "low margin": "#E69F00",
    "breach": "#8B1A1A",
    "undecided": "#767676",
    "not evaluated": "#BDBDBD",
}
"""Contrast on white: 5.2, 2.3 (hence a dark outline wherever amber is used), 9.3, 4.5 and 1.9 (fill only)."""

SIGNS: Final[dict[Word, str]] = {
    "clear of limit": "○", "low margin": "△", "breach": "×", "undecided": "?", "not evaluated": "–",
}  # fmt: skip
PLAIN_SIGNS: Final[dict[Word, str]] = {
    "clear of limit": "o", "low margin": "!", "breach": "x", "undecided": "?", "not evaluated": "-",
}  # fmt: skip
"""For a terminal that has only ASCII."""

MARKERS: Final[dict[Word, str]] = {
    "clear of limit": "o", "low margin": "^", "breach": "X", "undecided": "s", "not evaluated": "_",
}  # fmt: skip
HATCHES: Final[dict[Word, str]] = {
    "clear of limit": "", "low margin": "..", "breach": "xxx", "undecided": "///", "not evaluated": "",
}  # fmt: skip
TERMINAL: Final[dict[Word, str]] = {
    "clear of limit": "cyan", "low margin": "bold yellow", "breach": "bold red", "undecided": "bold magenta",
    "not evaluated": "default",
}  # fmt: skip
"""Terminal colours by name, so that a reader's own dark or light theme keeps them legible."""


@dataclass(frozen=True)
class Pen:
    """How a body is drawn: line colour, width [pt] and dashes, and the fill of what has breadth ("" for none)."""

    colour: str
    width: float
    dashes: str | tuple[int, tuple[float, ...]] = "-"
    fill: str = ""


PHASE_DASHES: Final[tuple[str | tuple[int, tuple[float, ...]], ...]] = (
    "-", (0, (6, 2)), (0, (6, 2, 1, 2)), (0, (2, 1.5)), (0, (9, 2, 2, 2, 2, 2)), (0, (12, 3)),
)  # fmt: skip
"""One for each phase in the order of the scene; past the sixth they repeat, and only the label tells them apart."""

REACH: Final = "reach envelope"
"""Kind under which a worker is drawn where the body stands for all that hands and tool can touch."""

ALOFT: Final = ("worker", "ladder", "insulating boom")
"""Kinds that are looked for first on any drawing: who works aloft, and what insulates below them."""

KIND_PENS: Final[dict[str, Pen]] = {
    "ground": Pen(INK, 1.4, "-", PALE),
    "structure": Pen("#8A8A8A", 0.6, "-", "#C4C4C4"),
    "solid": Pen(GREY, 0.6, "-", PALE),
    "vehicle": Pen(INK, 0.8, "-", "#CFCFCF"),
    "cloud": Pen(GREY, 0.5),
    "insulator": Pen(GREY, 2.4, (0, (0.8, 0.6)), "#F2F2F2"),
    "ladder": Pen("#9A9A9A", 1.0, "-", "#C9C9C9"),
    "insulating boom": Pen("#9A9A9A", 1.0, "-", "#C9C9C9"),
    "boom": Pen(INK, 1.0, "-", "#8C8C8C"),
    "fitting": Pen(INK, 1.0, "-", "#8C8C8C"),
    "worker": Pen(INK, 0.9, "-", "#6E6E6E"),
    "tool": Pen(INK, 0.9, "-", "#6E6E6E"),
    "crew": Pen(INK, 0.9, "-", "#A5A5A5"),
    "rope": Pen(INK, 0.7, (0, (1, 1.2))),
    "lead": Pen(INK, 0.8, (0, (3, 1)), "#EDEDED"),
    REACH: Pen(INK, 0.8, (0, (3, 1)), "#DCDCDC"),
    "wire": Pen(INK, 1.6),
}


ENVELOPE: Final = Pen(INK, 0.6, "-", "#EFEFEF")
"""A wire where the body stands for everywhere the weather may take it."""


def pen(body: Body, phases: tuple[str, ...]) -> Pen:
    """How a body is drawn: by its kind, and a wire by its potential."""
    own = KIND_PENS.get(body.kind, KIND_PENS["solid"])
    if body.kind != "wire":
        return own
    if WHEREVER in body.note:
        return ENVELOPE
    if body.potential in phases:
        return Pen(INK, own.width, PHASE_DASHES[phases.index(body.potential) % len(PHASE_DASHES)])
    if body.potential is None:
        return Pen(INK, own.width, (0, (1, 1)))
    return Pen(GREY, 1.1, "-")


def describe(potential: str | None) -> str:
    """A potential in words."""
    return "floating" if potential is None else potential if potential == "earth" else f"phase {potential}"
