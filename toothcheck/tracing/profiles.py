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

    level: Floats
    """(n, k)."""
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

    def _fitted(self, k: int, who: NDArray[np.int64]) -> _Fitted:
        """`_steps` of channel ``k`` for some of the points, at their places so far."""
        return _steps(
            self.data[k][who], self.weight[who], self.t, self.at[who] + self.mixed[who],
            self.at[who] + self.reach[who], self.two, max(self.blurs[k], 0.5), self.share[who],
            (self.face * self.known)[who] * (k == 0), self.firm[who],
        )  # fmt: skip

    def _look(self) -> None:
        """Where nothing but a line is to be seen the path may have taken either side of it: begin where it fits."""
        plain = np.flatnonzero(self.contrast < _PLAIN)
        best, least = self.at[plain], np.full(len(plain), np.inf)
        for begin in np.arange(-_LOOK_PX, _LOOK_PX + 0.1, 0.5):
            self.at[plain] = begin
            square = np.zeros(len(plain))
            for k in range(len(self.blurs)):
                r = self._fitted(k, plain).rest
                square += np.einsum("ij,ij,ij->i", self.weight[plain], r, r) / self.noise[k, plain] ** 2
            best, least = np.where(square < least, self.at[plain], best), np.minimum(square, least)
        self.at[plain] = best

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
            for k in range(len(self.blurs)):
                fitted = self._fitted(k, active)
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
                    step[active] = level[:, 1:].sum(1) if self.two else level[:, 1]
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

    def _line_alone(self, who: NDArray[np.int64], level: Floats) -> Floats:
        """Light of the lines against the face's as it would be if they were not held; NaN beside a clear step."""
        alone = np.abs(level[:, 1]) < _PLAIN * self.face[who]
        free = level[:, 3] * (1 + self.firm[who] / _LINE_POWER)
        return np.where(alone, free / self.face[who] + self.known[who], np.nan)

    def _raise_burnt(self, who: NDArray[np.int64], r: NDArray[np.float32]) -> None:
        """A burnt-out sample says "at least this": it takes the model's value where that is higher."""
        burnt = self.burnt[who]
        if burnt.any():
            model = np.maximum(self.light[who], self.data[0][who] - r)
            self.data[0][who] = np.where(burnt, model, self.light[who])


def _steps(
    data: NDArray[np.float32],
    weight: NDArray[np.float32],
    t: NDArray[np.float32],
    first: NDArray[np.float32],
    second: NDArray[np.float32],
    two: bool,
    blur: float,
    share: Floats,
    line: Floats,
    firm: Floats,
) -> _Fitted:
    """Levels of one or two steps, what moving them does to the model, and residuals.

    Beyond a single step light may change evenly: a shadow lies there on whatever the part lies on, and taken for level
    it draws the step outwards before a light ground and inwards before a dark one, by up to half a pixel.  Upon the
    first step stands a line of the height ``line`` (n,), and upon a single one what differs from it, held by ``firm``.
    """
    blur = float(blur)
    basis, slopes, apart = [np.ones_like(data)], [], []
    for stands in (first, second) if two else (first,):
        u = (t - stands[:, None]) / np.float32(blur)
        basis.append(ndtr(u))
        slopes.append(np.exp(-0.5 * u * u))
        apart.append(u)
    if two:
        ridge: tuple[Floats | float, ...] = (1e-3, 1e-3 + _LEVEL_RIDGE * share, 1e-3 + _LEVEL_RIDGE * (1 - share))
    else:
        shade = blur * (apart[0] * basis[1] + slopes[0] / np.float32(2.5066))
        basis += [shade.astype(np.float32), slopes[0]]
        ridge = (1e-3, 1e-3, _SHADE_RIDGE, firm)
    weighted = [weight * b for b in basis]
    # symmetric, so from the diagonal on
    normal = [
        [
            np.einsum("ij,ij->i", a, b).astype(np.float64) + (ridge[i] if i == j else 0.0)
            for j, b in enumerate(basis[i:], i)
        ]
        for i, a in enumerate(weighted)
    ]

    def project(values: NDArray[np.float32]) -> tuple[Floats, NDArray[np.float32]]:
        right = [np.einsum("ij,ij->i", a, values).astype(np.float64) for a in weighted]
        level = _solved(normal, right)
        model = sum(level[:, j : j + 1].astype(np.float32) * b for j, b in enumerate(basis))
        return level, np.asarray(values - model)

    level, r = project(data - line.astype(np.float32)[:, None] * slopes[0])
    low = level.astype(np.float32)
    slope = -sum(low[:, j + 1 : j + 2] * g for j, g in enumerate(slopes)) / np.float32(blur * 2.5066)
    if not two:
        slope = slope - low[:, 2:3] * basis[1]
        line = line + level[:, 3]
    slope = slope + (line / blur).astype(np.float32)[:, None] * apart[0] * slopes[0]
    second_alone = project(-low[:, 2:3] * slopes[1] / np.float32(blur * 2.5066))[1] if two else None
    return _Fitted(level, project(np.asarray(slope))[1], second_alone, r)


def _solved(a: list[list[Floats]], b: list[Floats]) -> Floats:
    """Solutions (n, k) of n small symmetric positive systems, by elimination; LAPACK's calls cost more.

    Of each row of ``a`` what stands from the diagonal on.
    """
    k = len(b)
    a, b = [list(row) for row in a], list(b)
    for i in range(k):
        for j in range(i + 1, k):
            share = a[i][j - i] / a[i][0]
            b[j] = b[j] - share * b[i]
            for m in range(j, k):
                a[j][m - j] = a[j][m - j] - share * a[i][m - i]
    out: list[Floats] = [np.zeros(0)] * k
    for i in reversed(range(k)):
        rest = b[i]
        for j in range(i + 1, k):
            rest = rest - a[i][j - i] * out[j]
        out[i] = rest / a[i][0]
    return np.stack(out, axis=1)
