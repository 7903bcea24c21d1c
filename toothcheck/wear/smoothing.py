"""Flanks' edge points smoothed along their height, and the noise that is left."""

from __future__ import annotations

import math

import numpy as np

from toothcheck.geometry import Floats
from toothcheck.wear.datum import TEXTURE_LENGTH_MM
from toothcheck.wear.hooks import running_median

_SMOOTH_MM = 0.35
"""Standard deviation of the weights along the radius."""


def smooth(
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


def from_below(
    radius: float, r: Floats, values: Floats, std: Floats, doubt: Floats, spacing: float
) -> tuple[Floats, Floats, Floats]:
    """As `smooth`, at one radius and mostly from below it: a local parabola, checked by a shorter straight line.

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


def rough_noise(rng: np.random.Generator, shape: tuple[int, ...], step: float) -> Floats:
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
