"""The drive of one machine out of the logbook: what is fitted now and what is known of it, ready for advice."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

from toothcheck.advice import ChainState, Seen, Situation, SprocketState
from toothcheck.chains import Chain
from toothcheck.chains import chain as chain_of
from toothcheck.estimate import Estimate
from toothcheck.logbook import Entry, History, Machine, newest_telling
from toothcheck.stretch import TOOLS, Limit, count_trap, estimate_of, if_one_fewer

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


def _rollers_of(e: Entry) -> int | None:
    """How many rollers were counted for a length, by its remark."""
    found = re.match(rf"{ROLLERS_NOTE}(\d+)", e.text or "")
    return None if found is None else int(found[1])


def chain_size(history: History, machine: str, part: str | None) -> Chain | None:
    """The size of a chain; where it is not known, that of what else is fitted with it now."""
    known = history.parts.get(part or "")
    if known is not None and known.entry.chain is not None:
        return chain_of(known.entry.chain)
    there = history.machines.get(machine)
    return size_of(history, there) if there is not None and part in (None, there.fitted.get("chain")) else None


def size_of(history: History, machine: Machine) -> Chain | None:
    """The chain size of what is fitted, if any of it tells."""
    for position in ("chain", "front", "rear"):
        part = history.parts.get(machine.fitted.get(position, ""))
        if part is not None and part.entry.chain is not None:
            return chain_of(part.entry.chain)
    for position in ("front", "rear"):
        for reading in reversed(history.readings.get(machine.fitted.get(position, ""), [])):
            if reading.entry.chain is not None:
                return chain_of(reading.entry.chain)
    return None


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
        names = ", ".join(sorted(history.machines)[:8]) or "none yet"
        raise ValueError(f"machine must be one of the logbook ({names}), not {name!r}")
    machine = history.machines[name]
    size = size or size_of(history, machine)
    return Situation(
        front=_sprocket(history, machine, "front", today),
        rear=_sprocket(history, machine, "rear", today),
        chain=chain_of_machine(history, machine, today=today, size=size),
        size=size,
    )


def chain_of_machine(history: History, machine: Machine, *, today: dt.date, size: Chain | None = None) -> ChainState:
    """What the logbook knows of the chain fitted now: its newest length against the newest limit noted.

    Parameters
    ----------
    history, machine
        The logbook's state, and one of its machines.
    today
        As for `situation_of`.
    size
        The chain's size when it is told; else the logbook's.
    """
    size = size or size_of(history, machine)
    part = history.parts.get(machine.fitted.get("chain", ""))
    known: dict[str, Any] = {}
    if part is not None and part.current is not None:
        known["links"] = part.entry.links
        known["distance_km"] = history.part_km(part) if part.start_known else None
        if part.entry.ridden_km == 0:
            fitted = dt.date.fromisoformat(part.fittings[0].from_date)  # storage ages seals and grease, too
            known["age_years"] = round((today - fitted).days / 365.25, 1)
    length = _newest_length(history, machine)
    if length is not None and size is not None:
        known |= _elongation(length, size)
        then = history.own_km.get(length.uid)
        if part is not None and then is not None:
            since = history.part_km(part) - then
        else:  # of no part by name: by what the machine ran
            since = machine.total_km - next(total for _, number, _, total in machine.totals if number == length.number)
        own = known.get("distance_km")
        known["seen"] = Seen(
            on=length.on_date,
            part_km=None if own is None else max(0.0, own - since),
            since_km=max(0.0, since),
            unread_days=_unread_days(machine, today),
        )
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
    return f"{stands} ({chain.seen.on}{', too old' if chain.old else ''})"


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
    if not readings:
        # fitted but never looked at: its teeth still tell something
        return SprocketState(grade="cannot-tell", teeth=part.entry.teeth, distance_km=km)
    newest = readings[-1]
    telling = newest_telling(readings) or newest
    e = telling.entry
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
            part_km=telling.part_km if part.start_known else None,
            since_km=max(0.0, history.part_km(part) - telling.part_km),
            unread_days=_unread_days(machine, today),
        ),
        untold_on=None if newest is telling else newest.entry.on_date,
    )


def _unread_days(machine: Machine, today: dt.date) -> int:
    """Days since the odometer was read last; a logbook that is ahead of the calendar counts as read today."""
    return max(0, (today - dt.date.fromisoformat(machine.totals[-1][0])).days) if machine.totals else 0


def _newest_length(history: History, machine: Machine) -> Entry | None:
    """The newest chain length that belongs to the chain fitted now.

    An entry that names no chain is of the one fitted when it stood in turn: a day may hold the old chain's length and
    the new chain's fitting.
    """
    newest, there = None, None
    for e in machine.entries:
        part = history.parts.get(e.part or "")
        if part is not None and part.entry.position == "chain" and e.kind in ("fit", "remove", "retire"):
            there = e.part if e.kind == "fit" else None
        elif e.kind == "chain-length" and (e.part or there) == machine.fitted.get("chain"):
            newest = e
    return newest


def _elongation(e: Entry, size: Chain) -> dict[str, Any]:
    """A length's elongation, and what it is instead when it cannot be right, or may have been counted wrong."""
    if e.length_mm is None or e.pitches is None:
        return {}
    # recorded without its own uncertainty: read with a rule
    std = TOOLS["rule"].std_mm if e.length_std_mm is None else e.length_std_mm
    sure = _rollers_of(e) == e.pitches + 1
    trap = count_trap(e.length_mm, e.pitches, size)
    return {
        "elongation_percent": estimate_of(e.length_mm, std, e.pitches, size),
        "if_one_fewer_percent": None if sure else if_one_fewer(e.length_mm, std, e.pitches, size),
        "misread": None if trap is None or not trap.spoils else f"{trap.sentence} (Logbook entry {e.number}.)",
    }
