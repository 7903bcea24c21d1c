"""All readings of a part at once: the wear anywhere, before, between and after them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from toothcheck.geometry import Floats
from toothcheck.trend.grid import Grid
from toothcheck.trend.prior import OFFSET_STD, SILENT_STD, STEP_STD, Prior
from toothcheck.trend.result import Point

AT_ONCE = 1 << 21
"""Numbers of the nodes' covariances that are worked on at once, 16 MB: those of 132 nodes and 500 readings would take
264 MB, and several times that as they are worked on.  Up to 126 readings they all fit."""


class Posterior(Grid):
    """The readings given each node of the grid, all at once: wear anywhere, before, between and after them.

    Parameters
    ----------
    points
        Readings in order of distance.
    prior
        What was held to be known before them.
    steps
        Indices of readings from which on the wear stands on another, unknown level.
    left_out
        Indices of readings that say nothing.
    """

    def __init__(
        self,
        points: Sequence[Point],
        prior: Prior,
        *,
        steps: Sequence[int],
        left_out: Sequence[int],
    ) -> None:
        self.x = np.array([p.km for p in points]) / 1000
        self.percent = np.array([p.percent for p in points])
        std = np.array([p.std_percent for p in points])
        self.memory = prior.memory
        self.stepped_at = [float(self.x[i]) for i in steps]
        self.stepped = [np.arange(len(points)) >= i for i in steps]
        silent = np.isin(np.arange(len(points)), left_out)
        noise = np.diag(std**2 + np.where(silent, SILENT_STD**2, 0.0)) + OFFSET_STD**2
        for after in self.stepped:
            noise += STEP_STD**2 * np.outer(after, after)
        self.noise = noise
        self._lay(prior)

    def _likely(self) -> Floats:
        self.wander_var = (self.b * self.tau) ** 2
        self.held: tuple[slice, Floats] | None = None
        off = self.percent - self.middle(self.x)
        self.white = np.empty_like(off)
        out: Floats = np.empty(self.b.size)
        for nodes, factor in self._factors():
            white = _whitened(factor, off[nodes, :, None])[..., 0]
            out[nodes] = -0.5 * (white**2).sum(axis=1)
            out[nodes] -= np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
            self.white[nodes] = white
        return out

    def _factors(self) -> Iterator[tuple[slice, Floats]]:
        """Some nodes at a time: which, and the lower triangles (k, n, n) of their covariances of the n readings.

        Only those worked on last are held: where all nodes fit, they are factored once, else anew each time.
        """
        wander = wander_covariance(self.x, self.x, self.memory)
        few = max(1, AT_ONCE // max(1, wander.size))
        for first in range(0, self.b.size, few):
            nodes = slice(first, first + few)
            if self.held is None or self.held[0] != nodes:
                covariance = self.wander_var[nodes, None, None] * wander
                covariance += self.noise
                covariance += self.start_var[nodes, None, None]
                self.held = nodes, np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)
            yield self.held

    def wear(self, at: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the true wear at each of ``at`` for each node, shapes (nodes, at)."""
        level = np.zeros((len(at), len(self.x)))
        own = np.zeros(len(at))
        for since, after in zip(self.stepped_at, self.stepped, strict=True):
            level += STEP_STD**2 * np.outer(at >= since, after)
            own += STEP_STD**2 * (at >= since)
        # the diagonal of wander_covariance(at, at), of which nothing else is needed
        alone = self.memory**2 * 2 * (at / self.memory - 1 + np.exp(-at / self.memory))
        mean = self.middle(at)
        var = self.wander_var[:, None] * alone + own + self.start_var[:, None]
        wander = wander_covariance(at, self.x, self.memory)
        for nodes, factor in self._factors():
            cross = self.wander_var[nodes, None, None] * wander + level
            cross += self.start_var[nodes, None, None]
            half = _whitened(factor, np.swapaxes(cross, 1, 2))
            mean[nodes] += np.einsum("kna,kn->ka", half, self.white[nodes])
            var[nodes] -= (half**2).sum(axis=1)
        return mean, np.sqrt(np.maximum(var, 1e-12))

    def slope(self, first: float, last: float) -> tuple[Floats, Floats]:
        """Mean and standard deviation, for each node, of how fast the wear grew between two distances (thousand km).

        In % per 1000 km, jumps left out: (w(last) - w(first)) / (last - first), in which the start falls out too.
        """
        ends = np.array([first, last])
        before, after = wander_covariance(ends, self.x, self.memory)
        line = self.middle(ends)
        own = wander_covariance(ends, ends, self.memory)
        mean = line[:, 1] - line[:, 0]
        var = self.wander_var * (own[0, 0] + own[1, 1] - 2 * own[0, 1])
        for nodes, factor in self._factors():
            half = _whitened(factor, (self.wander_var[nodes, None] * (after - before))[..., None])[..., 0]
            mean[nodes] += (half * self.white[nodes]).sum(axis=1)
            var[nodes] -= (half**2).sum(axis=1)
        return mean / (last - first), np.sqrt(np.maximum(var, 1e-12)) / (last - first)


def wander_covariance(a: Floats, b: Floats, memory: float) -> Floats:
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
