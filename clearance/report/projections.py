"""Owns plan, elevation and section: bodies and governing gaps at one instant, projected."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection

from clearance.bodies import Body
from clearance.report import paper, views
from clearance.report.findings import Finding
from clearance.report.gap_lines import MOST_LABELLED, GapLine
from clearance.report.paper import Label, Sheet
from clearance.report.style import COLOURS, GREY, INK, MARKERS, PALE, PAPER, REACH, SIGNS, Pen, describe, pen
from clearance.report.views import Floats, View, Window
from clearance.shapes import Shape

NEAR_M = 12.0
"""[m] What is further than this from the governing gap does not widen the window."""

FOCUS = ("worker", "ladder", "fitting", "tool", "lead", "crew", "structure")
"""Kinds of bodies that widen the window when they are near."""

SLAB_M = 6.0
"""[m] A section shows what is this near its plane, on either side."""

THIN_PX = 1.3
"""[px] A body slimmer than this is drawn as its core line."""

MOST_OUTLINES = 4000
"""Primitives of one body that are drawn with their breadth; a body of more is drawn by its cores, rasterized."""

FORESHORTENED = (
    "A projected distance is foreshortened: lines between bodies look shorter than they are, and bodies that seem to "
    "touch may be far apart. Only the figures marked 3D distance are measured; the true-length views show them to "
    "scale."
)


FURTHEST_FIRST = (
    "ground", "cloud", "solid", "structure", "insulator", "vehicle", REACH, "lead", "ladder", "fitting", "wire", "rope",
    "crew",
)  # fmt: skip
"""Kinds in the order they are drawn over one another; others come last, on top."""

UNSEEN = ("hull",)
"""Kinds that stand for something drawn already."""

ON_TOP: dict[str, int] = {"clear of limit": 0, "low margin": 1, "undecided": 2, "breach": 3, "not evaluated": 0}

ALWAYS_NAMED = ("worker", "crew", "vehicle", "structure", "ladder", REACH)
"""Kinds whose bodies carry their names in every drawing; others do where a gap drawn begins, ends or passes."""


@dataclass
class Drawn:
    """What came onto the axes, for the key and the notes."""

    samples: dict[str, dict[str, Any]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def focus(bodies: Sequence[Body], lines: Sequence[GapLine]) -> Floats:
    """The points (n, 3) a window must hold: the governing gap, and worker, ladder and crew where they are near."""
    leading = lines[0]
    points = [np.concatenate([leading.air.reshape(-1, 3), leading.over.reshape(-1, 3)])]
    middle = leading.middle
    points += [line.air.reshape(-1, 3) for line in lines[1:] if np.abs(line.air - middle).max() <= NEAR_M]
    for body in bodies:
        if not len(body.shape) or body.kind not in FOCUS:
            continue
        low, high = body.shape.bounds
        if np.abs(np.stack([low, high]) - middle).max() <= NEAR_M:
            points.append(np.stack([low, high]))
    return np.concatenate(points)


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
    """All bodies of a view, furthest kinds first. `named` are labelled besides; `careful` outlines include slack."""
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
            _solid(ax, shape, view, style, z, per_metre, careful)
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


def _solid(ax: Axes, shape: Shape, view: View, style: Pen, z: float, per_metre: float, careful: bool) -> None:
    around = shape.radius + shape.slack if careful else shape.radius
    wide = (2.0 * around * per_metre > THIN_PX) | (shape.corners == 3)
    raster = len(shape) > MOST_OUTLINES
    if raster:
        wide &= shape.corners == 3
    if wide.any():
        part = views.take(shape, wide)
        flat = (part.corners == 3) & ((part.radius + part.slack if careful else part.radius) * per_metre < 1.0)
        polygons: list[Floats] = list(views.outline(views.take(part, ~flat), view, slack=careful))
        polygons += list(view.flat(part.vertices[flat]))
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
    if body.kind == "wire":
        words = f"wire, {describe(body.potential)}"
    else:
        words = {"cloud": "scan points", "insulator": "insulator string", "lead": "where the bonding lead may be"}.get(
            body.kind, body.kind
        )
    if style.fill and body.kind not in ("cloud",):
        sample: dict[str, Any] = {
            "patch": True, "facecolor": style.fill, "edgecolor": style.colour, "linewidth": 0.8,
        }  # fmt: skip
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
    if body.kind in ("worker", "crew", "ladder", "vehicle", "tool"):
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


def draw_gaps(on: Sheet, ax: Axes, lines: Sequence[GapLine], view: View, frame: Window) -> None:
    """Every gap: its stretches of air, what it crosses dotted, a mark of its word, a label with its 3D distance."""
    first: list[Label] = []
    for line in lines:
        word = line.finding.word
        # What is worse lies on top, and the leading gap on top of all.
        z = 9.0 + 0.2 * ON_TOP[word] + (0.1 if line.number == lines[0].number else 0.0)
        colour = COLOURS[word]
        air = view.flat(line.air)
        dashes: Any = "-" if line.here else (0, (3, 2))
        wide = 2.4 if word == "breach" else 1.4 if word == "clear of limit" else 1.8
        if word == "low margin":
            ax.add_collection(
                LineCollection(list(air), colors=INK, linewidths=wide + 1.6, zorder=z, capstyle="butt"),
                autolim=False,
            )
        ax.add_collection(
            LineCollection(
                list(air), colors=colour, linewidths=wide, linestyles=[dashes], zorder=z + 0.02, capstyle="butt"
            ),
            autolim=False,
        )
        over = view.flat(line.over)
        if len(over):
            ax.add_collection(
                LineCollection(list(over), colors=colour, linewidths=1.2, linestyles=[(0, (1, 1.5))], zorder=z + 0.02),
                autolim=False,
            )
        ends = air.reshape(-1, 2)
        ax.plot(
            ends[:, 0], ends[:, 1], linestyle="none", marker=".", markersize=4.5, color=colour, zorder=z + 0.04,
            scalex=False, scaley=False,
        )  # fmt: skip
        x, y = view.flat(line.middle)
        ax.plot(
            [x], [y], linestyle="none", marker=MARKERS[word], markersize=10 if word == "breach" else 6.5, color=colour,
            markeredgecolor=INK if word != "breach" else PAPER, markeredgewidth=0.7, zorder=z + 1.0,
            scalex=False, scaley=False,
        )  # fmt: skip
        t = np.linspace(0.0, 1.0, 40)[:, None]
        on.visible += [a * (1 - t) + b * t for a, b in air]
        on.visible += [np.repeat([[x, y]], 8, axis=0)]
        if frame.left < x < frame.right and frame.bottom < y < frame.top:
            text_colour = INK if word == "low margin" else colour
            words = line.label if line.number <= MOST_LABELLED or word == "breach" else f"{line.number}"
            weight = "bold" if word == "breach" or line.number == 1 else "normal"
            first.append(Label(words, (float(x), float(y)), text_colour, weight, framed=word != "clear of limit"))
    on.labels[:0] = first  # gaps have the first choice of place


def bodies_of(line: GapLine) -> tuple[str, ...]:
    """Names of the bodies a gap begins at, passes and ends at."""
    measure = line.finding.measure
    return () if measure is None else (measure.ends[0], *measure.through, measure.ends[1])


def gap_samples(lines: Sequence[GapLine]) -> list[tuple[str, dict[str, Any]]]:
    """Samples for the key of how gaps are drawn."""
    samples: list[tuple[str, dict[str, Any]]] = []
    for word in dict.fromkeys(line.finding.word for line in lines):
        samples.append(
            (
                f"gap, {word}",
                {
                    "color": COLOURS[word],
                    "linewidth": 2.2,
                    "marker": MARKERS[word],
                    "markersize": 6,
                    "markeredgecolor": INK,
                },
            )
        )
    if any(not line.here for line in lines):
        samples.append(("gap not at the instant drawn", {"color": GREY, "linewidth": 1.8, "linestyle": (0, (3, 2))}))
    if any(len(line.over) for line in lines):
        samples.append(("floating body crossed", {"color": GREY, "linewidth": 1.2, "linestyle": (0, (1, 1.5))}))
    return samples


def projection(
    kind: str,
    titles: tuple[str, str],
    bodies: Sequence[Body],
    lines: Sequence[GapLine],
    phases: tuple[str, ...],
    direction: Floats,
    north: str,
    beside: Sequence[Finding] = (),
    warning: str = "",
) -> Sheet:
    """One of plan, elevation and section, ready to save. `beside` has no place to draw and goes into the key."""
    view = views.plan() if kind == "plan" else (views.elevation if kind == "elevation" else views.section)(direction)
    middle = lines[0].middle
    depth = float(view.depth(middle))
    points = focus(bodies, lines)
    flat = view.flat(points)
    if kind != "plan":
        flat = np.concatenate([flat, [[float(view.flat(middle)[0]), float(points[:, 2].min()) - 0.5]]])
    frame = views.window(flat, paper.aspect())
    degrees = math.degrees(math.atan2(direction[1], direction[0]))
    along = f"along the line, {degrees:.1f}° from x"
    names = {
        "plan": ("x [m]", "y [m]"),
        "elevation": (f"{along} [m]", "z [m]"),
        "section": (f"across the line, to the right looking along it, {degrees:.1f}° from x [m]", "z [m]"),
    }[kind]
    shown = list(bodies)
    notes = []
    seen = list(lines)
    if kind == "section":
        seen = [lines[0], *(line for line in lines[1:] if np.abs(view.depth(line.air) - depth).max() <= SLAB_M)]
        shown = [_sliced(body, view, depth) for body in bodies]
        notes.append(
            f"The section is at {_station(middle, direction):.2f} m along the line; what is within {SLAB_M:g} m of it "
            "is shown, and wires are dots where they pass it."
        )
    elif kind == "elevation":
        notes.append(
            "Seen from the right-hand side of the line's direction, all bodies projected; the ground is cut at the gap."
        )
    sheet = paper.sheet(*titles, notes=[])
    ax = paper.axes(sheet, frame, *names)
    if kind != "plan":
        draw_ground(sheet, ax, bodies, view, frame, depth)
    named = {name for line in seen[:MOST_LABELLED] for name in bodies_of(line)}
    drawn = draw_bodies(sheet, ax, shown, view, frame, phases, named)
    if kind == "section":
        draw_cuts(sheet, ax, bodies, view, frame, depth, phases, named)
    draw_gaps(sheet, ax, seen, view, frame)
    paper.scale_bar(sheet, ax, frame)
    if kind == "plan":
        paper.north_arrow(sheet, ax, frame, north)
    paper.settle(sheet, ax)
    if len(seen) < len(lines):
        notes.append("Gaps further off: " + ", ".join(str(line.number) for line in lines if line not in seen) + ".")
    samples = gap_samples(seen) + list(drawn.samples.items())
    entries = [(line.entry, INK if line.finding.word == "low margin" else COLOURS[line.finding.word]) for line in lines]
    entries[1:1] = [(_beside(f), COLOURS[f.word]) for f in beside]
    paper.key(sheet, entries, samples)
    if sheet.unplaced:
        notes.append("No room for the labels: " + ", ".join(sheet.unplaced) + ".")
    paper.footer(sheet, [*([warning] if warning else []), FORESHORTENED, *notes, *drawn.notes])
    return sheet


def _beside(finding: Finding) -> str:
    """A key entry for what has no place to draw."""
    numbers = finding.figures
    missing = f", short by {numbers.short} m" if numbers.short else ""
    return (
        f"{SIGNS[finding.word]} {finding.word}: {finding.what}\nnot drawn: {numbers.gap} m where {numbers.limit} m are "
        f"required{missing}\nat {finding.where}"
    )


def _sliced(body: Body, view: View, depth: float) -> Body:
    if body.kind == "ground" and (body.shape.corners == 3).any():
        return body
    return replace(body, shape=views.slab(body.shape, view, depth - SLAB_M, depth + SLAB_M))


def _station(point: Floats, direction: Floats) -> float:
    return float(point[:2] @ direction)
