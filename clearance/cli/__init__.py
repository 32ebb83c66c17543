"""Owns the command line: one file per command beside this one, and the exit codes they share.

Results go to stdout, progress and messages to stderr. Exit codes: 0 clear or done, 1 breach, 2 could not run, 3
undecided or incomplete, 130 interrupted. Commands import what is heavy only when they run, so that `--help` answers at
once.
"""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Sequence
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from clearance.cli.brief import brief
from clearance.cli.check import check
from clearance.cli.demo import demo
from clearance.cli.distances import distances
from clearance.cli.doctor import doctor
from clearance.cli.expand import expand
from clearance.cli.page import page
from clearance.cli.record import record
from clearance.cli.sag import sag
from clearance.cli.schema import schema
from clearance.cli.show import show
from clearance.cli.survey import survey
from clearance.cli.whatif import whatif
from clearance.cli.zones import zones
from clearance.errors import ClearanceError


class Commands(TyperGroup):
    """The commands, with every way a command can end turned into its exit code.

    An uncaught exception would end Python with 1, which here means a breach: a defect must not read as a verdict.
    """

    def invoke(self, ctx: Any) -> Any:
        """Run the command; raises `typer.Exit` with its code."""
        try:
            found = super().invoke(ctx)
            sys.stdout.flush()
        except ClearanceError as error:
            typer.echo(str(error), err=True)
            raise typer.Exit(2) from None
        except KeyboardInterrupt:
            typer.echo("Interrupted; nothing was decided.", err=True)
            raise typer.Exit(130) from None
        except BrokenPipeError:
            # Whoever read stdout has gone, so the result was not told. Point it elsewhere, or closing it fails again.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise typer.Exit(2) from None
        except (typer.Exit, typer.Abort, typer.TyperException):
            raise
        except Exception:
            traceback.print_exc()
            typer.echo("This is a defect of clearance, not of the scene: no verdict was reached.", err=True)
            raise typer.Exit(2) from None
        return found


app = typer.Typer(
    name="clearance",
    cls=Commands,
    help="Is there enough air, over every position of a live-line bare-hand job from an insulating ladder?",
    epilog="It supports, and does not replace, the employer's rules, local codes and the judgement of the qualified "
    "person in charge.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        typer.echo(f"clearance {version('clearance')}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    """Options before the command."""


for command in (demo, check, brief, whatif, record, page, show, zones, distances, survey, expand, sag, schema, doctor):
    app.command()(command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit code: what the console script `clearance` calls."""
    app(args=None if arguments is None else list(arguments), prog_name="clearance")
