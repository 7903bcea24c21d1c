"""The limit of a chain's elongation: the model's own, typed with its source, and what a reading says about it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from toothcheck.estimate import Estimate

SURE = 0.95
"""From this probability on, a side of the limit is claimed; between, the reading is too near to tell."""

Side = Literal["within", "too-near", "beyond", "no-limit", "cannot-tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """The greatest elongation that the machine's manual allows.

    Parameters
    ----------
    elongation_percent
        Of the nominal length; above 0 and at most 5.
    source
        Where it stands: the manual and the page.  Never empty.
    given_as
        What was typed, e.g. ``319.4 mm over 20 pitches``.

    Raises
    ------
    ValueError
        When the number is out of range or the source is missing.
    """

    elongation_percent: float
    source: str
    given_as: str

    def __post_init__(self) -> None:
        if not 0 < self.elongation_percent <= 5:
            told = self.given_as
            if not told.endswith("%"):  # a length, which is a percentage of so many pitches of one size
                told = f"{self.elongation_percent:.2f} % ({told}); check the number of pitches and the chain size"
            raise ValueError(f"limit must lie between 0 and 5 % of elongation, not {told}")
        if not self.source.strip():
            raise ValueError("limit must come with its source (the manual and the page), not without one")

    @classmethod
    def from_span(cls, *, span_mm: float, pitches: int, pitch_mm: float, source: str) -> Limit:
        """The limit as manuals give it: so many mm, pin to pin, over so many pitches."""
        if pitches < 1 or not (math.isfinite(span_mm) and span_mm > 0):
            raise ValueError(f"limit must be a length over at least one pitch, not {span_mm} mm over {pitches}")
        percent = 100 * (span_mm / (pitches * pitch_mm) - 1)
        return cls(elongation_percent=percent, source=source, given_as=f"{span_mm:g} mm over {pitches} pitches")

    @classmethod
    def parse(cls, text: str, *, pitch_mm: float | None) -> Limit:
        """Read a limit as people type it, and as `text` writes it.

        ``319.4 mm over 20 pitches @ manual p. 3-7`` (the words mm and pitches may be left out) or
        ``0.6 % @ manual p. 3-7``.

        Raises
        ------
        ValueError
            When it cannot be read, has no source, or is in mm while ``pitch_mm`` is not known.
        """
        value, _, source = (part.strip() for part in text.partition("@"))
        over = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)\s*(?:mm)?\s*over\s*([0-9]{1,4})(?:\s*pitches)?", value)
        if over:
            if pitch_mm is None:
                raise ValueError("limit in mm must come with the chain size, not without it")
            return cls.from_span(span_mm=float(over[1]), pitches=int(over[2]), pitch_mm=pitch_mm, source=source)
        percent = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)\s*%", value)
        if percent:
            return cls(elongation_percent=float(percent[1]), source=source, given_as=f"{percent[1]} %")
        comma = re.match(r"([0-9]+),([0-9]+)(?![0-9,])", value)
        if comma:
            raise ValueError(f"limit must have a decimal point, not a comma: {comma[1]}.{comma[2]}")
        raise ValueError(f"limit must read '319.4 over 20 @ manual p. 3-7' or '0.6 % @ manual p. 3-7', not {text!r}")

    @classmethod
    def typed(cls, text: str, *, pitch_mm: float | None) -> Limit:
        """As `parse`, of what is typed now; a limit that a logbook keeps already counts without its page, too.

        Raises
        ------
        ValueError
            As for `parse`, and when the source names no page.
        """
        limit = cls.parse(text, pitch_mm=pitch_mm)
        if not re.search(r"\d", limit.source):
            raise ValueError(
                f"limit must come from the machine's manual with its page, not from {limit.source!r}: write e.g. "
                f"'{limit.given_as} @ manual p. 3-7'"
            )
        return limit

    def text(self) -> str:
        """As `parse` reads it."""
        return f"{self.given_as} @ {self.source}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """Which side of its limit a chain is on, and how surely."""

    side: Side
    probability_beyond: float | None
    """Probability that the true elongation is beyond the limit, from the stated uncertainty; at least this of a lower
    bound that is beyond; None without a limit, and where only a lower bound is known that is not beyond, or the count
    of the pitches decides."""
    sentence: str


def _beyond(elongation: Estimate, limit: Limit) -> float:
    """Probability that an elongation is beyond the limit."""
    if elongation.std > 0:
        return 1 - elongation.below(limit.elongation_percent)
    return float(elongation.value > limit.elongation_percent)


def decide(
    elongation: Estimate, limit: Limit | None, *, lower_bound: bool = False, if_one_fewer: Estimate | None = None
) -> Decision:
    """Hold an elongation (per cent) against the limit, with a guard band on both sides.

    The chain is called *beyond* or *within* when that has at least 95 % probability (the idea of decision rules with
    guard bands, JCGM 106:2012); between, it is *too near to tell*, which calls for a better reading, not for luck.

    Parameters
    ----------
    elongation
        Per cent.
    limit
        The model's own; None when it is not known.
    lower_bound
        Whether the chain may be longer than was read (slack, or over a newer joining link): this can show that it is
        beyond, never that it is within.
    if_one_fewer
        The elongation, per cent, should one pitch fewer have been measured, where that may be: the chain is then
        within only if it is so either way.
    """
    text = f"{'at least ' if lower_bound else ''}{elongation.text('%')}"
    if if_one_fewer is not None:
        text += f" (or {if_one_fewer.text('%')}, should rollers have been counted as pitches)"
    if limit is None:
        return Decision(
            side="no-limit",
            probability_beyond=None,
            sentence=(
                f"Elongation {text}. No limit was given: look it up in the machine's manual and type it with its page."
            ),
        )
    p = _beyond(elongation, limit)
    against = f"the limit of {limit.elongation_percent:.2f} % ({limit.given_as}; {limit.source})"
    if lower_bound and p < SURE:
        return Decision(
            side="cannot-tell",
            probability_beyond=None,
            sentence=(
                f"Elongation {text}: the chain may be longer, so whether it keeps to {against} cannot be told. "
                "Measure under pull, beside the joining link."
            ),
        )
    if if_one_fewer is not None and p <= 1 - SURE < _beyond(if_one_fewer, limit):
        return Decision(
            side="cannot-tell",
            probability_beyond=None,
            sentence=(
                f"Elongation {text}: whether the chain keeps to {against} cannot be told before the count is sure."
            ),
        )
    side: Side = "beyond" if p >= SURE else "within" if p <= 1 - SURE else "too-near"
    says = {"beyond": "is beyond", "within": "is within", "too-near": "is too near to tell from"}[side]
    return Decision(
        side=side,
        probability_beyond=p,
        sentence=(
            f"Elongation {text} {says} {against}; "
            f"probability beyond it {'at least ' if lower_bound and p < 0.995 else ''}{100 * p:.0f} %."
        ),
    )
