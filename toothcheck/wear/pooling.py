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
_ASTRAY, _ASTRAY_MM = 0.03, 0.25
"""How often a flank's reading is off by more than its own points tell, and by how much: another edge was followed all
along it, a shadow's, dirt's or the far rim's (560 flanks of made photos: 17 off by 0.13 to 0.44 mm)."""
_APART, _APART_MM = 0.01, 0.5
"""The same for a tooth that has truly lost more than its neighbours: nicked, bent or ground (common practice, no
source).  A chain that wears them all leaves none much less worn than the others."""
_SWEEPS = 6
"""Curve, weights and spread each need the others; of 300 made wheels none moved by more than 0.002 mm after six."""


class Pooled(NamedTuple):
    """Losses of a wheel's teeth, judged together."""

    value: Floats
    """(t,) each loss, drawn towards what the others make likely there, as far as its own doubt makes that likely."""
    kept: Floats
    """(t,) share of a loss's distance from the others that is kept, 0…1."""
    own: Floats
    """(t,) standard uncertainty that is left of each tooth's own."""
    root: Floats
    """(t, k) a root of the covariance of what the others make likely, which is ``root @ root.T``, mm²."""


def pool(loss: Floats, std: Floats, clear: Bools, angle: Floats) -> Pooled:
    """Best estimates of all teeth's losses (t,) together: one chain has worn them all, so they differ little.

    Empirical Bayes: the losses' spread about a mean and what comes once a turn, beyond their own uncertainties, says
    how much teeth differ, and each is drawn to that curve by its share of doubt.  Where one stands apart from the
    others it is asked why: by chance, since another edge was followed there, or since this tooth is the more worn.
    Each answer keeps another share of it (a mixture as in Box and Tiao, Biometrika 55 (1968) 119; from memory).

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
        return Pooled(loss, np.ones(len(loss)), std, middle_std * basis[:, :1])
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
        unlike = max(0.0, spread - float(var.mean()))
        differ = (count * unlike + _USUAL_WEIGHT * usual) / (count + _USUAL_WEIGHT)
    off = loss - middle - basis @ curve
    share, kept, own_var = _answers(off, std**2, differ)
    mean = (share * kept).sum(0)
    own = np.sqrt((share * (own_var + ((kept - mean) * off) ** 2)).sum(0))
    return Pooled(loss - (1 - mean) * off, mean, own, basis @ np.linalg.cholesky(covariance))


def _answers(off: Floats, var: Floats, differ: float) -> tuple[Floats, Floats, Floats]:
    """Why teeth (t,) stand ``off`` the others, by chance, astray or truly apart, each (3, t).

    How likely that is, the share of ``off`` which is then the tooth's own, and the variance of what is.
    """
    wrong = np.array([[0.0], [_ASTRAY_MM**2], [0.0]]) + var
    true = np.array([[differ], [differ], [_APART_MM**2]])
    both = true + wrong
    usual = np.stack([np.ones_like(off), np.full_like(off, _ASTRAY), np.where(off > 0, _APART, 0.0)])
    log = -0.5 * (off**2 / both + np.log(both))
    likely = usual * np.exp(log - log.max(0))  # against the best: far out, each by itself is nothing to a float
    return likely / likely.sum(0), true / both, true * wrong / both
