"""The truth about a worn tooth, measured straight on its fine outline by the definitions of section 4 of the measures.

Written without a look at the room that estimates the same quantities from a photo, and without calling it: a slip
there must not be repeated here.  All lengths mm.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from toothcheck.geometry import Floats
from toothcheck.toothform import IsoForm

Truth = dict[str, float | None]


def _crossings(tooth: Floats, radius: float) -> Floats:
    """Angles from the centre line, clockwise positive, at which the outline crosses a circle about the centre."""
    r = np.hypot(*tooth.T)
    at = np.flatnonzero((r[:-1] - radius) * (r[1:] - radius) <= 0)
    if len(at) == 0:
        return np.empty(0)
    d = r[at + 1] - r[at]
    f = np.where(np.abs(d) > 1e-12, (radius - r[at]) / np.where(np.abs(d) > 1e-12, d, 1.0), 0.0)
    p = tooth[at] + f[:, None] * (tooth[at + 1] - tooth[at])
    return np.arctan2(p[:, 0], p[:, 1])


def halves(tooth: Floats, radius: float) -> tuple[float, float] | None:
    """Arc lengths from the centre line to the coast and the drive flank at a radius; None where no metal is left."""
    angles = _crossings(tooth, radius)
    if len(angles) < 2:
        return None
    return float(-angles.min() * radius), float(angles.max() * radius)


def _drive_flank(tooth: Floats, junction_radius: float) -> Floats:
    """Return the outline from the junction's radius on the drive side up to the tip, root first."""
    r = np.hypot(*tooth.T)
    top = np.flatnonzero(r > r.max() - 1e-6)[-1]
    down = tooth[top:]
    below = np.flatnonzero(np.hypot(*down.T) < junction_radius)
    stop = int(below[0]) if len(below) else len(down)
    return down[:stop][::-1]


def overhang(flank: Floats) -> float:
    """How far a point nearer the tip stands out past a point nearer the root."""
    if len(flank) == 0:
        return 0.0
    x = flank[:, 0]
    return float(np.max(x - np.minimum.accumulate(x)))


def hollow(flank: Floats) -> float:
    """Return the greatest gap under a straight edge laid on the flank from outside."""
    if len(flank) < 3:
        return 0.0
    hull: list[int] = []  # the points that a straight edge can rest on, root to tip (Andrew's chain, outer side)
    for i, p in enumerate(flank):
        while len(hull) >= 2:
            a, b = flank[hull[-2]], flank[hull[-1]]
            if (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) <= 0:
                hull.pop()  # b lies on the inner side of a–p: the edge bridges it
            else:
                break
        hull.append(i)
    worst = 0.0
    for i, j in pairwise(hull):
        if j > i + 1:
            a, b = flank[i], flank[j]
            along = (b - a) / np.hypot(*(b - a))
            gap = (flank[i : j + 1] - a) @ np.array([-along[1], along[0]])
            worst = max(worst, float(gap.max()))
    return worst


def greatest_loss(tooth: Floats, form: IsoForm) -> float:
    """Return the greatest distance along the ideal normal from the ideal drive flank to the metal."""
    ideal = form.tooth(0.1)
    points, normals = ideal.points_mm, ideal.normals
    r = np.hypot(*points.T)
    low = form.pitch_radius_mm - 0.2 * form.roller_diameter_mm
    high = form.pitch_radius_mm + 0.3 * form.roller_diameter_mm
    on = (points[:, 0] > 0) & (r >= low) & (r <= high) & (ideal.part < 2)
    a, d = tooth[:-1], tooth[1:] - tooth[:-1]
    worst = 0.0
    for p, n in zip(points[on], normals[on], strict=True):
        # p - t n meets a + u d: two equations, all segments at once
        ap = p - a
        det = d[:, 0] * n[1] - d[:, 1] * n[0]
        safe = np.where(np.abs(det) > 1e-15, det, 1.0)
        u = (ap[:, 0] * n[1] - ap[:, 1] * n[0]) / safe
        t = (d[:, 0] * ap[:, 1] - d[:, 1] * ap[:, 0]) / safe
        ok = (np.abs(det) > 1e-15) & (u >= -1e-9) & (u <= 1 + 1e-9) & (t > -0.05)
        if ok.any():
            first = np.flatnonzero(ok)[np.argmin(t[ok])]
            # leaving metal there means that the point lies in it: a tip drawn over stands outside the ideal
            worst = max(worst, float(t[first]) if det[first] > 0 else 0.0)
    return worst


def tooth_truth(tooth: Floats, form: IsoForm) -> Truth:
    """All measures of one tooth.

    Parameters
    ----------
    tooth
        (n, 2) in the tooth's frame, from the coast gap's bottom over the tip to the drive gap's bottom.
    form
        Its ideal form.

    Returns
    -------
    dict
        ``None`` where the tooth does not reach the radius asked for.
    """
    ideal = np.asarray(form.tooth(0.02).points_mm)
    at_pitch, at_tip = form.pitch_radius_mm, form.pitch_radius_mm + 0.25 * form.roller_diameter_mm
    ideal_pitch, ideal_tip = halves(ideal, at_pitch), halves(ideal, at_tip)
    pitch, tip = halves(tooth, at_pitch), halves(tooth, at_tip)
    if ideal_pitch is None:
        raise ValueError("form must reach its own pitch circle")
    h0 = sum(ideal_pitch) / 2
    flank = _drive_flank(tooth, form.junction_radius_mm)
    return {
        "pitch_thickness": None if pitch is None else sum(pitch),
        "pitch_thickness_ideal": 2 * h0,
        "drive_loss_pitch": None if pitch is None else h0 - pitch[1],
        "coast_loss_pitch": None if pitch is None else h0 - pitch[0],
        "tip_thickness": 0.0 if tip is None else sum(tip),
        "tip_thickness_ideal": 0.0 if ideal_tip is None else sum(ideal_tip),
        "overhang": overhang(flank),
        "hollow": hollow(flank),
        "drive_loss_max": greatest_loss(tooth, form),
        "tip_radius": float(np.hypot(*tooth.T).max()),
    }


def asymmetry_percent(tooth: Truth) -> float | None:
    """Asymmetry of one tooth by what `tooth_truth` says of it; None where a flank is gone at the pitch circle."""
    drive, coast, ideal = tooth["drive_loss_pitch"], tooth["coast_loss_pitch"], tooth["pitch_thickness_ideal"]
    if drive is None or coast is None or ideal is None:
        return None
    h_coast = ideal / 2 - coast
    return float(100 * (drive - coast) / (2 * h_coast))


def true_measures(tooth: Truth) -> dict[str, float | None]:
    """What `tooth_truth` says of one tooth, by the measures' names in an inspection's JSON (measures.md, section 4).

    None where the truth has none: a tooth that is new without a tip has no thinning.
    """
    tip, new_tip = tooth["tip_thickness"], tooth["tip_thickness_ideal"]
    return {
        "drive_loss_mm": tooth["drive_loss_pitch"],
        "coast_loss_mm": tooth["coast_loss_pitch"],
        "thickness_mm": tooth["pitch_thickness"],
        "asymmetry_percent": asymmetry_percent(tooth),
        "greatest_loss_mm": tooth["drive_loss_max"],
        "overhang_mm": tooth["overhang"],
        "hollow_mm": tooth["hollow"],
        "tip_thickness_mm": tip,
        "tip_thinning_percent": 100 * (1 - tip / new_tip) if tip is not None and new_tip else None,
    }


def grade(truths: list[Truth], damaged: bool) -> tuple[str, float]:
    """Return the grade that the true measures lead to (measures, section 5), and the median asymmetry in percent."""
    asymmetries, hooks = [], []
    for t in truths:
        asymmetry = asymmetry_percent(t)
        if asymmetry is None:
            continue
        asymmetries.append(asymmetry)
        hooks.append(t["overhang"] or 0.0)
    middle = float(np.median(asymmetries)) if asymmetries else float("nan")
    hook = float(np.median(hooks)) if hooks else 0.0
    if damaged or hook >= 0.3 or middle >= 25:
        return "replace-now", middle
    return ("good" if middle < 5 else "watch" if middle < 10 else "replace-set"), middle
