"""Owns the pictures of a survey: plan, profile and section of each span, residuals along its wires; SVG as text.

The same finding gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from clearance.report.survey_canvas import AMBER, BLUE, GREY, INK, PALE, Canvas, Panel, extent
from clearance.survey.assign import ground_height
from clearance.survey.fit import height, place, residuals, to_frame
from clearance.survey.records import Finding, Floats, Wire

GREEN = "#8A9A5B"

INCH = 72.0
"""[pt]"""

OTHERS_WITHIN_M = 10.0
"""[m] What stands this near to the middle of the line is in the profile."""

SECTION_HALF_M = 4.0
"""[m] Half thickness of the slab of returns in a section."""


def _along(wire: Wire, number: int) -> Floats:
    """Places along a wire's curve from its start to its end [m]."""
    first, last = (float((p[:2] - wire.curve.base) @ wire.curve.direction) for p in (wire.start, wire.end))
    return np.linspace(first, last, number)


def _turn(finding: Finding) -> tuple[Floats, Floats]:
    """Middle of the wires and direction of the line, for a plan along it."""
    ends = np.concatenate([np.stack([wire.start[:2], wire.end[:2]]) for wire in finding.wires])
    longest = max(finding.wires, key=lambda wire: wire.span_m)
    return (ends.min(axis=0) + ends.max(axis=0)) / 2.0, longest.curve.direction


def _box(canvas: Canvas) -> tuple[float, float, float, float]:
    """The rectangle of the one panel of a canvas, with room for the scales [pt]."""
    return 0.7 * INCH, 0.15 * INCH, canvas.wide - 0.1 * INCH, canvas.tall - 0.5 * INCH


def plan(finding: Finding) -> str:
    """The survey from above, turned so that the line runs from left to right."""
    if finding.wires:
        middle, along = _turn(finding)
    else:
        middle, along = np.asarray(finding.scans.highest[:2]) / 2.0, np.array([1.0, 0.0])
    others = to_frame(finding.others.points, middle, along)
    towers = [to_frame(points, middle, along) for points in finding.structure_points]
    rings = [
        to_frame(np.vstack([tower.base, *np.column_stack([tower.polygon, np.zeros(4)])]), middle, along)
        for tower in finding.structures
    ]
    lines = [to_frame(place(wire.curve, _along(wire, 40)), middle, along) for wire in finding.wires]
    everything = np.concatenate([others, *lines, *rings])
    long, wide = (np.ptp(everything[:, :2], axis=0) if len(everything) else np.zeros(2)) + (20.0, 30.0)
    canvas = Canvas(10.0 * INCH, float(np.clip(10.0 * wide / long + 0.8, 2.6, 8.0)) * INCH)
    panel = Panel(canvas, _box(canvas), extent(everything[:, 0]), extent(everything[:, 1]), equal=True)
    panel.dots(others[:, 0], others[:, 1], GREEN, 0.6)
    for placed in towers:
        panel.dots(placed[:, 0], placed[:, 1], GREY, 0.6)
    panel.show_dots()
    for wire, placed in zip(finding.wires, lines, strict=True):
        panel.line(placed[:, 0], placed[:, 1], *((BLUE, 0.8) if wire.kind == "phase" else (INK, 0.8, "3.2 1.6")))
    names = []
    for tower, ring in zip(finding.structures, rings, strict=True):
        outline = np.vstack([ring[1:], ring[1:2]])
        panel.line(outline[:, 0], outline[:, 1], INK, 0.9)
        names.append((*panel.place(float(ring[0, 0]), float(ring[:, 1].max())), -4.0, tower.name))
    for span in sorted({wire.span for wire in finding.wires}):
        mids = np.concatenate([line[[0, -1]] for line, wire in zip(lines, finding.wires, strict=True)
                               if wire.span == span])  # fmt: skip
        names.append((*panel.place(float(mids[:, 0].mean()), float(mids[:, 1].min())), 12.0, f"span {span}"))
    _write_apart(canvas, names)
    _mark(panel, finding, middle, along)
    panel.axis_x("along the line from the middle of the wires [m]")
    panel.axis_y("to the left [m]")
    return canvas.svg("plan of the survey")


def _write_apart(canvas: Canvas, names: Sequence[tuple[float, float, float, str]]) -> None:
    """Names at places [pt], each moved down by so much [pt]; one that would lie on an earlier one is left out."""
    taken: list[tuple[float, float, float]] = []
    for x, y, down, name in names:
        half = 0.32 * 8.0 * len(name)
        if all(abs(y + down - other) > 9.0 or abs(x - middle) > half + wide for middle, other, wide in taken):
            canvas.text(x, y + down, name, 8.0, "middle")
            taken.append((x, y + down, half))


def _mark(panel: Panel, finding: Finding, middle: Floats, along: Floats) -> None:
    """The lowest wire return and the nearest other one, and what these marks mean."""
    canvas, left = panel.canvas, panel.canvas.wide - 0.1 * INCH
    marks = []
    if finding.nearest_other is not None:
        marks.append((finding.nearest_other[1], "cross", "nearest other return to a wire", 125.0))
    if finding.lowest_wire is not None:
        marks.append((finding.lowest_wire[1], "down", "lowest wire return", 80.0))
    for where, shape, label, wide in marks:
        at = to_frame(where[None], middle, along)[0]
        canvas.mark(*panel.place(float(at[0]), float(at[1])), shape, 7.0, AMBER, INK)
        left -= wide + 14.0
        canvas.mark(left, canvas.tall - 6.0, shape, 7.0, AMBER, INK)
        canvas.text(left + 8.0, canvas.tall - 6.0, label, 7.0, rise=0.35)


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
    reach = max(float((wire.end[:2] - base) @ along) for wire in wires)
    left = np.array([-along[1], along[0]])
    across = [float((end[:2] - base) @ left) for wire in wires for end in (wire.start, wire.end)]
    others = to_frame(finding.others.points, base, along)
    near = (others[:, 0] > -15) & (others[:, 0] < reach + 15)
    near &= (others[:, 1] > min(across) - OTHERS_WITHIN_M) & (others[:, 1] < max(across) + OTHERS_WITHIN_M)
    towers = np.concatenate([np.zeros((0, 3)), *(to_frame(some, base, along) for some in finding.structure_points)])
    shown = (towers[:, 0] > -15) & (towers[:, 0] < reach + 15) & (np.abs(towers[:, 1]) < 40)
    returns = np.concatenate([to_frame(wire.returns, base, along) for wire in wires])
    dots = ((others[near], GREEN, 0.75), (towers[shown], GREY, 0.75), (returns, AMBER, 1.1))
    lines = []
    for wire in wires:
        s = _along(wire, 60)
        lines.append((s + float((wire.curve.base - base) @ along), height(wire.curve, s) + datum))
    s = np.arange(-15.0, reach + 15.0, 1.0) if finding.ground is not None else np.zeros(0)
    ground = ground_height(finding.ground, base + s[:, None] * along) + datum
    heights = extent(*(some[:, 2] + datum for some, _, _ in dots), *(z for _, z in lines), ground)
    canvas = Canvas(10.0 * INCH, 4.2 * INCH)
    panel = Panel(canvas, _box(canvas), (-18.0, reach + max(18.0, 0.14 * reach)), heights)
    for some, colour, size in dots:
        panel.dots(some[:, 0], some[:, 2] + datum, colour, size)
    panel.show_dots()
    if len(ground):
        panel.line(s, ground, INK, 1.0)
        x, y = panel.place(-15.0, float(ground[0]))
        canvas.text(x, y - 4.0, "ground", 7.0)
    for wire, (u, z) in zip(wires, lines, strict=True):
        panel.line(u, z, BLUE if wire.kind == "phase" else INK, 0.8)
    _stack_labels(panel, reach + 3.0, [(float(z[-1]), wire.phase) for wire, (_, z) in zip(wires, lines, strict=True)])
    panel.axis_x("along the span [m]")
    panel.axis_y("height [m]" if finding.scans.vertical == "not stated" else f"{finding.scans.vertical} [m]")
    return canvas.svg(f"profile of span {wires[0].span}")


def _stack_labels(panel: Panel, x: float, labels: list[tuple[float, str]]) -> None:
    """Names at the ends of lines, those at one height in one label, none on top of another."""
    low, high = panel.y
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
        panel.canvas.text(*panel.place(x, at), ", ".join(names), 7.0, rise=0.35)


def section(finding: Finding, wires: Sequence[Wire]) -> str:
    """The section across a span where its lowest wire is lowest above the ground, true to scale."""
    base, along = _frame(wires)
    datum = finding.scans.origin[2]
    lowest = min(wires, key=lambda wire: float(np.min(wire.returns[:, 2])) if len(wire.returns) else np.inf)
    where = (
        lowest.returns[int(lowest.returns[:, 2].argmin())] if len(lowest.returns) else (lowest.start + lowest.end) / 2
    )
    at = float((where[:2] - base) @ along)
    left = np.array([-along[1], along[0]])
    hung: list[tuple[float, float, Wire]] = []
    for wire in wires:
        s = np.array([at - float((wire.curve.base - base) @ along)])
        low, high = sorted(float((p[:2] - wire.curve.base) @ wire.curve.direction) for p in (wire.start, wire.end))
        if low <= s[0] <= high:
            there = place(wire.curve, s)[0]
            hung.append((float((there[:2] - base) @ left), float(there[2]) + datum, wire))
    around = max((abs(t) for t, _, _ in hung), default=10.0) + 15.0
    parts = []
    clouds = ((finding.others.points, GREEN, 1.25), (np.concatenate([wire.returns for wire in wires]), AMBER, 2.0))
    for points, colour, size in clouds:
        some = to_frame(points, base, along)
        parts.append((some[(np.abs(some[:, 0] - at) <= SECTION_HALF_M) & (np.abs(some[:, 1]) <= around)], colour, size))
    t = np.arange(-around, around + 0.25, 0.5) if finding.ground is not None else np.zeros(0)
    ground = ground_height(finding.ground, base + at * along + t[:, None] * left) + datum
    heights = extent(*(some[:, 2] + datum for some, _, _ in parts), np.array([z for _, z, _ in hung]), ground)
    canvas = Canvas(6.2 * INCH, 5.2 * INCH)
    # the left of the line is on the left of the picture
    panel = Panel(canvas, _box(canvas), (around, -around), (heights[0], heights[1] + 1.0), equal=True)
    for some, colour, size in parts:
        panel.dots(some[:, 1], some[:, 2] + datum, colour, size)
    panel.show_dots()
    if len(ground):
        panel.line(t, ground, INK, 1.0)
    for across, z, wire in hung:
        x, y = panel.place(across, z)
        canvas.mark(x, y, "dot" if wire.kind == "phase" else "up", 4.0, BLUE)
        side = -1.0 if across >= 0 else 1.0
        canvas.text(x + 6.0 * side, y - 5.0, wire.phase, 7.0, "end" if side < 0 else "start")
    panel.axis_x(f"to the left of the line [m], {at:.0f} m along the span, seen along it")
    panel.axis_y("height [m]")
    return canvas.svg(f"section of span {wires[0].span}")


def residuals_along(wires: Sequence[Wire]) -> str:
    """Returns less fitted curve, vertical and sideways, along each wire of a span [cm]: a strip a wire, one scale."""
    rows, found = len(wires), [residuals(wire.curve, wire.returns) for wire in wires]
    for wire, out in zip(wires, found, strict=True):
        out[:, 0] -= float((wire.start[:2] - wire.curve.base) @ wire.curve.direction)
    lengths = extent(*(out[:, 0] for out in found))
    canvas = Canvas(10.0 * INCH, (0.9 + 0.8 * rows) * INCH)
    for column, title in enumerate(("vertical residual", "sideways residual")):
        values = [100.0 * out[:, 2 - column] for out in found]
        least = (12.0, 25.0)[column]
        half = max([least, *(float(np.quantile(np.abs(each), 0.995)) for each in values if len(each))])
        zeros = [-2.1 * half * row for row in range(rows)]
        left = (0.09 + 0.485 * column) * canvas.wide
        box = (left, 0.35 * INCH, left + 0.41 * canvas.wide, canvas.tall - 0.45 * INCH)
        panel = Panel(canvas, box, lengths, (-2.1 * half * (rows - 0.5), 1.05 * half))
        for zero, out, each in zip(zeros, found, values, strict=True):
            inside = np.abs(each) <= half
            panel.dots(out[inside, 0], zero + each[inside], BLUE, 1.0)
        panel.show_dots()
        for zero in zeros:
            panel.line(np.array(lengths), np.full(2, zero), INK, 0.6)
            panel.line(np.array(lengths), np.full(2, zero + 1.05 * half), PALE, 0.8)
        panel.axis_y("", [(zero, wire.phase) for zero, wire in zip(zeros, wires, strict=True)])
        canvas.text(box[0], box[1] - 6.0, f"{title}: from one pale line to the next {2.1 * half:.0f} cm", 8.0)
        panel.axis_x("along the wire [m]")
    return canvas.svg(f"residuals of span {wires[0].span}")
