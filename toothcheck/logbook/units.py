"""Distances in and out, kilometres or miles; kept in km.

The international mile is 1.609344 km exactly (international yard and pound agreement, 1959).
"""

from __future__ import annotations

import math
import re

KM_PER_MILE = 1.609344
UNITS = ("km", "miles")

_BLANKS = "[ _'’\u00a0\u202f]"
_DISTANCE = re.compile(rf"([+-]?[0-9](?:[0-9]|{_BLANKS})*(?:[.,][0-9]+)?)\s*([a-z]+)", re.IGNORECASE)
_THOUSAND = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_KM = {"km", "kilometre", "kilometres", "kilometer", "kilometers"}
_MILES = {"mi", "mile", "miles"}


def distance_km(text: str) -> float:
    """Kilometres out of words such as ``24600km``, ``24 600 km``, ``15300 mi`` or ``1200.5 miles``.

    Raises
    ------
    ValueError
        When it is not a number that names its unit.  A comma is refused, and so is ``24.600``: one country's thousand
        is another's decimal.
    """
    number, unit = _split(text)
    km = number * (KM_PER_MILE if unit == "miles" else 1.0)
    if not 0 <= km < math.inf:
        raise ValueError(f"distance must not be negative, not {text!r}")
    return km


def unit_said(text: str) -> str:
    """The unit, one of ``UNITS``, in which a distance was said.

    Raises
    ------
    ValueError
        As for `distance_km`.
    """
    return _split(text)[1]


def _split(text: str) -> tuple[float, str]:
    found = _DISTANCE.fullmatch(text.strip())
    word = found.group(2).lower() if found else ""
    if found is None or word not in _KM | _MILES:
        raise ValueError(f"distance must be a number with its unit, such as 24600km or 15300mi, not {text!r}")
    digits = re.sub(_BLANKS, "", found.group(1))
    if _THOUSAND.fullmatch(digits):
        whole, part = re.split("[.,]", digits)
        decimal = f"{float(f'{whole}.{part}'):.2f}".rstrip("0").rstrip(".")
        raise ValueError(
            f"distance must be read in one way only, not {text!r}: write {whole}{part}{word} or {decimal}{word}"
        )
    if "," in digits:
        raise ValueError(f"distance must have a decimal point, not a comma: {digits.replace(',', '.')}{word}")
    if math.isinf(float(digits)):
        raise ValueError(f"distance must be one that can be ridden, not a number of {len(digits)} digits")
    return float(digits), "miles" if word in _MILES else "km"


def in_unit(km: float, unit: str) -> float:
    """A distance in km, in the unit asked for (one of ``UNITS``).

    Raises
    ------
    ValueError
        When the unit is neither.
    """
    if unit not in UNITS:
        raise ValueError(f"unit must be one of {', '.join(UNITS)}, not {unit!r}")
    return km / KM_PER_MILE if unit == "miles" else km


def distance_text(km: float, unit: str = "km") -> str:
    """For people: whole units, thousands apart (``24 600 km``)."""
    return f"{in_unit(km, unit):,.0f}".replace(",", " ") + f" {unit}"


def distance_echo(km: float, unit: str = "km") -> str:
    """As `distance_text`, with a decimal where the distance has one, so that a slip of the pen shows."""
    value = round(in_unit(km, unit), 1)
    return f"{value:,.{0 if value.is_integer() else 1}f}".replace(",", " ") + f" {unit}"


def distance_rough(km: float, unit: str = "km") -> str:
    """A distance with no digit finer than a forecast deserves: to 10, from 1000 on to 100."""
    value = in_unit(km, unit)
    place = 100 if value >= 1000 else 10
    return f"{round(value / place) * place:,.0f} {unit}".replace(",", " ")
