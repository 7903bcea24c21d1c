"""`Entry`: one line of the logbook, and what makes it a sound one.

The logbook is a list of entries that only grows.  Every fact (a machine, a part, a fitting, a reading, a chain's
length, a note) is one entry; a correction is a new entry of the same kind that names the one it takes the place of.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any, get_args

from toothcheck.chains import CHAINS, FEWEST_LINKS
from toothcheck.grade import CANNOT_TELL, GRADES, RENEW_ANYWAY, Renewal, halting
from toothcheck.jsontext import parsed
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

DOCUMENT_SCHEMA = "toothcheck/inspection/1"
"""The inspection documents that can be recorded."""
TELLING_MORE = (CANNOT_TELL, GRADES[-1])
"""Grades beside which a document may tell what no column does: that parts are to be renewed all the same, and the teeth
for which nobody may ride, which leave no other grade (`toothcheck.grade.HALTING`)."""
RENEWAL_FIELD = "renew_anyway"
"""Of a document's verdict: when parts are to be renewed though the grade cannot be told."""


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

_ALWAYS = {
    "number",
    "uid",
    "recorded_at",
    "kind",
    "on_date",
    "machine",
    "part",
    "operator",
    "reason",
    "corrects",
    "text",
}
_ALWAYS |= {"tool_version"}
_ALLOWED: dict[str, set[str]] = {
    "machine": {"distance_km"},
    "part": {"position", "chain", "teeth", "links", "ridden_km"},
    "fit": {"distance_km", "position"},
    "remove": {"distance_km"},
    "retire": {"distance_km"},
    "reading": {
        "distance_km", "position", "chain", "teeth", "asymmetry_percent", "asymmetry_std_percent", "overhang_mm",
        "overhang_std_mm", "grade", "confidence", "photo_sha256", "kept_photo", "document",
    },
    "chain-length": {"distance_km", "pitches", "length_mm", "length_std_mm"},
    "distance": {"distance_km"},
    "odometer": {"distance_km", "new_odometer_km"},
    "note": {"distance_km"},
    "withdrawal": set(),
}  # fmt: skip
_NEEDED: dict[str, set[str]] = {
    "machine": {"machine"},
    "part": {"part", "position"},
    "fit": {"machine", "part", "position", "distance_km"},
    "remove": {"machine", "part", "distance_km"},
    "retire": set(),
    "reading": {"machine", "part", "distance_km", "grade"},
    "chain-length": {"machine", "distance_km", "pitches", "length_mm"},
    "distance": {"machine", "distance_km"},
    "odometer": {"machine", "distance_km", "new_odometer_km", "reason"},
    "note": {"text"},
    "withdrawal": {"corrects", "reason"},
}
_NAME = re.compile(r"[^\W_][^\x00-\x1f\x7f\u2028\u2029]{0,79}")
_UID = re.compile(r"[0-9a-f]{32}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_FILE_NAME = re.compile(r"[0-9A-Za-z][0-9A-Za-z._-]{0,99}")
_UNFIT = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")


def same_letters(name: str) -> str:
    """A name with each letter written in one way (NFC): ``é`` may be one character, or two that look alike."""
    return unicodedata.normalize("NFC", name)


def check_name(what: str, name: str) -> str:
    """The name without outer blanks, its letters as `same_letters` has them.

    Raises
    ------
    ValueError
        When it does not begin with a letter or digit, is longer than 80 characters, or holds control characters or
        characters that cannot be seen.
    """
    name = same_letters(name.strip())
    if not _NAME.fullmatch(name) or _UNFIT.search(name):
        raise ValueError(f"{what} must begin with a letter or digit and have at most 80 characters, not {short(name)}")
    if any(unicodedata.category(letter) == "Cf" for letter in name):
        raise ValueError(f"{what} must hold no characters that cannot be seen, not {name!a}")
    return name


def checked(entry: Entry) -> Entry:
    """The entry, when it is sound in itself.

    Raises
    ------
    EntryError
        Naming the field, its value and the rule.
    """

    def refuse(what: str) -> EntryError:
        return EntryError(what, entry)

    for name in ("kind", "uid", "recorded_at", "on_date"):  # all else is looked at below
        if not isinstance(getattr(entry, name), str):
            raise refuse(f"{name} must be text, not {short(getattr(entry, name))}")
    if entry.kind not in KINDS:
        raise refuse(f"kind must be one of {', '.join(KINDS)}, not {short(entry.kind)}")
    if not _UID.fullmatch(entry.uid):
        raise refuse(f"uid must be 32 hexadecimal digits, not {short(entry.uid)}")
    _check_times(entry, refuse)
    for name in NAMES:
        value = getattr(entry, name)
        if value is None:
            if name in _NEEDED[entry.kind]:
                raise refuse(f"a {entry.kind} entry needs {name}")
            continue
        if name not in _ALWAYS | _ALLOWED[entry.kind]:
            raise refuse(f"a {entry.kind} entry has no {name}")
        if name in FLOATS:
            if not isinstance(value, float) or not math.isfinite(value):
                raise refuse(f"{name} must be a finite number, not {short(value)}")
        elif name in INTS:
            if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 2**31:
                raise refuse(f"{name} must be a whole number, not {short(value)}")
        elif not isinstance(value, str) or value == "" or _UNFIT.search(value):
            raise refuse(f"{name} must be text without control characters and not empty, not {short(value)}")
    for name in ("machine", "part"):
        value = getattr(entry, name)
        if value is not None:
            try:
                if check_name(name, value) != value:
                    raise refuse(f"{name} must be in NFC and not begin or end with a blank, not {short(value)}")
            except ValueError as error:
                raise refuse(str(error)) from None
    _check_values(entry, refuse)
    return entry


def check_sense(entry: Entry) -> None:
    """Refuse values that no part or reading has.

    Kept apart from `checked`: a logbook may hold such a value in an entry that was corrected since, which must still
    travel.

    Raises
    ------
    EntryError
        Naming the field, its value and the rule.
    """
    if entry.teeth is not None:
        from toothcheck.toothform.outline import MAX_TEETH, MIN_TEETH

        if not MIN_TEETH <= entry.teeth <= MAX_TEETH:
            raise EntryError(f"teeth must lie between {MIN_TEETH} and {MAX_TEETH}, not {entry.teeth}", entry)
    if entry.links is not None and entry.links < FEWEST_LINKS:
        raise EntryError(f"links must be {FEWEST_LINKS} or more, not {entry.links}", entry)
    if entry.chain is not None and entry.chain not in CHAINS:
        raise EntryError(f"chain must be one of {', '.join(CHAINS)}, not {short(entry.chain)}", entry)
    if entry.grade is not None:
        from toothcheck.grade import ALL_GRADES

        if entry.grade not in ALL_GRADES:
            raise EntryError(f"grade must be one of {', '.join(ALL_GRADES)}, not {short(entry.grade)}", entry)


def _check_times(entry: Entry, refuse: Callable[[str], EntryError]) -> None:
    try:
        recorded = dt.datetime.strptime(entry.recorded_at, "%Y-%m-%dT%H:%M:%SZ")
    except ValueError:
        raise refuse(f"recorded_at must look like 2026-03-01T09:30:00Z, not {short(entry.recorded_at)}") from None
    try:
        on_date = dt.date.fromisoformat(entry.on_date)
        if entry.on_date != on_date.isoformat():
            raise ValueError
    except ValueError:
        raise refuse(f"on_date must be a day of the calendar such as 2026-03-01, not {short(entry.on_date)}") from None
    # one day of grace: the user's calendar may be ahead of UTC
    if on_date > recorded.date() + dt.timedelta(days=1):
        raise refuse(f"on_date {entry.on_date} lies after the day of recording, {recorded.date()}")


def _check_values(entry: Entry, refuse: Callable[[str], EntryError]) -> None:
    for name in ("distance_km", "new_odometer_km", "ridden_km", "asymmetry_std_percent", "overhang_std_mm"):
        value = getattr(entry, name)
        if value is not None and not 0 <= value < 1e7:
            raise refuse(f"{name} must lie between 0 and 10 million, not {short(value)}")
    if entry.position is not None and entry.position not in POSITIONS:
        raise refuse(f"position must be one of {', '.join(POSITIONS)}, not {short(entry.position)}")
    if entry.kind == "retire" and entry.part is None and entry.machine is None:
        raise refuse("a retire entry needs part or machine")
    if entry.kind == "reading" and entry.position == "chain":
        raise refuse("a reading is of a sprocket; a chain gets a chain-length entry")
    for name in ("pitches", "teeth", "links"):
        value = getattr(entry, name)
        if value is not None and value < 1:
            raise refuse(f"{name} must be 1 or more, not {short(value)}")
    if entry.length_mm is not None and not 0 < entry.length_mm < 1e5:
        raise refuse(f"length_mm must lie between 0 and 100 000, not {short(entry.length_mm)}")
    if entry.length_std_mm is not None and not 0 <= entry.length_std_mm < 1e4:
        raise refuse(f"length_std_mm must lie between 0 and 10 000, not {short(entry.length_std_mm)}")
    for value_name, std_name in (
        ("asymmetry_percent", "asymmetry_std_percent"),
        ("overhang_mm", "overhang_std_mm"),
    ):
        if (getattr(entry, value_name) is None) != (getattr(entry, std_name) is None):
            raise refuse(f"{value_name} and {std_name} go together")
    if entry.confidence is not None and not 0 <= entry.confidence <= 1:
        raise refuse(f"confidence must lie between 0 and 1, not {short(entry.confidence)}")
    if entry.photo_sha256 is not None and not _SHA256.fullmatch(entry.photo_sha256):
        raise refuse(f"photo_sha256 must be 64 hexadecimal digits, not {short(entry.photo_sha256)}")
    if entry.kept_photo is not None and not _FILE_NAME.fullmatch(entry.kept_photo):
        raise refuse(f"kept_photo must be a plain file name, not {short(entry.kept_photo)}")
    if entry.corrects is not None and not entry.reason:
        raise refuse("a correction needs a reason")
    if entry.corrects == entry.uid:
        raise refuse("an entry cannot correct itself")
    if entry.document is not None:
        _check_document(entry, refuse)


def _check_document(entry: Entry, refuse: Callable[[str], EntryError]) -> None:
    try:
        document = parsed(entry.document or "")
        facts, written = facts_of(document), dumped(stripped(document))
    except json.JSONDecodeError as error:
        raise refuse(f"document is not JSON: {error}") from None
    except ValueError as error:
        raise refuse(f"document: {error}") from None
    if written != entry.document:
        raise refuse("document holds data of the photo's place or owner, or is not in the form that this tool writes")
    for name, value in facts.items():
        if getattr(entry, name) != value:
            raise refuse(
                f"{name} is {short(getattr(entry, name))}, but the document says {short(value)}; what an inspection "
                "says is not corrected: withdraw the reading (correct NUMBER --withdraw), and inspect the photo again"
            )


def dumped(document: dict[str, Any]) -> str:
    """The one way in which documents are written: compact, in the order given, never NaN.

    Raises
    ------
    ValueError
        When something in it is not JSON.
    """
    try:
        return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except TypeError as error:
        raise ValueError(f"document must hold JSON only: {error}") from None
    except RecursionError:
        raise ValueError("the document is nested too deep") from None


def short(value: object) -> str:
    """What somebody wrote, as it is quoted in one line."""
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "an object"
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:30]} … ({len(text)} characters)"


# what a photo's file can tell about where it was taken and by whom; none of it is ever stored
_PRIVATE = re.compile(
    r"gps|latitude|longitude|altitude|^location|owner|artist|author|creator|copyright|serial_?n|exif|xmp|iptc"
    r"|maker_?note|user_?comment|^device|^host|^user|^path$|_path$",
    re.IGNORECASE,
)
_PHOTO_KEYS = ("name", "sha256", "width_px", "height_px")


def stripped(document: dict[str, Any]) -> dict[str, Any]:
    """The document without anything that tells where, by whom or with what the photo was taken.

    Of ``photo`` only name (no folders), hash and size stay; elsewhere keys with such names go.

    Raises
    ------
    ValueError
        When it is nested hundreds of times.
    """

    def strip(value: object) -> object:
        if isinstance(value, dict):
            return {key: strip(v) for key, v in value.items() if not _PRIVATE.search(str(key))}
        if isinstance(value, list):
            return [strip(v) for v in value]
        return value

    try:
        out = {key: strip(value) for key, value in document.items() if not _PRIVATE.search(str(key))}
    except RecursionError:
        raise ValueError("the document is nested too deep") from None
    photo = document.get("photo")
    if isinstance(photo, dict):
        kept = {key: photo[key] for key in _PHOTO_KEYS if key in photo}
        if isinstance(kept.get("name"), str):
            kept["name"] = re.split(r"[/\\]", kept["name"])[-1]
        out["photo"] = kept
    return out


def facts_of(document: dict[str, Any]) -> dict[str, Any]:
    """The columns of a reading that repeat what its document says.

    Raises
    ------
    ValueError
        When the document is not one that ``toothcheck inspect`` writes.
    """
    schema = document.get("schema") if isinstance(document, dict) else None
    if schema != DOCUMENT_SCHEMA:
        instead = "and there is none" if schema is None else f"not {short(schema)}"
        raise ValueError(f"its schema must be {DOCUMENT_SCHEMA!r}, {instead}")
    try:
        sprocket, wear, verdict = document["sprocket"], document["wear"], document["verdict"]
        nothing = {"value": None, "std": None}
        asymmetry = nothing if wear is None else wear["asymmetry_percent"] or nothing
        overhang = nothing if wear is None else wear["overhang_mm"] or nothing
        renewal_of(document)  # whose field may be anybody's words
        return {
            "position": _text(sprocket["position"], *POSITIONS),
            "chain": _text(sprocket["chain"]),
            "teeth": _count(sprocket["teeth"]),
            "asymmetry_percent": _float(asymmetry["value"]),
            "asymmetry_std_percent": _float(asymmetry["std"]),
            "overhang_mm": _float(overhang["value"]),
            "overhang_std_mm": _float(overhang["std"]),
            "grade": _text(verdict["grade"]),
            "confidence": _float(verdict["confidence"]),
            "photo_sha256": _text(document["photo"]["sha256"]),
        }
    except KeyError as error:
        raise ValueError(f"{error.args[0]} is missing in it") from None
    except (TypeError, AttributeError):
        raise ValueError("it is not laid out as an inspection is") from None


def halts_of(document: dict[str, Any]) -> tuple[int, ...]:
    """The teeth for which nobody may ride before a mechanic has looked, by an inspection document."""
    teeth = document.get("teeth")
    known = [tooth for tooth in teeth if isinstance(tooth, dict)] if isinstance(teeth, list) else []  # anybody's file
    return halting(
        (tooth["index"], [code for code in tooth["flags"] if isinstance(code, str)])
        for tooth in known
        if isinstance(tooth.get("index"), int) and isinstance(tooth.get("flags"), list)
    )


def renewal_of(document: dict[str, Any]) -> Renewal | None:
    """When parts are to be renewed though an inspection document could not tell the grade; None where they are not.

    Raises
    ------
    ValueError
        When the document's own field holds neither of the two.
    """
    verdict = document.get("verdict") or {}
    if verdict.get("grade") != CANNOT_TELL:
        return None
    if RENEWAL_FIELD not in verdict:
        return _renewal_before_the_field(verdict.get("next_steps"))
    when: Renewal | None = verdict[RENEWAL_FIELD]
    if when is not None and when not in get_args(Renewal):
        raise ValueError(f"{RENEWAL_FIELD} must be null or one of {', '.join(get_args(Renewal))}, not {short(when)}")
    return when


def _renewal_before_the_field(steps: object) -> Renewal | None:
    """As `renewal_of`, of a document made before there was a field for it: its sentence says so."""
    found = [step for step in steps if str(step).startswith(RENEW_ANYWAY)] if isinstance(steps, list) else []
    return None if not found else "next-opportunity" if found[0] == RENEW_ANYWAY else "before-next-ride"


def _text(value: object, *known: str) -> str | None:
    if value is not None and (not isinstance(value, str) or (known and value not in known)):
        raise ValueError(f"{short(value)} stands where {' or '.join(known) or 'a text'} belongs")
    return value


def _count(value: object) -> int | None:
    if value is not None and (isinstance(value, bool) or not isinstance(value, int)):
        raise ValueError(f"{short(value)} stands where a whole number belongs")
    return value


def _float(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{short(value)} stands where a number belongs")
    try:
        return float(value)
    except OverflowError:
        raise ValueError("it holds a number of hundreds of digits") from None


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
