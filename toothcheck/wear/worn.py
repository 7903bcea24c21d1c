"""What was measured of a wheel, tooth by tooth and as a whole."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from toothcheck.estimate import Estimate
from toothcheck.flags import MAY_BE_DAMAGED
from toothcheck.geometry import Floats
from toothcheck.wear.datum import Datum


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToothWear:
    """One tooth's measures as measures.md defines them; None where they could not be taken."""

    index: int
    measured: bool
    flags: tuple[str, ...]
    drive_loss_mm: Estimate | None = None
    coast_loss_mm: Estimate | None = None
    thickness_mm: Estimate | None = None
    asymmetry_percent: Estimate | None = None
    tip_thickness_mm: Estimate | None = None
    tip_thinning_percent: Estimate | None = None
    overhang_mm: Estimate | None = None
    hollow_mm: Estimate | None = None
    greatest_loss_mm: Estimate | None = None
    tip_higher_mm: float | None = None
    """By how much its tip ends higher than the others' where it does not end with them; negative: lower."""
    leans_deg: float | None = None
    """How far out of the plane it is seen to lean where it may be bent; positive: towards the camera."""
    outline_mm: Floats | None = None
    """(n, 2) smoothed measured outline in the tooth's frame, coast root to drive root, mm."""

    @property
    def may_be_damaged(self) -> bool:
        """Whether it must be looked at before a grade is given."""
        return not MAY_BE_DAMAGED.isdisjoint(self.flags)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WheelWear:
    """All teeth, and the wheel's medians."""

    drive_clockwise: bool
    datum: Datum
    teeth: tuple[ToothWear, ...]
    drive_loss_mm: Estimate | None
    asymmetry_percent: Estimate | None
    overhang_mm: Estimate | None
    tip_thinning_percent: Estimate | None
    coast_fade_mm: Estimate | None
    """By how much more the coast flanks have lost below the pitch circle than near the tip: a sign of their wear that
    no turn of the datum makes."""
    worst_tooth: int | None
    drive_loss_alone_mm: tuple[Estimate | None, ...]
    """Each measured tooth's drive loss as it shows it by itself, before the teeth are judged together, with the
    uncertainty that is its own: for what comes back round the wheel."""
    drive_loss_shared_mm2: Floats
    """(t, t) covariance that the datum adds to these."""
    draws_asymmetry: Floats
    """(draws,) of the median asymmetry, for the grade's probability."""
    draws_overhang: Floats
    """The same of the overhang; (0,) where that is None."""


def worst_of(teeth: Iterable[ToothWear]) -> int | None:
    """The index of the measured tooth whose drive flank has lost most; None when none was measured."""
    losses = {t.index: t.drive_loss_mm.value for t in teeth if t.drive_loss_mm is not None}
    return max(losses, key=losses.__getitem__, default=None)
