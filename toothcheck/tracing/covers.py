"""What lies over a tooth: told from a break by its rim, which runs on over the gaps beside it.

A broken tooth ends where it broke, and through the gaps on both sides the same is seen above that line as below it.  A
guard or a plate before the tips has a straight rim that goes on over both gaps, and beyond it another look.

Neglected: a plate whose corner lies on the tooth, and one with a curved rim.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from toothcheck.edges import Optics, sample
from toothcheck.geometry import Floats
from toothcheck.tracing.follow import colour_evidence
from toothcheck.tracing.looks import unlike
from toothcheck.tracing.rims import Wheel

_HALF_MM, _COLUMN_MM, _NEAR_MM, _ALONG_MM = 0.7, 0.15, 0.1, 0.3
"""How far to both sides of a tooth's middle the rim is looked for, in columns of which width; how far from a straight
line it may lie there, and further along."""
_STEEPEST, _SLOPES, _AS_CLEAR = 2.0, 81, 0.95
"""Slopes of the lines that are tried, against the tooth's own width; all that are as clear as the clearest, nearly, may
be the rim."""
_AIR_MM = 0.8
"""How far from the form what is seen is surely beyond the metal."""
_BESIDE_MM = 0.4, 1.4
"""From where to where on both sides of the line the looks are compared."""
_RIM, _OTHER_LOOK = 0.2, 4.0
"""How clear the rim must be, of the usual edge, along four fifths of its way over either gap, and how unlike what lies
on both sides of it there, in spreads of a look.  In made photos of 45 teeth that are gone never more than 2.8 on both
sides at once; plates before tips in path-traced ones 6.0 and 7.3."""
_FEWEST = 8
"""On how many places all of that must rest."""
_PLACE_MM = 0.8
"""How high over the pitch circle a tooth's place is asked whether it lies beyond a rim."""


def hidden(planes: NDArray[np.uint8], wheel: Wheel, suspects: set[int], optics: Optics, usual: float) -> set[int]:
    """Which of the teeth ``suspects`` (indices) lie under something whose rim is seen across one of them.

    Parameters
    ----------
    planes, wheel, optics
        As for `toothcheck.tracing.missing.missing_teeth`.
    usual
        As `toothcheck.tracing.sight.usual_edge` says.
    """
    rims = [rim for i in sorted(suspects) if (rim := _rim(planes, wheel, i, optics, usual)) is not None]
    place = np.array([0.0, wheel.form.pitch_radius_mm + _PLACE_MM])
    return {i for i in suspects if any(rim.normal @ (_from_tooth(wheel, i, place) - rim.point) > 0 for rim in rims)}


class _Rim(NamedTuple):
    """A straight rim on the wheel's plane, mm."""

    point: Floats
    """(2,) on it."""
    normal: Floats
    """(2,) towards what lies over the wheel: away from its centre."""


def _from_tooth(wheel: Wheel, i: int, points_mm: Floats) -> Floats:
    """Points (…, 2) of tooth ``i``'s frame, whose +y is its centre line, in the plane: half a pitch on from a gap's."""
    out: Floats = wheel.from_gap(points_mm[None], np.array([i + 0.5]))[0]
    return out


def _rim(planes: NDArray[np.uint8], wheel: Wheel, i: int, optics: Optics, usual: float) -> _Rim | None:
    """The clearest straight edge across tooth ``i``, if it is the rim of something that lies over the gaps, too."""
    form, step = wheel.form, 0.5 / wheel.plane.px_per_mm
    radius, roller = form.pitch_radius_mm, form.roller_diameter_mm
    x = np.arange(-form.pitch_mm, form.pitch_mm + 1e-9, _COLUMN_MM)
    y = np.arange(radius - 0.5 * roller - 1.5, radius + 6.0, step)
    plane = _from_tooth(wheel, i, np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1))
    px = wheel.plane.project(plane)
    values = sample(planes, px[..., 0], px[..., 1])
    evidence = colour_evidence(values, 0.5, optics) / usual
    on, near = (maximum_filter1d(evidence, 2 * round(far / step) + 1, axis=1) for far in (_NEAR_MM, _ALONG_MM))
    gap = np.where(x > 0, i, (i + 1) % form.teeth)
    in_gap = wheel.to_gap(plane.reshape(-1, 2), np.repeat(gap, len(y))).reshape(plane.shape)
    depth = form.metal_depth_mm(in_gap, with_tip=False)
    sides = [(side * x > _HALF_MM)[:, None] & (depth < -_AIR_MM) for side in (-1, 1)]
    for line in _clear_lines(on, x, y, reach=(y > radius - 0.5 * roller - 0.8) & (y < radius + 2.4)):
        above = y - line[:, None]
        on_line = np.abs(above) <= 0.5 * step
        lower, upper = ((s * above > _BESIDE_MM[0]) & (s * above < _BESIDE_MM[1]) for s in (-1, 1))
        if all(
            min(np.count_nonzero(air & where) for where in (on_line, lower, upper)) >= _FEWEST
            and np.quantile(near[air & on_line], 0.2) >= _RIM
            and unlike(values[air & lower], values[air & upper]) >= _OTHER_LOOK
            for air in sides
        ):
            slope = (line[-1] - line[0]) / (x[-1] - x[0])
            point, normal = np.array([0.0, line[len(x) // 2]]), np.array([-slope, 1.0])
            return _Rim(*(_from_tooth(wheel, i, p) for p in (point, normal)))
    return None


def _clear_lines(evidence: Floats, x: Floats, y: Floats, *, reach: NDArray[np.bool_]) -> Floats:
    """(k, n) heights at columns ``x`` (n,) of the straight lines with the clearest edges over the tooth's middle.

    ``evidence`` (n, m) is that of the heights ``y`` (m,), of which ``reach`` (m,) says where a line may cross the
    tooth's centre line.
    """
    middle = np.flatnonzero(np.abs(x) <= _HALF_MM)
    slopes = np.linspace(-_STEEPEST, _STEEPEST, _SLOPES)
    lines: Floats = (y[reach][:, None, None] + slopes[:, None] * x).reshape(-1, len(x))
    rows = np.clip(np.searchsorted(y, lines[:, middle]), 0, len(y) - 1)
    clear = evidence[middle, rows].mean(axis=1)
    best: Floats = lines[clear >= _AS_CLEAR * clear.max()]
    return best
