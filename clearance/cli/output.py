"""Owns what commands share: an option, consoles, a progress line on a terminal, whole files or none."""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from clearance.errors import InputError, Mistake
from clearance.tolerances import LEAST_TOLERANCE_M, MOST_TOLERANCE_M

if TYPE_CHECKING:
    from rich.console import Console

Progress = Callable[..., None]
"""Called with a short text of what is being done."""

Tolerance = Annotated[
    float,
    typer.Option(
        "--tolerance-m",
        min=LEAST_TOLERANCE_M,
        max=MOST_TOLERANCE_M,
        help="How far the bounds of a gap may stay apart [m].",
    ),
]
"""The option of every command that checks a scene."""

PIPE_WIDTH = 132
"""[characters] Width of tables where stdout is no terminal and COLUMNS does not say: wide enough not to break names."""


def stdout_console() -> Console:
    """The console of results; rich itself respects NO_COLOR."""
    from rich.console import Console

    wide = not sys.stdout.isatty() and "COLUMNS" not in os.environ
    return Console(width=PIPE_WIDTH if wide else None, highlight=False)


@contextlib.contextmanager
def progress_line(quiet: bool) -> Iterator[Progress]:
    """A callable that shows what is being done on stderr, and nothing unless stderr is a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda *_: None
        return
    from rich.console import Console

    with Console(stderr=True).status("reading") as status:
        yield lambda *said: status.update(" ".join(str(word) for word in said))


def write_text(option: str, path: Path, text: str) -> None:
    """Write beside the file, then rename, so that nobody reads half a file. Raises `InputError` naming the option."""
    try:
        handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
                file.write(text)
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(beside, 0o666 & ~mask)  # mkstemp makes it private
            os.replace(beside, path)
        except BaseException:
            Path(beside).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError(unwritable(option, path, "a file", error)) from None


def folder_for(option: str, path: Path) -> Path:
    """The folder, made where it is not there. Raises `InputError` naming the option."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(unwritable(option, path, "a folder", error)) from None
    return path


def unwritable(option: str, path: Path, what: str, error: OSError) -> Mistake:
    """The mistake of a file or folder that cannot be written."""
    found = (error.strerror or str(error)).lower()
    return Mistake((option, str(path)), f"{what} that can be written", found, "name another one")
