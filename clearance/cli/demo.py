"""Owns the command `clearance demo`: the built-in demonstration scene, checked, drawn and briefed.

The briefing is made in a second process, which reads and stages the scene while the first checks it; where there can be
none it is made here, after the drawings. Either way the files are the same, byte for byte.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from clearance.cli.check import CODES, checked, drawn, shown
from clearance.cli.output import folder_for, progress_line, unwritable, write_text
from clearance.errors import InputError
from clearance.tolerances import TOLERANCE_M

if TYPE_CHECKING:
    from clearance.pipeline import Prepared
    from clearance.result import Result

_STAGED: dict[Path, Prepared] = {}
"""Scenes that a second process has staged already."""


def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where result, drawings, page and briefing go.")
    ] = Path("clearance-demo"),
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Check the built-in demonstration scene and write its result, drawings, 3D page and briefing."""
    from clearance.scene.builtin import builtin_scene

    folder_for("--out", out)
    folder = folder_for("--out", out / "briefing")
    path = builtin_scene("demo")
    with second_process(path) as brief:
        prepared, result = checked(path, TOLERANCE_M, quiet)
        shown(result)
        write_text("--out", out / "result.json", result.to_json())
        made = brief(result, folder)
        files = [out / "result.json", *drawn(prepared, result, out, quiet)]
        try:
            with progress_line(quiet) as progress:
                progress("briefing")
                files += made()
        except OSError as error:
            raise InputError(unwritable("--out", folder, "a folder", error)) from None
    typer.echo(f"\nThe scene is {path}\nIn {out.resolve()}:")
    for file in files:
        typer.echo(f"  {file.relative_to(out) if file.is_relative_to(out) else file}")
    raise typer.Exit(CODES[result.verdict])


Briefed = Callable[[], list[Path]]
"""Waits for the files of a briefing."""


@contextlib.contextmanager
def second_process(path: Path) -> Iterator[Callable[[Result, Path], Briefed]]:
    """A function that begins the briefing of a scene's result in a folder, and gives what waits for its files."""
    pool: ProcessPoolExecutor | None = None
    others = multiprocessing.active_children()
    with contextlib.suppress(OSError, ImportError):
        started = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"), _alone)
        started.submit(_stage, path)
        pool = started

    def begin(result: Result, folder: Path) -> Briefed:
        waiting: Future[list[Path]] | None = None
        if pool is not None:
            with contextlib.suppress(BrokenProcessPool):
                waiting = pool.submit(briefed, path, result, folder)

        def end() -> list[Path]:
            if waiting is not None:
                with contextlib.suppress(BrokenProcessPool):
                    return waiting.result()
            return briefed(path, result, folder)

        return end

    try:
        yield begin
    except BaseException:
        for child in multiprocessing.active_children():
            if child not in others:
                child.terminate()
        raise
    finally:
        # Until the process is gone. A thread of the pool reaps it, so nobody else may wait for it meanwhile.
        if pool is not None:
            pool.shutdown()


def _alone() -> None:
    """An interrupt is the first process's to handle."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _stage(path: Path) -> None:
    """Read and stage a scene ahead of its briefing, and load what draws it."""
    import clearance.report.briefing  # noqa: F401
    from clearance.pipeline import prepare
    from clearance.scene.reading import read_scene

    _STAGED[path] = prepare(read_scene(path))


def briefed(path: Path, result: Result, folder: Path) -> list[Path]:
    """The briefing of a scene whose result is known, as the files written; without PDFs, which take a browser."""
    from clearance.permitted import permitted
    from clearance.report.briefing import write_briefing

    if path not in _STAGED:
        _stage(path)
    files, _ = write_briefing(permitted(_STAGED[path], result.tolerance_m, known=result), folder, pdf=False)
    return files
