"""All flanks' losses with the datum's and their own uncertainty, as draws (JCGM 101:2008), judged together."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.geometry import Bools, Floats
from toothcheck.tooth import ToothRing
from toothcheck.toothform import IsoForm
from toothcheck.wear.datum import Datum, Points, form_of, placed, points_of
from toothcheck.wear.hooks import Hook, hook_of
from toothcheck.wear.pooling import pool
from toothcheck.wear.profiles import profiles_of
from toothcheck.wear.smoothing import rough_noise

DRAWS = 400
_SEEN_AT_PITCH = 0.5
"""Which share of the smoothing window must hold edges at the pitch circle."""
_CLEAR_MM = 0.16
"""A flank whose own doubt at the pitch circle is larger is not measured: less than half of `watch` on a thin tooth."""
_GROWN_MM = 0.25
"""How far outside the form a flank may be found."""
_WITHIN, _OTHERS_FROM = 3, 5
"""Within how many of the steps at which profiles are held against one another one must not leave the others; the fewest
teeth."""
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


def flanks_of(ring: ToothRing, datum: Datum, drive_clockwise: bool, rng: np.random.Generator) -> Flanks:
    """Loss profiles of both flanks of all teeth, with draws of everything that is uncertain about them."""
    p = points_of(ring, drive_clockwise)
    form, v = datum.form, datum.unknowns
    at = placed(ring, p, v)
    profiles = profiles_of(ring, datum, p, at, drive_clockwise)
    radii, loss, noise, seen = profiles.radii, profiles.loss.copy(), profiles.noise.copy(), profiles.seen.copy()
    hooks = _hooks(ring, form, p, at, drive_clockwise, rng.spawn(1)[0])
    root = np.linalg.cholesky(datum.covariance + 1e-15 * np.eye(len(v)))
    shared = rng.standard_normal((DRAWS, len(v))) @ root.T
    # what neighbouring heights share, and the pitch circle's own
    own = np.concatenate(
        [
            rough_noise(rng, (DRAWS, 2, ring.teeth, len(radii)), radii[1] - radii[0]),
            rng.standard_normal((DRAWS, 2, ring.teeth, 1)),
        ],
        axis=-1,
    )
    seen[1, :, :-1] *= ~_left(radii > form.pitch_radius_mm, np.abs(loss[1, :, :-1] - loss[1, :, -1:]))
    clear = (seen[:, :, -1].min(0) >= _SEEN_AT_PITCH) & (noise[:, :, -1].max(0) <= _CLEAR_MM)
    # metal does not grow: an edge far outside the form is a link's, or dirt
    clear &= loss[:, :, -1].min(0) > -_GROWN_MM
    each = math.hypot(_EACH_MM, _low_tip(ring, form))
    noise[:, :, -1] = np.hypot(noise[:, :, -1], _unlike_others(profiles.raw))
    own = own * noise + each * rng.standard_normal((DRAWS, 2, ring.teeth, 1))
    alone, alone_std = loss[:, :, -1].copy(), np.hypot(noise[:, :, -1], each)
    turns = np.arange(ring.teeth) * 2 * math.pi / ring.teeth
    for side in (0, 1):
        pooled = pool(loss[side, :, -1], alone_std[side], clear, turns)
        loss[side, :, -1] = pooled.value
        own[:, side, :, -1] *= pooled.own / np.maximum(alone_std[side], 1e-9)  # none where nothing was traced
        together = rng.standard_normal((DRAWS, pooled.root.shape[1])) @ pooled.root.T
        own[:, side, :, -1] += (1 - pooled.kept) * together
    own[:, 0] += _UNLIKE_MM * rng.standard_normal((DRAWS, 1, 1))
    draws = loss + np.einsum("sk,ftrk->sftr", shared, profiles.slope) + own
    all_radii = np.append(radii, form.pitch_radius_mm)
    ideal = np.stack([form_of(ring, v + e).half_thickness_mm(all_radii) for e in shared])
    driven = profiles.slope[0, :, -1]
    return Flanks(
        radii=radii, loss=loss, draws=draws, alone=alone, alone_std=alone_std,
        drive_shared=driven @ datum.covariance @ driven.T, clear=clear, seen=seen,
        hooks=hooks, ideal_draws=ideal, coast_fade=_coast_fade(ring, form, radii, loss[1], seen[1], clear),
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
