"""Looking without a claim: any count, any pitch, wherever circles are concentric."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.cards.detect import CardSighting
from toothcheck.chains import CHAINS, Chain
from toothcheck.claims import Claim
from toothcheck.counting import Fit, around, beside, concentric, fit_form, ring_for, rivals, unwound
from toothcheck.placing.forms import (
    COUNTS,
    DOUBT_SCORE,
    SEARCH_MM,
    SURE_SCORE,
    close_view,
    form_of,
    form_of_like,
    neighbours,
    one_each,
    other_pitches,
    pointed_at,
    polished,
    settled,
)
from toothcheck.placing.judging import Placed
from toothcheck.pose import PlanePose
from toothcheck.toothform import IsoForm
from toothcheck.tracing.seed import PlaneView, find, view_plane

_CENTRES = 2
_SECOND_SCORE, _SECOND_VOTES = 0.4, 0.12


def without_card(view: PlaneView, plane: PlanePose, card: CardSighting | None) -> PlaneView:
    """The view with the card (or each marker of a mat) blanked: its straight edges outvote every circle."""
    if card is None:
        return view
    corners = plane.on_plane(card.corners_px.reshape(-1, 2)).reshape(-1, 4, 2)
    shapes = [corners.reshape(-1, 2)] if card.layout.name == "pocket" else list(corners)
    field = view.field.copy()
    for shape in shapes:
        at = ((shape - (view.x_min_mm, view.y_min_mm)) / view.step_mm).astype(np.float32)
        hull = cv2.convexHull(at).reshape(-1, 2)
        middle = hull.mean(0)
        wider = middle + (hull - middle) * (1 + 6 / view.step_mm / max(float(np.hypot(*(hull - middle).T).mean()), 1.0))
        blank = np.zeros(field.shape, np.uint8)
        cv2.fillConvexPoly(blank, np.rint(wider).astype(np.int32), 1)
        field[blank > 0] = 0
    return replace(view, field=field)


def softened(view: PlaneView, mm: float) -> PlaneView:
    """The view's field blurred, so that a form matches from further away."""
    pairs = view.field.view(np.float32).reshape(*view.field.shape, 2)
    soft = np.ascontiguousarray(cv2.GaussianBlur(pairs, (0, 0), mm / view.step_mm))
    return replace(view, field=soft.view(np.complex64)[..., 0])


def unclaimed(
    grey: NDArray[np.uint8],
    plane: PlanePose,
    view: PlaneView,
    claim: Claim,
    card: CardSighting | None,
    *,
    every_count: bool = False,
) -> list[Fit]:
    """The best fits of other counts (any, where none was claimed; and any pitch) wherever circles are concentric.

    Parameters
    ----------
    every_count
        Whether to ask every count though one was claimed.
    """
    bare = without_card(view, plane, card)
    soft = softened(bare, 1.2)
    base = claim.chain or CHAINS["520"]
    pairs: list[Fit] = []
    counts = COUNTS if claim.teeth is None or every_count else [claim.teeth, *neighbours(claim.teeth)]
    for centre in concentric(bare, 120.0, 5):
        pairs += table(soft, centre, base, counts, free=claim.chain is None)[:1]
        if claim.chain is not None and claim.teeth is not None and not every_count:
            pairs += table(soft, centre, base, [claim.teeth], free=True)  # another pitch, or another scale
    if claim.near_px is not None:
        pairs = pointed_at(pairs, plane.on_plane(np.array(claim.near_px)))
    pairs.sort(key=lambda f: -f.score)
    out: list[Fit] = []
    for fit in pairs[:_CENTRES]:
        fit = around(soft, fit, reach_mm=3.0, scale_std=0.01)
        radius = fit.form.tip_radius_mm * fit.scale
        close = close_view(grey, plane, radius, fit.centre_mm)
        fit = around(close, fit, scale_std=0.005 if claim.chain is None else 0.0)
        forms = _exact_forms(fit, claim)
        if not forms:
            continue
        exact = polished(close, rivals(close, fit, forms, keep=4))
        if exact and exact[0].score < SURE_SCORE and (aside := beside(close, exact[0])) is not exact[0]:
            exact = one_each(exact + polished(close, [aside, *rivals(close, aside, forms, keep=3)]))
        if exact and exact[0].form.teeth != fit.form.teeth:
            more = rivals(close, exact[0], _exact_forms(exact[0], claim), keep=3)
            exact = one_each(exact + polished(close, more))
        out += exact
        if exact and exact[0].score >= SURE_SCORE:
            break
    doubted = not out or max(f.score for f in out) < DOUBT_SCORE
    if doubted and not every_count and (claim.teeth is None or claim.chain is None):
        # where neither was claimed, the two commonest pitches only: the search is long enough
        chains = [claim.chain] if claim.chain is not None else [CHAINS["428"], CHAINS["520"]]
        teeth = [claim.teeth] if claim.teeth is not None else COUNTS
        out += _every_form(grey, plane, [form_of(c, z) for c in chains for z in teeth])
    return out


def table(
    soft: PlaneView,
    centre: tuple[float, float],
    base: Chain,
    counts: Sequence[int],
    *,
    free: bool,
    step_mm: float = 0.4,
) -> list[Fit]:
    """Each count's best fit at a centre, best first; the scale free, or within the reach of a centre that is off."""
    ring = unwound(soft, centre, 8.0, 140.0)
    out = []
    for z in counts:
        form = form_of(base, z)
        low = max(0.5 if free else 0.94, 1.3 * ring.first_mm / form.pitch_radius_mm)
        high = min(1.7 if free else 1.06, ring.last_mm / form.tip_radius_mm)
        if high > low:
            scales = np.exp(np.arange(math.log(low), math.log(high), step_mm / form.pitch_radius_mm))
            out.append(fit_form(ring, form, scales))
    return sorted(out, key=lambda f: -f.score)


def _exact_forms(fit: Fit, claim: Claim) -> list[tuple[IsoForm, float]]:
    """Real forms near a fit of free scale: counts about the fitted one, chains of a pitch about the fitted one."""
    counts = [fit.form.teeth + k for k in range(-4, 5)]
    radius = fit.form.pitch_radius_mm * fit.scale
    usual = claim.chain is not None and abs(fit.scale - 1) < 0.06
    chains = [claim.chain] if usual and claim.chain is not None else other_pitches(None)
    out = []
    for z in counts:
        for c in chains:
            if z >= COUNTS.start:
                form = form_of(c, z)
                if usual or abs(form.pitch_radius_mm / radius - 1) < 0.04 + 0.6 / z:
                    out.append((form, 1.0))
    return out


def _every_form(grey: NDArray[np.uint8], plane: PlanePose, forms: Sequence[IsoForm]) -> list[Fit]:
    """The last resort: each form searched all over the plane, coarsely."""
    coarse = view_plane(grey, plane, reach_mm=200.0, step_mm=1.3)
    tops = []
    for form in forms:
        seeds = find(coarse, form, count=1)
        if seeds:
            tops.append((seeds[0].score, form, seeds[0]))
    tops.sort(key=lambda t: -t[0])
    out: list[Fit] = []
    for _, form, seed in tops[:2]:
        close = close_view(grey, plane, form.tip_radius_mm, seed.centre_mm)
        own = settled(close, fit_form(ring_for(close, form, 1.0, seed.centre_mm), form, np.ones(1)), reach_mm=2.0)
        out += [own, *rivals(close, own, [(form_of_like(form, z), 1.0) for z in neighbours(form.teeth)])]
    return out


def second_wheel(grey: NDArray[np.uint8], plane: PlanePose, placed: Placed, card: CardSighting | None) -> int | None:
    """Tooth count of another sprocket beside the placed one, of whatever chain, if there is one.

    Parameters
    ----------
    plane
        On which ``placed`` was found.
    """
    view = view_plane(grey, plane, reach_mm=SEARCH_MM, step_mm=1.0)
    bare = without_card(view, plane, card)
    own = plane.on_plane(placed.plane.project(np.zeros((1, 2))))[0]
    soft: PlaneView | None = None
    for centre in concentric(bare, 90.0, 4, least_share=_SECOND_VOTES):
        # a chain's far run and its links stand just outside the tips
        if math.dist(centre, (float(own[0]), float(own[1]))) < placed.form.tip_radius_mm + 15:
            continue
        soft = soft or softened(bare, 1.2)
        for fit in table(soft, centre, placed.chain, range(9, 50), free=True, step_mm=0.8)[:1]:
            if fit.score < 0.4 * _SECOND_SCORE:
                continue
            rough = around(soft, fit, reach_mm=3.0, scale_std=0.01)
            close = close_view(grey, plane, fit.form.tip_radius_mm * rough.scale, rough.centre_mm, 4.0)
            better = around(close, rough, scale_std=0.005)
            if better.score > _SECOND_SCORE:
                return better.form.teeth
    return None
