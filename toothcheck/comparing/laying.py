"""Rings laid on one reference outline: each becomes a table of offsets, gap by point."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toothcheck.geometry import Bools, Floats, readonly, rotated
from toothcheck.tooth import GapTrace, ToothRing
from toothcheck.toothform import IsoForm

TEXTURE_STD_MM, TEXTURE_LENGTH_MM = 0.015, 0.8
"""What light and dirt do to a flank from photo to photo, and how far along the edge it reaches; assumed."""
_STEP_MM = 0.15
_SEAT_VOTES = 0.65


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reference:
    """The middle form's gap, the roles of its points, and how each unknown moves them (all in the gap's frame)."""

    points: Floats
    normals: Floats
    along: Floats
    coast: Bools
    from_pitch: Floats
    """Radius over the pitch circle on the drive flank, mm; infinite elsewhere."""
    reach: Bools
    """Drive flank from R − 0.2 d1 to R + 0.3 d1."""
    coast_share: Floats
    """0 at the gap's bottom, rising to 1 where the coast flank begins: how an even loss of coast flanks shows."""
    seat_share: Floats
    """0 at the gap's bottom, 1 where the seat ends, more beyond."""
    drive_seat: Bools
    """The lower part of the seat's drive half."""
    arc_per_normal: float
    """At the pitch circle on a flank."""
    radius_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """A ring laid on the reference: rows are gaps, columns its points; NaN where nothing was traced."""

    offset: Floats
    var: Floats
    doubt: Floats
    """What neighbouring points share of their error, mm: it does not average out along a flank."""
    modes: Floats
    """(gaps, points, k)."""
    scale_std: float


def reference_of(ring: ToothRing, drive_clockwise: bool) -> Reference:
    """The reference for a ring's chain and tooth count."""
    form = IsoForm(pitch_mm=ring.pitch_mm, roller_diameter_mm=ring.roller_diameter_mm, teeth=ring.teeth)
    outline = form.gap(_STEP_MM)
    points, first = np.unique(np.round(outline.points_mm, 9), axis=0, return_index=True)
    order = np.sort(first)
    points, normals = outline.points_mm[order], outline.normals[order]
    # the tip's corner has two normals and wears first: leave the land out
    radius = np.hypot(points[:, 0], points[:, 1])
    body = radius < form.tip_radius_mm - 1e-6
    points, normals, radius = points[body], normals[body], radius[body]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    d1, big = ring.roller_diameter_mm, form.pitch_radius_mm
    side = points[:, 0] * (
        1.0 if drive_clockwise else -1.0
    )  # the drive flank of gap i is tooth i's, left when clockwise
    tangential = np.abs(normals[:, 0] * points[:, 1] - normals[:, 1] * points[:, 0]) / radius
    drive = (side < 0) & (radius > form.junction_radius_mm)
    # on the seat by the angle at its centre, as a turn shows there
    seat = np.abs(points[:, 0]) / float(np.abs(points[radius < form.junction_radius_mm, 0]).max())
    return Reference(
        points=readonly(points),
        normals=readonly(normals),
        along=readonly(along),
        coast=(side > 0) & (radius < big + 0.3 * d1),
        from_pitch=readonly(np.where(drive, radius - big, np.inf)),
        reach=drive & (radius > big - 0.2 * d1) & (radius < big + 0.3 * d1),
        coast_share=readonly(np.where(side > 0, np.clip(seat, 0, 1), 0.0)),
        seat_share=readonly(seat),
        drive_seat=(side < 0) & (radius < form.junction_radius_mm) & (seat < _SEAT_VOTES),
        arc_per_normal=1 / float(tangential[drive][np.abs(radius[drive] - big).argmin()]),
        radius_mm=big,
    )


def lay(ring: ToothRing, ref: Reference, moved: Floats | None = None) -> Table:
    """Measure a ring's traced edge along the reference's normals.

    ``moved`` is (shift x, shift y, turn in radians, scale − 1), applied to the ring first; its plane is the shift's.
    """
    k = len(ring.mode_names)
    shape = (ring.teeth, len(ref.points))
    offset, var, doubt = (np.full(shape, np.nan) for _ in range(3))
    modes = np.zeros((*shape, k))
    for gap in ring.gaps:
        edge = gap.nominal_mm + gap.offset_mm[:, None] * gap.normals
        if moved is not None:
            edge = (1 + moved[3]) * rotated(edge, moved[2]) + in_gap(moved[:2], ring, gap.index)
        # the nearest place of the reference for each traced point: its foot on the nearest segment
        a, b = ref.points[:-1], ref.points[1:]
        d = b - a
        t = np.clip(((edge[:, None] - a) * d).sum(-1) / (d**2).sum(-1), 0, 1)
        foot = a + t[..., None] * d
        away = np.hypot(*np.moveaxis(edge[:, None] - foot, -1, 0))
        near = away.argmin(axis=1)
        rows = np.arange(len(edge))
        share = t[rows, near]
        at = ref.along[near] + share * np.hypot(*d[near].T)
        normal = (1 - share)[:, None] * ref.normals[near] + share[:, None] * ref.normals[near + 1]
        height = ((edge - foot[rows, near]) * normal).sum(axis=1) / np.hypot(*normal.T)
        order = np.argsort(at, kind="stable")
        at = at[order]
        spacing = float(np.median(np.diff(at))) if len(at) > 1 else _STEP_MM
        to = np.searchsorted(at, ref.along)
        gap_width = at[np.clip(to, 0, len(at) - 1)] - at[np.clip(to - 1, 0, len(at) - 1)]
        inside = (ref.along >= at[0]) & (ref.along <= at[-1]) & (gap_width < max(0.4, 3 * spacing))
        offset[gap.index] = np.where(inside, np.interp(ref.along, at, height[order]), np.nan)
        # neighbours share their noise: the variance that a mean over many points deserves, kept for each point
        shared = max(1.0, spacing / _STEP_MM)
        noise = gap.std_mm[order] ** 2 * shared + TEXTURE_STD_MM**2 * TEXTURE_LENGTH_MM / _STEP_MM
        var[gap.index] = np.interp(ref.along, at, noise)
        doubt[gap.index] = np.interp(ref.along, at, gap.doubt_mm[order])
        for m in range(k):
            modes[gap.index, :, m] = np.interp(ref.along, at, gap.modes_mm[order, m])
    return Table(offset=offset, var=var, doubt=doubt, modes=modes, scale_std=ring.scale_std)


def in_gap(shift: Floats, ring: ToothRing, index: int) -> Floats:
    """A vector of the ring's plane in a gap's frame (whose +y is the gap's axis)."""
    return rotated(shift, math.pi / 2 - (ring.phase + index * 2 * math.pi / ring.teeth))


def mirrored(ring: ToothRing) -> ToothRing:
    """The wheel turned over: x changes sign, and the teeth run the other way."""
    flip = np.array([-1.0, 1.0])
    gaps = [
        GapTrace(
            index=-g.index % ring.teeth,
            nominal_mm=readonly((g.nominal_mm * flip)[::-1]),
            normals=readonly((g.normals * flip)[::-1]),
            offset_mm=readonly(g.offset_mm[::-1]),
            std_mm=readonly(g.std_mm[::-1]),
            doubt_mm=readonly(g.doubt_mm[::-1]),
            modes_mm=readonly(g.modes_mm[::-1]),
            darker=g.darker[::-1],
        )
        for g in ring.gaps
    ]
    return replace(ring, phase=math.pi - ring.phase, gaps=tuple(sorted(gaps, key=lambda g: g.index)))
