"""`Logbook`: what may be done with the entries of a database: read them, add to them, correct and withdraw.

An entry is acknowledged when the call that added it returns: by then the database has it on disk.  Writers queue up, so
the rules are always checked against everything recorded before, and numbers have no gaps.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import shlex
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from toothcheck import __version__
from toothcheck.errors import LogbookError
from toothcheck.grade import CANNOT_TELL
from toothcheck.logbook.checks import check_sense, checked
from toothcheck.logbook.database import Database
from toothcheck.logbook.documents import SIGNS_OF_MORE, TELLING_MORE, dumped, facts_of, stripped
from toothcheck.logbook.entries import Entry, EntryError, corrected, nearest, same_letters
from toothcheck.logbook.history import History, in_force, replay, standing
from toothcheck.logbook.schema import ENTRIES
from toothcheck.logbook.slips import distance_slips, name_slips, photo_slips, refuse, repeated_slips

_EXCUSE = (
    "give --reason if it is right (toothcheck logbook note {} TEXT --at DISTANCE --reason WHY keeps a distance alone)"
)
_LIGHT = [column for column in ENTRIES.c if column.name != "document"]
_TELLS_MORE = sa.and_(
    ENTRIES.c.grade.in_(TELLING_MORE),
    sa.or_(*(ENTRIES.c.document.contains(sign, autoescape=True) for sign in SIGNS_OF_MORE)),
)
_TO_REPLAY = [*_LIGHT, sa.case((_TELLS_MORE, ENTRIES.c.document)).label("document")]
"""Of the documents, which are long, only those that may tell what a history does and no column: who may not ride, and
that parts are to be renewed though the grade is open."""


class Logbook:
    """An open logbook.

    Parameters
    ----------
    where, now, create
        As of `toothcheck.logbook.database.Database`.
    new_uid
        Gives 32 fresh hexadecimal digits for each entry.
    unit
        In which refusals speak of distances, one of `toothcheck.logbook.units.UNITS`.

    Raises
    ------
    LogbookError
        As `toothcheck.logbook.database.Database`.
    """

    def __init__(
        self,
        where: str | Path,
        *,
        now: Callable[[], dt.datetime],
        new_uid: Callable[[], str],
        create: bool = False,
        unit: str = "km",
    ) -> None:
        self._now, self._new_uid, self._unit = now, new_uid, unit
        self._database = Database(where, now=now, create=create)

    def close(self) -> None:
        """Give the database back."""
        self._database.close()

    def __enter__(self) -> Logbook:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def name(self) -> str:
        """Path or URL, without any password."""
        return self._database.name

    @property
    def photo_folder(self) -> Path | None:
        """Where copies of photos are kept beside a SQLite file; None on a server."""
        path = self._database.path
        return None if path is None else path.with_name(path.name + "-photos")

    # --- reading -------------------------------------------------------------------------------------------------
    def entries(self, *, documents: bool = False) -> list[Entry]:
        """Every entry ever made, in order of number; ``document`` is filled only on demand (they are long)."""
        with self._database.reading() as connection:
            return self._read(connection, list(ENTRIES.c) if documents else _LIGHT)

    def entry(self, number: int) -> Entry:
        """One entry with its document.

        Raises
        ------
        LogbookError
            When there is no entry of that number.
        """
        with self._database.reading() as connection:
            return self._one(connection, number)

    def _one(self, connection: sa.Connection, number: int) -> Entry:
        row = connection.execute(sa.select(ENTRIES).where(ENTRIES.c.number == number)).one_or_none()
        if row is None:
            raise self._no_entry(number)
        return Entry(**row._mapping)

    def _no_entry(self, number: int) -> LogbookError:
        return LogbookError(
            f"There is no entry {number} in {self.name}.",
            hint="A machine's entries and their numbers: toothcheck logbook show MACHINE",
        )

    def history(self) -> History:
        """What the entries add up to.

        Raises
        ------
        LogbookError
            When they contradict each other (only possible after tampering).
        """
        with self._database.reading() as connection:
            entries = self._read(connection, _TO_REPLAY)
        try:
            return replay(entries)
        except EntryError as error:
            raise LogbookError(f"The entries contradict each other: {error}.") from None

    @staticmethod
    def _read(connection: sa.Connection, columns: Sequence[sa.ColumnElement[Any]]) -> list[Entry]:
        rows = connection.execute(sa.select(*columns).order_by(ENTRIES.c.number))
        return [Entry(**row._mapping) for row in rows]

    # --- adding --------------------------------------------------------------------------------------------------
    def new(self, kind: str, *, on_date: str | None = None, **values: object) -> Entry:
        """A fresh entry, not yet added; the day is today unless told."""
        now = self._now()
        fields: dict[str, Any] = {"tool_version": __version__, **values}
        for name in ("machine", "part"):
            if isinstance(fields.get(name), str):
                fields[name] = same_letters(fields[name])
        return Entry(
            uid=self._new_uid(),
            recorded_at=now.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            kind=kind,
            on_date=on_date or now.date().isoformat(),
            **fields,
        )

    def add(self, *entries: Entry, reason: str | None = None, again: str | None = None) -> list[Entry]:
        """Add entries, all or none, and return them with their numbers.

        Parameters
        ----------
        entries
            In order.
        reason
            Why the odometer shows less than before (it was replaced), or far more than anyone rides in the time.  Where
            it shows less, an ``odometer`` entry is put before the first entry, and the distance ridden between is taken
            as none; otherwise the reason is kept with the entry.
        again
            Why a photo that is a reading of its part already is recorded again; kept with the entry.  It says nothing
            for the distance.

        Raises
        ------
        LogbookError
            When an entry is unsound, contradicts one already there or looks like a slip of the pen; nothing was added
            then.
        """
        return self.build(lambda _: list(entries), reason=reason, again=again)

    def build(
        self, make: Callable[[History], list[Entry]], *, reason: str | None = None, again: str | None = None
    ) -> list[Entry]:
        """As `add`, for entries that depend on what is there: ``make`` sees the state under the writer's lock."""
        with self._writing() as connection:
            return self._built(connection, make, reason, again)

    def _built(
        self, connection: sa.Connection, make: Callable[[History], list[Entry]], reason: str | None, again: str | None
    ) -> list[Entry]:
        before = self._read(connection, _LIGHT)
        state = replay(before)
        entries = make(state)
        refuse(name_slips(state, entries))
        refuse(repeated_slips(in_force(before), entries))
        if again is None:
            refuse(photo_slips(state, entries))
        else:
            entries = [_with_reason(e, again) if e.kind == "reading" else e for e in entries]
        excuse: str | None = _EXCUSE
        if reason is not None and entries:
            entries, excused = self._reasoned(state, entries, reason)
            if excused:
                return self._insert(connection, before, entries)
            excuse = None
        return self._insert(connection, before, entries, check=_far_check(state, excuse))

    def _reasoned(self, state: History, entries: list[Entry], reason: str) -> tuple[list[Entry], bool]:
        """The entries with the reason for their distance, and whether it excuses one that is far.

        A reason for an odometer that shows less goes into an entry of its own, and is none for what runs far after it.
        """
        told = next((i for i, e in enumerate(entries) if e.machine is not None and e.distance_km is not None), 0)
        e = entries[told]
        shown = state.machines[e.machine].odometer_on(e.on_date) if e.machine in state.machines else None
        if shown is None or e.distance_km is None or e.distance_km >= shown:
            return [*entries[:told], _with_reason(e, reason), *entries[told + 1 :]], True
        reset = self.new(
            "odometer",
            on_date=e.on_date,
            machine=e.machine,
            distance_km=shown,
            new_odometer_km=e.distance_km,
            reason=reason,
            operator=e.operator,
        )
        return [reset, *entries], False

    def _insert(
        self,
        connection: sa.Connection,
        before: list[Entry],
        entries: Sequence[Entry],
        *,
        check: Callable[[History, Sequence[Entry]], None] | None = None,
    ) -> list[Entry]:
        first = before[-1].number + 1 if before else 1
        numbered = [checked(replace(e, number=first + i)) for i, e in enumerate(entries)]
        now = standing([*before, *numbered])
        for e in numbered:
            if now[e.uid] is e:  # what an import brings may be corrected by what it brings with it
                check_sense(e)
        after = replay([*before, *numbered])
        if check is not None:
            check(after, numbered)
        if numbered:
            connection.execute(sa.insert(ENTRIES), [asdict(e) for e in numbered])
        return numbered

    def record(
        self,
        document: dict[str, Any],
        machine: str,
        distance_km: float,
        *,
        on_date: str | None = None,
        part: str | None = None,
        operator: str | None = None,
        text: str | None = None,
        kept_photo: str | None = None,
        reason: str | None = None,
        again: str | None = None,
    ) -> list[Entry]:
        """Record an inspection; the part is the one fitted at the document's position unless named.

        Parameters
        ----------
        document
            What ``inspect`` prints as JSON.  Where, by whom and with what the photo was taken is left out.
        machine, distance_km
            The machine, and its odometer in km.
        on_date
            ISO date; today when None.
        part
            A part's name.
        operator, text
            Who looked, and a remark.
        kept_photo
            Name of the stored copy, see `toothcheck.logbook.photos`.
        reason, again
            As in `add`.

        Returns
        -------
        list of Entry
            As `add`; the reading is the last.

        Raises
        ------
        ValueError
            When it is no inspection document.
        LogbookError
            When machine or part are unknown, or the entry contradicts one already there.
        """
        facts = facts_of(document)
        clean = stripped(document)
        machine, part = same_letters(machine), None if part is None else same_letters(part)

        def make(state: History) -> list[Entry]:
            return [
                self.new(
                    "reading",
                    on_date=on_date,
                    machine=machine,
                    part=part or _fitted(state, machine, facts["position"], on_date),
                    distance_km=distance_km,
                    operator=operator,
                    text=text,
                    kept_photo=kept_photo,
                    document=dumped(clean),
                    **facts,
                )
            ]

        return self.build(make, reason=reason, again=again)

    def check_reading(
        self,
        machine: str,
        distance_km: float,
        *,
        on_date: str | None = None,
        part: str | None = None,
        position: str | None = None,
        chain: str | None = None,
        teeth: int | None = None,
        reason: str | None = None,
    ) -> None:
        """Refuse what `record` would refuse, as far as it is known before anything is measured; nothing is recorded.

        Parameters
        ----------
        machine, distance_km, on_date, part, reason
            As of `record`.
        position, chain, teeth
            What the document will say; None where that is not known yet.

        Raises
        ------
        LogbookError
            As `record`, and when the logbook cannot be written to.
        """
        machine, part = same_letters(machine), None if part is None else same_letters(part)

        def make(state: History) -> list[Entry]:
            _check_known(state, machine)
            return [
                self.new(
                    "reading",
                    on_date=on_date,
                    machine=machine,
                    part=part or _fitted(state, machine, position, on_date),
                    distance_km=distance_km,
                    position=position,
                    chain=chain,
                    teeth=teeth,
                    grade=CANNOT_TELL,
                )
            ]

        with self._writing() as connection:
            self._built(connection, make, reason, None)
            connection.rollback()

    def correct(self, number: int, reason: str, *, sure: bool = False, **changes: object) -> Entry:
        """Add an entry that takes the place of what stands for entry ``number`` now, with some fields changed.

        Parameters
        ----------
        number, reason
            The entry's, and why.
        sure
            The distance is right though no rider makes it.
        changes
            Fields of the entry.

        Raises
        ------
        ValueError
            When a change touches what identifies the entry.
        LogbookError
            When there is no such entry, it was withdrawn, or the result contradicts other entries or looks like a slip
            of the pen.
        """
        fresh = self.new("note")
        with self._writing() as connection:
            before = self._read(connection, _LIGHT)
            old = self._one(connection, self._standing(before, number).number)
            new = corrected(old, uid=fresh.uid, recorded_at=fresh.recorded_at, reason=reason, **changes)
            moved = {"distance_km", "on_date", "new_odometer_km"} & set(changes)
            check = _far_check(replay(before), "give --sure if it is right") if moved and not sure else None
            return self._insert(connection, before, [new], check=check)[0]

    def withdraw(self, number: int, reason: str) -> Entry:
        """Add an entry that declares void what stands for entry ``number`` now.

        Raises
        ------
        LogbookError
            When there is no such entry, it was withdrawn already, or others depend on it.
        """
        with self._writing() as connection:
            before = self._read(connection, _LIGHT)
            old = self._standing(before, number)
            gone = self.new("withdrawal", machine=old.machine, part=old.part, corrects=old.uid, reason=reason)
            try:
                return self._insert(connection, before, [gone])[0]
            except EntryError as error:
                rests = error.entry
                if rests is None or rests.uid == gone.uid:
                    raise
                # without its machine or part an entry says only that it is not there
                why = "" if old.kind in ("machine", "part") else f" ({error})"
                raise LogbookError(
                    f"Entry {number} cannot be withdrawn: entry {rests.number} rests on it{why}.",
                    hint=f"Withdraw or correct entry {rests.number} first.",
                ) from error

    def _standing(self, entries: Sequence[Entry], number: int) -> Entry:
        """What stands for the entry of that number now."""
        asked = next((e for e in entries if e.number == number), None)
        if asked is None:
            raise self._no_entry(number)
        now = standing(entries)[asked.uid]
        if asked.kind == "withdrawal":
            raise LogbookError(f"Entry {number} is a withdrawal itself.", hint="Record the facts anew.")
        if now.kind == "withdrawal":
            raise LogbookError(f"Entry {number} was withdrawn by entry {now.number}.", hint="Record the facts anew.")
        return now

    def bring_in(
        self,
        entries: Sequence[Entry],
        *,
        by_hand: Collection[str] = (),
        on_slip: Callable[[EntryError], None] | None = None,
        slip_of: Callable[[History, Entry], str | None] | None = None,
    ) -> tuple[int, int]:
        """Add entries of another logbook, all or none; those already here, and the same, are passed over.

        Returns how many were added and how many passed over.

        Parameters
        ----------
        entries
            In order.
        by_hand
            uids of those whose moment of recording is that of this call: they were made by hand.
        on_slip
            Is told of each of these that would have been refused as a slip of the pen, had it been entered here.
        slip_of
            Says what else is one, of the state with all entries and one of them, such as
            `toothcheck.drive.length_slip`.

        Raises
        ------
        EntryError
            Carrying the entry at fault.
        """
        with self._database.writing() as connection:
            before = self._read(connection, list(ENTRIES.c))
            here = {e.uid: e for e in before}
            fresh: list[Entry] = []
            seen: set[str] = set()
            for e in entries:
                if e.uid in seen:
                    raise EntryError("the same uid stands twice", e)
                seen.add(e.uid)
                if e.uid not in here:
                    fresh.append(e)
                elif replace(here[e.uid], number=e.number, **_moment(e, by_hand)) != e:
                    raise EntryError(f"differs from entry {here[e.uid].number} of the same uid, which stays", e)
            try:
                made = self._insert(connection, before, fresh)
            except EntryError as error:
                raise EntryError(str(error), *(_unnumbered(x, fresh) for x in (error.entry, error.against))) from None
            typed = [e for e in made if e.uid in by_hand]
            if on_slip is not None and typed:
                state, after = replay(before), replay([*before, *made])
                for slip in (
                    *name_slips(state, typed),
                    *photo_slips(state, typed),
                    *distance_slips(state, after, typed, excuse=None),
                    *(() if slip_of is None else _more_slips(after, typed, slip_of)),
                ):
                    on_slip(slip)
            return len(fresh), len(entries) - len(fresh)

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        """A transaction that no other writer can overlap; what is refused in it is said in words."""
        try:
            with self._database.writing() as connection:
                yield connection
        except EntryError as error:
            said = error.said(self._unit)
            raise LogbookError(f"Not recorded: {said}{'' if said.endswith('?') else '.'}") from error


def _check_known(state: History, machine: str) -> None:
    if machine not in state.machines:
        raise LogbookError(
            f"Machine {machine} is not in the logbook ({nearest(machine, state.machines)}).",
            hint=f"Add it with: toothcheck logbook add-machine {shlex.quote(machine)} --at DISTANCE",
        )


def _fitted(state: History, machine: str, position: str | None, on_date: str | None) -> str:
    """The sprocket at that position on that day."""
    _check_known(state, machine)
    if position is None:
        raise LogbookError("The inspection does not say front or rear.", hint="Name the part with --part.")
    there = state.fitted_on(machine, position, on_date)
    if there is None:
        raise LogbookError(
            f"No {position} sprocket is fitted to {machine}{f' on {on_date}' if on_date else ''}.",
            hint=f"Add it with: toothcheck logbook add-part {shlex.quote(machine)} {position} --at DISTANCE",
        )
    return there


def _with_reason(e: Entry, reason: str) -> Entry:
    return replace(e, reason="; ".join(word for word in (e.reason, reason) if word))


def _far_check(before: History, excuse: str | None) -> Callable[[History, Sequence[Entry]], None]:
    return lambda after, entries: refuse(distance_slips(before, after, entries, excuse=excuse))


def _more_slips(
    after: History, entries: Sequence[Entry], slip_of: Callable[[History, Entry], str | None]
) -> Iterator[EntryError]:
    for e in entries:
        said = slip_of(after, e)
        if said is not None:
            yield EntryError(said, e)


def _moment(e: Entry, by_hand: Collection[str]) -> dict[str, Any]:
    """What is not compared of an entry made by hand: its moment of recording is only that of its import."""
    return {"recorded_at": e.recorded_at} if e.uid in by_hand else {}


def _unnumbered(entry: Entry | None, fresh: Sequence[Entry]) -> Entry | None:
    """The entry as it came in, for the caller who looks for its line."""
    return next((e for e in fresh if entry is not None and e.uid == entry.uid), entry)
