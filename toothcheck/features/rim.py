"""The toothed rim about a known middle: tooth count, chain size, root and tip circle.

Of each count and size the ideal outline is laid over the edges folded tooth on tooth, at all phases at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.cards.layout import PRINT_STD_UNCHECKED
from toothcheck.chains import CHAINS, Chain
from toothcheck.features.view import rays_of, view_round
from toothcheck.geometry import Floats
from toothcheck.pose import PlanePose
from toothcheck.toothform import MIN_TEETH, IsoForm

_MOST_TEETH = 90
_TURNS = 2048
_PHASES = 96
_BAND = 64
"""Radii sampled at a time; what it is changes nothing but the time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rim:
    """What was found."""

    teeth: int
    probability: float
    root_mm: float
    tip_mm: float
    std_mm: float
    size: Chain
    """The size of the best outline; others of the same pitch are not told apart by it."""


def _polar(grey: NDArray[np.uint8], plane: PlanePose, start_mm: float) -> tuple[Floats, Floats] | None:
    """Light on (turns, radii) about the plane's origin, as far out as the picture goes; and the radii."""
    step = max(0.1, 0.5 / plane.px_per_mm)
    radii = np.arange(start_mm, 165.0, step)
    view = view_round(grey, plane, float(radii[-1]))
    rays = rays_of(_TURNS)[:, None, :]
    bands: list[Floats] = []
    # band by band: the picture mostly ends long before the largest sprocket there is
    for start in range(0, len(radii), _BAND):
        light = view.at(radii[start : start + _BAND, None] * rays)
        whole = np.isfinite(light).mean(0) > 0.9
        if not whole.all():
            bands.append(light[:, : int(np.argmin(whole))])
            break
        bands.append(light)
    shown = np.concatenate(bands, axis=1)
    stop = shown.shape[1]
    if stop < 30:
        return None
    return np.nan_to_num(shown, nan=float(np.median(shown[np.isfinite(shown)]))), radii[:stop]


def _field(light: Floats, radii: Floats) -> NDArray[np.complex128]:
    """Double-angle field of the edges on (turns, radii): exp(2iψ)·strength, ψ from the radial direction.

    The double angle forgets which side is darker: a sprocket may be darker than the ground on one side and brighter on
    the other.  Strength saturates at 1.
    """
    step = radii[1] - radii[0]
    soft = cv2.GaussianBlur(light, (0, 0), sigmaX=max(0.6, 0.25 / step), sigmaY=1.2, borderType=cv2.BORDER_REPLICATE)
    along = np.gradient(soft, step, axis=1)
    across = (np.roll(soft, -1, 0) - np.roll(soft, 1, 0)) / (2 * 2 * np.pi / _TURNS * radii)
    size2 = along**2 + across**2
    floor = 1.0 + 2.0 * float(np.median(size2))
    return np.asarray((along + 1j * across) ** 2 / (size2 + floor))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    score: float
    teeth: int
    size: Chain
    phase: float
    """Angle of a gap's axis, radians."""


def rim_round(grey: NDArray[np.uint8], plane: PlanePose, bore_radius: float, told: Chain | None) -> Rim | None:
    """Tooth count and chain size whose ideal outline fits the edges best, and the circles found there."""
    polar = _polar(grey, plane, bore_radius + 1.5)
    if polar is None:
        return None
    light, radii = polar
    field = _field(light, radii)
    spectrum = np.fft.fft(field, axis=0)
    distinct = {(c.pitch_mm, c.roller_diameter_mm): c for c in reversed(list(CHAINS.values()))}
    sizes = list(distinct.values()) if told is None else [told]
    found: list[_Candidate] = []
    for z in range(MIN_TEETH, _MOST_TEETH + 1):
        # the field folded tooth on tooth: harmonics of z only
        orders = np.concatenate([np.arange(0, _TURNS // 2, z), np.arange(-z, -_TURNS // 2, -z)])
        kept = spectrum[orders % _TURNS]
        use = np.abs(orders) <= 14 * z
        orders, kept = orders[use], kept[use] / _TURNS
        phases = np.arange(_PHASES) / _PHASES * (2 * math.pi / z)
        turned = np.exp(1j * np.outer(orders, phases))
        for size in sizes:
            form = IsoForm(pitch_mm=size.pitch_mm, roller_diameter_mm=size.roller_diameter_mm, teeth=z)
            if form.tip_radius_mm > radii[-1] - 0.5 or form.root_diameter_mm / 2 < radii[0] + 1:
                continue
            score = _fit_of(form, orders, kept, radii, turned)
            k = int(score.argmax())
            found.append(_Candidate(score=float(score[k]), teeth=z, size=size, phase=float(phases[k])))
    if not found:
        return None
    found.sort(key=lambda c: -c.score)
    best = found[0]
    rival = next((c.score for c in found if c.teeth != best.teeth), 0.0)
    other = next((c.score for c in found if c.size.pitch_mm != best.size.pitch_mm), 0.0)
    if best.score < 0.35 or best.score < 1.5 * max(rival, other):
        return None
    return _circles_of_rim(field, radii, best, 0.995 if best.score > 2.5 * max(rival, other) else 0.96)


@cache
def _normals_of(form: IsoForm) -> tuple[Floats, Floats, NDArray[np.complex128]]:
    """Radius, angle and conjugate double-angle normal (n,) along a gap of an ideal outline.

    Kept, because every middle that is tried and every photo asks for the same few hundred outlines.
    """
    outline = form.gap(0.6)
    x, y = outline.points_mm.T
    r = np.hypot(x, y)
    angle = np.arctan2(-x, y)  # counterclockwise from the gap's axis
    radial = (outline.normals[:, 0] * x + outline.normals[:, 1] * y) / r
    tangent = (-outline.normals[:, 0] * y + outline.normals[:, 1] * x) / r
    return r, angle, np.conj((radial + 1j * tangent) ** 2)


def _fit_of(
    form: IsoForm,
    orders: NDArray[np.int64],
    kept: NDArray[np.complex128],
    radii: Floats,
    turned: NDArray[np.complex128],
) -> Floats:
    """How well an ideal outline's normals agree with the folded field, at each phase; -1…1."""
    r, angle, normal = _normals_of(form)
    column = np.clip(np.round((r - radii[0]) / (radii[1] - radii[0])).astype(int), 0, len(radii) - 1)
    # folded field at (angle + phase): Σ_k F_k(r) exp(i k (angle + phase)); all phases at once
    weighted = kept[:, column] * normal * np.exp(1j * np.outer(orders, angle))
    coefficient = weighted.mean(1)
    return np.asarray((coefficient[:, None] * turned).sum(0).real)


def _circles_of_rim(field: NDArray[np.complex128], radii: Floats, best: _Candidate, probability: float) -> Rim | None:
    """Root and tip: where the edges that run round the middle are strongest on the gaps' and the teeth's axes."""
    z, size = best.teeth, best.size
    form = IsoForm(pitch_mm=size.pitch_mm, roller_diameter_mm=size.roller_diameter_mm, teeth=z)
    width = 0.1 * form.pitch_angle
    places = []
    for axis, expected, reach in (
        # a card printed 2 % wrong moves the root of a large sprocket by more than the form leaves open
        (best.phase, form.root_diameter_mm / 2, max(0.9, 4 * PRINT_STD_UNCHECKED * form.root_diameter_mm / 2)),
        (best.phase + form.pitch_angle / 2, form.tip_radius_mm, 0.12 * size.pitch_mm),
    ):
        angles = axis + form.pitch_angle * np.arange(z)[:, None] + np.linspace(-width, width, 7)
        rows = np.round(angles / (2 * np.pi) * _TURNS).astype(int) % _TURNS
        strength = np.clip(field[rows].real, 0, None).mean((0, 1))
        near = np.flatnonzero(np.abs(radii - expected) < reach)
        if len(near) < 3:
            return None
        k = int(near[np.argmax(strength[near])])
        low, high = max(0, k - 3), min(len(radii), k + 4)
        w = strength[low:high] - strength[low:high].min() + 1e-9
        places.append(float((w * radii[low:high]).sum() / w.sum()))
    return Rim(teeth=z, probability=probability, root_mm=places[0], tip_mm=places[1], std_mm=0.15, size=size)
