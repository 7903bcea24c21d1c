"""The bore: round, or splined, and how wide.

A circle is believed only where a rim at the back goes with it; a washer or a nut has none.  A circle also lies on the
tops of splines, or in their grooves, all round, so a bore is called round only where its rim is seen nearly all round.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.edges import fit_erf
from toothcheck.estimate import Estimate
from toothcheck.features.hole_edges import BESIDE_RIM_MM, bright_inside, clear_step, near_rim, steps_on
from toothcheck.features.splines import Splines, find_splines
from toothcheck.features.view import View, rays_of
from toothcheck.geometry import Floats
from toothcheck.matching import Count

_ON_RIM_MM, _ROUND_SHARE = 0.3, 0.75
"""How near its circle a round bore's edge must be, and on which share of the rim (48 splined ones: 0.34 to 0.68 on
their tops' circle; 44 round ones: 30 have more than 0.75, the others too little contrast)."""
SMALLEST_MM, LARGEST_SPLINED_MM = 4.0, 24.0
"""Radius of the smallest bore, and of the largest that may be splined."""
_SPLINED_STD_MM = 1.5
"""Of a bore's diameter, where tops and grooves are not told apart: splines are one to two millimetres high."""
_SPLINES_SURE = 0.97
"""How sure a count of splines is (our own guess)."""
_BORE_ASIDE_MM = 0.3
"""How far from the teeth's middle a bore may be found; a washer lies higher, so it is farther off in oblique photos."""
_WIDE_WALL_MM, _WIDE_SHARE = 0.6, 0.12
"""From which width on a bore's wall has two rims to tell apart, and on which share of it they must be."""
_BACK_AT = (0.6, 0.7, 0.8, 0.9, 1.0, 1.1)
"""Where the far rim is looked for, in shares of how wide the wall would be: a part's thickness is mostly a guess."""
_CLEAR_OF_RIM_MM = 0.55
"""How far inside the near rim that is, at the least: the near rim's own step reaches some tenths."""
_BACK_LEAST = 0.31
"""Light's step at the far rim against the level of a clear one (70 made photos: of 40 bores one had less, 0.25; of 20
washers, where they were found in the middle at all, one had as much, the others up to 0.22)."""
_WAVES = 5, 40
"""Numbers of splines that a rim is doubted for."""
_SPLINE_WAVE, _SPLINE_SHARE = 0.45, 0.25
"""Least wave once a spline, against the mean step, and its least share of all that changes along a rim: of a circle of
which a share s is rim, the wave is 2·sin(πs)/(πs) of the mean, so 0.47 even for s = 0.8; of 36 waves through noise on
some ninety independent places the largest holds about a tenth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bore:
    """What is seen of it; None where it is not, with a reason in what `find_bore` was handed."""

    diameter_mm: Estimate | None = None
    """Of the circle of the splines' tops where there are any."""
    splines: Count | None = None
    """0 where the bore is round all the way."""
    spline_major_mm: Estimate | None = None
    """Diameter at the bottom of the grooves."""
    groove: float | None = None
    """Angle of one groove's axis in the face's plane, radians, where splines were seen."""
    groove_radius_mm: float = 0.0
    """Radius at which that was read, mm."""
    reach_mm: float = 0.0
    """Radius within which it lies, where it was seen."""


def find_bore(view: View, root_mm: float, scale_std: float, reasons: dict[str, str]) -> Bore:
    """Look for a bore about a view's origin.

    Parameters
    ----------
    root_mm
        Radius of the teeth's roots; nothing is looked for beyond.
    scale_std
        Relative standard uncertainty of the plane's lengths.
    reasons
        Takes why something is not told, by its key in `toothcheck.matching.Part`.
    """
    ring = find_splines(view, SMALLEST_MM, min(LARGEST_SPLINED_MM, root_mm - 2.5))
    if ring is not None and ring.groove is not None:
        return _splined(view, ring, ring.groove, scale_std, reasons)
    found = _circle(view, root_mm, scale_std, reasons)
    if found is None:
        return Bore()
    if found.value / 2 > LARGEST_SPLINED_MM or _is_round(view, found.value / 2):
        return Bore(diameter_mm=found, splines=Count(value=0, probability=0.99), reach_mm=found.value / 2)
    return Bore(diameter_mm=_doubted(found), reach_mm=found.value / 2)


def _splined(view: View, ring: Splines, groove: float, scale_std: float, reasons: dict[str, str]) -> Bore:
    """What is told of a bore with a ring of splines in it."""
    middle = np.array(ring.centre_mm)
    # the far rims outshine the near ones then
    if bright_inside(view, middle, ring.top_mm - BESIDE_RIM_MM, ring.bottom_mm + BESIDE_RIM_MM):
        why = "the bore is splined, but the ground is brighter than the face: lay the part on something darker"
        reasons["bore_mm"] = reasons["spline_major_mm"] = why
        return Bore(reach_mm=ring.bottom_mm)
    half = math.pi / ring.count
    circles: dict[str, Estimate | None] = {}
    for key, what, off, radius in (
        ("bore_mm", "splines' tops", half, ring.top_mm),
        ("spline_major_mm", "grooves' bottoms", 0.0, ring.bottom_mm),
    ):
        found = near_rim(view, middle, radius, ring.rays(groove + off))
        if found is None or float(np.hypot(*found[0])) > _BORE_ASIDE_MM:
            reasons[key] = f"the {what} could not be followed all round: measure them"
            circles[key] = None
            continue
        _, r, std = found
        circles[key] = Estimate(value=2 * r, std=math.hypot(2 * std, 2 * r * scale_std))
    told = [e for e in circles.values() if e is not None]
    if not told or math.hypot(*ring.centre_mm) > _BORE_ASIDE_MM:
        # a little aside of the middle light speaks for one spline too many or too few
        reasons["bore_mm"] = reasons["spline_major_mm"] = "the splines could not be followed all round: measure them"
        return Bore(reach_mm=ring.bottom_mm)
    if len(told) == 1:  # where one is not clear, the other may have been taken for it
        circles = {key: None if e is None else _doubted(e) for key, e in circles.items()}
    return Bore(
        diameter_mm=circles["bore_mm"],
        splines=Count(value=ring.count, probability=_SPLINES_SURE),
        spline_major_mm=circles["spline_major_mm"],
        groove=groove,
        groove_radius_mm=(ring.top_mm + ring.bottom_mm) / 2,
        reach_mm=ring.bottom_mm,
    )


def _doubted(diameter: Estimate) -> Estimate:
    """A diameter of which it is not known whether it is the splines' tops' or the grooves'."""
    return Estimate(value=diameter.value, std=math.hypot(diameter.std, _SPLINED_STD_MM))


def _circle(view: View, root: float, scale_std: float, reasons: dict[str, str]) -> Estimate | None:
    rays = rays_of(180)
    radii = np.arange(SMALLEST_MM, root - 2.5, 0.1)
    if len(radii) < 20:
        reasons["bore_mm"] = "too small in the picture"
        return None
    near = steps_on(view, np.zeros((1, 2)), radii, rays, 0.0)[0]
    far = steps_on(view, np.zeros((1, 2)), radii, rays, -view.thickness_mm)[0]
    both = np.minimum(near, far + 0.15) + 0.5 * (near + far)
    best = int(np.argmax(both))
    r0 = float(radii[best])
    shift = r0 * view.thickness_mm / float(view.plane.camera_in_plane()[2])
    away = np.abs(radii - r0) > 1.0 + shift
    usual = np.median(near[away]) if away.any() else 0.0
    if near[best] < max(0.35, usual + 0.15):
        reasons["bore_mm"] = "no round bore is seen (splines, a nut, dirt, or too little contrast)"
        return None
    found = near_rim(view, np.zeros(2), r0, rays)
    if found is None:
        reasons["bore_mm"] = "the bore's rim could not be followed"
        return None
    centre, r, std = found
    if float(np.hypot(*centre)) > _BORE_ASIDE_MM:
        reasons["bore_mm"] = "what looks like a bore does not stand in the middle: it is not in the face's plane"
        return None
    if not _is_through(view, centre, r):
        reasons["bore_mm"] = "what looks like a bore shows no rim at the back: it may be a washer"
        return None
    if _is_splined(view, centre, r):
        reasons["bore_mm"] = "the bore looks splined, but not clearly: count the splines, measure over their tops"
        return None
    return Estimate(value=2 * r, std=math.hypot(2 * std, 2 * r * scale_std))


def _is_round(view: View, r: float) -> bool:
    """Whether a bore's rim is seen along its circle nearly all round, and not on the tops of splines alone."""
    rays = rays_of(360)
    half = 2 * _ON_RIM_MM
    m = 2 * max(4, round(half * view.plane.px_per_mm / 0.5)) + 1
    out = np.linspace(-half, half, m)
    light = view.at((r + out)[None, :, None] * rays[:, None, :])
    fit = fit_erf(np.nan_to_num(light), blur=1.6)
    off = fit.position * (out[1] - out[0])
    on_rim = np.isfinite(light).all(1) & fit.good & (np.abs(fit.step) > 3.0) & (np.abs(off) < _ON_RIM_MM)
    return float(on_rim.mean()) > _ROUND_SHARE


def _is_splined(view: View, centre: Floats, r: float) -> bool:
    """Whether a bore's rim is no rim all the way, again and again.

    A circle fits the splines' tips, or the grooves' bottoms, as well as a round bore.  But there is a rim only on part
    of it, and that comes back as often as there are splines; at the back, too, where the ground outshines the face.
    """
    rays = rays_of(360)
    beside = np.array([-0.45, -0.3, -0.15, 0.15, 0.3, 0.45])
    points = centre + (r + beside)[None, :, None] * rays[:, None, :]
    least, most = _WAVES
    waves = []
    for height in (0.0, -view.thickness_mm):
        light = view.at(points, height)
        step = light[:, 3:].mean(1) - light[:, :3].mean(1)
        seen = np.isfinite(step)
        if seen.any():
            waves.append(np.abs(np.fft.rfft(np.where(seen, step, step[seen].mean()))) / len(step))
    mean = max((float(w[0]) for w in waves), default=0.0)
    for wave in waves:
        n = least + int(np.argmax(wave[least : most + 1]))
        # light and the wall go round once or a few times
        share = float(wave[n] ** 2 / (wave[least:] ** 2).sum())
        if 2 * wave[n] > _SPLINE_WAVE * mean and share > _SPLINE_SHARE:
            return True
    return False


def _is_through(view: View, centre: Floats, r: float) -> bool:
    """Whether light steps at the far rim, too, where the wall between the rims is widest; true where it is too narrow.

    A washer under a nut is as round and as clear as a bore, but nothing stands in it where a bore's far rim would.
    Steps count with their sign, since wall against ground is lighter or darker nearly all along; a nut's corners and
    grain are both in turn.
    """
    rays = rays_of(180)
    rim = centre + r * rays
    # by the far rim as it is seen: what `fit_hole` reckons with is nearly that, and in oblique photos not near enough
    far = view.plane.on_plane(view.plane.project(rim, -view.thickness_mm), 0.0) - centre
    at, seen = np.arctan2(far[:, 1], far[:, 0]), np.hypot(*far.T)
    order = np.argsort(at)
    angles = np.arctan2(rays[:, 1], rays[:, 0])
    wall = r - np.interp(angles, at[order], seen[order], period=2 * math.pi)
    wide = wall >= max(_WIDE_WALL_MM, float(np.quantile(wall, 0.6)))
    if wide.mean() < _WIDE_SHARE:
        return True
    beside = np.array([-0.3, -0.2, -0.1, 0.1, 0.2, 0.3])

    def step(inside: Floats) -> float:
        light = view.at(rim[:, None, :] + (beside - inside[:, None])[..., None] * rays[:, None, :])
        change = np.where(wide, light[:, 3:].mean(1) - light[:, :3].mean(1), np.nan)
        smooth = np.convolve(np.concatenate([change, change[:4]]), np.full(5, 0.2), mode="valid")
        known = smooth[np.isfinite(smooth)]
        return abs(float(np.median(known))) if len(known) else 0.0

    level = clear_step(view.light)
    return max(step(np.maximum(share * wall, _CLEAR_OF_RIM_MM)) for share in _BACK_AT) > _BACK_LEAST * level
