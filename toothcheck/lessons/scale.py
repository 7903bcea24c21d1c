"""The grade's bands for teaching: which reading falls where, and how sure one reading makes it."""

from __future__ import annotations

import math

from toothcheck.estimate import Estimate
from toothcheck.grade import BANDS_PERCENT as ASYMMETRY_LIMITS_PERCENT
from toothcheck.grade import CANNOT_TELL, GRADES
from toothcheck.grade import HOOK_MM as OVERHANG_LIMIT_MM
from toothcheck.grade import MEANING as _MEANING
from toothcheck.grade import band as grade_of

__all__ = [
    "ALL_GRADES",
    "ASYMMETRY_LIMITS_PERCENT",
    "GRADES",
    "MEANING",
    "OVERHANG_LIMIT_MM",
    "grade_chances",
    "grade_of",
]

ALL_GRADES = (*GRADES, CANNOT_TELL)
"""In order of wear; ``cannot-tell`` stands apart from them."""

MEANING = {name: f"{text[0].upper()}{text[1:]}." for name, text in _MEANING.items()}
"""What follows from a grade, as a sentence."""


def grade_chances(asymmetry_percent: Estimate, overhang_mm: Estimate) -> dict[str, float]:
    """Probability of each grade from two readings with their standard uncertainties.

    Normal, and independent of each other: good enough to show why a reading beside a limit cannot be sure.  The
    grade of a photo also weighs its flags.
    """
    no_hook = _below(OVERHANG_LIMIT_MM, overhang_mm)
    cumulative = [_below(limit, asymmetry_percent) for limit in ASYMMETRY_LIMITS_PERCENT]
    good, watch, replace_set = cumulative[0], cumulative[1] - cumulative[0], cumulative[2] - cumulative[1]
    return {
        "good": good * no_hook,
        "watch": watch * no_hook,
        "replace-set": replace_set * no_hook,
        "replace-now": 1 - cumulative[2] * no_hook,
    }


def _below(limit: float, reading: Estimate) -> float:
    if reading.std == 0:
        return float(reading.value < limit)
    return 0.5 * math.erfc((reading.value - limit) / (reading.std * math.sqrt(2)))
