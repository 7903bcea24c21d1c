"""One plan from everything that is known: both sprockets, chain, adjuster, age and distance."""

from __future__ import annotations

from toothcheck.advice.evidence import said_of
from toothcheck.advice.meshing import Meshing, links_doubt, meshing, roller_lift_mm
from toothcheck.advice.plan import CAUTIONS, Action, Plan, plan_for
from toothcheck.advice.seen import LENGTH_HOLDS_KM, PHOTO_HOLDS_KM, UNREAD_DAYS, Dispute, Halt, InWords, Seen
from toothcheck.advice.situation import CONFIDENT, ChainState, Situation, SprocketState

__all__ = [
    "CAUTIONS",
    "CONFIDENT",
    "LENGTH_HOLDS_KM",
    "PHOTO_HOLDS_KM",
    "UNREAD_DAYS",
    "Action",
    "ChainState",
    "Dispute",
    "Halt",
    "InWords",
    "Meshing",
    "Plan",
    "Seen",
    "Situation",
    "SprocketState",
    "links_doubt",
    "meshing",
    "plan_for",
    "roller_lift_mm",
    "said_of",
]
