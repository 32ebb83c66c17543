"""Owns how bodies come onto axes: outlines, cores, scan points, ground line, cuts; each with its name and sample."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection

from clearance.bodies import Body
from clearance.bodies.deformable_wire import WHEREVER
from clearance.report import views
from clearance.report.numbers import up
from clearance.report.paper import Label, Sheet
from clearance.report.style import INK, PALE, PAPER, REACH, Pen, describe, pen
from clearance.report.views import Floats, View, Window
from clearance.shapes import Shape

THIN_PX = 1.3
"""[px] A body slimmer than this is drawn as its core line."""

THICK_WIRE_PX = 7.0
"""[px] A wire, or a bundle taken as one, is drawn as a line with the dashes of its phase until it is thicker."""

MOST_OUTLINES = 4000
"""Primitives of one body that are drawn with their breadth; a body of more is drawn by its cores, rasterized."""

FURTHEST_FIRST = (
    "ground", "cloud", "solid", "structure", "insulator", "vehicle", REACH, "lead", "ladder", "insulating boom", "boom",
    "fitting", "wire", "rope", "crew",
)  # fmt: skip
"""Kinds in the order they are drawn over one another; others come last, on top."""

STANDING = ("crew", "vehicle")
"""Kinds that stand on the ground: labels keep off them. They are drawn down to their soles, not below, where the round
end of what holds them would reach."""

APART_M = 0.15
"""[m] Ground under somebody's feet is drawn by itself where it is further than this from the ground drawn."""

FOOTING: dict[str, Any] = {"color": INK, "linewidth": 1.6, "linestyle": (0, (2, 1))}

UNSEEN = ("hull",)
"""Kinds that stand for something drawn already."""

ALWAYS_NAMED = ("worker", "crew", "vehicle", "structure", "ladder", "insulating boom", "boom", REACH)
"""Kinds whose bodies carry their names in every drawing; others do where a gap drawn begins, ends or passes."""


@dataclass
class Drawn:
    """What came onto the axes, for the key and the notes."""

    samples: dict[str, dict[str, Any]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def draw_bodies(
    on: Sheet,
    ax: Axes,
    bodies: Sequence[Body],
    view: View,
    frame: Window,
    phases: tuple[str, ...],
    named: Collection[str],
    careful: bool = False,
) -> Drawn:
    """All bodies of a view, furthest kinds first. `named` are labelled besides; `careful` outlines include
    uncertainty."""
    drawn = Drawn()
    per_metre = ax.bbox.width / frame.width
    order = FURTHEST_FIRST
    ranked = sorted(bodies, key=lambda b: (order.index(b.kind) if b.kind in order else len(order), b.name))
    unnamed = [b.potential for b in bodies if b.kind == "wire" and b.name in named]
    for rank, body in enumerate(ranked):
        if not len(body.shape) or body.kind in UNSEEN:
            continue
        shape = views.within(body.shape, view, frame)
        if not len(shape):
            continue
        style = pen(body, phases)
        z = 2.0 + 4.0 * rank / max(len(ranked), 1)
        if body.kind == "ground" and (shape.corners == 3).any():
            if view.name == "plan":
                continue  # it is everywhere
        elif body.kind == "cloud" or ((shape.corners == 1).all() and len(shape) > 50):
            _cloud(ax, body, shape, view, frame, style, z, drawn)
        else:
            _solid(ax, shape, view, style, z, per_metre, careful, body.kind)
        if body.kind in STANDING:
            on.visible += [_filled(polygon, 12.0 / per_metre) for polygon in views.outline(shape, view)]
        _note_sample(drawn, body, style)
        if body.kind == "wire":
            on.visible.append(_along(shape, view, 25.0 / per_metre))
        if body.kind in ALWAYS_NAMED or body.name in named:
            _label(on, body, shape, view, frame)
        elif (
            body.kind == "wire"
            and body.potential in phases
            and body.potential not in unnamed
            and view.name != "section"
        ):
            unnamed.append(body.potential)  # one wire of each phase is enough to tell which is which
            _label(on, body, shape, view, frame)
    return drawn


def _filled(polygon: Floats, step: float) -> Floats:
    """Points (n, 2) all over a convex polygon about every `step` [m], its corners among them."""
    middle = polygon.mean(axis=0)
    reach = float(np.linalg.norm(polygon - middle, axis=1).max())
    shares = np.linspace(0.0, 1.0, max(2, int(reach / step) + 1))[1:]
    following = np.roll(polygon, -1, axis=0)
    pieces = max(1, int(np.linalg.norm(following - polygon, axis=1).max() / step) + 1)
    rim = np.concatenate([polygon + t * (following - polygon) for t in np.arange(pieces) / pieces])
    found: Floats = np.concatenate([middle[None], *(middle + share * (rim - middle) for share in shares)])
    return found


def _along(shape: Shape, view: View, step: float) -> Floats:
    """Points (n, 2) along segments about every `step` [m], for labels to keep off."""
    _, lines, _ = views.cores(shape, view)
    found = []
    run = 0.0
    for start, end in lines:
        length = float(np.linalg.norm(end - start))
        run += length
        if run >= step:
            t = np.linspace(0.0, 1.0, max(int(length / step), 1), endpoint=False)[:, None]
            found.append(start * (1 - t) + end * t)
            run = 0.0
    return np.concatenate(found) if found else np.zeros((0, 2))


def _cloud(ax: Axes, body: Body, shape: Shape, view: View, frame: Window, style: Pen, z: float, drawn: Drawn) -> None:
    xy = view.flat(shape.vertices[:, 0])
    cell = frame.width / 900.0
    few = views.thinned(xy, cell)
    ax.plot(
        few[:, 0], few[:, 1], linestyle="none", marker="o", markersize=1.1, markeredgewidth=0, color=style.colour,
        zorder=z, rasterized=len(few) > 500, scalex=False, scaley=False,
    )  # fmt: skip
    if len(few) < len(xy):
        drawn.notes.append(
            f"{body.name}: {len(few):,} of {len(xy):,} points in view are drawn, one in each {cell:.2f} m; all are "
            "checked."
        )


def _solid(
    ax: Axes, shape: Shape, view: View, style: Pen, z: float, per_metre: float, careful: bool, kind: str
) -> None:
    around = shape.radius + shape.uncertainty if careful else shape.radius
    thin_px = THICK_WIRE_PX if kind == "wire" and not style.fill else THIN_PX
    wide = (2.0 * around * per_metre > thin_px) | (shape.corners == 3)
    raster = len(shape) > MOST_OUTLINES
    if raster:
        wide &= shape.corners == 3
    if wide.any():
        part = views.take(shape, wide)
        flat = (part.corners == 3) & ((part.radius + part.uncertainty if careful else part.radius) * per_metre < 1.0)
        polygons: list[Floats] = list(views.outline(views.take(part, ~flat), view, uncertainty=careful))
        polygons += list(view.flat(part.vertices[flat]))
        if kind in STANDING and view.name != "plan":
            soles = float(view.flat(part.vertices)[..., 1].min())
            polygons = [np.column_stack([p[:, 0], np.maximum(p[:, 1], soles)]) for p in polygons]
        fill = style.fill or style.colour
        # The dark edges go under all fills of the body, so that what is left of them is its silhouette.
        ax.add_collection(
            PolyCollection(
                polygons, facecolors=style.colour, edgecolors=style.colour, linewidths=1.4, zorder=z, rasterized=raster
            ),
            autolim=False,
        )
        ax.add_collection(
            PolyCollection(
                polygons, facecolors=fill, edgecolors=fill, linewidths=0.2, zorder=z + 0.01, rasterized=raster
            ),
            autolim=False,
        )
    if not wide.all():
        points, lines, _ = views.cores(views.take(shape, ~wide), view)
        if len(lines):
            ax.add_collection(
                LineCollection(
                    list(_joined(lines)), colors=style.colour, linewidths=style.width, linestyles=[style.dashes],
                    zorder=z, rasterized=raster, capstyle="butt",
                ),
                autolim=False,
            )  # fmt: skip
        if len(points):
            ax.plot(
                points[:, 0], points[:, 1], linestyle="none", marker="o", markersize=1.5, color=style.colour, zorder=z,
                scalex=False, scaley=False,
            )  # fmt: skip


def _joined(lines: Floats) -> list[Floats]:
    """Segments that follow one another as one line each, so that dashes run on."""
    runs: list[list[Floats]] = []
    for start, end in lines:
        if runs and np.array_equal(runs[-1][-1], start):
            runs[-1].append(end)
        else:
            runs.append([start, end])
    return [np.array(run) for run in runs]


def _note_sample(drawn: Drawn, body: Body, style: Pen) -> None:
    if body.kind == "wire" and WHEREVER in body.note:
        words = "where a wire may be in the weather"
    elif body.kind == "wire":
        words = f"wire, {describe(body.potential)}"
    else:
        words = {"insulator": "insulator string", "lead": "where the bonding lead may be"}.get(body.kind, body.kind)
    if body.kind == "cloud":
        words = f"scan points, {body.name}, uncertainty {up(float(body.shape.uncertainty.max(initial=0.0)))} m"
        sample: dict[str, Any] = {"color": style.colour, "linestyle": "none", "marker": "o", "markersize": 2}
    elif style.fill:
        sample = {"patch": True, "facecolor": style.fill, "edgecolor": style.colour, "linewidth": 0.8}
    else:
        sample = {"color": style.colour, "linewidth": style.width, "linestyle": style.dashes}
    drawn.samples.setdefault(words, sample)


def _label(on: Sheet, body: Body, shape: Shape, view: View, frame: Window) -> None:
    """A label on a visible primitive of the body: of a wire near the edge, of people and the like in their middle."""
    if body.kind in ("ground", "cloud"):
        return
    xy = view.flat(shape.vertices).mean(axis=1)
    inside = (xy[:, 0] > frame.left) & (xy[:, 0] < frame.right) & (xy[:, 1] > frame.bottom) & (xy[:, 1] < frame.top)
    if not inside.any():
        return
    xy = xy[inside]
    want = [
        frame.left + (0.16 if body.kind == "wire" else 0.5) * frame.width,
        0.5 * (frame.bottom + frame.top),
    ]
    if body.kind in ("worker", "crew", "ladder", "insulating boom", "boom", "vehicle", "tool"):
        want = [float(v) for v in xy.mean(axis=0)]
    at = xy[int(np.argmin(np.abs(xy - want).sum(axis=1)))]
    words = f"{body.name} ({describe(body.potential)})" if body.kind in ("wire", "worker", "lead") else body.name
    if body.kind == REACH:
        words = f"reach of {body.name}"
    on.labels.append(Label(words, (float(at[0]), float(at[1]))))


def draw_ground(on: Sheet, ax: Axes, bodies: Sequence[Body], view: View, frame: Window, depth: float) -> None:
    """The ground line where an upright plane at a depth [m] cuts the ground's surface, shaded below."""
    del on
    for body in bodies:
        if body.kind != "ground" or not len(body.shape):
            continue
        _, lines = views.cut(body.shape, view, depth)
        if not len(lines):
            continue
        below = [np.array([a, b, [b[0], frame.bottom - 1.0], [a[0], frame.bottom - 1.0]]) for a, b in lines]
        ax.add_collection(
            PolyCollection(below, facecolors=PALE, edgecolors=PALE, linewidths=0.3, zorder=1.0), autolim=False
        )
        ax.add_collection(LineCollection(list(lines), colors=INK, linewidths=1.6, zorder=6.5), autolim=False)


def draw_footing(ax: Axes, bodies: Sequence[Body], view: View, frame: Window, depth: float) -> bool:
    """A short stroke of ground under everybody who stands higher or lower than the ground is where the view cuts it, by
    more than `APART_M`; whether there is any."""
    lines = [views.cut(b.shape, view, depth)[1] for b in bodies if b.kind == "ground" and len(b.shape)]
    cut = np.concatenate(lines) if lines else np.zeros((0, 2, 2))
    strokes = []
    for body in bodies:
        if body.kind not in STANDING or not len(body.shape):
            continue
        flat = view.flat(views.within(body.shape, view, frame).vertices).reshape(-1, 2)
        if not len(flat):
            continue
        x, low = float(flat[:, 0].mean()), float(flat[:, 1].min())
        half = 0.5 * float(np.ptp(flat[:, 0])) + 0.6
        under = [
            a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0])
            for a, b in cut
            if min(a[0], b[0]) <= x <= max(a[0], b[0]) and a[0] != b[0]
        ]
        if not under or min(abs(low - y) for y in under) > APART_M:
            strokes.append(np.array([[x - half, low], [x + half, low]]))
    ax.add_collection(
        LineCollection(
            strokes, colors=INK, linewidths=FOOTING["linewidth"], zorder=6.6, linestyles=FOOTING["linestyle"]
        ),
        autolim=False,
    )
    return bool(strokes)


def draw_cuts(
    on: Sheet,
    ax: Axes,
    bodies: Sequence[Body],
    view: View,
    frame: Window,
    depth: float,
    phases: tuple[str, ...],
    named: Collection[str],
) -> None:
    """A dot where each wire passes the plane of a section at a depth [m], with its phase beside it."""
    for body in bodies:
        if body.kind != "wire":
            continue
        points, _ = views.cut(views.within(body.shape, view, frame), view, depth)
        if len(points):
            live = body.potential in phases
            ax.plot(
                points[:, 0], points[:, 1], linestyle="none", marker="o", markersize=5,
                markerfacecolor=INK if live else PAPER, markeredgecolor=INK, zorder=7.5, scalex=False, scaley=False,
            )  # fmt: skip
            if live and body.name not in named:  # one label for all subconductors of a bundle
                x, y = points.mean(axis=0)
                on.labels.append(Label(str(body.potential), (float(x), float(y)), weight="bold", leader=False))
