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
what is not known of them too.  Neglected: that wear never heals (the process may dip a little).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr
from scipy.stats import norm

from toothcheck.geometry import Floats, readonly

BANDS: tuple[tuple[str, float], ...] = (("watch", 5.0), ("replace-set", 10.0), ("replace-now", 25.0))
"""Asymmetry in % at which each grade begins: this project's convention, no standard sets a limit."""

COVERAGE = 0.8
"""What every interval here is meant to hold."""

PRIOR_SOURCE = "common practice, no source"
_LIFE_KM = (15.0, 40.0)  # thousand km to 10 % at the front; common practice, no source
PRIOR_RATE = 10 / math.sqrt(_LIFE_KM[0] * _LIFE_KM[1])
"""Middle rate of a front sprocket before any reading, % per 1000 km (common practice, no source)."""
PRIOR_SPREAD = 0.5
"""Standard deviation of the rate's logarithm: 15-40 thousand km is read as a loose 68 % range, not as limits."""
REAR_SLOWER = 2.41
"""A front tooth of 17 meets a roller 41/17 times as often as a rear tooth of 41 (common practice, no source)."""

_MEMORY_DAYS = 75.0  # how long a way of riding lasts (a season, a tour, a neglected chain); assumed
_MEMORY = (0.5, 3.0, 8.0)  # thousand km of that: least, when the riding rate is not known, and most; assumed
_WANDER = (0.1, 0.35)  # relative spread of the rate, either as likely before any reading; assumed
_GROWTH = (0.1, 0.4)  # the line's bend: share of itself it stands above the straight one at 10 %; either; assumed
_OFFSET_STD = 0.5  # %, error that all readings of one part share; assumed
_UNKNOWN_START = (4.0, 15.0)  # %, wear of a part that joined with an unknown past: mean and a wide spread
_STEP_STD = 30.0  # %, a jump may have any size
_HOOKED = 0.4  # past 10 % the form changes and so does the rate: a further spread of this share of what lies above
_FARTHEST = 300.0  # thousand km; nothing is foretold beyond
_JUMP_SIGMAS, _JUMP_PERCENT = 3.5, 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading: the part's own distance and the asymmetry with its standard uncertainty."""

    km: float
    percent: float
    std_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Jump:
    """A reading that the trend before it does not explain; it is called out, not fitted.

    ``kind``: ``single`` (later readings follow the old line again: a bad photo or a chip that was dressed), ``level``
    (later readings stay there: damage, or another part), ``newest`` (nothing came after it yet).
    """

    index: int
    kind: str
    percent: float
    """How far it lies from what was expected."""
    std_percent: float

    @property
    def sentence(self) -> str:
        """For people."""
        size = f"{self.percent:+.1f} % off the line of the readings before it"
        if self.kind == "newest":
            return (
                f"The newest reading lies {size} and was not fitted: take another photo, and look at the part by eye."
            )
        if self.kind == "single":
            return f"A reading lies {size} and the later ones do not follow it; it was not fitted."
        if self.percent < 0:
            return f"The readings drop by {-self.percent:.1f} % at once: wear does not heal; was the part changed?"
        return f"The readings step up by {self.percent:.1f} % at once and stay there: look for damage."


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """When a band is reached, in the part's own km: the middle, and the ends of the 80 % interval.

    None: later than anything foretold here (300 000 km), which an honest interval may say.
    """

    grade: str
    percent: float
    early_km: float | None
    median_km: float | None
    late_km: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trend:
    """What the readings of one part say."""

    points: tuple[Point, ...]
    jumps: tuple[Jump, ...]
    now_km: float
    now_percent: float
    """Median of the true wear now."""
    now_interval: tuple[float, float]
    rate: float
    """Median rate, % per 1000 km."""
    rate_interval: tuple[float, float]
    prior_share: float
    """How much of the rate's uncertainty is still the prior's, 0 … 1."""
    crossings: tuple[Crossing, ...]
    """Of the bands still ahead; empty past the last one."""
    reached: str
    """The band the wear is in now by its median (``good`` below the first)."""
    curve_km: Floats
    curve_percent: Floats
    """(3, n): early end, middle and late end of the 80 % interval at each of ``curve_km``."""

    @property
    def rests_on_prior(self) -> bool:
        """Whether common practice still says more about the rate than the readings do."""
        return self.prior_share > 0.5

    @property
    def sentences(self) -> tuple[str, ...]:
        """What to know about this trend, for people."""
        out = [jump.sentence for jump in self.jumps]
        if self.rests_on_prior:
            out.append(
                f"With so little to go by the rate rests on {PRIOR_SOURCE} "
                f"({_LIFE_KM[0]:.0f}-{_LIFE_KM[1]:.0f} thousand km to 10 % at the front); the interval is wide."
            )
        if self.reached == "replace-now":
            out.append("Past 25 % nothing is foretold: renew the set.")
        elif self.reached == "replace-set":
            out.append("Past 10 % the tooth's form changes; the forecast is wider.")
        return tuple(out)


def prior_of(position: str) -> tuple[float, float]:
    """Middle rate in % per 1000 km and the standard deviation of its logarithm, before any reading.

    Raises
    ------
    ValueError
        When the position is neither ``front`` nor ``rear``.
    """
    if position not in ("front", "rear"):
        raise ValueError(f"position must be front or rear, not {position!r}")
    return (PRIOR_RATE if position == "front" else PRIOR_RATE / REAR_SLOWER), PRIOR_SPREAD


def _wandered(a: Floats, b: Floats, memory: float) -> Floats:
    """Covariance of ∫u from 0 to a and to b for τ = 1 (textbook integral of exp(-|x-x'|/L)); shape of a × b."""
    x, y = a[:, None] / memory, b[None, :] / memory
    out: Floats = memory**2 * (2 * np.minimum(x, y) - 1 + np.exp(-x) + np.exp(-y) - np.exp(-np.abs(x - y)))
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Before:
    """What is held to be known of a part before any reading."""

    rate: float
    spread: float
    start_known: bool
    memory: float


class _Posterior:
    """The readings given each (b, τ, g) of the grid, and the weights of the grid.

    Parameters
    ----------
    points
        Readings in order of distance.
    before
        The prior.
    steps
        Indices of readings from which on the wear stands on another, unknown level.
    left_out
        Indices of readings that say nothing.
    """

    def __init__(
        self,
        points: Sequence[Point],
        before: _Before,
        *,
        steps: Sequence[int] = (),
        left_out: Sequence[int] = (),
    ) -> None:
        self.x = np.array([p.km for p in points]) / 1000
        std = np.array([p.std_percent for p in points])
        self.memory = before.memory
        self.start = (0.0, 0.0) if before.start_known else _UNKNOWN_START
        self.stepped_at = [float(self.x[i]) for i in steps]
        self.stepped = [np.arange(len(points)) >= i for i in steps]
        z = np.linspace(-3.5, 3.5, 29)
        grid = np.meshgrid(before.rate * np.exp(before.spread * z), _WANDER, _GROWTH, indexing="ij")
        self.b, tau, self.growth = (g.ravel() for g in grid)
        self.wander_var = (self.b * tau) ** 2
        log_weight = np.repeat(norm.logpdf(z), len(_WANDER) * len(_GROWTH))
        silent = np.isin(np.arange(len(points)), left_out)
        shared = np.full((len(points), len(points)), self.start[1] ** 2 + _OFFSET_STD**2)
        for after in self.stepped:
            shared += _STEP_STD**2 * np.outer(after, after)
        noise = np.diag(std**2 + np.where(silent, (10 * _STEP_STD) ** 2, 0.0)) + shared
        self.factor = np.linalg.cholesky(
            self.wander_var[:, None, None] * _wandered(self.x, self.x, before.memory) + noise
        )
        off = np.array([p.percent for p in points]) - self.middle(self.x)
        self.white = np.linalg.solve(self.factor, off[..., None])[..., 0]
        log_weight -= 0.5 * (self.white**2).sum(axis=1)
        log_weight -= np.log(np.diagonal(self.factor, axis1=1, axis2=2)).sum(axis=1)
        weight = np.exp(log_weight - log_weight.max())
        self.weight = weight / weight.sum()

    def middle(self, at: Floats) -> Floats:
        """The wear at each of ``at`` (thousand km) for each node before any reading, shape (nodes, at)."""
        straight = self.b[:, None] * at
        out: Floats = self.start[0] + straight * (1 + self.growth[:, None] * straight / BANDS[1][1])
        return out

    def wear(self, at: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the true wear at each of ``at`` for each node, shapes (nodes, at)."""
        level = np.full((len(at), len(self.x)), self.start[1] ** 2)
        own = np.full(len(at), self.start[1] ** 2)
        for since, after in zip(self.stepped_at, self.stepped, strict=True):
            level += _STEP_STD**2 * np.outer(at >= since, after)
            own += _STEP_STD**2 * (at >= since)
        cross = self.wander_var[:, None, None] * _wandered(at, self.x, self.memory) + level
        half = np.linalg.solve(self.factor, np.swapaxes(cross, 1, 2))
        mean = self.middle(at) + np.einsum("kna,kn->ka", half, self.white)
        alone = (
            self.memory**2 * 2 * (at / self.memory - 1 + np.exp(-at / self.memory))
        )  # the diagonal of _wandered(at, at)
        var = self.wander_var[:, None] * alone + own - (half**2).sum(axis=1)
        return mean, np.sqrt(np.maximum(var, 1e-12))

    def reading(self, point: Point) -> tuple[float, float, float]:
        """Mean and standard deviation of what a further reading should show, and its log density at what it shows."""
        mean, std = self.wear(np.array([point.km / 1000]))
        spread = np.hypot(std[:, 0], point.std_percent)
        # the offset is shared with the readings before; counting it once more is on the safe side
        spread = np.hypot(spread, _OFFSET_STD)
        m = float(self.weight @ mean[:, 0])
        v = float(self.weight @ (spread**2 + (mean[:, 0] - m) ** 2))
        density = float(self.weight @ norm.pdf(point.percent, mean[:, 0], spread))
        return m, math.sqrt(v), math.log(max(density, 1e-300))


def _jumps(points: Sequence[Point], before: _Before) -> list[Jump]:
    """Go through the readings in order; each is held against what those before it foretell."""
    steps: list[int] = []
    left_out: list[int] = []
    out: list[Jump] = []
    waiting: Jump | None = None
    for i, point in enumerate(points):
        if waiting is not None:
            density = []
            for more_steps, more_out in (([], [waiting.index]), ([waiting.index], [])):
                seen = _Posterior(
                    points[:i],
                    before,
                    steps=[*steps, *more_steps],
                    left_out=[*left_out, *more_out],
                )
                density.append(seen.reading(point)[2])
            stays = density[1] > density[0]
            (steps if stays else left_out).append(waiting.index)
            out.append(_as(waiting, "level" if stays else "single"))
            waiting = None
        if i == 0 and not before.start_known:
            continue
        expected, std, _ = _Posterior(points[:i], before, steps=steps, left_out=left_out).reading(point)
        off = point.percent - expected
        if abs(off) > _JUMP_SIGMAS * std and abs(off) > _JUMP_PERCENT:
            waiting = Jump(index=i, kind="newest", percent=off, std_percent=std)
    if waiting is not None:
        out.append(waiting)
    return out


def _as(jump: Jump, kind: str) -> Jump:
    return Jump(index=jump.index, kind=kind, percent=jump.percent, std_percent=jump.std_percent)


def fit(
    points: Sequence[Point],
    *,
    position: str,
    now_km: float | None = None,
    start_known: bool = True,
    km_per_day: float | None = None,
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

    Raises
    ------
    ValueError
        When the points are out of order, or an uncertainty is not above 0.
    """
    rate, spread = prior_of(position)
    least, usual, most = _MEMORY
    memory = usual if km_per_day is None else min(most, max(least, _MEMORY_DAYS * km_per_day / 1000))
    before = _Before(rate=rate, spread=spread, start_known=start_known, memory=memory)
    km = [p.km for p in points]
    if km != sorted(km) or any(v < 0 for v in km):
        raise ValueError(f"points must be in order of distance from 0 up, not {km!r}")
    if any(not p.std_percent > 0 or not math.isfinite(p.percent) for p in points):
        raise ValueError("points must be finite and each std_percent above 0")
    last = km[-1] if km else 0.0
    now = max(last, last if now_km is None else now_km)
    jumps = _jumps(points, before)
    posterior = _Posterior(
        points,
        before,
        steps=[j.index for j in jumps if j.kind == "level"],
        left_out=[j.index for j in jumps if j.kind != "level"],
    )
    low, high = (1 - COVERAGE) / 2, (1 + COVERAGE) / 2
    order = np.argsort(posterior.b, kind="stable")
    mass = np.cumsum(posterior.weight[order]) - 0.5 * posterior.weight[order]
    rates = [float(np.exp(np.interp(q, mass, np.log(posterior.b[order])))) for q in (low, 0.5, high)]
    log_b = np.log(posterior.b)
    left = math.sqrt(float(posterior.weight @ (log_b - posterior.weight @ log_b) ** 2))

    reach = float(np.clip(2.5 * 25 / rates[0], 10, _FARTHEST))
    ahead = now / 1000 + reach * np.linspace(0, 1, 120) ** 2
    behind = np.linspace(0, now / 1000, 25)[:-1]
    at = np.concatenate([behind, ahead])
    mean, std = posterior.wear(at)
    std = np.hypot(std, _HOOKED * np.maximum(0.0, mean - BANDS[1][1]))
    curve = np.array([_quantile(q, posterior.weight, mean, std) for q in (low, 0.5, high)])
    here = curve[:, len(behind)]
    reached = "good"
    crossings = []
    for name, percent in BANDS:
        if here[1] >= percent:
            reached = name
            continue
        share = posterior.weight @ norm.sf(percent, mean[:, len(behind) :], std[:, len(behind) :])
        share = np.maximum.accumulate(share)  # once reached, it stays reached
        early, middle, late = (_first(share, ahead, q) for q in (low, 0.5, high))
        crossings.append(Crossing(grade=name, percent=percent, early_km=early, median_km=middle, late_km=late))
    return Trend(
        points=tuple(points),
        jumps=tuple(jumps),
        now_km=now,
        now_percent=float(here[1]),
        now_interval=(float(here[0]), float(here[2])),
        rate=rates[1],
        rate_interval=(rates[0], rates[2]),
        prior_share=min(1.0, left / before.spread),
        crossings=() if reached == "replace-now" else tuple(crossings),
        reached=reached,
        curve_km=readonly(at * 1000),
        curve_percent=readonly(curve),
    )


def _quantile(q: float, weight: Floats, mean: Floats, std: Floats) -> Floats:
    """Quantile of a mixture of normals (nodes along the first axis) by bisection, for each column."""
    lo, hi = (mean - 8 * std).min(axis=0), (mean + 8 * std).max(axis=0)
    for _ in range(30):
        middle = 0.5 * (lo + hi)
        below = weight @ ndtr((middle - mean) / std) < q
        lo, hi = np.where(below, middle, lo), np.where(below, hi, middle)
    out: Floats = 0.5 * (lo + hi)
    return out


def _first(share: Floats, at: Floats, q: float) -> float | None:
    """Where the share first reaches q, in km; None when it does not."""
    if share[-1] < q:
        return None
    return 1000 * float(np.interp(q, share, at)) if share[0] < q else 1000 * float(at[0])
