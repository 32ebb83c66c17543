"""Owns how what-if tables read on a terminal: margins rounded down, values as they were proved."""

from __future__ import annotations

from collections.abc import Sequence

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from clearance.report import statements
from clearance.report.findings import word
from clearance.report.numbers import down, span
from clearance.report.style import SIGNS
from clearance.result import LOW_MARGIN_M, Result
from clearance.whatif import Change, Order, StageChanges

UNITS = {"wind_m_s": ("wind", "m/s"), "air_C": ("air", "°C")}
"""Parameters of the weather, in words with their unit."""

HOW_TO_READ = (
    "Each line changes one thing alone, and leaves all others as they are. The value needed was proved by a sweep of "
    "the whole stage; at the next step less changed (0.01 m, 0.1°, 0.01 per unit, 0.1 m/s, 0.5 °C) a sweep found it "
    "not clear. A lower overvoltage needs a basis of its own and somebody who answers for it."
)


def _table(columns: Sequence[str]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, safe_box=True)
    for column in columns:
        table.add_column(Text(column), overflow="fold")
    return table


def shown(change: Change, values: tuple[float, float]) -> str:
    """A range or value as it was proved.

    >>> shown(Change("", "travel_m", (0, 0), None, "breach", None), (1.0, 9.31))
    'travel 1 to 9.31 m'
    """
    if change.parameter == "overvoltage_per_unit":
        return f"{values[0]:g} per unit"
    if change.parameter in UNITS:
        words, unit = UNITS[change.parameter]
        return f"{words} {values[0]:g} to {values[1]:g} {unit}"
    return span(change.parameter, *values)


def print_changes(result: Result, found: Sequence[StageChanges], console: Console) -> None:
    """For every stage that is not clear what would have to change, each thing alone; first what is open besides."""
    console.print(Text(result.scene, style="bold"))
    for point in statements.points(result.open_points):
        cure = f" To settle it: {point.cure}." if point.cure else ""
        console.print(Text(f"{point.sign} {point.word}: {point.what}.{cure}"))
    if not found:
        every = "every stage is clear of limit: no range has to change" if result.stages else "no stage was judged"
        console.print(Text(f"{SIGNS[word(result.verdict)]} {word(result.verdict)}; {every}."))
        return
    for one in found:
        console.print()
        console.print(Text(f"{one.stage}  {SIGNS[word(one.verdict)]} {one.verdict}", style="bold"))
        table = _table(("change alone", "as it is", "clear of limit at"))
        for change in one.changes:
            needed = "no value of it" if change.needed is None else shown(change, change.needed)
            table.add_row(Text(change.what), Text(shown(change, change.now)), Text(needed))
        console.print(table if one.changes else Text("nothing in this stage can be changed"))
    console.print()
    console.print(Text(HOW_TO_READ))


def print_orders(ways: Sequence[Order], console: Console) -> None:
    """Every order with its verdict and least margin, that of the file first."""
    table = _table(("order", "verdict", "least margin [m]", "in stage", "first not clear"))
    for number, way in enumerate(ways):
        what = word(way.verdict, way.margin_m)
        order = ", then ".join(way.wires) + (" (as written)" if number == 0 else "")
        table.add_row(
            Text(order), Text(f"{SIGNS[what]} {what}"), Text(down(way.margin_m)), Text(way.stage),
            Text(f"refused: {way.refused}" if way.refused else way.why),
        )  # fmt: skip
    console.print(table)
    console.print(Text(f"Low margin: clear, but by less than {LOW_MARGIN_M:.2f} m."))
