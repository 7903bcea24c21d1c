"""Wear, tooth by tooth: the datum from what drive wear leaves alone, then the losses with their uncertainties.

The datum fit turns, moves and scales the ring and places the ideal form between the two limit forms so that coast
flanks and the coast halves of the seats lie on it.  The drive flank never votes, or it would turn the datum by half its
wear and hide it.  Each tooth's flanks are then smoothed over a few tenths of a millimetre, and every measure is taken
from the smoothed flanks; standard uncertainties come from drawing the datum's unknowns and the flanks' noise together
(JCGM 101:2008), since several measures are maxima or clipped at zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.geometry import Bools, Floats, readonly
from toothcheck.tooth import GapTrace, ToothRing
from toothcheck.toothform import IsoForm

DRAWS = 400
_RADII = 40
_SMOOTH_MM = 0.35
_TEXTURE_MM, _TEXTURE_LENGTH_MM = 0.035, 0.8
_SEAT_VOTES = 0.65
_CLEAR_MM = 0.12
"""A flank whose own doubt at the pitch circle is larger is not measured: a third of the `watch` band on a thin tooth."""
_UNKNOWNS = ("x", "y", "phase", "scale", "blend", "root", "bias", "coast", "seat", "seat_slope", "coast_seat")
_STEP = np.array([0.01, 0.01, 0.0005, 0.001, 0.02, 0.01, 0.01, 0.01, 0.05, 0.05, 0.01])


@dataclass(frozen=True, slots=True, kw_only=True)
class DatumPriors:
    """Standard deviations of what the datum fit may change, besides place and phase, which are free."""

    blend: float = 0.29
    """That of the uniform distribution between the limit forms, about their middle."""
    root_mm: float = 0.08
    """Makers and sources differ on the seat's centre by 0.05-0.2 mm (see `toothcheck.toothform`)."""
    bias_mean_mm: float = 0.0
    """How far all edges are expected to stand outside the metal (exposure)."""
    bias_mm: float = 0.03
    """All edges alike: exposure, threshold."""
    coast_share: float = 0.05
    """Even loss of all coast flanks against the drive flanks' (common practice, no source): the chain loads them only
    under engine braking."""
    coast_share_std: float = 0.08
    coast_seat_share_std: float = 0.06
    """A coast loss that grows from the gap's bottom, against the drive flanks' loss; hard to tell from a turned datum, so
    mostly doubt."""
    coast_floor_mm: float = 0.02
    """Standard deviation of that loss on an unworn part."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Datum:
    """Where the ideal wheel stands in the ring's plane."""

    form: IsoForm
    shift_mm: Floats
    """(2,) the ideal centre, in the ring's plane."""
    turn: float
    """Radians, ideal against the ring's nominal phase."""
    scale: float
    """True mm per ring mm."""
    bias_mm: float
    coast_mm: float
    gap_form: Estimate
    turn_mm: Estimate
    """The turn as arc length at the pitch circle, with its standard uncertainty."""
    unknowns: Floats
    """(k,) fitted values: place, phase, scale, blend, root, bias, even losses, then the ring's modes."""
    covariance: Floats
    """(k, k) of the unknowns."""
    spread_mm: float
    """Robust standard deviation of the voting edges about the form."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToothWear:
    """One tooth's measures as measures.md defines them; None where they could not be taken."""

    index: int
    measured: bool
    flags: tuple[str, ...]
    drive_loss_mm: Estimate | None = None
    coast_loss_mm: Estimate | None = None
    thickness_mm: Estimate | None = None
    asymmetry_percent: Estimate | None = None
    tip_thickness_mm: Estimate | None = None
    tip_thinning_percent: Estimate | None = None
    overhang_mm: Estimate | None = None
    hollow_mm: Estimate | None = None
    greatest_loss_mm: Estimate | None = None
    outline_mm: Floats | None = None
    """(n, 2) smoothed measured outline in the tooth's frame, coast root to drive root, mm."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WheelWear:
    """All teeth, and the wheel's medians."""

    drive_clockwise: bool
    datum: Datum
    teeth: tuple[ToothWear, ...]
    asymmetry_percent: Estimate | None
    overhang_mm: Estimate | None
    tip_thinning_percent: Estimate | None
    coast_asymmetry_percent: Estimate | None
    """The same measure with the flanks' roles exchanged: large where the other flank is the worn one."""
    worst_tooth: int | None
    draws_asymmetry: Floats
    """(draws,) of the median asymmetry, for the grade's probability."""
    draws_overhang: Floats


def _frame(ring: ToothRing, blend: float, root: float) -> IsoForm:
    return IsoForm(
        pitch_mm=ring.pitch_mm,
        roller_diameter_mm=ring.roller_diameter_mm,
        teeth=ring.teeth,
        blend=blend,
        seat_offset_mm=root,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Points:
    """All edge points of a ring in one set of arrays."""

    gap: Floats
    nominal: Floats
    normals: Floats
    offset: Floats
    std: Floats
    doubt: Floats
    modes: Floats
    drive: Bools
    spacing: float


def _points(ring: ToothRing, drive_clockwise: bool) -> _Points:
    gaps: tuple[GapTrace, ...] = ring.gaps
    spacing = [np.median(np.hypot(*np.diff(g.nominal_mm, axis=0).T)) for g in gaps if len(g.offset_mm) > 3]
    return _Points(
        gap=np.concatenate([np.full(len(g.offset_mm), g.index) for g in gaps]),
        nominal=np.concatenate([g.nominal_mm for g in gaps]),
        normals=np.concatenate([g.normals for g in gaps]),
        offset=np.concatenate([g.offset_mm for g in gaps]),
        std=np.concatenate([g.std_mm for g in gaps]),
        doubt=np.concatenate([g.doubt_mm for g in gaps]),
        modes=np.concatenate([g.modes_mm for g in gaps]),
        drive=np.concatenate([(g.nominal_mm[:, 0] < 0) == drive_clockwise for g in gaps]),
        spacing=float(np.median(spacing)) if spacing else 0.2,
    )


def _subset(p: _Points, keep: Bools) -> _Points:
    return _Points(
        gap=p.gap[keep], nominal=p.nominal[keep], normals=p.normals[keep], offset=p.offset[keep],
        std=p.std[keep], doubt=p.doubt[keep], modes=p.modes[keep], drive=p.drive[keep], spacing=p.spacing,
    )  # fmt: skip


def _placed(ring: ToothRing, p: _Points, v: Floats) -> Floats:
    """Points in their gaps' frames of the ideal wheel, for unknowns ``v``."""
    offset = p.offset + p.modes @ v[len(_UNKNOWNS) :]
    local = p.nominal + offset[:, None] * p.normals
    a = ring.phase + p.gap * (2 * math.pi / ring.teeth) - math.pi / 2
    c, s = np.cos(a), np.sin(a)
    x, y = c * local[:, 0] - s * local[:, 1], s * local[:, 0] + c * local[:, 1]
    x, y = (x - v[0]) * (1 + v[3]), (y - v[1]) * (1 + v[3])
    c, s = np.cos(a + v[2]), np.sin(a + v[2])
    return np.stack([c * x + s * y, -s * x + c * y], axis=1)


def _depth(ring: ToothRing, p: _Points, v: Floats) -> Floats:
    """Depth in the ideal metal."""
    form = _frame(ring, float(np.clip(v[4], -0.5, 1.5)), float(v[5]))
    return form.metal_depth_mm(_placed(ring, p, v), with_tip=False)


def _misfit(ring: ToothRing, p: _Points, v: Floats) -> Floats:
    """Depth in the ideal metal, less what common bias and even coast loss explain."""
    form = _frame(ring, float(np.clip(v[4], -0.5, 1.5)), float(v[5]))
    at = _placed(ring, p, v)
    share = form.seat_share(at)
    even = np.where(p.drive, v[8] + v[9] * share, v[7] * form.flank_share(at) + v[10] * np.minimum(share, 1.0))
    out: Floats = form.metal_depth_mm(at, with_tip=False) + v[6] - even
    return out


def fit_datum(ring: ToothRing, *, drive_clockwise: bool, priors: DatumPriors | None = None) -> Datum:
    """Fit the ideal wheel to coast flanks and the coast halves of seats.

    Raises
    ------
    ValueError
        When the ring has no traced gap.
    """
    if not ring.gaps:
        raise ValueError("ring must have at least one traced gap")
    priors = priors or DatumPriors()
    p = _points(ring, drive_clockwise)
    k = len(_UNKNOWNS) + p.modes.shape[1]
    middle_form = _frame(ring, 0.5, 0.0)
    radius = middle_form.pitch_radius_mm
    # tips are bevelled: from a little above the pitch circle a face's edge may leave the form
    low = np.hypot(p.nominal[:, 0], p.nominal[:, 1]) < middle_form.bevel_free_radius_mm(ring.tip_radius_mm)
    # drive halves of the seats vote on how they vary round the wheel, not on their even wear (seat, seat_slope)
    seat = p.drive & (middle_form.seat_share(p.nominal) < _SEAT_VOTES)
    voting = (~p.drive & low) | seat
    v = np.zeros(k)
    v[4] = 0.5
    middle = v.copy()
    middle[_UNKNOWNS.index("bias")] = priors.bias_mean_mm
    own = [ring.scale_std, priors.blend, priors.root_mm, priors.bias_mm, priors.coast_floor_mm, 0.3, 0.5, 1.0]
    prior_std = np.concatenate([[np.inf, np.inf, np.inf], own, np.ones(k - len(_UNKNOWNS))])
    coast = _UNKNOWNS.index("coast")
    limit = np.concatenate([[1.0, 1.0, 0.05, 0.02, 0.4, 0.2, 0.1, 0.2, 0.3, 0.3, 0.1], np.full(k - len(_UNKNOWNS), 2.0)])
    share = min(1.0, p.spacing / _TEXTURE_LENGTH_MM)
    sub = _subset(p, voting)
    # drive flanks near the pitch circle say how worn the wheel is, and so how much the coast flanks may be
    r = np.hypot(p.nominal[:, 0], p.nominal[:, 1])
    worn = _subset(p, p.drive & (np.abs(r - radius + 0.3) < 0.6))
    information = np.eye(k)
    d = np.zeros(0)
    width = 0.5
    for sweep in range(14):
        loss = max(0.0, float(np.median(_depth(ring, worn, v)))) if len(worn.offset) else 0.0
        middle[coast] = priors.coast_share * loss
        prior_std[coast] = math.hypot(priors.coast_floor_mm, priors.coast_share_std * loss)
        prior_std[_UNKNOWNS.index("coast_seat")] = 0.002 + priors.coast_seat_share_std * loss
        prior = 1.0 / prior_std**2
        d = _misfit(ring, sub, v)
        jac = _slopes(ring, sub, v, d)
        spread = 1.4826 * float(np.median(np.abs(d - np.median(d)))) + 0.01
        width = max(min(width, 0.5 * 0.7**sweep), 3.5 * spread, 0.06)
        tukey = np.clip(1 - (d / width) ** 2, 0, None) ** 2
        w = tukey * share * np.where(sub.drive, 0.5, 1.0) / np.hypot(sub.std, _TEXTURE_MM) ** 2
        information = (jac.T * w) @ jac + np.diag(prior) + 1e-6 * np.eye(k)
        gradient = (jac.T * w) @ d + prior * (v - middle)
        v = v - np.clip(np.linalg.solve(information, gradient), -limit, limit)
        v[4] = float(np.clip(v[4], -0.05, 1.05))
    covariance = np.linalg.inv(information)
    form = _frame(ring, float(v[4]), float(v[5]))
    return Datum(
        form=form,
        shift_mm=readonly(v[:2]),
        turn=float(v[2]),
        scale=1 + float(v[3]),
        bias_mm=float(v[6]),
        coast_mm=float(v[7]),
        gap_form=Estimate(value=float(v[4]), std=math.sqrt(covariance[4, 4])),
        turn_mm=Estimate(value=float(v[2]) * radius, std=math.sqrt(covariance[2, 2]) * radius),
        unknowns=readonly(v),
        covariance=readonly(covariance),
        spread_mm=1.4826 * float(np.median(np.abs(d))),
    )


def _slopes(ring: ToothRing, p: _Points, v: Floats, at: Floats) -> Floats:
    columns = []
    for j in range(len(v)):
        h = _STEP[j] if j < len(_STEP) else 0.2
        moved = v.copy()
        moved[j] += h
        columns.append((_misfit(ring, p, moved) - at) / h)
    return np.stack(columns, axis=1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Flanks:
    """Loss profiles on common radii: t teeth with both flanks, r radii, s draws."""

    tooth: Floats
    radii: Floats
    loss: Floats
    """(2, t, r + 1) drive, coast: ideal half thickness less measured, arc length; last column: at the pitch circle."""
    draws: Floats
    """(s, 2, t, r + 1)."""
    noise: Floats
    """(2, t) standard deviation at the pitch circle that is each flank's own, mm."""
    seen: Floats
    """(2, t, r + 1) share of the smoothing window that holds edges."""
    ideal_draws: Floats
    """(s, r + 1) ideal half thickness for each draw."""


def _losses(form: IsoForm, at: Floats) -> Floats:
    """Arc length from each point (in its gap's frame) out to the ideal flank at its own radius; positive is loss."""
    r = np.hypot(at[:, 0], at[:, 1])
    from_gap = r * np.abs(np.arctan2(at[:, 0], at[:, 1]))
    ideal_from_gap = r * math.pi / form.teeth - form.half_thickness_mm(r)
    return from_gap - ideal_from_gap


def _flanks(ring: ToothRing, datum: Datum, drive_clockwise: bool, rng: np.random.Generator) -> _Flanks:
    p = _points(ring, drive_clockwise)
    form, v = datum.form, datum.unknowns
    at = _placed(ring, p, v)
    r = np.hypot(at[:, 0], at[:, 1])
    # the smoothed flank is the measured one less the common bias of all edges
    slope_r = _arc_per_normal(form, r)
    loss = _losses(form, at) + datum.bias_mm * slope_r
    sensitivity = np.empty((len(loss), len(v)))
    for j in range(len(v)):
        h = _STEP[j] if j < len(_STEP) else 0.2
        moved = v.copy()
        moved[j] += h
        shape = _frame(ring, float(moved[4]), float(moved[5]))
        sensitivity[:, j] = (_losses(shape, _placed(ring, p, moved)) + moved[6] * slope_r - loss) / h
    low = max(form.junction_radius_mm - 0.3, form.pitch_radius_mm - 0.25 * form.roller_diameter_mm)
    high = form.pitch_radius_mm + 0.32 * form.roller_diameter_mm
    radii = np.linspace(low, high, _RADII)
    teeth = np.arange(ring.teeth)
    columns = _RADII + 1
    mean = np.zeros((2, ring.teeth, columns))
    slope = np.zeros((2, ring.teeth, columns, len(v)))
    noise = np.zeros((2, ring.teeth, columns))
    seen = np.zeros((2, ring.teeth, columns))
    for i in teeth:
        on_cw, on_ccw = (p.gap == i) & (at[:, 0] < 0), (p.gap == (i + 1) % ring.teeth) & (at[:, 0] > 0)
        for side, mask in enumerate((on_cw, on_ccw) if drive_clockwise else (on_ccw, on_cw)):
            if mask.sum() < 5:
                continue
            values = np.column_stack([loss[mask], sensitivity[mask]])
            std = np.hypot(p.std[mask], 0.01) * slope_r[mask]
            doubt = p.doubt[mask] * slope_r[mask]
            along = _smooth(radii, r[mask], values, std, doubt, p.spacing)
            at_pitch = _from_below(form.pitch_radius_mm, r[mask], values, std, doubt, p.spacing)
            fitted, sd, cover = (np.concatenate([a, b]) for a, b in zip(along, at_pitch, strict=True))
            mean[side, i], slope[side, i] = fitted[:, 0], fitted[:, 1:]
            noise[side, i], seen[side, i] = sd, cover
    root = np.linalg.cholesky(datum.covariance + 1e-15 * np.eye(len(v)))
    shared = rng.standard_normal((DRAWS, len(v))) @ root.T
    own = np.concatenate(
        [
            _rough(rng, (DRAWS, 2, ring.teeth, _RADII), radii[1] - radii[0]),
            rng.standard_normal((DRAWS, 2, ring.teeth, 1)),
        ],
        axis=-1,
    )
    own *= noise
    own += _unexplained(mean, noise, seen) * rng.standard_normal((DRAWS, 2, ring.teeth, 1))
    draws = mean + np.einsum("sk,ftrk->sftr", shared, slope) + own
    all_radii = np.append(radii, form.pitch_radius_mm)
    ideal = np.stack(
        [
            _frame(ring, float(np.clip(v[4] + e[4], -0.5, 1.5)), float(v[5] + e[5])).half_thickness_mm(all_radii)
            for e in shared
        ]
    )
    return _Flanks(tooth=teeth, radii=radii, loss=mean, draws=draws, noise=noise[..., -1], seen=seen, ideal_draws=ideal)


def _unexplained(mean: Floats, noise: Floats, seen: Floats) -> float:
    """How much coast losses at the pitch circle scatter beyond their own noise and an honest scatter of wear, mm.

    Coast flanks are nearly unworn, so their scatter from tooth to tooth shows what edges, shadows and bevels do to a
    flank that no single flank's noise shows; drive flanks suffer the same.
    """
    clear = (seen[:, :, -1].min(0) > 0.5) & (noise[:, :, -1].max(0) < _CLEAR_MM)
    if clear.sum() < 4:
        return 0.05
    coast, worn = mean[1, clear, -1], float(np.median(mean[0, clear, -1]))
    spread = 1.4826 * float(np.median(np.abs(coast - np.median(coast))))
    expected = math.hypot(float(np.median(noise[1, clear, -1])), 0.01 + 0.03 * max(0.0, worn))
    return math.sqrt(max(0.0, spread**2 - expected**2))


def _arc_per_normal(form: IsoForm, r: Floats) -> Floats:
    """Arc length on the circle for a millimetre along the flank's normal, at radii (n,)."""
    h = 0.02
    rate = (form.half_thickness_mm(r + h) / (r + h) - form.half_thickness_mm(r - h) / (r - h)) / (2 * h) * r
    out: Floats = np.sqrt(1 + np.clip(rate, -3, 3) ** 2)
    return out


def _smooth(
    radii: Floats, r: Floats, values: Floats, std: Floats, doubt: Floats, spacing: float
) -> tuple[Floats, Floats, Floats]:
    """Local straight lines with Gaussian weights; also the noise left, and the share of each window that holds edges."""
    w = np.exp(-0.5 * ((radii[:, None] - r) / _SMOOTH_MM) ** 2)
    # outliers: away from the running median of the loss by more than 0.15 mm
    middle = np.array([np.median(values[np.abs(r - x) < 0.6, 0]) if (np.abs(r - x) < 0.6).any() else 0.0 for x in r])
    sound = np.abs(values[:, 0] - middle) < 0.15
    w = w * sound / np.hypot(std, 0.02) ** 2 * 0.02**2
    d = r - radii[:, None]
    s0, s1, s2 = w.sum(1), (w * d).sum(1), (w * d * d).sum(1)
    ridge = 0.02 * s0 * _SMOOTH_MM**2 + 1e-9
    det = s0 * (s2 + ridge) - s1**2
    kernel = (w * ((s2 + ridge)[:, None] - s1[:, None] * d)) / np.maximum(det, 1e-12)[:, None]
    fitted = kernel @ values
    residual = values[:, 0] - np.interp(r, radii, fitted[:, 0])
    rough = 1.4826 * float(np.median(np.abs(residual[sound]))) if sound.any() else 0.1
    # points closer than the texture's length share their error
    shared = math.sqrt(max(1.0, _TEXTURE_LENGTH_MM / spacing / 2))
    common = np.abs(kernel) @ doubt / np.maximum(np.abs(kernel).sum(1), 1e-9)
    sd = np.hypot(np.sqrt((kernel**2 * (std**2 + rough**2)).sum(1)) * shared, common)
    full = _SMOOTH_MM * math.sqrt(2 * math.pi) / spacing
    cover = np.clip(np.exp(-0.5 * ((radii[:, None] - r) / _SMOOTH_MM) ** 2).sum(1) / full, 0, 1)
    return fitted, sd, cover


def _from_below(
    radius: float, r: Floats, values: Floats, std: Floats, doubt: Floats, spacing: float
) -> tuple[Floats, Floats, Floats]:
    """As `_smooth`, at one radius and mostly from below it: a local parabola, checked by a shorter straight line.

    From a little above the pitch circle tips may be bevelled, and the face's edge leaves the form that holds at
    mid-thickness.  The parabola over 2.3 mm follows smooth wear within 0.01 mm; where the straight line over 1.3 mm
    says otherwise (a ledge, a bevel that begins low, an edge lost half way), half their difference is doubt.
    """
    d = r - radius
    long, sd_long, reach = _local(d, values, std, -1.7, 0.6, 2)
    short, sd_short, _ = _local(d, values, std, -0.8, 0.5, 1)
    gap = float((short - long) @ values[:, 0])
    near = (d > -1.0) & (d < 0.25)
    common = float(doubt[near].mean()) if near.any() else 0.2
    shared = math.sqrt(max(1.0, _TEXTURE_LENGTH_MM / spacing / 2))
    share = 0.5 if abs(gap) > 0.15 else 0.0
    kernel = (1 - share) * long + share * short
    sd = math.hypot(math.hypot(sd_long, share * sd_short) * shared, common, 0.5 * gap)
    cover = min(1.0, float(near.sum()) * spacing / 1.25, reach * spacing / 2.3)
    return (kernel @ values)[None], np.array([sd]), np.array([cover])


def _local(
    d: Floats, values: Floats, std: Floats, low: float, high: float, order: int
) -> tuple[Floats, float, float]:
    """Weights (n,) of a robust local polynomial at d = 0, their standard deviation (mm), and the points it rests on."""
    w = ((d > low) & (d < high)) / np.hypot(std, 0.02) ** 2 * 0.02**2
    basis = np.stack([np.ones_like(d), d, d * d][: order + 1], axis=1)
    ridge = np.diag([1e-9, 1e-3, 3e-2][: order + 1])
    sound = np.ones(len(d))
    weights, rough = np.zeros(len(d)), 0.1
    inside = w > 0
    for _ in range(4):
        ww = w * sound
        solved = np.linalg.solve((basis.T * ww) @ basis + ridge, basis.T * ww)
        weights = solved[0]
        residual = np.abs(values[:, 0] - basis @ (solved @ values[:, 0]))
        rough = 1.4826 * float(np.median(residual[inside])) if inside.any() else 0.1
        sound = (1 - np.clip(residual / (4.5 * max(rough, 0.02)), 0, 1) ** 2) ** 2
    return weights, math.sqrt(float((weights**2 * (std**2 + rough**2)).sum())), float(inside.sum())


def _rough(rng: np.random.Generator, shape: tuple[int, ...], step: float) -> Floats:
    """Unit-variance noise with a correlation length of the smoothing along the last axis."""
    reach = max(1, round(2 * _SMOOTH_MM / step))
    kernel = np.exp(-0.5 * (np.arange(-2 * reach, 2 * reach + 1) * step / _SMOOTH_MM) ** 2)
    kernel /= math.sqrt(float((kernel**2).sum()))
    raw = rng.standard_normal((*shape[:-1], shape[-1] + len(kernel) - 1))
    out = np.zeros(shape)
    for j, k in enumerate(kernel):
        out += k * raw[..., j : j + shape[-1]]
    return out


def measure(
    ring: ToothRing, *, drive_clockwise: bool, rng: np.random.Generator, priors: DatumPriors | None = None,
    tip_radius_mm: float | None = None,
) -> WheelWear:
    """All measures of all teeth.

    Parameters
    ----------
    ring
        Traced outlines.
    drive_clockwise
        Whether drive flanks are on the clockwise sides of teeth, as seen.
    rng
        For the draws.
    """
    datum = fit_datum(ring, drive_clockwise=drive_clockwise, priors=priors)
    tip_radius_mm = ring.tip_radius_mm
    if tip_radius_mm is not None:
        datum = replace(datum, form=replace(datum.form, tip_diameter_mm=2 * tip_radius_mm))
    flanks = _flanks(ring, datum, drive_clockwise, rng)
    form, radii = datum.form, flanks.radii
    at_tip = np.append(_at(radii, form.pitch_radius_mm + 0.25 * form.roller_diameter_mm), 0.0)
    ideal = form.half_thickness_mm(np.append(radii, form.pitch_radius_mm))
    h = ideal - flanks.loss
    h_draws = flanks.ideal_draws[:, None, None, :] - flanks.draws
    teeth, asym_draws, over_draws, coast_draws, thin_draws = [], [], [], [], []
    for i in range(ring.teeth):
        flags = ring.tooth_flags[i]
        if not flags and (flanks.seen[:, i, -1].min() < 0.5 or flanks.noise[:, i].max() > _CLEAR_MM):
            flags = ("unclear-edge",)
        if flags:
            teeth.append(ToothWear(index=i, measured=False, flags=flags))
            continue
        hd, hc = h[0, i], h[1, i]
        hd_s, hc_s = h_draws[:, 0, i], h_draws[:, 1, i]
        out: dict[str, Estimate | None] = {}
        out["drive_loss_mm"] = _estimate(flanks.loss[0, i, -1], flanks.draws[:, 0, i, -1])
        out["coast_loss_mm"] = _estimate(flanks.loss[1, i, -1], flanks.draws[:, 1, i, -1])
        out["thickness_mm"] = _estimate(hd[-1] + hc[-1], hd_s[:, -1] + hc_s[:, -1])
        asym, asym_s = _asymmetry(hd[-1], hc[-1]), _asymmetry(hd_s[:, -1], hc_s[:, -1])
        out["asymmetry_percent"] = _estimate(asym, asym_s)
        asym_draws.append(asym_s)
        coast_draws.append(_asymmetry(hc_s[:, -1], hd_s[:, -1]))
        reaches = tip_radius_mm is None or tip_radius_mm > form.pitch_radius_mm + 0.25 * form.roller_diameter_mm
        ideal_tip = 2 * float(ideal @ at_tip) if reaches else 0.0
        if (flanks.seen[:, i] @ at_tip).min() > 0.4 or not reaches:
            tip = max(0.0, float((hd + hc) @ at_tip)) if reaches else 0.0
            tip_s = np.maximum(0.0, (hd_s + hc_s) @ at_tip) if reaches else np.zeros(DRAWS)
            out["tip_thickness_mm"] = _estimate(tip, tip_s, floor=0.03)
            if ideal_tip > 0.3:
                ideal_s = np.maximum(0.2, 2 * flanks.ideal_draws @ at_tip)
                thin = 100 * (1 - tip_s / ideal_s)
                out["tip_thinning_percent"] = _estimate(100 * (1 - tip / ideal_tip), thin)
                thin_draws.append(thin)
        usable = _usable(flanks.seen[0, i, :-1])
        if usable is not None:
            x, y = _drive_curve(radii[usable], hd[:-1][usable])
            xs, ys = _drive_curve(radii[usable], hd_s[:, :-1][:, usable])
            over_s = _overhang(xs)
            out["overhang_mm"] = _less_noise(_overhang(x), over_s)
            over_draws.append(over_s)
            out["hollow_mm"] = _less_noise(_hollow(x, y), np.array([_hollow(a, b) for a, b in zip(xs[:100], ys[:100], strict=True)]))
            near = np.abs(radii[usable] - form.pitch_radius_mm - 0.05 * form.roller_diameter_mm) <= 0.25 * form.roller_diameter_mm
            along = 1 / _arc_per_normal(form, radii[usable])
            worst = (flanks.loss[0, i, :-1][usable] * along)[near]
            worst_s = (flanks.draws[:, 0, i, :-1][:, usable] * along)[:, near]
            if near.any():
                out["greatest_loss_mm"] = _less_noise(max(0.0, float(worst.max())), np.maximum(0.0, worst_s.max(-1)))
        teeth.append(
            ToothWear(index=i, measured=True, flags=flags, outline_mm=_outline(radii, h[:, i, :-1], flanks.seen[:, i, :-1]), **out)
        )
    return _wheel(drive_clockwise, datum, teeth, asym_draws, coast_draws, over_draws, thin_draws)


def _at(radii: Floats, radius: float) -> Floats:
    """Weights (r,) that interpolate a profile linearly at a radius."""
    out = np.zeros(len(radii))
    j = int(np.clip(np.searchsorted(radii, radius) - 1, 0, len(radii) - 2))
    f = float(np.clip((radius - radii[j]) / (radii[j + 1] - radii[j]), 0, 1))
    out[j], out[j + 1] = 1 - f, f
    return out


def _asymmetry(drive: Floats, coast: Floats) -> Floats:
    out: Floats = 100 * (coast - drive) / (2 * np.maximum(coast, 0.1))
    return out


def _estimate(value: float, draws: Floats, floor: float = 0.0) -> Estimate:
    return Estimate(value=float(value), std=max(float(np.std(draws)), floor))


def _less_noise(value: float, draws: Floats) -> Estimate:
    """A maximum grows with noise: take off what the draws show noise to add, and never go below zero."""
    gain = float(np.mean(draws)) - value
    return Estimate(value=max(0.0, value - max(0.0, gain)), std=max(float(np.std(draws)), 0.5 * max(0.0, gain), 0.01))


def _usable(seen: Floats) -> slice | None:
    good = np.flatnonzero(seen > 0.4)
    if len(good) < 8:
        return None
    return slice(int(good[0]), int(good[-1]) + 1)


def _drive_curve(radii: Floats, half: Floats) -> tuple[Floats, Floats]:
    """x towards the drive flank, y along the tooth, of half thicknesses (…, r)."""
    angle = half / radii
    return radii * np.sin(angle), radii * np.cos(angle)


def _overhang(x: Floats) -> Floats:
    """The most that a point nearer the tip stands out past one nearer the root; root first along the last axis."""
    lowest = np.minimum.accumulate(x, axis=-1)
    out: Floats = (x - lowest).max(-1)
    return out


def _hollow(x: Floats, y: Floats) -> float:
    """Greatest gap under a straight edge laid on a curve from the side of +x; (n,) each, root first."""
    hull: list[int] = []
    for i in range(len(x)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (x[b] - x[a]) * (y[i] - y[a]) <= (x[i] - x[a]) * (y[b] - y[a]):
                hull.pop()
            else:
                break
        hull.append(i)
    deepest = 0.0
    for a, b in zip(hull[:-1], hull[1:], strict=True):
        if b - a > 1:
            length = math.hypot(x[b] - x[a], y[b] - y[a])
            gap = ((x[b] - x[a]) * (y[a:b] - y[a]) - (x[a:b] - x[a]) * (y[b] - y[a])) / length
            deepest = max(deepest, float(np.abs(gap).max()))
    return deepest


def _outline(radii: Floats, half: Floats, seen: Floats) -> Floats:
    rows = []
    for side, sign in ((1, -1.0), (0, 1.0)):
        keep = seen[side] > 0.3
        angle = half[side][keep] / radii[keep]
        line = np.stack([sign * radii[keep] * np.sin(angle), radii[keep] * np.cos(angle)], axis=1)
        rows.append(line if side == 1 else line[::-1])
    return readonly(np.concatenate(rows))


def _wheel(
    drive_clockwise: bool,
    datum: Datum,
    teeth: list[ToothWear],
    asym: list[Floats],
    coast: list[Floats],
    over: list[Floats],
    thin: list[Floats],
) -> WheelWear:
    def middle(values: list[float], draws: list[Floats]) -> tuple[Estimate | None, Floats]:
        if not draws:
            return None, np.zeros(0)
        s = np.median(np.stack(draws), axis=0)
        return Estimate(value=float(np.median(values)), std=float(np.std(s))), s

    measured = [t for t in teeth if t.measured]
    asym_values = [t.asymmetry_percent.value for t in measured if t.asymmetry_percent]
    asym_estimate, asym_draws = middle(asym_values, asym)
    # the draws' median is centred on the value: draws of a median of noisy teeth are not biased by their noise
    over_values = [t.overhang_mm.value for t in measured if t.overhang_mm]
    over_estimate, over_draws = middle(over_values, over)
    if over_estimate is not None:
        over_draws = np.maximum(0.0, over_draws - over_draws.mean() + over_estimate.value)
    thin_estimate, _ = middle([t.tip_thinning_percent.value for t in measured if t.tip_thinning_percent], thin)
    coast_estimate, _ = middle([float(np.mean(c)) for c in coast], coast)
    worst = max(measured, key=lambda t: t.drive_loss_mm.value if t.drive_loss_mm else -1.0, default=None)
    return WheelWear(
        drive_clockwise=drive_clockwise,
        datum=datum,
        teeth=tuple(teeth),
        asymmetry_percent=asym_estimate,
        overhang_mm=over_estimate,
        tip_thinning_percent=thin_estimate,
        coast_asymmetry_percent=coast_estimate,
        worst_tooth=None if worst is None else worst.index,
        draws_asymmetry=readonly(asym_draws),
        draws_overhang=readonly(over_draws),
    )
