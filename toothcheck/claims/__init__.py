"""What is claimed about a photo, and whether the measured wheel bears it out.

The place of the sprocket already answers for tooth count, pitch and scale (`toothcheck.placing`); what is left for
the traced wheel is the roller, the turning, the card's print and height, and the form.  Each check ends in a flag and
a sentence with numbers, never in a silent change of what was claimed.
"""

from __future__ import annotations

from toothcheck.claims.claim import Claim, Found, chain_shares
from toothcheck.claims.form import form_flags, seat_flags, tip_flags
from toothcheck.claims.roller import roller_flags, roller_shares
from toothcheck.claims.scale import card_to_pitch, scale_flags
from toothcheck.claims.turning import (
    SURE,
    coast_flags,
    drive_probability,
    shows_wear,
    side_evidence,
    turning_doubted,
    wear_flags,
    weighed_wear,
)

__all__ = [
    "SURE",
    "Claim",
    "Found",
    "card_to_pitch",
    "chain_shares",
    "coast_flags",
    "drive_probability",
    "form_flags",
    "roller_flags",
    "roller_shares",
    "scale_flags",
    "seat_flags",
    "shows_wear",
    "side_evidence",
    "tip_flags",
    "turning_doubted",
    "wear_flags",
    "weighed_wear",
]
