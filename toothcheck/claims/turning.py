"""Which flanks drive: told, seen, or in doubt; and coast flanks that are worn, too."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from toothcheck.geometry import readonly
from toothcheck.grade import HOOK_MM, probabilities
from toothcheck.tooth import ToothRing
from toothcheck.wear import Datum, DatumPriors, WheelWear, fit_datum

_WRONG_TURNING = 0.03
"""How often a turning that was told is wrong, before the photo is looked at (our own guess)."""
_SPREAD_SCALE, _COAST_SCALE_MM = 0.035, 0.05
"""By how much the log of the scatter, and the flanks' even loss, differ between right and wrong turning where nothing
is worn: the units in which evidence for a side is counted."""
SURE = 0.95
"""Probability from which a drive flank that was not told is taken as found."""
_AGAINST, _AGAINST_PERCENT = 1.0, 2.5
"""Evidence against the turning told, and asymmetry below nought, from which the other side is looked at (assumed)."""
_WORN_COAST_MM = 0.18
"""Even loss of coast flanks from which both flanks are worn (assumed; on 34 photos of sprockets, told right, 0.13
mm at most is found)."""
_WORN_PERCENT, _ALIKE_PERCENT, _GROWN_PERCENT = 3.5, 2.0, 3.0
"""Asymmetry from which a flank is taken as worn; by which two readings may differ and say the same; and below which
(negative) the flank that should be unworn must be the worn one (assumed)."""
_FADE_MM, _FADE_SIGMAS = 0.04, 4.0
"""From which fading of the coast flanks' loss on they are worn (95 photos of parts whose coast flanks have lost up to
0.16 mm: 0.02 at most where it is 4 standard uncertainties; where they lost 0.4 mm and more 0.05 to 0.09)."""


def side_evidence(ring: ToothRing, known: Datum, drive_clockwise: bool, priors: DatumPriors) -> float:
    """Log of the odds that the clockwise sides of teeth are the worn ones, from the datum of one side and the other.

    Unworn flanks lie on the form with less scatter than worn ones, and without an even loss.  Taken by itself each is
    easily fooled by one-sided light, so both are counted in units of what light alone does.

    Parameters
    ----------
    known
        The datum with drive flanks on the sides that ``drive_clockwise`` says.
    """
    other = fit_datum(ring, drive_clockwise=not drive_clockwise, priors=priors)
    scatter = math.log(max(other.spread_mm, 1e-3) / max(known.spread_mm, 1e-3)) / _SPREAD_SCALE
    even = (abs(other.coast_mm) - abs(known.coast_mm)) / _COAST_SCALE_MM
    evidence = float(np.clip(scatter + even, -12, 12))
    return evidence if drive_clockwise else -evidence


def shows_wear(wear: WheelWear) -> bool:
    """Whether the wheel's drive flanks are worn beyond doubt."""
    a = wear.asymmetry_percent
    return a is not None and a.value > max(_WORN_PERCENT, 2 * a.std)


def turning_doubted(wear: WheelWear, evidence: float, claimed: bool) -> bool:
    """Whether there is enough against the turning told to look from the other side too."""
    a = wear.asymmetry_percent
    against = -evidence if claimed else evidence
    return against > _AGAINST or (a is not None and a.value < -_AGAINST_PERCENT)


def drive_probability(evidence: float, claimed: bool | None) -> float:
    """Probability that drive flanks are on the clockwise sides, from the evidence and what was told."""
    odds = evidence + math.log(_prior(claimed) / (1 - _prior(claimed)))
    return 1 / (1 + math.exp(-odds))


def _prior(drive_clockwise: bool | None) -> float:
    """Probability of clockwise drive flanks before looking."""
    if drive_clockwise is None:
        return 0.5
    return 1 - _WRONG_TURNING if drive_clockwise else _WRONG_TURNING


def coast_flags(wear: WheelWear) -> list[str]:
    """The flag where coast flanks are worn as drive flanks are: then no datum says which has lost how much."""
    fade = wear.coast_fade_mm
    worn = fade is not None and fade.value > max(_FADE_MM, _FADE_SIGMAS * fade.std)
    return ["flanks-worn-alike"] if worn else []


def wear_flags(wear: WheelWear, other: WheelWear | None, right: float) -> list[str]:
    """Flags on which flank is worn, where the turning was told.

    Parameters
    ----------
    other
        The same photo measured with the flanks' roles exchanged, where there was doubt.
    right
        Probability that the turning told is right.
    """
    own = wear.asymmetry_percent
    if own is None:
        return []
    if own.value < -_GROWN_PERCENT - own.std:  # metal does not grow
        return ["wear-on-coast-flank"]
    doubted = False
    if other is not None and other.asymmetry_percent is not None:
        exchanged = other.asymmetry_percent.value
        told, weighed = _chances(wear), _chances(weighed_wear(wear, other, right))
        if right < 0.5 and (
            max(told, key=lambda name: told[name]) != max(weighed, key=lambda name: weighed[name])
            or (exchanged > _WORN_PERCENT and abs(exchanged - own.value) > _ALIKE_PERCENT)
        ):
            return ["wear-on-coast-flank"]
        moved = sum(abs(told[name] - weighed[name]) for name in told) / 2
        # readings that agree give the right grade, of what is then known to be wrongly told
        doubted = moved > 1 - SURE or (right < 1 - SURE and shows_wear(other))
    flags = ["turning-doubted"] if doubted else []
    return [*flags, "worn-both-flanks"] if wear.datum.coast_mm > _WORN_COAST_MM else flags


def weighed_wear(wear: WheelWear, other: WheelWear, right: float) -> WheelWear:
    """The wear with draws of both readings, each as often as the flank that it takes to drive does: for the grade.

    Everything else stays as measured with the turning told.

    Parameters
    ----------
    other
        The same photo measured with the flanks' roles exchanged.
    right
        Probability that it is the drive flank of ``wear`` that drives.
    """
    draws = len(wear.draws_asymmetry)
    if draws == 0 or len(other.draws_asymmetry) != draws:  # one of them measured no tooth
        return wear
    exchanged = np.arange(draws) >= round(right * draws)
    own, others = wear.draws_overhang, other.draws_overhang
    if len(own) == len(others):
        overhang = np.where(exchanged, others, own)
    else:  # a hook that one reading alone tells stands for both; that there is none does not
        alone = max(own, others, key=len)
        overhang = alone if np.median(alone) >= HOOK_MM else np.zeros(0)
    return replace(
        wear,
        draws_asymmetry=readonly(np.where(exchanged, other.draws_asymmetry, wear.draws_asymmetry)),
        draws_overhang=readonly(overhang),
    )


def _chances(wear: WheelWear) -> dict[str, float]:
    return probabilities(wear.draws_asymmetry, wear.draws_overhang)
