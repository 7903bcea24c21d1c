"""What a trend is made of and what it says: readings, jumps, bands to come, and all of it in sentences."""

from __future__ import annotations

from dataclasses import dataclass

from toothcheck.geometry import Floats
from toothcheck.grade import BANDS_PERCENT, GRADES
from toothcheck.logbook import distance_rough
from toothcheck.trend.practice import PRIOR_SOURCE, usual_life

BANDS = tuple(zip(GRADES[1:], BANDS_PERCENT, strict=True))
"""Each grade with the asymmetry in % at which it begins."""


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
                f"({usual_life(unit)} to 10 % at the front); the interval is wide."
            )
        if self.reached == "replace-now":
            out.append("Past 25 % nothing is foretold: renew the set.")
        elif self.reached == "replace-set":
            out.append("Past 10 % the tooth's form changes; the forecast is wider.")
        return tuple(out)
