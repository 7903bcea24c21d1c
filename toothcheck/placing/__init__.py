"""Where the sprocket stands, and which tooth count, pitch and scale the photo supports there.

With a card the plane is known and the claimed outline is searched all over it.  A match of more than half of the
outline settles it: no wheel of another size can lie on so much of the right one.  Anything less (a chain lies on the
teeth, or the claim is wrong) is asked again: other counts, other pitches, other scales at the places that they would
have.  What was left to the photo (``auto``) is found from where the gradients' lines meet.

Without a card the plane is taken to face the camera, the pitch gives the scale, and the tilt that fits best is found.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from toothcheck.cards.detect import CardSighting
from toothcheck.claims import Claim
from toothcheck.counting import Fit, around, fit_form, gap_scores, ring_for, rivals
from toothcheck.geometry import Floats
from toothcheck.placing.blind import second_wheel, unclaimed
from toothcheck.placing.facing import place_facing
from toothcheck.placing.forms import (
    DOUBT_SCORE,
    LEAST_SCORE,
    SEARCH_MM,
    SURE_SCORE,
    close_view,
    count_open,
    form_of,
    form_of_like,
    neighbours,
    one_each,
    other_pitches,
    pointed_at,
    polished,
    reach_of,
    settled,
)
from toothcheck.placing.judging import Placed, judged
from toothcheck.pose import PlanePose
from toothcheck.toothform import IsoForm
from toothcheck.tracing.seed import Seed, find, view_plane

__all__ = ["SURE_SCORE", "Placed", "free_scale", "place", "place_facing", "second_wheel"]

_SEARCH_STEP_MM = 0.8
_SCALES = (0.93, 0.95, 1.05, 1.07)
_TWO_SHARE, _TWO_SCORE = 0.72, 0.33
_SEEN_GAP, _SIZE_GAIN = 0.5, 0.08
"""Share of a gap's outline that must match for it to be seen; how much more of the whole outline another size must
match, at the gaps seen, to be the sprocket's (10 photos on the bike, half of the outline hidden: 0.04 at most with all
told right; 10 tries with the card's height told 12 mm wrong: 8 times 0.09 to 0.23, else 0.02 and 0.06)."""


def place(grey: NDArray[np.uint8], plane: PlanePose, claim: Claim, card: CardSighting | None) -> Placed | None:
    """Find the claimed sprocket, or what stands there instead, on a known plane; None when there is nothing like it.

    Parameters
    ----------
    card
        Its outlines are left out where centres are voted for.
    """
    view = view_plane(grey, plane, reach_mm=SEARCH_MM, step_mm=_SEARCH_STEP_MM)
    flags: list[str] = []
    fits: list[Fit] = []
    claimed: IsoForm | None = None
    near = None if claim.near_px is None else plane.on_plane(np.array(claim.near_px))
    if claim.chain is not None and claim.teeth is not None:
        claimed = form_of(claim.chain, claim.teeth)
        seeds = find(view, claimed, drive_clockwise=claim.drive_clockwise)
        if near is not None:
            seeds = _worth(seeds, claimed, near)
        if near is None and _several(seeds, claimed):
            flags.append("two-sprockets")
        if seeds:
            fits = _weighed(grey, plane, claimed, seeds[0], claim, sure=seeds[0].score >= SURE_SCORE)
    if not fits or max(f.score for f in fits if f.scale == 1.0) < DOUBT_SCORE:
        fits = fits + unclaimed(grey, plane, view, claim, card)
    fits = one_each(pointed_at(fits, near))
    if claim.teeth is not None and count_open(fits[0] if fits else None, claim.teeth):
        # whatever count there is, once
        fits = one_each(fits + pointed_at(unclaimed(grey, plane, view, claim, card, every_count=True), near))
    if claim.teeth is None and claim.chain is not None:
        if not fits or fits[0].score < SURE_SCORE:
            # no count of this chain lies on half of an outline: ask for whatever chain there is, once
            free = unclaimed(grey, plane, view, replace(claim, chain=None), card)
            fits = one_each(fits + pointed_at(free, near))
        # only what lies on half of an outline speaks against the chain that was told
        fits = [f for f in fits if f.form.pitch_mm == claim.chain.pitch_mm or f.score >= SURE_SCORE]
    if not fits or fits[0].score < LEAST_SCORE:
        return None
    return judged(plane, claim, claimed, fits, flags)


def _worth(seeds: list[Seed], form: IsoForm, near_mm: Floats) -> list[Seed]:
    """Seeds of wheels in which the place pointed at lies, nearest first, as far as they are worth anything."""
    if not seeds:
        return []
    away = {s: math.dist(s.centre_mm, (float(near_mm[0]), float(near_mm[1]))) for s in seeds}
    worth = [s for s in seeds if s.score > 0.5 * seeds[0].score and away[s] < reach_of(form)]
    return sorted(worth, key=away.__getitem__)


def _several(seeds: list[Seed], form: IsoForm) -> bool:
    """Whether another place far enough away matches nearly as well."""
    return any(
        s.score > max(_TWO_SCORE, _TWO_SHARE * seeds[0].score)
        and math.dist(s.centre_mm, seeds[0].centre_mm) > 1.2 * form.pitch_radius_mm
        for s in seeds[1:]
    )


def _weighed(
    grey: NDArray[np.uint8], plane: PlanePose, form: IsoForm, seed: Seed, claim: Claim, *, sure: bool
) -> list[Fit]:
    """The claimed form at a seed, and what else could stand there, best first."""
    close = close_view(grey, plane, form.tip_radius_mm, seed.centre_mm)
    start = fit_form(ring_for(close, form, 1.0, seed.centre_mm), form, np.ones(1))
    own = settled(close, start)
    if sure:
        return [own]
    others = [(form_of_like(form, z), 1.0) for z in neighbours(form.teeth)]
    if claim.chain is not None:
        others += [(form_of(c, form.teeth), 1.0) for c in other_pitches(claim.chain)]
    others += [(form, s) for s in _SCALES]
    fits = polished(close, rivals(close, own, others))
    own = polished(close, [own])[0]
    if fits and fits[0].score > own.score and fits[0].form.teeth != form.teeth:
        # from the better place its own neighbours may be better still
        better = fits[0]
        around_it = [(form_of_like(form, z), 1.0) for z in neighbours(better.form.teeth) if z != form.teeth]
        fits += polished(close, rivals(close, better, around_it))
    return sorted([own, *fits], key=lambda f: -f.score)


def free_scale(grey: NDArray[np.uint8], placed: Placed) -> float:
    """By how much the placed outline is best enlarged, where it could not be traced; 1 where it fits as is.

    Only gaps that are seen say so, in one size or the other: where a chain lies, its plates and pins match some size
    best, too, though it is none of the sprocket's.  The place may have been found with the scale a little free, and for
    the size as it is be aside: that is given its own best place, where the two outlines touch.
    """
    form = placed.form
    close = close_view(grey, placed.plane, form.tip_radius_mm, (0.0, 0.0), 8)
    start = fit_form(ring_for(close, form, 1.0, (0.0, 0.0)), form, np.ones(1))
    free = around(close, start, scale_std=0.01)
    fixed = max(around(close, start), *rivals(close, free, [(form, 1.0)]), key=lambda f: f.score)
    # each counts its gaps from where its phase stands within one pitch
    turned = round((free.phase - fixed.phase) / form.pitch_angle)
    scores = np.stack([np.roll(gap_scores(close, free), turned), gap_scores(close, fixed)])
    seen = scores.max(0) > _SEEN_GAP
    gain = float((scores[0] - scores[1])[seen].sum()) / form.teeth
    return free.scale if gain > _SIZE_GAIN else 1.0
