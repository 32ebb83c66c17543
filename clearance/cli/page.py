"""Owns the command `clearance page`: a scene checked and made into one HTML file that opens with no network."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from clearance.cli.check import CODES, checked
from clearance.cli.output import Tolerance, unwritable
from clearance.errors import InputError
from clearance.tolerances import TOLERANCE_M

if TYPE_CHECKING:
    from clearance.pipeline import Prepared
    from clearance.result import Result


def page(
    scene: Annotated[Path, typer.Argument(metavar="SCENE", help="Scene file (TOML).", show_default=False)],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="The page; if not given, the scene's name with .html, here."),
    ] = None,
    drawings: Annotated[bool, typer.Option(help="Put plan, elevation and section into the page as well.")] = True,
    zones: Annotated[bool, typer.Option(help="Put zones into the page: coarse ones, to look at.")] = True,
    tolerance_m: Tolerance = TOLERANCE_M,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Check a scene and write its 3D page: the job to look at, with every figure, in one file."""
    file = out or Path(f"{scene.stem}.html")
    if not file.resolve().parent.is_dir():
        # Found out before the work, not after it.
        error = FileNotFoundError(2, "its folder is not there")
        raise InputError(unwritable("--out", file, "a file", error))
    prepared, result = checked(scene, tolerance_m, quiet)
    typer.echo(f"wrote {written(prepared, result, file, drawings, zones)}")
    typer.echo(f"verdict: {result.verdict}")
    raise typer.Exit(CODES[result.verdict])


def written(prepared: Prepared, result: Result, file: Path, drawings: bool, zones: bool = False) -> Path:
    """The page of a result; with drawings and zones made for it where asked. Raises `ClearanceError`."""
    from clearance.view.drawn import page_drawings
    from clearance.view.page import write_page
    from clearance.view.page_zones import page_zones

    try:
        surfaces = page_zones(prepared) if zones else []
        if not drawings:
            return write_page(prepared, result, file, (), surfaces)
        with tempfile.TemporaryDirectory() as folder:
            return write_page(prepared, result, file, page_drawings(prepared, result, Path(folder)), surfaces)
    except OSError as error:
        raise InputError(unwritable("--out", file, "a file", error)) from None
