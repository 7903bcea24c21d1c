"""The fit that lays AFTER on BEFORE by what does not wear, and how probable each turn is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toothcheck.comparing.laying import Reference, Table, lay
from toothcheck.geometry import Floats, readonly, rotated
from toothcheck.tooth import ToothRing
from toothcheck.wear import DatumPriors

EDGE_STD_MM = 0.03
"""All edges of one photo alike too far in or out (exposure, threshold), as in `toothcheck.wear`."""


_COAST_FLOOR_MM = 0.005
_SEAT_SCATTER = 0.1
"""How much seats differ in wear, as a share of the flanks' loss."""
_NEIGHBOURS = 8.0
"""How many neighbouring points err alike, where they do: each then votes with so much less."""
_FEWEST = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Local:
    """A value on one flank: its own noise, and how it answers to the alignment's unknowns."""

    value: float
    own_var: float
    row: Floats
    var: float


class Alignment:
    """The linear fit of AFTER onto BEFORE for one number of pitches turned."""

    def __init__(
        self,
        before: ToothRing,
        ref: Reference,
        b: Table,
        a: Table,
        turned_by: int,
        edge: float,
        *,
        drive_loss_mm: float = 0.0,
        scaled: float = 0.0,
    ) -> None:
        after = np.roll(np.arange(before.teeth), -turned_by)
        priors = DatumPriors()
        # what the coast flanks are expected to have lost evenly, taken out; how much it may be otherwise is an unknown
        lost = max(0.0, drive_loss_mm)
        self.difference = a.offset[after] - b.offset + priors.coast_share * lost * ref.coast_share
        self.before, self.ref, self.b = before, ref, b
        self.var = a.var[after] + b.var
        self.doubt = np.hypot(a.doubt[after], b.doubt)
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
            -ones * ref.coast_share,
            # the seat's drive half wears, too; it votes on how it varies round the wheel, not on its even wear
            -ones * ref.drive_seat,
            -ones * ref.drive_seat * ref.seat_share,
        ]
        self.design = np.concatenate([np.stack(columns, axis=-1), a.modes[after], -b.modes], axis=-1)
        scale = math.hypot(a.scale_std, b.scale_std)
        size = self.design.shape[-1]
        free = np.full(size, 1.0)
        coast = math.hypot(_COAST_FLOOR_MM, priors.coast_share_std * lost)
        free[:8] = (1e3, 1e3, 1e3, max(scale, 1e-6), math.sqrt(2) * edge, coast, 0.3, 0.5)
        prior = 1 / free**2
        middle = np.zeros(size)
        middle[3] = scaled  # what AFTER was scaled by already counts
        known = np.isfinite(self.difference)
        self.gaps = int((known & ref.coast).any(axis=1).sum())
        seen = known & (ref.coast | ref.drive_seat)
        x, y = self.design[seen], self.difference[seen]
        # teeth differ in wear, and so do the seats' drive halves, each as a whole
        together = self.doubt**2 + (_SEAT_SCATTER * lost * ref.seat_share * ref.drive_seat) ** 2
        var = (self.var + _NEIGHBOURS * together)[seen]
        weight = np.ones(len(y))
        least = -priors.coast_share * lost
        for _ in range(6):  # Huber's weights: a burr or a crumb of dirt must not turn the wheel
            normal = (x * (weight / var)[:, None]).T @ x + np.diag(prior)
            self.covariance = np.linalg.inv(normal)
            pulled = (x * (weight / var)[:, None]).T @ y + prior * middle
            self.answer = self.covariance @ pulled
            if self.answer[5] < least - 1e-6:  # a flank cannot gain metal: hold it there
                stiff = normal + np.diag(np.eye(size)[5] * 1e9)
                self.answer = np.linalg.solve(stiff, pulled + np.eye(size)[5] * 1e9 * least)
            pull = np.abs(y - x @ self.answer) / np.sqrt(var)
            weight = np.minimum(1.0, 2.0 / np.maximum(pull, 1e-9))
        self.pull = pull[np.broadcast_to(ref.coast, known.shape)[seen]]
        self.residual = self.difference - self.design @ self.answer
        self.flank_var = self._flank_var()

    def _flank_var(self) -> float:
        """What one flank differs by as a whole, mm²: the coast flanks' scatter beyond what their noise explains.

        Dirt and shading move a whole flank's edge.  The drive flanks are seen under the same conditions.
        """
        flank = self.ref.coast & (self.ref.coast_share > 0.99)
        parts = np.array_split(np.flatnonzero(flank), 2)
        excess = []
        for part in parts:
            seen = np.isfinite(self.residual[:, part])
            good = seen.mean(axis=1) > 0.6
            if good.sum() < _FEWEST:
                continue
            mean = np.nanmean(np.where(seen, self.residual[:, part], np.nan)[good], axis=1)
            noise = float(np.nanmean(self.var[:, part][good])) / len(part)
            noise += float(np.nanmean(self.doubt[:, part][good])) ** 2
            spread = 1.4826 * float(np.median(np.abs(mean - np.median(mean))))
            excess.append(max(0.0, spread**2 * len(mean) / (len(mean) - 1) - noise))
        return float(np.mean(excess)) if excess else 0.0

    def typical_loss(self) -> float:
        """Median drive loss near the pitch circle, along the normal, mm."""
        near = self.residual[:, np.abs(self.ref.from_pitch) < 0.6]
        return -float(np.nanmedian(near)) if np.isfinite(near).any() else 0.0

    def arc_at_pitch(self, gap: int, reach: float) -> float | None:
        """What the drive flank lost at the pitch circle, as arc length.

        Both edges are crossed with the circle: a worn edge meets it elsewhere along the flank than the new one does.
        By a parabola over ± ``reach`` (mm, in radius).  None where too little was traced.
        """
        angles = []
        ref = self.ref
        drive = np.isfinite(ref.from_pitch)
        for offset in (self.b.offset[gap], self.b.offset[gap] + self.residual[gap]):
            edge = ref.points + offset[:, None] * ref.normals
            r = np.hypot(*edge.T) - ref.radius_mm
            near = drive & np.isfinite(r) & (np.abs(r) < reach)
            if near.sum() < 6 or r[near].min() > -0.4 * reach or r[near].max() < 0.4 * reach:
                return None
            angle = np.abs(np.arctan2(edge[near, 0], edge[near, 1]))
            angles.append(float(np.polynomial.polynomial.polyfit(r[near] / reach, angle, 2)[0]))
        return ref.radius_mm * (angles[1] - angles[0])

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
        together = float(np.abs(w) @ self.doubt[gap, seen]) / float(np.abs(w).sum())
        own_var = float(w**2 @ self.var[gap, seen]) + together**2 + self.flank_var
        return Local(
            value=float(w @ self.residual[gap, seen]),
            own_var=own_var,
            row=readonly(row),
            var=own_var + float(row @ self.covariance @ row),
        )


def fitted(
    before: ToothRing, after: ToothRing, ref: Reference, b: Table, turned_by: int, edge: float
) -> tuple[Alignment, Floats]:
    """Align with AFTER moved for real: the fit is linear, a few tenths of a millimetre on a curve are not quite."""
    moved = np.zeros(4)
    lost = 0.0
    for _ in range(4):
        alignment = Alignment(
            before, ref, b, lay(after, ref, moved), turned_by, edge, drive_loss_mm=lost, scaled=moved[3]
        )
        lost = alignment.typical_loss()
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
    What changes slowly round the wheel is the camera's (place, tilt, light from one side) and is taken out.  Gaps that
    are the same share what remains of the part itself, others do not: normal likelihoods speak for or against each
    turn, however many gaps overlap.  How much of what remains is the part's own is not known, and may be nothing, which
    makes all turns alike; all shares are held equally likely beforehand.
    """
    places = np.array_split(np.flatnonzero(ref.coast), 4)
    # of an arc what changes slowly cannot be told from the part's own
    whole = min(np.isfinite(t.offset).any(axis=1).mean() for t in (b, a)) > 0.7
    left, spread = [], []
    for table in (b, a):
        still = replace(
            table, offset=np.zeros_like(table.offset), var=np.zeros_like(table.var), doubt=np.zeros_like(table.var)
        )
        fit = Alignment(before, ref, still, table, 0, EDGE_STD_MM)
        rows = []
        for place in places:
            part = fit.residual[:, place]
            seen = np.isfinite(part).sum(axis=1)
            with np.errstate(invalid="ignore"):
                mean = np.where(seen > 0.6 * len(place), np.nansum(part, axis=1) / np.maximum(seen, 1), np.nan)
            rows.append(_without_slow(mean, 2 if whole else 0))
        own = np.stack(rows, axis=1)
        left.append(own)
        # a crumb of dirt must not outvote the wheel
        width = np.array([1.4826 * np.nanmedian(np.abs(c)) if np.isfinite(c).any() else 1.0 for c in own.T]) + 1e-6
        spread.append(width)
        left[-1] = np.clip(own, -3 * width, 3 * width)
    shares = np.linspace(0.0, 0.99, 34)
    score = np.zeros((len(allowed), len(shares)))
    for row, k in enumerate(allowed):
        x = left[0] / spread[0]
        y = left[1][np.roll(np.arange(before.teeth), -k)] / spread[1]
        seen = np.isfinite(x) & np.isfinite(y)
        xx, yy, xy = (np.where(seen, v, 0.0).sum() for v in (x * x, y * y, x * y))
        free = 1 - shares**2
        gain = -0.5 * ((xx + yy - 2 * shares * xy) / free - (xx + yy) + seen.sum() * np.log(free))
        # tempered: neighbouring places of a gap are not independent
        score[row] = 0.5 * gain
    weight = np.exp(score - score.max()).sum(axis=1)
    return {k: float(w) for k, w in zip(allowed, weight / weight.sum(), strict=True)}


def _without_slow(values: Floats, orders: int) -> Floats:
    """Values round the wheel (NaN where not seen) less their mean and what comes back up to ``orders`` times a turn."""
    seen = np.isfinite(values)
    if seen.sum() < 2 * orders + 2:
        return values
    angle = np.arange(len(values)) * 2 * math.pi / len(values)
    waves = [f(n * angle) for n in range(1, orders + 1) for f in (np.cos, np.sin)]
    basis = np.stack([np.ones_like(angle), *waves], axis=1)
    slow = np.linalg.lstsq(basis[seen], values[seen], rcond=None)[0]
    out: Floats = values - basis @ slow
    return out


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
