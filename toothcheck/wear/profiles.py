"""Each flank's loss along its height, and how it answers to what the datum leaves open."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.geometry import Floats
from toothcheck.tooth import ToothRing
from toothcheck.toothform import IsoForm
from toothcheck.wear.datum import (
    BEVEL,
    BEVEL_FROM,
    BEVEL_LIGHT,
    BIAS,
    OF_THE_LOSS,
    Datum,
    Points,
    bevel_mm,
    form_of,
    placed,
    steps,
)
from toothcheck.wear.smoothing import from_below, smooth

SEEN = 0.4
"""Which share of the smoothing window must hold edges for a profile to count."""
_RADII = 40
"""How many radii profiles are smoothed on."""
_ACROSS_MM = -1.6, 0.7, 0.15
"""Where profiles are held against one another, over the pitch circle: from, to and step."""
_FEWEST_POINTS = 5
"""The fewest points that a profile is made of."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profiles:
    """Both flanks of t teeth, drive and coast, on r common radii and, in the last column, at the pitch circle; mm."""

    radii: Floats
    """(r,)."""
    loss: Floats
    """(2, t, r + 1) ideal half thickness less measured, arc length; 0 where too little was traced."""
    slope: Floats
    """(2, t, r + 1, k) its change for a change of each of the datum's unknowns."""
    noise: Floats
    """(2, t, r + 1) standard uncertainty that is each flank's own."""
    seen: Floats
    """(2, t, r + 1) share of the smoothing window that holds edges."""
    raw: Floats
    """(2, t, m) the losses before they are smoothed, at `_ACROSS_MM`; NaN where nothing was traced."""


def profiles_of(ring: ToothRing, datum: Datum, p: Points, at: Floats, drive_clockwise: bool) -> Profiles:
    """Smooth all flanks' losses.

    Parameters
    ----------
    p, at
        The ring's points, and where they stand in their gaps' frames of the datum's wheel, (n, 2).
    """
    form = datum.form
    r = np.hypot(at[:, 0], at[:, 1])
    slope_r = arc_per_normal(form, r)
    values = _answers(ring, datum, p, at, slope_r)
    without_bevel = values - _bevelled(ring, datum, p, at, slope_r)
    std, doubt = np.hypot(p.std, 0.01) * slope_r, p.doubt * slope_r
    low = max(form.junction_radius_mm - 0.3, form.pitch_radius_mm - 0.25 * form.roller_diameter_mm)
    radii = np.linspace(low, form.pitch_radius_mm + 0.32 * form.roller_diameter_mm, _RADII)
    across = form.pitch_radius_mm + np.arange(*_ACROSS_MM)
    shape = (2, ring.teeth, _RADII + 1)
    loss, noise, seen = (np.zeros(shape) for _ in range(3))
    slope = np.zeros((*shape, values.shape[1] - 1))
    raw = np.full((2, ring.teeth, len(across)), np.nan)
    for i in range(ring.teeth):
        on_cw, on_ccw = (p.gap == i) & (at[:, 0] < 0), (p.gap == (i + 1) % ring.teeth) & (at[:, 0] > 0)
        for side, on in enumerate((on_cw, on_ccw) if drive_clockwise else (on_ccw, on_cw)):
            if on.sum() < _FEWEST_POINTS:
                continue
            along = smooth(radii, r[on], values[on], std[on], doubt[on], p.spacing)
            at_pitch = from_below(form.pitch_radius_mm, r[on], without_bevel[on], std[on], doubt[on], p.spacing)
            fitted, sd, cover = (np.concatenate([a, b]) for a, b in zip(along, at_pitch, strict=True))
            rising = np.argsort(r[on])
            raw[side, i] = np.interp(across, r[on][rising], values[on][rising, 0], left=np.nan, right=np.nan)
            loss[side, i], slope[side, i] = fitted[:, 0], fitted[:, 1:]
            noise[side, i], seen[side, i] = sd, cover
    return Profiles(radii=radii, loss=loss, slope=slope, noise=noise, seen=seen, raw=raw)


def _answers(ring: ToothRing, datum: Datum, p: Points, at: Floats, slope_r: Floats) -> Floats:
    """(n, 1 + k) each point's loss, and its change for a change of each of the datum's unknowns."""
    v = datum.unknowns
    # the smoothed flank is the measured one less the common bias of all edges
    seen_loss = _losses(datum.form, at)
    loss = seen_loss + datum.bias_mm * slope_r
    out = np.empty((len(loss), 1 + len(v)))
    out[:, 0] = loss
    for j, h in enumerate(steps(len(v))):
        moved = v.copy()
        moved[j] += h
        there = seen_loss if j in OF_THE_LOSS else _losses(form_of(ring, moved), placed(ring, p, moved))
        out[:, 1 + j] = (there + moved[BIAS] * slope_r - loss) / h
    return out


def _bevelled(ring: ToothRing, datum: Datum, p: Points, at: Floats, slope_r: Floats) -> Floats:
    """(n, 1 + k) as `_answers`, what a low tip's bevel takes from the edges below the pitch circle and a little above.

    It takes alike from both flanks; the profiles nearer the tip keep it, as doubt (`bevel_std_mm`).
    """
    v, form = datum.unknowns, datum.form
    out = np.zeros((len(at), 1 + len(v)))
    out[:, 0] = bevel_mm(ring, form, p, at, v) * slope_r
    step = steps(len(v))
    for j in (BEVEL, BEVEL_LIGHT, BEVEL_FROM):
        moved = v.copy()
        moved[j] += step[j]
        out[:, 1 + j] = (bevel_mm(ring, form, p, at, moved) * slope_r - out[:, 0]) / step[j]
    return out


def _losses(form: IsoForm, at: Floats) -> Floats:
    """Arc length from each point (in its gap's frame) out to the ideal flank at its own radius; positive is loss."""
    r = np.hypot(at[:, 0], at[:, 1])
    from_gap = r * np.abs(np.arctan2(at[:, 0], at[:, 1]))
    ideal_from_gap = r * math.pi / form.teeth - form.half_thickness_mm(r)
    return from_gap - ideal_from_gap


def arc_per_normal(form: IsoForm, r: Floats) -> Floats:
    """Arc length on the circle for a millimetre along the flank's normal, at radii (n,)."""
    h = 0.02
    rate = (form.half_thickness_mm(r + h) / (r + h) - form.half_thickness_mm(r - h) / (r - h)) / (2 * h) * r
    out: Floats = np.sqrt(1 + np.clip(rate, -3, 3) ** 2)
    return out


def bevel_std_mm(ring: ToothRing, radii: Floats) -> Floats:
    """How far a bevelled tip's face may stand inside the form on a flank, as a standard uncertainty, mm.

    Bevels begin about 0.13 p below the tip (ISO 606:2015, 5.6).  Above that the face's edge leaves the form by nothing
    to 0.4 mm for each millimetre, as the maker cut it (seen on made photos of two kinds).
    """
    if ring.tip_radius_mm is None:
        return np.zeros(len(radii))
    out: Floats = 0.25 * np.clip(radii - (ring.tip_radius_mm - 0.13 * ring.pitch_mm), 0.0, 1.6)
    return out
