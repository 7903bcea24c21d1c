"""Where the sprocket stands, and which tooth count, pitch and scale the photo supports there.

With a card the plane is known and the claimed outline is searched all over it.  A match of more than half of the
outline settles it: no wheel of another size can lie on so much of the right one.  Anything less (a chain lies on the
teeth, or the claim is wrong) is asked again: other counts, other pitches, other scales at the places that they would
have.  What was left to the photo (``auto``) is found from where the gradients' lines meet.

Without a card the plane is taken to face the camera, the pitch gives the scale, and the tilt that fits best is found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.cards.detect import CardSighting
from toothcheck.chains import CHAINS, Chain
from toothcheck.claims import Claim, Found, chain_shares
from toothcheck.counting import Fit, around, concentric, fit_form, ring_for, rivals, unwound
from toothcheck.geometry import Floats
from toothcheck.pose import Camera, PlanePose, focal_prior
from toothcheck.toothform import IsoForm
from toothcheck.tracing.seed import PlaneView, Seed, find, view_plane

SURE_SCORE = 0.52
"""Share of the outline matched from which on no other count, pitch or scale is asked: a wheel of the wrong size was
never seen to match more than 0.45."""
LEAST_SCORE = 0.22
"""Share of the outline that must have a matching edge for there to be a sprocket at all."""
_DOUBT_SCORE = 0.42
_SEARCH_MM, _SEARCH_STEP_MM, _CLOSE_STEP_MM = 300.0, 0.8, 0.4
_SHARPNESS = 45.0
"""Log-odds for a share of the outline: 0.05 more of it is ten to one."""
_OTHER_COUNT, _OTHER_PITCH, _OTHER_SCALE = 0.3, 0.3, 0.2
"""How likely each way of being wrong is, against the claim, before looking (our own guess)."""
_COUNTS = range(9, 61)
_SCALES = (0.93, 0.95, 1.05, 1.07)
_TRUE_SCALE_STD, _TRUE_SCALE_MOST = 0.02, 0.045
"""By how much card, lens and lean take the scale at the sprocket out in a photo with nothing wrong."""
_SCALE_MARGIN = 0.1
_SECOND_SCORE = 0.4
_TWO_SHARE, _TWO_SCORE = 0.72, 0.33
_FACING_UNITS = 240.0
"""Without a card the photo's shorter side is taken to be so many mm until the pitch has told the scale."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """A sprocket's place on a plane, and what the photo says of the claims there."""

    plane: PlanePose
    """The face, origin at the sprocket's centre."""
    chain: Chain
    teeth: int
    phase: float
    score: float
    found: Found
    pitches: dict[tuple[float, float], float]
    """Weights of (pitch, roller diameter)."""
    flags: tuple[str, ...]
    notes: tuple[str, ...]
    """Sentences with numbers for the flags."""

    @property
    def form(self) -> IsoForm:
        """The ideal form midway between the limits."""
        return form_of(self.chain, self.teeth)


def form_of(chain: Chain, teeth: int) -> IsoForm:
    """The form of a chain's sprocket midway between the limit forms."""
    return IsoForm(pitch_mm=chain.pitch_mm, roller_diameter_mm=chain.roller_diameter_mm, teeth=teeth)


def place(grey: NDArray[np.uint8], plane: PlanePose, claim: Claim, card: CardSighting | None) -> Placed | None:
    """Find the claimed sprocket, or what stands there instead, on a known plane; None when there is nothing like it.

    Parameters
    ----------
    card
        Its outlines are left out where centres are voted for.
    """
    view = view_plane(grey, plane, reach_mm=_SEARCH_MM, step_mm=_SEARCH_STEP_MM)
    flags: list[str] = []
    fits: list[Fit] = []
    claimed: IsoForm | None = None
    if claim.chain is not None and claim.teeth is not None:
        claimed = form_of(claim.chain, claim.teeth)
        seeds = _near(find(view, claimed, drive_clockwise=claim.drive_clockwise), plane, claim)
        if claim.near_px is None and _several(seeds, claimed):
            flags.append("two-sprockets")
        if seeds:
            fits = _weighed(grey, plane, claimed, seeds[0], claim, sure=seeds[0].score >= SURE_SCORE)
    if not fits or max(f.score for f in fits if f.scale == 1.0) < _DOUBT_SCORE:
        fits = fits + _unclaimed(grey, plane, view, claim, card)
    fits = _one_each(fits)
    if not fits or fits[0].score < LEAST_SCORE:
        return None
    return _judged(plane, claim, claimed, fits, flags)


def _one_each(fits: list[Fit]) -> list[Fit]:
    """The best fit of each form and scale, best first."""
    out: dict[tuple[int, float, float, float], Fit] = {}
    for f in sorted(fits, key=lambda f: -f.score):
        out.setdefault((f.form.teeth, f.form.pitch_mm, f.form.roller_diameter_mm, round(f.scale, 3)), f)
    return list(out.values())


def _near(seeds: list[Seed], plane: PlanePose, claim: Claim) -> list[Seed]:
    """Seeds in order of distance from where the user pointed, as far as they are worth anything."""
    if claim.near_px is None or not seeds:
        return seeds
    near = plane.on_plane(np.array(claim.near_px))
    worth = [s for s in seeds if s.score > 0.5 * seeds[0].score]
    return sorted(worth, key=lambda s: math.dist(s.centre_mm, (float(near[0]), float(near[1]))))


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
    close = view_plane(
        grey, plane, reach_mm=form.tip_radius_mm + 16, step_mm=_CLOSE_STEP_MM, around_mm=np.array(seed.centre_mm)
    )
    start = fit_form(ring_for(close, form, 1.0, seed.centre_mm), form, np.ones(1))
    own = around(close, start)
    if sure:
        return [own]
    others = [(form_of_like(form, z), 1.0) for z in _neighbours(form.teeth)]
    if claim.chain is not None:
        others += [(form_of(c, form.teeth), 1.0) for c in _other_pitches(claim.chain)]
    others += [(form, s) for s in _SCALES]
    fits = _polished(close, rivals(close, own, others))
    own = _polished(close, [own])[0]
    if fits and fits[0].score > own.score and fits[0].form.teeth != form.teeth:
        # from the better place its own neighbours may be better still
        better = fits[0]
        around_it = [(form_of_like(form, z), 1.0) for z in _neighbours(better.form.teeth) if z != form.teeth]
        fits += _polished(close, rivals(close, better, around_it))
    return sorted([own, *fits], key=lambda f: -f.score)


def _polished(view: PlaneView, fits: list[Fit]) -> list[Fit]:
    """Fits with the scale let go as far as it may be out with nothing wrong, and the score charged for it."""
    out = []
    for fit in fits:
        if fit.scale != 1.0:
            out.append(fit)
            continue
        free = around(view, fit, scale_std=0.008)
        off = abs(free.scale - 1)
        charge = 0.5 * (off / _TRUE_SCALE_STD) ** 2 / _SHARPNESS
        better = off < _TRUE_SCALE_MOST and free.score - charge > fit.score
        out.append(replace(free, scale=1.0, score=free.score - charge) if better else fit)
    return sorted(out, key=lambda f: -f.score)


def form_of_like(form: IsoForm, teeth: int) -> IsoForm:
    """The same pitch and roller with another count."""
    return IsoForm(pitch_mm=form.pitch_mm, roller_diameter_mm=form.roller_diameter_mm, teeth=teeth)


def _neighbours(teeth: int) -> list[int]:
    return [z for z in range(teeth - 5, teeth + 6) if z != teeth and z >= _COUNTS.start]


def _other_pitches(chain: Chain | None) -> list[Chain]:
    """One chain for each pitch but the given one's: the first of the table, where motorcycle sizes stand first."""
    by_pitch: dict[float, Chain] = {}
    for c in CHAINS.values():
        if 8 < c.pitch_mm < 25 and (chain is None or c.pitch_mm != chain.pitch_mm):
            by_pitch.setdefault(c.pitch_mm, c)
    return list(by_pitch.values())


def free_scale(grey: NDArray[np.uint8], placed: Placed) -> float:
    """By how much the placed outline is best enlarged, where it could be placed but not traced."""
    form = placed.form
    close = view_plane(
        grey, placed.plane, reach_mm=form.tip_radius_mm + 8, step_mm=_CLOSE_STEP_MM, around_mm=np.zeros(2)
    )
    start = fit_form(ring_for(close, form, 1.0, (0.0, 0.0)), form, np.ones(1))
    return around(close, start, scale_std=0.01).scale


def second_wheel(grey: NDArray[np.uint8], plane: PlanePose, placed: Placed, card: CardSighting | None) -> int | None:
    """Tooth count of another sprocket beside the placed one, of whatever chain, if there is one.

    Parameters
    ----------
    plane
        On which ``placed`` was found.
    """
    view = view_plane(grey, plane, reach_mm=_SEARCH_MM, step_mm=1.0)
    bare = _without_card(view, plane, card)
    own = plane.on_plane(placed.plane.project(np.zeros((1, 2))))[0]
    rows, columns = bare.field.shape
    y, x = np.ogrid[:rows, :columns]
    away = np.hypot(x * view.step_mm + view.x_min_mm - own[0], y * view.step_mm + view.y_min_mm - own[1])
    # a chain's far run and its links stand just outside the tips
    rest = replace(bare, field=np.where(away > placed.form.tip_radius_mm + 2, bare.field, 0).astype(np.complex64))
    soft = _softened(rest, 1.2)
    for centre in concentric(rest, 120.0, 2):
        if math.dist(centre, (float(own[0]), float(own[1]))) < placed.form.tip_radius_mm + 15:
            continue
        for fit in _table(soft, centre, placed.chain, range(9, 50), free=True, step_mm=0.8)[:1]:
            better = around(rest, around(soft, fit, reach_mm=3.0, scale_std=0.01), scale_std=0.005)
            if better.score > _SECOND_SCORE:
                return better.form.teeth
    return None


# --- without a claim -----------------------------------------------------------------------------------------


def _without_card(view: PlaneView, plane: PlanePose, card: CardSighting | None) -> PlaneView:
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


def _softened(view: PlaneView, mm: float) -> PlaneView:
    """The view's field blurred, so that a form matches from further away."""
    pairs = view.field.view(np.float32).reshape(*view.field.shape, 2)
    soft = np.ascontiguousarray(cv2.GaussianBlur(pairs, (0, 0), mm / view.step_mm))
    return replace(view, field=soft.view(np.complex64)[..., 0])


def _unclaimed(
    grey: NDArray[np.uint8], plane: PlanePose, view: PlaneView, claim: Claim, card: CardSighting | None
) -> list[Fit]:
    """The best fits of other counts (any, where none was claimed; and any pitch) wherever circles are concentric."""
    bare = _without_card(view, plane, card)
    soft = _softened(bare, 1.2)
    base = claim.chain or CHAINS["520"]
    pairs: list[Fit] = []
    counts = _COUNTS if claim.teeth is None else [claim.teeth, *_neighbours(claim.teeth)]
    for centre in concentric(bare, 120.0, 5):
        pairs += _table(soft, centre, base, counts, free=claim.chain is None)[:3]
        if claim.chain is not None and claim.teeth is not None:
            pairs += _table(soft, centre, base, [claim.teeth], free=True)  # another pitch, or another scale
    if claim.near_px is not None:
        near = plane.on_plane(np.array(claim.near_px))
        pairs = [
            f for f in pairs if math.dist(f.centre_mm, (float(near[0]), float(near[1]))) < 1.2 * f.form.tip_radius_mm
        ]
    pairs.sort(key=lambda f: -f.score)
    out: list[Fit] = []
    for fit in pairs[:3]:
        fit = around(soft, fit, reach_mm=3.0, scale_std=0.01)
        radius = fit.form.tip_radius_mm * fit.scale
        close = view_plane(grey, plane, reach_mm=radius + 16, step_mm=_CLOSE_STEP_MM, around_mm=np.array(fit.centre_mm))
        fit = around(close, fit, scale_std=0.005 if claim.chain is None else 0.0)
        forms = _exact_forms(fit, claim)
        if not forms:
            continue
        exact = _polished(close, rivals(close, fit, forms, keep=4))
        if exact and exact[0].form.teeth != fit.form.teeth:
            more = rivals(close, exact[0], _exact_forms(exact[0], claim), keep=3)
            exact = _one_each(exact + _polished(close, more))
        out += exact
        if exact and exact[0].score >= SURE_SCORE:
            break
    if (not out or max(f.score for f in out) < _DOUBT_SCORE) and claim.chain is not None and claim.teeth is None:
        out += _every_count(grey, plane, claim.chain)
    return out


def _table(
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
    chains = [claim.chain] if usual and claim.chain is not None else _other_pitches(None)
    out = []
    for z in counts:
        for c in chains:
            if z >= _COUNTS.start:
                form = form_of(c, z)
                if usual or abs(form.pitch_radius_mm / radius - 1) < 0.04 + 0.6 / z:
                    out.append((form, 1.0))
    return out


def _every_count(grey: NDArray[np.uint8], plane: PlanePose, chain: Chain) -> list[Fit]:
    """The last resort: each count searched all over the plane, coarsely."""
    coarse = view_plane(grey, plane, reach_mm=200.0, step_mm=1.3)
    tops = []
    for z in _COUNTS:
        form = form_of(chain, z)
        seeds = find(coarse, form, count=1)
        if seeds:
            tops.append((seeds[0].score, form, seeds[0]))
    tops.sort(key=lambda t: -t[0])
    out: list[Fit] = []
    for _, form, seed in tops[:2]:
        close = view_plane(
            grey, plane, reach_mm=form.tip_radius_mm + 16, step_mm=_CLOSE_STEP_MM, around_mm=np.array(seed.centre_mm)
        )
        own = around(close, fit_form(ring_for(close, form, 1.0, seed.centre_mm), form, np.ones(1)), reach_mm=2.0)
        out += [own, *rivals(close, own, [(form_of_like(form, z), 1.0) for z in _neighbours(form.teeth)])]
    return out


# --- which of them -------------------------------------------------------------------------------------------


def _judged(plane: PlanePose, claim: Claim, claimed: IsoForm | None, fits: list[Fit], flags: list[str]) -> Placed:
    """Weigh all fits against one another, and the best against the claim."""
    # a scale far out is believed only where nothing else comes near
    usual = max((f.score for f in fits if f.scale == 1.0), default=-1.0)
    fits = [f for f in fits if f.scale == 1.0 or f.score > usual + _SCALE_MARGIN]
    weights = np.array([_prior(f, claimed) * math.exp(_SHARPNESS * (f.score - fits[0].score)) for f in fits])
    weights /= weights.sum()
    counts: dict[int, float] = {}
    pitches: dict[tuple[float, float], float] = {}
    for fit, w in zip(fits, weights, strict=True):
        counts[fit.form.teeth] = counts.get(fit.form.teeth, 0.0) + float(w)
        if abs(fit.scale - 1) < 0.015:
            key = (fit.form.pitch_mm, fit.form.roller_diameter_mm)
            pitches[key] = pitches.get(key, 0.0) + float(w)
    ranked = sorted(counts.items(), key=lambda item: -item[1])
    best = fits[int(weights.argmax())]
    notes: list[str] = []
    if claimed is not None:
        if best.form.teeth != claimed.teeth:
            flags.append("teeth-disagree")
            share = 100 * counts[best.form.teeth]
            notes.append(
                f"The photo supports {best.form.teeth} teeth ({share:.0f} %), not {claimed.teeth}"
                f" ({100 * counts.get(claimed.teeth, 0.0):.0f} %)."
            )
        elif best.form.pitch_mm != claimed.pitch_mm:
            flags.append("chain-disagrees")
            names = ", ".join(c.name for c in CHAINS.values() if c.pitch_mm == best.form.pitch_mm)
            notes.append(f"By the card the pitch is {best.form.pitch_mm:g} mm ({names}), not {claimed.pitch_mm:g} mm.")
        elif abs(best.scale - 1) > 0.015:
            flags.append("scale-disagrees")
            notes.append(f"By the card the sprocket is {100 * (best.scale - 1):+.0f} % of its size out.")
    elif claim.teeth is None and len(ranked) > 1 and ranked[0][1] < 0.8:
        flags.append("teeth-uncertain")
        notes.append(
            f"The count is {ranked[0][0]} ({100 * ranked[0][1]:.0f} %) or {ranked[1][0]} ({100 * ranked[1][1]:.0f} %)."
        )
    chain = claim.chain if claim.chain is not None and not {"chain-disagrees"} & set(flags) else None
    if chain is None:
        shares = chain_shares(pitches or {(best.form.pitch_mm, best.form.roller_diameter_mm): 1.0}, None)
        fitting = [CHAINS[name] for name, _ in shares if CHAINS[name].pitch_mm == best.form.pitch_mm]
        chain = fitting[0] if fitting else next(c for c in CHAINS.values() if c.pitch_mm == best.form.pitch_mm)
    return Placed(
        plane=plane.moved(centre_mm=np.array(best.centre_mm)),
        chain=chain,
        teeth=best.form.teeth,
        phase=best.phase,
        score=best.score,
        found=Found(teeth=tuple((z, p) for z, p in ranked if p >= 0.005), chains=()),
        pitches=pitches,
        flags=tuple(flags),
        notes=tuple(notes),
    )


def _prior(fit: Fit, claimed: IsoForm | None) -> float:
    if claimed is None:
        return 1.0
    if fit.form.teeth != claimed.teeth:
        return _OTHER_COUNT
    if fit.form.pitch_mm != claimed.pitch_mm:
        return _OTHER_PITCH
    return 1.0 if abs(fit.scale - 1) < 0.015 else _OTHER_SCALE


# --- without a card ------------------------------------------------------------------------------------------


def place_facing(grey: NDArray[np.uint8], focal_35mm: float | None, claim: Claim) -> Placed | None:
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
    focal, _ = focal_prior(width, height, focal_35mm)
    camera = Camera(width_px=width, height_px=height, focal_px=focal)
    unit = min(width, height) / _FACING_UNITS
    plane = PlanePose(
        camera=camera, camera_from_plane=np.diag([1.0, -1.0, -1.0]), origin_mm=np.array([0.0, 0.0, focal / unit])
    )
    view = view_plane(grey, plane, reach_mm=1e4, step_mm=0.8)
    best: tuple[PlanePose, Fit] | None = None
    for fit in _any_scale(view, plane, claim)[:2]:
        # in true mm the plane is nearer or farther by the scale
        true = replace(plane, origin_mm=plane.origin_mm / fit.scale)
        centre = (fit.centre_mm[0] / fit.scale, fit.centre_mm[1] / fit.scale)
        tried = _tilted(grey, true.moved(centre_mm=np.array(centre)), replace(fit, scale=1.0, centre_mm=(0.0, 0.0)))
        if best is None or tried[1].score > best[1].score:
            best = tried
    if best is None or best[1].score < LEAST_SCORE:
        return None
    plane, own = best
    form = own.form
    close = view_plane(grey, plane, reach_mm=form.tip_radius_mm + 8, step_mm=_CLOSE_STEP_MM, around_mm=np.zeros(2))
    others = [form_of_like(form, z) for z in _neighbours(form.teeth)]
    fits = [own, *rivals(close, own, [(f, form.pitch_radius_mm / f.pitch_radius_mm) for f in others], keep=4)]
    fits.sort(key=lambda f: -f.score)
    claimed = None if claim.teeth is None else form_of(claim.chain, claim.teeth)
    if claimed is not None and fits[0].form.teeth == claimed.teeth:
        fits = [own, *(f for f in fits if f.form.teeth != claimed.teeth)]
    return _judged(plane, claim, claimed, fits, [])


def _any_scale(view: PlaneView, plane: PlanePose, claim: Claim) -> list[Fit]:
    """Forms of free scale wherever circles are concentric; failing that, searched scale by scale."""
    assert claim.chain is not None
    counts = _COUNTS if claim.teeth is None else [claim.teeth]
    forms = [form_of(claim.chain, z) for z in counts]
    soft = _softened(view, 1.0)
    centres = concentric(view, 0.5 * _FACING_UNITS, 6)
    if claim.near_px is not None:
        near = plane.on_plane(np.array(claim.near_px))
        centres = [(float(near[0]), float(near[1])), *centres]
    fits = []
    for centre in centres:
        ring = unwound(soft, centre, 5.0, 0.6 * _FACING_UNITS)
        fits += [fit_form(ring, form, _scales_in_view(form)) for form in forms]
    fits = sorted(fits, key=lambda f: -f.score)[:6]
    fits = [around(soft, f, reach_mm=3.0, scale_std=0.01) for f in fits]
    fits = sorted((around(view, f, scale_std=0.006) for f in fits), key=lambda f: -f.score)
    if len(forms) == 1 and (not fits or fits[0].score < _DOUBT_SCORE):
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
        fits.sort(key=lambda f: -f.score)
        fits = sorted((around(view, f, scale_std=0.01) for f in fits[:4]), key=lambda f: -f.score)
    return [f for f in fits if f.score > 0.15]


def _scales_in_view(form: IsoForm) -> Floats:
    """Scales from a wheel of a fifth of the photo's shorter side to one that just leaves it."""
    low, high = 0.1 * _FACING_UNITS / form.tip_radius_mm, 0.55 * _FACING_UNITS / form.tip_radius_mm
    scales: Floats = np.exp(np.arange(math.log(low), math.log(high), 0.012))
    return scales


def _tilted(grey: NDArray[np.uint8], plane: PlanePose, fit: Fit) -> tuple[PlanePose, Fit]:
    """Uphill over two tilts of the plane about the wheel's centre, its place and scale following."""

    def at(base: PlanePose, tilt: Floats, start: Fit) -> tuple[PlanePose, Fit]:
        turned = base.moved(tilt=tilt)
        close = view_plane(
            grey, turned, reach_mm=start.form.tip_radius_mm + 8, step_mm=_CLOSE_STEP_MM, around_mm=np.zeros(2)
        )
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
