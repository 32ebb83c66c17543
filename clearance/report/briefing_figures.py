"""Owns the pictures of a briefing: the site in plan and elevation, and one picture of each stage, as SVG to be inlined.

They are drawn at the size they are shown, so their letters stay legible on paper. Projections, pens and labels are
those of the drawings.
"""

from __future__ import annotations

import io
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from clearance import shapes
from clearance.bodies import Body
from clearance.report import paper, views
from clearance.report.envelopes import Envelope, draw_envelopes
from clearance.report.gap_lines import GapLine
from clearance.report.ink import draw_bodies, draw_ground
from clearance.report.labels import Box
from clearance.report.paper import Sheet
from clearance.report.projections import bodies_of, draw_gaps
from clearance.report.style import ALOFT, INK, PAPER
from clearance.report.views import Floats, View, Window

WIDTH_IN: Final = 7.0
"""[in] What is left of A4 and of Letter between margins."""

SITE_IN: Final = 3.4
STAGE_IN: Final = 2.3
DPI: Final = 100

AROUND: Final = (*ALOFT, "crew", "vehicle")
"""Kinds that a picture of a stage must show whole, where they are near."""

NEAR_M: Final = 9.0
"""[m] What is further from the work than this does not widen a picture of a stage."""


MEMBERS: Final = 50
"""Primitives from which a structure is drawn by lines."""


NAMELESS: Final = ("insulator", "fitting", "solid")
"""Kinds that bear their names only where a gap begins, ends or passes."""


@dataclass(frozen=True, eq=False)
class Scenery:
    """What is drawn: bodies where they stand, gaps, the phases in order, the direction of the line."""

    bodies: tuple[Body, ...]
    lines: tuple[GapLine, ...]
    phases: tuple[str, ...]
    direction: Floats


def site_figure(kind: str, scenery: Scenery, track: Floats, north: str, envelopes: Sequence[Envelope] = ()) -> str:
    """The site in "plan" or "elevation" (track: (n, 4) stations and places [m]), with what may fall where, as SVG."""
    view = views.plan() if kind == "plan" else views.elevation(scenery.direction)
    points = [track[:, 1:]] if len(track) else []
    points += [np.stack(body.shape.bounds) for body in scenery.bodies if body.kind in AROUND and len(body.shape)]
    near = np.concatenate(points) if points else np.zeros((1, 3))
    middle = 0.5 * (near.min(axis=0) + near.max(axis=0))
    for body in scenery.bodies:
        if body.kind == "structure" and np.abs(np.stack(body.shape.bounds) - middle)[:, :2].max() < 3 * NEAR_M:
            points.append(np.stack(body.shape.bounds))
    for envelope in envelopes:
        low, high = (np.array(ends) for ends in zip(*(hull.bounds for hull in envelope.hulls), strict=True))
        # What lies below the ground is not drawn.
        points.append(np.maximum(np.stack([low.max(axis=0), high.min(axis=0)]), [-np.inf, -np.inf, near[:, 2].min()]))
    points = points or [near]
    sheet, (ax,), (frame,) = _sheet([view], np.concatenate(points), SITE_IN)
    draw_envelopes(sheet, ax, envelopes, view, frame, None if kind == "plan" else float(near[:, 2].min()))
    if kind != "plan":
        draw_ground(sheet, ax, scenery.bodies, view, frame, float(view.depth(middle)))
    shown = together([_lines_only(body) for body in scenery.bodies], ())
    draw_bodies(sheet, ax, shown, view, frame, scenery.phases, ())
    if len(track):
        _track(ax, view, track, kind == "plan")
        if kind == "plan":
            # Labels keep off the figures beside the track.
            corners = ax.transData.transform(view.flat(track[:, 1:]))
            (left, bottom), (right, top) = corners.min(axis=0), corners.max(axis=0)
            sheet.taken.append(Box(float(left) - 8, float(bottom) - 8, float(right) + 28, float(top) + 8))
    paper.scale_bar(sheet, ax, frame)
    if kind == "plan":
        paper.north_arrow(sheet, ax, frame, north)
    paper.settle(sheet, ax)
    return svg(sheet, kind)


def stage_figure(name: str, scenery: Scenery) -> str:
    """A stage from two sides, elevation and section, at the instant of its least margin, as SVG."""
    both = [views.elevation(scenery.direction), views.section(scenery.direction)]
    middle = scenery.lines[0].middle if scenery.lines else np.zeros(3)
    worked = [body for body in scenery.bodies if body.kind in ALOFT and len(body.shape)]
    points = [line.air.reshape(-1, 3) for line in scenery.lines[:1]]
    points += [np.stack(body.shape.bounds) for body in worked]
    if worked:
        middle = np.stack(worked[0].shape.bounds).mean(axis=0)
    focus = np.concatenate(points) if points else middle[None]
    focus = focus[np.abs(focus - middle).max(axis=1) <= NEAR_M]
    focus = focus if len(focus) else middle[None]
    sheet, axes, frames = _sheet(both, focus, STAGE_IN)
    lines = scenery.lines[:1]
    named = {body for line in lines for body in bodies_of(line)}
    for view, ax, frame in zip(both, axes, frames, strict=True):
        depth = float(view.depth(middle))
        draw_ground(sheet, ax, scenery.bodies, view, frame, depth)
        shown = together([_lines_only(_near(body, view, depth)) for body in scenery.bodies], named)
        draw_bodies(sheet, ax, shown, view, frame, scenery.phases, named)
        sheet.labels = [label for label in sheet.labels if _in(label.at, frame)]
        draw_gaps(sheet, ax, lines, view, frame)
        paper.settle(sheet, ax)
        sheet.visible.clear()
        sheet.taken.clear()
    return svg(sheet, name)


def _in(at: tuple[float, float], frame: Window) -> bool:
    return frame.left < at[0] < frame.right and frame.bottom < at[1] < frame.top


def _near(body: Body, view: View, depth: float) -> Body:
    """A body as far as it is near the plane looked at: what stands far before or behind only hides the work."""
    if body.kind == "ground":
        return body
    return replace(body, shape=views.slab(body.shape, view, depth - NEAR_M, depth + NEAR_M))


def _sheet(shown: Sequence[View], focus: Floats, tall_in: float) -> tuple[Sheet, list[Axes], list[Window]]:
    """A figure with one set of axes for each view, side by side, all to one scale."""
    figure = Figure(figsize=(WIDTH_IN, tall_in), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(figure)
    sheet = Sheet(figure, "")
    wide = 1.0 / len(shown)
    left, bottom = 0.45 / WIDTH_IN, 0.42 / tall_in
    axes, frames = [], []
    for index, view in enumerate(shown):
        part = (index * wide + left, bottom, wide - left - 0.05 / WIDTH_IN, 1.0 - bottom - 0.06 / tall_in)
        ratio = part[2] * WIDTH_IN / (part[3] * tall_in)
        frame = views.window(view.flat(focus), ratio, pad=0.1)
        title = {"plan": ("x [m]", "y [m]"), "elevation": ("along the line [m]", "height [m]")}
        across = ("across the line, seen along it [m]", "height [m]")
        axes.append(paper.axes(sheet, frame, *title.get(view.name, across), box=part))
        frames.append(frame)
    return sheet, axes, frames


def _track(ax: Axes, view: View, track: Floats, marked: bool) -> None:
    """The track, with a tick at every metre of station in a plan."""
    xy = view.flat(track[:, 1:])
    style = {"color": INK, "linewidth": 1.1, "zorder": 8.0, "scalex": False, "scaley": False}
    ax.plot(xy[:, 0], xy[:, 1], linestyle=(0, (4, 1.5)), **style)  # type: ignore[arg-type]
    if not marked:
        return
    stations = np.arange(0.0, np.floor(track[-1, 0]) + 0.5)
    places = np.stack([np.interp(stations, track[:, 0], track[:, k]) for k in (1, 2, 3)], axis=1)
    at = view.flat(places)
    ax.plot(at[:, 0], at[:, 1], linestyle="none", marker="_", markersize=7, **style)  # type: ignore[arg-type]
    every = 1 if len(stations) <= 14 else 5
    for station, (x, y) in list(zip(stations, at, strict=True))[::every]:
        ax.annotate(
            f"{station:.0f}", (x, y), (9, 0), textcoords="offset points", fontsize=6.5, va="center", color=INK, zorder=8
        )


def together(bodies: Sequence[Body], named: Collection[str]) -> list[Body]:
    """The bodies, those of a kind that bears no name joined: they look alike, and each by itself takes its time."""
    alike: dict[tuple[str, str | None], list[Body]] = {}
    found: list[Body] = []
    for body in bodies:
        if body.kind in NAMELESS and body.name not in named:
            alike.setdefault((body.kind, body.potential), []).append(body)
        else:
            found.append(body)
    for same in alike.values():
        found.append(replace(same[0], shape=shapes.join(replace(body.shape, rate=None) for body in same)))
    return found


def _lines_only(body: Body) -> Body:
    """A structure of many members by their axes: at this size their breadth is a line, and a page holds many."""
    if body.kind != "structure" or len(body.shape) < MEMBERS or (body.shape.corners == 3).any():
        return body
    return replace(
        body, shape=replace(body.shape, radius=np.zeros(len(body.shape)), uncertainty=np.zeros(len(body.shape)))
    )


def svg(sheet: Sheet, name: str) -> str:
    """The figure as an SVG element to put into a page: no header, no fixed size, letters with fallbacks."""
    stream = io.StringIO()
    # Its own salt: ids of several pictures share one page.
    with matplotlib.rc_context({"svg.hashsalt": f"clearance {name}", "svg.fonttype": "none"}):
        nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
        sheet.figure.savefig(stream, format="svg", metadata=nothing)
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    head = r'<svg viewBox="\1" xmlns:xlink="http://www.w3.org/1999/xlink">'
    text = re.sub(r'<svg [^>]*viewBox="([^"]*)"[^>]*>', head, text)
    text = text.replace("'DejaVu Sans'", "'DejaVu Sans', Verdana, sans-serif")
    # A hundredth of a point is finer than any printer, and makes half the page.
    text = re.sub(r"(?<=\.\d\d)\d+", "", text)
    return re.sub(r"\n\s*", "\n", text).strip()
