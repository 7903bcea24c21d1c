"""A splined bore: how many splines, where their grooves stand, and the two circles between which they lie.

Along a circle between the splines' tops and the grooves' bottoms light and dark take turns, once for each spline, and
along no other circle of a sprocket: what light does there is a wave of that count and its overtones.  So the count is
the wave that alone holds half of all that changes along some circle (photos without splines, of three renderers, nuts,
bolts and rear wheels' holes among them: 0.39 at most), about the middle where it stands out most.  Metal as light as
what is seen through the bore leaves rims and shadows, which may speak for a count beside the true one (2 of 48 made
photos), and so may tiles: such a ring has no groove that is told from a spline, and no count is to be taken from it.

Fewer than eight are left to the eye: a nut's corners do the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from toothcheck.features.view import ABOUT, View, rays_at, rays_of
from toothcheck.geometry import Floats

_SPLINES = range(8, 41)
"""Numbers of splines that are told."""
_LEAST_SHARE = 0.5
"""Of what changes along a circle, how much the splines' own wave must hold: as much as all else."""
_ORDERS = range(4, 121)
"""Waves that count as change; slower ones are light and shadow over the whole face."""
_TURNS = 512
_BESIDE_MM = 0.4
"""How far inside and outside of a rim its light is compared."""
_TOLD = 0.5
"""How nearly what speaks for a groove on one axis must speak against it on the other."""
_HINT = 0.25
"""Share from which on it is worth to look closer."""
_NARROW = 0.06
"""Of the splines' pitch, how far beside an axis is looked along: bottoms are round."""
_STEP_MM, _ROWS = 0.1, 6
"""Between circles, and how many are taken together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Splines:
    """A ring of splines about a middle."""

    centre_mm: tuple[float, float]
    count: int
    groove: float | None
    """Angle of a groove's axis, radians; None where grooves and splines are not told apart."""
    top_mm: float
    """Radius at which light begins to take turns: of the splines' tops, roughly."""
    bottom_mm: float
    """Radius at which it ends: of the grooves' bottoms, roughly."""

    def rays(self, axis: float) -> Floats:
        """(3·count, 2) unit vectors close about the axes at an angle (radians) and at every spline from there on."""
        pitch = 2 * math.pi / self.count
        return rays_at(axis + pitch * (np.arange(self.count)[:, None] + np.array([-_NARROW, 0.0, _NARROW])).ravel())


def find_splines(view: View, first_mm: float, last_mm: float, *, reach_mm: float = 0.4) -> Splines | None:
    """The ring of splines near a view's origin; None where none is clear.

    Half a millimetre beside the middle the wave of a count goes over into its neighbours', so the middle is looked for
    where it stands out most.

    Parameters
    ----------
    first_mm, last_mm
        Radii between which it is looked for.
    reach_mm
        With which steps the middle is looked for at first; they are halved down to a tenth of a millimetre.
    """
    radii = np.arange(first_mm, last_mm, _STEP_MM)
    if len(radii) <= _ROWS:
        return None
    best: _Waves | None = None
    middle = np.zeros(2)
    while reach_mm > 0.07:
        start = middle
        for offset in reach_mm * ABOUT:
            found = _waves_about(view, radii, start + offset)
            if found.share > (0.0 if best is None else best.share):
                best, middle = found, start + offset
        if best is None or best.share < _HINT:
            return None
        reach_mm /= 2
    return _ring(view, radii, middle, best) if best is not None and best.share >= _LEAST_SHARE else None


class _Waves(NamedTuple):
    """What the light does on circles about a middle."""

    share: float
    """The largest that one wave holds of all that changes along a circle."""
    order: int
    """Which wave that is."""
    row: int
    """The first of the circles, taken together, along which it is so."""
    even: Floats
    """(radii, turns) the root of light; 0 along circles that leave the picture."""


def _waves_about(view: View, radii: Floats, centre: Floats) -> _Waves:
    light = view.at(centre + radii[:, None, None] * rays_of(_TURNS)[None])
    whole = np.asarray(np.isfinite(light).all(axis=1))
    # the root of light: grain and gloss count alike in the bright and in the dark
    even = np.sqrt(np.clip(np.where(whole[:, None], light, 0.0), 0, None))
    sums = np.cumsum(np.concatenate([np.zeros((1, _TURNS)), even]), axis=0)
    power = np.abs(np.fft.rfft((sums[_ROWS:] - sums[:-_ROWS]) / _ROWS, axis=1)) ** 2
    change = power[:, _ORDERS.start : _ORDERS.stop].sum(axis=1)
    clear = np.lib.stride_tricks.sliding_window_view(whole, _ROWS).all(axis=1) & (change > 0)
    share = np.where(clear[:, None], power[:, _SPLINES.start : _SPLINES.stop] / np.maximum(change, 1e-9)[:, None], 0.0)
    row, column = (int(k) for k in np.unravel_index(int(share.argmax()), share.shape))
    return _Waves(share=float(share[row, column]), order=_SPLINES[column], row=row, even=even)


def _ring(view: View, radii: Floats, centre: Floats, waves: _Waves) -> Splines:
    """Between which circles a wave is strong, and which of its axes is a groove's."""
    count, even = waves.order, waves.even
    strong = np.abs(np.fft.rfft(even, axis=1)[:, count])
    most = waves.row + int(strong[waves.row : waves.row + _ROWS].argmax())
    weak = np.flatnonzero(strong <= 0.5 * strong[most])
    low = int(weak[weak < most].max(initial=-1)) + 1
    high = int(weak[weak > most].min(initial=len(radii))) - 1
    bright = -float(np.angle(np.fft.rfft(even[low : high + 1].mean(axis=0))[count])) / count
    # on a groove's axis the light changes at the bottom, on a spline's at its top, whichever of them is bright
    axes = bright, bright + math.pi / count
    one, other = (_late(view, centre, axis, count, float(radii[low]), float(radii[high])) for axis in axes)
    told = max(one, other) > _TOLD * abs(min(one, other)) and min(one, other) < -_TOLD * abs(max(one, other))
    return Splines(
        centre_mm=(float(centre[0]), float(centre[1])),
        count=count,
        groove=(axes[0] if one > other else axes[1]) if told else None,
        top_mm=float(radii[low]),
        bottom_mm=float(radii[high]),
    )


def _late(view: View, centre: Floats, axis: float, count: int, top: float, bottom: float) -> float:
    """How much more the light changes at a ring's outer radius than at its inner one, along the splines' like axes."""
    rays = rays_at(axis + 2 * np.pi * np.arange(count) / count)
    at = np.array([top - _BESIDE_MM, top + _BESIDE_MM, bottom - _BESIDE_MM, bottom + _BESIDE_MM])
    light = np.nanmedian(view.at(centre + at[:, None, None] * rays[None]), axis=1)
    return float(abs(light[3] - light[2]) - abs(light[1] - light[0]))
