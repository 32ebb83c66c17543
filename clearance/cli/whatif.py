"""Owns the command `clearance whatif`: what would have to change for what is not clear, and every order of a job.

Exit code: that of the scene as it stands; with --orders, that of the order in the file.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from clearance.cli.check import CODES
from clearance.cli.output import Tolerance, progress_line, stdout_console, write_text
from clearance.tolerances import TOLERANCE_M

if TYPE_CHECKING:
    from clearance.whatif import Order, StageChanges


def whatif(
    scene: Annotated[Path, typer.Argument(metavar="SCENE", help="A scene file (TOML).", show_default=False)],
    orders: Annotated[bool, typer.Option("--orders", help="Try every order of the conductors of its jobs.")] = False,
    json_file: Annotated[Path | None, typer.Option("--json", metavar="FILE", help="Write it as JSON too.")] = None,
    tolerance_m: Tolerance = TOLERANCE_M,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """By how much travel, climb, lean, overvoltage or weather must change for a stage to be clear, each proved."""
    from clearance.report import whatif as report
    from clearance.scene.reading import read_scene

    read = read_scene(scene)
    from clearance import whatif as asked
    from clearance.pipeline import check_prepared, prepare

    found: dict[str, Any] = {"format": 1, "scene": {"name": read.name, "sha256": read.sha256}}
    with progress_line(quiet) as progress:
        if orders:
            ways: tuple[Order, ...] = asked.orders(read, tolerance_m, progress)
            verdict = ways[0].verdict
            found["orders"] = [asdict(way) for way in ways]
        else:
            prepared = prepare(read)
            result = check_prepared(prepared, tolerance_m, progress, withdraw=False)
            verdict = result.verdict
            made: tuple[StageChanges, ...] = asked.changes(prepared, result, tolerance_m, progress)
            found["changes"] = [asdict(one) for one in made]
    if orders:
        report.print_orders(ways, stdout_console())
    else:
        report.print_changes(result, made, stdout_console())
    if json_file is not None:
        write_text("--json", json_file, json.dumps(found, indent=1, allow_nan=False, ensure_ascii=False) + "\n")
        typer.echo(f"wrote {json_file}", err=True)
    raise typer.Exit(CODES[verdict])
