"""Owns the command `clearance brief`: the job briefing, as a page, as PDFs, and with the result it shows.

Exit code: that of the verdict at the printed ranges; 3 where the page came out and a PDF was asked for and did not.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from clearance.cli.check import CODES, worst
from clearance.cli.output import Tolerance, folder_for, progress_line, unwritable
from clearance.errors import InputError
from clearance.tolerances import TOLERANCE_M

INCOMPLETE = 3


def brief(
    scene: Annotated[Path, typer.Argument(metavar="SCENE", help="A scene file (TOML).", show_default=False)],
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where the briefing and the result it shows go.")
    ] = Path("clearance-briefing"),
    pdf: Annotated[bool, typer.Option("--pdf/--no-pdf", help="Also print it as PDF, on A4 and on Letter.")] = True,
    tolerance_m: Tolerance = TOLERANCE_M,
    first: Annotated[
        bool,
        typer.Option(
            "--measure-first/--no-measure-first",
            help="With what a step of each surveyed or assumed number takes from the margins; that takes a while.",
        ),
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Write the job briefing: stages with their permitted ranges, what to measure, when to stop, signatures."""
    from clearance.scene.reading import read_scene

    read = read_scene(scene)
    from clearance.permitted import permitted
    from clearance.pipeline import prepare
    from clearance.report.briefing import write_briefing
    from clearance.sensitivity import measure_first

    folder_for("--out", out)
    with progress_line(quiet) as progress:
        permits = permitted(prepare(read), tolerance_m, progress)
        if first:
            site, stages = permits.prepared.site, permits.prepared.stages
            found = measure_first(site, stages, permits.result, progress)
            permits = replace(permits, result=replace(permits.result, measure_first=found))
        try:
            files, missing = write_briefing(permits, out, pdf, progress)
        except OSError as error:
            raise InputError(unwritable("--out", out, "a folder", error)) from None
    typer.echo(f"{permits.result.scene}: {permits.result.verdict} at the printed ranges")
    for one in permits.stages:
        if one.outcome != "as stated":
            words = "only in part" if one.outcome == "narrowed" else "not permitted"
            typer.echo(f"  {one.stage.name}: {words}")
    for file in files:
        typer.echo(f"wrote {file}", err=True)
    if missing:
        typer.echo(missing, err=True)
    raise typer.Exit(worst([CODES[permits.result.verdict], *([INCOMPLETE] if missing else [])]))
