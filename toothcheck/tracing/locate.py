"""Place each followed edge to a fraction of a pixel, with its own standard deviation.

A profile across a rim is one blurred step (near rim against what lies behind it), or, where the side wall is in
sight, two steps a known distance apart.  Levels are linear and local; the step's place is found by Gauss-Newton on
light, not on grey values.  Where both steps blend into one (wall narrower than 0.8 px) only their mixture is seen: it
stands at the near rim or the far one by how light the wall is, and the doubt goes into the standard deviation.

A handled edge is broken or rolled over by a tenth of a millimetre, which shows as a line along the rim, darker or
lighter than the face.  Where face and ground are equally light there is nothing but this line, and a step alone would
jump from one side of it to the other; elsewhere it draws the step aside.  So a single step may have a line upon it, and
how light such lines are, by the direction that the rim faces, is learnt where they stand alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from toothcheck.edges import SATURATED, Optics, sample
from toothcheck.geometry import Bools, Floats
from toothcheck.photo import linear_light
from toothcheck.tracing.follow import CHROMA_BLUR_PX, TOGETHER_PX, Paths
from toothcheck.tracing.rims import Rims

_HALF_PX = 3.0
_BLEND_PX = 0.8
_APART_PX = 4.0
_WIDE_PX, _WALL_LIGHT, _WALL_SPREAD = 3.5, 0.5, 0.15
"""From which width a side wall can be looked at; how light it is against its face where none can, and how much walls
that face the same way differ."""
_LEVEL_RIDGE, _SHADE_RIDGE = 0.02, 2.0
"""How firmly the weaker of two steps, and light's change beyond one, are held to nothing; of a sum of squares over the
profile's samples."""
_LINE_RIDGE, _LINE_LEAST, _LINE_CONTRAST = 4.0, 0.4, 0.3
"""The same for the line along a rim, against what is known of it: beside much contrast, beside none, and the contrast
that lies between.  A clear step's place and a line upon it are nearly the same to the profile."""
_LINE_POWER = 1.4
"""Sum of squares of a line of height 1 over a profile that its levels leave."""
_PLAIN, _LOOK_PX, _HIDDEN_PX, _LINE_SPREAD = 0.25, 2.0, 1.0, 0.1
"""A line stands alone where the ground differs from the face by less than this share of its light; how far to both
sides of the path it is looked for; by how much the wall is hidden where lines are learnt; how much they differ about
their first harmonic."""
_SWEEPS = 8
_STILL_PX = 0.003
"""A place that moves by less has been found."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Located edge points of near or far rims; m points."""

    gap: NDArray[np.int64]
    """(m,) index of the gap."""
    place: NDArray[np.int64]
    """(m,) index into the nominal outline."""
    far: Bools
    """(m,) whether the point lies on the far rim."""
    px: Floats
    """(m, 2)."""
    std_px: Floats
    """(m,) along the normal."""
    offset_mm: Floats
    """(m,) along the nominal normal, measured on the face's plane (far rims: less their wall)."""
    step: Floats
    """(m,) light outside less light inside."""
    drive: Bools
    """(m,) whether the point lies on the drive half of its gap."""
    spacing_mm: float
    """Between neighbouring points of the nominal outline."""
    line: Floats
    """(3,) light of the line along the rim against the face's: its mean, cosine and sine over the direction in the
    photo that the rim faces; 0 where no line was seen."""


def locate(
    planes: NDArray[np.uint8],
    rims: Rims,
    paths: Paths,
    optics: Optics,
    *,
    drive_clockwise: bool,
    line: Floats | None = None,
) -> Edges:
    """Refine the followed paths; points without a clear step are left out.

    ``line``: `Edges.line` of a round before, where there was one.
    """
    g, n = rims.wall_mm.shape
    gap, place = np.divmod(np.arange(g * n), n)
    per_mm = np.hypot(rims.step_px[..., 0], rims.step_px[..., 1]).ravel()
    unit = rims.step_px.reshape(-1, 2) / per_mm[:, None]
    base = rims.near_px.reshape(-1, 2)
    wall = np.where(rims.wall_seen, rims.wall_mm, 0.0).ravel() * per_mm
    start = paths.offset_mm.ravel() * per_mm
    ok = paths.in_frame.ravel() & (paths.near_evidence.ravel() > 0.02)
    facing = _facing(unit)
    known = np.zeros_like(wall) if line is None else facing @ line
    lines = _Lines(base, unit, start, wall, np.zeros_like(wall), known)
    share = _far_share(planes, lines, ok & (paths.near_evidence.ravel() > 0.3))
    # of a narrow wall's two rims the clearer one was followed; of a wider one's, nearly always the near one
    together = (wall > 0) & (wall < TOGETHER_PX)
    near = _place(planes, lines._replace(start=start - np.where(together, share * wall, 0.0), share=share), optics, ok)
    apart = ok & (wall >= _APART_PX) & (paths.far_evidence.ravel() > 0.25)
    far = _place(planes, lines._replace(start=start + wall, wall=np.zeros_like(wall)), optics, apart)
    parts = []
    for found, is_far in ((near, False), (far, True)):
        where, at, std, step, _ = found
        parts.append(
            (
                gap[where], place[where], np.full(len(where), is_far), base[where] + at[:, None] * unit[where], std,
                (at - (wall[where] if is_far else 0.0)) / per_mm[where], step,
            )
        )  # fmt: skip
    hidden = (rims.wall_mm.ravel() * per_mm < -_HIDDEN_PX)[near.where]
    alone = np.isfinite(near.line) & hidden & (paths.near_evidence.ravel()[near.where] > 0.3)
    joined = [np.concatenate([a, b]) for a, b in zip(*parts, strict=True)]
    return Edges(
        gap=joined[0],
        place=joined[1],
        far=joined[2],
        px=joined[3],
        std_px=joined[4],
        offset_mm=joined[5],
        step=joined[6],
        # in a gap's frame the drive flank of the tooth it belongs to stands at -x where drive flanks are clockwise
        drive=(rims.outline.points_mm[joined[1], 0] < 0) == drive_clockwise,
        spacing_mm=float(np.median(np.hypot(*np.diff(rims.outline.points_mm, axis=0).T))),
        line=_harmonic(facing[near.where[alone]], np.clip(near.line[alone], -1, 1), _LINE_SPREAD, (20, 20, 20)),
    )


class _Lines(NamedTuple):
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


def _light(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light of bilinear grey values, none outside the photo.

    The table is 8 bit, so they are rounded: by 0.3 grey levels, below the noise.
    """
    return linear_light(np.where(np.isfinite(luma), np.rint(luma), 0).astype(np.uint8))


def _far_share(planes: NDArray[np.uint8], lines: _Lines, clear: Bools) -> Floats:
    """`_Lines.share`, from the photo; ``clear`` (n,) says which places can be relied on.

    A side wall darker than face and ground hides its near rim before a light ground and its far rim before a dark one.
    How light a wall is against its face changes with the direction that it faces: walls wide enough to be looked at
    tell it (their mean and its first harmonic, robustly), narrow ones are taken for alike.
    """

    def level(from_px: Floats, to_px: Floats) -> Floats:
        at = from_px[:, None] + (to_px - from_px)[:, None] * np.linspace(0, 1, 5)
        luma = sample(planes, base[:, :1] + at * unit[:, :1], base[:, 1:] + at * unit[:, 1:])[..., 0]
        return np.asarray(_light(luma).mean(1), dtype=np.float64)

    base, unit, start, wall = lines.base, lines.unit, lines.start, lines.wall
    inside = np.maximum(level(start - 4, start - 2), 1.0)
    beyond = level(start + wall + 2, start + wall + 4)
    wide = clear & (wall > _WIDE_PX)
    ratio = np.full(len(start), _WALL_LIGHT)
    if wide.any():
        middle = start + 0.5 * wall
        seen = np.minimum(level(middle - 0.7, middle + 0.7)[wide] / inside[wide], 2.0)
        # in walls: with fewer the usual wall decides
        facing = _facing(unit)
        ratio = _WALL_LIGHT + facing @ _harmonic(facing[wide], seen - _WALL_LIGHT, _WALL_SPREAD, (20, 6, 6))
        ratio = np.clip(ratio, 0.05, 1.5)
    near, far = np.abs(ratio * inside - inside), np.abs(beyond - ratio * inside)
    out: Floats = far / np.maximum(near + far, 1.0)
    return out


def _facing(unit: Floats) -> Floats:
    """(n, 3) a constant, cosine and sine of the directions ``unit`` (n, 2)."""
    return np.column_stack([np.ones(len(unit)), unit])


def _harmonic(facing: Floats, values: Floats, spread: float, weight: tuple[int, int, int]) -> Floats:
    """(3,) mean, cosine and sine of values (n,) over the direction, robustly.

    Each is held to 0 as by ``weight`` values; ``spread`` is how much values differ about them.
    """
    w: Floats = np.ones(len(values))
    fitted: Floats = np.zeros(3)
    for _ in range(4):
        fitted = np.asarray(np.linalg.solve((facing.T * w) @ facing + np.diag(weight), (facing.T * w) @ values))
        w = 1 / (1 + ((values - facing @ fitted) / spread) ** 2)
    return fitted


class _Placed(NamedTuple):
    where: NDArray[np.int64]
    """Indices of the points."""
    at: Floats
    """Places along the normal, px."""
    std: Floats
    step: Floats
    """Luma outside less inside, light."""
    line: Floats
    """Light of the line along the rim against the face's; NaN where it does not stand alone."""


def _place(planes: NDArray[np.uint8], lines: _Lines, optics: Optics, ok: Bools) -> _Placed:
    """What could be placed of the points that are ``ok``."""
    two = (lines.wall >= _BLEND_PX) & (lines.wall < _APART_PX)
    # one step needs shorter profiles and fewer levels than two
    parts = [
        _place_alike(planes, lines, optics, np.flatnonzero(ok & (two == is_two)), is_two) for is_two in (False, True)
    ]
    order = np.argsort(np.concatenate([p.where for p in parts]), kind="stable")
    return _Placed(*(np.concatenate(columns)[order] for columns in zip(*parts, strict=True)))


def _place_alike(
    planes: NDArray[np.uint8], lines: _Lines, optics: Optics, which: NDArray[np.int64], two: bool
) -> _Placed:
    """Place points that all have one step, or all have two."""
    n = len(which)
    if n == 0:
        return _Placed(which, np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))
    base, unit, at, width, share, known = (column[which] for column in lines)
    blended = (width > 0) & (width < _BLEND_PX)
    mixed = np.where(blended, share * width, 0.0).astype(np.float32)
    t = np.arange(-_HALF_PX, _HALF_PX + (_APART_PX if two else 0.0) + 0.01, 0.5, dtype=np.float32)
    x = base[:, :1] + (at[:, None] + t) * unit[:, :1]
    y = base[:, 1:] + (at[:, None] + t) * unit[:, 1:]
    values = sample(planes, x, y)
    finite = np.isfinite(values[..., 0])
    light = _light(values[..., 0])
    burnt = light >= SATURATED
    # noise of light: that of a grey value times the slope of the curve there
    # the mean as far out as two steps would reach: that far, light beside the edge may still have spilled over it
    outer = 0.0 if two else 2 * _APART_PX * light[:, -1]
    slope_light = np.maximum(((light.sum(1) + outer) / (len(t) + (0 if two else 2 * _APART_PX))) ** 0.55 * 0.105, 0.05)
    blurs = [optics.blur_px] + 2 * [float(np.hypot(optics.blur_px, CHROMA_BLUR_PX))]
    noise = np.stack([optics.noise[0] * slope_light, np.full(n, optics.noise[1]), np.full(n, optics.noise[2])])
    face = np.maximum(light[:, :3].mean(1), 1.0)
    contrast = (light[:, -3:].mean(1) / face - 1) ** 2
    firm = _LINE_LEAST + _LINE_RIDGE * contrast / (contrast + _LINE_CONTRAST**2)
    line = np.full(n, np.nan)
    data = [light, *(np.where(finite, values[..., k], np.float32(128)) for k in (1, 2))]
    reach = np.where(two, width, 0.0).astype(np.float32)
    weight = ((t <= _HALF_PX + reach[:, None]) & finite).astype(np.float32)
    count = weight.sum(1)
    d = np.zeros(n, np.float32)

    def fitted(k: int, who: NDArray[np.int64]) -> tuple[Floats, NDArray[np.float32], NDArray[np.float32]]:
        """`_steps` of channel ``k`` for some of the points, at their places ``d``."""
        return _steps(
            data[k][who], weight[who], t, d[who] + mixed[who], d[who] + reach[who], two, max(blurs[k], 0.5), share[who],
            (face * known)[who] * (k == 0), firm[who],
        )  # fmt: skip

    if not two:
        # where nothing but a line is to be seen the path may have taken either side of it
        plain = np.flatnonzero(contrast < _PLAIN**2)
        best, least = d[plain], np.full(len(plain), np.inf)
        for begin in np.arange(-_LOOK_PX, _LOOK_PX + 0.1, 0.5):
            d[plain] = begin
            square = np.zeros(len(plain))
            for k in range(len(blurs)):
                r = fitted(k, plain)[2]
                square += np.einsum("ij,ij,ij->i", weight[plain], r, r) / noise[k, plain] ** 2
            best, least = np.where(square < least, d[plain], best), np.minimum(square, least)
        d[plain] = best
    misfit, power, step = np.zeros(n), np.ones(n), np.zeros(n)
    active = np.arange(n)
    for _ in range(_SWEEPS):
        pull = np.zeros(len(active))
        power[active], misfit[active] = 1e-9, 0.0
        w = weight[active]
        for k in range(len(blurs)):
            level, slope, r = fitted(k, active)
            variance = noise[k, active] ** 2
            # a channel that no step explains (luma in a shadow's slope) is believed the less
            square = np.einsum("ij,ij,ij->i", w, r, r)
            chi = square / variance / np.maximum(count[active] - 4, 1)
            variance = variance * np.maximum(1.0, chi)
            pull += np.einsum("ij,ij,ij->i", w, slope, r) / variance
            power[active] += np.einsum("ij,ij,ij->i", w, slope, slope) / variance
            misfit[active] += square / variance
            if k == 0:
                step[active] = level[:, 1:].sum(1) if two else level[:, 1]
                if not two:
                    alone = np.abs(step[active]) < _PLAIN * face[active]
                    free = level[:, 3] * (1 + firm[active] / _LINE_POWER)  # as it would be if it were not held
                    line[active] = np.where(alone, free / face[active] + known[active], np.nan)
                if burnt[active].any():
                    # a burnt-out sample says "at least this": it takes the model's value where that is higher
                    model = np.maximum(light[active], data[0][active] - r)
                    data[0][active] = np.where(burnt[active], model, light[active])
        move = np.clip(pull / power[active], -0.8, 0.8)
        d[active] += move.astype(np.float32)
        active = active[(np.abs(move) > _STILL_PX) | burnt[active].any(1)]
        if len(active) == 0:
            break
    # samples are half a pixel apart: neighbours share noise, so twice the variance
    chi2 = misfit / np.maximum(3 * count - 10, 1)
    std = np.sqrt(2 * np.maximum(chi2, 0.5) / power)
    place = at + d  # a narrow wall's mixture was entered its share of the wall early, and comes out so
    std = np.hypot(std, np.where(blended, 0.17 * width, 0.0))
    # two steps closer than the blur's width share their levels badly: the doubt is a share of the wall
    std = np.hypot(std, np.where(two & (width < 3.0), 0.15 * width, 0.0))
    good = (np.abs(d) < 2.5) & (std < 1.2) & np.isfinite(std) & (count > 8)
    return _Placed(which[good], place[good], np.maximum(std[good], 0.02), step[good], line[good])


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
) -> tuple[Floats, NDArray[np.float32], NDArray[np.float32]]:
    """Levels of one or two steps; the model's slope when both move, orthogonal to the levels; residuals.

    Beyond a single step light may change evenly: a shadow lies there on whatever the part lies on, and taken for level
    it draws the step outwards before a light ground and inwards before a dark one, by up to half a pixel.  Upon the
    first step stands a line of the height ``line`` (n,), and upon a single one what differs from it, held by ``firm``.
    """
    blur = float(blur)
    basis, slopes, apart = [np.ones_like(data)], [], []
    for place in (first, second) if two else (first,):
        u = (t - place[:, None]) / np.float32(blur)
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
    normal = [
        [np.einsum("ij,ij->i", a, b).astype(np.float64) + (ridge[i] if i == j else 0.0) for j, b in enumerate(basis)]
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
    return level, project(np.asarray(slope))[1], r


def _solved(a: list[list[Floats]], b: list[Floats]) -> Floats:
    """Solutions (n, k) of n small symmetric positive systems, by elimination; LAPACK's calls cost more."""
    k = len(b)
    a, b = [list(row) for row in a], list(b)
    for i in range(k):
        for j in range(i + 1, k):
            share = a[i][j] / a[i][i]
            b[j] = b[j] - share * b[i]
            for m in range(j, k):
                a[j][m] = a[j][m] - share * a[i][m]
    out: list[Floats] = [np.zeros(0)] * k
    for i in reversed(range(k)):
        rest = b[i]
        for j in range(i + 1, k):
            rest = rest - a[i][j] * out[j]
        out[i] = rest / a[i][i]
    return np.stack(out, axis=1)
