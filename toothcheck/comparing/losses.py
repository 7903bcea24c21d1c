"""The comparison itself: loss tooth by tooth with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from toothcheck.comparing.aligning import EDGE_STD_MM, Alignment, disagreement, fitted, turn_probabilities
from toothcheck.comparing.laying import Reference, Table, lay, mirrored, reference_of
from toothcheck.comparing.sameness import Landmarks, check_same, turns_allowed
from toothcheck.estimate import Estimate, median_of
from toothcheck.geometry import Floats, readonly, rotated, wrapped
from toothcheck.tooth import ToothRing
from toothcheck.wear import WheelWear
from toothcheck.wear.pooling import pool

SURE = 0.95
"""Probability from which the teeth count as told apart."""

_FEWEST_GAPS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothLoss:
    """What one tooth lost between the two rings."""

    index: int
    """The tooth's number in BEFORE."""
    index_after: int
    drive_loss_mm: Estimate
    """At the pitch circle, arc length; a little negative by chance where nothing was lost."""
    greatest_loss_mm: Estimate
    """Along the normal, the greatest from R − 0.2 d1 to R + 0.3 d1."""


NOT_COMPARED: dict[str, Any] = {
    "schema": "toothcheck/comparison/1",
    "median_loss_mm": None,
    "losses_mm": [],
    "turned_by": None,
    "turned_by_probability": None,
    "misfit": None,
    "teeth": [],
    "flags": [],
}
"""The document of two photos that cannot be laid on each other."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """The outcome."""

    teeth: tuple[ToothLoss, ...]
    """Tooth by tooth, where the teeth could be told apart; else empty."""
    median_loss_mm: Estimate
    """Median drive loss at the pitch circle; holds either way."""
    losses_mm: tuple[float, ...]
    """All teeth's drive losses by the likeliest turn, rising: their spread, where it is not known which is which."""
    turned_by: int
    """Tooth ``i`` of BEFORE is tooth ``i + turned_by`` of AFTER (the likeliest)."""
    turned_by_probability: float
    misfit: float
    """Root mean square of the coast halves' differences over what was expected; about 1 when all is well."""
    outlines_mm: tuple[tuple[Floats, Floats], ...]
    """For drawing: pairs of outlines (n, 2) of each gap seen in both, in BEFORE's plane, AFTER moved onto it."""
    flags: tuple[str, ...]

    def document(self) -> dict[str, Any]:
        """The outcome as JSON: ``toothcheck/comparison/1``."""
        return NOT_COMPARED | {
            "median_loss_mm": self.median_loss_mm.as_json(),
            "losses_mm": [round(v, 3) for v in self.losses_mm],
            "turned_by": self.turned_by,
            "turned_by_probability": round(self.turned_by_probability, 3),
            "misfit": round(self.misfit, 2),
            "teeth": [
                {
                    "index": t.index,
                    "index_after": t.index_after,
                    "drive_loss_mm": t.drive_loss_mm.as_json(),
                    "greatest_loss_mm": t.greatest_loss_mm.as_json(),
                }
                for t in self.teeth
            ],
            "flags": list(self.flags),
        }


def compare(
    before: ToothRing,
    after: ToothRing,
    *,
    drive_clockwise: bool,
    turned_by: int | None = None,
    landmarks_before: Landmarks | None = None,
    landmarks_after: Landmarks | None = None,
    edge_std_mm: float = EDGE_STD_MM,
) -> Comparison:
    """Find what the drive flanks lost between two rings of the same part, seen from the same side.

    Parameters
    ----------
    before, after
        The rings.
    drive_clockwise
        Whether the drive flank is on the clockwise side of each tooth, in both.
    turned_by
        Tooth ``i`` of BEFORE is tooth ``i + turned_by`` of AFTER, where a mark tells; worked out when None.
    landmarks_before, landmarks_after
        Bores, holes and marks, where they were measured.
    edge_std_mm
        Standard uncertainty of one photo's common edge offset; it limits what two photos can find.

    Returns
    -------
    Comparison
        With the flags ``teeth-not-told-apart``, ``metal-grown``, ``unworn-side-differs``, ``part-turned-over`` where
        they apply.

    Raises
    ------
    DifferentPartError
        When teeth, chain, bore or holes say that these are two parts, or one turned over.
    ValueError
        When fewer than three gaps were traced in both.
    """
    check_same(before, after)
    allowed = turns_allowed(before, after, landmarks_before, landmarks_after)
    ref = reference_of(before, drive_clockwise)
    b, a = lay(before, ref), lay(after, ref)
    likely = (
        {turned_by % before.teeth: 1.0} if turned_by is not None else turn_probabilities(before, ref, b, a, allowed)
    )
    best = max(likely, key=lambda k: likely[k])
    sure = likely[best]
    if 1 < len(likely) < before.teeth:
        # among the few turns that holes or splines leave chance is soon sure: the teeth must tell without them, too
        sure = min(sure, turn_probabilities(before, ref, b, a, list(range(before.teeth)))[best])
    told = sure >= SURE

    alignment, moved = fitted(before, after, ref, b, best, edge_std_mm)
    if alignment.gaps < _FEWEST_GAPS:
        raise ValueError(f"before and after must share at least {_FEWEST_GAPS} traced gaps, not {alignment.gaps}")
    teeth, middle = losses(before, ref, alignment, best, drive_clockwise)
    medians, weights = [middle], [likely[best]]
    if not told:
        base = lay(after, ref, moved)
        for k in sorted(likely, key=lambda k: -likely[k])[1:]:
            if likely[k] > 1e-4:
                other = Alignment(before, ref, b, base, k, edge_std_mm, drive_loss_mm=alignment.typical_loss())
                if other.gaps >= _FEWEST_GAPS:
                    medians.append(losses(before, ref, other, k, drive_clockwise)[1])
                    weights.append(likely[k])
    share = np.array(weights) / sum(weights)
    value = float(share @ [m.value for m in medians])
    var = float(share @ [m.std**2 + (m.value - value) ** 2 for m in medians])
    median = Estimate(value=value, std=math.sqrt(var))

    misfit = math.sqrt(
        float(np.median(alignment.pull**2)) / 0.4549
    )  # the median of chi-square with one degree of freedom
    flags = [] if told else ["teeth-not-told-apart"]
    flags += _grown(median)
    if disagreement(alignment, ref) > 3:
        over = mirrored(after)
        turned = [Alignment(before, ref, b, lay(over, ref), k, edge_std_mm) for k in range(before.teeth)]
        better = min((disagreement(t, ref) for t in turned if t.gaps >= _FEWEST_GAPS), default=math.inf)
        flags.append("part-turned-over" if better < 0.5 * disagreement(alignment, ref) else "unworn-side-differs")
    return Comparison(
        teeth=teeth if told else (),
        median_loss_mm=median,
        losses_mm=tuple(sorted(t.drive_loss_mm.value for t in teeth)),
        turned_by=best,
        turned_by_probability=sure,
        misfit=misfit,
        outlines_mm=outlines(before, ref, b, lay(after, ref, moved), best),
        flags=tuple(flags),
    )


def joined(comparison: Comparison, before: WheelWear, after: WheelWear) -> Comparison:
    """Bring in what the two photos say each by itself.

    Laid on each other by coast flanks alone, two rings leave a turn, a size and the coast flanks' own wear hard to tell
    apart; each photo's datum settles them by seats, spacing and the ideal form as well, and judges its teeth together.
    On made pairs the difference of the two was nearer the truth than the laid rings or any mean of both, so it stands
    where both photos measured a tooth; other teeth are moved along with it.  Where the two ways disagree by more than
    their uncertainties, the uncertainty grows (the Birge ratio).  Neglected: that what both photos share (the gap form)
    falls out of a difference; on made pairs that is a hundredth of the uncertainty.

    Parameters
    ----------
    comparison
        From `compare`.
    before, after
        What was measured in each photo; where one has no measured tooth, nothing is brought in.
    """
    own = comparison.median_loss_mm
    first, then = _measured(before), _measured(after)
    if before.drive_loss_mm is None or after.drive_loss_mm is None:
        return comparison
    both = {
        t.index: then[t.index_after].less(first[t.index])
        for t in comparison.teeth
        if t.index in first and t.index_after in then
    }
    single = after.drive_loss_mm.less(before.drive_loss_mm)
    shared = median_of(both.values())
    if shared is not None:
        # teeth wear unevenly: the medians of other teeth before than after say nothing of what any has lost
        single = Estimate(value=shared.value, std=max(single.std, shared.std / math.sqrt(len(both))))
    ratio = max(1.0, abs(own.value - single.value) / math.hypot(own.std, single.std))

    def wider(e: Estimate) -> Estimate:
        return Estimate(value=e.value, std=ratio * e.std)

    shift = single.value - own.value
    teeth = []
    for t in comparison.teeth:
        moved = both.get(t.index)
        if moved is None:
            moved = Estimate(value=t.drive_loss_mm.value + shift, std=math.hypot(t.drive_loss_mm.std, single.std))
        change = moved.value - t.drive_loss_mm.value
        greatest = Estimate(value=t.greatest_loss_mm.value + change, std=max(t.greatest_loss_mm.std, moved.std))
        teeth.append(replace(t, drive_loss_mm=wider(moved), greatest_loss_mm=wider(greatest)))
    values = [t.drive_loss_mm.value for t in teeth] or [v + shift for v in comparison.losses_mm]
    median = wider(single)
    flags = (*(f for f in comparison.flags if f != "metal-grown"), *_grown(median))
    return replace(comparison, median_loss_mm=median, losses_mm=tuple(sorted(values)), teeth=tuple(teeth), flags=flags)


def _measured(wear: WheelWear) -> dict[int, Estimate]:
    """Drive losses at the pitch circle of the measured teeth, mm, by their number."""
    return {t.index: t.drive_loss_mm for t in wear.teeth if t.measured and t.drive_loss_mm is not None}


def _grown(median: Estimate) -> tuple[str, ...]:
    """The flag for a loss that is less than nothing by more than chance."""
    return ("metal-grown",) if median.value < -max(3 * median.std, 0.05) else ()


def losses(
    before: ToothRing, ref: Reference, alignment: Alignment, turned_by: int, drive_clockwise: bool
) -> tuple[tuple[ToothLoss, ...], Estimate]:
    """Tooth by tooth, and the median: what all teeth share in their uncertainty does not average out, the rest does."""
    out, at_pitch_line = [], []
    arc = ref.arc_per_normal
    for gap in range(before.teeth):
        reach = 0.16 * before.roller_diameter_mm
        at_pitch, lost = alignment.local(gap, ref.from_pitch, reach), alignment.arc_at_pitch(gap, reach)
        if at_pitch is None or lost is None:
            continue
        greatest = None
        for centre in ref.along[ref.reach][::3]:
            away = np.where(np.isfinite(ref.from_pitch), ref.along - centre, np.inf)
            found = alignment.local(gap, away, 0.9)
            if found is not None and (greatest is None or found.value < greatest.value):
                greatest = found
        if greatest is None:
            continue
        at_pitch_line.append(at_pitch)
        # gap i's left flank is tooth i's; its right flank is that of the next tooth clockwise
        tooth = gap if drive_clockwise else (gap - 1) % before.teeth
        out.append(
            ToothLoss(
                index=tooth,
                index_after=(tooth + turned_by) % before.teeth,
                drive_loss_mm=Estimate(value=lost, std=arc * math.sqrt(at_pitch.var)),
                greatest_loss_mm=Estimate(value=-greatest.value, std=math.sqrt(greatest.var)),
            )
        )
    if not out:
        raise ValueError("before and after must share at least one traced drive flank")
    row = np.mean([x.row for x in at_pitch_line], axis=0)
    own_var = arc**2 * np.array([x.own_var for x in at_pitch_line])
    values = np.array([t.drive_loss_mm.value for t in out])
    turns = np.array([t.index for t in out]) * 2 * math.pi / before.teeth
    together = pool(values, np.sqrt(own_var), np.ones(len(out), dtype=bool), turns)
    common = arc * math.sqrt(float(row @ alignment.covariance @ row))
    # of the teeth's mean: what comes once a turn averages out
    middle_std = float(np.linalg.norm(together.root.mean(0)))
    median = Estimate(value=float(np.median(values)), std=math.hypot(common, middle_std))
    # what a tooth shares with the others stays; of its own doubt the share that is kept does
    less = own_var - together.own**2 - (1 - together.kept) ** 2 * (together.root**2).sum(1)
    out = [
        replace(t, drive_loss_mm=Estimate(value=float(v), std=math.sqrt(max(t.drive_loss_mm.std**2 - d, 1e-8))))
        for t, v, d in zip(out, together.value, less, strict=True)
    ]
    return tuple(sorted(out, key=lambda t: t.index)), median


def outlines(
    before: ToothRing, ref: Reference, b: Table, a: Table, turned_by: int
) -> tuple[tuple[Floats, Floats], ...]:
    """Both edges of each gap in BEFORE's plane where both were seen, for drawing."""
    out = []
    for gap in range(before.teeth):
        rows = b.offset[gap], a.offset[(gap + turned_by) % before.teeth]
        seen = np.isfinite(rows[0]) & np.isfinite(rows[1])
        if not seen.any():
            continue
        turn = float(wrapped(np.array(before.phase + gap * 2 * math.pi / before.teeth - math.pi / 2), 2 * math.pi))
        one, two = (readonly(rotated(ref.points[seen] + row[seen, None] * ref.normals[seen], turn)) for row in rows)
        out.append((one, two))
    return tuple(out)
