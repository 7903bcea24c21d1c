"""Chain elongation: from calliper or rule readings, or from pin positions, judged against the model's own limit.

Lengths in mm, elongation in per cent of the nominal length (n pitches of the chain size).  No limit is ever supplied
from here: a limit belongs to the machine's manual and is typed with its source (`Limit`).  The general figures in
`published` are for reading only.
"""

from __future__ import annotations

from toothcheck.stretch.limit import Decision, Limit, decide
from toothcheck.stretch.readings import (
    COUNT_SHOWS_PITCHES,
    SLACK,
    TOOLS,
    Elongation,
    Reading,
    Tool,
    Trap,
    check_rollers,
    count_trap,
    doubt_about,
    elongation_of,
    estimate_of,
    if_one_fewer,
    length_mm,
    says_nothing,
    span_of,
)
from toothcheck.stretch.row import Kink, Link, PinRow, Run, run_of

__all__ = [
    "COUNT_SHOWS_PITCHES",
    "SLACK",
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
    "check_rollers",
    "count_trap",
    "decide",
    "doubt_about",
    "elongation_of",
    "estimate_of",
    "if_one_fewer",
    "length_mm",
    "run_of",
    "says_nothing",
    "span_of",
]
