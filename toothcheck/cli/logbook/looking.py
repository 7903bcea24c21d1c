"""Lists of machines and parts, and all entries of one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.books import Unit, Where, columns, looked_into, named, say, telling, unit_of
from toothcheck.cli.logbook.group import group
from toothcheck.cli.logbook.recorded import length_said, percent_said, size_said
from toothcheck.cli.output import write_json
from toothcheck.cli.words import JsonWord
from toothcheck.errors import LogbookError

if TYPE_CHECKING:
    from toothcheck.logbook import Entry, History, Reading


_NO_PARTS = "No part is in the logbook. Add one: toothcheck logbook add-part MACHINE front|rear|chain --at DISTANCE"
_NO_MACHINES = "No machine is in use by the logbook. Add one: toothcheck logbook add-machine NAME"


@group.command("list", epilog="Example: toothcheck logbook list --parts")
def list_(
    parts: Annotated[bool, typer.Option("--parts", help="List parts instead of machines.")] = False,
    units: Unit = "km",
    json_: JsonWord = None,
    where: Where = None,
) -> None:
    """List machines with what is fitted and how it was seen last, or parts with their distance."""
    unit = unit_of(units)
    kind = "parts" if parts else "machines"
    with looked_into(where, json_=json_, json_kind=kind) as book:
        history = book.history()
    rows = _parts_listed(history) if parts else _machines_listed(history)
    if json_ is not None:
        write_json({"schema": f"toothcheck/{kind}/1", kind: rows}, json_)
    if json_ == "-":
        return
    if not rows:
        say(_NO_PARTS if parts else _NO_MACHINES)
    elif parts:
        head = ["part", "chain", "size", "own distance", "where", "last reading"]
        columns(head, [_part_row(row, unit) for row in rows])
    else:
        columns(["machine", "odometer", "front", "rear", "chain"], [_machine_row(row, unit) for row in rows])


def _as_counted(item: tuple[str, object]) -> list[str | int]:
    """Where a name stands in a list: KC-9 before KC-10, and KC-10 before KC-100."""
    return [int(piece) if i % 2 else piece for i, piece in enumerate(re.split("([0-9]+)", item[0]))]


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
            "length": _last_length(history, name),
        }
        for name, part in sorted(history.parts.items(), key=_as_counted)
    ]


def _part_row(row: dict[str, Any], unit: str) -> list[str]:
    from toothcheck.logbook import distance_text

    where = row["machine"] or (f"retired {row['retired_on']}" if row["retired_on"] else "on the shelf")
    km = distance_text(row["own_km"], unit) + (" since it joined" if row["since_it_joined"] else "")
    what = "links" if row["position"] == "chain" else "teeth"
    seen = _last_in_words(row["reading"]) if row["length"] is None else _length_in_words(row["length"])
    return [row["part"], row["chain"] or "?", f"{row[what] or '?'} {what}", km, where, seen]


def _machines_listed(history: History) -> list[dict[str, Any]]:
    import datetime as dt

    from toothcheck.drive import chain_in_short, chain_of_machine

    def sprocket(part: str | None) -> dict[str, Any] | None:
        return None if part is None else {"part": part, "reading": _last(history, part)}

    rows: list[dict[str, Any]] = []
    for name, machine in sorted(history.machines.items(), key=_as_counted):
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


def _last_length(history: History, part: str) -> dict[str, Any] | None:
    """The newest length of a chain, as it was measured; `list` of machines tells how it stands to their limit."""
    entries = [length.entry for length in history.lengths.get(part, [])]
    if not entries:
        return None
    last = max(entries, key=lambda e: (e.on_date, e.number))
    return {"length_mm": last.length_mm, "pitches": last.pitches, "on": last.on_date}


def _length_in_words(found: dict[str, Any]) -> str:
    return f"{found['length_mm']:g} mm over {found['pitches']} pitches ({found['on']})"


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


@group.command(epilog="Example: toothcheck logbook show KC-07")
def show(
    what: Annotated[str, typer.Argument(callback=named, help="A machine, a part, or an entry's number.")],
    units: Unit = "km",
    json_: JsonWord = None,
    where: Where = None,
) -> None:
    """Show a machine's or a part's entries in order of time, or one entry whole."""
    from dataclasses import asdict

    from toothcheck.logbook import nearest

    unit = unit_of(units)
    with looked_into(where, json_=json_, json_kind="entries") as book:
        entries = book.entries()
        if re.fullmatch("[0-9]{1,9}", what) and not any(what in (e.machine, e.part) for e in entries):
            chosen = [book.entry(int(what))]
        else:
            # a machine's parts joined the logbook, and may have been retired on the shelf, without naming it
            parts = {e.part for e in entries if e.kind == "fit" and e.machine == what}
            chosen = [e for e in entries if what in (e.machine, e.part) or (e.machine is None and e.part in parts)]
    if not chosen:
        names = nearest(what, {name for e in entries for name in (e.machine, e.part) if name is not None})
        hint = "See: toothcheck logbook list"
        raise LogbookError(f"{what} is no machine, part or entry of the logbook ({names}).", hint=hint)
    if json_ is not None:
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
            said.insert(0, f"{percent_said(e)}, {e.grade}")
        if e.kind == "chain-length":
            said.insert(0, length_said(e))
        if e.kind == "part":
            said.insert(0, size_said(e, unit))
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
