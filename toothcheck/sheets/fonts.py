"""The font of every paper with people's own words on it, and what becomes of letters that it does not have.

It comes with matplotlib and is embedded: the PDF's own fonts hold Windows-1252 only, which turned two machines with
names of other letters into the same row of question marks.  It has Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew
and Arabic letters, and neither Chinese, Japanese, Korean nor Indian ones.
"""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
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


_RIGHT_TO_LEFT = ("R", "AL")
_TURNED = str.maketrans("()[]{}<>«»", ")(][}{><»«")
_CLOSES = {")": "(", "]": "[", "}": "{"}
_NUMBER = r"\d+(?:[.,:/-]\d+)*"


def as_seen(text: str) -> str:
    """The text's letters from left to right as they are seen, for a writer that sets them down as they come.

    Hebrew and Arabic words run from right to left, the numbers among them from left to right, in a text that as a whole
    runs from left to right (Unicode Standard Annex 9, rules W1 to L4 without explicit marks); Arabic letters join.
    By our own hand, since python-bidi 0.6 leaves brackets unturned (rule L4).
    Neglected: words that run from right to left over more than one line have their lines in the wrong order.
    """
    kinds = [unicodedata.bidirectional(letter) for letter in text]
    out, at = [], 0
    while at < len(text):
        if kinds[at] not in _RIGHT_TO_LEFT:
            out.append(text[at])
            at += 1
            continue
        end = here = at
        while here < len(text) and kinds[here] != "L":
            if kinds[here] in (*_RIGHT_TO_LEFT, "EN", "AN", "NSM"):  # what stands behind the last of them is the text's
                end = here
            here += 1
        run = text[at : end + 1]
        if text[end + 1 : end + 2] in _CLOSES and run.count(_CLOSES[text[end + 1]]) > run.count(text[end + 1]):
            end += 1  # what was opened among these words is closed among them
        out.append(_turned_round(_joined(text[at : end + 1])))
        at = end + 1
    return "".join(out)


def _turned_round(run: str) -> str:
    parts: list[str] = []
    for part in re.findall(f"{_NUMBER}|.", run, re.DOTALL):
        if unicodedata.combining(part[0]) and parts:
            parts[-1] += part  # a mark stays behind its letter
        else:
            parts.append(part if len(part) > 1 else part.translate(_TURNED))
    return "".join(reversed(parts))


@cache
def _forms() -> dict[str, dict[str, str]]:
    """Of each Arabic letter, and of lam with an alef, the forms by place that Unicode has for old encodings."""
    forms: dict[str, dict[str, str]] = defaultdict(dict)
    for code in (*range(0xFB50, 0xFBB2), *range(0xFBD3, 0xFC00), *range(0xFE80, 0xFEFD)):
        place, *letters = unicodedata.decomposition(chr(code)).split() or [""]
        if letters and _has(chr(code)):
            forms["".join(chr(int(letter, 16)) for letter in letters)][place] = chr(code)
    return dict(forms)


def _joined(run: str) -> str:
    """Arabic letters in the form that their place in the word asks for."""
    forms = _forms()
    parts = re.findall("\u0644[\u0622\u0623\u0625\u0627]|.", run, re.DOTALL)  # lam and alef are one
    plain = tuple(parts)
    at = [i for i, part in enumerate(parts) if not unicodedata.combining(part[0])]  # marks do not part their letters
    for before, i, after in zip([None, *at], at, [*at[1:], None], strict=False):
        own = forms.get(plain[i], {})
        left_open = before is not None and "<initial>" in forms.get(plain[before], {})
        joins_before = left_open and "<final>" in own
        joins_after = "<initial>" in own and after is not None and "<final>" in forms.get(plain[after], {})
        place = ("<medial>" if joins_after else "<final>") if joins_before else "<initial>" if joins_after else ""
        parts[i] = own.get(place or "<isolated>", plain[i])
    return "".join(parts)


def legend(texts: Iterable[str]) -> str:
    """What the codes of `printable` in these texts stand for; empty when there are none."""
    lacking = sorted({c for text in texts for c in unicodedata.normalize("NFC", text) if not _has(c)})
    if not lacking:
        return ""
    named = ", ".join(f"{_code(c)} {unicodedata.name(c, 'of no name')}" for c in lacking)
    return f"Letters that the font does not have stand as their Unicode numbers: {named}."
