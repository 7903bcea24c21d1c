"""A sprocket off the machine, flat beside the card, as a part: without being told what it is.

The middle comes from votes along the edges' normals and then from the bore (`toothcheck.features.middle`), the tooth
count from the angular harmonics of the rim and the pitch from the root circle that goes with this count
(`toothcheck.features.rim`).  Scale is the card's and the pitch's together, each by its weight.  The photo is not asked
for thickness, offset, or the fit on the shaft.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from toothcheck.cards.detect import find_card
from toothcheck.cards.layout import CardLayout
from toothcheck.chains import CHAINS, Chain
from toothcheck.errors import CannotTell
from toothcheck.estimate import Estimate
from toothcheck.features.circles import Seen, find_circles
from toothcheck.features.middle import middles
from toothcheck.features.rim import Rim, rim_round
from toothcheck.features.view import rays_of
from toothcheck.geometry import Floats
from toothcheck.matching import Count, Part
from toothcheck.pose import CardPose, PlanePose, card_pose

LEAST_PX_PER_MM = 3.0
MOST_TILT_DEG = 30.0
HEIGHT_STD_MM = 0.3
_USUAL_STD_MM = 0.4
_ANY_MM, _ANY_STD_MM = 7.0, 1.2
"""Thickness of a part on a mat where it is not told, with its standard uncertainty: as the chain's width has it to so
much, else anything from 5 to 9 mm."""
_LARGE_BORE_MM = 8.0
"""Radius from which a circle may leave no room for a small sprocket's roots."""
LEAN_STD = math.radians(0.25)
"""How parallel card and face lie: both flat on one table."""


def part_from_photo(
    grey: NDArray[np.uint8],
    focals_35mm: tuple[float, ...],
    *,
    name: str,
    card_height_mm: float | None = None,
    card_measured_mm: float | None = None,
    size: Chain | None = None,
    thickness_mm: float | None = None,
) -> Part:
    """Read what can be seen of the sprocket in a photo.

    Parameters
    ----------
    grey, focals_35mm
        The photo.
    card_height_mm
        Height of the card's print over the face; where it is not told, 0, and behind by the thickness on a mat.
    card_measured_mm
        As in `toothcheck.cards.layout.CardLayout.print_scale`.
    size
        Chain size when it is told (from a stamp): gives the roller, is checked against the pitch seen.
    thickness_mm
        At the bore; the nominal tooth width when not given.

    Raises
    ------
    CannotTell
        When there is no card, the photo is too oblique or too coarse, or no sprocket with a free bore is found.
    """
    sighting = find_card(grey)
    if sighting is None or len(sighting.ids) < 3:
        raise CannotTell(
            f"{name}: the scale card was not found, or too little of it.",
            hint="Lay the printed card beside the part, at the height of its face.",
        )
    print_scale, print_std = sighting.layout.print_scale(card_measured_mm)
    sighting = sighting.printed(print_scale)
    card = card_pose(sighting, grey, focals_35mm)
    height_mm, height_std_mm = _card_height(sighting.layout, card_height_mm, thickness_mm, size)
    plane = card.plane.moved(height_mm=-height_mm)
    # gravel makes circles, too: the first middle with teeth round it is the one
    rim: Rim | None = None
    any_bore = False
    for middle, bore_radius in middles(grey, plane, sighting):
        any_bore = True
        rim = rim_round(grey, middle, bore_radius, size)
        if rim is None and bore_radius > _LARGE_BORE_MM:
            # the clearest circle may be a damping ring's, close to the roots
            rim = rim_round(grey, middle, _LARGE_BORE_MM, size)
        if rim is not None:
            plane = middle
            break
    if not any_bore:
        raise CannotTell(
            f"{name}: no sprocket with a free, round bore was found.",
            hint="Take the part off, lay it flat on something plain, whole in the picture; or type its values.",
        )
    if rim is not None and (plane.tilt_deg > MOST_TILT_DEG or plane.px_per_mm < LEAST_PX_PER_MM):
        raise CannotTell(
            f"{name}: taken {plane.tilt_deg:.0f}° from the side at {plane.px_per_mm:.1f} px/mm.",
            hint=f"Hold the camera square on (under {MOST_TILT_DEG:.0f}°), closer (over {LEAST_PX_PER_MM:g} px/mm).",
        )
    if rim is None:
        raise CannotTell(
            f"{name}: no toothed rim "
            + ("of a chain size known " if size is None else f"for a {size.name} chain ")
            + "was found around the bore.",
            hint="Use a plain background, wipe the teeth, check the chain size and the card height given, and measure "
            "the card's print (--card-measured).",
        )
    table = rim.size
    thickness = thickness_mm if thickness_mm is not None else table.tooth_width_mm
    alike = [c for c in CHAINS.values() if c.pitch_mm == table.pitch_mm] if size is None else [size]
    rollers = [c.roller_diameter_mm for c in alike]
    card_std = math.hypot(_scale_std(card, plane, height_mm, height_std_mm), print_std)
    plane, rim, scale_std = _settle_scale(plane, rim, table.pitch_mm, (min(rollers), max(rollers)), card_std)
    seen = find_circles(grey, plane, root_radius_mm=rim.root_mm, thickness_mm=thickness, scale_std=scale_std)
    return _part(name, rim, seen, table, size, scale_std)


def _part(name: str, rim: Rim, seen: Seen, table: Chain, told: Chain | None, scale_std: float) -> Part:
    z = rim.teeth
    d1 = table.roller_diameter_mm
    pitch = (2 * rim.root_mm + d1) * math.sin(math.pi / z)
    # the seat may stand up to 0.2 mm off the pitch circle and the roller of this pitch may be another
    pitch_std = math.hypot(2 * math.hypot(rim.std_mm, 0.25) * math.sin(math.pi / z), pitch * scale_std)
    reasons = dict(seen.reasons)
    if seen.bore.splines is None:
        reasons["splines"] = "count them by eye and type them; a round bore is splines=0"
    if told is None:
        reasons["roller_diameter_mm"] = "the seats do not tell the roller finely enough: type the chain size"
    return Part(
        name=name,
        teeth=Count(value=z, probability=rim.probability),
        pitch_mm=Estimate(value=pitch, std=pitch_std),
        roller_diameter_mm=None if told is None else Estimate(value=d1, std=0.0),
        outer_diameter_mm=Estimate(value=2 * rim.tip_mm, std=math.hypot(0.3, 2 * rim.tip_mm * scale_std)),
        root_diameter_mm=Estimate(value=2 * rim.root_mm, std=math.hypot(2 * rim.std_mm, 2 * rim.root_mm * scale_std)),
        bore_mm=seen.bore.diameter_mm,
        splines=seen.bore.splines,
        spline_major_mm=seen.bore.spline_major_mm,
        holes=seen.holes,
        hole_circle_mm=seen.hole_circle_mm,
        hole_mm=seen.hole_mm,
        unknown_because=reasons,
    )


def _card_height(
    card: CardLayout, told_mm: float | None, thickness_mm: float | None, size: Chain | None
) -> tuple[float, float]:
    """Height of the card's print over the face and its standard uncertainty, mm."""
    if told_mm is not None or not card.is_mat:
        return told_mm or 0.0, HEIGHT_STD_MM
    if thickness_mm is not None:
        return -thickness_mm, HEIGHT_STD_MM
    return (-_ANY_MM, _ANY_STD_MM) if size is None else (-size.tooth_width_mm, _USUAL_STD_MM)


def _scale_std(card: CardPose, plane: PlanePose, card_height_mm: float, height_std_mm: float) -> float:
    """Relative standard uncertainty of lengths at the sprocket, the card's print apart."""
    plane_of = card.beside(card_height_mm, height_std_mm=height_std_mm, lean_std=LEAN_STD)
    ring = 30.0 * rays_of(12)
    px = plane.project(ring)

    def size(v: Floats) -> float:
        points = plane_of(v).on_plane(px)
        return float(np.hypot(*(points - points.mean(0)).T).mean())

    base = size(np.zeros(card.freedoms))
    slope = np.array([(size(0.5 * e) - size(-0.5 * e)) / base for e in np.eye(card.freedoms)])
    return float(np.sqrt((slope**2).sum()))


def _settle_scale(
    plane: PlanePose, rim: Rim, pitch_mm: float, rollers_mm: tuple[float, float], card_std: float
) -> tuple[PlanePose, Rim, float]:
    """Bring the card's scale and the pitch's together, each by its weight: plane and rim in it, and how sure it is.

    The root circle that goes with count and pitch is known to ± 0.25 mm of diameter (form, seat); on a large sprocket
    that is better than a card that may lie a little higher or lower than told, or be printed a little too small.  Where
    the size is not told, the roller is any that goes with the pitch, all values alike (JCGM 100:2008, 4.3.7): the
    outline does not tell them apart.
    """
    least, most = rollers_mm
    expected = pitch_mm / math.sin(math.pi / rim.teeth) - (least + most) / 2 - 0.15
    pitch_std = math.hypot(0.25, 2 * rim.std_mm, (most - least) / math.sqrt(12)) / expected
    ratio = expected / (2 * rim.root_mm)
    weight = card_std**2 / (card_std**2 + pitch_std**2)
    factor = 1 + weight * (ratio - 1)
    # lengths grow by the factor when the plane is that much farther away
    away = float(plane.camera_in_plane()[2]) * (factor - 1)
    moved = plane.moved(height_mm=-away)
    # the middle stays where it is seen
    pixel = plane.project(np.zeros((1, 2)))
    settled = replace(rim, root_mm=factor * rim.root_mm, tip_mm=factor * rim.tip_mm)
    scale_std = card_std * pitch_std / math.hypot(card_std, pitch_std)
    return moved.moved(centre_mm=moved.on_plane(pixel)[0]), settled, scale_std
