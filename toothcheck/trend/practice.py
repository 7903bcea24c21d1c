"""How fast a sprocket wears before anything was read of it, as workshops have it: common practice, no source."""

from __future__ import annotations

import math

from toothcheck.logbook import in_unit

PRIOR_SOURCE = "common practice, no source"
_LIFE_KM = (15.0, 40.0)  # thousand km to 10 % at the front
PRIOR_RATE = 10 / math.sqrt(_LIFE_KM[0] * _LIFE_KM[1])
"""Middle rate of a front sprocket before any reading, % per 1000 km."""
PRIOR_SPREAD = 0.5
"""Standard deviation of the rate's logarithm: 15-40 thousand km is read as a loose 68 % range, not as limits."""
REAR_SLOWER = 2.41
"""A front tooth of 17 meets a roller 41/17 times as often as a rear tooth of 41."""


def usual_life(unit: str) -> str:
    """How far a front sprocket runs to 10 %, in words; ``unit`` is ``km`` or ``miles``."""
    least, most = (in_unit(life, unit) for life in _LIFE_KM)
    return f"{least:.0f}-{most:.0f} thousand {unit}"


def usual_rate(position: str) -> float:
    """Middle rate before any reading, % per 1000 km.

    Raises
    ------
    ValueError
        When the position is neither ``front`` nor ``rear``.
    """
    if position not in ("front", "rear"):
        raise ValueError(f"position must be front or rear, not {position!r}")
    return PRIOR_RATE if position == "front" else PRIOR_RATE / REAR_SLOWER
