"""The state that the entries add up to: machines, parts, what was fitted when, and how far each has run.

Replayed from the first entry each time; nothing of it is stored.  A logbook of two hundred machines over ten years
(some 40 000 entries) takes well under a second.
"""

from __future__ import annotations

import bisect
import datetime as dt
import json
from collections.abc import Iterable
from dataclasses import dataclass, field

from toothcheck.grade import Renewal
from toothcheck.logbook.documents import TELLING_MORE, halts_of, renewal_of
from toothcheck.logbook.entries import Entry, EntryError, nearest

_FEWEST_DAYS = 14  # a shorter time tells no riding rate


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """One stretch of a part's life on a machine; distances are the machine's total, not its odometer."""

    part: str
    machine: str
    position: str
    from_date: str
    from_total_km: float
    from_part_km: float
    """The part's own distance at fitting, counted from when it joined the logbook if its earlier life is unknown."""
    to_date: str | None = None
    to_total_km: float | None = None

    def held(self, day: str | None) -> bool:
        """Whether the part was there on a day (ISO date); None asks for now."""
        if day is None:
            return self.to_date is None
        return self.from_date <= day and (self.to_date or day) >= day


@dataclass(slots=True, kw_only=True)
class Part:
    """A part and its life; ``start_known`` says whether ``ridden_km`` counts from new."""

    entry: Entry
    fittings: list[Fitting] = field(default_factory=list)
    retired_on: str | None = None

    @property
    def name(self) -> str:
        """Its name in the logbook."""
        return self.entry.part or ""

    @property
    def start_known(self) -> bool:
        """Whether the part's distance counts from new."""
        return self.entry.ridden_km is not None

    @property
    def current(self) -> Fitting | None:
        """Where it is fitted now."""
        return self.fittings[-1] if self.fittings and self.fittings[-1].to_total_km is None else None


@dataclass(slots=True, kw_only=True)
class Machine:
    """A machine, its odometer's course, and what is fitted now (position → part's name)."""

    entry: Entry
    entries: list[Entry] = field(default_factory=list)
    """Every entry in force about it, oldest day first."""
    lengths: list[Reading] = field(default_factory=list)
    """Lengths of a chain that no part of the logbook is, oldest first; ``part_km`` is the machine's total."""
    totals: list[tuple[str, int, float, float]] = field(default_factory=list)
    """(day, number, odometer km, total km) at each entry that names a distance, in order."""
    fitted: dict[str, str] = field(default_factory=dict)
    retired_on: str | None = None
    """The day on which it was sold or scrapped."""

    @property
    def name(self) -> str:
        """Its name in the logbook."""
        return self.entry.machine or ""

    @property
    def total_km(self) -> float:
        """Distance since it joined plus its odometer then; runs on when the odometer is replaced."""
        return self.totals[-1][3] if self.totals else 0.0

    @property
    def odometer_km(self) -> float:
        """What the odometer showed last."""
        return self.totals[-1][2] if self.totals else 0.0

    def odometer_on(self, day: str) -> float | None:
        """What the odometer showed last on a day (ISO date) or before it, km; None when nothing is known of then."""
        return next((km for on, _, km, _ in reversed(self.totals) if on <= day), None)

    def riding_rate(self, days: int = 365) -> tuple[float, int] | None:
        """Kilometres a day over the last ``days`` days of entries, and the days they span; None below two weeks.

        Where those days span too little, the last entry before them is taken in: a machine may be seen once a year.
        """
        if not self.totals:
            return None
        last = dt.date.fromisoformat(self.totals[-1][0])
        first_day = (last - dt.timedelta(days=days)).isoformat()
        index = bisect.bisect_left(self.totals, (first_day, 0, 0.0, 0.0))

        def span(i: int) -> int:
            return (last - dt.date.fromisoformat(self.totals[i][0])).days

        if span(index) < _FEWEST_DAYS and index > 0:
            index -= 1
        ridden = self.totals[-1][3] - self.totals[index][3]
        return (ridden / span(index), span(index)) if span(index) >= _FEWEST_DAYS and ridden > 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading, or one length of a chain, in force, with the part's own distance."""

    entry: Entry
    part_km: float
    """The part's own distance, km: since new, or since it joined when its start is not known."""
    total_km: float
    """The machine's total, km."""
    halts: tuple[int, ...] = ()
    """Teeth for which nobody may ride before a mechanic has looked at them."""
    renew: Renewal | None = None
    """Of an inspection that could not tell, when parts are to be renewed all the same."""


@dataclass(slots=True, kw_only=True)
class History:
    """Everything in force."""

    machines: dict[str, Machine] = field(default_factory=dict)
    parts: dict[str, Part] = field(default_factory=dict)
    readings: dict[str, list[Reading]] = field(default_factory=dict)
    """Readings by part, oldest first."""
    lengths: dict[str, list[Reading]] = field(default_factory=dict)
    """Lengths by chain, oldest first, on whichever machine it was measured.

    A length that names no chain is of the one fitted when it stood in turn: a day may hold the old chain's length and
    the new chain's fitting.
    """
    own_km: dict[str, float] = field(default_factory=dict)
    """The part's own distance at each entry that names a distance and a part then fitted, by the entry's uid."""

    def fitted_on(self, machine: str, position: str, day: str | None) -> str | None:
        """The part at a machine's position on a day (ISO date), the newest fitting that began by then; None: now."""
        there = [
            fitting
            for part in self.parts.values()
            for fitting in part.fittings
            if fitting.machine == machine and fitting.position == position and fitting.held(day)
        ]
        newest = max(there, key=lambda fitting: (fitting.from_date, fitting.from_total_km), default=None)
        return None if newest is None else newest.part

    def part_km(self, part: Part) -> float:
        """How far the part has run by now, km."""
        if not part.fittings:
            return part.entry.ridden_km or 0.0
        last = part.fittings[-1]
        end = self.machines[last.machine].total_km if last.to_total_km is None else last.to_total_km
        return last.from_part_km + end - last.from_total_km


def standing(entries: Iterable[Entry]) -> dict[str, Entry]:
    """What stands now in the place of each entry, by uid: itself, its newest correction, or the withdrawal of it.

    Raises
    ------
    EntryError
        When a correction names an entry that is not there, of another kind, or already void.
    """
    latest: dict[str, Entry] = {}  # by uid of the original
    root: dict[str, str] = {}
    for entry in sorted(entries, key=lambda e: e.number):
        original = entry.uid if entry.corrects is None else root.get(entry.corrects)
        if original is None:
            raise EntryError("corrects an entry that is not in the logbook", entry)
        now = latest.get(original)
        if now is not None:
            if now.kind == "withdrawal":
                raise EntryError("corrects an entry that was withdrawn", entry)
            if entry.kind != "withdrawal" and (entry.kind, entry.machine, entry.part) != (
                now.kind,
                now.machine,
                now.part,
            ):
                raise EntryError("a correction must keep kind, machine and part; withdraw and record anew", entry, now)
        latest[original], root[entry.uid] = entry, original
    return {uid: latest[original] for uid, original in root.items()}


def in_force(entries: Iterable[Entry]) -> list[Entry]:
    """The entries that hold: the newest correction stands in its original's place (day apart), withdrawn ones go.

    Returned oldest day first, within a day in the order of first recording.

    Raises
    ------
    EntryError
        As for `standing`.
    """
    entries = sorted(entries, key=lambda e: e.number)
    now = standing(entries)
    held = [now[e.uid] for e in entries if e.corrects is None and now[e.uid].kind != "withdrawal"]
    return sorted(held, key=lambda e: e.on_date)  # stable: within a day as first recorded


def replay(entries: Iterable[Entry]) -> History:
    """Add the entries up.

    Raises
    ------
    EntryError
        At the first contradiction: an unknown machine, a distance that runs backwards, a part in two places …
    """
    held = in_force(entries)
    out = History()
    for e in held:  # names first: a photo may be entered later than the day it was taken
        if e.kind == "machine":
            if e.machine in out.machines:
                raise EntryError(f"machine {e.machine} is in the logbook already", e, out.machines[e.machine].entry)
            out.machines[e.machine or ""] = Machine(entry=e)
        elif e.kind == "part":
            if e.part in out.parts:
                raise EntryError(f"part {e.part} is in the logbook already", e, out.parts[e.part].entry)
            out.parts[e.part or ""] = Part(entry=e)
    for e in held:
        _step(out, e)
    return out


def _step(out: History, e: Entry) -> None:
    if e.machine is not None and e.machine not in out.machines:
        raise EntryError(f"machine {e.machine} is not in the logbook ({nearest(e.machine, out.machines)})", e)
    if e.part is not None and e.part not in out.parts:
        raise EntryError(f"part {e.part} is not in the logbook ({nearest(e.part, out.parts)})", e)
    machine = out.machines[e.machine] if e.machine is not None else None
    if machine is not None:
        if machine.retired_on is not None and (e.kind, e.distance_km) != ("note", None):
            raise EntryError(f"machine {machine.name} was retired on {machine.retired_on}", e)
        machine.entries.append(e)
        if e.distance_km is not None:
            _run(machine, e)
        if e.kind == "retire" and e.part is None:
            if machine.fitted:
                raise EntryError(
                    f"{machine.name} has {', '.join(machine.fitted.values())} fitted; take that off first", e
                )
            machine.retired_on = e.on_date
    part = out.parts[e.part] if e.part is not None else None
    if machine is not None and e.kind == "chain-length":
        _measure(out, machine, e)
    if part is None:
        return
    if machine is not None and e.distance_km is not None and part.current and part.current.machine == machine.name:
        out.own_km[e.uid] = out.part_km(part)
    if e.kind in ("part", "note"):
        return
    if e.kind == "fit" and machine is not None:
        _fit(out, machine, part, e)
        return
    current = part.current
    if e.kind == "retire" and current is None and part.retired_on is None and e.machine is None:
        part.retired_on = e.on_date
        return
    if current is None or machine is None or current.machine != machine.name:
        where = f"was on {current.machine}" if current else "was not fitted to any machine"
        raise EntryError(f"part {part.name} {where} on {e.on_date}, not on {e.machine or 'no machine'}", e)
    if e.kind == "reading":
        if (e.position or current.position) != current.position:
            raise EntryError(
                f"the reading is of a {e.position} sprocket, but {part.name} is at the {current.position}", e
            )
        for name, what in (("teeth", "teeth"), ("chain", "chain size")):
            said, known = getattr(e, name), getattr(part.entry, name)
            if said is not None and known is not None and said != known:
                way = (
                    "if it was changed, retire or remove it and add the new part first; "
                    f"if entry {part.entry.number} is wrong, correct that"
                )
                if part.entry.number > e.number:  # it is the part that is being corrected
                    way = (
                        f"was the part changed? If the photo was inspected with the wrong {what}, withdraw its reading "
                        f"first (entry {e.number}), correct the part, and inspect the photo again"
                    )
                raise EntryError(f"the reading says {what} {said}, but {part.name} has {known}; {way}", e)
        own = out.part_km(part)
        document = {} if e.document is None or e.grade not in TELLING_MORE else json.loads(e.document)
        halts, renew = halts_of(document), renewal_of(document)
        reading = Reading(entry=e, part_km=own, total_km=machine.total_km, halts=halts, renew=renew)
        out.readings.setdefault(part.name, []).append(reading)
    elif e.kind in ("remove", "retire"):
        part.fittings[-1] = Fitting(
            part=current.part,
            machine=current.machine,
            position=current.position,
            from_date=current.from_date,
            from_total_km=current.from_total_km,
            from_part_km=current.from_part_km,
            to_date=e.on_date,
            to_total_km=machine.total_km,
        )
        del machine.fitted[current.position]
        if e.kind == "retire":
            part.retired_on = e.on_date


def _measure(out: History, machine: Machine, e: Entry) -> None:
    """Put a length to its chain; one that names a part which is not fitted there is refused further on."""
    chain = e.part or machine.fitted.get("chain")
    if chain is None:
        machine.lengths.append(Reading(entry=e, part_km=machine.total_km, total_km=machine.total_km))
    elif out.parts[chain].entry.position == "chain":
        own = out.part_km(out.parts[chain])
        out.lengths.setdefault(chain, []).append(Reading(entry=e, part_km=own, total_km=machine.total_km))


def _run(machine: Machine, e: Entry) -> None:
    """Carry the odometer on."""
    km = e.distance_km or 0.0
    if machine.totals:
        _, _, before, total = machine.totals[-1]
        if km < before:
            raise _backwards(machine, e)
        total += km - before
    else:
        total = km
    if e.kind == "odometer":
        km = e.new_odometer_km or 0.0
    machine.totals.append((e.on_date, e.number, km, total))


def _backwards(machine: Machine, e: Entry) -> EntryError:
    """That a distance is smaller than the one before it."""
    day, number, before, _ = machine.totals[-1]
    earlier = next((x for x in machine.entries if x.number == number), None)
    one, two = f" (entry {number})", ""
    way = (
        "if the odometer was replaced give --reason (or toothcheck logbook odometer; in a table a row of that kind "
        "before it), else correct the wrong one"
    )
    if e.kind == "odometer":
        way = "when the old odometer was replaced it showed at least that: mend its last distance, or correct the other"
    if number > e.number:  # made late, about a day before that of an older entry: no odometer was replaced in it
        one, two, way = "", f" (entry {e.number})", f"mend the distance or correct entry {e.number}"
    return EntryError(
        lambda said: (
            f"distance runs backwards: {machine.name} stood at {said(before)} on {day}{one} and at "
            f"{said(e.distance_km or 0.0)} on {e.on_date}{two}; {way}"
        ),
        e,
        earlier,
    )


def _fit(out: History, machine: Machine, part: Part, e: Entry) -> None:
    position = e.position or ""
    if part.retired_on is not None:
        raise EntryError(f"part {part.name} was retired on {part.retired_on}", e)
    if part.current is not None:
        raise EntryError(f"part {part.name} is on {part.current.machine} already; take it off first", e)
    if position != part.entry.position:
        raise EntryError(f"part {part.name} belongs at {part.entry.position}, not at {position}", e)
    if position in machine.fitted:
        raise EntryError(
            f"{machine.name} has {machine.fitted[position]} at {position}; take it off first "
            "(toothcheck logbook remove or retire; add-part --replace retires it)",
            e,
        )
    own = out.part_km(part)
    machine.fitted[position] = part.name
    part.fittings.append(
        Fitting(
            part=part.name,
            machine=machine.name,
            position=position,
            from_date=e.on_date,
            from_total_km=machine.total_km,
            from_part_km=own,
        )
    )
    out.own_km[e.uid] = own
