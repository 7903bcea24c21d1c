"""Readings, chain lengths, remarks and replaced odometers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from toothcheck.cli.books import (
    Again,
    At,
    MaybeAt,
    On,
    Operator,
    Replaced,
    Text,
    Where,
    kilometres,
    maybe_kilometres,
    named,
    number_of,
    opened,
    say,
    telling,
)
from toothcheck.cli.logbook.fitting import part_of
from toothcheck.cli.logbook.group import group
from toothcheck.cli.logbook.recorded import length_of_part_said, percent_said, record_inspection, told
from toothcheck.cli.reading import json_object_of
from toothcheck.errors import InputError, LogbookError, UsageError

if TYPE_CHECKING:
    from toothcheck.logbook import Entry, History


@group.command(epilog="Example: toothcheck logbook record result.json KC-07 --at 24600km")
def record(
    document: Annotated[Path, typer.Argument(help="What toothcheck inspect wrote with --json.", readable=False)],
    machine: Annotated[str, typer.Argument(callback=named, help="The machine photographed.")],
    at: At,
    part: Annotated[str | None, typer.Option("--part", help="Default: the one fitted at the photo's position.")] = None,
    on: On = None,
    operator: Operator = None,
    text: Text = None,
    reason: Replaced = None,
    again: Again = None,
    where: Where = None,
) -> None:
    """Record an inspection from its JSON file (inspect --log does the same in one go)."""
    from toothcheck.logbook.documents import facts_of

    written = "Write it with: toothcheck inspect … --json FILE"
    paper = json_object_of(document, hint=written)
    try:
        facts_of(paper)
    except ValueError as error:
        raise InputError(f"{document} is not an inspection's JSON: {error}.", hint=written) from None
    done = record_inspection(
        paper,
        None,
        machine=machine,
        at=at,
        logbook=where,
        part=part,
        on=on,
        operator=operator,
        text=text,
        reason=reason,
        again=again,
    )
    e = done.entry
    say(*done.before, f"Entry {e.number}: {e.part}, {percent_said(e)}, {e.grade}{done.at}.", *done.after)


@group.command(epilog="Example: toothcheck logbook chain-length KC-07 320.4 --pitches 20 --at 24600km")
def chain_length(
    machine: Annotated[str, typer.Argument(callback=named, help="The machine whose chain was measured.")],
    length_mm: Annotated[float, typer.Argument(help="Pin to pin, mm.", parser=number_of)],
    pitches: Annotated[int, typer.Option("--pitches", help="Over how many pitches.")],
    at: At,
    std_mm: Annotated[
        float | None, typer.Option("--std", help="Standard uncertainty, mm.", parser=number_of, metavar="MM")
    ] = None,
    on: On = None,
    operator: Operator = None,
    part: Annotated[str | None, typer.Option("--part", help="Default: the chain fitted on that day.")] = None,
    text: Text = None,
    rollers: Annotated[
        int | None,
        typer.Option(
            "--rollers",
            help="Rollers counted from end to end: one more than the pitches; asked for on a long run.",
        ),
    ] = None,
    reason: Replaced = None,
    where: Where = None,
) -> None:
    """Record a measured length of the chain; limits belong to the machine's manual."""
    from toothcheck.drive import length_remark

    km = kilometres(at)
    with opened(where, said=at) as book, telling():

        def make(state: History) -> list[Entry]:
            if part is not None and part_of(state, part).entry.position != "chain":
                raise UsageError(f"{part} is no chain.", hint="See: toothcheck logbook list --parts")
            measured = part or state.fitted_on(machine, "chain", on)
            check_length(state, machine, measured, length_mm, pitches, rollers, std_mm=std_mm)
            return [
                book.new(
                    "chain-length",
                    machine=machine,
                    part=measured,
                    distance_km=km,
                    pitches=pitches,
                    length_mm=length_mm,
                    length_std_mm=std_mm,
                    on_date=on,
                    operator=operator,
                    text=length_remark(rollers, text),
                )
            ]

        made = book.build(make, reason=reason)
        told(book, made, at, length_of_part_said(made[-1]))


def check_length(
    state: History,
    machine: str,
    part: str | None,
    length_mm: float,
    pitches: int,
    rollers: int | None,
    *,
    std_mm: float | None = None,
) -> None:
    """Refuse a length that looks like something else, such as rollers counted as pitches, or is too unsure to count."""
    from toothcheck.drive import chain_size, too_unsure, unlike_a_length
    from toothcheck.stretch import check_rollers

    check_rollers(pitches, rollers)
    size = chain_size(state, machine, part)
    if size is None or not 1 <= pitches < 2**31:  # which is refused by what follows
        return
    unlike = unlike_a_length(length_mm, pitches, size, rollers)
    if unlike is not None:
        raise LogbookError(f"{unlike} Not recorded.")
    nothing = too_unsure(std_mm, pitches, size)
    if nothing is not None:
        raise LogbookError(
            f"--std {std_mm:g} mm cannot be used: over {pitches} pitches {nothing}. Not recorded.",
            hint="Write the standard uncertainty of one reading in mm, such as 0.1 with a calliper, or leave it out.",
        )


@group.command(epilog="Example: toothcheck logbook note KC-07 'chain oiled' --at 24600km")
def note(
    machine: Annotated[str, typer.Argument(callback=named, help="The machine it is about.")],
    text: Annotated[str, typer.Argument(help="The remark.")],
    at: MaybeAt = None,
    part: Annotated[str | None, typer.Option("--part", help="The part it is about.")] = None,
    on: On = None,
    operator: Operator = None,
    reason: Replaced = None,
    where: Where = None,
) -> None:
    """Write a remark down; with --at it also keeps the distance up to date."""
    km = maybe_kilometres(at)
    with opened(where, said=at) as book, telling():
        made = book.add(
            book.new("note", machine=machine, part=part, text=text, distance_km=km, on_date=on, operator=operator),
            reason=reason,
        )
        told(book, made, at, "noted")


@group.command(
    epilog="Example: toothcheck logbook odometer KC-07 --was 24650km --now 0km --reason 'cable broke, new unit'"
)
def odometer(
    machine: Annotated[str, typer.Argument(callback=named, help="The machine.")],
    was: Annotated[str, typer.Option("--was", metavar="DISTANCE", help="The old odometer's last distance.")],
    now: Annotated[str, typer.Option("--now", metavar="DISTANCE", help="What the new one shows.")],
    reason: Annotated[str, typer.Option("--reason", help="Why.")],
    on: On = None,
    operator: Operator = None,
    where: Where = None,
) -> None:
    """Record that the odometer was replaced; distances run on across it."""
    old, new = kilometres(was, "--was"), kilometres(now, "--now")
    with opened(where, said=was) as book, telling(distance_km="--was"):
        e = book.add(
            book.new(
                "odometer",
                machine=machine,
                distance_km=old,
                new_odometer_km=new,
                reason=reason,
                on_date=on,
                operator=operator,
            )
        )[0]
        from toothcheck.logbook import distance_echo, unit_said

        ended, begins = distance_echo(old, unit_said(was)), distance_echo(new, unit_said(now))
        say(f"Entry {e.number}: odometer of {machine} goes on from {ended} as {begins}.")
