"""Owns the command `clearance record`, and how `clearance check` replays such a record.

Exit code of `record`: that of the verdict. A replay that comes to another verdict in any stage than was recorded is
refused with 2: either of the two must be wrong.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from clearance.cli.output import Tolerance
from clearance.errors import InputError, Mistake
from clearance.tolerances import TOLERANCE_M

if TYPE_CHECKING:
    from clearance.pipeline import Prepared
    from clearance.result import Result


def record(
    scene: Annotated[Path, typer.Argument(metavar="SCENE", help="A scene file (TOML).", show_default=False)],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.zip", help="The archive to write.", show_default=False)],
    tolerance_m: Tolerance = TOLERANCE_M,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress on stderr.")] = False,
) -> None:
    """Check a scene and keep it, its files and the result in one archive that `clearance check` can replay."""
    from clearance.cli.check import CODES, checked, shown
    from clearance.cli.output import unwritable
    from clearance.record import packed
    from clearance.scene.reading import read_scene

    if out.suffix.lower() != ".zip":
        raise InputError(Mistake(("--out", str(out)), "a file whose name ends in .zip", out.suffix or "no ending"))
    read = read_scene(scene)
    _, result = checked(scene, tolerance_m, quiet)
    shown(result)
    content = packed(read, result)
    try:
        out.write_bytes(content)
    except OSError as error:
        raise InputError(unwritable("--out", out, "a file", error)) from None
    typer.echo(f"wrote {out}, sha256 {hashlib.sha256(content).hexdigest()}", err=True)
    raise typer.Exit(CODES[result.verdict])


def replayed(path: Path, quiet: bool) -> tuple[Prepared, Result]:
    """A record checked again at its own tolerance, and compared with what it holds. Raises `ClearanceError`."""
    from clearance.cli.check import checked
    from clearance.record import compared, opened

    with opened(path) as kept:
        assert kept.scene.path is not None
        prepared, result = checked(kept.scene.path, kept.tolerance_m, quiet)
        found = compared(kept, result)
    digest = hashlib.sha256(kept.result.encode()).hexdigest()
    if found.verdicts:
        raise InputError(
            Mistake((str(path), f"stage '{name}'"), f"the recorded verdict, {old}", new, "find out which is wrong")
            for name, old, new in found.verdicts
        )
    if found.same:
        typer.echo(f"{path}: scene and result as recorded, sha256 {digest}", err=True)
        return prepared, result
    by = "other gaps were judged" if found.most_m is None else f"gaps differ by at most {found.most_m:.2g} m"
    versions = f"recorded by clearance {kept.version}, replayed by {result.version}"
    typer.echo(f"{path}: scene and verdicts as recorded; {by}; {versions}", err=True)
    return prepared, result
