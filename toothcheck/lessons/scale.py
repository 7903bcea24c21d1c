"""The grade's bands for teaching: which reading falls where, and how sure one reading makes it."""

from __future__ import annotations

import math

from toothcheck.estimate import Estimate

GRADES = ("good", "watch", "replace-set", "replace-now")
"""In order of wear; ``cannot-tell`` stands apart from them."""
ALL_GRADES = (*GRADES, "cannot-tell")

ASYMMETRY_LIMITS_PERCENT = (5.0, 10.0, 25.0)
"""Where the next grade begins; this project's convention (measures.md, section 5): no standard sets a limit."""
OVERHANG_LIMIT_MM = 0.3
"""From here on a hook alone means ``replace-now``."""

MEANING = {
    "good": "No measurable hook. Look again at the next service.",
    "watch": "Measurable wear. Photograph at each service, and plan parts.",
    "replace-set": "Renew both sprockets and the chain together at the next opportunity.",
    "replace-now": "Do not ride on it. Renew both sprockets and the chain.",
    "cannot-tell": "The photo does not support a grade. It says what to change for the next one.",
}
"""What follows from a grade, in words for a workshop."""


def grade_of(asymmetry_percent: float, overhang_mm: float = 0.0) -> str:
    """The grade of an exact reading."""
    if overhang_mm >= OVERHANG_LIMIT_MM:
        return "replace-now"
    return GRADES[sum(asymmetry_percent >= limit for limit in ASYMMETRY_LIMITS_PERCENT)]


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
