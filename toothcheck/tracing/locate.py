"""Place each followed edge to a fraction of a pixel, with its own standard deviation.

A profile across a rim is one blurred step (near rim against what lies behind it), or, where the side wall is in
sight, two steps a known distance apart.  Levels are linear and local; the step's place is found by Gauss-Newton on
light, not on grey values.  Where both steps blend into one (wall narrower than 0.8 px) only their mixture is seen: the
place is taken half way and the doubt, wall/√12, goes into the standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from toothcheck.edges import SATURATED, Optics, sample
from toothcheck.geometry import Bools, Floats
from toothcheck.photo import linear_light
from toothcheck.tracing.follow import CHROMA_BLUR_PX, Paths
from toothcheck.tracing.rims import Rims

_HALF_PX = 3.0
_BLEND_PX = 0.8
_APART_PX = 4.0
_SWEEPS = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Located edge points of near or far rims; m points."""

    gap: NDArray[np.int64]
    """(m,) index of the gap."""
    place: NDArray[np.int64]
    """(m,) index into the nominal outline."""
    far: Bools
    """(m,) whether the point lies on the far rim."""
    px: Floats
    """(m, 2)."""
    std_px: Floats
    """(m,) along the normal."""
    offset_mm: Floats
    """(m,) along the nominal normal, measured on the face's plane (far rims: less their wall)."""
    step: Floats
    """(m,) light outside less light inside."""
    drive: Bools
    """(m,) whether the point lies on the drive half of its gap."""
    spacing_mm: float
    """Between neighbouring points of the nominal outline."""


def locate(planes: NDArray[np.uint8], rims: Rims, paths: Paths, optics: Optics, *, drive_clockwise: bool) -> Edges:
    """Refine the followed paths; points without a clear step are left out."""
    g, n = rims.wall_mm.shape
    gap, place = np.divmod(np.arange(g * n), n)
    per_mm = np.hypot(rims.step_px[..., 0], rims.step_px[..., 1]).ravel()
    unit = rims.step_px.reshape(-1, 2) / per_mm[:, None]
    base = rims.near_px.reshape(-1, 2)
    wall = np.where(rims.wall_seen, rims.wall_mm, 0.0).ravel() * per_mm
    start = paths.offset_mm.ravel() * per_mm
    ok = paths.in_frame.ravel() & (paths.near_evidence.ravel() > 0.02)
    # where the wall is narrower than the blur, the mixture of both rims was followed; wider, nearly always the near one
    blended = (wall > 0) & (wall < _BLEND_PX)
    near = _place(planes, base, unit, start - np.where(blended, 0.5 * wall, 0.0), wall, optics, ok)
    apart = ok & (wall >= _APART_PX) & (paths.far_evidence.ravel() > 0.25)
    far = _place(planes, base, unit, start + wall, np.zeros_like(wall), optics, apart)
    parts = []
    for found, is_far in ((near, False), (far, True)):
        where, at, std, step = found
        parts.append(
            (
                gap[where], place[where], np.full(len(where), is_far), base[where] + at[:, None] * unit[where], std,
                (at - (wall[where] if is_far else 0.0)) / per_mm[where], step,
            )
        )  # fmt: skip
    joined = [np.concatenate([a, b]) for a, b in zip(*parts, strict=True)]
    return Edges(
        gap=joined[0],
        place=joined[1],
        far=joined[2],
        px=joined[3],
        std_px=joined[4],
        offset_mm=joined[5],
        step=joined[6],
        # in a gap's frame the drive flank of the tooth it belongs to stands at -x where drive flanks are clockwise
        drive=(rims.outline.points_mm[joined[1], 0] < 0) == drive_clockwise,
        spacing_mm=float(np.median(np.hypot(*np.diff(rims.outline.points_mm, axis=0).T))),
    )


class _Placed(NamedTuple):
    where: NDArray[np.int64]
    """Indices of the points."""
    at: Floats
    """Places along the normal, px."""
    std: Floats
    step: Floats
    """Luma outside less inside, light."""


def _place(
    planes: NDArray[np.uint8], base: Floats, unit: Floats, start: Floats, wall: Floats, optics: Optics, ok: Bools
) -> _Placed:
    """What could be placed of the points that are ``ok``."""
    which = np.flatnonzero(ok)
    if len(which) == 0:
        return _Placed(which, np.zeros(0), np.zeros(0), np.zeros(0))
    two = (wall[which] >= _BLEND_PX) & (wall[which] < _APART_PX)
    mixed = np.where((wall[which] > 0) & (wall[which] < _BLEND_PX), 0.5 * wall[which], 0.0)
    t = np.arange(-_HALF_PX, _HALF_PX + (_APART_PX if two.any() else 0.0) + 0.01, 0.5, dtype=np.float32)
    at = start[which].copy()
    x = base[which, :1] + (at[:, None] + t) * unit[which, :1]
    y = base[which, 1:] + (at[:, None] + t) * unit[which, 1:]
    values = sample(planes, x, y)
    finite = np.isfinite(values[..., 0])
    # bilinear between grey values, then to light: the table is 8 bit, so round (0.3 grey levels, below the noise)
    luma = np.where(finite, np.rint(values[..., 0]), 0).astype(np.uint8)
    light = linear_light(luma)
    burnt = light >= SATURATED
    # noise of light: that of a grey value times the slope of the curve there
    slope_light = np.maximum(light.mean(1) ** 0.55 * 0.105, 0.05)
    channels = [(light, optics.blur_px, optics.noise[0] * slope_light)]
    for channel in (1, 2):
        chroma = np.where(finite, values[..., channel], 128.0)
        channels.append(
            (chroma, float(np.hypot(optics.blur_px, CHROMA_BLUR_PX)), np.full(len(which), optics.noise[channel]))
        )
    reach = np.where(two, wall[which], 0.0).astype(np.float32)
    weight = ((t <= _HALF_PX + reach[:, None]) & finite).astype(np.float32)
    count = weight.sum(1)
    d = np.zeros(len(which), np.float32)
    second = two.astype(np.float32)[:, None]
    misfit = np.zeros(len(which))
    power = np.ones(len(which))
    step = np.zeros(len(which))
    for _ in range(_SWEEPS):
        pull, power, misfit = np.zeros(len(which)), np.full(len(which), 1e-9), np.zeros(len(which))
        for k, (data, blur, noise) in enumerate(channels):
            level, slope, r = _two_steps(data, weight, t, d, mixed, reach, second, max(blur, 0.5))
            pull += (weight * slope * r).sum(1) / noise**2
            power += (weight * slope * slope).sum(1) / noise**2
            misfit += (weight * r * r).sum(1) / noise**2
            if k == 0:
                step = level[:, 1] + level[:, 2]
                if burnt.any():
                    # a burnt-out sample says "at least this": it takes the model's value where that is higher
                    channels[0] = (np.where(burnt, np.maximum(light, 2 * (data - r) - data), light), blur, noise)
        d = d + np.clip(pull / power, -0.8, 0.8).astype(np.float32)
    # samples are half a pixel apart: neighbours share noise, so twice the variance
    chi2 = misfit / np.maximum(3 * count - 10, 1)
    std = np.sqrt(2 * np.maximum(chi2, 0.5) / power)
    narrow = mixed > 0
    place = at + d  # a narrow wall's mixture was entered half a wall early, and comes out so
    std = np.hypot(std, np.where(narrow, wall[which] / np.sqrt(12), 0.0))
    # two steps closer than the blur's width share their levels badly: the doubt is a share of the wall
    close = two & (wall[which] < 3.0)
    std = np.hypot(std, np.where(close, 0.15 * wall[which], 0.0))
    good = (np.abs(d) < 2.0) & (std < 0.8) & np.isfinite(std) & (count > 8)
    return _Placed(which[good], place[good], np.maximum(std[good], 0.02), step[good])


def _two_steps(
    data: NDArray[np.float32],
    weight: NDArray[np.float32],
    t: NDArray[np.float32],
    d: NDArray[np.float32],
    mixed: Floats,
    reach: NDArray[np.float32],
    second: NDArray[np.float32],
    blur: float,
) -> tuple[Floats, NDArray[np.float32], NDArray[np.float32]]:
    """Levels (n, 3) of one or two steps at ``d``; the model's slope in ``d``, orthogonal to the levels; residuals."""
    u = (t - (d + mixed.astype(np.float32))[:, None]) / blur
    v = (t - (d + reach)[:, None]) / blur
    f1 = ndtr(u)
    f2 = ndtr(v) * second
    basis = np.stack([np.ones_like(f1), f1, f2], axis=2)
    weighted = basis * weight[..., None]
    normal = np.matmul(weighted.transpose(0, 2, 1), basis).astype(np.float64) + np.diag([1e-3, 1e-3, 0.02])
    gauss = np.exp(-0.5 * u * u), np.exp(-0.5 * v * v) * second
    level = np.linalg.solve(normal, np.matmul(weighted.transpose(0, 2, 1), data[..., None]).astype(np.float64))
    low = level.astype(np.float32)
    r = data - np.matmul(basis, low)[..., 0]
    slope = -(low[:, 1] * gauss[0] + low[:, 2] * gauss[1]) / np.float32(blur * 2.5066)
    mix = np.linalg.solve(normal, np.matmul(weighted.transpose(0, 2, 1), slope[..., None]).astype(np.float64))
    pure = slope - np.matmul(basis, mix.astype(np.float32))[..., 0]
    return level[..., 0], pure, r
