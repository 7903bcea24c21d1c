"""The line from a photo to a grade: the table of contents of the package.

photo -> scale -> pose -> tracing ==ToothRing==> wear -> grade, and the JSON document of measures.md, section 6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from toothcheck.cards.detect import CardSighting, find_card
from toothcheck.chains import Chain
from toothcheck.edges import Optics, optics
from toothcheck.estimate import Estimate
from toothcheck.grade import Verdict, grade, refusal
from toothcheck.photo import Photo
from toothcheck.pose import CardPose, PlanePose, card_pose
from toothcheck.toothform import IsoForm
from toothcheck.tracing.fit import Priors
from toothcheck.tracing.rims import Wheel
from toothcheck.tracing.seed import Seed, find, refine, view_plane
from toothcheck.tracing.trace import Traced, trace
from toothcheck.wear import DatumPriors, WheelWear, measure

SCHEMA = "toothcheck/inspection/1"
FLOOR_PX_PER_MM = 2.5
"""Below it no grade is given: edges hold to about 0.15 px, which there is 0.06 mm or 2 % of a tooth on each flank, and
a narrow side wall can no longer be told from the face."""
_THICKNESS_SHARE = 0.91
"""Of the chain's inner width: single sprockets as sold run from 0.88 to 0.95 (common practice, no source)."""
_THICKNESS_STD = 0.03
_SEARCH_MM, _SEARCH_STEP_MM, _REFINE_STEP_MM = 300.0, 0.8, 0.3
_LEAST_SCORE = 0.22
"""Share of the outline that must have a matching edge for there to be a sprocket at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What the user says about the photo."""

    chain: Chain
    teeth: int
    position: str
    """``front`` or ``rear``."""
    turning: str | None
    """``clockwise`` or ``counterclockwise`` as seen in the photo, None when not told."""
    card_height_mm: float | None = None
    """Card over the face, towards the camera; None when not told."""
    thickness_mm: float | None = None
    near_px: tuple[float, float] | None = None

    @property
    def drive_clockwise(self) -> bool | None:
        """Whether drive flanks are on the clockwise sides of teeth (measures.md, section 1)."""
        if self.turning is None:
            return None
        return (self.position == "front") == (self.turning == "clockwise")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inspection:
    """Everything that was found out from one photo."""

    photo: Photo
    claim: Claim
    card: CardSighting | None
    card_pose: CardPose | None
    traced: Traced | None
    wear: WheelWear | None
    verdict: Verdict
    flags: tuple[str, ...]
    card_to_pitch_percent: Estimate | None

    def document(self) -> dict[str, Any]:
        """The JSON document of measures.md, section 6."""
        return _document(self)


def inspect(photo: Photo, claim: Claim, *, seed: int = 0) -> Inspection:
    """Measure and grade the sprocket in a photo.

    Parameters
    ----------
    photo
        As loaded.
    claim
        What the user says of it.
    seed
        Of the draws behind uncertainties and confidence.
    """
    rng = np.random.default_rng(seed)
    flags: list[str] = []
    card = find_card(photo.grey)
    pose = None if card is None else card_pose(card, photo.grey, photo.focal_35mm)
    flags += _card_flags(card, pose)
    if pose is None or card is None:
        return _refused(photo, claim, card, pose, [*flags, "no-card", "no-sprocket"], rng)
    thickness, thickness_std = _thickness(claim, card)
    plane, height_std = _face(pose, claim, card, thickness)
    form = IsoForm(pitch_mm=claim.chain.pitch_mm, roller_diameter_mm=claim.chain.roller_diameter_mm, teeth=claim.teeth)
    place = _find(photo, plane, form, claim)
    if place is None or place.score < _LEAST_SCORE:
        return _refused(photo, claim, card, pose, [*flags, "no-sprocket"], rng)
    centre = np.array(place.centre_mm)
    start = Wheel(plane=plane.moved(centre_mm=centre), form=form, phase=place.phase, thickness_mm=thickness)
    quality = optics(photo.planes, card.blur_px)
    priors = _priors(pose, card, start, height_std, thickness_std)
    drive = claim.drive_clockwise
    traced = trace(photo.planes, start, priors, quality, drive_clockwise=bool(drive), scale_std=0.004)
    flags += _quality_flags(start, quality)
    wear = measure(
        traced.ring,
        drive_clockwise=bool(drive),
        rng=rng,
        priors=DatumPriors(bias_mean_mm=priors.bias_mean_mm, bias_mm=priors.bias_mm),
    )
    flags += _wheel_flags(wear)
    verdict = grade(wear, flags, rng)
    return Inspection(
        photo=photo,
        claim=claim,
        card=card,
        card_pose=pose,
        traced=traced,
        wear=wear,
        verdict=verdict,
        flags=tuple(flags),
        card_to_pitch_percent=_card_to_pitch(traced, start),
    )


def _card_flags(card: CardSighting | None, pose: CardPose | None) -> list[str]:
    if card is None or pose is None:
        return []
    flags = []
    if card.layout.name == "pocket" and len(card.ids) < len(card.layout.corners_mm):
        flags.append("card-cut")
    if card.mixed:
        flags.append("mixed-cards")
    if pose.bowed:
        flags.append("card-bowed")
    return flags


def _is_mat(card: CardSighting) -> bool:
    return card.layout.name.startswith("mat")


def _thickness(claim: Claim, card: CardSighting) -> tuple[float, float]:
    """Thickness and its standard uncertainty, mm."""
    if claim.thickness_mm is not None:
        return claim.thickness_mm, 0.05
    nominal = _THICKNESS_SHARE * claim.chain.inner_width_mm
    told = claim.card_height_mm
    # a part lying on the mat stands as high over it as it is thick
    if _is_mat(card) and told is not None and abs(-told - nominal) < 0.3 * nominal:
        return -told, 0.1
    return nominal, _THICKNESS_STD * nominal


def _face(pose: CardPose, claim: Claim, card: CardSighting, thickness: float) -> tuple[PlanePose, float]:
    """The sprocket's face from the card's plane, and the standard uncertainty of its height, mm."""
    if claim.card_height_mm is not None:
        return pose.plane.moved(height_mm=-claim.card_height_mm), 0.1 if _is_mat(card) else 0.35
    if _is_mat(card):
        return pose.plane.moved(height_mm=thickness), 0.4
    return pose.plane, 0.35


def _find(photo: Photo, plane: PlanePose, form: IsoForm, claim: Claim) -> Seed | None:
    drive = claim.drive_clockwise
    view = view_plane(photo.grey, plane, reach_mm=_SEARCH_MM, step_mm=_SEARCH_STEP_MM)
    seeds = find(view, form, drive_clockwise=drive)
    if claim.near_px is not None:
        near = plane.on_plane(np.array(claim.near_px))
        seeds = sorted(
            (s for s in seeds if s.score > 0.5 * seeds[0].score),
            key=lambda s: math.dist(s.centre_mm, (near[0], near[1])),
        )
    if not seeds:
        return None
    centre = np.array(seeds[0].centre_mm)
    close = view_plane(photo.grey, plane, reach_mm=form.tip_radius_mm + 4, step_mm=_REFINE_STEP_MM, around_mm=centre)
    return refine(close, form, seeds[0], drive_clockwise=drive)


def _priors(pose: CardPose, card: CardSighting, start: Wheel, height_std: float, thickness_std: float) -> Priors:
    middle = np.array([[card.layout.width_mm / 2, -card.layout.height_mm / 2]])
    pivot = start.plane.on_plane(pose.plane.project(middle))[0]
    # burnt-out edges stand outside the metal; how much more than usual the card's ink shrank tells how burnt out it is
    excess = max(0.0, abs(pose.ink_px) - 0.2) / start.plane.px_per_mm
    return Priors(
        pivot_mm=pivot,
        height_mm=height_std,
        tilt=math.radians(0.2 if _is_mat(card) else 1.7),
        thickness_mm=thickness_std,
        bias_mean_mm=0.4 * excess,
        bias_mm=0.012 + 0.5 * excess,
    )


def _quality_flags(start: Wheel, quality: Optics) -> list[str]:
    flags = []
    scale = start.plane.px_per_mm
    if scale < FLOOR_PX_PER_MM:
        flags.append("too-far")
    if quality.blur_px / scale > 0.35:
        flags.append("blurred")
    if start.plane.tilt_deg > 40:
        flags.append("oblique")
    return flags


def _wheel_flags(wear: WheelWear) -> list[str]:
    flags = []
    coast, drive = wear.coast_asymmetry_percent, wear.asymmetry_percent
    if drive is not None and coast is not None and drive.value < -4 - 2 * drive.std:
        flags.append("wear-on-coast-flank")
    if sum(t.measured for t in wear.teeth) < 3:
        flags.append("few-teeth")
    return flags


def _card_to_pitch(traced: Traced, start: Wheel) -> Estimate:
    """How much larger the sprocket's pitch is by the card's scale than it should be, per cent."""
    before, after = start.plane.px_per_mm, traced.wheel.plane.px_per_mm
    height = traced.fit.covariance[3, 3] ** 0.5
    distance = float(np.linalg.norm(start.plane.origin_mm))
    return Estimate(value=100 * (after / before - 1), std=100 * height / distance)


def _refused(
    photo: Photo,
    claim: Claim,
    card: CardSighting | None,
    pose: CardPose | None,
    flags: list[str],
    rng: np.random.Generator,
) -> Inspection:
    return Inspection(
        photo=photo, claim=claim, card=card, card_pose=pose, traced=None, wear=None, verdict=refusal(flags),
        flags=tuple(flags), card_to_pitch_percent=None,
    )  # fmt: skip


def _json(e: Estimate | None) -> dict[str, float] | None:
    return None if e is None else e.as_json()


def _document(i: Inspection) -> dict[str, Any]:
    claim, wear, traced = i.claim, i.wear, i.traced
    drive = claim.drive_clockwise if wear is None else wear.drive_clockwise
    wheel = None if traced is None else traced.wheel
    teeth = []
    if wear is not None and wheel is not None:
        tips = tip_pixels(wheel)
        for tooth in wear.teeth:
            x, y = tips[tooth.index]
            teeth.append(
                {
                    "index": tooth.index,
                    "measured": tooth.measured,
                    "flags": list(tooth.flags),
                    "tip_px": [round(float(x), 1), round(float(y), 1)],
                    "drive_loss_mm": _json(tooth.drive_loss_mm),
                    "coast_loss_mm": _json(tooth.coast_loss_mm),
                    "thickness_mm": _json(tooth.thickness_mm),
                    "asymmetry_percent": _json(tooth.asymmetry_percent),
                    "tip_thickness_mm": _json(tooth.tip_thickness_mm),
                    "tip_thinning_percent": _json(tooth.tip_thinning_percent),
                    "overhang_mm": _json(tooth.overhang_mm),
                    "hollow_mm": _json(tooth.hollow_mm),
                    "greatest_loss_mm": _json(tooth.greatest_loss_mm),
                }
            )
    return {
        "schema": SCHEMA,
        "photo": {
            "name": i.photo.name,
            "sha256": i.photo.sha256,
            "width_px": i.photo.width_px,
            "height_px": i.photo.height_px,
        },
        "sprocket": {
            "chain": claim.chain.name,
            "pitch_mm": claim.chain.pitch_mm,
            "roller_diameter_mm": claim.chain.roller_diameter_mm,
            "teeth": claim.teeth,
            "position": claim.position,
            "drive_flank": None if drive is None else ("clockwise" if drive else "counterclockwise"),
            "gap_form": None if wear is None else _json(wear.datum.gap_form),
        },
        "scale": {
            "source": "card" if i.card is not None else "pitch",
            "card": None if i.card is None else i.card.layout.name,
            "markers": 0 if i.card is None else len(i.card.ids),
            "px_per_mm": None if wheel is None else round(wheel.plane.px_per_mm, 3),
            "tilt_deg": None if wheel is None else round(wheel.plane.tilt_deg, 2),
            "card_to_pitch_percent": _json(i.card_to_pitch_percent),
        },
        "teeth": teeth,
        "wear": None
        if wear is None
        else {
            "measured_teeth": sum(t.measured for t in wear.teeth),
            "asymmetry_percent": _json(wear.asymmetry_percent),
            "worst_tooth": wear.worst_tooth,
            "tip_thinning_percent": _json(wear.tip_thinning_percent),
            "overhang_mm": _json(wear.overhang_mm),
            "pattern": None,
        },
        "verdict": {
            "grade": i.verdict.grade,
            "confidence": i.verdict.confidence,
            "reasons": list(i.verdict.reasons),
            "next_steps": list(i.verdict.next_steps),
            "cautions": list(i.verdict.cautions),
        },
        "flags": list(i.flags),
    }


def tip_pixels(wheel: Wheel) -> np.ndarray:
    """(z, 2) where the tips stand in the photo, at mid-thickness."""
    angle = wheel.phase + (np.arange(wheel.form.teeth) + 0.5) * wheel.form.pitch_angle
    points = wheel.form.tip_radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return wheel.plane.project(points, -wheel.thickness_mm / 2)
