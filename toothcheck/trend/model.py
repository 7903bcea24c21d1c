"""Wear against distance: one part's readings, its rate, and when each band is reached, with an honest interval.

The wear w is a line in the part's own distance x that may bend upwards, plus what riding does to it: the rate is not
constant but wanders about the part's own mean b with a relative spread τ and a memory of some weeks of riding (an
Ornstein-Uhlenbeck process, whose integral has the covariance below).  Readings see w through their stated uncertainty
and one offset that all readings of a part share (its form is not quite the ideal's)::

    y_i = w(x_i) + offset + e_i
    w(x) = w(0) + b x (1 + g b x / 10 %) + b ∫ u
    cov(u, u') = τ² exp(-|x - x'| / L)

The bend g is there because a hollowed tooth and a longer chain wear each other faster (common practice, no source).
Given b, τ and g everything is Gaussian; the three are summed over on a grid with their prior, so the interval holds
what is not known of them too.  Where the first reading of a part that is said to have been new lies far above common
practice, the grid also asks whether it was new (w(0) = 0) or not.  The rate told to people is that of the wear over the
newer two thirds of the part's distance, (w(x) - w(x/3)) / (2x/3): b alone is the slope of a part without wear, and over
a shorter stretch a single season tells more than the part.  Neglected: that wear never heals (the process may dip).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr

from toothcheck.geometry import Floats, readonly
from toothcheck.grade import GRADES
from toothcheck.trend.jumps import jumps_of
from toothcheck.trend.posterior import Posterior
from toothcheck.trend.practice import PRIOR_SPREAD, usual_rate
from toothcheck.trend.prior import Prior, memory_of, starts_of
from toothcheck.trend.result import BANDS, Crossing, Point, Trend

COVERAGE = 0.8
"""What every interval here is meant to hold."""

_QUANTILES = ((1 - COVERAGE) / 2, 0.5, (1 + COVERAGE) / 2)  # the interval's ends, and the middle between them
_HOOKED = 0.4  # past 10 % form and rate change: a further spread of this share of what is foretold there; assumed
_FARTHEST = 300.0  # thousand km; nothing is foretold beyond
_PERHAPS = 0.2  # from this probability on it is said
_STRETCH = 1 / 3  # of its distance lies before the stretch over which a part's rate is told
_SHORTEST_KM = 1.0  # thousand km; the rate of a newer part is that which it is likely to have by then
_SEASON = 0.04  # relative spread that winter and summer leave in the rate over such a stretch; assumed
_FAST = 2.5  # times common practice, from which on it is said


def fit(
    points: Sequence[Point],
    *,
    position: str,
    now_km: float | None = None,
    start_known: bool = True,
    km_per_day: float | None = None,
    curve: bool = True,
) -> Trend:
    """Fit one part's readings and foretell its bands.

    Parameters
    ----------
    points
        Readings in order of distance; none is allowed (then common practice speaks alone).
    position
        ``front`` or ``rear``, for the prior of the rate.
    now_km
        The part's own distance now; that of the last reading when None.
    start_known
        Whether distance counts from a new part.
    km_per_day
        Riding rate, where known: ways of riding change with time, so a fast machine sees fewer of them in a part's
        life and its forecast is the wider for it.
    curve
        Whether the whole curve is wanted, which takes three quarters of the time; else only its point now.

    Raises
    ------
    ValueError
        When the points are out of order, or an uncertainty is not above 0.
    """
    usual = usual_rate(position)
    _check(points)
    last = points[-1].km if points else 0.0
    now = max(last, last if now_km is None else now_km)
    prior = Prior(rate=usual, starts=starts_of(points, usual, known=start_known), memory=memory_of(km_per_day))
    jumps = jumps_of(points, prior)
    steps = [j.index for j in jumps if j.kind == "level"]
    left_out = [j.index for j in jumps if j.kind != "level"]
    posterior = Posterior(points, prior, steps=steps, left_out=left_out)

    to = max(now / 1000, _SHORTEST_KM)
    slow, rate, quick = _rates(posterior, _STRETCH * to, to)
    log_b = np.log(posterior.b)
    middle_log_b = posterior.weight @ log_b
    fast = float(posterior.weight @ (posterior.b > _FAST * usual))
    left = math.sqrt(float(posterior.weight @ (log_b - middle_log_b) ** 2))

    reach = float(np.clip(2.5 * BANDS[-1][1] / max(slow, 1e-3), 10, _FARTHEST))
    ahead = now / 1000 + reach * np.linspace(0, 1, 120) ** 2
    behind = np.linspace(0, now / 1000, 25 if curve else 1)[:-1]
    at = np.concatenate([behind, ahead])
    seen = max((p.km / 1000 for i, p in enumerate(points) if i not in left_out), default=0.0)
    mean, std = _course(posterior, at, seen)
    drawn = slice(None if curve else 1)
    interval = np.array([posterior.quantile(q, mean[:, drawn], std[:, drawn]) for q in _QUANTILES])
    here = interval[:, len(behind)]
    mean, std = mean[:, len(behind) :], std[:, len(behind) :]
    crossings = [
        _crossing(name, percent, posterior.weight @ ndtr((mean - percent) / std), ahead)
        for name, percent in BANDS
        if here[1] < percent
    ]
    # what is seen of a new part may lie below nothing; what is gone from it cannot
    early, middle, late = (max(0.0, float(percent)) for percent in here)
    return Trend(
        points=tuple(points),
        jumps=tuple(jumps),
        now_km=now,
        now_percent=middle,
        now_interval=(early, late),
        rate=rate,
        rate_interval=(slow, quick),
        rate_from_km=1000 * _STRETCH * to,
        rate_to_km=1000 * to,
        times_usual=float(np.exp(middle_log_b)) / usual if fast > 0.9 else None,
        perhaps_used=float(posterior.weight @ posterior.used) > _PERHAPS,
        prior_share=min(1.0, left / PRIOR_SPREAD),
        crossings=tuple(crossings),
        reached=next((name for name, percent in reversed(BANDS) if here[1] >= percent), GRADES[0]),
        curve_km=readonly(at[drawn] * 1000),
        curve_percent=readonly(interval),
    )


def _check(points: Sequence[Point]) -> None:
    km = [p.km for p in points]
    if km != sorted(km) or any(v < 0 for v in km):
        raise ValueError(f"points must be in order of distance from 0 up, not {km!r}")
    if any(not p.std_percent > 0 or not math.isfinite(p.percent) for p in points):
        raise ValueError("points must be finite and each std_percent above 0")


def _rates(posterior: Posterior, first: float, last: float) -> tuple[float, float, float]:
    """Rate between two distances (thousand km), % per 1000 km: the interval's ends, the median between them."""
    slope, slope_std = posterior.slope(first, last)
    std = np.hypot(slope_std, _SEASON * slope)
    slow, middle, quick = (max(0.0, float(posterior.quantile(q, slope[:, None], std[:, None])[0])) for q in _QUANTILES)
    return slow, middle, quick


def _course(posterior: Posterior, at: Floats, seen: float) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the wear at each of ``at`` (thousand km) by each node, shapes (nodes, at).

    What lies behind ``seen``, the last reading's distance, has been seen: there the form foretells nothing.
    """
    mean, std = posterior.wear(at)
    known_there = np.maximum(posterior.wear(np.array([seen]))[0], BANDS[1][1])
    return mean, np.hypot(std, np.where(at > seen, _HOOKED * np.maximum(0.0, mean - known_there), 0.0))


def _crossing(grade: str, percent: float, share: Floats, ahead: Floats) -> Crossing:
    """When a band is reached, of the probability that the wear is in it at each of ``ahead`` (thousand km)."""
    share = np.maximum.accumulate(share)  # once reached, it stays reached
    early, middle, late = (_first(share, ahead, q) for q in _QUANTILES)
    return Crossing(grade=grade, percent=percent, early_km=early, median_km=middle, late_km=late)


def _first(share: Floats, at: Floats, q: float) -> float | None:
    """Where the share first reaches q, in km; None when it does not."""
    if share[-1] < q:
        return None
    return 1000 * float(np.interp(q, share, at)) if share[0] < q else 1000 * float(at[0])
