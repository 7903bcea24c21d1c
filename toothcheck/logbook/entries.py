"""`Entry`: one line of the logbook.

The logbook is a list of entries that only grows.  Every fact (a machine, a part, a fitting, a reading, a chain's
length, a note) is one entry; a correction is a new entry of the same kind that names the one it takes the place of.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields, replace

from toothcheck.logbook.units import distance_echo

KINDS = {
    "machine": "a machine joins the logbook",
    "part": "a part joins the logbook",
    "fit": "a part is fitted to a machine",
    "remove": "a part is taken off, to be used again",
    "retire": "a part is taken off for good, or a machine leaves for good",
    "reading": "an inspection of a part",
    "chain-length": "a measured length of chain",
    "distance": "the odometer was read",
    "odometer": "the odometer was replaced or set back",
    "note": "a remark",
    "withdrawal": "an entry is declared void",
}
"""The kinds of entry and what each means."""

POSITIONS = ("front", "rear", "chain")
"""Where a part sits on a machine."""


_MOST_ALIKE = 3
_MOST_NAMED = 8


class EntryError(ValueError):
    """An entry breaks a rule; knows which one, and which other entry it stands against.

    Parameters
    ----------
    what
        One sentence for people; where distances stand in it, what makes it out of the words for a distance in km.
    entry
        The entry refused.
    against
        An entry already there that it contradicts.
    """

    def __init__(
        self,
        what: str | Callable[[Callable[[float], str]], str],
        entry: Entry | None = None,
        against: Entry | None = None,
    ) -> None:
        self._what = what
        super().__init__(self.said("km"))
        self.entry = entry
        self.against = against

    def said(self, unit: str) -> str:
        """The sentence, its distances in that unit (one of `toothcheck.logbook.units.UNITS`)."""
        return self._what if isinstance(self._what, str) else self._what(lambda km: distance_echo(km, unit))


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry; what does not apply to its kind is None.  Columns of the table and of the CSV have these names.

    ``number`` counts up within one logbook and is 0 until stored; ``uid`` is the same in every copy.
    """

    number: int = 0
    uid: str
    recorded_at: str
    """Moment of recording, ISO 8601 in UTC to the second, ``2026-03-01T09:30:00Z``."""
    kind: str
    on_date: str
    """The day it is about, ISO 8601."""
    machine: str | None = None
    part: str | None = None
    distance_km: float | None = None
    """What the machine's odometer showed."""
    new_odometer_km: float | None = None
    """What the new odometer showed when it took over (kind ``odometer``)."""
    operator: str | None = None
    reason: str | None = None
    corrects: str | None = None
    """uid of the entry that this one takes the place of, or declares void."""
    text: str | None = None
    position: str | None = None
    chain: str | None = None
    teeth: int | None = None
    links: int | None = None
    """Number of links of a chain."""
    ridden_km: float | None = None
    """How far a part had run when it joined (kind ``part``); None: unknown."""
    pitches: int | None = None
    """Number of pitches measured over (kind ``chain-length``)."""
    length_mm: float | None = None
    length_std_mm: float | None = None
    asymmetry_percent: float | None = None
    asymmetry_std_percent: float | None = None
    overhang_mm: float | None = None
    overhang_std_mm: float | None = None
    grade: str | None = None
    confidence: float | None = None
    photo_sha256: str | None = None
    kept_photo: str | None = None
    """Name of the stored copy of the photo."""
    tool_version: str | None = None
    document: str | None = None
    """The whole inspection as JSON."""


NAMES = tuple(field.name for field in fields(Entry))
FLOATS = tuple(field.name for field in fields(Entry) if "float" in str(field.type))
INTS = tuple(field.name for field in fields(Entry) if "int" in str(field.type))


def corrected(old: Entry, *, uid: str, recorded_at: str, reason: str, **changes: object) -> Entry:
    """A new entry that takes the place of ``old``.

    Raises
    ------
    ValueError
        When a change touches what identifies the entry (its kind, machine, part or document).
    """
    fixed = {"number", "uid", "recorded_at", "kind", "machine", "part", "corrects", "reason", "document"} & set(changes)
    if fixed:
        raise ValueError(f"{', '.join(sorted(fixed))} cannot be corrected; withdraw the entry and record a new one")
    return replace(old, number=0, uid=uid, recorded_at=recorded_at, reason=reason, corrects=old.uid, **changes)  # type: ignore[arg-type]


def same_letters(name: str) -> str:
    """A name with each letter written in one way (NFC): ``é`` may be one character, or two that look alike."""
    return unicodedata.normalize("NFC", name)


def nearest(name: str, known: Iterable[str]) -> str:
    """For one who named what is not there: the names most like it, or else the first ones, in a few words."""
    names = sorted(known)
    by_letters = {n.casefold(): n for n in names}
    alike = [by_letters[found] for found in difflib.get_close_matches(name.casefold(), by_letters, n=_MOST_ALIKE)]
    if alike:
        return f"did you mean {' or '.join(alike)}?"
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return f"known: {', '.join(names[:_MOST_NAMED]) or 'none yet'}{more}"


def short(value: object) -> str:
    """What somebody wrote, as it is quoted in one line."""
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "an object"
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:30]} … ({len(text)} characters)"
