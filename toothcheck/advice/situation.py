"""All that is known of one machine's drive, and what of it still counts today."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from toothcheck.advice.seen import LENGTH_HOLDS_KM, PHOTO_HOLDS_KM, Dispute, Halt, Seen
from toothcheck.chains import FEWEST_LINKS, Chain
from toothcheck.estimate import Estimate
from toothcheck.grade import ALL_GRADES, Renewal
from toothcheck.stretch import Decision, Limit, decide, doubt_about
from toothcheck.stretch.published import published_percent
from toothcheck.toothform import MAX_TEETH, MIN_TEETH

Grade = Literal["good", "watch", "replace-set", "replace-now", "cannot-tell"]
CONFIDENT = 0.8
"""Below this, a grade does not carry a decision to keep a part (our convention)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SprocketState:
    """One sprocket as judged.

    Raises
    ------
    ValueError
        When the grade is none of the five or a number is out of range.
    """

    grade: Grade
    confidence: float | None = None
    teeth: int | None = None
    asymmetry_percent: Estimate | None = None
    distance_km: float | None = None
    """The part's own, by now."""
    seen: Seen | None = None
    """When its grade was given; None for one given today."""
    untold_on: str | None = None
    """The day of a newer photo that could not tell."""
    chain_size: str | None = None
    """The chain that it is made for, by name."""
    dispute: Dispute | None = None
    """A newer photo's milder grade that contradicts this one."""
    halt: Halt | None = None
    """Teeth for which nobody may ride, whatever the grade."""
    renew: Renewal | None = None
    """When parts are to be renewed by the newest photo, which could not tell the grade."""
    remark: str | None = None
    """What else was read of it that does not count, a sentence."""
    foretold: str | None = None
    """When it will be due by its readings, a sentence: told only beside a plan by which it may stay."""

    def __post_init__(self) -> None:
        if self.grade not in ALL_GRADES:
            raise ValueError(f"grade must be one of {', '.join(ALL_GRADES)}, not {self.grade!r}")
        if self.confidence is not None and not 0 <= self.confidence <= 1:
            raise ValueError(f"confidence must lie between 0 and 1, not {self.confidence}")
        if self.teeth is not None and not MIN_TEETH <= self.teeth <= MAX_TEETH:
            raise ValueError(f"teeth must lie between {MIN_TEETH} and {MAX_TEETH}, not {self.teeth}")
        if self.distance_km is not None and self.distance_km < 0:
            raise ValueError(f"distance_km must not be negative, not {self.distance_km}")

    @property
    def old(self) -> bool:
        """Whether the part may have worn into another grade since."""
        return self.grade in ("good", "watch") and self.seen is not None and self.seen.lapsed(PHOTO_HOLDS_KM)

    @property
    def grade_now(self) -> Grade:
        """The grade that counts today: ``good`` and ``watch`` only while they hold, and while nothing newer doubts."""
        doubted = self.grade in ("good", "watch") and self.untold_on is not None
        return "cannot-tell" if self.old or doubted else self.grade

    @property
    def sure(self) -> bool:
        """Whether the grade may decide: typed without confidence (an eye's grade) it may, but not below `CONFIDENT`.

        Nor may it while a tooth halts.
        """
        told = self.halt is None and self.grade_now != "cannot-tell"
        return told and (self.confidence is None or self.confidence >= CONFIDENT)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainState:
    """The chain as measured and looked at."""

    elongation_percent: Estimate | None = None
    if_one_fewer_percent: Estimate | None = None
    """The elongation, should rollers have been counted as pitches; None where that cannot be, or is not known."""
    misread: str | None = None
    """What the reading behind the elongation looks like instead, where it is known and cannot be right."""
    dispute: Dispute | None = None
    """A later, shorter length that contradicts it."""
    remark: str | None = None
    """What else was measured of it that does not count, a sentence."""
    size: str | None = None
    """Its own size, by name."""
    limit: Limit | None = None
    links: int | None = None
    distance_km: float | None = None
    """Its own, by now."""
    seen: Seen | None = None
    """When its elongation was measured; None for today."""
    age_years: float | None = None
    stiff_or_uneven: bool = False
    """Links that do not straighten, or a tight and a slack part in one turn."""
    damaged: bool = False
    """Cracked plates, cracked or missing rollers, a loose joining link, missing seals."""

    def __post_init__(self) -> None:
        if self.links is not None and self.links < FEWEST_LINKS:
            raise ValueError(f"links must be at least {FEWEST_LINKS}, not {self.links}")
        for name in ("distance_km", "age_years"):
            value = getattr(self, name)
            if value is not None and not 0 <= value < math.inf:
                raise ValueError(f"{name} must be a number from 0 up, not {value}")

    @property
    def doubt(self) -> str | None:
        """Why the elongation is not to be believed; None when it may be, or was not measured."""
        e = self.elongation_percent
        return None if e is None else self.misread or doubt_about(e.value)

    @property
    def decision(self) -> Decision | None:
        """The elongation held against the limit, if it was measured and can be right."""
        e = self.elongation_percent
        if e is None or self.doubt is not None:
            return None
        return decide(e, self.limit, if_one_fewer=self.if_one_fewer_percent)

    @property
    def old(self) -> bool:
        """Whether a chain that was not beyond its limit may be by now."""
        decision = self.decision
        kept = decision is not None and decision.side in ("within", "no-limit")
        return kept and self.seen is not None and self.seen.lapsed(LENGTH_HOLDS_KM)

    @property
    def within(self) -> bool:
        """Whether it is within its limit, and not only was."""
        return self.decision is not None and self.decision.side == "within" and not self.old

    @property
    def long_without_limit(self) -> bool:
        """Whether it is as long as the least of the published limits, while its own machine's is not known."""
        e, decision = self.elongation_percent, self.decision
        open_ = e is not None and decision is not None and decision.side == "no-limit"
        return e is not None and open_ and e.value >= published_percent()[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """All that is known of one machine's drive; None is unknown."""

    front: SprocketState | None = None
    rear: SprocketState | None = None
    chain: ChainState = field(default_factory=ChainState)
    size: Chain | None = None
    adjuster_left_percent: float | None = None
    """How much of the adjuster's travel is left, 0 at its end or at the renew mark, 100 when new."""

    def __post_init__(self) -> None:
        left = self.adjuster_left_percent
        if left is not None and not 0 <= left <= 100:
            raise ValueError(f"adjuster_left_percent must lie between 0 and 100, not {left}")

    @property
    def both(self) -> tuple[tuple[str, SprocketState | None], ...]:
        """The sprockets, known or not, each with its place."""
        return ("front", self.front), ("rear", self.rear)

    @property
    def known(self) -> dict[str, SprocketState]:
        """The sprockets that something is known of, by place."""
        return {name: sprocket for name, sprocket in self.both if sprocket is not None}

    @property
    def unseen(self) -> bool:
        """Whether a sprocket has no grade that counts today."""
        return any(sprocket is None or sprocket.grade_now == "cannot-tell" for _, sprocket in self.both)

    @property
    def keepable(self) -> bool:
        """Whether both sprockets are good, and surely so."""
        return len(self.known) == 2 and all(p.sure and p.grade == "good" for p in self.known.values())

    @property
    def clash(self) -> str | None:
        """That the parts are of different chain sizes, in words; None when they are not, as far as is known."""
        sizes = {
            "front sprocket": None if self.front is None else self.front.chain_size,
            "rear sprocket": None if self.rear is None else self.rear.chain_size,
            "chain": self.chain.size,
        }
        known = {name: size for name, size in sizes.items() if size is not None}
        if len(set(known.values())) < 2:
            return None
        return (
            f"The chain sizes do not match: {', '.join(f'{name} {size}' for name, size in known.items())}. Chain and "
            "sprockets must be of one size."
        )

    @property
    def disputed(self) -> tuple[str, ...]:
        """The parts of which two readings contradict each other, for people."""
        parts = (("the front sprocket", self.front), ("the rear sprocket", self.rear), ("the chain", self.chain))
        return tuple(name for name, part in parts if part is not None and part.dispute is not None)
