"""The font of every paper with people's own words on it, and what becomes of letters that it does not have.

It comes with matplotlib and is embedded: the PDF's own fonts hold Windows-1252 only, which turned two machines with
names of other letters into the same row of question marks.  It has Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew
and Arabic letters (not joined to each other), and neither Chinese, Japanese, Korean nor Indian ones.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from functools import cache
from itertools import groupby
from pathlib import Path

NAMES = ("page", "page-bold")
"""What the font and its bold cut are called in a PDF."""


@cache
def fonts() -> tuple[str, str]:
    """`NAMES`, with the font registered under them."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    name, bold = NAMES
    pdfmetrics.registerFont(TTFont(name, folder / "DejaVuSans.ttf"))
    pdfmetrics.registerFont(TTFont(bold, folder / "DejaVuSans-Bold.ttf"))
    pdfmetrics.registerFontFamily(name, normal=name, bold=bold, italic=name, boldItalic=bold)
    return NAMES


@cache
def _letters() -> frozenset[int]:
    """Code points that both cuts of the font have."""
    from reportlab.pdfbase import pdfmetrics

    regular, bold = (set(pdfmetrics.getFont(name).face.charToGlyph) for name in fonts())
    return frozenset(regular & bold)


def _has(letter: str) -> bool:
    return ord(letter) in _letters() or letter.isspace()


def printable(text: str) -> str:
    """The text with letters that the font does not have as their codes, such as ``[U+99C5 U+524D]``.

    So two names that differ stay two names on paper.
    """
    runs = [(had, [*letters]) for had, letters in groupby(unicodedata.normalize("NFC", text), key=_has)]
    return "".join("".join(run) if had else f"[{' '.join(map(_code, run))}]" for had, run in runs)


def _code(letter: str) -> str:
    return f"U+{ord(letter):04X}"


def legend(texts: Iterable[str]) -> str:
    """What the codes of `printable` in these texts stand for; empty when there are none."""
    lacking = sorted({c for text in texts for c in unicodedata.normalize("NFC", text) if not _has(c)})
    if not lacking:
        return ""
    named = ", ".join(f"{_code(c)} {unicodedata.name(c, 'of no name')}" for c in lacking)
    return f"Letters that the font does not have stand as their Unicode numbers: {named}."
