"""Reading by reading: what those so far foretell of the next one, by a Kalman filter."""

from __future__ import annotations

import copy
import math

import numpy as np
from scipy.special import ndtr

from toothcheck.geometry import Floats
from toothcheck.trend.grid import FEWEST_NODES, Grid
from toothcheck.trend.prior import OFFSET_STD, SILENT_STD, STEP_STD, Prior, density
from toothcheck.trend.result import Point


class KalmanFilter(Grid):
    """What the readings so far foretell of the next one, given each node: the law of `trend.posterior`, step by step.

    The state is (∫u, u, w(0) less its mean, offset, a level for each step), so that one reading more costs the same
    however many came before; it tells nothing of the wear before the last reading.

    Parameters
    ----------
    prior
        What was held to be known before the first.
    """

    def __init__(self, prior: Prior) -> None:
        self.prior = prior
        self.taken: tuple[tuple[Point, str], ...] = ()
        self._lay(prior)

    def after(self, point: Point, kind: str = "line") -> KalmanFilter:
        """With one reading more: on the line, the first on another ``level``, or a ``single`` that says nothing."""
        out = copy.copy(self)
        out.taken = (*self.taken, (point, kind))
        out._update(point, kind)
        held = out._weighed(out.log_likely)
        if len(held) < FEWEST_NODES or held[0] == 0 or held[-1] == out.z.size - 1:
            out._lay(self.prior)
        return out

    def _likely(self) -> Floats:
        nodes = self.b.size
        self.x = 0.0
        self.mean: Floats = np.zeros((nodes, 4))
        self.cov: Floats = np.zeros((nodes, 4, 4))
        self.cov[:, 1, 1] = 1.0
        self.cov[:, 2, 2] = self.start_var
        self.cov[:, 3, 3] = OFFSET_STD**2
        self.log_likely: Floats = np.zeros(nodes)
        for point, kind in self.taken:
            self._update(point, kind)
        return self.log_likely

    def _update(self, point: Point, kind: str) -> None:
        """Take a reading in."""
        self.mean, self.cov = self._predicted(point.km / 1000)
        self.x = point.km / 1000
        if kind == "level":
            nodes, size = self.mean.shape
            self.mean = np.concatenate([self.mean, np.zeros((nodes, 1))], axis=1)
            grown = np.zeros((nodes, size + 1, size + 1))
            grown[:, :size, :size] = self.cov
            grown[:, size, size] = STEP_STD**2
            self.cov = grown
        seen = self._seen(offset=1.0)
        noise_var = point.std_percent**2 + (SILENT_STD**2 if kind == "single" else 0.0)
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

    def _predicted(self, x: float) -> tuple[Floats, Floats]:
        """Mean and covariance of the state at a further distance (thousand km)."""
        ahead, memory = (x - self.x) / self.prior.memory, self.prior.memory
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
        mean, cov = self._predicted(point.km / 1000)
        seen = self._seen(offset=0.0)
        middle = self.middle(np.array([point.km / 1000]))[:, 0] + (seen * mean).sum(axis=1)
        var = np.maximum(np.einsum("ki,kij,kj->k", seen, cov, seen), 1e-12)
        # the offset is shared with the readings before; counting it once more is on the safe side
        return middle, np.sqrt(var + point.std_percent**2 + OFFSET_STD**2)

    def log_density(self, point: Point) -> float:
        """Of what a further reading shows."""
        mean, std = self._shown(point)
        return math.log(max(float(self.weight @ (density((point.percent - mean) / std) / std)), 1e-300))

    def beyond(self, point: Point) -> float:
        """Probability that a further reading lies as far out as this one, on the same side."""
        mean, std = self._shown(point)
        below = float(self.weight @ ndtr((point.percent - mean) / std))
        return min(below, 1 - below)

    def expected(self, point: Point) -> tuple[float, float]:
        """Median of what a further reading should show, and half the width that holds 68 %."""
        mean, std = (values[:, None] for values in self._shown(point))
        low, middle, high = (float(self.quantile(q, mean, std)[0]) for q in (0.16, 0.5, 0.84))
        return middle, (high - low) / 2
