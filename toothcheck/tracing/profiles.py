"""Profiles across rims: where a blurred step, or two, or one with a line upon it, stands on each.

A profile across a rim is one blurred step (near rim against what lies behind it), or, where the side wall is in
sight, two steps about as far apart as the wall is wide.  Levels are linear and local; the steps' places are found by
Gauss-Newton on light, not on grey values.  Where both steps blend into one (wall narrower than 0.8 px) only their
mixture is seen: it stands at the near rim or the far one by how light the wall is, and the doubt goes into the standard
deviation.

A handled edge is broken or rolled over by a tenth of a millimetre, which shows as a line along the rim, darker or
lighter than the face.  Where face and ground are equally light there is nothing but this line, and a step alone would
jump from one side of it to the other; elsewhere it draws the step aside.  So a single step may have a line upon it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from toothcheck.edges import SATURATED, Optics, sample
from toothcheck.geometry import Bools, Floats
from toothcheck.photo import linear_light

APART_PX = 4.0
"""From which width a side wall's rims stand by themselves."""
_HALF_PX = 3.0
_BLEND_PX = 0.8
_WALL_STD_PX, _WALL_SHARE = 0.3, 0.4
"""How much wider or narrower a wall may be than the typical worn flank's, as a standard deviation, and per its width:
where a tooth's own flank slants otherwise, its far rim, which also stands off along the flank, crosses the profile
elsewhere.  Held to the typical width, the clearer of both steps would draw the other with it."""
_WALL_LEAST_PX = 0.5
"""Steps nearer to one another are one."""
_LEVEL_RIDGE, _SHADE_RIDGE = 0.02, 2.0
"""How firmly the weaker of two steps, and light's change beyond one, are held to nothing; of a sum of squares over the
profile's samples."""
_LINE_RIDGE, _LINE_LEAST, _LINE_CONTRAST = 4.0, 0.4, 0.3
"""The same for the line along a rim, against what is known of it: beside much contrast, beside none, and the contrast
that lies between.  A clear step's place and a line upon it are nearly the same to the profile."""
_LINE_POWER = 1.4
"""Sum of squares of a line of height 1 over a profile that its levels leave."""
_PLAIN, _LOOK_PX = 0.25, 2.0
"""A line stands alone where the ground differs from the face by less than this share of its light; how far to both
sides of the path it is looked for."""
_SWEEPS = 8
_STILL_PX = 0.003
"""A place that moves by less has been found."""


class Lines(NamedTuple):
    """The lines on which n places are measured, and what stands on them; px."""

    base: Floats
    """(n, 2) the nominal near rim."""
    unit: Floats
    """(n, 2) out of the metal."""
    start: Floats
    """(n,) about where the edge stands along the line."""
    wall: Floats
    """(n,) from near to far rim where the side wall is in sight."""
    share: Floats
    """(n,) of all the light's change across both rims, what stands at the far one, 0…1."""
    known: Floats
    """(n,) light of the line along the rim, against the face's, as far as it is known."""


def light_of(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light of bilinear grey values, none outside the photo.

    The table is 8 bit, so they are rounded: by 0.3 grey levels, below the noise.
    """
    return linear_light(np.where(np.isfinite(luma), np.rint(luma), 0).astype(np.uint8))


class Placed(NamedTuple):
    """Where steps were found; m points."""

    where: NDArray[np.int64]
    """(m,) which of the n places these are."""
    at: Floats
    """(m,) along the lines, px."""
    std: Floats
    """(m,) its standard uncertainty, px."""
    step: Floats
    """(m,) luma outside less inside, light."""
    line: Floats
    """(m,) light of the line along the rim against the face's; NaN where it does not stand alone."""


def place(planes: NDArray[np.uint8], lines: Lines, optics: Optics, ok: Bools) -> Placed:
    """What could be placed of the points that are ``ok`` (n,)."""
    two = (lines.wall >= _BLEND_PX) & (lines.wall < APART_PX)
    # one step needs shorter profiles and fewer levels than two
    alike = [(np.flatnonzero(ok & (two == is_two)), is_two) for is_two in (False, True)]
    parts = [_Profiles(planes, lines, optics, which, is_two).placed() for which, is_two in alike if len(which)]
    if not parts:
        return Placed(np.zeros(0, np.int64), *(np.zeros(0) for _ in Placed._fields[1:]))
    order = np.argsort(np.concatenate([p.where for p in parts]), kind="stable")
    return Placed(*(np.concatenate(columns)[order] for columns in zip(*parts, strict=True)))


class _Fitted(NamedTuple):
    """A profile's levels, and what is left; n profiles of m samples."""

    level: list[Floats]
    """k of (n,)."""
    slope: NDArray[np.float32]
    """(n, m) of the model when all steps move, orthogonal to the levels."""
    second: NDArray[np.float32] | None
    """(n, m) the same when the second step moves alone; None where there is but one."""
    rest: NDArray[np.float32]
    """(n, m) residuals."""


class _Profiles:
    """Profiles that all have one step, or all have two, and where on them the first one stands so far."""

    def __init__(
        self, planes: NDArray[np.uint8], lines: Lines, optics: Optics, which: NDArray[np.int64], two: bool
    ) -> None:
        self.which, self.two = which, two
        base, unit, self.start, self.width, self.share, self.known = (column[which] for column in lines)
        n = len(which)
        t = np.arange(-_HALF_PX, _HALF_PX + (APART_PX if two else 0.0) + 0.01, 0.5, dtype=np.float32)
        x = base[:, :1] + (self.start[:, None] + t) * unit[:, :1]
        y = base[:, 1:] + (self.start[:, None] + t) * unit[:, 1:]
        values = sample(planes, x, y)
        finite = np.isfinite(values[..., 0])
        light = light_of(values[..., 0])
        self.t, self.light, self.burnt = t, light, light >= SATURATED
        self.data = [light, *(np.where(finite, values[..., k], np.float32(128)) for k in (1, 2))]
        self.blurs = optics.blurs_px
        # noise of light: that of a grey value times the slope of the curve there
        # the mean as far out as two steps would reach: that far, light beside the edge may still have spilled over it
        more = 0.0 if two else 2 * APART_PX
        slope_light = np.maximum(((light.sum(1) + more * light[:, -1]) / (len(t) + more)) ** 0.55 * 0.105, 0.05)
        self.noise = np.stack([optics.noise[0] * slope_light, np.full(n, optics.noise[1]), np.full(n, optics.noise[2])])
        self.face = np.maximum(light[:, :3].mean(1), 1.0)
        self.contrast = np.abs(light[:, -3:].mean(1) / self.face - 1)
        self.firm = _LINE_LEAST + _LINE_RIDGE * self.contrast**2 / (self.contrast**2 + _LINE_CONTRAST**2)
        self.blended = (self.width > 0) & (self.width < _BLEND_PX)
        self.mixed = np.where(self.blended, self.share * self.width, 0.0).astype(np.float32)
        self.reach = np.where(two, self.width, 0.0).astype(np.float32)
        self.held = 1 / (_WALL_STD_PX + _WALL_SHARE * self.width) ** 2
        self.weight = ((t <= _HALF_PX + self.reach[:, None]) & finite).astype(np.float32)
        self.count = self.weight.sum(1)
        self.at = np.zeros(n, np.float32)

    def placed(self) -> Placed:
        """Find the places, and what could be found."""
        if not self.two:
            self._look()
        misfit, power, step, line = self._settle()
        # samples are half a pixel apart: neighbours share noise, so twice the variance
        chi2 = misfit / np.maximum(3 * self.count - 10, 1)
        std = np.sqrt(2 * np.maximum(chi2, 0.5) / power)
        # a narrow wall's mixture was entered its share of the wall early, and comes out so
        found = self.start + self.at
        std = np.hypot(std, np.where(self.blended, 0.17 * self.width, 0.0))
        # two steps closer than the blur's width share their levels badly: the doubt is a share of the wall
        std = np.hypot(std, np.where(self.two & (self.width < 3.0), 0.15 * self.width, 0.0))
        good = (np.abs(self.at) < 2.5) & (std < 1.2) & np.isfinite(std) & (self.count > 8)
        return Placed(self.which[good], found[good], np.maximum(std[good], 0.02), step[good], line[good])

    def _models(self, who: NDArray[np.int64], at: NDArray[np.float32]) -> list[_Model]:
        """`_Model` for each channel of some of the points, at these places; alike blurred channels share it."""
        first, second = at + self.mixed[who], at + self.reach[who]
        places, firmness = (first, second) if self.two else (first,), (self.share[who], self.firm[who])
        alike = {blur: _Model(self.weight[who], self.t, places, max(blur, 0.5), *firmness) for blur in set(self.blurs)}
        return [alike[blur] for blur in self.blurs]

    def _line(self, k: int, who: NDArray[np.int64]) -> Floats | None:
        """Light of the line that is known to stand on some of the points; the chroma knows of none."""
        return self.face[who] * self.known[who] if k == 0 else None

    def _look(self) -> None:
        """Where nothing but a line is to be seen the path may have taken either side of it: begin where it fits."""
        plain = np.flatnonzero(self.contrast < _PLAIN)
        begins = np.arange(-_LOOK_PX, _LOOK_PX + 0.1, 0.5, dtype=np.float32)
        who, at = np.tile(plain, len(begins)), np.repeat(begins, len(plain))
        square = np.zeros(len(who))
        for k, model in enumerate(self._models(who, at)):
            r = model.levelled(self.data[k][who], self._line(k, who))[1]
            square += np.einsum("ij,ij,ij->i", self.weight[who], r, r) / self.noise[k, who] ** 2
        self.at[plain] = begins[square.reshape(len(begins), -1).argmin(0)]

    def _settle(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Gauss-Newton on the places; misfit, information, the step's light and the line's, each (n,)."""
        n = len(self.which)
        misfit, power, step, line = np.zeros(n), np.ones(n), np.zeros(n), np.full(n, np.nan)
        active = np.arange(n)
        for _ in range(_SWEEPS):
            if len(active) == 0:
                break
            misfit[active] = 0.0
            w = self.weight[active]
            # of what both steps' move does, and of what the second one's own does beyond it
            pull, own_pull = np.zeros((2, len(active)))
            both, own, shared = np.full(len(active), 1e-9), np.full(len(active), 1e-9), np.zeros(len(active))
            for k, model in enumerate(self._models(active, self.at[active])):
                fitted = model.fitted(self.data[k][active], self._line(k, active))
                slope, r = fitted.slope, fitted.rest
                variance = self.noise[k, active] ** 2
                # a channel that no step explains (luma in a shadow's slope) is believed the less
                square = np.einsum("ij,ij,ij->i", w, r, r)
                chi = square / variance / np.maximum(self.count[active] - 4, 1)
                variance = variance * np.maximum(1.0, chi)
                pull += np.einsum("ij,ij,ij->i", w, slope, r) / variance
                both += np.einsum("ij,ij,ij->i", w, slope, slope) / variance
                if fitted.second is not None:
                    own_pull += np.einsum("ij,ij,ij->i", w, fitted.second, r) / variance
                    own += np.einsum("ij,ij,ij->i", w, fitted.second, fitted.second) / variance
                    shared += np.einsum("ij,ij,ij->i", w, fitted.second, slope) / variance
                misfit[active] += square / variance
                if k == 0:
                    level = fitted.level
                    step[active] = level[1] + level[2] if self.two else level[1]
                    if not self.two:
                        line[active] = self._line_alone(active, level)
                    self._raise_burnt(active, r)
            own += self.held[active]
            own_pull -= self.held[active] * (self.reach[active] - self.width[active])
            # what is left of the first step's place when the second one's is open, too
            power[active] = both - shared**2 / own
            move = np.clip((pull - shared * own_pull / own) / power[active], -0.8, 0.8)
            self.at[active] += move.astype(np.float32)
            if self.two:
                wider = np.clip((own_pull - shared * move) / own, -0.8, 0.8)
                self.reach[active] = np.maximum(self.reach[active] + wider, _WALL_LEAST_PX)
            active = active[(np.abs(move) > _STILL_PX) | self.burnt[active].any(1)]
        return misfit, power, step, line

    def _line_alone(self, who: NDArray[np.int64], level: list[Floats]) -> Floats:
        """Light of the lines against the face's as it would be if they were not held; NaN beside a clear step."""
        alone = np.abs(level[1]) < _PLAIN * self.face[who]
        free = level[3] * (1 + self.firm[who] / _LINE_POWER)
        return np.where(alone, free / self.face[who] + self.known[who], np.nan)

    def _raise_burnt(self, who: NDArray[np.int64], r: NDArray[np.float32]) -> None:
        """A burnt-out sample says "at least this": it takes the model's value where that is higher."""
        burnt = self.burnt[who]
        if burnt.any():
            model = np.maximum(self.light[who], self.data[0][who] - r)
            self.data[0][who] = np.where(burnt, model, self.light[who])


class _Model:
    """What n profiles show, but for how light it is: one step or two at the places ``at``, and a line upon the first.

    Beyond a single step light may change evenly: a shadow lies there on whatever the part lies on, and taken for level
    it draws the step outwards before a light ground and inwards before a dark one, by up to half a pixel.  Upon a
    single step stands what differs from the line that is known there, held by ``firm``.
    """

    def __init__(
        self,
        weight: NDArray[np.float32],
        t: NDArray[np.float32],
        at: tuple[NDArray[np.float32], ...],
        blur: float,
        share: Floats,
        firm: Floats,
    ) -> None:
        self.blur = blur = float(blur)
        self.two = len(at) == 2
        self.apart = [(t - stands[:, None]) / np.float32(blur) for stands in at]
        self.slopes = [np.exp(-0.5 * u * u) for u in self.apart]
        self.basis = [np.ones_like(weight), *(ndtr(u) for u in self.apart)]
        if self.two:
            ridge: tuple[Floats | float, ...] = (1e-3, 1e-3 + _LEVEL_RIDGE * share, 1e-3 + _LEVEL_RIDGE * (1 - share))
        else:
            shade = blur * (self.apart[0] * self.basis[1] + self.slopes[0] / np.float32(2.5066))
            self.basis += [shade.astype(np.float32), self.slopes[0]]
            ridge = (1e-3, 1e-3, _SHADE_RIDGE, firm)
        self.weighted = [weight * b for b in self.basis]
        # symmetric, so from the diagonal on
        normal = [
            [
                np.einsum("ij,ij->i", a, b).astype(np.float64) + (ridge[i] if i == j else 0.0)
                for j, b in enumerate(self.basis[i:], i)
            ]
            for i, a in enumerate(self.weighted)
        ]
        self.equations = _Equations(normal)

    def levelled(
        self, data: NDArray[np.float32], line: Floats | None = None
    ) -> tuple[list[Floats], NDArray[np.float32]]:
        """Levels of values (n, m), less a line of the height ``line`` (n,) upon the first step, and what they leave."""
        values = data if line is None else data - _column(line) * self.slopes[0]
        level = self.equations.solved([np.einsum("ij,ij->i", a, values).astype(np.float64) for a in self.weighted])
        return level, np.asarray(values - sum(_column(x) * b for x, b in zip(level, self.basis, strict=True)))

    def fitted(self, data: NDArray[np.float32], line: Floats | None) -> _Fitted:
        """Levels of values (n, m), what moving the steps does to them, and residuals."""
        level, r = self.levelled(data, line)
        wide = np.float32(self.blur * 2.5066)
        slope = -sum(_column(x) * g for x, g in zip(level[1:], self.slopes, strict=False)) / wide
        if not self.two:
            slope = slope - _column(level[2]) * self.basis[1]
            line = level[3] if line is None else line + level[3]
        if line is not None:
            slope = slope + _column(line / self.blur) * self.apart[0] * self.slopes[0]
        second = self.levelled(-_column(level[2]) * self.slopes[1] / wide)[1] if self.two else None
        return _Fitted(level, self.levelled(np.asarray(slope))[1], second, r)


def _column(values: Floats) -> NDArray[np.float32]:
    """(n, 1) of values (n,)."""
    return values.astype(np.float32)[:, None]


class _Equations:
    """n small symmetric positive systems of k equations, by elimination; LAPACK's calls cost more.

    Of each row of ``a`` what stands from the diagonal on, (n,) each.
    """

    def __init__(self, a: list[list[Floats]]) -> None:
        self.rows = a = [list(row) for row in a]
        self.shares: list[list[Floats]] = [[] for _ in a]
        for i in range(len(a)):
            for j in range(i + 1, len(a)):
                share = a[i][j - i] / a[i][0]
                self.shares[i].append(share)
                for m in range(j, len(a)):
                    a[j][m - j] = a[j][m - j] - share * a[i][m - i]

    def solved(self, b: list[Floats]) -> list[Floats]:
        """The solutions, k of (n,), for right sides alike."""
        out = list(b)
        for i, shares in enumerate(self.shares):
            for j, share in enumerate(shares, i + 1):
                out[j] = out[j] - share * out[i]
        for i, row in reversed(list(enumerate(self.rows))):
            for factor, known in zip(row[1:], out[i + 1 :], strict=True):
                out[i] = out[i] - factor * known
            out[i] = out[i] / row[0]
        return out
