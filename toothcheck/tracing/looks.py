"""How things look: teeth, their faces, what is seen through the gaps and beyond the tips.

How alike two looks are is asked of the pixels' density, not of a mean and a spread: gravel has many colours.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from toothcheck.edges import sample
from toothcheck.geometry import Floats
from toothcheck.tracing.rims import Wheel

LOOK = (8.0, 3.0, 3.0)
"""By how much luma and both chroma differ within one look, grey levels: noise, texture, light."""
_DOUBT = 1e-9
"""Density of a pixel unlike all samples."""
_MOST = 5.0
"""How much one pixel may say, log likelihood."""
_SAMPLES = 400
"""About how many pixels of a look are kept."""
_SOILED = 0.004
"""Share of the face that must look like ground for it to be more than noise (clean faces: none; the one known photo of
a tooth that dirt takes away: 0.009)."""
_COLOURS = 0.1
"""Standard deviation of the livelier chroma from which a photo has colours, grey levels: with grey steel on white paper
it is 0.4, in a photo without colours nothing."""


class Looks:
    """What stands in the teeth's places, between and beyond them, and on the face.

    Each is pixels (n, 3) of luma and chroma: of single places ``body``, ``inner`` (the gaps) and ``outer`` (beyond the
    tips), of many together ``face``, ``teeth`` and what is seen ``through`` the gaps of clear teeth.
    """

    def __init__(self, planes: NDArray[np.uint8], wheel: Wheel, clear: NDArray[np.int64]) -> None:
        radius, roller = wheel.form.pitch_radius_mm, wheel.form.roller_diameter_mm
        place = np.arange(wheel.form.teeth, dtype=np.float64)
        self.body = _patches(planes, wheel, place + 0.5, radius + np.linspace(0.0, 1.6, 6), 0.5)
        # through the gaps the ground is seen at the same radii, a little towards the tip where pockets are widest, and
        # beyond the tips
        self.inner = _patches(planes, wheel, place, radius + np.linspace(-1.0, 1.4, 6), 1.6)
        self.outer = _patches(planes, wheel, place + 0.5, radius + roller * np.linspace(0.45, 0.65, 4), 2.0)
        root = radius - 0.5 * roller
        rings = [_patches(planes, wheel, place, np.linspace(d - 1.5, d, 4), 2.5) for d in (root - 1.5, root - 6.0)]
        self.face = some(np.concatenate([patch for ring in rings for patch in ring]))
        self._clear = clear
        self.teeth = self.other_teeth()
        beside = sorted({int(k) for i in clear for k in (i, (i + 1) % wheel.form.teeth)})
        self.through = some(np.concatenate([self.inner[k] for k in beside]))
        # holes are no nearer to the roots than this
        rim, deep = np.arange(0, len(place), 0.25, dtype=np.float64), root + np.linspace(-5.0, -1.0, 5)
        self._rim = functools.partial(_patches, planes, wheel, rim, deep, 1.5)  # seldom asked for

    @functools.cached_property
    def soil(self) -> Floats:
        """(n, 3) what on the face looks like ground, where no hole shows it; none where the face is clean."""
        rim = np.concatenate(self._rim())
        like = log_density(self.through, rim) > log_density(self.teeth, rim)
        return some(rim[like]) if like.mean() > _SOILED else rim[:0]

    def other_teeth(self, *gone: int) -> Floats:
        """(n, 3) clear teeth but those that may be ``gone``, which look like themselves; all where no other is left."""
        others = [k for k in self._clear.tolist() if k not in gone]
        return some(np.concatenate([self.body[k] for k in others or self._clear]))

    def ground(self, i: int) -> Floats:
        """(n, 3) what is seen beside tooth ``i`` and beyond its tip."""
        return np.concatenate([self.inner[i], self.inner[(i + 1) % len(self.body)], self.outer[i]])


def _patches(planes: NDArray[np.uint8], wheel: Wheel, at: Floats, radii: Floats, half_width_mm: float) -> list[Floats]:
    """For each place on the wheel (in pitches from gap 0's axis) the luma and chroma of a patch, (n, 3) each."""
    across = np.linspace(-half_width_mm, half_width_mm, 5)
    r, w = np.meshgrid(radii, across)
    angle = wheel.phase + at[:, None] * wheel.form.pitch_angle + (w / r).ravel()
    points = np.stack([r.ravel() * np.cos(angle), r.ravel() * np.sin(angle)], axis=-1)
    px = wheel.plane.project(points)
    values = sample(planes, px[..., 0], px[..., 1]).astype(np.float64)
    return [np.nan_to_num(v, nan=128.0) for v in values]


def some(values: Floats) -> Floats:
    """Some of the values (n, 3), evenly taken: fewer than twice `_SAMPLES`."""
    return values[:: max(1, len(values) // _SAMPLES)]


def has_colours(planes: NDArray[np.uint8]) -> bool:
    """Whether a photo (height, width, 3) of luma and chroma has colours: without them dirt may look like ground."""
    return bool(planes[::8, ::8, 1:].std((0, 1)).max() > _COLOURS)


def log_density(samples: Floats, at: Floats) -> Floats:
    """(m,) log density of pixels (m, 3) among the samples (n, 3)."""
    apart = (at[:, None] - samples) / np.array(LOOK)
    out: Floats = np.log(np.exp(-0.5 * (apart**2).sum(-1)).mean(1) + _DOUBT)
    return out


def likelier(one: Floats, other: Floats) -> float:
    """By how much pixels are on average more likely of one look than of another, from both `log_density` (m,)."""
    return float(np.clip(one - other, -_MOST, _MOST).mean())


def unlike(one: Floats, other: Floats) -> float:
    """How unlike pixels (n, 3) and (m, 3) are on the whole, in spreads of a look; NaN, outside the photo, left out."""
    return float(np.linalg.norm((np.nanmedian(one, axis=0) - np.nanmedian(other, axis=0)) / np.array(LOOK)))
