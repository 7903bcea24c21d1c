"""What of a sprocket can be seen besides its teeth: bore, splines, fixing holes, hole circle.

A hole is a cylinder: its near rim lies in the face, its far rim one thickness behind.  Seen from a short distance the
far rim looks smaller (6 mm at 300 mm distance: 2 % of the diameter, 2 mm on a 100 mm bore) and shifted, so a circle is
believed only where both rims are found with one radius, each on its own plane; a washer or a nut has no such pair.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothcheck.edges import fit_erf
from toothcheck.estimate import Estimate
from toothcheck.features.splines import Splines, find_splines
from toothcheck.features.view import View, frame_of, rays_of
from toothcheck.geometry import Floats, readonly
from toothcheck.matching import Count
from toothcheck.photo import linear_light
from toothcheck.pose import PlanePose

HOLES = range(3, 11)
"""Numbers of fixing holes looked for."""
HOLE_RADIUS_MM = (2.4, 8.5)
_ON_RIM_MM, _ROUND_SHARE = 0.3, 0.75
"""How near its circle a round bore's edge must be, and on which share of the rim (48 splined ones: 0.34 to 0.68 on
their tops' circle; 44 round ones: 30 have more than 0.75, the others too little contrast)."""
SMALLEST_MM, LARGEST_SPLINED_MM = 4.0, 24.0
"""Radius of the smallest bore, and of the largest that may be splined."""
_SPLINED_STD_MM = 1.5
"""Of a bore's diameter, where tops and grooves are not told apart: splines are one to two millimetres high."""
_SPLINES_SURE = 0.97
"""How sure a count of splines is (our own guess)."""
_HOLE_SUPPORT = 0.65
_RIM_MARGIN = 0.1
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
_BEVEL_STD_MM = 0.06
"""Edges of bores and holes are broken by some tenths; what of it moves the rim found."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """The features of one sprocket, mm; None with a reason where the photo does not show it."""

    bore_mm: Estimate | None
    holes: Count | None
    hole_circle_mm: Estimate | None
    hole_mm: Estimate | None
    reasons: dict[str, str]
    holes_at_mm: Floats | None = None
    """(n, 2) the holes' middles in the face's plane, where holes were seen."""
    splines: Count | None = None
    """0 where the bore is round all the way; ``bore_mm`` is the circle of the splines' tops where there are any."""
    spline_major_mm: Estimate | None = None
    """Diameter at the bottom of the grooves."""
    groove: float | None = None
    """Angle of one groove's axis in the face's plane, radians, where splines were seen."""
    groove_radius_mm: float = 0.0
    """Radius at which that was read, mm."""


def find_circles(
    grey: NDArray[np.uint8], plane: PlanePose, *, root_radius_mm: float, thickness_mm: float, scale_std: float
) -> Seen:
    """Look for bore and fixing holes.

    Parameters
    ----------
    plane
        The face, its origin at the sprocket's centre.
    root_radius_mm
        Nothing is looked for beyond.
    thickness_mm
        Of the sprocket at its bore.
    scale_std
        Relative standard uncertainty of the plane's lengths.
    """
    left, top, right, bottom = frame_of(plane, root_radius_mm * rays_of(60), 8, grey.shape)
    if right - left < 60 or bottom - top < 60:
        gone = dict.fromkeys(("bore_mm", "holes", "hole_circle_mm", "hole_mm"), "out of the picture")
        return Seen(bore_mm=None, holes=None, hole_circle_mm=None, hole_mm=None, reasons=gone)
    view = View(
        light=linear_light(grey[top:bottom, left:right]), plane=plane, thickness_mm=thickness_mm, left=left, top=top
    )
    reasons: dict[str, str] = {}
    ring = find_splines(view, SMALLEST_MM, min(LARGEST_SPLINED_MM, root_radius_mm - 2.5))
    splines: Count | None = None
    major: Estimate | None = None
    groove = None if ring is None else ring.groove
    if ring is not None and groove is not None:
        splines = Count(value=ring.count, probability=_SPLINES_SURE)
        bore, major = _splined(view, ring, groove, scale_std, reasons)
        inner = ring.bottom_mm
    else:
        bore = _bore(view, root_radius_mm, scale_std, reasons)
        if bore is not None and (bore.value / 2 > LARGEST_SPLINED_MM or _is_round(view, bore.value / 2)):
            splines = Count(value=0, probability=0.99)
        elif bore is not None:  # it may be the tops of splines, or the grooves between them
            bore = Estimate(value=bore.value, std=math.hypot(bore.std, _SPLINED_STD_MM))
        inner = 0.0 if bore is None else bore.value / 2
    holes = _holes(view, root_radius_mm, inner, scale_std, reasons)
    return Seen(
        bore_mm=bore,
        splines=splines,
        spline_major_mm=major,
        groove=groove,
        groove_radius_mm=0.0 if ring is None else (ring.top_mm + ring.bottom_mm) / 2,
        holes=None if holes is None else holes.count,
        hole_circle_mm=None if holes is None else holes.circle_mm,
        hole_mm=None if holes is None else holes.size_mm,
        reasons=reasons,
        holes_at_mm=None if holes is None else readonly(holes.at_mm),
    )


def steps_on(view: View, centres: Floats, radii: Floats, rays: Floats, height: float) -> Floats:
    """(len(centres), len(radii)) share of each circle along which the light steps, at a height; 0…1.

    The step across the circle is averaged over neighbouring rays, so that grain and gravel drop out, and set against
    the same at other radii.
    """
    reach = 0.3
    fine = np.concatenate([radii - reach, radii + reach])
    points = centres[:, None, None, :] + fine[None, None, :, None] * rays[None, :, None, :]
    light = view.at(points, height)  # (centres, rays, 2·radii)
    k = len(radii)
    step = light[..., k:] - light[..., :k]
    # over an arc of some millimetres
    smooth = (np.roll(step, 1, 1) + step + np.roll(step, -1, 1)) / 3
    size = np.abs(smooth)
    seen = np.isfinite(size)
    level = _clear_step(light[np.isfinite(light)])
    share = np.where(seen, size / (np.where(seen, size, 0.0) + level), 0.0)
    # what lies outside the picture has no step; a circle that lies there for the most part is none
    count = seen.sum(1)
    return np.asarray(np.where(count > 0.6 * size.shape[1], share.sum(1) / np.maximum(count, 1), 0.0))


def _clear_step(light: NDArray[Any]) -> float:
    """By how much light must change for a step to be half as clear as can be, with such light about it."""
    return 4.0 + (0.03 * float(np.median(light)) if light.size else 0.0)


def _splined(
    view: View, ring: Splines, groove: float, scale_std: float, reasons: dict[str, str]
) -> tuple[Estimate | None, Estimate | None]:
    """Diameters of the circles on which the splines' tops stand and their grooves end."""
    light = [np.nanmedian(view.at(np.array(ring.centre_mm) + r * rays_of(180))) for r in ring.beside_mm]
    if light[0] > light[1]:  # the far rims outshine the near ones
        why = "the ground is brighter than the face: lay the part on something darker, or measure it"
        reasons["bore_mm"] = reasons["spline_major_mm"] = why
        return None, None
    out: list[Estimate | None] = []
    half = math.pi / ring.count
    for key, what, off, radius in (
        ("bore_mm", "splines' tops", half, ring.top_mm),
        ("spline_major_mm", "grooves' bottoms", 0.0, ring.bottom_mm),
    ):
        found = near_rim(view, np.array(ring.centre_mm), radius, ring.rays(groove + off))
        if found is None or float(np.hypot(*found[0])) > _BORE_ASIDE_MM:
            reasons[key] = f"the {what} could not be followed all round: measure them"
            out.append(None)
            continue
        _, r, std = found
        out.append(Estimate(value=2 * r, std=math.hypot(2 * std, 2 * r * scale_std)))
    if None in out:  # where one is not clear, the other may have been taken for it
        out = [e and Estimate(value=e.value, std=math.hypot(e.std, _SPLINED_STD_MM)) for e in out]
    return out[0], out[1]


def _bore(view: View, root: float, scale_std: float, reasons: dict[str, str]) -> Estimate | None:
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

    level = _clear_step(view.light)
    return max(step(np.maximum(share * wall, _CLEAR_OF_RIM_MM)) for share in _BACK_AT) > _BACK_LEAST * level


_Circle = tuple[Floats, float, float]
"""Centre, radius and its standard uncertainty, mm."""


def near_rim(view: View, centre: Floats, radius: float, rays: Floats) -> _Circle | None:
    """Near rim of a hole, told from the far one."""
    found = near_rims(view, [centre], radius, rays)
    if found is None:
        return None
    (middle, r, std), settled = found[0][0], found[1]
    if not settled and _bright_inside(view, middle, r):
        # the far rim may have been taken for the near one
        std = math.hypot(std, 0.5 * r * view.thickness_mm / float(view.plane.camera_in_plane()[2]))
    return middle, r, std


def _bright_inside(view: View, middle: Floats, r: float) -> bool:
    """Whether what is seen through a hole is brighter than the face round it."""
    rays = rays_of(48)
    inside, outside = (view.at(middle + (r + off) * rays[None]) for off in (-0.8, 0.8))
    both = np.isfinite(inside) & np.isfinite(outside)
    return bool(both.any() and np.median(inside[both]) > np.median(outside[both]))


def near_rims(view: View, centres: Sequence[Floats], radius: float, rays: Floats) -> tuple[list[_Circle], bool] | None:
    """Near rims of equal holes, told from the far ones, and whether surely; None when one cannot be followed.

    Where the ground is brighter than the metal the far rim is the stronger edge and is what a fit finds first.  So the
    circles found are taken for far rims as well, and for all holes together the reading is believed whose pairs of rims
    are seen.
    """
    firsts = [fit_hole(view, c, radius, rays) for c in centres]
    one = [f for f in firsts if f is not None]
    if len(one) < len(firsts):
        return None
    if view.thickness_mm <= 0:
        return one, True

    def evidence(circle: _Circle) -> tuple[float, float]:
        near, far = (
            float(steps_on(view, circle[0][None], np.array([circle[1]]), rays, z)[0, 0])
            for z in (0.0, -view.thickness_mm)
        )
        return near, near + far

    other: list[_Circle] = []
    for middle, r, _ in one:
        # the circle seen, laid on the back
        seen = view.plane.on_plane(view.plane.project(middle + r * rays), -view.thickness_mm)
        behind = seen.mean(0)
        larger = float(np.hypot(*(seen - behind).T).mean())
        apart = larger - r + float(np.hypot(*(behind - middle)))
        second = fit_hole(view, behind, larger, rays, within_mm=max(0.2, 0.4 * apart))
        if second is not None:
            other.append(second)
    seconds = [evidence(c) for c in other]
    # a near rim is in sight all round; grain alone reaches 0.4
    if len(other) < len(one) or min(near for near, _ in seconds) < 0.5:
        return one, False
    gain = float(np.mean([pair for _, pair in seconds])) - float(np.mean([evidence(c)[1] for c in one]))
    lost = abs(float(np.mean([c[1] for c in other])) - float(np.mean([c[1] for c in one])))
    # where neither pair stands out, it may be either
    doubt = lost / 2 if abs(gain) < _RIM_MARGIN else 0.0
    chosen = other if gain > _RIM_MARGIN / 2 else one
    return [(m, r, math.hypot(std, doubt)) for m, r, std in chosen], abs(gain) > _RIM_MARGIN / 2


def fit_hole(
    view: View, centre: Floats, radius: float, rays: Floats, *, within_mm: float = 0.9
) -> tuple[Floats, float, float] | None:
    """Circle of edges near a guess, along rays (n, 2): centre, radius and its standard uncertainty, mm."""
    count = len(rays)
    camera = view.plane.camera_in_plane()
    px = view.plane.px_per_mm
    middle, r = np.array(centre, dtype=np.float64), radius
    std = 0.0
    for sweep in range(4):
        rim = middle + r * rays
        # how wide the wall stands inside the near rim, mm (negative: the wall is hidden behind the face)
        lean = ((camera[:2] - rim) * rays).sum(1) / camera[2]
        wall = -lean * view.thickness_mm
        reach = min(within_mm, 0.9 if sweep == 0 else 0.55)
        # no farther in than half way to the far rim, where that is in sight and told apart
        m = 2 * max(4, round(reach * px / 0.5)) + 1
        t = np.linspace(-reach, reach, m)
        light = view.at(rim[:, None, :] + t[None, :, None] * rays[:, None, :])
        finite = np.isfinite(light).all(1)
        apart = wall > 0.45
        inner = t[None, :] < -np.where(apart, 0.55 * wall, 9.0)[:, None]
        hold = np.take_along_axis(light, np.argmax(~inner, axis=1)[:, None], axis=1)
        light = np.where(inner, hold, light)
        fit = fit_erf(np.where(np.reshape(finite, (-1, 1)), light, 0.0), blur=1.6)
        blended = (wall > 0) & ~apart
        good = np.asarray(finite & fit.good & (np.abs(fit.step) > 3.0))
        if good.sum() < 0.3 * count:
            return None
        off = fit.position * (t[1] - t[0])
        off_std = np.where(blended, 0.05 + wall / math.sqrt(12), 0.05)
        off = off + np.where(blended, 0.5 * wall * 0.5, 0.0)  # the mixture of both rims stands inside the near one
        weight = good / off_std**2
        x = np.zeros(3)
        basis = np.column_stack([rays, np.ones(count)])
        for _ in range(8):
            normal = (basis * weight[:, None]).T @ basis + 1e-6 * np.eye(3)
            x = np.linalg.solve(normal, basis.T @ (weight * off))
            rest = off - basis @ x
            scale = max(0.03, 1.4826 * float(np.median(np.abs(rest[good]))))
            weight = good / off_std**2 * np.clip(1 - (rest / (4.5 * scale)) ** 2, 0, None) ** 2
        kept = (weight > 0) & good
        if kept.sum() < 0.3 * count:
            return None
        middle, r = middle + x[:2], r + float(x[2])
        information = np.linalg.inv(normal)[2, 2]
        std = math.sqrt(information) * max(1.0, scale / 0.05) * 2  # neighbouring rays share texture
    return middle, r, math.hypot(std, _BEVEL_STD_MM)


def _whole_set(view: View, c: float, phase: float, n: int, rho: float) -> tuple[Floats, Floats, float] | None:
    """Middles and radii of n holes on a circle of radius c, when every one of them is clear."""
    angles = phase + 2 * math.pi * np.arange(n) / n
    found = near_rims(view, [c * np.array([math.cos(a), math.sin(a)]) for a in angles], rho, rays_of(72))
    if found is None:
        return None
    circles, settled = found
    for middle, r, _ in circles:
        # through a hole the ground is brighter than the face, and the far rim outshines the near one: no size then
        if not settled and _bright_inside(view, middle, r):
            return None
        if not steps_on(view, middle[None], np.array([r]), rays_of(48), 0.0)[0, 0] > _HOLE_SUPPORT:
            return None
    middles, sizes, stds = (np.array([f[k] for f in circles]) for k in range(3))
    return middles, sizes, float(np.median(stds))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _HoleSet:
    count: Count
    circle_mm: Estimate
    size_mm: Estimate
    at_mm: Floats


def _holes(view: View, root: float, bore: float, scale_std: float, reasons: dict[str, str]) -> _HoleSet | None:
    """Equal holes on one circle."""

    def no(why: str) -> _HoleSet | None:
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
    doubt = radius * view.thickness_mm / float(view.plane.camera_in_plane()[2]) if each > 1.5 * _BEVEL_STD_MM else 0.0
    circle = Estimate(value=2 * radius, std=math.hypot(2 * max(spread, 0.03), 2 * radius * scale_std, doubt))
    size = Estimate(
        value=2 * float(np.median(sizes)),
        std=math.hypot(
            2 * max(float(sizes.std()) / math.sqrt(n), each, _BEVEL_STD_MM), 2 * float(sizes.mean()) * scale_std
        ),
    )
    return _HoleSet(count=Count(value=n, probability=0.99), circle_mm=circle, size_mm=size, at_mm=middles)
