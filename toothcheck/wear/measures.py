"""The measures of each tooth and the wheel's medians, as measures.md defines them."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.geometry import Bools, Floats, readonly
from toothcheck.tooth import ToothRing
from toothcheck.wear.datum import Datum, DatumPriors, fit_datum
from toothcheck.wear.flanks import DRAWS, Flanks, flanks_of
from toothcheck.wear.hooks import Hook
from toothcheck.wear.pocket import along_drive
from toothcheck.wear.spread import estimated
from toothcheck.wear.tips import at_tip, bevel_of, circle_of
from toothcheck.wear.worn import ToothWear, WheelWear, worst_of

_TIP_MEASURES = {"tip_thickness_mm", "tip_thinning_percent"}
_HOOK_MEASURES = {"overhang_mm", "hollow_mm"}
_HOOKS_FROM = 3
"""How many teeth must show whether they are hooked for the wheel's median, or half of them where fewer are measured."""
_ASIDE_FROM, _ASIDE_MM, _ASIDE_DOUBTS, _ASIDE_NEAR = 6, 0.06, 2, 3
"""The fewest teeth that show how they usually stand, the least that both flanks must have moved, by how many standard
uncertainties of its own a tooth must have, and the neighbours on each side that they are held against."""


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
    tips, leaning = dict(ring.tips_apart), dict(ring.leaning)
    lips = rng.spawn(1)[0]
    lost = lips.standard_normal(DRAWS)
    circle = circle_of(form, lips.spawn(1)[0])
    bevel = bevel_of(form, flanks, lips)
    for i in range(ring.teeth):
        flags = ring.tooth_flags[i]
        if not flags and not flanks.clear[i]:
            flags = ("unclear-edge",)
        doubts = (*(("leans",) if i in leaning else ()), *(("tip-differs",) if i in tips else ()))
        higher, leans = tips.get(i), leaning.get(i)
        if flags:
            why = (*flags, *doubts)
            teeth.append(ToothWear(index=i, measured=False, flags=why, tip_higher_mm=higher, leans_deg=leans))
            continue
        half = ideal - flanks.loss[:, i]
        half_draws = flanks.ideal_draws[:, None, :] - flanks.draws[:, :, i]
        tip, thinning = at_tip(form, flanks, i, ideal, half, half_draws, bevel, circle)
        if thinning is not None:
            draws.thinning.append(thinning)
        drive = along_drive(ring, form, flanks, i, half[0, :-1], half_draws[:, 0, :-1])
        drive |= _hooked(flanks.hooks[i], lost, lips, draws)
        teeth.append(
            ToothWear(
                index=i,
                measured=True,
                flags=(
                    *(("stands-aside",) if aside[i] else ()),
                    *doubts,
                    *(("tip-unmeasured",) if not _TIP_MEASURES <= tip.keys() else ()),
                    *(("hook-unseen",) if not _HOOK_MEASURES <= drive.keys() else ()),
                ),
                tip_higher_mm=higher,
                leans_deg=leans,
                outline_mm=_outline(flanks.radii, half[:, :-1], flanks.seen[:, i, :-1]),
                **_at_pitch(flanks, i, half[:, -1], half_draws[..., -1], draws),
                **tip,
                **drive,
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
    # edges that are hard to see may lie anywhere within their own doubt
    doubt = np.hypot(*flanks.alone_std) / 2
    out: Bools = (
        clear
        & (drive * coast < 0)
        & (np.minimum(np.abs(drive), np.abs(coast)) > _ASIDE_MM)
        & (np.abs(drive + coast) < np.abs(shift))
        & (np.abs(shift) > np.maximum(4 * usual, _ASIDE_DOUBTS * doubt))
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
        "drive_loss_mm": estimated(flanks.loss[0, i, -1], flanks.draws[:, 0, i, -1]),
        "coast_loss_mm": estimated(flanks.loss[1, i, -1], flanks.draws[:, 1, i, -1]),
        "thickness_mm": estimated(half.sum(), half_draws.sum(1)),
        "asymmetry_percent": estimated(float(_asymmetry(half[:1], half[1:])[0]), asymmetry),
    }


def _hooked(hook: Hook | None, lost: Floats, rng: np.random.Generator, draws: _Draws) -> dict[str, Estimate]:
    """The overhang; ``lost`` (draws,) are standard normal and the same for all teeth: lips are lost on all alike."""
    if hook is None:
        return {}
    shift = hook.std * rng.standard_normal(len(lost)) + hook.lost * lost
    draws.overhang.append(hook.value + shift)
    return {"overhang_mm": Estimate(value=hook.value, std=math.hypot(hook.std, hook.lost))}


def _asymmetry(drive: Floats, coast: Floats) -> Floats:
    """Per cent, of half thicknesses (…,) at the pitch circle."""
    out: Floats = 100 * (coast - drive) / (2 * np.maximum(coast, 0.1))
    return out


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
