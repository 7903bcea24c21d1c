"""Edges of holes: along which circles light steps, and the near rim of a hole told from the far one.

A hole is a cylinder: its near rim lies in the face, its far rim one thickness behind.  Seen from a short distance the
far rim looks smaller (6 mm at 300 mm distance: 2 % of the diameter, 2 mm on a 100 mm bore) and shifted, so a circle is
believed only where both rims are found with one radius, each on its own plane.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothcheck.edges import fit_erf
from toothcheck.features.view import View, rays_of
from toothcheck.geometry import Floats

_RIM_MARGIN = 0.1
BEVEL_STD_MM = 0.06
"""Edges of bores and holes are broken by some tenths; what of it moves the rim found."""
BESIDE_RIM_MM = 0.8
"""How far inside and outside of a rim its light is compared."""


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
    level = clear_step(light[np.isfinite(light)])
    share = np.where(seen, size / (np.where(seen, size, 0.0) + level), 0.0)
    # what lies outside the picture has no step; a circle that lies there for the most part is none
    count = seen.sum(1)
    return np.asarray(np.where(count > 0.6 * size.shape[1], share.sum(1) / np.maximum(count, 1), 0.0))


def clear_step(light: NDArray[Any]) -> float:
    """By how much light must change for a step to be half as clear as can be, with such light about it."""
    return 4.0 + (0.03 * float(np.median(light)) if light.size else 0.0)


_Circle = tuple[Floats, float, float]
"""Centre, radius and its standard uncertainty, mm."""


def near_rim(view: View, centre: Floats, radius: float, rays: Floats) -> _Circle | None:
    """Near rim of a hole, told from the far one."""
    found = near_rims(view, [centre], radius, rays)
    if found is None:
        return None
    (middle, r, std), settled = found[0][0], found[1]
    if not settled and bright_inside(view, middle, r - BESIDE_RIM_MM, r + BESIDE_RIM_MM):
        # the far rim may have been taken for the near one
        std = math.hypot(std, 0.5 * r * view.thickness_mm / float(view.plane.camera_in_plane()[2]))
    return middle, r, std


def bright_inside(view: View, middle: Floats, inner_mm: float, outer_mm: float) -> bool:
    """Whether what is seen through a hole is brighter than the face round it, on circles inside and outside its rim."""
    rays = rays_of(48)
    inside, outside = (view.at(middle + r * rays[None]) for r in (inner_mm, outer_mm))
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
    return middle, r, math.hypot(std, BEVEL_STD_MM)
