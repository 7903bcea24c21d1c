"""One plan from everything that is known: both sprockets, chain, adjuster, age and distance."""

from __future__ import annotations

from toothcheck.advice.meshing import Meshing, meshing, roller_lift_mm
from toothcheck.advice.plan import CAUTIONS, Action, ChainState, Plan, Situation, SprocketState, plan_for

__all__ = [
    "CAUTIONS",
    "Action",
    "ChainState",
    "Meshing",
    "Plan",
    "Situation",
    "SprocketState",
    "meshing",
    "plan_for",
    "roller_lift_mm",
]
