"""The fit that lays AFTER on BEFORE by what does not wear, and how probable each turn is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toothcheck.comparing.laying import Reference, Table, lay
from toothcheck.geometry import Floats, readonly, rotated
from toothcheck.tooth import ToothRing

EDGE_STD_MM = 0.03
"""All edges of one photo alike too far in or out (exposure, threshold), as in `toothcheck.wear`."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Local:
    """A value on one flank: its own noise, and how it answers to the alignment's unknowns."""

    value: float
    own_var: float
    row: Floats
    var: float


class Alignment:
    """The linear fit of AFTER onto BEFORE for one number of pitches turned."""

    def __init__(self, before: ToothRing, ref: Reference, b: Table, a: Table, turned_by: int, edge: float) -> None:
        after = np.roll(np.arange(before.teeth), -turned_by)
        self.difference = a.offset[after] - b.offset
        self.var = a.var[after] + b.var
        angle = math.pi / 2 - (before.phase + np.arange(before.teeth) * 2 * math.pi / before.teeth)
        c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
        nx, ny = ref.normals.T
        ones = np.ones((before.teeth, len(ref.points)))
        # how the difference answers to each unknown of AFTER; a turn is counted in mm at the pitch circle
        columns = [
            c * nx + s * ny,
            -s * nx + c * ny,
            ones * (ny * ref.points[:, 0] - nx * ref.points[:, 1]) / ref.radius_mm,
            ones * (nx * ref.points[:, 0] + ny * ref.points[:, 1]),
            ones,
        ]
        self.design = np.concatenate([np.stack(columns, axis=-1), a.modes[after], -b.modes], axis=-1)
        scale = math.hypot(a.scale_std, b.scale_std)
        size = self.design.shape[-1]
        free = np.full(size, 1.0)
        free[:5] = (1e3, 1e3, 1e3, max(scale, 1e-6), math.sqrt(2) * edge)
        seen = np.isfinite(self.difference) & ref.coast
        self.gaps = int(seen.any(axis=1).sum())
        x, y, var = self.design[seen], self.difference[seen], self.var[seen]
        weight = np.ones(len(y))
        for _ in range(6):  # Huber's weights: a burr or a crumb of dirt must not turn the wheel
            normal = (x * (weight / var)[:, None]).T @ x + np.diag(1 / free**2)
            self.covariance = np.linalg.inv(normal)
            self.answer = self.covariance @ ((x * (weight / var)[:, None]).T @ y)
            pull = np.abs(y - x @ self.answer) / np.sqrt(var)
            weight = np.minimum(1.0, 2.0 / np.maximum(pull, 1e-9))
        self.pull = pull
        self.residual = self.difference - self.design @ self.answer

    def local(self, gap: int, away: Floats, reach: float) -> Local | None:
        """One gap's residual where ``away`` (mm, of each point) is 0.

        By a local parabola over ± ``reach``: a mean would flatten the hollow.  None where too little was traced.
        """
        wanted = np.abs(away) < reach
        seen = np.isfinite(self.residual[gap]) & wanted
        if (
            seen.sum() < 0.7 * wanted.sum()
            or away[seen].min(initial=1) > -0.4 * reach
            or away[seen].max(initial=-1) < 0.4 * reach
        ):
            return None
        u = away[seen] / reach
        w = np.linalg.pinv(np.stack([np.ones_like(u), u, u**2], axis=1))[0]
        row = w @ self.design[gap, seen]
        return Local(
            value=float(w @ self.residual[gap, seen]),
            own_var=float(w**2 @ self.var[gap, seen]),
            row=readonly(row),
            var=float(w**2 @ self.var[gap, seen]) + float(row @ self.covariance @ row),
        )


def fitted(
    before: ToothRing, after: ToothRing, ref: Reference, b: Table, turned_by: int, edge: float
) -> tuple[Alignment, Floats]:
    """Align with AFTER moved for real: the fit is linear, a few tenths of a millimetre on a curve are not quite."""
    moved = np.zeros(4)
    for _ in range(4):
        alignment = Alignment(before, ref, b, lay(after, ref, moved), turned_by, edge)
        x, y, turn, scale = alignment.answer[:4]
        # the answer says how AFTER lies off BEFORE; its shift is in BEFORE's plane, AFTER's is turned against that
        back = -np.array([x, y])
        pitches = turned_by * 2 * math.pi / before.teeth
        moved[:2] += rotated(back, after.phase - before.phase + pitches)
        moved[2] -= turn / ref.radius_mm
        moved[3] -= scale
    return alignment, moved


def turn_probabilities(before: ToothRing, ref: Reference, b: Table, a: Table, allowed: list[int]) -> dict[int, float]:
    """How probable each number of pitches is, from the coast halves' own small deviations.

    Each ring is laid on the reference by itself, and what is left of each gap's coast half is averaged in four places.
    Gaps that are the same share these deviations, others do not: the ratio of the two likelihoods (normal, with the
    deviations' own spread estimated) speaks for or against each turn, however many gaps overlap.
    """
    places = np.array_split(np.flatnonzero(ref.coast), 4)
    left, noise = [], []
    for table in (b, a):
        still = replace(table, offset=np.zeros_like(table.offset), var=np.zeros_like(table.var))
        fit = Alignment(before, ref, still, table, 0, EDGE_STD_MM)
        rows, spread = [], []
        for place in places:
            part = fit.residual[:, place]
            seen = np.isfinite(part).sum(axis=1)
            with np.errstate(invalid="ignore"):
                mean = np.where(seen > 0.6 * len(place), np.nansum(part, axis=1) / np.maximum(seen, 1), np.nan)
            rows.append(mean - (np.nanmean(mean) if np.isfinite(mean).any() else 0.0))
            spread.append(np.nanmean(fit.var[:, place]) / len(place))
        left.append(np.stack(rows, axis=1))
        noise.append(np.array(spread))
    with np.errstate(invalid="ignore"):
        own = [
            max(1e-9, float(np.nanmean(r**2 - n))) if np.isfinite(r).any() else 1e-9
            for r, n in zip(left, noise, strict=True)
        ]
    common = min(own)
    score = {}
    for k in allowed:
        rb, ra = left[0], left[1][np.roll(np.arange(before.teeth), -k)]
        seen = np.isfinite(rb) & np.isfinite(ra)
        vb, va = common + noise[0], common + noise[1]
        determinant = vb * va - common**2
        same = -0.5 * ((va * rb**2 - 2 * common * ra * rb + vb * ra**2) / determinant + np.log(determinant))
        other = -0.5 * (rb**2 / vb + np.log(vb) + ra**2 / va + np.log(va))
        # tempered: neighbouring places of a gap are not quite independent
        score[k] = 0.5 * float(np.where(seen, same - other, 0.0).sum())
    top = max(score.values())
    weight = {k: math.exp(v - top) for k, v in score.items()}
    total = sum(weight.values())
    return {k: w / total for k, w in weight.items()}


def disagreement(alignment: Alignment, ref: Reference) -> float:
    """How far the coast halves are from agreeing: the common shape of their differences, over its uncertainty.

    Wear on the side that should not wear leaves the same shape in every gap, which averages out no place or turn.
    """
    seen = np.isfinite(alignment.residual) & ref.coast
    worst = 0.0
    for place in np.array_split(np.flatnonzero(ref.coast), 5):
        part = seen[:, place]
        if not part.any():
            continue
        values, var = alignment.residual[:, place][part], alignment.var[:, place][part]
        mean = float(np.average(values, weights=1 / var))
        worst = max(worst, abs(mean) / math.hypot(math.sqrt(1 / float((1 / var).sum())), 0.01))
    return worst
