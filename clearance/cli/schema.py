"""Owns the command `clearance schema`: the JSON Schema of a scene file, for editors."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clearance.cli.output import write_text


def schema(
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write it to a file instead of stdout.")
    ] = None,
) -> None:
    """Print the JSON Schema of a scene file, with which an editor completes and checks it."""
    from clearance.scene.schema import schema_text

    if out is None:
        typer.echo(schema_text(), nl=False)
        return
    write_text("--out", out, schema_text())
    typer.echo(f"wrote {out}", err=True)
