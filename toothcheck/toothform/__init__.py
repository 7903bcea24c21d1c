"""The ideal teeth, frozen and cited: the gap forms of ISO 606 and the form of ASME B29.1, as outlines in mm."""

from toothcheck.toothform.asme import AsmeForm
from toothcheck.toothform.iso import IsoForm
from toothcheck.toothform.outline import FLANK, MAX_TEETH, MIN_TEETH, SEAT, TIP, Outline

__all__ = ["FLANK", "MAX_TEETH", "MIN_TEETH", "SEAT", "TIP", "AsmeForm", "IsoForm", "Outline"]
