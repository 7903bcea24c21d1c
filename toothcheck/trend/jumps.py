"""Readings that the trend before them does not explain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from scipy.special import ndtr

from toothcheck.trend.kalman import KalmanFilter
from toothcheck.trend.prior import STEP_STD, Prior, density
from toothcheck.trend.result import Jump, Point

_JUMP_SIGMAS, _JUMP_PERCENT = 3.5, 2.0  # further out than both from what was expected
_JUMP_SHARE = 0.02  # of readings that begin a step or stand alone; assumed


def jumps_of(points: Sequence[Point], prior: Prior) -> list[Jump]:
    """Go through the readings in order; each is held against what those before it foretell."""
    out: list[Jump] = []
    waiting: tuple[Jump, float] | None = None
    seen = KalmanFilter(prior)
    for i, point in enumerate(points):
        if waiting is not None:
            jump, on_line = waiting
            kind, seen = _settled(seen, points[i - 1], jump, on_line, point)
            if kind != "line":
                out.append(replace(jump, kind=kind))
            waiting = None
        elif i:
            seen = seen.after(points[i - 1])
        if seen.beyond(point) < ndtr(-_JUMP_SIGMAS):
            expected, std = seen.expected(point)
            off = point.percent - expected
            if abs(off) > _JUMP_PERCENT:
                waiting = Jump(index=i, kind="newest", percent=off, std_percent=std), seen.log_density(point)
    if waiting is not None:
        out.append(waiting[0])
    return out


def _settled(
    seen: KalmanFilter, suspect: Point, jump: Jump, on_line: float, following: Point
) -> tuple[str, KalmanFilter]:
    """What a reading that lay far off was, told by the one after it, and the filter that has taken it in as that.

    The two lie on a line of their own, or on another level, or the first one was bad.  ``on_line`` is the logarithm of
    the density at which it was foretold.
    """
    anywhere = math.log(_JUMP_SHARE / STEP_STD * max(float(density(jump.percent / STEP_STD)), 1e-300))
    before = {"line": math.log(1 - 2 * _JUMP_SHARE) + on_line, "level": anywhere, "single": anywhere}
    taken = {kind: seen.after(suspect, kind) for kind in before}
    best = max(before, key=lambda kind: before[kind] + taken[kind].log_density(following))
    return best, taken[best]
