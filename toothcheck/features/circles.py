"""What of a sprocket can be seen besides its teeth: bore, fixing holes, hole circle.

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

from toothcheck.edges import fit_erf, sample
from toothcheck.estimate import Estimate
from toothcheck.geometry import Floats, readonly
from toothcheck.matching import Count
from toothcheck.photo import linear_light
from toothcheck.pose import PlanePose

HOLES = range(3, 11)
"""Numbers of fixing holes looked for."""
HOLE_RADIUS_MM = (2.4, 8.5)
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """The part of a photo round a sprocket, and its plane."""

    light: NDArray[np.float32]
    plane: PlanePose
    thickness_mm: float
    left: int
    top: int

    def at(self, points: Floats, height: float = 0.0) -> Floats:
        """Light at plane points (…, 2)."""
        px = self.plane.project(points.reshape(-1, 2), height)
        x, y = px[:, 0] - self.left, px[:, 1] - self.top
        columns = points.shape[-2]
        values = sample(self.light, x.reshape(-1, columns), y.reshape(-1, columns))
        return np.asarray(values.reshape(points.shape[:-1]), dtype=np.float64)


def view_round(grey: NDArray[np.uint8], plane: PlanePose, radius: float, thickness_mm: float = 6.0) -> View:
    """The part of a photo within a radius (mm) of the plane's origin."""
    left, top, right, bottom = _frame(plane, radius * rays_of(48), 4, grey.shape)
    return View(
        light=linear_light(grey[top : max(bottom, top + 2), left : max(right, left + 2)]),
        plane=plane,
        thickness_mm=thickness_mm,
        left=left,
        top=top,
    )


def _frame(plane: PlanePose, rim: Floats, margin: int, shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of what a photo of that shape shows of a rim (n, 2) and some pixels about it."""
    px = plane.project(rim)
    left, top = np.maximum(np.floor(px.min(0)).astype(int) - margin, 0).tolist()
    right, bottom = np.minimum(np.ceil(px.max(0)).astype(int) + margin + 1, shape[1::-1]).tolist()
    return left, top, right, bottom


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
    left, top, right, bottom = _frame(plane, root_radius_mm * rays_of(60), 8, grey.shape)
    if right - left < 60 or bottom - top < 60:
        gone = dict.fromkeys(("bore_mm", "holes", "hole_circle_mm", "hole_mm"), "out of the picture")
        return Seen(bore_mm=None, holes=None, hole_circle_mm=None, hole_mm=None, reasons=gone)
    view = View(
        light=linear_light(grey[top:bottom, left:right]), plane=plane, thickness_mm=thickness_mm, left=left, top=top
    )
    reasons: dict[str, str] = {}
    bore = _bore(view, root_radius_mm, scale_std, reasons)
    holes = _holes(view, root_radius_mm, 0.0 if bore is None else bore.value / 2, scale_std, reasons)
    return Seen(
        bore_mm=bore,
        holes=None if holes is None else holes.count,
        hole_circle_mm=None if holes is None else holes.circle_mm,
        hole_mm=None if holes is None else holes.size_mm,
        reasons=reasons,
        holes_at_mm=None if holes is None else readonly(holes.at_mm),
    )


def rays_of(count: int) -> Floats:
    """Unit vectors (count, 2) all round."""
    a = np.linspace(0, 2 * math.pi, count, endpoint=False)
    return np.stack([np.cos(a), np.sin(a)], axis=1)


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


def _bore(view: View, root: float, scale_std: float, reasons: dict[str, str]) -> Estimate | None:
    rays = rays_of(180)
    radii = np.arange(4.0, root - 2.5, 0.1)
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
    found = near_rim(view, np.zeros(2), r0, 180)
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
    return Estimate(value=2 * r, std=math.hypot(2 * std, 2 * r * scale_std))


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


def near_rim(view: View, centre: Floats, radius: float, count: int) -> _Circle | None:
    """Near rim of a hole, told from the far one."""
    found = near_rims(view, [centre], radius, count)
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


def near_rims(view: View, centres: Sequence[Floats], radius: float, count: int) -> tuple[list[_Circle], bool] | None:
    """Near rims of equal holes, told from the far ones, and whether surely; None when one cannot be followed.

    Where the ground is brighter than the metal the far rim is the stronger edge and is what a fit finds first.  So the
    circles found are taken for far rims as well, and for all holes together the reading is believed whose pairs of rims
    are seen.
    """
    firsts = [fit_hole(view, c, radius, count) for c in centres]
    one = [f for f in firsts if f is not None]
    if len(one) < len(firsts):
        return None
    if view.thickness_mm <= 0:
        return one, True
    rays = rays_of(count)

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
        second = fit_hole(view, behind, larger, count, within_mm=max(0.2, 0.4 * apart))
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
    view: View, centre: Floats, radius: float, count: int, *, within_mm: float = 0.9
) -> tuple[Floats, float, float] | None:
    """Circle of edges near a guess: centre, radius and its standard uncertainty, mm."""
    rays = rays_of(count)
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
    found = near_rims(view, [c * np.array([math.cos(a), math.sin(a)]) for a in angles], rho, 72)
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
