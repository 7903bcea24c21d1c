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

import numpy as np
from numpy.typing import NDArray

from toothcheck.features.view import View
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
_STEPS = np.array([[i, j] for i in (-1, 0, 1) for j in (-1, 0, 1)], dtype=np.float64)
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
    share: float
    """Of what changes along their circle, how much their own wave holds, 0…1."""
    groove: float | None
    """Angle of a groove's axis, radians; None where grooves and splines are not told apart."""
    top_mm: float
    """Radius at which light begins to take turns: of the splines' tops, roughly."""
    bottom_mm: float
    """Radius at which it ends: of the grooves' bottoms, roughly."""

    @property
    def beside_mm(self) -> tuple[float, float]:
        """Radii of circles inside the tops and outside the bottoms."""
        return self.top_mm - 2 * _BESIDE_MM, self.bottom_mm + 2 * _BESIDE_MM

    def rays(self, axis: float) -> Floats:
        """(3·count, 2) unit vectors close about the axes at an angle (radians) and at every spline from there on."""
        pitch = 2 * math.pi / self.count
        turn = axis + pitch * (np.arange(self.count)[:, None] + np.array([-_NARROW, 0.0, _NARROW])).ravel()
        return np.stack([np.cos(turn), np.sin(turn)], axis=1)


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
    best: Splines | None = None
    middle = np.zeros(2)
    while reach_mm > 0.07:
        start = middle
        for offset in reach_mm * _STEPS:
            found = splines_about(view, first_mm, last_mm, start + offset)
            if found is not None and (best is None or found.share > best.share):
                best, middle = found, start + offset
        if best is None or best.share < _HINT:
            return None
        reach_mm /= 2
    return best if best is not None and best.share >= _LEAST_SHARE else None


def splines_about(view: View, first_mm: float, last_mm: float, centre: Floats) -> Splines | None:
    """The clearest ring of splines about a centre (plane, mm), however clear; None where no circle can be followed.

    Parameters
    ----------
    first_mm, last_mm
        Radii between which it is looked for.
    """
    radii = np.arange(first_mm, last_mm, _STEP_MM)
    if len(radii) <= _ROWS:
        return None
    turn = 2 * np.pi * np.arange(_TURNS) / _TURNS
    rays = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    light = view.at(centre + radii[:, None, None] * rays[None])
    whole = np.asarray(np.isfinite(light).all(axis=1))
    # the root of light: grain and gloss count alike in the bright and in the dark
    even = np.sqrt(np.clip(np.where(whole[:, None], light, 0.0), 0, None))
    sums = np.cumsum(np.concatenate([np.zeros((1, _TURNS)), even]), axis=0)
    waves: NDArray[np.complex128] = np.fft.rfft((sums[_ROWS:] - sums[:-_ROWS]) / _ROWS, axis=1)
    power = np.abs(waves) ** 2
    change = power[:, _ORDERS.start : _ORDERS.stop].sum(axis=1)
    clear = np.lib.stride_tricks.sliding_window_view(whole, _ROWS).all(axis=1) & (change > 0)
    share = np.where(clear[:, None], power[:, _SPLINES.start : _SPLINES.stop] / np.maximum(change, 1e-9)[:, None], 0.0)
    row, column = (int(k) for k in np.unravel_index(int(share.argmax()), share.shape))
    if share[row, column] <= 0:
        return None
    count = _SPLINES[column]
    strong = np.abs(np.fft.rfft(even, axis=1)[:, count])
    strong = np.where(whole, strong, 0.0)
    most = int(row + strong[row : row + _ROWS].argmax())
    low, high = most, most
    while low > 0 and strong[low - 1] > 0.5 * strong[most]:
        low -= 1
    while high < len(radii) - 1 and strong[high + 1] > 0.5 * strong[most]:
        high += 1
    wave = np.fft.rfft(even[low : high + 1].mean(axis=0))[count]
    bright = -float(np.angle(wave)) / count
    # on a groove's axis the light changes at the bottom, on a spline's at its top, whichever of them is bright
    axes = bright, bright + math.pi / count
    one, other = (_late(view, centre, axis, count, float(radii[low]), float(radii[high])) for axis in axes)
    told = max(one, other) > _TOLD * abs(min(one, other)) and min(one, other) < -_TOLD * abs(max(one, other))
    return Splines(
        centre_mm=(float(centre[0]), float(centre[1])),
        count=count,
        share=float(share[row, column]),
        groove=(axes[0] if one > other else axes[1]) if told else None,
        top_mm=float(radii[low]),
        bottom_mm=float(radii[high]),
    )


def _late(view: View, centre: Floats, axis: float, count: int, top: float, bottom: float) -> float:
    """How much more the light changes at a ring's outer radius than at its inner one, along the splines' like axes."""
    turn = axis + 2 * np.pi * np.arange(count) / count
    rays = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    at = np.array([top - _BESIDE_MM, top + _BESIDE_MM, bottom - _BESIDE_MM, bottom + _BESIDE_MM])
    light = np.nanmedian(view.at(centre + at[:, None, None] * rays[None]), axis=1)
    return float(abs(light[3] - light[2]) - abs(light[1] - light[0]))
