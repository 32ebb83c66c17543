"""Owns the command `clearance check`: every scene asked for is checked, shown, and written where asked.

Several scenes are checked at once, each in a process of its own, and told in the order in which they were asked for.
Exit code: the worst over the scenes, where 2 (could not run) is worse than 1 (breach), that than 3 (undecided or
incomplete), that than 0. One scene that cannot be read does not keep the others from being checked.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from clearance.cli.output import folder_for, progress_line, stdout_console, unwritable, write_text
from clearance.errors import ClearanceError, InputError, Mistake
from clearance.tolerances import LEAST_TOLERANCE_M, MOST_TOLERANCE_M, TOLERANCE_M

if TYPE_CHECKING:
    from clearance.pipeline import Prepared
    from clearance.result import Result

CODES = {"clear": 0, "breach": 1, "undecided": 3}
WORST_FIRST = (2, 1, 3, 0)


def check(
    scenes: Annotated[
        list[Path],
        typer.Argument(metavar="SCENE...", help="Scene files (TOML), or records (zip).", show_default=False),
    ],
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="Write the result as JSON, unrounded.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Write drawings and the 3D page; of several scenes, a folder each."),
    ] = None,
    tolerance_m: Annotated[
        float,
        typer.Option(
            "--tolerance-m",
            min=LEAST_TOLERANCE_M,
            max=MOST_TOLERANCE_M,
            help="How far the bounds of a gap may stay apart [m]; smaller takes longer.",
        ),
    ] = TOLERANCE_M,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers",
            min=1,
            help="Scenes checked at once; as many as there are processors, where not given.",
            show_default=False,
        ),
    ] = None,
    without_statements: Annotated[
        bool,
        typer.Option("--without-statements", help="Judge with all statements of the scene withdrawn."),
    ] = False,
    measure_first: Annotated[
        bool,
        typer.Option(
            "--measure-first",
            help="Also tell what to measure first: what a step of each surveyed or assumed number takes from a margin.",
        ),
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Check scenes: is every gap at least its limit, over the whole range of every stage?"""
    if json_file is not None and not json_file.resolve().parent.is_dir():
        # Found out before the work, not after it.
        raise InputError(
            Mistake(("--json", str(json_file)), "a file in a folder that is there", "none", "make the folder")
        )
    codes: list[int] = []
    results: list[Result] = []
    failed: list[dict[str, Any]] = []
    asked = [
        Asked(path, folder, tolerance_m, without_statements, measure_first)
        for path, folder in zip(scenes, folders_for(out, scenes), strict=True)
    ]
    at_once = min(len(asked), workers or os.cpu_count() or 1)
    for path, done in zip(
        scenes, apart(asked, at_once, quiet) if at_once > 1 else one_by_one(asked, quiet), strict=True
    ):
        codes.append(done.code)
        if done.result is not None:
            results.append(done.result)
        for file in done.files:
            typer.echo(f"wrote {file}", err=True)
        if done.message:
            failed.append({"scene": str(path), "messages": done.message.splitlines()})
            typer.echo(done.message, err=True)
    if json_file is not None:
        if results and not (failed and len(scenes) == 1):
            write_text("--json", json_file, as_json(results, failed, len(scenes)))
            typer.echo(f"wrote {json_file}", err=True)
        else:
            typer.echo(f"{json_file} was not written: no scene could be checked", err=True)
    raise typer.Exit(worst(codes))


@dataclass(frozen=True)
class Asked:
    """One scene that is to be checked: its file, the folder for its drawings or None, the tolerance [m]; bare: with all
    statements withdrawn; measure_first: with what its margins hang on."""

    path: Path
    folder: Path | None
    tolerance_m: float
    bare: bool = False
    measure_first: bool = False


@dataclass(frozen=True)
class Done:
    """What became of it: its exit code, its result where it was checked, the files written, what went wrong."""

    code: int
    result: Result | None
    files: tuple[Path, ...]
    message: str


def do(asked: Asked, quiet: bool, show: Callable[[Result], None]) -> Done:
    """Check one scene, show its result as soon as there is one, and draw it where asked."""
    result: Result | None = None
    files: list[Path] = []
    try:
        prepared, result = checked(asked.path, asked.tolerance_m, quiet, asked.bare)
        if asked.measure_first:
            result = with_measure_first(prepared, result, quiet)
        show(result)
        if asked.folder is not None:
            files = drawn(prepared, result, asked.folder, quiet)
    except ClearanceError as error:
        return Done(2, result, tuple(files), str(error))
    return Done(CODES[result.verdict], result, tuple(files), "")


def one_by_one(asked: Iterable[Asked], quiet: bool) -> Iterator[Done]:
    """Each scene in turn, in this process."""
    for one in asked:
        yield do(one, quiet, shown)


def apart(asked: list[Asked], at_once: int, quiet: bool) -> Iterator[Done]:
    """All scenes, so many at once, each in a process of its own; their results are shown in the order asked."""
    from dask.base import compute
    from dask.callbacks import Callback
    from dask.delayed import delayed

    count = 0
    with progress_line(quiet) as progress:

        def told(*_: object) -> None:
            nonlocal count
            count += 1
            progress(f"{count} of {len(asked)} scenes are done")

        progress(f"{len(asked)} scenes, {at_once} at once")
        tasks = [delayed(_silently, pure=False)(one) for one in asked]
        with Callback(posttask=told):  # type: ignore[no-untyped-call]
            found = compute(*tasks, scheduler="processes", num_workers=at_once, chunksize=1)  # type: ignore[no-untyped-call]
    for done in found:
        if done.result is not None:
            shown(done.result)
        yield done


def _silently(one: Asked) -> Done:
    return do(one, True, lambda result: None)


def worst(codes: Iterable[int]) -> int:
    """The worst of several exit codes; of none, 2: nothing was checked.

    >>> worst([0, 3, 1]), worst([3, 0]), worst([1, 2]), worst([])
    (1, 3, 2, 2)
    """
    found = set(codes)
    return next((code for code in WORST_FIRST if code in found), 2)


def folders_for(out: Path | None, scenes: list[Path]) -> list[Path | None]:
    """Where each scene's drawings go: the folder itself for one scene, else one below it named by the scene's file.

    >>> [str(folder) for folder in folders_for(Path("out"), [Path("a/bay.toml"), Path("b/bay.toml"), Path("c.toml")])]
    ['out/bay', 'out/bay-2', 'out/c']
    """
    if out is None or len(scenes) == 1:
        return [out] * len(scenes)
    folders: list[Path | None] = []
    for path in scenes:
        name, number = path.stem, 1
        while out / name in folders:
            number += 1
            name = f"{path.stem}-{number}"
        folders.append(out / name)
    return folders


def checked(path: Path, tolerance_m: float, quiet: bool, bare: bool = False) -> tuple[Prepared, Result]:
    """One scene, read and checked; a record is replayed, at its own tolerance; bare: with all statements withdrawn.

    Raises: `ClearanceError`.
    """
    if path.suffix.lower() == ".zip":
        from clearance.cli.record import replayed

        if bare:
            remedy = "take the scene out of it, and check that"
            raise InputError(Mistake((str(path), "--without-statements"), "a scene file", "a record, replayed", remedy))
        return replayed(path, quiet)
    from clearance.scene.reading import read_scene

    scene = read_scene(path)
    if bare:
        scene = scene.changed(statements=())
    # Imported only now: a scene that cannot be read is told before the compiler is loaded.
    from clearance.kernel import compiling
    from clearance.length_limits import lacking
    from clearance.pipeline import check_prepared, prepare
    from clearance.result import Interrupted

    compiling.begin()
    told = ""
    with progress_line(quiet) as progress:

        def tell(*message: object) -> None:
            nonlocal told
            told = " ".join(map(str, message))
            progress(*message)

        prepared = prepare(scene)
        if not quiet:
            # At once: whoever can supply it need not wait for the sweep to hear that nothing will be clear without.
            for point in lacking(prepared.site.scene):
                typer.echo(f"{path}: {point}. To settle it: {point.cure}.", err=True)
        try:
            return prepared, check_prepared(prepared, tolerance_m, tell)
        except Interrupted as interrupted:
            finished = [f"{stage.name}: {stage.verdict}" for stage in interrupted.stages]
            typer.echo(f"{path}: {len(finished)} of {interrupted.asked} stages were finished", err=True)
            for line in (*finished, *([f"under way: {told}"] if told else [])):
                typer.echo(f"  {line}", err=True)
            raise


def with_measure_first(prepared: Prepared, result: Result, quiet: bool) -> Result:
    """The result with what its margins hang on."""
    from clearance.sensitivity import measure_first

    with progress_line(quiet) as progress:
        return replace(result, measure_first=measure_first(prepared.site, prepared.stages, result, progress))


def shown(result: Result) -> None:
    """The result on stdout."""
    from clearance.report.text import print_result

    print_result(result, stdout_console())


def drawn(prepared: Prepared, result: Result, folder: Path, quiet: bool) -> list[Path]:
    """The drawings of a result and its 3D page, as the files written. Raises `ClearanceError`."""
    from clearance.cli.page import written
    from clearance.pipeline import all_settings
    from clearance.report.drawings import draw_all

    folder_for("--out", folder)
    try:
        with progress_line(quiet) as progress:
            files = draw_all(prepared.site.scene, result, all_settings(prepared), folder, progress)
            progress("page")
            return [*files, written(prepared, result, folder / "page.html", drawings=False)]
    except OSError as error:
        raise InputError(unwritable("--out", folder, "a folder", error)) from None


def as_json(results: list[Result], failed: list[dict[str, Any]], asked: int) -> str:
    """The JSON of one scene is its result; of several, a list of them, with the scenes that could not be checked."""
    if asked == 1:
        return results[0].to_json()
    whole: dict[str, Any] = {"format": 1, "results": [json.loads(result.to_json()) for result in results]}
    if failed:
        whole["failed"] = failed
    return json.dumps(whole, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
