"""Old part against new: field by field fits / differs / cannot tell, each with its uncertainty.

Two parts are compared by what is known of each (`Part`), however it was found: seen in a photo or typed from callipers
and catalogues.  What a photo cannot see stays unknown, with the reason, and an unknown field never fits.
"""

from __future__ import annotations

from toothcheck.matching.compare import FIELDS, Comparison, FieldMatch, compare
from toothcheck.matching.gearing import GearChange, gear_change
from toothcheck.matching.part import OF_THE_CHAIN, Count, Part, part_from_mapping

__all__ = [
    "FIELDS",
    "OF_THE_CHAIN",
    "Comparison",
    "Count",
    "FieldMatch",
    "GearChange",
    "Part",
    "compare",
    "gear_change",
    "part_from_mapping",
]
