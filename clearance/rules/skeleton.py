"""Owns the company table to fill in: what the rules of a question lack, or nobody read, at one voltage.

A line to fill in holds a question mark, which the reading of the table refuses until a figure stands there. What a rule
has, read in its source, is a comment beside the key. `company_table` reads what comes of it.
"""

from __future__ import annotations

from collections.abc import Iterator

from clearance.rules.choose import names
from clearance.rules.records import CONFIRMED, EXPOSURES, GAPS, InsulatingLength, Limit
from clearance.rules.sheet import Sheet

HEAD = """\
# A company table to fill in from the employer's own copy of its rules, and to sign. Every "?" stands for a figure in
# metres. A line that begins with "#" has a figure that was read in its source: take the "#" away to state your own. A
# line that you cannot fill in goes. Where both the table and a rule that it completes have a figure, the larger is
# taken.
format = 1
name = ""                    # the employer's rules
edition = ""
per_unit_overvoltage = "?"   # T to earth that the distances hold for
per_unit_basis = ""          # who determined it, and how
highest_altitude_m = "?"
"""


def skeleton(sheet: Sheet) -> str:
    """The table as text, for the voltage and the rules of a sheet."""
    completes = ", ".join(f'"{name}"' for name in sheet.question.rules if name in names())
    highest = max((voltage.highest_kV for _, _, voltage in sheet.systems), default=0.0)
    nominal = sheet.question.voltage_kV
    lines = [
        f"completes = [{completes}]",
        "",
        "[approval]",
        'by = ""                      # who answers for the table',
        'date = "?"                   # when, for instance 2025-03-01',
        "",
        "[[class]]",
        *([] if nominal is None else [f"nominal_kV = [{nominal:g}]"]),
        'from_kV = "?"                # the lowest of the highest voltages that the figures hold for',
        f"highest_kV = {highest:g}",
        *_cells(sheet),
        *_lengths(sheet),
        *_others(sheet),
    ]
    return HEAD + "\n".join(lines) + "\n"


def _cells(sheet: Sheet) -> Iterator[str]:
    for exposure in EXPOSURES:
        for gap in GAPS:
            key = f"{exposure.replace('-', '_')}.{gap}"
            found = sheet.limit(exposure, gap)
            yield _line(f'{key} = {{ electrical_m = "?", ergonomic_m = "?" }}', found)


def _lengths(sheet: Sheet) -> Iterator[str]:
    for length in sheet.lengths:
        yield _line(f'insulation.{length.what}_m = "?"', length)
    for what, _, _ in sheet.no_length:
        yield _line(f'insulation.{what}_m = "?"', None)


def _others(sheet: Sheet) -> Iterator[str]:
    sound = "no rule has it" if sheet.sound is None else f"at least {sheet.sound} by the rule"
    yield f'{"" if sheet.sound is None else "# "}sound_insulators = "?"   # in a string that is worked on: {sound}'
    transfer = sheet.transfer
    known = "no figure" if transfer is None else f"{transfer.distance_m:g} m ({transfer})"
    read = transfer is not None and transfer.grade in CONFIRMED
    yield f'{"# " if read else ""}transfer_m = "?"   # bare body to the live part at potential transfer: {known}'


def _line(line: str, found: Limit | InsulatingLength | None) -> str:
    """A line to fill in; a comment where the rule's own figure was read."""
    if found is None:
        return f"{line}   # a rule has none"
    whole = found.limit_m if isinstance(found, Limit) else found.required_m
    said = f"{whole:.4g} m by {found.rule.name}, {found.grade}"
    return f"# {line}   # {said}" if found.grade in CONFIRMED else f"{line}   # {said}"
