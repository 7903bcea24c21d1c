"""What the logbook's commands share: opening it, reading days and distances, columns for people."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import sys
import uuid
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.logbook import Logbook

Where = Annotated[
    str | None,
    typer.Option(
        "--logbook",
        envvar="TOOTHCHECK_LOGBOOK",
        metavar="PATH|URL",
        help="A SQLite file, or postgresql://user@host/database for a fleet that shares one. "
        "Default: a file in your own data folder.",
    ),
]
Unit = Annotated[
    str, typer.Option("--units", envvar="TOOTHCHECK_UNITS", metavar="km|miles", help="Unit of the distances shown.")
]
At = Annotated[str, typer.Option("--at", metavar="DISTANCE", help="What the odometer shows: 24600km or 15300mi.")]
MaybeAt = Annotated[
    str | None, typer.Option("--at", metavar="DISTANCE", help="What the odometer shows: 24600km or 15300mi.")
]
On = Annotated[
    str | None, typer.Option("--on", metavar="DATE", help="The day it is about: 2026-03-01. Default: today.")
]
Operator = Annotated[str | None, typer.Option("--operator", help="Who looked or worked, if that is to be kept.")]
Text = Annotated[str | None, typer.Option("--text", help="A remark.")]
Replaced = Annotated[
    str | None,
    typer.Option("--reason", help="Why the odometer shows less than before, such as: odometer replaced."),
]


_NUMBER = re.compile(r"[0-9][0-9 .]*( km| miles| %)?")


@contextlib.contextmanager
def telling() -> Iterator[None]:
    """Turn a caller's mistake in a room into a command's wrong words."""
    try:
        yield
    except ValueError as error:
        raise UsageError(f"{error}.".replace("..", ".")) from error


def place(where: str | None) -> str:
    """Where the logbook is: what was said, or the user's data folder."""
    if where:
        return where
    from platformdirs import user_data_path

    return str(user_data_path("toothcheck", appauthor=False) / "logbook.sqlite")


def file_of(where: str | None) -> Path | None:
    """The logbook's file; None for a database on a server."""
    name = place(where)
    return None if "://" in name else Path(name)


def opened(where: str | None, *, create: bool = False) -> Logbook:
    """The logbook, open; the clock and the dice of its entries come from here."""
    from toothcheck.logbook import Logbook

    if not where and create:
        Path(place(None)).parent.mkdir(parents=True, exist_ok=True)
    return Logbook(
        place(where), now=lambda: dt.datetime.now().astimezone(), new_uid=lambda: uuid.uuid4().hex, create=create
    )


def kilometres(words: str) -> float:
    """A distance said on the command line."""
    from toothcheck.logbook import distance_km

    with telling():
        return distance_km(words)


def unit_of(unit: str) -> str:
    """The unit asked for.

    Raises
    ------
    UsageError
        When it is neither km nor miles.
    """
    from toothcheck.logbook import in_unit

    with telling():
        in_unit(0.0, unit)
    return unit


def say(*lines: str) -> None:
    """Lines for people on stdout."""
    for line in lines:
        typer.echo(line)


def columns(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A plain table whose cells are never cut off; bare numbers, with or without a unit, stand to the right."""
    if not rows:
        return
    width = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    for row in [head, *rows]:
        cells = [c.rjust(w) if _NUMBER.fullmatch(c) else c.ljust(w) for c, w in zip(row, width, strict=True)]
        sys.stdout.write("  ".join(cells).rstrip() + "\n")
