"""Teeth of one wheel judged together: what one photo says of all of them says something of each."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from toothcheck.geometry import Bools, Floats

_POOL_FROM = 5
_USUAL_WEIGHT = 8
"""How many teeth's worth of evidence the usual difference between teeth is."""
_USUAL_MM, _USUAL_WORN_MM, _WORN_FROM_MM, _USUAL_SHARE = 0.02, 0.07, 0.15, 0.03
"""What teeth differ by when new, what wear adds from which loss on, and which share of the loss (made photos)."""


class Pooled(NamedTuple):
    """Losses of a wheel's teeth, judged together."""

    value: Floats
    """(t,) each loss, drawn towards the others' middle as far as its own doubt makes that likely."""
    kept: Floats
    """(t,) share of a loss's distance from the middle that is kept, 0…1."""
    middle_std: float
    """Standard uncertainty of the middle, a median, from the losses' own."""


def pool(loss: Floats, std: Floats, clear: Bools) -> Pooled:
    """Best estimates of all teeth's losses (t,) together: one chain has worn them all, so they differ little.

    Empirical Bayes: the losses' spread beyond their own uncertainties says how much teeth differ, and each is drawn to
    the middle by its share of doubt.  The rule of limited translation (Efron and Morris, JASA 66 (1971) 807, from
    memory) keeps a tooth that stands apart, damaged say, within one standard uncertainty of its own reading.

    Parameters
    ----------
    loss, std
        (t,) mm; standard uncertainties that are each tooth's own.
    clear
        (t,) which teeth say what is usual; with fewer than five nothing is drawn anywhere.
    """
    count = int(clear.sum())
    variance = float((std[clear] ** 2).mean()) if count else 0.0
    middle_std = math.sqrt(math.pi / 2 * variance / max(count, 1))
    if count < _POOL_FROM:
        return Pooled(loss, np.ones(len(loss)), middle_std)
    middle = float(np.median(loss[clear]))
    reach = 3 * (1.4826 * float(np.median(np.abs(loss[clear] - middle))) + 0.01)
    spread = float((np.clip(loss[clear] - middle, -reach, reach) ** 2).mean())
    worn = max(0.0, middle)
    usual = (_USUAL_MM + _USUAL_WORN_MM * min(1.0, worn / _WORN_FROM_MM) + _USUAL_SHARE * worn) ** 2
    differ = max(0.0, spread - variance)
    differ = (count * differ + _USUAL_WEIGHT * usual) / (count + _USUAL_WEIGHT)
    kept = differ / (differ + std**2)
    move = np.clip((1 - kept) * (middle - loss), -std, std)
    return Pooled(loss + move, kept, middle_std)
