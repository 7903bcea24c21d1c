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

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from toothcheck.geometry import Floats, readonly
from toothcheck.grade import BANDS_PERCENT, GRADES
from toothcheck.logbook import distance_rough, in_unit

BANDS = tuple(zip(GRADES[1:], BANDS_PERCENT, strict=True))
"""Each grade with the asymmetry in % at which it begins."""

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
_HOOKED = (
    0.4  # past 10 % the form changes and so does the rate: a further spread of this share of what is foretold there
)
_FARTHEST = 300.0  # thousand km; nothing is foretold beyond
_JUMP_SIGMAS, _JUMP_PERCENT = 3.5, 2.0
_JUMP_SHARE = 0.02  # of readings that begin a step or stand alone; assumed
_ODD_SHARE, _ODD_SPREADS = 0.05, 3.0  # some parts wear quite unlike common practice: so many, spread so much wider
_USED_SHARE = 0.05  # of parts said to be new that were not; assumed
_PERHAPS = 0.2  # from this probability on it is said
_DOUBT_SIGMAS = 2.0  # a first reading so far above common practice makes us ask whether the part was new
_STRETCH = 1 / 3  # of its distance lies before the stretch over which a part's rate is told
_SHORTEST_KM = 1.0  # thousand km; the rate of a newer part is that which it is likely to have by then
_SEASON = 0.04  # relative spread that winter and summer leave in the rate over such a stretch; assumed
_FAST = 2.5  # times common practice, from which on it is said
_GRID = (8.0, 33)  # spreads of the rate to either side, and nodes; laid anew, finer, where few of them hold the weight
_FEWEST_NODES = 7


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
        size = f"{self.percent:+.1f} % off "
        size += "the line of the readings before it" if self.index else "what a new part may show"
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
    """Median rate over the newer two thirds of the part's distance (of 1000 km, if it has run less), % per 1000 km."""
    rate_interval: tuple[float, float]
    rate_from_km: float
    """Where these two thirds begin."""
    rate_to_km: float
    """Where they end."""
    times_usual: float | None
    """How many times as fast as common practice has it, where that is beyond doubt; None where it is not."""
    perhaps_used: bool
    """Whether the first reading makes it likely that the part was not new at 0 km."""
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
    def called_out(self) -> tuple[int, ...]:
        """Which of ``points`` were called out and not fitted."""
        return tuple(jump.index for jump in self.jumps if jump.kind != "level")

    @property
    def rests_on_prior(self) -> bool:
        """Whether common practice still says more about the rate than the readings do."""
        return self.prior_share > 0.5

    def sentences(self, unit: str = "km") -> tuple[str, ...]:
        """What to know about this trend, for people; ``unit`` is ``km`` or ``miles``."""
        out = [jump.sentence for jump in self.jumps]
        if self.perhaps_used:
            first = self.points[0]
            out.append(
                f"The first reading, {first.percent:.1f} % at {distance_rough(first.km, unit)} of its own, is more "
                "than a new part shows: it may not have been new, and its earlier distance is missing (toothcheck "
                "logbook add-part --ridden). If it was new, look for what wears it so fast."
            )
        if self.times_usual is not None:
            out.append(
                f"The readings lie on a line of their own, {self.times_usual:.1f} times as fast as {PRIOR_SOURCE}, "
                "has it: look for the cause."
            )
        if self.rests_on_prior:
            out.append(
                f"With so little to go by the rate rests on {PRIOR_SOURCE} "
                f"({_life(unit)} to 10 % at the front); the interval is wide."
            )
        if self.reached == "replace-now":
            out.append("Past 25 % nothing is foretold: renew the set.")
        elif self.reached == "replace-set":
            out.append("Past 10 % the tooth's form changes; the forecast is wider.")
        return tuple(out)


def _life(unit: str) -> str:
    """`_LIFE_KM` in words."""
    least, most = (in_unit(life, unit) for life in _LIFE_KM)
    return f"{least:.0f}-{most:.0f} thousand {unit}"


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


def _density(z: Floats | float) -> Floats:
    """The standard normal density; scipy's takes a second to load and checks each call at length."""
    out: Floats = np.exp(-0.5 * np.square(z)) / math.sqrt(2 * math.pi)
    return out


def _wandered(a: Floats, b: Floats, memory: float) -> Floats:
    """Covariance of ∫u from 0 to a and to b for τ = 1 (textbook integral of exp(-|x-x'|/L)); shape of a × b."""
    x, y = a[:, None] / memory, b[None, :] / memory
    out: Floats = memory**2 * (2 * np.minimum(x, y) - 1 + np.exp(-x) + np.exp(-y) - np.exp(-np.abs(x - y)))
    return out


def _whitened(factor: Floats, right: Floats) -> Floats:
    """Solutions (k, n, m) of ``factor @ out = right`` for k lower triangles (k, n, n), by forward substitution.

    numpy's solver would factor each triangle once more, which is most of the work with a hundred readings; scipy's for
    triangles takes one after another, which is most of it with five.
    """
    out = np.empty_like(right)
    for i in range(right.shape[1]):
        known = factor[:, i : i + 1, :i] @ out[:, :i]
        out[:, i] = (right[:, i] - known[:, 0]) / factor[:, i, i, None]
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Before:
    """What is held to be known of a part before any reading."""

    rate: float
    spread: float
    starts: tuple[tuple[float, float, float], ...]
    """What the wear may have been at 0 km: mean and spread in %, and how likely that is."""
    memory: float

    def log_density(self, z: Floats) -> Floats:
        """Of the rate, so many spreads of its logarithm from the middle one."""
        odd = _ODD_SHARE * _density(z / _ODD_SPREADS) / _ODD_SPREADS
        out: Floats = np.log((1 - _ODD_SHARE) * _density(z) + odd)
        return out


class _OnGrid:
    """A grid of (b, τ, g, w(0)) and what readings make of its weights; how they do is for `_likely` to say."""

    z: Floats
    """The rates, in spreads of the rate's logarithm from the middle one."""
    weight: Floats

    def _lay(self, before: _Before) -> None:
        """Lay the grid where the weight is, finer where few nodes hold it."""
        reach, nodes = _GRID
        self.z = np.linspace(-reach, reach, nodes)
        for left in (3, 2, 1, 0):
            held = self._held(before)
            if len(held) >= _FEWEST_NODES or not left:
                break
            step = self.z[1] - self.z[0]  # many readings tell the rate finer than the nodes lie
            self.z = np.linspace(self.z[held[0]] - step, self.z[held[-1]] + step, nodes)

    def _held(self, before: _Before) -> np.typing.NDArray[np.intp]:
        """Weigh the nodes over the rates ``z``; which of the rates hold the weight."""
        which = np.arange(len(before.starts))
        grid = np.meshgrid(before.rate * np.exp(before.spread * self.z), _WANDER, _GROWTH, which, indexing="ij")
        self.b, self.tau, self.growth = (g.ravel() for g in grid[:3])
        self.used = grid[3].ravel() > 0
        mean, std, share = (np.array(column)[grid[3].ravel()] for column in zip(*before.starts, strict=True))
        self.start, self.start_var = mean, std**2
        self.log_prior = np.repeat(before.log_density(self.z), self.b.size // self.z.size) + np.log(share)
        return self._weighed(self._likely())

    def _weighed(self, log_likely: Floats) -> np.typing.NDArray[np.intp]:
        """Weigh the nodes by what the readings say; which of the rates hold the weight."""
        log_weight = self.log_prior + log_likely
        weight = np.exp(log_weight - log_weight.max())
        self.weight = weight / weight.sum()
        of_rate = self.weight.reshape(self.z.size, -1).sum(axis=1)
        return np.flatnonzero(of_rate > 1e-3 * of_rate.max())

    def _likely(self) -> Floats:
        """The logarithm of the readings' density at each node, a constant apart."""
        raise NotImplementedError

    def middle(self, at: Floats) -> Floats:
        """The wear at each of ``at`` (thousand km) for each node before any reading, shape (nodes, at)."""
        straight = self.b[:, None] * at
        out: Floats = self.start[:, None] + straight * (1 + self.growth[:, None] * straight / BANDS[1][1])
        return out


class _Posterior(_OnGrid):
    """The readings given each node of the grid, all at once: wear anywhere, before, between and after them.

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
        self.percent = np.array([p.percent for p in points])
        std = np.array([p.std_percent for p in points])
        self.memory = before.memory
        self.stepped_at = [float(self.x[i]) for i in steps]
        self.stepped = [np.arange(len(points)) >= i for i in steps]
        silent = np.isin(np.arange(len(points)), left_out)
        noise = np.diag(std**2 + np.where(silent, (10 * _STEP_STD) ** 2, 0.0)) + _OFFSET_STD**2
        for after in self.stepped:
            noise += _STEP_STD**2 * np.outer(after, after)
        self.noise = noise
        self._lay(before)

    def _likely(self) -> Floats:
        self.wander_var = (self.b * self.tau) ** 2
        self.factor = np.linalg.cholesky(
            self.wander_var[:, None, None] * _wandered(self.x, self.x, self.memory)
            + self.noise
            + self.start_var[:, None, None]
        )
        off = self.percent - self.middle(self.x)
        self.white = _whitened(self.factor, off[..., None])[..., 0]
        out: Floats = -0.5 * (self.white**2).sum(axis=1)
        out -= np.log(np.diagonal(self.factor, axis1=1, axis2=2)).sum(axis=1)
        return out

    def wear(self, at: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the true wear at each of ``at`` for each node, shapes (nodes, at)."""
        level = np.zeros((len(at), len(self.x)))
        own = np.zeros(len(at))
        for since, after in zip(self.stepped_at, self.stepped, strict=True):
            level += _STEP_STD**2 * np.outer(at >= since, after)
            own += _STEP_STD**2 * (at >= since)
        cross = self.wander_var[:, None, None] * _wandered(at, self.x, self.memory) + level
        cross += self.start_var[:, None, None]
        half = _whitened(self.factor, np.swapaxes(cross, 1, 2))
        mean = self.middle(at) + np.einsum("kna,kn->ka", half, self.white)
        alone = (
            self.memory**2 * 2 * (at / self.memory - 1 + np.exp(-at / self.memory))
        )  # the diagonal of _wandered(at, at)
        var = self.wander_var[:, None] * alone + own + self.start_var[:, None] - (half**2).sum(axis=1)
        return mean, np.sqrt(np.maximum(var, 1e-12))

    def slope(self, first: float, last: float) -> tuple[Floats, Floats]:
        """Mean and standard deviation, for each node, of how fast the wear grew between two distances (thousand km).

        In % per 1000 km, jumps left out: (w(last) - w(first)) / (last - first), in which the start falls out too.
        """
        ends = np.array([first, last])
        before, after = _wandered(ends, self.x, self.memory)
        half = _whitened(self.factor, (self.wander_var[:, None] * (after - before))[..., None])[..., 0]
        line = self.middle(ends)
        own = _wandered(ends, ends, self.memory)
        mean = line[:, 1] - line[:, 0] + (half * self.white).sum(axis=1)
        var = self.wander_var * (own[0, 0] + own[1, 1] - 2 * own[0, 1]) - (half**2).sum(axis=1)
        return mean / (last - first), np.sqrt(np.maximum(var, 1e-12)) / (last - first)


class _Ahead(_OnGrid):
    """What the readings so far foretell of the next one, given each node: the same law as `_Posterior`, step by step.

    A Kalman filter over (∫u, u, w(0) less its mean, offset, a level for each step), so that one reading more costs the
    same however many came before; it tells nothing of the wear before the last reading.

    Parameters
    ----------
    before
        The prior.
    """

    def __init__(self, before: _Before) -> None:
        self.before = before
        self.taken: tuple[tuple[Point, str], ...] = ()
        self._lay(before)

    def after(self, point: Point, kind: str = "line") -> _Ahead:
        """With one reading more: on the line, the first on another ``level``, or a ``single`` that says nothing."""
        out = copy.copy(self)
        out.taken = (*self.taken, (point, kind))
        out.mean, out.cov, out.log_likely = self.mean.copy(), self.cov.copy(), self.log_likely.copy()
        out._take(point, kind)
        held = out._weighed(out.log_likely)
        if len(held) < _FEWEST_NODES or held[0] == 0 or held[-1] == out.z.size - 1:
            out._lay(self.before)
        return out

    def _likely(self) -> Floats:
        nodes = self.b.size
        self.x = 0.0
        self.mean: Floats = np.zeros((nodes, 4))
        self.cov: Floats = np.zeros((nodes, 4, 4))
        self.cov[:, 1, 1] = 1.0
        self.cov[:, 2, 2] = self.start_var
        self.cov[:, 3, 3] = _OFFSET_STD**2
        self.log_likely: Floats = np.zeros(nodes)
        for point, kind in self.taken:
            self._take(point, kind)
        return self.log_likely

    def _take(self, point: Point, kind: str) -> None:
        """Take a reading in."""
        self.mean, self.cov = self._carried(point.km / 1000)
        self.x = point.km / 1000
        if kind == "level":
            nodes, size = self.mean.shape
            self.mean = np.concatenate([self.mean, np.zeros((nodes, 1))], axis=1)
            grown = np.zeros((nodes, size + 1, size + 1))
            grown[:, :size, :size] = self.cov
            grown[:, size, size] = _STEP_STD**2
            self.cov = grown
        seen = self._seen(offset=1.0)
        noise_var = point.std_percent**2 + ((10 * _STEP_STD) ** 2 if kind == "single" else 0.0)
        off = point.percent - self.middle(np.array([self.x]))[:, 0] - (seen * self.mean).sum(axis=1)
        along = (self.cov @ seen[..., None])[..., 0]
        var = (seen * along).sum(axis=1) + noise_var
        self.log_likely = self.log_likely - 0.5 * (off**2 / var + np.log(var))
        self.mean = self.mean + along * (off / var)[:, None]
        self.cov = self.cov - along[:, :, None] * along[:, None, :] / var[:, None, None]

    def _seen(self, *, offset: float) -> Floats:
        """How much of each part of the state stands in the wear, and the offset or not: (nodes, state)."""
        out = np.ones_like(self.mean)
        out[:, 0], out[:, 1], out[:, 3] = self.b * self.tau, 0.0, offset
        return out

    def _carried(self, x: float) -> tuple[Floats, Floats]:
        """Mean and covariance of the state at a further distance (thousand km)."""
        ahead, memory = (x - self.x) / self.before.memory, self.before.memory
        kept = math.exp(-ahead)
        step = np.eye(self.mean.shape[1])
        step[0, 1], step[1, 1] = memory * (1 - kept), kept
        cov = step @ self.cov @ step.T
        cov[:, 0, 0] += max(0.0, memory**2 * (2 * ahead - 3 + 4 * kept - kept**2))
        cov[:, 0, 1] += memory * (1 - kept) ** 2
        cov[:, 1, 0] += memory * (1 - kept) ** 2
        cov[:, 1, 1] += 1 - kept**2
        return self.mean @ step.T, cov

    def _shown(self, point: Point) -> tuple[Floats, Floats]:
        """Mean and standard deviation of what a further reading should show, for each node."""
        mean, cov = self._carried(point.km / 1000)
        seen = self._seen(offset=0.0)
        middle = self.middle(np.array([point.km / 1000]))[:, 0] + (seen * mean).sum(axis=1)
        var = np.maximum(np.einsum("ki,kij,kj->k", seen, cov, seen), 1e-12)
        # the offset is shared with the readings before; counting it once more is on the safe side
        return middle, np.sqrt(var + point.std_percent**2 + _OFFSET_STD**2)

    def log_density(self, point: Point) -> float:
        """Of what a further reading shows."""
        mean, std = self._shown(point)
        return math.log(max(float(self.weight @ (_density((point.percent - mean) / std) / std)), 1e-300))

    def beyond(self, point: Point) -> float:
        """Probability that a further reading lies as far out as this one, on the same side."""
        mean, std = self._shown(point)
        below = float(self.weight @ ndtr((point.percent - mean) / std))
        return min(below, 1 - below)

    def expected(self, point: Point) -> tuple[float, float]:
        """Median of what a further reading should show, and half the width that holds 68 %."""
        mean, std = (values[:, None] for values in self._shown(point))
        low, middle, high = (float(_quantile(q, self.weight, mean, std)[0]) for q in (0.16, 0.5, 0.84))
        return middle, (high - low) / 2


def _jumps(points: Sequence[Point], before: _Before) -> list[Jump]:
    """Go through the readings in order; each is held against what those before it foretell."""
    out: list[Jump] = []
    waiting: tuple[Jump, float] | None = None
    seen = _Ahead(before)
    for i, point in enumerate(points):
        if waiting is None and i:
            seen = seen.after(points[i - 1])
        elif waiting is not None:
            # one reading more: do the two lie on a line of their own, on another level, or was the first one bad?
            jump, on_line = waiting
            anywhere = math.log(_JUMP_SHARE / _STEP_STD * max(float(_density(jump.percent / _STEP_STD)), 1e-300))
            tries = [
                (math.log(1 - 2 * _JUMP_SHARE) + on_line, "line"),
                (anywhere, "level"),
                (anywhere, "single"),
            ]
            held = [seen.after(points[i - 1], kind) for _, kind in tries]
            best = max(range(3), key=lambda k: tries[k][0] + held[k].log_density(point))
            kind, seen = tries[best][1], held[best]
            if kind != "line":
                out.append(_as(jump, kind))
            waiting = None
        if seen.beyond(point) < ndtr(-_JUMP_SIGMAS):
            expected, std = seen.expected(point)
            off = point.percent - expected
            if abs(off) > _JUMP_PERCENT:
                waiting = Jump(index=i, kind="newest", percent=off, std_percent=std), seen.log_density(point)
    if waiting is not None:
        out.append(waiting[0])
    return out


def _starts(points: Sequence[Point], rate: float, *, known: bool) -> tuple[tuple[float, float, float], ...]:
    """What the wear at 0 km may have been; asks whether a new part was new where its first reading is high."""
    if not known:
        return ((*_UNKNOWN_START, 1.0),)
    new = (0.0, 0.0)
    if points:
        usual = rate * math.exp(_DOUBT_SIGMAS * PRIOR_SPREAD) * points[0].km / 1000
        if points[0].percent > usual + _DOUBT_SIGMAS * math.hypot(points[0].std_percent, _OFFSET_STD):
            return (*new, 1 - _USED_SHARE), (*_UNKNOWN_START, _USED_SHARE)
    return ((*new, 1.0),)


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
    km = [p.km for p in points]
    if km != sorted(km) or any(v < 0 for v in km):
        raise ValueError(f"points must be in order of distance from 0 up, not {km!r}")
    if any(not p.std_percent > 0 or not math.isfinite(p.percent) for p in points):
        raise ValueError("points must be finite and each std_percent above 0")
    last = km[-1] if km else 0.0
    now = max(last, last if now_km is None else now_km)
    before = _Before(rate=rate, spread=spread, starts=_starts(points, rate, known=start_known), memory=memory)
    jumps = _jumps(points, before)
    left_out = [j.index for j in jumps if j.kind != "level"]
    posterior = _Posterior(points, before, steps=[j.index for j in jumps if j.kind == "level"], left_out=left_out)
    low, high = (1 - COVERAGE) / 2, (1 + COVERAGE) / 2
    end = max(now / 1000, _SHORTEST_KM)
    slope, slope_std = posterior.slope(_STRETCH * end, end)
    spreads = np.hypot(slope_std, _SEASON * slope)[:, None]
    rates = [max(0.0, float(_quantile(q, posterior.weight, slope[:, None], spreads)[0])) for q in (low, 0.5, high)]
    log_b = np.log(posterior.b)
    fast = float(posterior.weight @ (posterior.b > _FAST * rate))
    left = math.sqrt(float(posterior.weight @ (log_b - posterior.weight @ log_b) ** 2))

    reach = float(np.clip(2.5 * 25 / max(rates[0], 1e-3), 10, _FARTHEST))
    ahead = now / 1000 + reach * np.linspace(0, 1, 120) ** 2
    behind = np.linspace(0, now / 1000, 25)[:-1]
    at = np.concatenate([behind, ahead])
    mean, std = posterior.wear(at)
    fitted = [p.km / 1000 for i, p in enumerate(points) if i not in left_out]
    seen = fitted[-1] if fitted else 0.0  # what lies behind it has been seen: there the form foretells nothing
    known_there = np.maximum(posterior.wear(np.array([seen]))[0], BANDS[1][1])
    std = np.hypot(std, np.where(at > seen, _HOOKED * np.maximum(0.0, mean - known_there), 0.0))
    curve = np.array([_quantile(q, posterior.weight, mean, std) for q in (low, 0.5, high)])
    here = curve[:, len(behind)]
    reached = "good"
    crossings = []
    for name, percent in BANDS:
        if here[1] >= percent:
            reached = name
            continue
        share = posterior.weight @ ndtr((mean[:, len(behind) :] - percent) / std[:, len(behind) :])
        share = np.maximum.accumulate(share)  # once reached, it stays reached
        early, middle, late = (_first(share, ahead, q) for q in (low, 0.5, high))
        crossings.append(Crossing(grade=name, percent=percent, early_km=early, median_km=middle, late_km=late))
    return Trend(
        points=tuple(points),
        jumps=tuple(jumps),
        now_km=now,
        # what is seen of a new part may lie below nothing; what is gone from it cannot
        now_percent=max(0.0, float(here[1])),
        now_interval=(max(0.0, float(here[0])), max(0.0, float(here[2]))),
        rate=rates[1],
        rate_interval=(rates[0], rates[2]),
        rate_from_km=1000 * _STRETCH * end,
        rate_to_km=1000 * end,
        times_usual=float(np.exp(posterior.weight @ log_b)) / rate if fast > 0.9 else None,
        perhaps_used=float(posterior.weight @ posterior.used) > _PERHAPS,
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
