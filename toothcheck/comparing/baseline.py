"""Wear against the part's own thickness when new, by a photo or by an earlier reading."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from toothcheck.comparing.losses import Comparison
from toothcheck.estimate import Estimate
from toothcheck.grade import BANDS_PERCENT, band


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstBaseline:
    """What is gone since the baseline."""

    loss_mm: Estimate
    """Of the teeth's median thickness at the pitch circle."""
    thickness_mm: Estimate
    """The baseline's."""
    asymmetry_percent: Estimate
    """The loss in per cent of the baseline's thickness."""
    band: str
    """In which band of wear that lies; the hook is not looked at here."""
    band_probability: float
    tooth_by_tooth: bool
    """Whether it is known which tooth is which in the two photos; of a reading, which is numbers only, never."""

    def document(self) -> dict[str, Any]:
        """For the JSON of an inspection."""
        return {
            "loss_mm": self.loss_mm.as_json(),
            "asymmetry_percent": self.asymmetry_percent.as_json(),
            "band": self.band,
            "band_probability": round(self.band_probability, 3),
            "tooth_by_tooth": self.tooth_by_tooth,
        }


def against_photo(comparison: Comparison, thickness_mm: Estimate) -> AgainstBaseline:
    """By two photos laid on each other.

    Parameters
    ----------
    comparison
        From the baseline to now.
    thickness_mm
        The baseline's median tooth thickness at the pitch circle.
    """
    loss = comparison.median_loss_mm
    told = "teeth-not-told-apart" not in comparison.flags
    return _judged(loss, thickness_mm, share_of(loss, thickness_mm), tooth_by_tooth=told)


def against_reading(baseline_mm: Estimate, now_mm: Estimate) -> AgainstBaseline:
    """By two median thicknesses at the pitch circle: what an earlier reading allows.

    Each is only as good as its own photo (scale, exposure), nothing falls out between them, and what coast flanks lost
    counts along.
    """
    # T stands in the loss T - now, too: what share is left, now / T, holds each photo's error once
    left = share_of(now_mm, baseline_mm)
    percent = Estimate(value=100 - left.value, std=left.std)
    return _judged(baseline_mm.less(now_mm), baseline_mm, percent, tooth_by_tooth=False)


def share_of(part: Estimate, whole: Estimate) -> Estimate:
    """Per cent, as if nothing that is uncertain were common to both (JCGM 100:2008, 5.1.2).

    Raises
    ------
    ValueError
        When the whole is not greater than 0.
    """
    if whole.value <= 0:
        raise ValueError(f"whole must be greater than 0, not {whole.value}")
    share = part.value / whole.value
    return Estimate(value=100 * share, std=100 / whole.value * math.hypot(part.std, share * whole.std))


def _judged(loss: Estimate, thickness: Estimate, percent: Estimate, *, tooth_by_tooth: bool) -> AgainstBaseline:
    edges = (-math.inf, *BANDS_PERCENT, math.inf)
    name = band(percent.value, 0.0)
    place = sum(percent.value >= e for e in BANDS_PERCENT)
    return AgainstBaseline(
        loss_mm=loss,
        thickness_mm=thickness,
        asymmetry_percent=percent,
        band=name,
        band_probability=percent.below(edges[place + 1]) - percent.below(edges[place]),
        tooth_by_tooth=tooth_by_tooth,
    )
