"""What was recorded wrongly: corrected or withdrawn by a new entry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.books import (
    MaybeAt,
    Operator,
    RightDay,
    Text,
    Where,
    maybe_kilometres,
    number_of,
    opened,
    say,
    telling,
)
from toothcheck.cli.logbook.entering import check_length
from toothcheck.cli.logbook.fitting import chain_name, check_counted, ridden_of
from toothcheck.cli.logbook.group import ChainSize, Links, Teeth, group
from toothcheck.cli.logbook.recorded import at_said, to_mind
from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.logbook import Entry, Logbook


@group.command(epilog="Example: toothcheck logbook correct 12 --at 24600km --reason 'digits swapped'")
def correct(
    number: Annotated[int, typer.Argument(help="The entry's number.")],
    reason: Annotated[str, typer.Option("--reason", help="Why; it is kept.")],
    at: MaybeAt = None,
    on: RightDay = None,
    text: Text = None,
    operator: Operator = None,
    length_mm: Annotated[
        float | None, typer.Option("--length", help="The right length of a chain, mm.", parser=number_of, metavar="MM")
    ] = None,
    pitches: Annotated[int | None, typer.Option("--pitches", help="Over how many pitches a length was read.")] = None,
    chain: ChainSize = None,
    teeth: Teeth = None,
    links: Links = None,
    ridden: Annotated[
        str | None,
        typer.Option("--ridden", metavar="DISTANCE|unknown", help="How far a part had run when it joined."),
    ] = None,
    now: Annotated[str | None, typer.Option("--now", metavar="DISTANCE", help="What a new odometer showed.")] = None,
    sure: Annotated[
        bool, typer.Option("--sure", help="The distance is right though it is far more than can be ridden.")
    ] = False,
    withdraw: Annotated[bool, typer.Option("--withdraw", help="Declare the entry void.")] = False,
    where: Where = None,
) -> None:
    """Correct or withdraw an entry: by a new entry; the old one stays and can be read."""
    said = {
        "distance_km": maybe_kilometres(at),
        "on_date": on,
        "text": text,
        "operator": operator,
        "length_mm": length_mm,
        "pitches": pitches,
        "chain": chain_name(chain),
        "teeth": teeth,
        "links": links,
        "new_odometer_km": maybe_kilometres(now, "--now"),
    }
    changes: dict[str, Any] = {name: value for name, value in said.items() if value is not None}
    if ridden is not None:
        changes["ridden_km"] = ridden_of(ridden)
    if withdraw == bool(changes):
        raise UsageError("Say either what is right, or --withdraw.", hint="See: toothcheck logbook correct --help")
    with opened(where, said=at) as book, telling():
        old = _standing(book, number)
        if old is not None and old.kind == "part":
            check_counted(old.position, teeth, links)
        if old is not None and (length_mm is not None or pitches is not None):
            _check_corrected_length(book, old, length_mm, pitches)
        e = book.withdraw(number, reason) if withdraw else book.correct(number, reason, sure=sure, **changes)
        replaced = next(o.number for o in book.entries() if o.uid == e.corrects)
        stood = "" if replaced == number else f", which stood for entry {number}"
        deed = "voids" if withdraw else "takes the place of"
        say(f"Entry {e.number} {deed} entry {replaced}{stood}{at_said(book, e, at)}.")
        say(*to_mind(book, e))


def _standing(book: Logbook, number: int) -> Entry | None:
    """What stands for an entry now; None where there is no such entry, which is refused by what follows."""
    from toothcheck.logbook import standing

    entries = book.entries()
    uid = next((e.uid for e in entries if e.number == number), None)
    return None if uid is None else standing(entries)[uid]


def _check_corrected_length(book: Logbook, old: Entry, length_mm: float | None, pitches: int | None) -> None:
    """As `check_length`, of an entry with its length or its pitches told anew."""
    from toothcheck.drive import rollers_of

    if old.kind != "chain-length" or old.machine is None:
        return  # which is refused by what follows
    state = book.history()
    measured = old.part or state.fitted_on(old.machine, "chain", old.on_date)
    length, over = length_mm or old.length_mm, pitches or old.pitches
    if length is not None and over is not None:
        counted = rollers_of(old)
        # a count told with the old pitches says nothing of new ones
        check_length(state, old.machine, measured, length, over, counted if pitches in (None, old.pitches) else None)
