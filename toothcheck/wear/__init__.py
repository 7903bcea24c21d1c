"""Wear, tooth by tooth: the datum from what drive wear leaves alone, then the losses with their uncertainties.

Each tooth's flanks are smoothed over a few tenths of a millimetre, and every measure is taken from the smoothed flanks;
standard uncertainties come from drawing the datum's unknowns and the flanks' noise together (JCGM 101:2008), since
several measures are maxima or clipped at zero.
"""

from toothcheck.wear.datum import Datum, DatumPriors, fit_datum
from toothcheck.wear.hooks import hook_said
from toothcheck.wear.measures import measure
from toothcheck.wear.worn import ToothWear, WheelWear, worst_of

__all__ = ["Datum", "DatumPriors", "ToothWear", "WheelWear", "fit_datum", "hook_said", "measure", "worst_of"]
