"""The commands ``toothcheck logbook …``, and what ``inspect --log`` calls to record."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.books import (
    Again,
    At,
    MaybeAt,
    On,
    Operator,
    Replaced,
    RightDay,
    Text,
    Unit,
    Until,
    Where,
    columns,
    file_of,
    kilometres,
    named,
    number_of,
    opened,
    place,
    rehearsed,
    say,
    telling,
    unit_of,
)
from toothcheck.cli.output import check_ending, check_targets
from toothcheck.cli.reading import json_object_of, text_of
from toothcheck.cli.words import JsonWord
from toothcheck.errors import InputError, LogbookError, OutputError, ToothcheckError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from toothcheck.logbook import Entry, History, Logbook, Part, Reading

group = typer.Typer(
    name="logbook",
    help="Keep what was fitted to which machine when, and every reading. Nothing is ever overwritten.",
    no_args_is_help=True,
)


ChainSize = Annotated[str | None, typer.Option("--chain", help="Chain size, such as 520.")]
Teeth = Annotated[int | None, typer.Option("--teeth", help="Tooth count of a sprocket.")]
Links = Annotated[int | None, typer.Option("--links", help="Number of links of a chain.")]


def register(app: typer.Typer) -> None:
    """Add the group to the command."""
    app.add_typer(group, name="logbook")


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What was recorded."""

    entry: Entry
    at: str
    """At which distances, for people: to be put behind what is said of the entry."""
    before: tuple[str, ...]
    """What was recorded with it, such as that the odometer was replaced, a line each."""
    after: tuple[str, ...]
    """What to mind with it, a line each: that it contradicts what stands already."""


def record_inspection(
    document: dict[str, Any],
    photo_path: Path | None,
    *,
    machine: str,
    at: str,
    logbook: str | None = None,
    part: str | None = None,
    on: str | None = None,
    operator: str | None = None,
    text: str | None = None,
    keep_photo: bool = False,
    reason: str | None = None,
    again: str | None = None,
) -> Recorded:
    """Record what ``inspect`` found: the one call behind ``inspect PHOTO --log MACHINE --at DISTANCE``.

    Parameters
    ----------
    document
        The inspection's JSON document.
    photo_path
        The photo, needed only with ``keep_photo``.
    machine, at
        The words of ``--log`` and ``--at``.
    logbook, part, on, operator, text
        The words of the options of these names.
    keep_photo
        Store a copy of the photo without place, owner, camera and time.
    reason, again
        As in `toothcheck.logbook.Logbook.add`.

    Returns
    -------
    Recorded
        The entry as stored, with its number, the distances for people, and what else was recorded.

    Raises
    ------
    UsageError, LogbookError, PhotoError, OutputError
        When the words are wrong, the logbook refuses, or the copy cannot be made; nothing is recorded then.
    """
    from toothcheck.logbook.photos import keep
    from toothcheck.photo import load

    km = kilometres(at)
    with opened(logbook, said=at) as book, telling():
        kept, fresh, folder = None, False, book.photo_folder or Path(place(None)).parent / "photos"
        if keep_photo:
            if photo_path is None:
                raise UsageError("There is no photo to keep.", hint="Leave --keep-photo out.")
            kept, fresh = keep(load(photo_path).colour(), folder)
        try:
            made = book.record(
                document,
                machine,
                km,
                on_date=on,
                part=part,
                operator=operator,
                text=text,
                kept_photo=kept,
                reason=reason,
                again=again,
            )
            return Recorded(
                entry=made[-1],
                at=_at(book, made[-1], at),
                before=in_words(made[:-1], at),
                after=to_mind(book, made[-1]),
            )
        except (ToothcheckError, ValueError):
            if kept is not None and fresh:  # what was not recorded leaves no photo behind
                (folder / kept).unlink(missing_ok=True)
            raise


def _at(book: Logbook, e: Entry, words: str | None) -> str:
    """At which distance an entry was recorded, read back in the unit that it was said in, so that a slip shows."""
    if words is None or e.distance_km is None:
        return ""
    from toothcheck.logbook import distance_echo, unit_said

    unit = unit_said(words)
    own = book.history().own_km.get(e.uid)
    ran = "" if own is None else f", the part's own distance {distance_echo(own, unit)}"
    return f", at {distance_echo(e.distance_km, unit)}{ran}"


def in_words(entries: Sequence[Entry], said: str | None = None) -> tuple[str, ...]:
    """What was recorded, a line for each entry; ``said`` is a distance of the command line, whose unit is taken."""
    from toothcheck.logbook import distance_echo, unit_said

    unit = "km" if said is None else unit_said(said)

    def deed(e: Entry) -> str:
        if e.kind == "odometer":
            was, now = (distance_echo(km or 0.0, unit) for km in (e.distance_km, e.new_odometer_km))
            return f"odometer of {e.machine} replaced at {was}, shows {now}"
        if e.kind == "chain-length":
            return _length(e)
        if e.kind == "part":
            return f"part {e.part}: {_size(e, unit)}"
        return f"noted: {e.text}" if e.kind == "note" else f"{e.part} {_OFF[e.kind]}"

    return tuple(f"Entry {e.number}: {deed(e)}." for e in entries)


def _length(e: Entry) -> str:
    return f"{e.length_mm:g} mm over {e.pitches} pitches{f' of {e.part}' if e.part else ''}"


def _size(e: Entry, unit: str) -> str:
    """What a part is, and how far it had run when it joined."""
    from toothcheck.logbook import distance_echo

    ran = "unknown distance" if e.ridden_km is None else distance_echo(e.ridden_km, unit)
    sizes = (
        e.position,
        e.chain,
        e.teeth and f"{e.teeth} teeth",
        e.links and f"{e.links} links",
        f"ridden {ran}" if e.ridden_km != 0 else "new",
    )
    return ", ".join(size for size in sizes if size)


def _told(book: Logbook, made: Sequence[Entry], said: str | None, last: str) -> None:
    """Say what was recorded, a line for each entry, so that none is made unseen; ``last`` is the last one's."""
    say(*in_words(made[:-1], said), f"Entry {made[-1].number}: {last}{_at(book, made[-1], said)}.")
    say(*to_mind(book, made[-1]))


def to_mind(book: Logbook, e: Entry) -> tuple[str, ...]:
    """What an entry brought about that does not go together: other sizes, or a part that would have healed."""
    import datetime as dt

    from toothcheck.drive import length_dispute, situation_of
    from toothcheck.grade import halt_until
    from toothcheck.logbook import judged

    history = book.history()
    lines: list[str] = []
    if e.kind in ("part", "fit", "reading"):
        on = {e.machine} if e.machine is not None else {p.current.machine for p in _parts_of(history, e) if p.current}
        clashes = [situation_of(history, name, today=dt.date.today()).clash for name in sorted(on)]
        lines += [f"Mind: {clash}" for clash in clashes if clash is not None]
    # of the part itself, which may have come off since
    found = judged(history.readings.get(e.part or "", [])) if e.kind == "reading" else None
    if found is not None and found.halt is not None:
        lines.append(f"Mind: {halt_until(found.halt.which)}{found.halt.photo}; {found.halt.remedy}.")
    if found is not None and found.dispute is not None:
        lines.append(f"Mind: {found.dispute} {found.remedy}")
    dispute = length_dispute(history, e.part, e.machine) if e.kind == "chain-length" and e.machine is not None else None
    if dispute is not None:
        lines.append(f"Mind: {dispute.sentence} {dispute.remedy}")
    return tuple(lines)


def _parts_of(history: History, e: Entry) -> list[Part]:
    return [history.parts[e.part]] if e.part in history.parts else []


# --- adding ----------------------------------------------------------------------------------------------------------
@group.command(epilog="Example: toothcheck logbook add-machine KC-07 --at 1200km")
def add_machine(
    name: Annotated[str, typer.Argument(callback=named, help="A name of your own; no plate or owner is needed.")],
    at: MaybeAt = None,
    on: On = None,
    text: Text = None,
    where: Where = None,
) -> None:
    """Add a machine; the first one starts the logbook."""
    km = kilometres(at) if at is not None else None

    def put(book: Logbook) -> Entry:
        from toothcheck.logbook.entries import check_name

        new = book.new("machine", machine=check_name("name", name), distance_km=km, on_date=on, text=text)
        return book.add(new)[0]

    with telling():
        rehearsed(where, put)
    with opened(where, create=True, said=at) as book, telling():
        e = put(book)
        say(f"Entry {e.number}: machine {e.machine} added to {book.name}{_at(book, e, at)}.")


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
    run, size = _ridden(ridden), _chain_name(chain)
    with opened(where, said=at) as book, telling():
        from toothcheck.logbook.entries import check_name

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
        _told(book, made, at, f"{made[-1].part} fitted to {machine}")


def _ridden(words: str) -> float | None:
    return None if words.lower() == "unknown" else kilometres(words)


def _chain_name(word: str | None) -> str | None:
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
            position = _part(state, part).entry.position
            return [
                book.new(
                    "fit", machine=machine, part=part, position=position, distance_km=km, on_date=on, operator=operator
                )
            ]

        _told(book, book.build(make, reason=reason), at, f"{part} fitted to {machine}")


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


def _part(state: History, name: str) -> Any:  # noqa: ANN401 - a Part, whose class is imported late
    if name not in state.parts:
        raise LogbookError(f"{name} is not in the logbook.", hint="See: toothcheck logbook list --parts")
    return state.parts[name]


_OFF = {"remove": "removed", "retire": "retired"}


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
    km = kilometres(at) if at is not None else None
    with opened(where, said=at) as book, telling():

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
            known = _part(state, what)
            current = known.current
            if known.retired_on is not None:
                raise UsageError(f"{what} was retired on {known.retired_on} already.")
            if current is None and kind == "remove":
                raise UsageError(f"{what} is fitted to no machine: there is nothing to take it off.")
            if current is not None and km is None:
                raise UsageError(f"{what} is fitted to {current.machine}: say its distance.", hint="Add --at DISTANCE.")
            machine = current.machine if current is not None else None
            return [book.new(kind, machine=machine, part=what, distance_km=km if machine else None, **common)]

        _told(book, book.build(make, reason=reason), at, f"{what} {_OFF[kind]}")


@group.command(epilog="Example: toothcheck logbook record result.json KC-07 --at 24600km")
def record(
    document: Annotated[Path, typer.Argument(help="What toothcheck inspect wrote with --json.")],
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
    from toothcheck.logbook.entries import facts_of

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
    say(*done.before, f"Entry {e.number}: {e.part}, {_percent(e)}, {e.grade}{done.at}.", *done.after)


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
            if part is not None and _part(state, part).entry.position != "chain":
                raise UsageError(f"{part} is no chain.", hint="See: toothcheck logbook list --parts")
            measured = part or state.fitted_on(machine, "chain", on)
            _check_length(state, machine, measured, length_mm, pitches, rollers)
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
        _told(book, made, at, _length(made[-1]))


def _check_length(
    state: History, machine: str, part: str | None, length_mm: float, pitches: int, rollers: int | None
) -> None:
    """Refuse a length that looks like something else, such as rollers counted as pitches."""
    from toothcheck.drive import chain_size
    from toothcheck.stretch import check_rollers, count_trap, if_one_fewer

    check_rollers(pitches, rollers)
    size = chain_size(state, machine, part)
    if size is None or not 1 <= pitches < 2**31:  # which is refused by what follows
        return
    trap = count_trap(length_mm, pitches, size, sure=rollers is not None)
    hides_wear = if_one_fewer(length_mm, 0.0, pitches, size) is not None
    if trap is not None and (trap.spoils or hides_wear):
        raise LogbookError(f"{trap.sentence} Not recorded.")


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
    km = kilometres(at) if at is not None else None
    with opened(where, said=at) as book, telling():
        made = book.add(
            book.new("note", machine=machine, part=part, text=text, distance_km=km, on_date=on, operator=operator),
            reason=reason,
        )
        _told(book, made, at, "noted")


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
    old, new = kilometres(was), kilometres(now)
    with opened(where, said=was) as book, telling():
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
        "distance_km": kilometres(at) if at is not None else None,
        "on_date": on,
        "text": text,
        "operator": operator,
        "length_mm": length_mm,
        "pitches": pitches,
        "chain": _chain_name(chain),
        "teeth": teeth,
        "links": links,
        "new_odometer_km": kilometres(now) if now is not None else None,
    }
    changes: dict[str, Any] = {name: value for name, value in said.items() if value is not None}
    if ridden is not None:
        changes["ridden_km"] = _ridden(ridden)
    if withdraw == bool(changes):
        raise UsageError("Say either what is right, or --withdraw.", hint="See: toothcheck logbook correct --help")
    with opened(where, said=at) as book, telling():
        if length_mm is not None or pitches is not None:
            _check_corrected_length(book, number, length_mm, pitches)
        e = book.withdraw(number, reason) if withdraw else book.correct(number, reason, sure=sure, **changes)
        at_ = _at(book, e, at)
        old = next(o.number for o in book.entries() if o.uid == e.corrects)
        stood = "" if old == number else f", which stood for entry {number}"
        say(f"Entry {e.number} {'voids' if withdraw else 'takes the place of'} entry {old}{stood}{at_}.")
        say(*to_mind(book, e))


def _check_corrected_length(book: Logbook, number: int, length_mm: float | None, pitches: int | None) -> None:
    """As `_check_length`, of what stands for an entry now with its length or its pitches told anew."""
    from toothcheck.drive import rollers_of
    from toothcheck.logbook import standing

    entries = book.entries()
    uid = next((e.uid for e in entries if e.number == number), None)
    old = None if uid is None else standing(entries)[uid]
    if old is None or old.kind != "chain-length" or old.machine is None:
        return  # which is refused by what follows
    state = book.history()
    measured = old.part or state.fitted_on(old.machine, "chain", old.on_date)
    length, over = length_mm or old.length_mm, pitches or old.pitches
    if length is not None and over is not None:
        counted = rollers_of(old)
        # a count told with the old pitches says nothing of new ones
        _check_length(state, old.machine, measured, length, over, counted if pitches in (None, old.pitches) else None)


# --- looking ---------------------------------------------------------------------------------------------------------
@group.command("list", epilog="Example: toothcheck logbook list --parts")
def list_(
    parts: Annotated[bool, typer.Option("--parts", help="List parts instead of machines.")] = False,
    units: Unit = "km",
    json_: JsonWord = None,
    where: Where = None,
) -> None:
    """List machines with what is fitted and how it was seen last, or parts with their distance."""
    unit = unit_of(units)
    check_targets(read={"the logbook": file_of(where)}, written={"--json": json_})
    with opened(where) as book:
        history = book.history()
    rows = _parts_listed(history) if parts else _machines_listed(history)
    if json_ is not None:
        from toothcheck.cli.output import write_json

        kind = "parts" if parts else "machines"
        write_json({"schema": f"toothcheck/{kind}/1", kind: rows}, json_)
    if json_ == "-":
        return
    if parts:
        head = ["part", "chain", "size", "own distance", "where", "last reading"]
        columns(head, [_part_row(row, unit) for row in rows])
    else:
        columns(["machine", "odometer", "front", "rear", "chain"], [_machine_row(row, unit) for row in rows])


def _parts_listed(history: History) -> list[dict[str, Any]]:
    return [
        {
            "part": name,
            "position": part.entry.position,
            "chain": part.entry.chain,
            "teeth": part.entry.teeth,
            "links": part.entry.links,
            "own_km": history.part_km(part),
            "since_it_joined": not part.start_known,
            "machine": None if part.current is None else part.current.machine,
            "retired_on": part.retired_on,
            "reading": _last(history, name),
        }
        for name, part in sorted(history.parts.items())
    ]


def _part_row(row: dict[str, Any], unit: str) -> list[str]:
    from toothcheck.logbook import distance_text

    where = row["machine"] or (f"retired {row['retired_on']}" if row["retired_on"] else "on the shelf")
    km = distance_text(row["own_km"], unit) + (" since it joined" if row["since_it_joined"] else "")
    what = "links" if row["position"] == "chain" else "teeth"
    return [row["part"], row["chain"] or "?", f"{row[what] or '?'} {what}", km, where, _last_in_words(row["reading"])]


def _machines_listed(history: History) -> list[dict[str, Any]]:
    import datetime as dt

    from toothcheck.drive import chain_in_short, chain_of_machine

    def sprocket(part: str | None) -> dict[str, Any] | None:
        return None if part is None else {"part": part, "reading": _last(history, part)}

    rows: list[dict[str, Any]] = []
    for name, machine in sorted(history.machines.items()):
        if machine.retired_on is None:
            chain = chain_of_machine(history, machine, today=dt.date.today())
            e = chain.elongation_percent
            rows.append(
                {
                    "machine": name,
                    "odometer_km": machine.odometer_km if machine.totals else None,
                    "front": sprocket(machine.fitted.get("front")),
                    "rear": sprocket(machine.fitted.get("rear")),
                    "chain": {
                        "part": machine.fitted.get("chain"),
                        "elongation_percent": None if e is None else e.as_json(),
                        "on": None if chain.seen is None else chain.seen.on,
                        "side": None if e is None or chain.decision is None else chain.decision.side,
                        "says": chain_in_short(chain) or None,
                    },
                }
            )
    return rows


def _machine_row(row: dict[str, Any], unit: str) -> list[str]:
    from toothcheck.logbook import distance_text

    km, chain = row["odometer_km"], row["chain"]
    return [
        row["machine"],
        "not read" if km is None else distance_text(km, unit),
        *("-" if row[p] is None else _last_in_words(row[p]["reading"]) for p in ("front", "rear")),
        chain["says"] or ("-" if chain["part"] is None else "not measured"),
    ]


def _last(history: History, part: str) -> dict[str, Any] | None:
    """The grade that counts, with its day; with it a milder one that disagrees, or a photo that could not tell."""
    from toothcheck.logbook import judged

    found = judged(history.readings.get(part, []))
    if found is None:
        return None

    def said(one: Reading | None) -> dict[str, Any] | None:
        return None if one is None else {"grade": one.entry.grade, "on": one.entry.on_date}

    return {
        "grade": found.counts.entry.grade,
        "on": found.counts.entry.on_date,
        "halt": None if found.halt is None else found.halt.in_short,
        "disagrees": said(found.milder),
        "before": said(found.worse),
        "untold": said(found.untold),
    }


def _last_in_words(found: dict[str, Any] | None) -> str:
    if found is None:
        return "no reading"

    def said(one: dict[str, Any]) -> str:
        return f"{one['grade']} ({one['on']})"

    words = [said(found)]
    if found["halt"] is not None:
        words.append(found["halt"])
    if found["disagrees"] is not None:
        words.append(f"disagrees: {said(found['disagrees'])}")
    elif found["before"] is not None:
        words.append(f"before {said(found['before'])}")
    return ", ".join(words if found["untold"] is None else [*words, said(found["untold"])])


def _percent(e: Entry) -> str:
    from toothcheck.estimate import Estimate

    if e.asymmetry_percent is None or e.asymmetry_std_percent is None:
        return "no number"
    return Estimate(value=e.asymmetry_percent, std=e.asymmetry_std_percent).text("%")


@group.command(epilog="Example: toothcheck logbook show KC-07")
def show(
    what: Annotated[str, typer.Argument(callback=named, help="A machine, a part, or an entry's number.")],
    units: Unit = "km",
    json_: JsonWord = None,
    where: Where = None,
) -> None:
    """Show a machine's or a part's entries in order of time, or one entry whole."""
    from dataclasses import asdict

    unit = unit_of(units)
    check_targets(read={"the logbook": file_of(where)}, written={"--json": json_})
    with opened(where) as book:
        entries = book.entries()
        if re.fullmatch("[0-9]{1,9}", what) and not any(what in (e.machine, e.part) for e in entries):
            chosen = [book.entry(int(what))]
        else:
            # a machine's parts joined the logbook, and may have been retired on the shelf, without naming it
            parts = {e.part for e in entries if e.kind == "fit" and e.machine == what}
            chosen = [e for e in entries if what in (e.machine, e.part) or (e.machine is None and e.part in parts)]
    if not chosen:
        raise LogbookError(f"{what} is no machine, part or entry of the logbook.", hint="See: toothcheck logbook list")
    if json_ is not None:
        from toothcheck.cli.output import write_json

        told = [{k: v for k, v in asdict(e).items() if v is not None} for e in chosen]
        write_json({"schema": "toothcheck/entries/1", "entries": told}, json_)
        return
    _table(entries, sorted(chosen, key=lambda e: (e.on_date, e.number)), what, unit)


def _table(entries: list[Entry], chosen: list[Entry], asked: str, unit: str) -> None:
    from toothcheck.logbook import distance_echo, distance_text, standing

    number = {e.uid: e.number for e in entries}
    with telling():
        now = standing(entries)
    rows = []
    for e in chosen:
        said = [e.text, e.reason]
        if e.kind == "reading":
            said.insert(0, f"{_percent(e)}, {e.grade}")
        if e.kind == "chain-length":
            said.insert(0, f"{e.length_mm:g} mm over {e.pitches} pitches")
        if e.kind == "part":
            said.insert(0, _size(e, unit))
        if e.kind == "odometer":
            said.insert(0, f"goes on as {distance_echo(e.new_odometer_km or 0.0, unit)}")
        if e.corrects:
            deed = "voids" if e.kind == "withdrawal" else "in place of"
            said.append(f"{deed} entry {number.get(e.corrects, '?')}")
        if now[e.uid].uid != e.uid and e.kind != "withdrawal":
            said.append(f"no longer holds, see entry {now[e.uid].number}")
        km = "" if e.distance_km is None else distance_text(e.distance_km, unit)
        about = [name for name in (e.part, e.machine) if name and name != asked]
        what = " on ".join(about) or asked
        rows.append([str(e.number), e.on_date, km, e.kind, what, "; ".join(s for s in said if s)])
    columns(["no.", "day", "odometer", "kind", "what", "says"], rows)


# --- out and in ------------------------------------------------------------------------------------------------------
def _form(file: Path) -> str:
    check_ending("FILE", file, (".csv", ".json"))
    return file.suffix.lower().lstrip(".")


@group.command(epilog="Example: toothcheck logbook export fleet.csv")
def export(
    file: Annotated[Path, typer.Argument(help="To be written; ends in .csv or .json.")],
    where: Where = None,
) -> None:
    """Write every entry to a CSV or JSON file that imports back exactly."""
    from toothcheck.cli.output import write_whole
    from toothcheck.logbook.exchange import csv_text, json_text

    form = _form(file)
    check_targets(read={"the logbook": file_of(where)}, written={"FILE": file})
    with opened(where) as book:
        entries = book.entries(documents=True)
    write_whole(file, (csv_text(entries) if form == "csv" else json_text(entries)).encode())
    say(f"{len(entries)} entries written to {file}.")


@group.command("import", epilog="Example: toothcheck logbook import fleet.csv")
def import_(
    file: Annotated[Path, typer.Argument(help="A CSV or JSON file; its columns are those of an export.")],
    where: Where = None,
) -> None:
    """Add the entries of a file, all of them or none; those already here are passed over."""
    from toothcheck.logbook.exchange import bring_in

    form = _form(file)
    text = text_of(file)

    slips: list[str] = []
    rehearsed(where, lambda book: bring_in(book, text, form))
    with opened(where, create=True) as book:
        added, known = bring_in(book, text, form, on_slip=slips.append)
        say(*(f"Mind: {slip}" for slip in slips))
        say(f"{added} entries added to {book.name}, {known} were there already.")


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
        with opened(str(out), create=True) as book:
            _bring_all(book, entries)
    except ToothcheckError:
        out.unlink(missing_ok=True)  # what could not be filled shall not be in the way of a second try
        raise
    say(f"{len(entries)} made-up entries about {machines} machines in {out}.")


def _bring_all(book: Logbook, entries: list[Entry]) -> None:
    with telling():
        book.bring_in(entries)
