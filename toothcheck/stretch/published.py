"""General figures on chain wear, with their sources: to read beside a result, never to judge by.

The limits belong to the model they were printed for; the spread between them (0.6 % to 2 %) is why none is a default.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedLimit:
    """A chain wear limit out of some model's service manual, pin to pin."""

    pitches: int
    pitch_mm: float
    span_mm: float
    source: str = "published service manual of one model"

    @property
    def elongation_percent(self) -> float:
        """The same as elongation of the nominal length, per cent (our arithmetic)."""
        return 100 * (self.span_mm / (self.pitches * self.pitch_mm) - 1)


PUBLISHED_LIMITS = (
    PublishedLimit(pitches=20, pitch_mm=15.875, span_mm=319.4),
    PublishedLimit(pitches=17, pitch_mm=15.875, span_mm=272.0),
    PublishedLimit(pitches=20, pitch_mm=15.875, span_mm=323.0),
    PublishedLimit(pitches=15, pitch_mm=15.875, span_mm=242.9),
)
"""Four models' limits: each holds for its own model only."""


def industrial_rule_percent(largest_teeth: int, *, fixed_centres: bool = False) -> float:
    """The largest elongation by a rule for industrial chain: 200/z %, at most 3 % (1.5 % on fixed centres).

    Source: a published chain maker's guide.  A guide for drives in machinery, not for a vehicle.

    Parameters
    ----------
    largest_teeth
        Teeth of the larger sprocket.
    fixed_centres
        Whether the distance between the shafts cannot be adjusted.
    """
    if largest_teeth < 1:
        raise ValueError(f"largest_teeth must be at least 1, not {largest_teeth}")
    return min(200 / largest_teeth, 1.5 if fixed_centres else 3.0)


def published_percent() -> tuple[float, float]:
    """The least and the greatest of the published limits, per cent."""
    all_of = [x.elongation_percent for x in PUBLISHED_LIMITS]
    return min(all_of), max(all_of)


def general_figures(rear_teeth: int | None) -> tuple[str, ...]:
    """Sentences to show when no limit was given; they say themselves that they are not the limit."""
    low, high = published_percent()
    out = [
        f"Service manuals of four models print limits from {low:.1f} to {high:.1f} %: "
        "each belongs to its model, none is yours until your manual says so."
    ]
    if rear_teeth is not None:
        out.append(
            f"A chain maker's guide for industrial drives gives 200/z: {industrial_rule_percent(rear_teeth):.1f} % "
            f"at {rear_teeth} teeth. It is not written for vehicles."
        )
    return tuple(out)
