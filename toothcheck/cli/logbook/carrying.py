"""Out of the logbook and into it: files, and a fleet to try it on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from toothcheck.cli.books import ODOMETER_COLUMNS, Until, Where, file_of, opened, rehearsed, say, telling
from toothcheck.cli.logbook.group import group
from toothcheck.cli.output import check_ending, check_targets, counted, write_whole
from toothcheck.cli.reading import text_of
from toothcheck.errors import LogbookError, OutputError, ToothcheckError


def _form(file: Path) -> str:
    check_ending("FILE", file, (".csv", ".json"))
    return file.suffix.lower().lstrip(".")


_MADE = "Save the table as CSV, or take what toothcheck logbook export wrote."
"""What to do about a file that holds no entries."""


@group.command(epilog="Example: toothcheck logbook export fleet.csv")
def export(
    file: Annotated[Path, typer.Argument(help="To be written; ends in .csv or .json.")],
    where: Where = None,
) -> None:
    """Write every entry to a CSV or JSON file that imports back exactly."""
    from toothcheck.logbook.exchange import csv_text, json_text

    form = _form(file)
    check_targets(read={"the logbook": file_of(where)}, written={"FILE": file}, json_kind="logbook")
    with opened(where) as book:
        entries = book.entries(documents=True)
    _check_loses_nothing(file, form, {e.uid for e in entries})
    write_whole(file, (csv_text(entries) if form == "csv" else json_text(entries)).encode())
    say(f"{counted(len(entries), 'entry', 'entries')} written to {file}.")


def _check_loses_nothing(file: Path, form: str, uids: set[str]) -> None:
    """Refuse to replace an export of another logbook: it may be all that is left of that one."""
    from toothcheck.logbook.exchange import uids_in

    if not file.is_file() or file.stat().st_size == 0:
        return
    try:
        lost = len(uids_in(text_of(file, hint=_MADE), form) - uids)
    except LogbookError:
        held = "cannot be read whole"
    else:
        if not lost:
            return
        held = f"holds {counted(lost, 'entry', 'entries')} that this logbook does not have"
    raise OutputError(f"FILE {file} is there already, and {held}.", hint="Give another name, or remove it first.")


@group.command("import", epilog="Example: toothcheck logbook import fleet.csv")
def import_(
    file: Annotated[
        Path,
        typer.Argument(
            help="A CSV or JSON file; its columns are those of an export, or some of them, as of odometers "
            f"{ODOMETER_COLUMNS}.",
            readable=False,
        ),
    ],
    where: Where = None,
) -> None:
    """Add the entries of a file, all of them or none; those already here are passed over."""
    from toothcheck.drive import length_slip
    from toothcheck.logbook.exchange import bring_in

    form = _form(file)
    text = text_of(file, hint=_MADE)

    slips: list[str] = []
    rehearsed(where, lambda book: bring_in(book, text, form))
    with opened(where, create=True) as book:
        added, known = bring_in(book, text, form, on_slip=slips.append, slip_of=length_slip)
        say(*(f"Mind: {slip}" for slip in slips))
        there = f"{known} {'was' if known == 1 else 'were'} there already"
        say(f"{counted(added, 'entry', 'entries')} added to {book.name}, {there}.")


@group.command(epilog="Example: toothcheck logbook demo --out kestrel.sqlite --machines 5")
def demo(
    out: Annotated[Path, typer.Option("--out", help="The logbook to make; must not exist yet.")],
    machines: Annotated[int, typer.Option("--machines", min=1, max=500, help="How many machines.")] = 50,
    years: Annotated[float, typer.Option("--years", min=0.3, max=20, help="How many years.")] = 3.0,
    until: Until = "2026-02-27",
    draw: Annotated[int, typer.Option("--draw", help="Another number, another fleet.")] = 1,
) -> None:
    """Make the logbook of a fleet that does not exist (Kestrel Couriers), to try the other commands on."""
    import datetime as dt

    import numpy as np

    from toothcheck.logbook.demo import made_fleet

    file = file_of(str(out))
    if file is not None and file.exists():
        raise OutputError(f"{out} is there already.", hint="Name another file, or remove it yourself.")
    with telling():
        entries = made_fleet(
            np.random.default_rng(draw), machines=machines, years=years, last_day=dt.date.fromisoformat(until)
        )
    try:
        with opened(str(out), create=True) as book, telling():
            book.bring_in(entries)
    except ToothcheckError:
        out.unlink(missing_ok=True)  # what could not be filled shall not be in the way of a second try
        raise
    say(f"{len(entries)} made-up entries about {counted(machines, 'machine')} in {out}.")
