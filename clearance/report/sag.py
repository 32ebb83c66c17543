"""Owns how sags are reported: tables and the JSON; the pictures are in `sag_drawings`.

No arithmetic beyond units: every figure is from `clearance.conductor.summary`. Heights and sags are shown as they are
to the centimetre; the lowest height is rounded down, blow-out and uncertainty up.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from math import degrees, hypot
from typing import Any, Final

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from clearance.conductor.lines import PointLoad, Weather, range_words, weather_words
from clearance.conductor.summary import ChartRow, Over, Summary
from clearance.report.numbers import down, up

SUPPORTS: Final = (
    "It supports, and does not replace, the employer's rules, local codes and the judgement of the qualified person in "
    "charge."
)
NONE: Final = "none"


def print_sags(name: str, summaries: Sequence[Summary], weather: Weather | None, console: Console) -> None:
    """Print every table of a scene's wires."""
    console.print(Text(f"Sags of {name}", style="bold"))
    console.print()
    console.print(Text("As stated. Heights are above the scene's zero; tension is horizontal, of one subconductor."))
    _table(console, STATED, (_stated_row(one) for one in summaries))
    hung = [(one.name, load) for one in summaries for load in one.loads]
    if hung:
        console.print(Text("What hangs on them; weight and pull are of the whole, at the places it is stated for."))
        _table(console, LOADS, (_load_row(name, load) for name, load in hung))
    if weather is None:
        console.print(Text("The scene states no weather: nothing beyond this is evaluated."))
    else:
        console.print(Text(f"Over the weather: {weather_words(weather)}."))
        if weather.basis:
            console.print(Text(f"Basis: {weather.basis}."))
        console.print(
            Text(
                "Lowest height and blow-out (out of the wire's vertical plane, left and right of its way from start to "
                "end) hold every shape, uncertainty included. Survey error of the wire is not in them."
            )
        )
        _table(console, OVER, (_over_row(one) for one in summaries if one.over is not None))
        for said, names in _grouped((ice_words(one.over), one.name) for one in summaries if one.over is not None):
            if said:
                console.print(Text(f"Ice on {names}: {said}."))
        for basis, names in _grouped((one.over.basis, one.name) for one in summaries if one.over is not None):
            console.print(Text(f"Conductor temperature of {names}: {basis}."))
        console.print()
    for one in summaries:
        for words in check_words(one):
            console.print(Text(words, style="bold"))
    charts = [one for one in summaries if one.chart]
    if charts:
        console.print()
        console.print(
            Text(
                "Stringing chart: still air, no ice, the conductor elastic, what hangs on it included; horizontal "
                "tension of one subconductor."
            )
        )
        for names, rows in merged_charts(charts):
            console.print(Text(f"{names}:"))
            columns = [("conductor [°C]", "number"), ("tension [kN]", "number"), ("sag [m]", "number")]
            _table(console, columns, (chart_row(row) for row in rows))
    notes = _grouped((note, one.name) for one in summaries for note in one.notes)
    for note, names in notes:
        console.print(Text(f"{names}: {note}."))
    console.print()
    console.print(Text(f"Not evaluated: {', '.join(not_evaluated(weather))}. {SUPPORTS}"))


STATED: Final = (
    ("wire", "words"), ("conductor", "words"), ("at [°C]", "number"), ("span [m]", "number"), ("rise [m]", "number"),
    ("tension [kN]", "number"), ("H/w [m]", "number"), ("sag [m]", "number"), ("low point [m]", "number"),
    ("length [m]", "number"),
)  # fmt: skip
OVER: Final = (
    ("wire", "words"), ("conductor [°C]", "number"), ("wind [N/m]", "number"), ("tension [kN]", "number"),
    ("sag [m]", "number"), ("swing [°]", "number"), ("left [m]", "number"), ("right [m]", "number"),
    ("lowest [m]", "number"), ("uncertainty [m]", "number"),
)  # fmt: skip


LOADS: Final = (
    ("wire", "words"), ("load", "words"), ("at [m]", "number"), ("weight [kN]", "number"), ("pull [kN]", "number"),
    ("came", "words"), ("basis", "words"),
)  # fmt: skip


def not_evaluated(weather: Weather | None) -> list[str]:
    """What the ranges leave out."""
    iced = weather is not None and (weather.ice_m[1] > 0 or weather.ice_weight_N_m is not None)
    ice = ["ice that drops off at once", "ice on strings and structures"] if iced else ["ice"]
    return ["along-line wind", "galloping", "uneven gusts over a section", *ice]


def ice_words(over: Over) -> str:
    """Thickness and weight of the ice on a wire; nothing where there is none."""
    if over.ice_m[1] == 0:
        return ""
    thick = over.ice_m[0] * 1e3, over.ice_m[1] * 1e3
    return f"{range_words(thick, 1)} mm, {range_words(over.ice_N_m, 1)} N/m on a subconductor"


def _load_row(name: str, load: PointLoad) -> Sequence[str]:
    pull = hypot(load.force_N[0], load.force_N[1])
    return (
        name,
        load.what,
        f"{load.along_m:.2f}",
        f"{-load.force_N[2] / 1e3:.3f}",
        f"{pull / 1e3:.3f}" if pull > 0.5 else NONE,
        "as stated" if load.stated else "afterwards",
        load.basis,
    )


def _stated_row(one: Summary) -> Sequence[str]:
    stated = one.stated
    name = one.conductor or NONE
    return (
        one.name,
        f"{one.subconductors} x {name}" if one.subconductors > 1 else name,
        f"{one.stated_at_C:.0f}" if one.stated_at_C is not None else NONE,
        f"{stated.span_m:.2f}",
        range_words((stated.rise_m, stated.rise_m), 2),
        f"{stated.tension_N / 1e3:.2f}" if stated.tension_N is not None else NONE,
        f"{stated.constant_m:.1f}",
        f"{stated.sag_m:.2f}",
        f"{stated.low_m[2]:.2f}" + (" (end)" if stated.beyond else ""),
        f"{stated.length_m:.2f}",
    )


def _over_row(one: Summary) -> Sequence[str]:
    over = one.over
    if over is None:
        return ()
    return (
        one.name,
        range_words(over.conductor_C, 0),
        range_words(over.wind_N_m, 1),
        range_words((over.tension_N[0] / 1e3, over.tension_N[1] / 1e3), 2) if over.tension_N is not None else NONE,
        range_words(over.sag_m, 2) if over.sag_m is not None else NONE,
        range_words((degrees(over.swing_rad[0]), degrees(over.swing_rad[1])), 1),
        up(over.left_m),
        up(over.right_m),
        down(over.lowest_m),
        up(over.uncertainty_m, 3),
    )


def chart_row(row: ChartRow) -> Sequence[str]:
    return f"{row.conductor_C:.0f}", f"{row.tension_N / 1e3:.2f}", f"{row.sag_m:.2f}"


def _grouped(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Each text once, with the names it is said of."""
    found: dict[str, list[str]] = {}
    for text, name in pairs:
        found.setdefault(text, []).append(name)
    return [(text, ", ".join(names)) for text, names in found.items()]


def merged_charts(charts: Sequence[Summary]) -> list[tuple[str, tuple[ChartRow, ...]]]:
    """Charts that read the same, once, with the names of their wires."""
    found: dict[tuple[tuple[str, ...], ...], tuple[list[str], tuple[ChartRow, ...]]] = {}
    for one in charts:
        read = tuple(tuple(chart_row(row)) for row in one.chart)
        found.setdefault(read, ([], one.chart))[0].append(one.name)
    return [(", ".join(names), rows) for names, rows in found.values()]


def check_words(one: Summary) -> list[str]:
    """What the checks on site say: "the scan says 8.21 m at 18 °C, the model 8.05 m"."""
    words = []
    for check in one.checks:
        said = (
            f"{one.name}: {check.by or 'measured on site'}: {check.measured_m:.2f} m at {check.at_C:g} °C, "
            f"the model {check.modelled_m:.2f} m"
        )
        words.append(f"{said}; the model is corrected and {up(one.correction_m)} m goes into uncertainty")
    return words


def _table(console: Console, columns: Sequence[tuple[str, str]], rows: Iterable[Sequence[str]]) -> None:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), safe_box=True)
    for heading, what in columns:
        number = what == "number"
        table.add_column(Text(heading), justify="right" if number else "left", overflow="fold", vertical="top")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    console.print(Padding(table, (0, 0, 1, 2), expand=False))


def as_json(name: str, sha256: str, version: str, summaries: Sequence[Summary], weather: Weather | None) -> str:
    """Everything, unrounded, in SI with the unit in each key."""
    whole: dict[str, Any] = {
        "format": 1,
        "version": version,
        "scene": {"name": name, "sha256": sha256},
        "weather": None if weather is None else _weather_json(weather),
        "wires": [_wire_json(one) for one in summaries],
        "not_evaluated": not_evaluated(weather),
    }
    return json.dumps(whole, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def _weather_json(weather: Weather) -> dict[str, Any]:
    keys = (
        "air_C", "wind_m_s", "wind_from_deg", "gust_factor", "sun_W_m2", "current_A", "conductor_C", "altitude_m",
        "ice_m", "ice_weight_N_m", "ice_kg_m3",
    )  # fmt: skip
    return {key: getattr(weather, key) for key in keys} | {"basis": weather.basis}


def _wire_json(one: Summary) -> dict[str, Any]:
    stated, over = one.stated, one.over
    return {
        "name": one.name,
        "kind": "jumper" if one.loose else "span",
        "conductor": one.conductor or None,
        "subconductors": one.subconductors,
        "stated": {
            "conductor_C": one.stated_at_C,
            "span_m": stated.span_m,
            "rise_m": stated.rise_m,
            "length_m": stated.length_m,
            "sag_m": stated.sag_m,
            "horizontal_tension_N": stated.tension_N,
            "catenary_constant_m": stated.constant_m,
            "low_point_m": stated.low_m,
            "low_point_beyond_span": stated.beyond,
        },
        "range": None
        if over is None
        else {
            "conductor_C": over.conductor_C,
            "conductor_basis": over.basis,
            "wind_N_m": over.wind_N_m,
            "horizontal_tension_N": over.tension_N,
            "sag_m": over.sag_m,
            "swing_deg": [degrees(value) for value in over.swing_rad],
            "blow_out_left_m": over.left_m,
            "blow_out_right_m": over.right_m,
            "lowest_m": over.lowest_m,
            "ice_m": over.ice_m,
            "ice_weight_N_m": over.ice_N_m,
            "uncertainty_m": over.uncertainty_m,
        },
        "chart": [
            {"conductor_C": row.conductor_C, "horizontal_tension_N": row.tension_N, "sag_m": row.sag_m}
            for row in one.chart
        ],
        "checks": [
            {"at_C": check.at_C, "measured_m": check.measured_m, "modelled_m": check.modelled_m, "by": check.by}
            for check in one.checks
        ],
        "loads": [
            {
                "what": load.what,
                "at_m": load.along_m,
                "force_N": load.force_N,
                "when_stated": "on" if load.stated else "off",
                "basis": load.basis,
            }
            for load in one.loads
        ],
        "correction_uncertainty_m": one.correction_m,
        "notes": list(one.notes),
    }
