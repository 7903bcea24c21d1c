"""Files that commands read: text and JSON, or one line that says why not."""

from __future__ import annotations

import codecs
import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothcheck.errors import InputError
from toothcheck.jsontext import parsed

if TYPE_CHECKING:
    from toothcheck.matching import Part

PART_HINT = 'Such a file holds a part\'s values: {"teeth": 15, "bore_mm": 20.1}.'
"""What to do about a part's file that cannot be read as one."""


def bytes_of(path: Path) -> bytes:
    """What a file holds.

    Raises
    ------
    InputError
        When it cannot be read.
    """
    with _refusals_told(path):
        return path.read_bytes()


def text_of(path: Path, *, hint: str) -> str:
    """A file's text.

    Parameters
    ----------
    hint
        What to do where it holds no text at all, as a photo does: how such a file is made.

    Raises
    ------
    InputError
        When it cannot be read, or is not UTF-8.
    """
    data = bytes_of(path)
    try:
        return data.decode("utf-8-sig")  # spreadsheets begin their text with a mark of the encoding
    except UnicodeDecodeError as error:
        if b"\0" in data and not data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            raise InputError(f"{path} is no text: it may be a photo or a program's own file.", hint=hint) from None
        raise InputError(
            f"{path} is not UTF-8 text (byte {error.start}).", hint="Save it again with the encoding UTF-8."
        ) from None


def inside(path: Path) -> list[Path] | None:
    """What a folder holds, in order of name; None where it is no folder.

    Raises
    ------
    InputError
        When it cannot be looked at.
    """
    with _refusals_told(path):
        return sorted(path.iterdir()) if path.is_dir() else None


@contextlib.contextmanager
def _refusals_told(path: Path) -> Iterator[None]:
    """Tell what the system refuses about a name."""
    try:
        yield
    except FileNotFoundError:
        raise InputError(f"{path} does not exist.", hint="Check the name.") from None
    except OSError as error:
        what = "permissions" if isinstance(error, PermissionError) else "name"
        raise InputError(
            f"{path} cannot be read: {error.strerror or type(error).__name__}.", hint=f"Check its {what}."
        ) from error


def part_of(path: Path, told: Mapping[str, object]) -> Part:
    """The part whose values a file holds.

    Raises
    ------
    InputError
        When they are none of a part.
    """
    from toothcheck.matching import part_from_mapping

    try:
        return part_from_mapping(told)
    except ValueError as error:
        raise InputError(f"{path} does not hold a part's values: {error}.", hint=PART_HINT) from None


def json_object_of(path: Path, *, hint: str) -> dict[str, Any]:
    """The JSON object that a file holds.

    Parameters
    ----------
    hint
        What to do where it holds none: how such a file is made.

    Raises
    ------
    InputError
        When it cannot be read, or holds anything else.
    """
    text = text_of(path, hint=hint)
    if not text.strip():
        raise InputError(f"{path} is empty.", hint=hint)
    try:
        told = parsed(text)
    except ValueError as error:
        raise InputError(f"{path} is not JSON that can be read: {error}.", hint=hint) from None
    if not isinstance(told, dict):
        raise InputError(f"{path} must hold a JSON object.", hint=hint)
    return told
