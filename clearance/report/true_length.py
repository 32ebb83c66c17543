"""Owns the true-length view of one gap: each stretch of air in an upright plane through its two ends, to one scale.

A chain over floating bodies is unrolled: one panel a stretch, and below them the stretches laid end to end beside the
limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.patches import Rectangle

from clearance import shapes
from clearance.bodies import Body
from clearance.bodies.deformable_wire import WHEREVER
from clearance.report import paper, views
from clearance.report.gap_lines import GapLine
from clearance.report.ink import UNSEEN, draw_bodies, draw_ground
from clearance.report.numbers import down
from clearance.report.paper import Label, Sheet
from clearance.report.projections import bodies_of
from clearance.report.style import COLOURS, HATCHES, INK, MARKERS, PALE, PAPER, SIGNS
from clearance.report.views import Floats, View

NEAR_PLANE_M = 0.75
"""[m] Bodies this near the plane of the gap, on either side, are projected on it; further ones are left out."""

TOUCHING_M = 0.005
"""[m] Stretches of air shorter than this show as 0.00 m; they are told in the key and not drawn."""

ROUND_GAP = 2.1
"""A panel is this many times the longest stretch wide or high, so that what is at its ends can be told."""

PANELS = (0.06, 0.335, 0.62, 0.535)
BARS = (0.06, 0.135, 0.62, 0.125)


def panel_views(line: GapLine, direction: Floats) -> list[View]:
    """The plane of each stretch of air."""
    return [views.through(start, end, direction) for start, end in line.air]


def drawn_length(line: GapLine, view: View, index: int) -> float:
    """Length of a stretch as it is drawn [m]: its true length, as the plane holds both ends."""
    start, end = view.flat(line.air[index])
    return float(np.linalg.norm(end - start))


def near_plane(bodies: Sequence[Body], view: View) -> list[Body]:
    """What of each body lies near the plane; the ground and other surfaces that cross it are cut instead, and sheets
    that stand for everywhere a wire may be are cut with their thickness."""
    found = []
    for body in bodies:
        if body.kind == "ground":
            found.append(body)
            continue
        shape = views.slab(body.shape, view, -NEAR_PLANE_M, NEAR_PLANE_M)
        if WHEREVER in body.note:
            shape = shapes.join([shape, views.crossed(body.shape, view)])
        found.append(replace(body, shape=shape))
    return found


def true_length(
    titles: tuple[str, str],
    bodies: Sequence[Body],
    line: GapLine,
    phases: tuple[str, ...],
    direction: Floats,
    warning: str = "",
) -> Sheet:
    """The view, ready to save."""
    finding, count = line.finding, len(line.air)
    assert finding.measure is not None
    planes = panel_views(line, direction)
    lengths = [drawn_length(line, view, k) for k, view in enumerate(planes)]
    sheet = paper.sheet(*titles, notes=[])
    names = [*finding.measure.through]
    chain = [finding.measure.ends[0], *names, finding.measure.ends[1]]
    samples: dict[str, dict[str, Any]] = {}
    notes: list[str] = []
    colour = COLOURS[finding.word]
    # Where bodies touch, a stretch has no length: there is nothing to draw of it, and a mark on it would be misread.
    shown = [k for k in range(count) if lengths[k] >= TOUCHING_M] or [int(np.argmax(lengths))]
    wide = PANELS[2] / len(shown)
    for place, k in enumerate(shown):
        view = planes[k]
        box = (PANELS[0] + place * wide + (0.02 if place else 0.0), PANELS[1], wide - 0.02, PANELS[3])
        half = 0.5 * ROUND_GAP * max(*lengths, 0.5)
        shape = paper.aspect(box)
        # One scale for all panels: the window is as large as the longest stretch needs.
        across, up = half * min(shape, 1.0), half * min(1.0, 1.0 / shape)
        frame = views.window([[-across, -up], [across, up]], shape, pad=0.0, least_m=0.1)
        ax = paper.axes(
            sheet, frame, "in the plane, from the middle of the gap [m]", "up [m]" if place == 0 else "", box
        )
        ends = f"{chain[k]} > {chain[k + 1]}" if len(chain) == count + 1 else ""
        paper.heading(ax, f"stretch {k + 1} of {count}: {ends}" if count > 1 else ends)
        near = near_plane(bodies, view)
        draw_ground(sheet, ax, near, view, frame, 0.0)
        drawn = draw_bodies(sheet, ax, near, view, frame, phases, bodies_of(line), careful=True)
        for body in bodies:
            surface = body.kind not in ("ground", "cloud", *UNSEEN) and WHEREVER not in body.note
            if surface and (body.shape.corners == 3).any():
                _, cuts = views.cut(views.within(body.shape, view, frame), view)
                ax.add_collection(LineCollection(list(cuts), colors=INK, linewidths=1.0, zorder=6.4), autolim=False)
        samples |= drawn.samples
        notes += drawn.notes
        _stretch(sheet, ax, view.flat(line.air[k]), lengths[k], finding.word, colour)
        if place == 0:
            paper.scale_bar(sheet, ax, frame)
        paper.settle(sheet, ax)
        sheet.taken.clear()
        sheet.visible.clear()
    _bars(sheet, line, lengths)
    entry = (line.entry, INK if finding.word == "low margin" else colour)
    entries = [entry]
    for k in range(count):
        if k not in shown and len(chain) == count + 1:
            entries.append((f"stretch {k + 1} of {count}, not drawn\n{chain[k]} and {chain[k + 1]} touch: 0.00 m", INK))
    if finding.gap is not None:
        rule = ", ".join(v for v in finding.gap.rule.values() if v)
        entries.append((f"limit by\n{rule}; taken at {finding.gap.voltage}", INK))
    paper.key(sheet, [*entries, (f"at\n{finding.where}", INK)], list(samples.items()))
    foot = (
        "Each panel is an upright plane through the two ends of a stretch of air, to scale, so the stretch is in true "
        f"length. Bodies within {NEAR_PLANE_M:g} m of the plane are projected on it with their uncertainty; "
        "surfaces are cut by it. "
        "The 3D distance is the proven least over the whole range; the drawn stretches are those found at this "
        "instant."
    )
    if sheet.unplaced:
        notes.append("No room for the labels: " + ", ".join(sheet.unplaced) + ".")
    paper.footer(sheet, [*([warning] if warning else []), foot, *dict.fromkeys(notes)])
    return sheet


def _stretch(sheet: Sheet, ax: Any, ends: Floats, length: float, word: Any, colour: str) -> None:
    """The stretch itself with a dimension beside it."""
    start, end = ends
    if word == "low margin":
        ax.plot(*ends.T, color=INK, linewidth=4.2, zorder=9, scalex=False, scaley=False)
    ax.plot(*ends.T, color=colour, linewidth=2.6, zorder=9.1, scalex=False, scaley=False, solid_capstyle="butt")
    ax.plot(*ends.T, color=INK, marker=".", linestyle="none", markersize=5, zorder=9.3, scalex=False, scaley=False)
    middle = ends.mean(axis=0)
    ax.plot(
        *middle, marker=MARKERS[word], markersize=11 if word == "breach" else 7, color=colour, markeredgecolor=INK,
        markeredgewidth=0.7, linestyle="none", zorder=9.4, scalex=False, scaley=False,
    )  # fmt: skip
    normal = np.array([-(end - start)[1], (end - start)[0]]) / max(length, 1e-9)
    if normal[0] < 0 or (normal[0] == 0 and normal[1] < 0):
        normal = -normal
    offset = 0.035 * (ax.get_ylim()[1] - ax.get_ylim()[0]) * normal
    for point in (start, end):
        leader = np.stack([point, point + 1.3 * offset])
        ax.plot(*leader.T, color=INK, linewidth=0.5, zorder=9.2, scalex=False, scaley=False)
    ax.annotate(
        "", tuple(start + offset), tuple(end + offset), zorder=9.2,
        arrowprops={
            "arrowstyle": "<|-|>", "color": INK, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 7,
        },
    )  # fmt: skip
    t = np.linspace(0.0, 1.0, 40)[:, None]
    sheet.visible += [start * (1 - t) + end * t, (start * (1 - t) + end * t) + offset]
    at = middle + offset
    words = f"{SIGNS[word]} {down(length)} m"
    sheet.labels.insert(0, Label(words, (float(at[0]), float(at[1])), INK, "bold", leader=False, framed=True))


def _bars(sheet: Sheet, line: GapLine, lengths: Sequence[float]) -> None:
    """The gap beside its limit, to one scale: what sticks out is the margin, or what is missing."""
    finding = line.finding
    numbers = finding.figures
    limit = finding.required_m
    ax = sheet.figure.add_axes(BARS)
    gap = max(finding.gap_m, 0.0)
    longest = max(gap, limit or 0.0, sum(lengths), 0.1)
    ax.set_xlim(0.0, 1.32 * longest)
    ax.set_ylim(0.0, 3.2)
    ax.set_yticks([2.35, 1.35], labels=["gap", "limit"])
    ax.set_xlabel("stretches of air end to end, and the limit [m]")
    ax.tick_params(labelsize=7, width=0.6)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.add_patch(
        Rectangle((0, 2.0), gap, 0.7, facecolor=COLOURS[finding.word], edgecolor=INK, linewidth=0.8,
                  hatch=HATCHES[finding.word])
    )  # fmt: skip
    reached = 0.0
    for length in lengths[:-1]:
        reached += length
        if reached < gap:
            ax.plot([reached, reached], [1.9, 2.8], color=INK, linewidth=1.2)
    inside = {"boxstyle": "square,pad=0.15", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.9}
    ax.text(0.015 * longest, 2.35, f"{numbers.gap} m", va="center", fontsize=7.5, color=INK, bbox=inside)
    if limit is None:
        ax.text(0.01 * longest, 1.35, " no rule gives a limit", va="center", fontsize=7.5, color=INK)
        return
    ax.add_patch(Rectangle((0, 1.0), limit, 0.7, facecolor=PALE, edgecolor=INK, linewidth=0.8))
    ax.text(0.015 * longest, 1.35, f"{numbers.limit} m", va="center", fontsize=7.5, color=INK, bbox=inside)
    low, high = sorted((gap, limit))
    ax.plot([low, low], [0.15, 2.0], color=INK, linewidth=0.5)
    ax.plot([high, high], [0.15, 2.0], color=INK, linewidth=0.5)
    ax.plot([low, high], [0.5, 0.5], color=INK, linewidth=2.0)
    words = f"short by {numbers.short} m" if numbers.short else f"margin {numbers.margin} m"
    ax.text(high + 0.01 * longest, 0.5, f" {SIGNS[finding.word]} {finding.word}, {words}", va="center", fontsize=7.5,
            fontweight="bold", color=INK)  # fmt: skip
