"""The ideal teeth, frozen and cited: the gap forms of ISO 606 and the form of ASME B29.1, as outlines in mm."""

from toothcheck.toothform.asme import AsmeForm
from toothcheck.toothform.iso import Faced, IsoForm
from toothcheck.toothform.outline import FLANK, MAX_TEETH, MIN_TEETH, SEAT, TIP, Outline, Piece
from toothcheck.toothform.sheet import FormSheet, form_sheet

__all__ = [
    "FLANK",
    "MAX_TEETH",
    "MIN_TEETH",
    "SEAT",
    "TIP",
    "AsmeForm",
    "Faced",
    "FormSheet",
    "IsoForm",
    "Outline",
    "Piece",
    "form_sheet",
]
