"""The ``toothcheck`` command: every group of commands is a module of this package with a ``register(app)``.

Modules are imported here for their signatures only; numpy, OpenCV and the rest are imported inside the commands, so
that ``--help`` stays quick.
"""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from toothcheck import __version__
from toothcheck.cli import (
    advise,
    card,
    compare,
    demo,
    form,
    inspect,
    logbook,
    match,
    report,
    stretch,
    survey,
    synthetic,
    teach,
    trend,
)
from toothcheck.errors import ToothcheckError

app = typer.Typer(
    name="toothcheck",
    help="How worn is this sprocket, how sure is one photo, and what next?",
    no_args_is_help=True,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"toothcheck {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


for group in (
    inspect,
    compare,
    demo,
    logbook,
    trend,
    stretch,
    match,
    advise,
    report,
    teach,
    form,
    card,
    synthetic,
    survey,
):
    group.register(app)


def main() -> None:
    """Run the command; errors of ours become one line on stderr and their own exit status."""
    try:
        app()
    except ToothcheckError as error:
        sys.stderr.write(f"toothcheck: {error}\n")
        sys.exit(error.exit_status)
    except BrokenPipeError:
        # the reader went away (| head): nothing to say, and nothing that Python should say at exit either
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
