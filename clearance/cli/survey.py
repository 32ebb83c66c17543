"""Owns the command `clearance survey`: scans in, a scene with its bodies and a report out; or two surveys compared.

Exit code 0 when a scene came out, 3 when it came out without ground or without wires, 2 when the scan cannot be
surveyed.
"""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from clearance.cli.output import folder_for, stdout_console, write_text
from clearance.errors import InputError, Mistake

if TYPE_CHECKING:
    from clearance.survey.stream import Progress

INCOMPLETE = 3


def survey(
    scans: Annotated[
        list[Path],
        typer.Argument(metavar="SCAN...", help="LAS or LAZ files of one survey; with --compare two survey folders."),
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Write the scene, its bodies and the report here.")
    ] = None,
    labels: Annotated[
        Path | None,
        typer.Option("--labels", metavar="FILE", help="Write the scan back with the classes decided (LAZ)."),
    ] = None,
    compare: Annotated[
        bool, typer.Option("--compare", help="Compare two surveys of one line: give their folders as SCAN.")
    ] = False,
    crs: Annotated[
        str | None, typer.Option("--crs", metavar="EPSG:CODE", help="Reference system, where the header states none.")
    ] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="metre, foot or us-foot: overrides the header, heights included.")
    ] = None,
    accuracy_m: Annotated[
        float | None, typer.Option("--accuracy-m", help="Accuracy of the survey at 95 %, any direction [m].")
    ] = None,
    classes: Annotated[
        str, typer.Option("--classes", help="auto: use the survey's classes where there are any; use; ignore.")
    ] = "auto",
    class_map: Annotated[
        Path | None, typer.Option("--class-map", metavar="FILE", help="TOML: which class codes mean what.")
    ] = None,
    phases: Annotated[
        Path | None, typer.Option("--phases", metavar="FILE", help="The table phases.csv of a survey, put right.")
    ] = None,
    voltage_kV: Annotated[
        float | None, typer.Option("--voltage-kV", min=1.0, max=1500.0, help="Nominal voltage to write [kV].")
    ] = None,
    rule: Annotated[str, typer.Option("--rule", help="Rule to write into the scene.")] = "osha-1910.269",
    frequency_Hz: Annotated[
        float, typer.Option("--frequency-Hz", min=1.0, max=1000.0, help="Frequency to write [Hz].")
    ] = 50.0,
    diameter_mm: Annotated[
        float | None, typer.Option("--diameter-mm", min=1.0, max=200.0, help="Conductor diameter to write [mm].")
    ] = None,
    name: Annotated[str | None, typer.Option("--name", help="Name of the scene.")] = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Turn a laser scan into a scene: wires, structures, everything else and the ground, each with its error."""
    if compare:
        raise typer.Exit(_compare(scans, out))
    if out is None and labels is None:
        raise InputError(Mistake(("survey",), "--out DIR, --labels FILE or both", "neither", "say where to write"))
    from clearance.report import survey as report
    from clearance.survey.labels import write_labels
    from clearance.survey.run import Options, survey_scans
    from clearance.survey.write import check_folder, write_survey

    if out is not None:
        check_folder(out)
    options = Options(crs, unit, accuracy_m, classes, class_map, phases, voltage_kV)
    with _progress(quiet) as progress:
        found = survey_scans(scans, options, progress)
        if out is not None:
            title = name if name is not None else scans[0].stem + (f" and {len(scans) - 1} more" if scans[1:] else "")
            write_survey(
                found.finding,
                out,
                title,
                rule,
                frequency_Hz,
                diameter_mm / 1000.0 if diameter_mm is not None else None,
                report.page,
            )
        if labels is not None:
            write_labels(found, labels, progress("writing the classes", found.finding.scans.points))
    report.print_finding(found.finding, stdout_console())
    for path in (out, labels):
        if path is not None:
            typer.echo(f"wrote {path}", err=True)
    if found.finding.ground is None or not found.finding.wires:
        raise typer.Exit(INCOMPLETE)


def _compare(folders: list[Path], out: Path | None) -> int:
    if len(folders) != 2:
        raise InputError(Mistake(("--compare",), "two survey folders", f"{len(folders)}", "give the earlier one first"))
    from clearance.report import survey as report
    from clearance.survey.compare import compare_surveys, comparison_record

    comparison = compare_surveys(folders[0], folders[1])
    report.print_comparison(comparison, stdout_console())
    if out is not None:
        folder_for("--out", out)
        text = json.dumps(comparison_record(comparison), indent=1, allow_nan=False, ensure_ascii=False) + "\n"
        write_text("--out", out / "comparison.json", text)
        typer.echo(f"wrote {out / 'comparison.json'}", err=True)
    return 0 if comparison.changes else INCOMPLETE


@contextlib.contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[str, int], Progress]]:
    """Progress bars by points on stderr, and nothing unless stderr is a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda name, total: lambda count: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("points"),
        TimeRemainingColumn(),
    )
    with Bars(*columns, console=Console(stderr=True)) as bars:

        def step(name: str, total: int) -> Progress:
            task = bars.add_task(name, total=total)
            return lambda count: bars.advance(task, count)

        yield step
