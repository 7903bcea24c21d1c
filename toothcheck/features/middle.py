"""The middle of a sprocket of which nothing is known: votes along the edges' normals, and then the bore.

The bore is turned in one clamping with the teeth, so its middle is theirs, whether it is round or splined.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.cards.detect import CardSighting
from toothcheck.features.bore import LARGEST_SPLINED_MM, SMALLEST_MM
from toothcheck.features.hole_edges import fit_hole, steps_on
from toothcheck.features.splines import find_splines
from toothcheck.features.view import ABOUT, rays_of, view_round
from toothcheck.geometry import Floats
from toothcheck.pose import PlanePose
from toothcheck.tracing.centres import meeting_places

_SEARCH_MM = 0.5
_CIRCLES_MM = 8.0, 130.0
"""Radii of the smallest and the largest circle that may show the middle."""
_PLACES = 6, 24
"""How many meeting places are looked at first, and how many at most: splines send no lines to the middle."""
_BEYOND_CARD_MM = 3.0
_USUAL_THICKNESS_MM = 6.0


def middles(grey: NDArray[np.uint8], plane: PlanePose, sighting: CardSighting) -> Iterator[tuple[PlanePose, float]]:
    """Planes with their origin moved to what may be the bore's middle, and its radius; the likeliest first.

    Each is settled when it is asked for: the first is nearly always the one, and settling takes as long as the search.
    """
    h, w = grey.shape
    frame = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], dtype=np.float64)
    corners = plane.on_plane(frame)
    low, high = corners.min(0), corners.max(0)
    step = _SEARCH_MM
    columns, rows = (np.ceil((high - low) / step).astype(int) + 1).tolist()
    if columns * rows > 4_000_000:
        return
    gx, gy = np.meshgrid(low[0] + step * np.arange(columns), low[1] + step * np.arange(rows))
    maps = plane.project(np.stack([gx, gy], axis=-1)).astype(np.float32)
    shrink = max(1, int(plane.px_per_mm * step))
    source = cv2.blur(grey, (shrink, shrink))
    value = cv2.remap(source, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    value = cv2.GaussianBlur(value.astype(np.float32), (0, 0), 1.6)
    dx, dy = cv2.Sobel(value, cv2.CV_32F, 1, 0), cv2.Sobel(value, cv2.CV_32F, 0, 1)
    size = np.hypot(dx, dy)
    mask = ((maps[..., 0] > 3) & (maps[..., 0] < w - 4) & (maps[..., 1] > 3) & (maps[..., 1] < h - 4)).astype(np.uint8)
    # a card's straight edges outvote every circle
    for shape in _printed(plane, sighting):
        cv2.fillConvexPoly(mask, np.round((shape - low) / step).astype(np.int32), 0)
    mask = cv2.erode(mask, np.ones((5, 5), np.uint8))
    inside = size[mask > 0]
    if len(inside) < 1000:
        return
    strong = (size > np.quantile(inside, 0.9)) & (mask > 0)
    iy, ix = np.nonzero(strong)
    ux, uy = dx[iy, ix] / size[iy, ix], dy[iy, ix] / size[iy, ix]
    places = meeting_places((iy, ix), (uy, ux), _CIRCLES_MM, (rows, columns), step, count=_PLACES[-1])
    for some in np.split(places, _PLACES[:-1]):
        guesses = [low + step * np.array([float(x), float(y)]) for y, x in some]
        tried = [_bore_at(grey, plane, guess) for guess in guesses]
        for _, middle, radius in sorted((one for one in tried if one is not None), key=lambda one: -one[0]):
            settled = _settled(grey, plane, middle, radius)
            if settled is not None:
                yield settled
        for guess in guesses:
            splined = _splines_at(grey, plane, guess)
            if splined is not None:
                yield splined


def _printed(plane: PlanePose, sighting: CardSighting) -> list[Floats]:
    """Corners (plane, mm) of what is printed: the whole pocket card, or each marker of a mat, with some room."""
    if not sighting.layout.is_mat:
        w, h = sighting.layout.width_mm + _BEYOND_CARD_MM, sighting.layout.height_mm + _BEYOND_CARD_MM
        return [np.array([[-_BEYOND_CARD_MM, _BEYOND_CARD_MM], [w, _BEYOND_CARD_MM], [w, -h], [-_BEYOND_CARD_MM, -h]])]
    markers = plane.on_plane(sighting.corners_px.reshape(-1, 2)).reshape(-1, 4, 2)
    middle = markers.mean(axis=1, keepdims=True)
    size = np.hypot(*(markers - middle).T).max()
    return list(middle + (markers - middle) * (1 + math.sqrt(2) * _BEYOND_CARD_MM / size))


def _splines_at(grey: NDArray[np.uint8], plane: PlanePose, guess: Floats) -> tuple[PlanePose, float] | None:
    """The face's plane about a splined bore near a place, and the radius of its grooves' bottoms."""
    here = plane.moved(centre_mm=guess)
    found = find_splines(view_round(grey, here, LARGEST_SPLINED_MM + 4), SMALLEST_MM, LARGEST_SPLINED_MM, reach_mm=1.6)
    if found is None or found.groove is None:  # the weave of a cloth has waves, but no grooves
        return None
    return here.moved(centre_mm=np.array(found.centre_mm)), found.bottom_mm


def _settled(
    grey: NDArray[np.uint8], plane: PlanePose, middle: Floats, radius: float
) -> tuple[PlanePose, float] | None:
    """The face's plane about a bore whose circle was seen at ``middle``."""
    # the circle that stands out most may be the near rim or the far one: try both, and believe the pair
    choice: tuple[float, PlanePose, float] | None = None
    for behind in (0.0, _USUAL_THICKNESS_MM):
        level = plane.moved(height_mm=-behind)
        # where it was seen on the face's plane, brought to this one
        seen = level.on_plane(plane.project(middle + radius * rays_of(8)))
        here = level.moved(centre_mm=seen.mean(0))
        guess = float(np.hypot(*(seen - seen.mean(0)).T).mean())
        around = view_round(grey, here, guess + 6, 0.0)
        # the search may stand off by a millimetre or two where its middle was off
        fits = [fit_hole(around, np.zeros(2), guess + off, rays_of(180)) for off in (0.0, 0.9, -0.9, 1.8)]
        fitted = min((f for f in fits if f is not None), key=lambda f: f[2], default=None)
        if fitted is None or float(np.hypot(*fitted[0])) > 2.0:
            continue
        face = here.moved(centre_mm=fitted[0]).moved(height_mm=behind)
        view = view_round(grey, face, fitted[1] + 6)
        near, far = (
            float(np.mean(steps_on(view, np.zeros((1, 2)), np.array([fitted[1]]), rays_of(180), z)))
            for z in (0.0, -_USUAL_THICKNESS_MM)
        )
        if choice is None or near + 0.5 * far > choice[0]:
            choice = (near + 0.5 * far, face, fitted[1])
    if choice is None:
        return None
    # once more on the face, the far rim held apart
    fitted = fit_hole(view_round(grey, choice[1], choice[2] + 6), np.zeros(2), choice[2], rays_of(180))
    if fitted is None or float(np.hypot(*fitted[0])) > 1.0:
        return None
    return choice[1].moved(centre_mm=fitted[0]), fitted[1]


def _bore_at(grey: NDArray[np.uint8], plane: PlanePose, guess: Floats) -> tuple[float, Floats, float] | None:
    """How much a circle stands out about a place: score, middle (plane), radius."""
    rays = rays_of(120)
    best: tuple[float, Floats, float] | None = None
    radii = np.arange(5.0, 75.0, 0.4)
    for reach in (1.5, 0.5, 0.2):
        start = guess if best is None else best[1]
        here = plane.moved(centre_mm=start)
        view = view_round(grey, here, float(radii[-1]) + 3)
        offsets = reach * ABOUT
        like = steps_on(view, offsets, radii, rays, 0.0)
        for o, row in zip(offsets, like, strict=True):
            i = int(row.argmax())
            score = float(row[i] - np.median(row))
            if best is None or score > best[0]:
                best = (score, start + o, float(radii[i]))
        if best is None or best[0] < 0.15:
            return None
    return best
