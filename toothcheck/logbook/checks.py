"""What makes an entry a sound one: its fields by its kind, their values, and names that can be read."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import unicodedata
from collections.abc import Callable

from toothcheck.chains import CHAINS, FEWEST_LINKS
from toothcheck.grade import ALL_GRADES
from toothcheck.jsontext import parsed
from toothcheck.logbook.documents import dumped, facts_of, stripped
from toothcheck.logbook.entries import FLOATS, INTS, KINDS, NAMES, POSITIONS, Entry, EntryError, same_letters, short
from toothcheck.toothform import MAX_TEETH, MIN_TEETH

_ALWAYS = {
    "number", "uid", "recorded_at", "kind", "on_date", "machine", "part", "operator", "reason", "corrects", "text",
    "tool_version",
}  # fmt: skip
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
MOST_PERCENT = 100
"""More than the whole tooth is not gone from its drive flank: a decimal comma was lost on the way."""
_NAME = re.compile(r"[^\W_][^\x00-\x1f\x7f\u2028\u2029]{0,79}")
_UID = re.compile(r"[0-9a-f]{32}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_FILE_NAME = re.compile(r"[0-9A-Za-z][0-9A-Za-z._-]{0,99}")
_UNFIT = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")


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
    _check_fields(entry, refuse)
    _check_names(entry, refuse)
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
    if entry.teeth is not None and not MIN_TEETH <= entry.teeth <= MAX_TEETH:
        raise EntryError(f"teeth must lie between {MIN_TEETH} and {MAX_TEETH}, not {entry.teeth}", entry)
    if entry.links is not None and entry.links < FEWEST_LINKS:
        raise EntryError(f"links must be {FEWEST_LINKS} or more, not {entry.links}", entry)
    if entry.chain is not None and entry.chain not in CHAINS:
        raise EntryError(f"chain must be one of {', '.join(CHAINS)}, not {short(entry.chain)}", entry)
    for name in ("asymmetry_percent", "asymmetry_std_percent"):
        value = getattr(entry, name)
        # what an inspection says of itself is kept as it says it
        if value is not None and entry.document is None and abs(value) > MOST_PERCENT:
            raise EntryError(f"{name} must lie within ± {MOST_PERCENT}, the whole tooth, not {value:g}", entry)
    if entry.grade is not None and entry.grade not in ALL_GRADES:
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


def _check_fields(entry: Entry, refuse: Callable[[str], EntryError]) -> None:
    """Each field that the kind needs, none that it does not have, and all of their own type."""
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
            if not isinstance(value, int) or isinstance(value, bool) or value >= 2**31:
                raise refuse(f"{name} must be a whole number, not {short(value)}")
            if value < 0:
                raise refuse(f"{name} must not be negative, not {short(value)}")
        elif not isinstance(value, str) or value == "" or _UNFIT.search(value):
            raise refuse(f"{name} must be text without control characters and not empty, not {short(value)}")


def _check_names(entry: Entry, refuse: Callable[[str], EntryError]) -> None:
    for name in ("machine", "part"):
        value = getattr(entry, name)
        if value is None:
            continue
        try:
            right = check_name(name, value)
        except ValueError as error:
            raise refuse(str(error)) from None
        if right != value:
            raise refuse(f"{name} must be in NFC and not begin or end with a blank, not {short(value)}")


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
