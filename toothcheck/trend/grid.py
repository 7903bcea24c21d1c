"""The grid of everything that is not Gaussian, and the weights that readings give its nodes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from toothcheck.geometry import Bools, Floats
from toothcheck.trend.practice import PRIOR_SPREAD
from toothcheck.trend.prior import Prior
from toothcheck.trend.result import BANDS

_WANDER = (0.1, 0.35)  # relative spread of the rate, either as likely before any reading; assumed
_GROWTH = (0.1, 0.4)  # the line's bend: share of itself it stands above the straight one at 10 %; either; assumed
_GRID = (8.0, 33)  # spreads of the rate to either side, and nodes
FEWEST_NODES = 7
"""Where fewer rates hold the weight, the grid is laid anew, finer."""


class Grid:
    """A grid of (b, τ, g, w(0)) and what readings make of its weights; how they do is for `_likely` to say."""

    z: Floats
    """The rates, in spreads of the rate's logarithm from the middle one."""
    b: Floats
    """Each node's rate, % per 1000 km."""
    tau: Floats
    """Each node's relative spread of the rate."""
    growth: Floats
    """Each node's bend."""
    start: Floats
    """Each node's mean of the wear at 0 km, %."""
    start_var: Floats
    used: Bools
    """At which nodes the part was not new."""
    log_prior: Floats
    weight: Floats
    """Each node's probability."""

    def _lay(self, prior: Prior) -> None:
        """Lay the grid where the weight is, finer where few nodes hold it."""
        reach, nodes = _GRID
        self.z = np.linspace(-reach, reach, nodes)
        for left in (3, 2, 1, 0):
            held = self._held(prior)
            if len(held) >= FEWEST_NODES or not left:
                break
            step = self.z[1] - self.z[0]  # many readings tell the rate finer than the nodes lie
            self.z = np.linspace(self.z[held[0]] - step, self.z[held[-1]] + step, nodes)

    def _held(self, prior: Prior) -> NDArray[np.intp]:
        """Weigh the nodes over the rates ``z``; which of the rates hold the weight."""
        which = np.arange(len(prior.starts))
        grid = np.meshgrid(prior.rate * np.exp(PRIOR_SPREAD * self.z), _WANDER, _GROWTH, which, indexing="ij")
        self.b, self.tau, self.growth = (g.ravel() for g in grid[:3])
        self.used = grid[3].ravel() > 0
        mean, std, share = (np.array(column)[grid[3].ravel()] for column in zip(*prior.starts, strict=True))
        self.start, self.start_var = mean, std**2
        self.log_prior = np.repeat(prior.log_density(self.z), self.b.size // self.z.size) + np.log(share)
        return self._weighed(self._likely())

    def _weighed(self, log_likely: Floats) -> NDArray[np.intp]:
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

    def quantile(self, q: float, mean: Floats, std: Floats) -> Floats:
        """Quantile of what lies at ``mean`` ± ``std`` by each node, shapes (nodes, n): by bisection, shape (n,)."""
        lo, hi = (mean - 8 * std).min(axis=0), (mean + 8 * std).max(axis=0)
        for _ in range(30):
            middle = 0.5 * (lo + hi)
            below = self.weight @ ndtr((middle - mean) / std) < q
            lo, hi = np.where(below, middle, lo), np.where(below, hi, middle)
        out: Floats = 0.5 * (lo + hi)
        return out
