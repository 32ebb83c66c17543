"""Owns the command `clearance show`: a scene's live page on the loopback address, or pictures of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from clearance.cli.check import checked
from clearance.cli.output import Tolerance, unwritable
from clearance.errors import InputError, Mistake
from clearance.tolerances import TOLERANCE_M

if TYPE_CHECKING:
    from clearance.pipeline import Prepared
    from clearance.result import Result
    from clearance.view.page_zones import PageZone


def show(
    scene: Annotated[Path, typer.Argument(metavar="SCENE", help="Scene file (TOML).", show_default=False)],
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; 0 takes a free one.")] = 0,
    record: Annotated[
        Path | None,
        typer.Option("--record", metavar="FILE", help="Append each practice round to this file (JSON lines)."),
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open the page in the browser.")] = False,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="PNG", help="Write a picture of a stage instead of serving.")
    ] = None,
    animation: Annotated[
        Path | None,
        typer.Option(
            "--animation", metavar="FILE", help="Write all steps of a stage as a GIF or MP4 instead of serving."
        ),
    ] = None,
    sheet: Annotated[
        Path | None, typer.Option("--sheet", metavar="PNG", help="Write all stages on one sheet instead of serving.")
    ] = None,
    view: Annotated[
        str, typer.Option("--view", metavar="VIEW", help="Of pictures: 3d, plan, elevation, section, eye or true.")
    ] = "3d",
    stage: Annotated[
        str | None,
        typer.Option("--stage", metavar="NAME", help="Of pictures; the one with the least margin if not given."),
    ] = None,
    zones: Annotated[
        list[str] | None,
        typer.Option(
            "--zones",
            metavar="STATE",
            help="Draw zones into pictures, of a person at earth, floating, or bonded:PHASE, in the stages that have "
            "one; may be repeated.",
        ),
    ] = None,
    tolerance_m: Tolerance = TOLERANCE_M,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Check a scene and serve its live page on 127.0.0.1, every pose evaluated by the engine; or draw pictures."""
    asked = {"--picture": picture, "--animation": animation, "--sheet": sheet}
    if zones and not any(asked.values()):
        raise InputError(Mistake(("--zones",), "--picture, --animation or --sheet beside it", "none of them"))
    if any(file is not None for file in asked.values()):
        drawable(asked, view)
        prepared, result = checked(scene, tolerance_m, quiet)
        for file in drawn_pictures(prepared, result, asked, view, stage, zones):
            typer.echo(f"wrote {file}")
        return
    prepared, result = checked(scene, tolerance_m, quiet)
    served(prepared, result, port, record, browser)


def drawable(asked: dict[str, Path | None], view: str) -> None:
    """Find out before the check, not after it, what would keep pictures from being drawn. Raises `ClearanceError`."""
    from clearance.view.pictures import probe_once
    from clearance.view.video import ready
    from clearance.view.viewpoint import VIEWS

    if view not in VIEWS:
        raise InputError(Mistake(("--view",), f"one of {', '.join(VIEWS)}", view))
    for option, file in asked.items():
        if file is not None and not file.resolve().parent.is_dir():
            raise InputError(unwritable(option, file, "a file", FileNotFoundError(2, "its folder is not there")))
    if (film := asked["--animation"]) is not None:
        ready(film)
    probe_once()


def drawn_pictures(
    prepared: Prepared,
    result: Result,
    asked: dict[str, Path | None],
    view: str,
    stage: str | None,
    zones: list[str] | None = None,
) -> list[Path]:
    """The pictures asked for, as the files written. Raises `ClearanceError`."""
    from clearance.cli.zones import stage_of
    from clearance.view import pictures, video, viewpoint
    from clearance.view.scene_data import page_data

    data = page_data(prepared, result)
    number = int(data["worst"]) if stage is None else stage_of(prepared, stage)
    shown = zones_in(prepared, zones)
    files = []
    for option, file in asked.items():
        if file is None:
            continue
        try:
            if option == "--picture":
                made = pictures.picture(data, number, viewpoint.lead_step(data, number), view, zones=shown)
                files.append(pictures.save(made, file))
            elif option == "--animation":
                files.append(video.animation(data, number, view, file, zones=shown))
            else:
                files.append(pictures.contact_sheet(data, view, file, zones=shown))
        except OSError as error:
            raise InputError(unwritable(option, file, "a file", error)) from None
    return files


def zones_in(prepared: Prepared, asked: list[str] | None) -> list[PageZone]:
    """The zones to be drawn into pictures, of the persons asked for, in every stage that has them."""
    from clearance.cli.zones import persons
    from clearance.view.page_zones import PICTURED_TRIANGLES, page_zones

    if not asked:
        return []
    wanted = {(person.state, person.phase) for person in persons(prepared, asked, None)}
    made = page_zones(prepared, PICTURED_TRIANGLES)
    return [shown for shown in made if (shown.zone.person.state, shown.zone.person.phase) in wanted]


def served(prepared: Prepared, result: Result, port: int, record: Path | None, browser: bool) -> None:
    """Serve until interrupted."""
    from clearance.view.live import ADDRESS, server, session
    from clearance.view.page_zones import page_zones

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
