"""``toothcheck card``: print a scale card."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from toothcheck.errors import UsageError


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("card", epilog="Example: toothcheck card pocket -o card.pdf")(card)


def card(
    name: Annotated[str, typer.Argument(help="pocket, mat-a4, mat-letter or mat-a3.", metavar="CARD")],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="PDF or PNG file to write; CARD.pdf when not given.")
    ] = None,
    paper: Annotated[
        str | None, typer.Option(help="a4, letter or a3: paper for the pocket card. A mat is as large as its paper.")
    ] = None,
) -> None:
    """Write a scale card, ready to print at true size, with what to do printed on it."""
    from toothcheck.cards.printing import card_pdf, card_png
    from toothcheck.cli.output import check_ending, check_targets, console, write_whole

    name, paper = name.lower(), None if paper is None else paper.lower()
    makers = {".pdf": card_pdf, ".png": card_png}
    kind = ".pdf" if output is None else output.suffix.lower()
    check_ending("--output", output, makers)
    try:
        data = makers[kind](name, paper)
    except ValueError as error:
        raise UsageError(f"{error}.", hint="See toothcheck card --help.") from error
    target = output or Path(f"{name}.pdf")  # only now is the name known to be a card's
    check_targets(read={}, written={"--output": target})
    write_whole(target, data)
    out = console()
    out.print(f"Wrote {target}", soft_wrap=True, markup=False)
    out.print("Print it at 100 % and check it with a bank card: the sheet says how.")
