"""An inspection's document, as a reading keeps it: what it says, and what of it is never stored."""

from __future__ import annotations

import json
import re
from typing import Any, get_args

from toothcheck.grade import CANNOT_TELL, GRADES, HALTING, RENEW_ANYWAY, Renewal, halting
from toothcheck.logbook.entries import POSITIONS, short
from toothcheck.marks import INSPECTION_SCHEMA

TELLING_MORE = (CANNOT_TELL, GRADES[-1])
"""Grades beside which a document may tell what no column does: that parts are to be renewed all the same, and the teeth
for which nobody may ride, which leave no other grade (`toothcheck.grade.HALTING`)."""
RENEWAL_FIELD = "renew_anyway"
"""Of a document's verdict: when parts are to be renewed though the grade cannot be told."""
SIGNS_OF_MORE = (f'"{RENEWAL_FIELD}":"', RENEW_ANYWAY, *(f'"{code}"' for code in sorted(HALTING)))
"""What stands in such a document where it does, as `dumped` writes it; the sentence is that of documents older than the
field."""

# what a photo's file can tell about where it was taken and by whom; none of it is ever stored
_PRIVATE = re.compile(
    r"gps|latitude|longitude|altitude|^location|owner|artist|author|creator|copyright|serial_?n|exif|xmp|iptc"
    r"|maker_?note|user_?comment|^device|^host|^user|^path$|_path$",
    re.IGNORECASE,
)
_PHOTO_KEYS = ("name", "sha256", "width_px", "height_px")


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
    if schema != INSPECTION_SCHEMA:
        instead = "and there is none" if schema is None else f"not {short(schema)}"
        raise ValueError(f"its schema must be {INSPECTION_SCHEMA!r}, {instead}")
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
