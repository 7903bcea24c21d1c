"""Hand-made tooth rings: outlines in mm from the ideal form, with no picture behind them."""

import math

import numpy as np

from toothcheck.geometry import readonly
from toothcheck.tooth import GapTrace, ToothRing
from toothcheck.toothform import IsoForm
from toothcheck.toothform.outline import TIP

MODES = ("height", "tilt_x")


def gap_points(form, step_mm=0.2):
    """Seat and flanks of one gap in its own frame, -x first; points and normals."""
    gap = form.gap(step_mm)
    keep = gap.part != TIP
    return gap.points_mm[keep], gap.normals[keep]


def turned_away(form, points, loss_mm, *, side, fading=0.0):
    """Points of one side of a gap (-1 or 1) moved into the metal by an arc length, from the seat's end on.

    ``fading``: which share of it is left out at 0.15 roller diameters above the pitch circle, growing from below it.
    """
    r = np.hypot(*points.T)
    height = (r - form.pitch_radius_mm) / form.roller_diameter_mm
    loss_mm = loss_mm * (1 - fading * np.clip((height + 0.15) / 0.3, 0, 1) ** 2)
    angle = np.arctan2(points[:, 0], points[:, 1])
    mine = np.sign(points[:, 0]) == side
    angle = angle + side * mine * form.flank_share(points) * loss_mm / r
    return np.stack([r * np.sin(angle), r * np.cos(angle)], axis=1)


def ring_of(
    form, *, drive=0.0, coast=0.0, drive_clockwise=True, phase=0.2, step_mm=0.2, noise_mm=0.0, seed=0, scale=1.0,
    scale_std=0.004, covered=(), turn=0.0, mirrored=False, fading=0.0,
):  # fmt: skip
    """A ring whose drive and coast flanks have lost an arc length: one number, or one for each tooth.

    ``turn`` moves the whole wheel against the phase that the ring claims; ``covered`` gaps were not traced.
    """
    z = form.teeth
    drive, coast = np.broadcast_to(drive, z), np.broadcast_to(coast, z)
    base, normals = gap_points(form, step_mm)
    rng = np.random.default_rng(seed)
    gaps = []
    # the drive flank of tooth g, or of the tooth on the gap's other side, looks into gap g
    side = -1 if drive_clockwise else 1
    for g in range(z):
        if g in covered:
            continue
        ccw_tooth, cw_tooth = g, (g - 1) % z
        drive_tooth, coast_tooth = (ccw_tooth, cw_tooth) if drive_clockwise else (cw_tooth, ccw_tooth)
        points = turned_away(form, base, drive[drive_tooth], side=side, fading=fading)
        points = turned_away(form, points, coast[coast_tooth], side=-side, fading=fading)
        c, s = math.cos(turn), math.sin(turn)
        points = scale * points @ np.array([[c, s], [-s, c]])
        offset = 0.05 + noise_mm * rng.standard_normal(len(points))
        n = normals @ np.array([[c, s], [-s, c]])
        nominal = points - 0.05 * n
        if mirrored:
            nominal, n, offset = nominal[::-1] * (-1, 1), n[::-1] * (-1, 1), offset[::-1]
        gaps.append(
            GapTrace(
                index=(z - g) % z if mirrored else g,
                nominal_mm=readonly(nominal),
                normals=readonly(n),
                offset_mm=readonly(offset),
                std_mm=readonly(np.full(len(points), max(noise_mm, 0.005))),
                doubt_mm=readonly(np.zeros(len(points))),
                modes_mm=readonly(np.zeros((len(points), len(MODES)))),
                darker=np.ones(len(points), dtype=bool),
            )
        )
    gone = {(g + k) % z for g in covered for k in (0, -1)}
    if mirrored:
        gone = {(-i - 1) % z for i in gone}
    return ToothRing(
        pitch_mm=form.pitch_mm,
        roller_diameter_mm=form.roller_diameter_mm,
        teeth=z,
        phase=math.pi - phase if mirrored else phase,
        gaps=tuple(sorted(gaps, key=lambda g: g.index)),
        tooth_flags=tuple(("covered",) if i in gone else () for i in range(z)),
        mode_names=MODES,
        scale_std=scale_std,
        tip_radius_mm=form.tip_radius_mm,
    )


def form_of(pitch_mm, roller_diameter_mm, teeth, blend=0.5):
    """A form by the names that tests write shortly."""
    return IsoForm(pitch_mm=pitch_mm, roller_diameter_mm=roller_diameter_mm, teeth=teeth, blend=blend)
