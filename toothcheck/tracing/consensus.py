"""Which gaps say where a wheel stands, where a chain lies on others that look as if they lay on the form.

Where a chain lies on most of the wheel, links and shadows that lie on the form in one gap or another by chance may
draw it aside, and what is free is then taken for covered.  Free gaps lie side by side, and all on one form: where the
first fit leaves much of what is seen off the form, each run of neighbouring gaps is fitted by itself, and the place on
which the others agree best is taken.

A chain's plates may even lie on the form all along, round more of the wheel than is free, seen a little from the side.
But they hide edges, which free gaps show all along.
"""

from __future__ import annotations

import numpy as np

from toothcheck.geometry import Bools, Floats, Ints, larger_beside
from toothcheck.tracing.fit import Priors, WheelFit, depths, fit
from toothcheck.tracing.locate import Edges
from toothcheck.tracing.rims import Wheel

_FREE = ("x", "y", "phase")
"""What may move before it is known which gaps are free."""
_WIDE_MM, _NEAR_MM = 1.5, 0.4
"""Width of the robust loss over all gaps; within what a gap's edges lie on the form, by their median, and that over a
few gaps, which all lie on it if any does."""
_DOUBTFUL = 0.5
"""Share of what is seen that lies on the form from which on the first fit is not doubted."""
_CLEARLY, _FEWEST = 1.25, 0.8
"""By what factor more must lie on the form in another place, and how many gaps' worth."""
_RUN_SHARE, _RUN_LEAST = 9, 3
"""A run is one gap in so many of the wheel's, but so many at least."""
_HIDDEN, _ALL_ALONG, _SUFFICE = 0.55, 0.85, 10
"""Share of what the best seen gaps show of their edges up to which a gap does not vote where others suffice, and from
which on it shows them all along; how many such gaps place a wheel well enough to do without the others."""
_SWEEPS = 9
"""Enough for three unknowns from a start within a millimetre or two."""


def first_fit(start: Wheel, edges: Edges, votes: Floats, priors: Priors) -> WheelFit:
    """Centre and phase from all gaps, or from those that agree, where those are clearly more.

    Parameters
    ----------
    start
        From the seed.
    edges
        Located about the start.
    votes
        (m,) weight of each edge, 0…1; a gap's are alike.
    priors
        About the start.

    Raises
    ------
    numpy.linalg.LinAlgError
        When no edge votes.
    """
    plain = fit(start, edges, votes, priors, wide_mm=_WIDE_MM, free=_FREE)
    z = start.form.teeth
    seen = np.zeros(z)
    np.maximum.at(seen, edges.gap, votes)
    best, agree = plain, _agreement(plain.wheel, edges, votes, seen)
    worth = float(agree.sum())
    if worth > _DOUBTFUL * float(np.minimum(seen, larger_beside(seen)).sum()):
        return plain
    least = max(_CLEARLY * worth, _FEWEST)
    length = max(_RUN_LEAST, z // _RUN_SHARE)
    for first in range(0, z, max(1, length // 2)):
        run = (first + np.arange(length)) % z
        if not seen[run].all():
            continue
        mine = np.isin(edges.gap, run) & (votes > 0)
        try:
            other = fit(start, edges, mine.astype(np.float64), priors, sweeps=_SWEEPS, wide_mm=_NEAR_MM, free=_FREE)
        except np.linalg.LinAlgError:  # nothing of this run lies near any one form
            continue
        there = _agreement(other.wheel, edges, votes, seen)
        if there.sum() > least:
            best, agree, least = other, there, float(there.sum())
    if best is plain:
        return plain
    agreed = (agree[edges.gap] > 0) * votes
    return fit(start, edges, agreed, priors, begin=best.unknowns, sweeps=_SWEEPS, wide_mm=_NEAR_MM, free=_FREE)


def on_form(wheel: Wheel, edges: Edges, voting: Bools, tolerance_mm: float) -> tuple[Floats, Ints]:
    """Whether each of z gaps lies on the form, by those of its edges that are ``voting`` (m,).

    Returns
    -------
    share
        (z,) 1 where they lie on the form, falling to 0 where their median distance is the tolerance.
    count
        (z,) how many they are.
    """
    distance, gap = np.abs(depths(wheel, edges))[voting], edges.gap[voting]
    count = np.bincount(gap, minlength=wheel.form.teeth)
    share = np.zeros(len(count))
    for g in np.flatnonzero(count):
        share[g] = max(0.0, 1.0 - float(np.median(distance[gap == g])) / tolerance_mm)
    return share, count


def how_seen(edges: Edges, trust: Floats, places: int) -> Floats:
    """(z,) weight 0…1 of each gap by how much of it shows edges; 1 for all where few show them all along.

    Parameters
    ----------
    edges
        Located.
    trust
        (z,) how far each gap lies on the form, 0…1.
    places
        Of the outline, at which an edge was looked for in each gap.
    """
    share = np.bincount(edges.gap[~edges.far], minlength=len(trust)) / places
    if np.any(trust > 0):
        share = share / float(np.quantile(share[trust > 0], 0.8))
    if np.count_nonzero((trust > 0) & (share > _ALL_ALONG)) < _SUFFICE:
        return np.ones(len(trust))
    out: Floats = np.clip((share - _HIDDEN) / (_ALL_ALONG - _HIDDEN), 0.0, 1.0)
    return out


def _agreement(wheel: Wheel, edges: Edges, votes: Floats, seen: Floats) -> Floats:
    """(z,) how much of each gap is ``seen`` (z,) and lies on the form, no more than of the better gap beside it.

    A free gap's neighbour is free, too: links and shadows lie on the form in one gap by chance, seldom in two.
    """
    share, count = on_form(wheel, edges, votes > 0, _NEAR_MM)
    share = np.where(count > 0.5 * count.max(), share, 0.0)
    return np.minimum(share, larger_beside(share)) ** 2 * seen
