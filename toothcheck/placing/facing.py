"""Without a card: a plane that faces the camera, the scale from the pitch, the tilt that fits best."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from toothcheck.claims import Claim
from toothcheck.counting import Fit, around, concentric, fit_form, ring_for, rivals, unwound
from toothcheck.geometry import Floats
from toothcheck.placing.blind import softened
from toothcheck.placing.forms import (
    COUNTS,
    DOUBT_SCORE,
    LEAST_SCORE,
    close_view,
    count_open,
    form_of,
    form_of_like,
    neighbours,
    pointed_at,
)
from toothcheck.placing.judging import Placed, judged
from toothcheck.pose import Camera, PlanePose, whole_lenses
from toothcheck.toothform import IsoForm
from toothcheck.tracing.seed import PlaneView, find, view_plane

_UNITS = 240.0
"""The photo's shorter side is taken to be so many mm until the pitch has told the scale."""


def place_facing(grey: NDArray[np.uint8], focals_35mm: tuple[float, ...], claim: Claim) -> Placed | None:
    """Without a card: the plane on which the claimed wheel lies, by its pitch; None when nothing fits.

    The plane is first taken to face the camera, in units of the photo's shorter side; the form's scale that fits best
    gives the distance, then the tilt is searched uphill.  At last other counts are asked, each at the scale at which
    its circles are the same: seats and gaps then tell them apart.

    Raises
    ------
    ValueError
        When the claim names no chain: nothing would give the scale.
    """
    if claim.chain is None:
        raise ValueError("claim must name a chain where there is no card, not None")
    height, width = grey.shape
    focal = whole_lenses(width, height, focals_35mm)[0].focal_px  # a plane that faces any lens alike
    camera = Camera(width_px=width, height_px=height, focal_px=focal)
    unit = min(width, height) / _UNITS
    plane = PlanePose(
        camera=camera, camera_from_plane=np.diag([1.0, -1.0, -1.0]), origin_mm=np.array([0.0, 0.0, focal / unit])
    )
    view = view_plane(grey, plane, reach_mm=1e4, step_mm=0.8)
    best = _best_placed(grey, view, plane, claim, every_count=False)
    if claim.teeth is not None and count_open(None if best is None else best[1], claim.teeth):
        # whatever count there is, once
        best = _best_placed(grey, view, plane, claim, every_count=True)
    if best is None or best[1].score < LEAST_SCORE:
        return None
    plane, own = best
    form = own.form
    close = close_view(grey, plane, form.tip_radius_mm, (0.0, 0.0), 8)
    others = [form_of_like(form, z) for z in neighbours(form.teeth)]
    fits = [own, *rivals(close, own, [(f, form.pitch_radius_mm / f.pitch_radius_mm) for f in others], keep=4)]
    best_fit = max(fits, key=lambda f: f.score)
    if best_fit is not own:  # the plane is as far away as that count's pitch says
        plane = replace(plane, origin_mm=plane.origin_mm / best_fit.scale)
        best_fit = replace(
            best_fit, centre_mm=(best_fit.centre_mm[0] / best_fit.scale, best_fit.centre_mm[1] / best_fit.scale)
        )
    fits = [replace(f, scale=1.0) for f in (best_fit, *(f for f in fits if f.form.teeth != best_fit.form.teeth))]
    claimed = None if claim.teeth is None else form_of(claim.chain, claim.teeth)
    return judged(plane, claim, claimed, fits, [])


def _best_placed(
    grey: NDArray[np.uint8], view: PlaneView, plane: PlanePose, claim: Claim, *, every_count: bool
) -> tuple[PlanePose, Fit] | None:
    """The best form of free scale, and the plane that it lies on by its pitch and tilt."""
    best: tuple[PlanePose, Fit] | None = None
    for fit in _any_scale(view, plane, claim, every_count=every_count)[:2]:
        # in true mm the plane is nearer or farther by the scale
        true = replace(plane, origin_mm=plane.origin_mm / fit.scale)
        centre = (fit.centre_mm[0] / fit.scale, fit.centre_mm[1] / fit.scale)
        tried = _tilted(grey, true.moved(centre_mm=np.array(centre)), replace(fit, scale=1.0, centre_mm=(0.0, 0.0)))
        if best is None or tried[1].score > best[1].score:
            best = tried
    return best


def _any_scale(view: PlaneView, plane: PlanePose, claim: Claim, *, every_count: bool) -> list[Fit]:
    """Forms of free scale wherever circles are concentric; failing that, searched scale by scale."""
    assert claim.chain is not None
    counts = COUNTS if claim.teeth is None or every_count else [claim.teeth, *neighbours(claim.teeth)]
    forms = [form_of(claim.chain, z) for z in counts]
    soft = softened(view, 1.0)
    centres = concentric(view, 0.5 * _UNITS, 6)
    near = None if claim.near_px is None else plane.on_plane(np.array(claim.near_px))
    if near is not None:
        centres = [(float(near[0]), float(near[1])), *centres]
    fits = []
    for centre in centres:
        ring = unwound(soft, centre, 5.0, 0.6 * _UNITS)
        fits += [fit_form(ring, form, _scales_in_view(form)) for form in forms]
    fits = sorted(pointed_at(fits, near), key=lambda f: -f.score)[:6]
    fits = [around(soft, f, reach_mm=3.0, scale_std=0.01) for f in fits]
    fits = sorted((around(view, f, scale_std=0.006) for f in fits), key=lambda f: -f.score)
    if claim.teeth is not None and not every_count and (not fits or fits[0].score < DOUBT_SCORE):
        form = forms[0]
        scales = _scales_in_view(form)
        coarse = replace(view, field=np.ascontiguousarray(soft.field[::2, ::2]), step_mm=2 * view.step_mm)
        for scale in scales[len(scales) // 3 :: 4]:
            shrunk = replace(
                coarse,
                step_mm=coarse.step_mm / scale,
                x_min_mm=coarse.x_min_mm / scale,
                y_min_mm=coarse.y_min_mm / scale,
            )
            for seed in find(shrunk, form, count=1):
                centre = (seed.centre_mm[0] * scale, seed.centre_mm[1] * scale)
                fits.append(Fit(form=form, scale=float(scale), phase=seed.phase, score=seed.score, centre_mm=centre))
        fits = sorted(pointed_at(fits, near), key=lambda f: -f.score)
        fits = sorted((around(view, f, scale_std=0.01) for f in fits[:4]), key=lambda f: -f.score)
    return [f for f in fits if f.score > 0.15]


def _scales_in_view(form: IsoForm) -> Floats:
    """Scales from a wheel of a fifth of the photo's shorter side to one that just leaves it."""
    low, high = 0.1 * _UNITS / form.tip_radius_mm, 0.55 * _UNITS / form.tip_radius_mm
    scales: Floats = np.exp(np.arange(math.log(low), math.log(high), 0.012))
    return scales


def _tilted(grey: NDArray[np.uint8], plane: PlanePose, fit: Fit) -> tuple[PlanePose, Fit]:
    """Uphill over two tilts of the plane about the wheel's centre, its place and scale following."""

    def at(base: PlanePose, tilt: Floats, start: Fit) -> tuple[PlanePose, Fit]:
        turned = base.moved(tilt=tilt)
        close = close_view(grey, turned, start.form.tip_radius_mm, (0.0, 0.0), 8)
        begin = fit_form(
            ring_for(close, start.form, start.scale, start.centre_mm), start.form, start.scale * np.ones(1)
        )
        return turned, around(close, begin, scale_std=0.006)

    best = at(plane, np.zeros(2), fit)
    step = 0.2
    while step > 0.03:
        moved = False
        for tilt in ((step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step)):
            tried = at(best[0], np.array(tilt), best[1])
            if tried[1].score > best[1].score + 0.003:
                best, moved = tried, True
                break
        if not moved:
            step /= 2
    turned, found = best
    moved_to = turned.moved(centre_mm=np.array(found.centre_mm))
    # true mm again: what the wheel had to be enlarged by, the plane is nearer
    near = replace(moved_to, origin_mm=moved_to.origin_mm / found.scale)
    return near, replace(found, scale=1.0, centre_mm=(0.0, 0.0))
