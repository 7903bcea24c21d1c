"""Before and after: the loss of one wheel between two rings, tooth by tooth, aligned on what does not wear.

Sketch: both rings are laid on one reference outline (the middle ISO form), so each becomes a table of offsets, gap by
point.  The difference of two gaps is then, on the coast flank and the coast half of the seat, nothing but place, turn,
size, one edge offset and the rings' own shared unknowns: a linear fit with their priors.  Carried over to the drive
flank, what is left of the difference is the loss.  What the maker left on the part (its gap form, its root depth) is in
both rings and falls out: that is why two photos find less wear than one can.  Photos err more in other ways than good
rings do, so between two photos what each measured by itself goes before (`joined`); the laid rings say which tooth is
which, whether it is the same part, and what is drawn.

Which tooth is which is another question.  Without a mark the wheel may have been turned by any number of pitches; the
coast halves' own small deviations decide, where they are large enough, and when they are not it is said: then only the
median loss holds.

A loss of all coast flanks alike cannot be told from a turned wheel: it is expected to be a small share of the drive
flanks' (see `toothcheck.wear.DatumPriors`), never negative, and what is not known of it is in the uncertainty.
"""

from toothcheck.comparing.aligning import EDGE_STD_MM
from toothcheck.comparing.baseline import AgainstBaseline, against_photo, against_reading, share_of
from toothcheck.comparing.losses import NOT_COMPARED, SURE, Comparison, ToothLoss, compare, joined
from toothcheck.comparing.sameness import Landmarks, check_same

__all__ = [
    "EDGE_STD_MM",
    "NOT_COMPARED",
    "SURE",
    "AgainstBaseline",
    "Comparison",
    "Landmarks",
    "ToothLoss",
    "against_photo",
    "against_reading",
    "check_same",
    "compare",
    "joined",
    "share_of",
]
