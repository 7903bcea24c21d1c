"""Patterns that come back once per turn of the wheel: every second tooth, eccentricity, one damaged tooth.

A straight-line model of the per-tooth values does it: a mean, a once-per-turn cosine and sine, and for an even tooth
count an alternating term, tested against the scatter that is left; then one odd tooth by its studentized residual
(the outlier test of Grubbs, where only a mean is fitted).  What is covered is simply missing from the fit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, fdtrc, ndtr, stdtr

from toothcheck.estimate import Estimate
from toothcheck.geometry import Floats, readonly

KINDS = ("alternate-teeth", "once-per-turn", "single-tooth")
"""What can be recognised."""

SIGNIFICANCE = 0.01
"""How often chance alone may show any pattern: shared among the tests (Holm's rule)."""

LIGHT_MM = 0.03
"""Standard deviation of the cosine and of the sine that light from one side gives the edges round the wheel (made
photos, on parts without such wear: amplitudes of 0.01 to 0.06 mm)."""

FEWEST = 6
"""Fewer measured teeth say nothing about a pattern."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pattern:
    """One pattern, significant or not."""

    kind: str
    p_value: float
    """Probability that chance alone shows as much, before sharing among the tests."""
    significant: bool
    """After sharing among the tests."""
    size: Estimate
    """Half the difference between every second tooth, the amplitude over the turn, or how much more
    than the others the one tooth has lost (negative: less); in the unit of the values."""
    tooth: int | None
    """The tooth with the most: the odd one, the one nearest the crest, or the first of the more worn half."""
    residual: Floats
    """(teeth,) values with the pattern and the mean taken out; NaN-free: teeth not measured hold 0."""

    def sentence(self, unit: str = "mm") -> str:
        """What it is and what usually stands behind it, for people."""
        size = Estimate(value=abs(self.size.value), std=self.size.std).text(unit)
        if self.kind == "alternate-teeth":
            return (
                f"Every second tooth is worn more (by twice {size}): with an even tooth count and an even number of "
                "links each tooth always meets the same kind of link, inner or outer."
            )
        if self.kind == "once-per-turn":
            return (
                f"The wear rises and falls once per turn (amplitude {size}, most at tooth {self.tooth}): the sprocket "
                "may run out of true or sit off centre. A photo in other light tells whether it stays."
            )
        than = "more" if self.size.value > 0 else "less"
        return f"Tooth {self.tooth} has lost {size} {than} than the others: look for a chip, a burr, dirt or damage."


def patterns(
    values: Sequence[Estimate | None], *, links: int | None = None, shared: Floats | None = None, light: float = 0.0
) -> tuple[Pattern, ...]:
    """Test the per-tooth values of one wheel.

    Parameters
    ----------
    values
        One for each tooth in order round the wheel; None where not measured.  Their stated uncertainties weigh them
        and set a floor under the scatter.
    links
        Number of links of the chain, where known: with an odd number teeth and links meet in turn, so the alternating
        term is not tested.
    shared
        (teeth, teeth) covariance of what is wrong with all values together, such as an ill found centre.
    light
        Standard deviation of a wave's two parts by what only looks like one (`LIGHT_MM` in photos); unit of the values.

    Returns
    -------
    tuple of Pattern
        The tests that could be made, most telling first; empty with fewer than `FEWEST` measured teeth.
    """
    teeth = len(values)
    at = np.array([i for i, v in enumerate(values) if v is not None])
    if len(at) < FEWEST:
        return ()
    y = np.array([v.value for v in values if v is not None])
    std = np.array([max(v.std, 1e-9) for v in values if v is not None])
    turn = 2 * math.pi * at / teeth
    columns = {"once-per-turn": np.stack([np.cos(turn), np.sin(turn)], axis=1)}
    if teeth % 2 == 0 and (links is None or links % 2 == 0) and len(set(at % 2)) == 2:
        columns["alternate-teeth"] = np.where(at % 2 == 0, 1.0, -1.0)[:, None]

    together = np.zeros((teeth, teeth)) if shared is None else np.array(shared, dtype=np.float64)
    around = 2 * math.pi * np.arange(teeth) / teeth
    together += light**2 * np.cos(around[:, None] - around)
    together = together[np.ix_(at, at)]
    # an odd tooth must not pass for a wave, nor a wave for an odd tooth: each is tested with the other allowed for
    odd, odd_p, odd_off, odd_std = _odd_one(y, std, np.ones((len(at), 1)))
    found: list[tuple[str, float, Estimate, int, Floats]] = []
    keep = np.ones(len(at), dtype=bool)
    if odd_p < SIGNIFICANCE:
        keep[odd] = False
    for kind, pattern in columns.items():
        others = [c for k, c in columns.items() if k != kind]
        p, coefficient, covariance = _test(
            y[keep], std[keep], pattern[keep], [c[keep] for c in others], together[np.ix_(keep, keep)]
        )
        found.append(_described(kind, p, coefficient, covariance, teeth, at, y, std, pattern))
    waves = [columns[kind] for kind, p, *_ in found if p < SIGNIFICANCE / 2]
    if waves:
        odd, odd_p, odd_off, odd_std = _odd_one(y, std, np.column_stack([np.ones(len(at)), *waves]))
    rest = np.zeros(teeth)
    rest[at] = y - np.average(np.delete(y, odd), weights=1 / np.delete(std, odd) ** 2)
    rest[at[odd]] = 0.0
    found.append(("single-tooth", odd_p, Estimate(value=odd_off, std=odd_std), int(at[odd]), rest))

    found.sort(key=lambda f: f[1])
    out = []
    still = True
    for rank, (kind, p, size, tooth, residual) in enumerate(found):  # Holm 1979: stop at the first that fails
        still = still and p < SIGNIFICANCE / (len(found) - rank)
        out.append(
            Pattern(kind=kind, p_value=p, significant=still, size=size, tooth=tooth, residual=readonly(residual))
        )
    return tuple(out)


def told(found: Sequence[Pattern]) -> str | None:
    """The kind of the most telling significant pattern; None when there is none."""
    return next((p.kind for p in found if p.significant), None)


def apart(found: Sequence[Pattern]) -> int | None:
    """The tooth that differs by the test for one tooth alone, named as a pattern or not; None when there is none.

    Shared among all tests it may be too little for a pattern's name.  It is to be wiped and looked at all the same,
    which costs nothing; chance alone picks a tooth so on one wheel of 100.
    """
    return next((p.tooth for p in found if p.kind == "single-tooth" and p.p_value < SIGNIFICANCE), None)


def _solve(y: Floats, std: Floats, design: Floats) -> tuple[Floats, Floats, float, int]:
    """Weighted least squares: coefficients, their covariance for unit scatter, chi-square and degrees of freedom."""
    a, b = design / std[:, None], y / std
    coefficient, *_ = np.linalg.lstsq(a, b, rcond=None)
    chi2 = float(((b - a @ coefficient) ** 2).sum())
    covariance = np.asarray(np.linalg.pinv(a.T @ a), dtype=np.float64)
    return np.asarray(coefficient, dtype=np.float64), covariance, chi2, len(y) - int(np.linalg.matrix_rank(a))


def _test(
    y: Floats, std: Floats, pattern: Floats, others: list[Floats], together: Floats
) -> tuple[float, Floats, Floats]:
    """F test of a pattern's columns beside a mean and the other patterns, where enough teeth are left for these.

    The scatter left is not believed below the stated uncertainties, nor the pattern below what is wrong with all values
    ``together``: then it is a chi-square test against them.
    """
    base = np.column_stack([np.ones(len(y)), *others])
    if len(y) - base.shape[1] - pattern.shape[1] < 3:
        base = np.ones((len(y), 1))
    design = np.column_stack([pattern, base])
    coefficient, covariance, chi2, free = _solve(y, std, design)
    _, _, without, _ = _solve(y, std, base)
    count = pattern.shape[1]
    gain = max(0.0, without - chi2) / count
    scatter = chi2 / free if free > 0 else 1.0
    by_scatter = float(fdtrc(count, free, gain / max(scatter, 1e-300))) if free > 0 else 1.0
    answers = (np.linalg.pinv(design / std[:, None]) / std)[:count]
    alike = answers @ together @ answers.T
    found = coefficient[:count]
    stated = covariance[:count, :count] + alike
    by_stated = float(chdtrc(count, found @ np.linalg.solve(stated, found)))
    return max(by_scatter, by_stated), found, covariance[:count, :count] * max(1.0, scatter) + alike


def _described(
    kind: str,
    p: float,
    coefficient: Floats,
    covariance: Floats,
    teeth: int,
    at: np.typing.NDArray[np.int64],
    y: Floats,
    std: Floats,
    pattern: Floats,
) -> tuple[str, float, Estimate, int, Floats]:
    amplitude = float(np.hypot.reduce(coefficient))
    along = coefficient / amplitude if amplitude > 0 else np.zeros_like(coefficient)
    size = Estimate(value=amplitude, std=math.sqrt(max(0.0, float(along @ covariance @ along))))
    if kind == "alternate-teeth":
        tooth = 0 if coefficient[0] > 0 else 1
    else:
        tooth = round(math.atan2(coefficient[1], coefficient[0]) / (2 * math.pi) * teeth) % teeth
    rest = np.zeros(teeth)
    rest[at] = y - pattern @ coefficient
    rest[at] -= np.average(rest[at], weights=1 / std**2)
    return kind, p, size, tooth, rest


def _odd_one(y: Floats, std: Floats, design: Floats) -> tuple[int, float, float, float]:
    """The tooth that fits least: index, p value (Bonferroni over the teeth), its distance from the rest, and std.

    With a mean alone and equal uncertainties this is Grubbs' two-sided test (externally studentized residual).
    """
    best = (0, 1.0, 0.0, float(std[0]))
    for i in range(len(y)):
        marked = np.zeros((len(y), 1))
        marked[i] = 1.0
        full = np.column_stack([marked, design])
        if np.linalg.matrix_rank(full) < full.shape[1] or len(y) - full.shape[1] < 2:
            continue
        coefficient, covariance, chi2, free = _solve(y, std, full)
        spread = math.sqrt(float(covariance[0, 0]))
        by_scatter = 2 * float(stdtr(free, -abs(coefficient[0]) / (spread * math.sqrt(max(chi2 / free, 1e-300)))))
        by_stated = 2 * float(ndtr(-abs(coefficient[0]) / spread))
        p = min(1.0, len(y) * max(by_scatter, by_stated))
        if p < best[1]:
            best = (i, p, float(coefficient[0]), spread * math.sqrt(max(1.0, chi2 / free)))
    return best
