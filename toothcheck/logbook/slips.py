"""Slips of the pen: what is not taken from a person unasked, though a logbook may hold it (an import may bring it)."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterable, Sequence

from toothcheck.logbook.entries import Entry, EntryError
from toothcheck.logbook.history import History

MOST_KM_PER_DAY = 3000.0
"""More than any rider makes in a day: our convention, generous on purpose; a digit too many is far beyond it."""


def check_names(before: History, entries: Sequence[Entry]) -> None:
    """Refuse a new machine or part whose name is a bare number, or another's but for capital letters.

    A bare number is an entry's number wherever either may be named.

    Raises
    ------
    EntryError
        Naming the other.
    """
    for kind, known in (("machine", before.machines), ("part", before.parts)):
        folded = {name.casefold(): name for name in known}
        for e in entries:
            name = getattr(e, kind) if e.kind == kind else None
            if name is None:
                continue
            if name.isdecimal():
                raise EntryError(f"{kind} {name} would be taken for an entry's number; add a letter to its name", e)
            other = folded.get(name.casefold(), name)
            if other != name:
                raise EntryError(f"{kind} {name} differs from {other} in capital letters only; name it otherwise", e)


def check_photos(before: History, entries: Sequence[Entry]) -> None:
    """Refuse a photo that is a reading of its part already: it would count as two.

    Raises
    ------
    EntryError
        Naming the entry.
    """
    for e in entries:
        if e.kind != "reading" or e.photo_sha256 is None:
            continue
        for there in (reading.entry for reading in before.readings.get(e.part or "", [])):
            # a photo that told nothing may well be tried again with better words
            if there.photo_sha256 == e.photo_sha256 and there.asymmetry_percent is not None:
                raise EntryError(
                    f"this photo is recorded for {e.part} already: entry {there.number}, {there.on_date}; correct or "
                    "withdraw that one, or give --reason",
                    e,
                    there,
                )


def check_daily_distance(after: History, entries: Sequence[Entry]) -> None:
    """Refuse a distance that no rider makes since the machine's entry before, or until the one after.

    Raises
    ------
    EntryError
        Naming both entries and the distance between them.
    """
    new = {e.number: e for e in entries}
    for name in sorted({e.machine for e in entries if e.machine is not None}):
        for one, two in _neighbours(after, name, new):
            days = (dt.date.fromisoformat(two[0]) - dt.date.fromisoformat(one[0])).days
            ridden = two[3] - one[3]
            if ridden > MOST_KM_PER_DAY * (days + 1):  # from the first morning to the last evening
                known = one[1] if two[1] in new else two[1]
                raise EntryError(
                    f"{name} would have run {ridden:.0f} km from {one[0]} to {two[0]}, and more than "
                    f"{MOST_KM_PER_DAY:.0f} km a day is taken for a slip of the pen; mend the distance, correct "
                    f"entry {known}, or give --reason if it is right (toothcheck logbook note {name!r} TEXT "
                    "--at DISTANCE --reason WHY keeps a distance alone)",
                    new.get(two[1], new.get(one[1])),
                )


def _neighbours(
    after: History, machine: str, new: dict[int, Entry]
) -> Iterable[tuple[tuple[str, int, float, float], ...]]:
    pairs = itertools.pairwise(after.machines[machine].totals)
    return (pair for pair in pairs if pair[0][1] in new or pair[1][1] in new)
