"""Owns plan, elevation and section: bodies and governing gaps at one instant, projected."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from clearance.bodies import Body
from clearance.report import paper, views
from clearance.report.findings import Finding
from clearance.report.gap_lines import MOST_LABELLED, GapLine
from clearance.report.ink import FOOTING, draw_bodies, draw_cuts, draw_footing, draw_ground
from clearance.report.paper import Label, Sheet
from clearance.report.style import ALOFT, COLOURS, GREY, INK, MARKERS, PAPER, SIGNS
from clearance.report.track import SAMPLE, draw_track
from clearance.report.views import Floats, View, Window

NEAR_M = 12.0
"""[m] What is further than this from the governing gap does not widen the window."""

ALOFT_M = 30.0
"""[m] How far the kinds that are looked for first may be and still widen the window."""

FOCUS = ("worker", "ladder", "insulating boom", "boom", "fitting", "tool", "lead", "crew", "structure")
"""Kinds of bodies that widen the window when they are near."""

SLAB_M = 6.0
"""[m] A section shows what is this near its plane, on either side."""

FORESHORTENED = (
    "A projected distance is foreshortened: lines between bodies look shorter than they are, and bodies that seem to "
    "touch may be far apart. Only the figures marked 3D distance are measured; the true-length views show them to "
    "scale."
)

ON_TOP: dict[str, int] = {"clear of limit": 0, "low margin": 1, "undecided": 2, "breach": 3, "not evaluated": 0}
"""Order in which gap lines are drawn over one another."""


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
        if np.abs(np.stack([low, high]) - middle).max() <= (ALOFT_M if body.kind in ALOFT else NEAR_M):
            points.append(np.stack([low, high]))
    return np.concatenate(points)


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
    track: Floats | None = None,
) -> Sheet:
    """One of plan, elevation and section, ready to save. `beside` has no place to draw and goes into the key.

    track: station and place (n, 4) of its vertices [m], for a plan
    """
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
    if kind == "plan" and track is not None and draw_track(sheet, ax, track, view, frame):
        drawn.samples[SAMPLE[0]] = SAMPLE[1]
    if kind != "plan" and draw_footing(ax, shown, view, frame, depth):
        drawn.samples["ground at somebody's feet, nearer or further"] = FOOTING
    entries = [(line.entry, INK if line.finding.word == "low margin" else COLOURS[line.finding.word]) for line in lines]
    entries[1:1] = [(_beside(f), COLOURS[f.word]) for f in beside]
    samples = gap_samples(seen) + list(drawn.samples.items())
    # What is clear and does not come into the key is not drawn: a line without its figures tells nobody anything.
    told = {line.number for line in lines[: max(1, paper.fitting(entries, samples) - len(beside))]}
    far = [line for line in lines if line not in seen]
    seen = [line for line in seen if line.number in told or line.finding.word != "clear of limit"]
    if kind == "section":
        draw_cuts(sheet, ax, bodies, view, frame, depth, phases, named)
    draw_gaps(sheet, ax, seen, view, frame)
    paper.scale_bar(sheet, ax, frame)
    if kind == "plan":
        paper.north_arrow(sheet, ax, frame, north)
    paper.settle(sheet, ax)
    if away := [line for line in seen if not _meets(view.flat(line.air), frame)]:
        notes.append(f"Gaps outside of what is shown: {', '.join(str(line.number) for line in away)}.")
    if any(line.number in told for line in far):
        numbers = ", ".join(str(line.number) for line in far if line.number in told)
        notes.append(f"Gaps further off, not drawn: {numbers}.")
    paper.key(sheet, entries, samples, "clear of limit, in the report" if len(seen) + len(far) < len(lines) else "")
    if sheet.unplaced:
        notes.append("No room for the labels: " + ", ".join(sheet.unplaced) + ".")
    paper.footer(sheet, [*([warning] if warning else []), FORESHORTENED, *notes, *drawn.notes])
    return sheet


def _meets(stretches: Floats, frame: Window) -> bool:
    """Whether any of the projected stretches (n, 2, 2) comes into the window."""
    t = np.linspace(0.0, 1.0, 50)[:, None, None]
    xy = (stretches[:, 0] * (1 - t) + stretches[:, 1] * t).reshape(-1, 2)
    return bool(frame.holds(xy, xy).any())


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
