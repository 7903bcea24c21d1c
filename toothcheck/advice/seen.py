"""When a part was judged or measured last, and whether that still counts.

How long it counts is this project's convention, not a limit of any maker or trade: teeth and chains wear on while
nobody looks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from toothcheck.tooth import teeth_in_words

PHOTO_HOLDS_KM = 3000.0
"""Ridden since its photo, a sprocket graded better than ``replace-set`` counts as not graded (our convention)."""
LENGTH_HOLDS_KM = 1500.0
"""Ridden since it was measured, a chain that was within its limit counts as not measured (our convention)."""
UNREAD_DAYS = 180
"""Days without a look at the odometer, after which nobody knows what was ridden since (our convention)."""

InWords = Callable[[float], str]
"""A distance in km as people shall read it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dispute:
    """That a later reading contradicts the one that counts, which is worse."""

    sentence: str
    """Names both."""
    remedy: str
    """What settles it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Halt:
    """Teeth for which nobody may ride before a qualified mechanic has looked at them."""

    teeth: tuple[int, ...]
    on: str | None = None
    """The day of the photo, ISO 8601; None for today's."""
    remedy: str | None = None
    """What is to be done where the mechanic finds nothing."""

    @property
    def which(self) -> str:
        """The teeth in words."""
        return teeth_in_words(self.teeth)

    @property
    def photo(self) -> str:
        """The day of their photo, to be put behind them."""
        return "" if self.on is None else f" (photo of {self.on})"

    @property
    def in_short(self) -> str:
        """For a list."""
        return f"do not ride: {self.which}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """When a part was judged or measured last.

    Raises
    ------
    ValueError
        When a number is negative.
    """

    on: str
    """The day, ISO 8601."""
    part_km: float | None = None
    """The part's own distance then, km; None when its earlier life is unknown."""
    since_km: float = 0.0
    """Ridden since, as far as the odometer was read, km."""
    unread_days: int = 0
    """Days since the odometer was read last."""

    def __post_init__(self) -> None:
        for name in ("part_km", "since_km", "unread_days"):
            value = getattr(self, name)
            if value is not None and value < 0:
                raise ValueError(f"{name} must not be negative, not {value}")

    def lapsed(self, holds_km: float) -> bool:
        """Whether more than ``holds_km`` was ridden since, or nobody knows how much."""
        return self.since_km > holds_km or self.unread_days > UNREAD_DAYS

    def when(self, far: InWords) -> str:
        """Day and the part's own distance, to be put behind what was seen."""
        return f"on {self.on}" + ("" if self.part_km is None else f" after {far(self.part_km)}")

    def why_lapsed(self, what: str, holds_km: float, far: InWords) -> str:
        """Why it no longer counts, where `lapsed`; ``what`` is what was seen, such as ``a photo``."""
        if self.since_km > holds_km:
            return f"{far(self.since_km)} were ridden since, and {what} counts for {far(holds_km)} (our convention)."
        return f"the odometer was read last {self.unread_days} days ago, so nobody knows what was ridden since."
