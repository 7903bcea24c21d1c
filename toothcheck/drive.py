"""The drive of one machine out of the logbook: what is fitted now and what is known of it, ready for advice."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

from toothcheck.advice import ChainState, Dispute, Seen, Situation, SprocketState
from toothcheck.chains import Chain
from toothcheck.chains import chain as chain_of
from toothcheck.estimate import Estimate
from toothcheck.logbook import Entry, History, JudgedLength, Length, Machine, Reading, judged, judged_length, nearest
from toothcheck.stretch import TOOLS, Limit, count_trap, doubt_about, estimate_of, if_one_fewer, says_nothing

LIMIT_NOTE = "Chain limit: "
"""How a note begins that keeps a machine's chain limit."""
ROLLERS_NOTE = "Rollers counted: "
"""How the remark on a chain's length begins that keeps how many rollers were counted from end to end."""


def limit_kept(machine: Machine, size: Chain | None) -> Limit | None:
    """The newest chain limit noted for a machine, if it can be read."""
    for entry in reversed(machine.entries):
        if entry.kind == "note" and entry.text is not None and entry.text.startswith(LIMIT_NOTE):
            try:
                return Limit.parse(
                    entry.text.removeprefix(LIMIT_NOTE), pitch_mm=None if size is None else size.pitch_mm
                )
            except ValueError:
                continue  # a note that people wrote their own way
    return None


def length_remark(rollers: int | None, text: str | None = None) -> str | None:
    """The remark kept with a chain's length: how many rollers were counted, and what else is said of it."""
    counted = None if rollers is None else f"{ROLLERS_NOTE}{rollers}"
    return "; ".join(said for said in (counted, text) if said) or None


def rollers_of(e: Entry) -> int | None:
    """How many rollers were counted for a length, by its remark."""
    found = re.match(rf"{ROLLERS_NOTE}([0-9]{{1,4}})(?![0-9])", e.text or "")  # anybody's words may stand there
    return None if found is None else int(found[1])


def unlike_a_length(length_mm: float, pitches: int, size: Chain, rollers: int | None = None) -> str | None:
    """What a length looks like instead, such as rollers counted as pitches; None where nothing speaks against it.

    Parameters
    ----------
    length_mm, pitches, size
        As measured, and of which chain.
    rollers
        How many were counted from end to end, if they were.
    """
    trap = count_trap(length_mm, pitches, size, sure=rollers is not None)
    hides_wear = if_one_fewer(length_mm, 0.0, pitches, size) is not None
    return trap.sentence if trap is not None and (trap.spoils or hides_wear) else None


def too_unsure(std_mm: float | None, pitches: int, size: Chain) -> str | None:
    """Why a length known to ``std_mm`` over so many pitches says nothing; None where it does, or none is given."""
    return None if std_mm is None else says_nothing(100 * std_mm / (pitches * size.pitch_mm))


def length_slip(history: History, e: Entry) -> str | None:
    """Why a chain's length would not have been taken from the one who types it; None for one that is, and other kinds.

    ``history`` holds the entry, which an import may have brought.
    """
    if e.kind != "chain-length" or e.machine is None or e.length_mm is None or e.pitches is None:
        return None
    size = chain_size(history, e.machine, e.part)
    if size is None:
        return None
    unlike = unlike_a_length(e.length_mm, e.pitches, size, rollers_of(e))
    if unlike is not None:
        return unlike.removesuffix(".")
    nothing = too_unsure(e.length_std_mm, e.pitches, size)
    return None if nothing is None else f"length_std_mm {e.length_std_mm:g}: over {e.pitches} pitches {nothing}"


def chain_size(history: History, machine: str, part: str | None) -> Chain | None:
    """The size of a chain; where it is not known, that of what else is fitted with it now."""
    known = history.parts.get(part or "")
    if known is not None and known.entry.chain is not None:
        return chain_of(known.entry.chain)
    there = history.machines.get(machine)
    return size_of(history, there) if there is not None and part in (None, there.fitted.get("chain")) else None


def size_of(history: History, machine: Machine) -> Chain | None:
    """The chain size of what is fitted, if any of it tells: the chain's own before its sprockets'."""
    sizes = [_size_at(history, machine, position) for position in ("chain", "front", "rear")]
    known = next((size for size in sizes if size is not None), None)
    return None if known is None else chain_of(known)


def _size_at(history: History, machine: Machine, position: str) -> str | None:
    """The chain size of the part fitted at a position: as it was added, else as its newest reading has it."""
    part = history.parts.get(machine.fitted.get(position, ""))
    if part is None or part.entry.chain is not None:
        return None if part is None else part.entry.chain
    readings = reversed(history.readings.get(part.name, []))
    return next((reading.entry.chain for reading in readings if reading.entry.chain is not None), None)


def situation_of(history: History, name: str, *, today: dt.date, size: Chain | None = None) -> Situation:
    """What the logbook knows of a machine's drive.

    Parameters
    ----------
    history
        The logbook's state.
    name
        The machine's.
    today
        For the chain's age, and for how long the odometer has not been read.
    size
        The chain's size when it is told; else the logbook's.

    Raises
    ------
    ValueError
        When there is no such machine.
    """
    if name not in history.machines:
        raise ValueError(f"machine {name} is not in the logbook ({nearest(name, history.machines)})")
    machine = history.machines[name]
    return Situation(
        front=_sprocket(history, machine, "front", today),
        rear=_sprocket(history, machine, "rear", today),
        chain=chain_of_machine(history, machine, today=today, size=size),
        size=size or size_of(history, machine),
    )


def chain_of_machine(history: History, machine: Machine, *, today: dt.date, size: Chain | None = None) -> ChainState:
    """What the logbook knows of the chain fitted now: the length that counts against the newest limit noted.

    The length is the chain's, on whichever machine it was measured; the limit is the machine's.

    Parameters
    ----------
    history, machine
        The logbook's state, and one of its machines.
    today
        As for `situation_of`.
    size
        The chain's size when it is told; else the logbook's.
    """
    own_size = _size_at(history, machine, "chain") if size is None else size.name
    size = size or size_of(history, machine)
    part = history.parts.get(machine.fitted.get("chain", ""))
    known: dict[str, Any] = {"size": own_size}
    if part is not None and part.current is not None:
        known["links"] = part.entry.links
        known["distance_km"] = history.part_km(part) if part.start_known else None
        if part.entry.ridden_km == 0:
            fitted = dt.date.fromisoformat(part.fittings[0].from_date)  # storage ages seals and grease, too
            known["age_years"] = round(max(0, (today - fitted).days) / 365.25, 1)
    found = None if size is None else _judged_length(history, machine, None if part is None else part.name, size)
    if found is not None and size is not None:
        length = found.counts
        known["elongation_percent"], known["misread"] = length.elongation_percent, length.misread
        known["if_one_fewer_percent"] = _one_fewer(length.reading.entry, size)
        now = machine.total_km if part is None else history.part_km(part)
        known["seen"] = Seen(
            on=length.reading.entry.on_date,
            part_km=length.reading.part_km if part is not None and part.start_known else None,
            since_km=max(0.0, now - length.reading.part_km),
            unread_days=_unread_days(machine, today),
        )
        known["dispute"] = _dispute(found.dispute, found.remedy)
    return ChainState(limit=limit_kept(machine, size), **known)


_SIDES = {
    "beyond": "BEYOND ITS LIMIT",
    "too-near": "too near its limit to tell",
    "within": "within its limit",
    "no-limit": "no limit typed",
    "cannot-tell": "count of pitches not sure",
}


def chain_in_short(chain: ChainState) -> str:
    """How a chain stands against its limit, in a few words with the day; empty when it was not measured."""
    if chain.elongation_percent is None or chain.seen is None:
        return ""
    stands = "reading cannot be right" if chain.decision is None else _SIDES[chain.decision.side]
    more = f"{', too old' if chain.old else ''}{', a later length disagrees' if chain.dispute is not None else ''}"
    return f"{stands} ({chain.seen.on}{more})"


def chains_due(history: History, *, today: dt.date) -> dict[str, str]:
    """Machines in use whose chain is beyond its limit or cannot be told from it, or was misread: `chain_in_short`."""
    out = {}
    for name, machine in sorted(history.machines.items()):
        if machine.retired_on is not None:
            continue
        chain = chain_of_machine(history, machine, today=today)
        side = None if chain.decision is None else chain.decision.side
        if chain.doubt is not None or side in ("beyond", "too-near", "cannot-tell"):
            out[name] = chain_in_short(chain)
    return out


def _sprocket(history: History, machine: Machine, position: str, today: dt.date) -> SprocketState | None:
    part = history.parts.get(machine.fitted.get(position, ""))
    if part is None:
        return None
    readings = history.readings.get(part.name, [])
    km = history.part_km(part) if part.start_known else None
    size = _size_at(history, machine, position)
    found = judged(readings)
    if found is None:
        # fitted but never looked at: its teeth still tell something
        return SprocketState(grade="cannot-tell", teeth=part.entry.teeth, distance_km=km, chain_size=size)
    e = found.counts.entry
    asymmetry = None
    if e.asymmetry_percent is not None and e.asymmetry_std_percent is not None:
        asymmetry = Estimate(value=e.asymmetry_percent, std=e.asymmetry_std_percent)
    return SprocketState(
        grade=e.grade or "cannot-tell",  # type: ignore[arg-type]  # the logbook holds text; SprocketState checks it
        confidence=e.confidence,
        teeth=e.teeth or part.entry.teeth,
        asymmetry_percent=asymmetry,
        distance_km=km,
        seen=Seen(
            on=e.on_date,
            part_km=found.counts.part_km if part.start_known else None,
            since_km=max(0.0, history.part_km(part) - found.counts.part_km),
            unread_days=_unread_days(machine, today),
        ),
        untold_on=None if found.untold is None else found.untold.entry.on_date,
        chain_size=size,
        dispute=_dispute(found.dispute, found.remedy),
        halt=found.halt,
        renew=found.newest.renew,
        remark=found.remark,
    )


def length_dispute(history: History, part: str | None, machine: str) -> Dispute | None:
    """That the lengths of a chain contradict one another; of the machine's, where it is not known which chain it was.

    Parameters
    ----------
    part, machine
        As in the entry of a length.
    """
    size = chain_size(history, machine, part)
    found = None if size is None else _judged_length(history, history.machines[machine], part, size)
    return None if found is None else _dispute(found.dispute, found.remedy)


def _judged_length(history: History, machine: Machine, part: str | None, size: Chain) -> JudgedLength | None:
    """Of a chain's lengths the one that counts; of the machine's, where it is not known which chain it was."""
    lengths = machine.lengths if part is None else history.lengths.get(part, [])
    return judged_length([_elongation(length, size) for length in lengths])


def _dispute(sentence: str | None, remedy: str | None) -> Dispute | None:
    return None if sentence is None or remedy is None else Dispute(sentence=sentence, remedy=remedy)


def _unread_days(machine: Machine, today: dt.date) -> int:
    """Days since the odometer was read last; a logbook that is ahead of the calendar counts as read today."""
    return max(0, (today - dt.date.fromisoformat(machine.totals[-1][0])).days) if machine.totals else 0


def _elongation(reading: Reading, size: Chain) -> Length:
    """A length's elongation, and what it looks like instead when it cannot be right."""
    mm, pitches, std = _measured(reading.entry)
    percent = estimate_of(mm, std, pitches, size)
    trap = count_trap(mm, pitches, size)
    misread = doubt_about(percent.value)
    if trap is not None and trap.spoils:
        misread = f"{trap.sentence} (Logbook entry {reading.entry.number}.)"
    return Length(reading=reading, elongation_percent=percent, misread=misread)


def _one_fewer(e: Entry, size: Chain) -> Estimate | None:
    """What a length is should its pitches have been counted one too many, where nothing speaks against that."""
    mm, pitches, std = _measured(e)
    return None if rollers_of(e) == pitches + 1 else if_one_fewer(mm, std, pitches, size)


def _measured(e: Entry) -> tuple[float, int, float]:
    """A chain-length entry's length in mm, its pitches and its standard uncertainty in mm."""
    if e.length_mm is None or e.pitches is None:
        raise ValueError(f"entry {e.number} must be a chain-length with length_mm and pitches, not {e.kind}")
    # recorded without its own uncertainty: read with a rule
    return e.length_mm, e.pitches, TOOLS["rule"].std_mm if e.length_std_mm is None else e.length_std_mm
