"""The card's scale against the pitch's: a card printed in another size, or one that lies higher than told."""

from __future__ import annotations

import math

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.tracing.fit import UNKNOWNS, Priors, WheelFit
from toothcheck.tracing.rims import Wheel

_SCALE_PERCENT, _SCALE_SIGMAS = 1.0, 3.0
"""By how much the card's scale must be off to be told, and beyond how many standard uncertainties (assumed; a card
printed at 98 or 102 % must be told)."""


def card_to_pitch(fit: WheelFit, start: Wheel, priors: Priors) -> tuple[Estimate, float]:
    """How much larger the sprocket's pitch is by the card's scale than it should be, per cent.

    The fit takes a scale that is off as a height over the card's plane, holds that near what was told, and what it
    cannot take so goes into the seats' depth.  So the height's prior is taken out again: what is left is what the
    edges alone say of the height.  The card's lean is left out of it.  Also the distance from camera to card, mm.

    Parameters
    ----------
    start, priors
        What the fit began with.
    """
    k = UNKNOWNS.index("height")
    at = start.plane.origin_mm + start.plane.camera_from_plane[:, :2] @ priors.pivot_mm
    distance = float(np.linalg.norm(at))
    held = np.linalg.inv(fit.covariance)
    free = held.copy()
    # that prior is about nought, so taking it out changes nothing of the other side; a ten-thousandth of it is left,
    # since the edges may say nothing at all
    free[k, k] -= 0.9999 / priors.height_mm**2
    height = float(np.linalg.solve(free, held @ fit.unknowns)[k])
    std = float(np.linalg.inv(free)[k, k]) ** 0.5
    return Estimate(value=100 * height / distance, std=max(100 * std / distance, 0.02)), distance


def scale_flags(percent: Estimate, prior_mm: float, distance_mm: float) -> tuple[list[str], list[str]]:
    """Flags and sentences on the card's scale against the pitch's.

    Parameters
    ----------
    percent
        Of `card_to_pitch`.
    prior_mm
        Standard uncertainty of the card's height as it was told.
    distance_mm
        From camera to card.
    """
    std = math.hypot(percent.std, 100 * prior_mm / distance_mm)
    if abs(percent.value) < max(_SCALE_PERCENT, _SCALE_SIGMAS * std):
        return [], []
    lift = percent.value / 100 * distance_mm
    size, printed, lies = ("large", "smaller", "deeper") if lift > 0 else ("small", "larger", "higher")
    return ["scale-disagrees"], [
        f"By the card the sprocket's pitch is {abs(percent.value):.1f} % too {size}: the card was printed {printed}"
        f" than meant, or lies {abs(lift):.0f} mm {lies} than reckoned with."
    ]
