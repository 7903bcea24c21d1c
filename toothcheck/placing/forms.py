"""The forms that are weighed against one another at a place, and the scores that decide."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from toothcheck.chains import CHAINS, Chain
from toothcheck.counting import Fit, around, beside
from toothcheck.geometry import Floats
from toothcheck.pose import PlanePose
from toothcheck.toothform import IsoForm
from toothcheck.tracing.seed import PlaneView, view_plane

SURE_SCORE = 0.52
"""Share of the outline matched from which on no other count, pitch or scale is asked: a wheel of the wrong size was
never seen to match more than 0.45."""
LEAST_SCORE = 0.22
"""Share of the outline that must have a matching edge for there to be a sprocket at all."""
DOUBT_SCORE = 0.42
"""Below it other places are tried too."""
SHARPNESS = 45.0
"""Log-odds for a share of the outline: 0.05 more of it is ten to one."""
COUNTS = range(9, 61)
SEARCH_MM, CLOSE_STEP_MM = 300.0, 0.4
_TRUE_SCALE_STD, _TRUE_SCALE_MOST = 0.02, 0.045
"""By how much card, lens and lean take the scale at the sprocket out in a photo with nothing wrong."""


def form_of(chain: Chain, teeth: int) -> IsoForm:
    """The form of a chain's sprocket midway between the limit forms."""
    return IsoForm(pitch_mm=chain.pitch_mm, roller_diameter_mm=chain.roller_diameter_mm, teeth=teeth)


def form_of_like(form: IsoForm, teeth: int) -> IsoForm:
    """The same pitch and roller with another count."""
    return IsoForm(pitch_mm=form.pitch_mm, roller_diameter_mm=form.roller_diameter_mm, teeth=teeth)


def neighbours(teeth: int) -> list[int]:
    """Counts near another, without it."""
    return [z for z in range(teeth - 5, teeth + 6) if z != teeth and z >= COUNTS.start]


def other_pitches(chain: Chain | None) -> list[Chain]:
    """One chain for each pitch but the given one's, the commonest of its motorcycle sizes where there are any."""
    by_pitch: dict[float, Chain] = {}
    for c in (CHAINS["428"], CHAINS["520"], *CHAINS.values()):
        if 8 < c.pitch_mm < 25 and (chain is None or c.pitch_mm != chain.pitch_mm):
            by_pitch.setdefault(c.pitch_mm, c)
    return list(by_pitch.values())


def close_view(
    grey: NDArray[np.uint8],
    plane: PlanePose,
    radius_mm: float,
    around_mm: tuple[float, float],
    margin_mm: float = 16.0,
) -> PlaneView:
    """The surroundings of a place, finer than the search's view; the margin is for centres that are off."""
    return view_plane(
        grey,
        plane,
        reach_mm=radius_mm + margin_mm,
        step_mm=CLOSE_STEP_MM,
        around_mm=np.array(around_mm, dtype=np.float64),
    )


def settled(view: PlaneView, start: Fit, *, reach_mm: float = 1.2) -> Fit:
    """The best centre near a fit, or aside of it where little of the outline matches there: that may be a shadow's."""
    own = around(view, start, reach_mm=reach_mm)
    return own if own.score >= SURE_SCORE else beside(view, own)


def one_each(fits: list[Fit]) -> list[Fit]:
    """The best fit of each form and scale, best first."""
    out: dict[tuple[int, float, float, float], Fit] = {}
    for f in sorted(fits, key=lambda f: -f.score):
        out.setdefault((f.form.teeth, f.form.pitch_mm, f.form.roller_diameter_mm, round(f.scale, 3)), f)
    return list(out.values())


def count_open(best: Fit | None, teeth: int) -> bool:
    """Whether every count must be asked, since neither the count told nor another fits beyond doubt.

    Another must fit as well as no wheel of the wrong size does: what was weighed stands about where the outline of the
    count told fits best, and that may be aside of the wheel.
    """
    return best is None or best.score < (LEAST_SCORE if best.form.teeth == teeth else SURE_SCORE)


def reach_of(form: IsoForm, scale: float = 1.0) -> float:
    """How far from a wheel's centre a place still points at it, mm: a tooth beyond its tips."""
    return (form.tip_radius_mm + form.pitch_mm) * scale


def pointed_at(fits: list[Fit], near_mm: Floats | None) -> list[Fit]:
    """The fits in whose wheel the place pointed at lies; all where none was pointed at."""
    if near_mm is None:
        return fits
    x, y = near_mm.tolist()
    return [f for f in fits if math.dist(f.centre_mm, (x, y)) < reach_of(f.form, f.scale)]


def polished(view: PlaneView, fits: list[Fit]) -> list[Fit]:
    """Fits with the scale let go as far as it may be out with nothing wrong, and the score charged for it."""
    out = []
    for fit in fits:
        if fit.scale != 1.0:
            out.append(fit)
            continue
        free = around(view, fit, scale_std=0.008)
        off = abs(free.scale - 1)
        charge = 0.5 * (off / _TRUE_SCALE_STD) ** 2 / SHARPNESS
        better = off < _TRUE_SCALE_MOST and free.score - charge > fit.score
        out.append(replace(free, scale=1.0, score=free.score - charge) if better else fit)
    return sorted(out, key=lambda f: -f.score)
