"""Owns the command `clearance sag`: tension, sag, low point and blow-out of every wire over the scene's weather.

Exit codes: 0 done, 2 bad input, 3 incomplete: the scene states no weather, so only the stated shapes are shown.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clearance.cli.output import folder_for, stdout_console, unwritable, write_text
from clearance.errors import InputError, Mistake


def sag(
    scene: Annotated[Path, typer.Argument(metavar="SCENE", help="A scene file (TOML).", show_default=False)],
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="Write the figures as JSON, unrounded.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Write the stringing chart and side views (SVG and PDF)."),
    ] = None,
) -> None:
    """Print each wire's tension, sag, low point and blow-out over the weather of the job."""
    from importlib.metadata import version

    from clearance.conductor.summary import summarise
    from clearance.report.sag import as_json, print_sags
    from clearance.scene.hanging import place_wires, weather_of
    from clearance.scene.reading import read_scene

    read = read_scene(scene)
    if not read.wires:
        raise InputError(Mistake((str(scene), "wires"), "at least one wire", "none", "add [[wires]]"))
    weather = weather_of(read)
    summaries = summarise(place_wires(read))
    print_sags(read.name, summaries, weather, stdout_console())
    if json_file is not None:
        write_text("--json", json_file, as_json(read.name, read.sha256, version("clearance"), summaries, weather))
        typer.echo(f"wrote {json_file}", err=True)
    if out is not None:
        from clearance.report.sag_drawings import draw_sags

        folder_for("--out", out)
        try:
            written = draw_sags(read.name, summaries, weather, out)
        except OSError as error:
            raise InputError(unwritable("--out", out, "a folder", error)) from None
        for file in written:
            typer.echo(f"wrote {file}", err=True)
    if weather is None:
        typer.echo("Incomplete: the scene states no [weather], so ranges are not evaluated.", err=True)
        raise typer.Exit(3)
