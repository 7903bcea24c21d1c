"""The crease at the root of a bent tooth: from there on its face takes another light.

What is asked: a straight edge right across a tooth at the height of the bottoms of its gaps, along which the shade
changes all the way alike, and not on the teeth beside it.  Rings and steps that the maker turned are on all teeth,
shadows run on, dirt ends unevenly.  And below the edge the tooth must look as those beside it do: where dirt lies on
the face, its end may be straight enough.

Neglected: a bend so wide that the light changes little by little, and one that begins farther up.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from toothcheck.edges import Optics, sample
from toothcheck.geometry import Bools, Floats
from toothcheck.tracing.follow import colour_evidence
from toothcheck.tracing.looks import LOOK
from toothcheck.tracing.rims import Wheel

_WIDE, _COLUMN_MM = 0.62, 0.15
"""How far to both sides of its middle a tooth is looked at, of half the pitch at its root, and in columns of which
width."""
_HEIGHTS_MM, _SLOPES = np.arange(-0.4, 0.75, 0.1), np.linspace(-0.1, 0.1, 5)
"""Where over the gaps' bottoms a crease may cross the tooth's middle, and how much it may slant."""
_ROUND_MM = 0.15
"""How far beside a line its edge may stand."""
_BAND_MM = 0.3, 1.2
"""From where to where below and above a line the shades are compared."""
_CLEAR, _ALONG = 0.3, 0.12
"""How clear an edge there must be, of the usual, along all but this share of the line."""
_CHANGE, _ALIKE, _HALF, _ROOT = 1.2, 0.8, 0.5, 1.0
"""How much the shade must change, in spreads of a look; in which share of the columns by more than half as much; how
much of that the teeth beside it may show at the same place; how unlike theirs its root may look.  In made photos 13 of
24 bent teeth show such a crease, in path-traced photos none of 498 sound ones."""


def creased(planes: NDArray[np.uint8], wheel: Wheel, optics: Optics, usual: float) -> Bools:
    """(z,) which teeth show a crease at their roots that the teeth beside them do not.

    Parameters
    ----------
    planes, wheel, optics, usual
        As for `toothcheck.tracing.covers.hidden`.
    """
    line = _clearest_lines(planes, wheel, optics, usual)
    change = line.own[1] - line.own[0]
    middle = np.median(change, axis=1)
    size = np.linalg.norm(middle, axis=1)
    way = middle / np.maximum(size, 1e-9)[:, None]
    along = np.einsum("zxc,zc->zx", change, way)
    alike = (along > _HALF * size[:, None]).mean(axis=1)
    others = np.einsum("kzc,zc->kz", line.beside[:, 1] - line.beside[:, 0], way).max(axis=0)
    unlike_root = np.linalg.norm(np.median(line.own[0], axis=1) - line.beside[:, 0].mean(axis=0), axis=-1)
    out: Bools = (
        (line.clear >= _CLEAR) & (size >= _CHANGE) & (alike >= _ALIKE) & (others < _HALF * size) & (unlike_root < _ROOT)
    )
    return out


class _Lines(NamedTuple):
    """The clearest straight edge across each of z teeth, n columns wide; looks in their spreads."""

    clear: Floats
    """(z,) how clear it is along nearly all of its way, of the usual edge."""
    own: Floats
    """(2, z, n, 3) the look below and above it."""
    beside: Floats
    """(2, 2, z, 3) of either tooth beside the look below and above, where the line would be on it."""


def _clearest_lines(planes: NDArray[np.uint8], wheel: Wheel, optics: Optics, usual: float) -> _Lines:
    form, step = wheel.form, 0.5 / wheel.plane.px_per_mm
    root = form.seat_centre_radius_mm - form.seat_radius_mm
    half = _WIDE * root * math.pi / form.teeth
    # the tooth's frame: y along its centre line from the wheel's centre, x to the right
    x = np.arange(-half, half + 1e-9, _COLUMN_MM)
    reach = _SLOPES[-1] * half + _BAND_MM[1] + 2 * step
    y = np.arange(root + _HEIGHTS_MM[0] - reach, root + _HEIGHTS_MM[-1] + reach, step)
    frame = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    index = np.arange(form.teeth, dtype=np.float64) + 0.5
    px = wheel.plane.project(wheel.from_gap(np.broadcast_to(frame, (len(index), *frame.shape)), index))
    values = np.nan_to_num(sample(planes, *(px[..., k].reshape(-1, len(y)) for k in (0, 1))), nan=128.0)
    evidence = colour_evidence(values, 0.5, optics) / usual
    edge = maximum_filter1d(evidence, 2 * round(_ROUND_MM / step) + 1, axis=-1).reshape(len(index), len(x), len(y))
    # sums up to each height, so that a band's mean is a difference
    shade = np.cumsum(values.astype(np.float64).reshape(*edge.shape, 3), axis=2)
    columns = np.arange(len(x))
    near, far = (round(mm / step) for mm in _BAND_MM)
    best = _Lines(np.full(len(index), -1.0), np.zeros((2, len(index), len(x), 3)), np.zeros((2, 2, len(index), 3)))
    for height in _HEIGHTS_MM:
        for slope in _SLOPES:
            at = np.rint((root + height + slope * x - y[0]) / step).astype(int)
            clear = np.quantile(edge[:, columns, at], _ALONG, axis=1)
            lower = shade[:, columns, at - near] - shade[:, columns, at - far]
            upper = shade[:, columns, at + far] - shade[:, columns, at + near]
            bands = np.stack([lower, upper]) / (far - near) / np.array(LOOK)
            middle = np.median(bands, axis=2)
            better = clear > best.clear
            best.clear[better] = clear[better]
            best.own[:, better] = bands[:, better]
            for k, way in enumerate((1, -1)):
                best.beside[k][:, better] = np.roll(middle, way, axis=1)[:, better]
    return best
