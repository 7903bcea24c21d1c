"""Signs of ours for terminals that know few letters: written out, not as the ``?`` that means "may be damaged" here."""

from __future__ import annotations

import codecs
import io
import unicodedata
from typing import TextIO

_WRITTEN_OUT = {
    "±": "+-", "−": "-", "–": "-", "·": "-", "•": "*", "…": "...", "°": " deg", "×": "x", "≠": "!=", "→": "->",
    "²": "2", "³": "3", "√": "sqrt ", "’": "'", "α": "alpha", "µ": "u", "█": "8", "░": ".",
    **{mark: str(level) for level, mark in enumerate("▁▂▃▄▅▆▇", start=1)},
}  # fmt: skip


def take_all_letters(stream: object) -> None:
    """Let a text stream take every letter: one that its encoding lacks is written out in ASCII."""
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors=_HANDLER)


def shown_on(stream: TextIO, text: str) -> str:
    """A text as it will stand there; for typer, which takes ASCII for a mistake and writes UTF-8 past the stream."""
    encoding = stream.encoding or "utf-8"
    return text.encode(encoding, _HANDLER).decode(encoding)


def _written_out(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(map(_in_ascii, error.object[error.start : error.end])), error.end


def _in_ascii(letter: str) -> str:
    # a letter with an accent keeps its letter
    bare = unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode()
    return _WRITTEN_OUT.get(letter) or bare or "?"


_HANDLER = "toothcheck.written-out"
codecs.register_error(_HANDLER, _written_out)
