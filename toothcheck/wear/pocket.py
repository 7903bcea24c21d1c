"""What has been worn out of drive flanks: the greatest loss, and the hollow under a straight edge."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.geometry import Floats
from toothcheck.tooth import ToothRing
from toothcheck.toothform import IsoForm
from toothcheck.wear.flanks import Flanks
from toothcheck.wear.profiles import SEEN, arc_per_normal, bevel_std_mm
from toothcheck.wear.spread import doubted, less_noise

_HOLLOW_MM, _HOLLOW_SHARE = 0.08, 0.25
"""What dirt and shadows make of a flank's hollow, and which share of it a lost lip takes (made photos)."""
_SEEN_BESIDE = 0.6
"""As `SEEN`, where edges must lie on both sides: a profile carried on past its last edge is mostly noise."""


def along_drive(
    ring: ToothRing, form: IsoForm, flanks: Flanks, i: int, half: Floats, half_draws: Floats
) -> dict[str, Estimate]:
    """The measures of tooth ``i`` that are taken along its drive flank; what could not be taken is left out.

    Parameters
    ----------
    half, half_draws
        (r,) and (draws, r) its half thickness towards the drive flank, mm.
    """
    out = {"greatest_loss_mm": _greatest_loss(ring, form, flanks, i)}
    usable = _usable(flanks.seen[0, i, :-1])
    if usable is None:
        return out
    radii = flanks.radii[usable]
    x, y = _drive_curve(radii, half[usable])
    xs, ys = _drive_curve(radii, half_draws[:, usable])
    # every other draw: the hull of a curve is the slowest step, and a standard deviation needs no more
    hollows = _hollow(xs[::2], ys[::2])
    hollow = less_noise(float(_hollow(x[None], y[None])[0]), hollows)
    # a hollow ends at the hook's lip
    out["hollow_mm"] = doubted(hollow, math.hypot(_HOLLOW_MM, _HOLLOW_SHARE * hollow.value))
    return out


def _greatest_loss(ring: ToothRing, form: IsoForm, flanks: Flanks, i: int) -> Estimate:
    """Over the radii at which the drive flank was seen; never less than at the pitch circle, which is one of them."""
    d1 = form.roller_diameter_mm
    radii = np.append(flanks.radii, form.pitch_radius_mm)
    # as far as the bevel leaves the face's edge on the flank: beyond, its own loss would be the greatest
    flank = radii <= max(form.bevel_free_radius_mm(ring.tip_radius_mm) + 0.4, form.pitch_radius_mm)
    near = flank & (np.abs(radii - form.pitch_radius_mm - 0.05 * d1) <= 0.25 * d1) & (flanks.seen[0, i] > _SEEN_BESIDE)
    near[-1] = True
    normal = 1 / arc_per_normal(form, radii[near])
    loss = flanks.loss[0, i, near] * normal
    losses = (flanks.draws[:, 0, i, near] * normal).max(-1)
    greatest = less_noise(max(0.0, float(loss.max())), np.maximum(0.0, losses))
    bevel = float(bevel_std_mm(ring, radii[near]).max())
    return doubted(replace(greatest, value=max(greatest.value, float(loss[-1]))), bevel)


def _usable(seen: Floats) -> slice | None:
    good = np.flatnonzero(seen > SEEN)
    if len(good) < 8:
        return None
    return slice(int(good[0]), int(good[-1]) + 1)


def _drive_curve(radii: Floats, half: Floats) -> tuple[Floats, Floats]:
    """x towards the drive flank, y along the tooth, of half thicknesses (…, r)."""
    angle = half / radii
    return radii * np.sin(angle), radii * np.cos(angle)


def _hollow(x: Floats, y: Floats) -> Floats:
    """Greatest gap (m,) under a straight edge laid on curves (m, n) from the side of +x; root first, y rising."""
    m, n = x.shape
    row, place = np.arange(m), np.arange(n)
    deepest, a = np.zeros(m), np.zeros(m, dtype=np.int64)
    # all curves at once, from root to tip: the edge tips over to whatever stands out most from where it rests
    while a.min() < n - 1:
        dx, dy = x - x[row, a][:, None], y - y[row, a][:, None]
        ahead = place > a[:, None]
        slope = np.where(ahead, dx / np.where(ahead, np.maximum(dy, 1e-9), 1.0), -np.inf)
        b = np.where(a < n - 1, slope.argmax(1), a)
        ex, ey = dx[row, b][:, None], dy[row, b][:, None]
        gap = np.where(ahead & (place < b[:, None]), ex * dy - dx * ey, 0.0).max(1)
        deepest = np.maximum(deepest, gap / np.maximum(np.hypot(ex, ey)[:, 0], 1e-9))
        a = b
    return deepest
