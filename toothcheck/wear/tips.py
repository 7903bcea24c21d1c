"""How thick tips are, where the teeth reach so far; what their bevel takes from the edges seen is taken off."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from toothcheck.estimate import Estimate
from toothcheck.geometry import Bools, Floats
from toothcheck.toothform import IsoForm
from toothcheck.wear.flanks import DRAWS, Flanks
from toothcheck.wear.profiles import SEEN
from toothcheck.wear.spread import about

_TIP_KNOWN_MM = 0.3
"""How well a tip's radius is seen: standard uncertainty (photos of two renderers, bevelled tips and sharp ones)."""
_REACHES, _REACHES_NOT = 0.8, 0.05
"""How likely a tooth must reach the radius where its tip is measured to have a thickness there, and how unlikely to
have none: between them there is all of it or nothing."""
_BEVEL_MM, _BEVEL_SHARE = 0.1, 0.7
"""Standard uncertainty of what a bevel takes off both flanks' edges near the tip: the least, and a share of what the
coast flanks show of it (made photos of two kinds)."""


class TipCircle(NamedTuple):
    """Whether teeth reach the radius where tips are measured."""

    reaches: float
    """How likely that is."""
    reaching: Bools
    """(draws,)."""


class TipBevel(NamedTuple):
    """What the tips' bevel takes off both flanks' edges together where tips are measured."""

    value_mm: float
    draws: Floats
    """(draws,) mm."""


def _tip_radius(form: IsoForm) -> float:
    """Where the tip's thickness is measured, mm."""
    return form.pitch_radius_mm + 0.25 * form.roller_diameter_mm


def circle_of(form: IsoForm, rng: np.random.Generator) -> TipCircle:
    """How likely the teeth reach the radius where tips are measured."""
    reaches = float(ndtr((form.tip_radius_mm - _tip_radius(form)) / _TIP_KNOWN_MM))
    return TipCircle(reaches, rng.random(DRAWS) < reaches)


def bevel_of(form: IsoForm, flanks: Flanks, rng: np.random.Generator) -> TipBevel:
    """What the tip's bevel takes off both flanks' edges together where the tip is measured, mm.

    The form holds at mid-thickness, but the edge seen near a bevelled tip may be the face's own.  No edge near the
    pitch circle, where the datum is fitted, tells how deep the bevel is; the coast flanks do, which hardly wear: what
    they lack there beyond what they lack at the pitch circle.  One maker bevels all teeth, so it is one for the wheel.
    """
    at = _at(flanks.radii, _tip_radius(form))
    seen = flanks.clear & (flanks.seen[1, :, :-1] @ at >= SEEN)
    if not seen.any():
        return TipBevel(0.0, np.zeros(DRAWS))
    lacking = flanks.loss[1, seen, :-1] @ at - flanks.loss[1, seen, -1]
    middle = float(np.median(lacking))
    scatter = 1.4826 * float(np.median(np.abs(lacking - middle))) * math.sqrt(math.pi / 2 / len(lacking))
    both = 2 * max(0.0, middle)
    std = math.hypot(_BEVEL_MM + _BEVEL_SHARE * both / 2, 2 * scatter)
    return TipBevel(both, both + std * rng.standard_normal(DRAWS))


def _at(radii: Floats, radius: float) -> Floats:
    """Weights (r,) that interpolate a profile linearly at a radius."""
    out = np.zeros(len(radii))
    j = int(np.clip(np.searchsorted(radii, radius) - 1, 0, len(radii) - 2))
    f = float(np.clip((radius - radii[j]) / (radii[j + 1] - radii[j]), 0, 1))
    out[j], out[j + 1] = 1 - f, f
    return out


def at_tip(
    form: IsoForm,
    flanks: Flanks,
    i: int,
    ideal: Floats,
    half: Floats,
    half_draws: Floats,
    bevel: TipBevel,
    circle: TipCircle,
) -> tuple[dict[str, Estimate], Floats | None]:
    """The tip's measures of tooth ``i``, and draws (draws,) of its thinning; what could not be taken is left out."""
    if circle.reaches < _REACHES_NOT:
        return {"tip_thickness_mm": Estimate(value=0.0, std=0.05)}, None  # the tooth ends below it, new or worn
    if circle.reaches < _REACHES:
        return {}, None
    at = np.append(_at(flanks.radii, _tip_radius(form)), 0.0)
    if (flanks.seen[:, i] @ at).min() < SEEN:
        return {}, None
    thickness = max(0.0, float(half.sum(0) @ at) + bevel.value_mm)
    # nothing is cut off at zero here: where a tooth comes to a point its thickness is as uncertain as elsewhere
    thickness_draws = np.where(circle.reaching, half_draws.sum(1) @ at + bevel.draws, 0.0)
    out = {"tip_thickness_mm": about(thickness, thickness_draws, floor=0.03)}
    new = 2 * float(ideal @ at)
    if new <= 0.3:
        return out, None
    thinning = 100 * (1 - thickness_draws / np.maximum(0.2, 2 * flanks.ideal_draws @ at))
    out["tip_thinning_percent"] = about(100 * (1 - thickness / new), thinning)
    return out, thinning
