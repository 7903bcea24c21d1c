"""Smoothed loss profiles of all flanks with the datum's and their own uncertainty, as draws (JCGM 101:2008)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.geometry import Bools, Floats
from toothcheck.tooth import ToothRing
from toothcheck.toothform import IsoForm
from toothcheck.wear.datum import (
    BEVEL,
    BEVEL_FROM,
    BEVEL_LIGHT,
    BIAS,
    OF_THE_LOSS,
    TEXTURE_LENGTH_MM,
    Datum,
    Points,
    bevel_mm,
    form_of,
    placed,
    points_of,
    steps,
)
from toothcheck.wear.hooks import Hook, hook_of, running_median
from toothcheck.wear.pooling import pool

DRAWS = 400
RADII = 40
_CLEAR_MM = 0.12
"""A flank whose own doubt at the pitch circle is larger is not measured: a third of `watch` on a thin tooth."""
_GROWN_MM = 0.25
"""How far outside the form a flank may be found."""
_SMOOTH_MM = 0.35
_ACROSS_MM, _WITHIN, _OTHERS_FROM = (-1.6, 0.7, 0.15), 3, 5
"""Where profiles are held against one another, over the pitch circle: from, to and step; within how many steps one must
not leave the others; the fewest teeth."""
_CHANGE_SHARE, _CHANGE_FREE_MM, _CHANGE_MOST_MM = 0.33, 0.1, 0.15
"""Doubt for each millimetre by which one leaves the others, what is free, and the most doubt (made photos)."""
_EACH_MM = 0.02
"""What edges, shadows and bevels do to a whole flank that its own points do not show (made photos of two kinds)."""
_ASTRAY_MM = 0.7
"""How far a coast flank's loss may differ from that at the pitch circle; a bevel takes up to 0.6 mm."""
_UNLIKE_MM = 0.03
"""How far light may move all drive flanks' edges against the coast flanks', which alone the datum is fitted to (made
photos: the mean over a wheel's teeth is off by that much more than its other doubts)."""

_FADE_LOW, _FADE_HIGH, _FADE_REACH = (-0.13, -0.03), 0.15, 0.08
"""Between what coast flanks lost there, in roller diameters over the pitch circle, and what they lost below this height
or the bevel, over this reach, lies what fades towards the tip."""
_FADE_FROM = 4
"""The fewest teeth that say so."""
_FADE_SEEN = 0.5
"""Which share of the smoothing window must hold edges there."""
_FADE_STD_MM = 0.01
"""What light and dirt make of it on all teeth alike (95 photos of parts whose coast flanks are hardly worn: 0.007 mm
root mean square)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flanks:
    """Loss profiles on common radii: t teeth with both flanks, r radii, s draws."""

    radii: Floats
    loss: Floats
    """(2, t, r + 1) drive, coast: ideal half thickness less measured, arc length; last column: at the pitch circle."""
    draws: Floats
    """(s, 2, t, r + 1)."""
    alone: Floats
    """(2, t) loss at the pitch circle as each flank shows it, before the teeth are judged together."""
    alone_std: Floats
    """(2, t) standard uncertainty of that which is each flank's own; what all share is not in it."""
    drive_shared: Floats
    """(t, t) covariance of the drive flanks' losses at the pitch circle by what the datum leaves open, mm²."""
    clear: Bools
    """(t,) teeth of which both flanks were seen at the pitch circle, and clearly."""
    seen: Floats
    """(2, t, r + 1) share of the smoothing window that holds edges."""
    hooks: tuple[Hook | None, ...]
    """(t,) overhangs of the drive flanks."""
    ideal_draws: Floats
    """(s, r + 1) ideal half thickness for each draw."""
    coast_fade: Estimate | None
    """By how much more the coast flanks have lost below the pitch circle than near the tip, mm (see `_coast_fade`)."""


def _losses(form: IsoForm, at: Floats) -> Floats:
    """Arc length from each point (in its gap's frame) out to the ideal flank at its own radius; positive is loss."""
    r = np.hypot(at[:, 0], at[:, 1])
    from_gap = r * np.abs(np.arctan2(at[:, 0], at[:, 1]))
    ideal_from_gap = r * math.pi / form.teeth - form.half_thickness_mm(r)
    return from_gap - ideal_from_gap


def flanks_of(ring: ToothRing, datum: Datum, drive_clockwise: bool, rng: np.random.Generator) -> Flanks:
    """Loss profiles of both flanks of all teeth, with draws of everything that is uncertain about them."""
    p = points_of(ring, drive_clockwise)
    form, v = datum.form, datum.unknowns
    at = placed(ring, p, v)
    r = np.hypot(at[:, 0], at[:, 1])
    # the smoothed flank is the measured one less the common bias of all edges
    slope_r = arc_per_normal(form, r)
    seen_loss = _losses(form, at)
    loss = seen_loss + datum.bias_mm * slope_r
    sensitivity = np.empty((len(loss), len(v)))
    for j, h in enumerate(steps(len(v))):
        moved = v.copy()
        moved[j] += h
        there = seen_loss if j in OF_THE_LOSS else _losses(form_of(ring, moved), placed(ring, p, moved))
        sensitivity[:, j] = (there + moved[BIAS] * slope_r - loss) / h
    # what a low tip's bevel takes from the edges below the pitch circle and a little above, alike on both flanks; the
    # profiles nearer the tip keep it, as doubt (`bevel_std_mm`)
    bevelled = np.zeros((len(loss), 1 + len(v)))
    bevelled[:, 0] = bevel_mm(ring, form, p, at, v) * slope_r
    step = steps(len(v))
    for j in (BEVEL, BEVEL_LIGHT, BEVEL_FROM):
        moved = v.copy()
        moved[j] += step[j]
        bevelled[:, 1 + j] = (bevel_mm(ring, form, p, at, moved) * slope_r - bevelled[:, 0]) / step[j]
    low = max(form.junction_radius_mm - 0.3, form.pitch_radius_mm - 0.25 * form.roller_diameter_mm)
    high = form.pitch_radius_mm + 0.32 * form.roller_diameter_mm
    radii = np.linspace(low, high, RADII)
    columns = RADII + 1
    mean = np.zeros((2, ring.teeth, columns))
    slope = np.zeros((2, ring.teeth, columns, len(v)))
    noise = np.zeros((2, ring.teeth, columns))
    seen = np.zeros((2, ring.teeth, columns))
    across = form.pitch_radius_mm + np.arange(*_ACROSS_MM)
    raw = np.full((2, ring.teeth, len(across)), np.nan)
    for i in range(ring.teeth):
        on_cw, on_ccw = (p.gap == i) & (at[:, 0] < 0), (p.gap == (i + 1) % ring.teeth) & (at[:, 0] > 0)
        for side, mask in enumerate((on_cw, on_ccw) if drive_clockwise else (on_ccw, on_cw)):
            if mask.sum() < 5:
                continue
            values = np.column_stack([loss[mask], sensitivity[mask]])
            std = np.hypot(p.std[mask], 0.01) * slope_r[mask]
            doubt = p.doubt[mask] * slope_r[mask]
            along = _smooth(radii, r[mask], values, std, doubt, p.spacing)
            at_pitch = _from_below(form.pitch_radius_mm, r[mask], values - bevelled[mask], std, doubt, p.spacing)
            fitted, sd, cover = (np.concatenate([a, b]) for a, b in zip(along, at_pitch, strict=True))
            rising = np.argsort(r[mask])
            raw[side, i] = np.interp(across, r[mask][rising], values[rising, 0], left=np.nan, right=np.nan)
            mean[side, i], slope[side, i] = fitted[:, 0], fitted[:, 1:]
            noise[side, i], seen[side, i] = sd, cover
    hooks = _hooks(ring, form, p, at, drive_clockwise, rng.spawn(1)[0])
    root = np.linalg.cholesky(datum.covariance + 1e-15 * np.eye(len(v)))
    shared = rng.standard_normal((DRAWS, len(v))) @ root.T
    own = np.concatenate(
        [
            _rough(rng, (DRAWS, 2, ring.teeth, RADII), radii[1] - radii[0]),
            rng.standard_normal((DRAWS, 2, ring.teeth, 1)),
        ],
        axis=-1,
    )
    seen[1, :, :-1] *= ~_left(radii > form.pitch_radius_mm, np.abs(mean[1, :, :-1] - mean[1, :, -1:]))
    clear = (seen[:, :, -1].min(0) >= 0.5) & (noise[:, :, -1].max(0) <= _CLEAR_MM)
    # metal does not grow: an edge far outside the form is a link's, or dirt
    clear &= mean[:, :, -1].min(0) > -_GROWN_MM
    each = math.hypot(_EACH_MM, _low_tip(ring, form))
    noise[:, :, -1] = np.hypot(noise[:, :, -1], _unlike_others(raw))
    own = own * noise + each * rng.standard_normal((DRAWS, 2, ring.teeth, 1))
    alone, alone_std = mean[:, :, -1].copy(), np.hypot(noise[:, :, -1], each)
    turns = np.arange(ring.teeth) * 2 * math.pi / ring.teeth
    for side in (0, 1):
        pooled = pool(mean[side, :, -1], alone_std[side], clear, turns)
        mean[side, :, -1] = pooled.value
        own[:, side, :, -1] *= pooled.own / np.maximum(alone_std[side], 1e-9)  # none where nothing was traced
        together = rng.standard_normal((DRAWS, pooled.root.shape[1])) @ pooled.root.T
        own[:, side, :, -1] += (1 - pooled.kept) * together
    own[:, 0] += _UNLIKE_MM * rng.standard_normal((DRAWS, 1, 1))
    draws = mean + np.einsum("sk,ftrk->sftr", shared, slope) + own
    all_radii = np.append(radii, form.pitch_radius_mm)
    ideal = np.stack([form_of(ring, v + e).half_thickness_mm(all_radii) for e in shared])
    driven = slope[0, :, -1]
    return Flanks(
        radii=radii, loss=mean, draws=draws, alone=alone, alone_std=alone_std,
        drive_shared=driven @ datum.covariance @ driven.T, clear=clear, seen=seen,
        hooks=hooks, ideal_draws=ideal, coast_fade=_coast_fade(ring, form, radii, mean[1], seen[1], clear),
    )  # fmt: skip


def _hooks(
    ring: ToothRing, form: IsoForm, p: Points, at: Floats, drive_clockwise: bool, rng: np.random.Generator
) -> tuple[Hook | None, ...]:
    """Each tooth's hook from its drive flank's points above the seat, ``at`` in their gaps' frames."""
    r, along = np.hypot(at[:, 0], at[:, 1]), np.hypot(p.nominal[:, 0], p.nominal[:, 1])
    x = r * np.sin(math.pi / ring.teeth - np.abs(np.arctan2(at[:, 0], at[:, 1])))
    drive = ((at[:, 0] < 0) == drive_clockwise) & (r > form.junction_radius_mm)
    tip = math.inf if ring.tip_radius_mm is None else ring.tip_radius_mm
    out = []
    for i in range(ring.teeth):
        on = drive & (p.gap == (i if drive_clockwise else (i + 1) % ring.teeth))
        out.append(hook_of(x[on], r[on], along[on], np.hypot(p.std[on], 0.01), tip, form.tip_radius_mm, rng))
    return tuple(out)


def bevel_std_mm(ring: ToothRing, radii: Floats) -> Floats:
    """How far a bevelled tip's face may stand inside the form on a flank, as a standard uncertainty, mm.

    Bevels begin about 0.13 p below the tip (ISO 606:2015, 5.6).  Above that the face's edge leaves the form by nothing
    to 0.4 mm for each millimetre, as the maker cut it (seen on made photos of two kinds).
    """
    if ring.tip_radius_mm is None:
        return np.zeros(len(radii))
    out: Floats = 0.25 * np.clip(radii - (ring.tip_radius_mm - 0.13 * ring.pitch_mm), 0.0, 1.6)
    return out


def _low_tip(ring: ToothRing, form: IsoForm) -> float:
    """Doubt of each flank at the pitch circle where the tip is so low that its bevel begins there, mm.

    The photo then shows two edges a few tenths of a millimetre apart, the face's and the form's, and light decides
    which is the clearer one.  The datum takes the bevel off by what is darker beyond; this is for what that leaves.
    """
    if ring.tip_radius_mm is None:
        return 0.0
    lacking = 0.14 * ring.pitch_mm + 0.3 - (ring.tip_radius_mm - form.pitch_radius_mm)
    return 0.04 * min(1.0, max(0.0, lacking / 0.5))


def _unlike_others(raw: Floats) -> Floats:
    """(2, t) doubt of each flank at the pitch circle, mm, for how unlike the others' its profile (2, t, r) runs.

    One chain has worn them all, and wear is smooth: where a profile leaves the others' within half a millimetre,
    another edge was followed for a while.  On made photos the error grows with that from 0.04 mm to 0.14 (root mean
    square), while what a flank's own points say of it hardly grows.
    """
    both = np.isfinite(raw).any(-1).all(0)
    common = np.isfinite(raw).sum(1).min(0) >= _OTHERS_FROM
    if both.sum() < _OTHERS_FROM or not common.any():
        return np.zeros(raw.shape[:2])
    apart = raw[..., common] - np.nanmedian(raw[..., common], axis=1, keepdims=True)
    change = np.abs(apart[..., _WITHIN:] - apart[..., :-_WITHIN])
    most = np.where(np.isfinite(change), change, 0.0).max(-1, initial=0.0)
    out: Floats = np.clip(_CHANGE_SHARE * (most - _CHANGE_FREE_MM), 0.0, _CHANGE_MOST_MM)
    return out


def _coast_fade(
    ring: ToothRing, form: IsoForm, radii: Floats, coast: Floats, seen: Floats, clear: Bools
) -> Estimate | None:
    """By how much more the coast flanks (t, r + 1) have lost below the pitch circle than near the tip, median, mm.

    Rollers reach up the flank only so far, so wear fades towards the tip.  A turned datum moves a flank by nearly the
    same all along, and a bevel takes more near the tip: what fades is wear, whatever the datum took it for.  None where
    fewer than four teeth show both heights.
    """
    over = radii - form.pitch_radius_mm
    d1 = form.roller_diameter_mm
    high = min(_FADE_HIGH * d1, form.bevel_free_radius_mm(ring.tip_radius_mm) - form.pitch_radius_mm - 0.1)
    low = (over > _FADE_LOW[0] * d1) & (over < _FADE_LOW[1] * d1)
    top = (over > high - _FADE_REACH * d1) & (over < high)
    whole = clear & ((seen[:, :-1] > _FADE_SEEN)[:, low | top].all(1))
    if whole.sum() < _FADE_FROM or not low.any() or not top.any():
        return None
    fades = coast[whole, :-1][:, low].mean(1) - coast[whole, :-1][:, top].mean(1)
    middle = float(np.median(fades))
    spread = 1.4826 * float(np.median(np.abs(fades - middle)))
    return Estimate(value=middle, std=math.hypot(_FADE_STD_MM, spread * math.sqrt(math.pi / 2 / len(fades))))


def _left(above: Bools, apart: Floats) -> Bools:
    """(t, r) where coast flanks are no longer followed: from where, above the pitch circle, an edge leaves the rest.

    No chain wears a hook into a coast flank, and no bevel reaches so deep: it is a link, dirt or a shadow.
    """
    out: Bools = np.logical_or.accumulate(above & (apart > _ASTRAY_MM), axis=1)
    return out


def arc_per_normal(form: IsoForm, r: Floats) -> Floats:
    """Arc length on the circle for a millimetre along the flank's normal, at radii (n,)."""
    h = 0.02
    rate = (form.half_thickness_mm(r + h) / (r + h) - form.half_thickness_mm(r - h) / (r - h)) / (2 * h) * r
    out: Floats = np.sqrt(1 + np.clip(rate, -3, 3) ** 2)
    return out


def _smooth(
    radii: Floats, r: Floats, values: Floats, std: Floats, doubt: Floats, spacing: float
) -> tuple[Floats, Floats, Floats]:
    """Local straight lines with Gaussian weights; the noise left, and the share of each window that holds edges."""
    w = np.exp(-0.5 * ((radii[:, None] - r) / _SMOOTH_MM) ** 2)
    # outliers: away from the running median of the loss by more than 0.15 mm
    sound = np.abs(values[:, 0] - running_median(r, values[:, 0], 0.6)) < 0.15
    w = w * sound / np.hypot(std, 0.02) ** 2 * 0.02**2
    d = r - radii[:, None]
    s0, s1, s2 = w.sum(1), (w * d).sum(1), (w * d * d).sum(1)
    ridge = 0.02 * s0 * _SMOOTH_MM**2 + 1e-9
    det = s0 * (s2 + ridge) - s1**2
    kernel = (w * ((s2 + ridge)[:, None] - s1[:, None] * d)) / np.maximum(det, 1e-12)[:, None]
    fitted = kernel @ values
    residual = values[:, 0] - np.interp(r, radii, fitted[:, 0])
    rough = 1.4826 * float(np.median(np.abs(residual[sound]))) if sound.any() else 0.1
    # points closer than the texture's length share their error
    shared = math.sqrt(max(1.0, TEXTURE_LENGTH_MM / spacing / 2))
    common = np.abs(kernel) @ doubt / np.maximum(np.abs(kernel).sum(1), 1e-9)
    sd = np.hypot(np.sqrt((kernel**2 * (std**2 + rough**2)).sum(1)) * shared, common)
    full = _SMOOTH_MM * math.sqrt(2 * math.pi) / spacing
    cover = np.clip(np.exp(-0.5 * ((radii[:, None] - r) / _SMOOTH_MM) ** 2).sum(1) / full, 0, 1)
    return fitted, sd, cover


def _from_below(
    radius: float, r: Floats, values: Floats, std: Floats, doubt: Floats, spacing: float
) -> tuple[Floats, Floats, Floats]:
    """As `_smooth`, at one radius and mostly from below it: a local parabola, checked by a shorter straight line.

    From a little above the pitch circle tips may be bevelled, and the face's edge leaves the form that holds at
    mid-thickness.  The parabola over 2.3 mm follows smooth wear within 0.01 mm; where the straight line over 1.3 mm
    says otherwise (a ledge, a bevel that begins low, an edge lost half way), half their difference is doubt.
    """
    d = r - radius
    long, sd_long, reach = _local(d, values, std, -1.7, 0.6, 2)
    short, sd_short, _ = _local(d, values, std, -0.8, 0.5, 1)
    gap = float((short - long) @ values[:, 0])
    near = (d > -1.0) & (d < 0.25)
    common = float(doubt[near].mean()) if near.any() else 0.2
    shared = math.sqrt(max(1.0, TEXTURE_LENGTH_MM / spacing / 2))
    share = 0.5 if abs(gap) > 0.15 else 0.0
    kernel = (1 - share) * long + share * short
    sd = math.hypot(math.hypot(sd_long, share * sd_short) * shared, common, 0.5 * gap)
    # what is drawn on from below alone is a guess: a box's or a link's corner may stand there
    beside = (d > -0.25) & (d < 0.35)
    cover = min(1.0, float(near.sum()) * spacing / 1.25, float(beside.sum()) * spacing / 0.5, reach * spacing / 2.3)
    return (kernel @ values)[None], np.array([sd]), np.array([cover])


def _local(d: Floats, values: Floats, std: Floats, low: float, high: float, order: int) -> tuple[Floats, float, float]:
    """Weights (n,) of a robust local polynomial at d = 0, their standard deviation (mm), and the points it rests on."""
    w = ((d > low) & (d < high)) / np.hypot(std, 0.02) ** 2 * 0.02**2
    basis = np.stack([np.ones_like(d), d, d * d][: order + 1], axis=1)
    ridge = np.diag([1e-9, 1e-3, 3e-2][: order + 1])
    sound = np.ones(len(d))
    weights, rough = np.zeros(len(d)), 0.1
    inside = w > 0
    for _ in range(4):
        ww = w * sound
        solved = np.linalg.solve((basis.T * ww) @ basis + ridge, basis.T * ww)
        weights = solved[0]
        residual = np.abs(values[:, 0] - basis @ (solved @ values[:, 0]))
        rough = 1.4826 * float(np.median(residual[inside])) if inside.any() else 0.1
        sound = (1 - np.clip(residual / (4.5 * max(rough, 0.02)), 0, 1) ** 2) ** 2
    return weights, math.sqrt(float((weights**2 * (std**2 + rough**2)).sum())), float(inside.sum())


def _rough(rng: np.random.Generator, shape: tuple[int, ...], step: float) -> Floats:
    """Unit-variance noise with a correlation length of the smoothing along the last axis."""
    reach = max(1, round(2 * _SMOOTH_MM / step))
    kernel = np.exp(-0.5 * (np.arange(-2 * reach, 2 * reach + 1) * step / _SMOOTH_MM) ** 2)
    kernel /= math.sqrt(float((kernel**2).sum()))
    raw = rng.standard_normal((*shape[:-1], shape[-1] + len(kernel) - 1))
    band = np.zeros((raw.shape[-1], shape[-1]))
    for j in range(shape[-1]):
        band[j : j + len(kernel), j] = kernel
    out: Floats = raw @ band
    return out
