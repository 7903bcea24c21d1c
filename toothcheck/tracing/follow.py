"""Follow each gap's edge: the most probable smooth path of offsets along the outline's normals.

For each point of the nominal outline and each offset the photo is asked twice: is there a step at the near rim, and,
where the side wall is turned to the camera, is there another at the far rim?  A path through these answers, one offset
a point, is found by dynamic programming (Viterbi), so that dirt, scratches and shadows, which do not follow
the form at both rims, drop out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d
from scipy.special import ndtr

from toothcheck.edges import Optics, sample
from toothcheck.geometry import Bools, Floats
from toothcheck.toothform import IsoForm
from toothcheck.tracing.rims import Rims

_DEEPEST_MM, _HIGHEST_MM = -2.8, 0.9
"""Range of offsets searched; negative is metal gone."""
TOGETHER_PX = 1.3
"""A side wall narrower than this shows one step, not two."""
_STIFFNESS = 0.35
_GAIN_STD_MM = 0.27
"""Metal does not grow: offsets outwards are errors of the nominal outline, and burrs."""
_DRAWN_STD_MM, _DRAWN_FROM, _DRAWN_OVER = 0.5, 0.04, 0.15
"""But it flows: a worn tooth's tip may be drawn over its own hollow flank.  By how much, as a standard deviation; from
how far over the pitch circle on, and over which height that grows, roller diameters."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Paths:
    """One offset for each point of each gap."""

    offset_mm: Floats
    """(g, n)."""
    near_evidence: Floats
    """(g, n) 0…3: how well a step stands at the near rim, over the three channels."""
    far_evidence: Floats
    """(g, n) the same for the far rim, 0 where it is not in sight."""
    in_frame: Bools
    """(g, n)."""


def step_evidence(
    profiles: NDArray[np.float32], spacing_px: float, blur_px: float, noise: float
) -> NDArray[np.float32]:
    """How well a blurred step or line stands at each sample, 0…1: correlation² damped where it is weak.

    A thin line along a rim, alone, is a step up and a step down: asked for steps only, a path may take either side of
    it, or jump from one to the other.

    Parameters
    ----------
    profiles
        (n, m) grey values.
    spacing_px
        Distance between samples.
    blur_px
        Standard deviation of the expected blur.
    noise
        Standard deviation of a grey value.
    """
    half = max(2, round((1.3 * blur_px + 1.0) / spacing_px))
    k = np.arange(-half, half + 1) * spacing_px
    kernel = ndtr(k / max(blur_px, 0.4))
    kernel -= kernel.mean()
    norm = float((kernel**2).sum())
    even = np.exp(-0.5 * (k / max(blur_px, 0.4)) ** 2)
    even -= even.mean()
    box = np.full(2 * half + 1, 1.0 / (2 * half + 1))
    step = correlate1d(profiles, kernel, axis=-1, mode="nearest")
    line = correlate1d(profiles, even, axis=-1, mode="nearest")
    power = np.maximum(step**2 / norm, line**2 / float((even**2).sum()))
    mean = correlate1d(profiles, box, axis=-1, mode="nearest")
    square = correlate1d(profiles**2, box, axis=-1, mode="nearest")
    spread = np.maximum(square - mean**2, 0) * len(k)
    square_height = power / norm
    floor = (2.0 * noise) ** 2 * len(k) * 0.5
    match = power / (spread + floor)
    weak = (3.0 * noise + 2.0) ** 2
    out: NDArray[np.float32] = match * square_height / (square_height + weak)
    return out


def colour_evidence(profiles: NDArray[np.float32], spacing_px: float, optics: Optics) -> Floats:
    """`step_evidence` of luma and both chroma values together, 0…3, at each sample of profiles (n, m, 3).

    A shadow's border shows in luma alone, metal against paper or paint in colour too.  NaN, outside the photo, is 0.
    """
    values = np.nan_to_num(profiles)
    out: Floats = np.zeros(profiles.shape[:2])
    for k in range(3):
        out += step_evidence(values[..., k], spacing_px, optics.blurs_px[k], optics.noise[k])
    return out


def drawn_over_mm(form: IsoForm, points_mm: Floats, least_mm: float) -> Floats:
    """(n,) how far drive flanks may stand outside the form at points (n, 2) of a gap, as a standard deviation."""
    over = (np.hypot(points_mm[:, 0], points_mm[:, 1]) - form.pitch_radius_mm) / form.roller_diameter_mm
    out: Floats = least_mm + (_DRAWN_STD_MM - least_mm) * np.clip((over - _DRAWN_FROM) / _DRAWN_OVER, 0.0, 1.0)
    return out


def follow(
    planes: NDArray[np.uint8],
    rims: Rims,
    optics: Optics,
    *,
    loss_std_mm: Floats | float = 3.0,
    gain_std_mm: Floats | float = _GAIN_STD_MM,
) -> Paths:
    """The most probable path of offsets for every gap.

    Parameters
    ----------
    planes
        (height, width, 3) luma and chroma of the photo.
    rims
        Where the nominal outline stands.
    optics
        Of the photo at the sprocket.
    loss_std_mm
        (n,) or one: how much loss is expected at each place of the outline, as a standard deviation.
    gain_std_mm
        The same for offsets outwards.
    """
    g, n = rims.wall_mm.shape
    px_per_mm = float(np.median(np.hypot(rims.step_px[..., 0], rims.step_px[..., 1])))
    spacing = 0.5 / px_per_mm
    wall = np.where(rims.wall_seen, rims.wall_mm, 0.0)
    reach = min(float(wall.max(initial=0.0)), 4.5)
    margin = 3 / px_per_mm
    t = np.arange(_DEEPEST_MM - margin, _HIGHEST_MM + reach + margin, spacing)
    x = rims.near_px[..., :1] + t * rims.step_px[..., :1]
    y = rims.near_px[..., 1:] + t * rims.step_px[..., 1:]
    profiles = sample(planes, x.reshape(g * n, -1), y.reshape(g * n, -1))
    finite = np.isfinite(profiles[..., 0])
    evidence: Floats = np.where(finite, colour_evidence(profiles, 0.5, optics), 0.0).reshape(g, n, -1)
    inside = finite.all(1).reshape(g, n)

    states = np.arange(_DEEPEST_MM, _HIGHEST_MM + 1e-9, spacing)
    first = round((_DEEPEST_MM - t[0]) / spacing)
    near = evidence[..., first : first + len(states)]
    shift = np.clip(np.round(wall / spacing).astype(int), 0, len(t) - first - len(states))
    columns = first + np.arange(len(states)) + shift[..., None]
    far = np.take_along_axis(evidence, columns, axis=2)
    apart = (wall * px_per_mm >= TOGETHER_PX)[..., None]
    # both rims weigh alike: only then does the true place, which explains both steps, beat the far rim taken for near
    score = near + np.where(apart, far, 0.0)
    loss_std = np.broadcast_to(np.asarray(loss_std_mm, dtype=np.float64), (n,))[:, None]
    gain_std = np.broadcast_to(np.asarray(gain_std_mm, dtype=np.float64), (n,))[:, None]
    score = score - 0.05 * (states / np.where(states > 0, gain_std, loss_std)) ** 2
    ds = np.hypot(*np.diff(rims.outline.points_mm, axis=0).T)
    path = best_path(score, spacing / np.maximum(ds, 0.05))
    offset = states[path]
    pick = path[..., None]
    return Paths(
        offset_mm=offset,
        near_evidence=np.take_along_axis(near, pick, 2)[..., 0],
        far_evidence=np.where(apart[..., 0], np.take_along_axis(far, pick, 2)[..., 0], 0.0),
        in_frame=inside,
    )


def best_path(score: Floats, slope: Floats) -> NDArray[np.int64]:
    """Best path of states (g, n) for scores (g, n, k); ``slope`` (n-1,) is the path's slope for one state's change."""
    g, n, k = score.shape
    jumps = range(-4, 5)
    padded = np.full((g, k + 8), -1e9)
    total = padded[:, 4:-4]
    total[:] = score[:, 0]
    back = np.zeros((n, g, k), np.int8)
    for i in range(1, n):
        best = np.full((g, k), -1e18)
        for j in jumps:
            candidate = padded[:, 4 + j : 4 + j + k] - _STIFFNESS * (j * slope[i - 1]) ** 2
            np.copyto(back[i], j, where=candidate > best)
            np.maximum(best, candidate, out=best)
        total[:] = best + score[:, i]
    path = np.zeros((g, n), np.int64)
    path[:, -1] = total.argmax(1)
    rows = np.arange(g)
    for i in range(n - 1, 0, -1):
        path[:, i - 1] = np.clip(path[:, i] + back[i, rows, path[:, i]], 0, k - 1)
    return path
