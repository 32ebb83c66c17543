"""Owns the shapes of wires that deform and swing with the weather: from what `clearance.conductor.placing` found to
`Shape`.

`wire_shape` gives the conductor or bundle with its rate, `string_shape` a part of one of its strings; both deform
with the one shape parameter of the wire [m] and ride on a link that turns about ``placed.axis`` through
``placed.axis_point`` by the swing. The frame is the scene's: the link's pose at swing 0 is the identity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.conductor.lines import Piece, Placed
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape

Floats = NDArray[np.float64]


def wire_shape(
    placed: Placed, diameter_m: float, slack_m: float = 0.0, offsets_m: Sequence[tuple[float, float]] = ((0.0, 0.0),)
) -> Shape:
    """Capsules along the conductor, or along each subconductor of a bundle, with their rate.

    Parameters
    ----------
    placed: where the wire may be
    diameter_m: of one subconductor [m]
    slack_m: survey and model error of the wire [m]; what the family of shapes leaves open is added
    offsets_m: places of the subconductors about the wire, across (left) and up [m]

    A subconductor keeps its offset in the wire's vertical plane at swing 0; spacers hold it square to the wire instead,
    which differs by the offset times the sine of the steepest slope. That goes into slack.

    Examples
    --------
    >>> from clearance.conductor.lines import End, Known, Line
    >>> from clearance.conductor.placing import place
    >>> line = Line("bus", End((0, 0, 20)), End((100, 0, 20)), 0.028, known=Known(constant_m=900.0))
    >>> shape = wire_shape(place([line])["bus"], 0.028, 0.05)
    >>> shape.rate is not None, float(shape.vertices[0, 0, 2])
    (True, 20.0)
    """
    piece = next(piece for piece in placed.pieces if piece.part == "wire")
    across = np.array([-placed.axis[1], placed.axis[0], 0.0])
    size = float(np.linalg.norm(across))
    across = across / size if size > 1e-9 else np.array([0.0, 1.0, 0.0])
    made = []
    for left, up in offsets_m:
        shift = left * across + np.array([0.0, 0.0, up])
        steepest = max(_steepest(piece, v) for v in (0.0, *placed.shape_m))
        more = slack_m + hypot(left, up) * steepest
        made.append(_shape(piece.points + shift, piece.rate, diameter_m / 2, piece.slack_m + more))
    return shapes.join(made)


def string_shape(
    placed: Placed,
    which: Literal["from string", "to string"],
    part_m: tuple[float, float],
    radius_m: float,
    slack_m: float = 0.0,
) -> Shape:
    """A part of a string, between two distances from its attachment [m], with its rate.

    Raises `InputError` where the wire has no such string of its own, or the part lies outside it.
    """
    piece = next((piece for piece in placed.pieces if piece.part == which), None)
    if piece is None:
        raise InputError(Mistake((f"wire '{placed.line.name}'", which), "a string of its own", "none"))
    points, rate = piece.points, piece.rate
    top = np.asarray(placed.line.start.point if which == "from string" else placed.line.end.point, float)
    if np.linalg.norm(points[-1] - top) < np.linalg.norm(points[0] - top):
        points, rate = points[::-1], rate[::-1]
    stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    low, high = part_m
    # A polyline is shorter than its curve by less than a part in a thousand: the last station stands for the whole
    # length.
    whole = placed.line.start.string_m if which == "from string" else placed.line.end.string_m
    if not 0.0 <= low < high <= whole * (1 + 1e-9):
        found = f"{low:g} to {high:g} m"
        raise InputError(Mistake((f"wire '{placed.line.name}'", which), f"a part of its {whole:g} m", found))
    scaled = stations * (whole / stations[-1])
    inner = scaled[(scaled > low) & (scaled < high)]
    cuts = np.concatenate([[low], inner, [high]])
    cut = np.stack([np.interp(cuts, scaled, points[:, k]) for k in range(3)], axis=1)
    moved = np.stack([np.interp(cuts, scaled, rate[:, k]) for k in range(3)], axis=1)
    return _shape(cut, moved, radius_m, piece.slack_m + slack_m)


def _shape(points: Floats, rate: Floats, radius_m: float, slack_m: float) -> Shape:
    made = shapes.polyline(points, radius_m, slack_m)
    corners = np.stack([rate[:-1], rate[1:], rate[1:]], axis=1)
    return replace(made, rate=np.ascontiguousarray(corners))


def _steepest(piece: Piece, v: float) -> float:
    """Sine of the steepest slope of a piece at a shape parameter."""
    steps = np.diff(piece.points + v * piece.rate, axis=0)
    return float(np.max(np.abs(steps[:, 2]) / np.linalg.norm(steps, axis=1)))
