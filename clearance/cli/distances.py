"""Owns the command `clearance distances`: the required distances of a job, with calculation, source and conditions.

Exit codes: 0 every rule has a value for every cell, 2 bad input or everything refused, 3 some rule has none for some
cell: what the others require is shown, and the row is marked.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Annotated, Any, get_args

import typer

from clearance.errors import ClearanceError, InputError, Mistake
from clearance.rules import facts, names
from clearance.rules.records import Grade, InsulatingLength, Limit, Transfer
from clearance.rules.rounding import feet, metres
from clearance.rules.sheet import WORDS, Question, Sheet, cells_in_words, sheet
from clearance.rules.skeleton import skeleton

DISCLAIMER = (
    "These distances support, and do not replace, the employer's rules, local codes and the judgement of the "
    "qualified person in charge."
)
NO_BASIS = "NOT STATED: who determined T and how must be known before these distances are used (--t-basis)"


def distances(
    voltage_kv: Annotated[
        float | None,
        typer.Option("--voltage-kV", help="Nominal voltage, phase to phase; turned into the highest voltage."),
    ] = None,
    highest_kv: Annotated[
        float | None,
        typer.Option("--highest-kV", help="Highest voltage, phase to phase; goes into the equations as given."),
    ] = None,
    rule: Annotated[
        list[str] | None,
        typer.Option(
            "--rule",
            help="A rule's name or a company table (*.toml); repeat it for the most conservative of several. Where one "
            "is silent the row is marked, with what the others require.",
        ),
    ] = None,
    t: Annotated[
        float | None, typer.Option("--t", help="Per-unit overvoltage T to earth; without it the rule's own assumption.")
    ] = None,
    t_basis: Annotated[
        str | None,
        typer.Option("--t-basis", help="Who determined T, and how; a scene needs it, here its lack is said."),
    ] = None,
    altitude_m: Annotated[
        float, typer.Option("--altitude-m", help="Altitude of the work above sea level, in metres.")
    ] = 0.0,
    given: Annotated[
        list[str] | None,
        typer.Option(
            "--input", metavar="KEY=VALUE", help="A further input of the rule, such as ergonomic_m=0.5; repeat it."
        ),
    ] = None,
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="Write the distances as JSON, unrounded.")
    ] = None,
    in_feet: Annotated[bool, typer.Option("--feet", help="Show feet beside metres.")] = False,
    unconfirmed: Annotated[
        bool,
        typer.Option(
            "--unconfirmed",
            help="List every built-in figure that nobody read in its source, with how it is known: from memory or "
            "second-hand; and stop unless a rule is named.",
        ),
    ] = False,
    blank_table: Annotated[
        bool,
        typer.Option(
            "--company-table",
            help="Print a company table (*.toml) to fill in and sign: what the rules lack, or nobody read, at this "
            "voltage; and stop.",
        ),
    ] = False,
    placard: Annotated[
        Path | None, typer.Option("--placard", metavar="DIR", help="Draw the one-page placard (SVG, PDF).")
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option("--plot", metavar="DIR", help="Draw the limit against T, voltage and altitude (SVG, PDF)."),
    ] = None,
    title: Annotated[str, typer.Option("--title", help="The job's name on the placard.")] = "",
) -> None:
    """Print the required distances for a voltage under one rule or several, with source and conditions."""
    try:
        if unconfirmed:
            _print_facts()
            if not rule:
                return
        question = _question(voltage_kv, highest_kv, rule, t, t_basis, altitude_m, given)
        result = sheet(question)
        if blank_table:
            typer.echo(skeleton(result), nl=False)
            return
        if result.all_refused:
            raise InputError(
                [Mistake(("distances",), "a question the rule answers", reason) for reason in _reasons(result)]
            )
        _print_sheet(result, in_feet)
        if json_file is not None:
            _write_json(json_file, result)
        if placard is not None or plot is not None:
            _draw(result, placard, plot, title)
    except ClearanceError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from None
    if result.undecided:
        raise typer.Exit(3)


def _reasons(result: Sheet) -> list[str]:
    """Why every cell was refused, each reason once."""
    return list(dict.fromkeys(cell.reason for cell in result.undecided))


def _question(
    voltage_kV: float | None,
    highest_kV: float | None,
    rules: list[str] | None,
    t: float | None,
    t_basis: str | None,
    altitude_m: float,
    given: list[str] | None,
) -> Question:
    """The options as a question. Raises InputError."""
    if not rules:
        raise InputError(
            Mistake(("--rule",), "a rule", "none", f"name one of {', '.join(names())}, or a company table (*.toml)")
        )
    inputs: dict[str, object] = {}
    mistakes: list[Mistake] = []
    for pair in given or []:
        key, equals, value = pair.partition("=")
        if not equals or not key.strip():
            mistakes.append(Mistake(("--input",), "KEY=VALUE", repr(pair), "for instance --input ergonomic_m=0.5"))
        else:
            inputs[key.strip()] = _value(value.strip())
    if t_basis is not None and t is None:
        mistakes.append(Mistake(("--t-basis",), "--t beside it", "none", "give the overvoltage this is the basis of"))
    elif t is not None:
        # A look at the figures needs no basis, but it must not be mistaken for one: the lack is printed with them.
        inputs["per_unit_basis"] = t_basis if t_basis is not None else NO_BASIS
    if mistakes:
        raise InputError(mistakes)
    return Question(tuple(rules), voltage_kV, highest_kV, t, altitude_m, tuple(inputs.items()))


def _value(text: str) -> object:
    """A number, true or false, or text."""
    if text in ("true", "false"):
        return text == "true"
    try:
        return float(text)
    except ValueError:
        return text


def _console() -> Any:
    """A console for stdout that leaves lines whole when the output is not a terminal; rich itself respects NO_COLOR."""
    from rich.console import Console

    return Console() if sys.stdout.isatty() else Console(width=132)


def _line(console: Any, text: str = "") -> None:
    console.print(text, markup=False, highlight=False, soft_wrap=True)


def _length(value: float, in_feet: bool) -> str:
    return f"{metres(value)} ({feet(value)})" if in_feet else metres(value)


def _print_facts() -> None:
    """Every built-in figure that was not read in a copy of its source, the least known first."""
    console = _console()
    _line(console, "Figures that nobody read in their source; confirm them against the text before they are relied on:")
    for grade in get_args(Grade):
        for fact in facts():
            if fact.grade == grade and not fact.confirmed:
                _line(console, f"- {fact}")
    _line(console, "Whoever holds the text enters them in a company table: --company-table prints one to fill in.")


def _print_sheet(result: Sheet, in_feet: bool) -> None:
    """The sheet as tables and lines."""
    from rich.table import Table

    console = _console()
    _line(console, "Required distances, rounded up to the centimetre")
    for name, what, voltage in result.systems:
        _line(console, f"{name}: {what}")
        _line(console, f"  {voltage.basis}")
    _line(console, f"altitude {result.question.altitude_m:g} m")
    table = Table(show_edge=True)
    for heading in ("exposure", "gap", "limit", "electrical", "ergonomic", "from", "known"):
        table.add_column(heading, justify="right" if heading in ("limit", "electrical", "ergonomic") else "left")
    for limit in result.limits:
        table.add_row(*_row(limit, in_feet))
    for cell in result.undecided:
        word = "refused" if cell.refused else "no value"
        if cell.others is None:
            table.add_row(WORDS[cell.exposure], WORDS[cell.gap], word, "-", "-", "see below", "-")
        else:
            table.add_row(*_row(cell.others, in_feet, "at least "))
    console.print(table)
    if any(cell.others is not None for cell in result.undecided):
        _line(console, "at least: by the rules that have a value; another of the list has none, see below")
    _print_undecided(console, result)
    _print_lengths(console, result, in_feet)
    _print_steps(console, result.shown)
    for heading, lines in (
        ("Conditions of use", result.conditions),
        ("Not read in its source; confirm before relying on it", result.unconfirmed),
        ("Jurisdictions (shown, not enforced)", tuple(str(note) for note in result.notes)),
    ):
        if lines:
            _line(console, f"\n{heading}")
            for line in lines:
                _line(console, f"- {line}")
    _line(console, f"\n{DISCLAIMER}")


def _row(limit: Limit, in_feet: bool, sign: str = "") -> tuple[str, ...]:
    """A limit as a row; sign: what stands before a limit that may be more."""
    return (
        WORDS[limit.exposure],
        WORDS[limit.gap],
        sign + _length(limit.limit_m, in_feet),
        sign + _length(limit.electrical_m, in_feet),
        _length(limit.ergonomic_m, in_feet),
        f"{limit.rule.name}: {limit.rule.clause}",
        limit.grade,
    )


def _print_undecided(console: Any, result: Sheet) -> None:
    """Each reason once, with the cells it holds for."""
    for reason in _reasons(result):
        _line(console, f"Undecided: {cells_in_words(cell for cell in result.undecided if cell.reason == reason)}")
        _line(console, f"  {reason}")


def _print_lengths(console: Any, result: Sheet, in_feet: bool) -> None:
    """Insulating lengths, sound insulators, transfer distance."""
    _line(console, "\nClear insulating length, metal parts taken off")
    for length in result.lengths:
        _line(
            console,
            f"- {length.what}: {_length(length.required_m, in_feet)} ({length.rule.name}, {length.rule.clause}; "
            f"{length.grade})",
        )
    for what, reason, others in result.no_length:
        least = "no value" if others is None else f"at least {_length(others.required_m, in_feet)}, undecided"
        _line(console, f"- {what}: {least}. {reason}")
    if result.sound is not None:
        _line(console, f"- sound insulators in a string that is worked on: at least {result.sound}")
    if result.transfer is not None:
        transfer, beside = result.transfer, "" if result.transfer.own else "a figure beside the rules asked: "
        _line(
            console,
            f"- bare body to the live part at potential transfer: at least {_length(transfer.distance_m, in_feet)} "
            f"({beside}{transfer.rule.name}, {transfer.rule.clause}; {transfer.grade})",
        )


def _print_steps(console: Any, limits: tuple[Limit, ...]) -> None:
    """The calculation of every limit; cells with the same calculation together."""
    _line(console, "\nCalculation")
    shown: dict[tuple[str, ...], list[Limit]] = {}
    for limit in limits:
        shown.setdefault(limit.steps, []).append(limit)
    for steps, same in shown.items():
        _line(console, f"- {cells_in_words(same)}: {same[0].rule}")
        for step in steps:
            _line(console, f"    {step}")


def as_json(result: Sheet) -> dict[str, Any]:
    """The sheet as plain data, unrounded."""
    transfer = result.transfer
    return {
        "format": 1,
        "limits": [_limit_data(limit) for limit in result.limits],
        "undecided": [
            {
                "exposure": cell.exposure,
                "gap": cell.gap,
                "refused": cell.refused,
                "reason": cell.reason,
                "others": None if cell.others is None else _limit_data(cell.others),
            }
            for cell in result.undecided
        ],
        "insulation": [_length_data(length) for length in result.lengths],
        "insulation_undecided": [
            {"what": what, "reason": reason, "others": None if others is None else _length_data(others)}
            for what, reason, others in result.no_length
        ],
        "sound_insulators": result.sound,
        "transfer_m": None if transfer is None else transfer.distance_m,
        "transfer": None
        if transfer is None
        else {"distance_m": transfer.distance_m, "rule": _rule_data(transfer), "of_a_rule_asked": transfer.own},
    }


def _rule_data(found: Limit | InsulatingLength | Transfer) -> dict[str, str]:
    rule = found.rule
    return {"name": rule.name, "edition": rule.edition, "clause": rule.clause, "grade": found.grade}


def _limit_data(limit: Limit) -> dict[str, Any]:
    return {
        "exposure": limit.exposure,
        "gap": limit.gap,
        "limit_m": limit.limit_m,
        "electrical_m": limit.electrical_m,
        "ergonomic_m": limit.ergonomic_m,
        "rule": _rule_data(limit),
        "inputs": limit.inputs,
        "steps": list(limit.steps),
        "conditions": list(limit.conditions),
        "unconfirmed": list(limit.unconfirmed),
    }


def _length_data(length: InsulatingLength) -> dict[str, Any]:
    return {"what": length.what, "required_m": length.required_m, "rule": _rule_data(length)}


def _write_json(path: Path, result: Sheet) -> None:
    """Write beside the file, then rename, so that no half-written file is ever read. Raises InputError."""
    content = json.dumps(as_json(result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(content)
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(beside, 0o666 & ~mask)  # mkstemp makes it private; the result is as readable as any other file
            os.replace(beside, path)
        except OSError:
            Path(beside).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError(
            Mistake(("--json", str(path)), "a file that can be written", error.strerror or "an error")
        ) from None
    typer.echo(f"wrote {path}", err=True)


def _draw(result: Sheet, placard: Path | None, plot: Path | None, title: str) -> None:
    """The drawings; matplotlib is imported only here. Raises InputError."""
    from clearance.report.placard import draw_curves, draw_placard

    for option, folder, draw in (("--placard", placard, draw_placard), ("--plot", plot, draw_curves)):
        if folder is None:
            continue
        try:
            folder.mkdir(parents=True, exist_ok=True)
            written = draw(result, folder, title)
        except OSError as error:
            found = error.strerror or "an error"
            raise InputError(Mistake((option, str(folder)), "a folder that can be written", found)) from None
        for path in written:
            typer.echo(f"wrote {path}", err=True)
