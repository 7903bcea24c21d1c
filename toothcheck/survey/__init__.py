"""Many photos at once: made with known wear, inspected, and counted up.

`wrong_claim_case`, `accuracy_case`, `damage_case`, `handling_case` and `bore_case` each make one photo (`pair_case` two
of one part; seeded, so that any case can be looked at again), read it as the command does, and give a small record;
`tables` counts records up.  Records are plain JSON, so that a run of hours can be kept and taken up again by the
command ``python -m toothcheck.survey``.
"""

from __future__ import annotations

from toothcheck.survey.bores import bore_case
from toothcheck.survey.cases import accuracy_case, damage_case, handling_case, run_cases, wrong_claim_case
from toothcheck.survey.pairs import pair_case, pair_rows
from toothcheck.survey.plot import reliability_plot
from toothcheck.survey.tables import (
    accuracy_rows,
    bore_rows,
    damage_rows,
    hooks,
    measure_rows,
    patterns_found,
    reliability,
    wrong_claim_rows,
)

__all__ = [
    "accuracy_case",
    "accuracy_rows",
    "bore_case",
    "bore_rows",
    "damage_case",
    "damage_rows",
    "handling_case",
    "hooks",
    "measure_rows",
    "pair_case",
    "pair_rows",
    "patterns_found",
    "reliability",
    "reliability_plot",
    "run_cases",
    "wrong_claim_case",
    "wrong_claim_rows",
]
