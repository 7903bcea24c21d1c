"""An inspection with the part's own form when new as the ideal (measures.md, sections 2 and 4)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from toothcheck.comparing import AgainstBaseline, Comparison, share_of
from toothcheck.estimate import Estimate, median_of
from toothcheck.geometry import readonly
from toothcheck.grade import GRADES, MEASURED_AGAINST, grade
from toothcheck.inspection import Inspection
from toothcheck.wear import ToothWear, WheelWear, worst_of


def with_baseline(
    inspection: Inspection, earlier: Inspection, comparison: Comparison, found: AgainstBaseline, *, seed: int = 0
) -> Inspection:
    """The inspection with the part's own form when new as the ideal (measures.md, sections 2 and 4).

    Losses, asymmetry and grade are then by what is gone since, against the baseline's thickness.  The baseline must be
    graded good, and the two agree on what does not wear; else nothing changes.  What refuses a grade does so still, and
    tips and hooks, which no baseline measures, stay against the ideal form.

    Parameters
    ----------
    inspection, earlier
        Of the part now, and when new.
    comparison, found
        Of the two.
    seed
        Of the draws behind the confidence.
    """
    wear = inspection.wear
    doubted = set(comparison.flags) - {"teeth-not-told-apart"}
    if wear is None or wear.asymmetry_percent is None or earlier.verdict.grade != GRADES[0] or doubted:
        return inspection
    rng = np.random.default_rng(seed)
    # a form that both flanks' wear has bent out of the ideal is what a baseline is for
    flags = tuple(f for f in inspection.flags if f != "worn-both-flanks")
    gone = found.asymmetry_percent
    draws = readonly(gone.value + gone.std * rng.standard_normal(max(1, len(wear.draws_asymmetry))))
    teeth = _since(wear, earlier.wear, comparison, found.thickness_mm)
    judged = replace(
        wear,
        teeth=teeth,
        worst_tooth=worst_of(teeth),
        drive_loss_mm=found.loss_mm,
        asymmetry_percent=gone,
        draws_asymmetry=draws,
    )
    after = grade(judged, flags, rng)
    said = f"Gone from the drive flanks since the baseline: {gone.text('%')} of its teeth's thickness (median)."
    reasons = tuple(said if r.startswith(MEASURED_AGAINST) else r for r in after.reasons)
    held = replace(inspection, wear=judged, flags=flags, against_baseline=True)
    return held.judged(replace(after, reasons=reasons))


def _since(
    now: WheelWear, new: WheelWear | None, comparison: Comparison, thickness_mm: Estimate
) -> tuple[ToothWear, ...]:
    """The teeth with what each has lost since the baseline, of its ``thickness_mm``.

    Where it is not known which tooth is which, each is held against the baseline's medians.
    """
    told = {t.index_after: t.drive_loss_mm for t in comparison.teeth}
    drive_new = None if new is None else new.drive_loss_mm
    coast_new = median_of([t.coast_loss_mm for t in new.teeth if t.coast_loss_mm is not None] if new else [])
    out = []
    for t in now.teeth:
        if t.drive_loss_mm is None or t.coast_loss_mm is None or drive_new is None or coast_new is None:
            out.append(t)
            continue
        drive = told.get(t.index) or t.drive_loss_mm.less(drive_new)
        out.append(
            replace(
                t,
                drive_loss_mm=drive,
                coast_loss_mm=t.coast_loss_mm.less(coast_new),
                asymmetry_percent=share_of(drive, thickness_mm),
            )
        )
    return tuple(out)
