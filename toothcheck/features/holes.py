"""Fixing holes: equal ones, evenly spaced on one circle about the bore."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.features.hole_edges import BESIDE_RIM_MM, BEVEL_STD_MM, bright_inside, near_rims, steps_on
from toothcheck.features.view import View, rays_of
from toothcheck.geometry import Floats
from toothcheck.matching import Count

HOLES = range(3, 11)
"""Numbers of fixing holes looked for."""
HOLE_RADIUS_MM = (2.4, 8.5)
_HOLE_SUPPORT = 0.65


def _whole_set(view: View, c: float, phase: float, n: int, rho: float) -> tuple[Floats, Floats, float] | None:
    """Middles and radii of n holes on a circle of radius c, when every one of them is clear."""
    angles = phase + 2 * math.pi * np.arange(n) / n
    found = near_rims(view, [c * np.array([math.cos(a), math.sin(a)]) for a in angles], rho, rays_of(72))
    if found is None:
        return None
    circles, settled = found
    for middle, r, _ in circles:
        # through a hole the ground is brighter than the face, and the far rim outshines the near one: no size then
        if not settled and bright_inside(view, middle, r - BESIDE_RIM_MM, r + BESIDE_RIM_MM):
            return None
        if not steps_on(view, middle[None], np.array([r]), rays_of(48), 0.0)[0, 0] > _HOLE_SUPPORT:
            return None
    middles, sizes, stds = (np.array([f[k] for f in circles]) for k in range(3))
    return middles, sizes, float(np.median(stds))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HoleSet:
    """What was found."""

    count: Count
    circle_mm: Estimate
    size_mm: Estimate
    at_mm: Floats
    """(n, 2) the holes' middles in the face's plane."""


def find_holes(view: View, root: float, bore: float, scale_std: float, reasons: dict[str, str]) -> HoleSet | None:
    """Equal holes on one circle."""

    def no(why: str) -> HoleSet | None:
        for key in ("holes", "hole_circle_mm", "hole_mm"):
            reasons[key] = why
        return None

    low, high = max(bore, 6.0) + 3.5, root - 3.5
    if high - low < 3:
        return no("no room for fixing holes between bore and teeth; type holes=0 if there are none")
    circles = np.arange(low, high, 1.2)
    turns = np.arange(0, 360) * (math.pi / 180)
    out = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    best: tuple[float, int, float, float, float] | None = None
    rays = rays_of(18)
    radii = np.arange(HOLE_RADIUS_MM[0], HOLE_RADIUS_MM[1] + 0.01, 0.5)
    for c in circles:
        fits = radii < min(c - bore, root - c) - 0.8
        if not fits.any():
            continue
        # (turns, radii): how much each place looks like a hole; the far rim counts, too
        like = steps_on(view, c * out, radii[fits], rays, 0.0)
        for n in HOLES:
            if 2 * math.pi * c / n < 2 * radii[0] + 2:
                continue
            span = 360 / n
            phases = np.arange(0, span, 1.0)
            index = np.round(phases[:, None] + span * np.arange(n)).astype(int) % 360
            ring = like[index]  # (phases, n, radii)
            worst, mean = ring.min(axis=1), ring.mean(axis=1)
            value = worst + 0.5 * mean
            i, j = np.unravel_index(int(value.argmax()), value.shape)
            # more holes that all look the part beat fewer
            score = float(value[i, j]) + 0.012 * n
            if best is None or score > best[0]:
                best = (score, n, float(c), float(phases[i] * math.pi / 180), float(radii[fits][j]))
    if best is None:
        return no("no fixing holes were seen; type holes=0 if there are none")
    _, n, c, phase, rho = best
    # a set of six holds two sets of three: the largest whole set counts
    whole = None
    for multiple in (4, 3, 2, 1):
        if n * multiple <= HOLES[-1]:
            whole = _whole_set(view, c, phase, n * multiple, rho)
            if whole is not None:
                break
    if whole is None:  # gravel and grain reach a support of 0.5, real rims 0.8 and more
        return no("no full set of clear fixing holes was seen (a darker ground helps); type holes=0 if there are none")
    middles, sizes, each = whole
    n = len(sizes)
    # equal holes on one circle, evenly spaced: else it was chance
    x, y = middles.T
    basis = np.column_stack([2 * x, 2 * y, np.ones(n)])
    cx, cy, rest = np.linalg.lstsq(basis, x * x + y * y, rcond=None)[0] if n > 3 else (*middles.mean(0), None)
    own = np.hypot(x - cx, y - cy)
    radius = float(own.mean()) if rest is None else math.sqrt(float(rest + cx * cx + cy * cy))
    spacing = np.diff(np.unwrap(np.arctan2(y - cy, x - cx)))
    uneven = np.abs(spacing - 2 * math.pi / n).max() * radius
    if np.ptp(sizes) > 0.8 or np.abs(own - radius).max() > 0.6 or uneven > 1.2 or math.hypot(cx, cy) > 0.8:
        return no("what was seen is no set of equal holes on one circle; type holes=0 if there are none")
    spread = float(own.std()) / math.sqrt(n)
    # far rims taken for near ones make the whole circle smaller, by a share of thickness over distance
    doubt = radius * view.thickness_mm / float(view.plane.camera_in_plane()[2]) if each > 1.5 * BEVEL_STD_MM else 0.0
    circle = Estimate(value=2 * radius, std=math.hypot(2 * max(spread, 0.03), 2 * radius * scale_std, doubt))
    size = Estimate(
        value=2 * float(np.median(sizes)),
        std=math.hypot(
            2 * max(float(sizes.std()) / math.sqrt(n), each, BEVEL_STD_MM), 2 * float(sizes.mean()) * scale_std
        ),
    )
    return HoleSet(count=Count(value=n, probability=0.99), circle_mm=circle, size_mm=size, at_mm=middles)
