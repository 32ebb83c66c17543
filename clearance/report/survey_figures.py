"""Owns the pictures of a survey: plan, profile and section of each span, residuals along its wires; SVG as text.

Clouds of returns are drawn as small pictures inside the SVG, everything else as lines and text. The same finding gives
the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence

import matplotlib
import numpy as np

matplotlib.use("Agg")
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from clearance.survey.assign import ground_height
from clearance.survey.fit import height, offset, residuals, to_frame
from clearance.survey.records import Finding, Floats, Wire

INK, GREY, PALE, BLUE, AMBER, RED = "#222222", "#767676", "#E4E4E4", "#0072B2", "#E69F00", "#8B1A1A"

OTHERS_WITHIN_M = 10.0
"""[m] What stands this near to the middle of the line is in the profile."""

SECTION_HALF_M = 4.0
"""[m] Half thickness of the slab of returns in a section."""


def _svg(figure: Figure, label: str) -> str:
    settings = {"svg.hashsalt": "clearance survey", "svg.fonttype": "none", "font.family": "DejaVu Sans"}
    with matplotlib.rc_context(settings):  # type: ignore[arg-type]  # a plain dict is what it takes
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None}, dpi=150)
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    return svg.replace("<svg", f'<svg role="img" aria-label="{label}"', 1)


def _axes(width: float, tall: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, tall))
    figure.subplots_adjust(left=0.7 / width, right=1.0 - 0.1 / width, bottom=0.5 / tall, top=1.0 - 0.15 / tall)
    axes = figure.add_subplot()
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=8)
    return figure, axes


def _dots(axes: Axes, x: Floats, y: Floats, colour: str, size: float) -> None:
    axes.plot(
        x, y, linestyle="none", marker=".", markersize=size, color=colour, markeredgewidth=0, rasterized=True, zorder=1
    )


def _along(wire: Wire, number: int) -> Floats:
    """Places along a wire's curve from its start to its end [m]."""
    first, last = (float((p[:2] - wire.curve.base) @ wire.curve.direction) for p in (wire.start, wire.end))
    return np.linspace(first, last, number)


def _turn(finding: Finding) -> tuple[Floats, Floats]:
    """Middle of the wires and direction of the line, for a plan along it."""
    ends = np.concatenate([np.stack([wire.start[:2], wire.end[:2]]) for wire in finding.wires])
    longest = max(finding.wires, key=lambda wire: wire.span_m)
    return (ends.min(axis=0) + ends.max(axis=0)) / 2.0, longest.curve.direction


def plan(finding: Finding) -> str:
    """The survey from above, turned so that the line runs from left to right."""
    if finding.wires:
        middle, along = _turn(finding)
    else:
        middle, along = np.asarray(finding.scans.highest[:2]) / 2.0, np.array([1.0, 0.0])
    others = to_frame(finding.others.points, middle, along) if len(finding.others.points) else np.zeros((0, 3))
    ends = [to_frame(np.stack([wire.start, wire.end]), middle, along) for wire in finding.wires]
    everything = np.concatenate([others, *ends]) if len(others) or ends else np.zeros((1, 3))
    long, wide = np.ptp(everything[:, 0]) + 20.0, np.ptp(everything[:, 1]) + 30.0
    figure, axes = _axes(10.0, float(np.clip(10.0 * wide / long + 0.8, 2.6, 8.0)))
    _dots(axes, others[:, 0], others[:, 1], "#8A9A5B", 1.2)
    for points in finding.structure_points:
        placed = to_frame(points, middle, along)
        _dots(axes, placed[:, 0], placed[:, 1], GREY, 1.2)
    for wire in finding.wires:
        s = _along(wire, 40)
        left = np.array([-wire.curve.direction[1], wire.curve.direction[0]])
        line = wire.curve.base + s[:, None] * wire.curve.direction + offset(wire.curve, s)[:, None] * left
        placed = to_frame(np.column_stack([line, s]), middle, along)
        axes.plot(placed[:, 0], placed[:, 1], color=BLUE if wire.kind == "phase" else INK, linewidth=0.8,
                  linestyle="-" if wire.kind == "phase" else (0, (4, 2)))  # fmt: skip
    top = float(everything[:, 1].max())
    for tower in finding.structures:
        placed = to_frame(np.vstack([tower.base, *np.column_stack([tower.polygon, np.zeros(4)])]), middle, along)
        ring = np.vstack([placed[1:], placed[1:2]])
        axes.plot(ring[:, 0], ring[:, 1], color=INK, linewidth=0.9)
        at = (placed[0, 0], placed[0, 1])
        line = {"arrowstyle": "-", "color": GREY, "linewidth": 0.5}
        axes.annotate(tower.name, at, (at[0], top + 6.0), fontsize=8, ha="center", color=INK, arrowprops=line)
    for span in sorted({wire.span for wire in finding.wires}):
        mids = np.concatenate([e for e, wire in zip(ends, finding.wires, strict=True) if wire.span == span])
        axes.text(
            float(mids[:, 0].mean()), float(mids[:, 1].min()) - 5.0, f"span {span}", fontsize=8, ha="center", va="top"
        )
    _mark(axes, finding, middle, along)
    axes.set_aspect("equal")
    axes.set_xlabel("along the line from the middle of the wires [m]", fontsize=8)
    axes.set_ylabel("to the left [m]", fontsize=8)
    return _svg(figure, "plan of the survey")


def _mark(axes: Axes, finding: Finding, middle: Floats, along: Floats) -> None:
    marks = []
    if finding.lowest_wire is not None:
        marks.append((finding.lowest_wire[1], "v", "lowest wire return"))
    if finding.nearest_other is not None:
        marks.append((finding.nearest_other[1], "X", "nearest other return to a wire"))
    for place, sign, label in marks:
        at = to_frame(place[None], middle, along)[0]
        axes.plot(
            at[0],
            at[1],
            marker=sign,
            markersize=7,
            color=AMBER,
            markeredgecolor=INK,
            linestyle="none",
            label=label,
            zorder=5,
        )
    if marks:
        axes.figure.legend(fontsize=7, loc="lower right", frameon=False, ncols=2)


def _frame(wires: Sequence[Wire]) -> tuple[Floats, Floats]:
    longest = max(wires, key=lambda wire: wire.span_m)
    ends = np.array([(wire.start + wire.end)[:2] / 2.0 for wire in wires])
    direction = longest.curve.direction
    left = np.array([-direction[1], direction[0]])
    across = ends @ left
    start = min(float(wire.start[:2] @ direction) for wire in wires)
    return start * direction + float(across.min() + across.max()) / 2.0 * left, direction


def profile(finding: Finding, wires: Sequence[Wire]) -> str:
    """A span from the side, heights drawn larger than lengths where it is long."""
    base, along = _frame(wires)
    datum = finding.scans.origin[2]
    figure, axes = _axes(10.0, 4.2)
    reach = max(float((wire.end[:2] - base) @ along) for wire in wires)
    points = to_frame(finding.others.points, base, along) if len(finding.others.points) else np.zeros((0, 3))
    across = [float((p[:2] - base) @ np.array([-along[1], along[0]])) for wire in wires for p in (wire.start, wire.end)]
    near = (points[:, 0] > -15) & (points[:, 0] < reach + 15)
    near &= (points[:, 1] > min(across) - OTHERS_WITHIN_M) & (points[:, 1] < max(across) + OTHERS_WITHIN_M)
    _dots(axes, points[near, 0], points[near, 2] + datum, "#8A9A5B", 1.5)
    for some in finding.structure_points:
        placed = to_frame(some, base, along)
        shown = (placed[:, 0] > -15) & (placed[:, 0] < reach + 15) & (np.abs(placed[:, 1]) < 40)
        _dots(axes, placed[shown, 0], placed[shown, 2] + datum, GREY, 1.5)
    if finding.ground is not None:
        s = np.arange(-15.0, reach + 15.0, 1.0)
        xy = base + s[:, None] * along
        axes.plot(s, ground_height(finding.ground, xy) + datum, color=INK, linewidth=1.0)
        axes.text(-15.0, float(ground_height(finding.ground, xy)[0]) + datum + 0.4, "ground", fontsize=7, va="bottom")
    labels: list[tuple[float, str]] = []
    for wire in wires:
        placed = to_frame(wire.returns, base, along)
        _dots(axes, placed[:, 0], placed[:, 2] + datum, AMBER, 2.2)
        s = _along(wire, 60)
        u = s + float((wire.curve.base - base) @ along)
        z = height(wire.curve, s) + datum
        axes.plot(u, z, color=BLUE if wire.kind == "phase" else INK, linewidth=0.8, zorder=3)
        labels.append((float(z[-1]), wire.phase))
    _stack_labels(axes, reach + 3.0, labels)
    axes.set_xlim(-18, reach + max(18.0, 0.14 * reach))
    axes.set_xlabel("along the span [m]", fontsize=8)
    axes.set_ylabel(
        "height [m]" if finding.scans.vertical == "not stated" else f"{finding.scans.vertical} [m]", fontsize=8
    )
    return _svg(figure, f"profile of span {wires[0].span}")


def _stack_labels(axes: Axes, x: float, labels: list[tuple[float, str]]) -> None:
    """Names at the ends of lines, those at one height in one label, none on top of another."""
    low, high = axes.get_ylim()
    step = (high - low) * 0.045
    groups: list[tuple[float, list[str]]] = []
    for z, name in sorted(labels):
        if groups and z - groups[-1][0] < step:
            groups[-1][1].append(name)
        else:
            groups.append((z, [name]))
    at = -np.inf
    for z, names in groups:
        at = max(z, at + step)
        axes.text(x, at, ", ".join(names), fontsize=7, va="center", color=INK)


def section(finding: Finding, wires: Sequence[Wire]) -> str:
    """The section across a span where its lowest wire is lowest above the ground, true to scale."""
    base, along = _frame(wires)
    datum = finding.scans.origin[2]
    lowest = min(wires, key=lambda wire: float(np.min(wire.returns[:, 2])) if len(wire.returns) else np.inf)
    where = (
        lowest.returns[int(lowest.returns[:, 2].argmin())] if len(lowest.returns) else (lowest.start + lowest.end) / 2
    )
    at = float((where[:2] - base) @ along)
    figure, axes = _axes(6.2, 5.2)
    shown: list[Floats] = []
    labels = []
    for wire in wires:
        placed = to_frame(wire.returns, base, along)
        placed = placed[np.abs(placed[:, 0] - at) <= SECTION_HALF_M]
        _dots(axes, placed[:, 1], placed[:, 2] + datum, AMBER, 4.0)
        s = np.array([at - float((wire.curve.base - base) @ along)])
        low, high = sorted(float((p[:2] - wire.curve.base) @ wire.curve.direction) for p in (wire.start, wire.end))
        if not low <= s[0] <= high:
            continue
        left = np.array([-wire.curve.direction[1], wire.curve.direction[0]])
        plan_at = wire.curve.base + s[0] * wire.curve.direction + offset(wire.curve, s)[0] * left
        t = float((plan_at - base) @ np.array([-along[1], along[0]]))
        z = float(height(wire.curve, s)[0]) + datum
        axes.plot(
            t, z, marker="o" if wire.kind == "phase" else "^", markersize=4, color=BLUE, linestyle="none", zorder=4
        )
        labels.append((t, z, wire.phase))
        shown.append(np.array([[t, z]]))
    around = max((abs(float(p[0, 0])) for p in shown), default=10.0) + 15.0
    for t, z, name in labels:
        axes.annotate(name, (t, z), xytext=(-6 if t >= 0 else 6, 5), textcoords="offset points", fontsize=7,
                      ha="right" if t >= 0 else "left")  # fmt: skip
    if len(finding.others.points):
        points = to_frame(finding.others.points, base, along)
        points = points[(np.abs(points[:, 0] - at) <= SECTION_HALF_M) & (np.abs(points[:, 1]) <= around)]
        _dots(axes, points[:, 1], points[:, 2] + datum, "#8A9A5B", 2.5)
    if finding.ground is not None:
        across = np.arange(-around, around + 0.5, 0.5)
        xy = base + at * along + across[:, None] * np.array([-along[1], along[0]])
        axes.plot(across, ground_height(finding.ground, xy) + datum, color=INK, linewidth=1.0)
    axes.set_xlim(around, -around)  # the left of the line on the left of the picture
    axes.set_aspect("equal")
    axes.set_xlabel(f"to the left of the line [m], {at:.0f} m along the span, seen along it", fontsize=8)
    axes.set_ylabel("height [m]", fontsize=8)
    return _svg(figure, f"section of span {wires[0].span}")


def residuals_along(wires: Sequence[Wire]) -> str:
    """Returns less fitted curve, vertical and sideways, along each wire of a span [cm]: a strip a wire, one scale."""
    rows, tall = len(wires), 0.9 + 0.8 * len(wires)
    figure = Figure(figsize=(10.0, tall))
    figure.subplots_adjust(left=0.09, right=0.985, bottom=0.45 / tall, top=1.0 - 0.35 / tall, wspace=0.2)
    for column, title in enumerate(("vertical residual", "sideways residual")):
        axes = figure.add_subplot(1, 2, column + 1)
        found = [residuals(wire.curve, wire.returns) for wire in wires]
        values = [100.0 * out[:, 2 - column] for out in found]
        least = (12.0, 25.0)[column]
        half = max([least, *(float(np.quantile(np.abs(each), 0.995)) for each in values if len(each))])
        for row, (wire, out, each) in enumerate(zip(wires, found, values, strict=True)):
            zero = -2.1 * half * row
            along = out[:, 0] - float((wire.start[:2] - wire.curve.base) @ wire.curve.direction)
            inside = np.abs(each) <= half
            _dots(axes, along[inside], zero + each[inside], BLUE, 2.0)
            axes.axhline(zero, color=INK, linewidth=0.6)
            axes.axhline(zero + 1.05 * half, color=PALE, linewidth=0.8)
        axes.set_yticks([-2.1 * half * row for row in range(rows)], [wire.phase for wire in wires])
        axes.set_ylim(-2.1 * half * (rows - 0.5), 1.05 * half)
        axes.tick_params(labelsize=8)
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
        axes.set_title(f"{title}: from one pale line to the next {2.1 * half:.0f} cm", fontsize=8, loc="left")
        axes.set_xlabel("along the wire [m]", fontsize=8)
    return _svg(figure, f"residuals of span {wires[0].span}")
