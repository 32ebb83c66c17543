"""Owns the command `clearance expand`: a scene's jobs written out as stages, to read, edit and check."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clearance.cli.output import write_text


def expand(
    scene: Annotated[Path, typer.Argument(metavar="SCENE", help="A scene file (TOML).", show_default=False)],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write it to a file instead of stdout.")
    ] = None,
) -> None:
    """Print a scene with its jobs written out as stages; paths in it are from the folder of the scene."""
    from clearance.job.sequence import refuse_contradictions
    from clearance.job.templates import expanded
    from clearance.job.written import written_out
    from clearance.scene.reading import read_scene

    read = read_scene(scene)
    text = written_out(read, scene.read_text(encoding="utf-8"))
    refuse_contradictions(expanded(read))
    if out is None:
        typer.echo(text, nl=False)
        return
    write_text("--out", out, text)
    typer.echo(f"wrote {out}", err=True)
