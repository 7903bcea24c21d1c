"""Find a scale card's markers: searched small, corners at full size by fitting and intersecting their sides."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.cards.layout import CardLayout, layouts
from toothcheck.edges import fit_erf, sample
from toothcheck.geometry import Bools, Floats, readonly
from toothcheck.photo import linear_light

_SEARCH_MEGAPIXELS = 3.0
_CELLS = 8  # across a 36h11 marker, its black border of one cell included


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardSighting:
    """The markers of one card as seen in a photo."""

    layout: CardLayout
    ids: tuple[int, ...]
    corners_px: Floats
    """(n, 4, 2), in the order of ``ids``; corners as in the layout."""
    corners_mm: Floats
    """(n, 4, 2), the same corners on the card."""
    blur_px: float
    """Median blur (standard deviation) of the markers' edges."""
    white: float
    """Median light (0…255, linear) of the paper beside the markers' edges."""
    black: float
    """Median light of the ink."""
    mixed: bool
    """Whether markers of another card were in the picture too."""

    def printed(self, scale: float) -> CardSighting:
        """The same card, known to be printed at ``scale`` times its nominal size."""
        return replace(self, layout=self.layout.printed(scale), corners_mm=readonly(scale * self.corners_mm))

    def only(self, markers: Bools) -> CardSighting:
        """The same card, seen by those of its ``markers`` (n,) alone."""
        return replace(
            self,
            ids=tuple(i for i, kept in zip(self.ids, markers, strict=True) if kept),
            corners_px=readonly(self.corners_px[markers]),
            corners_mm=readonly(self.corners_mm[markers]),
        )


def find_card(grey: NDArray[np.uint8]) -> CardSighting | None:
    """The card with the most markers in the photo, or None when there is none.

    Parameters
    ----------
    grey
        (height, width) photo.
    """
    found = _search(grey)
    if not found:
        return None
    by_card: dict[str, list[int]] = {}
    for name, card in layouts().items():
        ids = [i for i in found if i in card.corners_mm]
        if ids:
            by_card[name] = ids
    if not by_card:
        return None
    best = max(by_card, key=lambda name: len(by_card[name]))
    card = layouts()[best]
    kept, corners, blurs, whites, blacks = [], [], [], [], []
    for i in sorted(by_card[best]):
        left, top = np.maximum(np.floor(found[i].min(0)).astype(int) - 12, 0)
        right, bottom = np.ceil(found[i].max(0)).astype(int) + 13
        patch = linear_light(grey[top:bottom, left:right])  # only round the marker: a whole photo costs 0.1 s
        refined = _refine(patch, found[i] - (left, top))
        if refined is None:
            continue
        kept.append(i)
        corners.append(refined[0] + (left, top))
        blurs.append(refined[1])
        whites.append(refined[2])
        blacks.append(refined[3])
    if not kept:
        return None
    return CardSighting(
        layout=card,
        ids=tuple(kept),
        corners_px=readonly(corners),
        corners_mm=readonly([card.corners_mm[i] for i in kept]),
        blur_px=float(np.median(blurs)),
        white=float(np.median(whites)),
        black=float(np.median(blacks)),
        mixed=len(by_card) > 1,
    )


def _search(grey: NDArray[np.uint8]) -> dict[int, Floats]:
    """Marker id -> rough (4, 2) corners at full size."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    scale = min(1.0, (_SEARCH_MEGAPIXELS * 1e6 / grey.size) ** 0.5)
    small = grey if scale == 1.0 else cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    known = {i for card in layouts().values() for i in card.corners_mm}
    out: dict[int, Floats] = {}
    # one window is enough nearly always; the wider pair is for blurred or unevenly lit cards
    for windows in ((23, 23, 10), (9, 53, 22)):
        parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax, step = windows
        parameters.adaptiveThreshWinSizeStep = step
        detector = cv2.aruco.ArucoDetector(dictionary, parameters)
        corners, ids, _ = detector.detectMarkers(small)
        if ids is None:
            continue
        for corner, i in zip(corners, np.ravel(ids), strict=True):
            if int(i) in known:
                # pixel centres at whole numbers on both scales
                out[int(i)] = (corner.reshape(4, 2).astype(np.float64) + 0.5) / scale - 0.5
        if len(out) >= 2:
            break
    return out


def _refine(light: NDArray[np.float32], rough: Floats) -> tuple[Floats, float, float, float] | None:
    """Corners where the fitted sides cross; also blur (px), white and black level.  None when a side is unclear."""
    corners = rough
    blur = white = black = 0.0
    for reach_cells in (0.75, 0.6):
        lines, blurs, whites, blacks = [], [], [], []
        for k in range(4):
            a, b = corners[k], corners[(k + 1) % 4]
            length = float(np.hypot(*(b - a)))
            cell = length / _CELLS
            if cell < 1.6:
                return None
            along = (b - a) / length
            outward = np.array([along[1], -along[0]])  # corners run clockwise in (x right, y down)
            count = int(np.clip(length * 0.7, 8, 60))
            s = np.linspace(0.12, 0.88, count)
            reach = min(reach_cells * cell, 9.0)
            m = 2 * max(3, round(reach)) + 1
            t = np.linspace(-reach, reach, m)
            start = a + s[:, None] * (b - a)
            x = start[:, :1] + t * outward[0]
            y = start[:, 1:] + t * outward[1]
            profiles = sample(light, x, y).astype(np.float64)
            inside = np.isfinite(profiles).all(1)
            if inside.sum() < 6:
                return None
            fit = fit_erf(profiles[inside], blur=1.0)
            good = fit.good & (fit.step > 8)
            if good.sum() < 6:
                return None
            where = fit.position[good] * (t[1] - t[0])
            points = start[inside][good] + where[:, None] * outward
            lines.append(_line(points))
            blurs.append(float(np.median(fit.blur[good]) * (t[1] - t[0])))
            edge = profiles[inside][good]
            whites.append(float(np.median(edge[:, -1])))
            blacks.append(float(np.median(edge[:, 0])))
        crossed = np.stack([_cross(lines[k - 1], lines[k]) for k in range(4)])
        if not np.isfinite(crossed).all() or np.abs(crossed - rough).max() > 0.25 * length + 3:
            return None
        corners, blur, white, black = crossed, float(np.median(blurs)), float(np.mean(whites)), float(np.mean(blacks))
    return corners, blur, white, black


def _line(points: Floats) -> Floats:
    """(a, b, c) with a x + b y = c, robustly through points (n, 2): least squares with Tukey weights."""
    w = np.ones(len(points))
    normal, c = np.zeros(2), 0.0
    for _ in range(5):
        centre = (w[:, None] * points).sum(0) / w.sum()
        d = points - centre
        _, vectors = np.linalg.eigh((w[:, None] * d).T @ d)
        normal = vectors[:, 0]
        r = d @ normal
        scale = 1.4826 * float(np.median(np.abs(r))) + 0.02
        w = np.clip(1 - (r / (4.5 * scale)) ** 2, 0, None) ** 2 + 1e-6
        c = float(normal @ centre)
    return np.array([normal[0], normal[1], c])


def _cross(first: Floats, second: Floats) -> Floats:
    return np.asarray(np.linalg.solve(np.stack([first[:2], second[:2]]), np.array([first[2], second[2]])))
