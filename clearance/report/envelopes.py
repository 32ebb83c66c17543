"""Owns outlines of what may be anywhere within a hull: where a conductor may fall, where a ladder may topple.

An outline is for drawing; what it keeps is reckoned on the hulls themselves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from clearance.report.paper import Label, Sheet
from clearance.report.style import INK
from clearance.report.views import Floats, View, Window, outline
from clearance.shapes import Shape

CORNERS: Final = 48
"""Corners of a drawn circle."""


@dataclass(frozen=True, eq=False)
class Envelope:
    """What is drawn by an outline: its name, and shapes each of which holds all of it."""

    name: str
    hulls: tuple[Shape, ...]


def outlines(envelope: Envelope, view: View) -> list[Floats]:
    """Closed outlines (n, 2) of what lies within every hull, as it is seen in a view."""
    from shapely.geometry import Polygon
    from shapely.ops import unary_union

    found: Any = None
    for hull in envelope.hulls:
        each = [Polygon(one).convex_hull for one in outline(hull, view, uncertainty=True, directions=CORNERS)]
        seen = unary_union([one for one in each if one.area > 0.0])
        found = seen if found is None else found.intersection(seen)
    parts = getattr(found, "geoms", [found])
    kept = [part for part in parts if part.geom_type == "Polygon" and not part.is_empty]
    return [np.array(part.exterior.coords, float) for part in kept]


def draw_envelopes(
    on: Sheet, ax: Axes, envelopes: Sequence[Envelope], view: View, frame: Window, floor: float | None = None
) -> None:
    """Each envelope by a dashed outline with a pale fill, and its name at its rim; above `floor` [m] in the view."""
    for number, envelope in enumerate(envelopes):
        rings = [ring if floor is None else np.maximum(ring, [-np.inf, floor]) for ring in outlines(envelope, view)]
        for ring in rings:
            ax.fill(ring[:, 0], ring[:, 1], facecolor=INK, alpha=0.06, edgecolor="none", zorder=1.6)
        ax.add_collection(
            LineCollection(rings, colors=INK, linewidths=0.8, linestyles=[(0, (5, 2, 1, 2))], zorder=7.5),
            autolim=False,
        )
        if rings:
            # Names of several are spread along their rims, where the window shows them.
            rim = max(rings, key=len)
            shown = [(x, y) for x, y in rim if frame.left < x < frame.right and frame.bottom < y < frame.top]
            if shown:
                x, y = shown[int(len(shown) * math.modf(0.38 + 0.31 * number)[0])]
                on.labels.append(Label(envelope.name, (float(x), float(y))))
