"""What was recorded, in words, and what to mind with it; also what ``inspect --log`` calls to record."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothcheck.cli.books import kilometres, opened, place, say, telling
from toothcheck.errors import ToothcheckError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from toothcheck.logbook import Entry, History, Logbook, Part


OFF = {"remove": "removed", "retire": "retired"}


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
                at=at_said(book, made[-1], at),
                before=in_words(made[:-1], at),
                after=to_mind(book, made[-1]),
            )
        except (ToothcheckError, ValueError):
            if kept is not None and fresh:  # what was not recorded leaves no photo behind
                (folder / kept).unlink(missing_ok=True)
            raise


def told(book: Logbook, made: Sequence[Entry], said: str | None, last: str) -> None:
    """Say what was recorded, a line for each entry, so that none is made unseen; ``last`` is the last one's."""
    say(*in_words(made[:-1], said), f"Entry {made[-1].number}: {last}{at_said(book, made[-1], said)}.")
    say(*to_mind(book, made[-1]))


def at_said(book: Logbook, e: Entry, words: str | None) -> str:
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
            return length_of_part_said(e)
        if e.kind == "part":
            return f"part {e.part}: {size_said(e, unit)}"
        return f"noted: {e.text}" if e.kind == "note" else f"{e.part} {OFF[e.kind]}"

    return tuple(f"Entry {e.number}: {deed(e)}." for e in entries)


def length_said(e: Entry) -> str:
    """A measured length of chain, for people."""
    return f"{e.length_mm:g} mm over {e.pitches} pitches"


def length_of_part_said(e: Entry) -> str:
    """The same with the chain's name, where it has one."""
    return f"{length_said(e)}{f' of {e.part}' if e.part else ''}"


def percent_said(e: Entry) -> str:
    """A reading's asymmetry, for people."""
    from toothcheck.estimate import Estimate

    if e.asymmetry_percent is None or e.asymmetry_std_percent is None:
        return "no number"
    return Estimate(value=e.asymmetry_percent, std=e.asymmetry_std_percent).text("%")


def size_said(e: Entry, unit: str) -> str:
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


def to_mind(book: Logbook, e: Entry) -> tuple[str, ...]:
    """What an entry brought about that does not go together: other sizes, or a part that would have healed."""
    import datetime as dt

    from toothcheck.drive import chain_size, length_dispute, situation_of
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
    if e.kind == "chain-length" and e.machine is not None:
        dispute = length_dispute(history, e.part, e.machine)
        if dispute is not None:
            lines.append(f"Mind: {dispute.sentence} {dispute.remedy}")
        if chain_size(history, e.machine, e.part) is None:
            known = history.parts.get(e.part or "")
            way = (
                "add-part MACHINE chain --chain SIZE --at DISTANCE --on DAY (as it was fitted)"
                if known is None
                else f"correct {known.entry.number} --chain SIZE --reason WHY"
            )
            lines.append(
                "Mind: the logbook does not know the chain's size, so this length counts in no list and no plan of "
                f"{e.machine} yet. Tell it: toothcheck logbook {way}"
            )
    return tuple(lines)


def _parts_of(history: History, e: Entry) -> list[Part]:
    return [history.parts[e.part]] if e.part in history.parts else []
