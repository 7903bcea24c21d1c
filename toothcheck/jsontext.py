"""JSON as anybody may have written it, read within the same bounds wherever it comes in."""

from __future__ import annotations

import json
import math
from typing import Any


def parsed(text: str) -> Any:  # noqa: ANN401 - whatever the text holds
    """What a JSON text holds; its numbers are such as can be calculated with, to which JSON itself sets no end.

    Raises
    ------
    ValueError
        Saying why it cannot be read: ``json.JSONDecodeError``, with its place, where it is no JSON at all.
    """
    try:
        return json.loads(text, parse_int=_whole, parse_float=_decimal, parse_constant=_constant)
    except RecursionError:
        raise ValueError("it is nested too deep") from None


def _whole(digits: str) -> int:
    if math.isinf(float(digits)):
        raise ValueError(f"it holds a number of {len(digits.lstrip('-'))} digits")
    return int(digits)


def _decimal(digits: str) -> float:
    number = float(digits)
    if math.isinf(number):
        raise ValueError(f"it holds a number too great to calculate with, {digits[:12]}{'…' if digits[12:] else ''}")
    return number


def _constant(word: str) -> None:
    raise ValueError(f"{word} is not a number of JSON")
