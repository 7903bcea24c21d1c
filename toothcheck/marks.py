"""The mark that every result carries, so that toothcheck knows its own where another would take its place."""

from __future__ import annotations

from typing import Any

MADE_BY = "toothcheck"
INSPECTION_SCHEMA = "toothcheck/inspection/1"
"""Of what ``inspect --json`` writes; the logbook keeps it, the report reads it."""
FIGURE: dict[str, dict[str, Any]] = {
    "png": {"Software": MADE_BY},
    "svg": {"Date": None, "Creator": MADE_BY},  # without the day: the same every time
}
"""What matplotlib is to write into a figure, by its form."""
_SIGNS = {
    ".png": rb"\A\x89PNG(?:(?!IDAT).)*?tEXtSoftware\0toothcheck",  # in front of the picture itself
    ".jpg": rb"\A\xff\xd8(?:(?!\xff\xda).)*?\xff\xfe\0\x0ctoothcheck",
    ".svg": rb"<metadata(?:(?!</metadata).)*?>toothcheck<",
    ".dxf": rb"\$CUSTOMPROPERTY\s+1\s+toothcheck\s",
    ".pdf": rb"/Author \(toothcheck",
    ".html": rb'<meta name="generator" content="toothcheck ',
    ".md": rb"\n---\ntoothcheck (?:order sheet|work checklist), ",
}
"""By a file's ending the regular expression that finds the mark; of a table it is the row of its columns."""
ANY_JSON = rb'\A\s*\{\s*"schema":\s*"toothcheck/'
"""The same of JSON, whatever it holds."""

_FOCAL_ALONE = rb"MM\0\*\0\0\0\x08\0\x01\x87i\0\x04\0\0\0\x01\0\0\0\x1a\0{4}\0\x01\xa4\x05\0\x03\0\0\0\x01..\0{6}"
"""An Exif (JEITA CP-3451) that holds the focal length of 35 mm film and nothing else: no camera leaves all else out."""
MADE_SIGNS = {
    **dict.fromkeys((".jpg", ".png", ".webp", ".heic"), _FOCAL_ALONE),
    ".json": rb'\A\{"(?:tier": "[a-z]+", "card": [^,]+, "card_present|chain": "[^"]+", "pitches)": ',
    ".md": rb"\A# Sample photos: invented sprockets of two invented fleets\n",
}
"""As `signs`, of made photos with their truth, which are to look like a camera's and so carry no other mark."""


def signs(json_kind: str) -> dict[str, bytes]:
    """By a file's ending the regular expression that finds the mark of what a result may take the place of.

    Parameters
    ----------
    json_kind
        Of the JSON that is written, if there is one: ``plan`` where its schema is ``toothcheck/plan/1``.  No other JSON
        is replaced: an inspection cannot be made anew from an export of that name.
    """
    return {**_SIGNS, ".json": ANY_JSON + json_kind.encode() + b"/"}
