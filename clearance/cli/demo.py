"""Owns the command `clearance demo`: the built-in demonstration scene, checked and drawn."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clearance.cli.check import CODES, checked, drawn, shown
from clearance.cli.output import folder_for, write_text
from clearance.tolerances import TOLERANCE_M


def demo(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where result, drawings and page go.")] = Path(
        "clearance-demo"
    ),
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Check the built-in demonstration scene and write its result, drawings and 3D page."""
    from clearance.scene.builtin import builtin_scene

    folder_for("--out", out)
    path = builtin_scene("demo")
    prepared, result = checked(path, TOLERANCE_M, quiet)
    shown(result)
    write_text("--out", out / "result.json", result.to_json())
    files = [out / "result.json", *drawn(prepared, result, out, quiet)]
    typer.echo(f"\nThe scene is {path}\nIn {out.resolve()}:")
    for file in files:
        typer.echo(f"  {file.relative_to(out) if file.is_relative_to(out) else file}")
    raise typer.Exit(CODES[result.verdict])
