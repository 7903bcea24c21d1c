"""Estimates from draws (JCGM 101:2008): of values, of those that may lie to one side, and of maxima."""

from __future__ import annotations

import math

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.geometry import Floats


def estimated(value: float, draws: Floats) -> Estimate:
    """A value with the standard deviation of its draws (draws,)."""
    return Estimate(value=float(value), std=float(np.std(draws)))


def about(value: float, draws: Floats, floor: float = 0.0) -> Estimate:
    """The likeliest value where draws may lie to one side of it, with what they scatter by about it, not their mean.

    ``floor``: never less than that.
    """
    return Estimate(value=float(value), std=max(math.sqrt(float(np.mean((draws - value) ** 2))), floor))


def doubted(estimate: Estimate, std: float) -> Estimate:
    """The same with a further standard uncertainty."""
    return Estimate(value=estimate.value, std=math.hypot(estimate.std, std))


def less_noise(value: float, draws: Floats) -> Estimate:
    """A maximum grows with noise: take off what the draws show noise to add, and never go below zero."""
    gain = float(np.mean(draws)) - value
    return Estimate(value=max(0.0, value - max(0.0, gain)), std=max(float(np.std(draws)), 0.5 * max(0.0, gain), 0.01))
