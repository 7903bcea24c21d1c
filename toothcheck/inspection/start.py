"""What tracing begins with: the sprocket's face before the camera, and what is known of it beforehand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.cards.detect import CardSighting
from toothcheck.claims import Claim
from toothcheck.claims.claim import THICKNESS_SHARE
from toothcheck.placing import Placed
from toothcheck.pose import CardPose, PlanePose
from toothcheck.tracing.fit import Priors
from toothcheck.tracing.rims import Wheel
from toothcheck.wear import DatumPriors

_THICKNESS_STD = 0.03
"""Standard uncertainty of a thickness by `THICKNESS_SHARE`, relative."""
_SCALE_STD_CARD = 0.004
"""Standard uncertainty of the scale by a card, relative (assumed)."""
_EDGE_STD_MM = 0.02
"""How far a broken edge may draw all of a sprocket's edges in, in well exposed photos."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Start:
    """Everything that tracing begins with."""

    wheel: Wheel
    priors: Priors
    scale_std: float
    """Standard uncertainty of the scale, relative."""

    @property
    def datum_priors(self) -> DatumPriors:
        """What the datum fit begins with, too: it weighs the same edges again."""
        return DatumPriors(bias_mean_mm=self.priors.bias_mean_mm, bias_mm=self.priors.bias_mm)


def _thickness(claim: Claim, card: CardSighting | None) -> tuple[float, float]:
    """Thickness and its standard uncertainty, mm."""
    if claim.thickness_mm is not None:
        return claim.thickness_mm, 0.05
    if claim.chain is None:  # anything from 5 to 9 mm, told apart by the far rims
        return 7.0, 1.2
    nominal = THICKNESS_SHARE * claim.chain.inner_width_mm
    told = claim.card_height_mm
    # a part lying on the mat stands as high over it as it is thick
    if card is not None and card.layout.is_mat and told is not None and abs(-told - nominal) < 0.3 * nominal:
        return -told, 0.1
    return nominal, _THICKNESS_STD * nominal


def face_of(pose: CardPose, claim: Claim, card: CardSighting) -> tuple[PlanePose, float]:
    """The sprocket's face from the card's plane, and the standard uncertainty of its height, mm."""
    if claim.card_height_mm is not None:
        height, std = -claim.card_height_mm, 0.1 if card.layout.is_mat else 0.35
    elif card.layout.is_mat:
        height, std = _thickness(claim, card)[0], 0.4
    else:
        height, std = 0.0, 0.35
    # a height shows by how much larger it makes things: seen through another lens the same height looks another one
    return pose.plane.moved(height_mm=height), math.hypot(std, height * pose.focal_std)


def start_of(
    placed: Placed, claim: Claim, pose: CardPose | None, card: CardSighting | None, height_std: float
) -> Start:
    """What tracing begins with, with or without a card."""
    thickness, thickness_std = _thickness(claim, card)
    wheel = Wheel(plane=placed.plane, form=placed.form, phase=placed.phase, thickness_mm=thickness)
    if pose is not None and card is not None:
        priors = _priors(pose, card, wheel, height_std, thickness_std)
        return Start(wheel=wheel, priors=priors, scale_std=_SCALE_STD_CARD)
    # the pitch gives the scale: the distance is as free as the tilt, about the sprocket's own centre
    distance = float(np.linalg.norm(placed.plane.origin_mm))
    priors = Priors(
        pivot_mm=np.zeros(2),
        height_mm=0.03 * distance,
        tilt=math.radians(4.0),
        thickness_mm=thickness_std,
        bias_mm=0.03,
    )
    return Start(wheel=wheel, priors=priors, scale_std=0.03)


def _priors(pose: CardPose, card: CardSighting, start: Wheel, height_std: float, thickness_std: float) -> Priors:
    pivot = start.plane.on_plane(pose.plane.project(pose.middle_mm[None]))[0]
    # burnt-out edges stand outside the metal; how much more than usual the card's ink shrank tells how burnt out it is
    excess = max(0.0, abs(pose.ink_px) - 0.2) / start.plane.px_per_mm
    return Priors(
        pivot_mm=pivot,
        height_mm=height_std,
        tilt=math.radians(0.2 if card.layout.is_mat else 1.7),
        thickness_mm=math.hypot(thickness_std, start.thickness_mm * pose.focal_std),
        bias_mean_mm=0.4 * excess,
        bias_mm=_EDGE_STD_MM + 0.5 * excess,
    )
