"""Owns how a plan shows the track: its course, and the stations that travel is counted by."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from clearance.job.setting import Setting
from clearance.report.gap_lines import Settings
from clearance.report.labels import Box
from clearance.report.paper import Sheet
from clearance.report.style import INK, PAPER
from clearance.report.views import Floats, View, Window, round_length

SAMPLE: Final[tuple[str, dict[str, Any]]] = (
    "track, with stations of travel",
    {"color": INK, "linewidth": 0.9, "marker": "|", "markersize": 7, "markeredgewidth": 0.9},
)

MOST_STATIONS: Final = 8
"""Marks of stations within a window."""


def track_of(settings: Settings) -> Floats:
    """Station and place (n, 4) [m] of the track's vertices, as travel follows it; none (0, 4) where nothing travels."""
    for pieces in settings.values():
        for setting in pieces if not isinstance(pieces, Setting) else (pieces,):
            for link in setting.motion.links:
                for joint in link.joints:
                    if joint.kind == "track":
                        return joint.knots
    return np.zeros((0, 4))


def draw_track(on: Sheet, ax: Axes, knots: Floats, view: View, frame: Window) -> bool:
    """Draw what of a track is in the window, a mark with its station at round ones; whether there is any."""
    if len(knots) < 2:
        return False
    flat = view.flat(knots[:, 1:])
    stations = _round(knots, flat, frame)
    if not len(stations):
        return False
    ax.add_collection(LineCollection([flat], colors=INK, linewidths=3.4, zorder=7.0, capstyle="butt"), autolim=False)
    ax.add_collection(LineCollection([flat], colors=PAPER, linewidths=2.0, zorder=7.01, capstyle="butt"), autolim=False)
    per_metre = ax.bbox.width / frame.width
    for station in stations:
        place = np.array([np.interp(station, knots[:, 0], flat[:, k]) for k in range(2)])
        k = int(np.clip(np.searchsorted(knots[:, 0], station), 1, len(knots) - 1))
        run = flat[k] - flat[k - 1]
        length = float(np.hypot(*run))
        across = np.array([-run[1], run[0]]) / length if length > 0.0 else np.array([0.0, 1.0])
        half = 5.0 / per_metre
        ax.plot(
            *np.array([place - half * across, place + half * across]).T, color=INK, linewidth=0.9, zorder=7.05,
            scalex=False, scaley=False,
        )  # fmt: skip
        words = f"{station:g} m"
        wide, high = 4.2 * len(words), 9.0
        # Beside its mark, the nearest point of the words a few pixels off.
        side = across if across[0] > 0 or (across[0] == 0 and across[1] > 0) else -across
        centre = place + side * (9.0 + 0.5 * (wide * abs(side[0]) + high * abs(side[1]))) / per_metre
        ax.text(
            float(centre[0]),
            float(centre[1]),
            words,
            fontsize=6.4,
            ha="center",
            va="center",
            color=INK,
            zorder=7.1,
            clip_on=True,
            bbox={"boxstyle": "square,pad=0.1", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.85},
        )
        x, y = ax.transData.transform(centre)
        on.taken.append(Box(x - 0.5 * wide - 1, y - 0.5 * high, x + 0.5 * wide + 1, y + 0.5 * high))
    return True


def _round(knots: Floats, flat: Floats, frame: Window) -> list[float]:
    """Round stations [m] whose marks are well within the window."""
    dense = np.linspace(knots[0, 0], knots[-1, 0], 2001)
    xy = np.column_stack([np.interp(dense, knots[:, 0], flat[:, k]) for k in range(2)])
    seen = dense[_within(xy, frame)]
    if not len(seen):
        return []
    step = max(0.5, round_length(max(seen[-1] - seen[0], 0.5)) / MOST_STATIONS)
    step = next(one for one in _steps(step) if (seen[-1] - seen[0]) / one <= MOST_STATIONS)
    first, last = int(np.ceil(seen[0] / step - 1e-9)), int(np.floor(seen[-1] / step + 1e-9))
    return [step * k for k in range(first, last + 1)]


def _steps(least: float) -> Iterable[float]:
    power = 10.0 ** np.floor(np.log10(least))
    while True:
        for one in (1.0, 2.0, 5.0):
            if one * power >= least - 1e-9:
                yield float(one * power)
        power *= 10.0


def _within(xy: Floats, frame: Window) -> Any:
    pad = 0.03 * frame.width
    return (
        (xy[:, 0] > frame.left + pad)
        & (xy[:, 0] < frame.right - pad)
        & (xy[:, 1] > frame.bottom + pad)
        & (xy[:, 1] < frame.top - pad)
    )
