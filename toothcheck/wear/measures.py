"""The measures of each tooth and the wheel's medians, as measures.md defines them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from toothcheck.estimate import Estimate
from toothcheck.flags import MAY_BE_DAMAGED
from toothcheck.geometry import Bools, Floats, readonly
from toothcheck.tooth import ToothRing
from toothcheck.toothform import IsoForm
from toothcheck.wear.datum import Datum, DatumPriors, fit_datum
from toothcheck.wear.flanks import DRAWS, Flanks, flanks_of
from toothcheck.wear.hooks import Hook
from toothcheck.wear.profiles import arc_per_normal, bevel_std_mm

_HOLLOW_MM, _HOLLOW_SHARE = 0.08, 0.25
"""What dirt and shadows make of a flank's hollow, and which share of it a lost lip takes (made photos)."""
_TIP_KNOWN_MM = 0.3
"""How well a tip's radius is seen: standard uncertainty (photos of two renderers, bevelled tips and sharp ones)."""
_REACHES, _REACHES_NOT = 0.8, 0.05
"""How likely a tooth must reach the radius where its tip is measured to have a thickness there, and how unlikely to
have none: between them there is all of it or nothing."""
_SEEN = 0.4
"""Which share of the smoothing window must hold edges for a profile to count."""
_SEEN_BESIDE = 0.6
"""The same where edges must lie on both sides: a profile carried on past its last edge is mostly noise."""
_TIP_MEASURES = {"tip_thickness_mm", "tip_thinning_percent"}
_HOOK_MEASURES = {"overhang_mm", "hollow_mm"}
_BEVEL_MM, _BEVEL_SHARE = 0.1, 0.7
"""Standard uncertainty of what a bevel takes off both flanks' edges near the tip: the least, and a share of what the
coast flanks show of it (made photos of two kinds)."""
_HOOKS_FROM = 3
"""How many teeth must show whether they are hooked for the wheel's median, or half of them where fewer are measured."""
_ASIDE_FROM, _ASIDE_MM, _ASIDE_NEAR = 6, 0.06, 3
"""The fewest teeth that show how they usually stand, the least that both flanks must have moved, and the
neighbours on each side that they are held against."""


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
    tip_higher_mm: float | None = None
    """By how much its tip ends higher than the others' where it does not end with them; negative: lower."""
    outline_mm: Floats | None = None
    """(n, 2) smoothed measured outline in the tooth's frame, coast root to drive root, mm."""

    @property
    def may_be_damaged(self) -> bool:
        """Whether it must be looked at before a grade is given."""
        return not MAY_BE_DAMAGED.isdisjoint(self.flags)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WheelWear:
    """All teeth, and the wheel's medians."""

    drive_clockwise: bool
    datum: Datum
    teeth: tuple[ToothWear, ...]
    drive_loss_mm: Estimate | None
    asymmetry_percent: Estimate | None
    overhang_mm: Estimate | None
    tip_thinning_percent: Estimate | None
    coast_fade_mm: Estimate | None
    """By how much more the coast flanks have lost below the pitch circle than near the tip: a sign of their wear that
    no turn of the datum makes."""
    worst_tooth: int | None
    drive_loss_alone_mm: tuple[Estimate | None, ...]
    """Each measured tooth's drive loss as it shows it by itself, before the teeth are judged together, with the
    uncertainty that is its own: for what comes back round the wheel."""
    drive_loss_shared_mm2: Floats
    """(t, t) covariance that the datum adds to these."""
    draws_asymmetry: Floats
    """(draws,) of the median asymmetry, for the grade's probability."""
    draws_overhang: Floats
    """The same of the overhang; (0,) where that is None."""


def measure(
    ring: ToothRing, *, drive_clockwise: bool, rng: np.random.Generator, priors: DatumPriors | None = None
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
    priors
        Of the datum fit.
    """
    datum = fit_datum(ring, drive_clockwise=drive_clockwise, priors=priors)
    if ring.tip_radius_mm is not None:
        datum = replace(datum, form=replace(datum.form, tip_diameter_mm=2 * ring.tip_radius_mm))
    flanks = flanks_of(ring, datum, drive_clockwise, rng)
    form = datum.form
    ideal = form.half_thickness_mm(np.append(flanks.radii, form.pitch_radius_mm))
    teeth, draws = [], _Draws([], [], [], [])
    aside = _standing_aside(flanks, np.array([not f for f in ring.tooth_flags]))
    tips = dict(ring.tips_apart)
    lips = rng.spawn(1)[0]
    lost = lips.standard_normal(DRAWS)
    tip_circle = _tip_circle(form, lips.spawn(1)[0])
    bevel = _tip_bevel(form, flanks, lips)
    for i in range(ring.teeth):
        flags = ring.tooth_flags[i]
        if not flags and not flanks.clear[i]:
            flags = ("unclear-edge",)
        tip = ("tip-differs",) if i in tips else ()
        if flags:
            teeth.append(ToothWear(index=i, measured=False, flags=(*flags, *tip), tip_higher_mm=tips.get(i)))
            continue
        half = ideal - flanks.loss[:, i]
        half_draws = flanks.ideal_draws[:, None, :] - flanks.draws[:, :, i]
        at_tip = _at_tip(form, flanks, i, ideal, half, half_draws, bevel, tip_circle, draws)
        along_drive = _along_drive(ring, form, flanks, i, half[0, :-1], half_draws[:, 0, :-1])
        along_drive |= _hooked(flanks.hooks[i], lost, lips, draws)
        teeth.append(
            ToothWear(
                index=i,
                measured=True,
                flags=(
                    *(("stands-aside",) if aside[i] else ()),
                    *tip,
                    *(("tip-unmeasured",) if not _TIP_MEASURES <= at_tip.keys() else ()),
                    *(("hook-unseen",) if not _HOOK_MEASURES <= along_drive.keys() else ()),
                ),
                tip_higher_mm=tips.get(i),
                outline_mm=_outline(flanks.radii, half[:, :-1], flanks.seen[:, i, :-1]),
                **_at_pitch(flanks, i, half[:, -1], half_draws[..., -1], draws),
                **at_tip,
                **along_drive,
            )
        )
    alone = tuple(
        Estimate(value=float(flanks.alone[0, t.index]), std=float(flanks.alone_std[0, t.index])) if t.measured else None
        for t in teeth
    )
    return _wheel(drive_clockwise, datum, teeth, alone, flanks, draws)


def _standing_aside(flanks: Flanks, traced: Bools) -> Bools:
    """(t,) teeth whose flanks have both moved the same way by much more than the others', as a bent tooth's have.

    A tooth bent out of the plane is seen aside of its place wherever the camera does not look along its centre line.
    Wear, dirt and light move one flank alone.
    """
    clear = traced & flanks.clear
    if clear.sum() < _ASIDE_FROM:
        return np.zeros(len(clear), dtype=bool)
    # against the teeth beside it: light and the datum's own error change slowly round the wheel
    moved = np.where(clear, flanks.alone, np.nan)
    near = np.stack([np.roll(moved, k, axis=1) for k in range(-_ASIDE_NEAR, _ASIDE_NEAR + 1) if k])
    common = np.nanmedian(moved, axis=1)[:, None]
    beside = np.where(
        np.isfinite(near).sum(0) >= 3, np.nanmedian(np.where(np.isfinite(near), near, common), axis=0), common
    )
    drive, coast = flanks.alone - beside
    shift = (coast - drive) / 2
    usual = 1.4826 * float(np.median(np.abs(shift[clear]))) + 0.01
    out: Bools = (
        clear
        & (drive * coast < 0)
        & (np.minimum(np.abs(drive), np.abs(coast)) > _ASIDE_MM)
        & (np.abs(drive + coast) < np.abs(shift))
        & (np.abs(shift) > 4 * usual)
    )
    return out


class _Draws(NamedTuple):
    """Draws (draws,) of each measured tooth, for the wheel's medians."""

    loss: list[Floats]
    asymmetry: list[Floats]
    overhang: list[Floats]
    thinning: list[Floats]


def _at_pitch(flanks: Flanks, i: int, half: Floats, half_draws: Floats, draws: _Draws) -> dict[str, Estimate]:
    asymmetry = _asymmetry(half_draws[:, 0], half_draws[:, 1])
    draws.loss.append(flanks.draws[:, 0, i, -1])
    draws.asymmetry.append(asymmetry)
    return {
        "drive_loss_mm": _estimate(flanks.loss[0, i, -1], flanks.draws[:, 0, i, -1]),
        "coast_loss_mm": _estimate(flanks.loss[1, i, -1], flanks.draws[:, 1, i, -1]),
        "thickness_mm": _estimate(half.sum(), half_draws.sum(1)),
        "asymmetry_percent": _estimate(float(_asymmetry(half[:1], half[1:])[0]), asymmetry),
    }


def _tip_radius(form: IsoForm) -> float:
    """Where the tip's thickness is measured, mm."""
    return form.pitch_radius_mm + 0.25 * form.roller_diameter_mm


def _tip_circle(form: IsoForm, rng: np.random.Generator) -> tuple[float, Bools]:
    """How likely the teeth reach the radius where tips are measured; and draws (draws,) of whether they do."""
    reaches = float(ndtr((form.tip_radius_mm - _tip_radius(form)) / _TIP_KNOWN_MM))
    return reaches, rng.random(DRAWS) < reaches


def _tip_bevel(form: IsoForm, flanks: Flanks, rng: np.random.Generator) -> tuple[float, Floats]:
    """What the tip's bevel takes off both flanks' edges together where the tip is measured, mm; and draws (draws,).

    The form holds at mid-thickness, but the edge seen near a bevelled tip may be the face's own.  No edge near the
    pitch circle, where the datum is fitted, tells how deep the bevel is; the coast flanks do, which hardly wear: what
    they lack there beyond what they lack at the pitch circle.  One maker bevels all teeth, so it is one for the wheel.
    """
    at = _at(flanks.radii, _tip_radius(form))
    seen = flanks.clear & (flanks.seen[1, :, :-1] @ at >= _SEEN)
    if not seen.any():
        return 0.0, np.zeros(DRAWS)
    lacking = flanks.loss[1, seen, :-1] @ at - flanks.loss[1, seen, -1]
    middle = float(np.median(lacking))
    scatter = 1.4826 * float(np.median(np.abs(lacking - middle))) * math.sqrt(math.pi / 2 / len(lacking))
    both = 2 * max(0.0, middle)
    std = math.hypot(_BEVEL_MM + _BEVEL_SHARE * both / 2, 2 * scatter)
    return both, both + std * rng.standard_normal(DRAWS)


def _at_tip(
    form: IsoForm,
    flanks: Flanks,
    i: int,
    ideal: Floats,
    half: Floats,
    half_draws: Floats,
    bevel: tuple[float, Floats],
    tip_circle: tuple[float, Bools],
    draws: _Draws,
) -> dict[str, Estimate]:
    reaches, reaching = tip_circle
    if reaches < _REACHES_NOT:
        return {"tip_thickness_mm": Estimate(value=0.0, std=0.05)}  # the tooth ends below that radius, new or worn
    if reaches < _REACHES:
        return {}
    at = np.append(_at(flanks.radii, _tip_radius(form)), 0.0)
    if (flanks.seen[:, i] @ at).min() < _SEEN:
        return {}
    thickness = max(0.0, float(half.sum(0) @ at) + bevel[0])
    # nothing is cut off at zero here: where a tooth comes to a point its thickness is as uncertain as elsewhere
    thickness_draws = np.where(reaching, half_draws.sum(1) @ at + bevel[1], 0.0)
    out = {"tip_thickness_mm": _about(thickness, thickness_draws, floor=0.03)}
    new = 2 * float(ideal @ at)
    if new > 0.3:
        thinning = 100 * (1 - thickness_draws / np.maximum(0.2, 2 * flanks.ideal_draws @ at))
        out["tip_thinning_percent"] = _about(100 * (1 - thickness / new), thinning)
        draws.thinning.append(thinning)
    return out


def _along_drive(
    ring: ToothRing, form: IsoForm, flanks: Flanks, i: int, half: Floats, half_draws: Floats
) -> dict[str, Estimate]:
    out = {"greatest_loss_mm": _greatest_loss(ring, form, flanks, i)}
    usable = _usable(flanks.seen[0, i, :-1])
    if usable is None:
        return out
    radii = flanks.radii[usable]
    x, y = _drive_curve(radii, half[usable])
    xs, ys = _drive_curve(radii, half_draws[:, usable])
    # every other draw: the hull of a curve is the slowest step, and a standard deviation needs no more
    hollows = _hollow(xs[::2], ys[::2])
    hollow = _less_noise(float(_hollow(x[None], y[None])[0]), hollows)
    # a hollow ends at the hook's lip
    out["hollow_mm"] = _doubted(hollow, math.hypot(_HOLLOW_MM, _HOLLOW_SHARE * hollow.value))
    return out


def _greatest_loss(ring: ToothRing, form: IsoForm, flanks: Flanks, i: int) -> Estimate:
    """Over the radii at which the drive flank was seen; never less than at the pitch circle, which is one of them."""
    d1 = form.roller_diameter_mm
    radii = np.append(flanks.radii, form.pitch_radius_mm)
    # as far as the bevel leaves the face's edge on the flank: beyond, its own loss would be the greatest
    flank = radii <= max(form.bevel_free_radius_mm(ring.tip_radius_mm) + 0.4, form.pitch_radius_mm)
    near = flank & (np.abs(radii - form.pitch_radius_mm - 0.05 * d1) <= 0.25 * d1) & (flanks.seen[0, i] > _SEEN_BESIDE)
    near[-1] = True
    normal = 1 / arc_per_normal(form, radii[near])
    loss = flanks.loss[0, i, near] * normal
    losses = (flanks.draws[:, 0, i, near] * normal).max(-1)
    greatest = _less_noise(max(0.0, float(loss.max())), np.maximum(0.0, losses))
    bevel = float(bevel_std_mm(ring, radii[near]).max())
    return _doubted(replace(greatest, value=max(greatest.value, float(loss[-1]))), bevel)


def _hooked(hook: Hook | None, lost: Floats, rng: np.random.Generator, draws: _Draws) -> dict[str, Estimate]:
    """The overhang; ``lost`` (draws,) are standard normal and the same for all teeth: lips are lost on all alike."""
    if hook is None:
        return {}
    shift = hook.std * rng.standard_normal(len(lost)) + hook.lost * lost
    draws.overhang.append(hook.value + shift)
    return {"overhang_mm": Estimate(value=hook.value, std=math.hypot(hook.std, hook.lost))}


def _at(radii: Floats, radius: float) -> Floats:
    """Weights (r,) that interpolate a profile linearly at a radius."""
    out = np.zeros(len(radii))
    j = int(np.clip(np.searchsorted(radii, radius) - 1, 0, len(radii) - 2))
    f = float(np.clip((radius - radii[j]) / (radii[j + 1] - radii[j]), 0, 1))
    out[j], out[j + 1] = 1 - f, f
    return out


def _asymmetry(drive: Floats, coast: Floats) -> Floats:
    """Per cent, of half thicknesses (…,) at the pitch circle."""
    out: Floats = 100 * (coast - drive) / (2 * np.maximum(coast, 0.1))
    return out


def _estimate(value: float, draws: Floats, floor: float = 0.0) -> Estimate:
    return Estimate(value=float(value), std=max(float(np.std(draws)), floor))


def _about(value: float, draws: Floats, floor: float = 0.0) -> Estimate:
    """The likeliest value where draws may lie to one side of it: what they scatter by about it, not their mean."""
    return Estimate(value=float(value), std=max(math.sqrt(float(np.mean((draws - value) ** 2))), floor))


def _doubted(estimate: Estimate, std: float) -> Estimate:
    return Estimate(value=estimate.value, std=math.hypot(estimate.std, std))


def _less_noise(value: float, draws: Floats) -> Estimate:
    """A maximum grows with noise: take off what the draws show noise to add, and never go below zero."""
    gain = float(np.mean(draws)) - value
    return Estimate(value=max(0.0, value - max(0.0, gain)), std=max(float(np.std(draws)), 0.5 * max(0.0, gain), 0.01))


def _usable(seen: Floats) -> slice | None:
    good = np.flatnonzero(seen > _SEEN)
    if len(good) < 8:
        return None
    return slice(int(good[0]), int(good[-1]) + 1)


def _drive_curve(radii: Floats, half: Floats) -> tuple[Floats, Floats]:
    """x towards the drive flank, y along the tooth, of half thicknesses (…, r)."""
    angle = half / radii
    return radii * np.sin(angle), radii * np.cos(angle)


def _hollow(x: Floats, y: Floats) -> Floats:
    """Greatest gap (m,) under a straight edge laid on curves (m, n) from the side of +x; root first, y rising."""
    m, n = x.shape
    row, place = np.arange(m), np.arange(n)
    deepest, a = np.zeros(m), np.zeros(m, dtype=np.int64)
    # all curves at once, from root to tip: the edge tips over to whatever stands out most from where it rests
    while a.min() < n - 1:
        dx, dy = x - x[row, a][:, None], y - y[row, a][:, None]
        ahead = place > a[:, None]
        slope = np.where(ahead, dx / np.where(ahead, np.maximum(dy, 1e-9), 1.0), -np.inf)
        b = np.where(a < n - 1, slope.argmax(1), a)
        ex, ey = dx[row, b][:, None], dy[row, b][:, None]
        gap = np.where(ahead & (place < b[:, None]), ex * dy - dx * ey, 0.0).max(1)
        deepest = np.maximum(deepest, gap / np.maximum(np.hypot(ex, ey)[:, 0], 1e-9))
        a = b
    return deepest


def _outline(radii: Floats, half: Floats, seen: Floats) -> Floats:
    rows = []
    for side, sign in ((1, -1.0), (0, 1.0)):
        keep = seen[side] > 0.3
        angle = half[side][keep] / radii[keep]
        line = np.stack([sign * radii[keep] * np.sin(angle), radii[keep] * np.cos(angle)], axis=1)
        rows.append(line if side == 1 else line[::-1])
    return readonly(np.concatenate(rows))


def worst_of(teeth: Iterable[ToothWear]) -> int | None:
    """The index of the measured tooth whose drive flank has lost most; None when none was measured."""
    losses = {t.index: t.drive_loss_mm.value for t in teeth if t.drive_loss_mm is not None}
    return max(losses, key=losses.__getitem__, default=None)


def _wheel(
    drive_clockwise: bool,
    datum: Datum,
    teeth: list[ToothWear],
    alone: tuple[Estimate | None, ...],
    flanks: Flanks,
    draws: _Draws,
) -> WheelWear:
    def middle(values: list[float], of_teeth: list[Floats]) -> tuple[Estimate | None, Floats]:
        if not of_teeth:
            return None, np.zeros(0)
        s = np.median(np.stack(of_teeth), axis=0)
        return Estimate(value=float(np.median(values)), std=float(np.std(s))), s

    measured = [t for t in teeth if t.measured]
    loss_estimate, _ = middle([t.drive_loss_mm.value for t in measured if t.drive_loss_mm], draws.loss)
    asym_values = [t.asymmetry_percent.value for t in measured if t.asymmetry_percent]
    asym_estimate, asym_draws = middle(asym_values, draws.asymmetry)
    over_values = [t.overhang_mm.value for t in measured if t.overhang_mm]
    told = len(over_values) >= min(_HOOKS_FROM, math.ceil(len(measured) / 2))
    over_estimate, over_draws = middle(over_values, draws.overhang if told else [])
    thin_estimate, _ = middle(
        [t.tip_thinning_percent.value for t in measured if t.tip_thinning_percent], draws.thinning
    )
    return WheelWear(
        drive_clockwise=drive_clockwise,
        datum=datum,
        teeth=tuple(teeth),
        drive_loss_mm=loss_estimate,
        asymmetry_percent=asym_estimate,
        overhang_mm=over_estimate,
        tip_thinning_percent=thin_estimate,
        coast_fade_mm=flanks.coast_fade,
        worst_tooth=worst_of(teeth),
        drive_loss_alone_mm=alone,
        drive_loss_shared_mm2=readonly(flanks.drive_shared),
        draws_asymmetry=readonly(asym_draws),
        draws_overhang=readonly(over_draws),
    )
