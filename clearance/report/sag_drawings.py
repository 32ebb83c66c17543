"""Owns the pictures of sags: the stringing chart, and for each wire an elevation and a plan of where it may be.

Drawn on the sheets of `paper`; every figure is from `clearance.conductor.summary`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from math import degrees
from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes

from clearance.conductor.lines import Weather, range_words, weather_words
from clearance.conductor.summary import ChartRow, Over, Summary
from clearance.report import paper
from clearance.report.numbers import down, up
from clearance.report.sag import check_words, ice_words, merged_charts
from clearance.report.style import GREY, INK, PHASE_DASHES

BAND: Final = "#CFE3F1"
BLUE: Final = "#0072B2"
LOAD: Final[Mapping[str, Any]] = {
    "color": INK, "marker": "s", "markersize": 5, "markerfacecolor": "white", "linestyle": "none",
}  # fmt: skip
"""A load that hangs on a wire: an open square, so that it is no low point."""


def draw_sags(name: str, summaries: Sequence[Summary], weather: Weather | None, folder: Path) -> list[Path]:
    """The stringing chart and a side view of each wire, as SVG and PDF; the files written."""
    written = []
    with paper.settings():
        charts = [one for one in summaries if one.chart]
        if charts:
            written += paper.save(_chart_sheet(name, charts), folder, "stringing-chart")
        for one, file in zip(summaries, file_names(summaries), strict=True):
            written += paper.save(_view_sheet(name, one, weather), folder, file)
    return written


def file_names(summaries: Sequence[Summary]) -> list[str]:
    """A file name for each wire's side view, from its name, none twice."""
    names: list[str] = []
    for one in summaries:
        stem = "side-" + (re.sub(r"[^a-z0-9]+", "-", one.name.lower()).strip("-") or "wire")
        name, number = stem, 1
        while name in names:
            number += 1
            name = f"{stem}-{number}"
        names.append(name)
    return names


KEYED: Final = 3
"""[1] Charts whose figures fit beside the plot."""

CHART_MARKS: Final = ("o", "s", "^", "D", "v", "P", "X", "*")


def _chart_sheet(name: str, charts: Sequence[Summary]) -> paper.Sheet:
    notes = [
        "Still air, no ice; conductors elastic, loads on. Tension is horizontal, of one subconductor; sag is vertical, "
        "at half the span.",
    ]
    made = paper.sheet("Stringing chart", name, notes)
    groups = merged_charts(charts)
    upper = made.figure.add_axes((0.06, 0.535, 0.60, 0.345))
    lower = made.figure.add_axes((0.06, 0.115, 0.60, 0.345))
    samples = []
    for index, (words, rows) in enumerate(groups):
        style: dict[str, Any] = {
            "color": INK,
            "linewidth": 1.2,
            "linestyle": PHASE_DASHES[index % len(PHASE_DASHES)],
            "marker": CHART_MARKS[index % len(CHART_MARKS)],
            "markersize": 3.5,
        }
        warm = [row.conductor_C for row in rows]
        upper.plot(warm, [row.tension_N / 1e3 for row in rows], **style)
        lower.plot(warm, [row.sag_m for row in rows], **style)
        samples.append((words if len(words) <= 46 else words[:43] + "...", style))
    for axes, label in ((upper, "horizontal tension [kN]"), (lower, "sag [m]")):
        axes.set_ylabel(label)
        axes.set_xlabel("conductor temperature [°C]")
        _grid(axes)
    entries = [
        (
            f"{words}\n" + "\n".join(map(_row_words, rows)),
            INK,
        )
        for words, rows in groups
    ]
    if len(groups) > KEYED:
        entries = [("Figures", INK), ("are in the printed chart and in the JSON", INK)]
    paper.key(made, entries, samples)
    return made


def _row_words(row: ChartRow) -> str:
    return f"{row.conductor_C:.0f} °C   {row.tension_N / 1e3:.2f} kN   {row.sag_m:.2f} m"


def _grid(axes: Axes) -> None:
    axes.grid(color="#E4E4E4", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=7, width=0.6)


def _view_sheet(name: str, one: Summary, weather: Weather | None) -> paper.Sheet:
    subtitle = name if weather is None else f"{name}. {weather_words(weather)}"
    notes = [
        "Heights are above the scene's zero. Scales differ from along the span: not a view to measure gaps in.",
        "Uncertainty is not drawn: every true shape is within it of the band.",
    ]
    made = paper.sheet(f"Side view of {one.name}", subtitle, notes)
    view, over = one.view, one.over
    side = made.figure.add_axes((0.06, 0.43, 0.60, 0.45))
    plan = made.figure.add_axes((0.06, 0.115, 0.60, 0.23))
    band: dict[str, Any] = {"facecolor": BAND, "edgecolor": "none"}
    if over is not None:
        side.fill_between(view.along, view.low, view.high, **band)
        side.plot(view.along, view.low, color=BLUE, linewidth=1.0, linestyle=(0, (6, 2)))
        side.plot(view.along, view.high, color=BLUE, linewidth=1.0, linestyle=(0, (2, 1.5)))
        plan.fill_between(view.along, -view.right, view.left, **band)
        plan.plot(view.along, view.left, color=BLUE, linewidth=1.0, linestyle=(0, (6, 2, 1, 2)))
        plan.plot(view.along, -view.right, color=BLUE, linewidth=1.0, linestyle=(0, (6, 2, 1, 2)))
    side.plot(view.along, view.nominal, color=INK, linewidth=1.6)
    plan.plot(view.along, np.zeros_like(view.along), color=INK, linewidth=1.6)
    for string in view.strings:
        side.plot(string[:, 0], string[:, 1], color=GREY, linewidth=2.6, linestyle=(0, (0.8, 0.6)))
    if view.loads:
        places = np.array(view.loads)
        side.plot(places[:, 0], places[:, 1], **LOAD)
    if not one.stated.beyond:
        low = int(np.argmin(view.nominal))
        side.plot([view.along[low]], [view.nominal[low]], marker="v", color=INK, markersize=6, linestyle="none")
    side.set_ylabel("height [m]")
    plan.set_ylabel("sideways, left up [m]")
    for axes in (side, plan):
        axes.set_xlabel("distance along the span [m]")
        axes.set_xlim(*_room(view.along, [string[:, 0] for string in view.strings]))
        _grid(axes)
    reach = max(float(np.abs(view.left).max()), float(np.abs(view.right).max()), 0.5)
    plan.set_ylim(-1.15 * reach, 1.15 * reach)
    paper.heading(side, "Elevation, along the span")
    paper.heading(plan, "Plan: how far it is blown to either side")
    samples: list[tuple[str, dict[str, Any]]] = [("as stated", {"color": INK, "linewidth": 1.6})]
    if over is not None:
        samples += [
            ("lowest over the weather", {"color": BLUE, "linewidth": 1.0, "linestyle": (0, (6, 2))}),
            ("highest over the weather", {"color": BLUE, "linewidth": 1.0, "linestyle": (0, (2, 1.5))}),
            ("furthest to either side", {"color": BLUE, "linewidth": 1.0, "linestyle": (0, (6, 2, 1, 2))}),
            ("where it may be", {"patch": True, **band}),
        ]
    if view.strings:
        samples.append(("insulator string, as stated", {"color": GREY, "linewidth": 2.6, "linestyle": (0, (0.8, 0.6))}))
    if view.loads:
        samples.append(("hung on it", {**LOAD}))
    if not one.stated.beyond:
        samples.append(("low point, as stated", {"color": INK, "marker": "v", "markersize": 6, "linestyle": "none"}))
    paper.key(made, _view_key(one), samples)
    return made


def _room(along: Any, strings: Sequence[Any]) -> tuple[float, float]:
    low = min([float(along[0]), *(float(part.min()) for part in strings)])
    high = max([float(along[-1]), *(float(part.max()) for part in strings)])
    pad = 0.03 * (high - low) or 0.5
    return low - pad, high + pad


def _ice(over: Over) -> str:
    words = ice_words(over)
    return f"ice {words}\n" if words else ""


def _view_key(one: Summary) -> list[tuple[str, str]]:
    stated, over = one.stated, one.over
    tension = f"horizontal tension {stated.tension_N / 1e3:.2f} kN\n" if stated.tension_N is not None else ""
    when = f" (at {one.stated_at_C:g} °C)" if one.stated_at_C is not None else ""
    place = "the lower end" if stated.beyond else "low point"
    entries = [
        (
            f"As stated{when}\n{tension}sag {stated.sag_m:.2f} m over {stated.span_m:.2f} m\n"
            f"{place} at {stated.low_m[2]:.2f} m, length {stated.length_m:.2f} m",
            INK,
        )
    ]
    if one.loads:
        hung = [f"{load.what}, {-load.force_N[2] / 1e3:.3f} kN at {load.along_m:.2f} m" for load in one.loads]
        entries.append(("Hung on it\n" + "\n".join(hung), INK))
    if over is not None:
        span = ""
        if over.tension_N is not None and over.sag_m is not None:
            pulls = (over.tension_N[0] / 1e3, over.tension_N[1] / 1e3)
            span = f"horizontal tension {range_words(pulls, 2)} kN\nsag {range_words(over.sag_m, 2)} m\n"
        swing = (degrees(over.swing_rad[0]), degrees(over.swing_rad[1]))
        entries.append(
            (
                f"Over the weather\nconductor {range_words(over.conductor_C, 0)} °C\n"
                f"wind {range_words(over.wind_N_m, 1)} N/m\n{_ice(over)}{span}"
                f"swing {range_words(swing, 1)}°\nblown out {up(over.left_m)} m left, {up(over.right_m)} m right\n"
                f"lowest anywhere {down(over.lowest_m)} m, uncertainty {up(over.uncertainty_m, 3)} m taken off",
                INK,
            )
        )
    entries += [("Measured on site\n" + words, INK) for words in check_words(one)]
    entries += [("Note\n" + note, INK) for note in one.notes]
    return entries
