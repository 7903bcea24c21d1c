"""Files that commands read: text and JSON, or one line that says why not."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from toothcheck.errors import InputError


def text_of(path: Path) -> str:
    """A file's text.

    Raises
    ------
    InputError
        When it cannot be read, or is not UTF-8.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")  # spreadsheets begin their text with a mark of the encoding
    except FileNotFoundError:
        raise InputError(f"{path} does not exist.", hint="Check the name.") from None
    except OSError as error:
        raise InputError(
            f"{path} cannot be read: {error.strerror or type(error).__name__}.", hint="Check the name."
        ) from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path} is not UTF-8 text (byte {error.start}).", hint="Save it again with the encoding UTF-8."
        ) from None


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
    text = text_of(path)
    try:
        told = json.loads(text, parse_int=_whole_number)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path} is not JSON that can be read: {error}.", hint=hint) from None
    if not isinstance(told, dict):
        raise InputError(f"{path} must hold a JSON object.", hint=hint)
    return told


def _whole_number(digits: str) -> int:
    """Of a size that can be calculated with: JSON itself sets no end to it.

    Raises
    ------
    ValueError
        Naming how long it is.
    """
    if math.isinf(float(digits)):
        raise ValueError(f"it holds a number of {len(digits.lstrip('-'))} digits")
    return int(digits)
