"""What is held to be known of a part before any reading; the numbers are assumed where nothing else is said."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toothcheck.geometry import Floats
from toothcheck.trend.practice import PRIOR_SPREAD
from toothcheck.trend.result import Point

OFFSET_STD = 0.5
"""Error that all readings of one part share, %."""
STEP_STD = 30.0
"""A jump may have any size, %."""
SILENT_STD = 10 * STEP_STD
"""Uncertainty given to a reading that shall say nothing, %."""
_MEMORY_DAYS = 75.0  # how long a way of riding lasts: a season, a tour, a neglected chain
_MEMORY = (0.5, 3.0, 8.0)  # thousand km of that: least, when the riding rate is not known, and most
_UNKNOWN_START = (4.0, 15.0)  # %, wear of a part that joined with an unknown past: mean and a wide spread
_ODD_SHARE, _ODD_SPREADS = 0.05, 3.0  # some parts wear quite unlike common practice: so many, spread so much wider
_USED_SHARE = 0.05  # of parts said to be new that were not
_DOUBT_SIGMAS = 2.0  # a first reading so far above common practice makes us ask whether the part was new


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What one part's wear is held to follow before any reading."""

    rate: float
    """Middle rate, % per 1000 km; its logarithm spreads by `PRIOR_SPREAD`."""
    starts: tuple[tuple[float, float, float], ...]
    """What the wear may have been at 0 km: mean and spread in %, and how likely that is."""
    memory: float
    """How long a way of riding lasts, thousand km."""

    def log_density(self, z: Floats) -> Floats:
        """Of the rate, so many spreads of its logarithm from the middle one."""
        odd = _ODD_SHARE * density(z / _ODD_SPREADS) / _ODD_SPREADS
        out: Floats = np.log((1 - _ODD_SHARE) * density(z) + odd)
        return out


def density(z: Floats | float) -> Floats:
    """The standard normal density; scipy's takes a second to load and checks each call at length."""
    out: Floats = np.exp(-0.5 * np.square(z)) / math.sqrt(2 * math.pi)
    return out


def memory_of(km_per_day: float | None) -> float:
    """How long a way of riding lasts, thousand km; ``km_per_day`` is the riding rate, where known."""
    least, usual, most = _MEMORY
    return usual if km_per_day is None else min(most, max(least, _MEMORY_DAYS * km_per_day / 1000))


def starts_of(points: Sequence[Point], rate: float, *, known: bool) -> tuple[tuple[float, float, float], ...]:
    """What the wear at 0 km may have been; asks whether a new part was new where its first reading is high."""
    if not known:
        return ((*_UNKNOWN_START, 1.0),)
    new = (0.0, 0.0)
    if points:
        usual = rate * math.exp(_DOUBT_SIGMAS * PRIOR_SPREAD) * points[0].km / 1000
        if points[0].percent > usual + _DOUBT_SIGMAS * math.hypot(points[0].std_percent, OFFSET_STD):
            return (*new, 1 - _USED_SHARE), (*_UNKNOWN_START, _USED_SHARE)
    return ((*new, 1.0),)
