"""Which roller the seats fit: chains of one pitch differ by it."""

from __future__ import annotations

import math
from dataclasses import replace

from toothcheck.chains import CHAINS, Chain
from toothcheck.claims.claim import MOTORCYCLE
from toothcheck.tooth import ToothRing
from toothcheck.wear import Datum, DatumPriors, fit_datum

_ROLLERS_ASKED, _ROLLERS_ALIKE = 0.2, 0.025
"""By which share a roller may differ from the told one's to be asked at all, and from another to pass for the same: no
photo tells a fortieth of a roller (assumed)."""
_VOTING, _TEXTURE_SHARE, _ALONE_SHARE = 0.5, 0.25, 0.1
"""Shares of a ring's points: those that vote; those further apart than the texture that they share is long; and of
these what speaks for itself, as dirt and light are shared along and across gaps (assumed)."""
_LEAST_SPREAD_MM, _LEAST_BIAS_MM, _LEAST_SCALE = 0.01, 0.02, 0.004
"""Below these, scatter and the doubt of exposure and scale make no roller likelier (assumed)."""
_SEAT_STD_MM, _GAIN_STD_MM, _FORM_STD = 0.06, 0.015, 0.1
"""How far the right roller's seats may stand off the standard's, its coast flanks outside the form (metal does not
grow), and its gap form beyond the limit forms: standard deviations (assumed; the second is half as large as at first,
so that rollers are told apart more sharply)."""
_ROLLER_CHI2 = 4.0
"""By how much another roller must fit better; of 115 made photos with the right roller one fits another better."""


def roller_shares(
    ring: ToothRing, chain: Chain, known: Datum, drive_clockwise: bool, priors: DatumPriors
) -> dict[tuple[float, float], float]:
    """Weights of the rollers that chains of this pitch have, from how well seats of each lie on the ring."""
    rollers = sorted({c.roller_diameter_mm for c in CHAINS.values() if c.pitch_mm == chain.pitch_mm})
    own_say = _VOTING * _TEXTURE_SHARE * _ALONE_SHARE * sum(len(g.offset_mm) for g in ring.gaps)
    chi2: dict[float, float] = {}
    for d1 in rollers:
        if abs(d1 / chain.roller_diameter_mm - 1) > _ROLLERS_ASKED:
            continue
        alike = next((other for other in chi2 if abs(d1 / other - 1) < _ROLLERS_ALIKE), None)
        if alike is not None and d1 != chain.roller_diameter_mm:
            chi2[d1] = chi2[alike]
            continue
        tried = replace(ring, roller_diameter_mm=d1)
        datum = known if d1 == chain.roller_diameter_mm else fit_datum(
            tried, drive_clockwise=drive_clockwise, priors=priors
        )  # fmt: skip
        out = max(0.0, datum.gap_form.value - 1, -datum.gap_form.value)
        deviations = (
            datum.form.seat_offset_mm / _SEAT_STD_MM,
            (datum.bias_mm - priors.bias_mean_mm) / max(priors.bias_mm, _LEAST_BIAS_MM),
            min(0.0, datum.coast_mm) / _GAIN_STD_MM,
            (datum.scale - 1) / max(ring.scale_std, _LEAST_SCALE),  # the card gives it, the seats' circle has no other
            out / _FORM_STD,
        )
        chi2[d1] = own_say * 2 * math.log(max(datum.spread_mm, _LEAST_SPREAD_MM)) + sum(d**2 for d in deviations)
    least = min(chi2.values())
    return {(chain.pitch_mm, d1): math.exp(-0.5 * (value - least)) for d1, value in chi2.items()}


def roller_flags(shares: dict[tuple[float, float], float], chain: Chain) -> tuple[list[str], list[str]]:
    """A flag and a sentence where another roller fits the seats much better than the chain's own."""
    own = shares.get((chain.pitch_mm, chain.roller_diameter_mm), 1.0)
    best = max(shares, key=lambda key: shares[key])
    if best[1] == chain.roller_diameter_mm or 2 * math.log(shares[best] / max(own, 1e-12)) < _ROLLER_CHI2:
        return [], []
    names = [c.name for c in CHAINS.values() if (c.pitch_mm, c.roller_diameter_mm) == best and c.name in MOTORCYCLE]
    return ["roller-disagrees"], [
        f"The seats fit a roller of {best[1]:g} mm ({', '.join(names) or 'an industrial size'}) better than"
        f" the {chain.roller_diameter_mm:g} mm of {chain.name}."
    ]
