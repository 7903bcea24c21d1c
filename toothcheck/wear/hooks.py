"""How far a drive flank's upper edge stands out past what lies below it, from the edge points themselves.

A hook's lip is a corner: profiles smoothed over radii round it off, and where the lip leans out, two places of the
edge share a radius.  So the points are taken in the order of the outline, a line is drawn through them that bends in
few places and there as sharply as they ask for, and the flank is carried on to the tip circle, where the lip ends.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from toothcheck.estimate import Estimate, said
from toothcheck.geometry import Floats

_BEND_PER_MM = 1.5
"""By how much a flank's slope usually changes: a bend costs as much as it is sharp, so that a lip may be a corner."""
_POINT_MM, _ASTRAY_SQUARE = 0.02, 4.0
"""The least standard uncertainty of a point, and from how much of it, squared, a point is believed less."""
_SWEEPS = 25
_OUTLIER_MM = 0.75
"""How far from the running median of its neighbours a point may lie across the flank."""
_FEWEST = 8
_LAND_MM = 0.12
"""How near below the tip circle an edge may already be the tip's land."""
_LIP_MM = 0.7
"""How far below the tip circle a flank may be lost for its lip still to be told."""
_UNSEEN_MM = 1.3
"""From which length lost below the tip circle on nothing is said of a hook: there lips stand."""
_UNREACHED_MM, _UNREACHED_SHARE = 0.1, 0.4
"""Standard uncertainty where it is lost in between: at once, and for each millimetre more."""
_CARRIED_MOST_MM = 0.35
"""How far up a flank is carried on past its last point."""
_CARRIED_SHARE = 0.5
"""Standard uncertainty of what was carried on, as a share of it: lips are sharp, rounded or burred."""
_ROUNDED_MM = 0.03
"""What blur and a broken edge take from a lip (made photos)."""
_LOST_MM, _LOST_SHARE, _LOST_MOST_MM = 0.05, 0.6, 0.2
"""Standard uncertainty by lips that were lost alike on all teeth: the least, a share of what was seen, and the most
(made photos: hooks read 0.02 to 0.6 mm too small, whatever their size, and hardly ever too large)."""
_DRAWS = 60


class Hook(NamedTuple):
    """One tooth's overhang, mm."""

    value: float
    std: float
    """Of what is this tooth's own."""
    unreached: float
    """Standard uncertainty by how far the flank was lost below the tip circle."""

    @property
    def lost(self) -> float:
        """Standard uncertainty by what is lost of all lips alike: what hides one tooth's tip hides the others' too."""
        return math.hypot(min(_LOST_MM + _LOST_SHARE * self.value, _LOST_MOST_MM), self.unreached)


def hook_said(overhang_mm: Estimate | None) -> str:
    """The hook for people: what is not above its own uncertainty is none that could be seen."""
    if overhang_mm is not None and overhang_mm.value <= overhang_mm.std:
        return "none seen"
    return said(overhang_mm, "mm")


def hook_of(
    x: Floats,
    r: Floats,
    along: Floats,
    std: Floats,
    tip_radius: float,
    likely_tip: float,
    rng: np.random.Generator,
) -> Hook | None:
    """Overhang of one drive flank; None where too little of it, or nothing near the tip, was seen.

    Parameters
    ----------
    x, r
        (n,) edge points: towards the drive side from the tooth's centre line, and from the wheel's centre, mm.
    along
        (n,) the points' order, as the radius of the ideal outline that each belongs to, mm.
    std
        (n,) each point's own standard uncertainty, mm.
    tip_radius
        Where the tip's land begins, mm; infinite where it was not seen.
    likely_tip
        Where the tooth ends in that case, mm.
    """
    order = np.argsort(along)
    x, r, along, std = x[order], r[order], along[order], std[order]
    keep = (np.abs(x - running_median(along, x, 0.6)) < _OUTLIER_MM) & (r < tip_radius - _LAND_MM)
    x, r, along, std = x[keep], r[keep], along[keep], std[keep]
    if len(x) < _FEWEST:
        return None
    kernel = _bending(along, x, std)
    smooth = kernel @ x
    height = kernel @ r
    rough = 1.4826 * float(np.median(np.abs(x - smooth)))
    unseen = (tip_radius if math.isfinite(tip_radius) else likely_tip) - float(height[-1])
    if unseen > _UNSEEN_MM:
        return None
    reached = unseen < _LIP_MM
    value = float(_overhang(smooth))
    # noise alone makes a hook out of a straight flank: as much as it makes out of this one is taken off
    noise = (kernel @ (np.maximum(std, rough)[:, None] * rng.standard_normal((len(x), _DRAWS)))).T
    draws = _overhang(smooth + noise)
    gain = max(0.0, float(draws.mean()) - value)
    carried = 0.0
    if reached and value > 2 * gain and np.isfinite(tip_radius) and smooth[-1] > smooth[:-1].max() - 0.05:
        slope = float(np.polyfit(height[-4:], smooth[-4:], 1)[0])
        up = min(_CARRIED_MOST_MM, max(0.0, tip_radius - float(height[-1])))
        carried = min(1.5, max(0.0, slope)) * up
    seen = max(0.0, value - gain)
    out = math.hypot(float(draws.std()), 0.5 * gain, _CARRIED_SHARE * carried, _ROUNDED_MM if seen > 0 else 0.01)
    unreached = 0.0 if reached else _UNREACHED_MM + _UNREACHED_SHARE * (unseen - _LIP_MM)
    return Hook(seen + carried, out, unreached)


def _bending(at: Floats, x: Floats, std: Floats) -> Floats:
    """(n, n) kernel of the likeliest line through points (n,), where bends are few: their sizes add up, not squares.

    As trend filtering (Kim et al., SIAM Review 51 (2009) 339; from memory), by weights that are found again and again.
    A local line rounds a corner off by a tenth of a millimetre, which is all of many a hook.
    """
    n = len(at)
    step = np.maximum(np.diff(at), 0.02)  # two places may share a radius
    row = np.arange(n - 2)
    bends = np.zeros((n - 2, n))
    bends[row, row], bends[row, row + 2] = 1 / step[:-1], 1 / step[1:]
    bends[row, row + 1] = -1 / step[:-1] - 1 / step[1:]
    usual = _BEND_PER_MM * (step[:-1] + step[1:]) / 2
    sure = 1 / np.hypot(std, _POINT_MM) ** 2
    weight, held = sure, 1 / usual**2
    kernel: Floats = np.eye(n)
    for _ in range(_SWEEPS):
        kernel = np.asarray(np.linalg.solve(np.diag(weight) + (bends.T * held) @ bends, np.diag(weight)))
        line = kernel @ x
        held = 1 / (usual * np.hypot(bends @ line, 0.1 * usual))
        weight = sure * (_ASTRAY_SQUARE + 1) / (_ASTRAY_SQUARE + (x - line) ** 2 * sure)
    return kernel


def _overhang(x: Floats) -> Floats:
    """(…,) by how much flanks (…, n), root first, most stand out past what lies below."""
    out: Floats = np.max(x - np.minimum.accumulate(x, axis=-1), axis=-1)
    return out


def running_median(at: Floats, values: Floats, reach: float) -> Floats:
    """Median (n,) of the values nearer than ``reach`` in ``at`` to each point."""
    near = np.abs(at[:, None] - at) < reach
    ordered = np.sort(np.where(near, values, np.inf), axis=1)
    count = near.sum(1)
    row = np.arange(len(at))
    out: Floats = 0.5 * (ordered[row, (count - 1) // 2] + ordered[row, count // 2])
    return out
