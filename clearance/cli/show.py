"""Owns the command `clearance show`: a scene's live page on the loopback address, or pictures of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from clearance.cli.check import checked
from clearance.tolerances import TOLERANCE_M

if TYPE_CHECKING:
    from clearance.pipeline import Prepared
    from clearance.result import Result


def show(
    scene: Annotated[Path, typer.Argument(metavar="SCENE", help="Scene file (TOML).", show_default=False)],
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; 0 takes a free one.")] = 0,
    record: Annotated[
        Path | None,
        typer.Option("--record", metavar="FILE", help="Append each practice round to this file (JSON lines)."),
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open the page in the browser.")] = False,
    tolerance_m: Annotated[
        float, typer.Option("--tolerance-m", min=1e-4, max=1.0, help="How far the bounds of a gap may stay apart [m].")
    ] = TOLERANCE_M,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Check a scene and serve its live page on 127.0.0.1, where every pose is evaluated by the engine."""
    prepared, result = checked(scene, tolerance_m, quiet)
    served(prepared, result, port, record, browser)


def served(prepared: Prepared, result: Result, port: int, record: Path | None, browser: bool) -> None:
    """Serve until interrupted."""
    from clearance.cli.page import page_zones
    from clearance.view.live import ADDRESS, server, session

    running = server(session(prepared, result, record, page_zones(prepared)), port)
    address = f"http://{ADDRESS}:{running.server_address[1]}/"
    typer.echo(f"the page is at {address} and on this machine only; Ctrl-C ends it")
    if browser:
        import webbrowser

        webbrowser.open(address)
    try:
        running.serve_forever()
    except KeyboardInterrupt:
        typer.echo("ended", err=True)
    finally:
        running.server_close()
