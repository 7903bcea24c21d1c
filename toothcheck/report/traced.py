"""From a measured wheel to what a report draws of it."""

from __future__ import annotations

from toothcheck.report.content import ToothOutline
from toothcheck.wear import WheelWear


def outlines_of(wear: WheelWear) -> tuple[ToothOutline, ...]:
    """Traced outlines of all teeth that have one, each with the ideal tooth that it was compared with."""
    ideal = wear.datum.form.tooth(0.05).points_mm
    return tuple(
        ToothOutline(index=tooth.index, measured_mm=tooth.outline_mm, ideal_mm=ideal)
        for tooth in wear.teeth
        if tooth.measured and tooth.outline_mm is not None and len(tooth.outline_mm) > 2
    )
