"""Chain elongation: from calliper or rule readings, or from pin positions, judged against the model's own limit.

Lengths in mm, elongation in per cent of the nominal length (n pitches of the chain size).  No limit is ever supplied
from here: a limit belongs to the machine's manual and is typed with its source (`Limit`).  The general figures in
`published` are for reading only.
"""

from __future__ import annotations

from toothcheck.stretch.limit import Decision, Limit, decide
from toothcheck.stretch.readings import (
    TOOLS,
    Elongation,
    Reading,
    Tool,
    Trap,
    count_trap,
    doubt_about,
    elongation_of,
    length_mm,
)
from toothcheck.stretch.row import Kink, Link, PinRow, Run, run_of

__all__ = [
    "TOOLS",
    "Decision",
    "Elongation",
    "Kink",
    "Limit",
    "Link",
    "PinRow",
    "Reading",
    "Run",
    "Tool",
    "Trap",
    "count_trap",
    "decide",
    "doubt_about",
    "elongation_of",
    "length_mm",
    "run_of",
]
