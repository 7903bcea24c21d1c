"""Which of the fits it is, how probable each count and pitch, and whether that is what was claimed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.chains import CHAINS, Chain
from toothcheck.claims import Claim, Found, chain_shares
from toothcheck.counting import Fit
from toothcheck.placing.forms import SHARPNESS, form_of
from toothcheck.pose import PlanePose
from toothcheck.toothform import IsoForm

_OTHER_COUNT, _OTHER_PITCH, _OTHER_SCALE = 0.3, 0.3, 0.2
"""How likely each way of being wrong is, against the claim, before looking (our own guess)."""
_SCALE_MARGIN = 0.1
"""By how much a scale far out must match better than everything else to be believed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """A sprocket's place on a plane, and what the photo says of the claims there."""

    plane: PlanePose
    """The face, origin at the sprocket's centre."""
    chain: Chain
    teeth: int
    phase: float
    score: float
    found: Found
    pitches: dict[tuple[float, float], float]
    """Weights of (pitch, roller diameter)."""
    flags: tuple[str, ...]
    notes: tuple[str, ...]
    """Sentences with numbers for the flags."""
    worded: tuple[str, ...]
    """Those of the flags that they are for."""

    @property
    def form(self) -> IsoForm:
        """The ideal form midway between the limits."""
        return form_of(self.chain, self.teeth)


def judged(plane: PlanePose, claim: Claim, claimed: IsoForm | None, fits: list[Fit], flags: list[str]) -> Placed:
    """Weigh all fits against one another, and the best against the claim."""
    before = len(flags)
    # a scale far out is believed only where nothing else comes near
    usual = max((f.score for f in fits if f.scale == 1.0), default=-1.0)
    fits = [f for f in fits if f.scale == 1.0 or f.score > usual + _SCALE_MARGIN]
    weights = np.array([_prior(f, claim) * math.exp(SHARPNESS * (f.score - fits[0].score)) for f in fits])
    weights /= weights.sum()
    counts: dict[int, float] = {}
    pitches: dict[tuple[float, float], float] = {}
    for fit, w in zip(fits, weights, strict=True):
        counts[fit.form.teeth] = counts.get(fit.form.teeth, 0.0) + float(w)
        if abs(fit.scale - 1) < 0.015:
            key = (fit.form.pitch_mm, fit.form.roller_diameter_mm)
            pitches[key] = pitches.get(key, 0.0) + float(w)
    ranked = sorted(counts.items(), key=lambda item: -item[1])
    best = fits[int(weights.argmax())]
    notes: list[str] = []
    if claimed is not None and best.form.teeth != claimed.teeth:
        flags.append("teeth-disagree")
        share = 100 * counts[best.form.teeth]
        notes.append(
            f"The photo supports {best.form.teeth} teeth ({share:.0f} %), not {claimed.teeth}"
            f" ({100 * counts.get(claimed.teeth, 0.0):.0f} %)."
        )
    elif claim.chain is not None and best.form.pitch_mm != claim.chain.pitch_mm:
        flags.append("chain-disagrees")
        pitch = best.form.pitch_mm
        names = ", ".join(c.name for c in CHAINS.values() if c.pitch_mm == pitch)
        notes.append(f"By the card the pitch is {pitch:g} mm ({names}), not {claim.chain.pitch_mm:g} mm.")
    elif claimed is not None:
        if abs(best.scale - 1) > 0.015:
            flags.append("scale-disagrees")
            size = "larger" if best.scale > 1 else "smaller"
            notes.append(
                f"By the card the sprocket is {100 * abs(best.scale - 1):.0f} % {size} than teeth and chain make it:"
                " the card was not printed at its size, or does not lie as high as told."
            )
    elif claim.teeth is not None and best.form.teeth != claim.teeth:
        flags.append("teeth-disagree")
        notes.append(
            f"The photo supports {best.form.teeth} teeth ({100 * counts[best.form.teeth]:.0f} %), not {claim.teeth}."
        )
    elif claim.teeth is None and len(ranked) > 1 and ranked[0][1] < 0.8:
        flags.append("teeth-uncertain")
        notes.append(
            f"The count is {ranked[0][0]} ({100 * ranked[0][1]:.0f} %) or {ranked[1][0]} ({100 * ranked[1][1]:.0f} %)."
        )
    chain = None if "chain-disagrees" in flags else claim.chain
    if chain is None:
        shares = chain_shares(pitches or {(best.form.pitch_mm, best.form.roller_diameter_mm): 1.0}, None)
        fitting = [CHAINS[name] for name, _ in shares if CHAINS[name].pitch_mm == best.form.pitch_mm]
        chain = fitting[0] if fitting else next(c for c in CHAINS.values() if c.pitch_mm == best.form.pitch_mm)
    return Placed(
        plane=plane.moved(centre_mm=np.array(best.centre_mm)),
        chain=chain,
        teeth=best.form.teeth,
        phase=best.phase,
        score=best.score,
        found=Found(teeth=tuple((z, p) for z, p in ranked if p >= 0.005), chains=()),
        pitches=pitches,
        flags=tuple(flags),
        notes=tuple(notes),
        worded=tuple(flags[before:]),
    )


def _prior(fit: Fit, claim: Claim) -> float:
    if claim.chain is None:
        return 1.0
    if claim.teeth is not None and fit.form.teeth != claim.teeth:
        return _OTHER_COUNT
    if fit.form.pitch_mm != claim.chain.pitch_mm:
        return _OTHER_PITCH
    return 1.0 if abs(fit.scale - 1) < 0.015 or claim.teeth is None else _OTHER_SCALE
