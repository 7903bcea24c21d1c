"""What of a sprocket can be seen besides its teeth: bore, splines, fixing holes, hole circle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothcheck.estimate import Estimate
from toothcheck.features.bore import Bore, find_bore
from toothcheck.features.holes import find_holes
from toothcheck.features.view import View, frame_of, rays_of
from toothcheck.geometry import Floats, readonly
from toothcheck.matching import Count
from toothcheck.photo import linear_light
from toothcheck.pose import PlanePose


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """The features of one sprocket, mm; None with a reason where the photo does not show it."""

    bore: Bore
    holes: Count | None
    hole_circle_mm: Estimate | None
    hole_mm: Estimate | None
    reasons: dict[str, str]
    holes_at_mm: Floats | None = None
    """(n, 2) the holes' middles in the face's plane, where holes were seen."""


def find_circles(
    grey: NDArray[np.uint8], plane: PlanePose, *, root_radius_mm: float, thickness_mm: float, scale_std: float
) -> Seen:
    """Look for bore and fixing holes.

    Parameters
    ----------
    plane
        The face, its origin at the sprocket's centre.
    root_radius_mm
        Nothing is looked for beyond.
    thickness_mm
        Of the sprocket at its bore.
    scale_std
        Relative standard uncertainty of the plane's lengths.
    """
    left, top, right, bottom = frame_of(plane, root_radius_mm * rays_of(60), 8, grey.shape)
    if right - left < 60 or bottom - top < 60:
        gone = dict.fromkeys(("bore_mm", "holes", "hole_circle_mm", "hole_mm"), "out of the picture")
        return Seen(bore=Bore(), holes=None, hole_circle_mm=None, hole_mm=None, reasons=gone)
    view = View(
        light=linear_light(grey[top:bottom, left:right]), plane=plane, thickness_mm=thickness_mm, left=left, top=top
    )
    reasons: dict[str, str] = {}
    bore = find_bore(view, root_radius_mm, scale_std, reasons)
    holes = find_holes(view, root_radius_mm, bore.reach_mm, scale_std, reasons)
    return Seen(
        bore=bore,
        holes=None if holes is None else holes.count,
        hole_circle_mm=None if holes is None else holes.circle_mm,
        hole_mm=None if holes is None else holes.size_mm,
        reasons=reasons,
        holes_at_mm=None if holes is None else readonly(holes.at_mm),
    )
