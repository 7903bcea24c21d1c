"""The grade's bands for teaching: which reading falls where."""

from __future__ import annotations

from toothcheck.grade import ALL_GRADES, GRADES
from toothcheck.grade import BANDS_PERCENT as ASYMMETRY_LIMITS_PERCENT
from toothcheck.grade import HOOK_MM as OVERHANG_LIMIT_MM
from toothcheck.grade import MEANING as _MEANING
from toothcheck.grade import band as grade_of

__all__ = [
    "ALL_GRADES",
    "ASYMMETRY_LIMITS_PERCENT",
    "GRADES",
    "MEANING",
    "OVERHANG_LIMIT_MM",
    "grade_of",
]

MEANING = {name: f"{text[0].upper()}{text[1:]}." for name, text in _MEANING.items()}
"""What follows from a grade, as a sentence."""
