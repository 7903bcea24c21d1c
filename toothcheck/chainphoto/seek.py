"""Find the row of pin ends: circles by votes along the gradient, then the longest row of equal steps.

A search on a coarse picture of the plane; nothing is measured on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.geometry import Floats
from toothcheck.pose import PlanePose

RADIUS_SHARE = (0.13, 0.22)
"""Radius of a pin's end over the pitch, smallest and largest looked for (520: 2.6/15.875 = 0.16)."""
STEP_SHARE = (0.985, 1.05)
"""One link over the nominal pitch: play sits in every second link, which grows by twice the elongation."""
_PER_PITCH = 64
"""Picture elements for one pitch on the coarse picture."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row:
    """A row of circles in the plane, mm."""

    places_mm: Floats
    """(n, 2), in order."""
    seen: NDArray[np.bool_]
    """(n,) False where a circle was not seen but stepped over."""
    radius_mm: float
    brighter: bool
    """Whether the pin ends are brighter than the plate."""
    score: float


def find_row(grey: NDArray[np.uint8], plane: PlanePose, pitch_mm: float, hidden: list[Floats]) -> Row | None:
    """The best row in the picture, or None when no six circles stand in one.

    Parameters
    ----------
    plane
        Of the pin ends.
    hidden
        Quadrilaterals of the plane (4, 2), mm, in which nothing is looked for (the card).
    """
    step = pitch_mm / _PER_PITCH
    h, w = grey.shape
    frame = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1], [w / 2, 0], [w / 2, h - 1]], dtype=np.float64)
    corners = plane.on_plane(frame)
    low, high = corners.min(0), corners.max(0)
    columns, rows = (np.ceil((high - low) / step).astype(int) + 1).tolist()
    if columns * rows > 6_000_000:  # a chain that small in the picture is not measurable anyway
        return None
    gx, gy = np.meshgrid(low[0] + step * np.arange(0, columns + 16, 16), low[1] + step * np.arange(0, rows + 16, 16))
    nodes = plane.project(np.stack([gx, gy], axis=-1)).astype(np.float32)
    jj, ii = np.meshgrid(np.arange(columns, dtype=np.float32) / 16, np.arange(rows, dtype=np.float32) / 16)
    maps = cv2.remap(nodes, jj, ii, cv2.INTER_LINEAR)
    shrink = plane.px_per_mm * step
    source = cv2.blur(grey, (int(shrink), int(shrink))) if shrink >= 2 else grey
    value = cv2.remap(source, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    value = cv2.GaussianBlur(value.astype(np.float32), (0, 0), 1.5)
    dx, dy = cv2.Sobel(value, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(value, cv2.CV_32F, 0, 1, scale=0.125)
    size = np.hypot(dx, dy)
    inside = (maps[..., 0] > 2) & (maps[..., 0] < w - 3) & (maps[..., 1] > 2) & (maps[..., 1] < h - 3)
    mask = inside.astype(np.uint8)
    for quad in hidden:
        cv2.fillConvexPoly(mask, np.round((quad - low) / step).astype(np.int32), 0)
    mask = cv2.erode(mask, np.ones((9, 9), np.uint8))
    strong = (size > max(0.6, float(np.median(size)))) & (mask > 0)
    iy, ix = np.nonzero(strong)
    if len(iy) < 100:
        return None
    ux, uy = dx[iy, ix] / size[iy, ix], dy[iy, ix] / size[iy, ix]
    # a weak edge counts nearly as much as a strong one: pin ends differ little from their plate
    weight = np.sqrt(size[iy, ix] / (size[iy, ix] + 4.0))
    best: Row | None = None
    for share in np.linspace(*RADIUS_SHARE, 7):
        r = share * _PER_PITCH
        for sign in (1.0, -1.0):  # towards the gradient: bright inside
            votes = np.zeros((rows, columns), np.float32)
            for rr in (r - 0.7, r + 0.7):
                cx, cy = np.round(ix + sign * rr * ux).astype(int), np.round(iy + sign * rr * uy).astype(int)
                ok = (cx >= 0) & (cy >= 0) & (cx < columns) & (cy < rows)
                votes += np.bincount(cy[ok] * columns + cx[ok], weight[ok], rows * columns).reshape(rows, columns)
            votes = cv2.GaussianBlur(votes.astype(np.float32), (0, 0), 1.6) / np.float32(r)
            row = _longest(votes, share * pitch_mm, sign > 0)
            if row is not None and (best is None or row.score > best.score):
                best = row
    # pin ends gather 1 to 2.5 votes each (regression pin: made photos), grain and plate edges 0.3 to 0.5
    if best is None or best.score < 0.75 * best.seen.sum() or best.seen.sum() < 0.6 * len(best.seen):
        return None
    return Row(
        places_mm=low + step * best.places_mm,
        seen=best.seen,
        radius_mm=best.radius_mm,
        brighter=best.brighter,
        score=best.score,
    )


def _peaks(votes: NDArray[np.float32], count: int) -> NDArray[np.int64]:
    """(n, 2) places (x, y) of the highest separate maxima."""
    k = _PER_PITCH // 4 | 1
    top = (votes == cv2.dilate(votes, np.ones((k, k), np.uint8))) & (votes > 0)
    iy, ix = np.nonzero(top)
    order = np.argsort(-votes[iy, ix])[:count]
    return np.stack([ix[order], iy[order]], axis=1)


def _longest(votes: NDArray[np.float32], radius_mm: float, brighter: bool) -> Row | None:
    peaks = _peaks(votes, 160)
    if len(peaks) < 6:
        return None
    strength = votes[peaks[:, 1], peaks[:, 0]].astype(np.float64)
    floor = 0.35 * float(np.sort(strength)[-6])
    points = peaks.astype(np.float64)
    apart = points[None] - points[:, None]
    distance = np.hypot(apart[..., 0], apart[..., 1])
    lo, hi = STEP_SHARE[0] * _PER_PITCH - 2, STEP_SHARE[1] * _PER_PITCH + 2
    pairs = np.argwhere((distance > lo) & (distance < hi))
    pairs = pairs[pairs[:, 0] < pairs[:, 1]]
    used: set[tuple[int, int]] = set()
    best: Row | None = None
    for a, b in pairs[np.argsort(-(strength[pairs[:, 0]] + strength[pairs[:, 1]]))][:200]:
        if (int(a), int(b)) in used:
            continue
        ahead, seen_ahead = _walk(points, strength, int(a), int(b), floor, used)
        back, seen_back = _walk(points, strength, int(b), int(a), floor, used)
        chainlike = back[:1:-1] + ahead  # both walks hold a and b
        seen = seen_back[:1:-1] + seen_ahead
        total = sum(float(votes[round(y), round(x)]) for (x, y), s in zip(chainlike, seen, strict=True) if s)
        if sum(seen) >= 6 and (best is None or total > best.score):
            best = Row(
                places_mm=np.array(chainlike),
                seen=np.array(seen),
                radius_mm=radius_mm,
                brighter=brighter,
                score=total,
            )
    return best


def _walk(
    points: Floats, strength: Floats, a: int, b: int, floor: float, used: set[tuple[int, int]]
) -> tuple[list[tuple[float, float]], list[bool]]:
    """Step from a over b onwards, pitch by pitch, over at most two unseen pins in a row; ends at a seen one."""
    out = [tuple(points[a]), tuple(points[b])]
    seen = [True, True]
    last = b
    stride = points[b] - points[a]
    missing = 0
    while missing <= 2:
        expected = np.array(out[-1]) + stride
        off = points - expected
        reach = 4.5 + 2.5 * missing
        near = np.flatnonzero((np.hypot(off[:, 0], off[:, 1]) < reach) & (strength > floor))
        if len(near) == 0:
            out.append(tuple(expected))
            seen.append(False)
            missing += 1
            continue
        take = int(near[np.argmax(strength[near])])
        if not missing:
            used.add((min(last, take), max(last, take)))
            new = points[take] - points[last]
            stride = 0.7 * stride + 0.3 * new
        out.append(tuple(points[take]))
        seen.append(True)
        last, missing = take, 0
        if len(out) > 200:
            break
    while not seen[-1]:
        out.pop()
        seen.pop()
    return [(float(x), float(y)) for x, y in out], seen
