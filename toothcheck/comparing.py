"""Before and after: the loss of one wheel between two rings, tooth by tooth, aligned on what does not wear.

Sketch: both rings are laid on one reference outline (the middle ISO form), so each becomes a table of offsets, gap by
point.  The difference of two gaps is then, on the coast flank and the coast half of the seat, nothing but place, turn,
size, one edge offset and the rings' own shared unknowns: a linear fit with their priors.  Carried over to the drive
flank, what is left of the difference is the loss.  What the maker left on the part (its gap form, its root depth) is in
both rings and falls out: that is why two photos find less wear than one can.

Which tooth is which is another question.  Without a mark the wheel may have been turned by any number of pitches; the
coast halves' own small deviations decide, where they are large enough, and when they are not it is said: then only the
median loss holds.

Neglected: that the coast flank wears a little too (what it lost is counted as the drive flank's in a turn).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toothcheck.errors import DifferentPartError
from toothcheck.estimate import Estimate
from toothcheck.geometry import Bools, Floats, readonly, rotated, wrapped
from toothcheck.tooth import GapTrace, ToothRing
from toothcheck.toothform import IsoForm

EDGE_STD_MM = 0.03
"""All edges of one photo alike too far in or out (exposure, threshold), as in `toothcheck.wear`."""
TEXTURE_STD_MM, TEXTURE_LENGTH_MM = 0.015, 0.8
"""What light and dirt do to a flank from photo to photo, and how far along the edge it reaches; assumed."""
SURE = 0.95
"""Probability from which the teeth count as told apart."""

_STEP_MM = 0.15
_FEWEST_GAPS = 3
_FIXED = ("x", "y", "turn", "scale", "edge")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Landmarks:
    """What else is known of the wheel's face, in its ring's plane, mm: these tell parts and teeth apart."""

    bore_diameter_mm: Estimate | None = None
    holes_mm: Floats | None = None
    """(n, 3): x, y and diameter of holes or painted marks."""
    std_mm: float = 0.15
    """Standard uncertainty of each of these numbers."""


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """The outcome."""

    teeth: tuple[ToothLoss, ...]
    """Tooth by tooth, where the teeth could be told apart; else empty."""
    median_loss_mm: Estimate
    """Median drive loss at the pitch circle; holds either way."""
    turned_by: int
    """Tooth ``i`` of BEFORE is tooth ``i + turned_by`` of AFTER (the likeliest)."""
    turned_by_probability: float
    misfit: float
    """Root mean square of the coast halves' differences over what was expected; about 1 when all is well."""
    outlines_mm: tuple[tuple[Floats, Floats], ...]
    """For drawing: pairs of outlines (n, 2) of each gap seen in both, in BEFORE's plane, AFTER moved onto it."""
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Reference:
    """The middle form's gap, the roles of its points, and how each unknown moves them (all in the gap's frame)."""

    points: Floats
    normals: Floats
    along: Floats
    coast: Bools
    from_pitch: Floats
    """Radius over the pitch circle on the drive flank, mm; infinite elsewhere."""
    reach: Bools
    """Drive flank from R − 0.2 d1 to R + 0.3 d1."""
    arc_per_normal: float
    """At the pitch circle on a flank."""
    radius_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Table:
    """A ring laid on the reference: rows are gaps, columns its points; NaN where nothing was traced."""

    offset: Floats
    var: Floats
    modes: Floats
    """(gaps, points, k)."""
    scale_std: float


def _reference(ring: ToothRing, drive_clockwise: bool) -> _Reference:
    form = IsoForm(pitch_mm=ring.pitch_mm, roller_diameter_mm=ring.roller_diameter_mm, teeth=ring.teeth)
    outline = form.gap(_STEP_MM)
    points, first = np.unique(np.round(outline.points_mm, 9), axis=0, return_index=True)
    order = np.sort(first)
    points, normals = outline.points_mm[order], outline.normals[order]
    # the tip's corner has two normals and wears first: leave the land out
    radius = np.hypot(points[:, 0], points[:, 1])
    body = radius < form.tip_radius_mm - 1e-6
    points, normals, radius = points[body], normals[body], radius[body]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    d1, big = ring.roller_diameter_mm, form.pitch_radius_mm
    side = points[:, 0] * (
        1.0 if drive_clockwise else -1.0
    )  # the drive flank of gap i is tooth i's, left when clockwise
    tangential = np.abs(normals[:, 0] * points[:, 1] - normals[:, 1] * points[:, 0]) / radius
    drive = (side < 0) & (radius > form.junction_radius_mm)
    return _Reference(
        points=readonly(points),
        normals=readonly(normals),
        along=readonly(along),
        coast=(side > 0) & (radius < big + 0.3 * d1),
        from_pitch=readonly(np.where(drive, radius - big, np.inf)),
        reach=drive & (radius > big - 0.2 * d1) & (radius < big + 0.3 * d1),
        arc_per_normal=1 / float(tangential[drive][np.abs(radius[drive] - big).argmin()]),
        radius_mm=big,
    )


def _lay(ring: ToothRing, ref: _Reference, moved: Floats | None = None) -> _Table:
    """Measure a ring's traced edge along the reference's normals.

    ``moved`` is (shift x, shift y, turn in radians, scale − 1), applied to the ring first; its plane is the shift's.
    """
    k = len(ring.mode_names)
    shape = (ring.teeth, len(ref.points))
    offset, var, modes = np.full(shape, np.nan), np.full(shape, np.nan), np.zeros((*shape, k))
    for gap in ring.gaps:
        edge = gap.nominal_mm + gap.offset_mm[:, None] * gap.normals
        if moved is not None:
            edge = (1 + moved[3]) * rotated(edge, moved[2]) + _in_gap(moved[:2], ring, gap.index)
        # the nearest place of the reference for each traced point: its foot on the nearest segment
        a, b = ref.points[:-1], ref.points[1:]
        d = b - a
        t = np.clip(((edge[:, None] - a) * d).sum(-1) / (d**2).sum(-1), 0, 1)
        foot = a + t[..., None] * d
        away = np.hypot(*np.moveaxis(edge[:, None] - foot, -1, 0))
        near = away.argmin(axis=1)
        rows = np.arange(len(edge))
        share = t[rows, near]
        at = ref.along[near] + share * np.hypot(*d[near].T)
        normal = (1 - share)[:, None] * ref.normals[near] + share[:, None] * ref.normals[near + 1]
        height = ((edge - foot[rows, near]) * normal).sum(axis=1) / np.hypot(*normal.T)
        order = np.argsort(at, kind="stable")
        at = at[order]
        spacing = float(np.median(np.diff(at))) if len(at) > 1 else _STEP_MM
        to = np.searchsorted(at, ref.along)
        gap_width = at[np.clip(to, 0, len(at) - 1)] - at[np.clip(to - 1, 0, len(at) - 1)]
        inside = (ref.along >= at[0]) & (ref.along <= at[-1]) & (gap_width < max(0.4, 3 * spacing))
        offset[gap.index] = np.where(inside, np.interp(ref.along, at, height[order]), np.nan)
        # neighbours share their noise: the variance that a mean over many points deserves, kept for each point
        shared = max(1.0, max(ring.smoothing_mm, spacing) / _STEP_MM)
        noise = gap.std_mm[order] ** 2 * shared + TEXTURE_STD_MM**2 * TEXTURE_LENGTH_MM / _STEP_MM
        var[gap.index] = np.interp(ref.along, at, noise)
        for m in range(k):
            modes[gap.index, :, m] = np.interp(ref.along, at, gap.modes_mm[order, m])
    return _Table(offset=offset, var=var, modes=modes, scale_std=ring.scale_std)


def _in_gap(shift: Floats, ring: ToothRing, index: int) -> Floats:
    """A vector of the ring's plane in a gap's frame (whose +y is the gap's axis)."""
    return rotated(shift, math.pi / 2 - (ring.phase + index * 2 * math.pi / ring.teeth))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Local:
    """A value on one flank: its own noise, and how it answers to the alignment's unknowns."""

    value: float
    own_var: float
    row: Floats
    var: float


class _Alignment:
    """The linear fit of AFTER onto BEFORE for one number of pitches turned."""

    def __init__(self, before: ToothRing, ref: _Reference, b: _Table, a: _Table, turned_by: int, edge: float) -> None:
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

    def local(self, gap: int, away: Floats, reach: float) -> _Local | None:
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
        return _Local(
            value=float(w @ self.residual[gap, seen]),
            own_var=float(w**2 @ self.var[gap, seen]),
            row=readonly(row),
            var=float(w**2 @ self.var[gap, seen]) + float(row @ self.covariance @ row),
        )


def _fitted(
    before: ToothRing, after: ToothRing, ref: _Reference, b: _Table, turned_by: int, edge: float
) -> tuple[_Alignment, Floats]:
    """Align with AFTER moved for real: the fit is linear, a few tenths of a millimetre on a curve are not quite."""
    moved = np.zeros(4)
    for _ in range(4):
        alignment = _Alignment(before, ref, b, _lay(after, ref, moved), turned_by, edge)
        x, y, turn, scale = alignment.answer[:4]
        # the answer says how AFTER lies off BEFORE; its shift is in BEFORE's plane, AFTER's is turned against that
        back = -np.array([x, y])
        pitches = turned_by * 2 * math.pi / before.teeth
        moved[:2] += rotated(back, after.phase - before.phase + pitches)
        moved[2] -= turn / ref.radius_mm
        moved[3] -= scale
    return alignment, moved


def _turns(before: ToothRing, ref: _Reference, b: _Table, a: _Table, allowed: list[int]) -> dict[int, float]:
    """How probable each number of pitches is, from the coast halves' own small deviations.

    Each ring is laid on the reference by itself, and what is left of each gap's coast half is averaged in four places.
    Gaps that are the same share these deviations, others do not: the ratio of the two likelihoods (normal, with the
    deviations' own spread estimated) speaks for or against each turn, however many gaps overlap.
    """
    places = np.array_split(np.flatnonzero(ref.coast), 4)
    left, noise = [], []
    for table in (b, a):
        still = replace(table, offset=np.zeros_like(table.offset), var=np.zeros_like(table.var))
        fit = _Alignment(before, ref, still, table, 0, EDGE_STD_MM)
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


def _mirrored(ring: ToothRing) -> ToothRing:
    """The wheel turned over: x changes sign, and the teeth run the other way."""
    flip = np.array([-1.0, 1.0])
    gaps = [
        GapTrace(
            index=-g.index % ring.teeth,
            nominal_mm=readonly((g.nominal_mm * flip)[::-1]),
            normals=readonly((g.normals * flip)[::-1]),
            offset_mm=readonly(g.offset_mm[::-1]),
            std_mm=readonly(g.std_mm[::-1]),
            modes_mm=readonly(g.modes_mm[::-1]),
            flags=g.flags,
        )
        for g in ring.gaps
    ]
    return replace(ring, phase=math.pi - ring.phase, gaps=tuple(sorted(gaps, key=lambda g: g.index)))


def _check_same(before: ToothRing, after: ToothRing) -> None:
    if before.teeth != after.teeth:
        raise DifferentPartError(
            f"These are not the same part: {before.teeth} teeth before, {after.teeth} after.", hint="Check --teeth."
        )
    for name, one, two in (
        ("pitch", before.pitch_mm, after.pitch_mm),
        ("roller diameter", before.roller_diameter_mm, after.roller_diameter_mm),
    ):
        if abs(one - two) > 1e-6:
            raise DifferentPartError(
                f"These are not the same part: {name} {one:g} mm before, {two:g} mm after.", hint="Check --chain."
            )


def _turns_by_landmarks(before: ToothRing, after: ToothRing, one: Landmarks | None, two: Landmarks | None) -> list[int]:
    """Which numbers of pitches the bore, holes and marks allow; all of them when they say nothing."""
    every = list(range(before.teeth))
    if one is None or two is None:
        return every
    bore, other = one.bore_diameter_mm, two.bore_diameter_mm
    if bore is not None and other is not None:
        allowed = 3 * math.hypot(bore.std, other.std) + 0.1
        if abs(bore.value - other.value) > allowed:
            raise DifferentPartError(
                f"These are not the same part: bore {bore.text('mm')} before, {other.text('mm')} after.",
                hint="Compare photos of one part only.",
            )
    if one.holes_mm is None or two.holes_mm is None or not len(one.holes_mm) or not len(two.holes_mm):
        return every
    if len(one.holes_mm) != len(two.holes_mm):
        raise DifferentPartError(
            f"These are not the same part: {len(one.holes_mm)} holes before, {len(two.holes_mm)} after.",
            hint="If some are covered, leave the holes out.",
        )
    allowed = 3 * math.hypot(one.std_mm, two.std_mm) + 0.1
    fits = [k for k in every if _holes_meet(before, after, one.holes_mm, two.holes_mm, k, allowed)]
    if fits:
        return fits
    turned_over = two.holes_mm * np.array([-1.0, 1.0, 1.0])
    over = replace(after, phase=math.pi - after.phase)
    if any(_holes_meet(before, over, one.holes_mm, turned_over, k, allowed) for k in every):
        raise DifferentPartError(
            "The part was turned over between the photos: its holes fit as a mirror image.",
            hint="Photograph the same face, or state the other turning for the second photo.",
        )
    raise DifferentPartError(
        "These are not the same part: the holes do not fit by any number of teeth.",
        hint="Compare photos of one part only.",
    )


def _holes_meet(before: ToothRing, after: ToothRing, one: Floats, two: Floats, turned_by: int, allowed: float) -> bool:
    turn = before.phase - after.phase - turned_by * 2 * math.pi / before.teeth
    there = np.column_stack([rotated(two[:, :2], turn), two[:, 2]])
    away = np.abs(one[:, None] - there[None]).max(axis=-1)
    return bool((away.min(axis=1) < allowed).all() and (away.min(axis=0) < allowed).all())


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
    _check_same(before, after)
    allowed = _turns_by_landmarks(before, after, landmarks_before, landmarks_after)
    ref = _reference(before, drive_clockwise)
    b, a = _lay(before, ref), _lay(after, ref)
    likely = {turned_by % before.teeth: 1.0} if turned_by is not None else _turns(before, ref, b, a, allowed)
    best = max(likely, key=lambda k: likely[k])
    told = likely[best] >= SURE

    alignment, moved = _fitted(before, after, ref, b, best, edge_std_mm)
    if alignment.gaps < _FEWEST_GAPS:
        raise ValueError(f"before and after must share at least {_FEWEST_GAPS} traced gaps, not {alignment.gaps}")
    teeth, middle = _losses(before, ref, alignment, best, drive_clockwise)
    medians, weights = [middle], [likely[best]]
    if not told:
        base = _lay(after, ref, moved)
        for k in sorted(likely, key=lambda k: -likely[k])[1:]:
            if likely[k] > 1e-4:
                other = _Alignment(before, ref, b, base, k, edge_std_mm)
                if other.gaps >= _FEWEST_GAPS:
                    medians.append(_losses(before, ref, other, k, drive_clockwise)[1])
                    weights.append(likely[k])
    share = np.array(weights) / sum(weights)
    value = float(share @ [m.value for m in medians])
    var = float(share @ [m.std**2 + (m.value - value) ** 2 for m in medians])
    median = Estimate(value=value, std=math.sqrt(var))

    misfit = math.sqrt(
        float(np.median(alignment.pull**2)) / 0.4549
    )  # the median of chi-square with one degree of freedom
    flags = [] if told else ["teeth-not-told-apart"]
    if median.value < -max(3 * median.std, 0.05):
        flags.append("metal-grown")
    if _off(alignment, ref) > 3:
        over = _mirrored(after)
        turned = [_Alignment(before, ref, b, _lay(over, ref), k, edge_std_mm) for k in range(before.teeth)]
        better = min((_off(t, ref) for t in turned if t.gaps >= _FEWEST_GAPS), default=math.inf)
        flags.append("part-turned-over" if better < 0.5 * _off(alignment, ref) else "unworn-side-differs")
    return Comparison(
        teeth=teeth if told else (),
        median_loss_mm=median,
        turned_by=best,
        turned_by_probability=likely[best],
        misfit=misfit,
        outlines_mm=_outlines(before, ref, b, _lay(after, ref, moved), best),
        flags=tuple(flags),
    )


def _off(alignment: _Alignment, ref: _Reference) -> float:
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


def _losses(
    before: ToothRing, ref: _Reference, alignment: _Alignment, turned_by: int, drive_clockwise: bool
) -> tuple[tuple[ToothLoss, ...], Estimate]:
    """Tooth by tooth, and the median: what all teeth share in their uncertainty does not average out, the rest does."""
    out, at_pitch_line = [], []
    arc = ref.arc_per_normal
    for gap in range(before.teeth):
        at_pitch = alignment.local(gap, ref.from_pitch, 0.16 * before.roller_diameter_mm)
        if at_pitch is None:
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
                drive_loss_mm=Estimate(value=-arc * at_pitch.value, std=arc * math.sqrt(at_pitch.var)),
                greatest_loss_mm=Estimate(value=-greatest.value, std=math.sqrt(greatest.var)),
            )
        )
    if not out:
        raise ValueError("before and after must share at least one traced drive flank")
    row = np.mean([x.row for x in at_pitch_line], axis=0)
    own = math.pi / 2 * float(np.mean([x.own_var for x in at_pitch_line])) / len(out)  # a median's, not a mean's
    median = Estimate(
        value=float(np.median([t.drive_loss_mm.value for t in out])),
        std=arc * math.sqrt(float(row @ alignment.covariance @ row) + own),
    )
    return tuple(sorted(out, key=lambda t: t.index)), median


def _outlines(
    before: ToothRing, ref: _Reference, b: _Table, a: _Table, turned_by: int
) -> tuple[tuple[Floats, Floats], ...]:
    out = []
    for gap in range(before.teeth):
        pair = []
        for table, row in ((b, gap), (a, (gap + turned_by) % before.teeth)):
            seen = np.isfinite(table.offset[row])
            points = ref.points[seen] + table.offset[row, seen, None] * ref.normals[seen]
            turn = before.phase + gap * 2 * math.pi / before.teeth - math.pi / 2
            pair.append(readonly(rotated(points, float(wrapped(np.array(turn), 2 * math.pi)))))
        if len(pair[0]) and len(pair[1]):
            out.append((pair[0], pair[1]))
    return tuple(out)
