"""Machines and parts: added, fitted, taken off, retired."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.books import (
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
    opened,
    rehearsed,
    say,
    telling,
)
from toothcheck.cli.logbook.group import ChainSize, Links, Teeth, group
from toothcheck.cli.logbook.recorded import OFF, at_said, told
from toothcheck.errors import LogbookError, UsageError

if TYPE_CHECKING:
    from toothcheck.logbook import Entry, History, Logbook


@group.command(epilog="Example: toothcheck logbook add-machine KC-07 --at 1200km")
def add_machine(
    name: Annotated[str, typer.Argument(callback=named, help="A name of your own; no plate or owner is needed.")],
    at: MaybeAt = None,
    on: On = None,
    text: Text = None,
    where: Where = None,
) -> None:
    """Add a machine; the first one starts the logbook."""
    km = maybe_kilometres(at)

    def put(book: Logbook) -> Entry:
        from toothcheck.logbook.checks import check_name

        new = book.new("machine", machine=check_name("name", name), distance_km=km, on_date=on, text=text)
        return book.add(new)[0]

    with telling():
        rehearsed(where, put)
    with opened(where, create=True, said=at) as book, telling():
        e = put(book)
        say(f"Entry {e.number}: machine {e.machine} added to {book.name}{at_said(book, e, at)}.")


@group.command(epilog="Example: toothcheck logbook add-part KC-07 front --chain 520 --teeth 15 --at 1200km")
def add_part(
    machine: Annotated[str, typer.Argument(callback=named, help="The machine it is fitted to.")],
    position: Annotated[str, typer.Argument(metavar="front|rear|chain", help="Where it sits.")],
    at: At,
    name: Annotated[str | None, typer.Option("--name", help="Default: MACHINE POSITION and a running number.")] = None,
    chain: ChainSize = None,
    teeth: Teeth = None,
    links: Links = None,
    ridden: Annotated[
        str, typer.Option("--ridden", metavar="DISTANCE|unknown", help="How far the part has run already.")
    ] = "0km",
    replace: Annotated[bool, typer.Option("--replace", help="Retire the part that sits there now.")] = False,
    on: On = None,
    operator: Operator = None,
    text: Text = None,
    reason: Replaced = None,
    where: Where = None,
) -> None:
    """Add a part and fit it to a machine, in one step."""
    km, position = kilometres(at), position.lower()
    run, size = ridden_of(ridden), chain_name(chain)
    check_counted(position, teeth, links)
    with opened(where, said=at) as book, telling():
        from toothcheck.logbook.checks import check_name

        def make(state: History) -> list[Entry]:
            own = name or _fresh_name(state, machine, position)
            there = state.machines[machine].fitted.get(position) if machine in state.machines else None
            common: dict[str, Any] = {"on_date": on, "machine": machine, "distance_km": km, "operator": operator}
            out = [book.new("retire", part=there, reason="replaced", **common)] if replace and there else []
            out.append(
                book.new(
                    "part",
                    part=check_name("--name", own),
                    position=position,
                    chain=size,
                    teeth=teeth,
                    links=links,
                    ridden_km=run,
                    on_date=on,
                    text=text,
                )
            )
            return [*out, book.new("fit", part=out[-1].part, position=position, **common)]

        made = book.build(make, reason=reason)
        told(book, made, at, f"{made[-1].part} fitted to {machine}")


def check_counted(position: str | None, teeth: int | None, links: int | None) -> None:
    """Refuse a count of what the part does not have."""
    if position == "chain" and teeth is not None:
        raise UsageError("--teeth is for a sprocket; a chain has --links.")
    if position in ("front", "rear") and links is not None:
        raise UsageError("--links is for a chain; a sprocket has --teeth.")


def ridden_of(words: str) -> float | None:
    """How far a part has run, km; None where that is unknown."""
    return None if words.lower() == "unknown" else kilometres(words, "--ridden")


def chain_name(word: str | None) -> str | None:
    """A chain size by its usual name."""
    from toothcheck.chains import chain as chain_size

    with telling():
        return chain_size(word).name if word else None


def _fresh_name(state: History, machine: str, position: str) -> str:
    count = 1
    while (name := f"{machine} {position} {count}") in state.parts:
        count += 1
    return name


@group.command(epilog="Example: toothcheck logbook fit 'KC-07 front 1' KC-08 --at 4100km")
def fit(
    part: Annotated[str, typer.Argument(callback=named, help="A part that lies on the shelf.")],
    machine: Annotated[str, typer.Argument(callback=named, help="The machine it goes on.")],
    at: At,
    on: On = None,
    operator: Operator = None,
    reason: Replaced = None,
    where: Where = None,
) -> None:
    """Fit a part that came off a machine to this or another one; its own distance goes with it."""
    km = kilometres(at)
    with opened(where, said=at) as book, telling():

        def make(state: History) -> list[Entry]:
            position = part_of(state, part).entry.position
            return [
                book.new(
                    "fit", machine=machine, part=part, position=position, distance_km=km, on_date=on, operator=operator
                )
            ]

        told(book, book.build(make, reason=reason), at, f"{part} fitted to {machine}")


@group.command(epilog="Example: toothcheck logbook remove 'KC-07 front 1' --at 9000km")
def remove(
    part: Annotated[str, typer.Argument(callback=named, help="The part that comes off, to be used again.")],
    at: At,
    on: On = None,
    operator: Operator = None,
    reason: Replaced = None,
    where: Where = None,
) -> None:
    """Take a part off its machine and keep it."""
    _off("remove", part, at, on, operator, None, reason, where)


@group.command(epilog="Example: toothcheck logbook retire 'KC-07 front 1' --at 19000km --why 'worn to 11 %'")
def retire(
    what: Annotated[
        str, typer.Argument(callback=named, metavar="PART|MACHINE", help="The part, or the machine, that is done with.")
    ],
    at: MaybeAt = None,
    why: Annotated[str | None, typer.Option("--why", help="Why it was retired.")] = None,
    on: On = None,
    operator: Operator = None,
    reason: Replaced = None,
    where: Where = None,
) -> None:
    """Take a part, or a machine with all that is fitted to it, out of service for good; what was recorded stays."""
    _off("retire", what, at, on, operator, why, reason, where)


def part_of(state: History, name: str) -> Any:  # noqa: ANN401 - a Part, whose class is imported late
    """The part of that name; refused where there is none."""
    from toothcheck.logbook import nearest

    if name not in state.parts:
        names = nearest(name, state.parts)
        raise LogbookError(f"{name} is not in the logbook ({names}).", hint="See: toothcheck logbook list --parts")
    return state.parts[name]


def _off(
    kind: str,
    what: str,
    at: str | None,
    on: str | None,
    operator: str | None,
    why: str | None,
    reason: str | None,
    where: str | None,
) -> None:
    km = maybe_kilometres(at)
    with opened(where, said=at) as book, telling(reason="--why"):

        def make(state: History) -> list[Entry]:
            common: dict[str, Any] = {"on_date": on, "operator": operator, "reason": why}
            if kind == "retire" and what in state.machines and what not in state.parts:
                gone = state.machines[what]
                if gone.retired_on is None and gone.fitted and km is None:
                    raise UsageError(f"Parts are fitted to {what}: say its distance.", hint="Add --at DISTANCE.")
                return [
                    book.new("retire", machine=what, part=part, distance_km=km, **common)
                    for part in (*gone.fitted.values(), None)
                ]
            known = part_of(state, what)
            current = known.current
            if known.retired_on is not None:
                raise UsageError(f"{what} was retired on {known.retired_on} already.")
            if current is None and kind == "remove":
                raise UsageError(f"{what} is fitted to no machine: there is nothing to take it off.")
            if current is not None and km is None:
                raise UsageError(f"{what} is fitted to {current.machine}: say its distance.", hint="Add --at DISTANCE.")
            machine = current.machine if current is not None else None
            return [book.new(kind, machine=machine, part=what, distance_km=km if machine else None, **common)]

        told(book, book.build(make, reason=reason), at, f"{what} {OFF[kind]}")
