"""Whether a photo is good enough to measure, judged at the sprocket before anything is measured.

The floor in px/mm follows from the error budget of a grade.  `watch` is 5 % of the tooth wide, 0.2 mm of a tooth of
4 mm, or 0.1 mm on a flank.  An edge holds to about 0.15 px whatever the noise (demosaicing, sharpening and JPEG move it
by that much, alike on a flank), both flanks to 0.2 px; for a standard uncertainty of a quarter of the band, 0.05 mm or
so with what pose and form add, 0.2 px may be 0.08 mm at most: 2.5 px/mm.  The same budget gives the blur: an edge of
0.35 mm standard deviation hides a hook of 0.3 mm and blends near rim and far rim.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothcheck.cards.detect import CardSighting
from toothcheck.edges import fit_erf, sample
from toothcheck.flags import flag
from toothcheck.photo import linear_light
from toothcheck.pose import CardPose
from toothcheck.tracing.rims import Wheel

FLOOR_PX_PER_MM = 2.5
BLUR_MM = 0.35
SOFT_PX, SHARP_PX = 1.6, 1.2
"""The blur from which a photo is reduced, and the blur that it is reduced to; a phone's own lie between 0.5 and 1.5."""
_FINE_PX_PER_MM, _LEFT_PX_PER_MM, _LEFT_PX = 10.0, 7.0, 0.85
"""From which scale on a photo is fine, and the least scale and blur that a coarser look at it has."""
OBLIQUE_DEG, STEEP_DEG = 33.0, 48.0
_BURNT_LUMA, _BURNT_SHARE = 250, 0.45
_DARK_LUMA = 45.0
_TILT_STD_DEG = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """What a photo is like at the sprocket."""

    px_per_mm: float
    blur_px: float
    """Standard deviation of the blur of an edge."""
    tilt_deg: float
    luma: float
    """95th percentile of grey values on and beside the teeth."""
    teeth_outside: int
    flags: tuple[str, ...]
    notes: tuple[str, ...]
    """Sentences with numbers."""
    worded: tuple[str, ...]
    """The flags whose own sentence a note gives, with what was measured."""

    @property
    def hopeless(self) -> bool:
        """Whether measuring would be guessing."""
        return bool({"too-far", "steep"} & set(self.flags)) or self.blur_px > 1.5 * BLUR_MM * self.px_per_mm


def soft(blur_px: float, px_per_mm: float) -> bool:
    """Whether a photo has far more pixels than its blur leaves something to see in, and is not blurred for good.

    Enlarged photos and those of sensors with more pixels than their lens resolves: tracing looks for edges a pixel
    wide, and what noise and JPEG's steps do is wider there.
    """
    return SOFT_PX < blur_px <= BLUR_MM * px_per_mm


def coarser(blur_px: float, px_per_mm: float) -> float | None:
    """Share of its width and height with which a fine photo may be looked at once more; None where it is not fine.

    Edges are looked for over a few pixels.  Of a fine photo that is less than a rim's own roundness and the metal's
    grain are wide, and where metal and ground are equally light there is more of those than of the edge.
    """
    if px_per_mm < _FINE_PX_PER_MM or blur_px > BLUR_MM * px_per_mm:
        return None
    return min(1.0, max(_LEFT_PX / blur_px, _LEFT_PX_PER_MM / px_per_mm))


def card_flags(card: CardSighting | None, pose: CardPose | None) -> list[str]:
    """Flags on the card by itself."""
    if card is None or pose is None:
        return []
    flags = []
    if card.layout.name == "pocket" and pose.markers < len(card.layout.corners_mm):
        flags.append("card-cut")
    if card.mixed:
        flags.append("mixed-cards")
    if pose.bowed:
        flags.append("card-bowed")
    return flags


def judge(grey: NDArray[np.uint8], wheel: Wheel, card_blur_px: float | None) -> Quality:
    """Judge a photo at a wheel that has been placed to a millimetre or two.

    Parameters
    ----------
    card_blur_px
        Blur of the card's edges, if there is a card; else the teeth's own steepest edges tell.
    """
    plane, form = wheel.plane, wheel.form
    scale = plane.px_per_mm
    height, width = grey.shape
    outline = form.outline(max(0.3, 1.0 / scale))
    turn = wheel.phase - np.pi / 2 - np.pi / form.teeth
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, -s], [s, c]])
    points, normals = outline.points_mm @ spin.T, outline.normals @ spin.T
    px = plane.project(points)
    inside = (px[:, 0] > 1) & (px[:, 1] > 1) & (px[:, 0] < width - 2) & (px[:, 1] < height - 2)
    tips = plane.project(points[np.hypot(*points.T) > form.tip_radius_mm - 0.2])
    out = (tips < 1) | (tips > (width - 2, height - 2))
    outside = round(form.teeth * float(out.any(1).mean()))
    face = plane.project(points - 1.0 * normals)[inside]
    beside = plane.project(points + 1.0 * normals)[inside]
    at_face, at_beside = (sample(grey, p[:, :1], p[:, 1:])[:, 0] for p in (face, beside))
    at_face, at_beside = at_face[np.isfinite(at_face)], at_beside[np.isfinite(at_beside)]
    burnt = float((at_face >= _BURNT_LUMA).mean()) if len(at_face) else 0.0
    both = np.concatenate([at_face, at_beside])
    luma = float(np.percentile(both, 95)) if len(both) else 0.0
    blur = (
        card_blur_px
        if card_blur_px is not None
        else _edge_blur(grey, px[inside], plane.project(points + normals)[inside])
    )
    measured = {}
    if scale < FLOOR_PX_PER_MM:
        measured["too-far"] = f"{scale:.1f} px/mm, where {FLOOR_PX_PER_MM} is the least for a grade"
    if blur > BLUR_MM * scale:
        spread = f"edges are blurred over {blur / scale:.2f} mm (standard deviation)"
        measured["blurred"] = f"{spread}, where {BLUR_MM} is the most for a grade"
    if plane.tilt_deg > OBLIQUE_DEG:
        measured["steep" if plane.tilt_deg > STEEP_DEG else "oblique"] = f"{plane.tilt_deg:.0f}° from square on"
    if burnt > _BURNT_SHARE:
        measured["burnt-out"] = f"{100 * burnt:.0f} % of the teeth's faces"
    if luma < _DARK_LUMA:
        measured["dark"] = f"its brightest parts reach grey value {luma:.0f} of 255"
    return Quality(
        px_per_mm=scale, blur_px=blur, tilt_deg=plane.tilt_deg, luma=luma, teeth_outside=outside,
        flags=(*measured, *(("teeth-out-of-frame",) if outside else ())), worded=tuple(measured),
        notes=tuple(f"{flag(code).sentence.removesuffix('.')}: {what}." for code, what in measured.items()),
    )  # fmt: skip


def _edge_blur(grey: NDArray[np.uint8], px: NDArray[np.float64], ahead: NDArray[np.float64]) -> float:
    """Blur of the sharper edges across an outline at pixels (n, 2), px: the 30th percentile of well fitted steps."""
    step = ahead - px
    unit = step / np.hypot(step[:, 0], step[:, 1])[:, None]
    pick = slice(None, None, max(1, len(px) // 600))
    t = np.linspace(-7, 7, 29)
    x = px[pick, :1] + t * unit[pick, :1]
    y = px[pick, 1:] + t * unit[pick, 1:]
    values = sample(grey, x, y)
    values = values[np.isfinite(values).all(1)]
    if len(values) < 10:
        return 1.0
    fit = fit_erf(linear_light(np.rint(values).astype(np.uint8)).astype(np.float64), blur=2.0)
    good = fit.good & (np.abs(fit.step) > 12)
    if good.sum() < 10:
        return 1.0
    return float(np.percentile(fit.blur[good] * 0.5, 30))


def plane_flags(tilt_std_deg: float) -> list[str]:
    """A flag where the fit leaves the plane's tilt open."""
    return ["plane-uncertain"] if tilt_std_deg > _TILT_STD_DEG else []
