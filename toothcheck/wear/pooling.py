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
_RUNOUT_MM, _RUNOUT_SHARE = 0.01, 0.07
"""Standard deviation of what comes and goes once a turn when new, and which share of the loss wear adds: a wheel that
runs out of round, or a bore off its middle, wears more on one side (common practice, no source)."""
_SWEEPS = 6
"""Curve, weights and spread each need the others; of 300 made wheels none moved by more than 0.002 mm after six."""


class Pooled(NamedTuple):
    """Losses of a wheel's teeth, judged together."""

    value: Floats
    """(t,) each loss, drawn towards what the others make likely there, as far as its own doubt makes that likely."""
    kept: Floats
    """(t,) share of a loss's distance from the others that is kept, 0…1."""
    root: Floats
    """(t, k) a root of the covariance of what the others make likely, which is ``root @ root.T``, mm²."""


def pool(loss: Floats, std: Floats, clear: Bools, angle: Floats) -> Pooled:
    """Best estimates of all teeth's losses (t,) together: one chain has worn them all, so they differ little.

    Empirical Bayes: the losses' spread about a mean and what comes once a turn, beyond their own uncertainties, says
    how much teeth differ, and each is drawn to that curve by its share of doubt.  The rule of limited translation
    (Efron and Morris, JASA 66 (1971) 807, from memory) keeps a tooth that stands apart, damaged say, within one
    standard uncertainty of its own reading.

    Parameters
    ----------
    loss, std
        (t,) mm; standard uncertainties that are each tooth's own.
    clear
        (t,) which teeth say what is usual; with fewer than five nothing is drawn anywhere.
    angle
        (t,) radians, where each tooth stands round the wheel.
    """
    count = int(clear.sum())
    basis = np.column_stack([np.ones(len(loss)), np.cos(angle), np.sin(angle)])
    if count < _POOL_FROM:
        variance = float((std[clear] ** 2).mean()) if count else 0.0
        middle_std = math.sqrt(math.pi / 2 * variance / max(count, 1))
        return Pooled(loss, np.ones(len(loss)), middle_std * basis[:, :1])
    middle = float(np.median(loss[clear]))
    worn = max(0.0, middle)
    usual = (_USUAL_MM + _USUAL_WORN_MM * min(1.0, worn / _WORN_FROM_MM) + _USUAL_SHARE * worn) ** 2
    prior = np.diag([0.0, *2 * [1 / (_RUNOUT_MM + _RUNOUT_SHARE * worn) ** 2]])
    rows, y, var = basis[clear], loss[clear] - middle, std[clear] ** 2
    differ = usual
    covariance, curve, weight = np.eye(3), np.zeros(3), np.ones(count)
    for _ in range(_SWEEPS):
        w = weight / (differ + var)
        covariance = np.linalg.inv((rows.T * w) @ rows + prior)
        curve = covariance @ (rows.T * w) @ y
        rest = y - rows @ curve
        reach = 3 * (1.4826 * float(np.median(np.abs(rest))) + 0.01)
        # Huber's weights: a damaged tooth must not bend the curve
        weight = np.minimum(1.0, reach / 2 / np.maximum(np.abs(rest), 1e-9))
        free = count - float(np.trace(covariance @ (rows.T * w) @ rows))
        spread = float((np.clip(rest, -reach, reach) ** 2).sum()) / max(free, 1.0)
        own = max(0.0, spread - float(var.mean()))
        differ = (count * own + _USUAL_WEIGHT * usual) / (count + _USUAL_WEIGHT)
    kept = differ / (differ + std**2)
    move = np.clip((1 - kept) * (middle + basis @ curve - loss), -std, std)
    return Pooled(loss + move, kept, basis @ np.linalg.cholesky(covariance))
