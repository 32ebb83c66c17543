"""Owns the proposal of names: which wires are shield wires, which circuit a phase belongs to, and its letter.

By position alone, so it is a proposal: the table `phases.csv` of a survey shows it, and is read back with what the
engineer changed in it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from clearance.errors import InputError, Mistake
from clearance.survey.records import Bundle, Floats

LETTERS = ("A", "B", "C")


@dataclass(frozen=True)
class Proposal:
    """What a wire is taken for: "phase" or "shield", circuit name (empty for a shield wire), phase or shield name."""

    kind: str
    circuit: str
    phase: str
    sure: bool
    why: str


def phase_name(circuit: int, index: int) -> str:
    """Name of a phase: letters for the first circuit, letter and number for the others.

    >>> phase_name(1, 0), phase_name(2, 2)
    ('A', 'C2')
    """
    letter = LETTERS[index] if index < 3 else f"P{index + 1}"
    return letter if circuit == 1 else f"{letter}{circuit}"


def _shields(heights: Floats, bundles: Sequence[Bundle]) -> tuple[int, bool]:
    """How many of the highest wires are shield wires, and whether that is plain."""
    number = len(heights)
    order = np.argsort(-heights, kind="stable")
    best, best_cost = 0, np.inf
    for count in (0, 1, 2):
        if count >= number:
            break
        top, rest = order[:count], order[count:]
        cost = 2.0 * float(len(rest) % 3 != 0)
        if count:
            drop = float(heights[top].min() - heights[rest].max())
            cost += 1.5 if drop < 0.5 else 0.0
            cost += 0.5 if count == 2 and float(np.ptp(heights[top])) > 2.0 else 0.0
        thick = [bundles[int(index)].count > 1 for index in rest]
        if any(thick):
            cost += float(np.mean([not each for each in thick]))
            cost += sum(bundles[int(index)].count > 1 for index in top)
        if cost < best_cost - 1e-9:
            best, best_cost = count, cost
    return best, best_cost < 0.6


def _circuits(places: Floats) -> list[list[int]]:
    """Phases (n, 2) as place to the left and height, in groups of three: left to right, or upper before lower."""
    number = len(places)
    if number <= 3:
        return [list(range(number))]
    by_left = np.argsort(-places[:, 0], kind="stable")
    by_height = np.argsort(-places[:, 1], kind="stable")
    half = 3
    gap_left = float(places[by_left[half - 1], 0] - places[by_left[half], 0])
    gap_height = float(places[by_height[half - 1], 1] - places[by_height[half], 1])
    order = by_left if number != 6 or gap_left >= gap_height else by_height
    return [[int(k) for k in order[start : start + 3]] for start in range(0, number, 3)]


def propose(places: Floats, bundles: Sequence[Bundle], complete: bool) -> list[Proposal]:
    """Names for the wires of one span, from their places (n, 2) to the left and in height where they hang [m]."""
    number = len(places)
    shields, plain = _shields(places[:, 1], bundles)
    order = [int(k) for k in np.argsort(-places[:, 1], kind="stable")]
    out: list[Proposal | None] = [None] * number
    for rank, index in enumerate(sorted(order[:shields], key=lambda k: -places[k, 0])):
        out[index] = Proposal("shield", "", f"shield {rank + 1}", plain, "highest, single, above all others")
    phases = order[shields:]
    whole = len(phases) % 3 == 0
    for circuit, members in enumerate(_circuits(places[phases]), start=1):
        real = [phases[k] for k in members]
        spread = np.ptp(places[real], axis=0) if len(real) > 1 else np.zeros(2)
        stacked = bool(spread[1] > spread[0])
        real.sort(key=(lambda k: -places[k, 1]) if stacked else (lambda k: -places[k, 0]))
        for rank, index in enumerate(real):
            why = "from the top down" if stacked else "from left to right"
            out[index] = Proposal(
                "phase", f"circuit {circuit}", phase_name(circuit, rank), plain and whole and complete, why
            )
    return [proposal for proposal in out if proposal is not None]


TABLE_COLUMNS = ("conductor", "kind", "circuit", "phase", "spans", "mean_height_m", "left_of_axis_m", "basis")


def table_text(rows: Sequence[Sequence[str]]) -> str:
    """The table of names as CSV."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(TABLE_COLUMNS)
    writer.writerows(rows)
    return text.getvalue()


def read_table(path: Path) -> dict[int, tuple[str, str, str]]:
    """Kind, circuit and phase by conductor number, from a table as `clearance survey` writes it.

    Raises InputError: unreadable, missing columns, a kind other than phase or shield, a phase without a name or
    circuit, one phase name in two circuits.
    """
    try:
        rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(Mistake((str(path),), "the table of phases as CSV", str(error)[:120])) from error
    mistakes: list[Mistake] = []
    out: dict[int, tuple[str, str, str]] = {}
    circuit_of: dict[str, str] = {}
    for number, row in enumerate(rows, start=2):
        where = (str(path), f"line {number}")
        kind, circuit, phase = ((row.get(key) or "").strip() for key in ("kind", "circuit", "phase"))
        text = (row.get("conductor") or "").strip()
        if not text.isdigit():
            mistakes.append(
                Mistake((*where, "conductor"), "a whole number", repr(text), "keep the numbers the survey wrote")
            )
            continue
        if kind not in ("phase", "shield"):
            mistakes.append(Mistake((*where, "kind"), "phase or shield", repr(kind)))
        elif not phase or (kind == "phase" and not circuit):
            mistakes.append(
                Mistake((*where, "phase"), "a name, and for a phase its circuit", f"{phase!r} of {circuit!r}")
            )
        elif kind == "phase" and circuit_of.setdefault(phase, circuit) != circuit:
            mistakes.append(
                Mistake((*where, "phase"), f"{phase} in one circuit", f"in {circuit_of[phase]} and {circuit}")
            )
        elif int(text) in out:
            mistakes.append(Mistake((*where, "conductor"), "each conductor once", text))
        out[int(text)] = (kind, circuit, phase)
    if not rows:
        mistakes.append(Mistake((str(path),), "at least one line below the head", "none"))
    if mistakes:
        raise InputError(mistakes)
    return out
