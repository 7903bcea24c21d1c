"""``lesson`` and ``exercise``: pages for a class."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from toothcheck.cli.output import write_whole
from toothcheck.errors import UsageError


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(
        epilog="Example: toothcheck lesson --chain 520 --front 15 --rear 45 -o lesson.html",
    )(lesson)


def lesson(
    output: Annotated[Path, typer.Option("--output", "-o", help="Where to write the page (HTML).")],
    chain: Annotated[str, typer.Option(help="Chain size whose teeth are drawn.")] = "520",
    front: Annotated[int, typer.Option(help="Teeth of the front sprocket.")] = 15,
    rear: Annotated[int, typer.Option(help="Teeth of the rear sprocket.")] = 45,
) -> None:
    """Make the lesson: an interactive tooth, why hooks lean where they lean, and cases that fool the eye.

    One HTML file for apprentices; it needs no network and works on a phone.
    """
    from toothcheck.chains import chain as chain_named
    from toothcheck.lessons import lesson_page

    try:
        page = lesson_page(chain_named(chain), front_teeth=front, rear_teeth=rear)
    except ValueError as error:
        raise UsageError(str(error)) from error
    write_whole(output, page.encode())
    sys.stdout.write(f"{output}: lesson for chain {chain}, {front} and {rear} teeth\n")
