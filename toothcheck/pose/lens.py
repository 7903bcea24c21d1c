"""What is known of the lens before anything is seen.

The focal length is a measured quantity with the EXIF value as prior, because one view square-on does not determine it.
A photo without that value (messengers and screenshots drop it) may be of any of a phone's lenses: each is tried.  A
photo that was zoomed by cutting has its file's value once with the zoom and once without: cameras differ.  A photo of
which a part was cut off afterwards has its principal point beside its middle, and its focal length no longer goes with
its longer side.  Of a photo that a program has straightened neither is known: its card is drawn as it lies on the
table, from wherever it was seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toothcheck.geometry import Floats

_EXIF_STD = 0.03
"""Relative: a whole number of 35 mm millimetres, width or diagonal convention, and 1-3 % of focusing."""
_LENSES_35MM = ((26.0, 0.7), (50.0, 0.2), (75.0, 0.1))
"""35 mm equivalents of phones' lenses, and how often each is used for a small thing (common practice, no source).  One
prior about the first alone is four standard deviations off for the second."""
_LENS_STD = 0.15
_FRAMES = (4 / 3, 3 / 2, 16 / 9, 2.0, 19.5 / 9, 20 / 9, 21 / 9)
"""Longer to shorter side of the photos that cameras and phones write (common practice, no source)."""
_FRAME_SPAN = 0.006
_CUT_WEIGHT, _CUT_WEIGHT_ODD = 0.03, 0.7
"""How many photos are cut: of those with a camera's own frame, and of the others (common practice, no source)."""
_CUT_RATIO, _CUT_RATIO_STD = 0.2, 0.2
"""ln of how much longer the longer side was before."""
_CUT_BLIND_35MM, _CUT_BLIND_STD = 40.0, 0.45
_CUT_SHIFT = 0.12
"""Of the longer side: a quarter cut off one side moves the middle by an eighth."""
_DISTANCE_MM, _DISTANCE_STD = 260.0, 0.4
"""How far from a sprocket people hold a phone, and its relative spread (common practice, no source)."""
_ASIDE = 0.2
"""Of that distance: how far aside of what is straightened the lens stood, on each axis."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """One way in which a photo may have been taken."""

    focal_px: float
    focal_std: float
    """Relative standard uncertainty."""
    shift_std_px: float = 0.0
    """Standard deviation of the principal point about the photo's middle, on each axis.  0: it is the middle (a phone
    crops symmetrically; 20 px of shift tilt a plane by less than a degree)."""
    weight: float = 1.0
    """Probability before anything is seen."""


def whole_lenses(width_px: int, height_px: int, focals_35mm: tuple[float, ...]) -> list[Lens]:
    """The lenses of a photo from which nothing was cut, likeliest first.

    The 35 mm equivalent is taken over the photo's longer side (36 mm); the diagonal convention differs by 4 % at 4:3,
    which the uncertainty covers.
    """
    unit = max(width_px, height_px) / 36
    weight = 1 - _cut_weight(width_px, height_px)
    std = _EXIF_STD if focals_35mm else _LENS_STD
    lenses = [(focal, 1 / len(focals_35mm)) for focal in focals_35mm] or _LENSES_35MM
    return [Lens(focal_px=focal * unit, focal_std=std, weight=weight * share) for focal, share in lenses]


def cut_lens(width_px: int, height_px: int, focals_35mm: tuple[float, ...]) -> Lens:
    """The lens of a photo of which a part was cut off after it was taken."""
    side = max(width_px, height_px)
    focal, std = _CUT_BLIND_35MM, _CUT_BLIND_STD
    if focals_35mm:
        focal, std = focals_35mm[0] * math.exp(_CUT_RATIO), _CUT_RATIO_STD
    return Lens(
        focal_px=focal / 36 * side,
        focal_std=std,
        shift_std_px=_CUT_SHIFT * side,
        weight=_cut_weight(width_px, height_px),
    )


def straightened_lens(px_per_mm: float) -> Lens:
    """The lens of a photo that was drawn anew as if seen square-on, at a scale that is the program's."""
    focal = _DISTANCE_MM * px_per_mm
    return Lens(focal_px=focal, focal_std=_DISTANCE_STD, shift_std_px=_ASIDE * focal)


def together(lenses: Sequence[Lens], likely: Floats) -> Lens:
    """One lens with the mean and the spread of those that remain possible, ``likely`` (n,) adding up to 1."""
    logs = np.log([lens.focal_px for lens in lenses])
    middle = float(likely @ logs)
    spread = float(likely @ ((logs - middle) ** 2 + np.array([lens.focal_std**2 for lens in lenses])))
    return Lens(focal_px=math.exp(middle), focal_std=math.sqrt(spread))


def _cut_weight(width_px: int, height_px: int) -> float:
    frame = max(width_px, height_px) / min(width_px, height_px)
    usual = any(abs(frame / other - 1) < _FRAME_SPAN for other in _FRAMES)
    return _CUT_WEIGHT if usual else _CUT_WEIGHT_ODD
