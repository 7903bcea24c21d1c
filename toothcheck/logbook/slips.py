"""Slips of the pen: what is not taken from a person unasked, though a logbook may hold it (an import may bring it)."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

from toothcheck.logbook.entries import Entry, EntryError
from toothcheck.logbook.history import History

MOST_KM_PER_DAY = 3000.0
"""More than any rider makes in a day (our convention, generous on purpose): a digit too many shows within weeks."""
ALWAYS_KM = 10_000.0
"""A distance that `MOST_KM_PER_DAY` allows passes up to here, whatever the machine's pace before (our convention)."""
MOST_TIMES = 10
"""Beyond `ALWAYS_KM` no machine is taken to run that many times as fast as before (our convention): a digit too many
comes to about nine times the whole odometer, however long ago the entry before was made."""
USUAL_KM_PER_DAY = 100.0
"""A machine's pace where its entries do not tell it yet: more than most ride (our convention)."""


def refuse(slips: Iterable[EntryError]) -> None:
    """Refuse the first slip, if there is one.

    Raises
    ------
    EntryError
        That slip.
    """
    for slip in slips:
        raise slip


def name_slips(before: History, entries: Sequence[Entry]) -> Iterator[EntryError]:
    """New machines or parts whose name is a bare number, or another's but for capital letters.

    A bare number is an entry's number wherever either may be named.
    """
    for kind, known in (("machine", before.machines), ("part", before.parts)):
        folded = {name.casefold(): name for name in known}
        for e in entries:
            name = getattr(e, kind) if e.kind == kind else None
            if name is None:
                continue
            if name.isdecimal():
                yield EntryError(f"{kind} {name} would be taken for an entry's number; add a letter to its name", e)
            other = folded.setdefault(name.casefold(), name)
            if other != name:
                yield EntryError(f"{kind} {name} differs from {other} in capital letters only; name it otherwise", e)


def photo_slips(before: History, entries: Sequence[Entry]) -> Iterator[EntryError]:
    """Photos that are a reading of their part already: they would count as two."""
    for e in entries:
        if e.kind != "reading" or e.photo_sha256 is None:
            continue
        for there in (reading.entry for reading in before.readings.get(e.part or "", [])):
            # a photo that told nothing may well be tried again with better words
            if there.photo_sha256 == e.photo_sha256 and there.asymmetry_percent is not None:
                yield EntryError(
                    f"this photo is recorded for {e.part} already: entry {there.number}, {there.on_date}; correct or "
                    "withdraw that one, or give --again with the reason why this entry shall count instead",
                    e,
                    there,
                )


def in_its_words(e: Entry) -> Entry:
    """An entry without its number, its mark, its time and its reason: two that are alike so say the same."""
    return replace(e, number=0, uid="", recorded_at="", corrects=None, reason=None)


def repeated_slips(before: Iterable[Entry], entries: Sequence[Entry]) -> Iterator[EntryError]:
    """Lengths that the logbook holds already, word for word, and notes that repeat the machine's newest.

    Parameters
    ----------
    before
        What stands in the logbook.
    entries
        To be added.
    """
    there: dict[Entry, Entry] = {}
    newest: dict[str | None, Entry] = {}
    for e in sorted(before, key=lambda e: e.number):
        if e.kind == "chain-length":
            there[in_its_words(e)] = e
        elif e.kind == "note":
            newest[e.machine] = e
    for e in entries:
        last = newest.get(e.machine) if e.kind == "note" else None
        same = last is not None and in_its_words(last) == in_its_words(e)
        old = last if same else there.get(in_its_words(e))
        if old is not None:
            yield EntryError(
                f"this is entry {old.number} already, word for word, and was not recorded again; correct or withdraw "
                f"that one, or say {'in its text' if e.kind == 'note' else 'with --text'} what differs",
                e,
                old,
            )


def distance_slips(
    before: History, after: History, entries: Sequence[Entry], *, excuse: str | None
) -> Iterator[EntryError]:
    """Distances that no rider makes since the machine's entry before, or until the one after.

    Each names both entries and the distance between them.

    Parameters
    ----------
    before, after
        The state without and with ``entries``.
    entries
        The new ones, numbered.
    excuse
        What lets such a distance pass, for people; ``{}`` stands for the machine's name.  None: nothing does.
    """
    new = {e.number: e for e in entries}
    for name in sorted({e.machine for e in entries if e.machine is not None}):
        rate = before.machines[name].riding_rate() if name in before.machines else None
        for one, two in _neighbours(after, name, new):
            days = 1 + (dt.date.fromisoformat(two[0]) - dt.date.fromisoformat(one[0])).days  # morning to evening
            ridden = two[3] - one[3]
            rule = _broken(ridden, days, None if rate is None else rate[0])
            if rule is not None:
                known = one[1] if two[1] in new else two[1]
                yield EntryError(
                    _far(name, ridden, one[0], two[0], rule, known, excuse), new.get(two[1], new.get(one[1]))
                )


_Said = Callable[[float], str]


def _broken(ridden_km: float, days: int, rate_km: float | None) -> Callable[[_Said], str] | None:
    """The rule that a distance breaks, in words; ``rate_km`` is what the machine ran a day before, if that is known."""
    if ridden_km > MOST_KM_PER_DAY * days:
        return lambda said: f"{said(MOST_KM_PER_DAY)} a day"
    usual_km = USUAL_KM_PER_DAY if rate_km is None else rate_km
    if ridden_km <= max(ALWAYS_KM, MOST_TIMES * usual_km * days):
        return None
    if rate_km is None:
        return lambda said: (
            f"{said(ALWAYS_KM)} at {MOST_TIMES} times {said(usual_km)} a day (its pace is not known yet)"
        )
    return lambda said: f"{said(ALWAYS_KM)} at {MOST_TIMES} times the {said(usual_km)} a day that it ran before"


def _far(
    machine: str, ridden_km: float, first: str, last: str, rule: Callable[[_Said], str], known: int, excuse: str | None
) -> Callable[[_Said], str]:
    ways = f"mend the distance or correct entry {known}"
    if excuse is not None:
        ways = f"mend the distance, correct entry {known}, or {excuse.format(repr(machine))}"
    return lambda said: (
        f"{machine} would have run {said(ridden_km)} from {first} to {last}, and more than {rule(said)} is taken for a "
        f"slip of the pen; {ways}"
    )


def _neighbours(
    after: History, machine: str, new: dict[int, Entry]
) -> Iterable[tuple[tuple[str, int, float, float], ...]]:
    pairs = itertools.pairwise(after.machines[machine].totals)
    return (pair for pair in pairs if pair[0][1] in new or pair[1][1] in new)
