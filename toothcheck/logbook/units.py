"""Distances in and out, kilometres or miles; kept in km.

The international mile is 1.609344 km exactly (international yard and pound agreement, 1959).
"""

from __future__ import annotations

import math
import re

KM_PER_MILE = 1.609344
UNITS = ("km", "miles")

_DISTANCE = re.compile(r"([+-]?[0-9][0-9 _'’\u00a0\u202f]*(?:\.[0-9]+)?)\s*([a-z]+)", re.IGNORECASE)
_KM = {"km", "kilometre", "kilometres", "kilometer", "kilometers"}
_MILES = {"mi", "mile", "miles"}


def distance_km(text: str) -> float:
    """Kilometres out of words such as ``24600km``, ``24 600 km``, ``15300 mi`` or ``1200.5 miles``.

    Raises
    ------
    ValueError
        When it is not a number that names its unit.  A comma is refused: one country's thousand is another's decimal.
    """
    found = _DISTANCE.fullmatch(text.strip())
    unit = found.group(2).lower() if found else ""
    if found is None or unit not in _KM | _MILES:
        raise ValueError(f"distance must be a number with its unit, such as 24600km or 15300mi, not {text!r}")
    number = float(re.sub(r"[ _'’\u00a0\u202f]", "", found.group(1)))
    km = number * (KM_PER_MILE if unit in _MILES else 1.0)
    if not (math.isfinite(km) and km >= 0):
        raise ValueError(f"distance must not be negative, not {text!r}")
    return km


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
