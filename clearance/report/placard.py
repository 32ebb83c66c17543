"""Owns the two drawings of required distances: the placard of a job, and how its limits vary.

`draw_placard` puts one page together to hang at the site: large figures for arm's length, black on white, so that a
photocopy loses nothing. `draw_curves` draws the limit against T, voltage and altitude. Both write SVG and PDF, the
same bytes for the same sheet, and compute nothing: every number comes from the sheet, rounded up.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from clearance.rules.records import EXPOSURES, GAPS, Exposure, Gap, Limit
from clearance.rules.rounding import feet, metres
from clearance.rules.sheet import Over, Sheet, curve

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PAGE_MM = (297.0, 210.0)
MARGIN_MM = 10.0
MM_PER_POINT = 25.4 / 72.0
SIZES_PT = (10.0, 9.5, 9.0, 8.5, 8.0, 7.5, 7.0)
"""Sizes tried for the block of conditions and sources, the largest that fits first."""
LINE_SPACING = 1.25
CHARACTER_WIDTH = 0.53
"""Mean width of a character of the font over its size, on the wide side: used to wrap lines before they are
measured."""

SETTINGS: Any = {
    "svg.hashsalt": "clearance",
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    "font.family": "DejaVu Sans",
}

ROW_TITLES: dict[Exposure, str] = {"phase-earth": "PHASE\nTO EARTH", "phase-phase": "PHASE\nTO PHASE"}
COLUMN_TITLES: dict[Gap, str] = {
    "air": "air only",
    "tool": "insulating tool\nor ladder in the gap",
    "object": "conductive object\nor floating worker",
}
WARNING = "Energized line. Nearer than these distances it can arc over and kill."
CLOSING = (
    "Supports, and does not replace, the employer's rules, local codes and the judgement of the qualified person in "
    "charge. "
    "Lightning, strength and overturning are not evaluated."
)


def draw_placard(sheet: Sheet, folder: Path, title: str = "") -> tuple[Path, ...]:
    """Write placard.svg and placard.pdf into an existing folder; the paths written. Raises OSError."""
    import matplotlib

    with matplotlib.rc_context(SETTINGS):
        return _save(placard_figure(sheet, title), folder, "placard")


def draw_curves(sheet: Sheet, folder: Path, title: str = "") -> tuple[Path, ...]:
    """Write limits.svg and limits.pdf into an existing folder; the paths written. Raises OSError."""
    import matplotlib

    with matplotlib.rc_context(SETTINGS):
        return _save(curves_figure(sheet, title), folder, "limits")


def _save(figure: Figure, folder: Path, name: str) -> tuple[Path, ...]:
    """As SVG and PDF, without dates."""
    paths = (folder / f"{name}.svg", folder / f"{name}.pdf")
    figure.savefig(paths[0], metadata={"Date": None})
    figure.savefig(paths[1], metadata={"CreationDate": None})
    return paths


def placard_figure(sheet: Sheet, title: str = "") -> Figure:
    """The page as a matplotlib figure."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(PAGE_MM[0] / 25.4, PAGE_MM[1] / 25.4), facecolor="white")
    _text(figure, MARGIN_MM, 204.5, "DANGER", 40, weight="bold", vertical="top")
    _text(figure, 82, 203.5, textwrap.shorten(title or "Required distances", 52), 18, weight="bold", vertical="top")
    _text(figure, 82, 193.5, WARNING, 13.5, vertical="top")
    _wrapped(figure, MARGIN_MM, 185, PAGE_MM[0] - 2 * MARGIN_MM, _system_words(sheet), 13.5, 2)
    _table(figure, sheet)
    _lengths(figure, sheet)
    _small_print(figure, sheet)
    return figure


def _text(
    figure: Figure,
    x: float,
    y: float,
    words: str,
    size: float,
    *,
    weight: str = "normal",
    horizontal: str = "left",
    vertical: str = "baseline",
) -> None:
    """Words at a place on the page [mm from the lower left corner]."""
    figure.text(
        x / PAGE_MM[0],
        y / PAGE_MM[1],
        words,
        fontsize=size,
        weight=weight,
        ha=horizontal,
        va=vertical,
        color="black",
        linespacing=LINE_SPACING,
    )


def _line(figure: Figure, start: tuple[float, float], end: tuple[float, float], width: float = 1.0) -> None:
    """A black line between two places [mm]."""
    from matplotlib.lines import Line2D

    figure.add_artist(
        Line2D(
            [start[0] / PAGE_MM[0], end[0] / PAGE_MM[0]],
            [start[1] / PAGE_MM[1], end[1] / PAGE_MM[1]],
            color="black",
            linewidth=width,
        )
    )


def _columns(width_mm: float, size: float) -> int:
    """How many characters fit in a width."""
    return max(10, int(width_mm / (size * MM_PER_POINT * CHARACTER_WIDTH)))


def _wrapped(figure: Figure, x: float, y: float, width: float, words: str, size: float, most: int) -> None:
    """Words wrapped into at most so many lines from the top y down."""
    lines = textwrap.wrap(words, _columns(width, size), max_lines=most, placeholder=" ...")
    _text(figure, x, y, "\n".join(lines), size, vertical="top")


def _system_words(sheet: Sheet) -> str:
    """Voltage, overvoltage and altitude as one line."""
    question = sheet.question
    highest = sorted({voltage.highest_kV for _, _, voltage in sheet.systems})
    named = "" if question.voltage_kV is None else f"{question.voltage_kV:g} kV system, "
    voltage = f"{named}highest voltage {' / '.join(f'{kV:g}' for kV in highest)} kV"
    return f"{voltage}; {_overvoltage_words(sheet)}; altitude {question.altitude_m:g} m."


def _overvoltage_words(sheet: Sheet) -> str:
    question = sheet.question
    if question.per_unit_overvoltage is not None:
        basis = dict(question.inputs).get("per_unit_basis") or dict(question.inputs).get("basis") or "not stated"
        return f"overvoltage T = {question.per_unit_overvoltage:g} ({basis})"
    assumed = sorted(
        {limit.inputs["per_unit_overvoltage"] for limit in sheet.limits if "per_unit_overvoltage" in limit.inputs},
        key=str,
    )
    if assumed:
        return f"overvoltage T = {' / '.join(f'{T:g}' for T in assumed)} as the rule assumes"
    return "the rule states no overvoltage"


TABLE_TOP, TABLE_BOTTOM, HEAD = 171.5, 84.0, 13.5
TABLE_LEFT, FIRST = MARGIN_MM, 40.0


def _table(figure: Figure, sheet: Sheet) -> None:
    """Two exposures by three gaps, the whole distance large."""
    right = PAGE_MM[0] - MARGIN_MM
    width = (right - TABLE_LEFT - FIRST) / len(GAPS)
    height = (TABLE_TOP - HEAD - TABLE_BOTTOM) / len(EXPOSURES)
    for column, gap in enumerate(GAPS):
        centre = TABLE_LEFT + FIRST + (column + 0.5) * width
        _text(
            figure,
            centre,
            TABLE_TOP - HEAD / 2,
            COLUMN_TITLES[gap],
            11.5,
            weight="bold",
            horizontal="center",
            vertical="center",
        )
        edge = TABLE_LEFT + FIRST + column * width
        _line(figure, (edge, TABLE_TOP), (edge, TABLE_BOTTOM))
    for row, exposure in enumerate(EXPOSURES):
        top = TABLE_TOP - HEAD - row * height
        _line(figure, (TABLE_LEFT, top), (right, top), 2.0)
        _text(figure, TABLE_LEFT + 2, top - height / 2, ROW_TITLES[exposure], 15, weight="bold", vertical="center")
        for column, gap in enumerate(GAPS):
            _cell(figure, sheet, exposure, gap, TABLE_LEFT + FIRST + (column + 0.5) * width, top, height)
    _line(figure, (TABLE_LEFT, TABLE_TOP), (right, TABLE_TOP), 2.0)
    _line(figure, (TABLE_LEFT, TABLE_BOTTOM), (right, TABLE_BOTTOM), 2.0)


def _cell(figure: Figure, sheet: Sheet, exposure: Exposure, gap: Gap, centre: float, top: float, height: float) -> None:
    """One distance, or the plain statement that there is none."""
    limit = sheet.limit(exposure, gap)
    if limit is None:
        _text(
            figure, centre, top - 0.36 * height, "NO VALUE", 24, weight="bold", horizontal="center", vertical="center"
        )
        _text(
            figure,
            centre,
            top - 0.68 * height,
            "undecided: nobody in this gap\nuntil a value is supplied",
            13,
            horizontal="center",
            vertical="center",
        )
        return
    _text(
        figure,
        centre,
        top - 0.31 * height,
        metres(limit.limit_m),
        44,
        weight="bold",
        horizontal="center",
        vertical="center",
    )
    _text(figure, centre, top - 0.68 * height, feet(limit.limit_m), 17, horizontal="center", vertical="center")
    _text(figure, centre, top - 0.89 * height, _parts(limit), 11, horizontal="center", vertical="center")


def _parts(limit: Limit) -> str:
    if limit.ergonomic_m == 0.0:
        return "whole distance, no split"
    return f"electrical {metres(limit.electrical_m)} + ergonomic {metres(limit.ergonomic_m)}"


def _lengths(figure: Figure, sheet: Sheet) -> None:
    """Insulating lengths, sound insulators and transfer distance in one band."""
    parts = [f"{length.what} {metres(length.required_m)}" for length in sheet.lengths if length.what != "string"]
    words = "Clear insulating length at least: " + (", ".join(parts) if parts else "NO VALUE, supply it") + "."
    if sheet.sound is not None:
        words += f" Sound insulators in a string: at least {sheet.sound}."
    if sheet.transfer is not None:
        words += f" Bare body at potential transfer: {metres(sheet.transfer.distance_m)}."
    _wrapped(figure, MARGIN_MM, 80, PAGE_MM[0] - 2 * MARGIN_MM, words, 14, 2)


SMALL_TOP, SMALL_BOTTOM = 63.0, 12.0


def _small_print(figure: Figure, sheet: Sheet) -> None:
    """Conditions on the left, sources and what nobody read on the right, in the largest size that fits."""
    gutter = 8.0
    width = (PAGE_MM[0] - 2 * MARGIN_MM - gutter) / 2
    left = ["CONDITIONS OF USE", *(f"- {line}" for line in sheet.conditions)]
    right = ["RULE", *dict.fromkeys(f"- {limit.rule}" for limit in sheet.shown)]
    if len(sheet.systems) > 1:
        right.insert(1, f"- the most conservative of {', '.join(name for name, _, _ in sheet.systems)}")
    if sheet.unconfirmed:
        right += ["NOT READ, CONFIRM BEFORE USE", *(f"- {line.split(';')[0]})" for line in sheet.unconfirmed)]
    for x, paragraphs in ((MARGIN_MM, left), (MARGIN_MM + width + gutter, right)):
        size, lines = _fitted(paragraphs, width)
        _text(figure, x, SMALL_TOP, "\n".join(lines), size, vertical="top")
    _text(figure, MARGIN_MM, 6.0, CLOSING, 8.5)


def _fitted(paragraphs: list[str], width: float) -> tuple[float, list[str]]:
    """The largest size at which the paragraphs fit; if none does, the last that fit and a line that says what is left
    out."""
    lines: list[str] = []
    size = SIZES_PT[-1]
    for size in SIZES_PT:
        lines = [line for paragraph in paragraphs for line in _paragraph(paragraph, _columns(width, size))]
        if len(lines) * size * LINE_SPACING * MM_PER_POINT <= SMALL_TOP - SMALL_BOTTOM:
            return size, lines
    most = int((SMALL_TOP - SMALL_BOTTOM) / (size * LINE_SPACING * MM_PER_POINT))
    return size, [*lines[: most - 1], "... and more: see the job's printed distances, which go with this sheet"]


def _paragraph(words: str, columns: int) -> list[str]:
    return textwrap.wrap(words, columns, subsequent_indent="  " if words.startswith("- ") else "")


CURVES: tuple[tuple[Exposure, Gap, str, str, str], ...] = (
    ("phase-earth", "tool", "phase to earth, tool in the gap", "#000000", "-"),
    ("phase-phase", "air", "phase to phase, air only", "#0072B2", "--"),
    ("phase-phase", "object", "phase to phase, conductive object", "#8B1A1A", ":"),
)
PANELS: tuple[tuple[Over, str, tuple[float, ...]], ...] = (
    ("per_unit_overvoltage", "overvoltage T [per unit]", tuple(1.0 + 0.05 * step for step in range(61))),
    ("highest_kV", "highest voltage [kV]", tuple(73.0 + step for step in range(728))),
    ("altitude_m", "altitude [m]", tuple(10.0 * step for step in range(601))),
)


def curves_figure(sheet: Sheet, title: str = "") -> Figure:
    """Three panels of the limit, the other two quantities as in the sheet."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(PAGE_MM[0] / 25.4, 120 / 25.4), facecolor="white")
    axes = figure.subplots(1, 3)
    for axis, (over, label, values) in zip(axes, PANELS, strict=True):
        _panel(axis, sheet, over, label, values)
    axes[0].set_ylabel("limit [m]")
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="lower center", ncols=len(CURVES), frameon=False, fontsize=9, handlelength=4)
    rules = " + ".join(name for name, _, _ in sheet.systems)
    figure.suptitle(f"{title + ': ' if title else ''}{rules}; {_system_words(sheet)}", fontsize=9)
    figure.subplots_adjust(left=0.06, right=0.985, bottom=0.24, top=0.88, wspace=0.2)
    return figure


def _panel(axis: Axes, sheet: Sheet, over: Over, label: str, values: tuple[float, ...]) -> None:
    """One panel; where a rule refuses or is silent the line is broken."""
    for exposure, gap, words, colour, style in CURVES:
        points = curve(sheet.question, exposure, gap, over, values)
        heights = [float("nan") if limit is None else limit for _, limit in points]
        axis.plot(values, heights, color=colour, linestyle=style, linewidth=1.8, label=words)
    axis.set_xlabel(label)
    axis.set_ylim(bottom=0.0)
    axis.set_xlim(values[0], values[-1])
    axis.grid(True, color="#cccccc", linewidth=0.5)
