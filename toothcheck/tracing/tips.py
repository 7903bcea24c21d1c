"""Tips that end elsewhere than the other tips: of bent teeth, and of teeth with a corner broken off.

From one tooth to the next wear and the datum hardly change where a tip ends; where a chain's inner and outer links wear
teeth in turn, from one tooth to the next but one.  A tooth bent out of the plane is seen longer or shorter than the
others, one with a broken corner is lower on one side.  So is one with dirt on its tip, and light may show a bevel's
inner edge on some teeth and its outer edge on others.  What is asked, therefore: a clear edge where no neighbour has
one, nor, of an even number of teeth, most of every second one; next to none where the other tips end; and between the
two places the look of the ground, not of the dirt on this tooth, where the tip is lower, and that of teeth, not of
ground, where it is higher.  Of two or three side by side that end lower than the others, the neighbours are those
beside the row: teeth damaged alike would speak for one another.  Only where the others do end with one another, though:
hooked teeth worn unequally end all over, some of them side by side.

Neglected: a tip whose place changes by less than 0.3 mm, as where the camera looks along the bend.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from toothcheck.edges import Optics, sample
from toothcheck.geometry import Bools, Floats, Ints
from toothcheck.tracing.follow import best_path, colour_evidence
from toothcheck.tracing.looks import Looks, likelier, log_density
from toothcheck.tracing.rims import Wheel
from toothcheck.tracing.sight import MANY, Sight, row_ends, rows_of

_LOW_MM, _HIGH_MM, _HALF_MM, COLUMN_MM = -1.5, 6.5, 1.65, 0.15
"""From where to where over the pitch circle a tip is looked for, how far to both sides of the tooth's middle, and in
columns of which width."""
_SLACK = 0.1
"""Of a path's stiffness that is left: flanks beside a tip are steep."""
_TOP_MM, _CORNER_MM, _RISE_MM = 0.6, 1.2, 0.1
"""How far from the middle the others' outline has its top, how far below it is still the tip's, and by how much it may
rise again: where it does another edge was found."""
_USUAL_EDGE, _ASTRAY = 0.5, 0.15
"""The least evidence of the others' outline; what leaving it costs a tooth's own path, evidence."""
_ROUND_MM, _OWN_MM = 0.12, 0.2
"""How far beside a place its edge may stand; how far a tooth's tip may from the others'."""
_WIDE = 4
"""Columns side by side in which a tip must end elsewhere."""
_LEAST_MM, _MOST_MM = 0.3, 2.2
"""By how much."""
_NONE_LEFT, _NONE_SURE = 0.4, 0.55
"""Of the usual, how clear an edge may still be where the other tips end; where the look is sure."""
_TOGETHER_MM = 0.15
"""Within which most of the others must end for a row of tips to stand apart from them (seven made photos of damage:
mostly 0.0, on straw about 0.1; one of hooked teeth: 0.2 to 0.4)."""
_NOT_BESIDE = 0.7
"""Of its own clearness, how clear an edge the neighbours may have, and most of every second tooth, where a tip ends."""
_SECONDS = 4
"""From how many clear ones on every second tooth says how it is with its like."""


class _Asked(NamedTuple):
    """What is asked of a tip that ends lower or higher; log likelihoods are means over what lies between."""

    edge: float
    """How clear its edge must be, of the usual."""
    ground: float
    """Share that must look more like ground than like teeth where it is lower, may where it is higher."""
    look: float
    """How much more likely it must be one than the other."""
    sure: float
    """From where on that leaves no doubt.  Metal that reaches farther never does: a shadow looks like dirt on it."""


_LOWER, _HIGHER = _Asked(0.75, 0.8, 1.1, 3.0), _Asked(0.8, 0.2, 1.5, math.inf)


def tips_apart(tips: TipsSeen, sight: Sight, looks: Looks) -> dict[int, float]:
    """How much higher (mm; negative: lower) the tips of those teeth end that end elsewhere than the others.

    Parameters
    ----------
    tips
        Where they end.
    sight, looks
        As for `toothcheck.tracing.missing.missing_teeth`.
    """
    suspects = {i: found for i in np.flatnonzero(sight.plain).tolist() if (found := tips.elsewhere(i)) is not None}
    out = {i: found.higher_mm for i, found in suspects.items() if _borne_out(looks, i, found)}
    return out if len(out) <= MANY * len(sight.clear) else {}


class _Found(NamedTuple):
    """A tip's end that is not where the others are."""

    higher_mm: float
    own: float
    """How clear an edge there is, of the usual."""
    left: float
    """How clear an edge there still is where the other tips end."""
    between: Floats
    """(n, 3) luma and chroma of what lies between the two."""


class TipsSeen:
    """Evidence for edges on rays from the wheel's centre through all tips, and the tips' outlines on it."""

    def __init__(self, planes: NDArray[np.uint8], wheel: Wheel, sight: Sight, optics: Optics) -> None:
        form, self.step = wheel.form, 0.5 / wheel.plane.px_per_mm
        radii = form.pitch_radius_mm + np.arange(_LOW_MM, _HIGH_MM, self.step)
        across = np.arange(-_HALF_MM, _HALF_MM + 1e-9, COLUMN_MM)
        self.pitch_radius, self.across = form.pitch_radius_mm, across
        middle = wheel.phase + (np.arange(form.teeth) + 0.5) * form.pitch_angle
        angle = middle[:, None, None] - across[:, None] / form.pitch_radius_mm
        px = wheel.plane.project(np.stack([radii * np.cos(angle), radii * np.sin(angle)], axis=-1))
        values = sample(planes, *(px[..., k].reshape(-1, len(radii)) for k in (0, 1)))
        evidence = colour_evidence(values, 0.5, optics).reshape(px.shape[:-1])
        self.values = np.nan_to_num(values, nan=128.0).reshape(*px.shape[:-1], 3)
        self.near = maximum_filter1d(evidence, self._steps(_ROUND_MM), axis=-1)
        about = maximum_filter1d(evidence, self._steps(_OWN_MM), axis=-1)
        self.columns, self.clear, self.faint = np.arange(len(across)), sight.clear, sight.faint
        slope = np.full(len(across) - 1, _SLACK)
        typical = np.median(evidence[self.clear], axis=0)
        self.usual_path: Ints = best_path(typical[None], slope)[0]
        self.usual = np.median(self.near[self.clear][:, self.columns, self.usual_path], axis=0)
        off = np.abs(np.arange(len(radii)) - self.usual_path[:, None]) * self.step
        self.path: Ints = best_path(self.near - _ASTRAY * np.clip(2 * off, 0, 1), slope)
        self.higher: Floats = (self.path - self.usual_path) * self.step
        self.left: Floats = about[:, self.columns, self.usual_path] / np.maximum(self.usual, 1e-6)
        self.tip: Bools = (self.usual > _USUAL_EDGE) & self._of_the_tip(np.abs(across) <= _TOP_MM)

    def usual_tip_mm(self) -> Floats:
        """(n, 2) the others' outline where it is the tip's, in mm in the tooth's frame: +y its centre line."""
        radius = self.pitch_radius + _LOW_MM + self.usual_path * self.step
        angle = self.across / self.pitch_radius
        return np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=1)[self.tip]

    def _steps(self, reach_mm: float) -> int:
        return 2 * round(reach_mm / self.step) + 1

    def _of_the_tip(self, middle: Bools) -> Bools:
        """Which columns the others' outline crosses as the tip's: near its top, and falling away from it."""
        path = self.usual_path
        top = int(np.argmax(np.where(middle, path, -1)))
        out = path >= path[top] - _CORNER_MM / self.step
        for side in (slice(top, None), slice(top, None, -1)):
            falls = path[side] <= np.minimum.accumulate(path[side]) + _RISE_MM / self.step
            out[side] &= np.logical_and.accumulate(falls)
        return np.asarray(out)

    def elsewhere(self, i: int) -> _Found | None:
        """Where the tip of tooth ``i`` ends for some width if not where the others do; None where it does."""
        z, higher = len(self.path), self.higher[i]
        there = self.near[:, self.columns, self.path[i]] / np.maximum(self.usual, 1e-6)
        usually = np.zeros(len(self.columns))
        seconds = self.clear[((self.clear - i) % 2 == 0) & (self.clear != i)]
        if z % 2 == 0 and len(seconds) >= _SECONDS:
            usually = np.median(there[seconds], axis=0)
        best: tuple[float, _Found] | None = None
        for first in range(len(self.columns) - _WIDE + 1):
            wide = slice(first, first + _WIDE)
            way = float(np.sign(higher[first]))
            apart = float((way * higher[wide]).min())
            if not self.tip[wide].all() or not _LEAST_MM <= apart <= _MOST_MM:
                continue
            # beyond the tips lie shadows, whose outlines run on beside several of them
            beside = self._beside(i, wide) if way < 0 else [(i - 1) % z, (i + 1) % z]
            others = float(np.max([usually, *there[beside]], axis=0)[wide].mean())
            clear, lost = float(there[i, wide].mean()), float(self.left[i, wide].mean())
            if others > _NOT_BESIDE * clear or lost > _NONE_SURE:
                continue
            if best is None or clear - lost > best[0]:
                best = clear - lost, _Found(way * apart, clear, lost, self._between(i, wide))
        return None if best is None else best[1]

    def _beside(self, i: int, wide: slice) -> list[int]:
        """The teeth beside tooth ``i``, or beside its row of teeth that have no edge where the others end."""
        # a plate before several tips hides most of their flanks, too; damage to tips leaves them
        astray = (self.left[:, wide].mean(axis=1) < _NONE_LEFT) & ~self.faint
        ending = np.abs(self.higher[self.clear[~astray[self.clear]], wide].mean(axis=1))
        together = len(ending) > 0 and float(np.median(ending)) < _TOGETHER_MM
        row = astray & together
        row[i] = True
        first, last = row_ends(rows_of(row), len(row))
        return [int(first[i] - 1), int(last[i] + 1) % len(row)]

    def _between(self, i: int, wide: slice) -> Floats:
        margin = round(_ROUND_MM / self.step)
        rows = [
            self.values[i, c, min(a, b) + margin : max(a, b) - margin + 1]
            for c, a, b in zip(self.columns[wide], self.path[i, wide], self.usual_path[wide], strict=True)
        ]
        return np.concatenate(rows).astype(np.float64)


def _borne_out(looks: Looks, i: int, found: _Found) -> bool:
    """Whether what lies between a tip's end and where the others end looks as it must."""
    asked = _LOWER if found.higher_mm < 0 else _HIGHER
    if found.own < asked.edge or not len(found.between):
        return False
    ground, teeth, face, itself = (
        log_density(samples, found.between) for samples in (looks.ground(i), looks.teeth, looks.face, looks.body[i])
    )
    share = float(np.mean(ground > teeth))
    if found.higher_mm < 0:
        like = min(likelier(ground, teeth), likelier(ground, face))
        so = share >= asked.ground and likelier(ground, itself) > 0
    else:
        like, so = likelier(teeth, ground), share <= asked.ground
    return so and like >= asked.look and found.left < (_NONE_SURE if like >= asked.sure else _NONE_LEFT)
