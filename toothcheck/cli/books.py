"""What the logbook's commands share: opening it, reading days and distances, columns for people."""

from __future__ import annotations

import contextlib
import datetime as dt
import math
import re
import shutil
import sys
import tempfile
import unicodedata
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from toothcheck.cli.output import check_targets, made_folder, torn_nowhere
from toothcheck.errors import LogbookError, OutputError, UsageError

if TYPE_CHECKING:
    from toothcheck.logbook import Logbook


def named(name: str | None) -> str | None:
    """A name of the command line, its letters as the logbook has them."""
    from toothcheck.logbook.entries import same_letters

    return None if name is None else same_letters(name)


def _day(param: typer.CallbackParam, word: str | None) -> str | None:
    """A day of the calendar, refused by its option's name."""
    if word is None:
        return None
    try:
        if dt.date.fromisoformat(word).isoformat() == word:
            return word
    except ValueError:
        pass
    if re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", word):
        raise UsageError(f"{param.opts[0]} {word} is no day of the calendar.")
    raise UsageError(f"{param.opts[0]} must be a day such as 2026-03-01, not {word!r}.")


def number_of(word: str) -> float:
    """A number of the command line.

    Raises
    ------
    UsageError
        When it is none, not finite, has a decimal comma, or a unit.
    """
    try:
        # Python takes other scripts' digits and 1_000; what reads options does not
        if not word.isascii() or "_" in word:
            raise ValueError
        number = float(word)
    except ValueError:
        found = re.fullmatch(r"\s*(-?[0-9]+)(?:[.,]([0-9]+))?\s*(mm|%)?\s*", word)
        whole = "" if found is None else found[1] if found[2] is None else f"{found[1]}.{found[2]}"
        how = "the number alone" if found is not None and found[3] else "it with a point"
        hint = f"Write {how}: {whole}." if whole else ""
        raise UsageError(f"{word!r} is no number.", hint=hint) from None
    if not math.isfinite(number):
        raise UsageError(f"{word[:12]!r} is no number that anything measures.")
    return number


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
    str | None,
    typer.Option("--on", metavar="DATE", help="The day it is about: 2026-03-01. Default: today.", callback=_day),
]
Until = Annotated[str, typer.Option("--until", metavar="DATE", help="The last day.", callback=_day)]
RightDay = Annotated[str | None, typer.Option("--on", metavar="DATE", help="The right day.", callback=_day)]
Operator = Annotated[str | None, typer.Option("--operator", help="Who looked or worked, if that is to be kept.")]
Text = Annotated[str | None, typer.Option("--text", help="A remark.")]
Replaced = Annotated[
    str | None,
    typer.Option(
        "--reason",
        help="Why the odometer shows less than before (odometer replaced), or far more than can be ridden.",
    ),
]
Again = Annotated[
    str | None,
    typer.Option(
        "--again",
        metavar="REASON",
        help="Why a photo that is recorded for this part already is recorded anew; its newest entry counts.",
    ),
]


ODOMETER_COLUMNS = "kind (distance), on_date, machine and distance_km"
"""What a table of odometers holds that is to be imported."""
_NUMBER = re.compile(r"[0-9][0-9 .]*( km| miles| %)?")
_LEAD = re.compile(r" *(?:- |\S+(?: \S+)? {2,})?")
"""What stands in front of a line's words: blanks and a dash, or a name with the words in a column behind it."""
_FEWEST_COLUMNS = 40
_GAP = "  "
_UNDER = "    "
_LEAST_RUN_ON = 20
"""A last column narrower than this is no column to read words in."""


_OPTIONS = {
    "distance_km": "--at",
    "on_date": "--on",
    "ridden_km": "--ridden",
    "new_odometer_km": "--now",
    "length_mm": "the length in mm",
    "length_std_mm": "--std",
    "adjuster_left_percent": "--adjuster-left",
    "age_years": "--age-years",
    "last_day": "--until",
    "half_width_mm": "--read-to",
    "card_height_mm": "--card-height",
    "card_measured_mm": "--card-measured",
    "span_mm": "a reading",
}
"""What the rooms' fields are called in the commands; an import names columns and keeps their names."""


@contextlib.contextmanager
def telling(**options: str) -> Iterator[None]:
    """Turn a caller's mistake in a room into a command's wrong words, fields into options.

    ``options`` are those of fields that go by another name in one command; see `beginning_with`.
    """
    try:
        yield
    except LogbookError as error:
        raise LogbookError(_in_options(beginning_with(options, str(error)))) from error
    except ValueError as error:
        raise wrong_words(ValueError(beginning_with(options, str(error)))) from error


def wrong_words(error: ValueError) -> UsageError:
    """A caller's mistake in a room as a command's wrong words, fields as options."""
    said = _in_options(str(error))
    return UsageError(said if said.endswith((".", "?")) else f"{said}.")


def beginning_with(options: Mapping[str, str], refusal: str) -> str:
    """A refusal in a room's words that begins with a field's name, beginning with the option's instead.

    Elsewhere in a sentence "limit" or "chain" are plain words.
    """

    def option(found: re.Match[str]) -> str:
        return found[1] + options.get(found[2], found[2])

    return re.sub(r"^(Not recorded: |)(\w+)(?=( in mm)? must\b)", option, refusal)


def _in_options(words: str) -> str:
    words = words.replace("has no length_mm", "has no length")
    words = re.sub(rf"\b({'|'.join(_OPTIONS)})\b", lambda found: _OPTIONS[found[1]], words)
    # where a sentence begins, not a field's name
    return re.sub(r"^(a|the|no|machine|part) (?!must\b)", lambda found: found[0].capitalize(), words)


def place(where: str | None) -> str:
    """Where the logbook is: what was said, or the user's data folder."""
    if where:
        return where
    from platformdirs import user_data_path

    return str(user_data_path("toothcheck", appauthor=False) / "logbook.sqlite")


def file_of(where: str | None) -> Path | None:
    """The logbook's file; None for a database on a server.

    Raises
    ------
    LogbookError
        When no file can have that name.
    """
    name = place(where)
    if "://" in name:
        return None
    try:
        path = Path(name).expanduser()
        path.exists()
    except (OSError, RuntimeError) as error:  # too long, a folder that may not be looked into, no such home
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise LogbookError(f"The logbook cannot be at {name}: {reason}.", hint="See --logbook.") from None
    return path


def opened(where: str | None, *, create: bool = False, said: str | None = None) -> Logbook:
    """The logbook, open; the clock and the dice of its entries come from here.

    ``said`` is a distance of the command line: refusals answer in its unit.
    """
    from toothcheck.logbook import Logbook, unit_said

    file = file_of(where)
    if file is not None and not where and create:
        try:
            made_folder(file.parent)
        except OutputError as error:
            raise LogbookError(error.args[0], hint="Name a file elsewhere with --logbook.") from None
    return Logbook(
        file or place(where),
        now=lambda: dt.datetime.now().astimezone(),
        new_uid=lambda: uuid.uuid4().hex,
        create=create,
        unit="km" if said is None else unit_said(said),
    )


@contextlib.contextmanager
def looked_into(where: str | None, *, json_: str | None, json_kind: str) -> Iterator[Logbook]:
    """A logbook to be read, once it is clear that what ``--json`` writes does not take its place."""
    check_targets(read={"the logbook": file_of(where)}, written={"--json": json_}, json_kind=json_kind)
    with opened(where) as book:
        yield book


def rehearsed(where: str | None, do: Callable[[Logbook], object]) -> None:
    """Where there is no logbook file yet, do something in one that is thrown away: what is refused starts none."""
    file = file_of(where)
    if file is None or file.exists():
        return
    with tempfile.TemporaryDirectory() as folder, opened(str(Path(folder) / "logbook.sqlite"), create=True) as book:
        do(book)


def kilometres(words: str, option: str = "--at") -> float:
    """A distance said on the command line, with that option."""
    from toothcheck.logbook import distance_km

    with telling(distance=option):
        return distance_km(words)


def maybe_kilometres(words: str | None, option: str = "--at") -> float | None:
    """The same where it may be left out; empty words are no distance."""
    return None if words is None else kilometres(words, option)


def distance_said(at: str | None) -> str:
    """The words of ``--at`` beside ``--log``, where they are needed.

    Raises
    ------
    UsageError
        When they are missing or cannot be read.
    """
    if at is None:
        raise UsageError("--log needs --at DISTANCE: what the odometer shows.", hint="For example --at 24600km.")
    kilometres(at)
    return at


def unit_of(unit: str) -> str:
    """The unit asked for, as the logbook calls it: ``mi`` and capital letters are taken too.

    Raises
    ------
    UsageError
        When it is neither km nor miles.
    """
    from toothcheck.logbook import in_unit

    meant = unit.lower()
    meant = "miles" if meant in ("mi", "mile") else meant
    with telling(unit="--units"):
        in_unit(0.0, meant)
    return meant


def say(*lines: str) -> None:
    """Lines for people on stdout, as wide as the terminal; what does not fit goes on set in under its words."""
    for line in lines:
        lead = _LEAD.match(line)
        under = " " * (lead.end() if lead is not None else 0)
        sys.stdout.write("".join(f"{part}\n" for part in torn_nowhere(line, _columns_there(), later=under) or [""]))


def note(*lines: str) -> None:
    """Lines for people on stderr, where a JSON stands alone on stdout."""
    for line in lines:
        sys.stderr.write(f"{line}\n")


def _columns_there() -> int:
    """How wide a line may be: 80 columns where nothing tells."""
    return max(shutil.get_terminal_size().columns, _FEWEST_COLUMNS)


def _wide(text: str) -> int:
    """Columns of a terminal that a text takes: two for a wide letter, none for one that is put on another."""
    return sum(0 if unicodedata.combining(c) else 1 + (unicodedata.east_asian_width(c) in "WF") for c in text)


def columns(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A plain table whose cells are never cut off; bare numbers, with or without a unit, stand to the right.

    Where the terminal is too narrow for it, the last cells of a row stand under it, each behind its column's name, and
    where only the last column is too wide its words run on over several lines: read aloud, too, a cell stays in one
    piece.
    """
    if not rows:
        return
    rows = [[" ".join(cell.split()) if "\n" in cell or "\t" in cell else cell for cell in row] for row in rows]
    there = _columns_there()
    width = [max(_wide(row[i]) for row in [head, *rows]) for i in range(len(head))]
    starts = [sum(width[:i]) + len(_GAP) * i for i in range(len(head))]
    last = len(head) - 1
    beside = max([1, *(i + 1 for i in range(len(head)) if starts[i] + width[i] <= there)])
    if beside == last and there - starts[last] >= _LEAST_RUN_ON:
        beside = len(head)
    for row in [head, *rows]:
        cells = []
        for cell, most in zip(row[:beside], width, strict=False):
            blanks = " " * (most - _wide(cell))
            cells.append(blanks + cell if _NUMBER.fullmatch(cell) else cell + blanks)
        line = _GAP.join(cells).rstrip()
        if beside == len(head) and _wide(line) > there:
            before = _GAP.join(cells[:-1]) + _GAP
            lines = torn_nowhere(row[-1], there, first=before, later=" " * starts[last])
        else:
            lines = [line]
        if row is not head:
            named = zip(head[beside:], row[beside:], strict=True)
            under = [f"{name}: {cell}" if name else cell for name, cell in named if cell]
            lines += torn_nowhere("; ".join(under), there, first=_UNDER, later=_UNDER)
        sys.stdout.write("".join(f"{part}\n" for part in lines))
